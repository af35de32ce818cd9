/* SPDX-License-Identifier: MIT */
/* The parent's side: fork, wait, limit from outside, and look hard at what comes back. */
#include "rehearse_private.h"

#include <errno.h>
#include <math.h>
#include <poll.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

static const double CPU_S = 5.0;        /* a rehearsal of an hour takes a tenth of a second */
static const double FINE_CPU_S = 120.0; /* on a fine grid */
static const double GRACE_S = 0.2;      /* from the request to stop to the kill */
static const double COOL_DOWN_S = 10.0; /* for the guard to finish once the script let go */

/* How long a child may get no processor time at all before it counts as stopped. */
static double patience_of(double cpu_s)
{
    return fmax(cpu_s, 3);
}

static double seconds_of(clockid_t clock)
{
    struct timespec now = {0};

    clock_gettime(clock, &now);
    return (double)now.tv_sec + (double)now.tv_nsec / 1e9;
}

/* The child under watch. It never sleeps, so its processor time moves on unless somebody has stopped it; wall time
 * counts only while we ourselves are awake, for Ctrl-Z stops both. */
struct watch {
    pid_t child, recipe; /* recipe 0: it is in the child */
    int pidfd;
    const volatile sig_atomic_t *stop;
    double cpu_s, wall_s; /* spent so far */
    double still_s;       /* wall time since its processor time last moved */
    double patience_s;
};

enum ending {
    BY_ITSELF, /* or by what others did to it */
    OVER_BUDGET,
    STOOD_STILL,
    BY_SIGNAL,
    /* inside this file only */
    DUE,
    FLAGGED,
};

static double cpu_of(pid_t process)
{
    clockid_t clock;

    return process > 0 && clock_getcpuclockid(process, &clock) == 0 ? seconds_of(clock) : 0;
}

static void look_at_clock(struct watch *watch, double passed_s)
{
    double cpu_s = fmax(watch->cpu_s, cpu_of(watch->child) + cpu_of(watch->recipe));

    watch->still_s = cpu_s > watch->cpu_s ? 0 : watch->still_s + passed_s;
    watch->cpu_s = cpu_s;
    watch->wall_s += passed_s;
}

/* A child that is always about to do something is bounded by wall time too. */
static double spent_s(const struct watch *watch)
{
    return fmax(watch->cpu_s, watch->wall_s / 10);
}

/* Wait for the child's end at most until `limit_s` of its own clock, or until the flag is up. */
static enum ending wait_until(struct watch *watch, double limit_s,
                              const volatile sig_atomic_t *or_flag)
{
    for (;;) {
        struct pollfd ended = {.fd = watch->pidfd, .events = POLLIN};
        double left_s = limit_s - spent_s(watch), began_s = seconds_of(CLOCK_MONOTONIC);
        if (or_flag && *or_flag)
            return FLAGGED;
        if (watch->stop && *watch->stop)
            return BY_SIGNAL;
        if (watch->still_s > watch->patience_s)
            return STOOD_STILL;
        if (left_s <= 0)
            return DUE;
        double pause_ms = fmin(fmax(left_s * 1000, 1), or_flag ? 5 : 200);
        if (poll(&ended, 1, (int)pause_ms) > 0)
            return BY_ITSELF;
        double passed_s = seconds_of(CLOCK_MONOTONIC) - began_s;
        look_at_clock(watch, fmin(passed_s, pause_ms / 1000 + 0.1));
    }
}

/* SIGXCPU: the handler reports the line and lets the guard cool down; once more for a script inside one
 * long library call. */
static enum ending ask_to_end(struct watch *watch, const struct rehearse_result *result)
{
    enum ending ending = DUE;

    for (int times = 0; times < 2 && ending == DUE; times++) {
        kill(watch->recipe ? watch->recipe : watch->child, SIGXCPU);
        ending = wait_until(watch, spent_s(watch) + GRACE_S, &result->left_lua);
    }
    return ending == FLAGGED ? wait_until(watch, spent_s(watch) + COOL_DOWN_S, NULL) : ending;
}

/* No answer, SIGKILL. Says how it ended, since a SIGKILL can come from others too. */
static enum ending limit_child(struct watch *watch, double cpu_s,
                               const struct rehearse_result *result)
{
    enum ending ending = wait_until(watch, cpu_s, NULL);

    if (ending == DUE)
        ending = ask_to_end(watch, result);
    if (ending == BY_ITSELF)
        return BY_ITSELF;
    kill(watch->child, SIGKILL);
    return ending == DUE ? OVER_BUDGET : ending;
}

static void end_text(char *text, size_t size)
{
    text[size - 1] = '\0';
}

static int32_t bounded(int32_t value, int32_t most)
{
    return value < 0 ? 0 : value > most ? most : value;
}

/* The child ran a stranger's code: nothing in its result may lead the parent astray. A bool that is neither
 * 0 nor 1 is undefined behaviour to read, so flags are looked at as bytes. */
static void distrust_flag(bool *flag)
{
    unsigned char byte;

    memcpy(&byte, flag, 1);
    *flag = byte != 0;
}

static void distrust_texts(struct run *run)
{
    end_text(run->recipe, sizeof run->recipe);
    end_text(run->title, sizeof run->title);
    end_text(run->board, sizeof run->board);
    end_text(run->bench, sizeof run->bench);
    end_text(run->serial, sizeof run->serial);
    for (int i = 0; i < RUN_SOURCES; i++)
        end_text(run->source.text[i], sizeof run->source.text[i]);
    end_text(run->insert, sizeof run->insert);
    end_text(run->revision, sizeof run->revision);
    end_text(run->alloys, sizeof run->alloys);
    end_text(run->trip_words.what, sizeof run->trip_words.what);
    end_text(run->trip_words.act, sizeof run->trip_words.act);
    end_text(run->trip_words.inspect, sizeof run->trip_words.inspect);
    end_text(run->hands, sizeof run->hands);
    end_text(run->record, sizeof run->record);
    end_text(run->error.file, sizeof run->error.file);
    end_text(run->error.token, sizeof run->error.token);
    end_text(run->error.text, sizeof run->error.text);
    end_text(run->error.hint, sizeof run->error.hint);
    for (int i = 0; i < RUN_STAGES; i++)
        end_text(run->stage[i].name, sizeof run->stage[i].name);
    for (int i = 0; i < RUN_MELTS; i++) {
        end_text(run->melt[i].joint, sizeof run->melt[i].joint);
        end_text(run->melt[i].how, sizeof run->melt[i].how);
    }
    for (int i = 0; i < BOARD_JOINTS; i++)
        end_text(run->joint[i].joint, sizeof run->joint[i].joint);
    for (int i = 0; i < BOARD_PARTS; i++)
        end_text(run->part[i].part, sizeof run->part[i].part);
    for (int i = 0; i < RUN_MARGINS; i++)
        end_text(run->margin[i].limit, sizeof run->margin[i].limit);
    for (int i = 0; i < RUN_EVENTS; i++) {
        end_text(run->event[i].kind, sizeof run->event[i].kind);
        end_text(run->event[i].text, sizeof run->event[i].text);
    }
    for (int i = 0; i < RUN_WARNINGS; i++)
        end_text(run->warning[i], sizeof run->warning[i]);
    for (int i = 0; i < BENCH_RAILS; i++)
        end_text(run->limits.rail[i].name, sizeof run->limits.rail[i].name);
}

static void distrust(struct run *run)
{
    distrust_texts(run);
    run->stage_count = bounded(run->stage_count, RUN_STAGES);
    run->melt_count = bounded(run->melt_count, RUN_MELTS);
    run->joint_count = bounded(run->joint_count, BOARD_JOINTS);
    run->part_count = bounded(run->part_count, BOARD_PARTS);
    run->margin_count = bounded(run->margin_count, RUN_MARGINS);
    run->point_count = bounded(run->point_count, RUN_CURVE);
    run->event_count = bounded(run->event_count, RUN_EVENTS);
    run->warning_count = bounded(run->warning_count, RUN_WARNINGS);
    run->limits.rail_count = bounded(run->limits.rail_count, BENCH_RAILS);
    run->outcome = (enum outcome)bounded((int32_t)run->outcome, OUTCOMES - 1);
    run->trip_rule = (enum rule_id)bounded((int32_t)run->trip_rule, RULES - 1);
    for (int i = 0; i < LIMITS; i++)
        run->origins.of[i].layer =
            (enum limit_layer)bounded((int32_t)run->origins.of[i].layer, LAYERS - 1);
    for (int i = 0; i < RUN_MARGINS; i++) {
        run->margin[i].unit = (enum unit)bounded((int32_t)run->margin[i].unit, UNITS - 1);
        run->margin[i].layer =
            run->margin[i].layer < 0 ? -1 : bounded(run->margin[i].layer, LAYERS - 1);
    }
    distrust_flag(&run->tripped);
    distrust_flag(&run->rehearsed);
    distrust_flag(&run->slip);
    distrust_flag(&run->driven);
    distrust_flag(&run->limits.uses_plate);
    distrust_flag(&run->limits.uses_supply);
    distrust_flag(&run->limits.has_plate_2);
    distrust_flag(&run->limits.has_board);
}

static void take_heat(const struct run_heat *from, struct run_heat *heat)
{
    *heat = *from;
    end_text(heat->joint, sizeof heat->joint);
    heat->places = bounded(heat->places, RUN_PLACES);
    for (int i = 0; i < BOARD_LAYERS; i++) {
        heat->cells_x[i] = bounded(heat->cells_x[i], RUN_FACE);
        heat->cells_y[i] =
            bounded(heat->cells_y[i], heat->cells_x[i] ? RUN_FACE / heat->cells_x[i] : 0);
    }
    for (int i = 0; i < RUN_PLACES; i++)
        heat->place[i].joint = bounded(heat->place[i].joint, BOARD_JOINTS - 1);
}

/* A child that left no whole result: say why, with the line it was last seen on. */
static void explain_death(const struct rehearse_setup *setup, int status, enum ending ending,
                          const struct rehearse_result *result, double cpu_s, struct run *run)
{
    struct tl_error *error = &run->error;
    int number = WIFSIGNALED(status) ? WTERMSIG(status) : 0;

    run->outcome = RUN_FAILED;
    run->slip = ending == OVER_BUDGET || number == SIGSYS;
    if (ending == OVER_BUDGET)
        tl_error_set(error, TL_KILLED,
                     "the recipe ran for more than %g s of processor time and was killed", cpu_s);
    else if (ending == STOOD_STILL)
        tl_error_set(error, TL_KILLED,
                     "the recipe's process was stopped from outside: it stood still for %g s and "
                     "was killed",
                     patience_of(cpu_s));
    else if (number == SIGSYS)
        tl_error_set(error, TL_KILLED,
                     "the recipe's process made a forbidden system call and was killed");
    else if (number == SIGKILL || number == SIGTERM)
        tl_error_set(error, TL_KILLED, "the recipe's process was killed from outside (signal %d)",
                     number);
    else
        tl_error_set(error, TL_KILLED, "the recipe's process died (%s %d)",
                     number ? "signal" : "status", number ? number : WEXITSTATUS(status));
    if (setup->sources->count > 0)
        tl_error_at(error, setup->sources->file[0].name, result->line);
}

static void explain_stop(struct run *run)
{
    run->outcome = RUN_STOPPED;
    run->error = (struct tl_error){0};
    tl_error_set(&run->error, TL_ENDED, "stopped by a signal; nothing was heated");
}

/* The record of a killed child is closed by its parent, so that it says how it ended. */
static void close_record(int record_fd, const struct run *run)
{
    struct journal *journal;

    if (record_fd < 0 || journal_continue(&journal, record_fd) != 0)
        return;
    journal_end(journal, (int64_t)(run->duration_s * 1000), run->outcome, &run->error);
    journal_free(journal);
}

/* The recipe knows that it was told to stop, not after how long. */
static void hint_cpu(struct run *run, double cpu_s)
{
    if (run->error.code == TL_KILLED &&
        (strstr(run->error.text, "CPU time") || strstr(run->error.text, "processor time")))
        tl_error_hint(&run->error,
                      "a loop that never waits? It had %g s of processor time; --cpu SECONDS gives "
                      "it more",
                      cpu_s);
}

static void take_result(const struct rehearse_setup *setup, int status, enum ending ending,
                        double cpu_s, int record_fd, struct rehearse_result *result,
                        struct run *run)
{
    *run = result->run;
    distrust(run);
    if (!result->whole || !WIFEXITED(status) || WEXITSTATUS(status) != 0) {
        if (ending == BY_SIGNAL)
            explain_stop(run);
        else
            explain_death(setup, status, ending, result, cpu_s, run);
        if (!result->whole) /* else its last line stands there already */
            close_record(record_fd, run);
    }
    hint_cpu(run, cpu_s);
}

/* The terminal's signals go to the whole process group, and the parent answers them; its handlers are not ours. */
static void forget_signals(void)
{
    signal(SIGINT, SIG_IGN);
    signal(SIGHUP, SIG_IGN);
    signal(SIGTERM, SIG_DFL);
}

double rehearse_cpu_s(const struct rehearse_setup *setup)
{
    return setup->cpu_s > 0 ? setup->cpu_s : setup->grid_mm > 0 ? FINE_CPU_S : CPU_S;
}

int rehearse(const struct rehearse_setup *setup, int record_fd, struct run *run,
             struct tl_error *error)
{
    double cpu_s = rehearse_cpu_s(setup);
    double started_s = seconds_of(CLOCK_MONOTONIC);
    struct apart apart = {.socket = -1, .other = -1};
    int status = 0;

    if (setup->apart && apart_begin(&apart, setup, cpu_s, error) != 0) {
        apart_end(&apart);
        return error ? (int)error->code : TL_SYSTEM;
    }
    struct rehearse_result *result = /* only now: the recipe's process has none of it */
        mmap(NULL, sizeof *result, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (result == MAP_FAILED) {
        apart_end(&apart);
        return tl_error_set(error, TL_SYSTEM, "no memory for a rehearsal: %s", strerror(errno));
    }
    pid_t parent = getpid(), child = fork();
    if (child == 0) {
        /* A script that never ends must not outlive whoever limits it. */
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        forget_signals();
        if (getppid() != parent)
            _exit(0);
        lockstep_run(setup, &apart, record_fd, result);
        _exit(0);
    }
    if (child < 0) {
        apart_end(&apart);
        munmap(result, sizeof *result);
        return tl_error_set(error, TL_SYSTEM, "no process for a rehearsal: %s", strerror(errno));
    }
    int pidfd = (int)syscall(SYS_pidfd_open, child, 0);
    struct watch watch = {.child = child,
                          .recipe = apart.recipe,
                          .pidfd = pidfd,
                          .stop = setup->stop,
                          .patience_s = patience_of(cpu_s)};
    enum ending ending = OVER_BUDGET;
    if (pidfd >= 0)
        ending = limit_child(&watch, cpu_s, result);
    else
        kill(child, SIGKILL); /* a child that cannot be watched is not let run */
    while (waitpid(child, &status, 0) < 0 && errno == EINTR)
        ;
    if (pidfd >= 0)
        close(pidfd);
    apart_end(&apart);
    take_result(setup, status, ending, cpu_s, record_fd, result, run);
    run->wall_s = seconds_of(CLOCK_MONOTONIC) - started_s;
    if (setup->heat)
        take_heat(&result->heat, setup->heat);
    munmap(result, sizeof *result);
    return 0;
}
