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

/* A coupon that is laid on the insert: when it really is, and from when on the log says so. */
struct coupon {
    const struct board *board;
    int placed_s, told_s;
    double sensor_lag_s, sensor_off_k; /* lag 0: no sensor on it */
};

/* Fills STEP_SECONDS of point[]; says how many that are. With a coupon a pulse as of a seat test comes first, and no
 * fan. */
static inline int step_test_with(const struct plate *plate, const struct insert *insert,
                                 const struct coupon *coupon, double quantum_k, double noise_k,
                                 struct random *random, struct learn_point *point)
{
    struct thermal thermal;
    struct thermal_setup setup = {.plate = *plate,
                                  .insert = *insert,
                                  .board = coupon ? coupon->board : NULL,
                                  .room_c = 23,
                                  .contact_factor = 1,
                                  .mass_factor = 1};
    double sensor_c = 23, board_c = 23, dt_s = 0.02;
    double board_lag_s = coupon ? coupon->sensor_lag_s : 0;
    int from = coupon ? 300 : 0;
    bool topped = false;
    struct tl_error error;
    if (thermal_init(&thermal, &setup, &error))
        return 0;

    for (int i = 0; i < STEP_SECONDS; i++) {
        double seen[] = {sensor_c + noise_k * random_normal(random), NAN};
        double duty = i < from ? i < 8 : duty_at(i - from, thermal_plate_c(&thermal), &topped, 150);
        double fan = !coupon && i > 1200;
        if (board_lag_s > 0)
            seen[1] = board_c + coupon->sensor_off_k + noise_k * random_normal(random);
        for (int k = 0; k < 2 && quantum_k > 0; k++)
            seen[k] = quantum_k * round(seen[k] / quantum_k);
        point[i] =
            (struct learn_point){i, duty, fan, seen[0], seen[1], coupon && i >= coupon->told_s};
        if (coupon && i == coupon->placed_s)
            thermal_place(&thermal);
        struct thermal_input input = {.heater_w = duty * plate->watts,
                                      .fan = fan,
                                      .draft = 1,
                                      .rail_part = -1,
                                      .hand_part = -1};
        for (int k = 0; k < 50; k++) {
            double before_c = thermal_plate_c(&thermal), tip_c = thermal_board_c(&thermal);
            thermal_step(&thermal, &input, dt_s);
            double mean_c = 0.5 * (before_c + thermal_plate_c(&thermal));
            sensor_c += (mean_c - sensor_c) * (1 - exp(-dt_s / plate->sensor_lag_s));
            tip_c = 23 + THERMAL_TAPED_TIP * (0.5 * (tip_c + thermal_board_c(&thermal)) - 23);
            if (board_lag_s > 0)
                board_c += (tip_c - board_c) * (1 - exp(-dt_s / board_lag_s));
        }
    }
    return STEP_SECONDS;
}

static inline int step_test(const struct plate *plate, const struct insert *insert,
                            double quantum_k, double noise_k, struct random *random,
                            struct learn_point *point)
{
    return step_test_with(plate, insert, NULL, quantum_k, noise_k, random, point);
}

#endif
