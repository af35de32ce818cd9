/* SPDX-License-Identifier: MIT */
/* The thermal network on a fine grid: against closed forms, against a reference solver, against itself. */
#include "check.h"
#include "demo_boards.h"

#include "tinlatch/thermal.h"

#ifdef HAVE_CVODE
#include <cvode/cvode.h>
#include <nvector/nvector_serial.h>
#include <sunlinsol/sunlinsol_spgmr.h>
#endif

static const struct thermal_input idle = {.draft = 1, .rail_part = -1, .hand_part = -1};

static void field_start(struct thermal *field, struct thermal_setup *setup, double grid_mm)
{
    struct tl_error error = {0};
    setup->grid_mm = grid_mm;
    setup->memory = malloc(thermal_bytes(setup) + 1); /* 0 for the coarse one */
    assert_non_null(setup->memory);
    if (thermal_init(field, setup, &error))
        fail_msg("%s", error.text);
}

/* ---- a column: one layer of a small board on an insert, no air, no radiation, one-dimensional ---- */

struct column {
    struct board board;
    struct thermal_setup setup;
    struct thermal field;
    double cell_m, area_m2; /* a cell's thickness; of the whole */
};

/* From every cell of plane z down. */
static void conduct_down(struct thermal *field, int z, double w_k)
{
    int n = field->box.nx * field->box.ny;
    for (int i = 0; i < n; i++)
        field->box.down_w_k[z * n + i] = w_k;
}

/* The contact below becomes `surface_w_m2k` to the bottom face; HUGE_VAL: none between. */
static void column_start(struct column *c, double thick_mm, double grid_mm, double copper,
                         double surface_w_m2k)
{
    memset(c, 0, sizeof *c);
    c->board.slab[LAYER_LOWER] = (struct board_slab){.present = true,
                                                     .length_mm = fmax(4 * grid_mm, 1),
                                                     .width_mm = fmax(3 * grid_mm, 1),
                                                     .thick_mm = thick_mm,
                                                     .copper_share = copper};
    c->setup = demo_setup(&c->board);
    c->setup.insert.plate_w_k = 1000;
    c->setup.upper_present = false;
    field_start(&c->field, &c->setup, grid_mm);
    struct thermal *field = &c->field;
    int cells = field->cells_x * field->cells_y;
    const struct board_slab *slab = &c->board.slab[LAYER_LOWER];
    c->area_m2 = slab->length_mm * slab->width_mm * 1e-6;
    c->cell_m = thick_mm * 1e-3 / field->cells_z[LAYER_LOWER];
    double inside = 0.5 * c->cell_m / thermal_through_w_mk(copper);
    double w_m2k = 1 / (inside + (isinf(surface_w_m2k) ? 0 : 1 / surface_w_m2k));
    for (int i = 0; i < field->nodes; i++)
        field->node[i].area_m2 = 0;
    conduct_down(field, 1, w_m2k * c->area_m2 / cells);
}

static void column_end(struct column *c)
{
    free(c->setup.memory);
}

static double layer_c(const struct column *c, int z)
{
    const struct thermal *field = &c->field;
    int cells = field->cells_x * field->cells_y;
    return field->temp_c[field->slab[LAYER_LOWER] + z * cells + cells / 2];
}

/* Linear between the cells' middles. */
static double depth_c(const struct column *c, double depth_m)
{
    double at = depth_m / c->cell_m - 0.5;
    int z = (int)at;
    return layer_c(c, z) + (at - z) * (layer_c(c, z + 1) - layer_c(c, z));
}

/* The insert follows the plate, which is held. */
static void column_hold(struct column *c, double temp_c, double time_s, double step_s)
{
    c->field.most_step_s = step_s;
    thermal_warm_bench(&c->field, temp_c);
    for (int i = 0; i < c->field.insert_cells; i++)
        c->field.node[c->field.insert + i].capacity_j_k = 1e9;
    thermal_press(&c->field, true); /* to and fro: the plan is made anew */
    thermal_press(&c->field, false);
    thermal_warm_bench(&c->field, temp_c);
    thermal_step_pinned(&c->field, &idle, temp_c, time_s);
}

/* Plane wall of half thickness L, convection on its face: theta in the middle and, from the whole series, soon after
 * the start (Incropera & DeWitt, table 5.1 and section 5.5; recomputed in double precision). Bi = h L / k. */
static double wall_theta(double biot, double fourier, double grid_mm, double step_s)
{
    struct column c;
    double length_m = 1.6e-3, k = thermal_through_w_mk(0);
    double alpha = k / (1900.0 * 1100.0), time_s = fourier * length_m * length_m / alpha;
    column_start(&c, 1.6, grid_mm, 0, biot * k / length_m);
    thermal_place(&c.field);
    column_hold(&c, 125, time_s, step_s);
    /* the middle of the wall is the top of the column: no flow there, so a parabola through the last two */
    int top = c.field.cells_z[LAYER_LOWER] - 1;
    double last_c = layer_c(&c, top), middle_c = last_c + (last_c - layer_c(&c, top - 1)) / 8;
    column_end(&c);
    return (125 - middle_c) / 100;
}

static void test_a_plane_wall_follows_its_series(void **state)
{
    (void)state;
    static const struct {
        double biot, fourier, theta;
    } rows[] = {{0.1, 0.2, 0.993999}, {1, 0.2, 0.950642}, {10, 0.2, 0.829255}, {0.1, 1, 0.922389},
                {1, 0.5, 0.772956},   {1, 1, 0.533861},   {5, 0.5, 0.523210},  {5, 1, 0.220721},
                {10, 0.5, 0.454678},  {10, 1, 0.163818}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
        assert_near(wall_theta(rows[i].biot, rows[i].fourier, 0.25, 0.02), rows[i].theta, 1e-3);
}

/* Halve the cells, halve the steps: what is off from the series falls to a quarter. */
static void test_halving_cells_or_steps_quarters_what_is_off(void **state)
{
    (void)state;
    const double theta = 0.533861; /* Bi 1, Fo 1 */
    /* 3, 7 and 15 cells through */
    double coarse = wall_theta(1, 1, 2, 0.02) - theta, fine = wall_theta(1, 1, 1, 0.02) - theta;
    double finer = wall_theta(1, 1, 0.5, 0.02) - theta;
    double order = log(fabs(coarse / fine)) / log(7.0 / 3);
    double again = log(fabs(fine / finer)) / log(15.0 / 7);
    print_message("grid: off by %.2e, %.2e, %.2e: order %.2f, %.2f\n", coarse, fine, finer, order,
                  again);
    assert_near(order, 2, 0.2);
    assert_near(again, 2, 0.2);

    double limit = wall_theta(1, 1, 1, 0.005), slow = wall_theta(1, 1, 1, 1.6) - limit;
    double half = wall_theta(1, 1, 1, 0.8) - limit, quarter = wall_theta(1, 1, 1, 0.4) - limit;
    print_message("steps: off by %.2e, %.2e, %.2e: order %.2f, %.2f\n", slow, half, quarter,
                  log2(fabs(slow / half)), log2(fabs(half / quarter)));
    assert_near(log2(fabs(slow / half)), 2, 0.3);
    assert_near(log2(fabs(half / quarter)), 2, 0.3);
}

/* Along the board: of what lies evenly through it, insulated all round, cos(pi x / L) cos(pi y / W) decays as
 * exp(-alpha pi^2 (1 / L^2 + 1 / W^2) t), alpha by the parallel rule (Carslaw & Jaeger, sections 3.3 and 5.6). */
static double cosines(double x, double y)
{
    return cos(M_PI * x) * cos(M_PI * y);
}

/* The most that any cell is off after 4 s, of 50 K at first; with some 29 % of them left. */
static double lateral_off_k(double grid_mm)
{
    struct board board = {0};
    board.slab[LAYER_LOWER] = (struct board_slab){
        .present = true, .length_mm = 60, .width_mm = 40, .thick_mm = 0.8, .copper_share = 0.2};
    struct thermal_setup setup = demo_setup(&board);
    setup.upper_present = false;
    struct thermal field;
    field_start(&field, &setup, grid_mm);
    for (int i = 0; i < field.nodes; i++)
        field.node[i].area_m2 = 0;
    conduct_down(&field, 1, 1e-12);
    thermal_place(&field);
    int nx = field.cells_x, ny = field.cells_y, first = field.slab[LAYER_LOWER];
    for (int i = 0; i < nx * ny * field.cells_z[LAYER_LOWER]; i++) {
        double mode = cosines((i % nx + 0.5) / nx, (i / nx % ny + 0.5) / ny);
        field.heat_j[first + i] = (100 + 50 * mode) * field.node[first + i].capacity_j_k;
    }
    thermal_press(&field, true); /* the plan is made anew, from these contents */
    field.most_step_s = 0.01;

    thermal_step(&field, &idle, 4);

    double alpha = thermal_in_plane_w_mk(0.2) / (0.2 * 8933 * 385 + 0.8 * 1900 * 1100);
    double left = exp(-alpha * M_PI * M_PI * (1 / 0.060 / 0.060 + 1 / 0.040 / 0.040) * 4);
    double worst_k = 0;
    for (int i = 0; i < nx * ny; i++) {
        double mode = cosines((i % nx + 0.5) / nx, (i / nx + 0.5) / ny);
        double off_k = fabs(field.temp_c[first + i] - 100 - 50 * left * mode);
        worst_k = isnan(off_k) ? HUGE_VAL : fmax(worst_k, off_k);
    }
    free(setup.memory);
    return worst_k;
}

static void test_halving_cells_along_the_board_quarters_what_is_off(void **state)
{
    (void)state;
    double coarse_k = lateral_off_k(4), fine_k = lateral_off_k(2), finer_k = lateral_off_k(1);
    print_message("along the board: off by %.2e, %.2e, %.2e K: order %.2f, %.2f\n", coarse_k,
                  fine_k, finer_k, log2(coarse_k / fine_k), log2(fine_k / finer_k));
    assert_true(coarse_k < 0.5);
    assert_near(log2(coarse_k / fine_k), 2, 0.1);
    assert_near(log2(fine_k / finer_k), 2, 0.1);
}

/* ---- what parts cover ---- */

/* Everything alike at 105 C, so nothing flows but to the room: what a face loses is its area times convection and
 * radiation (emissivity 0.5; sigma CODATA 2018). A part has its footprint for a face and leaves that much less of the
 * board's, though never less than a fifth of a cell's. */
static void lose_by_faces(double grid_mm, double part_x_mm, double free_m2)
{
    struct board board = {.part_count = 1};
    board.slab[LAYER_LOWER] = (struct board_slab){
        .present = true, .length_mm = 60, .width_mm = 40, .thick_mm = 0.8, .copper_share = 0.2};
    board.part[0] = (struct board_part){.name = "shield",
                                        .on = LAYER_LOWER,
                                        .x_mm = part_x_mm,
                                        .y_mm = 20,
                                        .length_mm = 12,
                                        .width_mm = 16,
                                        .thick_mm = 1};
    struct thermal_setup setup = demo_setup(&board);
    setup.upper_present = false;
    struct thermal field;
    field_start(&field, &setup, grid_mm);
    thermal_place(&field);
    double *watts = malloc((size_t)field.nodes * sizeof *watts);
    assert_non_null(watts);
    for (int i = 0; i < field.nodes; i++)
        field.heat_j[i] = 105 * field.node[i].capacity_j_k;

    thermal_rates(&field, &idle, field.heat_j, watts);

    double length_m = 60 * 40 / 200.0 * 1e-3;
    double air_w_m2 = thermal_convection_w_m2k(105, 25, length_m) * (105 - 25);
    double sky_w_m2 = 0.5 * 5.670374419e-8 * (pow(378.15, 4) - pow(298.15, 4));
    double board_w = 0, part_w = watts[field.part[0]];
    int cells = field.cells_x * field.cells_y * field.cells_z[LAYER_LOWER];
    for (int i = 0; i < cells; i++)
        board_w += watts[field.slab[LAYER_LOWER] + i];
    assert_near(part_w, -192e-6 * (air_w_m2 + sky_w_m2), 1e-3 * fabs(part_w));
    assert_near(board_w, -free_m2 * (air_w_m2 + sky_w_m2), 1e-3 * fabs(board_w));
    free(watts);
    free(setup.memory);
}

static void test_a_part_takes_the_air_from_what_it_covers_and_no_more(void **state)
{
    (void)state;
    lose_by_faces(0, 30, 2400e-6 - 192e-6); /* four cells along, one across */
    lose_by_faces(4, 30, 2400e-6 - 192e-6 * 0.8);
    lose_by_faces(2, 30, 2400e-6 - 192e-6 * 0.8);
    lose_by_faces(2, 4, 2400e-6 - 10 * 16e-6 * 0.8); /* some of it hangs over the edge */
}

/* Carslaw & Jaeger, section 2.4; Incropera & DeWitt, section 5.7. FR-4, k 0.3, rho 1900, c 1100; surface held at
 * 200 from 25 C, 10 s, 1.6 mm deep: 85.3764 C. */
static void test_a_deep_solid_with_a_held_surface_warms_by_the_error_function(void **state)
{
    (void)state;
    struct column c;
    column_start(&c, 8, 0.5, 0, HUGE_VAL);
    thermal_place(&c.field);

    column_hold(&c, 200, 10, 0.02);

    assert_near(depth_c(&c, 1.6e-3), 85.3764, 0.1);
    column_end(&c);
}

/* The same with 5000 W/m2 on its face: after 10 s the face is 22.5316 K up, 1.6 mm deep 5.22605 K. */
static void test_a_deep_solid_under_a_flux_warms_by_ierfc(void **state)
{
    (void)state;
    struct column c;
    column_start(&c, 8, 0.5, 0, 1e-3);
    struct thermal_input input = idle;
    input.hand_w = 5000 * c.area_m2;
    thermal_place(&c.field);
    c.field.most_step_s = 0.02;

    thermal_step(&c.field, &input, 10);

    int top = c.field.cells_z[LAYER_LOWER] - 1;
    double face_c = layer_c(&c, top) + 5000 * 0.5 * c.cell_m / 0.3;
    double deep_c = depth_c(&c, 8e-3 - 1.6e-3);
    assert_near(face_c - 25, 22.5316, 0.03);
    assert_near(deep_c - 25, 5.22605, 0.02);
    column_end(&c);
}

/* Two half-spaces that touch: their face takes (e1 T1 + e2 T2) / (e1 + e2) at once and keeps it, e = sqrt(k rho c)
 * (Incropera & DeWitt, section 5.7). Laminate of 50 % copper at 200 C on plain FR-4, e 791.8, at 25 C. */
static void
test_two_deep_solids_that_touch_share_the_temperature_of_their_effusivities(void **state)
{
    (void)state;
    struct board board = {0};
    board.slab[LAYER_LOWER] = (struct board_slab){
        .present = true, .length_mm = 6, .width_mm = 4.5, .thick_mm = 4, .copper_share = 0};
    board.slab[LAYER_UPPER] = board.slab[LAYER_LOWER];
    board.slab[LAYER_UPPER].copper_share = 0.5;
    struct thermal_setup setup = demo_setup(&board);
    struct thermal field;
    field_start(&field, &setup, 0.5);
    int cells = field.cells_x * field.cells_y, deep = field.cells_z[LAYER_LOWER];
    double hot_k = thermal_through_w_mk(0.5), hot_rho_c = 0.5 * (8933 * 385 + 1900 * 1100);
    double cold_e = sqrt(0.3 * 1900 * 1100), hot_e = sqrt(hot_k * hot_rho_c);
    double cell_m = 4e-3 / deep, area_m2 = 27e-6 / cells;
    int bottom = field.slab[LAYER_UPPER], top = bottom - cells;
    for (int i = 0; i < field.nodes; i++)
        field.node[i].area_m2 = 0;
    conduct_down(&field, 1 + deep, area_m2 / (0.5 * cell_m / hot_k + 0.5 * cell_m / 0.3));
    thermal_place(&field);
    for (int i = 0; i < cells * deep; i++)
        field.heat_j[bottom + i] = 200 * field.node[bottom + i].capacity_j_k;
    thermal_press(&field, true); /* the plan is made anew, from these contents */
    field.most_step_s = 0.005;

    thermal_step(&field, &idle, 1);

    double flux =
        (field.temp_c[bottom] - field.temp_c[top]) / (0.5 * cell_m / hot_k + 0.5 * cell_m / 0.3);
    double face_c = field.temp_c[top] + flux * 0.5 * cell_m / 0.3;
    assert_near(cold_e, 791.833, 0.001);
    assert_near(face_c, (hot_e * 200 + cold_e * 25) / (hot_e + cold_e), 0.2);
    free(setup.memory);
}

/* One-phase Stefan problem (Neumann's solution; Carslaw & Jaeger, chapter 11): a solid at its melting point, its face
 * held 50 K above. k 19, rho 8560, c 167, latent 45 kJ/kg: Ste 0.185556, lambda 0.295790, the front after 1 s at
 * 2.15672 mm. */
static void test_a_melting_front_advances_as_neumann_found(void **state)
{
    (void)state;
    struct column c;
    column_start(&c, 4, 1, 0, HUGE_VAL);
    struct thermal *field = &c.field;
    int first = field->slab[LAYER_LOWER], cells = field->cells_x * field->cells_y;
    int deep = field->cells_z[LAYER_LOWER];
    double volume_m3 = c.area_m2 / cells * c.cell_m, melts_c = 138, width_k = 0.2;
    for (int i = first; i < first + cells * deep; i++) {
        field->node[i].capacity_j_k = 8560 * 167 * volume_m3;
        field->node[i].latent_j = 8560 * 45e3 * volume_m3;
        field->node[i].solidus_c = melts_c - width_k;
        field->node[i].liquidus_c = melts_c;
    }
    for (int z = 1; z <= deep; z++)
        conduct_down(field, z, 19 * c.area_m2 / cells / (z == 1 ? 0.5 * c.cell_m : c.cell_m));
    thermal_place(field);
    for (int i = first; i < first + cells * deep; i++)
        field->heat_j[i] = thermal_heat_of(&field->node[i], melts_c - width_k);

    column_hold(&c, melts_c + 50, 1, 0.001);

    double front_m = 0;
    for (int z = 0; z < deep; z++)
        front_m += c.cell_m * thermal_molten_of(&field->node[first + z * cells],
                                                field->heat_j[first + z * cells]);
    print_message("%d layers: the front at %.4f mm, Neumann 2.1567 mm\n", deep, front_m * 1e3);
    assert_near(front_m * 1e3, 2.15672, 0.01 * 2.15672);
    column_end(&c);
}

/* ---- the whole bench ---- */

/* What a stack split asks of the heater, open loop. */
static const struct {
    double until_s, heater_w, fan;
} split[] = {{130, 600, 0}, {170, 140, 0}, {240, 600, 0}, {380, 190, 0}, {420, 0, 0}, {600, 0, 1}};
enum { SPLIT = sizeof split / sizeof split[0] };

/* The same under a controller, a new heat every tenth of a second: what it asks for, and the board laid down, is all
 * that is put in. */
static const struct {
    double until_s, set_c, fan;
} course[] = {{130, 120, 0}, {170, 120, 0}, {380, 172, 0}, {420, 0, 0}, {600, 0, 1}};

static void keep_books(double grid_mm)
{
    struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board);
    struct thermal field;
    field_start(&field, &setup, grid_mm);
    thermal_place(&field);
    double laid_j = field.put_j, heater_j = 0, molten = 0;
    for (int i = 0, tick = 0; i < (int)(sizeof course / sizeof course[0]); i++) {
        struct thermal_input input = idle;
        input.fan = course[i].fan;
        for (; tick < 10 * course[i].until_s; tick++) {
            double need_w = 60 * (course[i].set_c - thermal_plate_c(&field)) +
                            1.2 * (thermal_plate_c(&field) - field.room_c);
            input.heater_w = course[i].set_c > 0 ? fmin(fmax(need_w, 0), 600) : 0;
            thermal_step(&field, &input, 0.1);
            heater_j += input.heater_w * 0.1;
            molten = fmax(molten, thermal_joint_molten(&field, 0));
        }
        if (course[i].set_c > 120)
            thermal_lift_upper(&field);
    }

    double put_j = laid_j + heater_j, kept_j = thermal_stored_j(&field) + field.lost_j;

    print_message("%d cells: put in %.3f J, stored %.3f J, lost %.3f J: off by %.1e\n", field.nodes,
                  put_j, thermal_stored_j(&field), field.lost_j, fabs(kept_j / put_j - 1));
    assert_near(molten, 1, 0);
    assert_near(field.put_j, put_j, 1e-9 * put_j);
    assert_near(kept_j, put_j, 1e-9 * put_j);
    free(setup.memory);
}

static void test_no_energy_is_lost_or_made_over_a_recipe_on_any_grid(void **state)
{
    (void)state;
    keep_books(0);
    keep_books(4);
    keep_books(2);
#ifndef __SANITIZE_ADDRESS__ /* which would take a minute */
    keep_books(1);
#endif
}

#ifdef HAVE_CVODE
struct reference {
    struct thermal *field;
    struct thermal_input input;
};

static int reference_rates(realtype t, N_Vector y, N_Vector ydot, void *user)
{
    (void)t;
    struct reference *reference = user;
    thermal_rates(reference->field, &reference->input, NV_DATA_S(y), NV_DATA_S(ydot));
    return 0;
}

/* Both through heating, melt and cooling of the split, nothing lifted; the largest difference of any node, looked at every two seconds. */
static double worst_difference_k(struct thermal *field, struct thermal *frame, double *molten)
{
    struct reference reference = {.field = frame};
    SUNContext context;
    int n = field->nodes, second = 0;
    double worst_k = 0;
    assert_int_equal(SUNContext_Create(NULL, &context), 0);
    N_Vector y = N_VNew_Serial(n, context);
    memcpy(NV_DATA_S(y), field->heat_j, (size_t)n * sizeof(double));
    void *cvode = CVodeCreate(CV_BDF, context);
    SUNLinearSolver solver = SUNLinSol_SPGMR(y, SUN_PREC_NONE, 20, context);
    assert_int_equal(CVodeInit(cvode, reference_rates, 0, y), CV_SUCCESS);
    assert_int_equal(CVodeSStolerances(cvode, 1e-7, 1e-7), CV_SUCCESS);
    assert_int_equal(CVodeSetUserData(cvode, &reference), CV_SUCCESS);
    assert_int_equal(CVodeSetLinearSolver(cvode, solver, NULL), CV_SUCCESS);
    assert_int_equal(CVodeSetMaxNumSteps(cvode, 1000000), CV_SUCCESS);
    for (int part = 0; part < SPLIT; part++) {
        reference.input = idle;
        reference.input.heater_w = split[part].heater_w;
        reference.input.fan = split[part].fan;
        assert_int_equal(CVodeReInit(cvode, second, y), CV_SUCCESS);
        while (second < (int)split[part].until_s) {
            double reached;
            second += 2;
            CVodeSetStopTime(cvode, second);
            assert_true(CVode(cvode, second, y, &reached, CV_NORMAL) >= 0);
            thermal_step(field, &reference.input, 2);
            for (int i = 0; i < n; i++) {
                double off_k = field->temp_c[i] - thermal_temp_of(&frame->node[i], NV_DATA_S(y)[i]);
                worst_k = fmax(worst_k, fabs(off_k));
            }
            *molten = fmax(*molten, thermal_joint_molten(field, 0));
        }
    }
    CVodeFree(&cvode);
    SUNLinSolFree(solver);
    N_VDestroy(y);
    SUNContext_Free(&context);
    return worst_k;
}
#endif

#ifdef HAVE_CVODE
static void agree_with_cvode(double grid_mm)
{
    struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board), frame_setup = setup;
    struct thermal field, frame; /* the reference uses the network, not the state */
    field_start(&field, &setup, grid_mm);
    field_start(&frame, &frame_setup, grid_mm);
    thermal_place(&field);
    thermal_place(&frame);
    double molten = 0;

    double worst_k = worst_difference_k(&field, &frame, &molten);

    print_message("%d cells: within %.4f K of CVODE\n", field.nodes, worst_k);
    assert_true(worst_k < 0.1);
    assert_near(molten, 1, 0);
    free(setup.memory);
    free(frame_setup.memory);
}
#endif

static void test_a_fine_grid_agrees_with_cvode_over_a_stack_split(void **state)
{
    (void)state;
#ifdef HAVE_CVODE
    agree_with_cvode(4);
#ifndef __SANITIZE_ADDRESS__
    agree_with_cvode(2);
#endif
#else
    fail_msg("built without SUNDIALS: nothing to compare with");
#endif
}

/* A step of any length may be asked for, whatever the joints conduct: every node comes to lie between room and
 * plate, none beyond. */
static void test_steps_of_any_length_may_be_asked_for(void **state)
{
    (void)state;
    static const double grids_mm[] = {10, 7, 5, 4, 0}, contacts_w_k[] = {1, 8, 60};
    for (int i = 0; i < 15; i++) {
        struct board board;
        (i % 2 ? demo_hx210 : demo_hx230)(&board);
        board.joint[0].contact_w_k = contacts_w_k[i / 5];
        struct thermal_setup setup = demo_setup(&board);
        struct thermal field;
        field_start(&field, &setup, grids_mm[i % 5]);
        thermal_place(&field);
        field.most_step_s = 1e9;
        thermal_step_pinned(&field, &idle, 130, 1200);
        for (int k = 0; k < field.nodes; k++)
            assert_true(field.temp_c[k] > 80 && field.temp_c[k] < 130 + 1e-6);
        free(setup.memory);
    }
}

/* ---- any step, any board, any grid ---- */

static double chance(uint64_t *seed)
{
    *seed = *seed * 6364136223846793005U + 1442695040888963407U;
    return (double)(*seed >> 11) * 0x1p-53;
}

/* Between a and b, each power alike. */
static double drawn(uint64_t *seed, double a, double b)
{
    return a * pow(b / a, chance(seed));
}

struct odd {
    struct board board;
    struct thermal_setup setup;
    struct thermal field;
    double asked_s; /* at once */
};

/* More copper in the vias. */
static void stitch_better(struct thermal *field, enum board_layer layer, double by)
{
    int n = field->cells_x * field->cells_y;
    double *down_w_k = field->box.down_w_k + field->slab[layer] - field->box.first + n;
    double plain_w_k = HUGE_VAL;
    for (int i = 0; i < n * (field->cells_z[layer] - 1); i++)
        plain_w_k = fmin(plain_w_k, down_w_k[i]);
    for (int i = 0; i < n * (field->cells_z[layer] - 1); i++)
        if (down_w_k[i] > plain_w_k * 1.0001)
            down_w_k[i] *= by;
}

/* Layers, contacts, vias, a grid and steps as no demo board has them; false: refused, nothing is that quick. */
static bool odd_start(struct odd *odd, uint64_t seed)
{
    struct tl_error error = {0};
    chance(&seed);
    (chance(&seed) < 0.5 ? demo_hx210 : demo_hx230)(&odd->board);
    for (int i = 0; i < BOARD_LAYERS; i++) {
        odd->board.slab[i].thick_mm = drawn(&seed, 0.2, 5);
        odd->board.slab[i].copper_share = 0.5 * chance(&seed);
        odd->board.slab[i].parts_g = drawn(&seed, 0.5, 50);
    }
    odd->board.joint[0].contact_w_k = drawn(&seed, 0.1, 100);
    odd->board.joint[1].contact_w_k = drawn(&seed, 0.01, 20);
    odd->setup = demo_setup(&odd->board);
    odd->setup.insert.board_w_k = drawn(&seed, 0.1, 100);
    odd->setup.insert.plate_w_k = drawn(&seed, 1, 100);
    odd->setup.grid_mm = chance(&seed) < 0.3 ? 0 : drawn(&seed, 2, 10);
    odd->setup.memory = malloc(thermal_bytes(&odd->setup) + 1);
    assert_non_null(odd->setup.memory);
    if (thermal_init(&odd->field, &odd->setup, &error)) {
        free(odd->setup.memory);
        return false;
    }
    double by = drawn(&seed, 1, 100);
    for (int i = 0; odd->setup.grid_mm > 0 && i < BOARD_LAYERS; i++)
        stitch_better(&odd->field, (enum board_layer)i, by);
    thermal_place(&odd->field);
    odd->field.most_step_s = 1e9;
    odd->asked_s = fmin(pow(10, floor(4 * chance(&seed))), 1000 * odd->field.bears_s);
    return true;
}

/* Cold onto a plate at 200 C, so that frames melt; returns how far the hottest or coldest node ever was from the middle between plate and
 * room. */
static double odd_run(struct odd *odd, double time_s)
{
    double worst_k = 0;
    for (double t_s = 0; t_s < time_s; t_s += odd->asked_s) {
        thermal_step_pinned(&odd->field, &idle, 200, odd->asked_s);
        for (int i = 0; i < odd->field.nodes; i++) {
            double off_k = fabs(odd->field.temp_c[i] - 112.5);
            worst_k = isnan(off_k) ? HUGE_VAL : fmax(worst_k, off_k);
        }
    }
    return worst_k;
}

/* A cell that follows its neighbours within much less than a step overshoots what sets it off, but never by more
 * than that: 112.5 C and three times 87.5 K either way. */
static void test_no_board_grid_or_step_makes_temperatures_grow(void **state)
{
    (void)state;
    int boards = 0, astray = 0;
    for (uint64_t seed = 1; seed <= 80; seed++) {
        struct odd odd;
        if (!odd_start(&odd, seed))
            continue;
        double time_s = 1000 * odd.field.bears_s;
        boards++;

        double worst_k = odd_run(&odd, time_s);

        struct thermal *field = &odd.field;
        double kept_j = thermal_stored_j(field) + field->lost_j;
        if (!(worst_k <= 3 * 87.5))
            fail_msg("board %d: %g K off the middle", (int)seed, worst_k);
        assert_near(kept_j, field->put_j, 1e-9 * field->put_j);
        free(odd.setup.memory);

        odd_start(&odd, seed);
        odd.field.plan.sure_s = HUGE_VAL; /* the factors alone */
        astray += !(odd_run(&odd, time_s) <= 1000);
        free(odd.setup.memory);
    }
    print_message("%d boards: none grows; by the factors alone %d do\n", boards, astray);
    assert_true(astray > 0);
}

/* Two of those that go astray without: nothing flows any more, but into what holds the plate. */
static void test_where_steps_are_taken_back_the_steady_state_is_still_the_end(void **state)
{
    (void)state;
    static const uint64_t seeds[] = {5, 50};
    for (int i = 0; i < 2; i++) {
        struct odd odd;
        assert_true(odd_start(&odd, seeds[i]));
        struct thermal *field = &odd.field;
        double *watts = malloc((size_t)field->nodes * sizeof *watts);
        assert_non_null(watts);

        odd_run(&odd, 6000);

        thermal_rates(field, &idle, field->heat_j, watts);
        assert_true(field->plan.trusted_s < HUGE_VAL);
        for (int k = field->plate + 1; k < field->nodes; k++)
            assert_near(watts[k], 0, 1e-6);
        free(watts);
        free(odd.setup.memory);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_plane_wall_follows_its_series),
        cmocka_unit_test(test_halving_cells_or_steps_quarters_what_is_off),
        cmocka_unit_test(test_halving_cells_along_the_board_quarters_what_is_off),
        cmocka_unit_test(test_a_part_takes_the_air_from_what_it_covers_and_no_more),
        cmocka_unit_test(test_a_deep_solid_with_a_held_surface_warms_by_the_error_function),
        cmocka_unit_test(test_a_deep_solid_under_a_flux_warms_by_ierfc),
        cmocka_unit_test(
            test_two_deep_solids_that_touch_share_the_temperature_of_their_effusivities),
        cmocka_unit_test(test_a_melting_front_advances_as_neumann_found),
        cmocka_unit_test(test_no_energy_is_lost_or_made_over_a_recipe_on_any_grid),
        cmocka_unit_test(test_a_fine_grid_agrees_with_cvode_over_a_stack_split),
        cmocka_unit_test(test_steps_of_any_length_may_be_asked_for),
        cmocka_unit_test(test_no_board_grid_or_step_makes_temperatures_grow),
        cmocka_unit_test(test_where_steps_are_taken_back_the_steady_state_is_still_the_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
