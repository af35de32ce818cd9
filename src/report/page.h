/* SPDX-License-Identifier: MIT */
/* page - what the HTML pages share: text that is harmless in them, figures with their units, the chart. */
#ifndef TINLATCH_REPORT_PAGE_H
#define TINLATCH_REPORT_PAGE_H

#include <stdio.h>

#include "tinlatch/history.h"

struct page {
    const struct history *h;
    FILE *out;
    double span_s, top_c;
    int32_t *row; /* which scans are rows of the table, and points of the curves */
    int32_t rows;
};

void page_put(FILE *out, const char *format, ...) __attribute__((format(printf, 2, 3)));
/* "44.98 kΩ"; "-" if not known. */
const char *page_measured(double value, const char *unit, char *out, size_t size);

/* Everything up to </head>. */
void page_head(FILE *out, const struct history *h, const char *what, bool scripted);
/* "2026-11-25 08:42", "" if not told. */
const char *page_when(const struct history *h, char out[64]);
const char *page_verdict_class(const struct history *h); /* good, mild, bad */
/* A row for each thing measured: name, before, [during,] after, change. Returns how many. */
int page_measured_rows(FILE *out, const struct history *h, bool during);
/* The last value of that time with the same name and unit; NULL = there is none. */
const struct history_value *page_value(const struct history *h, enum history_when when,
                                       const struct history_value *like);
enum { PAGE_CYCLES_COMMON = 3 }; /* heat cycles that parts are commonly allowed in their life */

/* Does the joint's live estimate run? */
bool page_has_joint(const struct history *h, int joint);
bool page_was_fed(const struct history *h);

/* When each place of the joint melted; only with a map. */
void page_melt_map(const struct run_heat *heat, FILE *out);

/* The legend, the chart and the table behind it. */
void plot_write(const struct page *page);
/* The events that have a number in the chart; 0 = it has none. */
int plot_mark(const struct history *h, int32_t event);

#endif
