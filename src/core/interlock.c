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

    // nothing at all, or no more than was wanted and no more than its limit
    predicate at_most(integer given, integer wish, integer most) =
        given == 0 || (0 < given <= wish && given <= most);

    // field by field
    predicate within_limits(struct limits *l, struct wanted *w, integer temp_mc, integer ramp_mc_s,
                            integer fan_pct, integer mv, integer ma) =
        at_most(temp_mc, w->temp_mc, l->plate_mc) && at_most(ramp_mc_s, w->ramp_mc_s, l->ramp_mc_s) &&
        at_most(fan_pct, w->fan_pct, 100) &&
        at_most(mv, w->mv, rail_mv(l, w)) && at_most(ma, w->ma, rail_ma(l, w));

    // what is off is off in every field
    predicate off_is_zero(struct granted *out) =
        (!out->heat ==> out->temp_mc == 0 && out->ramp_mc_s == 0) &&
        (!out->supply_on ==> out->mv == 0 && out->ma == 0);

    // of the most that the limits allow, all or nothing
    predicate no_more(struct granted most, struct granted *out) =
        (out->heat ==> most.heat) && (out->supply_on ==> most.supply_on) &&
        out->temp_mc == (out->heat ? most.temp_mc : 0) && out->ramp_mc_s == (out->heat ? most.ramp_mc_s : 0) &&
        out->mv == (out->supply_on ? most.mv : 0) && out->ma == (out->supply_on ? most.ma : 0) &&
        out->fan_pct == most.fan_pct;

    predicate stands{A, B}(struct granted *out) =
        \at(out->heat, A) == \at(out->heat, B) && \at(out->temp_mc, A) == \at(out->temp_mc, B) &&
        \at(out->ramp_mc_s, A) == \at(out->ramp_mc_s, B) && \at(out->fan_pct, A) == \at(out->fan_pct, B) &&
        \at(out->supply_on, A) == \at(out->supply_on, B) && \at(out->mv, A) == \at(out->mv, B) &&
        \at(out->ma, A) == \at(out->ma, B);

    // every reading that heat depends on is fresh, good, and below its ceiling; the board is known to be without power
    predicate heat_is_safe(struct limits *l, struct readings *in, struct wanted *w) =
        l->uses_plate && sensors_below(l, in, l->plate_mc, l->board_mc) && supply_seen_off(l, in) && !w->supply_on;

    // no heat is wanted, and every reading is fresh, good, and of a cold board
    predicate supply_is_safe(struct limits *l, struct readings *in, struct wanted *w) =
        l->uses_supply && sensors_below(l, in, l->power_mc, l->power_mc) && in->supply.quality == QUALITY_GOOD &&
        !w->heat;

    // heat time never runs back, and while there was heat it runs as the clock does
    predicate heat_is_counted{A, B}(struct interlock *il, integer t_ms) =
        \at(il->heat_ms, B) >= \at(il->heat_ms, A) &&
        (\at(il->stepped, A) && \at(il->heat_was_granted, A) && 0 <= \at(il->stepped_ms, A) <= t_ms ==>
            \at(il->heat_ms, B) == \min(INT64_MAX, \at(il->heat_ms, A) + (t_ms - \at(il->stepped_ms, A))));
    // time never goes backwards
    logic integer later(_Bool stepped, integer stepped_ms, integer t_ms) =
        stepped ? \max(stepped_ms, t_ms) : t_ms;

    // under power the leads stay where they are
    predicate leads_stay(struct interlock *il, struct wanted *w) =
        il->supply_was_granted ==> il->rail == w->rail && il->inject == w->inject;

    // a latch is there for good, and so is the trip
    predicate latched_stays{A, B}(struct interlock *il) =
        (\at(il->tripped, A) ==> \at(il->tripped, B)) &&
        (\forall integer k; 0 <= k < RULES && \at(il->state[k].latched, A) ==> \at(il->state[k].latched, B));

    predicate is_paused(struct interlock *il) =
        \exists integer k; 0 <= k < RULES && rules[k].kind == RULE_PAUSE && il->state[k].fired;

    // tripped is off, paused is cold, and heat time is bounded
    predicate rules_are_obeyed(struct interlock *il, integer heat_time_ms, struct granted *out) =
        (il->tripped ==> !out->heat && !out->supply_on) && (is_paused(il) ==> !out->heat) &&
        (out->heat ==> il->heat_ms < heat_time_ms) && il->heat_was_granted == out->heat;
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
    ensures at_most(\result, wish, most);
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
    ensures \result <==> is_paused(il);
*/
static bool heat_is_paused(const struct interlock *il)
{
    /*@ loop invariant 0 <= id <= RULES;
        loop invariant \forall integer k; 0 <= k < id ==> !(rules[k].kind == RULE_PAUSE && il->state[k].fired);
        loop assigns id;
        loop variant RULES - id;
    */
    for (enum rule_id id = 0; id < RULES; id++)
        if (rules[id].kind == RULE_PAUSE && il->state[id].fired)
            return true;
    return false;
}

/*@ requires \valid_read(il) && \valid_read(limits);
    assigns \nothing;
    ensures \result <==> !il->tripped && !is_paused(il) && il->heat_ms < limits->heat_time_ms;
*/
static bool rules_allow_heat(const struct interlock *il, const struct limits *limits)
{
    return !il->tripped && !heat_is_paused(il) && il->heat_ms < limits->heat_time_ms;
}

/* By what is read, whatever the rules say. */
/*@ requires \valid_read(limits) && \valid_read(in) && \valid_read(want);
    assigns \nothing;
    ensures \result <==> heat_is_safe(limits, in, want);
*/
static bool heat_is_safe(const struct limits *limits, const struct readings *in,
                         const struct wanted *want)
{
    if (limits->uses_supply && in->supply.quality != QUALITY_GOOD)
        return false; /* nobody knows whether the board is powered */
    if (!limits->uses_plate || want->supply_on || supply_reads_on(limits, in))
        return false;
    return sensors_are_below(limits, in, limits->plate_mc, limits->board_mc);
}

/*@ requires \valid_read(limits) && \valid_read(in) && \valid_read(want);
    assigns \nothing;
    ensures \result <==> supply_is_safe(limits, in, want);
*/
static bool supply_is_safe(const struct limits *limits, const struct readings *in,
                           const struct wanted *want)
{
    return limits->uses_supply && !want->heat && in->supply.quality == QUALITY_GOOD &&
           sensors_are_below(limits, in, limits->power_mc, limits->power_mc);
}

/* Leads are not moved under power, nor one rail's limits left for another's. */
/*@ requires \valid_read(il) && \valid_read(want);
    assigns \nothing;
    ensures \result <==> leads_stay(il, want);
*/
static bool leads_stay(const struct interlock *il, const struct wanted *want)
{
    return !il->supply_was_granted || (il->rail == want->rail && il->inject == want->inject);
}

/* What the limits leave of a wish that makes sense. */
/*@ requires \valid_read(limits) && \valid_read(want);
    assigns \nothing;
    ensures \result.heat ==> want->heat;
    ensures \result.supply_on ==> want->supply_on && rail_in_table(limits, want->rail);
    ensures within_limits(limits, want, \result.temp_mc, \result.ramp_mc_s, \result.fan_pct, \result.mv, \result.ma);
*/
static struct granted cut_to_limits(const struct limits *limits, const struct wanted *want)
{
    struct granted most = {.fan_pct = cut(want->fan_pct, 100), .beeps = want->beeps};
    if (want->heat && want->ramp_mc_s >= 0) {
        most.temp_mc = cut(want->temp_mc, limits->plate_mc);
        most.ramp_mc_s = cut(want->ramp_mc_s, limits->ramp_mc_s);
        most.heat = most.temp_mc > 0;
    }
    if (want->supply_on && rail_is_valid(limits, want->rail)) {
        most.mv = cut(want->mv, supply_limit_mv(limits, want));
        most.ma = cut(want->ma, supply_limit_ma(limits, want));
        most.supply_on = most.mv > 0 && most.ma > 0;
    }
    return most;
}

/* Off is zero in every field. */
/*@ requires \valid(out);
    assigns out->heat, out->temp_mc, out->ramp_mc_s, out->supply_on, out->mv, out->ma, out->fan_pct, out->beeps;
    ensures no_more(most, out) && (out->heat ==> heat) && (out->supply_on ==> supply);
*/
static void grant(struct granted most, bool heat, bool supply, struct granted *out)
{
    out->heat = most.heat && heat;
    out->temp_mc = out->heat ? most.temp_mc : 0;
    out->ramp_mc_s = out->heat ? most.ramp_mc_s : 0;
    out->supply_on = most.supply_on && supply;
    out->mv = out->supply_on ? most.mv : 0;
    out->ma = out->supply_on ? most.ma : 0;
    out->fan_pct = most.fan_pct;
    out->beeps = most.beeps;
}

/*@ requires \valid(il);
    assigns il->stop_known, il->stop_seen;
*/
void interlock_begin(struct interlock *il, uint32_t stop_count)
{
    il->stop_known = true;
    il->stop_seen = stop_count;
}

/* For the next scan. */
/*@ requires \valid(il) && \valid_read(want) && \valid_read(out) && \separated(il, want, out);
    requires whole(il);
    assigns il->heat_was_granted, il->supply_was_granted, il->rail, il->inject, il->mv, il->ma;
    ensures whole(il) && latched_stays{Pre, Post}(il);
    ensures is_paused{Pre}(il) <==> is_paused{Post}(il);
    ensures stands{Pre, Post}(out) && il->heat_was_granted == out->heat;
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

/*@ requires \valid(il) && \valid(out) && \valid_read(want) && \separated(il, want, out);
    requires whole(il);
    assigns out->heat, out->temp_mc, out->ramp_mc_s, out->supply_on, out->mv, out->ma, out->fan_pct, out->beeps,
            il->heat_was_granted, il->supply_was_granted, il->rail, il->inject, il->mv, il->ma;
    ensures whole(il) && latched_stays{Pre, Post}(il);
    ensures is_paused{Pre}(il) <==> is_paused{Post}(il);
    ensures il->tripped == \old(il->tripped) && il->stepped == \old(il->stepped);
    ensures no_more(most, out) && (out->heat ==> heat) && (out->supply_on ==> supply);
    ensures il->heat_was_granted == out->heat;
*/
static void hand_out(struct interlock *il, const struct wanted *want, struct granted most,
                     bool heat, bool supply, struct granted *out)
{
    grant(most, heat, supply, out);
    /*@ assert \forall integer k; 0 <= k < RULES ==> il->state[k].fired == \at(il->state[k].fired, Pre); */
    /*@ assert \forall integer k; 0 <= k < RULES ==> il->state[k].latched == \at(il->state[k].latched, Pre); */
    /*@ assert whole(il); */
    remember(il, want, out);
}

/* What this scan is judged from: time never goes backwards, and heat time runs on. */
/*@ requires \valid(il) && il->heat_ms >= 0;
    assigns il->heat_ms, il->stepped, il->stepped_ms, il->stop_known, il->stop_seen;
    ensures il->heat_ms >= 0 && heat_is_counted{Pre, Post}(il, t_ms);
    ensures il->stepped && il->stepped_ms == later(\old(il->stepped), \old(il->stepped_ms), t_ms);
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

/* Ask every rule, and keep what they say. */
/*@ requires \valid(il) && facts_valid(f);
    requires \separated(il, f, f->limits, f->in, f->want, &rules[0 .. RULES - 1]);
    requires whole(il);
    assigns il->state[0 .. RULES - 1], il->tripped, il->first_out, il->tripped_ms;
    ensures whole(il) && latched_stays{Pre, Post}(il);
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

/* Time runs on, and every rule is asked. */
/*@ requires \valid(il) && \valid_read(limits) && \valid_read(in) && \valid_read(want);
    requires \separated(il, limits, in, want, &rules[0 .. RULES - 1]);
    requires whole(il);
    assigns il->heat_ms, il->stepped, il->stepped_ms, il->stop_known, il->stop_seen,
            il->state[0 .. RULES - 1], il->tripped, il->first_out, il->tripped_ms;
    ensures whole(il) && latched_stays{Pre, Post}(il);
    ensures heat_is_counted{Pre, Post}(il, t_ms);
    ensures il->stepped && il->stepped_ms == later(\old(il->stepped), \old(il->stepped_ms), t_ms);
*/
static void advance(struct interlock *il, const struct limits *limits, const struct readings *in,
                    const struct wanted *want, int64_t t_ms)
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
    step_rules(il, &f);
}

/* What the rules leave of the most that may be given. */
/*@ requires \valid(il) && \valid(out) && \valid_read(limits) && \valid_read(in) && \valid_read(want);
    requires \separated(il, out, limits, in, want, &rules[0 .. RULES - 1]);
    requires whole(il);
    assigns *il, *out;
    ensures whole(il) && latched_stays{Pre, Post}(il);
    ensures heat_is_counted{Pre, Post}(il, t_ms);
    ensures il->stepped && il->stepped_ms == later(\old(il->stepped), \old(il->stepped_ms), t_ms);
    ensures rules_are_obeyed(il, \old(limits->heat_time_ms), out);
    ensures no_more(most, out) && (out->heat ==> heat) && (out->supply_on ==> supply);
*/
static void judge(struct interlock *il, const struct limits *limits, const struct readings *in,
                  const struct wanted *want, int64_t t_ms, struct granted most, bool heat,
                  bool supply, struct granted *out)
{
    advance(il, limits, in, want, t_ms);
    hand_out(il, want, most, heat && rules_allow_heat(il, limits), supply && !il->tripped, out);
}

/* The promise. `whole` holds of {0}, and nothing but a new struct interlock takes a latch back. */
/*@ requires \valid(il) && \valid(out) && \valid_read(limits) && \valid_read(in) && \valid_read(want);
    requires \separated(il, out, limits, in, want, &rules[0 .. RULES - 1]);
    requires whole(il);
    assigns *il, *out;
    ensures whole(il) && latched_stays{Pre, Post}(il);
    ensures heat_is_counted{Pre, Post}(il, t_ms);
    ensures il->stepped && il->stepped_ms == later(\old(il->stepped), \old(il->stepped_ms), t_ms);
    ensures rules_are_obeyed(il, \old(limits->heat_time_ms), out);
    ensures cut: within_limits{Pre}(limits, want, out->temp_mc, out->ramp_mc_s, out->fan_pct, out->mv, out->ma);
    ensures off: off_is_zero(out);
    ensures heat: out->heat ==> \old(want->heat) && heat_is_safe{Pre}(limits, in, want);
    ensures supply: out->supply_on ==> \old(want->supply_on) && supply_is_safe{Pre}(limits, in, want) &&
        leads_stay{Pre}(il, want) && rail_in_table{Pre}(limits, \old(want->rail));
    ensures never_both: !(out->heat && out->supply_on);
*/
void interlock_step(struct interlock *il, const struct limits *limits, const struct readings *in,
                    const struct wanted *want, int64_t t_ms, struct granted *out)
{
    struct granted most = cut_to_limits(limits, want);
    bool heat = heat_is_safe(limits, in, want);
    bool supply = supply_is_safe(limits, in, want) && leads_stay(il, want);
    judge(il, limits, in, want, t_ms, most, heat, supply, out);
}
