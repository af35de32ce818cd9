/* SPDX-License-Identifier: MIT */
/* What a limit is called, and who asks for more than one. */
#include "tinlatch/limits.h"

#include <stdio.h>
#include <string.h>

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

bool limit_is_of_supply(enum limit_id id)
{
    switch (id) {
    case LIMIT_plate_mc:
    case LIMIT_board_mc:
    case LIMIT_ramp_mc_s:
    case LIMIT_heat_time_ms:
        return false;
    case LIMIT_supply_mv:
    case LIMIT_supply_ma:
    case LIMIT_inject_mv:
    case LIMIT_inject_ma:
    case LIMIT_power_mc:
    case LIMITS:
        break;
    }
    return true;
}

bool limit_matters(const struct limits *limits, enum limit_id id)
{
    if (limit_is_of_supply(id))
        return limits->uses_supply;
    return limits->uses_plate && (id != LIMIT_board_mc || limits->has_board);
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

const char *rail_given(const struct rail_limits *rail, char out[RAIL_GIVEN])
{
    char feed[RAIL_GIVEN / 2] = "not fed", inject[RAIL_GIVEN / 2] = "not injected";
    if (rail->mv > 0)
        snprintf(feed, sizeof feed, "fed up to %.2f V, %.3f A", rail->mv / 1000.0,
                 rail->ma / 1000.0);
    if (rail->inject_mv > 0)
        snprintf(inject, sizeof inject, "injected up to %.2f V, %.3f A", rail->inject_mv / 1000.0,
                 rail->inject_ma / 1000.0);
    snprintf(out, RAIL_GIVEN, "%.*s; %.*s", RAIL_GIVEN / 2 - 2, feed, RAIL_GIVEN / 2 - 2, inject);
    return out;
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
    int32_t found = limits_find_rail(merged, asked->name);
    if (found < 0)
        return 0;
    const struct rail_limits *rail = &merged->rail[found];
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
    for (int32_t i = 0; i < layer->rail_count && i < BENCH_RAILS; i++) {
        int result = check_rail(merged, origins, &layer->rail[i], which, error);
        if (result != 0)
            return result;
    }
    return 0;
}
