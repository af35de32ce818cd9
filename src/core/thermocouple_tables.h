/* SPDX-License-Identifier: MIT */
/* thermocouple_tables - the reference functions of each type and the approximate inverses that are
 * published with them. C and mV. */
#ifndef TINLATCH_CORE_THERMOCOUPLE_TABLES_H
#define TINLATCH_CORE_THERMOCOUPLE_TABLES_H

#include "tinlatch/thermocouple.h"

enum { FORWARD_TERMS = 15, FORWARDS = 2, INVERSE_TERMS = 10, INVERSES = 3 };

/* E = sum c[i] t^i from low_c to high_c. */
struct forward_segment {
    double low_c, high_c;
    int terms;
    double c[FORWARD_TERMS];
};

/* t = sum d[i] E^i, within some hundredths of a degree, for what low_c to high_c gives. */
struct inverse_segment {
    double low_c, high_c;
    double high_mv;
    int terms;
    double d[INVERSE_TERMS];
};

struct thermocouple_tables {
    const char *name;
    int forwards;
    struct forward_segment forward[FORWARDS];
    double bump_mv, bump_curve, bump_c; /* type K's a0 exp(a1 (t - a2)^2), above 0 C; else 0 */
    int inverses;
    struct inverse_segment inverse[INVERSES];
};

extern const struct thermocouple_tables thermocouple_tables[THERMOCOUPLES];

#endif
