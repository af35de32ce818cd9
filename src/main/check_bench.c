/* SPDX-License-Identifier: MIT */
/* A check of the bench, from the keeper's seat: open what is there, try each contactor in a program that is then
 * killed, switch everything off once, fork the guard that proves the rest, watch it, have the last word. */
#include "live_bench.h"

#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "tinlatch/prove.h"
#include "tinlatch/serial.h"

enum {
    CLOSED_MS = 1000,   /* a cut-off is held closed for so long */
    HEATING_MS = 500,   /* a heater's relay */
    SETTLE_MS = 250,    /* for a contactor to follow its line, and a contact its contactor */
    ANSWER_MS = 60000,  /* a person, to a question */
    VICTIM_MOST_S = 10, /* it ends by itself, whatever becomes of the others */
    INPUTS = 3,
};

static void nap(int ms)
{
    struct timespec time = {ms / 1000, ms % 1000 * 1000000L};
    while (nanosleep(&time, &time) < 0 && errno == EINTR)
        ;
}

static int64_t now_ms(void)
{
    struct timespec now = {0};
    clock_gettime(CLOCK_BOOTTIME, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/* ---- a question, before there is a guard ------------------------------------------------------------------- */

static enum hand_answer wait_for_answer(struct prove_talk *talk)
{
    int64_t until_ms = now_ms() + ANSWER_MS;
    while (!prove_answered(talk) && now_ms() < until_ms) {
        struct pollfd news = {.fd = talk->fd, .events = POLLIN};
        poll(&news, 1, 100);
        prove_hear(talk);
    }
    enum hand_answer answer = talk->answer;
    talk->asked = 0;
    return answer;
}

/* ---- the control inputs of all open ports ------------------------------------------------------------------- */

struct levels {
    bool known[BENCH_PORTS], on[BENCH_PORTS][INPUTS]; /* CTS, DSR, DCD */
};

static void look(struct port *const *port, struct levels *levels)
{
    *levels = (struct levels){0};
    for (int i = 0; i < BENCH_PORTS; i++)
        levels->known[i] = port[i] && port_get_lines(port[i], &levels->on[i][0], &levels->on[i][1],
                                                     &levels->on[i][2]) == 0;
}

/* An input that went along, there and (`after` not NULL) back; its name, NULL: none did. */
static const char *witness(const struct levels *before, const struct levels *closed,
                           const struct levels *after, int *port)
{
    static const char *const names[INPUTS] = {"CTS", "DSR", "DCD"};
    for (int i = 0; i < BENCH_PORTS; i++)
        for (int k = 0; k < INPUTS && before->known[i] && closed->known[i]; k++) {
            bool there = before->on[i][k] != closed->on[i][k];
            bool back = !after || (after->known[i] && after->on[i][k] == before->on[i][k]);
            *port = i;
            if (there && back)
                return names[k];
        }
    return NULL;
}

/* ---- a contactor in a program that dies --------------------------------------------------------------------- */

struct trial {
    const struct benchfile *bench;
    int device, port;
    struct port *const *others; /* open; the contactor's own is not */
};

/* What the program that dies has seen at its own port. */
struct told {
    bool opened, hupcl;
    struct levels before, closed;
    char why[200];
};

static struct frame closed_frame(const struct device_config *contactor)
{
    struct frame frame;
    device_last_words(contactor, &frame);
    frame.rts = frame.rts || !contactor->contactor.on_dtr;
    frame.dtr = frame.dtr || contactor->contactor.on_dtr;
    return frame;
}

static bool hangs_up(const struct port *port)
{
    struct termios mode;
    return tcgetattr(port->fd, &mode) == 0 && (mode.c_cflag & HUPCL) != 0;
}

/* Opens the port, closes the contactor, and does nothing more: it is there to be killed. */
_Noreturn static void be_victim(const struct trial *trial, pid_t parent, int to)
{
    struct tl_error error = {0};
    struct port *port[BENCH_PORTS] = {NULL};
    struct told told = {0};
    struct frame frame = closed_frame(&trial->bench->device[trial->device]);

    prctl(PR_SET_PDEATHSIG, SIGKILL);
    signal(SIGALRM, SIG_DFL);
    alarm(VICTIM_MOST_S);
    if (getppid() != parent)
        _exit(1);
    told.opened = bench_open_port(trial->bench, trial->port, &port[trial->port], &error) == 0;
    snprintf(told.why, sizeof told.why, "%.*s", (int)sizeof told.why - 1, error.text);
    if (told.opened) {
        nap(SETTLE_MS);
        look(port, &told.before);
        told.hupcl = hangs_up(port[trial->port]);
        if (write(to, &told, sizeof told) != (ssize_t)sizeof told ||
            port_set_lines(port[trial->port], frame.rts, frame.dtr) != 0)
            _exit(1);
        nap(SETTLE_MS);
        look(port, &told.closed);
    }
    (void)!write(to, &told, sizeof told);
    for (;;)
        pause();
}

/* True: news from there (-1: there are none) have come; a stop is not kept waiting until then. */
static bool wait_for_news(struct prove_talk *talk, int from, int most_ms)
{
    int64_t until_ms = now_ms() + most_ms;
    for (int64_t left_ms = most_ms; left_ms > 0; left_ms = until_ms - now_ms()) {
        struct pollfd news[] = {{.fd = from, .events = POLLIN}, {.fd = talk->fd, .events = POLLIN}};
        poll(news, 2, (int)left_ms);
        prove_hear(talk);
        if (prove_over(talk) || news[0].revents)
            return !prove_over(talk);
    }
    return false;
}

static bool hear_victim(struct prove_talk *talk, int from, struct told *told)
{
    return wait_for_news(talk, from, VICTIM_MOST_S * 1000) &&
           read(from, told, sizeof *told) == (ssize_t)sizeof *told;
}

struct seen {
    struct told told;
    struct levels before, closed, after; /* at the other ports */
    bool whole;
};

/* Killed, never asked to end: that is the end this is about. */
static void run_victim(struct prove_talk *talk, const struct trial *trial, int hold_ms,
                       struct seen *seen)
{
    int pipes[2];
    pid_t parent = getpid(), victim;
    *seen = (struct seen){0};
    if (pipe(pipes) != 0 || (victim = fork()) < 0) {
        snprintf(seen->told.why, sizeof seen->told.why, "no process for it: %s", strerror(errno));
        return;
    }
    if (victim == 0)
        be_victim(trial, parent, pipes[1]);
    close(pipes[1]);
    seen->whole = hear_victim(talk, pipes[0], &seen->told) && seen->told.opened;
    look(trial->others, &seen->before);
    seen->whole = seen->whole && hear_victim(talk, pipes[0], &seen->told);
    look(trial->others, &seen->closed);
    if (seen->whole)
        wait_for_news(talk, -1, hold_ms - SETTLE_MS);
    kill(victim, SIGKILL);
    waitpid(victim, NULL, 0);
    nap(SETTLE_MS);
    look(trial->others, &seen->after);
    close(pipes[0]);
}

/* ---- what it means ------------------------------------------------------------------------------------------ */

static void ask_first(struct prove_talk *talk, const struct trial *trial)
{
    const struct benchfile *bench = trial->bench;
    const char *name = bench->device[trial->device].name;
    if (trial->device == bench->cutoff_device)
        prove_ask(
            talk, name,
            "The cut-off will be closed for %.1f s by a program that is then killed. Is whatever "
            "else switches the plate at off, and nobody's hand on it? Then look and listen.",
            CLOSED_MS / 1000.0);
    else
        prove_ask(
            talk, name,
            "The heater's relay will be closed for %.1f s by a program that is then killed: the "
            "plate gains up to %.1f K. Is it empty and cold? Then look and listen.",
            HEATING_MS / 1000.0,
            bench->plate.watts * HEATING_MS / 1000 / bench->plate.capacity_j_k);
}

/* The line itself, by an input that went along; at its own port, where nothing can be seen after its end. */
static void tell_line(struct prove_talk *talk, const struct trial *trial, const struct seen *seen)
{
    const struct device_config *contactor = &trial->bench->device[trial->device];
    int port = trial->port;
    const char *input = witness(&seen->told.before, &seen->told.closed, NULL, &port);
    if (input)
        prove_say(talk, PROOF_HOLDS, contactor->name, "line", "%s at its own port follows it",
                  input);
}

static void tell_drop(struct prove_talk *talk, const struct trial *trial, const struct seen *seen)
{
    const struct benchfile *bench = trial->bench;
    const char *name = bench->device[trial->device].name;
    int port = -1;
    const char *input = witness(&seen->before, &seen->closed, NULL, &port);
    if (input && witness(&seen->before, &seen->closed, &seen->after, &port)) {
        prove_say(talk, PROOF_HOLDS, name, "drop",
                  "its program killed, it dropped: %s of %s went there and back", input,
                  bench->port[port].path);
        return;
    }
    if (input) {
        prove_say(talk, PROOF_FAILS, name, "drop",
                  "its program killed, it stayed closed: %s of %s did not come back", input,
                  bench->port[port].path);
        return;
    }
    prove_ask(talk, name, "Did it pull in, and drop out again when its program was killed?");
    enum hand_answer answer = wait_for_answer(talk);
    if (prove_over(talk))
        return;
    if (answer == ANSWER_YES)
        prove_say(talk, PROOF_HOLDS, name, "drop",
                  "its program killed, it dropped: a person saw it");
    else if (answer == ANSWER_NO)
        prove_say(talk, PROOF_FAILS, name, "drop",
                  "a person did not see it pull in and, its program killed, drop out");
    else
        prove_say(talk, PROOF_OPEN, name, "drop",
                  "no wire tells and nobody watched; HUPCL is set for it");
}

static int hold_ms_of(const struct trial *trial)
{
    return trial->device == trial->bench->cutoff_device ? CLOSED_MS : HEATING_MS;
}

static void try_contactor(struct prove_talk *talk, const struct trial *trial)
{
    const char *name = trial->bench->device[trial->device].name;
    struct seen seen;
    ask_first(talk, trial);
    enum hand_answer answer = wait_for_answer(talk);
    if (prove_over(talk))
        return;
    if (answer != ANSWER_YES) {
        prove_say(talk, PROOF_OPEN, name, "drop", "not tried: %s",
                  answer == ANSWER_NO ? "the answer was no" : "nobody was there to say yes");
        return;
    }
    run_victim(talk, trial, hold_ms_of(trial), &seen);
    prove_hear(talk);
    if (prove_over(talk))
        return;
    if (!seen.whole) {
        prove_missing(talk, name, "port", "%s",
                      seen.told.why[0] ? seen.told.why : "its control line cannot be set");
        return;
    }
    tell_line(talk, trial, &seen);
    if (!seen.told.hupcl)
        prove_say(talk, PROOF_FAILS, name, "drop",
                  "its driver does not take HUPCL: the line stays "
                  "as it is when its program dies");
    else
        tell_drop(talk, trial, &seen);
}

/* ---- ports ---------------------------------------------------------------------------------------------------- */

static int contactor_on(const struct benchfile *bench, int port)
{
    for (int i = 0; i < bench->device_count; i++)
        if (bench->device[i].port == port && bench->device[i].kind == DEVICE_CONTACTOR)
            return i;
    return -1;
}

static void open_or_tell(struct bench_run *run, struct prove_talk *talk, int port)
{
    const struct benchfile *bench = run->bench;
    struct tl_error error = {0};
    if (bench_open_port(bench, port, &run->keeper.port[port], &error) == 0)
        return;
    port_close(run->keeper.port[port]);
    run->keeper.port[port] = NULL;
    for (int i = 0; i < bench->device_count; i++)
        if (bench->device[i].port == port)
            prove_missing(talk, bench->device[i].name, "port", "%s", error.text);
}

static void tell_doubts(const struct benchfile *bench, struct prove_talk *talk)
{
    char text[BENCH_TEXT];
    for (int i = 0; i < bench->device_count; i++) {
        int32_t port = bench->device[i].port;
        if (port >= 0 && serial_doubt_name(bench->port[port].path, text, sizeof text))
            prove_say(talk, PROOF_OPEN, bench->device[i].name, "name", "%s", text);
    }
}

/* A contactor is tried while nobody else has its port: it must drop with the last who had it. What is open by
 * then is off. */
static void open_ports(struct bench_run *run, struct prove_talk *talk)
{
    const struct benchfile *bench = run->bench;
    run->keeper.port_count = bench->port_count;
    for (int i = 0; i < bench->port_count; i++)
        if (contactor_on(bench, i) < 0)
            open_or_tell(run, talk, i);
    for (int i = 0; i < bench->port_count && !prove_over(talk); i++) {
        struct trial trial = {bench, contactor_on(bench, i), i, run->keeper.port};
        if (trial.device < 0)
            continue;
        open_or_tell(run, talk, i); /* is it there, and ours? */
        if (!run->keeper.port[i])
            continue;
        bench_encode_words(run);
        keeper_last_words(&run->keeper); /* whatever it switches was left on: not any more */
        port_close(run->keeper.port[i]);
        run->keeper.port[i] = NULL;
        try_contactor(talk, &trial);
        open_or_tell(run, talk, i);
    }
}

/* ---- the whole ------------------------------------------------------------------------------------------------ */

static struct prove_talk talk;

_Noreturn static void be_prover(struct bench_run *run)
{
    const int not_its[] = {run->beat[0],  run->sign[1],    run->lines[0],
                           run->lines[1], run->durable[0], run->durable[1]};
    for (size_t i = 0; i < sizeof not_its / sizeof not_its[0]; i++)
        close(not_its[i]);
    struct prove_config config = {.bench = run->bench,
                                  .beat_fd = run->beat[1],
                                  .sign_fd = run->sign[0],
                                  .talk = &talk,
                                  .ask_realtime = true};
    memcpy(config.port, run->keeper.port, sizeof config.port);
    _exit((int)prove_run(&config));
}

int check_bench(int front_fd, const struct benchfile *bench)
{
    static struct bench_run run;
    const struct live_options options = {.recipe_fd = -1, .front_fd = front_fd, .record_fd = -1};
    signal(SIGPIPE, SIG_IGN);
    run = (struct bench_run){.options = &options, .bench = bench, .crash_fd = -1};
    talk = (struct prove_talk){.fd = front_fd};
    tell_doubts(bench, &talk);
    open_ports(&run, &talk);
    bench_encode_words(&run);
    int unsent = keeper_last_words(&run.keeper);
    if (unsent > 0)
        prove_say(&talk, PROOF_FAILS, "bench", "off",
                  "%d instruments could not be told to switch off", unsent);
    if (bench_make_pipes(&run) != 0)
        return TL_SYSTEM;
    return bench_watch(&run, be_prover);
}
