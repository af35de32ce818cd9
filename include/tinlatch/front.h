/* SPDX-License-Identifier: MIT */
/* front - what a person sees and presses during a run: live view, prompts, keys, sounds. May block, may die.
 *
 * Ownership  descriptors stay the caller's; the terminal is put back as it was on every way out.
 * Never      decides anything: it shows snapshots and notes, and sends what a person pressed. Never lets a slow
 *            or dead terminal keep it from answering a snapshot.
 * Fails      returns the outcome of the guard's END; RUN_STOPPED if the guard went away.
 * Units      as in wire.h. */
#ifndef TINLATCH_FRONT_H
#define TINLATCH_FRONT_H

#include <stdbool.h>
#include <stdint.h>

#include "tinlatch/run.h"
#include "tinlatch/wire.h"

struct front_config {
    int guard_fd;          /* SOCK_SEQPACKET: HELLO, SNAPSHOT, NOTE, END in; HAND out */
    int keeper;            /* process that is woken (SIGCONT) while nothing is heard of the guard; 0 = none */
    int in_fd, out_fd;     /* terminal; not a terminal: append-only lines with a heartbeat, answers as lines from in_fd */
    bool colour, quiet;    /* quiet: no sounds */
    const char *recipe, *bench, *record;
    const char *warning[2]; /* said before anything else; NULL or "" = nothing */
    struct run *run;       /* what the run was, as far as the front saw it; NULL = not wanted */
};

/* Runs until the guard's END (or its death). */
enum outcome front_run(const struct front_config *config);

enum { FRONT_EVENTS = 64, FRONT_ASKED = 4 };

/* A line of the list of events. `guard`: from the guard or from this program; such lines bear a mark in
 * their first column that no text of a recipe can have there. */
struct front_event {
    int64_t t_ms;
    bool guard;
    char kind[12];
    char text[BENCH_TEXT];
};

/* The text of a prompt, from its note until a snapshot says that it is open. */
struct front_asked {
    uint32_t number;
    int32_t kind; /* enum note_kind */
    char name[BENCH_NAME], text[BENCH_TEXT];
};

/* The view as text, pure, for tests: what the screen shows for this state at `columns` x `rows`. */
struct front_state {
    struct wire_hello hello;       /* the guard's answer: merged limits */
    struct wire_snapshot snapshot; /* the last */
    bool hello_known, snapshot_known;
    bool ascii;                    /* the terminal shows nothing beyond ASCII */
    char stage[64], prompt[BENCH_TEXT], prompt_name[BENCH_NAME];
    uint32_t prompt_number;        /* of the open prompt's note, 0 = none */
    int32_t prompt_kind;           /* enum note_kind of the open prompt, 0 = none */
    struct front_asked asked[FRONT_ASKED], staged[FRONT_ASKED];
    uint32_t asked_count, staged_count;
    struct front_event event[FRONT_EVENTS];
    int event_count;               /* all so far; the last FRONT_EVENTS are kept */
    char fault[BENCH_TEXT], act[BENCH_TEXT], look[BENCH_TEXT], hands[BENCH_TEXT];
    char typed[64];                /* being typed for an `ask`, or to leave */
    bool leaving;                  /* asked to leave once; a second, deliberate answer is needed */
    bool answered;                 /* the open prompt has its answer on the way */
    int32_t silent_ms;             /* since the guard's last word, when it is overdue; else 0 */
    bool over;                     /* END has come */
    struct wire_end end;
};

/* Take a message of the guard. What is not well formed is passed over. */
void front_take(struct front_state *state, const void *message, size_t size);
/* Add a line of this program's own. */
void front_say(struct front_state *state, const char *kind, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
/* `rows` lines at most, "\n" between them, none wider than `columns`; escape sequences only for colour, and only
 * with `colour`. Returns bytes written; NUL-terminated. */
size_t front_draw(const struct front_state *state, int columns, int rows, bool colour, char *out,
                  size_t size);

#endif
