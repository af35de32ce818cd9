/* SPDX-License-Identifier: MIT */
/* The Lua side of the sandbox: what a script finds, and nothing else. Built from an allow list, never
 * by taking names away. No metatables, coroutines or finalizers reach a script: Lua 5.4.4 has open bugs
 * behind each of them. */
#include "recipe_private.h"

#include <lualib.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/sandbox.h"

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

const char *sandbox_names(const char *library)
{
    for (int i = 0; i < COUNT(allowed); i++)
        if (strcmp(allowed[i].library, library) == 0)
            return allowed[i].names;
    return NULL;
}

struct recipe *recipe_of(lua_State *lua)
{
    return *(struct recipe **)lua_getextraspace(lua);
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

/* string.format without %p, and without the addresses that %s shows of tables and functions. The format may
 * hold zero bytes: Lua reads on behind them. Upvalue: Lua's own. */
static int our_format(lua_State *lua)
{
    size_t length;
    const char *format = luaL_checklstring(lua, 1, &length), *end = format + length;
    for (const char *at = format; at < end && (at = memchr(at, '%', (size_t)(end - at))); at++) {
        at++;
        at += strspn(at,
                     "-+ #0123456789."); /* stops at the zero byte that ends every text of Lua's */
        if (*at == 'p')
            return luaL_error(lua, "\"%%p\" is not there: an address differs from run to run");
    }
    for (int i = 2; i <= lua_gettop(lua); i++)
        if (has_address(lua, i)) {
            lua_pushstring(lua, luaL_typename(lua, i));
            lua_replace(lua, i);
        }
    return lua_tocfunction(lua, lua_upvalueindex(1))(lua);
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
        lua_settop(
            lua, count); /* Lua grants a C function 20 places on its stack, not one per argument */
        if (used >= sizeof line)
            break;
    }
    exchange_note(recipe, NOTE_NOTE, "", 0, line);
    return 0;
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
        set_function(lua, "sort", order_sort);
    } else if (library[0] == '\0') {
        set_function(lua, "next", order_next);
        set_function(lua, "pairs", order_pairs);
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
    /* luaopen_base left its whole table there; what a chunk starts with must not be that one */
    lua_newtable(lua);
    lua_rawseti(lua, LUA_REGISTRYINDEX, LUA_RIDX_GLOBALS);
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
    sandbox_strict(lua, "");
    sandbox_front(lua, "", sandbox_write_global);
}

static int build_environment(lua_State *lua)
{
    struct recipe *recipe = lua_touserdata(lua, 1);
    push_globals(recipe);
    set_function(lua, "recipe", header_call);
    lua_newtable(lua);
    lua_pushcclosure(lua, module_require, 1);
    lua_setfield(lua, -2, "require");
    primitives_install(lua);
    sandbox_strict(lua, "");
    sandbox_front(lua, "", sandbox_write_global);
    lua_rawsetp(lua, LUA_REGISTRYINDEX, &recipe_env);
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
