/* SPDX-License-Identifier: MIT */
#include <stdio.h>
#include <string.h>

#include "rules.h"

/* No reading is ever left for longer; a limit on silence beyond it would be none. */
enum { LONGEST_SILENCE_MS = 10000 };
enum { LONGEST_AWAY_MS = 31 * 60000 };
enum { LATE_MS = 3600000 }; /* long after every first reading was due */

/* What a row's kind latches: only a fault outlives the run. */
static enum rule_latch latch_of(enum rule_kind kind)
{
    switch (kind) {
    case RULE_WARN:
    case RULE_PAUSE:
        return LATCH_NONE;
    case RULE_TRIP:
        return UNTIL_CLEAR;
    case RULE_STOP:
        break;
    }
    return THIS_RUN;
}

/* "the rule plate-over has no words" */
static const char *blame(const char *id, const char *what, char *text)
{
    snprintf(text, BENCH_TEXT, "the rule %s %s", id, what);
    return text;
}

static const char *check_rows(char *text)
{
    for (enum rule_id i = 0; i < RULES; i++) {
        if (!rules[i].id || !rules[i].id[0]) {
            snprintf(text, BENCH_TEXT, "the rule in row %d has no id", (int)i + 1);
            return text;
        }
        if (rules[i].for_ms < 0 || rules[i].latch != latch_of(rules[i].kind))
            return blame(rules[i].id, "has a time or latch that does not fit its kind", text);
        for (enum rule_id j = 0; j < i; j++)
            if (strcmp(rules[i].id, rules[j].id) == 0)
                return blame(rules[i].id, "stands in the table twice", text);
    }
    return NULL;
}

/* The first trip that fires; RULES if none does. */
static enum rule_id firing_trip(const struct facts *f)
{
    enum rule_id id = 0;
    while (id < RULES && !(rules[id].kind == RULE_TRIP && rule_fires(id, f)))
        id++;
    return id;
}

/* A rule that was forgotten in rule_fires always fires, so a bench at rest shows it. */
static const char *check_questions(char *text)
{
    static const struct readings nothing;
    static const struct wanted no_wish;
    struct facts f = {.limits = limits_built_in(), .in = &nothing, .want = &no_wish};
    for (enum rule_id i = 0; i < RULES; i++)
        if (rule_fires(i, &f))
            return blame(rules[i].id, "has no question", text);
    return NULL;
}

static void all_is_well(struct readings *in)
{
    const struct temp_reading cool = {QUALITY_GOOD, 25000, 0};
    *in = (struct readings){.t_ms = LATE_MS, .plate = cool};
    for (int i = 0; i < SENSORS; i++)
        in->sensor[i] = cool;
    in->supply.quality = QUALITY_GOOD;
}

/* Who trips without saying why is of no use to a person. */
static const char *check_words(char *text)
{
    static const struct wanted no_wish;
    struct readings in;
    struct rule_words words;

    all_is_well(&in);
    for (enum rule_id i = 0; i < RULES; i++) {
        interlock_explain(i, limits_built_in(), &in, &no_wish, 0, &words);
        /* `what` ends with the rule's id in brackets, whatever stands before it */
        if (words.what[0] == ' ' || !words.act[0] || !words.inspect[0])
            return blame(rules[i].id, "has no words", text);
    }
    return NULL;
}

/* Every input on whose absence a rule must trip, and how it looks when nothing is heard of it. A new one is one row here.
 * Left out: what stops or pauses by its absence (front, presence), and what may be absent for good (the ramp's first
 * seconds, the duty that a plate does not tell). */
/* clang-format off */
#define UNREAD_LIST(X)                                                                       \
    X("the plate sensor is not read",           sensor[SENSOR_PLATE].quality,   QUALITY_NONE) \
    X("the second plate sensor is not read",    sensor[SENSOR_PLATE_2].quality, QUALITY_NONE) \
    X("the board sensor is not read",           sensor[SENSOR_BOARD].quality,   QUALITY_NONE) \
    X("the plate is not read",                  plate.quality,                  QUALITY_NONE) \
    X("the supply is not read",                 supply.quality,                 QUALITY_NONE) \
    X("the plate's instrument is silent",       plate_silent_ms,                LATE_MS)      \
    X("the supply is silent",                   supply_silent_ms,               LATE_MS)      \
    X("the recipe is silent",                   recipe_silent_ms,               LATE_MS)      \
    X("the keeper is silent",                   keeper_silent_ms,               LATE_MS)      \
    X("the record is late",                     record_late_ms,                 LATE_MS)
/* clang-format on */

/* Take each input away in turn; a rule must trip on its absence. */
static const char *check_unread(char *text)
{
    static const struct wanted no_wish;
    struct limits limits = *limits_built_in();
    limits.uses_plate = limits.uses_supply = limits.has_plate_2 = limits.has_board = true;
    struct readings in;
    struct facts f = {.limits = &limits, .in = &in, .want = &no_wish, .t_ms = LATE_MS};

    all_is_well(&in);
    if (firing_trip(&f) < RULES)
        return blame(rules[firing_trip(&f)].id, "trips on a bench where all is well", text);
#define X(what, field, value)                                                                      \
    all_is_well(&in);                                                                              \
    in.field = (value);                                                                            \
    if (firing_trip(&f) == RULES)                                                                  \
        return "no rule trips when " what;
    UNREAD_LIST(X)
#undef X
    return NULL;
}

static bool is_silence(int32_t for_ms)
{
    return for_ms > 0 && for_ms <= LONGEST_SILENCE_MS;
}

static bool is_within(int32_t value, int32_t most)
{
    return value >= 0 && value <= most;
}

static const char *check_limits(const struct limits *limits)
{
#define X(field, key, unit, scale, ceiling)                                                        \
    if (limits->field <= 0 || limits->field > (ceiling))                                           \
        return "the limit " key " is not above 0 and at most this build's ceiling";
    LIMIT_LIST(X)
#undef X
    if (!is_silence(limits->stale_ms) || !is_silence(limits->silent_ms) ||
        !is_silence(limits->recipe_silent_ms) || !is_silence(limits->front_pause_ms) ||
        !is_silence(limits->front_stop_ms) || !is_silence(limits->keeper_silent_ms) ||
        !is_silence(limits->record_late_ms))
        return "a limit on silence is not above 0 and at most 10 s";
    if (limits->presence_ms <= 0 || limits->presence_ms > LONGEST_AWAY_MS)
        return "the time that nobody need be there is not above 0 and at most 31 min";
    if (!is_within(limits->rail_count, BENCH_RAILS))
        return "there are more rails than the table can hold";
    for (int32_t i = 0; i < limits->rail_count; i++) {
        const struct rail_limits *rail = &limits->rail[i];
        if (!is_within(rail->mv, limits->supply_mv) || !is_within(rail->ma, limits->supply_ma) ||
            !is_within(rail->inject_mv, limits->inject_mv) ||
            !is_within(rail->inject_ma, limits->inject_ma))
            return "a rail may be fed more than the supply may give";
    }
    return NULL;
}

const char *interlock_validate(const struct limits *limits, char text[BENCH_TEXT])
{
    const char *wrong = check_rows(text);
    if (!wrong)
        wrong = check_questions(text);
    if (!wrong)
        wrong = check_words(text);
    if (!wrong)
        wrong = check_unread(text);
    return wrong ? wrong : check_limits(limits);
}

enum rule_id rule_find(const char *id)
{
    for (enum rule_id i = 0; i < RULES; i++)
        if (strcmp(rules[i].id, id) == 0)
            return i;
    return RULES;
}
