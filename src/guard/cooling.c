/* SPDX-License-Identifier: MIT */
/* After the run: everything off, the fan only when the joints are solid, until nothing burns. */
#include "guard_private.h"

#include <stdio.h>

/* How long until every joint is solid, as the recipe last estimated it; a fifth on top. */
static int64_t until_solid_ms(const struct guard *guard)
{
    int64_t longest = 0;

    for (int32_t i = 0; i < guard->turn.joints; i++) {
        int64_t solid = guard->turn.joint[i].solid_ms;
        if (solid < 0)
            return SOLID_UNKNOWN_MS;
        if (solid > longest)
            longest = solid;
    }
    longest += longest / 5;
    return longest > SOLID_MOST_MS ? SOLID_MOST_MS : longest;
}

void cooling_begin(struct guard *guard, int64_t t_ms)
{
    guard->ended_ms = t_ms;
    guard->solid_ms = t_ms + until_solid_ms(guard);
    guard->solid_told = guard->solid_ms == t_ms;
    guard->safe_since_ms = -1;
    cooling_hands(guard, guard->trip.hands, sizeof guard->trip.hands);
}

static bool over_its_ceiling(const struct guard *guard)
{
    return guard->in.plate.quality == QUALITY_GOOD &&
           guard->in.plate.temp_mc >= guard->limits.plate_mc;
}

static bool touch_safe(const struct guard *guard)
{
    for (enum sensor_id id = 0; id < SENSORS; id++) {
        const struct temp_reading *sensor = &guard->in.sensor[id];
        if (guard->sensor_in_use[id] &&
            (sensor->quality != QUALITY_GOOD || sensor->temp_mc >= TOUCH_SAFE_MC))
            return false;
    }
    return true;
}

void cooling_want(struct guard *guard, int64_t t_ms)
{
    uint32_t beeps = guard->want.beeps;

    if (!guard->solid_told && t_ms >= guard->solid_ms) {
        guard->solid_told = true;
        beeps++;
        if (guard->config.journal)
            journal_event(guard->config.journal, t_ms, "hands", "the joints are solid");
    }
    bool blow = t_ms >= guard->solid_ms || over_its_ceiling(guard);
    guard->want = (struct wanted){.beeps = beeps};
    if (guard->config.bench->has_fan && blow && !touch_safe(guard))
        guard->want.fan_pct = 100;
}

bool cooling_over(struct guard *guard, int64_t t_ms)
{
    const struct supply_reading *supply = &guard->in.supply;

    if (guard->limits.uses_supply && (supply->quality != QUALITY_GOOD || supply->on))
        return false;
    if (!guard->limits.uses_plate)
        return true;
    if (!touch_safe(guard)) {
        guard->safe_since_ms = -1;
        return false;
    }
    if (guard->safe_since_ms < 0)
        guard->safe_since_ms = t_ms;
    return t_ms - guard->safe_since_ms >= TOUCH_SAFE_MS;
}

void cooling_hands(const struct guard *guard, char *text, size_t size)
{
    int wait_s = (int)((guard->solid_ms - guard->ended_ms + 999) / 1000);

    if (!guard->limits.uses_plate)
        snprintf(text, size, "The supply is off. Nothing was heated.");
    else if (guard->turn.joints > 0 && wait_s > 0)
        snprintf(text, size,
                 "Heat is off. The joints are still molten: hands off until it beeps, about %d s.",
                 wait_s);
    else if (touch_safe(guard))
        snprintf(text, size, "Heat is off. Everything reads below 45 C.");
    else if (guard->in.plate.quality == QUALITY_GOOD)
        snprintf(text, size,
                 "Heat is off. The plate reads %d C: touch nothing on it before it is below 45 C.",
                 (int)(guard->in.plate.temp_mc / 1000));
    else
        snprintf(text, size, "Heat is off. The plate cannot be read: take it for hot.");
}
