/* SPDX-License-Identifier: MIT */
/* profile - the figures by which a solder profile is judged, of a temperature over time.
 *
 * Ownership  the points stay the caller's.
 * Never      reads anything into a gap: a point without a temperature ends one piece of the curve, the next begins another.
 * Fails      a figure that the curve does not have is NAN (it never got there), a time above something 0.
 * Units      C, s, C/s. Between two points the curve is a straight line. */
#ifndef TINLATCH_PROFILE_H
#define TINLATCH_PROFILE_H

struct profile_point {
    double t_s, temp_c; /* times rise; NAN = not known */
};

/* Where the zones lie. J-STD-020 (D, E): 150, 200, 217 C without lead, 100, 150, 183 C with. */
struct profile_zones {
    double soak_low_c, soak_high_c, liquidus_c;
};

enum { PROFILE_NEAR_C = 5, PROFILE_START_C = 25, PROFILE_WINDOW_S = 5 };

struct profile_figures {
    double peak_c, peak_s;    /* the first time that it was as hot */
    double to_peak_s;         /* from the last time below PROFILE_START_C before it */
    double soak_s;            /* on the way to the peak, from the last time below soak_low to the first above soak_high */
    double above_liquidus_s;  /* all of it */
    double near_peak_s;       /* within PROFILE_NEAR_C of the peak, all of it */
    double ramp_up_c_s;       /* steepest mean over PROFILE_WINDOW_S, before the peak */
    double ramp_to_peak_c_s;  /* mean from liquidus, last passed before the peak, to the peak */
    double ramp_down_c_s;     /* steepest mean over PROFILE_WINDOW_S, after the peak; positive */
    double ramp_to_solid_c_s; /* mean from the last time as hot as the peak to liquidus; positive */
};

void profile_measure(const struct profile_point *point, int count, const struct profile_zones *zones,
                     struct profile_figures *figures);

/* What J-STD-020 (D, E) allows, as classification limits of parts; 0 = says nothing. Its time near the peak is not here:
 * it counts near a part's class, which a board's reading is not (board.h has it). */
struct profile_allowed {
    double soak_least_s, soak_most_s, above_least_s, above_most_s, ramp_up_most_c_s, ramp_down_most_c_s,
        to_peak_most_s;
    struct profile_zones zones;
};
/* with_lead: the table of SnPb, else without lead. */
const struct profile_allowed *profile_allowed(int with_lead);

#endif
