/* SPDX-License-Identifier: MIT */
/* Whatever dies, hangs or is cut off, the heater ends off, and in time, and the supply; so does a stop. Many whole runs go on
 * side by side, each on an emulated bench of its own in a process of its own: this program again, with a job
 * to do. When heat was last on is what the emulated plate says, by the same monotonic clock as ours. */
#include "whole_run.h"

#include <fnmatch.h>
#include <glob.h>
#include <inttypes.h>
#include <pty.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <utmp.h>

enum {
    AT_ONCE = 40, /* jobs side by side: a run in real time hardly works */
    SEAT_BENCHES = 12,
    RUN_BENCHES = 8,
    STOPS_EACH = 50, /* 1,000 in all */
    JOBS = 400,
    PERIOD_MS = 100,
    LEEWAY_MS = 50,
    TIMER_MS = 60, /* what an instrument's own timer does is dated so finely */
    SILENCE_MS = 2000,
    LOOK_MS = 1000, /* at a guard that stays */
    FELT_MS = 50,   /* from one blow to another */
    FLIGHT_MS = 20, /* a Modbus request and its answer at 57,600 baud */
};

/* ---- what is done to a run, and what has to become of it ------------------------------------------- */

enum blow {
    KILL,
    HALT,     /* SIGSTOP, and nobody wakes it but the run itself */
    HALT_11S, /* SIGSTOP, and SIGCONT when the guard must have given it up */
    CUT,      /* the socket that leads from it to the guard */
    HANG_UP,
    UNPLUG,
};
enum { FRONT = 1, RECIPE = 2, KEEPER = 4, GUARD = 8, SCRIBE = 16, TERMINAL = 32, PORT = 64 };

/* What is on when the blow falls. */
enum fed { HEAT, RAIL, INJECTION };
static const struct {
    const char *recipe, *output;
} feeds[] = {
    [HEAT] = {"tests/data/quick/hold.lua", "heater"},
    [RAIL] = {"tests/data/quick/feed.lua", "supply"},
    [INJECTION] = {"tests/data/quick/inject.lua", "supply"},
};

struct trial {
    const char *name;
    enum fed fed;
    enum blow blow;
    int whom;
    int count;         /* seeded instants */
    int within_ms;     /* from the blow to the end of what is on */
    int status;        /* the front's */
    const char *rule;  /* that the record names; NULL: none */
    const char *latch; /* what the latch file says; NULL: there must be none */
    bool cut_short;    /* the record has no end */
    bool guard_stays;  /* it brings the bench down */
    enum blow then;    /* a second one, when the first has been felt; then_whom 0: none */
    int then_whom;
};

/* clang-format off */
static const struct trial trials[] = {
    /*                                                                        within_ms                             status      rule             latch            cut    stays  then */
    { "front-killed",                HEAT,      KILL,     FRONT,           10, PERIOD_MS,                            -SIGKILL,  NULL,            NULL,            false, true,  KILL, 0      },
    { "front-halted",                HEAT,      HALT_11S, FRONT,           14, 2000 + 2 * PERIOD_MS + LEEWAY_MS,     6,         "front-gone",    NULL,            false, true,  KILL, 0      },
    { "front-cut",                   HEAT,      CUT,      FRONT,            8, PERIOD_MS,                            6,         "front-gone",    NULL,            false, true,  KILL, 0      },
    { "recipe-killed",               HEAT,      KILL,     RECIPE,          20, PERIOD_MS + LEEWAY_MS,                1,         NULL,            NULL,            false, true,  KILL, 0      },
    { "recipe-halted",               HEAT,      HALT,     RECIPE,          14, 2000 + PERIOD_MS + LEEWAY_MS,         3,         "recipe-silent", "recipe-silent", false, true,  KILL, 0      },
    { "recipe-cut",                  HEAT,      CUT,      RECIPE,           8, PERIOD_MS + LEEWAY_MS,                1,         NULL,            NULL,            false, true,  KILL, 0      },
    { "guard-killed",                HEAT,      KILL,     GUARD,           32, 250,                                  3,         NULL,            "crash",         true,  false, KILL, 0      },
    { "guard-halted",                HEAT,      HALT,     GUARD,           22, 500 + PERIOD_MS,                      3,         NULL,            "crash",         true,  false, KILL, 0      },
    { "keeper-killed",               HEAT,      KILL,     KEEPER,          20, PERIOD_MS + LEEWAY_MS,                3,         "keeper-silent", "keeper-silent", false, true,  KILL, 0      },
    { "keeper-halted",               HEAT,      HALT,     KEEPER,          20, 500 + PERIOD_MS,                      3,         "keeper-silent", "keeper-silent", false, true,  KILL, 0      },
    { "scribe-killed",               HEAT,      KILL,     SCRIBE,          14, 2 * PERIOD_MS + LEEWAY_MS,            3,         NULL,            "record-lost",   true,  true,  KILL, 0      },
    { "scribe-halted",               HEAT,      HALT,     SCRIBE,          14, 1000 + 2 * PERIOD_MS + LEEWAY_MS,     3,         NULL,            "record-lost",   true,  true,  KILL, 0      },
    { "keeper-and-guard-killed",     HEAT,      KILL,     KEEPER | GUARD,  10, SILENCE_MS + TIMER_MS + LEEWAY_MS,    3,         NULL,            "crash",         true,  false, KILL, 0      },
    { "terminal-hung-up",            HEAT,      HANG_UP,  TERMINAL,        10, PERIOD_MS,                            6,         "stop-pressed",  NULL,            false, true,  KILL, 0      },
    { "port-unplugged",              HEAT,      UNPLUG,   PORT,            10, SILENCE_MS + TIMER_MS + LEEWAY_MS,    3,         "device-silent", "device-silent", false, true,  KILL, 0      },
    { "front-killed-keeper-halted",  HEAT,      KILL,     FRONT,            4, PERIOD_MS,                            -SIGKILL,  "keeper-silent", "keeper-silent", false, true,  HALT, KEEPER },
    { "keeper-halted-front-killed",  HEAT,      HALT,     KEEPER,           4, FELT_MS + PERIOD_MS,                  -SIGKILL,  NULL,            NULL,            false, true,  KILL, FRONT  },
    { "keeper-halted-guard-killed",  HEAT,      HALT,     KEEPER,           4, FELT_MS + 250,                        3,         NULL,            "crash",         true,  false, KILL, GUARD  },
    { "guard-halted-keeper-killed",  HEAT,      HALT,     GUARD,            4, FELT_MS + PERIOD_MS + LEEWAY_MS,      3,         "keeper-silent", "keeper-silent", false, true,  KILL, KEEPER },
    { "keeper-and-guard-halted",     HEAT,      HALT,     KEEPER | GUARD,   4, 1500 + 250 + LEEWAY_MS,               3,         NULL,            "crash",         true,  false, KILL, 0      },
    { "both-halted-front-killed",    HEAT,      HALT,     KEEPER | GUARD,   4, 500 + PERIOD_MS,                      -SIGKILL,  NULL,            "crash",         true,  false, KILL, FRONT  },
    { "supply-guard-killed",         RAIL,      KILL,     GUARD,            8, 250,                                  3,         NULL,            "crash",         true,  false, KILL, 0      },
    { "supply-guard-halted",         RAIL,      HALT,     GUARD,            5, 500 + PERIOD_MS,                      3,         NULL,            "crash",         true,  false, KILL, 0      },
    { "supply-keeper-killed",        RAIL,      KILL,     KEEPER,           5, PERIOD_MS + LEEWAY_MS,                3,         "keeper-silent", "keeper-silent", false, true,  KILL, 0      },
    { "supply-keeper-halted",        RAIL,      HALT,     KEEPER,           5, 500 + PERIOD_MS,                      3,         "keeper-silent", "keeper-silent", false, true,  KILL, 0      },
    { "supply-both-halted",          RAIL,      HALT,     KEEPER | GUARD,   4, 1500 + 250 + LEEWAY_MS,               3,         NULL,            "crash",         true,  false, KILL, 0      },
    { "inject-guard-killed",         INJECTION, KILL,     GUARD,            8, 250,                                  3,         NULL,            "crash",         true,  false, KILL, 0      },
    { "inject-guard-halted",         INJECTION, HALT,     GUARD,            5, 500 + PERIOD_MS,                      3,         NULL,            "crash",         true,  false, KILL, 0      },
    { "inject-keeper-killed",        INJECTION, KILL,     KEEPER,           5, PERIOD_MS + LEEWAY_MS,                3,         "keeper-silent", "keeper-silent", false, true,  KILL, 0      },
    { "inject-keeper-halted",        INJECTION, HALT,     KEEPER,           5, 500 + PERIOD_MS,                      3,         "keeper-silent", "keeper-silent", false, true,  KILL, 0      },
    { "inject-both-halted",          INJECTION, HALT,     KEEPER | GUARD,   4, 1500 + 250 + LEEWAY_MS,               3,         NULL,            "crash",         true,  false, KILL, 0      },
};
/* clang-format on */
enum { TRIALS = sizeof trials / sizeof trials[0] };

/* ---- chance ------------------------------------------------------------------------------------------ */

static uint64_t chance;

static uint64_t next_chance(void) /* splitmix64 */
{
    uint64_t z = chance += 0x9E3779B97F4A7C15;
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EB;
    return z ^ (z >> 31);
}

static double between(double low, double high)
{
    return low + (high - low) * (double)(next_chance() >> 11) * 0x1p-53;
}

static struct whole_run w;

/* Orphans are ours to reap. */
static bool is_alive(pid_t pid)
{
    return waitpid(pid, NULL, WNOHANG) <= 0 && kill(pid, 0) == 0;
}

/* Processor time that it has used so far. */
static double used_s(pid_t pid)
{
    char path[64];
    long user = 0, system = 0;
    snprintf(path, sizeof path, "/proc/%d/stat", (int)pid);
    FILE *from = fopen(path, "re");
    if (from) {
        if (fscanf(from, "%*d (%*[^)]) %*c %*d %*d %*d %*d %*d %*u %*u %*u %*u %*u %ld %ld", &user,
                   &system) != 2)
            user = system = 0;
        fclose(from);
    }
    return (double)(user + system) / (double)sysconf(_SC_CLK_TCK);
}

/* The number behind "--recipe-fd" or "--front-fd" in the guard's command line. */
static int descriptor_named(pid_t keeper, const char *option)
{
    char path[64], words[4096];
    snprintf(path, sizeof path, "/proc/%d/cmdline", (int)keeper);
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    ssize_t length = read(fd, words, sizeof words - 1);
    close(fd);
    assert_true(length > 0);
    words[length] = '\0';
    for (const char *at = words; at < words + length; at += strlen(at) + 1)
        if (strcmp(at, option) == 0)
            return atoi(at + strlen(at) + 1);
    fail_msg("%s is not in the guard's command line", option);
    return -1;
}

/* Ends a socket that only the run's processes hold. */
static void cut_socket(const struct cast *cast, const char *option)
{
    int number = descriptor_named(cast->keeper, option);
    int process = (int)syscall(SYS_pidfd_open, cast->guard, 0);
    int fd = process < 0 ? -1 : (int)syscall(SYS_pidfd_getfd, process, number, 0);
    if (fd < 0)
        fail_msg("no way to the guard's socket: %s", strerror(errno));
    shutdown(fd, SHUT_RDWR);
    close(fd);
    close(process);
}

/* ---- one job: a run, a blow ---------------------------------------------------------------------------- */

/* At the latest: it is dated to the millisecond. */
static double output_end_s(const char *output)
{
    char path[48];
    snprintf(path, sizeof path, "outputs.%s.last_on_s", output);
    json_t *truth = mimic_ask(&w, "truth");
    double end_s = value_in(truth, "began_s") + value_in(truth, path) + 0.001;
    json_decref(truth);
    return end_s;
}

/* Goes on listening, and answering, until then. */
static void listen_until(double until_s)
{
    while (now_s() < until_s - 0.06)
        run_listen(&w, 50);
    double left_s = until_s - now_s();
    struct timespec rest = {0, left_s > 0 ? (long)(left_s * 1e9) : 0};
    nanosleep(&rest, NULL);
}

static void wait_until_on(const char *output, double seconds)
{
    double until_s = now_s() + seconds;
    while (!flag_now(&w, output)) {
        run_listen(&w, 20);
        if (now_s() < until_s)
            continue;
        fprintf(stderr, "no %s; it said:\n%s\n", output, w.said);
        assert_true(false);
    }
}

/* On a terminal of its own, with the live view; keys answer. */
static void run_begin_on_terminal(const char *recipe)
{
    int master, slave;
    struct winsize size = {.ws_row = 40, .ws_col = 100};
    assert_int_equal(openpty(&master, &slave, NULL, NULL, &size), 0);
    fcntl(master, F_SETFD, FD_CLOEXEC);
    const char *argv[] = {program(), "run", recipe, "--bench", w.bench, NULL};
    w.run = fork();
    if (w.run == 0) {
        login_tty(slave);
        setenv("TERM", "xterm", 1);
        become(argv, -1, 1, w.dir);
    }
    close(slave);
    w.said_fd = master;
    w.answer_fd = fcntl(master, F_DUPFD_CLOEXEC, 0);
    fcntl(w.said_fd, F_SETFL, O_NONBLOCK);
}

static void begin_at_terminal(const char *recipe)
{
    run_begin_on_terminal(recipe);
    w.answers_yes = false; /* by a key: the s of a yes would stop */
    for (double until_s = now_s() + 60; !flag_now(&w, "heater");) {
        assert_true(now_s() < until_s);
        (void)!write(w.answer_fd, "y", 1);
        listen_until(now_s() + 0.9); /* sooner it would pass for a key that is held */
        w.said_length = 0;
    }
}

/* To an instant with the heat on: within the seat test's pulse or, where it makes a difference, in the steps. Or with
 * the supply on, which has no seat test. */
static void begin(const struct trial *trial)
{
    const char *recipe = source(feeds[trial->fed].recipe);
    bool stays_until_cool = ((trial->whom | trial->then_whom) & FRONT) && trial->blow != HALT_11S;
    bool in_steps = !stays_until_cool && (next_chance() & 1);
    mimic_begin(&w, source("tests/data/quick.ini"), recipe);
    w.answers_after_s = 0;
    if (trial->whom == TERMINAL) {
        begin_at_terminal(recipe);
        listen_until(now_s() + between(0, 5));
        return;
    }
    run_begin(&w, recipe);
    if (trial->fed != HEAT)
        run_until(&w, "stage  Feed", 60);
    else if (in_steps || (trial->whom == RECIPE && trial->blow == HALT))
        run_until(&w, "stage  Hold", 60);
    else
        run_until(&w, "Seat test: ", 60);
    listen_until(now_s() + between(0, 6));
    wait_until_on(feeds[trial->fed].output, 5);
    listen_until(now_s() + between(0, 0.1)); /* anywhere in a period */
    assert_true(flag_now(&w, feeds[trial->fed].output));
}

static void strike(enum blow blow, int whom, const struct cast *cast)
{
    const struct {
        int whom;
        pid_t pid;
    } by[] = {{FRONT, cast->front},
              {RECIPE, cast->recipe},
              {KEEPER, cast->keeper},
              {GUARD, cast->guard},
              {SCRIBE, cast->scribe}};
    if (blow == UNPLUG) {
        mimic_do(&w, "fault usb-unplugged");
    } else if (blow == HANG_UP) {
        close(w.answer_fd);
        close(w.said_fd);
        w.answer_fd = w.said_fd = -1;
    } else if (blow == CUT) {
        cut_socket(cast, whom == FRONT ? "--front-fd" : "--recipe-fd");
    } else {
        for (size_t i = 0; i < sizeof by / sizeof by[0]; i++)
            if (whom & by[i].whom)
                assert_int_equal(kill(by[i].pid, blow == KILL ? SIGKILL : SIGSTOP), 0);
    }
}

/* The operator does not wait until the plate is cool, where there still is a way to say so. */
static void leave_when_cooling(double *at_s, int *said)
{
    bool cooling = strstr(w.said, "mode   cooling") != NULL;
    if (w.answer_fd < 0 || !cooling || *said == 2)
        return;
    if (now_s() < *at_s)
        return;
    run_say(&w, "leave");
    *at_s = now_s() + 0.3;
    ++*said;
}

/* Until the front has ended, whoever brings the bench down, and the scribe; the front's status. */
static int wait_for_the_end(const struct cast *cast, double seconds)
{
    int status = 0, said = 0;
    double leave_s = 0;
    bool front = true, keeper = true, guard = true, scribe = true;
    for (double until_s = now_s() + seconds; front || keeper || guard || scribe;) {
        run_listen(&w, 20);
        leave_when_cooling(&leave_s, &said);
        front = front && waitpid(w.run, &status, WNOHANG) == 0;
        keeper = keeper && is_alive(cast->keeper);
        guard = guard && is_alive(cast->guard);
        scribe = scribe && is_alive(cast->scribe);
        if (now_s() < until_s)
            continue;
        fprintf(stderr, "still there:%s%s%s%s; it said:\n%s\n", front ? " front" : "",
                keeper ? " keeper" : "", guard ? " guard" : "", scribe ? " scribe" : "", w.said);
        assert_true(false);
    }
    w.run = 0;
    return WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status);
}

/* ---- what is left of it ---------------------------------------------------------------------------------- */

/* The one file that latches; NULL: there is none, nor anything beside it. */
static json_t *latch_there(void)
{
    char path[96];
    glob_t found;
    snprintf(path, sizeof path, "%s/latch*", w.dir);
    int none = glob(path, 0, NULL, &found);
    if (!none)
        assert_int_equal(found.gl_pathc, 1);
    json_t *latch = none ? NULL : json_load_file(found.gl_pathv[0], 0, NULL);
    globfree(&found);
    return latch;
}

static void check_latch(const struct trial *trial)
{
    json_t *latch = latch_there();
    const char *rule = json_string_value(json_object_get(latch, "rule"));
    if (!trial->latch) {
        if (latch)
            fail_msg("%s is latched", rule);
        return;
    }
    assert_non_null(rule);
    assert_string_equal(rule, trial->latch);
    json_decref(latch);
}

/* Latched: the next run says why, and does not begin. */
static void check_next_run(const struct trial *trial)
{
    if (!trial->latch)
        return;
    w.said_length = w.answered = 0;
    close(w.answer_fd);
    close(w.said_fd);
    run_begin(&w, source("tests/data/quick/hold.lua"));
    assert_int_equal(run_end(&w, 10), 4);
    assert_has(w.said, trial->latch);
}

static FILE *open_record(void)
{
    char command[160], path[256] = "";
    snprintf(command, sizeof command, "echo %s/runs/*.jsonl", w.dir);
    FILE *list = popen(command, "re");
    assert_non_null(list);
    assert_non_null(fgets(path, sizeof path, list));
    pclose(list);
    path[strcspn(path, "\n")] = '\0';
    FILE *record = fopen(path, "re");
    assert_non_null(record);
    return record;
}

static bool is_line(const json_t *line, const char *kind)
{
    const char *its = json_string_value(json_object_get(line, "kind"));
    return its && strcmp(its, kind) == 0;
}

/* Every line is whole; it begins as a record does, names what happened, and ends unless it was cut short. */
static void check_record(const struct trial *trial)
{
    static char text[1 << 16];
    FILE *record = open_record();
    bool ruled = false, ended = false;
    int count = 0;
    while (fgets(text, sizeof text, record)) {
        json_error_t error;
        json_t *line = json_loads(text, 0, &error);
        if (!line)
            fail_msg("line %d of the record: %s: %.200s", count + 1, error.text, text);
        if (count == 0)
            assert_true(is_line(line, "start"));
        const char *rule = json_string_value(json_object_get(line, "rule"));
        ruled |= is_line(line, "rule") && trial->rule && strcmp(rule, trial->rule) == 0;
        ended = is_line(line, "end");
        count++;
        json_decref(line);
    }
    fclose(record);
    assert_true(count > (trial->fed == HEAT ? 20 : 10)); /* which takes a seat test */
    assert_int_equal(ended, !trial->cut_short);
    assert_int_equal(ruled, trial->rule != NULL);
}

/* What is told to the program that gave the job, on descriptor 3. */
static void tell_on_ms(double ms)
{
    dprintf(3, "%.1f\n", ms);
}

/* The supply's volts are taken back as well: an output that stays on all the same gives nothing. */
static void assert_all_off(void)
{
    json_t *truth = mimic_ask(&w, "truth");
    assert_false(flag_in(truth, "heater"));
    assert_false(flag_in(truth, "supply"));
    assert_true(value_in(truth, "supply_set_v") <= 0);
    json_decref(truth);
}

static void test_kill(void **state)
{
    const struct trial *trial = *state;
    begin(trial);
    struct cast cast = find_cast(&w);

    double blow_s = now_s();
    strike(trial->blow, trial->whom, &cast);
    if (trial->then_whom) {
        listen_until(blow_s + FELT_MS * 1e-3);
        strike(trial->then, trial->then_whom, &cast);
    }
    listen_until(now_s() + 0.3);
    double before_s = used_s(cast.guard);
    listen_until(now_s() + LOOK_MS * 1e-3);
    double used = used_s(cast.guard) - before_s;
    if (trial->blow == HALT_11S) {
        listen_until(blow_s + 11);
        kill(cast.front, SIGCONT);
    }
    int status = wait_for_the_end(&cast, 120);

    const char *output = feeds[trial->fed].output;
    /* What only the instrument's own timer ends may outlast the run. */
    while (flag_now(&w, output) && now_s() < blow_s + trial->within_ms * 1e-3 + 0.1)
        nap_ms(20);

    assert_all_off();
    double on_ms = 1000 * (output_end_s(output) - blow_s);
    tell_on_ms(on_ms);
    if (on_ms > trial->within_ms)
        fail_msg("the %s was on for %.0f ms more, %d at most", output, on_ms, trial->within_ms);
    if (trial->guard_stays && used > 0.2)
        fail_msg("the guard used %.0f ms of a second", used * 1000);
    if (status != trial->status)
        fprintf(stderr, "status %d; it said:\n%s", status, w.said);
    assert_int_equal(status, trial->status);
    check_record(trial);
    check_latch(trial);
    check_next_run(trial);
    json_decref(mimic_end(&w));
    assert_int_equal(left_over(), 0);
}

/* ---- one job: a run that uses only the supply, ended about when the supply goes on --------------------------- */

static void test_a_supply_is_off_whoever_ends_its_run(void **state)
{
    const char *recipe = source("tests/data/quick/supply.lua");
    (void)state;
    mimic_begin(&w, source("tests/data/quick.ini"), recipe);
    w.answers_after_s = 0;
    run_begin(&w, recipe);
    run_until(&w, "stage  Feed", 60);
    struct cast cast = find_cast(&w);
    listen_until(now_s() + between(0, 0.8));

    switch (next_chance() % 4) {
    case 0:
        run_say(&w, "stop");
        break;
    case 1:
        kill(cast.front, SIGKILL);
        break;
    default:
        kill(cast.recipe, SIGKILL);
        break;
    }
    wait_for_the_end(&cast, 60);

    assert_all_off();
    assert_null(latch_there());
    json_decref(mimic_end(&w));
    assert_int_equal(left_over(), 0);
}

/* A supply has no silence timer: nobody is left who could switch it off. That is said, the latch tells of it, and the
 * next run begins with its off. */
static void test_a_supply_that_nobody_is_left_to_switch_off(void **state)
{
    const char *recipe = source(feeds[RAIL].recipe);
    char command[700];
    (void)state;
    mimic_begin(&w, source("tests/data/quick.ini"), recipe);
    w.answers_after_s = 0;
    run_begin(&w, recipe);
    run_until(&w, "stage  Feed", 60);
    wait_until_on("supply", 5);
    struct cast cast = find_cast(&w);

    strike(KILL, KEEPER | GUARD, &cast);
    int status = wait_for_the_end(&cast, 60);

    assert_true(flag_now(&w, "supply"));
    assert_int_equal(status, 3);
    run_until(&w, "take the bench for hot and live", 5);
    json_t *latch = latch_there();
    assert_string_equal(json_string_value(json_object_get(latch, "rule")), "crash");
    json_decref(latch);
    snprintf(command, sizeof command, "TINLATCH_HOME='%s' '%s' clear --reason 1 >/dev/null", w.dir,
             program());
    assert_int_equal(system(command), 0);
    w.said_length = w.answered = 0;
    w.said[0] = '\0';
    w.answers_yes = false;
    close(w.answer_fd);
    close(w.said_fd);
    run_begin(&w, recipe);
    run_until(&w, " open ", 60);
    assert_all_off();
    run_say(&w, "stop");
    assert_int_equal(run_end(&w, 30), 6);
    json_decref(mimic_end(&w));
    assert_int_equal(left_over(), 0);
}

/* ---- one job: stops, one after the other on one bench ----------------------------------------------------- */

/* A quick bench with a plate that hardly warms: a seat test's pulse lasts, if not beyond the heat time, and can be begun
 * again. On a line so slow that a Modbus frame is in flight for about half the time; without the cut-off, for a
 * pseudo-terminal has no lines. */
static const char *heavy_bench(const char *name)
{
    static char path[64];
    char line[256];
    bool left_out = false;
    snprintf(path, sizeof path, "/tmp/tinlatch-heavy-XXXXXX");
    FILE *from = fopen(source(name), "re");
    FILE *to = fdopen(mkstemp(path), "we");
    assert_true(from && to);
    while (fgets(line, sizeof line, from)) {
        if (line[0] == '[')
            left_out = strncmp(line, "[cut-off]", 9) == 0;
        if (left_out)
            continue;
        bool heat = strncmp(line, "heat_capacity = 60 ", 19) == 0;
        bool slow = strstr(name, "controller") && strncmp(line, "baud ", 5) == 0;
        fputs(heat ? "heat_capacity = 1000 J/K\n" : slow ? "baud = 57600\n" : line, to);
    }
    fclose(from);
    fclose(to);
    return path;
}

static void stop_somehow(void)
{
    switch (next_chance() % 3) {
    case 0:
        run_say(&w, "stop");
        break;
    case 1:
        kill(w.run, SIGINT);
        break;
    default:
        kill(w.run, SIGTERM);
        break;
    }
}

static void stop_once(const char *recipe, const char *begun, int within_ms)
{
    w.said_length = w.answered = 0;
    run_begin(&w, recipe);
    run_until(&w, begun, 60);
    wait_until_on("heater", 15);
    listen_until(now_s() + between(0, 0.5));
    assert_true(flag_now(&w, "heater"));
    struct cast cast = find_cast(&w);

    double stop_s = now_s();
    stop_somehow();
    int status = wait_for_the_end(&cast, 30);

    double heat_ms = 1000 * (output_end_s("heater") - stop_s);
    tell_on_ms(heat_ms);
    assert_false(flag_now(&w, "heater"));
    if (heat_ms > within_ms)
        fail_msg("heat was on for %.0f ms more", heat_ms);
    assert_int_equal(status, 6);
    assert_null(latch_there());
    close(w.answer_fd);
    close(w.said_fd);
}

static void stop_often(const char *name, const char *begun, int within_ms)
{
    const char *recipe = source("tests/data/quick/hold.lua"), *bench = heavy_bench(name);
    mimic_begin(&w, bench, recipe);
    unlink(bench);
    w.answers_after_s = 0;

    for (int i = 0; i < STOPS_EACH; i++)
        stop_once(recipe, begun, within_ms);

    json_decref(mimic_end(&w));
    assert_int_equal(left_over(), 0);
}

static void test_stops_in_the_seat_test(void **state)
{
    (void)state;
    stop_often("tests/data/quick.ini", "Seat test: ", PERIOD_MS);
}

/* It regulates itself, so that there is no seat test: the recipe's own heat. */
static void test_stops_of_a_controller(void **state)
{
    (void)state;
    stop_often("tests/data/quick-controller.ini", "stage  Hold", PERIOD_MS + FLIGHT_MS);
}

/* ---- one job: a disk that takes its time, or refuses ------------------------------------------------------- */

static void run_on_disk(const char *preload, const char *recipe)
{
    assert_non_null(preload);
    mimic_begin(&w, source("tests/data/quick.ini"), recipe);
    w.answers_after_s = 0;
    setenv("LD_PRELOAD", preload, 1);
    setenv("ASAN_OPTIONS", "verify_asan_link_order=0", 1);
    run_begin(&w, recipe);
    unsetenv("LD_PRELOAD");
}

static struct cast begin_on_disk(const char *preload)
{
    run_on_disk(preload, source("tests/data/quick/hold.lua"));
    run_until(&w, "Seat test: ", 60);
    wait_until_on("heater", 10);
    listen_until(now_s() + between(0, 2));
    return find_cast(&w);
}

static void test_a_slow_disk_delays_no_scan(void **state)
{
    (void)state;
    struct cast cast = begin_on_disk(getenv("SLOW_DISK"));

    double stop_s = now_s();
    run_say(&w, "stop");
    int status = wait_for_the_end(&cast, 60);

    double heat_ms = 1000 * (output_end_s("heater") - stop_s);
    tell_on_ms(heat_ms);
    assert_true(heat_ms <= PERIOD_MS);
    assert_int_equal(status, 6);
    assert_null(latch_there());
}

/* How many lines of the file stand after the last that has `word` in it; -1: none has. */
static int lines_after(const char *path, const char *word)
{
    char line[512];
    int after = -1;
    FILE *file = fopen(path, "re");
    assert_non_null(file);
    while (fgets(line, sizeof line, file))
        after = strstr(line, word) ? 0 : after < 0 ? -1 : after + 1;
    fclose(file);
    return after;
}

/* The supply is on as soon as it may be: there is no seat test before it. */
static void test_power_waits_until_the_latch_is_on_a_slow_disk(void **state)
{
    char synced[] = "/tmp/tinlatch-synced-XXXXXX";
    (void)state;
    close(mkstemp(synced));
    setenv("SLOW_DISK_SYNCED", synced, 1);
    run_on_disk(getenv("SLOW_DISK"), source("tests/data/quick/supply.lua"));
    unsetenv("SLOW_DISK_SYNCED");

    while (!flag_now(&w, "supply"))
        run_listen(&w, 20);
    int after = lines_after(synced, "/latch.armed-");
    struct cast cast = find_cast(&w);
    run_say(&w, "stop");
    int status = wait_for_the_end(&cast, 60);
    unlink(synced);

    assert_true(after > 0); /* the latch, and then its directory */
    assert_has(w.said, "nothing is switched on before the latch is on it");
    assert_int_equal(status, 6);
    assert_null(latch_there());
    json_decref(mimic_end(&w));
    assert_int_equal(left_over(), 0);
}

/* The record is lost from since_s on: off in time, and latched. */
static void check_lost_record(struct cast *cast, double since_s, double within_ms)
{
    int status = wait_for_the_end(cast, 60);

    double heat_ms = 1000 * (output_end_s("heater") - since_s);
    tell_on_ms(heat_ms);
    assert_true(heat_ms <= within_ms + 2 * PERIOD_MS + LEEWAY_MS);
    assert_int_equal(status, 3);
    json_t *latch = latch_there();
    assert_string_equal(json_string_value(json_object_get(latch, "rule")), "record-lost");
    json_decref(latch);
}

static void test_a_slow_disk_is_not_waited_for_by_a_trip(void **state)
{
    (void)state;
    struct cast cast = begin_on_disk(getenv("SLOW_DISK"));

    double blow_s = now_s();
    kill(cast.scribe, SIGKILL);
    check_lost_record(&cast, blow_s, 0);
}

/* The record is lost, and the latch says so: there is no room for a file beside the crash's. */
static void test_a_disk_that_is_full_is_a_lost_record(void **state)
{
    char full[] = "/tmp/tinlatch-full-XXXXXX";
    (void)state;
    close(mkstemp(full));
    unlink(full);
    setenv("FULL_DISK", full, 1);
    struct cast cast = begin_on_disk(getenv("FULL_DISK_PRELOAD"));

    double full_s = now_s();
    close(open(full, O_CREAT | O_WRONLY | O_CLOEXEC, 0600));
    check_lost_record(&cast, full_s, 1000);
    unlink(full);
}

/* Somebody tidies up: a crash from then on would be forgotten, so nothing stays on. */
static void test_with_its_latch_removed_nothing_stays_on(void **state)
{
    char armed[160];
    (void)state;
    struct cast cast = begin_on_disk("");
    snprintf(armed, sizeof armed, "%s/latch.armed-%d", w.dir, (int)getsid(cast.guard));

    double gone_s = now_s();
    assert_int_equal(unlink(armed), 0);
    check_lost_record(&cast, gone_s, 0);
}

/* Another run's trip, latched while this one still asked its questions. */
static void test_without_a_latch_of_its_own_nothing_is_heated(void **state)
{
    const char *recipe = source("tests/data/quick/hold.lua");
    char path[96];
    (void)state;
    mimic_begin(&w, source("tests/data/quick.ini"), recipe);
    w.answers_after_s = 0;
    w.answers_yes = false;
    snprintf(path, sizeof path, "%s/latch", w.dir);
    run_begin(&w, recipe);
    run_until(&w, " open ", 60);
    FILE *latch = fopen(path, "we");
    assert_non_null(latch);
    fputs("{\"rule\":\"plate-over\",\"what\":\"another's\",\"wall_s\":1}\n", latch);
    fclose(latch);

    w.answers_yes = true;
    run_until(&w, "another run has tripped meanwhile", 60);
    struct cast cast = find_cast(&w);
    int status = wait_for_the_end(&cast, 60);

    assert_int_equal(status, 4);
    json_t *left = latch_there();
    assert_string_equal(json_string_value(json_object_get(left, "rule")), "plate-over");
    json_decref(left);
    json_t *report = mimic_end(&w);
    assert_true(isnan(value_in(report, "outputs.heater.last_on_s")));
    json_decref(report);
    assert_int_equal(left_over(), 0);
}

static int clean_up(void **state)
{
    (void)state;
    void *run = &w;
    return whole_run_teardown(&run);
}

/* What else there is to do than a trial. */
static const struct {
    const char *name;
    void (*test)(void **state);
    int jobs, instants;
} others[] = {
    {"stops", test_stops_in_the_seat_test, SEAT_BENCHES, SEAT_BENCHES *STOPS_EACH},
    {"stops-of-a-controller", test_stops_of_a_controller, RUN_BENCHES, RUN_BENCHES *STOPS_EACH},
    {"supply", test_a_supply_is_off_whoever_ends_its_run, 24, 0},
    {"supply-left-on", test_a_supply_that_nobody_is_left_to_switch_off, 4, 0},
    {"slow-disk", test_a_slow_disk_delays_no_scan, 8, 8},
    {"arming-on-slow-disk", test_power_waits_until_the_latch_is_on_a_slow_disk, 2, 0},
    {"trip-on-slow-disk", test_a_slow_disk_is_not_waited_for_by_a_trip, 4, 4},
    {"full-disk", test_a_disk_that_is_full_is_a_lost_record, 4, 4},
    {"latch-removed", test_with_its_latch_removed_nothing_stays_on, 4, 4},
    {"no-latch", test_without_a_latch_of_its_own_nothing_is_heated, 2, 0},
};
enum { OTHERS = sizeof others / sizeof others[0] };

static struct CMUnitTest find_job(const char *what)
{
    for (int i = 0; i < TRIALS; i++)
        if (strcmp(trials[i].name, what) == 0)
            return (struct CMUnitTest){what, test_kill, NULL, clean_up, (void *)&trials[i]};
    for (int i = 0; i < OTHERS; i++)
        if (strcmp(others[i].name, what) == 0)
            return (struct CMUnitTest){what, others[i].test, NULL, clean_up, NULL};
    fprintf(stderr, "%s: no such job\n", what);
    exit(2);
}

/* "kills JOB SEED" */
static int do_job(const char *what, const char *seed)
{
    const struct CMUnitTest job[] = {find_job(what)};
    urgent_where_granted(30);
    signal(SIGPIPE, SIG_IGN);
    fcntl(3, F_SETFD, FD_CLOEXEC);
    chance = strtoull(seed, NULL, 10);
    return cmocka_run_group_tests(job, NULL, NULL);
}

/* ---- all jobs ------------------------------------------------------------------------------------------------ */

struct job {
    const char *what;
    uint64_t seed;
    pid_t pid;
    int told, said; /* its figures; what it printed */
    bool good;
};

static struct job jobs[JOBS];
static int job_count;

static void add_jobs(const char *what, int count)
{
    for (int i = 0; i < count; i++) {
        assert_true(job_count < JOBS);
        jobs[job_count++] = (struct job){.what = what, .seed = next_chance() >> 1};
    }
}

static void start_job(struct job *job)
{
    char seed[32];
    job->told = memfd_create("told", 0);
    job->said = memfd_create("said", 0);
    snprintf(seed, sizeof seed, "%" PRIu64, job->seed);
    const char *argv[] = {"/proc/self/exe", job->what, seed, NULL};
    job->pid = fork();
    if (job->pid != 0)
        return;
    int said = fcntl(job->said, F_DUPFD, 10);
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    dup2(job->told, 3);
    dup2(said, 1);
    dup2(said, 2);
    syscall(SYS_close_range, 4U, ~0U, 0U);
    execv(argv[0], (char *const *)argv);
    _exit(127);
}

static void print_job(const struct job *job)
{
    static char text[1 << 18];
    ssize_t length = pread(job->said, text, sizeof text - 1, 0);
    fprintf(stderr, "kills %s %" PRIu64 ":\n%.*s\n", job->what, job->seed, (int)length, text);
}

static void end_job(pid_t pid, int status)
{
    for (int i = 0; i < job_count; i++) {
        struct job *job = &jobs[i];
        if (job->pid != pid)
            continue;
        job->good = WIFEXITED(status) && WEXITSTATUS(status) == 0;
        job->pid = 0; /* another's soon */
        if (!job->good)
            print_job(job);
        return;
    }
}

static int run_jobs(void)
{
    int next = 0, alive = 0, status;
    while (next < job_count || alive > 0) {
        if (next < job_count && alive < AT_ONCE) {
            start_job(&jobs[next++]);
            alive++;
            nap_ms(20); /* all at once they would be in step */
            continue;
        }
        pid_t pid = wait(&status);
        assert_true(pid > 0);
        end_job(pid, status);
        alive--;
    }
    return 0;
}

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Every job of that name was good; says how long what was on stayed on. */
static void check_jobs(const char *what, int instants)
{
    static double ms[SEAT_BENCHES * STOPS_EACH];
    static char text[1 << 16];
    int count = 0, bad = 0;
    for (int i = 0; i < job_count; i++) {
        if (strcmp(jobs[i].what, what) != 0)
            continue;
        bad += !jobs[i].good;
        ssize_t length = pread(jobs[i].told, text, sizeof text - 1, 0);
        text[length > 0 ? length : 0] = '\0';
        for (char *at = text, *end; count < instants; at = end) {
            ms[count] = strtod(at, &end);
            if (end == at)
                break;
            count++;
        }
    }
    qsort(ms, (size_t)count, sizeof ms[0], compare);
    if (count > 0)
        print_message("%-28s %4d instants: off after %6.1f ms (median), %6.1f ms (worst)\n", what,
                      count, ms[count / 2], ms[count - 1]);
    assert_int_equal(bad, 0);
    assert_int_equal(count, instants);
}

/* A group whose tests look at what the jobs told; the jobs all run before the first of them. */
static struct plan {
    const char *name;
    int jobs, instants;
} plans[TRIALS + OTHERS];

static void make_plans(void)
{
    for (int i = 0; i < OTHERS; i++)
        plans[i] = (struct plan){others[i].name, others[i].jobs, others[i].instants};
    for (int i = 0; i < TRIALS; i++)
        plans[OTHERS + i] = (struct plan){trials[i].name, trials[i].count, trials[i].count};
}

static int run_plans(void **state)
{
    const char *only = getenv("ONLY");
    (void)state;
    for (int i = 0; i < TRIALS + OTHERS; i++)
        if (!only || fnmatch(only, plans[i].name, 0) == 0)
            add_jobs(plans[i].name, plans[i].jobs);
    return run_jobs();
}

static void test_plan(void **state)
{
    const struct plan *plan = *state;

    check_jobs(plan->name, plan->instants);
}

int main(int argc, char *argv[])
{
    struct CMUnitTest tests[TRIALS + OTHERS];
    const char *seed = getenv("SEED");
    if (argc == 3)
        return do_job(argv[1], argv[2]);
    chance = seed ? strtoull(seed, NULL, 10) : 1;
    make_plans();
    for (int i = 0; i < TRIALS + OTHERS; i++)
        tests[i] = (struct CMUnitTest){plans[i].name, test_plan, NULL, NULL, &plans[i]};
    cmocka_set_test_filter(getenv("ONLY"));
    return cmocka_run_group_tests(tests, run_plans, NULL);
}
