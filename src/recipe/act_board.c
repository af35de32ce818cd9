/* SPDX-License-Identifier: MIT */
/* Primitives of what a person does and says. "Do this" and "is it done?" are two texts: these give the
 * first; the front asks the second. */
#include "recipe_private.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/bytes.h"

/* Ask a person to do something; false when `results` holds what `otherwise` gave. */
static bool do_by_hand(struct recipe *recipe, struct call *call, enum hand hand, int *results)
{
    char time[32];
    double timeout_s = call_number(call, "timeout");
    enum hand_answer answer = exchange_prompt(recipe, NOTE_DO, hand, hand_name(hand), 0,
                                              call_text(call, "text"), timeout_s);
    *results = 0;
    if (answer == ANSWER_YES || answer == ANSWER_VALUE)
        return true;
    if (answer == ANSWER_NO)
        *results = call_otherwise(recipe, call, TL_STEP, "it was answered with no");
    else
        *results = call_otherwise(recipe, call, TL_TIMEOUT, "nobody answered within %s",
                                  quantity_print(timeout_s, UNIT_TIME, time, sizeof time));
    return false;
}

static int part_of(const struct call *call)
{
    return call_given(call, "part") ? (int)call_number(call, "part") : -1;
}

int act_board_place(struct recipe *recipe, struct call *call)
{
    int results;
    if (do_by_hand(recipe, call, HAND_PLACE, &results))
        exchange_hand(recipe, HAND_PLACE, -1);
    return results;
}

void need_placed(struct recipe *recipe, const struct call *call)
{
    if (!recipe->placed)
        recipe_fail(recipe, TL_STEP, call->primitive->name,
                    "%s: no board lies on the plate yet; board.place comes first",
                    call->primitive->name);
}

/* Without a part the upper board is meant: there must be one. */
static void need_upper(struct recipe *recipe, const struct call *call)
{
    struct tl_error error;
    const char *names[BOARD_PARTS + 1];
    if (recipe->board.slab[LAYER_UPPER].present)
        return;
    int count = recipe->board.part_count;
    for (int i = 0; i < count; i++)
        names[i] = recipe->board.part[i].name;
    names[count] = NULL;
    tl_error_set(&error, TL_MISSING,
                 "%s: the board \"%s\" has no upper board to lift; which part? part = \"...\"",
                 call->primitive->name, recipe->board.name);
    tl_error_token(&error, call->primitive->name);
    hint_nearest(&error, "", names);
    recipe_fail_with(recipe, &error);
}

/* What no joint of the board file holds cannot be told to be loose. */
static void warn_of_unheld(struct recipe *recipe, int part)
{
    const char *name = recipe->board.part[part].name;
    for (int i = 0; i < recipe->board.joint_count; i++)
        if (strcmp(recipe->board.joint[i].part, name) == 0)
            return;
    recipe_warn(recipe,
                "line %d lifts \"%s\", which no joint of the board file holds: whether it is loose "
                "is not rehearsed",
                recipe_line(recipe), name);
}

/* Lifting from solid joints tears pads: worth a word before anybody tries it on a real board. */
static void warn_of_solid(struct recipe *recipe, int part)
{
    const char *name = part >= 0 ? recipe->board.part[part].name : "";
    for (int i = 0; recipe->estimating && i < recipe->board.joint_count; i++) {
        struct wire_joint now;
        if (strcmp(recipe->board.joint[i].part, name) != 0)
            continue;
        joint_now(recipe, i, &now);
        if (now.molten_permille >= 1000)
            continue;
        recipe_warn(
            recipe, "line %d asks for the lift with the joint \"%s\" %d %% molten by the estimate",
            recipe_line(recipe), recipe->board.joint[i].name, (int)now.molten_permille / 10);
    }
}

int act_board_lift(struct recipe *recipe, struct call *call)
{
    int results, part = part_of(call);
    need_placed(recipe, call);
    if (part < 0)
        need_upper(recipe, call);
    else
        warn_of_unheld(recipe, part);
    warn_of_solid(recipe, part);
    if (!do_by_hand(recipe, call, HAND_LIFT, &results))
        return results;
    exchange_hand(recipe, HAND_LIFT, part);
    if (recipe->air && part >= 0 && recipe->air_part == part)
        exchange_air_off(recipe); /* what it was for is gone */
    return results;
}

int act_board_press(struct recipe *recipe, struct call *call)
{
    int results;
    need_placed(recipe, call);
    if (do_by_hand(recipe, call, HAND_PRESS, &results))
        exchange_hand(recipe, HAND_PRESS, -1);
    return results;
}

int act_board_release(struct recipe *recipe, struct call *call)
{
    int results;
    need_placed(recipe, call);
    if (do_by_hand(recipe, call, HAND_RELEASE, &results))
        exchange_hand(recipe, HAND_RELEASE, -1);
    return results;
}

int act_hand_heat(struct recipe *recipe, struct call *call)
{
    int results;
    if (do_by_hand(recipe, call, HAND_HEAT, &results))
        exchange_air(recipe, part_of(call), call_number(call, "watts"), call_number(call, "time"));
    return results;
}

/* ---- words ---------------------------------------------------------------------------------- */

int act_stage(struct recipe *recipe, struct call *call)
{
    recipe->turn.stage = exchange_note(recipe, NOTE_STAGE, "", 0, call_text(call, "name"));
    return 0;
}

int act_beep(struct recipe *recipe, struct call *call)
{
    recipe->turn.beeps++;
    exchange_note(recipe, NOTE_BEEP, "", 0, call_text(call, "text"));
    return 0;
}

int act_tell(struct recipe *recipe, struct call *call)
{
    exchange_note(recipe, NOTE_TELL, "", 0, call_text(call, "text"));
    return 0;
}

/* A unit belongs to one kind of quantity, but for C and K: what is asked first is a temperature. */
int act_number(struct recipe *recipe, struct call *call)
{
    const char *text = call_text(call, "quantity");
    double value;
    for (int unit = 0; unit < UNITS; unit++)
        if (quantity_parse(text, (enum unit)unit, &value, NULL) == 0) {
            lua_pushnumber(recipe->lua, value);
            return 1;
        }
    recipe_fail(
        recipe, TL_UNIT, text,
        "number: \"%.48s\" is no quantity; expected a number and its unit, such as \"170 C\"",
        text);
}

int act_note(struct recipe *recipe, struct call *call)
{
    exchange_note(recipe, NOTE_NOTE, "", 0, call_text(call, "text"));
    return 0;
}

int act_record(struct recipe *recipe, struct call *call)
{
    exchange_note(recipe, NOTE_VALUE, call_text(call, "name"), call_number(call, "value"),
                  call_given(call, "unit") ? call_text(call, "unit") : "");
    return 0;
}

int act_confirm(struct recipe *recipe, struct call *call)
{
    char time[32];
    double timeout_s = call_number(call, "timeout");
    enum hand_answer answer =
        exchange_prompt(recipe, NOTE_CONFIRM, HAND_NONE, "", 0, call_text(call, "text"), timeout_s);
    recipe->leads_told |= answer != ANSWER_NONE && answer != ANSWER_NO && !recipe->turn.supply_on;
    if (answer == ANSWER_NONE)
        return call_otherwise(recipe, call, TL_TIMEOUT, "nobody answered within %s",
                              quantity_print(timeout_s, UNIT_TIME, time, sizeof time));
    lua_pushboolean(recipe->lua, answer != ANSWER_NO);
    return 1;
}

/* The kind of quantity whose base unit is the choice: the words of the row stand in this order. */
static const enum unit ask_units[] = {UNIT_TEMP, UNIT_TIME, UNIT_VOLTS, UNIT_AMPS, UNIT_OHMS};

static enum unit ask_unit(const struct call *call)
{
    return call_given(call, "unit") ? ask_units[(int)call_number(call, "unit")] : UNITS;
}

/* The suggestion as a number, 0 when there is none: what a rehearsal's person types. */
static double suggested_value(struct recipe *recipe, const struct call *call)
{
    double value = 0;
    struct tl_error error;
    if (!call_given(call, "suggest") || ask_unit(call) == UNITS)
        return 0;
    if (quantity_parse(call_text(call, "suggest"), ask_unit(call), &value, &error) != 0)
        recipe_fail(recipe, error.code, call_text(call, "suggest"), "ask: suggest: %s", error.text);
    return value;
}

/* "0.42" and nothing else: a number in the unit that was asked for. */
static bool bare_number(const char *text, double *value)
{
    char *end;
    if (text[strspn(text, "0123456789.+-")] != '\0')
        return false;
    *value = strtod(text, &end);
    return end != text && *end == '\0' && fabs(*value) <= 1e9;
}

/* The number that was answered, in the base unit. "850 mA" may be typed where A is asked for; "45 V" is no answer
 * to that, nor is "open line": 0, or a code and what was expected. */
static int read_answer(const struct wire_snapshot *snapshot, enum unit unit, double *value,
                       struct tl_error *error)
{
    char text[sizeof snapshot->text];
    *value = snapshot->value;
    if (snapshot->text[0] == '\0') /* a choice of the program's own: nothing was typed */
        return 0;
    bytes_copy_text(text, sizeof text, snapshot->text);
    char *comma = strchr(text, ','); /* the point of half the world */
    if (comma)
        *comma = '.';
    int code = quantity_parse(text, unit, value, error);
    return code && bare_number(text, value) ? 0 : code;
}

/* Ask until the answer is one, for `timeout` in all. */
static enum hand_answer ask_number(struct recipe *recipe, const char *name, double hint,
                                   bool suggests, const char *question, enum unit unit,
                                   double timeout_s, double *value)
{
    double start_s = now_s(recipe), left_s = timeout_s;
    char text[BENCH_TEXT];
    bytes_copy_text(text, sizeof text, question);
    for (;;) {
        struct tl_error error;
        enum hand_answer answer =
            exchange_prompt(recipe, NOTE_ASK, HAND_NONE, name, hint, text, left_s);
        if (answer == ANSWER_NONE || answer == ANSWER_NO || (answer == ANSWER_YES && suggests))
            return answer;
        if (answer == ANSWER_YES)
            tl_error_set(&error, TL_BAD, "a plain yes: no value is suggested here");
        else if (read_answer(&recipe->snapshot, unit, value, &error) == 0)
            return answer;
        recipe_warn(recipe, "line %d: answered with %s; it was asked for again",
                    recipe_line(recipe), error.text);
        left_s = timeout_s - (now_s(recipe) - start_s);
        if (left_s <= 0)
            return ANSWER_NONE;
        tally_time(recipe, -left_s); /* it is part of the time that counts already */
        char again[sizeof text + sizeof error.text];
        snprintf(again, sizeof again, "%.120s. %s", error.text, question);
        bytes_copy_text(text, sizeof text, again);
    }
}

static int push_answer(struct recipe *recipe, const struct call *call)
{
    const struct wire_snapshot *snapshot = &recipe->snapshot;
    bool plain = snapshot->answer != ANSWER_VALUE || snapshot->text[0] == '\0';
    const char *suggested = call_given(call, "suggest") ? call_text(call, "suggest") : "";
    lua_pushstring(recipe->lua, plain ? suggested : snapshot->text);
    return 1;
}

int act_ask(struct recipe *recipe, struct call *call)
{
    char time[32];
    double timeout_s = call_number(call, "timeout"), suggested = suggested_value(recipe, call),
           value = 0;
    enum unit unit = ask_unit(call);
    const char *text = call_text(call, "text");
    enum hand_answer answer =
        unit == UNITS ? exchange_prompt(recipe, NOTE_ASK, HAND_NONE, "", suggested, text, timeout_s)
                      : ask_number(recipe, "", suggested, call_given(call, "suggest"), text, unit,
                                   timeout_s, &value);
    if (answer == ANSWER_NONE)
        return call_otherwise(recipe, call, TL_TIMEOUT, "nobody answered within %s",
                              quantity_print(timeout_s, UNIT_TIME, time, sizeof time));
    if (answer == ANSWER_NO)
        return call_otherwise(recipe, call, TL_STEP, "it was answered with no");
    if (unit == UNITS)
        return push_answer(recipe, call);
    lua_pushnumber(recipe->lua, answer == ANSWER_VALUE ? value : suggested);
    return 1;
}

/* ---- the meter: the bench's own where the run has one, else a person reads it ---------------- */

/* clang-format off */
static const struct {
    const char *of, *prompt, *begins, *ends;
    enum unit unit;
    enum meter_kind kind;
} probes[PROBES] = {
    [PROBE_OHMS]  = { "",       "meter-ohms",  "ohms: from ", " to ground, board unpowered: the reading in ohms?", UNIT_OHMS, METER_OHMS },
    [PROBE_DIODE] = { " diode", "meter-diode", "diode: red probe on ground, black on ", ", board unpowered: the reading in volts?", UNIT_VOLTS, METER_DIODE },
    [PROBE_IDLE]  = { " idle",  "meter-amps",  "idle: what the board, not switched on, draws when a supply of your own feeds ", ": the reading in amps?", UNIT_AMPS, METER_NONE },
};
/* clang-format on */

bool probe_is_metered(enum probe probe)
{
    return probes[probe].kind != METER_NONE;
}

/* A person holds its leads on the rail. Why it gives no value; NULL: it does. */
static const char *read_meter(struct recipe *recipe, int rail, enum meter_kind kind, double *value)
{
    enum { MOST_MS = 8000 };
    const struct wire_snapshot *s = &recipe->snapshot;
    int64_t until_ms = s->t_ms + MOST_MS;
    int32_t fed = recipe->turn.rail;
    bool good = false, open = false;
    recipe->turn.meter = (int32_t)kind;
    recipe->turn.rail = rail;
    while (!good && !open && s->t_ms < until_ms) {
        exchange(recipe);
        good = s->meter_kind == (int32_t)kind && s->meter_quality == QUALITY_GOOD;
        open = s->meter_kind == (int32_t)kind && s->meter_quality == QUALITY_OPEN;
    }
    *value = s->meter_value;
    recipe->turn.meter = METER_NONE;
    recipe->turn.rail = fed;
    return good ? NULL : open ? "The meter is over its range. " : "The meter does not answer. ";
}

static void ask_to_hold(char text[BENCH_TEXT], const char *first, const char *rail,
                        enum probe probe)
{
    const char *ends = probes[probe].ends;
    snprintf(text, BENCH_TEXT,
             "%s%s%s%.*s: are the bench meter's probes on it, and held? no: you type the reading",
             first, probes[probe].begins, rail, (int)strcspn(ends, ":"), ends);
}

static enum hand_answer ask_meter(struct recipe *recipe, const char *first, const char *rail,
                                  enum probe probe, double timeout_s, double *value)
{
    char text[BENCH_TEXT];
    const char *why = "";
    int index = 0;
    while (strcmp(recipe->board.rail[index].limits.name, rail) != 0)
        index++;
    if (recipe->snapshot.meter_quality != QUALITY_NONE && probe_is_metered(probe)) {
        double start_s = now_s(recipe);
        ask_to_hold(text, first, rail, probe);
        enum hand_answer answer =
            exchange_prompt(recipe, NOTE_CONFIRM, HAND_NONE, "", 0, text, timeout_s);
        if (answer == ANSWER_NONE)
            return answer;
        if (answer != ANSWER_NO)
            why = read_meter(recipe, index, probes[probe].kind, value);
        if (!why)
            return ANSWER_VALUE;
        timeout_s -= now_s(recipe) - start_s;
        if (timeout_s <= 0)
            return ANSWER_NONE;
        tally_time(recipe, -timeout_s); /* it is part of the time that counts already */
    }
    snprintf(text, sizeof text, "%s%s%s%s%s", why, first, probes[probe].begins, rail,
             probes[probe].ends);
    return ask_number(recipe, probes[probe].prompt, index, false, text, probes[probe].unit,
                      timeout_s, value);
}

int act_meter_read(struct recipe *recipe, struct call *call)
{
    enum probe probe = call_number(call, "kind") > 0 ? PROBE_DIODE : PROBE_OHMS;
    double timeout_s = call_number(call, "timeout"), value;
    char time[32];
    if (recipe->turn.supply_on || recipe->snapshot.supply_on)
        recipe_fail(recipe, TL_LIMIT, "meter.read",
                    "meter.read: the supply is on; the meter reads an unpowered rail");
    enum hand_answer answer =
        ask_meter(recipe, "", call_text(call, "rail"), probe, timeout_s, &value);
    if (answer == ANSWER_NONE)
        return call_otherwise(recipe, call, TL_TIMEOUT, "nobody answered within %s",
                              quantity_print(timeout_s, UNIT_TIME, time, sizeof time));
    if (answer != ANSWER_VALUE)
        return call_otherwise(recipe, call, TL_STEP, "no value was given");
    lua_pushnumber(recipe->lua, value);
    return 1;
}

enum probe probe_of(const char *item, char rail[BENCH_NAME])
{
    size_t length = strlen(item);
    enum probe probe = PROBES;
    while (--probe > PROBE_OHMS) { /* the plain name last */
        size_t tail = strlen(probes[probe].of);
        if (length > tail && strcmp(item + length - tail, probes[probe].of) == 0)
            break;
    }
    snprintf(rail, BENCH_NAME, "%.*s", (int)(length - strlen(probes[probe].of)), item);
    return probe;
}

enum { MINUTES = 5 };

void measure_before(struct recipe *recipe)
{
    for (int i = 0; i < recipe->header.before_count; i++) {
        const char *item = recipe->header.before[i];
        char rail[BENCH_NAME];
        double value;
        enum probe probe = probe_of(item, rail);
        enum hand_answer answer = ask_meter(recipe, "", rail, probe, MINUTES * 60.0, &value);
        if (answer != ANSWER_VALUE)
            place_fail(recipe, place_item(place_key(recipe->header_place, "before"), i),
                       answer == ANSWER_NONE ? TL_TIMEOUT : TL_STEP, item,
                       "before: %s was not measured; the header wants it recorded before any heat",
                       item);
        exchange_note(recipe, NOTE_VALUE, item, value, unit_base(probes[probe].unit));
    }
}

/* The work is done: who does not measure again is told what is missing, and nothing fails. */
void measure_after(struct recipe *recipe)
{
    for (int i = 0; i < recipe->header.before_count; i++) {
        const char *item = recipe->header.before[i];
        char rail[BENCH_NAME], text[BENCH_TEXT];
        double value;
        enum probe probe = probe_of(item, rail);
        if (ask_meter(recipe, "Again, once it is cold. ", rail, probe, MINUTES * 60.0, &value) !=
            ANSWER_VALUE) {
            recipe_warn(recipe, "%s was not measured again after the run", item);
            continue;
        }
        snprintf(text, sizeof text, "%s, %s", item, unit_base(probes[probe].unit));
        exchange_note(recipe, NOTE_JOB, "after", value, text);
    }
}
