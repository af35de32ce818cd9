/* SPDX-License-Identifier: MIT */
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

static const char *check_rows(void)
{
    for (enum rule_id i = 0; i < RULES; i++) {
        if (!rules[i].id || !rules[i].id[0])
            return "a rule has no id";
        if (rules[i].for_ms < 0 || rules[i].latch != latch_of(rules[i].kind))
            return "a rule's time or latch does not fit its kind";
        for (enum rule_id j = 0; j < i; j++)
            if (strcmp(rules[i].id, rules[j].id) == 0)
                return "two rules have the same id";
    }
    return NULL;
}

static bool some_trip_fires(const struct facts *f)
{
    for (enum rule_id i = 0; i < RULES; i++)
        if (rules[i].kind == RULE_TRIP && rule_fires(i, f))
            return true;
    return false;
}

/* A rule that was forgotten in rule_fires always fires, so a bench at rest shows it. */
static const char *check_questions(void)
{
    static const struct readings nothing;
    static const struct wanted no_wish;
    struct facts f = {limits_built_in(), &nothing, &no_wish, 0, 0, 0};
    for (enum rule_id i = 0; i < RULES; i++)
        if (rule_fires(i, &f))
            return "a rule has no question";
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

/* Take each input away in turn; a rule must trip on its absence. */
static const char *check_unread(void)
{
    static const struct wanted no_wish;
    struct limits limits = *limits_built_in();
    limits.uses_plate = limits.uses_supply = limits.has_plate_2 = limits.has_board = true;
    struct readings in;
    struct facts f = {&limits, &in, &no_wish, LATE_MS, 0, 0};

    all_is_well(&in);
    if (some_trip_fires(&f))
        return "a rule trips on a bench where all is well";
    for (int i = 0; i < SENSORS; i++) {
        all_is_well(&in);
        in.sensor[i].quality = QUALITY_NONE;
        if (!some_trip_fires(&f))
            return "no rule trips when a sensor is not read";
    }
    all_is_well(&in);
    in.plate.quality = QUALITY_NONE;
    if (!some_trip_fires(&f))
        return "no rule trips when the plate is not read";
    all_is_well(&in);
    in.supply.quality = QUALITY_NONE;
    if (!some_trip_fires(&f))
        return "no rule trips when the supply is not read";
    all_is_well(&in);
    in.plate_silent_ms = LATE_MS;
    if (!some_trip_fires(&f))
        return "no rule trips when the plate's instrument is silent";
    all_is_well(&in);
    in.supply_silent_ms = LATE_MS;
    if (!some_trip_fires(&f))
        return "no rule trips when the supply is silent";
    all_is_well(&in);
    in.recipe_silent_ms = LATE_MS;
    if (!some_trip_fires(&f))
        return "no rule trips when the recipe is silent";
    all_is_well(&in);
    in.keeper_silent_ms = LATE_MS;
    if (!some_trip_fires(&f))
        return "no rule trips when the keeper is silent";
    all_is_well(&in);
    in.record_late_ms = LATE_MS;
    return some_trip_fires(&f) ? NULL : "no rule trips when the record is late";
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

const char *interlock_validate(const struct limits *limits)
{
    const char *wrong = check_rows();
    if (!wrong)
        wrong = check_questions();
    if (!wrong)
        wrong = check_unread();
    return wrong ? wrong : check_limits(limits);
}
