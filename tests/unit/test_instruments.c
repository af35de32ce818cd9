/* SPDX-License-Identifier: MIT */
/* The smaller kinds: meter, contactor, sensor reader, by hand, contacts, and a supply without a name. SCPI's
 * 9.9E37 and 9.91E37: SCPI-1999, volume 1, 7.2.1. */
#include "check.h"

#include "edge.h"
#include "tinlatch/device.h"

struct bench {
    struct device device;
    struct drive drive;
    int64_t t_ms;
    char sent[FRAME_MAX + 1];
    struct frame frame;
};

static void start(struct bench *b, const struct device_config *config)
{
    *b = (struct bench){.t_ms = 1000};
    device_init(&b->device, config);
}

static void take_sent(struct bench *b)
{
    device_outbox(&b->device, &b->frame);
    memcpy(b->sent, b->frame.bytes, b->frame.length);
    b->sent[b->frame.length] = 0;
}

static void begin_after(struct bench *b, int32_t for_ms)
{
    b->t_ms += for_ms;
    device_begin(&b->device, &b->drive, b->t_ms);
    take_sent(b);
}

static void hear(struct bench *b, const char *text)
{
    device_feed(&b->device, text, strlen(text), b->t_ms + 20);
    take_sent(b);
}

static void assert_silent_last_words(const struct device_config *config)
{
    struct frame frame;
    device_last_words(config, &frame);
    assert_int_equal(frame.length, 0);
    assert_false(frame.sets_lines);
}

/* ---- meter ---- */

static const char IDN[] = "DEMOWORKS,BENCHMETER 60,0042,1.3\n";

static void start_meter(struct bench *b, enum meter_kind kind)
{
    struct device_config config = {.kind = DEVICE_SCPI_METER, .identity = "BENCHMETER"};
    start(b, &config);
    b->drive.meter = kind;
    begin_after(b, 100);
    assert_string_equal(b->sent, "*IDN?\n");
    hear(b, IDN);
    assert_true(b->device.identified);
}

static void test_meter_reads_millionths_and_knows_over_range(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        int64_t micro;
    } good[] = {{"+4.217E-01\n", 421700},
                {"0.0000004\n", 0},
                {"-0.0000005\r\n", -1},
                {"1.5E9\n", 1500000000000000},
                {"58\n", 58000000}};
    int64_t micro = 7;
    bool open;
    for (size_t i = 0; i < sizeof good / sizeof *good; i++) {
        size_t length = strlen(good[i].text);
        assert_int_equal(scpi_decode_micro(edge_put(good[i].text, length), length, &micro, &open),
                         length);
        assert_false(open);
        assert_true(micro == good[i].micro);
        for (size_t part = 0; part < length; part++)
            assert_int_equal(scpi_decode_micro(edge_put(good[i].text, part), part, &micro, &open),
                             TL_MORE);
    }
    static const char *const over[] = {"9.9E37\n", "+9.90000000E+37\n", "99E36\n"};
    micro = 7;
    for (size_t i = 0; i < sizeof over / sizeof *over; i++) {
        assert_true(scpi_decode_micro(over[i], strlen(over[i]), &micro, &open) > 0);
        assert_true(open && micro == 7);
    }
    static const char *const bad[] = {"9.91E37\n", "-9.9E37\n", "1E30\n", "OL\n", "\n", "1 ohm\n"};
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++)
        assert_int_equal(scpi_decode_micro(bad[i], strlen(bad[i]), &micro, &open), TL_BAD);
}

static void test_meter_is_asked_only_for_what_is_wanted(void **state)
{
    (void)state;
    static const char *const asked[METER_KINDS] = {"", "MEAS:RES?\n", "MEAS:DIOD?\n",
                                                   "MEAS:VOLT:DC?\n"};
    for (int kind = METER_NONE; kind < METER_KINDS; kind++) {
        struct bench b;
        start_meter(&b, (enum meter_kind)kind);
        begin_after(&b, 100);
        assert_string_equal(b.sent, asked[kind]);
        assert_true(device_settled(&b.device)); /* the scan does not wait for it */
    }
}

static void test_meter_says_what_its_value_is_of_also_when_another_is_wanted_by_now(void **state)
{
    (void)state;
    struct bench b;
    start_meter(&b, METER_OHMS);
    begin_after(&b, 100);
    b.drive.meter = METER_VOLTS;
    begin_after(&b, 100);
    assert_string_equal(b.sent, ""); /* one question at a time */

    hear(&b, "4.7\n");

    assert_int_equal(b.device.meter.kind, METER_OHMS);
    assert_int_equal(b.device.meter.quality, QUALITY_GOOD);
    assert_int_equal(b.device.meter.micro, 4700000);
    begin_after(&b, 100);
    assert_string_equal(b.sent, "MEAS:VOLT:DC?\n");
    hear(&b, "9.9E37\n");
    assert_int_equal(b.device.meter.quality, QUALITY_OPEN);
}

/* By the next question its leads are on another rail. */
static void test_meter_reading_goes_when_nothing_is_wanted_also_one_still_in_flight(void **state)
{
    (void)state;
    struct bench b;
    start_meter(&b, METER_OHMS);
    begin_after(&b, 100);
    hear(&b, "4.7\n");
    assert_int_equal(b.device.meter.quality, QUALITY_GOOD);
    begin_after(&b, 100); /* asked once more */
    assert_string_equal(b.sent, "MEAS:RES?\n");

    b.drive.meter = METER_NONE;
    begin_after(&b, 100);
    assert_int_equal(b.device.meter.quality, QUALITY_NONE);
    b.drive.meter = METER_OHMS;
    begin_after(&b, 100); /* a slow meter: the answer is still to come */
    assert_int_equal(b.device.meter.quality, QUALITY_NONE);
    hear(&b, "4.8\n");
    assert_int_equal(b.device.meter.quality, QUALITY_NONE);
    begin_after(&b, 100);
    hear(&b, "9.1\n");

    assert_int_equal(b.device.meter.micro, 9100000);
}

static void test_meter_late_value_is_passed_over_until_the_name_has_come(void **state)
{
    (void)state;
    struct bench b;
    start_meter(&b, METER_OHMS);
    begin_after(&b, 100);
    begin_after(&b, 2900);
    assert_string_equal(b.sent, "");
    begin_after(&b, 100);
    assert_string_equal(b.sent, "\n*IDN?\n");

    hear(&b, "4.7\n");
    assert_int_equal(b.device.meter.quality, QUALITY_NONE);
    hear(&b, IDN);
    begin_after(&b, 100);
    assert_string_equal(b.sent, "MEAS:RES?\n");
    hear(&b, "5.1\n");
    assert_int_equal(b.device.meter.micro, 5100000);
    assert_int_equal(b.device.bad_frames, 2);
}

static void test_meter_that_is_another_is_asked_nothing_else(void **state)
{
    (void)state;
    struct bench b;
    struct device_config config = {.kind = DEVICE_SCPI_METER, .identity = "BENCHMETER"};
    start(&b, &config);
    b.drive.meter = METER_OHMS;
    for (int i = 0; i < 30; i++) {
        begin_after(&b, 100);
        assert_true(!b.sent[0] || !strcmp(b.sent, "*IDN?\n"));
        hear(&b, "OTHER,THING,1,1\n");
    }
    assert_false(b.device.identified);
    assert_silent_last_words(&config);
}

static void test_meter_on_its_owners_word_waits_out_what_is_late(void **state)
{
    (void)state;
    struct bench b;
    struct device_config config = {.kind = DEVICE_SCPI_METER, .owner_vouches = true};
    start(&b, &config);
    b.drive.meter = METER_DIODE;
    begin_after(&b, 100);
    assert_string_equal(b.sent, "MEAS:DIOD?\n");
    begin_after(&b, 3000);
    hear(&b, "0.5\n"); /* late */
    assert_int_equal(b.device.meter.quality, QUALITY_NONE);
    begin_after(&b, 400);
    assert_int_equal(b.frame.length, 0);
    begin_after(&b, 200);
    assert_string_equal(b.sent, "MEAS:DIOD?\n");
    hear(&b, "0.61\n");
    assert_int_equal(b.device.meter.micro, 610000);
}

/* ---- a supply on its owner's word ---- */

static void
test_supply_on_its_owners_word_is_switched_off_first_and_never_asked_its_name(void **state)
{
    (void)state;
    struct bench b;
    struct device_config config = {.kind = DEVICE_SCPI_SUPPLY, .owner_vouches = true};
    start(&b, &config);
    begin_after(&b, 100);
    assert_string_equal(b.sent, "OUTP OFF\nVOLT 0.000\nMEAS:VOLT?\n");
    begin_after(&b, 100); /* overdue: silence, then again */
    assert_null(strstr(b.sent, "MEAS"));
    hear(&b, "3.3\n");
    assert_int_equal(b.device.supply.quality, QUALITY_NONE);
    for (int i = 0; i < 5; i++) {
        begin_after(&b, 100);
        assert_null(strstr(b.sent, "IDN"));
    }
    begin_after(&b, 100);
    assert_non_null(strstr(b.sent, "MEAS:VOLT?\n"));
    hear(&b, "0.0\n"), hear(&b, "0.0\n"), hear(&b, "0\n");
    assert_int_equal(b.device.supply.quality, QUALITY_GOOD);
}

/* ---- contactor ---- */

static struct device_config heater(bool on_dtr)
{
    return (struct device_config){
        .kind = DEVICE_CONTACTOR,
        .contactor = {.on_dtr = on_dtr, .window_ms = 2000, .min_on_ms = 100}};
}

static bool step(struct bench *b, int32_t for_ms)
{
    begin_after(b, for_ms);
    assert_true(b->frame.sets_lines);
    assert_true(b->device.config.contactor.on_dtr ? b->frame.rts
                                                  : b->frame.dtr); /* the other stays set */
    return b->device.config.contactor.on_dtr ? b->frame.dtr : b->frame.rts;
}

static void test_contactor_gives_every_duty_its_share_of_time(void **state)
{
    (void)state;
    static const int32_t duties[] = {5, 30, 100, 250, 333, 500, 777, 900, 990, 1000};
    static const int32_t periods[] = {50, 100, 130};
    for (size_t i = 0; i < sizeof duties / sizeof *duties; i++) {
        for (size_t k = 0; k < sizeof periods / sizeof *periods; k++) {
            struct bench b;
            struct device_config config = heater(i % 2);
            int64_t on_ms = 0, total_ms = 0;
            int changes = 0;
            bool was = false;
            start(&b, &config);
            b.drive = (struct drive){.heat = true, .duty_permille = duties[i]};
            while (total_ms < 200000) {
                bool on = step(&b, periods[k]);
                changes += on && !was;
                was = on;
                on_ms += on ? periods[k] : 0;
                total_ms += periods[k];
            }
            assert_near((double)on_ms / (double)total_ms, duties[i] / 1000.0, 0.015);
            assert_true(changes <= 200000 / 2000 + 1); /* once a window at most */
        }
    }
}

static void
test_contactor_opens_at_once_when_heat_is_denied_and_owes_nothing_after_a_gap(void **state)
{
    (void)state;
    struct bench b;
    struct device_config config = heater(false);
    start(&b, &config);
    b.drive = (struct drive){.heat = true, .duty_permille = 1000};
    assert_true(step(&b, 100));
    b.drive.heat = false; /* whatever number stands beside it */
    assert_false(step(&b, 100));
    b.drive = (struct drive){.heat = true, .duty_permille = 10};
    assert_false(step(&b, 100));
    assert_false(step(&b, 60000));

    start(&b, &config); /* nearly due when heat is denied: forgotten */
    b.drive = (struct drive){.heat = true, .duty_permille = 100};
    for (int i = 0; i < 17; i++)
        assert_false(step(&b, 100));
    b.drive.heat = false;
    assert_false(step(&b, 100));
    b.drive.heat = true;
    for (int i = 0; i < 10; i++)
        assert_false(step(&b, 100));
}

static void test_contactor_is_the_same_for_the_same_duties_and_times(void **state)
{
    (void)state;
    struct bench a, b;
    struct device_config config = heater(false);
    start(&a, &config);
    start(&b, &config);
    for (int i = 0; i < 500; i++) {
        a.drive = b.drive = (struct drive){.heat = true, .duty_permille = i * 37 % 1001};
        assert_int_equal(step(&a, 100), step(&b, 100));
    }
}

static void test_cut_off_follows_closed_alone_and_its_last_words_drop_its_line_alone(void **state)
{
    (void)state;
    struct bench b;
    struct frame frame;
    struct device_config config = heater(true);
    config.contactor.is_cutoff = true;
    start(&b, &config);
    b.drive = (struct drive){.heat = true, .duty_permille = 1000};
    assert_false(step(&b, 100));
    b.drive = (struct drive){.closed = true};
    assert_true(step(&b, 100));

    device_last_words(&config, &frame);
    assert_true(frame.sets_lines && frame.rts && !frame.dtr);
    config.contactor.on_dtr = false;
    device_last_words(&config, &frame);
    assert_true(frame.sets_lines && !frame.rts && frame.dtr);
    assert_int_equal(frame.length, 0);
}

/* ---- reader ---- */

static struct device_config reader(const char *pattern, const char *ask)
{
    struct device_config config = {.kind = DEVICE_READER};
    strcpy(config.reader.pattern, pattern);
    strcpy(config.reader.open, "----");
    strcpy(config.reader.ask, ask);
    return config;
}

static int decode(const struct device_config *config, const char *line,
                  struct reader_answer *answer)
{
    return reader_decode(edge_put(line, strlen(line)), strlen(line), &config->reader, answer);
}

static void test_reader_reads_lines_that_fit_and_no_others(void **state)
{
    (void)state;
    static const struct {
        const char *pattern, *line;
        bool fits;
        int32_t first;
    } rows[] = {
        {"T1={1} C T2={2} C", "T1=23.4 C T2=171.95 C\n", true, 23400},
        {"T1={1} C T2={2} C", "T1=23.4 C \t T2=171.95 C  \r\n", true, 23400},
        {"T1={1} C T2={2} C", "T1= 23.4 C T2=171.95 C\n", false, 0},
        {"T1={1} C T2={2} C", "T1=23.4 C T2=171.95 F\n", false, 0},
        {"T1={1} C T2={2} C", "T1=23.4 C T2=171.95 C;\n", false, 0},
        {"T1={1} C T2={2} C", "T1=23.4 C T2=\n", false, 0},
        {"{*};{1};{*}", "12:30:05;-1.2345;x y\n", true, -1235},
        {"{*};{1};{*}", "12:30:05;-1.2345;\n", false, 0},
        {"{*} {1}", "ch a 5\n", false, 0},
        {"{*} {1}", "ch  5\n", true, 5000},
        {"{1}", "+171.9996\n", true, 172000},
        {"{1}", ".5\n", true, 500},
        {"{1}", "1e2\n", false, 0},
        {"{1}", "1.2.3\n", false, 0},
        {"{1}", "-\n", false, 0},
        {"{1}", "nan\n", false, 0},
        {"{1}", "10000\n", false, 0},
        {"{1}", "00000000000000000000001\n", false, 0},
        {"{1}", "\n", false, 0},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct device_config config = reader(rows[i].pattern, "");
        struct reader_answer answer;
        int code = decode(&config, rows[i].line, &answer);
        if (code != (rows[i].fits ? (int)strlen(rows[i].line) : TL_BAD))
            fail_msg("%s against %s: %d", rows[i].pattern, rows[i].line, code);
        if (rows[i].fits)
            assert_int_equal(answer.channel[0].value, rows[i].first);
    }
}

static void test_reader_every_prefix_is_incomplete_and_no_broken_line_is_half_believed(void **state)
{
    (void)state;
    const char line[] = "T1=23.4 C T2=---- C\n";
    struct device_config config = reader("T1={1} C T2={2} C", "");
    struct reader_answer answer;
    assert_true(decode(&config, line, &answer) > 0);
    assert_int_equal(answer.channel[1].quality, QUALITY_OPEN);
    for (size_t part = 0; part < strlen(line); part++)
        assert_int_equal(reader_decode(edge_put(line, part), part, &config.reader, &answer),
                         TL_MORE);
    for (size_t at = 0; at < strlen(line); at++) {
        char broken[sizeof line];
        memcpy(broken, line, sizeof line);
        for (int value = 1; value < 256; value++) {
            broken[at] = (char)value;
            memset(&answer, 0, sizeof answer);
            int code = decode(&config, broken, &answer);
            if (code < 0) /* nothing of it was taken over */
                assert_int_equal(answer.channel[0].quality, QUALITY_NONE);
        }
    }
}

static void test_reader_converts_fahrenheit_and_needs_the_terminals_for_millivolts(void **state)
{
    (void)state;
    struct reader_answer answer;
    struct device_config config = reader("{1}", "");
    config.reader.fahrenheit = true;
    assert_true(decode(&config, "338\n", &answer) > 0);
    assert_int_equal(answer.channel[0].value, 170000);
    assert_true(decode(&config, "-40\n", &answer) > 0);
    assert_int_equal(answer.channel[0].value, -40000);

    config = reader("{1} {cj}", "");
    config.reader.gives_uv = true;
    assert_true(decode(&config, "4.096 24.5\n", &answer) > 0);
    assert_true(answer.channel[0].is_uv && answer.has_cold);
    assert_int_equal(answer.channel[0].value, 4096);
    assert_int_equal(answer.cold_mc, 24500);
    assert_int_equal(decode(&config, "4.096 ----\n", &answer), TL_BAD);
}

static void test_reader_patterns_that_could_mean_two_things_are_refused(void **state)
{
    (void)state;
    static const char *const good[] = {"{1}", "T={4};{*}", "{cj} {2}", "{*} {1}"};
    static const char *const bad[] = {"",
                                      "T=",
                                      "{5}",
                                      "{1}{2}",
                                      "{*}{1}",
                                      "{1} {1}",
                                      "{1}{*}",
                                      "{1}5",
                                      "{1}.",
                                      "a}b {1}",
                                      "{1",
                                      "{cj}",
                                      "{1} \x01",
                                      "{1} \xC2\xB0"
                                      "C"};
    uint32_t numbers;
    const char *why;
    for (size_t i = 0; i < sizeof good / sizeof *good; i++)
        assert_int_equal(reader_check_pattern(good[i], &numbers, &why), 0);
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        if (reader_check_pattern(bad[i], &numbers, &why) != TL_SYNTAX)
            fail_msg("accepted: %s", bad[i]);
        assert_non_null(why);
    }
}

static void test_reader_that_streams_is_fresh_only_when_a_line_came(void **state)
{
    (void)state;
    struct bench b;
    struct device_config config = reader("{1}", "");
    start(&b, &config);
    begin_after(&b, 100);
    assert_string_equal(b.sent, "");
    assert_true(device_settled(&b.device));
    hear(&b, "3.4\n"); /* perhaps half a line: it fits all the same */
    hear(&b, "23");
    assert_int_equal(b.device.channels.channel[0].at_ms, b.t_ms + 20);
    int64_t fresh = b.device.channels.channel[0].at_ms;
    begin_after(&b, 100);
    assert_int_equal(b.device.channels.channel[0].at_ms, fresh);
    hear(&b, "x\n");
    assert_int_equal(b.device.bad_frames, 1);
    assert_int_equal(b.device.channels.channel[0].at_ms, fresh);
    assert_int_equal(device_silent_ms(&b.device, fresh + 700), 700);
    assert_silent_last_words(&config);
}

static void test_reader_that_is_asked_is_not_asked_again_before_it_has_answered(void **state)
{
    (void)state;
    struct bench b;
    struct device_config config = reader("{1}", "READ?");
    start(&b, &config);
    begin_after(&b, 100);
    assert_string_equal(b.sent, "READ?\n");
    assert_false(device_settled(&b.device));
    int64_t asked = b.t_ms;
    for (int i = 0; i < 3; i++) {
        begin_after(&b, 100);
        assert_string_equal(b.sent, "");
    }
    hear(&b, "23.4\n");
    assert_int_equal(b.device.channels.channel[0].at_ms, asked); /* as old as the question */
    begin_after(&b, 100);
    assert_string_equal(b.sent, "READ?\n");
    begin_after(&b, 1000); /* given up: one period of silence */
    assert_string_equal(b.sent, "");
    hear(&b, "99.9\n");
    assert_int_equal(b.device.channels.channel[0].value, 23400);
    begin_after(&b, 100);
    assert_string_equal(b.sent, "READ?\n");
    assert_int_equal(b.device.bad_frames, 2);
}

static void test_reader_with_a_name_is_believed_only_after_it_has_said_it(void **state)
{
    (void)state;
    struct bench b;
    struct device_config config = reader("{1}", "READ?");
    strcpy(config.reader.ask_identity, "ID?");
    strcpy(config.identity, "BENCHTEMP");
    start(&b, &config);
    begin_after(&b, 100);
    assert_string_equal(b.sent, "ID?\n");
    hear(&b, "23.4\n");
    hear(&b, "OTHER 1\n");
    assert_int_equal(b.device.channels.channel[0].quality, QUALITY_NONE);
    hear(&b, "BENCHTEMP 2 0007\n");
    assert_string_equal(b.sent, "READ?\n");
    hear(&b, "23.4\n");
    assert_int_equal(b.device.channels.channel[0].quality, QUALITY_GOOD);
    begin_after(&b, 2100); /* silent for long: it may be another by now */
    assert_string_equal(b.sent, "ID?\n");
}

/* ---- by hand ---- */

static void test_by_hand_says_nothing_and_is_never_silent(void **state)
{
    (void)state;
    struct bench b;
    struct device_config config = {.kind = DEVICE_BY_HAND, .port = -1};
    start(&b, &config);
    b.drive = (struct drive){.heat = true, .duty_permille = 1000, .setpoint_mc = 170000};
    begin_after(&b, 100);
    assert_int_equal(b.frame.length, 0);
    assert_true(device_settled(&b.device));
    assert_int_equal(device_silent_ms(&b.device, b.t_ms), 0);
    assert_int_equal(b.device.channels.channel[0].quality, QUALITY_NONE);
    assert_silent_last_words(&config);
}

/* ---- contacts ---- */

static void start_inputs(struct bench *b)
{
    struct device_config config = {
        .kind = DEVICE_INPUTS,
        .inputs = {.stop = CONTACT_CTS, .answer = CONTACT_DSR, .feeds = true}};
    start(b, &config);
}

static void lines(struct bench *b, bool cts, bool dsr, int32_t for_ms)
{
    for (int32_t i = 0; i < for_ms; i += 10)
        device_feed_lines(&b->device, cts, dsr, false, b->t_ms += 10);
}

static void test_stop_is_pressed_until_it_has_been_seen_closed(void **state)
{
    (void)state;
    struct bench b;
    start_inputs(&b);
    assert_true(b.device.inputs.stop);
    lines(&b, true, false, 100);
    assert_false(b.device.inputs.stop);
    assert_int_equal(b.device.inputs.stops, 0);
    assert_silent_last_words(&b.device.config);
}

static void test_stop_opens_after_20_ms_and_not_for_less(void **state)
{
    (void)state;
    struct bench b;
    start_inputs(&b);
    lines(&b, true, false, 100);
    lines(&b, false, false, 20); /* two looks, 10 ms apart */
    lines(&b, true, false, 50);
    assert_int_equal(b.device.inputs.stops, 0);
    lines(&b, false, false, 30);
    assert_true(b.device.inputs.stop);
    assert_int_equal(b.device.inputs.stops, 1);
    lines(&b, true, false, 30);
    lines(&b, false, false, 20);
    lines(&b, true, false, 30);
    assert_true(b.device.inputs.stop); /* a loose wire is no release */
    lines(&b, true, false, 60);
    assert_false(b.device.inputs.stop);
}

static void test_stop_is_pressed_when_the_lines_can_no_longer_be_read(void **state)
{
    (void)state;
    struct bench b;
    start_inputs(&b);
    lines(&b, true, false, 100);
    device_judge_lines(&b.device, b.t_ms + 500);
    assert_false(b.device.inputs.stop);
    device_judge_lines(&b.device, b.t_ms + 501);
    device_judge_lines(&b.device, b.t_ms + 600);
    assert_true(b.device.inputs.stop);
    assert_int_equal(b.device.inputs.stops, 1);
}

static void test_answer_counts_once_per_press(void **state)
{
    (void)state;
    struct bench b;
    start_inputs(&b);
    lines(&b, true, false, 100);
    for (int press = 0; press < 3; press++) {
        lines(&b, true, true, 10); /* it bounces */
        lines(&b, true, false, 10);
        lines(&b, true, true, 200);
        lines(&b, true, false, 100);
    }
    assert_int_equal(b.device.inputs.answers, 3);
    assert_int_equal(b.device.inputs.stops, 0);
}

static void test_a_wire_that_flickers_is_no_stop_but_seen(void **state)
{
    (void)state;
    struct bench b;
    start_inputs(&b);
    lines(&b, true, false, 100);
    assert_int_equal(b.device.inputs.flickers, 0);

    lines(&b, false, false, 10);
    lines(&b, true, false, 60);

    assert_int_equal(b.device.inputs.stops, 0);
    assert_int_equal(b.device.inputs.flickers, 1);
}

static void test_a_wire_that_does_not_stay_closed_is_open(void **state)
{
    (void)state;
    struct bench b;
    start_inputs(&b);
    lines(&b, true, false, 100);

    for (int i = 0; i < 6; i++) {
        lines(&b, false, false, 10);
        lines(&b, true, false, 10);
    }

    assert_int_equal(b.device.inputs.stops, 1);
    assert_true(b.device.inputs.stop);
    lines(&b, true, false, 60);
    assert_false(b.device.inputs.stop);
}

static void test_a_late_look_makes_no_stop_of_a_flicker(void **state)
{
    (void)state;
    struct bench b;
    start_inputs(&b);
    lines(&b, true, false, 100);

    lines(&b, false, false, 10);
    b.t_ms += 300;
    lines(&b, true, false, 60);

    assert_int_equal(b.device.inputs.stops, 0);
}

static void test_a_press_is_one_once_it_is_let_go(void **state)
{
    (void)state;
    struct bench b;
    start_inputs(&b);
    lines(&b, true, false, 100);
    lines(&b, true, true, 300);
    int64_t pressed_ms = b.t_ms - 300 + 10 + 20;
    assert_int_equal(b.device.inputs.answers, 0);

    lines(&b, true, false, 60);

    assert_int_equal(b.device.inputs.answers, 1);
    assert_int_equal(b.device.inputs.answer_ms, pressed_ms);
}

static void test_a_contact_that_stays_closed_is_stuck_and_no_press(void **state)
{
    (void)state;
    struct bench b;
    start_inputs(&b);
    lines(&b, true, true, 10000);
    assert_false(b.device.inputs.answer_stuck);
    lines(&b, true, true, 100);
    assert_true(b.device.inputs.answer_stuck);

    lines(&b, true, false, 100);
    assert_false(b.device.inputs.answer_stuck);
    assert_int_equal(b.device.inputs.answers, 0);
    lines(&b, true, true, 100);
    lines(&b, true, false, 100);

    assert_int_equal(b.device.inputs.answers, 1);
}

/* on_ms down, off_ms up, again and again for three minutes. */
static uint32_t answers_of(struct bench *b, int32_t on_ms, int32_t off_ms)
{
    start_inputs(b);
    lines(b, true, false, 100);
    while (b->t_ms < 180000) {
        lines(b, true, true, on_ms);
        lines(b, true, false, off_ms);
    }
    return b->device.inputs.answers;
}

static void test_a_contact_that_comes_and_goes_by_itself_is_no_person(void **state)
{
    (void)state;
    struct bench b;
    static const int32_t ms[][2] = {{10, 10}, {10, 60}, {30, 60}, {10, 200}, {200, 800}};

    for (size_t i = 0; i < sizeof ms / sizeof ms[0]; i++) {
        assert_true(answers_of(&b, ms[i][0], ms[i][1]) <= 25);
        assert_true(b.device.inputs.answer_chatters);
        uint32_t before = b.device.inputs.answers;
        lines(&b, true, false, 60000);
        lines(&b, true, true, 100);
        lines(&b, true, false, 100);
        assert_int_equal(b.device.inputs.answers, before); /* it is not trusted again */
    }
}

static void test_a_person_who_answers_many_questions_is_no_chatter(void **state)
{
    (void)state;
    struct bench b;
    assert_int_equal(answers_of(&b, 200, 4900), 36);
    assert_false(b.device.inputs.answer_chatters);
    start_inputs(&b);
    for (int i = 0; i < 15; i++) { /* those of a start */
        lines(&b, true, true, 200);
        lines(&b, true, false, 800);
    }
    assert_int_equal(b.device.inputs.answers, 15);
    assert_false(b.device.inputs.answer_chatters);
}

static void test_contacts_are_fed_only_where_nothing_else_hangs_on_the_port(void **state)
{
    (void)state;
    struct bench b;
    start_inputs(&b);
    begin_after(&b, 100);
    assert_true(b.frame.sets_lines && b.frame.rts && b.frame.dtr);
    b.device.config.inputs.feeds = false;
    begin_after(&b, 100);
    assert_false(b.frame.sets_lines);
}

/* What a line without an instrument, or one that sends everything back, returns of each request. */
static void test_an_echo_alone_is_no_answer_of_any_kind(void **state)
{
    static const struct device_config configs[] = {
        {.kind = DEVICE_LINE, .silence_ms = 2000},
        {.kind = DEVICE_SCPI_SUPPLY},
        {.kind = DEVICE_SCPI_SUPPLY, .owner_vouches = true},
        {.kind = DEVICE_SCPI_METER},
        {.kind = DEVICE_SCPI_METER, .owner_vouches = true},
        {.kind = DEVICE_READER, .owner_vouches = true, .reader = {"T1={1} C", "READ?"}},
        {.kind = DEVICE_READER,
         .identity = "BENCHTEMP",
         .reader = {"T1={1} C", "READ?", .ask_identity = "ID?"}},
    };
    (void)state;
    for (size_t i = 0; i < sizeof configs / sizeof configs[0]; i++) {
        struct bench b;
        start(&b, &configs[i]);
        b.drive = (struct drive){.heat = true, .duty_permille = 500, .supply_on = true};
        b.drive.mv = b.drive.ma = 1000;
        b.drive.meter = METER_OHMS;

        for (int period = 0; period < 100; period++) {
            begin_after(&b, 100);
            for (int turn = 0; turn < 10 && b.sent[0]; turn++)
                hear(&b, b.sent);
        }

        assert_true(b.device.bad_frames > 10);
        assert_int_equal(b.device.answered_ms, -1);
        assert_true(b.device.identified == configs[i].owner_vouches);
        assert_int_equal(b.device.channels.channel[0].quality, QUALITY_NONE);
        assert_int_equal(b.device.supply.quality, QUALITY_NONE);
        assert_int_equal(b.device.meter.quality, QUALITY_NONE);
        assert_false(b.device.told_on);
    }
}

static void test_kinds_have_the_names_they_are_found_by(void **state)
{
    (void)state;
    for (int kind = DEVICE_NONE + 1; kind < DEVICE_KINDS; kind++)
        assert_int_equal(device_kind_find(device_kind_name((enum device_kind)kind)), kind);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_meter_reads_millionths_and_knows_over_range),
        cmocka_unit_test(test_meter_is_asked_only_for_what_is_wanted),
        cmocka_unit_test(test_meter_says_what_its_value_is_of_also_when_another_is_wanted_by_now),
        cmocka_unit_test(test_meter_reading_goes_when_nothing_is_wanted_also_one_still_in_flight),
        cmocka_unit_test(test_meter_late_value_is_passed_over_until_the_name_has_come),
        cmocka_unit_test(test_meter_that_is_another_is_asked_nothing_else),
        cmocka_unit_test(test_meter_on_its_owners_word_waits_out_what_is_late),
        cmocka_unit_test(
            test_supply_on_its_owners_word_is_switched_off_first_and_never_asked_its_name),
        cmocka_unit_test(test_contactor_gives_every_duty_its_share_of_time),
        cmocka_unit_test(
            test_contactor_opens_at_once_when_heat_is_denied_and_owes_nothing_after_a_gap),
        cmocka_unit_test(test_contactor_is_the_same_for_the_same_duties_and_times),
        cmocka_unit_test(test_cut_off_follows_closed_alone_and_its_last_words_drop_its_line_alone),
        cmocka_unit_test(test_reader_reads_lines_that_fit_and_no_others),
        cmocka_unit_test(
            test_reader_every_prefix_is_incomplete_and_no_broken_line_is_half_believed),
        cmocka_unit_test(test_reader_converts_fahrenheit_and_needs_the_terminals_for_millivolts),
        cmocka_unit_test(test_reader_patterns_that_could_mean_two_things_are_refused),
        cmocka_unit_test(test_reader_that_streams_is_fresh_only_when_a_line_came),
        cmocka_unit_test(test_reader_that_is_asked_is_not_asked_again_before_it_has_answered),
        cmocka_unit_test(test_reader_with_a_name_is_believed_only_after_it_has_said_it),
        cmocka_unit_test(test_by_hand_says_nothing_and_is_never_silent),
        cmocka_unit_test(test_stop_is_pressed_until_it_has_been_seen_closed),
        cmocka_unit_test(test_stop_opens_after_20_ms_and_not_for_less),
        cmocka_unit_test(test_stop_is_pressed_when_the_lines_can_no_longer_be_read),
        cmocka_unit_test(test_answer_counts_once_per_press),
        cmocka_unit_test(test_a_wire_that_flickers_is_no_stop_but_seen),
        cmocka_unit_test(test_a_wire_that_does_not_stay_closed_is_open),
        cmocka_unit_test(test_a_late_look_makes_no_stop_of_a_flicker),
        cmocka_unit_test(test_a_press_is_one_once_it_is_let_go),
        cmocka_unit_test(test_a_contact_that_stays_closed_is_stuck_and_no_press),
        cmocka_unit_test(test_a_contact_that_comes_and_goes_by_itself_is_no_person),
        cmocka_unit_test(test_a_person_who_answers_many_questions_is_no_chatter),
        cmocka_unit_test(test_contacts_are_fed_only_where_nothing_else_hangs_on_the_port),
        cmocka_unit_test(test_an_echo_alone_is_no_answer_of_any_kind),
        cmocka_unit_test(test_kinds_have_the_names_they_are_found_by),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
