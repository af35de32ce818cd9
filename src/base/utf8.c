/* SPDX-License-Identifier: MIT */
#include "tinlatch/utf8.h"

#include <stdint.h>

/* RFC 3629, section 4: lead bytes, how many follow, and what the first of those may be. */
struct lead {
    uint8_t from, to;
    uint8_t follow;
    uint8_t second_from, second_to;
};

/* clang-format off */
static const struct lead leads[] = {
    {0x00, 0x7F, 0, 0x80, 0xBF},
    {0xC2, 0xDF, 1, 0x80, 0xBF},
    {0xE0, 0xE0, 2, 0xA0, 0xBF},
    {0xE1, 0xEC, 2, 0x80, 0xBF},
    {0xED, 0xED, 2, 0x80, 0x9F},
    {0xEE, 0xEF, 2, 0x80, 0xBF},
    {0xF0, 0xF0, 3, 0x90, 0xBF},
    {0xF1, 0xF3, 3, 0x80, 0xBF},
    {0xF4, 0xF4, 3, 0x80, 0x8F},
};
/* clang-format on */

static const struct lead *lead_of(uint8_t byte)
{
    for (size_t i = 0; i < sizeof leads / sizeof leads[0]; i++)
        if (byte >= leads[i].from && byte <= leads[i].to)
            return &leads[i];
    return NULL;
}

size_t utf8_length(const char *at, size_t left)
{
    if (left == 0)
        return 0;
    const struct lead *lead = lead_of((uint8_t)at[0]);
    if (!lead || left < 1U + lead->follow)
        return 0;
    for (size_t i = 1; i <= lead->follow; i++) {
        uint8_t from = i == 1 ? lead->second_from : 0x80;
        uint8_t to = i == 1 ? lead->second_to : 0xBF;
        if ((uint8_t)at[i] < from || (uint8_t)at[i] > to)
            return 0;
    }
    return 1U + lead->follow;
}

bool utf8_is_plain(const char *at, size_t length)
{
    uint8_t first = (uint8_t)at[0];
    if (length == 1)
        return first >= 0x20 && first != 0x7F;
    uint8_t second = (uint8_t)at[1];
    if (length == 2)
        return !(first == 0xC2 && second < 0xA0); /* C1 controls, U+0080 to U+009F */
    if (length > 3)
        return true;
    uint8_t third = (uint8_t)at[2];
    if (first != 0xE2)
        return !(first == 0xEF && second == 0xBB && third == 0xBF);    /* U+FEFF */
    bool marks = second == 0x80 && third >= 0x8B && third <= 0x8F;     /* U+200B to 200F */
    bool joiners = second == 0x81 && third >= 0xA0 && third <= 0xA4;   /* U+2060 to 2064 */
    bool overrides = second == 0x80 && third >= 0xA8 && third <= 0xAE; /* U+2028 to 202E */
    bool isolates = second == 0x81 && third >= 0xA6 && third <= 0xA9;  /* U+2066 to 2069 */
    return !(marks || joiners || overrides || isolates);
}

size_t utf8_fit(const char *text, size_t length, size_t most)
{
    if (length <= most)
        return length;
    size_t end = most;
    for (int back = 0; back < 3 && end > 0 && ((uint8_t)text[end] & 0xC0) == 0x80; back++)
        end--;
    return end;
}
