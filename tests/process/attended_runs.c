/* SPDX-License-Identifier: MIT */
/* Whole runs with somebody at the bench, or nobody: stay away, park, nudge, start warm, pull the plug, leave early. In
 * real time, each on a bench and in a process of its own, side by side; a test waits for its run and tells how it went. */
#include <glob.h>

#include "whole_run.h"

static struct whole_run w;

/* ---- the bench and what it said ---- */

static void begin_with(const char *bench, const char *recipe)
{
    char path[64];
    snprintf(path, sizeof path, "tests/data/quick/%s.lua", recipe);
    mimic_begin(&w, bench, source(path));
    run_begin(&w, source(path));
}

static void begin(const char *recipe)
{
    begin_with(source("tests/data/quick.ini"), recipe);
}

/* Another run on the same bench, after the last has ended. */
static void begin_again(const char *recipe)
{
    char path[64];
    snprintf(path, sizeof path, "tests/data/quick/%s.lua", recipe);
    close(w.answer_fd);
    close(w.said_fd);
    w.said_length = w.answered = 0;
    w.said[0] = '\0';
    run_begin(&w, source(path));
}

static void listen_for(double seconds)
{
    for (double until_s = now_s() + seconds; now_s() < until_s;)
        run_listen(&w, 50);
}

static void expect_end(int status, double seconds)
{
    int got = run_end(&w, seconds);
    if (got != status)
        fprintf(stderr, "status %d; it said:\n%s\n", got, w.said);
    assert_int_equal(got, status);
}

static void expect_said(const char *text)
{
    if (!strstr(w.said, text))
        fprintf(stderr, "\"%s\" was not said; this was:\n%s\n", text, w.said);
    assert_non_null(strstr(w.said, text));
}

static void expect_unsaid(const char *text)
{
    if (strstr(w.said, text))
        fprintf(stderr, "\"%s\" was said:\n%s\n", text, w.said);
    assert_null(strstr(w.said, text));
}

static bool there(const char *name)
{
    return state_files(&w, name) > 0;
}

static double truth(const char *path)
{
    json_t *told = mimic_ask(&w, "truth");
    double value = value_in(told, path);
    json_decref(told);
    return value;
}

/* All is off and nothing is left running. The caller drops the report. */
static json_t *all_off(void)
{
    json_t *report = mimic_end(&w);
    assert_int_equal(left_over(), 0);
    assert_false(flag_in(report, "heater"));
    assert_false(flag_in(report, "fan"));
    return report;
}

/* The records of this bench, one behind the other. */
static char *records(void)
{
    static char text[1 << 23];
    size_t length = 0;
    char pattern[128];
    glob_t found;
    snprintf(pattern, sizeof pattern, "%s/runs/*.jsonl", w.dir);
    assert_int_equal(glob(pattern, 0, NULL, &found), 0);
    for (size_t i = 0; i < found.gl_pathc; i++) {
        FILE *from = fopen(found.gl_pathv[i], "re");
        assert_non_null(from);
        length += fread(text + length, 1, sizeof text - 1 - length, from);
        fclose(from);
    }
    globfree(&found);
    text[length] = '\0';
    return text;
}

/* ---- the runs ---- */

/* A copy of a bench with a line more below `[bench]`, or a section more at its end, and without the section `without`;
 * NULL: nothing of that. */
static void copy_bench(const char *name, const char *more, const char *without, char path[32])
{
    char line[256];
    bool left_out = false;
    snprintf(path, 32, "/tmp/tinlatch-bench-XXXXXX");
    FILE *from = fopen(source(name), "re"), *to = fdopen(mkstemp(path), "w");
    assert_true(from && to);
    while (fgets(line, sizeof line, from)) {
        if (line[0] == '[')
            left_out = without && strncmp(line, without, strlen(without)) == 0;
        if (!left_out)
            fputs(line, to);
        if (more && more[0] != '[' && strcmp(line, "[bench]\n") == 0)
            fputs(more, to);
    }
    if (more && more[0] == '[')
        fputs(more, to);
    fclose(from);
    fclose(to);
}

static void nobody_is_there(void)
{
    char bench[32];
    copy_bench("tests/data/quick.ini", "presence = 1 min\n", NULL, bench);
    begin_with(bench, "hold");
    run_until(&w, "stage  Hold", 90);
    double from_s = now_s();

    run_until(&w, "Is somebody there?", 90);
    assert_true(flag_now(&w, "heater"));
    run_until(&w, "operator-away", 70);
    assert_true(now_s() - from_s > 60);
    listen_for(0.5);
    assert_false(flag_now(&w, "heater"));

    expect_end(6, 150);
    assert_false(there("latch*"));
    json_decref(all_off());
    unlink(bench);
}

static void somebody_parks(void)
{
    begin("park");
    run_until(&w, "stage  Hold", 90);
    double from_s = now_s();
    listen_for(4);
    double held_c = truth("plate.now_c");

    run_say(&w, "park");
    run_until(&w, "Parked: heat falls", 5);
    listen_for(15);
    assert_false(flag_now(&w, "heater")); /* it falls towards 50 C, by itself */
    double parked_c = truth("plate.now_c");
    assert_true(parked_c < held_c - 1.5 && parked_c > 49);
    run_say(&w, "park");
    run_until(&w, "Going on.", 5);
    run_until(&w, "stage  Cool", 60);

    assert_true(now_s() - from_s > 20 + 15); /* the soak's clock stood still */
    assert_true(now_s() - from_s < 20 + 15 + 10);
    expect_end(0, 150);
    assert_non_null(strstr(records(), "Parked: heat falls"));
    json_t *report = all_off();
    assert_near(value_in(report, "plate.peak_c"), 60, 3);
    json_decref(report);
}

static void somebody_nudges(void)
{
    begin("nudge");
    run_until(&w, "stage  Hold", 90);
    double from_s = now_s();

    run_say(&w, "+\n+\n+");
    run_say(&w, ">");
    listen_for(15); /* longer than it was to hold */
    expect_said("nudge: +6 C in all");
    expect_said("nudge: +30 s in all");
    expect_unsaid("stage  Cool");
    run_say(&w, "+"); /* the target is as high as it may by now */
    listen_for(1);
    expect_said("no nudge: higher than 57 C is too near the plate's limit");
    assert_near(truth("plate.now_c"), 57, 1.5);
    run_say(&w, ">\n>\n>\n>"); /* more than the heat time allows */
    run_until(&w, "stage  Cool", 90);

    assert_true(now_s() - from_s > 10 + 30 + 5);
    expect_end(0, 150); /* no limit was passed */
    expect_unsaid("heat-time-over");
    char *record = records();
    assert_non_null(strstr(record, "\"nudge_mc\":6000"));
    assert_non_null(strstr(record, "\"nudge_ms\":30000"));
    assert_non_null(strstr(record, "\"nudge\":[6000,30000]"));
    json_decref(all_off());
}

static void the_second_run_starts_warm(void)
{
    begin("warm");
    expect_end(0, 150);
    expect_said("Seat test passed");
    assert_true(there("last-run"));

    begin_again("board");
    w.no_to = "touched since then";
    run_until(&w, "stage  Place", 60);
    expect_said("its seat test showed");
    expect_said("nothing on it but the board");
    expect_said("Warm start");
    expect_unsaid("Seat test:");
    assert_false(there("last-run")); /* while it is hot, nothing is known of it */
    assert_true(there("latch.armed-*"));
    expect_end(0, 150);
    assert_true(there("last-run"));

    begin_again("warm");
    w.no_to = NULL; /* yes: it was touched */
    run_until(&w, "Seat test:", 60);
    expect_said("no board on it yet");
    run_say(&w, "stop");
    expect_end(6, 120);
    assert_false(there("last-run")); /* its seat was not proved */

    assert_non_null(strstr(records(), "Warm start"));
    json_decref(all_off());
}

/* Port N of the bench by a name that comes back: a link to whatever terminal it has now. */
static void name_port(size_t n, char link[96])
{
    char text[8192], rest[8192];
    snprintf(link, 96, "%.64s/dev", w.dir);
    mkdir(link, 0700);
    snprintf(link, 96, "%.64s/dev/ttyUSB%zu", w.dir, n);
    json_t *told = mimic_ask(&w, "truth");
    json_t *port = json_array_get(json_object_get(told, "ports"), n);
    const char *path = json_string_value(json_object_get(port, "path"));
    assert_int_equal(symlink(path, link), 0);
    FILE *bench = fopen(w.bench, "r+e");
    assert_non_null(bench);
    text[fread(text, 1, sizeof text - 1, bench)] = '\0';
    char *at = strstr(text, path);
    assert_non_null(at);
    snprintf(rest, sizeof rest, "%s", at + strlen(path));
    *at = '\0';
    rewind(bench);
    fprintf(bench, "%s%s%s", text, link, rest);
    fclose(bench);
    json_decref(told);
}

/* Plugged in again: another terminal by the same name. */
static int come_back(const char *link)
{
    int fd = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
    assert_true(fd >= 0 && grantpt(fd) == 0 && unlockpt(fd) == 0);
    assert_int_equal(unlink(link), 0);
    assert_int_equal(symlink(ptsname(fd), link), 0);
    return fd;
}

static void leave(void)
{
    run_say(&w, "leave");
    listen_for(1);
    run_say(&w, "leave");
}

/* After a trip nobody speaks to what came back; the run ends latched and off. */
static void it_is_trusted_no_more(int back)
{
    char byte;
    assert_true(read(back, &byte, 1) <= 0);
    leave();
    expect_end(3, 10);
    assert_true(there("latch"));
    assert_false(there("last-run"));
    close(back);
    json_decref(all_off());
}

static void the_plate_is_unplugged_and_comes_back(void)
{
    char link[96];
    mimic_begin(&w, source("tests/data/quick.ini"), source("tests/data/quick/hold.lua"));
    name_port(0, link);
    run_begin(&w, source("tests/data/quick/hold.lua"));
    run_until(&w, "stage  Hold", 90);
    listen_for(3);

    mimic_do(&w, "fault usb-unplugged");
    expect_said("dev/ttyUSB0 may be another port after the next plugging in");
    run_until(&w, "device-silent", 5);
    listen_for(2.2); /* the plate's own silence timer */
    assert_false(flag_now(&w, "heater"));
    int back = come_back(link);
    listen_for(3);

    expect_unsaid("safe to touch in"); /* what cannot be read is never cold */
    it_is_trusted_no_more(back);
}

/* It goes on holding its set-point until its own silence timer ends that. */
static void the_controller_is_unplugged_and_comes_back(void)
{
    char bench[32], link[96];
    copy_bench("tests/data/quick-controller.ini", NULL, "[cut-off]", bench);
    mimic_begin(&w, bench, source("tests/data/quick/hold.lua"));
    name_port(0, link);
    run_begin(&w, source("tests/data/quick/hold.lua"));
    run_until(&w, "stage  Hold", 120);
    listen_for(3);

    mimic_do(&w, "unplug 0");
    run_until(&w, "device-silent", 5);
    listen_for(1);
    expect_said("pull its mains plug");
    int back = come_back(link);
    listen_for(3.5);

    assert_false(flag_now(&w, "heater"));
    it_is_trusted_no_more(back);
    unlink(bench);
}

/* The plate, set by hand, is not seen any more: whoever set it is called to it. */
static void the_reader_is_unplugged_and_comes_back(void)
{
    char bench[32], link[96];
    copy_bench("tests/data/quick-hand.ini", NULL, "[cut-off]", bench);
    mimic_begin(&w, bench, source("tests/data/quick/hold.lua"));
    name_port(1, link);
    run_begin(&w, source("tests/data/quick/hold.lua"));
    run_until(&w, "Is it set and switched on?", 90);
    mimic_do(&w, "knob 60");
    run_until(&w, "stage  Hold", 120);
    listen_for(3);

    mimic_do(&w, "unplug 1");
    run_until(&w, "sensor-stale", 5);
    listen_for(1);
    expect_said("nothing is read now: take it for hot, pull its mains plug");
    int back = come_back(link);
    run_until(&w, "the plate cannot be read, and this program cannot switch it off", 35);
    mimic_do(&w, "knob off");

    expect_unsaid("safe to touch in");
    it_is_trusted_no_more(back);
    unlink(bench);
}

/* Nothing that is left can switch it off. */
static void the_supply_is_unplugged_and_comes_back(void)
{
    char link[96];
    mimic_begin(&w, source("tests/data/quick.ini"), source("tests/data/quick/feed.lua"));
    name_port(1, link);
    run_begin(&w, source("tests/data/quick/feed.lua"));
    run_until(&w, "stage  Feed", 60);
    listen_for(3);
    assert_true(flag_now(&w, "supply"));

    mimic_do(&w, "unplug supply");
    run_until(&w, "device-silent", 5);
    int back = come_back(link);
    listen_for(4);

    expect_said("The supply was told off, but does not answer: switch it off by hand");
    it_is_trusted_no_more(back);
}

static const char meter[] = "[meter]\ndriver = scpi-meter\nport = /dev/serial/by-id/"
                            "usb-quick-meter\nidentity = BENCHMETER\n";

/* A run that only heats has the meter read what it wants measured, and does not fall over one that is gone. */
static void the_meter_is_unplugged_while_the_plate_heats(void)
{
    char bench[32];
    copy_bench("tests/data/quick.ini", meter, NULL, bench);
    mimic_begin(&w, bench, source("tests/data/quick/probed.lua"));
    run_begin(&w, source("tests/data/quick/probed.lua"));
    run_until(&w, "stage  Warm", 90);
    expect_said("are the bench meter's probes on it, and held?");
    expect_unsaid("the reading in ohms");

    mimic_do(&w, "unplug meter");
    run_until(&w, "stage  Cool", 60);
    run_until(&w, "The meter does not answer. Again, once it is cold. ohms: from battery", 90);

    expect_end(0, 90);
    expect_unsaid("device-silent");
    assert_false(there("latch*"));
    json_decref(all_off());
    unlink(bench);
}

/* No heat and no rail depends on it: the run goes on, and what it would have read is typed. */
static void the_meter_is_unplugged_and_comes_back(void)
{
    char bench[32], link[96], byte;
    copy_bench("tests/data/quick.ini", meter, NULL, bench);
    mimic_begin(&w, bench, source("tests/data/quick/meter.lua"));
    name_port(2, link);
    run_begin(&w, source("tests/data/quick/meter.lua"));
    run_until(&w, "stage  Between", 60);
    expect_said("are the bench meter's probes on it, and held?");
    expect_unsaid("the reading in ohms");

    mimic_do(&w, "unplug meter");
    listen_for(2);
    int back = come_back(link);
    run_until(&w, "stage  Second", 30);
    run_until(&w, "The meter does not answer. ohms: from battery", 30);

    expect_end(0, 60);
    expect_unsaid("device-silent");
    assert_true(read(back, &byte, 1) <= 0);
    assert_non_null(strstr(records(), "44,9 kohm"));
    assert_false(there("latch*"));
    close(back);
    json_decref(all_off());
    unlink(bench);
}

static void leaving_early_takes_a_second_answer(void)
{
    begin("hold");
    run_until(&w, "stage  Hold", 90);
    listen_for(4);
    run_say(&w, "leave"); /* it runs */
    listen_for(1);
    expect_said("nothing to leave before the run is over");
    run_say(&w, "stop");
    run_until(&w, "mode   cooling", 5);

    run_say(&w, "leave");
    listen_for(2);
    expect_said("wants to leave before it is safe to touch");
    assert_int_equal(waitpid(w.run, NULL, WNOHANG), 0);
    run_say(&w, "yes"); /* is not the word */
    listen_for(2);
    assert_int_equal(waitpid(w.run, NULL, WNOHANG), 0);
    assert_true(truth("plate.now_c") > 46);
    run_say(&w, "leave");

    expect_end(6, 5);
    assert_non_null(strstr(records(), "left before it was touch-safe"));
    assert_false(there("latch*"));
    json_decref(all_off());
}

/* No port, no cut-off: only the hand at its knob switches this plate. It is slow to turn it off. */
static void a_hand_is_slow_at_the_knob(void)
{
    char bench[32];
    copy_bench("tests/data/quick-hand.ini", NULL, "[cut-off]", bench);
    begin_with(bench, "hold");
    run_until(&w, "Is it set and switched on?", 90);
    mimic_do(&w, "knob 60");
    run_until(&w, "stage  Hold", 120);
    listen_for(4);

    run_say(&w, "stop");
    run_until(&w, "this program cannot switch it off", 5);
    size_t told = w.said_length;
    listen_for(35);
    assert_true(truth("plate.now_c") > 55); /* and nothing said that it is off */
    expect_unsaid("Heat is off");
    assert_non_null(strstr(w.said + told, "is not seen to cool"));

    mimic_do(&w, "knob off");
    told = w.said_length;
    listen_for(40);
    assert_null(strstr(w.said + told, "is not seen to cool"));
    leave();
    expect_end(6, 10);
    assert_non_null(strstr(records(), "turn it off at its own knob now"));
    json_decref(all_off());
    unlink(bench);
}

/* ---- side by side ---- */

static struct story {
    void (*run)(void);
    pid_t process;
    FILE *said;
} stories[] = {
    {.run = nobody_is_there},
    {.run = somebody_parks},
    {.run = somebody_nudges},
    {.run = the_second_run_starts_warm},
    {.run = the_plate_is_unplugged_and_comes_back},
    {.run = the_controller_is_unplugged_and_comes_back},
    {.run = the_reader_is_unplugged_and_comes_back},
    {.run = the_supply_is_unplugged_and_comes_back},
    {.run = the_meter_is_unplugged_and_comes_back},
    {.run = the_meter_is_unplugged_while_the_plate_heats},
    {.run = leaving_early_takes_a_second_answer},
    {.run = a_hand_is_slow_at_the_knob},
};
enum { STORIES = sizeof stories / sizeof stories[0] };

_Noreturn static void tell(struct story *story)
{
    void *state = &w;
    dup2(fileno(story->said), 1);
    dup2(fileno(story->said), 2);
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    setenv("CMOCKA_TEST_ABORT", "1", 1); /* a check that fails says so and ends this process */
    w = (struct whole_run){.control_fd = -1, .answer_fd = -1, .said_fd = -1};
    story->run();
    whole_run_teardown(&state);
    exit(0);
}

static void begin_all(void)
{
    for (int i = 0; i < STORIES; i++) {
        stories[i].said = tmpfile();
        stories[i].process = stories[i].said ? fork() : -1;
        if (stories[i].process == 0)
            tell(&stories[i]);
    }
}

static void wait_for(void (*run)(void))
{
    int status = -1;
    char text[4096];
    for (int i = 0; i < STORIES; i++) {
        if (stories[i].run != run)
            continue;
        assert_true(stories[i].process > 0);
        waitpid(stories[i].process, &status, 0);
        if (status == 0)
            return;
        rewind(stories[i].said);
        for (size_t n; (n = fread(text, 1, sizeof text, stories[i].said)) > 0;)
            fwrite(text, 1, n, stderr);
    }
    assert_int_equal(status, 0);
}

static void test_nobody_at_a_hot_plate_is_asked_and_then_it_is_off_without_a_latch(void **state)
{
    (void)state;
    wait_for(nobody_is_there);
}

static void test_parked_the_plate_falls_and_the_clock_of_the_soak_stands_still(void **state)
{
    (void)state;
    wait_for(somebody_parks);
}

static void test_nudges_stay_within_ceiling_and_heat_time_and_are_recorded(void **state)
{
    (void)state;
    wait_for(somebody_nudges);
}

static void test_the_second_run_starts_warm_unless_something_was_touched(void **state)
{
    (void)state;
    wait_for(the_second_run_starts_warm);
}

static void test_a_plate_that_was_unplugged_is_not_trusted_when_it_comes_back(void **state)
{
    (void)state;
    wait_for(the_plate_is_unplugged_and_comes_back);
}

static void test_a_controller_that_was_unplugged_is_not_trusted_when_it_comes_back(void **state)
{
    (void)state;
    wait_for(the_controller_is_unplugged_and_comes_back);
}

static void test_a_reader_that_was_unplugged_is_not_trusted_when_it_comes_back(void **state)
{
    (void)state;
    wait_for(the_reader_is_unplugged_and_comes_back);
}

static void test_a_supply_that_was_unplugged_is_not_trusted_when_it_comes_back(void **state)
{
    (void)state;
    wait_for(the_supply_is_unplugged_and_comes_back);
}

static void test_a_meter_that_was_unplugged_is_not_trusted_when_it_comes_back(void **state)
{
    (void)state;
    wait_for(the_meter_is_unplugged_and_comes_back);
}

static void test_a_run_that_only_heats_uses_the_meter_and_goes_on_without_it(void **state)
{
    (void)state;
    wait_for(the_meter_is_unplugged_while_the_plate_heats);
}

static void test_leaving_a_hot_plate_takes_a_second_answer_and_is_recorded(void **state)
{
    (void)state;
    wait_for(leaving_early_takes_a_second_answer);
}

static void test_a_plate_by_hand_alone_is_called_hot_until_it_is_seen_to_cool(void **state)
{
    (void)state;
    wait_for(a_hand_is_slow_at_the_knob);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_nobody_at_a_hot_plate_is_asked_and_then_it_is_off_without_a_latch),
        cmocka_unit_test(test_parked_the_plate_falls_and_the_clock_of_the_soak_stands_still),
        cmocka_unit_test(test_nudges_stay_within_ceiling_and_heat_time_and_are_recorded),
        cmocka_unit_test(test_the_second_run_starts_warm_unless_something_was_touched),
        cmocka_unit_test(test_a_plate_that_was_unplugged_is_not_trusted_when_it_comes_back),
        cmocka_unit_test(test_a_controller_that_was_unplugged_is_not_trusted_when_it_comes_back),
        cmocka_unit_test(test_a_reader_that_was_unplugged_is_not_trusted_when_it_comes_back),
        cmocka_unit_test(test_a_supply_that_was_unplugged_is_not_trusted_when_it_comes_back),
        cmocka_unit_test(test_a_meter_that_was_unplugged_is_not_trusted_when_it_comes_back),
        cmocka_unit_test(test_a_run_that_only_heats_uses_the_meter_and_goes_on_without_it),
        cmocka_unit_test(test_leaving_a_hot_plate_takes_a_second_answer_and_is_recorded),
        cmocka_unit_test(test_a_plate_by_hand_alone_is_called_hot_until_it_is_seen_to_cool),
    };
    prctl(PR_SET_CHILD_SUBREAPER, 1);
    begin_all();
    cmocka_set_test_filter(getenv("ONLY"));
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    sweep(); /* what a story that failed has left */
    return failed;
}
