/* SPDX-License-Identifier: MIT */
#include "cursor.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/bytes.h"

enum { DEEPEST = 16 };

/* The record's own lines have no blanks; a reader of JSON takes them all the same. */
static void pass_blanks(struct cursor *c)
{
    while (c->at < c->end && (*c->at == ' ' || *c->at == '\t' || *c->at == '\r'))
        c->at++;
}

static bool fail(struct cursor *c)
{
    c->bad = true;
    c->at = c->end;
    return false;
}

static bool take(struct cursor *c, char sign)
{
    pass_blanks(c);
    if (c->at == c->end || *c->at != sign)
        return false;
    c->at++;
    return true;
}

static bool take_word(struct cursor *c, const char *word)
{
    size_t length = strlen(word);
    pass_blanks(c);
    if ((size_t)(c->end - c->at) < length || memcmp(c->at, word, length) != 0)
        return false;
    c->at += length;
    return true;
}

bool cursor_is(const struct cursor *c, char first)
{
    struct cursor here = *c;
    pass_blanks(&here);
    return here.at < here.end && *here.at == first;
}

void cursor_enter(struct cursor *c, char open)
{
    if (!take(c, open))
        fail(c);
}

/* Is there one more? Leaves what `close` ends. */
static bool one_more(struct cursor *c, bool *first, char close)
{
    if (c->bad || take(c, close))
        return false;
    if (!*first && !take(c, ','))
        return fail(c);
    *first = false;
    return true;
}

/* The bytes between the quotes, as they stand. */
static bool quoted(struct cursor *c, const char **from, size_t *length)
{
    if (!take(c, '"'))
        return fail(c);
    *from = c->at;
    while (c->at < c->end && *c->at != '"') {
        if ((unsigned char)*c->at < 0x20)
            return fail(c);
        c->at += *c->at == '\\' && c->at + 1 < c->end ? 2 : 1;
    }
    if (c->at >= c->end)
        return fail(c);
    *length = (size_t)(c->at++ - *from);
    return true;
}

bool cursor_key(struct cursor *c, bool *first, const char **key, size_t *length)
{
    if (!one_more(c, first, '}') || !quoted(c, key, length))
        return false;
    return take(c, ':') || fail(c);
}

bool cursor_item(struct cursor *c, bool *first)
{
    return one_more(c, first, ']');
}

int64_t cursor_int(struct cursor *c, int64_t least, int64_t most)
{
    int64_t value;
    pass_blanks(c);
    if (bytes_read_int(&c->at, c->end, &value) || value < least || value > most) {
        fail(c);
        return 0;
    }
    return value;
}

int32_t cursor_int32(struct cursor *c)
{
    return (int32_t)cursor_int(c, INT32_MIN, INT32_MAX);
}

double cursor_double(struct cursor *c)
{
    char text[40];
    size_t n = 0;
    if (take_word(c, "null"))
        return (double)NAN;
    for (; c->at < c->end && n < sizeof text - 1 && strchr("+-.0123456789eE", *c->at); c->at++)
        text[n++] = *c->at;
    text[n] = '\0';
    char *end;
    double value = strtod(text, &end);
    if (n == 0 || *end || !isfinite(value))
        fail(c);
    return value;
}

bool cursor_bool(struct cursor *c)
{
    if (take_word(c, "true"))
        return true;
    if (!take_word(c, "false"))
        fail(c);
    return false;
}

static int hex_digit(char c)
{
    return c >= '0' && c <= '9'   ? c - '0'
           : c >= 'a' && c <= 'f' ? c - 'a' + 10
           : c >= 'A' && c <= 'F' ? c - 'A' + 10
                                  : -1;
}

/* The character behind "\u", which the journal writes for control bytes and what is not UTF-8. */
static size_t unescape_code(const char *digits, char out[3])
{
    unsigned code = 0;
    for (int i = 0; i < 4; i++) {
        int digit = hex_digit(digits[i]);
        if (digit < 0)
            return 0;
        code = code * 16 + (unsigned)digit;
    }
    if (code < 0x80) {
        out[0] = (char)code;
        return 1;
    }
    if (code < 0x800) {
        out[0] = (char)(0xC0 | code >> 6);
        out[1] = (char)(0x80 | (code & 0x3F));
        return 2;
    }
    out[0] = (char)(0xE0 | code >> 12);
    out[1] = (char)(0x80 | (code >> 6 & 0x3F));
    out[2] = (char)(0x80 | (code & 0x3F));
    return 3;
}

/* One character of a text, an escape undone: how many bytes it took; 0 = it is none. */
static size_t unescape(const char *from, size_t left, char out[3], size_t *wrote)
{
    static const char signs[] = "\"\\/bfnrt", means[] = "\"\\/\b\f\n\r\t";
    *wrote = 1;
    out[0] = from[0];
    if (from[0] != '\\')
        return 1;
    if (left < 2)
        return 0;
    if (from[1] == 'u') {
        *wrote = left >= 6 ? unescape_code(from + 2, out) : 0;
        return *wrote ? 6 : 0;
    }
    const char *sign = strchr(signs, from[1]);
    if (!sign || !*sign)
        return 0;
    out[0] = means[sign - signs];
    return 2;
}

void cursor_text(struct cursor *c, char *to, size_t size)
{
    const char *from;
    size_t length, n = 0;
    bool cut = false;
    if (!quoted(c, &from, &length)) {
        *to = '\0';
        return;
    }
    while (length > 0 && !c->bad) {
        char out[3];
        size_t wrote, used = unescape(from, length, out, &wrote);
        if (used == 0) {
            fail(c);
            break;
        }
        cut = cut || n + wrote >= size;
        if (!cut) {
            memcpy(to + n, out, wrote);
            n += wrote;
        }
        from += used;
        length -= used;
    }
    to[n] = '\0';
    if (cut)
        bytes_copy_text(to, n + 1, to); /* between characters */
}

/* Over a value of any kind, without calling itself: a line of brackets must not use up the stack. */
void cursor_pass(struct cursor *c)
{
    char closes[DEEPEST];
    int deep = 0;
    const char *from;
    size_t length;
    do {
        pass_blanks(c);
        if (c->bad || c->at == c->end) {
            fail(c);
            return;
        }
        char sign = *c->at;
        if (sign == '"') {
            quoted(c, &from, &length);
        } else if (sign == '{' || sign == '[') {
            if (deep == DEEPEST) {
                fail(c);
                return;
            }
            closes[deep++] = sign == '{' ? '}' : ']';
            c->at++;
        } else if (deep > 0 && sign == closes[deep - 1]) {
            deep--;
            c->at++;
        } else if (deep > 0 && (sign == ',' || sign == ':')) {
            c->at++;
        } else if (!take_word(c, "true") && !take_word(c, "false")) {
            cursor_double(c);
        }
    } while (deep > 0);
}

bool cursor_over(struct cursor *c)
{
    pass_blanks(c);
    return !c->bad && c->at == c->end;
}
