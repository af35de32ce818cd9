/* SPDX-License-Identifier: MIT */
/* The proofs, alone: a line instrument of this test's own at the port, the test as keeper and as person. */
#include "check.h"

#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "fake_line.h"
#include "tinlatch/keeper.h"
#include "tinlatch/prove.h"

/* ---- an instrument with one thing wrong -------------------------------------------------------------------- */

enum flaw {
    SOUND,
    STRANGER,    /* another maker */
    NO_TIMER,    /* never goes off by itself */
    HASTY_TIMER, /* says q=1 after half a second already */
    DEAF_TO_OFF, /* does not take OFF */
    SLOW_CLOCK,  /* its seconds are a tenth too long */
    OPEN_SENSOR,
    FAN_STUCK,
    SLOW_LINE, /* none of its own: at its baud rate no period is long enough */
    DUMB,      /* answers nothing */
    FLAWS
};

struct fake {
    struct fake_line line;
    enum flaw flaw;
    int64_t began_ms, heard_ms;
};

static int64_t now_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

static int64_t up_s(const struct fake *fake)
{
    return (now_ms() - fake->began_ms) / (fake->flaw == SLOW_CLOCK ? 1100 : 1000);
}

static void hear_set(struct fake *fake, unsigned sequence, bool silenced)
{
    char body[128];
    if (fake->flaw == FAN_STUCK)
        fake->line.fan = 0;
    snprintf(body, sizeof body, "%u ok d=%d f=%d up=%lld q=%d c1=%s", sequence, fake->line.duty,
             fake->line.fan, (long long)up_s(fake), silenced,
             fake->flaw == OPEN_SENSOR ? "open" : "23400");
    fake_line_say(&fake->line, body);
}

static void hear(struct fake_line *fake_line, const char *line)
{
    struct fake *fake = (struct fake *)fake_line;
    unsigned sequence;
    char body[128];
    int64_t silent_ms = now_ms() - fake->heard_ms;
    bool silenced = silent_ms >= (fake->flaw == HASTY_TIMER ? 400 : 1100) && fake->flaw != NO_TIMER;
    if (fake->flaw == DUMB)
        return;
    if (!strcmp(line, "OFF")) {
        if (fake->flaw == DEAF_TO_OFF)
            return;
        fake->line.duty = fake->line.fan = 0;
        fake->line.out_length += (size_t)sprintf(fake->line.out + fake->line.out_length, "off\n");
    } else if (sscanf(line, "%u", &sequence) != 1) {
        return;
    } else if (strstr(line, " who ")) {
        snprintf(body, sizeof body, "%u iam %s P-1 silence=1100 up=%lld", sequence,
                 fake->flaw == STRANGER ? "another" : "fake", (long long)up_s(fake));
        fake_line_say(&fake->line, body);
    } else if (sscanf(strchr(line, ' '), " set d=%d f=%d", &fake->line.duty, &fake->line.fan) ==
               2) {
        hear_set(fake, sequence, silenced);
    }
    fake->heard_ms = now_ms();
}

/* ---- a check of it, in a process of its own ----------------------------------------------------------------- */

struct checked {
    pid_t pid;
    int talk, beats, signs;
    char rows[8192];
    int32_t end;
    bool ended;
};

static struct benchfile bench = {
    .period_ms = 100,
    .has_fan = true,
    .device_count = 1,
    .device = {{.kind = DEVICE_LINE, .name = "plate", .identity = "fake", .silence_ms = 1100}},
    .port_count = 1,
    .port = {{.path = "/dev/fake", .baud = 115200, .parity = 'N'}},
    .sensor = {{.present = true}},
    .supply_device = -1,
    .meter_device = -1,
    .cutoff_device = -1,
    .inputs_device = -1,
};

static void begin(struct checked *checked, enum flaw flaw)
{
    int talk[2], beats[2], signs[2];
    assert_int_equal(socketpair(AF_UNIX, SOCK_SEQPACKET, 0, talk), 0);
    assert_int_equal(pipe2(beats, O_NONBLOCK), 0);
    assert_int_equal(pipe2(signs, O_NONBLOCK), 0);
    *checked = (struct checked){.talk = talk[0], .beats = beats[0], .signs = signs[1]};
    checked->pid = fork();
    if (checked->pid == 0) {
        static struct fake fake;
        struct prove_talk with = {.fd = talk[1]};
        struct prove_config config = {
            .bench = &bench, .beat_fd = beats[1], .sign_fd = signs[0], .talk = &with};
        fake.flaw = flaw;
        fake_line_init(&fake.line);
        fake.line.hear = hear;
        fake.began_ms = fake.heard_ms = now_ms();
        config.port[0] = &fake.line.port;
        if (flaw == SLOW_LINE)
            bench.port[0].baud = 2400;
        close(talk[0]);
        close(signs[1]);
        enum outcome outcome = prove_run(&config);
        _exit(fake.line.duty || fake.line.fan ? 100
                                              : (int)outcome); /* whatever else: it is left off */
    }
    close(talk[1]);
    close(beats[1]);
    close(signs[0]);
}

static void take(struct checked *checked)
{
    _Alignas(8) unsigned char message[WIRE_MAX];
    int kind;
    while ((kind = wire_receive_now(checked->talk, message)) > 0) {
        const struct wire_note *note = (const void *)message;
        const struct wire_end *end = (const void *)message;
        size_t used = strlen(checked->rows);
        if (kind == WIRE_NOTE)
            snprintf(checked->rows + used, sizeof checked->rows - used, "%s %s %s\n",
                     note->note == NOTE_STATE   ? "+"
                     : note->note == NOTE_FAULT ? "-"
                                                : "?",
                     note->name, note->text);
        checked->ended = checked->ended || kind == WIRE_END;
        if (kind == WIRE_END)
            checked->end = end->code;
    }
}

/* Until `many` of them have ended; the keeper's part is played. */
static void watch(struct checked *checked, int many, int most_ms)
{
    struct keeper_beat beat;
    int left = many;
    for (int64_t until_ms = now_ms() + most_ms; left > 0 && now_ms() < until_ms;) {
        left = 0;
        for (int i = 0; i < many; i++) {
            (void)!write(checked[i].signs, "k", 1);
            while (read(checked[i].beats, &beat, sizeof beat) > 0)
                ;
            take(&checked[i]);
            left += !checked[i].ended;
        }
        poll(NULL, 0, 50);
    }
}

static int status_of(struct checked *checked)
{
    int status;
    if (!checked->ended)
        kill(checked->pid, SIGKILL);
    waitpid(checked->pid, &status, 0);
    close(checked->talk);
    close(checked->beats);
    close(checked->signs);
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
}

static void
test_each_proof_holds_for_a_sound_instrument_and_fails_for_one_with_that_flaw(void **state)
{
    static const struct {
        const char *row;
        enum outcome outcome;
    } expected[FLAWS] = {
        [SOUND] = {"+ plate identity: it answers \"fake P-1\"\n", RUN_DONE},
        [STRANGER] = {"- plate identity: it answers \"another P-1\"; the bench file wants",
                      RUN_DEVICE},
        [NO_TIMER] = {"- plate silence timer: it had not switched itself off within 1.3 s",
                      RUN_REFUSED},
        [HASTY_TIMER] = {"- plate silence timer: it says that it fired within 0.6 s", RUN_REFUSED},
        [DEAF_TO_OFF] = {"- plate off: OFF is not acknowledged", RUN_REFUSED},
        [SLOW_CLOCK] = {"- plate clock: it counted ", RUN_REFUSED},
        [OPEN_SENSOR] = {"- sensor plate reading: its thermocouple is open", RUN_REFUSED},
        [FAN_STUCK] = {"- plate fan: told 30 %, it says 0 %", RUN_REFUSED},
        [SLOW_LINE] = {"- plate scan budget: 6", RUN_REFUSED},
        [DUMB] = {"- plate identity: no answer within 3 s", RUN_DEVICE},
    };
    static struct checked checked[FLAWS];
    (void)state;
    for (enum flaw flaw = SOUND; flaw < FLAWS; flaw++)
        begin(&checked[flaw], flaw);

    watch(checked, FLAWS, 60000);

    for (enum flaw flaw = SOUND; flaw < FLAWS; flaw++) {
        int failed = 0;
        for (const char *at = checked[flaw].rows; *at; at = strchr(at, '\n') + 1)
            failed += *at == '-';
        if (failed != (flaw != SOUND) || !checked[flaw].ended)
            print_error("flaw %d:\n%s", flaw, checked[flaw].rows);
        assert_true(checked[flaw].ended);
        assert_int_equal(status_of(&checked[flaw]), expected[flaw].outcome);
        assert_int_equal(checked[flaw].end, expected[flaw].outcome);
        assert_has(checked[flaw].rows, expected[flaw].row);
        assert_int_equal(failed, flaw != SOUND); /* and nothing else is blamed */
    }
    static const char *const sound[] = {
        "+ sensor plate reading: 23.4 C; ",
        "+ plate off: OFF is acknowledged",
        "+ plate fan: told 30 %, it says 30 %",
        "+ plate silence timer: off by itself within 1.3 s of silence, not within 0.6 s",
        "+ plate clock: it counted ",
        "+ plate scan budget: ",
        "+ bench off at the end: "};
    for (size_t i = 0; i < sizeof sound / sizeof sound[0]; i++)
        assert_has(checked[SOUND].rows, sound[i]);
}

static void test_a_stop_ends_it_with_everything_off(void **state)
{
    static struct checked checked;
    struct wire_hand hand = {.stop_count = 1};
    (void)state;
    begin(&checked, SOUND);
    watch(&checked, 1, 4000); /* the fan is on by then */
    assert_has(checked.rows, "+ plate fan: ");

    wire_stamp(&hand.head, WIRE_HAND, 1);
    wire_send(checked.talk, &hand);
    watch(&checked, 1, 3000);

    assert_true(checked.ended);
    assert_int_equal(status_of(&checked), RUN_STOPPED);
    assert_null(strstr(checked.rows, "scan budget"));
}

static void test_without_its_keeper_it_ends_off(void **state)
{
    static struct checked checked;
    (void)state;
    begin(&checked, SOUND);
    watch(&checked, 1, 3500);

    close(checked.signs);
    for (int64_t until_ms = now_ms() + 3000; !checked.ended && now_ms() < until_ms;) {
        take(&checked);
        poll(NULL, 0, 50);
    }

    assert_true(checked.ended);
    checked.signs = dup(0);
    assert_true(status_of(&checked) < 100);
}

static void test_what_is_missing_counts_before_what_failed_and_that_before_a_stop(void **state)
{
    (void)state;
    struct prove_talk talk = {.fd = -1};
    assert_int_equal(prove_outcome(&talk), RUN_DONE);
    talk.stopped = true;
    assert_int_equal(prove_outcome(&talk), RUN_STOPPED);
    talk.failed = true;
    assert_int_equal(prove_outcome(&talk), RUN_REFUSED);
    talk.missing = true;
    assert_int_equal(prove_outcome(&talk), RUN_DEVICE);
}

static void test_an_answer_counts_for_its_own_question_only(void **state)
{
    int pair[2];
    struct wire_hand hand = {.answer = ANSWER_YES};
    (void)state;
    assert_int_equal(socketpair(AF_UNIX, SOCK_SEQPACKET, 0, pair), 0);
    struct prove_talk talk = {.fd = pair[0]};
    prove_ask(&talk, "plate", "Is it %s?", "cold");
    assert_false(prove_answered(&talk));

    hand.prompt = talk.asked + 1;
    wire_stamp(&hand.head, WIRE_HAND, 1);
    wire_send(pair[1], &hand);
    prove_hear(&talk);
    assert_false(prove_answered(&talk));

    hand.prompt = talk.asked;
    wire_send(pair[1], &hand);
    prove_hear(&talk);
    assert_true(prove_answered(&talk));
    assert_int_equal(talk.answer, ANSWER_YES);

    prove_ask(&talk, "plate", "And now?");
    assert_false(prove_answered(&talk));
    hand = (struct wire_hand){.leaves = 1};
    wire_stamp(&hand.head, WIRE_HAND, 1);
    wire_send(pair[1], &hand);
    prove_hear(&talk);
    assert_true(prove_answered(&talk) && talk.nobody && talk.answer == ANSWER_NONE);

    close(pair[1]);
    prove_hear(&talk);
    assert_true(talk.gone && prove_over(&talk));
    close(pair[0]);
}

int main(void)
{
    signal(SIGPIPE, SIG_IGN); /* a check that is over reads no signs */
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(
            test_each_proof_holds_for_a_sound_instrument_and_fails_for_one_with_that_flaw),
        cmocka_unit_test(test_a_stop_ends_it_with_everything_off),
        cmocka_unit_test(test_without_its_keeper_it_ends_off),
        cmocka_unit_test(test_what_is_missing_counts_before_what_failed_and_that_before_a_stop),
        cmocka_unit_test(test_an_answer_counts_for_its_own_question_only),
    };
    cmocka_set_test_filter(getenv("ONLY"));
    return cmocka_run_group_tests(tests, NULL, NULL);
}
