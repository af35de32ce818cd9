/* SPDX-License-Identifier: MIT */
#include "tinlatch/profile.h"

#include <math.h>
#include <stdbool.h>

struct curve_of {
    const struct profile_point *point;
    int count;
};

/* Is there a straight piece of the curve from point i to the next? */
static bool joined(const struct curve_of *c, int i)
{
    return i >= 0 && i + 1 < c->count && !isnan(c->point[i].temp_c) &&
           !isnan(c->point[i + 1].temp_c) && c->point[i + 1].t_s > c->point[i].t_s;
}

/* When the piece from i passes `temp_c`; the caller knows that it does. */
static double passes_at(const struct curve_of *c, int i, double temp_c)
{
    const struct profile_point *a = &c->point[i], *b = a + 1;
    return a->t_s + (temp_c - a->temp_c) / (b->temp_c - a->temp_c) * (b->t_s - a->t_s);
}

static double seconds_above(const struct curve_of *c, double temp_c)
{
    double sum_s = 0;
    for (int i = 0; i + 1 < c->count; i++) {
        if (!joined(c, i))
            continue;
        double a = c->point[i].temp_c - temp_c, b = c->point[i + 1].temp_c - temp_c;
        double whole_s = c->point[i + 1].t_s - c->point[i].t_s;
        if (a > 0 && b > 0)
            sum_s += whole_s;
        else if (a > 0 || b > 0)
            sum_s += whole_s * fmax(a, b) / fabs(b - a);
    }
    return sum_s;
}

static int find_peak(const struct curve_of *c)
{
    int peak = -1;
    for (int i = 0; i < c->count; i++)
        if (!isnan(c->point[i].temp_c) && (peak < 0 || c->point[i].temp_c > c->point[peak].temp_c))
            peak = i;
    return peak;
}

/* The last time before point `end` that the curve rose through `temp_c`; NAN = it never did. */
static double last_rise_s(const struct curve_of *c, int end, double temp_c)
{
    for (int i = end - 1; i >= 0; i--)
        if (joined(c, i) && c->point[i].temp_c < temp_c && c->point[i + 1].temp_c >= temp_c)
            return passes_at(c, i, temp_c);
    return (double)NAN;
}

/* The first time from `from_s` up to point `end`. */
static double first_rise_s(const struct curve_of *c, double from_s, int end, double temp_c)
{
    for (int i = 0; i < end; i++) {
        if (!joined(c, i) || c->point[i].temp_c >= temp_c || c->point[i + 1].temp_c < temp_c)
            continue;
        double at_s = passes_at(c, i, temp_c);
        if (at_s >= from_s)
            return at_s;
    }
    return (double)NAN;
}

static double first_fall_s(const struct curve_of *c, int begin, double temp_c)
{
    for (int i = begin; i + 1 < c->count; i++)
        if (joined(c, i) && c->point[i].temp_c > temp_c && c->point[i + 1].temp_c <= temp_c)
            return passes_at(c, i, temp_c);
    return (double)NAN;
}

/* The steepest chord over the window between points `begin` and `end`, in the direction of `sign`. It begins or ends at
 * a point of the curve; `hint` only ever moves on, so that an hour of points takes one pass. */
static double steepest(const struct curve_of *c, int begin, int end, double sign)
{
    double most = (double)NAN;
    for (int pass = 0; pass < 2;
         pass++) { /* windows that begin at a point, then those that end at one */
        int hint = begin;
        for (int i = begin; i <= end; i++) {
            double at_s = c->point[i].t_s + (pass == 0 ? PROFILE_WINDOW_S : -PROFILE_WINDOW_S);
            if (isnan(c->point[i].temp_c) || at_s < c->point[begin].t_s || at_s > c->point[end].t_s)
                continue;
            while (hint < end - 1 && c->point[hint + 1].t_s < at_s)
                hint++;
            if (!joined(c, hint))
                continue;
            const struct profile_point *a = &c->point[hint], *b = a + 1;
            double other_c =
                a->temp_c + (at_s - a->t_s) / (b->t_s - a->t_s) * (b->temp_c - a->temp_c);
            double slope =
                (pass == 0 ? other_c - c->point[i].temp_c : c->point[i].temp_c - other_c) /
                PROFILE_WINDOW_S;
            if (!(most >= sign * slope))
                most = sign * slope;
        }
    }
    return most;
}

/* From the last point as hot as the peak down to liquidus. */
static double fall_to(const struct curve_of *c, int peak, double liquidus_c)
{
    int last = peak;
    for (int i = peak; i < c->count; i++)
        if (c->point[i].temp_c >= c->point[peak].temp_c)
            last = i;
    double solid_s = first_fall_s(c, last, liquidus_c);
    return (c->point[peak].temp_c - liquidus_c) / (solid_s - c->point[last].t_s);
}

void profile_measure(const struct profile_point *point, int count,
                     const struct profile_zones *zones, struct profile_figures *figures)
{
    const struct curve_of c = {point, count};
    const double none = (double)NAN;
    int peak = find_peak(&c);
    *figures = (struct profile_figures){none, none, none, none, 0, 0, none, none, none, none};
    if (peak < 0)
        return;
    figures->peak_c = point[peak].temp_c;
    figures->peak_s = point[peak].t_s;
    figures->to_peak_s = figures->peak_s - last_rise_s(&c, peak, PROFILE_START_C);
    double soak_s = last_rise_s(&c, peak, zones->soak_low_c);
    figures->soak_s = first_rise_s(&c, soak_s, peak, zones->soak_high_c) - soak_s;
    figures->above_liquidus_s = seconds_above(&c, zones->liquidus_c);
    figures->near_peak_s = seconds_above(&c, figures->peak_c - PROFILE_NEAR_C);
    figures->ramp_up_c_s = steepest(&c, 0, peak, 1);
    figures->ramp_down_c_s = steepest(&c, peak, count - 1, -1);
    double melts_s = last_rise_s(&c, peak, zones->liquidus_c);
    if (figures->peak_c > zones->liquidus_c) {
        figures->ramp_to_peak_c_s =
            (figures->peak_c - zones->liquidus_c) / (figures->peak_s - melts_s);
        figures->ramp_to_solid_c_s = fall_to(&c, peak, zones->liquidus_c);
    }
}

const struct profile_allowed *profile_allowed(int with_lead)
{
    static const struct profile_allowed allowed[2] = {
        {60, 120, 60, 150, 3, 6, 480, {150, 200, 217}},
        {60, 120, 60, 150, 3, 6, 360, {100, 150, 183}},
    };
    return &allowed[with_lead != 0];
}
