/* SPDX-License-Identifier: MIT */
/* estimate_run - a recipe's heating and heat off on a drawn world, and beside it an estimate that hears only what the
 * instruments tell: when the joint melted and froze, and when that was thought. */
#ifndef TINLATCH_TESTS_ESTIMATE_RUN_H
#define TINLATCH_TESTS_ESTIMATE_RUN_H

#include "demo_world.h"

#include "tinlatch/estimate.h"

static inline void begin(struct estimate *estimate, const struct board *board)
{
    struct plate plate = demo_plate();
    plate.tolerance = 0.03; /* as of a bench file that says nothing of it */
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
    snapshot.granted_heat = set_c > 0;
    snapshot.granted_mc = (int32_t)lround(set_c * 1000);
    snapshot.duty_permille = reading->duty;
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
    /* heat goes off once it is surely molten: when it was solid, and as foreseen then */
    double off_s, solid_s, solid_foreseen_s, solid_early_s, solid_late_s;
};

struct player {
    struct world *world;
    struct estimate estimate;
    double plate_c, melt_c, soaked_s;
    bool board_sensor;
    struct told told;
};

static inline double now_s(const struct player *p)
{
    return (double)demo_now(p->world) * 1e-3;
}

/* A period at that set-point, 0: off. */
static inline void play_period(struct player *p, double set_c)
{
    struct demo_reading r = demo_period(p->world, demo_duty(p->plate_c, set_c), 0);
    p->plate_c = fmax(r.plate_c, r.plate_2_c);
    hear(&p->estimate, demo_now(p->world), &r, set_c, p->board_sensor);
}

static inline void take_melt(struct player *p, double t_s)
{
    struct told *told = &p->told;
    struct wire_joint joint;
    struct world_truth truth;
    estimate_joint(&p->estimate, 0, false, &joint);
    world_truth(p->world, &truth);
    if (isnan(told->world_s) && t_s > 60)
        told->worst_k = fmax(told->worst_k, fabs(joint.temp_mc * 1e-3 - truth.joint_coldest_c[0]));
    if (isnan(told->world_s) && truth.joint_molten[0] >= 1)
        told->world_s = t_s;
    if (isnan(told->estimate_s) && joint.molten_permille == 1000)
        told->estimate_s = t_s;
    if (isnan(told->early_s) && joint.melt_early_ms == 0)
        told->early_s = t_s;
    if (isnan(told->late_s) && joint.melt_late_ms == 0)
        told->late_s = t_s;
    if (isnan(told->forecast_s) && p->soaked_s >= 40 && p->plate_c > p->melt_c - 1) {
        estimate_joint(&p->estimate, 0, true, &joint);
        told->forecast_s = t_s + joint.melt_ms * 1e-3;
        told->forecast_early_s = t_s + joint.melt_early_ms * 1e-3;
        told->forecast_late_s = t_s + joint.melt_late_ms * 1e-3;
    }
}

static inline void play_melt(struct player *p)
{
    struct told *told = &p->told;
    while ((isnan(told->world_s) || isnan(told->estimate_s) || isnan(told->late_s)) &&
           demo_now(p->world) < 900000) {
        double t_s = now_s(p);
        if (demo_now(p->world) == 2000) {
            world_hand(p->world, HAND_PLACE, -1);
            estimate_hand(&p->estimate, HAND_PLACE, -1);
        }
        double set_c = p->soaked_s < 40 ? 120 : p->melt_c;
        p->soaked_s += p->plate_c > 119 ? 0.1 : 0;
        play_period(p, set_c);
        take_melt(p, t_s);
    }
}

static inline double seconds_of(int32_t ms)
{
    return ms < 0 ? HUGE_VAL : ms * 1e-3;
}

static inline void play_solid(struct player *p)
{
    struct told *told = &p->told;
    struct wire_joint joint;
    struct world_truth truth;
    told->off_s = now_s(p);
    estimate_joint(&p->estimate, 0, true, &joint);
    told->solid_foreseen_s = told->off_s + seconds_of(joint.solid_ms);
    told->solid_early_s = told->off_s + seconds_of(joint.solid_early_ms);
    told->solid_late_s = told->off_s + seconds_of(joint.solid_late_ms);
    do {
        play_period(p, 0);
        world_truth(p->world, &truth);
    } while (truth.joint_molten[0] > 0 && now_s(p) < told->off_s + 900);
    told->solid_s = now_s(p);
}

/* The estimate sees only what the instruments tell; the world is on a grid of its own (0: the coarse one). */
static inline struct told play(const struct board *board, double melt_c, uint64_t seed,
                               bool board_sensor, double grid_mm)
{
    struct world_setup setup = demo_world_setup(board, seed, 1);
    setup.plate.tolerance = 0.03;
    setup.grid_mm = grid_mm;
    static struct player p;
    p = (struct player){.plate_c = 22, .melt_c = melt_c, .board_sensor = board_sensor};
    p.told = (struct told){NAN, NAN, NAN, NAN, NAN, NAN, NAN, 0, NAN, NAN, NAN, NAN, NAN};
    struct tl_error error;
    assert_int_equal(world_new(&p.world, &setup, &error), 0);
    begin(&p.estimate, board);
    play_melt(&p);
    play_solid(&p);
    world_free(p.world);
    return p.told;
}

#endif
