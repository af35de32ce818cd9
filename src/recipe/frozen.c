/* SPDX-License-Identifier: MIT */
/* Tables that a script can read and not write; a name that is not there is an error that says what is. */
#include "recipe_private.h"

#include <string.h>

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

static bool has_word(const char *words, const char *word)
{
    size_t length = strlen(word);
    if (length == 0)
        return false;
    for (const char *at = words; (at = strstr(at, word)); at += length)
        if ((at == words || at[-1] == ' ') && (at[length] == ' ' || at[length] == '\0'))
            return true;
    return false;
}

static int refuse_write(lua_State *lua)
{
    const char *label = lua_tostring(lua, lua_upvalueindex(1));
    const char *key =
        lua_type(lua, 2) == LUA_TSTRING ? lua_tostring(lua, 2) : luaL_typename(lua, 2);
    return luaL_error(lua, "\"%s%s\" cannot be set: what the program provides stays as it is",
                      label, key);
}

/* Lua's own order differs from run to run, and the first of two names that are equally near is named. */
static void put_in_order(const char **names, int count, const char *name)
{
    for (; count > 0 && strcmp(names[count - 1], name) > 0; count--)
        names[count] = names[count - 1];
    names[count] = name;
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
    if (label[0] == '\0' && header_has_param(recipe_of(lua), key))
        return luaL_error(lua, "\"%s\" is not known; did you mean \"p.%s\"?", key, key);
    const char *names[NAMES_MAX + 1];
    int count = 0;
    for (lua_pushnil(lua); lua_next(lua, 1); lua_pop(lua, 1))
        if (count < NAMES_MAX && lua_type(lua, -2) == LUA_TSTRING)
            put_in_order(names, count++, lua_tostring(lua, -2));
    names[count] = NULL;
    const char *near = tl_nearest(key, names);
    if (near)
        return luaL_error(lua, "\"%s%s\" is not known; did you mean \"%s%s\"?", label, key, label,
                          near);
    return luaL_error(lua, "\"%s%s\" is not known", label, key);
}

/* The table on the top: reading a name that it lacks becomes an error. */
void sandbox_strict(lua_State *lua, const char *label)
{
    lua_createtable(lua, 0, 1);
    lua_pushstring(lua, label);
    lua_pushcclosure(lua, refuse_unknown, 1);
    lua_setfield(lua, -2, "__index");
    lua_setmetatable(lua, -2);
}

/* Put an empty table in front of the real one on the top; writes go to `write`, whose upvalues are the
 * label and the real table. Lua follows __index without calling C, so reading stays fast. */
void sandbox_front(lua_State *lua, const char *label, lua_CFunction write)
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
    sandbox_strict(lua, label);
    sandbox_front(lua, label, refuse_write);
}

/* A script may make globals of its own, but not replace what the program provides. */
int sandbox_write_global(lua_State *lua)
{
    lua_pushvalue(lua, 2);
    if (lua_rawget(lua, lua_upvalueindex(2)) != LUA_TNIL)
        return refuse_write(lua);
    lua_settop(lua, 3);
    lua_rawset(lua, 1);
    return 0;
}

/* A frozen table is empty itself: continue with what it shows. */
void sandbox_thaw(lua_State *lua, int index)
{
    if (!lua_getmetatable(lua, index))
        return;
    if (lua_rawgetp(lua, -1, &real_of_frozen) == LUA_TTABLE)
        lua_replace(lua, index);
    else
        lua_pop(lua, 1);
    lua_pop(lua, 1);
}
