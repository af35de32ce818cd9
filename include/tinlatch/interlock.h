/* SPDX-License-Identifier: MIT */
/* interlock - decides, once per scan, which outputs may be on.
 *
 * Ownership  caller provides struct interlock ({0} is a valid start); nothing is allocated or kept.
 * Never      does I/O, reads a clock, or lets `want` raise an output a latched rule forces off.
 * Fails      it cannot: input it cannot trust trips the rule that watches that input.
 * Units      temp_mc millidegrees Celsius, mv, ma; t_ms milliseconds since the run began. Integers
 *            only: readings are rounded and range-checked where they are gathered. */
#ifndef TINLATCH_INTERLOCK_H
#define TINLATCH_INTERLOCK_H

#include <stddef.h>

#include "tinlatch/bench.h"
#include "tinlatch/limits.h"

enum rule_id {
    CLOCK_JUMP, /* first: after a sleep everything else looks silent */
    PLATE_OVER,
    BOARD_OVER,
    RAMP_OVER,
    SENSOR_OPEN,
    SENSOR_RANGE,
    SENSOR_STALE,
    SENSOR_JUMP,
    SENSOR_FROZEN,
    SENSOR_UNSEATED,
    SENSORS_DISAGREE,
    HEAT_TIME_OVER,
    DEVICE_SILENT,
    RECIPE_SILENT,
    STOP_PRESSED,
    SUPPLY_OVER_VOLTS,
    SUPPLY_OVER_AMPS,
    POWER_ON_HOT_BOARD,
    HEAT_WHILE_POWERED,
    SUPPLY_DISOBEYS,
    HEAT_UNCOMMANDED,
    FRONT_SILENT,
    FRONT_GONE,
    KEEPER_SILENT,
    SCAN_LATE,
    RECORD_LOST,
    OPERATOR_AWAY,
    RULES,
};

/* WARN is shown; PAUSE takes heat away until its cause is gone; TRIP takes heat and supply away
 * and ends the run; STOP does the same as TRIP but is a person's wish, not a fault. */
enum rule_kind { RULE_WARN, RULE_PAUSE, RULE_TRIP, RULE_STOP };

/* Does a latched rule outlive the run (a latch on disk, until a person clears it)? */
enum rule_latch { LATCH_NONE, THIS_RUN, UNTIL_CLEAR };

/* A rule: its cause must hold for for_ms without a break before it fires (0: at once). */
struct rule {
    const char *id;
    int32_t for_ms;
    enum rule_kind kind;
    enum rule_latch latch;
};

extern const struct rule rules[RULES];

/* What one rule has seen. */
struct rule_state {
    bool holding;     /* its cause was there at the last scan */
    bool fired;       /* ... for for_ms: it acts now */
    bool latched;     /* it has tripped in this run */
    int64_t since_ms; /* when its cause began to hold */
};

struct interlock {
    struct rule_state state[RULES];
    bool tripped;           /* some rule of kind RULE_TRIP or RULE_STOP is latched */
    enum rule_id first_out; /* valid when tripped: the first fault, else the first stop; ties go to the lower id */
    int64_t tripped_ms;     /* when that came */
    int64_t stepped_ms;     /* the last scan */
    bool stepped;
    bool heat_was_granted, supply_was_granted;
    int32_t rail;           /* what the supply was granted for, ... */
    bool inject;            /* ... how, ... */
    int32_t mv, ma;         /* ... and with how much */
    int64_t heat_ms;        /* time with heat granted so far */
    uint32_t stop_seen;     /* stop_count when the run began */
    bool stop_known;
};

/* Start a run: presses of stop count from here. Without it they count from the first step's reading. */
void interlock_begin(struct interlock *il, uint32_t stop_count);

/* Advance every rule to t_ms, then write into *out what remains of *want: every field is at most
 * what was wanted and at most its limit, and off where a latched, fired or tripped rule forces it off.
 * A ramp of 0 stays 0 and stands for the limit; a negative wish leaves 0. t_ms must not go backwards. */
void interlock_step(struct interlock *il, const struct limits *limits, const struct readings *in,
                    const struct wanted *want, int64_t t_ms, struct granted *out);

/* Is the rule table whole (ids unique; every rule with its question and its words; a trip for every input that
 * is not read) and every merged limit in (0, ceiling]? NULL if so, else a sentence saying what is wrong, which
 * may stand in `text`. Call before the first step. */
const char *interlock_validate(const struct limits *limits, char text[BENCH_TEXT]);

/* The plain sentence of a rule that fires on these readings: what happened, with numbers and their
 * limit; then what to do; then what to check at the bench. Three texts, each NUL-terminated in its
 * own BENCH_TEXT buffer. */
struct rule_words {
    char what[BENCH_TEXT];
    char act[BENCH_TEXT];
    char inspect[BENCH_TEXT];
};
void interlock_explain(enum rule_id id, const struct limits *limits, const struct readings *in,
                       const struct wanted *want, int64_t heat_ms, struct rule_words *words);

/* RULES if no rule has that id. */
enum rule_id rule_find(const char *id);

#endif
