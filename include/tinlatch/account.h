/* SPDX-License-Identifier: MIT */
/* account - the plate's energy balance: between which temperatures it can be by what went into it.
 *
 * Two bounds of its reading are carried along. The low one has weak mains, the heaviest board cold and firmly on, a fan
 * in an open window; the high one strong mains, no load, still warm air. Each is a chain of lags and capacities in
 * which more heat, or a hotter neighbour, never makes anything colder; so what starts below stays below.
 *
 * A reading raises the low bound: what slips off a plate reads colder than the plate, never hotter. It draws the high
 * one down only slowly, over ACCOUNT_DRAW_S: a bound that followed it at once could never be passed.
 *
 * Ownership  struct account is the caller's storage; account_init comes first.
 * Never      allocates, does I/O, or reads a clock.
 * Fails      it cannot: while nothing is read the bounds go on by what is fed.
 * Units      C, s, W inside; temp_mc at its edges. Shares are of full power, or of full fan. */
#ifndef TINLATCH_ACCOUNT_H
#define TINLATCH_ACCOUNT_H

#include "tinlatch/bench.h"

#define ACCOUNT_DRAW_S 40.0

/* A way in which the plate can be, at its worst. */
struct account_bound {
    double element_w; /* what leaves the element */
    double block_c, insert_c, board_c;
    double sensor_c;  /* what a seated sensor shows of the block */
    double rate_c_s;  /* the block's, last */
};

struct account {
    struct plate plate;
    struct insert insert;
    double room_c;
    bool running, fed;
    int64_t stepped_ms;
    struct account_bound low, high;
    double low_room_c;
    double anchor_c;                           /* where a reading last raised the low bound */
    struct account_bound still_low, still_high; /* from where the first sensor's reading last changed */
    int32_t still_mc;
    /* what the plate loses by its readings, its fan left out, in watts of nominal mains */
    double element_w, model_c, shown_c, lost_w;
    double guessed;                            /* how far apart what is fed at least and at most has been */
    double still_k, still_s;                   /* how far that would have moved it since, and how long that is */
    int32_t finest_mc;                         /* the smallest step seen */
    bool leading;                              /* a climb from cold is watched ... */
    int32_t lead_from_mc;                      /* ... from this distance between board and plate, ... */
    int32_t climbed_mc;                        /* ... the plate at its hottest since */
};

struct account_input {
    bool plate_read, first_read, board_read;
    bool board_fed;   /* from the supply: it warms by itself */
    int32_t plate_mc; /* what counts */
    int32_t first_mc; /* its first sensor */
    int32_t least_mc; /* the lowest of the plate's sensors */
    int32_t board_mc;
    double duty_low, duty_high; /* since the last step, at least and at most */
    double fan;                 /* at most */
    enum hand hand;
};

void account_init(struct account *account, const struct plate *plate, const struct insert *insert,
                  double room_c);
/* Nothing is known of what went before: the next step begins anew, at its reading. */
void account_restart(struct account *account);
/* To t_ms. The reading is QUALITY_NONE until a plate has been read. */
void account_step(struct account *account, const struct account_input *in, int64_t t_ms,
                  struct account_reading *out);

#endif
