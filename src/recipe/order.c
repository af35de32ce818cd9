/* SPDX-License-Identifier: MIT */
/* pairs, next and sort in an order that is the same in every run. */
#include "recipe_private.h"

#include <string.h>

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

int order_pairs(lua_State *lua)
{
    luaL_checktype(lua, 1, LUA_TTABLE);
    lua_settop(lua, 1);
    sandbox_thaw(lua, 1);
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
int order_next(lua_State *lua)
{
    luaL_checktype(lua, 1, LUA_TTABLE);
    lua_settop(lua, 2);
    sandbox_thaw(lua, 1);
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

/* ---- sort ----------------------------------------------------------------------------------- */

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
int order_sort(lua_State *lua)
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
