/* SPDX-License-Identifier: MIT */
/* reaction_bench - from the last byte of a reading that breaks a limit to the first byte of OFF, on a pseudo-terminal,
 * with the guard's own process and loop at the other end; beside it the raw round trip of the same bytes.
 *
 *   reaction_bench [SAMPLES [busy [FILE]]]   a line per condition (busy: only those with every core busy): what, load,
 *                                            priority, median and 99.9th percentile in us, samples
 *
 * With FILE only those with real-time priority, two benches at a time, and each sample goes there as it comes, with the
 * load of the machine.
 *
 * Every sample is a run of its own: the guard is forked, asks, heats the empty plate as its seat test, and reads
 * a board over its limit at an instant drawn at random. Whoever measures runs at a higher priority than what is measured. */
#include "fake_line.h"

#include <dirent.h>
#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <sched.h>
#include <signal.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "tinlatch/latch.h"
#include "tinlatch/live.h"

enum { LANES = 4, MOST = 100000, TOO_LONG_MS = 30000 };

static struct benchfile bench;
/* A guard's child may still write its trip when the guard is dead: every sample has a latch of its own. */
static char latches[] = "/tmp/reaction-XXXXXX";

struct rig {
    struct fake_line plate; /* what it hears and says, on the terminal below */
    int terminal, recipe, front, beats, signs, lines, durable;
    pid_t guard;
    uint64_t written; /* lines of the record */
    char latch[64];   /* of the sample */
};

static double now_us(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec * 1e6 + (double)t.tv_nsec / 1e3;
}

static void fail(const char *what)
{
    perror(what);
    exit(1);
}

static void set_bench(void)
{
    bench = fake_line_bench();
    bench.period_ms = 20;
    bench.plate.element_lag_s = 0.1; /* the seat test watches the plate at rest for so many lags */
    bench.plate.sensor_lag_s = 0.1;
    bench.limits.board_mc =
        27000; /* one step over it is no jump, which would be watched for three readings */
}

static void be_quick(int priority)
{
    struct sched_param param = {.sched_priority = priority};
    sched_setscheduler(0, priority ? SCHED_FIFO : SCHED_OTHER, &param);
}

static void open_terminal(int *ours, int *its)
{
    if (openpty(ours, its, NULL, NULL, NULL))
        fail("openpty");
    struct termios raw;
    tcgetattr(*its, &raw);
    cfmakeraw(&raw);
    tcsetattr(*its, TCSANOW, &raw);
}

static void pair(int ours_first, int *ours, int *its)
{
    int ends[2];
    if (ours_first < 0 ? socketpair(AF_UNIX, SOCK_SEQPACKET, 0, ends) : pipe2(ends, O_NONBLOCK))
        fail("pipe");
    *ours = ends[ours_first == 1];
    *its = ends[ours_first != 1];
}

static void rig_start(struct rig *rig, bool realtime)
{
    struct live_config config = {.bench = &bench,
                                 .recipe_name = "",
                                 .serial = "",
                                 .latch_path = rig->latch,
                                 .latch_fd = -1,
                                 .ask_realtime = realtime};
    int its;
    fake_line_init(&rig->plate);
    open_terminal(&rig->terminal, &its);
    pair(-1, &rig->recipe, &config.recipe_fd);
    pair(-1, &rig->front, &config.front_fd);
    pair(0, &rig->beats, &config.beat_fd);
    pair(0, &rig->lines, &config.record_fd);
    pair(1, &rig->signs, &config.sign_fd);
    pair(1, &rig->durable, &config.durable_fd);
    rig->written = 0;
    const struct latch crash = {.rule = "crash"};
    struct tl_error error;
    int held_fd;
    if (latch_stage(rig->latch, &crash, &held_fd, &error)) {
        fprintf(stderr, "%s\n", error.text);
        exit(1);
    }
    rig->guard = fork();
    if (rig->guard == 0) {
        const int ours[] = {rig->terminal, rig->recipe, rig->front,  rig->beats,
                            rig->signs,    rig->lines,  rig->durable};
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        be_quick(0);
        for (size_t i = 0; i < sizeof ours / sizeof ours[0]; i++)
            close(ours[i]);
        if (port_fd_open(its, &config.port[0]))
            _exit(1);
        _exit((int)live_run(&config));
    }
    const int theirs[] = {its,
                          config.recipe_fd,
                          config.front_fd,
                          config.beat_fd,
                          config.record_fd,
                          config.sign_fd,
                          config.durable_fd,
                          held_fd};
    for (size_t i = 0; i < sizeof theirs / sizeof theirs[0]; i++)
        close(theirs[i]);
    struct wire_hello hello = {.recipe.uses_plate = true};
    wire_stamp(&hello.head, WIRE_HELLO, 1);
    strcpy(hello.insert, "flat");
    wire_send(rig->recipe, &hello);
}

static void rig_end(struct rig *rig)
{
    const int ours[] = {rig->terminal, rig->recipe, rig->front,  rig->beats,
                        rig->signs,    rig->lines,  rig->durable};
    kill(rig->guard, SIGKILL);
    waitpid(rig->guard, NULL, 0);
    for (size_t i = 0; i < sizeof ours / sizeof ours[0]; i++)
        close(ours[i]);
}

/* The person says yes to whatever is asked. */
static void hear_front(struct rig *rig)
{
    _Alignas(8) unsigned char message[WIRE_MAX];
    struct wire_hand hand = {0};
    int kind;
    while ((kind = wire_receive_now(rig->front, message)) > 0) {
        const struct wire_snapshot *snapshot = (const void *)message;
        if (kind != WIRE_SNAPSHOT)
            continue;
        hand.prompt = snapshot->open_note;
        hand.answer = snapshot->open_note ? ANSWER_YES : ANSWER_NONE;
        wire_stamp(&hand.head, WIRE_HAND, snapshot->head.number);
        wire_send(rig->front, &hand);
    }
}

/* Keeper and scribe. */
static void hear_others(struct rig *rig)
{
    char block[65536];
    ssize_t got;
    while (read(rig->beats, block, sizeof block) > 0)
        ;
    while ((got = read(rig->lines, block, sizeof block)) > 0)
        for (ssize_t i = 0; i < got; i++)
            rig->written += block[i] == '\n';
    if (write(rig->signs, "k", 1) < 0 ||
        write(rig->durable, &rig->written, sizeof rig->written) < 0)
        return; /* the guard has left; the sample will say so */
}

static bool comes(int fd, int ms)
{
    struct pollfd polled = {.fd = fd, .events = POLLIN};
    return poll(&polled, 1, ms) > 0 && (polled.revents & POLLIN);
}

/* What came on the terminal goes to the plate. Returns the bytes. */
static ssize_t hear_terminal(struct rig *rig)
{
    char bytes[512];
    ssize_t got = read(rig->terminal, bytes, sizeof bytes);
    if (got > 0)
        rig->plate.port.ops->write(&rig->plate.port, bytes, (size_t)got);
    return got;
}

static bool say(struct rig *rig)
{
    ssize_t length = (ssize_t)rig->plate.out_length;
    rig->plate.out_length = 0;
    return length > 0 && write(rig->terminal, rig->plate.out, (size_t)length) == length;
}

/* Until the plate is heated, and `more` periods longer. False: it is not, for the machine kept it from its seat test. */
static bool heat(struct rig *rig, int more)
{
    double until_us = now_us() + TOO_LONG_MS * 1e3;
    while (now_us() < until_us) {
        if (comes(rig->terminal, 5) && hear_terminal(rig) > 0) {
            more -= rig->plate.duty > 0;
            if (more < 0)
                return true; /* this request is still to be answered */
            say(rig);
        }
        hear_front(rig);
        hear_others(rig);
    }
    fprintf(stderr, "the guard does not heat: once more\n");
    return false;
}

/* The answer to the request that was taken, with the board at 28 C, over its limit. */
static void say_hot(struct rig *rig)
{
    struct fake_line *plate = &rig->plate;
    char line[256];
    plate->out[plate->out_length] = '\0';
    char *at = strstr(plate->out, " c3=");
    snprintf(line, sizeof line, "%.*s c3=28000%s", (int)(at - plate->out), plate->out,
             strstr(at + 1, " "));
    line[strcspn(line, "*") - 1] = '\0';
    plate->out_length = 0;
    fake_line_say(plate, line);
    say(rig);
}

/* us from that answer until OFF comes. A guard that was kept from its period takes it as too late, and asks again. */
static double off_after_us(struct rig *rig)
{
    int offs = rig->plate.offs;
    say_hot(rig);
    double since_us = now_us();
    while (comes(rig->terminal, TOO_LONG_MS)) {
        double came_us = now_us();
        ssize_t got = hear_terminal(rig);
        if (rig->plate.offs > offs)
            return came_us - since_us;
        if (got <= 0)
            break;
        if (rig->plate.out_length > 0)
            say_hot(rig);
    }
    fprintf(stderr, "no OFF\n");
    exit(1);
}

static double guard_sample(struct rig *rig, bool realtime, unsigned *seed)
{
    rig_start(rig, realtime);
    while (!heat(rig, 2 + (int)(rand_r(seed) % 6))) {
        rig_end(rig);
        unlink(rig->latch);
        rig_start(rig, realtime);
    }
    double us = off_after_us(rig);
    rig_end(rig);
    return us;
}

/* The same bytes there, and OFF back, by a process that does nothing else. */
static double raw_sample(int terminal, unsigned *seed)
{
    static const char reading[] =
        "123456 ok d=500 f=0 up=6 q=0 c1=300000 c2=25000 c3=25000 *ABCD\n";
    char bytes[64];
    poll(NULL, 0, 1 + (int)(rand_r(seed) % 10));
    if (write(terminal, reading, sizeof reading - 1) < 0)
        fail("write");
    double since_us = now_us();
    if (!comes(terminal, TOO_LONG_MS))
        fail("no echo");
    double came_us = now_us();
    if (read(terminal, bytes, sizeof bytes) <= 0)
        fail("read");
    return came_us - since_us;
}

static pid_t raw_peer(int *terminal, bool realtime)
{
    int its;
    open_terminal(terminal, &its);
    pid_t pid = fork();
    if (pid == 0) {
        char bytes[256];
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        be_quick(realtime ? 10 : 0); /* the guard's */
        close(*terminal);
        while (comes(its, -1) && read(its, bytes, sizeof bytes) > 0)
            if (write(its, "\nOFF\n", 5) < 0)
                break;
        _exit(0);
    }
    close(its);
    return pid;
}

static void lane(int number, int samples, bool raw, bool realtime, int to)
{
    static struct rig rig;
    unsigned seed = 2026u + (unsigned)number;
    int terminal = -1;
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    be_quick(20);
    pid_t peer = raw ? raw_peer(&terminal, realtime) : 0;
    for (int i = 0; i < samples; i++) {
        snprintf(rig.latch, sizeof rig.latch, "%s/%d-%d", latches, (int)getpid(), i);
        double us = raw ? raw_sample(terminal, &seed) : guard_sample(&rig, realtime, &seed);
        if (write(to, &us, sizeof us) != sizeof us)
            fail("result");
    }
    if (raw) {
        kill(peer, SIGKILL);
        waitpid(peer, NULL, 0);
    }
    _exit(0);
}

static int by_size(const void *a, const void *b)
{
    double left = *(const double *)a, right = *(const double *)b;
    return (left > right) - (left < right);
}

static void tell_sample(FILE *each, bool raw, double us)
{
    double load = 0;
    if (!each)
        return;
    getloadavg(&load, 1);
    fprintf(each, "%s %.1f %.2f\n", raw ? "raw" : "guard", us, load);
    fflush(each);
}

/* With real-time priority one bench at a time: another's guard of the same priority would have to be waited for. */
static void measure(bool raw, bool busy, bool realtime, int samples, FILE *each)
{
    static double us[MOST];
    int lanes = each ? 2 : realtime ? 1 : LANES;
    pid_t hog[256];
    long hogs = busy ? sysconf(_SC_NPROCESSORS_ONLN) : 0;
    int result[2], got = 0;
    if (pipe(result))
        fail("pipe");
    for (int i = 0; i < hogs && i < 256; i++)
        if ((hog[i] = fork()) == 0) {
            prctl(PR_SET_PDEATHSIG, SIGKILL);
            close(result[0]);
            close(result[1]);
            for (;;)
                ;
        }
    for (int i = 0; i < lanes; i++)
        if (fork() == 0)
            lane(i, samples / lanes, raw, realtime, result[1]);
    close(result[1]);
    for (; got < MOST && read(result[0], &us[got], sizeof us[0]) == sizeof us[0]; got++)
        tell_sample(each, raw, us[got]);
    close(result[0]);
    for (int i = 0; i < hogs && i < 256; i++)
        kill(hog[i], SIGKILL);
    while (wait(NULL) > 0)
        ;
    if (got < samples / lanes * lanes) {
        fprintf(stderr, "%d of %d samples\n", got, samples);
        exit(1);
    }
    qsort(us, (size_t)got, sizeof us[0], by_size);
    printf("%s %s %s %.0f %.0f %d\n", raw ? "raw" : "guard", busy ? "busy" : "idle",
           realtime ? "realtime" : "normal", us[got / 2], us[(int)(0.999 * (got - 1))], got);
    fflush(stdout);
}

static void remove_latches(void)
{
    DIR *directory = opendir(latches);
    for (struct dirent *entry; directory && (entry = readdir(directory));)
        unlinkat(dirfd(directory), entry->d_name, 0);
    if (directory)
        closedir(directory);
    rmdir(latches);
}

int main(int argc, char **argv)
{
    int samples = argc > 1 ? atoi(argv[1]) : 1000;
    FILE *each = argc > 3 ? fopen(argv[3], "we") : NULL;
    if (argc > 3 && !each)
        fail(argv[3]);
    if (samples < LANES || samples > MOST) {
        fprintf(stderr, "reaction_bench: %d to %d samples\n", LANES, MOST);
        return 2;
    }
    signal(SIGPIPE, SIG_IGN);
    set_bench();
    if (!mkdtemp(latches))
        fail(latches);
    for (int busy = argc > 2; busy < 2; busy++)
        for (int realtime = each != NULL; realtime < 2; realtime++)
            for (int raw = 1; raw >= 0; raw--) /* the quick one first */
                measure(raw, busy, realtime, samples, each);
    remove_latches();
    return 0;
}
