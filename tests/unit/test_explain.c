/* SPDX-License-Identifier: MIT */
/* What a rule says is, word for word, what docs/reference/interlocks.md promises that it says. */
#include "check.h"

#include "tinlatch/interlock.h"

/* clang-format off */
/* Readings that make a sentence of that page; what a rule may say, the page says. */
static const struct saying {
    enum rule_id id;
    struct limits limits;
    struct readings in;
    struct wanted want;
    int64_t heat_ms;
} sayings[] = {
    {CLOCK_JUMP, .in.clock_jump_ms = 312000},
    {PLATE_OVER, .limits.plate_mc = 190000, .in.plate.temp_mc = 191200},
    {BOARD_OVER, .limits.board_mc = 180000, .in.sensor[SENSOR_BOARD].temp_mc = 182000},
    {RAMP_OVER, .limits.ramp_mc_s = 2500, .in.ramp_mc_s = 2900},
    {SENSOR_OPEN, .limits.has_board = true, .in.sensor[SENSOR_BOARD] = {QUALITY_OPEN, 152000, 400}},
    {SENSOR_RANGE, .in.sensor[SENSOR_PLATE] = {QUALITY_RANGE, 152000, 400}},
    {SENSOR_STALE, .limits.stale_ms = 1000, .in.sensor[SENSOR_PLATE] = {QUALITY_STALE, 152000, 1200}},
    {SENSOR_STALE, .limits.stale_ms = 1000},
    {SENSOR_JUMP, .in.sensor[SENSOR_PLATE] = {QUALITY_JUMP, 152000, 300}},
    {SENSOR_FROZEN, .in.plate.temp_mc = 84000, .in.account.unmoved_mc = 3000},
    {SENSOR_UNSEATED, .in.plate.temp_mc = 38000, .in.account.low_mc = 52000},
    {SENSORS_DISAGREE, .limits.has_plate_2 = true,
     .in.sensor = {{QUALITY_GOOD, 171000, 0}, {QUALITY_GOOD, 148000, 0}}},
    {SENSORS_DISAGREE, .limits.has_board = true, .in.account.board_lead_mc = 6000},
    {HEAT_TIME_OVER, .limits.heat_time_ms = 900000, .heat_ms = 900000},
    {DEVICE_SILENT, .limits.uses_plate = true, .limits.silent_ms = 800, .in.plate_silent_ms = 871},
    {DEVICE_SILENT, .in.supply_silent_ms = INT32_MAX},
    {RECIPE_SILENT, .limits.recipe_silent_ms = 2000, .in.recipe_silent_ms = 2000},
    {STOP_PRESSED, .in.stop_count = 1},
    {SUPPLY_OVER_VOLTS, .limits.rail_count = 1, .limits.rail[0] = {.name = "battery", .mv = 4400},
     .in.supply.mv = 4600, .want.supply_on = true},
    {SUPPLY_OVER_VOLTS, .limits.rail_count = 1, .limits.rail[0] = {.name = "battery", .inject_mv = 800},
     .in.supply.mv = 900, .want = {.supply_on = true, .inject = true}},
    {SUPPLY_OVER_AMPS, .limits.rail_count = 1, .limits.rail[0] = {.name = "battery", .ma = 2000},
     .in.supply.ma = 2200, .want.supply_on = true},
    {POWER_ON_HOT_BOARD, .limits = {.has_board = true, .power_mc = 60000},
     .in.sensor[SENSOR_BOARD] = {QUALITY_GOOD, 85000, 0}, .want.supply_on = true},
    {HEAT_WHILE_POWERED, .in.supply.mv = 4200},
    {SUPPLY_DISOBEYS, .in.supply = {.mv = 4200, .ma = 300}},
    {SUPPLY_DISOBEYS, .want.supply_on = true},
    {SUPPLY_DISOBEYS, .in.supply = {.on = true, .mv = 3000, .ma = 100},
     .want = {.supply_on = true, .mv = 4200, .ma = 1000}},
    {HEAT_UNCOMMANDED, .in.duty_permille = 200},
    {HEAT_UNCOMMANDED, .in.plate.temp_mc = 140000, .in.account.high_mc = 128000},
    {FRONT_SILENT, .limits.front_pause_ms = 2000, .in.front_silent_ms = 2100},
    {FRONT_GONE, .in.front_gone = true},
    {KEEPER_SILENT, .limits.keeper_silent_ms = 500, .in.keeper_silent_ms = 600},
    {KEEPER_SILENT, .in.keeper_silent_ms = INT32_MAX},
    {SCAN_LATE, .in.scan_late_ms = 240},
    {RECORD_LOST, .limits.record_late_ms = 1000, .in.record_late_ms = 1200},
    {RECORD_LOST, .in.record_late_ms = INT32_MAX},
    {OPERATOR_AWAY, .limits.presence_ms = 660000, .in.away_ms = 660000},
};
/* clang-format on */

/* The page, its lines joined. */
static const char *page(void)
{
    static char text[1 << 16];
    FILE *from = fopen(TEST_SOURCE "/docs/reference/interlocks.md", "re");
    assert_non_null(from);
    size_t length = fread(text, 1, sizeof text - 1, from);
    fclose(from);
    assert_true(length > 0 && length < sizeof text - 1);
    size_t out = 0;
    for (size_t i = 0; i < length; i++) {
        bool blank = text[i] == '\n' || text[i] == ' ';
        if (!blank || (out > 0 && text[out - 1] != ' '))
            text[out++] = blank ? ' ' : text[i];
    }
    text[out] = '\0';
    return text;
}

static void test_the_page_quotes_every_sentence_of_a_rule_as_it_is_said(void **state)
{
    (void)state;
    const char *text = page();
    for (size_t i = 0; i < sizeof sayings / sizeof sayings[0]; i++) {
        const struct saying *s = &sayings[i];
        struct rule_words words;
        char quoted[BENCH_TEXT + 2];
        interlock_explain(s->id, &s->limits, &s->in, &s->want, s->heat_ms, &words);
        snprintf(quoted, sizeof quoted, "\"%s\"", words.what);
        if (!strstr(text, quoted))
            fail_msg("docs/reference/interlocks.md does not quote %s", quoted);
    }
}

static void test_the_page_quotes_no_sentence_that_no_rule_says(void **state)
{
    (void)state;
    for (enum rule_id id = 0; id < RULES; id++) {
        int said = 0, quoted = 0;
        char end[BENCH_NAME + 4];
        snprintf(end, sizeof end, "(%s)\"", rules[id].id);
        for (size_t i = 0; i < sizeof sayings / sizeof sayings[0]; i++)
            said += sayings[i].id == id;
        for (const char *at = page(); (at = strstr(at, end)); at++)
            quoted++;
        if (said == 0 || quoted != said)
            fail_msg("%s: %d sentences here, %d on the page", rules[id].id, said, quoted);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_page_quotes_every_sentence_of_a_rule_as_it_is_said),
        cmocka_unit_test(test_the_page_quotes_no_sentence_that_no_rule_says),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
