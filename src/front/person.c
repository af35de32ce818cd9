/* SPDX-License-Identifier: MIT */
/* What a person pressed becomes the HAND, which holds the whole of it and is sent with every snapshot. */
#include "front_private.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/quantity.h"

static void forget_answer(struct person *person)
{
    person->hand.prompt = 0;
    person->hand.answer = ANSWER_NONE;
    person->hand.value = 0;
    memset(person->hand.text, 0, sizeof person->hand.text);
}

void person_see(struct person *person, struct front_state *state, int64_t t_ms)
{
    if (person->shown_number != state->prompt_number) {
        person->shown_number = state->prompt_number;
        person->shown_ms = t_ms;
        forget_answer(person);
    }
    if (state->leaving && state->snapshot.mode != GUARD_COOLING)
        state->leaving = false; /* safe by now */
}

void person_stop(struct person *person, struct front_state *state, const char *how)
{
    person->hand.stop_count++;
    person->urgent = true;
    front_say(state, "you", "stop (%s)", how);
}

static void answer(struct person *person, struct front_state *state, enum hand_answer answer)
{
    person->hand.prompt = state->prompt_number;
    person->hand.answer = (int32_t)answer;
    person->urgent = true;
    state->answered = true;
}

/* A key meant for something else must not answer what has just appeared; nor is a parked board, which cools,
 * what the prompt speaks of. Told once a prompt: a key that is held would fill the screen. */
static bool may_answer(struct person *person, struct front_state *state, bool hasty)
{
    bool soon = hasty && person->began_ms - person->shown_ms < PROMPT_GUARD_MS;
    if (!soon && !state->snapshot.parked)
        return true;
    if (person->refused != state->prompt_number)
        front_say(state, "you", "%s",
                  soon ? "not counted as an answer: the question was less than a second old"
                       : "not counted as an answer while parked: p goes on first");
    person->refused = state->prompt_number;
    return false;
}

static void yes_or_no(struct person *person, struct front_state *state, bool yes, bool hasty)
{
    if (state->prompt_number == 0 || state->answered || !may_answer(person, state, hasty))
        return;
    answer(person, state, yes ? ANSWER_YES : ANSWER_NO);
    front_say(state, "you", yes ? "yes" : "no");
}

/* ---- values ------------------------------------------------------------------------------------- */

/* The number that a text begins with; a comma is a point to half the world. */
static bool leading_number(const char *text, double *value)
{
    char plain[64];
    snprintf(plain, sizeof plain, "%s", text);
    for (char *c = plain; *c; c++)
        if (*c == ',')
            *c = '.';
    if (!plain[strspn(plain, "+-. ")] || !strchr("0123456789", plain[strspn(plain, "+-. ")]))
        return false; /* strtod also reads words: inf, nan */
    char *end;
    *value = strtod(plain, &end);
    return end != plain && isfinite(*value);
}

/* A meter's readings go straight into a number: here alone their unit is known. */
static bool meter_value(enum unit unit, const char *text, double *value)
{
    struct tl_error error;
    char plain[64];
    snprintf(plain, sizeof plain, "%s", text);
    char *comma = strchr(plain, ',');
    if (comma)
        *comma = '.';
    if (quantity_parse(plain, unit, value, &error) == 0)
        return true;
    return plain[strspn(plain, "0123456789.")] == '\0' && leading_number(plain, value);
}

static void take_value(struct person *person, struct front_state *state, const char *text,
                       bool hasty)
{
    double value = 0;
    if (state->answered)
        return;
    enum unit unit = note_meter_unit(state->prompt_name);
    bool meter = unit != UNITS; /* it has no suggestion to say yes to */
    enum act act = act_of_line(text);
    if (act == ACT_NO || (act == ACT_YES && !meter)) {
        yes_or_no(person, state, act == ACT_YES, hasty);
        return;
    }
    if (!may_answer(person, state, hasty))
        return;
    if (meter ? !meter_value(unit, text, &value) : !leading_number(text, &value)) {
        if (meter) {
            front_say(state, "you",
                      "\"%s\" is no reading: expected %s such as %s, or a number of %s", text,
                      unit_name(unit), unit_example(unit), unit_base(unit));
            return;
        }
        value = 0; /* a text */
    }
    answer(person, state, ANSWER_VALUE);
    person->hand.value = value;
    snprintf(person->hand.text, sizeof person->hand.text, "%s", text);
    front_say(state, "you", "%s", text);
}

/* ---- acts ---------------------------------------------------------------------------------------- */

/* What would change nothing is not taken, and not in silence: nothing else shows it. */
static bool may_steer(struct front_state *state, const char *what)
{
    if (fact_recipe_runs(state))
        return true;
    front_say(state, "you", "there is nothing to %s %s", what,
              state->snapshot.mode < GUARD_RUNNING ? "before the recipe runs" : "any more");
    return false;
}

static void nudge(struct person *person, struct front_state *state, int32_t mc, int32_t ms)
{
    enum {
        MOST_MC = 10000,
        MOST_MS = 300000
    }; /* in all: a key that is held must not write another recipe */
    if (!may_steer(state, "nudge"))
        return;
    if (mc && state->hello_known && !state->hello.recipe.uses_plate) {
        front_say(state, "you", "no nudge: nothing is heated in this run");
        return;
    }
    int32_t most_mc = state->hello.recipe.plate_mc - NUDGE_ROOM_MC;
    if (mc > 0 && state->hello_known && state->snapshot.wanted_mc >= most_mc) {
        front_say(state, "you", "no nudge: higher than %g C is too near the plate's limit",
                  most_mc / 1000.0);
        return;
    }
    int32_t new_mc = person->hand.nudge_mc + mc, new_ms = person->hand.nudge_ms + ms;
    if (abs(new_mc) > MOST_MC || abs(new_ms) > MOST_MS) {
        front_say(state, "you", "no nudge: %d C and %d min in all are the most; change the recipe",
                  MOST_MC / 1000, MOST_MS / 60000);
        return;
    }
    person->hand.nudge_mc = new_mc;
    person->hand.nudge_ms = new_ms;
    if (mc)
        front_say(state, "you", "nudge: %+d C in all", new_mc / 1000);
    else
        front_say(state, "you", "nudge: %+d s in all", new_ms / 1000);
}

static bool is_cooling(const struct front_state *state)
{
    return state->snapshot_known && state->snapshot.mode == GUARD_COOLING;
}

static void begin_leaving(struct front_state *state)
{
    if (!is_cooling(state)) {
        front_say(state, "you", "there is nothing to leave before the run is over: stop it first");
        return;
    }
    state->leaving = true;
    state->typed[0] = '\0';
    front_say(state, "you", "wants to leave before it is safe to touch: type leave to do so");
}

static void leave(struct person *person, struct front_state *state)
{
    person->hand.leaves++;
    person->urgent = true;
    state->leaving = false;
    state->typed[0] = '\0';
    front_say(state, "you", "leave before it is safe to touch");
}

static void park(struct person *person, struct front_state *state)
{
    if (!may_steer(state, "park"))
        return;
    person->hand.parks++;
    person->urgent = true;
    front_say(state, "you", state->snapshot.parked ? "go on" : "park");
}

static void do_act(struct person *person, struct front_state *state, enum act act, const char *how,
                   bool hasty)
{
    switch (act) {
    case ACT_YES:
    case ACT_NO:
        yes_or_no(person, state, act == ACT_YES, hasty);
        break;
    case ACT_STOP:
        person_stop(person, state, how);
        break;
    case ACT_PARK:
        park(person, state);
        break;
    case ACT_HOTTER:
    case ACT_COOLER:
        nudge(person, state, act == ACT_HOTTER ? NUDGE_MC : -NUDGE_MC, 0);
        break;
    case ACT_LONGER:
    case ACT_SHORTER:
        nudge(person, state, 0, act == ACT_LONGER ? NUDGE_MS : -NUDGE_MS);
        break;
    case ACT_LEAVE:
        begin_leaving(state);
        break;
    case ACT_SUSPEND:
        front_say(state, "you", "Ctrl-Z does nothing during a run: s stops it");
        break;
    case ACT_NONE:
    case ACTS:
        break;
    }
}

/* ---- typing ---------------------------------------------------------------------------------------- */

static bool types(const struct front_state *state)
{
    return state->leaving || (state->prompt_kind == NOTE_ASK && !state->answered);
}

static void type_enter(struct person *person, struct front_state *state)
{
    char text[sizeof state->typed];
    memcpy(text, state->typed, sizeof text);
    state->typed[0] = '\0';
    if (!state->leaving)
        take_value(person, state, text, true);
    else if (act_of_line(text) == ACT_LEAVE)
        leave(person, state);
    else
        state->leaving = false;
}

static void type_press(struct person *person, struct front_state *state, const struct press *press)
{
    size_t length = strlen(state->typed);
    if (press->kind == PRESS_ENTER || (press->kind == PRESS_FUNCTION && press->which == 13)) {
        type_enter(person, state);
    } else if (press->kind == PRESS_ERASE && length > 0) {
        state->typed[length - 1] = '\0';
    } else if (press->kind == PRESS_CHAR && press->which >= ' ' &&
               length + 1 < sizeof state->typed) {
        state->typed[length] = (char)press->which;
        state->typed[length + 1] = '\0';
    }
}

static const char *press_word(const struct press *press)
{
    switch (press->kind) {
    case PRESS_ESCAPE:
        return "Esc";
    case PRESS_FUNCTION:
        return "pedal";
    case PRESS_CHAR:
        return press->which == 3 ? "Ctrl-C" : press->which == '\t' ? "Tab" : "key";
    case PRESS_ENTER:
    case PRESS_ERASE:
    case PRESS_OTHER:
        break;
    }
    return "key";
}

/* True when this is a press of its own, not one that is held. */
static bool begins(struct person *person, const struct press *press, int64_t t_ms)
{
    bool held = press->kind == person->last.kind && press->which == person->last.which &&
                t_ms - person->last_ms < KEY_REPEAT_MS;
    person->last = *press;
    person->last_ms = t_ms;
    if (!held)
        person->began_ms = t_ms;
    return !held;
}

void person_press(struct person *person, struct front_state *state, const struct press *press,
                  int64_t t_ms)
{
    bool begun = begins(person, press, t_ms);
    enum act act = act_of_press(press);
    person->hand.presence++;
    if (state->leaving && press->kind == PRESS_ESCAPE) {
        state->leaving = false; /* everything is off already: here Esc only stays */
        return;
    }
    if (types(state) && !press_always_stops(press))
        type_press(person, state, press);
    else if (begun || act != ACT_PARK) /* which each press would turn round */
        do_act(person, state, act, press_word(press), true);
}

void person_line(struct person *person, struct front_state *state, const char *line, bool hasty,
                 int64_t t_ms)
{
    enum act act = act_of_line(line);
    begins(person, &(struct press){.kind = PRESS_ENTER}, t_ms);
    person->hand.presence++;
    if (state->leaving && act == ACT_LEAVE)
        leave(person, state);
    else if (state->prompt_kind == NOTE_ASK && !state->answered && act != ACT_STOP)
        take_value(person, state, line, hasty);
    else if (act != ACT_NONE)
        do_act(person, state, act, "line", hasty);
    else
        front_say(state, "you", "not understood: yes, no, stop, park, +, -, >, <, leave");
}
