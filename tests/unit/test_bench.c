/* SPDX-License-Identifier: MIT */
#include "check.h"

#include "tinlatch/bench.h"

static void test_names_are_those_of_files_and_messages(void **state)
{
    (void)state;
    assert_string_equal(sensor_name(SENSOR_PLATE), "plate");
    assert_string_equal(sensor_name(SENSOR_PLATE_2), "plate-2");
    assert_string_equal(sensor_name(SENSOR_BOARD), "board");
    assert_string_equal(quality_name(QUALITY_NONE), "none");
    assert_string_equal(quality_name(QUALITY_GOOD), "good");
    assert_string_equal(quality_name(QUALITY_OPEN), "open");
    assert_string_equal(quality_name(QUALITY_RANGE), "range");
    assert_string_equal(quality_name(QUALITY_STALE), "stale");
    assert_string_equal(quality_name(QUALITY_JUMP), "jump");
    assert_string_equal(hand_name(HAND_NONE), "none");
    assert_string_equal(hand_name(HAND_PLACE), "place");
    assert_string_equal(hand_name(HAND_LIFT), "lift");
    assert_string_equal(hand_name(HAND_PRESS), "press");
    assert_string_equal(hand_name(HAND_RELEASE), "release");
    assert_string_equal(hand_name(HAND_HEAT), "heat");
}

static void test_a_number_outside_its_list_still_has_a_name(void **state)
{
    (void)state;
    assert_string_equal(sensor_name(SENSORS), "?");
    assert_string_equal(sensor_name((enum sensor_id)77), "?");
    assert_string_equal(hand_name(HANDS), "?");
    assert_string_equal(hand_name((enum hand)77), "?");
    assert_string_equal(quality_name((enum quality)77), "?");
}

static void test_zero_means_nothing_known_everything_off(void **state)
{
    (void)state;
    const struct readings in = {0};
    const struct wanted want = {0};

    assert_int_equal(in.plate.quality, QUALITY_NONE);
    assert_int_equal(in.supply.quality, QUALITY_NONE);
    assert_int_equal(want.hand, HAND_NONE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_names_are_those_of_files_and_messages),
        cmocka_unit_test(test_a_number_outside_its_list_still_has_a_name),
        cmocka_unit_test(test_zero_means_nothing_known_everything_off),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
