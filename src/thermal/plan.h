/* SPDX-License-Identifier: MIT */
/* plan - between grid.c, which builds the network, and solve.c, which runs it. */
#ifndef TINLATCH_PLAN_H
#define TINLATCH_PLAN_H

#include "tinlatch/thermal.h"

/* The midpoint rule is stable while dt |lambda| < 2; step_s keeps it at this. */
#define STABLE 1.6

/* After any change of what is there: link flags, plan, temperatures, step_s. */
void plan_make(struct thermal *thermal);
/* Once: the convection table for this room. */
void plan_air(struct thermal *thermal);
/* temp_c from heat_j, every node. */
void plan_temps(const struct thermal *thermal, const double *heat_j, double *temp_c);

#endif
