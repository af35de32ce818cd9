/* SPDX-License-Identifier: MIT */
#include "check.h"

#include "tinlatch/board.h"

static void test_a_board_of_zeros_has_nothing_on_it_and_limits_nothing(void **state)
{
    (void)state;
    static const struct board nothing;
    struct limits merged = *limits_built_in();
    struct limit_origins origins = {0};

    limits_tighten(&merged, &origins, &nothing.limits, LAYER_BOARD, NULL);

    assert_memory_equal(&merged, limits_built_in(), sizeof merged);
    for (enum limit_id id = 0; id < LIMITS; id++)
        assert_int_equal(origins.of[id].layer, LAYER_BUILT_IN);
}

static void test_every_rail_of_a_full_board_fits_its_limits(void **state)
{
    (void)state;
    static struct board board;
    assert_int_equal(sizeof board.rail / sizeof board.rail[0],
                     sizeof board.limits.rail / sizeof board.limits.rail[0]);

    board.rail_count = board.limits.rail_count = BENCH_RAILS;
    for (int i = 0; i < BENCH_RAILS; i++) {
        snprintf(board.rail[i].limits.name, BENCH_NAME, "rail %d", i);
        board.rail[i].limits.mv = 1000 + i;
        board.limits.rail[i] = board.rail[i].limits;
    }
    struct limits merged = *limits_built_in();
    struct limit_origins origins = {0};
    limits_tighten(&merged, &origins, &board.limits, LAYER_BOARD, NULL);

    assert_int_equal(merged.rail_count, BENCH_RAILS);
    assert_string_equal(merged.rail[BENCH_RAILS - 1].name, "rail 15");
    assert_int_equal(merged.rail[BENCH_RAILS - 1].mv, 1015);
}

/* J-STD-020D table 4-2, lead-free, as two vendors print it (revision C has the same figures). Volume without leads and
 * balls, which a part's body here is. */
static void test_a_part_that_states_no_limit_bears_the_class_of_its_size(void **state)
{
    (void)state;
    static const struct {
        double length_mm, width_mm, thick_mm, class_c;
    } rows[] = {
        {10, 10, 1.5, 260}, /* thinner than 1.6 mm: 150, 600, 2400 mm3 */
        {20, 20, 1.5, 260}, {40, 40, 1.5, 260}, {10, 10, 1.6, 260}, /* 1.6 to 2.5 mm: 160 mm3 */
        {14, 10, 2.5, 250},                                         /* 350 */
        {40, 20, 2.5, 250},                                         /* 2000 */
        {40, 40, 1.6, 245},                                         /* 2560 */
        {10, 10, 2.6, 250},                                         /* thicker: 260 mm3 */
        {20, 20, 2.6, 245},                                         /* 1040 */
        {40, 40, 2.6, 245},                                         /* 4160 */
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct board_part part = {.length_mm = rows[i].length_mm,
                                  .width_mm = rows[i].width_mm,
                                  .thick_mm = rows[i].thick_mm};
        assert_true(board_part_bears_c(&part) == rows[i].class_c);
        part.max_c = 105; /* an electrolytic capacitor's */
        assert_true(board_part_bears_c(&part) == 105);
    }
}

/* The same, table 5-2, lead-free, with note 2 for a user: 260 C never, 255 C for 30 s at most. */
static void test_a_part_is_near_its_class_for_half_a_minute_at_most(void **state)
{
    (void)state;
    assert_int_equal(BOARD_NEAR_K, 5);
    assert_int_equal(BOARD_NEAR_S, 30);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_board_of_zeros_has_nothing_on_it_and_limits_nothing),
        cmocka_unit_test(test_every_rail_of_a_full_board_fits_its_limits),
        cmocka_unit_test(test_a_part_that_states_no_limit_bears_the_class_of_its_size),
        cmocka_unit_test(test_a_part_is_near_its_class_for_half_a_minute_at_most),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
