/* SPDX-License-Identifier: MIT */
/* Levenberg and Marquardt's method on the lumped plate: element, block, insert, coupon, sensors. A handful of
 * unknowns, so the normal equations are solved by elimination; a library would be more code to call than this
 * is to read. */
#include "tinlatch/learn.h"

#include <math.h>
#include <string.h>

#include "materials.h"
#include "tinlatch/thermal.h"

/* Beyond the constants that are given out: what the log has of its own day. */
enum { START = LEARN_CONSTANTS, POWER, COUPON_LOSS, COUPON_BEND, BOARD_OFF, UNKNOWNS, ROUNDS = 60 };
enum { OF_PLATE, OF_BOARD, SENSED };

#define STRIDE_S   0.5   /* of the model's steps; the fast mode is exact within each */
#define SHORTEST_S 120.0 /* a log shorter than that holds no cooling worth the name */
#define RISE_K     40.0  /* least rise; below it losses drown in noise */
#define FALL_SHARE 0.15  /* of the rise must be lost again after the heat */
#define COLD_K     8.0   /* how far from the stated room a plate may start */
#define TOLD       0.10  /* a lag or the fan known worse than this is held as stated */
#define OPEN_SHARE 0.05  /* capacity, loss, delay or contact known worse than this: no fit */
#define POOR_K     0.8   /* residual beyond the reading's own step */
#define SETTLE_S   150.0 /* after the coupon came: when it did is not known to the second */
#define LOSS_AT_K  50.0  /* above the room the coupon's loss is stated, and its bend */
#define CHANGED    0.15  /* mains that far off: not the plate that was learned */

static const char *const names[LEARN_CONSTANTS] = {"heat capacity", "loss",     "element lag",
                                                   "sensor lag",    "fan loss", "plate contact",
                                                   "board contact"};

/* ---- the model ---- */

enum { BLOCK, INSERT, COUPON, SLOW };

struct lump {
    double element_k; /* above the block */
    double slow_c[SLOW], sensed_c[SENSED];
};

/* What one stride needs, worked out once per set of constants and length of stride. */
struct stride {
    double dt_s, element_w_k, element_j_k, block_j_k;
    double fast_1_s, keep, mean; /* of the element's decay towards the block */
    double keeps[SENSED];
};

static double keep_of(double lag_s, double dt_s)
{
    return lag_s > 0 ? exp(-dt_s / lag_s) : 0;
}

static struct stride stride_of(const struct learn_model *model, double dt_s)
{
    const struct plate *plate = &model->plate;
    struct stride s = {.dt_s = dt_s};
    s.element_j_k = ELEMENT_SHARE * plate->capacity_j_k;
    s.block_j_k = plate->capacity_j_k - s.element_j_k;
    s.element_w_k = s.element_j_k / fmax(plate->element_lag_s, 0.1);
    s.fast_1_s = s.element_w_k * (1 / s.element_j_k + 1 / s.block_j_k);
    s.keep = exp(-s.fast_1_s * dt_s);
    s.mean = (1 - s.keep) / (s.fast_1_s * dt_s);
    s.keeps[OF_PLATE] = keep_of(plate->sensor_lag_s, dt_s);
    s.keeps[OF_BOARD] = keep_of(model->board_lag_s, dt_s);
    return s;
}

static double lost_w(const struct plate *plate, double block_c, double room_c, double fan)
{
    double kelvin = block_c + ZERO_C_K, room = room_c + ZERO_C_K;
    double square = kelvin * kelvin, room_square = room * room;
    return (plate->loss_w_k + plate->fan_loss_w_k * fan) * (block_c - room_c) +
           STEFAN * plate->emissivity_area * (square * square - room_square * room_square);
}

/* What the block gives away, the element aside. */
static double given_w(const struct learn_model *m, const double *slow_c, double fan)
{
    return lost_w(&m->plate, slow_c[BLOCK], m->start_c, fan) +
           m->insert.plate_w_k * (slow_c[BLOCK] - slow_c[INSERT]);
}

/* How fast what is slow moves. Without insert or coupon their places stand still. */
static void rates(const struct learn_model *m, const struct stride *s, double from_element_w,
                  const double *slow_c, const struct learn_point *at, double *rate)
{
    double insert_w = m->insert.plate_w_k * (slow_c[BLOCK] - slow_c[INSERT]);
    double coupon_w = at->coupon ? m->insert.board_w_k * (slow_c[INSERT] - slow_c[COUPON]) : 0;
    double rise_k = slow_c[COUPON] - m->start_c;
    double lost = (m->coupon_loss_w_k + m->coupon_bend_w_k * rise_k / LOSS_AT_K) * rise_k;
    rate[BLOCK] = (from_element_w - given_w(m, slow_c, at->fan)) / s->block_j_k;
    rate[INSERT] = m->insert.capacity_j_k > 0 ? (insert_w - coupon_w) / m->insert.capacity_j_k : 0;
    rate[COUPON] = at->coupon ? (coupon_w - lost) / m->coupon_j_k : 0;
}

/* A sensor behind what moves in a straight line. */
static void follow(double *seen_c, double before_c, double after_c, double dt_s, double lag_s,
                   double keep)
{
    double behind_k = (after_c - before_c) / dt_s * lag_s;
    *seen_c = after_c - behind_k + (*seen_c - before_c + behind_k) * keep;
}

/* One stride: element against block exactly, what is slow by the midpoint, the sensors exactly for what
 * moves in a straight line. */
static void go(struct lump *lump, const struct learn_model *m, const struct stride *s,
               const struct learn_point *at)
{
    double heater_w = at->duty * m->plate.watts, before_c[SLOW], mid_c[SLOW], rate[SLOW];
    double loss_w = given_w(m, lump->slow_c, at->fan);
    double settled_k = (heater_w / s->element_j_k + loss_w / s->block_j_k) / s->fast_1_s;
    double mean_k = settled_k + (lump->element_k - settled_k) * s->mean;
    double from_w = s->element_w_k * mean_k;

    memcpy(before_c, lump->slow_c, sizeof before_c);
    rates(m, s, from_w, before_c, at, rate);
    for (int i = 0; i < SLOW; i++)
        mid_c[i] = before_c[i] + 0.5 * s->dt_s * rate[i];
    rates(m, s, from_w, mid_c, at, rate);
    for (int i = 0; i < SLOW; i++)
        lump->slow_c[i] = before_c[i] + s->dt_s * rate[i];
    lump->element_k = settled_k + (lump->element_k - settled_k) * s->keep;

    follow(&lump->sensed_c[OF_PLATE], before_c[BLOCK], lump->slow_c[BLOCK], s->dt_s,
           m->plate.sensor_lag_s, s->keeps[OF_PLATE]);
    if (at->coupon)
        follow(&lump->sensed_c[OF_BOARD], before_c[COUPON], lump->slow_c[COUPON], s->dt_s,
               m->board_lag_s, s->keeps[OF_BOARD]);
}

/* A bench on its way through a log, point by point: the log may be long, and there is nowhere to keep
 * what several sets of constants make of it. */
struct run {
    struct learn_model model;
    struct lump lump;
    struct stride stride;
};

static void run_start(struct run *run, const struct learn_model *model)
{
    double start_c = model->start_c;
    const double *insert_j_k = &run->model.insert.capacity_j_k;
    *run = (struct run){.model = *model};
    /* Closer contacts than that, the strides do not resolve, and a log does not show. */
    run->model.insert.plate_w_k = fmin(model->insert.plate_w_k, *insert_j_k / STRIDE_S);
    if (model->coupon_j_k > 0)
        run->model.insert.board_w_k =
            fmin(model->insert.board_w_k, fmin(*insert_j_k, model->coupon_j_k) / STRIDE_S);
    run->lump = (struct lump){0, {start_c, start_c, start_c}, {start_c, start_c}};
}

static void run_to_next(struct run *run, const struct learn_point *at)
{
    double span_s = at[1].t_s - at[0].t_s;
    int strides = (int)fmax(ceil(span_s / STRIDE_S - 1e-9), 1);
    if (!(fabs(run->stride.dt_s - span_s / strides) < 1e-9))
        run->stride = stride_of(&run->model, span_s / strides);
    for (int k = 0; span_s > 0 && k < strides; k++)
        go(&run->lump, &run->model, &run->stride, at);
}

/* What a sensor shows; the coupon's is taped on, and is off by something of its own. */
static double shows_c(const struct run *run, int sensor)
{
    double rise_k = run->lump.sensed_c[sensor] - run->model.start_c;
    if (sensor == OF_BOARD)
        rise_k = THERMAL_TAPED_TIP * rise_k + run->model.board_off_k;
    return run->model.start_c + rise_k;
}

void learn_predict(const struct learn_model *model, struct learn_point *point, int count)
{
    struct run run;
    run_start(&run, model);
    for (int i = 0; i < count; i++) {
        point[i].reading_c = shows_c(&run, OF_PLATE);
        point[i].board_c = point[i].coupon ? shows_c(&run, OF_BOARD) : (double)NAN;
        if (i + 1 < count)
            run_to_next(&run, &point[i]);
    }
}

/* ---- the fit ---- */

struct fit {
    const struct learn_input *input;
    int count;       /* of the points that count */
    double placed_s; /* when the coupon came; HUGE_VAL = never */
    bool free[UNKNOWNS];
    double value[UNKNOWNS]; /* logarithms, but for what is linear */
    double normal[UNKNOWNS][UNKNOWNS], gradient[UNKNOWNS], sum;
    int used;
};

/* May be 0, or below. */
static bool is_linear(int unknown)
{
    return unknown == START || unknown == COUPON_LOSS || unknown == COUPON_BEND ||
           unknown == BOARD_OFF;
}

static double nudge_of(int unknown)
{
    return unknown == START || unknown == BOARD_OFF ? 0.05 : 0.005;
}

/* No leap of more than a factor of two, or of as much as such a thing can be. */
static double leap_of(int unknown)
{
    return unknown == START || unknown == BOARD_OFF ? 10 : 0.7;
}

static struct learn_model model_of(const struct fit *fit, const double *value)
{
    struct learn_model model = {.plate = fit->input->stated,
                                .insert = fit->input->insert,
                                .start_c = value[START],
                                .coupon_j_k = fit->input->coupon_j_k,
                                .coupon_loss_w_k = value[COUPON_LOSS],
                                .coupon_bend_w_k = value[COUPON_BEND],
                                .board_lag_s = fit->input->board_lag_s,
                                .board_off_k = value[BOARD_OFF]};
    double *const to[UNKNOWNS] = {
        [LEARN_CAPACITY] = &model.plate.capacity_j_k,
        [LEARN_LOSS] = &model.plate.loss_w_k,
        [LEARN_DELAY] = &model.plate.element_lag_s,
        [LEARN_SENSOR] = &model.plate.sensor_lag_s,
        [LEARN_FAN] = &model.plate.fan_loss_w_k,
        [LEARN_PLATE_CONTACT] = &model.insert.plate_w_k,
        [LEARN_BOARD_CONTACT] = &model.insert.board_w_k,
        [POWER] = &model.plate.watts,
    };
    for (int u = 0; u < UNKNOWNS; u++)
        if (fit->free[u] && !is_linear(u))
            *to[u] = exp(value[u]);
    return model;
}

/* What counts at a point: nothing from when the coupon came until it is as warm as where it lies. */
static double reading_of(const struct fit *fit, const struct learn_point *at, int sensor)
{
    bool settled = at->t_s >= fit->placed_s + SETTLE_S;
    if (sensor == OF_BOARD)
        return settled ? at->board_c : (double)NAN;
    return settled || at->t_s < fit->placed_s ? at->reading_c : (double)NAN;
}

/* One reading's share of the sum and of the normal equations. */
static void add_miss(struct fit *fit, double miss_k, const double *slope)
{
    for (int u = 0; u < UNKNOWNS; u++) {
        fit->gradient[u] += slope[u] * miss_k;
        for (int v = 0; v < UNKNOWNS; v++)
            fit->normal[u][v] += slope[u] * slope[v];
    }
}

/* Sum of squares at `value`, and with `slopes` the normal equations there. */
static double weigh(struct fit *fit, const double *value, bool slopes)
{
    struct run base, moved[UNKNOWNS];
    double sum = 0;

    struct learn_model model = model_of(fit, value);
    run_start(&base, &model);
    for (int u = 0; slopes && u < UNKNOWNS; u++) {
        double at[UNKNOWNS];
        memcpy(at, value, sizeof at);
        at[u] += nudge_of(u);
        model = model_of(fit, at);
        run_start(&moved[u], &model);
    }
    if (slopes) {
        memset(fit->normal, 0, sizeof fit->normal);
        memset(fit->gradient, 0, sizeof fit->gradient);
    }
    fit->used = 0;
    for (int i = 0; i < fit->count; i++) {
        const struct learn_point *at = &fit->input->point[i];
        for (int k = 0; k < SENSED; k++) {
            double read_c = reading_of(fit, at, k), slope[UNKNOWNS] = {0};
            if (isnan(read_c))
                continue;
            double seen_c = shows_c(&base, k);
            sum += (read_c - seen_c) * (read_c - seen_c);
            fit->used++;
            for (int u = 0; slopes && u < UNKNOWNS; u++)
                slope[u] = fit->free[u] ? (shows_c(&moved[u], k) - seen_c) / nudge_of(u) : 0;
            if (slopes)
                add_miss(fit, read_c - seen_c, slope);
        }
        if (i + 1 >= fit->count)
            break;
        run_to_next(&base, at);
        for (int u = 0; slopes && u < UNKNOWNS; u++)
            if (fit->free[u])
                run_to_next(&moved[u], at);
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
            at[u] = fit->value[u] + fmin(fmax(by[u], -leap_of(u)), leap_of(u));
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

/* Standard deviations from the normal equations at the end, by the scatter that is left; of a contact so close
 * that it changes nothing, without end. */
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
        bool is_contact = u == LEARN_PLATE_CONTACT || u == LEARN_BOARD_CONTACT;
        error[u] = fit->free[u] ? sqrt(fmax(x[u], 0) * scatter) : 0;
        if (fit->free[u] && is_contact && !(x[u] > 0))
            error[u] = HUGE_VAL;
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

static int judge(const struct learn_result *result, const char *hint, struct tl_error *error)
{
    if (!(result->residual_k <= POOR_K + 0.5 * result->quantum_k)) {
        tl_error_set(error, TL_RANGE,
                     "the model misses the readings by %.2f K on average, %.1f K at worst",
                     result->residual_k, result->worst_k);
        tl_error_hint(error, "%s", hint);
        return TL_RANGE;
    }
    return 0;
}

/* What was found must be known well enough. */
static int settled(const struct learn_result *result, enum learn_constant which, double most,
                   struct tl_error *error)
{
    if (result->held[which] || result->error[which] <= most)
        return 0;
    if (result->error[which] > 1)
        return tl_error_set(error, TL_RANGE, "the log does not tell the %s", names[which]);
    return tl_error_set(error, TL_RANGE, "the log leaves the %s open by %.0f %%", names[which],
                        100 * result->error[which]);
}

static void tell(struct fit *fit, struct learn_result *result)
{
    struct run run;
    result->model = model_of(fit, fit->value);
    deviations(fit, result->error);
    for (int u = 0; u < LEARN_CONSTANTS; u++)
        result->held[u] = !fit->free[u];
    result->residual_k = sqrt(fit->sum / fmax(fit->used, 1));
    result->worst_k = 0;
    run_start(&run, &result->model);
    for (int i = 0; i < fit->count; i++) {
        const struct learn_point *at = &fit->input->point[i];
        for (int k = 0; k < SENSED; k++) {
            double read_c = reading_of(fit, at, k);
            if (!isnan(read_c))
                result->worst_k = fmax(result->worst_k, fabs(read_c - shows_c(&run, k)));
        }
        if (i + 1 < fit->count)
            run_to_next(&run, at);
    }
}

static void begin(struct fit *fit, const struct learn_input *input, const struct shape *shape)
{
    const struct plate *stated = &input->stated;
    *fit = (struct fit){.input = input, .count = input->count, .placed_s = HUGE_VAL};
    fit->value[LEARN_CAPACITY] = log(fmax(stated->capacity_j_k, 1));
    fit->value[LEARN_LOSS] = log(fmax(stated->loss_w_k, 1e-3));
    fit->value[LEARN_DELAY] = log(fmax(stated->element_lag_s, 0.1));
    fit->value[LEARN_SENSOR] = log(fmax(stated->sensor_lag_s, 0.05));
    fit->value[LEARN_FAN] = log(fmax(stated->fan_loss_w_k, 1e-3));
    fit->value[LEARN_PLATE_CONTACT] = log(fmax(input->insert.plate_w_k, 1e-3));
    fit->value[LEARN_BOARD_CONTACT] = log(fmax(input->insert.board_w_k, 1e-3));
    fit->value[POWER] = log(fmax(stated->watts, 1));
    fit->value[START] = shape->first_c;
    fit->free[START] = true;
}

/* Does the log settle this one as well? Tried from what is found without it; kept when it and `beside` are told
 * well, and put back otherwise. */
static int try_to_free(struct fit *fit, enum learn_constant which, double told,
                       enum learn_constant beside, double beside_told)
{
    struct fit before = *fit;
    double error[UNKNOWNS] = {0};
    fit->free[which] = true;
    int rounds = descend(fit);
    deviations(fit, error);
    if (!(error[which] <= told && error[beside] <= beside_told))
        *fit = before;
    return rounds;
}

int learn_plate(const struct learn_input *input, struct learn_result *result,
                struct tl_error *error)
{
    struct shape shape = shape_of(input);
    struct fit fit;
    *result = (struct learn_result){.model = {.plate = input->stated},
                                    .quantum_k = shape.quantum_k,
                                    .rise_k = shape.top_c - shape.first_c,
                                    .span_s = shape.span_s,
                                    .count = input->count};
    int failed = worth(input, &shape, error);
    if (failed)
        return failed;
    begin(&fit, input, &shape);
    fit.free[LEARN_CAPACITY] = fit.free[LEARN_LOSS] = fit.free[LEARN_DELAY] = true;
    fit.free[LEARN_FAN] = shape.fan_blew;
    result->rounds = descend(&fit);
    result->rounds += try_to_free(&fit, LEARN_SENSOR, TOLD, LEARN_DELAY, OPEN_SHARE);
    tell(&fit, result);
    failed = judge(result,
                   "was the plate empty, in still air, with its sensor seated and mains of the "
                   "stated power all the time?",
                   error);
    for (int u = 0; u <= LEARN_DELAY && !failed; u++)
        failed = settled(result, (enum learn_constant)u, OPEN_SHARE, error);
    return failed;
}

/* ---- the insert's contacts ---- */

/* The log's points up to where the fan blows over the coupon; where it was placed. */
static void find_coupon(struct fit *fit, bool *board_read)
{
    const struct learn_input *input = fit->input;
    for (int i = 0; i < input->count; i++) {
        const struct learn_point *at = &input->point[i];
        if (at->coupon && at->fan > 0)
            fit->count = i;
        if (i == fit->count)
            break;
        if (at->coupon && at->t_s < fit->placed_s)
            fit->placed_s = at->t_s;
        *board_read = *board_read || !isnan(reading_of(fit, at, OF_BOARD));
    }
}

int learn_coupon(const struct learn_input *input, struct learn_result *result,
                 struct tl_error *error)
{
    struct learn_input cut = *input;
    struct fit fit = {.input = input, .count = input->count, .placed_s = HUGE_VAL};
    bool board_read = false;
    find_coupon(&fit, &board_read);
    cut.count = fit.count;
    struct shape shape = shape_of(&cut);
    *result = (struct learn_result){.model = {.plate = input->stated, .insert = input->insert},
                                    .quantum_k = shape.quantum_k,
                                    .rise_k = shape.top_c - shape.first_c,
                                    .span_s = shape.span_s,
                                    .count = fit.count,
                                    .board_read = board_read};
    if (input->insert.capacity_j_k <= 0)
        return tl_error_set(error, TL_MISSING, "no insert lay on the plate: a contact is its own");
    if (!(fit.placed_s < HUGE_VAL))
        return tl_error_set(error, TL_MISSING, "no coupon was placed in that run");
    int failed = worth(&cut, &shape, error);
    if (failed)
        return failed;
    double placed_s = fit.placed_s;
    begin(&fit, &cut, &shape);
    fit.placed_s = placed_s;
    fit.free[POWER] = fit.free[LEARN_DELAY] = fit.free[LEARN_LOSS] = true;
    fit.free[LEARN_BOARD_CONTACT] = true;
    fit.free[COUPON_LOSS] = fit.free[COUPON_BEND] = true;
    fit.free[BOARD_OFF] = board_read;
    result->rounds = descend(&fit);
    result->rounds +=
        try_to_free(&fit, LEARN_PLATE_CONTACT, OPEN_SHARE, LEARN_BOARD_CONTACT, OPEN_SHARE);
    tell(&fit, result);
    failed = judge(result, "did the coupon lie still, its sensor on it, in still air?", error);
    double heats = result->model.plate.watts / input->stated.watts;
    if (!failed && !(fabs(heats - 1) <= CHANGED)) {
        tl_error_set(error, TL_RANGE, "the plate heats with %.0f %% of what is stated",
                     100 * heats);
        tl_error_hint(error, "learn the empty plate first; is the coupon's weight right?");
        return TL_RANGE;
    }
    if (!failed)
        failed = settled(result, LEARN_BOARD_CONTACT, OPEN_SHARE, error);
    return failed;
}

/* ---- the seat test's pulse ---- */

static double top_of(const struct plate *plate, const struct insert *insert, double room_c,
                     double pulse_s, double *top_s)
{
    struct run run;
    struct learn_model model = {.plate = *plate, .insert = *insert, .start_c = room_c};
    double dt_s = 0.05, top_c = room_c, horizon_s = 0;
    struct stride s = stride_of(&model, dt_s);
    run_start(&run, &model);
    horizon_s = pulse_s + 10 * (plate->element_lag_s + plate->sensor_lag_s) + 5;
    for (double t_s = 0; t_s < horizon_s; t_s += dt_s) {
        struct learn_point at = {.duty = fmin(fmax((pulse_s - t_s) / dt_s, 0), 1)};
        go(&run.lump, &run.model, &s, &at);
        if (run.lump.sensed_c[OF_PLATE] > top_c) {
            top_c = run.lump.sensed_c[OF_PLATE];
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
