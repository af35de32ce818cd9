/* SPDX-License-Identifier: MIT */
#include "check.h"

#include <math.h>
#include <string.h>

#include "tinlatch/trials.h"

static void test_299_draws_without_a_failure_support_99_percent_and_298_do_not(void **state)
{
    (void)state;

    assert_true(trials_safe_share(299) >= 0.99);
    assert_true(trials_safe_share(298) < 0.99);
    assert_true(trials_safe_share(0) == 0);
}

static int fault_named(const char *name)
{
    for (int i = 0; i < world_fault_count; i++)
        if (strcmp(world_faults[i].name, name) == 0)
            return i;
    fail_msg("no fault %s", name);
    return -1;
}

/* A plate that climbs by 1 C a second from 20 C to 180 C and stays; its recipe is over at 600 s. */
static struct run *climb(void)
{
    static struct run run;

    run = (struct run){.recipe_s = 600, .outcome = RUN_DONE, .point_every_s = 1};
    run.limits.plate_mc = 190000;
    for (int i = 0; i < 600; i++) {
        float c = i < 160 ? 20 + (float)i : 180;
        run.point[run.point_count++] =
            (struct run_point){.t_s = (float)i, .plate_c = c, .target_c = 180};
    }
    return &run;
}

static enum trial_verdict verdict_of(const char *fault, double fault_s, const struct run *run,
                                     bool two_sensors)
{
    struct trial trial = {.fault_count = fault ? 1 : 0};

    if (fault)
        trial.fault[0] = (struct trial_fault){fault_named(fault), fault_s};

    trial_judge(&trial, run, (struct trial_bench){two_sensors, true}, true);
    return trial.verdict;
}

static void trip(struct run *run, enum rule_id rule, double at_s)
{
    run->tripped = true;
    run->trip_rule = rule;
    run->trip_s = at_s;
    run->outcome = RUN_TRIPPED;
}

static void test_a_fault_that_a_rule_has_to_see_and_does_not_is_missed(void **state)
{
    struct run *run = climb();
    (void)state;

    assert_int_equal(verdict_of("sensor-open", 100, run, true), TRIAL_MISSED);
    assert_int_equal(verdict_of("sensor-unseated", 1, run, true), TRIAL_MISSED);
    assert_int_equal(verdict_of("sensor-unseated", 590, run, true),
                     TRIAL_UNSEEN); /* no time left */
    assert_int_equal(verdict_of("sensor-shows-80", 300, run, false), TRIAL_UNSEEN);
}

static void test_a_trip_in_time_by_a_rule_of_its_row_is_a_catch_and_no_other_is(void **state)
{
    struct run *run = climb();
    (void)state;

    trip(run, SENSOR_OPEN, 100.4);
    assert_int_equal(verdict_of("sensor-open", 100, run, true), TRIAL_CAUGHT);
    trip(run, SENSOR_OPEN, 104);
    assert_int_equal(verdict_of("sensor-open", 100, run, true), TRIAL_MISSED);
    trip(run, DEVICE_SILENT, 100.4);
    assert_int_equal(verdict_of("sensor-open", 100, run, true), TRIAL_OTHER);
    trip(run, SENSOR_OPEN, 99);
    assert_int_equal(verdict_of("sensor-open", 100, run, true), TRIAL_FALSE);
}

static void test_what_shows_only_by_the_feed_is_not_missed_where_that_is_not_known(void **state)
{
    struct run *run = climb();
    (void)state;

    for (int known = 0; known < 2; known++) {
        struct trial trial = {.fault_count = 1, .fault = {{fault_named("sensor-frozen"), 30}}};
        trial_judge(&trial, run, (struct trial_bench){false, known}, true);
        assert_int_equal(trial.verdict, known ? TRIAL_MISSED : TRIAL_UNSEEN);
    }
}

static void test_heat_that_nobody_asked_for_yet_shows_by_what_it_brings(void **state)
{
    struct run *run = climb();
    (void)state;

    for (int i = 0; i < 100; i++)
        run->point[i].target_c = NAN;
    trip(run, HEAT_UNCOMMANDED, 40); /* 20 K come in 20 s, then it has 20 s */
    assert_int_equal(verdict_of("heater-stuck-on", 1, run, true), TRIAL_CAUGHT);
    trip(run, HEAT_UNCOMMANDED, 45);
    assert_int_equal(verdict_of("heater-stuck-on", 1, run, true), TRIAL_MISSED);
}

static void test_a_trip_on_a_day_like_any_other_is_false(void **state)
{
    struct run *run = climb();
    (void)state;

    assert_int_equal(verdict_of(NULL, 0, run, true), TRIAL_FINE);
    assert_int_equal(verdict_of("draft", 100, run, true), TRIAL_FINE);
    trip(run, SENSOR_UNSEATED, 200);
    assert_int_equal(verdict_of(NULL, 0, run, true), TRIAL_FALSE);
    assert_int_equal(verdict_of("draft", 100, run, true), TRIAL_FALSE);
    assert_int_equal(verdict_of("draft", 300, run, true), TRIAL_FALSE);
}

static void test_a_draw_that_spoils_a_part_has_failed(void **state)
{
    struct run *run = climb();
    (void)state;

    for (int i = 0; i < 4; i++) {
        struct trial trial = {0};
        run->margin_count = 1;
        run->margin[0] = (struct run_margin){
            .limit = "U5 body", .value = 140, .worst = i == 1 ? 140.1 : 140, .layer = -1};
        if (i == 2) /* the plate, over its limit by its sensor's error */
            run->margin[0] =
                (struct run_margin){.limit = "plate, true", .value = 140, .worst = 141};
        trial_judge(&trial, run, (struct trial_bench){true, true}, i == 3);

        assert_int_equal(trial_failed(&trial), i == 1);
        assert_int_equal(trial.outcome, i == 1 ? RUN_FAILED : RUN_DONE);
        if (i == 1)
            assert_string_equal(trial.text, "U5 body: 140.1 C, and it bears 140 C");
    }
}

static void test_the_plate_is_measured_from_the_fault_on(void **state)
{
    struct run *run = climb();
    struct trial trial = {.fault_count = 1, .fault = {{fault_named("heater-stuck-on"), 300}}};
    (void)state;

    run->point[100].plate_c = 230; /* before it */
    run->point[400].plate_c = 200;
    trial_judge(&trial, run, (struct trial_bench){true, true}, true);

    assert_near(trial.over_set_k, 20, 1e-6);
    assert_near(trial.over_ceiling_k, 10, 1e-6);
}

/* What every bench has every day, or what strikes later, is no reason to. */
static void test_a_start_that_is_refused_for_a_fault_has_caught_it(void **state)
{
    struct run *run = climb();
    (void)state;

    run->outcome = RUN_DEVICE;
    run->duration_s = 3;

    assert_int_equal(verdict_of("usb-unplugged", 0, run, true), TRIAL_CAUGHT);
    assert_int_equal(verdict_of("usb-unplugged", 4, run, true), TRIAL_FAILED);
    assert_int_equal(verdict_of("wet-swab", 0, run, true), TRIAL_FAILED);
    assert_int_equal(verdict_of(NULL, 0, run, true), TRIAL_FAILED);

    run->outcome = RUN_REFUSED;

    assert_int_equal(verdict_of("cold-junction-lost", 0.2, run, true), TRIAL_CAUGHT);
    assert_int_equal(verdict_of("wet-swab", 0, run, true), TRIAL_FAILED);
    assert_int_equal(verdict_of(NULL, 0, run, true), TRIAL_FAILED);
}

static enum trial_verdict verdict_of_two(const char *first, const char *second, double second_s,
                                         const struct run *run, bool two_sensors)
{
    struct trial trial = {.fault_count = 2,
                          .fault = {{fault_named(first), 100}, {fault_named(second), second_s}}};

    trial_judge(&trial, run, (struct trial_bench){two_sensors, true}, true);
    return trial.verdict;
}

static void test_of_two_faults_each_has_to_be_seen_by_whatever_rule(void **state)
{
    struct run *run = climb();
    (void)state;

    assert_int_equal(verdict_of_two("sensor-open", "draft", 500, run, true), TRIAL_MISSED);
    assert_int_equal(verdict_of_two("draft", "sensor-open", 500, run, true), TRIAL_MISSED);
    assert_int_equal(verdict_of_two("board-short", "draft", 500, run, true), TRIAL_FINE);
    trip(run, DEVICE_SILENT, 300.4);
    assert_int_equal(verdict_of_two("board-short", "sensor-open", 300, run, true), TRIAL_CAUGHT);
    assert_int_equal(verdict_of_two("board-short", "sensor-open", 290, run, true), TRIAL_MISSED);
    assert_int_equal(verdict_of_two("sensor-open", "board-short", 300, run, true), TRIAL_MISSED);
    trip(run, SENSOR_OPEN, 100.4);
    assert_int_equal(verdict_of_two("sensor-open", "device-silent", 500, run, true), TRIAL_CAUGHT);
}

static void test_a_reading_that_stands_still_hides_what_only_a_reading_shows(void **state)
{
    struct run *run = climb();
    (void)state;

    for (int i = 100; i < 600; i++)
        run->point[i].plate_c = run->point[i].target_c = 120;
    for (int two = 0; two < 2; two++) {
        assert_int_equal(verdict_of_two("sensor-frozen", "sensor-noise", 200, run, two),
                         TRIAL_UNSEEN);
        assert_int_equal(verdict_of_two("sensor-frozen", "sensor-open", 200, run, two),
                         TRIAL_MISSED);
    }
    trip(run, SENSOR_FROZEN, 500);
    assert_int_equal(verdict_of_two("sensor-noise", "sensor-frozen", 100.3, run, true),
                     TRIAL_CAUGHT);
}

static void test_a_plates_only_reading_that_stands_still_hides_that_it_warms(void **state)
{
    struct run *run = climb();
    (void)state;

    for (int i = 0; i < 600; i++)
        run->point[i].target_c = 90;
    assert_int_equal(verdict_of_two("heater-stuck-on", "sensor-frozen", 103, run, false),
                     TRIAL_UNSEEN);
    trip(run, HEAT_UNCOMMANDED, 600);
    assert_int_equal(verdict_of_two("heater-stuck-on", "sensor-frozen", 103, run, false),
                     TRIAL_CAUGHT);
    assert_int_equal(verdict_of_two("heater-stuck-on", "sensor-open", 103, run, false),
                     TRIAL_MISSED);
    assert_int_equal(verdict_of_two("heater-stuck-on", "sensor-frozen", 103, run, true),
                     TRIAL_MISSED);
}

static void test_a_cold_junction_that_drifts_moves_what_stood_still(void **state)
{
    struct run *run = climb();
    (void)state;

    trip(run, HEAT_UNCOMMANDED, 500);
    for (int two = 0; two < 2; two++) {
        enum trial_verdict missed = two ? TRIAL_MISSED : TRIAL_CAUGHT;
        assert_int_equal(verdict_of_two("sensor-frozen", "cold-junction-drifts", 100.3, run, two),
                         missed);
        assert_int_equal(verdict_of_two("cold-junction-drifts", "sensor-frozen", 100.3, run, two),
                         missed);
        assert_int_equal(verdict_of_two("sensor-frozen", "sensor-drift", 100.3, run, two),
                         TRIAL_MISSED);
    }
}

static void test_what_another_took_the_place_of_in_time_is_not_missed(void **state)
{
    struct run *run = climb();
    (void)state;

    trip(run, SENSOR_UNSEATED, 102);
    for (int two = 0; two < 2; two++) {
        assert_int_equal(verdict_of_two("sensor-shorted", "sensor-unseated", 100.2, run, two),
                         TRIAL_CAUGHT);
        assert_int_equal(verdict_of_two("sensor-open", "sensor-shorted", 100.2, run, two),
                         TRIAL_CAUGHT);
        assert_int_equal(verdict_of_two("sensor-open", "sensor-shorted", 101.2, run, two),
                         TRIAL_MISSED); /* its time was over */
        assert_int_equal(verdict_of_two("sensor-open", "sensor-reversed", 100.2, run, two),
                         TRIAL_MISSED); /* open it stays */
    }
    trip(run, SENSOR_UNSEATED, 130);
    for (int two = 0; two < 2; two++)
        assert_int_equal(verdict_of_two("sensor-shorted", "sensor-open", 100.2, run, two),
                         TRIAL_MISSED); /* by the later one's time */
    trip(run, SENSORS_DISAGREE, 130);
    assert_int_equal(verdict_of_two("sensor-shows-40", "sensor-shows-80", 110, run, true),
                     TRIAL_CAUGHT);
    assert_int_equal(verdict_of_two("sensor-shows-40", "sensor-on-rail", 110, run, true),
                     TRIAL_MISSED);
}

static void test_a_recipe_that_hangs_when_it_is_over_is_not_missed(void **state)
{
    struct run *run = climb();
    (void)state;

    run->recipe_s = 150;
    trip(run, HEAT_UNCOMMANDED, 500);
    assert_int_equal(verdict_of_two("sensor-frozen", "recipe-hang", 160, run, true), TRIAL_MISSED);
    assert_int_equal(verdict_of_two("board-short", "recipe-hang", 149, run, true), TRIAL_CAUGHT);
    assert_int_equal(verdict_of_two("board-short", "recipe-hang", 140, run, true), TRIAL_MISSED);
}

static void test_of_two_faults_a_trip_is_false_before_either_breaks_anything(void **state)
{
    struct run *run = climb();
    (void)state;

    trip(run, SENSOR_OPEN, 99);
    assert_int_equal(verdict_of_two("sensor-open", "board-short", 300, run, true), TRIAL_FALSE);
    trip(run, SENSOR_UNSEATED, 300);
    assert_int_equal(verdict_of_two("draft", "sensor-open", 400, run, true), TRIAL_FALSE);
    assert_int_equal(verdict_of_two("draft", "desk-fan", 200, run, true), TRIAL_FALSE);
}

static void test_of_two_faults_no_plate_with_two_sensors_runs_away_unseen(void **state)
{
    struct run *run = climb();
    (void)state;

    for (int i = 300; i < 330; i++)
        run->point[i].plate_c = 201;
    assert_int_equal(verdict_of_two("board-short", "supply-drifts", 200, run, false), TRIAL_UNSEEN);
    assert_int_equal(verdict_of_two("board-short", "supply-drifts", 200, run, true), TRIAL_MISSED);
    trip(run, SENSOR_UNSEATED, 315);
    assert_int_equal(verdict_of_two("board-short", "supply-drifts", 200, run, true), TRIAL_CAUGHT);
}

static bool is_rule(const char *id, size_t length)
{
    for (int i = 0; i < RULES; i++)
        if (strlen(rules[i].id) == length && strncmp(rules[i].id, id, length) == 0)
            return true;
    return false;
}

static void check_sight(const char *name, const struct world_sight *sight)
{
    bool judged = sight->when != SIGHT_NEVER && sight->when != SIGHT_CALM;

    if (judged && !(sight->within_s > 0 && sight->by))
        fail_msg("%s: seen by whom, within which time?", name);
    for (const char *at = sight->by; at && *at;) {
        size_t length = strcspn(at, " ");
        if (!is_rule(at, length))
            fail_msg("%s: no rule %.*s", name, (int)length, at);
        at += length + (at[length] == ' ');
    }
}

static void test_every_fault_names_rules_that_are_there_and_a_time(void **state)
{
    (void)state;

    for (int i = 0; i < world_fault_count; i++) {
        check_sight(world_faults[i].name, &world_faults[i].two);
        check_sight(world_faults[i].name, &world_faults[i].one);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_299_draws_without_a_failure_support_99_percent_and_298_do_not),
        cmocka_unit_test(test_a_fault_that_a_rule_has_to_see_and_does_not_is_missed),
        cmocka_unit_test(test_a_trip_in_time_by_a_rule_of_its_row_is_a_catch_and_no_other_is),
        cmocka_unit_test(test_what_shows_only_by_the_feed_is_not_missed_where_that_is_not_known),
        cmocka_unit_test(test_heat_that_nobody_asked_for_yet_shows_by_what_it_brings),
        cmocka_unit_test(test_a_trip_on_a_day_like_any_other_is_false),
        cmocka_unit_test(test_a_draw_that_spoils_a_part_has_failed),
        cmocka_unit_test(test_the_plate_is_measured_from_the_fault_on),
        cmocka_unit_test(test_a_start_that_is_refused_for_a_fault_has_caught_it),
        cmocka_unit_test(test_of_two_faults_each_has_to_be_seen_by_whatever_rule),
        cmocka_unit_test(test_a_reading_that_stands_still_hides_what_only_a_reading_shows),
        cmocka_unit_test(test_a_plates_only_reading_that_stands_still_hides_that_it_warms),
        cmocka_unit_test(test_a_cold_junction_that_drifts_moves_what_stood_still),
        cmocka_unit_test(test_what_another_took_the_place_of_in_time_is_not_missed),
        cmocka_unit_test(test_a_recipe_that_hangs_when_it_is_over_is_not_missed),
        cmocka_unit_test(test_of_two_faults_a_trip_is_false_before_either_breaks_anything),
        cmocka_unit_test(test_of_two_faults_no_plate_with_two_sensors_runs_away_unseen),
        cmocka_unit_test(test_every_fault_names_rules_that_are_there_and_a_time),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
