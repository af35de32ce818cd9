/* SPDX-License-Identifier: MIT */
/* bytes -> readings: conversion, range, age; the only place where a floating-point value becomes an integer. */
#include "guard_private.h"

#include <math.h>

#include "tinlatch/thermocouple.h"

enum { RANGE_LOW_MC = -20000, RANGE_HIGH_MC = 500000 }; /* what no bench for boards can read */
enum { STEP_MC = 5000, STEPS_MOST = 3 }; /* a sample this far off counts as bad; so many in a row */
enum { REPEATS_MS = 400 };               /* the same digits for longer are told again */
enum { STEADY_MS = 300 };                /* a spike of two samples is over by then */
/* An output that is off leaves a board's capacitors to themselves. Those of 1000 uF on a meter of a megohm lose a part
 * of FALL_PART in 20 s, and a meter's last digits are no fall. */
enum { OFF_MOST_MV = 500, FALL_MV = 20, FALL_PART = 50, STAYS_MS = 30000 };
static const double PLATE_K_S = 3, BOARD_K_S = 20;

static int32_t age_ms(int64_t t_ms, int64_t at_ms)
{
    int64_t age = t_ms - at_ms;

    return age < 0 ? 0 : age > INT32_MAX ? INT32_MAX : (int32_t)age;
}

/* The channel's value in millidegrees; QUALITY_RANGE when no thermocouple gives such a voltage. */
static enum quality convert(const struct sensor_binding *binding,
                            const struct device_channels *channels, const struct channel *channel,
                            int32_t *mc)
{
    if (channel->is_uv != binding->is_mv)
        return QUALITY_RANGE; /* degrees taken for volts, or the other way round, look plausible */
    if (!channel->is_uv) {
        *mc = channel->value;
        return QUALITY_GOOD;
    }
    double temp_c;
    if (!channels->has_cold || thermocouple_measured_c(binding->type, channel->value / 1000.0,
                                                       channels->cold_mc / 1000.0, &temp_c))
        return QUALITY_RANGE;
    *mc = (int32_t)lround(temp_c * 1000.0);
    return QUALITY_GOOD;
}

/* A sensor that flickers between well and badly would hold no count of any rule long enough: half a second
 * of bad readings within a second and a half, and it passes for as bad as it last was until it has read well
 * for as long. */
static enum quality believed(struct guard *guard, enum sensor_id id, enum quality quality,
                             int64_t t_ms)
{
    int32_t full_ms = guard->limits.stale_ms;
    int32_t since_ms = age_ms(t_ms, guard->gathered_ms);
    int32_t step_ms = since_ms > full_ms ? full_ms : since_ms;

    if (guard->step[id].bad == 0 ||
        quality != QUALITY_GOOD) /* what only stands in clears no doubt */
        guard->doubt_ms[id] += quality == QUALITY_GOOD ? -step_ms : 2 * step_ms;
    if (quality != QUALITY_GOOD)
        guard->last_bad[id] = quality;
    if (guard->doubt_ms[id] <= 0) {
        guard->doubt_ms[id] = 0;
        guard->doubted[id] = false;
    }
    if (guard->doubt_ms[id] >= full_ms) {
        guard->doubt_ms[id] = full_ms;
        guard->doubted[id] = true;
    }
    return guard->doubted[id] ? guard->last_bad[id] : quality;
}

/* No plate is heated faster than its element can, on mains at their highest, and none so much faster cooled; a board
 * is small, its tip hangs in the air before it is laid down. */
static double fastest_k_s(const struct guard *guard, enum sensor_id id)
{
    const struct plate *plate = &guard->config.bench->plate;

    if (id == SENSOR_BOARD)
        return BOARD_K_S;
    return fmax(PLATE_K_S, 1.21 * plate->watts / plate->capacity_j_k);
}

/* Nobody looks yet, or hands are at the board. */
static bool may_step(const struct guard *guard, enum sensor_id id)
{
    if (guard->mode == GUARD_WAITING || guard->mode == GUARD_CHECKING)
        return true;
    return id == SENSOR_BOARD && (guard->want.hand != HAND_NONE || guard->mode == GUARD_COOLING);
}

/* Further from the last good value than the time since then allows? */
static bool steps_away(const struct guard *guard, enum sensor_id id, int32_t mc, int64_t at_ms)
{
    const struct step_watch *watch = &guard->step[id];
    double for_s = (double)(at_ms - guard->good_ms[id]) / 1000;

    if (!watch->known)
        return false;
    return fabs((double)mc - guard->in.sensor[id].temp_mc) >
           1000 * fastest_k_s(guard, id) * fmax(for_s, 0) + STEP_MC;
}

/* Whatever wets a hot board cools its tip as fast as it likes, and within a minute it may be back where it was, and
 * the board somewhat hotter meanwhile. */
static bool was_as_hot(const struct step_watch *watch, enum sensor_id id, int32_t mc)
{
    enum { HOTTER_MC = 20000 };

    return id == SENSOR_BOARD &&
           (mc <= watch->top_mc[0] + HOTTER_MC || mc <= watch->top_mc[1] + HOTTER_MC);
}

static void keep_top(struct step_watch *watch, int32_t mc, int64_t at_ms)
{
    enum { MINUTE_MS = 60000 };

    if (!watch->known || at_ms - watch->minute_ms >= MINUTE_MS) {
        watch->top_mc[1] = watch->known ? watch->top_mc[0] : mc;
        watch->top_mc[0] = mc;
        watch->minute_ms = at_ms;
    }
    if (mc > watch->top_mc[0])
        watch->top_mc[0] = mc;
}

/* What a slow reader only repeats is no new sample. */
static void count_step(struct step_watch *watch, int32_t mc, int64_t at_ms)
{
    if (watch->bad > 0 && mc == watch->mc && at_ms - watch->at_ms < REPEATS_MS)
        return;
    if (watch->bad < STEPS_MOST)
        watch->bad++;
    watch->mc = mc;
    watch->at_ms = at_ms;
}

/* Takes a value that can be; of others the last good one stands for two, and the third in a row is a jump, or taken for
 * true where the sensor was as hot before. One that read badly before goes on to. */
static enum quality take_value(struct guard *guard, enum sensor_id id, int32_t mc, int64_t at_ms)
{
    struct step_watch *watch = &guard->step[id];
    struct temp_reading *reading = &guard->in.sensor[id];
    bool away = steps_away(guard, id, mc, at_ms);

    if (away && !may_step(guard, id)) {
        count_step(watch, mc, at_ms);
        if (watch->bad < STEPS_MOST)
            return reading->quality;
        if (!was_as_hot(watch, id, mc))
            return QUALITY_JUMP;
    }
    if (away || !watch->known)
        watch->steady_ms = at_ms;
    keep_top(watch, mc, at_ms);
    reading->temp_mc = mc;
    guard->good_ms[id] = at_ms;
    watch->known = true;
    watch->bad = 0;
    return QUALITY_GOOD;
}

bool reads_steadily(const struct guard *guard, enum sensor_id id)
{
    return guard->in.sensor[id].quality == QUALITY_GOOD &&
           guard->good_ms[id] - guard->step[id].steady_ms >= STEADY_MS;
}

static void gather_sensor(struct guard *guard, enum sensor_id id, int64_t t_ms)
{
    const struct sensor_binding *binding = &guard->config.bench->sensor[id];
    const struct device *device = &guard->device[binding->device];
    const struct channel *channel = &device->channels.channel[binding->channel];
    struct temp_reading *reading = &guard->in.sensor[id];

    enum quality quality = channel->quality;
    int32_t mc = 0;
    if (quality == QUALITY_GOOD)
        quality = convert(binding, &device->channels, channel, &mc);
    if (quality == QUALITY_GOOD)
        quality = mc < RANGE_LOW_MC || mc > RANGE_HIGH_MC
                      ? QUALITY_RANGE
                      : take_value(guard, id, mc, channel->at_ms);
    reading->quality = quality;
    reading->age_ms = age_ms(t_ms, guard->good_ms[id]);
    if (reading->quality == QUALITY_NONE)
        return;
    reading->quality = believed(guard, id, reading->quality, t_ms);
    if (reading->age_ms > guard->limits.stale_ms)
        reading->quality = QUALITY_STALE;
}

/* The higher plate sensor counts; unreadable if either is. */
static void gather_plate(struct guard *guard)
{
    const struct temp_reading *first = &guard->in.sensor[SENSOR_PLATE];
    const struct temp_reading *second = &guard->in.sensor[SENSOR_PLATE_2];

    guard->in.plate = *first;
    if (!guard->sensor_in_use[SENSOR_PLATE_2] || first->quality != QUALITY_GOOD)
        return;
    if (second->quality != QUALITY_GOOD || second->temp_mc > first->temp_mc)
        guard->in.plate = *second;
}

static void gather_ramp(struct guard *guard, int64_t t_ms)
{
    if (guard->in.plate.quality != QUALITY_GOOD) {
        control_forget_ramp(&guard->control);
        guard->in.ramp_known = false;
        return;
    }
    int64_t fresh_ms = t_ms - guard->in.plate.age_ms;
    if (fresh_ms == guard->plate_fresh_ms)
        return;
    guard->plate_fresh_ms = fresh_ms;
    guard->in.ramp_known =
        control_ramp(&guard->control, guard->in.plate.temp_mc, fresh_ms, &guard->in.ramp_mc_s);
}

/* Off by its own word, and yet its volts stay: its output obeys nothing, or the board has a source of its own. Before the
 * start that is asked about, and refused. */
static bool volts_stay(struct guard *guard, const struct device_supply *seen, int64_t t_ms)
{
    struct charge *charge = &guard->charge;
    int32_t digits_mv = charge->mv / FALL_PART > FALL_MV ? charge->mv / FALL_PART : FALL_MV;
    bool falls = seen->mv <= charge->mv - digits_mv;
    bool begun = guard->in.seated || guard->leads.fed;
    bool none = !begun || seen->quality != QUALITY_GOOD || seen->on || seen->mv < OFF_MOST_MV;

    if (none || falls || charge->mv == 0)
        *charge = (struct charge){none ? 0 : seen->mv, t_ms};
    return t_ms - charge->since_ms >= STAYS_MS;
}

static void gather_supply(struct guard *guard, int64_t t_ms)
{
    const struct device_supply *seen = &guard->device[guard->config.bench->supply_device].supply;
    struct supply_reading *supply = &guard->in.supply;

    *supply = (struct supply_reading){.quality = seen->quality,
                                      .on = seen->on || volts_stay(guard, seen, t_ms),
                                      .mv = seen->mv,
                                      .ma = seen->ma,
                                      .age_ms = age_ms(t_ms, seen->at_ms)};
    if (supply->quality == QUALITY_GOOD && supply->age_ms > guard->limits.stale_ms)
        supply->quality = QUALITY_STALE;
}

/* A line that is gone is silent for ever; so is an instrument that was reset: what it does by itself
 * after a start is not what it was told, and it is not trusted again in this run. */
static int32_t silent_ms(const struct guard *guard, int32_t device, int64_t t_ms)
{
    return guard->gone[device] || guard->device[device].was_reset
               ? INT32_MAX
               : device_silent_ms(&guard->device[device], t_ms);
}

/* With those of the contact on a control line; one that is cut, or can no longer be read, is a press too. */
uint32_t stop_count(const struct guard *guard)
{
    int32_t i = guard->config.bench->inputs_device;

    return guard->stops + (i >= 0 && guard->in_use[i] ? guard->device[i].inputs.stops : 0);
}

/* A cut-off that could not be set is driven no more, so that it may stay closed when heat is denied: as good as a plate
 * that does not answer. */
static int32_t plate_silent_ms(const struct guard *guard, int64_t t_ms)
{
    int32_t cutoff = guard->config.bench->cutoff_device;

    return cutoff >= 0 && guard->gone[cutoff]
               ? INT32_MAX
               : silent_ms(guard, guard->config.bench->plate_device, t_ms);
}

/* Per mille that the plate's instrument says it drives; -1: it does not say, or says nothing any more. */
static int32_t driven_permille(const struct guard *guard)
{
    int32_t plate = guard->config.bench->plate_device;
    const struct device *device = &guard->device[plate];

    if (guard->gone[plate] || !device->channels.has_duty || device->was_reset)
        return -1;
    return device->channels.duty_permille;
}

static void gather_meter(struct guard *guard, int64_t t_ms)
{
    int32_t i = guard->config.bench->meter_device;
    if (i < 0 || !guard->in_use[i])
        return;
    const struct device_meter *seen = &guard->device[i].meter;
    bool read = seen->quality != QUALITY_NONE && !guard->gone[i];

    guard->in.meter = (struct meter_reading){.quality = read ? seen->quality : QUALITY_STALE,
                                             .kind = seen->kind,
                                             .micro = seen->micro,
                                             .age_ms = age_ms(t_ms, seen->at_ms)};
}

void guard_gather(struct guard *guard, int64_t t_ms)
{
    const struct benchfile *bench = guard->config.bench;

    guard->in.t_ms = t_ms;
    guard->in.seated = guard->mode == GUARD_RUNNING || guard->mode == GUARD_PAUSED;
    for (enum sensor_id id = 0; id < SENSORS; id++)
        if (guard->sensor_in_use[id])
            gather_sensor(guard, id, t_ms);
    if (guard->limits.uses_plate) {
        gather_plate(guard);
        gather_ramp(guard, t_ms);
        guard->in.duty_permille = driven_permille(guard);
        guard->in.plate_silent_ms = plate_silent_ms(guard, t_ms);
        feed_account(guard, t_ms);
    }
    if (guard->limits.uses_supply) {
        gather_supply(guard, t_ms);
        guard->in.supply_silent_ms = silent_ms(guard, bench->supply_device, t_ms);
    }
    gather_meter(guard, t_ms);
    guard->in.recipe_silent_ms =
        guard->powered && guard->in.seated ? age_ms(t_ms, guard->turn_ms) : 0;
    guard->in.stop_count = stop_count(guard);
    int32_t late_ms = age_ms(t_ms, guard->gathered_ms) - guard->config.bench->period_ms;
    guard->in.scan_late_ms = guard->gathered_ms > 0 && late_ms > 0 ? late_ms : 0;
    guard->gathered_ms = t_ms;
    guard->in.clock_jump_ms = guard->watch.clock_jump_ms;
    guard->in.front_silent_ms = guard->watch.front_silent_ms;
    guard->in.front_gone = guard->watch.front_gone;
    guard->in.keeper_silent_ms = guard->watch.keeper_silent_ms;
    guard->in.record_late_ms = guard->watch.record_late_ms;
}
