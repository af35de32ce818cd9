/* SPDX-License-Identifier: MIT */
/* The header of a recipe: what it is for, what it may use, what the operator may set. */
#include "recipe_private.h"

#include <math.h>
#include <string.h>

#include "tinlatch/bytes.h"

enum { API = 1, API_AT = 0 };

/* clang-format off */
#define TEXT_ROW(field, needed, example, text) \
    { .name = #field, .kind = ROW_TEXT, .required = needed, .fallback = example, .help = text, \
      .offset = offsetof(struct recipe_header, field), .size = sizeof ((struct recipe_header *)0)->field }

static const struct row header_rows[] = {
    [API_AT] =
    { .name = "api", .kind = ROW_COUNT, .required = true, .fallback = "api = 1", .help = "the level of the recipe language it is written for",
      .offset = offsetof(struct recipe_header, api), .size = sizeof(int32_t) },
    TEXT_ROW(title, true,  "title = \"Split the two-board stack\"", "what it does, in a few words"),
    { .name = "version", .kind = ROW_COUNT, .help = "counts up with each that is shared, from 1; `tinlatch pack` needs it",
      .offset = offsetof(struct recipe_header, version), .size = sizeof(int32_t) },
    TEXT_ROW(board, true,  "board = \"hx210\"", "the board file, by its name without .lua"),
    TEXT_ROW(insert, false, NULL, "the insert that must be on the plate; without one there is no heat"),
    { .name = "params",  .kind = ROW_TABLE, .help = "what the operator may set" },
    { .name = "before",  .kind = ROW_TABLE, .help = "what is measured on its rails and recorded before any heat, and again after" },
    { .name = "rails",   .kind = ROW_TABLE, .help = "the rails it may feed; without them the supply stays off" },
    { .name = "ceiling", .kind = ROW_TABLE, .help = "limits of its own, tighter than those of bench and board" },
    { .name = "park",    .kind = ROW_QUANTITY, .unit = UNIT_TEMP, .help = "where heat falls to when the operator parks; without it heat goes off",
      .offset = offsetof(struct recipe_header, park_c), .size = sizeof(double) },
    { .name = "steps",   .kind = ROW_FUNCTION, .required = true, .fallback = "steps = function(p) ... end", .help = "the function that is the recipe" },
};
/* clang-format on */

/* ---- lists of texts ------------------------------------------------------------------------- */

/* The table on the top of the stack is a list of texts: copy at most `most` of `size` bytes each. */
static int read_list(struct recipe *recipe, struct place place, const char *what, char *out,
                     size_t size, int most)
{
    lua_State *lua = recipe->lua;
    int table = lua_gettop(lua);
    lua_Integer count = (lua_Integer)lua_rawlen(lua, table), keys = 0;
    for (lua_pushnil(lua); lua_next(lua, table); lua_pop(lua, 1))
        keys++;
    if (keys != count)
        place_fail(recipe, place, TL_RANGE, what,
                   "%s: expected a list such as { \"battery rail\" }", what);
    if (count > most)
        place_fail(recipe, place, TL_FULL, what, "%s: %d entries; at most %d fit", what, (int)count,
                   most);
    const struct row row = {.name = what, .kind = ROW_TEXT, .size = size};
    for (int i = 0; i < count; i++) {
        struct value value;
        struct tl_error error;
        lua_rawgeti(lua, table, i + 1);
        if (row_read(recipe, -1, &row, &value, &error) != 0)
            recipe_fail_at(recipe, place_item(place, i), &error);
        snprintf(out + (size_t)i * size, size, "%s", value.text);
        lua_pop(lua, 1);
    }
    return (int)count;
}

/* ---- params --------------------------------------------------------------------------------- */

/* The kind of quantity that a param is: the first that reads all its texts; UNITS = plain text. */
static enum unit param_unit(const struct recipe_param *param)
{
    double value;
    for (int unit = 0; unit < UNITS; unit++)
        if (quantity_parse(param->text, (enum unit)unit, &value, NULL) == 0 &&
            (!param->min[0] || quantity_parse(param->min, (enum unit)unit, &value, NULL) == 0) &&
            (!param->max[0] || quantity_parse(param->max, (enum unit)unit, &value, NULL) == 0))
            return (enum unit)unit;
    return UNITS;
}

/* Is `text` a value that the param may take? */
static int check_param(const struct recipe_param *param, const char *text, struct tl_error *error)
{
    enum unit unit = param_unit(param);
    if (unit == UNITS)
        return 0;
    double value, bound;
    int code = quantity_parse(text, unit, &value, error);
    if (code != 0)
        return code;
    if (param->min[0] && quantity_parse(param->min, unit, &bound, error) == 0 && value < bound)
        return tl_error_set(error, TL_RANGE, "%s is below its minimum of %s", text, param->min);
    if (param->max[0] && quantity_parse(param->max, unit, &bound, error) == 0 && value > bound)
        return tl_error_set(error, TL_RANGE, "%s is above its maximum of %s", text, param->max);
    return 0;
}

static bool is_name(const char *text)
{
    if (!bytes_is_word(text[0]) || (text[0] >= '0' && text[0] <= '9'))
        return false;
    while (bytes_is_word(*text))
        text++;
    return *text == '\0';
}

/* The value may stand first without a name: { "172 C", min = ... } */
static void name_first_value(lua_State *lua, int table)
{
    if (lua_rawgeti(lua, table, 1) == LUA_TNIL) {
        lua_pop(lua, 1);
        return;
    }
    lua_setfield(lua, table, "value");
    lua_pushnil(lua);
    lua_rawseti(lua, table, 1);
}

/* clang-format off */
static const struct row param_rows[] = {
    { .name = "value", .kind = ROW_TEXT, .required = true, .fallback = "\"172 C\" as its first value", .help = "the value when nobody sets another",
      .offset = offsetof(struct recipe_param, text), .size = sizeof ((struct recipe_param *)0)->text },
    { .name = "min",   .kind = ROW_TEXT, .help = "the lowest that may be set",
      .offset = offsetof(struct recipe_param, min),  .size = sizeof ((struct recipe_param *)0)->min },
    { .name = "max",   .kind = ROW_TEXT, .help = "the highest that may be set",
      .offset = offsetof(struct recipe_param, max),  .size = sizeof ((struct recipe_param *)0)->max },
    { .name = "help",  .kind = ROW_TEXT, .help = "what it is, for the operator",
      .offset = offsetof(struct recipe_param, help), .size = sizeof ((struct recipe_param *)0)->help },
};
/* clang-format on */

static void read_param(struct recipe *recipe, struct place place, struct recipe_param *param)
{
    lua_State *lua = recipe->lua;
    char what[64];
    struct tl_error error;
    snprintf(what, sizeof what, "params.%s", param->name);
    if (lua_type(lua, -1) != LUA_TTABLE)
        place_fail(recipe, place, TL_RANGE, param->name,
                   "%s: expected a table such as { \"172 C\", min = \"165 C\", max = \"180 C\" }",
                   what);
    name_first_value(lua, lua_gettop(lua));
    lua_getfield(lua, -1, "value");
    if (!lua_isnil(lua, -1) && lua_type(lua, -1) != LUA_TSTRING)
        place_fail(recipe, place, TL_UNIT, param->name,
                   "%s: its value is text with a unit, such as \"90 s\"; found a %s", what,
                   luaL_typename(lua, -1));
    lua_pop(lua, 1);
    rows_read(recipe, lua_gettop(lua), place, what, param_rows, COUNT(param_rows), param);
    if (param_unit(param) == UNITS && (param->min[0] || param->max[0]))
        place_fail(recipe, place, TL_UNIT, param->text,
                   "%s: its value, min and max are not quantities of one kind", what);
    if (check_param(param, param->text, &error) != 0)
        place_fail(recipe, place, error.code, param->text, "%s: %s", what, error.text);
}

static void add_param_name(struct recipe *recipe, struct place place, const char *name)
{
    struct recipe_header *header = &recipe->header;
    if (!is_name(name) || strlen(name) >= BENCH_NAME)
        place_fail(recipe, place, TL_RANGE, name,
                   "params: \"%.40s\" is no name; letters, digits and _ make one", name);
    if (header->param_count == RECIPE_PARAMS)
        place_fail(recipe, place, TL_FULL, NULL, "params: more than %d", RECIPE_PARAMS);
    int i = header->param_count++;
    for (; i > 0 && strcmp(header->param[i - 1].name, name) > 0; i--)
        header->param[i] = header->param[i - 1];
    header->param[i] = (struct recipe_param){0};
    snprintf(header->param[i].name, sizeof header->param[i].name, "%s", name);
}

/* The table `params` on the top of the stack; kept in the order of their names. */
static void read_params(struct recipe *recipe, struct place place)
{
    lua_State *lua = recipe->lua;
    int table = lua_gettop(lua);
    for (lua_pushnil(lua); lua_next(lua, table); lua_pop(lua, 1)) {
        if (lua_type(lua, -2) != LUA_TSTRING)
            place_fail(recipe, place, TL_RANGE, "params",
                       "params: each needs a name: melt = { \"172 C\" }");
        add_param_name(recipe, place, lua_tostring(lua, -2));
    }
    for (int i = 0; i < recipe->header.param_count; i++) {
        struct recipe_param *param = &recipe->header.param[i];
        lua_getfield(lua, table, param->name);
        read_param(recipe, place_key(place, param->name), param);
        lua_pop(lua, 1);
    }
}

static int find_param(const struct recipe_header *header, const char *name)
{
    for (int i = 0; i < header->param_count; i++)
        if (strcmp(header->param[i].name, name) == 0)
            return i;
    return -1;
}

bool header_has_param(const struct recipe *recipe, const char *name)
{
    return find_param(&recipe->header, name) >= 0;
}

static void apply_set(struct recipe *recipe, const struct recipe_set *set)
{
    struct recipe_header *header = &recipe->header;
    struct tl_error error, why;
    int i = find_param(header, set->name);
    if (i < 0) {
        const char *names[RECIPE_PARAMS + 1];
        for (int n = 0; n < header->param_count; n++)
            names[n] = header->param[n].name;
        names[header->param_count] = NULL;
        tl_error_set(&error, TL_UNKNOWN, "--set %s: the recipe has no such param", set->name);
        hint_nearest(&error, set->name, names);
        recipe_fail_at(recipe, place_key(recipe->header_place, "params"), &error);
    }
    if (check_param(&header->param[i], set->value, &why) != 0) {
        tl_error_set(&error, why.code, "--set %s: %s", set->name, why.text);
        tl_error_token(&error, set->name);
        recipe_fail_at(recipe, place_key(place_key(recipe->header_place, "params"), set->name),
                       &error);
    }
    snprintf(header->param[i].text, sizeof header->param[i].text, "%s", set->value);
}

void header_apply_sets(struct recipe *recipe)
{
    for (int i = 0; i < recipe->setup.set_count; i++)
        apply_set(recipe, &recipe->setup.set[i]);
}

/* A bound that no bench would grant is a promise that a step then breaks. A value that is over the limit itself is
 * no plate temperature: what blows from above is hotter. */
void header_warn_of_params(struct recipe *recipe)
{
    double most_c = recipe->host->limits->plate_mc / 1000.0, value, max;
    char limit[32];
    for (int i = 0; i < recipe->header.param_count && recipe->header.insert[0]; i++) {
        const struct recipe_param *param = &recipe->header.param[i];
        if (!param->max[0] || param_unit(param) != UNIT_TEMP ||
            quantity_parse(param->text, UNIT_TEMP, &value, NULL) != 0 ||
            quantity_parse(param->max, UNIT_TEMP, &max, NULL) != 0)
            continue;
        if (value <= most_c && max > most_c)
            recipe_warn(recipe, "params.%s may be set up to %s; the plate's limit here is %s",
                        param->name, param->max,
                        quantity_print(most_c, UNIT_TEMP, limit, sizeof limit));
    }
}

void header_push_params(struct recipe *recipe)
{
    lua_State *lua = recipe->lua;
    lua_newtable(lua);
    for (int i = 0; i < recipe->header.param_count; i++) {
        lua_pushstring(lua, recipe->header.param[i].text);
        lua_setfield(lua, -2, recipe->header.param[i].name);
    }
    sandbox_freeze(lua, "p.");
}

/* ---- the whole ------------------------------------------------------------------------------ */

static void check_api(struct recipe *recipe)
{
    int32_t api = recipe->header.api;
    if (api == API)
        return;
    place_fail(recipe, place_key(recipe->header_place, "api"), TL_RANGE, "api",
               api > API
                   ? "api = %d: this program knows the recipe language up to level %d; a newer "
                     "program is needed"
                   : "api = %d: the levels of the recipe language start at 1 (this program: %d)",
               (int)api, API);
}

/* With the named table on the top of the stack; nothing when the header has none. */
static bool push_table(struct recipe *recipe, const char *name, struct place *place)
{
    lua_pushstring(recipe->lua, name);
    if (lua_rawget(recipe->lua, 1) == LUA_TNIL) {
        lua_pop(recipe->lua, 1);
        return false;
    }
    *place = place_key(recipe->header_place, name);
    return true;
}

static void read_tables(struct recipe *recipe)
{
    struct recipe_header *header = &recipe->header;
    struct place place;
    if (push_table(recipe, "params", &place))
        read_params(recipe, place);
    if (push_table(recipe, "before", &place))
        header->before_count = read_list(recipe, place, "before", header->before[0],
                                         sizeof header->before[0], RECIPE_BEFORE);
    if (push_table(recipe, "rails", &place))
        header->rail_count =
            read_list(recipe, place, "rails", header->rail[0], sizeof header->rail[0], BENCH_RAILS);
    if (push_table(recipe, "ceiling", &place))
        limits_read(recipe, lua_gettop(recipe->lua), place, "ceiling", &header->ceiling);
}

static void check_park(struct recipe *recipe)
{
    double park_c = recipe->header.park_c, most_c = recipe->header.ceiling.plate_mc / 1000.0;
    if (most_c > 0 && park_c > most_c)
        place_fail(recipe, place_key(recipe->header_place, "park"), TL_LIMIT, "park",
                   "park = %g C is above the recipe's own ceiling of %g C", park_c, most_c);
}

int header_call(lua_State *lua)
{
    struct recipe *recipe = recipe_of(lua);
    struct tl_error at = {0};
    recipe_locate(recipe, &at);
    const struct source_file *file = source_find_shown(recipe->sources, at.file);
    if (!file || file->from != SOURCE_RECIPE)
        recipe_fail(recipe, TL_SYNTAX, "recipe",
                    "a module cannot call \"recipe\"; it returns functions or values");
    if (recipe->header_read)
        recipe_fail(recipe, TL_SYNTAX, "recipe",
                    "\"recipe\" is called a second time; a file holds one");
    if (lua_type(lua, 1) != LUA_TTABLE)
        recipe_fail(recipe, TL_SYNTAX, "recipe",
                    "\"recipe\" wants a table: recipe { api = 1, ... }");
    lua_settop(lua, 1);
    recipe->header.line = at.line;
    recipe->header_place = place_of_call(file, at.line, "recipe");
    lua_getfield(lua, 1, "api");
    if (lua_isinteger(lua,
                      2)) { /* a newer level may have keys that are unknown here: say so first */
        lua_Integer api = lua_tointeger(lua, 2);
        recipe->header.api = (int32_t)(api > 1000 ? 1000 : api < -1000 ? -1000 : api);
        check_api(recipe);
    }
    lua_settop(lua, 1);
    rows_read(recipe, 1, recipe->header_place, "recipe", header_rows, COUNT(header_rows),
              &recipe->header);
    check_api(recipe);
    read_tables(recipe);
    check_park(recipe);
    recipe->header.ceiling.uses_plate = recipe->header.insert[0] != '\0';
    recipe->header.ceiling.uses_supply = recipe->header.rail_count > 0;
    lua_getfield(lua, 1, "steps");
    recipe->steps = luaL_ref(lua, LUA_REGISTRYINDEX);
    recipe->header_read = true;
    lua_pushboolean(lua, true);
    return 1;
}

/* Each text of the header's list `key` must be a rail of the board. */
static void check_rails(struct recipe *recipe, const char *key, const char *names, size_t size,
                        int count)
{
    const struct row row = {.name = key, .kind = ROW_RAIL};
    for (int i = 0; i < count; i++) {
        struct value value;
        struct tl_error error;
        lua_pushstring(recipe->lua, names + (size_t)i * size);
        if (row_read(recipe, -1, &row, &value, &error) != 0)
            recipe_fail_at(recipe, place_item(place_key(recipe->header_place, key), i), &error);
        lua_pop(recipe->lua, 1);
    }
}

/* Its layer of the limits names the rails it may feed and states no figures. */
void header_check_board(struct recipe *recipe)
{
    struct recipe_header *header = &recipe->header;
    check_rails(recipe, "rails", header->rail[0], sizeof header->rail[0], header->rail_count);
    char of[RECIPE_BEFORE][BENCH_NAME];
    header->uses_meter = look_for_name(recipe, "meter");
    for (int i = 0; i < header->before_count; i++)
        header->uses_meter |= probe_is_metered(probe_of(header->before[i], of[i]));
    check_rails(recipe, "before", of[0], sizeof of[0], header->before_count);
    for (int i = 0; i < header->rail_count; i++)
        memcpy(header->ceiling.rail[i].name, header->rail[i], BENCH_NAME);
    header->ceiling.rail_count = header->rail_count;
}

void recipe_hello(const struct recipe *recipe, struct wire_hello *hello)
{
    const struct recipe_header *header = &recipe->header;
    memset(hello, 0, sizeof *hello);
    wire_stamp(&hello->head, WIRE_HELLO, 1);
    hello->board = recipe->board.limits;
    hello->recipe = header->ceiling;
    hello->park_mc = (int32_t)lround(header->park_c * 1000);
    hello->uses_meter = header->uses_meter;
    snprintf(hello->title, sizeof hello->title, "%s", header->title);
    snprintf(hello->board_name, sizeof hello->board_name, "%s",
             recipe->sources->board_file ? recipe->board.name : header->board);
    snprintf(hello->insert, sizeof hello->insert, "%s", header->insert);
}

/* ---- where a thing of the header stands ----------------------------------------------------- */

static bool is_limit(const char *key)
{
    for (int i = 0; i < LIMITS; i++)
        if (strcmp(limit_key((enum limit_id)i), key) == 0)
            return true;
    return false;
}

/* The word or text that begins at a place. */
static void word_at(struct place place, char *out, size_t size)
{
    const char *text = place.file->text + place.at, *end = place.file->text + place.file->length;
    char quote = *text == '"' || *text == '\'' ? *text++ : '\0';
    size_t length = 0;
    while (text + length < end && text[length] != '\n' &&
           (quote ? text[length] != quote : bytes_is_word(text[length])))
        length++;
    snprintf(out, size, "%.*s", (int)(length < size ? length : size - 1), text);
}

void recipe_locate_header(const struct recipe *recipe, const char *key, struct tl_error *error)
{
    const struct recipe_header *header = &recipe->header;
    struct place place = recipe->header_place;
    char word[sizeof error->token];
    if (!place.file)
        return;
    if (is_limit(key))
        place = place_key(place_key(place, "ceiling"), key);
    else if (key[0])
        place = place_key(place, strcmp(key, header->insert) == 0 ? "insert" : key);
    tl_error_at(error, place.file->name, place_line(place));
    if (place.at == recipe->header_place.at)
        return;
    word_at(place, word, sizeof word);
    tl_error_token(error, word);
}
