/* SPDX-License-Identifier: MIT */
/* Modbus RTU: golden frames, damage, a controller driven round by round against a fake unit, and against
 * libmodbus as the other side. Golden frames: "MODBUS Application Protocol" V1.1b3 and "MODBUS over Serial
 * Line" V1.02 (the examples for functions 03, 04, 06, 16 that many libraries' tests repeat); those of
 * exceptions 8x were computed apart from this code by a CRC-16 held against the published 0x4B37. */
#include "check.h"

#include <stdlib.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>
#ifdef HAVE_MODBUS
#include <errno.h>
#include <fcntl.h>
#include <modbus/modbus.h>
#include <poll.h>
#include <signal.h>
#include <sys/prctl.h>
#endif

#include "edge.h"
#include "tinlatch/bytes.h"
#include "tinlatch/device.h"

/* ---- codec ---- */

struct golden {
    struct modbus_request request;
    const char *sent, *answer;
    uint8_t exception, count;
    uint16_t word[3];
};

static const struct golden golden[] = {
    {{0x11, 3, 0x6B, 3, {0}},
     "1103006B00037687",
     "110306AE415652434049AD",
     0,
     3,
     {0xAE41, 0x5652, 0x4340}},
    {{0x11, 4, 8, 1, {0}}, "110400080001B298", "110402000AF8F4", 0, 1, {10}},
    {{0x11, 6, 1, 1, {3}}, "1106000100039A9B", "1106000100039A9B", 0, 1, {0}},
    {{0x01, 6, 0, 1, {0x0435}}, "0106000004354B1D", "0106000004354B1D", 0, 1, {0}},
    {{0x11, 16, 1, 2, {0x000A, 0x0102}},
     "11100001000204000A0102C6F0",
     "1110000100021298",
     0,
     2,
     {0}},
    {{0x01, 3, 0, 2, {0}}, "010300000002C40B", NULL, 0, 0, {0}},
    {{0x01, 3, 0, 10, {0}}, "01030000000AC5CD", NULL, 0, 0, {0}},
    {{0x11, 3, 0x6B, 3, {0}}, "1103006B00037687", "118302C134", 2, 0, {0}},
    {{0x11, 4, 8, 1, {0}}, "110400080001B298", "1184018305", 1, 0, {0}},
    {{0x11, 6, 1, 1, {3}}, "1106000100039A9B", "1186044266", 4, 0, {0}},
    {{0x11, 16, 1, 2, {0x000A, 0x0102}}, "11100001000204000A0102C6F0", "1190030DC4", 3, 0, {0}},
    {{0x11, 3, 0x6B, 3, {0}}, "1103006B00037687", "11830B0132", 0x0B, 0, {0}},
};
enum { GOLDEN = sizeof golden / sizeof *golden };

static size_t from_hex(const char *hex, uint8_t *bytes)
{
    size_t length = strlen(hex) / 2;
    for (size_t i = 0; i < length; i++) {
        char pair[] = {hex[2 * i], hex[2 * i + 1], 0};
        bytes[i] = (uint8_t)strtol(pair, NULL, 16);
    }
    return length;
}

static void test_requests_are_the_golden_frames(void **state)
{
    (void)state;
    for (int i = 0; i < GOLDEN; i++) {
        struct frame frame;
        uint8_t wanted[FRAME_MAX];
        size_t length = from_hex(golden[i].sent, wanted);
        assert_int_equal(modbus_encode(&golden[i].request, &frame), length);
        assert_memory_equal(frame.bytes, wanted, length);
    }
}

static void test_golden_answers_are_read_also_before_other_bytes(void **state)
{
    (void)state;
    for (int i = 0; i < GOLDEN; i++) {
        uint8_t bytes[FRAME_MAX];
        struct modbus_answer answer;
        if (!golden[i].answer)
            continue;
        size_t length = from_hex(golden[i].answer, bytes);
        assert_int_equal(
            modbus_decode(edge_put(bytes, length), length, &golden[i].request, &answer), length);
        assert_int_equal(answer.exception, golden[i].exception);
        assert_int_equal(answer.count, golden[i].count);
        for (int k = 0; k < 3 && golden[i].request.function < 6; k++)
            assert_int_equal(answer.word[k], golden[i].word[k]);
        bytes[length] = 0x55;
        assert_int_equal(modbus_decode(bytes, length + 1, &golden[i].request, &answer), length);
    }
}

static void test_every_prefix_of_an_answer_is_incomplete(void **state)
{
    (void)state;
    for (int i = 0; i < GOLDEN; i++) {
        uint8_t bytes[FRAME_MAX];
        struct modbus_answer answer;
        size_t length = golden[i].answer ? from_hex(golden[i].answer, bytes) : 0;
        for (size_t part = 0; part < length; part++)
            assert_int_equal(
                modbus_decode(edge_put(bytes, part), part, &golden[i].request, &answer), TL_MORE);
    }
}

static void test_no_one_byte_corruption_of_an_answer_is_accepted(void **state)
{
    (void)state;
    for (int i = 0; i < GOLDEN; i++) {
        uint8_t bytes[FRAME_MAX];
        size_t length = golden[i].answer ? from_hex(golden[i].answer, bytes) : 0;
        for (size_t at = 0; at < length; at++) {
            uint8_t right = bytes[at];
            for (int value = 0; value < 256; value++) {
                struct modbus_answer answer;
                bytes[at] = (uint8_t)value;
                if (value != right)
                    assert_true(modbus_decode(edge_put(bytes, length), length, &golden[i].request,
                                              &answer) < 0);
            }
            bytes[at] = right;
        }
    }
}

static void test_answer_to_another_request_is_none(void **state)
{
    (void)state;
    static const struct {
        struct modbus_request request;
        const char *answer;
    } rows[] = {
        {{0x12, 4, 8, 1, {0}}, "110402000AF8F4"},      /* unit */
        {{0x11, 3, 8, 1, {0}}, "110402000AF8F4"},      /* function */
        {{0x11, 4, 8, 2, {0}}, "110402000AF8F4"},      /* count */
        {{0x11, 6, 2, 1, {3}}, "1106000100039A9B"},    /* address */
        {{0x11, 6, 1, 1, {4}}, "1106000100039A9B"},    /* value */
        {{0x11, 16, 1, 1, {10}}, "1110000100021298"},  /* count written */
        {{0x11, 3, 0x6B, 3, {0}}, "1103006B00037687"}, /* our own echo */
        {{0x11, 4, 8, 1, {0}}, "118302C134"},          /* another function's exception */
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        uint8_t bytes[FRAME_MAX];
        struct modbus_answer answer;
        size_t length = from_hex(rows[i].answer, bytes);
        assert_int_equal(modbus_decode(edge_put(bytes, length), length, &rows[i].request, &answer),
                         TL_BAD);
    }
}

static void test_gap_is_three_and_a_half_characters(void **state)
{
    (void)state;
    struct device_config unit = {.kind = DEVICE_CONTROLLER}, line = {.kind = DEVICE_LINE};
    assert_int_equal(device_quiet_ms(&unit, 4800), 9);  /* 8.021 ms */
    assert_int_equal(device_quiet_ms(&unit, 9600), 5);  /* 4.010 ms */
    assert_int_equal(device_quiet_ms(&unit, 19200), 3); /* 2.005 ms */
    assert_int_equal(device_quiet_ms(&unit, 115200), 2);
    assert_int_equal(device_quiet_ms(&line, 9600), 0);
}

/* ---- a fake unit: registers by address, and what it does wrong ---- */

enum {
    AT_READING = 0x1000,
    AT_SET = 0x1001,
    AT_RUN = 0x1010,
    AT_OUT = 0x1018,
    AT_UNIT = 0x1020,
    AT_SILENCE = 0x1021
};

struct unit {
    struct device device;
    struct drive drive;
    int64_t t_ms;
    uint16_t reg[0x40]; /* from AT_READING */
    int writes, requests, set_writes, answers_per_period;
    bool dead, stuck_set, echoes, garbles, other_unit;
    uint8_t exception; /* to the next request of function `exception_to` */
    uint8_t exception_to;
};

static struct device_config config(void)
{
    struct device_config c = {
        .kind = DEVICE_CONTROLLER, .name = "plate", .regulates = true, .silence_ms = 3000};
    c.controller = (struct controller_config){
        .unit = 1, .write_function = 6, .run_on = 1, .write_every_ms = 1000};
    struct device_register *map = c.controller.map;
    map[REGISTER_READING] = (struct device_register){true, false, 3, AT_READING, 10, 0};
    map[REGISTER_SET_POINT] = (struct device_register){true, false, 3, AT_SET, 10, 0};
    map[REGISTER_RUN] = (struct device_register){true, false, 3, AT_RUN, 1, 0};
    map[REGISTER_UNIT] = (struct device_register){true, false, 3, AT_UNIT, 1, 0};
    return c;
}

static void start(struct unit *u, const struct device_config *c)
{
    *u = (struct unit){.t_ms = 1000};
    u->reg[0] = 250;
    device_init(&u->device, c);
}

static uint16_t *reg(struct unit *u, uint16_t at)
{
    return &u->reg[at - AT_READING];
}

static uint16_t be(const uint8_t *b)
{
    return (uint16_t)(b[0] << 8 | b[1]);
}

static size_t closed(uint8_t *out, size_t n)
{
    uint16_t check = bytes_crc16(out, n);
    out[n] = (uint8_t)(check & 0xFF), out[n + 1] = (uint8_t)(check >> 8);
    return n + 2;
}

static size_t obey(struct unit *u, const struct frame *f, uint8_t *out)
{
    uint16_t at = be(f->bytes + 2), value = be(f->bytes + 4);
    u->requests++;
    out[0] = u->other_unit ? 9 : f->bytes[0], out[1] = f->bytes[1];
    if (u->exception && f->bytes[1] == u->exception_to) {
        out[1] |= 0x80, out[2] = u->exception, u->exception = 0;
        return closed(out, 3);
    }
    if (f->bytes[1] == 6) {
        u->writes++;
        u->set_writes += at == AT_SET;
        if (at != AT_SET || !u->stuck_set)
            *reg(u, at) = value;
        memcpy(out, f->bytes, 6);
        return closed(out, 6);
    }
    out[2] = (uint8_t)(value * 2);
    for (int i = 0; i < value; i++) {
        uint16_t word = *reg(u, (uint16_t)(at + i));
        out[3 + 2 * i] = (uint8_t)(word >> 8), out[4 + 2 * i] = (uint8_t)(word & 0xFF);
    }
    return closed(out, 3 + 2U * value);
}

/* One period: every request answered at once; false when it did not settle. */
static bool period(struct unit *u)
{
    struct frame frame;
    u->t_ms += 100;
    device_begin(&u->device, &u->drive, u->t_ms);
    for (int i = 0; i < 20; i++) {
        uint8_t answer[FRAME_MAX];
        device_outbox(&u->device, &frame);
        if (frame.length == 0)
            break;
        assert_int_equal(bytes_crc16(frame.bytes, frame.length), 0);
        if (u->echoes)
            device_feed(&u->device, frame.bytes, frame.length, u->t_ms + 2);
        if (u->dead)
            continue;
        size_t length = obey(u, &frame, answer);
        if (u->garbles)
            answer[length - 1] ^= 0x10;
        device_feed(&u->device, answer, length, u->t_ms + 5);
    }
    return device_settled(&u->device);
}

static void periods(struct unit *u, int count)
{
    while (count-- > 0)
        period(u);
}

static void heat(struct unit *u, int32_t mc)
{
    u->drive = (struct drive){.heat = true, .setpoint_mc = mc};
}

static void test_controller_is_switched_off_and_read_back_before_any_heat(void **state)
{
    (void)state;
    struct unit u;
    struct device_config c = config();
    start(&u, &c);
    *reg(&u, AT_RUN) = 1, *reg(&u, AT_SET) = 1800; /* it was left on */
    heat(&u, 170000);

    assert_true(period(&u));

    assert_int_equal(*reg(&u, AT_RUN), 0);
    assert_int_equal(*reg(&u, AT_SET), 0);
    assert_true(u.device.identified);
    periods(&u, 3);
    assert_int_equal(*reg(&u, AT_SET), 1700);
    assert_int_equal(*reg(&u, AT_RUN), 1);
    assert_int_equal(u.device.bad_frames, 0);
    assert_int_equal(u.device.channels.channel[0].value, 25000);
    assert_int_equal(device_silent_ms(&u.device, u.t_ms + 5), 0);
}

static void test_controller_in_another_unit_is_written_nothing(void **state)
{
    (void)state;
    struct unit u;
    struct device_config c = config();
    start(&u, &c);
    *reg(&u, AT_UNIT) = 1;
    heat(&u, 170000);

    periods(&u, 20);

    assert_int_equal(u.writes, 0);
    assert_false(u.device.identified);
    assert_true(device_silent_ms(&u.device, u.t_ms) > 1000);
    *reg(&u, AT_UNIT) = 0;
    periods(&u, 4);
    assert_int_equal(*reg(&u, AT_SET), 1700);
}

static void
test_controller_whose_unit_changes_while_it_heats_is_told_off_and_not_trusted(void **state)
{
    (void)state;
    struct unit u;
    struct device_config c = config();
    start(&u, &c);
    heat(&u, 170000);
    periods(&u, 5);
    assert_int_equal(*reg(&u, AT_RUN), 1);

    *reg(&u, AT_UNIT) = 1;
    periods(&u, 4);

    assert_true(u.device.was_reset);
    assert_int_equal(*reg(&u, AT_RUN), 0);
    assert_int_equal(*reg(&u, AT_SET), 0);
    int64_t at_ms = u.device.channels.channel[0].at_ms;
    *reg(&u, AT_UNIT) = 0;
    periods(&u, 5);
    assert_int_equal(*reg(&u, AT_RUN), 0);
    assert_int_equal(u.device.channels.channel[0].at_ms, at_ms);
}

static void test_controller_that_stops_by_itself_is_not_started_again(void **state)
{
    (void)state;
    struct unit u;
    struct device_config c = config();
    start(&u, &c);
    heat(&u, 170000);
    periods(&u, 8);

    *reg(&u, AT_RUN) = 0;
    periods(&u, 6);

    assert_true(u.device.was_reset);
    assert_int_equal(*reg(&u, AT_RUN), 0);
}

static void
test_controller_set_point_that_reads_back_other_is_retried_counted_and_never_believed(void **state)
{
    (void)state;
    struct unit u;
    struct device_config c = config();
    start(&u, &c);
    periods(&u, 3);
    u.stuck_set = true;
    heat(&u, 170000);
    int before = u.set_writes;
    uint32_t bad = u.device.bad_frames;
    int64_t answered = u.device.answered_ms;

    periods(&u, 10);

    assert_true(u.set_writes - before >= 9);
    assert_true(u.device.bad_frames - bad >= 9);
    assert_int_equal(u.device.answered_ms, answered);
    assert_int_equal(*reg(&u, AT_RUN), 0); /* run waits for the set-point's proof */
}

/* However many exchanges a period holds: an answer may always be under way when the next one begins. */
static void test_controller_whose_round_outlasts_a_period_is_heated_too(void **state)
{
    (void)state;
    for (int exchanges = 2; exchanges < 9; exchanges++) {
        struct unit u;
        struct frame asked = {0};
        uint8_t answer[FRAME_MAX];
        struct device_config c = config();
        start(&u, &c);
        heat(&u, 170000);

        for (int i = 0; i < 40 * exchanges; i++) {
            if (i % exchanges == 0)
                device_begin(&u.device, &u.drive, u.t_ms += 100);
            if (asked.length > 0)
                device_feed(&u.device, answer, obey(&u, &asked, answer), u.t_ms);
            device_outbox(&u.device, &asked);
        }

        assert_int_equal(*reg(&u, AT_RUN), 1);
    }
}

static void test_controller_goes_off_at_once_run_first(void **state)
{
    (void)state;
    struct unit u;
    struct frame frame;
    struct device_config c = config();
    start(&u, &c);
    heat(&u, 170000);
    periods(&u, 8);

    u.drive = (struct drive){0};
    device_begin(&u.device, &u.drive, u.t_ms + 100);
    device_outbox(&u.device, &frame);

    static const uint8_t off[] = {1, 6, 0x10, 0x10, 0, 0};
    assert_memory_equal(frame.bytes, off, sizeof off);
}

static void test_controller_off_that_is_lost_is_written_again_in_the_next_period(void **state)
{
    (void)state;
    struct unit u;
    struct device_config c = config();
    start(&u, &c);
    heat(&u, 170000);
    periods(&u, 8);
    assert_int_equal(*reg(&u, AT_RUN), 1);

    u.drive = (struct drive){0};
    u.dead = true;
    period(&u);
    u.dead = false;
    period(&u);

    assert_int_equal(*reg(&u, AT_RUN), 0);
}

static void test_controller_last_words_in_flight_are_answered_and_then_proved(void **state)
{
    (void)state;
    struct unit u;
    struct frame frame;
    uint8_t answer[FRAME_MAX];
    struct device_config c = config();
    start(&u, &c);
    heat(&u, 170000);
    periods(&u, 8);
    device_begin(&u.device, &u.drive,
                 u.t_ms += 100); /* the reading is asked for, and not answered yet */
    device_outbox(&u.device, &frame);

    device_say_off(&u.device, u.t_ms);
    device_outbox(&u.device, &frame);

    assert_int_equal(be(frame.bytes + 2), AT_RUN);
    assert_true(device_waits(&u.device));
    device_feed(&u.device, answer, obey(&u, &frame, answer), u.t_ms);
    assert_false(device_waits(&u.device));
    device_outbox(&u.device, &frame);
    assert_int_equal(frame.length, 0);
    int writes = u.writes;
    u.drive = (struct drive){0};
    assert_true(period(&u));
    assert_int_equal(u.writes,
                     writes + 2); /* not believed before it reads back; and the set-point */
    assert_true(period(&u));
    assert_int_equal(u.writes, writes + 2);
}

static void test_controller_raises_are_spared_and_falls_are_not(void **state)
{
    (void)state;
    struct unit u;
    struct device_config c = config();
    start(&u, &c);
    heat(&u, 100000);
    periods(&u, 10);
    int before = u.set_writes;

    for (int i = 1; i <= 50; i++) {
        heat(&u, 100000 + i * 200);
        period(&u);
    }
    assert_in_range(u.set_writes - before, 4, 6); /* five seconds, one a second */
    heat(&u, 90000);
    period(&u);
    assert_int_equal(*reg(&u, AT_SET), 900);
}

static void test_controller_set_point_is_never_above_what_was_granted(void **state)
{
    (void)state;
    static const struct {
        int32_t per_unit;
        bool fahrenheit;
    } scales[] = {{1, false}, {10, false}, {1, true}, {10, true}};
    for (size_t s = 0; s < sizeof scales / sizeof *scales; s++) {
        for (int32_t mc = 40000; mc < 300000; mc += 777) {
            struct unit u;
            struct device_config c = config();
            c.controller.map[REGISTER_SET_POINT].per_unit = scales[s].per_unit;
            c.controller.fahrenheit = scales[s].fahrenheit;
            start(&u, &c);
            heat(&u, mc);
            periods(&u, 2);
            double degrees = (double)*reg(&u, AT_SET) / scales[s].per_unit;
            double c_set = scales[s].fahrenheit ? (degrees - 32) / 1.8 : degrees;
            assert_true(c_set <= mc / 1000.0 + 1e-9);
            assert_true(c_set > mc / 1000.0 - 1.0001 / scales[s].per_unit);
        }
    }
}

static void test_controller_reads_fahrenheit_negative_long_and_swapped(void **state)
{
    (void)state;
    struct unit u;
    struct device_config c = config();
    c.controller.map[REGISTER_READING].per_unit = 10;
    c.controller.fahrenheit = true;
    c.controller.off_mc = -10000;
    start(&u, &c);
    *reg(&u, AT_READING) = 3380;
    periods(&u, 2);
    assert_int_equal(u.device.channels.channel[0].value, 170000);
    *reg(&u, AT_READING) = (uint16_t)-40; /* -4 F */
    period(&u);
    assert_int_equal(u.device.channels.channel[0].value, -20000);

    c = config();
    c.controller.map[REGISTER_READING] = (struct device_register){true, true, 3, 0x1030, 100, 0};
    c.controller.low_word_first = true;
    c.controller.low_byte_first = true;
    start(&u, &c);
    *reg(&u, 0x1030) = 0x7842; /* 17016 = 0x4278 */
    *reg(&u, 0x1031) = 0;
    *reg(&u, AT_UNIT) = 0;
    periods(&u, 2);
    assert_int_equal(u.device.channels.channel[0].value, 170160);
}

static void test_controller_open_sensor_is_open_and_keeps_its_last_value(void **state)
{
    (void)state;
    struct unit u;
    struct device_config c = config();
    c.controller.has_open = true, c.controller.open_count = 32767;
    start(&u, &c);
    periods(&u, 2);
    *reg(&u, AT_READING) = 32767;
    period(&u);
    assert_int_equal(u.device.channels.channel[0].quality, QUALITY_OPEN);
    assert_int_equal(u.device.channels.channel[0].value, 25000);
}

static void test_controller_output_is_its_duty_and_its_silence_timer_is_checked(void **state)
{
    (void)state;
    struct unit u;
    struct device_config c = config();
    c.controller.map[REGISTER_OUTPUT] = (struct device_register){true, false, 4, AT_OUT, 10, 0};
    c.controller.map[REGISTER_SILENCE] = (struct device_register){true, false, 3, AT_SILENCE, 1, 0};
    start(&u, &c);
    *reg(&u, AT_OUT) = 425;
    heat(&u, 170000);
    periods(&u, 5);
    assert_int_equal(u.writes, 0); /* 0 s: it never goes off by itself */
    *reg(&u, AT_SILENCE) = 4;
    periods(&u, 5);
    assert_int_equal(u.writes, 0); /* longer than its owner reckons with */
    *reg(&u, AT_SILENCE) = 3;
    periods(&u, 8);
    assert_int_equal(*reg(&u, AT_RUN), 1);
    assert_true(u.device.channels.has_duty);
    assert_int_equal(u.device.channels.duty_permille, 425);
}

static void test_controller_output_that_is_no_share_of_its_power_is_no_answer(void **state)
{
    static const uint16_t wrong[] = {1001, 0xFFFF, 0x7FFF, 0x8000};
    (void)state;
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct unit u;
        struct device_config c = config();
        c.controller.map[REGISTER_OUTPUT] = (struct device_register){true, false, 4, AT_OUT, 10, 0};
        start(&u, &c);
        *reg(&u, AT_OUT) = 425;
        heat(&u, 170000);
        periods(&u, 12);
        assert_true(device_silent_ms(&u.device, u.t_ms) < 100);

        *reg(&u, AT_OUT) = wrong[i];
        periods(&u, 12);

        assert_false(u.device.channels.has_duty);
        assert_true(device_silent_ms(&u.device, u.t_ms) >= 800);
        *reg(&u, AT_OUT) = 1000;
        periods(&u, 1);
        assert_true(device_silent_ms(&u.device, u.t_ms) < 100);
        assert_int_equal(u.device.channels.duty_permille, 1000);
    }
}

static void test_controller_silence_garbage_and_another_units_answers_are_no_answers(void **state)
{
    (void)state;
    for (int fault = 0; fault < 3; fault++) {
        struct unit u;
        struct device_config c = config();
        start(&u, &c);
        heat(&u, 170000);
        periods(&u, 6);
        assert_true(device_silent_ms(&u.device, u.t_ms) < 100);
        uint32_t bad = u.device.bad_frames;
        int64_t fresh = u.device.channels.channel[0].at_ms;

        u.dead = fault == 0, u.garbles = fault == 1, u.other_unit = fault == 2;
        periods(&u, 12);

        assert_true(device_silent_ms(&u.device, u.t_ms) >= 1000);
        assert_int_equal(u.device.channels.channel[0].at_ms, fresh);
        assert_true(u.device.bad_frames > bad);
        u.dead = u.garbles = u.other_unit = false;
        periods(&u, 4);
        assert_true(device_silent_ms(&u.device, u.t_ms) < 100);
    }
}

static void test_controller_echo_alone_never_counts_as_obeyed(void **state)
{
    (void)state;
    struct unit u;
    struct device_config c = config();
    start(&u, &c);
    u.echoes = true;
    heat(&u, 170000);
    periods(&u, 6);
    assert_int_equal(*reg(&u, AT_RUN), 1); /* beside an echo it works */
    u.dead = true;
    periods(&u, 15);
    assert_true(device_silent_ms(&u.device, u.t_ms) >= 1000);
}

static void test_controller_exceptions_of_every_code_are_counted_and_survived(void **state)
{
    (void)state;
    static const uint8_t functions[] = {3, 6};
    for (int code = 1; code <= 0x0B; code++) {
        for (size_t f = 0; f < sizeof functions; f++) {
            struct unit u;
            struct device_config c = config();
            start(&u, &c);
            heat(&u, 170000);
            periods(&u, 6);
            heat(&u, 160000);
            uint32_t bad = u.device.bad_frames;
            u.exception = (uint8_t)code, u.exception_to = functions[f];

            assert_true(period(&u));

            assert_int_equal(u.device.exception, code);
            assert_true(u.device.bad_frames > bad);
            periods(&u, 3);
            assert_int_equal(*reg(&u, AT_SET), 1600);
            assert_true(device_silent_ms(&u.device, u.t_ms) < 100);
        }
    }
}

/* The reading of a dead moment comes when the next thing is asked: it must not become the set-point's proof or
 * the next reading. */
static void test_controller_late_answer_is_never_taken_for_another(void **state)
{
    (void)state;
    struct unit u;
    struct frame frame;
    uint8_t late[FRAME_MAX], answer[FRAME_MAX];
    struct device_config c = config();
    start(&u, &c);
    heat(&u, 170000);
    periods(&u, 8);
    *reg(&u, AT_READING) = 3333;
    device_begin(&u.device, &u.drive, u.t_ms += 100);
    device_outbox(&u.device, &frame); /* the reading; its answer does not come yet */
    assert_int_equal(frame.bytes[1], 3);
    size_t length = obey(&u, &frame, late);
    *reg(&u, AT_READING) = 250;

    device_begin(&u.device, &u.drive, u.t_ms += 200);
    device_outbox(&u.device, &frame);
    assert_int_equal(frame.bytes[1], 6); /* a write: its answer is unmistakable */
    device_feed(&u.device, late, length, u.t_ms);

    assert_int_equal(u.device.channels.channel[0].value, 25000);
    device_outbox(&u.device, &(struct frame){0});
    device_feed(&u.device, answer, obey(&u, &frame, answer), u.t_ms);
    device_outbox(&u.device, &frame);
    assert_int_equal(frame.bytes[1], 3);
    assert_int_equal(be(frame.bytes + 2), AT_READING);
}

static void test_controller_answer_in_any_pieces_after_noise_is_the_same_answer(void **state)
{
    (void)state;
    struct unit u;
    struct frame frame;
    struct device_config c = config();
    start(&u, &c);
    periods(&u, 3);
    device_begin(&u.device, &u.drive, u.t_ms += 100);
    *reg(&u, AT_READING) = 777;
    static const uint8_t noise[] = {0x00, 0x01, 0x03, 0xFF, 0x01};
    device_feed(&u.device, noise, sizeof noise, u.t_ms);
    device_outbox(&u.device, &frame);
    uint8_t answer[FRAME_MAX];
    size_t length = obey(&u, &frame, answer);
    for (size_t i = 0; i < length; i++)
        device_feed(&u.device, answer + i, 1, u.t_ms);
    assert_int_equal(u.device.channels.channel[0].value, 77700);
}

static void test_controller_random_bytes_never_move_it(void **state)
{
    (void)state;
    struct unit u;
    struct device_config c = config();
    uint32_t seed = 1;
    start(&u, &c);
    heat(&u, 170000);
    periods(&u, 8);
    u.dead = true;
    int64_t answered = u.device.answered_ms;
    for (int i = 0; i < 3000; i++) {
        uint8_t bytes[300];
        size_t length = (seed >> 8) % sizeof bytes;
        for (size_t k = 0; k < length; k++)
            bytes[k] = (uint8_t)((seed = seed * 1664525 + 1013904223) >> 24);
        device_feed(&u.device, bytes, length, u.t_ms);
        if (i % 10 == 0)
            period(&u);
    }
    assert_int_equal(u.device.answered_ms, answered);
    assert_int_equal(u.device.channels.channel[0].value, 25000);
}

static void test_module_that_is_only_read_is_never_written(void **state)
{
    (void)state;
    struct unit u;
    struct frame frame;
    struct device_config c = config();
    c.controller.map[REGISTER_SET_POINT].used = c.controller.map[REGISTER_RUN].used = false;
    start(&u, &c);
    heat(&u, 170000);
    periods(&u, 10);
    assert_int_equal(u.writes, 0);
    assert_int_equal(u.device.channels.channel[0].value, 25000);
    assert_true(device_silent_ms(&u.device, u.t_ms) < 100);
    device_last_words(&c, &frame);
    assert_int_equal(frame.length, 0);
}

static void test_controller_last_words_are_one_frame(void **state)
{
    (void)state;
    struct frame frame;
    struct device_config c = config();
    uint8_t wanted[FRAME_MAX];
    device_last_words(&c, &frame);
    assert_int_equal(frame.length, from_hex("0106101000008CCF", wanted));
    assert_memory_equal(frame.bytes, wanted, frame.length);
    c.controller.map[REGISTER_RUN].used = false;
    device_last_words(&c, &frame);
    assert_int_equal(frame.length, from_hex("010610010000DCCA", wanted));
    assert_memory_equal(frame.bytes, wanted, frame.length);
}

/* ---- libmodbus at the other end ---- */

#ifdef HAVE_MODBUS
enum { FIRST = AT_READING, REGISTERS = 64 };

/* libmodbus serves one unit on a terminal until it is killed or its parent dies. */
static void serve(const char *path, int ready)
{
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    modbus_t *unit = modbus_new_rtu(path, 115200, 'N', 8, 1);
    modbus_mapping_t *map =
        modbus_mapping_new_start_address(0, 0, 0, 0, FIRST, REGISTERS, FIRST, REGISTERS);
    if (!unit || !map || modbus_set_slave(unit, 1) || modbus_connect(unit))
        _exit(1);
    map->tab_registers[0] = 1723;
    if (write(ready, "", 1) != 1)
        _exit(1);
    for (;;) {
        uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];
        int length = modbus_receive(unit, query);
        if (length > 0)
            modbus_reply(unit, query, length, map);
    }
}

struct peer {
    int fd;
    pid_t pid;
};

static int open_peer(void **state)
{
    static struct peer peer;
    int ready[2];
    char byte;
    peer.fd = posix_openpt(O_RDWR | O_NOCTTY);
    if (peer.fd < 0 || grantpt(peer.fd) || unlockpt(peer.fd) || pipe(ready))
        return -1;
    const char *path = ptsname(peer.fd);
    peer.pid = fork();
    if (peer.pid == 0)
        serve(path, ready[1]);
    close(ready[1]);
    *state = &peer;
    ssize_t got = read(ready[0], &byte, 1);
    close(ready[0]);
    return got == 1 ? 0 : -1;
}

static int close_peer(void **state)
{
    struct peer *peer = *state;
    kill(peer->pid, SIGKILL);
    waitpid(peer->pid, NULL, 0);
    close(peer->fd);
    return 0;
}

/* A round over the terminal, up to its end; the codec never sees the descriptor. */
static void round_with(struct peer *peer, struct device *device, const struct drive *drive,
                       int64_t t_ms)
{
    device_begin(device, drive, t_ms);
    while (!device_settled(device)) {
        struct frame frame;
        uint8_t bytes[64];
        struct pollfd ready = {.fd = peer->fd, .events = POLLIN};
        device_outbox(device, &frame);
        if (frame.length > 0) {
            usleep(2000);
            assert_int_equal(write(peer->fd, frame.bytes, frame.length), frame.length);
        }
        assert_int_equal(poll(&ready, 1, 5000), 1);
        ssize_t got = read(peer->fd, bytes, sizeof bytes);
        assert_true(got > 0);
        device_feed(device, bytes, (size_t)got, t_ms);
    }
}

static void drive_peer(struct peer *peer, struct device_config *c)
{
    struct device device;
    struct drive drive = {.heat = true, .setpoint_mc = 170000};
    device_init(&device, c);
    for (int i = 0; i < 8; i++)
        round_with(peer, &device, &drive, 1000 + 100 * i);
    assert_true(device.identified);
    assert_true(device.told_on);
    assert_true(device.set_confirmed);
    assert_int_equal(device.channels.channel[0].value, 172300);
    assert_int_equal(device.bad_frames, 0);
    assert_int_equal(device.answered_ms, 1700);
}

static void test_libmodbus_obeys_single_writes(void **state)
{
    struct device_config c = config();
    drive_peer(*state, &c);
}

static void test_libmodbus_obeys_multiple_writes_and_long_registers(void **state)
{
    struct device_config c = config();
    c.controller.write_function = 16;
    c.controller.map[REGISTER_SET_POINT].address = AT_SET + 7;
    c.controller.map[REGISTER_SET_POINT].is_long = true;
    c.controller.map[REGISTER_SET_POINT].per_unit = 100;
    drive_peer(*state, &c);
}

static void test_libmodbus_refuses_an_address_it_has_not(void **state)
{
    struct device_config c = config();
    struct device device;
    struct drive drive = {0};
    c.controller.map[REGISTER_READING].address = 0x2000;
    device_init(&device, &c);
    round_with(*state, &device, &drive, 1000);
    assert_int_equal(device.exception, MODBUS_EXCEPTION_ILLEGAL_DATA_ADDRESS);
    assert_int_equal(device.answered_ms, -1);
}
#endif

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_requests_are_the_golden_frames),
        cmocka_unit_test(test_golden_answers_are_read_also_before_other_bytes),
        cmocka_unit_test(test_every_prefix_of_an_answer_is_incomplete),
        cmocka_unit_test(test_no_one_byte_corruption_of_an_answer_is_accepted),
        cmocka_unit_test(test_answer_to_another_request_is_none),
        cmocka_unit_test(test_gap_is_three_and_a_half_characters),
        cmocka_unit_test(test_controller_is_switched_off_and_read_back_before_any_heat),
        cmocka_unit_test(test_controller_in_another_unit_is_written_nothing),
        cmocka_unit_test(
            test_controller_whose_unit_changes_while_it_heats_is_told_off_and_not_trusted),
        cmocka_unit_test(test_controller_that_stops_by_itself_is_not_started_again),
        cmocka_unit_test(
            test_controller_set_point_that_reads_back_other_is_retried_counted_and_never_believed),
        cmocka_unit_test(test_controller_whose_round_outlasts_a_period_is_heated_too),
        cmocka_unit_test(test_controller_goes_off_at_once_run_first),
        cmocka_unit_test(test_controller_off_that_is_lost_is_written_again_in_the_next_period),
        cmocka_unit_test(test_controller_last_words_in_flight_are_answered_and_then_proved),
        cmocka_unit_test(test_controller_raises_are_spared_and_falls_are_not),
        cmocka_unit_test(test_controller_set_point_is_never_above_what_was_granted),
        cmocka_unit_test(test_controller_reads_fahrenheit_negative_long_and_swapped),
        cmocka_unit_test(test_controller_open_sensor_is_open_and_keeps_its_last_value),
        cmocka_unit_test(test_controller_output_is_its_duty_and_its_silence_timer_is_checked),
        cmocka_unit_test(test_controller_output_that_is_no_share_of_its_power_is_no_answer),
        cmocka_unit_test(test_controller_silence_garbage_and_another_units_answers_are_no_answers),
        cmocka_unit_test(test_controller_echo_alone_never_counts_as_obeyed),
        cmocka_unit_test(test_controller_exceptions_of_every_code_are_counted_and_survived),
        cmocka_unit_test(test_controller_late_answer_is_never_taken_for_another),
        cmocka_unit_test(test_controller_answer_in_any_pieces_after_noise_is_the_same_answer),
        cmocka_unit_test(test_controller_random_bytes_never_move_it),
        cmocka_unit_test(test_module_that_is_only_read_is_never_written),
        cmocka_unit_test(test_controller_last_words_are_one_frame),
#ifdef HAVE_MODBUS
        cmocka_unit_test_setup_teardown(test_libmodbus_obeys_single_writes, open_peer, close_peer),
        cmocka_unit_test_setup_teardown(test_libmodbus_obeys_multiple_writes_and_long_registers,
                                        open_peer, close_peer),
        cmocka_unit_test_setup_teardown(test_libmodbus_refuses_an_address_it_has_not, open_peer,
                                        close_peer),
#endif
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
