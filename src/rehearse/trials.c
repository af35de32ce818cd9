/* SPDX-License-Identifier: MIT */
/* Many rehearsals at once: each worker takes the next draw until none is left. */
#include "tinlatch/trials.h"

#include <errno.h>
#include <math.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

/* Both sides see it. */
struct shared {
    _Atomic int32_t next;
    size_t bytes;
    struct run first;
    struct trial trial[];
};

struct campaign {
    const struct trials_setup *setup;
    struct shared *shared;
    struct trial_bench bench;
    int broken, everyday; /* of world_faults, those that this bench can have */
    int32_t broken_at[REHEARSE_FAULTS * 4], everyday_at[REHEARSE_FAULTS * 4];
};

static const struct world_sight *sight_of(const struct campaign *c, int fault)
{
    return c->bench.two_sensors ? &world_faults[fault].two : &world_faults[fault].one;
}

static int add_fault(struct rehearse_setup *setup, int fault, double at_s, struct tl_error *error)
{
    struct rehearse_fault *added = &setup->fault[setup->fault_count];

    if (setup->fault_count == REHEARSE_FAULTS)
        return tl_error_set(error, TL_FULL, "more than %d faults in one rehearsal",
                            REHEARSE_FAULTS);
    setup->fault_count++;
    *added = (struct rehearse_fault){.at_s = at_s};
    memcpy(added->name, world_faults[fault].name, strlen(world_faults[fault].name) + 1);
    return 0;
}

/* A fault that needs what this bench has not makes a rehearsal invalid, at its first moment. */
static int find_faults(struct campaign *c, struct run *run, struct tl_error *error)
{
    int failed = 0;

    for (int i = 0; i < world_fault_count && !failed; i++) {
        struct rehearse_setup setup = c->setup->rehearsal;
        setup.until_s = 0.1;
        failed = add_fault(&setup, i, 0, error);
        if (!failed)
            failed = rehearse(&setup, -1, run, error);
        if (failed || run->outcome == RUN_INVALID)
            continue;
        if (sight_of(c, i)->when == SIGHT_CALM)
            c->everyday_at[c->everyday++] = i;
        else
            c->broken_at[c->broken++] = i;
    }
    return failed;
}

enum { BEGUN_S = 1 }; /* by then a run has begun: its sensors read steadily */

/* Every second draw is a quiet one; a third of those have nothing at all happen. The instant is one of the first draw's
 * once it has begun, in tenths of a second, so that the command line says it exactly. A second, other fault comes up to
 * ten minutes later, half of them within 40 s, a fifth within one: before a rule sees the first, while it does not, after
 * what it did. */
static void draw_faults(const struct campaign *c, int32_t index, struct trial *trial)
{
    struct random random = {.state = trial->seed ^ 0x7472696C73u};
    bool breaks = index % 2 == 1 && c->broken > 0;
    int count = breaks ? c->broken : c->everyday;
    const int32_t *from = breaks ? c->broken_at : c->everyday_at;
    int which = (int)(random_unit(&random) * count);
    double at_s = fmax(random_unit(&random) * c->shared->first.recipe_s, BEGUN_S);

    trial->fault_count = 0;
    if (count == 0 || (!breaks && random_unit(&random) < 1.0 / 3))
        return;
    while (trial->fault_count < c->setup->faults) {
        trial->fault[trial->fault_count++] =
            (struct trial_fault){.which = from[which], .at_s = floor(at_s * 10) / 10};
        which = (which + 1 + (int)(random_unit(&random) * (count - 1))) % count;
        at_s += 600 * pow(random_unit(&random), 4);
    }
}

static int play(const struct campaign *c, int32_t index, struct run *run, struct tl_error *error)
{
    struct trial *trial = &c->shared->trial[index];
    struct rehearse_setup setup = c->setup->rehearsal;
    int failed = 0;

    setup.seed = trial->seed = c->setup->rehearsal.seed + (uint64_t)index;
    setup.recipe.seed = setup.seed;
    draw_faults(c, index, trial);
    for (int i = 0; i < trial->fault_count && !failed; i++)
        failed = add_fault(&setup, trial->fault[i].which, trial->fault[i].at_s, error);
    if (!failed)
        failed = rehearse(&setup, -1, run, error);
    if (!failed)
        trial_judge(trial, run, c->bench, c->setup->faults > 0);
    return failed;
}

static bool told_to_stop(const struct campaign *c)
{
    const volatile sig_atomic_t *stop = c->setup->rehearsal.stop;

    return stop && *stop;
}

/* Until no draw is left. */
static int work(const struct campaign *c, struct run *run, struct tl_error *error)
{
    int32_t index;
    int failed = 0;

    while (!failed && !told_to_stop(c) &&
           (index = atomic_fetch_add(&c->shared->next, 1)) < c->setup->draws)
        failed = play(c, index, run, error);
    return failed;
}

static pid_t start_worker(const struct campaign *c)
{
    static struct run run;
    struct tl_error error = {0};
    pid_t parent = getpid(), worker = fork();

    if (worker != 0)
        return worker;
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    madvise(c->shared, c->shared->bytes, MADV_DONTFORK);
    _exit(getppid() != parent || work(c, &run, &error) ? 1 : 0);
}

static int wait_for(const struct campaign *c, const pid_t *worker, int started)
{
    int failed = 0, status;

    for (int i = 0; i < started; i++) {
        do
            for (int k = i; told_to_stop(c) && k < started; k++)
                kill(worker[k], SIGTERM); /* it lets go as we would */
        while (waitpid(worker[i], &status, 0) < 0 && errno == EINTR);
        failed = failed || !WIFEXITED(status) || WEXITSTATUS(status) != 0;
    }
    return failed;
}

static int jobs_of(const struct trials_setup *setup)
{
    long jobs = setup->jobs > 0 ? setup->jobs : sysconf(_SC_NPROCESSORS_ONLN);

    jobs = jobs < setup->draws ? jobs : setup->draws;
    return jobs < 1 ? 1 : jobs > TRIALS_JOBS ? TRIALS_JOBS : (int)jobs;
}

/* What had to be killed would have to be killed in every draw. */
static bool is_fit(const struct run *run)
{
    return run->outcome != RUN_INVALID && run->outcome != RUN_REFUSED &&
           run->outcome != RUN_DEVICE && run->error.code != TL_KILLED;
}

/* Without faults the first rehearsal is draw 0: the others do not wait for it, and are ended if it is not fit to be run. */
static int play_first(const struct campaign *c, struct tl_error *error)
{
    int failed = play(c, 0, &c->shared->first, error);

    if (failed || !is_fit(&c->shared->first))
        atomic_store(&c->shared->next, c->setup->draws);
    return failed;
}

static int play_all(const struct campaign *c, struct run *run, struct tl_error *error)
{
    pid_t worker[TRIALS_JOBS];
    int others = jobs_of(c->setup) - 1, started = 0, failed = 0;

    atomic_init(&c->shared->next, c->setup->faults ? 0 : 1);
    while (started < others && (worker[started] = start_worker(c)) > 0)
        started++;
    madvise(c->shared, c->shared->bytes,
            MADV_DONTFORK); /* no process in which a recipe runs has it */
    if (!c->setup->faults)
        failed = play_first(c, error);
    if (!failed)
        failed = work(c, run, error);
    bool died = wait_for(c, worker, started) != 0;
    if (told_to_stop(c))
        return tl_error_set(error, TL_ENDED, "stopped by a signal; nothing was heated");
    if (failed || !is_fit(&c->shared->first))
        return failed;
    for (int32_t i = 0; i < c->setup->draws && !died; i++)
        died = !c->shared->trial[i].played;
    return died ? tl_error_set(error, TL_SYSTEM, "a process that played draws could not go on") : 0;
}

static int play_with_faults(struct campaign *c, struct run *run, struct tl_error *error)
{
    int failed = rehearse(&c->setup->rehearsal, -1, &c->shared->first, error);

    if (failed || !is_fit(&c->shared->first))
        return failed;
    failed = find_faults(c, run, error);
    return failed ? failed : play_all(c, run, error);
}

static struct trial_bench bench_of(const struct benchfile *bench)
{
    const struct device_config *plate =
        bench->plate_device < 0 ? NULL : &bench->device[bench->plate_device];
    bool told =
        plate && (plate->kind != DEVICE_CONTROLLER || plate->controller.map[REGISTER_OUTPUT].used);

    return (struct trial_bench){.two_sensors = bench->sensor[SENSOR_PLATE_2].present,
                                .feed_known = told && plate->kind != DEVICE_BY_HAND};
}

int trials_new(struct trials *trials, const struct trials_setup *setup, struct tl_error *error)
{
    size_t bytes = sizeof(struct shared) + (size_t)setup->draws * sizeof(struct trial);
    struct campaign c = {.setup = setup, .bench = bench_of(setup->rehearsal.bench)};
    struct run *run = malloc(sizeof *run);

    *trials = (struct trials){.period_ms = setup->rehearsal.bench->period_ms};
    c.shared = mmap(NULL, bytes, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS | MAP_NORESERVE,
                    -1, 0);
    if (c.shared == MAP_FAILED || !run) {
        free(run);
        return tl_error_set(error, TL_SYSTEM, "no memory for %d draws", (int)setup->draws);
    }
    c.shared->bytes = bytes;
    trials->first = &c.shared->first;
    trials->trial = c.shared->trial;
    trials->bytes = bytes;
    int failed = setup->faults ? play_with_faults(&c, run, error) : play_all(&c, run, error);
    if (!failed && is_fit(trials->first))
        trials->draws = setup->draws;
    free(run);
    if (failed)
        trials_free(trials);
    return failed;
}

void trials_free(struct trials *trials)
{
    if (trials->first) /* where all of it begins */
        munmap((char *)trials->first - offsetof(struct shared, first), trials->bytes);
    *trials = (struct trials){0};
}
