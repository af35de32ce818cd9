/* SPDX-License-Identifier: MIT */
/* A plate behind two contactors, its heater's relay and a cut-off, and a stop contact, all on control lines:
 * whole runs with the real guard, over libserialport, on the emulated bench (tests/support/pty_as_port.c). */
#include "whole_run.h"

static struct whole_run w;

/* The run's processes open the emulated bench's terminals as ports; nothing else does. */
static void begin(void **state, const char *bench)
{
    const char *preload = getenv("PTY_PRELOAD");
    assert_non_null(preload);
    *state = &w;
    mimic_begin(&w, source(bench), source("tests/data/quick/hold.lua"));
    setenv("LD_PRELOAD", preload, 1);
    setenv("ASAN_OPTIONS", "verify_asan_link_order=0", 1);
    setenv("PTY_AS_PORT", w.dir, 1);
    run_begin(&w, source("tests/data/quick/hold.lua"));
    unsetenv("LD_PRELOAD");
    unsetenv("PTY_AS_PORT");
}

static bool is_set(const char *instrument, const char *line)
{
    char command[64];
    snprintf(command, sizeof command, "lines %s", instrument);
    json_t *lines = mimic_ask(&w, command);
    bool set = value_in(lines, line) > 0;
    json_decref(lines);
    return set;
}

static bool relay_is_closed(void)
{
    return is_set("plate", "rts");
}

static bool cutoff_is_closed(void)
{
    return is_set("cut-off", "dtr");
}

/* The seat test: heat is on through both. */
static void heat_up(void **state)
{
    begin(state, "tests/data/quick-contactor.ini");
    run_until(&w, "Seat test: ", 60);
    for (double until_s = now_s() + 5; !flag_now(&w, "heater"); run_listen(&w, 20))
        assert_true(now_s() < until_s);
    assert_true(relay_is_closed() && cutoff_is_closed());
}

static void assert_all_dropped(void)
{
    assert_false(flag_now(&w, "heater"));
    assert_false(relay_is_closed());
    assert_false(cutoff_is_closed());
}

/* The nth child of a process in the order of their birth. */
static pid_t child_of(pid_t parent, int which)
{
    char path[64];
    int pid = 0;
    snprintf(path, sizeof path, "/proc/%d/task/%d/children", (int)parent, (int)parent);
    FILE *from = fopen(path, "re");
    assert_non_null(from);
    for (int i = 0; i <= which; i++)
        assert_int_equal(fscanf(from, "%d", &pid), 1);
    fclose(from);
    return pid;
}

static pid_t keeper(void)
{
    return child_of(w.run, 1); /* the recipe is the first */
}

static void
test_the_port_is_opened_as_the_bench_file_says_and_drops_its_lines_at_the_end(void **state)
{
    char path[128], mode[128] = "";
    begin(state, "tests/data/quick-controller.ini");
    run_until(&w, "checking", 20);

    json_t *truth = mimic_ask(&w, "truth");
    json_t *port = json_array_get(json_object_get(truth, "ports"), 0);
    const char *number = strrchr(json_string_value(json_object_get(port, "path")), '/');
    snprintf(path, sizeof path, "%s%s.mode", w.dir, number);
    json_decref(truth);

    FILE *from = fopen(path, "re");
    assert_true(from && fgets(mode, sizeof mode, from));
    fclose(from);
    assert_string_equal(mode, "baud=115200 parity=E hupcl=1 vmin=1\n");
}

/* The kernel raises both lines of a port that is opened: the relay must not wait for the other ports. */
static void test_a_relay_is_dropped_before_the_next_port_is_opened(void **state)
{
    char path[96], line[64];
    int relay, reader, number, rts, dtr;
    begin(state, "tests/data/quick-contactor.ini");
    run_until(&w, "checking", 20);
    json_t *truth = mimic_ask(&w, "truth");
    json_t *ports = json_object_get(truth, "ports");
    relay = atoi(
        strrchr(json_string_value(json_object_get(json_array_get(ports, 0), "path")), '/') + 1);
    reader = atoi(
        strrchr(json_string_value(json_object_get(json_array_get(ports, 1), "path")), '/') + 1);
    json_decref(truth);

    snprintf(path, sizeof path, "%s/order", w.dir);
    FILE *from = fopen(path, "re");
    assert_non_null(from);
    bool dropped = false;
    while (fgets(line, sizeof line, from) &&
           sscanf(line, "%d rts=%d dtr=%d", &number, &rts, &dtr) == 3 && number != reader)
        dropped = number == relay && rts == 0;
    fclose(from);
    assert_int_equal(number, reader);
    assert_true(dropped);
}

static void test_both_drop_when_the_guard_is_killed(void **state)
{
    heat_up(state);

    kill(child_of(keeper(), 1), SIGKILL); /* the scribe is the first */
    nap_ms(500);

    assert_all_dropped();
    run_end(&w, 20);
    assert_all_dropped();
    json_decref(mimic_end(&w));
    assert_int_equal(left_over(), 0);
}

/* Nobody is left who could say anything: the lines drop because the last holder of the port is gone. */
static void test_both_drop_when_keeper_and_guard_die_together(void **state)
{
    heat_up(state);
    pid_t of_guard = child_of(keeper(), 1), of_keeper = keeper();

    kill(of_keeper, SIGSTOP); /* so that it has no last word */
    kill(of_guard, SIGKILL);
    kill(of_keeper, SIGKILL);
    nap_ms(500);

    assert_all_dropped();
}

static void test_a_cut_wire_of_the_stop_contact_stops(void **state)
{
    heat_up(state);

    mimic_do(&w, "stop 1");
    nap_ms(500);

    assert_all_dropped();
    run_until(&w, "stop-pressed", 5);
    mimic_do(&w, "stop 0"); /* mended: nothing comes back */
    nap_ms(1000);
    assert_all_dropped();
}

/* A foot taps; whatever part of a period it falls into. */
static void test_a_tap_on_the_stop_contact_stops(void **state)
{
    heat_up(state);

    mimic_do(&w, "stop 1");
    nap_ms(60);
    mimic_do(&w, "stop 0");
    nap_ms(500);

    assert_all_dropped();
    run_until(&w, "stop-pressed", 5);
}

static void test_a_trip_opens_the_cut_off(void **state)
{
    heat_up(state);

    mimic_do(&w,
             "fault heater-stuck-on"); /* the relay's contact is welded: only the cut-off helps */
    mimic_do(&w, "fault sensor-open");
    run_until(&w, "sensor-open", 10);
    nap_ms(500);

    assert_all_dropped();
}

int main(void)
{
#define HERE(test) cmocka_unit_test_teardown(test, whole_run_teardown)
    const struct CMUnitTest tests[] = {
        HERE(test_the_port_is_opened_as_the_bench_file_says_and_drops_its_lines_at_the_end),
        HERE(test_a_relay_is_dropped_before_the_next_port_is_opened),
        HERE(test_both_drop_when_the_guard_is_killed),
        HERE(test_both_drop_when_keeper_and_guard_die_together),
        HERE(test_a_cut_wire_of_the_stop_contact_stops),
        HERE(test_a_tap_on_the_stop_contact_stops),
        HERE(test_a_trip_opens_the_cut_off),
    };
    cmocka_set_test_filter(getenv("ONLY"));
    return cmocka_run_group_tests(tests, NULL, NULL);
}
