/* SPDX-License-Identifier: MIT */
/* demo_world - the demo bench as a world, and a host just good enough to talk to its instruments. */
#ifndef TINLATCH_DEMO_WORLD_H
#define TINLATCH_DEMO_WORLD_H

#include <stdlib.h>

#include "check.h"
#include "demo_boards.h"
#include "tinlatch/bytes.h"
#include "tinlatch/world.h"

enum { DEMO_PLATE, DEMO_SUPPLY };

static inline struct world_setup demo_world_setup(const struct board *board, uint64_t seed,
                                                  double spread)
{
    return (struct world_setup){
        .plate = demo_plate(),
        .insert = demo_insert(),
        .board = board,
        .board_sensor = 1,
        .room_c = 22,
        .spread = spread,
        .seed = seed,
        .instruments = 2,
        .instrument =
            {{.kind = WORLD_LINE,
              .identity = "openplate 0007",
              .silence_ms = 2000,
              .channels = 3,
              .touches = {SENSOR_PLATE, SENSOR_PLATE_2, SENSOR_BOARD},
              .is_uv = {false, false, true},
              .type = {TYPE_K, TYPE_K, TYPE_K},
              .lag_s = {1.5, 1.5, 1.0}},
             {.kind = WORLD_SCPI, .identity = "BENCHSUPPLY", .max_volts = 20, .max_amps = 5}},
    };
}

static inline struct world *demo_world(const struct board *board, uint64_t seed, double spread)
{
    struct world_setup setup = demo_world_setup(board, seed, spread);
    struct tl_error error;
    struct world *world = NULL;
    assert_int_equal(world_new(&world, &setup, &error), 0);
    return world;
}

static inline int64_t demo_now(struct world *world)
{
    return world_clock(world)->now_ms(world_clock(world));
}

/* Write bytes as they are, wait for the answer, read it as a text. */
static inline const char *demo_ask(struct world *world, int instrument, const char *text)
{
    static char answer[1024];
    struct port *port = world_port(world, instrument);
    assert_int_equal(port_write(port, text, strlen(text)), (int)strlen(text));
    while (world_next_reply_ms(world) != INT64_MAX)
        world_advance(world, world_next_reply_ms(world));
    int got = port_read(port, answer, sizeof answer - 1);
    assert_true(got >= 0);
    answer[got] = 0;
    return answer;
}

/* The same with the line's check added. */
static inline const char *demo_say(struct world *world, const char *line)
{
    char text[256];
    snprintf(text, sizeof text, "%s *%04X\n", line, bytes_crc16(line, strlen(line)));
    return demo_ask(world, DEMO_PLATE, text);
}

/* The number after " key=", INT32_MIN when it is not there or no number. */
static inline int32_t demo_value(const char *answer, const char *key)
{
    char find[16];
    snprintf(find, sizeof find, " %s=", key);
    const char *at = strstr(answer, find);
    if (!at)
        return INT32_MIN;
    char *end;
    long value = strtol(at + strlen(find), &end, 10);
    return end == at + strlen(find) ? INT32_MIN : (int32_t)value;
}

struct demo_reading {
    bool plate_open;
    double plate_c, plate_2_c, board_c;
    int32_t duty, silenced;
    char text[128];
};

/* One period of 100 ms: a set, its answer, the rest of the period. */
static inline struct demo_reading demo_period(struct world *world, int duty_permille, int fan_pct)
{
    struct demo_reading reading = {0};
    int64_t began_ms = demo_now(world);
    char line[64];
    snprintf(line, sizeof line, "1 set d=%d f=%d b=0", duty_permille, fan_pct);
    const char *answer = demo_say(world, line);
    snprintf(reading.text, sizeof reading.text, "%.127s", answer);
    reading.plate_open = strstr(answer, "c1=open") != NULL;
    reading.plate_c = demo_value(answer, "c1") * 1e-3;
    reading.plate_2_c = demo_value(answer, "c2") * 1e-3;
    reading.duty = demo_value(answer, "d");
    reading.silenced = demo_value(answer, "q");
    double cold_mv;
    double cold_c = demo_value(answer, "cj") * 1e-3;
    if (answer[0] && thermocouple_mv(TYPE_K, cold_c, &cold_mv) == 0)
        thermocouple_temp_c(TYPE_K, demo_value(answer, "v3") * 1e-3 + cold_mv, &reading.board_c);
    world_advance(world, began_ms + 100);
    return reading;
}

/* Duty that holds the plate near set_c, from its reading. */
static inline int demo_duty(double reading_c, double set_c)
{
    if (set_c <= 0)
        return 0;
    double duty = 100 * (set_c - reading_c) + 2.1 * (reading_c - 22);
    return (int)fmin(fmax(duty, 0), 1000);
}

#endif
