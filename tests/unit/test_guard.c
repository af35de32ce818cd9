/* SPDX-License-Identifier: MIT */
#include "check.h"

#include <malloc.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <unistd.h>

#include "fake_line.h"
#include "tinlatch/guard.h"
#include "tinlatch/journal.h"

struct desk {
    struct benchfile bench;
    struct fake_line plate;
    struct guard *guard;
    int64_t t_ms;
    struct wire_turn turn;
    struct wire_hand hand;
};

static struct wire_hello hello_for(int32_t plate_mc)
{
    struct wire_hello hello = {0};

    wire_stamp(&hello.head, WIRE_HELLO, 1);
    strcpy(hello.insert, "flat");
    hello.recipe.plate_mc = plate_mc;
    hello.recipe.uses_plate = true;
    return hello;
}

/* A guard that has heard nothing yet. */
static struct desk *desk_cold(void)
{
    struct desk *desk = calloc(1, sizeof *desk);

    assert_non_null(desk);
    desk->bench = fake_line_bench();
    desk->bench.limit_line[LIMIT_plate_mc] = 12;
    fake_line_init(&desk->plate);
    struct guard_config config = {
        .bench = &desk->bench, .port = {&desk->plate.port}, .armed = true};
    assert_int_equal(guard_new(&desk->guard, &config, NULL), 0);
    return desk;
}

static void desk_free(struct desk *desk)
{
    guard_free(desk->guard);
    free(desk);
}

static void period(struct desk *desk)
{
    guard_begin(desk->guard, desk->t_ms);
    guard_pump(desk->guard, desk->t_ms + 5);
    guard_scan(desk->guard, desk->t_ms + 5);
    desk->t_ms += 100;
}

static void turns(struct desk *desk, int periods)
{
    for (int i = 0; i < periods; i++) {
        wire_stamp(&desk->turn.head, WIRE_TURN, guard_snapshot(desk->guard)->head.number);
        guard_receive(desk->guard, &desk->turn, sizeof desk->turn, desk->t_ms, NULL);
        period(desk);
    }
}

/* A board is laid on the plate, and is out of the hands again. */
static void lay_board(struct desk *desk)
{
    desk->turn.hand = HAND_PLACE;
    turns(desk, 1);
    desk->turn.hand = HAND_NONE;
    turns(desk, 1);
}

/* A guard that heats towards 172 C. */
static struct desk *desk_heating(void)
{
    struct desk *desk = desk_cold();
    struct wire_hello hello = hello_for(190000);

    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, NULL), 0);
    desk->turn.heat = 1;
    desk->turn.temp_mc = 172000;
    desk->turn.rail = -1;
    for (int i = 0; i < 20 && guard_mode(desk->guard) != GUARD_RUNNING; i++)
        period(desk);
    turns(desk, 10);
    assert_true(guard_snapshot(desk->guard)->granted_heat);
    assert_true(desk->plate.duty > 0);
    return desk;
}

/* clang-format off */
#define W GUARD_WAITING
#define C GUARD_CHECKING
#define S GUARD_SEATING
#define R GUARD_RUNNING
#define P GUARD_PAUSED
#define O GUARD_COOLING
#define E GUARD_ENDED
static const enum guard_mode table[GUARD_MODES][GUARD_EVENTS] = {
/*      HELLO CHECKED SEATED PAUSE RESUME END TRIP TOUCH_SAFE */
    [W] = {C, W, W, W, W, E, E, W},
    [C] = {C, S, C, C, C, O, O, C},
    [S] = {S, S, R, S, S, O, O, S},
    [R] = {R, R, R, P, R, O, O, R},
    [P] = {P, P, P, P, R, O, O, P},
    [O] = {O, O, O, O, O, O, O, E},
    [E] = {E, E, E, E, E, E, E, E},
};
/* clang-format on */

static void test_every_mode_and_event_goes_where_the_drawing_says(void **state)
{
    (void)state;
    for (int mode = 0; mode < GUARD_MODES; mode++)
        for (int event = 0; event < GUARD_EVENTS; event++)
            assert_int_equal(guard_mode_next((enum guard_mode)mode, (enum guard_event)event),
                             table[mode][event]);
}

static void test_a_hello_is_heard_once(void **state)
{
    (void)state;
    assert_true(guard_permits(GUARD_WAITING, WIRE_HELLO));
    for (int mode = GUARD_CHECKING; mode < GUARD_MODES; mode++)
        assert_false(guard_permits((enum guard_mode)mode, WIRE_HELLO));
}

static void test_no_turn_before_the_hello_and_no_snapshot_ever(void **state)
{
    (void)state;
    assert_false(guard_permits(GUARD_WAITING, WIRE_TURN));
    assert_false(guard_permits(GUARD_CHECKING, WIRE_TURN));
    assert_false(guard_permits(GUARD_SEATING, WIRE_TURN));
    for (int mode = 0; mode < GUARD_MODES; mode++)
        assert_false(guard_permits((enum guard_mode)mode, WIRE_SNAPSHOT));
}

static void test_nothing_is_sent_before_the_hello(void **state)
{
    (void)state;
    struct desk *desk = desk_cold();

    for (int i = 0; i < 5; i++)
        period(desk);

    assert_int_equal(desk->plate.sets, 0);
    assert_int_equal(desk->plate.in_length, 0);
    desk_free(desk);
}

static void test_a_hello_that_asks_for_more_is_refused_with_the_origin(void **state)
{
    (void)state;
    struct desk *desk = desk_cold();
    struct wire_hello hello = hello_for(260000);
    struct tl_error error;

    int status = guard_receive(desk->guard, &hello, sizeof hello, 0, &error);

    assert_int_equal(status, TL_LIMIT);
    assert_has(error.text, "260 C");
    assert_has(error.text, "250 C");
    assert_int_equal(guard_mode(desk->guard), GUARD_WAITING);
    desk_free(desk);
}

static void test_an_insert_the_bench_has_not_is_refused(void **state)
{
    (void)state;
    struct desk *desk = desk_cold();
    struct wire_hello hello = hello_for(190000);
    struct tl_error error;
    strcpy(hello.insert, "round");

    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, &error), TL_MISSING);
    assert_has(error.text, "round");
    desk_free(desk);
}

static void test_wanted_heat_becomes_duty_on_the_wire(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();

    assert_int_equal(guard_snapshot(desk->guard)->granted_mc, 172000);
    desk_free(desk);
}

static void test_a_turn_beyond_the_limit_is_cut_to_it(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    desk->turn.temp_mc = 240000;

    turns(desk, 2);

    assert_int_equal(guard_snapshot(desk->guard)->granted_mc, 190000);
    assert_int_equal(guard_snapshot(desk->guard)->wanted_mc, 240000);
    desk_free(desk);
}

static void test_an_open_sensor_ends_with_off_on_the_wire_and_stays_off(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    desk->plate.mc[0] = -1;

    turns(desk, 5);
    desk->plate.mc[0] = 25000;
    turns(desk, 50);

    assert_int_equal(guard_mode(desk->guard), GUARD_COOLING);
    assert_true(guard_trip(desk->guard)->tripped);
    assert_int_equal(guard_trip(desk->guard)->rule, SENSOR_OPEN);
    assert_true(desk->plate.offs >= 1);
    assert_int_equal(desk->plate.duty, 0);
    desk_free(desk);
}

/* Never open for as long as the rule waits, never well for as long either. */
static void test_a_sensor_that_flickers_trips_as_what_it_shows_when_it_is_bad(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();

    for (int i = 0; i < 8; i++) {
        desk->plate.mc[0] = i % 2 ? 25000 : -1;
        turns(desk, 2);
    }
    turns(desk, 3);

    assert_true(guard_trip(desk->guard)->tripped);
    assert_int_equal(guard_trip(desk->guard)->rule, SENSOR_OPEN);
    desk_free(desk);
}

/* On a busy computer the scans that see it lie far apart. */
static void test_an_open_sensor_is_called_open_also_when_scans_come_late(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    desk->plate.mc[0] = -1;

    for (int i = 0; i < 3; i++) {
        desk->t_ms += 200;
        turns(desk, 1);
    }

    assert_true(guard_trip(desk->guard)->tripped);
    assert_int_equal(guard_trip(desk->guard)->rule, SENSOR_OPEN);
    desk_free(desk);
}

static void test_the_higher_plate_sensor_counts(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    desk->plate.mc[1] = 28000;

    turns(desk, 3);

    assert_int_equal(guard_snapshot(desk->guard)->plate_mc, 28000);
    desk_free(desk);
}

static void test_two_samples_that_step_away_are_no_reading(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();

    for (int i = 0; i < 5; i++) {
        desk->plate.mc[0] = 90000;
        turns(desk, 1);
        desk->plate.mc[0] = 4000;
        turns(desk, 1);
        assert_int_equal(guard_snapshot(desk->guard)->plate_mc, 25000);
        assert_int_equal(guard_snapshot(desk->guard)->age_ms[SENSOR_PLATE], 200);
        desk->plate.mc[0] = 25100 + i; /* a plate that is heated moves */
        desk->plate.mc[1] = 25000;
        turns(desk, 1);
        desk->plate.mc[0] = 25000;
        turns(desk, 1);
    }

    assert_int_equal(guard_mode(desk->guard), GUARD_RUNNING);
    desk_free(desk);
}

static void test_the_third_sample_in_a_row_that_steps_away_is_a_jump(void **state)
{
    (void)state;
    for (int id = SENSOR_PLATE; id <= SENSOR_BOARD; id++) {
        struct desk *desk = desk_heating();

        for (int i = 0; i < 3; i++) {
            assert_int_equal(guard_mode(desk->guard), GUARD_RUNNING);
            desk->plate.mc[id] = 90000 - 1000 * i;
            turns(desk, 1);
        }

        assert_int_equal(guard_trip(desk->guard)->rule, SENSOR_JUMP);
        desk_free(desk);
    }
}

/* As the last samples that nobody looked at yet, they are no good reading that others step away from. */
static void test_a_spike_just_before_it_begins_is_no_reading_to_go_by(void **state)
{
    (void)state;
    for (int k = 0; k < 12; k++) {
        int spike = k % 6, high = k >= 6; /* two alike, two that differ */
        struct desk *desk = desk_cold();
        struct wire_hello hello = hello_for(190000);
        assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, NULL), 0);
        desk->turn.rail = -1;

        for (int i = 0; i < 12; i++) {
            desk->plate.mc[0] = i == spike       ? -12000
                                : i == spike + 1 ? (high ? 124000 : -12000)
                                                 : 25000 + i;
            if (guard_mode(desk->guard) == GUARD_RUNNING)
                turns(desk, 1);
            else
                period(desk);
        }

        assert_int_equal(guard_mode(desk->guard), GUARD_RUNNING);
        assert_int_equal(guard_snapshot(desk->guard)->temp_mc[SENSOR_PLATE], 25011);
        for (int i = 0; i < 3; i++) {
            desk->plate.mc[0] = 90000 + i;
            turns(desk, 1);
        }
        assert_int_equal(guard_trip(desk->guard)->rule, SENSOR_JUMP);
        desk_free(desk);
    }
}

/* By a wet swab; and comes back, within a minute, at most two, and no further. */
static void test_a_board_s_sensor_may_fall_and_come_back(void **state)
{
    (void)state;
    const struct {
        int32_t back_mc;
        int after;
        bool tripped;
    } rows[] = {{25000, 20, false}, {44000, 560, false}, {46000, 20, true}, {25000, 1220, true}};
    for (int k = 0; k < 4; k++) {
        struct desk *desk = desk_heating();
        desk->turn.heat = 0;
        for (int i = 0; i < rows[k].after; i++) {
            desk->plate.mc[SENSOR_BOARD] = 5000 + i % 2;
            turns(desk, 1);
            assert_int_equal(guard_snapshot(desk->guard)->temp_mc[SENSOR_BOARD],
                             i < 2 ? 25000 : 5000 + i % 2);
        }

        for (int i = 0; i < 4; i++) {
            desk->plate.mc[SENSOR_BOARD] = rows[k].back_mc + i;
            turns(desk, 1);
        }

        assert_int_equal(guard_trip(desk->guard)->tripped, rows[k].tripped);
        if (rows[k].tripped)
            assert_int_equal(guard_trip(desk->guard)->rule, SENSOR_JUMP);
        desk_free(desk);
    }
}

static void test_a_step_that_is_repeated_to_the_digit_is_one_sample_for_a_while(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    desk->plate.mc[0] = 90000;

    turns(desk, 8);
    assert_int_equal(guard_mode(desk->guard), GUARD_RUNNING);
    turns(desk, 1);

    assert_int_equal(guard_trip(desk->guard)->rule, SENSOR_JUMP);
    desk_free(desk);
}

/* 300 ms of it: what lies between is no good reading either. */
static void test_a_step_clears_no_count_of_an_open_sensor(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();

    for (int i = 0; i < 4; i++) {
        desk->plate.mc[0] = i == 2 ? 90000 : -1;
        turns(desk, 1);
    }

    assert_int_equal(guard_trip(desk->guard)->rule, SENSOR_OPEN);
    desk_free(desk);
}

static void test_a_board_s_sensor_may_step_only_under_announced_hands(void **state)
{
    (void)state;
    const enum hand hands[] = {HAND_PLACE, HAND_LIFT, HAND_HEAT, HAND_NONE};
    for (int h = 0; h < 4; h++) {
        struct desk *desk = desk_heating();
        desk->turn.hand = (int32_t)hands[h];
        turns(desk, 1);

        for (int i = 0; i < 4; i++) {
            desk->plate.mc[SENSOR_BOARD] = i % 2 ? 25000 : 80000 + i;
            turns(desk, 1);
            if (hands[h] != HAND_NONE)
                assert_int_equal(guard_snapshot(desk->guard)->temp_mc[SENSOR_BOARD],
                                 desk->plate.mc[SENSOR_BOARD]);
        }
        for (int i = 0; i < 4; i++) {
            desk->plate.mc[SENSOR_BOARD] = 80000 + i;
            turns(desk, 1);
        }

        assert_int_equal(guard_trip(desk->guard)->tripped, hands[h] == HAND_NONE);
        desk_free(desk);
    }
}

/* What the snapshots call hands, for so many periods of a recipe that announces them every `every` of these. */
static int hands_of(struct desk *desk, enum hand hand, int every, int periods)
{
    int counted = 0;

    for (int i = 0; i < periods; i++) {
        desk->turn.hand = (int32_t)(i % every == 0 ? hand : HAND_NONE);
        turns(desk, 1);
        counted += guard_snapshot(desk->guard)->hand == (int32_t)hand;
    }
    return counted;
}

static void test_hands_widen_nothing_after_twenty_minutes_of_each_kind(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    desk->turn.heat = 0;
    desk->turn.temp_mc = 0;

    assert_in_range(hands_of(desk, HAND_HEAT, 1, 13000), 11940, 12000);
    assert_int_equal(hands_of(desk, HAND_HEAT, 1, 100), 0);
    /* by fits and starts, until all have had thirty minutes */
    assert_in_range(hands_of(desk, HAND_PLACE, 2, 1000), 114, 121);
    assert_int_equal(guard_mode(desk->guard), GUARD_RUNNING);
    desk_free(desk);
}

static void test_hands_widen_nothing_after_thirty_minutes_of_all_kinds(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    int counted = 0;
    desk->turn.heat = 0;
    desk->turn.temp_mc = 0;

    for (int i = 0; i < 400; i++) /* six seconds each, and five for each beginning */
        counted += hands_of(desk, (enum hand)(HAND_PLACE + i % (HANDS - HAND_PLACE)), 1, 60);

    assert_in_range(counted, 164 * 60 - 60, 164 * 60);
    assert_int_equal(hands_of(desk, HAND_LIFT, 1, 100), 0);
    assert_int_equal(guard_mode(desk->guard), GUARD_RUNNING);
    desk_free(desk);
}

static void test_a_silent_recipe_is_off_within_two_seconds(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    int64_t last_ms = desk->t_ms - 100;

    while (guard_mode(desk->guard) == GUARD_RUNNING && desk->t_ms < 60000)
        period(desk);

    assert_int_equal(guard_trip(desk->guard)->rule, RECIPE_SILENT);
    assert_in_range(guard_trip(desk->guard)->at_ms - last_ms, 1900, 2200);
    period(desk);
    assert_int_equal(desk->plate.duty, 0);
    desk_free(desk);
}

/* Nothing is on that it could be in charge of. */
static void test_a_recipe_that_asks_for_power_late_is_waited_for(void **state)
{
    (void)state;
    struct desk *desk = desk_cold();
    struct wire_hello hello = hello_for(190000);
    guard_receive(desk->guard, &hello, sizeof hello, 0, NULL);
    while (guard_mode(desk->guard) != GUARD_RUNNING && desk->t_ms < 2000)
        period(desk);
    desk->turn = (struct wire_turn){.rail = -1};
    turns(desk, 3); /* a stage, a question: nothing that needs power */

    for (int i = 0; i < 80; i++)
        period(desk);
    desk->turn.heat = 1;
    desk->turn.temp_mc = 172000;
    turns(desk, 5);

    assert_true(guard_snapshot(desk->guard)->granted_heat);
    desk_free(desk);
}

static void test_a_recipe_that_answers_an_old_snapshot_for_ever_is_silent(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    uint32_t old = guard_snapshot(desk->guard)->head.number;

    for (int i = 0; i < 25; i++) {
        wire_stamp(&desk->turn.head, WIRE_TURN, old);
        guard_receive(desk->guard, &desk->turn, sizeof desk->turn, desk->t_ms, NULL);
        period(desk);
    }

    assert_int_equal(guard_trip(desk->guard)->rule, RECIPE_SILENT);
    desk_free(desk);
}

static void test_a_silent_plate_is_a_trip_within_a_second(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    int64_t last_ms = desk->t_ms;
    desk->plate.silent = true;

    turns(desk, 30);

    assert_true(guard_trip(desk->guard)->tripped);
    assert_in_range(guard_trip(desk->guard)->at_ms - last_ms, 700, 1200);
    desk_free(desk);
}

static void test_a_cut_line_is_a_trip_at_once(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    int64_t last_ms = desk->t_ms;
    desk->plate.cut = true;

    turns(desk, 3);

    assert_int_equal(guard_trip(desk->guard)->rule, DEVICE_SILENT);
    assert_true(guard_trip(desk->guard)->at_ms - last_ms <= 100);
    desk_free(desk);
}

static void test_a_run_whose_lines_are_all_cut_ends_only_when_nobody_looks_either(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    const struct guard_watch nobody = {.front_gone = true};
    desk->plate.cut = true;
    turns(desk, 2);

    for (int i = 0; i < 4000; i++)
        period(desk);
    assert_int_equal(guard_mode(desk->guard), GUARD_COOLING);
    guard_set_watch(desk->guard, &nobody);
    period(desk);

    assert_int_equal(guard_mode(desk->guard), GUARD_ENDED);
    assert_int_equal(guard_trip(desk->guard)->rule, DEVICE_SILENT);
    desk_free(desk);
}

static void test_a_run_that_switched_nothing_on_ends_with_its_lines(void **state)
{
    (void)state;
    struct desk *desk = desk_cold();
    struct wire_hello hello = hello_for(190000);
    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, NULL), 0);
    for (int i = 0; i < 20 && guard_mode(desk->guard) != GUARD_RUNNING; i++)
        period(desk);
    turns(desk, 3); /* it wants nothing */
    desk->plate.cut = true;

    turns(desk, 3);

    assert_int_equal(guard_mode(desk->guard), GUARD_ENDED);
    desk_free(desk);
}

static void test_microvolts_are_never_taken_for_degrees(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    desk->plate.microvolts = true;

    turns(desk, 5);

    assert_int_equal(guard_trip(desk->guard)->rule, SENSOR_RANGE);
    assert_int_equal(desk->plate.duty, 0);
    desk_free(desk);
}

static void test_an_instrument_that_was_reset_is_not_driven_again(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    desk->plate.uptime_s = 0;

    turns(desk, 30);

    assert_int_equal(guard_trip(desk->guard)->rule, DEVICE_SILENT);
    assert_int_equal(desk->plate.duty, 0);
    desk_free(desk);
}

static void test_stop_wins_over_everything_in_the_same_scan(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    int offs = desk->plate.offs;
    wire_stamp(&desk->hand.head, WIRE_HAND, 1);
    desk->hand.stop_count = 1;

    guard_receive(desk->guard, &desk->hand, sizeof desk->hand, desk->t_ms, NULL);
    turns(desk, 1);

    assert_int_equal(guard_trip(desk->guard)->rule, STOP_PRESSED);
    assert_int_equal(desk->plate.offs, offs + 1);
    assert_false(guard_snapshot(desk->guard)->granted_heat);
    desk_free(desk);
}

static void test_a_message_of_a_wrong_size_ends_the_run(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();

    int status = guard_receive(desk->guard, &desk->turn, sizeof desk->turn - 1, desk->t_ms, NULL);
    turns(desk, 3);

    assert_int_equal(status, TL_BAD);
    assert_int_equal(guard_mode(desk->guard), GUARD_COOLING);
    assert_int_equal(desk->plate.duty, 0);
    desk_free(desk);
}

static void test_a_second_hello_ends_the_run(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    struct wire_hello hello = hello_for(200000);

    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, desk->t_ms, NULL), TL_BAD);
    assert_int_equal(guard_mode(desk->guard), GUARD_COOLING);
    assert_int_equal(guard_limits(desk->guard)->plate_mc, 190000);
    desk_free(desk);
}

static void test_an_answer_stands_until_its_prompt_closes(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    desk->turn.prompt = 7;
    desk->hand.prompt = 7;
    desk->hand.answer = ANSWER_YES;
    wire_stamp(&desk->hand.head, WIRE_HAND, 1);

    turns(desk, 1);
    guard_receive(desk->guard, &desk->hand, sizeof desk->hand, desk->t_ms, NULL);
    turns(desk, 3);
    assert_int_equal(guard_snapshot(desk->guard)->answer, ANSWER_YES);
    desk->turn.prompt = 8;
    turns(desk, 1);

    assert_int_equal(guard_snapshot(desk->guard)->answer, ANSWER_NONE);
    desk_free(desk);
}

static void test_the_end_keeps_the_fan_off_until_the_joints_are_solid(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    struct wire_end end = {0};
    wire_stamp(&end.head, WIRE_END, 1);
    desk->plate.mc[0] = desk->plate.mc[1] = 150000;
    desk->turn.joints = 1;
    desk->turn.joint[0].solid_ms = 20000; /* a fifth on top: 24 s */
    lay_board(desk);

    guard_receive(desk->guard, &end, sizeof end, desk->t_ms, NULL);
    assert_has(guard_trip(desk->guard)->hands, "hands off until it beeps, about 24 s");
    for (int i = 0; i < 235; i++)
        period(desk);
    assert_int_equal(desk->plate.fan, 0);
    for (int i = 0; i < 10; i++)
        period(desk);

    assert_int_equal(desk->plate.fan, 100);
    desk_free(desk);
}

static void test_touch_safe_is_thirty_seconds_below_45_on_every_sensor(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    struct wire_end end = {0};
    wire_stamp(&end.head, WIRE_END, 1);
    desk->plate.mc[2] = 45000; /* the board, not below */
    turns(desk, 1);
    guard_receive(desk->guard, &end, sizeof end, desk->t_ms, NULL);

    for (int i = 0; i < 400; i++)
        period(desk);
    assert_int_equal(guard_mode(desk->guard), GUARD_COOLING);
    desk->plate.mc[2] = 44900;
    for (int i = 0; i < 299; i++)
        period(desk);
    assert_int_equal(guard_mode(desk->guard), GUARD_COOLING);
    for (int i = 0; i < 3; i++)
        period(desk);

    assert_int_equal(guard_mode(desk->guard), GUARD_ENDED);
    desk_free(desk);
}

static void test_a_sensor_that_fails_while_cooling_never_counts_as_cold(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    struct wire_end end = {0};
    wire_stamp(&end.head, WIRE_END, 1);
    guard_receive(desk->guard, &end, sizeof end, desk->t_ms, NULL);
    desk->plate.mc[0] = -1;

    for (int i = 0; i < 1000; i++)
        period(desk);

    assert_int_equal(guard_mode(desk->guard), GUARD_COOLING);
    desk_free(desk);
}

/* ---- warnings ---- */

static void test_a_warning_begins_with_its_cause_and_again_only_after_it_was_gone(void **state)
{
    (void)state;
    const bool fired[] = {false, true, true, false, true, true};
    const bool begins[] = {false, true, false, false, true, false};
    bool told = false;

    for (int i = 0; i < 6; i++)
        assert_int_equal(guard_begins_to_warn(RULE_WARN, fired[i], &told), begins[i]);
}

static void test_only_a_warning_rule_warns(void **state)
{
    (void)state;
    const enum rule_kind others[] = {RULE_PAUSE, RULE_TRIP, RULE_STOP};

    for (int i = 0; i < 3; i++) {
        bool told = false;
        assert_false(guard_begins_to_warn(others[i], true, &told));
    }
}

/* ---- a plate that does not obey ---- */

/* Notes of the guard's own, the last of each kind and how many. */
struct heard {
    char text[NOTE_KINDS][BENCH_TEXT];
    int count[NOTE_KINDS];
};

static void hear(void *context, const struct wire_note *note)
{
    struct heard *heard = context;

    heard->count[note->note]++;
    memcpy(heard->text[note->note], note->text, BENCH_TEXT);
}

static struct desk *desk_heard_with(struct heard *heard, bool by_hand)
{
    struct desk *desk = desk_cold();
    struct guard_config config = {.bench = &desk->bench,
                                  .port = {&desk->plate.port},
                                  .armed = true,
                                  .say = hear,
                                  .context = heard};
    struct wire_hello hello = hello_for(190000);

    *heard = (struct heard){0};
    guard_free(desk->guard);
    if (by_hand) { /* what reads its sensors heats nothing */
        desk->bench.device[1] = (struct device_config){.kind = DEVICE_BY_HAND, .port = -1};
        desk->bench.device_count = 2;
        desk->bench.plate_device = 1;
    }
    assert_int_equal(guard_new(&desk->guard, &config, NULL), 0);
    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, NULL), 0);
    desk->turn = (struct wire_turn){.heat = 1, .temp_mc = 172000, .rail = -1, .joints = !by_hand};
    desk->plate.mc[0] = desk->plate.mc[1] = 150000;
    desk->turn.joint[0].solid_ms = 20000; /* a fifth on top: 24 s */
    for (int i = 0; i < 20 && guard_mode(desk->guard) != GUARD_RUNNING; i++)
        period(desk);
    turns(desk, 10);
    return desk;
}

static struct desk *desk_heard(struct heard *heard)
{
    struct desk *desk = desk_heard_with(heard, false);

    lay_board(desk);
    return desk;
}

static void end_run(struct desk *desk)
{
    struct wire_end end = {0};

    wire_stamp(&end.head, WIRE_END, 1);
    assert_int_equal(guard_receive(desk->guard, &end, sizeof end, desk->t_ms, NULL), 0);
}

/* Periods in which both plate sensors move by so many millidegrees each. */
static void plate_moves(struct desk *desk, int periods, int step_mc)
{
    for (int i = 0; i < periods; i++) {
        desk->plate.mc[0] += step_mc;
        desk->plate.mc[1] += step_mc;
        period(desk);
    }
}

static uint32_t beeps(const struct desk *desk)
{
    return guard_snapshot(desk->guard)->beeps;
}

static void test_the_beep_comes_when_the_joints_are_solid_on_a_plate_that_falls(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);

    end_run(desk);
    plate_moves(desk, 235, -20);
    assert_int_equal(beeps(desk), 0);
    plate_moves(desk, 10, -20);

    assert_int_equal(beeps(desk), 1);
    assert_int_equal(heard.count[NOTE_WARN], 0);
    desk_free(desk);
}

static void test_a_plate_that_does_not_cool_is_warned_of_once_and_never_called_solid(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);

    end_run(desk);
    plate_moves(desk, 590, 0);
    assert_int_equal(heard.count[NOTE_WARN], 0);
    plate_moves(desk, 20, 0);
    assert_int_equal(heard.count[NOTE_WARN], 1);
    assert_has(heard.text[NOTE_WARN], "does not cool though heat is off: pull the mains plug");
    plate_moves(desk, 20, 0);
    assert_has(heard.text[NOTE_HANDS], "the plate does not cool: pull the mains plug. The joints");
    plate_moves(desk, 3000, 0);

    assert_int_equal(heard.count[NOTE_WARN], 1);
    assert_int_equal(guard_trip(desk->guard)->rule, HEAT_UNCOMMANDED);
    assert_int_equal(beeps(desk), 0);
    desk_free(desk);
}

static void test_a_plate_that_cools_late_is_solid_the_whole_time_later(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);
    end_run(desk);
    plate_moves(desk, 1000, 0);

    plate_moves(desk, 10, -300); /* the plug is out: 3 K down, and from here on 24 s */
    plate_moves(desk, 235, -20);
    assert_int_equal(beeps(desk), 0);
    assert_int_equal(desk->plate.fan, 0);
    plate_moves(desk, 10, -20);

    assert_int_equal(beeps(desk), 1);
    desk_free(desk);
}

static void test_a_plate_below_100_need_not_fall_fast_but_has_to_fall(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);
    desk->plate.mc[0] = desk->plate.mc[1] = 99900;
    turns(desk, 2);

    end_run(desk);
    plate_moves(desk, 3600, -3); /* 1.8 K in a minute */
    assert_int_equal(heard.count[NOTE_WARN], 0);
    assert_int_equal(beeps(desk), 1);
    plate_moves(desk, 1800, 0); /* and at 89 C not at all any more */

    assert_int_equal(heard.count[NOTE_WARN], 1);
    assert_has(heard.text[NOTE_WARN], "does not cool though heat is off: pull the mains plug");
    desk_free(desk);
}

/* On a plate with one sensor, whose run is over at that reading, and whose board sensor is never read again. */
static struct desk *desk_ended_at(int mc)
{
    struct desk *desk = desk_cold();
    struct wire_hello hello = hello_for(190000);

    desk->bench.sensor[SENSOR_PLATE_2].present = false;
    desk->plate.mc[0] = mc;
    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, NULL), 0);
    for (int i = 0; i < 20 && guard_mode(desk->guard) != GUARD_RUNNING; i++)
        period(desk);
    turns(desk, 1);
    end_run(desk);
    desk->plate.mc[2] = -1;
    return desk;
}

static void test_an_only_sensor_that_slips_after_the_run_is_told_of(void **state)
{
    (void)state;
    struct desk *desk = desk_ended_at(150000);

    plate_moves(desk, 120, -1000);
    plate_moves(desk, 50, 0);

    assert_has(guard_trip(desk->guard)->hands, "fell faster than a plate can");
    desk_free(desk);
}

static void test_a_plate_that_cools_in_a_workshop_colder_than_stated_has_not_slipped(void **state)
{
    (void)state;
    struct desk *desk = desk_ended_at(50000);

    plate_moves(desk, 3200, -10); /* by 0.1 K a second, to 18 C: the bench file says 25 C */
    plate_moves(desk, 3000, 0);

    assert_int_equal(desk->plate.mc[0], 18000);
    assert_int_equal(guard_mode(desk->guard), GUARD_COOLING);
    assert_null(strstr(guard_trip(desk->guard)->hands, "fell faster than a plate can"));
    desk_free(desk);
}

static void test_joints_under_a_lost_sensor_are_never_called_solid(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);
    desk->plate.mc[0] = -1;

    turns(desk, 600);

    assert_int_equal(guard_trip(desk->guard)->rule, SENSOR_OPEN);
    assert_has(guard_trip(desk->guard)->hands,
               "The plate last read 150 C; only the plate-2 sensor is read now, 150 C: take it for "
               "hot, pull its mains plug. The joints may be molten: hands off the board.");
    assert_string_equal(heard.text[NOTE_HANDS], guard_trip(desk->guard)->hands);
    assert_int_equal(beeps(desk), 0);
    desk_free(desk);
}

static void test_a_silent_plate_has_only_a_last_reading(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);
    desk->turn.joints = 0;
    turns(desk, 1);
    desk->plate.silent = true;

    turns(desk, 30);

    assert_int_equal(guard_trip(desk->guard)->rule, DEVICE_SILENT);
    assert_string_equal(guard_trip(desk->guard)->hands,
                        "The plate last read 150 C; nothing is read now: take it for hot, pull "
                        "its mains plug.");
    desk_free(desk);
}

/* It answers well, and does not obey. */
static void test_a_plate_that_drives_on_after_a_stop_is_a_fault_and_never_cold(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);
    desk->plate.stuck_duty = 200;
    desk->hand.stop_count++;
    wire_stamp(&desk->hand.head, WIRE_HAND, 1);
    guard_receive(desk->guard, &desk->hand, sizeof desk->hand, desk->t_ms, NULL);
    turns(desk, 2);
    assert_int_equal(guard_trip(desk->guard)->rule, STOP_PRESSED);
    plate_moves(desk, 1200, -100);

    turns(desk, 600);

    assert_int_equal(guard_trip(desk->guard)->rule, HEAT_UNCOMMANDED);
    assert_string_equal(guard_trip(desk->guard)->hands,
                        "Heat was told off, but the plate heats on: pull its mains plug now. The "
                        "joints may be molten: hands off the board.");
    assert_string_equal(heard.text[NOTE_HANDS], guard_trip(desk->guard)->hands);
    assert_int_equal(guard_mode(desk->guard), GUARD_COOLING);
    desk_free(desk);
}

/* The relay is welded behind an instrument that says 0: its own word does not count any more. */
static void test_a_plate_that_warms_unasked_is_told_off_every_second(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);
    end_run(desk);
    plate_moves(desk, 100, 0);
    int offs = desk->plate.offs;

    for (int i = 0; i < 600 && !guard_trip(desk->guard)->tripped; i++)
        plate_moves(desk, 1, 50);
    assert_int_equal(guard_trip(desk->guard)->rule, HEAT_UNCOMMANDED);
    assert_true(desk->plate.mc[0] < 175000);
    assert_has(guard_trip(desk->guard)->hands, "the plate heats on: pull its mains plug now");
    plate_moves(desk, 100, 50);

    assert_true(desk->plate.offs >= offs + 9);
    assert_false(desk->plate.duty);
    desk_free(desk);
}

static void test_a_plate_that_warms_on_after_another_trip_is_told_too(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);
    desk->plate.mc[2] = -1;
    turns(desk, 5);
    assert_int_equal(guard_trip(desk->guard)->rule, SENSOR_OPEN);
    int faults = heard.count[NOTE_FAULT];

    for (int i = 0; i < 600 && heard.count[NOTE_FAULT] == faults; i++)
        plate_moves(desk, 1, 50);

    assert_int_equal(guard_trip(desk->guard)->rule, SENSOR_OPEN); /* the first out is kept */
    assert_int_equal(heard.count[NOTE_FAULT], faults + 1);
    assert_has(heard.text[NOTE_FAULT], "cannot be above");
    assert_has(heard.text[NOTE_HANDS], "the plate heats on: pull its mains plug now");
    desk_free(desk);
}

/* A wet cloth, another cold board: nobody announces them any more. */
static void test_a_plate_that_is_cooled_by_hand_after_the_run_trips_nothing(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);
    end_run(desk);

    plate_moves(desk, 150, -500);
    plate_moves(desk, 100, 0);

    assert_false(guard_trip(desk->guard)->tripped);
    desk_free(desk);
}

static void test_a_recipe_that_fails_says_what_to_do_with_the_hands(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);
    struct wire_end end = {.code = TL_STEP, .text = "on purpose"};

    wire_stamp(&end.head, WIRE_END, 1);
    assert_int_equal(guard_receive(desk->guard, &end, sizeof end, desk->t_ms, NULL), 0);

    assert_has(heard.text[NOTE_HANDS], "hands off until it beeps");
    desk_free(desk);
}

static void test_hands_are_told_again_when_the_joints_are_solid_and_when_all_is_cold(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);
    desk->hand.stop_count++;
    wire_stamp(&desk->hand.head, WIRE_HAND, 1);
    guard_receive(desk->guard, &desk->hand, sizeof desk->hand, desk->t_ms, NULL);
    period(desk);
    assert_has(heard.text[NOTE_HANDS], "hands off until it beeps, about 24 s");

    plate_moves(desk, 250, -100);
    assert_int_equal(heard.count[NOTE_HANDS], 2);
    assert_has(heard.text[NOTE_HANDS], "The joints are solid now. The plate reads 126 C: touch");
    plate_moves(desk, 960, -100);
    for (int i = 0; i < 400 && guard_mode(desk->guard) != GUARD_ENDED; i++)
        period(desk);

    assert_int_equal(guard_mode(desk->guard), GUARD_ENDED);
    assert_int_equal(heard.count[NOTE_HANDS], 3);
    assert_string_equal(heard.text[NOTE_HANDS], "Heat is off. Everything reads below 45 C.");
    desk_free(desk);
}

static void test_an_empty_plate_has_no_joints_to_speak_of(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard_with(&heard, false);
    desk->hand.stop_count++;
    wire_stamp(&desk->hand.head, WIRE_HAND, 1);

    guard_receive(desk->guard, &desk->hand, sizeof desk->hand, desk->t_ms, NULL);
    period(desk);

    assert_string_equal(heard.text[NOTE_HANDS],
                        "Heat is off. The plate reads 150 C: touch nothing on it with bare hands "
                        "before it is below 45 C.");
    assert_int_equal(guard_snapshot(desk->guard)->solid_ms, 0);
    desk_free(desk);
}

static void test_joints_that_are_overdue_are_not_shown_as_solid(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);

    end_run(desk);
    plate_moves(desk, 300, 0); /* the 24 s are over, and nothing has fallen */

    assert_true(guard_snapshot(desk->guard)->solid_ms > 0);
    desk_free(desk);
}

/* A plate of 150 C that a person has set, and a run on it that is stopped. */
static struct desk *desk_by_hand(struct heard *heard, bool stopped)
{
    struct desk *desk = desk_heard_with(heard, true);

    turns(desk, 5);
    desk->hand.stop_count += stopped;
    wire_stamp(&desk->hand.head, WIRE_HAND, 1);
    guard_receive(desk->guard, &desk->hand, sizeof desk->hand, desk->t_ms, NULL);
    turns(desk, 2);
    return desk;
}

static void test_a_plate_that_only_a_hand_switches_is_not_called_off(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_by_hand(&heard, true);

    assert_string_equal(guard_trip(desk->guard)->hands,
                        "Turn the plate off at its own knob now, or pull its mains plug: this "
                        "program cannot switch it off. It reads 150 C.");
    assert_string_equal(heard.text[NOTE_ACT],
                        "turn the plate off at its own knob now, or pull its mains plug: this "
                        "program cannot switch it off; the run is over");
    assert_string_equal(guard_trip(desk->guard)->words.act, heard.text[NOTE_ACT]);
    assert_int_equal(guard_snapshot(desk->guard)->duty_permille, -1); /* nobody knows */
    desk_free(desk);
}

static void test_such_a_plate_that_is_parked_is_not_called_off(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_by_hand(&heard, false);

    desk->hand.parks++;
    guard_receive(desk->guard, &desk->hand, sizeof desk->hand, desk->t_ms, NULL);
    turns(desk, 1);

    assert_string_equal(heard.text[NOTE_STATE], "Parked: the plate stays as its own knob is set.");
    desk_free(desk);
}

static void test_the_alarm_calls_to_such_a_plate_until_it_is_seen_to_cool(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_by_hand(&heard, true);
    int faults = heard.count[NOTE_FAULT];

    plate_moves(desk, 290, 0);
    assert_int_equal(heard.count[NOTE_FAULT], faults);
    plate_moves(desk, 20, 0);
    assert_int_equal(heard.count[NOTE_FAULT], faults + 1);
    assert_string_equal(
        heard.text[NOTE_FAULT],
        "the plate reads 150 C and is not seen to cool, and this program cannot switch "
        "it off: turn it off at its own knob now, or pull its mains plug");
    desk->hand.presence++; /* somebody is there, and does something else */
    guard_receive(desk->guard, &desk->hand, sizeof desk->hand, desk->t_ms, NULL);
    plate_moves(desk, 300, 0);
    assert_int_equal(heard.count[NOTE_FAULT], faults + 2);
    assert_int_equal(heard.count[NOTE_WARN], 0); /* which would call its heat off */
    plate_moves(desk, 600, -60);

    assert_int_equal(heard.count[NOTE_FAULT], faults + 2);
    assert_has(heard.text[NOTE_HANDS],
               "This program cannot switch the plate off: leave its knob at off. The plate reads");
    desk_free(desk);
}

static void test_such_a_plate_that_is_only_turned_down_is_called_to_again(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_by_hand(&heard, true);
    int faults = heard.count[NOTE_FAULT];

    plate_moves(desk, 900, -60); /* to 96 C, and there it stays */
    plate_moves(desk, 5900, 0);
    assert_int_equal(heard.count[NOTE_FAULT], faults);
    plate_moves(desk, 200, 0);

    assert_int_equal(heard.count[NOTE_FAULT], faults + 1);
    assert_has(heard.text[NOTE_FAULT], "reads 96 C and is not seen to cool");
    assert_has(heard.text[NOTE_HANDS], "Turn the plate off at its own knob now");
    desk_free(desk);
}

static void test_such_a_plate_is_called_to_after_a_run_that_is_done(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_by_hand(&heard, false);

    end_run(desk);
    assert_has(heard.text[NOTE_HANDS], "Turn the plate off at its own knob now");
    assert_int_equal(heard.count[NOTE_FAULT], 0);
    plate_moves(desk, 310, 0);

    assert_has(heard.text[NOTE_FAULT], "reads 150 C and is not seen to cool");
    desk_free(desk);
}

static void
test_what_the_knob_is_to_be_at_is_said_again_while_the_plate_goes_elsewhere(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_by_hand(&heard, false);
    assert_string_equal(heard.text[NOTE_STATE],
                        "Set the plate to 172 C at its own knob now. It reads 150 C.");
    uint32_t beeped = beeps(desk);
    turns(desk, 250);
    assert_int_equal(heard.count[NOTE_STATE], 1);
    turns(desk, 60);
    assert_int_equal(heard.count[NOTE_STATE], 2);
    turns(desk, 1);
    assert_int_equal(beeps(desk), beeped + 1);

    desk->turn.heat = 0;
    turns(desk, 15);
    assert_string_equal(heard.text[NOTE_STATE],
                        "Turn the plate off at its own knob now. It reads 150 C.");
    turns(desk, 300);
    assert_int_equal(heard.count[NOTE_STATE], 4);
    for (int i = 0; i < 1000; i++) {
        desk->plate.mc[0] -= 60;
        desk->plate.mc[1] -= 60;
        turns(desk, 1);
    }

    assert_int_equal(heard.count[NOTE_STATE], 4);
    assert_int_equal(beeps(desk), beeped + 3);
    desk_free(desk);
}

static void test_a_plate_that_rises_to_its_limit_is_not_called_off(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);

    turns(desk, 50);
    for (int i = 0; i < 50 && !guard_trip(desk->guard)->tripped; i++) {
        desk->plate.mc[0] +=
            1000; /* faster than any rule needs to see that its heat is not granted */
        desk->plate.mc[1] += 1000;
        turns(desk, 1);
    }

    assert_int_equal(guard_trip(desk->guard)->rule, PLATE_OVER);
    assert_has(guard_trip(desk->guard)->hands,
               "Heat was told off, but the plate is still at its limit: pull the mains plug.");
    desk_free(desk);
}

static void test_hands_stay_off_until_the_joints_are_solid_at_the_latest(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);
    desk->turn.joint[0].solid_ms = 20000;
    desk->turn.joint[0].solid_late_ms = 31000;
    turns(desk, 1);

    end_run(desk);

    assert_has(guard_trip(desk->guard)->hands, "until it beeps, about 31 s.");
    desk_free(desk);
}

static void test_a_wait_of_minutes_is_told_in_minutes(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);
    desk->turn.joint[0].solid_ms = 268000; /* and a fifth: 321.6 s */
    turns(desk, 1);

    end_run(desk);

    assert_has(guard_trip(desk->guard)->hands, "until it beeps, about 5 min 22 s.");
    desk_free(desk);
}

/* ---- a meter ---- */

static void meter_hear(struct fake_line *line, const char *said)
{
    const char *answer = strcmp(said, "*IDN?") == 0       ? "DEMOWORKS,BENCHMETER 60"
                         : strcmp(said, "MEAS:RES?") == 0 ? "+4.217E+01"
                                                          : NULL;
    if (answer && !line->silent)
        line->out_length += (size_t)snprintf(line->out + line->out_length,
                                             sizeof line->out - line->out_length, "%s\n", answer);
}

static enum tl_err refusal_of_a_start_at(int32_t mc)
{
    struct desk *desk = desk_cold();
    struct wire_hello hello = hello_for(190000);
    struct guard_config config = {
        .bench = &desk->bench, .port = {&desk->plate.port}, .armed = true, .rested = true};

    guard_free(desk->guard);
    assert_int_equal(guard_new(&desk->guard, &config, NULL), 0);
    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, NULL), 0);
    desk->plate.mc[0] = desk->plate.mc[1] = desk->plate.mc[2] = mc;
    for (int i = 0; i < 20 && guard_mode(desk->guard) < GUARD_RUNNING; i++)
        period(desk);
    enum tl_err code = guard_refusal(desk->guard)->code;
    assert_int_equal(guard_mode(desk->guard) == GUARD_RUNNING, code == TL_OK);
    desk_free(desk);
    return code;
}

/* 25 C is its room. */
static void test_a_rested_bench_that_reads_no_room_is_refused_without_a_question(void **state)
{
    (void)state;

    assert_int_equal(refusal_of_a_start_at(25000), TL_OK);
    assert_int_equal(refusal_of_a_start_at(32900), TL_OK);
    assert_int_equal(refusal_of_a_start_at(33100), TL_LIMIT);
    assert_int_equal(refusal_of_a_start_at(17100), TL_OK);
    assert_int_equal(refusal_of_a_start_at(16900), TL_LIMIT);
    assert_int_equal(refusal_of_a_start_at(-4000), TL_LIMIT);
}

struct meter_desk {
    struct desk desk;
    struct fake_line meter;
};

/* A recipe that heats, on a bench that has a meter on a port of its own. */
static struct meter_desk *meter_desk_begin(bool uses_meter)
{
    struct meter_desk *desk = calloc(1, sizeof *desk);
    struct wire_hello hello = hello_for(190000);
    struct benchfile *bench = &desk->desk.bench;

    assert_non_null(desk);
    *bench = fake_line_bench();
    bench->device_count = bench->port_count = 2;
    bench->meter_device = 1;
    bench->device[1] = (struct device_config){.kind = DEVICE_SCPI_METER, .port = 1};
    strcpy(bench->device[1].name, "meter");
    strcpy(bench->device[1].identity, "BENCHMETER");
    fake_line_init(&desk->desk.plate);
    fake_line_init(&desk->meter);
    desk->meter.hear = meter_hear;
    struct guard_config config = {
        .bench = bench, .port = {&desk->desk.plate.port, &desk->meter.port}, .armed = true};
    hello.uses_meter = uses_meter;
    assert_int_equal(guard_new(&desk->desk.guard, &config, NULL), 0);
    assert_int_equal(guard_receive(desk->desk.guard, &hello, sizeof hello, 0, NULL), 0);
    desk->desk.turn.rail = -1;
    return desk;
}

static struct meter_desk *meter_desk(bool uses_meter)
{
    struct meter_desk *desk = meter_desk_begin(uses_meter);

    for (int i = 0; i < 20 && guard_mode(desk->desk.guard) != GUARD_RUNNING; i++)
        period(&desk->desk);
    return desk;
}

static void meter_desk_free(struct meter_desk *desk)
{
    guard_free(desk->desk.guard);
    free(desk);
}

static void test_the_meters_port_is_needed_only_where_a_rail_is_measured(void **state)
{
    (void)state;
    struct benchfile bench = fake_line_bench();
    bench.device_count = bench.port_count = 3;
    bench.meter_device = 1;
    bench.device[1] = (struct device_config){.kind = DEVICE_SCPI_METER, .port = 1};
    bench.supply_device = 2;
    bench.device[2] = (struct device_config){.kind = DEVICE_SCPI_SUPPLY, .port = 2};

    for (int bits = 0; bits < 8; bits++) {
        bool need[BENCH_PORTS], heats = bits & 1, measures = bits & 2, feeds = bits & 4;
        struct wire_hello hello = {.uses_meter = measures,
                                   .recipe = {.uses_plate = heats, .uses_supply = feeds}};
        guard_ports_needed(&bench, &hello, need);
        assert_int_equal(need[0], heats);
        assert_int_equal(need[1], measures);
        assert_int_equal(need[2], feeds);
    }
}

static void test_a_recipe_that_heats_reads_the_meter_it_uses(void **state)
{
    (void)state;
    struct meter_desk *desk = meter_desk(true);
    const struct wire_snapshot *s = guard_snapshot(desk->desk.guard);
    assert_int_equal(s->mode, GUARD_RUNNING);
    assert_int_equal(s->meter_kind, METER_NONE);
    assert_int_equal(s->meter_quality, QUALITY_STALE);

    desk->meter.silent = true;
    desk->desk.turn.meter = METER_OHMS;
    turns(&desk->desk, 2);
    assert_int_equal(s->meter_kind, METER_OHMS); /* asked, and not answered yet */
    assert_int_equal(s->meter_quality, QUALITY_STALE);
    desk->meter.silent = false;
    turns(&desk->desk, 40); /* what was asked in vain is given up after 3 s */

    assert_int_equal(s->meter_kind, METER_OHMS);
    assert_int_equal(s->meter_quality, QUALITY_GOOD);
    assert_near(s->meter_value, 42.17, 1e-9);
    meter_desk_free(desk);
}

static void test_a_meter_that_is_not_used_is_not_there(void **state)
{
    (void)state;
    struct meter_desk *desk = meter_desk(false);

    desk->desk.turn.meter = METER_OHMS;
    turns(&desk->desk, 40);

    assert_int_equal(guard_mode(desk->desk.guard), GUARD_RUNNING);
    assert_int_equal(guard_snapshot(desk->desk.guard)->meter_quality, QUALITY_NONE);
    assert_int_equal(desk->meter.in_length, 0);
    meter_desk_free(desk);
}

static void test_a_meter_that_is_used_has_to_be_there_at_the_start(void **state)
{
    (void)state;
    struct meter_desk *desk = meter_desk_begin(true);
    desk->meter.silent = true;

    for (int i = 0; i < 200 && guard_mode(desk->desk.guard) == GUARD_CHECKING; i++)
        period(&desk->desk);

    assert_int_equal(guard_refusal(desk->desk.guard)->code, TL_DEVICE);
    assert_has(guard_refusal(desk->desk.guard)->text, "[meter] no answer within");
    meter_desk_free(desk);
}

/* No heat hangs on it. */
static void test_a_meter_that_falls_silent_or_is_pulled_out_trips_no_heat(void **state)
{
    (void)state;
    for (int pulled = 0; pulled < 2; pulled++) {
        struct meter_desk *desk = meter_desk(true);
        desk->desk.turn.heat = 1;
        desk->desk.turn.temp_mc = 30000;
        desk->desk.plate.mc[0] = desk->desk.plate.mc[1] = desk->desk.plate.mc[2] = 30000;
        desk->desk.turn.meter = METER_OHMS;
        turns(&desk->desk, 10);
        assert_int_equal(guard_snapshot(desk->desk.guard)->meter_quality, QUALITY_GOOD);

        desk->meter.silent = !pulled;
        desk->meter.cut = pulled;
        turns(&desk->desk, 100);

        assert_int_equal(guard_mode(desk->desk.guard), GUARD_RUNNING);
        assert_true(guard_snapshot(desk->desk.guard)->granted_heat);
        assert_int_equal(guard_snapshot(desk->desk.guard)->rule, -1);
        meter_desk_free(desk);
    }
}

/* It keeps nobody: there is nothing of it to switch off, or to wait for. */
static void test_a_meter_is_no_reason_to_stay_when_the_plates_line_is_cut(void **state)
{
    (void)state;
    struct meter_desk *desk = meter_desk(true);
    turns(&desk->desk, 5);
    desk->desk.plate.cut = true;

    turns(&desk->desk, 30);

    assert_true(guard_trip(desk->desk.guard)->tripped);
    assert_int_equal(guard_mode(desk->desk.guard), GUARD_ENDED);
    meter_desk_free(desk);
}

/* ---- a supply ---- */

/* Behind the same port as a line instrument. */
struct fake_supply {
    struct fake_line line;
    bool on;
    int mv, ma, on_ma;
    double off_mv;  /* what stands at its output while that is off, ... */
    bool shows_set; /* ... or it shows its set-point */
    int deaf;       /* so many OFFs are not heard */
    int answers;    /* so many more are given, then it keeps them for itself; -1 = it never does */
};

static void supply_hear(struct fake_line *line, const char *said)
{
    struct fake_supply *fake = (struct fake_supply *)line;
    double value;
    char answer[64] = "";

    if (strcmp(said, "OUTP OFF") == 0) {
        fake->on = fake->on && fake->deaf > 0;
        fake->deaf--;
        line->offs++;
    } else if (strcmp(said, "OUTP ON") == 0)
        fake->on = true;
    else if (sscanf(said, "VOLT %lf", &value) == 1)
        fake->mv = (int)(1000 * value + 0.5);
    else if (sscanf(said, "CURR %lf", &value) == 1)
        fake->ma = (int)(1000 * value + 0.5);
    else if (strcmp(said, "*IDN?") == 0)
        strcpy(answer, "fake,supply,1,1");
    else if (strcmp(said, "SYST:ERR?") == 0)
        strcpy(answer, "0,\"none\"");
    else if (strcmp(said, "OUTP?") == 0)
        strcpy(answer, fake->on ? "1" : "0");
    else if (strcmp(said, "VOLT?") == 0)
        snprintf(answer, sizeof answer, "%.3f", fake->mv / 1e3);
    else if (strcmp(said, "CURR?") == 0)
        snprintf(answer, sizeof answer, "%.3f", fake->ma / 1e3);
    else if (strcmp(said, "MEAS:VOLT?") == 0)
        snprintf(answer, sizeof answer, "%.3f",
                 (fake->on || fake->shows_set ? fake->mv : fake->off_mv) / 1e3);
    else if (strcmp(said, "MEAS:CURR?") == 0)
        snprintf(answer, sizeof answer, "%.3f", fake->on ? fake->on_ma / 1e3 : 0);
    if (!answer[0] || fake->answers == 0 || line->silent)
        return;
    fake->answers -= fake->answers > 0;
    line->out_length += (size_t)snprintf(line->out + line->out_length,
                                         sizeof line->out - line->out_length, "%s\n", answer);
}

struct supply_desk {
    struct desk desk;
    struct fake_supply supply;
    struct heard heard;
};

/* A recipe that uses only the supply, before anything is read. */
static struct supply_desk *supply_desk_begin(bool armed)
{
    struct supply_desk *desk = calloc(1, sizeof *desk);
    struct wire_hello hello = {.recipe.uses_supply = true};
    struct rail_limits rail = {.name = "battery", .mv = 4200, .ma = 1000};

    assert_non_null(desk);
    desk->desk.bench = fake_line_bench();
    desk->desk.bench.plate_device = -1;
    desk->desk.bench.supply_device = 0;
    desk->desk.bench.device[0] = (struct device_config){.kind = DEVICE_SCPI_SUPPLY};
    fake_line_init(&desk->supply.line);
    desk->supply.line.hear = supply_hear;
    desk->supply.on_ma = 50;
    desk->supply.answers = -1;
    struct guard_config config = {.bench = &desk->desk.bench,
                                  .port = {&desk->supply.line.port},
                                  .armed = armed,
                                  .say = hear,
                                  .context = &desk->heard};
    assert_int_equal(guard_new(&desk->desk.guard, &config, NULL), 0);
    hello.board.rail_count = hello.recipe.rail_count = 2;
    hello.board.rail[0] = hello.recipe.rail[0] = rail;
    snprintf(rail.name, sizeof rail.name, "core");
    hello.board.rail[1] = hello.recipe.rail[1] = rail;
    wire_stamp(&hello.head, WIRE_HELLO, 1);
    assert_int_equal(guard_receive(desk->desk.guard, &hello, sizeof hello, 0, NULL), 0);
    desk->desk.turn.rail = -1;
    return desk;
}

/* ... and one that has not asked for power yet. */
static struct supply_desk *supply_desk(void)
{
    struct supply_desk *desk = supply_desk_begin(true);
    for (int i = 0; i < 20 && guard_mode(desk->desk.guard) != GUARD_RUNNING; i++)
        period(&desk->desk);
    turns(&desk->desk, 5);
    assert_int_equal(guard_mode(desk->desk.guard), GUARD_RUNNING);
    return desk;
}

static void supply_desk_free(struct supply_desk *desk)
{
    guard_free(desk->desk.guard);
    free(desk);
}

static void want_power(struct supply_desk *desk)
{
    desk->desk.turn.supply_on = 1;
    desk->desk.turn.rail = 0;
    desk->desk.turn.mv = 4000;
    desk->desk.turn.ma = 300;
}

static void answer_prompt(struct supply_desk *desk, uint32_t prompt, int32_t answer)
{
    struct wire_hand hand = {.prompt = prompt, .answer = answer};
    desk->desk.turn.prompt = prompt;
    turns(&desk->desk, 1);
    wire_stamp(&hand.head, WIRE_HAND, 1);
    assert_int_equal(guard_receive(desk->desk.guard, &hand, sizeof hand, desk->desk.t_ms, NULL), 0);
    turns(&desk->desk, 2);
    desk->desk.turn.prompt = 0;
}

/* Whatever sends its turns: the leads hang on the rail that was fed last. */
static void
test_another_rail_is_fed_only_after_a_person_has_answered_with_the_supply_off(void **state)
{
    (void)state;
    static const struct {
        bool asks, under_power;
        int32_t answer;
        bool fed;
    } cases[] = {
        {false, false, ANSWER_YES, false}, {true, true, ANSWER_YES, false},
        {true, false, ANSWER_NO, false},   {true, false, ANSWER_YES, true},
        {true, false, ANSWER_VALUE, true},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct supply_desk *desk = supply_desk();
        want_power(desk);
        turns(&desk->desk, 5);
        assert_true(desk->supply.on);
        if (cases[i].asks && cases[i].under_power)
            answer_prompt(desk, 1, cases[i].answer);
        desk->desk.turn.supply_on = 0;
        desk->desk.turn.prompt = cases[i].under_power ? 1 : 0; /* the same, left open */
        turns(&desk->desk, 5);
        if (cases[i].asks && !cases[i].under_power)
            answer_prompt(desk, 1, cases[i].answer);

        want_power(desk);
        desk->desk.turn.rail = 1;
        turns(&desk->desk, 5);

        assert_int_equal(desk->supply.on, cases[i].fed);
        assert_int_equal(guard_mode(desk->desk.guard) == GUARD_RUNNING, cases[i].fed);
        supply_desk_free(desk);
    }
}

/* Fed for a second, then told off. */
static struct supply_desk *fed_desk(bool shows_set)
{
    struct supply_desk *desk = supply_desk();
    desk->supply.shows_set = shows_set;
    want_power(desk);
    turns(&desk->desk, 10);
    assert_true(desk->supply.on);
    desk->desk.turn.supply_on = 0;
    turns(&desk->desk, 3);
    assert_false(desk->supply.on);
    return desk;
}

static void test_volts_that_stay_though_the_output_is_off_are_power(void **state)
{
    (void)state;
    struct supply_desk *desk = fed_desk(false);
    desk->supply.off_mv = 500;
    turns(&desk->desk, 300);
    assert_int_equal(guard_mode(desk->desk.guard), GUARD_RUNNING);

    turns(&desk->desk, 30);

    assert_int_equal(guard_trip(desk->desk.guard)->rule, SUPPLY_DISOBEYS);
    assert_has(guard_trip(desk->desk.guard)->words.what, "at 500 mV though it is told to be off");
    supply_desk_free(desk);
}

/* 1000 uF on a megohm; less than half a volt; and a supply that shows its set-point, which off takes back. */
static void test_what_decays_and_what_is_only_shown_is_no_power(void **state)
{
    (void)state;
    struct supply_desk *decays = fed_desk(false), *little = fed_desk(false),
                       *shown = fed_desk(true);
    decays->supply.off_mv = 4000;
    little->supply.off_mv = 499;
    for (int i = 0; i < 3000; i++) {
        turns(&decays->desk, 1);
        turns(&little->desk, 1);
        turns(&shown->desk, 1);
        decays->supply.off_mv *= 1 - 0.1 / 1000;
    }
    assert_int_equal(guard_mode(decays->desk.guard), GUARD_RUNNING);
    assert_int_equal(guard_mode(little->desk.guard), GUARD_RUNNING);
    assert_int_equal(guard_mode(shown->desk.guard), GUARD_RUNNING);
    supply_desk_free(decays);
    supply_desk_free(little);
    supply_desk_free(shown);
}

/* The recipe dies when the supply has given so many more answers to its wish for power. */
static void die_after(struct supply_desk *desk, int answers)
{
    want_power(desk);
    turns(&desk->desk, 1);
    desk->supply.answers = answers;
    guard_begin(desk->desk.guard, desk->desk.t_ms);
    guard_pump(desk->desk.guard, desk->desk.t_ms + 5);
    end_run(&desk->desk);
    guard_pump(desk->desk.guard, desk->desk.t_ms + 6);
    guard_scan(desk->desk.guard, desk->desk.t_ms + 6);
    desk->desk.t_ms += 100;
}

static void test_a_supply_whose_recipe_dies_is_off_and_read_off_before_it_is_over(void **state)
{
    (void)state;
    for (int answers = 0; answers < 7; answers++) {
        struct supply_desk *desk = supply_desk();

        die_after(desk, answers);

        assert_false(desk->supply.on);
        assert_int_equal(guard_mode(desk->desk.guard), GUARD_COOLING);
        desk->supply.answers = -1;
        for (int i = 0; i < 30 && guard_mode(desk->desk.guard) == GUARD_COOLING; i++) {
            period(&desk->desk);
            assert_false(desk->supply.on);
        }
        assert_int_equal(guard_mode(desk->desk.guard), GUARD_ENDED);
        supply_desk_free(desk);
    }
}

/* The answer to the last set-point comes late: on the heels of the end. */
static void test_no_on_follows_the_last_words(void **state)
{
    (void)state;
    struct supply_desk *desk = supply_desk();
    want_power(desk);
    turns(&desk->desk, 1);
    desk->supply.answers = 1; /* VOLT? is answered, CURR? is not yet */
    guard_begin(desk->desk.guard, desk->desk.t_ms);
    guard_pump(desk->desk.guard, desk->desk.t_ms + 5);
    assert_int_equal(desk->supply.ma, 300);

    end_run(&desk->desk);
    desk->supply.answers = -1;
    strcpy(desk->supply.line.out, "0.300\n");
    desk->supply.line.out_length = 6;
    guard_pump(desk->desk.guard, desk->desk.t_ms + 6);

    assert_false(desk->supply.on);
    supply_desk_free(desk);
}

/* Last words, and nothing else. */
static void hear_only_off(struct fake_line *line, const char *said)
{
    (void)line;
    if (said[0] && strcmp(said, "OUTP OFF") != 0 && strcmp(said, "VOLT 0.000") != 0)
        fail_msg("it was told \"%s\"", said);
}

/* Another one may hang there by now: it is asked nothing and driven with nothing. */
static void test_a_supply_that_was_unplugged_is_not_trusted_when_it_comes_back(void **state)
{
    (void)state;
    struct supply_desk *desk = supply_desk();
    want_power(desk);
    turns(&desk->desk, 10);
    assert_true(desk->supply.on);
    desk->supply.line.cut = true;
    turns(&desk->desk, 10);
    assert_int_equal(guard_trip(desk->desk.guard)->rule, DEVICE_SILENT);

    desk->supply.line.cut = false;
    desk->supply.line.hear = hear_only_off;
    turns(&desk->desk, 100);

    assert_int_equal(guard_mode(desk->desk.guard), GUARD_COOLING);
    assert_has(desk->heard.text[NOTE_HANDS], "does not answer: switch it off by hand");
    supply_desk_free(desk);
}

/* A plate and a supply on another port: the run is done, both are off, the plate is warm. */
static struct supply_desk *warm_supply_desk(void)
{
    struct supply_desk *desk = supply_desk_begin(true);
    struct wire_hello hello = hello_for(190000);
    hello.recipe.uses_supply = true;
    guard_free(desk->desk.guard);
    desk->desk.bench = fake_line_bench();
    fake_line_init(&desk->desk.plate);
    desk->desk.plate.mc[0] = desk->desk.plate.mc[1] = 50000;
    desk->desk.bench.device[1] = (struct device_config){.kind = DEVICE_SCPI_SUPPLY, .port = 1};
    desk->desk.bench.device_count = desk->desk.bench.port_count = 2;
    desk->desk.bench.supply_device = 1;
    struct guard_config config = {.bench = &desk->desk.bench,
                                  .port = {&desk->desk.plate.port, &desk->supply.line.port},
                                  .armed = true,
                                  .say = hear,
                                  .context = &desk->heard};
    assert_int_equal(guard_new(&desk->desk.guard, &config, NULL), 0);
    assert_int_equal(guard_receive(desk->desk.guard, &hello, sizeof hello, 0, NULL), 0);
    for (int i = 0; i < 20 && guard_mode(desk->desk.guard) != GUARD_RUNNING; i++)
        period(&desk->desk);
    turns(&desk->desk, 5);
    end_run(&desk->desk);
    plate_moves(&desk->desk, 50, -10);
    assert_int_equal(guard_mode(desk->desk.guard), GUARD_COOLING);
    assert_null(strstr(desk->heard.text[NOTE_HANDS], "supply"));
    return desk;
}

/* Faster than it is told off again each second. */
static void test_a_supply_that_comes_on_after_the_run_is_told_of_at_once(void **state)
{
    (void)state;
    struct supply_desk *desk = warm_supply_desk();

    desk->supply.on = true;
    plate_moves(&desk->desk, 2, -10);
    assert_has(desk->heard.text[NOTE_HANDS], "still reads on: switch it off by hand");
    plate_moves(&desk->desk, 50, -10);

    assert_false(desk->supply.on);
    assert_null(strstr(desk->heard.text[NOTE_HANDS], "supply"));
    supply_desk_free(desk);
}

static void test_a_supply_that_misses_its_off_is_told_again_before_it_is_over(void **state)
{
    (void)state;
    struct supply_desk *desk = supply_desk();
    want_power(desk);
    turns(&desk->desk, 20);
    assert_true(desk->supply.on);
    desk->supply.deaf = 3;

    end_run(&desk->desk);
    for (int i = 0; i < 50 && guard_mode(desk->desk.guard) == GUARD_COOLING; i++)
        period(&desk->desk);

    assert_int_equal(guard_mode(desk->desk.guard), GUARD_ENDED);
    assert_false(desk->supply.on);
    supply_desk_free(desk);
}

static void test_a_supply_that_stays_on_is_never_called_off(void **state)
{
    (void)state;
    struct supply_desk *desk = supply_desk();
    want_power(desk);
    turns(&desk->desk, 20);
    desk->supply.deaf = 1000;

    end_run(&desk->desk);
    assert_null(strstr(guard_trip(desk->desk.guard)->hands, "The supply is off"));
    for (int i = 0; i < 50; i++)
        period(&desk->desk);

    assert_true(desk->supply.on);
    assert_int_equal(guard_mode(desk->desk.guard), GUARD_COOLING);
    assert_has(desk->heard.text[NOTE_HANDS], "still reads on: switch it off by hand");
    supply_desk_free(desk);
}

static void test_what_the_hands_are_told_of_a_supply_goes_when_it_is_off(void **state)
{
    (void)state;
    struct supply_desk *desk = supply_desk();
    want_power(desk);
    turns(&desk->desk, 20);
    desk->supply.deaf = 40;

    end_run(&desk->desk);
    for (int i = 0; i < 30; i++)
        period(&desk->desk);
    assert_has(desk->heard.text[NOTE_HANDS], "still reads on: switch it off by hand");
    for (int i = 0; i < 300 && guard_mode(desk->desk.guard) != GUARD_ENDED; i++)
        period(&desk->desk);

    assert_false(desk->supply.on);
    assert_null(strstr(desk->heard.text[NOTE_HANDS], "by hand"));
    supply_desk_free(desk);
}

static void test_a_sensor_that_is_open_from_the_start_is_an_instrument_missing_no_trip(void **state)
{
    (void)state;
    struct desk *desk = desk_cold();
    struct wire_hello hello = hello_for(190000);
    desk->plate.mc[0] = -1;
    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, NULL), 0);

    for (int i = 0; i < 60; i++)
        period(desk);

    assert_int_equal(guard_refusal(desk->guard)->code, TL_DEVICE);
    assert_has(guard_refusal(desk->guard)->text, "[sensor plate] its thermocouple is open");
    assert_false(guard_trip(desk->guard)->tripped);
    assert_int_equal(guard_mode(desk->guard), GUARD_ENDED);
    assert_true(desk->plate.offs > 0);
    desk_free(desk);
}

static void test_a_stranger_on_the_port_is_refused_with_what_it_answers(void **state)
{
    (void)state;
    struct desk *desk = desk_cold();
    struct wire_hello hello = hello_for(190000);
    struct guard_config config = {
        .bench = &desk->bench, .port = {&desk->plate.port}, .armed = true};
    guard_free(desk->guard);
    strcpy(desk->bench.device[0].identity, "another");
    assert_int_equal(guard_new(&desk->guard, &config, NULL), 0);
    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, NULL), 0);

    for (int i = 0; i < 60; i++)
        period(desk);

    assert_int_equal(guard_refusal(desk->guard)->code, TL_DEVICE);
    assert_has(guard_refusal(desk->guard)->text, "the bench file wants \"another\"");
    desk_free(desk);
}

static void test_nobody_and_a_dead_sensor_are_not_waited_for_for_ever(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    struct guard_watch watch = {.front_gone = true};
    guard_set_watch(desk->guard, &watch);
    turns(desk, 2);
    desk->plate.mc[0] = -1;

    for (int i = 0; i < 2900; i++)
        period(desk);
    assert_int_equal(guard_mode(desk->guard), GUARD_COOLING);
    for (int i = 0; i < 200; i++)
        period(desk);

    assert_int_equal(guard_mode(desk->guard), GUARD_ENDED);
    assert_int_equal(rules[guard_trip(desk->guard)->rule].latch, UNTIL_CLEAR);
    desk_free(desk);
}

static void test_nobody_and_a_dead_sensor_are_waited_for_while_the_plate_is_hot(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    struct guard_watch watch = {.front_gone = true};
    guard_set_watch(desk->guard, &watch);
    turns(desk, 2);
    desk->plate.mc[0] = 80000; /* its relay is welded */
    desk->plate.mc[2] = -1;

    for (int i = 0; i < 3100; i++)
        period(desk);
    assert_int_equal(guard_mode(desk->guard), GUARD_COOLING);
    int offs = desk->plate.offs;
    for (int i = 0; i < 100; i++)
        period(desk);
    assert_true(desk->plate.offs > offs); /* and it is told off on and on */
    desk->plate.mc[0] = 40000;
    for (int i = 0; i < 50; i++)
        period(desk);

    assert_int_equal(guard_mode(desk->guard), GUARD_ENDED);
    desk_free(desk);
}

/* It cannot be read, and says that it drives on; once it says nothing, what it said last counts no more. */
static void test_nobody_and_a_dead_sensor_are_waited_for_while_the_plate_drives(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    struct guard_watch watch = {.front_gone = true};
    guard_set_watch(desk->guard, &watch);
    turns(desk, 2);
    desk->plate.stuck_duty = 200;
    desk->plate.mc[0] = -1;

    for (int i = 0; i < 3200; i++)
        period(desk);
    assert_int_equal(guard_mode(desk->guard), GUARD_COOLING);
    desk->plate.silent = true;
    for (int i = 0; i < 50; i++)
        period(desk);

    assert_int_equal(guard_mode(desk->guard), GUARD_ENDED);
    desk_free(desk);
}

static void test_a_plate_that_rises_again_after_off_is_told_at_any_temperature(void **state)
{
    (void)state;
    struct heard heard;
    struct desk *desk = desk_heard(&heard);
    end_run(desk);
    plate_moves(desk, 201, -500); /* to 49.5 C */

    plate_moves(desk, 100, 20);
    assert_int_equal(heard.count[NOTE_WARN], 0);
    plate_moves(desk, 400, 10);

    assert_int_equal(heard.count[NOTE_WARN], 1);
    assert_has(heard.text[NOTE_WARN], "does not cool though heat is off");
    desk_free(desk);
}

/* ---- hostile peers ---- */

/* splitmix64 (Steele, Lea, Flood, OOPSLA 2014) */
static uint64_t next(uint64_t *seed)
{
    uint64_t z = (*seed += 0x9e3779b97f4a7c15u);
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

static void noise(void *to, size_t size, uint64_t *seed)
{
    for (size_t i = 0; i < size; i++)
        ((uint8_t *)to)[i] = (uint8_t)next(seed);
}

/* A turn that is well formed and asks for all it can get, with one field of noise now and then. */
static void greedy_turn(struct wire_turn *turn, uint64_t *seed)
{
    int32_t *field = &turn->heat;

    *turn = (struct wire_turn){.heat = 1,
                               .temp_mc = (int32_t)(next(seed) % 400000),
                               .ramp_mc_s = (int32_t)(next(seed) % 9000),
                               .fan_pct = (int32_t)(next(seed) % 101),
                               .rail = -1};
    if (next(seed) % 64 == 0)
        field[next(seed) % 10] = (int32_t)next(seed);
    wire_stamp(&turn->head, WIRE_TURN, (uint32_t)next(seed));
}

/* Some message: its bytes in `message`, how many of them are sent. */
static size_t hostile(uint8_t *message, uint64_t *seed)
{
    struct wire_head head;
    size_t size;

    if (next(seed) %
        8) { /* mostly what a greedy recipe would say, so that runs go on for a while */
        greedy_turn((struct wire_turn *)message, seed);
        return sizeof(struct wire_turn);
    }
    wire_stamp(&head, (enum wire_kind)(1 + next(seed) % (WIRE_KINDS - 1)), (uint32_t)next(seed));
    size = wire_size(head.kind);
    noise(message, size, seed);
    if (next(seed) % 2) /* nearly right: mostly nothing, here and there a byte */
        for (size_t i = 0; i < size; i++)
            message[i] = next(seed) % 32 ? 0 : message[i];
    if (next(seed) % 8)
        memcpy(message, &head, sizeof head);
    return next(seed) % 8 ? size : next(seed) % (WIRE_MAX + 1);
}

static void assert_within_limits(const struct wire_snapshot *s, const struct limits *limits)
{
    assert_in_range(s->granted_mc, 0, limits->plate_mc);
    assert_in_range(s->granted_ramp_mc_s, 0, limits->ramp_mc_s);
    assert_in_range(s->granted_fan_pct, 0, 100);
    assert_false(s->granted_supply);
    assert_in_range(s->granted_mc, 0, 250000); /* the bench's, whatever a HELLO said */
    if (!s->granted_heat) {
        assert_int_equal(s->granted_mc, 0);
        assert_int_equal(s->duty_permille, 0);
    }
}

/* One run, until it is over and for a while after that. Returns how many messages it took. */
static int hostile_run(uint64_t *seed, int *heated)
{
    union {
        uint64_t align;
        uint8_t bytes[WIRE_MAX];
    } message;
    bool cold = next(seed) % 16 == 0;
    struct desk *desk = cold ? desk_cold() : desk_heating();
    int sent = 0, offs = desk->plate.offs, after = 0;

    while (after < 40 && sent < 400) {
        size_t size = hostile(message.bytes, seed);
        guard_receive(desk->guard, message.bytes, size, desk->t_ms, NULL);
        sent++;
        period(desk);
        const struct wire_snapshot *s = guard_snapshot(desk->guard);
        assert_within_limits(s, guard_limits(desk->guard));
        *heated += s->granted_heat;
        if (guard_mode(desk->guard) != GUARD_COOLING && guard_mode(desk->guard) != GUARD_ENDED)
            continue;
        after++;
        assert_false(s->granted_heat);
        if (after > 1) /* the next period's request carries what this scan decided */
            assert_int_equal(desk->plate.duty, 0);
    }
    /* A run that a peer broke ends with the bytes that switch everything off; one that it ended is set to 0,
     * and one that never began has no instrument in use. */
    if (guard_trip(desk->guard)->tripped && !cold)
        assert_true(desk->plate.offs > offs);
    desk_free(desk);
    return sent;
}

static void test_no_message_heats_past_a_limit_or_after_the_end(void **state)
{
    (void)state;
    uint64_t seed = 20;
    int sent = 0, heated = 0;

    while (sent < 20000)
        sent += hostile_run(&seed, &heated);
    assert_true(heated > 2000); /* or nothing was put to the test */
}

static void test_whoever_breaks_the_rules_is_answered_with_last_words(void **state)
{
    (void)state;
    uint64_t seed = 7;
    uint8_t bytes[WIRE_MAX];

    for (int i = 0; i < 50; i++) {
        struct desk *desk = desk_heating();
        int offs = desk->plate.offs;
        noise(bytes, sizeof bytes, &seed);

        int status =
            guard_receive(desk->guard, bytes, next(&seed) % sizeof bytes, desk->t_ms, NULL);

        assert_int_equal(status, TL_BAD);
        period(desk);
        assert_true(desk->plate.offs > offs);
        assert_int_equal(desk->plate.duty, 0);
        desk_free(desk);
    }
}

static void test_a_scan_allocates_nothing(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    struct mallinfo2 before = mallinfo2();

    turns(desk, 1000);

    struct mallinfo2 after = mallinfo2();
    assert_int_equal(before.uordblks, after.uordblks);
    desk_free(desk);
}

/* ---- before the first heat ------------------------------------------------------------------ */

/* A guard that asks and tests, on a plate of 600 J/K whose sensors show `coupling` and `coupling_2` of the truth. */
struct arming {
    struct desk *desk;
    double plate_c, coupling, coupling_2;
};

static struct arming arming_begin(double coupling)
{
    struct desk *desk = calloc(1, sizeof *desk);
    struct wire_hello hello = hello_for(190000);

    assert_non_null(desk);
    desk->bench = fake_line_bench();
    desk->bench.limits.ramp_mc_s = 2000;
    fake_line_init(&desk->plate);
    struct guard_config config = {.bench = &desk->bench, .port = {&desk->plate.port}};
    assert_int_equal(guard_new(&desk->guard, &config, NULL), 0);
    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, NULL), 0);
    return (struct arming){desk, 25, coupling, coupling};
}

static void arming_period(struct arming *arming)
{
    struct desk *desk = arming->desk;
    const struct plate *plate = &desk->bench.plate;
    double watts =
        plate->watts * desk->plate.duty / 1000 - plate->loss_w_k * (arming->plate_c - 25);

    arming->plate_c += watts * 0.1 / plate->capacity_j_k;
    desk->plate.mc[0] = (int)(1000 * (25 + arming->coupling * (arming->plate_c - 25)));
    desk->plate.mc[1] = (int)(1000 * (25 + arming->coupling_2 * (arming->plate_c - 25)));
    period(desk);
}

static void answer(struct desk *desk, int32_t said)
{
    wire_stamp(&desk->hand.head, WIRE_HAND, 1);
    desk->hand.prompt = guard_snapshot(desk->guard)->open_note;
    desk->hand.answer = desk->hand.prompt ? said : ANSWER_NONE;
    guard_receive(desk->guard, &desk->hand, sizeof desk->hand, desk->t_ms, NULL);
}

/* Asked after the last question, by when the battery is out. */
static void test_a_board_that_is_fed_before_the_supply_was_on_refuses_the_start(void **state)
{
    (void)state;
    for (int mv = 300; mv <= 301; mv++) {
        struct supply_desk *desk = supply_desk_begin(false);
        desk->supply.off_mv = mv;
        for (int i = 0; i < 20; i++) {
            answer(&desk->desk, ANSWER_YES);
            period(&desk->desk);
        }
        assert_int_equal(guard_refusal(desk->desk.guard)->code, mv > 300 ? TL_LIMIT : TL_OK);
        assert_int_equal(guard_mode(desk->desk.guard) == GUARD_RUNNING, mv == 300);
        if (mv > 300)
            assert_has(guard_refusal(desk->desk.guard)->text,
                       "0.30 V stand at the supply's output, which has not been on");
        supply_desk_free(desk);
    }
}

/* The battery is still in while it is asked for: no trip, however long that takes, and none after the no. */
static void test_a_board_that_is_fed_while_questions_are_asked_trips_nothing(void **state)
{
    (void)state;
    struct supply_desk *desk = supply_desk_begin(false);
    desk->supply.off_mv = 4000;
    for (int i = 0; i < 500; i++)
        period(&desk->desk);
    assert_int_equal(guard_mode(desk->desk.guard), GUARD_CHECKING);
    for (int i = 0; i < 500; i++) {
        answer(&desk->desk, ANSWER_YES);
        period(&desk->desk);
    }
    assert_int_equal(guard_refusal(desk->desk.guard)->code, TL_LIMIT);
    assert_false(guard_trip(desk->desk.guard)->tripped);
    supply_desk_free(desk);
}

static void answer_all(struct arming *arming, int periods)
{
    for (int i = 0; i < periods && guard_mode(arming->desk->guard) != GUARD_RUNNING; i++) {
        answer(arming->desk, ANSWER_YES);
        arming_period(arming);
    }
}

static void test_no_heat_before_every_question_is_answered(void **state)
{
    (void)state;
    struct arming arming = arming_begin(1);

    for (int i = 0; i < 100; i++)
        arming_period(&arming);

    assert_int_equal(guard_mode(arming.desk->guard), GUARD_CHECKING);
    assert_true(guard_snapshot(arming.desk->guard)->open_note & NOTE_GUARD);
    assert_int_equal(arming.desk->plate.duty, 0);
    desk_free(arming.desk);
}

static void test_a_thermocouple_may_be_moved_about_before_the_seat_test(void **state)
{
    (void)state;
    struct arming arming = arming_begin(1);
    struct desk *desk = arming.desk;
    for (int i = 0; i < 10; i++)
        arming_period(&arming);

    for (int i = 0; i < 100; i++) { /* out of warm fingers, onto the plate */
        desk->plate.mc[0] = desk->plate.mc[1] = i < 50 ? 60000 : 25000;
        period(desk);
    }
    assert_int_equal(guard_mode(desk->guard), GUARD_CHECKING);
    answer_all(&arming, 600);

    assert_int_equal(guard_mode(desk->guard), GUARD_RUNNING);
    desk_free(desk);
}

/* "Lift the board" does not stand below "hands off". */
static void test_what_a_recipe_asked_for_is_not_to_be_done_once_its_run_is_over(void **state)
{
    (void)state;
    struct desk *desk = desk_heating();
    desk->turn.prompt = 7;
    turns(desk, 2);
    assert_int_equal(guard_snapshot(desk->guard)->open_note, 7);

    wire_stamp(&desk->hand.head, WIRE_HAND, 1);
    desk->hand.stop_count++;
    guard_receive(desk->guard, &desk->hand, sizeof desk->hand, desk->t_ms, NULL);
    turns(desk, 2);

    assert_int_equal(guard_mode(desk->guard), GUARD_COOLING);
    assert_int_equal(guard_snapshot(desk->guard)->open_note, 0);
    desk_free(desk);
}

static void test_a_question_answered_no_ends_it_cold(void **state)
{
    (void)state;
    struct arming arming = arming_begin(1);
    for (int i = 0; i < 10; i++)
        arming_period(&arming);

    answer(arming.desk, ANSWER_NO);
    arming_period(&arming);
    answer_all(&arming, 100);

    assert_has(guard_refusal(arming.desk->guard)->text, "answered no");
    assert_int_equal(guard_snapshot(arming.desk->guard)->open_note, 0);
    assert_true(arming.plate_c < 25.01);
    desk_free(arming.desk);
}

static void test_a_seated_sensor_passes_the_seat_test(void **state)
{
    (void)state;
    struct arming arming = arming_begin(1);

    answer_all(&arming, 600);

    assert_int_equal(guard_mode(arming.desk->guard), GUARD_RUNNING);
    assert_true(arming.plate_c > 40);
    desk_free(arming.desk);
}

static void test_a_sensor_that_shows_four_fifths_is_refused(void **state)
{
    (void)state;
    struct arming arming = arming_begin(0.80);

    answer_all(&arming, 600);

    assert_has(guard_refusal(arming.desk->guard)->text, "not seated");
    assert_int_equal(arming.desk->plate.duty, 0);
    assert_true(arming.desk->plate.offs > 0);
    desk_free(arming.desk);
}

/* The lowest that a header can state: no duty is left for the pulse, which would never end. */
static void test_a_ramp_that_leaves_no_time_for_the_seat_test_is_refused(void **state)
{
    (void)state;
    struct arming arming = arming_begin(1);
    struct wire_hello hello = hello_for(190000);
    struct guard_config config = {.bench = &arming.desk->bench, .port = {&arming.desk->plate.port}};
    guard_free(arming.desk->guard);
    hello.recipe.ramp_mc_s = 1;
    assert_int_equal(guard_new(&arming.desk->guard, &config, NULL), 0);
    assert_int_equal(guard_receive(arming.desk->guard, &hello, sizeof hello, 0, NULL), 0);

    answer_all(&arming, 200);

    assert_has(guard_refusal(arming.desk->guard)->text, "no seat test");
    assert_int_equal(arming.desk->plate.duty, 0);
    desk_free(arming.desk);
}

/* A port that only has control lines. */
struct lines_port {
    struct port port;
    bool rts;
    int refusals; /* so often from now on its driver refuses to set them */
};

static int lines_set(struct port *port, bool rts, bool dtr)
{
    struct lines_port *lines = (struct lines_port *)port;
    (void)dtr;
    if (lines->refusals > 0) {
        lines->refusals--;
        return TL_SYSTEM;
    }
    lines->rts = rts;
    return 0;
}

static int lines_nothing(struct port *port, void *to, size_t size)
{
    (void)port, (void)to, (void)size;
    return 0;
}

static int lines_take(struct port *port, const void *from, size_t length)
{
    (void)port, (void)from;
    return (int)length;
}

/* ---- the answer contact ---- */

struct contact_port {
    struct port port;
    bool closed;
};

static int contact_feed(struct port *port, bool rts, bool dtr)
{
    (void)port, (void)rts, (void)dtr;
    return 0;
}

static int contact_lines(struct port *port, bool *cts, bool *dsr, bool *dcd)
{
    *cts = *dcd = false;
    *dsr = ((struct contact_port *)port)->closed;
    return 0;
}

static struct contact_port contact_open(void)
{
    static const struct port_ops ops = {.read = lines_nothing,
                                        .write = lines_take,
                                        .close = fake_line_close,
                                        .set_lines = contact_feed,
                                        .get_lines = contact_lines};
    return (struct contact_port){.port = {.ops = &ops, .fd = -1}};
}

/* A guard that may heat, with a contact on DSR beside the plate: that answers, or, closed at first, that stops. */
static struct desk *desk_of_contact(struct contact_port *contact, const struct guard_config *said)
{
    struct desk *desk = desk_cold();
    struct wire_hello hello = hello_for(190000);
    guard_free(desk->guard);
    desk->bench.device[1] = (struct device_config){.kind = DEVICE_INPUTS, .port = 1};
    *(contact->closed ? &desk->bench.device[1].inputs.stop : &desk->bench.device[1].inputs.answer) =
        CONTACT_DSR;
    desk->bench.device_count = desk->bench.port_count = 2;
    desk->bench.inputs_device = 1;
    struct guard_config config = *said;
    config.bench = &desk->bench;
    config.port[0] = &desk->plate.port;
    config.port[1] = &contact->port;
    assert_int_equal(guard_new(&desk->guard, &config, NULL), 0);
    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, NULL), 0);
    desk->turn.rail = -1;
    for (int i = 0; i < 20 && guard_mode(desk->guard) != GUARD_RUNNING; i++)
        period(desk);
    turns(desk, 10);
    return desk;
}

static struct desk *desk_with_contact(struct contact_port *contact, struct journal *journal)
{
    return desk_of_contact(contact, &(struct guard_config){.journal = journal, .armed = true});
}

/* The front's next HAND, which knows nothing of the contact. */
static void hand_over(struct desk *desk)
{
    wire_stamp(&desk->hand.head, WIRE_HAND, guard_snapshot(desk->guard)->head.number);
    guard_receive(desk->guard, &desk->hand, sizeof desk->hand, desk->t_ms, NULL);
}

static void press_contact(struct desk *desk, struct contact_port *contact)
{
    contact->closed = true;
    turns(desk, 3);
    contact->closed = false;
    turns(desk, 3);
    hand_over(desk);
    turns(desk, 1);
}

static void test_the_contact_answers_one_prompt_that_is_a_second_old(void **state)
{
    (void)state;
    struct contact_port contact = contact_open();
    struct desk *desk = desk_with_contact(&contact, NULL);
    desk->turn.prompt = 7;
    turns(desk, 2);

    press_contact(desk, &contact);
    assert_int_equal(guard_snapshot(desk->guard)->answer, ANSWER_NONE);
    turns(desk, 10);
    press_contact(desk, &contact);
    assert_int_equal(guard_snapshot(desk->guard)->answer, ANSWER_YES);
    assert_int_equal(guard_snapshot(desk->guard)->prompt, 7);
    desk->turn.prompt = 8;
    turns(desk, 20);

    assert_int_equal(guard_snapshot(desk->guard)->answer, ANSWER_NONE);
    desk_free(desk);
}

static void test_a_contact_that_is_held_answers_one_prompt(void **state)
{
    (void)state;
    struct contact_port contact = contact_open();
    struct desk *desk = desk_with_contact(&contact, NULL);
    desk->turn.prompt = 7;
    turns(desk, 15);

    contact.closed = true;
    turns(desk, 3);
    assert_int_equal(guard_snapshot(desk->guard)->answer, ANSWER_NONE); /* not yet let go */
    contact.closed = false;
    turns(desk, 3);
    assert_int_equal(guard_snapshot(desk->guard)->answer, ANSWER_YES);
    contact.closed = true; /* held since before the next question */
    turns(desk, 3);
    desk->turn.prompt = 8;
    turns(desk, 30);
    contact.closed = false;
    turns(desk, 3);

    assert_int_equal(guard_snapshot(desk->guard)->answer, ANSWER_NONE);
    desk_free(desk);
}

/* Told, and how often: what holds `said`. */
struct told {
    const char *said;
    int times;
};

static void hear_told(void *context, const struct wire_note *note)
{
    struct told *told = context;
    told->times += strstr(note->text, told->said) != NULL;
}

static void test_a_contact_that_chatters_or_is_stuck_is_told_once(void **state)
{
    (void)state;
    static const struct {
        const char *said;
        int down, up;
    } wires[] = {{"comes and goes by itself", 2, 2}, {"closed for more than 10 s", 140, 5}};

    for (size_t i = 0; i < sizeof wires / sizeof wires[0]; i++) {
        struct contact_port contact = contact_open();
        struct told told = {.said = wires[i].said};
        struct desk *desk = desk_of_contact(
            &contact, &(struct guard_config){.say = hear_told, .context = &told, .armed = true});

        for (int n = 0; n < 500; n++) {
            contact.closed = n % (wires[i].down + wires[i].up) < wires[i].down;
            turns(desk, 1);
        }

        assert_int_equal(told.times, 1);
        assert_int_equal(guard_mode(desk->guard), GUARD_RUNNING);
        desk_free(desk);
    }
}

/* A chafed cable: 200 ms every 6 s, and nothing is asked. It answers nothing afterwards either. */
static void test_a_contact_that_closes_slowly_by_itself_is_nobody(void **state)
{
    (void)state;
    struct contact_port contact = contact_open();
    struct told told = {.said = "comes and goes by itself"};
    struct desk *desk = desk_of_contact(
        &contact, &(struct guard_config){.say = hear_told, .context = &told, .armed = true});
    for (int n = 0; n < 3000; n++) {
        contact.closed = n % 60 < 2;
        turns(desk, 1);
    }
    assert_int_equal(told.times, 1);
    desk->turn.prompt = 7;
    for (int n = 0; n < 120; n++) {
        contact.closed = n % 60 < 2;
        turns(desk, 1);
    }
    assert_int_equal(guard_snapshot(desk->guard)->answer, ANSWER_NONE);
    desk_free(desk);
}

/* Once a minute unasked, and a question now and then, for an hour: a person may. */
static void test_a_person_who_presses_the_contact_once_a_minute_is_somebody(void **state)
{
    (void)state;
    struct contact_port contact = contact_open();
    struct told told = {.said = "comes and goes by itself"};
    struct desk *desk = desk_of_contact(
        &contact, &(struct guard_config){.say = hear_told, .context = &told, .armed = true});
    for (int minute = 0; minute < 60; minute++) {
        press_contact(desk, &contact);
        turns(desk, 593);
    }
    for (uint32_t prompt = 1; prompt < 40; prompt++) {
        desk->turn.prompt = prompt;
        turns(desk, 60);
        press_contact(desk, &contact);
        assert_int_equal(guard_snapshot(desk->guard)->answer, ANSWER_YES);
    }
    assert_int_equal(told.times, 0);
    desk_free(desk);
}

static void test_a_stop_wire_that_flickers_is_told_once(void **state)
{
    (void)state;
    struct contact_port contact = contact_open();
    struct told told = {.said = "Look for a loose wire"};
    contact.closed = true;
    struct desk *desk = desk_of_contact(
        &contact, &(struct guard_config){.say = hear_told, .context = &told, .armed = true});

    for (int n = 0; n < 3; n++) {
        contact.closed = false;
        guard_look(desk->guard, desk->t_ms - 20);
        contact.closed = true;
        guard_look(desk->guard, desk->t_ms - 10);
        turns(desk, 3);
    }

    assert_int_equal(told.times, 1);
    assert_int_equal(guard_mode(desk->guard), GUARD_RUNNING);
    desk_free(desk);
}

static void test_the_contact_answers_nothing_while_parked(void **state)
{
    (void)state;
    struct contact_port contact = contact_open();
    struct desk *desk = desk_with_contact(&contact, NULL);
    desk->turn.prompt = 7;
    desk->hand.parks = 1;
    hand_over(desk);
    turns(desk, 15);
    assert_true(guard_snapshot(desk->guard)->parked);

    press_contact(desk, &contact);
    assert_int_equal(guard_snapshot(desk->guard)->answer, ANSWER_NONE);
    desk->hand.parks = 2;
    hand_over(desk);
    turns(desk, 2);
    assert_int_equal(guard_snapshot(desk->guard)->answer, ANSWER_NONE);
    press_contact(desk, &contact);

    assert_int_equal(guard_snapshot(desk->guard)->answer, ANSWER_YES);
    desk_free(desk);
}

static void test_what_the_contact_answered_is_recorded(void **state)
{
    (void)state;
    static char record[1 << 20];
    int fd = memfd_create("record", MFD_CLOEXEC);
    struct journal *journal;
    assert_int_equal(journal_new(&journal, fd, 0), 0);
    struct contact_port contact = contact_open();
    struct desk *desk = desk_with_contact(&contact, journal);
    desk->turn.prompt = 7;
    turns(desk, 2);

    press_contact(desk, &contact);
    turns(desk, 10);
    press_contact(desk, &contact);

    journal_flush(journal);
    assert_true(pread(fd, record, sizeof record - 1, 0) > 0);
    assert_has(record, "not counted, the question was less than a second old");
    assert_has(record, "Answer contact: yes.");
    assert_has(record, "\"prompt\":7,\"answer\":\"yes\"");
    desk_free(desk);
    journal_free(journal);
    close(fd);
}

/* Every question answered yes; then the person turns the knob, and the reading comes to be this. */
static void set_by_hand(struct desk *desk, int reads_mc)
{
    for (int i = 0; i < 100 && guard_mode(desk->guard) != GUARD_SEATING; i++) {
        answer(desk, ANSWER_YES);
        period(desk);
    }
    for (int i = 0; i < 6100 && guard_mode(desk->guard) == GUARD_SEATING; i++) {
        answer(desk, ANSWER_YES);
        if (i > 10 && desk->plate.mc[0] < reads_mc)
            desk->plate.mc[0] = desk->plate.mc[1] += 100;
        period(desk);
    }
}

static void any_key(struct desk *desk)
{
    desk->hand.presence++;
    wire_stamp(&desk->hand.head, WIRE_HAND, 1);
    guard_receive(desk->guard, &desk->hand, sizeof desk->hand, desk->t_ms, NULL);
}

/* A plate with no port and no cut-off, before its first question. */
static struct desk *desk_to_set(struct heard *heard)
{
    struct desk *desk = desk_cold();
    struct wire_hello hello = hello_for(190000);
    guard_free(desk->guard);
    desk->bench.device[1] = (struct device_config){.kind = DEVICE_BY_HAND, .port = -1};
    desk->bench.device_count = 2;
    desk->bench.plate_device = 1;
    struct guard_config config = {
        .bench = &desk->bench, .port = {&desk->plate.port}, .say = hear, .context = heard};
    assert_int_equal(guard_new(&desk->guard, &config, NULL), 0);
    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, NULL), 0);
    return desk;
}

static void test_a_plate_by_hand_comes_to_read_what_it_was_set_to(void **state)
{
    (void)state;
    static const struct {
        int reads_mc;
        bool seated;
    } knobs[] = {{53000, false}, {57000, true}, {64000, true}, {66000, false}, {25000, false}};
    for (size_t i = 0; i < sizeof knobs / sizeof knobs[0]; i++) {
        struct heard heard = {0};
        struct desk *desk = desk_to_set(&heard);

        set_by_hand(desk, knobs[i].reads_mc);

        if (knobs[i].seated)
            assert_int_equal(guard_mode(desk->guard), GUARD_RUNNING);
        else
            assert_has(guard_refusal(desk->guard)->text, "was set to 60 C and reads");
        struct last_run last;
        struct wire_end end = {.code = 0};
        wire_stamp(&end.head, WIRE_END, 1);
        guard_receive(desk->guard, &end, sizeof end, desk->t_ms, NULL);
        period(desk);
        assert_int_equal(guard_last_run(desk->guard, desk->t_ms, &last), knobs[i].seated);
        if (knobs[i].seated)
            assert_int_equal(last.rise_permille, (knobs[i].reads_mc - 25000) / 35);
        desk_free(desk);
    }
}

/* While it is read its cooling is the answer, and whoever presses a key may have meant something else. */
static void test_a_key_is_a_word_for_a_plate_by_hand_only_once_it_cannot_be_read(void **state)
{
    (void)state;
    struct heard heard = {0};
    struct desk *desk = desk_to_set(&heard);
    set_by_hand(desk, 60000);
    desk->turn = (struct wire_turn){.heat = 1, .temp_mc = 60000, .rail = -1};
    turns(desk, 20);
    end_run(desk);
    turns(desk, 5);
    any_key(desk);
    turns(desk, 5);
    desk->plate.mc[0] = desk->plate.mc[1] = -1;
    turns(desk, 20);
    int faults = heard.count[NOTE_FAULT];

    turns(desk, 650);
    assert_int_equal(heard.count[NOTE_FAULT], faults + 2);
    assert_has(heard.text[NOTE_FAULT], "the plate cannot be read, and this program cannot switch");
    any_key(desk);
    turns(desk, 700);

    assert_int_equal(heard.count[NOTE_FAULT], faults + 2);
    desk_free(desk);
}

/* A plate by hand whose mains go through a cut-off. */
static struct desk *desk_with_cutoff(struct lines_port *mains)
{
    static const struct port_ops ops = {.read = lines_nothing,
                                        .write = lines_take,
                                        .close = fake_line_close,
                                        .set_lines = lines_set};
    struct desk *desk = desk_cold();
    *mains = (struct lines_port){.port = {.ops = &ops, .fd = -1}};
    desk->plate.mc[0] = desk->plate.mc[1] = 50000;
    struct wire_hello hello = hello_for(190000);
    guard_free(desk->guard);
    desk->bench.device[1] = (struct device_config){.kind = DEVICE_BY_HAND, .port = -1};
    desk->bench.device[2] = (struct device_config){
        .kind = DEVICE_CONTACTOR, .port = 1, .contactor = {.is_cutoff = true}};
    desk->bench.device_count = 3;
    desk->bench.port_count = 2;
    desk->bench.plate_device = 1;
    desk->bench.cutoff_device = 2;
    struct guard_config config = {.bench = &desk->bench, .port = {&desk->plate.port, &mains->port}};
    assert_int_equal(guard_new(&desk->guard, &config, NULL), 0);
    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, NULL), 0);
    return desk;
}

static void test_a_cut_off_that_cannot_be_set_trips_and_is_opened_then(void **state)
{
    (void)state;
    struct lines_port mains;
    struct desk *desk = desk_with_cutoff(&mains);
    desk->plate.mc[0] = desk->plate.mc[1] = 25000;
    for (int i = 0; i < 100; i++) {
        answer(desk, ANSWER_YES);
        period(desk);
    }
    set_by_hand(desk, 60000);
    desk->turn = (struct wire_turn){.heat = 1, .temp_mc = 172000, .rail = -1};
    turns(desk, 3);
    assert_true(mains.rts);

    mains.refusals = 1;
    desk->turn = (struct wire_turn){.rail = -1}; /* the recipe wants no heat */
    turns(desk, 3);

    assert_int_equal(guard_trip(desk->guard)->rule, DEVICE_SILENT);
    assert_false(mains.rts);
    desk_free(desk);
}

static void test_a_cut_off_of_a_plate_by_hand_is_closed_only_while_heat_may_be(void **state)
{
    (void)state;
    struct lines_port mains;
    struct desk *desk = desk_with_cutoff(&mains);

    for (int i = 0; i < 30; i++)
        period(desk);
    assert_int_equal(guard_mode(desk->guard), GUARD_CHECKING);
    assert_false(mains.rts);
    for (int i = 0; i < 100; i++) {
        answer(desk, ANSWER_YES);
        period(desk);
    }
    assert_int_equal(guard_mode(desk->guard), GUARD_SEATING); /* it waits until it is cooler */
    assert_false(mains.rts);
    for (int i = 0; i < 4800; i++) /* as such a plate does */
        plate_moves(desk, 1, -(desk->plate.mc[0] - 25000) * 9 / 60000);
    assert_true(mains.rts); /* the knob is asked for: that counts as heat time */
    assert_true(guard_was_hot(desk->guard));
    struct guard_watch watch = {.front_silent_ms = 3000};
    guard_set_watch(desk->guard, &watch);
    for (int i = 0; i < 3; i++)
        period(desk);
    assert_false(mains.rts); /* a pause */
    watch.front_silent_ms = 0;
    guard_set_watch(desk->guard, &watch);
    set_by_hand(desk, 60000);
    assert_int_equal(guard_mode(desk->guard), GUARD_RUNNING);
    desk->turn = (struct wire_turn){.rail = -1};
    turns(desk, 3);
    assert_false(mains.rts); /* the recipe wants no heat */
    desk->turn = (struct wire_turn){.heat = 1, .temp_mc = 172000, .rail = -1};
    turns(desk, 3);
    assert_true(mains.rts);
    desk->hand.parks = 1;
    wire_stamp(&desk->hand.head, WIRE_HAND, 1);
    guard_receive(desk->guard, &desk->hand, sizeof desk->hand, desk->t_ms, NULL);
    turns(desk, 3);
    assert_false(mains.rts);

    desk_free(desk);
}

/* The higher reading, which counts in a run, is right. */
static void test_either_plate_sensor_that_hangs_beside_the_plate_is_refused(void **state)
{
    (void)state;
    struct arming first = arming_begin(1), second = arming_begin(1);
    first.coupling = 0.3;
    second.coupling_2 = 0.3;

    answer_all(&first, 600);
    answer_all(&second, 600);

    assert_has(guard_refusal(first.desk->guard)->text, "the plate sensor's reading");
    assert_has(guard_refusal(second.desk->guard)->text, "the plate-2 sensor's reading");
    desk_free(first.desk);
    desk_free(second.desk);
}

static void
test_a_sensor_the_wrong_way_round_is_refused_before_the_plate_is_15_k_warmer(void **state)
{
    (void)state;
    struct arming first = arming_begin(-1), second = arming_begin(1);
    second.coupling_2 = -1;

    answer_all(&first, 600);
    answer_all(&second, 600);

    assert_has(guard_refusal(first.desk->guard)->text, "the plate sensor's reading falls");
    assert_has(guard_refusal(second.desk->guard)->text, "the plate-2 sensor's reading falls");
    assert_true(first.plate_c < 40 && second.plate_c < 40);
    desk_free(first.desk);
    desk_free(second.desk);
}

/* Where no hand is at a sensor, sensors-disagree asks at any temperature. */
static void test_two_sensors_that_part_in_the_cold_trip_once_the_recipe_is_in_charge(void **state)
{
    (void)state;
    struct arming arming = arming_begin(1);
    struct desk *desk = arming.desk;

    for (int i = 0; i < 100; i++) { /* out of warm fingers */
        desk->plate.mc[0] = 60000;
        period(desk);
    }
    assert_int_equal(guard_mode(desk->guard), GUARD_CHECKING);
    answer_all(&arming, 600);
    assert_int_equal(guard_mode(desk->guard), GUARD_RUNNING);
    for (int i = 0; i < 150; i++) {
        desk->plate.mc[1] -= desk->plate.mc[0] - desk->plate.mc[1] < 16000 ? 200 : 0;
        turns(desk, 1);
    }

    assert_int_equal(guard_trip(desk->guard)->rule, SENSORS_DISAGREE);
    desk_free(desk);
}

static void test_a_rise_that_is_too_steep_is_refused_too(void **state)
{
    (void)state;
    struct arming arming = arming_begin(1.25);

    answer_all(&arming, 600);

    assert_has(guard_refusal(arming.desk->guard)->text, "seat test failed");
    desk_free(arming.desk);
}

/* ---- the person ----------------------------------------------------------------------------- */

static void press(struct desk *desk)
{
    wire_stamp(&desk->hand.head, WIRE_HAND, 1);
    guard_receive(desk->guard, &desk->hand, sizeof desk->hand, desk->t_ms, NULL);
}

static void test_park_lowers_heat_holds_the_timers_and_a_second_press_goes_on(void **state)
{
    (void)state;
    struct desk *desk = desk_cold();
    struct wire_hello hello = hello_for(190000);
    hello.park_mc = 100000;
    desk->plate.mc[0] = desk->plate.mc[1] = 150000;
    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, NULL), 0);
    for (int i = 0; i < 20 && guard_mode(desk->guard) != GUARD_RUNNING; i++)
        period(desk);
    desk->turn = (struct wire_turn){.heat = 1, .temp_mc = 172000, .rail = -1};
    turns(desk, 6);
    desk->hand.parks = 1;
    press(desk);
    turns(desk, 50);
    assert_int_equal(guard_snapshot(desk->guard)->granted_mc, 100000);
    assert_in_range(guard_snapshot(desk->guard)->held_ms, 4800, 5000);
    desk->hand.parks = 2;
    press(desk);
    turns(desk, 5);

    assert_int_equal(guard_snapshot(desk->guard)->granted_mc, 172000);
    desk_free(desk);
}

static void test_park_never_heats_a_plate_up(void **state)
{
    (void)state;
    struct desk *desk = desk_cold();
    struct wire_hello hello = hello_for(190000);
    hello.park_mc = 100000;
    desk->plate.mc[0] = desk->plate.mc[1] = 50000;
    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, NULL), 0);
    for (int i = 0; i < 20 && guard_mode(desk->guard) != GUARD_RUNNING; i++)
        period(desk);
    desk->turn = (struct wire_turn){.heat = 1, .temp_mc = 172000, .rail = -1};
    turns(desk, 5);

    desk->hand.parks = 1;
    press(desk);
    turns(desk, 5);

    assert_int_equal(guard_snapshot(desk->guard)->granted_mc, 50000);
    desk_free(desk);
}

/* Asked, tested, running, and hot. */
static struct desk *desk_hot(void)
{
    struct arming arming = arming_begin(1);
    struct desk *desk = arming.desk;

    answer_all(&arming, 600);
    assert_int_equal(guard_mode(desk->guard), GUARD_RUNNING);
    desk->turn = (struct wire_turn){.heat = 1, .temp_mc = 120000, .rail = -1};
    for (int i = 0; i < 3000 && arming.plate_c < 119.9; i++) {
        wire_stamp(&desk->turn.head, WIRE_TURN, guard_snapshot(desk->guard)->head.number);
        guard_receive(desk->guard, &desk->turn, sizeof desk->turn, desk->t_ms, NULL);
        arming_period(&arming);
    }
    desk->hand.presence++;
    press(desk);
    return desk;
}

static void test_nobody_at_a_hot_plate_ends_the_run_without_a_latch(void **state)
{
    (void)state;
    struct desk *desk = desk_hot();

    turns(desk, 6590);
    assert_int_equal(guard_mode(desk->guard), GUARD_RUNNING);
    turns(desk, 50);

    assert_int_equal(guard_trip(desk->guard)->rule, OPERATOR_AWAY);
    assert_int_equal(rules[OPERATOR_AWAY].latch, THIS_RUN);
    desk_free(desk);
}

static void test_any_key_counts_as_somebody(void **state)
{
    (void)state;
    struct desk *desk = desk_hot();

    for (int minute = 0; minute < 13; minute++) {
        desk->hand.presence++;
        press(desk);
        turns(desk, 600);
    }

    assert_int_equal(guard_mode(desk->guard), GUARD_RUNNING);
    desk_free(desk);
}

static void test_nobody_is_asked_for_once_the_run_is_over(void **state)
{
    (void)state;
    struct desk *desk = desk_hot();
    turns(desk, 10);

    end_run(desk);
    for (int i = 0; i < 7000; i++) /* as such a plate cools */
        plate_moves(desk, 1, -(desk->plate.mc[0] - 25000) * 9 / 60000);

    assert_false(guard_trip(desk->guard)->tripped);
    desk_free(desk);
}

static void test_a_recipe_that_dies_in_the_seat_test_leaves_a_word_for_the_hands(void **state)
{
    (void)state;
    struct heard heard = {0};
    struct arming arming = arming_begin(1);
    struct desk *desk = arming.desk;
    struct wire_hello hello = hello_for(190000);
    struct wire_end end = {.code = TL_KILLED};
    struct guard_config config = {
        .bench = &desk->bench, .port = {&desk->plate.port}, .say = hear, .context = &heard};
    guard_free(desk->guard);
    assert_int_equal(guard_new(&desk->guard, &config, NULL), 0);
    assert_int_equal(guard_receive(desk->guard, &hello, sizeof hello, 0, NULL), 0);
    for (int i = 0; i < 600 && arming.plate_c < 35; i++) {
        answer(desk, ANSWER_YES);
        arming_period(&arming);
    }
    assert_int_equal(guard_mode(desk->guard), GUARD_SEATING);

    wire_stamp(&end.head, WIRE_END, 1);
    assert_int_equal(guard_receive(desk->guard, &end, sizeof end, desk->t_ms, NULL), 0);

    assert_int_equal(heard.count[NOTE_HANDS], 1);
    desk_free(desk);
}

static void test_park_among_the_questions_does_not_start_the_run_parked(void **state)
{
    (void)state;
    struct arming arming = arming_begin(1);
    for (int i = 0; i < 20; i++)
        arming_period(&arming);
    arming.desk->hand.parks = 1;

    answer_all(&arming, 600);
    turns(arming.desk, 2);

    assert_int_equal(guard_mode(arming.desk->guard), GUARD_RUNNING);
    assert_false(guard_snapshot(arming.desk->guard)->parked);
    desk_free(arming.desk);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_mode_and_event_goes_where_the_drawing_says),
        cmocka_unit_test(test_a_hello_is_heard_once),
        cmocka_unit_test(test_no_turn_before_the_hello_and_no_snapshot_ever),
        cmocka_unit_test(test_nothing_is_sent_before_the_hello),
        cmocka_unit_test(test_a_hello_that_asks_for_more_is_refused_with_the_origin),
        cmocka_unit_test(test_an_insert_the_bench_has_not_is_refused),
        cmocka_unit_test(test_wanted_heat_becomes_duty_on_the_wire),
        cmocka_unit_test(test_a_turn_beyond_the_limit_is_cut_to_it),
        cmocka_unit_test(test_an_open_sensor_ends_with_off_on_the_wire_and_stays_off),
        cmocka_unit_test(test_a_sensor_that_flickers_trips_as_what_it_shows_when_it_is_bad),
        cmocka_unit_test(test_an_open_sensor_is_called_open_also_when_scans_come_late),
        cmocka_unit_test(test_the_higher_plate_sensor_counts),
        cmocka_unit_test(test_two_samples_that_step_away_are_no_reading),
        cmocka_unit_test(test_the_third_sample_in_a_row_that_steps_away_is_a_jump),
        cmocka_unit_test(test_a_spike_just_before_it_begins_is_no_reading_to_go_by),
        cmocka_unit_test(test_a_board_s_sensor_may_fall_and_come_back),
        cmocka_unit_test(test_a_step_that_is_repeated_to_the_digit_is_one_sample_for_a_while),
        cmocka_unit_test(test_a_step_clears_no_count_of_an_open_sensor),
        cmocka_unit_test(test_a_board_s_sensor_may_step_only_under_announced_hands),
        cmocka_unit_test(test_hands_widen_nothing_after_twenty_minutes_of_each_kind),
        cmocka_unit_test(test_hands_widen_nothing_after_thirty_minutes_of_all_kinds),
        cmocka_unit_test(test_a_silent_recipe_is_off_within_two_seconds),
        cmocka_unit_test(test_a_recipe_that_asks_for_power_late_is_waited_for),
        cmocka_unit_test(test_a_recipe_that_answers_an_old_snapshot_for_ever_is_silent),
        cmocka_unit_test(test_a_silent_plate_is_a_trip_within_a_second),
        cmocka_unit_test(test_a_cut_line_is_a_trip_at_once),
        cmocka_unit_test(test_a_run_whose_lines_are_all_cut_ends_only_when_nobody_looks_either),
        cmocka_unit_test(test_a_run_that_switched_nothing_on_ends_with_its_lines),
        cmocka_unit_test(test_microvolts_are_never_taken_for_degrees),
        cmocka_unit_test(test_an_instrument_that_was_reset_is_not_driven_again),
        cmocka_unit_test(test_stop_wins_over_everything_in_the_same_scan),
        cmocka_unit_test(test_a_message_of_a_wrong_size_ends_the_run),
        cmocka_unit_test(test_a_second_hello_ends_the_run),
        cmocka_unit_test(test_an_answer_stands_until_its_prompt_closes),
        cmocka_unit_test(test_the_contact_answers_one_prompt_that_is_a_second_old),
        cmocka_unit_test(test_a_contact_that_is_held_answers_one_prompt),
        cmocka_unit_test(test_a_contact_that_chatters_or_is_stuck_is_told_once),
        cmocka_unit_test(test_a_contact_that_closes_slowly_by_itself_is_nobody),
        cmocka_unit_test(test_a_person_who_presses_the_contact_once_a_minute_is_somebody),
        cmocka_unit_test(test_a_stop_wire_that_flickers_is_told_once),
        cmocka_unit_test(test_the_contact_answers_nothing_while_parked),
        cmocka_unit_test(test_what_the_contact_answered_is_recorded),
        cmocka_unit_test(test_the_end_keeps_the_fan_off_until_the_joints_are_solid),
        cmocka_unit_test(test_touch_safe_is_thirty_seconds_below_45_on_every_sensor),
        cmocka_unit_test(test_a_sensor_that_fails_while_cooling_never_counts_as_cold),
        cmocka_unit_test(test_a_warning_begins_with_its_cause_and_again_only_after_it_was_gone),
        cmocka_unit_test(test_only_a_warning_rule_warns),
        cmocka_unit_test(test_the_beep_comes_when_the_joints_are_solid_on_a_plate_that_falls),
        cmocka_unit_test(test_a_plate_that_does_not_cool_is_warned_of_once_and_never_called_solid),
        cmocka_unit_test(test_a_plate_that_cools_late_is_solid_the_whole_time_later),
        cmocka_unit_test(test_a_plate_below_100_need_not_fall_fast_but_has_to_fall),
        cmocka_unit_test(test_an_only_sensor_that_slips_after_the_run_is_told_of),
        cmocka_unit_test(test_a_plate_that_cools_in_a_workshop_colder_than_stated_has_not_slipped),
        cmocka_unit_test(test_joints_under_a_lost_sensor_are_never_called_solid),
        cmocka_unit_test(test_a_silent_plate_has_only_a_last_reading),
        cmocka_unit_test(test_a_plate_that_drives_on_after_a_stop_is_a_fault_and_never_cold),
        cmocka_unit_test(test_a_plate_that_warms_unasked_is_told_off_every_second),
        cmocka_unit_test(test_a_plate_that_warms_on_after_another_trip_is_told_too),
        cmocka_unit_test(test_a_plate_that_is_cooled_by_hand_after_the_run_trips_nothing),
        cmocka_unit_test(test_a_recipe_that_fails_says_what_to_do_with_the_hands),
        cmocka_unit_test(test_hands_are_told_again_when_the_joints_are_solid_and_when_all_is_cold),
        cmocka_unit_test(test_an_empty_plate_has_no_joints_to_speak_of),
        cmocka_unit_test(test_joints_that_are_overdue_are_not_shown_as_solid),
        cmocka_unit_test(test_a_plate_that_only_a_hand_switches_is_not_called_off),
        cmocka_unit_test(test_such_a_plate_that_is_parked_is_not_called_off),
        cmocka_unit_test(test_the_alarm_calls_to_such_a_plate_until_it_is_seen_to_cool),
        cmocka_unit_test(test_such_a_plate_that_is_only_turned_down_is_called_to_again),
        cmocka_unit_test(test_such_a_plate_is_called_to_after_a_run_that_is_done),
        cmocka_unit_test(
            test_what_the_knob_is_to_be_at_is_said_again_while_the_plate_goes_elsewhere),
        cmocka_unit_test(test_a_plate_that_rises_to_its_limit_is_not_called_off),
        cmocka_unit_test(test_hands_stay_off_until_the_joints_are_solid_at_the_latest),
        cmocka_unit_test(test_a_wait_of_minutes_is_told_in_minutes),
        cmocka_unit_test(test_a_rested_bench_that_reads_no_room_is_refused_without_a_question),
        cmocka_unit_test(test_the_meters_port_is_needed_only_where_a_rail_is_measured),
        cmocka_unit_test(test_a_recipe_that_heats_reads_the_meter_it_uses),
        cmocka_unit_test(test_a_meter_that_is_not_used_is_not_there),
        cmocka_unit_test(test_a_meter_that_is_used_has_to_be_there_at_the_start),
        cmocka_unit_test(test_a_meter_that_falls_silent_or_is_pulled_out_trips_no_heat),
        cmocka_unit_test(test_a_meter_is_no_reason_to_stay_when_the_plates_line_is_cut),
        cmocka_unit_test(
            test_another_rail_is_fed_only_after_a_person_has_answered_with_the_supply_off),
        cmocka_unit_test(test_volts_that_stay_though_the_output_is_off_are_power),
        cmocka_unit_test(test_what_decays_and_what_is_only_shown_is_no_power),
        cmocka_unit_test(test_a_board_that_is_fed_before_the_supply_was_on_refuses_the_start),
        cmocka_unit_test(test_a_board_that_is_fed_while_questions_are_asked_trips_nothing),
        cmocka_unit_test(test_a_supply_whose_recipe_dies_is_off_and_read_off_before_it_is_over),
        cmocka_unit_test(test_no_on_follows_the_last_words),
        cmocka_unit_test(test_a_supply_that_was_unplugged_is_not_trusted_when_it_comes_back),
        cmocka_unit_test(test_a_supply_that_comes_on_after_the_run_is_told_of_at_once),
        cmocka_unit_test(test_a_supply_that_misses_its_off_is_told_again_before_it_is_over),
        cmocka_unit_test(test_a_supply_that_stays_on_is_never_called_off),
        cmocka_unit_test(test_what_the_hands_are_told_of_a_supply_goes_when_it_is_off),
        cmocka_unit_test(
            test_a_sensor_that_is_open_from_the_start_is_an_instrument_missing_no_trip),
        cmocka_unit_test(test_a_stranger_on_the_port_is_refused_with_what_it_answers),
        cmocka_unit_test(test_nobody_and_a_dead_sensor_are_not_waited_for_for_ever),
        cmocka_unit_test(test_nobody_and_a_dead_sensor_are_waited_for_while_the_plate_is_hot),
        cmocka_unit_test(test_nobody_and_a_dead_sensor_are_waited_for_while_the_plate_drives),
        cmocka_unit_test(test_a_plate_that_rises_again_after_off_is_told_at_any_temperature),
        cmocka_unit_test(test_nobody_is_asked_for_once_the_run_is_over),
        cmocka_unit_test(test_a_recipe_that_dies_in_the_seat_test_leaves_a_word_for_the_hands),
        cmocka_unit_test(test_park_among_the_questions_does_not_start_the_run_parked),
        cmocka_unit_test(test_no_message_heats_past_a_limit_or_after_the_end),
        cmocka_unit_test(test_whoever_breaks_the_rules_is_answered_with_last_words),
        cmocka_unit_test(test_a_scan_allocates_nothing),
        cmocka_unit_test(test_no_heat_before_every_question_is_answered),
        cmocka_unit_test(test_a_thermocouple_may_be_moved_about_before_the_seat_test),
        cmocka_unit_test(test_what_a_recipe_asked_for_is_not_to_be_done_once_its_run_is_over),
        cmocka_unit_test(test_a_question_answered_no_ends_it_cold),
        cmocka_unit_test(test_a_seated_sensor_passes_the_seat_test),
        cmocka_unit_test(test_a_sensor_that_shows_four_fifths_is_refused),
        cmocka_unit_test(test_a_ramp_that_leaves_no_time_for_the_seat_test_is_refused),
        cmocka_unit_test(test_either_plate_sensor_that_hangs_beside_the_plate_is_refused),
        cmocka_unit_test(test_a_plate_by_hand_comes_to_read_what_it_was_set_to),
        cmocka_unit_test(test_a_key_is_a_word_for_a_plate_by_hand_only_once_it_cannot_be_read),
        cmocka_unit_test(test_a_cut_off_that_cannot_be_set_trips_and_is_opened_then),
        cmocka_unit_test(test_a_cut_off_of_a_plate_by_hand_is_closed_only_while_heat_may_be),
        cmocka_unit_test(
            test_a_sensor_the_wrong_way_round_is_refused_before_the_plate_is_15_k_warmer),
        cmocka_unit_test(test_two_sensors_that_part_in_the_cold_trip_once_the_recipe_is_in_charge),
        cmocka_unit_test(test_a_rise_that_is_too_steep_is_refused_too),
        cmocka_unit_test(test_park_never_heats_a_plate_up),
        cmocka_unit_test(test_park_lowers_heat_holds_the_timers_and_a_second_press_goes_on),
        cmocka_unit_test(test_nobody_at_a_hot_plate_ends_the_run_without_a_latch),
        cmocka_unit_test(test_any_key_counts_as_somebody),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
