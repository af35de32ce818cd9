/* SPDX-License-Identifier: MIT */
/* Two runs of one account at once, on ports of their own: one heats, one feeds. What becomes of either is not the other's
 * end, and is latched for the next. */
#include "whole_run.h"

enum { TOLD = 1 << 14 };

static struct whole_run hot, fed; /* the emulated bench is `hot`'s */
static char told[TOLD];           /* by the last command */

/* ---- beside the two ---------------------------------------------------------------------------- */

/* "tinlatch ARGUMENTS" on this account, from no terminal; its status. */
static int tinlatch(const char *arguments)
{
    char command[1024];
    snprintf(command, sizeof command, "TINLATCH_HOME='%s' '%s' %s </dev/null 2>&1", hot.dir,
             program(), arguments);
    FILE *from = popen(command, "re");
    assert_non_null(from);
    told[fread(told, 1, sizeof told - 1, from)] = '\0';
    int status = pclose(from);
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
}

static int start_third(const char *recipe)
{
    char arguments[700];
    snprintf(arguments, sizeof arguments, "run %s --bench %s --quiet", source(recipe), hot.bench);
    return tinlatch(arguments);
}

/* ---- the two ----------------------------------------------------------------------------------- */

/* The one has its heat on, the other waits for its answer before it feeds. */
static void begin_both(void **state, const char *heats)
{
    *state = &hot;
    mimic_begin(&hot, source("tests/data/quick.ini"), source(heats));
    hot.answers_after_s = 0;
    fed = hot;
    run_begin(&hot, source(heats));
    run_until(&hot, "Seat test passed", 60);
    fed.answers_after_s = 0.4;
    run_begin(&fed, source("tests/data/quick/supply.lua"));
    run_until(&fed, "stage  Feed", 60);
}

static int end_both(void **state)
{
    close(fed.answer_fd);
    close(fed.said_fd);
    return whole_run_teardown(state);
}

static void all_off(void)
{
    json_t *report = mimic_end(&hot);
    assert_int_equal(left_over(), 0);
    assert_false(flag_in(report, "heater"));
    assert_false(flag_in(report, "supply"));
    json_decref(report);
}

/* A trip's cooling is not waited for. */
static int leave_tripped(struct whole_run *run)
{
    run_until(run, "mode   cooling", 10);
    run_say(run, "leave");
    nap_ms(300);
    run_say(run, "leave");
    return run_end(run, 60);
}

static void test_both_are_done_and_a_third_is_told_who_holds_its_port(void **state)
{
    begin_both(state, "tests/data/quick/warm.lua");
    assert_int_equal(state_files(&hot, "latch.armed-*"), 2);
    assert_has(fed.said, "another run is going on (pid ");

    assert_int_equal(start_third("tests/data/quick/warm.lua"), 5);
    assert_has(told, "held by tinlatch-guard, the run of warm.lua (pid ");
    assert_int_equal(start_third("tests/data/quick/supply.lua"), 5);
    assert_has(told, "held by tinlatch-guard, the run of supply.lua (pid ");
    char check[160];
    snprintf(check, sizeof check, "bench check --bench %s", hot.bench);
    assert_int_equal(tinlatch(check), 5);
    assert_has(strstr(told, "bench check: "), "held by tinlatch-guard, the run of warm.lua (pid ");
    assert_int_equal(tinlatch("clear --reason 1"), 0);
    assert_has(told, "nothing is latched");
    assert_int_equal(tinlatch("runs list --outcome \"goes on\""), 0);
    assert_has(told, "-warm-");
    assert_has(told, "-supply-");
    assert_int_equal(run_end(&fed, 60), 0);
    assert_int_equal(tinlatch("runs list --outcome \"goes on\""), 0);
    assert_has(told, "-warm-");
    assert_null(strstr(told, "-supply-"));
    assert_int_equal(state_files(&hot, "latch.armed-*"), 1);
    assert_int_equal(run_end(&hot, 150), 0);

    assert_has(hot.said, "end    done");
    assert_int_equal(state_files(&hot, "latch*"), 0);
    assert_int_equal(state_files(&hot, "last-run"),
                     1); /* the one that feeds knows nothing of the plate */
    all_off();
}

static void test_one_that_is_killed_latches_and_the_other_goes_on(void **state)
{
    begin_both(state, "tests/data/quick/hold.lua");

    kill(find_cast(&hot).guard, SIGKILL);
    assert_int_equal(run_end(&hot, 10), 3);

    assert_int_equal(start_third("tests/data/quick/warm.lua"), 4);
    assert_has(told, "the run ended without saying so");
    assert_int_equal(tinlatch("clear --reason 5"), 4);
    assert_has(told, "a run is going on (pid ");
    assert_int_equal(state_files(&hot, "latch.armed-*"), 2);
    assert_int_equal(run_end(&fed, 60), 0);
    assert_int_equal(state_files(&hot, "latch*"), 1);
    assert_int_equal(tinlatch("clear --reason 5"), 0);
    assert_has(told, "hold.lua");
    assert_int_equal(state_files(&hot, "latch*"), 0);
    all_off();
}

static void test_each_that_trips_is_kept_until_it_is_cleared(void **state)
{
    begin_both(state, "tests/data/quick/hold.lua");

    mimic_do(&hot, "fault sensor-open");
    assert_int_equal(leave_tripped(&hot), 3);
    assert_int_equal(start_third("tests/data/quick/supply.lua"), 4);
    assert_has(told, "sensor-open");
    assert_null(strstr(fed.said, "tripped"));
    kill(find_cast(&fed).scribe, SIGKILL);
    assert_int_equal(run_end(&fed, 60), 3);

    assert_int_equal(state_files(&hot, "latch"), 1);
    assert_int_equal(state_files(&hot, "latch.armed-*"), 1);
    assert_int_equal(tinlatch("clear"), 4); /* shown, not released */
    assert_has(told, "sensor-open");
    assert_int_equal(tinlatch("clear --reason 1"), 0);
    assert_has(told, "sensor-open");
    assert_has(told, "record-lost");
    assert_int_equal(state_files(&hot, "latch*"), 0);
    all_off();
}

int main(void)
{
#define HERE(test) cmocka_unit_test_teardown(test, end_both)
    const struct CMUnitTest tests[] = {
        HERE(test_both_are_done_and_a_third_is_told_who_holds_its_port),
        HERE(test_one_that_is_killed_latches_and_the_other_goes_on),
        HERE(test_each_that_trips_is_kept_until_it_is_cleared),
    };
    cmocka_set_test_filter(getenv("ONLY"));
    return cmocka_run_group_tests(tests, NULL, NULL);
}
