/* SPDX-License-Identifier: MIT */
#include "keys.h"

/* What a limit's row says, beside what LIMIT_LIST already has. Lows: a limit that no bench could
 * keep (below a warm room) or that could not be set on an instrument. */
/* clang-format off */
#define WORD_UNIT_TEMP  "a temperature"
#define WORD_UNIT_RAMP  "a ramp"
#define WORD_UNIT_TIME  "a time"
#define WORD_UNIT_VOLTS "a voltage"
#define WORD_UNIT_AMPS  "a current"
#define LOW_UNIT_TEMP   40
#define LOW_UNIT_RAMP   0.05
#define LOW_UNIT_TIME   10
#define LOW_UNIT_VOLTS  0.01
#define LOW_UNIT_AMPS   0.001

#define EXAMPLE_plate_mc     "250 C"
#define EXAMPLE_board_mc     "220 C"
#define EXAMPLE_ramp_mc_s    "2.5 C/s"
#define EXAMPLE_heat_time_ms "30 min"
#define EXAMPLE_supply_mv    "12 V"
#define EXAMPLE_supply_ma    "3 A"
#define EXAMPLE_inject_mv    "1.2 V"
#define EXAMPLE_inject_ma    "2 A"
#define EXAMPLE_power_mc     "50 C"

#define HELP_plate_mc     "the hottest that a plate sensor may read"
#define HELP_board_mc     "the hottest that the board sensor may read"
#define HELP_ramp_mc_s    "the steepest climb of the plate"
#define HELP_heat_time_ms "all heating of one run together"
#define HELP_supply_mv    "volts at the supply's output"
#define HELP_supply_ma    "amperes at the supply's output"
#define HELP_inject_mv    "volts while injecting into a short"
#define HELP_inject_ma    "amperes while injecting into a short"
#define HELP_power_mc     "no supply while plate or board is hotter"

const struct bench_key bench_keys[] = {
#define X(id, section, key, value, needed, form, unit, low, high, assumed, example, help) \
    [id] = {section, key, value, help, needed, form, unit, low, high, assumed, example},
    BENCH_KEY_LIST(X)
#undef X
#define X(field, key, unit, scale, ceiling)                                               \
    [KEYS_BEFORE_LIMITS + LIMIT_##field] = {                                              \
        "limits", key, WORD_##unit, HELP_##field, false, KEY_QUANTITY, unit, LOW_##unit,  \
        (ceiling) / (double)(scale), "this build's ceiling", EXAMPLE_##field},
    LIMIT_LIST(X)
#undef X
};
/* clang-format on */

const int bench_key_count = KEYS;
