/* SPDX-License-Identifier: MIT */
/* One loop: the guard's messages first, then the person, then the screen, which may be slow or dead. */
#include "front_private.h"

#include <errno.h>
#include <fcntl.h>
#include <langinfo.h>
#include <locale.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { DRAW_MS = 100, IDLE_MS = 250, SILENT_MS = 1500, VIEW = 1 << 15 };

struct front {
    const struct front_config *config;
    struct front_state state;
    struct person person;
    struct key_reader keys;
    struct sounds sounds;
    struct outlet outlet;
    struct plain plain;
    sigset_t while_waiting;
    bool screen;    /* the live view; else lines */
    bool from_keys; /* lines are typed, not piped */
    bool in_open, terminal_lost, guard_gone;
    bool rings;
    int64_t heard_ms, drawn_ms;
    uint32_t beeps, asked;
    int32_t mode;
    int columns, rows;
    char drawn[VIEW], view[VIEW], frame[OUTLET];
};

static int64_t now_ms(void)
{
    struct timespec now = {0};
    clock_gettime(CLOCK_BOOTTIME, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/* ---- the guard ------------------------------------------------------------------------------------ */

static void send_hand(struct front *front)
{
    /* Not taken now: the next one holds all of it again. Nobody there to take it: its last messages are
     * still to be read, and behind them the end. */
    wire_stamp(&front->person.hand.head, WIRE_HAND, front->state.snapshot.head.number);
    wire_send(front->config->guard_fd, &front->person.hand);
    front->person.urgent = false;
}

static void ring_for_snapshot(struct front *front, bool first)
{
    const struct wire_snapshot *s = &front->state.snapshot;
    if (!first && s->beeps != front->beeps)
        sounds_want(&front->sounds, SOUND_ACT);
    front->beeps = s->beeps;
    if (front->state.prompt_number != front->asked && front->state.prompt_number)
        sounds_want(&front->sounds,
                    front->state.prompt_kind == NOTE_DO ? SOUND_ACT : SOUND_QUESTION);
    front->asked = front->state.prompt_number;
    if (s->mode != front->mode && s->mode >= GUARD_COOLING && !front->state.fault[0])
        sounds_want(&front->sounds, SOUND_DONE);
    front->mode = s->mode;
}

/* What to do with one's hands rings nothing by itself: "hands off until it beeps" means the snapshot's beep. */
static void ring_for_note(struct front *front, const struct wire_note *note)
{
    if (note->note == NOTE_FAULT)
        sounds_want(&front->sounds, SOUND_TROUBLE);
}

static void hear(struct front *front, const void *message, int kind, int64_t t_ms)
{
    bool first = !front->state.snapshot_known;
    front->heard_ms = t_ms;
    front->state.silent_ms = 0;
    front_take(&front->state, message, wire_size(kind));
    if (front->config->run)
        tally_take(front->config->run, &front->state, message);
    if (kind == WIRE_SNAPSHOT) {
        person_see(&front->person, &front->state, t_ms);
        send_hand(front);
        ring_for_snapshot(front, first);
    }
    if (kind == WIRE_NOTE) {
        struct wire_note note;
        memcpy(&note, message, sizeof note);
        ring_for_note(front, &note);
    }
}

static void hear_all(struct front *front, int64_t t_ms)
{
    enum { AT_ONCE = 64 }; /* then the keys get their turn */
    _Alignas(16) char message[WIRE_MAX];
    for (int i = 0; i < AT_ONCE && !front->state.over && !front->guard_gone; i++) {
        int kind = wire_receive(front->config->guard_fd, message);
        if (kind == TL_MORE)
            return;
        if (kind < 0)
            front->guard_gone = true;
        else
            hear(front, message, kind, t_ms);
    }
}

/* ---- the person ----------------------------------------------------------------------------------- */

/* Hung up: nobody sees anything any more, so the run is stopped, and the guard hears nothing from here any more: nobody is
 * there whom it could tell. Its end is still waited for. */
static void lose_terminal(struct front *front)
{
    if (front->terminal_lost)
        return;
    front->terminal_lost = true;
    front->in_open = false;
    front->outlet.gone = true;
    front->outlet.from = front->outlet.to = 0;
    person_stop(&front->person, &front->state, "the terminal is gone");
    send_hand(front);
    shutdown(front->config->guard_fd, SHUT_WR);
}

static void take_bytes(struct front *front, const char *bytes, size_t count, int64_t t_ms)
{
    struct press press;
    for (size_t i = 0; i < count; i++) {
        if (front->screen) {
            if (key_take(&front->keys, (unsigned char)bytes[i], t_ms, &press))
                person_press(&front->person, &front->state, &press, t_ms);
        } else if (plain_take(&front->plain, bytes[i])) {
            char line[PLAIN_LINE];
            text_clean(line, sizeof line, front->plain.line);
            person_line(&front->person, &front->state, line, front->from_keys, t_ms);
        }
    }
    sounds_hush(&front->sounds);
}

static void take_keys(struct front *front, short events, int64_t t_ms)
{
    char bytes[256];
    struct press press;
    if (front->screen && key_late(&front->keys, t_ms, &press))
        person_press(&front->person, &front->state, &press, t_ms);
    if (!front->in_open || !(events & (POLLIN | POLLHUP | POLLERR)))
        return;
    ssize_t n = read(front->config->in_fd, bytes, sizeof bytes);
    if (n > 0)
        take_bytes(front, bytes, (size_t)n, t_ms);
    else if (n < 0 && (errno == EINTR || errno == EAGAIN))
        return;
    else if (front->screen || front->from_keys)
        lose_terminal(front);
    else {
        front->in_open = false;
        front_say(&front->state, "input", "is at its end: nobody answers or stops but by a signal");
    }
}

static void take_signals(struct front *front)
{
    if (front_signal_hangup) {
        front_signal_hangup = 0;
        lose_terminal(front);
    }
    if (front_signal_stop) {
        int number = front_signal_stop;
        front_signal_stop = 0;
        person_stop(&front->person, &front->state, number == SIGINT ? "Ctrl-C" : "a signal");
    }
    if (front_signal_redraw) {
        front_signal_redraw = 0;
        if (front->screen)
            terminal_again();
        front->drawn[0] = '\0';
    }
}

/* ---- the screen ----------------------------------------------------------------------------------- */

static void draw(struct front *front, int64_t t_ms)
{
    int columns, rows;
    if (t_ms - front->drawn_ms < DRAW_MS || !outlet_idle(&front->outlet))
        return;
    terminal_size(front->config->out_fd, &columns, &rows);
    front_draw(&front->state, columns, rows, front->config->colour, front->view, VIEW);
    bool same_size = front->drawn[0] && columns == front->columns && rows == front->rows;
    front->drawn_ms = t_ms;
    if (same_size && strcmp(front->view, front->drawn) == 0)
        return;
    size_t length = same_size ? 0 : terminal_clear(front->frame);
    length += terminal_frame(front->view, same_size ? front->drawn : NULL, front->frame + length,
                             sizeof front->frame - length);
    if (!outlet_put(&front->outlet, front->frame, length))
        return;
    memcpy(front->drawn, front->view, VIEW);
    front->columns = columns;
    front->rows = rows;
}

static void ring(struct front *front, int64_t t_ms)
{
    enum sound begun;
    if (!front->rings || !sounds_due(&front->sounds, t_ms, &begun))
        return;
    if (begun < SOUNDS)
        front_say(&front->state, "sound", "%s", sound_name(begun));
    outlet_put(&front->outlet, "\a", 1);
}

/* Lines are broken by us on a terminal: what it breaks itself begins a row with a stranger's text. */
static int line_columns(const struct front_config *config)
{
    int columns = 0, rows;
    if (isatty(config->out_fd))
        terminal_size(config->out_fd, &columns, &rows);
    return columns;
}

static void tell_lines(struct front *front, int64_t t_ms)
{
    front->plain.columns = line_columns(front->config);
    plain_tell(&front->plain, &front->state, &front->outlet, t_ms);
}

/* A keeper that runs has ended a guard as late as this; one that was stopped does so when it is woken. */
static void watch_silence(struct front *front, int64_t t_ms)
{
    if (!front->state.snapshot_known || t_ms - front->heard_ms < SILENT_MS)
        return;
    front->state.silent_ms = (int32_t)(t_ms - front->heard_ms);
    if (front->config->keeper > 1)
        kill(front->config->keeper, SIGCONT);
}

static void show(struct front *front, int64_t t_ms)
{
    watch_silence(front, t_ms);
    if (front->screen)
        draw(front, t_ms);
    else
        tell_lines(front, t_ms);
    ring(front, t_ms);
    outlet_flush(&front->outlet);
    if (front->outlet.gone)
        lose_terminal(front);
}

/* ---- the loop ------------------------------------------------------------------------------------- */

static int wait_ms(const struct front *front, int64_t t_ms)
{
    int64_t least = IDLE_MS;
    int64_t sound_ms = front->rings ? sounds_next_ms(&front->sounds) : INT64_MAX;
    if (sound_ms - t_ms < least)
        least = sound_ms - t_ms;
    if (front->keys.count > 0 && KEY_ESCAPE_MS < least)
        least = KEY_ESCAPE_MS;
    if (front->screen && front->drawn_ms + DRAW_MS - t_ms > 0 &&
        front->drawn_ms + DRAW_MS - t_ms < least)
        least = front->drawn_ms + DRAW_MS - t_ms; /* something may have been held back */
    return least < 1 ? 1 : (int)least;
}

static void turn(struct front *front)
{
    struct pollfd ready[3] = {
        {.fd = front->config->guard_fd, .events = POLLIN},
        {.fd = front->in_open ? front->config->in_fd : -1, .events = POLLIN},
        {.fd = outlet_idle(&front->outlet) ? -1 : front->outlet.fd, .events = POLLOUT},
    };
    int ms = wait_ms(front, now_ms());
    struct timespec most = {.tv_sec = ms / 1000, .tv_nsec = (ms % 1000) * 1000000L};
    if (ppoll(ready, 3, &most, &front->while_waiting) < 0)
        memset(ready, 0, sizeof ready);
    int64_t t_ms = now_ms();
    take_signals(front);
    take_keys(front, ready[1].revents, t_ms);
    if (front->person.urgent) /* a stop does not wait for the next snapshot */
        send_hand(front);
    hear_all(front, t_ms);
    show(front, t_ms);
}

static bool is_live_terminal(const struct front_config *config)
{
    const char *term = getenv("TERM");
    return isatty(config->in_fd) && isatty(config->out_fd) && term && *term &&
           strcmp(term, "dumb") != 0;
}

static void begin(struct front *front, const struct front_config *config)
{
    memset(front, 0, sizeof *front);
    front->config = config;
    front->in_open = config->in_fd >= 0;
    front->from_keys = isatty(config->in_fd);
    front->rings = !config->quiet && isatty(config->out_fd);
    front->heard_ms = front->plain.beat_ms = now_ms();
    front->drawn_ms = front->heard_ms - DRAW_MS;
    setlocale(LC_CTYPE, "");
    front->state.ascii = strcmp(nl_langinfo(CODESET), "UTF-8") != 0;
    if (config->run)
        tally_begin(config->run, config);
    int flags = fcntl(config->guard_fd, F_GETFL);
    if (flags >= 0)
        fcntl(config->guard_fd, F_SETFL, flags | O_NONBLOCK);
    signals_catch(&front->while_waiting);
    outlet_open(&front->outlet, config->out_fd);
    sounds_init(&front->sounds, front->rings, front->heard_ms + 500);
    front->screen = is_live_terminal(config) && terminal_enter(config->in_fd, config->out_fd);
    if (front->screen)
        terminal_begin_screen(&front->outlet);
    for (int i = 0; i < 2; i++)
        if (config->warning[i] && config->warning[i][0])
            front_say(&front->state, note_kind_name(NOTE_WARN), "%s", config->warning[i]);
}

static enum outcome finish(struct front *front)
{
    struct front_state *state = &front->state;
    const struct front_config *config = front->config;
    enum outcome outcome = RUN_STOPPED;
    if (state->over && state->end.code >= 0 && state->end.code < OUTCOMES)
        outcome = (enum outcome)state->end.code;
    if (front->screen)
        terminal_leave(&front->outlet);
    else
        tell_lines(front, now_ms());
    front->plain.columns = line_columns(config);
    plain_summary(&front->plain, state, config, !front->screen, &front->outlet);
    if (front->rings)
        outlet_put(&front->outlet, "\a", 1);
    terminal_leave(&front->outlet); /* what is owed; the screen is left already */
    outlet_close(&front->outlet);
    signals_release();
    if (front->config->run)
        tally_end(front->config->run, state, outcome);
    return outcome;
}

enum outcome front_run(const struct front_config *config)
{
    static struct front front;
    begin(&front, config);
    while (!front.state.over && !front.guard_gone)
        turn(&front);
    return finish(&front);
}
