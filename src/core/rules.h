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

/* What the contracts of this folder speak of. */
/* clang-format off */
/*@ predicate facts_valid(struct facts *f) =
        \valid_read(f) && \valid_read(f->limits) && \valid_read(f->in) && \valid_read(f->want);

    predicate trusted(struct temp_reading *r, integer stale_ms) =
        r->quality == QUALITY_GOOD && 0 <= r->age_ms <= stale_ms;

    predicate cooler(struct temp_reading *r, integer stale_ms, integer most_mc) =
        trusted(r, stale_ms) && r->temp_mc < most_mc;

    // every sensor in use can be read, is fresh, and is below its limit
    predicate sensors_below(struct limits *l, struct readings *in, integer most_mc, integer board_mc) =
        (l->uses_plate ==> cooler(&in->plate, l->stale_ms, most_mc) &&
                           cooler(&in->sensor[SENSOR_PLATE], l->stale_ms, most_mc)) &&
        (l->uses_plate && l->has_plate_2 ==> cooler(&in->sensor[SENSOR_PLATE_2], l->stale_ms, most_mc)) &&
        (l->has_board ==> cooler(&in->sensor[SENSOR_BOARD], l->stale_ms, board_mc));

    predicate supply_seen_off(struct limits *l, struct readings *in) =
        l->uses_supply ==> in->supply.quality == QUALITY_GOOD && !in->supply.on && in->supply.ma <= 100;

    predicate rail_in_table(struct limits *l, integer rail) =
        0 <= rail < l->rail_count && rail < BENCH_RAILS;

    // what a rail that is in the table may have
    logic integer rail_mv(struct limits *l, struct wanted *w) =
        w->inject ? l->rail[w->rail].inject_mv : l->rail[w->rail].mv;
    logic integer rail_ma(struct limits *l, struct wanted *w) =
        w->inject ? l->rail[w->rail].inject_ma : l->rail[w->rail].ma;
*/
/* clang-format on */

/* Is the rule's cause there? */
/*@ requires facts_valid(f);
    assigns \nothing;
*/
bool rule_fires(enum rule_id id, const struct facts *f);

/* Good, and no older than a value may be. */
/*@ requires \valid_read(reading);
    assigns \nothing;
    ensures \result <==> trusted(reading, stale_ms);
*/
bool temp_is_trusted(const struct temp_reading *reading, int32_t stale_ms);
/* Every sensor in use is trusted and below `most_mc` (plate sensors) or `board_mc`. */
/*@ requires \valid_read(limits) && \valid_read(in);
    assigns \nothing;
    ensures \result <==> sensors_below(limits, in, most_mc, board_mc);
*/
bool sensors_are_below(const struct limits *limits, const struct readings *in, int32_t most_mc,
                       int32_t board_mc);

/* It says so, or gives a current that no output gives when it is off. */
/*@ requires \valid_read(limits) && \valid_read(in);
    assigns \nothing;
    ensures in->supply.quality == QUALITY_GOOD ==> (\result <==> !supply_seen_off(limits, in));
    ensures !limits->uses_supply ==> !\result;
*/
bool supply_reads_on(const struct limits *limits, const struct readings *in);

/* What the supply may give as things are wanted: of the rail that is fed, or of the bench when
 * none is. */
/*@ requires \valid_read(limits) && \valid_read(want);
    assigns \nothing;
    ensures want->supply_on && rail_in_table(limits, want->rail) ==> \result == rail_mv(limits, want);
*/
int32_t supply_limit_mv(const struct limits *limits, const struct wanted *want);
/*@ requires \valid_read(limits) && \valid_read(want);
    assigns \nothing;
    ensures want->supply_on && rail_in_table(limits, want->rail) ==> \result == rail_ma(limits, want);
*/
int32_t supply_limit_ma(const struct limits *limits, const struct wanted *want);
/* How far two sensors on one plate may read apart. */
/*@ assigns \nothing;
    ensures \result >= 15000;
*/
int32_t sensors_most_apart(int32_t higher_mc);
/*@ requires \valid_read(limits);
    assigns \nothing;
    ensures \result <==> rail_in_table(limits, rail);
*/
bool rail_is_valid(const struct limits *limits, int32_t rail);

#endif
