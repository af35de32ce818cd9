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
    plan->most_steps = THERMAL_FLUX - 2;
    plan->straight_k = 1500;
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

/* ---- losses: without a branch, so that the faces of a finer grid go side by side ---- */

static inline double least(double a, double b)
{
    return a < b ? a : b; /* b for NaN: which must not become an index */
}

/* Free convection from a face, odd in the difference: a cold face is treated as a warm one. */
static inline double flux_at(const struct thermal_plan *plan, double above_k)
{
    const double *flux_w_m2 = plan->flux_w_m2;
    double steps = least(fabs(above_k) * (1 / FLUX_STEP_K), plan->most_steps);
    int i = (int)steps;
    return copysign(flux_w_m2[i] + (steps - i) * (flux_w_m2[i + 1] - flux_w_m2[i]), above_k);
}

/* The fourth power, for radiation; beyond what any solder bench sees it goes on as a straight line, since a step
 * that was chosen for a bench would not be stable any more. */
static inline double fourth_k4(double kelvin, double straight_k)
{
    double up_to_k = least(kelvin, straight_k), square = up_to_k * up_to_k;
    return square * square + 4 * straight_k * straight_k * straight_k * (kelvin - up_to_k);
}

/* What face i loses to the room at that temperature. */
static inline double face_loses(const struct thermal *thermal, const struct thermal_input *input,
                                int i, double temp_c)
{
    const struct thermal_plan *plan = &thermal->plan;
    double above_k = temp_c - thermal->room_c;
    return (plan->face_w_k[i] * input->draft + plan->face_fan_w_k[i] * input->fan) * above_k +
           plan->face_sky[i] * (fourth_k4(temp_c + ZERO_C_K, plan->straight_k) - plan->sky_k4) +
           plan->face_air[i] * input->draft * flux_at(plan, above_k);
}

/* Heat from outside, evenly: through the lower layer, onto the top of the upper one. */
static double spread(const struct thermal *thermal, int first, int count, double heat_w,
                     double dt_s, double *gains_j)
{
    if (first < 0 || !thermal->node[first].there)
        return 0;
    for (int i = 0; i < count; i++)
        gains_j[first + i] += dt_s * heat_w / count;
    return heat_w;
}

static double onto(const struct thermal *thermal, int part, double heat_w, double dt_s,
                   double *gains_j)
{
    int node = thermal->part[part];
    if (node < 0 || !thermal->node[node].there)
        return 0;
    gains_j[node] += dt_s * heat_w;
    return heat_w;
}

static bool is_part(const struct thermal *thermal, int part)
{
    return part >= 0 && part < thermal->part_count;
}

static double put_rail(const struct thermal *thermal, const struct thermal_input *input,
                       double dt_s, double *gains_j)
{
    if (input->rail_w <= 0)
        return 0;
    if (is_part(thermal, input->rail_part))
        return onto(thermal, input->rail_part, input->rail_w, dt_s, gains_j);
    int cells = thermal->cells_x * thermal->cells_y * thermal->cells_z[LAYER_LOWER];
    return spread(thermal, thermal->slab[LAYER_LOWER], cells, input->rail_w, dt_s, gains_j);
}

static double put_hand(const struct thermal *thermal, const struct thermal_input *input,
                       double dt_s, double *gains_j)
{
    if (input->hand_w <= 0)
        return 0;
    if (is_part(thermal, input->hand_part))
        return onto(thermal, input->hand_part, input->hand_w, dt_s, gains_j);
    enum board_layer top = thermal->upper_on ? LAYER_UPPER : LAYER_LOWER;
    int cells = thermal->cells_x * thermal->cells_y;
    int first =
        thermal->slab[top] < 0 ? -1 : thermal->slab[top] + cells * (thermal->cells_z[top] - 1);
    return spread(thermal, first, cells, input->hand_w, dt_s, gains_j);
}

/* What comes from outside; returns the watts that found a place. */
static double put(const struct thermal *thermal, const struct thermal_input *input, double dt_s,
                  double *gains_j)
{
    gains_j[thermal->element] += dt_s * input->heater_w;
    return input->heater_w + put_rail(thermal, input, dt_s, gains_j) +
           put_hand(thermal, input, dt_s, gains_j);
}

/* ---- along the links ---- */

static void flows(const struct thermal_plan *plan, const double *temp_c, double dt_s,
                  double *gains_j)
{
    for (int i = 0; i < plan->links; i++) {
        int from = plan->from[i], to = plan->to[i];
        double flow_j = dt_s * plan->w_k[i] * (temp_c[from] - temp_c[to]);
        gains_j[from] -= flow_j;
        gains_j[to] += flow_j;
    }
}

/* x becomes the solution of (1 + h A) x = x for one family. */
static void solve(const struct thermal_plan *plan, const struct thermal_family *family, double *x)
{
    int end = family->first + family->count;
    for (int i = family->first; i < end; i++) {
        x[plan->from[i]] *= plan->own[i];
        x[plan->to[i]] += plan->up[i] * x[plan->from[i]];
    }
    for (int i = family->first_root; i < family->first_root + family->roots; i++)
        x[plan->root[i]] *= plan->root_own[i];
    for (int i = end - 1; i >= family->first; i--)
        x[plan->from[i]] += plan->down[i] * x[plan->to[i]];
}

/* Every factor in its turn. In a box's grid the first family is what the foot carries besides the box. */
static void solve_all(const struct thermal *thermal, double *x)
{
    const struct thermal_plan *plan = &thermal->plan;
    int done = 0;
    if (thermal->box.planes > 0) {
        box_along(thermal, x);
        box_across(thermal, x);
        box_down(thermal, x);
        solve(plan, &plan->family[done++], x);
        box_up(thermal, x);
    }
    for (int i = done; i < plan->families; i++)
        solve(plan, &plan->family[i], x);
}

/* ---- through time ---- */

/* What every node gains in dt_s at these temperatures, from its neighbours and from outside, in J; returns the watts
 * from outside. */
static double drive(const struct thermal *thermal, const struct thermal_input *input,
                    const double *temp_c, double dt_s, double *gains_j)
{
    int from = thermal->box.first, end = from + box_cells(&thermal->box);
    memset(gains_j, 0, (size_t)from * sizeof *gains_j);
    memset(gains_j + end, 0, (size_t)(thermal->nodes - end) * sizeof *gains_j);
    box_flows(&thermal->box, temp_c, dt_s, gains_j);
    flows(&thermal->plan, temp_c, dt_s, gains_j);
    return put(thermal, input, dt_s, gains_j);
}

void thermal_rates(const struct thermal *thermal, const struct thermal_input *input,
                   const double *heat_j, double *watts)
{
    const struct thermal_plan *plan = &thermal->plan;
    double *temp_c = plan->watts; /* work space, not the network's state */
    plan_temps(thermal, heat_j, temp_c);
    drive(thermal, input, temp_c, 1, watts);
    for (int i = 0; i < plan->faces; i++)
        watts[plan->face[i]] -= face_loses(thermal, input, i, temp_c[plan->face[i]]);
}

/* A row of faces from face `first` on, its nodes from `node` on; x, eased_k and lost_j are the row's own: what it gains,
 * in J; how far the last step eased it; and its last move, which makes room for what it loses. */
WIDE static void row_loses(const struct thermal *thermal, const struct thermal_input *input,
                           double dt_s, int first, int count, int node, double *restrict x,
                           double *restrict eased_k, double *restrict lost_j)
{
    const struct thermal_plan *plan = &thermal->plan;
    for (int i = 0; i < count; i++) {
        double middle_c = thermal->temp_c[node + i] + 0.5 * lost_j[i];
        double loss_j = dt_s * face_loses(thermal, input, first + i, middle_c);
        double before_k = eased_k[i], ease = plan->face_own[first + i];
        double free_k = (x[i] - loss_j) * plan->k_per_j[node + i];
        double moves_k = (free_k + ease * before_k) * plan->face_frees[first + i];
        lost_j[i] = loss_j + ease * (moves_k - before_k) * plan->j_per_k[node + i];
        eased_k[i] = moves_k;
        x[i] = moves_k * plan->j_per_k[node + i];
    }
}

/* Losses are taken at the step's middle, as the last one foretells it, and eased by what this one moves more than
 * the last did: second order, and no step is too long. Returns what is lost in the step, in J. */
static double faces_lose(struct thermal *thermal, const struct thermal_input *input, double dt_s,
                         double *x)
{
    struct thermal_plan *plan = &thermal->plan;
    double lost_j[4] = {0};
    for (int i = 0; i < plan->face_rows; i++) {
        int first = plan->face_row[i], node = plan->face[first];
        int end = i + 1 < plan->face_rows ? plan->face_row[i + 1] : plan->faces;
        row_loses(thermal, input, dt_s, first, end - first, node, x + node,
                  plan->face_eased_k + first, plan->face_moved_k + first);
    }
    for (int i = 0; i < plan->faces; i++)
        lost_j[i % 4] += plan->face_moved_k[i];
    return (lost_j[0] + lost_j[1]) + (lost_j[2] + lost_j[3]);
}

/* What all gain, in J. */
static double gain(const struct thermal *thermal, const double *x)
{
    double gained_j = 0;
    for (int i = 0; i < thermal->nodes; i++)
        gained_j += x[i] * thermal->plan.j_per_k[i];
    return gained_j;
}

WIDE static void move(struct thermal *thermal, const double *x)
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
    double *x = plan->watts; /* J, then K: of the box once it is solved along x */
    int from = thermal->box.first, end = from + box_cells(&thermal->box);
    double put_w = drive(thermal, input, thermal->temp_c, dt_s, x);
    double lost_j = faces_lose(thermal, input, dt_s, x);
    for (int i = 0; i < from; i++)
        x[i] *= plan->k_per_j[i];
    for (int i = end; i < thermal->nodes; i++)
        x[i] *= plan->k_per_j[i];
    solve_all(thermal, x);
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
