/* SPDX-License-Identifier: MIT */
/* limits - what may not be passed, merged from four layers: this build, the bench, the board, the
 * recipe. Field by field the lowest wins; numbers only ever tighten.
 *
 * Ownership  plain values, copied.
 * Never      widens: no merge yields a field above any of its stated inputs.
 * Fails      limits_check: TL_LIMIT with the field and the ceiling's origin.
 * Units      in the field's name. 0 in a layer means "not stated here"; in a merged table every
 *            field is above 0, except rails that are not fed. */
#ifndef TINLATCH_LIMITS_H
#define TINLATCH_LIMITS_H

#include "tinlatch/bench.h"
#include "tinlatch/err.h"
#include "tinlatch/quantity.h"

/* clang-format off */
/* field,          key in the files, unit,        base units per unit, this build's ceiling;
 * the reason for each ceiling stands beside it in limits.c */
#define LIMIT_LIST(X)                                                            \
    X(plate_mc,      "plate",         UNIT_TEMP,  1000, 350000)                  \
    X(board_mc,      "board",         UNIT_TEMP,  1000, 260000)                  \
    X(ramp_mc_s,     "ramp",          UNIT_RAMP,  1000,   3000)                  \
    X(heat_time_ms,  "heat_time",     UNIT_TIME,  1000, 3600000)                 \
    X(supply_mv,     "supply_volts",  UNIT_VOLTS, 1000,  20000)                  \
    X(supply_ma,     "supply_amps",   UNIT_AMPS,  1000,   5000)                  \
    X(inject_mv,     "inject_volts",  UNIT_VOLTS, 1000,   1500)                  \
    X(inject_ma,     "inject_amps",   UNIT_AMPS,  1000,   3000)                  \
    X(power_mc,      "power_below",   UNIT_TEMP,  1000,  60000)
/* clang-format on */

enum limit_id {
#define X(field, key, unit, scale, ceiling) LIMIT_##field,
    LIMIT_LIST(X)
#undef X
        LIMITS
};

enum limit_layer { LAYER_BUILT_IN, LAYER_BENCH, LAYER_BOARD, LAYER_RECIPE, LAYERS };

/* A rail of the board as the supply may feed it. mv 0: the recipe may not feed it. */
struct rail_limits {
    char name[BENCH_NAME];
    int32_t mv, ma;               /* supply.on */
    int32_t inject_mv, inject_ma; /* supply.inject */
};

struct limits {
#define X(field, key, unit, scale, ceiling) int32_t field;
    LIMIT_LIST(X)
#undef X
    int32_t rail_count;
    struct rail_limits rail[BENCH_RAILS];
    bool uses_plate;  /* the recipe names an insert; without it heat is never granted */
    bool uses_supply; /* the recipe names rails; without them the supply is never on */
    bool has_plate_2; /* the bench has that sensor, so it must be readable */
    bool has_board;
    int32_t stale_ms;         /* a sensor value older than this is stale (three reader periods, at least 1 s) */
    int32_t silent_ms;        /* an instrument's answer */
    int32_t recipe_silent_ms; /* the recipe's turn */
    int32_t front_pause_ms;   /* the front's word: heat pauses ... */
    int32_t front_stop_ms;    /* ... and the run stops */
    int32_t keeper_silent_ms; /* the keeper's sign of life */
    int32_t scan_late_ms;     /* a scan that comes later than its period by this much is late */
    int32_t record_late_ms;   /* how far the disk may be behind */
    int32_t presence_ms;      /* how long nobody may touch a key while it is hot */
};

/* Where each merged field came from. line 0: the layer has no line for it. */
struct limit_origin {
    enum limit_layer layer;
    int32_t line;
};
struct limit_origins {
    struct limit_origin of[LIMITS];
};

const char *limit_key(enum limit_id id);
enum unit limit_unit(enum limit_id id);
int32_t limit_scale(enum limit_id id);
const char *limit_layer_name(enum limit_layer layer); /* "built in", "bench", "board", "recipe" */
/* Of the supply, or else of the plate and what lies on it? */
bool limit_is_of_supply(enum limit_id id);
/* Does anything that the run uses come up against it? The board's without a sensor there: no. */
bool limit_matters(const struct limits *limits, enum limit_id id);
/* "fed up to 4.20 V, 3.000 A; not injected"; returns `out`. */
enum { RAIL_GIVEN = 128 };
const char *rail_given(const struct rail_limits *rail, char out[RAIL_GIVEN]);
int32_t limits_get(const struct limits *limits, enum limit_id id);
void limits_set(struct limits *limits, enum limit_id id, int32_t value);

/* This build's ceilings, every field set. */
const struct limits *limits_built_in(void);

/* Tighten *merged by `layer`, recording in *origins which fields it tightened (an equal value
 * keeps the earlier origin). The flags and times below `rail` are set by the caller, not merged.
 * `line_of` may be NULL; else line_of[id] is the layer's line for each field.
 *
 * Rails belong to the board:
 *   LAYER_BOARD   its rails become the merged ones; what it does not state (0) is not fed
 *   LAYER_RECIPE  chooses among them by name and may lower each figure (0: the board's stands); a
 *                 rail that it does not name is not fed, all four figures 0; a name that the board
 *                 does not have adds nothing
 *   other layers  have none; theirs are ignored
 * After any layer no rail's figure is above the merged supply_mv, supply_ma, inject_mv, inject_ma,
 * and no rail is injected with more than its own volts. */
void limits_tighten(struct limits *merged, struct limit_origins *origins,
                    const struct limits *layer, enum limit_layer which, const int32_t *line_of);

/* The rail of that name (BENCH_NAME bytes, or ended by a NUL before); -1 = there is none. */
int32_t limits_find_rail(const struct limits *limits, const char *name);

/* Does `layer` state anything above *merged? TL_LIMIT with text such as
 * `ceiling.plate = 300 C is above the bench's limit of 250 C`; *id names the field (may be NULL);
 * the token is the field's key. 0 if not. Rails are compared where both have the name, with text
 * such as `battery rail: supply_volts = 5 V is above the board's limit of 4.4 V`. */
int limits_check(const struct limits *merged, const struct limit_origins *origins,
                 const struct limits *layer, enum limit_id *id, struct tl_error *error);

#endif
