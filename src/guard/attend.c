/* SPDX-License-Identifier: MIT */
/* The person at the bench: is somebody there, the key that parks, and the knob of a plate with no port. */
#include "guard_private.h"

#include <stdio.h>
#include <string.h>

/* Somebody pressed a key, or nobody is asked: in a rehearsal, and once everything is off. */
static void see_presence(struct guard *guard, int64_t t_ms)
{
    if (guard->hand.presence != guard->presence_seen || guard->config.armed ||
        guard->mode >= GUARD_COOLING) {
        guard->presence_seen = guard->hand.presence;
        guard->present_ms = t_ms;
        guard->away_told = false;
    }
    guard->in.away_ms = (int32_t)(t_ms - guard->present_ms);
}

void attend_keep_answer(const struct guard *guard, struct wire_hand *hand)
{
    if (!guard->contact.answered)
        return;
    hand->prompt = guard->contact.prompt;
    hand->answer = ANSWER_YES;
    hand->value = 0;
    memset(hand->text, 0, sizeof hand->text);
}

static void tell_once(struct guard *guard, bool *told, bool now, int64_t t_ms, const char *text)
{
    if (now && !*told)
        guard_say(guard, NOTE_WARN, t_ms, text);
    *told = *told || now;
}

/* What is wrong with a contact's wire is told while it still does what it is there for. */
static void see_loose_wires(struct guard *guard, const struct device_inputs *inputs, int64_t t_ms)
{
    tell_once(guard, &guard->loose.stop, inputs->flickers > 0, t_ms,
              "Stop contact: it opened for a moment too short for a press. Look for a loose wire.");
    tell_once(guard, &guard->loose.stuck, inputs->answer_stuck, t_ms,
              "Answer contact: closed for more than 10 s. While it is stuck it answers nothing and "
              "is nobody's sign of life; a key is.");
    tell_once(guard, &guard->loose.chatters, inputs->answer_chatters || guard->unasked.over, t_ms,
              "Answer contact: it comes and goes by itself. In this run it answers nothing any "
              "more and is nobody's sign of life; a key is.");
}

/* A person presses because something is asked. A contact that is pressed of itself more often than once a minute, and
 * goes on, comes and goes by itself, however slowly; twenty such presses are forgiven. */
static void count_unasked(struct unasked *unasked, int64_t t_ms)
{
    enum { WEAR_MS = 60000, MOST_MS = 20 * WEAR_MS };
    int64_t left_ms = unasked->wear_ms - (t_ms - unasked->at_ms);

    unasked->wear_ms = (left_ms > 0 ? left_ms : 0) + WEAR_MS;
    unasked->at_ms = t_ms;
    unasked->over = unasked->over || unasked->wear_ms > MOST_MS;
}

/* A press of the answer contact is a yes to the prompt that is open, under the rules of a key. */
static void see_contact(struct guard *guard, int64_t t_ms)
{
    int32_t inputs = guard->config.bench->inputs_device;
    uint32_t open = guard->open_note ? guard->open_note : guard->turn.prompt;

    if (guard->contact.prompt != open)
        guard->contact = (struct contact_answer){.prompt = open, .open_ms = t_ms};
    if (inputs < 0)
        return;
    const struct device_inputs *seen = &guard->device[inputs].inputs;
    see_loose_wires(guard, seen, t_ms);
    if (seen->answers == guard->answers_seen)
        return;
    guard->answers_seen = seen->answers;
    bool asked = open && !guard->contact.answered && guard->hand.prompt != open;
    if (!guard->away_told && (!asked || guard->parking.on))
        count_unasked(&guard->unasked, t_ms);
    if (guard->unasked.over)
        return;
    guard->hand.presence++;
    if (!asked)
        return;
    if (guard->parking.on) {
        guard_say(guard, NOTE_STATE, t_ms, "Answer contact: not counted while parked.");
        return;
    }
    if (seen->answer_ms - guard->contact.open_ms < PROMPT_GUARD_MS) {
        guard_say(guard, NOTE_STATE, t_ms,
                  "Answer contact: not counted, the question was less than a second old.");
        return;
    }
    guard->contact.answered = true;
    attend_keep_answer(guard, &guard->hand);
    guard_say(guard, NOTE_STATE, t_ms, "Answer contact: yes.");
    if (guard->config.journal)
        journal_hand(guard->config.journal, t_ms, &guard->hand);
}

void attend_step(struct guard *guard, int64_t t_ms)
{
    bool held = guard->parking.on || guard->mode == GUARD_PAUSED;

    if (guard->mode < GUARD_RUNNING)
        guard->parking.seen = guard->hand.parks; /* nothing runs yet that could be parked */
    see_contact(guard, t_ms);
    see_presence(guard, t_ms);
    if (held)
        guard->held_ms += t_ms - guard->held_at_ms;
    guard->held_at_ms = t_ms;
    bool asked = guard->limits.presence_ms - PRESENCE_ANSWER_MS <= guard->in.away_ms;
    if (asked && !guard->away_told && (guard->out.heat || guard->out.supply_on)) {
        guard->away_told = true;
        guard_beep(guard);
        guard_say(guard, NOTE_WARN, t_ms,
                  "Is somebody there? Touch any key within a minute, or the run ends.");
    }
}

/* What widens nothing any more does not count for the others. */
static void count_hands(struct hands *hands, enum hand hand, int64_t for_ms)
{
    if (hand == HAND_NONE)
        return;
    if (hands->total_ms[hand] <= HANDS_MOST_MS)
        hands->total_ms[HAND_NONE] += for_ms;
    hands->total_ms[hand] += for_ms;
}

static void tell_hands_over(struct guard *guard, const char *what, int most_ms, bool *told,
                            int64_t t_ms)
{
    char text[BENCH_TEXT];

    snprintf(text, sizeof text,
             "The recipe has announced %s for %d min: more of it widens nothing. Take hands and "
             "air off the board.",
             what, most_ms / 60000);
    tell_once(guard, told, true, t_ms, text);
}

/* Each time anew they are worth some seconds, or they could be announced at every other turn. */
enum hand attend_hands(struct guard *guard, enum hand announced, int64_t t_ms)
{
    enum { ANEW_MS = 5000 };
    struct hands *hands = &guard->hands;
    char name[BENCH_NAME];

    count_hands(hands, hands->now, t_ms - hands->at_ms);
    if (announced != hands->now)
        count_hands(hands, announced, ANEW_MS);
    hands->now = announced;
    hands->at_ms = t_ms;
    if (announced == HAND_NONE)
        return HAND_NONE;
    if (hands->total_ms[HAND_NONE] > HANDS_ALL_MS) {
        tell_hands_over(guard, "hands of one kind or another", HANDS_ALL_MS,
                        &hands->told[HAND_NONE], t_ms);
        return HAND_NONE;
    }
    if (hands->total_ms[announced] <= HANDS_MOST_MS)
        return announced;
    snprintf(name, sizeof name, "\"%s\"", hand_name(announced));
    tell_hands_over(guard, name, HANDS_MOST_MS, &hands->told[announced], t_ms);
    return HAND_NONE;
}

void attend_leads(struct guard *guard)
{
    const struct wire_hand *hand = &guard->hand;
    bool positive = hand->answer == ANSWER_YES || hand->answer == ANSWER_VALUE;
    bool open = guard->turn.prompt != 0 && hand->prompt == guard->turn.prompt;

    if (guard->out.supply_on)
        guard->leads = (struct leads){true, false, guard->judged.rail, hand->prompt};
    else if (open && positive && hand->prompt != guard->leads.prompt)
        guard->leads.answered = true;
}

bool leads_may_be_on(const struct guard *guard, int32_t rail)
{
    return !guard->leads.fed || guard->leads.answered || guard->leads.rail == rail;
}

void guard_leave(struct guard *guard, int64_t t_ms)
{
    guard_last_words(guard, t_ms);
    if (guard->config.journal)
        journal_event(guard->config.journal, t_ms, "hands",
                      "left before it was touch-safe, as a person chose");
}

static int32_t lower_of(int32_t a, int32_t b)
{
    return a < b ? a : b;
}

static const char *park_words(const struct guard *guard)
{
    if (!guard->parking.on)
        return "Going on.";
    if (plate_is_by_hand_alone(guard))
        return "Parked: the plate stays as its own knob is set.";
    return guard->hello.park_mc <= 0 ? "Parked: heat is off."
                                     : "Parked: heat falls, and is off in 10 min.";
}

/* Parked: never hotter than the park temperature, and off altogether once its time is over. */
void attend_park(struct guard *guard, int64_t t_ms)
{
    struct parking *parking = &guard->parking;

    if (guard->hand.parks != parking->seen) {
        bool odd = (guard->hand.parks - parking->seen) % 2 != 0;
        parking->seen = guard->hand.parks;
        if (odd) {
            parking->on = !parking->on;
            parking->since_ms = t_ms;
            parking->most_mc = lower_of(guard->hello.park_mc, guard->in.plate.temp_mc);
            guard_say(guard, NOTE_STATE, t_ms, park_words(guard));
        }
    }
    if (!parking->on)
        return;
    if (guard->want.temp_mc > parking->most_mc)
        guard->want.temp_mc = parking->most_mc;
    if (guard->hello.park_mc <= 0 || t_ms - parking->since_ms > PARK_MOST_MS)
        guard->want.heat = false;
}

enum { AGAIN_MS = 30000 }; /* a call that nobody heeds */

/* Where it was told to be, or on its way; a plate that is told off may take its time once it has begun to fall. */
bool knob_is_turned(const struct guard *guard)
{
    enum { NEAR_MC = 10000 };
    const struct knob *knob = &guard->knob;
    int32_t now_mc = guard->in.plate.temp_mc, off_mc = knob->told_mc - now_mc;
    bool rises = guard->in.ramp_known && guard->in.ramp_mc_s > RISING_MC_S;

    if (knob->told_mc > 0)
        return off_mc <= NEAR_MC && off_mc >= -NEAR_MC;
    return (now_mc < TOUCH_SAFE_MC && !rises) || (knob->moves && !guard->fall.stuck);
}

/* Time to say it again? Each bit of the way there puts that off; one that is told off and settles where it still is
 * hot was only turned down. */
static bool knob_is_unheeded(struct guard *guard, int64_t t_ms)
{
    enum { SETTLED_MS = 600000 };
    struct knob *knob = &guard->knob;
    int32_t now_mc = guard->in.plate.temp_mc;
    int32_t gone_mc =
        knob->told_mc > knob->from_mc ? now_mc - knob->from_mc : knob->from_mc - now_mc;

    if (gone_mc >= FALL_MC || knob->said_ms == 0) {
        knob->said_ms = t_ms;
        knob->moves = gone_mc >= FALL_MC;
    }
    if (gone_mc < 0 || gone_mc >= FALL_MC)
        knob->from_mc = now_mc;
    if (knob->told_mc == 0 && now_mc >= TOUCH_SAFE_MC && t_ms - knob->said_ms >= SETTLED_MS)
        knob->moves = false;
    if (knob_is_turned(guard) && (knob->told_mc > 0 || now_mc < FALL_ABOVE_MC))
        return false;
    return t_ms - knob->said_ms >= (knob->moves && !guard->fall.stuck ? FALL_MS : AGAIN_MS);
}

static void knob_told(struct guard *guard, int32_t told_mc, int64_t t_ms)
{
    struct knob *knob = &guard->knob;

    knob->moves = false;
    knob->told_mc = told_mc;
    knob->said_ms = t_ms;
    knob->from_mc = guard->in.plate.temp_mc;
}

/* What is granted for a moment only is not worth a walk to the knob. Where a cut-off has opened it may stay as it is. */
void attend_knob(struct guard *guard, int64_t t_ms)
{
    enum { STANDS_MS = 1000 };
    struct knob *knob = &guard->knob;
    int32_t due_mc = guard->out.heat ? guard->out.temp_mc : 0;
    bool runs = guard->mode == GUARD_RUNNING || guard->mode == GUARD_PAUSED;
    char text[BENCH_TEXT], to[32] = "off";

    if (!plate_is_by_hand(guard) || !runs ||
        (due_mc == 0 && guard->config.bench->cutoff_device >= 0))
        return;
    if (due_mc != knob->due_mc)
        knob->due_ms = t_ms;
    knob->due_mc = due_mc;
    if (t_ms - knob->due_ms < STANDS_MS)
        return;
    if (due_mc == knob->told_mc && !knob_is_unheeded(guard, t_ms))
        return;
    knob_told(guard, due_mc, t_ms);
    guard_beep(guard);
    if (due_mc > 0)
        snprintf(to, sizeof to, "to %.0f C", due_mc / 1000.0);
    snprintf(text, sizeof text, "%s the plate %s at its own knob now. It reads %d C.",
             due_mc > 0 ? "Set" : "Turn", to, (int)(guard->in.plate.temp_mc / 1000));
    guard_say(guard, NOTE_STATE, t_ms, text);
}

/* The hands are told to turn it off; a recipe may have done so before. */
void attend_end(struct guard *guard, int64_t t_ms)
{
    guard->knob.presence = guard->hand.presence;
    if (guard->knob.told_mc > 0 || guard->knob.said_ms == 0)
        knob_told(guard, 0, t_ms);
}

/* A sensor that cannot be read shows no cooling: then a key is a person's word that the plate is off. */
void attend_off(struct guard *guard, int64_t t_ms)
{
    bool read = guard->in.plate.quality == QUALITY_GOOD;
    char text[BENCH_TEXT], why[64] = "cannot be read";

    if (read)
        guard->knob.presence = guard->hand.presence; /* a key before that is no word for it */
    bool answered = guard->config.armed || guard->hand.presence != guard->knob.presence;
    if (!plate_is_by_hand_alone(guard) || !guard_was_hot(guard))
        return;
    if (read ? !knob_is_unheeded(guard, t_ms) : answered || t_ms - guard->knob.said_ms < AGAIN_MS)
        return;
    knob_told(guard, 0, t_ms);
    if (read)
        snprintf(why, sizeof why, "reads %d C and is not seen to cool",
                 (int)(guard->in.plate.temp_mc / 1000));
    snprintf(text, sizeof text,
             "the plate %s, and this program cannot switch it off: turn it off at its own knob "
             "now, or pull its mains plug",
             why);
    guard_say(guard, NOTE_FAULT, t_ms, text);
}
