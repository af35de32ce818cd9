/* SPDX-License-Identifier: MIT */
#include "tinlatch/bytes.h"

#include <string.h>

#include "tinlatch/err.h"
#include "tinlatch/utf8.h"

enum { INT_DIGITS = 20 }; /* of the largest uint64_t */

void bytes_init(struct bytes *b, char *storage, size_t size)
{
    b->at = storage;
    b->size = size;
    bytes_clear(b);
}

void bytes_clear(struct bytes *b)
{
    b->length = 0;
    b->full = false;
}

void bytes_add(struct bytes *b, const void *from, size_t length)
{
    /* Once full, always full: a shorter piece after a dropped one would leave a hole. */
    if (b->full || length > b->size - b->length) {
        b->full = true;
        return;
    }
    if (length == 0)
        return; /* an empty piece may come with no address */
    memcpy(b->at + b->length, from, length);
    b->length += length;
}

void bytes_text(struct bytes *b, const char *text)
{
    bytes_add(b, text, strlen(text));
}

void bytes_char(struct bytes *b, char c)
{
    bytes_add(b, &c, 1);
}

/* Unsigned, so that the smallest int64_t has a magnitude too. */
static uint64_t magnitude_of(int64_t value)
{
    return value < 0 ? 0 - (uint64_t)value : (uint64_t)value;
}

/* value with a point before its last `places` digits; at least one digit stands before it. */
static void add_number(struct bytes *b, int64_t value, int places)
{
    char text[2 * INT_DIGITS];
    size_t at = sizeof text;
    uint64_t left = magnitude_of(value);
    for (int digit = 0; left > 0 || digit <= places; digit++) {
        if (digit == places && places > 0)
            text[--at] = '.';
        text[--at] = (char)('0' + (int)(left % 10));
        left /= 10;
    }
    if (value < 0)
        text[--at] = '-';
    bytes_add(b, text + at, sizeof text - at);
}

void bytes_int(struct bytes *b, int64_t value)
{
    add_number(b, value, 0);
}

void bytes_fixed(struct bytes *b, int64_t value, int places)
{
    int most = INT_DIGITS - 2;
    int least = places < 0 ? 0 : places;
    add_number(b, value, least > most ? most : least);
}

void bytes_hex(struct bytes *b, uint32_t value, int digits)
{
    char text[8];
    int count = digits < 1 ? 1 : digits > 8 ? 8 : digits;
    for (int i = count - 1; i >= 0; i--) {
        text[i] = "0123456789ABCDEF"[value & 0xF];
        value >>= 4;
    }
    bytes_add(b, text, (size_t)count);
}

static void add_json_escape(struct bytes *b, char c)
{
    switch (c) {
    case '"':
        bytes_text(b, "\\\"");
        return;
    case '\\':
        bytes_text(b, "\\\\");
        return;
    case '\n':
        bytes_text(b, "\\n");
        return;
    case '\t':
        bytes_text(b, "\\t");
        return;
    default:
        bytes_text(b, "\\u");
        bytes_hex(b, (uint8_t)c, 4);
    }
}

void bytes_json(struct bytes *b, const char *text)
{
    size_t before = b->length;
    size_t left = strlen(text);
    bytes_char(b, '"');
    while (left > 0) {
        size_t length = utf8_length(text, left);
        bool plain = length > 1 || (length == 1 && utf8_is_plain(text, 1));
        if (plain && *text != '"' && *text != '\\') {
            bytes_add(b, text, length);
        } else {
            add_json_escape(b, *text);
            length = 1;
        }
        text += length;
        left -= length;
    }
    bytes_char(b, '"');
    if (b->full)
        b->length = before; /* half a string is worse than none */
}

void bytes_copy_text(char *to, size_t size, const char *from)
{
    size_t length = utf8_fit(from, strlen(from), size - 1);
    memmove(to, from, length);
    to[length] = '\0';
}

int bytes_read_int(const char **at, const char *end, int64_t *value)
{
    const char *p = *at;
    bool negative = p < end && *p == '-';
    if (negative)
        p++;
    if (p == end || *p < '0' || *p > '9')
        return TL_BAD;
    uint64_t most = negative ? (uint64_t)INT64_MAX + 1 : (uint64_t)INT64_MAX;
    uint64_t sum = 0;
    for (; p < end && *p >= '0' && *p <= '9'; p++) {
        uint64_t digit = (uint64_t)(*p - '0');
        if (sum > (most - digit) / 10)
            return TL_BAD;
        sum = sum * 10 + digit;
    }
    *value = negative && sum > 0 ? -(int64_t)(sum - 1) - 1 : (int64_t)sum;
    *at = p;
    return 0;
}

/* Four bits at a time: what shifting a nibble out of the register xors into it. */
static const uint16_t crc16_nibble[16] = {
    0x0000, 0xCC01, 0xD801, 0x1400, 0xF001, 0x3C00, 0x2800, 0xE401,
    0xA001, 0x6C00, 0x7800, 0xB401, 0x5000, 0x9C01, 0x8801, 0x4400,
};

uint16_t bytes_crc16(const void *from, size_t length)
{
    const uint8_t *p = from;
    uint32_t crc = 0xFFFF;
    for (size_t i = 0; i < length; i++) {
        crc ^= p[i];
        crc = (crc >> 4) ^ crc16_nibble[crc & 15];
        crc = (crc >> 4) ^ crc16_nibble[crc & 15];
    }
    return (uint16_t)crc;
}
