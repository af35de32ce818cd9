/* SPDX-License-Identifier: MIT */
/* whole_run - `tinlatch mimic` and `tinlatch run` side by side, started, talked to, and gone afterwards
 * whatever becomes of the test. */
#ifndef TINLATCH_TESTS_WHOLE_RUN_H
#define TINLATCH_TESTS_WHOLE_RUN_H

#include <errno.h>
#include <fcntl.h>
#include <glob.h>
#include <jansson.h>
#include <linux/magic.h>
#include <poll.h>
#include <sched.h>
#include <signal.h>
#include <stdbool.h>
#include <stdlib.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <sys/vfs.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "check.h"

enum { SAID = 1 << 17 };

struct whole_run {
    char dir[64], bench[96], control[96], report[96];
    pid_t mimic, run;
    int control_fd, answer_fd, said_fd;
    char said[SAID];
    size_t said_length;
    size_t answered; /* prompts up to here have had their answer */
    double asked_s;  /* when the prompt now open was seen; 0 = none is */
    bool answers_yes;
    const char *no_to;      /* ... but no to the prompt with these words; NULL = none */
    double answers_after_s; /* at a terminal what comes within the first second does not count */
};

/* ---- the processes of a run ------------------------------------------------------------------ */

struct cast {
    pid_t front, recipe, keeper, scribe, guard;
};

/* The children of a process in the order of their birth; how many there are. */
static inline int children_of(pid_t parent, pid_t *out, int most)
{
    char path[64];
    int count = 0;
    long pid;
    snprintf(path, sizeof path, "/proc/%d/task/%d/children", (int)parent, (int)parent);
    FILE *from = fopen(path, "re");
    while (from && count < most && fscanf(from, "%ld", &pid) == 1)
        out[count++] = (pid_t)pid;
    if (from)
        fclose(from);
    return count;
}

static inline struct cast find_cast(const struct whole_run *w)
{
    pid_t of_front[4], of_keeper[4];
    assert_int_equal(children_of(w->run, of_front, 4), 2);
    assert_int_equal(children_of(of_front[1], of_keeper, 4), 2);
    return (struct cast){w->run, of_front[0], of_front[1], of_keeper[0], of_keeper[1]};
}

static inline double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

static inline void nap_ms(int ms)
{
    poll(NULL, 0, ms);
}

/* What measures, and what stands for an instrument with a processor of its own, is not kept waiting by others;
 * its children are. */
static inline void urgent_where_granted(int priority)
{
    struct sched_param urgent = {.sched_priority = priority};
    sched_setscheduler(0, SCHED_FIFO | SCHED_RESET_ON_FORK, &urgent);
}

/* In the child: dies with this test. */
static inline void become(const char *const argv[], int in, int out, const char *home)
{
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    if (in >= 0)
        dup2(in, 0);
    dup2(out, 1);
    dup2(out, 2);
    setenv("TINLATCH_HOME", home, 1);
    execv(argv[0], (char *const *)argv);
    _exit(127);
}

static inline const char *program(void)
{
    const char *path = getenv("TINLATCH");
    assert_non_null(path);
    return path;
}

static inline const char *source(const char *name)
{
    static char path[4][512];
    static int turn;
    const char *top = getenv("TOP");
    assert_non_null(top);
    turn = (turn + 1) % 4;
    snprintf(path[turn], sizeof path[turn], "%s/%s", top, name);
    return path[turn];
}

static inline int connect_control(const char *path)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    snprintf(address.sun_path, sizeof address.sun_path, "%s", path);
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd >= 0 && connect(fd, (struct sockaddr *)&address, sizeof address) == 0)
        return fd;
    close(fd);
    return -1;
}

/* How many files of that name, or pattern, there are in the account's state. */
static inline int state_files(const struct whole_run *w, const char *name)
{
    char pattern[128];
    glob_t found;
    snprintf(pattern, sizeof pattern, "%s/%s", w->dir, name);
    int n = glob(pattern, 0, NULL, &found) == 0 ? (int)found.gl_pathc : 0;
    globfree(&found);
    return n;
}

/* Memory, where there is some to write files to: a disk that others keep busy loses a run its record, and rightly. */
static inline const char *quick_place(void)
{
    static const char memory[] = "/dev/shm";
    struct statfs place;
    bool is_memory = statfs(memory, &place) == 0 && place.f_type == TMPFS_MAGIC;
    return is_memory && access(memory, W_OK) == 0 ? memory : "/tmp";
}

/* The emulated bench; recipe NULL: a bare plate. */
static inline void mimic_begin(struct whole_run *w, const char *bench, const char *recipe)
{
    *w = (struct whole_run){.control_fd = -1,
                            .answer_fd = -1,
                            .said_fd = -1,
                            .answers_yes = true,
                            .answers_after_s = 1.3};
    prctl(PR_SET_CHILD_SUBREAPER, 1);
    snprintf(w->dir, sizeof w->dir, "%s/tinlatch-run-XXXXXX", quick_place());
    assert_non_null(mkdtemp(w->dir));
    snprintf(w->bench, sizeof w->bench, "%s/bench.ini", w->dir);
    snprintf(w->control, sizeof w->control, "%s/control", w->dir);
    snprintf(w->report, sizeof w->report, "%s/report", w->dir);
    int out = open(w->report, O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
    const char *argv[] = {program(),   "mimic",    "--bench", bench,  "--out", w->dir,
                          "--control", w->control, "--json",  recipe, NULL};
    w->mimic = fork();
    if (w->mimic == 0) {
        urgent_where_granted(20);
        become(argv, -1, out, w->dir);
    }
    close(out);
    for (double until_s = now_s() + 30; w->control_fd < 0 && now_s() < until_s; nap_ms(20))
        if (access(w->bench, R_OK) == 0)
            w->control_fd = connect_control(w->control);
    assert_true(w->control_fd >= 0);
}

/* One command, its answer; the caller drops it. */
static inline json_t *mimic_ask(struct whole_run *w, const char *command)
{
    char line[8192];
    size_t length = 0;
    dprintf(w->control_fd, "%s\n", command);
    while (length < sizeof line && (length == 0 || line[length - 1] != '\n')) {
        ssize_t got = read(w->control_fd, line + length, sizeof line - length);
        assert_true(got > 0);
        length += (size_t)got;
    }
    json_t *answer = json_loadb(line, length, 0, NULL);
    assert_true(json_is_object(answer));
    return answer;
}

static inline void mimic_do(struct whole_run *w, const char *command)
{
    json_t *answer = mimic_ask(w, command);
    if (!json_is_true(json_object_get(answer, "ok")))
        print_error("%s: %s\n", command, json_string_value(json_object_get(answer, "error")));
    assert_true(json_is_true(json_object_get(answer, "ok")));
    json_decref(answer);
}

/* "plate.peak_c" of what mimic told; NAN: null or not there. */
static inline double value_in(const json_t *told, const char *path)
{
    char part[32];
    while (*path) {
        size_t length = strcspn(path, ".");
        snprintf(part, sizeof part, "%.*s", (int)length, path);
        told = json_object_get(told, part);
        path += length + (path[length] == '.');
    }
    return json_is_number(told) ? json_number_value(told) : (double)NAN;
}

static inline bool flag_in(const json_t *told, const char *output)
{
    return json_is_true(
        json_object_get(json_object_get(json_object_get(told, "outputs"), output), "on"));
}

/* Of the bench as it is now. */
static inline bool flag_now(struct whole_run *w, const char *output)
{
    json_t *truth = mimic_ask(w, "truth");
    bool on = flag_in(truth, output);
    json_decref(truth);
    return on;
}

/* The run itself, its terminal a pipe. */
static inline void run_begin(struct whole_run *w, const char *recipe)
{
    int in[2], out[2];
    assert_int_equal(pipe2(in, O_CLOEXEC), 0);
    assert_int_equal(pipe2(out, O_CLOEXEC), 0);
    const char *argv[] = {program(), "run",      recipe, "--bench", w->bench,
                          "--quiet", "--serial", "T-1",  NULL};
    w->run = fork();
    if (w->run == 0)
        become(argv, in[0], out[1], w->dir);
    close(in[0]);
    close(out[1]);
    w->answer_fd = in[1];
    w->said_fd = out[0];
    fcntl(w->said_fd, F_SETFL, O_NONBLOCK);
}

static inline void run_say(struct whole_run *w, const char *text)
{
    dprintf(w->answer_fd, "%s\n", text);
}

/* What is typed for a prompt: what a meter shows now, and what it shows after the work; else yes. */
static inline const char *answer_to(const char *prompt, size_t length)
{
    static const struct {
        const char *asks, *typed;
    } known[] = {
        {"are the bench meter's probes on it", "yes"},
        {"Again, once it is cold. ohms", "44.1 kohm"},
        {"the reading in ohms", "44,9 kohm"},
        {"Again, once it is cold. diode", "412 mV"},
        {"the reading in volts", "0.418 V"},
        {"Again, once it is cold. idle", "no"},
        {"the reading in amps", "38 mA"},
    };
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        const char *found = strstr(prompt, known[i].asks);
        if (found && found < prompt + length)
            return known[i].typed;
    }
    return "yes";
}

/* An answer to each prompt, once it has been open long enough to count as seen. */
static inline void answer_prompt(struct whole_run *w)
{
    const char *open = strstr(w->said + w->answered, " open ");
    if (!w->answers_yes || !open)
        return;
    if (w->asked_s <= 0)
        w->asked_s = now_s();
    if (now_s() - w->asked_s < w->answers_after_s)
        return;
    const char *prompt = w->said + w->answered, *no = w->no_to ? strstr(prompt, w->no_to) : NULL;
    w->asked_s = 0;
    w->answered = (size_t)(open - w->said) + 6;
    run_say(w, no && no < open ? "no" : answer_to(prompt, (size_t)(open - prompt)));
}

static inline bool run_listen(struct whole_run *w, int ms)
{
    struct pollfd polled = {.fd = w->said_fd, .events = POLLIN};
    poll(&polled, 1, ms);
    ssize_t got = read(w->said_fd, w->said + w->said_length, SAID - 1 - w->said_length);
    if (got > 0)
        w->said_length += (size_t)got;
    int why = errno;
    w->said[w->said_length] = '\0';
    answer_prompt(w);
    if (got == 0 || (got < 0 && why == EIO)) /* at its end: poll did not wait */
        nap_ms(ms);
    errno = why;
    return got != 0;
}

/* Until `text` has been said. */
static inline void run_until(struct whole_run *w, const char *text, double seconds)
{
    for (double until_s = now_s() + seconds; !strstr(w->said, text);) {
        bool open = run_listen(w, 50);
        if (open && now_s() < until_s)
            continue;
        fprintf(stderr, "\"%s\" was not said in %.0f s; this was:\n%s\n", text, seconds, w->said);
        assert_true(false);
    }
}

/* Waits for the run's end; its status. */
static inline int run_end(struct whole_run *w, double seconds)
{
    int status = 0;
    for (double until_s = now_s() + seconds; waitpid(w->run, &status, WNOHANG) == 0;) {
        run_listen(w, 50);
        if (now_s() < until_s)
            continue;
        fprintf(stderr, "the run does not end; it said:\n%s\n", w->said);
        assert_true(false);
    }
    while (run_listen(w, 0) && w->said_length < SAID - 1 && errno != EAGAIN)
        ;
    w->run = 0;
    return WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status);
}

/* Ends mimic; what it reports. */
static inline json_t *mimic_end(struct whole_run *w)
{
    int status;
    kill(w->mimic, SIGTERM);
    waitpid(w->mimic, &status, 0);
    w->mimic = 0;
    json_t *report = json_load_file(w->report, 0, NULL);
    assert_true(json_is_object(report));
    return report;
}

/* Every child and child's child that is left: orphans come to this process. */
static inline int sweep(void)
{
    int killed = 0;
    for (int round = 0; round < 50; round++) {
        char path[64], list[4096];
        snprintf(path, sizeof path, "/proc/self/task/%d/children", (int)getpid());
        FILE *from = fopen(path, "re");
        size_t got = from ? fread(list, 1, sizeof list - 1, from) : 0;
        list[got] = '\0';
        if (from)
            fclose(from);
        if (got == 0)
            break;
        char *at = list;
        for (long pid = strtol(at, &at, 10); pid > 0; pid = strtol(at, &at, 10)) {
            killed += kill((pid_t)pid, SIGKILL) == 0 && round == 0;
            waitpid((pid_t)pid, NULL, 0);
        }
    }
    return killed;
}

/* Processes of the run that are still there, a moment after its end; 0 is right. */
static inline int left_over(void)
{
    for (int i = 0; i < 200; i++) {
        while (waitpid(-1, NULL, WNOHANG) > 0)
            ;
        char path[64];
        snprintf(path, sizeof path, "/proc/self/task/%d/children", (int)getpid());
        FILE *from = fopen(path, "re");
        int c = from ? fgetc(from) : EOF;
        if (from)
            fclose(from);
        if (c == EOF)
            return 0;
        nap_ms(50);
    }
    return sweep();
}

static inline int remove_it(const char *path)
{
    char command[160];
    snprintf(command, sizeof command, "rm -rf -- '%.64s'", path);
    return system(command);
}

static inline int whole_run_teardown(void **state)
{
    struct whole_run *w = *state;
    sweep();
    if (w->control_fd >= 0)
        close(w->control_fd);
    if (w->answer_fd >= 0)
        close(w->answer_fd);
    if (w->said_fd >= 0)
        close(w->said_fd);
    if (w->dir[0])
        remove_it(w->dir);
    *w = (struct whole_run){.control_fd = -1, .answer_fd = -1, .said_fd = -1};
    return 0;
}

#endif
