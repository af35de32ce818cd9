/* SPDX-License-Identifier: MIT */
/* The Lua side of the sandbox: what a script finds, and nothing else. Built from an allow list, never
 * by taking names away. No metatables, coroutines or finalizers reach a script: Lua 5.4.4 has open bugs
 * behind each of them. */
#include "recipe_private.h"

#include <lualib.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { MEMORY_MAX = 64 << 20 };

enum { DEEP = 10000 }; /* calls within calls that nobody writes on purpose */

/* The whole allow list: what is taken from Lua's own libraries as it is. "" = the globals. */
static const struct allowed {
    const char *library, *names;
} allowed[] = {
    {"", "assert error ipairs pcall select tonumber type xpcall"},
    {"math",
     "abs acos asin atan ceil cos exp floor fmod huge log max maxinteger min mininteger modf "
     "pi random sin sqrt tan tointeger type ult"},
    {"string", "byte char find gmatch gsub len lower match rep reverse sub upper"},
    {"table", "concat insert move pack remove unpack"},
    {"utf8", "char charpattern codepoint codes len offset"},
};

/* Names that people look for, and why they are not there. */
static const struct absent {
    const char *names, *why;
} absent[] = {
    {"os io dofile loadfile package debug", "a recipe reaches no file, clock or other program"},
    {"load loadstring", "a recipe is text that was read before it began"},
    {"coroutine", "every primitive waits by itself"},
    {"setmetatable getmetatable rawget rawset rawequal rawlen collectgarbage _G _VERSION warn",
     "recipes work with plain functions and plain tables"},
};

static const char real_of_frozen = 0; /* its address is the key of the real table in a metatable */

struct recipe *recipe_of(lua_State *lua)
{
    return *(struct recipe **)lua_getextraspace(lua);
}

static bool has_word(const char *words, const char *word)
{
    size_t length = strlen(word);
    for (const char *at = words; (at = strstr(at, word)); at += length)
        if ((at == words || at[-1] == ' ') && (at[length] == ' ' || at[length] == '\0'))
            return true;
    return false;
}

/* ---- memory --------------------------------------------------------------------------------- */

/* Never NULL to Lua: running out of memory is where its collector's open bugs lie. The state is left
 * for good instead. */
_Noreturn static void leave_for_memory(struct recipe *recipe)
{
    tl_error_set(&recipe->error, TL_KILLED, "used more than %d MiB of memory", MEMORY_MAX >> 20);
    if (recipe->lua) {
        lua_Debug deep;
        recipe_locate(recipe, &recipe->error);
        if (lua_getstack(recipe->lua, DEEP, &deep))
            tl_error_hint(&recipe->error, "a function calls itself without end");
    }
    recipe_leave(recipe);
}

static void *allocate(void *context, void *block, size_t old_size, size_t size)
{
    struct recipe *recipe = context;
    size_t old = block ? old_size : 0;
    if (size == 0) {
        free(block);
        recipe->memory -= old;
        return NULL;
    }
    if (size > old && size - old > MEMORY_MAX - recipe->memory)
        leave_for_memory(recipe);
    void *moved = realloc(block, size);
    if (!moved)
        leave_for_memory(recipe);
    recipe->memory = recipe->memory - old + size;
    return moved;
}

/* ---- tables that cannot be written ---------------------------------------------------------- */

static int refuse_write(lua_State *lua)
{
    const char *label = lua_tostring(lua, lua_upvalueindex(1));
    const char *key =
        lua_type(lua, 2) == LUA_TSTRING ? lua_tostring(lua, 2) : luaL_typename(lua, 2);
    return luaL_error(lua, "\"%s%s\" cannot be set: what the program provides stays as it is",
                      label, key);
}

static int refuse_unknown(lua_State *lua)
{
    const char *label = lua_tostring(lua, lua_upvalueindex(1));
    if (lua_type(lua, 2) != LUA_TSTRING)
        return luaL_error(lua, "a %s is no name of \"%s\"", luaL_typename(lua, 2), label);
    const char *key = lua_tostring(lua, 2);
    for (int i = 0; i < COUNT(absent) && label[0] == '\0'; i++)
        if (has_word(absent[i].names, key))
            return luaL_error(lua, "\"%s\" is not there: %s", key, absent[i].why);
    const char *names[NAMES_MAX + 1];
    int count = 0;
    for (lua_pushnil(lua); lua_next(lua, 1); lua_pop(lua, 1))
        if (count < NAMES_MAX && lua_type(lua, -2) == LUA_TSTRING)
            names[count++] = lua_tostring(lua, -2);
    names[count] = NULL;
    const char *near = tl_nearest(key, names);
    if (near)
        return luaL_error(lua, "\"%s%s\" is not known; did you mean \"%s%s\"?", label, key, label,
                          near);
    return luaL_error(lua, "\"%s%s\" is not known", label, key);
}

/* The table on the top: reading a name that it lacks becomes an error. */
static void make_strict(lua_State *lua, const char *label)
{
    lua_createtable(lua, 0, 1);
    lua_pushstring(lua, label);
    lua_pushcclosure(lua, refuse_unknown, 1);
    lua_setfield(lua, -2, "__index");
    lua_setmetatable(lua, -2);
}

/* Put an empty table in front of the real one on the top; writes go to `write`, whose upvalues are the
 * label and the real table. Lua follows __index without calling C, so reading stays fast. */
static void put_front(lua_State *lua, const char *label, lua_CFunction write)
{
    lua_newtable(lua);
    lua_createtable(lua, 0, 3);
    lua_pushvalue(lua, -3);
    lua_setfield(lua, -2, "__index");
    lua_pushvalue(lua, -3);
    lua_rawsetp(lua, -2, &real_of_frozen);
    lua_pushstring(lua, label);
    lua_pushvalue(lua, -4);
    lua_pushcclosure(lua, write, 2);
    lua_setfield(lua, -2, "__newindex");
    lua_setmetatable(lua, -2);
    lua_remove(lua, -2);
}

void sandbox_freeze(lua_State *lua, const char *label)
{
    make_strict(lua, label);
    put_front(lua, label, refuse_write);
}

/* A script may make globals of its own, but not replace what the program provides. */
static int write_global(lua_State *lua)
{
    lua_pushvalue(lua, 2);
    if (lua_rawget(lua, lua_upvalueindex(2)) != LUA_TNIL)
        return refuse_write(lua);
    lua_settop(lua, 3);
    lua_rawset(lua, 1);
    return 0;
}

/* A frozen table is empty itself: continue with what it shows. */
static void thaw(lua_State *lua, int index)
{
    if (!lua_getmetatable(lua, index))
        return;
    if (lua_rawgetp(lua, -1, &real_of_frozen) == LUA_TTABLE)
        lua_replace(lua, index);
    else
        lua_pop(lua, 1);
    lua_pop(lua, 1);
}

/* ---- pairs and next in an order that repeats ------------------------------------------------ */

/* Lua hashes strings with a seed from the clock and an address, so its own order differs from run to
 * run. Here: numbers ascending, then strings, then booleans. */
struct key {
    int rank; /* 0 number, 1 text, 2 boolean */
    bool whole, truth;
    lua_Integer integer;
    lua_Number number;
    const char *text;
    size_t length;
};

static bool read_key(lua_State *lua, int index, struct key *key)
{
    *key = (struct key){0};
    switch (lua_type(lua, index)) {
    case LUA_TNUMBER:
        key->whole = lua_isinteger(lua, index);
        key->integer = key->whole ? lua_tointeger(lua, index) : 0;
        key->number = lua_tonumber(lua, index);
        return true;
    case LUA_TSTRING:
        key->rank = 1;
        key->text = lua_tolstring(lua, index, &key->length);
        return true;
    case LUA_TBOOLEAN:
        key->rank = 2;
        key->truth = lua_toboolean(lua, index);
        return true;
    default:
        return false;
    }
}

static void push_key(lua_State *lua, const struct key *key)
{
    if (key->rank == 1)
        lua_pushlstring(lua, key->text, key->length);
    else if (key->rank == 2)
        lua_pushboolean(lua, key->truth);
    else if (key->whole)
        lua_pushinteger(lua, key->integer);
    else
        lua_pushnumber(lua, key->number);
}

static int compare_text(const struct key *a, const struct key *b)
{
    size_t shorter = a->length < b->length ? a->length : b->length;
    int order = memcmp(a->text, b->text, shorter);
    if (order != 0)
        return order;
    return (a->length > b->length) - (a->length < b->length);
}

static int compare_number(const struct key *a, const struct key *b)
{
    if (a->whole && b->whole)
        return (a->integer > b->integer) - (a->integer < b->integer);
    if (a->number != b->number)
        return a->number < b->number ? -1 : 1;
    return (int)b->whole - (int)a->whole; /* a whole and a fraction beyond 2^53 that round alike */
}

static int compare_keys(const struct key *a, const struct key *b)
{
    if (a->rank != b->rank)
        return a->rank - b->rank;
    if (a->rank == 1)
        return compare_text(a, b);
    return a->rank == 0 ? compare_number(a, b) : (int)a->truth - (int)b->truth;
}

/* Bottom-up merge sort. libc's qsort asks the system how much memory there is, which kills us here. */
static void sort_keys(struct key *keys, struct key *spare, size_t count)
{
    struct key *from = keys, *to = spare;
    for (size_t run = 1; run < count; run *= 2) {
        for (size_t start = 0; start < count; start += 2 * run) {
            size_t middle = start + run < count ? start + run : count;
            size_t end = start + 2 * run < count ? start + 2 * run : count;
            size_t a = start, b = middle;
            for (size_t i = start; i < end; i++) {
                bool left = a < middle && (b >= end || compare_keys(&from[a], &from[b]) <= 0);
                to[i] = left ? from[a++] : from[b++];
            }
        }
        struct key *swap = from;
        from = to;
        to = swap;
    }
    if (from != keys)
        memcpy(keys, from, count * sizeof *keys);
}

static int refuse_order(lua_State *lua, int index)
{
    return luaL_error(lua, "a table with a %s as key has no order that repeats",
                      luaL_typename(lua, index));
}

/* iterator's upvalues: the table, its keys (a userdata), how many, the next one */
static int step_pairs(lua_State *lua)
{
    const struct key *keys = lua_touserdata(lua, lua_upvalueindex(2));
    lua_Integer count = lua_tointeger(lua, lua_upvalueindex(3));
    lua_Integer at = lua_tointeger(lua, lua_upvalueindex(4));
    for (; at < count; at++) {
        push_key(lua, &keys[at]);
        lua_pushvalue(lua, -1);
        if (lua_rawget(lua, lua_upvalueindex(1)) == LUA_TNIL) { /* taken away meanwhile */
            lua_pop(lua, 2);
            continue;
        }
        lua_pushinteger(lua, at + 1);
        lua_replace(lua, lua_upvalueindex(4));
        return 2;
    }
    lua_pushinteger(lua, at);
    lua_replace(lua, lua_upvalueindex(4));
    lua_pushnil(lua);
    return 1;
}

static int our_pairs(lua_State *lua)
{
    luaL_checktype(lua, 1, LUA_TTABLE);
    lua_settop(lua, 1);
    thaw(lua, 1);
    size_t count = 0;
    for (lua_pushnil(lua); lua_next(lua, 1); lua_pop(lua, 1))
        count++;
    struct key *keys = lua_newuserdatauv(lua, 2 * count * sizeof *keys + 1, 1);
    /* the texts of the keys must outlive the table's own hold on them: copy the table's keys */
    lua_createtable(lua, (int)(count < 1000000 ? count : 1000000), 0);
    size_t i = 0;
    for (lua_pushnil(lua); i < count && lua_next(lua, 1); lua_pop(lua, 1), i++) {
        if (!read_key(lua, -2, &keys[i]))
            return refuse_order(lua, -2);
        lua_pushvalue(lua, -2);
        lua_rawseti(lua, 3, (lua_Integer)i + 1);
    }
    lua_settop(lua, 3);
    lua_setiuservalue(lua, 2, 1);
    sort_keys(keys, keys + count, count);
    lua_pushinteger(lua, (lua_Integer)count);
    lua_pushinteger(lua, 0);
    lua_pushcclosure(lua, step_pairs, 4);
    return 1;
}

/* The same order, one step at a time; meant for `next(t) == nil`. */
static int our_next(lua_State *lua)
{
    luaL_checktype(lua, 1, LUA_TTABLE);
    lua_settop(lua, 2);
    thaw(lua, 1);
    struct key after, best = {0}, key;
    bool from_start = lua_isnil(lua, 2), found = false;
    if (!from_start && !read_key(lua, 2, &after))
        return refuse_order(lua, 2);
    for (lua_pushnil(lua); lua_next(lua, 1); lua_pop(lua, 1)) {
        if (!read_key(lua, -2, &key))
            return refuse_order(lua, -2);
        if (!from_start && compare_keys(&key, &after) <= 0)
            continue;
        if (!found || compare_keys(&key, &best) < 0)
            best = key;
        found = true;
    }
    if (!found) {
        lua_pushnil(lua);
        return 1;
    }
    push_key(lua, &best);
    lua_pushvalue(lua, -1);
    lua_rawget(lua, 1);
    return 2;
}

/* ---- functions of Lua's that would tell addresses, the time or the machine ------------------ */

static bool has_address(lua_State *lua, int index)
{
    int type = lua_type(lua, index);
    return type != LUA_TNIL && type != LUA_TBOOLEAN && type != LUA_TNUMBER && type != LUA_TSTRING;
}

static int our_tostring(lua_State *lua)
{
    luaL_checkany(lua, 1);
    if (has_address(lua, 1))
        lua_pushstring(lua, luaL_typename(lua, 1));
    else
        luaL_tolstring(lua, 1, NULL);
    return 1;
}

/* string.format without %p, and without the addresses that %s shows of tables and functions.
 * Upvalue: Lua's own. */
static int our_format(lua_State *lua)
{
    const char *format = luaL_checkstring(lua, 1);
    for (const char *at = format; (at = strchr(at, '%')); at++) {
        at++;
        at += strspn(at, "-+ #0123456789.");
        if (*at == 'p')
            return luaL_error(lua, "\"%%p\" is not there: an address differs from run to run");
        if (*at == '\0')
            break;
    }
    for (int i = 2; i <= lua_gettop(lua); i++)
        if (has_address(lua, i)) {
            lua_pushstring(lua, luaL_typename(lua, i));
            lua_replace(lua, i);
        }
    return lua_tocfunction(lua, lua_upvalueindex(1))(lua);
}

/* Is item a before item b? The comparator is argument 2; without one the values' own order. */
static bool sort_less(lua_State *lua, int a, int b)
{
    if (lua_isnil(lua, 2))
        return lua_compare(lua, a, b, LUA_OPLT);
    lua_pushvalue(lua, 2);
    lua_pushvalue(lua, a);
    lua_pushvalue(lua, b);
    lua_call(lua, 2, 1);
    bool less = lua_toboolean(lua, -1);
    lua_pop(lua, 1);
    return less;
}

static void sift(lua_State *lua, lua_Integer at, lua_Integer count)
{
    for (lua_Integer child; (child = 2 * at) <= count; at = child) {
        lua_rawgeti(lua, 1, child); /* 3 */
        if (child < count) {
            lua_rawgeti(lua, 1, child + 1); /* 4 */
            if (sort_less(lua, 3, 4)) {
                child++;
                lua_replace(lua, 3);
            } else {
                lua_pop(lua, 1);
            }
        }
        lua_rawgeti(lua, 1, at); /* 4 */
        if (!sort_less(lua, 4, 3)) {
            lua_settop(lua, 2);
            return;
        }
        lua_rawseti(lua, 1, child);
        lua_rawseti(lua, 1, at);
    }
}

/* Heap sort. Lua's own picks pivots by the clock, and a lying comparator can lead it astray. */
static int our_sort(lua_State *lua)
{
    luaL_checktype(lua, 1, LUA_TTABLE);
    if (!lua_isnoneornil(lua, 2))
        luaL_checktype(lua, 2, LUA_TFUNCTION);
    lua_settop(lua, 2);
    lua_Integer count = (lua_Integer)lua_rawlen(lua, 1);
    for (lua_Integer i = count / 2; i >= 1; i--)
        sift(lua, i, count);
    for (lua_Integer last = count; last > 1; last--) {
        lua_rawgeti(lua, 1, 1);
        lua_rawgeti(lua, 1, last);
        lua_rawseti(lua, 1, 1);
        lua_rawseti(lua, 1, last);
        sift(lua, 1, last - 1);
    }
    return 0;
}

/* A note in the record, so that a look inside a recipe needs no other tool. */
static int our_print(lua_State *lua)
{
    struct recipe *recipe = recipe_of(lua);
    if (!recipe->running)
        return luaL_error(lua, "\"print\" writes to the record: it belongs inside steps");
    int count = lua_gettop(lua);
    char line[BENCH_TEXT] = "";
    size_t used = 0;
    for (int i = 1; i <= count; i++) {
        const char *text =
            has_address(lua, i) ? luaL_typename(lua, i) : luaL_tolstring(lua, i, NULL);
        int added = snprintf(line + used, sizeof line - used, "%s%s", i > 1 ? " " : "", text);
        used += added > 0 ? (size_t)added : 0;
        if (used >= sizeof line)
            break;
    }
    exchange_note(recipe, NOTE_NOTE, "", 0, line);
    return 0;
}

/* ---- modules -------------------------------------------------------------------------------- */

static const struct source_file *find_module(const struct recipe *recipe, const char *name,
                                             const char **names)
{
    const struct source_set *set = recipe->sources;
    int count = 0;
    for (int i = 0; i < set->count; i++) {
        const struct source_file *file = &set->file[i];
        if (file->from != SOURCE_BESIDE && file->from != SOURCE_SHIPPED)
            continue;
        if (strcmp(file->module, name) == 0)
            return file;
        names[count++] = file->module;
    }
    names[count] = NULL;
    return NULL;
}

/* require: a module beside the recipe or a shipped one, by its plain name; each runs once. */
static int our_require(lua_State *lua)
{
    struct recipe *recipe = recipe_of(lua);
    const char *name = luaL_checkstring(lua, 1);
    const char *names[SOURCE_FILES + 1];
    lua_settop(lua, 1);
    lua_pushvalue(lua, lua_upvalueindex(1)); /* what has been loaded, at 2 */
    if (lua_getfield(lua, 2, name) != LUA_TNIL) {
        if (lua_islightuserdata(lua, -1))
            return luaL_error(lua, "module \"%s\" requires itself", name);
        return 1;
    }
    const struct source_file *file = find_module(recipe, name, names);
    if (!file) {
        const char *near = tl_nearest(name, names);
        if (near)
            return luaL_error(lua, "module \"%s\" is not known; did you mean \"%s\"?", name, near);
        return luaL_error(lua,
                          "module \"%s\" is not there: a module lies beside the recipe or is "
                          "one of those shipped, and its name stands whole in the text",
                          name);
    }
    lua_pushlightuserdata(lua, recipe); /* under way */
    lua_setfield(lua, 2, name);
    sandbox_push_recipe_env(recipe);
    sandbox_load(recipe, file);
    lua_call(lua, 0, 1);
    if (lua_isnil(lua, -1)) {
        lua_pop(lua, 1);
        lua_pushboolean(lua, true);
    }
    lua_pushvalue(lua, -1);
    lua_setfield(lua, 2, name);
    return 1;
}

void sandbox_load(struct recipe *recipe, const struct source_file *file)
{
    lua_State *lua = recipe->lua;
    char chunk[64];
    source_chunk(file, chunk, sizeof chunk);
    if (luaL_loadbufferx(lua, file->text, file->length, chunk, "t") != LUA_OK)
        lua_error(lua);
    lua_insert(lua, -2);
    if (!lua_setupvalue(lua, -2, 1)) /* a chunk always has its environment as first upvalue */
        lua_pop(lua, 1);
}

/* ---- the environments ----------------------------------------------------------------------- */

/* Into the table on the top: `names` of the library table below it. */
static void take_names(lua_State *lua, const char *names)
{
    char name[32];
    for (const char *at = names; *at;) {
        size_t length = strcspn(at, " ");
        snprintf(name, sizeof name, "%.*s", (int)length, at);
        lua_getfield(lua, -2, name);
        lua_setfield(lua, -2, name);
        at += length + (at[length] == ' ');
    }
}

static const struct opened {
    const char *library;
    lua_CFunction open;
} opened[] = {
    {"", luaopen_base},       {"math", luaopen_math}, {"string", luaopen_string},
    {"table", luaopen_table}, {"utf8", luaopen_utf8},
};

static void open_library(lua_State *lua, const char *library)
{
    for (int i = 0; i < COUNT(opened); i++)
        if (strcmp(opened[i].library, library) == 0)
            lua_pushcfunction(lua, opened[i].open);
    lua_pushstring(lua, library);
    lua_call(lua, 1, 1);
}

static void seed_chance(lua_State *lua, uint64_t seed)
{
    lua_getfield(lua, -1, "randomseed");
    lua_pushinteger(lua, (lua_Integer)seed);
    lua_pushinteger(lua, 0);
    lua_call(lua, 2, 0);
}

static void set_function(lua_State *lua, const char *name, lua_CFunction function)
{
    lua_pushcfunction(lua, function);
    lua_setfield(lua, -2, name);
}

/* What only we provide, into the table of `library` on the top; Lua's own table lies below it. */
static void take_ours(struct recipe *recipe, const char *library)
{
    lua_State *lua = recipe->lua;
    if (strcmp(library, "string") == 0) {
        lua_getfield(lua, -2, "format");
        lua_pushcclosure(lua, our_format, 1);
        lua_setfield(lua, -2, "format");
    } else if (strcmp(library, "table") == 0) {
        set_function(lua, "sort", our_sort);
    } else if (library[0] == '\0') {
        set_function(lua, "next", our_next);
        set_function(lua, "pairs", our_pairs);
        set_function(lua, "tostring", our_tostring);
        set_function(lua, "print", our_print);
    }
}

/* Strings have methods ("x"):rep(3), but neither their metatable nor their arithmetic. */
static void set_string_methods(lua_State *lua)
{
    lua_pushliteral(lua, "");
    lua_createtable(lua, 0, 1);
    lua_pushvalue(lua, -3);
    lua_setfield(lua, -2, "__index");
    lua_setmetatable(lua, -2);
    lua_pop(lua, 1);
}

/* Push a fresh table of the globals that every environment has. */
static void push_globals(struct recipe *recipe)
{
    lua_State *lua = recipe->lua;
    lua_newtable(lua);
    for (int i = 0; i < COUNT(allowed); i++) {
        const char *library = allowed[i].library;
        char label[16];
        snprintf(label, sizeof label, "%s.", library);
        open_library(lua, library);
        if (strcmp(library, "math") == 0)
            seed_chance(lua, recipe->setup.seed);
        if (library[0] == '\0') {
            lua_pushvalue(lua, -2); /* the globals themselves are the target */
        } else {
            lua_newtable(lua);
        }
        take_names(lua, allowed[i].names);
        take_ours(recipe, library);
        if (library[0] == '\0') {
            lua_pop(lua, 2);
            continue;
        }
        sandbox_freeze(lua, label);
        if (strcmp(library, "string") == 0)
            set_string_methods(lua);
        lua_remove(lua, -2);
        lua_setfield(lua, -2, library);
    }
}

static const char recipe_env = 0; /* their addresses are keys in the registry */

void sandbox_push_recipe_env(struct recipe *recipe)
{
    lua_rawgetp(recipe->lua, LUA_REGISTRYINDEX, &recipe_env);
}

void sandbox_push_board_env(struct recipe *recipe, lua_CFunction board)
{
    lua_State *lua = recipe->lua;
    push_globals(recipe);
    set_function(lua, "board", board);
    make_strict(lua, "");
    put_front(lua, "", write_global);
}

static int build_environment(lua_State *lua)
{
    struct recipe *recipe = lua_touserdata(lua, 1);
    push_globals(recipe);
    set_function(lua, "recipe", header_call);
    lua_newtable(lua);
    lua_pushcclosure(lua, our_require, 1);
    lua_setfield(lua, -2, "require");
    primitives_install(lua);
    make_strict(lua, "");
    put_front(lua, "", write_global);
    lua_rawsetp(lua, LUA_REGISTRYINDEX, &recipe_env);
    /* luaopen_base left its whole table there; what a chunk starts with must not be that one */
    lua_newtable(lua);
    lua_rawseti(lua, LUA_REGISTRYINDEX, LUA_RIDX_GLOBALS);
    return 0;
}

int sandbox_open(struct recipe *recipe)
{
    lua_State *lua = lua_newstate(allocate, recipe);
    if (!lua)
        return TL_SYSTEM;
    recipe->lua = lua;
    *(struct recipe **)lua_getextraspace(lua) = recipe;
    lua_pushcfunction(lua, build_environment);
    lua_pushlightuserdata(lua, recipe);
    return lua_pcall(lua, 1, 0, 0) == LUA_OK ? 0 : TL_SYSTEM;
}
