/* SPDX-License-Identifier: MIT */
#include "tinlatch/limits.h"

#include <string.h>

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

const char *limit_key(enum limit_id id)
{
    static const char *const keys[LIMITS] = {
#define X(field, key, unit, scale, ceiling) [LIMIT_##field] = key,
        LIMIT_LIST(X)
#undef X
    };
    return keys[id];
}

enum unit limit_unit(enum limit_id id)
{
    static const enum unit units[LIMITS] = {
#define X(field, key, unit, scale, ceiling) [LIMIT_##field] = unit,
        LIMIT_LIST(X)
#undef X
    };
    return units[id];
}

int32_t limit_scale(enum limit_id id)
{
    static const int32_t scales[LIMITS] = {
#define X(field, key, unit, scale, ceiling) [LIMIT_##field] = scale,
        LIMIT_LIST(X)
#undef X
    };
    return scales[id];
}

const char *limit_layer_name(enum limit_layer layer)
{
    switch (layer) {
    case LAYER_BUILT_IN:
        return "built in";
    case LAYER_BENCH:
        return "bench";
    case LAYER_BOARD:
        return "board";
    case LAYER_RECIPE:
        return "recipe";
    case LAYERS:
        break;
    }
    return "?";
}

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

const struct limits *limits_built_in(void)
{
    return &built_in;
}

static int32_t lower_of(int32_t a, int32_t b)
{
    return a < b ? a : b;
}

/* `value` where it is stated, but never above what stands. */
static int32_t tightened(int32_t stands, int32_t value)
{
    return value > 0 ? lower_of(stands, value) : stands;
}

static int32_t not_negative(int32_t value)
{
    return value > 0 ? value : 0;
}

static void tighten_fields(struct limits *merged, struct limit_origins *origins,
                           const struct limits *layer, enum limit_layer which,
                           const int32_t *line_of)
{
    for (enum limit_id id = 0; id < LIMITS; id++) {
        int32_t stated = limits_get(layer, id);
        if (stated <= 0 || stated >= limits_get(merged, id))
            continue;
        limits_set(merged, id, stated);
        origins->of[id].layer = which;
        origins->of[id].line = line_of ? line_of[id] : 0;
    }
}

static int32_t rails_of(const struct limits *limits)
{
    return limits->rail_count > BENCH_RAILS ? BENCH_RAILS : limits->rail_count;
}

static const struct rail_limits *find_rail(const struct limits *limits, const char *name)
{
    for (int32_t i = 0; i < rails_of(limits); i++)
        if (strncmp(limits->rail[i].name, name, BENCH_NAME) == 0)
            return &limits->rail[i];
    return NULL;
}

static void take_rails(struct limits *merged, const struct limits *board)
{
    merged->rail_count = not_negative(rails_of(board));
    for (int32_t i = 0; i < merged->rail_count; i++)
        merged->rail[i] = board->rail[i];
}

static void choose_rails(struct limits *merged, const struct limits *recipe)
{
    for (int32_t i = 0; i < rails_of(merged); i++) {
        struct rail_limits *rail = &merged->rail[i];
        const struct rail_limits *chosen = find_rail(recipe, rail->name);
        rail->mv = chosen ? tightened(rail->mv, chosen->mv) : 0;
        rail->ma = chosen ? tightened(rail->ma, chosen->ma) : 0;
        rail->inject_mv = chosen ? tightened(rail->inject_mv, chosen->inject_mv) : 0;
        rail->inject_ma = chosen ? tightened(rail->inject_ma, chosen->inject_ma) : 0;
    }
}

static void cap_rails(struct limits *merged)
{
    for (int32_t i = 0; i < rails_of(merged); i++) {
        struct rail_limits *rail = &merged->rail[i];
        rail->mv = lower_of(not_negative(rail->mv), merged->supply_mv);
        rail->ma = lower_of(not_negative(rail->ma), merged->supply_ma);
        rail->inject_mv = lower_of(not_negative(rail->inject_mv), merged->inject_mv);
        rail->inject_ma = lower_of(not_negative(rail->inject_ma), merged->inject_ma);
        /* More than its own volts would reach good chips through a rail that is not shorted. */
        if (rail->mv > 0)
            rail->inject_mv = lower_of(rail->inject_mv, rail->mv);
    }
}

void limits_tighten(struct limits *merged, struct limit_origins *origins,
                    const struct limits *layer, enum limit_layer which, const int32_t *line_of)
{
    tighten_fields(merged, origins, layer, which, line_of);
    if (which == LAYER_BOARD)
        take_rails(merged, layer);
    if (which == LAYER_RECIPE)
        choose_rails(merged, layer);
    cap_rails(merged);
}

static const char *print_limit(int32_t value, enum limit_id id, char *out, size_t size)
{
    double in_base = (double)value / (double)limit_scale(id);
    return quantity_print(in_base, limit_unit(id), out, size);
}

/* "this build's ceiling of 350 C", "the bench's limit of 250 C". */
static const char *print_origin(enum limit_layer layer)
{
    return layer == LAYER_BUILT_IN ? "build" : limit_layer_name(layer);
}

static int refuse(struct tl_error *error, const char *prefix, enum limit_id id, int32_t asked,
                  int32_t allowed, enum limit_layer layer)
{
    char much[48], most[48];
    bool ours = layer == LAYER_BUILT_IN;
    tl_error_set(error, TL_LIMIT, "%s%s = %s is above %s %s's %s of %s", prefix, limit_key(id),
                 print_limit(asked, id, much, sizeof much), ours ? "this" : "the",
                 print_origin(layer), ours ? "ceiling" : "limit",
                 print_limit(allowed, id, most, sizeof most));
    tl_error_token(error, limit_key(id));
    return TL_LIMIT;
}

/* One figure of a rail: its limit is the board's own, or the merged one that cut it. */
static int check_figure(const struct limits *merged, const struct limit_origins *origins,
                        const char *name, enum limit_id id, int32_t asked, int32_t allowed,
                        struct tl_error *error)
{
    if (asked <= allowed)
        return 0;
    char prefix[BENCH_NAME + 8];
    bool cut = allowed == limits_get(merged, id);
    memcpy(prefix, name, BENCH_NAME);
    prefix[BENCH_NAME - 1] = '\0';
    strcat(prefix, ": ");
    return refuse(error, prefix, id, asked, allowed, cut ? origins->of[id].layer : LAYER_BOARD);
}

static int check_rail(const struct limits *merged, const struct limit_origins *origins,
                      const struct rail_limits *asked, enum limit_id *id, struct tl_error *error)
{
    const struct rail_limits *rail = find_rail(merged, asked->name);
    if (!rail)
        return 0;
    const struct {
        enum limit_id id;
        int32_t asked, allowed;
    } figures[] = {
        {LIMIT_supply_mv, asked->mv, rail->mv},
        {LIMIT_supply_ma, asked->ma, rail->ma},
        {LIMIT_inject_mv, asked->inject_mv, rail->inject_mv},
        {LIMIT_inject_ma, asked->inject_ma, rail->inject_ma},
    };
    for (size_t i = 0; i < sizeof figures / sizeof figures[0]; i++) {
        int result = check_figure(merged, origins, rail->name, figures[i].id, figures[i].asked,
                                  figures[i].allowed, error);
        if (result == 0)
            continue;
        *id = figures[i].id;
        return result;
    }
    return 0;
}

int limits_check(const struct limits *merged, const struct limit_origins *origins,
                 const struct limits *layer, enum limit_id *id, struct tl_error *error)
{
    enum limit_id unused;
    enum limit_id *which = id ? id : &unused;
    for (enum limit_id i = 0; i < LIMITS; i++) {
        if (limits_get(layer, i) <= limits_get(merged, i))
            continue;
        *which = i;
        return refuse(error, "ceiling.", i, limits_get(layer, i), limits_get(merged, i),
                      origins->of[i].layer);
    }
    for (int32_t i = 0; i < rails_of(layer); i++) {
        int result = check_rail(merged, origins, &layer->rail[i], which, error);
        if (result != 0)
            return result;
    }
    return 0;
}
