/* SPDX-License-Identifier: MIT */
#include <stdio.h>
#include <string.h>

#include "benchfile_private.h"

enum { READER_NAME = 24 }; /* "reader " before it is a device's name too */

const char *const section_kinds[SECTION_KINDS] = {"bench",  "plate", "sensor",  "insert",
                                                  "supply", "meter", "cut-off", "inputs",
                                                  "reader", "fan",   "limits"};

/* As they are written. */
static const char *const section_words[] = {
    "bench", "plate",   "sensor plate", "sensor plate-2", "sensor board", "insert NAME", "supply",
    "meter", "cut-off", "inputs",       "reader NAME",    "fan",          "limits",      NULL};

static bool plain_name(const char *name)
{
    if (!name[0] || strlen(name) >= BENCH_NAME)
        return false;
    for (const char *c = name; *c; c++)
        if (!word_char(*c))
            return false;
    return true;
}

static enum section_kind kind_find(const char *title, const char **name)
{
    for (int i = 0; i < SECTION_KINDS; i++) {
        size_t length = strlen(section_kinds[i]);
        bool named = i == IN_SENSOR || i == IN_INSERT || i == IN_READER;
        if (strncmp(title, section_kinds[i], length) || title[length] != (named ? ' ' : '\0'))
            continue;
        *name = title + length + (named ? 1 : 0);
        return (enum section_kind)i;
    }
    return SECTION_KINDS;
}

static int sections_of(const struct parse *p, enum section_kind kind)
{
    int count = 0;
    for (int i = 0; i < p->section_count; i++)
        count += p->sections[i].kind == kind;
    return count;
}

static int unknown_section(struct parse *p, const char *title)
{
    const char *near = tl_nearest(title, section_words);
    if (near)
        return parse_fail(p, TL_UNKNOWN, p->line, title,
                          "[%.60s] is no section of a bench file; did you mean [%s]?", title, near);
    char list[300] = "";
    for (const char *const *word = section_words; *word; word++) {
        size_t used = strlen(list);
        snprintf(list + used, sizeof list - used, " [%s]", *word);
    }
    return parse_fail(p, TL_UNKNOWN, p->line, title,
                      "[%.60s] is no section of a bench file; there are%s", title, list);
}

static int section_role(struct parse *p, struct section *s)
{
    if (s->kind == IN_INSERT) {
        s->role = sections_of(p, IN_INSERT);
        if (!plain_name(s->name))
            return parse_fail(p, TL_SYNTAX, p->line, s->name,
                              "[%s]: an insert's name is letters, digits, - and _, such as "
                              "[insert frame-60x40]",
                              s->title);
        if (s->role == BENCH_INSERTS)
            return parse_fail(p, TL_FULL, p->line, s->title, "[%s]: a bench has at most %d inserts",
                              s->title, BENCH_INSERTS);
    }
    if (s->kind == IN_READER) {
        s->role = sections_of(p, IN_READER);
        if (!plain_name(s->name) || strlen(s->name) > READER_NAME)
            return parse_fail(
                p, TL_SYNTAX, p->line, s->name,
                "[%s]: a reader's name is letters, digits, - and _, %d at most, such as "
                "[reader probe]",
                s->title, READER_NAME);
    }
    if (s->kind == IN_SENSOR) {
        s->role = 0;
        while (s->role < SENSORS && strcmp(s->name, sensor_name((enum sensor_id)s->role)))
            s->role++;
        if (s->role == SENSORS)
            return unknown_section(p, s->title);
    }
    return 0;
}

int section_open(struct parse *p, const char *line)
{
    struct section s = {.line = p->line};
    size_t length = strcspn(line + 1, "]");
    if (line[1 + length] != ']')
        return parse_fail(p, TL_SYNTAX, p->line, line, "the section's closing ] is missing");
    if (line[2 + length + strspn(line + 2 + length, " \t")])
        return parse_fail(p, TL_SYNTAX, p->line, line + 2 + length,
                          "something follows the ]; a section has a line of its own");
    char title[LINE_BYTES + 1];
    snprintf(title, sizeof title, "%.*s", (int)length, line + 1);
    const char *name = "";
    s.kind = kind_find(title, &name);
    if (s.kind == SECTION_KINDS || length >= sizeof s.title || strlen(name) >= sizeof s.name)
        return unknown_section(p, title);
    snprintf(s.title, sizeof s.title, "%.63s", title);
    snprintf(s.name, sizeof s.name, "%.31s", name);
    if (section_role(p, &s))
        return p->result;
    for (int i = 0; i < p->section_count; i++)
        if (!strcmp(p->sections[i].title, s.title))
            return parse_fail(p, TL_SYNTAX, p->line, s.title, "[%s] stands at line %d already",
                              s.title, p->sections[i].line);
    if (p->section_count == SECTIONS_MAX)
        return parse_fail(p, TL_FULL, p->line, s.title, "more than %d sections", SECTIONS_MAX);
    p->section = p->section_count++;
    p->sections[p->section] = s;
    return 0;
}

int section_find(const struct parse *p, enum section_kind kind, int role)
{
    for (int i = 0; i < p->section_count; i++)
        if (p->sections[i].kind == kind && p->sections[i].role == role)
            return i;
    return -1;
}
