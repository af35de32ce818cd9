/* SPDX-License-Identifier: MIT */
/* The emulated bench over its pseudo-terminals, spoken to by hand. */
#include "whole_run.h"

#include <pty.h>

#include "tinlatch/bytes.h"

static struct whole_run w;

static int open_port(int which)
{
    json_t *truth = mimic_ask(&w, "truth");
    json_t *port = json_array_get(json_object_get(truth, "ports"), (size_t)which);
    int fd = open(json_string_value(json_object_get(port, "path")), O_RDWR | O_NOCTTY | O_CLOEXEC);
    assert_true(fd >= 0);
    json_decref(truth);
    return fd;
}

/* Sends bytes; what comes back within 2 s, up to a line's end. */
static const char *ask(int fd, const char *bytes)
{
    static char answer[512];
    size_t length = 0;
    assert_int_equal(write(fd, bytes, strlen(bytes)), (int)strlen(bytes));
    struct pollfd polled = {.fd = fd, .events = POLLIN};
    while (length < sizeof answer - 1 && (length == 0 || answer[length - 1] != '\n')) {
        assert_int_equal(poll(&polled, 1, 2000), 1);
        ssize_t got = read(fd, answer + length, sizeof answer - 1 - length);
        assert_true(got > 0);
        length += (size_t)got;
    }
    answer[length] = '\0';
    return answer;
}

static const char *say(int fd, const char *line)
{
    char text[128];
    snprintf(text, sizeof text, "%s *%04X\n", line, bytes_crc16(line, strlen(line)));
    return ask(fd, text);
}

static void begin(void **state)
{
    *state = &w;
    mimic_begin(&w, source("tests/data/quick.ini"), NULL);
}

static void test_instruments_answer_on_their_terminals(void **state)
{
    begin(state);
    int plate = open_port(0), supply = open_port(1);

    assert_has(say(plate, "1 who"), "1 iam openplate");
    assert_has(ask(supply, "*IDN?\n"), "BENCHSUPPLY");
    assert_has(ask(supply, "VOLT 4;CURR 0.3;OUTP ON;OUTP?\n"), "1");
    nap_ms(300); /* physics goes in ticks of 50 ms */

    json_t *truth = mimic_ask(&w, "truth");
    assert_true(flag_in(truth, "supply"));
    assert_near(value_in(truth, "supply_v"), 4, 0.01);
    json_decref(truth);
    close(plate);
    close(supply);
}

static void test_off_is_off_when_its_bytes_arrive(void **state)
{
    begin(state);
    int plate = open_port(0);

    say(plate, "1 set d=1000 f=0 b=0");
    nap_ms(500);
    json_t *truth = mimic_ask(&w, "truth");
    assert_true(flag_in(truth, "heater"));
    assert_true(value_in(truth, "heater_w") > 100);
    json_decref(truth);
    assert_string_equal(ask(plate, "OFF\n"), "off\n");
    nap_ms(300);

    json_t *report = mimic_end(&w);
    assert_false(flag_in(report, "heater"));
    assert_near(value_in(report, "outputs.heater.after_last_byte_s"), 0, 0.001);
    assert_near(value_in(report, "outputs.heater.on_s"), 0.5, 0.4);
    json_decref(report);
    close(plate);
}

static void test_a_silent_host_is_outlived_by_the_silence_timer_only(void **state)
{
    begin(state);
    int plate = open_port(0);

    say(plate, "1 set d=1000 f=100 b=0");
    nap_ms(3000);

    json_t *report = mimic_end(&w);
    assert_false(flag_in(report, "heater"));
    assert_near(value_in(report, "outputs.heater.after_last_byte_s"), 2.0, 0.3);
    assert_near(value_in(report, "outputs.fan.after_last_byte_s"), 2.0, 0.3);
    json_decref(report);
    close(plate);
}

static void test_an_unplugged_adapter_hangs_up(void **state)
{
    begin(state);
    int plate = open_port(0);
    char byte;

    say(plate, "1 set d=1000 f=0 b=0");
    mimic_do(&w, "fault usb-unplugged");
    nap_ms(200);

    struct pollfd polled = {.fd = plate, .events = POLLIN};
    poll(&polled, 1, 0);
    assert_true(polled.revents & POLLHUP);
    assert_true(read(plate, &byte, 1) <= 0);
    close(plate);
}

static void test_nothing_is_left_of_a_killed_mimic(void **state)
{
    begin(state);
    int plate = open_port(0);

    kill(w.mimic, SIGKILL);
    waitpid(w.mimic, NULL, 0);

    struct pollfd polled = {.fd = plate, .events = POLLIN};
    poll(&polled, 1, 1000);
    assert_true(polled.revents & POLLHUP);
    close(plate);
}

static void test_the_control_socket_answers_what_it_does_not_know(void **state)
{
    begin(state);
    static const char *const wrong[] = {"dance", "fault earthquake", "fault",     "place",
                                        "rts 2", "dtr nowhere 1",    "knob warm", "clip 1e300",
                                        "",      "truth now"};

    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        json_t *answer = mimic_ask(&w, wrong[i]);
        assert_true(json_is_false(json_object_get(answer, "ok")));
        assert_non_null(json_string_value(json_object_get(answer, "error")));
        json_decref(answer);
    }
    mimic_do(&w, "rts plate 1");
    mimic_do(&w, "fault sensor-open");
}

/* ---- on a terminal of its own ---- */

static char keys_dir[64];

static void play_on_terminal(const char *until)
{
    char home[80];
    snprintf(home, sizeof home, "%s", keys_dir);
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    setenv("TINLATCH_HOME", home, 1);
    execl(program(), "tinlatch", "mimic", source("tests/data/quick/hold.lua"), "--bench",
          source("tests/data/quick.ini"), "--out", keys_dir, "--until", until, (char *)NULL);
    _exit(127);
}

/* Another process group than the terminal's, as a shell's "&" makes it; 1 when the kernel stopped it. */
static void play_in_background(void)
{
    int status;
    pid_t mimic = fork();
    if (mimic == 0) {
        setpgid(0, 0);
        play_on_terminal("2");
    }
    setpgid(mimic, mimic);
    waitpid(mimic, &status, WUNTRACED);
    kill(mimic, SIGKILL);
    _exit(WIFEXITED(status) ? WEXITSTATUS(status) : 1);
}

static void see(int terminal, const char *text)
{
    char seen[8192] = "";
    size_t length = 0;
    double until_s = now_s() + 20;
    while (!strstr(seen, text) && now_s() < until_s && length < sizeof seen - 1) {
        struct pollfd polled = {.fd = terminal, .events = POLLIN};
        if (poll(&polled, 1, 200) <= 0)
            continue;
        ssize_t got = read(terminal, seen + length, sizeof seen - 1 - length);
        if (got <= 0)
            break;
        length += (size_t)got;
        seen[length] = '\0';
    }
    assert_has(seen, text);
}

static void type(int terminal, const char *line, const char *answer)
{
    assert_int_equal(write(terminal, line, strlen(line)), (int)strlen(line));
    see(terminal, answer);
}

static void end_on_terminal(pid_t child, int terminal)
{
    int status;
    char bench[80];
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 0);
    close(terminal);
    snprintf(bench, sizeof bench, "%s/bench.ini", keys_dir);
    unlink(bench);
    rmdir(keys_dir);
}

static pid_t fork_on_terminal(int *terminal)
{
    snprintf(keys_dir, sizeof keys_dir, "/tmp/tinlatch-keys-XXXXXX");
    assert_non_null(mkdtemp(keys_dir));
    return forkpty(terminal, NULL, NULL, NULL);
}

static void test_on_a_terminal_hands_are_typed(void **state)
{
    (void)state;
    int terminal;
    pid_t child = fork_on_terminal(&terminal);
    if (child == 0)
        play_on_terminal("60");

    see(terminal, "; ready");
    type(terminal, "place\n", "{\"ok\":true}");
    type(terminal, "truth\n", "\"placed\":true");
    type(terminal, "dance\n", "no such command");
    type(terminal, "quit\n", "; mimic:");

    end_on_terminal(child, terminal);
}

static void test_in_the_background_the_terminal_is_left_alone(void **state)
{
    (void)state;
    int terminal;
    pid_t child = fork_on_terminal(&terminal);
    if (child == 0)
        play_in_background();

    see(terminal, "; ready");
    assert_int_equal(write(terminal, "place\n", 6), 6);

    end_on_terminal(child, terminal);
}

int main(void)
{
#define HERE(test) cmocka_unit_test_teardown(test, whole_run_teardown)
    const struct CMUnitTest tests[] = {
        HERE(test_instruments_answer_on_their_terminals),
        HERE(test_off_is_off_when_its_bytes_arrive),
        HERE(test_a_silent_host_is_outlived_by_the_silence_timer_only),
        HERE(test_an_unplugged_adapter_hangs_up),
        HERE(test_nothing_is_left_of_a_killed_mimic),
        HERE(test_the_control_socket_answers_what_it_does_not_know),
        cmocka_unit_test(test_on_a_terminal_hands_are_typed),
        cmocka_unit_test(test_in_the_background_the_terminal_is_left_alone),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
