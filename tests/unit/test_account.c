/* SPDX-License-Identifier: MIT */
/* Closed forms: a lumped capacitance under constant power and in cooling (Incropera & DeWitt, ch. 5.1); two of them
 * with a contact between, as the two exponentials of their 2 x 2 system. */
#include "check.h"

#include "tinlatch/account.h"

/* No lags: what is fed is in the block at once, and read at once. */
static const struct plate BARE = {.watts = 600, .capacity_j_k = 600};
static const struct plate PLATE = {.watts = 600,
                                   .capacity_j_k = 600,
                                   .loss_w_k = 0.9,
                                   .emissivity_area = 0.0096,
                                   .element_lag_s = 4,
                                   .sensor_lag_s = 1.5};
static const struct insert INSERT = {
    .name = "frame", .capacity_j_k = 45, .plate_w_k = 8, .board_w_k = 1.2};
static const double ROOM_C = 22;

struct desk {
    struct account account;
    struct account_input in;
    struct account_reading out;
    int64_t t_ms;
};

static struct desk desk_with(const struct plate *plate, const struct insert *insert)
{
    struct desk desk = {.in = {.plate_read = true, .first_read = true, .board_read = true}};

    account_init(&desk.account, plate, insert, ROOM_C);
    return desk;
}

static void reads(struct desk *desk, double plate_c)
{
    desk->in.plate_mc = desk->in.first_mc = desk->in.least_mc = (int32_t)lround(1000 * plate_c);
}

static void step(struct desk *desk)
{
    account_step(&desk->account, &desk->in, desk->t_ms, &desk->out);
    desk->t_ms += 100;
}

static void drives(struct desk *desk, double duty)
{
    desk->in.duty_low = desk->in.duty_high = duty;
}

/* From one reading on nothing is read: what the bounds do by themselves. */
static void runs_blind(struct desk *desk, double for_s)
{
    desk->in.plate_read = desk->in.first_read = desk->in.board_read = false;
    for (int64_t until_ms = desk->t_ms + (int64_t)(1000 * for_s); desk->t_ms < until_ms;)
        step(desk);
}

static void test_nothing_is_said_before_a_plate_was_read(void **state)
{
    (void)state;
    struct desk desk = desk_with(&PLATE, &INSERT);
    desk.in.plate_read = false;

    step(&desk);

    assert_int_equal(desk.out.quality, QUALITY_NONE);
}

static void test_the_high_bound_climbs_as_the_lightest_plate_on_the_strongest_mains(void **state)
{
    (void)state;
    struct desk desk = desk_with(&BARE, NULL);
    reads(&desk, 22);
    drives(&desk, 0.5);
    step(&desk);

    runs_blind(&desk, 60);

    double rise_k = 0.5 * 600 * 1.21 * 60 / (0.92 * 600);
    assert_near(desk.out.high_mc / 1000.0, 22 + 2 + rise_k + 8, 0.2);
}

/* C dT/dt = -k (T - room) - G (T - B), D dB/dt = G (T - B) - h (B - room): T - room after t_s, both of them given at
 * the start as above the room. */
static double coupled_c(double c, double k, double d, double h, double g, double above_k,
                        double board_k, double t_s)
{
    double a11 = -(k + g) / c, a12 = g / c, a21 = g / d, a22 = -(g + h) / d;
    double half = 0.5 * (a11 + a22), root = sqrt(half * half - (a11 * a22 - a12 * a21));
    double fast = half - root, slow = half + root;
    double rate = a11 * above_k + a12 * board_k;
    double of_slow = (rate - fast * above_k) / (slow - fast);
    return of_slow * exp(slow * t_s) + (above_k - of_slow) * exp(fast * t_s);
}

static void test_the_low_bound_cools_into_the_heaviest_board_and_a_draft(void **state)
{
    (void)state;
    struct plate plate = {.watts = 600, .capacity_j_k = 600, .loss_w_k = 0.9};
    struct desk desk = desk_with(&plate, NULL);
    reads(&desk, 172);
    step(&desk);

    runs_blind(&desk, 120);

    double room_c = ROOM_C - 5, start_k = 172 - 3 - room_c;
    double low_c = room_c + coupled_c(0.92 * 600, 3 * 0.9, 200, 3 * 0.3, 6, start_k, 0, 120);
    assert_near(desk.account.low.block_c, low_c, 0.3);
    assert_near(desk.out.low_mc / 1000.0, low_c - 8, 0.3);
}

static void test_the_high_bound_cools_along_the_exponential_with_a_board_as_hot(void **state)
{
    (void)state;
    struct plate plate = {.watts = 600, .capacity_j_k = 600, .loss_w_k = 0.9};
    struct desk desk = desk_with(&plate, NULL);
    reads(&desk, 172);
    step(&desk);

    runs_blind(&desk, 600);

    double room_c = ROOM_C + 5, hot_k = 172 + 2 - room_c;
    double high_c = room_c + coupled_c(1.08 * 600, 0.8 * 0.9, 200, 0, 6, hot_k, hot_k, 600);
    assert_true(desk.account.high.block_c >
                high_c - 0.3); /* each may be as hot, not both at once */
    assert_true(desk.account.high.block_c < high_c + 8);
}

/* A plate as learned, without board, in still air: the reading of a seated sensor. */
struct plant {
    double element_w, block_c, sensor_c;
};

static void plant_step(struct plant *plant, double duty)
{
    const struct plate *p = &PLATE;
    double kelvin = plant->block_c + 273.15, room = ROOM_C + 273.15;
    double loss = p->loss_w_k * (plant->block_c - ROOM_C) +
                  p->emissivity_area * 5.670374419e-8 * (pow(kelvin, 4) - pow(room, 4));

    plant->element_w += (p->watts * duty - plant->element_w) * 0.1 / p->element_lag_s;
    plant->block_c += (plant->element_w - loss) * 0.1 / (p->capacity_j_k + INSERT.capacity_j_k);
    plant->sensor_c += (plant->block_c - plant->sensor_c) * 0.1 / p->sensor_lag_s;
}

static struct plant cold_plant(void)
{
    return (struct plant){0, ROOM_C, ROOM_C};
}

/* The plant's sensor shows a share of its rise. */
static void follow(struct desk *desk, struct plant *plant, double duty, double share, double for_s)
{
    for (int64_t until_ms = desk->t_ms + (int64_t)(1000 * for_s); desk->t_ms < until_ms;) {
        plant_step(plant, duty);
        drives(desk, duty);
        reads(desk, ROOM_C + share * (plant->sensor_c - ROOM_C));
        step(desk);
    }
}

static bool within(const struct desk *desk)
{
    return desk->in.plate_mc >= desk->out.low_mc && desk->in.plate_mc <= desk->out.high_mc;
}

static void test_a_seated_sensor_stays_between_the_bounds(void **state)
{
    (void)state;
    struct desk desk = desk_with(&PLATE, &INSERT);
    struct plant plant = cold_plant();
    const double duty[] = {1, 0.3, 0, 1, 0.1, 0};

    for (size_t i = 0; i < sizeof duty / sizeof duty[0]; i++)
        for (int k = 0; k < 120; k++) {
            follow(&desk, &plant, duty[i], 1, 1);
            assert_true(within(&desk));
            assert_true(desk.out.unmoved_mc < 1000);
        }
}

static void test_a_sensor_off_the_plate_falls_below_the_low_bound(void **state)
{
    (void)state;
    struct desk desk = desk_with(&PLATE, &INSERT);
    struct plant plant = cold_plant();

    for (int i = 0; i < 120 && within(&desk); i++)
        follow(&desk, &plant, 1, 0.3, 1);

    assert_true(desk.in.plate_mc < desk.out.low_mc);
    assert_true(plant.block_c < 120);
}

static void test_a_sensor_that_slips_at_temperature_cools_faster_than_any_plate(void **state)
{
    (void)state;
    struct desk desk = desk_with(&PLATE, &INSERT);
    struct plant plant = cold_plant();
    follow(&desk, &plant, 1, 1, 200);
    double hot_c = plant.sensor_c;

    follow(&desk, &plant, 0.3, 1, 60);
    assert_true(within(&desk));
    assert_true(desk.out.low_mc > desk.in.plate_mc - 16000); /* by its reading, not by its way up */
    follow(&desk, &plant, 0.3, 0.8, 5);

    assert_true(hot_c > 150);
    assert_true(desk.in.plate_mc < desk.out.low_mc);
}

static void test_an_announced_cold_board_may_draw_the_plate_down(void **state)
{
    (void)state;
    struct desk told = desk_with(&PLATE, &INSERT), untold;
    struct plant plant = cold_plant();
    follow(&told, &plant, 1, 1, 200);
    follow(&told, &plant, 0.3, 1, 600); /* whatever lay on it is warm by now */
    untold = told;
    told.in.hand = HAND_PLACE;

    runs_blind(&told, 60);
    runs_blind(&untold, 60);

    assert_true(told.out.low_mc < untold.out.low_mc - 5000);
}

static void test_heat_that_was_not_fed_rises_above_the_high_bound(void **state)
{
    (void)state;
    struct desk desk = desk_with(&PLATE, &INSERT);
    struct plant plant = cold_plant();
    follow(&desk, &plant, 1, 1, 120);
    follow(&desk, &plant, 0, 1, 10);
    double off_c = plant.sensor_c;

    for (int i = 0; i < 600 && within(&desk); i++) {
        plant_step(&plant, 1); /* the relay is welded; it says 0 */
        reads(&desk, plant.sensor_c);
        drives(&desk, 0);
        step(&desk);
    }

    assert_true(desk.in.plate_mc > desk.out.high_mc);
    assert_true(plant.sensor_c < off_c + 25);
}

static void test_announced_hot_air_may_warm_the_plate(void **state)
{
    (void)state;
    struct desk desk = desk_with(&PLATE, &INSERT);
    reads(&desk, 100);
    step(&desk);

    desk.in.hand = HAND_HEAT;
    step(&desk);

    assert_true(desk.out.high_mc > 400000);
}

static void test_a_reading_that_stands_still_while_the_plate_climbs_is_told(void **state)
{
    (void)state;
    struct desk desk = desk_with(&PLATE, &INSERT);
    struct plant plant = cold_plant();
    follow(&desk, &plant, 1, 1, 60);
    double frozen_ms = (double)desk.t_ms;

    for (int i = 0; i < 300 && desk.out.unmoved_mc < 3000; i++)
        step(&desk);

    assert_true((double)desk.t_ms - frozen_ms < 10000);
}

static void test_a_coarse_reader_may_stand_still_in_a_steady_hold(void **state)
{
    (void)state;
    struct desk desk = desk_with(&PLATE, &INSERT);
    struct plant plant = cold_plant();
    follow(&desk, &plant, 1, 1, 150);

    for (int i = 0; i < 6000; i++) {
        reads(&desk, 140); /* it is held there */
        drives(&desk, 0.35);
        step(&desk);
    }

    assert_true(desk.out.unmoved_mc < 3000);
}

static void test_a_fine_reader_that_freezes_in_a_hold_shows_when_the_heat_changes(void **state)
{
    (void)state;
    struct desk desk = desk_with(&PLATE, &INSERT);
    struct plant plant = cold_plant();
    follow(&desk, &plant, 1, 1, 180);
    follow(&desk, &plant, 0.35, 1, 120); /* SLOW bound: this little may all be lost to a draft */
    assert_true(desk.out.unmoved_mc < 1000);

    drives(&desk, 1);
    int periods = 0;
    for (; periods < 300 && desk.out.unmoved_mc < 3000; periods++)
        step(&desk);

    assert_true(periods < 150);
}

/* A slow reader shows a plate that is blown cold once a second. */
static void test_what_has_not_been_read_again_does_not_stand_still(void **state)
{
    (void)state;
    struct desk desk = desk_with(&PLATE, &INSERT);
    desk.in.fan = 1;

    for (int i = 0; i < 300; i++) {
        reads(&desk, i < 10 ? 220 + 0.1 * (i % 2) : 220 - 7.0 * (i / 10));
        step(&desk);
        assert_true(desk.out.unmoved_mc < 3000);
    }
}

/* The element still gives off its heat, the fan already takes it. */
static void test_a_fine_reader_may_stand_still_when_the_fan_comes_on(void **state)
{
    (void)state;
    struct plate plate = PLATE;
    plate.fan_loss_w_k = 4;
    struct desk desk = desk_with(&plate, &INSERT);
    for (int i = 0; i < 1000; i++) {
        reads(&desk, 153 + 0.1 * (i % 2));
        drives(&desk, 0.1);
        step(&desk);
    }

    desk.in.fan = 1;
    for (int i = 0; i < 600; i++) {
        drives(&desk, 0.97); /* 4 W/K over 131 K is 524 W */
        step(&desk);
        assert_true(desk.out.unmoved_mc < 3000);
    }
}

/* Fine, without noise, at its set-point, while a board below it soaks: its losses shrink all the time. */
static void test_a_fine_reader_may_stand_still_while_a_board_soaks(void **state)
{
    (void)state;
    struct desk desk = desk_with(&PLATE, &INSERT);
    for (int i = 0; i < 1000; i++) {
        reads(&desk, 153 + 0.1 * (i % 2));
        drives(&desk, 0.4);
        step(&desk);
    }

    for (int i = 0; i < 1200; i++) {
        drives(&desk, 0.4 - 0.0002 * i);
        step(&desk);
        assert_true(desk.out.unmoved_mc < 3000);
    }
}

static void test_what_is_fed_by_guess_is_no_balance(void **state)
{
    (void)state;
    struct desk desk = desk_with(&PLATE, &INSERT);
    for (int i = 0; i < 600; i++) { /* a plate that regulates itself climbs, then holds */
        reads(&desk, 22 + 0.1 * i);
        desk.in.duty_high = 1;
        step(&desk);
    }

    for (int i = 0; i < 600; i++)
        step(&desk);

    assert_int_equal(desk.out.unmoved_mc, 0);
}

static void test_a_board_that_leads_the_plate_from_cold_is_told_and_no_other(void **state)
{
    (void)state;
    static const struct {
        bool heats_plate, announced, fed, hot;
        bool told;
    } rows[] = {{false, false, false, false, true},
                {true, false, false, false, false},
                {false, true, false, false, false},
                {false, false, true, false, false},
                {false, false, false, true, false}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct desk desk = desk_with(&PLATE, &INSERT);
        double from_c = rows[i].hot ? 90 : 22;
        desk.in.hand = rows[i].announced ? HAND_HEAT : HAND_NONE;
        desk.in.board_fed = rows[i].fed;
        for (int k = 0; k < 200; k++) {
            double rise_k = 0.1 * k;
            reads(&desk, from_c + (rows[i].heats_plate ? rise_k : 0.2 * rise_k));
            desk.in.board_mc =
                (int32_t)(1000 * (from_c + (rows[i].heats_plate ? 0.2 * rise_k : rise_k)));
            step(&desk);
        }
        assert_int_equal(desk.out.board_lead_mc > 5000, rows[i].told);
    }
}

static void test_a_board_that_cools_behind_its_plate_does_not_lead(void **state)
{
    (void)state;
    struct desk desk = desk_with(&PLATE, &INSERT);

    for (int k = 0; k < 200; k++) {
        reads(&desk, 44 - 0.1 * k);
        desk.in.board_mc = 44000 - 20 * k;
        step(&desk);
    }

    assert_int_equal(desk.out.board_lead_mc, 0);
}

/* A board warmed to 60 C, then the fan. */
static void test_a_warm_board_does_not_lead_a_plate_that_is_blown_cold(void **state)
{
    (void)state;
    struct desk desk = desk_with(&PLATE, &INSERT);

    for (int k = 0; k < 1200; k++) {
        double plate_c = k < 600 ? fmin(22 + 0.1 * k, 60) : fmax(60 - 0.1 * (k - 600), 30);
        reads(&desk, plate_c);
        desk.in.board_mc = (int32_t)(1000 * (k < 600 ? plate_c - 1 : 59 - 0.02 * (k - 600)));
        step(&desk);
        assert_int_equal(desk.out.board_lead_mc, 0);
    }
}

/* Out of a drawer, onto a plate that is still warm of its seat test and cools. */
static void test_a_cold_board_that_catches_up_with_its_plate_does_not_lead(void **state)
{
    (void)state;
    struct desk desk = desk_with(&PLATE, &INSERT);

    for (int k = 0; k < 600; k++) {
        double plate_c = 44 - 0.005 * k;
        reads(&desk, plate_c);
        desk.in.board_mc = (int32_t)(1000 * (plate_c - 18 * exp(-k / 150.0)));
        step(&desk);
        assert_in_range(desk.out.board_lead_mc, 0, 1000);
    }
}

static void test_a_restart_knows_nothing_of_before(void **state)
{
    (void)state;
    struct desk desk = desk_with(&PLATE, &INSERT);
    reads(&desk, 150);
    step(&desk);

    account_restart(&desk.account);
    reads(&desk, 30);
    step(&desk);

    assert_near(desk.out.low_mc / 1000.0, 30 - 3 - 8, 0.1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_nothing_is_said_before_a_plate_was_read),
        cmocka_unit_test(test_the_high_bound_climbs_as_the_lightest_plate_on_the_strongest_mains),
        cmocka_unit_test(test_the_low_bound_cools_into_the_heaviest_board_and_a_draft),
        cmocka_unit_test(test_the_high_bound_cools_along_the_exponential_with_a_board_as_hot),
        cmocka_unit_test(test_a_seated_sensor_stays_between_the_bounds),
        cmocka_unit_test(test_a_sensor_off_the_plate_falls_below_the_low_bound),
        cmocka_unit_test(test_a_sensor_that_slips_at_temperature_cools_faster_than_any_plate),
        cmocka_unit_test(test_an_announced_cold_board_may_draw_the_plate_down),
        cmocka_unit_test(test_heat_that_was_not_fed_rises_above_the_high_bound),
        cmocka_unit_test(test_announced_hot_air_may_warm_the_plate),
        cmocka_unit_test(test_a_reading_that_stands_still_while_the_plate_climbs_is_told),
        cmocka_unit_test(test_a_coarse_reader_may_stand_still_in_a_steady_hold),
        cmocka_unit_test(test_a_fine_reader_that_freezes_in_a_hold_shows_when_the_heat_changes),
        cmocka_unit_test(test_what_has_not_been_read_again_does_not_stand_still),
        cmocka_unit_test(test_a_fine_reader_may_stand_still_when_the_fan_comes_on),
        cmocka_unit_test(test_a_fine_reader_may_stand_still_while_a_board_soaks),
        cmocka_unit_test(test_what_is_fed_by_guess_is_no_balance),
        cmocka_unit_test(test_a_board_that_leads_the_plate_from_cold_is_told_and_no_other),
        cmocka_unit_test(test_a_board_that_cools_behind_its_plate_does_not_lead),
        cmocka_unit_test(test_a_warm_board_does_not_lead_a_plate_that_is_blown_cold),
        cmocka_unit_test(test_a_cold_board_that_catches_up_with_its_plate_does_not_lead),
        cmocka_unit_test(test_a_restart_knows_nothing_of_before),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
