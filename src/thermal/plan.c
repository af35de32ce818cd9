/* SPDX-License-Identifier: MIT */
/* From the network to what the inner loop wants. */
#include "plan.h"

#include <math.h>
#include <string.h>

#include "materials.h"

/* ---- memory ---- */

static void *take(char *memory, size_t *used, size_t count, size_t size)
{
    void *at = memory ? memory + *used : NULL;
    *used += (count * size + sizeof(double) - 1) / sizeof(double) * sizeof(double);
    return at;
}

#define TAKE(array, count) (array) = take(memory, &used, (size_t)(count), sizeof *(array))

size_t lay_out(struct thermal *thermal, void *memory, int nodes, int links)
{
    struct thermal_plan *plan = &thermal->plan;
    struct thermal_box *box = &thermal->box;
    int cells = box->nz * box->nx * box->ny;
    size_t used = 0;
    thermal->most_nodes = nodes;
    thermal->most_links = links;
    TAKE(thermal->node, nodes);
    TAKE(thermal->heat_j, nodes);
    TAKE(thermal->temp_c, nodes);
    TAKE(thermal->link, links);
    TAKE(plan->from, links);
    TAKE(plan->to, links);
    TAKE(plan->w_k, links);
    TAKE(plan->up, links);
    TAKE(plan->own, links);
    TAKE(plan->down, links);
    TAKE(plan->root, links);
    TAKE(plan->root_own, links);
    TAKE(plan->k_per_j, nodes);
    TAKE(plan->j_per_k, nodes);
    TAKE(plan->watts, nodes);
    TAKE(plan->flow_w, nodes);
    TAKE(plan->melt, nodes);
    TAKE(plan->phase, nodes);
    TAKE(plan->solid_j, nodes);
    TAKE(plan->liquid_j, nodes);
    TAKE(plan->mushy_k_per_j, nodes);
    TAKE(plan->melt_was_j, nodes);
    TAKE(plan->face, nodes);
    TAKE(plan->face_row, nodes);
    TAKE(plan->face_air, nodes);
    TAKE(plan->face_sky, nodes);
    TAKE(plan->face_w_k, nodes);
    TAKE(plan->face_fan_w_k, nodes);
    TAKE(plan->face_moved_k, nodes);
    TAKE(plan->face_eased_k, nodes);
    TAKE(plan->face_loss_w, nodes);
    TAKE(plan->face_own, nodes);
    TAKE(plan->face_frees, nodes);
    TAKE(box->x_w_k, box->nz);
    TAKE(box->y_w_k, box->nz);
    TAKE(box->down_w_k, cells);
    TAKE(box->x_per_w_s, box->nz);
    TAKE(box->y_per_w_s, box->nz);
    TAKE(box->down_per_w_s, cells);
    for (int i = 0; i < AXIS_NONE; i++)
        TAKE(box->own[i], cells);
    return used;
}

/* ---- families ---- */

static bool takes_part(const struct thermal *thermal, const struct thermal_link *link)
{
    return thermal->node[link->from].there && thermal->node[link->to].there;
}

static void take_link(struct thermal *thermal, const struct thermal_link *link, int from)
{
    struct thermal_plan *plan = &thermal->plan;
    struct thermal_family *family = &plan->family[plan->families];
    if (thermal->node[link->from].latent_j > 0 || thermal->node[link->to].latent_j > 0)
        family->melts = true;
    plan->from[plan->links] = from;
    plan->to[plan->links] = link->from + link->to - from;
    plan->w_k[plan->links++] = link->w_k;
}

/* Who is nobody's child. `mark` is work space. */
static void find_roots(struct thermal *thermal, struct thermal_family *family)
{
    struct thermal_plan *plan = &thermal->plan;
    int end = family->first + family->count;
    double *mark = plan->watts;
    for (int i = family->first; i < end; i++)
        mark[plan->to[i]] = 0;
    for (int i = family->first; i < end; i++)
        mark[plan->from[i]] = 1;
    family->first_root = plan->roots;
    for (int i = family->first; i < end; i++) {
        if (mark[plan->to[i]] > 0)
            continue;
        mark[plan->to[i]] = 1;
        plan->root[plan->roots++] = plan->to[i];
    }
    family->roots = plan->roots - family->first_root;
}

static struct thermal_family *begin_family(struct thermal_plan *plan)
{
    struct thermal_family *family = &plan->family[plan->families];
    *family = (struct thermal_family){.first = plan->links};
    return family;
}

static void end_family(struct thermal *thermal, struct thermal_family *family)
{
    struct thermal_plan *plan = &thermal->plan;
    family->count = plan->links - family->first;
    if (family->count == 0)
        return;
    find_roots(thermal, family);
    plan->families++;
}

/* grid.c adds them in an order that goes to the roots. */
static void plan_axis(struct thermal *thermal, enum thermal_axis axis)
{
    struct thermal_family *family = begin_family(&thermal->plan);
    for (int i = 0; i < thermal->links; i++)
        if (thermal->link[i].axis == axis && takes_part(thermal, &thermal->link[i]))
            take_link(thermal, &thermal->link[i], thermal->link[i].from);
    end_family(thermal, family);
}

static int head_of(int *head, int node)
{
    while (head[node] != node)
        node = head[node] = head[head[node]];
    return node;
}

/* Work space for families of loose links, all of it in what only a step fills. */
struct loose {
    int *left; /* the links that still look for a family */
    int lefts;
    int *chosen, *head; /* by node: of its tree; then who is to be peeled next */
    int *degree, *ends; /* by node: links in the family, and all their numbers xor-ed */
};

/* As many as make no circle; the rest stays left. */
static int choose(const struct thermal *thermal, struct loose *loose)
{
    int count = 0, lefts = 0;
    for (int i = 0; i < thermal->nodes; i++)
        loose->head[i] = i;
    for (int i = 0; i < loose->lefts; i++) {
        const struct thermal_link *link = &thermal->link[loose->left[i]];
        int a = head_of(loose->head, link->from), b = head_of(loose->head, link->to);
        if (a == b) {
            loose->left[lefts++] = loose->left[i];
        } else {
            loose->head[a] = b;
            loose->chosen[count++] = loose->left[i];
        }
    }
    loose->lefts = lefts;
    return count;
}

/* From the leaves inwards, those first that wait for no other: a node with one link left is done with, and hands
 * that link on. */
static void peel(struct thermal *thermal, struct loose *loose, int count)
{
    int *queue = loose->head, queued = 0;
    for (int i = 0; i < thermal->nodes; i++)
        loose->degree[i] = loose->ends[i] = 0;
    for (int i = 0; i < count; i++) {
        const struct thermal_link *link = &thermal->link[loose->chosen[i]];
        loose->degree[link->from]++;
        loose->degree[link->to]++;
        loose->ends[link->from] ^= loose->chosen[i];
        loose->ends[link->to] ^= loose->chosen[i];
    }
    for (int i = 0; i < thermal->nodes; i++)
        if (loose->degree[i] == 1)
            queue[queued++] = i;
    for (int i = 0; i < queued; i++) {
        int leaf = queue[i];
        if (loose->degree[leaf] == 0)
            continue; /* a tree's last node is its root */
        const struct thermal_link *link = &thermal->link[loose->ends[leaf]];
        int next = link->from + link->to - leaf;
        take_link(thermal, link, leaf);
        loose->degree[leaf] = 0;
        loose->ends[next] ^= loose->ends[leaf];
        if (--loose->degree[next] == 1)
            queue[queued++] = next;
    }
}

static void plan_loose(struct thermal *thermal)
{
    struct thermal_plan *plan = &thermal->plan;
    /* What only plan_factor and a step fill is free now; an int takes half of a double's room. */
    struct loose loose = {.left = (int *)plan->up,
                          .chosen = (int *)plan->down,
                          .head = (int *)plan->watts,
                          .degree = (int *)plan->face_moved_k,
                          .ends = (int *)plan->face_eased_k};
    for (int i = 0; i < thermal->links; i++)
        if (thermal->link[i].axis == AXIS_NONE && takes_part(thermal, &thermal->link[i]))
            loose.left[loose.lefts++] = i;
    while (loose.lefts > 0 && plan->families < THERMAL_FAMILIES) {
        struct thermal_family *family = begin_family(plan);
        peel(thermal, &loose, choose(thermal, &loose));
        end_family(thermal, family);
    }
}

/* ---- nodes ---- */

static void plan_melting(struct thermal *thermal, int at)
{
    struct thermal_plan *plan = &thermal->plan;
    const struct thermal_node *node = &thermal->node[at];
    int i = plan->melting++;
    plan->melt[i] = at;
    plan->phase[i] = -1;
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
    plan->face[i] = at;
    if (i == 0 || plan->face[i - 1] != at - 1)
        plan->face_row[plan->face_rows++] = i;
    plan->face_air[i] = is_plate ? 0 : node->area_m2; /* the plate's own constant holds its air */
    plan->face_sky[i] = STEFAN * node->emissivity * node->area_m2;
    plan->face_w_k[i] = node->loss_w_k;
    plan->face_fan_w_k[i] = node->fan_w_k;
}

bool plan_phases(struct thermal *thermal)
{
    struct thermal_plan *plan = &thermal->plan;
    bool moved = false;
    for (int i = 0; i < plan->melting; i++) {
        int node = plan->melt[i];
        double heat_j = thermal->heat_j[node];
        int phase = heat_j >= plan->liquid_j[i] ? 2 : heat_j > plan->solid_j[i] ? 1 : 0;
        if (phase != plan->phase[i]) {
            moved = true;
            plan->phase[i] = phase;
            plan->k_per_j[node] =
                phase == 1 ? plan->mushy_k_per_j[i] : 1 / thermal->node[node].capacity_j_k;
            plan->j_per_k[node] = 1 / plan->k_per_j[node];
        }
        if (phase == 1)
            thermal->temp_c[node] =
                thermal->node[node].solidus_c + (heat_j - plan->solid_j[i]) * plan->k_per_j[node];
        else
            thermal->temp_c[node] =
                (heat_j - (phase == 2 ? thermal->node[node].latent_j : 0)) * plan->k_per_j[node];
    }
    return moved;
}

double straight_w_k(const struct thermal *thermal, int i)
{
    const struct thermal_plan *plan = &thermal->plan;
    return plan->face_w_k[i] + plan->face_fan_w_k[i] +
           EASE_W_M2K * thermal->node[plan->face[i]].area_m2;
}

double plan_stiffest(const struct thermal *thermal, bool loose, int *node)
{
    const struct thermal_plan *plan = &thermal->plan;
    double *own = plan->watts; /* 1/s: how quickly each node follows its neighbours */
    memset(own, 0, (size_t)thermal->nodes * sizeof *own);
    if (!loose)
        box_quickness(thermal, own);
    for (int i = 0; i < thermal->links; i++) {
        const struct thermal_link *link = &thermal->link[i];
        if ((loose && link->axis != AXIS_NONE) || !takes_part(thermal, link))
            continue;
        own[link->from] += link->w_k / thermal->node[link->from].capacity_j_k;
        own[link->to] += link->w_k / thermal->node[link->to].capacity_j_k;
    }
    *node = 0;
    for (int i = 1; i < thermal->nodes; i++)
        if (own[i] > own[*node])
            *node = i;
    return 1 / own[*node];
}

void plan_make(struct thermal *thermal)
{
    struct thermal_plan *plan = &thermal->plan;
    plan->links = plan->families = plan->roots = 0;
    box_make(thermal);
    for (enum thermal_axis axis = AXIS_X; axis < AXIS_NONE; axis++)
        plan_axis(thermal, axis);
    plan_loose(thermal);
    plan->melting = plan->faces = plan->face_rows = 0;
    plan->step_s = 0;
    for (int i = 0; i < thermal->nodes; i++) {
        const struct thermal_node *node = &thermal->node[i];
        plan->k_per_j[i] = node->there ? 1 / node->capacity_j_k : 0;
        plan->j_per_k[i] = node->there ? node->capacity_j_k : 0;
        plan->face_moved_k[i] = plan->face_eased_k[i] = 0;
        if (!node->there)
            continue;
        if (node->latent_j > 0)
            plan_melting(thermal, i);
        plan_face(thermal, i);
    }
    int quickest;
    double loose = thermal->cells_y == 1 ? BEARS_COARSE : BEARS_LOOSE;
    double within_s = plan_stiffest(thermal, false, &quickest);
    thermal->bears_s = fmin(BEARS_GRID * within_s, loose * plan_stiffest(thermal, true, &quickest));
    plan->sure_s = within_s / (FACTORS + plan->families);
    plan->trusted_s = HUGE_VAL;
    plan->went_well = 0;
    plan->seen = false;
    plan_phases(thermal);
    plan_temps(thermal, thermal->heat_j, thermal->temp_c);
}

/* ---- factors ---- */

/* (1 + h A) x = b for the links of one family, A = G (x_from - x_to) / C: eliminated from the leaves to the
 * roots. */
static void factor(struct thermal *thermal, const struct thermal_family *family, double half_s)
{
    struct thermal_plan *plan = &thermal->plan;
    int end = family->first + family->count;
    double *diagonal = plan->watts;
    for (int i = family->first; i < end; i++)
        diagonal[plan->from[i]] = diagonal[plan->to[i]] = 1;
    if (family == plan->family && thermal->box.planes > 0 && thermal->box.foot >= 0)
        diagonal[thermal->box.foot] += thermal->box.foot_j_k * plan->k_per_j[thermal->box.foot];
    for (int i = family->first; i < end; i++) {
        double w_s = half_s * plan->w_k[i];
        diagonal[plan->from[i]] += w_s * plan->k_per_j[plan->from[i]];
        diagonal[plan->to[i]] += w_s * plan->k_per_j[plan->to[i]];
    }
    for (int i = family->first; i < end; i++) {
        int from = plan->from[i], to = plan->to[i];
        double w_s = half_s * plan->w_k[i];
        plan->own[i] = 1 / diagonal[from];
        plan->up[i] = w_s * plan->k_per_j[to];
        plan->down[i] = w_s * plan->k_per_j[from] * plan->own[i];
        diagonal[to] -= plan->up[i] * plan->down[i];
    }
    for (int i = 0; i < family->roots; i++)
        plan->root_own[family->first_root + i] = 1 / diagonal[plan->root[family->first_root + i]];
}

static void factor_faces(struct thermal *thermal, double half_s)
{
    struct thermal_plan *plan = &thermal->plan;
    for (int i = 0; i < plan->faces; i++) {
        plan->face_own[i] = half_s * plan->k_per_j[plan->face[i]] * straight_w_k(thermal, i);
        plan->face_frees[i] = 1 / (1 + plan->face_own[i]);
    }
}

void plan_factor(struct thermal *thermal, double dt_s, bool pinned)
{
    struct thermal_plan *plan = &thermal->plan;
    bool all = dt_s != plan->step_s || pinned != plan->pinned;
    if (!all && !plan->phases_moved)
        return;
    const int held[] = {thermal->element, thermal->plate};
    for (int i = 0; i < 2; i++) /* what is held is as good as endless */
        plan->k_per_j[held[i]] = pinned ? 0 : 1 / thermal->node[held[i]].capacity_j_k;
    if (all || thermal->box.melts)
        box_factor(thermal, 0.5 * dt_s);
    for (int i = 0; i < plan->families; i++)
        if (all || thermal->box.melts || plan->family[i].melts)
            factor(thermal, &plan->family[i], 0.5 * dt_s);
    if (all)
        factor_faces(thermal, 0.5 * dt_s);
    plan->step_s = dt_s;
    plan->pinned = pinned;
    plan->phases_moved = false;
}
