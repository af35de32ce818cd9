/* SPDX-License-Identifier: MIT */
#include "tinlatch/account.h"

#include <math.h>

static const double STEFAN_BOLTZMANN = 5.670374419e-8; /* W/m2K4, CODATA 2018 */
static const double ZERO_C_K = 273.15;

/* How far a bench can be from its learned constants. Mains within 85 and 110 % of nominal (EN 50160 allows 10 %, an
 * extension lead takes the rest): power goes with their square. A desk fan trebles what air takes away. */
struct extreme {
    double power, convection, radiation, room_k;
    double warm_up, cool_down; /* of the plate's capacity, while it warms up and cools down */
    double come, go;           /* of the element's lag, when its heat comes and goes */
};

/* clang-format off */
static const struct extreme slow = { 0.85 * 0.85, 3.0, 1.1, -5, 1.05, 0.92, 1.3, 0.7 };
static const struct extreme fast = { 1.10 * 1.10, 0.8, 0.8,  5, 0.92, 1.08, 0.7, 1.3 };
/* clang-format on */

static const double HEAVIEST_J_K = 200;   /* a board of some 200 g */
static const double FIRM_W_K = 6;         /* its contact, large and pressed */
static const double BOARD_LOSS_W_K = 0.3; /* both its faces, in still air */
static const double HOTTEST_C = 500;      /* what hot air may bring a board near */

static const double READER_S = 1;   /* the slowest reader's period */
static const double NOISE_K = 3;    /* a reading may be above the plate by this */
static const double ABOVE_K = 2;    /* ... or below it */
static const double MARGIN_K = 8;   /* beyond a bound, the least ... */
static const double MARGIN = 0.1;   /* ... and as a part of what is predicted without a reading */
static const double STEP_S = 0.2;   /* the longest stride */
static const double BALANCE_S = 12; /* within which the losses are known by the readings ... */
static const double GUESSED_MOST = 0.1; /* ... unless what is fed is a guess by more than this */
static const double SOAKS_S = 60;       /* that it must have cooled counts so long: a board soaks */

enum {
    FINE_MC = 250,         /* a reader whose steps are no larger shows a live plate's every move */
    COLD_MC = 45000,       /* a climb that begins below this is watched for swapped sensors ... */
    COLD_APART_MC = 20000, /* ... if plate and board are this close ... */
    CLIMBED_MC = 80000,    /* ... until the plate is at this */
};

/* One implicit step of a first-order lag: stable at any step. */
static double follow(double value, double towards, double lag_s, double dt_s)
{
    return value + (towards - value) * dt_s / (fmax(lag_s, 0) + dt_s);
}

static double fourth_k4(double temp_c)
{
    double square = (temp_c + ZERO_C_K) * (temp_c + ZERO_C_K);
    return square * square;
}

static double lost_w(const struct plate *plate, const struct extreme *x, double temp_c,
                     double room_c, double fan)
{
    return (x->convection * plate->loss_w_k + fan * plate->fan_loss_w_k) * (temp_c - room_c) +
           x->radiation * plate->emissivity_area * STEFAN_BOLTZMANN *
               (fourth_k4(temp_c) - fourth_k4(room_c));
}

static void element_step(const struct plate *plate, const struct extreme *x,
                         struct account_bound *b, double duty, double dt_s)
{
    double watts = x->power * duty * plate->watts;
    double lag = watts > b->element_w ? x->come : x->go;
    b->element_w = follow(b->element_w, watts, lag * plate->element_lag_s, dt_s);
}

static void block_step(const struct account *a, const struct extreme *x, struct account_bound *b,
                       double net_w, double cooling_j_k, double dt_s)
{
    double warming_j_k = x->warm_up * a->plate.capacity_j_k;
    b->rate_c_s = net_w / (net_w > 0 ? warming_j_k : x->cool_down * cooling_j_k);
    b->block_c += b->rate_c_s * dt_s;
}

/* The lag of a seated sensor, with a mount somewhat looser than learned and the wait for its reader. */
static double longest_lag_s(const struct plate *plate)
{
    return 1.5 * plate->sensor_lag_s + READER_S;
}

static double contact_w_k(const struct insert *insert)
{
    return fmax(FIRM_W_K, 2.3 * insert->board_w_k);
}

/* What insert and heaviest board take from the block; they give nothing back. */
static double drain_w(const struct account *a, struct account_bound *b, double fan, double dt_s)
{
    const struct insert *insert = &a->insert;
    double contact = contact_w_k(insert), into_w_k = contact, from_c = b->block_c;

    if (insert->capacity_j_k > 0) {
        into_w_k = insert->plate_w_k;
        b->insert_c = (insert->capacity_j_k * b->insert_c +
                       dt_s * (into_w_k * b->block_c + contact * b->board_c)) /
                      (insert->capacity_j_k + dt_s * (into_w_k + contact));
        from_c = b->insert_c;
    }
    double lost = slow.convection * (1 + fan) * BOARD_LOSS_W_K * (b->board_c - a->low_room_c);
    double taken_w = contact * (from_c - b->board_c);
    b->board_c += (taken_w - lost) / HEAVIEST_J_K * dt_s;
    return fmax(insert->capacity_j_k > 0 ? into_w_k * (b->block_c - b->insert_c) : taken_w, 0);
}

static void low_step(const struct account *a, struct account_bound *b, double duty, double fan,
                     double dt_s)
{
    element_step(&a->plate, &slow, b, duty, dt_s);
    double net_w = b->element_w - lost_w(&a->plate, &slow, b->block_c, a->low_room_c, fan) -
                   drain_w(a, b, fan, dt_s);
    block_step(a, &slow, b, net_w, a->plate.capacity_j_k, dt_s);
    b->sensor_c = fmin(b->block_c, follow(b->sensor_c, b->block_c, longest_lag_s(&a->plate), dt_s));
}

/* The board is as hot as the plate has been, and gives it back. */
static void high_step(const struct account *a, struct account_bound *b, double duty, double dt_s)
{
    double contact = contact_w_k(&a->insert);

    element_step(&a->plate, &fast, b, duty, dt_s);
    b->board_c = fmax(b->block_c, follow(b->board_c, b->block_c, HEAVIEST_J_K / contact, dt_s));
    double net_w = b->element_w + contact * (b->board_c - b->block_c) -
                   lost_w(&a->plate, &fast, b->block_c, a->room_c + fast.room_k, 0);
    block_step(a, &fast, b, net_w, a->plate.capacity_j_k + a->insert.capacity_j_k, dt_s);
    b->sensor_c = fmax(b->block_c, follow(b->sensor_c, b->block_c, longest_lag_s(&a->plate), dt_s));
}

/* ---- what a reading says of the bounds ------------------------------------------------------ */

static void raise_low(struct account *a, double reading_c)
{
    double least_c = reading_c - NOISE_K;
    double block_c = least_c + longest_lag_s(&a->plate) * fmin(a->low.rate_c_s, 0);

    if (a->low.sensor_c < least_c)
        a->low.sensor_c = a->anchor_c = least_c;
    a->low.block_c = fmax(a->low.block_c, block_c);
}

/* At the moment when heat ends all that the strongest mains might have brought is known not to have come. */
static void draw_high(struct account *a, double reading_c, bool fed, double dt_s)
{
    double most_c = reading_c + ABOVE_K + longest_lag_s(&a->plate) * fmax(a->high.rate_c_s, 0);
    bool ends = a->fed && !fed;

    a->fed = fed;
    if (a->high.block_c > most_c)
        a->high.block_c = follow(a->high.block_c, most_c, ends ? 0 : ACCOUNT_DRAW_S, dt_s);
}

static void meet_hands(struct account *a, enum hand hand)
{
    switch (hand) {
    case HAND_PLACE:
        a->low.board_c = fmin(a->low.board_c, a->low_room_c); /* out of a cold drawer */
        break;
    case HAND_HEAT:
        a->high.block_c = a->high.board_c = a->high.sensor_c = HOTTEST_C;
        break;
    case HAND_NONE:
    case HAND_LIFT:
    case HAND_PRESS:
    case HAND_RELEASE:
    case HANDS:
        break;
    }
}

/* ---- a reading that stands still ------------------------------------------------------------ */

/* By a model that is drawn to the readings: what it has to lose to fit them is what the plate loses. */
static void balance_step(struct account *a, const struct account_input *in, double dt_s)
{
    double heat_j_k = a->plate.capacity_j_k + a->insert.capacity_j_k;
    double fed_w = 0.5 * (in->duty_low + in->duty_high) * a->plate.watts;
    double miss_k = in->first_read ? in->first_mc / 1000.0 - a->shown_c : 0;

    a->still_s += dt_s;
    a->guessed = follow(a->guessed, in->duty_high - in->duty_low, BALANCE_S, dt_s);
    a->element_w = follow(a->element_w, fed_w, a->plate.element_lag_s, dt_s);
    double blown_w = in->fan * a->plate.fan_loss_w_k * (a->model_c - a->room_c);
    double rate_k_s = (a->element_w - a->lost_w - blown_w) / heat_j_k;
    a->still_k += slow.power * rate_k_s * dt_s;
    if (a->still_k < 0)
        a->still_k = follow(a->still_k, 0, SOAKS_S, dt_s);
    a->model_c += (rate_k_s + 2 / BALANCE_S * miss_k) * dt_s;
    a->lost_w -= heat_j_k * miss_k / (BALANCE_S * BALANCE_S) * dt_s;
    a->shown_c = follow(a->shown_c, a->model_c, a->plate.sensor_lag_s, dt_s);
}

static void still_begin(struct account *a, int32_t first_mc)
{
    double reading_c = first_mc / 1000.0, lag_s = longest_lag_s(&a->plate);

    a->still_mc = first_mc;
    a->still_k = a->still_s = 0;
    a->still_low = a->low;
    a->still_low.sensor_c = reading_c;
    a->still_low.block_c = reading_c + lag_s * fmin(a->low.rate_c_s, 0);
    a->still_high = a->high;
    a->still_high.sensor_c = reading_c;
    a->still_high.block_c = reading_c + lag_s * fmax(a->high.rate_c_s, 0);
}

static void still_step(struct account *a, const struct account_input *in)
{
    if (!in->first_read)
        return;
    int32_t step_mc =
        in->first_mc > a->still_mc ? in->first_mc - a->still_mc : a->still_mc - in->first_mc;
    if (step_mc == 0)
        return;
    if (step_mc < a->finest_mc)
        a->finest_mc = step_mc;
    still_begin(a, in->first_mc);
}

/* Between the two ways it may have gone lies that it has not moved: then nothing is certain. A coarse reader stands
 * still while a draft comes up and its heat with it; there only the bounds count. */
static double unmoved_k(const struct account *a)
{
    double reading_c = a->still_mc / 1000.0;
    if (a->still_s < 2 * READER_S)
        return 0; /* it may only not have been read again */
    double moved_k = fmax(a->still_low.sensor_c - reading_c, reading_c - a->still_high.sensor_c);
    if (a->finest_mc <= FINE_MC && a->guessed < GUESSED_MOST)
        moved_k = fmax(moved_k, fabs(a->still_k));
    return fmax(moved_k, 0);
}

/* ---- plate and board changed over ------------------------------------------------------------ */

static int32_t board_lead_mc(struct account *a, const struct account_input *in)
{
    if (!in->plate_read || !in->board_read || in->board_fed || in->hand != HAND_NONE ||
        in->least_mc >= CLIMBED_MC) {
        a->leading = false;
        return 0;
    }
    int32_t apart_mc = in->board_mc - in->least_mc;
    if (!a->leading) {
        a->leading =
            in->least_mc < COLD_MC && apart_mc < COLD_APART_MC && apart_mc > -COLD_APART_MC;
        a->lead_from_mc =
            apart_mc > 0 ? apart_mc : 0; /* a cold board that catches up leads nothing */
        a->climbed_mc = in->least_mc;
    }
    if (in->least_mc > a->climbed_mc)
        a->climbed_mc = in->least_mc;
    /* The board lags behind a plate that cools: what made it so warm is the plate at its hottest. */
    int32_t lead_mc = in->board_mc - a->climbed_mc - a->lead_from_mc;
    return a->leading && lead_mc > 0 ? lead_mc : 0;
}

/* ---- the whole ------------------------------------------------------------------------------- */

void account_init(struct account *account, const struct plate *plate, const struct insert *insert,
                  double room_c)
{
    *account = (struct account){.plate = *plate, .room_c = room_c};
    if (insert)
        account->insert = *insert;
}

void account_restart(struct account *account)
{
    account->running = false;
}

/* At a reading, the element as cold, or as hot, as it can be from what went before. */
static void begin(struct account *a, const struct account_input *in, int64_t t_ms)
{
    double reading_c = in->plate_mc / 1000.0, least_c = reading_c - NOISE_K;
    double most_c = reading_c + ABOVE_K;

    a->running = true;
    a->stepped_ms = t_ms;
    a->low_room_c = fmin(a->room_c + slow.room_k, least_c);
    a->low = (struct account_bound){0, least_c, a->low_room_c, a->low_room_c, least_c, 0};
    a->high =
        (struct account_bound){fast.power * a->plate.watts, most_c, most_c, most_c, most_c, 0};
    a->anchor_c = least_c;
    a->element_w = a->guessed = 0;
    a->model_c = a->shown_c = reading_c;
    a->lost_w = lost_w(&a->plate, &(struct extreme){.convection = 1, .radiation = 1}, reading_c,
                       a->room_c, 0);
    a->finest_mc = INT32_MAX;
    a->leading = false;
    still_begin(a, in->first_mc);
}

static void stride(struct account *a, const struct account_input *in, double dt_s)
{
    low_step(a, &a->low, in->duty_low, in->fan, dt_s);
    high_step(a, &a->high, in->duty_high, dt_s);
    low_step(a, &a->still_low, in->duty_low, in->fan, dt_s);
    high_step(a, &a->still_high, in->duty_high, dt_s);
    balance_step(a, in, dt_s);
    meet_hands(a, in->hand);
    if (!in->plate_read)
        return;
    raise_low(a, in->plate_mc / 1000.0);
    draw_high(a, in->plate_mc / 1000.0, in->duty_high > 0, dt_s);
}

static int32_t to_mc(double temp_c)
{
    return (int32_t)lround(1000 * fmin(fmax(temp_c, -1000), 1000));
}

void account_step(struct account *account, const struct account_input *in, int64_t t_ms,
                  struct account_reading *out)
{
    *out = (struct account_reading){.quality = QUALITY_NONE};
    if (!account->running) {
        if (!in->plate_read || !in->first_read)
            return;
        begin(account, in, t_ms);
    }
    double for_s = fmin((double)(t_ms - account->stepped_ms) / 1000, 10);
    account->stepped_ms = t_ms;
    int strides = (int)ceil(for_s / STEP_S - 1e-9);
    for (int i = 0; i < strides; i++)
        stride(account, in, for_s / strides);
    still_step(account, in);
    const struct account_bound *low = &account->low;
    double below_k = fmax(MARGIN_K, MARGIN * (low->sensor_c - account->anchor_c));
    *out = (struct account_reading){.quality = QUALITY_GOOD,
                                    .low_mc = to_mc(low->sensor_c - below_k),
                                    .high_mc = to_mc(account->high.sensor_c + MARGIN_K),
                                    .unmoved_mc = to_mc(unmoved_k(account)),
                                    .board_lead_mc = board_lead_mc(account, in)};
}
