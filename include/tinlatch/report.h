/* SPDX-License-Identifier: MIT */
/* report - a run as text for a terminal, as JSON, as SVG. Makes bytes, opens nothing.
 *
 * Ownership  the caller owns run, error sources and stream.
 * Never      shows a control byte that came from a recipe; relies on colour alone.
 * Fails      it cannot, but for the stream, whose error the caller checks.
 * Units      C, s as in run.h. */
#ifndef TINLATCH_REPORT_H
#define TINLATCH_REPORT_H

#include <stdio.h>

#include "tinlatch/run.h"

enum { REPORT_COLUMNS = 100 };

struct report_style {
    bool colour;
    bool header_only;        /* check: limits and verdict, then the rehearsal in short */
    const char *bench_file, *recipe_file, *board_file; /* names for origins */
    bool bench_is_demo;
};

void report_text(const struct run *run, const struct report_style *style, FILE *out);
void report_json(const struct run *run, FILE *out); /* one object, keys as the reference names them */
void report_svg(const struct run *run, FILE *out);

#endif
