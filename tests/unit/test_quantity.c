/* SPDX-License-Identifier: MIT */
#include "check.h"

#include <locale.h>
#include <stdbool.h>

#include "tinlatch/quantity.h"

/* Every spelling that the list in quantity.h names, and its value in the base unit. */
static const struct {
    enum unit unit;
    const char *text;
    double value;
} accepted[] = {
    {UNIT_TEMP, "170 C", 170},
    {UNIT_TEMP, "172C", 172},
    {UNIT_TEMP, "338 F", 170},
    {UNIT_TEMP, "32F", 0},
    {UNIT_TEMP, "-40 F", -40},
    {UNIT_TEMP, "-5.5 C", -5.5},
    {UNIT_TEMP, "  +20 \t C  ", 20},
    {UNIT_TEMP, "0.1 C", 0.1},
    {UNIT_TEMP, "007 C", 7},
    {UNIT_TEMP, "183.00000000000000000000001 C", 183},
    {UNIT_DELTA, "5 K", 5},
    {UNIT_DELTA, "5 C", 5},
    {UNIT_RAMP, "1.5 C/s", 1.5},
    {UNIT_RAMP, "2 K/s", 2},
    {UNIT_RAMP, "1.8 F/s", 1},
    {UNIT_TIME, "250 ms", 0.25},
    {UNIT_TIME, "90 s", 90},
    {UNIT_TIME, "4 min", 240},
    {UNIT_TIME, "1.5 h", 5400},
    {UNIT_VOLTS, "800 mV", 0.8},
    {UNIT_VOLTS, "0.8 V", 0.8},
    {UNIT_AMPS, "850 mA", 0.85},
    {UNIT_AMPS, "3 A", 3},
    {UNIT_OHMS, "40 mohm", 0.04},
    {UNIT_OHMS, "0.4 ohm", 0.4},
    {UNIT_OHMS, "4.7 kohm", 4700},
    {UNIT_OHMS, "1 Mohm", 1e6},
    {UNIT_WATTS, "600 W", 600},
    {UNIT_WATTS, "1.2 kW", 1200},
    {UNIT_LENGTH, "18 um", 0.018},
    {UNIT_LENGTH, "0.8 mm", 0.8},
    {UNIT_LENGTH, "6 cm", 60},
    {UNIT_MASS, "70 mg", 0.07},
    {UNIT_MASS, "12 g", 12},
    {UNIT_MASS, "1 kg", 1000},
    {UNIT_CAPACITY, "600 J/K", 600},
    {UNIT_CAPACITY, "50 g aluminium", 45.15},
    {UNIT_CAPACITY, "100 g copper", 38.5},
    {UNIT_CAPACITY, "100 g brass", 38},
    {UNIT_CAPACITY, "100 g steel", 43.4},
    {UNIT_CAPACITY, "8 g glass-epoxy", 8.8},
    {UNIT_LOSS, "250 mW/K", 0.25},
    {UNIT_LOSS, "2.1 W/K", 2.1},
    {UNIT_SHARE, "60 %", 60},
    {UNIT_SHARE, "12.5%", 12.5},
    {UNIT_TEMP, "1000000000 C", 1e9},
};
enum { ACCEPTED = sizeof accepted / sizeof accepted[0] };

static void test_every_spelling_is_read_to_the_last_bit(void **state)
{
    (void)state;
    for (int i = 0; i < ACCEPTED; i++) {
        double value = -1;
        assert_int_equal(quantity_parse(accepted[i].text, accepted[i].unit, &value, NULL), 0);
        bool scaled = strchr(accepted[i].text, 'F') != NULL;
        assert_near(value, accepted[i].value, scaled ? 1e-13 : 0);
    }
}

static void test_every_example_is_accepted(void **state)
{
    (void)state;
    for (enum unit unit = 0; unit < UNITS; unit++) {
        double value;
        assert_int_equal(quantity_parse(unit_example(unit), unit, &value, NULL), 0);
        assert_true(strlen(unit_base(unit)) > 0);
        assert_has(unit_name(unit), "a");
    }
}

static void test_each_kind_takes_only_its_own_units(void **state)
{
    (void)state;
    for (int i = 0; i < ACCEPTED; i++) {
        for (enum unit unit = 0; unit < UNITS; unit++) {
            double value = -1;
            struct tl_error error = {0};
            bool own = unit == accepted[i].unit;
            bool shared = strchr(accepted[i].text, 'C') && !strchr(accepted[i].text, '/') &&
                          (unit == UNIT_TEMP || unit == UNIT_DELTA);
            int result = quantity_parse(accepted[i].text, unit, &value, &error);
            assert_int_equal(result, own || shared ? 0 : TL_UNIT);
            if (result != 0)
                assert_has(error.text, unit_example(unit));
            assert_true(result == 0 || value == -1);
        }
    }
}

static void test_nothing_but_a_plain_number_with_one_unit_is_accepted(void **state)
{
    (void)state;
    const char *const bad[] = {
        "",
        " ",
        "C",
        "170",
        "1e2 C",
        "0x10 C",
        "nan C",
        "inf C",
        "NaN",
        "1,5 C",
        "1. C",
        ".5 C",
        "1.2.3 C",
        "- 5 C",
        "--5 C",
        "+-5 C",
        "170 C C",
        "170 CC",
        "170 C F",
        "170 C;",
        "170 \n C",
        "2 min 30 s",
        "170\xC2\xB0"
        "C",
        "1_0 C",
        "170 K/s",
        "170\0 C",
        "\xff C",
        "170 \xff",
        "one C",
        "1 0 C",
        "170 C\n",
        "1 C/",
    };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        double value = -1;
        struct tl_error error = {0};
        assert_int_equal(quantity_parse(bad[i], UNIT_TEMP, &value, &error), TL_UNIT);
        assert_true(value == -1);
        assert_has(error.text, "expected a temperature such as \"170 C\"");
        assert_int_equal(quantity_parse(bad[i], UNIT_TEMP, &value, NULL), TL_UNIT);
    }
}

static void assert_refused(const char *text, enum unit unit, const char *says, const char *hint)
{
    double value;
    struct tl_error error;
    assert_int_equal(quantity_parse(text, unit, &value, &error), TL_UNIT);
    assert_string_equal(error.text, says);
    assert_string_equal(error.hint, hint);
    assert_string_equal(error.token, text);
}

static void test_errors_say_what_was_found_and_what_would_be_right(void **state)
{
    (void)state;
    assert_refused("172", UNIT_TEMP,
                   "\"172\" has no unit; expected a temperature such as \"170 C\"",
                   "write \"172 C\"");
    assert_refused("1.5", UNIT_AMPS, "\"1.5\" has no unit; expected a current such as \"850 mA\"",
                   "write \"1.5 mA\"");
    assert_refused("0.6", UNIT_SHARE, "\"0.6\" has no unit; expected a share such as \"60 %\"",
                   "write \"60 %\"");
    assert_refused("60", UNIT_SHARE, "\"60\" has no unit; expected a share such as \"60 %\"",
                   "write \"60 %\"");
    assert_refused("90 s", UNIT_TEMP,
                   "\"90 s\" is a time; expected a temperature such as \"170 C\"", "");
    assert_refused("5 K", UNIT_TEMP,
                   "\"5 K\" is a temperature difference; expected a temperature such as \"170 C\"",
                   "");
    assert_refused(
        "170 c", UNIT_TEMP,
        "\"170 c\" has a unit that is not known here, \"c\"; expected a temperature such "
        "as \"170 C\"",
        "did you mean \"170 C\"?");
    assert_refused("3 minutes", UNIT_TIME,
                   "\"3 minutes\" has a unit that is not known here, \"minutes\"; expected a time "
                   "such as \"90 s\"",
                   "did you mean \"3 min\"?");
    assert_refused("48 g", UNIT_CAPACITY,
                   "\"48 g\" is a mass; expected a heat capacity such as \"600 J/K\"",
                   "a mass of what: \"48 g aluminium\", copper, brass, steel or glass-epoxy?");
    assert_refused(
        "48 g aluminum", UNIT_CAPACITY,
        "\"48 g aluminum\" has a unit that is not known here, \"g aluminum\"; expected a "
        "heat capacity such as \"600 J/K\"",
        "did you mean \"48 g aluminium\"?");
    assert_refused("", UNIT_VOLTS, "\"\" is empty; expected a voltage such as \"0.8 V\"", "");
    assert_refused("hot", UNIT_TEMP,
                   "\"hot\" does not begin with a number; expected a temperature such as \"170 C\"",
                   "");
}

static void test_a_decimal_comma_is_told_with_the_point_in_its_place(void **state)
{
    (void)state;
    struct tl_error error = {0};
    double value;

    assert_int_equal(quantity_parse("1,5 C/s", UNIT_RAMP, &value, &error), TL_UNIT);

    assert_has(error.text, "has a comma");
    assert_string_equal(error.hint, "write \"1.5 C/s\"");
}

static void test_errors_stay_short_however_long_the_text_is(void **state)
{
    (void)state;
    static char text[100000];
    struct tl_error error;
    double value;
    memset(text, '7', sizeof text - 1);
    assert_int_equal(quantity_parse(text, UNIT_TEMP, &value, &error), TL_UNIT);
    assert_has(error.text, "expected a temperature such as \"170 C\"");

    memset(text, 'x', sizeof text - 1);
    text[0] = '1';
    assert_int_equal(quantity_parse(text, UNIT_TEMP, &value, &error), TL_UNIT);
    assert_has(error.text, "expected a temperature such as \"170 C\"");
}

static void test_magnitudes_beyond_a_thousand_million_are_refused(void **state)
{
    (void)state;
    const char *const large[] = {"1000000001 C", "-1000000001 C", "99999999999999999999999999999 C",
                                 "1000001 kohm"};
    for (size_t i = 0; i < sizeof large / sizeof large[0]; i++) {
        double value = -1;
        enum unit unit = strchr(large[i], 'k') ? UNIT_OHMS : UNIT_TEMP;
        struct tl_error error;
        assert_int_equal(quantity_parse(large[i], unit, &value, &error), TL_RANGE);
        assert_has(error.text, "beyond");
        assert_true(value == -1);
    }
}

static void test_print_writes_as_a_person_would(void **state)
{
    (void)state;
    const struct {
        double value;
        enum unit unit;
        const char *text;
    } cases[] = {
        {170, UNIT_TEMP, "170 C"},
        {191.23, UNIT_TEMP, "191.2 C"},
        {-0.00001, UNIT_TEMP, "0 C"},
        {-5.5, UNIT_TEMP, "-5.5 C"},
        {123456.7, UNIT_OHMS, "123457 ohm"},
        {1.5, UNIT_RAMP, "1.5 C/s"},
        {150, UNIT_TIME, "2 min 30 s"},
        {60, UNIT_TIME, "1 min"},
        {59.994, UNIT_TIME, "59.99 s"},
        {59.996, UNIT_TIME, "1 min"},
        {0.25, UNIT_TIME, "0.25 s"},
        {3600, UNIT_TIME, "60 min"},
        {-150, UNIT_TIME, "-2 min 30 s"},
        {0.85, UNIT_AMPS, "850 mA"},
        {0.99999, UNIT_AMPS, "1 A"},
        {0.0305, UNIT_AMPS, "30.5 mA"},
        {0, UNIT_VOLTS, "0 V"},
        {0.8, UNIT_VOLTS, "800 mV"},
        {4.2, UNIT_VOLTS, "4.2 V"},
        {-0.02, UNIT_VOLTS, "-20 mV"},
        {0.04, UNIT_OHMS, "40 mohm"},
        {600, UNIT_WATTS, "600 W"},
        {60, UNIT_SHARE, "60 %"},
        {0.5, UNIT_WATTS, "0.5 W"},
        {999.96, UNIT_TEMP, "1000 C"},
        {1e9, UNIT_OHMS, "1000000000 ohm"},
    };
    char out[40];
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        assert_string_equal(quantity_print(cases[i].value, cases[i].unit, out, sizeof out),
                            cases[i].text);
    assert_string_equal(quantity_print(NAN, UNIT_TEMP, out, sizeof out), "unknown");
    assert_string_equal(quantity_print(HUGE_VAL, UNIT_TEMP, out, sizeof out), "unknown");
}

static void test_print_never_passes_its_buffer(void **state)
{
    (void)state;
    char out[16];
    for (size_t size = 0; size < 12; size++) {
        memset(out, '#', sizeof out);
        quantity_print(150, UNIT_TIME, out, size);
        assert_int_equal(out[size], '#');
        assert_true(size == 0 || strlen(out) < size);
    }
}

static void test_a_foreign_locale_changes_nothing(void **state)
{
    (void)state;
    const char *const locales[] = {"de_DE.UTF-8", "fr_FR.UTF-8", "C.UTF-8"};
    char out[40];
    for (size_t i = 0; i < sizeof locales / sizeof locales[0]; i++) {
        setlocale(LC_ALL, locales[i]); /* where it is installed */
        double value;
        assert_int_equal(quantity_parse("1.5 V", UNIT_VOLTS, &value, NULL), 0);
        assert_near(value, 1.5, 0);
        assert_int_equal(quantity_parse("1,5 V", UNIT_VOLTS, &value, NULL), TL_UNIT);
        assert_string_equal(quantity_print(1.5, UNIT_VOLTS, out, sizeof out), "1.5 V");
    }
    setlocale(LC_ALL, "C");
}

static void test_what_is_printed_is_read_back(void **state)
{
    (void)state;
    char out[40];
    for (enum unit unit = 0; unit < UNITS; unit++) {
        for (double value = 0.1; value < 59; value *= 1.37) {
            double back = 0;
            quantity_print(value, unit, out, sizeof out);
            assert_int_equal(quantity_parse(out, unit, &back, NULL), 0);
            assert_near(back, value, value * 0.006);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_spelling_is_read_to_the_last_bit),
        cmocka_unit_test(test_every_example_is_accepted),
        cmocka_unit_test(test_each_kind_takes_only_its_own_units),
        cmocka_unit_test(test_nothing_but_a_plain_number_with_one_unit_is_accepted),
        cmocka_unit_test(test_errors_say_what_was_found_and_what_would_be_right),
        cmocka_unit_test(test_a_decimal_comma_is_told_with_the_point_in_its_place),
        cmocka_unit_test(test_errors_stay_short_however_long_the_text_is),
        cmocka_unit_test(test_magnitudes_beyond_a_thousand_million_are_refused),
        cmocka_unit_test(test_print_writes_as_a_person_would),
        cmocka_unit_test(test_print_never_passes_its_buffer),
        cmocka_unit_test(test_a_foreign_locale_changes_nothing),
        cmocka_unit_test(test_what_is_printed_is_read_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
