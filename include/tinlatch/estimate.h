/* SPDX-License-Identifier: MIT */
/* estimate - the joints nobody can see, from the sensors everybody can: the thermal model with
 * nominal constants, driven by the plate's reading and corrected by the board's.
 *
 * Advisory: shown, recorded, used by wait_for_melt; no interlock reads it.
 *
 * Ownership  struct estimate is the caller's storage.
 * Never      sees the world; claims to see melting in a plateau (the latent heat of such joints is a
 *            few joules, about 0.3 K on a board).
 * Fails      estimate_init as thermal_init; board NULL: TL_MISSING. An unreadable plate reading freezes the estimate; `frozen` tells.
 * Units      as in wire.h and bench.h. */
#ifndef TINLATCH_ESTIMATE_H
#define TINLATCH_ESTIMATE_H

#include "tinlatch/bench.h"
#include "tinlatch/board.h"
#include "tinlatch/thermal.h"
#include "tinlatch/wire.h"

/* The same board with its nominal constants, and at either end of its tolerances: between these two, what nobody can
 * see will happen. */
enum estimate_bound { ESTIMATE_LIKELY, ESTIMATE_EARLY, ESTIMATE_LATE, ESTIMATE_BOUNDS };

struct estimate_model {
    struct thermal thermal;
    double board_seen_c; /* the board sensor as this one would read it */
};

struct estimate {
    struct estimate_model model[ESTIMATE_BOUNDS];
    struct plate plate;
    const struct board *board;
    int64_t stepped_ms;
    bool started, frozen;
    double fan;
    double hand_w;
    int hand_part;
    /* the plate behind its lagging sensor: smoothed reading and slope */
    double seen_c, slope_c_s;
    int64_t believe_board_ms; /* from when on the board's sensor may be believed again */
};

/* `board` must outlive the estimate. A board sensor that is read corrects all three models. */
int estimate_init(struct estimate *estimate, const struct plate *plate,
                  const struct insert *insert, const struct board *board, double room_c,
                  struct tl_error *error);

/* A hand acted: the same calls the world gets. part: index, -1 = the upper board. */
void estimate_hand(struct estimate *estimate, enum hand hand, int part);
void estimate_hot_air(struct estimate *estimate, double watts, int part);

/* Follow the bench to the snapshot's instant. */
void estimate_step(struct estimate *estimate, const struct wire_snapshot *snapshot);

/* A joint now, and the forecast: melt_ms with the plate held as it reads, solid_ms with heat off
 * from now (looks up to 10 minutes ahead; costs a coarse run, so ask every few seconds). */
void estimate_joint(const struct estimate *estimate, int joint, bool forecast,
                    struct wire_joint *out);

/* The coldest place of a joint by one of the three. */
double estimate_coldest_c(const struct estimate *estimate, enum estimate_bound bound, int joint);

#endif
