/* SPDX-License-Identifier: MIT */
/* latch - the trip that outlives its run: a small file that says why, until a person has cleared it.
 *
 * Ownership  the path is the caller's.
 * Never      leaves half a file: written beside it, synced, renamed.
 * Fails      TL_FILE with the sentence; an unreadable latch counts as latched.
 * Units      wall time in seconds since 1970, for people only. */
#ifndef TINLATCH_LATCH_H
#define TINLATCH_LATCH_H

#include <stdbool.h>
#include <stdint.h>

#include "tinlatch/bench.h"
#include "tinlatch/err.h"

struct latch {
    char rule[BENCH_NAME];  /* "crash" while a run is hot: what it means if nobody removes it */
    char what[BENCH_TEXT], act[BENCH_TEXT], look[BENCH_TEXT];
    char recipe[160], bench[64];
    int64_t wall_s;
};

int latch_write(const char *path, const struct latch *latch, struct tl_error *error);
/* 1: latched, *latch filled (as far as it can be read); 0: not latched; TL_FILE: cannot tell, take it for latched. */
int latch_read(const char *path, struct latch *latch, struct tl_error *error);
int latch_remove(const char *path, struct tl_error *error);

#endif
