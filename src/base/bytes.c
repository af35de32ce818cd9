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

bool bytes_is_word(char c)
{
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '_';
}

/* Unsigned, so that the smallest int64_t has a magnitude too. */
static uint64_t magnitude_of(int64_t value)
{
    return value < 0 ? 0 - (uint64_t)value : (uint64_t)value;
}

static int digits_of(uint64_t value)
{
    int digits = 1;
    for (; value >= 10000; value /= 10000)
        digits += 4;
    return digits + (value >= 10) + (value >= 100) + (value >= 1000);
}

char *bytes_digits(char *to, uint64_t value)
{
    static const char pairs[] = "00010203040506070809101112131415161718192021222324"
                                "25262728293031323334353637383940414243444546474849"
                                "50515253545556575859606162636465666768697071727374"
                                "75767778798081828384858687888990919293949596979899";
    char *end = to + digits_of(value), *at = end;
    for (; value >= 100; value /= 100)
        memcpy(at -= 2, pairs + 2 * (value % 100), 2);
    if (value >= 10)
        memcpy(at - 2, pairs + 2 * value, 2);
    else
        at[-1] = (char)('0' + value);
    return end;
}

void bytes_int(struct bytes *b, int64_t value)
{
    char text[1 + INT_DIGITS] = "-";
    char *end = bytes_digits(text + (value < 0), magnitude_of(value));
    bytes_add(b, text, (size_t)(end - text));
}

/* value with a point before its last `places` digits; at least one digit stands before it. */
static void add_fixed(struct bytes *b, int64_t value, int places)
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

void bytes_fixed(struct bytes *b, int64_t value, int places)
{
    int most = INT_DIGITS - 2;
    int least = places < 0 ? 0 : places;
    add_fixed(b, value, least > most ? most : least);
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

/* What a byte, with none to three more shifted out behind it, leaves in the register. All is linear: a byte leaves
 * the sum of what its bits leave, so that eight figures make a table of 256. */
/* clang-format off */
#define BIT(n, bit, leaves) ((n) & (1 << (bit)) ? (leaves) : 0)
#define LEFT(n, a, b, c, d, e, f, g, h)                                                            \
    (BIT(n, 0, a) ^ BIT(n, 1, b) ^ BIT(n, 2, c) ^ BIT(n, 3, d) ^ BIT(n, 4, e) ^ BIT(n, 5, f) ^     \
     BIT(n, 6, g) ^ BIT(n, 7, h))
#define ENTRY(n)                                                                                   \
    {                                                                                              \
        LEFT(n, 0xC0C1, 0xC181, 0xC301, 0xC601, 0xCC01, 0xD801, 0xF001, 0xA001),                                \
        LEFT(n, 0x9001, 0x6001, 0xC002, 0xC007, 0xC00D, 0xC019, 0xC031, 0xC061),                                \
        LEFT(n, 0xC051, 0xC0A1, 0xC141, 0xC281, 0xC501, 0xCA01, 0xD401, 0xE801),                                \
        LEFT(n, 0xFC01, 0xB801, 0x3001, 0x6002, 0xC004, 0xC00B, 0xC015, 0xC029),                                \
    }
#define FOUR(n)    ENTRY(n), ENTRY((n) + 1), ENTRY((n) + 2), ENTRY((n) + 3)
#define SIXTEEN(n) FOUR(n), FOUR((n) + 4), FOUR((n) + 8), FOUR((n) + 12)
#define SIXTY(n)   SIXTEEN(n), SIXTEEN((n) + 16), SIXTEEN((n) + 32), SIXTEEN((n) + 48)
static const uint16_t crc16_left[256][4] = {SIXTY(0), SIXTY(64), SIXTY(128), SIXTY(192)};
/* clang-format on */

uint16_t bytes_crc16(const void *from, size_t length)
{
    const uint8_t *p = from;
    uint32_t crc = 0xFFFF;
    for (; length >= 4; length -= 4, p += 4)
        crc = (uint32_t)(crc16_left[(crc ^ p[0]) & 0xFF][3] ^ crc16_left[(crc >> 8) ^ p[1]][2] ^
                         crc16_left[p[2]][1] ^ crc16_left[p[3]][0]);
    for (; length > 0; length--, p++)
        crc = (crc >> 8) ^ crc16_left[(crc ^ *p) & 0xFF][0];
    return (uint16_t)crc;
}
