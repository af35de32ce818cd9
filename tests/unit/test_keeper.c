/* SPDX-License-Identifier: MIT */
/* keeper: fake guards that live, die, hang and lie; ports that write down what was sent and when. The test
 * process is the keeper. The figures of the design are asserted with slack for a busy machine; what was
 * measured is printed. */
#include "check.h"

#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "tinlatch/keeper.h"

enum { PERIOD_MS = 20, SLACK_MS = 400, RECORD = 1024, TOLD = 256 };

static int64_t now_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_BOOTTIME, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

static void sleep_ms(int for_ms)
{
    struct timespec pause = {for_ms / 1000, for_ms % 1000 * 1000000L};
    nanosleep(&pause, NULL);
}

/* ---- a port that writes down what it is given ---------------------------------------------------------- */

struct fake {
    struct port port;
    char bytes[RECORD];
    size_t length;
    int writes, lines;
    int64_t at_ms[TOLD]; /* of each write that took bytes */
    bool rts, dtr;
    size_t most;    /* taken per write; 0 = all */
    int pause_ms;   /* each write takes */
    int fail_first; /* so many writes fail; < 0: all */
    bool full;      /* takes nothing, for ever */
    bool no_lines;
    bool lines_after_bytes;
    pid_t guard; /* must be dead when something is sent */
    bool guard_lived;
};

static void look_at_guard(struct fake *fake)
{
    siginfo_t info = {0};
    if (fake->guard <= 0)
        return;
    waitid(P_PID, (id_t)fake->guard, &info, WEXITED | WNOHANG | WNOWAIT);
    fake->guard_lived |= info.si_pid != fake->guard;
}

static int fake_write(struct port *port, const void *from, size_t length)
{
    struct fake *fake = (struct fake *)port;
    look_at_guard(fake);
    if (fake->full)
        return 0;
    if (fake->fail_first != 0) {
        fake->fail_first -= fake->fail_first > 0;
        return TL_ENDED;
    }
    sleep_ms(fake->pause_ms);
    size_t n = fake->most > 0 && fake->most < length ? fake->most : length;
    assert_true(fake->length + n <= RECORD && fake->writes < TOLD);
    memcpy(fake->bytes + fake->length, from, n);
    fake->length += n;
    fake->at_ms[fake->writes++] = now_ms();
    return (int)n;
}

static int fake_set_lines(struct port *port, bool rts, bool dtr)
{
    struct fake *fake = (struct fake *)port;
    look_at_guard(fake);
    if (fake->no_lines)
        return TL_MISSING;
    fake->rts = rts;
    fake->dtr = dtr;
    fake->lines++;
    fake->lines_after_bytes |= fake->lines == 1 && fake->length > 0;
    return 0;
}

static int fake_read(struct port *port, void *to, size_t size)
{
    (void)port;
    (void)to;
    (void)size;
    fail(); /* the keeper reads no instrument */
    return 0;
}

static void fake_close(struct port *port)
{
    (void)port;
    fail(); /* nor does it close a port */
}

static const struct port_ops fake_ops = {fake_read, fake_write, fake_close, fake_set_lines, NULL};

/* ---- a bench ------------------------------------------------------------------------------------------- */

struct bench {
    struct keeper_config config;
    struct fake fake[BENCH_PORTS];
    int beat[2], sign[2];
    volatile int64_t *marks; /* shared with the children: instants */
};

static void add_word(struct bench *b, int port, const char *text)
{
    int i = b->config.words_count++;
    b->config.words[i].port = port;
    b->config.words[i].frame.length = strlen(text);
    memcpy(b->config.words[i].frame.bytes, text, strlen(text));
}

static void set_up(struct bench *b, int ports)
{
    *b = (struct bench){0};
    assert_int_equal(pipe2(b->beat, O_CLOEXEC), 0);
    assert_int_equal(pipe2(b->sign, O_CLOEXEC), 0);
    b->marks = mmap(NULL, 4096, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    assert_true(b->marks != MAP_FAILED);
    b->config.port_count = ports;
    for (int i = 0; i < ports; i++) {
        b->fake[i].port = (struct port){&fake_ops, -1};
        b->config.port[i] = &b->fake[i].port;
    }
    b->config.beat_fd = b->beat[0];
    b->config.sign_fd = b->sign[1];
}

static void tear_down(struct bench *b)
{
    close(b->beat[0]);
    close(b->sign[0]);
    close(b->sign[1]);
    munmap((void *)b->marks, 4096);
}

typedef void guard_fn(struct bench *b);

static void start_guard(struct bench *b, guard_fn *run)
{
    b->config.guard = fork();
    if (b->config.guard == 0) {
        signal(SIGTERM, SIG_DFL);
        prctl(PR_SET_PDEATHSIG, SIGKILL); /* whatever fails, nothing is left running */
        close(b->beat[0]);
        close(b->sign[1]);
        run(b);
        _exit(0);
    }
    close(b->beat[1]);
    for (int i = 0; i < b->config.port_count; i++)
        b->fake[i].guard = b->config.guard;
}

/* A child that does something to a process later, and notes when. */
static pid_t signal_later(struct bench *b, pid_t whom, int what, int after_ms)
{
    pid_t child = fork();
    if (child == 0) {
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        sleep_ms(after_ms);
        b->marks[0] = now_ms();
        kill(whom, what);
        _exit(0);
    }
    return child;
}

static void beat(struct bench *b, uint32_t number, uint32_t over)
{
    struct keeper_beat one = {number, over};
    if (write(b->beat[1], &one, sizeof one) != sizeof one)
        _exit(9);
}

static void beat_for_ever(struct bench *b)
{
    for (uint32_t number = 7;; number++) {
        beat(b, number, 0);
        sleep_ms(PERIOD_MS);
    }
}

static bool off_once(const struct bench *b)
{
    return b->fake[0].length == 4 && memcmp(b->fake[0].bytes, "OFF\n", 4) == 0;
}

/* Watch one guard on one port; what it left is checked by the caller. */
static enum keeper_end watch(struct bench *b, guard_fn *run, int *unsent)
{
    start_guard(b, run);
    return keeper_watch(&b->config, unsent);
}

static void expect_off_three_times(struct bench *b)
{
    assert_int_equal(b->fake[0].length, 12);
    assert_memory_equal(b->fake[0].bytes, "OFF\nOFF\nOFF\n", 12);
    assert_false(b->fake[0].guard_lived); /* two writers on one wire */
    int status;
    assert_int_equal(waitpid(b->config.guard, &status, 0),
                     b->config.guard); /* its status is ours */
}

/* ---- in order ------------------------------------------------------------------------------------------ */

static void leave_in_order(struct bench *b)
{
    for (uint32_t number = UINT32_MAX - 3; number != 4; number++) { /* across the end of numbers */
        beat(b, number, 0);
        sleep_ms(PERIOD_MS);
    }
    beat(b, 4, 1);
    _exit(3);
}

static void test_guard_that_ends_in_order_is_followed_by_one_round_of_last_words(void **state)
{
    (void)state;
    struct bench b;
    int unsent = -1, status = 0;
    set_up(&b, 1);
    add_word(&b, 0, "OFF\n");

    assert_int_equal(watch(&b, leave_in_order, &unsent), KEEPER_OVER);

    assert_int_equal(unsent, 0);
    assert_true(off_once(&b));
    assert_false(b.fake[0].guard_lived);
    assert_int_equal(waitpid(b.config.guard, &status, 0), b.config.guard);
    assert_true(WIFEXITED(status) && WEXITSTATUS(status) == 3); /* its outcome is still there */
    tear_down(&b);
}

static void stay_after_over(struct bench *b)
{
    beat(b, 1, 1);
    pause();
}

static void die_after_over(struct bench *b)
{
    beat(b, 1, 1);
    kill(getpid(), SIGKILL);
}

static void test_over_is_believed_only_when_the_guard_leaves(void **state)
{
    (void)state;
    static const struct {
        guard_fn *run;
        enum keeper_end end;
    } guards[] = {{stay_after_over, KEEPER_LATE}, {die_after_over, KEEPER_DEAD}};
    for (size_t i = 0; i < 2; i++) {
        struct bench b;
        int unsent;
        set_up(&b, 1);
        add_word(&b, 0, "OFF\n");
        assert_int_equal(watch(&b, guards[i].run, &unsent), guards[i].end);
        expect_off_three_times(&b);
        tear_down(&b);
    }
}

/* ---- dead, stopped ------------------------------------------------------------------------------------- */

static void test_killed_guard_is_followed_by_off_within_250_ms(void **state)
{
    (void)state;
    int64_t worst_ms = 0;
    for (int round = 0; round < 10; round++) {
        struct bench b;
        int unsent = -1;
        set_up(&b, 1);
        add_word(&b, 0, "OFF\n");
        start_guard(&b, beat_for_ever);
        pid_t killer = signal_later(&b, b.config.guard, SIGKILL, 60 + 7 * round);

        assert_int_equal(keeper_watch(&b.config, &unsent), KEEPER_DEAD);

        int64_t after_ms = b.fake[0].at_ms[0] - b.marks[0];
        worst_ms = after_ms > worst_ms ? after_ms : worst_ms;
        assert_int_equal(unsent, 0);
        expect_off_three_times(&b);
        waitpid(killer, NULL, 0);
        tear_down(&b);
    }
    print_message("killed guard: off after %d ms at worst of 10\n", (int)worst_ms);
    assert_true(worst_ms <= 250);
}

static void test_stopped_guard_is_killed_and_followed_by_off(void **state)
{
    (void)state;
    struct bench b;
    int unsent = -1;
    set_up(&b, 1);
    add_word(&b, 0, "OFF\n");
    start_guard(&b, beat_for_ever);
    pid_t stopper = signal_later(&b, b.config.guard, SIGSTOP, 100);

    assert_int_equal(keeper_watch(&b.config, &unsent), KEEPER_LATE);

    int64_t after_ms = b.fake[0].at_ms[0] - b.marks[0];
    print_message("stopped guard: off after %d ms\n", (int)after_ms);
    assert_true(after_ms > KEEPER_LATE_MS - PERIOD_MS - 5);
    assert_true(after_ms <= KEEPER_LATE_MS + PERIOD_MS + SLACK_MS);
    expect_off_three_times(&b);
    waitpid(stopper, NULL, 0);
    tear_down(&b);
}

static void say_nothing(struct bench *b)
{
    (void)b;
    pause();
}

static void test_guard_that_never_beats_is_late(void **state)
{
    (void)state;
    struct bench b;
    int unsent = -1;
    set_up(&b, 1);
    add_word(&b, 0, "OFF\n");
    int64_t begun_ms = now_ms();

    assert_int_equal(watch(&b, say_nothing, &unsent), KEEPER_LATE);

    assert_true(b.fake[0].at_ms[0] - begun_ms >= KEEPER_LATE_MS);
    expect_off_three_times(&b);
    tear_down(&b);
}

/* Of five deaths the quickest: the keeper is woken, it does not only happen to look. */
static void die_while_another_holds_the_pipe(struct bench *b);
static void test_death_itself_wakes_the_keeper(void **state)
{
    (void)state;
    int64_t best_ms = INT64_MAX;
    for (int round = 0; round < 5; round++) {
        struct bench b;
        int unsent = -1;
        set_up(&b, 1);
        add_word(&b, 0, "OFF\n");
        assert_int_equal(watch(&b, die_while_another_holds_the_pipe, &unsent), KEEPER_DEAD);
        int64_t after_ms = b.fake[0].at_ms[0] - b.marks[0];
        best_ms = after_ms < best_ms ? after_ms : best_ms;
        expect_off_three_times(&b);
        tear_down(&b);
    }
    print_message("guard dead, its pipe still open: off after %d ms at best of 5\n", (int)best_ms);
    assert_true(best_ms < KEEPER_SIGN_MS / 2);
}

static void close_pipe_and_stay(struct bench *b)
{
    beat(b, 1, 0);
    close(b->beat[1]);
    pause();
}

static void exit_without_over(struct bench *b)
{
    beat(b, 1, 0);
    _exit(0);
}

/* The pipe stays open in another process: the guard's death itself must wake the keeper. */
static void die_while_another_holds_the_pipe(struct bench *b)
{
    beat(b, 1, 0);
    if (fork() == 0) {
        sleep_ms(1500);
        _exit(0);
    }
    sleep_ms(PERIOD_MS); /* well between two of the keeper's own looks */
    b->marks[0] = now_ms();
    kill(getpid(), SIGKILL);
}

static void test_guard_that_is_gone_is_dead_whatever_it_leaves_behind(void **state)
{
    (void)state;
    static guard_fn *const guards[] = {close_pipe_and_stay, exit_without_over,
                                       die_while_another_holds_the_pipe};
    for (size_t i = 0; i < sizeof guards / sizeof *guards; i++) {
        struct bench b;
        int unsent = -1;
        set_up(&b, 1);
        add_word(&b, 0, "OFF\n");
        assert_int_equal(watch(&b, guards[i], &unsent), KEEPER_DEAD);
        expect_off_three_times(&b);
        if (b.marks[0])
            assert_true(b.fake[0].at_ms[0] - b.marks[0] <= 250);
        tear_down(&b);
    }
}

/* ---- wrong --------------------------------------------------------------------------------------------- */

static void repeat_a_number(struct bench *b)
{
    for (;;) {
        beat(b, 5, 0);
        sleep_ms(PERIOD_MS);
    }
}

static void skip_a_number(struct bench *b)
{
    for (uint32_t number = 5;; number += 2) {
        beat(b, number, 0);
        sleep_ms(PERIOD_MS);
    }
}

static void write_half_a_beat(struct bench *b)
{
    beat(b, 1, 0);
    (void)!write(b->beat[1], "\2\0\0", 3);
    for (;;)
        pause();
}

static void write_nonsense(struct bench *b)
{
    beat(b, 1, 0);
    beat(b, 2, 77);
    for (;;)
        pause();
}

static void test_guard_with_wrong_numbers_is_as_good_as_dead(void **state)
{
    (void)state;
    static guard_fn *const guards[] = {repeat_a_number, skip_a_number, write_half_a_beat,
                                       write_nonsense};
    for (size_t i = 0; i < sizeof guards / sizeof *guards; i++) {
        struct bench b;
        int unsent = -1;
        set_up(&b, 1);
        add_word(&b, 0, "OFF\n");
        int64_t begun_ms = now_ms();
        assert_int_equal(watch(&b, guards[i], &unsent), KEEPER_LATE);
        assert_true(b.fake[0].at_ms[0] - begun_ms < KEEPER_LATE_MS); /* at once, not when late */
        expect_off_three_times(&b);
        tear_down(&b);
    }
}

/* ---- signs, signals ------------------------------------------------------------------------------------ */

/* Counts signs for a second, writes how many into the marks and leaves in order. */
static void count_signs(struct bench *b)
{
    uint32_t number = 1;
    int64_t begun_ms = now_ms();
    while (now_ms() - begun_ms < 1000) {
        struct pollfd sign = {.fd = b->sign[0], .events = POLLIN};
        char bytes[64];
        if (poll(&sign, 1, PERIOD_MS) == 1)
            b->marks[1] += read(b->sign[0], bytes, sizeof bytes);
        beat(b, number++, 0);
    }
    beat(b, number, 1);
}

static void test_keeper_shows_that_it_lives(void **state)
{
    (void)state;
    struct bench b;
    int unsent;
    set_up(&b, 1);

    assert_int_equal(watch(&b, count_signs, &unsent), KEEPER_OVER);

    print_message("signs in a second: %d\n", (int)b.marks[1]);
    assert_true(b.marks[1] >= 5 && b.marks[1] <= 11);
    waitpid(b.config.guard, NULL, 0);
    tear_down(&b);
}

static void fill_signs_then_stop(struct bench *b)
{
    beat(b, 1, 0);
    b->marks[0] = now_ms();
    kill(getpid(), SIGSTOP);
}

static void test_full_pipe_of_signs_does_not_stop_the_keeper(void **state)
{
    (void)state;
    struct bench b;
    int unsent;
    static char much[1 << 16];
    set_up(&b, 1);
    add_word(&b, 0, "OFF\n");
    assert_int_equal(write(b.sign[1], much, sizeof much), sizeof much); /* a blocking pipe, full */

    assert_int_equal(watch(&b, fill_signs_then_stop, &unsent), KEEPER_LATE);

    assert_true(b.fake[0].at_ms[0] - b.marks[0] <= KEEPER_LATE_MS + PERIOD_MS + SLACK_MS);
    expect_off_three_times(&b);
    tear_down(&b);
}

static void test_terminal_signals_do_nothing_and_term_switches_off(void **state)
{
    (void)state;
    static const int nothing[] = {SIGINT, SIGHUP, SIGQUIT, SIGTSTP, SIGPIPE};
    struct bench b;
    int unsent = -1;
    pid_t senders[6];
    set_up(&b, 1);
    add_word(&b, 0, "OFF\n");
    start_guard(&b, beat_for_ever);
    for (int i = 0; i < 5; i++)
        senders[i] = signal_later(&b, getpid(), nothing[i], 50 + 20 * i);
    senders[5] = signal_later(&b, getpid(), SIGTERM, 400);

    assert_int_equal(keeper_watch(&b.config, &unsent), KEEPER_TOLD);

    assert_true(b.fake[0].at_ms[0] >= b.marks[0]); /* the last to write its mark was TERM */
    assert_true(b.fake[0].at_ms[0] - b.marks[0] <= 250);
    expect_off_three_times(&b);
    for (int i = 0; i < 6; i++)
        waitpid(senders[i], NULL, 0);
    tear_down(&b);
}

/* Stopped itself for longer than the guard may be late: the beats that waited count, the guard lives on. */
static void leave_after_a_while(struct bench *b)
{
    uint32_t number = 1;
    for (int64_t begun_ms = now_ms(); now_ms() - begun_ms < 1400;) {
        beat(b, number++, 0);
        sleep_ms(PERIOD_MS);
    }
    beat(b, number, 1);
}

static void test_keeper_that_was_stopped_reads_what_waits_before_it_judges(void **state)
{
    (void)state;
    struct bench b;
    int unsent;
    set_up(&b, 1);
    add_word(&b, 0, "OFF\n");
    pid_t keeper = fork(); /* the test itself cannot be stopped */
    if (keeper == 0)
        _exit(watch(&b, leave_after_a_while, &unsent) == KEEPER_OVER && off_once(&b) ? 0 : 1);
    close(b.beat[1]);
    sleep_ms(150);
    kill(keeper, SIGSTOP);
    sleep_ms(900);
    kill(keeper, SIGCONT);
    int status = -1;
    waitpid(keeper, &status, 0);
    assert_int_equal(status, 0);
    tear_down(&b);
}

/* ---- last words ---------------------------------------------------------------------------------------- */

static void test_last_words_come_three_times_and_apart(void **state)
{
    (void)state;
    struct bench b;
    set_up(&b, 2);
    add_word(&b, 0, "\nOFF 1\n");
    add_word(&b, 1, "OUTP OFF\n");
    add_word(&b, -1, ""); /* by hand: nothing to send */

    assert_int_equal(keeper_last_words(&b.config), 0);

    assert_memory_equal(b.fake[0].bytes, "\nOFF 1\n\nOFF 1\n\nOFF 1\n", 21);
    assert_memory_equal(b.fake[1].bytes, "OUTP OFF\nOUTP OFF\nOUTP OFF\n", 27);
    for (int i = 0; i < 2; i++) {
        assert_int_equal(b.fake[i].writes, KEEPER_TIMES);
        for (int n = 1; n < KEEPER_TIMES; n++)
            assert_true(b.fake[i].at_ms[n] - b.fake[i].at_ms[n - 1] >= KEEPER_APART_MS - 40);
    }
    assert_int_equal(b.fake[0].lines, 0); /* no line is touched that the frame does not name */
    tear_down(&b);
}

static void test_frames_on_one_port_leave_room_for_the_answer_between(void **state)
{
    (void)state;
    struct bench b;
    set_up(&b, 1);
    add_word(&b, 0, "A");
    add_word(&b, 0, "B");
    add_word(&b, 0, "C");

    assert_int_equal(keeper_last_words(&b.config), 0);

    assert_int_equal(b.fake[0].length, 9);
    assert_memory_equal(b.fake[0].bytes, "ABCABCABC", 9);
    for (int n = 1; n < b.fake[0].writes; n++)
        assert_true(b.fake[0].at_ms[n] > b.fake[0].at_ms[n - 1]);
    assert_true(b.fake[0].at_ms[8] - b.fake[0].at_ms[0] >= 8 * KEEPER_SHARED_MS - 10);
    tear_down(&b);
}

static void test_lines_drop_before_the_bytes_and_each_time(void **state)
{
    (void)state;
    struct bench b;
    set_up(&b, 2);
    add_word(&b, 0, "OFF\n");
    add_word(&b, 1, "");
    for (int i = 0; i < 2; i++) {
        b.config.words[i].frame.sets_lines = true;
        b.config.words[i].frame.dtr = true;
        b.fake[i].rts = true;
    }

    assert_int_equal(keeper_last_words(&b.config), 0);

    for (int i = 0; i < 2; i++) {
        assert_int_equal(b.fake[i].lines, KEEPER_TIMES);
        assert_true(!b.fake[i].rts && b.fake[i].dtr && !b.fake[i].lines_after_bytes);
    }
    tear_down(&b);
}

static void test_frame_goes_out_whole_over_a_port_that_takes_little(void **state)
{
    (void)state;
    struct bench b;
    set_up(&b, 2);
    add_word(&b, 0, "OUTPUT OFF\n");
    add_word(&b, 0, "HEAT 0\n");
    add_word(&b, 1, "OFF\n");
    b.fake[0].most = 1;

    assert_int_equal(keeper_last_words(&b.config), 0);

    static const char sent[] = "OUTPUT OFF\nHEAT 0\nOUTPUT OFF\nHEAT 0\nOUTPUT OFF\nHEAT 0\n";
    assert_int_equal(b.fake[0].length, sizeof sent - 1);
    assert_memory_equal(b.fake[0].bytes, sent, sizeof sent - 1);
    tear_down(&b);
}

/* The first frame takes longer than the room between two: the second must wait for its end. */
static void test_slow_frame_is_not_broken_by_its_neighbour(void **state)
{
    (void)state;
    struct bench b;
    char slow[101] = "";
    set_up(&b, 1);
    memset(slow, 'A', 100);
    add_word(&b, 0, slow);
    add_word(&b, 0, "B\n");
    b.fake[0].most = 2;
    b.fake[0].pause_ms = 2;

    assert_int_equal(keeper_last_words(&b.config), 0);

    assert_int_equal(b.fake[0].length, 3 * 102);
    for (size_t i = 0; i < 3; i++) {
        assert_memory_equal(b.fake[0].bytes + 102 * i, slow, 100);
        assert_memory_equal(b.fake[0].bytes + 102 * i + 100, "B\n", 2);
    }
    tear_down(&b);
}

static void test_dead_port_holds_back_no_other_and_is_counted(void **state)
{
    (void)state;
    struct bench b;
    set_up(&b, 5);
    for (int i = 0; i < 5; i++)
        add_word(&b, i, "OFF\n");
    b.fake[0].full = true;
    b.fake[1].fail_first = -1;
    b.fake[2].fail_first = 2; /* the third time gets through: that one is off */
    b.fake[3].no_lines = true;
    b.config.words[3].frame.sets_lines = true;
    int64_t begun_ms = now_ms();

    assert_int_equal(keeper_last_words(&b.config), 3);

    assert_memory_equal(b.fake[2].bytes, "OFF\n", 4);
    assert_int_equal(b.fake[3].length, 12); /* its bytes are sent all the same */
    assert_int_equal(b.fake[4].length, 12);
    assert_true(b.fake[4].at_ms[0] - begun_ms < KEEPER_APART_MS);
    assert_true(now_ms() - begun_ms < 1300 + SLACK_MS);
    tear_down(&b);
}

static void test_port_that_is_not_there_is_counted(void **state)
{
    (void)state;
    struct bench b;
    set_up(&b, 1);
    add_word(&b, 3, "OFF\n");
    assert_int_equal(keeper_last_words(&b.config), 1);
    tear_down(&b);
}

/* Over a socket, as an instrument sees it; the other end never reads in the second half. */
static void test_last_words_over_a_real_descriptor(void **state)
{
    (void)state;
    struct bench b;
    int fds[2];
    char got[64];
    set_up(&b, 1);
    add_word(&b, 0, "\nOFF\n");
    assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM, 0, fds), 0);
    assert_int_equal(port_fd_open(fds[0], &b.config.port[0]), 0);

    assert_int_equal(keeper_last_words(&b.config), 0);
    assert_int_equal(read(fds[1], got, sizeof got), 15);
    assert_memory_equal(got, "\nOFF\n\nOFF\n\nOFF\n", 15);
    while (port_write(b.config.port[0], got, 15) > 0)
        ;
    assert_int_equal(keeper_last_words(&b.config), 1);
    close(fds[1]);
    assert_int_equal(keeper_last_words(&b.config), 1); /* and no SIGPIPE */

    port_close(b.config.port[0]);
    tear_down(&b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_guard_that_ends_in_order_is_followed_by_one_round_of_last_words),
        cmocka_unit_test(test_over_is_believed_only_when_the_guard_leaves),
        cmocka_unit_test(test_killed_guard_is_followed_by_off_within_250_ms),
        cmocka_unit_test(test_stopped_guard_is_killed_and_followed_by_off),
        cmocka_unit_test(test_guard_that_never_beats_is_late),
        cmocka_unit_test(test_guard_that_is_gone_is_dead_whatever_it_leaves_behind),
        cmocka_unit_test(test_death_itself_wakes_the_keeper),
        cmocka_unit_test(test_guard_with_wrong_numbers_is_as_good_as_dead),
        cmocka_unit_test(test_keeper_shows_that_it_lives),
        cmocka_unit_test(test_full_pipe_of_signs_does_not_stop_the_keeper),
        cmocka_unit_test(test_terminal_signals_do_nothing_and_term_switches_off),
        cmocka_unit_test(test_keeper_that_was_stopped_reads_what_waits_before_it_judges),
        cmocka_unit_test(test_last_words_come_three_times_and_apart),
        cmocka_unit_test(test_frames_on_one_port_leave_room_for_the_answer_between),
        cmocka_unit_test(test_lines_drop_before_the_bytes_and_each_time),
        cmocka_unit_test(test_frame_goes_out_whole_over_a_port_that_takes_little),
        cmocka_unit_test(test_slow_frame_is_not_broken_by_its_neighbour),
        cmocka_unit_test(test_dead_port_holds_back_no_other_and_is_counted),
        cmocka_unit_test(test_port_that_is_not_there_is_counted),
        cmocka_unit_test(test_last_words_over_a_real_descriptor),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
