/* SPDX-License-Identifier: MIT */
#include "check.h"

#include <stdlib.h>

#include "rules.h"

/* A bench where all is well, and a recipe that heats. */
struct bench {
    struct interlock il;
    struct limits limits;
    struct readings in;
    struct wanted want;
    struct granted out;
    int64_t t_ms;
};

static void set_sensors(struct bench *b, int32_t temp_mc)
{
    const struct temp_reading reading = {QUALITY_GOOD, temp_mc, 0};
    b->in.plate = reading;
    for (int i = 0; i < SENSORS; i++)
        b->in.sensor[i] = reading;
}

static void want_heat(struct bench *b)
{
    b->want = (struct wanted){.heat = true, .temp_mc = 170000, .ramp_mc_s = 1500, .fan_pct = 40};
}

static void want_supply(struct bench *b)
{
    b->want = (struct wanted){.supply_on = true, .rail = 1, .mv = 4200, .ma = 1000};
    b->in.supply.on = true;
    b->in.supply.mv = 4200;
    b->in.supply.ma = 80;
}

static struct bench calm_bench(void)
{
    struct bench b = {.limits = *limits_built_in(), .t_ms = 60000};
    b.limits.plate_mc = 190000;
    b.limits.board_mc = 180000;
    b.limits.ramp_mc_s = 2500;
    b.limits.heat_time_ms = 900000;
    b.limits.uses_plate = b.limits.uses_supply = b.limits.has_plate_2 = b.limits.has_board = true;
    b.limits.rail_count = 3;
    b.limits.rail[1] = (struct rail_limits){"battery", 4400, 2000, 800, 1500};
    b.limits.rail[2] = (struct rail_limits){"core", 1000, 1000, 500, 500};
    b.in.supply.quality = QUALITY_GOOD;
    b.in.ramp_known = true;
    b.in.ramp_mc_s = 1500;
    set_sensors(&b, 30000);
    want_heat(&b);
    return b;
}

static void step(struct bench *b, int32_t dt_ms)
{
    b->t_ms += dt_ms;
    b->in.t_ms = b->t_ms;
    interlock_step(&b->il, &b->limits, &b->in, &b->want, b->t_ms, &b->out);
}

/* Scans, 100 ms apart, until dt_ms have passed. */
static void step_for(struct bench *b, int32_t for_ms)
{
    for (int32_t gone_ms = 0; gone_ms < for_ms; gone_ms += 100)
        step(b, 100);
}

static void assert_everything_off(const struct bench *b)
{
    assert_false(b->out.heat);
    assert_false(b->out.supply_on);
    assert_int_equal(b->out.temp_mc, 0);
    assert_int_equal(b->out.ramp_mc_s, 0);
    assert_int_equal(b->out.mv, 0);
    assert_int_equal(b->out.ma, 0);
}

static void assert_tripped(const struct bench *b, enum rule_id id)
{
    assert_true(b->il.tripped);
    assert_string_equal(rules[b->il.first_out].id, rules[id].id);
    assert_true(b->il.state[id].latched);
    assert_everything_off(b);
}

static void assert_heating(const struct bench *b)
{
    assert_false(b->il.tripped);
    assert_true(b->out.heat);
}

/* Everything is well again and nothing is wanted but heat: a latched rule still says no. */
static void assert_stays_off(struct bench *b)
{
    struct bench calm = calm_bench();
    b->in = calm.in;
    b->in.stop_count = b->il.stop_seen;
    b->want = calm.want;
    step_for(b, 5000);
    assert_everything_off(b);
}

/* The words name the rule and every part of `with`. */
static void assert_words(const struct bench *b, enum rule_id id, const char *const *with)
{
    struct rule_words words;
    interlock_explain(id, &b->limits, &b->in, &b->want, b->il.heat_ms, &words);
    assert_has(words.what, rules[id].id);
    for (; *with; with++)
        assert_has(words.what, *with);
    assert_true(strlen(words.act) > 10);
    assert_true(strlen(words.inspect) > 10);
}
#define assert_words(b, id, ...) assert_words(b, id, (const char *const[]){__VA_ARGS__, NULL})

static void test_a_calm_bench_gets_what_it_wants(void **state)
{
    (void)state;
    struct bench b = calm_bench();

    step(&b, 100);

    assert_heating(&b);
    assert_int_equal(b.out.temp_mc, 170000);
    assert_int_equal(b.out.ramp_mc_s, 1500);
    assert_int_equal(b.out.fan_pct, 40);
    assert_false(b.out.supply_on);
}

static void test_nothing_known_means_nothing_granted(void **state)
{
    (void)state;
    struct interlock il = {0};
    struct limits limits = *limits_built_in();
    struct readings in = {0};
    struct wanted want = {.heat = true, .supply_on = true, .temp_mc = 100000, .mv = 1000, .ma = 10};
    struct granted out = {.heat = true, .supply_on = true};

    interlock_step(&il, &limits, &in, &want, 0, &out);

    assert_false(out.heat);
    assert_false(out.supply_on);
}

static void test_every_field_is_cut_to_its_limit_and_negatives_to_nothing(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.want.temp_mc = 400000;
    b.want.ramp_mc_s = 9000;
    b.want.fan_pct = 250;
    step(&b, 100);
    assert_int_equal(b.out.temp_mc, 190000);
    assert_int_equal(b.out.ramp_mc_s, 2500);
    assert_int_equal(b.out.fan_pct, 100);

    b.want.fan_pct = -5;
    b.want.temp_mc = -1;
    step(&b, 100);
    assert_int_equal(b.out.fan_pct, 0);
    assert_everything_off(&b);

    want_heat(&b);
    b.want.ramp_mc_s = -1; /* 0 would mean "as fast as the limits allow" */
    step(&b, 100);
    assert_everything_off(&b);
}

static void test_a_ramp_of_zero_is_granted_and_a_temperature_of_zero_is_not(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.want.ramp_mc_s = 0; /* as fast as the limits allow */
    b.want.temp_mc = 1;
    step(&b, 100);
    assert_heating(&b);
    assert_int_equal(b.out.ramp_mc_s, 0);
    assert_int_equal(b.out.temp_mc, 1);

    b.want.temp_mc = 0;
    step(&b, 100);
    assert_everything_off(&b);
}

static void test_heat_needs_a_recipe_that_uses_the_plate(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.limits.uses_plate = false;

    step(&b, 100);

    assert_false(b.out.heat);
    assert_false(b.il.tripped);
}

static void test_plate_over_trips_at_its_limit_and_not_just_below(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    set_sensors(&b, 150000);
    b.in.plate.temp_mc = b.in.sensor[SENSOR_PLATE].temp_mc = 189999;
    step_for(&b, 1000);
    assert_heating(&b);

    b.in.plate.temp_mc = b.in.sensor[SENSOR_PLATE].temp_mc = 190000;
    step(&b, 100);

    assert_tripped(&b, PLATE_OVER);
    assert_words(&b, PLATE_OVER, "the plate read 190 C", "its limit is 190 C");
    assert_stays_off(&b);
}

static void test_plate_over_watches_each_plate_sensor_and_only_plates_in_use(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.sensor[SENSOR_PLATE_2].temp_mc = 191234;
    step(&b, 100);
    assert_tripped(&b, PLATE_OVER);
    assert_words(&b, PLATE_OVER, "191.2 C");

    b = calm_bench();
    b.limits.has_plate_2 = false;
    b.in.sensor[SENSOR_PLATE_2].temp_mc = 191234;
    step(&b, 100);
    assert_heating(&b);

    b = calm_bench();
    b.limits.uses_plate = false;
    b.in.plate.temp_mc = b.in.sensor[SENSOR_PLATE].temp_mc = 500000;
    step(&b, 100);
    assert_false(b.il.tripped);
}

static void test_board_over_trips_at_its_limit_and_not_just_below(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.sensor[SENSOR_BOARD].temp_mc = 179999;
    step_for(&b, 1000);
    assert_heating(&b);

    b.in.sensor[SENSOR_BOARD].temp_mc = 180000;
    step(&b, 100);

    assert_tripped(&b, BOARD_OVER);
    assert_words(&b, BOARD_OVER, "the board read 180 C", "its limit is 180 C");
    assert_stays_off(&b);
}

static void test_board_over_is_silent_on_a_bench_without_that_sensor(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.limits.has_board = false;
    b.in.sensor[SENSOR_BOARD].temp_mc = 400000;

    step_for(&b, 2000);

    assert_heating(&b);
}

static void test_ramp_over_pauses_heat_after_a_second_and_gives_it_back(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.ramp_mc_s = 2701; /* limit 2.5 C/s and 0.2 for noise */
    step(&b, 100);
    step_for(&b, 900);
    assert_heating(&b);

    step(&b, 100); /* a whole second */
    assert_false(b.out.heat);
    assert_false(b.il.tripped);
    assert_true(b.il.state[RAMP_OVER].fired);
    assert_words(&b, RAMP_OVER, "2.701 C/s", "2.5 C/s");

    b.in.ramp_mc_s = 2700;
    step(&b, 100);
    assert_heating(&b);
}

static void test_ramp_over_starts_counting_anew_after_one_scan_without_it(void **state)
{
    (void)state;
    struct bench b = calm_bench();

    for (int i = 0; i < 50; i++) {
        b.in.ramp_mc_s = i % 10 == 9 ? 2700 : 9000;
        step(&b, 100);
        assert_heating(&b);
    }
}

static void test_ramp_over_needs_a_known_ramp(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.ramp_known = false;
    b.in.ramp_mc_s = INT32_MAX;

    step_for(&b, 3000);

    assert_heating(&b);
}

/* The three sensors and the reading that is made of them. */
static struct temp_reading *reading_of(struct bench *b, int i)
{
    return i < SENSORS ? &b->in.sensor[i] : &b->in.plate;
}

static void check_bad_quality(enum quality quality, enum rule_id id, int32_t for_ms)
{
    for (int i = 0; i <= SENSORS; i++) {
        struct bench b = calm_bench();
        reading_of(&b, i)->quality = quality;
        step(&b, 100);
        assert_false(b.out.heat); /* no heat on what cannot be read, also before it trips */
        step_for(&b, for_ms - 100);
        assert_true(for_ms == 0 || !b.il.tripped);
        step(&b, 100);
        assert_tripped(&b, id);
        assert_stays_off(&b);
    }
}

static void test_sensor_open_trips_after_300_ms_for_every_sensor_in_use(void **state)
{
    (void)state;
    check_bad_quality(QUALITY_OPEN, SENSOR_OPEN, 300);

    struct bench b = calm_bench();
    b.in.sensor[SENSOR_BOARD] = (struct temp_reading){QUALITY_OPEN, 152000, 400};
    step_for(&b, 500);
    assert_words(&b, SENSOR_OPEN, "the board sensor is open", "0.4 s ago", "152 C");
}

static void test_sensor_open_forgives_a_spike_of_the_reader(void **state)
{
    (void)state;
    struct bench b = calm_bench();

    b.in.sensor[SENSOR_PLATE].quality = QUALITY_OPEN;
    step_for(&b, 300);
    b.in.sensor[SENSOR_PLATE].quality = QUALITY_GOOD;
    step(&b, 100);

    assert_heating(&b);
}

static void test_sensor_range_trips_after_300_ms_for_every_sensor_in_use(void **state)
{
    (void)state;
    check_bad_quality(QUALITY_RANGE, SENSOR_RANGE, 300);

    struct bench b = calm_bench();
    b.in.sensor[SENSOR_PLATE_2].quality = QUALITY_RANGE;
    step_for(&b, 500);
    assert_words(&b, SENSOR_RANGE, "the plate-2 sensor gave a value that no bench can have");
}

static void test_sensor_stale_trips_at_once_for_every_sensor_in_use(void **state)
{
    (void)state;
    check_bad_quality(QUALITY_STALE, SENSOR_STALE, 0);
    check_bad_quality(QUALITY_NONE, SENSOR_STALE, 0);
}

static void test_sensor_stale_trips_when_the_reader_stops_not_only_when_it_says_so(void **state)
{
    (void)state;
    for (int i = 0; i <= SENSORS; i++) {
        struct bench b = calm_bench();
        reading_of(&b, i)->age_ms = 1000;
        step(&b, 100);
        assert_heating(&b);

        reading_of(&b, i)->age_ms = 1001;
        step(&b, 100);
        assert_tripped(&b, SENSOR_STALE);
    }

    struct bench b = calm_bench();
    b.in.sensor[SENSOR_BOARD].age_ms = 1200;
    step(&b, 100);
    assert_words(&b, SENSOR_STALE, "the board sensor has given nothing new for 1.2 s",
                 "allowed is 1 s");
}

static void test_sensor_stale_catches_a_sensor_that_flickers_between_two_faults(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    struct temp_reading *plate = &b.in.sensor[SENSOR_PLATE];

    for (int i = 1; i <= 11; i++) { /* neither fault holds for 300 ms */
        plate->quality = i % 2 ? QUALITY_OPEN : QUALITY_RANGE;
        plate->age_ms = 100 * i;
        step(&b, 100);
        assert_false(b.out.heat);
    }

    assert_tripped(&b, SENSOR_STALE);
}

static void test_sensor_stale_waits_for_the_first_reading_but_not_for_ever(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.t_ms = 0;
    b.in.sensor[SENSOR_PLATE] = b.in.plate = (struct temp_reading){0};
    step_for(&b, 900);
    assert_false(b.il.tripped);
    assert_false(b.out.heat);

    step(&b, 100);

    assert_tripped(&b, SENSOR_STALE);
    assert_words(&b, SENSOR_STALE, "the plate sensor has not been read at all");
}

static void test_sensors_that_are_not_in_use_never_trip(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    want_supply(&b);
    b.limits.uses_plate = b.limits.has_board = false;
    b.in.plate.quality = QUALITY_NONE;
    for (int i = 0; i < SENSORS; i++)
        b.in.sensor[i].quality = (enum quality)(i + QUALITY_OPEN);
    b.in.plate_silent_ms = INT32_MAX;

    step_for(&b, 5000);

    assert_false(b.il.tripped);
    assert_true(b.out.supply_on);
}

static void test_heat_time_over_trips_when_the_time_is_used_up(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.limits.heat_time_ms = 2000;
    step(&b, 100); /* heat from here on */
    step_for(&b, 1000);
    b.want.heat = false; /* a break does not count */
    step(&b, 100);
    step_for(&b, 3000);
    b.want.heat = true;
    step(&b, 100);
    assert_int_equal(b.il.heat_ms, 1100);
    step_for(&b, 800);
    assert_heating(&b);

    step(&b, 100);

    assert_tripped(&b, HEAT_TIME_OVER);
    assert_words(&b, HEAT_TIME_OVER, "heat has been on for 2 s", "its limit is 2 s");
    assert_stays_off(&b);
}

static void test_device_silent_trips_for_the_plate_and_for_the_supply(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.plate_silent_ms = b.in.supply_silent_ms = 999;
    step(&b, 100);
    assert_heating(&b);
    b.in.plate_silent_ms = 1000;
    step(&b, 100);
    assert_tripped(&b, DEVICE_SILENT);
    assert_words(&b, DEVICE_SILENT, "the plate's instrument", "1 s");

    b = calm_bench();
    b.in.supply_silent_ms = 1000;
    step(&b, 100);
    assert_tripped(&b, DEVICE_SILENT);
    b.in.supply_silent_ms = 1300;
    step(&b, 100);
    assert_tripped(&b, DEVICE_SILENT);
    assert_words(&b, DEVICE_SILENT, "the supply has not answered for 1.3 s");
    assert_stays_off(&b);
}

static void test_device_silent_trips_on_a_supply_that_answers_without_a_reading(void **state)
{
    (void)state;
    const struct supply_reading unread[] = {
        {.quality = QUALITY_NONE},
        {.quality = QUALITY_STALE},
        {.quality = QUALITY_GOOD, .age_ms = 1001},
        {.quality = QUALITY_RANGE, .age_ms = 1000},
        {.quality = QUALITY_OPEN, .age_ms = -1},
    };
    for (size_t i = 0; i < sizeof unread / sizeof unread[0]; i++) {
        struct bench b = calm_bench();
        b.in.supply = unread[i];
        step(&b, 100);
        assert_tripped(&b, DEVICE_SILENT);
    }
}

static void test_device_silent_waits_for_the_supplys_first_reading_but_not_for_ever(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.t_ms = 0;
    b.in.supply = (struct supply_reading){0};
    step_for(&b, 900);
    assert_false(b.il.tripped);
    assert_false(b.out.heat);

    step(&b, 100);

    assert_tripped(&b, DEVICE_SILENT);
}

static void test_device_silent_ignores_instruments_that_are_not_in_use(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.limits.uses_supply = false;
    b.in.supply = (struct supply_reading){0};
    b.in.supply_silent_ms = INT32_MAX;

    step_for(&b, 2000);

    assert_heating(&b);
}

static void test_recipe_silent_trips_at_its_limit_and_not_just_below(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.recipe_silent_ms = 999;
    step(&b, 100);
    assert_heating(&b);

    b.in.recipe_silent_ms = 1000;
    step(&b, 100);

    assert_tripped(&b, RECIPE_SILENT);
    assert_words(&b, RECIPE_SILENT, "the recipe has asked for nothing for 1 s");
    assert_stays_off(&b);
}

static void test_supply_disobeys_trips_after_two_seconds_of_unwanted_power(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.want.heat = false;
    b.in.supply.on = true;
    step_for(&b, 1900);
    assert_false(b.il.tripped);

    step_for(&b, 300);

    assert_tripped(&b, SUPPLY_DISOBEYS);
    assert_words(&b, SUPPLY_DISOBEYS, "though it is told to be off");
    assert_stays_off(&b);
}

static void test_supply_disobeys_is_told_by_its_current_too(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.want.heat = false;
    b.in.supply.ma = 100;
    step_for(&b, 5000);
    assert_false(b.il.tripped);
    b.in.supply.ma = 101;
    step_for(&b, 2200);
    assert_tripped(&b, SUPPLY_DISOBEYS);
    assert_words(&b, SUPPLY_DISOBEYS, "101 mA", "though it is told to be off");
}

static void test_supply_disobeys_when_it_is_off_though_it_was_told_to_be_on(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    want_supply(&b);
    b.in.supply.on = false;
    b.in.supply.mv = b.in.supply.ma = 0;
    step_for(&b, 2000); /* the first scan only grants it */
    assert_false(b.il.tripped);

    step_for(&b, 200);

    assert_tripped(&b, SUPPLY_DISOBEYS);
    assert_words(&b, SUPPLY_DISOBEYS, "the supply is off though it is told to be on");
}

/* Told 4.2 V and 1 A: 4.2 V at less than 1 A, or 1 A at less than 4.2 V. A meter may be off by 2 % and 20 mV, 5 %
 * and 10 mA, as with the limits. */
static void test_supply_disobeys_when_it_gives_neither_its_volts_nor_its_amps(void **state)
{
    (void)state;
    static const struct {
        int32_t mv, ma;
        bool obeys;
    } cases[] = {
        {4200, 0, true},    {4200, 1000, true},  {40, 1000, true},   {40, 940, true},
        {4096, 500, true},  {4304, 500, true},   {4200, 1060, true}, {4095, 939, false},
        {4305, 500, false}, {4200, 1061, false}, {0, 0, false},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct bench b = calm_bench();
        want_supply(&b);
        b.in.supply.mv = cases[i].mv;
        b.in.supply.ma = cases[i].ma;

        step_for(&b, 2300);

        if (cases[i].obeys) {
            assert_true(b.out.supply_on);
            continue;
        }
        assert_tripped(&b, SUPPLY_DISOBEYS);
        assert_words(&b, SUPPLY_DISOBEYS, "it is told 4.2 V and at most 1 A");
    }
}

static void test_supply_disobeys_says_nothing_while_it_moves_for_less_than_two_seconds(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    want_supply(&b);
    for (int i = 0; i < 10; i++) {
        b.in.supply.mv = 3000;
        step_for(&b, 1900);
        b.in.supply.mv = 4200;
        step_for(&b, 200);
    }
    assert_true(b.out.supply_on);
}

static void test_clock_jump_trips_when_the_machine_slept_half_a_second(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.clock_jump_ms = 499;
    step_for(&b, 1000);
    assert_heating(&b);
    b.in.clock_jump_ms = 500;
    b.in.plate_silent_ms =
        500000; /* after a sleep everything looks silent: the sleep is the cause */
    step(&b, 100);
    assert_tripped(&b, CLOCK_JUMP);
    assert_words(&b, CLOCK_JUMP, "moved apart by 0.5 s");
    assert_stays_off(&b);
}

static void test_scan_late_warns_and_takes_nothing_away(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.scan_late_ms = b.limits.scan_late_ms - 1;
    step(&b, 100);
    assert_false(b.il.state[SCAN_LATE].fired);
    b.in.scan_late_ms = b.limits.scan_late_ms;
    step(&b, 100);
    assert_true(b.il.state[SCAN_LATE].fired);
    assert_heating(&b);
    assert_words(&b, SCAN_LATE, "a scan came 0.2 s late");
}

static void test_sensor_jump_trips_at_once_for_every_sensor_in_use(void **state)
{
    (void)state;
    check_bad_quality(QUALITY_JUMP, SENSOR_JUMP, 0);
}

static struct bench bench_with_account(void)
{
    struct bench b = calm_bench();
    set_sensors(&b, 100000);
    b.in.account = (struct account_reading){QUALITY_GOOD, 90000, 110000, 0, 0};
    return b;
}

static void test_sensor_unseated_trips_below_what_the_heat_allows_for_two_seconds(void **state)
{
    (void)state;
    struct bench b = bench_with_account();
    b.in.plate.temp_mc = 90000;
    step_for(&b, 5000);
    assert_heating(&b);
    b.in.plate.temp_mc = 89999;
    step_for(&b, 2000);
    assert_heating(&b);
    step_for(&b, 200);
    assert_tripped(&b, SENSOR_UNSEATED);
    assert_words(&b, SENSOR_UNSEATED, "cannot be below 90 C");
    assert_stays_off(&b);
}

static void test_heat_uncommanded_trips_above_what_the_heat_allows_for_three_seconds(void **state)
{
    (void)state;
    struct bench b = bench_with_account();
    b.want.heat = false;
    b.in.plate.temp_mc = 110000;
    step_for(&b, 5000);
    assert_false(b.il.tripped);
    b.in.plate.temp_mc = 110001;
    step_for(&b, 3000);
    assert_false(b.il.tripped);
    step_for(&b, 200);
    assert_tripped(&b, HEAT_UNCOMMANDED);
    assert_words(&b, HEAT_UNCOMMANDED, "cannot be above 110 C");
}

static void test_sensor_frozen_trips_when_the_plate_must_have_moved_three_kelvin(void **state)
{
    (void)state;
    struct bench b = bench_with_account();
    b.in.account.unmoved_mc = 2999;
    step_for(&b, 5000);
    assert_heating(&b);
    b.in.account.unmoved_mc = 3000;
    step(&b, 100);
    assert_tripped(&b, SENSOR_FROZEN);
    assert_words(&b, SENSOR_FROZEN, "stays at 100 C", "moved by 3 K");
}

static void test_rules_of_the_account_say_nothing_without_one_or_without_a_reading(void **state)
{
    (void)state;
    for (enum quality quality = QUALITY_NONE; quality <= QUALITY_JUMP; quality++) {
        struct bench b = calm_bench();
        b.limits.has_board = false;
        b.in.account = (struct account_reading){quality, 200000, 10000, 9000, 9000};
        if (quality == QUALITY_GOOD)
            b.in.plate.quality = QUALITY_OPEN; /* the rule of the sensor acts, after its 300 ms */
        b.limits.uses_plate = quality != QUALITY_JUMP;
        step_for(&b, 200);
        assert_false(b.il.state[SENSOR_UNSEATED].holding);
        assert_false(b.il.state[HEAT_UNCOMMANDED].holding);
        assert_false(b.il.state[SENSORS_DISAGREE].holding);
        assert_false(b.il.state[SENSOR_FROZEN].holding);
    }
}

/* 15 K up to 200 C, a twelfth of what is above 20 C from there; below 90 C not while hands may be at a sensor. */
static void
test_sensors_disagree_trips_when_two_on_one_plate_stay_apart_for_five_seconds(void **state)
{
    (void)state;
    static const struct {
        int32_t first_mc, second_mc;
        bool seated, agree;
    } cases[] = {
        {100000, 85000, true, true},   {100000, 84999, true, false},
        {85000, 100000, true, true},   {84999, 100000, true, false},
        {89999, 20000, false, true},   {90000, 20000, false, false},
        {38000, 22000, false, true},   {38000, 22000, true, false},
        {330000, 304167, true, true},  {330000, 304166, true, false},
        {330000, 304167, false, true}, {330000, -2147483647, true, false},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct bench b = calm_bench();
        b.limits.plate_mc = 350000;
        b.in.seated = cases[i].seated;
        b.in.account.board_lead_mc = 200; /* too little to be told of */
        b.in.sensor[SENSOR_PLATE].temp_mc = cases[i].first_mc;
        b.in.sensor[SENSOR_PLATE_2].temp_mc = cases[i].second_mc;
        step_for(&b, 5000);
        assert_heating(&b);
        step_for(&b, 200);
        if (cases[i].agree) {
            assert_heating(&b);
            continue;
        }
        assert_tripped(&b, SENSORS_DISAGREE);
        assert_words(&b, SENSORS_DISAGREE, "the two plate sensors read");
    }
}

static void test_sensors_disagree_asks_for_two_readings_in_use(void **state)
{
    (void)state;
    for (int i = 0; i < 3; i++) {
        struct bench b = calm_bench();
        b.in.sensor[SENSOR_PLATE].temp_mc = 100000;
        if (i == 0)
            b.limits.has_plate_2 = false;
        else
            b.in.sensor[i - 1].quality = QUALITY_OPEN;
        step_for(&b, 200);
        assert_false(b.il.state[SENSORS_DISAGREE].holding);
    }
}

static void test_sensors_disagree_when_the_board_leads_the_plate(void **state)
{
    (void)state;
    for (int two = 0; two < 2; two++) {
        struct bench b = bench_with_account();
        b.limits.has_plate_2 = two;
        b.in.account.board_lead_mc = 4999;
        step_for(&b, 8000);
        assert_heating(&b);
        b.in.account.board_lead_mc = 5000;
        step_for(&b, 5200);
        assert_tripped(&b, SENSORS_DISAGREE);
        assert_words(&b, SENSORS_DISAGREE, "the board's reading rose further", "by 5 K");
    }
}

static void test_heat_uncommanded_trips_when_the_plate_drives_on_for_three_seconds(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.duty_permille = 400; /* granted: nothing to be said */
    step_for(&b, 5000);
    assert_heating(&b);

    b.want.heat = false;
    step_for(&b, 2900);
    assert_false(b.il.tripped);
    step_for(&b, 300);

    assert_tripped(&b, HEAT_UNCOMMANDED);
    assert_words(&b, HEAT_UNCOMMANDED, "at 40 %", "though it is told to be off");
    assert_stays_off(&b);
}

static void
test_heat_uncommanded_asks_nothing_of_a_plate_that_does_not_say_what_it_drives(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.want.heat = false;
    b.in.duty_permille = -1;
    step_for(&b, 10000);
    assert_false(b.il.tripped);
}

static void test_a_fault_after_a_stop_is_kept_and_a_stop_after_a_fault_is_not(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    step(&b, 100);
    b.in.stop_count++;
    step(&b, 100);
    assert_tripped(&b, STOP_PRESSED);

    set_sensors(&b, 190000);
    step(&b, 100);
    assert_tripped(&b, PLATE_OVER);
    assert_int_equal(b.il.tripped_ms, b.t_ms);
    b.in.stop_count++;
    b.in.front_gone = true;
    step(&b, 100);
    assert_tripped(&b, PLATE_OVER);
}

static void test_front_silent_pauses_at_its_limit_and_goes_on_afterwards(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.front_silent_ms = b.limits.front_pause_ms - 1;
    step(&b, 100);
    assert_heating(&b);

    b.in.front_silent_ms = b.limits.front_pause_ms;
    step(&b, 100);
    assert_false(b.out.heat);
    assert_false(b.il.tripped);
    b.in.front_silent_ms = 0;
    step(&b, 100);

    assert_heating(&b);
}

static void test_front_gone_stops_by_silence_and_by_hang_up(void **state)
{
    (void)state;
    struct bench b = calm_bench(), hung = calm_bench();
    b.in.front_silent_ms = b.limits.front_stop_ms;
    step(&b, 100);
    hung.in.front_gone = true;
    step(&hung, 100);

    assert_tripped(&b, FRONT_GONE);
    assert_tripped(&hung, FRONT_GONE);
    assert_int_equal(rules[FRONT_GONE].latch, THIS_RUN);
    assert_stays_off(&hung);
}

static void test_keeper_silent_trips_at_its_limit_and_not_just_below(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.keeper_silent_ms = b.limits.keeper_silent_ms - 1;
    step(&b, 100);
    assert_heating(&b);

    b.in.keeper_silent_ms = b.limits.keeper_silent_ms;
    step(&b, 100);

    assert_tripped(&b, KEEPER_SILENT);
    assert_words(&b, KEEPER_SILENT, "the keeper has given no sign of life");
    assert_stays_off(&b);
}

static void test_record_lost_trips_at_its_limit_and_not_just_below(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.record_late_ms = b.limits.record_late_ms - 1;
    step(&b, 100);
    assert_heating(&b);

    b.in.record_late_ms = b.limits.record_late_ms;
    step(&b, 100);

    assert_tripped(&b, RECORD_LOST);
    assert_words(&b, RECORD_LOST, "behind on disk");
    assert_stays_off(&b);
}

static void test_operator_away_stops_a_hot_plate_only(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.away_ms = b.limits.presence_ms;
    b.in.plate.temp_mc = b.in.sensor[SENSOR_PLATE].temp_mc = 59999;
    b.in.sensor[SENSOR_PLATE_2].temp_mc = b.in.sensor[SENSOR_BOARD].temp_mc = 59000;
    step(&b, 100);
    assert_heating(&b);

    b.in.plate.temp_mc = b.in.sensor[SENSOR_PLATE].temp_mc = 60000;
    b.in.away_ms = b.limits.presence_ms - 1;
    step(&b, 100);
    assert_heating(&b);
    b.in.away_ms = b.limits.presence_ms;
    step(&b, 100);

    assert_tripped(&b, OPERATOR_AWAY);
    assert_int_equal(rules[OPERATOR_AWAY].latch, THIS_RUN);
    assert_stays_off(&b);
}

static void test_operator_away_says_nothing_of_a_supply_alone_that_is_off(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.limits.uses_plate = b.limits.has_board = false;
    b.want = (struct wanted){0};
    set_sensors(&b, 90000); /* which are not in use */
    b.in.away_ms = INT32_MAX;
    step(&b, 100);
    assert_false(b.il.tripped);
}

static void test_operator_away_stops_a_fed_board_too(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    want_supply(&b);
    b.in.away_ms = b.limits.presence_ms - 1;
    step(&b, 100);
    assert_true(b.out.supply_on);

    b.in.away_ms = b.limits.presence_ms;
    step(&b, 100);

    assert_tripped(&b, OPERATOR_AWAY);
    assert_words(&b, OPERATOR_AWAY, "hot or fed");
}

/* What is gone has no silence to be counted. */
static void test_words_of_what_is_gone_count_no_time(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.plate_silent_ms = b.in.record_late_ms = b.in.keeper_silent_ms = INT32_MAX;

    assert_words(&b, DEVICE_SILENT, "the plate's instrument is gone");
    b.in.supply_silent_ms = INT32_MAX;
    b.limits.uses_plate = false;
    assert_words(&b, DEVICE_SILENT, "the supply is gone");
    assert_words(&b, RECORD_LOST, "can no longer be written");
    assert_words(&b, KEEPER_SILENT, "the keeper is gone");
}

static void test_stop_pressed_stops_on_a_press_within_the_run_only(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.stop_count = 7; /* from before the run */
    step_for(&b, 1000);
    assert_heating(&b);

    b.in.stop_count = 8;
    step(&b, 100);

    assert_tripped(&b, STOP_PRESSED);
    assert_int_equal(rules[STOP_PRESSED].kind, RULE_STOP);
    assert_int_equal(rules[STOP_PRESSED].latch, THIS_RUN);
    assert_words(&b, STOP_PRESSED, "stop was pressed");
    assert_stays_off(&b);
}

static void test_supply_over_volts_trips_on_the_second_sample_above_the_rail(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    want_supply(&b);
    b.in.supply.mv = 4508; /* 4400 and 2 % and 20 mV */
    step_for(&b, 1000);
    assert_true(b.out.supply_on);

    b.in.supply.mv = 4509;
    step(&b, 100);
    assert_true(b.out.supply_on);
    step(&b, 100);

    assert_tripped(&b, SUPPLY_OVER_VOLTS);
    assert_words(&b, SUPPLY_OVER_VOLTS, "4.509 V", "\"battery\"", "4.4 V");
    assert_stays_off(&b);
}

static void test_supply_over_volts_holds_while_injecting_too(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    want_supply(&b);
    b.want.inject = true;
    b.want.mv = 500;
    b.in.supply.mv = 836; /* 800 and 2 % and 20 mV */
    step_for(&b, 1000);
    assert_true(b.out.supply_on);

    b.in.supply.mv = 837;
    step_for(&b, 200);

    assert_tripped(&b, SUPPLY_OVER_VOLTS);
    assert_words(&b, SUPPLY_OVER_VOLTS, "837 mV", "while injecting into \"battery\"", "800 mV");
}

static void test_supply_over_volts_uses_the_bench_limit_when_no_rail_is_fed(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.want = (struct wanted){.rail = 1}; /* chosen, but being switched off */
    b.in.supply.on = true;
    b.in.supply.mv = 20420;
    step_for(&b, 1000);
    assert_false(b.il.tripped);

    b.in.supply.mv = 20421;
    step_for(&b, 200);

    assert_tripped(&b, SUPPLY_OVER_VOLTS);
}

static void test_supply_over_amps_trips_on_the_second_sample_above_the_rail(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    want_supply(&b);
    b.in.supply.ma = 2110; /* 2000 and 5 % and 10 mA */
    step_for(&b, 1000);
    assert_true(b.out.supply_on);

    b.in.supply.ma = 2111;
    step(&b, 100);
    assert_true(b.out.supply_on);
    step(&b, 100);

    assert_tripped(&b, SUPPLY_OVER_AMPS);
    assert_words(&b, SUPPLY_OVER_AMPS, "2.111 A", "2 A");
    assert_stays_off(&b);
}

static void test_supply_over_amps_allows_an_injection_at_its_limit_for_minutes(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    want_supply(&b);
    b.want.inject = true;
    b.want.mv = 500;
    b.want.ma = 1500;
    b.in.supply.mv = 40;
    b.in.supply.ma = 1500;

    step_for(&b, 120000);

    assert_true(b.out.supply_on);
}

/* A supply that says "off" and gives 12 V gives 12 V. */
static void test_supply_over_volts_and_amps_do_not_ask_whether_it_says_that_it_is_on(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    want_supply(&b);
    b.in.supply.on = false;
    b.in.supply.mv = 12000;
    step_for(&b, 300);
    assert_tripped(&b, SUPPLY_OVER_VOLTS);

    b = calm_bench();
    want_supply(&b);
    b.in.supply.on = false;
    b.in.supply.ma = 2900;
    step_for(&b, 300);
    assert_tripped(&b, SUPPLY_OVER_AMPS);
}

static void test_supply_over_volts_and_amps_say_nothing_while_it_is_not_in_use(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    want_supply(&b);
    b.in.supply.mv = b.in.supply.ma = INT32_MAX;

    b.limits.uses_supply = false;
    b.in.supply.on = true;
    step_for(&b, 1000);
    assert_false(b.il.tripped);
    assert_false(b.out.supply_on);
}

static void test_power_on_hot_board_trips_when_asked_for_or_on_at_60_c(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    want_supply(&b);
    set_sensors(&b, 59999);
    step_for(&b, 1000);
    assert_true(b.out.supply_on);
    b.in.sensor[SENSOR_BOARD].temp_mc = 60000;
    step(&b, 100);
    assert_tripped(&b, POWER_ON_HOT_BOARD);
    assert_words(&b, POWER_ON_HOT_BOARD, "the board read 60 C", "power is allowed below 60 C");

    b = calm_bench();
    want_supply(&b);
    b.want.supply_on = false; /* but it reads on */
    b.limits.has_board = false;
    set_sensors(&b, 85000);
    step(&b, 100);
    assert_tripped(&b, POWER_ON_HOT_BOARD);
    assert_words(&b, POWER_ON_HOT_BOARD, "the supply was on while the plate read 85 C");
    assert_stays_off(&b);
}

static void test_power_on_hot_board_allows_heat_and_power_one_after_the_other(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    set_sensors(&b, 150000);

    step_for(&b, 1000);

    assert_heating(&b);
}

static void test_heat_while_powered_never_grants_heat_and_trips_if_it_goes_on(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    step_for(&b, 1000);
    assert_heating(&b);
    b.in.supply.on = true; /* its "off" is not yet read back, or nobody switched it off */
    b.in.supply.mv = 4200;
    step(&b, 100);
    step_for(&b, 400);
    assert_false(b.out.heat);
    assert_false(b.il.tripped);

    step(&b, 100);

    assert_tripped(&b, HEAT_WHILE_POWERED);
    assert_words(&b, HEAT_WHILE_POWERED, "heat was asked for while the supply was on at 4.2 V");
    assert_stays_off(&b);
}

static void test_heat_while_powered_grants_neither_when_both_are_asked_for(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.want.supply_on = true;
    b.want.rail = 1;
    b.want.mv = b.want.ma = 1000;
    step(&b, 100);
    assert_everything_off(&b);
    assert_false(b.il.tripped);

    step_for(&b, 500);

    assert_tripped(&b, HEAT_WHILE_POWERED);
    assert_words(&b, HEAT_WHILE_POWERED, "asked for at 1 V");
}

static void test_heat_waits_until_the_supply_has_been_read(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.supply.quality = QUALITY_RANGE;

    step(&b, 100);

    assert_false(b.out.heat);
    assert_false(b.il.tripped);
}

static void test_supply_is_granted_only_on_a_rail_that_may_be_fed(void **state)
{
    (void)state;
    const int32_t rails[] = {-1, 0, 3, INT32_MAX, INT32_MIN};
    for (size_t i = 0; i < sizeof rails / sizeof rails[0]; i++) {
        struct bench b = calm_bench();
        want_supply(&b);
        b.in.supply.on = false;
        b.want.rail = rails[i];
        step(&b, 100);
        assert_false(b.out.supply_on);
    }

    struct bench b = calm_bench();
    want_supply(&b);
    b.want.mv = 12000;
    b.want.ma = 4000;
    step(&b, 100);
    assert_true(b.out.supply_on);
    assert_int_equal(b.out.mv, 4400);
    assert_int_equal(b.out.ma, 2000);

    b.want.rail = 2;
    b.want.inject = true;
    b.in.supply.mv = 0;
    step(&b, 100);
    assert_false(b.out.supply_on); /* off before another rail, and before an injection */
    step(&b, 100);
    assert_int_equal(b.out.mv, 500);
    assert_int_equal(b.out.ma, 500);

    b.want.ma = -1;
    step(&b, 100);
    assert_false(b.out.supply_on);
}

static void test_the_first_and_last_rail_of_the_table_are_fed_and_none_beyond(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.limits.rail_count = BENCH_RAILS;
    for (int i = 0; i < BENCH_RAILS; i++)
        b.limits.rail[i] = (struct rail_limits){"any", 1, 1, 1, 1};
    const int32_t fed[] = {0, BENCH_RAILS - 1};
    for (size_t i = 0; i < 2; i++) {
        b.want = (struct wanted){.supply_on = true, .rail = fed[i], .mv = 5, .ma = 5};
        step_for(&b, 200); /* the second one is another rail: off first */
        assert_true(b.out.supply_on);
        assert_int_equal(b.out.mv, 1);
        assert_int_equal(b.out.ma, 1);
    }

    b.limits.rail_count = BENCH_RAILS - 1; /* the last one is filled, but no longer counts */
    step(&b, 100);
    assert_false(b.out.supply_on);

    b.limits.rail_count = INT32_MAX; /* a count that lies */
    b.want.rail = BENCH_RAILS;
    step(&b, 100);
    assert_false(b.out.supply_on);
}

static void test_supply_needs_readable_sensors_and_a_readable_supply(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    want_supply(&b);
    b.in.sensor[SENSOR_BOARD].quality = QUALITY_OPEN;
    step(&b, 100);
    assert_false(b.il.tripped);
    assert_false(b.out.supply_on);

    b = calm_bench();
    want_supply(&b);
    b.in.supply.quality = QUALITY_RANGE;
    step(&b, 100);
    assert_false(b.il.tripped);
    assert_false(b.out.supply_on);
}

static void test_first_out_is_kept_and_ties_go_to_the_lower_id(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.in.plate.temp_mc = 300000;
    b.in.sensor[SENSOR_BOARD].temp_mc = 300000;
    b.in.stop_count = 1;
    b.il.stop_known = true; /* the run began with no press */
    step(&b, 100);
    assert_tripped(&b, PLATE_OVER);
    assert_true(b.il.state[BOARD_OVER].latched);
    assert_true(b.il.state[STOP_PRESSED].latched);
    int64_t at_ms = b.t_ms;

    b.in.recipe_silent_ms = 5000;
    step_for(&b, 1000);

    assert_tripped(&b, PLATE_OVER);
    assert_int_equal(b.il.tripped_ms, at_ms);

    b = calm_bench(); /* a later rule that came first stays first */
    b.in.recipe_silent_ms = 1000;
    step(&b, 100);
    b.in.plate.temp_mc = 300000;
    step_for(&b, 1000);
    assert_tripped(&b, RECIPE_SILENT);
}

static void test_time_that_goes_backwards_or_jumps_far_breaks_nothing(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    step(&b, 100);
    b.t_ms -= 50000;
    step(&b, 0);
    assert_int_equal(b.il.heat_ms, 0);
    assert_heating(&b);
    step(&b, 50001); /* what was counted once is not counted again */
    assert_int_equal(b.il.heat_ms, 1);

    b.t_ms = INT64_MAX;
    step(&b, 0);
    assert_tripped(&b, HEAT_TIME_OVER);

    struct bench old = calm_bench();
    old.t_ms = INT64_MIN;
    step(&old, 0);
    assert_heating(&old);
    old.t_ms = INT64_MAX;
    step(&old, 0);
    assert_tripped(&old, HEAT_TIME_OVER);

    struct bench full = calm_bench(); /* time that has no number any more stands still */
    full.limits.heat_time_ms = INT32_MAX;
    full.t_ms = -100;
    step(&full, 0);
    step(&full, 200);
    assert_int_equal(full.il.heat_ms, 200);
    full.t_ms = INT64_MAX;
    step(&full, 0);
    assert_int_equal(full.il.heat_ms, INT64_MAX);
}

/* splitmix64: a seeded walk is the same walk everywhere. */
static uint64_t next(uint64_t *seed)
{
    uint64_t z = *seed += 0x9E3779B97F4A7C15U;
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9U;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBU;
    return z ^ (z >> 31);
}

static bool one_in(uint64_t *seed, uint64_t n)
{
    return next(seed) % n == 0;
}

static int32_t between(uint64_t *seed, int32_t low, int32_t high)
{
    return (int32_t)(low + (int64_t)(next(seed) % (uint64_t)((int64_t)high - low + 1)));
}

/* Mostly what a bench can read, now and then anything at all. */
static int32_t likely(uint64_t *seed, int32_t low, int32_t high)
{
    return one_in(seed, 500) ? between(seed, INT32_MIN, INT32_MAX) : between(seed, low, high);
}

static void walk_reading(struct temp_reading *reading, int32_t hottest_mc, uint64_t *seed)
{
    reading->quality = one_in(seed, 60) ? (enum quality)between(seed, 0, 6) : QUALITY_GOOD;
    reading->temp_mc = likely(seed, 20000, hottest_mc);
    reading->age_ms = likely(seed, 0, 900);
}

static void walk_account(struct account_reading *account, uint64_t *seed)
{
    account->quality = one_in(seed, 20) ? (enum quality)between(seed, 0, 6) : QUALITY_GOOD;
    account->low_mc = one_in(seed, 60) ? between(seed, 20000, 190000) : likely(seed, 0, 20000);
    account->high_mc =
        one_in(seed, 60) ? between(seed, 20000, 190000) : likely(seed, 190000, 500000);
    account->unmoved_mc = likely(seed, 0, 2999);
    account->board_lead_mc = likely(seed, 0, one_in(seed, 60) ? 9000 : 4999);
}

static void walk(struct bench *b, int32_t hottest_mc, uint64_t *seed)
{
    for (int i = 0; i < SENSORS; i++)
        walk_reading(&b->in.sensor[i], hottest_mc, seed);
    walk_reading(&b->in.plate, hottest_mc, seed);
    if (!one_in(seed, 3)) /* two sensors on one plate mostly agree */
        b->in.sensor[SENSOR_PLATE_2].temp_mc = b->in.sensor[SENSOR_PLATE].temp_mc;
    walk_account(&b->in.account, seed);
    b->in.ramp_known = !one_in(seed, 5);
    b->in.ramp_mc_s = likely(seed, -3000, 3000);
    b->in.supply.quality = one_in(seed, 60) ? (enum quality)between(seed, 0, 6) : QUALITY_GOOD;
    b->in.supply.on = one_in(seed, 12);
    b->in.supply.mv = likely(seed, 0, 4400);
    b->in.supply.ma = likely(seed, 0, 1500);
    b->in.supply.age_ms = likely(seed, 0, 900);
    b->in.duty_permille = one_in(seed, 8) ? between(seed, -1, 1000) : 0;
    b->in.plate_silent_ms = likely(seed, 0, 900);
    b->in.supply_silent_ms = likely(seed, 0, 900);
    b->in.recipe_silent_ms = likely(seed, 0, 900);
    b->in.front_silent_ms = likely(seed, 0, 1900);
    b->in.front_gone = one_in(seed, 2000);
    b->in.keeper_silent_ms = likely(seed, 0, 400);
    b->in.record_late_ms = likely(seed, 0, 900);
    b->in.scan_late_ms = likely(seed, 0, 300);
    b->in.clock_jump_ms = likely(seed, 0, 499);
    b->in.away_ms = likely(seed, 0, 600000);
    b->in.stop_count += one_in(seed, 2000);
    b->want.heat = !one_in(seed, 3);
    b->want.supply_on = !b->want.heat && one_in(seed, 2);
    b->want.inject = one_in(seed, 2);
    b->want.temp_mc = likely(seed, -1000, 250000);
    b->want.ramp_mc_s = likely(seed, 0, 4000);
    b->want.fan_pct = likely(seed, 0, 100);
    b->want.rail = likely(seed, 0, 2);
    b->want.mv = likely(seed, 0, 6000);
    b->want.ma = likely(seed, 0, 3000);
}

static int32_t supply_limit(const struct bench *b, bool volts)
{
    const struct rail_limits *rail = &b->limits.rail[b->want.rail];
    if (b->want.inject)
        return volts ? rail->inject_mv : rail->inject_ma;
    return volts ? rail->mv : rail->ma;
}

/* What holds after every scan, whatever came before. */
static void assert_granted_is_within(const struct bench *b)
{
    const struct granted *out = &b->out;
    assert_true(!out->heat || b->want.heat);
    assert_true(!out->supply_on || b->want.supply_on);
    assert_false(out->heat && out->supply_on);
    assert_true(out->temp_mc == 0 ||
                (out->temp_mc <= b->want.temp_mc && out->temp_mc <= b->limits.plate_mc));
    assert_true(out->ramp_mc_s == 0 ||
                (out->ramp_mc_s <= b->want.ramp_mc_s && out->ramp_mc_s <= b->limits.ramp_mc_s));
    assert_true(out->temp_mc >= 0 && out->ramp_mc_s >= 0 && out->mv >= 0 && out->ma >= 0);
    assert_true(out->fan_pct >= 0 && out->fan_pct <= 100);
    assert_true(out->fan_pct == 0 || out->fan_pct <= b->want.fan_pct);
    if (!out->heat)
        assert_true(out->temp_mc == 0 && out->ramp_mc_s == 0);
    if (!out->supply_on)
        assert_true(out->mv == 0 && out->ma == 0);
    else
        assert_true(out->mv <= b->want.mv && out->mv <= supply_limit(b, true) &&
                    out->ma <= b->want.ma && out->ma <= supply_limit(b, false));
    for (int i = 0; out->heat && i < SENSORS; i++)
        assert_int_equal(b->in.sensor[i].quality, QUALITY_GOOD);
}

static void test_random_walks_latched_means_off_and_granted_is_within(void **state)
{
    (void)state;
    uint64_t seed = 20;
    int trips[RULES] = {0};
    int heats = 0, feeds = 0;
    for (int run = 0; run < 30000; run++) {
        struct bench b = calm_bench();
        b.limits.heat_time_ms = between(&seed, 500, 20000);
        enum rule_id first_out = RULES;
        for (int scan = 0; scan < 100; scan++) {
            if (scan % (run % 8 == 6 ? 80 : 10) == 0) /* some causes must hold for a while */
                walk(&b, run % 2 ? 189999 : 59999, &seed);
            if (run % 8 ==
                0) { /* and in some runs nobody wants anything, and the supply has its own mind */
                b.want.heat = b.want.supply_on = false;
                b.in.supply.on = b.in.supply.quality == QUALITY_GOOD;
                b.in.supply.mv = b.in.supply.ma = 0;
                b.in.duty_permille = run % 16 ? 0 : 100; /* or the plate has */
            }
            if (run % 8 == 4) /* or a sensor hangs free */
                b.in.account = (struct account_reading){QUALITY_GOOD, 200000, 300000, 0, 0};
            if (run % 8 == 6) /* or two are swapped */
                b.in.account = (struct account_reading){QUALITY_GOOD, 0, 300000, 0, 6000};
            step(&b, between(&seed, 0, 150));
            assert_granted_is_within(&b);
            heats += b.out.heat;
            feeds += b.out.supply_on;
            if (!b.il.tripped)
                continue;
            assert_everything_off(&b);
            if (first_out != b.il.first_out)
                trips[b.il.first_out]++;
            assert_true(
                first_out == RULES || first_out == b.il.first_out ||
                (rules[first_out].kind == RULE_STOP && rules[b.il.first_out].kind == RULE_TRIP));
            first_out = b.il.first_out;
        }
    }

    /* Or the walk did not go where it should. */
    for (enum rule_id id = 0; id < RULES; id++) {
        bool ends_the_run = rules[id].kind == RULE_TRIP || rules[id].kind == RULE_STOP;
        if (ends_the_run && trips[id] == 0)
            fail_msg("no walk ended by %s", rules[id].id);
    }
    assert_true(heats > 1000 && feeds > 1000);
}

static void test_validate_accepts_the_table_and_limits_within_their_ceilings(void **state)
{
    (void)state;
    char text[BENCH_TEXT];
    struct bench b = calm_bench();

    assert_null(interlock_validate(&b.limits, text));
    assert_null(interlock_validate(limits_built_in(), text));
}

static void test_validate_refuses_a_limit_at_nothing_or_above_its_ceiling(void **state)
{
    (void)state;
    char text[BENCH_TEXT];
    for (enum limit_id id = 0; id < LIMITS; id++) {
        struct limits limits = *limits_built_in();
        limits_set(&limits, id, 0);
        assert_has(interlock_validate(&limits, text), limit_key(id));
        limits_set(&limits, id, limits_get(limits_built_in(), id) + 1);
        assert_has(interlock_validate(&limits, text), limit_key(id));
    }

    struct limits limits = *limits_built_in();
    limits.stale_ms = 0;
    assert_has(interlock_validate(&limits, text), "silence");
    limits.stale_ms = 10001;
    assert_has(interlock_validate(&limits, text), "silence");
}

static void test_validate_refuses_a_silence_of_nothing_or_of_more_than_ten_seconds(void **state)
{
    (void)state;
    char text[BENCH_TEXT];
    struct limits limits = *limits_built_in();
    int32_t *const silence[] = {&limits.stale_ms,         &limits.silent_ms,
                                &limits.recipe_silent_ms, &limits.front_pause_ms,
                                &limits.front_stop_ms,    &limits.keeper_silent_ms,
                                &limits.record_late_ms};
    for (size_t i = 0; i < sizeof silence / sizeof silence[0]; i++) {
        limits = *limits_built_in();
        *silence[i] = 10000;
        assert_null(interlock_validate(&limits, text));
        *silence[i] = 10001;
        assert_has(interlock_validate(&limits, text), "silence");
        *silence[i] = 0;
        assert_has(interlock_validate(&limits, text), "silence");
    }

    limits = *limits_built_in();
    limits.presence_ms = 31 * 60000;
    assert_null(interlock_validate(&limits, text));
    limits.presence_ms++;
    assert_has(interlock_validate(&limits, text), "nobody need be there");
    limits.presence_ms = 0;
    assert_has(interlock_validate(&limits, text), "nobody need be there");
}

static void test_validate_refuses_a_rail_above_what_the_supply_may_give(void **state)
{
    (void)state;
    char text[BENCH_TEXT];
    struct bench b = calm_bench();
    b.limits.rail[1].mv = b.limits.supply_mv + 1;
    assert_has(interlock_validate(&b.limits, text), "rail");

    b = calm_bench();
    b.limits.rail[2].inject_ma = -1;
    assert_has(interlock_validate(&b.limits, text), "rail");

    for (int which = 0; which < 4; which++) {
        b = calm_bench();
        struct rail_limits *rail = &b.limits.rail[1];
        int32_t *const field[] = {&rail->mv, &rail->ma, &rail->inject_mv, &rail->inject_ma};
        const int32_t most[] = {b.limits.supply_mv, b.limits.supply_ma, b.limits.inject_mv,
                                b.limits.inject_ma};
        *field[which] = most[which];
        assert_null(interlock_validate(&b.limits, text));
        ++*field[which];
        assert_has(interlock_validate(&b.limits, text), "rail");
    }

    b = calm_bench();
    b.limits.rail_count = BENCH_RAILS + 1;
    assert_has(interlock_validate(&b.limits, text), "rails");
}

/* The cause of one rule that has to hold for a while. */
static void give_cause(struct bench *b, enum rule_id id)
{
    struct temp_reading *plate = &b->in.sensor[SENSOR_PLATE];
    b->in.account = (struct account_reading){QUALITY_GOOD, 0, 300000, 0, 0};
    if (id == RAMP_OVER)
        b->in.ramp_mc_s = 2701;
    if (id == SENSOR_OPEN)
        plate->quality = QUALITY_OPEN;
    if (id == SENSOR_RANGE)
        plate->quality = QUALITY_RANGE;
    if (id == SENSOR_JUMP)
        plate->quality = QUALITY_JUMP;
    if (id == SENSOR_UNSEATED)
        b->in.account.low_mc = 30001;
    if (id == SENSORS_DISAGREE)
        b->in.plate.temp_mc = plate->temp_mc = 120000;
    if (id == SUPPLY_OVER_VOLTS || id == SUPPLY_OVER_AMPS || id == SUPPLY_DISOBEYS)
        want_supply(b);
    if (id == SUPPLY_OVER_VOLTS)
        b->in.supply.mv = 4509;
    if (id == SUPPLY_OVER_AMPS)
        b->in.supply.ma = 2111;
    if (id == SUPPLY_DISOBEYS)
        b->want.supply_on = false;
    if (id == HEAT_WHILE_POWERED)
        b->in.supply.on = true;
    if (id == HEAT_UNCOMMANDED) {
        b->want.heat = false;
        b->in.duty_permille = 1;
    }
}

static void test_each_rule_acts_at_its_time_and_not_a_millisecond_before(void **state)
{
    (void)state;
    static const struct {
        enum rule_id id;
        int32_t for_ms;
    } acts[] = {
        {RAMP_OVER, 1000},         {SENSOR_OPEN, 300},       {SENSOR_RANGE, 300},
        {SENSOR_JUMP, 0},          {SENSOR_UNSEATED, 2000},  {SENSORS_DISAGREE, 5000},
        {SUPPLY_OVER_VOLTS, 100},  {SUPPLY_OVER_AMPS, 100},  {SUPPLY_DISOBEYS, 2000},
        {HEAT_WHILE_POWERED, 500}, {HEAT_UNCOMMANDED, 3000},
    };
    for (size_t i = 0; i < sizeof acts / sizeof acts[0]; i++) {
        struct bench b = calm_bench();
        const struct rule_state *rule = &b.il.state[acts[i].id];
        give_cause(&b, acts[i].id);
        step(&b, 0);
        assert_int_equal(rule->fired, acts[i].for_ms == 0);
        if (acts[i].for_ms == 0)
            continue;
        step(&b, acts[i].for_ms - 1);
        assert_false(rule->fired);
        step(&b, 1);
        assert_true(rule->fired);
    }
}

static void test_supply_is_off_for_a_scan_between_two_rails_and_before_an_injection(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    want_supply(&b);
    b.in.supply.mv = 400; /* within every limit here */
    step(&b, 100);
    assert_true(b.out.supply_on);

    b.want.rail = 2;
    step(&b, 100);
    assert_everything_off(&b);
    step(&b, 100);
    assert_true(b.out.supply_on);

    b.want.inject = true;
    step(&b, 100);
    assert_everything_off(&b);
    step(&b, 100);
    assert_true(b.out.supply_on);
}

static void test_supply_disobeys_asks_for_a_reading_and_for_a_grant(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    want_supply(&b);
    b.want.rail = 3; /* there is none: not granted, and so rightly off */
    b.in.supply.on = false;
    b.in.supply.mv = b.in.supply.ma = 0;
    step_for(&b, 5000);
    assert_false(b.il.state[SUPPLY_DISOBEYS].holding);

    b = calm_bench();
    want_supply(&b);
    step(&b, 100);
    assert_true(b.out.supply_on);
    b.in.supply.quality = QUALITY_RANGE; /* others' to act on */
    b.in.supply.on = false;
    step(&b, 100);
    assert_false(b.il.state[SUPPLY_DISOBEYS].holding);
}

static void test_beeps_are_passed_on(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    b.want.beeps = 7;
    step(&b, 100);
    assert_int_equal(b.out.beeps, 7);
}

static void test_a_rule_that_is_none_is_never_fine(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    const struct facts f = {.limits = &b.limits, .in = &b.in, .want = &b.want};
    assert_true(rule_fires(RULES, &f));
    assert_true(rule_fires((enum rule_id)77, &f));
}

static void test_sensors_on_one_plate_may_be_further_apart_the_hotter_it_is(void **state)
{
    (void)state;
    assert_int_equal(sensors_most_apart(INT32_MIN), 15000);
    assert_int_equal(sensors_most_apart(200000), 15000);
    assert_int_equal(sensors_most_apart(200011), 15000);
    assert_int_equal(sensors_most_apart(200012), 15001);
    assert_int_equal(sensors_most_apart(320000), 25000);
}

static void test_a_press_before_the_first_scan_counts_once_it_has_begun(void **state)
{
    (void)state;
    struct bench b = calm_bench();
    interlock_begin(&b.il, 0);
    b.in.stop_count = 1;
    step(&b, 100);
    assert_tripped(&b, STOP_PRESSED);

    b = calm_bench();
    interlock_begin(&b.il, 1);
    b.in.stop_count = 1;
    step(&b, 100);
    assert_heating(&b);
}

static void test_rules_are_found_by_id(void **state)
{
    (void)state;
    for (enum rule_id id = 0; id < RULES; id++)
        assert_int_equal(rule_find(rules[id].id), id);
    assert_int_equal(rule_find("plate-over "), RULES);
    assert_int_equal(rule_find(""), RULES);
}

static void test_explain_fits_its_buffers_on_any_readings(void **state)
{
    (void)state;
    uint64_t seed = 7;
    struct bench b = calm_bench();
    memset(b.limits.rail[1].name, 'n', BENCH_NAME); /* no NUL */
    struct rule_words words;

    for (int i = 0; i < 2000; i++) {
        walk(&b, 250000, &seed);
        b.limits.has_plate_2 = i % 2;
        for (enum rule_id id = 0; id < RULES; id++) {
            interlock_explain(id, &b.limits, &b.in, &b.want, INT64_MAX, &words);
            assert_has(words.what, rules[id].id);
            assert_true(strlen(words.what) < BENCH_TEXT);
        }
    }
    interlock_explain(RULES, &b.limits, &b.in, &b.want, 0, &words);
    assert_string_equal(words.what, "");
    interlock_explain((enum rule_id)77, &b.limits, &b.in, &b.want, 0, &words);
    assert_string_equal(words.what, "");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_calm_bench_gets_what_it_wants),
        cmocka_unit_test(test_nothing_known_means_nothing_granted),
        cmocka_unit_test(test_every_field_is_cut_to_its_limit_and_negatives_to_nothing),
        cmocka_unit_test(test_a_ramp_of_zero_is_granted_and_a_temperature_of_zero_is_not),
        cmocka_unit_test(test_heat_needs_a_recipe_that_uses_the_plate),
        cmocka_unit_test(test_plate_over_trips_at_its_limit_and_not_just_below),
        cmocka_unit_test(test_plate_over_watches_each_plate_sensor_and_only_plates_in_use),
        cmocka_unit_test(test_board_over_trips_at_its_limit_and_not_just_below),
        cmocka_unit_test(test_board_over_is_silent_on_a_bench_without_that_sensor),
        cmocka_unit_test(test_ramp_over_pauses_heat_after_a_second_and_gives_it_back),
        cmocka_unit_test(test_ramp_over_starts_counting_anew_after_one_scan_without_it),
        cmocka_unit_test(test_ramp_over_needs_a_known_ramp),
        cmocka_unit_test(test_sensor_open_trips_after_300_ms_for_every_sensor_in_use),
        cmocka_unit_test(test_sensor_open_forgives_a_spike_of_the_reader),
        cmocka_unit_test(test_sensor_range_trips_after_300_ms_for_every_sensor_in_use),
        cmocka_unit_test(test_sensor_stale_trips_at_once_for_every_sensor_in_use),
        cmocka_unit_test(test_sensor_stale_trips_when_the_reader_stops_not_only_when_it_says_so),
        cmocka_unit_test(test_sensor_stale_catches_a_sensor_that_flickers_between_two_faults),
        cmocka_unit_test(test_sensor_stale_waits_for_the_first_reading_but_not_for_ever),
        cmocka_unit_test(test_sensors_that_are_not_in_use_never_trip),
        cmocka_unit_test(test_heat_time_over_trips_when_the_time_is_used_up),
        cmocka_unit_test(test_device_silent_trips_for_the_plate_and_for_the_supply),
        cmocka_unit_test(test_device_silent_trips_on_a_supply_that_answers_without_a_reading),
        cmocka_unit_test(test_device_silent_waits_for_the_supplys_first_reading_but_not_for_ever),
        cmocka_unit_test(test_device_silent_ignores_instruments_that_are_not_in_use),
        cmocka_unit_test(test_recipe_silent_trips_at_its_limit_and_not_just_below),
        cmocka_unit_test(test_supply_disobeys_trips_after_two_seconds_of_unwanted_power),
        cmocka_unit_test(test_supply_disobeys_is_told_by_its_current_too),
        cmocka_unit_test(test_supply_disobeys_when_it_is_off_though_it_was_told_to_be_on),
        cmocka_unit_test(test_supply_disobeys_when_it_gives_neither_its_volts_nor_its_amps),
        cmocka_unit_test(
            test_supply_disobeys_says_nothing_while_it_moves_for_less_than_two_seconds),
        cmocka_unit_test(test_clock_jump_trips_when_the_machine_slept_half_a_second),
        cmocka_unit_test(test_scan_late_warns_and_takes_nothing_away),
        cmocka_unit_test(test_sensor_jump_trips_at_once_for_every_sensor_in_use),
        cmocka_unit_test(test_sensor_unseated_trips_below_what_the_heat_allows_for_two_seconds),
        cmocka_unit_test(test_heat_uncommanded_trips_above_what_the_heat_allows_for_three_seconds),
        cmocka_unit_test(test_sensor_frozen_trips_when_the_plate_must_have_moved_three_kelvin),
        cmocka_unit_test(test_rules_of_the_account_say_nothing_without_one_or_without_a_reading),
        cmocka_unit_test(
            test_sensors_disagree_trips_when_two_on_one_plate_stay_apart_for_five_seconds),
        cmocka_unit_test(test_sensors_disagree_asks_for_two_readings_in_use),
        cmocka_unit_test(test_sensors_disagree_when_the_board_leads_the_plate),
        cmocka_unit_test(test_heat_uncommanded_trips_when_the_plate_drives_on_for_three_seconds),
        cmocka_unit_test(
            test_heat_uncommanded_asks_nothing_of_a_plate_that_does_not_say_what_it_drives),
        cmocka_unit_test(test_a_fault_after_a_stop_is_kept_and_a_stop_after_a_fault_is_not),
        cmocka_unit_test(test_front_silent_pauses_at_its_limit_and_goes_on_afterwards),
        cmocka_unit_test(test_front_gone_stops_by_silence_and_by_hang_up),
        cmocka_unit_test(test_keeper_silent_trips_at_its_limit_and_not_just_below),
        cmocka_unit_test(test_record_lost_trips_at_its_limit_and_not_just_below),
        cmocka_unit_test(test_operator_away_stops_a_hot_plate_only),
        cmocka_unit_test(test_operator_away_stops_a_fed_board_too),
        cmocka_unit_test(test_words_of_what_is_gone_count_no_time),
        cmocka_unit_test(test_stop_pressed_stops_on_a_press_within_the_run_only),
        cmocka_unit_test(test_supply_over_volts_trips_on_the_second_sample_above_the_rail),
        cmocka_unit_test(test_supply_over_volts_holds_while_injecting_too),
        cmocka_unit_test(test_supply_over_volts_uses_the_bench_limit_when_no_rail_is_fed),
        cmocka_unit_test(test_supply_over_amps_trips_on_the_second_sample_above_the_rail),
        cmocka_unit_test(test_supply_over_amps_allows_an_injection_at_its_limit_for_minutes),
        cmocka_unit_test(test_supply_over_volts_and_amps_do_not_ask_whether_it_says_that_it_is_on),
        cmocka_unit_test(test_supply_over_volts_and_amps_say_nothing_while_it_is_not_in_use),
        cmocka_unit_test(test_power_on_hot_board_trips_when_asked_for_or_on_at_60_c),
        cmocka_unit_test(test_power_on_hot_board_allows_heat_and_power_one_after_the_other),
        cmocka_unit_test(test_heat_while_powered_never_grants_heat_and_trips_if_it_goes_on),
        cmocka_unit_test(test_heat_while_powered_grants_neither_when_both_are_asked_for),
        cmocka_unit_test(test_heat_waits_until_the_supply_has_been_read),
        cmocka_unit_test(test_supply_is_granted_only_on_a_rail_that_may_be_fed),
        cmocka_unit_test(test_the_first_and_last_rail_of_the_table_are_fed_and_none_beyond),
        cmocka_unit_test(test_supply_needs_readable_sensors_and_a_readable_supply),
        cmocka_unit_test(test_first_out_is_kept_and_ties_go_to_the_lower_id),
        cmocka_unit_test(test_time_that_goes_backwards_or_jumps_far_breaks_nothing),
        cmocka_unit_test(test_random_walks_latched_means_off_and_granted_is_within),
        cmocka_unit_test(test_validate_accepts_the_table_and_limits_within_their_ceilings),
        cmocka_unit_test(test_validate_refuses_a_limit_at_nothing_or_above_its_ceiling),
        cmocka_unit_test(test_validate_refuses_a_rail_above_what_the_supply_may_give),
        cmocka_unit_test(test_a_rule_that_is_none_is_never_fine),
        cmocka_unit_test(test_sensors_on_one_plate_may_be_further_apart_the_hotter_it_is),
        cmocka_unit_test(test_a_press_before_the_first_scan_counts_once_it_has_begun),
        cmocka_unit_test(test_operator_away_says_nothing_of_a_supply_alone_that_is_off),
        cmocka_unit_test(test_validate_refuses_a_silence_of_nothing_or_of_more_than_ten_seconds),
        cmocka_unit_test(test_each_rule_acts_at_its_time_and_not_a_millisecond_before),
        cmocka_unit_test(test_supply_is_off_for_a_scan_between_two_rails_and_before_an_injection),
        cmocka_unit_test(test_supply_disobeys_asks_for_a_reading_and_for_a_grant),
        cmocka_unit_test(test_beeps_are_passed_on),
        cmocka_unit_test(test_rules_are_found_by_id),
        cmocka_unit_test(test_explain_fits_its_buffers_on_any_readings),
    };
    cmocka_set_test_filter(getenv("ONLY"));
    cmocka_set_skip_filter(getenv("SKIP"));
    return cmocka_run_group_tests(tests, NULL, NULL);
}
