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
        within_share(got.model.plate.capacity_j_k, bench.plate.capacity_j_k, 0.03);
        within_share(got.model.plate.loss_w_k, bench.plate.loss_w_k, 0.03);
        within_share(got.model.plate.fan_loss_w_k, bench.plate.fan_loss_w_k, 0.03);
        within_share(got.model.plate.element_lag_s + got.model.plate.sensor_lag_s,
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

    within_share(got.model.plate.capacity_j_k, bench.plate.capacity_j_k, 0.005);
    within_share(got.model.plate.loss_w_k, bench.plate.loss_w_k, 0.005);
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

/* ---- the insert's contacts, by a coupon ---- */

struct coupon_bench {
    struct bench bench;
    struct board board;
    struct coupon coupon;
    double coupon_j_k;
    struct learn_input known; /* the plate as it was learned, the insert's contacts as stated */
};

/* A copper plate of 60 x 40 mm, or a blank board. */
static struct board board_of(double thick_mm, double copper_share)
{
    struct board board = {.name = "coupon"};
    board.slab[LAYER_LOWER] = (struct board_slab){true, 60, 40, thick_mm, copper_share, 0};
    return board;
}

static double capacity_of(const struct coupon_bench *b)
{
    struct thermal thermal;
    struct tl_error error = {0};
    struct thermal_setup setup = {.plate = b->bench.plate,
                                  .insert = b->bench.insert,
                                  .board = &b->board,
                                  .room_c = 23,
                                  .contact_factor = 1,
                                  .mass_factor = 1};
    double sum_j_k = 0;
    assert_int_equal(thermal_init(&thermal, &setup, &error), 0);
    for (int i = 0; i < SLAB_CELLS; i++)
        sum_j_k += thermal.node[thermal.slab[LAYER_LOWER] + i].capacity_j_k;
    return sum_j_k;
}

/* A drawn plate with a drawn insert, learned with contacts that are stated `off` times what they are. */
static void draw_coupon(struct coupon_bench *b, uint64_t seed, double quantum_k, double off)
{
    static struct learn_point point[STEP_SECONDS];
    struct learn_result got;
    struct tl_error error = {0};
    b->bench = drawn(seed, quantum_k);
    struct random *r = &b->bench.random;
    b->bench.insert = (struct insert){.capacity_j_k = between(r, 20, 80),
                                      .plate_w_k = between(r, 4, 15),
                                      .board_w_k = between(r, 0.8, 3)};
    b->coupon_j_k = capacity_of(b);
    int count = log_of(&b->bench, point);
    b->known = stranger(&b->bench, point, count);
    b->known.insert.plate_w_k *= off;
    b->known.insert.board_w_k *= off;
    assert_int_equal(learn_plate(&b->known, &got, &error), 0);
    b->known.stated = got.model.plate;
    b->known.coupon_j_k = b->coupon_j_k;
    b->known.board_lag_s = 1;
}

/* Its step test on another day: other mains, another draught. */
static int learn_by_coupon(struct coupon_bench *b, double sensor_lag_s, struct learn_result *got,
                           struct tl_error *error)
{
    static struct learn_point point[STEP_SECONDS];
    struct plate plate = b->bench.plate;
    b->coupon = (struct coupon){&b->board, 60, 66, sensor_lag_s, 1.3};
    plate.watts *= 1.05;
    plate.loss_w_k *= 1.05;
    b->known.count = step_test_with(&plate, &b->bench.insert, &b->coupon, b->bench.quantum_k,
                                    b->bench.noise_k, &b->bench.random, point);
    b->known.point = point;
    *error = (struct tl_error){0};
    return learn_coupon(&b->known, got, error);
}

static void test_a_coupon_with_a_sensor_tells_both_contacts(void **state)
{
    (void)state;
    double plate_squares = 0, board_squares = 0;
    enum { DRAWN = 12 };
    for (uint64_t seed = 1; seed <= DRAWN; seed++) {
        struct coupon_bench b = {.board = board_of(5, 1)};
        struct learn_result got;
        struct tl_error error;
        draw_coupon(&b, seed, 0.25, 1.3);

        assert_int_equal(learn_by_coupon(&b, 1, &got, &error), 0);

        double plate = got.model.insert.plate_w_k / b.bench.insert.plate_w_k;
        double board = got.model.insert.board_w_k / b.bench.insert.board_w_k;
        assert_true(got.board_read && !got.held[LEARN_PLATE_CONTACT]);
        assert_near(plate, 1, 0.08);
        assert_near(board, 1, 0.06);
        plate_squares += (plate - 1) * (plate - 1);
        board_squares += (board - 1) * (board - 1);
    }
    assert_true(sqrt(plate_squares / DRAWN) < 0.03);
    assert_true(sqrt(board_squares / DRAWN) < 0.025);
}

/* The heavier the better; where the plate's contact is not told, it is held and the other is right if it is. */
static void test_without_a_sensor_a_heavy_coupon_tells_the_boards_contact(void **state)
{
    (void)state;
    int told = 0;
    for (uint64_t seed = 1; seed <= 10; seed++) {
        struct coupon_bench b = {.board = board_of(10, 1)};
        struct learn_result got;
        struct tl_error error;
        draw_coupon(&b, seed, 0.25, 1);

        if (learn_by_coupon(&b, 0, &got, &error)) {
            assert_has(error.text, "board contact");
            continue;
        }

        assert_false(got.board_read);
        assert_near(got.model.insert.board_w_k / b.bench.insert.board_w_k, 1, 0.08);
        told++;
    }
    assert_true(told >= 9);
}

static void test_a_light_coupon_without_a_sensor_is_refused(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 4; seed++) {
        struct coupon_bench b = {.board = board_of(1.6, 0.08)};
        struct learn_result got;
        struct tl_error error;
        draw_coupon(&b, seed, 0.25, 1);

        assert_int_equal(learn_by_coupon(&b, 0, &got, &error), TL_RANGE);

        assert_has(error.text, "board contact");
    }
}

static void refused_coupon(const struct learn_input *input, int code, const char *word)
{
    struct learn_result got;
    struct tl_error error = {0};
    assert_int_equal(learn_coupon(input, &got, &error), code);
    assert_has(error.text, word);
}

static void test_a_coupons_log_that_tells_nothing_is_refused(void **state)
{
    (void)state;
    static struct learn_point other[STEP_SECONDS];
    struct coupon_bench b = {.board = board_of(5, 1)};
    struct learn_result got;
    struct tl_error error;
    draw_coupon(&b, 3, 0.25, 1);
    assert_int_equal(learn_by_coupon(&b, 1, &got, &error), 0);
    struct learn_input input = b.known;

    input.insert.capacity_j_k = 0;
    refused_coupon(&input, TL_MISSING, "no insert");
    input = b.known;
    input.stated.watts *= 0.8; /* not the plate that was learned */
    refused_coupon(&input, TL_RANGE, "of what is stated");
    input = b.known;
    input.point = memcpy(other, b.known.point, sizeof other);
    for (int i = 900; i < STEP_SECONDS; i++)
        other[i].board_c -= 8; /* the sensor came off */
    refused_coupon(&input, TL_RANGE, "misses the readings");
    for (int i = 0; i < STEP_SECONDS; i++)
        other[i].coupon = false;
    refused_coupon(&input, TL_MISSING, "no coupon");
}

static void test_a_coupons_log_ends_where_the_fan_begins(void **state)
{
    (void)state;
    static struct learn_point other[STEP_SECONDS];
    struct coupon_bench b = {.board = board_of(5, 1)};
    struct learn_result got, cut;
    struct tl_error error;
    draw_coupon(&b, 3, 0.25, 1);
    assert_int_equal(learn_by_coupon(&b, 1, &got, &error), 0);
    struct learn_input input = b.known;
    input.point = memcpy(other, b.known.point, sizeof other);

    for (int i = 1400; i < STEP_SECONDS; i++) {
        other[i].fan = 1;
        other[i].board_c -= 20;
    }
    assert_int_equal(learn_coupon(&input, &cut, &error), 0);

    assert_int_equal(cut.count, 1400);
    assert_near(cut.model.insert.board_w_k / got.model.insert.board_w_k, 1, 0.02);
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

    within_share(got.model.plate.capacity_j_k, bench.plate.capacity_j_k, 0.03);
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
            point[i] = (struct learn_point){.t_s = t_s, .duty = on};
        }
        learn_predict(
            &(struct learn_model){.plate = bench.plate, .insert = bench.insert, .start_c = 23},
            point, 2000);

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
        cmocka_unit_test(test_a_coupon_with_a_sensor_tells_both_contacts),
        cmocka_unit_test(test_without_a_sensor_a_heavy_coupon_tells_the_boards_contact),
        cmocka_unit_test(test_a_light_coupon_without_a_sensor_is_refused),
        cmocka_unit_test(test_a_coupons_log_that_tells_nothing_is_refused),
        cmocka_unit_test(test_a_coupons_log_ends_where_the_fan_begins),
        cmocka_unit_test(test_missing_readings_are_passed_over),
        cmocka_unit_test(test_the_pulse_of_the_seat_test_raises_the_plate_by_what_it_says),
        cmocka_unit_test(test_a_pulse_that_the_heater_cannot_give_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
