/* SPDX-License-Identifier: MIT */
#include "tinlatch/estimate.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The plate is followed by a critically damped tracker of level and slope; one second smooths 0.1 K of
 * sensor noise to 0.02 K/s of slope, and a ramp's start is seen within two seconds. */
#define TRACK_S 1.0

/* Whatever of the board's reading no constant within its tolerance explains (a draft, another board) moves the board
 * itself, by 1/20 s: quick against the 40 to 60 s in which it would creep back. */
#define BOARD_GAIN_1_S 0.05

/* One look at the board's sensor, in K: its noise, and what the model leaves out from one look to the next. */
#define LOOK_K 0.7

/* How soon what was learned is out of date: a tape comes loose, a board settles. */
#define FORGET_S 3000.0

/* The models go in steps of this length; where hot air brings a small part to its solder's melting within one of them,
 * these are too long, and the part swings instead of melting. */
#define STRIDE_S         0.5
#define AIR_STRIDE_S     0.1

#define BELIEVE_AFTER_MS 6000 /* a tip just laid down, or a board just opened, tells nothing yet */

enum { HORIZON_S = 600 };

/* A plate so near to its target is taken to get there at once. */
#define NEAR_K 5.0

/* What a tip taped to the model's board would come to read. */
static double tip_c(const struct thermal *thermal)
{
    double room_c = thermal->room_c;
    return room_c + THERMAL_TAPED_TIP * (thermal_board_c(thermal) - room_c);
}

/* A thermocouple of class 1 is off by up to this (IEC 60584-1). */
#define SENSOR_OFF_K 1.5
#define ROOM_OFF_K   2.0 /* common practice, no source */

/* Of what is drawn evenly between -1 and 1. */
#define EVEN_SPREAD (1.0 / 3)

/* Standard deviations from the likely one. Of a normal distribution 0.6 % lie further out on the cold side, where too
 * soon tears pads; on the hot side 2.3 %. */
static const double far_out[ESTIMATE_BOUNDS] = {
    [ESTIMATE_LIKELY] = 0, [ESTIMATE_EARLY] = 2, [ESTIMATE_LATE] = -2.5};

/* Nothing is known of it, nor what it has to do with the others. */
static void forget(struct estimate *estimate, enum estimate_unknown which)
{
    for (int i = 0; i < UNKNOWNS; i++)
        estimate->spread[which][i] = estimate->spread[i][which] = 0;
    estimate->spread[which][which] = EVEN_SPREAD;
}

struct off {
    double contact, mass, room;
};

static const struct off offs[ESTIMATE_OFF] = {
    [OFF_CONTACT_MORE] = {.contact = 1}, [OFF_CONTACT_LESS] = {.contact = -1},
    [OFF_MASS_MORE] = {.mass = 1},       [OFF_MASS_LESS] = {.mass = -1},
    [OFF_BOTH_MORE] = {1, 1, 0},         [OFF_ROOM] = {.room = 1},
};

static const struct off none_off = {0};
static const struct off slowest_off = {.contact = -1, .mass = 1, .room = -1};

/* The slowest board's air, as a desk fan moves it; what its sensor's noise leaves; the length of its steps. */
#define DRAFT_MOST     3.0
#define LEAST_MARGIN_K 1.0
#define SLOW_STRIDE_S  2.0

/* What the unknowns take of each off model; the rest is the nominal one. */
static void shares_at(const double *unknown, double *share)
{
    double contact = unknown[UNKNOWN_CONTACT], mass = unknown[UNKNOWN_MASS];
    share[OFF_CONTACT_MORE] = (contact * contact + contact) / 2 - contact * mass;
    share[OFF_CONTACT_LESS] = (contact * contact - contact) / 2;
    share[OFF_MASS_MORE] = (mass * mass + mass) / 2 - contact * mass;
    share[OFF_MASS_LESS] = (mass * mass - mass) / 2;
    share[OFF_BOTH_MORE] = contact * mass;
    share[OFF_PLATE] = unknown[UNKNOWN_PLATE];
    share[OFF_ROOM] = unknown[UNKNOWN_ROOM];
}

static double dot(const double *a, const double *b, int count)
{
    double sum = 0;
    for (int i = 0; i < count; i++)
        sum += a[i] * b[i];
    return sum;
}

/* By how much a figure of the models, given as what each of the off ones has more of it than the nominal one, grows
 * with each unknown. */
static void slopes_at(const double *unknown, const double *more, double *slope)
{
    double at[UNKNOWNS], up[ESTIMATE_OFF], down[ESTIMATE_OFF];
    memcpy(at, unknown, sizeof at);
    for (int i = 0; i < UNKNOWNS; i++) {
        at[i] = unknown[i] + 0.5; /* of a parabola this is exact */
        shares_at(at, up);
        at[i] = unknown[i] - 0.5;
        shares_at(at, down);
        at[i] = unknown[i];
        slope[i] = dot(up, more, ESTIMATE_OFF) - dot(down, more, ESTIMATE_OFF);
    }
}

static int init_model(struct estimate_model *model, const struct thermal_setup *nominal,
                      const struct off *off, struct tl_error *error)
{
    struct thermal_setup setup = *nominal;
    setup.contact_factor += off->contact * setup.board->contact_tolerance;
    setup.mass_factor += off->mass * setup.board->mass_tolerance;
    setup.room_c += off->room * ROOM_OFF_K;
    int failed = thermal_init(&model->thermal, &setup, error);
    model->thermal.most_step_s = STRIDE_S;
    return failed;
}

/* ---- the joints ---- */

/* The models as thermal_mix wants them. */
static void others(const struct estimate *estimate, const struct thermal *other[ESTIMATE_OFF])
{
    for (int i = 0; i < ESTIMATE_OFF; i++)
        other[i] = &estimate->off[i].thermal;
}

/* How the joint's last place moves with each unknown, in K, at the likely ones. */
static void moves_at(const struct estimate *estimate, int joint, double *moves_k)
{
    double more_k[ESTIMATE_OFF];
    double nominal_c = thermal_joint_coldest_c(&estimate->nominal.thermal, joint);
    for (int i = 0; i < ESTIMATE_OFF; i++)
        more_k[i] = thermal_joint_coldest_c(&estimate->off[i].thermal, joint) - nominal_c;
    slopes_at(estimate->unknown, more_k, moves_k);
}

/* What a bound takes of each model: away from the likely unknowns in the direction that moves the joint's last place
 * most for how likely it is. One that is at the end of its tolerance goes no further; the joint still does, but not
 * past where all of them at their ends would bring it. */
static void bound_at(const struct estimate *estimate, enum estimate_bound bound,
                     const double *moves_k, struct estimate_look *look)
{
    double with_k[UNKNOWNS], at[UNKNOWNS];
    for (int i = 0; i < UNKNOWNS; i++)
        with_k[i] = dot(estimate->spread[i], moves_k, UNKNOWNS);
    double deviation_k = sqrt(fmax(dot(with_k, moves_k, UNKNOWNS), 0));
    double out = deviation_k > 0 ? far_out[bound] / deviation_k : 0;
    double shift_k = far_out[bound] * deviation_k, left_k = 0;
    for (int i = 0; i < UNKNOWNS; i++) {
        at[i] = fmin(fmax(estimate->unknown[i] + out * with_k[i], -1), 1);
        shift_k -= (at[i] - estimate->unknown[i]) * moves_k[i];
        left_k += fabs(moves_k[i]) - (out > 0 ? at[i] : -at[i]) * moves_k[i];
    }
    look->shift_k = copysign(fmin(fabs(shift_k), left_k), shift_k);
    shares_at(at, look->share);
}

static void look_at(const struct estimate *estimate, int joint, struct estimate_look *look)
{
    const struct thermal *nominal = &estimate->nominal.thermal, *other[ESTIMATE_OFF];
    double molten_j = 0, latent_j = 0;
    look->coldest_c = HUGE_VAL;
    look->hottest_c = -HUGE_VAL;
    others(estimate, other);
    for (int i = 0; i < thermal_places(nominal, joint); i++) {
        int at = nominal->segment[joint][0] + i;
        double heat_j;
        if (!nominal->node[at].there)
            continue;
        struct thermal_node node =
            thermal_mix_node(nominal, other, look->share, ESTIMATE_OFF, at, &heat_j);
        double temp_c = thermal_temp_of(&node, heat_j) + look->shift_k;
        heat_j = thermal_heat_of(&node, temp_c);
        look->coldest_c = temp_c < look->coldest_c ? temp_c : look->coldest_c;
        look->hottest_c = temp_c > look->hottest_c ? temp_c : look->hottest_c;
        molten_j += node.latent_j * thermal_molten_of(&node, heat_j);
        latent_j += node.latent_j;
    }
    look->molten = latent_j > 0 ? molten_j / latent_j : 0;
    if (latent_j <= 0)
        look->coldest_c = look->hottest_c = nominal->room_c;
}

/* After anything that changes what is thought of the joints. */
static void look_anew(struct estimate *estimate)
{
    for (int i = 0; i < estimate->board->joint_count; i++) {
        double moves_k[UNKNOWNS];
        moves_at(estimate, i, moves_k);
        for (enum estimate_bound bound = 0; bound < ESTIMATE_BOUNDS; bound++) {
            bound_at(estimate, bound, moves_k, &estimate->look[i][bound]);
            look_at(estimate, i, &estimate->look[i][bound]);
        }
    }
}

int estimate_init(struct estimate *estimate, const struct plate *plate, const struct insert *insert,
                  const struct board *board, double room_c, struct tl_error *error)
{
    memset(estimate, 0, sizeof *estimate);
    if (!board)
        return tl_error_set(error, TL_MISSING, "estimate: no board to estimate");
    const struct thermal_setup setup = {
        .plate = *plate,
        .insert = *insert,
        .board = board,
        .room_c = room_c,
        .contact_factor = 1,
        .mass_factor = 1,
        .upper_present = board->slab[LAYER_UPPER].present,
        .joints_present = true,
    };
    int failed = init_model(&estimate->nominal, &setup, &none_off, error);
    for (int i = 0; i < ESTIMATE_OFF && !failed; i++)
        failed = init_model(&estimate->off[i], &setup, &offs[i], error);
    if (!failed)
        failed = init_model(&estimate->slowest, &setup, &slowest_off, error);
    estimate->slowest.thermal.most_step_s = SLOW_STRIDE_S;
    for (enum estimate_unknown i = 0; i < UNKNOWNS; i++)
        forget(estimate, i);
    estimate->plate = *plate;
    estimate->board = board;
    estimate->hand_part = -1;
    if (!failed)
        look_anew(estimate);
    return failed;
}

/* ---- hands ---- */

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
    hand_on(&estimate->nominal, hand, part);
    for (int i = 0; i < ESTIMATE_OFF; i++)
        hand_on(&estimate->off[i], hand, part);
    if (hand != HAND_PRESS && hand != HAND_RELEASE) /* it may be pressed less than is said */
        hand_on(&estimate->slowest, hand, part);
    if (hand == HAND_PLACE) {
        forget(estimate, UNKNOWN_CONTACT);
        forget(estimate, UNKNOWN_MASS);
    }
    if (hand == HAND_PLACE || hand == HAND_LIFT)
        estimate->believe_board_ms = estimate->stepped_ms + BELIEVE_AFTER_MS;
    look_anew(estimate);
}

void estimate_hot_air(struct estimate *estimate, double watts, int part)
{
    estimate->hand_w = fmin(fmax(watts, 0), THERMAL_HAND_W);
    estimate->hand_part = part;
    if (estimate->hand_w <= 0)
        return;
    estimate->nominal.thermal.most_step_s = AIR_STRIDE_S;
    for (int i = 0; i < ESTIMATE_OFF; i++)
        estimate->off[i].thermal.most_step_s = AIR_STRIDE_S;
}

static struct thermal_input acting(const struct estimate *estimate)
{
    return (struct thermal_input){.fan = estimate->fan,
                                  .draft = 1,
                                  .rail_part = -1,
                                  .hand_w = estimate->hand_w,
                                  .hand_part = estimate->hand_part};
}

static bool reads(const struct wire_snapshot *snapshot, enum sensor_id sensor)
{
    return snapshot->quality[sensor] == QUALITY_GOOD;
}

/* Of two sensors that may both be right the middle, else the one that the guard goes by. */
static double plate_reading_c(const struct wire_snapshot *snapshot, bool *two)
{
    const int32_t *temp_mc = snapshot->temp_mc;
    double apart_k = abs(temp_mc[SENSOR_PLATE] - temp_mc[SENSOR_PLATE_2]) * 1e-3;
    *two = reads(snapshot, SENSOR_PLATE) && reads(snapshot, SENSOR_PLATE_2) &&
           apart_k < 2 * SENSOR_OFF_K;
    return *two ? 0.5e-3 * (temp_mc[SENSOR_PLATE] + temp_mc[SENSOR_PLATE_2])
                : snapshot->plate_mc * 1e-3;
}

/* The bench as first seen: plate and insert as warm as the reading says. */
static void begin(struct estimate *estimate, double reading_c, bool two, int64_t t_ms)
{
    estimate->seen_c = reading_c;
    estimate->stepped_ms = t_ms;
    estimate->believe_board_ms += t_ms;
    estimate->started = true;
    if (two)
        estimate->spread[UNKNOWN_PLATE][UNKNOWN_PLATE] /= 2;
    thermal_warm_bench(&estimate->nominal.thermal, reading_c);
    for (int i = 0; i < ESTIMATE_OFF; i++)
        thermal_warm_bench(&estimate->off[i].thermal, reading_c);
    thermal_warm_bench(&estimate->slowest.thermal, reading_c);
}

static void track_plate(struct estimate *estimate, double reading_c, double dt_s)
{
    double keep = exp(-dt_s / TRACK_S);
    estimate->seen_c += estimate->slope_c_s * dt_s;
    double off_c = reading_c - estimate->seen_c;
    estimate->seen_c += (1 - keep * keep) * off_c;
    estimate->slope_c_s += (1 - keep) * (1 - keep) * off_c / dt_s;
}

static void heat_element(struct estimate *estimate, int32_t duty_permille, double dt_s)
{
    double lag_s = fmax(estimate->plate.element_lag_s, 0.1);
    double watts = fmax(duty_permille, 0) * 1e-3 * estimate->plate.watts;
    estimate->element_j += (watts * lag_s - estimate->element_j) * (1 - exp(-dt_s / lag_s));
}

/* ---- what the board's sensor teaches ---- */

/* What is expected of the reading, and how it grows with each unknown. */
static double expect(const struct estimate *estimate, double *adds_k)
{
    const struct thermal *nominal = &estimate->nominal.thermal;
    const double *unknown = estimate->unknown;
    double more_k[ESTIMATE_OFF], share[ESTIMATE_OFF];
    for (int i = 0; i < ESTIMATE_OFF; i++)
        more_k[i] = estimate->off[i].board_seen_c - estimate->nominal.board_seen_c;
    slopes_at(unknown, more_k, adds_k);
    shares_at(unknown, share);
    adds_k[UNKNOWN_TIP] = SENSOR_OFF_K;
    adds_k[UNKNOWN_TAPE] = THERMAL_TAPED_OFF * (thermal_board_c(nominal) - nominal->room_c);
    return estimate->nominal.board_seen_c + dot(share, more_k, ESTIMATE_OFF) +
           adds_k[UNKNOWN_TIP] * unknown[UNKNOWN_TIP] +
           adds_k[UNKNOWN_TAPE] * unknown[UNKNOWN_TAPE];
}

/* Kalman's filter for constants: what is not explained yet goes to each unknown by what it had to do with it. Returns
 * what is left over, in K. */
static double learn(struct estimate *estimate, double reading_c)
{
    double adds_k[UNKNOWNS], with_k[UNKNOWNS];
    double off_k = reading_c - expect(estimate, adds_k);
    for (int i = 0; i < UNKNOWNS; i++)
        with_k[i] = dot(estimate->spread[i], adds_k, UNKNOWNS);
    double variance_k2 = dot(with_k, adds_k, UNKNOWNS) + LOOK_K * LOOK_K;
    for (int i = 0; i < UNKNOWNS; i++) {
        double learned = estimate->unknown[i] + with_k[i] * off_k / variance_k2;
        estimate->unknown[i] = fmin(fmax(learned, -1), 1);
        for (int k = 0; k < UNKNOWNS; k++)
            estimate->spread[i][k] -= with_k[i] * with_k[k] / variance_k2;
    }
    return reading_c - expect(estimate, adds_k);
}

static void nudge(struct estimate_model *model, double add_k)
{
    thermal_nudge_board(&model->thermal, add_k);
    model->board_seen_c += add_k;
}

static void hear_board(struct estimate *estimate, const struct wire_snapshot *snapshot, double dt_s)
{
    if (!reads(snapshot, SENSOR_BOARD) || !estimate->nominal.thermal.placed ||
        snapshot->t_ms < estimate->believe_board_ms)
        return;
    double left_k = learn(estimate, snapshot->temp_mc[SENSOR_BOARD] * 1e-3);
    double add_k = left_k * fmin(BOARD_GAIN_1_S * dt_s, 1);
    nudge(&estimate->nominal, add_k);
    for (int i = 0; i < ESTIMATE_OFF; i++)
        nudge(&estimate->off[i], add_k);
    for (int i = 0; i < UNKNOWNS; i++)
        estimate->spread[i][i] =
            fmin(estimate->spread[i][i] + EVEN_SPREAD * dt_s / FORGET_S, EVEN_SPREAD);
}

/* ---- along with the bench ---- */

/* Like with like: the model's board through the same lag as the sensor's. */
static void step_model(const struct estimate *estimate, struct estimate_model *model,
                       const struct thermal_input *input, double plate_c, double dt_s)
{
    double lag_s = fmax(estimate->plate.board_lag_s, 0.1);
    thermal_step_pinned(&model->thermal, input, plate_c, dt_s);
    model->board_seen_c +=
        (tip_c(&model->thermal) - model->board_seen_c) * (1 - exp(-dt_s / lag_s));
}

/* What hot air is announced may not come. */
static void step_slowest(struct estimate *estimate)
{
    struct thermal_input input = acting(estimate);
    double dt_s = estimate->slow_waits_s + estimate->waits_s;
    double c_s = estimate->slow_waits_c_s + estimate->waits_c_s;
    bool due = dt_s >= SLOW_STRIDE_S - 1e-6;
    input.hand_w = 0;
    input.draft = DRAFT_MOST;
    if (due)
        step_model(estimate, &estimate->slowest, &input, c_s / dt_s - SENSOR_OFF_K, dt_s);
    estimate->slow_waits_s = due ? 0 : dt_s;
    estimate->slow_waits_c_s = due ? 0 : c_s;
}

static void step_models(struct estimate *estimate)
{
    struct thermal_input input = acting(estimate);
    double dt_s = estimate->waits_s, plate_c = estimate->waits_c_s / dt_s;
    step_model(estimate, &estimate->nominal, &input, plate_c, dt_s);
    for (int i = 0; i < ESTIMATE_OFF; i++)
        step_model(estimate, &estimate->off[i], &input,
                   plate_c + (i == OFF_PLATE ? SENSOR_OFF_K : 0), dt_s);
    step_slowest(estimate);
    estimate->waits_s = estimate->waits_c_s = 0;
}

void estimate_step(struct estimate *estimate, const struct wire_snapshot *snapshot)
{
    bool two;
    estimate->frozen = snapshot->plate_quality != QUALITY_GOOD;
    if (estimate->frozen)
        return;
    double reading_c = plate_reading_c(snapshot, &two);
    double short_k = (snapshot->granted_mc - snapshot->plate_mc) * 1e-3;
    bool near = snapshot->granted_heat && short_k < NEAR_K;
    estimate->rises_k = near ? fmax(short_k, 0) : 0;
    estimate->fan = snapshot->granted_fan_pct * 0.01;
    if (!estimate->started) {
        begin(estimate, reading_c, two, snapshot->t_ms);
        return;
    }
    double dt_s = (double)(snapshot->t_ms - estimate->stepped_ms) * 1e-3;
    if (dt_s <= 0)
        return;
    track_plate(estimate, reading_c, dt_s);
    heat_element(estimate, snapshot->duty_permille, dt_s);
    estimate->waits_s += dt_s;
    estimate->waits_c_s +=
        dt_s * (estimate->seen_c + estimate->plate.sensor_lag_s * estimate->slope_c_s);
    estimate->stepped_ms = snapshot->t_ms;
    if (estimate->waits_s < STRIDE_S - 1e-6)
        return;
    double waited_s = estimate->waits_s;
    step_models(estimate);
    hear_board(estimate, snapshot, waited_s);
    look_anew(estimate);
}

/* ---- what comes of it ---- */

static int32_t in_ms(double seconds)
{
    return seconds < 0 ? -1 : (int32_t)lround(seconds * 1000);
}

static void mix(const struct estimate *estimate, enum estimate_bound bound, int joint,
                struct thermal *thermal)
{
    const struct thermal *other[ESTIMATE_OFF];
    const struct estimate_look *look = &estimate->look[joint][bound];
    others(estimate, other);
    thermal_mix(thermal, &estimate->nominal.thermal, other, look->share, ESTIMATE_OFF);
    thermal_nudge_board(thermal, look->shift_k);
}

/* A forecast is run only where its answer is open: it is the costly part. */
static int32_t melt_ms(const struct estimate *estimate, enum estimate_bound bound, int joint)
{
    struct thermal thermal;
    struct thermal_input input = acting(estimate);
    double plate_c = thermal_plate_c(&estimate->nominal.thermal) + SENSOR_OFF_K;
    if (plate_c < estimate->board->joint[joint].alloy.liquidus_c && estimate->hand_w <= 0)
        return -1;
    mix(estimate, bound, joint, &thermal);
    thermal.temp_c[thermal.plate] += estimate->rises_k; /* where it is held from now on */
    return in_ms(thermal_foresee(&thermal, &input, true, joint, true, HORIZON_S));
}

static int32_t solid_ms(const struct estimate *estimate, enum estimate_bound bound, int joint)
{
    struct thermal thermal;
    struct thermal_input input = acting(estimate);
    input.hand_w = 0;
    mix(estimate, bound, joint, &thermal);
    int element = thermal.element;
    thermal.heat_j[element] += estimate->element_j;
    thermal.temp_c[element] += estimate->element_j / thermal.node[element].capacity_j_k;
    return in_ms(thermal_foresee(&thermal, &input, false, joint, false, HORIZON_S));
}

/* A bound by what is not known of the board; and the plate's capacity and losses, both within its tolerance, set the
 * pace: independent, so their squares add up. */
static int32_t bound_solid_ms(const struct estimate *estimate, enum estimate_bound bound, int joint,
                              int32_t likely_ms)
{
    int32_t board_ms = solid_ms(estimate, bound, joint);
    if (board_ms < 0 || likely_ms <= 0)
        return board_ms;
    double pace = estimate->plate.tolerance * sqrt(2 * EVEN_SPREAD);
    double apart_ms = hypot(board_ms - likely_ms, far_out[bound] * pace * likely_ms);
    double at_ms = likely_ms + copysign(apart_ms, far_out[bound]);
    return (int32_t)lround(fmax(at_ms, 1));
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

static int32_t solid_now(double molten)
{
    return molten > 0 ? -1 : 0;
}

void estimate_joint(const struct estimate *estimate, int joint, bool forecast,
                    struct wire_joint *out)
{
    const struct estimate_look *look = estimate->look[joint];
    double molten = look[ESTIMATE_LIKELY].molten;
    *out = (struct wire_joint){
        .temp_mc = in_mc(look[ESTIMATE_LIKELY].coldest_c),
        .molten_permille = in_permille(molten),
        .melt_ms = molten_now(molten),
        .melt_early_ms = molten_now(look[ESTIMATE_EARLY].molten),
        .melt_late_ms = molten_now(look[ESTIMATE_LATE].molten),
        .solid_ms = solid_now(molten),
        /* hot is early to melt, and late to freeze */
        .solid_early_ms = solid_now(look[ESTIMATE_LATE].molten),
        .solid_late_ms = solid_now(look[ESTIMATE_EARLY].molten),
    };
    if (!forecast || !estimate->nominal.thermal.placed)
        return;
    if (out->melt_ms)
        out->melt_ms = melt_ms(estimate, ESTIMATE_LIKELY, joint);
    if (out->melt_early_ms)
        out->melt_early_ms = melt_ms(estimate, ESTIMATE_EARLY, joint);
    if (out->melt_late_ms)
        out->melt_late_ms = melt_ms(estimate, ESTIMATE_LATE, joint);
    if (out->solid_ms)
        out->solid_ms = solid_ms(estimate, ESTIMATE_LIKELY, joint);
    if (out->solid_early_ms)
        out->solid_early_ms = bound_solid_ms(estimate, ESTIMATE_LATE, joint, out->solid_ms);
    if (out->solid_late_ms)
        out->solid_late_ms = bound_solid_ms(estimate, ESTIMATE_EARLY, joint, out->solid_ms);
}

double estimate_coldest_c(const struct estimate *estimate, enum estimate_bound bound, int joint)
{
    return estimate->look[joint][bound].coldest_c;
}

double estimate_hottest_c(const struct estimate *estimate, int joint)
{
    return estimate->look[joint][ESTIMATE_LIKELY].hottest_c;
}

bool estimate_board_least_c(const struct estimate *estimate, double *least_c)
{
    const struct estimate_model *slowest = &estimate->slowest;
    double rise_k = fmax(slowest->board_seen_c - slowest->thermal.room_c, 0);
    *least_c = slowest->board_seen_c - SENSOR_OFF_K - THERMAL_TAPED_OFF * rise_k - LEAST_MARGIN_K;
    return slowest->thermal.placed && estimate->stepped_ms >= estimate->believe_board_ms;
}
