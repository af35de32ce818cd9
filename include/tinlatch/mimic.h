/* SPDX-License-Identifier: MIT */
/* mimic - the emulated instruments of a bench on pseudo-terminals, in real time: what a real run can be
 * tried on with no hardware at hand.
 *
 * Ownership  everything named in the setup stays the caller's and must outlive mimic_run.
 * Never      blocks on a program that does not read, or leaves a pseudo-terminal behind: they vanish with
 *            this process, however it dies.
 * Fails      TL_SYSTEM, TL_FILE, and what world_new and world_add_fault say.
 * Units      s since its start. */
#ifndef TINLATCH_MIMIC_H
#define TINLATCH_MIMIC_H

#include <stdio.h>

#include "tinlatch/rehearse.h"

struct mimic_setup {
    const struct benchfile *bench;
    const char *bench_text;     /* as it was read: given back with other ports */
    size_t bench_length;
    const struct source_set *sources; /* a recipe whose board and insert lie on the plate; NULL: none */
    uint64_t seed;
    double until_s; /* 0: until SIGINT or SIGTERM */
    int32_t fault_count;
    const struct rehearse_fault *fault;
    const char *control;  /* a socket for tests, docs/reference/mimic.md; NULL: none */
    bool keyboard;        /* the same commands come as lines on standard input, a terminal */
    const char *bench_to; /* the file that gets the bench file; NULL: it goes to `out` */
    FILE *out;
    bool json;            /* the report at the end */
};

int mimic_run(const struct mimic_setup *setup, struct tl_error *error);

#endif
