/* SPDX-License-Identifier: MIT */
/* SCPI texts and replies. Sources: IEEE 488.2-1992 (message terminators, NRf numbers, *IDN?) and
 * SCPI-1999 (headers, SYSTem:ERRor?, the special numbers 9.9E37 and 9.91E37). */
#include "tinlatch/device.h"

#include <string.h>

#include "device_ops.h"

enum { IDENTITY_COMMAS = 3 }; /* fields of an *IDN? answer: IEEE 488.2, 10.14 */

static const char *const standard[SCPI_TEXTS] = {
    [SCPI_IDENTITY] = "*IDN?",         [SCPI_SET_VOLTS] = "VOLT %s",
    [SCPI_SET_AMPS] = "CURR %s",       [SCPI_GET_VOLTS] = "VOLT?",
    [SCPI_GET_AMPS] = "CURR?",         [SCPI_READ_VOLTS] = "MEAS:VOLT?",
    [SCPI_READ_AMPS] = "MEAS:CURR?",   [SCPI_ON] = "OUTP ON",
    [SCPI_OFF] = "OUTP OFF",           [SCPI_STATE] = "OUTP?",
    [SCPI_ERROR] = "SYST:ERR?",        [SCPI_METER_OHMS] = "MEAS:RES?",
    [SCPI_METER_DIODE] = "MEAS:DIOD?", [SCPI_METER_VOLTS] = "MEAS:VOLT:DC?",
};

const char *device_scpi_text(const struct device_config *config, enum scpi_text which)
{
    return config->scpi[which][0] ? config->scpi[which] : standard[which];
}

void scpi_command(struct bytes *out, const char *text, int32_t milli)
{
    const char *number = strstr(text, "%s");
    if (number) {
        bytes_add(out, text, (size_t)(number - text));
        bytes_fixed(out, milli, 3);
        bytes_text(out, number + 2);
    } else {
        bytes_text(out, text);
    }
    bytes_char(out, '\n');
}

/* A number as digits * 10^exponent, for as many digits as 64 bits hold. */
struct decimal {
    bool negative;
    int64_t digits;
    int32_t exponent;
};

enum { DIGITS_MAX = 17, EXPONENT_MAX = 1000 };
static const int64_t MICRO_MAX =
    1000000000000000000; /* of ohms or volts: beyond any meter's range */

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static bool take_sign(const char **at, const char *end)
{
    if (*at == end || (**at != '+' && **at != '-'))
        return false;
    return *(*at)++ == '-';
}

/* Digits past the 17th only move the exponent: a thousandth does not feel them. */
static void add_digit(struct decimal *d, char c, int *count)
{
    if (*count >= DIGITS_MAX) {
        d->exponent++;
        return;
    }
    d->digits = d->digits * 10 + (c - '0');
    if (d->digits > 0)
        (*count)++;
}

static bool take_mantissa(const char **at, const char *end, struct decimal *d)
{
    int count = 0;
    bool any = false, point = false;
    d->negative = take_sign(at, end);
    for (; *at < end; (*at)++) {
        if (**at == '.' && !point) {
            point = true;
        } else if (is_digit(**at)) {
            any = true;
            add_digit(d, **at, &count);
            d->exponent -= point;
        } else {
            break;
        }
    }
    return any;
}

static bool take_exponent(const char **at, const char *end, struct decimal *d)
{
    if (*at == end)
        return true;
    if (**at != 'E' && **at != 'e')
        return false;
    (*at)++;
    bool negative = take_sign(at, end);
    int32_t exponent = 0;
    if (*at == end)
        return false;
    for (; *at < end; (*at)++) {
        if (!is_digit(**at) || exponent > EXPONENT_MAX)
            return false;
        exponent = exponent * 10 + (**at - '0');
    }
    d->exponent += negative ? -exponent : exponent;
    return true;
}

/* To 10^-places, halves away from zero. TL_BAD beyond `most`: 9.9E37 and 9.91E37 end here. */
static int decimal_scale(const struct decimal *d, int places, int64_t most, int64_t *scaled)
{
    int64_t value = d->digits;
    int32_t exponent = d->exponent + places;
    for (; exponent > 0 && value > 0; exponent--) {
        if (value > most / 10)
            return TL_BAD;
        value *= 10;
    }
    int64_t divisor = 1;
    for (; exponent < 0 && divisor <= value * 2; exponent++)
        divisor *= 10;
    value = exponent < 0 ? 0 : (value + divisor / 2) / divisor;
    if (value > most)
        return TL_BAD;
    *scaled = d->negative ? -value : value;
    return 0;
}

/* SCPI-1999, volume 1, 7.2.1: 9.9E37 is infinity; 9.91E37 is no number, -9.9E37 the other infinity. */
static bool decimal_is_infinity(struct decimal d)
{
    for (; d.digits > 0 && d.digits % 10 == 0; d.exponent++)
        d.digits /= 10;
    return !d.negative && d.digits == 99 && d.exponent == 36;
}

/* The reply's text, from its first byte to *end; consumed bytes, TL_MORE or TL_BAD. */
static int take_reply(const void *bytes, size_t length, const char **end)
{
    size_t consumed;
    *end = line_end(bytes, length < FRAME_MAX ? length : FRAME_MAX, &consumed);
    if (!*end)
        return length < FRAME_MAX ? TL_MORE : TL_BAD;
    return *end == bytes ? TL_BAD : (int)consumed;
}

static int take_decimal(const void *bytes, size_t length, struct decimal *d)
{
    const char *end, *at = bytes;
    int consumed = take_reply(bytes, length, &end);
    if (consumed < 0)
        return consumed;
    return take_mantissa(&at, end, d) && take_exponent(&at, end, d) ? consumed : TL_BAD;
}

int scpi_decode_milli(const void *bytes, size_t length, int32_t *milli)
{
    struct decimal d = {0};
    int64_t value;
    int consumed = take_decimal(bytes, length, &d);
    if (consumed < 0)
        return consumed;
    if (decimal_scale(&d, 3, INT32_MAX, &value) < 0)
        return TL_BAD;
    *milli = (int32_t)value;
    return consumed;
}

int scpi_decode_micro(const void *bytes, size_t length, int64_t *micro, bool *open)
{
    struct decimal d = {0};
    int consumed = take_decimal(bytes, length, &d);
    if (consumed < 0)
        return consumed;
    *open = decimal_is_infinity(d);
    if (*open)
        return consumed;
    return decimal_scale(&d, 6, MICRO_MAX, micro) < 0 ? TL_BAD : consumed;
}

int scpi_decode_bool(const void *bytes, size_t length, bool *value)
{
    static const struct {
        const char *text;
        bool value;
    } words[] = {{"1", true}, {"0", false}, {"ON", true}, {"OFF", false}};
    const char *end;
    int consumed = take_reply(bytes, length, &end);
    if (consumed < 0)
        return consumed;
    size_t size = (size_t)(end - (const char *)bytes);
    for (size_t i = 0; i < sizeof words / sizeof *words; i++) {
        if (size != strlen(words[i].text) || memcmp(bytes, words[i].text, size) != 0)
            continue;
        *value = words[i].value;
        return consumed;
    }
    return TL_BAD;
}

/* "Undefined header": between quotes, a quote inside is doubled. */
static bool is_quoted(const char *at, const char *end)
{
    if (end - at < 2 || *at != '"' || end[-1] != '"')
        return false;
    for (at++, end--; at < end; at++) {
        if (*at != '"')
            continue;
        if (at + 1 == end || at[1] != '"')
            return false;
        at++;
    }
    return true;
}

int scpi_decode_error(const void *bytes, size_t length, int32_t *code)
{
    enum { CODE_DIGITS = 5 }; /* SCPI-1999: -32768 to 32767 */
    const char *end, *at = bytes;
    int32_t value = 0, digits = 0;
    int consumed = take_reply(bytes, length, &end);
    if (consumed < 0)
        return consumed;
    bool negative = take_sign(&at, end);
    for (; at < end && is_digit(*at) && digits < CODE_DIGITS; at++, digits++)
        value = value * 10 + (*at - '0');
    if (digits == 0 || at == end || *at != ',' || !is_quoted(at + 1, end))
        return TL_BAD;
    *code = negative ? -value : value;
    return consumed;
}

static int count_commas(const uint8_t *line, size_t length)
{
    int commas = 0;
    for (size_t i = 0; i < length; i++)
        commas += line[i] == ',';
    return commas;
}

bool scpi_is_identity(const uint8_t *line, size_t length, const char *wanted)
{
    int32_t number;
    if (scpi_decode_milli(line, length, &number) > 0 ||
        scpi_decode_error(line, length, &number) > 0)
        return false;
    return count_commas(line, length) >= IDENTITY_COMMAS ||
           (wanted[0] && line_contains(line, length, wanted));
}

void scpi_end_line(struct device *device)
{
    struct bytes out = frame_open(&device->outbox);
    bytes_char(&out, '\n');
    frame_close(&device->outbox, &out);
}
