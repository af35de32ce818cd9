/* SPDX-License-Identifier: MIT */
#include "front_private.h"

#include <string.h>

#include "tinlatch/utf8.h"

struct range {
    uint32_t low, high;
};

/* Marks that join the character before them, and characters without width: a text could hide in them. */
static const struct range zero[] = {
    {0x00AD, 0x00AD}, {0x0300, 0x036F}, {0x0483, 0x0489},    {0x0591, 0x05BD}, {0x0610, 0x061C},
    {0x064B, 0x065F}, {0x0E31, 0x0E31}, {0x0E34, 0x0E3A},    {0x0E47, 0x0E4E}, {0x1AB0, 0x1AFF},
    {0x1DC0, 0x1DFF}, {0x180B, 0x180F}, {0x200B, 0x200F},    {0x2028, 0x202E}, {0x2060, 0x206F},
    {0x20D0, 0x20FF}, {0x302A, 0x302F}, {0xE000, 0xF8FF},    {0xFE00, 0xFE0F}, {0xFE20, 0xFE2F},
    {0xFEFF, 0xFEFF}, {0xFFF0, 0xFFFF}, {0xE0000, 0x10FFFF},
};

static const struct range wide[] = {
    {0x1100, 0x115F},   {0x231A, 0x231B},   {0x2329, 0x232A},   {0x23E9, 0x23F3},
    {0x25FD, 0x25FE},   {0x2614, 0x2615},   {0x2648, 0x2653},   {0x267F, 0x27BF},
    {0x2B1B, 0x2B55},   {0x2E80, 0xA4CF},   {0xA960, 0xA97F},   {0xAC00, 0xD7A3},
    {0xF900, 0xFAFF},   {0xFE30, 0xFE6F},   {0xFF00, 0xFF60},   {0xFFE0, 0xFFE6},
    {0x16FE0, 0x18AFF}, {0x1B000, 0x1B2FF}, {0x1F000, 0x1FAFF}, {0x20000, 0x3FFFD},
};

static bool within(const struct range *ranges, int count, uint32_t point)
{
    for (int i = 0; i < count; i++)
        if (point >= ranges[i].low && point <= ranges[i].high)
            return true;
    return false;
}

static uint32_t point_of(const char *at, size_t length)
{
    static const uint8_t first_bits[] = {0, 0x7F, 0x1F, 0x0F, 0x07};
    uint32_t point = (uint8_t)at[0] & first_bits[length];
    for (size_t i = 1; i < length; i++)
        point = point << 6 | ((uint8_t)at[i] & 0x3F);
    return point;
}

static bool may_be_shown(const char *at, size_t length)
{
    return utf8_is_plain(at, length) && !within(zero, COUNT(zero), point_of(at, length));
}

void text_clean(char *to, size_t size, const char *from)
{
    size_t left = strlen(from), n = 0;
    while (left > 0) {
        size_t length = utf8_length(from, left), step = length ? length : 1;
        const char *put = length && may_be_shown(from, length) ? from : "?";
        size_t put_length = put == from ? length : 1;
        if (*from == '\n' || *from == '\t' || *from == '\r')
            put = " ";
        bool doubled = *put == ' ' && (n == 0 || to[n - 1] == ' ');
        if (!doubled && n + put_length >= size)
            break;
        if (!doubled) {
            memmove(to + n, put, put_length); /* `from` may be `to` */
            n += put_length;
        }
        from += step;
        left -= step;
    }
    to[n] = '\0';
}

int text_width(const char *at, size_t length)
{
    return length > 2 && within(wide, COUNT(wide), point_of(at, length)) ? 2 : 1;
}

size_t text_piece(const char *text, int width)
{
    size_t at = 0, blank = 0, left = strlen(text);
    for (int columns = 0; left > 0;) {
        size_t length = utf8_length(text + at, left);
        length = length ? length : 1;
        columns += text_width(text + at, length);
        if (columns > width)
            return blank ? blank : at ? at : length;
        if (text[at] == ' ')
            blank = at;
        at += length;
        left -= length;
    }
    return at;
}

const char *text_after(const char *text, size_t length)
{
    text += length;
    return *text == ' ' ? text + 1 : text;
}
