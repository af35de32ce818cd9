/* SPDX-License-Identifier: MIT */
#include <stdio.h>
#include <string.h>

#include "rules.h"
#include "tinlatch/bytes.h"

/* What was done about it, and what to look at before the next run. One byte less than the words, which end with a NUL. */
struct advice {
    char act[BENCH_TEXT - 1], inspect[BENCH_TEXT - 1];
};

#define OFF "heat and supply are off and stay off; the run is over"
#define PLUG                                                                                       \
    "heat and supply were told off and are not granted again; the run is over. "                   \
    "If the plate does not fall, pull its mains plug"
#define LEADS OFF ". Take the supply's leads off the board before anything else"

static const struct advice advices[RULES] = {
    [PLATE_OVER] = {PLUG, "look whether the thermocouple sits as it should, whether the plate "
                          "obeys when told off, and whether the ceiling leaves room for overshoot "
                          "above the recipe's hottest step"},
    [BOARD_OVER] = {PLUG,
                    "look at the board for scorch before going on; look whether its sensor "
                    "touches the board and nothing hotter, and whether hot air was aimed at it"},
    [RAMP_OVER] = {"heat is off until the plate rises slower than its limit; the recipe goes on",
                   "if it happens again, look whether the insert and the board lie flat on the "
                   "plate and whether the thermocouple sits as it should"},
    [SENSOR_OPEN] = {OFF, "look at the thermocouple's plug, wires and tip; move them by hand while "
                          "watching the reading"},
    [SENSOR_RANGE] = {OFF,
                      "look at the thermocouple's plug and polarity, and whether the reader is "
                      "set to the type and unit that the bench file states"},
    [SENSOR_STALE] = {OFF, "look at the reader's cable and power; ask it for a reading with the "
                           "bench check"},
    [SENSOR_JUMP] =
        {OFF, "look at the sensor's plug and wires: a contact that comes and goes, or a tip that "
              "touches something live"},
    [SENSOR_FROZEN] =
        {OFF,
         "ask the reader for a reading with the bench check; take its power away and give it back"},
    [SENSOR_UNSEATED] =
        {PLUG,
         "look whether the plate's sensor touches the plate as it should: a plate that is hotter "
         "than it reads burns the board. If it sits well, look at the mains, the heater and the "
         "insert, and learn the plate anew"},
    [SENSORS_DISAGREE] =
        {PLUG, "look which sensor does not touch what it should, whether two are swapped at their "
               "plugs, and whether each reader is set to its sensor's type"},
    [HEAT_TIME_OVER] = {OFF, "look which step took longer than planned: a plate that hardly warms, "
                             "a board that lies badly, a prompt that waited; raise heat_time only "
                             "if the recipe truly needs it"},
    [DEVICE_SILENT] =
        {"everything was told to switch off, but that may not have arrived: look at "
         "the plate and pull its mains plug if it still heats; a supply in use is to be "
         "switched off by hand",
         "look at the instrument's cable, its power and its port; let the bench check "
         "prove it before the next run"},
    [RECIPE_SILENT] = {OFF, "look at the recipe for a loop that never waits; if there is none, the "
                            "computer was too busy to run it"},
    [STOP_PRESSED] = {"heat and supply are off; the run is over",
                      "nothing, if the stop was meant; else look what lies on the key"},
    [SUPPLY_OVER_VOLTS] = {LEADS, "measure the supply's output with a meter; look whether its "
                                  "sense leads are on and whether someone turned its knobs"},
    [SUPPLY_OVER_AMPS] = {LEADS, "look whether the supply's own current limit was set and works: "
                                 "it protects the board, this rule only ends the run"},
    [POWER_ON_HOT_BOARD] = {OFF,
                            "let the board cool before it is powered; in the recipe put a cool "
                            "step before the supply"},
    [HEAT_WHILE_POWERED] = {OFF, "switch the supply off and wait until it reads off before the "
                                 "recipe asks for heat; take the leads off the board"},
    [SUPPLY_DISOBEYS] =
        {"the supply was told to switch off and still reads on: switch it off by hand, or take "
         "its leads off the board",
         "look whether somebody switched it on at its front, and whether it obeys its port"},
    [HEAT_UNCOMMANDED] = {"the plate was told off and does not obey: pull its mains plug now",
                          "look at the plate's instrument and its relay before the plug goes in "
                          "again; only a cut-off in its mains switches such a plate off"},
    [FRONT_SILENT] = {"heat is off until the screen's program answers again; the recipe goes on",
                      "look whether the computer is busy or its terminal hangs"},
    [FRONT_GONE] = {"heat and supply are off; the run is over",
                    "the terminal or its program went away: nobody could have stopped the run"},
    [KEEPER_SILENT] = {OFF, "the second watcher died or was stopped: nothing would have switched "
                            "the bench off if the guard had died too"},
    [SCAN_LATE] = {"nothing was switched: the guard goes on",
                   "if it happens often, close what keeps the computer busy, or "
                   "let the guard have real-time priority"},
    [CLOCK_JUMP] = {OFF, "the computer slept, or something set its clocks: switch off its sleep "
                         "while the bench is in use"},
    [RECORD_LOST] = {OFF, "look at the disk: full, slow or gone; without a record no run goes on"},
    [OPERATOR_AWAY] = {"heat and supply are off; the run is over",
                       "somebody has to stay with a hot plate or a fed board: touch any key when "
                       "asked"},
};

/* A printed quantity, short enough to be passed by value. */
struct figure {
    char text[40];
};

static struct figure print(double value, enum unit unit)
{
    struct figure figure;
    quantity_print(value, unit, figure.text, sizeof figure.text);
    return figure;
}

static struct figure temp(int32_t temp_mc)
{
    return print(temp_mc / 1000.0, UNIT_TEMP);
}

static struct figure span(int64_t for_ms)
{
    return print((double)for_ms / 1000.0, UNIT_TIME);
}

static struct figure volts(int32_t mv)
{
    return print(mv / 1000.0, UNIT_VOLTS);
}

static struct figure amps(int32_t ma)
{
    return print(ma / 1000.0, UNIT_AMPS);
}

static bool is_used(const struct limits *limits, enum sensor_id id)
{
    const bool used[SENSORS] = {
        [SENSOR_PLATE] = limits->uses_plate,
        [SENSOR_PLATE_2] = limits->uses_plate && limits->has_plate_2,
        [SENSOR_BOARD] = limits->has_board,
    };
    return used[id];
}

/* The sensor that a rule means: the first in use with that quality, else the first that is unread. */
static enum sensor_id find_sensor(const struct limits *limits, const struct readings *in,
                                  enum quality quality)
{
    for (enum sensor_id id = 0; id < SENSORS; id++)
        if (is_used(limits, id) && in->sensor[id].quality == quality)
            return id;
    for (enum sensor_id id = 0; id < SENSORS; id++)
        if (is_used(limits, id) && !temp_is_trusted(&in->sensor[id], limits->stale_ms))
            return id;
    return SENSOR_PLATE;
}

/* The hotter of the plate's readings: the one that passed a limit. */
static int32_t plate_mc(const struct limits *limits, const struct readings *in)
{
    int32_t hottest = in->plate.temp_mc;
    for (enum sensor_id id = SENSOR_PLATE; id <= SENSOR_PLATE_2; id++)
        if (is_used(limits, id) && in->sensor[id].quality == QUALITY_GOOD &&
            in->sensor[id].temp_mc > hottest)
            hottest = in->sensor[id].temp_mc;
    return hottest;
}

static void say_sensor(const char *what, enum sensor_id id, const struct readings *in, char *out)
{
    const struct temp_reading *reading = &in->sensor[id];
    snprintf(out, BENCH_TEXT, "the %s sensor %s; its last good reading, %s ago, was %s",
             sensor_name(id), what, span(reading->age_ms).text, temp(reading->temp_mc).text);
}

static void say_stale(const struct limits *limits, const struct readings *in, char *out)
{
    enum sensor_id id = find_sensor(limits, in, QUALITY_STALE);
    if (in->sensor[id].quality == QUALITY_NONE)
        snprintf(out, BENCH_TEXT, "the %s sensor has not been read at all; allowed is %s",
                 sensor_name(id), span(limits->stale_ms).text);
    else
        snprintf(out, BENCH_TEXT, "the %s sensor has given nothing new for %s; allowed is %s",
                 sensor_name(id), span(in->sensor[id].age_ms).text, span(limits->stale_ms).text);
}

static void say_silent(const struct limits *limits, const struct readings *in, char *out)
{
    bool plate = limits->uses_plate && in->plate_silent_ms >= limits->silent_ms;
    int32_t silent_ms = plate ? in->plate_silent_ms : in->supply_silent_ms;
    if (silent_ms == INT32_MAX) {
        snprintf(out, BENCH_TEXT, "the %s is gone: its line was cut, or it was reset",
                 plate ? "plate's instrument" : "supply");
        return;
    }
    if (!plate && silent_ms < limits->silent_ms)
        silent_ms = in->supply.age_ms; /* it answers, but gives no reading */
    snprintf(out, BENCH_TEXT, "the %s has not answered for %s; allowed is %s",
             plate ? "plate's instrument" : "supply", span(silent_ms).text,
             span(limits->silent_ms).text);
}

/* "on the battery rail", "into the battery rail", or nothing when no rail was chosen. */
static void print_rail(const struct limits *limits, const struct wanted *want, char *out,
                       size_t size)
{
    out[0] = '\0';
    if (want->supply_on && rail_is_valid(limits, want->rail))
        snprintf(out, size, " %s \"%.*s\"", want->inject ? "while injecting into" : "on",
                 BENCH_NAME, limits->rail[want->rail].name);
}

/* What the energy account cannot explain. */
static void say_unseated(const char *how, int32_t bound_mc, const struct readings *in, char *out)
{
    snprintf(out, BENCH_TEXT,
             "the plate read %s; with the heat that went into it it cannot be %s %s",
             temp(in->plate.temp_mc).text, how, temp(bound_mc).text);
}

static void say_disagree(const struct limits *limits, const struct readings *in, char *out)
{
    int32_t first_mc = in->sensor[SENSOR_PLATE].temp_mc;
    int32_t second_mc = in->sensor[SENSOR_PLATE_2].temp_mc;
    int32_t higher_mc = first_mc > second_mc ? first_mc : second_mc;
    int64_t apart_mc = 2 * (int64_t)higher_mc - first_mc - second_mc;

    if (!limits->has_plate_2 || apart_mc <= sensors_most_apart(higher_mc))
        snprintf(out, BENCH_TEXT,
                 "the board's reading rose further than the plate's that heats it, by %s",
                 print(in->account.board_lead_mc / 1000.0, UNIT_DELTA).text);
    else
        snprintf(out, BENCH_TEXT, "the two plate sensors read %s and %s", temp(first_mc).text,
                 temp(second_mc).text);
}

static void say_disobeys(const struct readings *in, const struct wanted *want, char *out)
{
    if (!want->supply_on)
        snprintf(out, BENCH_TEXT, "the supply gives %s at %s though it is told to be off",
                 amps(in->supply.ma).text, volts(in->supply.mv).text);
    else if (!in->supply.on)
        snprintf(out, BENCH_TEXT, "the supply is off though it is told to be on");
    else
        snprintf(out, BENCH_TEXT, "the supply gives %s at %s; it is told %s and at most %s",
                 amps(in->supply.ma).text, volts(in->supply.mv).text, volts(want->mv).text,
                 amps(want->ma).text);
}

static void say_uncommanded(const struct readings *in, char *out)
{
    if (in->duty_permille > 0)
        snprintf(out, BENCH_TEXT,
                 "the plate's instrument says that it drives its heater at %d %% though it is told "
                 "to be off",
                 (int)((in->duty_permille + 9) / 10));
    else
        say_unseated("above", in->account.high_mc, in, out);
}

static void say_supply(const char *gave, const char *most, const struct limits *limits,
                       const struct wanted *want, char *out)
{
    char rail[2 * BENCH_NAME];
    print_rail(limits, want, rail, sizeof rail);
    snprintf(out, BENCH_TEXT, "the supply gave %s%s; its limit is %s", gave, rail, most);
}

static void say_hot(const struct limits *limits, const struct readings *in,
                    const struct wanted *want, char *out)
{
    const struct temp_reading *board = &in->sensor[SENSOR_BOARD];
    bool by_board =
        limits->has_board && board->quality == QUALITY_GOOD && board->temp_mc >= limits->power_mc;
    snprintf(out, BENCH_TEXT, "the supply was %s while the %s read %s; power is allowed below %s",
             want->supply_on ? "asked for" : "on", by_board ? "board" : "plate",
             temp(by_board ? board->temp_mc : plate_mc(limits, in)).text,
             temp(limits->power_mc).text);
}

static void say_what(enum rule_id id, const struct limits *limits, const struct readings *in,
                     const struct wanted *want, int64_t heat_ms, char *out)
{
    switch (id) {
    case PLATE_OVER:
        snprintf(out, BENCH_TEXT, "the plate read %s; its limit is %s",
                 temp(plate_mc(limits, in)).text, temp(limits->plate_mc).text);
        return;
    case BOARD_OVER:
        snprintf(out, BENCH_TEXT, "the board read %s; its limit is %s",
                 temp(in->sensor[SENSOR_BOARD].temp_mc).text, temp(limits->board_mc).text);
        return;
    case RAMP_OVER:
        snprintf(out, BENCH_TEXT, "the plate rose by %s; its limit is %s",
                 print(in->ramp_mc_s / 1000.0, UNIT_RAMP).text,
                 print(limits->ramp_mc_s / 1000.0, UNIT_RAMP).text);
        return;
    case SENSOR_OPEN:
        say_sensor("is open: broken or unplugged", find_sensor(limits, in, QUALITY_OPEN), in, out);
        return;
    case SENSOR_RANGE:
        say_sensor("gave a value that no bench can have", find_sensor(limits, in, QUALITY_RANGE),
                   in, out);
        return;
    case SENSOR_STALE:
        say_stale(limits, in, out);
        return;
    case SENSOR_JUMP:
        say_sensor("stepped as no bench can", find_sensor(limits, in, QUALITY_JUMP), in, out);
        return;
    case SENSOR_FROZEN:
        snprintf(
            out, BENCH_TEXT, "the plate sensor stays at %s while the plate must have moved by %s",
            temp(in->plate.temp_mc).text, print(in->account.unmoved_mc / 1000.0, UNIT_DELTA).text);
        return;
    case SENSOR_UNSEATED:
        say_unseated("below", in->account.low_mc, in, out);
        return;
    case SENSORS_DISAGREE:
        say_disagree(limits, in, out);
        return;
    case HEAT_TIME_OVER:
        snprintf(out, BENCH_TEXT, "heat has been on for %s; its limit is %s", span(heat_ms).text,
                 span(limits->heat_time_ms).text);
        return;
    case DEVICE_SILENT:
        say_silent(limits, in, out);
        return;
    case RECIPE_SILENT:
        snprintf(out, BENCH_TEXT, "the recipe has asked for nothing for %s; allowed is %s",
                 span(in->recipe_silent_ms).text, span(limits->recipe_silent_ms).text);
        return;
    case STOP_PRESSED:
        snprintf(out, BENCH_TEXT, "stop was pressed");
        return;
    case SUPPLY_DISOBEYS:
        say_disobeys(in, want, out);
        return;
    case HEAT_UNCOMMANDED:
        say_uncommanded(in, out);
        return;
    case FRONT_SILENT:
        snprintf(out, BENCH_TEXT, "the screen's program has said nothing for %s; allowed is %s",
                 span(in->front_silent_ms).text, span(limits->front_pause_ms).text);
        return;
    case FRONT_GONE:
        snprintf(out, BENCH_TEXT, "the screen's program or its terminal is gone");
        return;
    case KEEPER_SILENT:
        if (in->keeper_silent_ms == INT32_MAX)
            snprintf(out, BENCH_TEXT, "the keeper is gone");
        else
            snprintf(out, BENCH_TEXT, "the keeper has given no sign of life for %s; allowed is %s",
                     span(in->keeper_silent_ms).text, span(limits->keeper_silent_ms).text);
        return;
    case SCAN_LATE:
        snprintf(out, BENCH_TEXT, "a scan came %s late", span(in->scan_late_ms).text);
        return;
    case CLOCK_JUMP:
        snprintf(out, BENCH_TEXT, "the computer's clocks moved apart by %s: it slept",
                 span(in->clock_jump_ms).text);
        return;
    case RECORD_LOST:
        if (in->record_late_ms == INT32_MAX)
            snprintf(out, BENCH_TEXT, "the record can no longer be written");
        else
            snprintf(out, BENCH_TEXT, "the record is %s behind on disk; allowed is %s",
                     span(in->record_late_ms).text, span(limits->record_late_ms).text);
        return;
    case OPERATOR_AWAY:
        snprintf(out, BENCH_TEXT,
                 "nobody has touched a key for %s while the bench was hot or fed; allowed is %s",
                 span(in->away_ms).text, span(limits->presence_ms).text);
        return;
    case SUPPLY_OVER_VOLTS:
        say_supply(volts(in->supply.mv).text, volts(supply_limit_mv(limits, want)).text, limits,
                   want, out);
        return;
    case SUPPLY_OVER_AMPS:
        say_supply(amps(in->supply.ma).text, amps(supply_limit_ma(limits, want)).text, limits, want,
                   out);
        return;
    case POWER_ON_HOT_BOARD:
        say_hot(limits, in, want, out);
        return;
    case HEAT_WHILE_POWERED:
        snprintf(out, BENCH_TEXT, "heat was asked for while the supply was %s at %s",
                 want->supply_on ? "asked for" : "on",
                 volts(want->supply_on ? want->mv : in->supply.mv).text);
        return;
    case RULES:
        break;
    }
    out[0] = '\0';
}

void interlock_explain(enum rule_id id, const struct limits *limits, const struct readings *in,
                       const struct wanted *want, int64_t heat_ms, struct rule_words *words)
{
    *words = (struct rule_words){0};
    char what[BENCH_TEXT];
    say_what(id, limits, in, want, heat_ms, what);
    if (!what[0])
        return;
    struct bytes b;
    bytes_init(&b, words->what, sizeof words->what - 1); /* the rest of the array is NULs already */
    bytes_text(&b, what);
    bytes_text(&b, " (");
    bytes_text(&b, rules[id].id);
    bytes_char(&b, ')');
    memcpy(words->act, advices[id].act, sizeof advices[id].act);
    memcpy(words->inspect, advices[id].inspect, sizeof advices[id].inspect);
}
