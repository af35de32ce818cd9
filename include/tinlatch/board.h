/* SPDX-License-Identifier: MIT */
/* board - what a board file says: layers, parts, joints, rails. Plain data.
 *
 * Ownership  plain values, no pointers inside; fixed stores.
 * Never      holds a bench's or a recipe's figures.
 * Fails      {0} is a board with nothing on it.
 * Units      mm, g, C, W/K, ohm as named; shares are 0..1. */
#ifndef TINLATCH_BOARD_H
#define TINLATCH_BOARD_H

#include "tinlatch/bench.h"
#include "tinlatch/limits.h"

enum { BOARD_PARTS = 24, BOARD_JOINTS = 4, JOINT_SEGMENTS = 8, BOARD_LAYERS = 2 };

enum board_flux { FLUX_DRY, FLUX_WET };

enum board_layer { LAYER_LOWER, LAYER_UPPER }; /* lower touches the insert */

/* One of the two boards of the stack (a single board has only `lower`). */
struct board_slab {
    bool present;
    double length_mm, width_mm, thick_mm;
    double copper_share; /* of the thickness, 0..1 */
    double parts_g;      /* mass of small parts not named below */
};

struct board_part {
    char name[BENCH_NAME];
    enum board_layer on;
    double x_mm, y_mm;           /* centre, from the layer's lower left corner */
    double length_mm, width_mm, thick_mm;
    double max_c;                /* body limit, 0 = not stated */
    char rail[BENCH_NAME];       /* the rail it hangs on, "" = none */
};

/* What a part's body bears at most: what the board file states, else the class that J-STD-020 (D and later, table 4-2)
 * gives a lead-free package of its thickness and volume. No hotter than that; and no hotter than BOARD_NEAR_K below it
 * for longer than BOARD_NEAR_S (table 5-2 with its note 2). */
enum { BOARD_NEAR_K = 5, BOARD_NEAR_S = 30 };
double board_part_bears_c(const struct board_part *part);

/* An alloy as the joints use it (values: lua/alloys.lua, with sources). */
struct alloy {
    char name[BENCH_NAME];
    double solidus_c, liquidus_c;
    double latent_j_g, density_g_cm3, cp_j_gk, k_w_mk;
};

/* A joint, or a ring of them, that melts as one thing for the recipe ("frame"). */
struct board_joint {
    char name[BENCH_NAME];
    struct alloy alloy;
    double mass_g;      /* solder, all segments together */
    double contact_w_k; /* through all segments together, solid or molten, both sides */
    int32_t segments;   /* 1 .. JOINT_SEGMENTS, anticlockwise from the side nearest x = 0 */
    double share[JOINT_SEGMENTS]; /* of mass and contact, sums to 1; an uneven contact below makes the far ones late */
    char part[BENCH_NAME]; /* "" = joins lower and upper board; else joins that part to its board */
};

struct board_rail {
    struct rail_limits limits;
    double healthy_ohm;  /* resistance to ground when nothing is wrong */
    double diode_v;      /* diode-mode reading when healthy */
    double idle_a;       /* drawn at nominal volts before the prompt */
    double short_ohm;    /* of the demo's fault board-short */
    char short_part[BENCH_NAME]; /* the part that is shorted, and gets hot */
};

struct board {
    char name[BENCH_NAME], title[64], revision[16]; /* revision "": none is stated */
    struct board_slab slab[BOARD_LAYERS];
    int32_t part_count;
    struct board_part part[BOARD_PARTS];
    int32_t joint_count;
    struct board_joint joint[BOARD_JOINTS];
    int32_t rail_count;
    struct board_rail rail[BENCH_RAILS];
    struct limits limits; /* what the board file states, with its rails */
    int32_t flux;          /* enum board_flux, between insert and board */
    double contact_spread; /* 0..1: how unevenly the lower board touches the insert, side x = 0 best */
    double contact_tolerance, mass_tolerance; /* 0..1: a rehearsal draws within these */
};

#endif
