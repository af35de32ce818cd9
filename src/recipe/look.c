/* SPDX-License-Identifier: MIT */
/* A look at the text before anything is hot. A rehearsal finds a mistyped name only where it comes by; an
 * `otherwise` that waits for trouble is where nobody wants to find one. The look knows words, brackets and
 * blocks, no more: a name that the file declares anywhere counts as known everywhere. */
#include "recipe_private.h"

#include <string.h>

#include "tinlatch/bytes.h"

enum { NEST_MAX = 200, WORD_MAX = 64 };

/* Where the walk is. The stack at `names` holds a table of words: declared ones, or keys by table. */
struct look {
    struct recipe *recipe;
    const struct source_file *file;
    size_t at;           /* of the token */
    size_t after;        /* past it */
    char word[WORD_MAX]; /* the token when it is a word, else "" */
    char c;              /* its first character */
    char last;           /* of the token before: its last character; 0 = none */
    char last_word[WORD_MAX];
    bool declaring; /* after `local` or `for`, or between a function's brackets */
    bool heading;   /* after `function`, before its bracket */
    int depth, tables;
    struct {
        char kind; /* a bracket, or 'b' for a block up to its `end` */
        int table; /* its number, for '{' */
    } nest[NEST_MAX];
    int names;
};

static bool is_one_of(const char *word, const char *const *words)
{
    for (; *words; words++)
        if (strcmp(word, *words) == 0)
            return true;
    return false;
}

static bool is_keyword(const char *word)
{
    static const char *const keywords[] = {
        "and",      "break",  "do",   "else", "elseif", "end",   "false", "for",
        "function", "goto",   "if",   "in",   "local",  "nil",   "not",   "or",
        "repeat",   "return", "then", "true", "until",  "while", NULL};
    return is_one_of(word, keywords);
}

static char char_at(const struct look *look, size_t at)
{
    return at < look->file->length ? look->file->text[at] : '\0';
}

static size_t skip_blanks(const struct look *look, size_t at)
{
    for (;;) {
        while (at < look->file->length && strchr(" \t\r\n", look->file->text[at]))
            at++;
        if (char_at(look, at) != '-' || char_at(look, at + 1) != '-')
            return at;
        at = place_skip_opaque(look->file, at);
    }
}

/* Read the token at look->after; false at the end of the text. */
static bool next_token(struct look *look)
{
    look->at = skip_blanks(look, look->after);
    if (look->at >= look->file->length)
        return false;
    look->c = look->file->text[look->at];
    look->word[0] = '\0';
    size_t past = place_skip_opaque(look->file, look->at);
    if (past > look->at) {
        look->after = past;
        look->c = '"';
        return true;
    }
    look->after = look->at + 1;
    if (look->c == '.' &&
        char_at(look, look->after) == '.') { /* ".." joins, "..." stands for itself */
        while (char_at(look, look->after) == '.')
            look->after++;
        look->c = '~';
    }
    if (!bytes_is_word(look->c))
        return true;
    while (bytes_is_word(char_at(look, look->after)))
        look->after++;
    bool number = look->c >= '0' && look->c <= '9';
    size_t length = look->after - look->at;
    if (number)
        look->c = '0';
    else if (length < WORD_MAX)
        snprintf(look->word, sizeof look->word, "%.*s", (int)length, look->file->text + look->at);
    return true;
}

static void push(struct look *look, char kind)
{
    if (look->depth < NEST_MAX) {
        look->nest[look->depth].kind = kind;
        look->nest[look->depth].table = kind == '{' ? ++look->tables : 0;
    }
    look->depth++;
}

/* Blocks and brackets; the text has been compiled, so that they pair. */
static void follow(struct look *look)
{
    static const char *const open[] = {"function", "do", "if", "repeat", NULL};
    static const char *const close[] = {"end", "until", NULL};
    bool field = look->last == '.';
    if (look->word[0] && !field && is_one_of(look->word, open))
        push(look, 'b');
    else if (look->word[0] == '\0' && look->c != '"' && strchr("({[", look->c))
        push(look, look->c);
    else if ((look->word[0] && !field && is_one_of(look->word, close)) ||
             (look->word[0] == '\0' && look->c != '"' && strchr(")}]", look->c)))
        look->depth -= look->depth > 0;
}

static bool in_table(const struct look *look)
{
    return look->depth > 0 && look->depth <= NEST_MAX && look->nest[look->depth - 1].kind == '{';
}

/* Is the word a key of a table constructor: `{ key = ` or `, key = `? */
static bool is_key(const struct look *look)
{
    size_t next = skip_blanks(look, look->after);
    return in_table(look) && look->word[0] && (strchr("{,;", look->last) && look->last) &&
           char_at(look, next) == '=' && char_at(look, next + 1) != '=';
}

static void remember(struct look *look)
{
    lua_pushboolean(look->recipe->lua, true);
    lua_setfield(look->recipe->lua, look->names, look->word);
}

static bool remembered(const struct look *look, const char *word)
{
    bool found = lua_getfield(look->recipe->lua, look->names, word) != LUA_TNIL;
    lua_pop(look->recipe->lua, 1);
    return found;
}

static void past_token(struct look *look)
{
    look->last = look->c;
    snprintf(look->last_word, sizeof look->last_word, "%s", look->word);
}

static void walk(struct look *look, const struct source_file *file, void (*see)(struct look *look))
{
    lua_State *lua = look->recipe->lua;
    int names = look->names;
    struct recipe *recipe = look->recipe;
    *look = (struct look){.recipe = recipe, .file = file, .names = names};
    luaL_checkstack(lua, 8, NULL);
    while (next_token(look)) {
        see(look);
        follow(look);
        past_token(look);
    }
}

/* ---- a name twice in one table -------------------------------------------------------------- */

static void see_key(struct look *look)
{
    lua_State *lua = look->recipe->lua;
    if (!is_key(look))
        return;
    lua_pushfstring(lua, "%d %s", look->nest[look->depth - 1].table, look->word);
    bool twice = lua_rawget(lua, look->names) != LUA_TNIL;
    lua_pop(lua, 1);
    if (twice)
        place_fail(look->recipe, (struct place){look->file, look->at}, TL_SYNTAX, look->word,
                   "\"%s\" is given twice in one table; the first would be lost", look->word);
    lua_pushfstring(lua, "%d %s", look->nest[look->depth - 1].table, look->word);
    lua_pushboolean(lua, true);
    lua_rawset(lua, look->names);
}

void look_for_twice(struct recipe *recipe, const struct source_file *file)
{
    struct look look = {.recipe = recipe};
    lua_newtable(recipe->lua);
    look.names = lua_gettop(recipe->lua);
    walk(&look, file, see_key);
    lua_settop(recipe->lua, look.names - 1);
}

/* ---- names that are not there --------------------------------------------------------------- */

/* A word may go on with a list of names after `local`, `for`, a comma or a bracket; any other ends it. */
static bool goes_on(const struct look *look)
{
    static const char *const before[] = {"local", "for", NULL};
    return strchr(",(<", look->last) || is_one_of(look->last_word, before);
}

/* Follow the lists of names that are local here: of `local`, of `for`, of a function's arguments. */
static void follow_list(struct look *look)
{
    static const char *const begin[] = {"local", "for", NULL};
    bool argument = look->heading && look->c == '(';
    if (is_one_of(look->word, begin) || argument)
        look->declaring = true;
    else if (look->c == ')' || look->c == '=' || (look->word[0] && !goes_on(look)))
        look->declaring = false;
    if (strcmp(look->word, "function") == 0)
        look->heading = true;
    else if (argument)
        look->heading = false;
}

/* `a, b = ...` outside of brackets: the first names of an assignment to several. */
static bool is_listed(const struct look *look, size_t next)
{
    bool inside =
        look->depth > 0 && look->depth <= NEST_MAX && look->nest[look->depth - 1].kind != 'b';
    return char_at(look, next) == ',' && !inside;
}

/* Everything that a file may give a meaning to: local names, arguments, and what is assigned. */
static void see_declared(struct look *look)
{
    follow_list(look);
    if (look->word[0] == '\0' || is_keyword(look->word) || look->last == '.')
        return;
    size_t next = skip_blanks(look, look->after);
    bool assigned = !is_key(look) && char_at(look, next) == '=' && char_at(look, next + 1) != '=';
    if (look->declaring || look->heading || assigned || is_listed(look, next))
        remember(look);
}

/* Push what the recipe would find under these names; an error says as much as it would there. */
static int look_up(lua_State *lua)
{
    sandbox_push_recipe_env(recipe_of(lua));
    lua_pushvalue(lua, 1);
    lua_gettable(lua, -2);
    if (lua_isnil(lua, 2))
        return 0;
    lua_pushvalue(lua, 2);
    lua_gettable(lua, -2);
    return 0;
}

static void must_be_there(const struct look *look, const char *name, const char *field)
{
    lua_State *lua = look->recipe->lua;
    lua_pushcfunction(lua, look_up);
    lua_pushstring(lua, name);
    lua_pushstring(lua, field);
    if (lua_pcall(lua, 2, 0, 0) != LUA_OK)
        recipe_fail_lua(look->recipe, (struct place){look->file, look->at}, TL_STEP,
                        lua_tostring(lua, -1));
}

static bool is_group(const char *word)
{
    size_t length = strlen(word);
    for (int i = 0; i < primitive_count; i++)
        if (primitive_group(i) == length && strncmp(primitives[i].name, word, length) == 0)
            return true;
    return false;
}

static void see_used(struct look *look)
{
    size_t next = skip_blanks(look, look->after);
    char c = char_at(look, next);
    if (look->word[0] == '\0' || is_keyword(look->word) || remembered(look, look->word) ||
        (look->last && strchr(".:", look->last)) || strcmp(look->last_word, "goto") == 0 ||
        strcmp(look->word, "_ENV") == 0)
        return;
    if (c == '.' && char_at(look, next + 1) != '.' && is_group(look->word)) {
        char field[WORD_MAX];
        size_t start = skip_blanks(look, next + 1), length = 0;
        while (bytes_is_word(char_at(look, start + length)))
            length++;
        snprintf(field, sizeof field, "%.*s", length < WORD_MAX ? (int)length : 0,
                 look->file->text + start);
        must_be_there(look, look->word, field);
        return;
    }
    bool called = c && (strchr("({\"'", c) || place_skip_opaque(look->file, next) > next);
    bool indexed = c && strchr(".:", c) && char_at(look, next + 1) != c;
    if (called || indexed)
        must_be_there(look, look->word, NULL);
}

/* `_ENV` gives every name of a file another meaning. */
static void look_into(struct recipe *recipe, const struct source_file *file)
{
    struct look look = {.recipe = recipe};
    lua_newtable(recipe->lua);
    look.names = lua_gettop(recipe->lua);
    walk(&look, file, see_declared);
    if (!remembered(&look, "_ENV"))
        walk(&look, file, see_used);
    lua_settop(recipe->lua, look.names - 1);
}

/* Written with the recipe. What is shipped has no use of its own for an instrument. */
static bool is_own(const struct source_file *file)
{
    return file->from == SOURCE_RECIPE || file->from == SOURCE_BESIDE;
}

static void see_name(struct look *look)
{
    if (look->word[0] && look->last != '.')
        remember(look);
}

bool look_for_name(struct recipe *recipe, const char *name)
{
    struct look look = {.recipe = recipe};
    lua_newtable(recipe->lua);
    look.names = lua_gettop(recipe->lua);
    for (int i = 0; i < recipe->sources->count; i++)
        if (is_own(&recipe->sources->file[i]))
            walk(&look, &recipe->sources->file[i], see_name);
    bool found = remembered(&look, name);
    lua_settop(recipe->lua, look.names - 1);
    return found;
}

void look_for_unknown(struct recipe *recipe)
{
    for (int i = 0; i < recipe->sources->count; i++)
        if (is_own(&recipe->sources->file[i]))
            look_into(recipe, &recipe->sources->file[i]);
}
