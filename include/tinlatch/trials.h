/* SPDX-License-Identifier: MIT */
/* trials - many rehearsals of one recipe: constants drawn within the tolerances of board and bench, faults at drawn instants.
 *
 * Ownership  trials_new allocates, trials_free frees; the setup stays the caller's, and must outlive the trials.
 * Never      lets a draw depend on another, on the number of processes or on time: draw i is the rehearsal with seed
 *            `seed + i` and the faults that stand in it, and nothing else.
 * Fails      TL_SYSTEM: no memory, no process, or one that died; TL_ENDED: stopped by the flag of the rehearsal's setup.
 * Units      C, K, s of bench time; NAN = not known. */
#ifndef TINLATCH_TRIALS_H
#define TINLATCH_TRIALS_H

#include "tinlatch/rehearse.h"
#include "tinlatch/world.h"

enum { TRIALS_DRAWS = 299, TRIALS_MOST = 100000, TRIALS_JOBS = 64, TRIAL_MELTS = 8, TRIAL_FAULTS = 2 };

enum trial_verdict {
    TRIAL_FINE,    /* done; with faults about: an everyday draw that tripped nothing */
    TRIAL_CAUGHT,  /* its fault was seen, in time, by a rule that the fault's row names; of two: by any rule */
    TRIAL_UNSEEN,  /* no rule saw its fault, and none had to */
    TRIAL_FAILED,  /* without faults: not done, or a part too hot; with: it could not be played to its end */
    TRIAL_OTHER,   /* a rule tripped that the fault's row does not name */
    TRIAL_MISSED,  /* a rule had to see its fault and did not, or too late */
    TRIAL_FALSE,   /* a rule tripped and nothing was broken */
    TRIAL_VERDICTS
};

/* What is kept of a draw: its run without curve and events. */
struct trial {
    bool played;
    uint64_t seed;
    int fault_count;
    struct trial_fault {
        int32_t which; /* index into world_faults */
        double at_s;
    } fault[TRIAL_FAULTS]; /* the first to strike first */
    enum outcome outcome;
    enum trial_verdict verdict;
    bool tripped;
    enum rule_id rule;
    double trip_s, recipe_s, duration_s;
    double shows_s; /* since when a rule had to see a fault, of all its shows the one that led to the verdict */
    double peak_true_c, over_set_k, over_ceiling_k; /* true plate, from the first fault on; negative = below */
    int32_t melt_count, margin_count;
    struct run_melt melt[TRIAL_MELTS];
    double window_s[TRIAL_MELTS]; /* from its last place molten to its first frozen, or until it was lifted; NAN = neither */
    struct run_margin margin[RUN_MARGINS];
    char text[BENCH_TEXT]; /* the error or the trip, "" = none */
};

struct trials_setup {
    struct rehearse_setup rehearsal; /* its seed is that of draw 0; its faults are in every draw */
    int32_t draws;
    int jobs;    /* processes at once; 0 = one for each processor */
    int faults;  /* so many, at most TRIAL_FAULTS, in every second draw, the others what happens at a bench every day */
};

struct trials {
    int32_t draws, period_ms;
    struct trial *trial;
    struct run *first; /* draw 0 without a fault: title, board, limits */
    size_t bytes;      /* mapped */
};

/* Plays all of them. With *first not fit to be run (RUN_INVALID, RUN_REFUSED, RUN_DEVICE, or killed) draws is 0. */
int trials_new(struct trials *trials, const struct trials_setup *setup, struct tl_error *error);
void trials_free(struct trials *trials);

bool trial_failed(const struct trial *trial);
const char *trial_verdict_name(enum trial_verdict verdict);

/* The share of all draws that goes well, at least, with 95 % confidence, after none of `draws` has failed: 0.05^(1/draws). */
double trials_safe_share(int32_t draws);

/* What the guard has to see by. */
struct trial_bench {
    bool two_sensors; /* the plate has a second one */
    bool feed_known;  /* the guard knows what the plate is fed */
};

/* What became of a run with the trial's faults. */
void trial_judge(struct trial *trial, const struct run *run, struct trial_bench bench, bool faults);

#endif
