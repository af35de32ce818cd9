/* SPDX-License-Identifier: MIT */
/* control - turns a granted temperature into duty: feed-forward from the plate's constants plus PI
 * with anti-windup, along a set-point that climbs no faster than the granted ramp.
 *
 * Ownership  struct control is the caller's storage; {0} after control_init.
 * Never      drives anything when heat is not granted: duty 0, set-point 0, integral 0.
 * Fails      it cannot.
 * Units      as in bench.h; inside, C and s. */
#ifndef TINLATCH_CONTROL_H
#define TINLATCH_CONTROL_H

#include "tinlatch/bench.h"

enum { RAMP_HISTORY = 128 };

struct control {
    struct plate plate;
    double extra_j_k;      /* the insert */
    double room_c;
    double setpoint_c;     /* moves towards the granted temperature */
    double element_c;      /* the set-point as the plate can follow it: behind the element's lag, */
    double expected_c;     /* ... and as the sensor will show it. PI sees only what this misses. */
    double integral_w;
    double leaves_w;       /* what of the feed-forward has come through the element */
    bool running;
    int64_t stepped_ms;
    /* plate history for the measured ramp */
    int64_t at_ms[RAMP_HISTORY];
    int32_t seen_mc[RAMP_HISTORY];
    int32_t newest, count;
};

void control_init(struct control *control, const struct plate *plate, double extra_j_k,
                  double room_c);
/* Note a fresh plate reading; *ramp_mc_s is the difference of two one-second means whose centres lie
 * four seconds apart, divided by four. False until five seconds are known. */
bool control_ramp(struct control *control, int32_t temp_mc, int64_t t_ms, int32_t *ramp_mc_s);
void control_forget_ramp(struct control *control);
/* What the plate loses at that temperature in still air. */
double control_loss_w(const struct control *control, double temp_c);
void control_step(struct control *control, const struct granted *granted,
                  const struct temp_reading *plate, int32_t ramp_limit_mc_s, int64_t t_ms,
                  struct drive *drive);

#endif
