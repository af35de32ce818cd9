/* SPDX-License-Identifier: MIT */
#include "guard_private.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The one place that assigns the mode. Whatever ends the run, last words are said here: that something is off is not
 * taken from a reading which may be older than the command that switched it on. */
void guard_enter(struct guard *guard, enum guard_event event, int64_t t_ms)
{
    enum guard_mode next = guard_mode_next(guard->mode, event);

    if (next == guard->mode)
        return;
    guard->mode = next;
    if (event == EVENT_SEATED) { /* only now is the recipe spoken to */
        guard->began = true;
        guard->turn_ms = t_ms;
    }
    if (next == GUARD_COOLING) {
        /* At once: the coming period's request is made of what stands here now. */
        guard->want = (struct wanted){.beeps = guard->want.beeps};
        guard->out = (struct granted){.beeps = guard->out.beeps};
        guard->drive = (struct drive){.beeps = guard->drive.beeps};
        guard_last_words(guard, t_ms);
        guard->off_again_ms = t_ms + OFF_AGAIN_MS;
        cooling_begin(guard, t_ms);
    }
    if (guard->config.journal)
        journal_event(guard->config.journal, t_ms, "mode", guard_mode_name((int)next));
}

int guard_new(struct guard **out, const struct guard_config *config, struct tl_error *error)
{
    struct guard *guard = calloc(1, sizeof *guard);

    if (!guard)
        return tl_error_set(error, TL_SYSTEM, "no memory for the guard");
    guard->config = *config;
    guard->limits = *limits_built_in();
    for (int i = 0; i < config->bench->device_count; i++)
        device_init(&guard->device[i], &config->bench->device[i]);
    guard->snapshot.rule = -1;
    guard->plate_fresh_ms = -1;
    guard->safe_since_ms = -1;
    guard->recipe_end.code = TL_MORE;
    *out = guard;
    return 0;
}

void guard_free(struct guard *guard)
{
    free(guard);
}

/* A recipe may compute for a while, or be stopped by whoever watches it, before it asks for power the first time:
 * nothing is on, and its silence is no fault. For ever it is not waited for. */
static void miss_recipe(struct guard *guard, int64_t t_ms)
{
    struct wire_end end = {.code = TL_KILLED,
                           .text = "it says nothing, and had not asked for power"};

    if (guard->powered || t_ms - guard->turn_ms < RECIPE_MOST_MS)
        return;
    wire_stamp(&end.head, WIRE_END, 1);
    guard_receive(guard, &end, sizeof end, t_ms, NULL);
}

void guard_beep(struct guard *guard)
{
    guard->beeps++;
    guard->want.beeps++;
}

static void guard_listen(struct guard *guard, int64_t t_ms)
{
    attend_step(guard, t_ms);
    switch (guard->mode) {
    case GUARD_CHECKING:
        guard->want = (struct wanted){.beeps = guard->want.beeps};
        checking_step(guard, t_ms);
        return;
    case GUARD_SEATING:
        seating_step(guard, t_ms);
        return;
    case GUARD_RUNNING:
    case GUARD_PAUSED:
        miss_recipe(guard, t_ms);
        attend_park(guard, t_ms);
        return;
    case GUARD_COOLING:
        cooling_want(guard, t_ms);
        return;
    case GUARD_WAITING:
    case GUARD_ENDED:
    case GUARD_MODES:
        break;
    }
    guard->want = (struct wanted){.beeps = guard->want.beeps};
}

static bool rule_of_kind_fires(const struct guard *guard, enum rule_kind kind, int32_t *rule)
{
    for (int32_t id = 0; id < RULES; id++)
        if (rules[id].kind == kind && guard->interlock.state[id].fired) {
            *rule = id;
            return true;
        }
    return false;
}

/* A rule's words say that heat is off: of a plate that only a hand switches nobody here knows that. */
static void explain(const struct guard *guard, enum rule_id id, struct rule_words *words)
{
    enum rule_kind kind = rules[id].kind;

    interlock_explain(id, &guard->limits, &guard->in, &guard->want, guard->interlock.heat_ms,
                      words);
    if (!plate_is_by_hand_alone(guard) || kind == RULE_WARN)
        return;
    memset(words->act, 0, sizeof words->act);
    if (kind == RULE_PAUSE)
        snprintf(words->act, sizeof words->act,
                 "turn the plate off at its own knob, this program cannot switch it off; the "
                 "recipe goes on once the cause is gone");
    else
        snprintf(words->act, sizeof words->act,
                 "turn the plate off at its own knob now, or pull its mains plug: this program "
                 "cannot switch it off; the run is over%s",
                 guard->limits.uses_supply ? ". Take the supply's leads off the board" : "");
}

static void guard_tripped(struct guard *guard, int64_t t_ms)
{
    struct guard_trip *trip = &guard->trip;

    trip->tripped = true;
    trip->rule = guard->interlock.first_out;
    trip->at_ms = t_ms;
    explain(guard, trip->rule, &trip->words);
    if (guard->config.journal)
        journal_rule(guard->config.journal, t_ms, trip->rule, &trip->words);
    guard_enter(guard, EVENT_TRIP, t_ms);
    cooling_hands(guard, t_ms, trip->hands, sizeof trip->hands);
    guard_say(guard, NOTE_HANDS, t_ms, trip->hands);
    guard_say(guard, NOTE_FAULT, t_ms, trip->words.what);
    guard_say(guard, NOTE_ACT, t_ms, trip->words.act);
    guard_say(guard, NOTE_LOOK, t_ms, trip->words.inspect);
}

/* A plate that does not obey is told also when another rule was first: that one's words do not say so. */
static void guard_disobeyed(struct guard *guard, int64_t t_ms)
{
    struct rule_words words;
    char *hands = guard->trip.hands;

    if (guard->disobeyed || !guard->interlock.state[HEAT_UNCOMMANDED].latched)
        return;
    guard->disobeyed = true;
    if (guard->trip.rule == HEAT_UNCOMMANDED)
        return;
    explain(guard, HEAT_UNCOMMANDED, &words);
    if (guard->config.journal)
        journal_rule(guard->config.journal, t_ms, HEAT_UNCOMMANDED, &words);
    cooling_hands(guard, t_ms, hands, sizeof guard->trip.hands);
    guard_say(guard, NOTE_HANDS, t_ms, hands);
    guard_say(guard, NOTE_FAULT, t_ms, words.what);
}

/* A pause is recorded when it begins; its end shows as a change of mode. */
static void guard_paused(struct guard *guard, int32_t rule, int64_t t_ms)
{
    struct rule_words words;

    if (guard->mode != GUARD_RUNNING)
        return;
    explain(guard, (enum rule_id)rule, &words);
    if (guard->config.journal)
        journal_rule(guard->config.journal, t_ms, (enum rule_id)rule, &words);
    guard_say(guard, NOTE_WARN, t_ms, words.what);
    guard_enter(guard, EVENT_PAUSE, t_ms);
}

bool guard_begins_to_warn(enum rule_kind kind, bool fired, bool *told)
{
    bool begins = fired && !*told;

    *told = fired;
    return kind == RULE_WARN && begins;
}

/* A warning is shown and recorded when its cause begins, and again only after that was gone. */
static void guard_warn(struct guard *guard, int64_t t_ms)
{
    struct rule_words words;

    for (enum rule_id id = 0; id < RULES; id++) {
        if (!guard_begins_to_warn(rules[id].kind, guard->interlock.state[id].fired,
                                  &guard->warned[id]))
            continue;
        explain(guard, id, &words);
        if (guard->config.journal)
            journal_rule(guard->config.journal, t_ms, id, &words);
        guard_say(guard, NOTE_WARN, t_ms, words.what);
    }
}

static void guard_judge(struct guard *guard, int64_t t_ms)
{
    int32_t rule = -1;

    guard->judged = guard->want; /* whatever ends the run takes the wish away as well */
    if (!guard->ready) {         /* nothing can be judged before everything was read once */
        guard->out = (struct granted){0};
        if (guard->mode == GUARD_COOLING && cooling_over(guard, t_ms))
            guard_enter(guard, EVENT_TOUCH_SAFE, t_ms);
        return;
    }
    interlock_step(&guard->interlock, &guard->limits, &guard->in, &guard->want, t_ms, &guard->out);
    attend_leads(guard);
    guard_warn(guard, t_ms);
    if (guard->interlock.tripped &&
        (!guard->trip.tripped || guard->trip.rule != guard->interlock.first_out))
        guard_tripped(guard, t_ms); /* also the fault after a stop */
    else if (rule_of_kind_fires(guard, RULE_PAUSE, &rule))
        guard_paused(guard, rule, t_ms);
    else
        guard_enter(guard, EVENT_RESUME, t_ms);
    if (guard->interlock.tripped)
        guard_disobeyed(guard, t_ms);
    guard->snapshot.rule = guard->trip.tripped ? (int32_t)guard->trip.rule : rule;
    if (guard->mode == GUARD_COOLING)
        guard_off_again(guard, t_ms);
    if (guard->mode == GUARD_COOLING && cooling_over(guard, t_ms))
        guard_enter(guard, EVENT_TOUCH_SAFE, t_ms);
}

bool plate_is_by_hand(const struct guard *guard)
{
    const struct benchfile *bench = guard->config.bench;

    return bench->plate_device >= 0 && bench->device[bench->plate_device].kind == DEVICE_BY_HAND;
}

bool plate_is_by_hand_alone(const struct guard *guard)
{
    return guard->limits.uses_plate && plate_is_by_hand(guard) &&
           guard->config.bench->cutoff_device < 0;
}

/* The cut-off is what switches a plate off that nothing else can: it is closed while heat is granted, and its time
 * counts. Any other plate is fed through it and answers only while it is closed; it is told off in its own words. */
static bool cutoff_closes(const struct guard *guard)
{
    if (plate_is_by_hand(guard))
        return guard->out.heat && !guard->parking.on;
    return guard->mode > GUARD_WAITING && guard->mode < GUARD_COOLING;
}

static void guard_apply(struct guard *guard, int64_t t_ms)
{
    control_step(&guard->control, &guard->out, &guard->in.plate, guard->limits.ramp_mc_s, t_ms,
                 &guard->drive);
    if (guard->mode == GUARD_SEATING && guard->out.heat)
        guard->drive.duty_permille = guard->seat.duty_permille;
    attend_knob(guard, t_ms);
    fan_watch(guard, t_ms);
    hold_watch(guard, t_ms);
    guard->drive.meter = guard->want.meter;
    guard->drive.closed = guard->limits.uses_plate && cutoff_closes(guard);
}

static int32_t fired_count(const struct guard *guard)
{
    int32_t n = 0;

    for (int32_t id = 0; id < RULES; id++)
        n += guard->interlock.state[id].fired ? 1 : 0;
    return n;
}

/* Its kind is told from when the meter is asked on. */
static void tell_meter(const struct guard *guard, struct wire_snapshot *to)
{
    const struct meter_reading *meter = &guard->in.meter;
    bool answered = meter->quality == QUALITY_GOOD || meter->quality == QUALITY_OPEN;

    to->meter_kind = (int32_t)(answered ? meter->kind : guard->drive.meter);
    to->meter_quality = (int32_t)meter->quality;
    to->meter_value = (double)meter->micro / 1e6;
}

static void tell_readings(const struct guard *guard, struct wire_snapshot *to)
{
    for (int id = 0; id < SENSORS; id++) {
        to->temp_mc[id] = guard->in.sensor[id].temp_mc;
        to->quality[id] = (int32_t)guard->in.sensor[id].quality;
        to->age_ms[id] = guard->in.sensor[id].age_ms;
    }
    to->plate_mc = guard->in.plate.temp_mc;
    to->plate_quality = (int32_t)guard->in.plate.quality;
    to->plate_age_ms = guard->in.plate.age_ms;
    to->ramp_known = guard->in.ramp_known;
    to->ramp_mc_s = guard->in.ramp_known ? guard->in.ramp_mc_s : 0;
    to->supply_mv = guard->in.supply.mv;
    to->supply_ma = guard->in.supply.ma;
    to->supply_on = guard->in.supply.on;
    to->supply_quality = (int32_t)guard->in.supply.quality;
    to->supply_age_ms = guard->in.supply.age_ms;
    to->plate_silent_ms = guard->in.plate_silent_ms;
    to->supply_silent_ms = guard->in.supply_silent_ms;
    to->recipe_silent_ms = guard->in.recipe_silent_ms;
    to->front_silent_ms = guard->in.front_silent_ms;
    to->front_gone = guard->in.front_gone;
    to->keeper_silent_ms = guard->in.keeper_silent_ms;
    to->record_late_ms = guard->in.record_late_ms;
    to->away_ms = guard->in.away_ms;
    to->scan_late_ms = guard->in.scan_late_ms;
    to->clock_jump_ms = guard->in.clock_jump_ms;
    to->said_permille = guard->limits.uses_plate ? guard->in.duty_permille : -1;
    to->account_quality = (int32_t)guard->in.account.quality;
    to->account_low_mc = guard->in.account.low_mc;
    to->account_high_mc = guard->in.account.high_mc;
    to->account_unmoved_mc = guard->in.account.unmoved_mc;
    to->account_lead_mc = guard->in.account.board_lead_mc;
    tell_meter(guard, to);
}

static void tell_outputs(const struct guard *guard, struct wire_snapshot *to)
{
    to->granted_heat = guard->out.heat;
    to->granted_mc = guard->out.temp_mc;
    to->granted_ramp_mc_s = guard->out.ramp_mc_s;
    to->granted_fan_pct = guard->out.fan_pct;
    to->granted_supply = guard->out.supply_on;
    to->granted_mv = guard->out.mv;
    to->granted_ma = guard->out.ma;
    bool untold = plate_is_by_hand_alone(guard) || (plate_is_by_hand(guard) && guard->out.heat);
    to->duty_permille = untold ? -1 : guard->drive.duty_permille; /* nobody is here to tell */
    to->wanted_heat = guard->judged.heat;
    to->wanted_mc = guard->judged.temp_mc;
    to->wanted_ramp_mc_s = guard->judged.ramp_mc_s;
    to->wanted_supply = guard->judged.supply_on;
    to->wanted_rail = guard->judged.rail;
    to->wanted_mv = guard->judged.mv;
    to->wanted_ma = guard->judged.ma;
    to->wanted_inject = guard->judged.inject;
    to->wanted_fan_pct = guard->judged.fan_pct;
    to->judged = !guard->ready ? JUDGED_NOT : guard->in.seated ? JUDGED_SEATED : JUDGED_UNSEATED;
    to->hand = (int32_t)guard->want.hand;
    to->beeps = guard->out.beeps;
}

/* Once the run is over nothing of it is to be done or answered any more, whatever it had asked for. */
static uint32_t open_note(const struct guard *guard)
{
    if (guard->mode >= GUARD_COOLING)
        return 0;
    return guard->open_note ? guard->open_note : guard->turn.prompt;
}

/* The answer stands in every snapshot until its prompt closes. */
static void tell_answer(const struct guard *guard, struct wire_snapshot *to)
{
    bool open = guard->turn.prompt != 0 && guard->hand.prompt == guard->turn.prompt;

    to->prompt = open ? guard->hand.prompt : 0;
    to->answer = open ? guard->hand.answer : ANSWER_NONE;
    to->value = open ? guard->hand.value : 0;
    memcpy(to->text, guard->hand.text, sizeof to->text);
    to->nudge_mc = guard->hand.nudge_mc;
    to->nudge_ms = guard->hand.nudge_ms;
    to->open_note = open_note(guard);
    to->stage_note = guard->turn.stage;
}

static void tell_progress(const struct guard *guard, struct wire_snapshot *to, int64_t t_ms)
{
    bool counting = guard->mode == GUARD_COOLING && guard->safe_since_ms >= 0;
    bool molten = guard->mode == GUARD_COOLING && !guard->solid_told;
    int64_t solid_ms = guard->solid_ms - t_ms;
    int64_t park_ms = guard->parking.since_ms + PARK_MOST_MS - t_ms;

    to->held_ms = (int32_t)guard->held_ms;
    to->parked = guard->parking.on;
    to->park_left_ms = guard->parking.on && park_ms > 0 ? (int32_t)park_ms : 0;
    to->safe_ms = counting ? (int32_t)(TOUCH_SAFE_MS - (t_ms - guard->safe_since_ms)) : -1;
    to->solid_ms = !molten ? 0 : solid_ms > 0 ? (int32_t)solid_ms : 1; /* overdue is not solid */
    to->checks_left = guard->mode == GUARD_CHECKING  ? questions_left(guard) + 1
                      : guard->mode == GUARD_SEATING ? 1
                                                     : 0;
    to->wait_ms = guard->turn.wait_ms;
    to->joints = guard->turn.joints;
    memcpy(to->joint, guard->turn.joint, sizeof to->joint);
}

static void guard_tell(struct guard *guard, int64_t t_ms)
{
    struct wire_snapshot *to = &guard->snapshot;
    int64_t left_ms = guard->limits.heat_time_ms - guard->interlock.heat_ms;

    wire_stamp(&to->head, WIRE_SNAPSHOT, to->head.number + 1);
    to->t_ms = t_ms;
    tell_readings(guard, to);
    tell_outputs(guard, to);
    tell_answer(guard, to);
    tell_progress(guard, to, t_ms);
    to->mode = (int32_t)guard->mode;
    to->fired = fired_count(guard);
    to->heat_left_ms = left_ms > 0 ? (int32_t)left_ms : 0;
    to->stop_count = guard->in.stop_count;
    if (guard->config.journal)
        journal_snapshot(guard->config.journal, to, &guard->turn,
                         guard->config.truth_mc ? *guard->config.truth_mc : INT32_MIN);
}

/* One turn of the bench. Each line reads what the line above produced. */
void guard_scan(struct guard *guard, int64_t t_ms)
{
    guard_gather(guard, t_ms); /* bytes -> readings */
    guard_listen(guard, t_ms); /* TURN -> wanted */
    guard_judge(guard, t_ms);  /* -> granted */
    guard_apply(guard, t_ms);  /* granted -> bytes of the next period */
    guard_tell(guard, t_ms);   /* -> snapshot, record */
}

const struct wire_snapshot *guard_snapshot(const struct guard *guard)
{
    return &guard->snapshot;
}

const struct limits *guard_limits(const struct guard *guard)
{
    return &guard->limits;
}

const struct limit_origins *guard_origins(const struct guard *guard)
{
    return &guard->origins;
}

const struct readings *guard_readings(const struct guard *guard)
{
    return &guard->in;
}

enum guard_mode guard_mode(const struct guard *guard)
{
    return guard->mode;
}

const struct guard_trip *guard_trip(const struct guard *guard)
{
    return &guard->trip;
}

void guard_set_watch(struct guard *guard, const struct guard_watch *watch)
{
    guard->watch = *watch;
}

void guard_answer_hello(const struct guard *guard, struct wire_hello *hello)
{
    *hello = guard->hello;
    hello->origins = guard->origins;
    hello->recipe = guard->limits;
    wire_stamp(&hello->head, WIRE_HELLO, 1);
}

const struct tl_error *guard_refusal(const struct guard *guard)
{
    return &guard->refusal;
}

const struct wire_end *guard_recipe_end(const struct guard *guard)
{
    return &guard->recipe_end;
}

bool guard_was_hot(const struct guard *guard)
{
    return guard->interlock.heat_ms > 0 || guard->out.heat;
}

void guard_refuse_run(struct guard *guard, const struct tl_error *why, int64_t t_ms)
{
    guard_refuse(guard, why->code, t_ms, why->text);
}
