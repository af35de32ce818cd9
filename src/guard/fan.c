/* SPDX-License-Identifier: MIT */
/* A fan that was told to blow and does not: nothing reads it, but the plate cools by what it was learned to lose. */
#include "guard_private.h"

enum {
    BLOWS_PCT = 100,      /* part of its speed need not be part of its effect */
    FAN_FALL_MC = 10000,  /* so far the slowest fall has to come before it is judged, ... */
    FAN_ABOVE_MC = 48000, /* ... where the room's doubt is small beside it ... */
    FAN_SLACK_MC = 1000,
};

/* Half of what is learned: a heavy board, and a warm room, take less than the other half. */
static double slowest_fall_k_s(const struct guard *guard, double temp_c)
{
    const struct plate *plate = &guard->control.plate;
    double watts = control_loss_w(&guard->control, temp_c) +
                   plate->fan_loss_w_k * (temp_c - guard->control.room_c);

    return watts / 2 / (plate->capacity_j_k + guard->control.extra_j_k);
}

/* One that takes no more than the room does would not be missed. */
static bool blows(const struct guard *guard)
{
    const struct plate *plate = &guard->control.plate;

    return guard->limits.uses_plate && plate->fan_loss_w_k > plate->loss_w_k &&
           guard->in.plate.quality == QUALITY_GOOD && guard->out.fan_pct >= BLOWS_PCT &&
           !guard->out.heat && guard->want.hand != HAND_HEAT;
}

void fan_watch(struct guard *guard, int64_t t_ms)
{
    struct fan_watch *fan = &guard->fan;
    const struct plate *plate = &guard->control.plate;
    int32_t now_mc = guard->in.plate.temp_mc;
    int64_t settle_ms = 2000 + (int64_t)(4000 * (plate->element_lag_s + plate->sensor_lag_s));

    if (!blows(guard))
        fan->since_ms = t_ms;
    if (t_ms - fan->since_ms <= settle_ms) { /* what element and sensor held comes through first */
        fan->from_mc = now_mc;
        fan->slowest_c = now_mc / 1000.0;
        fan->at_ms = t_ms;
        return;
    }
    fan->slowest_c -= slowest_fall_k_s(guard, fan->slowest_c) * (double)(t_ms - fan->at_ms) / 1000;
    fan->at_ms = t_ms;
    if (fan->told || 1000 * fan->slowest_c > fan->from_mc - FAN_FALL_MC ||
        1000 * fan->slowest_c < FAN_ABOVE_MC || now_mc < 1000 * fan->slowest_c + FAN_SLACK_MC)
        return;
    fan->told = true;
    guard_say(
        guard, NOTE_WARN, t_ms,
        "The plate cools less than half as fast as with its fan: does it turn, and is its way "
        "free? It stays hot for longer.");
}
