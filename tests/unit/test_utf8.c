/* SPDX-License-Identifier: MIT */
#include "check.h"

#include "tinlatch/utf8.h"

/* Bounds of each row of RFC 3629, section 4, and just outside them. */
static void test_whole_characters_have_their_length(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        size_t length;
    } rows[] = {
        {"a", 1},
        {"\x7F", 1},
        {"\xC2\x80", 2},
        {"\xDF\xBF", 2},
        {"\xE0\xA0\x80", 3},
        {"\xED\x9F\xBF", 3},
        {"\xEE\x80\x80", 3},
        {"\xEF\xBF\xBF", 3},
        {"\xF0\x90\x80\x80", 4},
        {"\xF4\x8F\xBF\xBF", 4},
        {"\x80", 0},
        {"\xC1\xBF", 0},
        {"\xE0\x9F\xBF", 0},
        {"\xED\xA0\x80", 0},
        {"\xF0\x8F\xBF\xBF", 0},
        {"\xF4\x90\x80\x80", 0},
        {"\xF5\x80\x80\x80", 0},
        {"\xC2\x41", 0},
        {"\xE2\x82\x41", 0},
        {"\xFF", 0},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        size_t length = strlen(rows[i].text);
        assert_int_equal(utf8_length(rows[i].text, length), rows[i].length);
        for (size_t cut = 0; cut < rows[i].length; cut++)
            assert_int_equal(utf8_length(rows[i].text, cut), 0);
    }
}

static void test_what_steers_a_terminal_is_not_plain(void **state)
{
    (void)state;
    assert_true(utf8_is_plain(" ", 1));
    assert_true(utf8_is_plain("\xC3\xA9", 2));
    assert_true(utf8_is_plain("\xC2\xA0", 2));
    assert_true(utf8_is_plain("\xE2\x82\xAC", 3));

    assert_false(utf8_is_plain("\x1B", 1));
    assert_false(utf8_is_plain("\x7F", 1));
    assert_false(utf8_is_plain("\n", 1));
    assert_false(utf8_is_plain("\xC2\x9B", 2));     /* U+009B, a control sequence in one byte */
    assert_false(utf8_is_plain("\xE2\x80\xAE", 3)); /* U+202E, right-to-left override */
    assert_false(utf8_is_plain("\xE2\x81\xA6", 3)); /* U+2066, isolate */
    assert_false(utf8_is_plain("\xE2\x80\x8B", 3)); /* U+200B, zero width space */
    assert_false(utf8_is_plain("\xE2\x81\xA0", 3)); /* U+2060, word joiner */
    assert_false(utf8_is_plain("\xEF\xBB\xBF", 3)); /* U+FEFF, zero width no-break space */
    assert_true(utf8_is_plain("\xEF\xBB\xBE", 3));
    assert_true(utf8_is_plain("\xE2\x80\x93", 3)); /* a dash */
}

static void test_a_cut_falls_between_characters(void **state)
{
    (void)state;
    assert_int_equal(utf8_fit("abc", 3, 9), 3);
    assert_int_equal(utf8_fit("abc", 3, 2), 2);
    assert_int_equal(utf8_fit("a\xE2\x82\xAC", 4, 3), 1);
    assert_int_equal(utf8_fit("a\xE2\x82\xAC", 4, 4), 4);
    assert_int_equal(utf8_fit("\xC3\xA9", 2, 1), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_whole_characters_have_their_length),
        cmocka_unit_test(test_what_steers_a_terminal_is_not_plain),
        cmocka_unit_test(test_a_cut_falls_between_characters),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
