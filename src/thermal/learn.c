/* SPDX-License-Identifier: MIT */
/* Levenberg and Marquardt's method on the lumped plate: element, block, insert, sensor. Six unknowns at
 * most, so the normal equations are solved by elimination; a library would be more code to call than this
 * is to read. */
#include "tinlatch/learn.h"

#include <math.h>
#include <string.h>

#include "materials.h"

enum { START = LEARN_CONSTANTS, UNKNOWNS, ROUNDS = 60 };

#define STRIDE_S   0.5   /* of the model's steps; the fast mode is exact within each */
#define SHORTEST_S 120.0 /* a log shorter than that holds no cooling worth the name */
#define RISE_K     40.0  /* least rise; below it losses drown in noise */
#define FALL_SHARE 0.15  /* of the rise must be lost again after the heat */
#define COLD_K     8.0   /* how far from the stated room a plate may start */
#define TOLD       0.10  /* a lag or the fan known worse than this is held as stated */
#define OPEN_SHARE 0.05  /* capacity, loss or delay known worse than this: no fit */
#define POOR_K     0.8   /* residual beyond the reading's own step */

static const char *const names[LEARN_CONSTANTS] = {"heat capacity", "loss", "element lag",
                                                   "sensor lag", "fan loss"};

/* ---- the model ---- */

struct lump {
    double element_k; /* above the block */
    double block_c, insert_c, sensor_c;
};

/* What one stride needs, worked out once per set of constants and length of stride. */
struct stride {
    double dt_s, element_w_k, element_j_k, block_j_k;
    double fast_1_s, keep, mean; /* of the element's decay towards the block */
    double sensor_keep;
};

static struct stride stride_of(const struct plate *plate, double dt_s)
{
    struct stride s = {.dt_s = dt_s};
    s.element_j_k = ELEMENT_SHARE * plate->capacity_j_k;
    s.block_j_k = plate->capacity_j_k - s.element_j_k;
    s.element_w_k = s.element_j_k / fmax(plate->element_lag_s, 0.1);
    s.fast_1_s = s.element_w_k * (1 / s.element_j_k + 1 / s.block_j_k);
    s.keep = exp(-s.fast_1_s * dt_s);
    s.mean = (1 - s.keep) / (s.fast_1_s * dt_s);
    s.sensor_keep = plate->sensor_lag_s > 0 ? exp(-dt_s / plate->sensor_lag_s) : 0;
    return s;
}

static double lost_w(const struct plate *plate, double block_c, double room_c, double fan)
{
    double kelvin = block_c + ZERO_C_K, room = room_c + ZERO_C_K;
    double square = kelvin * kelvin, room_square = room * room;
    return (plate->loss_w_k + plate->fan_loss_w_k * fan) * (block_c - room_c) +
           STEFAN * plate->emissivity_area * (square * square - room_square * room_square);
}

static double block_rate(const struct plate *plate, const struct insert *insert,
                         const struct stride *s, double from_element_w, double block_c,
                         double insert_c, double room_c, double fan)
{
    double into_insert_w = insert->capacity_j_k > 0 ? insert->plate_w_k * (block_c - insert_c) : 0;
    return (from_element_w - lost_w(plate, block_c, room_c, fan) - into_insert_w) / s->block_j_k;
}

/* One stride: element against block exactly, what is slow by the midpoint, the sensor exactly for a block
 * that moves in a straight line. */
static void go(struct lump *lump, const struct plate *plate, const struct insert *insert,
               const struct stride *s, double duty, double fan, double room_c)
{
    double heater_w = duty * plate->watts, before_c = lump->block_c;
    double loss_w = lost_w(plate, before_c, room_c, fan);
    double settled_k = (heater_w / s->element_j_k + loss_w / s->block_j_k) / s->fast_1_s;
    double mean_k = settled_k + (lump->element_k - settled_k) * s->mean;
    double from_w = s->element_w_k * mean_k;
    double half_s = 0.5 * s->dt_s, into_1_s = 0;

    if (insert->capacity_j_k > 0)
        into_1_s = insert->plate_w_k / insert->capacity_j_k;
    double rate = block_rate(plate, insert, s, from_w, before_c, lump->insert_c, room_c, fan);
    double mid_c = before_c + half_s * rate;
    double mid_insert_c = lump->insert_c + half_s * into_1_s * (before_c - lump->insert_c);
    rate = block_rate(plate, insert, s, from_w, mid_c, mid_insert_c, room_c, fan);
    lump->block_c = before_c + s->dt_s * rate;
    lump->insert_c += s->dt_s * into_1_s * (mid_c - mid_insert_c);
    lump->element_k = settled_k + (lump->element_k - settled_k) * s->keep;

    double behind_k = (lump->block_c - before_c) / s->dt_s * plate->sensor_lag_s;
    lump->sensor_c =
        lump->block_c - behind_k + (lump->sensor_c - before_c + behind_k) * s->sensor_keep;
}

/* A plate on its way through a log, point by point: the log may be long, and there is nowhere to keep
 * what several sets of constants make of it. */
struct run {
    struct plate plate;
    double room_c;
    struct lump lump;
    struct stride stride;
};

static void run_start(struct run *run, const struct plate *plate, double start_c)
{
    *run = (struct run){.plate = *plate, .room_c = start_c};
    run->lump = (struct lump){0, start_c, start_c, start_c};
}

static void run_to_next(struct run *run, const struct insert *insert, const struct learn_point *at)
{
    double span_s = at[1].t_s - at[0].t_s;
    int strides = (int)fmax(ceil(span_s / STRIDE_S - 1e-9), 1);
    if (!(fabs(run->stride.dt_s - span_s / strides) < 1e-9))
        run->stride = stride_of(&run->plate, span_s / strides);
    for (int k = 0; span_s > 0 && k < strides; k++)
        go(&run->lump, &run->plate, insert, &run->stride, at->duty, at->fan, run->room_c);
}

void learn_predict(const struct plate *plate, const struct insert *insert, double start_c,
                   struct learn_point *point, int count)
{
    struct run run;
    run_start(&run, plate, start_c);
    for (int i = 0; i < count; i++) {
        point[i].reading_c = run.lump.sensor_c;
        if (i + 1 < count)
            run_to_next(&run, insert, &point[i]);
    }
}

/* ---- the fit ---- */

struct fit {
    const struct learn_input *input;
    bool free[UNKNOWNS];
    double value[UNKNOWNS]; /* logarithms, but for the start */
    double normal[UNKNOWNS][UNKNOWNS], gradient[UNKNOWNS], sum;
    int used;
};

static struct plate plate_of(const struct fit *fit, const double *value)
{
    struct plate plate = fit->input->stated;
    plate.capacity_j_k = exp(value[LEARN_CAPACITY]);
    plate.loss_w_k = exp(value[LEARN_LOSS]);
    plate.element_lag_s = exp(value[LEARN_DELAY]);
    plate.sensor_lag_s = exp(value[LEARN_SENSOR]);
    plate.fan_loss_w_k = exp(value[LEARN_FAN]);
    return plate;
}

static double nudge_of(int unknown)
{
    return unknown == START ? 0.05 : 0.005;
}

/* Sum of squares at `value`, and with `slopes` the normal equations there. */
static double weigh(struct fit *fit, const double *value, bool slopes)
{
    struct run base, moved[UNKNOWNS];
    double sum = 0;

    struct plate plate = plate_of(fit, value);
    run_start(&base, &plate, value[START]);
    for (int u = 0; slopes && u < UNKNOWNS; u++) {
        double at[UNKNOWNS];
        memcpy(at, value, sizeof at);
        at[u] += nudge_of(u);
        plate = plate_of(fit, at);
        run_start(&moved[u], &plate, at[START]);
    }
    if (slopes) {
        memset(fit->normal, 0, sizeof fit->normal);
        memset(fit->gradient, 0, sizeof fit->gradient);
    }
    fit->used = 0;
    for (int i = 0; i < fit->input->count; i++) {
        const struct learn_point *at = &fit->input->point[i];
        double miss = at->reading_c - base.lump.sensor_c, slope[UNKNOWNS] = {0};
        bool known = !isnan(at->reading_c);
        if (known) {
            sum += miss * miss;
            fit->used++;
        }
        for (int u = 0; slopes && known && u < UNKNOWNS; u++)
            slope[u] =
                fit->free[u] ? (moved[u].lump.sensor_c - base.lump.sensor_c) / nudge_of(u) : 0;
        for (int u = 0; slopes && known && u < UNKNOWNS; u++) {
            fit->gradient[u] += slope[u] * miss;
            for (int v = 0; v < UNKNOWNS; v++)
                fit->normal[u][v] += slope[u] * slope[v];
        }
        if (i + 1 >= fit->input->count)
            break;
        run_to_next(&base, &fit->input->insert, at);
        for (int u = 0; slopes && u < UNKNOWNS; u++)
            if (fit->free[u])
                run_to_next(&moved[u], &fit->input->insert, at);
    }
    return sum;
}

/* Solves a x = b in place by elimination with the largest pivot; rows without weight give 0. */
static void solve(double a[UNKNOWNS][UNKNOWNS], double *b, double *x)
{
    for (int c = 0; c < UNKNOWNS; c++) {
        int best = c;
        for (int r = c + 1; r < UNKNOWNS; r++)
            if (fabs(a[r][c]) > fabs(a[best][c]))
                best = r;
        for (int k = 0; k < UNKNOWNS && best != c; k++) {
            double swap = a[c][k];
            a[c][k] = a[best][k];
            a[best][k] = swap;
        }
        double swap = b[c];
        b[c] = b[best];
        b[best] = swap;
        for (int r = c + 1; r < UNKNOWNS && fabs(a[c][c]) > 1e-12; r++) {
            double share = a[r][c] / a[c][c];
            for (int k = c; k < UNKNOWNS; k++)
                a[r][k] -= share * a[c][k];
            b[r] -= share * b[c];
        }
    }
    for (int r = UNKNOWNS - 1; r >= 0; r--) {
        double rest = b[r];
        for (int k = r + 1; k < UNKNOWNS; k++)
            rest -= a[r][k] * x[k];
        x[r] = fabs(a[r][r]) > 1e-12 ? rest / a[r][r] : 0;
    }
}

/* One damped step; true when it led downhill by more than rounding. */
static bool step(struct fit *fit, double *damping)
{
    double before = weigh(fit, fit->value, true);
    for (int tries = 0; tries < 12; tries++, *damping *= 4) {
        double a[UNKNOWNS][UNKNOWNS], b[UNKNOWNS], by[UNKNOWNS], at[UNKNOWNS];
        memcpy(a, fit->normal, sizeof a);
        memcpy(b, fit->gradient, sizeof b);
        for (int u = 0; u < UNKNOWNS; u++)
            a[u][u] *= 1 + *damping;
        solve(a, b, by);
        for (int u = 0; u < UNKNOWNS; u++) {
            double most = u == START ? 10 : 0.7; /* no leap of more than a factor of two */
            at[u] = fit->value[u] + fmin(fmax(by[u], -most), most);
        }
        double after = weigh(fit, at, false);
        if (!(after < before))
            continue;
        memcpy(fit->value, at, sizeof at);
        fit->sum = after;
        *damping = fmax(*damping / 10, 1e-9);
        return before - after > 1e-9 * before;
    }
    fit->sum = before;
    return false;
}

static int descend(struct fit *fit)
{
    double damping = 1e-3;
    int rounds = 0;
    while (rounds < ROUNDS && step(fit, &damping))
        rounds++;
    return rounds;
}

/* Standard deviations from the normal equations at the end, by the scatter that is left. */
static void deviations(struct fit *fit, double *error)
{
    int unknowns = 0;
    double sum = weigh(fit, fit->value, true);
    for (int u = 0; u < UNKNOWNS; u++)
        unknowns += fit->free[u];
    double scatter = sum / fmax(fit->used - unknowns, 1);
    for (int u = 0; u < LEARN_CONSTANTS; u++) {
        double a[UNKNOWNS][UNKNOWNS], b[UNKNOWNS] = {0}, x[UNKNOWNS];
        memcpy(a, fit->normal, sizeof a);
        b[u] = 1;
        solve(a, b, x);
        error[u] = fit->free[u] ? sqrt(fmax(x[u], 0) * scatter) : 0;
    }
}

/* ---- what the log is worth ---- */

struct shape {
    double first_c, top_c, last_c, span_s, quantum_k;
    bool fan_blew, heated;
    int readings;
};

static struct shape shape_of(const struct learn_input *input)
{
    struct shape shape = {NAN, -HUGE_VAL, NAN, 0, HUGE_VAL, false, false, 0};
    for (int i = 0; i < input->count; i++) {
        const struct learn_point *at = &input->point[i];
        double step_k = fabs(at->reading_c - shape.last_c);
        shape.span_s = at->t_s - input->point[0].t_s;
        shape.fan_blew = shape.fan_blew || at->fan > 0.5;
        shape.heated = shape.heated || at->duty > 0.1;
        if (isnan(at->reading_c))
            continue;
        shape.readings++;
        if (isnan(shape.first_c))
            shape.first_c = at->reading_c;
        if (step_k > 1e-9)
            shape.quantum_k = fmin(shape.quantum_k, step_k);
        shape.top_c = fmax(shape.top_c, at->reading_c);
        shape.last_c = at->reading_c;
    }
    if (!(shape.quantum_k < HUGE_VAL))
        shape.quantum_k = 0;
    return shape;
}

static int worth(const struct learn_input *input, const struct shape *shape, struct tl_error *error)
{
    double rise_k = shape->top_c - shape->first_c;
    if (shape->readings < 60 || shape->span_s < SHORTEST_S)
        return tl_error_set(error, TL_MISSING, "%d readings in %.0f s: at least %.0f s are needed",
                            shape->readings, shape->span_s, SHORTEST_S);
    for (int i = 1; i < input->count; i++)
        if (!(input->point[i].t_s >= input->point[i - 1].t_s))
            return tl_error_set(error, TL_RANGE, "the log's time runs backwards at its point %d",
                                i + 1);
    if (fabs(shape->first_c - input->room_c) > COLD_K)
        return tl_error_set(
            error, TL_MISSING,
            "the plate starts at %.0f C in a room of %.0f C: let it cool, or correct "
            "the room in the bench file",
            shape->first_c, input->room_c);
    if (!shape->heated || rise_k < RISE_K)
        return tl_error_set(error, TL_MISSING,
                            "the reading rises by %.0f K only: at least %.0f K are needed", rise_k,
                            RISE_K);
    if (shape->top_c - shape->last_c < FALL_SHARE * rise_k)
        return tl_error_set(error, TL_MISSING,
                            "the log ends before the plate has cooled: its loss cannot be told");
    return 0;
}

static int judge(const struct learn_result *result, struct tl_error *error)
{
    if (result->residual_k > POOR_K + 0.5 * result->quantum_k) {
        tl_error_set(error, TL_RANGE,
                     "the model misses the readings by %.2f K on average, %.1f K at worst",
                     result->residual_k, result->worst_k);
        tl_error_hint(error,
                      "was the plate empty, in still air, with its sensor seated and mains of "
                      "the stated power all the time?");
        return TL_RANGE;
    }
    for (int u = 0; u <= LEARN_DELAY; u++)
        if (!result->held[u] && result->error[u] > OPEN_SHARE)
            return tl_error_set(error, TL_RANGE, "the log leaves the %s open by %.0f %%", names[u],
                                100 * result->error[u]);
    return 0;
}

static void tell(struct fit *fit, const struct shape *shape, struct learn_result *result)
{
    struct run run;
    result->plate = plate_of(fit, fit->value);
    if (!shape->fan_blew)
        result->plate.fan_loss_w_k = fit->input->stated.fan_loss_w_k;
    result->start_c = fit->value[START];
    deviations(fit, result->error);
    for (int u = 0; u < LEARN_CONSTANTS; u++)
        result->held[u] = !fit->free[u];
    result->residual_k = sqrt(fit->sum / fmax(fit->used, 1));
    result->worst_k = 0;
    run_start(&run, &result->plate, result->start_c);
    for (int i = 0; i < fit->input->count; i++) {
        const struct learn_point *at = &fit->input->point[i];
        if (!isnan(at->reading_c))
            result->worst_k = fmax(result->worst_k, fabs(at->reading_c - run.lump.sensor_c));
        if (i + 1 < fit->input->count)
            run_to_next(&run, &fit->input->insert, at);
    }
}

static void begin(struct fit *fit, const struct learn_input *input, const struct shape *shape)
{
    const struct plate *stated = &input->stated;
    *fit = (struct fit){.input = input};
    fit->value[LEARN_CAPACITY] = log(fmax(stated->capacity_j_k, 1));
    fit->value[LEARN_LOSS] = log(fmax(stated->loss_w_k, 1e-3));
    fit->value[LEARN_DELAY] = log(fmax(stated->element_lag_s, 0.1));
    fit->value[LEARN_SENSOR] = log(fmax(stated->sensor_lag_s, 0.05));
    fit->value[LEARN_FAN] = log(fmax(stated->fan_loss_w_k, 1e-3));
    fit->value[START] = shape->first_c;
    for (int u = 0; u < UNKNOWNS; u++)
        fit->free[u] = u != LEARN_SENSOR && (u != LEARN_FAN || shape->fan_blew);
}

/* Does the log settle the sensor's lag as well? Tried from what is found without it; kept when it is told
 * well, and put back otherwise. */
static int try_sensor(struct fit *fit)
{
    struct fit before = *fit;
    double error[UNKNOWNS] = {0};
    fit->free[LEARN_SENSOR] = true;
    int rounds = descend(fit);
    deviations(fit, error);
    if (error[LEARN_SENSOR] > TOLD || error[LEARN_DELAY] > OPEN_SHARE)
        *fit = before;
    return rounds;
}

int learn_plate(const struct learn_input *input, struct learn_result *result,
                struct tl_error *error)
{
    struct shape shape = shape_of(input);
    struct fit fit;
    *result = (struct learn_result){.plate = input->stated,
                                    .quantum_k = shape.quantum_k,
                                    .rise_k = shape.top_c - shape.first_c,
                                    .span_s = shape.span_s};
    int failed = worth(input, &shape, error);
    if (failed)
        return failed;
    begin(&fit, input, &shape);
    result->rounds = descend(&fit);
    result->rounds += try_sensor(&fit);
    tell(&fit, &shape, result);
    return judge(result, error);
}

/* ---- the seat test's pulse ---- */

static double top_of(const struct plate *plate, const struct insert *insert, double room_c,
                     double pulse_s, double *top_s)
{
    struct lump lump = {0, room_c, room_c, room_c};
    double dt_s = 0.05, top_c = room_c, horizon_s = 0;
    struct stride s = stride_of(plate, dt_s);
    horizon_s = pulse_s + 10 * (plate->element_lag_s + plate->sensor_lag_s) + 5;
    for (double t_s = 0; t_s < horizon_s; t_s += dt_s) {
        double share = fmin(fmax((pulse_s - t_s) / dt_s, 0), 1);
        go(&lump, plate, insert, &s, share, 0, room_c);
        if (lump.sensor_c > top_c) {
            top_c = lump.sensor_c;
            *top_s = t_s + dt_s;
        }
    }
    return top_c - room_c;
}

bool learn_pulse(const struct plate *plate, const struct insert *insert, double room_c,
                 double rise_k, struct learn_pulse *pulse)
{
    double low_s = 0, high_s = 60, top_s = 0;
    if (!(rise_k > 0) || top_of(plate, insert, room_c, high_s, &top_s) < rise_k)
        return false;
    for (int i = 0; i < 24; i++) {
        double middle_s = 0.5 * (low_s + high_s);
        if (top_of(plate, insert, room_c, middle_s, &top_s) < rise_k)
            low_s = middle_s;
        else
            high_s = middle_s;
    }
    *pulse = (struct learn_pulse){.pulse_s = high_s};
    pulse->rise_k = top_of(plate, insert, room_c, high_s, &pulse->top_s);
    return true;
}
