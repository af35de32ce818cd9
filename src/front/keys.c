/* SPDX-License-Identifier: MIT */
/* Bytes of a keyboard to presses, presses to acts. docs/reference/live-view.md lists the keys. */
#include "front_private.h"

#include <stdlib.h>
#include <string.h>
#include <strings.h>

enum { ESC = 0x1B, CTRL_C = 3, CTRL_Z = 26, CTRL_BACKSLASH = 28 };

/* ---- function keys ------------------------------------------------------------------------------ */

/* What terminals send for F13 and above, where pedals sit; the others are presence alone. */
static const struct {
    const char *sequence; /* behind its ESC */
    int number;
} functions[] = {
    {"[25~", 13},   {"[26~", 14},  {"[28~", 15},   {"[29~", 16},   {"[31~", 17},
    {"[32~", 18},   {"[33~", 19},  {"[34~", 20},   {"[1;2P", 13},  {"[1;2Q", 14},
    {"[1;2R", 15},  {"[1;2S", 16}, {"[15;2~", 17}, {"[17;2~", 18}, {"[18;2~", 19},
    {"[19;2~", 20}, {"O2P", 13},   {"O2Q", 14},    {"O2R", 15},    {"O2S", 16},
};

static void name_sequence(const struct key_reader *reader, struct press *press)
{
    *press = (struct press){.kind = PRESS_OTHER};
    for (int i = 0; i < COUNT(functions); i++)
        if ((int)strlen(functions[i].sequence) == reader->count - 1 &&
            !memcmp(functions[i].sequence, reader->held + 1, (size_t)reader->count - 1))
            *press = (struct press){.kind = PRESS_FUNCTION, .which = functions[i].number};
}

/* ---- bytes -------------------------------------------------------------------------------------- */

static struct press press_of_byte(unsigned char byte)
{
    if (byte == '\r' || byte == '\n')
        return (struct press){.kind = PRESS_ENTER};
    if (byte == 0x7F || byte == 8)
        return (struct press){.kind = PRESS_ERASE};
    if (byte < 0x80)
        return (struct press){.kind = PRESS_CHAR, .which = byte};
    return (struct press){.kind = PRESS_OTHER};
}

/* The end of a sequence: a letter or ~ behind ESC [, any byte behind ESC O but a digit. */
static bool ends_sequence(const struct key_reader *reader, unsigned char byte)
{
    if (reader->held[1] == 'O')
        return byte < '0' || byte > '9';
    return (byte >= 0x40 && byte <= 0x7E) || byte < 0x20;
}

bool key_take(struct key_reader *reader, unsigned char byte, int64_t t_ms, struct press *press)
{
    if (reader->count == 0 && byte != ESC) {
        *press = press_of_byte(byte);
        return true;
    }
    if (reader->count == 0) {
        reader->held[reader->count++] = (char)byte;
        reader->since_ms = t_ms;
        return false;
    }
    if (reader->count == 1 && byte != '[' && byte != 'O') {
        reader->count =
            0; /* the key itself, and another that follows fast: the stop is what counts */
        *press = (struct press){.kind = PRESS_ESCAPE};
        return true;
    }
    /* ESC, and Ctrl-C behind what looked like a sequence, are never swallowed. */
    if (reader->count > 1 && (byte == ESC || byte == CTRL_C)) {
        reader->count = 0;
        *press = (struct press){.kind = PRESS_ESCAPE};
        return true;
    }
    bool ends = reader->count > 1 && ends_sequence(reader, byte);
    if (reader->count < (int)sizeof reader->held)
        reader->held[reader->count++] = (char)byte;
    if (!ends)
        return false;
    name_sequence(reader, press);
    reader->count = 0;
    return true;
}

bool key_late(struct key_reader *reader, int64_t t_ms, struct press *press)
{
    if (reader->count == 0 || t_ms - reader->since_ms < KEY_ESCAPE_MS)
        return false;
    /* A lone ESC, or a sequence that was cut: either way nobody loses a stop. */
    *press = (struct press){.kind = PRESS_ESCAPE};
    reader->count = 0;
    return true;
}

/* ---- what they mean ----------------------------------------------------------------------------- */

static const struct {
    struct press press;
    enum act act;
} keys[] = {
    {{PRESS_ENTER, 0}, ACT_YES},
    {{PRESS_CHAR, ' '}, ACT_YES},
    {{PRESS_CHAR, 'y'}, ACT_YES},
    {{PRESS_CHAR, 'Y'}, ACT_YES},
    {{PRESS_CHAR, 'n'}, ACT_NO},
    {{PRESS_CHAR, 'N'}, ACT_NO},
    {{PRESS_CHAR, 's'}, ACT_STOP},
    {{PRESS_CHAR, 'S'}, ACT_STOP},
    {{PRESS_CHAR, 'q'}, ACT_STOP},
    {{PRESS_CHAR, 'Q'}, ACT_STOP},
    {{PRESS_CHAR, '\t'}, ACT_STOP},
    {{PRESS_CHAR, CTRL_C}, ACT_STOP},
    {{PRESS_CHAR, CTRL_BACKSLASH}, ACT_STOP},
    {{PRESS_ESCAPE, 0}, ACT_STOP},
    {{PRESS_FUNCTION, 13}, ACT_YES}, /* one pedal answers, every other one stops */
    {{PRESS_FUNCTION, 14}, ACT_STOP},
    {{PRESS_FUNCTION, 15}, ACT_STOP},
    {{PRESS_FUNCTION, 16}, ACT_STOP},
    {{PRESS_FUNCTION, 17}, ACT_STOP},
    {{PRESS_FUNCTION, 18}, ACT_STOP},
    {{PRESS_FUNCTION, 19}, ACT_STOP},
    {{PRESS_FUNCTION, 20}, ACT_STOP},
    {{PRESS_CHAR, 'p'}, ACT_PARK},
    {{PRESS_CHAR, 'P'}, ACT_PARK},
    {{PRESS_CHAR, '+'}, ACT_HOTTER},
    {{PRESS_CHAR, '='}, ACT_HOTTER}, /* + without shift */
    {{PRESS_CHAR, '-'}, ACT_COOLER},
    {{PRESS_CHAR, '>'}, ACT_LONGER},
    {{PRESS_CHAR, '<'}, ACT_SHORTER},
    {{PRESS_CHAR, 'l'}, ACT_LEAVE},
    {{PRESS_CHAR, 'L'}, ACT_LEAVE},
    {{PRESS_CHAR, CTRL_Z}, ACT_SUSPEND},
};

enum act act_of_press(const struct press *press)
{
    for (int i = 0; i < COUNT(keys); i++)
        if (keys[i].press.kind == press->kind && keys[i].press.which == press->which)
            return keys[i].act;
    return ACT_NONE;
}

bool press_always_stops(const struct press *press)
{
    bool text = press->kind == PRESS_CHAR && press->which >= ' ';
    return !text && act_of_press(press) == ACT_STOP;
}

static const struct {
    const char *line;
    enum act act;
} words[] = {
    {"", ACT_YES},      {"y", ACT_YES},    {"yes", ACT_YES},   {"n", ACT_NO},
    {"no", ACT_NO},     {"s", ACT_STOP},   {"stop", ACT_STOP}, {"q", ACT_STOP},
    {"quit", ACT_STOP}, {"p", ACT_PARK},   {"park", ACT_PARK}, {"+", ACT_HOTTER},
    {"-", ACT_COOLER},  {">", ACT_LONGER}, {"<", ACT_SHORTER}, {"leave", ACT_LEAVE},
};

enum act act_of_line(const char *line)
{
    for (int i = 0; i < COUNT(words); i++)
        if (strcasecmp(words[i].line, line) == 0)
            return words[i].act;
    return ACT_NONE;
}
