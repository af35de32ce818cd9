/* SPDX-License-Identifier: MIT */
#include "check.h"

#include <stdlib.h>

#include "tinlatch/benchfile.h"

/* The smallest bench that is whole; tests put their line in place of one of these. */
static const char small[] = "[bench]\n"                          /* 1 */
                            "name = left bench\n"                /* 2 */
                            "[plate]\n"                          /* 3 */
                            "driver = line\n"                    /* 4 */
                            "port = /dev/serial/by-id/usb-one\n" /* 5 */
                            "drive = duty\n"                     /* 6 */
                            "power = 600 W\n"                    /* 7 */
                            "heat_capacity = 600 J/K\n"          /* 8 */
                            "loss = 0.9 W/K\n"                   /* 9 */
                            "length = 120 mm\n"                  /* 10 */
                            "width = 100 mm\n"                   /* 11 */
                            "element_lag = 4 s\n"                /* 12 */
                            "[sensor plate]\n"                   /* 13 */
                            "instrument = plate\n"               /* 14 */
                            "input = 1\n"                        /* 15 */
                            "gives = C\n";                       /* 16 */

static struct benchfile bench;
static struct tl_error error;

static int parse(const char *text, size_t length)
{
    memset(&error, 0, sizeof error);
    return benchfile_parse("bench.ini", text, length, &bench, &error);
}

/* `small` with `instead` (lines with their ends) in place of line `line`, 0 = added at the end. */
static int parse_with(int line, const char *instead)
{
    char text[4096] = "";
    int number = 1;
    for (const char *at = small; *at; number++) {
        size_t length = strcspn(at, "\n") + 1;
        if (number == line)
            strcat(text, instead);
        else
            strncat(text, at, length);
        at += length;
    }
    if (line == 0)
        strcat(text, instead);
    return parse(text, strlen(text));
}

/* The bench with `instead` is refused with that code, at that line, with `part` in the text. */
#define refused(line, instead, wanted, at, part)                                                   \
    check_refused(line, instead, wanted, at, part, __LINE__)
static void check_refused(int line, const char *instead, int wanted, int at, const char *part,
                          int here)
{
    int code = parse_with(line, instead);
    if (code != wanted || error.line != at || !strstr(error.text, part)) {
        print_error("code %d at line %d: %s\n", code, error.line, error.text);
        _fail(__FILE__, here);
    }
    assert_int_equal(error.code, wanted);
    assert_string_equal(error.file, "bench.ini");
    assert_int_equal(bench.device_count, 0);
}

static char *read_whole(const char *path, size_t *length)
{
    FILE *file = fopen(path, "rb");
    assert_non_null(file);
    char *text = malloc(1 << 17);
    *length = fread(text, 1, (1 << 17) - 1, file);
    text[*length] = '\0';
    fclose(file);
    return text;
}

static int parse_file(const char *path)
{
    size_t length;
    char *text = read_whole(path, &length);
    int code = parse(text, length);
    free(text);
    if (code)
        print_error("%s:%d: %s\n", path, error.line, error.text);
    return code;
}

static void test_the_smallest_bench_gets_the_assumed_values(void **state)
{
    (void)state;
    assert_int_equal(parse(small, strlen(small)), 0);

    assert_string_equal(bench.name, "left bench");
    assert_int_equal(bench.period_ms, 100);
    assert_near(bench.room_c, 22, 1e-9);
    assert_int_equal(bench.device_count, 1);
    assert_int_equal(bench.plate_device, 0);
    assert_int_equal(bench.supply_device, -1);
    assert_int_equal(bench.device[0].kind, DEVICE_LINE);
    assert_string_equal(bench.device[0].name, "plate");
    assert_int_equal(bench.device[0].silence_ms, 2000);
    assert_false(bench.device[0].regulates);
    assert_string_equal(bench.port[0].path, "/dev/serial/by-id/usb-one");
    assert_int_equal(bench.port[0].baud, 115200);
    assert_near(bench.plate.watts, 600, 1e-9);
    assert_near(bench.plate.capacity_j_k, 600, 1e-9);
    assert_near(bench.plate.loss_w_k, 0.9, 1e-9);
    assert_near(bench.plate.emissivity_area, 0.120 * 0.100 * 0.80, 1e-12); /* by hand */
    assert_near(bench.plate.sensor_lag_s, 1.5, 1e-9);
    assert_true(bench.sensor[SENSOR_PLATE].present);
    assert_int_equal(bench.sensor[SENSOR_PLATE].channel, 0);
    assert_false(bench.sensor[SENSOR_PLATE_2].present);
    assert_false(bench.has_fan);
    assert_int_equal(bench.limits.plate_mc, 0);
}

static void test_the_demo_bench_says_what_its_page_says(void **state)
{
    (void)state;
    assert_int_equal(parse_file(TEST_SOURCE "/recipes/benches/demo.ini"), 0);

    assert_string_equal(bench.name, "demo");
    assert_int_equal(bench.device_count, 2);
    assert_int_equal(bench.supply_device, 1);
    assert_int_equal(bench.port[1].baud, 9600);
    assert_true(bench.has_fan);
    assert_true(bench.sensor[SENSOR_PLATE_2].present);
    assert_true(bench.sensor[SENSOR_BOARD].present);
    assert_true(bench.sensor[SENSOR_BOARD].is_mv);
    assert_int_equal(bench.sensor[SENSOR_BOARD].type, TYPE_K);
    assert_int_equal(bench.sensor[SENSOR_BOARD].channel, 2);
    assert_int_equal(bench.insert_count, 2);
    assert_string_equal(bench.insert[0].name, "frame-60x40");
    assert_int_equal(bench.limits.plate_mc, 250000);
    assert_int_equal(bench.limits.ramp_mc_s, 2500);
    assert_int_equal(bench.limits.heat_time_ms, 30 * 60 * 1000);
    assert_int_equal(bench.limits.inject_mv, 1200);
    assert_true(bench.limit_line[LIMIT_plate_mc] > 60);
}

static void test_the_single_bench_has_one_sensor(void **state)
{
    (void)state;
    assert_int_equal(parse_file(TEST_SOURCE "/recipes/benches/single.ini"), 0);

    assert_true(bench.sensor[SENSOR_PLATE].present);
    assert_false(bench.sensor[SENSOR_PLATE_2].present);
    assert_false(bench.sensor[SENSOR_BOARD].present);
}

static void
test_carriage_returns_a_byte_order_mark_and_a_missing_last_newline_are_fine(void **state)
{
    (void)state;
    static const char text[] = "\xEF\xBB\xBF[bench]\r\nname = d\xC3\xA9mo\r\n[supply]\r\n"
                               "driver = scpi-supply\r\nport=/dev/x1";
    assert_int_equal(parse(text, strlen(text)), 0);

    assert_string_equal(bench.name, "d\xC3\xA9mo");
    assert_string_equal(bench.port[0].path, "/dev/x1");
    assert_int_equal(bench.plate_device, -1);
}

static void test_a_bench_file_changed_in_one_byte_has_another_digest(void **state)
{
    (void)state;
    assert_int_equal(parse_with(0, "; one\n"), 0);
    uint64_t one = bench.digest;
    assert_int_equal(parse_with(0, "; two\n"), 0);
    uint64_t two = bench.digest;
    assert_int_equal(parse_with(0, "; one\n"), 0);

    assert_true(one != two);
    assert_true(one == bench.digest);
}

static void test_a_limit_over_the_ceiling_is_refused_by_name(void **state)
{
    (void)state;
    refused(0, "[limits]\nplate = 450 C\n", TL_LIMIT, 18,
            "[limits] plate: 450 C is above this build's ceiling of 350 C");
    assert_string_equal(error.token, "450 C");
    refused(0, "[limits]\nplate = 350.001 C\n", TL_LIMIT, 18, "350.001 C is above");
    refused(0, "[limits]\nramp = 3.1 K/s\n", TL_LIMIT, 18, "[limits] ramp: 3.1 K/s is above");
    refused(0, "[limits]\nplate = 20 C\n", TL_RANGE, 18, "outside what is possible");
    refused(0, "[limits]\nsupply_amps = -1 A\n", TL_RANGE, 18, "[limits] supply_amps: -1 A");
    assert_int_equal(parse_with(0, "[limits]\nplate = 350 C\n"), 0);
    assert_int_equal(bench.limits.plate_mc, 350000);
    assert_int_equal(bench.limit_line[LIMIT_plate_mc], 18);
    assert_int_equal(parse_with(0, "[limits]\nplate = 482 F\nsupply_volts = 0.8 V\n"), 0);
    assert_int_equal(bench.limits.plate_mc, 250000);
    assert_int_equal(bench.limits.supply_mv, 800);
}

static void test_rounding_never_widens_a_limit(void **state)
{
    (void)state;
    assert_int_equal(parse_with(0, "[limits]\nplate = 249.9996 C\n"), 0);

    assert_int_equal(bench.limits.plate_mc, 249999);
}

static void test_unknown_names_get_a_suggestion_where_one_is_near(void **state)
{
    (void)state;
    refused(7, "powr = 600 W\n", TL_UNKNOWN, 7, "[plate] has no key powr; did you mean power?");
    refused(7, "colour = red\n", TL_UNKNOWN, 7, "[plate] has no key colour; its keys are driver,");
    refused(13, "[senser plate]\n", TL_UNKNOWN, 13, "did you mean [sensor plate]?");
    refused(13, "[sensor air]\n", TL_UNKNOWN, 13, "no section of a bench file");
    refused(0, "[robot]\n", TL_UNKNOWN, 17, "there are [bench]");
    refused(4, "driver = lime\n", TL_UNKNOWN, 4,
            "[plate] driver: \"lime\" is not known; it is one of: line | modbus");
    refused(6, "drive = both\n", TL_UNKNOWN, 6, "one of: duty | set-point");
    refused(14, "instrument = oven\n", TL_UNKNOWN, 14, "there is no [oven] in this file");
    refused(14, "instrument = plat\n", TL_UNKNOWN, 14, "[plat] in this file; did you mean plate?");
}

static void test_a_text_whose_quotes_do_not_close_is_refused(void **state)
{
    (void)state;
    refused(2, "name = \"demo\n", TL_SYNTAX, 2, "begins with a \" and does not end with one");
    refused(2, "name = \"\n", TL_SYNTAX, 2, "begins with a \" and does not end with one");
    assert_int_equal(parse_with(2, "name = \"demo\"\n"), 0);
    assert_string_equal(bench.name, "demo");
    assert_int_equal(parse_with(2, "name = plate of 4\"\n"), 0);
}

static void test_what_is_missing_is_named_with_an_example(void **state)
{
    (void)state;
    refused(7, "", TL_MISSING, 3, "[plate] power is missing; for example: power = 600 W");
    refused(7, "power =\n", TL_MISSING, 7,
            "[plate] power has no value; for example: power = 600 W");
    refused(2, "", TL_MISSING, 1, "[bench] name is missing");
    refused(16, "gives = mV\n", TL_MISSING, 13,
            "[sensor plate] type is missing; for example: type = K");
    refused(0, "[fan]\ninstrument = plate\n", TL_MISSING, 3, "[plate] fan_loss is missing");
    assert_int_equal(parse("", 0), TL_MISSING);
    assert_has(error.text, "[bench] is missing");
    assert_int_equal(parse("[bench]\nname = x\n", 17), TL_MISSING);
    assert_has(error.text, "neither [plate] nor [supply]");
}

static void test_a_plate_without_a_sensor_is_refused(void **state)
{
    (void)state;
    static const char text[] =
        "[bench]\nname = x\n[plate]\ndriver = line\nport = /dev/x\n"
        "drive = set-point\npower = 1 kW\nheat_capacity = 600 J/K\n"
        "loss = 900 mW/K\nlength = 12 cm\nwidth = 100 mm\nelement_lag = 0 s\n";
    assert_int_equal(parse(text, strlen(text)), TL_MISSING);

    assert_has(error.text, "[sensor plate] is missing");
    assert_int_equal(error.line, 3);
}

static void test_numbers_need_their_unit_and_a_possible_size(void **state)
{
    (void)state;
    refused(7, "power = 600\n", TL_UNIT, 7, "[plate] power: ");
    assert_string_equal(error.hint, "write \"600 W\"");
    refused(7, "power = 600 C\n", TL_UNIT, 7, "[plate] power: ");
    refused(7, "power = much\n", TL_UNIT, 7, "[plate] power: ");
    refused(7, "power = 0 W\n", TL_RANGE, 7, "0 W is outside what is possible, 5 W to 10000 W");
    refused(7, "power = 11 kW\n", TL_RANGE, 7, "11 kW is outside");
    refused(8, "heat_capacity = -600 J/K\n", TL_RANGE, 8, "[plate] heat_capacity: -600 J/K");
    refused(2, "name = x\nperiod = 20 ms\n", TL_RANGE, 3, "[bench] period: 20 ms is outside");
    refused(2, "name = x\nperiod = 600 ms\n", TL_RANGE, 3, "[bench] period: 600 ms is outside");
    refused(6, "drive = duty\nsilence = 1 s\n", TL_RANGE, 7, "[plate] silence: 1 s is outside");
    refused(15, "input = 5\n", TL_RANGE, 15, "[sensor plate] input: 5 is outside 1 to 4");
    refused(15, "input = 0x1\n", TL_SYNTAX, 15, "\"0x1\" is not a whole number");
    refused(15, "input = 99999999999999999999\n", TL_SYNTAX, 15, "is not a whole number");
    refused(6, "drive = duty\nbaud = 9601\n", TL_RANGE, 7, "9601 is no standard rate");
    refused(5, "port = ttyUSB0\n", TL_SYNTAX, 5, "named from the root");
}

static void test_what_the_ini_reader_would_split_merge_or_cut_is_refused(void **state)
{
    (void)state;
    char longer[400];
    snprintf(longer, sizeof longer, "name = %0*d\n", 250, 7);
    refused(2, longer, TL_SYNTAX, 2, "a line of 257 bytes");
    refused(2, "  name = x\n", TL_SYNTAX, 2, "an indented line");
    refused(2, "\tname = x\n", TL_SYNTAX, 2, "an indented line");
    refused(7, "power = 600 W ; not measured\n", TL_SYNTAX, 7, "a comment after a value");
    refused(7, "power = 600 W\t;\n", TL_SYNTAX, 7, "a comment after a value");
    refused(8, "power = 500 W\n", TL_SYNTAX, 8, "[plate] power stands at line 7 already");
    refused(0, "[plate]\n", TL_SYNTAX, 17, "[plate] stands at line 3 already");
    refused(0,
            "[insert a]\nheat_capacity = 1 J/K\nplate_contact = 1 W/K\n"
            "board_contact = 1 W/K\n[insert a]\n",
            TL_SYNTAX, 21, "[insert a] stands at line 17 already");
    refused(7, "power: 600 W\n", TL_SYNTAX, 7, "neither [section] nor key = value");
    refused(7, "po wer = 600 W\n", TL_SYNTAX, 7, "is no key");
    refused(7, "= 600 W\n", TL_SYNTAX, 7, "is no key");
    refused(7, "power : = 600 W\n", TL_SYNTAX, 7, "is no key");
    refused(3, "[plate\n", TL_SYNTAX, 3, "closing ]");
    refused(3, "[plate] here\n", TL_SYNTAX, 3, "something follows the ]");
    refused(1, "name = x\n[bench]\n", TL_SYNTAX, 1, "stands before any section");
    refused(0, "[insert]\n", TL_UNKNOWN, 17, "no section of a bench file");
    refused(0, "[insert a b]\n", TL_SYNTAX, 17, "an insert's name is letters");
}

static void test_bytes_that_are_no_text_are_refused(void **state)
{
    (void)state;
    static const char nul[] = "[bench]\nname = a\0b\n";
    assert_int_equal(parse(nul, sizeof nul - 1), TL_SYNTAX);
    assert_has(error.text, "control byte 0x00 at column 9");
    assert_int_equal(error.line, 2);
    refused(2, "name = \x1B[31m\n", TL_SYNTAX, 2, "control byte 0x1B");
    refused(2, "name = caf\xE9\n", TL_SYNTAX, 2, "byte 0xE9 at column 11 is not UTF-8");
    refused(2, "name = \xC0\xAF\n", TL_SYNTAX, 2, "not UTF-8");         /* overlong */
    refused(2, "name = \xED\xA0\x80\n", TL_SYNTAX, 2, "not UTF-8");     /* surrogate */
    refused(2, "name = \xF4\x90\x80\x80\n", TL_SYNTAX, 2, "not UTF-8"); /* over U+10FFFF */
    refused(2, "name = x\xE2\x82\n", TL_SYNTAX, 2, "not UTF-8");        /* cut */
    refused(2, "; \x07\n", TL_SYNTAX, 2, "control byte 0x07");          /* in a comment too */
    refused(2,
            "name = a\xE2\x80\xAE"
            "b\n",
            TL_SYNTAX, 2, "beginning with 0xE2"); /* U+202E */
}

static void test_two_of_a_kind_cannot_share_a_port_or_an_input(void **state)
{
    (void)state;
    refused(0, "[supply]\ndriver = scpi-supply\nport = /dev/serial/by-id/usb-one\n", TL_SYNTAX, 19,
            "[supply] port: [plate] hangs on that port already");
    refused(0, "[sensor board]\ninstrument = plate\ninput = 1\ngives = C\n", TL_SYNTAX, 19,
            "[sensor plate] uses input 1 already");
    refused(16, "gives = C\ntype = K\n", TL_SYNTAX, 17, "leave type out");
    refused(0, "[supply]\ndriver = scpi-supply\nport = /dev/b\n[fan]\ninstrument = supply\n",
            TL_UNKNOWN, 21, "that instrument drives no fan");
}

/* A plate of `driver_lines` on a whole bench; `rest` follows. */
static int parse_plate(const char *driver_lines, const char *rest)
{
    char text[4096];
    snprintf(
        text, sizeof text,
        "[bench]\nname = b\n[plate]\n%spower = 600 W\nheat_capacity = 600 J/K\nloss = 0.9 W/K\n"
        "length = 120 mm\nwidth = 100 mm\nelement_lag = 4 s\n%s",
        driver_lines, rest);
    return parse(text, strlen(text));
}

static const char modbus_plate[] =
    "driver = modbus\nport = /dev/a\nunit = 1\n"
    "reading = holding 0x1000 tenths\nset_point = holding 4097 tenths\n";
static const char plate_sensor[] = "[sensor plate]\ninstrument = plate\ninput = 1\ngives = C\n";
static const char probe[] = "[reader probe]\ndriver = text\nport = /dev/r\npattern = {1} {2}\n"
                            "[sensor plate]\ninstrument = reader probe\ninput = 2\ngives = C\n";

#define plate_refused(lines, rest, part)                                                           \
    do {                                                                                           \
        int code_ = parse_plate(lines, rest);                                                      \
        if (code_ == 0 || !strstr(error.text, part))                                               \
            fail_msg("code %d: %s", code_, error.text);                                            \
    } while (0)

static void test_a_modbus_plate_without_a_time_out_to_read_has_none(void **state)
{
    (void)state;
    assert_int_equal(parse_plate(modbus_plate, plate_sensor), 0);
    assert_int_equal(bench.device[bench.plate_device].silence_ms, 0);
}

static void test_a_modbus_plate_has_its_registers(void **state)
{
    (void)state;
    char lines[1024];
    snprintf(lines, sizeof lines,
             "%sbaud = 19200\nparity = even\nwrite_with = 16\nrun = holding 5\nrun_on = 2\n"
             "unit_check = holding 18 is 0x0001\nsilence_check = holding 30 tenths\nsilence = 3 s\n"
             "output = input 3 whole\nreading_open = 32767\ndegrees = F\nword_order = low-first\n",
             modbus_plate);
    assert_int_equal(parse_plate(lines, plate_sensor), 0);
    const struct device_config *device = &bench.device[bench.plate_device];
    const struct controller_config *c = &device->controller;
    assert_int_equal(device->kind, DEVICE_CONTROLLER);
    assert_true(device->regulates && device->owner_vouches);
    assert_int_equal(device->silence_ms, 3000);
    assert_int_equal(bench.port[0].baud, 19200);
    assert_int_equal(bench.port[0].parity, 'E');
    assert_int_equal(c->unit, 1);
    assert_int_equal(c->write_function, 16);
    assert_int_equal(c->map[REGISTER_READING].address, 0x1000);
    assert_int_equal(c->map[REGISTER_READING].per_unit, 10);
    assert_int_equal(c->map[REGISTER_SET_POINT].address, 4097);
    assert_false(c->map[REGISTER_SET_POINT_BACK].used);
    assert_int_equal(c->map[REGISTER_OUTPUT].function, 4);
    assert_int_equal(c->map[REGISTER_UNIT].expected, 1);
    assert_int_equal(c->run_on, 2);
    assert_int_equal(c->run_off, 0);
    assert_true(c->fahrenheit && c->low_word_first && !c->low_byte_first && c->has_open);
}

static void test_a_modbus_plate_that_could_not_be_driven_safely_is_refused(void **state)
{
    (void)state;
    char lines[1024];
    static const struct {
        const char *more, *part;
    } rows[] = {
        {"drive = duty\n", "this key is for driver = line; the driver here is modbus"},
        {"line = RTS\n", "this key is for driver = contactor"},
        {"run_on = 1\n", "run is missing"},
        {"run = input 5\n", "run is one holding register"},
        {"run = holding 5\nrun_on = 0\n", "the same number"},
        {"set_point_back = input 7 whole\n", "count for count"},
        {"unit_check = holding 18\n", "a check says what"},
        {"output = input 3 is 5\n", "belongs to a check"},
        {"silence = 3 s\n", "silence_check is missing"},
        {"output = coil 3\n", "is no register"},
        {"output = input 65536\n", "is no register"},
        {"output = input 3 tenths wide\n", "is no register"},
        {"output = input\n", "is no register"},
        {"unit_check = holding 18 is 70000\n", "is no register"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        snprintf(lines, sizeof lines, "%s%s", modbus_plate, rows[i].more);
        plate_refused(lines, plate_sensor, rows[i].part);
    }
    plate_refused(
        "driver = modbus\nport = /dev/a\nunit = 1\nreading = holding 0\nset_point = input 1\n",
        plate_sensor, "cannot be written");
    plate_refused("driver = modbus\nport = /dev/a\nunit = 1\nreading = holding 0 hundredths\n"
                  "set_point = holding 1\n",
                  plate_sensor, "counts to 32767");
    plate_refused("driver = modbus\nport = /dev/a\nunit = 248\n", plate_sensor, "outside 1 to 247");
    plate_refused(modbus_plate, "[sensor plate]\ninstrument = plate\ninput = 2\ngives = C\n",
                  "has one input");
    plate_refused(modbus_plate,
                  "[sensor plate]\ninstrument = plate\ninput = 1\ngives = mV\ntype = K\n",
                  "gives degrees");
}

static void test_a_contactor_and_a_plate_by_hand_need_a_sensor_from_a_reader(void **state)
{
    (void)state;
    static const char contactor[] = "driver = contactor\nport = /dev/c\nline = DTR\n";
    assert_int_equal(parse_plate(contactor, probe), 0);
    assert_int_equal(bench.device[0].kind, DEVICE_CONTACTOR);
    assert_true(bench.device[0].contactor.on_dtr && !bench.device[0].contactor.is_cutoff);
    assert_int_equal(bench.device[0].contactor.window_ms, 2000);
    assert_false(bench.plate.by_hand);
    assert_int_equal(bench.sensor[SENSOR_PLATE].device, 1);
    assert_int_equal(bench.sensor[SENSOR_PLATE].channel, 1);
    plate_refused(contactor, plate_sensor, "has no sensor inputs");
    plate_refused("driver = contactor\nport = /dev/c\n", probe, "line is missing");
    plate_refused("driver = contactor\nport = /dev/c\nline = RTS\nclosed_when = low\n", probe,
                  "would heat when the program or the computer dies");

    assert_int_equal(parse_plate("driver = by-hand\n", probe), 0);
    assert_int_equal(bench.device[0].kind, DEVICE_BY_HAND);
    assert_true(bench.plate.by_hand);
    assert_int_equal(bench.device[0].port, -1);
    assert_int_equal(bench.port_count, 1);
    plate_refused("driver = by-hand\n", plate_sensor, "has no sensor inputs");
    plate_refused("driver = by-hand\nport = /dev/a\n", probe, "has none");
    plate_refused("driver = by-hand\nsilence = 2 s\n", probe, "has none");
}

static void test_only_modbus_units_and_control_lines_share_a_port(void **state)
{
    (void)state;
    static const char lines_too[] =
        "[cut-off]\ndriver = contactor\nport = /dev/a\nline = RTS\n"
        "[inputs]\nport = /dev/a\nstop = CTS\n"
        "[reader two]\ndriver = modbus\nport = /dev/a\nunit = 2\nreading = input 0\n"
        "[sensor plate]\ninstrument = plate\ninput = 1\ngives = C\n";
    assert_int_equal(parse_plate(modbus_plate, lines_too), 0);
    assert_int_equal(bench.port_count, 1);
    assert_int_equal(bench.device_count, 4);
    assert_int_equal(bench.device[bench.cutoff_device].port, 0);
    assert_true(bench.device[bench.cutoff_device].contactor.is_cutoff);
    assert_false(bench.device[bench.inputs_device].inputs.feeds);
    plate_refused(modbus_plate,
                  "[reader two]\ndriver = modbus\nport = /dev/a\nunit = 1\nreading = input 0\n",
                  "the same address");
    plate_refused(
        modbus_plate,
        "[reader two]\ndriver = modbus\nport = /dev/a\nbaud = 4800\nunit = 2\nreading = input 0\n",
        "another baud");
    plate_refused(modbus_plate, "[meter]\ndriver = scpi-meter\nport = /dev/a\n",
                  "only Modbus units");
    plate_refused("driver = contactor\nport = /dev/a\nline = RTS\n",
                  "[cut-off]\ndriver = contactor\nport = /dev/a\nline = DTR\n",
                  "carries one contactor");
}

static void test_readers_and_contacts_are_checked(void **state)
{
    (void)state;
    static const char hand[] = "driver = by-hand\n";
    plate_refused(hand, "[reader p]\ndriver = text\nport = /dev/r\npattern = {1}{2}\n",
                  "nothing between");
    plate_refused(hand, "[reader p]\ndriver = text\nport = /dev/r\n", "pattern is missing");
    plate_refused(hand, "[reader p]\ndriver = text\nport = /dev/r\npattern = {1}\ngives = mV\n",
                  "{cj} is missing");
    plate_refused(hand, "[reader p]\ndriver = text\nport = /dev/r\npattern = {1}\nidentity = x\n",
                  "ask_identity is missing");
    plate_refused(hand, "[reader p]\ndriver = text\nport = /dev/r\npattern = {1}\nunit = 2\n",
                  "this key is for driver = modbus");
    plate_refused(hand,
                  "[reader p]\ndriver = text\nport = /dev/r\npattern = {1}\n"
                  "[sensor plate]\ninstrument = reader p\ninput = 2\ngives = C\n",
                  "not in the reader's pattern");
    plate_refused(hand, "[inputs]\nport = /dev/i\n", "stop is missing");
    plate_refused(hand, "[inputs]\nport = /dev/i\nstop = CTS\nanswer = CTS\n",
                  "hangs on that line already");
    refused(0, "[supply]\ndriver = scpi-supply\nport = /dev/b\nidentity_by = owner\nidentity = X\n",
            TL_SYNTAX, 21, "leave this out");
}

static void test_questions_presence_and_what_was_learned_are_kept(void **state)
{
    (void)state;
    assert_int_equal(
        parse_with(2, "name = b\npresence = 5 min\nquestion.2 = Is the fan's guard on?\n"), 0);
    assert_int_equal(bench.presence_ms, 300000);
    assert_int_equal(bench.question_count, 1);
    assert_string_equal(bench.question[0], "Is the fan's guard on?");
    assert_int_equal(
        parse_with(12, "element_lag = 4 s\nseat_pulse = 18 s\nseat_rise = 25 K\nlearned = today\n"),
        0);
    assert_near(bench.plate.seat_pulse_s, 18, 1e-9);
    assert_near(bench.plate.seat_rise_c, 25, 1e-9);
    assert_string_equal(bench.learned, "today");
    assert_int_equal(parse(small, strlen(small)), 0);
    assert_int_equal(bench.presence_ms, 600000);
    assert_near(bench.plate.seat_pulse_s, 0, 0);
    refused(12, "element_lag = 4 s\nseat_pulse = 18 s\n", TL_MISSING, 3, "seat_rise is missing");
    refused(2, "name = b\npresence = 31 min\n", TL_RANGE, 3, "outside what is possible");
}

static void test_the_supplys_commands_can_be_replaced(void **state)
{
    (void)state;
    assert_int_equal(parse_with(0, "[supply]\ndriver = scpi-supply\nport = /dev/b\n"
                                   "set_volts = \"SOUR:VOLT %s\"\nswitch_off = OUTP:STAT 0\n"),
                     0);
    assert_string_equal(bench.device[1].scpi[SCPI_SET_VOLTS], "SOUR:VOLT %s");
    assert_string_equal(bench.device[1].scpi[SCPI_OFF], "OUTP:STAT 0");
    assert_string_equal(bench.device[1].scpi[SCPI_ON], "");

    refused(0, "[supply]\ndriver = scpi-supply\nport = /dev/b\nset_volts = VOLT\n", TL_SYNTAX, 20,
            "needs %s once");
    refused(0, "[supply]\ndriver = scpi-supply\nport = /dev/b\nset_amps = C %s %n\n", TL_SYNTAX, 20,
            "needs %s once");
    refused(0, "[supply]\ndriver = scpi-supply\nport = /dev/b\nget_volts = %s?\n", TL_SYNTAX, 20,
            "so no %");
    refused(0, "[supply]\ndriver = scpi-supply\nport = /dev/b\nget_volts = VOLT\xC2\xB5?\n",
            TL_SYNTAX, 20, "visible ASCII");
}

static void test_every_short_or_damaged_file_is_refused_or_read_never_worse(void **state)
{
    (void)state;
    size_t length;
    char *text = read_whole(TEST_SOURCE "/recipes/benches/demo.ini", &length);
    for (size_t cut = 0; cut <= length; cut++) {
        char *part = malloc(cut + 1); /* its own block, so that reading past its end is seen */
        memcpy(part, text, cut);
        int code = parse(part, cut);
        free(part);
        assert_true(code == 0 || error.code == code);
    }
    for (size_t i = 0; i < length; i++) {
        char before = text[i];
        text[i] = (char)(before ^ (1 << (i % 8)));
        int code = parse(text, length);
        text[i] = before;
        assert_true(code == 0 || (error.code == code && error.text[0]));
    }
    free(text);
}

static void test_the_error_may_be_nobodys(void **state)
{
    (void)state;
    assert_int_equal(benchfile_parse("x", "[nonsense", 9, &bench, NULL), TL_SYNTAX);
}

static void test_the_key_table_is_whole(void **state)
{
    (void)state;
    for (int i = 0; i < bench_key_count; i++) {
        const struct bench_key *key = &bench_keys[i];
        assert_non_null(key->section);
        assert_non_null(key->help);
        assert_true(key->high >= key->low);
        if (key->form == KEY_QUANTITY) {
            double value;
            assert_string_equal(key->value, unit_name(key->unit));
            assert_int_equal(quantity_parse(key->example, key->unit, &value, NULL), 0);
            assert_true(value >= key->low && value <= key->high);
        }
        for (int k = 0; k < i; k++)
            assert_true(strcmp(key->section, bench_keys[k].section) ||
                        strcmp(key->key, bench_keys[k].key));
    }
}

static void test_words_stand_in_the_order_of_their_enums(void **state)
{
    (void)state;
    for (int i = 0; i < bench_key_count; i++) {
        const struct bench_key *key = &bench_keys[i];
        if (strcmp(key->key, "type"))
            continue;
        char words[64] = "";
        for (int t = 0; t < THERMOCOUPLES; t++) {
            strcat(words, t ? " | " : "");
            strcat(words, thermocouple_name((enum thermocouple)t));
        }
        assert_string_equal(key->value, words);
    }
    for (int i = 0; i < SENSORS; i++) {
        char section[64];
        snprintf(section, sizeof section, "[sensor %s]\ninstrument = plate\ninput = 2\ngives = C\n",
                 sensor_name((enum sensor_id)i));
        assert_int_equal(parse_with(0, section), i == SENSOR_PLATE ? TL_SYNTAX : 0);
        assert_true(i == SENSOR_PLATE || bench.sensor[i].present);
    }
}

static void row_of(const struct bench_key *key, char *row, size_t size)
{
    char range[96] = "", low[32], high[32];
    if (key->form == KEY_QUANTITY)
        snprintf(range, sizeof range, "%s to %s",
                 quantity_print(key->low, key->unit, low, sizeof low),
                 quantity_print(key->high, key->unit, high, sizeof high));
    else if (key->form == KEY_COUNT)
        snprintf(range, sizeof range, "%.0f to %.0f", key->low, key->high);
    else if (key->form != KEY_WORD && key->form != KEY_REGISTER)
        snprintf(range, sizeof range, "%.0f bytes at most", key->high);
    char value[64] = "";
    for (const char *c = key->value; *c; c++) /* a bar would end the table's cell */
        snprintf(value + strlen(value), sizeof value - strlen(value), *c == '|' ? "or" : "%c", *c);
    snprintf(row, size, "| `%s` | %s | %s | %s | %s |\n", key->key, value, range,
             key->required ? "**needed**" : key->assumed, key->help);
}

/* TEST_PRINT=1 prints the rows, for pasting. */
static void test_the_reference_page_has_every_key_with_its_range(void **state)
{
    (void)state;
    size_t length;
    char *page = read_whole(TEST_SOURCE "/docs/reference/bench-file.md", &length);
    for (int i = 0; i < bench_key_count; i++) {
        char row[512];
        row_of(&bench_keys[i], row, sizeof row);
        if (getenv("TEST_PRINT"))
            printf("%s %s", bench_keys[i].section, row);
        else
            assert_has(page, row);
    }
    free(page);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_smallest_bench_gets_the_assumed_values),
        cmocka_unit_test(test_the_demo_bench_says_what_its_page_says),
        cmocka_unit_test(test_the_single_bench_has_one_sensor),
        cmocka_unit_test(
            test_carriage_returns_a_byte_order_mark_and_a_missing_last_newline_are_fine),
        cmocka_unit_test(test_a_bench_file_changed_in_one_byte_has_another_digest),
        cmocka_unit_test(test_a_limit_over_the_ceiling_is_refused_by_name),
        cmocka_unit_test(test_rounding_never_widens_a_limit),
        cmocka_unit_test(test_unknown_names_get_a_suggestion_where_one_is_near),
        cmocka_unit_test(test_a_text_whose_quotes_do_not_close_is_refused),
        cmocka_unit_test(test_what_is_missing_is_named_with_an_example),
        cmocka_unit_test(test_a_plate_without_a_sensor_is_refused),
        cmocka_unit_test(test_numbers_need_their_unit_and_a_possible_size),
        cmocka_unit_test(test_what_the_ini_reader_would_split_merge_or_cut_is_refused),
        cmocka_unit_test(test_bytes_that_are_no_text_are_refused),
        cmocka_unit_test(test_two_of_a_kind_cannot_share_a_port_or_an_input),
        cmocka_unit_test(test_a_modbus_plate_without_a_time_out_to_read_has_none),
        cmocka_unit_test(test_a_modbus_plate_has_its_registers),
        cmocka_unit_test(test_a_modbus_plate_that_could_not_be_driven_safely_is_refused),
        cmocka_unit_test(test_a_contactor_and_a_plate_by_hand_need_a_sensor_from_a_reader),
        cmocka_unit_test(test_only_modbus_units_and_control_lines_share_a_port),
        cmocka_unit_test(test_readers_and_contacts_are_checked),
        cmocka_unit_test(test_questions_presence_and_what_was_learned_are_kept),
        cmocka_unit_test(test_the_supplys_commands_can_be_replaced),
        cmocka_unit_test(test_every_short_or_damaged_file_is_refused_or_read_never_worse),
        cmocka_unit_test(test_the_error_may_be_nobodys),
        cmocka_unit_test(test_the_key_table_is_whole),
        cmocka_unit_test(test_words_stand_in_the_order_of_their_enums),
        cmocka_unit_test(test_the_reference_page_has_every_key_with_its_range),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
