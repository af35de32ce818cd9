/* SPDX-License-Identifier: MIT */
/* What the plate was fed in the last period, at least and at most; its account is kept by that. */
#include "guard_private.h"

enum {
    SAID_LATE_MS = 2000, /* a controller's registers are read in turn: its output may be this old */
    UNHEATED_MC = 10000, /* as the account's bound stands above a reading at its beginning */
};

/* A set that was sent in the period acts for a part of it, the one before for the rest. */
static void span(struct guard *guard, double now)
{
    double before = guard->fed.now;

    guard->fed.low = now < before ? now : before;
    guard->fed.high = now > before ? now : before;
    guard->fed.now = now;
}

/* Known late: it may have been so for a while, or be so no longer. */
static void lag_behind(struct guard *guard, double low, double high, int64_t for_ms)
{
    double most = (double)for_ms / SAID_LATE_MS;

    guard->fed.low = low < guard->fed.low + most ? low : guard->fed.low + most;
    guard->fed.high = high > guard->fed.high - most ? high : guard->fed.high - most;
    guard->fed.now = guard->fed.high;
}

/* A plate that nobody but a hand switches may be fed at any time. */
static bool may_be_fed(const struct guard *guard)
{
    if (plate_is_by_hand(guard))
        return guard->config.bench->cutoff_device < 0 || guard->drive.closed;
    return guard->drive.heat;
}

static void feed_step(struct guard *guard, int64_t t_ms)
{
    const struct benchfile *bench = guard->config.bench;
    const struct device *plate = &guard->device[bench->plate_device];
    int64_t for_ms = t_ms - guard->fed.at_ms;

    guard->fed.at_ms = t_ms;
    if (plate->config.kind == DEVICE_CONTACTOR)
        span(guard, plate->closed ? 1 : 0);
    else if (plate->config.kind == DEVICE_LINE && !plate->config.regulates)
        span(guard, guard->drive.duty_permille / 1000.0);
    else if (guard->in.duty_permille >= 0)
        lag_behind(guard, guard->in.duty_permille / 1000.0, guard->in.duty_permille / 1000.0,
                   for_ms);
    else
        lag_behind(guard, 0, may_be_fed(guard) ? 1 : 0, for_ms);
}

static bool is_read(const struct guard *guard, enum sensor_id id)
{
    return guard->sensor_in_use[id] && guard->in.sensor[id].quality == QUALITY_GOOD;
}

static double fan_share(struct guard *guard)
{
    int32_t before = guard->fed.fan_pct;

    guard->fed.fan_pct = guard->drive.fan_pct;
    return (before > guard->drive.fan_pct ? before : guard->drive.fan_pct) / 100.0;
}

/* Of a run that heated nothing it is not known from what its plate would cool: a reading that is not true falls as no
 * plate does. Heat shows by what it rises. */
static void meet_the_unheated(struct guard *guard)
{
    int32_t risen_mc = guard->ended_mc + UNHEATED_MC;

    if (!guard_was_hot(guard) && guard->in.account.high_mc < risen_mc)
        guard->in.account.high_mc = risen_mc;
}

/* Before the seat test a person moves the thermocouple about, and after the run nobody says what hands do: then only
 * heat that nobody granted is looked for. */
void feed_account(struct guard *guard, int64_t t_ms)
{
    const struct readings *in = &guard->in;
    int32_t first_mc = in->sensor[SENSOR_PLATE].temp_mc;
    int32_t second_mc = in->sensor[SENSOR_PLATE_2].temp_mc;
    bool second = is_read(guard, SENSOR_PLATE_2);
    struct account_input input = {
        .plate_read = in->plate.quality == QUALITY_GOOD,
        .first_read = is_read(guard, SENSOR_PLATE),
        .board_read = is_read(guard, SENSOR_BOARD),
        .board_fed = guard->drive.supply_on || guard->in.supply.on,
        .plate_mc = in->plate.temp_mc,
        .first_mc = first_mc,
        .least_mc = second && second_mc < first_mc ? second_mc : first_mc,
        .board_mc = in->sensor[SENSOR_BOARD].temp_mc,
        .fan = fan_share(guard),
        .hand = guard->want.hand,
    };

    feed_step(guard, t_ms);
    input.duty_low = guard->fed.low;
    input.duty_high = guard->fed.high;
    if (guard->mode == GUARD_WAITING || guard->mode == GUARD_CHECKING)
        account_restart(&guard->account);
    account_step(&guard->account, &input, t_ms, &guard->in.account);
    if (guard->mode != GUARD_COOLING && guard->mode != GUARD_ENDED)
        return;
    meet_the_unheated(guard);
    guard->in.account.low_mc = INT32_MIN;
    guard->in.account.unmoved_mc = guard->in.account.board_lead_mc = 0;
}
