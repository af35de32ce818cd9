/* SPDX-License-Identifier: MIT */
#include "inside.h"

static int64_t virtual_now_ms(struct clock *clock)
{
    return clock->origin_ms;
}

void clock_virtual_init(struct clock *clock)
{
    clock->now_ms = virtual_now_ms;
    clock->origin_ms = 0;
}
