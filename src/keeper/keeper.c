/* SPDX-License-Identifier: MIT */
/* Three parts, bottom up: last words, the guard's end, the watch. */
#include "tinlatch/keeper.h"

#include <assert.h>
#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

enum { TICK_MS = 1, LAST_TRY_MS = 200 };

static int64_t now_ms(void)
{
    struct timespec now = {0};
    clock_gettime(CLOCK_BOOTTIME,
                  &now); /* counts on while the machine sleeps: then the guard is late */
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

static void sleep_tick(void)
{
    struct timespec tick = {0, TICK_MS * 1000000L};
    nanosleep(&tick, NULL);
}

/* ---- last words ---------------------------------------------------------------------------------------- */

/* How far one instrument's last words are. */
struct saying {
    int round;        /* the frame being sent, or the next */
    bool begun;       /* it is being sent */
    size_t sent;      /* bytes of it */
    bool failed;      /* it lost its control line or some bytes */
    bool whole;       /* at least one frame went out whole */
    int64_t ended_ms; /* when the last one did */
};

static bool has_port(const struct keeper_config *config, int word)
{
    int port = config->words[word].port;
    return port >= 0 && port < config->port_count && config->port[port];
}

/* Frames that run together on one port would be neither's, and the first one's answer would run into the second:
 * one after the other, with room between, every instrument once before any is told again. */
static bool must_wait(const struct keeper_config *config, const struct saying *sayings, int word,
                      int64_t for_ms)
{
    for (int i = 0; i < config->words_count; i++) {
        const struct saying *other = &sayings[i];
        if (config->words[i].port != config->words[word].port)
            continue;
        if (other->begun || other->round < sayings[word].round)
            return true;
        if (other->round > 0 && for_ms < other->ended_ms + KEEPER_SHARED_MS)
            return true;
    }
    return false;
}

static void end_frame(struct saying *saying, int64_t for_ms)
{
    saying->whole |= !saying->failed;
    saying->round++;
    saying->sent = 0;
    saying->begun = saying->failed = false;
    saying->ended_ms = for_ms;
}

/* One try at one instrument's frame; what the port does not take now is tried at the next tick. A frame
 * once begun is finished before the next begins, or the instrument would read one long wrong one. */
static void say(struct port *port, const struct frame *frame, struct saying *saying, int64_t for_ms)
{
    if (frame->sets_lines && !saying->begun)
        saying->failed |= port_set_lines(port, frame->rts, frame->dtr) < 0;
    saying->begun = true;
    int n = port_write(port, frame->bytes + saying->sent, frame->length - saying->sent);
    if (n > 0)
        saying->sent += (size_t)n;
    saying->failed |= n < 0;
    if (n < 0 || saying->sent == frame->length)
        end_frame(saying, for_ms);
}

/* A port that takes nothing keeps no other waiting. */
static bool say_what_is_due(const struct keeper_config *config, struct saying *sayings, int times,
                            int64_t for_ms)
{
    bool all_said = true;
    for (int i = 0; i < config->words_count; i++) {
        struct saying *saying = &sayings[i];
        if (!has_port(config, i) || saying->round == times)
            continue;
        all_said = false;
        bool due =
            for_ms >= saying->round * KEEPER_APART_MS && !must_wait(config, sayings, i, for_ms);
        if (saying->begun || due)
            say(config->port[config->words[i].port], &config->words[i].frame, saying, for_ms);
    }
    return all_said;
}

static int say_times(const struct keeper_config *config, int times)
{
    struct saying sayings[BENCH_DEVICES] = {0};
    int64_t begun_ms = now_ms();
    assert(config->words_count <= BENCH_DEVICES && config->port_count <= BENCH_PORTS);
    int round_ms = KEEPER_APART_MS + config->words_count * KEEPER_SHARED_MS;
    int most_ms = times * round_ms + LAST_TRY_MS;
    while (!say_what_is_due(config, sayings, times, now_ms() - begun_ms) &&
           now_ms() - begun_ms < most_ms)
        sleep_tick();

    int unsent = 0;
    for (int i = 0; i < config->words_count; i++) /* by hand: there is nothing to send */
        unsent += config->words[i].port >= 0 && !sayings[i].whole;
    return unsent;
}

int keeper_last_words(const struct keeper_config *config)
{
    return say_times(config, KEEPER_TIMES);
}

/* ---- the guard's end ----------------------------------------------------------------------------------- */

/* Dead, its descriptors closed; its status stays for the caller. *in_order: it left by itself. */
static bool guard_is_gone(pid_t guard, bool *in_order)
{
    siginfo_t info = {0};
    if (waitid(P_PID, (id_t)guard, &info, WEXITED | WNOHANG | WNOWAIT) < 0 || info.si_pid != guard)
        return false;
    *in_order = info.si_code == CLD_EXITED;
    return true;
}

static bool wait_for_end(pid_t guard, int most_ms, bool *in_order)
{
    int64_t begun_ms = now_ms();
    while (!guard_is_gone(guard, in_order)) {
        if (now_ms() - begun_ms >= most_ms)
            return false;
        sleep_tick();
    }
    return true;
}

/* Kill the guard and wait for its end first: two writers on one wire garble the OFF frame. One that hangs
 * in a driver cannot be waited for, but killed it writes no more either. */
static enum keeper_end end_with_last_words(const struct keeper_config *config, enum keeper_end end,
                                           int *unsent)
{
    bool in_order;
    kill(config->guard, SIGKILL);
    wait_for_end(config->guard, KEEPER_REAP_MS, &in_order);
    *unsent = keeper_last_words(config);
    return end;
}

/* The guard said that everything is off and that it leaves. Nothing hangs on its word alone. */
static enum keeper_end see_it_leave(const struct keeper_config *config, int *unsent)
{
    bool in_order = false;
    if (!wait_for_end(config->guard, KEEPER_LATE_MS, &in_order))
        return end_with_last_words(config, KEEPER_LATE, unsent);
    if (!in_order)
        return end_with_last_words(config, KEEPER_DEAD, unsent);
    *unsent = say_times(config, 1);
    return KEEPER_OVER;
}

/* ---- the watch ----------------------------------------------------------------------------------------- */

static volatile sig_atomic_t told_to_end;

static void on_signal(int signal_number)
{
    if (signal_number == SIGTERM)
        told_to_end = 1;
    /* SIGCHLD: to end the poll is enough */
}

/* TERM and CHLD arrive only within the poll, so that none is missed between a look and the wait. */
static void choose_signals(sigset_t *during_poll)
{
    static const int ignored[] = {SIGINT,  SIGHUP,  SIGQUIT, SIGPIPE, SIGTSTP,
                                  SIGTTIN, SIGTTOU, SIGUSR1, SIGUSR2, SIGALRM};
    for (size_t i = 0; i < sizeof ignored / sizeof *ignored; i++)
        signal(ignored[i], SIG_IGN);
    struct sigaction action = {.sa_handler = on_signal};
    sigset_t blocked;
    sigemptyset(&blocked);
    sigaddset(&blocked, SIGTERM);
    sigaddset(&blocked, SIGCHLD);
    sigprocmask(SIG_BLOCK, &blocked, during_poll);
    sigdelset(during_poll, SIGTERM);
    sigdelset(during_poll, SIGCHLD);
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGCHLD, &action, NULL);
}

struct watch {
    bool began; /* the first beat has come */
    bool over;
    uint32_t number;
    int64_t beat_ms, sign_ms; /* of the last beat, of the next sign */
};

/* A sign that a stopped guard has no room for is left out: the keeper must not wait for it. */
static void show_sign(const struct keeper_config *config, struct watch *watch, int64_t t_ms)
{
    struct pollfd room = {.fd = config->sign_fd, .events = POLLOUT};
    if (t_ms < watch->sign_ms)
        return;
    watch->sign_ms = t_ms + KEEPER_SIGN_MS;
    if (poll(&room, 1, 0) == 1 && room.revents == POLLOUT)
        (void)!write(config->sign_fd, "k", 1);
}

static bool take_beat(const struct keeper_config *config, struct watch *watch, int64_t t_ms)
{
    struct keeper_beat beat;
    ssize_t n = read(config->beat_fd, &beat, sizeof beat);
    if (n < 0 && (errno == EAGAIN || errno == EINTR))
        return true;
    if (n != (ssize_t)sizeof beat || beat.over > 1)
        return false;
    if (watch->began && beat.number != watch->number + 1)
        return false;
    watch->began = true;
    watch->number = beat.number;
    watch->over = beat.over;
    watch->beat_ms = t_ms;
    return true;
}

static int64_t least(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

static short wait_for_news(const struct keeper_config *config, const struct watch *watch, bool gone,
                           const sigset_t *during_poll)
{
    struct pollfd beat = {.fd = config->beat_fd, .events = POLLIN};
    int64_t wake_ms = least(watch->sign_ms, watch->beat_ms + KEEPER_LATE_MS + 1);
    int64_t for_ms = gone ? 0 : wake_ms - now_ms();
    struct timespec most = {0, for_ms > 0 ? (long)for_ms * 1000000L : 0};
    return ppoll(&beat, 1, &most, during_poll) == 1 ? beat.revents : 0;
}

enum keeper_end keeper_watch(const struct keeper_config *config, int *unsent)
{
    struct watch watch = {.beat_ms = now_ms(), .sign_ms = now_ms()};
    sigset_t during_poll;
    assert(config->guard > 1); /* kill() takes other numbers for many processes */
    *unsent = 0;
    told_to_end = 0;
    choose_signals(&during_poll);
    for (;;) {
        bool in_order;
        bool gone =
            guard_is_gone(config->guard, &in_order); /* before the poll: its last beat counts */
        show_sign(config, &watch, now_ms());
        short news = wait_for_news(config, &watch, gone, &during_poll);
        if (told_to_end)
            return end_with_last_words(config, KEEPER_TOLD, unsent);
        if (news & POLLIN) { /* beats that wait are read before the clock is asked */
            if (!take_beat(config, &watch, now_ms()))
                return end_with_last_words(config, KEEPER_LATE, unsent);
            if (watch.over)
                return see_it_leave(config, unsent);
            continue;
        }
        if (gone || news)
            return end_with_last_words(config, KEEPER_DEAD, unsent);
        if (now_ms() - watch.beat_ms > KEEPER_LATE_MS)
            return end_with_last_words(config, KEEPER_LATE, unsent);
    }
}
