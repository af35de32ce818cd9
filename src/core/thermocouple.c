/* SPDX-License-Identifier: MIT */
#include "tinlatch/thermocouple.h"

#include <math.h>
#include <stdbool.h>
#include <string.h>

#include "thermocouple_tables.h"

static const double CLOSE_C = 1e-9;                   /* Newton is there */
static const double COLD_LOW_C = 0, COLD_HIGH_C = 60; /* where a bench's terminals can be */
enum { NEWTON_STEPS = 12 };                           /* two or three are needed */

const char *thermocouple_name(enum thermocouple type)
{
    return type < THERMOCOUPLES ? thermocouple_tables[type].name : "?";
}

enum thermocouple thermocouple_find(const char *name)
{
    for (enum thermocouple type = 0; type < THERMOCOUPLES; type++)
        if (strcmp(thermocouple_tables[type].name, name) == 0)
            return type;
    return THERMOCOUPLES;
}

void thermocouple_range_c(enum thermocouple type, double *low_c, double *high_c)
{
    const struct thermocouple_tables *tables = &thermocouple_tables[type];
    *low_c = tables->forward[0].low_c;
    *high_c = tables->forward[tables->forwards - 1].high_c;
}

static const struct forward_segment *forward_for(const struct thermocouple_tables *tables,
                                                 double temp_c)
{
    int i = 0;
    while (i + 1 < tables->forwards && temp_c > tables->forward[i].high_c)
        i++;
    return &tables->forward[i];
}

/* E(t) and dE/dt; t lies within the type's range. */
static double forward(const struct thermocouple_tables *tables, double temp_c, double *slope)
{
    const struct forward_segment *segment = forward_for(tables, temp_c);
    double mv = 0, rise = 0;
    for (int i = segment->terms - 1; i >= 0; i--) {
        rise = rise * temp_c + mv;
        mv = mv * temp_c + segment->c[i];
    }
    if (tables->bump_mv > 0 && temp_c > 0) {
        double from_top = temp_c - tables->bump_c;
        double bump = tables->bump_mv * exp(tables->bump_curve * from_top * from_top);
        mv += bump;
        rise += bump * 2 * tables->bump_curve * from_top;
    }
    *slope = rise;
    return mv;
}

int thermocouple_mv(enum thermocouple type, double temp_c, double *mv)
{
    double low_c, high_c, slope;
    if (type >= THERMOCOUPLES)
        return TL_RANGE;
    thermocouple_range_c(type, &low_c, &high_c);
    if (!(temp_c >= low_c && temp_c <= high_c))
        return TL_RANGE;
    *mv = forward(&thermocouple_tables[type], temp_c, &slope);
    return 0;
}

static const struct inverse_segment *inverse_for(const struct thermocouple_tables *tables,
                                                 double mv)
{
    int i = 0;
    while (i + 1 < tables->inverses && mv > tables->inverse[i].high_mv)
        i++;
    return &tables->inverse[i];
}

static double clamp(double value, double low, double high)
{
    return value < low ? low : value > high ? high : value;
}

int thermocouple_temp_c(enum thermocouple type, double mv, double *temp_c)
{
    if (type >= THERMOCOUPLES)
        return TL_RANGE;
    const struct thermocouple_tables *tables = &thermocouple_tables[type];
    double low_c = tables->inverse[0].low_c;
    double high_c = tables->inverse[tables->inverses - 1].high_c;
    const struct inverse_segment *segment = inverse_for(tables, mv);
    double t = 0;
    for (int i = segment->terms - 1; i >= 0; i--)
        t = t * mv + segment->d[i];
    t = clamp(t, low_c, high_c);
    for (int i = 0; i < NEWTON_STEPS; i++) {
        double slope;
        double step_c = (mv - forward(tables, t, &slope)) / slope;
        double next = clamp(t + step_c, low_c, high_c);
        if (fabs(step_c) < CLOSE_C) {
            *temp_c = next;
            return 0;
        }
        if (next == t)
            break; /* at an end of the range, and pushed beyond it */
        t = next;
    }
    return TL_RANGE;
}

int thermocouple_measured_c(enum thermocouple type, double mv, double cold_c, double *temp_c)
{
    double cold_mv;
    if (!(cold_c >= COLD_LOW_C && cold_c <= COLD_HIGH_C))
        return TL_RANGE;
    int result = thermocouple_mv(type, cold_c, &cold_mv);
    if (result != 0)
        return result;
    return thermocouple_temp_c(type, mv + cold_mv, temp_c);
}
