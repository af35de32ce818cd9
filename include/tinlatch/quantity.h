/* SPDX-License-Identifier: MIT */
/* quantity - text with a unit <-> number. Bench files, board files and recipes all read through it.
 *
 * Ownership  nothing is kept.
 * Never      accepts a bare number, two units, NaN, infinity, hexadecimal or trailing text.
 * Fails      TL_UNIT (no unit, or one of another kind; the error names what is expected and shows
 *            an example), TL_RANGE (magnitude over 1e9 after scaling).
 * Units      the value comes back in the base unit named beside each kind. */
#ifndef TINLATCH_QUANTITY_H
#define TINLATCH_QUANTITY_H

#include <stddef.h>

#include "tinlatch/err.h"

/* clang-format off */
/* kind,             base unit, what it is called,         an example to show */
#define UNIT_LIST(X)                                                                     \
    X(UNIT_TEMP,     "C",      "a temperature",            "170 C")     /* C, F          */ \
    X(UNIT_DELTA,    "K",      "a temperature difference", "5 K")       /* K, C          */ \
    X(UNIT_RAMP,     "C/s",    "a ramp",                   "1.5 C/s")   /* C/s, K/s, F/s */ \
    X(UNIT_TIME,     "s",      "a time",                   "90 s")      /* ms, s, min, h */ \
    X(UNIT_VOLTS,    "V",      "a voltage",                "0.8 V")     /* mV, V         */ \
    X(UNIT_AMPS,     "A",      "a current",                "850 mA")    /* mA, A         */ \
    X(UNIT_OHMS,     "ohm",    "a resistance",             "0.4 ohm")   /* mohm, ohm, kohm, Mohm */ \
    X(UNIT_WATTS,    "W",      "a power",                  "600 W")     /* W, kW         */ \
    X(UNIT_LENGTH,   "mm",     "a length",                 "0.8 mm")    /* um, mm, cm    */ \
    X(UNIT_MASS,     "g",      "a mass",                   "12 g")      /* mg, g, kg     */ \
    X(UNIT_CAPACITY, "J/K",    "a heat capacity",          "600 J/K")   /* J/K           */ \
    X(UNIT_LOSS,     "W/K",    "a heat conductance",       "2.1 W/K")   /* mW/K, W/K     */ \
    X(UNIT_SHARE,    "%",      "a share",                  "60 %")      /* %             */
/* clang-format on */

enum unit {
#define X(kind, base, name, example) kind,
    UNIT_LIST(X)
#undef X
        UNITS
};

const char *unit_base(enum unit unit);    /* "C" */
const char *unit_name(enum unit unit);    /* "a temperature" */
const char *unit_example(enum unit unit); /* "170 C" */

/* Read "172 C", "172C", "338 F", "-5.5 C" ... into *value in the base unit. Blanks around the
 * number and the unit are allowed. F converts as (F - 32) / 1.8 for temperatures, / 1.8 for ramps.
 * The error's text reads `"172" has no unit; expected a temperature such as "170 C"`; its token is
 * the text itself. File and line are the caller's to add. */
int quantity_parse(const char *text, enum unit unit, double *value, struct tl_error *error);

/* Print `value` (base unit) as a person would write it: "170 C", "1.5 C/s", "2 min 30 s" for times
 * of a minute or more, "850 mA" below one volt, ampere or ohm. At most four significant digits
 * beyond the integer part's need. Returns `out`, always NUL-terminated. */
const char *quantity_print(double value, enum unit unit, char *out, size_t size);

#endif
