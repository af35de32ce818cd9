/* SPDX-License-Identifier: MIT */
#include "check.h"

#include "tinlatch/limits.h"

/* The four layers of one run. */
struct layers {
    struct limits merged;
    struct limit_origins origins;
    struct limits bench, board, recipe;
    int32_t lines[LIMITS];
};

static struct layers example(void)
{
    struct layers l = {.merged = *limits_built_in()};
    l.bench.plate_mc = 250000;
    l.bench.supply_mv = 12000;
    l.bench.inject_mv = 1200;
    l.board.plate_mc = 240000;
    l.board.board_mc = 230000;
    l.board.rail_count = 3;
    l.board.rail[0] = (struct rail_limits){"battery rail", 4400, 2000, 800, 2500};
    l.board.rail[1] = (struct rail_limits){"core", 1000, 1000, 1500, 9000};
    l.board.rail[2] = (struct rail_limits){"charger", 15000, 9000, 0, 0};
    l.recipe.plate_mc = 190000;
    l.recipe.rail_count = 2;
    l.recipe.rail[0] = (struct rail_limits){.name = "core", .inject_ma = 700};
    l.recipe.rail[1] = (struct rail_limits){.name = "battery rail", .mv = 4000, .ma = 9000};
    for (int i = 0; i < LIMITS; i++)
        l.lines[i] = 10 + i;
    return l;
}

static void merge(struct layers *l)
{
    limits_tighten(&l->merged, &l->origins, &l->bench, LAYER_BENCH, l->lines);
    limits_tighten(&l->merged, &l->origins, &l->board, LAYER_BOARD, NULL);
    limits_tighten(&l->merged, &l->origins, &l->recipe, LAYER_RECIPE, NULL);
}

static void assert_rail(const struct rail_limits *rail, int mv, int ma, int inject_mv,
                        int inject_ma)
{
    assert_int_equal(rail->mv, mv);
    assert_int_equal(rail->ma, ma);
    assert_int_equal(rail->inject_mv, inject_mv);
    assert_int_equal(rail->inject_ma, inject_ma);
}

static void test_built_in_ceilings_are_those_of_the_list_and_nothing_is_in_use(void **state)
{
    (void)state;
    const struct limits *built_in = limits_built_in();
#define X(field, key, unit, scale, ceiling) assert_int_equal(built_in->field, ceiling);
    LIMIT_LIST(X)
#undef X
    assert_false(built_in->uses_plate || built_in->uses_supply);
    assert_int_equal(built_in->rail_count, 0);
    assert_int_equal(built_in->stale_ms, 1000);
    assert_int_equal(built_in->silent_ms, 1000);
    assert_int_equal(built_in->recipe_silent_ms, 1000);
    assert_int_equal(built_in->front_pause_ms, 2000);
    assert_int_equal(built_in->front_stop_ms, 10000);
    assert_int_equal(built_in->keeper_silent_ms, 500);
    assert_int_equal(built_in->scan_late_ms, 200);
    assert_int_equal(built_in->record_late_ms, 1000);
    assert_int_equal(built_in->presence_ms, 11 * 60000);
}

static void test_fields_are_read_and_written_by_number(void **state)
{
    (void)state;
    struct limits limits = {0};
    for (enum limit_id id = 0; id < LIMITS; id++)
        limits_set(&limits, id, 100 + (int32_t)id);
    limits_set(&limits, LIMITS, 7);
    limits_set(&limits, (enum limit_id)77, 7);

    assert_int_equal(limits.plate_mc, 100);
    assert_int_equal(limits.power_mc, 100 + LIMITS - 1);
    for (enum limit_id id = 0; id < LIMITS; id++)
        assert_int_equal(limits_get(&limits, id), 100 + (int32_t)id);
    assert_int_equal(limits_get(&limits, LIMITS), 0);
    assert_int_equal(limits_get(&limits, (enum limit_id)77), 0);
    assert_string_equal(limit_key(LIMIT_heat_time_ms), "heat_time");
    assert_int_equal(limit_unit(LIMIT_supply_ma), UNIT_AMPS);
    assert_int_equal(limit_scale(LIMIT_ramp_mc_s), 1000);
}

static void test_a_limit_matters_when_the_run_uses_what_it_is_of(void **state)
{
    (void)state;
    for (enum limit_id id = 0; id <= LIMITS; id++) {
        bool heat = id <= LIMIT_heat_time_ms, of_board = id == LIMIT_board_mc;
        struct limits limits = {.has_board = true};
        assert_int_equal(limit_is_of_supply(id), !heat);
        assert_false(limit_matters(&limits, id));
        limits.uses_plate = true;
        assert_int_equal(limit_matters(&limits, id), heat);
        limits.has_board = false;
        assert_int_equal(limit_matters(&limits, id), heat && !of_board);
        limits = (struct limits){.uses_supply = true};
        assert_int_equal(limit_matters(&limits, id), !heat);
    }
    assert_true(limit_is_of_supply((enum limit_id)77));
}

static void test_layers_have_names(void **state)
{
    (void)state;
    assert_string_equal(limit_layer_name(LAYER_BUILT_IN), "built in");
    assert_string_equal(limit_layer_name(LAYER_BENCH), "bench");
    assert_string_equal(limit_layer_name(LAYER_BOARD), "board");
    assert_string_equal(limit_layer_name(LAYER_RECIPE), "recipe");
    assert_string_equal(limit_layer_name(LAYERS), "?");
    assert_string_equal(limit_layer_name((enum limit_layer)77), "?");
}

static void test_what_a_rail_may_be_given_is_one_sentence(void **state)
{
    (void)state;
    char text[RAIL_GIVEN];
    struct rail_limits rail = {"battery", 4200, 3000, 1000, 1200};

    assert_string_equal(rail_given(&rail, text),
                        "fed up to 4.20 V, 3.000 A; injected up to 1.00 V, 1.200 A");
    rail.mv = 0;
    assert_string_equal(rail_given(&rail, text), "not fed; injected up to 1.00 V, 1.200 A");
    rail.inject_mv = 0;
    assert_string_equal(rail_given(&rail, text), "not fed; not injected");
    rail = (struct rail_limits){"battery", INT32_MAX, INT32_MAX, INT32_MAX, INT32_MAX};
    assert_has(rail_given(&rail, text), "injected up to 2147483.65 V, 2147483.647 A");
}

static void test_the_tightest_wins_and_keeps_its_origin(void **state)
{
    (void)state;
    struct layers l = example();

    merge(&l);

    assert_int_equal(l.merged.plate_mc, 190000);
    assert_int_equal(l.origins.of[LIMIT_plate_mc].layer, LAYER_RECIPE);
    assert_int_equal(l.origins.of[LIMIT_plate_mc].line, 0);
    assert_int_equal(l.merged.board_mc, 230000);
    assert_int_equal(l.origins.of[LIMIT_board_mc].layer, LAYER_BOARD);
    assert_int_equal(l.merged.supply_mv, 12000);
    assert_int_equal(l.origins.of[LIMIT_supply_mv].layer, LAYER_BENCH);
    assert_int_equal(l.origins.of[LIMIT_supply_mv].line, 10 + LIMIT_supply_mv);
    assert_int_equal(l.merged.ramp_mc_s, 3000);
    assert_int_equal(l.origins.of[LIMIT_ramp_mc_s].layer, LAYER_BUILT_IN);
}

static void test_each_field_is_tightened_alone_with_its_line_or_without(void **state)
{
    (void)state;
    for (enum limit_id id = 0; id < LIMITS; id++) {
        for (int with_lines = 0; with_lines < 2; with_lines++) {
            struct layers l = example();
            struct limits layer = {0};
            int32_t least = limits_get(&l.merged, id) - 1;
            limits_set(&layer, id, least);

            limits_tighten(&l.merged, &l.origins, &layer, LAYER_RECIPE,
                           with_lines ? l.lines : NULL);

            for (enum limit_id other = 0; other < LIMITS; other++) {
                bool is_it = other == id;
                assert_int_equal(limits_get(&l.merged, other),
                                 is_it ? least : limits_get(limits_built_in(), other));
                assert_int_equal(l.origins.of[other].layer, is_it ? LAYER_RECIPE : LAYER_BUILT_IN);
                assert_int_equal(l.origins.of[other].line, is_it && with_lines ? l.lines[id] : 0);
            }
        }
    }
}

static void test_an_equal_or_higher_or_missing_value_changes_nothing(void **state)
{
    (void)state;
    struct layers l = example();
    const int32_t values[] = {350000, 350001, INT32_MAX, 0, -1, INT32_MIN};

    for (size_t i = 0; i < sizeof values / sizeof values[0]; i++) {
        l.recipe.plate_mc = values[i];
        limits_tighten(&l.merged, &l.origins, &l.recipe, LAYER_RECIPE, NULL);
        assert_int_equal(l.merged.plate_mc, 350000);
        assert_int_equal(l.origins.of[LIMIT_plate_mc].layer, LAYER_BUILT_IN);
    }
}

static void test_rails_are_the_boards_and_the_recipe_chooses_among_them(void **state)
{
    (void)state;
    struct layers l = example();

    limits_tighten(&l.merged, &l.origins, &l.bench, LAYER_BENCH, l.lines);
    limits_tighten(&l.merged, &l.origins, &l.board, LAYER_BOARD, NULL);
    assert_int_equal(l.merged.rail_count, 3);
    assert_rail(&l.merged.rail[0], 4400, 2000, 800, 2500);
    assert_rail(&l.merged.rail[1], 1000, 1000, 1000, 3000); /* its own volts, the built-in amps */
    assert_rail(&l.merged.rail[2], 12000, 5000, 0, 0);      /* what the bench's supply may give */

    limits_tighten(&l.merged, &l.origins, &l.recipe, LAYER_RECIPE, NULL);
    assert_int_equal(l.merged.rail_count, 3);
    assert_rail(&l.merged.rail[0], 4000, 2000, 800, 2500); /* lowered, never raised */
    assert_rail(&l.merged.rail[1], 1000, 1000, 1000, 700);
    assert_rail(&l.merged.rail[2], 0, 0, 0, 0); /* not named */
}

static void test_a_rail_is_found_by_every_byte_of_its_name_and_by_no_more(void **state)
{
    (void)state;
    struct limits limits = {.rail_count = 3};
    strcpy(limits.rail[0].name, "a rail");
    strcpy(limits.rail[1].name, "b rail");
    memset(limits.rail[2].name, 'n', BENCH_NAME); /* no NUL; what follows is its volts */
    limits.rail[2].mv = 1;
    struct rail_limits asked = {.mv = 2};
    memset(asked.name, 'n', BENCH_NAME);

    assert_int_equal(limits_find_rail(&limits, "b rail"), 1);
    assert_int_equal(limits_find_rail(&limits, asked.name), 2);
    assert_int_equal(limits_find_rail(&limits, "c rail"), -1);
}

static void test_a_recipe_without_rails_feeds_none(void **state)
{
    (void)state;
    struct layers l = example();
    l.recipe.rail_count = 0;

    merge(&l);

    assert_int_equal(l.merged.rail_count, 3);
    for (int i = 0; i < 3; i++)
        assert_rail(&l.merged.rail[i], 0, 0, 0, 0);
}

static void test_a_recipe_or_a_bench_cannot_add_a_rail(void **state)
{
    (void)state;
    struct layers l = example();
    l.recipe.rail[1] = (struct rail_limits){"secret", 5000, 1000, 1000, 1000};
    l.bench.rail_count = 1;
    l.bench.rail[0] = l.recipe.rail[1];

    merge(&l);

    assert_int_equal(l.merged.rail_count, 3);
    for (int i = 0; i < 3; i++)
        assert_string_not_equal(l.merged.rail[i].name, "secret");
}

static void test_a_rail_count_that_lies_reads_nothing_outside_the_table(void **state)
{
    (void)state;
    struct layers l = example();
    l.board.rail_count = INT32_MAX;
    l.recipe.rail_count = INT32_MAX;
    memset(l.recipe.rail[BENCH_RAILS - 1].name, 'x', BENCH_NAME); /* no NUL */

    merge(&l);
    assert_int_equal(l.merged.rail_count, BENCH_RAILS);

    l.board.rail_count = l.recipe.rail_count = -5;
    merge(&l);
    assert_int_equal(l.merged.rail_count, 0);
}

/* A full table of rails ends where they begin. */
static void test_what_a_run_uses_and_its_times_are_nobodys_to_merge(void **state)
{
    (void)state;
    const size_t from = offsetof(struct limits, uses_plate);
    struct layers l = example();
    l.merged.uses_plate = l.merged.has_board = true;
    l.board.rail_count = l.recipe.rail_count = BENCH_RAILS;
    const struct limits before = l.merged;

    merge(&l);

    assert_int_equal(l.merged.rail_count, BENCH_RAILS);
    assert_memory_equal((const char *)&l.merged + from, (const char *)&before + from,
                        sizeof before - from);
}

static void test_no_merge_ever_widens(void **state)
{
    (void)state;
    uint64_t seed = 11;
    for (int run = 0; run < 2000; run++) {
        struct layers l = example();
        for (int layer = LAYER_BENCH; layer < LAYERS; layer++) {
            struct limits any = l.board;
            for (enum limit_id id = 0; id < LIMITS; id++) {
                seed = seed * 6364136223846793005U + 1442695040888963407U;
                limits_set(&any, id, (int32_t)(seed >> 44) - 50000);
            }
            struct limits before = l.merged;
            limits_tighten(&l.merged, &l.origins, &any, (enum limit_layer)layer, NULL);
            for (enum limit_id id = 0; id < LIMITS; id++) {
                assert_true(limits_get(&l.merged, id) <= limits_get(&before, id));
                assert_true(limits_get(&any, id) <= 0 ||
                            limits_get(&l.merged, id) <= limits_get(&any, id));
                assert_true(limits_get(&l.merged, id) > 0);
            }
            for (int i = 0; i < l.merged.rail_count; i++) {
                const struct rail_limits *rail = &l.merged.rail[i];
                assert_true(rail->mv <= l.merged.supply_mv && rail->ma <= l.merged.supply_ma);
                assert_true(rail->inject_mv <= l.merged.inject_mv &&
                            rail->inject_ma <= l.merged.inject_ma);
            }
        }
    }
}

static void test_check_names_the_field_and_whose_limit_it_is(void **state)
{
    (void)state;
    struct layers l = example();
    struct tl_error error = {0};
    enum limit_id id = LIMITS;
    merge(&l);
    assert_int_equal(limits_check(&l.merged, &l.origins, &l.recipe, &id, &error), TL_LIMIT);
    assert_int_equal(id, LIMIT_supply_ma); /* 9 A on the battery rail */
    assert_string_equal(error.text,
                        "battery rail: supply_amps = 9 A is above the board's limit of 2 A");

    l.recipe.rail[1].ma = 2000;
    assert_int_equal(limits_check(&l.merged, &l.origins, &l.recipe, &id, &error), 0);

    l = example();
    limits_tighten(&l.merged, &l.origins, &l.bench, LAYER_BENCH, l.lines);
    l.recipe.plate_mc = 300000;
    assert_int_equal(limits_check(&l.merged, &l.origins, &l.recipe, &id, &error), TL_LIMIT);
    assert_int_equal(id, LIMIT_plate_mc);
    assert_string_equal(error.text, "ceiling.plate = 300 C is above the bench's limit of 250 C");
    assert_string_equal(error.token, "plate");

    l.bench.ramp_mc_s = 3500;
    assert_int_equal(limits_check(&l.merged, &l.origins, &l.bench, &id, &error), TL_LIMIT);
    assert_string_equal(error.text,
                        "ceiling.ramp = 3.5 C/s is above this build's ceiling of 3 C/s");
    assert_int_equal(limits_check(&l.merged, &l.origins, &l.bench, NULL, NULL), TL_LIMIT);
}

static void test_check_blames_the_layer_that_cut_a_rail(void **state)
{
    (void)state;
    struct layers l = example();
    struct tl_error error = {0};
    enum limit_id id;
    l.recipe.rail_count = 1;
    l.recipe.rail[0] = (struct rail_limits){.name = "charger", .mv = 13000};
    limits_tighten(&l.merged, &l.origins, &l.bench, LAYER_BENCH, NULL);
    limits_tighten(&l.merged, &l.origins, &l.board, LAYER_BOARD, NULL);

    assert_int_equal(limits_check(&l.merged, &l.origins, &l.recipe, &id, &error), TL_LIMIT);

    assert_int_equal(id, LIMIT_supply_mv);
    assert_string_equal(error.text,
                        "charger: supply_volts = 13 V is above the bench's limit of 12 V");
}

static void test_a_rail_that_may_only_be_injected_keeps_its_injection_limits(void **state)
{
    (void)state;
    struct layers l = example();
    l.board.rail[0].mv = l.board.rail[0].ma = 0;
    l.board.rail[1].mv = 1;
    l.recipe.rail[1] = (struct rail_limits){.name = "battery rail", .mv = 4000, .inject_ma = 1};

    merge(&l);

    assert_rail(&l.merged.rail[0], 0, 0, 800, 1);
    assert_rail(&l.merged.rail[1], 1, 1000, 1, 700);
}

static void test_the_smallest_value_is_stated_too(void **state)
{
    (void)state;
    struct layers l = example();
    l.recipe.heat_time_ms = 1;

    merge(&l);

    assert_int_equal(l.merged.heat_time_ms, 1);
    assert_int_equal(l.origins.of[LIMIT_heat_time_ms].layer, LAYER_RECIPE);
}

static void test_check_leaves_rails_that_the_board_does_not_have_to_others(void **state)
{
    (void)state;
    struct layers l = example();
    merge(&l);
    struct limits other = {.rail_count = 1, .rail[0] = {"elsewhere", 9000, 9000, 9000, 9000}};

    assert_int_equal(limits_check(&l.merged, &l.origins, &other, NULL, NULL), 0);
    other.rail_count = BENCH_RAILS + 1; /* as many as there are, no more */
    assert_int_equal(limits_check(&l.merged, &l.origins, &other, NULL, NULL), 0);
}

static void test_check_names_a_rail_of_any_length(void **state)
{
    (void)state;
    struct layers l = example();
    struct tl_error error = {0};
    memset(l.board.rail[0].name, 'n', BENCH_NAME); /* no NUL */
    l.recipe.rail[0] = l.board.rail[0];
    l.recipe.rail[0].ma = 3000;
    limits_tighten(&l.merged, &l.origins, &l.board, LAYER_BOARD, NULL);

    assert_int_equal(limits_check(&l.merged, &l.origins, &l.recipe, NULL, &error), TL_LIMIT);

    assert_has(error.text, "nnnnnnnnnnnnnnnnnnnnnnnnnnnnnnn: supply_amps = 3 A");
}

static void test_check_allows_what_equals_the_limit(void **state)
{
    (void)state;
    struct layers l = example();
    struct limits same = *limits_built_in();

    assert_int_equal(limits_check(&l.merged, &l.origins, &same, NULL, NULL), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_built_in_ceilings_are_those_of_the_list_and_nothing_is_in_use),
        cmocka_unit_test(test_fields_are_read_and_written_by_number),
        cmocka_unit_test(test_a_limit_matters_when_the_run_uses_what_it_is_of),
        cmocka_unit_test(test_layers_have_names),
        cmocka_unit_test(test_what_a_rail_may_be_given_is_one_sentence),
        cmocka_unit_test(test_the_tightest_wins_and_keeps_its_origin),
        cmocka_unit_test(test_each_field_is_tightened_alone_with_its_line_or_without),
        cmocka_unit_test(test_an_equal_or_higher_or_missing_value_changes_nothing),
        cmocka_unit_test(test_rails_are_the_boards_and_the_recipe_chooses_among_them),
        cmocka_unit_test(test_a_rail_is_found_by_every_byte_of_its_name_and_by_no_more),
        cmocka_unit_test(test_a_recipe_without_rails_feeds_none),
        cmocka_unit_test(test_a_recipe_or_a_bench_cannot_add_a_rail),
        cmocka_unit_test(test_a_rail_count_that_lies_reads_nothing_outside_the_table),
        cmocka_unit_test(test_what_a_run_uses_and_its_times_are_nobodys_to_merge),
        cmocka_unit_test(test_no_merge_ever_widens),
        cmocka_unit_test(test_check_names_the_field_and_whose_limit_it_is),
        cmocka_unit_test(test_check_blames_the_layer_that_cut_a_rail),
        cmocka_unit_test(test_a_rail_that_may_only_be_injected_keeps_its_injection_limits),
        cmocka_unit_test(test_the_smallest_value_is_stated_too),
        cmocka_unit_test(test_check_leaves_rails_that_the_board_does_not_have_to_others),
        cmocka_unit_test(test_check_names_a_rail_of_any_length),
        cmocka_unit_test(test_check_allows_what_equals_the_limit),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
