/* SPDX-License-Identifier: MIT */
/* From the network to what the inner loop wants. */
#include "plan.h"

#include <math.h>
#include <string.h>

#include "materials.h"

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

/* 1/s: how quickly each node follows its neighbours and the air. */
static void own_rates(const struct thermal *thermal, double own[THERMAL_NODES])
{
    const struct thermal_plan *plan = &thermal->plan;
    memset(own, 0, THERMAL_NODES * sizeof *own);
    for (int i = 0; i < plan->links; i++) {
        own[plan->from[i]] += plan->w_k[i] * plan->k_per_j[plan->from[i]];
        own[plan->to[i]] += plan->w_k[i] * plan->k_per_j[plan->to[i]];
    }
    for (int i = 0; i < plan->faces;
         i++) { /* 30 W/m2K: convection and radiation, hot, in a draft */
        double w_k = plan->face_w_k[i] + plan->face_fan_w_k[i] + 30 * plan->face_air[i];
        own[plan->face[i]] += w_k * plan->k_per_j[plan->face[i]];
    }
}

double plan_stiffest(const struct thermal *thermal, int *node)
{
    double own[THERMAL_NODES];
    own_rates(thermal, own);
    *node = 0;
    for (int i = 1; i < thermal->nodes; i++)
        if (own[i] > own[*node])
            *node = i;
    return 1 / own[*node];
}

/* An upper bound of |lambda|: Gershgorin's after the similarity transform x = sqrt(sum(G)/C), any
 * positive x being allowed. Light nodes hang on heavy ones, so this is nearly half of the plain bound. */
static double fastest_1_s(const struct thermal *thermal)
{
    const struct thermal_plan *plan = &thermal->plan;
    double own[THERMAL_NODES], bound[THERMAL_NODES], fastest = 1e-3;
    own_rates(thermal, own);
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
