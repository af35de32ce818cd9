/* SPDX-License-Identifier: MIT */
/* profile: figures of curves whose figures are known. */
#include "check.h"

#include <math.h>

#include "tinlatch/profile.h"

enum { MOST = 20000 };
static struct profile_point curve[MOST];
static int count;
static struct profile_figures got;
static const struct profile_zones lead_free = {150, 200, 217};

static void measure(void)
{
    profile_measure(curve, count, &lead_free, &got);
}

/* A curve of straight pieces, sampled every dt_s, corners not hit by purpose. */
static void pieces(const struct profile_point *corner, int corners, double dt_s)
{
    int at = 0;
    for (count = 0; count < MOST; count++) {
        double t_s = dt_s * count;
        while (at + 2 < corners && corner[at + 1].t_s <= t_s)
            at++;
        const struct profile_point *a = &corner[at], *b = a + 1;
        if (t_s > corner[corners - 1].t_s)
            break;
        curve[count] = (struct profile_point){t_s, a->temp_c + (t_s - a->t_s) / (b->t_s - a->t_s) *
                                                                   (b->temp_c - a->temp_c)};
    }
}

/* 20 C, 2 C/s to 150, 90 s to 200, 1.5 C/s to 245, 20 s there, 3 C/s down to 20. */
static const struct profile_point trapezoid[] = {{0, 20},    {65, 150}, {155, 200}, {185, 245},
                                                 {205, 245}, {280, 20}, {300, 20}};

static void test_trapezoid(void **state)
{
    (void)state;
    static const double steps[] = {5, 1, 0.1};
    for (int i = 0; i < 3; i++) {
        pieces(trapezoid, 7, steps[i]);
        measure();
        assert_near(got.peak_c, 245, 1e-9);
        assert_near(got.peak_s, 185, 1e-9);
        assert_near(got.to_peak_s, 182.5, 1e-9);
        assert_near(got.soak_s, 90, 1e-9);
        /* 28 K at 1.5 C/s, 20 s, 28 K at 3 C/s */
        assert_near(got.above_liquidus_s, 28 / 1.5 + 20 + 28 / 3.0, 1e-9);
        assert_near(got.near_peak_s, 5 / 1.5 + 20 + 5 / 3.0, 1e-9);
        assert_near(got.ramp_up_c_s, 2, 1e-9);
        assert_near(got.ramp_to_peak_c_s, 1.5, 1e-9);
        assert_near(got.ramp_down_c_s, 3, 1e-9);
        assert_near(got.ramp_to_solid_c_s, 3, 1e-9);
    }
}

static void test_corners_that_no_sample_hits_cost_less_than_a_sample(void **state)
{
    (void)state;
    pieces(trapezoid, 7, 0.7);
    measure();
    assert_near(got.soak_s, 90, 0.7);
    assert_near(got.above_liquidus_s, 48, 0.7);
    assert_near(got.near_peak_s, 25, 0.7);
    assert_near(got.ramp_down_c_s, 3, 0.01);
}

/* A plate that follows a step late, and cools by itself: T = 25 + 220 (1 - exp(-t / 60)), then 25 + 220 exp(-t / 100). */
static void test_exponentials_in_closed_form(void **state)
{
    (void)state;
    const double up_s = 60, down_s = 100, top_s = 600, rise = 220 * (1 - exp(-600.0 / 60));
    for (count = 0; count <= 12000; count++) {
        double t_s = 0.1 * count;
        curve[count] =
            (struct profile_point){t_s, t_s <= top_s ? 25 + 220 * (1 - exp(-t_s / up_s))
                                                     : 25 + rise * exp(-(t_s - top_s) / down_s)};
    }
    measure();
    double peak_c = 25 + rise;
    assert_near(got.peak_c, peak_c, 1e-9);
    assert_near(got.soak_s, up_s * log((220 - 125) / (220.0 - 175)), 1e-3);
    assert_near(got.above_liquidus_s,
                top_s - up_s * log(220 / (220.0 - 192)) + down_s * log(rise / 192), 1e-3);
    assert_near(got.near_peak_s,
                top_s - up_s * log(220 / (220 - (rise - 5))) + down_s * log(rise / (rise - 5)),
                1e-3);
    assert_near(got.ramp_up_c_s, 220 * (1 - exp(-5 / up_s)) / 5, 1e-6);
    assert_near(got.ramp_down_c_s, rise * (1 - exp(-5 / down_s)) / 5, 1e-6);
    assert_near(got.ramp_to_solid_c_s, (peak_c - 217) / (down_s * log(rise / 192)), 1e-3);
}

static void test_two_peaks_add_up(void **state)
{
    (void)state;
    static const struct profile_point teeth[] = {
        {0, 100}, {60, 220}, {120, 100}, {180, 230}, {240, 100}};
    pieces(teeth, 5, 0.5);
    measure();
    assert_near(got.peak_c, 230, 1e-9);
    /* 3 K at 2 C/s twice; 13 K at 130/60 C/s twice */
    assert_near(got.above_liquidus_s, 3 + 2 * 13 * 60 / 130.0, 1e-9);
    assert_near(got.near_peak_s, 2 * 5 * 60 / 130.0, 1e-9); /* the lower peak is not near it */
    assert_near(got.soak_s, 50 * 60 / 130.0, 1e-9);         /* of the rise that led to the peak */
    assert_true(isnan(got.to_peak_s));                      /* it was never below 25 C */
}

static void test_what_is_never_reached_is_not_known(void **state)
{
    (void)state;
    static const struct profile_point low[] = {{0, 20}, {100, 120}, {200, 20}};
    pieces(low, 3, 1);
    measure();
    assert_near(got.peak_c, 120, 1e-9);
    assert_true(isnan(got.soak_s));
    assert_true(isnan(got.ramp_to_peak_c_s));
    assert_true(isnan(got.ramp_to_solid_c_s));
    assert_near(got.above_liquidus_s, 0, 0);
    assert_near(got.near_peak_s, 10, 1e-9);

    count = 0;
    measure();
    assert_true(isnan(got.peak_c));
    curve[0] = (struct profile_point){0, NAN};
    count = 1;
    measure();
    assert_true(isnan(got.peak_c));
}

static void test_a_gap_is_not_filled(void **state)
{
    (void)state;
    pieces(trapezoid, 7, 1);
    for (int i = 190; i < 200; i++)
        curve[i].temp_c = NAN;
    measure();
    /* 10 points unknown: 11 pieces are lost */
    assert_near(got.above_liquidus_s, 28 / 1.5 + 20 + 28 / 3.0 - 11, 1e-9);
}

/* J-STD-020 D, D.1 and E, table 5-2; its lead-free column as three vendors print it. Revision C allows 180 s of
 * lead-free soak. */
static void test_the_standards_table(void **state)
{
    (void)state;
    static const struct profile_allowed column[2] = {
        {.soak_least_s = 60, /* ts, Tsmin to Tsmax: 60 to 120 s */
         .soak_most_s = 120,
         .above_least_s = 60, /* tL, above TL: 60 to 150 s */
         .above_most_s = 150,
         .ramp_up_most_c_s = 3,   /* TL to Tp */
         .ramp_down_most_c_s = 6, /* Tp to TL */
         .to_peak_most_s = 480,   /* 25 C to Tp: 8 min */
         .zones = {150, 200, 217}},
        {60, 120, 60, 150, 3, 6, 360, {100, 150, 183}}, /* SnPb */
    };
    for (int with_lead = 0; with_lead < 2; with_lead++)
        assert_memory_equal(profile_allowed(with_lead), &column[with_lead], sizeof column[0]);
    assert_int_equal(PROFILE_NEAR_C, 5);
    assert_int_equal(PROFILE_START_C, 25);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_trapezoid),
        cmocka_unit_test(test_corners_that_no_sample_hits_cost_less_than_a_sample),
        cmocka_unit_test(test_exponentials_in_closed_form),
        cmocka_unit_test(test_two_peaks_add_up),
        cmocka_unit_test(test_what_is_never_reached_is_not_known),
        cmocka_unit_test(test_a_gap_is_not_filled),
        cmocka_unit_test(test_the_standards_table),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
