/* SPDX-License-Identifier: MIT */
/* Forecasts: the same network, gone ahead with in steps of seconds; and one network out of several. */
#include <math.h>

#include "plan.h"

#define STRIDE_S 4.0

/* How far the joint's last place is from wholly molten (or solid), in J; <= 0: there. */
static double short_of(const struct thermal *thermal, int joint, bool molten)
{
    double worst_j = -HUGE_VAL;
    for (int i = 0; i < thermal_places(thermal, joint); i++) {
        int at = thermal->segment[joint][0] + i;
        const struct thermal_node *node = &thermal->node[at];
        if (!node->there)
            continue;
        double heat_j = thermal->heat_j[at];
        double lacks_j = molten ? thermal_heat_of(node, node->liquidus_c) - heat_j
                                : heat_j - thermal_heat_of(node, node->solidus_c);
        worst_j = fmax(worst_j, lacks_j);
    }
    return worst_j;
}

double thermal_foresee(const struct thermal *thermal, const struct thermal_input *input,
                       bool pinned, int joint, bool molten, double horizon_s)
{
    struct thermal ahead;
    double lacks_j = short_of(thermal, joint, molten), before_j = HUGE_VAL;
    if (lacks_j == -HUGE_VAL)
        return -1; /* the joint is not there */
    if (lacks_j <= 0)
        return 0;
    thermal_copy(&ahead, thermal);
    ahead.most_step_s = STRIDE_S;
    for (double t_s = 0; t_s < horizon_s; t_s += STRIDE_S) {
        if (pinned)
            thermal_step_pinned(&ahead, input, thermal_plate_c(thermal), STRIDE_S);
        else
            thermal_step(&ahead, input, STRIDE_S);
        double now_j = short_of(&ahead, joint, molten);
        if (now_j <= 0)
            return t_s + STRIDE_S * lacks_j / (lacks_j - now_j);
        /* Slowing down, and at this pace not there in time: it never will be. */
        double gain_j = lacks_j - now_j, pace = gain_j / STRIDE_S;
        if (t_s > 60 && gain_j <= before_j && pace * (horizon_s - t_s) < now_j)
            return -1;
        before_j = gain_j;
        lacks_j = now_j;
    }
    return -1;
}

/* By temperatures: heat would leap in each of them where it melts. */
struct thermal_node thermal_mix_node(const struct thermal *base, const struct thermal *const *other,
                                     const double *share, int count, int node, double *heat_j)
{
    struct thermal_node mixed = base->node[node];
    double base_j_k = mixed.capacity_j_k, temp_c = base->temp_c[node];
    for (int i = 0; i < count; i++) {
        temp_c += share[i] * (other[i]->temp_c[node] - base->temp_c[node]);
        mixed.capacity_j_k += share[i] * (other[i]->node[node].capacity_j_k - base_j_k);
    }
    *heat_j = thermal_heat_of(&mixed, temp_c);
    return mixed;
}

void thermal_mix(struct thermal *out, const struct thermal *base,
                 const struct thermal *const *other, const double *share, int count)
{
    thermal_copy(out, base);
    for (int i = 0; i < out->nodes; i++)
        out->node[i] = thermal_mix_node(base, other, share, count, i, &out->heat_j[i]);
    for (int i = 0; i < out->links; i++)
        for (int k = 0; k < count; k++)
            out->link[i].w_k += share[k] * (other[k]->link[i].w_k - base->link[i].w_k);
    plan_make(out);
}
