/* SPDX-License-Identifier: MIT */
/* chart - the curves of a run in characters.
 *
 * Never      more than REPORT_COLUMNS wide; each sign has its name in the legend.
 * Fails      a run without curve gives nothing. */
#ifndef TINLATCH_REPORT_CHART_H
#define TINLATCH_REPORT_CHART_H

#include "tinlatch/report.h"

/* columns: of the whole line, REPORT_LEAST to REPORT_COLUMNS. */
void chart_write(const struct run *run, int columns, FILE *out);

/* Which curve of a point; also for the picture. */
enum curve { CURVE_TARGET, CURVE_PLATE_READ, CURVE_PLATE, CURVE_BOARD, CURVE_JOINT, CURVES };
double chart_at(const struct run_point *point, enum curve curve);
/* The end of the time axis (a bench that stays warm is not followed without end), and the top of the other: the next
 * round value over peaks and limits. Limits more than half again as high as the peak are left out: they would flatten
 * the curves. */
double chart_span_s(const struct run *run);
bool chart_is_cut(const struct run *run); /* something is still warm where the axis ends */
double chart_top_c(const struct run *run);
bool chart_shows_limit(const struct run *run, double limit_c);
/* Seconds between ticks, so that there are at most `most` of them. */
double chart_tick_s(double span_s, int most);

#endif
