/* SPDX-License-Identifier: MIT */
#include "tinlatch/quantity.h"

#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include "tinlatch/bytes.h"
#include "tinlatch/utf8.h"

enum { SHOWN = 48 }; /* bytes of a wrong text that a message repeats */

static const double LARGEST = 1e9;

/* A spelling of a unit: base = (number - offset) * times / over. Two factors, so that 850 mA is the
 * double nearest to 0.85, which a factor of 0.001 would miss. */
struct spelling {
    enum unit unit;
    const char *text;
    double offset, times, over;
};

/* clang-format off */
static const struct spelling spellings[] = {
    {UNIT_TEMP,     "C",     0,  1,   1},
    {UNIT_TEMP,     "F",     32, 1,   1.8},
    {UNIT_DELTA,    "K",     0,  1,   1},
    {UNIT_DELTA,    "C",     0,  1,   1},
    {UNIT_RAMP,     "C/s",   0,  1,   1},
    {UNIT_RAMP,     "K/s",   0,  1,   1},
    {UNIT_RAMP,     "F/s",   0,  1,   1.8},
    {UNIT_TIME,     "ms",    0,  1,   1000},
    {UNIT_TIME,     "s",     0,  1,   1},
    {UNIT_TIME,     "min",   0,  60,  1},
    {UNIT_TIME,     "h",     0,  3600, 1},
    {UNIT_VOLTS,    "mV",    0,  1,   1000},
    {UNIT_VOLTS,    "V",     0,  1,   1},
    {UNIT_AMPS,     "mA",    0,  1,   1000},
    {UNIT_AMPS,     "A",     0,  1,   1},
    {UNIT_OHMS,     "mohm",  0,  1,   1000},
    {UNIT_OHMS,     "ohm",   0,  1,   1},
    {UNIT_OHMS,     "kohm",  0,  1e3, 1},
    {UNIT_OHMS,     "Mohm",  0,  1e6, 1},
    {UNIT_WATTS,    "W",     0,  1,   1},
    {UNIT_WATTS,    "kW",    0,  1e3, 1},
    {UNIT_LENGTH,   "um",    0,  1,   1000},
    {UNIT_LENGTH,   "mm",    0,  1,   1},
    {UNIT_LENGTH,   "cm",    0,  10,  1},
    {UNIT_MASS,     "mg",    0,  1,   1000},
    {UNIT_MASS,     "g",     0,  1,   1},
    {UNIT_MASS,     "kg",    0,  1e3, 1},
    {UNIT_CAPACITY, "J/K",   0,  1,   1},
    /* By weight. Metals: Incropera & DeWitt, table A.1, 300 K (aluminium and copper as in the simulated bench;
     * brass is its cartridge brass, steel its plain carbon steel, both from memory); glass-epoxy as in materials.h. */
    {UNIT_CAPACITY, "g aluminium",   0, 903,  1000},
    {UNIT_CAPACITY, "g copper",      0, 385,  1000},
    {UNIT_CAPACITY, "g brass",       0, 380,  1000},
    {UNIT_CAPACITY, "g steel",       0, 434,  1000},
    {UNIT_CAPACITY, "g glass-epoxy", 0, 1100, 1000},
    {UNIT_LOSS,     "mW/K",  0,  1,   1000},
    {UNIT_LOSS,     "W/K",   0,  1,   1},
    {UNIT_SHARE,    "%",     0,  1,   1},
};

/* What people write instead. Not accepted, so that files stay uniform, but answered. */
static const struct { const char *written, *meant; } habits[] = {
    {"\xC2\xB0""C", "C"}, {"degC", "C"}, {"deg C", "C"}, {"deg", "C"}, {"celsius", "C"},
    {"\xC2\xB0""F", "F"}, {"degF", "F"}, {"deg F", "F"}, {"fahrenheit", "F"},
    {"\xC2\xB0""C/s", "C/s"}, {"\xC2\xB0""F/s", "F/s"}, {"C/sec", "C/s"}, {"kelvin", "K"},
    {"sec", "s"}, {"secs", "s"}, {"second", "s"}, {"seconds", "s"},
    {"m", "min"}, {"mins", "min"}, {"minute", "min"}, {"minutes", "min"},
    {"hr", "h"}, {"hrs", "h"}, {"hour", "h"}, {"hours", "h"},
    {"volt", "V"}, {"volts", "V"}, {"amp", "A"}, {"amps", "A"}, {"ampere", "A"},
    {"\xCE\xA9", "ohm"}, {"\xE2\x84\xA6", "ohm"}, {"ohms", "ohm"}, {"R", "ohm"},
    {"watt", "W"}, {"watts", "W"}, {"percent", "%"}, {"gram", "g"}, {"grams", "g"},
    {"\xC2\xB5m", "um"}, {"\xCE\xBCm", "um"}, {"g aluminum", "g aluminium"}, {"g FR4", "g glass-epoxy"},
    {"g FR-4", "g glass-epoxy"},
};
/* clang-format on */

enum { SPELLINGS = sizeof spellings / sizeof spellings[0] };
enum { HABITS = sizeof habits / sizeof habits[0] };

const char *unit_base(enum unit unit)
{
    static const char *const bases[UNITS] = {
#define X(kind, base, name, example) [kind] = base,
        UNIT_LIST(X)
#undef X
    };
    return bases[unit];
}

const char *unit_name(enum unit unit)
{
    static const char *const names[UNITS] = {
#define X(kind, base, name, example) [kind] = name,
        UNIT_LIST(X)
#undef X
    };
    return names[unit];
}

const char *unit_example(enum unit unit)
{
    static const char *const examples[UNITS] = {
#define X(kind, base, name, example) [kind] = example,
        UNIT_LIST(X)
#undef X
    };
    return examples[unit];
}

static bool is_blank(char c)
{
    return c == ' ' || c == '\t';
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

/* A stretch of the text. */
struct part {
    const char *at;
    size_t length;
};

static bool part_is(const struct part *part, const char *text)
{
    return strlen(text) == part->length && memcmp(part->at, text, part->length) == 0;
}

static char lower(char c)
{
    return c >= 'A' && c <= 'Z' ? (char)(c - 'A' + 'a') : c;
}

static bool part_is_nearly(const struct part *part, const char *text)
{
    if (strlen(text) != part->length)
        return false;
    for (size_t i = 0; i < part->length; i++)
        if (lower(part->at[i]) != lower(text[i]))
            return false;
    return true;
}

/* Digits with at most one point, a digit on both sides of it; no exponent, whatever the locale.
 * Returns the bytes taken, 0 = not a number. Digits past the sixteenth do not count. */
static size_t read_number(const char *text, double *value)
{
    const char *p = text;
    bool negative = *p == '-';
    if (*p == '-' || *p == '+')
        p++;
    if (!is_digit(*p))
        return 0;
    double digits = 0, over = 1, times = 1;
    bool fraction = false;
    for (; is_digit(*p) || (*p == '.' && !fraction && is_digit(p[1])); p++) {
        if (*p == '.') {
            fraction = true;
            continue;
        }
        bool counts = digits < 1e15;
        if (counts)
            digits = digits * 10 + (*p - '0');
        if (counts && fraction)
            over *= 10;
        if (!counts && !fraction && times < 1e15)
            times *= 10;
    }
    /* Over 22 places the power of ten is no exact double, and the value far below any use. */
    *value = (negative ? -digits : digits) * times / over;
    return (size_t)(p - text);
}

static const struct spelling *find_spelling(const struct part *written, enum unit unit)
{
    for (int i = 0; i < SPELLINGS; i++)
        if (spellings[i].unit == unit && part_is(written, spellings[i].text))
            return &spellings[i];
    return NULL;
}

/* The kind that a unit of another kind belongs to; UNITS if none does. */
static enum unit kind_of(const struct part *written)
{
    for (int i = 0; i < SPELLINGS; i++)
        if (part_is(written, spellings[i].text))
            return spellings[i].unit;
    return UNITS;
}

/* The unit of this kind that was probably meant, or NULL. */
static const char *meant_by(const struct part *written, enum unit unit)
{
    for (int i = 0; i < HABITS; i++) {
        struct part meant = {habits[i].meant, strlen(habits[i].meant)};
        if (part_is_nearly(written, habits[i].written) && find_spelling(&meant, unit))
            return habits[i].meant;
    }
    for (int i = 0; i < SPELLINGS; i++)
        if (spellings[i].unit == unit && part_is_nearly(written, spellings[i].text))
            return spellings[i].text;
    return NULL;
}

/* What a message repeats of a text that may be of any length. */
static const char *shorten(const char *text, char out[SHOWN + 4])
{
    size_t length = strlen(text);
    size_t fit = utf8_fit(text, length, SHOWN);
    memcpy(out, text, fit);
    strcpy(out + fit, fit < length ? "..." : "");
    return out;
}

static int refuse(struct tl_error *error, enum unit unit, const char *text, const char *found)
{
    char cut[SHOWN + 4];
    tl_error_set(error, TL_UNIT, "\"%s\" %s; expected %s such as \"%s\"", shorten(text, cut), found,
                 unit_name(unit), unit_example(unit));
    tl_error_token(error, text);
    return TL_UNIT;
}

static int refuse_unit(struct tl_error *error, enum unit unit, const char *text,
                       const struct part *number, const struct part *written)
{
    char cut[SHOWN + 4], name[SHOWN + 4], found[3 * SHOWN];
    enum unit kind = kind_of(written);
    const char *meant = meant_by(written, unit);
    snprintf(name, sizeof name, "%.*s", (int)utf8_fit(written->at, written->length, SHOWN),
             written->at);
    if (kind != UNITS && !meant)
        snprintf(found, sizeof found, "is %s", unit_name(kind));
    else
        snprintf(found, sizeof found, "has a unit that is not known here, \"%s\"", name);
    if (written->at == number->at + number->length && *written->at == ',' &&
        number->length + written->length < SHOWN) {
        refuse(error, unit, text, "has a comma where the point of a number stands");
        tl_error_hint(error, "write \"%.*s.%.*s\"", (int)number->length, number->at,
                      (int)written->length - 1, written->at + 1);
        return TL_UNIT;
    }
    refuse(error, unit, text, found);
    if (unit == UNIT_CAPACITY && kind == UNIT_MASS)
        tl_error_hint(error,
                      "a mass of what: \"%.20s aluminium\", copper, brass, steel or glass-epoxy?",
                      text);
    if (meant && number->length < SHOWN) {
        snprintf(cut, sizeof cut, "%.*s", (int)number->length, number->at);
        tl_error_hint(error, "did you mean \"%s %s\"?", cut, meant);
    }
    return TL_UNIT;
}

/* The unit to propose for a bare number is the example's: what people write there most. A bare share of at most 1
 * was meant as a fraction. */
static int refuse_bare(struct tl_error *error, enum unit unit, const char *text,
                       const struct part *number, double figure)
{
    refuse(error, unit, text, "has no unit");
    if (unit == UNIT_SHARE && figure > 0 && figure <= 1) {
        tl_error_hint(error, "write \"%.4g %%\"", 100 * figure);
        return TL_UNIT;
    }
    const char *name = strchr(unit_example(unit), ' ');
    if (name && number->length < SHOWN)
        tl_error_hint(error, "write \"%.*s%s\"", (int)number->length, number->at, name);
    return TL_UNIT;
}

int quantity_parse(const char *text, enum unit unit, double *value, struct tl_error *error)
{
    struct part number = {text, 0}, written;
    while (is_blank(*number.at))
        number.at++;
    double figure = 0;
    number.length = read_number(number.at, &figure);
    if (number.length == 0)
        return refuse(error, unit, text, *number.at ? "does not begin with a number" : "is empty");

    written.at = number.at + number.length;
    while (is_blank(*written.at))
        written.at++;
    written.length = strlen(written.at);
    while (written.length > 0 && is_blank(written.at[written.length - 1]))
        written.length--;
    if (written.length == 0)
        return refuse_bare(error, unit, text, &number, figure);
    const struct spelling *spelling = find_spelling(&written, unit);
    if (!spelling)
        return refuse_unit(error, unit, text, &number, &written);

    double base = (figure - spelling->offset) * spelling->times / spelling->over;
    if (!(fabs(base) <= LARGEST)) {
        char cut[SHOWN + 4];
        tl_error_set(error, TL_RANGE, "\"%s\" is beyond 1000000000 %s; expected %s such as \"%s\"",
                     shorten(text, cut), unit_base(unit), unit_name(unit), unit_example(unit));
        tl_error_token(error, text);
        return TL_RANGE;
    }
    *value = base;
    return 0;
}

/* Half away from zero, like llround, without needing the mathematics library below everything. */
static int64_t nearest_int(double value)
{
    return (int64_t)(value < 0 ? value - 0.5 : value + 0.5);
}

/* At most four significant digits, the integer part whole, no trailing zeros, never "-0". */
static void add_rounded(struct bytes *b, double value)
{
    int places = 3;
    for (double size = 10; places > 0 && fabs(value) >= size; size *= 10)
        places--;
    double scale = 1;
    for (int i = 0; i < places; i++)
        scale *= 10;
    int64_t rounded = nearest_int(value * scale);
    for (; places > 0 && rounded % 10 == 0; places--)
        rounded /= 10;
    bytes_fixed(b, rounded, places);
}

static void add_minutes(struct bytes *b, double seconds)
{
    int64_t whole = nearest_int(fabs(seconds));
    if (seconds < 0)
        bytes_char(b, '-');
    bytes_int(b, whole / 60);
    bytes_text(b, " min");
    if (whole % 60 == 0)
        return;
    bytes_char(b, ' ');
    bytes_int(b, whole % 60);
    bytes_text(b, " s");
}

static bool prints_in_thousandths(double value, enum unit unit)
{
    bool can = unit == UNIT_VOLTS || unit == UNIT_AMPS || unit == UNIT_OHMS;
    return can && fabs(value) < 0.99995 && fabs(value) >= 0.0000005; /* else "1 V" and "0 V" */
}

const char *quantity_print(double value, enum unit unit, char *out, size_t size)
{
    if (size == 0)
        return out;
    struct bytes b;
    bytes_init(&b, out, size - 1);
    if (!(fabs(value) <= 1e15)) {
        bytes_text(&b, "unknown"); /* no number at all, or none of this world */
    } else if (unit == UNIT_TIME && fabs(value) >= 59.995) {
        add_minutes(&b, value);
    } else {
        bool thousandths = prints_in_thousandths(value, unit);
        add_rounded(&b, thousandths ? value * 1000 : value);
        bytes_text(&b, thousandths ? " m" : " ");
        bytes_text(&b, unit_base(unit));
    }
    out[b.length] = '\0';
    return out;
}
