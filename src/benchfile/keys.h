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
    X(BENCH_KEY_PRESENCE, "bench", "presence", "a time", SPARE, KEY_QUANTITY, UNIT_TIME, 60, 1800, "10 min", "10 min", \
      "a run ends when nobody has touched a key for that long") \
    X(BENCH_KEY_QUESTION_1, "bench", "question.1", "text", SPARE, KEY_TEXT, UNITS, 1, 127, "", "Is the extraction on?", \
      "asked before the first heat, beside what is always asked; no ends the run") \
    X(BENCH_KEY_QUESTION_2, "bench", "question.2", "text", SPARE, KEY_TEXT, UNITS, 1, 127, "", "Is the extraction on?", \
      "asked before the first heat, beside what is always asked; no ends the run") \
    X(BENCH_KEY_QUESTION_3, "bench", "question.3", "text", SPARE, KEY_TEXT, UNITS, 1, 127, "", "Is the extraction on?", \
      "asked before the first heat, beside what is always asked; no ends the run") \
    X(BENCH_KEY_QUESTION_4, "bench", "question.4", "text", SPARE, KEY_TEXT, UNITS, 1, 127, "", "Is the extraction on?", \
      "asked before the first heat, beside what is always asked; no ends the run") \
    X(BENCH_KEY_QUESTION_5, "bench", "question.5", "text", SPARE, KEY_TEXT, UNITS, 1, 127, "", "Is the extraction on?", \
      "asked before the first heat, beside what is always asked; no ends the run") \
    X(BENCH_KEY_QUESTION_6, "bench", "question.6", "text", SPARE, KEY_TEXT, UNITS, 1, 127, "", "Is the extraction on?", \
      "asked before the first heat, beside what is always asked; no ends the run") \
    X(PLATE_DRIVER,    "plate",  "driver",        "line | modbus | contactor | by-hand", NEEDED, KEY_WORD,     UNITS,         0,    0,      "",         "line", \
      "line: line-instrument.md; modbus: modbus-controller.md; contactor: a relay on a control line; by-hand: no port at all") \
    X(PLATE_PORT,      "plate",  "port",          "path",                     SPARE, KEY_PATH,     UNITS,         2,    127,    "",         "/dev/serial/by-id/usb-...", \
      "needed unless by-hand: its serial line, by a name that stays the same when cables move") \
    X(PLATE_BAUD,      "plate",  "baud",          "a whole number",           SPARE,  KEY_COUNT,    UNITS,         1200, 921600, "115200; modbus 9600",   "115200", \
      "a standard rate; always 8 data bits") \
    X(PLATE_IDENTITY,  "plate",  "identity",      "text",                     SPARE,  KEY_TEXT,     UNITS,         1,    63,     "",         "openplate 0007", \
      "driver line: must be part of its answer to who; without it any instrument of that protocol is taken, which is said at every start") \
    X(PLATE_DRIVE,     "plate",  "drive",         "duty | set-point",         SPARE, KEY_WORD,     UNITS,         0,    0,      "",         "duty", \
      "driver line, needed there: duty, this program regulates; set-point, the plate regulates itself") \
    X(PLATE_SILENCE,   "plate",  "silence",       "a time",                   SPARE,  KEY_QUANTITY, UNIT_TIME,     1.1,  10,     "2 s",      "2 s", \
      "driver line, or modbus with silence_check: its own silence timer; without a valid request for that long it switches itself off") \
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
    X(PLATE_TOLERANCE, "plate",  "tolerance",     "a share",                  SPARE,  KEY_QUANTITY, UNIT_SHARE,    0,    30,     "3 %",      "3 %", \
      "how far its heat capacity and its losses may lie off; a rehearsal draws within it") \
    X(PLATE_PARITY, "plate", "parity", "none | even | odd", SPARE, KEY_WORD, UNITS, 0, 0, "none", "even", \
      "driver modbus: of each character; always 8 data bits") \
    X(PLATE_UNIT, "plate", "unit", "a whole number", SPARE, KEY_COUNT, UNITS, 1, 247, "", "1", \
      "driver modbus, needed there: its address") \
    X(PLATE_READING, "plate", "reading", "a register", SPARE, KEY_REGISTER, UNITS, 0, 0, "", "holding 0x1000 tenths", \
      "driver modbus, needed there: the temperature it measures") \
    X(PLATE_SET_POINT, "plate", "set_point", "a register", SPARE, KEY_REGISTER, UNITS, 0, 0, "", "holding 0x1001 tenths", \
      "driver modbus, needed there: the temperature it holds") \
    X(PLATE_SET_POINT_BACK, "plate", "set_point_back", "a register", SPARE, KEY_REGISTER, UNITS, 0, 0, "set_point", "input 7 tenths", \
      "driver modbus: where the set-point is read back, when it is another register; scaled alike") \
    X(PLATE_WRITE_WITH, "plate", "write_with", "6 | 16", SPARE, KEY_WORD, UNITS, 0, 0, "6", "16", \
      "driver modbus: the function that writes; a long register is always written with 16") \
    X(PLATE_WORD_ORDER, "plate", "word_order", "high-first | low-first", SPARE, KEY_WORD, UNITS, 0, 0, "high-first", "low-first", \
      "driver modbus: which half of a long register has the lower address") \
    X(PLATE_BYTE_ORDER, "plate", "byte_order", "high-first | low-first", SPARE, KEY_WORD, UNITS, 0, 0, "high-first", "low-first", \
      "driver modbus: the bytes of each register; the standard says high-first") \
    X(PLATE_DEGREES, "plate", "degrees", "C | F", SPARE, KEY_WORD, UNITS, 0, 0, "C", "C", \
      "driver modbus: what reading and set_point count") \
    X(PLATE_OFF_AT, "plate", "off_at", "a temperature", SPARE, KEY_QUANTITY, UNIT_TEMP, -20, 40, "0 C", "0 C", \
      "driver modbus: the set-point that means off") \
    X(PLATE_WRITE_EVERY, "plate", "write_every", "a time", SPARE, KEY_QUANTITY, UNIT_TIME, 0.1, 10, "1 s", "1 s", \
      "driver modbus: a higher set-point is written no more often; a lower one at once") \
    X(PLATE_RUN, "plate", "run", "a register", SPARE, KEY_REGISTER, UNITS, 0, 0, "", "holding 5", \
      "driver modbus: switches its output on and off") \
    X(PLATE_RUN_ON, "plate", "run_on", "a whole number", SPARE, KEY_COUNT, UNITS, 0, 65535, "1", "1", \
      "driver modbus: what is written to run for on") \
    X(PLATE_RUN_OFF, "plate", "run_off", "a whole number", SPARE, KEY_COUNT, UNITS, 0, 65535, "0", "0", \
      "driver modbus: what is written to run for off") \
    X(PLATE_OUTPUT, "plate", "output", "a register", SPARE, KEY_REGISTER, UNITS, 0, 0, "", "input 3 tenths", \
      "driver modbus: how much of its power it drives with, in percent") \
    X(PLATE_READING_OPEN, "plate", "reading_open", "a whole number", SPARE, KEY_COUNT, UNITS, 0, 65535, "", "32767", \
      "driver modbus: what reading reads, unscaled, while its sensor is open") \
    X(PLATE_SILENCE_CHECK, "plate", "silence_check", "a register", SPARE, KEY_REGISTER, UNITS, 0, 0, "", "holding 30 whole", \
      "driver modbus: its own silence timer in seconds; must read more than 0 and at most silence") \
    X(PLATE_UNIT_CHECK, "plate", "unit_check", "a register and what it reads", SPARE, KEY_REGISTER, UNITS, 0, 0, "", "holding 18 is 0", \
      "driver modbus: it is driven only while this reads so: degrees C or F") \
    X(PLATE_MODE_CHECK, "plate", "mode_check", "a register and what it reads", SPARE, KEY_REGISTER, UNITS, 0, 0, "", "holding 19 is 0", \
      "driver modbus: the same for its mode: fixed set-point, no program of its own") \
    X(PLATE_MAXIMUM_CHECK, "plate", "maximum_check", "a register and what it reads", SPARE, KEY_REGISTER, UNITS, 0, 0, "", "holding 20 is 3000", \
      "driver modbus: the same for its own upper limit, unscaled") \
    X(PLATE_IDENTITY_CHECK, "plate", "identity_check", "a register and what it reads", SPARE, KEY_REGISTER, UNITS, 0, 0, "", "input 0x0F00 is 0x4B31", \
      "driver modbus: the same for a model or serial number") \
    X(PLATE_LINE, "plate", "line", "RTS | DTR", SPARE, KEY_WORD, UNITS, 0, 0, "", "RTS", \
      "driver contactor, needed there: the control line that the relay hangs on") \
    X(PLATE_CLOSED_WHEN, "plate", "closed_when", "high | low", SPARE, KEY_WORD, UNITS, 0, 0, "high", "high", \
      "driver contactor: high, the relay is closed while the line is set; low is refused") \
    X(PLATE_WINDOW, "plate", "window", "a time", SPARE, KEY_QUANTITY, UNIT_TIME, 0.2, 20, "2 s", "2 s", \
      "driver contactor: one on and one off in that time") \
    X(PLATE_MIN_ON, "plate", "min_on", "a time", SPARE, KEY_QUANTITY, UNIT_TIME, 0.02, 2, "100 ms", "100 ms", \
      "driver contactor: never closed for less, unless heat is denied") \
    X(PLATE_SEAT_PULSE, "plate", "seat_pulse", "a time", SPARE, KEY_QUANTITY, UNIT_TIME, 1, 300, "", "18 s", \
      "learned: the heat pulse of the seat test, no insert on the plate") \
    X(PLATE_SEAT_RISE, "plate", "seat_rise", "a temperature difference", SPARE, KEY_QUANTITY, UNIT_DELTA, 5, 60, "", "25 K", \
      "learned: what that pulse raises") \
    X(PLATE_LEARNED, "plate", "learned", "text", SPARE, KEY_TEXT, UNITS, 1, 31, "", "2026-11-25", \
      "when the constants were learned") \
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
      "of the insert; by weight: 50 g aluminium") \
    X(INSERT_PLATE,    "insert", "plate_contact", "a heat conductance",       NEEDED, KEY_QUANTITY, UNIT_LOSS,     0.01, 1000,   "",         "8 W/K", \
      "plate to insert") \
    X(INSERT_BOARD,    "insert", "board_contact", "a heat conductance",       NEEDED, KEY_QUANTITY, UNIT_LOSS,     0.001, 1000,  "",         "1.2 W/K", \
      "insert to the whole lower board, dry, not pressed") \
    X(INSERT_SEAT_PULSE, "insert", "seat_pulse", "a time", SPARE, KEY_QUANTITY, UNIT_TIME, 1, 300, "", "20 s", \
      "learned: the heat pulse of the seat test with this insert") \
    X(INSERT_SEAT_RISE, "insert", "seat_rise", "a temperature difference", SPARE, KEY_QUANTITY, UNIT_DELTA, 5, 60, "", "25 K", \
      "learned: what that pulse raises") \
    X(SUPPLY_DRIVER,   "supply", "driver",        "scpi-supply",              NEEDED, KEY_WORD,     UNITS,         0,    0,      "",         "scpi-supply", \
      "a bench supply that speaks SCPI") \
    X(SUPPLY_PORT,     "supply", "port",          "path",                     NEEDED, KEY_PATH,     UNITS,         2,    127,    "",         "/dev/serial/by-id/usb-...", \
      "its serial line") \
    X(SUPPLY_BAUD,     "supply", "baud",          "a whole number",           SPARE,  KEY_COUNT,    UNITS,         1200, 921600, "9600",     "9600", \
      "a standard rate; always 8 data bits") \
    X(SUPPLY_IDENTITY, "supply", "identity",      "text",                     SPARE,  KEY_TEXT,     UNITS,         1,    63,     "",         "BENCHSUPPLY,3005", \
      "must be part of its answer to *IDN?; without it any supply is taken, which is said at every start") \
    X(SUPPLY_IDENTITY_BY, "supply", "identity_by", "answer | owner", SPARE, KEY_WORD, UNITS, 0, 0, "answer", "owner", \
      "owner: it has no identity question and is taken on its owner's word, which is said at every start") \
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
      "output off; with set_volts to 0 also its last words") \
    X(SUPPLY_GET_STATE, "supply", "get_state",    "command",                  SPARE,  KEY_TEXT,     UNITS,         1,    63,     "OUTP?",    "OUTP?", \
      "is the output on: 0, 1, OFF or ON") \
    X(SUPPLY_GET_ERROR, "supply", "get_error",    "command",                  SPARE,  KEY_TEXT,     UNITS,         1,    63,     "SYST:ERR?", "SYST:ERR?", \
      "the oldest entry of its error queue") \
    X(METER_DRIVER, "meter", "driver", "scpi-meter", NEEDED, KEY_WORD, UNITS, 0, 0, "", "scpi-meter", \
      "a meter that speaks SCPI: scpi-meter.md") \
    X(METER_PORT, "meter", "port", "path", NEEDED, KEY_PATH, UNITS, 2, 127, "", "/dev/serial/by-id/usb-...", \
      "its serial line") \
    X(METER_BAUD, "meter", "baud", "a whole number", SPARE, KEY_COUNT, UNITS, 1200, 921600, "9600", "9600", \
      "a standard rate; always 8 data bits") \
    X(METER_IDENTITY, "meter", "identity", "text", SPARE, KEY_TEXT, UNITS, 1, 63, "", "BENCHMETER,60", \
      "must be part of its answer to *IDN?; without it any meter is taken, which is said at every start") \
    X(METER_IDENTITY_BY, "meter", "identity_by", "answer | owner", SPARE, KEY_WORD, UNITS, 0, 0, "answer", "owner", \
      "owner: it has no identity question and is taken on its owner's word, which is said at every start") \
    X(METER_ASK_IDENTITY, "meter", "ask_identity", "command", SPARE, KEY_TEXT, UNITS, 1, 63, "*IDN?", "*IDN?", \
      "who are you") \
    X(METER_READ_OHMS, "meter", "read_ohms", "command", SPARE, KEY_TEXT, UNITS, 1, 63, "MEAS:RES?", "MEAS:RES?", \
      "measure a resistance") \
    X(METER_READ_DIODE, "meter", "read_diode", "command", SPARE, KEY_TEXT, UNITS, 1, 63, "MEAS:DIOD?", "MEAS:DIOD?", \
      "measure a diode's forward voltage") \
    X(METER_READ_VOLTS, "meter", "read_volts", "command", SPARE, KEY_TEXT, UNITS, 1, 63, "MEAS:VOLT:DC?", "MEAS:VOLT:DC?", \
      "measure a voltage") \
    X(CUTOFF_DRIVER, "cut-off", "driver", "contactor", NEEDED, KEY_WORD, UNITS, 0, 0, "", "contactor", \
      "a contactor in the mains of the plate, on a control line") \
    X(CUTOFF_PORT, "cut-off", "port", "path", NEEDED, KEY_PATH, UNITS, 2, 127, "", "/dev/serial/by-id/usb-...", \
      "the port whose line it hangs on; may be another instrument's") \
    X(CUTOFF_LINE, "cut-off", "line", "RTS | DTR", NEEDED, KEY_WORD, UNITS, 0, 0, "", "RTS", \
      "the control line") \
    X(CUTOFF_CLOSED_WHEN, "cut-off", "closed_when", "high | low", SPARE, KEY_WORD, UNITS, 0, 0, "high", "high", \
      "high: closed while the line is set; low is refused") \
    X(INPUTS_PORT, "inputs", "port", "path", NEEDED, KEY_PATH, UNITS, 2, 127, "", "/dev/serial/by-id/usb-...", \
      "the port whose lines the contacts hang on; may be another instrument's") \
    X(INPUTS_STOP, "inputs", "stop", "CTS | DSR | DCD", SPARE, KEY_WORD, UNITS, 0, 0, "", "CTS", \
      "normally closed: an open contact, or a cut wire, stops") \
    X(INPUTS_ANSWER, "inputs", "answer", "CTS | DSR | DCD", SPARE, KEY_WORD, UNITS, 0, 0, "", "DSR", \
      "normally open: a pedal that answers yes; a question for a value takes it as the suggestion") \
    X(READER_DRIVER, "reader", "driver", "text | modbus", NEEDED, KEY_WORD, UNITS, 0, 0, "", "text", \
      "text: lines as pattern describes them; modbus: a register: sensor-reader.md") \
    X(READER_PORT, "reader", "port", "path", NEEDED, KEY_PATH, UNITS, 2, 127, "", "/dev/serial/by-id/usb-...", \
      "its serial line") \
    X(READER_BAUD, "reader", "baud", "a whole number", SPARE, KEY_COUNT, UNITS, 1200, 921600, "9600", "9600", \
      "a standard rate; always 8 data bits") \
    X(READER_PATTERN_KEY, "reader", "pattern", "a pattern", SPARE, KEY_TEXT, UNITS, 1, 127, "", "T1={1} C T2={2} C", \
      "driver text, needed there: what a line looks like") \
    X(READER_GIVES, "reader", "gives", "C | F | mV", SPARE, KEY_WORD, UNITS, 0, 0, "C", "C", \
      "driver text: what its numbers are") \
    X(READER_OPEN_KEY, "reader", "open", "text", SPARE, KEY_TEXT, UNITS, 1, 15, "", "----", \
      "driver text: what stands in place of a number when the thermocouple is open") \
    X(READER_ASK, "reader", "ask", "command", SPARE, KEY_TEXT, UNITS, 1, 63, "", "ID?", \
      "driver text: sent for each line; without it the reader streams") \
    X(READER_ASK_IDENTITY, "reader", "ask_identity", "command", SPARE, KEY_TEXT, UNITS, 1, 63, "", "ID?", \
      "driver text: who are you; its answer must have identity in it") \
    X(READER_IDENTITY, "reader", "identity", "text", SPARE, KEY_TEXT, UNITS, 1, 63, "", "BENCHTEMP", \
      "must be part of its answer to ask_identity") \
    X(READER_PARITY, "reader", "parity", "none | even | odd", SPARE, KEY_WORD, UNITS, 0, 0, "none", "even", \
      "driver modbus: of each character; always 8 data bits") \
    X(READER_UNIT, "reader", "unit", "a whole number", SPARE, KEY_COUNT, UNITS, 1, 247, "", "2", \
      "driver modbus, needed there: its address") \
    X(READER_READING, "reader", "reading", "a register", SPARE, KEY_REGISTER, UNITS, 0, 0, "", "input 0 tenths", \
      "driver modbus, needed there: the temperature it measures") \
    X(READER_READING_OPEN, "reader", "reading_open", "a whole number", SPARE, KEY_COUNT, UNITS, 0, 65535, "", "32767", \
      "driver modbus: what reading reads, unscaled, while its sensor is open") \
    X(READER_WORD_ORDER, "reader", "word_order", "high-first | low-first", SPARE, KEY_WORD, UNITS, 0, 0, "high-first", "low-first", \
      "driver modbus: which half of a long register has the lower address") \
    X(READER_BYTE_ORDER, "reader", "byte_order", "high-first | low-first", SPARE, KEY_WORD, UNITS, 0, 0, "high-first", "low-first", \
      "driver modbus: the bytes of each register; the standard says high-first") \
    X(READER_DEGREES, "reader", "degrees", "C | F", SPARE, KEY_WORD, UNITS, 0, 0, "C", "C", \
      "driver modbus: what reading counts") \
    X(READER_UNIT_CHECK, "reader", "unit_check", "a register and what it reads", SPARE, KEY_REGISTER, UNITS, 0, 0, "", "holding 18 is 0", \
      "driver modbus: it is believed only while this reads so") \
    X(READER_IDENTITY_CHECK, "reader", "identity_check", "a register and what it reads", SPARE, KEY_REGISTER, UNITS, 0, 0, "", "input 0x0F00 is 0x4B31", \
      "driver modbus: the same for a model or serial number") \
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
