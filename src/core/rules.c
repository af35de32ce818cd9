/* SPDX-License-Identifier: MIT */
#include "rules.h"

/* A rule of a sensor in use fires also when it reads nothing: what cannot be trusted has no value.
 * docs/reference/interlocks.md says of each where its figures come from. */
/* clang-format off */
const struct rule rules[RULES] = {
/*                             id                    for_ms  kind        latch       */
    [CLOCK_JUMP]         = { "clock-jump",                0, RULE_TRIP,  UNTIL_CLEAR },
    [PLATE_OVER]         = { "plate-over",                0, RULE_TRIP,  UNTIL_CLEAR },
    [BOARD_OVER]         = { "board-over",                0, RULE_TRIP,  UNTIL_CLEAR },
    [RAMP_OVER]          = { "ramp-over",              1000, RULE_PAUSE, LATCH_NONE  },
    [SENSOR_OPEN]        = { "sensor-open",             300, RULE_TRIP,  UNTIL_CLEAR },
    [SENSOR_RANGE]       = { "sensor-range",            300, RULE_TRIP,  UNTIL_CLEAR },
    [SENSOR_STALE]       = { "sensor-stale",              0, RULE_TRIP,  UNTIL_CLEAR },
    [SENSOR_JUMP]        = { "sensor-jump",               0, RULE_TRIP,  UNTIL_CLEAR },
    [SENSOR_FROZEN]      = { "sensor-frozen",             0, RULE_TRIP,  UNTIL_CLEAR },
    [SENSOR_UNSEATED]    = { "sensor-unseated",        2000, RULE_TRIP,  UNTIL_CLEAR },
    [SENSORS_DISAGREE]   = { "sensors-disagree",       5000, RULE_TRIP,  UNTIL_CLEAR },
    [HEAT_TIME_OVER]     = { "heat-time-over",            0, RULE_TRIP,  UNTIL_CLEAR },
    [DEVICE_SILENT]      = { "device-silent",             0, RULE_TRIP,  UNTIL_CLEAR },
    [RECIPE_SILENT]      = { "recipe-silent",             0, RULE_TRIP,  UNTIL_CLEAR },
    [STOP_PRESSED]       = { "stop-pressed",              0, RULE_STOP,  THIS_RUN    },
    [SUPPLY_OVER_VOLTS]  = { "supply-over-volts",       100, RULE_TRIP,  UNTIL_CLEAR },
    [SUPPLY_OVER_AMPS]   = { "supply-over-amps",        100, RULE_TRIP,  UNTIL_CLEAR },
    [POWER_ON_HOT_BOARD] = { "power-on-hot-board",        0, RULE_TRIP,  UNTIL_CLEAR },
    [HEAT_WHILE_POWERED] = { "heat-while-powered",      500, RULE_TRIP,  UNTIL_CLEAR },
    [SUPPLY_DISOBEYS]    = { "supply-disobeys",        2000, RULE_TRIP,  UNTIL_CLEAR },
    [HEAT_UNCOMMANDED]   = { "heat-uncommanded",       3000, RULE_TRIP,  UNTIL_CLEAR },
    [FRONT_SILENT]       = { "front-silent",              0, RULE_PAUSE, LATCH_NONE  },
    [FRONT_GONE]         = { "front-gone",                0, RULE_STOP,  THIS_RUN    },
    [KEEPER_SILENT]      = { "keeper-silent",             0, RULE_TRIP,  UNTIL_CLEAR },
    [SCAN_LATE]          = { "scan-late",                 0, RULE_WARN,  LATCH_NONE  },
    [RECORD_LOST]        = { "record-lost",               0, RULE_TRIP,  UNTIL_CLEAR },
    [OPERATOR_AWAY]      = { "operator-away",             0, RULE_STOP,  THIS_RUN    },
};
/* clang-format on */

/* A ramp is the difference of two noisy means; this much over its limit is still noise. */
enum { RAMP_NOISE_MC_S = 200 };
/* Below this nobody needs to stand beside it; ISO 13732-1 gives 58-64 C for some seconds of contact. */
enum { HOT_MC = 60000 };
/* A reading that stands still while the plate moves by this much has no life in it: three steps of a reader
 * of whole degrees. */
enum { FROZEN_MC = 3000 };
/* Two sensors on one plate differ by their mounts and lags: a part of what they are above a cool room. */
enum { APART_MC = 15000, APART_PART = 12, APART_ABOVE_MC = 20000 };
/* A seat test begins below 60 C and raises the plate by 30 K at most: up to there it looks at each sensor, and refuses;
 * after the run a sensor may be taken out of a plate that has cooled that far. */
enum { HANDS_MC = 90000 };
/* Heat flows from the plate to the board. */
enum { LEAD_MC = 5000 };
/* Longer than any scheduler keeps two clocks apart. */
enum { CLOCK_JUMP_MS = 500 };
/* What a supply's own meter may be off: a part of the limit, and its last digits. */
enum { VOLTS_PART = 50, VOLTS_DIGITS_MV = 20, AMPS_PART = 20, AMPS_DIGITS_MA = 10 };
/* More than the zero of any bench supply's ammeter; what it says of its output is then not true. */
enum { OFF_MOST_MA = 100 };

/*@ assigns \nothing;
    ensures \result <==> !(0 <= age_ms <= stale_ms);
*/
static bool too_old(int32_t age_ms, int32_t stale_ms)
{
    return age_ms < 0 || age_ms > stale_ms; /* a value from the future is no value */
}

bool temp_is_trusted(const struct temp_reading *reading, int32_t stale_ms)
{
    return reading->quality == QUALITY_GOOD && !too_old(reading->age_ms, stale_ms);
}

/* Never read counts as stale as soon as it could have been read; so does a quality not in its list. */
/*@ requires facts_valid(f) && \valid_read(reading);
    assigns \nothing;
*/
static bool is_stale(const struct temp_reading *reading, const struct facts *f)
{
    switch (reading->quality) {
    case QUALITY_NONE:
        return f->t_ms >= f->limits->stale_ms;
    case QUALITY_GOOD:
    case QUALITY_OPEN:
    case QUALITY_RANGE:
    case QUALITY_JUMP:
        return too_old(reading->age_ms, f->limits->stale_ms);
    case QUALITY_STALE:
        break;
    }
    return true;
}

/*@ requires facts_valid(f);
    assigns \nothing;
    ensures \result <==> (f->limits->uses_plate);
*/
static bool plate_is_used(const struct facts *f)
{
    return f->limits->uses_plate;
}

/*@ requires facts_valid(f);
    assigns \nothing;
    ensures \result <==> (f->limits->uses_plate && f->limits->has_plate_2);
*/
static bool plate_2_is_used(const struct facts *f)
{
    return f->limits->uses_plate && f->limits->has_plate_2;
}

/*@ requires facts_valid(f);
    assigns \nothing;
    ensures \result <==> (f->limits->has_board);
*/
static bool board_is_used(const struct facts *f)
{
    return f->limits->has_board;
}

/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool some_sensor_is(enum quality quality, const struct facts *f)
{
    const struct readings *in = f->in;
    if (plate_is_used(f) &&
        (in->sensor[SENSOR_PLATE].quality == quality || in->plate.quality == quality))
        return true;
    if (plate_2_is_used(f) && in->sensor[SENSOR_PLATE_2].quality == quality)
        return true;
    return board_is_used(f) && in->sensor[SENSOR_BOARD].quality == quality;
}

/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool some_sensor_is_stale(const struct facts *f)
{
    const struct readings *in = f->in;
    if (plate_is_used(f) && (is_stale(&in->sensor[SENSOR_PLATE], f) || is_stale(&in->plate, f)))
        return true;
    if (plate_2_is_used(f) && is_stale(&in->sensor[SENSOR_PLATE_2], f))
        return true;
    return board_is_used(f) && is_stale(&in->sensor[SENSOR_BOARD], f);
}

/*@ requires \valid_read(reading);
    assigns \nothing;
*/
static bool reads_at_least(const struct temp_reading *reading, int32_t most_mc)
{
    return reading->quality == QUALITY_GOOD && reading->temp_mc >= most_mc;
}

/* The plate's reading that counts is the higher sensor; each is asked too, should that be wrong. */
/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool plate_reads_at_least(int32_t most_mc, const struct facts *f)
{
    const struct readings *in = f->in;
    if (plate_is_used(f) &&
        (reads_at_least(&in->plate, most_mc) || reads_at_least(&in->sensor[SENSOR_PLATE], most_mc)))
        return true;
    return plate_2_is_used(f) && reads_at_least(&in->sensor[SENSOR_PLATE_2], most_mc);
}

/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool board_reads_at_least(int32_t most_mc, const struct facts *f)
{
    return board_is_used(f) && reads_at_least(&f->in->sensor[SENSOR_BOARD], most_mc);
}

/*@ requires \valid_read(reading);
    assigns \nothing;
    ensures \result <==> cooler(reading, stale_ms, most_mc);
*/
static bool is_below(const struct temp_reading *reading, int32_t most_mc, int32_t stale_ms)
{
    return temp_is_trusted(reading, stale_ms) && reading->temp_mc < most_mc;
}

bool sensors_are_below(const struct limits *limits, const struct readings *in, int32_t most_mc,
                       int32_t board_mc)
{
    int32_t stale_ms = limits->stale_ms;
    if (limits->uses_plate && !(is_below(&in->plate, most_mc, stale_ms) &&
                                is_below(&in->sensor[SENSOR_PLATE], most_mc, stale_ms)))
        return false;
    if (limits->uses_plate && limits->has_plate_2 &&
        !is_below(&in->sensor[SENSOR_PLATE_2], most_mc, stale_ms))
        return false;
    return !limits->has_board || is_below(&in->sensor[SENSOR_BOARD], board_mc, stale_ms);
}

bool supply_reads_on(const struct limits *limits, const struct readings *in)
{
    const struct supply_reading *supply = &in->supply;

    return limits->uses_supply && supply->quality == QUALITY_GOOD &&
           (supply->on || supply->ma > OFF_MOST_MA);
}

/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool power_is_near(const struct facts *f)
{
    return f->limits->uses_supply && (f->want->supply_on || supply_reads_on(f->limits, f->in));
}

/* No reading that could be used, for as long as an instrument may take to answer. */
/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool supply_is_unread(const struct facts *f)
{
    const struct supply_reading *supply = &f->in->supply;
    switch (supply->quality) {
    case QUALITY_NONE:
        return f->t_ms >= f->limits->silent_ms;
    case QUALITY_GOOD:
        return too_old(supply->age_ms, f->limits->silent_ms);
    case QUALITY_OPEN:
    case QUALITY_RANGE:
    case QUALITY_JUMP:
        return supply->age_ms < 0 || supply->age_ms >= f->limits->silent_ms;
    case QUALITY_STALE:
        break;
    }
    return true;
}

bool rail_is_valid(const struct limits *limits, int32_t rail)
{
    return rail >= 0 && rail < limits->rail_count && rail < BENCH_RAILS;
}

/*@ assigns \nothing;
    ensures \result == (a > b ? a : b);
*/
static int32_t higher_of(int32_t a, int32_t b)
{
    return a > b ? a : b;
}

/* A supply that is just being switched off still shows what a rail, or an injection, got that is no longer
 * wanted. */
/*@ requires \valid_read(limits) && \valid_read(want);
    assigns \nothing;
    ensures \result <==> (want->supply_on && rail_in_table(limits, want->rail));
*/
static bool rail_is_wanted(const struct limits *limits, const struct wanted *want)
{
    return want->supply_on && rail_is_valid(limits, want->rail);
}

int32_t supply_limit_mv(const struct limits *limits, const struct wanted *want)
{
    if (!rail_is_wanted(limits, want))
        return higher_of(limits->supply_mv, limits->inject_mv);
    return want->inject ? limits->rail[want->rail].inject_mv : limits->rail[want->rail].mv;
}

int32_t supply_limit_ma(const struct limits *limits, const struct wanted *want)
{
    if (!rail_is_wanted(limits, want))
        return higher_of(limits->supply_ma, limits->inject_ma);
    return want->inject ? limits->rail[want->rail].inject_ma : limits->rail[want->rail].ma;
}

/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool ramp_is_over(const struct facts *f)
{
    int64_t most = f->limits->ramp_mc_s;
    return plate_is_used(f) && f->in->ramp_known && f->in->ramp_mc_s > most + RAMP_NOISE_MC_S;
}

/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool device_is_silent(const struct facts *f)
{
    const struct readings *in = f->in;
    if (plate_is_used(f) && in->plate_silent_ms >= f->limits->silent_ms)
        return true;
    if (!f->limits->uses_supply)
        return false;
    return in->supply_silent_ms >= f->limits->silent_ms || supply_is_unread(f);
}

/* Measured is measured, whatever the supply says of its output. */
/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool supply_is_read(const struct facts *f)
{
    return f->limits->uses_supply && f->in->supply.quality == QUALITY_GOOD;
}

/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool volts_are_over(const struct facts *f)
{
    int64_t most = supply_limit_mv(f->limits, f->want);
    return supply_is_read(f) && f->in->supply.mv > most + most / VOLTS_PART + VOLTS_DIGITS_MV;
}

/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool amps_are_over(const struct facts *f)
{
    int64_t most = supply_limit_ma(f->limits, f->want);
    return supply_is_read(f) && f->in->supply.ma > most + most / AMPS_PART + AMPS_DIGITS_MA;
}

/* Told to be on with so many volts and so many amps, an output gives the one or the other. */
/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool output_is_not_as_granted(const struct facts *f)
{
    const struct supply_reading *supply = &f->in->supply;
    int64_t mv = f->granted_mv, ma = f->granted_ma;

    if (!supply_is_read(f) || !f->supply_was_granted || !f->want->supply_on)
        return false;
    if (!supply->on)
        return true;
    if (supply->mv > mv + mv / VOLTS_PART + VOLTS_DIGITS_MV ||
        supply->ma > ma + ma / AMPS_PART + AMPS_DIGITS_MA)
        return true;
    return supply->mv < mv - mv / VOLTS_PART - VOLTS_DIGITS_MV &&
           supply->ma < ma - ma / AMPS_PART - AMPS_DIGITS_MA;
}

/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool power_is_on_hot_board(const struct facts *f)
{
    int32_t most_mc = f->limits->power_mc;
    return power_is_near(f) &&
           (board_reads_at_least(most_mc, f) || plate_reads_at_least(most_mc, f));
}

/* Told off, and by its own word it drives on. */
/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool plate_says_it_heats(const struct facts *f)
{
    return plate_is_used(f) && !f->heat_was_granted && f->in->duty_permille > 0;
}

/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool account_is_kept(const struct facts *f)
{
    return plate_is_used(f) && f->in->account.quality == QUALITY_GOOD;
}

/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool plate_reads_too_low(const struct facts *f)
{
    return account_is_kept(f) && f->in->plate.quality == QUALITY_GOOD &&
           f->in->plate.temp_mc < f->in->account.low_mc;
}

/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool plate_stands_still(const struct facts *f)
{
    return account_is_kept(f) && f->in->plate.quality == QUALITY_GOOD &&
           f->in->account.unmoved_mc >= FROZEN_MC;
}

/* Warmer than any heat that it was granted could have made it. */
/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool plate_reads_too_high(const struct facts *f)
{
    return account_is_kept(f) && f->in->plate.quality == QUALITY_GOOD &&
           f->in->plate.temp_mc > f->in->account.high_mc;
}

/*@ assigns \nothing;
    ensures \result >= 0;
*/
static int32_t distance(int32_t a_mc, int32_t b_mc)
{
    int64_t apart = a_mc > b_mc ? (int64_t)a_mc - b_mc : (int64_t)b_mc - a_mc;
    return apart > INT32_MAX ? INT32_MAX : (int32_t)apart;
}

int32_t sensors_most_apart(int32_t higher_mc)
{
    int32_t part = higher_mc > APART_ABOVE_MC ? (higher_mc - APART_ABOVE_MC) / APART_PART : 0;
    return part > APART_MC ? part : APART_MC;
}

/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool plate_sensors_disagree(const struct facts *f)
{
    const struct temp_reading *first = &f->in->sensor[SENSOR_PLATE];
    const struct temp_reading *second = &f->in->sensor[SENSOR_PLATE_2];

    if (!plate_2_is_used(f) || first->quality != QUALITY_GOOD || second->quality != QUALITY_GOOD)
        return false;
    int32_t higher = higher_of(first->temp_mc, second->temp_mc);
    if (!f->in->seated && higher < HANDS_MC)
        return false;
    return distance(first->temp_mc, second->temp_mc) > sensors_most_apart(higher);
}

/* Swapped at their plugs: what is said to be the board leads. */
/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool board_leads_plate(const struct facts *f)
{
    return account_is_kept(f) && board_is_used(f) && f->in->account.board_lead_mc >= LEAD_MC;
}

/* Hot, or not to be read: what cannot be trusted is taken for hot. */
/*@ requires facts_valid(f);
    assigns \nothing;
*/
static bool plate_is_hot(const struct facts *f)
{
    return plate_is_used(f) && !sensors_are_below(f->limits, f->in, HOT_MC, HOT_MC);
}

bool rule_fires(enum rule_id id, const struct facts *f)
{
    switch (id) {
    case CLOCK_JUMP:
        return f->in->clock_jump_ms >= CLOCK_JUMP_MS;
    case PLATE_OVER:
        return plate_reads_at_least(f->limits->plate_mc, f);
    case BOARD_OVER:
        return board_reads_at_least(f->limits->board_mc, f);
    case RAMP_OVER:
        return ramp_is_over(f);
    case SENSOR_OPEN:
        return some_sensor_is(QUALITY_OPEN, f);
    case SENSOR_RANGE:
        return some_sensor_is(QUALITY_RANGE, f);
    case SENSOR_STALE:
        return some_sensor_is_stale(f);
    case SENSOR_JUMP:
        return some_sensor_is(QUALITY_JUMP, f);
    case SENSOR_FROZEN:
        return plate_stands_still(f);
    case SENSOR_UNSEATED:
        return plate_reads_too_low(f);
    case SENSORS_DISAGREE:
        return plate_sensors_disagree(f) || board_leads_plate(f);
    case HEAT_TIME_OVER:
        return f->heat_ms >= f->limits->heat_time_ms;
    case DEVICE_SILENT:
        return device_is_silent(f);
    case RECIPE_SILENT:
        return f->in->recipe_silent_ms >= f->limits->recipe_silent_ms;
    case STOP_PRESSED:
        return f->in->stop_count != f->stop_seen;
    case SUPPLY_OVER_VOLTS:
        return volts_are_over(f);
    case SUPPLY_OVER_AMPS:
        return amps_are_over(f);
    case POWER_ON_HOT_BOARD:
        return power_is_on_hot_board(f);
    case HEAT_WHILE_POWERED:
        return plate_is_used(f) && f->want->heat && power_is_near(f);
    case SUPPLY_DISOBEYS:
        return (supply_reads_on(f->limits, f->in) && !f->want->supply_on) ||
               output_is_not_as_granted(f);
    case HEAT_UNCOMMANDED:
        return plate_says_it_heats(f) || plate_reads_too_high(f);
    case FRONT_SILENT:
        return f->in->front_silent_ms >= f->limits->front_pause_ms;
    case FRONT_GONE:
        return f->in->front_gone || f->in->front_silent_ms >= f->limits->front_stop_ms;
    case KEEPER_SILENT:
        return f->in->keeper_silent_ms >= f->limits->keeper_silent_ms;
    case SCAN_LATE:
        return f->in->scan_late_ms >= f->limits->scan_late_ms;
    case RECORD_LOST:
        return f->in->record_late_ms >= f->limits->record_late_ms;
    case OPERATOR_AWAY:
        return f->in->away_ms >= f->limits->presence_ms && (plate_is_hot(f) || power_is_near(f));
    case RULES:
        break;
    }
    return true; /* a rule without a question is never fine */
}
