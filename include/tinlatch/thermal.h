/* SPDX-License-Identifier: MIT */
/* thermal - heat in plate, insert, boards, parts and joints. Pure maths, no randomness.
 *
 * A network of heat capacities and conductances; joints store their latent heat by the enthalpy
 * method (the state of every node is its heat content, temperature follows from it). The world runs
 * it with its own drawn constants, the live estimate with nominal ones.
 *
 * Ownership  struct thermal is the caller's storage (about 25 KiB), plain, copyable.
 * Never      allocates, does I/O, or loses energy: stored = put in - lost, to rounding.
 * Fails      thermal_init: TL_FULL, TL_RANGE, TL_UNKNOWN with the sentence. thermal_step cannot.
 * Units      C, s, W, J, W/K, J/K. */
#ifndef TINLATCH_THERMAL_H
#define TINLATCH_THERMAL_H

#include "tinlatch/bench.h"
#include "tinlatch/board.h"
#include "tinlatch/err.h"

enum {
    THERMAL_NODES = 72,
    THERMAL_LINKS = 256,
    SLAB_CELLS = 4,
    THERMAL_MELTING = BOARD_JOINTS * JOINT_SEGMENTS,
    THERMAL_FLUX = 321, /* free convection is tabulated every 2 K up to 640 K above the room */
};

/* A tip taped to a board reads this share of the rise above the room; common practice, no source. */
#define THERMAL_TAPED_TIP 0.99

/* No hot air, iron or lamp brings more than this into a board. */
#define THERMAL_HAND_W 2000.0

/* What is drawn per world; all 1 and room_c = 25 for the nominal one. */
struct thermal_setup {
    struct plate plate;
    struct insert insert; /* capacity 0: none fitted, a board lies on the table */
    const struct board *board; /* NULL: empty plate */
    double room_c;
    double contact_factor, mass_factor;
    bool upper_present, joints_present; /* as the board is laid down */
};

/* What acts from outside during a step. */
struct thermal_input {
    double heater_w;     /* into the element */
    double fan;          /* 0..1 */
    double draft;        /* factor on free convection, 1 = still air */
    double rail_w;       /* heat of a shorted part ... */
    int rail_part;       /* ... its index, -1 = spread over the lower board */
    double hand_w;       /* hot air or iron, on part hand_part (-1: spread over the top) */
    int hand_part;
};

struct thermal_node {
    double capacity_j_k; /* of the solid; liquid alike */
    double latent_j, solidus_c, liquidus_c; /* latent 0: none */
    double loss_w_k;     /* extra fixed loss to the room */
    double area_m2;      /* free convection and radiation */
    double emissivity;
    double fan_w_k;      /* added at full fan */
    bool in_gap;         /* between the boards: sees no air while the upper one is on */
    bool there;          /* takes part */
};

struct thermal_link {
    int from, to;
    double w_k;
    bool there;
};

/* The network as the inner loop wants it: only what takes part, made anew after every hand. */
struct thermal_plan {
    int links;
    uint8_t from[THERMAL_LINKS], to[THERMAL_LINKS];
    double w_k[THERMAL_LINKS];
    double k_per_j[THERMAL_NODES]; /* 1 / capacity; 0 for what is not there */
    int melting;
    uint8_t melt[THERMAL_MELTING];
    double solid_j[THERMAL_MELTING], liquid_j[THERMAL_MELTING]; /* content where melting begins, ends */
    double solidus_c[THERMAL_MELTING], mushy_k_per_j[THERMAL_MELTING], latent_j[THERMAL_MELTING];
    int faces;
    uint8_t face[THERMAL_NODES];
    double face_air[THERMAL_NODES];  /* m2: free convection */
    double face_sky[THERMAL_NODES];  /* W/K4: radiation */
    double face_w_k[THERMAL_NODES], face_fan_w_k[THERMAL_NODES];
    double flux_w_m2[THERMAL_FLUX]; /* by temperature above the room */
    double sky_k4;
};

struct thermal {
    struct thermal_plan plan;
    int nodes, links;
    struct thermal_node node[THERMAL_NODES];
    struct thermal_link link[THERMAL_LINKS];
    double heat_j[THERMAL_NODES]; /* content above 0 C solid */
    double temp_c[THERMAL_NODES]; /* follows from heat_j */
    double room_c;
    double put_j, lost_j;         /* balance since init, contents removed by lifting included in lost_j */
    double step_s;                /* largest stable and accurate inner step */
    int element, plate, insert;   /* node numbers */
    int slab[BOARD_LAYERS][SLAB_CELLS]; /* -1 = none */
    int part[BOARD_PARTS];
    int segment[BOARD_JOINTS][JOINT_SEGMENTS];
    int part_count, joint_count, segments[BOARD_JOINTS];
    int joint_part[BOARD_JOINTS]; /* the part it holds; -1 = it joins the boards */
    bool placed, upper_on, pressed;
    double dry_contact_w_k;       /* insert to board as placed, before pressing */
    double air_length_m;          /* area / perimeter of the boards, for free convection */
};

/* Is this a board that can be? The token of the error names the layer ("lower"), the part or the joint. */
int thermal_check_board(const struct board *board, struct tl_error *error);

int thermal_init(struct thermal *thermal, const struct thermal_setup *setup,
                 struct tl_error *error);

/* What hands do. place: the board, at room temperature, onto the insert; when it lies there without
 * its upper board, that one. lift_upper: takes the upper board away; returns the share of the joint's
 * solder that was still solid (0: it came clean). lift_part: the same for a part. remove: takes all
 * that lies on the insert. lift: whichever of the three a hand takes: that part, else (part -1) the
 * upper board while it is on, else all. press and release change the contacts. */
void thermal_place(struct thermal *thermal);
double thermal_lift_upper(struct thermal *thermal);
double thermal_lift_part(struct thermal *thermal, int part);
void thermal_remove(struct thermal *thermal);
double thermal_lift(struct thermal *thermal, int part);
void thermal_press(struct thermal *thermal, bool pressed);

/* Advance by dt_s (any length; inner steps are taken as needed), second order in time. */
void thermal_step(struct thermal *thermal, const struct thermal_input *input, double dt_s);

/* The same with the plate node held at plate_c throughout: how the live estimate is driven. */
void thermal_step_pinned(struct thermal *thermal, const struct thermal_input *input,
                         double plate_c, double dt_s);

/* Seconds until the joint is wholly molten (`molten`) or wholly solid under a constant input, with
 * the plate held where it is (`pinned`) or left to itself; 0 = it is, -1 = not within horizon_s.
 * Coarse (steps of seconds by a stabilised explicit scheme) and cheap enough to ask once a second. */
double thermal_foresee(const struct thermal *thermal, const struct thermal_input *input, bool pinned,
                       int joint, bool molten, double horizon_s);

/* dH/dt of every node at heat contents `heat_j`: the equations themselves, for reference solvers. */
void thermal_rates(const struct thermal *thermal, const struct thermal_input *input,
                   const double *heat_j, double *watts);

/* Moves what lies on the insert by add_k, counted as put in: how an observer corrects its model. */
void thermal_nudge_board(struct thermal *thermal, double add_k);

/* Temperature of a node holding heat_j, and its molten share (0..1; 0 without latent heat). */
double thermal_temp_of(const struct thermal_node *node, double heat_j);
double thermal_molten_of(const struct thermal_node *node, double heat_j);
double thermal_heat_of(const struct thermal_node *node, double temp_c); /* solid up to solidus, liquid from liquidus */

double thermal_plate_c(const struct thermal *thermal);
/* Where a board sensor touches: the top of what lies on the insert, far cell; room if nothing does. */
double thermal_board_c(const struct thermal *thermal);
double thermal_part_c(const struct thermal *thermal, int part);
double thermal_joint_coldest_c(const struct thermal *thermal, int joint);
double thermal_joint_hottest_c(const struct thermal *thermal, int joint);
double thermal_joint_molten(const struct thermal *thermal, int joint); /* share of the whole, 0..1 */
double thermal_stored_j(const struct thermal *thermal);

/* Free convection, upper hot face of a horizontal plate, Nu = 0.54 Ra^(1/4) (McAdams; Incropera
 * eq. 9.30), air at the film temperature. W/m2K; length_m = area / perimeter. */
double thermal_convection_w_m2k(double surface_c, double room_c, double length_m);

/* In-plane and through conductivity of laminate with copper_share (0..1) of copper, parallel and
 * series rule (FR-4 0.9 in plane, 0.3 through; copper 395 W/mK). */
double thermal_in_plane_w_mk(double copper_share);
double thermal_through_w_mk(double copper_share);

#endif
