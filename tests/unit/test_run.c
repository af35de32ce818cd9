/* SPDX-License-Identifier: MIT */
#include "check.h"

#include "tinlatch/run.h"

static struct run run; /* large; each test begins by clearing it */

static void begin(void **state)
{
    (void)state;
    run = (struct run){.point_every_s = 1};
}

static void add_point(double t_s)
{
    const struct run_point point = {.t_s = (float)t_s, .plate_c = (float)(t_s / 2)};
    run_add_point(&run, &point);
}

static void test_outcomes_are_the_exit_status_and_have_names(void **state)
{
    (void)state;
    const char *const names[] = {"done",    "failed", "invalid", "tripped",
                                 "refused", "device", "stopped"};
    for (int i = 0; i < OUTCOMES; i++)
        assert_string_equal(outcome_name((enum outcome)i), names[i]);
    assert_int_equal(RUN_STOPPED, 6);
    assert_string_equal(outcome_name(OUTCOMES), "?");
    assert_string_equal(outcome_name((enum outcome)77), "?");
}

static void test_points_closer_than_the_spacing_are_left_out(void **state)
{
    begin(state);

    for (int i = 0; i <= 100; i++)
        add_point(i * 0.1);

    assert_int_equal(run.point_count, 11);
    assert_near((double)run.point[10].t_s, 10, 1e-5);
}

static void test_a_full_curve_keeps_every_second_point_and_doubles_its_spacing(void **state)
{
    begin(state);

    for (int t_s = 0; t_s <= RUN_CURVE; t_s++)
        add_point(t_s);

    assert_near(run.point_every_s, 2, 0);
    assert_int_equal(run.point_count, RUN_CURVE / 2 + 1);
    for (int i = 0; i < run.point_count; i++)
        assert_near((double)run.point[i].t_s, 2.0 * i, 0);
}

static void test_a_curve_of_any_length_fits_begins_at_the_start_and_ends_near_the_end(void **state)
{
    begin(state);
    run.point_every_s = 0.1;

    for (int i = 0; i <= 200000; i++)
        add_point(i * 0.1);

    assert_true(run.point_count <= RUN_CURVE && run.point_count >= RUN_CURVE / 2);
    assert_near((double)run.point[0].t_s, 0, 0);
    assert_near((double)run.point[run.point_count - 1].t_s, 20000, run.point_every_s);
    for (int i = 1; i < run.point_count; i++)
        assert_near((double)(run.point[i].t_s - run.point[i - 1].t_s), run.point_every_s, 0.01);
}

static void test_events_keep_what_came_first_and_count_the_rest(void **state)
{
    begin(state);
    char text[400];
    memset(text, 'x', sizeof text);
    text[sizeof text - 1] = '\0';

    for (int i = 0; i < RUN_EVENTS + 5; i++)
        run_add_event(&run, i, i + 1, "stage, a kind that is too long", i ? text : "Preheat");

    assert_int_equal(run.event_count, RUN_EVENTS);
    assert_int_equal(run.events_lost, 5);
    assert_string_equal(run.event[0].text, "Preheat");
    assert_string_equal(run.event[0].kind, "stage, a ki");
    assert_int_equal(run.event[7].line, 8);
    assert_int_equal(strlen(run.event[1].text), sizeof run.event[1].text - 1);
}

static void test_warnings_keep_what_came_first_and_count_the_rest(void **state)
{
    begin(state);

    for (int i = 0; i < RUN_WARNINGS + 2; i++)
        run_add_warning(&run, "warning %d of %s", i, "many");

    assert_int_equal(run.warning_count, RUN_WARNINGS);
    assert_int_equal(run.warnings_lost, 2);
    assert_string_equal(run.warning[0], "warning 0 of many");
    assert_string_equal(run.warning[RUN_WARNINGS - 1], "warning 7 of many");
}

static void test_a_long_warning_is_cut_between_characters(void **state)
{
    begin(state);
    char text[1000];
    for (size_t i = 0; i + 3 <= sizeof text; i += 3)
        memcpy(text + i, "\xe2\x82\xac", 3);
    text[999] = '\0';

    run_add_warning(&run, "x%s", text);

    assert_int_equal((strlen(run.warning[0]) - 1) % 3, 0);
    assert_true(strlen(run.warning[0]) > BENCH_TEXT - 4);
}

static void add_margin(const char *limit, double value, double worst)
{
    struct run_margin *margin = &run.margin[run.margin_count++];
    snprintf(margin->limit, sizeof margin->limit, "%s", limit);
    margin->value = value;
    margin->worst = worst;
}

static void test_margins_are_sorted_the_tightest_first_and_the_unknown_last(void **state)
{
    begin(state);
    add_margin("unknown", 200, NAN);
    add_margin("plate", 190, 175);
    add_margin("ramp", 2.5, 2.45);
    add_margin("broken", 240, 246);
    add_margin("heat time", 900, 300);
    add_margin("ramp again", 5, 4.9); /* as tight as ramp: stays behind it */
    add_margin("no limit", 0, 0);

    run_sort_margins(&run);

    const char *const order[] = {"broken",    "ramp",    "ramp again", "plate",
                                 "heat time", "unknown", "no limit"};
    for (int i = 0; i < 7; i++)
        assert_string_equal(run.margin[i].limit, order[i]);
}

/* Which margins a run has that saw something of everything, each name followed by a blank. */
static const char *margins_of(bool plate, bool board, const struct run_extremes *seen)
{
    static char names[RUN_MARGINS * sizeof run.margin[0].limit];
    run.limits = (struct limits){.uses_plate = plate, .has_board = board, .heat_time_ms = 900000};
    run.margin_count = 0;
    run_add_margins(&run, seen);
    names[0] = '\0';
    for (int i = 0; i < run.margin_count; i++) {
        strcat(names, run.margin[i].limit);
        strcat(names, "; ");
    }
    return names;
}

static void test_margins_are_those_of_what_a_run_used_and_saw(void **state)
{
    begin(state);
    const struct run_extremes all = {180, 150, 2, 4, 1, 0.5, 2, 40, 600000};
    const struct run_extremes heat = {180, NAN, 2, NAN, NAN, NAN, NAN, NAN, 600000};

    assert_string_equal(
        margins_of(true, true, &all),
        "plate; board; ramp; heat time; supply volts; supply amps; injection volts; "
        "injection amps; board while fed; ");
    assert_near(run.margin[3].worst, 300, 1e-9);
    assert_near(run.margin[3].value, 900, 1e-9);
    assert_int_equal(run.margin[3].unit, UNIT_TIME);
    assert_string_equal(margins_of(true, false, &heat), "plate; ramp; heat time; ");
    assert_string_equal(margins_of(false, false, &heat), "");
    for (int i = 0; i < RUN_MARGINS + 1; i++)
        run_add_margin(&run, "plate", LIMIT_plate_mc, 100);
    assert_int_equal(run.margin_count, RUN_MARGINS);
}

/* A joint's places told as text, piece by piece. */
static const char *told(const struct run_heat *heat, size_t size)
{
    static char all[16384];
    char piece[64];
    int from = 0;
    all[0] = '\0';
    while (run_heat_tell(heat, &from, piece, size)) {
        strcat(all, piece);
        strcat(all, "|");
    }
    return all;
}

static void test_a_melt_map_is_of_the_first_joint_along_an_edge_else_of_the_first(void **state)
{
    (void)state;
    static struct run_heat heat;
    heat = (struct run_heat){.places = 3};
    heat.place[0] = (struct run_place){4, 3, 10, 10, 1, NAN};
    heat.place[1] = (struct run_place){5, 3, 10, 10, 1, NAN};
    heat.place[2] = (struct run_place){6, 3, 10, 10, 1, NAN};

    assert_int_equal(run_heat_joint(&heat), 4);
    heat.place[2].y_mm = 0;
    assert_int_equal(run_heat_joint(&heat), 6);
    heat.place[1].x_mm = 0;
    assert_int_equal(run_heat_joint(&heat), 5);
    heat.places = 0;
    assert_int_equal(run_heat_joint(&heat), -1);
}

static void test_a_melt_map_is_told_place_by_place_in_pieces_that_fit(void **state)
{
    (void)state;
    static struct run_heat heat;
    heat = (struct run_heat){.joint = "frame", .length_mm = {60, 0}, .width_mm = {40, 0}};

    assert_string_equal(told(&heat, 64), "");
    heat.places = 5;
    for (int i = 0; i < 5; i++)
        heat.place[i] = (struct run_place){i == 2, 3, (float)i, 0, 100, NAN};
    heat.place[3].melts_s = NAN;
    assert_string_equal(told(&heat, 64),
                        "60.0 40.0 frame|0.0 0.0 100.00 3;1.0 0.0 100.00 3;3.0 0.0 - 3;"
                        "4.0 0.0 100.00 3;|");
    /* A piece ends before the place that would not fit with its end. */
    assert_string_equal(
        told(&heat, 35),
        "60.0 40.0 frame|0.0 0.0 100.00 3;1.0 0.0 100.00 3;|3.0 0.0 - 3;4.0 0.0 100.00 3;|");
    assert_string_equal(
        told(&heat, 34),
        "60.0 40.0 frame|0.0 0.0 100.00 3;|1.0 0.0 100.00 3;3.0 0.0 - 3;|4.0 0.0 100.00 3;|");
    /* Of many places every second, third ... so that some two hundred are told. */
    heat.places = 900;
    for (int i = 0; i < 900; i++)
        heat.place[i] = (struct run_place){0, 3, (float)i, 0, 100, NAN};
    const char *text = told(&heat, 64);
    int places = 0;
    for (const char *at = text; (at = strchr(at, ';')); at++)
        places++;
    assert_int_equal(places, 180); /* every fifth */
    assert_non_null(strstr(text, "5.0 0.0 100.00 3;"));
    assert_null(strstr(text, "|4.0 0.0 100.00 3;"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_outcomes_are_the_exit_status_and_have_names),
        cmocka_unit_test(test_points_closer_than_the_spacing_are_left_out),
        cmocka_unit_test(test_a_full_curve_keeps_every_second_point_and_doubles_its_spacing),
        cmocka_unit_test(test_a_curve_of_any_length_fits_begins_at_the_start_and_ends_near_the_end),
        cmocka_unit_test(test_events_keep_what_came_first_and_count_the_rest),
        cmocka_unit_test(test_warnings_keep_what_came_first_and_count_the_rest),
        cmocka_unit_test(test_a_long_warning_is_cut_between_characters),
        cmocka_unit_test(test_margins_are_those_of_what_a_run_used_and_saw),
        cmocka_unit_test(test_a_melt_map_is_of_the_first_joint_along_an_edge_else_of_the_first),
        cmocka_unit_test(test_a_melt_map_is_told_place_by_place_in_pieces_that_fit),
        cmocka_unit_test(test_margins_are_sorted_the_tightest_first_and_the_unknown_last),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
