/* SPDX-License-Identifier: MIT */
/* plan - what the files of the network share: grid.c builds it, hands.c changes it, plan.c lays it out
 * for solve.c, which runs it. */
#ifndef TINLATCH_PLAN_H
#define TINLATCH_PLAN_H

#include "tinlatch/thermal.h"

/* Wider vectors where the machine has them; every cell is worked out alike, so no bit differs. Sanitizers are not up
 * yet when the choice is made. */
#if defined __SANITIZE_ADDRESS__
#define SANITIZED 1
#elif defined __has_feature
#define SANITIZED __has_feature(address_sanitizer)
#else
#define SANITIZED 0
#endif
#if defined __x86_64__ && defined __GLIBC__ && defined __OPTIMIZE__ && !SANITIZED
#define WIDE __attribute__((target_clones("avx2", "default")))
#else
#define WIDE
#endif

/* Convection and radiation of a hot face in a draft, W/m2K: the straight part of a loss. */
#define EASE_W_M2K  30.0

#define MOST_STEP_S 0.1
/* The factors do not commute: at first a step is so many times as long as the quickest node follows its neighbours in
 * the grid, and within which it follows those it has by loose links. Hardly any board needs shorter ones; the guard in
 * solve.c finds those that do. */
#define BEARS_GRID   100.0
#define BEARS_LOOSE  10.0
#define BEARS_COARSE 40.0
/* Besides the families: the losses, and three of a box. */
#define FACTORS 4

/* After any change of what is there: families, faces, temperatures. */
void plan_make(struct thermal *thermal);
/* The factors for steps of dt_s; keeps those that still fit. */
void plan_factor(struct thermal *thermal, double dt_s, bool pinned);
/* The straight part of face i's loss. */
double straight_w_k(const struct thermal *thermal, int i);
/* The quickest node, and the seconds within which it follows its neighbours; loose: only those by loose links. */
double plan_stiffest(const struct thermal *thermal, bool loose, int *node);
/* Once: the convection table for this room. */
void plan_air(struct thermal *thermal);
/* temp_c from heat_j, every node. */
void plan_temps(const struct thermal *thermal, const double *heat_j, double *temp_c);
/* What melts or freezes at heat_j, and its temperature; says whether any changed since. */
bool plan_phases(struct thermal *thermal);
/* In memory: where everything lies, for so many of each. Returns the bytes; memory NULL: only those. */
size_t lay_out(struct thermal *thermal, void *memory, int nodes, int links);

/* box.c: what of it is there, and how many cells; what they gain from each other, in W, added at the foot; its factors,
 * for steps of 2 half_s. */
void box_make(struct thermal *thermal);
int box_cells(const struct thermal_box *box);
void box_flows(const struct thermal_box *box, const double *temp_c, double *gains_w);
void box_factor(struct thermal *thermal, double half_s);
/* x becomes the solution along x, from J to K; along y; and of the columns, what the foot carries being solved between
 * the two. */
void box_along(const struct thermal *thermal, double *x);
void box_across(const struct thermal *thermal, double *x);
void box_down(const struct thermal *thermal, double *x);
void box_up(const struct thermal *thermal, double *x);
/* Adds how quickly each cell follows its neighbours, 1/s. */
void box_quickness(const struct thermal *thermal, double *own);

/* grid.c: index of the part that a joint names, -1 = none. */
int part_of_joint(const struct board *board, const struct board_joint *joint);
/* grid.c: refuses a board with a node that follows its neighbours within LEAST_LAG_S: nothing is that quick. */
#define LEAST_LAG_S 0.0025
int board_stiff(const struct board *board, struct tl_error *error);
/* check.c */
int setup_check(const struct thermal_setup *setup, struct tl_error *error);
/* hands.c: a node comes, at room temperature; goes, with what it holds. */
void node_appear(struct thermal *thermal, int node);
void node_vanish(struct thermal *thermal, int node);

#endif
