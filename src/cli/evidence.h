/* SPDX-License-Identifier: MIT */
/* evidence - what a recipe did in rehearsal, as lines of "key: value": in a pack they are what its maker saw, in
 * `inspect` they stand beside what it does on this bench. Never believed, only repeated. */
#ifndef TINLATCH_CLI_EVIDENCE_H
#define TINLATCH_CLI_EVIDENCE_H

#include "sources.h"
#include "tinlatch/rehearse.h"

enum { EVIDENCE_ROWS = 96 };

struct evidence {
    int draws, done; /* 0 of what is read: that is in its rows */
    int count;
    struct evidence_row {
        char key[64], value[96];
    } row[EVIDENCE_ROWS];
};

/* Rehearse thirty draws, seeds 1 to 30: program, bench, what the first did, and how far all lie apart. *run is left as
 * the first's. What is not done is evidence too; TL_SYSTEM: no rehearsal could be had. */
int evidence_make(const struct rehearse_setup *setup, const struct bench_source *bench,
                  struct evidence *evidence, struct run *run, struct tl_error *error);

void evidence_write(const struct evidence *evidence, FILE *out);
/* TL_SYNTAX with its line: a pack's maker may write anything there. */
int evidence_read(const char *text, size_t length, struct evidence *evidence,
                  struct tl_error *error);

const char *evidence_value(const struct evidence *evidence,
                           const char *key); /* NULL: no such row */
/* The same, as far as two machines can agree: numbers within 0.15 of each other. */
bool evidence_agrees(const char *one, const char *other);

#endif
