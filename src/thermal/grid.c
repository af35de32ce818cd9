/* SPDX-License-Identifier: MIT */
/* The network: element, plate, insert, the boards in cells along x, parts, joint segments. */
#include <math.h>
#include <stddef.h>
#include <string.h>

#include "materials.h"
#include "plan.h"

enum { SPOT = 4, THROUGH_MOST = 100 };

#define FLATNESS 5 /* a cell is so many times as long as it is thick, at most */

static int add_node(struct thermal *thermal, double capacity_j_k)
{
    int at = thermal->nodes < thermal->most_nodes ? thermal->nodes++ : thermal->nodes - 1;
    thermal->node[at] = (struct thermal_node){.capacity_j_k = capacity_j_k};
    return at;
}

static struct thermal_link *add_link(struct thermal *thermal, enum thermal_axis axis, int from,
                                     int to, double w_k)
{
    int at = thermal->links < thermal->most_links ? thermal->links++ : thermal->links - 1;
    thermal->link[at] = (struct thermal_link){.from = from, .to = to, .w_k = w_k, .axis = axis};
    return &thermal->link[at];
}

static double mm2(double length_mm, double width_mm)
{
    return length_mm * width_mm * 1e-6;
}

static int columns(const struct thermal *thermal)
{
    return thermal->cells_x * thermal->cells_y;
}

/* ---- places on a layer ---- */

/* The cells whose centres lie about a place, with their shares. */
struct spot {
    int cell[SPOT];
    double share[SPOT]; /* 0: not this one */
};

/* Between which two of `cells` centres, and the share of the second. */
static int between(double place, double whole, int cells, double *second)
{
    double at = fmin(fmax(place / whole * cells - 0.5, 0), cells - 1);
    int first = (int)fmin(at, fmax(cells - 2, 0));
    *second = at - first;
    return first;
}

/* Of the cells in the middle of the layer: contacts are stated to there. */
static struct spot spot_at(const struct thermal *thermal, enum board_layer layer,
                           const struct board_slab *slab, double x_mm, double y_mm)
{
    struct spot spot;
    double along, across;
    int x = between(x_mm, slab->length_mm, thermal->cells_x, &along);
    int y = between(y_mm, slab->width_mm, thermal->cells_y, &across);
    int z = thermal->cells_z[layer] / 2;
    int first = thermal->slab[layer] + z * columns(thermal) + y * thermal->cells_x + x;
    for (int i = 0; i < SPOT; i++) {
        double share = (i & 1 ? along : 1 - along) * (i & 2 ? across : 1 - across);
        bool counts = share > 1e-6;
        spot.share[i] = counts ? share : 0;
        spot.cell[i] = counts ? first + (i >> 1) * thermal->cells_x + (i & 1) : first;
    }
    return spot;
}

static void link_down(struct thermal *thermal, int above, int below, double w_k, bool contact)
{
    struct thermal_box *box = &thermal->box;
    if (box->nz > 0)
        box->down_w_k[above - box->first] = w_k;
    else
        add_link(thermal, AXIS_Z, above, below, w_k)->contact = contact;
}

/* Where lands are, vias stitch a board through. While the box is built, own[AXIS_Z] says where. */
static double *stitched(struct thermal *thermal, enum board_layer layer)
{
    return thermal->box.own[AXIS_Z] + thermal->slab[layer] - thermal->box.first;
}

static void stitch(struct thermal *thermal, enum board_layer layer, int cell)
{
    if (thermal->box.nz > 0)
        stitched(thermal, layer)[(cell - thermal->slab[layer]) % columns(thermal)] = 1;
}

static bool is_stitched(struct thermal *thermal, enum board_layer layer, int column)
{
    return thermal->box.nz > 0 && stitched(thermal, layer)[column] > 0;
}

static void link_to_spot(struct thermal *thermal, enum board_layer layer, const struct spot *spot,
                         int node, double w_k)
{
    for (int i = 0; i < SPOT; i++)
        if (spot->share[i] > 0) {
            add_link(thermal, AXIS_NONE, spot->cell[i], node, w_k * spot->share[i]);
            stitch(thermal, layer, spot->cell[i]);
        }
}

/* Moves heat capacity near the place into `node`. On a grid so fine that a place's land is most of its cells, what
 * is taken stays below half of what they have: there the cells themselves are the land. */
static void take_land(struct thermal *thermal, const struct spot *spot, int node, double whole_j_k,
                      double capacity_j_k)
{
    bool coarse = thermal->cells_y == 1;
    double most_j_k = coarse ? HUGE_VAL : LAND_OF_CELL * whole_j_k;
    double taken_j_k = fmin(capacity_j_k, most_j_k);
    for (int i = 0; i < SPOT; i++)
        thermal->node[spot->cell[i]].capacity_j_k -= taken_j_k * spot->share[i];
    thermal->node[node].capacity_j_k += taken_j_k;
}

/* Into how many pieces of a cell's size at most, at least one. */
static int pieces(double whole_mm, double cell_mm)
{
    return (int)fmax(floor(whole_mm / cell_mm + 1e-9), 1);
}

static double cell_x_mm(const struct thermal *thermal, const struct board_slab *slab)
{
    return slab->length_mm / thermal->cells_x;
}

static double cell_y_mm(const struct thermal *thermal, const struct board_slab *slab)
{
    return slab->width_mm / thermal->cells_y;
}

static double slab_j_k(const struct board_slab *slab)
{
    double volume_m3 = mm2(slab->length_mm, slab->width_mm) * slab->thick_mm * 1e-3;
    return volume_m3 * laminate_j_m3k(slab->copper_share) + slab->parts_g * SMALL_PARTS_J_GK;
}

static double part_j_k(const struct board_part *part)
{
    return mm2(part->length_mm, part->width_mm) * part->thick_mm * 1e-3 * PART_J_M3K;
}

static void give_face(struct thermal_node *node, double area_m2, bool in_gap)
{
    node->area_m2 = area_m2;
    node->emissivity = BOARD_EMISSIVITY;
    node->fan_w_k = area_m2 * FAN_W_M2K;
    node->in_gap = in_gap;
}

/* Each cell to its neighbour along x and along y; of links the last one is the root. */
static void link_along(struct thermal *thermal, int first, int layers, double x_w_k, double y_w_k)
{
    struct thermal_box *box = &thermal->box;
    for (int x = 0; box->nz == 0 && x + 1 < thermal->cells_x; x++)
        add_link(thermal, AXIS_X, first + x, first + x + 1, x_w_k);
    for (int i = 0; box->nz > 0 && i < layers; i++) {
        int z = (first - box->first) / columns(thermal) + i;
        box->x_w_k[z] = x_w_k;
        box->y_w_k[z] = y_w_k;
    }
}

static void build_plate(struct thermal *thermal, const struct plate *plate)
{
    double element_j_k = ELEMENT_SHARE * plate->capacity_j_k;
    thermal->element = add_node(thermal, element_j_k);
    thermal->plate = add_node(thermal, plate->capacity_j_k - element_j_k);
    struct thermal_node *block = &thermal->node[thermal->plate];
    block->loss_w_k = plate->loss_w_k;
    block->fan_w_k = plate->fan_loss_w_k;
    block->emissivity = 1; /* emissivity_area holds both */
}

/* One block on the coarse grid; on a finer one aluminium under the whole board, as thick as its capacity says. */
static void build_insert(struct thermal *thermal, const struct thermal_setup *setup)
{
    const struct insert *insert = &setup->insert;
    thermal->insert = -1;
    if (insert->capacity_j_k <= 0)
        return;
    bool is_block = thermal->cells_y == 1 || !setup->board;
    int cells = is_block ? 1 : columns(thermal);
    thermal->insert = thermal->nodes;
    thermal->insert_cells = cells;
    for (int i = 0; i < cells; i++)
        add_node(thermal, insert->capacity_j_k / cells);
    if (is_block)
        return;
    const struct board_slab *slab = &setup->board->slab[LAYER_LOWER];
    double thick_m =
        insert->capacity_j_k / (ALUMINIUM_J_M3K * mm2(slab->length_mm, slab->width_mm));
    double dx_mm = cell_x_mm(thermal, slab), dy_mm = cell_y_mm(thermal, slab);
    link_along(thermal, thermal->insert, 1, ALUMINIUM_W_MK * thick_m * dy_mm / dx_mm,
               ALUMINIUM_W_MK * thick_m * dx_mm / dy_mm);
}

static void build_slab(struct thermal *thermal, const struct thermal_setup *setup,
                       enum board_layer layer)
{
    const struct board_slab *slab = &setup->board->slab[layer];
    int layers = thermal->cells_z[layer], cells = columns(thermal) * layers;
    double dx_mm = cell_x_mm(thermal, slab), dy_mm = cell_y_mm(thermal, slab);
    thermal->slab[layer] = thermal->nodes;
    for (int i = 0; i < cells; i++) {
        int cell = add_node(thermal, slab_j_k(slab) * setup->mass_factor / cells);
        thermal->node[cell].in_gap = layer == LAYER_LOWER;
        if (i >= cells - columns(thermal))
            give_face(&thermal->node[cell], mm2(dx_mm, dy_mm), layer == LAYER_LOWER);
    }
    double thick_m = slab->thick_mm * 1e-3 / layers;
    double in_plane = thermal_in_plane_w_mk(slab->copper_share);
    link_along(thermal, thermal->slab[layer], layers, in_plane * thick_m * dy_mm / dx_mm,
               in_plane * thick_m * dx_mm / dy_mm);
}

/* m2K/W from the middle of a layer to the middle of its outermost cells, in that column. */
static double inwards_m2k_w(struct thermal *thermal, const struct board_slab *slab,
                            enum board_layer layer, int column)
{
    double apart_m = 0.5e-3 * slab->thick_mm * (1 - 1.0 / thermal->cells_z[layer]);
    double vias_w_mk = is_stitched(thermal, layer, column) ? VIA_SHARE * COPPER_W_MK : 0;
    return apart_m / (thermal_through_w_mk(slab->copper_share) + vias_w_mk);
}

/* From the top of a layer down to its bottom. */
static void link_through(struct thermal *thermal, const struct board_slab *slab,
                         enum board_layer layer)
{
    double apart_m = slab->thick_mm * 1e-3 / thermal->cells_z[layer];
    double over_m = mm2(cell_x_mm(thermal, slab), cell_y_mm(thermal, slab)) / apart_m;
    double plain_w_k = thermal_through_w_mk(slab->copper_share) * over_m;
    double stitched_w_k = plain_w_k + VIA_SHARE * COPPER_W_MK * over_m;
    int n = columns(thermal);
    for (int z = thermal->cells_z[layer] - 1; z > 0; z--)
        for (int i = 0; i < n; i++) {
            int cell = thermal->slab[layer] + z * n + i;
            link_down(thermal, cell, cell - n,
                      is_stitched(thermal, layer, i) ? stitched_w_k : plain_w_k, false);
        }
}

/* A conductance to the middle of a board as one to its outermost cells; nine tenths of its resistance may lie
 * in the board, not more. */
static double without_board(double w_k, double inside_k_w)
{
    double all_k_w = 1 / w_k;
    return 1 / fmax(all_k_w - inside_k_w, 0.1 * all_k_w);
}

static void build_gap(struct thermal *thermal, const struct board *board)
{
    const struct board_slab *lower = &board->slab[LAYER_LOWER], *upper = &board->slab[LAYER_UPPER];
    int n = columns(thermal);
    double area_m2 =
        fmin(mm2(lower->length_mm, lower->width_mm), mm2(upper->length_mm, upper->width_mm)) / n;
    int bottom = thermal->slab[LAYER_UPPER];
    int top = thermal->slab[LAYER_LOWER] + n * (thermal->cells_z[LAYER_LOWER] - 1);
    for (int i = 0; i < n; i++) {
        double inside_m2k_w = inwards_m2k_w(thermal, lower, LAYER_LOWER, i) +
                              inwards_m2k_w(thermal, upper, LAYER_UPPER, i);
        link_down(thermal, bottom + i, top + i,
                  without_board(GAP_W_M2K * area_m2, inside_m2k_w / area_m2), false);
    }
}

/* Insert to lower board, all of it. */
static double touch_w_k(const struct thermal_setup *setup)
{
    double whole_w_k = setup->insert.board_w_k * setup->contact_factor;
    return setup->board->flux == FLUX_WET ? whole_w_k * FLUX_FACTOR : whole_w_k;
}

/* Insert to lower board: uneven along x, the side x = 0 best, the sum as stated. A board without an
 * insert lies on the table. */
static void build_contact(struct thermal *thermal, const struct thermal_setup *setup)
{
    if (thermal->insert < 0)
        return;
    const struct board_slab *slab = &setup->board->slab[LAYER_LOWER];
    int n = columns(thermal);
    double whole_w_k = touch_w_k(setup);
    double area_m2 = mm2(slab->length_mm, slab->width_mm) / n;
    for (int i = 0; i < n; i++) {
        double along = (i % thermal->cells_x + 0.5) / thermal->cells_x;
        double weight = 1 + setup->board->contact_spread * (1 - 2 * along);
        double inside_k_w = inwards_m2k_w(thermal, slab, LAYER_LOWER, i) / area_m2;
        link_down(thermal, thermal->slab[LAYER_LOWER] + i, thermal->insert,
                  without_board(fmax(whole_w_k * weight, 1e-6) / n, inside_k_w), true);
    }
}

/* The stack from its top to the plate, which is the root, so that it is solved in one go. */
static void build_stack(struct thermal *thermal, const struct thermal_setup *setup)
{
    if (setup->board) {
        if (thermal->upper_on) {
            link_through(thermal, &setup->board->slab[LAYER_UPPER], LAYER_UPPER);
            build_gap(thermal, setup->board);
        }
        link_through(thermal, &setup->board->slab[LAYER_LOWER], LAYER_LOWER);
        build_contact(thermal, setup);
    }
    for (int i = 0; i < thermal->insert_cells; i++)
        link_down(thermal, thermal->insert + i, thermal->plate,
                  setup->insert.plate_w_k / thermal->insert_cells, false);
    add_link(thermal, AXIS_Z, thermal->element, thermal->plate,
             ELEMENT_SHARE * setup->plate.capacity_j_k / fmax(setup->plate.element_lag_s, 0.1));
}

static int joint_of_part(const struct thermal_setup *setup, const char *name)
{
    if (!setup->joints_present)
        return -1;
    for (int i = 0; i < setup->board->joint_count; i++)
        if (strcmp(setup->board->joint[i].part, name) == 0)
            return i;
    return -1;
}

/* How much of two stretches lies on each other. */
static double overlap(double from, double to, double other_from, double other_to)
{
    return fmax(fmin(to, other_to) - fmax(from, other_from), 0);
}

/* What lies on a board's face takes it from the cells below; some of each always stays free. */
static void cover(struct thermal *thermal, const struct board_slab *slab,
                  const struct board_part *part)
{
    double dx_mm = cell_x_mm(thermal, slab), dy_mm = cell_y_mm(thermal, slab);
    double left_mm = part->x_mm - 0.5 * part->length_mm;
    double front_mm = part->y_mm - 0.5 * part->width_mm;
    int top = thermal->slab[part->on] + columns(thermal) * (thermal->cells_z[part->on] - 1);
    for (int i = 0; i < columns(thermal); i++) {
        int x = i % thermal->cells_x, y = i / thermal->cells_x;
        double long_mm = overlap(left_mm, left_mm + part->length_mm, x * dx_mm, (x + 1) * dx_mm);
        double wide_mm = overlap(front_mm, front_mm + part->width_mm, y * dy_mm, (y + 1) * dy_mm);
        if (thermal->cells_y == 1)
            wide_mm = part->width_mm; /* one cell across: none of it hangs over */
        struct thermal_node *cell = &thermal->node[top + i];
        double free_m2 = cell->area_m2 - mm2(long_mm, wide_mm);
        if (long_mm > 0 && wide_mm > 0)
            give_face(cell, fmax(free_m2, 0.2 * cell->area_m2), cell->in_gap);
    }
}

/* What holds a part that no joint holds: by its footprint and its edge, spread over what lies under it. One link to
 * a cell, however many pieces lean on it: two beside each other would be a circle. */
static void build_hold(struct thermal *thermal, const struct board_slab *slab,
                       const struct board_part *part, int node)
{
    double edge_m = 2e-3 * (part->length_mm + part->width_mm);
    double w_k = mm2(part->length_mm, part->width_mm) * PART_FOOT_W_M2K + edge_m * PART_EDGE_W_MK;
    int nx = pieces(part->length_mm, cell_x_mm(thermal, slab));
    int ny = pieces(part->width_mm, cell_y_mm(thermal, slab));
    double *holds_w_k = thermal->plan.watts; /* work space, by cell of the layer */
    int cells = columns(thermal) * thermal->cells_z[part->on], first = thermal->slab[part->on];
    memset(holds_w_k, 0, (size_t)cells * sizeof *holds_w_k);
    for (int i = 0; i < nx * ny; i++) {
        double x_mm = part->x_mm + part->length_mm * ((i % nx + 0.5) / nx - 0.5);
        double y_mm = part->y_mm + part->width_mm * ((i / nx + 0.5) / ny - 0.5);
        struct spot spot = spot_at(thermal, part->on, slab, x_mm, y_mm);
        for (int k = 0; k < SPOT; k++)
            holds_w_k[spot.cell[k] - first] += w_k / (nx * ny) * spot.share[k];
    }
    for (int i = 0; i < cells; i++)
        if (holds_w_k[i] > 0) {
            add_link(thermal, AXIS_NONE, first + i, node, holds_w_k[i]);
            stitch(thermal, part->on, first + i);
        }
}

static void build_part(struct thermal *thermal, const struct thermal_setup *setup, int index)
{
    const struct board_part *part = &setup->board->part[index];
    const struct board_slab *slab = &setup->board->slab[part->on];
    thermal->part[index] = -1;
    if (thermal->slab[part->on] < 0)
        return;
    int node = add_node(thermal, part_j_k(part) * setup->mass_factor);
    thermal->part[index] = node;
    double foot_m2 = mm2(part->length_mm, part->width_mm);
    give_face(&thermal->node[node], foot_m2, part->on == LAYER_LOWER);
    cover(thermal, slab, part);
    if (joint_of_part(setup, part->name) < 0)
        build_hold(thermal, slab, part, node);
}

/* A point of the board's edge, `share` of the way round anticlockwise from the middle of the side x = 0. */
static void edge_at(const struct board_slab *slab, double share, double *x_mm, double *y_mm)
{
    double length = slab->length_mm, width = slab->width_mm;
    double along = (share - floor(share)) * 2 * (length + width);
    bool back = along > length + width; /* the way back mirrors the way out */
    if (back)
        along = 2 * (length + width) - along;
    double out = along - 0.5 * width;
    double y = out < 0 ? along : out > length ? 0.5 * width - (out - length) : 0.5 * width;
    *x_mm = fmin(fmax(out, 0), length);
    *y_mm = 0.5 * width + (back ? y : -y);
}

static void melt_at(struct thermal_node *node, const struct alloy *alloy, double mass_g)
{
    node->latent_j = mass_g * alloy->latent_j_g;
    node->liquidus_c = alloy->liquidus_c;
    node->solidus_c = fmin(alloy->solidus_c, alloy->liquidus_c - 1); /* a eutectic melts over 1 K */
}

static int add_place(struct thermal *thermal, const struct board_joint *joint, double share,
                     double x_mm, double y_mm)
{
    double mass_g = joint->mass_g * share;
    int at = add_node(thermal, mass_g * joint->alloy.cp_j_gk);
    struct thermal_node *node = &thermal->node[at];
    melt_at(node, &joint->alloy, mass_g);
    node->x_mm = (float)x_mm;
    node->y_mm = (float)y_mm;
    return at;
}

static double cell_j_k(const struct thermal *thermal, const struct thermal_setup *setup,
                       enum board_layer layer)
{
    return slab_j_k(&setup->board->slab[layer]) * setup->mass_factor /
           (columns(thermal) * thermal->cells_z[layer]);
}

/* Of a ring: as many places as cells lie along it. */
static int frame_places(const struct thermal *thermal, const struct thermal_setup *setup,
                        const struct board_joint *joint)
{
    const struct board_slab *slab = &setup->board->slab[LAYER_LOWER];
    double cell_mm = fmax(cell_x_mm(thermal, slab), cell_y_mm(thermal, slab));
    if (thermal->cells_y == 1)
        return 1;
    return pieces(2 * (slab->length_mm + slab->width_mm) / joint->segments, cell_mm);
}

/* The coarse grid has one row of cells across a board: what heat meets on its way to the frame at the edge lies in the
 * joint. A finer one has cells on that way. Of the touch as laid: pressing and unseating leave it. */
static double way_k_w(const struct thermal *thermal, const struct thermal_setup *setup,
                      enum board_layer layer)
{
    const struct board_slab *slab = &setup->board->slab[layer];
    if (thermal->cells_y > 1)
        return 0;
    double sheet_w_k = thermal_in_plane_w_mk(slab->copper_share) * slab->thick_mm * 1e-3;
    return thermal_to_edge_k_w(slab->length_mm * 1e-3, slab->width_mm * 1e-3, sheet_w_k,
                               layer == LAYER_LOWER && thermal->insert >= 0 ? touch_w_k(setup) : 0);
}

/* One place of the ring, `round` of the way round it; all of the ring is side_k_w from either board. */
static void build_frame_place(struct thermal *thermal, const struct thermal_setup *setup,
                              const struct board_joint *joint, const double side_k_w[BOARD_LAYERS],
                              double round, double share)
{
    double x_mm, y_mm;
    edge_at(&setup->board->slab[LAYER_LOWER], round, &x_mm, &y_mm);
    int node = add_place(thermal, joint, share, x_mm, y_mm);
    for (int i = LAYER_LOWER; i <= LAYER_UPPER; i++) {
        enum board_layer layer = (enum board_layer)i;
        const struct board_slab *slab = &setup->board->slab[layer];
        if (thermal->slab[layer] < 0)
            continue;
        edge_at(slab, round, &x_mm, &y_mm);
        struct spot spot = spot_at(thermal, layer, slab, x_mm, y_mm);
        link_to_spot(thermal, layer, &spot, node, share / side_k_w[layer]);
        take_land(thermal, &spot, node, cell_j_k(thermal, setup, layer),
                  LAND_SHARE * slab_j_k(slab) * setup->mass_factor * share);
    }
}

static void build_frame(struct thermal *thermal, const struct thermal_setup *setup, int index)
{
    const struct board_joint *joint = &setup->board->joint[index];
    int places = frame_places(thermal, setup, joint);
    double side_k_w[BOARD_LAYERS];
    for (int i = LAYER_LOWER; i <= LAYER_UPPER; i++)
        if (thermal->slab[i] >= 0) /* two sides in series */
            side_k_w[i] = 0.5 / joint->contact_w_k + way_k_w(thermal, setup, (enum board_layer)i);
    thermal->places[index] = places;
    for (int i = 0; i < joint->segments; i++) {
        thermal->segment[index][i] = thermal->nodes;
        for (int k = 0; k < places; k++)
            build_frame_place(thermal, setup, joint, side_k_w,
                              (i - 0.5 + (k + 0.5) / places) / joint->segments,
                              joint->share[i] / places);
    }
}

static int joints_of_part(const struct board *board, const char *name)
{
    int count = 0;
    for (int i = 0; i < board->joint_count; i++)
        count += strcmp(board->joint[i].part, name) == 0;
    return count;
}

struct foot {
    const struct board_joint *joint;
    const struct board_part *part;
    int body;
    double land_j_k; /* of the part's; the board gives as much */
};

static void build_foot_place(struct thermal *thermal, const struct thermal_setup *setup,
                             const struct foot *foot, double x_mm, double y_mm, double share)
{
    const struct board_slab *slab = &setup->board->slab[foot->part->on];
    int node = add_place(thermal, foot->joint, share, x_mm, y_mm);
    double side_w_k = 2 * foot->joint->contact_w_k * share, land_j_k = foot->land_j_k * share;
    struct spot spot = spot_at(thermal, foot->part->on, slab, x_mm, y_mm);
    link_to_spot(thermal, foot->part->on, &spot, node, side_w_k);
    add_link(thermal, AXIS_NONE, node, foot->body, side_w_k);
    take_land(thermal, &spot, node, cell_j_k(thermal, setup, foot->part->on), land_j_k);
    thermal->node[node].capacity_j_k += land_j_k;
    thermal->node[foot->body].capacity_j_k -= land_j_k;
}

/* Segments in rows along x, each cut into places of a cell's size. */
static void build_foot(struct thermal *thermal, const struct thermal_setup *setup, int index,
                       int part_index)
{
    const struct board_joint *joint = &setup->board->joint[index];
    const struct board_part *part = &setup->board->part[part_index];
    const struct board_slab *slab = &setup->board->slab[part->on];
    struct foot foot = {joint, part, thermal->part[part_index], 0};
    if (foot.body < 0)
        return;
    foot.land_j_k = PART_LAND_SHARE * part_j_k(part) * setup->mass_factor /
                    joints_of_part(setup->board, joint->part);
    double long_mm = part->length_mm / joint->segments;
    bool coarse = thermal->cells_y == 1;
    int nx = coarse ? 1 : pieces(long_mm, cell_x_mm(thermal, slab));
    int ny = coarse ? 1 : pieces(part->width_mm, cell_y_mm(thermal, slab));
    thermal->places[index] = nx * ny;
    for (int i = 0; i < joint->segments; i++) {
        thermal->segment[index][i] = thermal->nodes;
        for (int k = 0; k < nx * ny; k++) {
            double x_mm = part->x_mm - 0.5 * part->length_mm + (i + (k % nx + 0.5) / nx) * long_mm;
            double y_mm = part->y_mm + part->width_mm * ((k / nx + 0.5) / ny - 0.5);
            build_foot_place(thermal, setup, &foot, x_mm, y_mm, joint->share[i] / (nx * ny));
        }
    }
}

int part_of_joint(const struct board *board, const struct board_joint *joint)
{
    for (int i = 0; joint->part[0] && i < board->part_count; i++)
        if (strcmp(board->part[i].name, joint->part) == 0)
            return i;
    return -1;
}

static void build_joint(struct thermal *thermal, const struct thermal_setup *setup, int index)
{
    const struct board_joint *joint = &setup->board->joint[index];
    thermal->segments[index] = joint->segments;
    thermal->joint_part[index] = part_of_joint(setup->board, joint);
    if (!setup->joints_present) {
        thermal->segments[index] = 0;
        return;
    }
    if (thermal->joint_part[index] < 0)
        build_frame(thermal, setup, index);
    else
        build_foot(thermal, setup, index, thermal->joint_part[index]);
    if (thermal->segments[index] && thermal->segment[index][0] < 0)
        thermal->segments[index] = 0; /* its layer is not there */
}

static void build_board(struct thermal *thermal, const struct thermal_setup *setup)
{
    const struct board *board = setup->board;
    const struct board_slab *lower = &board->slab[LAYER_LOWER];
    thermal->air_length_m =
        lower->length_mm * lower->width_mm * 1e-3 / (2 * (lower->length_mm + lower->width_mm));
    build_slab(thermal, setup, LAYER_LOWER);
    if (thermal->upper_on)
        build_slab(thermal, setup, LAYER_UPPER);
    thermal->part_count = board->part_count;
    thermal->joint_count = board->joint_count;
    for (int i = 0; i < board->part_count; i++)
        build_part(thermal, setup, i);
    for (int i = 0; i < board->joint_count; i++)
        build_joint(thermal, setup, i);
}

/* Joints take their lands from the board; a heavy part on a thin film leaves nothing. */
static int check_capacities(const struct thermal *thermal, struct tl_error *error)
{
    for (int i = 0; i < thermal->nodes; i++)
        if (!(thermal->node[i].capacity_j_k > 0))
            return tl_error_set(
                error, TL_RANGE,
                "board: a part that a joint holds is too heavy for the board under it");
    return 0;
}

static void clear_numbers(struct thermal *thermal)
{
    memset(thermal, 0, offsetof(struct thermal, own));
    memset(thermal->slab, -1, sizeof thermal->slab);
    memset(thermal->part, -1, sizeof thermal->part);
    memset(thermal->segment, -1, sizeof thermal->segment);
    thermal->air_length_m = 0.025;
    thermal->most_step_s = MOST_STEP_S;
}

static int cells_of(double whole_mm, double grid_mm)
{
    return (int)fmax(round(whole_mm / grid_mm), 2);
}

/* At most; rounding may make cells a little smaller than the grid asked for. */
static int cells_under(const struct board *board, int part, double grid_mm)
{
    if (part < 0)
        return 0;
    return (int)(1.3 * board->part[part].length_mm * board->part[part].width_mm /
                 (grid_mm * grid_mm));
}

static bool has_upper(const struct thermal_setup *setup)
{
    return setup->board && setup->upper_present && setup->board->slab[LAYER_UPPER].present;
}

/* Into how many cells each way; and how many nodes and links that takes at most. */
static void cut(struct thermal *thermal, const struct thermal_setup *setup, int *nodes, int *links)
{
    const struct board *board = setup->board;
    bool coarse = setup->grid_mm <= 0 || !board;
    const struct board_slab *lower = board ? &board->slab[LAYER_LOWER] : NULL;
    thermal->cells_x = coarse ? SLAB_CELLS : cells_of(lower->length_mm, setup->grid_mm);
    thermal->cells_y = coarse ? 1 : cells_of(lower->width_mm, setup->grid_mm);
    int layers = 1;
    for (int i = 0; i < BOARD_LAYERS; i++) {
        double thick_mm = board ? board->slab[i].thick_mm : 0;
        double through = coarse ? 1 : FLATNESS * thick_mm / setup->grid_mm;
        /* odd, for the middle to be a cell's */
        thermal->cells_z[i] = 1 + 2 * (int)(fmin(fmax(through - 1 + 1e-9, 0), THROUGH_MOST) / 2);
        layers += thermal->cells_z[i];
    }
    *nodes = THERMAL_NODES;
    *links = THERMAL_LINKS;
    thermal->box = (struct thermal_box){.foot = -1};
    if (coarse)
        return;
    thermal->box.nx = thermal->cells_x;
    thermal->box.ny = thermal->cells_y;
    thermal->box.nz = (setup->insert.capacity_j_k > 0) + thermal->cells_z[LAYER_LOWER] +
                      (has_upper(setup) ? thermal->cells_z[LAYER_UPPER] : 0);
    /* A joint's places lie along an edge or under a part, a part on cells: four links to a layer. */
    int n = columns(thermal), around = 2 * (thermal->cells_x + thermal->cells_y) + JOINT_SEGMENTS;
    int places = 0, held = 0;
    for (int i = 0; i < board->joint_count; i++)
        places +=
            around + cells_under(board, part_of_joint(board, &board->joint[i]), setup->grid_mm);
    for (int i = 0; i < board->part_count; i++)
        held += around + cells_under(board, i, setup->grid_mm);
    *nodes = n * layers + board->part_count + places + 8;
    *links = 9 * places + 4 * held + 8;
}

size_t thermal_bytes(const struct thermal_setup *setup)
{
    struct thermal thermal;
    int nodes, links;
    if (setup->grid_mm <= 0 || !setup->board)
        return 0;
    cut(&thermal, setup, &nodes, &links);
    return lay_out(&thermal, NULL, nodes, links);
}

/* Everything that may come to be there, none of it there yet; returns how many nodes are the bench's own. */
static int build(struct thermal *thermal, const struct thermal_setup *setup)
{
    int nodes, links;
    clear_numbers(thermal);
    cut(thermal, setup, &nodes, &links);
    bool coarse = setup->grid_mm <= 0 || !setup->board;
    lay_out(thermal, coarse ? thermal->own : setup->memory, nodes, links);
    thermal->room_c = setup->room_c;
    build_plate(thermal, &setup->plate);
    thermal->node[thermal->plate].area_m2 = setup->plate.emissivity_area;
    thermal->box.first = thermal->nodes;
    if (thermal->box.nz > 0) { /* no insert: nothing to stand on */
        memset(thermal->box.down_w_k, 0, (size_t)columns(thermal) * sizeof(double));
        memset(thermal->box.own[AXIS_Z], 0,
               (size_t)columns(thermal) * (size_t)thermal->box.nz * sizeof(double));
    }
    thermal->box.foot = setup->insert.capacity_j_k > 0 ? thermal->plate : -1;
    build_insert(thermal, setup);
    int bench_nodes = thermal->nodes;
    thermal->upper_on = has_upper(setup);
    if (setup->board)
        build_board(thermal, setup);
    build_stack(thermal, setup);
    for (int i = 0; i < thermal->nodes; i++) {
        thermal->node[i].there = false;
        thermal->heat_j[i] = thermal->temp_c[i] = 0;
    }
    return bench_nodes;
}

/* What of the board a node is; NULL: the bench's own. */
static const char *name_of(const struct thermal *thermal, const struct board *board, int node,
                           const char **what)
{
    static const char *const layers[BOARD_LAYERS] = {
        [LAYER_LOWER] = "lower", [LAYER_UPPER] = "upper"};
    *what = "layer";
    for (int i = 0; i < BOARD_LAYERS; i++)
        if (thermal->slab[i] >= 0 && node >= thermal->slab[i] &&
            node < thermal->slab[i] + columns(thermal) * thermal->cells_z[i])
            return layers[i];
    *what = "part";
    for (int i = 0; i < board->part_count; i++)
        if (thermal->part[i] == node)
            return board->part[i].name;
    *what = "joint";
    for (int i = 0; i < BOARD_JOINTS * JOINT_SEGMENTS; i++)
        if (i / JOINT_SEGMENTS < board->joint_count &&
            thermal->segment[i / JOINT_SEGMENTS][i % JOINT_SEGMENTS] == node)
            return board->joint[i / JOINT_SEGMENTS].name;
    return NULL;
}

int board_stiff(const struct board *board, struct tl_error *error)
{
    static const struct thermal_setup on_demo_bench = {
        .plate = {.capacity_j_k = 600, .loss_w_k = 0.9, .element_lag_s = 4},
        .insert = {.capacity_j_k = 45, .plate_w_k = 8, .board_w_k = 1.2},
        .room_c = 25,
        .contact_factor = 1,
        .mass_factor = 1,
        .joints_present = true,
    };
    struct thermal_setup setup = on_demo_bench;
    struct thermal thermal;
    const char *what, *name;
    setup.board = board;
    setup.upper_present = board->slab[LAYER_UPPER].present;
    build(&thermal, &setup);
    int err = check_capacities(&thermal, error), node;
    if (err)
        return err;
    for (int i = 0; i < thermal.nodes; i++)
        thermal.node[i].there = true;
    plan_make(&thermal);
    double within_s = plan_stiffest(&thermal, false, &node);
    if (within_s >= LEAST_LAG_S)
        return 0;
    name = name_of(&thermal, board, node, &what);
    tl_error_set(error, TL_RANGE,
                 "board %s: %s %s: its %.2g J/K follow what it touches within %.2g ms; nothing is "
                 "that quick: more mass, or less contact",
                 board->name, what, name ? name : "lower", thermal.node[node].capacity_j_k,
                 within_s * 1000);
    tl_error_token(error, name ? name : "lower");
    return TL_RANGE;
}

int thermal_init(struct thermal *thermal, const struct thermal_setup *setup, struct tl_error *error)
{
    int err = setup_check(setup, error);
    if (err)
        return err;
    int bench_nodes = build(thermal, setup);
    err = check_capacities(thermal, error);
    if (err)
        return err;
    if (thermal->nodes == thermal->most_nodes || thermal->links == thermal->most_links)
        return tl_error_set(error, TL_FULL,
                            "board %s: its parts and joints take more cells than fit",
                            setup->board->name);
    plan_air(thermal);
    for (int i = 0; i < bench_nodes; i++)
        node_appear(thermal, i);
    plan_make(thermal);
    return 0;
}

void thermal_copy(struct thermal *to, const struct thermal *from)
{
    *to = *from;
    lay_out(to, to->own, from->most_nodes, from->most_links);
}
