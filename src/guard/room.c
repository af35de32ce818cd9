/* SPDX-License-Identifier: MIT */
/* Before the first power. Nothing feeds the board yet. What the sensors read has to fit a room, or a person has to say
 * what warmed them. A wrong type, unit or cold junction shifts every limit, and the seat test, which sees only a rise,
 * is blind to a shift. */
#include "guard_private.h"

#include <math.h>
#include <stdio.h>

enum {
    ROOM_OFF_MC = 8000, /* from the bench file's room; more is asked about */
    APART_MC = 5000,    /* what has lain together is of one temperature */
    COLDEST_MC = 5000,  /* the coldest room that a bench file may state, ... */
    /* ... and a workshop in winter: degrees C read as F, and tenths as units, are colder */
    COLDER_MOST_MC = 20000,

    CLIMB_MC = 10000,      /* more than noise, and than a plate on its way to the room */
    CLIMB_STEP_MC = 500,   /* less is noise */
    CLIMB_REST_MS = 15000, /* so long without such a step it does not climb */
    CLIMB_LEAST_MS = 10000,
    PRESSED_MC = 1500, /* from scan to scan: a sensor that is moved, no plate */
};

/* Of the sensors in use up to `last`. */
static enum sensor_id coldest_of(const struct guard *guard, enum sensor_id last)
{
    enum sensor_id found = SENSOR_PLATE;

    for (enum sensor_id id = SENSOR_PLATE; id <= last; id++)
        if (guard->sensor_in_use[id] &&
            guard->in.sensor[id].temp_mc < guard->in.sensor[found].temp_mc)
            found = id;
    return found;
}

static enum sensor_id warmest(const struct guard *guard)
{
    enum sensor_id found = SENSOR_PLATE;

    for (enum sensor_id id = SENSOR_PLATE; id < SENSORS; id++)
        if (guard->sensor_in_use[id] &&
            guard->in.sensor[id].temp_mc > guard->in.sensor[found].temp_mc)
            found = id;
    return found;
}

static int32_t reads_mc(const struct guard *guard, enum sensor_id id)
{
    return guard->in.sensor[id].temp_mc;
}

static int32_t room_mc(const struct guard *guard)
{
    return (int32_t)(1000 * guard->config.bench->room_c);
}

static int32_t least_mc(const struct guard *guard)
{
    int32_t winter_mc = room_mc(guard) - COLDER_MOST_MC;

    return winter_mc > COLDEST_MC ? winter_mc : COLDEST_MC;
}

/* A plate that is cold alone has nothing to be cold from; a board may come out of a drawer. */
bool room_is_undercut(const struct guard *guard, char *why, size_t size)
{
    enum sensor_id all = coldest_of(guard, SENSOR_BOARD), plate = coldest_of(guard, SENSOR_PLATE_2);
    int32_t plate_mc = reads_mc(guard, plate);
    bool alone = plate_mc < room_mc(guard) - ROOM_OFF_MC &&
                 plate_mc < reads_mc(guard, warmest(guard)) - APART_MC;
    enum sensor_id id = alone ? plate : all;

    if (!guard->limits.uses_plate || (!alone && reads_mc(guard, all) >= least_mc(guard)))
        return false;
    snprintf(why, size,
             "the %s sensor reads %.1f C, colder than the room, stated as %.0f C: " ROOM_CAUSES,
             sensor_name(id), reads_mc(guard, id) / 1000.0, guard->config.bench->room_c);
    return true;
}

/* The board is colder than a plate that nobody has heated. */
static bool board_is_cold(const struct guard *guard)
{
    int32_t board_mc = reads_mc(guard, SENSOR_BOARD);

    return guard->sensor_in_use[SENSOR_BOARD] &&
           board_mc < reads_mc(guard, coldest_of(guard, SENSOR_PLATE_2)) - APART_MC &&
           reads_mc(guard, warmest(guard)) <= room_mc(guard) + ROOM_OFF_MC;
}

bool room_is_cold(const struct guard *guard, char *question, size_t size)
{
    enum sensor_id id = coldest_of(guard, SENSOR_BOARD);
    bool cold = reads_mc(guard, id) < room_mc(guard) - ROOM_OFF_MC || board_is_cold(guard);

    if (!guard->limits.uses_plate || !cold)
        return false;
    snprintf(question, size,
             "The %s sensor reads %.1f C, the room is stated as %.0f C. Is it as cold as that: a "
             "cold workshop, a board out of a cold drawer? no: the reading is not true, and the "
             "run is refused.",
             sensor_name(id), reads_mc(guard, id) / 1000.0, guard->config.bench->room_c);
    return true;
}

bool room_is_exceeded(const struct guard *guard, char *question, size_t size)
{
    enum sensor_id warm = warmest(guard);
    enum sensor_id cold = coldest_of(guard, board_is_cold(guard) ? SENSOR_PLATE_2 : SENSOR_BOARD);
    int32_t cold_mc = reads_mc(guard, cold), warm_mc = reads_mc(guard, warm);
    char beside[48] = "";

    if (!guard->limits.uses_plate || guard->warm.offered) /* the last run is why it is warm */
        return false;
    if (warm_mc <= room_mc(guard) + ROOM_OFF_MC && warm_mc - cold_mc <= APART_MC)
        return false;
    if (cold != warm)
        snprintf(beside, sizeof beside, " the %s sensor %.1f C,", sensor_name(cold),
                 cold_mc / 1000.0);
    snprintf(question, size,
             "The %s sensor reads %.1f C,%s the room is stated as %.0f C. Was the plate heated "
             "within the last hour? no: the reading is not true, and the run is refused.",
             sensor_name(warm), warm_mc / 1000.0, beside, guard->config.bench->room_c);
    return true;
}

bool board_is_fed(const struct guard *guard, char *why, size_t size)
{
    const struct supply_reading *supply = &guard->in.supply;

    if (!guard->limits.uses_supply || supply->quality != QUALITY_GOOD || supply->mv <= FED_MV)
        return false;
    snprintf(why, size,
             "%.2f V stand at the supply's output, which has not been on: a battery in the board, "
             "another source, or a charge that takes its time",
             supply->mv / 1000.0);
    return true;
}

/* A person presses its sensor home meanwhile: it leaps, and after some lags it is there. */
bool room_heats(struct guard *guard, int64_t t_ms, char *why, size_t size)
{
    struct climb *climb = &guard->climb;
    double lags_ms = 5000 * guard->config.bench->plate.sensor_lag_s;
    int32_t now_mc = guard->in.plate.temp_mc, leap_mc = now_mc - climb->last_mc;
    bool leaps = leap_mc > PRESSED_MC || leap_mc < -PRESSED_MC;

    if (!guard->limits.uses_plate || plate_is_by_hand(guard) ||
        guard->in.plate.quality != QUALITY_GOOD)
        return false;
    climb->last_mc = now_mc;
    if (climb->since_ms == 0 || leaps || t_ms - climb->high_ms > CLIMB_REST_MS)
        *climb = (struct climb){t_ms, t_ms, now_mc, now_mc, now_mc};
    if (now_mc >= climb->high_mc + CLIMB_STEP_MC) {
        climb->high_mc = now_mc;
        climb->high_ms = t_ms;
    }
    if ((double)(t_ms - climb->since_ms) < fmax(lags_ms, CLIMB_LEAST_MS))
        climb->from_mc = now_mc;
    if (now_mc < TOUCH_SAFE_MC || now_mc - climb->from_mc < CLIMB_MC)
        return false;
    snprintf(why, size,
             "the plate's reading climbs, to %.1f C by now, though nothing is on. Unless somebody "
             "warms its sensor the plate heats by itself: pull its mains plug",
             now_mc / 1000.0);
    return true;
}
