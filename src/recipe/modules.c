/* SPDX-License-Identifier: MIT */
/* require: a module beside the recipe, or a shipped one, by its plain name; each runs once. */
#include "recipe_private.h"

#include <string.h>

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

/* Upvalue: a table of what has been loaded. */
int module_require(lua_State *lua)
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
