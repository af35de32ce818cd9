/* SPDX-License-Identifier: MIT */
/* words - what text, chart and picture write alike: times, values, origins, texts of strangers.
 *
 * Ownership  the caller's buffers; each function returns `out`, always NUL-terminated.
 * Never      lets a control byte or a character that turns the writing direction through.
 * Fails      what does not fit is cut between characters.
 * Units      seconds, and the base unit of each quantity. */
#ifndef TINLATCH_REPORT_WORDS_H
#define TINLATCH_REPORT_WORDS_H

#include <stddef.h>

#include "tinlatch/report.h"

enum { WORD_TEXT = 1024 }; /* room for any text of struct run, escaped */

/* `text` with every byte that a terminal could obey shown as <XX>. */
const char *words_plain(const char *text, char *out, size_t size);
/* Characters, not bytes. */
size_t words_width(const char *text);
/* At most `columns` characters; what was cut ends in "..". */
const char *words_cut(const char *text, size_t columns, char *out, size_t size);

const char *words_time(double s, char *out, size_t size); /* "4:05", "1:02:03"; "-" if not known */
const char *words_length(double s, char *out, size_t size); /* "14 min 20 s"; "-" if not known */
/* With its unit and a fixed number of places, so that columns line up. */
const char *words_value(double value, enum unit unit, char *out, size_t size);
/* "demo.ini:31", "ceiling of stack-split.lua", "built in", "the part's own". */
const char *words_origin(const struct run *run, const struct report_style *style, int32_t layer,
                         int32_t line, char *out, size_t size);
/* What is known of the recipe's bytes, a row at a time from 0: its name, its text. NULL: there is no such row. */
const char *words_source(const struct run_source *source, int row, char *out, size_t size);
const char *words_base_name(const char *path);
/* ", board hx210, serial A-1", ", seed 7": as far as there is one; a real run draws nothing. */
const char *words_board(const struct run *run, char *out, size_t size);
const char *words_seed(const struct run *run, char *out, size_t size);
const char *words_limit(enum limit_id id); /* "supply volts" */

#endif
