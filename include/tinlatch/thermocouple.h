/* SPDX-License-Identifier: MIT */
/* thermocouple - millivolts <-> temperature, types K J T N E, cold junction in the voltage domain.
 *
 * Source     NIST ITS-90 Thermocouple Database (SRD 60), which reproduces Monograph 175; the same
 *            functions stand in IEC 60584-1.
 * Ownership  nothing is kept.
 * Never      adds a cold-junction temperature in degrees.
 * Fails      outside a type's range every function returns TL_RANGE and leaves *out alone.
 * Units      temp_c degrees Celsius (t90), mv millivolts; ranges in the table thermocouple_range_c. */
#ifndef TINLATCH_THERMOCOUPLE_H
#define TINLATCH_THERMOCOUPLE_H

#include "tinlatch/err.h"

enum thermocouple { TYPE_K, TYPE_J, TYPE_T, TYPE_N, TYPE_E, THERMOCOUPLES };

const char *thermocouple_name(enum thermocouple type); /* "K" */
enum thermocouple thermocouple_find(const char *name);  /* THERMOCOUPLES if unknown */
void thermocouple_range_c(enum thermocouple type, double *low_c, double *high_c);

/* E(t) with the reference junction at 0 C, over the type's whole range. */
int thermocouple_mv(enum thermocouple type, double temp_c, double *mv);

/* The exact inverse of thermocouple_mv from -200 C up: inverse polynomial, then Newton to 1e-9 C.
 * Below that (type J: below -210 C) no inverse polynomial is published: TL_RANGE. */
int thermocouple_temp_c(enum thermocouple type, double mv, double *temp_c);

/* What the hot junction is at, given the measured voltage and the terminals' temperature:
 * t(E_measured + E(cold_c)). cold_c must be within 0 .. 60 C (a bench), else TL_RANGE. */
int thermocouple_measured_c(enum thermocouple type, double mv, double cold_c, double *temp_c);

#endif
