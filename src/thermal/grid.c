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

static int part_of_joint(const struct board *board, const struct board_joint *joint)
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

static void plan_links(struct thermal *thermal)
{
    struct thermal_plan *plan = &thermal->plan;
    plan->links = 0;
    for (int i = 0; i < thermal->links; i++) {
        struct thermal_link *link = &thermal->link[i];
        link->there = thermal->node[link->from].there && thermal->node[link->to].there;
        if (!link->there)
            continue;
        plan->from[plan->links] = (uint8_t)link->from;
        plan->to[plan->links] = (uint8_t)link->to;
        plan->w_k[plan->links++] = link->w_k;
    }
}

static void plan_melting(struct thermal *thermal, int at)
{
    struct thermal_plan *plan = &thermal->plan;
    const struct thermal_node *node = &thermal->node[at];
    int i = plan->melting++;
    plan->melt[i] = (uint8_t)at;
    plan->solidus_c[i] = node->solidus_c;
    plan->latent_j[i] = node->latent_j;
    plan->solid_j[i] = node->capacity_j_k * node->solidus_c;
    plan->liquid_j[i] = node->capacity_j_k * node->liquidus_c + node->latent_j;
    plan->mushy_k_per_j[i] =
        (node->liquidus_c - node->solidus_c) / (plan->liquid_j[i] - plan->solid_j[i]);
}

static void plan_face(struct thermal *thermal, int at)
{
    struct thermal_plan *plan = &thermal->plan;
    const struct thermal_node *node = &thermal->node[at];
    bool covered = node->in_gap && thermal->upper_on;
    bool is_plate = at == thermal->plate;
    if (covered || (node->area_m2 <= 0 && node->loss_w_k <= 0))
        return;
    int i = plan->faces++;
    plan->face[i] = (uint8_t)at;
    plan->face_air[i] = is_plate ? 0 : node->area_m2; /* the plate's own constant holds its air */
    plan->face_sky[i] = STEFAN * node->emissivity * node->area_m2;
    plan->face_w_k[i] = node->loss_w_k;
    plan->face_fan_w_k[i] = node->fan_w_k;
}

/* An upper bound of |lambda|: Gershgorin's after the similarity transform x = sqrt(sum(G)/C), any
 * positive x being allowed. Light nodes hang on heavy ones, so this is nearly half of the plain bound. */
static double fastest_1_s(const struct thermal *thermal)
{
    const struct thermal_plan *plan = &thermal->plan;
    double own[THERMAL_NODES] = {0}, bound[THERMAL_NODES], fastest = 1e-3;
    for (int i = 0; i < plan->links; i++) {
        own[plan->from[i]] += plan->w_k[i] * plan->k_per_j[plan->from[i]];
        own[plan->to[i]] += plan->w_k[i] * plan->k_per_j[plan->to[i]];
    }
    for (int i = 0; i < plan->faces;
         i++) { /* 30 W/m2K: convection and radiation, hot, in a draft */
        double w_k = plan->face_w_k[i] + plan->face_fan_w_k[i] + 30 * plan->face_air[i];
        own[plan->face[i]] += w_k * plan->k_per_j[plan->face[i]];
    }
    memcpy(bound, own, sizeof bound);
    for (int i = 0; i < plan->links; i++) {
        int from = plan->from[i], to = plan->to[i];
        double lift = sqrt(own[to] / own[from]); /* both have this link, so neither is 0 */
        bound[from] += plan->w_k[i] * plan->k_per_j[from] * lift;
        bound[to] += plan->w_k[i] * plan->k_per_j[to] / lift;
    }
    for (int i = 0; i < thermal->nodes; i++)
        fastest = fmax(fastest, bound[i]);
    return fastest;
}

void plan_make(struct thermal *thermal)
{
    struct thermal_plan *plan = &thermal->plan;
    plan_links(thermal);
    plan->melting = plan->faces = 0;
    for (int i = 0; i < thermal->nodes; i++) {
        const struct thermal_node *node = &thermal->node[i];
        plan->k_per_j[i] = node->there ? 1 / node->capacity_j_k : 0;
        if (!node->there)
            continue;
        if (node->latent_j > 0)
            plan_melting(thermal, i);
        plan_face(thermal, i);
    }
    thermal->step_s = STABLE / fastest_1_s(thermal);
    plan_temps(thermal, thermal->heat_j, thermal->temp_c);
}

/* ---- what a setup may hold ---- */

static bool in(double value, double low, double high)
{
    return value >= low && value <= high; /* false for NaN */
}

static int check_slab(const struct board_slab *slab, struct tl_error *error)
{
    if (!in(slab->length_mm, 1, 500) || !in(slab->width_mm, 1, 500) ||
        !in(slab->thick_mm, 0.05, 20) || !in(slab->copper_share, 0, 1) ||
        !in(slab->parts_g, 0, 1000))
        return tl_error_set(
            error, TL_RANGE,
            "board: a layer is 1 to 500 mm long and wide, 0.05 to 20 mm thick, with 0 "
            "to 100 %% copper and up to 1000 g of parts");
    return 0;
}

static int check_part(const struct board *board, const struct board_part *part,
                      struct tl_error *error)
{
    if (!in(part->length_mm, 0.1, 500) || !in(part->width_mm, 0.1, 500) ||
        !in(part->thick_mm, 0.05, 50))
        return tl_error_set(error, TL_RANGE,
                            "part %s: 0.1 to 500 mm long and wide, 0.05 to 50 mm thick",
                            part->name);
    if (!in(part->x_mm, 0, board->slab[part->on].length_mm) ||
        !in(part->y_mm, 0, board->slab[part->on].width_mm))
        return tl_error_set(error, TL_RANGE, "part %s: its centre is not on its board", part->name);
    return 0;
}

static int check_joint(const struct board *board, const struct board_joint *joint,
                       struct tl_error *error)
{
    if (joint->part[0] && part_of_joint(board, joint) < 0)
        return tl_error_set(error, TL_UNKNOWN, "joint %s: the board has no part named %s",
                            joint->name, joint->part);
    if (!in(joint->segments, 1, JOINT_SEGMENTS))
        return tl_error_set(error, TL_RANGE, "joint %s: 1 to %d segments", joint->name,
                            JOINT_SEGMENTS);
    double sum = 0;
    for (int i = 0; i < joint->segments; i++) {
        if (!in(joint->share[i], 0.001, 1))
            return tl_error_set(error, TL_RANGE,
                                "joint %s: each segment has a share of 0.1 %% or more",
                                joint->name);
        sum += joint->share[i];
    }
    if (!in(sum, 0.999, 1.001))
        return tl_error_set(error, TL_RANGE, "joint %s: the segments' shares add up to 100 %%",
                            joint->name);
    if (!in(joint->mass_g, 1e-4, 100) || !in(joint->contact_w_k, 1e-4, 100))
        return tl_error_set(error, TL_RANGE,
                            "joint %s: 0.1 mg to 100 g of solder, 0.1 mW/K to 100 W/K of contact",
                            joint->name);
    const struct alloy *alloy = &joint->alloy;
    if (!in(alloy->liquidus_c, 30, 400) || !in(alloy->solidus_c, 30, alloy->liquidus_c) ||
        !in(alloy->latent_j_g, 1, 500) || !in(alloy->cp_j_gk, 0.05, 2))
        return tl_error_set(error, TL_RANGE,
                            "joint %s: its alloy melts between 30 C and 400 C, solidus not above "
                            "liquidus, with 1 to 500 J/g latent and 0.05 to 2 J/gK",
                            joint->name);
    return 0;
}

static int check_board(const struct thermal_setup *setup, struct tl_error *error)
{
    const struct board *board = setup->board;
    if (!board->slab[LAYER_LOWER].present)
        return tl_error_set(error, TL_RANGE, "board %s: no lower layer", board->name);
    if (board->part_count > BOARD_PARTS || board->joint_count > BOARD_JOINTS)
        return tl_error_set(error, TL_FULL, "board %s: at most %d parts and %d joints", board->name,
                            BOARD_PARTS, BOARD_JOINTS);
    if (!in(board->contact_spread, 0, 1))
        return tl_error_set(error, TL_RANGE, "board %s: contact spread is 0 to 100 %%",
                            board->name);
    int err = 0;
    for (int i = 0; i < BOARD_LAYERS && !err; i++)
        if (board->slab[i].present)
            err = check_slab(&board->slab[i], error);
    for (int i = 0; i < board->part_count && !err; i++)
        err = check_part(board, &board->part[i], error);
    for (int i = 0; i < board->joint_count && !err; i++)
        err = check_joint(board, &board->joint[i], error);
    return err;
}

static int check(const struct thermal_setup *setup, struct tl_error *error)
{
    const struct plate *plate = &setup->plate;
    if (!in(plate->capacity_j_k, 1, 1e5) || !in(plate->watts, 0, 1e5) ||
        !in(plate->loss_w_k, 0, 1e3) || !in(plate->emissivity_area, 0, 10) ||
        !in(plate->fan_loss_w_k, 0, 1e3) || !in(plate->element_lag_s, 0, 600))
        return tl_error_set(error, TL_RANGE,
                            "plate: 1 to 100000 J/K, up to 100 kW, 1000 W/K and 10 m2, an element "
                            "lag of at most 600 s");
    if (!in(setup->room_c, -20, 60))
        return tl_error_set(error, TL_RANGE, "room: %g C; a bench stands between -20 C and 60 C",
                            setup->room_c);
    if (!in(setup->contact_factor, 0.05, 20) || !in(setup->mass_factor, 0.05, 20))
        return tl_error_set(error, TL_RANGE, "contact or mass factor outside 0.05 to 20");
    const struct insert *insert = &setup->insert;
    bool fitted = insert->capacity_j_k != 0;
    if (fitted && (!in(insert->capacity_j_k, 0.1, 1e4) || !in(insert->plate_w_k, 1e-3, 1e3) ||
                   !in(insert->board_w_k, 1e-4, 1e3)))
        return tl_error_set(error, TL_RANGE,
                            "insert %s: 0.1 to 10000 J/K, contacts above 0 and at most 1000 W/K",
                            insert->name);
    return setup->board ? check_board(setup, error) : 0;
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

/* At room temperature, counted as put in. */
static void appear(struct thermal *thermal, int node)
{
    thermal->node[node].there = true;
    thermal->heat_j[node] = thermal_heat_of(&thermal->node[node], thermal->room_c);
    thermal->put_j += thermal->heat_j[node];
}

static void vanish(struct thermal *thermal, int node)
{
    thermal->node[node].there = false;
    thermal->lost_j += thermal->heat_j[node];
    thermal->heat_j[node] = 0;
}

int thermal_init(struct thermal *thermal, const struct thermal_setup *setup, struct tl_error *error)
{
    int err = check(setup, error);
    if (err)
        return err;
    clear_numbers(thermal);
    thermal->room_c = setup->room_c;
    build_plate(thermal, &setup->plate, &setup->insert);
    thermal->node[thermal->plate].area_m2 = setup->plate.emissivity_area;
    int bench_nodes = thermal->nodes;
    if (setup->board)
        build_board(thermal, setup);
    err = check_capacities(thermal, error);
    if (err)
        return err;
    plan_air(thermal);
    for (int i = 0; i < bench_nodes; i++)
        appear(thermal, i);
    plan_make(thermal);
    return 0;
}

static bool is_there(const struct thermal *thermal, int node)
{
    return node >= 0 && thermal->node[node].there;
}

static void place_upper(struct thermal *thermal)
{
    for (int i = 0; i < SLAB_CELLS; i++)
        appear(thermal, thermal->slab[LAYER_UPPER][i]);
    for (int i = 0; i < thermal->part_count; i++) {
        int node = thermal->part[i];
        if (node < 0 || thermal->node[node].in_gap)
            continue;
        appear(thermal, node);
        for (int j = 0; j < thermal->joint_count; j++)
            for (int k = 0; thermal->joint_part[j] == i && k < thermal->segments[j]; k++)
                appear(thermal, thermal->segment[j][k]);
    }
    thermal->upper_on = true;
}

void thermal_place(struct thermal *thermal)
{
    int first = thermal->slab[LAYER_LOWER][0];
    bool has_upper = thermal->slab[LAYER_UPPER][0] >= 0;
    if (first < 0)
        return;
    if (!thermal->placed)
        for (int i = first; i < thermal->nodes; i++)
            appear(thermal, i);
    else if (has_upper && !thermal->upper_on)
        place_upper(thermal);
    thermal->upper_on = has_upper;
    thermal->placed = true;
    plan_make(thermal);
}

void thermal_remove(struct thermal *thermal)
{
    if (!thermal->placed)
        return;
    for (int i = thermal->slab[LAYER_LOWER][0]; i < thermal->nodes; i++)
        if (thermal->node[i].there)
            vanish(thermal, i);
    thermal->placed = false;
    plan_make(thermal);
}

void thermal_nudge_board(struct thermal *thermal, double add_k)
{
    if (!thermal->placed)
        return;
    for (int i = thermal->slab[LAYER_LOWER][0]; i < thermal->nodes; i++) {
        if (!thermal->node[i].there)
            continue;
        double add_j = add_k * thermal->node[i].capacity_j_k;
        thermal->heat_j[i] += add_j;
        thermal->put_j += add_j;
    }
    plan_temps(thermal, thermal->heat_j, thermal->temp_c);
}

/* Share of the solder still solid between a layer (or a part) and what it is joined to. */
static double solid_share(const struct thermal *thermal, int joint)
{
    return thermal->segments[joint] ? 1 - thermal_joint_molten(thermal, joint) : 0;
}

/* The part's own solder leaves with it when the whole board under it goes, else it stays. */
static void take_part(struct thermal *thermal, int part, bool with_solder)
{
    vanish(thermal, thermal->part[part]);
    for (int j = 0; with_solder && j < thermal->joint_count; j++)
        for (int k = 0; thermal->joint_part[j] == part && k < thermal->segments[j]; k++)
            vanish(thermal, thermal->segment[j][k]);
}

double thermal_lift_upper(struct thermal *thermal)
{
    if (!thermal->placed || !thermal->upper_on)
        return 0;
    double torn = 0;
    for (int j = 0; j < thermal->joint_count; j++)
        if (thermal->joint_part[j] < 0)
            torn = fmax(torn, solid_share(thermal, j));
    for (int i = 0; i < SLAB_CELLS; i++)
        vanish(thermal, thermal->slab[LAYER_UPPER][i]);
    for (int i = 0; i < thermal->part_count; i++)
        if (is_there(thermal, thermal->part[i]) && !thermal->node[thermal->part[i]].in_gap)
            take_part(thermal, i, true);
    thermal->upper_on = false;
    plan_make(thermal);
    return torn;
}

double thermal_lift_part(struct thermal *thermal, int part)
{
    if (part < 0 || part >= thermal->part_count || !is_there(thermal, thermal->part[part]))
        return 0;
    double torn = 0;
    for (int j = 0; j < thermal->joint_count; j++)
        if (thermal->joint_part[j] == part)
            torn = fmax(torn, solid_share(thermal, j));
    take_part(thermal, part, false);
    plan_make(thermal);
    return torn;
}

void thermal_press(struct thermal *thermal, bool pressed)
{
    if (pressed == thermal->pressed)
        return;
    thermal->pressed = pressed;
    for (int i = 0; i < thermal->links; i++) {
        struct thermal_link *link = &thermal->link[i];
        if (link->from == thermal->insert && thermal->insert >= 0)
            link->w_k *= pressed ? PRESS_FACTOR : 1 / PRESS_FACTOR;
    }
    plan_make(thermal);
}

double thermal_plate_c(const struct thermal *thermal)
{
    return thermal->temp_c[thermal->plate];
}

double thermal_board_c(const struct thermal *thermal)
{
    if (!thermal->placed)
        return thermal->room_c;
    enum board_layer top = thermal->upper_on ? LAYER_UPPER : LAYER_LOWER;
    return thermal->temp_c[thermal->slab[top][SLAB_CELLS - 1]];
}

double thermal_part_c(const struct thermal *thermal, int part)
{
    int node = thermal->part[part];
    return node >= 0 && thermal->node[node].there ? thermal->temp_c[node] : thermal->room_c;
}

/* Coldest (sign 1) or hottest (sign -1) segment; the room when none is there. */
static double extreme_c(const struct thermal *thermal, int joint, double sign)
{
    double found = HUGE_VAL;
    for (int i = 0; i < thermal->segments[joint]; i++) {
        int node = thermal->segment[joint][i];
        if (thermal->node[node].there)
            found = fmin(found, sign * thermal->temp_c[node]);
    }
    return found == HUGE_VAL ? thermal->room_c : sign * found;
}

double thermal_joint_coldest_c(const struct thermal *thermal, int joint)
{
    return extreme_c(thermal, joint, 1);
}

double thermal_joint_hottest_c(const struct thermal *thermal, int joint)
{
    return extreme_c(thermal, joint, -1);
}

double thermal_joint_molten(const struct thermal *thermal, int joint)
{
    double molten_j = 0, latent_j = 0;
    for (int i = 0; i < thermal->segments[joint]; i++) {
        int at = thermal->segment[joint][i];
        const struct thermal_node *node = &thermal->node[at];
        if (!node->there)
            continue;
        molten_j += node->latent_j * thermal_molten_of(node, thermal->heat_j[at]);
        latent_j += node->latent_j;
    }
    return latent_j > 0 ? molten_j / latent_j : 0;
}

double thermal_stored_j(const struct thermal *thermal)
{
    double sum = 0;
    for (int i = 0; i < thermal->nodes; i++)
        sum += thermal->heat_j[i];
    return sum;
}
