/* SPDX-License-Identifier: MIT */
/* Before the first heat: every instrument answers, and a person answers the questions; then comes the seat test
 * (seat.c). The guard asks, not the recipe. */
#include "guard_private.h"

#include <stdio.h>
#include <string.h>

enum { READY_MS = 3000 }; /* for every instrument to answer at the start */

/* When a question is asked: always, before heat, before heat that one sensor watches, when the last run could stand for
 * the seat test, before the seat test, before a warm start. */
enum asked { ALWAYS, HEAT, ONE_SENSOR, OFFER, COLD, WARM };

/* The mandatory questions; the bench file adds its own. The last two go on from the insert's name. */
static const struct {
    enum asked when;
    const char *text;
} questions[] = {
    {ALWAYS, "Is the battery or cell out of the unit, and well away from the plate?"},
    {HEAT, "Is the extraction on, and are solvents and everything that burns away from the plate?"},
    {ONE_SENSOR,
     "Does an independent thermal cut-out stand behind this plate? no: the run goes on without "
     "one, and you stay beside it."},
    {OFFER,
     "Was the thermocouple, its mount or the insert touched since then? yes: the plate is emptied, "
     "as for a first run; no: warm start, the board may lie in place."},
    {HEAT, "Is the thermocouple seated in the plate, pressed home and held?"},
    {COLD, "is it the one fitted, and is the plate empty: no board on it yet?"},
    {WARM, "is it still fitted, and nothing on it but the board?"},
};
enum { QUESTIONS = sizeof questions / sizeof questions[0] };

void guard_say(struct guard *guard, enum note_kind kind, int64_t t_ms, const char *text)
{
    struct wire_note note = {.note = (int32_t)kind};

    guard->notes++;
    wire_stamp(&note.head, WIRE_NOTE, NOTE_GUARD + guard->notes);
    snprintf(note.text, sizeof note.text, "%s", text);
    if (guard->config.say)
        guard->config.say(guard->config.context, &note);
    if (guard->config.journal)
        journal_event(guard->config.journal, t_ms, note_kind_name(note.note), note.text);
}

static int question_count(const struct guard *guard)
{
    return QUESTIONS + guard->config.bench->question_count;
}

static bool is_asked(const struct guard *guard, enum asked when)
{
    if (when == ALWAYS || !guard->limits.uses_plate)
        return when == ALWAYS;
    switch (when) {
    case ONE_SENSOR:
        return !guard->limits.has_plate_2;
    case OFFER:
        return guard->warm.offered;
    case COLD:
        return !guard->warm.taken;
    case WARM:
        return guard->warm.taken;
    case ALWAYS:
    case HEAT:
        break;
    }
    return true;
}

static const char *question_text(const struct guard *guard, int i)
{
    if (i < QUESTIONS)
        return is_asked(guard, questions[i].when) ? questions[i].text : NULL;
    return is_asked(guard, HEAT) ? guard->config.bench->question[i - QUESTIONS] : NULL;
}

int32_t questions_left(const struct guard *guard)
{
    int32_t left = 0;

    for (int i = guard->question; i < question_count(guard); i++)
        left += question_text(guard, i) != NULL;
    return left;
}

void guard_refuse(struct guard *guard, enum tl_err code, int64_t t_ms, const char *text)
{
    tl_error_set(&guard->refusal, code, "%s", text);
    guard_say(guard, NOTE_FAULT, t_ms, text);
    guard_enter(guard, EVENT_END, t_ms);
    if (guard->limits.uses_plate &&
        !touch_safe(guard)) /* hot from a seat test, or from a run before */
        guard_say(guard, NOTE_HANDS, t_ms, guard->trip.hands);
}

static void ask(struct guard *guard, int64_t t_ms, const char *text)
{
    guard_say(guard, NOTE_CHECK, t_ms, text);
    guard->open_note = NOTE_GUARD + guard->notes;
}

static void ask_of_the_list(struct guard *guard, int64_t t_ms, const char *question)
{
    bool of_insert = guard->question < QUESTIONS && (questions[guard->question].when == COLD ||
                                                     questions[guard->question].when == WARM);
    char text[BENCH_TEXT];

    snprintf(text, sizeof text, "%s%s%s%s", of_insert ? "Insert " : "",
             of_insert ? guard->insert->name : "", of_insert ? ": " : "", question);
    ask(guard, t_ms, text);
}

/* After the last question: by now every sensor is where it is to be, and the battery is out. */
static void hold_against_room(struct guard *guard, int64_t t_ms)
{
    char text[BENCH_TEXT];

    guard->open_note = 0;
    if (board_is_fed(guard, text, sizeof text) || room_is_undercut(guard, text, sizeof text)) {
        guard_refuse(guard, TL_LIMIT, t_ms, text);
    } else if (!guard->cold_asked && room_is_cold(guard, text, sizeof text)) {
        guard->cold_asked = true;
        ask(guard, t_ms, text);
    } else if (!guard->warmth_asked && room_is_exceeded(guard, text, sizeof text)) {
        guard->warmth_asked = true;
        ask(guard, t_ms, text);
    } else
        guard_enter(guard, EVENT_CHECKED, t_ms);
}

/* Nobody is asked; of a bench that has lain in its room each answer would be no. How cold a room may be is not asked of
 * one that is stated so. */
static void start_armed(struct guard *guard, int64_t t_ms)
{
    static const char asks[] = "a start would ask: ";
    char text[sizeof asks + BENCH_TEXT];
    char *question = text + sizeof asks - 1;

    memcpy(text, asks, sizeof asks);
    if (guard->config.rested && board_is_fed(guard, question, BENCH_TEXT))
        guard_refuse(guard, TL_LIMIT, t_ms, question);
    else if (guard->config.rested && (room_is_cold(guard, question, BENCH_TEXT) ||
                                      room_is_exceeded(guard, question, BENCH_TEXT)))
        guard_refuse(guard, TL_LIMIT, t_ms, text);
    else
        guard_enter(guard, EVENT_CHECKED, t_ms);
}

static void ask_next(struct guard *guard, int64_t t_ms)
{
    const char *text = NULL;

    while (guard->question < question_count(guard) &&
           (text = question_text(guard, guard->question)) == NULL)
        guard->question++;
    if (text)
        ask_of_the_list(guard, t_ms, text);
    else
        hold_against_room(guard, t_ms);
}

static bool holds_on_by_itself(const struct guard *guard)
{
    const struct benchfile *bench = guard->config.bench;
    const struct device_config *plate = &bench->device[bench->plate_device];

    return plate->kind == DEVICE_CONTROLLER && plate->silence_ms == 0 && bench->cutoff_device < 0;
}

static bool plate_sensors_share_an_instrument(const struct benchfile *bench)
{
    return bench->sensor[SENSOR_PLATE].device == bench->sensor[SENSOR_PLATE_2].device;
}

/* Say once what this bench cannot protect against; it is no question, and no answer makes it safer. */
static void say_what_is_open(struct guard *guard, int64_t t_ms)
{
    if (!guard->limits.uses_plate)
        return;
    if (!guard->limits.has_plate_2)
        guard_say(
            guard, NOTE_WARN, t_ms,
            "One plate sensor: a slip to 60 % of the rise or more can go unseen; at 200 C the "
            "plate is then up to 120 K hotter, after a slip in the cold up to 270 K. Only an "
            "independent thermal cut-out ends that.");
    else if (plate_sensors_share_an_instrument(guard->config.bench))
        guard_say(guard, NOTE_WARN, t_ms,
                  "Both plate sensors hang on one instrument: what it gets wrong, a cold junction "
                  "that drifts, both show alike, and the plate is as much hotter unseen.");
    if (!seat_can_be_proved(guard))
        guard_say(
            guard, NOTE_WARN, t_ms,
            "This plate regulates itself: whether its sensor is seated is not provable here.");
    if (holds_on_by_itself(guard))
        guard_say(guard, NOTE_WARN, t_ms,
                  "This plate holds its set-point when the program or its line is lost: it has no "
                  "silence timer and no cut-off. Then pull its plug.");
    if (plate_is_by_hand(guard) && guard->config.bench->cutoff_device < 0)
        guard_say(
            guard, NOTE_WARN, t_ms,
            "This plate has no port and no cut-off: the program cannot switch it off. You can.");
}

/* It says who it is, and nothing holds that against a name. */
static bool takes_any(const struct device_config *device)
{
    return !device->identity[0] &&
           (device->kind == DEVICE_LINE || device->kind == DEVICE_SCPI_SUPPLY ||
            device->kind == DEVICE_SCPI_METER);
}

/* What has no identity question, or answers it as it likes, is what its owner says it is: said at every start. */
static void say_who_vouches(struct guard *guard, int64_t t_ms)
{
    for (int i = 0; i < guard->config.bench->device_count; i++) {
        const struct device_config *device = &guard->config.bench->device[i];
        char text[BENCH_TEXT];
        if (!guard->in_use[i] || (!device->owner_vouches && !takes_any(device)))
            continue;
        snprintf(text, sizeof text,
                 device->owner_vouches
                     ? "No identity answer from [%s]: what hangs on its port is its owner's word."
                     : "The bench file states no identity for [%s]: any such instrument on its "
                       "port is taken, on its owner's word.",
                 device->name);
        guard_say(guard, NOTE_WARN, t_ms, text);
    }
}

static void say_which_names_may_change(struct guard *guard, int64_t t_ms)
{
    for (int i = 0; i < BENCH_PORTS; i++)
        if (guard->config.doubt[i] && guard->config.doubt[i][0])
            guard_say(guard, NOTE_WARN, t_ms, guard->config.doubt[i]);
}

/* A disk that was asleep is awake within seconds. One that takes half a minute keeps no record either. */
bool latch_is_awaited(struct guard *guard, int64_t t_ms)
{
    enum { TOLD_MS = 1000, MOST_MS = 30000 };
    int32_t for_ms = guard->watch.arming_ms;

    if (for_ms >= MOST_MS)
        guard_refuse(guard, TL_FILE, t_ms,
                     "the latch cannot be armed against a crash: the disk has not answered for "
                     "30 s");
    else if (for_ms >= TOLD_MS && !guard->disk_told) {
        guard->disk_told = true;
        guard_say(guard, NOTE_STATE, t_ms,
                  "The disk takes its time; nothing is switched on before the latch is on it.");
    }
    return for_ms > 0;
}

/* A hasty yes never leads to a warm start; and who has no cut-out may say so, since the answer is kept. */
static void take_answer(struct guard *guard, int64_t t_ms)
{
    bool listed = guard->question < QUESTIONS;
    bool offer = listed && questions[guard->question].when == OFFER;
    bool cutout = listed && questions[guard->question].when == ONE_SENSOR;

    if (guard->hand.answer == ANSWER_NO && !offer && !cutout) {
        guard_refuse(
            guard, TL_LIMIT, t_ms,
            guard->warmth_asked ? "the plate was not heated, so it cannot read this: " ROOM_CAUSES
            : guard->cold_asked ? "it is not as cold as that, so it cannot read this: " ROOM_CAUSES
                                : "a question before the start was answered no");
        return;
    }
    if (guard->hand.answer != ANSWER_YES && guard->hand.answer != ANSWER_NO)
        return;
    if (offer)
        guard->warm.taken = guard->hand.answer == ANSWER_NO;
    if (cutout && guard->hand.answer == ANSWER_NO)
        guard_say(guard, NOTE_WARN, t_ms,
                  "No independent cut-out: nothing but you ends what the sensor cannot see. Stay "
                  "beside the plate, with the mains plug within reach.");
    guard->question++;
    ask_next(guard, t_ms);
}

void checking_step(struct guard *guard, int64_t t_ms)
{
    if (!guard->ready) {
        char missing[BENCH_TEXT];
        if (missing_first(guard, READY_MS, missing, sizeof missing)) {
            if (t_ms - guard->hello_ms > READY_MS)
                guard_refuse(guard, TL_DEVICE, t_ms, missing);
            return;
        }
        guard->ready = true;
        if (guard->config.armed) {
            start_armed(guard, t_ms);
            return;
        }
        say_what_is_open(guard, t_ms);
        say_who_vouches(guard, t_ms);
        say_which_names_may_change(guard, t_ms);
        warm_offer(guard, t_ms);
        ask_next(guard, t_ms);
        return;
    }
    char why[BENCH_TEXT];
    if (room_heats(guard, t_ms, why, sizeof why))
        guard_refuse(guard, TL_DEVICE, t_ms, why);
    else if (guard->open_note != 0 && guard->hand.prompt == guard->open_note)
        take_answer(guard, t_ms);
}
