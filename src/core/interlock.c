/* SPDX-License-Identifier: MIT */
#include "tinlatch/interlock.h"

#include "rules.h"

/* Time between two instants; none if they stand the wrong way round. */
/*@ assigns \nothing;
    ensures \result >= 0;
    ensures to <= from ==> \result == 0;
*/
static int64_t elapsed(int64_t from_ms, int64_t to_ms)
{
    if (to_ms <= from_ms)
        return 0;
    if (from_ms < 0 && to_ms > INT64_MAX + from_ms)
        return INT64_MAX;
    return to_ms - from_ms;
}

/*@ assigns \nothing;
    ensures \result <= a && \result <= b;
    ensures \result == a || \result == b;
*/
static int32_t lower_of(int32_t a, int32_t b)
{
    return a < b ? a : b;
}

/* What a limit leaves of a wish: nothing of a negative one. */
/*@ assigns \nothing;
    ensures \result >= 0;
    ensures wish >= 0 && most >= 0 ==> \result <= wish && \result <= most;
*/
static int32_t cut(int32_t wish, int32_t most)
{
    int32_t left = lower_of(wish, most);
    return left > 0 ? left : 0;
}

/* Heat time runs while heat was granted at the scan before: nobody knows what happened in between. */
static void count_heat(struct interlock *il, int64_t for_ms)
{
    if (!il->heat_was_granted)
        return;
    il->heat_ms = for_ms > INT64_MAX - il->heat_ms ? INT64_MAX : il->heat_ms + for_ms;
}

static bool ends_the_run(enum rule_kind kind)
{
    switch (kind) {
    case RULE_WARN:
    case RULE_PAUSE:
        return false;
    case RULE_TRIP:
    case RULE_STOP:
        break;
    }
    return true;
}

/* A cause must hold without a break; one scan without it starts the count anew. */
static void step_rule(struct rule_state *state, const struct rule *rule, bool cause, int64_t t_ms)
{
    if (cause && !state->holding)
        state->since_ms = t_ms;
    state->holding = cause;
    state->fired = cause && elapsed(state->since_ms, t_ms) >= rule->for_ms;
    if (state->fired && ends_the_run(rule->kind))
        state->latched = true;
}

/* A stop is a person's wish: a fault that comes after it is no consequence of it. */
static bool outranks(enum rule_id id, enum rule_id kept)
{
    return rules[id].kind == RULE_TRIP && rules[kept].kind == RULE_STOP;
}

/* The first rule that ends the run is kept: later ones are mostly its consequences. */
static void keep_first_out(struct interlock *il, enum rule_id id, int64_t t_ms)
{
    if (!il->state[id].latched || (il->tripped && !outranks(id, il->first_out)))
        return;
    il->tripped = true;
    il->first_out = id;
    il->tripped_ms = t_ms;
}

static bool heat_is_paused(const struct interlock *il)
{
    bool paused = false;
    /*@ loop invariant 0 <= id <= RULES;
        loop assigns id, paused;
        loop variant RULES - id;
    */
    for (enum rule_id id = 0; id < RULES; id++)
        if (rules[id].kind == RULE_PAUSE && il->state[id].fired)
            paused = true;
    return paused;
}

static bool heat_is_allowed(const struct interlock *il, const struct facts *f)
{
    if (il->tripped || heat_is_paused(il) || !f->limits->uses_plate)
        return false;
    if (f->want->temp_mc <= 0 || f->want->ramp_mc_s < 0)
        return false; /* no wish that makes sense */
    if (f->heat_ms >= f->limits->heat_time_ms)
        return false;
    if (f->limits->uses_supply && f->in->supply.quality != QUALITY_GOOD)
        return false; /* nobody knows whether the board is powered */
    if (f->want->supply_on || supply_reads_on(f))
        return false;
    return sensors_are_below(f, f->limits->plate_mc, f->limits->board_mc);
}

static bool supply_is_allowed(const struct interlock *il, const struct facts *f)
{
    if (il->tripped || !f->limits->uses_supply || f->want->heat)
        return false;
    if (il->supply_was_granted && (il->rail != f->want->rail || il->inject != f->want->inject))
        return false; /* leads are not moved under power, nor one rail's limits left for another's */
    if (!rail_is_valid(f->limits, f->want->rail) || f->in->supply.quality != QUALITY_GOOD)
        return false;
    if (cut(f->want->mv, supply_limit_mv(f->limits, f->want)) == 0 ||
        cut(f->want->ma, supply_limit_ma(f->limits, f->want)) == 0)
        return false;
    return sensors_are_below(f, f->limits->power_mc, f->limits->power_mc);
}

/* Never more than was wanted, never more than its limit; off is zero in every field. */
/*@ requires \valid(out) && \valid_read(want) && \valid_read(limits);
    requires \separated(out, want, limits);
    assigns *out;
    ensures out->heat ==> heat && want->heat;
    ensures out->supply_on ==> supply && want->supply_on;
    ensures !out->heat ==> out->temp_mc == 0 && out->ramp_mc_s == 0;
    ensures !out->supply_on ==> out->mv == 0 && out->ma == 0;
    ensures 0 <= out->fan_pct <= 100;
*/
static void grant(const struct limits *limits, const struct wanted *want, bool heat, bool supply,
                  struct granted *out)
{
    out->heat = want->heat && heat;
    out->temp_mc = out->heat ? cut(want->temp_mc, limits->plate_mc) : 0;
    out->ramp_mc_s = out->heat ? cut(want->ramp_mc_s, limits->ramp_mc_s) : 0;
    out->supply_on = want->supply_on && supply;
    out->mv = out->supply_on ? cut(want->mv, supply_limit_mv(limits, want)) : 0;
    out->ma = out->supply_on ? cut(want->ma, supply_limit_ma(limits, want)) : 0;
    out->fan_pct = cut(want->fan_pct, 100);
    out->beeps = want->beeps;
}

void interlock_begin(struct interlock *il, uint32_t stop_count)
{
    il->stop_known = true;
    il->stop_seen = stop_count;
}

void interlock_step(struct interlock *il, const struct limits *limits, const struct readings *in,
                    const struct wanted *want, int64_t t_ms, struct granted *out)
{
    if (il->stepped) {
        if (t_ms < il->stepped_ms)
            t_ms = il->stepped_ms;
        count_heat(il, elapsed(il->stepped_ms, t_ms));
    }
    il->stepped = true;
    il->stepped_ms = t_ms;
    if (!il->stop_known) {
        il->stop_known = true;
        il->stop_seen = in->stop_count;
    }

    struct facts f = {.limits = limits,
                      .in = in,
                      .want = want,
                      .t_ms = t_ms,
                      .heat_ms = il->heat_ms,
                      .stop_seen = il->stop_seen,
                      .heat_was_granted = il->heat_was_granted,
                      .supply_was_granted = il->supply_was_granted,
                      .granted_mv = il->mv,
                      .granted_ma = il->ma};
    /*@ loop invariant 0 <= id <= RULES;
        loop variant RULES - id;
    */
    for (enum rule_id id = 0; id < RULES; id++) {
        step_rule(&il->state[id], &rules[id], rule_fires(id, &f), t_ms);
        keep_first_out(il, id, t_ms);
    }
    grant(limits, want, heat_is_allowed(il, &f), supply_is_allowed(il, &f), out);
    il->heat_was_granted = out->heat;
    il->supply_was_granted = out->supply_on;
    il->rail = want->rail;
    il->inject = want->inject;
    il->mv = out->mv;
    il->ma = out->ma;
}
