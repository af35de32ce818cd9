/* SPDX-License-Identifier: MIT */
/* run - what a run or a rehearsal was: outcome, stages, melts, margins, curves. Plain data.
 *
 * Ownership  plain value, no pointers inside; a rehearsal hands it over whole.
 * Never      holds what the record does not.
 * Fails      a full store keeps what came first and counts the rest; curves thin themselves.
 * Units      C and s as floating point: this is for people, not for the interlock. NAN = not known. */
#ifndef TINLATCH_RUN_H
#define TINLATCH_RUN_H

#include "tinlatch/bench.h"
#include "tinlatch/board.h"
#include "tinlatch/err.h"
#include "tinlatch/interlock.h"
#include "tinlatch/limits.h"

/* The exit status is the value. */
enum outcome { RUN_DONE, RUN_FAILED, RUN_INVALID, RUN_TRIPPED, RUN_REFUSED, RUN_DEVICE, RUN_STOPPED, OUTCOMES };

enum { RUN_STAGES = 64, RUN_MELTS = 32, RUN_MARGINS = 48, RUN_CURVE = 1024, RUN_EVENTS = 256, RUN_WARNINGS = 8 };

struct run_stage {
    char name[64];
    double start_s, end_s, peak_c; /* peak of the plate reading */
};

struct run_melt {
    char joint[BENCH_NAME];
    double at_s;         /* when the recipe counted it as molten */
    char how[BENCH_TEXT];
    double true_first_s, true_last_s; /* rehearsal: when its first and last place melted in that pass; NAN = never */
};

enum { RUN_TENTHS = 10 };

/* A joint in the simulated world, in its last pass. Its lift window: from last_s until freezes_s. */
struct run_joint {
    char joint[BENCH_NAME];
    double first_s, last_s, freezes_s, solid_s, lifted_s; /* NAN = never */
    double liquid_s;                 /* how long some of it was liquid */
    double tenth_s[RUN_TENTHS];      /* when a tenth of its solder had melted, two tenths ... all of it; NAN = never */
    int32_t segments;
    uint32_t first_segments, last_segments; /* all that were so in the same step, the first segment's bit the lowest */
};

/* A named part in the simulated world. */
struct run_part {
    char part[BENCH_NAME];
    double peak_c, ramp_c_s; /* the steepest rise over a second */
};

/* The nearest that anything came to a limit. */
struct run_margin {
    char limit[BENCH_NAME + 8]; /* "plate", "board", "memory body", "ramp", "heat time" ... */
    double value, worst;        /* the limit and the worst seen */
    enum unit unit;
    int32_t layer, line;        /* origin as in limits.h; layer -1 = a part's own limit */
};

struct run_point {
    float t_s, plate_c, plate_read_c, board_c, joint_c, target_c;
};

struct run_event {
    double at_s;
    int32_t line; /* of the recipe, 0 = not from it */
    char kind[12]; /* "stage", "tell", "ask", "yes", "beep", "fault", "trip" ... */
    char text[120];
};

/* What was run, byte for byte, as texts; "" = not told. */
enum run_source_id {
    RUN_SHA256,      /* of the recipe's file, as hexadecimal digits */
    RUN_PACK,        /* the name of the pack that it came in; what follows is told of a pack alone */
    RUN_PACK_VERSION,
    RUN_PACK_SHA256, /* of the bytes that are signed */
    RUN_SIGNER,      /* what the signer's key is called here */
    RUN_KEY,         /* that key's id */
    RUN_CHECKED,     /* before anything began: "signature", or "shelf": that, and the hash of what was accepted */
    RUN_SOURCES,
};
struct run_source {
    char text[RUN_SOURCES][80];
};
const char *run_source_key(enum run_source_id id); /* "pack_version": in records and JSON */

struct run {
    enum outcome outcome;
    char recipe[160], title[64], board[BENCH_NAME], bench[64], serial[64];
    struct run_source source;
    int32_t api, version;                                  /* of the recipe; version 0 = none is stated */
    char insert[BENCH_NAME], revision[16], alloys[96];     /* "": none; alloys of the board's joints, with ", " between */
    uint64_t seed;
    double duration_s; /* bench time, until touch-safe */
    double recipe_s;   /* bench time when the recipe was over */
    double wall_s;
    bool tripped;
    enum rule_id trip_rule;
    double trip_s;
    struct rule_words trip_words;
    char hands[BENCH_TEXT]; /* what to do with one's hands after a trip or stop */
    double peak_true_c, peak_read_c, peak_board_c;
    double cool_c_s;        /* steepest fall of the board */
    bool driven;            /* heat or supply was granted at least once */
    double asked_ramp_c_s, best_ramp_c_s; /* the fastest climb asked for, and measured; 0, NAN = none */
    struct limits limits;
    struct limit_origins origins;
    double worst_case_s;      /* every timeout of the path used in full */
    double worst_case_heat_s; /* ... while heat is wanted */
    bool rehearsed;           /* the true values come from the simulated world */
    double grid_mm;           /* of its heat; 0: the coarse grid */
    bool slip;                /* rehearsal: the script went wrong by itself, as it would in a run */
    int32_t stage_count, melt_count, margin_count, point_count, event_count, events_lost, warning_count, warnings_lost;
    struct run_stage stage[RUN_STAGES];
    struct run_melt melt[RUN_MELTS];
    struct run_margin margin[RUN_MARGINS];
    struct run_point point[RUN_CURVE];
    double point_every_s;
    struct run_event event[RUN_EVENTS];
    char warning[RUN_WARNINGS][BENCH_TEXT];
    struct tl_error error; /* code TL_OK = none */
    char record[1024];     /* the record's path, "" = none */
    int32_t joint_count;
    struct run_joint joint[BOARD_JOINTS];
    double lateral_k; /* rehearsal: most between two places of one face of a board, at one time */
    int32_t part_count;
    struct run_part part[BOARD_PARTS];
};

/* A picture of the heat, of a rehearsal: the places of its joints, and the boards' upper faces (x fastest, then y) when
 * the first joint between them was wholly molten, else at the end. */
enum { RUN_PLACES = 4096, RUN_FACE = 128 * 128 };
struct run_heat {
    int32_t places, cells_x[BOARD_LAYERS], cells_y[BOARD_LAYERS]; /* 0: no such board */
    float length_mm[BOARD_LAYERS], width_mm[BOARD_LAYERS];
    float at_s;
    char joint[BENCH_NAME]; /* the one whose melting is worth a map; "": none */
    struct run_place {
        int32_t joint, segment; /* the segment from 1; 0 = not known */
        float x_mm, y_mm, melts_s, freezes_s; /* NAN = never */
    } place[RUN_PLACES];
    float face_c[BOARD_LAYERS][RUN_FACE];
};

/* The joint whose melting is worth a map: the first with places along a board's edge, else the first; -1 = none. */
int run_heat_joint(const struct run_heat *heat);
bool run_on_edge(const struct run_place *place); /* of its board */
/* When its places melted, as text for a record, piece by piece: first "60.0 40.0 NAME", the board's length and width in
 * mm, then "x y t segment;" with t in s, "-" = never, at most some 200 places in all; size: 64 at least. *from: 0 for
 * the first, and is moved on. False: it is all told. */
bool run_heat_tell(const struct run_heat *heat, int *from, char *text, size_t size);

const char *outcome_name(enum outcome outcome); /* "done" */

/* Add a curve point at `t_s` if the curve's spacing is due; when full, every second point goes and
 * the spacing doubles. point_every_s must be set (> 0) before the first. */
void run_add_point(struct run *run, const struct run_point *point);
void run_add_event(struct run *run, double at_s, int32_t line, const char *kind, const char *text);
void run_add_warning(struct run *run, const char *format, ...) __attribute__((format(printf, 2, 3)));
/* What margins are made of: the extremes that a run saw; NAN = nothing seen. */
struct run_extremes {
    double plate_c, board_c, ramp_c_s, supply_v, supply_a, inject_v, inject_a, power_c;
    int32_t heat_left_ms;
};
extern const struct run_extremes run_extremes_none;
/* How near `worst` came to a limit of the run's; nothing where it is NAN, or the list is full. */
void run_add_margin(struct run *run, const char *name, enum limit_id id, double worst);
/* Those of every limit, in what the run used. */
void run_add_margins(struct run *run, const struct run_extremes *seen);
/* Margins, the tightest first: by (value - worst) / value; ramps and times alike. */
void run_sort_margins(struct run *run);

#endif
