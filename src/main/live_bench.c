/* SPDX-License-Identifier: MIT */
/* A run on the real bench, from the keeper's seat: open what the recipe needs, switch everything off once, fork
 * scribe and guard, watch the guard, have the last word. */
#include "live_bench.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <sched.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "tinlatch/guard.h"
#include "tinlatch/keeper.h"
#include "tinlatch/latch.h"
#include "tinlatch/live.h"
#include "tinlatch/scribe.h"
#include "tinlatch/serial.h"

enum { HELLO_WAIT_MS = 20000, SCRIBE_WAIT_MS = 3000 };

/* The recipe's HELLO says what it uses; it stays in the socket for the guard. */
static int peek_hello(int fd, struct wire_hello *hello, struct tl_error *error)
{
    struct pollfd waiting = {.fd = fd, .events = POLLIN};

    if (poll(&waiting, 1, HELLO_WAIT_MS) <= 0)
        return tl_error_set(error, TL_TIMEOUT, "the recipe's process says nothing");
    ssize_t n = recv(fd, hello, sizeof *hello, MSG_PEEK | MSG_DONTWAIT);
    if (n != (ssize_t)sizeof *hello || hello->head.kind != WIRE_HELLO || wire_check_hello(hello))
        return tl_error_set(error, TL_ENDED,
                            "the recipe's process did not get as far as its header");
    return 0;
}

/* The kernel has raised both lines; a contactor on one of them is closed until they are dropped. */
int bench_open_port(const struct benchfile *bench, int port, struct port **out,
                    struct tl_error *error)
{
    const struct bench_port *at = &bench->port[port];
    int failed = serial_open(at->path, at->baud, at->parity, out, error);

    for (int i = 0; i < bench->device_count && !failed; i++) {
        struct frame frame;
        if (bench->device[i].port != port)
            continue;
        device_last_words(&bench->device[i], &frame);
        if (frame.sets_lines && port_set_lines(*out, frame.rts, frame.dtr) != 0)
            failed = tl_error_set(error, TL_DEVICE,
                                  "%s: its control lines cannot be set, and %s hangs on them",
                                  at->path, bench->device[i].name);
    }
    return failed;
}

void bench_encode_words(struct bench_run *run)
{
    run->keeper.words_count = 0;
    for (int i = 0; i < run->bench->device_count; i++) {
        int32_t port = run->bench->device[i].port;
        if (port < 0 || !run->keeper.port[port])
            continue;
        run->keeper.words[run->keeper.words_count].port = port;
        device_last_words(&run->bench->device[i],
                          &run->keeper.words[run->keeper.words_count].frame);
        run->keeper.words_count++;
    }
}

static int open_ports(struct bench_run *run, const struct wire_hello *hello, struct tl_error *error)
{
    const struct benchfile *bench = run->bench;
    bool need[BENCH_PORTS];

    guard_ports_needed(bench, hello, need);
    run->keeper.port_count = bench->port_count;
    for (int i = 0; i < bench->port_count; i++) {
        int failed = need[i] ? bench_open_port(bench, i, &run->keeper.port[i], error) : 0;
        if (need[i])
            serial_doubt_name(bench->port[i].path, run->doubt[i], sizeof run->doubt[i]);
        if (failed)
            return failed;
    }
    bench_encode_words(run);
    return 0;
}

/* Off-paths first: every instrument is switched off once before anything else is said to it. */
static int prove_off(struct bench_run *run, struct tl_error *error)
{
    int unsent = keeper_last_words(&run->keeper);

    if (unsent > 0)
        return tl_error_set(error, TL_DEVICE, "%d instruments could not be told to switch off",
                            unsent);
    return 0;
}

int bench_make_pipes(struct bench_run *run)
{
    return pipe2(run->beat, O_CLOEXEC) || pipe2(run->sign, O_CLOEXEC | O_NONBLOCK) ||
                   pipe2(run->lines, O_CLOEXEC) || pipe2(run->durable, O_CLOEXEC | O_NONBLOCK)
               ? TL_SYSTEM
               : 0;
}

/* A process that was stopped (SIGSTOP) and whose parent dies is woken by the kernel: nobody else would, and it would
 * hold its ports for ever. What it does then is its own: it finds the other gone, or itself late. */
static void wake_when_orphaned(void)
{
    prctl(PR_SET_PDEATHSIG, SIGCONT);
}

static void close_all(const int *fds, int n)
{
    for (int i = 0; i < n; i++)
        close(fds[i]);
}

static pid_t fork_scribe(struct bench_run *run)
{
    pid_t pid = fork();

    if (pid != 0)
        return pid;
    const int not_its[] = {
        run->beat[0],  run->beat[1],    run->sign[0],           run->sign[1],
        run->lines[1], run->durable[0], run->options->front_fd, run->options->recipe_fd,
        run->crash_fd};
    close_all(not_its, 9);
    for (int i = 0; i < run->keeper.port_count; i++)
        if (run->keeper.port[i])
            close(run->keeper.port[i]->fd);
    fcntl(run->durable[1], F_SETFL, 0);
    wake_when_orphaned();
    _exit(scribe_run(run->lines[0], run->options->record_fd, run->durable[1]) ? 1 : 0);
}

_Noreturn static void be_live_guard(struct bench_run *run)
{
    const int not_its[] = {run->beat[0], run->sign[1], run->lines[0], run->durable[1],
                           run->options->record_fd};
    close_all(not_its, 5);
    struct live_config config = {
        .bench = run->bench,
        .recipe_fd = run->options->recipe_fd,
        .front_fd = run->options->front_fd,
        .beat_fd = run->beat[1],
        .sign_fd = run->sign[0],
        .record_fd = run->lines[1],
        .durable_fd = run->durable[0],
        .latch_path = run->options->latch_path,
        .latch_fd = run->crash_fd,
        .recipe_name = run->options->recipe_name,
        .serial = run->options->serial,
        .seed = run->options->seed,
        .source = run->options->source,
        .ask_realtime = true,
    };
    memcpy(config.port, run->keeper.port, sizeof config.port);
    for (int i = 0; i < BENCH_PORTS; i++)
        config.doubt[i] = run->doubt[i];
    _exit((int)live_run(&config));
}

/* The scribe ends when the last writer has closed its pipe; one that hangs on a dead disk is not waited for. */
static void reap_scribe(pid_t scribe)
{
    for (int waited_ms = 0; waited_ms < SCRIBE_WAIT_MS; waited_ms += 50) {
        if (waitpid(scribe, NULL, WNOHANG) != 0)
            return;
        usleep(50000);
    }
    kill(scribe, SIGKILL);
    waitpid(scribe, NULL, 0);
}

/* Whoever watches outranks what is watched: a guard that spins must not keep it from its turn. */
static void outrank_guard(void)
{
    struct sched_param priority = {.sched_priority = LIVE_PRIORITY + 1};

    sched_setscheduler(0, SCHED_FIFO, &priority);
    mlockall(MCL_CURRENT | MCL_FUTURE);
}

int bench_watch(struct bench_run *run, void (*be_guard)(struct bench_run *run))
{
    int unsent = 0, status = 0;

    run->scribe = run->options->record_fd >= 0 ? fork_scribe(run) : 0;
    run->keeper.guard = run->scribe >= 0 ? fork() : -1;
    if (run->keeper.guard == 0) {
        wake_when_orphaned();
        be_guard(run);
        _exit(1);
    }
    if (run->keeper.guard < 0)
        return TL_SYSTEM;
    const int not_its[] = {
        run->beat[1],           run->sign[0],    run->lines[0],          run->lines[1],
        run->durable[0],        run->durable[1], run->options->front_fd, run->options->recipe_fd,
        run->options->record_fd};
    close_all(not_its, 9);
    run->keeper.beat_fd = run->beat[0];
    run->keeper.sign_fd = run->sign[1];
    wake_when_orphaned();
    outrank_guard();
    enum keeper_end end = keeper_watch(&run->keeper, &unsent);
    waitpid(run->keeper.guard, &status, 0);
    if (run->scribe > 0)
        reap_scribe(run->scribe);
    if (end == KEEPER_OVER && WIFEXITED(status))
        return WEXITSTATUS(status);
    fprintf(stderr, "tinlatch-guard: the guard %s; every instrument was told to switch off%s\n",
            end == KEEPER_DEAD   ? "died"
            : end == KEEPER_LATE ? "did not answer in time and was ended"
                                 : "was ended",
            unsent ? ", but not every line took it: pull the mains plug" : "");
    return TL_ENDED;
}

/* Returns the outcome. */
static int tell_refusal(const struct live_options *options, const struct tl_error *error)
{
    struct wire_end end = {.code = error->code == TL_DEVICE ? RUN_DEVICE
                                   : error->code == TL_FILE ? RUN_REFUSED
                                                            : RUN_INVALID};

    wire_stamp(&end.head, WIRE_END, 1);
    snprintf(end.text, sizeof end.text, "%.*s", (int)sizeof end.text - 1, error->text);
    wire_send(options->front_fd, &end);
    int outcome = end.code;
    end.code = error->code;
    wire_send(options->recipe_fd, &end);
    return outcome;
}

/* Laid down here, where a slow disk delays no scan; the guard arms it before the first heat. Whichever of the two lives
 * longer holds it. */
static int stage_crash(struct bench_run *run, struct tl_error *error)
{
    struct latch latch = {.rule = "crash",
                          .what =
                              "the run ended without saying so: the program or the computer died",
                          .act = "look whether the plate is off and cool before anything else",
                          .look = "look at the end of the record, and why the program died",
                          .wall_s = (int64_t)time(NULL)};

    snprintf(latch.recipe, sizeof latch.recipe, "%s", run->options->recipe_name);
    snprintf(latch.bench, sizeof latch.bench, "%s", run->bench->name);
    return latch_stage(run->options->latch_path, &latch, &run->crash_fd, error);
}

int live_bench(const struct live_options *options, const struct benchfile *bench)
{
    static struct bench_run run;
    static struct wire_hello hello;
    struct tl_error error = {0};

    signal(SIGPIPE, SIG_IGN);
    run = (struct bench_run){.options = options, .bench = bench, .crash_fd = -1};
    int failed = peek_hello(options->recipe_fd, &hello, &error);
    if (!failed)
        failed = open_ports(&run, &hello, &error);
    if (!failed)
        failed = prove_off(&run, &error);
    if (!failed && (hello.recipe.uses_plate || hello.recipe.uses_supply))
        failed = stage_crash(&run, &error);
    if (!failed && bench_make_pipes(&run))
        failed = tl_error_set(&error, TL_SYSTEM, "no pipes: %s", strerror(errno));
    if (failed)
        return tell_refusal(options, &error);
    return bench_watch(&run, be_live_guard);
}
