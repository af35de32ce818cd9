/* SPDX-License-Identifier: MIT */
/* The equations, and the explicit midpoint rule that takes the bench through time. */
#include <math.h>
#include <string.h>

#include "materials.h"
#include "plan.h"

#define FLUX_STEP_K 2.0

void plan_air(struct thermal *thermal)
{
    struct thermal_plan *plan = &thermal->plan;
    for (int i = 0; i < THERMAL_FLUX; i++) {
        double above_k = FLUX_STEP_K * i;
        plan->flux_w_m2[i] =
            above_k * thermal_convection_w_m2k(thermal->room_c + above_k, thermal->room_c,
                                               thermal->air_length_m);
    }
    plan->sky_k4 = pow(thermal->room_c + ZERO_C_K, 4);
}

void plan_temps(const struct thermal *thermal, const double *heat_j, double *temp_c)
{
    const struct thermal_plan *plan = &thermal->plan;
    for (int i = 0; i < thermal->nodes; i++)
        temp_c[i] = heat_j[i] * plan->k_per_j[i];
    for (int i = 0; i < plan->melting; i++) {
        int node = plan->melt[i];
        double heat = heat_j[node];
        if (heat >= plan->liquid_j[i])
            temp_c[node] = (heat - plan->latent_j[i]) * plan->k_per_j[node];
        else if (heat > plan->solid_j[i])
            temp_c[node] = plan->solidus_c[i] + (heat - plan->solid_j[i]) * plan->mushy_k_per_j[i];
    }
}

/* Free convection from a face, odd in the difference: a cold face is treated as a warm one. */
static double flux_at(const double *flux_w_m2, double above_k)
{
    double steps = fabs(above_k) * (1 / FLUX_STEP_K);
    if (!(steps < THERMAL_FLUX - 2)) /* NaN too must not become an index */
        steps = THERMAL_FLUX - 2;
    int i = (int)steps;
    double flux = flux_w_m2[i] + (steps - i) * (flux_w_m2[i + 1] - flux_w_m2[i]);
    return above_k < 0 ? -flux : flux;
}

/* The fourth power, for radiation; beyond what any solder bench sees it goes on as a straight line, since a step
 * that was chosen for a bench would not be stable any more. */
static double fourth_k4(double kelvin)
{
    static const double straight_k = 1500;
    if (kelvin > straight_k)
        return straight_k * straight_k * straight_k * (4 * kelvin - 3 * straight_k);
    double square = kelvin * kelvin;
    return square * square;
}

/* Takes every face's loss off `watts`; returns their sum. */
static double faces_lose(const struct thermal *thermal, const struct thermal_input *input,
                         const double *temp_c, double *watts)
{
    const struct thermal_plan *plan = &thermal->plan;
    double sum = 0;
    for (int i = 0; i < plan->faces; i++) {
        int node = plan->face[i];
        double above_k = temp_c[node] - thermal->room_c;
        double lost =
            (plan->face_w_k[i] * input->draft + plan->face_fan_w_k[i] * input->fan) * above_k +
            plan->face_sky[i] * (fourth_k4(temp_c[node] + ZERO_C_K) - plan->sky_k4);
        if (plan->face_air[i] > 0)
            lost += plan->face_air[i] * input->draft * flux_at(plan->flux_w_m2, above_k);
        watts[node] -= lost;
        sum += lost;
    }
    return sum;
}

/* Heat from outside onto a layer, evenly. */
static double spread(const struct thermal *thermal, enum board_layer layer, double heat_w,
                     double *watts)
{
    double put_w = 0;
    for (int i = 0; i < SLAB_CELLS; i++) {
        int node = thermal->slab[layer][i];
        if (node < 0 || !thermal->node[node].there)
            continue;
        watts[node] += heat_w / SLAB_CELLS;
        put_w += heat_w / SLAB_CELLS;
    }
    return put_w;
}

static double onto(const struct thermal *thermal, int part, enum board_layer layer, double heat_w,
                   double *watts)
{
    if (heat_w <= 0)
        return 0;
    if (part < 0 || part >= thermal->part_count)
        return spread(thermal, layer, heat_w, watts);
    int node = thermal->part[part];
    if (node < 0 || !thermal->node[node].there)
        return 0;
    watts[node] += heat_w;
    return heat_w;
}

/* What comes from outside; returns what found a place. */
static double put(const struct thermal *thermal, const struct thermal_input *input, double *watts)
{
    enum board_layer top = thermal->upper_on ? LAYER_UPPER : LAYER_LOWER;
    watts[thermal->element] += input->heater_w;
    return input->heater_w + onto(thermal, input->rail_part, LAYER_LOWER, input->rail_w, watts) +
           onto(thermal, input->hand_part, top, input->hand_w, watts);
}

/* watts = dH/dt at these temperatures. Returns the loss to the room, *put_w what came in. */
static double rates(const struct thermal *thermal, const struct thermal_input *input,
                    const double *temp_c, double *watts, double *put_w)
{
    const struct thermal_plan *plan = &thermal->plan;
    memset(watts, 0, (size_t)thermal->nodes * sizeof *watts);
    for (int i = 0; i < plan->links; i++) {
        int from = plan->from[i], to = plan->to[i];
        double flow_w = plan->w_k[i] * (temp_c[from] - temp_c[to]);
        watts[from] -= flow_w;
        watts[to] += flow_w;
    }
    *put_w = put(thermal, input, watts);
    return faces_lose(thermal, input, temp_c, watts);
}

void thermal_rates(const struct thermal *thermal, const struct thermal_input *input,
                   const double *heat_j, double *watts)
{
    double temp_c[THERMAL_NODES], put_w;
    plan_temps(thermal, heat_j, temp_c);
    rates(thermal, input, temp_c, watts, &put_w);
}

static void hold_plate(const struct thermal *thermal, double *watts)
{
    watts[thermal->element] = 0;
    watts[thermal->plate] = 0;
}

/* One midpoint step. The balance uses the same evaluation as the state, so it closes to rounding. */
static void midpoint(struct thermal *thermal, const struct thermal_input *input, double dt_s,
                     bool pinned)
{
    double half_j[THERMAL_NODES] = {0}, half_c[THERMAL_NODES], watts[THERMAL_NODES], put_w;
    rates(thermal, input, thermal->temp_c, watts, &put_w);
    if (pinned)
        hold_plate(thermal, watts);
    for (int i = 0; i < thermal->nodes; i++)
        half_j[i] = thermal->heat_j[i] + 0.5 * dt_s * watts[i];
    plan_temps(thermal, half_j, half_c);
    double lost_w = rates(thermal, input, half_c, watts, &put_w);
    if (pinned) {
        /* Whatever holds the plate supplies what the plate and element would have lost. */
        put_w -= watts[thermal->element] + watts[thermal->plate];
        hold_plate(thermal, watts);
    }
    for (int i = 0; i < thermal->nodes; i++)
        thermal->heat_j[i] += dt_s * watts[i];
    plan_temps(thermal, thermal->heat_j, thermal->temp_c);
    thermal->put_j += dt_s * put_w;
    thermal->lost_j += dt_s * lost_w;
}

static void steps(struct thermal *thermal, const struct thermal_input *input, double dt_s,
                  bool pinned)
{
    if (!(dt_s > 0))
        return;
    int count = (int)ceil(dt_s / thermal->step_s - 1e-9);
    if (count < 1)
        count = 1;
    for (int i = 0; i < count; i++)
        midpoint(thermal, input, dt_s / count, pinned);
}

void thermal_step(struct thermal *thermal, const struct thermal_input *input, double dt_s)
{
    steps(thermal, input, dt_s, false);
}

void thermal_step_pinned(struct thermal *thermal, const struct thermal_input *input, double plate_c,
                         double dt_s)
{
    const int held[] = {thermal->element, thermal->plate};
    for (int i = 0; i < 2; i++) {
        double heat_j = plate_c * thermal->node[held[i]].capacity_j_k;
        thermal->put_j += heat_j - thermal->heat_j[held[i]];
        thermal->heat_j[held[i]] = heat_j;
        thermal->temp_c[held[i]] = plate_c;
    }
    steps(thermal, input, dt_s, true);
}
