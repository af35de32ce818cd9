/* SPDX-License-Identifier: MIT */
#include "tinlatch/port.h"

#include <time.h>

static int64_t read_ms(clockid_t id)
{
    struct timespec now = {0};
    clock_gettime(id, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

static int64_t boot_ms(void)
{
    return read_ms(CLOCK_BOOTTIME);
}

int64_t clock_slept_ms(void)
{
    int64_t awake_ms = read_ms(CLOCK_MONOTONIC);

    return boot_ms() - awake_ms;
}

static int64_t real_now_ms(struct clock *clock)
{
    return boot_ms() - clock->origin_ms;
}

void clock_real_init(struct clock *clock)
{
    clock->now_ms = real_now_ms;
    clock->origin_ms = boot_ms();
}
