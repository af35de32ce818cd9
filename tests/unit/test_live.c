/* SPDX-License-Identifier: MIT */
/* The guard's process, alone: the test plays front, recipe, keeper and scribe at the other ends. The run uses no
 * plate and no supply, so nothing is on any port; what is watched is the loop and who may end it. */
#include "check.h"

#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include "fake_line.h"
#include "tinlatch/keeper.h"
#include "tinlatch/latch.h"
#include "tinlatch/live.h"

struct stage {
    pid_t guard;
    int recipe, front, beats, signs, lines, durable;
    char latch[64];
    bool keeper_lives, front_answers, disk_sleeps;
    int told; /* snapshots to the recipe */
    struct wire_hand hand;
    struct wire_snapshot snapshot;
    struct wire_hello hello; /* that the front was told */
    uint32_t beat;
    int wrong_beats;
    struct wire_end end;
    bool ended, greeted, heated;
    char said[BENCH_TEXT]; /* the last fault */
};

static struct benchfile bench;

static void two_ends(int *ours, int *its)
{
    int pair[2];
    assert_int_equal(socketpair(AF_UNIX, SOCK_SEQPACKET, 0, pair), 0);
    *ours = pair[0];
    *its = pair[1];
}

static void pipe_from(int *ours, int *its)
{
    int pair[2];
    assert_int_equal(pipe2(pair, O_NONBLOCK), 0);
    *ours = pair[0];
    *its = pair[1];
}

static void bench_without_ports(void)
{
    bench = (struct benchfile){.period_ms = 50,
                               .plate_device = -1,
                               .supply_device = -1,
                               .meter_device = -1,
                               .cutoff_device = -1,
                               .inputs_device = -1,
                               .presence_ms = 600000};
}

/* A plate that answers as soon as it is asked. */
static struct fake_line *bench_with_plate(void)
{
    static struct fake_line plate;

    fake_line_init(&plate);
    plate.mc[0] = plate.mc[1] = 30000;
    bench = fake_line_bench();
    return &plate;
}

static void start_on_bench(struct stage *stage, struct port *port)
{
    int pair[2];
    struct live_config config = {
        .bench = &bench, .port = {port}, .recipe_name = "quick.lua", .serial = "", .latch_fd = -1};

    *stage = (struct stage){.keeper_lives = true, .front_answers = true};
    snprintf(stage->latch, sizeof stage->latch, "/tmp/test-live-%d.latch", (int)getpid());
    unlink(stage->latch);
    two_ends(&stage->recipe, &config.recipe_fd);
    two_ends(&stage->front, &config.front_fd);
    pipe_from(&stage->beats, &config.beat_fd);
    pipe_from(&stage->lines, &config.record_fd);
    assert_int_equal(pipe2(pair, O_NONBLOCK), 0);
    config.sign_fd = pair[0];
    stage->signs = pair[1];
    assert_int_equal(pipe2(pair, O_NONBLOCK), 0);
    config.durable_fd = pair[0];
    stage->durable = pair[1];
    config.latch_path = stage->latch;
    stage->guard = fork();
    if (stage->guard == 0) {
        const int ours[] = {stage->recipe, stage->front, stage->beats,
                            stage->signs,  stage->lines, stage->durable};
        for (size_t i = 0; i < sizeof ours / sizeof ours[0]; i++)
            close(ours[i]);
        _exit((int)live_run(&config));
    }
    close(config.recipe_fd);
    close(config.front_fd);
    close(config.beat_fd);
    close(config.record_fd);
    close(config.sign_fd);
    close(config.durable_fd);
}

static void start(struct stage *stage)
{
    bench_without_ports();
    start_on_bench(stage, NULL);
}

static void say_hello(struct stage *stage)
{
    struct wire_hello hello = {.title = "Warm it up", .board_name = "hx210"};
    wire_stamp(&hello.head, WIRE_HELLO, 1);
    assert_int_equal(wire_send(stage->recipe, &hello), 0);
}

/* The scribe's part: whatever came is durable. */
static void write_down(struct stage *stage)
{
    static uint64_t lines;
    static pid_t of;
    char block[65536];
    ssize_t n;

    if (of != stage->guard) {
        of = stage->guard;
        lines = 0;
    }
    while ((n = read(stage->lines, block, sizeof block)) > 0)
        for (ssize_t i = 0; i < n; i++)
            lines += block[i] == '\n';
    if (stage->disk_sleeps)
        return;
    if (write(stage->durable, &lines, sizeof lines) < 0)
        return; /* the guard has left */
}

static void hear_beats(struct stage *stage)
{
    struct keeper_beat beat;
    while (read(stage->beats, &beat, sizeof beat) == (ssize_t)sizeof beat) {
        stage->wrong_beats += beat.number != stage->beat + 1;
        stage->beat = beat.number;
    }
}

static void hear_front(struct stage *stage)
{
    _Alignas(8) unsigned char message[WIRE_MAX];
    int kind;

    while ((kind = wire_receive_now(stage->front, message)) > 0) {
        if (kind == WIRE_END) {
            memcpy(&stage->end, message, sizeof stage->end);
            stage->ended = true;
        }
        if (kind == WIRE_HELLO)
            memcpy(&stage->hello, message, sizeof stage->hello);
        if (kind == WIRE_NOTE && (((const struct wire_note *)(void *)message)->note == NOTE_FAULT ||
                                  ((const struct wire_note *)(void *)message)->note == NOTE_WARN))
            snprintf(stage->said, sizeof stage->said, "%.255s",
                     ((const struct wire_note *)(void *)message)->text);
        if (kind != WIRE_SNAPSHOT)
            continue;
        memcpy(&stage->snapshot, message, sizeof stage->snapshot);
        stage->heated |= stage->snapshot.duty_permille > 0;
        if (!stage->front_answers)
            continue;
        stage->hand.prompt = stage->snapshot.open_note;
        stage->hand.answer = stage->snapshot.open_note ? ANSWER_YES : ANSWER_NONE;
        wire_stamp(&stage->hand.head, WIRE_HAND, stage->snapshot.head.number);
        wire_send(stage->front, &stage->hand);
    }
}

/* The recipe's part: a turn for every snapshot, once it was greeted. */
static void hear_recipe(struct stage *stage, bool turns)
{
    _Alignas(8) unsigned char message[WIRE_MAX];
    struct wire_turn turn = {.rail = -1};
    int kind;

    while ((kind = wire_receive_now(stage->recipe, message)) > 0) {
        stage->greeted = stage->greeted || kind == WIRE_HELLO;
        stage->told += kind == WIRE_SNAPSHOT;
        if (kind != WIRE_SNAPSHOT || !turns)
            continue;
        wire_stamp(&turn.head, WIRE_TURN, ((struct wire_head *)(void *)message)->number);
        wire_send(stage->recipe, &turn);
    }
}

static void play(struct stage *stage, int for_ms, bool turns)
{
    for (int t_ms = 0; t_ms < for_ms && !stage->ended; t_ms += 10) {
        poll(NULL, 0, 10);
        if (stage->keeper_lives && write(stage->signs, "k", 1) < 0)
            stage->keeper_lives = false;
        hear_beats(stage);
        write_down(stage);
        hear_front(stage);
        hear_recipe(stage, turns);
    }
}

static void until_running(struct stage *stage)
{
    for (int i = 0; i < 100 && !stage->greeted; i++)
        play(stage, 50, true);
    assert_true(stage->greeted);
    play(stage, 200, true);
    assert_int_equal(stage->snapshot.mode, GUARD_RUNNING);
}

static int leave(struct stage *stage)
{
    int status = -1;
    close(stage->recipe);
    close(stage->front);
    close(stage->beats);
    close(stage->signs);
    close(stage->lines);
    close(stage->durable);
    waitpid(stage->guard, &status, 0);
    unlink(stage->latch);
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
}

static void test_a_run_from_hello_to_end_is_done_and_never_skips_a_beat(void **state)
{
    (void)state;
    struct stage stage;
    struct wire_end end = {0};
    start(&stage);
    say_hello(&stage);
    until_running(&stage);

    wire_stamp(&end.head, WIRE_END, 1);
    assert_int_equal(wire_send(stage.recipe, &end), 0);
    play(&stage, 5000, false);

    assert_true(stage.ended);
    assert_int_equal(stage.end.code, RUN_DONE);
    assert_string_equal(stage.hello.title, "Warm it up");
    assert_string_equal(stage.hello.board_name, "hx210");
    assert_int_equal(stage.wrong_beats, 0);
    assert_true(stage.beat > 5);
    assert_int_equal(leave(&stage), RUN_DONE);
}

static void test_the_recipe_goes_on_once_its_change_of_mode_is_on_the_disk(void **state)
{
    (void)state;
    struct stage stage;
    start(&stage);
    stage.disk_sleeps = true;
    say_hello(&stage);

    play(&stage, 600, true);
    assert_int_equal(stage.snapshot.mode, GUARD_RUNNING); /* the scans go on ... */
    assert_int_equal(stage.told, 0);                      /* ... the recipe waits */
    stage.disk_sleeps = false;
    play(&stage, 400, true);

    assert_true(stage.told > 0);
    assert_int_equal(stage.snapshot.mode, GUARD_RUNNING);
    leave(&stage);
}

static void test_a_recipe_that_fails_has_its_words_in_the_end_and_never_as_the_guards(void **state)
{
    (void)state;
    struct stage stage;
    struct wire_end end = {.code = TL_STEP, .line = 12, .text = "All is off and cold."};
    start(&stage);
    say_hello(&stage);
    until_running(&stage);

    wire_stamp(&end.head, WIRE_END, 1);
    wire_send(stage.recipe, &end);
    play(&stage, 5000, false);

    assert_int_equal(stage.end.code, RUN_FAILED);
    assert_int_equal(stage.end.line, 12);
    assert_has(stage.end.text, "All is off and cold.");
    assert_string_equal(stage.said, "the recipe failed: All is off and cold.");
    assert_int_equal(leave(&stage), RUN_FAILED);
}

static void test_a_recipe_that_is_gone_without_a_word_has_failed(void **state)
{
    (void)state;
    struct stage stage;
    start(&stage);
    say_hello(&stage);
    until_running(&stage);

    shutdown(stage.recipe, SHUT_RDWR);
    play(&stage, 5000, false);

    assert_int_equal(stage.end.code, RUN_FAILED);
    leave(&stage);
}

static void test_a_stop_ends_it_as_stopped(void **state)
{
    (void)state;
    struct stage stage;
    start(&stage);
    say_hello(&stage);
    until_running(&stage);

    stage.hand.stop_count = 1;
    play(&stage, 5000, true);

    assert_int_equal(stage.end.code, RUN_STOPPED);
    leave(&stage);
}

static void test_a_front_that_hangs_up_stops_the_run(void **state)
{
    (void)state;
    struct stage stage;
    start(&stage);
    say_hello(&stage);
    until_running(&stage);

    shutdown(stage.front, SHUT_RDWR);
    stage.front_answers = false;
    for (int i = 0; i < 300 && waitpid(stage.guard, NULL, WNOHANG) == 0; i++)
        play(&stage, 20, true);

    assert_int_equal(kill(stage.guard, 0), -1);
    leave(&stage);
}

static void test_a_front_whose_terminal_hung_up_says_nothing_more_and_is_told_the_end(void **state)
{
    (void)state;
    struct stage stage;
    start(&stage);
    say_hello(&stage);
    until_running(&stage);

    shutdown(stage.front, SHUT_WR);
    stage.front_answers = false;
    play(&stage, 5000, true);

    assert_true(stage.ended);
    assert_int_equal(stage.end.code, RUN_STOPPED);
    leave(&stage);
}

/* Bytes that are no message, a message that is not its own, and one that no front says. */
static void test_a_front_that_breaks_the_rules_ends_the_run_for_that_reason(void **state)
{
    (void)state;
    struct wire_turn turn = {.rail = -1};
    struct wire_hand hand = {.answer = ANSWERS};
    wire_stamp(&turn.head, WIRE_TURN, 1);
    wire_stamp(&hand.head, WIRE_HAND, 1);
    const struct {
        const void *message;
        size_t size;
    } wrong[] = {{"abc", 3}, {&turn, sizeof turn}, {&hand, sizeof hand}, {&hand, sizeof hand - 8}};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct stage stage;
        start(&stage);
        say_hello(&stage);
        until_running(&stage);

        assert_true(send(stage.front, wrong[i].message, wrong[i].size, 0) > 0);
        play(&stage, 5000, true);

        assert_true(stage.ended); /* it is still told */
        assert_int_equal(stage.end.code, RUN_FAILED);
        assert_has(stage.end.text, "the front: a message to the guard broke the rules");
        assert_int_equal(leave(&stage), RUN_FAILED);
    }
}

static void test_a_recipe_that_says_no_message_is_ended_for_that_reason(void **state)
{
    (void)state;
    struct stage stage;
    start(&stage);
    say_hello(&stage);
    until_running(&stage);

    assert_int_equal(send(stage.recipe, "abc", 3, 0), 3);
    play(&stage, 5000, true);

    assert_int_equal(stage.end.code, RUN_FAILED);
    assert_has(stage.end.text, "the recipe: a message to the guard broke the rules");
    leave(&stage);
}

static void test_a_front_that_says_nothing_pauses_and_goes_on(void **state)
{
    (void)state;
    struct stage stage;
    start(&stage);
    say_hello(&stage);
    until_running(&stage);

    stage.front_answers = false;
    play(&stage, 3500, true);
    assert_int_equal(stage.snapshot.mode, GUARD_PAUSED);
    assert_int_equal(stage.snapshot.rule, FRONT_SILENT);
    stage.front_answers = true;
    play(&stage, 500, true);

    assert_int_equal(stage.snapshot.mode, GUARD_RUNNING);
    stage.hand.stop_count = 1;
    play(&stage, 3000, true);
    leave(&stage);
}

static void test_a_front_that_slept_is_told_how_many_lines_it_missed(void **state)
{
    (void)state;
    struct stage stage;
    start(&stage);
    say_hello(&stage);
    play(&stage, 500, true);
    assert_true(stage.greeted);

    for (uint32_t i = 1; i <= 600;
         i++) { /* more than the socket holds; nobody listens at the front */
        struct wire_note note = {.note = NOTE_TELL, .text = "one more line"};
        wire_stamp(&note.head, WIRE_NOTE, i);
        while (wire_send(stage.recipe, &note) == TL_MORE)
            poll(NULL, 0, 1);
        if (i % 4 == 0)
            poll(NULL, 0, 1);
        hear_recipe(&stage, true);
        write_down(&stage);
        if (write(stage.signs, "k", 1) < 0)
            break;
    }
    stage.said[0] = '\0';
    play(&stage, 500, true);

    assert_has(stage.said, "lines are not shown; the record has them");
    kill(stage.guard, SIGKILL);
    waitpid(stage.guard, NULL, 0);
}

static void test_a_keeper_that_is_gone_trips_and_latches(void **state)
{
    (void)state;
    struct stage stage;
    struct latch latch;
    start(&stage);
    say_hello(&stage);
    until_running(&stage);

    close(stage.signs);
    stage.keeper_lives = false;
    stage.signs = open("/dev/null", O_WRONLY);
    play(&stage, 5000, true);

    assert_int_equal(stage.end.code, RUN_TRIPPED);
    assert_int_equal(latch_read(stage.latch, &latch, NULL), 1);
    assert_string_equal(latch.rule, "keeper-silent");
    leave(&stage);
}

static void test_a_question_answered_no_refuses_the_run(void **state)
{
    (void)state;
    struct stage stage;
    start(&stage);
    say_hello(&stage);
    stage.front_answers = false;
    for (int i = 0; i < 100 && !stage.snapshot.open_note; i++)
        play(&stage, 20, true);
    assert_true(stage.snapshot.open_note != 0);

    stage.hand.prompt = stage.snapshot.open_note;
    stage.hand.answer = ANSWER_NO;
    wire_stamp(&stage.hand.head, WIRE_HAND, stage.snapshot.head.number);
    wire_send(stage.front, &stage.hand);
    play(&stage, 5000, true);

    assert_int_equal(stage.end.code, RUN_REFUSED);
    assert_false(stage.greeted);
    leave(&stage);
}

/* Its answer is read while the request is still being sent, and no byte is left to wake anybody. */
static void test_an_instrument_that_answers_at_once_does_not_wait_for_the_scan(void **state)
{
    (void)state;
    struct stage stage;
    struct fake_line *plate = bench_with_plate();
    struct wire_hello hello = {.insert = "flat", .recipe.uses_plate = true};
    int32_t youngest_ms = INT32_MAX;
    start_on_bench(&stage, &plate->port);
    stage.front_answers = false; /* it goes on asking, cold */
    wire_stamp(&hello.head, WIRE_HELLO, 1);
    assert_int_equal(wire_send(stage.recipe, &hello), 0);

    play(&stage, 300, true);
    for (int i = 0; i < 4; i++) {
        poll(NULL, 0, 300); /* nobody else wakes it either */
        play(&stage, 10, true);
        if (stage.snapshot.quality[SENSOR_PLATE] == QUALITY_GOOD &&
            stage.snapshot.age_ms[SENSOR_PLATE] < youngest_ms)
            youngest_ms = stage.snapshot.age_ms[SENSOR_PLATE];
    }

    assert_true(youngest_ms < bench.period_ms / 2);
    kill(stage.guard, SIGKILL);
    leave(&stage);
}

/* No keeper has staged it here. */
static void test_what_cannot_be_latched_is_not_heated(void **state)
{
    (void)state;
    struct stage stage;
    struct fake_line *plate = bench_with_plate();
    struct wire_hello hello = {.insert = "flat", .recipe.uses_plate = true};
    start_on_bench(&stage, &plate->port);
    wire_stamp(&hello.head, WIRE_HELLO, 1);
    assert_int_equal(wire_send(stage.recipe, &hello), 0);

    for (int i = 0; i < 40 && stage.snapshot.mode != GUARD_COOLING; i++)
        play(&stage, 100, true);

    assert_int_equal(stage.snapshot.mode, GUARD_COOLING);
    assert_has(stage.said, "cannot be armed");
    assert_false(stage.heated);
    kill(stage.guard, SIGKILL);
    leave(&stage);
}

static void test_a_recipe_that_plays_the_person_is_ended(void **state)
{
    (void)state;
    struct stage stage;
    struct wire_hand hand = {.answer = ANSWER_YES};
    start(&stage);
    say_hello(&stage);
    until_running(&stage);

    wire_stamp(&hand.head, WIRE_HAND, 1);
    wire_send(stage.recipe, &hand);
    play(&stage, 5000, true);

    assert_int_equal(stage.end.code, RUN_FAILED);
    assert_has(stage.end.text, "the recipe: a message to the guard broke the rules");
    leave(&stage);
}

int main(void)
{
    signal(SIGPIPE, SIG_IGN); /* a guard that has left is seen by its END */
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_run_from_hello_to_end_is_done_and_never_skips_a_beat),
        cmocka_unit_test(test_the_recipe_goes_on_once_its_change_of_mode_is_on_the_disk),
        cmocka_unit_test(test_a_recipe_that_fails_has_its_words_in_the_end_and_never_as_the_guards),
        cmocka_unit_test(test_a_recipe_that_is_gone_without_a_word_has_failed),
        cmocka_unit_test(test_a_stop_ends_it_as_stopped),
        cmocka_unit_test(test_a_front_that_hangs_up_stops_the_run),
        cmocka_unit_test(test_a_front_whose_terminal_hung_up_says_nothing_more_and_is_told_the_end),
        cmocka_unit_test(test_a_front_that_breaks_the_rules_ends_the_run_for_that_reason),
        cmocka_unit_test(test_a_recipe_that_says_no_message_is_ended_for_that_reason),
        cmocka_unit_test(test_a_front_that_says_nothing_pauses_and_goes_on),
        cmocka_unit_test(test_a_front_that_slept_is_told_how_many_lines_it_missed),
        cmocka_unit_test(test_a_keeper_that_is_gone_trips_and_latches),
        cmocka_unit_test(test_a_question_answered_no_refuses_the_run),
        cmocka_unit_test(test_an_instrument_that_answers_at_once_does_not_wait_for_the_scan),
        cmocka_unit_test(test_what_cannot_be_latched_is_not_heated),
        cmocka_unit_test(test_a_recipe_that_plays_the_person_is_ended),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
