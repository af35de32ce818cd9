/* SPDX-License-Identifier: MIT */
/* estimate_run - a recipe's heating on a drawn world, and beside it an estimate that hears only what the instruments
 * tell: when the joint melted, and when that was thought. */
#ifndef TINLATCH_TESTS_ESTIMATE_RUN_H
#define TINLATCH_TESTS_ESTIMATE_RUN_H

#include "demo_world.h"

#include "tinlatch/estimate.h"

static inline void begin(struct estimate *estimate, const struct board *board)
{
    struct plate plate = demo_plate();
    struct insert insert = demo_insert();
    struct tl_error error;
    assert_int_equal(estimate_init(estimate, &plate, &insert, board, 22, &error), 0);
}

static inline struct wire_snapshot snapshot_of(int64_t t_ms, double plate_c, double board_c)
{
    struct wire_snapshot snapshot = {
        .t_ms = t_ms, .plate_mc = (int32_t)lround(plate_c * 1000), .plate_quality = QUALITY_GOOD};
    snapshot.quality[SENSOR_BOARD] = isnan(board_c) ? QUALITY_NONE : QUALITY_GOOD;
    if (!isnan(board_c))
        snapshot.temp_mc[SENSOR_BOARD] = (int32_t)lround(board_c * 1000);
    return snapshot;
}

/* What a bench with two sensors on its plate tells. */
static inline void hear(struct estimate *estimate, int64_t t_ms, const struct demo_reading *reading,
                        double set_c, bool board_sensor)
{
    struct wire_snapshot snapshot = snapshot_of(t_ms, fmax(reading->plate_c, reading->plate_2_c),
                                                board_sensor ? reading->board_c : (double)NAN);
    snapshot.granted_heat = true;
    snapshot.granted_mc = (int32_t)lround(set_c * 1000);
    snapshot.quality[SENSOR_PLATE] = snapshot.quality[SENSOR_PLATE_2] = QUALITY_GOOD;
    snapshot.temp_mc[SENSOR_PLATE] = (int32_t)lround(reading->plate_c * 1000);
    snapshot.temp_mc[SENSOR_PLATE_2] = (int32_t)lround(reading->plate_2_c * 1000);
    estimate_step(estimate, &snapshot);
}

static inline void follow(struct estimate *estimate, int64_t t_ms, double plate_c, double board_c)
{
    struct wire_snapshot snapshot = snapshot_of(t_ms, plate_c, board_c);
    estimate_step(estimate, &snapshot);
}

struct told {
    double world_s, estimate_s; /* when the frame was wholly molten, when it was thought to be */
    double early_s, late_s;     /* ... at either end of the tolerances */
    double forecast_s, forecast_early_s,
        forecast_late_s; /* foreseen when the plate came to its temperature */
    double worst_k;      /* of the coldest place, from 60 s on until it was molten */
};

/* A recipe's heating on a drawn world; the estimate sees only what the instruments tell. */
static inline struct told play(const struct board *board, double melt_c, uint64_t seed,
                               bool board_sensor)
{
    struct world_setup setup = demo_world_setup(board, seed, 1);
    setup.plate.tolerance = 0.03; /* as of a bench file that says nothing of it */
    struct world *world = NULL;
    struct tl_error error;
    assert_int_equal(world_new(&world, &setup, &error), 0);
    struct estimate estimate;
    begin(&estimate, board);
    struct told outcome = {NAN, NAN, NAN, NAN, NAN, NAN, NAN, 0};
    double plate_c = 22, soaked_s = 0;
    while ((isnan(outcome.world_s) || isnan(outcome.estimate_s) || isnan(outcome.late_s)) &&
           demo_now(world) < 900000) {
        double t_s = (double)demo_now(world) * 1e-3;
        if (demo_now(world) == 2000) {
            world_hand(world, HAND_PLACE, -1);
            estimate_hand(&estimate, HAND_PLACE, -1);
        }
        double set_c = soaked_s < 40 ? 120 : melt_c;
        soaked_s += plate_c > 119 ? 0.1 : 0;
        struct demo_reading r = demo_period(world, demo_duty(plate_c, set_c), 0);
        plate_c = fmax(r.plate_c, r.plate_2_c);
        hear(&estimate, demo_now(world), &r, set_c, board_sensor);
        struct wire_joint joint;
        estimate_joint(&estimate, 0, false, &joint);
        struct world_truth truth;
        world_truth(world, &truth);
        if (isnan(outcome.world_s) && t_s > 60)
            outcome.worst_k =
                fmax(outcome.worst_k, fabs(joint.temp_mc * 1e-3 - truth.joint_coldest_c[0]));
        if (isnan(outcome.world_s) && truth.joint_molten[0] >= 1)
            outcome.world_s = t_s;
        if (isnan(outcome.estimate_s) && joint.molten_permille == 1000)
            outcome.estimate_s = t_s;
        if (isnan(outcome.early_s) && joint.melt_early_ms == 0)
            outcome.early_s = t_s;
        if (isnan(outcome.late_s) && joint.melt_late_ms == 0)
            outcome.late_s = t_s;
        if (isnan(outcome.forecast_s) && soaked_s >= 40 && plate_c > melt_c - 1) {
            estimate_joint(&estimate, 0, true, &joint);
            outcome.forecast_s = t_s + joint.melt_ms * 1e-3;
            outcome.forecast_early_s = t_s + joint.melt_early_ms * 1e-3;
            outcome.forecast_late_s = t_s + joint.melt_late_ms * 1e-3;
        }
    }
    world_free(world);
    return outcome;
}

#endif
