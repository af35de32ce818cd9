/* SPDX-License-Identifier: MIT */
/* front - what a person sees and presses during a run: live view, prompts, keys, sounds. May block, may die.
 *
 * Ownership  descriptors stay the caller's.
 * Never      decides anything: it shows snapshots and notes, and sends what a person pressed.
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
    int in_fd, out_fd;     /* terminal; not a terminal: append-only lines with a heartbeat, answers as lines from in_fd */
    bool colour, quiet;    /* quiet: no sounds */
    const char *recipe, *bench, *record;
};

/* Runs until the guard's END (or its death). */
enum outcome front_run(const struct front_config *config);

/* The view as text, pure, for tests: what the screen shows for this state at `columns` x `rows`. */
struct front_state {
    struct wire_hello hello;       /* the guard's answer: merged limits */
    struct wire_snapshot snapshot; /* the last */
    bool hello_known, snapshot_known;
    char stage[64], prompt[BENCH_TEXT];
    int32_t prompt_kind;           /* enum note_kind of the open prompt, 0 = none */
    int64_t prompt_since_ms;
    struct front_event {
        int64_t t_ms;
        char kind[12];
        char text[120];
    } event[64];
    int event_count;               /* all so far; the last 64 are kept */
    char fault[BENCH_TEXT], act[BENCH_TEXT], look[BENCH_TEXT], hands[BENCH_TEXT];
    char typed[64];                /* being typed for an `ask` */
    bool leaving;                  /* asked to leave once; a second, deliberate answer is needed */
};
void front_take(struct front_state *state, const void *message, size_t size);
size_t front_draw(const struct front_state *state, int columns, int rows, bool colour, char *out,
                  size_t size);

#endif
