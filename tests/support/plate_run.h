/* SPDX-License-Identifier: MIT */
/* plate_run - the world's plate with board and sensor, the guard's control, account and interlock, without instruments
 * between them. The guard knows the plate's constants as a learn leaves them: somewhat off. */
#ifndef TINLATCH_TESTS_PLATE_RUN_H
#define TINLATCH_TESTS_PLATE_RUN_H

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "demo_boards.h"
#include "drawn_plates.h"
#include "tinlatch/account.h"
#include "tinlatch/control.h"
#include "tinlatch/interlock.h"

static const double BOARD_LAG_S = 1;

struct plate_run {
    struct random random;
    struct thermal thermal;
    struct thermal_input around;
    struct board board;
    double mains;
    /* the plate's sensor, and its reader */
    double lag_s, tip_c, noise_k, push_k;
    double coupling; /* what it shows of the rise; 1 = seated */
    int32_t step_mc, every_ms, late_ms, reading_mc;
    int64_t read_ms, sampled_ms;
    double board_tip_c; /* of the board's, taped down ... */
    bool board_sensor;  /* ... where there is one */
    /* the guard */
    struct plate known;
    struct control control;
    struct account account;
    struct interlock interlock;
    struct limits limits;
    struct readings in;
    struct wanted want;
    struct granted out;
    struct drive drive, before;
    int64_t t_ms;
};

static inline double plate_run_c(const struct plate_run *run)
{
    return thermal_plate_c(&run->thermal);
}

/* Within a share of its value. */
static inline double off_by(struct random *random, double value, double share)
{
    return value * between(random, 1 - share, 1 + share);
}

/* board_g: of small parts on each board, which decide its heat; 100 is heavy. mains: of nominal volts. */
static inline void plate_run_begin(struct plate_run *run, const struct drawn *drawn, double board_g,
                                   double mains, struct random *random)
{
    *run = (struct plate_run){
        .random = *random, .mains = mains, .noise_k = 0.5, .coupling = 1, .every_ms = 100};
    struct insert known_insert = drawn->insert;
    struct tl_error error;

    demo_hx210(&run->board);
    run->board.slab[LAYER_LOWER].parts_g = run->board.slab[LAYER_UPPER].parts_g = board_g;
    struct thermal_setup setup = {.plate = drawn->plate,
                                  .insert = drawn->insert,
                                  .board = &run->board,
                                  .room_c = between(&run->random, 19, 25),
                                  .contact_factor = between(&run->random, 0.85, 1.15),
                                  .mass_factor = 1,
                                  .upper_present = true,
                                  .joints_present = true};
    if (thermal_init(&run->thermal, &setup, &error)) {
        fprintf(stderr, "plate_run: %s\n", error.text);
        exit(1);
    }
    run->around = (struct thermal_input){.draft = 1, .rail_part = -1, .hand_part = -1};
    run->lag_s = drawn->plate.sensor_lag_s;
    run->tip_c = run->board_tip_c = run->thermal.room_c;
    run->known = drawn->plate;
    run->known.capacity_j_k = off_by(&run->random, run->known.capacity_j_k, 0.04);
    run->known.loss_w_k = off_by(&run->random, run->known.loss_w_k, 0.05);
    run->known.emissivity_area = off_by(&run->random, run->known.emissivity_area, 0.15);
    run->known.element_lag_s = off_by(&run->random, run->known.element_lag_s, 0.2);
    run->known.sensor_lag_s = off_by(&run->random, run->known.sensor_lag_s, 0.2);
    known_insert.capacity_j_k = off_by(&run->random, known_insert.capacity_j_k, 0.1);
    control_init(&run->control, &run->known, known_insert.capacity_j_k, 22);
    account_init(&run->account, &run->known, &known_insert, 22);
    run->limits = *limits_built_in();
    run->limits.uses_plate = true;
    run->limits.stale_ms = 3000;
    run->limits.silent_ms = 800;
    run->limits.recipe_silent_ms = 2000;
    run->limits.scan_late_ms = 200;
    run->limits.presence_ms = INT32_MAX;
}

/* A reader shows its last sample until the next. */
static inline void plate_run_read(struct plate_run *run)
{
    double shown_c = run->tip_c + run->push_k + run->noise_k * random_normal(&run->random);
    int32_t mc = (int32_t)lround(1000 * shown_c);

    if (run->t_ms - run->sampled_ms >= run->every_ms || run->sampled_ms == 0) {
        run->sampled_ms = run->t_ms;
        run->reading_mc =
            run->step_mc > 0 ? (int32_t)lround((double)mc / run->step_mc) * run->step_mc : mc;
    }
    if (run->late_ms > 0 && run->read_ms > 0)
        return; /* it comes too late for this scan */
    run->read_ms = run->t_ms;
    run->in.sensor[SENSOR_PLATE].temp_mc = run->reading_mc;
}

static inline void plate_run_read_board(struct plate_run *run)
{
    double shown_c = run->board_tip_c + run->noise_k * random_normal(&run->random);

    run->in.sensor[SENSOR_BOARD] =
        (struct temp_reading){.quality = QUALITY_GOOD, .temp_mc = (int32_t)lround(1000 * shown_c)};
}

static inline void plate_run_judge(struct plate_run *run)
{
    struct temp_reading *first = &run->in.sensor[SENSOR_PLATE];
    double now = run->drive.duty_permille / 1000.0, before = run->before.duty_permille / 1000.0;

    first->quality = QUALITY_GOOD;
    first->age_ms = (int32_t)(run->t_ms - run->read_ms);
    run->in.t_ms = run->t_ms;
    run->in.plate = *first;
    if (run->board_sensor)
        plate_run_read_board(run);
    run->in.duty_permille = run->drive.duty_permille;
    struct account_input input = {.plate_read = true,
                                  .first_read = true,
                                  .board_read = run->board_sensor,
                                  .board_mc = run->in.sensor[SENSOR_BOARD].temp_mc,
                                  .plate_mc = first->temp_mc,
                                  .first_mc = first->temp_mc,
                                  .least_mc = first->temp_mc,
                                  .duty_low = fmin(now, before),
                                  .duty_high = fmax(now, before),
                                  .fan = run->around.fan,
                                  .hand = run->want.hand};
    account_step(&run->account, &input, run->t_ms, &run->in.account);
    interlock_step(&run->interlock, &run->limits, &run->in, &run->want, run->t_ms, &run->out);
    run->before = run->drive;
    control_step(&run->control, &run->out, &run->in.plate, run->limits.ramp_mc_s, run->t_ms,
                 &run->drive);
}

/* One scan after period_ms. stuck: the heater is full on, whatever is driven. */
static inline void plate_run_scan(struct plate_run *run, int32_t period_ms, bool stuck)
{
    double duty = stuck ? 1 : run->drive.duty_permille / 1000.0, dt_s = period_ms / 1000.0;
    double watts = duty * run->known.watts * run->mains * run->mains;

    run->around.heater_w = watts;
    thermal_step(&run->thermal, &run->around, dt_s);
    run->t_ms += period_ms;
    double touched_c =
        run->thermal.room_c + run->coupling * (plate_run_c(run) - run->thermal.room_c);
    run->tip_c = touched_c + (run->tip_c - touched_c) * exp(-dt_s / run->lag_s);
    double board_c = run->thermal.room_c +
                     THERMAL_TAPED_TIP * (thermal_board_c(&run->thermal) - run->thermal.room_c);
    run->board_tip_c = board_c + (run->board_tip_c - board_c) * exp(-dt_s / BOARD_LAG_S);
    plate_run_read(run);
    plate_run_judge(run);
}

/* What is wanted stays so for for_s, or until something trips. */
static inline bool plate_run_for(struct plate_run *run, double for_s)
{
    int64_t until_ms = run->t_ms + (int64_t)(1000 * for_s);

    while (run->t_ms < until_ms && !run->interlock.tripped)
        plate_run_scan(run, 100, false);
    return !run->interlock.tripped;
}

static inline void plate_run_heat(struct plate_run *run, double to_c, int32_t ramp_mc_s)
{
    run->want.heat = to_c > 0;
    run->want.temp_mc = (int32_t)(1000 * to_c);
    run->want.ramp_mc_s = ramp_mc_s;
}

#endif
