/* SPDX-License-Identifier: MIT */
/* Primitives of the supply. Limits are compared here first, so that a mistake gets its line; the
 * interlock compares again. */
#include "recipe_private.h"

#include <math.h>
#include <string.h>

enum { GONE_MA = 20, GONE_S = 2 };

/* The rail's index in the merged limits; fails when the recipe may not feed it. */
static int fed_rail(struct recipe *recipe, const struct call *call)
{
    const char *name = call_text(call, "rail");
    bool named = false;
    for (int i = 0; i < recipe->header.rail_count; i++)
        named = named || strcmp(recipe->header.rail[i], name) == 0;
    const struct limits *limits = recipe->host->limits;
    for (int i = 0; named && i < limits->rail_count; i++)
        if (strcmp(limits->rail[i].name, name) == 0)
            return i;
    struct tl_error error;
    tl_error_set(&error, TL_LIMIT, "%s: the header does not name \"%s\" among its rails",
                 call->primitive->name, name);
    tl_error_token(&error, name);
    tl_error_hint(&error, "add to the header: rails = { \"%s\" }", name);
    recipe_fail_with(recipe, &error);
}

/* `asked` against the rail's merged figure; `id` is the bench-wide limit that may have cut it. */
static void check_rail(struct recipe *recipe, const struct call *call, const char *argument,
                       int rail, int32_t allowed, enum limit_id id)
{
    double asked = call_number(call, argument);
    if (lround(asked * 1000) <= allowed)
        return;
    char most[32], origin[128];
    const struct limits *limits = recipe->host->limits;
    const char *from = limit_origin_text(recipe, id, origin, sizeof origin);
    if (allowed != limits_get(limits, id))
        snprintf(origin, sizeof origin, "set by the board file %s", recipe->board_file);
    int32_t own = id == LIMIT_supply_mv   ? recipe->own[rail].mv
                  : id == LIMIT_supply_ma ? recipe->own[rail].ma
                                          : 0;
    if (own > 0 && allowed == own)
        snprintf(origin, sizeof origin, "set by supply.limit");
    recipe_fail(recipe, TL_LIMIT, call_text(call, argument),
                "%s: %s = %s is above the limit of %s for %s, %s", call->primitive->name, argument,
                call_text(call, argument),
                quantity_print(allowed / 1000.0, limit_unit(id), most, sizeof most),
                limits->rail[rail].name, from);
}

static int32_t lower_of(int32_t a, int32_t own)
{
    return own > 0 && own < a ? own : a;
}

static void check_cold(struct recipe *recipe, const struct call *call)
{
    const struct wire_snapshot *snapshot = &recipe->snapshot;
    int32_t limit_mc = recipe->host->limits->power_mc;
    if (recipe->turn.heat)
        recipe_fail(
            recipe, TL_LIMIT, call->primitive->name,
            "%s: the plate is heating; a hot board is not powered (plate.off and cool first)",
            call->primitive->name);
    struct {
        const char *name;
        bool hot;
        int32_t temp_mc;
    } seen[] = {
        {"plate", snapshot->plate_quality == QUALITY_GOOD, snapshot->plate_mc},
        {"board", snapshot->quality[SENSOR_BOARD] == QUALITY_GOOD, snapshot->temp_mc[SENSOR_BOARD]},
    };
    for (int i = 0; i < COUNT(seen); i++) {
        char read[32], most[32], origin[128];
        if (!seen[i].hot || seen[i].temp_mc < limit_mc)
            continue;
        recipe_fail(recipe, TL_LIMIT, call->primitive->name,
                    "%s: the %s reads %s; power comes on below %s only, %s", call->primitive->name,
                    seen[i].name,
                    quantity_print(seen[i].temp_mc / 1000.0, UNIT_TEMP, read, sizeof read),
                    quantity_print(limit_mc / 1000.0, UNIT_TEMP, most, sizeof most),
                    limit_origin_text(recipe, LIMIT_power_mc, origin, sizeof origin));
    }
}

/* Where the leads hang only a person knows, and what is meant for one rail ruins another. */
static void check_leads(struct recipe *recipe, const struct call *call, int rail)
{
    const struct limits *limits = recipe->host->limits;
    const char *name = limits->rail[rail].name;
    struct tl_error error;
    if (!recipe->fed || recipe->fed_rail == rail || recipe->leads_told)
        return;
    tl_error_set(&error, TL_LIMIT,
                 "%s: the leads were last on \"%s\", and nobody was asked to move them to \"%s\"",
                 call->primitive->name, limits->rail[recipe->fed_rail].name, name);
    tl_error_token(&error, name);
    tl_error_hint(&error, "before it: supply.off(), then confirm { \"Supply leads on %s?\", ... }",
                  name);
    recipe_fail_with(recipe, &error);
}

static void want_supply(struct recipe *recipe, const struct call *call, int rail, bool inject)
{
    struct wire_turn *turn = &recipe->turn;
    check_leads(recipe, call, rail);
    recipe->fed = true;
    recipe->leads_told = false;
    recipe->fed_rail = rail;
    turn->supply_on = 1;
    turn->inject = inject;
    turn->rail = rail;
    turn->mv = (int32_t)lround(call_number(call, "volts") * 1000);
    turn->ma = (int32_t)lround(call_number(call, "amps") * 1000);
}

static void want_no_supply(struct recipe *recipe)
{
    struct wire_turn *turn = &recipe->turn;
    turn->supply_on = turn->inject = turn->rail = turn->mv = turn->ma = 0;
}

static void set_number(lua_State *lua, const char *name, double value)
{
    lua_pushnumber(lua, value);
    lua_setfield(lua, -2, name);
}

static int push_reading(struct recipe *recipe)
{
    const struct wire_snapshot *snapshot = &recipe->snapshot;
    double volts = snapshot->supply_mv / 1000.0, amps = snapshot->supply_ma / 1000.0;
    lua_createtable(recipe->lua, 0, 4);
    set_number(recipe->lua, "volts", volts);
    set_number(recipe->lua, "amps", amps);
    set_number(recipe->lua, "ohms", snapshot->supply_ma > 0 ? volts / amps : HUGE_VAL);
    lua_pushboolean(recipe->lua, snapshot->supply_on != 0);
    lua_setfield(recipe->lua, -2, "on");
    return 1;
}

/* ---- the primitives ------------------------------------------------------------------------- */

int act_supply_limit(struct recipe *recipe, struct call *call)
{
    int rail = fed_rail(recipe, call);
    struct rail_limits *own = &recipe->own[rail];
    const struct rail_limits *limits = &recipe->host->limits->rail[rail];
    if (!call_given(call, "volts") && !call_given(call, "amps"))
        recipe_fail(recipe, TL_MISSING, "supply.limit",
                    "supply.limit: to what? volts, amps or both");
    if (call_given(call, "volts")) {
        check_rail(recipe, call, "volts", rail, lower_of(limits->mv, own->mv), LIMIT_supply_mv);
        own->mv = (int32_t)lround(call_number(call, "volts") * 1000);
    }
    if (call_given(call, "amps")) {
        check_rail(recipe, call, "amps", rail, lower_of(limits->ma, own->ma), LIMIT_supply_ma);
        own->ma = (int32_t)lround(call_number(call, "amps") * 1000);
    }
    if (recipe->turn.supply_on && recipe->turn.rail == rail) {
        recipe->turn.mv = lower_of(recipe->turn.mv, own->mv);
        recipe->turn.ma = lower_of(recipe->turn.ma, own->ma);
        exchange(recipe);
    }
    return 0;
}

/* On, and either the volts have come up or the current is at its limit. */
static bool supply_settled(const struct recipe *recipe)
{
    const struct wire_snapshot *snapshot = &recipe->snapshot;
    return snapshot->supply_on && snapshot->supply_quality == QUALITY_GOOD &&
           (snapshot->supply_mv >= recipe->turn.mv * 0.95 ||
            snapshot->supply_ma >= recipe->turn.ma * 0.95);
}

int act_supply_on(struct recipe *recipe, struct call *call)
{
    int rail = fed_rail(recipe, call);
    const struct rail_limits *limits = &recipe->host->limits->rail[rail];
    check_rail(recipe, call, "volts", rail, lower_of(limits->mv, recipe->own[rail].mv),
               LIMIT_supply_mv);
    check_rail(recipe, call, "amps", rail, lower_of(limits->ma, recipe->own[rail].ma),
               LIMIT_supply_ma);
    check_cold(recipe, call);
    double timeout_s = call_number(call, "timeout"), start_s = now_s(recipe);
    char time[32];
    want_supply(recipe, call, rail, false);
    tally_time(recipe, timeout_s);
    do {
        exchange(recipe);
        if (supply_settled(recipe))
            return push_reading(recipe);
    } while (now_s(recipe) - start_s < timeout_s);
    bool on = recipe->snapshot.supply_on;
    double volts = recipe->snapshot.supply_mv / 1000.0, amps = recipe->snapshot.supply_ma / 1000.0;
    return call_otherwise(
        recipe, call, TL_TIMEOUT, "after %s the supply is %s and reads %.3g V, %.3g A",
        quantity_print(timeout_s, UNIT_TIME, time, sizeof time), on ? "on" : "off", volts, amps);
}

/* Off, but still said to be an injection until the current is gone: its last reading is no fault. */
static void end_injection(struct recipe *recipe)
{
    double start_s = now_s(recipe);
    recipe->turn.supply_on = recipe->turn.mv = recipe->turn.ma = 0;
    do
        exchange(recipe);
    while ((recipe->snapshot.supply_on || recipe->snapshot.supply_ma > GONE_MA) &&
           now_s(recipe) - start_s < GONE_S);
    want_no_supply(recipe);
    exchange(recipe);
}

int act_supply_inject(struct recipe *recipe, struct call *call)
{
    int rail = fed_rail(recipe, call);
    const struct rail_limits *limits = &recipe->host->limits->rail[rail];
    check_rail(recipe, call, "volts", rail, limits->inject_mv, LIMIT_inject_mv);
    check_rail(recipe, call, "amps", rail, limits->inject_ma, LIMIT_inject_ma);
    check_cold(recipe, call);
    double time_s = call_number(call, "time"), start_s = now_s(recipe);
    want_supply(recipe, call, rail, true);
    tally_time(recipe, time_s);
    do {
        recipe->turn.wait_ms = foreseen_ms(start_s + time_s - now_s(recipe));
        exchange(recipe);
    } while (now_s(recipe) - start_s < time_s);
    int results = push_reading(recipe);
    end_injection(recipe);
    return results;
}

int act_supply_off(struct recipe *recipe, struct call *call)
{
    (void)call;
    want_no_supply(recipe);
    exchange(recipe);
    return 0;
}

int act_supply_read(struct recipe *recipe, struct call *call)
{
    exchange(recipe);
    if (recipe->snapshot.supply_quality != QUALITY_GOOD)
        return call_otherwise(recipe, call, TL_STEP, "the supply cannot be read: %s",
                              recipe->snapshot.supply_quality == QUALITY_NONE
                                  ? "it is not there"
                                  : quality_name((enum quality)recipe->snapshot.supply_quality));
    return push_reading(recipe);
}
