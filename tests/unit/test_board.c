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

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_board_of_zeros_has_nothing_on_it_and_limits_nothing),
        cmocka_unit_test(test_every_rail_of_a_full_board_fits_its_limits),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
