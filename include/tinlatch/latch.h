/* SPDX-License-Identifier: MIT */
/* latch - the trip that outlives its run: a small file that says why, until a person has cleared it.
 *
 * Files      `path` is the trip that came first. Beside it each run has one of its own, named after its session: while it
 *            has power on, what a crash would say; after a trip that was not the first, that trip. One that speaks of a
 *            crash is latched as soon as no process of its run holds it any more.
 * Ownership  the path is the caller's.
 * Never      leaves half a file (written beside it, renamed), but when a full disk leaves no room for that. Syncs where a
 *            run trips: latch_trip does not, all others that write do. A busy disk keeps any of them waiting.
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
    char rule[BENCH_NAME];  /* "crash" while a run has power on: what it means once nobody holds it */
    char what[BENCH_TEXT], act[BENCH_TEXT], look[BENCH_TEXT];
    char recipe[160], bench[64];
    int64_t wall_s;
};

/* Which file a run's crash latch is. */
struct latch_mark {
    bool armed;
    dev_t device;
    ino_t inode;
};

/* A crash latches too. stage: what it will say is laid down, before anything is heated; *held_fd holds it, in whoever
 * keeps it open, until the last copy is closed (-1 when it fails). arm: from now on it latches once it is not held, after
 * a power cut too; TL_FILE: it cannot, or something is latched already. trip: latched at once, on the disk once it is
 * synced; where the disk has no room for another file, in the armed one's place; where its directory is gone, in a new
 * one. disarm: the run is over; what it armed goes, a trip's stays. */
int latch_stage(const char *path, const struct latch *latch, int *held_fd, struct tl_error *error);
/* Somebody has removed what *held_fd holds: a crash would not latch. A trip's that took its place counts as that too; -1
 * is never gone. */
bool latch_is_gone(int held_fd);
int latch_arm(const char *path, struct latch_mark *mark, struct tl_error *error);
int latch_trip(const char *path, const struct latch_mark *mark, const struct latch *latch,
               struct tl_error *error);
int latch_sync(const char *path, struct tl_error *error);
int latch_disarm(const char *path, const struct latch_mark *mark, struct tl_error *error);
/* 1: latched, *latch filled (as far as it can be read); 0: not latched; TL_FILE: cannot tell, take it for latched. Of
 * several the first trip, else the lowest session's; latch_remove takes away the one that latch_read shows. */
int latch_read(const char *path, struct latch *latch, struct tl_error *error);
int latch_remove(const char *path, struct tl_error *error);

#endif
