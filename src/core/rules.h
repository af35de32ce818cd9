/* SPDX-License-Identifier: MIT */
/* rules - one question per rule, asked of what this scan knows.
 *
 * Never      keeps anything, or answers "fine" for a rule that has no question. */
#ifndef TINLATCH_CORE_RULES_H
#define TINLATCH_CORE_RULES_H

#include "tinlatch/interlock.h"

/* What a rule may look at. */
struct facts {
    const struct limits *limits;
    const struct readings *in;
    const struct wanted *want;
    int64_t t_ms;
    int64_t heat_ms;
    uint32_t stop_seen;
    bool heat_was_granted, supply_was_granted; /* at the scan before, ... */
    int32_t granted_mv, granted_ma;            /* ... and with how much */
};

/* Is the rule's cause there? */
bool rule_fires(enum rule_id id, const struct facts *f);

/* Good, and no older than a value may be. */
bool temp_is_trusted(const struct temp_reading *reading, int32_t stale_ms);
/* Every sensor in use is trusted and below `most_mc` (plate sensors) or `board_mc`. */
bool sensors_are_below(const struct facts *f, int32_t most_mc, int32_t board_mc);

/* It says so, or gives a current that no output gives when it is off. */
bool supply_reads_on(const struct facts *f);

/* What the supply may give as things are wanted: of the rail that is fed, or of the bench when
 * none is. */
int32_t supply_limit_mv(const struct limits *limits, const struct wanted *want);
int32_t supply_limit_ma(const struct limits *limits, const struct wanted *want);
/* How far two sensors on one plate may read apart. */
int32_t sensors_most_apart(int32_t higher_mc);
bool rail_is_valid(const struct limits *limits, int32_t rail);

#endif
