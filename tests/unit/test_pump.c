/* SPDX-License-Identifier: MIT */
/* What a guard says on a line that carries one frame at a time: Modbus units of the simulated bench behind a port that
 * watches the line, and a loop that turns as a run's does, on a clock of the test's own. */
#include "check.h"

#include <stdlib.h>

#include "demo_boards.h"
#include "tinlatch/guard.h"
#include "tinlatch/world.h"

enum { BAUD = 57600, GAP_MS = 2, PERIOD_MS = 100, MODBUS_UNITS = 2 };

static const uint8_t off_words[] = {0x06, 0x10, 0x10, 0x00, 0x00}; /* behind the unit's number */

/* Between guard and world: what is wrong on the line, and what it loses. */
struct line {
    struct port port;
    struct world *world;
    struct port *behind;
    int64_t busy_ms; /* the last byte on it */
    int crowded;     /* frames that ran into another */
    int frames;
    int lose_answers, lose_offs;
    int64_t off_ms[MODBUS_UNITS + 1]; /* when each unit was last told off, by its number */
};

static int64_t wire_ms(size_t bytes)
{
    return ((int64_t)bytes * 11000 + BAUD - 1) / BAUD;
}

static int line_write(struct port *port, const void *from, size_t length)
{
    struct line *line = (struct line *)port;
    const uint8_t *bytes = from;
    int64_t t_ms = world_clock(line->world)->now_ms(world_clock(line->world));
    bool is_off = length == 8 && memcmp(bytes + 1, off_words, sizeof off_words) == 0;

    line->crowded += world_next_reply_ms(line->world) != INT64_MAX ||
                     (line->frames > 0 && t_ms < line->busy_ms + GAP_MS);
    line->frames++;
    line->busy_ms = t_ms + wire_ms(length);
    if (is_off)
        line->off_ms[bytes[0]] = t_ms;
    if (is_off && line->lose_offs > 0) {
        line->lose_offs--;
        return (int)length;
    }
    return port_write(line->behind, from, length);
}

static int line_read(struct port *port, void *to, size_t size)
{
    struct line *line = (struct line *)port;
    int n = port_read(line->behind, to, size);

    if (n <= 0)
        return n;
    line->busy_ms = world_clock(line->world)->now_ms(world_clock(line->world));
    if (line->lose_answers <= 0)
        return n;
    line->lose_answers--;
    return 0;
}

static void line_close(struct port *port)
{
    (void)port;
}

static const struct port_ops line_ops = {
    .read = line_read, .write = line_write, .close = line_close};

struct desk {
    struct benchfile bench;
    struct world *world;
    struct line line;
    struct guard *guard;
    struct wire_turn turn;
    struct wire_hand hand;
    int64_t t_ms, begun_ms;
    bool scanned, settled, urgent;
};

static struct device_config unit_config(int unit)
{
    struct device_config config = {
        .kind = DEVICE_CONTROLLER, .regulates = true, .silence_ms = 3000};

    config.controller = (struct controller_config){
        .unit = (uint8_t)unit, .write_function = 6, .run_on = 1, .write_every_ms = 1000};
    struct device_register *map = config.controller.map;
    map[REGISTER_READING] = (struct device_register){true, false, 3, 0x1000, 10, 0};
    map[REGISTER_SET_POINT] = (struct device_register){true, false, 3, 0x1001, 10, 0};
    map[REGISTER_RUN] = (struct device_register){true, false, 3, 0x1010, 1, 0};
    return config;
}

static struct benchfile bench_of(int units)
{
    struct benchfile bench = {
        .period_ms = PERIOD_MS,
        .plate = {.watts = 120, .capacity_j_k = 6000, .loss_w_k = 0.25},
        .insert_count = 1,
        .insert = {{.name = "flat"}},
        .device_count = units,
        .device = {unit_config(1), unit_config(2)},
        .port_count = 1,
        .port = {{.baud = BAUD}},
        .plate_device = 0,
        .supply_device = -1,
        .meter_device = -1,
        .cutoff_device = -1,
        .inputs_device = -1,
        .presence_ms = 600000,
        .room_c = 22,
        .limits = {.plate_mc = 250000},
    };
    for (int i = 0; i < units; i++)
        bench.sensor[i] = (struct sensor_binding){.present = true, .device = i};
    return bench;
}

static struct world *world_of(int units)
{
    struct world_setup setup = {
        .plate = demo_plate(), .insert = demo_insert(), .room_c = 22, .instruments = units};
    struct world *world = NULL;

    for (int i = 0; i < units; i++)
        setup.instrument[i] = (struct world_instrument_setup){
            .kind = WORLD_MODBUS,
            .shares = i,
            .regulates = true,
            .baud = BAUD,
            .silence_ms = 3000,
            .channels = 1,
            .touches = {SENSOR_PLATE, SENSORS, SENSORS, SENSORS},
            .lag_s = {1},
            .modbus = {.unit = (uint8_t)(i + 1),
                       .run_on = 1,
                       .registers = 3,
                       .map = {{WORLD_READING, false, false, 0x1000, 10, 0},
                               {WORLD_SET_POINT, false, false, 0x1001, 10, 0},
                               {WORLD_RUN, false, false, 0x1010, 1, 0}}}};
    assert_int_equal(world_new(&world, &setup, NULL), 0);
    return world;
}

static void scan(struct desk *desk)
{
    guard_scan(desk->guard, desk->t_ms);
    desk->scanned = true;
    desk->settled = desk->urgent = false;
    if (guard_mode(desk->guard) != GUARD_RUNNING)
        return;
    wire_stamp(&desk->turn.head, WIRE_TURN, guard_snapshot(desk->guard)->head.number);
    guard_receive(desk->guard, &desk->turn, sizeof desk->turn, desk->t_ms, NULL);
}

/* A millisecond of a run's loop. */
static void tick(struct desk *desk)
{
    world_advance(desk->world, ++desk->t_ms);
    bool speaks = !desk->scanned || guard_owes(desk->guard);
    desk->settled = speaks && guard_pump(desk->guard, desk->t_ms) && !desk->scanned;
    bool late = desk->t_ms >= desk->begun_ms + PERIOD_MS * 8 / 10;
    if (desk->urgent || (!desk->scanned && (desk->settled || late)))
        scan(desk);
    if (desk->scanned && desk->t_ms >= desk->begun_ms + PERIOD_MS) {
        desk->begun_ms = desk->t_ms;
        desk->scanned = false;
        guard_begin(desk->guard, desk->t_ms);
        guard_pump(desk->guard, desk->t_ms);
    }
}

static double duty(const struct desk *desk)
{
    struct world_truth truth;

    world_truth(desk->world, &truth);
    return truth.duty;
}

/* Heats, a period has just begun. */
static struct desk *desk_heating(int units)
{
    struct desk *desk = calloc(1, sizeof *desk);
    struct wire_hello hello = {.insert = "flat", .recipe = {.uses_plate = true}};

    assert_non_null(desk);
    desk->bench = bench_of(units);
    desk->world = world_of(units);
    desk->line = (struct line){.port = {.ops = &line_ops, .fd = -1},
                               .world = desk->world,
                               .behind = world_port(desk->world, 0)};
    struct guard_config config = {.bench = &desk->bench, .port = {&desk->line.port}, .armed = true};
    assert_int_equal(guard_new(&desk->guard, &config, NULL), 0);
    wire_stamp(&hello.head, WIRE_HELLO, 1);
    hello.recipe.plate_mc = 190000;
    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, NULL), 0);
    desk->turn = (struct wire_turn){.heat = 1, .temp_mc = 172000, .rail = -1};
    guard_begin(desk->guard, 0);
    while (duty(desk) <= 0 || desk->begun_ms != desk->t_ms) {
        assert_true(desk->t_ms < 20000);
        tick(desk);
    }
    assert_int_equal(desk->line.crowded, 0);
    return desk;
}

static void desk_free(struct desk *desk)
{
    guard_free(desk->guard);
    world_free(desk->world);
    free(desk);
}

/* As far into a period, then a stop; everything is off within most_ms, and stays so for a second. */
static void stop_at(struct desk *desk, int into_ms, int most_ms)
{
    for (int i = 0; i < into_ms; i++)
        tick(desk);
    assert_true(duty(desk) > 0);

    desk->hand.stop_count++;
    wire_stamp(&desk->hand.head, WIRE_HAND, guard_snapshot(desk->guard)->head.number);
    guard_receive(desk->guard, &desk->hand, sizeof desk->hand, desk->t_ms, NULL);
    desk->urgent = true;
    int64_t stop_ms = desk->t_ms;
    for (int i = 0; i < most_ms; i++)
        tick(desk);

    assert_int_equal(guard_mode(desk->guard), GUARD_COOLING);
    for (int unit = 1; unit <= desk->bench.device_count; unit++)
        assert_true(desk->line.off_ms[unit] >= stop_ms);
    for (int i = 0; i < 1000; i++, tick(desk))
        assert_true(duty(desk) <= 0);
}

enum {
    EXCHANGE_MS = 2 + 8 + 2 + GAP_MS + 1, /* a frame, what the unit takes, its answer, silence */
    GIVEN_UP_MS = 50 + 2 * 2 + GAP_MS + 1
};

static void test_a_stop_at_any_instant_waits_only_for_the_answer_in_flight(void **state)
{
    (void)state;
    for (int into_ms = 0; into_ms < PERIOD_MS; into_ms++) {
        struct desk *desk = desk_heating(1);

        stop_at(desk, into_ms, EXCHANGE_MS + 1);

        assert_int_equal(desk->line.crowded, 0);
        desk_free(desk);
    }
}

static void test_an_answer_that_is_lost_holds_up_off_for_its_time_only(void **state)
{
    (void)state;
    for (int into_ms = 0; into_ms < PERIOD_MS; into_ms++) {
        struct desk *desk = desk_heating(1);
        desk->line.lose_answers = 1;

        stop_at(desk, into_ms, GIVEN_UP_MS + 1);

        assert_int_equal(desk->line.crowded, 0);
        desk_free(desk);
    }
}

static void test_an_off_that_is_lost_is_said_again_within_the_period(void **state)
{
    (void)state;
    for (int into_ms = 0; into_ms < PERIOD_MS; into_ms++) {
        struct desk *desk = desk_heating(1);
        desk->line.lose_offs = 1;

        stop_at(desk, into_ms, EXCHANGE_MS + GIVEN_UP_MS + 1);

        assert_int_equal(desk->line.crowded, 0);
        desk_free(desk);
    }
}

static void test_two_units_on_one_line_are_told_one_after_the_other(void **state)
{
    (void)state;
    for (int into_ms = 0; into_ms < PERIOD_MS; into_ms++) {
        struct desk *desk = desk_heating(2);

        stop_at(desk, into_ms, 2 * EXCHANGE_MS + 1);

        assert_int_equal(desk->line.crowded, 0);
        desk_free(desk);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_stop_at_any_instant_waits_only_for_the_answer_in_flight),
        cmocka_unit_test(test_an_answer_that_is_lost_holds_up_off_for_its_time_only),
        cmocka_unit_test(test_an_off_that_is_lost_is_said_again_within_the_period),
        cmocka_unit_test(test_two_units_on_one_line_are_told_one_after_the_other),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
