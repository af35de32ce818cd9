/* SPDX-License-Identifier: MIT */
/* The equations, and two ways through time: the explicit midpoint rule for the bench, and for
 * forecasts a stabilised explicit rule (Runge-Kutta-Chebyshev, second order: Sommeijer, Shampine,
 * Verwer, J. Comput. Appl. Math. 88 (1998) 315) that takes seconds at a stride. */
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
    if (steps > THERMAL_FLUX - 2)
        steps = THERMAL_FLUX - 2;
    int i = (int)steps;
    double flux = flux_w_m2[i] + (steps - i) * (flux_w_m2[i + 1] - flux_w_m2[i]);
    return above_k < 0 ? -flux : flux;
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
        double kelvin = temp_c[node] + ZERO_C_K;
        double square = kelvin * kelvin;
        double lost =
            (plan->face_w_k[i] * input->draft + plan->face_fan_w_k[i] * input->fan) * above_k +
            plan->face_sky[i] * (square * square - plan->sky_k4);
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

/* watts = dH/dt at these contents. Returns the loss to the room, *put_w what came in. */
static double rates(const struct thermal *thermal, const struct thermal_input *input,
                    const double *heat_j, double *watts, double *put_w)
{
    const struct thermal_plan *plan = &thermal->plan;
    double temp_c[THERMAL_NODES];
    plan_temps(thermal, heat_j, temp_c);
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
    double put_w;
    rates(thermal, input, heat_j, watts, &put_w);
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
    double half_j[THERMAL_NODES] = {0}, watts[THERMAL_NODES], put_w;
    rates(thermal, input, thermal->heat_j, watts, &put_w);
    if (pinned)
        hold_plate(thermal, watts);
    for (int i = 0; i < thermal->nodes; i++)
        half_j[i] = thermal->heat_j[i] + 0.5 * dt_s * watts[i];
    double lost_w = rates(thermal, input, half_j, watts, &put_w);
    if (pinned) {
        /* Whatever holds the plate supplies what the plate and element would have lost. */
        put_w -= watts[thermal->element] + watts[thermal->plate];
        hold_plate(thermal, watts);
    }
    for (int i = 0; i < thermal->nodes; i++)
        thermal->heat_j[i] += dt_s * watts[i];
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
    plan_temps(thermal, thermal->heat_j, thermal->temp_c);
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
    }
    steps(thermal, input, dt_s, true);
}

/* Chebyshev stages: s of them are stable up to dt |lambda| = 0.65 (s^2 - 1). */
enum { STAGES = 40 };
#define STRIDE_S 10.0
#define FINE_S   2.5 /* the stride in which it happens is gone through again */

struct stages {
    int count;
    double dt_s;
    double mu[STAGES + 1], nu[STAGES + 1], mu_f[STAGES + 1], gamma_f[STAGES + 1];
};

/* For strides of dt_s, or as much as the most stages allow. */
static void stages_make(struct stages *s, double step_s, double dt_s)
{
    double fastest = STABLE / step_s;
    s->dt_s = fmin(dt_s, 0.65 * (STAGES * STAGES - 1) / fastest);
    s->count = (int)ceil(sqrt(1 + s->dt_s * fastest / 0.65) - 1e-9);
    if (s->count < 2)
        s->count = 2;
    int last = s->count;
    double w0 = 1 + (2.0 / 13) / (last * last);
    double t[STAGES + 1] = {1, w0}, d[STAGES + 1] = {0, 1}, dd[STAGES + 1] = {0, 0};
    for (int j = 2; j <= last; j++) {
        t[j] = 2 * w0 * t[j - 1] - t[j - 2];
        d[j] = 2 * t[j - 1] + 2 * w0 * d[j - 1] - d[j - 2];
        dd[j] = 4 * d[j - 1] + 2 * w0 * dd[j - 1] - dd[j - 2];
    }
    double w1 = d[last] / dd[last], b[STAGES + 1] = {0}, a[STAGES + 1];
    for (int j = 2; j <= last; j++)
        b[j] = dd[j] / (d[j] * d[j]);
    b[0] = b[1] = b[2];
    for (int j = 0; j <= last; j++)
        a[j] = 1 - b[j] * t[j];
    s->mu_f[1] = b[1] * w1;
    for (int j = 2; j <= last; j++) {
        s->mu[j] = 2 * b[j] * w0 / b[j - 1];
        s->nu[j] = -b[j] / b[j - 2];
        s->mu_f[j] = 2 * b[j] * w1 / b[j - 1];
        s->gamma_f[j] = -a[j - 1] * s->mu_f[j];
    }
}

/* rates with the plate held or not. */
static void drift(const struct thermal *thermal, const struct thermal_input *input, bool pinned,
                  const double *heat_j, double *watts)
{
    double put_w;
    rates(thermal, input, heat_j, watts, &put_w);
    if (pinned)
        hold_plate(thermal, watts);
}

static void stride(const struct thermal *thermal, const struct thermal_input *input, bool pinned,
                   const struct stages *s, double *heat_j)
{
    double dt_s = s->dt_s;
    double first[THERMAL_NODES], watts[THERMAL_NODES];
    double store[3][THERMAL_NODES];
    double *before = store[0], *last = store[1], *next = store[2];
    int nodes = thermal->nodes;
    drift(thermal, input, pinned, heat_j, first);
    for (int i = 0; i < nodes; i++) {
        before[i] = heat_j[i];
        last[i] = heat_j[i] + s->mu_f[1] * dt_s * first[i];
    }
    for (int j = 2; j <= s->count; j++) {
        drift(thermal, input, pinned, last, watts);
        double rest = 1 - s->mu[j] - s->nu[j];
        for (int i = 0; i < nodes; i++)
            next[i] = rest * heat_j[i] + s->mu[j] * last[i] + s->nu[j] * before[i] +
                      s->mu_f[j] * dt_s * watts[i] + s->gamma_f[j] * dt_s * first[i];
        double *old = before;
        before = last;
        last = next;
        next = old;
    }
    memcpy(heat_j, last, (size_t)nodes * sizeof *heat_j);
}

/* How far the joint's last segment is from wholly molten (or solid), in J; <= 0: there. */
static double short_of(const struct thermal *thermal, int joint, bool molten, const double *heat_j)
{
    double worst_j = -HUGE_VAL;
    for (int i = 0; i < thermal->segments[joint]; i++) {
        int at = thermal->segment[joint][i];
        const struct thermal_node *node = &thermal->node[at];
        if (!node->there)
            continue;
        double lacks_j = molten ? thermal_heat_of(node, node->liquidus_c) - heat_j[at]
                                : heat_j[at] - thermal_heat_of(node, node->solidus_c);
        worst_j = fmax(worst_j, lacks_j);
    }
    return worst_j;
}

/* Goes on in strides until nothing lacks. Returns the time, -1 after horizon_s; *heat_j is where the
 * last stride began. */
static double go_until(const struct thermal *thermal, const struct thermal_input *input,
                       bool pinned, int joint, bool molten, const struct stages *s,
                       double horizon_s, double *heat_j)
{
    double lacks_j = short_of(thermal, joint, molten, heat_j), before_j = HUGE_VAL;
    for (double t_s = 0; t_s < horizon_s; t_s += s->dt_s) {
        double next_j[THERMAL_NODES];
        memcpy(next_j, heat_j, sizeof next_j);
        stride(thermal, input, pinned, s, next_j);
        double now_j = short_of(thermal, joint, molten, next_j);
        if (now_j <= 0)
            return t_s + s->dt_s * lacks_j / (lacks_j - now_j);
        /* Slowing down, and at this pace not there in time: it never will be. */
        double gain_j = lacks_j - now_j, pace = gain_j / s->dt_s;
        if (t_s > 60 && gain_j <= before_j - lacks_j && pace * (horizon_s - t_s) < now_j)
            return -1;
        before_j = lacks_j;
        lacks_j = now_j;
        memcpy(heat_j, next_j, sizeof next_j);
    }
    return -1;
}

double thermal_foresee(const struct thermal *thermal, const struct thermal_input *input,
                       bool pinned, int joint, bool molten, double horizon_s)
{
    double heat_j[THERMAL_NODES];
    memcpy(heat_j, thermal->heat_j, sizeof heat_j);
    double lacks_j = short_of(thermal, joint, molten, heat_j);
    if (lacks_j == -HUGE_VAL)
        return -1; /* the joint is not there */
    if (lacks_j <= 0)
        return 0;
    struct stages coarse = {0}, fine = {0};
    stages_make(&coarse, thermal->step_s, STRIDE_S);
    double there_s = go_until(thermal, input, pinned, joint, molten, &coarse, horizon_s, heat_j);
    if (there_s < 0)
        return -1;
    double begun_s = floor(there_s / coarse.dt_s) * coarse.dt_s;
    stages_make(&fine, thermal->step_s, fmin(FINE_S, coarse.dt_s / 4));
    double more_s = go_until(thermal, input, pinned, joint, molten, &fine, 2 * coarse.dt_s, heat_j);
    return more_s < 0 ? there_s : begun_s + more_s;
}
