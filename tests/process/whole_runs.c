/* SPDX-License-Identifier: MIT */
/* Whole runs of `tinlatch run` against the emulated bench, in real time. */
#include "whole_run.h"

#include <glob.h>

static struct whole_run w;

static void begin(void **state, const char *name)
{
    char path[64];
    *state = &w;
    snprintf(path, sizeof path, "tests/data/quick/%s.lua", name);
    mimic_begin(&w, source("tests/data/quick.ini"), source(path));
    run_begin(&w, source(path));
}

static bool latched(void)
{
    char path[96];
    snprintf(path, sizeof path, "%s/latch", w.dir);
    return access(path, F_OK) == 0;
}

/* On the real clock too the interlock decides the same again. */
static void assert_records_verify(void)
{
    char command[512];
    snprintf(command, sizeof command, "TINLATCH_HOME='%s' '%s' runs verify >'%s/verified'", w.dir,
             getenv("TINLATCH"), w.dir);
    int status = system(command);
    if (status != 0)
        fprintf(stderr, "see %s/verified\n", w.dir);
    assert_int_equal(status, 0);
}

/* The run is over with `status`; all is off, nothing is left running. Drops the report unless it is wanted. */
static json_t *ended(int status, double seconds)
{
    int got = run_end(&w, seconds);
    if (got != status)
        fprintf(stderr, "status %d; it said:\n%s\n", got, w.said);
    assert_int_equal(got, status);
    json_t *report = mimic_end(&w);
    assert_int_equal(left_over(), 0);
    assert_records_verify();
    assert_false(flag_in(report, "heater"));
    assert_false(flag_in(report, "fan"));
    assert_false(flag_in(report, "supply"));
    return report;
}

/* The record's first line. */
static void assert_begins_with(const char *text)
{
    char pattern[96], line[1024] = "";
    glob_t found;
    snprintf(pattern, sizeof pattern, "%s/runs/*.jsonl", w.dir);
    assert_int_equal(glob(pattern, 0, NULL, &found), 0);
    FILE *record = fopen(found.gl_pathv[0], "re");
    globfree(&found);
    assert_non_null(record);
    assert_non_null(fgets(line, sizeof line, record));
    fclose(record);
    assert_has(line, text);
}

/* What the rehearsal before the run foresaw is in the record, and so is the board's heat cycle. */
static void assert_foreseen(void)
{
    char command[256];
    snprintf(command, sizeof command,
             "grep -q '\"name\":\"forecast\",\"text\":\"[0-9]' '%s'/runs/*.jsonl && "
             "grep -q '\"name\":\"heat cycle\".*\"value\":1,' '%s'/runs/*.jsonl",
             w.dir, w.dir);
    assert_int_equal(system(command), 0);
}

static void test_a_run_is_done(void **state)
{
    begin(state, "warm");

    json_t *report = ended(0, 150);

    assert_near(value_in(report, "plate.peak_c"), 60, 3);
    assert_true(value_in(report, "plate.now_c") < 46);
    assert_has(w.said, "Seat test passed");
    assert_has(w.said, "end    done");
    assert_begins_with("\"sha256\":\"");
    assert_begins_with("\"seed\":1,\"wall_s\":");
    assert_foreseen();
    assert_false(latched());
    json_decref(report);
}

static void test_a_recipe_that_fails_with_the_heat_on_leaves_it_off(void **state)
{
    begin(state, "fails");

    json_t *report = ended(1, 150);

    assert_true(value_in(report, "plate.peak_c") < 62);
    assert_has(w.said, "warn   the rehearsal on this bench ended as failed");
    assert_has(w.said, "fault  the recipe failed: on purpose");
    assert_null(strstr(w.said, "#        on purpose"));
    json_decref(report);
}

static void test_a_run_on_the_supply_alone_leaves_the_plate_alone(void **state)
{
    begin(state, "supply");

    json_t *report = ended(0, 60);

    json_t *plate = json_array_get(json_object_get(report, "ports"), 0);
    assert_near(json_number_value(json_object_get(plate, "heard")), 0, 0);
    assert_true(value_in(report, "outputs.supply.on_s") > 1);
    json_decref(report);
}

/* Of `tinlatch report`; line ends do not count. */
static void assert_page_has(const char *options, const char *text)
{
    char command[512];
    snprintf(command, sizeof command,
             "cd '%s' && rm -f *.html && TINLATCH_HOME='%s' '%s' report last %s >page && "
             "cat *.html | tr -d '\\n' | grep -qF '%s'",
             w.dir, w.dir, getenv("TINLATCH"), options, text);
    assert_int_equal(system(command), 0);
}

static void test_what_was_measured_before_is_measured_again_after(void **state)
{
    begin(state, "measured");

    json_decref(ended(0, 60));

    assert_page_has("", "<td>battery</td><td class=\"n\">44.9 kΩ</td><td class=\"n\">–</td>"
                        "<td class=\"n\">44.1 kΩ</td><td class=\"n\">-1.8 %</td>");
    assert_page_has("--customer", "<td>battery diode</td><td class=\"n\">418 mV</td>"
                                  "<td class=\"n\">412 mV</td><td class=\"n\">-1.4 %</td>");
    assert_page_has("--customer", "<td>battery idle</td><td class=\"n\">38 mA</td>"
                                  "<td class=\"n\">–</td>");
    assert_page_has("--customer", "battery idle was not measured again afterwards");
}

static void test_a_broken_sensor_trips_and_latches(void **state)
{
    begin(state, "hold");
    run_until(&w, "stage  Hold", 90);
    nap_ms(3000);

    mimic_do(&w, "fault sensor-open");
    nap_ms(1000);
    assert_false(flag_now(&w, "heater"));
    run_until(&w, "sensor-open", 5);

    assert_true(latched());
}

static void test_stop_is_off_at_once(void **state)
{
    begin(state, "hold");
    run_until(&w, "stage  Hold", 90);
    nap_ms(2000);

    run_say(&w, "stop");
    nap_ms(600);
    assert_false(flag_now(&w, "heater"));

    json_decref(ended(6, 120));
    assert_false(latched());
}

/* The front's first child. */
static pid_t recipe_of(pid_t front)
{
    char path[64];
    long pid = 0;
    snprintf(path, sizeof path, "/proc/%d/task/%d/children", (int)front, (int)front);
    FILE *from = fopen(path, "re");
    assert_non_null(from);
    assert_int_equal(fscanf(from, "%ld", &pid), 1);
    fclose(from);
    return (pid_t)pid;
}

static void test_a_recipe_that_sleeps_before_it_asks_for_heat_is_waited_for(void **state)
{
    begin(state, "hold");
    run_until(&w, "Seat test: ", 60);
    pid_t recipe = recipe_of(w.run);
    kill(recipe, SIGSTOP);
    run_until(&w, "Seat test passed", 60);
    nap_ms(4000); /* twice what a silence may last with heat on */

    kill(recipe, SIGCONT);
    run_until(&w, "stage  Hold", 5);
    run_say(&w, "stop");

    json_decref(ended(6, 120));
    assert_false(latched());
}

int main(void)
{
#define HERE(test) cmocka_unit_test_teardown(test, whole_run_teardown)
    const struct CMUnitTest tests[] = {
        HERE(test_a_run_is_done),
        HERE(test_a_recipe_that_fails_with_the_heat_on_leaves_it_off),
        HERE(test_a_run_on_the_supply_alone_leaves_the_plate_alone),
        HERE(test_what_was_measured_before_is_measured_again_after),
        HERE(test_a_broken_sensor_trips_and_latches),
        HERE(test_stop_is_off_at_once),
        HERE(test_a_recipe_that_sleeps_before_it_asks_for_heat_is_waited_for),
    };
    cmocka_set_test_filter(getenv("ONLY"));
    return cmocka_run_group_tests(tests, NULL, NULL);
}
