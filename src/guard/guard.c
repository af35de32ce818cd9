/* SPDX-License-Identifier: MIT */
#include "guard_private.h"

#include <stdlib.h>
#include <string.h>

/* The one place that assigns the mode. */
static void guard_enter(struct guard *guard, enum guard_event event, int64_t t_ms)
{
    enum guard_mode next = guard_mode_next(guard->mode, event);

    if (next == guard->mode)
        return;
    guard->mode = next;
    if (next == GUARD_COOLING)
        cooling_begin(guard, t_ms);
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
    *out = guard;
    return 0;
}

void guard_free(struct guard *guard)
{
    free(guard);
}

void guard_begin(struct guard *guard, int64_t t_ms)
{
    for (int i = 0; i < guard->config.bench->device_count; i++)
        if (guard->in_use[i])
            device_begin(&guard->device[i], &guard->drive, t_ms);
}

static void port_sent(struct guard *guard, int i, const struct frame *frame)
{
    if (frame->length == 0 || guard->gone[i])
        return;
    /* A line that takes less than a whole frame is as good as cut: its reader gets half a command. */
    if (port_write(guard->config.port[i], frame->bytes, frame->length) != (int)frame->length)
        guard->gone[i] = true;
}

/* Bytes out and in until neither side has more. */
static void pump_device(struct guard *guard, int i, int64_t t_ms)
{
    uint8_t bytes[FRAME_MAX];
    struct frame frame;
    int n;

    device_outbox(&guard->device[i], &frame);
    port_sent(guard, i, &frame);
    while (!guard->gone[i] && (n = port_read(guard->config.port[i], bytes, sizeof bytes)) != 0) {
        if (n < 0) {
            guard->gone[i] = true;
            return;
        }
        device_feed(&guard->device[i], bytes, (size_t)n, t_ms);
        device_outbox(&guard->device[i], &frame);
        port_sent(guard, i, &frame);
    }
}

bool guard_pump(struct guard *guard, int64_t t_ms)
{
    bool settled = true;

    for (int i = 0; i < guard->config.bench->device_count; i++) {
        if (!guard->in_use[i])
            continue;
        pump_device(guard, i, t_ms);
        settled = settled && (guard->gone[i] || device_settled(&guard->device[i]));
    }
    return settled;
}

/* The same bytes that the keeper sends when everybody else is dead. */
static void guard_last_words(struct guard *guard)
{
    for (int i = 0; i < guard->config.bench->device_count; i++) {
        struct frame frame;
        if (!guard->in_use[i])
            continue;
        device_last_words(&guard->config.bench->device[i], &frame);
        port_sent(guard, i, &frame);
    }
}

static void guard_listen(struct guard *guard, int64_t t_ms)
{
    if (guard->mode == GUARD_COOLING)
        cooling_want(guard, t_ms);
    else if (guard->mode == GUARD_ENDED || guard->mode == GUARD_WAITING)
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
    guard_last_words(guard);
    guard_enter(guard, EVENT_TRIP, t_ms);
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
    guard_enter(guard, EVENT_PAUSE, t_ms);
}

static void guard_judge(struct guard *guard, int64_t t_ms)
{
    int32_t rule = -1;

    if (guard->mode == GUARD_WAITING) {
        guard->out = (struct granted){0};
        return;
    }
    interlock_step(&guard->interlock, &guard->limits, &guard->in, &guard->want, t_ms, &guard->out);
    if (guard->interlock.tripped && !guard->trip.tripped)
        guard_tripped(guard, t_ms);
    else if (rule_of_kind_fires(guard, RULE_PAUSE, &rule))
        guard_paused(guard, rule, t_ms);
    else
        guard_enter(guard, EVENT_RESUME, t_ms);
    guard->snapshot.rule = guard->trip.tripped ? (int32_t)guard->trip.rule : rule;
    if (guard->mode == GUARD_COOLING && cooling_over(guard, t_ms))
        guard_enter(guard, EVENT_TOUCH_SAFE, t_ms);
}

static void guard_apply(struct guard *guard, int64_t t_ms)
{
    control_step(&guard->control, &guard->out, &guard->in.plate, guard->limits.ramp_mc_s, t_ms,
                 &guard->drive);
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
    to->wanted_heat = guard->want.heat;
    to->wanted_mc = guard->want.temp_mc;
    to->wanted_supply = guard->want.supply_on;
    to->wanted_fan_pct = guard->want.fan_pct;
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
    to->mode = (int32_t)guard->mode;
    to->fired = fired_count(guard);
    to->heat_left_ms = left_ms > 0 ? (int32_t)left_ms : 0;
    to->stop_count = guard->hand.stop_count;
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

static const struct insert *find_insert(const struct benchfile *bench, const char *name)
{
    for (int32_t i = 0; i < bench->insert_count; i++)
        if (strcmp(bench->insert[i].name, name) == 0)
            return &bench->insert[i];
    return NULL;
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
    const struct insert *insert = find_insert(bench, hello->insert);

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
    for (int id = 0; id < SENSORS && hello->recipe.uses_plate; id++)
        if (bench->sensor[id].present) {
            guard->sensor_in_use[id] = true;
            guard->in_use[bench->sensor[id].device] = true;
        }
    if (hello->recipe.uses_plate)
        guard->in_use[bench->plate_device] = true;
    if (hello->recipe.uses_supply)
        guard->in_use[bench->supply_device] = true;
    control_init(&guard->control, &bench->plate, insert ? insert->capacity_j_k : 0, bench->room_c);
    return 0;
}

static void limits_times(struct guard *guard)
{
    int32_t period_ms = guard->config.bench->period_ms;

    guard->limits.has_plate_2 = guard->sensor_in_use[SENSOR_PLATE_2];
    guard->limits.has_board = guard->sensor_in_use[SENSOR_BOARD];
    guard->limits.stale_ms = 3 * period_ms > STALE_LEAST_MS ? 3 * period_ms : STALE_LEAST_MS;
    guard->limits.silent_ms = SILENT_MS;
    guard->limits.recipe_silent_ms = RECIPE_SILENT_MS;
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
    limits_times(guard);
    const char *wrong = interlock_validate(&guard->limits);
    if (wrong)
        return tl_error_set(error, TL_RANGE, "%s", wrong);
    guard->turn_ms = t_ms;
    if (guard->config.journal)
        journal_limits(guard->config.journal, &guard->limits, &guard->origins);
    guard_enter(guard, EVENT_HELLO, t_ms);
    return 0;
}

static int take_turn(struct guard *guard, const struct wire_turn *turn, int64_t t_ms)
{
    struct wanted want;
    int failed = wire_take_turn(turn, guard->limits.rail_count, &want);

    if (failed || (guard->mode != GUARD_RUNNING && guard->mode != GUARD_PAUSED))
        return failed;
    guard->turn = *turn;
    guard->turn_ms = t_ms;
    guard->want = want;
    return 0;
}

static int take_note(struct guard *guard, const struct wire_note *note, int64_t t_ms)
{
    int failed = wire_check_note(note);

    if (!failed && guard->config.journal)
        journal_note(guard->config.journal, t_ms, note);
    return failed;
}

static int take_hand(struct guard *guard, const struct wire_hand *hand, int64_t t_ms)
{
    int failed = wire_check_hand(hand);

    if (failed)
        return failed;
    bool news = hand->prompt != guard->hand.prompt || hand->answer != guard->hand.answer ||
                hand->stop_count != guard->hand.stop_count;
    guard->hand = *hand;
    if (news && guard->config.journal)
        journal_hand(guard->config.journal, t_ms, hand);
    return 0;
}

static int take_end(struct guard *guard, const struct wire_end *end, int64_t t_ms)
{
    int failed = wire_check_end(end);

    if (!failed)
        guard_enter(guard, EVENT_END, t_ms);
    return failed;
}

/* A peer that breaks the rules is not listened to again: everything off. */
static int broken_peer(struct guard *guard, int64_t t_ms, struct tl_error *error)
{
    if (guard->config.journal)
        journal_event(guard->config.journal, t_ms, "peer", "a message broke the rules");
    guard_last_words(guard);
    guard_enter(guard, EVENT_TRIP, t_ms);
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
