/* SPDX-License-Identifier: MIT */
/* field_bench - the thermal network on fine grids: 600 s of a stack split on one core.
 *
 *   field_bench             the cost by cells and by steps
 *   field_bench GRID...     on these grids (mm), SUNDIALS CVODE on the same equations (BDF, GMRES without preconditioner)
 *                           at the loosest tolerance that leaves it no further off than our steps are */
#include <cvode/cvode.h>
#include <math.h>
#include <nvector/nvector_serial.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sunlinsol/sunlinsol_spgmr.h>
#include <time.h>

#include "demo_boards.h"
#include "tinlatch/thermal.h"

#define BENCH_S            600.0
#define TWENTY_THOUSAND_MM 0.92 /* cells of an HX-210 */

static const struct phase {
    double until_s, heater_w, fan;
} phases[] = {{130, 600, 0}, {170, 140, 0}, {240, 600, 0}, {380, 190, 0}, {BENCH_S, 0, 0}};
#define RIGHT 1e-9 /* the tolerance of what counts as right */
enum { PHASES = sizeof phases / sizeof phases[0] };

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t); /* the machine may be busy */
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static struct thermal_input input_of(const struct phase *phase)
{
    return (struct thermal_input){.heater_w = phase->heater_w,
                                  .fan = phase->fan,
                                  .draft = 1,
                                  .rail_part = -1,
                                  .hand_part = -1};
}

static struct thermal *field(double grid_mm)
{
    static struct board board;
    demo_hx210(&board);
    struct thermal_setup setup = demo_setup(&board);
    struct tl_error error = {0};
    struct thermal *made = malloc(sizeof *made);
    setup.grid_mm = grid_mm;
    setup.memory = malloc(thermal_bytes(&setup)); /* the program ends soon enough */
    if (!made || !setup.memory || thermal_init(made, &setup, &error)) {
        fprintf(stderr, "field_bench: %s\n", error.text);
        exit(1);
    }
    thermal_place(made);
    return made;
}

static double run(struct thermal *thermal, double step_s)
{
    double began_s = now_s(), t_s = 0;
    thermal->most_step_s = step_s;
    for (int i = 0; i < PHASES; i++) {
        struct thermal_input input = input_of(&phases[i]);
        thermal_step(thermal, &input, phases[i].until_s - t_s);
        t_s = phases[i].until_s;
    }
    return now_s() - began_s;
}

struct reference {
    struct thermal *frame;
    struct thermal_input input;
};

static int rates(realtype t, N_Vector y, N_Vector ydot, void *user)
{
    (void)t;
    struct reference *reference = user;
    thermal_rates(reference->frame, &reference->input, NV_DATA_S(y), NV_DATA_S(ydot));
    return 0;
}

/* Leaves the contents after BENCH_S in heat_j. */
static double run_cvode(double grid_mm, double tolerance, double *heat_j)
{
    struct reference reference = {.frame = field(grid_mm)};
    SUNContext context;
    double t_s = 0, began_s = now_s();
    SUNContext_Create(NULL, &context);
    int n = reference.frame->nodes;
    N_Vector y = N_VNew_Serial(n, context);
    memcpy(NV_DATA_S(y), reference.frame->heat_j, (size_t)n * sizeof(double));
    void *cvode = CVodeCreate(CV_BDF, context);
    CVodeInit(cvode, rates, 0, y);
    CVodeSStolerances(cvode, tolerance, tolerance * 0.1);
    CVodeSetUserData(cvode, &reference);
    CVodeSetLinearSolver(cvode, SUNLinSol_SPGMR(y, SUN_PREC_NONE, 20, context), NULL);
    CVodeSetMaxNumSteps(cvode, 10000000);
    for (int i = 0; i < PHASES; i++) {
        double reached_s;
        reference.input = input_of(&phases[i]);
        CVodeReInit(cvode, t_s, y);
        CVodeSetStopTime(cvode, phases[i].until_s);
        if (CVode(cvode, phases[i].until_s, y, &reached_s, CV_NORMAL) < 0)
            return NAN;
        t_s = phases[i].until_s;
    }
    memcpy(heat_j, NV_DATA_S(y), (size_t)n * sizeof(double));
    return now_s() - began_s;
}

static double off_k(const struct thermal *thermal, const double *heat_j, const double *right_j)
{
    double worst_k = 0;
    for (int i = 0; i < thermal->nodes; i++)
        worst_k = fmax(worst_k, fabs(thermal_temp_of(&thermal->node[i], heat_j[i]) -
                                     thermal_temp_of(&thermal->node[i], right_j[i])));
    return worst_k;
}

static void by_cells(void)
{
    static const double grids_mm[] = {4, 2, 1.4, 1, TWENTY_THOUSAND_MM, 0.8};
    for (size_t i = 0; i < sizeof grids_mm / sizeof grids_mm[0]; i++) {
        struct thermal *thermal = field(grids_mm[i]);
        double took_s = run(thermal, 0.2);
        double step_s = fmin(0.2, thermal->bears_s);
        printf("cells  %4g mm  %6d cells  steps of %5.3f s  %7.3f s  %6.0f times real time  %5.2f "
               "ns a cell and step\n",
               grids_mm[i], thermal->nodes, step_s, took_s, BENCH_S / took_s,
               took_s / (BENCH_S / step_s) / thermal->nodes * 1e9);
    }
}

static void by_steps(void)
{
    for (double step_s = 0.2; step_s > 0.02; step_s /= 2)
        printf("steps  %5.3f s  %7.3f s\n", step_s, run(field(1), step_s));
}

static void against_cvode(double grid_mm)
{
    struct thermal *ours = field(grid_mm);
    size_t bytes = (size_t)ours->nodes * sizeof(double);
    double *right_j = malloc(bytes), *heat_j = malloc(bytes);
    run_cvode(grid_mm, RIGHT, right_j);
    double our_s = run(ours, 0.2), our_k = off_k(ours, ours->heat_j, right_j);
    printf("cvode  %4g mm  %6d cells: ours %.3f s, off by %.4f K at the end\n", grid_mm,
           ours->nodes, our_s, our_k);
    for (double tolerance = 1e-3; tolerance > 1e-8; tolerance /= 10) {
        double took_s = run_cvode(grid_mm, tolerance, heat_j), k = off_k(ours, heat_j, right_j);
        printf("       tolerance %.0e: %8.3f s, off by %.4f K; %.1f times ours\n", tolerance,
               took_s, k, took_s / our_s);
        if (k <= our_k) {
            printf("equal  %4g mm  %6d cells  %.3f s  %.3f s  %.1f\n", grid_mm, ours->nodes, our_s,
                   took_s, took_s / our_s);
            break;
        }
    }
}

int main(int argc, char **argv)
{
    if (argc == 1) {
        by_cells();
        by_steps();
    }
    for (int i = 1; i < argc; i++)
        against_cvode(atof(argv[i]));
    return 0;
}
