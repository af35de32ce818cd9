/* SPDX-License-Identifier: MIT */
#include "check.h"

#include "tinlatch/rehearse.h"

static struct rehearse_setup setup;
static struct tl_error error;

static int clean(void **state)
{
    (void)state;
    memset(&setup, 0, sizeof setup);
    memset(&error, 0, sizeof error);
    return 0;
}

static void test_a_fault_has_a_name_and_an_instant(void **state)
{
    (void)state;
    assert_int_equal(fault_parse("sensor-open@90", &setup, &error), 0);
    assert_int_equal(fault_parse("device-silent@1.5 min", &setup, &error), 0);

    assert_int_equal(setup.fault_count, 2);
    assert_string_equal(setup.fault[0].name, "sensor-open");
    assert_near(setup.fault[0].at_s, 90, 0);
    assert_near(setup.fault[1].at_s, 90, 0);
}

static void test_a_misspelt_fault_is_guessed(void **state)
{
    (void)state;
    assert_int_equal(fault_parse("sensor-opn@90", &setup, &error), TL_UNKNOWN);

    assert_has(error.hint, "sensor-open");
    assert_int_equal(setup.fault_count, 0);
}

static void test_a_fault_without_an_instant_says_how_to_write_it(void **state)
{
    (void)state;
    const char *const wrong[] = {"sensor-open",      "@90", "sensor-open@",
                                 "sensor-open@soon", "",    "sensor-open@-3"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        error = (struct tl_error){0};
        assert_true(fault_parse(wrong[i], &setup, &error) < 0);
        assert_true(error.text[0] != '\0');
    }
    assert_int_equal(setup.fault_count, 0);
}

static void test_answers_are_read_line_by_line(void **state)
{
    (void)state;
    static const char text[] = "# first the lid\nyes\n\nno after 5 s\n  0.42 after 2 s\nSTOP";

    assert_int_equal(answers_parse("a.txt", text, sizeof text - 1, &setup, &error), 0);

    assert_int_equal(setup.answer_count, 4);
    assert_int_equal(setup.answer[0].reply, REPLY_YES);
    assert_true(setup.answer[0].after_s < 0);
    assert_int_equal(setup.answer[1].reply, REPLY_NO);
    assert_near(setup.answer[1].after_s, 5, 0);
    assert_int_equal(setup.answer[2].reply, REPLY_VALUE);
    assert_string_equal(setup.answer[2].value, "0.42");
    assert_int_equal(setup.answer[3].reply, REPLY_STOP);
}

static void test_an_answer_is_read_in_any_case_and_in_any_unit_of_its_kind(void **state)
{
    (void)state;
    static const char text[] =
        "No\nYES After 3 s\n45 kohm\n850 mA after 1 s\n\"no idea after all\"\n-3";

    assert_int_equal(answers_parse("a.txt", text, sizeof text - 1, &setup, &error), 0);

    assert_int_equal(setup.answer_count, 6);
    assert_int_equal(setup.answer[0].reply, REPLY_NO);
    assert_int_equal(setup.answer[1].reply, REPLY_YES);
    assert_near(setup.answer[1].after_s, 3, 0);
    assert_near(setup.answer[2].number, 45000, 0);
    assert_int_equal(setup.answer[2].unit, UNIT_OHMS);
    assert_near(setup.answer[3].number, 0.85, 0);
    assert_int_equal(setup.answer[3].unit, UNIT_AMPS);
    assert_string_equal(setup.answer[4].value, "no idea after all");
    assert_true(setup.answer[4].is_text);
    assert_near(setup.answer[5].number, -3, 0);
    assert_int_equal(setup.answer[5].line, 6);
}

static void test_a_word_that_is_no_answer_is_not_taken_for_yes(void **state)
{
    (void)state;
    static const char *const wrong[] = {"n",          "nope",        "no!",      "maybe",
                                        "yes in 5 s", "yes after 5", "45 lumen", "0x10",
                                        "nan",        "1e",          "\"open",   "yes yes"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        error = (struct tl_error){0};
        assert_true(answers_parse("a.txt", wrong[i], strlen(wrong[i]), &setup, &error) < 0);
        assert_string_equal(error.file, "a.txt");
        assert_int_equal(error.line, 1);
    }
    answers_parse("a.txt", "maybe", 5, &setup, &error);
    assert_has(error.hint, "yes, no, stop");
}

static void test_a_fault_s_wrong_instant_names_option_and_fault(void **state)
{
    (void)state;
    static const char *const wrong[] = {"sensor-open@abc", "sensor-open@-5", "sensor-open@-5 s",
                                        "sensor-open@2e9"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        error = (struct tl_error){0};
        assert_int_equal(fault_parse(wrong[i], &setup, &error), TL_USAGE);
        assert_has(error.text, "--fault sensor-open:");
        assert_has(error.hint, "sensor-open@90");
    }
}

static void test_a_wrong_answer_names_its_line(void **state)
{
    (void)state;
    static const char text[] = "yes\nno after never\n";

    assert_true(answers_parse("a.txt", text, sizeof text - 1, &setup, &error) < 0);

    assert_string_equal(error.file, "a.txt");
    assert_int_equal(error.line, 2);
}

static void test_nobody_answers_before_the_question(void **state)
{
    (void)state;
    static const char text[] = "yes after -5 s\n";

    assert_int_equal(answers_parse("a.txt", text, sizeof text - 1, &setup, &error), TL_RANGE);
    assert_int_equal(error.line, 1);
}

static void test_nonsense_for_answers_is_refused_not_obeyed(void **state)
{
    (void)state;
    char junk[4000];
    memset(junk, 'x', sizeof junk);

    assert_true(answers_parse("a.txt", junk, sizeof junk, &setup, &error) < 0);
    assert_true(answers_parse("a.txt", "ye\0s\n", 5, &setup, &error) < 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(test_a_fault_has_a_name_and_an_instant, clean),
        cmocka_unit_test_setup(test_a_misspelt_fault_is_guessed, clean),
        cmocka_unit_test_setup(test_a_fault_without_an_instant_says_how_to_write_it, clean),
        cmocka_unit_test_setup(test_answers_are_read_line_by_line, clean),
        cmocka_unit_test_setup(test_an_answer_is_read_in_any_case_and_in_any_unit_of_its_kind,
                               clean),
        cmocka_unit_test_setup(test_a_word_that_is_no_answer_is_not_taken_for_yes, clean),
        cmocka_unit_test_setup(test_a_fault_s_wrong_instant_names_option_and_fault, clean),
        cmocka_unit_test_setup(test_a_wrong_answer_names_its_line, clean),
        cmocka_unit_test_setup(test_nobody_answers_before_the_question, clean),
        cmocka_unit_test_setup(test_nonsense_for_answers_is_refused_not_obeyed, clean),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
