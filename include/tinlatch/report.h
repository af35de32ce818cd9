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

#include "tinlatch/history.h"
#include "tinlatch/run.h"

enum { REPORT_COLUMNS = 100, REPORT_LEAST = 60, REPORT_WROTE = 5 };

struct report_style {
    bool colour;
    bool header_only;        /* check: without what was said at the bench */
    int columns;             /* of the terminal, REPORT_LEAST to REPORT_COLUMNS; 0: REPORT_COLUMNS */
    const char *bench_file, *recipe_file, *board_file; /* names for origins */
    const char *error_shown; /* the error with its source line, to stand above the verdict, which then does
                              * not repeat it; NULL: it is told elsewhere */
    const char *wrote[REPORT_WROTE]; /* files written beside the record, NULL = none */
};

void report_text(const struct run *run, const struct report_style *style, FILE *out);
/* The same of a record, with what was asked, answered and measured. */
void report_history(const struct history *history, const struct report_style *style, FILE *out);
/* One page of HTML that needs nothing else; style: names for origins. TL_SYSTEM: no memory. */
int report_html(const struct history *history, const struct record_verdict *verdict,
                const struct report_style *style, FILE *out);
/* One sheet for the owner of the device. */
void report_customer(const struct history *history, FILE *out);
void report_json(const struct run *run, FILE *out); /* one object, keys as the reference names them */
/* For other objects: null for what is no number; a seed beyond 63 bits as text. The caller owns it; NULL: no memory. */
struct json_t;
struct json_t *report_json_number(double value);
struct json_t *report_json_seed(uint64_t value);
void report_svg(const struct run *run, FILE *out);
/* When each place of the first joint along a board's edge melted; how warm the boards' upper faces were. */
void report_melt_map(const struct run_heat *heat, FILE *out);
void report_heat_map(const struct run_heat *heat, FILE *out);
/* CSV: every place of every joint, in mm, with when it melted and froze, in s, empty = never. */
void report_places(const struct run *run, const struct run_heat *heat, FILE *out);
/* A stranger's text for SVG or HTML, element or attribute, without what either, or a terminal, could obey. At most
 * some 4,000 bytes of it. */
void report_markup(FILE *out, const char *text);
/* The same for a field of CSV; "" stays empty, and what a spreadsheet would take for a formula does not begin it. */
void report_csv(FILE *out, const char *text);

#endif
