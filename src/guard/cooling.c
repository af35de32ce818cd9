/* SPDX-License-Identifier: MIT */
/* After the run: everything off, the fan only when the joints are solid, until nothing burns. */
#include "guard_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "tinlatch/quantity.h"

enum {
    STANDS_MS = 2000, /* what holds for so long is told */
    FASTER_MC = 5000, /* so far below the fastest fall */
    GALE = 4,         /* times the losses of still air: a fan on the table takes three times */
};

/* What the plate's sensor reads is not what the plate has, as a trip says or the fall; nothing that is reckoned from it is
 * true. */
static bool reading_is_doubted(const struct guard *guard)
{
    const struct rule_state *state = guard->interlock.state;

    return state[SENSOR_UNSEATED].latched || state[SENSOR_FROZEN].latched ||
           state[SENSOR_JUMP].latched || state[SENSORS_DISAGREE].latched || guard->fall.too_fast;
}

/* From when on a plate whose reading is not to be trusted can be cool: from its ceiling down, in still air; a fifth on
 * top, for a board and a warm room. */
static int64_t cool_by_ms(const struct guard *guard)
{
    double cooling_s =
        warm_cooling_s(guard, guard->limits.plate_mc / 1000.0, TOUCH_SAFE_MC / 1000.0);

    return guard->ended_ms + (int64_t)(1200 * cooling_s);
}

static int64_t later(int64_t a, int64_t b)
{
    return a > b ? a : b;
}

/* Those of a board that lies on the plate, or that somebody was asked to lay there. */
static int32_t joints_there(const struct guard *guard)
{
    bool lies = guard->warm.taken || guard->hands.total_ms[HAND_PLACE] > 0;

    return lies ? guard->turn.joints : 0;
}

/* How long until every joint is solid, as the recipe last estimated it: at the latest, and never less than a fifth on
 * top of what is likely. */
static int64_t until_solid_ms(const struct guard *guard)
{
    int32_t joints = joints_there(guard);
    int64_t longest = joints > 0 && reading_is_doubted(guard) ? SOLID_UNKNOWN_MS : 0;

    for (int32_t i = 0; i < joints; i++) {
        int64_t solid = guard->turn.joint[i].solid_ms, late = guard->turn.joint[i].solid_late_ms;
        if (solid < 0 || late < 0) /* not foreseen */
            longest = later(longest, SOLID_UNKNOWN_MS);
        longest = later(longest, later(solid + solid / 5, late));
    }
    return longest > SOLID_MOST_MS ? SOLID_MOST_MS : longest;
}

void cooling_begin(struct guard *guard, int64_t t_ms)
{
    guard->ended_ms = t_ms;
    guard->ended_mc = guard->in.plate.temp_mc;
    guard->solid_ms = t_ms + until_solid_ms(guard);
    guard->solid_told = guard->solid_ms == t_ms;
    guard->safe_since_ms = -1;
    guard->cool_by_ms = cool_by_ms(guard);
    guard->fall = (struct fall){.from_mc = guard->in.plate.temp_mc,
                                .since_ms = t_ms,
                                .floor_c = guard->in.plate.temp_mc / 1000.0,
                                .at_ms = t_ms,
                                .above_ms = t_ms};
    guard->hands_ms = t_ms;
    attend_end(guard, t_ms);
    cooling_hands(guard, t_ms, guard->trip.hands, sizeof guard->trip.hands);
}

static bool plate_is_read(const struct guard *guard)
{
    return guard->in.plate.quality == QUALITY_GOOD;
}

/* By its own word. In the first moments after off that may still be the answer from before. */
static bool is_driven(const struct guard *guard)
{
    return guard->limits.uses_plate && guard->in.duty_permille > 0;
}

static bool over_its_ceiling(const struct guard *guard)
{
    return guard->in.plate.quality == QUALITY_GOOD &&
           guard->in.plate.temp_mc >= guard->limits.plate_mc;
}

bool touch_safe(const struct guard *guard)
{
    for (enum sensor_id id = 0; id < SENSORS; id++) {
        const struct temp_reading *sensor = &guard->in.sensor[id];
        if (guard->sensor_in_use[id] &&
            (sensor->quality != QUALITY_GOOD || sensor->temp_mc >= TOUCH_SAFE_MC))
            return false;
    }
    return true;
}

static void plate_fell(struct guard *guard, int64_t t_ms)
{
    struct fall *fall = &guard->fall;

    /* The estimate was of a plate that cools from the run's end on: it does so only now. */
    if (fall->stuck && !guard->solid_told)
        guard->solid_ms = t_ms + until_solid_ms(guard);
    fall->from_mc = guard->in.plate.temp_mc;
    fall->since_ms = t_ms;
    fall->seen = true;
    fall->stuck = false;
}

static void tell_stuck(struct guard *guard, int64_t t_ms)
{
    guard->fall.stuck = true;
    if (guard->fall.stuck_told || plate_is_by_hand_alone(guard)) /* attend_off calls to that one */
        return;
    guard->fall.stuck_told = true;
    guard_say(guard, NOTE_WARN, t_ms,
              "the plate does not cool though heat is off: pull the mains plug");
}

/* By then what element and sensor still held has come through. */
static int64_t settle_ms(const struct guard *guard)
{
    const struct plate *plate = &guard->config.bench->plate;

    return RISE_AFTER_MS + (int64_t)(4000 * (plate->element_lag_s + plate->sensor_lag_s));
}

/* At any temperature. */
static bool rises_again(struct guard *guard, int64_t t_ms)
{
    struct fall *fall = &guard->fall;
    int32_t now_mc = guard->in.plate.temp_mc;

    if (t_ms - guard->ended_ms < settle_ms(guard) || now_mc < fall->lowest_mc)
        fall->lowest_mc = now_mc;
    return now_mc >= fall->lowest_mc + FALL_MC;
}

/* Within which one that is off loses FALL_MC: a hot one soon, any other in five times what it takes in still air, for what
 * lies on it and a room that is warmer than told. */
static int64_t fall_most_ms(const struct guard *guard)
{
    double from_c = guard->fall.from_mc / 1000.0;

    if (guard->fall.from_mc >= FALL_ABOVE_MC)
        return FALL_MS;
    return later(FALL_MS,
                 (int64_t)(5000 * warm_cooling_s(guard, from_c, from_c - FALL_MC / 1000.0)));
}

/* Told off is not off. A hot plate that does not fall is still heated, or its sensor lies. */
static void watch_fall(struct guard *guard, int64_t t_ms)
{
    struct fall *fall = &guard->fall;
    int32_t now_mc = guard->in.plate.temp_mc;
    /* a knob has a watch of its own */
    int32_t cold_mc = plate_is_by_hand_alone(guard) ? FALL_ABOVE_MC : TOUCH_SAFE_MC;

    if (!guard->limits.uses_plate || !plate_is_read(guard))
        return;
    if (rises_again(guard, t_ms)) {
        tell_stuck(guard, t_ms);
        return;
    }
    if (now_mc < cold_mc || now_mc <= fall->from_mc - FALL_MC) {
        plate_fell(guard, t_ms);
        return;
    }
    fall->seen = fall->seen || now_mc < FALL_ABOVE_MC;
    if (now_mc > fall->from_mc)
        fall->from_mc = now_mc;
    if (t_ms - fall->since_ms >= FALL_MS && t_ms - fall->since_ms >= fall_most_ms(guard))
        tell_stuck(guard, t_ms);
}

/* With no insert on it, in a gale, its fan twice as good as learned. */
static double fastest_fall_k_s(const struct guard *guard, double temp_c)
{
    const struct plate *plate = &guard->control.plate;
    double fan_w_k = guard->out.fan_pct > 0 ? 2 * plate->fan_loss_w_k : 0;

    return (GALE * control_loss_w(&guard->control, temp_c) +
            fan_w_k * (temp_c - guard->control.room_c)) /
           plate->capacity_j_k;
}

/* A sensor that slides off a hot plate, when the board is lifted for one, would soon call it safe. A person with a wet
 * cloth looks the same, so nothing trips; but it is not called safe before it is so by itself. Two sensors see a slip by
 * themselves. */
static void watch_fast_fall(struct guard *guard, int64_t t_ms)
{
    struct fall *fall = &guard->fall;
    double now_c = guard->in.plate.temp_mc / 1000.0;

    if (!guard->limits.uses_plate || guard->limits.has_plate_2)
        return;
    fall->floor_c -= fastest_fall_k_s(guard, fall->floor_c) * (double)(t_ms - fall->at_ms) / 1000;
    fall->at_ms = t_ms;
    /* One that may be cool by now hides nothing, and its room may be colder than the bench file's. */
    bool may_be_cool = 1000 * fall->floor_c < TOUCH_SAFE_MC;
    if (!plate_is_read(guard) || may_be_cool || 1000 * (fall->floor_c - now_c) < FASTER_MC)
        fall->above_ms = t_ms;
    if (t_ms - guard->ended_ms < STANDS_MS) /* it may have ended for a reading that was too high */
        fall->floor_c = fmin(fall->floor_c, now_c);
    fall->too_fast = fall->too_fast || t_ms - fall->above_ms >= STANDS_MS;
}

/* Once, and only of a plate that is seen to cool. True: now. */
static bool joints_are_solid(struct guard *guard, int64_t t_ms)
{
    const struct fall *fall = &guard->fall;

    if (guard->solid_told || t_ms < guard->solid_ms)
        return false;
    guard->solid_told = plate_is_read(guard) && fall->seen && !fall->stuck && !is_driven(guard);
    return guard->solid_told;
}

/* Of a period that began after it was told off: an older reading may be older than the ON before it. */
static bool supply_is_seen_since(const struct guard *guard)
{
    const struct supply_reading *supply = &guard->in.supply;

    return supply->quality == QUALITY_GOOD && guard->begun_ms > guard->ended_ms &&
           guard->in.t_ms - supply->age_ms >= guard->begun_ms;
}

/* But a meter's: there is nothing of it to switch off, or to look at. */
static bool every_line_is_cut(const struct guard *guard)
{
    const struct benchfile *bench = guard->config.bench;

    for (int i = 0; i < bench->device_count; i++)
        if (guard->in_use[i] && i != bench->meter_device && bench->device[i].port >= 0 &&
            !guard->gone[i])
            return false;
    return true;
}

/* A sensor or supply that cannot be read will never show that it is safe. */
static bool something_is_unread(const struct guard *guard)
{
    for (int id = 0; id < SENSORS; id++)
        if (guard->sensor_in_use[id] && guard->in.sensor[id].quality != QUALITY_GOOD)
            return true;
    return guard->limits.uses_supply && guard->in.supply.quality != QUALITY_GOOD;
}

/* What is still read is hot, driven or fed: as long as it is, OFF is said again. */
static bool something_is_on(const struct guard *guard)
{
    if (is_driven(guard) && guard->in.plate_silent_ms < guard->limits.silent_ms)
        return true;
    for (int id = 0; id < SENSORS; id++)
        if (guard->sensor_in_use[id] && guard->in.sensor[id].quality == QUALITY_GOOD &&
            guard->in.sensor[id].temp_mc >= TOUCH_SAFE_MC)
            return true;
    return guard->limits.uses_supply && guard->in.supply.quality == QUALITY_GOOD &&
           guard->in.supply.on;
}

/* Staying on switches nothing off any more. It is of use only to tell somebody of what this run has switched on; the
 * latch tells too. What never was ready has switched nothing on. */
static bool nothing_is_left_to_do(const struct guard *guard, int64_t t_ms)
{
    bool was_on = guard_was_hot(guard) || guard->limits.uses_supply;
    bool nobody = guard->watch.front_gone && t_ms - guard->ended_ms >= LINGER_MS;

    if (!guard->ready || (every_line_is_cut(guard) && !was_on))
        return true;
    return nobody &&
           (every_line_is_cut(guard) || (something_is_unread(guard) && !something_is_on(guard)));
}

/* Until one that heats by itself, or does not cool, would have been seen to, and been told of. */
static int64_t seen_off_ms(const struct guard *guard)
{
    return later(settle_ms(guard), FALL_MS) + TOUCH_SAFE_MS;
}

/* A start that was refused, or was stopped among its questions: what is warm it has not warmed, and a reading that is not
 * true would be waited for for ever. What tripped is another matter. */
static bool never_was_on(const struct guard *guard, int64_t t_ms)
{
    return !guard->began && !guard_was_hot(guard) && !is_driven(guard) && !guard->trip.tripped &&
           guard->in.plate.temp_mc < guard->fall.lowest_mc + FALL_MC &&
           t_ms - guard->ended_ms >= seen_off_ms(guard);
}

static bool is_off_and_safe(struct guard *guard, int64_t t_ms)
{
    if (guard->limits.uses_supply && (!supply_is_seen_since(guard) || guard->in.supply.on))
        return false;
    if (!guard->limits.uses_plate || never_was_on(guard, t_ms))
        return true;
    bool believed = !reading_is_doubted(guard) || t_ms >= guard->cool_by_ms;
    bool warms = plate_is_by_hand_alone(guard) && !knob_is_turned(guard);
    if (!touch_safe(guard) || !believed || is_driven(guard) || warms) {
        guard->safe_since_ms = -1;
        return false;
    }
    if (guard->safe_since_ms < 0)
        guard->safe_since_ms = t_ms;
    return t_ms - guard->safe_since_ms >= TOUCH_SAFE_MS;
}

/* "24 s", "5 min 22 s" */
static const char *print_wait(int64_t wait_ms, char *out, size_t size)
{
    double wait_s = ceil((double)wait_ms / 1000);

    if (wait_s > 90)
        return quantity_print(wait_s, UNIT_TIME, out, size);
    snprintf(out, size, "%.0f s", wait_s);
    return out;
}

/* Where one of two plate sensors is not read, the other may still be: it does not vouch for the plate, but it is there. */
static void print_what_is_read(const struct guard *guard, char *text, size_t size)
{
    snprintf(text, size, "nothing is read now");
    for (enum sensor_id id = SENSOR_PLATE; id <= SENSOR_PLATE_2; id++) {
        const struct temp_reading *reading = &guard->in.sensor[id];
        if (guard->sensor_in_use[id] && reading->quality == QUALITY_GOOD &&
            reading->age_ms < guard->limits.silent_ms)
            snprintf(text, size, "only the %s sensor is read now, %d C", sensor_name(id),
                     (int)(reading->temp_mc / 1000));
    }
}

/* No more than is known of it. */
static const char *plate_words(const struct guard *guard)
{
    return plate_is_by_hand_alone(guard)
               ? "This program cannot switch the plate off: leave its knob at off."
               : "Heat is off.";
}

/* What makes it doubtful that off was obeyed; it stands before everything else. False: nothing does. */
static bool off_is_doubtful(const struct guard *guard, char *text, size_t size)
{
    const struct temp_reading *plate = &guard->in.plate;
    int32_t silent_ms = guard->limits.silent_ms;
    bool rising = guard->in.ramp_known && guard->in.ramp_mc_s > RISING_MC_S;

    bool never =
        plate->quality != QUALITY_GOOD && plate->temp_mc == 0; /* no reading was good yet */
    char read[64];

    print_what_is_read(guard, read, sizeof read);
    if (never)
        snprintf(text, size, "The plate was never read: take it for hot, pull its mains plug.");
    else if (plate->quality != QUALITY_GOOD || plate->age_ms >= silent_ms) /* silent comes first */
        snprintf(text, size, "The plate last read %d C; %s: take it for hot, pull its mains plug.",
                 (int)(plate->temp_mc / 1000), read);
    else if (guard->in.plate_silent_ms >= silent_ms)
        snprintf(text, size,
                 "Heat was told off, but the plate's instrument does not answer: pull the mains "
                 "plug.");
    else if (guard->interlock.state[HEAT_UNCOMMANDED].latched)
        snprintf(text, size, "Heat was told off, but the plate heats on: pull its mains plug now.");
    else if (plate_is_by_hand_alone(guard) && !knob_is_turned(guard))
        snprintf(text, size,
                 "Turn the plate off at its own knob now, or pull its mains plug: this program "
                 "cannot switch it off. It reads %d C.",
                 (int)(plate->temp_mc / 1000));
    else if (guard->fall.stuck)
        snprintf(text, size,
                 "Heat was told off, but the plate does not cool: pull the mains plug.");
    else if (guard->fall.too_fast)
        snprintf(text, size,
                 "%s The plate's reading fell faster than a plate can: unless you cooled it, the "
                 "sensor is off it, take it for hotter than it reads.",
                 plate_words(guard));
    else if (reading_is_doubted(guard))
        snprintf(text, size,
                 "%s The plate's reading is not to be trusted: take it for hotter than it reads.",
                 plate_words(guard));
    else if (over_its_ceiling(guard) && rising)
        snprintf(text, size,
                 "Heat was told off, but the plate is still at its limit: pull the mains plug.");
    else
        return false;
    return true;
}

static void hands_off_plate(const struct guard *guard, int64_t t_ms, char *text, size_t size)
{
    int64_t wait_ms = guard->solid_ms - t_ms;
    bool joints = joints_there(guard) > 0, molten = joints && !guard->solid_told;
    const char *solid = joints ? " The joints are solid now." : "", *off = plate_words(guard);
    char wait[40], doubt[BENCH_TEXT - 64];

    if (off_is_doubtful(guard, doubt, sizeof doubt))
        snprintf(text, size, "%s%s", doubt,
                 molten ? " The joints may be molten: hands off the board." : solid);
    else if (molten && wait_ms <= 0)
        snprintf(text, size, "%s The joints may still be molten: hands off until it beeps.", off);
    else if (molten)
        snprintf(text, size, "%s The joints are still molten: hands off until it beeps, about %s.",
                 off, print_wait(wait_ms, wait, sizeof wait));
    else if (touch_safe(guard))
        snprintf(text, size, "%s Everything reads below 45 C.", off);
    else
        snprintf(
            text, size,
            "%s%s The plate reads %d C: touch nothing on it with bare hands before it is below "
            "45 C.",
            off, solid, (int)(guard->in.plate.temp_mc / 1000));
}

static bool supply_answers(const struct guard *guard)
{
    return guard->in.supply.quality == QUALITY_GOOD &&
           guard->in.supply_silent_ms < guard->limits.silent_ms;
}

static const char *supply_words(const struct guard *guard)
{
    if (!supply_answers(guard))
        return "The supply was told off, but does not answer: switch it off by hand.";
    if (!supply_is_seen_since(guard))
        return "The supply was told off.";
    return guard->in.supply.on
               ? "The supply was told off, but still reads on: switch it off by hand."
               : "The supply is off.";
}

void cooling_hands(const struct guard *guard, int64_t t_ms, char *text, size_t size)
{
    if (!guard->limits.uses_plate) {
        snprintf(text, size, "%s Nothing was heated.", supply_words(guard));
        return;
    }
    hands_off_plate(guard, t_ms, text, size);
    size_t length = strlen(text);
    bool doubtful = !supply_answers(guard) || guard->in.supply.on;
    if (guard->limits.uses_supply && doubtful && length < size)
        snprintf(text + length, size - length, " %s", supply_words(guard));
}

/* A run that is done has said so: what else the hands should know goes into the record, but where they are needed. */
static bool hands_are_needed(const struct guard *guard)
{
    char doubt[BENCH_TEXT];

    if (guard->trip.tripped || guard->recipe_end.code != 0 || plate_is_by_hand_alone(guard))
        return true;
    if (guard->limits.uses_plate && off_is_doubtful(guard, doubt, sizeof doubt))
        return true;
    return guard->limits.uses_supply && (!supply_answers(guard) || guard->in.supply.on);
}

static void tell_hands_again(struct guard *guard, int64_t t_ms)
{
    char *hands = guard->trip.hands;

    cooling_hands(guard, t_ms, hands, sizeof guard->trip.hands);
    guard->hands_shown = guard->hands_shown || hands_are_needed(guard);
    if (guard->hands_shown)
        guard_say(guard, NOTE_HANDS, t_ms, hands);
    else if (guard->config.journal)
        journal_event(guard->config.journal, t_ms, "hands", hands);
}

static const char *after_figures(const char *text)
{
    if (strncmp(text, ", about ", 8) == 0)
        text += strcspn(text, ".");
    return text + strspn(text, "0123456789");
}

static bool same_but_figures(const char *a, const char *b)
{
    do {
        a = after_figures(a);
        b = after_figures(b);
        if (*a != *b)
            return false;
    } while (*a++ && *b++);
    return true;
}

/* Off takes some supplies a moment. Any later, one that is seen on has come on by itself, and what tells it off again
 * each second leaves it no time to be seen on for long. */
static bool supply_comes_on(const struct guard *guard, int64_t t_ms)
{
    return guard->limits.uses_supply && guard->in.supply.on && supply_is_seen_since(guard) &&
           t_ms - guard->ended_ms >= STANDS_MS;
}

/* Is what the hands were told no longer so, and has not been for so long? */
static void watch_hands(struct guard *guard, int32_t for_ms, int64_t t_ms)
{
    char now[BENCH_TEXT];

    cooling_hands(guard, t_ms, now, sizeof now);
    if (same_but_figures(now, guard->trip.hands))
        guard->hands_ms = t_ms;
    else if (t_ms - guard->hands_ms >= for_ms)
        tell_hands_again(guard, t_ms);
}

void cooling_want(struct guard *guard, int64_t t_ms)
{
    watch_fall(guard, t_ms);
    watch_fast_fall(guard, t_ms);
    if (joints_are_solid(guard, t_ms)) {
        guard_beep(guard);
        tell_hands_again(guard, t_ms);
    }
    watch_hands(guard, supply_comes_on(guard, t_ms) ? 0 : STANDS_MS, t_ms);
    attend_off(guard, t_ms);
    bool blow = t_ms >= guard->solid_ms || over_its_ceiling(guard);
    guard->want = (struct wanted){.beeps = guard->want.beeps};
    if (guard->config.bench->has_fan && blow && !touch_safe(guard))
        guard->want.fan_pct = 100;
}

bool cooling_over(struct guard *guard, int64_t t_ms)
{
    if (nothing_is_left_to_do(guard, t_ms))
        return true;
    if (!is_off_and_safe(guard, t_ms))
        return false;
    watch_hands(guard, 0, t_ms);
    return true;
}
