/* SPDX-License-Identifier: MIT */
#include "check.h"

#include "drawn_plates.h"
#include "tinlatch/control.h"
#include "tinlatch/thermal.h"
#include "tinlatch/world.h"

/* A plate of its own, written from the heat balance alone: element lag, block, sensor lag. */
struct plant {
    double element_w, plate_c, reading_c, extra_j_k;
    const struct plate *of;
};

static const struct plate PLATE = {.watts = 600,
                                   .capacity_j_k = 600,
                                   .loss_w_k = 0.9,
                                   .emissivity_area = 0.008,
                                   .element_lag_s = 4,
                                   .sensor_lag_s = 1.5,
                                   .fan_loss_w_k = 6};

/* Small and quick: what it is given in a moment too many it shows at once. */
static const struct plate QUICK = {.watts = 120,
                                   .capacity_j_k = 60,
                                   .loss_w_k = 0.25,
                                   .emissivity_area = 0.001,
                                   .element_lag_s = 0.5,
                                   .sensor_lag_s = 0.3};

static void plant_step(struct plant *plant, double watts, double dt_s)
{
    const struct plate *plate = plant->of;
    double kelvin = plant->plate_c + 273.15;
    double loss = plate->loss_w_k * (plant->plate_c - 25) +
                  plate->emissivity_area * 5.670374419e-8 * (pow(kelvin, 4) - pow(298.15, 4));

    plant->element_w += (watts - plant->element_w) * dt_s / plate->element_lag_s;
    plant->plate_c += (plant->element_w - loss) * dt_s / (plate->capacity_j_k + plant->extra_j_k);
    plant->reading_c += (plant->plate_c - plant->reading_c) * dt_s / plate->sensor_lag_s;
}

struct outcome_of_hold {
    double peak_c, end_c, worst_ramp_c_s, reached_s;
};

/* Hold `target_c` for 10 minutes at `ramp`; the plant carries extra_j_k that control does not know of. */
static struct outcome_of_hold hold(double target_c, int32_t ramp_mc_s, double extra_j_k)
{
    struct control control;
    struct plant plant = {0, 25, 25, extra_j_k, &PLATE};
    struct outcome_of_hold seen = {.reached_s = NAN};
    struct granted granted = {
        .heat = true, .temp_mc = (int32_t)(target_c * 1000), .ramp_mc_s = ramp_mc_s};

    control_init(&control, &PLATE, 0, 25);
    for (int64_t t_ms = 0; t_ms < 600000; t_ms += 100) {
        struct temp_reading reading = {QUALITY_GOOD, (int32_t)lround(plant.reading_c * 1000), 0};
        struct drive drive;
        int32_t ramp;
        if (control_ramp(&control, reading.temp_mc, t_ms, &ramp))
            seen.worst_ramp_c_s = fmax(seen.worst_ramp_c_s, ramp / 1000.0);
        control_step(&control, &granted, &reading, 3000, t_ms, &drive);
        for (int i = 0; i < 10; i++)
            plant_step(&plant, PLATE.watts * drive.duty_permille / 1000.0, 0.01);
        seen.peak_c = fmax(seen.peak_c, plant.plate_c);
        if (isnan(seen.reached_s) && plant.plate_c > target_c - 2)
            seen.reached_s = (double)t_ms / 1000;
    }
    seen.end_c = plant.plate_c;
    return seen;
}

static void test_holds_the_temperature_without_overshoot(void **state)
{
    (void)state;
    struct outcome_of_hold seen = hold(172, 1500, 0);

    assert_near(seen.end_c, 172, 0.3);
    assert_true(seen.peak_c < 174);
}

static void test_a_load_it_does_not_know_costs_time_not_overshoot(void **state)
{
    (void)state;
    struct outcome_of_hold seen = hold(172, 1000, 120);

    assert_near(seen.end_c, 172, 0.5);
    assert_true(seen.peak_c < 176);
}

static void test_the_measured_ramp_keeps_to_the_granted_one(void **state)
{
    (void)state;
    struct outcome_of_hold seen = hold(172, 500, 0);

    assert_true(seen.worst_ramp_c_s < 0.7);
    assert_true(seen.worst_ramp_c_s > 0.4);
}

static void test_a_ramp_beyond_the_heater_does_not_wind_up(void **state)
{
    (void)state;
    struct outcome_of_hold seen = hold(172, 3000, 0);

    assert_true(seen.peak_c < 176);
    assert_near(seen.end_c, 172, 0.5);
    assert_true(seen.reached_s < 210); /* 600 W, 600 J/K: 147 K cannot take less than 147 s */
}

/* Parked for `seconds` at park_c in the middle of a hold: how far above target_c it goes afterwards. */
static double overshoot_after_park(const struct plate *plate, double target_c, double park_c,
                                   int seconds)
{
    struct control control;
    struct plant plant = {0, target_c, target_c, 0, plate};
    struct granted granted = {.heat = true, .ramp_mc_s = 2000};
    double peak_c = 0;

    control_init(&control, plate, 0, 25);
    for (int64_t t_ms = 0; t_ms < 400000; t_ms += 100) {
        struct temp_reading reading = {QUALITY_GOOD, (int32_t)lround(plant.reading_c * 1000), 0};
        struct drive drive;
        int64_t on_ms = 200000 + 1000 * (int64_t)seconds;
        granted.temp_mc = (int32_t)(1000 * (t_ms > 200000 && t_ms < on_ms ? park_c : target_c));
        control_step(&control, &granted, &reading, 3000, t_ms, &drive);
        for (int i = 0; i < 10; i++)
            plant_step(&plant, plate->watts * drive.duty_permille / 1000.0, 0.01);
        if (t_ms > on_ms)
            peak_c = fmax(peak_c, plant.plate_c);
    }
    assert_near(plant.plate_c, target_c, 0.5);
    return peak_c - target_c;
}

/* The set-point went down at once, the plate did not. */
static void test_a_target_raised_again_while_the_plate_still_falls_does_not_overshoot(void **state)
{
    (void)state;
    for (int seconds = 5; seconds <= 60; seconds += 11) {
        assert_true(overshoot_after_park(&QUICK, 60, 50, seconds) < 1);
        assert_true(overshoot_after_park(&QUICK, 60, 30, seconds) < 1);
        assert_true(overshoot_after_park(&PLATE, 170, 120, seconds) < 1);
        assert_true(overshoot_after_park(&PLATE, 170, 165, seconds) < 1);
    }
}

static void test_ramp_is_two_means_four_seconds_apart(void **state)
{
    (void)state;
    struct control control;
    int32_t ramp = 0;

    control_init(&control, &PLATE, 0, 25);
    for (int64_t t_ms = 0; t_ms < 4900; t_ms += 100)
        assert_false(control_ramp(&control, (int32_t)(25000 + t_ms * 3 / 2), t_ms, &ramp));
    for (int64_t t_ms = 4900; t_ms <= 6000; t_ms += 100)
        assert_true(control_ramp(&control, (int32_t)(25000 + t_ms * 3 / 2), t_ms, &ramp));

    assert_int_equal(ramp, 1500);
}

static void test_one_wild_reading_moves_the_ramp_by_a_fortieth(void **state)
{
    (void)state;
    struct control control;
    int32_t ramp = 0;

    control_init(&control, &PLATE, 0, 25);
    for (int64_t t_ms = 0; t_ms < 6000; t_ms += 100)
        control_ramp(&control, 100000, t_ms, &ramp);
    control_ramp(&control, 140000, 6000, &ramp);

    assert_int_equal(ramp, 1000); /* 40 K in one of ten readings, over four seconds */
}

static void test_heat_denied_means_no_duty_and_no_set_point(void **state)
{
    (void)state;
    struct control control;
    struct temp_reading reading = {QUALITY_GOOD, 25000, 0};
    struct granted hot = {.heat = true, .temp_mc = 200000}, off = {.temp_mc = 200000};
    struct drive drive;

    control_init(&control, &PLATE, 0, 25);
    control_step(&control, &hot, &reading, 2000, 0, &drive);
    control_step(&control, &hot, &reading, 2000, 100, &drive);
    assert_true(drive.heat && drive.duty_permille > 0);
    control_step(&control, &off, &reading, 2000, 200, &drive);

    assert_false(drive.heat);
    assert_int_equal(drive.duty_permille, 0);
    assert_int_equal(drive.setpoint_mc, 0);
}

static void test_a_plate_that_cannot_be_read_is_not_driven(void **state)
{
    (void)state;
    struct control control;
    struct temp_reading blind = {QUALITY_STALE, 25000, 5000};
    struct granted hot = {.heat = true, .temp_mc = 200000};
    struct drive drive;

    control_init(&control, &PLATE, 0, 25);
    control_step(&control, &hot, &blind, 2000, 100, &drive);

    assert_int_equal(drive.duty_permille, 0);
}

struct quality_seen {
    double over_k, ramp_over_c_s, end_c;
};

/* What its step test says of it, begun from a poor guess. */
static struct plate learned(const struct drawn *drawn, struct random *random)
{
    static struct learn_point point[STEP_SECONDS];
    struct learn_input input = {
        .point = point, .stated = drawn->plate, .insert = drawn->insert, .room_c = 22};
    struct learn_result result;
    struct tl_error error = {0};
    input.count = step_test(&drawn->plate, &drawn->insert, 0.25, 0.1, random, point);
    input.stated.capacity_j_k *= 1.3;
    input.stated.loss_w_k *= 0.6;
    input.stated.element_lag_s = input.stated.sensor_lag_s = 2;
    if (learn_plate(&input, &result, &error))
        fail_msg("%s", error.text);
    return result.model.plate;
}

static struct quality_seen climb(const struct drawn *drawn, struct random *noise)
{
    struct thermal_setup setup = {.plate = drawn->plate,
                                  .insert = drawn->insert,
                                  .room_c = 22,
                                  .contact_factor = 1,
                                  .mass_factor = 1};
    struct quality_seen seen = {-HUGE_VAL, -HUGE_VAL, 0};
    struct granted granted = {
        .heat = true, .temp_mc = (int32_t)(drawn->target_c * 1000), .ramp_mc_s = drawn->ramp_mc_s};
    struct control control;
    struct thermal thermal;
    struct tl_error error;
    double reading_c = 22;

    assert_int_equal(thermal_init(&thermal, &setup, &error), 0);
    struct plate known = learned(drawn, noise);
    control_init(&control, &known, drawn->insert.capacity_j_k, 22);
    for (int64_t t_ms = 0; t_ms < 900000; t_ms += 100) {
        double shown_c = reading_c + 0.1 * random_normal(noise);
        struct temp_reading reading = {QUALITY_GOOD, (int32_t)lround(shown_c * 1000), 0};
        struct drive drive;
        int32_t ramp;
        if (control_ramp(&control, reading.temp_mc, t_ms, &ramp))
            seen.ramp_over_c_s = fmax(seen.ramp_over_c_s, (ramp - drawn->ramp_mc_s) / 1000.0);
        control_step(&control, &granted, &reading, 3000, t_ms, &drive);
        struct thermal_input input = {.heater_w = drawn->plate.watts * drive.duty_permille / 1000.0,
                                      .draft = 1,
                                      .rail_part = -1,
                                      .hand_part = -1};
        thermal_step(&thermal, &input, 0.1);
        double plate_c = thermal_plate_c(&thermal);
        reading_c += (plate_c - reading_c) * (1 - exp(-0.1 / drawn->plate.sensor_lag_s));
        seen.over_k = fmax(seen.over_k, plate_c - drawn->target_c);
        seen.end_c = plate_c;
    }
    return seen;
}

static void test_fifty_drawn_plates_once_learned_neither_overshoot_nor_climb_too_fast(void **state)
{
    (void)state;
    struct random random = {DRAWN_SEED};

    for (int i = 0; i < DRAWN_PLATES; i++) {
        struct drawn drawn = draw(&random);
        struct quality_seen seen = climb(&drawn, &random);
        if (seen.over_k > 2 || seen.ramp_over_c_s > 0.2 || fabs(seen.end_c - drawn.target_c) > 1)
            print_error(
                "plate %d: %.0f W, %.0f J/K, lags %.1f and %.1f s, to %.0f C at %d mC/s: over by "
                "%.2f K, ramp by %.2f C/s, end %.1f C\n",
                i, drawn.plate.watts, drawn.plate.capacity_j_k, drawn.plate.element_lag_s,
                drawn.plate.sensor_lag_s, drawn.target_c, (int)drawn.ramp_mc_s, seen.over_k,
                seen.ramp_over_c_s, seen.end_c);
        assert_true(seen.over_k <= 2);
        assert_true(seen.ramp_over_c_s <= 0.2);
        assert_near(seen.end_c, drawn.target_c, 1);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_holds_the_temperature_without_overshoot),
        cmocka_unit_test(test_a_load_it_does_not_know_costs_time_not_overshoot),
        cmocka_unit_test(test_the_measured_ramp_keeps_to_the_granted_one),
        cmocka_unit_test(test_a_ramp_beyond_the_heater_does_not_wind_up),
        cmocka_unit_test(test_a_target_raised_again_while_the_plate_still_falls_does_not_overshoot),
        cmocka_unit_test(test_ramp_is_two_means_four_seconds_apart),
        cmocka_unit_test(test_one_wild_reading_moves_the_ramp_by_a_fortieth),
        cmocka_unit_test(test_heat_denied_means_no_duty_and_no_set_point),
        cmocka_unit_test(test_a_plate_that_cannot_be_read_is_not_driven),
        cmocka_unit_test(test_fifty_drawn_plates_once_learned_neither_overshoot_nor_climb_too_fast),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
