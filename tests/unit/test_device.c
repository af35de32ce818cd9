/* SPDX-License-Identifier: MIT */
/* device: golden bytes, damage, and whole periods against a fake peer. Checks of the golden lines were
 * computed apart from this code, by a CRC-16 written from the rule in docs/reference/line-instrument.md and
 * held against the published check value 0x4B37 of "123456789" ("MODBUS over Serial Line",
 * V1.02). SCPI: IEEE 488.2-1992 and SCPI-1999. */
#include "check.h"

#include <stdlib.h>

#include "edge.h"
#include "tinlatch/bytes.h"
#include "tinlatch/device.h"

static const char WHO[] = "7 who *F205\n";
static const char IAM[] = "7 iam demoworks P-0001 silence=2000 up=12 *2520\n";
static const char OK_C[] = "8 ok d=250 f=30 up=3601 q=0 c1=23450 *0A2C\n";
static const char OK_V[] =
    "8 ok d=250 f=30 up=3601 q=0 cj=24500 v1=4096 c2=open v3=-12 c4=-5000 *F26D\n";
static const char NO_RANGE[] = "8 no range *20DB\n";
static const char *const golden_answers[] = {IAM, OK_C, OK_V, NO_RANGE};
enum { GOLDEN = sizeof golden_answers / sizeof *golden_answers };

static void assert_frame(const struct frame *frame, const char *text)
{
    assert_int_equal(frame->length, strlen(text));
    assert_memory_equal(frame->bytes, text, frame->length);
}

/* `body` with its check and line end, as an instrument would send it. */
static const char *checked(const char *body)
{
    static char line[256];
    snprintf(line, sizeof line, "%s *%04X\n", body, bytes_crc16(body, strlen(body)));
    return line;
}

static int decode_text(const char *text, struct line_answer *answer)
{
    return line_decode(edge_put(text, strlen(text)), strlen(text), answer);
}

static int decode_body(const char *body)
{
    struct line_answer answer;
    return decode_text(checked(body), &answer);
}

/* ---- line instrument: codec ---- */

static void test_crc_of_modbus_frames_as_published(void **state)
{
    (void)state;
    /* "MODBUS over Serial Line" V1.02: low byte first; the CRC over a whole good frame is 0. */
    static const uint8_t read[] = {0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87};
    static const uint8_t example[] = {0x02, 0x07, 0x41, 0x12};

    assert_int_equal(bytes_crc16("123456789", 9), 0x4B37);
    assert_int_equal(bytes_crc16(read, 6), 0x8776);
    assert_int_equal(bytes_crc16(read, 8), 0);
    assert_int_equal(bytes_crc16(example, 4), 0);
}

static void test_line_requests_are_the_golden_bytes(void **state)
{
    (void)state;
    struct frame frame;
    struct drive off = {0};
    struct drive full = {.heat = true, .duty_permille = 1000, .fan_pct = 100, .beeps = UINT32_MAX};
    struct drive hold = {.heat = true, .setpoint_mc = 170000, .fan_pct = 30, .beeps = 3};

    assert_int_equal(line_encode_who(7, &frame), strlen(WHO));
    assert_frame(&frame, WHO);
    line_encode_who(999999, &frame);
    assert_frame(&frame, "999999 who *A1B9\n");
    line_encode_set(8, &off, false, &frame);
    assert_frame(&frame, "8 set d=0 f=0 b=0 *7648\n");
    line_encode_set(8, &full, false, &frame);
    assert_frame(&frame, "8 set d=1000 f=100 b=4294967295 *A5F0\n");
    line_encode_set(9, &hold, true, &frame);
    assert_frame(&frame, "9 set s=170000 f=30 b=3 *5C48\n");
}

static void test_line_set_drives_nothing_when_heat_is_denied_whatever_number_is_there(void **state)
{
    (void)state;
    struct frame frame;
    struct drive denied = {.heat = false, .duty_permille = 900, .setpoint_mc = 200000};

    line_encode_set(8, &denied, false, &frame);
    assert_frame(&frame, "8 set d=0 f=0 b=0 *7648\n");
    line_encode_set(2, &denied, true, &frame);
    assert_frame(&frame, "2 set s=0 f=0 b=0 *6020\n");
}

static void test_line_set_never_leaves_the_range_of_the_grammar(void **state)
{
    (void)state;
    struct frame frame;
    struct drive wild = {.heat = true, .duty_permille = 5000, .fan_pct = 101};
    struct drive under = {.heat = true, .duty_permille = -5, .setpoint_mc = -1, .fan_pct = -1};

    line_encode_set(1, &wild, false, &frame);
    assert_memory_equal(frame.bytes, "1 set d=1000 f=100 b=0 *", 24);
    line_encode_set(1, &under, false, &frame);
    assert_memory_equal(frame.bytes, "1 set d=0 f=0 b=0 *", 19);
    line_encode_set(1, &under, true, &frame);
    assert_memory_equal(frame.bytes, "1 set s=0 f=0 b=0 *", 19);
}

static void test_line_identity_is_read(void **state)
{
    (void)state;
    struct line_answer answer;

    assert_int_equal(decode_text(IAM, &answer), strlen(IAM));

    assert_int_equal(answer.sequence, 7);
    assert_true(answer.is_identity);
    assert_false(answer.refused);
    assert_string_equal(answer.identity, "demoworks P-0001");
    assert_int_equal(answer.silence_ms, 2000);
    assert_int_equal(answer.uptime_s, 12);
}

static void test_line_state_is_read_in_degrees(void **state)
{
    (void)state;
    struct line_answer answer;

    assert_int_equal(decode_text(OK_C, &answer), strlen(OK_C));

    assert_int_equal(answer.sequence, 8);
    assert_false(answer.is_identity);
    assert_true(answer.channels.has_duty);
    assert_int_equal(answer.channels.duty_permille, 250);
    assert_int_equal(answer.fan_pct, 30);
    assert_int_equal(answer.uptime_s, 3601);
    assert_false(answer.silenced);
    assert_false(answer.channels.has_cold);
    assert_int_equal(answer.channels.channel[0].quality, QUALITY_GOOD);
    assert_false(answer.channels.channel[0].is_uv);
    assert_int_equal(answer.channels.channel[0].value, 23450);
    assert_int_equal(answer.channels.channel[1].quality, QUALITY_NONE);
}

static void test_line_state_is_read_in_microvolts_with_open_inputs(void **state)
{
    (void)state;
    struct line_answer answer;

    assert_int_equal(decode_text(OK_V, &answer), strlen(OK_V));

    assert_true(answer.channels.has_cold);
    assert_int_equal(answer.channels.cold_mc, 24500);
    assert_true(answer.channels.channel[0].is_uv);
    assert_int_equal(answer.channels.channel[0].value, 4096);
    assert_int_equal(answer.channels.channel[1].quality, QUALITY_OPEN);
    assert_false(answer.channels.channel[1].is_uv);
    assert_int_equal(answer.channels.channel[2].value, -12);
    assert_int_equal(answer.channels.channel[3].value, -5000);
}

static void test_line_refusal_is_read(void **state)
{
    (void)state;
    struct line_answer answer;

    assert_int_equal(decode_text(NO_RANGE, &answer), strlen(NO_RANGE));

    assert_true(answer.refused);
    assert_string_equal(answer.identity, "range");
}

static void test_line_carriage_return_is_dropped_and_the_next_line_left_alone(void **state)
{
    (void)state;
    struct line_answer answer;
    const char two[] = "8 no range *20DB\r\n8 no ra";

    assert_int_equal(decode_text(two, &answer), strlen("8 no range *20DB\r\n"));
    assert_true(answer.refused);
}

static void test_line_every_prefix_of_an_answer_is_incomplete(void **state)
{
    (void)state;
    for (int i = 0; i < GOLDEN; i++) {
        size_t whole = strlen(golden_answers[i]);
        for (size_t length = 0; length < whole; length++) {
            struct line_answer answer;
            assert_int_equal(line_decode(edge_put(golden_answers[i], length), length, &answer),
                             TL_MORE);
        }
    }
}

static void test_line_no_one_byte_corruption_is_ever_accepted(void **state)
{
    (void)state;
    for (int i = 0; i < GOLDEN; i++) {
        char line[128];
        size_t whole = strlen(golden_answers[i]);
        memcpy(line, golden_answers[i], whole);
        for (size_t at = 0; at < whole; at++) {
            char good = line[at];
            for (int damage = 1; damage < 256; damage++) {
                struct line_answer answer;
                line[at] = (char)(good ^ damage);
                assert_true(line_decode(edge_put(line, whole), whole, &answer) < 0);
            }
            line[at] = good;
        }
    }
}

static void test_line_grammar_has_one_way_to_write_everything(void **state)
{
    (void)state;
    static const char *const bad[] = {
        "",
        "8",
        "8 ",
        "8 ok",
        "ok d=0 f=0 up=0 q=0",
        " 8 ok d=0 f=0 up=0 q=0",
        "08 ok d=0 f=0 up=0 q=0",
        "+8 ok d=0 f=0 up=0 q=0",
        "-8 ok d=0 f=0 up=0 q=0",
        "1000000 ok d=0 f=0 up=0 q=0",
        "8  ok d=0 f=0 up=0 q=0",
        "8 ok  d=0 f=0 up=0 q=0",
        "8 ok d=0 f=0 up=0 q=0 ",
        "8 OK d=0 f=0 up=0 q=0",
        "8 ok d=-0 f=0 up=0 q=0",
        "8 ok d=00 f=0 up=0 q=0",
        "8 ok d=1001 f=0 up=0 q=0",
        "8 ok d=-1 f=0 up=0 q=0",
        "8 ok d= f=0 up=0 q=0",
        "8 ok d=0x1 f=0 up=0 q=0",
        "8 ok d=1.0 f=0 up=0 q=0",
        "8 ok d=0 f=101 up=0 q=0",
        "8 ok d=0 f=0 up=-1 q=0",
        "8 ok d=0 f=0 up=10000000000 q=0",
        "8 ok d=0 f=0 up=99999999999999999999 q=0",
        "8 ok d=0 f=0 up=0 q=2",
        "8 ok d=0 f=0 up=0",
        "8 ok f=0 d=0 up=0 q=0",
        "8 ok d=0 d=0 f=0 up=0 q=0",
        "8 ok d=0 f=0 up=0 q=0 c2=1",
        "8 ok d=0 f=0 up=0 q=0 c1=1 c1=1",
        "8 ok d=0 f=0 up=0 q=0 c1=1 c3=1",
        "8 ok d=0 f=0 up=0 q=0 c1=1 cj=1",
        "8 ok d=0 f=0 up=0 q=0 cj=1 cj=1",
        "8 ok d=0 f=0 up=0 q=0 cj=open c1=1",
        "8 ok d=0 f=0 up=0 q=0 cj=10000000 c1=1",
        "8 ok d=0 f=0 up=0 q=0 v1=1",
        "8 ok d=0 f=0 up=0 q=0 c1=10000000",
        "8 ok d=0 f=0 up=0 q=0 c1=-10000000",
        "8 ok d=0 f=0 up=0 q=0 c1=Open",
        "8 ok d=0 f=0 up=0 q=0 c1=",
        "8 ok d=0 f=0 up=0 q=0 t1=1",
        "8 ok d=0 f=0 up=0 q=0 c1=1 c2=1 c3=1 c4=1 c5=1",
        "8 ok d=0 f=0 up=0 q=0 *",
        "8 iam demoworks silence=2000 up=1",
        "8 iam demoworks P 1 silence=2000 up=1",
        "8 iam abcdefghijklmnopqrstuvwxy P silence=2000 up=1",
        "8 iam demo=works P silence=2000 up=1",
        "8 iam demo\tworks P silence=2000 up=1",
        "8 iam demoworks P silence=1099 up=1",
        "8 iam demoworks P silence=10001 up=1",
        "8 iam demoworks P up=1 silence=2000",
        "8 no",
        "8 no way",
        "8 no ranges",
        "8 who",
        "8 set d=0 f=0 b=0",
        "OFF",
        "off",
    };

    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++)
        if (decode_body(bad[i]) != TL_BAD)
            fail_msg("accepted: %s", bad[i]);

    assert_true(decode_body("0 ok d=0 f=0 up=0 q=0") > 0);
    assert_true(decode_body("8 ok d=0 f=0 up=9999999999 q=1 c1=-9999999") > 0);
    assert_true(decode_body("8 ok d=0 f=0 up=0 q=0 v1=open") > 0);
    assert_true(decode_body("8 iam a b silence=1100 up=0") > 0);
}

static void test_line_check_must_be_upper_case_and_in_its_place(void **state)
{
    (void)state;
    struct line_answer answer;

    assert_int_equal(decode_text("8 ok d=250 f=30 up=3601 q=0 c1=23450 *0a2c\n", &answer), TL_BAD);
    assert_int_equal(decode_text("8 ok d=250 f=30 up=3601 q=0 c1=23450*0A2C\n", &answer), TL_BAD);
    assert_int_equal(decode_text("8 ok d=250 f=30 up=3601 q=0 c1=23450\n", &answer), TL_BAD);
    assert_int_equal(decode_text("*0A2C\n", &answer), TL_BAD);
    assert_int_equal(decode_text("\n", &answer), TL_BAD);
    assert_int_equal(decode_text("\r\n", &answer), TL_BAD);
}

static void test_line_longer_than_120_bytes_is_bad_with_or_without_its_end(void **state)
{
    (void)state;
    char line[200];
    struct line_answer answer;
    memset(line, '8', sizeof line);

    assert_int_equal(line_decode(edge_put(line, 119), 119, &answer), TL_MORE);
    assert_int_equal(line_decode(edge_put(line, 120), 120, &answer), TL_BAD);
    line[150] = '\n';
    assert_int_equal(line_decode(edge_put(line, 151), 151, &answer), TL_BAD);
}

/* The reference page is what a hobbyist's firmware is held against: its lines must be right. */
static void test_line_examples_in_the_reference_page_carry_their_right_check(void **state)
{
    (void)state;
    FILE *page = fopen(TEST_SOURCE "/docs/reference/line-instrument.md", "r");
    char line[512];
    int requests = 0, answers = 0;
    assert_non_null(page);
    while (fgets(line, sizeof line, page)) {
        char *body = line + 6, *star = strstr(line, " *");
        struct line_answer answer;
        if (strlen(line) < 8 || !star || strncmp(line, "    ", 4) != 0 || line[5] != ' ')
            continue;
        if (line[4] == '<' && ++answers)
            assert_int_equal(decode_text(body, &answer), strlen(body));
        if (line[4] != '>')
            continue;
        char original[512];
        strcpy(original, body);
        *star = 0;
        assert_string_equal(original, checked(body));
        requests++;
    }
    fclose(page);
    assert_true(requests >= 4);
    assert_true(answers >= 4);
}

/* ---- SCPI: codec ---- */

static int milli_of(const char *text, int32_t *milli)
{
    return scpi_decode_milli(edge_put(text, strlen(text)), strlen(text), milli);
}

static void test_scpi_reads_nr1_nr2_and_nr3_to_the_nearest_thousandth(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        int32_t milli;
    } good[] = {
        {"1\n", 1000},
        {"+1\n", 1000},
        {"-12\n", -12000},
        {"0\n", 0},
        {"1.25\n", 1250},
        {"3.3\r\n", 3300},
        {"+1.250000E+00\n", 1250},
        {"1.25E0\n", 1250},
        {"125e-2\n", 1250},
        {"-3.300000E-03\n", -3},
        {"1.2345\n", 1235},
        {"-1.2345\n", -1235},
        {"1.23449999999999999999999999\n", 1234},
        {"0.0005\n", 1},
        {"0.00049\n", 0},
        {"00000000000000000000003.3\n", 3300},
        {"0.000000000000000000000000000001\n", 0},
        {"1E-999\n", 0},
        {"0E99\n", 0},
        {".5\n", 500},
        {"5.\n", 5000},
        {"2147483.647\n", INT32_MAX},
        {"-2147483.647\n", -INT32_MAX},
    };
    for (size_t i = 0; i < sizeof good / sizeof *good; i++) {
        int32_t milli = -1;
        if (milli_of(good[i].text, &milli) != (int)strlen(good[i].text) || milli != good[i].milli)
            fail_msg("%s read as %d", good[i].text, milli);
    }
}

static void test_scpi_refuses_special_values_and_whatever_is_no_number(void **state)
{
    (void)state;
    /* SCPI-1999 volume 1, 7.2.1: 9.9E37 is infinity, 9.91E37 is not a number. */
    static const char *const bad[] = {
        "9.9E37\n",      "-9.9E37\n", "9.91E37\n",      "+9.910000E+37\n",
        "2147483.648\n", "1E30\n",    "1E9999999999\n", "NAN\n",
        "INF\n",         "\n",        "\r\n",           "-\n",
        "+\n",           ".\n",       "E3\n",           "1E\n",
        "1E+\n",         "1.2.3\n",   "1,2\n",          "1 \n",
        " 1\n",          "3.3V\n",    "--1\n",          "0x10\n",
        "ON\n",          "1E3.0\n",   "1e5e5\n",
    };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        int32_t milli = 77;
        if (milli_of(bad[i], &milli) != TL_BAD || milli != 77)
            fail_msg("accepted: %s", bad[i]);
    }
}

static void test_scpi_every_prefix_of_a_reply_is_incomplete(void **state)
{
    (void)state;
    static const char *const replies[] = {"+1.250000E+00\r\n", "OFF\n",
                                          "-350,\"Queue overflow\"\n"};
    for (size_t i = 0; i < sizeof replies / sizeof *replies; i++) {
        for (size_t length = 0; length < strlen(replies[i]); length++) {
            const void *at = edge_put(replies[i], length);
            int32_t number;
            bool flag;
            assert_int_equal(scpi_decode_milli(at, length, &number), TL_MORE);
            assert_int_equal(scpi_decode_bool(at, length, &flag), TL_MORE);
            assert_int_equal(scpi_decode_error(at, length, &number), TL_MORE);
        }
    }
}

/* SCPI has no check: a changed digit is another number. Nothing else may slip through. */
static void test_scpi_one_byte_corruption_is_refused_or_still_a_number(void **state)
{
    (void)state;
    const char good[] = "+1.250000E+00\n";
    size_t whole = strlen(good);
    for (size_t at = 0; at < whole; at++) {
        for (int byte = 0; byte < 256; byte++) {
            char line[sizeof good];
            int32_t milli;
            memcpy(line, good, sizeof good);
            line[at] = (char)byte;
            int result = scpi_decode_milli(edge_put(line, whole), whole, &milli);
            bool numeric = byte && strchr("0123456789+-.eE\r\n", byte);
            assert_true(numeric || result < 0);
        }
    }
}

static void test_scpi_reply_without_an_end_is_bad_at_the_size_of_a_frame(void **state)
{
    (void)state;
    char digits[FRAME_MAX + 8];
    int32_t milli;
    memset(digits, '1', sizeof digits);

    assert_int_equal(scpi_decode_milli(edge_put(digits, FRAME_MAX - 1), FRAME_MAX - 1, &milli),
                     TL_MORE);
    assert_int_equal(scpi_decode_milli(edge_put(digits, FRAME_MAX), FRAME_MAX, &milli), TL_BAD);
}

static void test_scpi_reads_booleans(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        int result;
        bool value;
    } rows[] = {
        {"1\n", 2, true},        {"0\r\n", 3, false},      {"ON\n", 3, true},
        {"OFF\n", 4, false},     {"2\n", TL_BAD, true},    {"01\n", TL_BAD, true},
        {"O\n", TL_BAD, true},   {"OFFF\n", TL_BAD, true}, {"\n", TL_BAD, true},
        {"1.0\n", TL_BAD, true}, {"1 \n", TL_BAD, true},   {"OF", TL_MORE, true},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        bool value = !rows[i].value;
        size_t length = strlen(rows[i].text);
        assert_int_equal(scpi_decode_bool(edge_put(rows[i].text, length), length, &value),
                         rows[i].result);
        if (rows[i].result > 0)
            assert_int_equal(value, rows[i].value);
    }
}

static void test_scpi_reads_the_error_queue_as_a_number(void **state)
{
    (void)state;
    /* SCPI-1999 volume 2, 21.8: <number>,"<text>"; instruments differ in how they print zero. */
    static const struct {
        const char *text;
        int32_t code;
    } good[] = {
        {"0,\"No error\"\n", 0},
        {"+0,\"No error\"\r\n", 0},
        {"-000,\"No error\"\n", 0},
        {"-350,\"Queue overflow\"\n", -350},
        {"-113,\"Undefined header; \"\"VLOT\"\"\"\n", -113},
        {"32767,\"\"\n", 32767},
    };
    static const char *const bad[] = {
        "0\n",        "0,\n",    "0,No error\n", ",\"No error\"\n", "-,\"x\"\n",   "123456,\"x\"\n",
        "0,\"x\" \n", "0,\"x\n", "0,\"\n",       "0,\"a\"b\"\n",    "1.5,\"x\"\n", "\n",
    };
    for (size_t i = 0; i < sizeof good / sizeof *good; i++) {
        int32_t code = 9;
        size_t length = strlen(good[i].text);
        assert_int_equal(scpi_decode_error(edge_put(good[i].text, length), length, &code), length);
        assert_int_equal(code, good[i].code);
    }
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        int32_t code = 9;
        size_t length = strlen(bad[i]);
        if (scpi_decode_error(edge_put(bad[i], length), length, &code) != TL_BAD || code != 9)
            fail_msg("accepted: %s", bad[i]);
    }
}

/* ---- last words, names, texts ---- */

static void test_last_words_end_half_a_line_first_and_never_change(void **state)
{
    (void)state;
    struct frame frame = {.length = 99};
    struct device_config config = {.kind = DEVICE_LINE};

    device_last_words(&config, &frame);
    assert_frame(&frame, "\nOFF\n");
    config.kind = DEVICE_SCPI_SUPPLY;
    device_last_words(&config, &frame);
    assert_frame(&frame, "\nOUTP OFF\nVOLT 0.000\n");
    strcpy(config.scpi[SCPI_OFF], "OUTP1:STAT 0");
    device_last_words(&config, &frame);
    assert_frame(&frame, "\nOUTP1:STAT 0\nVOLT 0.000\n");
    config.kind = DEVICE_NONE;
    device_last_words(&config, &frame);
    assert_int_equal(frame.length, 0);
}

static void test_kinds_are_found_by_the_name_they_print(void **state)
{
    (void)state;
    assert_string_equal(device_kind_name(DEVICE_LINE), "line");
    assert_string_equal(device_kind_name(DEVICE_SCPI_SUPPLY), "scpi-supply");
    assert_int_equal(device_kind_find("line"), DEVICE_LINE);
    assert_int_equal(device_kind_find("scpi-supply"), DEVICE_SCPI_SUPPLY);
    assert_int_equal(device_kind_find("scpi"), DEVICE_NONE);
    assert_int_equal(device_kind_find(""), DEVICE_NONE);
}

/* ---- whole periods, a fake peer at the other end ---- */

struct bench {
    struct device device;
    struct drive drive;
    int64_t t_ms;
    char sent[FRAME_MAX + 1];
};

static void take_sent(struct bench *b)
{
    struct frame frame;
    device_outbox(&b->device, &frame);
    memcpy(b->sent, frame.bytes, frame.length);
    b->sent[frame.length] = 0;
}

static void begin(struct bench *b)
{
    b->t_ms += 100;
    device_begin(&b->device, &b->drive, b->t_ms);
    take_sent(b);
}

static void hear(struct bench *b, const char *text)
{
    device_feed(&b->device, text, strlen(text), b->t_ms + 20);
    take_sent(b);
}

static void start_line(struct bench *b, const char *identity)
{
    struct device_config config = {.kind = DEVICE_LINE, .silence_ms = 2000};
    strcpy(config.identity, identity);
    *b = (struct bench){.drive = {.heat = true, .duty_permille = 250, .fan_pct = 30, .beeps = 1}};
    device_init(&b->device, &config);
}

static void identify_line(struct bench *b)
{
    start_line(b, "demoworks P-0001");
    begin(b);
    assert_string_equal(b->sent, "1 who *F28D\n");
    hear(b, checked("1 iam demoworks P-0001 silence=2000 up=50"));
    assert_true(b->device.identified);
}

static void test_line_is_asked_who_it_is_and_then_driven(void **state)
{
    (void)state;
    struct bench b;

    identify_line(&b);
    assert_true(device_settled(&b.device));
    assert_string_equal(b.sent, "");
    begin(&b);

    assert_string_equal(b.sent, checked("2 set d=250 f=30 b=1"));
    assert_false(device_settled(&b.device));
    hear(&b, checked("2 ok d=250 f=30 up=50 q=0 c1=171250 c2=open"));
    assert_true(device_settled(&b.device));
    assert_int_equal(b.device.channels.channel[0].value, 171250);
    assert_int_equal(b.device.channels.channel[0].at_ms, b.t_ms + 20);
    assert_int_equal(b.device.channels.channel[1].quality, QUALITY_OPEN);
    assert_int_equal(b.device.channels.duty_permille, 250);
    assert_int_equal(device_silent_ms(&b.device, b.t_ms + 50), 30);
    assert_int_equal(b.device.bad_frames, 0);
}

static void test_line_stranger_is_sent_nothing_but_who(void **state)
{
    (void)state;
    static const char *const strangers[] = {
        "iam otherworks P-0001 silence=2000 up=50",
        "iam demoworks P-0002 silence=2000 up=50",
        "iam demoworks P-0001 silence=9000 up=50", /* its timer is longer than the bench file says */
        "ok d=0 f=0 up=50 q=0 c1=20000",
        "no verb",
    };
    for (size_t i = 0; i < sizeof strangers / sizeof *strangers; i++) {
        struct bench b;
        start_line(&b, "demoworks P-0001");
        for (int period = 1; period <= 5; period++) {
            char who[32], answer[80];
            snprintf(who, sizeof who, "%d who", period);
            snprintf(answer, sizeof answer, "%d %s", period, strangers[i]);

            begin(&b);
            assert_string_equal(b.sent, checked(who));
            hear(&b, checked(answer));
            assert_string_equal(b.sent, "");
            assert_false(b.device.identified);
        }
        assert_int_equal(b.device.channels.channel[0].quality, QUALITY_NONE);
        assert_int_equal(device_silent_ms(&b.device, b.t_ms), 400);
    }
}

static void test_line_answer_in_any_pieces_is_the_same_answer(void **state)
{
    (void)state;
    struct bench b;
    identify_line(&b);
    begin(&b);

    const char *line = checked("2 ok d=250 f=30 up=50 q=0 c1=171250");
    for (const char *c = line; *c; c++)
        device_feed(&b.device, c, 1, b.t_ms + 9);

    assert_true(device_settled(&b.device));
    assert_int_equal(b.device.channels.channel[0].value, 171250);
}

static void test_line_bad_or_foreign_answer_counts_and_leaves_the_last_values(void **state)
{
    (void)state;
    static const char *const lines[] = {
        "3 ok d=250 f=30 up=51 q=0 c1=99000 *0000\n", /* bad check */
        "garbage\n",
        "\n",
        "9.9E37\n",
    };
    static const char *const bodies[] = {
        "2 ok d=250 f=30 up=51 q=0 c1=99000", /* answer to the period before */
        "4 ok d=250 f=30 up=51 q=0 c1=99000", /* answer to a question not asked */
        "3 set d=250 f=30 b=1",               /* the line echoes */
        "3 iam demoworks P-0001 silence=2000 up=51",
    };
    struct bench b;
    identify_line(&b);
    begin(&b);
    hear(&b, checked("2 ok d=250 f=30 up=50 q=0 c1=171250"));
    int64_t fresh_ms = b.t_ms + 20;
    begin(&b);

    uint32_t bad = 0;
    for (size_t i = 0; i < sizeof lines / sizeof *lines; i++, bad++)
        hear(&b, lines[i]);
    for (size_t i = 0; i < sizeof bodies / sizeof *bodies; i++, bad++)
        hear(&b, checked(bodies[i]));

    assert_int_equal(b.device.bad_frames, bad);
    assert_false(device_settled(&b.device));
    assert_int_equal(b.device.channels.channel[0].value, 171250);
    assert_int_equal(b.device.channels.channel[0].at_ms, fresh_ms);
    hear(&b, checked("3 ok d=250 f=30 up=51 q=0 c1=172000"));
    assert_int_equal(b.device.channels.channel[0].value, 172000);
    hear(&b, checked("3 ok d=250 f=30 up=51 q=0 c1=99000")); /* twice is once too often */
    assert_int_equal(b.device.channels.channel[0].value, 172000);
}

static void test_line_refused_set_is_as_good_as_silence(void **state)
{
    (void)state;
    struct bench b;
    identify_line(&b);
    begin(&b);

    hear(&b, checked("2 no range"));

    assert_true(device_settled(&b.device));
    assert_int_equal(b.device.bad_frames, 1);
    assert_int_equal(device_silent_ms(&b.device, b.t_ms), 80);
}

static void test_line_silence_grows_and_is_counted(void **state)
{
    (void)state;
    struct bench b;
    identify_line(&b);
    int64_t answered_ms = b.t_ms + 20;

    for (int i = 0; i < 12; i++)
        begin(&b);

    assert_int_equal(device_silent_ms(&b.device, b.t_ms), b.t_ms - answered_ms);
    assert_int_equal(b.device.bad_frames, 11);
    assert_string_equal(b.sent, checked("13 set d=250 f=30 b=1"));
}

static void test_line_never_heard_is_silent_since_its_first_period(void **state)
{
    (void)state;
    struct bench b;
    start_line(&b, "");
    assert_int_equal(device_silent_ms(&b.device, 5000), 0);

    begin(&b);
    int64_t first_ms = b.t_ms;
    begin(&b);

    assert_int_equal(device_silent_ms(&b.device, first_ms + 1234), 1234);
}

static void test_line_uptime_going_backwards_is_a_reset_and_it_is_asked_again(void **state)
{
    (void)state;
    struct bench b;
    identify_line(&b);
    begin(&b);
    hear(&b, checked("2 ok d=250 f=30 up=51 q=0 c1=171250"));
    assert_false(b.device.was_reset);
    begin(&b);

    hear(&b, checked("3 ok d=0 f=0 up=2 q=0 c1=171250"));
    begin(&b);

    assert_true(b.device.was_reset);
    assert_string_equal(b.sent, checked("4 who"));
}

static void test_line_open_input_keeps_its_last_value_and_a_missing_one_its_time(void **state)
{
    (void)state;
    struct bench b;
    identify_line(&b);
    begin(&b);
    hear(&b, checked("2 ok d=0 f=0 up=50 q=0 c1=100000 c2=90000"));
    int64_t first_ms = b.t_ms + 20;
    begin(&b);

    hear(&b, checked("3 ok d=0 f=0 up=50 q=0 c1=open"));

    assert_int_equal(b.device.channels.channel[0].quality, QUALITY_OPEN);
    assert_int_equal(b.device.channels.channel[0].value, 100000);
    assert_int_equal(b.device.channels.channel[0].at_ms, b.t_ms + 20);
    assert_int_equal(b.device.channels.channel[1].value, 90000);
    assert_int_equal(b.device.channels.channel[1].at_ms, first_ms);
}

static void test_line_answer_to_last_words_is_neither_an_answer_nor_a_fault(void **state)
{
    (void)state;
    struct bench b;
    identify_line(&b);
    begin(&b);

    hear(&b, "off\n");
    hear(&b, "off\r\n");

    assert_int_equal(b.device.bad_frames, 0);
    assert_int_equal(b.device.offs, 2);
    assert_false(device_settled(&b.device));
}

static void test_line_keeps_what_a_proof_needs_of_its_answers(void **state)
{
    (void)state;
    struct bench b;
    identify_line(&b);
    assert_string_equal(b.device.said, "demoworks P-0001");
    assert_int_equal(b.device.told_silence_ms, 2000);

    begin(&b);
    hear(&b, checked("2 ok d=0 f=30 up=50 q=1 c1=20000"));
    assert_true(b.device.silenced);
    assert_int_equal(b.device.fan_pct, 30);
    begin(&b);
    hear(&b, checked("3 ok d=0 f=0 up=50 q=0 c1=20000"));

    assert_false(b.device.silenced);
    assert_int_equal(b.device.fan_pct, 0);
}

static void test_line_ten_megabytes_without_an_end_are_one_bad_line(void **state)
{
    (void)state;
    static char flood[10000000];
    struct bench b;
    memset(flood, '8', sizeof flood);
    identify_line(&b);
    begin(&b);

    device_feed(&b.device, flood, sizeof flood, b.t_ms);
    device_feed(&b.device, flood, sizeof flood, b.t_ms);
    assert_int_equal(b.device.bad_frames, 1);
    hear(&b, "8\n");
    assert_int_equal(b.device.bad_frames, 1);
    hear(&b, checked("2 ok d=0 f=0 up=50 q=0 c1=100000"));

    assert_int_equal(b.device.channels.channel[0].value, 100000);
}

static void test_line_sequence_wraps_within_six_digits(void **state)
{
    (void)state;
    struct bench b;
    identify_line(&b);
    b.device.sequence = 999998;

    begin(&b);
    assert_string_equal(b.sent, checked("999999 set d=250 f=30 b=1"));
    begin(&b);
    assert_string_equal(b.sent, checked("0 set d=250 f=30 b=1"));
}

/* ---- the supply ---- */

static const char IDN[] = "DEMOWORKS,PS-2,1234,1.0\n";

static void start_supply(struct bench *b)
{
    struct device_config config = {.kind = DEVICE_SCPI_SUPPLY, .identity = "PS-2"};
    *b = (struct bench){0};
    device_init(&b->device, &config);
}

/* From MEAS:VOLT? in flight to the end of the period. */
static void measure(struct bench *b, const char *volts, const char *amps, const char *on)
{
    hear(b, volts);
    assert_string_equal(b->sent, "MEAS:CURR?\n");
    hear(b, amps);
    assert_string_equal(b->sent, "OUTP?\n");
    hear(b, on);
    assert_string_equal(b->sent, "");
    assert_true(device_settled(&b->device));
}

static void identify_supply(struct bench *b)
{
    start_supply(b);
    begin(b);
    assert_string_equal(b->sent, "*IDN?\n");
    hear(b, IDN);
    assert_string_equal(b->sent, "OUTP OFF\nVOLT 0.000\nMEAS:VOLT?\n");
    measure(b, "0.002\n", "0.000\n", "0\n");
}

static void drive_supply(struct bench *b, int32_t mv, int32_t ma)
{
    b->drive.supply_on = true;
    b->drive.mv = mv;
    b->drive.ma = ma;
}

static void switch_on(struct bench *b)
{
    identify_supply(b);
    drive_supply(b, 3300, 500);
    begin(b);
    assert_string_equal(b->sent, "VOLT 3.300\nCURR 0.500\nVOLT?\n");
    hear(b, "3.300\n");
    assert_string_equal(b->sent, "CURR?\n");
    hear(b, "0.500\n");
    assert_string_equal(b->sent, "OUTP ON\nSYST:ERR?\n");
    hear(b, "0,\"No error\"\n");
    assert_string_equal(b->sent, "MEAS:VOLT?\n");
    measure(b, "3.298\n", "0.120\n", "1\n");
}

static void test_supply_is_switched_off_before_anything_else_once_it_has_said_its_name(void **state)
{
    (void)state;
    struct bench b;

    identify_supply(&b);

    assert_int_equal(b.device.supply.quality, QUALITY_GOOD);
    assert_false(b.device.supply.on);
    assert_int_equal(b.device.supply.mv, 2);
    assert_int_equal(b.device.supply.at_ms, b.t_ms + 20);
    assert_int_equal(b.device.bad_frames, 0);
    begin(&b);
    assert_string_equal(b.sent, "MEAS:VOLT?\n"); /* known to be off: nothing to say */
}

static void assert_only_asked_for_its_name(const char *sent)
{
    if (strcmp(sent, "") != 0 && strcmp(sent, "*IDN?\n") != 0 && strcmp(sent, "\n*IDN?\n") != 0)
        fail_msg("sent: %s", sent);
}

static void test_supply_stranger_is_sent_nothing_but_the_question_for_its_name(void **state)
{
    (void)state;
    static const char *const strangers[] = {"OTHER,XX-1,0,1.0\n", "3.300\n", "0,\"No error\"\n",
                                            "*IDN?\n", "\n"};
    for (size_t i = 0; i < sizeof strangers / sizeof *strangers; i++) {
        struct bench b;
        start_supply(&b);
        drive_supply(&b, 3300, 500);
        for (int period = 0; period < 12; period++) {
            begin(&b);
            assert_only_asked_for_its_name(b.sent);
            hear(&b, strangers[i]);
            assert_string_equal(b.sent, "");
        }
        assert_false(b.device.identified);
        assert_int_equal(device_silent_ms(&b.device, b.t_ms), 1100);
    }
}

static void test_supply_lost_name_is_asked_for_again_after_half_a_second(void **state)
{
    (void)state;
    struct bench b;
    start_supply(&b);
    begin(&b);
    assert_string_equal(b.sent, "*IDN?\n");

    for (int period = 1; period < 5; period++) {
        begin(&b);
        assert_string_equal(b.sent, "");
    }
    begin(&b);

    assert_string_equal(b.sent, "\n*IDN?\n");
}

static void test_supply_goes_on_after_both_set_points_have_read_back(void **state)
{
    (void)state;
    struct bench b;

    switch_on(&b);

    assert_true(b.device.supply.on);
    assert_true(b.device.supply.settled);
    assert_int_equal(b.device.supply.mv, 3298);
    assert_int_equal(b.device.supply.ma, 120);
    assert_int_equal(b.device.supply.error, 0);
    begin(&b);
    assert_string_equal(b.sent, "MEAS:VOLT?\n"); /* on is said once */
}

static void assert_never_on(const char *volts, const char *amps)
{
    struct bench b;
    identify_supply(&b);
    drive_supply(&b, 3300, 500);
    for (int period = 0; period < 5; period++) {
        begin(&b);
        assert_string_equal(b.sent, "VOLT 3.300\nCURR 0.500\nVOLT?\n");
        hear(&b, volts);
        hear(&b, amps);
        assert_string_equal(b.sent, "SYST:ERR?\n");
        hear(&b, "-222,\"Data out of range\"\n");
        measure(&b, "0\n", "0\n", "0\n");
        assert_false(b.device.supply.settled);
        assert_int_equal(b.device.supply.error, -222);
    }
}

static void test_supply_never_goes_on_when_a_set_point_reads_back_wrong(void **state)
{
    (void)state;
    assert_never_on("12.000\n", "0.500\n");
    assert_never_on("0.0033\n", "0.500\n");
    assert_never_on("3.300\n", "5.000\n");
    assert_never_on("3.334\n", "0.500\n"); /* 1 % of 3.3 V is 33 mV */
    assert_never_on("3.266\n", "0.500\n");
    assert_never_on("3.300\n", "0.506\n"); /* 1 % of 0.5 A is 5 mA */
    assert_never_on("3.300\n", "0.489\n"); /* downwards 10 mA at most */
    assert_never_on("-3.300\n", "0.500\n");
}

static void test_supply_told_its_set_points_alone_reads_them_back_and_stays_off(void **state)
{
    (void)state;
    struct bench b;
    identify_supply(&b);
    assert_string_equal(b.device.said, "DEMOWORKS,PS-2,1234,1.0");

    b.drive = (struct drive){.preset = true, .mv = 500, .ma = 100};
    begin(&b);
    assert_string_equal(b.sent, "VOLT 0.500\nCURR 0.100\nVOLT?\n");
    hear(&b, "0.500\n");
    hear(&b, "0.100\n");
    assert_string_equal(b.sent, "SYST:ERR?\n");
    hear(&b, "0,\"No error\"\n");
    measure(&b, "0\n", "0\n", "0\n");

    assert_true(b.device.supply.settled);
    begin(&b);
    assert_string_equal(b.sent, "MEAS:VOLT?\n");
}

static void assert_goes_on(const char *volts, const char *amps)
{
    struct bench b;
    identify_supply(&b);
    drive_supply(&b, 3300, 500);
    begin(&b);
    hear(&b, volts);
    hear(&b, amps);
    assert_string_equal(b.sent, "OUTP ON\nSYST:ERR?\n");
}

static void test_supply_goes_on_at_the_edges_of_one_percent(void **state)
{
    (void)state;
    assert_goes_on("3.333\n", "5.05E-1\n");
    assert_goes_on("3.267\n", "0.490\n");
}

static void test_supply_goes_off_at_once_and_is_told_until_it_says_so(void **state)
{
    (void)state;
    struct bench b;
    switch_on(&b);

    b.drive = (struct drive){0};
    begin(&b);
    assert_string_equal(b.sent, "OUTP OFF\nVOLT 0.000\nMEAS:VOLT?\n");
    measure(&b, "3.3\n", "0.1\n", "1\n");
    assert_true(b.device.supply.on); /* it disobeys, and that is shown */
    begin(&b);
    assert_string_equal(b.sent, "OUTP OFF\nVOLT 0.000\nMEAS:VOLT?\n");
    measure(&b, "0.4\n", "0\n", "0\n");
    begin(&b);
    assert_string_equal(b.sent, "MEAS:VOLT?\n");
}

static void test_supply_off_comes_first_also_when_an_answer_is_overdue(void **state)
{
    (void)state;
    struct bench b;
    switch_on(&b);
    begin(&b); /* MEAS:VOLT? is in flight */

    b.drive.supply_on = false;
    begin(&b);

    assert_string_equal(b.sent, "\nOUTP OFF\nVOLT 0.000\n*IDN?\n");
}

static void test_supply_reads_back_again_before_it_goes_on_again(void **state)
{
    (void)state;
    struct bench b;
    switch_on(&b);
    b.drive.supply_on = false;
    begin(&b);
    measure(&b, "0\n", "0\n", "0\n");

    b.drive.supply_on = true;
    begin(&b);

    assert_string_equal(b.sent, "VOLT 3.300\nCURR 0.500\nVOLT?\n");
}

static void test_supply_overdue_answer_is_never_taken_for_another(void **state)
{
    (void)state;
    struct bench b;
    identify_supply(&b);
    begin(&b); /* MEAS:VOLT?, not answered in time */
    uint32_t bad = b.device.bad_frames;
    drive_supply(&b, 3300, 500);
    begin(&b);
    assert_string_equal(b.sent, "\n*IDN?\n");
    assert_int_equal(b.device.bad_frames, bad + 1);

    hear(&b, "3.300\n"); /* late, and it looks like a read-back */
    assert_string_equal(b.sent, "");
    hear(&b, IDN);

    assert_string_equal(b.sent, "VOLT 3.300\nCURR 0.500\nVOLT?\n");
    assert_int_equal(b.device.bad_frames, bad + 2);
}

static void test_supply_old_name_does_not_vouch_for_a_newer_question(void **state)
{
    (void)state;
    struct bench b;
    identify_supply(&b);
    drive_supply(&b, 3300, 500);
    begin(&b); /* VOLT? in flight */
    for (int period = 0; period < 4; period++)
        begin(&b); /* the line hangs: one question for the name, not four */
    hear(&b, "12.000\n");
    hear(&b, IDN);
    assert_string_equal(b.sent, "VOLT 3.300\nCURR 0.500\nVOLT?\n");
    begin(&b); /* the read-back is overdue again */
    assert_string_equal(b.sent, "\n*IDN?\n");

    hear(&b, "3.300\n"); /* late: whatever it answers, it is not believed */
    assert_string_equal(b.sent, "");
    hear(&b, IDN);
    assert_string_equal(b.sent, "VOLT 3.300\nCURR 0.500\nVOLT?\n");
}

static void test_supply_that_knows_no_error_queue_is_measured_all_the_same(void **state)
{
    (void)state;
    struct bench b;
    identify_supply(&b);
    drive_supply(&b, 3300, 500);
    begin(&b);
    hear(&b, "3.300\n");
    hear(&b, "0.500\n");
    assert_string_equal(b.sent, "OUTP ON\nSYST:ERR?\n");

    begin(&b); /* not answered */
    hear(&b, IDN);

    assert_string_equal(b.sent, "MEAS:VOLT?\n");
    measure(&b, "3.3\n", "0.1\n", "1\n");
}

/* More volts and less current, with the output on: between the two commands it must not give both the new volts and
 * the old current. */
static void test_supply_current_that_falls_is_said_before_the_volts(void **state)
{
    (void)state;
    struct bench b;
    switch_on(&b);
    drive_supply(&b, 5000, 100);
    begin(&b);
    assert_string_equal(b.sent, "CURR 0.100\nVOLT 5.000\nVOLT?\n");
}

static void
test_supply_error_queue_is_asked_for_when_the_batch_before_it_was_cut_short(void **state)
{
    (void)state;
    struct bench b;
    switch_on(&b);
    drive_supply(&b, 3400, 500);
    begin(&b);
    assert_string_equal(b.sent, "VOLT 3.400\nCURR 0.500\nVOLT?\n");
    b.drive = (struct drive){0};
    begin(&b);
    assert_string_equal(b.sent, "\nOUTP OFF\nVOLT 0.000\n*IDN?\n");
    b.device.supply.on = false;

    hear(&b, IDN);

    assert_string_equal(b.sent, "SYST:ERR?\n");
}

static void test_supply_answering_with_another_name_is_driven_no_more(void **state)
{
    (void)state;
    struct bench b;
    switch_on(&b);
    begin(&b);
    begin(&b);
    assert_string_equal(b.sent, "\n*IDN?\n");

    hear(&b, "OTHER,XX-1,0,1.0\n");
    assert_string_equal(b.sent, "");
    begin(&b);

    assert_string_equal(b.sent, "*IDN?\n");
    assert_false(b.device.identified);
}

static void test_supply_wrong_read_back_while_on_takes_the_output_off(void **state)
{
    (void)state;
    struct bench b;
    switch_on(&b);

    drive_supply(&b, 1000, 500);
    begin(&b);
    assert_string_equal(b.sent, "VOLT 1.000\nCURR 0.500\nVOLT?\n");
    hear(&b, "3.300\n");
    hear(&b, "0.500\n");

    assert_string_equal(b.sent, "OUTP OFF\nVOLT 0.000\nSYST:ERR?\n");
    assert_false(b.device.told_on);
}

static void test_supply_that_went_off_by_itself_is_not_switched_on_again(void **state)
{
    (void)state;
    struct bench b;
    switch_on(&b);
    begin(&b);
    measure(&b, "0\n", "0\n", "0\n");

    assert_true(b.device.was_reset);
    begin(&b);
    assert_string_equal(b.sent, "VOLT 3.300\nCURR 0.500\nVOLT?\n");
    hear(&b, "3.300\n");
    hear(&b, "0.500\n");
    assert_string_equal(b.sent, "SYST:ERR?\n");
}

static void test_supply_unreadable_measurement_leaves_the_last_one_ageing(void **state)
{
    (void)state;
    struct bench b;
    switch_on(&b);
    int64_t fresh_ms = b.t_ms + 20;
    begin(&b);

    hear(&b, "9.91E37\n");

    assert_string_equal(b.sent, "");
    assert_false(device_settled(&b.device));
    assert_int_equal(b.device.bad_frames, 1);
    assert_int_equal(b.device.supply.mv, 3298);
    assert_int_equal(b.device.supply.at_ms, fresh_ms);
    assert_int_equal(device_silent_ms(&b.device, b.t_ms), b.t_ms - fresh_ms);
}

static void test_supply_half_a_measurement_changes_nothing(void **state)
{
    (void)state;
    struct bench b;
    switch_on(&b);
    begin(&b);

    hear(&b, "9.000\n");
    hear(&b, "2.000\n");

    assert_int_equal(b.device.supply.mv, 3298);
    assert_int_equal(b.device.supply.ma, 120);
}

static void test_supply_line_that_nobody_asked_for_is_counted(void **state)
{
    (void)state;
    struct bench b;
    identify_supply(&b);

    hear(&b, "3.300\n");

    assert_int_equal(b.device.bad_frames, 1);
    assert_int_equal(b.device.supply.mv, 2);
}

static void test_supply_speaks_the_bench_files_own_commands(void **state)
{
    (void)state;
    struct bench b;
    start_supply(&b);
    strcpy(b.device.config.scpi[SCPI_SET_VOLTS], "SOUR1:VOLT %s V");
    strcpy(b.device.config.scpi[SCPI_SET_AMPS],
           "%n%s%d%x"); /* no format: only the first %s is ours */
    strcpy(b.device.config.scpi[SCPI_OFF], "OUTP1 0");
    begin(&b);
    hear(&b, IDN);
    assert_string_equal(b.sent, "OUTP1 0\nSOUR1:VOLT 0.000 V\nMEAS:VOLT?\n");
    measure(&b, "0\n", "0\n", "0\n");
    drive_supply(&b, 800, 50);

    begin(&b);

    assert_string_equal(b.sent, "SOUR1:VOLT 0.800 V\n%n0.050%d%x\nVOLT?\n");
}

static void test_supply_off_is_sent_whole_beside_the_longest_own_commands(void **state)
{
    (void)state;
    struct bench b;
    start_supply(&b);
    for (int i = 0; i < SCPI_TEXTS; i++) {
        memset(b.device.config.scpi[i], 'A' + i, DEVICE_TEXT - 1);
        memcpy(b.device.config.scpi[i], "%s", 2);
    }
    device_begin(&b.device, &b.drive, 0);
    device_feed(&b.device, IDN, strlen(IDN), 1); /* before the question was even taken */
    take_sent(&b);

    assert_non_null(strstr(b.sent, b.device.config.scpi[SCPI_OFF] + 2));
    drive_supply(&b, 3300, 500);
    device_init(&b.device, &b.device.config);
    begin(&b);
    hear(&b, IDN);
    hear(&b, "0\n"), hear(&b, "0\n"), hear(&b, "0\n");
    begin(&b);
    assert_int_equal(strlen(b.sent), 3 * (DEVICE_TEXT + 3)); /* "0.000" for "%s" */
}

static void test_supply_off_stays_in_the_outbox_when_a_question_after_it_does_not_fit(void **state)
{
    (void)state;
    struct bench b;
    start_supply(&b);
    for (int i = 0; i < SCPI_TEXTS; i++)
        memset(b.device.config.scpi[i], 'A' + i, DEVICE_TEXT - 1);
    begin(&b);
    hear(&b, IDN);
    b.device.told_on = true;
    b.device.supply.on = true;

    device_begin(&b.device, &b.drive,
                 b.t_ms + 100); /* overdue: end of line, off, no volts, identity */
    device_feed(&b.device, IDN, strlen(IDN), b.t_ms + 100);
    take_sent(&b); /* off again, and the question behind it, are past the frame's end */

    assert_int_equal(strlen(b.sent), 1 + 3 * DEVICE_TEXT);
    assert_memory_equal(b.sent + 1, b.device.config.scpi[SCPI_OFF], DEVICE_TEXT - 1);
    assert_int_equal(b.sent[DEVICE_TEXT], '\n');
}

static void test_supply_number_or_error_is_never_a_name_whatever_name_is_looked_for(void **state)
{
    (void)state;
    static const char *const lines[] = {"12.000\n", "-112,\"Program mnemonic too long\"\n"};
    for (size_t i = 0; i < 2; i++) {
        struct bench b;
        start_supply(&b);
        strcpy(b.device.config.identity, "12");
        begin(&b);
        hear(&b, lines[i]);
        assert_false(b.device.identified);
        hear(&b, "Supply 12\n"); /* not four fields, but the name */
        assert_true(b.device.identified);
    }
}

/* ---- a supply that obeys at once, answers late, and sometimes takes a set-point wrongly ---- */

enum { LATE_LINES = 64 };

struct late_supply {
    uint64_t seed;
    int32_t set_mv, set_ma, wanted_mv, wanted_ma;
    bool on;
    int switched_on;
    int count;
    struct {
        char text[32];
        int64_t due_ms;
    } line[LATE_LINES];
};

static uint32_t draw(struct late_supply *p, uint32_t below)
{
    p->seed = p->seed * 6364136223846793005u + 1442695040888963407u;
    return (uint32_t)(p->seed >> 33) % below;
}

static void answer_late(struct late_supply *p, const char *text, int64_t t_ms)
{
    int64_t due_ms = t_ms + draw(p, draw(p, 4) ? 20 : 450);
    if (p->count > 0 && p->line[p->count - 1].due_ms > due_ms)
        due_ms = p->line[p->count - 1].due_ms; /* a line keeps its order */
    assert_true(p->count < LATE_LINES);
    snprintf(p->line[p->count].text, sizeof p->line[0].text, "%s\n", text);
    p->line[p->count++].due_ms = due_ms;
}

static void answer_milli(struct late_supply *p, int32_t milli, int64_t t_ms)
{
    char text[24];
    snprintf(text, sizeof text, "%d.%03d", milli / 1000, milli % 1000);
    answer_late(p, text, t_ms);
}

static int32_t take_set_point(struct late_supply *p, const char *number)
{
    int32_t milli = (int32_t)lround(atof(number) * 1000);
    return draw(p, 8) ? milli : milli * 4 + 100;
}

static void obey(struct late_supply *p, const char *command, int64_t t_ms)
{
    if (strncmp(command, "VOLT ", 5) == 0)
        p->set_mv = take_set_point(p, command + 5);
    else if (strncmp(command, "CURR ", 5) == 0)
        p->set_ma = take_set_point(p, command + 5);
    else if (strcmp(command, "VOLT?") == 0)
        answer_milli(p, p->set_mv, t_ms);
    else if (strcmp(command, "CURR?") == 0)
        answer_milli(p, p->set_ma, t_ms);
    else if (strcmp(command, "MEAS:VOLT?") == 0)
        answer_milli(p, p->on ? p->set_mv : 0, t_ms);
    else if (strcmp(command, "MEAS:CURR?") == 0)
        answer_milli(p, p->on ? 10 : 0, t_ms);
    else if (strcmp(command, "OUTP?") == 0)
        answer_late(p, p->on ? "1" : "0", t_ms);
    else if (strcmp(command, "SYST:ERR?") == 0)
        answer_late(p, "0,\"No error\"", t_ms);
    else if (strcmp(command, "*IDN?") == 0)
        answer_late(p, "DEMOWORKS,PS-2,1234,1.0", t_ms);
    else if (strcmp(command, "OUTP OFF") == 0)
        p->on = false;
    else if (strcmp(command, "OUTP ON") == 0) {
        assert_near(p->set_mv, p->wanted_mv, p->wanted_mv / 100.0);
        assert_near(p->set_ma, p->wanted_ma, p->wanted_ma / 100.0);
        p->switched_on += !p->on;
        p->on = true;
    } else if (command[0])
        fail_msg("unknown command: %s", command);
}

static void obey_sent(struct late_supply *p, struct bench *b, int64_t t_ms)
{
    take_sent(b);
    for (char *at = b->sent, *end; (end = strchr(at, '\n')); at = end + 1) {
        *end = 0;
        obey(p, at, t_ms);
    }
}

static void deliver_due(struct late_supply *p, struct bench *b, int64_t t_ms)
{
    while (p->count > 0 && p->line[0].due_ms <= t_ms) {
        char text[sizeof p->line[0].text];
        strcpy(text, p->line[0].text);
        memmove(p->line, p->line + 1, (size_t)--p->count * sizeof p->line[0]);
        device_feed(&b->device, text, strlen(text), t_ms);
        obey_sent(p, b, t_ms);
    }
}

static void want_something_else(struct late_supply *p, struct bench *b)
{
    static const int32_t mv[] = {800, 1000, 3300, 3800, 5000};
    b->drive.supply_on = draw(p, 3) > 0;
    b->drive.mv = b->drive.supply_on ? mv[draw(p, 5)] : 0;
    b->drive.ma = b->drive.supply_on ? 500 + 500 * (int32_t)draw(p, 4) : 0;
    p->wanted_mv = b->drive.mv;
    p->wanted_ma = b->drive.ma;
}

static void
test_supply_is_never_switched_on_at_wrong_set_points_however_late_its_answers(void **state)
{
    (void)state;
    struct bench b;
    struct late_supply p = {.seed = 7, .on = true};
    int off_at_once = 0;
    start_supply(&b);
    for (int64_t t_ms = 0; t_ms < 20000000; t_ms += 20) {
        if (t_ms % 100 == 0) {
            if (draw(&p, 20) == 0)
                want_something_else(&p, &b);
            bool was_told_on = b.device.told_on;
            device_begin(&b.device, &b.drive, t_ms);
            obey_sent(&p, &b, t_ms);
            if (was_told_on && !b.drive.supply_on) {
                assert_false(p.on); /* in the first bytes of the period */
                off_at_once++;
            }
        }
        deliver_due(&p, &b, t_ms);
    }
    assert_true(p.switched_on > 500);
    assert_true(off_at_once > 500);
}

static void test_unknown_kind_of_device_says_nothing(void **state)
{
    (void)state;
    struct bench b = {0};
    struct device_config config = {.kind = DEVICE_NONE};
    device_init(&b.device, &config);

    begin(&b);
    hear(&b, "hello\n");

    assert_string_equal(b.sent, "");
    assert_true(device_settled(&b.device));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_crc_of_modbus_frames_as_published),
        cmocka_unit_test(test_line_requests_are_the_golden_bytes),
        cmocka_unit_test(test_line_set_drives_nothing_when_heat_is_denied_whatever_number_is_there),
        cmocka_unit_test(test_line_set_never_leaves_the_range_of_the_grammar),
        cmocka_unit_test(test_line_identity_is_read),
        cmocka_unit_test(test_line_state_is_read_in_degrees),
        cmocka_unit_test(test_line_state_is_read_in_microvolts_with_open_inputs),
        cmocka_unit_test(test_line_refusal_is_read),
        cmocka_unit_test(test_line_carriage_return_is_dropped_and_the_next_line_left_alone),
        cmocka_unit_test(test_line_every_prefix_of_an_answer_is_incomplete),
        cmocka_unit_test(test_line_no_one_byte_corruption_is_ever_accepted),
        cmocka_unit_test(test_line_grammar_has_one_way_to_write_everything),
        cmocka_unit_test(test_line_check_must_be_upper_case_and_in_its_place),
        cmocka_unit_test(test_line_longer_than_120_bytes_is_bad_with_or_without_its_end),
        cmocka_unit_test(test_line_examples_in_the_reference_page_carry_their_right_check),
        cmocka_unit_test(test_scpi_reads_nr1_nr2_and_nr3_to_the_nearest_thousandth),
        cmocka_unit_test(test_scpi_refuses_special_values_and_whatever_is_no_number),
        cmocka_unit_test(test_scpi_every_prefix_of_a_reply_is_incomplete),
        cmocka_unit_test(test_scpi_one_byte_corruption_is_refused_or_still_a_number),
        cmocka_unit_test(test_scpi_reply_without_an_end_is_bad_at_the_size_of_a_frame),
        cmocka_unit_test(test_scpi_reads_booleans),
        cmocka_unit_test(test_scpi_reads_the_error_queue_as_a_number),
        cmocka_unit_test(test_last_words_end_half_a_line_first_and_never_change),
        cmocka_unit_test(test_kinds_are_found_by_the_name_they_print),
        cmocka_unit_test(test_line_is_asked_who_it_is_and_then_driven),
        cmocka_unit_test(test_line_stranger_is_sent_nothing_but_who),
        cmocka_unit_test(test_line_answer_in_any_pieces_is_the_same_answer),
        cmocka_unit_test(test_line_bad_or_foreign_answer_counts_and_leaves_the_last_values),
        cmocka_unit_test(test_line_refused_set_is_as_good_as_silence),
        cmocka_unit_test(test_line_silence_grows_and_is_counted),
        cmocka_unit_test(test_line_never_heard_is_silent_since_its_first_period),
        cmocka_unit_test(test_line_uptime_going_backwards_is_a_reset_and_it_is_asked_again),
        cmocka_unit_test(test_line_open_input_keeps_its_last_value_and_a_missing_one_its_time),
        cmocka_unit_test(test_line_answer_to_last_words_is_neither_an_answer_nor_a_fault),
        cmocka_unit_test(test_line_keeps_what_a_proof_needs_of_its_answers),
        cmocka_unit_test(test_line_ten_megabytes_without_an_end_are_one_bad_line),
        cmocka_unit_test(test_line_sequence_wraps_within_six_digits),
        cmocka_unit_test(
            test_supply_is_switched_off_before_anything_else_once_it_has_said_its_name),
        cmocka_unit_test(test_supply_stranger_is_sent_nothing_but_the_question_for_its_name),
        cmocka_unit_test(test_supply_lost_name_is_asked_for_again_after_half_a_second),
        cmocka_unit_test(test_supply_goes_on_after_both_set_points_have_read_back),
        cmocka_unit_test(test_supply_never_goes_on_when_a_set_point_reads_back_wrong),
        cmocka_unit_test(test_supply_goes_on_at_the_edges_of_one_percent),
        cmocka_unit_test(test_supply_goes_off_at_once_and_is_told_until_it_says_so),
        cmocka_unit_test(test_supply_off_comes_first_also_when_an_answer_is_overdue),
        cmocka_unit_test(test_supply_reads_back_again_before_it_goes_on_again),
        cmocka_unit_test(test_supply_overdue_answer_is_never_taken_for_another),
        cmocka_unit_test(test_supply_old_name_does_not_vouch_for_a_newer_question),
        cmocka_unit_test(test_supply_that_knows_no_error_queue_is_measured_all_the_same),
        cmocka_unit_test(test_supply_current_that_falls_is_said_before_the_volts),
        cmocka_unit_test(
            test_supply_error_queue_is_asked_for_when_the_batch_before_it_was_cut_short),
        cmocka_unit_test(test_supply_answering_with_another_name_is_driven_no_more),
        cmocka_unit_test(test_supply_told_its_set_points_alone_reads_them_back_and_stays_off),
        cmocka_unit_test(test_supply_wrong_read_back_while_on_takes_the_output_off),
        cmocka_unit_test(test_supply_that_went_off_by_itself_is_not_switched_on_again),
        cmocka_unit_test(test_supply_unreadable_measurement_leaves_the_last_one_ageing),
        cmocka_unit_test(test_supply_half_a_measurement_changes_nothing),
        cmocka_unit_test(test_supply_line_that_nobody_asked_for_is_counted),
        cmocka_unit_test(test_supply_speaks_the_bench_files_own_commands),
        cmocka_unit_test(test_supply_off_is_sent_whole_beside_the_longest_own_commands),
        cmocka_unit_test(test_supply_off_stays_in_the_outbox_when_a_question_after_it_does_not_fit),
        cmocka_unit_test(test_supply_number_or_error_is_never_a_name_whatever_name_is_looked_for),
        cmocka_unit_test(
            test_supply_is_never_switched_on_at_wrong_set_points_however_late_its_answers),
        cmocka_unit_test(test_unknown_kind_of_device_says_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
