/* SPDX-License-Identifier: MIT */
/* plan - what the files of the network share: grid.c builds it, hands.c changes it, plan.c lays it out
 * for solve.c, which runs it. */
#ifndef TINLATCH_PLAN_H
#define TINLATCH_PLAN_H

#include "tinlatch/thermal.h"

/* The midpoint rule is stable while dt |lambda| < 2; step_s keeps it at this. */
#define STABLE 1.6

/* After any change of what is there: link flags, plan, temperatures, step_s. */
void plan_make(struct thermal *thermal);
/* The quickest node, and the seconds within which it follows its neighbours. */
double plan_stiffest(const struct thermal *thermal, int *node);
/* Once: the convection table for this room. */
void plan_air(struct thermal *thermal);
/* temp_c from heat_j, every node. */
void plan_temps(const struct thermal *thermal, const double *heat_j, double *temp_c);

/* grid.c: index of the part that a joint names, -1 = none. */
int part_of_joint(const struct board *board, const struct board_joint *joint);
/* grid.c: refuses a board whose quickest node asks for steps below LEAST_STEP_S. */
#define LEAST_STEP_S 0.002
int board_stiff(const struct board *board, struct tl_error *error);
/* check.c */
int setup_check(const struct thermal_setup *setup, struct tl_error *error);
/* hands.c: a node comes, at room temperature; goes, with what it holds. */
void node_appear(struct thermal *thermal, int node);
void node_vanish(struct thermal *thermal, int node);

#endif
