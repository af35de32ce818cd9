/* SPDX-License-Identifier: MIT */
/* Rows say what a table of the language may hold; here a Lua value is read as its row says. */
#include "recipe_private.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char *const kind_words[] = {
    [ROW_TEXT] = "text",          [ROW_QUANTITY] = "quantity", [ROW_NUMBER] = "number",
    [ROW_COUNT] = "whole number", [ROW_FUNCTION] = "function", [ROW_CHOICE] = "word",
    [ROW_JOINT] = "joint",        [ROW_PART] = "part",         [ROW_RAIL] = "rail",
    [ROW_TABLE] = "table",        [ROW_ALLOY] = "alloy",
};

const char *row_expects(const struct row *row, char *out, size_t size)
{
    switch (row->kind) {
    case ROW_QUANTITY:
        snprintf(out, size, "%s such as \"%s\"", unit_name(row->unit), unit_example(row->unit));
        break;
    case ROW_CHOICE:
        snprintf(out, size, "one of: %s", row->choices);
        break;
    case ROW_JOINT:
    case ROW_PART:
    case ROW_RAIL:
        snprintf(out, size, "the name of a %s of the board, as text", kind_words[row->kind]);
        break;
    case ROW_ALLOY:
        snprintf(out, size, "an alloy such as \"Sn42Bi57Ag1\", or a table of its figures");
        break;
    case ROW_TEXT:
        snprintf(out, size, "text in quotes");
        break;
    case ROW_NUMBER:
    case ROW_COUNT:
    case ROW_FUNCTION:
    case ROW_TABLE:
        snprintf(out, size, "a %s", kind_words[row->kind]);
        break;
    }
    return out;
}

void hint_nearest(struct tl_error *error, const char *word, const char *const *names)
{
    const char *near = tl_nearest(word, names);
    if (near) {
        tl_error_hint(error, "did you mean \"%s\"?", near);
        return;
    }
    char list[sizeof error->hint] = "";
    for (size_t used = 0, i = 0; names[i] && used < sizeof list; i++) {
        int added = snprintf(list + used, sizeof list - used, "%s%s", i ? ", " : "", names[i]);
        used += added > 0 ? (size_t)added : 0;
    }
    if (list[0])
        tl_error_hint(error, "known here: %s", list);
    else
        tl_error_hint(error, "there is none here");
}

int row_unknown(const char *what, const char *key, const struct row *rows, int count,
                struct tl_error *error)
{
    const char *names[NAMES_MAX + 1];
    int i = 0;
    for (; i < count && i < NAMES_MAX; i++)
        names[i] = rows[i].name;
    names[i] = NULL;
    tl_error_set(error, TL_UNKNOWN, "%s: \"%s\" is not known here", what, key);
    tl_error_token(error, key);
    hint_nearest(error, key, names);
    return TL_UNKNOWN;
}

static int wrong_type(lua_State *lua, int index, const struct row *row, struct tl_error *error)
{
    char expected[128];
    const char *found = lua_isnoneornil(lua, index) ? "nothing" : luaL_typename(lua, index);
    bool bare = row->kind == ROW_QUANTITY && lua_type(lua, index) == LUA_TNUMBER;
    tl_error_set(error, bare ? TL_UNIT : TL_RANGE, "%s: expected %s, found %s%s", row->name,
                 row_expects(row, expected, sizeof expected),
                 lua_isnoneornil(lua, index) ? "" : "a ", found);
    tl_error_token(error, row->name);
    if (bare)
        tl_error_hint(error, "write it as text with its unit: %s = \"%.6g %s\"", row->name,
                      lua_tonumber(lua, index), unit_base(row->unit));
    else if (row->kind == ROW_FUNCTION)
        tl_error_hint(error, "write: function() ... end");
    else if (row->kind == ROW_TABLE)
        tl_error_hint(error, "write it in braces: %s = { ... }", row->name);
    return error->code;
}

/* Say `name: ` before the text of an error that came from below. */
static void prefix(struct tl_error *error, const char *name)
{
    char text[sizeof error->text];
    snprintf(text, sizeof text, "%s", error->text);
    snprintf(error->text, sizeof error->text, "%s: %.*s", name,
             (int)(sizeof error->text - strlen(name) - 4), text);
}

static int read_quantity(const struct row *row, struct value *value, struct tl_error *error)
{
    int code = quantity_parse(value->text, row->unit, &value->number, error);
    if (code != 0) {
        prefix(error, row->name);
        if (error->token[0] == '\0') /* nothing was written: point at its name */
            tl_error_token(error, row->name);
        return code;
    }
    bool share = row->unit == UNIT_SHARE;
    bool nothing = value->number == 0 && (row->zero || share);
    double most = share ? 100 : row->most;
    if ((nothing || (value->number > 0 && value->number >= row->least)) &&
        (most <= 0 || value->number <= most))
        return 0;
    char least[32], largest[32], range[96];
    quantity_print(row->least, row->unit, least, sizeof least);
    quantity_print(row->most, row->unit, largest, sizeof largest);
    if (share && row->least > 0 && value->number > 0 && value->number < row->least)
        snprintf(range, sizeof range, "0 %%, or at least %s", least);
    else if (share)
        snprintf(range, sizeof range, "0 %% to 100 %%");
    else if (row->most > 0)
        snprintf(range, sizeof range, "at most %s", largest);
    else if (row->least > 0)
        snprintf(range, sizeof range, "at least %s", least);
    else
        snprintf(range, sizeof range, "%s", row->zero ? "0 or more" : "more than 0");
    tl_error_set(error, TL_RANGE, "%s: \"%s\" is out of range; expected %s", row->name, value->text,
                 range);
    tl_error_token(error, value->text);
    return TL_RANGE;
}

static int read_choice(const struct row *row, struct value *value, struct tl_error *error)
{
    char words[128], *rest = words;
    const char *names[16];
    int count = 0;
    snprintf(words, sizeof words, "%s", row->choices);
    for (char *word; count < 15 && (word = strsep(&rest, " "));)
        names[count++] = word;
    names[count] = NULL;
    for (int i = 0; i < count; i++)
        if (strcmp(names[i], value->text) == 0) {
            value->number = i;
            return 0;
        }
    tl_error_set(error, TL_UNKNOWN, "%s: \"%s\" is not known; expected one of: %s", row->name,
                 value->text, row->choices);
    tl_error_token(error, value->text);
    const char *near = tl_nearest(value->text, names);
    if (near)
        tl_error_hint(error, "did you mean \"%s\"?", near);
    return TL_UNKNOWN;
}

static int board_names(const struct board *board, enum row_kind kind, const char **names)
{
    int count = kind == ROW_JOINT  ? board->joint_count
                : kind == ROW_PART ? board->part_count
                                   : board->rail_count;
    for (int i = 0; i < count; i++)
        names[i] = kind == ROW_JOINT  ? board->joint[i].name
                   : kind == ROW_PART ? board->part[i].name
                                      : board->rail[i].limits.name;
    names[count] = NULL;
    return count;
}

static int read_board_name(const struct recipe *recipe, const struct row *row, struct value *value,
                           struct tl_error *error)
{
    const char *names[NAMES_MAX];
    int count = board_names(&recipe->board, row->kind, names);
    for (int i = 0; i < count; i++)
        if (strcmp(names[i], value->text) == 0) {
            value->number = i;
            return 0;
        }
    tl_error_set(error, TL_UNKNOWN, "%s: the board \"%s\" has no %s \"%s\"", row->name,
                 recipe->board.name, kind_words[row->kind], value->text);
    tl_error_token(error, value->text);
    hint_nearest(error, value->text, names);
    return TL_UNKNOWN;
}

static int read_number(lua_State *lua, int index, const struct row *row, struct value *value,
                       struct tl_error *error)
{
    value->number = lua_tonumber(lua, index);
    bool whole = row->kind != ROW_COUNT || value->number == floor(value->number);
    if (isfinite(value->number) && whole && fabs(value->number) <= 1e15)
        return 0;
    tl_error_set(error, TL_RANGE, "%s: %g is out of range; expected %s", row->name, value->number,
                 row->kind == ROW_COUNT ? "a whole number" : "a finite number");
    tl_error_token(error, row->name);
    return TL_RANGE;
}

/* What is shown to a person: no control characters, and whole. */
static int read_text(const struct row *row, const char *text, size_t length, struct tl_error *error)
{
    const char *what = NULL;
    bool stored = row->kind == ROW_TEXT && row->size > 0;
    size_t most = stored ? row->size : BENCH_TEXT;
    if (text_trick(text, length, &what) >= 0)
        tl_error_set(error, TL_RANGE, "%s: the text %s", row->name, what);
    else if (length == 0 && row->required && row->kind == ROW_TEXT)
        tl_error_set(error, TL_RANGE, "%s: the text is empty", row->name);
    else if (length >= most)
        tl_error_set(error, TL_RANGE, "%s: the text is %zu bytes long; at most %zu fit", row->name,
                     length, most - 1);
    else
        return 0;
    tl_error_token(error, row->name);
    return TL_RANGE;
}

int row_read(struct recipe *recipe, int index, const struct row *row, struct value *value,
             struct tl_error *error)
{
    lua_State *lua = recipe->lua;
    int type = lua_type(lua, index);
    *value = (struct value){.given = true};
    switch (row->kind) {
    case ROW_FUNCTION:
        value->function = lua_absindex(lua, index);
        return type == LUA_TFUNCTION ? 0 : wrong_type(lua, index, row, error);
    case ROW_TABLE:
        return type == LUA_TTABLE ? 0 : wrong_type(lua, index, row, error);
    case ROW_NUMBER:
    case ROW_COUNT:
        return type == LUA_TNUMBER ? read_number(lua, index, row, value, error)
                                   : wrong_type(lua, index, row, error);
    case ROW_ALLOY:
        if (type == LUA_TTABLE)
            return 0;
        break;
    case ROW_TEXT:
    case ROW_QUANTITY:
    case ROW_CHOICE:
    case ROW_JOINT:
    case ROW_PART:
    case ROW_RAIL:
        break;
    }
    if (type != LUA_TSTRING)
        return wrong_type(lua, index, row, error);
    size_t length;
    value->text = lua_tolstring(lua, index, &length);
    int code = read_text(row, value->text, length, error);
    if (code != 0)
        return code;
    switch (row->kind) {
    case ROW_QUANTITY:
        return read_quantity(row, value, error);
    case ROW_CHOICE:
        return read_choice(row, value, error);
    case ROW_JOINT:
    case ROW_PART:
    case ROW_RAIL:
        return read_board_name(recipe, row, value, error);
    case ROW_TEXT:
    case ROW_ALLOY:
    case ROW_NUMBER:
    case ROW_COUNT:
    case ROW_FUNCTION:
    case ROW_TABLE:
        break;
    }
    return 0;
}

/* ---- tables of the header and of a board file ----------------------------------------------- */

static void store(const struct row *row, const struct value *value, char *base)
{
    if (row->size == 0)
        return; /* its reader takes it from the table itself */
    char *at = base + row->offset;
    switch (row->kind) {
    case ROW_TEXT:
    case ROW_ALLOY:
        if (value->text)
            snprintf(at, row->size, "%s", value->text);
        break;
    case ROW_QUANTITY: {
        double number = row->unit == UNIT_SHARE ? value->number / 100 : value->number;
        memcpy(at, &number, sizeof number);
        break;
    }
    case ROW_NUMBER:
        memcpy(at, &value->number, sizeof value->number);
        break;
    case ROW_COUNT:
    case ROW_CHOICE: {
        int32_t count = (int32_t)value->number;
        memcpy(at, &count, sizeof count);
        break;
    }
    case ROW_JOINT:
    case ROW_PART:
    case ROW_RAIL:
    case ROW_FUNCTION:
    case ROW_TABLE:
        break;
    }
}

static bool row_known(const char *key, const struct row *rows, int count)
{
    for (int i = 0; i < count; i++)
        if (strcmp(rows[i].name, key) == 0)
            return true;
    return false;
}

/* Item `i` of a table without a name: may a row stand there? */
static bool row_placed(lua_State *lua, int key, const struct row *rows, int count)
{
    for (int i = 0; i < count; i++)
        if (rows[i].place && lua_isinteger(lua, key) && lua_tointeger(lua, key) == rows[i].place)
            return true;
    return false;
}

const char *row_unknown_key(lua_State *lua, int table, const struct row *rows, int count,
                            bool *unnamed)
{
    const char *unknown = NULL;
    for (lua_pushnil(lua); lua_next(lua, table); lua_pop(lua, 1)) {
        if (lua_type(lua, -2) != LUA_TSTRING) {
            *unnamed = *unnamed || !row_placed(lua, -2, rows, count);
            continue;
        }
        const char *key = lua_tostring(lua, -2);
        if (!row_known(key, rows, count) && (!unknown || strcmp(key, unknown) < 0))
            unknown = key; /* the table keeps it alive */
    }
    return unknown;
}

static void check_known(struct recipe *recipe, int table, struct place place, const char *what,
                        const struct row *rows, int count)
{
    struct tl_error error;
    bool unnamed = false;
    const char *unknown = row_unknown_key(recipe->lua, table, rows, count, &unnamed);
    if (unnamed)
        place_fail(recipe, place, TL_UNKNOWN, NULL,
                   "%s: every value needs a name here: name = value", what);
    if (!unknown)
        return;
    row_unknown(what, unknown, rows, count, &error);
    recipe_fail_at(recipe, place_key(place, unknown), &error);
}

static void fail_missing(struct recipe *recipe, struct place place, const char *what,
                         const struct row *row)
{
    char expected[128];
    struct tl_error error;
    tl_error_set(&error, TL_MISSING, "%s: \"%s\" is missing: %s", what, row->name, row->help);
    if (row->fallback)
        tl_error_hint(&error, "add: %s", row->fallback);
    else
        tl_error_hint(&error, "add: %s = %s", row->name,
                      row_expects(row, expected, sizeof expected));
    recipe_fail_at(recipe, place, &error);
}

void rows_read(struct recipe *recipe, int table, struct place place, const char *what,
               const struct row *rows, int count, void *base)
{
    lua_State *lua = recipe->lua;
    check_known(recipe, table, place, what, rows, count);
    for (int i = 0; i < count; i++) {
        struct value value;
        struct tl_error error;
        lua_pushstring(lua, rows[i].name);
        if (lua_rawget(lua, table) == LUA_TNIL) {
            if (rows[i].required)
                fail_missing(recipe, place, what, &rows[i]);
        } else if (row_read(recipe, -1, &rows[i], &value, &error) == 0) {
            store(&rows[i], &value, base);
        } else {
            prefix(&error, what);
            recipe_fail_at(recipe, place_key(place, rows[i].name), &error);
        }
        lua_pop(lua, 1);
    }
}

/* Limits as header and board file state them; the names come from the one list. */
void limits_read(struct recipe *recipe, int table, struct place place, const char *what,
                 struct limits *limits)
{
    struct row rows[LIMITS];
    for (int i = 0; i < LIMITS; i++)
        rows[i] = (struct row){.name = limit_key((enum limit_id)i),
                               .kind = ROW_QUANTITY,
                               .unit = limit_unit((enum limit_id)i)};
    check_known(recipe, table, place, what, rows, LIMITS);
    for (int i = 0; i < LIMITS; i++) {
        struct value value;
        struct tl_error error;
        lua_pushstring(recipe->lua, rows[i].name);
        if (lua_rawget(recipe->lua, table) != LUA_TNIL) {
            if (row_read(recipe, -1, &rows[i], &value, &error) != 0) {
                prefix(&error, what);
                recipe_fail_at(recipe, place_key(place, rows[i].name), &error);
            }
            double scaled = value.number * limit_scale((enum limit_id)i);
            /* 0 would mean "not stated"; what is too large is refused by the merge */
            int32_t stated = scaled > INT32_MAX ? INT32_MAX : (int32_t)lround(scaled);
            limits_set(limits, (enum limit_id)i, stated > 0 ? stated : 1);
        }
        lua_pop(recipe->lua, 1);
    }
}
