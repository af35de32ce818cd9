/* SPDX-License-Identifier: MIT */
#include "tinlatch/interlock.h"

#include "rules.h"

/* clang-format off */
/*@ predicate ends_run(integer kind) = kind == RULE_TRIP || kind == RULE_STOP;

    // what holds of an interlock between two scans: a rule that fires and ends the run is latched, and has tripped it
    predicate whole(struct interlock *il) =
        il->heat_ms >= 0 &&
        (il->tripped ==> 0 <= il->first_out < RULES && il->state[il->first_out].latched) &&
        (\forall integer k; 0 <= k < RULES && il->state[k].latched ==> il->tripped) &&
        (\forall integer k; 0 <= k < RULES && il->state[k].fired && ends_run(rules[k].kind) ==> il->state[k].latched);

    // field by field: no more than was wanted, no more than its limit
    predicate granted_within(struct limits *l, struct wanted *w, struct granted *out) =
        0 <= out->temp_mc <= l->plate_mc && 0 <= out->ramp_mc_s <= l->ramp_mc_s && 0 <= out->fan_pct <= 100 &&
        0 <= out->mv && 0 <= out->ma &&
        (out->heat ==> w->heat && out->temp_mc <= w->temp_mc && out->ramp_mc_s <= w->ramp_mc_s) &&
        (!out->heat ==> out->temp_mc == 0 && out->ramp_mc_s == 0) &&
        (out->supply_on ==> w->supply_on && out->mv <= w->mv && out->ma <= w->ma &&
                            within_rail(l, w, out->mv, out->ma)) &&
        (!out->supply_on ==> out->mv == 0 && out->ma == 0) &&
        (out->fan_pct <= w->fan_pct || out->fan_pct == 0);

    // the rail is in the table, and both it and the wish leave something
    predicate can_be_fed(struct limits *l, struct wanted *w) =
        rail_in_table(l, w->rail) && w->mv > 0 && w->ma > 0 &&
        (w->inject ==> l->rail[w->rail].inject_mv > 0 && l->rail[w->rail].inject_ma > 0) &&
        (!w->inject ==> l->rail[w->rail].mv > 0 && l->rail[w->rail].ma > 0);

    predicate heat_is_safe(struct limits *l, struct readings *in, struct wanted *w, struct granted *out) =
        l->uses_plate && sensors_below(l, in, l->plate_mc, l->board_mc) && supply_seen_off(l, in) &&
        !w->supply_on && !out->supply_on;

    predicate supply_is_safe(struct limits *l, struct readings *in, struct wanted *w) =
        l->uses_supply && !w->heat && in->supply.quality == QUALITY_GOOD && rail_in_table(l, w->rail) &&
        sensors_below(l, in, l->power_mc, l->power_mc);

    predicate nothing_granted(struct granted *out) =
        !out->heat && !out->supply_on && out->temp_mc == 0 && out->ramp_mc_s == 0 && out->mv == 0 && out->ma == 0;
*/
/* clang-format on */

/* Time between two instants; none if they stand the wrong way round. */
/*@ assigns \nothing;
    ensures \result >= 0;
    ensures from_ms >= 0 && to_ms >= from_ms ==> \result == to_ms - from_ms;
    ensures to_ms <= from_ms ==> \result == 0;
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
    ensures \result > 0 ==> wish > 0 && most > 0;
    ensures \result <= wish || \result == 0;
    ensures wish >= 0 && most >= 0 ==> \result <= wish && \result <= most;
*/
static int32_t cut(int32_t wish, int32_t most)
{
    int32_t left = lower_of(wish, most);
    return left > 0 ? left : 0;
}

/* Heat time runs while heat was granted at the scan before: nobody knows what happened in between. */
/*@ requires \valid(il) && il->heat_ms >= 0 && for_ms >= 0;
    assigns il->heat_ms;
    ensures il->heat_ms >= \old(il->heat_ms);
    ensures il->heat_was_granted ==>
        il->heat_ms == \min(INT64_MAX, \old(il->heat_ms) + for_ms);
*/
static void count_heat(struct interlock *il, int64_t for_ms)
{
    if (!il->heat_was_granted)
        return;
    il->heat_ms = for_ms > INT64_MAX - il->heat_ms ? INT64_MAX : il->heat_ms + for_ms;
}

/*@ assigns \nothing;
    ensures kind == RULE_TRIP || kind == RULE_STOP ==> \result;
*/
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
/*@ requires \valid(state) && \valid_read(rule) && \separated(state, rule);
    assigns *state;
    ensures \old(state->latched) ==> state->latched;
    ensures state->fired ==> cause;
    ensures cause && rule->for_ms <= 0 ==> state->fired;
    ensures state->fired && ends_run(rule->kind) ==> state->latched;
*/
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
/*@ requires 0 <= id < RULES && 0 <= kept < RULES;
    assigns \nothing;
*/
static bool outranks(enum rule_id id, enum rule_id kept)
{
    return rules[id].kind == RULE_TRIP && rules[kept].kind == RULE_STOP;
}

/* The first rule that ends the run is kept: later ones are mostly its consequences. */
/*@ requires \valid(il) && 0 <= id < RULES;
    requires il->tripped ==> 0 <= il->first_out < RULES && il->state[il->first_out].latched;
    assigns il->tripped, il->first_out, il->tripped_ms;
    ensures \old(il->tripped) ==> il->tripped;
    ensures il->state[id].latched ==> il->tripped;
    ensures il->tripped ==> 0 <= il->first_out < RULES && il->state[il->first_out].latched;
*/
static void keep_first_out(struct interlock *il, enum rule_id id, int64_t t_ms)
{
    if (!il->state[id].latched || (il->tripped && !outranks(id, il->first_out)))
        return;
    il->tripped = true;
    il->first_out = id;
    il->tripped_ms = t_ms;
}

/*@ requires \valid_read(il);
    assigns \nothing;
    ensures !\result ==> (\forall integer k; 0 <= k < RULES && rules[k].kind == RULE_PAUSE ==> !il->state[k].fired);
*/
static bool heat_is_paused(const struct interlock *il)
{
    bool paused = false;
    /*@ loop invariant 0 <= id <= RULES;
        loop invariant !paused ==>
            (\forall integer k; 0 <= k < id && rules[k].kind == RULE_PAUSE ==> !il->state[k].fired);
        loop assigns id, paused;
        loop variant RULES - id;
    */
    for (enum rule_id id = 0; id < RULES; id++)
        if (rules[id].kind == RULE_PAUSE && il->state[id].fired)
            paused = true;
    return paused;
}

/*@ requires \valid_read(il) && facts_valid(f);
    assigns \nothing;
    ensures \result ==> !il->tripped && f->limits->uses_plate && f->want->temp_mc > 0 && f->want->ramp_mc_s >= 0;
    ensures \result ==> (\forall integer k; 0 <= k < RULES && rules[k].kind == RULE_PAUSE ==> !il->state[k].fired);
    ensures \result ==> f->heat_ms < f->limits->heat_time_ms;
    ensures \result ==> !f->want->supply_on && supply_seen_off(f->limits, f->in);
    ensures \result ==> sensors_below(f->limits, f->in, f->limits->plate_mc, f->limits->board_mc);
*/
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

/*@ requires \valid_read(il) && facts_valid(f);
    assigns \nothing;
    ensures \result ==> !il->tripped && f->limits->uses_supply && !f->want->heat;
    ensures \result ==> rail_in_table(f->limits, f->want->rail) && f->in->supply.quality == QUALITY_GOOD;
    ensures \result && f->want->supply_on ==> can_be_fed(f->limits, f->want);
    ensures \result && il->supply_was_granted ==> il->rail == f->want->rail && il->inject == f->want->inject;
    ensures \result ==> sensors_below(f->limits, f->in, f->limits->power_mc, f->limits->power_mc);
*/
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
    requires limits->plate_mc >= 0 && limits->ramp_mc_s >= 0;
    requires heat ==> want->temp_mc > 0 && want->ramp_mc_s >= 0;
    requires supply && want->supply_on ==> can_be_fed(limits, want);
    assigns *out;
    ensures out->heat <==> (heat && want->heat);
    ensures out->supply_on <==> (supply && want->supply_on);
    ensures granted_within(limits, want, out);
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

/*@ requires \valid(il);
    assigns il->stop_known, il->stop_seen;
*/
void interlock_begin(struct interlock *il, uint32_t stop_count)
{
    il->stop_known = true;
    il->stop_seen = stop_count;
}

/* Ask every rule, and keep what they say. */
/*@ requires \valid(il) && facts_valid(f);
    requires \separated(il, f, f->limits, f->in, f->want, &rules[0 .. RULES - 1]);
    requires whole(il);
    assigns il->state[0 .. RULES - 1], il->tripped, il->first_out, il->tripped_ms;
    ensures whole(il);
    ensures \old(il->tripped) ==> il->tripped;
    ensures \forall integer k; 0 <= k < RULES && \old(il->state[k].latched) ==> il->state[k].latched;
*/
static void step_rules(struct interlock *il, const struct facts *f)
{
    /*@ loop invariant 0 <= id <= RULES;
        loop invariant il->tripped ==> 0 <= il->first_out < RULES && il->state[il->first_out].latched;
        loop invariant \at(il->tripped, Pre) ==> il->tripped;
        loop invariant \forall integer k; 0 <= k < id && il->state[k].latched ==> il->tripped;
        loop invariant \forall integer k; 0 <= k < RULES && \at(il->state[k].latched, Pre) ==> il->state[k].latched;
        loop invariant \forall integer k; 0 <= k < RULES && il->state[k].fired && ends_run(rules[k].kind) ==>
            il->state[k].latched;
        loop assigns id, il->state[0 .. RULES - 1], il->tripped, il->first_out, il->tripped_ms;
        loop variant RULES - id;
    */
    for (enum rule_id id = 0; id < RULES; id++) {
        step_rule(&il->state[id], &rules[id], rule_fires(id, f), f->t_ms);
        keep_first_out(il, id, f->t_ms);
    }
}

/* What this scan is judged from: time never goes backwards, and heat time runs on. */
/*@ requires \valid(il) && il->heat_ms >= 0;
    assigns il->heat_ms, il->stepped, il->stepped_ms, il->stop_known, il->stop_seen;
    ensures il->heat_ms >= \old(il->heat_ms);
    ensures \old(il->stepped) && il->heat_was_granted && \old(il->stepped_ms) >= 0 &&
            t_ms >= \old(il->stepped_ms) ==>
        il->heat_ms == \min(INT64_MAX, \old(il->heat_ms) + (t_ms - \old(il->stepped_ms)));
*/
static void step_time(struct interlock *il, uint32_t stop_count, int64_t t_ms)
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
        il->stop_seen = stop_count;
    }
}

/* For the next scan: leads are not moved under power, and nobody knows what happened in between. */
/*@ requires \valid(il) && \valid_read(want) && \valid_read(out) && \separated(il, want, out);
    requires whole(il);
    assigns il->heat_was_granted, il->supply_was_granted, il->rail, il->inject, il->mv, il->ma;
    ensures whole(il);
    ensures il->heat_was_granted == out->heat;
    ensures \forall integer k; 0 <= k < RULES ==> il->state[k].fired == \old(il->state[k].fired);
    ensures \forall integer k; 0 <= k < RULES ==> il->state[k].latched == \old(il->state[k].latched);
*/
static void remember(struct interlock *il, const struct wanted *want, const struct granted *out)
{
    il->heat_was_granted = out->heat;
    il->supply_was_granted = out->supply_on;
    il->rail = want->rail;
    il->inject = want->inject;
    il->mv = out->mv;
    il->ma = out->ma;
}

/* Ask the rules, then cut what is wanted, and remember what was given. */
/*@ requires \valid(il) && \valid(out) && facts_valid(f);
    requires \separated(il, out, f, f->limits, f->in, f->want, &rules[0 .. RULES - 1]);
    requires whole(il) && f->heat_ms == il->heat_ms;
    requires f->limits->plate_mc >= 0 && f->limits->ramp_mc_s >= 0;
    assigns *out, il->state[0 .. RULES - 1], il->tripped, il->first_out, il->tripped_ms, il->heat_was_granted,
            il->supply_was_granted, il->rail, il->inject, il->mv, il->ma;
    ensures whole(il);
    ensures latched_stays: \forall integer k; 0 <= k < RULES && \old(il->state[k].latched) ==> il->state[k].latched;
    ensures tripped_stays: \old(il->tripped) ==> il->tripped;
    ensures tripped_is_off: il->tripped ==> nothing_granted(out);
    ensures paused_is_cold: \forall integer k; 0 <= k < RULES && rules[k].kind == RULE_PAUSE && il->state[k].fired ==>
        !out->heat;
    ensures cut: granted_within(f->limits, f->want, out);
    ensures heat: out->heat ==> heat_is_safe(f->limits, f->in, f->want, out) && f->heat_ms < f->limits->heat_time_ms;
    ensures supply: out->supply_on ==> supply_is_safe(f->limits, f->in, f->want);
    ensures one_rail: out->supply_on && \old(il->supply_was_granted) ==>
        \old(il->rail) == f->want->rail && \old(il->inject) == f->want->inject;
    ensures remembered: il->heat_was_granted == out->heat;
*/
static void judge(struct interlock *il, const struct facts *f, struct granted *out)
{
    step_rules(il, f);
    bool heat = heat_is_allowed(il, f), supply = supply_is_allowed(il, f);
    /*@ assert il->tripped ==> !heat && !supply; */
    grant(f->limits, f->want, heat, supply, out);
    /*@ assert granted_within(f->limits, f->want, out); */
    /*@ assert whole(il); */
    /*@ assert il->tripped ==> nothing_granted(out); */
    /*@ assert \forall integer k; 0 <= k < RULES && rules[k].kind == RULE_PAUSE && il->state[k].fired ==> !out->heat; */
    remember(il, f->want, out);
}

/* The promise. `whole` holds of {0}, and nothing but a new struct interlock takes a latch back. */
/*@ requires \valid(il) && \valid(out) && \valid_read(limits) && \valid_read(in) && \valid_read(want);
    requires \separated(il, out, limits, in, want, &rules[0 .. RULES - 1]);
    requires whole(il);
    requires limits->plate_mc >= 0 && limits->ramp_mc_s >= 0;
    assigns *il, *out;
    ensures whole(il);
    ensures latched_stays: \forall integer k; 0 <= k < RULES && \old(il->state[k].latched) ==> il->state[k].latched;
    ensures tripped_stays: \old(il->tripped) ==> il->tripped;
    ensures tripped_is_off: il->tripped ==> nothing_granted(out);
    ensures paused_is_cold: \forall integer k; 0 <= k < RULES && rules[k].kind == RULE_PAUSE && il->state[k].fired ==>
        !out->heat;
    ensures cut: granted_within(limits, want, out);
    ensures heat: out->heat ==> heat_is_safe(limits, in, want, out) && il->heat_ms < limits->heat_time_ms;
    ensures supply: out->supply_on ==> supply_is_safe(limits, in, want);
    ensures one_rail: out->supply_on && \old(il->supply_was_granted) ==>
        \old(il->rail) == want->rail && \old(il->inject) == want->inject;
    ensures heat_time_counts: il->heat_ms >= \old(il->heat_ms) &&
        (\old(il->stepped) && \old(il->heat_was_granted) && \old(il->stepped_ms) >= 0 && t_ms >= \old(il->stepped_ms) ==>
            il->heat_ms == \min(INT64_MAX, \old(il->heat_ms) + (t_ms - \old(il->stepped_ms))));
    ensures remembered: il->heat_was_granted == out->heat;
*/
void interlock_step(struct interlock *il, const struct limits *limits, const struct readings *in,
                    const struct wanted *want, int64_t t_ms, struct granted *out)
{
    step_time(il, in->stop_count, t_ms);
    struct facts f = {.limits = limits,
                      .in = in,
                      .want = want,
                      .t_ms = il->stepped_ms,
                      .heat_ms = il->heat_ms,
                      .stop_seen = il->stop_seen,
                      .heat_was_granted = il->heat_was_granted,
                      .supply_was_granted = il->supply_was_granted,
                      .granted_mv = il->mv,
                      .granted_ma = il->ma};
    judge(il, &f, out);
}
