/* SPDX-License-Identifier: MIT */
/* What recipe and front say to the guard, and what it takes of that; which kind may come when, permit.c says. */
#include "guard_private.h"

#include <stdio.h>
#include <string.h>

/* What a run touches; what it does not touch is neither asked nor driven, and its port stays free. */
static void devices_needed(const struct benchfile *bench, const struct wire_hello *hello,
                           bool need[BENCH_DEVICES])
{
    bool heats = hello->recipe.uses_plate, feeds = hello->recipe.uses_supply;
    const struct {
        int32_t device;
        bool used;
    } roles[] = {
        {bench->plate_device, heats},  {bench->cutoff_device, heats},
        {bench->supply_device, feeds}, {bench->meter_device, hello->uses_meter},
        {bench->inputs_device, true},
    };

    memset(need, 0, BENCH_DEVICES * sizeof need[0]);
    for (size_t i = 0; i < sizeof roles / sizeof roles[0]; i++)
        if (roles[i].used && roles[i].device >= 0)
            need[roles[i].device] = true;
    for (int id = 0; id < SENSORS && heats; id++)
        if (bench->sensor[id].present)
            need[bench->sensor[id].device] = true;
}

void guard_ports_needed(const struct benchfile *bench, const struct wire_hello *hello,
                        bool need[BENCH_PORTS])
{
    bool device[BENCH_DEVICES];

    memset(need, 0, BENCH_PORTS * sizeof need[0]);
    devices_needed(bench, hello, device);
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
    devices_needed(bench, hello, guard->in_use);
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
    if (want.supply_on && !leads_may_be_on(guard, want.rail)) /* the recipe's process has to ask */
        return TL_BAD;
    /* One that answers an old snapshot again is no sign of life: nobody looks at the new ones. */
    if (turn->head.number != guard->turn.head.number)
        guard->turn_ms = t_ms;
    guard->turn = *turn;
    want.hand = attend_hands(guard, want.hand, t_ms);
    want.beeps += guard->beeps;
    if (!guard->config.bench->has_fan)
        want.fan_pct = 0;
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
    struct wire_hand now = *hand;
    attend_keep_answer(guard, &now);
    bool news = now.prompt != guard->hand.prompt || now.answer != guard->hand.answer ||
                now.stop_count != guard->hand.stop_count || now.nudge_mc != guard->hand.nudge_mc ||
                now.nudge_ms != guard->hand.nudge_ms;
    guard->stops += now.stop_count != guard->hand.stop_count;
    guard->hand = now;
    if (news && guard->config.journal)
        journal_hand(guard->config.journal, t_ms, &now);
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
    if (ran && (end->code != 0 || plate_is_by_hand_alone(guard)))
        guard_say(guard, NOTE_HANDS, t_ms, guard->trip.hands);
    if (ran && end->code != 0) {
        char text[BENCH_TEXT]; /* its words never stand as the guard's own */
        snprintf(text, sizeof text, "the recipe failed: %.*s", (int)sizeof text - 24, end->text);
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
