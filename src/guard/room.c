/* SPDX-License-Identifier: MIT */
/* Before the first heat what the sensors read has to fit a room, or a person has to say what warmed them. A wrong type,
 * unit or cold junction shifts every limit, and the seat test, which sees only a rise, is blind to a shift. */
#include "guard_private.h"

#include <stdio.h>

enum {
    ROOM_OFF_MC = 8000, /* from the bench file's room; a workshop is rarely that far from it */
    APART_MC = 5000,    /* what has lain together is of one temperature */
};

struct extremes {
    enum sensor_id coldest, warmest;
};

static struct extremes extremes_of(const struct guard *guard)
{
    struct extremes found = {SENSOR_PLATE, SENSOR_PLATE};

    for (enum sensor_id id = 0; id < SENSORS; id++) {
        int32_t mc = guard->in.sensor[id].temp_mc;
        if (!guard->sensor_in_use[id])
            continue;
        if (mc < guard->in.sensor[found.coldest].temp_mc)
            found.coldest = id;
        if (mc > guard->in.sensor[found.warmest].temp_mc)
            found.warmest = id;
    }
    return found;
}

static int32_t room_mc(const struct guard *guard)
{
    return (int32_t)(1000 * guard->config.bench->room_c);
}

bool room_is_undercut(const struct guard *guard, char *why, size_t size)
{
    enum sensor_id id = extremes_of(guard).coldest;
    int32_t mc = guard->in.sensor[id].temp_mc;

    if (!guard->limits.uses_plate || mc >= room_mc(guard) - ROOM_OFF_MC)
        return false;
    snprintf(why, size,
             "the %s sensor reads %.1f C, colder than the room, stated as %.0f C: " ROOM_CAUSES,
             sensor_name(id), mc / 1000.0, guard->config.bench->room_c);
    return true;
}

bool room_is_exceeded(const struct guard *guard, char *question, size_t size)
{
    struct extremes found = extremes_of(guard);
    int32_t cold_mc = guard->in.sensor[found.coldest].temp_mc;
    int32_t warm_mc = guard->in.sensor[found.warmest].temp_mc;
    char beside[48] = "";

    if (!guard->limits.uses_plate || guard->warm.offered) /* the last run is why it is warm */
        return false;
    if (warm_mc <= room_mc(guard) + ROOM_OFF_MC && warm_mc - cold_mc <= APART_MC)
        return false;
    if (found.coldest != found.warmest)
        snprintf(beside, sizeof beside, " the %s sensor %.1f C,", sensor_name(found.coldest),
                 cold_mc / 1000.0);
    snprintf(question, size,
             "The %s sensor reads %.1f C,%s the room is stated as %.0f C. Was the plate heated "
             "within the last hour? no: the reading is not true, and the run is refused.",
             sensor_name(found.warmest), warm_mc / 1000.0, beside, guard->config.bench->room_c);
    return true;
}
