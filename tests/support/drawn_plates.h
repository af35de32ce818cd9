/* SPDX-License-Identifier: MIT */
/* drawn_plates - plates of the world's physics, drawn at random, and the step test that
 * they are learned by. */
#ifndef TINLATCH_TESTS_DRAWN_PLATES_H
#define TINLATCH_TESTS_DRAWN_PLATES_H

#include <math.h>

#include "tinlatch/learn.h"
#include "tinlatch/thermal.h"
#include "tinlatch/world.h"

enum { DRAWN_PLATES = 50, DRAWN_SEED = 2026 };

struct drawn {
    struct plate plate;
    struct insert insert;
    double target_c;
    int32_t ramp_mc_s;
};

static inline double between(struct random *random, double low, double high)
{
    return low + (high - low) * random_unit(random);
}

static inline struct drawn draw(struct random *r)
{
    struct drawn drawn = {
        .plate = {.watts = between(r, 200, 1200), .length_mm = 120, .width_mm = 100}};
    drawn.plate.capacity_j_k = drawn.plate.watts * between(r, 0.4, 1.5);
    drawn.plate.loss_w_k = drawn.plate.watts * between(r, 0.0008, 0.002);
    drawn.plate.emissivity_area = between(r, 0.002, 0.012);
    drawn.plate.element_lag_s = between(r, 0.3, 6);
    drawn.plate.sensor_lag_s = between(r, 0.3, 3);
    drawn.insert.capacity_j_k = drawn.plate.capacity_j_k * between(r, 0, 0.12);
    drawn.insert.plate_w_k = 8;
    drawn.insert.board_w_k = 1;
    drawn.target_c = between(r, 100, 230);
    drawn.ramp_mc_s = (int32_t)between(r, 300, 2500);
    return drawn;
}

/* ---- a step test: what the plate's own physics does, as an instrument with a coarse step shows it ---- */

enum { STEP_SECONDS = 1500 };

/* Full power to `top_c`, off, pulses on the way down, still air, then the fan. */
static inline double duty_at(double t_s, double block_c, bool *topped, double top_c)
{
    *topped = *topped || block_c > top_c;
    if (!*topped)
        return 1;
    return fmod(t_s, 75) < 10 && t_s < 1000 ? 1 : 0;
}

/* Fills STEP_SECONDS of point[]; says how many that are. */
static inline int step_test(const struct plate *plate, const struct insert *insert,
                            double quantum_k, double noise_k, struct random *random,
                            struct learn_point *point)
{
    struct thermal thermal;
    struct thermal_setup setup = {
        .plate = *plate, .insert = *insert, .room_c = 23, .contact_factor = 1, .mass_factor = 1};
    double sensor_c = 23, dt_s = 0.02;
    bool topped = false;
    struct tl_error error;
    if (thermal_init(&thermal, &setup, &error))
        return 0;

    for (int i = 0; i < STEP_SECONDS; i++) {
        double seen = sensor_c + noise_k * random_normal(random);
        double duty = duty_at(i, thermal_plate_c(&thermal), &topped, 150);
        double fan = i > 1200;
        seen = quantum_k > 0 ? quantum_k * round(seen / quantum_k) : seen;
        point[i] = (struct learn_point){i, duty, fan, seen};
        struct thermal_input input = {.heater_w = duty * plate->watts,
                                      .fan = fan,
                                      .draft = 1,
                                      .rail_part = -1,
                                      .hand_part = -1};
        for (int k = 0; k < 50; k++) {
            double before_c = thermal_plate_c(&thermal);
            thermal_step(&thermal, &input, dt_s);
            double mean_c = 0.5 * (before_c + thermal_plate_c(&thermal));
            sensor_c += (mean_c - sensor_c) * (1 - exp(-dt_s / plate->sensor_lag_s));
        }
    }
    return STEP_SECONDS;
}

#endif
