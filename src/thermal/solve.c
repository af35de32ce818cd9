/* SPDX-License-Identifier: MIT */
/* The equations, and the rule that takes them through time: linearly implicit midpoint in the form of Douglas,
 *
 *   (1 + h F) (1 + h A1) (1 + h A2) ... d = dt dT/dt,  T += d,  h = dt / 2,
 *
 * A1, A2 ... being the links along x, along y, along z, and the loose ones, each without a circle and so solved
 * by one pass to its roots and one back; F eases the losses to the room. Every factor leaves the sum of C d as it
 * is, so no energy is lost or made; a steady state stays one, whatever the step. Douglas, Numer. Math. 4 (1962)
 * 41; Hundsdorfer & Verwer, Numerical Solution of Time-Dependent Advection-Diffusion-Reaction Equations (2003),
 * IV.3. */
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
        temp_c[i] = thermal->node[i].there ? heat_j[i] / thermal->node[i].capacity_j_k : 0;
    for (int i = 0; i < plan->melting; i++) {
        int node = plan->melt[i];
        temp_c[node] = thermal_temp_of(&thermal->node[node], heat_j[node]);
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

/* What face i loses to the room at that temperature. */
static double face_loses(const struct thermal *thermal, const struct thermal_input *input, int i,
                         double temp_c)
{
    const struct thermal_plan *plan = &thermal->plan;
    double above_k = temp_c - thermal->room_c;
    double lost_w =
        (plan->face_w_k[i] * input->draft + plan->face_fan_w_k[i] * input->fan) * above_k +
        plan->face_sky[i] * (fourth_k4(temp_c + ZERO_C_K) - plan->sky_k4);
    if (plan->face_air[i] > 0)
        lost_w += plan->face_air[i] * input->draft * flux_at(plan->flux_w_m2, above_k);
    return lost_w;
}

/* Heat from outside, evenly: through the lower layer, onto the top of the upper one. */
static double spread(const struct thermal *thermal, int first, int count, double heat_w,
                     double *watts)
{
    if (first < 0 || !thermal->node[first].there)
        return 0;
    for (int i = 0; i < count; i++)
        watts[first + i] += heat_w / count;
    return heat_w;
}

static double onto(const struct thermal *thermal, int part, double heat_w, double *watts)
{
    int node = thermal->part[part];
    if (node < 0 || !thermal->node[node].there)
        return 0;
    watts[node] += heat_w;
    return heat_w;
}

static bool is_part(const struct thermal *thermal, int part)
{
    return part >= 0 && part < thermal->part_count;
}

static double put_rail(const struct thermal *thermal, const struct thermal_input *input,
                       double *watts)
{
    if (input->rail_w <= 0)
        return 0;
    if (is_part(thermal, input->rail_part))
        return onto(thermal, input->rail_part, input->rail_w, watts);
    int cells = thermal->cells_x * thermal->cells_y * thermal->cells_z[LAYER_LOWER];
    return spread(thermal, thermal->slab[LAYER_LOWER], cells, input->rail_w, watts);
}

static double put_hand(const struct thermal *thermal, const struct thermal_input *input,
                       double *watts)
{
    if (input->hand_w <= 0)
        return 0;
    if (is_part(thermal, input->hand_part))
        return onto(thermal, input->hand_part, input->hand_w, watts);
    enum board_layer top = thermal->upper_on ? LAYER_UPPER : LAYER_LOWER;
    int cells = thermal->cells_x * thermal->cells_y;
    int first =
        thermal->slab[top] < 0 ? -1 : thermal->slab[top] + cells * (thermal->cells_z[top] - 1);
    return spread(thermal, first, cells, input->hand_w, watts);
}

/* What comes from outside; returns what found a place. */
static double put(const struct thermal *thermal, const struct thermal_input *input, double *watts)
{
    watts[thermal->element] += input->heater_w;
    return input->heater_w + put_rail(thermal, input, watts) + put_hand(thermal, input, watts);
}

/* ---- along the links ---- */

/* Nodes of a run never overlap: run_from of plan.c sees to that. */
static void run_flows(const struct thermal_plan *plan, const struct thermal_run *run,
                      const double *temp_c, double *watts)
{
    const double *w_k = plan->w_k + run->first;
    const double *hot_c = temp_c + run->from, *cold_c = temp_c + run->to;
    double *restrict from_w = watts + run->from, *restrict to_w = watts + run->to;
    if (run->from_step == 1 && run->to_step == 1) {
        for (int i = 0; i < run->count; i++) {
            double flow_w = w_k[i] * (hot_c[i] - cold_c[i]);
            from_w[i] -= flow_w;
            to_w[i] += flow_w;
        }
        return;
    }
    for (int i = 0, from = 0, to = 0; i < run->count;
         i++, from += run->from_step, to += run->to_step) {
        double flow_w = w_k[i] * (hot_c[from] - cold_c[to]);
        from_w[from] -= flow_w;
        to_w[to] += flow_w;
    }
}

static void flows(const struct thermal_plan *plan, const double *temp_c, double *watts)
{
    for (int r = 0; r < plan->runs; r++) {
        const struct thermal_run *run = &plan->run[r];
        if (run->from_step > 0) {
            run_flows(plan, run, temp_c, watts);
            continue;
        }
        for (int i = run->first; i < run->first + run->count; i++) {
            int from = plan->from[i], to = plan->to[i];
            double flow_w = plan->w_k[i] * (temp_c[from] - temp_c[to]);
            watts[from] -= flow_w;
            watts[to] += flow_w;
        }
    }
}

static void run_up(const struct thermal_plan *plan, const struct thermal_run *run, double *x)
{
    const double *up = plan->up + run->first, *own = plan->own + run->first;
    double *restrict from = x + run->from, *restrict to = x + run->to;
    if (run->from_step == 1 && run->to_step == 1) {
        for (int i = 0; i < run->count; i++) {
            from[i] *= own[i];
            to[i] += up[i] * from[i];
        }
        return;
    }
    for (int i = 0, f = 0, t = 0; i < run->count; i++, f += run->from_step, t += run->to_step) {
        from[f] *= own[i];
        to[t] += up[i] * from[f];
    }
}

static void run_down(const struct thermal_plan *plan, const struct thermal_run *run, double *x)
{
    const double *down = plan->down + run->first;
    double *restrict from = x + run->from, *restrict to = x + run->to;
    if (run->from_step == 1 && run->to_step == 1) {
        for (int i = 0; i < run->count; i++)
            from[i] += down[i] * to[i];
        return;
    }
    for (int i = 0, f = 0, t = 0; i < run->count; i++, f += run->from_step, t += run->to_step)
        from[f] += down[i] * to[t];
}

/* x becomes the solution of (1 + h A) x = x for one family. */
static void solve(const struct thermal_plan *plan, const struct thermal_family *family, double *x)
{
    int end = family->first_run + family->runs;
    for (int r = family->first_run; r < end; r++) {
        const struct thermal_run *run = &plan->run[r];
        if (run->from_step > 0)
            run_up(plan, run, x);
        else
            for (int i = run->first; i < run->first + run->count; i++) {
                x[plan->from[i]] *= plan->own[i];
                x[plan->to[i]] += plan->up[i] * x[plan->from[i]];
            }
    }
    for (int i = family->first_root; i < family->first_root + family->roots; i++)
        x[plan->root[i]] *= plan->root_own[i];
    for (int r = end - 1; r >= family->first_run; r--) {
        const struct thermal_run *run = &plan->run[r];
        if (run->from_step > 0)
            run_down(plan, run, x);
        else
            for (int i = run->first + run->count - 1; i >= run->first; i--)
                x[plan->from[i]] += plan->down[i] * x[plan->to[i]];
    }
}

/* ---- through time ---- */

void thermal_rates(const struct thermal *thermal, const struct thermal_input *input,
                   const double *heat_j, double *watts)
{
    const struct thermal_plan *plan = &thermal->plan;
    double *temp_c = plan->watts; /* work space, not the network's state */
    plan_temps(thermal, heat_j, temp_c);
    memset(watts, 0, (size_t)thermal->nodes * sizeof *watts);
    flows(plan, temp_c, watts);
    put(thermal, input, watts);
    for (int i = 0; i < plan->faces; i++)
        watts[plan->face[i]] -= face_loses(thermal, input, i, temp_c[plan->face[i]]);
}

/* Losses are taken at the step's middle, as the last one foretells it, and eased by what this one moves more than
 * the last did: second order, and no step is too long. Returns what is lost in the step, in J. */
static double faces_lose(struct thermal *thermal, const struct thermal_input *input, double dt_s,
                         double *x)
{
    struct thermal_plan *plan = &thermal->plan;
    double lost_j = 0;
    for (int i = 0; i < plan->faces; i++) {
        int node = plan->face[i];
        double middle_c = thermal->temp_c[node] + 0.5 * plan->face_moved_k[i];
        double loss_j = dt_s * face_loses(thermal, input, i, middle_c);
        double before_k = plan->face_eased_k[i], ease = plan->face_own[i];
        double free_k = x[node] - loss_j * plan->k_per_j[node];
        double moves_k = (free_k + ease * before_k) * plan->face_frees[i];
        plan->face_eased_k[i] = moves_k;
        lost_j += loss_j + ease * (moves_k - before_k) * plan->j_per_k[node];
        x[node] = moves_k;
    }
    return lost_j;
}

/* What all gain, in J. */
static double gain(const struct thermal *thermal, const double *x)
{
    double gained_j = 0;
    for (int i = 0; i < thermal->nodes; i++)
        gained_j += x[i] * thermal->plan.j_per_k[i];
    return gained_j;
}

static void move(struct thermal *thermal, const double *x)
{
    struct thermal_plan *plan = &thermal->plan;
    double *restrict heat_j = thermal->heat_j, *restrict temp_c = thermal->temp_c;
    const double *j_per_k = plan->j_per_k;
    for (int i = 0; i < thermal->nodes; i++) {
        heat_j[i] += x[i] * j_per_k[i];
        temp_c[i] += x[i];
    }
    for (int i = 0; i < plan->faces; i++)
        plan->face_moved_k[i] = x[plan->face[i]];
    plan->phases_moved = plan_phases(thermal) || plan->phases_moved;
}

static void advance(struct thermal *thermal, const struct thermal_input *input, double dt_s,
                    bool pinned)
{
    plan_factor(thermal, dt_s, pinned);
    struct thermal_plan *plan = &thermal->plan;
    double *x = plan->watts;
    memset(x, 0, (size_t)thermal->nodes * sizeof *x);
    flows(plan, thermal->temp_c, x);
    double put_w = put(thermal, input, x);
    for (int i = 0; i < thermal->nodes; i++)
        x[i] *= dt_s * plan->k_per_j[i];
    double lost_j = faces_lose(thermal, input, dt_s, x);
    for (int i = 0; i < plan->families; i++)
        solve(plan, &plan->family[i], x);
    thermal->lost_j += lost_j;
    /* Whatever holds the plate supplies what it takes. */
    thermal->put_j += pinned ? gain(thermal, x) + lost_j : dt_s * put_w;
    move(thermal, x);
}

static void steps(struct thermal *thermal, const struct thermal_input *input, double dt_s,
                  bool pinned)
{
    if (!(dt_s > 0))
        return;
    int count = (int)ceil(dt_s / fmin(thermal->most_step_s, thermal->bears_s) - 1e-9);
    for (int i = 0; i < count; i++)
        advance(thermal, input, dt_s / count, pinned);
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
