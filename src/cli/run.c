/* SPDX-License-Identifier: MIT */
/* A run on the real bench: read everything, start recipe and guard as processes of their own, be the front. */
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "cli_private.h"
#include "job.h"
#include "paths.h"
#include "sources.h"
#include "tinlatch/benchfile.h"
#include "tinlatch/bytes.h"
#include "tinlatch/file.h"
#include "tinlatch/front.h"
#include "tinlatch/latch.h"
#include "tinlatch/report.h"

enum { SMALL_FILE = 1 << 18, GUARD_EXEC_FAILED = 127, GUARD_LINGERS_MS = 10000 };

struct bench_run {
    char share[PATH_SIZE], bench_path[PATH_SIZE], guard_path[PATH_SIZE];
    char latch_path[PATH_SIZE], alive_path[PATH_SIZE], record_path[PATH_SIZE];
    char *bench_text;
    size_t bench_length;
    struct benchfile bench;
    struct source_set sources;
    int record_fd, alive_fd;
    int said_fd;        /* what the guard's program wrote on its standard streams */
    int recipe_pair[2]; /* 0: the recipe's end, 1: the guard's */
    int front_pair[2];  /* 0: ours, 1: the guard's */
    pid_t recipe, guard;
    int recipe_status, guard_status;
    enum outcome unfit;       /* what its rehearsal came to, if that is no start; RUN_DONE: it is */
    char warning[BENCH_TEXT]; /* what the rehearsal came to, if it is to be known; "" = nothing */
    char beside[BENCH_TEXT];  /* what else is going on on this account */
    struct run run;
};

/* ---- what is read ------------------------------------------------------------------------------ */

static int find_bench(struct bench_run *r, const struct options *options, struct tl_error *error)
{
    bool is_demo = false;
    if (options->bench ? paths_given(options->bench, r->bench_path, error)
                       : paths_default_bench(r->share, r->bench_path, &is_demo, error))
        return TL_FILE;
    if (!is_demo)
        return 0;
    char own[PATH_SIZE] = "~/.config/tinlatch/bench.ini";
    paths_own_bench(own, NULL);
    tl_error_set(error, TL_MISSING, "there is no bench: a run never takes the demo bench");
    tl_error_hint(error, "name yours with --bench FILE, or put it at %s", own);
    return TL_MISSING;
}

static int load(struct bench_run *r, const struct options *options, struct tl_error *error)
{
    int result = paths_share(r->share, error);
    if (!result)
        result = find_bench(r, options, error);
    if (!result)
        result = file_read(r->bench_path, SMALL_FILE, &r->bench_text, &r->bench_length, error);
    if (!result)
        result = benchfile_parse(r->bench_path, r->bench_text, r->bench_length, &r->bench, error);
    if (!result)
        result = sources_find(&r->sources, options->argument, options->board, r->share, FROM_SHELF,
                              error);
    return result ? result : paths_guard(r->guard_path, error);
}

/* ---- the latch ----------------------------------------------------------------------------------- */

static int refuse_latched(const struct latch *latch, struct tl_error *error)
{
    bool named = strstr(latch->what, latch->rule);
    tl_error_set(error, TL_ENDED, "a trip is latched: %s%s%s", named ? "" : latch->rule,
                 named ? "" : ": ", latch->what);
    tl_error_hint(error, "tinlatch clear shows what to do and what to look at, and releases it");
    return TL_ENDED;
}

/* What cannot be read counts as latched. The file that says who is alive is held by this run and by the guard for as long
 * as either lives. */
static int check_latch(struct bench_run *r, struct tl_error *error)
{
    static struct latch latch;
    int result = paths_latch(r->latch_path, r->alive_path, error);
    if (result)
        return result;
    r->alive_fd = paths_open_alive(r->alive_path, error);
    if (r->alive_fd < 0)
        return TL_FILE;
    result = latch_read(r->latch_path, &latch, error);
    if (result < 0)
        tl_error_hint(error, "an unreadable latch counts as a trip: tinlatch clear");
    return result == 1 ? refuse_latched(&latch, error) : result;
}

/* ---- processes ------------------------------------------------------------------------------------- */

/* Held together with other runs, never with a clearing. *beside: there is another, be it only its guard. */
static bool join_the_living(const struct bench_run *r, bool *beside)
{
    enum { LOOKS = 5 };
    struct timespec pause = {.tv_nsec = 20 * 1000000L};
    *beside = flock(r->alive_fd, LOCK_EX | LOCK_NB) != 0;
    if (!*beside)
        (void)!ftruncate(r->alive_fd, 0); /* alone: whoever signed is over */
    for (int look = 1; flock(r->alive_fd, LOCK_SH | LOCK_NB) != 0; look++) {
        if (look == LOOKS)
            return false;
        nanosleep(&pause, NULL); /* one that begins just now asks whether it is alone */
    }
    return true;
}

static int prepare(struct bench_run *r, const struct options *options, struct tl_error *error)
{
    char directory[PATH_SIZE];
    if (paths_runs(directory, error))
        return TL_FILE;
    bool beside;
    if (!join_the_living(r, &beside)) {
        char holder[HOLDER_SIZE];
        return tl_error_set(error, TL_ENDED, "tinlatch clear%s is at work on this bench's latch",
                            paths_alive_holder(r->alive_path, holder));
    }
    char others[HOLDER_SIZE];
    paths_alive_holder(r->alive_path, others);
    paths_sign_alive(r->alive_fd);
    if (beside)
        snprintf(r->beside, sizeof r->beside,
                 "another run is going on%s: neither sees what the other heats or feeds, so never "
                 "have both at one board",
                 others);
    r->record_fd = paths_new_record(directory, options->argument, r->record_path, error);
    if (r->record_fd < 0) {
        r->record_path[0] = '\0';
        tl_error_hint(error, "a run is not begun without its record");
        return TL_FILE;
    }
    r->said_fd = memfd_create("guard", MFD_CLOEXEC);
    if (r->said_fd < 0 ||
        socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, r->recipe_pair) != 0 ||
        socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, r->front_pair) != 0)
        return tl_error_set(error, TL_SYSTEM, "no sockets for the guard: %s", strerror(errno));
    return 0;
}

/* Only the socket stays open, as descriptor 3; the standard streams lead nowhere. */
static bool shed_descriptors(int fd)
{
    int nowhere = open("/dev/null", O_RDWR);
    if (nowhere < 0)
        return false;
    int kept = dup2(fd, 3) == 3 || fd == 3;
    for (int i = 0; i <= 2; i++)
        if (dup2(nowhere, i) != i)
            return false;
    return kept && syscall(SYS_close_range, 4U, ~0U, 0U) == 0;
}

static const int plain_signals[] = {SIGINT, SIGTERM, SIGQUIT, SIGHUP, SIGPIPE, SIGXFSZ};

static void forget_signals(void)
{
    sigset_t none;
    sigemptyset(&none);
    for (size_t i = 0; i < sizeof plain_signals / sizeof plain_signals[0]; i++)
        signal(plain_signals[i], SIG_DFL);
    sigprocmask(SIG_SETMASK, &none, NULL);
}

_Noreturn static void be_recipe(struct bench_run *r, const struct options *options, pid_t parent)
{
    struct recipe_setup recipe = options->setup.recipe;
    struct serve_setup setup = {
        .recipe = &recipe,
        .plate = &r->bench.plate,
        .insert = r->bench.insert,
        .insert_count = r->bench.insert_count,
        .room_c = r->bench.room_c,
        .bench_file = r->bench_path,
    };
    recipe.sources = &r->sources;
    recipe.seed = options->setup.seed;
    /* A script that never ends must not outlive the run; and the terminal's Ctrl-C is the front's. */
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    if (getppid() != parent || setpgid(0, 0) != 0 || !shed_descriptors(r->recipe_pair[0]))
        _exit(1);
    forget_signals();
    recipe_serve(&setup, 3);
}

static bool keep_open(int fd)
{
    int flags = fcntl(fd, F_GETFD);
    return flags >= 0 && fcntl(fd, F_SETFD, flags & ~FD_CLOEXEC) == 0;
}

/* No death signal: a guard that has lost its front has a hot bench to bring down. A session of its own, so
 * that no key and no hang-up of the terminal reaches it. */
_Noreturn static void be_guard(struct bench_run *r, const struct options *options)
{
    char recipe_fd[16], front_fd[16], record_fd[16], seed[24], told[RUN_SOURCES][112];
    const char *argv[20 + 2 * RUN_SOURCES] = {r->guard_path, "--live",
                                              "--bench",     r->bench_path,
                                              "--recipe-fd", recipe_fd,
                                              "--front-fd",  front_fd,
                                              "--record-fd", record_fd,
                                              "--latch",     r->latch_path,
                                              "--recipe",    options->argument,
                                              "--serial",    options->setup.serial,
                                              "--seed",      seed};
    int nowhere = open("/dev/null", O_RDONLY);
    size_t count = 0;
    setsid();
    snprintf(recipe_fd, sizeof recipe_fd, "%d", r->recipe_pair[1]);
    snprintf(front_fd, sizeof front_fd, "%d", r->front_pair[1]);
    snprintf(record_fd, sizeof record_fd, "%d", r->record_fd);
    snprintf(seed, sizeof seed, "%llu", (unsigned long long)options->setup.seed);
    while (argv[count])
        count++;
    for (int i = 0; i < RUN_SOURCES; i++) {
        snprintf(told[i], sizeof told[i], "%s=%s", run_source_key((enum run_source_id)i),
                 r->sources.told.text[i]);
        argv[count++] = "--source";
        argv[count++] = told[i];
    }
    bool whole = nowhere >= 0 && dup2(nowhere, 0) == 0 && dup2(r->said_fd, 1) == 1 &&
                 dup2(r->said_fd, 2) == 2 && keep_open(r->recipe_pair[1]) &&
                 keep_open(r->front_pair[1]) && keep_open(r->record_fd);
    if (r->alive_fd >= 0)
        whole = keep_open(r->alive_fd) && whole;
    forget_signals();
    signal(SIGPIPE, SIG_IGN);
    if (whole)
        execv(r->guard_path, (char *const *)argv);
    dprintf(2, "%s: %s\n", r->guard_path, strerror(errno));
    _exit(GUARD_EXEC_FAILED);
}

static void close_pair_end(int *fd)
{
    if (*fd >= 0)
        close(*fd);
    *fd = -1;
}

static int start(struct bench_run *r, const struct options *options, struct tl_error *error)
{
    pid_t parent = getpid();
    r->recipe = fork();
    if (r->recipe == 0)
        be_recipe(r, options, parent);
    if (r->recipe > 0)
        r->guard = fork();
    if (r->recipe > 0 && r->guard == 0)
        be_guard(r, options);
    close_pair_end(&r->recipe_pair[0]);
    close_pair_end(&r->recipe_pair[1]);
    close_pair_end(&r->front_pair[1]);
    if (r->recipe > 0 && r->guard > 0)
        return 0;
    return tl_error_set(error, TL_SYSTEM, "no process for the run: %s", strerror(errno));
}

/* Wait for the guard's program, which has said its END or is gone; not for ever. */
static bool reap_guard(struct bench_run *r)
{
    struct timespec pause = {.tv_nsec = 20 * 1000000L};
    kill(r->guard, SIGCONT); /* one that was stopped would stay for ever, and hold the ports */
    for (int waited_ms = 0; waited_ms < GUARD_LINGERS_MS; waited_ms += 20) {
        pid_t ended = waitpid(r->guard, &r->guard_status, WNOHANG);
        if (ended == r->guard || (ended < 0 && errno != EINTR))
            return true;
        nanosleep(&pause, NULL);
    }
    return false;
}

static void reap_recipe(struct bench_run *r)
{
    if (r->recipe <= 0)
        return;
    kill(r->recipe, SIGKILL);
    while (waitpid(r->recipe, &r->recipe_status, 0) < 0 && errno == EINTR)
        ;
}

/* ---- what is told at the end ------------------------------------------------------------------------ */

/* What the guard's program wrote: its refusals, or why it died. Cleaned: a name may stand in it. */
static void tell_said(FILE *to, const struct bench_run *r)
{
    char text[4096];
    ssize_t n = pread(r->said_fd, text, sizeof text - 1, 0);
    for (ssize_t i = 0; i < n; i++)
        if (text[i] != '\n' && ((unsigned char)text[i] < 0x20 || text[i] == 0x7f))
            text[i] = '?';
    if (n > 0)
        fprintf(to, "%.*s%s", (int)n, text, text[n - 1] == '\n' ? "" : "\n");
}

/* A recipe that did not end by itself. The guard has seen it go and ended the run. */
static void explain_recipe(struct bench_run *r, struct tl_error *error)
{
    int status = r->recipe_status;
    if (WIFSIGNALED(status) && WTERMSIG(status) == SIGSYS)
        tl_error_set(error, TL_KILLED,
                     "the recipe's process made a forbidden system call and was killed");
    else if (WIFEXITED(status) && WEXITSTATUS(status) != 0)
        tl_error_set(error, TL_KILLED, "the recipe's process died (status %d)",
                     WEXITSTATUS(status));
    else
        return;
    tl_error_at(error, r->sources.file[0].name, 0);
}

/* A guard whose END did not get through (it refused before it had a socket, or this process slept while its messages
 * filled it): its status is the outcome. One that died has left its latch, as a trip does; one that is still at work has none
 * yet. */
static enum outcome outcome_of(const struct bench_run *r, bool ended, enum outcome said)
{
    if (!ended || r->run.error.code != TL_ENDED)
        return said;
    int status = WIFEXITED(r->guard_status) ? WEXITSTATUS(r->guard_status) : OUTCOMES;
    if (status == GUARD_EXEC_FAILED)
        return RUN_INVALID;
    return status < OUTCOMES ? (enum outcome)status : RUN_TRIPPED;
}

static void settle_record(struct bench_run *r)
{
    struct stat st;
    if (r->record_fd < 0 || fstat(r->record_fd, &st) != 0 || st.st_size > 0)
        return;
    unlink(r->record_path); /* nothing was begun */
    r->record_path[0] = r->run.record[0] = '\0';
}

static enum outcome tell(struct cli *cli, struct bench_run *r, enum outcome outcome)
{
    struct run *run = &r->run;
    bool ended = reap_guard(r);
    reap_recipe(r);
    outcome = outcome_of(r, ended, outcome);
    run->outcome = outcome;
    if (run->error.code == TL_OK && outcome == RUN_FAILED)
        explain_recipe(r, &run->error);
    settle_record(r);
    memcpy(cli->record, r->record_path, sizeof cli->record);
    if (cli->options.json)
        report_json(run, cli->out);
    cli_flush(cli);
    if (!ended)
        fprintf(cli->err, "warning: tinlatch-guard (process %d) is still at work\n", (int)r->guard);
    if (!ended || outcome == RUN_STOPPED || r->guard_status != 0)
        tell_said(cli->err, r);
    bool stands_above = !cli->options.json && !run->error.line && same_place(cli->out, cli->err);
    if (run->error.code && !run->tripped && !stands_above) {
        const struct source_file *source = source_find_shown(&r->sources, run->error.file);
        show_error(cli->err, &run->error, source ? source->text : NULL,
                   source ? source->length : 0);
    }
    return outcome;
}

/* ---- the whole ---------------------------------------------------------------------------------------- */

static double wall_s(void)
{
    struct timespec now = {0};
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec / 1e9;
}

static enum outcome be_front(struct cli *cli, struct bench_run *r)
{
    double began_s = wall_s();
    FILE *shown = cli->options.json ? cli->err : cli->out; /* standard output is the object's */
    struct front_config config = {
        .guard_fd = r->front_pair[0],
        .keeper = r->guard,
        .in_fd = STDIN_FILENO,
        .out_fd = fileno(shown),
        .colour = wants_colour(shown),
        .quiet = cli->options.quiet,
        .recipe = r->sources.file[0].name,
        .bench = r->bench.name,
        .record = r->record_path,
        .warning = {r->warning, r->beside},
        .run = &r->run,
    };
    snprintf(r->run.serial, sizeof r->run.serial, "%s", cli->options.setup.serial);
    r->run.source = r->sources.told;
    r->run.seed = cli->options.setup.seed;
    enum outcome outcome = front_run(&config);
    close_pair_end(&r->front_pair[0]);
    r->run.wall_s = wall_s() - began_s;
    return outcome;
}

static enum outcome refuse(struct cli *cli, const struct bench_run *r, int code,
                           const struct tl_error *error)
{
    bool refused = code == TL_MISSING || code == TL_ENDED || error->code == TL_TRUST;
    const char *text = NULL;
    size_t length = 0;
    const struct source_file *source = source_find_shown(&r->sources, error->file);
    if (source) {
        text = source->text;
        length = source->length;
    } else if (!strcmp(error->file, r->bench_path)) {
        text = r->bench_text;
        length = r->bench_length;
    }
    enum outcome outcome = refused ? RUN_REFUSED : RUN_INVALID;
    return cli_end(cli, r->unfit ? r->unfit : outcome, error, text, length);
}

static void release(struct bench_run *r)
{
    int *const fds[] = {&r->record_fd,      &r->alive_fd,      &r->said_fd,      &r->recipe_pair[0],
                        &r->recipe_pair[1], &r->front_pair[0], &r->front_pair[1]};
    for (size_t i = 0; i < sizeof fds / sizeof fds[0]; i++)
        close_pair_end(fds[i]);
    source_free(&r->sources);
    free(r->bench_text);
    free(r);
}

/* The rehearsal did not come to the end of the recipe, which proves nothing against it. */
static void warn_of(struct bench_run *r)
{
    const struct run *run = &r->run;
    const char *why = run->tripped ? run->trip_words.what : run->error.text;
    char place[sizeof run->error.file + 16] = "", text[1024];
    if (!run->tripped && run->error.line > 0)
        snprintf(place, sizeof place, "%s:%d: ", run->error.file, run->error.line);
    snprintf(text, sizeof text, "the rehearsal on this bench ended as %s, not as done: %s%s",
             outcome_name(run->outcome), place, why);
    bytes_copy_text(r->warning, sizeof r->warning, text);
}

/* The whole recipe on this bench, rehearsed: a slip that lies at its end is shown at its line before a port is opened
 * and anything is hot. The guard merges the limits again for itself. */
static int rehearse_first(struct cli *cli, struct bench_run *r, struct tl_error *error)
{
    struct options *options = &cli->options;
    struct rehearse_setup *setup = &options->setup;
    static struct run_heat heat;
    setup->heat = &heat;
    setup->sources = setup->recipe.sources = &r->sources;
    setup->recipe.seed = setup->seed;
    setup->bench = &r->bench;
    setup->bench_file = r->bench_path;
    int failed = rehearse(setup, -1, &r->run, error);
    enum outcome outcome = r->run.outcome;
    if (!failed && (outcome == RUN_INVALID || outcome == RUN_REFUSED || r->run.slip)) {
        *error = r->run.error;
        r->unfit = r->run.slip ? RUN_FAILED : outcome;
        failed = TL_FILE;
    }
    if (!failed && outcome != RUN_DONE)
        warn_of(r);
    if (!failed) {
        job_count_cycle(cli, r->run.limits.uses_plate);
        job_add_forecast(options, &r->run);
        if (r->run.limits.uses_plate)
            job_add_melt_map(options, &heat);
    }
    r->run = (struct run){0};
    return failed;
}

/* What went wrong before the guard was there: nothing has been switched on. */
static int set_up(struct cli *cli, struct bench_run *r, struct tl_error *error)
{
    int code = load(r, &cli->options, error);
    bool no_bench = code == TL_MISSING && error->file[0] == '\0';
    if (code)
        return no_bench ? TL_MISSING : TL_FILE;
    code = job_prepare(cli, NULL, error) ? TL_FILE : rehearse_first(cli, r, error);
    if (code)
        return code;
    code = check_latch(r, error);
    if (code)
        return TL_ENDED;
    code = prepare(r, &cli->options, error);
    cli_flush(cli); /* nothing of ours may be printed twice by a child */
    fflush(cli->err);
    return code ? code : start(r, &cli->options, error);
}

enum outcome verb_run_bench(struct cli *cli)
{
    struct tl_error error = {0};
    struct bench_run *r = calloc(1, sizeof *r);
    if (!r) {
        tl_error_set(&error, TL_SYSTEM, "out of memory");
        return cli_refuse(cli, &error, NULL, 0);
    }
    r->record_fd = r->alive_fd = r->said_fd = -1;
    r->recipe_pair[0] = r->recipe_pair[1] = r->front_pair[0] = r->front_pair[1] = -1;
    int code = set_up(cli, r, &error);
    enum outcome outcome;
    if (code) {
        close_pair_end(&r->front_pair[0]);
        reap_recipe(r);
        settle_record(r);
        outcome = refuse(cli, r, code, &error);
    } else {
        outcome = tell(cli, r, be_front(cli, r));
    }
    release(r);
    return outcome;
}
