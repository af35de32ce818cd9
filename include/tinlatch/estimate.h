/* SPDX-License-Identifier: MIT */
/* estimate - the joints nobody can see, from the sensors everybody can: the thermal model, driven by the plate's
 * reading; from the board's it learns in what this board, bench and tip differ from the nominal ones.
 *
 * Advisory: shown, recorded, used by wait_for_melt; no interlock reads it.
 *
 * Ownership  struct estimate is the caller's storage.
 * Never      sees the world; claims to see melting in a plateau (the latent heat of such joints is a
 *            few joules, about 0.3 K on a board).
 * Fails      estimate_init as thermal_init; board NULL: TL_MISSING. An unreadable plate reading freezes the
 *            estimate; `frozen` tells.
 * Units      as in wire.h and bench.h. */
#ifndef TINLATCH_ESTIMATE_H
#define TINLATCH_ESTIMATE_H

#include "tinlatch/bench.h"
#include "tinlatch/board.h"
#include "tinlatch/thermal.h"
#include "tinlatch/wire.h"

/* What comes of it most likely, and what at either end of what is still not known: between these two, what nobody
 * can see will happen. */
enum estimate_bound { ESTIMATE_LIKELY, ESTIMATE_EARLY, ESTIMATE_LATE, ESTIMATE_BOUNDS };

/* What differs from board to board, bench to bench and tip to tip, each -1 to 1 of its tolerance; not known, but
 * between all readings only some of it can be. */
enum estimate_unknown {
    UNKNOWN_CONTACT, /* insert to board */
    UNKNOWN_MASS,    /* of the board */
    UNKNOWN_PLATE,   /* how much hotter the plate is than it reads */
    UNKNOWN_ROOM,
    UNKNOWN_TIP,     /* how much more the board's tip reads: by so many K ... */
    UNKNOWN_TAPE,    /* ... and by such a share of the rise */
    UNKNOWNS,
};

/* The nominal model, and others in which something lies off by the whole of its tolerance: between them a parabola,
 * for contact and mass have far to go. */
enum estimate_off {
    OFF_CONTACT_MORE, OFF_CONTACT_LESS, OFF_MASS_MORE, OFF_MASS_LESS, OFF_BOTH_MORE, OFF_PLATE, OFF_ROOM, ESTIMATE_OFF,
};

struct estimate_model {
    struct thermal thermal;
    double board_seen_c; /* the board sensor as this one would read it */
};

/* A joint at a bound. */
struct estimate_look {
    double share[ESTIMATE_OFF]; /* of each off model ... */
    double shift_k;             /* ... and what no unknown within its tolerance gives */
    double coldest_c, hottest_c, molten;
};

struct estimate {
    struct estimate_model nominal, off[ESTIMATE_OFF];
    struct estimate_model slowest; /* a board that only just lies flat; no reading of it moves this one */
    double unknown[UNKNOWNS], spread[UNKNOWNS][UNKNOWNS]; /* as learned so far; their covariance */
    struct estimate_look look[BOARD_JOINTS][ESTIMATE_BOUNDS];
    struct plate plate;
    const struct board *board;
    int64_t stepped_ms;
    bool started, frozen;
    double fan;
    double hand_w;
    int hand_part;
    /* the plate behind its lagging sensor: smoothed reading and slope */
    double seen_c, slope_c_s;
    double element_j; /* that it holds more than one as warm as the plate would: given up after heat-off */
    double rises_k; /* the plate, to a target that it has nearly reached */
    double waits_s, waits_c_s; /* for the next step: so long, and the integral of the plate's temperature */
    double slow_waits_s, slow_waits_c_s; /* the same for the slowest one, which goes in longer steps */
    int64_t believe_board_ms; /* from when on the board's sensor may be believed again */
};

/* `board` must outlive the estimate. From a board sensor that is read it learns. */
int estimate_init(struct estimate *estimate, const struct plate *plate,
                  const struct insert *insert, const struct board *board, double room_c,
                  struct tl_error *error);

/* A hand acted: the same calls the world gets. part: index, -1 = the upper board. */
void estimate_hand(struct estimate *estimate, enum hand hand, int part);
void estimate_hot_air(struct estimate *estimate, double watts, int part);

/* Follow the bench to the snapshot's instant. */
void estimate_step(struct estimate *estimate, const struct wire_snapshot *snapshot);

/* A joint now, and the forecast: melt_ms with the plate held as it reads (within 5 K below its target: at that),
 * solid_ms with heat off from now, either between its bounds (looks up to 10 minutes ahead; costs up to six coarse
 * runs, so ask every few seconds). */
void estimate_joint(const struct estimate *estimate, int joint, bool forecast,
                    struct wire_joint *out);

/* The coldest place of a joint at one of the bounds. */
double estimate_coldest_c(const struct estimate *estimate, enum estimate_bound bound, int joint);

/* What the board's sensor reads at least, in C, while the board lies flat and the tip on it: the model with the worst
 * contact, the heaviest board, a colder plate and room, a draft of three times still air, and the worst tip. False:
 * no board lies there, or its reading tells nothing yet (6 s after a hand laid it down or lifted something off it). */
bool estimate_board_least_c(const struct estimate *estimate, double *least_c);

/* The hottest, most likely. */
double estimate_hottest_c(const struct estimate *estimate, int joint);

#endif
