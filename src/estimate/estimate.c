/* SPDX-License-Identifier: MIT */
#include "tinlatch/estimate.h"

#include <math.h>
#include <string.h>

/* The plate is followed by a critically damped tracker of level and slope; one second smooths 0.1 K of
 * sensor noise to 0.02 K/s of slope, and a ramp's start is seen within two seconds. */
#define TRACK_S 1.0

/* Observer gain on the board's reading, per second. Contacts differ by 15 % from board to board, so
 * the model drifts off by several kelvin within the board's own 40 to 60 s; a correction of 1/20 s pulls
 * most of that in, while a tip that is off by 2 K for good can mislead by no more than those 2 K. */
#define BOARD_GAIN_1_S 0.05

/* A board sensor's lag is not in the estimate's inputs; the plate's stands in. */
#define BELIEVE_AFTER_MS 6000 /* a tip just laid down, or a board just opened, tells nothing yet */

enum { HORIZON_S = 600 };

/* What a tip taped to the model's board would come to read. */
static double tip_c(const struct thermal *thermal)
{
    double room_c = thermal->room_c;
    return room_c + THERMAL_TAPED_TIP * (thermal_board_c(thermal) - room_c);
}

/* A thermocouple of class 1 is off by up to this (IEC 60584-1). */
#define SENSOR_OFF_K 1.5

/* All of it off by the whole of its tolerance, and all to the same side, is rarer than once in a hundred: so much of
 * it takes in 96 of 100 drawn melts (tests/bench/estimate_bench). */
#define REACH 0.8

/* How far this one's board lies off the nominal one, as shares of the board's tolerances, and its sensors off the
 * truth. */
static const struct {
    double contact, mass, sensor_k;
} offs[ESTIMATE_BOUNDS] = {
    [ESTIMATE_LIKELY] = {0, 0, 0},
    [ESTIMATE_EARLY] = {REACH, -REACH, REACH *SENSOR_OFF_K},
    [ESTIMATE_LATE] = {-REACH, REACH, -REACH *SENSOR_OFF_K},
};

int estimate_init(struct estimate *estimate, const struct plate *plate, const struct insert *insert,
                  const struct board *board, double room_c, struct tl_error *error)
{
    int failed = 0;
    memset(estimate, 0, sizeof *estimate);
    if (!board)
        return tl_error_set(error, TL_MISSING, "estimate: no board to estimate");
    for (int i = 0; i < ESTIMATE_BOUNDS && !failed; i++) {
        struct thermal_setup setup = {
            .plate = *plate,
            .insert = *insert,
            .board = board,
            .room_c = room_c,
            .contact_factor = 1 + offs[i].contact * board->contact_tolerance,
            .mass_factor = 1 + offs[i].mass * board->mass_tolerance,
            .upper_present = board->slab[LAYER_UPPER].present,
            .joints_present = true,
        };
        failed = thermal_init(&estimate->model[i].thermal, &setup, error);
    }
    estimate->plate = *plate;
    estimate->board = board;
    estimate->hand_part = -1;
    return failed;
}

static void hand_on(struct estimate_model *model, enum hand hand, int part)
{
    struct thermal *thermal = &model->thermal;
    switch (hand) {
    case HAND_PLACE:
        thermal_place(thermal);
        break;
    case HAND_LIFT:
        thermal_lift(thermal, part);
        break;
    case HAND_PRESS:
    case HAND_RELEASE:
        thermal_press(thermal, hand == HAND_PRESS);
        return;
    case HAND_NONE:
    case HAND_HEAT:
    case HANDS:
        return;
    }
    model->board_seen_c = tip_c(thermal);
}

void estimate_hand(struct estimate *estimate, enum hand hand, int part)
{
    for (int i = 0; i < ESTIMATE_BOUNDS; i++)
        hand_on(&estimate->model[i], hand, part);
    if (hand == HAND_PLACE || hand == HAND_LIFT)
        estimate->believe_board_ms = estimate->stepped_ms + BELIEVE_AFTER_MS;
}

void estimate_hot_air(struct estimate *estimate, double watts, int part)
{
    estimate->hand_w = fmin(fmax(watts, 0), THERMAL_HAND_W);
    estimate->hand_part = part;
}

static struct thermal_input acting(const struct estimate *estimate)
{
    return (struct thermal_input){.fan = estimate->fan,
                                  .draft = 1,
                                  .rail_part = -1,
                                  .hand_w = estimate->hand_w,
                                  .hand_part = estimate->hand_part};
}

/* The bench as first seen: plate and insert as warm as the reading says. */
static void begin(struct estimate *estimate, double reading_c, int64_t t_ms)
{
    estimate->seen_c = reading_c;
    estimate->stepped_ms = t_ms;
    estimate->believe_board_ms += t_ms;
    estimate->started = true;
    for (int i = 0; i < ESTIMATE_BOUNDS; i++)
        thermal_warm_bench(&estimate->model[i].thermal, reading_c);
}

static void track_plate(struct estimate *estimate, double reading_c, double dt_s)
{
    double keep = exp(-dt_s / TRACK_S);
    estimate->seen_c += estimate->slope_c_s * dt_s;
    double off_c = reading_c - estimate->seen_c;
    estimate->seen_c += (1 - keep * keep) * off_c;
    estimate->slope_c_s += (1 - keep) * (1 - keep) * off_c / dt_s;
}

/* Compare like with like: the model's board through the same lag as the sensor's. */
static void correct_by_board(const struct estimate *estimate, struct estimate_model *model,
                             const struct wire_snapshot *snapshot, double off_k, double dt_s)
{
    struct thermal *thermal = &model->thermal;
    double lag_s = fmax(estimate->plate.sensor_lag_s, 0.1);
    double model_c = tip_c(thermal);
    model->board_seen_c += (model_c - model->board_seen_c) * (1 - exp(-dt_s / lag_s));
    bool readable = snapshot->quality[SENSOR_BOARD] == QUALITY_GOOD;
    if (!readable || !thermal->placed || snapshot->t_ms < estimate->believe_board_ms)
        return;
    double off_c = snapshot->temp_mc[SENSOR_BOARD] * 1e-3 + off_k - model->board_seen_c;
    double add_k = off_c * fmin(BOARD_GAIN_1_S * dt_s, 1);
    thermal_nudge_board(thermal, add_k);
    model->board_seen_c += add_k;
}

void estimate_step(struct estimate *estimate, const struct wire_snapshot *snapshot)
{
    estimate->frozen = snapshot->plate_quality != QUALITY_GOOD;
    if (estimate->frozen)
        return;
    double reading_c = snapshot->plate_mc * 1e-3;
    estimate->fan = snapshot->granted_fan_pct * 0.01;
    if (!estimate->started) {
        begin(estimate, reading_c, snapshot->t_ms);
        return;
    }
    double dt_s = (double)(snapshot->t_ms - estimate->stepped_ms) * 1e-3;
    if (dt_s <= 0)
        return;
    track_plate(estimate, reading_c, dt_s);
    struct thermal_input input = acting(estimate);
    double plate_c = estimate->seen_c + estimate->plate.sensor_lag_s * estimate->slope_c_s;
    for (int i = 0; i < ESTIMATE_BOUNDS; i++) {
        correct_by_board(estimate, &estimate->model[i], snapshot, offs[i].sensor_k, dt_s);
        thermal_step_pinned(&estimate->model[i].thermal, &input, plate_c + offs[i].sensor_k, dt_s);
    }
    estimate->stepped_ms = snapshot->t_ms;
}

static int32_t in_ms(double seconds)
{
    return seconds < 0 ? -1 : (int32_t)lround(seconds * 1000);
}

/* A forecast is run only where its answer is open: it is the costly part. */
static int32_t melt_ms(const struct estimate *estimate, enum estimate_bound bound, int joint)
{
    const struct thermal *thermal = &estimate->model[bound].thermal;
    bool hot_enough = thermal_plate_c(thermal) > estimate->board->joint[joint].alloy.liquidus_c;
    if (thermal_joint_molten(thermal, joint) >= 1)
        return 0;
    if (!hot_enough && estimate->hand_w <= 0)
        return -1;
    struct thermal_input input = acting(estimate);
    return in_ms(thermal_foresee(thermal, &input, true, joint, true, HORIZON_S));
}

static int32_t solid_ms(const struct estimate *estimate, int joint)
{
    struct thermal_input input = acting(estimate);
    input.hand_w = 0;
    return in_ms(thermal_foresee(&estimate->model[ESTIMATE_LIKELY].thermal, &input, false, joint,
                                 false, HORIZON_S));
}

/* What a TURN can carry: a joint hotter than any solder boils is not worth telling apart, nor one that the model
 * has lost altogether. */
static int32_t in_mc(double temp_c)
{
    enum { LEAST_C = -273, MOST_C = 2000 };
    if (!(temp_c > LEAST_C))
        return LEAST_C * 1000;
    return (int32_t)lround(fmin(temp_c, MOST_C) * 1000);
}

static int32_t in_permille(double share)
{
    return share > 0 ? (int32_t)floor(fmin(share, 1) * 1000) : 0; /* 0 for NaN */
}

static int32_t molten_now(double molten)
{
    return molten >= 1 ? 0 : -1;
}

void estimate_joint(const struct estimate *estimate, int joint, bool forecast,
                    struct wire_joint *out)
{
    double molten[ESTIMATE_BOUNDS];
    for (int i = 0; i < ESTIMATE_BOUNDS; i++)
        molten[i] = thermal_joint_molten(&estimate->model[i].thermal, joint);
    *out = (struct wire_joint){
        .temp_mc = in_mc(estimate_coldest_c(estimate, ESTIMATE_LIKELY, joint)),
        .molten_permille = in_permille(molten[ESTIMATE_LIKELY]),
        .melt_ms = molten_now(molten[ESTIMATE_LIKELY]),
        .melt_early_ms = molten_now(molten[ESTIMATE_EARLY]),
        .melt_late_ms = molten_now(molten[ESTIMATE_LATE]),
        .solid_ms = molten[ESTIMATE_LIKELY] > 0 ? -1 : 0,
    };
    if (!forecast || !estimate->model[ESTIMATE_LIKELY].thermal.placed)
        return;
    out->melt_ms = melt_ms(estimate, ESTIMATE_LIKELY, joint);
    out->melt_early_ms = melt_ms(estimate, ESTIMATE_EARLY, joint);
    out->melt_late_ms = melt_ms(estimate, ESTIMATE_LATE, joint);
    if (molten[ESTIMATE_LIKELY] > 0)
        out->solid_ms = solid_ms(estimate, joint);
}

double estimate_coldest_c(const struct estimate *estimate, enum estimate_bound bound, int joint)
{
    return thermal_joint_coldest_c(&estimate->model[bound].thermal, joint);
}
