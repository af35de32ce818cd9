/* SPDX-License-Identifier: MIT */
/* Primitives of plate, fan, sensors and time. */
#include "recipe_private.h"

#include <math.h>
#include <string.h>

enum { NEAR_C = 2, SETTLE_K = 20, HEAT_LEAST_MS = 5000, FALLS_MC_S = 50 };

/* A plate that got so far in the second half of its time, and would be there after so many more halves. */
enum { MOVES_K = 3, MORE_HALVES = 4 };

static bool plate_c(const struct recipe *recipe, double *temp_c)
{
    *temp_c = recipe->snapshot.plate_mc / 1000.0;
    return recipe->snapshot.plate_quality == QUALITY_GOOD;
}

/* "96.2 C", or why there is no value. */
static const char *plate_text(const struct recipe *recipe, char *out, size_t size)
{
    double temp_c;
    if (plate_c(recipe, &temp_c))
        return quantity_print(temp_c, UNIT_TEMP, out, size);
    snprintf(out, size, "nothing (%s)", quality_name((enum quality)recipe->snapshot.plate_quality));
    return out;
}

static void need_insert(struct recipe *recipe, const struct call *call)
{
    if (recipe->header.insert[0] != '\0' && recipe->host->insert)
        return;
    struct tl_error error;
    tl_error_set(&error, TL_MISSING, "%s: the header names no insert, so this recipe cannot heat",
                 call->primitive->name);
    tl_error_token(&error, call->primitive->name);
    tl_error_hint(&error, "add to the header: insert = \"...\", one of the bench file's");
    recipe_fail_with(recipe, &error);
}

static void refuse_powered(struct recipe *recipe, const struct call *call)
{
    if (recipe->turn.supply_on || recipe->snapshot.supply_on)
        recipe_fail(recipe, TL_LIMIT, call->primitive->name,
                    "%s: the supply is on; a powered board is not heated (supply.off first)",
                    call->primitive->name);
}

static void heat_off(struct recipe *recipe)
{
    recipe->turn.heat = 0;
    recipe->turn.ramp_mc_s = 0;
    recipe->target_c = 0;
}

int32_t foreseen_ms(double left_s)
{
    return left_s > 0 && left_s < 86400 ? (int32_t)(left_s * 1000) : 0;
}

/* Let time pass, more or less of it as the operator nudges; those up to spent_ms have had their turn. None leads
 * into the end of the heat time, which would be a trip. */
static void pass(struct recipe *recipe, double time_s, int32_t spent_ms)
{
    const struct wire_snapshot *s = &recipe->snapshot;
    double start_s = now_s(recipe), passed_s;
    double left_s = time_s;
    do {
        recipe->turn.wait_ms = foreseen_ms(left_s);
        exchange(recipe);
        passed_s = now_s(recipe) - start_s;
        if (passed_s >= time_s && recipe->turn.heat && s->heat_left_ms < HEAT_LEAST_MS)
            break;
        left_s = time_s + (s->nudge_ms - spent_ms) / 1000.0 - passed_s;
    } while (left_s > 0);
    recipe->nudge_spent_ms += s->nudge_ms - spent_ms;
}

/* ---- plate ---------------------------------------------------------------------------------- */

/* More time helps a plate that is on its way; one that stands still has another trouble. */
static void hint_of_wait(const struct recipe *recipe, struct call *call, double half_c, double to_c,
                         double timeout_s, const char *trouble)
{
    double read_c, moved_k, left_k;
    if (!plate_c(recipe, &read_c) || isnan(half_c))
        return;
    moved_k = fabs(read_c - half_c);
    left_k = fabs(to_c - read_c);
    if (moved_k >= MOVES_K && moved_k * MORE_HALVES >= left_k)
        snprintf(call->hint, sizeof call->hint, "it still moves by %.2g C/s: give it more time",
                 moved_k / (timeout_s / 2));
    else
        snprintf(call->hint, sizeof call->hint, "in the last %.0f s it moved by %.1f C only: %s",
                 timeout_s / 2, moved_k, trouble);
}

int act_plate_ramp(struct recipe *recipe, struct call *call)
{
    need_insert(recipe, call);
    refuse_powered(recipe, call);
    call_limit(recipe, call, "to", LIMIT_plate_mc);
    if (call_given(call, "rate"))
        call_limit(recipe, call, "rate", LIMIT_ramp_mc_s);
    double to_c = call_number(call, "to"), timeout_s = call_number(call, "timeout");
    double start_s = now_s(recipe), read_c, from_c, half_c = NAN;
    bool known = plate_c(recipe, &from_c), down = known && from_c > to_c;
    char read[48], to[32], time[32];
    recipe->turn.heat = 1;
    recipe->target_c = to_c;
    recipe->turn.ramp_mc_s = call_given(call, "rate")
                                 ? (int32_t)lround(call_number(call, "rate") * 1000)
                                 : recipe->host->limits->ramp_mc_s;
    tally_time(recipe, timeout_s);
    do {
        exchange(recipe);
        double goal_c = recipe->turn.temp_mc / 1000.0;
        if (plate_c(recipe, &read_c) &&
            (down ? read_c <= goal_c + NEAR_C : read_c >= goal_c - NEAR_C))
            return 0;
        if (isnan(half_c) && now_s(recipe) - start_s >= timeout_s / 2)
            half_c = read_c;
    } while (now_s(recipe) - start_s < timeout_s);
    hint_of_wait(recipe, call, half_c, to_c, timeout_s,
                 recipe->host->plate->by_hand ? "is its knob set to that, the sensor seated"
                 : down ? "nothing cools it but its losses; cool { } has the fan"
                        : "is the sensor seated, the heater on and strong enough");
    return call_otherwise(recipe, call, TL_TIMEOUT,
                          "the plate read %s after %s; it was to reach %s",
                          plate_text(recipe, read, sizeof read),
                          quantity_print(timeout_s, UNIT_TIME, time, sizeof time),
                          quantity_print(to_c, UNIT_TEMP, to, sizeof to));
}

int act_plate_soak(struct recipe *recipe, struct call *call)
{
    need_insert(recipe, call);
    if (!recipe->turn.heat)
        recipe_fail(recipe, TL_STEP, call->primitive->name,
                    "plate.soak: the plate is off; plate.ramp sets the temperature to hold");
    tally_time(recipe, call_number(call, "time"));
    pass(recipe, call_number(call, "time"),
         recipe->nudge_spent_ms); /* also what was pressed before */
    return 0;
}

int act_plate_off(struct recipe *recipe, struct call *call)
{
    (void)call;
    heat_off(recipe);
    exchange(recipe);
    return 0;
}

int act_plate_temperature(struct recipe *recipe, struct call *call)
{
    double temp_c;
    exchange(recipe);
    if (!plate_c(recipe, &temp_c))
        return call_otherwise(recipe, call, TL_STEP, "the plate's sensor cannot be read: %s",
                              quality_name((enum quality)recipe->snapshot.plate_quality));
    lua_pushnumber(recipe->lua, temp_c);
    return 1;
}

int act_fan_on(struct recipe *recipe, struct call *call)
{
    recipe->turn.fan_pct = (int32_t)lround(call_number(call, "speed"));
    exchange(recipe);
    return 0;
}

int act_fan_off(struct recipe *recipe, struct call *call)
{
    (void)call;
    recipe->turn.fan_pct = 0;
    exchange(recipe);
    return 0;
}

/* ---- cooling -------------------------------------------------------------------------------- */

/* Solid, and far enough below its solidus that a touch does no harm. */
static bool joint_settled(const struct recipe *recipe, int joint)
{
    struct wire_joint now;
    joint_now(recipe, joint, &now);
    double solidus_c = recipe->board.joint[joint].alloy.solidus_c;
    double hottest_c = estimate_hottest_c(&recipe->estimate, joint);
    return now.molten_permille <= 0 && hottest_c <= solidus_c - SETTLE_K;
}

static bool all_solid(const struct recipe *recipe)
{
    for (int i = 0; recipe->estimating && i < recipe->board.joint_count; i++) {
        struct wire_joint now;
        joint_now(recipe, i, &now);
        if (now.molten_permille > 0)
            return false;
    }
    return true;
}

static bool cool_enough(const struct recipe *recipe, const struct call *call)
{
    double temp_c;
    if (call_given(call, "plate"))
        if (!plate_c(recipe, &temp_c) || temp_c > call_number(call, "plate"))
            return false;
    return !call_given(call, "joint") || joint_settled(recipe, (int)call_number(call, "joint"));
}

static void need_estimate(struct recipe *recipe, const struct call *call)
{
    need_insert(recipe, call);
    if (!recipe->estimating)
        recipe_fail(recipe, TL_MISSING, call->primitive->name,
                    "%s: the joints of this bench cannot be estimated", call->primitive->name);
    need_placed(recipe, call);
}

int act_cool(struct recipe *recipe, struct call *call)
{
    if (!call_given(call, "plate") && !call_given(call, "joint"))
        recipe_fail(recipe, TL_MISSING, "cool",
                    "cool: to what? plate = \"45 C\", or joint = \"frame\"");
    if (call_given(call, "joint"))
        need_estimate(recipe, call);
    double timeout_s = call_number(call, "timeout"), start_s = now_s(recipe), half_c = NAN;
    const struct wire_snapshot *s = &recipe->snapshot;
    char read[48], time[32];
    heat_off(recipe);
    tally_time(recipe, timeout_s);
    do {
        /* a draught on molten joints disturbs them */
        if (call_given(call, "fan") && all_solid(recipe))
            recipe->turn.fan_pct = (int32_t)lround(call_number(call, "fan"));
        if (call_given(call, "plate") && s->ramp_known && s->ramp_mc_s < -FALLS_MC_S)
            recipe->turn.wait_ms =
                foreseen_ms((s->plate_mc - 1000 * call_number(call, "plate")) / -s->ramp_mc_s);
        exchange(recipe);
        if (cool_enough(recipe, call))
            return 0;
        if (isnan(half_c) && now_s(recipe) - start_s >= timeout_s / 2)
            plate_c(recipe, &half_c);
    } while (now_s(recipe) - start_s < timeout_s);
    if (call_given(call, "plate"))
        hint_of_wait(recipe, call, half_c, call_number(call, "plate"), timeout_s,
                     recipe->host->plate->by_hand
                         ? "is its knob off, does the sensor follow the plate"
                         : "is the heater off, does the sensor follow the plate");
    return call_otherwise(recipe, call, TL_TIMEOUT, "the plate still read %s after %s",
                          plate_text(recipe, read, sizeof read),
                          quantity_print(timeout_s, UNIT_TIME, time, sizeof time));
}

/* ---- readings and time ---------------------------------------------------------------------- */

int act_sensor_read(struct recipe *recipe, struct call *call)
{
    static const enum sensor_id sensors[] = {SENSOR_PLATE, SENSOR_PLATE_2, SENSOR_BOARD};
    enum sensor_id id = sensors[(int)call_number(call, "name")];
    exchange(recipe);
    enum quality quality = (enum quality)recipe->snapshot.quality[id];
    if (quality != QUALITY_GOOD)
        return call_otherwise(recipe, call, TL_STEP, "the sensor \"%s\" cannot be read: %s",
                              sensor_name(id),
                              quality == QUALITY_NONE ? "it is not there" : quality_name(quality));
    lua_pushnumber(recipe->lua, recipe->snapshot.temp_mc[id] / 1000.0);
    return 1;
}

int act_wait(struct recipe *recipe, struct call *call)
{
    tally_time(recipe, call_number(call, "time"));
    pass(recipe, call_number(call, "time"), recipe->snapshot.nudge_ms);
    return 0;
}

int act_wait_until(struct recipe *recipe, struct call *call)
{
    lua_State *lua = recipe->lua;
    double timeout_s = call_number(call, "timeout"), start_s = now_s(recipe);
    char time[32];
    tally_time(recipe, timeout_s);
    do {
        exchange(recipe);
        lua_pushvalue(lua, call_value(call, "condition")->function);
        lua_call(lua, 0, 1);
        bool met = lua_toboolean(lua, -1);
        lua_pop(lua, 1);
        if (met)
            return 0;
    } while (now_s(recipe) - start_s < timeout_s);
    return call_otherwise(recipe, call, TL_TIMEOUT, "its condition was not met within %s",
                          quantity_print(timeout_s, UNIT_TIME, time, sizeof time));
}

static void note_melt(struct recipe *recipe, int joint, double coldest_c, double steady_s)
{
    const struct board_joint *board = &recipe->board.joint[joint];
    char text[BENCH_TEXT];
    snprintf(
        text, sizeof text,
        "estimate: coldest place at %.1f C, molten for %.0f s, liquidus %.0f C; a person confirms",
        coldest_c, steady_s, board->alloy.liquidus_c);
    exchange_note(recipe, NOTE_MELT, board->name, coldest_c, text);
}

/* Molten on the cautious bound: the joint of a slow, heavy board whose sensors read too high. */
static double cautious_c(const struct recipe *recipe, int joint)
{
    return estimate_coldest_c(&recipe->estimate, ESTIMATE_LATE, joint);
}

int act_wait_for_melt(struct recipe *recipe, struct call *call)
{
    need_estimate(recipe, call);
    int joint = (int)call_number(call, "joint");
    const struct board_joint *board = &recipe->board.joint[joint];
    double steady_s = call_number(call, "steady"), timeout_s = call_number(call, "timeout");
    double start_s = now_s(recipe), since_s = -1;
    struct wire_joint now;
    char time[32];
    tally_time(recipe, timeout_s);
    do {
        exchange(recipe);
        joint_now(recipe, joint, &now);
        bool molten = now.melt_late_ms == 0 && !recipe->estimate.frozen;
        if (!molten)
            since_s = -1;
        else if (since_s < 0)
            since_s = now_s(recipe);
        if (molten && now_s(recipe) - since_s >= steady_s) {
            note_melt(recipe, joint, cautious_c(recipe, joint), now_s(recipe) - since_s);
            return 0;
        }
    } while (now_s(recipe) - start_s < timeout_s);
    snprintf(call->hint, sizeof call->hint, "%s",
             now.melt_late_ms == 0
                 ? "it is molten, but not for `steady` yet: give it more time"
                 : "raise the plate or give it more time; is the plate's sensor seated");
    return call_otherwise(recipe, call, TL_TIMEOUT,
                          "after %s the coldest place of %s is estimated at %.1f C at least, %d %% "
                          "molten; its liquidus is %.0f C",
                          quantity_print(timeout_s, UNIT_TIME, time, sizeof time), board->name,
                          cautious_c(recipe, joint), (int)now.molten_permille / 10,
                          board->alloy.liquidus_c);
}
