/* SPDX-License-Identifier: MIT */
/* `tinlatch bench check` on the emulated bench: what it proves, what it says when something is wrong, and that
 * everything is off at its end, however that comes about. */
#include "whole_run.h"

#include "tinlatch/bytes.h"

static struct whole_run w;

static void check_begin(const char *bench)
{
    int in[2], out[2];
    assert_int_equal(pipe2(in, O_CLOEXEC), 0);
    assert_int_equal(pipe2(out, O_CLOEXEC), 0);
    const char *argv[] = {program(), "bench", "check", "--bench", bench, "--json", NULL};
    setenv("LD_PRELOAD", getenv("PTY_PRELOAD"), 1);
    setenv("ASAN_OPTIONS", "verify_asan_link_order=0", 1);
    setenv("PTY_AS_PORT", w.dir, 1);
    w.run = fork();
    if (w.run == 0)
        become(argv, in[0], out[1], w.dir);
    unsetenv("LD_PRELOAD");
    unsetenv("PTY_AS_PORT");
    close(in[0]);
    close(out[1]);
    w.answer_fd = in[1];
    w.said_fd = out[0];
    w.answers_yes = false;
    fcntl(w.said_fd, F_SETFL, O_NONBLOCK);
}

static void begin(void **state, const char *bench)
{
    *state = &w;
    mimic_begin(&w, source(bench), NULL);
    check_begin(w.bench);
}

static void nobody_answers(void)
{
    close(w.answer_fd);
    w.answer_fd = -1;
}

/* The nth question, from 1, is open; its answer, once somebody could have read it. */
static void answer(int nth, const char *text)
{
    for (double until_s = now_s() + 20;; run_listen(&w, 20)) {
        int asked = 0;
        for (const char *at = w.said; (at = strstr(at, "yes or no > ")) != NULL; at++)
            asked++;
        if (asked >= nth)
            break;
        assert_true(now_s() < until_s);
    }
    run_say(&w, text);
}

/* It is over with `status`; the object that it printed. */
static json_t *ended(int status)
{
    int got = run_end(&w, 40);
    if (got != status)
        fprintf(stderr, "status %d; it said:\n%s\n", got, w.said);
    assert_int_equal(got, status);
    const char *object = strstr(w.said, "{\"outcome\"");
    assert_non_null(object);
    json_t *told = json_loads(object, JSON_DISABLE_EOF_CHECK, NULL);
    assert_true(json_is_object(told));
    return told;
}

/* What was found of that proof; "" = it was not told. */
static const char *found(const json_t *told, const char *instrument, const char *proof)
{
    size_t i;
    json_t *row;
    json_array_foreach(json_object_get(told, "proofs"), i, row)
    {
        if (!strcmp(json_string_value(json_object_get(row, "instrument")), instrument) &&
            !strcmp(json_string_value(json_object_get(row, "proof")), proof))
            return json_string_value(json_object_get(row, "result"));
    }
    return "";
}

static int failures(const json_t *told)
{
    size_t i;
    json_t *row;
    int n = 0;
    json_array_foreach(json_object_get(told, "proofs"), i, row)
    {
        n += !strcmp(json_string_value(json_object_get(row, "result")), "fails");
    }
    return n;
}

/* Mimic's own word: all is off, and nothing of the check is left running. */
static json_t *all_off(void)
{
    json_t *report = mimic_end(&w);
    assert_int_equal(left_over(), 0);
    assert_false(flag_in(report, "heater"));
    assert_false(flag_in(report, "fan"));
    assert_false(flag_in(report, "supply"));
    assert_false(flag_in(report, "cut-off"));
    return report;
}

static void wait_for_fan(void)
{
    for (double until_s = now_s() + 20; !flag_now(&w, "fan"); run_listen(&w, 20))
        assert_true(now_s() < until_s);
}

static void test_each_instrument_is_proved_and_nothing_is_heated_or_fed(void **state)
{
    static const char *const holds[][2] = {{"plate", "identity"},
                                           {"plate", "off"},
                                           {"plate", "fan"},
                                           {"plate", "silence timer"},
                                           {"plate", "clock"},
                                           {"plate", "scan budget"},
                                           {"sensor plate", "reading"},
                                           {"sensor plate-2", "reading"},
                                           {"sensor board", "reading"},
                                           {"supply", "identity"},
                                           {"supply", "off"},
                                           {"supply", "set-points"},
                                           {"supply", "scan budget"},
                                           {"bench", "off at the end"}};
    begin(state, "tests/data/quick.ini");
    nobody_answers();

    json_t *told = ended(0);

    for (size_t i = 0; i < sizeof holds / sizeof holds[0]; i++)
        assert_string_equal(found(told, holds[i][0], holds[i][1]), "holds");
    assert_string_equal(found(told, "supply", "off path"), "open");
    json_decref(told);
    json_t *report = all_off();
    assert_true(value_in(report, "outputs.heater.on_s") <= 0);
    assert_true(value_in(report, "outputs.supply.on_s") <= 0);
    assert_true(value_in(report, "outputs.fan.on_s") > 1);
    json_decref(report);
}

static void test_a_controller_is_proved_with_a_set_point_that_heats_nothing(void **state)
{
    begin(state, "tests/data/quick-controller.ini");
    nobody_answers();

    json_t *told = ended(0);

    assert_string_equal(found(told, "plate", "off"), "holds");
    assert_string_equal(found(told, "plate", "set-point"), "holds");
    assert_string_equal(found(told, "plate", "silence timer"), "holds");
    assert_string_equal(found(told, "cut-off", "drop"), "open");
    json_decref(told);
    json_decref(all_off());
}

static void test_a_controller_that_takes_no_set_point_fails(void **state)
{
    *state = &w;
    mimic_begin(&w, source("tests/data/quick-controller.ini"), NULL);
    mimic_do(&w, "fault controller-ignores-set-point");
    check_begin(w.bench);
    nobody_answers();

    json_t *told = ended(4);

    assert_string_equal(found(told, "plate", "set-point"), "fails");
    json_decref(told);
    json_decref(all_off());
}

/* Left at 60 C by whoever had it before, and now deaf to any other. */
static void test_a_controller_that_keeps_its_set_point_fails_at_off(void **state)
{
    uint8_t write_60_c[8] = {1, 6, 0x10, 0x01, 0x02, 0x58};
    uint16_t check = bytes_crc16(write_60_c, 6);
    write_60_c[6] = (uint8_t)(check & 0xff);
    write_60_c[7] = (uint8_t)(check >> 8);
    *state = &w;
    mimic_begin(&w, source("tests/data/quick-controller.ini"), NULL);
    json_t *truth = mimic_ask(&w, "truth");
    json_t *port = json_array_get(json_object_get(truth, "ports"), 0);
    int fd = open(json_string_value(json_object_get(port, "path")), O_RDWR | O_NOCTTY | O_CLOEXEC);
    json_decref(truth);
    assert_int_equal(write(fd, write_60_c, sizeof write_60_c), (int)sizeof write_60_c);
    nap_ms(200);
    close(fd);
    mimic_do(&w, "fault controller-ignores-set-point");
    check_begin(w.bench);
    nobody_answers();

    json_t *told = ended(4);

    assert_string_equal(found(told, "plate", "off"), "fails");
    assert_string_equal(found(told, "plate", "set-point"), ""); /* not tried */
    assert_string_equal(found(told, "supply", "set-points"), "holds");
    json_decref(told);
    json_decref(all_off());
}

static void test_a_silent_instrument_is_missing_and_the_others_are_proved_all_the_same(void **state)
{
    *state = &w;
    mimic_begin(&w, source("tests/data/quick.ini"), NULL);
    mimic_do(&w, "fault device-silent");
    check_begin(w.bench);
    nobody_answers();

    json_t *told = ended(5);

    assert_string_equal(found(told, "plate", "identity"), "fails");
    assert_string_equal(found(told, "supply", "set-points"), "holds");
    if (failures(told) != 1)
        print_error("%s\n", w.said);
    assert_int_equal(failures(told), 1);
    json_decref(told);
    json_decref(all_off());
}

static void test_a_port_that_is_not_there_is_missing(void **state)
{
    char command[320], other[128];
    *state = &w;
    mimic_begin(&w, source("tests/data/quick.ini"), NULL);
    snprintf(other, sizeof other, "%s/other.ini", w.dir);
    snprintf(command, sizeof command, "sed '0,/^port/s|^port.*|port = /dev/ttyUSB77|' %s > %s",
             w.bench, other);
    assert_int_equal(system(command), 0);
    check_begin(other);
    nobody_answers();

    json_t *told = ended(5);

    assert_string_equal(found(told, "plate", "port"), "fails");
    assert_string_equal(found(told, "plate", "name"), "open"); /* the next time it may be there */
    assert_string_equal(found(told, "supply", "name"), "");
    assert_string_equal(found(told, "supply", "identity"), "holds");
    json_decref(told);
    json_decref(all_off());
}

static void test_contactors_close_only_with_a_yes_and_drop_with_their_program(void **state)
{
    begin(state, "tests/data/quick-contactor.ini");
    answer(1, "yes"); /* the heater's relay: may it? */
    answer(2, "yes"); /* did it? */
    answer(3, "yes"); /* the cut-off */
    answer(4, "yes");
    answer(5, "no"); /* the stop contact: leave it out */

    json_t *told = ended(0);

    assert_string_equal(found(told, "plate", "drop"), "holds");
    assert_string_equal(found(told, "cut-off", "drop"), "holds");
    assert_string_equal(found(told, "inputs", "stop"), "open");
    json_decref(told);
    json_t *report = all_off();
    assert_near(value_in(report, "outputs.cut-off.on_s"), 1.0, 0.4);
    assert_true(value_in(report, "outputs.heater.on_s") <= 0); /* behind the open cut-off */
    json_decref(report);
}

static void test_a_contactor_that_nobody_saw_dropping_fails(void **state)
{
    begin(state, "tests/data/quick-contactor.ini");
    answer(1, "no");
    answer(2, "yes");
    answer(3, "no");
    answer(4, "no");

    json_t *told = ended(4);

    assert_string_equal(found(told, "plate", "drop"), "open");
    assert_string_equal(found(told, "cut-off", "drop"), "fails");
    json_decref(told);
    json_decref(all_off());
}

/* Its contactor stays closed behind its program's back, until this one drops it. */
static void test_a_driver_that_knows_no_hupcl_fails(void **state)
{
    char path[96];
    *state = &w;
    mimic_begin(&w, source("tests/data/quick-contactor.ini"), NULL);
    snprintf(path, sizeof path, "%s/no-hupcl", w.dir);
    close(open(path, O_CREAT | O_WRONLY, 0600));
    check_begin(w.bench);
    answer(1, "no");
    answer(2, "yes");
    answer(3, "no"); /* the stop contact */

    json_t *told = ended(4);

    assert_string_equal(found(told, "cut-off", "drop"), "fails");
    assert_has(w.said, "HUPCL");
    json_decref(told);
    json_t *report = all_off();
    assert_true(value_in(report, "outputs.cut-off.on_s") > 0.8);
    json_decref(report);
}

static bool cutoff_is_closed(void)
{
    json_t *lines = mimic_ask(&w, "lines cut-off");
    bool closed = value_in(lines, "dtr") > 0;
    json_decref(lines);
    return closed;
}

/* An auxiliary contact of the cut-off, wired to an input of the other port: this test carries it there. A line that the
 * kernel raises for a moment comes back always. */
static json_t *with_a_wire_that_tells(void **state, bool comes_back, int status)
{
    bool was = false;
    double since_s = 0;
    begin(state, "tests/data/quick-contactor.ini");
    answer(1, "no");
    answer(2, "yes");
    for (double until_s = now_s() + 4; now_s() < until_s; run_listen(&w, 10)) {
        bool closed = cutoff_is_closed();
        if (closed != was && (closed || comes_back || now_s() - since_s < 0.5))
            mimic_do(&w, closed ? "stop 1" : "stop 0");
        since_s = closed && !was ? now_s() : since_s;
        was = closed;
    }
    mimic_do(&w, "stop 0");
    nobody_answers();
    return ended(status);
}

static void test_a_wire_that_tells_is_believed_before_any_person(void **state)
{
    json_t *told = with_a_wire_that_tells(state, true, 0);

    assert_string_equal(found(told, "cut-off", "drop"), "holds");
    assert_has(w.said, "CTS of /dev/pts/");
    json_decref(told);
    json_decref(all_off());
}

static void test_a_wire_that_shows_it_closed_still_fails(void **state)
{
    json_t *told = with_a_wire_that_tells(state, false, 4);

    assert_string_equal(found(told, "cut-off", "drop"), "fails");
    json_decref(told);
    json_decref(all_off());
}

static void test_a_press_of_the_stop_contact_is_seen(void **state)
{
    begin(state, "tests/data/quick-contactor.ini");
    answer(1, "no");
    answer(2, "no");
    for (double until_s = now_s() + 20; !strstr(w.said, "Press the stop"); run_listen(&w, 20))
        assert_true(now_s() < until_s);
    nap_ms(300);
    mimic_do(&w, "stop 1");
    nap_ms(60);
    mimic_do(&w, "stop 0");

    json_t *told = ended(0);

    assert_string_equal(found(told, "inputs", "stop"), "holds");
    json_decref(told);
    json_decref(all_off());
}

static void test_a_stop_contact_that_reads_open_fails_and_without_a_yes_nothing_closes(void **state)
{
    *state = &w;
    mimic_begin(&w, source("tests/data/quick-contactor.ini"), NULL);
    mimic_do(&w, "stop 1");
    check_begin(w.bench);
    nobody_answers();

    json_t *told = ended(4);

    assert_string_equal(found(told, "inputs", "stop"), "fails");
    json_decref(told);
    json_t *report = all_off(); /* but for the moment in which the kernel raises a line */
    assert_true(value_in(report, "outputs.cut-off.on_s") < 0.2);
    json_decref(report);
}

static void test_ctrl_c_ends_it_off(void **state)
{
    begin(state, "tests/data/quick.ini");
    wait_for_fan();

    kill(w.run, SIGINT);

    json_decref(ended(6));
    json_decref(all_off());
}

/* It would be held for a second. */
static void test_ctrl_c_opens_a_contactor_that_is_being_tried(void **state)
{
    begin(state, "tests/data/quick-contactor.ini");
    answer(1, "no");
    answer(2, "yes"); /* the cut-off */
    nap_ms(600);      /* the kernel raises both lines for a moment before */
    for (double until_s = now_s() + 10; !cutoff_is_closed(); run_listen(&w, 5))
        assert_true(now_s() < until_s);

    kill(w.run, SIGINT);
    nap_ms(150);

    assert_false(cutoff_is_closed());
    json_decref(ended(6));
    json_decref(all_off());
}

static void test_a_killed_front_leaves_it_off(void **state)
{
    begin(state, "tests/data/quick.ini");
    wait_for_fan();

    kill(w.run, SIGKILL);
    waitpid(w.run, NULL, 0);
    nap_ms(2500);

    assert_false(flag_now(&w, "fan"));
    json_decref(all_off());
}

static void begin_with_fan(void **state, pid_t *keeper, pid_t *guard)
{
    begin(state, "tests/data/quick.ini");
    wait_for_fan();
    assert_int_equal(children_of(w.run, keeper, 1), 1);
    assert_int_equal(children_of(*keeper, guard, 1), 1);
}

static void test_a_killed_guard_leaves_it_off_by_the_keepers_last_words(void **state)
{
    pid_t keeper, guard;
    begin_with_fan(state, &keeper, &guard);

    kill(guard, SIGKILL);
    nap_ms(500);

    assert_false(flag_now(&w, "fan"));
    json_decref(ended(4));
    assert_has(w.said, "ended without a word");
    json_decref(all_off());
}

/* Nobody but the front is left to wake the keeper. */
static void test_a_stopped_keeper_and_guard_are_woken_and_leave_it_off(void **state)
{
    pid_t keeper, guard;
    begin_with_fan(state, &keeper, &guard);

    kill(keeper, SIGSTOP);
    kill(guard, SIGSTOP);
    nap_ms(1200);

    assert_false(flag_now(&w, "fan"));
    json_decref(ended(4));
    assert_has(w.said, "ended without a word");
    json_decref(all_off());
}

/* What was not tried any more is not proved. */
static void test_a_killed_keeper_ends_it_off_and_not_as_done(void **state)
{
    pid_t keeper, guard;
    begin_with_fan(state, &keeper, &guard);

    kill(keeper, SIGKILL);
    nap_ms(1500);

    assert_false(flag_now(&w, "fan"));
    json_decref(ended(6));
    json_decref(all_off());
}

static void test_an_adapter_pulled_out_meanwhile_fails_and_ends(void **state)
{
    begin(state, "tests/data/quick.ini");
    wait_for_fan();

    mimic_do(&w, "fault usb-unplugged");
    nobody_answers();

    json_t *told = ended(4);
    assert_string_equal(found(told, "plate", "silence timer"), "fails");
    assert_string_equal(found(told, "supply", "set-points"), "holds");
    json_decref(told);
}

int main(void)
{
#define HERE(test) cmocka_unit_test_teardown(test, whole_run_teardown)
    const struct CMUnitTest tests[] = {
        HERE(test_each_instrument_is_proved_and_nothing_is_heated_or_fed),
        HERE(test_a_controller_is_proved_with_a_set_point_that_heats_nothing),
        HERE(test_a_controller_that_takes_no_set_point_fails),
        HERE(test_a_controller_that_keeps_its_set_point_fails_at_off),
        HERE(test_a_silent_instrument_is_missing_and_the_others_are_proved_all_the_same),
        HERE(test_a_port_that_is_not_there_is_missing),
        HERE(test_contactors_close_only_with_a_yes_and_drop_with_their_program),
        HERE(test_a_contactor_that_nobody_saw_dropping_fails),
        HERE(test_a_driver_that_knows_no_hupcl_fails),
        HERE(test_a_wire_that_tells_is_believed_before_any_person),
        HERE(test_a_wire_that_shows_it_closed_still_fails),
        HERE(test_a_press_of_the_stop_contact_is_seen),
        HERE(test_a_stop_contact_that_reads_open_fails_and_without_a_yes_nothing_closes),
        HERE(test_ctrl_c_ends_it_off),
        HERE(test_ctrl_c_opens_a_contactor_that_is_being_tried),
        HERE(test_a_killed_front_leaves_it_off),
        HERE(test_a_killed_guard_leaves_it_off_by_the_keepers_last_words),
        HERE(test_a_stopped_keeper_and_guard_are_woken_and_leave_it_off),
        HERE(test_a_killed_keeper_ends_it_off_and_not_as_done),
        HERE(test_an_adapter_pulled_out_meanwhile_fails_and_ends),
    };
    cmocka_set_test_filter(getenv("ONLY"));
    return cmocka_run_group_tests(tests, NULL, NULL);
}
