/* SPDX-License-Identifier: MIT */
/* The front on a pseudo-terminal, with this test as its guard: what a terminal does must never reach the
 * messages, and the terminal is left as it was found. */
#include "check.h"

#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/ioctl.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "tinlatch/front.h"

static struct {
    int master, guard_fd;
    pid_t front;
    struct termios before;
    char seen[1 << 18];
    size_t seen_length;
    bool reads; /* the person's side takes what is shown */
    struct wire_snapshot snapshot;
    struct wire_hand hand;
    int hands;
} t;

static void pause_ms(int ms)
{
    struct timespec pause = {.tv_sec = ms / 1000, .tv_nsec = (ms % 1000) * 1000000L};
    nanosleep(&pause, NULL);
}

static int64_t now_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

_Noreturn static void be_front(int terminal, int guard_fd)
{
    struct front_config config = {.guard_fd = guard_fd,
                                  .in_fd = terminal,
                                  .out_fd = terminal,
                                  .quiet = true,
                                  .recipe = "r.lua",
                                  .bench = "b",
                                  .record = "record.jsonl"};
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    close(t.master);
    close(t.guard_fd);
    setsid();
    ioctl(terminal, TIOCSCTTY, 0);
    setenv("TERM", "xterm", 1);
    setenv("LC_ALL", "C", 1);
    _exit((int)front_run(&config));
}

static int begin(void **unused)
{
    (void)unused;
    int pair[2];
    struct winsize size = {.ws_row = 24, .ws_col = 80};
    memset(&t, 0, sizeof t);
    t.reads = true;
    t.master = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
    if (t.master < 0 || grantpt(t.master) || unlockpt(t.master) ||
        socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, pair))
        return -1;
    int terminal = open(ptsname(t.master), O_RDWR | O_NOCTTY | O_CLOEXEC);
    tcgetattr(terminal, &t.before);
    ioctl(t.master, TIOCSWINSZ, &size);
    t.guard_fd = pair[1];
    t.front = fork();
    if (t.front == 0)
        be_front(terminal, pair[0]);
    close(pair[0]);
    close(terminal);
    t.snapshot.mode = GUARD_RUNNING;
    t.snapshot.rule = t.snapshot.safe_ms = -1;
    t.snapshot.plate_quality = QUALITY_GOOD;
    t.snapshot.plate_mc = 100000;
    return t.front > 0 ? 0 : -1;
}

static int end(void **unused)
{
    (void)unused;
    if (t.front > 0) {
        kill(t.front, SIGKILL);
        waitpid(t.front, NULL, 0);
    }
    if (t.master >= 0)
        close(t.master);
    close(t.guard_fd);
    return 0;
}

static void look(void)
{
    ssize_t n;
    while (t.reads && t.seen_length + 4096 < sizeof t.seen &&
           (n = read(t.master, t.seen + t.seen_length, 4096)) > 0)
        t.seen_length += (size_t)n;
    t.seen[t.seen_length] = '\0';
}

enum { KEY_RESTS_MS = 800 }; /* then the same key is another press */

/* A snapshot, and its HAND within two seconds. */
static void scan(void)
{
    _Alignas(16) char message[WIRE_MAX];
    t.snapshot.t_ms += 100;
    wire_stamp(&t.snapshot.head, WIRE_SNAPSHOT, t.snapshot.head.number + 1);
    assert_int_equal(wire_send(t.guard_fd, &t.snapshot), 0);
    for (bool answered = false; !answered;) {
        struct pollfd ready = {.fd = t.guard_fd, .events = POLLIN};
        assert_int_equal(poll(&ready, 1, 2000), 1);
        assert_int_equal(wire_receive_now(t.guard_fd, message), WIRE_HAND);
        memcpy(&t.hand, message, sizeof t.hand);
        assert_int_equal(wire_check_hand(&t.hand), 0);
        t.hands++;
        answered = t.hand.head.number == t.snapshot.head.number;
    }
    look();
}

static void scans_for(int ms)
{
    for (int64_t until_ms = now_ms() + ms; now_ms() < until_ms; pause_ms(10))
        scan();
}

static void press(const char *keys)
{
    assert_int_equal(write(t.master, keys, strlen(keys)), strlen(keys));
    scans_for(150);
}

static void ask(uint32_t number, int32_t kind, const char *text)
{
    struct wire_note note = {.note = kind};
    wire_stamp(&note.head, WIRE_NOTE, number);
    snprintf(note.text, sizeof note.text, "%s", text);
    wire_send(t.guard_fd, &note);
    t.snapshot.open_note = number;
    scan();
}

static int say_end(enum outcome outcome)
{
    struct wire_end over = {.code = (int32_t)outcome};
    int status = -1;
    wire_stamp(&over.head, WIRE_END, 1);
    wire_send(t.guard_fd, &over);
    for (int64_t until_ms = now_ms() + 10000; now_ms() < until_ms; pause_ms(10)) {
        look();
        if (waitpid(t.front, &status, WNOHANG) == t.front) {
            t.front = 0;
            look();
            return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
        }
    }
    return -1;
}

static void check_left_as_found(void)
{
    struct termios after;
    int terminal = open(ptsname(t.master), O_RDWR | O_NOCTTY | O_CLOEXEC);
    assert_int_equal(tcgetattr(terminal, &after), 0);
    assert_int_equal(after.c_lflag, t.before.c_lflag);
    assert_int_equal(after.c_iflag, t.before.c_iflag);
    close(terminal);
    const char *left = strstr(t.seen, "\033[?1049l");
    assert_non_null(left);
    assert_has(left, "record.jsonl"); /* the summary stands on the ordinary screen */
    assert_has(t.seen, "\033[?25h");
}

static void test_the_view_is_drawn_and_the_terminal_left_as_it_was(void **unused)
{
    (void)unused;
    scans_for(300);
    assert_has(t.seen, "RUNNING");
    assert_has(t.seen, "100.0 C");

    assert_int_equal(say_end(RUN_TRIPPED), RUN_TRIPPED);
    check_left_as_found();
}

static void test_the_ordinary_screen_tells_a_trip_once(void **unused)
{
    (void)unused;
    scans_for(100);
    ask(5 | NOTE_GUARD, NOTE_FAULT, "the plate's thermocouple is open");
    scans_for(100);

    assert_int_equal(say_end(RUN_TRIPPED), RUN_TRIPPED);
    const char *left = strstr(t.seen, "\033[?1049l");
    assert_non_null(left);
    const char *once = strstr(left, "thermocouple is open");
    assert_non_null(once);
    assert_null(strstr(once + 1, "thermocouple is open"));
    assert_has(left, "before the next run: tinlatch clear");
}

static void test_any_stop_key_stops_and_other_keys_only_show_presence(void **unused)
{
    (void)unused;
    static const char *const stops[] = {"s", "q", "\t", "\003", "\033", "\033[26~", "\033[1;2R"};
    static const char *const others[] = {"x", "\033[A", "\033[15~", "\032", "\xC3\xBC"};
    uint32_t stopped = 0;
    scans_for(100);

    for (size_t i = 0; i < sizeof others / sizeof others[0]; i++) {
        uint32_t before = t.hand.presence;
        press(others[i]);
        assert_int_equal(t.hand.stop_count, 0);
        assert_true(t.hand.presence > before);
    }
    for (size_t i = 0; i < sizeof stops / sizeof stops[0]; i++) {
        press(stops[i]);
        assert_int_equal(t.hand.stop_count, ++stopped);
    }
    assert_int_equal(say_end(RUN_STOPPED), RUN_STOPPED);
    check_left_as_found();
}

static void test_a_key_in_the_first_second_of_a_question_does_not_answer_it(void **unused)
{
    (void)unused;
    scans_for(100);
    ask(5, NOTE_CONFIRM, "Does it move?");

    press(" ");
    assert_int_equal(t.hand.answer, ANSWER_NONE);
    scans_for(1100);
    press(" ");
    assert_int_equal(t.hand.answer, ANSWER_YES);
    assert_int_equal(t.hand.prompt, 5);
    t.snapshot.open_note = 0;
    scan();
    scan();
    assert_int_equal(t.hand.prompt, 0);
}

static void test_nothing_is_answered_while_parked(void **unused)
{
    (void)unused;
    t.snapshot.parked = 1;
    scans_for(100);
    ask(5, NOTE_DO, "Lift the top board.");
    scans_for(1100);

    press("y");
    assert_int_equal(t.hand.answer, ANSWER_NONE);
    scans_for(200);
    assert_has(t.seen, "not counted as an answer while parked");
    press("n");
    assert_int_equal(t.hand.answer, ANSWER_NONE);
    t.snapshot.parked = 0;
    scans_for(KEY_RESTS_MS);
    press("y");
    assert_int_equal(t.hand.answer, ANSWER_YES);
}

static void test_a_key_that_is_held_answers_one_question(void **unused)
{
    (void)unused;
    scans_for(100);
    ask(5, NOTE_CONFIRM, "Is it seated?");
    scans_for(1100);
    press("\r");
    assert_int_equal(t.hand.prompt, 5);
    ask(6, NOTE_CONFIRM, "Is the battery out?");

    for (int i = 0; i < 15; i++) {
        press("\r");
        scans_for(100);
    }
    assert_int_equal(t.hand.answer, ANSWER_NONE);
    scans_for(KEY_RESTS_MS);
    press("\r");
    assert_int_equal(t.hand.answer, ANSWER_YES);
    assert_int_equal(t.hand.prompt, 6);
}

static void test_a_value_is_typed_and_letters_do_not_stop(void **unused)
{
    (void)unused;
    scans_for(100);
    ask(6, NOTE_ASK, "How many?");
    scans_for(1100);

    press("0.45 qs");
    assert_int_equal(t.hand.stop_count, 0);
    press("\177\177\177\r");

    assert_int_equal(t.hand.answer, ANSWER_VALUE);
    assert_near(t.hand.value, 0.45, 1e-9);
    assert_string_equal(t.hand.text, "0.45");
}

static void test_park_and_nudges_are_sent(void **unused)
{
    (void)unused;
    scans_for(100);

    press("++->p");

    assert_int_equal(t.hand.nudge_mc, 2000);
    assert_int_equal(t.hand.nudge_ms, 30000);
    assert_int_equal(t.hand.parks, 1);
}

/* Presses that change nothing would add up, and act once the recipe wants less. */
static void test_a_target_near_its_limit_is_not_nudged_higher(void **unused)
{
    (void)unused;
    struct wire_hello hello = {.recipe = *limits_built_in()};
    hello.recipe.plate_mc = 190000;
    hello.recipe.uses_plate = true;
    wire_stamp(&hello.head, WIRE_HELLO, 1);
    assert_int_equal(wire_send(t.guard_fd, &hello), 0);
    t.snapshot.wanted_mc = 186000;
    scans_for(100);
    press("+");
    assert_int_equal(t.hand.nudge_mc, 2000);

    t.snapshot.wanted_mc = 187000;
    scans_for(100);
    press("++");
    assert_int_equal(t.hand.nudge_mc, 2000);
    assert_has(t.seen, "higher than 187 C is too near");
    press("-");
    assert_int_equal(t.hand.nudge_mc, 0);
}

static void test_leaving_takes_the_word(void **unused)
{
    (void)unused;
    t.snapshot.mode = GUARD_COOLING;
    scans_for(100);

    press("l");
    press("yes\r");
    assert_int_equal(t.hand.leaves, 0);
    press("leave\r"); /* nothing asks any more */
    assert_int_equal(t.hand.leaves, 0);
    press("\033");
    press("l");
    press("leave\r");
    assert_int_equal(t.hand.leaves, 1);
}

static void test_a_terminal_that_takes_nothing_holds_nothing_up(void **unused)
{
    (void)unused;
    t.reads = false; /* its buffer is full soon */
    int before = t.hands;

    for (int i = 0; i < 400; i++) {
        struct winsize size = {.ws_row = (unsigned short)(40 + i % 2), .ws_col = 150};
        ioctl(t.master, TIOCSWINSZ, &size); /* the whole frame anew each time */
        scan();
        pause_ms(10);
    }

    assert_true(t.hands - before >= 400);
    assert_int_equal(t.hand.stop_count, 0);
    assert_true(say_end(RUN_DONE) == RUN_DONE);
}

static void test_a_hang_up_stops_and_the_guard_is_told_that_nobody_is_there(void **unused)
{
    _Alignas(16) char message[WIRE_MAX];
    int kind = WIRE_HAND;
    (void)unused;
    scans_for(200);

    close(t.master);
    t.master = -1;
    t.reads = false;
    for (struct pollfd ready = {.fd = t.guard_fd, .events = POLLIN};
         kind == WIRE_HAND && poll(&ready, 1, 2000) == 1;)
        if ((kind = wire_receive_now(t.guard_fd, message)) == WIRE_HAND)
            memcpy(&t.hand, message, sizeof t.hand);

    assert_int_equal(t.hand.stop_count, 1);
    assert_int_equal(kind, TL_ENDED);
    assert_int_equal(say_end(RUN_TRIPPED), RUN_TRIPPED); /* and its end is waited for */
}

static void test_signals_to_suspend_do_nothing_and_to_end_stop(void **unused)
{
    (void)unused;
    scans_for(200);

    kill(t.front, SIGTSTP);
    kill(t.front, SIGTTOU);
    kill(t.front, SIGTTIN);
    scans_for(300);
    assert_int_equal(t.hand.stop_count, 0);
    kill(t.front, SIGTERM);
    scans_for(300);
    assert_int_equal(t.hand.stop_count, 1);
    assert_int_equal(say_end(RUN_STOPPED), RUN_STOPPED);
    check_left_as_found();
}

static void test_another_size_is_drawn_anew(void **unused)
{
    (void)unused;
    struct winsize size = {.ws_row = 12, .ws_col = 40};
    scans_for(300);
    t.seen_length = 0;

    ioctl(t.master, TIOCSWINSZ, &size);
    scans_for(400);

    assert_has(t.seen, "STOP s q Esc  p park");
    assert_null(strstr(t.seen, "\033[13;1H"));
}

static void same_instant_for(int ms)
{
    for (int64_t until_ms = now_ms() + ms; now_ms() < until_ms; pause_ms(10)) {
        t.snapshot.t_ms -= 100;
        scan();
    }
}

static void test_nothing_is_drawn_when_nothing_changes(void **unused)
{
    (void)unused;
    scans_for(1000);
    same_instant_for(500); /* what was still to be drawn is drawn */
    t.seen_length = 0;

    same_instant_for(500);

    assert_int_equal(t.seen_length, 0);
}

static void test_the_end_is_heard_when_the_guard_is_gone_behind_it(void **unused)
{
    (void)unused;
    struct wire_end over = {.code = RUN_DONE};
    int status = 0;
    scans_for(200);

    kill(t.front, SIGSTOP); /* so that all of it lies there at once */
    wire_stamp(&t.snapshot.head, WIRE_SNAPSHOT, t.snapshot.head.number + 1);
    wire_send(t.guard_fd, &t.snapshot);
    wire_stamp(&over.head, WIRE_END, 1);
    wire_send(t.guard_fd, &over);
    close(t.guard_fd);
    kill(t.front, SIGCONT);
    waitpid(t.front, &status, 0);
    t.front = 0;

    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), RUN_DONE);
}

static void test_a_guard_that_dies_is_said(void **unused)
{
    (void)unused;
    int status = 0;
    scans_for(200);

    close(t.guard_fd);
    waitpid(t.front, &status, 0);
    t.front = 0;
    look();

    assert_int_equal(WEXITSTATUS(status), RUN_STOPPED);
    assert_has(t.seen, "ended without a word");
    check_left_as_found();
}

static void test_a_crash_of_the_front_leaves_the_terminal_as_it_was(void **unused)
{
    (void)unused;
    int status = 0;
    scans_for(200);

    kill(t.front, SIGSEGV);
    waitpid(t.front, &status, 0);
    t.front = 0;
    look();

    assert_true(WIFSIGNALED(status));
    assert_has(t.seen, "\033[?1049l");
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, begin, end)
    const struct CMUnitTest tests[] = {
        TEST(test_the_view_is_drawn_and_the_terminal_left_as_it_was),
        TEST(test_the_ordinary_screen_tells_a_trip_once),
        TEST(test_any_stop_key_stops_and_other_keys_only_show_presence),
        TEST(test_a_key_in_the_first_second_of_a_question_does_not_answer_it),
        TEST(test_nothing_is_answered_while_parked),
        TEST(test_a_key_that_is_held_answers_one_question),
        TEST(test_a_value_is_typed_and_letters_do_not_stop),
        TEST(test_park_and_nudges_are_sent),
        TEST(test_a_target_near_its_limit_is_not_nudged_higher),
        TEST(test_leaving_takes_the_word),
        TEST(test_a_terminal_that_takes_nothing_holds_nothing_up),
        TEST(test_a_hang_up_stops_and_the_guard_is_told_that_nobody_is_there),
        TEST(test_signals_to_suspend_do_nothing_and_to_end_stop),
        TEST(test_another_size_is_drawn_anew),
        TEST(test_nothing_is_drawn_when_nothing_changes),
        TEST(test_the_end_is_heard_when_the_guard_is_gone_behind_it),
        TEST(test_a_guard_that_dies_is_said),
        TEST(test_a_crash_of_the_front_leaves_the_terminal_as_it_was),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
