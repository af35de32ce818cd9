/* SPDX-License-Identifier: MIT */
/* keys - the one list of what may stand in a bench file; bench_keys[] and the parser's ids both
 * come from it, so neither can forget a row. */
#ifndef TINLATCH_BENCHFILE_KEYS_H
#define TINLATCH_BENCHFILE_KEYS_H

#include "tinlatch/benchfile.h"

/* clang-format off */
#define NEEDED true
#define SPARE  false
/* id,               section,  key,             value,                     needed, form,         unit,          low,  high,   assumed,    example,    help */
#define BENCH_KEY_LIST(X)                                                                                                                             \
    X(BENCH_KEY_NAME,  "bench",  "name",          "text",                     NEEDED, KEY_TEXT,     UNITS,         1,    63,     "",         "left bench", \
      "what this bench is called in reports") \
    X(BENCH_KEY_PERIOD, "bench", "period",        "a time",                   SPARE,  KEY_QUANTITY, UNIT_TIME,     0.05, 0.5,    "100 ms",   "100 ms", \
      "one scan of the bench: every instrument is asked once") \
    X(BENCH_KEY_ROOM,  "bench",  "room",          "a temperature",            SPARE,  KEY_QUANTITY, UNIT_TEMP,     5,    45,     "22 C",     "22 C", \
      "the air around the plate") \
    X(PLATE_DRIVER,    "plate",  "driver",        "line",                     NEEDED, KEY_WORD,     UNITS,         0,    0,      "",         "line", \
      "the protocol it speaks: line-instrument.md") \
    X(PLATE_PORT,      "plate",  "port",          "path",                     NEEDED, KEY_PATH,     UNITS,         2,    127,    "",         "/dev/serial/by-id/usb-...", \
      "its serial line, by a name that stays the same when cables move") \
    X(PLATE_BAUD,      "plate",  "baud",          "a whole number",           SPARE,  KEY_COUNT,    UNITS,         1200, 921600, "115200",   "115200", \
      "a standard rate; always 8 data bits, no parity, 1 stop bit") \
    X(PLATE_IDENTITY,  "plate",  "identity",      "text",                     SPARE,  KEY_TEXT,     UNITS,         1,    63,     "",         "openplate 0007", \
      "must be part of its answer to who; without it any instrument of that protocol is taken") \
    X(PLATE_DRIVE,     "plate",  "drive",         "duty | set-point",         NEEDED, KEY_WORD,     UNITS,         0,    0,      "",         "duty", \
      "duty: this program regulates; set-point: the plate regulates itself") \
    X(PLATE_SILENCE,   "plate",  "silence",       "a time",                   SPARE,  KEY_QUANTITY, UNIT_TIME,     1.1,  10,     "2 s",      "2 s", \
      "its own silence timer: without a valid line for that long it switches itself off") \
    X(PLATE_POWER,     "plate",  "power",         "a power",                  NEEDED, KEY_QUANTITY, UNIT_WATTS,    5,    10000,  "",         "600 W", \
      "heater at full duty and nominal mains") \
    X(PLATE_CAPACITY,  "plate",  "heat_capacity", "a heat capacity",          NEEDED, KEY_QUANTITY, UNIT_CAPACITY, 5,    20000,  "",         "600 J/K", \
      "block and heater, empty; an aluminium block of 650 g has 580 J/K") \
    X(PLATE_LOSS,      "plate",  "loss",          "a heat conductance",       NEEDED, KEY_QUANTITY, UNIT_LOSS,     0.01, 100,    "",         "0.9 W/K", \
      "to the room by air and feet, without radiation and fan") \
    X(PLATE_LENGTH,    "plate",  "length",        "a length",                 NEEDED, KEY_QUANTITY, UNIT_LENGTH,   10,   1000,   "",         "120 mm", \
      "of the face that carries the board") \
    X(PLATE_WIDTH,     "plate",  "width",         "a length",                 NEEDED, KEY_QUANTITY, UNIT_LENGTH,   10,   1000,   "",         "100 mm", \
      "of the same face; length times width radiates") \
    X(PLATE_EMISSIVITY, "plate", "emissivity",    "a share",                  SPARE,  KEY_QUANTITY, UNIT_SHARE,    1,    100,    "80 %",     "80 %", \
      "of that face; anodised or blackened 80 %, bare aluminium 10 %") \
    X(PLATE_ELEMENT_LAG, "plate", "element_lag",  "a time",                   NEEDED, KEY_QUANTITY, UNIT_TIME,     0,    300,    "",         "4 s", \
      "from heater element to block") \
    X(PLATE_FAN_LOSS,  "plate",  "fan_loss",      "a heat conductance",       SPARE,  KEY_QUANTITY, UNIT_LOSS,     0.01, 500,    "",         "6 W/K", \
      "what the fan adds to the loss at full speed; needed with [fan]") \
    X(SENSOR_INSTRUMENT, "sensor", "instrument",  "section name",             NEEDED, KEY_TEXT,     UNITS,         1,    31,     "",         "plate", \
      "the section of the instrument that reads it") \
    X(SENSOR_INPUT,    "sensor", "input",         "a whole number",           NEEDED, KEY_COUNT,    UNITS,         1,    4,      "",         "1", \
      "the instrument's input it is plugged into") \
    X(SENSOR_GIVES,    "sensor", "gives",         "C | mV",                   NEEDED, KEY_WORD,     UNITS,         0,    0,      "",         "C", \
      "C: the instrument converts; mV: it gives the thermocouple's voltage and its terminals' temperature") \
    X(SENSOR_TYPE,     "sensor", "type",          "K | J | T | N | E",        SPARE,  KEY_WORD,     UNITS,         0,    0,      "",         "K", \
      "the thermocouple's type; needed with gives = mV, and only there") \
    X(SENSOR_LAG,      "sensor", "lag",           "a time",                   SPARE,  KEY_QUANTITY, UNIT_TIME,     0.05, 60,     "1.5 s",    "1.5 s", \
      "how long it takes to show 63 % of a step, seated") \
    X(INSERT_CAPACITY, "insert", "heat_capacity", "a heat capacity",          NEEDED, KEY_QUANTITY, UNIT_CAPACITY, 0.1,  5000,   "",         "45 J/K", \
      "of the insert") \
    X(INSERT_PLATE,    "insert", "plate_contact", "a heat conductance",       NEEDED, KEY_QUANTITY, UNIT_LOSS,     0.01, 1000,   "",         "8 W/K", \
      "plate to insert") \
    X(INSERT_BOARD,    "insert", "board_contact", "a heat conductance",       NEEDED, KEY_QUANTITY, UNIT_LOSS,     0.001, 1000,  "",         "1.2 W/K", \
      "insert to the whole lower board, dry, not pressed") \
    X(SUPPLY_DRIVER,   "supply", "driver",        "scpi-supply",              NEEDED, KEY_WORD,     UNITS,         0,    0,      "",         "scpi-supply", \
      "a bench supply that speaks SCPI") \
    X(SUPPLY_PORT,     "supply", "port",          "path",                     NEEDED, KEY_PATH,     UNITS,         2,    127,    "",         "/dev/serial/by-id/usb-...", \
      "its serial line") \
    X(SUPPLY_BAUD,     "supply", "baud",          "a whole number",           SPARE,  KEY_COUNT,    UNITS,         1200, 921600, "9600",     "9600", \
      "a standard rate; always 8 data bits, no parity, 1 stop bit") \
    X(SUPPLY_IDENTITY, "supply", "identity",      "text",                     SPARE,  KEY_TEXT,     UNITS,         1,    63,     "",         "BENCHSUPPLY,3005", \
      "must be part of its answer to *IDN?; without it any supply is taken") \
    X(SUPPLY_ASK_IDENTITY, "supply", "ask_identity", "command",               SPARE,  KEY_TEXT,     UNITS,         1,    63,     "*IDN?",    "*IDN?", \
      "who are you") \
    X(SUPPLY_SET_VOLTS, "supply", "set_volts",    "command with %s",          SPARE,  KEY_TEXT,     UNITS,         1,    63,     "VOLT %s",  "VOLT %s", \
      "set the voltage; %s stands for volts") \
    X(SUPPLY_SET_AMPS, "supply", "set_amps",      "command with %s",          SPARE,  KEY_TEXT,     UNITS,         1,    63,     "CURR %s",  "CURR %s", \
      "set the current limit; %s stands for amperes") \
    X(SUPPLY_GET_VOLTS, "supply", "get_volts",    "command",                  SPARE,  KEY_TEXT,     UNITS,         1,    63,     "VOLT?",    "VOLT?", \
      "read the set voltage back") \
    X(SUPPLY_GET_AMPS, "supply", "get_amps",      "command",                  SPARE,  KEY_TEXT,     UNITS,         1,    63,     "CURR?",    "CURR?", \
      "read the set current back") \
    X(SUPPLY_READ_VOLTS, "supply", "read_volts",  "command",                  SPARE,  KEY_TEXT,     UNITS,         1,    63,     "MEAS:VOLT?", "MEAS:VOLT?", \
      "measure at the output") \
    X(SUPPLY_READ_AMPS, "supply", "read_amps",    "command",                  SPARE,  KEY_TEXT,     UNITS,         1,    63,     "MEAS:CURR?", "MEAS:CURR?", \
      "measure at the output") \
    X(SUPPLY_SWITCH_ON, "supply", "switch_on",    "command",                  SPARE,  KEY_TEXT,     UNITS,         1,    63,     "OUTP ON",  "OUTP ON", \
      "output on") \
    X(SUPPLY_SWITCH_OFF, "supply", "switch_off",  "command",                  SPARE,  KEY_TEXT,     UNITS,         1,    63,     "OUTP OFF", "OUTP OFF", \
      "output off; also its last words when a run ends badly") \
    X(SUPPLY_GET_STATE, "supply", "get_state",    "command",                  SPARE,  KEY_TEXT,     UNITS,         1,    63,     "OUTP?",    "OUTP?", \
      "is the output on: 0, 1, OFF or ON") \
    X(SUPPLY_GET_ERROR, "supply", "get_error",    "command",                  SPARE,  KEY_TEXT,     UNITS,         1,    63,     "SYST:ERR?", "SYST:ERR?", \
      "the oldest entry of its error queue") \
    X(FAN_INSTRUMENT,  "fan",    "instrument",    "section name",             NEEDED, KEY_TEXT,     UNITS,         1,    31,     "",         "plate", \
      "the section of the instrument that drives it")
/* clang-format on */

/* The limits follow, one key each, in the order of LIMIT_LIST. */
enum key_id {
#define X(id, section, key, value, needed, form, unit, low, high, assumed, example, help) id,
    BENCH_KEY_LIST(X)
#undef X
        KEYS_BEFORE_LIMITS,
    KEYS = KEYS_BEFORE_LIMITS + LIMITS
};

#endif
