/* SPDX-License-Identifier: MIT */
/* last_run - what the next run may start warm from: which insert the last one was on, when its sensor was proved
 * to be seated, when and how hot it ended; a small file beside the latch.
 *
 * Ownership  the path is the caller's.
 * Never      leaves half a file, or is believed unless every field stands in it once, the bench file is the same to
 *            the byte, and the computer was not started anew since.
 * Fails      last_run_save: TL_FILE with the sentence. What cannot be read or believed is no last run.
 * Units      milliseconds after origin_ms, an instant of CLOCK_BOOTTIME; before it they are negative. */
#ifndef TINLATCH_LAST_RUN_H
#define TINLATCH_LAST_RUN_H

#include <stdbool.h>
#include <stdint.h>

#include "tinlatch/bench.h"
#include "tinlatch/err.h"

struct last_run {
    char insert[BENCH_NAME];
    int64_t tested_ms;     /* when the seat test was passed ... */
    int64_t rise_permille; /* ... with this share of the rise that was expected */
    int64_t ended_ms;      /* when the run ended ... */
    int64_t plate_mc;      /* ... and what the plate read then */
};

/* bench: the bench file's digest. */
int last_run_save(const char *path, uint64_t bench, int64_t origin_ms, const struct last_run *last,
                  struct tl_error *error);
bool last_run_load(const char *path, uint64_t bench, int64_t origin_ms, struct last_run *last);
void last_run_remove(const char *path);

#endif
