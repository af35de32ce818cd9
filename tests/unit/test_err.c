/* SPDX-License-Identifier: MIT */
#include "check.h"

#include "tinlatch/err.h"

/* The error as shown; the store is reused by the next call. */
static const char *shown(const struct tl_error *error, const char *source)
{
    static char out[4096];
    size_t length = tl_error_format(error, source, source ? strlen(source) : 0, out, sizeof out);
    assert_int_equal(length, strlen(out));
    return out;
}

static struct tl_error unit_error(int line, const char *token)
{
    struct tl_error error;
    tl_error_set(&error, TL_UNIT, "plate.ramp: \"%s\" has no unit", token);
    tl_error_at(&error, "stack-split.lua", line);
    tl_error_token(&error, token);
    return error;
}

static size_t longest_line(const char *text)
{
    size_t longest = 0;
    while (*text) {
        size_t length = strcspn(text, "\n");
        longest = length > longest ? length : longest;
        text += length + (text[length] == '\n');
    }
    return longest;
}

/* Column of the first '^', counted from the start of its line. */
static long caret_column(const char *text)
{
    const char *caret = strchr(text, '^');
    assert_non_null(caret);
    const char *start = caret;
    while (start > text && start[-1] != '\n')
        start--;
    return caret - start;
}

static void test_every_code_has_its_own_sentence(void **state)
{
    (void)state;
#define X(name, value, text)                                                                       \
    assert_int_equal(name, value);                                                                 \
    assert_string_equal(tl_err_text(value), text);
    TL_ERR_LIST(X)
#undef X
    assert_non_null(tl_err_text(-1000));
    assert_non_null(tl_err_text(17));
}

static void test_set_returns_its_code_and_clears_what_was_there(void **state)
{
    (void)state;
    struct tl_error error = unit_error(14, "172");
    tl_error_hint(&error, "write \"%d C\"", 172);

    assert_int_equal(tl_error_set(&error, TL_RANGE, "%d is too much", 7), TL_RANGE);

    assert_int_equal(error.code, TL_RANGE);
    assert_string_equal(error.text, "7 is too much");
    assert_string_equal(error.file, "");
    assert_string_equal(error.token, "");
    assert_string_equal(error.hint, "");
    assert_int_equal(error.line, 0);
}

static void test_set_may_be_given_its_own_text(void **state)
{
    (void)state;
    struct tl_error error = unit_error(1, "172");

    tl_error_set(&error, TL_FILE, "%s: %s", error.file, error.text);

    assert_string_equal(error.text, "stack-split.lua: plate.ramp: \"172\" has no unit");
}

static void test_nobody_who_asks_is_no_mistake(void **state)
{
    (void)state;
    assert_int_equal(tl_error_set(NULL, TL_FILE, "x"), TL_FILE);
    tl_error_at(NULL, "x", 1);
    tl_error_token(NULL, "x");
    tl_error_hint(NULL, "x");
}

static void test_texts_that_are_too_long_are_cut_between_characters(void **state)
{
    (void)state;
    struct tl_error error;
    char text[1000];
    for (size_t shift = 0; shift < 4; shift++) {
        size_t length = shift;
        memset(text, 'x', shift);
        for (; length + 5 < sizeof text; length += 4)
            memcpy(text + length, "\xF0\x9F\x94\xA5", 4);
        text[length] = '\0';

        tl_error_set(&error, TL_BAD, "%s", text);
        tl_error_at(&error, text, 1);
        tl_error_token(&error, text);
        tl_error_hint(&error, "%s", text);

        assert_int_equal((strlen(error.text) - shift) % 4, 0);
        assert_int_equal((strlen(error.file) - shift) % 4, 0);
        assert_int_equal((strlen(error.token) - shift) % 4, 0);
        assert_int_equal((strlen(error.hint) - shift) % 4, 0);
        assert_true(strlen(error.text) > sizeof error.text - 5);
    }
}

static void test_format_shows_place_line_caret_and_hint(void **state)
{
    (void)state;
    struct tl_error error = unit_error(3, "172");
    tl_error_hint(&error, "write \"172 C\"");

    const char *text =
        shown(&error, "one\ntwo\n    plate.ramp { to = \"172\", timeout = \"4 min\" }\n");

    assert_string_equal(text, "stack-split.lua:3: plate.ramp: \"172\" has no unit\n"
                              "    3 |     plate.ramp { to = \"172\", timeout = \"4 min\" }\n"
                              "      |                       ^~~~~\n"
                              "  hint: write \"172 C\"\n");
}

static void test_format_leaves_out_what_is_not_known(void **state)
{
    (void)state;
    struct tl_error error = unit_error(9, "172");
    assert_string_equal(shown(&error, "one line\n"),
                        "stack-split.lua:9: plate.ramp: \"172\" has no unit\n");
    assert_string_equal(shown(&error, NULL),
                        "stack-split.lua:9: plate.ramp: \"172\" has no unit\n");
    assert_string_equal(shown(&error, ""), "stack-split.lua:9: plate.ramp: \"172\" has no unit\n");

    tl_error_at(&error, "a.lua", 0);
    assert_string_equal(shown(&error, "x\n"), "a.lua: plate.ramp: \"172\" has no unit\n");
    tl_error_at(&error, "", 3);
    assert_string_equal(shown(&error, "x\n"), "plate.ramp: \"172\" has no unit\n");
}

static void test_format_wraps_text_and_hint_between_words_at_100_columns(void **state)
{
    (void)state;
    struct tl_error error;
    char place[] = "/a/long/path/of/somebody/who/keeps/everything/in/many/folders/recipes/benches/"
                   "demo-of-the-second-bench.ini";
    tl_error_set(&error, TL_LIMIT,
                 "plate.ramp: to = 300 C is above the plate limit of 250 C, set in "
                 "recipes/benches/demo.ini:69, and \xC3\xA9\xC3\xA9\xC3\xA9 more words");
    tl_error_at(&error, "r.lua", 3);
    tl_error_hint(&error, "one two three four five six seven eight nine ten eleven twelve "
                          "thirteen fourteen fifteen sixteen seventeen");
    const char *text = shown(&error, NULL);
    assert_has(text, "r.lua:3: plate.ramp: to = 300 C is above the plate limit of 250 C, set in\n"
                     "    recipes/benches/demo.ini:69, and \xC3\xA9\xC3\xA9\xC3\xA9 more words\n");
    assert_has(text, "  hint: one two three");
    assert_has(text, "\n        ");
    assert_true(longest_line(text) <= 100);

    tl_error_at(&error, place, 12); /* a place is never cut; the sentence goes on below it */
    text = shown(&error, NULL);
    assert_memory_equal(text, place, sizeof place - 1);
    assert_has(text, ":12:\n    plate.ramp: to");
}

static void test_format_draws_no_caret_for_a_token_that_is_not_there(void **state)
{
    (void)state;
    struct tl_error error = unit_error(1, "172");

    assert_string_equal(shown(&error, "to = \"173 C\""),
                        "stack-split.lua:1: plate.ramp: \"172\" has no unit\n"
                        "    1 | to = \"173 C\"\n");
}

static void test_format_points_at_a_whole_word_before_a_part_of_one(void **state)
{
    (void)state;
    struct tl_error error = unit_error(1, "to");
    assert_int_equal(caret_column(shown(&error, "{ stop = 1, to = 2 }")), 8 + 12);

    error = unit_error(1, "to"); /* nothing better: the part */
    assert_int_equal(caret_column(shown(&error, "{ stop = 1 }")), 8 + 3);
}

static void test_format_keeps_tabs_before_the_caret(void **state)
{
    (void)state;
    struct tl_error error = unit_error(1, "172");

    assert_has(shown(&error, "\t\tto =\t172"), "    1 | \t\tto =\t172\n      | \t\t    \t^~~\n");
}

static void test_format_fits_long_lines_into_100_columns_around_the_token(void **state)
{
    (void)state;
    char line[3000];
    for (size_t at = 0; at + 10 < sizeof line; at += 7) {
        memset(line, 'x', sizeof line);
        memcpy(line + at, " 172 ", 5);
        line[sizeof line - 1] = '\0';
        struct tl_error error = unit_error(1, "172");

        const char *text = shown(&error, line);

        const char *source = strchr(text, '\n') + 1;
        assert_true(longest_line(source) <= 100);
        assert_int_equal(caret_column(text), strstr(source, "172") - source);
    }
}

static void test_format_cuts_a_long_line_without_a_token_at_its_end(void **state)
{
    (void)state;
    char line[200];
    memset(line, 'x', sizeof line);
    line[sizeof line - 1] = '\0';
    struct tl_error error = unit_error(1, "");

    const char *text = shown(&error, line);

    assert_has(text, "    1 | xxxx");
    assert_has(text, "xxx...\n");
    assert_true(longest_line(text) <= 100);
}

static void test_format_sends_no_control_byte_and_no_broken_text_to_the_terminal(void **state)
{
    (void)state;
    struct tl_error error;
    tl_error_set(&error, TL_UNKNOWN,
                 "a\x1b[2J b\n \xff \xc2\x9b \xe2\x80\xae \xed\xa0\x80 \xc3\xa9");
    tl_error_at(&error, "f\x07", 1);
    tl_error_hint(&error, "\t\x7f");

    const char *text = shown(&error, "x\x1b\xfe\n");

    assert_string_equal(text,
                        "f<07>:1: a<1B>[2J b<0A> <FF> <C2><9B> <E2><80><AE> <ED><A0><80> \xc3\xa9\n"
                        "    1 | x<1B><FE>\n"
                        "  hint: <09><7F>\n");
}

/* The edges of RFC 3629's table of well-formed bytes, and of what turns the direction of writing. */
static void test_format_knows_text_from_bytes_at_every_edge(void **state)
{
    (void)state;
    static const char *const plain[] = {
        " ",
        "~",
        "\xc2\xa0",
        "\xc3\x81",
        "\xdf\xbf",
        "\xe0\xa0\x80",
        "\xe0\xbf\xbf",
        "\xe1\x80\x80",
        "\xe2\x80\x8a",
        "\xe2\x80\x90",
        "\xe2\x80\xa7",
        "\xe2\x80\xaf",
        "\xe2\x81\xa5",
        "\xe2\x81\xaa",
        "\xe2\x82\xa8",
        "\xe2\x82\x8e",
        "\xe1\x80\xae",
        "\xec\xbf\xbf",
        "\xed\x80\x80",
        "\xed\x9f\xbf",
        "\xee\x80\x80",
        "\xef\xbf\xbf",
        "\xf0\x90\x80\x80",
        "\xf0\xbf\xbf\xbf",
        "\xf1\x80\x80\x80",
        "\xf3\xbf\xbf\xbf",
        "\xf4\x80\x80\x80",
        "\xf4\x8f\xbf\xbf",
    };
    static const char *const escaped[] = {
        "\x1f",
        "\x7f",
        "\x80",
        "\xbf",
        "\xc0\x80",
        "\xc1\xbf",
        "\xc2\x80",
        "\xc2\x9f",
        "\xc2\x7f",
        "\xc2\xc0",
        "\xdf",
        "\xe0\x9f\xbf",
        "\xe0\xa0",
        "\xe1\x80\x7f",
        "\xe1\x80\xc0",
        "\xe2\x80\x8b",
        "\xe2\x80\x8e",
        "\xe2\x80\x8f",
        "\xe2\x80\xa8",
        "\xe2\x80\xae",
        "\xe2\x81\xa6",
        "\xe2\x81\xa9",
        "\xed\xa0\x80",
        "\xed\xbf\xbf",
        "\xf0\x8f\xbf\xbf",
        "\xf0\x90\x80",
        "\xf1\x80\x80\x7f",
        "\xf4\x90\x80\x80",
        "\xf5\x80\x80\x80",
        "\xff",
    };
    struct tl_error error;
    for (size_t i = 0; i < sizeof plain / sizeof plain[0]; i++) {
        tl_error_set(&error, TL_BAD, "x%sx", plain[i]);
        assert_has(shown(&error, NULL), error.text);
    }
    for (size_t i = 0; i < sizeof escaped / sizeof escaped[0]; i++) {
        char first[8];
        snprintf(first, sizeof first, "x<%02X>", (unsigned char)escaped[i][0]);
        tl_error_set(&error, TL_BAD, "x%sx", escaped[i]);
        assert_has(shown(&error, NULL), first);
    }
}

static void test_format_aligns_the_caret_after_characters_of_several_bytes(void **state)
{
    (void)state;
    struct tl_error error = unit_error(1, "172");

    const char *text = shown(&error, "\xc3\xa9\xe2\x82\xac\x01 172");

    assert_int_equal(caret_column(text), 8 + 1 + 1 + 4 + 1); /* the control byte takes four */
}

static void test_format_drops_the_carriage_return_of_a_foreign_file(void **state)
{
    (void)state;
    struct tl_error error = unit_error(2, "172");

    assert_has(shown(&error, "a\r\nto = 172\r\nb\r\n"), "    2 | to = 172\n      |      ^~~\n");
}

static void test_format_never_writes_past_any_size(void **state)
{
    (void)state;
    struct tl_error error = unit_error(1, "172");
    const char *source = "to = \"172\"\n";
    char whole[512], part[512];
    size_t length = tl_error_format(&error, source, strlen(source), whole, sizeof whole);

    for (size_t size = 0; size <= length + 2; size++) {
        memset(part, '#', sizeof part);
        size_t written = tl_error_format(&error, source, strlen(source), part, size);
        assert_true(size == 0 || written < size);
        assert_int_equal(part[size], '#');
        if (size == 0)
            continue;
        assert_int_equal(part[written], '\0');
        assert_true(written == 0 || part[written - 1] == '\n');
        assert_true(written <= 1 || memcmp(part, whole, written - 1) == 0);
    }
}

static const char *const names[] = {"plate", "board", "heat_time", "timeout", "to", NULL};

static void test_nearest_finds_slips_of_the_keyboard(void **state)
{
    (void)state;
    assert_string_equal(tl_nearest("palte", names), "plate");         /* swap */
    assert_string_equal(tl_nearest("plat", names), "plate");          /* drop */
    assert_string_equal(tl_nearest("platte", names), "plate");        /* add */
    assert_string_equal(tl_nearest("heat_tine", names), "heat_time"); /* change */
    assert_string_equal(tl_nearest("hxat_tmie", names), "heat_time"); /* two in nine letters */
    assert_string_equal(tl_nearest("board", names), "board");
}

static void test_nearest_is_silent_when_nothing_is_near(void **state)
{
    (void)state;
    assert_null(tl_nearest("supply", names));
    assert_null(tl_nearest("pxxxe", names)); /* three edits, two are allowed */
    assert_null(tl_nearest("", names));
    assert_null(tl_nearest("xy", names)); /* "to" with both letters wrong */
    char word[5000];
    memset(word, 'p', sizeof word);
    word[sizeof word - 1] = '\0';
    assert_null(tl_nearest(word, names));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_code_has_its_own_sentence),
        cmocka_unit_test(test_set_returns_its_code_and_clears_what_was_there),
        cmocka_unit_test(test_set_may_be_given_its_own_text),
        cmocka_unit_test(test_nobody_who_asks_is_no_mistake),
        cmocka_unit_test(test_texts_that_are_too_long_are_cut_between_characters),
        cmocka_unit_test(test_format_shows_place_line_caret_and_hint),
        cmocka_unit_test(test_format_leaves_out_what_is_not_known),
        cmocka_unit_test(test_format_wraps_text_and_hint_between_words_at_100_columns),
        cmocka_unit_test(test_format_draws_no_caret_for_a_token_that_is_not_there),
        cmocka_unit_test(test_format_points_at_a_whole_word_before_a_part_of_one),
        cmocka_unit_test(test_format_keeps_tabs_before_the_caret),
        cmocka_unit_test(test_format_fits_long_lines_into_100_columns_around_the_token),
        cmocka_unit_test(test_format_cuts_a_long_line_without_a_token_at_its_end),
        cmocka_unit_test(test_format_sends_no_control_byte_and_no_broken_text_to_the_terminal),
        cmocka_unit_test(test_format_knows_text_from_bytes_at_every_edge),
        cmocka_unit_test(test_format_aligns_the_caret_after_characters_of_several_bytes),
        cmocka_unit_test(test_format_drops_the_carriage_return_of_a_foreign_file),
        cmocka_unit_test(test_format_never_writes_past_any_size),
        cmocka_unit_test(test_nearest_finds_slips_of_the_keyboard),
        cmocka_unit_test(test_nearest_is_silent_when_nothing_is_near),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
