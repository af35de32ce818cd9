/* SPDX-License-Identifier: MIT */
/* learn - a plate's constants out of what it did: a step test's log, fitted by least squares. And, with the plate
 * learned, an insert's contacts out of a second one, with a test coupon of known heat capacity on it.
 *
 * The heater's watts and the radiating face are taken as stated: from temperatures alone nobody can tell a
 * strong heater in a heavy plate from a weak one in a light plate. Which of two lags in a row is the
 * element's and which the sensor's cannot be told either, only how long both are together; so the sensor's
 * is held at what is stated unless the log settles it. Of the coupon's log the same holds for the plate's contact
 * with the insert. What may differ from one day to the next is fitted beside the contacts and not given out: the
 * mains, the draught and the lag that came of them, the coupon's own loss, what its sensor is off by.
 *
 * Ownership  the caller owns the points; the result is a plain value.
 * Never      allocates, or gives constants that the log does not support.
 * Fails      TL_MISSING: too short, not heated enough, did not start cold, never cooled.
 *            TL_RANGE: the model does not follow the log, or leaves a constant open; the sentence says which.
 * Units      C, s, W, J; duty and fan 0..1. */
#ifndef TINLATCH_LEARN_H
#define TINLATCH_LEARN_H

#include "tinlatch/bench.h"
#include "tinlatch/err.h"

/* What was driven from t_s on, and what the sensors of plate and coupon read at t_s (NAN = nothing). */
struct learn_point {
    double t_s, duty, fan, reading_c, board_c;
    bool coupon; /* it lies on the insert */
};

struct learn_input {
    const struct learn_point *point;
    int count;
    struct plate stated;  /* where the search begins; watts, emissivity_area and size are kept */
    struct insert insert; /* capacity 0: none lies on the plate */
    double room_c;
    double coupon_j_k;    /* learn_coupon: what the coupon holds */
    double board_lag_s;   /* of the sensor on it */
};

enum learn_constant {
    LEARN_CAPACITY,
    LEARN_LOSS,
    LEARN_DELAY,
    LEARN_SENSOR,
    LEARN_FAN,
    LEARN_PLATE_CONTACT,
    LEARN_BOARD_CONTACT,
    LEARN_CONSTANTS
};

/* A bench that does what the log says. */
struct learn_model {
    struct plate plate; /* watts: of that day's mains */
    struct insert insert;
    double start_c;     /* plate and room at the start, as its sensor shows them */
    double coupon_j_k, coupon_loss_w_k, coupon_bend_w_k, board_lag_s, board_off_k;
};

struct learn_result {
    struct learn_model model;
    double error[LEARN_CONSTANTS];      /* one standard deviation, as a share of the value */
    bool held[LEARN_CONSTANTS];         /* not learned: as stated, for the log does not tell */
    double residual_k, worst_k;         /* root mean square, largest; of all sensors */
    double quantum_k;                   /* the smallest step between readings */
    double rise_k, span_s;
    int rounds, count;                  /* count: points of the log that were looked at */
    bool board_read;                    /* the coupon had a sensor */
};

/* The plate and its residuals; on failure *result holds as much as was found, for the chart. */
int learn_plate(const struct learn_input *input, struct learn_result *result,
                struct tl_error *error);

/* The contacts of the insert, from input->stated as learned. Also fails with TL_MISSING: no insert, no coupon;
 * TL_RANGE: that day's plate is not the one that was learned. The log ends where the fan begins. */
int learn_coupon(const struct learn_input *input, struct learn_result *result,
                 struct tl_error *error);

/* What such a bench does to such a log: fills reading_c and board_c (NAN while the coupon is not on) of `point`. */
void learn_predict(const struct learn_model *model, struct learn_point *point, int count);

/* The seat test's pulse: full duty for pulse_s makes a seated sensor rise by rise_k at most; the top is
 * reached top_s after the pulse began. False: not within a minute of full power. */
struct learn_pulse {
    double pulse_s, rise_k, top_s;
};
bool learn_pulse(const struct plate *plate, const struct insert *insert, double room_c,
                 double rise_k, struct learn_pulse *pulse);

#endif
