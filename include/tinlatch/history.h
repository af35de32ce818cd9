/* SPDX-License-Identifier: MIT */
/* history - what a record tells of a run, gathered for people: the summary, the curves, what was said, done and measured.
 *
 * Ownership  history_free gives back what history_read took; nothing points into the record.
 * Never      shows a curve between scans that the record does not have.
 * Fails      history_read: TL_SYNTAX for what is no record, TL_SYSTEM for want of memory. A record that was cut off
 *            is read up to there.
 * Units      C and s as floating point: this is for people. NAN = not known. */
#ifndef TINLATCH_HISTORY_H
#define TINLATCH_HISTORY_H

#include <stddef.h>

#include "tinlatch/record.h"
#include "tinlatch/run.h"

/* A scan, as far as curves show it. */
struct history_point {
    float t_s, plate_c, board_c, target_c;
    float joint_c[BOARD_JOINTS], molten[BOARD_JOINTS]; /* the live estimate: coldest place; share, 0 to 1 */
    float volts, amps;
};

struct history_forecast {
    float t_s, plate_c, board_c, joint_c;
};

struct history_event {
    double at_s, answered_s; /* NAN = no answer came */
    int32_t line; /* of the recipe, 0 = none */
    char kind[12], text[BENCH_TEXT], answer[80];
};

/* Something measured: before the first heat, while it was hot or fed, after. */
enum history_when { WHEN_BEFORE, WHEN_DURING, WHEN_AFTER };
struct history_value {
    enum history_when when;
    double at_s; /* < 0: added after the run */
    char name[64], unit[16];
    double value;
};

struct history_job {
    double at_s;
    char name[64], text[BENCH_TEXT];
    double value;
};

struct history_joint {
    char name[BENCH_NAME], alloy[BENCH_NAME];
    double solidus_c, liquidus_c;
};

struct history {
    struct run run;
    struct record_start start;
    bool ended;
    bool goes_on; /* without an end: whoever read the file knows that its run holds it still */
    char fingerprint[2 * RECORD_LINK + 1];
    double heat_first_s, heat_last_s; /* when the recipe's heat began and ended, NAN = it never did */
    int64_t scans;
    int32_t point_count, forecast_count, event_count, value_count, job_count, joint_count;
    struct history_point *point; /* every scan */
    struct history_forecast *forecast;
    struct history_event *event;
    struct history_value *value;
    struct history_job *job;
    struct history_joint joint[BOARD_JOINTS];
    struct run_heat *melt_map; /* when its places melted in the rehearsal, or in the one before the run; NULL = not told */
};

int history_read(struct history *history, const char *text, size_t length, struct tl_error *error);
void history_free(struct history *history);

/* For a list: what stands in the first lines and the last ones of a record, which may be all of it. 0, or TL_SYNTAX. */
struct history_brief {
    struct record_start start;
    bool ended;
    bool goes_on; /* as in struct history */
    enum outcome outcome;
    double duration_s; /* < 0: not told */
};
int history_look(struct history_brief *brief, const char *head, size_t head_length, const char *tail,
                 size_t tail_length);

/* Did the recipe heat in that run? That is a heat cycle of its board. */
bool history_heats(const char *text, size_t length);

#endif
