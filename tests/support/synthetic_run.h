/* SPDX-License-Identifier: MIT */
/* synthetic_run - a made-up rehearsal for the tests of reports: the shape of a split, no physics. */
#ifndef TINLATCH_TESTS_SYNTHETIC_RUN_H
#define TINLATCH_TESTS_SYNTHETIC_RUN_H

#include <math.h>
#include <stdio.h>

#include "tinlatch/run.h"

static inline double synthetic_plate_c(double t_s)
{
    if (t_s < 70)
        return 22 + 98 * t_s / 70;
    if (t_s < 110)
        return 120;
    if (t_s < 150)
        return 120 + 52 * (t_s - 110) / 40;
    if (t_s < 300)
        return 172;
    return 22 + 150 * exp(-(t_s - 300) / 190);
}

/* What follows the plate late, `lag_s` behind. */
static inline double synthetic_behind_c(double t_s, double lag_s)
{
    double sum = 0;
    for (int i = 0; i < 40; i++)
        sum += synthetic_plate_c(fmax(t_s - lag_s * i / 20, 0));
    return sum / 40;
}

static inline void synthetic_stage(struct run *run, const char *name, double start_s, double end_s,
                                   double peak_c)
{
    struct run_stage *stage = &run->stage[run->stage_count++];
    snprintf(stage->name, sizeof stage->name, "%s", name);
    stage->start_s = start_s;
    stage->end_s = end_s;
    stage->peak_c = peak_c;
}

static inline void synthetic_margin(struct run *run, const char *limit, double value, double worst,
                                    enum unit unit, int layer, int line)
{
    struct run_margin *margin = &run->margin[run->margin_count++];
    snprintf(margin->limit, sizeof margin->limit, "%s", limit);
    margin->value = value;
    margin->worst = worst;
    margin->unit = unit;
    margin->layer = layer;
    margin->line = line;
}

static inline void synthetic_run(struct run *run)
{
    *run = (struct run){.outcome = RUN_DONE,
                        .recipe = "recipes/stack-split.lua",
                        .title = "Split the two-board stack",
                        .board = "hx210",
                        .bench = "demo",
                        .seed = 1,
                        .duration_s = 650,
                        .recipe_s = 620,
                        .wall_s = 0.041,
                        .peak_true_c = 173.2,
                        .peak_read_c = 172.4,
                        .peak_board_c = 158.8,
                        .cool_c_s = 0.9,
                        .worst_case_s = 2120,
                        .worst_case_heat_s = 880,
                        .rehearsed = true,
                        .driven = true,
                        .asked_ramp_c_s = 1.5,
                        .best_ramp_c_s = 1.61,
                        .point_every_s = 1,
                        .record = "/home/x/runs/1.jsonl"};
    run->limits = *limits_built_in();
    run->limits.uses_plate = run->limits.has_board = run->limits.has_plate_2 = true;
    run->limits.plate_mc = 190000;
    run->limits.board_mc = 230000;
    run->limits.ramp_mc_s = 2500;
    run->limits.heat_time_ms = 900000;
    run->origins.of[LIMIT_plate_mc] = (struct limit_origin){LAYER_RECIPE, 0};
    run->origins.of[LIMIT_board_mc] = (struct limit_origin){LAYER_BOARD, 0};
    run->origins.of[LIMIT_ramp_mc_s] = (struct limit_origin){LAYER_BENCH, 75};
    run->origins.of[LIMIT_heat_time_ms] = (struct limit_origin){LAYER_RECIPE, 0};
    for (int t = 0; t <= 650; t++) {
        double plate_c = synthetic_plate_c(t);
        run_add_point(run, &(struct run_point){
                               .t_s = (float)t,
                               .plate_c = (float)plate_c,
                               .plate_read_c = (float)(synthetic_behind_c(t, 2) - 1.2),
                               .board_c = t < 20 ? NAN : (float)(synthetic_behind_c(t, 30) - 10),
                               .joint_c = t < 20 ? NAN : (float)(synthetic_behind_c(t, 45) - 14),
                               .target_c = t < 70    ? 120
                                           : t < 110 ? 120
                                           : t < 300 ? 172
                                                     : NAN});
    }
    synthetic_stage(run, "Preheat", 0, 110, 120.4);
    synthetic_stage(run, "Melt", 110, 250, 172.4);
    synthetic_stage(run, "Lift", 250, 300, 172.1);
    synthetic_stage(run, "Cool", 300, 620, 172.0);
    struct run_melt *melt = &run->melt[run->melt_count++];
    *melt =
        (struct run_melt){.joint = "frame", .at_s = 246, .true_first_s = 205, .true_last_s = 238};
    snprintf(melt->how, sizeof melt->how,
             "live estimate of its coldest place above 140 C for 8 s; a person confirms");
    run->joint[run->joint_count++] =
        (struct run_joint){.joint = "frame",
                           .first_s = 205,
                           .last_s = 238,
                           .freezes_s = NAN,
                           .solid_s = NAN,
                           .lifted_s = 253,
                           .liquid_s = 48,
                           .tenth_s = {207, 210, 213, 216, 219, 223, 227, 231, 235, 238},
                           .segments = 8,
                           .first_segments = 1,
                           .last_segments = 1 << 4};
    run->part[run->part_count++] =
        (struct run_part){.part = "U1", .peak_c = 163.1, .ramp_c_s = 1.12};
    run->lateral_k = 27;
    synthetic_margin(run, "plate", 190, 172.4, UNIT_TEMP, LAYER_RECIPE, 0);
    synthetic_margin(run, "processor body", 245, 163.1, UNIT_TEMP, -1, 0);
    synthetic_margin(run, "board", 230, 158.8, UNIT_TEMP, LAYER_BOARD, 0);
    synthetic_margin(run, "ramp", 2.5, 1.61, UNIT_RAMP, LAYER_BENCH, 75);
    synthetic_margin(run, "heat time", 900, 300, UNIT_TIME, LAYER_RECIPE, 0);
    run_sort_margins(run);
    run_add_event(run, 4, 16, "do", "Shield lids off? Lay the board in the insert, arms down.");
    run_add_event(run, 18, 0, "yes", "");
    run_add_event(run, 246, 22, "melt", "frame");
    run_add_event(run, 250, 24, "do",
                  "Nudge: it moves and springs back? Lift the top board straight up, then press.");
    run_add_event(run, 262, 0, "yes", "");
    run_add_event(run, 300, 27, "tell", "Hands off until the beep.");
}

#endif
