/* SPDX-License-Identifier: MIT */
/* What the parts of `tinlatch bench check` share. */
#ifndef TINLATCH_CLI_BENCH_CHECK_H
#define TINLATCH_CLI_BENCH_CHECK_H

#include "bench.h"

enum { CHECK_ROWS = 128, CHECK_WHAT = 32 };

/* One proof, as the guard's program told it. */
struct check_row {
    int32_t note; /* NOTE_STATE: it holds, NOTE_FAULT: it fails, NOTE_WARN: nothing can show it */
    char name[BENCH_NAME], what[CHECK_WHAT], how[BENCH_TEXT];
};

struct check_rows {
    int count;
    struct check_row row[CHECK_ROWS];
};

/* What protects the bench and what does not, by its file and by the rows. */
void protection_write_text(FILE *out, const struct benchfile *bench, const struct check_rows *rows);
/* The same as a JSON array. */
void protection_write_json(FILE *out, const struct benchfile *bench, const struct check_rows *rows);

#endif
