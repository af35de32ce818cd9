/* SPDX-License-Identifier: MIT */
/* The one table of primitives. Bindings, argument checks, help, reference page, editor annotations and
 * lint names are all made from it. */
#include "recipe_private.h"

#include <assert.h>
#include <string.h>

/* clang-format off */
#define TIME_ROW(word, text)  { .name = word, .kind = ROW_QUANTITY, .unit = UNIT_TIME, .required = true, .help = text }
#define TIMEOUT               TIME_ROW("timeout", "how long at most")
#define OTHERWISE             { .name = "otherwise", .kind = ROW_FUNCTION, .help = "called instead of failing; what it returns is returned" }
#define PROMPT                { .name = "text", .kind = ROW_TEXT, .place = 1, .required = true, .help = "what the person reads" }
#define TEXT(word, text)      { .name = word, .kind = ROW_TEXT, .place = 1, .required = true, .help = text }
#define RAIL                  { .name = "rail", .kind = ROW_RAIL, .required = true, .help = "one of the header's rails" }
#define VOLTS                 { .name = "volts", .kind = ROW_QUANTITY, .unit = UNIT_VOLTS, .least = MILLI, .required = true, .help = "set-point" }
#define AMPS                  { .name = "amps", .kind = ROW_QUANTITY, .unit = UNIT_AMPS, .least = MILLI, .required = true, .help = "current limit" }

static const struct row stage_rows[] = { TEXT("name", "what happens in it") };
static const struct row ramp_rows[] = {
    { .name = "to",   .kind = ROW_QUANTITY, .unit = UNIT_TEMP, .place = 1, .required = true, .help = "plate temperature to reach and hold" },
    { .name = "rate", .kind = ROW_QUANTITY, .unit = UNIT_RAMP, .least = MILLI, .help = "how fast; left out: as fast as the limits allow" },
    TIMEOUT, OTHERWISE };
static const struct row soak_rows[] = { { .name = "time", .kind = ROW_QUANTITY, .unit = UNIT_TIME, .place = 1, .required = true, .help = "how long to hold" } };
static const struct row reading_rows[] = { OTHERWISE };
static const struct row fan_rows[] = { { .name = "speed", .kind = ROW_QUANTITY, .unit = UNIT_SHARE, .least = 1, .place = 1, .fallback = "100 %", .help = "share of full speed" } };
static const struct row cool_rows[] = {
    { .name = "plate", .kind = ROW_QUANTITY, .unit = UNIT_TEMP, .help = "wait for the plate to read this or less" },
    { .name = "joint", .kind = ROW_JOINT, .help = "wait for this joint to be solid, 20 K below its solidus, by the estimate" },
    { .name = "fan",   .kind = ROW_QUANTITY, .unit = UNIT_SHARE, .least = 1, .help = "fan speed once all joints are solid; left out: as it is" },
    TIMEOUT, OTHERWISE };
static const struct row sensor_rows[] = {
    { .name = "name", .kind = ROW_CHOICE, .place = 1, .choices = "plate plate-2 board", .required = true, .help = "which sensor" }, OTHERWISE };
static const struct row wait_rows[] = { { .name = "time", .kind = ROW_QUANTITY, .unit = UNIT_TIME, .place = 1, .required = true, .help = "how long" } };
static const struct row until_rows[] = {
    { .name = "condition", .kind = ROW_FUNCTION, .place = 1, .required = true, .help = "called at every snapshot; true ends the wait" },
    TIMEOUT, OTHERWISE };
static const struct row melt_rows[] = {
    { .name = "joint",  .kind = ROW_JOINT, .place = 1, .required = true, .help = "a joint of the board file" },
    { .name = "steady", .kind = ROW_QUANTITY, .unit = UNIT_TIME, .fallback = "5 s", .help = "how long its coldest place must have been above liquidus" },
    TIMEOUT, OTHERWISE };
static const struct row hand_rows[] = { PROMPT, TIMEOUT, OTHERWISE };
static const struct row lift_rows[] = { PROMPT,
    { .name = "part", .kind = ROW_PART, .help = "the part to lift; left out: the upper board" },
    TIMEOUT, OTHERWISE };
static const struct row hand_heat_rows[] = { PROMPT,
    { .name = "part",  .kind = ROW_PART, .help = "where it blows; left out: all over the top" },
    { .name = "watts", .kind = ROW_QUANTITY, .unit = UNIT_WATTS, .most = THERMAL_HAND_W, .fallback = "15 W", .help = "what reaches the board, for the estimate" },
    { .name = "time", .kind = ROW_QUANTITY, .unit = UNIT_TIME, .required = true, .most = HANDS_MOST_MS / 1000, .help = "how long it stays announced; then the beeper asks to take it away" },
    TIMEOUT, OTHERWISE };
static const struct row limit_rows[] = { RAIL,
    { .name = "volts", .kind = ROW_QUANTITY, .unit = UNIT_VOLTS, .least = MILLI, .help = "most that supply.on may set from here on" },
    { .name = "amps",  .kind = ROW_QUANTITY, .unit = UNIT_AMPS,  .least = MILLI, .help = "most that supply.on may let flow from here on" } };
static const struct row on_rows[] = { RAIL, VOLTS, AMPS, TIMEOUT, OTHERWISE };
static const struct row inject_rows[] = { RAIL, VOLTS, AMPS, TIME_ROW("time", "how long the current flows; the output is off afterwards") };
static const struct row meter_rows[] = {
    { .name = "rail", .kind = ROW_RAIL, .required = true, .help = "a rail of the board file" },
    { .name = "kind", .kind = ROW_CHOICE, .choices = "ohms diode", .fallback = "ohms", .help = "resistance to ground, or diode mode" },
    TIMEOUT, OTHERWISE };
static const struct row beep_rows[] = { TEXT("text", "what the beep means") };
static const struct row text_rows[] = { TEXT("text", "the text") };
static const struct row ask_rows[] = { PROMPT,
    { .name = "unit", .kind = ROW_CHOICE, .choices = "C s V A ohm", .help = "a number in this unit is wanted; left out: text" },
    { .name = "suggest", .kind = ROW_TEXT, .help = "what a plain yes stands for" },
    TIMEOUT, OTHERWISE };
static const struct row number_rows[] = { TEXT("quantity", "a quantity, mostly a param") };
static const struct row record_rows[] = {
    { .name = "name",  .kind = ROW_TEXT, .place = 1, .required = true, .size = BENCH_NAME, .help = "what it is" },
    { .name = "value", .kind = ROW_NUMBER, .place = 2, .required = true, .help = "what is written down" },
    { .name = "unit",  .kind = ROW_TEXT, .place = 3, .help = "its unit, for the reader" } };

#define ROWS(rows) rows, COUNT(rows)
#define LEADS "another rail than the last one only after a `confirm` with the supply off: the leads are still there."
#define FAILS_SAFE "Without `otherwise` a timeout fails the recipe, everything off."

const struct primitive primitives[] = {
    { "stage", act_stage, ROWS(stage_rows), "Begins a stage: a heading for the operator, the record and the report.", NULL, NULL,
      "stage \"Preheat\"" },
    { "plate.ramp", act_plate_ramp, ROWS(ramp_rows),
      "Heats the plate, waits until its reading is within 2 C of `to`, and holds it there. When the plate is hotter it waits for it to fall.",
      NULL, "`to` at most the merged plate limit, `rate` at most the merged ramp limit; needs an `insert` in the header; never with the supply on. " FAILS_SAFE,
      "plate.ramp { to = \"120 C\", rate = \"1.5 C/s\", timeout = \"4 min\" }" },
    { "plate.soak", act_plate_soak, ROWS(soak_rows), "Holds the plate where plate.ramp brought it. The operator may add or take 30 s at a time, while it holds or before; what is added ends before the heat time does.", NULL, "The heat time limit counts on.",
      "plate.soak { time = \"40 s\" }" },
    { "plate.off", act_plate_off, NULL, 0, "Switches the heat off and goes on at once.", NULL, NULL, "plate.off()" },
    { "plate.temperature", act_plate_temperature, ROWS(reading_rows), "Takes a fresh reading of the plate (one scan): the higher one of two sensors.",
      "number: C", "Fails when a plate sensor cannot be read, unless `otherwise` is given.", "local now = plate.temperature()" },
    { "fan.on", act_fan_on, ROWS(fan_rows), "Switches the fan on.", NULL, NULL, "fan.on { speed = \"60 %\" }" },
    { "fan.off", act_fan_off, NULL, 0, "Switches the fan off.", NULL, NULL, "fan.off()" },
    { "cool", act_cool, ROWS(cool_rows), "Switches the heat off and waits until the plate is cool, a joint is solid, or both. The fan waits for molten joints.", NULL, FAILS_SAFE,
      "cool { plate = \"45 C\", fan = \"100 %\", timeout = \"15 min\" }" },
    { "sensor.read", act_sensor_read, ROWS(sensor_rows), "Takes a fresh reading of one sensor (one scan).", "number: C",
      "Fails when it cannot be read, unless `otherwise` is given.", "local board = sensor.read(\"board\")" },
    { "wait", act_wait, ROWS(wait_rows), "Waits; everything stays as it is. The operator may add or take 30 s at a time while it waits.", NULL, NULL, "wait \"10 s\"" },
    { "wait_until", act_wait_until, ROWS(until_rows), "Waits until a function of yours returns true.", NULL, FAILS_SAFE,
      "wait_until { function() return plate.temperature() < 80 end, timeout = \"5 min\" }" },
    { "wait_for_melt", act_wait_for_melt, ROWS(melt_rows),
      "Waits until the live estimate has the whole joint molten for `steady`, on its cautious bound: a slow, heavy board whose sensors read too high. It says how it knows; a person confirms before anything is lifted. The plate's reading shows no plateau at the melt: the latent heat is a few joules.",
      NULL, "After board.place. " FAILS_SAFE, "wait_for_melt { joint = \"frame\", steady = \"8 s\", timeout = \"4 min\" }" },
    { "board.place", act_board_place, ROWS(hand_rows), "Asks a person to lay the board on the insert. From then on, while the plate heats, the board's sensor is looked at: when it reads less than it can on a board that lies flat, heat goes off and a person is asked whether both do; without a yes within 60 s the recipe ends.", NULL, "Fails on no and on a timeout, unless `otherwise` is given.",
      "board.place { \"Shield lids off? Lay the board in the insert.\", timeout = \"2 min\" }" },
    { "board.lift", act_board_lift, ROWS(lift_rows), "Asks a person to lift the upper board, or a part. A nudge that springs back is the proof of the melt.", NULL,
      "Fails on no and on a timeout, unless `otherwise` is given.", "board.lift { \"Nudge: it springs back? Lift straight up.\", timeout = \"1 min\" }" },
    { "board.press", act_board_press, ROWS(hand_rows), "Asks a person to put the weight on.", NULL, "Fails on no and on a timeout, unless `otherwise` is given.",
      "board.press { \"Set the weight on the stack.\", timeout = \"1 min\" }" },
    { "board.release", act_board_release, ROWS(hand_rows), "Asks a person to take the weight off.", NULL, "Fails on no and on a timeout, unless `otherwise` is given.",
      "board.release { \"Take the weight off.\", timeout = \"1 min\" }" },
    { "hand_heat", act_hand_heat, ROWS(hand_heat_rows),
      "Announces hot air or an iron on the board and goes on once the person says that it is there. After `time`, or when its part is lifted, it counts as taken away.",
      NULL, "It widens what the guard expects, never a ceiling; `time` is 20 min at most, and so is each kind of hands in a run; all kinds together are 30 min.", "hand_heat { \"Hot air on the part, 300 C.\", part = \"power\", time = \"90 s\", timeout = \"1 min\" }" },
    { "supply.limit", act_supply_limit, ROWS(limit_rows), "Lowers the limits of a rail for the rest of the recipe.", NULL, "At most the rail's merged limits; it never widens them.",
      "supply.limit { rail = \"battery rail\", amps = \"200 mA\" }" },
    { "supply.on", act_supply_on, ROWS(on_rows), "Feeds a rail and waits until the volts have come up or the current is at its limit.", "table: volts, amps, ohms, on",
      "At most the rail's merged limits; only while plate and board read below `power_below`; " LEADS " " FAILS_SAFE,
      "local r = supply.on { rail = \"battery rail\", volts = \"4 V\", amps = \"500 mA\", timeout = \"5 s\" }" },
    { "supply.inject", act_supply_inject, ROWS(inject_rows), "Lets a limited current flow into a short for a time, then switches off. The volts may collapse.", "table: volts, amps, ohms, on (the last reading under current)",
      "At most the rail's injection limits; only while plate and board read below `power_below`; " LEADS,
      "local r = supply.inject { rail = \"battery rail\", volts = \"0.8 V\", amps = \"1 A\", time = \"10 s\" }" },
    { "supply.off", act_supply_off, NULL, 0, "Switches the supply off.", NULL, NULL, "supply.off()" },
    { "supply.read", act_supply_read, ROWS(reading_rows), "Takes a fresh reading of the supply (one scan).", "table: volts, amps, ohms, on", NULL, "local r = supply.read()" },
    { "meter.read", act_meter_read, ROWS(meter_rows), "Measures a rail: with the bench's meter, its probes held on, or the person types the reading.", "number: ohm, or V in diode mode", "Only with the supply off. " FAILS_SAFE,
      "local ohms = meter.read { rail = \"battery rail\", timeout = \"2 min\" }" },
    { "beep", act_beep, ROWS(beep_rows), "Sounds the beeper once and says why.", NULL, NULL, "beep \"hot\"" },
    { "tell", act_tell, ROWS(text_rows), "Shows a text to the operator; nothing waits.", NULL, NULL, "tell \"Flux on the pads now.\"" },
    { "confirm", act_confirm, ROWS(hand_rows), "Asks a question that is answered with yes or no.", "boolean", FAILS_SAFE,
      "if confirm { \"Does it stand level?\", timeout = \"1 min\" } then ... end" },
    { "ask", act_ask, ROWS(ask_rows), "Asks for a value.", "number with `unit`, else text", FAILS_SAFE,
      "local weight = ask { \"Which weight is on?\", timeout = \"1 min\" }" },
    { "number", act_number, ROWS(number_rows), "Makes a plain number of a quantity, to reckon with or to compare.", "number: in C, C/s, s, V, A, ohm, W, mm, g or %", NULL,
      "if plate.temperature() > number(p.melt) - 20 then ... end" },
    { "note", act_note, ROWS(text_rows), "Writes a text to the record.", NULL, NULL, "note \"second pass\"" },
    { "record", act_record, ROWS(record_rows), "Writes a named value to the record.", NULL, NULL, "record(\"rail\", r.ohms, \"ohm\")" },
};
/* clang-format on */

const int primitive_count = COUNT(primitives);

/* ---- reading a call ------------------------------------------------------------------------- */

static const struct row *row_at(const struct primitive *primitive, int place)
{
    for (int i = 0; i < primitive->row_count; i++)
        if (primitive->rows[i].place == place)
            return &primitive->rows[i];
    return NULL;
}

static int row_index(const struct primitive *primitive, const char *name)
{
    for (int i = 0; i < primitive->row_count; i++)
        if (strcmp(primitive->rows[i].name, name) == 0)
            return i;
    return -1;
}

/* The mistake is the recipe's: name the primitive before it. */
_Noreturn static void fail_call(struct recipe *recipe, const struct call *call,
                                const struct tl_error *error)
{
    struct tl_error whole = *error;
    snprintf(whole.text, sizeof whole.text, "%s: %.*s", call->primitive->name,
             (int)(sizeof whole.text - strlen(call->primitive->name) - 4), error->text);
    recipe_fail_with(recipe, &whole);
}

/* The value on the top of the stack stays there, so that its text lives as long as the call. */
static void take_value(struct recipe *recipe, struct call *call, const struct row *row)
{
    struct tl_error error;
    struct value *value = &call->value[row - call->primitive->rows];
    if (value->given)
        recipe_fail(recipe, TL_SYNTAX, row->name, "%s: \"%s\" is given twice",
                    call->primitive->name, row->name);
    if (row_read(recipe, -1, row, value, &error) != 0)
        fail_call(recipe, call, &error);
}

static void take_in_order(struct recipe *recipe, struct call *call, int count)
{
    for (int i = 1; i <= count; i++) {
        const struct row *row = row_at(call->primitive, i);
        if (!row) {
            struct tl_error error;
            tl_error_set(&error, TL_SYNTAX, "%s: %d values are given; it takes %d without names",
                         call->primitive->name, count, i - 1);
            tl_error_token(&error, call->primitive->name);
            tl_error_hint(&error, "as in: %s", call->primitive->example);
            recipe_fail_with(recipe, &error);
        }
        lua_pushvalue(recipe->lua, i);
        take_value(recipe, call, row);
    }
}

static void check_keys(struct recipe *recipe, struct call *call)
{
    const struct primitive *primitive = call->primitive;
    struct tl_error error;
    bool unnamed = false;
    const char *unknown =
        row_unknown_key(recipe->lua, 1, primitive->rows, primitive->row_count, &unnamed);
    if (unnamed)
        recipe_fail(recipe, TL_SYNTAX, primitive->name, "%s: a value stands there without a name",
                    primitive->name);
    if (!unknown)
        return;
    row_unknown(primitive->name, unknown, primitive->rows, primitive->row_count, &error);
    recipe_fail_with(recipe, &error);
}

static void take_by_name(struct recipe *recipe, struct call *call)
{
    lua_State *lua = recipe->lua;
    check_keys(recipe, call);
    for (int i = 0; i < call->primitive->row_count; i++) {
        const struct row *row = &call->primitive->rows[i];
        lua_pushstring(lua, row->name);
        if (lua_rawget(lua, 1) != LUA_TNIL)
            take_value(recipe, call, row);
        else
            lua_pop(lua, 1);
        if (row->place && lua_rawgeti(lua, 1, row->place) != LUA_TNIL)
            take_value(recipe, call, row);
        else if (row->place)
            lua_pop(lua, 1);
    }
}

static void take_fallback(struct recipe *recipe, struct call *call, const struct row *row)
{
    lua_pushstring(recipe->lua, row->fallback);
    take_value(recipe, call, row);
}

static void complete(struct recipe *recipe, struct call *call)
{
    for (int i = 0; i < call->primitive->row_count; i++) {
        const struct row *row = &call->primitive->rows[i];
        char expected[128];
        if (call->value[i].given)
            continue;
        if (row->fallback)
            take_fallback(recipe, call, row);
        if (!row->required)
            continue;
        struct tl_error error;
        tl_error_set(&error, TL_MISSING, "%s: \"%s\" is missing: %s", call->primitive->name,
                     row->name, row->help);
        tl_error_token(&error, call->primitive->name);
        tl_error_hint(&error, "add: %s = %s", row->name,
                      row_expects(row, expected, sizeof expected));
        recipe_fail_with(recipe, &error);
    }
}

static void note_line(struct recipe *recipe)
{
    struct tl_error at = {0};
    recipe_locate(recipe, &at);
    recipe->line = at.line;
}

/* Every primitive is this function; its upvalue is its row of the table. */
static int dispatch(lua_State *lua)
{
    struct recipe *recipe = recipe_of(lua);
    struct call call = {.primitive = lua_touserdata(lua, lua_upvalueindex(1))};
    note_line(recipe);
    if (!recipe->running)
        recipe_fail(recipe, TL_SYNTAX, call.primitive->name,
                    "%s: it acts on the bench, so it belongs inside steps", call.primitive->name);
    int count = lua_gettop(lua);
    luaL_checkstack(lua, ROWS_MAX + 8, NULL);
    if (count == 1 && lua_type(lua, 1) == LUA_TTABLE)
        take_by_name(recipe, &call);
    else
        take_in_order(recipe, &call, count);
    complete(recipe, &call);
    return call.primitive->act(recipe, &call);
}

const struct value *call_value(const struct call *call, const char *name)
{
    int i = row_index(call->primitive, name);
    assert(i >= 0);
    return &call->value[i];
}

bool call_given(const struct call *call, const char *name)
{
    return call_value(call, name)->given;
}

double call_number(const struct call *call, const char *name)
{
    return call_value(call, name)->number;
}

const char *call_text(const struct call *call, const char *name)
{
    return call_value(call, name)->text;
}

/* ---- how a call fails ----------------------------------------------------------------------- */

int call_otherwise(struct recipe *recipe, struct call *call, enum tl_err code, const char *format,
                   ...)
{
    lua_State *lua = recipe->lua;
    int otherwise = row_index(call->primitive, "otherwise");
    if (otherwise >= 0 && call->value[otherwise].given) {
        int before = lua_gettop(lua);
        lua_pushvalue(lua, call->value[otherwise].function);
        lua_call(lua, 0, LUA_MULTRET);
        return lua_gettop(lua) - before;
    }
    recipe->tally->unmet = true;
    char text[sizeof recipe->error.text];
    struct tl_error error;
    va_list list;
    va_start(list, format);
    vsnprintf(text, sizeof text, format, list);
    va_end(list);
    tl_error_set(&error, code, "%s: %s", call->primitive->name, text);
    tl_error_token(&error, call->primitive->name);
    if (code == TL_TIMEOUT)
        tl_error_hint(&error, "%s; otherwise = function() ... end says what happens then",
                      call->hint[0] ? call->hint : "give it more time");
    recipe_fail_with(recipe, &error);
}

const char *limit_origin_text(const struct recipe *recipe, enum limit_id id, char *out, size_t size)
{
    const struct limit_origin *origin = &recipe->host->origins->of[id];
    const char *bench = recipe->host->bench_file ? recipe->host->bench_file : "the bench file";
    switch (origin->layer) {
    case LAYER_BENCH:
        if (origin->line > 0)
            snprintf(out, size, "set in %s:%d", bench, (int)origin->line);
        else
            snprintf(out, size, "set in %s", bench);
        break;
    case LAYER_BOARD:
        snprintf(out, size, "set by the board file %s", recipe->board_file);
        break;
    case LAYER_RECIPE:
        snprintf(out, size, "set by the recipe's own ceiling");
        break;
    case LAYER_BUILT_IN:
    case LAYERS:
        snprintf(out, size, "built into this program");
        break;
    }
    return out;
}

void call_limit(struct recipe *recipe, const struct call *call, const char *name, enum limit_id id)
{
    int32_t limit = limits_get(recipe->host->limits, id);
    double scale = limit_scale(id), asked = call_number(call, name);
    char most[32], origin[128];
    if (asked * scale <= limit + 0.5)
        return;
    struct tl_error error;
    quantity_print(limit / scale, limit_unit(id), most, sizeof most);
    tl_error_set(&error, TL_LIMIT, "%s: %s = %s is above the %s limit of %s, %s",
                 call->primitive->name, name, call_text(call, name), limit_key(id), most,
                 limit_origin_text(recipe, id, origin, sizeof origin));
    tl_error_token(&error, call_text(call, name));
    tl_error_hint(&error, "at most %s = \"%s\" here", name, most);
    recipe_fail_with(recipe, &error);
}

/* ---- bindings ------------------------------------------------------------------------------- */

static void push_binding(lua_State *lua, const struct primitive *primitive)
{
    lua_pushlightuserdata(lua, (void *)(uintptr_t)primitive);
    lua_pushcclosure(lua, dispatch, 1);
}

size_t primitive_group(int i)
{
    size_t length = strcspn(primitives[i].name, ".");
    return primitives[i].name[length] ? length : 0;
}

bool primitive_in_group(int i, int of)
{
    size_t length = primitive_group(of);
    return length > 0 && primitive_group(i) == length &&
           strncmp(primitives[i].name, primitives[of].name, length) == 0;
}

bool primitive_opens_group(int i)
{
    for (int before = 0; before < i; before++)
        if (primitive_in_group(before, i))
            return false;
    return primitive_group(i) > 0;
}

static void install_group(lua_State *lua, int first)
{
    size_t length = primitive_group(first) + 1;
    char label[BENCH_NAME];
    snprintf(label, sizeof label, "%.*s", (int)length, primitives[first].name);
    lua_newtable(lua);
    for (int i = first; i < primitive_count; i++) {
        if (!primitive_in_group(i, first))
            continue;
        push_binding(lua, &primitives[i]);
        lua_setfield(lua, -2, primitives[i].name + length);
    }
    sandbox_freeze(lua, label);
    label[length - 1] = '\0';
    lua_setfield(lua, -2, label);
}

void primitives_install(lua_State *lua)
{
    for (int i = 0; i < primitive_count; i++) {
        if (primitive_group(i) == 0) {
            push_binding(lua, &primitives[i]);
            lua_setfield(lua, -2, primitives[i].name);
        } else if (primitive_opens_group(i)) {
            install_group(lua, i);
        }
    }
}
