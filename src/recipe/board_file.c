/* SPDX-License-Identifier: MIT */
/* A board file: layers, parts, joints, rails. Data only: it runs with no primitives at hand. */
#include "recipe_private.h"

#include <math.h>
#include <string.h>

/* clang-format off */
#define AT(type, field) .offset = offsetof(struct type, field), .size = sizeof ((struct type *)0)->field

static const struct row board_rows[] = {
    { .name = "name",     .kind = ROW_TEXT, .required = true, .fallback = "name = \"hx210\"", .help = "as recipes call it", AT(board, name) },
    { .name = "title",    .kind = ROW_TEXT, .help = "maker, model and revision, for people", AT(board, title) },
    { .name = "revision", .kind = ROW_TEXT, .help = "as it is printed on the board", AT(board, revision) },
    { .name = "lower",    .kind = ROW_TABLE, .required = true, .help = "the layer that touches the insert" },
    { .name = "upper",    .kind = ROW_TABLE, .help = "the layer on top, if it is a stack" },
    { .name = "contact",  .kind = ROW_TABLE, .help = "how evenly the lower board touches the insert, and how much boards differ" },
    { .name = "parts",    .kind = ROW_TABLE, .help = "list of parts that matter" },
    { .name = "joints",   .kind = ROW_TABLE, .help = "list of solder joints that recipes wait for" },
    { .name = "rails",    .kind = ROW_TABLE, .help = "list of supply rails" },
    { .name = "limits",   .kind = ROW_TABLE, .help = "what the board bears, keys as in a recipe's ceiling" },
};

static const struct row slab_rows[] = {
    { .name = "length", .kind = ROW_QUANTITY, .unit = UNIT_LENGTH, .required = true, .help = "along x", AT(board_slab, length_mm) },
    { .name = "width",  .kind = ROW_QUANTITY, .unit = UNIT_LENGTH, .required = true, .help = "along y", AT(board_slab, width_mm) },
    { .name = "thick",  .kind = ROW_QUANTITY, .unit = UNIT_LENGTH, .required = true, .help = "of the laminate with its copper", AT(board_slab, thick_mm) },
    { .name = "copper", .kind = ROW_QUANTITY, .unit = UNIT_SHARE,  .required = true, .help = "share of the thickness that is copper", AT(board_slab, copper_share) },
    { .name = "small_parts", .kind = ROW_QUANTITY, .unit = UNIT_MASS, .zero = true, .help = "mass of all parts not listed", AT(board_slab, parts_g) },
};

static const struct row contact_rows[] = {
    { .name = "spread",    .kind = ROW_QUANTITY, .unit = UNIT_SHARE, .help = "unevenness of the contact, best at x = 0", AT(board, contact_spread) },
    { .name = "flux",      .kind = ROW_CHOICE, .choices = "dry wet", .help = "between insert and board: wet with flux or dry", AT(board, flux) },
    { .name = "tolerance", .kind = ROW_QUANTITY, .unit = UNIT_SHARE, .help = "how far the contact of another such board may lie off", AT(board, contact_tolerance) },
    { .name = "mass_tolerance", .kind = ROW_QUANTITY, .unit = UNIT_SHARE, .help = "the same of its mass", AT(board, mass_tolerance) },
};

static const struct row part_rows[] = {
    { .name = "name",   .kind = ROW_TEXT, .required = true, .help = "as recipes call it", AT(board_part, name) },
    { .name = "on",     .kind = ROW_CHOICE, .choices = "lower upper", .required = true, .fallback = "on = \"lower\"", .help = "its layer", AT(board_part, on) },
    { .name = "x",      .kind = ROW_QUANTITY, .unit = UNIT_LENGTH, .zero = true, .required = true, .help = "centre, from the lower left corner", AT(board_part, x_mm) },
    { .name = "y",      .kind = ROW_QUANTITY, .unit = UNIT_LENGTH, .zero = true, .required = true, .help = "centre, from the lower left corner", AT(board_part, y_mm) },
    { .name = "length", .kind = ROW_QUANTITY, .unit = UNIT_LENGTH, .required = true, .help = "along x", AT(board_part, length_mm) },
    { .name = "width",  .kind = ROW_QUANTITY, .unit = UNIT_LENGTH, .required = true, .help = "along y", AT(board_part, width_mm) },
    { .name = "thick",  .kind = ROW_QUANTITY, .unit = UNIT_LENGTH, .required = true, .help = "height of its body", AT(board_part, thick_mm) },
    { .name = "max",    .kind = ROW_QUANTITY, .unit = UNIT_TEMP, .help = "what its body bears", AT(board_part, max_c) },
    { .name = "rail",   .kind = ROW_TEXT, .help = "the rail it hangs on", AT(board_part, rail) },
};

static const struct row joint_rows[] = {
    { .name = "name",     .kind = ROW_TEXT, .required = true, .help = "as recipes call it", AT(board_joint, name) },
    { .name = "alloy",    .kind = ROW_ALLOY, .required = true, .fallback = "alloy = \"Sn42Bi57Ag1\"", .help = "its solder" },
    { .name = "mass",     .kind = ROW_QUANTITY, .unit = UNIT_MASS, .required = true, .help = "of the solder, all segments together", AT(board_joint, mass_g) },
    { .name = "contact",  .kind = ROW_QUANTITY, .unit = UNIT_LOSS, .required = true, .help = "heat conductance through all segments together", AT(board_joint, contact_w_k) },
    { .name = "segments", .kind = ROW_COUNT, .fallback = "1", .help = "how many places it is followed in, 1 to 8", AT(board_joint, segments) },
    { .name = "shares",   .kind = ROW_TABLE, .help = "list: each segment's share; equal when left out" },
    { .name = "part",     .kind = ROW_TEXT, .help = "the part it holds; left out: it joins the two boards", AT(board_joint, part) },
};

static const struct row alloy_rows[] = {
    { .name = "name",          .kind = ROW_TEXT, .help = "of the alloy", AT(alloy, name) },
    { .name = "solidus",       .kind = ROW_QUANTITY, .unit = UNIT_TEMP, .required = true, .help = "below it all is solid", AT(alloy, solidus_c) },
    { .name = "liquidus",      .kind = ROW_QUANTITY, .unit = UNIT_TEMP, .required = true, .help = "above it all is liquid", AT(alloy, liquidus_c) },
    { .name = "latent_j_g",    .kind = ROW_NUMBER, .required = true, .help = "heat of fusion, J/g", AT(alloy, latent_j_g) },
    { .name = "density_g_cm3", .kind = ROW_NUMBER, .required = true, .help = "density, g/cm3", AT(alloy, density_g_cm3) },
    { .name = "cp_j_gk",       .kind = ROW_NUMBER, .required = true, .help = "specific heat, J/(g K)", AT(alloy, cp_j_gk) },
    { .name = "k_w_mk",        .kind = ROW_NUMBER, .required = true, .help = "heat conductivity, W/(m K)", AT(alloy, k_w_mk) },
    { .name = "source",        .kind = ROW_TEXT, .help = "where the figures come from" },
};

/* What is read before it goes into whole millivolts and milliamperes. */
struct rail_text {
    char name[BENCH_NAME], short_part[BENCH_NAME];
    double volts, amps, inject_volts, inject_amps, healthy_ohm, diode_v, idle_a, short_ohm;
};

static const struct row rail_rows[] = {
    { .name = "name",         .kind = ROW_TEXT, .required = true, .help = "as recipes call it", AT(rail_text, name) },
    { .name = "volts",        .kind = ROW_QUANTITY, .unit = UNIT_VOLTS, .least = MILLI, .required = true, .help = "most that supply.on may set", AT(rail_text, volts) },
    { .name = "amps",         .kind = ROW_QUANTITY, .unit = UNIT_AMPS, .least = MILLI,  .required = true, .help = "most that supply.on may let flow", AT(rail_text, amps) },
    { .name = "inject_volts", .kind = ROW_QUANTITY, .unit = UNIT_VOLTS, .least = MILLI, .help = "most that supply.inject may set", AT(rail_text, inject_volts) },
    { .name = "inject_amps",  .kind = ROW_QUANTITY, .unit = UNIT_AMPS, .least = MILLI,  .help = "most that supply.inject may let flow", AT(rail_text, inject_amps) },
    { .name = "healthy",      .kind = ROW_QUANTITY, .unit = UNIT_OHMS,  .help = "resistance to ground of a good board", AT(rail_text, healthy_ohm) },
    { .name = "diode",        .kind = ROW_QUANTITY, .unit = UNIT_VOLTS, .help = "diode-mode reading of a good board", AT(rail_text, diode_v) },
    { .name = "idle",         .kind = ROW_QUANTITY, .unit = UNIT_AMPS,  .zero = true, .help = "what a good board draws before it is switched on", AT(rail_text, idle_a) },
    { .name = "short",        .kind = ROW_QUANTITY, .unit = UNIT_OHMS,  .help = "the simulated board's short, for rehearsals with one", AT(rail_text, short_ohm) },
    { .name = "short_part",   .kind = ROW_TEXT, .help = "the part that is shorted then, and gets hot", AT(rail_text, short_part) },
};
/* clang-format on */

/* Read each table of the list `key` of the board's table at stack index 1. */
static int read_each(struct recipe *recipe, struct place board, const char *key, int most,
                     void (*read)(struct recipe *recipe, int i, struct place place))
{
    lua_State *lua = recipe->lua;
    lua_pushstring(lua, key);
    if (lua_rawget(lua, 1) == LUA_TNIL) {
        lua_pop(lua, 1);
        return 0;
    }
    struct place place = place_key(board, key);
    int list = lua_gettop(lua);
    int count = 0;
    for (lua_pushnil(lua); lua_next(lua, list); lua_pop(lua, 1))
        count++;
    if (count != (int)lua_rawlen(lua, list))
        place_fail(recipe, place, TL_RANGE, key,
                   "%s: expected a list of tables: %s = { { ... }, { ... } }", key, key);
    if (count > most)
        place_fail(recipe, place, TL_FULL, key, "%s: %d entries; at most %d fit", key, count, most);
    for (int i = 0; i < count; i++) {
        struct place item = place_item(place, i);
        if (lua_rawgeti(lua, list, i + 1) != LUA_TTABLE)
            place_fail(recipe, item, TL_RANGE, NULL, "%s: entry %d is no table", key, i + 1);
        read(recipe, i, item);
        lua_pop(lua, 1);
    }
    lua_pop(lua, 1);
    return count;
}

static void read_part(struct recipe *recipe, int i, struct place place)
{
    rows_read(recipe, lua_gettop(recipe->lua), place, "part", part_rows, COUNT(part_rows),
              &recipe->board.part[i]);
    recipe->board.part_count = i + 1;
}

/* ---- joints --------------------------------------------------------------------------------- */

static void check_alloy(struct recipe *recipe, struct place place, const struct alloy *alloy)
{
    bool fine = alloy->solidus_c <= alloy->liquidus_c && alloy->latent_j_g > 0 &&
                alloy->density_g_cm3 > 0 && alloy->cp_j_gk > 0 && alloy->k_w_mk > 0;
    if (!fine)
        place_fail(recipe, place, TL_RANGE, "alloy",
                   "alloy \"%s\": its figures must be above 0, and solidus not above liquidus",
                   alloy->name);
}

/* Push the table of the named alloy from the module `alloys`. */
static void push_alloy(struct recipe *recipe, struct place place, const char *name)
{
    lua_State *lua = recipe->lua;
    sandbox_push_recipe_env(recipe);
    lua_getfield(lua, -1, "require");
    lua_remove(lua, -2);
    lua_pushliteral(lua, "alloys");
    recipe_call(recipe, 1, 1);
    if (lua_type(lua, -1) == LUA_TTABLE) {
        lua_pushstring(lua, name);
        if (lua_rawget(lua, -2) == LUA_TTABLE) {
            lua_remove(lua, -2);
            return;
        }
        lua_pop(lua, 1);
    }
    const char *names[NAMES_MAX + 1];
    int count = 0;
    if (lua_type(lua, -1) == LUA_TTABLE)
        for (lua_pushnil(lua); lua_next(lua, -2); lua_pop(lua, 1))
            if (count < NAMES_MAX && lua_type(lua, -2) == LUA_TSTRING)
                names[count++] = lua_tostring(lua, -2);
    names[count] = NULL;
    struct tl_error error;
    const char *near = tl_nearest(name, names);
    tl_error_set(&error, TL_UNKNOWN, "alloy: \"%s\" is not in the table of alloys", name);
    tl_error_token(&error, name);
    if (near)
        tl_error_hint(&error, "did you mean \"%s\"?", near);
    else
        tl_error_hint(&error, "lua/alloys.lua lists those known; another may be given as a table");
    recipe_fail_at(recipe, place, &error);
}

static void read_alloy(struct recipe *recipe, struct place joint, struct alloy *alloy)
{
    lua_State *lua = recipe->lua;
    struct place place = place_key(joint, "alloy");
    lua_getfield(lua, -1, "alloy");
    if (lua_type(lua, -1) == LUA_TSTRING) {
        char name[BENCH_NAME];
        snprintf(name, sizeof name, "%s", lua_tostring(lua, -1));
        push_alloy(recipe, place, name);
        snprintf(alloy->name, sizeof alloy->name, "%s", name);
        lua_remove(lua, -2);
    }
    rows_read(recipe, lua_gettop(lua), place, "alloy", alloy_rows, COUNT(alloy_rows), alloy);
    lua_pop(lua, 1);
    check_alloy(recipe, place, alloy);
}

static void read_shares(struct recipe *recipe, struct place place, struct board_joint *joint)
{
    lua_State *lua = recipe->lua;
    for (int i = 0; i < joint->segments; i++)
        joint->share[i] = 1.0 / joint->segments;
    if (lua_getfield(lua, -1, "shares") == LUA_TNIL) {
        lua_pop(lua, 1);
        return;
    }
    place = place_key(place, "shares");
    if ((int)lua_rawlen(lua, -1) != joint->segments)
        place_fail(recipe, place, TL_RANGE, "shares", "joint: %d shares for %d segments",
                   (int)lua_rawlen(lua, -1), (int)joint->segments);
    const struct row row = {.name = "shares", .kind = ROW_QUANTITY, .unit = UNIT_SHARE};
    double sum = 0;
    for (int i = 0; i < joint->segments; i++) {
        struct value value;
        struct tl_error error;
        lua_rawgeti(lua, -1, i + 1);
        if (row_read(recipe, -1, &row, &value, &error) != 0)
            recipe_fail_at(recipe, place, &error);
        joint->share[i] = value.number / 100;
        sum += joint->share[i];
        lua_pop(lua, 1);
    }
    lua_pop(lua, 1);
    if (fabs(sum - 1) > 0.001)
        place_fail(recipe, place, TL_RANGE, "shares",
                   "joint: its shares add up to %.4g %%, not to 100 %%", 100 * sum);
}

static void read_joint(struct recipe *recipe, int i, struct place place)
{
    struct board_joint *joint = &recipe->board.joint[i];
    joint->segments = 1;
    rows_read(recipe, lua_gettop(recipe->lua), place, "joint", joint_rows, COUNT(joint_rows),
              joint);
    if (joint->segments < 1 || joint->segments > JOINT_SEGMENTS)
        place_fail(recipe, place_key(place, "segments"), TL_RANGE, "segments",
                   "joint: segments = %d; expected 1 to %d", (int)joint->segments, JOINT_SEGMENTS);
    read_shares(recipe, place, joint);
    read_alloy(recipe, place, &joint->alloy);
    recipe->board.joint_count = i + 1;
}

/* ---- rails ---------------------------------------------------------------------------------- */

static int32_t milli(double value)
{
    return value > 1e6 ? 1000000000 : (int32_t)lround(value * 1000);
}

static void read_rail(struct recipe *recipe, int i, struct place place)
{
    struct rail_text text = {0};
    rows_read(recipe, lua_gettop(recipe->lua), place, "rail", rail_rows, COUNT(rail_rows), &text);
    if (text.inject_volts > text.volts)
        place_fail(recipe, place_key(place, "inject_volts"), TL_RANGE, "inject_volts",
                   "rail %s: inject_volts = %.4g V is above the %.4g V that the rail carries; a "
                   "short is warmed with less",
                   text.name, text.inject_volts, text.volts);
    struct board_rail *rail = &recipe->board.rail[i];
    *rail = (struct board_rail){.healthy_ohm = text.healthy_ohm,
                                .diode_v = text.diode_v,
                                .idle_a = text.idle_a,
                                .short_ohm = text.short_ohm};
    memcpy(rail->limits.name, text.name, sizeof rail->limits.name);
    memcpy(rail->short_part, text.short_part, sizeof rail->short_part);
    rail->limits.mv = milli(text.volts);
    rail->limits.ma = milli(text.amps);
    rail->limits.inject_mv = milli(text.inject_volts);
    rail->limits.inject_ma = milli(text.inject_amps);
    recipe->board.limits.rail[i] = rail->limits;
    recipe->board.rail_count = recipe->board.limits.rail_count = i + 1;
}

/* ---- the whole ------------------------------------------------------------------------------ */

static void read_slab(struct recipe *recipe, struct place board, const char *key,
                      struct board_slab *slab)
{
    lua_pushstring(recipe->lua, key);
    slab->present = lua_rawget(recipe->lua, 1) == LUA_TTABLE;
    if (slab->present)
        rows_read(recipe, lua_gettop(recipe->lua), place_key(board, key), key, slab_rows,
                  COUNT(slab_rows), slab);
    lua_pop(recipe->lua, 1);
}

/* `what` `of` points at a part or a rail of the board by its name; "" at none. */
static void check_name(struct recipe *recipe, struct place place, enum row_kind kind,
                       const char *name, const char *what, const char *of)
{
    char who[BENCH_NAME + 16];
    const struct row row = {.name = who, .kind = kind};
    struct value value;
    struct tl_error error;
    if (!name[0])
        return;
    snprintf(who, sizeof who, "%s \"%s\"", what, of);
    lua_pushstring(recipe->lua, name);
    int code = row_read(recipe, -1, &row, &value, &error);
    lua_pop(recipe->lua, 1);
    if (code)
        recipe_fail_at(recipe, place, &error);
}

/* Names that point inside the board must have something to point at. */
static void check_names(struct recipe *recipe, struct place board)
{
    struct board *b = &recipe->board;
    for (int i = 0; i < b->part_count; i++) {
        struct place place = place_item(place_key(board, "parts"), i);
        if (b->part[i].on == LAYER_UPPER && !b->slab[LAYER_UPPER].present)
            place_fail(recipe, place_key(place, "on"), TL_MISSING, "upper",
                       "part \"%s\": it lies on \"upper\", which the board has not",
                       b->part[i].name);
        check_name(recipe, place_key(place, "rail"), ROW_RAIL, b->part[i].rail, "part",
                   b->part[i].name);
    }
    for (int i = 0; i < b->joint_count; i++) {
        const struct board_joint *joint = &b->joint[i];
        struct place place = place_item(place_key(board, "joints"), i);
        check_name(recipe, place_key(place, "part"), ROW_PART, joint->part, "joint", joint->name);
        if (!joint->part[0] && !b->slab[LAYER_UPPER].present)
            place_fail(recipe, place, TL_MISSING, joint->name,
                       "joint \"%s\": it holds neither a part nor an upper board", joint->name);
    }
    for (int i = 0; i < b->rail_count; i++)
        check_name(recipe, place_key(place_item(place_key(board, "rails"), i), "short_part"),
                   ROW_PART, b->rail[i].short_part, "rail", b->rail[i].limits.name);
}

static struct place place_named(const struct board *b, struct place board, const char *name)
{
    for (int i = 0; i < b->part_count; i++)
        if (strcmp(b->part[i].name, name) == 0)
            return place_item(place_key(board, "parts"), i);
    for (int i = 0; i < b->joint_count; i++)
        if (strcmp(b->joint[i].name, name) == 0)
            return place_item(place_key(board, "joints"), i);
    return place_key(board, name);
}

/* A board that the model cannot hold is a mistake of this file, with its line. */
static void check_whole(struct recipe *recipe, struct place board)
{
    struct tl_error error;
    if (thermal_check_board(&recipe->board, &error) != 0)
        recipe_fail_at(recipe, place_named(&recipe->board, board, error.token), &error);
}

/* The function `board` of a board file. */
static int board_call(lua_State *lua)
{
    struct recipe *recipe = recipe_of(lua);
    struct tl_error at = {0};
    recipe_locate(recipe, &at);
    if (recipe->board.name[0])
        recipe_fail(recipe, TL_SYNTAX, "board",
                    "\"board\" is called a second time; a file holds one");
    if (lua_type(lua, 1) != LUA_TTABLE)
        recipe_fail(recipe, TL_SYNTAX, "board",
                    "\"board\" wants a table: board { name = \"hx210\", ... }");
    lua_settop(lua, 1);
    struct place place =
        place_of_call(source_find_shown(recipe->sources, at.file), at.line, "board");
    struct board *board = &recipe->board;
    rows_read(recipe, 1, place, "board", board_rows, COUNT(board_rows), board);
    read_slab(recipe, place, "lower", &board->slab[LAYER_LOWER]);
    read_slab(recipe, place, "upper", &board->slab[LAYER_UPPER]);
    if (lua_getfield(lua, 1, "contact") == LUA_TTABLE)
        rows_read(recipe, lua_gettop(lua), place_key(place, "contact"), "contact", contact_rows,
                  COUNT(contact_rows), board);
    read_each(recipe, place, "parts", BOARD_PARTS, read_part);
    read_each(recipe, place, "rails", BENCH_RAILS, read_rail);
    read_each(recipe, place, "joints", BOARD_JOINTS, read_joint);
    if (lua_getfield(lua, 1, "limits") == LUA_TTABLE)
        limits_read(recipe, lua_gettop(lua), place_key(place, "limits"), "limits", &board->limits);
    check_names(recipe, place);
    check_whole(recipe, place);
    lua_pushboolean(lua, true);
    return 1;
}

static const struct source_file *find_board(struct recipe *recipe)
{
    const struct source_set *set = recipe->sources;
    const char *names[SOURCE_FILES + 1];
    int count = 0;
    if (set->board_file > 0)
        return &set->file[set->board_file - 1];
    for (int i = 0; i < set->count; i++) {
        if (set->file[i].from != SOURCE_BOARD)
            continue;
        if (strcmp(set->file[i].module, recipe->header.board) == 0)
            return &set->file[i];
        names[count++] = set->file[i].module;
    }
    names[count] = NULL;
    struct tl_error error;
    tl_error_set(&error, TL_UNKNOWN, "board: there is no board file \"%s.lua\"",
                 recipe->header.board);
    tl_error_token(&error, recipe->header.board);
    hint_nearest(&error, recipe->header.board, names);
    recipe_fail_at(recipe, place_key(recipe->header_place, "board"), &error);
}

void board_load(struct recipe *recipe)
{
    const struct source_file *file = find_board(recipe);
    recipe->board_file = file->name;
    sandbox_push_board_env(recipe, board_call);
    sandbox_run(recipe, file);
    if (recipe->board.name[0]) {
        look_for_twice(recipe, file);
        return;
    }
    struct tl_error error;
    tl_error_set(&error, TL_MISSING, "the file does not call \"board\": it is no board file");
    tl_error_hint(&error,
                  "a board file is: return board { name = \"hx210\", lower = { ... }, ... }");
    recipe_fail_at(recipe, (struct place){file, 0}, &error);
}
