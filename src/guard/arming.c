/* SPDX-License-Identifier: MIT */
/* Before the first heat: every instrument answers, a person answers the questions, and a pulse of heat into the
 * empty plate shows that the thermocouple sits where it should. The guard asks, not the recipe. */
#include "guard_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum {
    READY_MS = 3000, /* for every instrument to answer at the start */
    /* No pulse on a plate warmer than this: wait until it is cooler. Its cooling proves nothing: a sensor that
     * shows a share of the rise shows the same share of the fall, so that reading and fall fit at any share. */
    PULSE_BELOW_MC = 60000,
    PULSE_MOST_MC = 60000, /* what the pulse may ask for above its start; it is over long before */
    PULSE_RISE_C = 25,
    RISE_LEAST_PERMILLE =
        890, /* a coupling of 0.80 or less shows at mains 5 % off the learned day */
    RISE_MOST_PERMILLE = 1150,
    /* A plate by hand is set to this by its own knob, from well below it. */
    HAND_SET_MC = 60000,
    HAND_BELOW_MC = 40000,
    HAND_STILL_MC = 3000, /* it has settled when the reading stays within this ... */
    HAND_STILL_MS = 20000,
    HAND_MOST_MS = 600000, /* ... and no plate needs longer to 60 C */
};

/* When a question is asked: always, before heat, when the last run could stand for the seat test, before the
 * seat test, before a warm start. */
enum asked { ALWAYS, HEAT, OFFER, COLD, WARM };

/* The mandatory questions; the bench file adds its own. The last two go on from the insert's name. */
static const struct {
    enum asked when;
    const char *text;
} questions[] = {
    {ALWAYS, "Is the battery or cell out of the unit, and well away from the plate?"},
    {HEAT, "Is the extraction on, and are solvents and everything that burns away from the plate?"},
    {OFFER,
     "Was the thermocouple, its mount or the insert touched since then? yes: the plate is emptied "
     "for the seat test; no: warm start, the board may lie in place."},
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

static bool everything_reads(const struct guard *guard)
{
    for (int id = 0; id < SENSORS; id++)
        if (guard->sensor_in_use[id] && guard->in.sensor[id].quality != QUALITY_GOOD)
            return false;
    int32_t inputs = guard->config.bench->inputs_device;
    if (inputs >= 0 && guard->device[inputs].inputs.stop)
        return false; /* pressed, cut, or not seen yet */
    return !guard->limits.uses_supply || guard->in.supply.quality == QUALITY_GOOD;
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

static void ask(struct guard *guard, int64_t t_ms, const char *question)
{
    bool of_insert = guard->question < QUESTIONS && (questions[guard->question].when == COLD ||
                                                     questions[guard->question].when == WARM);
    char text[BENCH_TEXT];

    snprintf(text, sizeof text, "%s%s%s%s", of_insert ? "Insert " : "",
             of_insert ? guard->insert->name : "", of_insert ? ": " : "", question);
    guard_say(guard, NOTE_CHECK, t_ms, text);
    guard->open_note = NOTE_GUARD + guard->notes;
}

static void ask_next(struct guard *guard, int64_t t_ms)
{
    const char *text = NULL;

    while (guard->question < question_count(guard) &&
           (text = question_text(guard, guard->question)) == NULL)
        guard->question++;
    if (text) {
        ask(guard, t_ms, text);
        return;
    }
    guard->open_note = 0;
    guard_enter(guard, EVENT_CHECKED, t_ms);
}

/* Say once what this bench cannot protect against; it is no question, and no answer makes it safer. */
static void say_what_is_open(struct guard *guard, int64_t t_ms)
{
    if (!guard->limits.uses_plate)
        return;
    if (!guard->limits.has_plate_2)
        guard_say(
            guard, NOTE_WARN, t_ms,
            "One plate sensor: a slip to 80 % of the rise or more can go unseen; at 200 C the "
            "plate is then up to 50 K hotter, after a slip in the cold up to 260 K. An "
            "independent thermal cut-out has to stand behind it.");
    if (plate_is_by_hand(guard) && guard->config.bench->cutoff_device < 0)
        guard_say(
            guard, NOTE_WARN, t_ms,
            "This plate has no port and no cut-off: the program cannot switch it off. You can.");
}

/* What has no identity question is what its owner says it is: said at every start. */
static void say_who_vouches(struct guard *guard, int64_t t_ms)
{
    for (int i = 0; i < guard->config.bench->device_count; i++) {
        const struct device_config *device = &guard->config.bench->device[i];
        char text[BENCH_TEXT];
        if (!guard->in_use[i] || !device->owner_vouches)
            continue;
        snprintf(text, sizeof text,
                 "No identity answer from [%s]: what hangs on its port is its owner's word.",
                 device->name);
        guard_say(guard, NOTE_WARN, t_ms, text);
    }
}

/* A hasty yes never leads to a warm start. */
static void take_answer(struct guard *guard, int64_t t_ms)
{
    bool offer = guard->question < QUESTIONS && questions[guard->question].when == OFFER;

    if (guard->hand.answer == ANSWER_NO && !offer) {
        guard_refuse(guard, TL_LIMIT, t_ms, "a question before the start was answered no");
        return;
    }
    if (guard->hand.answer != ANSWER_YES && guard->hand.answer != ANSWER_NO)
        return;
    if (offer)
        guard->warm.taken = guard->hand.answer == ANSWER_NO;
    guard->question++;
    ask_next(guard, t_ms);
}

void checking_step(struct guard *guard, int64_t t_ms)
{
    if (!guard->ready) {
        if (!everything_reads(guard)) {
            if (t_ms - guard->hello_ms > READY_MS)
                guard_refuse(guard, TL_DEVICE, t_ms,
                             "an instrument or sensor that the recipe uses does not answer, or "
                             "stop is pressed");
            return;
        }
        guard->ready = true;
        if (guard->config.armed) {
            guard_enter(guard, EVENT_CHECKED, t_ms);
            return;
        }
        say_what_is_open(guard, t_ms);
        say_who_vouches(guard, t_ms);
        warm_offer(guard, t_ms);
        ask_next(guard, t_ms);
        return;
    }
    if (guard->open_note != 0 && guard->hand.prompt == guard->open_note)
        take_answer(guard, t_ms);
}

/* ---- the seat test -------------------------------------------------------------------------- */

/* Duty that keeps an empty plate well below the ramp limit, so that the test is not itself a fault. */
static double pulse_duty(const struct guard *guard, double heat_j_k)
{
    double most_w = 0.8 * guard->limits.ramp_mc_s / 1000.0 * heat_j_k;

    return fmin(1.0, most_w / guard->config.bench->plate.watts);
}

/* What the reading should rise by: the plate's constants played forward, pulse and settling. A rise learned on
 * this bench, where there is one, takes its place. */
static double model_rise_c(const struct guard *guard, double heat_j_k, double duty, double pulse_s,
                           double settle_s)
{
    const struct plate *plate = &guard->config.bench->plate;
    double element_w = 0, plate_c = 0, reading_c = 0, highest_c = 0;
    const double dt_s = 0.05;

    for (double t_s = 0; t_s < pulse_s + settle_s; t_s += dt_s) {
        double watts = t_s < pulse_s ? duty * plate->watts : 0;
        element_w += (watts - element_w) * fmin(1, dt_s / fmax(plate->element_lag_s, dt_s));
        plate_c += (element_w - plate->loss_w_k * plate_c) * dt_s / heat_j_k;
        reading_c += (plate_c - reading_c) * fmin(1, dt_s / fmax(plate->sensor_lag_s, dt_s));
        highest_c = fmax(highest_c, reading_c);
    }
    return highest_c;
}

static bool can_be_proved(const struct guard *guard)
{
    const struct benchfile *bench = guard->config.bench;
    const struct device_config *plate = &bench->device[bench->plate_device];

    return plate->kind != DEVICE_CONTROLLER && !plate->regulates;
}

static void seat_plan(struct guard *guard)
{
    const struct plate *plate = &guard->config.bench->plate;
    const struct insert *insert = guard->insert;
    double heat_j_k = plate->capacity_j_k + insert->capacity_j_k;
    double duty = pulse_duty(guard, heat_j_k);
    double settle_s = 2 + 4 * (plate->element_lag_s + plate->sensor_lag_s);
    double pulse_s = insert->seat_pulse_s;

    if (!(pulse_s > 0))
        pulse_s = PULSE_RISE_C * heat_j_k / (duty * plate->watts);
    guard->seat.duty_permille = (int32_t)lround(1000 * duty);
    guard->seat.pulse_ms = (int64_t)(1000 * pulse_s);
    guard->seat.settle_ms = (int64_t)(1000 * settle_s);
    guard->seat.rise_c = insert->seat_rise_c > 0
                             ? insert->seat_rise_c
                             : model_rise_c(guard, heat_j_k, duty, pulse_s, settle_s);
}

static void seat_begin(struct guard *guard, int64_t t_ms)
{
    char text[BENCH_TEXT];

    guard->seat.begun_ms = t_ms;
    for (int id = 0; id < PLATE_SENSORS; id++)
        guard->seat.start_mc[id] = guard->seat.highest_mc[id] = guard->in.sensor[id].temp_mc;
    guard->seat.on = true;
    snprintf(text, sizeof text,
             "Seat test: the empty plate is heated for %.0f s; the reading should rise by %.0f K.",
             (double)guard->seat.pulse_ms / 1000, guard->seat.rise_c);
    guard_say(guard, NOTE_STATE, t_ms, text);
}

bool seat_rise_is_right(int64_t permille)
{
    return permille >= RISE_LEAST_PERMILLE && permille <= RISE_MOST_PERMILLE;
}

static double seen_rise_c(const struct guard *guard, int id)
{
    return (guard->seat.highest_mc[id] - guard->seat.start_mc[id]) / 1000.0;
}

static int rise_permille(const struct guard *guard, int id)
{
    return (int)lround(1000 * seen_rise_c(guard, id) / guard->seat.rise_c);
}

static void seat_failed(struct guard *guard, int id, int64_t t_ms)
{
    char text[BENCH_TEXT];

    snprintf(text, sizeof text,
             "seat test failed: the %s sensor's reading rose by %.1f K, %.1f K were expected: %s",
             sensor_name((enum sensor_id)id), seen_rise_c(guard, id), guard->seat.rise_c,
             rise_permille(guard, id) < RISE_LEAST_PERMILLE
                 ? "the thermocouple is not seated, the mains are low, or the plate is not empty"
                 : "another insert is fitted, the mains are high, or the constants are not this "
                   "plate's");
    guard_refuse(guard, TL_LIMIT, t_ms, text);
}

/* Each sensor for itself: the higher one, which counts in a run, would hide one that hangs beside the plate. */
static void seat_judge(struct guard *guard, int64_t t_ms)
{
    char text[BENCH_TEXT];

    for (int id = 0; id < PLATE_SENSORS; id++)
        if (guard->sensor_in_use[id] && !seat_rise_is_right(rise_permille(guard, id))) {
            seat_failed(guard, id, t_ms);
            return;
        }
    snprintf(text, sizeof text, "Seat test passed: %.1f K of %.1f K expected.",
             seen_rise_c(guard, SENSOR_PLATE), guard->seat.rise_c);
    guard_say(guard, NOTE_STATE, t_ms, text);
    warm_prove(guard, rise_permille(guard, SENSOR_PLATE), t_ms);
    guard_enter(guard, EVENT_SEATED, t_ms);
}

static void seat_watch(struct guard *guard)
{
    for (int id = 0; id < PLATE_SENSORS; id++) {
        const struct temp_reading *seen = &guard->in.sensor[id];
        if (seen->quality == QUALITY_GOOD && seen->temp_mc > guard->seat.highest_mc[id])
            guard->seat.highest_mc[id] = seen->temp_mc;
    }
}

bool seat_waits(struct guard *guard, int32_t below_mc, const char *what, int64_t t_ms)
{
    char text[BENCH_TEXT];

    if (guard->in.plate.temp_mc < below_mc)
        return false;
    if (!guard->seat.wait_told) {
        double wait_s = warm_cooling_s(guard, below_mc / 1000.0);
        snprintf(text, sizeof text,
                 "The plate reads %d C: the %s waits until it is below %d C, in still air about "
                 "%.0f min.",
                 (int)(guard->in.plate.temp_mc / 1000), what, (int)(below_mc / 1000),
                 ceil(wait_s / 60));
        guard_say(guard, NOTE_STATE, t_ms, text);
    }
    guard->seat.wait_told = true;
    return true;
}

/* ---- the seat test of a plate by hand ------------------------------------------------------- */

static void ask_for_the_knob(struct guard *guard, int64_t t_ms)
{
    for (int id = 0; id < PLATE_SENSORS; id++)
        guard->seat.start_mc[id] = guard->in.sensor[id].temp_mc;
    guard->seat.on = true;
    guard_say(guard, NOTE_CHECK, t_ms,
              "Seat test: set the empty plate to 60 C at its own knob. Is it set and switched on?");
    guard->open_note = NOTE_GUARD + guard->notes;
}

static void hear_of_the_knob(struct guard *guard, int64_t t_ms)
{
    if (guard->hand.prompt != guard->open_note)
        return;
    if (guard->hand.answer == ANSWER_NO) {
        guard_refuse(guard, TL_LIMIT, t_ms, "the plate was not set for its seat test");
        return;
    }
    if (guard->hand.answer != ANSWER_YES)
        return;
    guard->open_note = 0;
    guard->seat.set = true;
    guard->seat.begun_ms = guard->seat.still_ms = t_ms;
    guard->seat.still_mc = guard->in.plate.temp_mc;
    guard_say(guard, NOTE_STATE, t_ms, "The reading is watched: it should settle near 60 C.");
}

static bool hand_rise_is_right(const struct guard *guard)
{
    for (int id = 0; id < PLATE_SENSORS; id++) {
        int64_t rise_mc = guard->in.sensor[id].temp_mc - guard->seat.start_mc[id];
        if (guard->sensor_in_use[id] &&
            !seat_rise_is_right(1000 * rise_mc / (HAND_SET_MC - guard->seat.start_mc[id])))
            return false;
    }
    return true;
}

static bool reading_is_still(struct guard *guard, int64_t t_ms)
{
    struct seat_test *seat = &guard->seat;
    int32_t off_mc = guard->in.plate.temp_mc - seat->still_mc;

    if (off_mc > HAND_STILL_MC || off_mc < -HAND_STILL_MC) {
        seat->still_mc = guard->in.plate.temp_mc;
        seat->still_ms = t_ms;
    }
    return t_ms - seat->still_ms >= HAND_STILL_MS;
}

/* The person sets the plate to a known temperature; a seated sensor comes to read it. */
static void hand_seat_step(struct guard *guard, int64_t t_ms)
{
    char text[BENCH_TEXT];
    struct seat_test *seat = &guard->seat;
    int reads_c = (int)(guard->in.plate.temp_mc / 1000);

    if (!seat->on && !seat_waits(guard, HAND_BELOW_MC, "seat test", t_ms))
        ask_for_the_knob(guard, t_ms);
    else if (seat->on && !seat->set)
        hear_of_the_knob(guard, t_ms);
    if (!seat->on || guard->mode != GUARD_SEATING)
        return;
    guard->want.heat =
        true; /* while the knob is asked for too: the cut-off is closed, the heat time runs */
    guard->want.temp_mc = HAND_SET_MC;
    if (!seat->set)
        return;
    bool still = reading_is_still(guard, t_ms);
    if (still && hand_rise_is_right(guard)) {
        snprintf(text, sizeof text, "Seat test passed: the plate reads %d C, set to 60 C.",
                 reads_c);
        guard_say(guard, NOTE_STATE, t_ms, text);
        guard_enter(guard, EVENT_SEATED, t_ms);
    } else if (t_ms - seat->begun_ms >= HAND_MOST_MS) {
        snprintf(text, sizeof text,
                 "seat test failed: the plate was set to 60 C and reads %d C: the thermocouple is "
                 "not seated, the plate is not on, or its knob is off",
                 reads_c);
        guard_refuse(guard, TL_LIMIT, t_ms, text);
    }
}

/* What the guard wants for itself during the pulse; control is passed by, the duty is fixed. */
void seating_step(struct guard *guard, int64_t t_ms)
{
    struct seat_test *seat = &guard->seat;

    guard->want = (struct wanted){.beeps = guard->want.beeps};
    if (!guard->limits.uses_plate || guard->config.armed) {
        guard_enter(guard, EVENT_SEATED, t_ms);
        return;
    }
    if (guard->warm.taken) {
        warm_step(guard, t_ms);
        return;
    }
    if (plate_is_by_hand(guard)) {
        hand_seat_step(guard, t_ms);
        return;
    }
    if (!can_be_proved(guard)) {
        guard_say(
            guard, NOTE_WARN, t_ms,
            "This plate regulates itself: whether its sensor is seated is not provable here.");
        guard_enter(guard, EVENT_SEATED, t_ms);
        return;
    }
    if (!seat->on) {
        if (seat_waits(guard, PULSE_BELOW_MC, "seat test", t_ms))
            return;
        seat_plan(guard);
        seat_begin(guard, t_ms);
    }
    int64_t since_ms = t_ms - seat->begun_ms;
    seat_watch(guard);
    if (since_ms < seat->pulse_ms) {
        guard->want.heat = true;
        guard->want.temp_mc = seat->start_mc[SENSOR_PLATE] + PULSE_MOST_MC;
        return;
    }
    if (since_ms >= seat->pulse_ms + seat->settle_ms)
        seat_judge(guard, t_ms);
}
