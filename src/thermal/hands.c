/* SPDX-License-Identifier: MIT */
/* What hands do to the network. */
#include <math.h>

#include "materials.h"
#include "plan.h"

/* At room temperature, counted as put in. */
void node_appear(struct thermal *thermal, int node)
{
    thermal->node[node].there = true;
    thermal->heat_j[node] = thermal_heat_of(&thermal->node[node], thermal->room_c);
    thermal->put_j += thermal->heat_j[node];
}

void node_vanish(struct thermal *thermal, int node)
{
    thermal->node[node].there = false;
    thermal->lost_j += thermal->heat_j[node];
    thermal->heat_j[node] = 0;
}

static bool is_there(const struct thermal *thermal, int node)
{
    return node >= 0 && thermal->node[node].there;
}

static int layer_cells(const struct thermal *thermal, enum board_layer layer)
{
    return thermal->cells_x * thermal->cells_y * thermal->cells_z[layer];
}

static void place_upper(struct thermal *thermal)
{
    for (int i = 0; i < layer_cells(thermal, LAYER_UPPER); i++)
        node_appear(thermal, thermal->slab[LAYER_UPPER] + i);
    for (int i = 0; i < thermal->part_count; i++) {
        int node = thermal->part[i];
        if (node < 0 || thermal->node[node].in_gap)
            continue;
        node_appear(thermal, node);
        for (int j = 0; j < thermal->joint_count; j++)
            for (int k = 0; thermal->joint_part[j] == i && k < thermal_places(thermal, j); k++)
                node_appear(thermal, thermal->segment[j][0] + k);
    }
    thermal->upper_on = true;
}

void thermal_place(struct thermal *thermal)
{
    int first = thermal->slab[LAYER_LOWER];
    bool has_upper = thermal->slab[LAYER_UPPER] >= 0;
    if (first < 0)
        return;
    if (!thermal->placed)
        for (int i = first; i < thermal->nodes; i++)
            node_appear(thermal, i);
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
    for (int i = thermal->slab[LAYER_LOWER]; i < thermal->nodes; i++)
        if (thermal->node[i].there)
            node_vanish(thermal, i);
    thermal->placed = false;
    plan_make(thermal);
}

void thermal_warm_bench(struct thermal *thermal, double temp_c)
{
    int end = thermal->insert < 0 ? thermal->plate + 1 : thermal->insert + thermal->insert_cells;
    for (int i = thermal->element; i < end; i++) {
        double heat_j = temp_c * thermal->node[i].capacity_j_k;
        thermal->put_j += heat_j - thermal->heat_j[i];
        thermal->heat_j[i] = heat_j;
        thermal->temp_c[i] = temp_c;
    }
    thermal->plan.seen = false;
}

void thermal_nudge_board(struct thermal *thermal, double add_k)
{
    if (!thermal->placed)
        return;
    for (int i = thermal->slab[LAYER_LOWER]; i < thermal->nodes; i++) {
        if (!thermal->node[i].there)
            continue;
        double add_j = add_k * thermal->node[i].capacity_j_k;
        thermal->heat_j[i] += add_j;
        thermal->put_j += add_j;
    }
    plan_temps(thermal, thermal->heat_j, thermal->temp_c);
    thermal->plan.phases_moved = plan_phases(thermal) || thermal->plan.phases_moved;
    thermal->plan.seen = false;
}

/* Share of the solder still solid between a layer (or a part) and what it is joined to. */
static double solid_share(const struct thermal *thermal, int joint)
{
    return thermal->segments[joint] ? 1 - thermal_joint_molten(thermal, joint) : 0;
}

/* The part's own solder leaves with it when the whole board under it goes, else it stays. */
static void take_part(struct thermal *thermal, int part, bool with_solder)
{
    node_vanish(thermal, thermal->part[part]);
    for (int j = 0; with_solder && j < thermal->joint_count; j++)
        for (int k = 0; thermal->joint_part[j] == part && k < thermal_places(thermal, j); k++)
            node_vanish(thermal, thermal->segment[j][0] + k);
}

double thermal_lift_upper(struct thermal *thermal)
{
    if (!thermal->placed || !thermal->upper_on)
        return 0;
    double torn = 0;
    for (int j = 0; j < thermal->joint_count; j++)
        if (thermal->joint_part[j] < 0)
            torn = fmax(torn, solid_share(thermal, j));
    for (int i = 0; i < layer_cells(thermal, LAYER_UPPER); i++)
        node_vanish(thermal, thermal->slab[LAYER_UPPER] + i);
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

double thermal_lift(struct thermal *thermal, int part)
{
    if (part >= 0)
        return thermal_lift_part(thermal, part);
    if (thermal->upper_on)
        return thermal_lift_upper(thermal);
    thermal_remove(thermal);
    return 0;
}

static void scale_contact(struct thermal *thermal, double by)
{
    struct thermal_box *box = &thermal->box;
    if (box->nz > 0 && box->foot >= 0) /* the insert is one plane thick */
        for (int i = 0; i < box->nx * box->ny; i++)
            box->down_w_k[box->nx * box->ny + i] *= by;
    for (int i = 0; i < thermal->links; i++) {
        struct thermal_link *link = &thermal->link[i];
        if (link->contact)
            link->w_k *= by;
    }
    plan_make(thermal);
}

void thermal_press(struct thermal *thermal, bool pressed)
{
    if (pressed == thermal->pressed)
        return;
    thermal->pressed = pressed;
    scale_contact(thermal, pressed ? PRESS_FACTOR : 1 / PRESS_FACTOR);
}

void thermal_unseat(struct thermal *thermal)
{
    scale_contact(thermal, UNSEATED_SHARE);
}
