/* SPDX-License-Identifier: MIT */
/* Lua tables forget the lines they were written on. A message about a key looks them up again in the
 * text: a small walk that knows strings, comments and brackets. Where the text does not show the key
 * (a table built by code), the place of what is around it serves. */
#include "recipe_private.h"

#include <ctype.h>
#include <string.h>

#include "tinlatch/bytes.h"

enum { LONG_LEVELS = 8 }; /* "=" in a long bracket that anybody writes */

static bool at_text(const struct source_file *file, size_t at, const char *text)
{
    size_t length = strlen(text);
    return at + length <= file->length && memcmp(file->text + at, text, length) == 0;
}

static size_t skip_until(const struct source_file *file, size_t at, const char *end)
{
    while (at < file->length && !at_text(file, at, end))
        at++;
    return at + strlen(end);
}

static size_t skip_quoted(const struct source_file *file, size_t at)
{
    char quote = file->text[at++];
    while (at < file->length && file->text[at] != quote && file->text[at] != '\n')
        at += file->text[at] == '\\' ? 2 : 1;
    return at + 1;
}

/* Past "[[ ... ]]" or "[==[ ... ]==]"; `at` itself when none begins there. */
static size_t skip_long(const struct source_file *file, size_t at)
{
    size_t level = 0;
    char end[LONG_LEVELS + 3] = "]";
    if (!at_text(file, at, "["))
        return at;
    while (level < LONG_LEVELS && at_text(file, at + 1 + level, "="))
        end[++level] = '=';
    if (!at_text(file, at + 1 + level, "["))
        return at;
    end[level + 1] = ']';
    return skip_until(file, at + level + 2, end);
}

size_t place_skip_opaque(const struct source_file *file, size_t at)
{
    if (at_text(file, at, "--")) {
        size_t past = skip_long(file, at + 2);
        return past > at + 2 ? past : skip_until(file, at, "\n");
    }
    size_t past = skip_long(file, at);
    if (past > at)
        return past;
    char c = file->text[at];
    return c == '"' || c == '\'' ? skip_quoted(file, at) : at;
}

static size_t skip_blank(const struct source_file *file, size_t at)
{
    while (at < file->length && isspace((unsigned char)file->text[at]))
        at++;
    return at;
}

/* After `key =` (or `["key"] =`) at `at`: the offset of its value; 0 when it is not that key. */
static size_t value_of_key(const struct source_file *file, size_t at, const char *key)
{
    bool bracket = at_text(file, at, "[\"");
    size_t start = bracket ? at + 2 : at;
    size_t end = start + strlen(key);
    if (!at_text(file, start, key) || (end < file->length && bytes_is_word(file->text[end])))
        return 0;
    if (bracket && !at_text(file, end, "\"]"))
        return 0;
    end = skip_blank(file, end + (bracket ? 2 : 0));
    if (end >= file->length || file->text[end] != '=' || at_text(file, end, "=="))
        return 0;
    return skip_blank(file, end + 1);
}

static size_t table_start(struct place place)
{
    size_t at = place.at;
    while (at < place.file->length && place.file->text[at] != '{') {
        size_t next = place_skip_opaque(place.file, at);
        at = next > at ? next : at + 1;
    }
    return at + 1;
}

/* Walk the items of the table: the place of `key`, or of item `wanted` when key is NULL. */
static bool walk(struct place *place, const char *key, int wanted)
{
    const struct source_file *file = place->file;
    int depth = 1, item = 0;
    bool fresh = true; /* at the start of an item */
    for (size_t at = table_start(*place); at < file->length && depth > 0;) {
        at = skip_blank(file, at);
        if (at >= file->length)
            break;
        bool comment = at_text(file, at, "--");
        if (depth == 1 && fresh && !comment && file->text[at] != '}') {
            size_t value = key ? value_of_key(file, at, key) : 0;
            if (value || (!key && item == wanted)) {
                place->at = value ? value : at;
                return true;
            }
            fresh = false;
        }
        size_t next = place_skip_opaque(file, at);
        if (next > at) {
            at = next;
            continue;
        }
        char c = file->text[at++];
        depth += (c == '{' || c == '(') - (c == '}' || c == ')');
        if (depth == 1 && (c == ',' || c == ';')) {
            fresh = true;
            item++;
        }
    }
    return false;
}

struct place place_key(struct place place, const char *key)
{
    if (place.file)
        walk(&place, key, 0);
    return place;
}

struct place place_item(struct place place, int i)
{
    if (place.file)
        walk(&place, NULL, i);
    return place;
}

struct place place_of_call(const struct source_file *file, int line, const char *word)
{
    struct place place = {file, 0};
    if (!file)
        return place;
    for (int at_line = 1; place.at < file->length && at_line < line; place.at++)
        at_line += file->text[place.at] == '\n';
    for (size_t at = place.at; at < file->length; at++)
        if (at_text(file, at, word)) {
            place.at = at;
            break;
        }
    return place;
}

int place_line(struct place place)
{
    int line = 1;
    for (size_t i = 0; place.file && i < place.at && i < place.file->length; i++)
        line += place.file->text[i] == '\n';
    return place.file ? line : 0;
}
