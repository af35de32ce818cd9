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
    if (event == EVENT_SEATED)
        guard->turn_ms = t_ms; /* only now is the recipe spoken to */
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

static void guard_tripped(struct guard *guard, int64_t t_ms)
{
    struct guard_trip *trip = &guard->trip;

    trip->tripped = true;
    trip->rule = guard->interlock.first_out;
    trip->at_ms = t_ms;
    interlock_explain(trip->rule, &guard->limits, &guard->in, &guard->want,
                      guard->interlock.heat_ms, &trip->words);
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
    char hands[BENCH_TEXT];

    if (guard->disobeyed || !guard->interlock.state[HEAT_UNCOMMANDED].latched)
        return;
    guard->disobeyed = true;
    if (guard->trip.rule == HEAT_UNCOMMANDED)
        return;
    interlock_explain(HEAT_UNCOMMANDED, &guard->limits, &guard->in, &guard->want,
                      guard->interlock.heat_ms, &words);
    if (guard->config.journal)
        journal_rule(guard->config.journal, t_ms, HEAT_UNCOMMANDED, &words);
    cooling_hands(guard, t_ms, hands, sizeof hands);
    guard_say(guard, NOTE_HANDS, t_ms, hands);
    guard_say(guard, NOTE_FAULT, t_ms, words.what);
}

/* A pause is recorded when it begins; its end shows as a change of mode. */
static void guard_paused(struct guard *guard, int32_t rule, int64_t t_ms)
{
    struct rule_words words;

    if (guard->mode != GUARD_RUNNING)
        return;
    interlock_explain((enum rule_id)rule, &guard->limits, &guard->in, &guard->want,
                      guard->interlock.heat_ms, &words);
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
        interlock_explain(id, &guard->limits, &guard->in, &guard->want, guard->interlock.heat_ms,
                          &words);
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
    to->meter_kind = (int32_t)guard->in.meter.kind;
    to->meter_quality = (int32_t)guard->in.meter.quality;
    to->meter_value = (double)guard->in.meter.micro / 1e6;
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
    to->duty_permille = guard->drive.duty_permille;
    to->wanted_heat = guard->judged.heat;
    to->wanted_mc = guard->judged.temp_mc;
    to->wanted_ramp_mc_s = guard->judged.ramp_mc_s;
    to->wanted_supply = guard->judged.supply_on;
    to->wanted_rail = guard->judged.rail;
    to->wanted_mv = guard->judged.mv;
    to->wanted_ma = guard->judged.ma;
    to->wanted_inject = guard->judged.inject;
    to->wanted_fan_pct = guard->judged.fan_pct;
    to->judged = guard->ready;
    to->hand = (int32_t)guard->want.hand;
    to->beeps = guard->out.beeps;
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
    to->open_note = guard->open_note ? guard->open_note : guard->turn.prompt;
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

/* What a run touches; what it does not touch is neither asked nor driven, and its port stays free. */
static void devices_needed(const struct benchfile *bench, bool heats, bool feeds,
                           bool need[BENCH_DEVICES])
{
    const int32_t for_heat[] = {bench->plate_device, bench->cutoff_device};
    const int32_t for_feeding[] = {bench->supply_device, bench->meter_device};

    memset(need, 0, BENCH_DEVICES * sizeof need[0]);
    for (int i = 0; i < 2; i++) {
        if (heats && for_heat[i] >= 0)
            need[for_heat[i]] = true;
        if (feeds && for_feeding[i] >= 0)
            need[for_feeding[i]] = true;
    }
    for (int id = 0; id < SENSORS && heats; id++)
        if (bench->sensor[id].present)
            need[bench->sensor[id].device] = true;
    if (bench->inputs_device >= 0)
        need[bench->inputs_device] = true;
}

void guard_ports_needed(const struct benchfile *bench, bool heats, bool feeds,
                        bool need[BENCH_PORTS])
{
    bool device[BENCH_DEVICES];

    memset(need, 0, BENCH_PORTS * sizeof need[0]);
    devices_needed(bench, heats, feeds, device);
    for (int i = 0; i < bench->device_count; i++)
        if (device[i] && bench->device[i].port >= 0)
            need[bench->device[i].port] = true;
}

static int insert_missing(const struct benchfile *bench, const char *name, struct tl_error *error)
{
    const char *names[BENCH_INSERTS + 1] = {0};

    for (int32_t i = 0; i < bench->insert_count; i++)
        names[i] = bench->insert[i].name;
    const char *near = tl_nearest(name, names);
    tl_error_set(error, TL_MISSING,
                 "the recipe needs the insert \"%s\"; this bench does not have it", name);
    tl_error_token(error, name);
    if (near)
        tl_error_hint(error, "did you mean \"%s\"?", near);
    else
        tl_error_hint(error, "add a section [insert %s] to the bench file if you have it", name);
    return TL_MISSING;
}

/* Mark what this run touches; what it does not touch is neither asked nor driven. */
static int guard_engage(struct guard *guard, const struct wire_hello *hello, struct tl_error *error)
{
    const struct benchfile *bench = guard->config.bench;
    const struct insert *insert = benchfile_insert(bench, hello->insert);

    guard->limits.uses_plate = hello->recipe.uses_plate;
    guard->limits.uses_supply = hello->recipe.uses_supply;
    if (hello->recipe.uses_plate && !insert) {
        return insert_missing(bench, hello->insert, error);
    }
    if (hello->recipe.uses_plate &&
        (bench->plate_device < 0 || !bench->sensor[SENSOR_PLATE].present))
        return tl_error_set(error, TL_DEVICE, "the recipe heats; this bench has no plate");
    if (hello->recipe.uses_supply && bench->supply_device < 0)
        return tl_error_set(error, TL_DEVICE, "the recipe feeds a rail; this bench has no supply");
    devices_needed(bench, hello->recipe.uses_plate, hello->recipe.uses_supply, guard->in_use);
    for (int id = 0; id < SENSORS; id++)
        guard->sensor_in_use[id] = hello->recipe.uses_plate && bench->sensor[id].present;
    guard->insert = insert;
    guard->hello = *hello;
    control_init(&guard->control, &bench->plate, insert ? insert->capacity_j_k : 0, bench->room_c);
    account_init(&guard->account, &bench->plate, insert, bench->room_c);
    return 0;
}

void guard_time_limits(struct guard *guard)
{
    int32_t period_ms = guard->config.bench->period_ms;

    guard->limits.has_plate_2 = guard->sensor_in_use[SENSOR_PLATE_2];
    guard->limits.has_board = guard->sensor_in_use[SENSOR_BOARD];
    guard->limits.stale_ms = 3 * period_ms > STALE_LEAST_MS ? 3 * period_ms : STALE_LEAST_MS;
    guard->limits.silent_ms = SILENT_MS;
    guard->limits.scan_late_ms = LATE_PERIODS * period_ms;
    guard->limits.recipe_silent_ms = RECIPE_SILENT_MS;
    guard->limits.presence_ms = guard->config.bench->presence_ms + PRESENCE_ANSWER_MS;
}

static int take_hello(struct guard *guard, const struct wire_hello *hello, int64_t t_ms,
                      struct tl_error *error)
{
    const struct benchfile *bench = guard->config.bench;
    enum limit_id id;

    limits_tighten(&guard->limits, &guard->origins, &bench->limits, LAYER_BENCH, bench->limit_line);
    limits_tighten(&guard->limits, &guard->origins, &hello->board, LAYER_BOARD, NULL);
    int failed = limits_check(&guard->limits, &guard->origins, &hello->recipe, &id, error);
    if (failed)
        return failed;
    limits_tighten(&guard->limits, &guard->origins, &hello->recipe, LAYER_RECIPE, NULL);
    failed = guard_engage(guard, hello, error);
    if (failed)
        return failed;
    guard_time_limits(guard);
    char text[BENCH_TEXT];
    const char *wrong = interlock_validate(&guard->limits, text);
    if (wrong) /* this build is at fault, no file is */
        return tl_error_set(error, TL_SYSTEM, "the interlock is not whole: %s", wrong);
    guard->turn_ms = t_ms;
    guard->hello_ms = t_ms;
    guard->present_ms = t_ms;
    if (guard->config.journal)
        journal_limits(guard->config.journal, &guard->limits, &guard->origins);
    interlock_begin(&guard->interlock, 0); /* a press before the first scan is one too */
    guard_enter(guard, EVENT_HELLO, t_ms);
    return 0;
}

static int take_turn(struct guard *guard, const struct wire_turn *turn, int64_t t_ms)
{
    struct wanted want;
    int failed = wire_take_turn(turn, guard->limits.rail_count, &want);

    if (failed || (guard->mode != GUARD_RUNNING && guard->mode != GUARD_PAUSED))
        return failed;
    /* One that answers an old snapshot again is no sign of life: nobody looks at the new ones. */
    if (turn->head.number != guard->turn.head.number)
        guard->turn_ms = t_ms;
    guard->turn = *turn;
    guard->want = want;
    guard->powered |= want.heat || want.supply_on;
    return 0;
}

static int take_note(struct guard *guard, const struct wire_note *note, int64_t t_ms)
{
    int failed = wire_check_note(note);

    if (failed)
        return failed;
    if (guard->config.journal)
        journal_note(guard->config.journal, t_ms, note);
    if (guard->config.say)
        guard->config.say(guard->config.context, note);
    return 0;
}

static int take_hand(struct guard *guard, const struct wire_hand *hand, int64_t t_ms)
{
    int failed = wire_check_hand(hand);

    if (failed)
        return failed;
    bool news = hand->prompt != guard->hand.prompt || hand->answer != guard->hand.answer ||
                hand->stop_count != guard->hand.stop_count ||
                hand->nudge_mc != guard->hand.nudge_mc || hand->nudge_ms != guard->hand.nudge_ms;
    guard->stops += hand->stop_count != guard->hand.stop_count;
    guard->hand = *hand;
    if (news && guard->config.journal)
        journal_hand(guard->config.journal, t_ms, hand);
    return 0;
}

static int take_end(struct guard *guard, const struct wire_end *end, int64_t t_ms)
{
    int failed = wire_check_end(end);

    if (failed)
        return failed;
    if (guard->recipe_end.code == TL_MORE)
        guard->recipe_end = *end; /* the first word counts */
    bool ran = guard->mode > GUARD_CHECKING && guard->mode < GUARD_COOLING; /* or was tested */
    if (guard->mode == GUARD_CHECKING && !guard->ready && end->code == 0)   /* that is not done */
        tl_error_set(&guard->refusal, TL_DEVICE, "the run ended before every instrument answered");
    guard_enter(guard, EVENT_END, t_ms);
    if (ran && end->code != 0) {
        char text[BENCH_TEXT]; /* its words never stand as the guard's own */
        snprintf(text, sizeof text, "the recipe failed: %.*s", (int)sizeof text - 24, end->text);
        guard_say(guard, NOTE_HANDS, t_ms, guard->trip.hands);
        guard_say(guard, NOTE_FAULT, t_ms, text);
    }
    return 0;
}

/* A peer that breaks the rules is not listened to again: everything off. */
static int broken_peer(struct guard *guard, int64_t t_ms, struct tl_error *error)
{
    if (guard->config.journal)
        journal_event(guard->config.journal, t_ms, "peer", "a message broke the rules");
    bool ran = guard->mode > GUARD_CHECKING && guard->mode < GUARD_COOLING;
    guard_enter(guard, EVENT_TRIP, t_ms);
    if (ran)
        guard_say(guard, NOTE_HANDS, t_ms, guard->trip.hands);
    return tl_error_set(error, TL_BAD, "a message to the guard broke the rules");
}

int guard_receive(struct guard *guard, const void *message, size_t size, int64_t t_ms,
                  struct tl_error *error)
{
    struct wire_head head;
    int failed = TL_BAD;

    if (size < sizeof head)
        return broken_peer(guard, t_ms, error);
    memcpy(&head, message, sizeof head);
    if (head.version != WIRE_VERSION || size != wire_size(head.kind) ||
        !guard_permits(guard->mode, head.kind))
        return broken_peer(guard, t_ms, error);
    switch ((enum wire_kind)head.kind) {
    case WIRE_HELLO:
        if (!wire_check_hello(message))
            return take_hello(guard, message, t_ms, error);
        break;
    case WIRE_TURN:
        failed = take_turn(guard, message, t_ms);
        break;
    case WIRE_NOTE:
        failed = take_note(guard, message, t_ms);
        break;
    case WIRE_HAND:
        failed = take_hand(guard, message, t_ms);
        break;
    case WIRE_END:
        failed = take_end(guard, message, t_ms);
        break;
    case WIRE_SNAPSHOT:
    case WIRE_KINDS:
        break;
    }
    return failed ? broken_peer(guard, t_ms, error) : 0;
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
