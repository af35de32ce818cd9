/* SPDX-License-Identifier: MIT */
/* The seat test: a pulse of heat into the empty plate, at rest before, shows that the thermocouple sits where it should.
 * What counts is how far the reading is above where it would have gone without the pulse; so a plate that still
 * cools from the last run is no other than a cold one. */
#include "guard_private.h"

#include <math.h>
#include <stdio.h>

enum {
    /* No pulse on a plate warmer than this: wait until it is cooler. Its cooling proves nothing: a sensor that
     * shows a share of the rise shows the same share of the fall, so that reading and fall fit at any share. */
    PULSE_BELOW_MC = 60000,
    PULSE_TO_MC = 120000, /* what the pulse may ask for; it is over long before */
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

static const double ROOM_DOUBT_K = 5; /* a room is within this of what is stated */
static const double UNREST_K_S =
    0.03; /* beyond what the plate can lose: something in it still levels out */
static const double FALLS_K = 3; /* six times the noise of a poor reader */

/* ---- a plate at rest ---- */

static void trend_add(struct trend *trend, double t_s, double c)
{
    trend->n++;
    trend->t += t_s;
    trend->c += c;
    trend->tt += t_s * t_s;
    trend->tc += t_s * c;
}

static double trend_slope(const struct trend *trend)
{
    double spread = trend->n * trend->tt - trend->t * trend->t;

    return spread > 0 ? (trend->n * trend->tc - trend->t * trend->c) / spread : 0;
}

static double loss_rate(const struct guard *guard, double temp_c)
{
    double heat_j_k = guard->control.plate.capacity_j_k + guard->insert->capacity_j_k;

    return fmax(control_loss_w(&guard->control, temp_c), 0) / heat_j_k;
}

/* How fast the reading falls by itself, as it was seen to within what the room's doubt leaves open. False: no loss to
 * the room explains it. */
static bool falls_at(const struct guard *guard, const struct trend *before, double *fall_c_s)
{
    double reading_c = before->c / before->n, seen = -trend_slope(before);
    double least = loss_rate(guard, reading_c - ROOM_DOUBT_K);
    double most = loss_rate(guard, reading_c + ROOM_DOUBT_K);

    *fall_c_s = fmin(fmax(seen, least), most);
    return seen > least - UNREST_K_S && seen < most + UNREST_K_S;
}

static void say_rest(struct guard *guard, int64_t watched_ms, int64_t t_ms)
{
    char text[BENCH_TEXT];

    snprintf(
        text, sizeof text,
        "Hands off: the empty plate is watched at rest for %lld s, then heated for the seat test.",
        (long long)(watched_ms + 500) / 1000);
    guard_say(guard, NOTE_STATE, t_ms, text);
}

static void rest_begin(struct guard *guard, int64_t t_ms)
{
    guard->seat.resting = true;
    guard->seat.rest_ms = t_ms;
    for (int id = 0; id < PLATE_SENSORS; id++)
        guard->seat.before[id] = guard->seat.after[id] = (struct trend){0};
}

static void watch(struct guard *guard, struct trend *trend, int64_t t_ms)
{
    for (int id = 0; id < PLATE_SENSORS; id++)
        if (guard->in.sensor[id].quality == QUALITY_GOOD)
            trend_add(&trend[id], (double)(t_ms - guard->seat.rest_ms) / 1000,
                      guard->in.sensor[id].temp_mc / 1000.0);
}

static bool every_sensor_rests(struct guard *guard)
{
    struct seat_test *seat = &guard->seat;

    for (int id = 0; id < PLATE_SENSORS; id++)
        if (guard->sensor_in_use[id] &&
            (seat->before[id].n < 2 || !falls_at(guard, &seat->before[id], &seat->fall_c_s[id])))
            return false;
    return true;
}

/* How long an insert goes on taking heat, or giving it back. */
static int64_t soak_ms(const struct insert *insert)
{
    return insert->capacity_j_k > 0 ? (int64_t)(4000 * insert->capacity_j_k / insert->plate_w_k)
                                    : 0;
}

/* Watched for as long as element and sensor need to show what they hold, and for what a pulse is stretched by. A plate
 * that still cools is left alone for that long first and then watched for a pulse longer: its fall has to be known for
 * the whole test. Anew until nothing moves that should not. */
static bool plate_rests(struct guard *guard, int64_t t_ms)
{
    struct seat_test *seat = &guard->seat;
    bool cools = guard->in.plate.temp_mc > 1000 * (guard->control.room_c + ROOM_DOUBT_K);
    int64_t stretch_ms = seat->pulse_ms - (int64_t)(1000 * seat->full_s);
    int64_t from_ms = cools ? seat->settle_ms + soak_ms(guard->insert) : 0;
    int64_t for_ms = seat->settle_ms + (cools ? seat->pulse_ms : stretch_ms);

    if (!seat->resting && !seat->unrest_told)
        say_rest(guard, from_ms + for_ms, t_ms);
    if (!seat->resting)
        rest_begin(guard, t_ms);
    if (t_ms - seat->rest_ms >= from_ms)
        watch(guard, seat->before, t_ms);
    if (t_ms - seat->rest_ms < from_ms + for_ms)
        return false;
    seat->resting = false;
    if (every_sensor_rests(guard))
        return true;
    if (!seat->unrest_told)
        guard_say(guard, NOTE_STATE, t_ms,
                  "The plate's reading still moves: the seat test waits until it is at rest.");
    seat->unrest_told = true;
    return false;
}

/* ---- the pulse ---- */

/* Duty that keeps an empty plate well below the ramp limit, so that the test is not itself a fault. */
static double pulse_duty(const struct guard *guard)
{
    double heat_j_k = guard->control.plate.capacity_j_k + guard->insert->capacity_j_k;
    double most_w = 0.8 * guard->limits.ramp_mc_s / 1000.0 * heat_j_k;

    return floor(1000 * fmin(1.0, most_w / guard->control.plate.watts)) / 1000;
}

/* What a pulse does to the reading of a seated sensor on an empty plate at rest: at its top, and over the last quarter
 * of the time in which it settles. */
struct answer_k {
    double top_k, late_k;
};

/* Plate and insert share what they have; exact, however firm the contact. */
static void share_out(const struct insert *insert, double capacity_j_k, double *plate_k,
                      double *insert_k, double dt_s)
{
    double both_k = (capacity_j_k * *plate_k + insert->capacity_j_k * *insert_k) /
                    (capacity_j_k + insert->capacity_j_k);
    double keep = exp(-insert->plate_w_k * (1 / capacity_j_k + 1 / insert->capacity_j_k) * dt_s);

    *plate_k = both_k + (*plate_k - both_k) * keep;
    *insert_k = both_k + (*insert_k - both_k) * keep;
}

static struct answer_k answer_of(const struct guard *guard, double from_c, double duty,
                                 double pulse_s)
{
    const struct plate *plate = &guard->control.plate;
    struct answer_k answer = {0, 0};
    double element_w = 0, plate_k = 0, insert_k = 0, reading_k = 0;
    double settle_s = (double)guard->seat.settle_ms / 1000, end_s = pulse_s + settle_s;
    double rest_w =
        control_loss_w(&guard->control, from_c); /* the fall without the pulse is seen */
    const double dt_s = 0.05;
    int late = 0;

    for (double t_s = 0; t_s < end_s; t_s += dt_s) {
        double watts = duty * plate->watts * fmin(fmax((pulse_s - t_s) / dt_s, 0), 1);
        element_w += (watts - element_w) * fmin(1, dt_s / fmax(plate->element_lag_s, dt_s));
        double lost_w = control_loss_w(&guard->control, from_c + plate_k) - rest_w;
        plate_k += (element_w - lost_w) * dt_s / plate->capacity_j_k;
        if (guard->insert->capacity_j_k > 0)
            share_out(guard->insert, plate->capacity_j_k, &plate_k, &insert_k, dt_s);
        reading_k += (plate_k - reading_k) * fmin(1, dt_s / fmax(plate->sensor_lag_s, dt_s));
        answer.top_k = fmax(answer.top_k, reading_k);
        if (t_s < end_s - settle_s / 4)
            continue;
        late++;
        answer.late_k += (reading_k - answer.late_k) / late;
    }
    return answer;
}

bool seat_can_be_proved(const struct guard *guard)
{
    const struct benchfile *bench = guard->config.bench;
    const struct device_config *plate = &bench->device[bench->plate_device];

    return plate->kind != DEVICE_CONTROLLER && !plate->regulates;
}

/* The pulse at full power: as learned, or by the stated constants. */
static double full_pulse_s(const struct guard *guard)
{
    const struct insert *insert = guard->insert;
    const struct plate *plate = &guard->control.plate;

    return insert->seat_pulse_s > 0
               ? insert->seat_pulse_s
               : PULSE_RISE_C * (plate->capacity_j_k + insert->capacity_j_k) / plate->watts;
}

/* Anybody's header may state a ramp so low that the pulse would last for ever; then nothing is reckoned with it. */
static bool pulse_is_in_time(const struct guard *guard)
{
    double heat_time_s = guard->limits.heat_time_ms / 1000.0;

    return full_pulse_s(guard) < pulse_duty(guard) * heat_time_s;
}

/* Where the ramp's limit wants less than full power, the pulse lasts the longer: the energy is what was learned. A rise
 * learned on this bench counts, as the model has it come late instead of at its top. */
static void seat_plan(struct guard *guard)
{
    const struct insert *insert = guard->insert;
    const struct plate *plate = &guard->control.plate;
    double duty = pulse_duty(guard), full_s = full_pulse_s(guard);

    guard->seat.settle_ms = 2000 + (int64_t)(4000 * (plate->element_lag_s + plate->sensor_lag_s));
    guard->seat.rise_c =
        answer_of(guard, guard->in.plate.temp_mc / 1000.0, duty, full_s / duty).late_k;
    if (insert->seat_rise_c > 0)
        guard->seat.rise_c *=
            insert->seat_rise_c / answer_of(guard, guard->control.room_c, 1, full_s).top_k;
    guard->seat.duty_permille = (int32_t)lround(1000 * duty);
    guard->seat.pulse_ms = (int64_t)(1000 * full_s / duty);
    guard->seat.full_s = full_s;
}

static void seat_begin(struct guard *guard, int64_t t_ms)
{
    char text[BENCH_TEXT];

    guard->seat.begun_ms = guard->seat.at_ms = t_ms;
    guard->seat.fed_s = 0;
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

/* Where the reading would be without the pulse, at_s after it was first watched; its fall fades as the plate nears the
 * room. */
static double unheated_c(const struct guard *guard, int id, double at_s)
{
    const struct trend *before = &guard->seat.before[id];
    double for_s = at_s - before->t / before->n, from_c = before->c / before->n;
    double fade_1_s =
        fmax((loss_rate(guard, from_c + 5) - loss_rate(guard, from_c - 5)) / 10, 1e-9);

    return from_c - guard->seat.fall_c_s[id] * (1 - exp(-fade_1_s * for_s)) / fade_1_s;
}

static double seen_rise_c(const struct guard *guard, int id)
{
    const struct trend *after = &guard->seat.after[id];

    return after->n < 1 ? 0 : after->c / after->n - unheated_c(guard, id, after->t / after->n);
}

/* Of what the energy that was fed should do; a pause may have cut it short, a relay's window run over. */
static double due_rise_c(const struct guard *guard)
{
    return guard->seat.rise_c * guard->seat.fed_s / guard->seat.full_s;
}

/* Too little was fed to tell: as if nothing had risen. */
static int rise_permille(const struct guard *guard, int id)
{
    if (guard->seat.fed_s < guard->seat.full_s / 2)
        return 0;
    return (int)lround(1000 * seen_rise_c(guard, id) / due_rise_c(guard));
}

static void seat_failed(struct guard *guard, int id, int64_t t_ms)
{
    char text[BENCH_TEXT];

    snprintf(text, sizeof text,
             "seat test failed: the %s sensor's reading rose by %.1f K, %.1f K were expected: %s",
             sensor_name((enum sensor_id)id), seen_rise_c(guard, id), due_rise_c(guard),
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
             seen_rise_c(guard, SENSOR_PLATE), due_rise_c(guard));
    guard_say(guard, NOTE_STATE, t_ms, text);
    warm_prove(guard, rise_permille(guard, SENSOR_PLATE), t_ms);
    guard_enter(guard, EVENT_SEATED, t_ms);
}

/* Nothing cold is laid on the plate and its own fall is known, so what reads less the more it is heated is connected
 * the wrong way round. The end of the pulse is not waited for. */
static bool reading_falls(struct guard *guard, int64_t t_ms)
{
    double at_s = (double)(t_ms - guard->seat.rest_ms) / 1000;
    char text[BENCH_TEXT];

    for (int id = 0; id < PLATE_SENSORS; id++) {
        const struct temp_reading *reading = &guard->in.sensor[id];
        if (!guard->sensor_in_use[id] || reading->quality != QUALITY_GOOD ||
            reading->temp_mc / 1000.0 > unheated_c(guard, id, at_s) - FALLS_K)
            continue;
        snprintf(text, sizeof text,
                 "seat test failed: the %s sensor's reading falls while the plate is heated: it is "
                 "connected the wrong way round",
                 sensor_name((enum sensor_id)id));
        guard_refuse(guard, TL_LIMIT, t_ms, text);
        return true;
    }
    return false;
}

static void seat_watch(struct guard *guard, int64_t t_ms)
{
    struct seat_test *seat = &guard->seat;
    int64_t late_ms = seat->pulse_ms + seat->settle_ms - seat->settle_ms / 4;

    seat->fed_s += guard->fed.now * (double)(t_ms - seat->at_ms) / 1000;
    seat->at_ms = t_ms;
    if (t_ms - seat->begun_ms >= late_ms)
        watch(guard, seat->after, t_ms);
}

bool seat_waits(struct guard *guard, int32_t below_mc, const char *what, int64_t t_ms)
{
    char text[BENCH_TEXT];

    if (guard->in.plate.temp_mc < below_mc)
        return false;
    if (!guard->seat.wait_told) {
        double wait_s = warm_cooling_s(guard, guard->in.plate.temp_mc / 1000.0, below_mc / 1000.0);
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

static int hand_rise_permille(const struct guard *guard, int id)
{
    int64_t start_mc = guard->seat.start_mc[id];

    return (int)(1000 * (guard->in.sensor[id].temp_mc - start_mc) / (HAND_SET_MC - start_mc));
}

static bool hand_rise_is_right(const struct guard *guard)
{
    for (int id = 0; id < PLATE_SENSORS; id++)
        if (guard->sensor_in_use[id] && !seat_rise_is_right(hand_rise_permille(guard, id)))
            return false;
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
        warm_prove(guard, hand_rise_permille(guard, SENSOR_PLATE), t_ms);
        guard->knob.told_mc = HAND_SET_MC;
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
    if (latch_is_awaited(guard, t_ms))
        return;
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
    if (!seat_can_be_proved(guard)) {
        if (seat_waits(guard, PULSE_BELOW_MC, "start", t_ms))
            return;
        warm_prove(guard, 0, t_ms);
        guard_enter(guard, EVENT_SEATED, t_ms);
        return;
    }
    if (!pulse_is_in_time(guard)) {
        guard_refuse(guard, TL_LIMIT, t_ms,
                     "no seat test: under the limit on the ramp its pulse would take longer than "
                     "the limit on the heat time");
        return;
    }
    if (!seat->on) {
        seat_plan(guard);
        if (seat_waits(guard, PULSE_BELOW_MC, "seat test", t_ms) || !plate_rests(guard, t_ms))
            return;
        seat_begin(guard, t_ms);
    }
    int64_t since_ms = t_ms - seat->begun_ms;
    if (reading_falls(guard, t_ms))
        return;
    seat_watch(guard, t_ms);
    if (since_ms < seat->pulse_ms) {
        guard->want.heat = true;
        guard->want.temp_mc = PULSE_TO_MC;
        return;
    }
    if (since_ms >= seat->pulse_ms + seat->settle_ms)
        seat_judge(guard, t_ms);
}
