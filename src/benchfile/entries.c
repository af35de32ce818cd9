/* SPDX-License-Identifier: MIT */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "benchfile_private.h"

int parse_fail(struct parse *p, enum tl_err code, int line, const char *token, const char *format,
               ...)
{
    char text[400];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    p->result = tl_error_set(p->error, code, "%s", text);
    tl_error_at(p->error, p->file, line);
    tl_error_token(p->error, token);
    return p->result;
}

int entry_fail(struct parse *p, const struct entry *entry, enum tl_err code, const char *format,
               ...)
{
    char text[320];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    return parse_fail(p, code, entry->line, entry->text, "[%s] %s: %s",
                      p->sections[entry->section].title, bench_keys[entry->key].key, text);
}

int missing_key(struct parse *p, int section, enum key_id key)
{
    return parse_fail(p, TL_MISSING, p->sections[section].line, p->sections[section].title,
                      "[%s] %s is missing; for example: %s = %s", p->sections[section].title,
                      bench_keys[key].key, bench_keys[key].key, bench_keys[key].example);
}

static enum key_id key_find(enum section_kind kind, const char *name)
{
    for (int i = 0; i < KEYS; i++)
        if (!strcmp(bench_keys[i].section, section_kinds[kind]) && !strcmp(bench_keys[i].key, name))
            return (enum key_id)i;
    return KEYS;
}

static int unknown_key(struct parse *p, const struct section *s, const char *name)
{
    const char *names[KEYS + 1];
    char list[300] = "";
    int count = 0;
    for (int i = 0; i < KEYS; i++)
        if (!strcmp(bench_keys[i].section, section_kinds[s->kind]))
            names[count++] = bench_keys[i].key;
    names[count] = NULL;
    const char *near = tl_nearest(name, names);
    if (near)
        return parse_fail(p, TL_UNKNOWN, p->line, name, "[%s] has no key %s; did you mean %s?",
                          s->title, name, near);
    for (int i = 0; i < count; i++) {
        size_t used = strlen(list);
        snprintf(list + used, sizeof list - used, "%s%s", i ? ", " : "", names[i]);
    }
    return parse_fail(p, TL_UNKNOWN, p->line, name, "[%s] has no key %s; its keys are %s", s->title,
                      name, list);
}

const struct entry *entry_find(const struct parse *p, int section, enum key_id key)
{
    for (int i = 0; i < p->entry_count; i++)
        if (p->entries[i].section == section && p->entries[i].key == key)
            return &p->entries[i];
    return NULL;
}

int take_pair(struct parse *p, const char *name, const char *value)
{
    if (p->section < 0)
        return parse_fail(p, TL_SYNTAX, p->line, name,
                          "%s stands before any section; a bench file begins with [bench]", name);
    const struct section *s = &p->sections[p->section];
    enum key_id key = key_find(s->kind, name);
    if (key == KEYS)
        return unknown_key(p, s, name);
    const struct entry *before = entry_find(p, p->section, key);
    if (before)
        return parse_fail(p, TL_SYNTAX, p->line, name, "[%s] %s stands at line %d already",
                          s->title, name, before->line);
    if (!value[0])
        return parse_fail(p, TL_MISSING, p->line, name,
                          "[%s] %s has no value; for example: %s = %s", s->title, name, name,
                          bench_keys[key].example);
    if (p->entry_count == ENTRIES_MAX)
        return parse_fail(p, TL_FULL, p->line, name, "more than %d keys", ENTRIES_MAX);
    struct entry *entry = &p->entries[p->entry_count++];
    *entry = (struct entry){.section = p->section, .line = p->line, .key = key};
    snprintf(entry->text, sizeof entry->text, "%s", value);
    return read_value(p, entry);
}

double number_of(const struct parse *p, int section, enum key_id key, double otherwise)
{
    const struct entry *entry = entry_find(p, section, key);
    return entry ? entry->number : otherwise;
}

int32_t milli_of(const struct parse *p, int section, enum key_id key, double otherwise)
{
    return (int32_t)lround(1000 * number_of(p, section, key, otherwise));
}

const char *text_of(const struct parse *p, int section, enum key_id key)
{
    const struct entry *entry = entry_find(p, section, key);
    return entry ? entry->text : "";
}

int line_of(const struct parse *p, int section, enum key_id key)
{
    const struct entry *entry = entry_find(p, section, key);
    return entry ? entry->line : p->sections[section].line;
}

int check_required(struct parse *p)
{
    for (int s = 0; s < p->section_count; s++)
        for (int k = 0; k < KEYS; k++)
            if (bench_keys[k].required &&
                !strcmp(bench_keys[k].section, section_kinds[p->sections[s].kind]) &&
                !entry_find(p, s, (enum key_id)k))
                return missing_key(p, s, (enum key_id)k);
    return 0;
}

int check_pair_of(struct parse *p, int section, enum key_id one, enum key_id other)
{
    if (!entry_find(p, section, one) == !entry_find(p, section, other))
        return 0;
    return missing_key(p, section, entry_find(p, section, one) ? other : one);
}

int check_driver_keys(struct parse *p, int section, const char *driver,
                      const struct driver_key *keys)
{
    for (; keys->driver; keys++) {
        const struct entry *entry = entry_find(p, section, keys->key);
        bool mine = !strcmp(keys->driver, driver);
        if (mine && keys->needed && !entry)
            return missing_key(p, section, keys->key);
        if (!mine && entry)
            return entry_fail(p, entry, TL_SYNTAX,
                              "this key is for driver = %s; the driver here is %s", keys->driver,
                              driver);
    }
    return 0;
}
