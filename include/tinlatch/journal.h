/* SPDX-License-Identifier: MIT */
/* journal - the record of a run: JSON lines, append-only, one line one write or whole lines gathered.
 *
 * Ownership  journal_new's caller frees; the descriptor stays the caller's.
 * Never      loses a line in silence, writes part of a line by choice, or allocates after journal_new.
 * Fails      a refused write is kept: journal_error gives the first TL_SYSTEM; later lines are dropped
 *            and counted.
 * Units      t_ms; temperatures in millidegrees; docs/reference/record.md lists every key. */
#ifndef TINLATCH_JOURNAL_H
#define TINLATCH_JOURNAL_H

#include <stdint.h>

#include "tinlatch/bench.h"
#include "tinlatch/err.h"
#include "tinlatch/interlock.h"
#include "tinlatch/limits.h"
#include "tinlatch/run.h"
#include "tinlatch/wire.h"

struct journal;

/* fd -1: a journal that goes nowhere (same calls, nothing written). gather: bytes to gather before
 * a write (0 = every line is written at once). */
int journal_new(struct journal **out, int fd, size_t gather);
/* Goes on with the record in `fd` (open for reading and writing), at its end: half a line there is cut off. TL_BAD:
 * its last line has no link, it is none of ours. */
int journal_continue(struct journal **out, int fd);
void journal_free(struct journal *journal); /* flushes */
int journal_flush(struct journal *journal);
int journal_error(const struct journal *journal, uint64_t *dropped);
/* Lines accepted so far: what a scribe's count of durable lines is compared with. */
uint64_t journal_lines(const struct journal *journal);

struct journal_start {
    const char *kind; /* "rehearsal" or "run" */
    const char *recipe, *title, *board, *bench, *serial, *insert, *version;
    const struct run_source *source; /* NULL: not told */
    uint64_t seed;
    int64_t wall_s; /* when it began, since 1970; 0: not told, as in a rehearsal */
};
void journal_start(struct journal *journal, const struct journal_start *start);
void journal_limits(struct journal *journal, const struct limits *limits,
                    const struct limit_origins *origins);
/* truth_mc: the world's plate in a rehearsal, INT32_MIN in a run. */
void journal_snapshot(struct journal *journal, const struct wire_snapshot *snapshot,
                      const struct wire_turn *turn, int32_t truth_mc);
void journal_note(struct journal *journal, int64_t t_ms, const struct wire_note *note);
void journal_hand(struct journal *journal, int64_t t_ms, const struct wire_hand *hand);
/* kind: "mode", "rule", "fault", "device", "hands" ... */
void journal_event(struct journal *journal, int64_t t_ms, const char *kind, const char *text);
void journal_rule(struct journal *journal, int64_t t_ms, enum rule_id rule,
                  const struct rule_words *words);
void journal_end(struct journal *journal, int64_t t_ms, enum outcome outcome,
                 const struct tl_error *error);

#endif
