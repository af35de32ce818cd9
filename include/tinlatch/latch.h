/* SPDX-License-Identifier: MIT */
/* latch - the trip that outlives its run: a small file that says why, until a person has cleared it.
 *
 * Ownership  the path is the caller's.
 * Never      leaves half a file (written beside it, renamed), but when a full disk leaves no room for that. Syncs where a
 *            run trips: latch_write, latch_arm and latch_trip do not, latch_stage, latch_sync, latch_disarm and
 *            latch_remove do. A busy disk keeps any of them waiting.
 * Fails      TL_FILE with the sentence; an unreadable latch counts as latched.
 * Units      wall time in seconds since 1970, for people only. */
#ifndef TINLATCH_LATCH_H
#define TINLATCH_LATCH_H

#include <stdbool.h>
#include <stdint.h>
#include <sys/types.h>

#include "tinlatch/bench.h"
#include "tinlatch/err.h"

struct latch {
    char rule[BENCH_NAME];  /* "crash" while a run is hot: what it means if nobody removes it */
    char what[BENCH_TEXT], act[BENCH_TEXT], look[BENCH_TEXT];
    char recipe[160], bench[64];
    int64_t wall_s;
};

/* Latched, whatever stood there; on the disk once it is synced. */
int latch_write(const char *path, const struct latch *latch, struct tl_error *error);
int latch_sync(const char *path, struct tl_error *error);

/* Which file a run's crash latch is. */
struct latch_mark {
    bool armed;
    dev_t device;
    ino_t inode;
};

/* A crash latches too. stage: what it will say is laid down beside the latch, before anything is heated. arm: from
 * now on that is the latch; TL_FILE: it cannot be, or another one is there. trip: as latch_write, and where the disk has
 * no room for another file, in the armed one's place. disarm: the run is over; the latch goes if it is still the run's
 * own; one of a trip, or of another run, stays. */
int latch_stage(const char *path, const struct latch *latch, struct tl_error *error);
int latch_arm(const char *path, struct latch_mark *mark, struct tl_error *error);
int latch_trip(const char *path, const struct latch_mark *mark, const struct latch *latch,
               struct tl_error *error);
int latch_disarm(const char *path, const struct latch_mark *mark, struct tl_error *error);
/* 1: latched, *latch filled (as far as it can be read); 0: not latched; TL_FILE: cannot tell, take it for latched. */
int latch_read(const char *path, struct latch *latch, struct tl_error *error);
int latch_remove(const char *path, struct tl_error *error);

#endif
