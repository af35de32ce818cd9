/* SPDX-License-Identifier: MIT */
/* demo_boards - the demo bench and the two invented handheld scanners, as structs.
 *
 * The same numbers as recipes/boards/hx210.lua, recipes/boards/hx230.lua and recipes/benches/demo.ini.
 * Common practice, no source: sizes and masses are those of a small handheld's stacked boards, contacts
 * are calibrated so that the boards behave as technicians report (docs/explanation/simulator.md).
 *
 *   bench demo     plate 600 W, 600 J/K, 0.90 W/K, 80 % emissivity, element lag 4 s,
 *                  fan 3.0 W/K, sensor lag 1.5 s, 120 x 100 mm
 *                  insert frame-60x40: 45 J/K, to plate 8 W/K, to board 1.2 W/K
 *   both boards    lower and upper 60 x 40 x 0.8 mm, copper 20 %: eight foils of 20 um
 *                  contact tolerance 15 %, mass tolerance 10 %
 *                  small parts (with shields and heat spreaders), contact spread, joint frame:
 *                     hx210   34 g / 32 g   60 %   8 equal segments, 0.12 g, 1.1 W/K, Sn42Bi57Ag1
 *                     hx230   16 g / 14 g   50 %   8 equal segments, 0.12 g, 2.0 W/K, Sn63Pb37
 *   joint pmic     (part U2) 4 equal segments, 0.02 g, 0.10 W/K, SAC305
 *   part           layer  x   y   size (mm)        limit   rail
 *   U1 processor   upper  38  20  12 x 12 x 1.2    245 C   core
 *   U2 power       upper  16  22   8 x 7 x 1.0     245 C   battery
 *   U3 memory      upper  50  12   8 x 8 x 0.9     245 C   -
 *   C14 capacitor  upper  14  10   3.2 x 1.6 x 1.6 -       battery
 *   C31 capacitor  upper  42   8   3.2 x 1.6 x 1.6 -       core
 *   U5 radio       lower  30  20   9 x 9 x 1.0     240 C   radio
 *   rail           volts  current  inject          healthy    diode  idle    short       in
 *   battery        4.0 V  1.5 A    0.8 V, 2.6 A    45 kohm    0.42   40 mA   0.30 ohm    C14
 *   core           0.9 V  1.0 A    0.6 V, 2.0 A    35 ohm     0.12   0 mA    0.05 ohm    C31
 *   radio          1.8 V  0.5 A    0.8 V, 1.0 A    12 kohm    0.38   2 mA    0.80 ohm    U5
 */
#ifndef TINLATCH_DEMO_BOARDS_H
#define TINLATCH_DEMO_BOARDS_H

#include <stdio.h>
#include <string.h>

#include "tinlatch/bench.h"
#include "tinlatch/board.h"
#include "tinlatch/thermal.h"

static inline struct plate demo_plate(void)
{
    return (struct plate){
        .watts = 600,
        .capacity_j_k = 600,
        .loss_w_k = 0.90,
        .emissivity_area = 0.80 * 0.120 * 0.100,
        .element_lag_s = 4,
        .fan_loss_w_k = 3.0,
        .sensor_lag_s = 1.5,
        .board_lag_s = 1.0,
        .length_mm = 120,
        .width_mm = 100,
    };
}

static inline struct insert demo_insert(void)
{
    return (struct insert){
        .name = "frame-60x40", .capacity_j_k = 45, .plate_w_k = 8, .board_w_k = 1.2};
}

static inline struct board_slab demo_slab(double parts_g)
{
    return (struct board_slab){.present = true,
                               .length_mm = 60,
                               .width_mm = 40,
                               .thick_mm = 0.8,
                               .copper_share = 0.20,
                               .parts_g = parts_g};
}

static inline void demo_joint(struct board_joint *joint, const char *name, int segments)
{
    snprintf(joint->name, sizeof joint->name, "%s", name);
    joint->segments = segments;
    for (int i = 0; i < segments; i++)
        joint->share[i] = 1.0 / segments;
}

/* clang-format off */
static const struct board_part demo_parts[] = {
    { .name = "U1",  .on = LAYER_UPPER, .x_mm = 38, .y_mm = 20, .length_mm = 12,  .width_mm = 12,  .thick_mm = 1.2, .max_c = 245, .rail = "core" },
    { .name = "U2",  .on = LAYER_UPPER, .x_mm = 16, .y_mm = 22, .length_mm = 8,   .width_mm = 7,   .thick_mm = 1.0, .max_c = 245, .rail = "battery" },
    { .name = "U3",  .on = LAYER_UPPER, .x_mm = 50, .y_mm = 12, .length_mm = 8,   .width_mm = 8,   .thick_mm = 0.9, .max_c = 245 },
    { .name = "C14", .on = LAYER_UPPER, .x_mm = 14, .y_mm = 10, .length_mm = 3.2, .width_mm = 1.6, .thick_mm = 1.6, .rail = "battery" },
    { .name = "C31", .on = LAYER_UPPER, .x_mm = 42, .y_mm = 8,  .length_mm = 3.2, .width_mm = 1.6, .thick_mm = 1.6, .rail = "core" },
    { .name = "U5",  .on = LAYER_LOWER, .x_mm = 30, .y_mm = 20, .length_mm = 9,   .width_mm = 9,   .thick_mm = 1.0, .max_c = 240, .rail = "radio" },
};

static const struct board_rail demo_rails[] = {
    { .limits = { "battery", 4000, 1500, 800, 2600 }, .healthy_ohm = 45e3, .diode_v = 0.42, .idle_a = 0.040, .short_ohm = 0.30, .short_part = "C14" },
    { .limits = { "core",     900, 1000, 600, 2000 }, .healthy_ohm = 35,   .diode_v = 0.12, .idle_a = 0,     .short_ohm = 0.05, .short_part = "C31" },
    { .limits = { "radio",   1800,  500, 800, 1000 }, .healthy_ohm = 12e3, .diode_v = 0.38, .idle_a = 0.002, .short_ohm = 0.80, .short_part = "U5" },
};

/* solidus, liquidus C; latent J/g; density g/cm3; heat J/gK; conduction W/mK. The same rows, with
 * sources, stand in lua/alloys.lua. Latent heat of Sn-Bi: 45 to 57 J/g are found; 50 taken. */
static const struct alloy demo_sn42bi57ag1 = { "Sn42Bi57Ag1", 138, 140, 50.0, 8.56, 0.160, 19 };
static const struct alloy demo_sn63pb37    = { "Sn63Pb37",    183, 183, 46.0, 8.40, 0.190, 50 };
static const struct alloy demo_sac305      = { "SAC305",      217, 220, 61.3, 7.38, 0.220, 58 };
/* clang-format on */

/* What the two stacks share. */
static inline void demo_stack(struct board *board, const char *name)
{
    memset(board, 0, sizeof *board);
    snprintf(board->name, sizeof board->name, "%s", name);
    snprintf(board->title, sizeof board->title, "handheld scanner %s, two-board stack", name);
    board->contact_tolerance = 0.15;
    board->mass_tolerance = 0.10;
    board->part_count = sizeof demo_parts / sizeof demo_parts[0];
    memcpy(board->part, demo_parts, sizeof demo_parts);
    board->rail_count = sizeof demo_rails / sizeof demo_rails[0];
    memcpy(board->rail, demo_rails, sizeof demo_rails);
    board->joint_count = 2;
    demo_joint(&board->joint[0], "frame", 8);
    board->joint[0].mass_g = 0.12;
    demo_joint(&board->joint[1], "pmic", 4);
    board->joint[1].alloy = demo_sac305;
    board->joint[1].mass_g = 0.02;
    board->joint[1].contact_w_k = 0.10;
    snprintf(board->joint[1].part, sizeof board->joint[1].part, "U2");
}

static inline void demo_hx210(struct board *board)
{
    demo_stack(board, "hx210");
    board->slab[LAYER_LOWER] = demo_slab(34);
    board->slab[LAYER_UPPER] = demo_slab(32);
    board->contact_spread = 0.60;
    board->joint[0].alloy = demo_sn42bi57ag1;
    board->joint[0].contact_w_k = 1.1;
}

static inline void demo_hx230(struct board *board)
{
    demo_stack(board, "hx230");
    board->slab[LAYER_LOWER] = demo_slab(16);
    board->slab[LAYER_UPPER] = demo_slab(14);
    board->contact_spread = 0.50;
    board->joint[0].alloy = demo_sn63pb37;
    board->joint[0].contact_w_k = 2.0;
}

/* As the makers meant them, the board still beside the plate. */
static inline struct thermal_setup demo_setup(const struct board *board)
{
    return (struct thermal_setup){.plate = demo_plate(),
                                  .insert = demo_insert(),
                                  .board = board,
                                  .room_c = 25,
                                  .contact_factor = 1,
                                  .mass_factor = 1,
                                  .upper_present = true,
                                  .joints_present = true};
}

#endif
