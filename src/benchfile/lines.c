/* SPDX-License-Identifier: MIT */
#include <ctype.h>
#include <string.h>

#include "benchfile_private.h"
#include "tinlatch/utf8.h"

enum { KEY_BYTES = 40 };

static int check_bytes(struct parse *p, const char *line, size_t length)
{
    for (size_t i = 0; i < length;) {
        unsigned char byte = (unsigned char)line[i];
        size_t step = utf8_length(line + i, length - i);
        if (!step)
            return parse_fail(p, TL_SYNTAX, p->line, "",
                              "byte 0x%02X at column %zu is not UTF-8; save the file as UTF-8 text",
                              byte, i + 1);
        if (!utf8_is_plain(line + i, step) && byte != '\t')
            return parse_fail(p, TL_SYNTAX, p->line, "",
                              "control %s 0x%02X at column %zu; a bench file is plain text",
                              step == 1 ? "byte" : "character beginning with", byte, i + 1);
        i += step;
    }
    return 0;
}

bool word_char(char c)
{
    return isalnum((unsigned char)c) || c == '_' || c == '-' || c == '.';
}

static int check_pair(struct parse *p, const char *line)
{
    size_t key = strcspn(line, "=");
    if (line[key] != '=')
        return parse_fail(p, TL_SYNTAX, p->line, line,
                          "\"%.60s\" is neither [section] nor key = value", line);
    size_t plain = 0;
    while (word_char(line[plain]))
        plain++;
    size_t rest = plain + strspn(line + plain, " \t");
    if (plain == 0 || plain > KEY_BYTES || rest != key)
        return parse_fail(p, TL_SYNTAX, p->line, "",
                          "\"%.*s\" is no key: letters, digits and _ before the =, %d at most",
                          (int)key, line, KEY_BYTES);
    for (const char *c = strchr(line, ';'); c; c = strchr(c + 1, ';'))
        if (c[-1] == ' ' || c[-1] == '\t')
            return parse_fail(
                p, TL_SYNTAX, p->line, ";",
                "a comment after a value; give it a line of its own, starting with ;");
    return 0;
}

/* A line without its end, whatever follows it. NULL only at the end of the file. */
static const char *next_line(struct parse *p, size_t *length)
{
    if (p->at >= p->end)
        return NULL;
    const char *start = p->at;
    const char *stop = memchr(start, '\n', (size_t)(p->end - start));
    p->at = stop ? stop + 1 : p->end;
    *length = (size_t)((stop ? stop : p->end) - start);
    if (*length && start[*length - 1] == '\r')
        (*length)--;
    p->line++;
    return start;
}

static int check_line(struct parse *p, const char *line, size_t length)
{
    if (length > LINE_BYTES)
        return parse_fail(p, TL_SYNTAX, p->line, "", "a line of %zu bytes; at most %d are read",
                          length, LINE_BYTES);
    return check_bytes(p, line, length);
}

static int take_line(struct parse *p, const char *line)
{
    size_t blanks = strspn(line, " \t");
    if (line[blanks] == '\0')
        return 0;
    if (blanks)
        return parse_fail(p, TL_SYNTAX, p->line, line + blanks,
                          "an indented line; every line starts at the left edge");
    if (line[0] == ';' || line[0] == '#')
        return 0;
    return line[0] == '[' ? section_open(p, line) : check_pair(p, line);
}

/* inih's reader: one line per call, checked first; no line once something is wrong. */
char *read_line(char *to, int size, void *context)
{
    struct parse *p = context;
    size_t length = 0;
    const char *line = p->result ? NULL : next_line(p, &length);
    if (!line || check_line(p, line, length) || length + 2 > (size_t)size)
        return NULL;
    memcpy(to, line, length);
    to[length] = '\0';
    return take_line(p, to) ? NULL : to;
}
