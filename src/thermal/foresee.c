/* SPDX-License-Identifier: MIT */
/* Forecasts, by a stabilised explicit rule that takes seconds at a stride: Runge-Kutta-Chebyshev of second
 * order (Sommeijer, Shampine, Verwer, J. Comput. Appl. Math. 88 (1998) 315). */
#include <math.h>
#include <string.h>

#include "plan.h"

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

/* The equations with the plate held or not. */
static void drift(const struct thermal *thermal, const struct thermal_input *input, bool pinned,
                  const double *heat_j, double *watts)
{
    thermal_rates(thermal, input, heat_j, watts);
    if (pinned)
        watts[thermal->element] = watts[thermal->plate] = 0;
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
