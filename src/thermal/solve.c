/* SPDX-License-Identifier: MIT */
/* The equations, and the rule that takes them through time: linearly implicit midpoint in the form of Douglas,
 *
 *   (1 + h F) (1 + h A1) (1 + h A2) ... d = dt dT/dt,  T += d,  h = dt / 2,
 *
 * A1, A2 ... being the links along x, along y, along z, and the loose ones, each without a circle and so solved
 * by one pass to its roots and one back; F eases the losses to the room. Every factor leaves the sum of C d as it
 * is, so no energy is lost or made; a steady state stays one, whatever the step. Douglas, Numer. Math. 4 (1962)
 * 41; Hundsdorfer & Verwer, Numerical Solution of Time-Dependent Advection-Diffusion-Reaction Equations (2003),
 * IV.3. With more than two factors not every step is stable: one that raises the potential down which heat runs is
 * taken back and done as two. */
#include <math.h>
#include <string.h>

#include "materials.h"
#include "plan.h"

#define FLUX_STEP_K 2.0

/* By so little rounding may raise the potential: in a million steps by less than a link of 1 W/K holds at 0.05 K. */
#define ROUNDING_WK 1e-9
#define TRIES_AGAIN 64

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

/* ---- heat from outside ---- */

/* Evenly into nodes that follow each other; none: it finds no place. */
struct source {
    int first, count;
    double heat_w;
};
enum { SOURCES = 3 };

static struct source source_at(const struct thermal *thermal, int first, int count, double heat_w)
{
    bool there = heat_w > 0 && first >= 0 && thermal->node[first].there;
    return (struct source){first, there ? count : 0, heat_w};
}

static bool is_part(const struct thermal *thermal, int part)
{
    return part >= 0 && part < thermal->part_count;
}

/* In a shorted part, else in the whole lower board. */
static struct source rail_source(const struct thermal *thermal, const struct thermal_input *input)
{
    if (is_part(thermal, input->rail_part))
        return source_at(thermal, thermal->part[input->rail_part], 1, input->rail_w);
    int cells = thermal->cells_x * thermal->cells_y * thermal->cells_z[LAYER_LOWER];
    return source_at(thermal, thermal->slab[LAYER_LOWER], cells, input->rail_w);
}

/* Onto a part, else onto the top of what lies there. */
static struct source hand_source(const struct thermal *thermal, const struct thermal_input *input)
{
    if (is_part(thermal, input->hand_part))
        return source_at(thermal, thermal->part[input->hand_part], 1, input->hand_w);
    enum board_layer top = thermal->upper_on ? LAYER_UPPER : LAYER_LOWER;
    int cells = thermal->cells_x * thermal->cells_y, first = thermal->slab[top];
    return source_at(thermal, first < 0 ? -1 : first + cells * (thermal->cells_z[top] - 1), cells,
                     input->hand_w);
}

static void sources(const struct thermal *thermal, const struct thermal_input *input,
                    struct source source[SOURCES])
{
    source[0] = (struct source){thermal->element, 1, input->heater_w};
    source[1] = rail_source(thermal, input);
    source[2] = hand_source(thermal, input);
}

/* Returns the watts that found a place. */
static double put(const struct source source[SOURCES], double dt_s, double *gains_j)
{
    double put_w = 0;
    for (int i = 0; i < SOURCES; i++) {
        const struct source *from = &source[i];
        for (int k = 0; k < from->count; k++)
            gains_j[from->first + k] += dt_s * from->heat_w / from->count;
        put_w += from->count > 0 ? from->heat_w : 0;
    }
    return put_w;
}

/* ---- along the links ---- */

/* What every node has from its neighbours at these temperatures, in W. */
static void flows(const struct thermal *thermal, const double *temp_c, double *gains_w)
{
    const struct thermal_plan *plan = &thermal->plan;
    int from = thermal->box.first, end = from + box_cells(&thermal->box);
    memset(gains_w, 0, (size_t)from * sizeof *gains_w);
    memset(gains_w + end, 0, (size_t)(thermal->nodes - end) * sizeof *gains_w);
    box_flows(&thermal->box, temp_c, gains_w);
    for (int i = 0; i < plan->links; i++) {
        double flow_w = plan->w_k[i] * (temp_c[plan->from[i]] - temp_c[plan->to[i]]);
        gains_w[plan->from[i]] -= flow_w;
        gains_w[plan->to[i]] += flow_w;
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

void thermal_rates(const struct thermal *thermal, const struct thermal_input *input,
                   const double *heat_j, double *watts)
{
    const struct thermal_plan *plan = &thermal->plan;
    double *temp_c = plan->watts; /* work space, not the network's state */
    struct source source[SOURCES];
    sources(thermal, input, source);
    plan_temps(thermal, heat_j, temp_c);
    flows(thermal, temp_c, watts);
    put(source, 1, watts);
    for (int i = 0; i < plan->faces; i++)
        watts[plan->face[i]] -= face_loses(thermal, input, i, temp_c[plan->face[i]]);
}

/* ---- what a step starts from ---- */

/* A row of faces from face `first` on, its nodes from `node` on. */
WIDE static void row_loses(const struct thermal *thermal, const struct thermal_input *input,
                           int first, int count, int node, const double *restrict moved_k,
                           double *restrict loss_w)
{
    for (int i = 0; i < count; i++)
        loss_w[i] =
            face_loses(thermal, input, first + i, thermal->temp_c[node + i] + 0.5 * moved_k[i]);
}

static int row_end(const struct thermal_plan *plan, int row)
{
    return row + 1 < plan->face_rows ? plan->face_row[row + 1] : plan->faces;
}

/* What flows at these temperatures; and what is lost at the middle of the step to come, as the last one foretells
 * it. */
static void look(struct thermal *thermal, const struct thermal_input *input)
{
    struct thermal_plan *plan = &thermal->plan;
    flows(thermal, thermal->temp_c, plan->flow_w);
    for (int i = 0; i < plan->face_rows; i++) {
        int first = plan->face_row[i];
        row_loses(thermal, input, first, row_end(plan, i) - first, plan->face[first],
                  plan->face_moved_k + first, plan->face_loss_w + first);
    }
    plan->seen = true;
    plan->seen_fan = input->fan;
    plan->seen_draft = input->draft;
}

static bool is_seen(const struct thermal_plan *plan, const struct thermal_input *input)
{
    return plan->seen && plan->seen_fan == input->fan && plan->seen_draft == input->draft;
}

/* ---- through time ---- */

/* x and eased_k are the row's own: what it gains, in J; how far the last step eased it. lost_j comes as its last move
 * and becomes what it loses. */
WIDE static void row_eases(const struct thermal_plan *plan, double dt_s, int first, int count,
                           int node, double *restrict x, double *restrict eased_k,
                           double *restrict lost_j)
{
    for (int i = 0; i < count; i++) {
        double loss_j = dt_s * plan->face_loss_w[first + i];
        double before_k = eased_k[i], ease = plan->face_own[first + i];
        double free_k = (x[i] - loss_j) * plan->k_per_j[node + i];
        double moves_k = (free_k + ease * before_k) * plan->face_frees[first + i];
        lost_j[i] = loss_j + ease * (moves_k - before_k) * plan->j_per_k[node + i];
        eased_k[i] = moves_k;
        x[i] = moves_k * plan->j_per_k[node + i];
    }
}

/* Losses are taken at the step's middle and eased by what this one moves more than the last did: second order.
 * Returns what is lost in the step, in J. */
static double faces_lose(struct thermal *thermal, double dt_s, double *x)
{
    struct thermal_plan *plan = &thermal->plan;
    double lost_j[4] = {0};
    for (int i = 0; i < plan->face_rows; i++) {
        int first = plan->face_row[i], node = plan->face[first];
        row_eases(plan, dt_s, first, row_end(plan, i) - first, node, x + node,
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

/* Afterwards x is by how much each temperature has moved, of what melts too. */
WIDE static void move(struct thermal *thermal, double *restrict x)
{
    struct thermal_plan *plan = &thermal->plan;
    double *restrict heat_j = thermal->heat_j, *restrict temp_c = thermal->temp_c;
    const double *j_per_k = plan->j_per_k;
    for (int i = 0; i < plan->melting; i++)
        plan->melt_was_j[i] = heat_j[plan->melt[i]];
    for (int i = 0; i < thermal->nodes; i++) {
        heat_j[i] += x[i] * j_per_k[i];
        temp_c[i] += x[i];
    }
    for (int i = 0; i < plan->faces; i++)
        plan->face_moved_k[i] = x[plan->face[i]];
    for (int i = 0; i < plan->melting; i++)
        x[plan->melt[i]] -= temp_c[plan->melt[i]];
    plan->phases_moved = plan_phases(thermal) || plan->phases_moved;
    for (int i = 0; i < plan->melting; i++)
        x[plan->melt[i]] += temp_c[plan->melt[i]];
}

/* The other way; nothing is foretold then. */
static void take_back(struct thermal *thermal, const double *x)
{
    struct thermal_plan *plan = &thermal->plan;
    for (int i = 0; i < thermal->nodes; i++) {
        thermal->heat_j[i] -= x[i] * plan->j_per_k[i];
        thermal->temp_c[i] -= x[i];
    }
    for (int i = 0; i < plan->melting; i++)
        thermal->heat_j[plan->melt[i]] = plan->melt_was_j[i];
    plan->phases_moved = plan_phases(thermal) || plan->phases_moved;
    for (int i = 0; i < plan->faces; i++)
        plan->face_moved_k[i] = plan->face_eased_k[i] = 0;
    plan->seen = false;
}

WIDE static double dot(int count, const double *restrict a, const double *restrict b)
{
    double sum[8] = {0};
    int i = 0;
    for (; i + 8 <= count; i += 8)
        for (int k = 0; k < 8; k++)
            sum[k] += a[i + k] * b[i + k];
    for (; i < count; i++)
        sum[0] += a[i] * b[i];
    return ((sum[0] + sum[1]) + (sum[2] + sum[3])) + ((sum[4] + sum[5]) + (sum[6] + sum[7]));
}

/* By how much the potential
 *   J(T) = 1/2 <T, G T> + losses, each summed up from the room's temperature to T - <what is put in, T>
 * has fallen with the move x, at least, in W K; before_wk: <x, what flowed before it>. Conduction is linear, so the mean
 * of before and after is exact; losses grow with T, so the one ahead is not too little. */
static double fallen_wk(const struct thermal *thermal, const struct source source[SOURCES],
                        const double *x, double before_wk)
{
    const struct thermal_plan *plan = &thermal->plan;
    double fallen_wk = 0.5 * (before_wk + dot(thermal->nodes, x, plan->flow_w)), lost_wk[4] = {0};
    for (int i = 0; i < SOURCES; i++)
        for (int k = 0; k < source[i].count; k++)
            fallen_wk += source[i].heat_w / source[i].count * x[source[i].first + k];
    for (int i = 0; i < plan->faces; i++)
        lost_wk[i % 4] += plan->face_loss_w[i] * x[plan->face[i]];
    return fallen_wk - ((lost_wk[0] + lost_wk[1]) + (lost_wk[2] + lost_wk[3]));
}

/* False: the step has raised J, and was taken back. */
static bool advance(struct thermal *thermal, const struct thermal_input *input, double dt_s,
                    bool pinned)
{
    plan_factor(thermal, dt_s, pinned);
    struct thermal_plan *plan = &thermal->plan;
    double *x = plan->watts; /* J, then K: of the box once it is solved along x */
    double put_j = thermal->put_j, was_lost_j = thermal->lost_j;
    int from = thermal->box.first, end = from + box_cells(&thermal->box);
    struct source source[SOURCES];
    sources(thermal, input, source);
    if (!is_seen(plan, input))
        look(thermal, input);
    for (int i = 0; i < thermal->nodes; i++)
        x[i] = dt_s * plan->flow_w[i];
    double put_w = put(source, dt_s, x);
    double lost_j = faces_lose(thermal, dt_s, x);
    for (int i = 0; i < from; i++)
        x[i] *= plan->k_per_j[i];
    for (int i = end; i < thermal->nodes; i++)
        x[i] *= plan->k_per_j[i];
    solve_all(thermal, x);
    thermal->lost_j += lost_j;
    /* Whatever holds the plate supplies what it takes. */
    thermal->put_j += pinned ? gain(thermal, x) + lost_j : dt_s * put_w;
    move(thermal, x);
    double before_wk = dot(thermal->nodes, x, plan->flow_w);
    look(thermal, input);
    if (dt_s <= plan->sure_s || !(fallen_wk(thermal, source, x, before_wk) < -ROUNDING_WK))
        return true;
    take_back(thermal, x);
    thermal->put_j = put_j;
    thermal->lost_j = was_lost_j;
    return false;
}

/* A step that was taken back is done again as two; when so short ones have gone well for long, a longer one is
 * tried. */
static void steps(struct thermal *thermal, const struct thermal_input *input, double dt_s,
                  bool pinned)
{
    if (!(dt_s > 0))
        return;
    struct thermal_plan *plan = &thermal->plan;
    double bears_s = fmin(thermal->most_step_s, thermal->bears_s);
    double left = fmax(ceil(dt_s / fmin(bears_s, plan->trusted_s) - 1e-9), 1);
    double step_s = dt_s / left;
    while (left > 0) {
        if (!advance(thermal, input, step_s, pinned)) {
            plan->trusted_s = step_s /= 2;
            plan->went_well = 0;
            left *= 2;
            continue;
        }
        left--;
        if (++plan->went_well < TRIES_AGAIN)
            continue;
        plan->trusted_s *= 2;
        plan->went_well = 0;
        if (2 * step_s <= fmin(bears_s, plan->trusted_s) && fmod(left, 2) == 0) {
            step_s *= 2;
            left /= 2;
        }
    }
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
        thermal->plan.seen = thermal->plan.seen && thermal->temp_c[held[i]] == plate_c;
        thermal->put_j += heat_j - thermal->heat_j[held[i]];
        thermal->heat_j[held[i]] = heat_j;
        thermal->temp_c[held[i]] = plate_c;
    }
    steps(thermal, input, dt_s, true);
}
