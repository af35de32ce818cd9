/* SPDX-License-Identifier: MIT */
#include "check.h"

#include <stdlib.h>

#include "tinlatch/thermocouple.h"

/* What the published tables say of each type, to know that every point was read. */
static const struct {
    const char *file;
    int points;
    double low_c, high_c, inverse_low_c;
} tables[THERMOCOUPLES] = {
    [TYPE_K] = {TEST_DATA "/nist/type_k.csv", 1643, -270, 1372, -200},
    [TYPE_J] = {TEST_DATA "/nist/type_j.csv", 1411, -210, 1200, -210},
    [TYPE_T] = {TEST_DATA "/nist/type_t.csv", 671, -270, 400, -200},
    [TYPE_N] = {TEST_DATA "/nist/type_n.csv", 1571, -270, 1300, -200},
    [TYPE_E] = {TEST_DATA "/nist/type_e.csv", 1271, -270, 1000, -200},
};

/* NIST ITS-90 Thermocouple Database (SRD 60): tables in steps of 1 C, rounded to 0.001 mV, so the
 * function may differ from an entry by half of that. */
static void test_every_point_of_the_nist_tables_is_met_to_half_a_microvolt(void **state)
{
    (void)state;
    for (enum thermocouple type = 0; type < THERMOCOUPLES; type++) {
        FILE *file = fopen(tables[type].file, "r");
        assert_non_null(file);
        char line[64];
        int points = 0;
        assert_non_null(fgets(line, sizeof line, file)); /* the header */
        while (fgets(line, sizeof line, file)) {
            char *comma;
            double temp_c = strtod(line, &comma), mv = 1e9;
            double published_mv = strtod(comma + 1, NULL);
            assert_int_equal(*comma, ',');
            assert_int_equal(thermocouple_mv(type, temp_c, &mv), 0);
            assert_near(mv, published_mv, 0.0005 + 1e-9);
            points++;
        }
        fclose(file);
        assert_int_equal(points, tables[type].points);
    }
}

/* Values with six decimals, computed from the same published coefficients in another program: they
 * would show a slip that the rounding of the tables hides. */
static void test_check_values_are_met_to_a_nanovolt(void **state)
{
    (void)state;
    static const struct {
        double temp_c, mv[THERMOCOUPLES];
    } checks[] = {
        {-200, {-5.891404, -7.890483, -5.602961, -3.990376, -8.824581}},
        {-100, {-3.553631, -4.632524, -3.378582, -2.406811, -5.237184}},
        {25, {1.000242, 1.277288, 0.991977, 0.658646, 1.495112}},
        {100, {4.096230, 5.268916, 4.278519, 2.774124, 6.318930}},
        {170, {6.940588, 9.115426, 7.719678, 4.937067, 11.224385}},
        {183, {7.459761, 9.835650, 8.392847, 5.356805, 12.170315}},
        {217, {8.819357, 11.722652, 10.199720, 6.478338, 14.686882}},
        {300, {12.208566, 16.327206, 14.861928, 9.341152, 21.036238}},
    };
    for (size_t i = 0; i < sizeof checks / sizeof checks[0]; i++) {
        for (enum thermocouple type = 0; type < THERMOCOUPLES; type++) {
            double mv = 1e9;
            assert_int_equal(thermocouple_mv(type, checks[i].temp_c, &mv), 0);
            assert_near(mv, checks[i].mv[type], 6e-7);
        }
    }
}

static void test_round_trip_is_exact_to_a_thousandth_of_a_degree_over_the_whole_range(void **state)
{
    (void)state;
    for (enum thermocouple type = 0; type < THERMOCOUPLES; type++) {
        double low_c = tables[type].inverse_low_c;
        int steps = (int)((tables[type].high_c - low_c) * 8);
        for (int i = 0; i <= steps; i++) {
            double temp_c = low_c + i / 8.0, mv, back_c = 1e9;
            assert_int_equal(thermocouple_mv(type, temp_c, &mv), 0);
            assert_int_equal(thermocouple_temp_c(type, mv, &back_c), 0);
            assert_near(back_c, temp_c, 1e-7); /* 0.001 C is what is promised */
        }
    }
}

/* The classes of IEC 60584-1 for the wire itself: class 1 is 1.5 C (T: 0.5 C) or 0.004 of t,
 * whichever is larger; from -40 C. The published voltages, rounded to 1 uV, must come back far
 * inside: a hundredth of the class for the rounding (up to 1/26 C per uV). */
static void test_conversion_is_lost_inside_class_1_of_the_wire(void **state)
{
    (void)state;
    for (enum thermocouple type = 0; type < THERMOCOUPLES; type++) {
        double class_c = type == TYPE_T ? 0.5 : 1.5;
        for (double temp_c = -40; temp_c <= 350; temp_c += 1) {
            double mv, back_c = 1e9;
            double allowed_c = fmax(class_c, 0.004 * fabs(temp_c));
            assert_int_equal(thermocouple_mv(type, temp_c, &mv), 0);
            double as_read_mv = floor(mv * 1000 + 0.5) / 1000;
            assert_int_equal(thermocouple_temp_c(type, as_read_mv, &back_c), 0);
            assert_near(back_c, temp_c, allowed_c / 30);
        }
    }
}

/* Worked by hand from the tables: the measured voltage plus that of the terminals, then inverted.
 * K with 7.400 mV and 23.4 C: 7.400 + 0.935461 mV is 204.9264 C. */
static void test_cold_junction_is_added_as_a_voltage(void **state)
{
    (void)state;
    static const struct {
        enum thermocouple type;
        double mv, cold_c, temp_c, wrong_c; /* wrong: degrees added to degrees */
    } examples[] = {
        {TYPE_K, 7.4, 23.4, 204.9264, 204.9026},
        {TYPE_J, 9.0, 23.4, 189.4719, 191.3147},
        {TYPE_T, 7.4, 23.4, 181.7368, 187.1567},
    };
    for (size_t i = 0; i < sizeof examples / sizeof examples[0]; i++) {
        double temp_c = 1e9;
        assert_int_equal(
            thermocouple_measured_c(examples[i].type, examples[i].mv, examples[i].cold_c, &temp_c),
            0);
        assert_near(temp_c, examples[i].temp_c, 0.0001);
        assert_true(fabs(temp_c - examples[i].wrong_c) > 0.01);
    }
}

static void test_a_junction_at_the_terminals_temperature_gives_no_voltage(void **state)
{
    (void)state;
    for (enum thermocouple type = 0; type < THERMOCOUPLES; type++) {
        for (double cold_c = 0; cold_c <= 60; cold_c += 0.5) {
            double temp_c = 1e9;
            assert_int_equal(thermocouple_measured_c(type, 0, cold_c, &temp_c), 0);
            assert_near(temp_c, cold_c, 1e-8);
        }
    }
}

static void test_outside_the_range_nothing_is_given(void **state)
{
    (void)state;
    for (enum thermocouple type = 0; type < THERMOCOUPLES; type++) {
        double low_c, high_c, low_mv, high_mv, out = 77;
        thermocouple_range_c(type, &low_c, &high_c);
        assert_near(low_c, tables[type].low_c, 0);
        assert_near(high_c, tables[type].high_c, 0);
        assert_int_equal(thermocouple_mv(type, tables[type].inverse_low_c, &low_mv), 0);
        assert_int_equal(thermocouple_mv(type, high_c, &high_mv), 0);

        const double temps[] = {low_c - 1e-6, high_c + 1e-6, NAN, HUGE_VAL, -HUGE_VAL};
        const double voltages[] = {low_mv - 1e-6, high_mv + 1e-6, NAN, HUGE_VAL, -HUGE_VAL};
        const double colds[] = {-0.001, 60.001, NAN};
        for (size_t i = 0; i < 5; i++) {
            assert_int_equal(thermocouple_mv(type, temps[i], &out), TL_RANGE);
            assert_int_equal(thermocouple_temp_c(type, voltages[i], &out), TL_RANGE);
            assert_int_equal(thermocouple_measured_c(type, voltages[i] + 0.0, 0, &out), TL_RANGE);
        }
        for (size_t i = 0; i < 3; i++)
            assert_int_equal(thermocouple_measured_c(type, 1, colds[i], &out), TL_RANGE);
        assert_near(out, 77, 0);
    }
    double out = 77;
    assert_int_equal(thermocouple_mv(THERMOCOUPLES, 20, &out), TL_RANGE);
    assert_int_equal(thermocouple_temp_c(THERMOCOUPLES, 1, &out), TL_RANGE);
    assert_int_equal(thermocouple_measured_c(THERMOCOUPLES, 1, 20, &out), TL_RANGE);
    assert_near(out, 77, 0);
}

static void test_types_are_found_by_their_letter(void **state)
{
    (void)state;
    const char *const letters[] = {"K", "J", "T", "N", "E"};
    for (enum thermocouple type = 0; type < THERMOCOUPLES; type++) {
        assert_string_equal(thermocouple_name(type), letters[type]);
        assert_int_equal(thermocouple_find(letters[type]), type);
    }
    assert_int_equal(thermocouple_find("k"), THERMOCOUPLES);
    assert_int_equal(thermocouple_find("B"), THERMOCOUPLES);
    assert_int_equal(thermocouple_find(""), THERMOCOUPLES);
    assert_string_equal(thermocouple_name(THERMOCOUPLES), "?");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_point_of_the_nist_tables_is_met_to_half_a_microvolt),
        cmocka_unit_test(test_check_values_are_met_to_a_nanovolt),
        cmocka_unit_test(test_round_trip_is_exact_to_a_thousandth_of_a_degree_over_the_whole_range),
        cmocka_unit_test(test_conversion_is_lost_inside_class_1_of_the_wire),
        cmocka_unit_test(test_cold_junction_is_added_as_a_voltage),
        cmocka_unit_test(test_a_junction_at_the_terminals_temperature_gives_no_voltage),
        cmocka_unit_test(test_outside_the_range_nothing_is_given),
        cmocka_unit_test(test_types_are_found_by_their_letter),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
