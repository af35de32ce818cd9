/* SPDX-License-Identifier: MIT */
/* worlds - a simulated bench with one instrument of each kind, for the targets that talk to it. */
#ifndef TINLATCH_TESTS_WORLDS_H
#define TINLATCH_TESTS_WORLDS_H

#include <math.h>

#include "../support/demo_boards.h"
#include "fuzz.h"
#include "tinlatch/world.h"

enum { ON_PLATE, ON_SUPPLY, ON_METER, ON_READER, ON_CONTACTOR, ON_INPUTS, INSTRUMENTS };

/* The plate is a line instrument's, or that of a Modbus controller. */
static inline struct world *worlds_new(bool controller, uint64_t seed)
{
    static const struct world_instrument_setup on_line = {
        .kind = WORLD_LINE,
        .identity = "openplate 0007",
        .silence_ms = 2000,
        .channels = 3,
        .touches = {SENSOR_PLATE, SENSOR_PLATE_2, SENSOR_BOARD, SENSORS},
        .is_uv = {false, false, true},
        .lag_s = {1, 1, 1}};
    static const struct world_instrument_setup on_modbus = {
        .kind = WORLD_MODBUS,
        .regulates = true,
        .baud = 115200,
        .silence_ms = 3000,
        .channels = 1,
        .touches = {SENSOR_PLATE, SENSORS, SENSORS, SENSORS},
        .lag_s = {1},
        .modbus = {.unit = 1,
                   .run_on = 1,
                   .registers = 6,
                   .map = {{WORLD_READING, false, false, 0x1000, 10, 0},
                           {WORLD_SET_POINT, false, false, 0x1001, 10, 0},
                           {WORLD_RUN, false, false, 0x1010, 1, 0},
                           {WORLD_OUTPUT, true, false, 3, 1, 0},
                           {WORLD_CONSTANT, false, true, 0x1020, 1, 77},
                           {WORLD_SILENCE, false, false, 0x1022, 1, 0}}}};
    static struct board board;
    struct world_setup setup = {.plate = demo_plate(),
                                .insert = demo_insert(),
                                .board_sensor = 1,
                                .room_c = 22,
                                .seed = seed,
                                .instruments = INSTRUMENTS};
    struct world_instrument_setup *at = setup.instrument;
    struct tl_error error;
    struct world *world;
    demo_hx210(&board);
    setup.board = &board;
    for (int i = 0; i < INSTRUMENTS; i++)
        for (int k = 0; k < WORLD_CHANNELS; k++)
            at[i].touches[k] = SENSORS;
    at[ON_PLATE] = controller ? on_modbus : on_line;
    at[ON_SUPPLY] = (struct world_instrument_setup){
        .kind = WORLD_SCPI, .identity = "BENCHSUPPLY", .max_volts = 20, .max_amps = 5};
    at[ON_METER] = (struct world_instrument_setup){.kind = WORLD_METER, .identity = "BENCHMETER"};
    at[ON_READER] =
        (struct world_instrument_setup){.kind = WORLD_READER,
                                        .identity = "BENCHTEMP",
                                        .channels = 1,
                                        .touches = {SENSOR_PLATE, SENSORS, SENSORS, SENSORS},
                                        .lag_s = {1}};
    strcpy(at[ON_READER].reader.pattern, "T1={1} C");
    strcpy(at[ON_READER].reader.ask, "T?");
    strcpy(at[ON_READER].reader.ask_identity, "ID?");
    at[ON_CONTACTOR] =
        (struct world_instrument_setup){.kind = WORLD_CONTACTOR, .contactor = {.is_cutoff = true}};
    at[ON_INPUTS] = (struct world_instrument_setup){
        .kind = WORLD_INPUTS, .inputs = {.stop = WORLD_CTS, .answer = WORLD_DSR, .fed = true}};
    if (world_new(&world, &setup, &error) != 0) {
        fprintf(stderr, "%s\n", error.text);
        abort();
    }
    return world;
}

static inline void worlds_check(const struct world *world)
{
    struct world_truth truth;
    world_truth(world, &truth);
    assert(truth.duty >= 0 && truth.duty <= 1 && truth.fan >= 0 && truth.fan <= 1);
    assert(truth.supply_v >= 0 && truth.supply_v <= 20.1 && truth.supply_a >= 0);
    assert(isfinite(truth.plate_c) && truth.plate_c > -50 && truth.plate_c < 2000);
    assert(isfinite(truth.board_c));
    for (int i = 0; i < SENSORS; i++)
        assert(!isinf(truth.sensor_c[i]));
}

#endif
