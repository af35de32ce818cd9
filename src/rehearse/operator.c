/* SPDX-License-Identifier: MIT */
#include "rehearse_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "tinlatch/quantity.h"

/* How long a person takes, in seconds: about so long, give or take. Common practice. */
static const struct {
    double least_s, spread_s;
} habits[HANDS] = {
    [HAND_NONE] = {3, 3},  [HAND_PLACE] = {15, 8},  [HAND_LIFT] = {4, 3},
    [HAND_PRESS] = {4, 3}, [HAND_RELEASE] = {3, 2}, [HAND_HEAT] = {4, 2},
};

void operator_init(struct operator* operator, const struct rehearse_setup * setup)
{
    *operator=(struct operator){.setup = setup, .random = {setup->seed ^ 0x6f70657261746f72u}};
}

void operator_asked(struct operator* operator, const struct wire_note * note)
{
    operator->note = note->note;
    operator->suggestion = note->value;
    memcpy(operator->name, note->name, sizeof operator->name);
}

/* No recipe foresees it, so no line of the answers file is for it: the person looks. */
static bool is_asked_if_flat(const struct operator* operator)
{
    return strcmp(operator->name, NOTE_LIES_FLAT) == 0;
}

/* Take the next line of the answers file, or yes; decide when it will be said. */
static void consider(struct operator* operator, const struct wire_turn * turn, int64_t t_ms)
{
    enum hand hand = turn->hand >= 0 && turn->hand < HANDS ? (enum hand)turn->hand : HAND_NONE;
    double after_s = habits[hand].least_s + habits[hand].spread_s * random_unit(&operator->random);

    operator->prompt = turn->prompt;
    operator->reply =(struct rehearse_answer){.reply = REPLY_YES, .after_s = -1};
    if (!is_asked_if_flat(operator) && operator->next_answer<operator->setup->answer_count)
        operator->reply = operator->setup->answer[operator->next_answer++];
    if (operator->reply.after_s >= 0)
        after_s = operator->reply.after_s;
    operator->due_ms = t_ms +(int64_t)(after_s * 1000);
}

/* The display shows OL: the person types the end of the meter's range. */
static double typed(double shown, double range)
{
    return shown <= range ? shown : range; /* false for NaN */
}

/* What the person reads off a meter or types when asked for a value. Always a number: what is none breaks the
 * rules of the wire. */
static double value_for(struct operator* operator, struct world * world)
{
    static const double OHMS_RANGE = 60e6, DIODE_RANGE_V = 3, AMPS_RANGE = 10; /* handheld */
    int rail = (int)operator->suggestion;

    if (strcmp(operator->name, "meter-ohms") == 0)
        return typed(world_rail_ohms(world, rail), OHMS_RANGE);
    if (strcmp(operator->name, "meter-diode") == 0)
        return typed(world_rail_diode_v(world, rail), DIODE_RANGE_V);
    if (strcmp(operator->name, "meter-amps") == 0)
        return typed(world_rail_amps(world, rail), AMPS_RANGE);
    return isfinite(operator->suggestion) ? operator->suggestion : 0;
}

/* What the open question is answered in: UNITS = a number or text that only the recipe judges. */
static enum unit unit_asked(const struct operator* operator)
{
    return note_meter_unit(operator->name);
}

/* A value of the file where none is asked for, or one of another kind: nobody can say what was meant. */
static bool misfit(struct operator* operator)
{
    const struct rehearse_answer *reply = &operator->reply;
    enum unit unit = unit_asked(operator);
    bool asks = operator->note == NOTE_ASK;

    if (reply->reply != REPLY_VALUE)
        return false;
    if (asks &&
        (unit == UNITS || (!reply->is_text && (reply->unit == UNITS || reply->unit == unit))))
        return false;
    if (asks)
        snprintf(operator->wanted, sizeof operator->wanted, "%s such as \"%s\"", unit_name(unit),
                 unit_example(unit));
    else
        snprintf(operator->wanted, sizeof operator->wanted, "yes or no");
    operator->wrong = & operator->setup->answer[operator->next_answer - 1];
    return true;
}

static void say(struct operator* operator, struct world * world)
{
    struct wire_hand *said = &operator->said;

    said->prompt = operator->prompt;
    said->value = 0;
    said->text[0] = '\0';
    if (misfit(operator))
        return;
    if (is_asked_if_flat(operator)) {
        said->answer = world_board_lies_flat(world) ? ANSWER_YES : ANSWER_NO;
        return;
    }
    switch (operator->reply.reply) {
    case REPLY_STOP:
        said->stop_count++;
        said->answer = ANSWER_NONE;
        return;
    case REPLY_NO:
        said->answer = ANSWER_NO;
        return;
    case REPLY_VALUE:
        said->answer = ANSWER_VALUE;
        snprintf(said->text, sizeof said->text, "%s", operator->reply.value);
        said->value =
        operator->reply.is_text || !isfinite(operator->reply.number) ? 0 : operator->reply.number;
        return;
    case REPLY_YES:
        said->answer = operator->note == NOTE_ASK ? ANSWER_VALUE : ANSWER_YES;
        if (said->answer == ANSWER_VALUE)
            said->value = value_for(operator, world);
        operator->told = operator->told || operator->note != NOTE_DO;
        operator->guessed = operator->guessed ||(operator->note == NOTE_ASK && said->value == 0);
        return;
    }
}

void operator_step(struct operator* operator, const struct wire_turn * turn, struct world *world,
                   uint32_t stops, int64_t t_ms)
{
    static const int64_t NEVER = INT64_MAX;

    if (turn->prompt != operator->prompt)
        operator->prompt = 0;
    if (turn->prompt != 0 && operator->prompt == 0)
        consider(operator, turn, t_ms);
    if (operator->prompt != 0 && t_ms >= operator->due_ms) {
        say(operator, world);
        operator->due_ms = NEVER;
    }
    if (stops > operator->said.stop_count)
        operator->said.stop_count = stops;
}
