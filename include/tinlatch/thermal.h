/* SPDX-License-Identifier: MIT */
/* thermal - heat in plate, insert, boards, parts and joints. Pure maths, no randomness.
 *
 * Finite volumes: nodes with heat capacity, links with conductance. The layers are cut into cells, 4 along
 * x on the coarse grid, which the live estimate and a rehearsal use, or as fine as asked; joints store
 * their latent heat by the enthalpy method (the state of every node is its heat content, temperature
 * follows from it). One assembly and one solver whatever the grid. The world runs it with its own drawn
 * constants, the live estimate with nominal ones.
 *
 * Ownership  struct thermal is the caller's storage (about 48 KiB); it points into itself, so it is copied
 *            by thermal_copy alone. A finer grid lives in memory that the caller lends (thermal_bytes).
 * Never      allocates, does I/O, or loses energy: stored = put in - lost, to rounding.
 * Fails      thermal_init: TL_FULL, TL_RANGE, TL_UNKNOWN with the sentence. thermal_step cannot.
 * Units      C, s, W, J, W/K, J/K. */
#ifndef TINLATCH_THERMAL_H
#define TINLATCH_THERMAL_H

#include "tinlatch/bench.h"
#include "tinlatch/board.h"
#include "tinlatch/err.h"

enum {
    THERMAL_NODES = 72, /* of the coarse grid, at most */
    THERMAL_LINKS = 320,
    SLAB_CELLS = 4,     /* of a layer of the coarse grid */
    THERMAL_FAMILIES = 40,
    THERMAL_FLUX = 321, /* free convection is tabulated every 2 K up to 640 K above the room */
    THERMAL_OWN = 48 * 1024, /* bytes: the coarse grid's memory */
};

/* Of a finer grid. */
#define THERMAL_FINEST_MM   0.25
#define THERMAL_COARSEST_MM 10.0

/* A tip taped to a board reads this share of the rise above the room; common practice, no source. */
#define THERMAL_TAPED_TIP 0.99
#define THERMAL_TAPED_OFF 0.01 /* more or less; no source */

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
    double grid_mm; /* cells of about that length and width, five times as long as thick; 0: the coarse grid */
    void *memory;   /* thermal_bytes of it, as malloc aligns; must outlive the network. NULL: coarse */
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
    float x_mm, y_mm;    /* of a joint's place, on the lower board, or on the board of its part */
    bool in_gap;         /* between the boards: sees no air while the upper one is on */
    bool there;          /* takes part */
};

/* Along which axis a link lies; what lies across the grid is loose. */
enum thermal_axis { AXIS_X, AXIS_Y, AXIS_Z, AXIS_NONE };

/* The cells of a finer grid: insert, if one is fitted, and boards, plane on plane, x running fastest, then y. They have
 * no links: in a plane all cells conduct alike along x and along y. */
struct thermal_box {
    int first, nx, ny, nz;   /* its first node; nz 0: the coarse grid, which is links only */
    int foot;                /* the node that the lowest plane stands on, -1 = none */
    double *x_w_k, *y_w_k;   /* by plane, from the lowest up */
    double *down_w_k;        /* by cell: to the plane below, from the lowest one to the foot */
    /* the plan's */
    int planes;              /* that are there */
    bool melts;              /* something in it does */
    double *own[AXIS_NONE];  /* factors, by cell */
    double *x_per_w_s, *y_per_w_s, *down_per_w_s, foot_j_k;
};

struct thermal_link {
    int from, to;
    double w_k;
    enum thermal_axis axis;
    bool contact; /* board to insert: what pressing changes */
};

/* Links without a circle among them, in an order in which each `from` is done with when its link comes, so that
 * one pass to the roots and one back solve it. */
struct thermal_family {
    int first, count, first_root, roots;
    bool melts; /* something in it does */
};

/* The network as the inner loop wants it: only what takes part, made anew after every hand. */
struct thermal_plan {
    int links, families, roots, melting, faces, face_rows;
    int *from, *to, *root, *melt, *face, *face_row; /* a row of faces: their nodes follow each other */
    double *w_k;
    struct thermal_family family[THERMAL_FAMILIES];
    double *k_per_j, *j_per_k; /* of what is there, 0 else; while it melts, with its latent heat */
    double *watts;             /* work space */
    /* at these temperatures, if seen and with this fan and draft: what each node has from its neighbours */
    double *flow_w, seen_fan, seen_draft;
    bool seen;
    /* melting nodes: content where melting begins, ends, and before the last step; 0 solid, 1 melting, 2 molten */
    double *solid_j, *liquid_j, *mushy_k_per_j, *melt_was_j;
    int *phase;
    /* faces: m2 of free convection, W/K4 of radiation; what they did in the last step, and lose, if seen, in the next */
    double *face_air, *face_sky, *face_w_k, *face_fan_w_k, *face_moved_k, *face_eased_k;
    double *face_loss_w;
    /* steps: so short ones need no guard; longer ones than it trusts are cut; how many have gone well since */
    double sure_s, trusted_s;
    int went_well;
    /* factors, for steps of step_s with the plate held or not; 0 = none yet */
    double step_s;
    bool pinned, phases_moved;
    double *up, *own, *down, *root_own, *face_own, *face_frees;
    double flux_w_m2[THERMAL_FLUX]; /* by temperature above the room */
    double sky_k4;
    double most_steps, straight_k; /* never change; constants would make the compiler split the loop over the faces */
};

struct thermal {
    struct thermal_plan plan;
    int nodes, links, most_nodes, most_links;
    struct thermal_node *node;
    struct thermal_link *link;
    struct thermal_box box;
    double *heat_j; /* content above 0 C solid */
    double *temp_c; /* follows from heat_j */
    double room_c;
    double put_j, lost_j;         /* balance since init, contents removed by lifting included in lost_j */
    double most_step_s;           /* longer ones are cut up; 0.1 s from thermal_init */
    double bears_s;               /* so are steps longer than the splitting mostly bears */
    int element, plate;           /* node numbers */
    int insert, insert_cells;     /* the first of them, -1 = none */
    int cells_x, cells_y;         /* of every layer */
    int cells_z[BOARD_LAYERS];
    int slab[BOARD_LAYERS];       /* the first cell: x runs fastest, then y, then z; -1 = none */
    int part[BOARD_PARTS];
    int segment[BOARD_JOINTS][JOINT_SEGMENTS]; /* the first of its places */
    int places[BOARD_JOINTS];     /* in each segment; 1 on the coarse grid */
    int part_count, joint_count, segments[BOARD_JOINTS];
    int joint_part[BOARD_JOINTS]; /* the part it holds; -1 = it joins the boards */
    bool placed, upper_on, pressed;
    double air_length_m;          /* area / perimeter of the boards, for free convection */
    _Alignas(double) unsigned char own[THERMAL_OWN];
};

/* Is this a board that can be? The token of the error names the layer ("lower"), the part or the joint. */
int thermal_check_board(const struct board *board, struct tl_error *error);

/* What a finer grid's memory takes; 0 for the coarse one. setup->memory is not looked at. */
size_t thermal_bytes(const struct thermal_setup *setup);
int thermal_init(struct thermal *thermal, const struct thermal_setup *setup,
                 struct tl_error *error);
/* Of a coarse network. */
void thermal_copy(struct thermal *to, const struct thermal *from);

/* What hands do. place: the board, at room temperature, onto the insert; when it lies there without
 * its upper board, that one. lift_upper: takes the upper board away; returns the share of the joint's
 * solder that was still solid (0: it came clean). lift_part: the same for a part. remove: takes all
 * that lies on the insert. lift: whichever of the three a hand takes: that part, else (part -1) the
 * upper board while it is on, else all. press and release change the contacts;
 * unseat: from now on the board's, lying there or laid down later, is a quarter of what it was. */
void thermal_place(struct thermal *thermal);
double thermal_lift_upper(struct thermal *thermal);
double thermal_lift_part(struct thermal *thermal, int part);
void thermal_remove(struct thermal *thermal);
double thermal_lift(struct thermal *thermal, int part);
void thermal_press(struct thermal *thermal, bool pressed);
void thermal_unseat(struct thermal *thermal);

/* Advance by dt_s, of any length: cut into steps of at most most_step_s and bears_s, and shorter ones where those would
 * not be stable. Implicit, second order in time. */
void thermal_step(struct thermal *thermal, const struct thermal_input *input, double dt_s);

/* The same with plate and element held at plate_c throughout: how the live estimate is driven. */
void thermal_step_pinned(struct thermal *thermal, const struct thermal_input *input,
                         double plate_c, double dt_s);

/* Seconds until the joint is wholly molten (`molten`) or wholly solid under a constant input, with
 * the plate held where it is (`pinned`) or left to itself; 0 = it is, -1 = not within horizon_s.
 * Steps of seconds on a copy: cheap enough to ask once a second. Of a coarse network. */
double thermal_foresee(const struct thermal *thermal, const struct thermal_input *input, bool pinned,
                       int joint, bool molten, double horizon_s);

/* Networks of one board that differ in constants and temperatures, mixed: *base, and of the way from it to each of
 * `count` others that share. *out is for looking and foreseeing; no hand may touch it. Of coarse networks. */
void thermal_mix(struct thermal *out, const struct thermal *base, const struct thermal *const *other,
                 const double *share, int count);
/* One node of that: returned, and in *heat_j what it holds. */
struct thermal_node thermal_mix_node(const struct thermal *base, const struct thermal *const *other,
                                     const double *share, int count, int node, double *heat_j);

/* dH/dt of every node at heat contents `heat_j`: the equations themselves, for reference solvers. */
void thermal_rates(const struct thermal *thermal, const struct thermal_input *input,
                   const double *heat_j, double *watts);

/* Plate, element and insert at temp_c, counted as put in. */
void thermal_warm_bench(struct thermal *thermal, double temp_c);

/* Moves what lies on the insert by add_k, counted as put in: how an observer corrects its model. */
void thermal_nudge_board(struct thermal *thermal, double add_k);

/* Temperature of a node holding heat_j, and its molten share (0..1; 0 without latent heat). */
double thermal_temp_of(const struct thermal_node *node, double heat_j);
double thermal_molten_of(const struct thermal_node *node, double heat_j);
double thermal_heat_of(const struct thermal_node *node, double temp_c); /* solid up to solidus, liquid from liquidus */

double thermal_plate_c(const struct thermal *thermal);
/* Where a board sensor touches: the top of what lies on the insert, the mean of its far quarter; room if nothing
 * does. */
double thermal_board_c(const struct thermal *thermal);
double thermal_part_c(const struct thermal *thermal, int part);
double thermal_joint_coldest_c(const struct thermal *thermal, int joint);
double thermal_joint_hottest_c(const struct thermal *thermal, int joint);
double thermal_joint_molten(const struct thermal *thermal, int joint); /* share of the whole, 0..1 */
/* Each place of a joint is its nodes segment[joint][0] + 0 .. thermal_places - 1. */
int thermal_places(const struct thermal *thermal, int joint);
double thermal_stored_j(const struct thermal *thermal);

/* Free convection, upper hot face of a horizontal plate, Nu = 0.54 Ra^(1/4) (McAdams; Incropera
 * eq. 9.30), air at the film temperature. W/m2K; length_m = area / perimeter. */
double thermal_convection_w_m2k(double surface_c, double room_c, double length_m);

/* In-plane and through conductivity of laminate with copper_share (0..1) of copper, parallel and
 * series rule (FR-4 0.9 in plane, 0.3 through; copper 395 W/mK). */
double thermal_in_plane_w_mk(double copper_share);
double thermal_through_w_mk(double copper_share);

/* K/W that a sheet of sheet_w_k (its conductivity times its thickness; > 0) has for heat on its way between its face
 * and its edge, held all round. Even over the face: the sheet's mean over its edge, per watt, is the same equation as
 * the torsion of a bar of that section (Timoshenko & Goodier, Theory of Elasticity, art. 109). Through a touch of
 * touch_w_k over the face (0: even): more comes in near the edge, as into a fin (Incropera & DeWitt, eq. 3.76) whose
 * length gives the same when nothing touches it: exact for a strip, up to a quarter too much for a square that is
 * touched well (8 % for a demo board). What the touch itself resists is not in it. */
double thermal_to_edge_k_w(double length_m, double width_m, double sheet_w_k, double touch_w_k);

#endif
