/* SPDX-License-Identifier: MIT */
/* drawn_plates - plates of the world's physics, drawn at random; the controller knows their constants, for they were
 * learned first. */
#ifndef TINLATCH_TESTS_DRAWN_PLATES_H
#define TINLATCH_TESTS_DRAWN_PLATES_H

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

#endif
