/* SPDX-License-Identifier: MIT */
#include "check.h"
#include "demo_boards.h"

#include "tinlatch/thermal.h"

#ifdef HAVE_CVODE
#include <cvode/cvode.h>
#include <nvector/nvector_serial.h>
#include <sunlinsol/sunlinsol_dense.h>
#include <sunmatrix/sunmatrix_dense.h>
#endif

static const struct thermal_input idle = {.draft = 1, .rail_part = -1, .hand_part = -1};

static void start(struct thermal *thermal, const struct thermal_setup *setup)
{
    struct tl_error error;
    assert_int_equal(thermal_init(thermal, setup, &error), 0);
}

/* A bare block: no element lag to speak of, no radiation, no insert. */
static struct thermal_setup bare_block(double watts, double capacity_j_k, double loss_w_k)
{
    return (struct thermal_setup){.plate = {.watts = watts,
                                            .capacity_j_k = capacity_j_k,
                                            .loss_w_k = loss_w_k,
                                            .element_lag_s = 0.1},
                                  .room_c = 25,
                                  .contact_factor = 1,
                                  .mass_factor = 1};
}

/* Keeps the plate near set_c with the 600 W heater, as a controller would. */
static void hold(struct thermal *thermal, struct thermal_input *input, double set_c)
{
    double above = thermal_plate_c(thermal) - thermal->room_c;
    double need_w = 60 * (set_c - thermal_plate_c(thermal)) + 1.2 * above;
    input->heater_w = fmin(fmax(need_w, 0), 600);
}

/* ---- against textbooks ---- */

/* Lumped capacitance: Al plate 100 x 100 x 5 mm (rho 2702, c 903), h 20 on 0.022 m2, 50 W, 25 C:
 * T = 25 + 113.636 (1 - exp(-t/277.262)); 100.123 C at 300 s, 125.584 C at 600 s (Incropera & DeWitt,
 * section 5.1, computed for this plate). */
static void test_a_heated_block_rises_as_a_lumped_capacitance_does(void **state)
{
    (void)state;
    struct thermal_setup setup = bare_block(50, 121.995, 0.44);
    struct thermal thermal;
    start(&thermal, &setup);
    struct thermal_input input = idle;
    input.heater_w = 50;

    thermal_step(&thermal, &input, 300);
    double at_300 = thermal_plate_c(&thermal);
    thermal_step(&thermal, &input, 300);

    assert_near(at_300, 100.123, 0.1);
    assert_near(thermal_plate_c(&thermal), 125.584, 0.1);
}

/* The same plate cooling from 200 to 48 C takes 562.646 s. */
static void test_a_cooling_block_follows_the_exponential(void **state)
{
    (void)state;
    struct thermal_setup setup = bare_block(50, 121.995, 0.44);
    struct thermal thermal;
    start(&thermal, &setup);
    thermal_step_pinned(&thermal, &idle, 200, 1);

    thermal_step(&thermal, &idle, 562.646);

    assert_near(thermal_plate_c(&thermal), 48, 0.05);
}

/* Incropera & DeWitt, table A.4 and eq. 9.30. Case A: 400 K over 300 K, so the film is at the table's
 * 350 K row. Case B: 0.1 x 0.1 m at 200 C over 25 C, air linear in the table. */
static void test_free_convection_agrees_with_the_textbook_relation(void **state)
{
    (void)state;
    /* g = 9.81 there, 9.80665 here: the fourth root of that is 0.01 % */
    assert_near(thermal_convection_w_m2k(126.85, 26.85, 0.025), 10.5408, 0.003);
    assert_near(thermal_convection_w_m2k(126.85, 26.85, 0.05), 8.86369, 0.003);
    assert_near(thermal_convection_w_m2k(200, 25, 0.025), 11.8088, 0.003);
}

static void test_the_loss_table_agrees_with_the_relation_it_was_made_from(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board);
    struct thermal thermal;
    start(&thermal, &setup);

    for (int i = 1; i < THERMAL_FLUX; i++) {
        double above = 2.0 * i;
        double h = thermal_convection_w_m2k(25 + above, 25, thermal.air_length_m);
        assert_near(thermal.plan.flux_w_m2[i], h * above, 1e-9 * h * above);
    }
}

/* Radiation of emissivity 0.90 and 200 C to 25 C: 2154.43 W/m2 (CODATA 2018 Stefan-Boltzmann). */
static void test_radiation_follows_the_fourth_power(void **state)
{
    (void)state;
    struct thermal_setup setup = bare_block(0, 100, 0);
    setup.plate.emissivity_area = 0.90 * 0.01;
    struct thermal thermal;
    start(&thermal, &setup);
    thermal_step_pinned(&thermal, &idle, 200, 0.1);
    double watts[THERMAL_NODES];

    thermal_rates(&thermal, &idle, thermal.heat_j, watts);

    assert_near(-watts[thermal.plate], 21.5443, 0.0005);
}

/* Two full 35 um planes on 1.53 mm of FR-4: 18.142 W/mK in plane, 0.31371 through (parallel and
 * series rule). */
static void test_laminate_conducts_by_the_parallel_and_series_rules(void **state)
{
    (void)state;
    double copper = 0.070 / (0.070 + 1.53);

    assert_near(thermal_in_plane_w_mk(copper), 18.142, 0.001);
    assert_near(thermal_through_w_mk(copper), 0.31371, 0.00001);
}

/* Even gain: torsion constants of rectangles 1, 1.5, 2 and 10 long to 1 wide, 0.1406, 0.196, 0.229, 0.312 (Timoshenko &
 * Goodier, Theory of Elasticity, art. 109, table; from memory), a quarter of each by width over length. */
static void test_the_way_to_the_edge_is_the_torsion_of_a_bar(void **state)
{
    (void)state;
    static const double rows[][2] = {{1, 0.1406}, {1.5, 0.196}, {2, 0.229}, {10, 0.312}};
    for (int i = 0; i < 4; i++) {
        double length = rows[i][0], known_k_w = rows[i][1] / (4 * length);

        assert_near(thermal_to_edge_k_w(length, 1, 1, 0), known_k_w, 0.003 * known_k_w);
        assert_near(thermal_to_edge_k_w(1, length, 2, 1e-9), known_k_w / 2, 0.003 * known_k_w);
    }
}

/* A strip 1 m wide and 1 km long, touched all over, is two fins 0.5 m long with nothing lost at their tips: each takes
 * sqrt(h k t) L tanh(m 0.5), m = sqrt(h / k t) (Incropera & DeWitt, eq. 3.76). */
static void test_a_touched_sheet_is_a_fin(void **state)
{
    (void)state;
    double sheet_w_k = 0.064;
    for (double h = 0.01; h < 100; h *= 10) {
        double m = sqrt(h / sheet_w_k);
        double both_w_k = 2 * 1000 * sqrt(h * sheet_w_k) * tanh(0.5 * m);
        double way_k_w = 1 / both_w_k - 1 / (1000 * h);

        assert_near(thermal_to_edge_k_w(1000, 1, sheet_w_k, 1000 * h), way_k_w, 0.002 * way_k_w);
    }
}

/* 1.00 g of Sn63Pb37 from 25 to 183 C, cp 190 J/kgK, L 46 J/g: 30.0 J sensible + 46.0 J latent. */
static void test_melting_a_gram_takes_its_latent_heat(void **state)
{
    (void)state;
    const struct alloy *alloy = &demo_sn63pb37;
    struct thermal_node node = {.capacity_j_k = 1.00 * alloy->cp_j_gk,
                                .latent_j = 1.00 * alloy->latent_j_g,
                                .solidus_c = alloy->solidus_c - 1,
                                .liquidus_c = alloy->liquidus_c};

    double need_j = thermal_heat_of(&node, 183) - thermal_heat_of(&node, 25);

    assert_near(need_j, 76.0, 0.05);
    assert_near(thermal_molten_of(&node, thermal_heat_of(&node, 182.5)), 0.5, 1e-12);
    assert_near(thermal_molten_of(&node, thermal_heat_of(&node, 181.9)), 0, 0);
    assert_near(thermal_molten_of(&node, thermal_heat_of(&node, 183.1)), 1, 0);
}

static void test_temperature_and_content_are_each_others_inverse(void **state)
{
    (void)state;
    struct thermal_node node = {
        .capacity_j_k = 0.2, .latent_j = 0.8, .solidus_c = 138, .liquidus_c = 140};

    for (double c = 20; c < 300; c += 0.37)
        assert_near(thermal_temp_of(&node, thermal_heat_of(&node, c)), c, 1e-9);
}

/* ---- against a reference solver ---- */

/* Ramp, soak, melt, hold, cool: what a stack split asks of the heater, open loop. */
static const struct {
    double until_s, heater_w, fan;
} recipe_like[] = {{130, 600, 0}, {170, 140, 0}, {240, 600, 0}, {380, 190, 0},
                   {470, 0, 0},   {620, 0, 1},   {900, 0, 1}};
enum { RECIPE_PARTS = sizeof recipe_like / sizeof recipe_like[0] };

#ifdef HAVE_CVODE
struct reference {
    struct thermal *thermal;
    struct thermal_input input;
};

static int reference_rates(realtype t, N_Vector y, N_Vector ydot, void *user)
{
    (void)t;
    struct reference *reference = user;
    thermal_rates(reference->thermal, &reference->input, NV_DATA_S(y), NV_DATA_S(ydot));
    return 0;
}

/* Runs both and returns the largest difference of any node's temperature, looked at every second. */
static double worst_difference_k(struct thermal *thermal, double dt_s, double *melted_share)
{
    struct thermal frame; /* the reference uses the network, not the state */
    thermal_copy(&frame, thermal);
    struct reference reference = {.thermal = &frame};
    SUNContext context;
    assert_int_equal(SUNContext_Create(NULL, &context), 0);
    int n = thermal->nodes;
    N_Vector y = N_VNew_Serial(n, context);
    memcpy(NV_DATA_S(y), thermal->heat_j, (size_t)n * sizeof(double));
    void *cvode = CVodeCreate(CV_BDF, context);
    SUNMatrix jacobian = SUNDenseMatrix(n, n, context);
    SUNLinearSolver solver = SUNLinSol_Dense(y, jacobian, context);
    assert_int_equal(CVodeInit(cvode, reference_rates, 0, y), CV_SUCCESS);
    assert_int_equal(CVodeSStolerances(cvode, 1e-8, 1e-6), CV_SUCCESS);
    assert_int_equal(CVodeSetUserData(cvode, &reference), CV_SUCCESS);
    assert_int_equal(CVodeSetLinearSolver(cvode, solver, jacobian), CV_SUCCESS);
    assert_int_equal(CVodeSetMaxNumSteps(cvode, 100000), CV_SUCCESS);
    double worst = 0;
    *melted_share = 0;
    int second = 0;
    for (int part = 0; part < RECIPE_PARTS; part++) {
        reference.input = idle;
        reference.input.heater_w = recipe_like[part].heater_w;
        reference.input.fan = recipe_like[part].fan;
        assert_int_equal(CVodeReInit(cvode, second, y), CV_SUCCESS);
        while (second < (int)recipe_like[part].until_s) {
            second++;
            double reached;
            CVodeSetStopTime(cvode, second);
            assert_true(CVode(cvode, second, y, &reached, CV_NORMAL) >= 0);
            for (int i = 0; i < (int)lround(1 / dt_s); i++)
                thermal_step(thermal, &reference.input, dt_s);
            for (int i = 0; i < n; i++)
                worst = fmax(worst, fabs(thermal->temp_c[i] -
                                         thermal_temp_of(&frame.node[i], NV_DATA_S(y)[i])));
            *melted_share = fmax(*melted_share, thermal_joint_molten(thermal, 0));
        }
    }
    CVodeFree(&cvode);
    SUNLinSolFree(solver);
    SUNMatDestroy(jacobian);
    N_VDestroy(y);
    SUNContext_Free(&context);
    return worst;
}
#endif

/* The same equations by SUNDIALS CVODE (BDF, relative tolerance 1e-8) over 900 s: within 0.1 K
 * everywhere, the joints included. */
static void test_the_network_agrees_with_cvode_over_a_whole_recipe(void **state)
{
    (void)state;
#ifdef HAVE_CVODE
    struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board);
    const double step_s[] = {0.05, 0.1};
    for (int i = 0; i < 2; i++) {
        struct thermal thermal;
        start(&thermal, &setup);
        thermal_place(&thermal);
        double melted;

        double worst = worst_difference_k(&thermal, step_s[i], &melted);

        print_message("steps of %g s: within %.4f K of CVODE\n", step_s[i], worst);
        assert_true(worst < 0.1);
        assert_near(melted, 1, 0); /* the drive did melt the frame */
        assert_near(thermal_joint_molten(&thermal, 0), 0, 0);
    }
#else
    print_message("built without SUNDIALS\n");
    skip();
#endif
}

/* Heat put in, counted here, equals what is stored and lost, to 0.1 % and much better. */
static void test_no_energy_is_lost_or_made_over_a_whole_recipe(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board);
    struct thermal thermal;
    start(&thermal, &setup);
    double bench_j = thermal_stored_j(&thermal);
    thermal_place(&thermal);
    double laid_j = thermal_stored_j(&thermal) - bench_j;
    double heater_j = 0, t_s = 0;
    for (int part = 0; part < RECIPE_PARTS; part++) {
        struct thermal_input input = idle;
        input.heater_w = recipe_like[part].heater_w;
        input.fan = recipe_like[part].fan;
        for (; t_s < recipe_like[part].until_s - 1e-6; t_s += 0.1) {
            thermal_step(&thermal, &input, 0.1);
            heater_j += input.heater_w * 0.1;
        }
        if (part == 3)
            thermal_lift_upper(&thermal);
    }

    double put_j = bench_j + laid_j + heater_j;

    assert_near(thermal.put_j, put_j, 1e-9 * put_j);
    assert_near(put_j, thermal.lost_j + thermal_stored_j(&thermal), 1e-9 * put_j);
}

/* ---- calibration: common practice, no source; used to calibrate the demo boards ---- */

struct drive_result {
    double reach_s;         /* plate within 0.5 C of its temperature */
    double first_s, last_s; /* first segment molten, whole joint molten; NAN = never */
    double molten_at_reach;
};

static bool any_segment_molten(const struct thermal *thermal)
{
    for (int i = 0; i < thermal_places(thermal, 0); i++) {
        int at = thermal->segment[0][0] + i;
        if (thermal_molten_of(&thermal->node[at], thermal->heat_j[at]) >= 1)
            return true;
    }
    return false;
}

/* Up to plate_c after 40 s at 120 C (`soak`) or straight; stops when all is molten or after limit_s. */
static struct drive_result drive_to(struct thermal *thermal, double plate_c, bool soak,
                                    double limit_s)
{
    struct drive_result result = {NAN, NAN, NAN, NAN};
    struct thermal_input input = idle;
    double soaked_s = soak ? 0 : 40;
    for (double t_s = 0; t_s < limit_s; t_s += 0.05) {
        if (soaked_s < 40 && thermal_plate_c(thermal) > 119.5)
            soaked_s += 0.05;
        hold(thermal, &input, soaked_s < 40 ? 120 : plate_c);
        thermal_step(thermal, &input, 0.05);
        if (isnan(result.reach_s) && thermal_plate_c(thermal) > plate_c - 0.5) {
            result.reach_s = t_s;
            result.molten_at_reach = thermal_joint_molten(thermal, 0);
        }
        if (isnan(result.first_s) && any_segment_molten(thermal))
            result.first_s = t_s;
        if (thermal_joint_molten(thermal, 0) >= 1) {
            result.last_s = t_s;
            break;
        }
    }
    return result;
}

/* The board laid down on the demo bench, on that grid; free(setup->memory). */
static void lay_on_grid(struct thermal *thermal, struct thermal_setup *setup, double grid_mm)
{
    setup->grid_mm = grid_mm;
    setup->memory = malloc(thermal_bytes(setup) + 1); /* 0 for the coarse one */
    start(thermal, setup);
    thermal_place(thermal);
}

#ifdef __SANITIZE_ADDRESS__
static const double grids_mm[] = {0, 4, 2}; /* sanitizers are slow */
#else
static const double grids_mm[] = {0, 4, 2, 1.4, 1};
#endif
enum { GRIDS = sizeof grids_mm / sizeof grids_mm[0] };

static void check_practice(void (*make)(struct board *), double plate_c, double within_s,
                           double grid_mm, bool soak)
{
    struct board board;
    make(&board);
    struct thermal_setup setup = demo_setup(&board);
    struct thermal thermal;
    lay_on_grid(&thermal, &setup, grid_mm);

    struct drive_result r = drive_to(&thermal, plate_c, soak, 900);

    print_message("%s %g mm %s: plate at %g C after %.0f s; first segment +%.0f s, all +%.0f s\n",
                  board.name, grid_mm, soak ? "soaked" : "straight", plate_c, r.reach_s,
                  r.first_s - r.reach_s, r.last_s - r.reach_s);
    assert_true(r.molten_at_reach < 1);            /* far joints are still solid */
    assert_true(r.last_s > r.reach_s);             /* the heat must climb */
    assert_true(r.last_s - r.reach_s <= within_s); /* counted from being at temperature */
    assert_true(r.last_s - r.first_s >= 20);       /* not all at once */
    free(setup.memory);
}

static void test_a_low_temperature_stack_comes_apart_at_170_c_within_130_s(void **state)
{
    (void)state;
    for (int i = 0; i < 2 * GRIDS; i++)
        check_practice(demo_hx210, 170, 130, grids_mm[i / 2], i % 2);
}

static void test_a_higher_melting_stack_comes_apart_at_200_c_within_120_s(void **state)
{
    (void)state;
    for (int i = 0; i < 2 * GRIDS; i++)
        check_practice(demo_hx230, 200, 120, grids_mm[i / 2], i % 2);
}

/* Seconds from the plate's arrival until the last place of the frame is molten. */
static double last_melt_s(void (*make)(struct board *), double plate_c, double copper_share,
                          double contact_spread, double grid_mm)
{
    struct board board;
    make(&board);
    board.contact_spread = contact_spread;
    for (int i = 0; i < BOARD_LAYERS; i++)
        board.slab[i].copper_share = copper_share;
    struct thermal_setup setup = demo_setup(&board);
    struct thermal thermal;
    lay_on_grid(&thermal, &setup, grid_mm);
    struct drive_result r = drive_to(&thermal, plate_c, false, 900);
    free(setup.memory);
    return r.last_s - r.reach_s;
}

/* Cells of 2 mm have the way to the edge in them, the coarse grid has it as one number. */
static void test_the_coarse_grid_melts_a_frame_when_a_fine_one_does(void **state)
{
    (void)state;
    static const struct {
        void (*make)(struct board *);
        double plate_c, copper_share, contact_spread, within;
    } rows[] = {{demo_hx210, 170, 0.06, 0.6, 0.1}, {demo_hx210, 170, 0.10, 0.6, 0.1},
                {demo_hx210, 170, 0.40, 0.6, 0.1}, {demo_hx210, 170, 0.20, 0, 0.15},
                {demo_hx210, 170, 0.20, 1, 0.15},  {demo_hx230, 200, 0.10, 0.5, 0.1},
                {demo_hx230, 200, 0.20, 0.5, 0.1}, {demo_hx230, 205, 0.20, 0.5, 0.1},
                {demo_hx230, 200, 0.40, 0.5, 0.1}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        double fine_mm = grids_mm[2];
        double coarse_s = last_melt_s(rows[i].make, rows[i].plate_c, rows[i].copper_share,
                                      rows[i].contact_spread, 0);
        double fine_s = last_melt_s(rows[i].make, rows[i].plate_c, rows[i].copper_share,
                                    rows[i].contact_spread, fine_mm);

        print_message("%g C, copper %g, spread %g: all molten +%.0f s, in cells of %g mm +%.0f s\n",
                      rows[i].plate_c, rows[i].copper_share, rows[i].contact_spread, coarse_s,
                      fine_mm, fine_s);
        assert_near(coarse_s, fine_s, rows[i].within * fine_s);
    }
}

static void check_residual_heat(double grid_mm)
{
    struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board);
    struct thermal thermal;
    lay_on_grid(&thermal, &setup, grid_mm);
    struct thermal_input input = idle;
    while (!any_segment_molten(&thermal)) {
        hold(&thermal, &input, 170);
        thermal_step(&thermal, &input, 0.05);
    }
    double at_off = thermal_joint_molten(&thermal, 0), most = at_off;

    for (int i = 0; i < 1200; i++) {
        thermal_step(&thermal, &idle, 0.05);
        most = fmax(most, thermal_joint_molten(&thermal, 0));
    }

    assert_true(most > at_off + 0.1);
    free(setup.memory);
}

static void test_after_heat_off_the_residual_heat_goes_on_melting(void **state)
{
    (void)state;
    check_residual_heat(0);
    check_residual_heat(4);
    check_residual_heat(2);
}

static void test_a_fan_cools_the_bench_from_170_c_to_the_hand_in_4_to_8_minutes(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board);
    struct thermal thermal;
    start(&thermal, &setup);
    thermal_place(&thermal);
    thermal_step_pinned(&thermal, &idle, 170, 300);
    struct thermal_input input = idle;
    input.fan = 1;
    double t_s = 0;

    for (; thermal_plate_c(&thermal) > 48; t_s += 0.1)
        thermal_step(&thermal, &input, 0.1);

    print_message("170 to 48 C with the fan: %.0f s\n", t_s);
    assert_true(t_s >= 240 && t_s <= 480);
}

static void test_a_fan_reaches_the_top_board_too_but_not_the_gap(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board);
    setup.plate.fan_loss_w_k = 0;
    struct thermal still, blown;
    start(&still, &setup);
    thermal_place(&still);
    thermal_step_pinned(&still, &idle, 120, 400);
    thermal_copy(&blown, &still);
    struct thermal_input input = idle;
    input.fan = 1;
    double watts[THERMAL_NODES], calm_watts[THERMAL_NODES];
    thermal_rates(&still, &idle, still.heat_j, calm_watts);
    thermal_rates(&still, &input, still.heat_j, watts);
    int in_gap = still.slab[LAYER_LOWER];

    thermal_step_pinned(&blown, &input, 120, 60);

    assert_near(watts[in_gap], calm_watts[in_gap], 0);
    assert_true(thermal_board_c(&blown) < thermal_board_c(&still) - 3);
}

static void test_two_watts_in_a_shorted_part_show_against_its_neighbours(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board);
    struct thermal thermal;
    start(&thermal, &setup);
    thermal_place(&thermal);
    struct thermal_input input = idle;
    input.rail_part = 3; /* C14 */
    input.rail_w = 0.8 * 0.8 / 0.3;

    thermal_step(&thermal, &input, 30);

    double hot_c = thermal_part_c(&thermal, 3);
    assert_true(hot_c < 200);
    for (int i = 0; i < board.part_count; i++)
        if (i != 3)
            assert_true(hot_c > thermal_part_c(&thermal, i) + 10);
}

/* ---- hands, contacts, misuse ---- */

static void test_the_far_side_of_a_board_lags_the_side_that_touches_best(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board);
    struct thermal thermal;
    start(&thermal, &setup);
    thermal_place(&thermal);

    thermal_step_pinned(&thermal, &idle, 120, 40);

    for (int i = 1; i < SLAB_CELLS; i++)
        assert_true(thermal.temp_c[thermal.slab[LAYER_LOWER] + i] <
                    thermal.temp_c[thermal.slab[LAYER_LOWER] + i - 1]);
    assert_true(thermal_joint_hottest_c(&thermal, 0) > thermal_joint_coldest_c(&thermal, 0) + 5);
}

static void test_flux_between_insert_and_board_warms_it_faster(void **state)
{
    (void)state;
    struct board boards[2];
    struct thermal thermal[2];
    for (int i = 0; i < 2; i++) {
        demo_hx210(&boards[i]);
        boards[i].flux = i ? FLUX_WET : FLUX_DRY;
        struct thermal_setup setup = demo_setup(&boards[i]);
        start(&thermal[i], &setup);
        thermal_place(&thermal[i]);
        thermal_step_pinned(&thermal[i], &idle, 150, 30);
    }

    assert_true(thermal_board_c(&thermal[1]) > thermal_board_c(&thermal[0]) + 2);
}

static void test_pressing_warms_the_board_faster_and_release_undoes_it_exactly(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board);
    struct thermal dry, pressed, released;
    start(&dry, &setup);
    thermal_place(&dry);
    thermal_copy(&pressed, &dry);
    thermal_press(&pressed, true);
    thermal_copy(&released, &pressed);
    thermal_press(&released, false);

    thermal_step_pinned(&dry, &idle, 150, 30);
    thermal_step_pinned(&pressed, &idle, 150, 30);
    thermal_step_pinned(&released, &idle, 150, 30);

    assert_true(thermal_board_c(&pressed) > thermal_board_c(&dry) + 5);
    assert_memory_equal(released.heat_j, dry.heat_j, (size_t)dry.nodes * sizeof *dry.heat_j);
}

static void test_a_lift_tells_how_much_solder_was_still_solid(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board);
    struct thermal cold, hot;
    start(&cold, &setup);
    thermal_place(&cold);
    thermal_copy(&hot, &cold);
    struct drive_result r = drive_to(&hot, 175, true, 900);
    assert_true(r.last_s > 0);

    assert_near(thermal_lift_upper(&cold), 1, 0);
    assert_near(thermal_lift_upper(&hot), 0, 0);
    assert_false(hot.upper_on);
    assert_near(thermal_lift_upper(&hot), 0, 0); /* nothing left to lift */
}

static void test_a_lifted_part_leaves_the_network(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board);
    struct thermal thermal;
    start(&thermal, &setup);
    thermal_place(&thermal);
    thermal_step_pinned(&thermal, &idle, 120, 60);

    double torn = thermal_lift_part(&thermal, 1); /* U2, its solder solid */

    assert_near(torn, 1, 0);
    assert_near(thermal_part_c(&thermal, 1), 25, 0);
    assert_near(thermal_lift_part(&thermal, 99), 0, 0);
    assert_near(thermal.put_j, thermal.lost_j + thermal_stored_j(&thermal), 1e-6);
}

static void test_a_forecast_agrees_with_what_then_happens(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board);
    struct thermal thermal;
    start(&thermal, &setup);
    thermal_place(&thermal);
    thermal_step_pinned(&thermal, &idle, 120, 120);
    thermal_step_pinned(&thermal, &idle, 172, 5);
    double melt_s = thermal_foresee(&thermal, &idle, true, 0, true, 600);
    struct thermal later;
    thermal_copy(&later, &thermal);
    double took_s = 0;
    for (; thermal_joint_molten(&later, 0) < 1; took_s += 0.05)
        thermal_step_pinned(&later, &idle, 172, 0.05);
    double solid_s = thermal_foresee(&later, &idle, false, 0, false, 600);
    double froze_s = 0;
    for (; thermal_joint_molten(&later, 0) > 0; froze_s += 0.05)
        thermal_step(&later, &idle, 0.05);

    print_message("melt: %.1f foreseen, %.1f came; solid: %.1f foreseen, %.1f came\n", melt_s,
                  took_s, solid_s, froze_s);
    assert_near(melt_s, took_s, 1.5);
    assert_near(solid_s, froze_s, 1.5);
    assert_near(thermal_foresee(&later, &idle, true, 0, false, 600), 0, 0);
    thermal_step_pinned(&later, &idle, 100, 1);
    assert_near(thermal_foresee(&later, &idle, true, 0, true, 600), -1, 0);
}

static void test_nonsense_is_refused_with_a_sentence(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct thermal thermal;
    struct tl_error error;
    struct thermal_setup setup = demo_setup(&board);

    setup.plate.capacity_j_k = NAN;
    assert_int_equal(thermal_init(&thermal, &setup, &error), TL_RANGE);
    assert_has(error.text, "plate");
    setup = demo_setup(&board);
    board.joint[0].share[3] = 0.5;
    assert_int_equal(thermal_init(&thermal, &setup, &error), TL_RANGE);
    assert_has(error.text, "frame");
    demo_hx210(&board);
    snprintf(board.joint[1].part, sizeof board.joint[1].part, "U77");
    assert_int_equal(thermal_init(&thermal, &setup, &error), TL_UNKNOWN);
    assert_has(error.text, "U77");
    demo_hx210(&board);
    board.part[2].x_mm = 61;
    assert_int_equal(thermal_init(&thermal, &setup, &error), TL_RANGE);
    assert_has(error.text, "U3");
    demo_hx210(&board);
    board.part_count = BOARD_PARTS + 1;
    assert_int_equal(thermal_init(&thermal, &setup, &error), TL_FULL);
}

static void test_a_board_too_quick_for_any_rehearsal_is_refused_by_name(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct tl_error error;
    board.joint[1].mass_g = 1e-4;
    board.joint[1].contact_w_k = 100;
    assert_int_equal(thermal_check_board(&board, &error), TL_RANGE);
    assert_string_equal(error.token, "pmic");
    assert_has(error.text, "board hx210");
    assert_has(error.text, "joint pmic");

    demo_hx210(&board);
    board.joint[1].mass_g = 10;
    board.joint[1].contact_w_k = 100;
    assert_int_equal(thermal_check_board(&board, &error), TL_RANGE);
    assert_string_equal(error.token, "U2");

    demo_hx210(&board); /* the smallest part that is made, 0.4 x 0.2 x 0.13 mm, passes */
    board.part[2].length_mm = 0.4;
    board.part[2].width_mm = 0.2;
    board.part[2].thick_mm = 0.13;
    assert_int_equal(thermal_check_board(&board, &error), 0);
}

static double wild(uint32_t *seed)
{
    static const double sizes[] = {0, 1, -1, 1e3, 1e9, 1e100, 1e308, NAN, HUGE_VAL, -HUGE_VAL};
    *seed = *seed * 1664525 + 1013904223;
    return sizes[(*seed >> 16) % (sizeof sizes / sizeof sizes[0])];
}

static void test_inputs_of_any_size_end_in_no_crash(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board);
    uint32_t seed = 1;
    for (int round = 0; round < 200; round++) {
        struct thermal thermal;
        start(&thermal, &setup);
        thermal_place(&thermal);
        for (int i = 0; i < 5; i++) {
            struct thermal_input input = {.heater_w = wild(&seed),
                                          .fan = wild(&seed),
                                          .draft = wild(&seed),
                                          .rail_w = wild(&seed),
                                          .rail_part = i - 1,
                                          .hand_w = wild(&seed),
                                          .hand_part = 3 - i};
            thermal_step(&thermal, &input, 0.1);
            thermal_step_pinned(&thermal, &input, wild(&seed), 0.1);
            thermal_foresee(&thermal, &input, i % 2, 0, i % 3, 60);
            thermal_joint_molten(&thermal, 0);
        }
    }
}

/* What hand_heat may ask for at most. */
static void test_the_hottest_hand_on_the_smallest_part_stays_a_number(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board);
    struct thermal thermal;
    struct thermal_input input = idle;
    start(&thermal, &setup);
    thermal_place(&thermal);
    input.hand_w = THERMAL_HAND_W;
    for (int part = 0; part < board.part_count; part++) {
        input.hand_part = part;
        thermal_step(&thermal, &input, 60);
        for (int i = 0; i < thermal.nodes; i++)
            assert_true(isfinite(thermal.temp_c[i]));
    }
}

static void test_the_fullest_board_fits_and_stays_stable(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    for (int i = board.part_count; i < BOARD_PARTS; i++) {
        board.part[i] = board.part[3];
        snprintf(board.part[i].name, sizeof board.part[i].name, "C%d", 100 + i);
    }
    board.part_count = BOARD_PARTS;
    for (int i = 0; i < BOARD_JOINTS; i++) {
        board.joint[i] = board.joint[0];
        snprintf(board.joint[i].name, sizeof board.joint[i].name, "frame%d", i);
    }
    board.joint_count = BOARD_JOINTS;
    struct thermal_setup setup = demo_setup(&board);
    struct thermal thermal;
    start(&thermal, &setup);
    thermal_place(&thermal);
    assert_true(thermal.nodes <= THERMAL_NODES);
    assert_true(thermal.links <= THERMAL_LINKS);

    thermal_step_pinned(&thermal, &idle, 150, 600);

    for (int i = 0; i < thermal.nodes; i++)
        assert_true(thermal.temp_c[i] > 25 && thermal.temp_c[i] <= 150);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_heated_block_rises_as_a_lumped_capacitance_does),
        cmocka_unit_test(test_a_cooling_block_follows_the_exponential),
        cmocka_unit_test(test_free_convection_agrees_with_the_textbook_relation),
        cmocka_unit_test(test_the_loss_table_agrees_with_the_relation_it_was_made_from),
        cmocka_unit_test(test_radiation_follows_the_fourth_power),
        cmocka_unit_test(test_laminate_conducts_by_the_parallel_and_series_rules),
        cmocka_unit_test(test_the_way_to_the_edge_is_the_torsion_of_a_bar),
        cmocka_unit_test(test_a_touched_sheet_is_a_fin),
        cmocka_unit_test(test_melting_a_gram_takes_its_latent_heat),
        cmocka_unit_test(test_temperature_and_content_are_each_others_inverse),
        cmocka_unit_test(test_the_network_agrees_with_cvode_over_a_whole_recipe),
        cmocka_unit_test(test_no_energy_is_lost_or_made_over_a_whole_recipe),
        cmocka_unit_test(test_a_low_temperature_stack_comes_apart_at_170_c_within_130_s),
        cmocka_unit_test(test_a_higher_melting_stack_comes_apart_at_200_c_within_120_s),
        cmocka_unit_test(test_the_coarse_grid_melts_a_frame_when_a_fine_one_does),
        cmocka_unit_test(test_after_heat_off_the_residual_heat_goes_on_melting),
        cmocka_unit_test(test_a_fan_cools_the_bench_from_170_c_to_the_hand_in_4_to_8_minutes),
        cmocka_unit_test(test_a_fan_reaches_the_top_board_too_but_not_the_gap),
        cmocka_unit_test(test_two_watts_in_a_shorted_part_show_against_its_neighbours),
        cmocka_unit_test(test_the_far_side_of_a_board_lags_the_side_that_touches_best),
        cmocka_unit_test(test_flux_between_insert_and_board_warms_it_faster),
        cmocka_unit_test(test_pressing_warms_the_board_faster_and_release_undoes_it_exactly),
        cmocka_unit_test(test_a_lift_tells_how_much_solder_was_still_solid),
        cmocka_unit_test(test_a_lifted_part_leaves_the_network),
        cmocka_unit_test(test_a_forecast_agrees_with_what_then_happens),
        cmocka_unit_test(test_nonsense_is_refused_with_a_sentence),
        cmocka_unit_test(test_a_board_too_quick_for_any_rehearsal_is_refused_by_name),
        cmocka_unit_test(test_inputs_of_any_size_end_in_no_crash),
        cmocka_unit_test(test_the_hottest_hand_on_the_smallest_part_stays_a_number),
        cmocka_unit_test(test_the_fullest_board_fits_and_stays_stable),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
