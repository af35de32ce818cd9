/* SPDX-License-Identifier: MIT */
#include "check.h"

#include "drawn_plates.h"
#include "tinlatch/learn.h"
#include "tinlatch/thermal.h"
#include "tinlatch/world.h"

struct bench {
    struct plate plate;
    struct insert insert;
    double quantum_k, noise_k;
    struct random random;
};

static struct bench drawn(uint64_t seed, double quantum_k)
{
    struct bench bench = {.quantum_k = quantum_k, .noise_k = 0.1, .random = {seed}};
    struct random *r = &bench.random;
    bench.plate = (struct plate){.watts = between(r, 200, 1000), .length_mm = 120, .width_mm = 100};
    bench.plate.capacity_j_k = bench.plate.watts * between(r, 0.5, 1.3);
    bench.plate.loss_w_k = bench.plate.watts * between(r, 0.001, 0.0025);
    bench.plate.emissivity_area = between(r, 0.003, 0.012);
    bench.plate.element_lag_s = between(r, 1.5, 8);
    bench.plate.sensor_lag_s = between(r, 0.5, 3);
    bench.plate.fan_loss_w_k = bench.plate.loss_w_k * between(r, 2, 5);
    return bench;
}

static int log_of(struct bench *bench, struct learn_point *point)
{
    int count = step_test(&bench->plate, &bench->insert, bench->quantum_k, bench->noise_k,
                          &bench->random, point);
    assert_int_equal(count, STEP_SECONDS);
    return count;
}

/* A stranger's guess at the plate: what its owner would write from a data sheet. */
static struct learn_input stranger(const struct bench *bench, const struct learn_point *point,
                                   int count)
{
    struct learn_input input = {.point = point,
                                .count = count,
                                .stated = bench->plate,
                                .insert = bench->insert,
                                .room_c = 22};
    input.stated.capacity_j_k *= 1.4;
    input.stated.loss_w_k *= 0.5;
    input.stated.element_lag_s = 4;
    input.stated.fan_loss_w_k = 1;
    return input;
}

#define within_share(got, true_value, share) assert_near((got) / (true_value), 1, (share))

static void recovers(double quantum_k)
{
    static struct learn_point point[STEP_SECONDS];
    for (uint64_t seed = 1; seed <= 50; seed++) {
        struct bench bench = drawn(seed, quantum_k);
        int count = log_of(&bench, point);
        struct learn_input input = stranger(&bench, point, count);
        struct learn_result got;
        struct tl_error error = {0};

        int failed = learn_plate(&input, &got, &error);
        if (failed)
            print_error("plate %d: %s\n", (int)seed, error.text);

        assert_int_equal(failed, 0);
        within_share(got.plate.capacity_j_k, bench.plate.capacity_j_k, 0.03);
        within_share(got.plate.loss_w_k, bench.plate.loss_w_k, 0.03);
        within_share(got.plate.fan_loss_w_k, bench.plate.fan_loss_w_k, 0.03);
        within_share(got.plate.element_lag_s + got.plate.sensor_lag_s,
                     bench.plate.element_lag_s + bench.plate.sensor_lag_s, 0.03);
    }
}

static void test_fifty_plates_are_recovered_from_quarter_degree_readings(void **state)
{
    (void)state;
    recovers(0.25);
}

static void test_fifty_plates_are_recovered_from_whole_degree_readings(void **state)
{
    (void)state;
    recovers(1);
}

static void test_an_insert_of_known_weight_is_told_from_the_plate(void **state)
{
    (void)state;
    static struct learn_point point[STEP_SECONDS];
    struct bench bench = drawn(7, 0.25);
    bench.insert = (struct insert){.capacity_j_k = 45, .plate_w_k = 8, .board_w_k = 1};
    int count = log_of(&bench, point);
    struct learn_input input = stranger(&bench, point, count);
    struct learn_result got;
    struct tl_error error = {0};

    assert_int_equal(learn_plate(&input, &got, &error), 0);

    within_share(got.plate.capacity_j_k, bench.plate.capacity_j_k, 0.03);
    within_share(got.plate.loss_w_k, bench.plate.loss_w_k, 0.03);
}

static void refused(const struct learn_input *input, int code, const char *word)
{
    struct learn_result got;
    struct tl_error error = {0};
    assert_int_equal(learn_plate(input, &got, &error), code);
    assert_has(error.text, word);
}

static void test_a_log_that_no_plate_can_have_is_refused(void **state)
{
    (void)state;
    static struct learn_point point[STEP_SECONDS];
    struct bench bench = drawn(3, 0.25);
    int count = log_of(&bench, point);
    for (int i = 400; i < count; i++)
        point[i].reading_c -= 12; /* the sensor slipped */
    struct learn_input input = stranger(&bench, point, count);

    refused(&input, TL_RANGE, "misses the readings");
}

static void test_a_log_without_cooling_is_refused(void **state)
{
    (void)state;
    static struct learn_point point[STEP_SECONDS];
    struct bench bench = drawn(3, 0.25);
    log_of(&bench, point);
    struct learn_input input = stranger(&bench, point, 135);

    refused(&input, TL_MISSING, "cooled");
}

static void test_a_short_a_warm_and_a_cold_log_are_refused(void **state)
{
    (void)state;
    static struct learn_point point[STEP_SECONDS];
    struct bench bench = drawn(3, 0.25);
    int count = log_of(&bench, point);
    struct learn_input input = stranger(&bench, point, 50);

    refused(&input, TL_MISSING, "50 readings");
    input.count = count;
    input.room_c = 8;
    refused(&input, TL_MISSING, "let it cool");
    input.room_c = 22;
    for (int i = 0; i < count; i++)
        point[i].reading_c = 23;
    refused(&input, TL_MISSING, "rises by 0 K");
}

static void test_missing_readings_are_passed_over(void **state)
{
    (void)state;
    static struct learn_point point[STEP_SECONDS];
    struct bench bench = drawn(9, 0.25);
    int count = log_of(&bench, point);
    for (int i = 0; i < count; i += 3)
        point[i].reading_c = NAN;
    struct learn_input input = stranger(&bench, point, count);
    struct learn_result got;
    struct tl_error error = {0};

    assert_int_equal(learn_plate(&input, &got, &error), 0);

    within_share(got.plate.capacity_j_k, bench.plate.capacity_j_k, 0.03);
}

static void test_the_pulse_of_the_seat_test_raises_the_plate_by_what_it_says(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 10; seed++) {
        struct bench bench = drawn(seed, 0);
        struct learn_pulse pulse;
        static struct learn_point point[2000];

        assert_true(learn_pulse(&bench.plate, &bench.insert, 23, 25, &pulse));
        for (int i = 0; i < 2000; i++) {
            double t_s = i * 0.05;
            double on = fmin(fmax((pulse.pulse_s - t_s) / 0.05, 0), 1);
            point[i] = (struct learn_point){t_s, on, 0, NAN};
        }
        learn_predict(&bench.plate, &bench.insert, 23, point, 2000);

        double top_c = 0;
        for (int i = 0; i < 2000; i++)
            top_c = fmax(top_c, point[i].reading_c);
        assert_near(top_c - 23, 25, 0.1);
        assert_true(pulse.top_s > pulse.pulse_s);
    }
}

static void test_a_pulse_that_the_heater_cannot_give_is_said(void **state)
{
    (void)state;
    struct bench bench = drawn(1, 0);
    struct learn_pulse pulse;
    bench.plate.watts = 5;

    assert_false(learn_pulse(&bench.plate, &bench.insert, 23, 25, &pulse));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_fifty_plates_are_recovered_from_quarter_degree_readings),
        cmocka_unit_test(test_fifty_plates_are_recovered_from_whole_degree_readings),
        cmocka_unit_test(test_an_insert_of_known_weight_is_told_from_the_plate),
        cmocka_unit_test(test_a_log_that_no_plate_can_have_is_refused),
        cmocka_unit_test(test_a_log_without_cooling_is_refused),
        cmocka_unit_test(test_a_short_a_warm_and_a_cold_log_are_refused),
        cmocka_unit_test(test_missing_readings_are_passed_over),
        cmocka_unit_test(test_the_pulse_of_the_seat_test_raises_the_plate_by_what_it_says),
        cmocka_unit_test(test_a_pulse_that_the_heater_cannot_give_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
