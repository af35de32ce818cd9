/* SPDX-License-Identifier: MIT */
#include "tinlatch/limits.h"

/* Why this build goes no further, field by field:
 *
 * plate      350 C. Tin-lead and lead-free joints melt below 220 C, and the plate of a bench is some
 *            tens of degrees warmer than the joints; above 350 C laminate decomposes (FR-4: 300 to
 *            350 C), so no repair needs it.
 * board      260 C. J-STD-020: the highest classification temperature of any package body, measured
 *            at its top.
 * ramp       3 C/s. J-STD-020: the steepest rise to peak for a package.
 * heat time  60 min. Common practice: a split or a join takes minutes; an hour of heat is a plate that
 *            was forgotten.
 * supply     20 V, 5 A. Common practice: what a handheld's charger and battery inputs take at most.
 * inject     1.5 V, 3 A. Common practice: shorts are sought with about 1 V and 1 to 3 A; more volts
 *            reach chips that are still good.
 * power      60 C. Common practice: a board is handled, and may be powered, below what a hand bears;
 *            solder and underfill are hard by then. */
static const struct limits built_in = {
#define X(field, key, unit, scale, ceiling) .field = ceiling,
    LIMIT_LIST(X)
#undef X
        /* Not merged; where a caller has nothing better. One second: a plate at 3 C/s then has gone no
     * further than 3 C unseen, and slow links stay below it (bursts of half a second are usual). */
        .stale_ms = 1000,
    .silent_ms = 1000,
    .recipe_silent_ms = 1000,
    .front_pause_ms = 2000,
    .front_stop_ms = 10000,
    .keeper_silent_ms = 500,
    .scan_late_ms = 200,
    .record_late_ms = 1000,
    .presence_ms = 660000, /* ten minutes, and one to answer the question */
};

/*@ requires \valid_read(limits);
    assigns \nothing;
*/
int32_t limits_get(const struct limits *limits, enum limit_id id)
{
    switch (id) {
#define X(field, key, unit, scale, ceiling)                                                        \
    case LIMIT_##field:                                                                            \
        return limits->field;
        LIMIT_LIST(X)
#undef X
    case LIMITS:
        break;
    }
    return 0;
}

/*@ requires \valid(limits);
    assigns *limits;
*/
void limits_set(struct limits *limits, enum limit_id id, int32_t value)
{
    switch (id) {
#define X(field, key, unit, scale, ceiling)                                                        \
    case LIMIT_##field:                                                                            \
        limits->field = value;                                                                     \
        return;
        LIMIT_LIST(X)
#undef X
    case LIMITS:
        return;
    }
}

/*@ assigns \nothing;
    ensures \result == &built_in;
*/
const struct limits *limits_built_in(void)
{
    return &built_in;
}

/* clang-format off */
/*@ predicate lowered(integer now, integer before) = now <= before || now == 0;

    predicate feeds_something(struct limits *m) =
        m->supply_mv > 0 && m->supply_ma > 0 && m->inject_mv > 0 && m->inject_ma > 0;

    predicate rail_is_no_wider{A, B}(struct rail_limits *now, struct rail_limits *before) =
        lowered(\at(now->mv, B), \at(before->mv, A)) &&
        lowered(\at(now->ma, B), \at(before->ma, A)) &&
        lowered(\at(now->inject_mv, B), \at(before->inject_mv, A)) &&
        lowered(\at(now->inject_ma, B), \at(before->inject_ma, A));

    predicate rail_is_same{A, B}(struct rail_limits *now, struct rail_limits *before) =
        \at(now->mv, B) == \at(before->mv, A) && \at(now->ma, B) == \at(before->ma, A) &&
        \at(now->inject_mv, B) == \at(before->inject_mv, A) && \at(now->inject_ma, B) == \at(before->inject_ma, A);

    predicate rail_is_capped(struct rail_limits *r, integer mv, integer ma, integer inject_mv, integer inject_ma) =
        r->mv <= mv && r->ma <= ma && r->inject_mv <= inject_mv && r->inject_ma <= inject_ma;

    predicate rail_is_of_no_sign(struct rail_limits *r) =
        r->mv >= 0 && r->ma >= 0 && r->inject_mv >= 0 && r->inject_ma >= 0;

    predicate rail_is_capped_by(struct rail_limits *r, struct limits *m) =
        rail_is_capped(r, m->supply_mv, m->supply_ma, m->inject_mv, m->inject_ma);
*/
/* clang-format on */

/*@ assigns \nothing;
    ensures \result <= a && \result <= b;
    ensures \result == a || \result == b;
*/
static int32_t lower_of(int32_t a, int32_t b)
{
    return a < b ? a : b;
}

/* `value` where it is stated, but never above what stands. */
/*@ assigns \nothing;
    ensures \result <= stands;
    ensures stands > 0 ==> \result > 0;
    ensures value > 0 ==> \result <= value;
*/
static int32_t tightened(int32_t stands, int32_t value)
{
    return value > 0 ? lower_of(stands, value) : stands;
}

/*@ assigns \nothing;
    ensures \result >= 0;
    ensures lowered(\result, value);
*/
static int32_t not_negative(int32_t value)
{
    return value > 0 ? value : 0;
}

/* Whose line a field has that stands and is about to be lowered. */
/*@ requires \valid(origin);
    assigns *origin;
*/
static void note_origin(struct limit_origin *origin, int32_t stands, int32_t value,
                        enum limit_layer which, int32_t line)
{
    if (value <= 0 || value >= stands)
        return;
    origin->layer = which;
    origin->line = line;
}

/*@ requires \valid(origins) && \valid_read(merged) && \valid_read(layer);
    requires line_of == \null || \valid_read(line_of + (0 .. LIMITS - 1));
    assigns *origins;
*/
static void note_origins(struct limit_origins *origins, const struct limits *merged,
                         const struct limits *layer, enum limit_layer which, const int32_t *line_of)
{
#define X(field, key, unit, scale, ceiling)                                                        \
    note_origin(&origins->of[LIMIT_##field], merged->field, layer->field, which,                   \
                line_of ? line_of[LIMIT_##field] : 0);
    LIMIT_LIST(X)
#undef X
}

/*@ requires \valid(merged) && \valid_read(layer) && \separated(merged, layer);
    assigns merged->plate_mc, merged->board_mc, merged->ramp_mc_s, merged->heat_time_ms,
            merged->supply_mv, merged->supply_ma, merged->inject_mv, merged->inject_ma,
            merged->power_mc;
    ensures merged->plate_mc <= \old(merged->plate_mc);
    ensures merged->board_mc <= \old(merged->board_mc);
    ensures merged->ramp_mc_s <= \old(merged->ramp_mc_s);
    ensures merged->heat_time_ms <= \old(merged->heat_time_ms);
    ensures merged->supply_mv <= \old(merged->supply_mv);
    ensures merged->supply_ma <= \old(merged->supply_ma);
    ensures merged->inject_mv <= \old(merged->inject_mv);
    ensures merged->inject_ma <= \old(merged->inject_ma);
    ensures merged->power_mc <= \old(merged->power_mc);
    ensures \forall integer k; 0 <= k < BENCH_RAILS ==> rail_is_same{Pre, Post}(&merged->rail[k], &merged->rail[k]);
    ensures \old(feeds_something(merged)) ==> feeds_something(merged);
*/
static void tighten_fields(struct limits *merged, const struct limits *layer)
{
#define X(field, key, unit, scale, ceiling) merged->field = tightened(merged->field, layer->field);
    LIMIT_LIST(X)
#undef X
}

/*@ requires \valid_read(limits);
    assigns \nothing;
    ensures 0 <= \result <= BENCH_RAILS;
*/
static int32_t rails_of(const struct limits *limits)
{
    int32_t count = limits->rail_count < 0 ? 0 : limits->rail_count;
    return lower_of(count, BENCH_RAILS);
}

/* The two names are of BENCH_NAME bytes, or end with a NUL before. */
/*@ requires \valid_read(a + (0 .. BENCH_NAME - 1)) && \valid_read(b + (0 .. BENCH_NAME - 1));
    assigns \nothing;
*/
static bool is_same_name(const char *a, const char *b)
{
    /*@ loop invariant 0 <= i <= BENCH_NAME;
        loop assigns i;
        loop variant BENCH_NAME - i;
    */
    for (int32_t i = 0; i < BENCH_NAME; i++) {
        if (a[i] != b[i])
            return false;
        if (a[i] == '\0')
            return true;
    }
    return true;
}

/*@ requires \valid_read(limits) && \valid_read(name + (0 .. BENCH_NAME - 1));
    assigns \nothing;
    ensures -1 <= \result < BENCH_RAILS;
*/
int32_t limits_find_rail(const struct limits *limits, const char *name)
{
    /*@ loop invariant 0 <= i <= BENCH_RAILS;
        loop assigns i;
        loop variant BENCH_RAILS - i;
    */
    for (int32_t i = 0; i < rails_of(limits); i++)
        if (is_same_name(limits->rail[i].name, name))
            return i;
    return -1;
}

/* What the recipe chose of a rail, NULL if it did not. */
/*@ requires \valid(rail) && (chosen == \null || \valid_read(chosen));
    requires \separated(rail, chosen);
    assigns rail->mv, rail->ma, rail->inject_mv, rail->inject_ma;
    ensures rail_is_no_wider{Pre, Post}(rail, rail);
*/
static void choose_rail(struct rail_limits *rail, const struct rail_limits *chosen)
{
    rail->mv = chosen ? tightened(rail->mv, chosen->mv) : 0;
    rail->ma = chosen ? tightened(rail->ma, chosen->ma) : 0;
    rail->inject_mv = chosen ? tightened(rail->inject_mv, chosen->inject_mv) : 0;
    rail->inject_ma = chosen ? tightened(rail->inject_ma, chosen->inject_ma) : 0;
}

/*@ requires \valid(rail);
    assigns rail->mv, rail->ma, rail->inject_mv, rail->inject_ma;
    ensures rail_is_no_wider{Pre, Post}(rail, rail);
    ensures mv >= 0 && ma >= 0 && inject_mv >= 0 && inject_ma >= 0 ==>
        rail_is_capped(rail, mv, ma, inject_mv, inject_ma);
    ensures rail_is_of_no_sign(rail);
    ensures rail->mv > 0 ==> rail->inject_mv <= rail->mv;
*/
static void cap_rail(struct rail_limits *rail, int32_t mv, int32_t ma, int32_t inject_mv,
                     int32_t inject_ma)
{
    rail->mv = not_negative(lower_of(rail->mv, mv));
    rail->ma = not_negative(lower_of(rail->ma, ma));
    rail->inject_mv = not_negative(lower_of(rail->inject_mv, inject_mv));
    rail->inject_ma = not_negative(lower_of(rail->inject_ma, inject_ma));
    /* More than its own volts would reach good chips through a rail that is not shorted. */
    if (rail->mv > 0)
        rail->inject_mv = lower_of(rail->inject_mv, rail->mv);
}

/*@ requires \valid(rail) && \valid_read(from) && \separated(rail, from);
    assigns *rail;
    ensures rail_is_same{Pre, Post}(rail, from);
*/
static void take_rail(struct rail_limits *rail, const struct rail_limits *from)
{
    *rail = *from;
}

/* The board's rails, as they are. */
/*@ requires \valid(merged) && \valid_read(layer) && \separated(merged, layer);
    assigns merged->rail_count, merged->rail[0 .. BENCH_RAILS - 1];
    ensures 0 <= merged->rail_count <= BENCH_RAILS;
    ensures \forall integer k; 0 <= k < merged->rail_count ==> rail_is_same{Pre, Post}(&merged->rail[k], &layer->rail[k]);
*/
static void take_rails(struct limits *merged, const struct limits *layer)
{
    merged->rail_count = rails_of(layer);
    /*@ loop invariant 0 <= i <= merged->rail_count;
        loop invariant \forall integer k; 0 <= k < i ==> rail_is_same{Pre, Here}(&merged->rail[k], &layer->rail[k]);
        loop assigns i, merged->rail[0 .. BENCH_RAILS - 1];
        loop variant merged->rail_count - i;
    */
    for (int32_t i = 0; i < merged->rail_count; i++)
        take_rail(&merged->rail[i], &layer->rail[i]);
}

/* The i-th rail, once the merged fields are as low as this layer makes them. */
/*@ requires \valid(merged) && \valid_read(layer) && \separated(merged, layer);
    requires 0 <= i < BENCH_RAILS && feeds_something(merged);
    assigns merged->rail[i].mv, merged->rail[i].ma, merged->rail[i].inject_mv, merged->rail[i].inject_ma;
    ensures rail_is_capped_by(&merged->rail[i], merged) && rail_is_of_no_sign(&merged->rail[i]);
    ensures rail_is_no_wider{Pre, Post}(&merged->rail[i], &merged->rail[i]);
*/
static void tighten_rail(struct limits *merged, int32_t i, const struct limits *layer,
                         enum limit_layer which)
{
    struct rail_limits *rail = &merged->rail[i];
    if (which == LAYER_RECIPE) {
        int32_t chosen = limits_find_rail(layer, rail->name);
        choose_rail(rail, chosen < 0 ? NULL : &layer->rail[chosen]);
    }
    cap_rail(rail, merged->supply_mv, merged->supply_ma, merged->inject_mv, merged->inject_ma);
}

/*@ requires \valid(merged) && \valid_read(layer) && \separated(merged, layer);
    requires 0 <= merged->rail_count <= BENCH_RAILS && feeds_something(merged);
    assigns merged->rail[0 .. BENCH_RAILS - 1];
    ensures \forall integer k; 0 <= k < merged->rail_count ==>
        rail_is_capped_by(&merged->rail[k], merged) && rail_is_of_no_sign(&merged->rail[k]);
    ensures \forall integer k; 0 <= k < merged->rail_count ==>
        rail_is_no_wider{Pre, Post}(&merged->rail[k], &merged->rail[k]);
*/
static void tighten_rails(struct limits *merged, const struct limits *layer, enum limit_layer which)
{
    /*@ loop invariant 0 <= i <= merged->rail_count;
        loop invariant \forall integer k; 0 <= k < i ==>
            rail_is_capped_by(&merged->rail[k], merged) && rail_is_of_no_sign(&merged->rail[k]);
        loop invariant \forall integer k; 0 <= k < i ==>
            rail_is_no_wider{Pre, Here}(&merged->rail[k], &merged->rail[k]);
        loop invariant \forall integer k; i <= k < BENCH_RAILS ==>
            rail_is_same{Pre, Here}(&merged->rail[k], &merged->rail[k]);
        loop assigns i, merged->rail[0 .. BENCH_RAILS - 1];
        loop variant merged->rail_count - i;
    */
    for (int32_t i = 0; i < merged->rail_count; i++)
        tighten_rail(merged, i, layer, which);
}

/* The tightening itself, whatever the origins. */
/*@ requires \valid(merged) && \valid_read(layer) && \separated(merged, layer);
    requires 0 <= merged->rail_count <= BENCH_RAILS && feeds_something(merged);
    assigns *merged;
    ensures merged->plate_mc <= \old(merged->plate_mc);
    ensures merged->board_mc <= \old(merged->board_mc);
    ensures merged->ramp_mc_s <= \old(merged->ramp_mc_s);
    ensures merged->heat_time_ms <= \old(merged->heat_time_ms);
    ensures merged->supply_mv <= \old(merged->supply_mv);
    ensures merged->supply_ma <= \old(merged->supply_ma);
    ensures merged->inject_mv <= \old(merged->inject_mv);
    ensures merged->inject_ma <= \old(merged->inject_ma);
    ensures merged->power_mc <= \old(merged->power_mc);
    ensures 0 <= merged->rail_count <= BENCH_RAILS;
    ensures \forall integer k; 0 <= k < merged->rail_count ==>
        rail_is_capped_by(&merged->rail[k], merged) && rail_is_of_no_sign(&merged->rail[k]);
    ensures board_rails: which == LAYER_BOARD ==> (\forall integer k; 0 <= k < merged->rail_count ==>
        rail_is_no_wider{Pre, Post}(&merged->rail[k], &layer->rail[k]));
    ensures which != LAYER_BOARD ==> merged->rail_count == \old(merged->rail_count) &&
        (\forall integer k; 0 <= k < merged->rail_count ==>
            rail_is_no_wider{Pre, Post}(&merged->rail[k], &merged->rail[k]));
*/
static void merge(struct limits *merged, const struct limits *layer, enum limit_layer which)
{
    if (which == LAYER_BOARD)
        take_rails(merged, layer);
    tighten_fields(merged, layer);
    /*@ assert which == LAYER_BOARD ==> \forall integer k; 0 <= k < merged->rail_count ==>
            rail_is_same{Pre, Here}(&merged->rail[k], &layer->rail[k]); */
    /*@ assert which != LAYER_BOARD ==> \forall integer k; 0 <= k < BENCH_RAILS ==>
            rail_is_same{Pre, Here}(&merged->rail[k], &merged->rail[k]); */
    tighten_rails(merged, layer, which);
}

/* What the header promises of it. */
/*@ requires \valid(merged) && \valid(origins) && \valid_read(layer);
    requires line_of == \null || \valid_read(line_of + (0 .. LIMITS - 1));
    requires \separated(merged, origins, layer);
    requires 0 <= merged->rail_count <= BENCH_RAILS;
    requires feeds_something(merged);
    assigns *merged, *origins;
    ensures merged->plate_mc <= \old(merged->plate_mc);
    ensures merged->board_mc <= \old(merged->board_mc);
    ensures merged->ramp_mc_s <= \old(merged->ramp_mc_s);
    ensures merged->heat_time_ms <= \old(merged->heat_time_ms);
    ensures merged->supply_mv <= \old(merged->supply_mv);
    ensures merged->supply_ma <= \old(merged->supply_ma);
    ensures merged->inject_mv <= \old(merged->inject_mv);
    ensures merged->inject_ma <= \old(merged->inject_ma);
    ensures merged->power_mc <= \old(merged->power_mc);
    ensures 0 <= merged->rail_count <= BENCH_RAILS;
    ensures \forall integer k; 0 <= k < merged->rail_count ==>
        rail_is_capped_by(&merged->rail[k], merged) && rail_is_of_no_sign(&merged->rail[k]);
    ensures which == LAYER_BOARD ==> (\forall integer k; 0 <= k < merged->rail_count ==>
        rail_is_no_wider{Pre, Post}(&merged->rail[k], &layer->rail[k]));
    ensures which != LAYER_BOARD ==> merged->rail_count == \old(merged->rail_count) &&
        (\forall integer k; 0 <= k < merged->rail_count ==>
            rail_is_no_wider{Pre, Post}(&merged->rail[k], &merged->rail[k]));
*/
void limits_tighten(struct limits *merged, struct limit_origins *origins,
                    const struct limits *layer, enum limit_layer which, const int32_t *line_of)
{
    note_origins(origins, merged, layer, which, line_of);
    /*@ assert \forall integer k; 0 <= k < BENCH_RAILS ==> rail_is_same{Pre, Here}(&layer->rail[k], &layer->rail[k]); */
    merge(merged, layer, which);
}
