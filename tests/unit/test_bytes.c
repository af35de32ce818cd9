/* SPDX-License-Identifier: MIT */
#include "check.h"

#include "tinlatch/bytes.h"
#include "tinlatch/err.h"

static char store[256];

static struct bytes fresh(void)
{
    struct bytes b;
    bytes_init(&b, store, sizeof store);
    return b;
}

static void assert_holds(const struct bytes *b, const char *text)
{
    assert_false(b->full);
    assert_int_equal(b->length, strlen(text));
    assert_memory_equal(b->at, text, b->length);
}

static void test_numbers_are_written_whole_from_smallest_to_largest(void **state)
{
    (void)state;
    struct bytes b = fresh();

    bytes_int(&b, INT64_MIN);
    bytes_char(&b, ' ');
    bytes_int(&b, -1);
    bytes_char(&b, ' ');
    bytes_int(&b, 0);
    bytes_char(&b, ' ');
    bytes_int(&b, INT64_MAX);

    assert_holds(&b, "-9223372036854775808 -1 0 9223372036854775807");
}

static void test_fixed_puts_the_point_where_the_places_say(void **state)
{
    (void)state;
    const struct {
        int64_t value;
        int places;
        const char *text;
    } cases[] = {
        {23450, 3, "23.450"}, {5, 3, "0.005"}, {-5, 3, "-0.005"},
        {-1234, 1, "-123.4"}, {0, 2, "0.00"},  {170, 0, "170"},
        {1000, 3, "1.000"},   {7, -1, "7"},    {INT64_MIN, 18, "-9.223372036854775808"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct bytes b = fresh();
        bytes_fixed(&b, cases[i].value, cases[i].places);
        assert_holds(&b, cases[i].text);
    }
}

static void test_hex_has_leading_zeros_and_upper_case(void **state)
{
    (void)state;
    struct bytes b = fresh();

    bytes_hex(&b, 0xab, 4);
    bytes_hex(&b, 0xDEADBEEF, 8);
    bytes_hex(&b, 0x123, 2);
    bytes_hex(&b, 0xF, 1);
    bytes_hex(&b, 0x9, 0);         /* at least one */
    bytes_hex(&b, 0x12345678, 99); /* at most what there is */

    assert_holds(&b, "00ABDEADBEEF23F912345678");
}

static void test_what_does_not_fit_is_dropped_whole_and_so_is_all_after_it(void **state)
{
    (void)state;
    char small[6] = "######";
    struct bytes b;
    bytes_init(&b, small, 5);

    bytes_text(&b, "abc");
    bytes_text(&b, "def");
    assert_true(b.full);
    assert_int_equal(b.length, 3);
    bytes_char(&b, 'x'); /* would fit, but leave a hole */
    assert_int_equal(b.length, 3);
    assert_memory_equal(small, "abc###", 6);

    bytes_clear(&b);
    bytes_text(&b, "12345");
    assert_false(b.full);
    assert_memory_equal(small, "12345#", 6);
}

static void test_json_escapes_quotes_controls_and_bytes_that_are_not_utf8(void **state)
{
    (void)state;
    struct bytes b = fresh();

    bytes_json(&b, "a\"b\\c\n\t\x01\x7f \xc3\xa9 \xff \xe2\x82");

    assert_holds(&b, "\"a\\\"b\\\\c\\n\\t\\u0001\\u007F \xc3\xa9 \\u00FF \\u00E2\\u0082\"");
}

static void test_json_that_does_not_fit_leaves_no_half_string(void **state)
{
    (void)state;
    char small[16];
    for (size_t size = 0; size < 12; size++) {
        struct bytes b;
        bytes_init(&b, small, size);
        bytes_json(&b, "123456789\n");
        assert_true(b.full);
        assert_int_equal(b.length, 0);
    }
}

static void test_read_int_takes_a_strict_decimal_and_moves_past_it(void **state)
{
    (void)state;
    const struct {
        const char *text;
        int64_t value;
        long taken;
    } good[] = {
        {"0", 0, 1},
        {"-12,", -12, 3},
        {"0042 ", 42, 4},
        {"9223372036854775807", INT64_MAX, 19},
        {"-9223372036854775808x", INT64_MIN, 20},
        {"-0", 0, 2},
    };
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        const char *at = good[i].text;
        int64_t value = 99;
        assert_int_equal(bytes_read_int(&at, at + strlen(at), &value), 0);
        assert_true(value == good[i].value);
        assert_int_equal(at - good[i].text, good[i].taken);
    }
}

static void test_read_int_refuses_the_rest_and_moves_nothing(void **state)
{
    (void)state;
    const char *const bad[] = {"",
                               "-",
                               "+1",
                               " 1",
                               "x",
                               "--1",
                               "9223372036854775808",
                               ".5",
                               "-x1",
                               "-9223372036854775809",
                               "99999999999999999999999"};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        const char *at = bad[i];
        int64_t value = 99;
        assert_int_equal(bytes_read_int(&at, at + strlen(at), &value), TL_BAD);
        assert_ptr_equal(at, bad[i]);
        assert_int_equal(value, 99);
    }
}

static void test_read_int_stops_at_the_end_it_is_given(void **state)
{
    (void)state;
    const char *at = "12345";
    int64_t value;

    assert_int_equal(bytes_read_int(&at, at + 2, &value), 0);

    assert_int_equal(value, 12);
}

/* Check values: 0x4B37 is the catalogued one of CRC-16/MODBUS; the frame 01 04 02 FF FF B8 80 stands
 * in the Modbus over serial line guides as an example (low byte first). */
static void test_crc16_gives_the_published_check_values(void **state)
{
    (void)state;
    assert_int_equal(bytes_crc16("123456789", 9), 0x4B37);
    assert_int_equal(bytes_crc16("\x01\x04\x02\xff\xff", 5), 0x80B8);
    assert_int_equal(bytes_crc16("", 0), 0xFFFF);
}

/* By its definition, bit by bit. */
static uint16_t crc16_by_bits(const uint8_t *from, size_t length)
{
    uint16_t crc = 0xFFFF;
    for (size_t i = 0; i < length; i++) {
        crc ^= from[i];
        for (int bit = 0; bit < 8; bit++)
            crc = (uint16_t)((crc >> 1) ^ (crc & 1 ? 0xA001 : 0));
    }
    return crc;
}

static void test_crc16_is_its_definition_at_every_length_and_every_byte(void **state)
{
    (void)state;
    uint8_t data[1024];
    for (size_t i = 0; i < sizeof data; i++)
        data[i] = (uint8_t)(i * 167 + i / 256);
    for (size_t length = 0; length <= sizeof data; length++)
        assert_int_equal(bytes_crc16(data, length), crc16_by_bits(data, length));
}

static void test_copy_text_cuts_between_characters(void **state)
{
    (void)state;
    char out[6];

    bytes_copy_text(out, sizeof out, "abc\xe2\x82\xac");
    assert_string_equal(out, "abc");
    bytes_copy_text(out, sizeof out, "ab\xe2\x82\xac");
    assert_string_equal(out, "ab\xe2\x82\xac");
    bytes_copy_text(out, sizeof out, "\x80\x80\x80\x80\x80\x80\x80\x80"); /* no text at all */
    assert_true(strlen(out) < sizeof out);
    bytes_copy_text(out, 1, "x");
    assert_string_equal(out, "");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_numbers_are_written_whole_from_smallest_to_largest),
        cmocka_unit_test(test_fixed_puts_the_point_where_the_places_say),
        cmocka_unit_test(test_hex_has_leading_zeros_and_upper_case),
        cmocka_unit_test(test_what_does_not_fit_is_dropped_whole_and_so_is_all_after_it),
        cmocka_unit_test(test_json_escapes_quotes_controls_and_bytes_that_are_not_utf8),
        cmocka_unit_test(test_json_that_does_not_fit_leaves_no_half_string),
        cmocka_unit_test(test_read_int_takes_a_strict_decimal_and_moves_past_it),
        cmocka_unit_test(test_read_int_refuses_the_rest_and_moves_nothing),
        cmocka_unit_test(test_read_int_stops_at_the_end_it_is_given),
        cmocka_unit_test(test_crc16_gives_the_published_check_values),
        cmocka_unit_test(test_crc16_is_its_definition_at_every_length_and_every_byte),
        cmocka_unit_test(test_copy_text_cuts_between_characters),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
