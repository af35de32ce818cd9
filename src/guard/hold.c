/* SPDX-License-Identifier: MIT */
/* A plate that takes far more than it was learned to lose to hold its temperature: a draft, or a sensor that has slipped
 * in part and reads cold. The power cannot tell one from the other, so it only warns. */
#include "guard_private.h"

#include <stdio.h>
#include <stdlib.h>

enum {
    NEAR_MC = 2000,     /* a hold: the reading this near to what is granted, ... */
    WARM_MC = 80000,    /* ... where the room's doubt is small beside it */
    SETTLED_MS = 30000, /* by when insert and board have taken most of their own */
    MEAN_MS = 30000,
};

/* Seated, in still air, mains within 3 %: 1.0 to 1.3 in the first half minute that counts, with a stack that still warms;
 * 0.99 to 1.12 after ten minutes, forty plates of drawn constants, boards of 1 to 100 g a side. */
static const double MUCH = 1.5;

static bool holds(const struct guard *guard)
{
    const struct temp_reading *plate = &guard->in.plate;

    return guard->mode == GUARD_RUNNING && guard->out.heat && guard->out.fan_pct == 0 &&
           guard->want.hand == HAND_NONE && plate->quality == QUALITY_GOOD &&
           plate->temp_mc >= WARM_MC && abs(plate->temp_mc - guard->out.temp_mc) <= NEAR_MC;
}

static void judge(struct guard *guard, int64_t t_ms)
{
    double held_c = guard->in.plate.temp_mc / 1000.0;
    double times = guard->hold.fed_ms / MEAN_MS * guard->control.plate.watts /
                   control_loss_w(&guard->control, held_c);
    char text[BENCH_TEXT];

    if (times < MUCH)
        return;
    guard->hold.told = true;
    snprintf(text, sizeof text,
             "Holding %.0f C takes %.1f times the power that was learned: a draft or a fan, or the "
             "sensor has slipped in part and reads cold.",
             held_c, times);
    guard_say(guard, NOTE_WARN, t_ms, text);
}

/* Two plate sensors see a slip by themselves. */
void hold_watch(struct guard *guard, int64_t t_ms)
{
    struct hold_watch *hold = &guard->hold;
    int64_t dt_ms = t_ms - hold->at_ms;

    hold->at_ms = t_ms;
    if (!holds(guard) || guard->limits.has_plate_2 || hold->told) {
        hold->since_ms = t_ms;
        hold->fed_ms = 0;
        return;
    }
    if (t_ms - hold->since_ms > SETTLED_MS)
        hold->fed_ms += guard->fed.low * (double)dt_ms;
    if (t_ms - hold->since_ms < SETTLED_MS + MEAN_MS)
        return;
    judge(guard, t_ms);
    hold->since_ms = t_ms - SETTLED_MS;
    hold->fed_ms = 0;
}
