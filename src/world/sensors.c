/* SPDX-License-Identifier: MIT */
/* Tips: what they touch, how slowly they follow, how far off they are. */
#include <math.h>

#include "inside.h"

#define WET_C   60  /* what a wet swab makes of a hot tip; no source */
#define NOISE_K 0.1 /* deviation of one reading: a common converter, averaged; no source */

static double plain_c(const struct world *world, enum sensor_id touches)
{
    switch (touches) {
    case SENSOR_PLATE:
    case SENSOR_PLATE_2:
        return thermal_plate_c(&world->thermal);
    case SENSOR_BOARD:
        if (!world->setup.board_sensor)
            break;
        return world->thermal.room_c +
               world->taped_share * (thermal_board_c(&world->thermal) - world->thermal.room_c);
    case SENSORS:
        break;
    }
    return world->thermal.room_c;
}

static double touched_c(const struct world *world, const struct tip *tip)
{
    double at_c = plain_c(world, tip->touches);
    if (tip->state == TIP_OFF)
        at_c = world->thermal.room_c + world->off_share_gain * (at_c - world->thermal.room_c);
    at_c = world->thermal.room_c + tip->share * (at_c - world->thermal.room_c);
    return world->tick_ms < tip->wet_until_ms ? fmin(at_c, WET_C) : at_c;
}

#define TICK_S    (TICK_MS * 1e-3)
#define OFF_LAG_S 15.0 /* of a slid-off tip; no source */

static void set_lag(struct tip *tip, double lag_s)
{
    tip->lag_s = lag_s;
    tip->keep = lag_s > 0 ? exp(-TICK_S / lag_s) : 0;
}

void tip_slide_off(struct tip *tip)
{
    tip->state = TIP_OFF;
    set_lag(tip, OFF_LAG_S);
}

/* What hangs in the air for a part follows the more slowly. */
void tip_slip(struct tip *tip, double share)
{
    tip->share = share;
    set_lag(tip, tip->lag_s + (1 - share) * OFF_LAG_S);
}

/* Exact for a touched temperature that moves in a straight line during the tick. */
static void tip_follow(struct tip *tip, double now_c)
{
    double behind_k = (now_c - tip->touched_c) / TICK_S * tip->lag_s; /* once it has settled */
    tip->seen_c = now_c - behind_k + (tip->seen_c - tip->touched_c + behind_k) * tip->keep;
    tip->touched_c = now_c;
}

void tips_init(struct world *world, struct random *draw)
{
    for (int i = 0; i < world->setup.instruments; i++) {
        struct instrument *instrument = &world->instrument[i];
        instrument->cold_drifts_from_ms = -1;
        for (int k = 0; k < instrument->setup.channels; k++) {
            struct tip *tip = &instrument->tip[k];
            tip->touches = instrument->setup.touches[k];
            set_lag(tip, instrument->setup.lag_s[k]);
            tip->touched_c = tip->seen_c = world->thermal.room_c;
            tip->share = 1;
            tip->drifts_from_ms = -1;
            tip->off_share = world->setup.spread * (2 * random_unit(draw) - 1);
            tip_read(instrument, k, world->thermal.room_c, &tip->last);
        }
    }
}

void tips_tick(struct world *world)
{
    for (int i = 0; i < world->setup.instruments; i++) {
        struct instrument *instrument = &world->instrument[i];
        for (int k = 0; k < instrument->setup.channels; k++) {
            struct tip *tip = &instrument->tip[k];
            tip_follow(tip, touched_c(world, tip));
            if (tip->touches != SENSORS)
                world->seen.sensor_c[tip->touches] = tip->seen_c;
        }
    }
}

/* IEC 60584-1, class 1, types K, J, N and E: 1.5 K or 0.4 % of the temperature (T: 0.5 K or 0.4 %). */
static double class_1_k(enum thermocouple type, double c)
{
    return fmax(type == TYPE_T ? 0.5 : 1.5, 0.004 * fabs(c));
}

#define DRIFT_K_S    (3.0 / 60) /* no source; of the range that a failing joint shows */
#define WILD_LEAST_K 20
#define WILD_MOST_K  200

#define ON_RAIL_K    30 /* no source; what a reader makes of some volts on its wires */

/* Wires of type N, read as if they were of another. */
static double mistaken_c(enum thermocouple type, double c, double cold_c)
{
    double hot_mv = 0, cold_mv = 0;
    if (!thermocouple_mv(TYPE_N, c, &hot_mv) && !thermocouple_mv(TYPE_N, cold_c, &cold_mv))
        thermocouple_measured_c(type, hot_mv - cold_mv, cold_c, &c);
    return c;
}

/* What wire and reader make of it. */
static double spoilt_c(struct world *world, const struct tip *tip, enum thermocouple type, double c,
                       double cold_c)
{
    if (tip->wrong_type)
        c = mistaken_c(type, c, cold_c);
    if (tip->on_rail && world->supply_v > 0)
        c += ON_RAIL_K;
    if (tip->reversed)
        c = 2 * cold_c - c;
    if (tip->drifts_from_ms >= 0)
        c -= DRIFT_K_S * (double)(world->tick_ms - tip->drifts_from_ms) * 1e-3;
    if (world->tick_ms < tip->wild_until_ms) {
        double by = 2 * random_unit(&world->noise) - 1;
        c += by * (WILD_MOST_K - WILD_LEAST_K) + copysign(WILD_LEAST_K, by);
    }
    return tip->fahrenheit ? 1.8 * c + 32 : c;
}

bool tip_read(struct instrument *instrument, int i, double cold_c, int32_t *value)
{
    struct world *world = instrument->world;
    struct tip *tip = &instrument->tip[i];
    double noise_k = NOISE_K * random_normal(&world->noise);
    if (tip->state == TIP_OPEN)
        return false;
    if (tip->state == TIP_FROZEN) {
        *value = tip->last;
        return true;
    }
    enum thermocouple type = instrument->setup.type[i];
    double c = tip->state == TIP_SHORTED ? cold_c : tip->seen_c;
    c += tip->off_share * class_1_k(type, c) + noise_k;
    c = spoilt_c(world, tip, type, c, cold_c);
    if (instrument->setup.is_uv[i]) {
        double hot_mv = 0, cold_mv = 0;
        if (thermocouple_mv(type, c, &hot_mv) || thermocouple_mv(type, cold_c, &cold_mv))
            return false; /* beyond the type's range the wire is gone */
        *value = (int32_t)lround((hot_mv - cold_mv) * 1000);
    } else {
        *value = (int32_t)lround((c + cold_told_c(instrument) - terminals_c(instrument)) * 1000);
    }
    tip->last = *value;
    return true;
}

/* The terminals warm a little beside the heater: common practice, no source. */
double terminals_c(const struct instrument *instrument)
{
    return instrument->world->thermal.room_c + 3;
}

#define COLD_MOST_K 30 /* no source; of the range that a failing compensation shows */

double cold_told_c(const struct instrument *instrument)
{
    int64_t for_ms = instrument->world->tick_ms - instrument->cold_drifts_from_ms;
    double by_k = instrument->cold_drifts_from_ms < 0 ? 0 : DRIFT_K_S * (double)for_ms * 1e-3;
    return instrument->cold_lost ? 0 : terminals_c(instrument) - fmin(by_k, COLD_MOST_K);
}
