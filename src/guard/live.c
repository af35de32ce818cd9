/* SPDX-License-Identifier: MIT */
#include "tinlatch/live.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <sched.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "tinlatch/keeper.h"
#include "tinlatch/last_run.h"
#include "tinlatch/latch.h"

enum {
    LIVE_FDS = BENCH_PORTS + 4,
    LAST_LINES_MS = 2000, /* for the disk to take the end of the record */
    MESSAGES_A_TURN = 32,
};

/* What a child that waits for a disk leaves for its parent. */
struct disk {
    struct latch_mark crash; /* what stands for this run if it dies hot */
    struct tl_error error;   /* why it cannot be armed */
};

struct live {
    const struct live_config *config;
    struct guard *guard;
    struct journal *journal;
    struct clock clock;
    int64_t begun_ms; /* the period's start */
    bool scanned;     /* in this period */
    bool settled; /* every instrument has answered in this period, and nothing was scanned yet */
    bool urgent;  /* a stop or a hang-up: do not wait for the period */
    pid_t keeper;
    bool keeper_missed;
    bool told_off;      /* by a signal: as good as a front that is gone, but it is still told */
    bool front_refused; /* it broke the rules: not heard again, but still told */
    bool recipe_open, front_open, scribe_open, told_recipe, told_front, over;
    bool hung_up[BENCH_PORTS];
    int64_t front_ms, sign_ms;
    int64_t slept_ms;       /* for which the machine has slept so far */
    uint64_t durable, mark; /* lines on disk; a line that is waited for, ... */
    int64_t mark_ms;        /* ... and since when */
    uint64_t
        changed; /* the line that the last change of mode ended with: the recipe waits for it */
    uint32_t beats, leaves;
    uint32_t missed;      /* notes that the front's full socket did not take */
    char last_path[1024]; /* beside it: what the next run may start warm from */
    struct last_run last;
    struct disk *disk;
    pid_t arming,
        latching;      /* the child that arms the crash latch, that latches the trip; 0 = none */
    int64_t arming_ms; /* when it began to */
    bool tripped_told;
    bool recorded;          /* the record's first line is written */
    struct wire_hand hand;  /* the last */
    struct tl_error broken; /* the first message that was not accepted */
};

static volatile sig_atomic_t told_to_stop;

static void on_terminate(int signal)
{
    (void)signal;
    told_to_stop = 1;
}

/* ---- the last run --------------------------------------------------------------------------- */

/* What is known of it; NULL = nothing. */
static const struct last_run *know_last_run(struct live *live)
{
    const char *latch = live->config->latch_path, *slash = strrchr(latch, '/');
    int directory = slash ? (int)(slash + 1 - latch) : 0;
    size_t size = sizeof live->last_path;

    if (snprintf(live->last_path, size, "%.*slast-run", directory, latch) >= (int)size)
        live->last_path[0] = '\0';
    return last_run_load(live->last_path, live->config->bench->digest, live->clock.origin_ms,
                         &live->last)
               ? &live->last
               : NULL;
}

/* A run that never came to its seat test leaves what was known only when a person stopped it: a no, a trip and an
 * instrument that does not answer are doubts. */
static void keep_last_run(struct live *live, int64_t t_ms)
{
    struct last_run last;
    const struct guard_trip *trip = guard_trip(live->guard);
    bool stopped = trip->tripped && rules[trip->rule].kind == RULE_STOP;

    if (!guard_limits(live->guard)->uses_plate)
        return;
    if (guard_last_run(live->guard, t_ms, &last))
        last_run_save(live->last_path, live->config->bench->digest, live->clock.origin_ms, &last,
                      NULL);
    else if (!stopped)
        last_run_remove(live->last_path);
}

/* ---- start ---------------------------------------------------------------------------------- */

void live_ask_realtime(void)
{
    struct sched_param priority = {.sched_priority = LIVE_PRIORITY};

    sched_setscheduler(0, SCHED_FIFO, &priority);
    mlockall(MCL_CURRENT | MCL_FUTURE);
}

/* A front that sleeps is not waited for; once it listens again it is told what it has not seen. */
static void tell_missed(struct live *live)
{
    struct wire_note note = {.note = NOTE_WARN};

    if (live->missed == 0 || !live->front_open)
        return;
    wire_stamp(&note.head, WIRE_NOTE, NOTE_GUARD);
    snprintf(note.text, sizeof note.text, "%u lines are not shown; the record has them",
             live->missed);
    if (wire_send(live->config->front_fd, &note) == 0)
        live->missed = 0;
}

static void say(void *context, const struct wire_note *note)
{
    struct live *live = context;

    if (!live->front_open)
        return;
    tell_missed(live);
    int sent = wire_send(live->config->front_fd, note);
    live->missed += sent == TL_MORE;
    live->front_open = sent != TL_ENDED;
}

/* The record's first line, as soon as it is known what runs; without a HELLO at the latest with the end. */
static void record_start(struct live *live, const struct wire_hello *hello)
{
    struct journal_start first = {.kind = "run",
                                  .recipe = live->config->recipe_name,
                                  .source = &live->config->source,
                                  .bench = live->config->bench->name,
                                  .title = hello ? hello->title : "",
                                  .board = hello ? hello->board_name : "",
                                  .insert = hello ? hello->insert : "",
                                  .serial = live->config->serial,
                                  .seed = live->config->seed,
                                  .version = TINLATCH_VERSION,
                                  .wall_s = (int64_t)time(NULL)};

    if (live->recorded)
        return;
    live->recorded = true;
    journal_start(live->journal, &first);
}

static int start(struct live *live, const struct live_config *config)
{
    struct guard_config guard = {.bench = config->bench, .say = say, .context = live};
    struct sigaction action = {.sa_handler = on_terminate};

    *live = (struct live){.config = config,
                          .keeper = getppid(),
                          .recipe_open = true,
                          .front_open = true,
                          .scribe_open = true};
    signal(SIGPIPE, SIG_IGN);
    signal(SIGINT, SIG_IGN); /* the front's to answer */
    signal(SIGHUP, SIG_IGN);
    signal(SIGTSTP, SIG_IGN);
    sigaction(SIGTERM, &action, NULL);
    clock_real_init(&live->clock);
    live->slept_ms = clock_slept_ms();
    const int never_wait_on[] = {config->record_fd, config->recipe_fd,  config->front_fd,
                                 config->sign_fd,   config->durable_fd, config->beat_fd};
    for (size_t i = 0; i < sizeof never_wait_on / sizeof never_wait_on[0]; i++)
        fcntl(never_wait_on[i], F_SETFL, O_NONBLOCK);
    if (journal_new(&live->journal, config->record_fd, 0))
        return TL_SYSTEM;
    guard.journal = live->journal;
    guard.last = know_last_run(live);
    memcpy(guard.port, config->port, sizeof guard.port);
    memcpy(guard.doubt, config->doubt, sizeof guard.doubt);
    if (guard_new(&live->guard, &guard, NULL))
        return TL_SYSTEM;
    live->disk =
        mmap(NULL, sizeof *live->disk, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (live->disk == MAP_FAILED)
        return TL_SYSTEM;
    if (config->ask_realtime)
        live_ask_realtime();
    return 0;
}

/* ---- what waits for a disk ------------------------------------------------------------------ */

static void beat(struct live *live, uint32_t over)
{
    struct keeper_beat out = {.number = ++live->beats, .over = over};

    if (write(live->config->beat_fd, &out, sizeof out) < 0 && errno == EPIPE)
        live->sign_ms = INT64_MIN;
}

/* Not only a sync: with a busy disk every name that is made, moved or removed may take longer than the guard may be
 * silent. A child does it, and holds no port meanwhile. 0: in the child; -1: there is none. */
static pid_t fork_for_disk(void)
{
    pid_t child = fork();

    if (child == 0)
        syscall(SYS_close_range, 3U, ~0U, 0U);
    return child;
}

/* The heart beats on. False: it has not done it, or is not over in time. */
static bool wait_for_child(struct live *live, pid_t child)
{
    int64_t until_ms = live->clock.now_ms(&live->clock) + LAST_LINES_MS;
    pid_t ended;
    int status = 0;

    while ((ended = waitpid(child, &status, WNOHANG)) == 0 &&
           live->clock.now_ms(&live->clock) < until_ms) {
        poll(NULL, 0, 5);
        beat(live, 0);
    }
    return ended == child && WIFEXITED(status) && WEXITSTATUS(status) == 0;
}

/* Before anything is heated or fed: a crash latches too. What cannot be latched gets no power; the guard waits for it. */
static void arm_before_power(struct live *live, int64_t t_ms)
{
    const struct limits *limits = guard_limits(live->guard);

    if (!limits->uses_plate && !limits->uses_supply)
        return;
    tl_error_set(&live->disk->error, TL_FILE,
                 "the latch cannot be armed against a crash: there is no process for it");
    live->arming = fork_for_disk();
    if (live->arming == 0) {
        if (limits->uses_plate)
            last_run_remove(live->last_path);
        _exit(latch_arm(live->config->latch_path, &live->disk->crash, &live->disk->error) ? 1 : 0);
    }
    live->arming_ms = t_ms;
    if (live->arming < 0)
        guard_refuse_run(live->guard, &live->disk->error, t_ms);
}

/* A disk that kept this waiting kept the record waiting as well: its lines count anew from here. */
static void see_armed(struct live *live, int64_t t_ms)
{
    int status = 0;
    pid_t ended = live->arming > 0 ? waitpid(live->arming, &status, WNOHANG) : 0;

    if (ended == 0)
        return;
    live->arming = 0;
    live->mark_ms = t_ms;
    if ((ended < 0 || !WIFEXITED(status) || WEXITSTATUS(status) != 0) &&
        guard_mode(live->guard) == GUARD_SEATING)
        guard_refuse_run(live->guard, &live->disk->error, t_ms);
}

/* Two that write the run's own latch at a time would undo each other's work: a trip while it is being armed, with
 * nothing on yet, is latched after that. */
static void keep_trip(struct live *live)
{
    const struct guard_trip *trip = guard_trip(live->guard);
    struct latch latch = {.wall_s = (int64_t)time(NULL)};

    if (live->tripped_told || live->arming > 0 || !trip->tripped ||
        rules[trip->rule].latch != UNTIL_CLEAR)
        return;
    live->tripped_told = true;
    snprintf(latch.rule, sizeof latch.rule, "%s", rules[trip->rule].id);
    memcpy(latch.what, trip->words.what, sizeof latch.what);
    memcpy(latch.act, trip->words.act, sizeof latch.act);
    memcpy(latch.look, trip->words.inspect, sizeof latch.look);
    snprintf(latch.recipe, sizeof latch.recipe, "%s", live->config->recipe_name);
    snprintf(latch.bench, sizeof latch.bench, "%s", live->config->bench->name);
    live->latching = fork_for_disk();
    if (live->latching > 0)
        return;
    int failed = latch_trip(live->config->latch_path, &live->disk->crash, &latch, NULL);
    if (live->latching == 0)
        _exit(failed ? 1 : 0);
}

static void tell_unlatched(struct live *live, int64_t t_ms)
{
    struct wire_note note = {.note = NOTE_WARN,
                             .text =
                                 "the trip could not be latched on disk: it may be that nothing "
                                 "refuses the next run"};

    wire_stamp(&note.head, WIRE_NOTE, NOTE_GUARD);
    say(live, &note);
    journal_event(live->journal, t_ms, "warn", note.text);
}

/* The children that arm and latch are over, or are waited for no longer. */
static void see_latched(struct live *live, int64_t t_ms)
{
    if (live->arming > 0 && !wait_for_child(live, live->arming))
        kill(live->arming, SIGKILL);
    live->arming = 0;
    keep_trip(live);
    if (live->latching > 0 && !wait_for_child(live, live->latching))
        tell_unlatched(live, t_ms);
    live->latching = 0;
}

/* ---- what comes in -------------------------------------------------------------------------- */

/* What the guard does not accept ends the run, and is the reason that is given for it. */
static int receive(struct live *live, const char *who, const void *message, size_t size,
                   int64_t t_ms, struct tl_error *error)
{
    int failed = guard_receive(live->guard, message, size, t_ms, error);

    if (failed && live->broken.code == TL_OK)
        tl_error_set(&live->broken, (enum tl_err)failed, "%s: %s", who, error->text);
    return failed;
}

/* A recipe that is gone without a word has ended badly: off, cool down. */
static void recipe_gone(struct live *live, int64_t t_ms)
{
    struct wire_end end = {.code = TL_KILLED, .text = "the recipe's process is gone"};

    live->recipe_open = false;
    if (guard_recipe_end(live->guard)->code != TL_MORE)
        return; /* it has said its END, and left */
    live->urgent = true;
    wire_stamp(&end.head, WIRE_END, 1);
    guard_receive(live->guard, &end, sizeof end, t_ms, NULL);
}

static void hear_recipe(struct live *live, int64_t t_ms)
{
    _Alignas(8) unsigned char message[WIRE_MAX];
    struct tl_error error = {0};
    int kind;

    /* Bounded: a recipe that floods delays no scan, its own messages wait. */
    for (int n = 0; n < MESSAGES_A_TURN && live->recipe_open &&
                    (kind = wire_receive(live->config->recipe_fd, message)) != TL_MORE;
         n++) {
        if (kind < 0 && kind != TL_BAD) {
            recipe_gone(live, t_ms);
            return;
        }
        if (kind == WIRE_HAND || kind == TL_BAD) { /* a recipe that plays the person is no recipe */
            live->recipe_open = false;
            receive(live, "the recipe", message, 1, t_ms, &error);
            return;
        }
        if (kind == WIRE_HELLO && wire_check_hello((const void *)message) == 0)
            record_start(live, (const void *)message);
        int code = receive(live, "the recipe", message, wire_size(kind), t_ms, &error);
        if (kind == WIRE_HELLO && code)
            guard_refuse_run(live->guard, &error, t_ms);
        else if (code) /* the run is over; whoever breaks the rules is not heard again */
            live->recipe_open = false;
        live->urgent = live->urgent || kind == WIRE_END || code;
    }
}

static void hear_front(struct live *live, int64_t t_ms)
{
    _Alignas(8) unsigned char message[WIRE_MAX];
    struct tl_error error = {0};
    int kind;

    for (int n = 0; n < MESSAGES_A_TURN && live->front_open && !live->front_refused &&
                    (kind = wire_receive(live->config->front_fd, message)) != TL_MORE;
         n++) {
        if (kind < 0 && kind != TL_BAD) {
            live->front_open = false;
            live->urgent = true;
            return;
        }
        uint32_t stops = live->hand.stop_count;
        bool is_hand = kind == WIRE_HAND;
        if (is_hand)
            memcpy(&live->hand, message, sizeof live->hand);
        live->front_refused =
            receive(live, "the front", message, is_hand ? sizeof live->hand : 1, t_ms, &error) != 0;
        live->front_ms = t_ms;
        live->urgent = live->urgent || live->hand.stop_count != stops || live->front_refused;
    }
}

/* When the keeper has been silent for too long; once that was seen, never again. */
static int64_t keeper_late_ms(const struct live *live)
{
    if (live->keeper_missed)
        return INT64_MAX;
    return live->sign_ms == INT64_MIN ? 0
                                      : live->sign_ms + guard_limits(live->guard)->keeper_silent_ms;
}

/* One that was stopped may never be woken by anybody else; one that is gone is not our parent any more. */
static void wake_keeper(const struct live *live)
{
    if (getppid() == live->keeper)
        kill(live->keeper, SIGCONT);
}

static void hear_keeper(struct live *live, int64_t t_ms)
{
    char sign[64];
    bool lives = live->sign_ms != INT64_MIN;
    ssize_t n = lives ? read(live->config->sign_fd, sign, sizeof sign) : -1;

    if (n > 0)
        live->sign_ms = t_ms;
    else if (n == 0)
        live->sign_ms = INT64_MIN; /* the other end is closed: no keeper any more */
    if (t_ms < keeper_late_ms(live))
        return;
    live->keeper_missed = live->urgent = true;
    wake_keeper(live);
}

static void hear_scribe(struct live *live, int64_t t_ms)
{
    uint64_t number;
    ssize_t n;

    while ((n = read(live->config->durable_fd, &number, sizeof number)) == (ssize_t)sizeof number)
        live->durable = number;
    live->scribe_open = n != 0;
    if (live->durable >= live->mark) {
        live->mark = journal_lines(live->journal);
        live->mark_ms = t_ms;
    }
}

static int32_t since_ms(int64_t t_ms, int64_t then_ms)
{
    int64_t since = then_ms == INT64_MIN ? INT32_MAX : t_ms - then_ms;

    return since > INT32_MAX ? INT32_MAX : since < 0 ? 0 : (int32_t)since;
}

/* Without it nothing stands for this run if it dies hot; a trip takes its place. */
static bool latch_is_lost(const struct live *live)
{
    return !live->tripped_told && latch_is_gone(live->config->latch_fd);
}

/* How long the machine has slept since the last scan. */
static int32_t slept_since(struct live *live)
{
    int64_t before_ms = live->slept_ms;

    live->slept_ms = clock_slept_ms();
    return since_ms(live->slept_ms, before_ms);
}

static void watch(struct live *live, int64_t t_ms)
{
    uint64_t dropped = 0;
    int broken = journal_error(live->journal, &dropped);
    bool heard = !live->front_refused; /* else the run is over, for that reason */
    struct guard_watch seen = {
        .front_silent_ms = !heard             ? 0
                           : live->front_open ? since_ms(t_ms, live->front_ms)
                                              : INT32_MAX,
        .front_gone = (heard && !live->front_open) || live->told_off,
        .clock_jump_ms = slept_since(live),
        .keeper_silent_ms = since_ms(t_ms, live->sign_ms),
        .record_late_ms = broken || dropped || !live->scribe_open || latch_is_lost(live) ? INT32_MAX
                          : live->durable >= live->mark || live->arming > 0
                              ? 0
                              : since_ms(t_ms, live->mark_ms),
        .arming_ms = live->arming > 0 ? 1 + since_ms(t_ms, live->arming_ms) : 0,
    };

    /* Once everything is off there is nothing left to switch off for want of a screen or a record. */
    if (guard_mode(live->guard) == GUARD_WAITING || guard_mode(live->guard) == GUARD_ENDED)
        seen = (struct guard_watch){0};
    guard_set_watch(live->guard, &seen);
}

/* ---- what goes out -------------------------------------------------------------------------- */

static void tell_hello(struct live *live)
{
    enum guard_mode mode = guard_mode(live->guard);
    struct wire_hello hello;

    if (mode == GUARD_WAITING || (live->told_front && live->told_recipe))
        return;
    guard_answer_hello(live->guard, &hello);
    if (!live->told_front && live->front_open)
        wire_send(live->config->front_fd, &hello);
    live->told_front = true;
    if (mode != GUARD_RUNNING || live->told_recipe)
        return;
    wire_send(live->config->recipe_fd, &hello);
    live->told_recipe = true;
}

static void tell_snapshot(struct live *live)
{
    const struct wire_snapshot *snapshot = guard_snapshot(live->guard);

    tell_missed(live);
    if (live->front_open && wire_send(live->config->front_fd, snapshot) == TL_ENDED)
        live->front_open = false;
    /* The recipe goes on once its change of mode is on the disk; the scan never waits for that. */
    if (live->recipe_open && live->told_recipe && live->durable >= live->changed)
        wire_send(live->config->recipe_fd, snapshot);
}

/* ---- the loop ------------------------------------------------------------------------------- */

static void scan(struct live *live, int64_t t_ms)
{
    enum guard_mode before = guard_mode(live->guard);

    see_armed(live, t_ms);
    watch(live, t_ms);
    guard_scan(live->guard, t_ms);
    live->scanned = true;
    live->settled = live->urgent = false;
    if (guard_mode(live->guard) != before)
        live->changed = journal_lines(live->journal);
    if (before == GUARD_CHECKING && guard_mode(live->guard) == GUARD_SEATING)
        arm_before_power(live, t_ms);
    beat(live, 0);
    tell_hello(live);
    tell_snapshot(live);
    if (live->hand.leaves != live->leaves && guard_mode(live->guard) == GUARD_COOLING) {
        live->over = true;
        guard_leave(live->guard, t_ms);
    }
    if (guard_mode(live->guard) == GUARD_ENDED)
        live->over = true;
    live->leaves = live->hand.leaves;
}

/* Bytes go to and fro until the scan, and last words also after it. */
static bool speaks(const struct live *live)
{
    return !live->scanned || guard_owes(live->guard);
}

/* What has hung up is not waited on: it would wake the loop for ever. */
static void fill_fds(const struct live *live, struct pollfd fds[LIVE_FDS])
{
    const struct live_config *config = live->config;

    for (int i = 0; i < BENCH_PORTS; i++) {
        bool waits = config->port[i] && speaks(live) && !live->hung_up[i];
        fds[i] = (struct pollfd){.fd = waits ? config->port[i]->fd : -1, .events = POLLIN};
    }
    const int others[] = {live->recipe_open ? config->recipe_fd : -1,
                          live->front_open && !live->front_refused ? config->front_fd : -1,
                          live->sign_ms == INT64_MIN ? -1 : config->sign_fd,
                          live->scribe_open ? config->durable_fd : -1};
    for (int i = 0; i < LIVE_FDS - BENCH_PORTS; i++)
        fds[BENCH_PORTS + i] = (struct pollfd){.fd = others[i], .events = POLLIN};
}

/* Until when nothing has to be done by the clock. */
static int64_t next_ms(const struct live *live)
{
    int32_t period_ms = live->config->bench->period_ms;

    return live->begun_ms + (live->scanned ? period_ms : period_ms * 8 / 10);
}

static void hear(struct live *live, int64_t t_ms)
{
    if (told_to_stop) {
        told_to_stop = 0;
        live->told_off = true;
        live->urgent = true;
    }
    hear_recipe(live, t_ms);
    hear_front(live, t_ms);
    hear_keeper(live, t_ms);
    hear_scribe(live, t_ms);
    if (guard_look(live->guard, t_ms))
        live->urgent = true;
    journal_flush(live->journal);
}

static void turn_of_the_loop(struct live *live)
{
    struct pollfd fds[LIVE_FDS];
    int64_t t_ms = live->clock.now_ms(&live->clock);
    int64_t wait_ms = next_ms(live) - t_ms;
    int64_t wake_ms = guard_wake_ms(live->guard);

    if (speaks(live) && wake_ms < t_ms + wait_ms)
        wait_ms = wake_ms - t_ms;
    if (guard_has_contacts(live->guard) && wait_ms > GUARD_LOOK_MS)
        wait_ms = GUARD_LOOK_MS;
    if (keeper_late_ms(live) < t_ms + wait_ms)
        wait_ms = keeper_late_ms(live) - t_ms;
    if (live->settled) /* answered while it was still being asked: no byte is left to wake for */
        wait_ms = 0;
    fill_fds(live, fds);
    poll(fds, LIVE_FDS, wait_ms > 0 ? (int)wait_ms : 0);
    for (int i = 0; i < BENCH_PORTS; i++)
        live->hung_up[i] |= (fds[i].revents & (POLLHUP | POLLERR | POLLNVAL)) != 0;
    t_ms = live->clock.now_ms(&live->clock);
    hear(live, t_ms);
    if (live->scanned) /* not in the scan itself: what it wrote goes out while the guard waits, not while it forks */
        keep_trip(live);
    live->settled = speaks(live) && guard_pump(live->guard, t_ms) && !live->scanned;
    if (live->urgent || (!live->scanned && (live->settled || t_ms >= next_ms(live))))
        scan(live, t_ms);
    if (live->scanned && t_ms >= live->begun_ms + live->config->bench->period_ms) {
        /* A loop that was held up does not catch up in a burst. */
        int64_t due_ms = live->begun_ms + live->config->bench->period_ms;
        live->begun_ms = t_ms - due_ms < live->config->bench->period_ms ? due_ms : t_ms;
        live->scanned = false;
        guard_begin(live->guard, t_ms);
        live->settled = guard_pump(live->guard, t_ms);
    }
}

/* ---- the end -------------------------------------------------------------------------------- */

static enum outcome outcome_of(const struct live *live)
{
    const struct guard_trip *trip = guard_trip(live->guard);
    const struct tl_error *refusal = guard_refusal(live->guard);

    if (trip->tripped)
        return rules[trip->rule].kind == RULE_STOP ? RUN_STOPPED : RUN_TRIPPED;
    if (refusal->code)
        return refusal->code == TL_DEVICE ? RUN_DEVICE : RUN_REFUSED;
    int code = guard_recipe_end(live->guard)->code;
    if (code == TL_LIMIT || code == TL_STEP || code == TL_TIMEOUT || code == TL_KILLED)
        return RUN_FAILED;
    return code == 0 ? RUN_DONE : live->told_recipe ? RUN_FAILED : RUN_INVALID;
}

/* The guard's reason, else the recipe's own words. */
static void why_it_ended(const struct live *live, struct tl_error *why)
{
    const struct wire_end *end = guard_recipe_end(live->guard);

    *why = *guard_refusal(live->guard);
    if (why->code || guard_trip(live->guard)->tripped || end->code == 0)
        return;
    if (end->code == TL_ENDED || end->code == TL_MORE) {
        *why = live->broken;
        return;
    }
    tl_error_set(why, (enum tl_err)end->code, "%s", end->text);
    tl_error_at(why, live->config->recipe_name, end->line);
}

/* The record's end is on disk before the run says that it is over. */
static void wait_durable(struct live *live)
{
    int64_t until_ms = live->clock.now_ms(&live->clock) + LAST_LINES_MS, t_ms;

    while (live->scribe_open && live->durable < journal_lines(live->journal) &&
           (t_ms = live->clock.now_ms(&live->clock)) < until_ms) {
        struct pollfd durable = {.fd = live->config->durable_fd, .events = POLLIN};
        journal_flush(live->journal);
        if (poll(&durable, 1, 50) > 0)
            hear_scribe(live, t_ms);
        beat(live, 0);
    }
}

static void tidy_disk(struct live *live, int64_t t_ms)
{
    bool crash_stays = live->tripped_told && live->disk->crash.armed;

    keep_last_run(live, t_ms);
    if (!crash_stays)
        latch_disarm(live->config->latch_path, &live->disk->crash, NULL);
    if (live->tripped_told)
        latch_sync(live->config->latch_path, NULL);
}

static void leave_disk(struct live *live, int64_t t_ms)
{
    pid_t child = fork_for_disk();

    if (child <= 0)
        tidy_disk(live, t_ms);
    if (child == 0)
        _exit(0);
    if (child > 0)
        wait_for_child(live, child);
}

enum outcome live_run(const struct live_config *config)
{
    static struct live live;
    struct wire_end end = {0};

    if (start(&live, config))
        return RUN_INVALID;
    guard_begin(live.guard, 0);
    while (!live.over)
        turn_of_the_loop(&live);
    int64_t t_ms = live.clock.now_ms(&live.clock);
    enum outcome outcome = outcome_of(&live);
    struct tl_error why;
    record_start(&live, NULL);
    see_latched(&live, t_ms);
    why_it_ended(&live, &why);
    journal_end(live.journal, t_ms, outcome, why.code ? &why : NULL);
    wait_durable(&live);
    leave_disk(&live, t_ms);
    wire_stamp(&end.head, WIRE_END, 1);
    end.code = (int32_t)outcome;
    end.line = why.line;
    snprintf(end.text, sizeof end.text, "%.*s", (int)sizeof end.text - 1, why.text);
    wire_send(config->front_fd, &end); /* one whose terminal hung up waits for it */
    if (live.recipe_open)
        wire_send(config->recipe_fd, &end);
    beat(&live, 1);
    wake_keeper(&live);
    return outcome;
}
