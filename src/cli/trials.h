/* SPDX-License-Identifier: MIT */
/* trials - what many draws come to, for text, JSON and picture alike. */
#ifndef TINLATCH_CLI_TRIALS_H
#define TINLATCH_CLI_TRIALS_H

#include "options.h"

enum { SPREADS = 5 * TRIAL_MELTS + 2, WORSTS = RUN_MARGINS };

/* Which axis of the picture a figure stands on. */
enum panel { PANEL_NONE, PANEL_TIME, PANEL_SLACK, PANELS };

/* A figure over the draws that have it. */
struct spread {
    enum panel panel;
    char name[BENCH_NAME + 40];
    enum unit unit;
    int32_t count;
    double *value; /* sorted */
};

struct worst {
    struct run_margin margin; /* the nearest of all draws */
    uint64_t seed;
};

struct figures {
    const struct trials *trials;
    const struct options *options;
    int32_t outcome[OUTCOMES], verdict[TRIAL_VERDICTS];
    int32_t failed;
    int spreads, worsts;
    struct spread spread[SPREADS];
    struct worst worst[WORSTS];
    double *store;
};

int figures_new(struct figures *f, const struct trials *trials, const struct options *options,
                struct tl_error *error);
void figures_free(struct figures *f);
/* The value below which this share of the draws lies. */
double spread_at(const struct spread *spread, double share);

/* The command line that plays this draw again. */
void trial_command(const struct options *options, const struct trial *trial, FILE *out);

/* Of one fault, or of all quiet draws. */
struct fault_tally {
    const char *name;
    int32_t runs, tripped, verdict[TRIAL_VERDICTS], by[RULES];
    double slowest_scans, median_scans; /* from when it shows to the trip; NAN = none */
    double over_set_k, over_ceiling_k;  /* the worst; NAN = no plate */
};
/* fault -1: draws in which nothing broke. */
void fault_tally(const struct figures *f, int fault, struct fault_tally *tally);

void trials_text(const struct figures *f, FILE *out);
void trials_json(const struct figures *f, enum outcome outcome, FILE *out);
void trials_svg(const struct figures *f, FILE *out);

#endif
