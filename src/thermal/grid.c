/* SPDX-License-Identifier: MIT */
/* The network: element, plate, insert, the boards in cells along x, parts, joint segments. */
#include <math.h>
#include <string.h>

#include "materials.h"
#include "plan.h"

static int add_node(struct thermal *thermal, double capacity_j_k)
{
    int at = thermal->nodes++;
    thermal->node[at] = (struct thermal_node){.capacity_j_k = capacity_j_k};
    return at;
}

static void add_link(struct thermal *thermal, int from, int to, double w_k)
{
    if (w_k <= 0)
        return;
    thermal->link[thermal->links++] = (struct thermal_link){.from = from, .to = to, .w_k = w_k};
}

static double mm2(double length_mm, double width_mm)
{
    return length_mm * width_mm * 1e-6;
}

/* Between which two cells' centres x lies, and the share of the second. */
static int cells_at(const struct board_slab *slab, double x_mm, double *second)
{
    double cells = fmin(fmax(x_mm / slab->length_mm * SLAB_CELLS - 0.5, 0), SLAB_CELLS - 1);
    int first = (int)fmin(cells, SLAB_CELLS - 2);
    *second = cells - first;
    return first;
}

static void link_to_slab(struct thermal *thermal, enum board_layer layer,
                         const struct board_slab *slab, double x_mm, int node, double w_k)
{
    double second;
    int first = cells_at(slab, x_mm, &second);
    add_link(thermal, thermal->slab[layer][first], node, w_k * (1 - second));
    add_link(thermal, thermal->slab[layer][first + 1], node, w_k * second);
}

/* Moves a share of the board's heat capacity near x into `node`. */
static void take_land(struct thermal *thermal, enum board_layer layer,
                      const struct board_slab *slab, double x_mm, int node, double capacity_j_k)
{
    double second;
    int first = cells_at(slab, x_mm, &second);
    thermal->node[thermal->slab[layer][first]].capacity_j_k -= capacity_j_k * (1 - second);
    thermal->node[thermal->slab[layer][first + 1]].capacity_j_k -= capacity_j_k * second;
    thermal->node[node].capacity_j_k += capacity_j_k;
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

static void build_plate(struct thermal *thermal, const struct plate *plate,
                        const struct insert *insert)
{
    double element_j_k = ELEMENT_SHARE * plate->capacity_j_k;
    thermal->element = add_node(thermal, element_j_k);
    thermal->plate = add_node(thermal, plate->capacity_j_k - element_j_k);
    add_link(thermal, thermal->element, thermal->plate,
             element_j_k / fmax(plate->element_lag_s, 0.1));
    struct thermal_node *block = &thermal->node[thermal->plate];
    block->loss_w_k = plate->loss_w_k;
    block->fan_w_k = plate->fan_loss_w_k;
    block->emissivity = 1; /* emissivity_area holds both */
    thermal->insert = -1;
    if (insert->capacity_j_k <= 0)
        return;
    thermal->insert = add_node(thermal, insert->capacity_j_k);
    add_link(thermal, thermal->plate, thermal->insert, insert->plate_w_k);
}

static void build_slab(struct thermal *thermal, const struct thermal_setup *setup,
                       enum board_layer layer)
{
    const struct board_slab *slab = &setup->board->slab[layer];
    double area_m2 = mm2(slab->length_mm, slab->width_mm) / SLAB_CELLS;
    for (int i = 0; i < SLAB_CELLS; i++) {
        int cell = add_node(thermal, slab_j_k(slab) * setup->mass_factor / SLAB_CELLS);
        thermal->slab[layer][i] = cell;
        give_face(&thermal->node[cell], area_m2, layer == LAYER_LOWER);
        if (i == 0)
            continue;
        double along_w_k = thermal_in_plane_w_mk(slab->copper_share) *
                           mm2(slab->width_mm, slab->thick_mm) /
                           (slab->length_mm * 1e-3 / SLAB_CELLS);
        add_link(thermal, thermal->slab[layer][i - 1], cell, along_w_k);
    }
}

/* Insert to lower board: uneven along x, the side x = 0 best, the sum as stated. A board without an
 * insert lies on the table. */
static void build_contact(struct thermal *thermal, const struct thermal_setup *setup)
{
    if (thermal->insert < 0)
        return;
    double whole_w_k = setup->insert.board_w_k * setup->contact_factor;
    thermal->dry_contact_w_k = whole_w_k;
    for (int i = 0; i < SLAB_CELLS; i++) {
        double along = (i + 0.5) / SLAB_CELLS;
        double weight = 1 + setup->board->contact_spread * (1 - 2 * along);
        add_link(thermal, thermal->insert, thermal->slab[LAYER_LOWER][i],
                 whole_w_k * weight / SLAB_CELLS);
    }
}

static void build_gap(struct thermal *thermal, const struct board *board)
{
    const struct board_slab *lower = &board->slab[LAYER_LOWER], *upper = &board->slab[LAYER_UPPER];
    double area_m2 =
        fmin(mm2(lower->length_mm, lower->width_mm), mm2(upper->length_mm, upper->width_mm));
    for (int i = 0; i < SLAB_CELLS; i++)
        add_link(thermal, thermal->slab[LAYER_LOWER][i], thermal->slab[LAYER_UPPER][i],
                 GAP_W_M2K * area_m2 / SLAB_CELLS);
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

/* What lies on a board's face takes it from the cells below; some of each always stays free. */
static void cover(struct thermal *thermal, const struct board_slab *slab,
                  const struct board_part *part)
{
    double cell_mm = slab->length_mm / SLAB_CELLS;
    double left_mm = part->x_mm - 0.5 * part->length_mm;
    for (int i = 0; i < SLAB_CELLS; i++) {
        double from_mm = fmax(left_mm, i * cell_mm);
        double to_mm = fmin(left_mm + part->length_mm, (i + 1) * cell_mm);
        if (to_mm <= from_mm)
            continue;
        struct thermal_node *cell = &thermal->node[thermal->slab[part->on][i]];
        double free_m2 = cell->area_m2 - mm2(to_mm - from_mm, part->width_mm);
        give_face(cell, fmax(free_m2, 0.2 * cell->area_m2), cell->in_gap);
    }
}

static void build_part(struct thermal *thermal, const struct thermal_setup *setup, int index)
{
    const struct board_part *part = &setup->board->part[index];
    const struct board_slab *slab = &setup->board->slab[part->on];
    thermal->part[index] = -1;
    if (thermal->slab[part->on][0] < 0)
        return;
    int node = add_node(thermal, part_j_k(part) * setup->mass_factor);
    thermal->part[index] = node;
    double foot_m2 = mm2(part->length_mm, part->width_mm);
    give_face(&thermal->node[node], foot_m2, part->on == LAYER_LOWER);
    cover(thermal, slab, part);
    double edge_m = 2e-3 * (part->length_mm + part->width_mm);
    if (joint_of_part(setup, part->name) < 0)
        link_to_slab(thermal, part->on, slab, part->x_mm, node,
                     foot_m2 * PART_FOOT_W_M2K + edge_m * PART_EDGE_W_MK);
}

/* x of a point of the board's edge, `share` of the way round anticlockwise from the middle of the
 * side x = 0. */
static double edge_x_mm(const struct board_slab *slab, double share)
{
    double length = slab->length_mm, width = slab->width_mm;
    double along = share * 2 * (length + width);
    if (along > length + width) /* the way back mirrors the way out */
        along = 2 * (length + width) - along;
    return fmin(fmax(along - 0.5 * width, 0), length);
}

static void melt_at(struct thermal_node *node, const struct alloy *alloy, double mass_g)
{
    node->latent_j = mass_g * alloy->latent_j_g;
    node->liquidus_c = alloy->liquidus_c;
    node->solidus_c = fmin(alloy->solidus_c, alloy->liquidus_c - 1); /* a eutectic melts over 1 K */
}

static int add_segment(struct thermal *thermal, const struct board_joint *joint, int index, int i)
{
    double mass_g = joint->mass_g * joint->share[i];
    int node = add_node(thermal, mass_g * joint->alloy.cp_j_gk);
    melt_at(&thermal->node[node], &joint->alloy, mass_g);
    thermal->segment[index][i] = node;
    return node;
}

static void build_frame(struct thermal *thermal, const struct thermal_setup *setup, int index)
{
    const struct board_joint *joint = &setup->board->joint[index];
    for (int i = 0; i < joint->segments; i++) {
        int node = add_segment(thermal, joint, index, i);
        for (int layer = LAYER_LOWER; layer <= LAYER_UPPER; layer++) {
            if (thermal->slab[layer][0] < 0)
                continue;
            const struct board_slab *slab = &setup->board->slab[layer];
            double x_mm = edge_x_mm(slab, (double)i / joint->segments);
            double side_w_k = 2 * joint->contact_w_k * joint->share[i]; /* two sides in series */
            link_to_slab(thermal, (enum board_layer)layer, slab, x_mm, node, side_w_k);
            take_land(thermal, (enum board_layer)layer, slab, x_mm, node,
                      LAND_SHARE * slab_j_k(slab) * setup->mass_factor * joint->share[i]);
        }
    }
}

static int joints_of_part(const struct board *board, const char *name)
{
    int count = 0;
    for (int i = 0; i < board->joint_count; i++)
        count += strcmp(board->joint[i].part, name) == 0;
    return count;
}

static void build_foot(struct thermal *thermal, const struct thermal_setup *setup, int index,
                       int part_index)
{
    const struct board_joint *joint = &setup->board->joint[index];
    const struct board_part *part = &setup->board->part[part_index];
    const struct board_slab *slab = &setup->board->slab[part->on];
    int body = thermal->part[part_index];
    if (body < 0)
        return;
    double land_j_k = PART_LAND_SHARE * part_j_k(part) * setup->mass_factor /
                      joints_of_part(setup->board, joint->part);
    for (int i = 0; i < joint->segments; i++) {
        int node = add_segment(thermal, joint, index, i);
        double x_mm =
            part->x_mm - 0.5 * part->length_mm + (i + 0.5) / joint->segments * part->length_mm;
        double side_w_k = 2 * joint->contact_w_k * joint->share[i];
        link_to_slab(thermal, part->on, slab, x_mm, node, side_w_k);
        add_link(thermal, node, body, side_w_k);
        take_land(thermal, part->on, slab, x_mm, node, land_j_k * joint->share[i]);
        thermal->node[node].capacity_j_k += land_j_k * joint->share[i];
        thermal->node[body].capacity_j_k -= land_j_k * joint->share[i];
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
    if (thermal->segment[index][0] < 0)
        thermal->segments[index] = 0; /* its layer is not there */
}

static void build_board(struct thermal *thermal, const struct thermal_setup *setup)
{
    const struct board *board = setup->board;
    const struct board_slab *lower = &board->slab[LAYER_LOWER];
    thermal->upper_on = setup->upper_present && board->slab[LAYER_UPPER].present;
    thermal->air_length_m =
        lower->length_mm * lower->width_mm * 1e-3 / (2 * (lower->length_mm + lower->width_mm));
    build_slab(thermal, setup, LAYER_LOWER);
    build_contact(thermal, setup);
    if (thermal->upper_on) {
        build_slab(thermal, setup, LAYER_UPPER);
        build_gap(thermal, board);
    }
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
    memset(thermal, 0, sizeof *thermal);
    memset(thermal->slab, -1, sizeof thermal->slab);
    memset(thermal->part, -1, sizeof thermal->part);
    memset(thermal->segment, -1, sizeof thermal->segment);
    thermal->air_length_m = 0.025;
}

/* Everything that may come to be there, none of it there yet; returns how many nodes are the bench's own. */
static int build(struct thermal *thermal, const struct thermal_setup *setup)
{
    clear_numbers(thermal);
    thermal->room_c = setup->room_c;
    build_plate(thermal, &setup->plate, &setup->insert);
    thermal->node[thermal->plate].area_m2 = setup->plate.emissivity_area;
    int bench_nodes = thermal->nodes;
    if (setup->board)
        build_board(thermal, setup);
    return bench_nodes;
}

/* What of the board a node is; NULL: the bench's own. */
static const char *name_of(const struct thermal *thermal, const struct board *board, int node,
                           const char **what)
{
    static const char *const layers[BOARD_LAYERS] = {
        [LAYER_LOWER] = "lower", [LAYER_UPPER] = "upper"};
    *what = "layer";
    for (int i = 0; i < BOARD_LAYERS * SLAB_CELLS; i++)
        if (thermal->slab[i / SLAB_CELLS][i % SLAB_CELLS] == node)
            return layers[i / SLAB_CELLS];
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
    if (thermal.step_s >= LEAST_STEP_S)
        return 0;
    double within_s = plan_stiffest(&thermal, &node);
    name = name_of(&thermal, board, node, &what);
    tl_error_set(error, TL_RANGE,
                 "board %s: %s %s: its %.2g J/K follow what it touches within %.2g ms; nothing is "
                 "that quick, and no rehearsal ends in steps so small: more mass, or less contact",
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
    plan_air(thermal);
    for (int i = 0; i < bench_nodes; i++)
        node_appear(thermal, i);
    plan_make(thermal);
    return 0;
}
