/* SPDX-License-Identifier: MIT */
/* thermal_bench - what 900 s of bench time cost.
 *
 *   thermal_bench            one line per part: the network alone, the world, the estimate
 *   thermal_bench network    runs the network alone once (for timing from outside) and prints four
 *                            temperatures at five instants
 *   thermal_bench spice      the same network as an ngspice netlist that measures the same instants
 *
 * In the netlist a volt is a degree Celsius, a farad a J/K, an ampere a watt. Radiation is a behavioural
 * source with the same equation. Free convection uses air at one film temperature (of a face at 120 C)
 * instead of the table by temperature, which changes board temperatures by some tenths of a kelvin. The
 * latent heat is a capacitor whose charge is the node's heat content. */
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "demo_world.h"
#include "tinlatch/estimate.h"

#define STEP_S 0.05

static const struct phase {
    double until_s, heater_w, fan;
} phases[] = {{130, 600, 0}, {170, 140, 0}, {240, 600, 0}, {380, 190, 0}, {470, 0, 0}, {900, 0, 1}};
enum { PHASES = sizeof phases / sizeof phases[0] };

static const double instants_s[] = {100, 240, 380, 500, 900};
enum { INSTANTS = sizeof instants_s / sizeof instants_s[0] };

static const struct phase *phase_at(double t_s)
{
    for (int i = 0; i < PHASES; i++)
        if (t_s < phases[i].until_s - 1e-9)
            return &phases[i];
    return &phases[PHASES - 1];
}

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t); /* the machine may be busy */
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static int network(struct thermal *thermal, const struct board *board)
{
    struct thermal_setup setup = demo_setup(board);
    struct tl_error error;
    if (thermal_init(thermal, &setup, &error)) {
        fprintf(stderr, "thermal_bench: %s\n", error.text);
        return 1;
    }
    thermal_place(thermal);
    return 0;
}

static void run_network(struct thermal *thermal, bool tell)
{
    struct thermal_input input = {.draft = 1, .rail_part = -1, .hand_part = -1};
    int next = 0;
    for (int i = 0; i < (int)(900 / STEP_S); i++) {
        const struct phase *phase = phase_at(i * STEP_S);
        input.heater_w = phase->heater_w;
        input.fan = phase->fan;
        thermal_step(thermal, &input, STEP_S);
        if (!tell || next >= INSTANTS || (i + 1) * STEP_S < instants_s[next] - 1e-9)
            continue;
        printf("t=%g plate=%.3f first=%.3f far=%.3f board=%.3f\n", instants_s[next++],
               thermal_plate_c(thermal), thermal->temp_c[thermal->segment[0][0]],
               thermal->temp_c[thermal->segment[0][4]], thermal_board_c(thermal));
    }
}

/* ---- the netlist ---- */

/* Charge counted from the room: ngspice starts such a capacitor empty, whatever .ic says. */
static void spice_latent(int i, const struct thermal_node *node, double room_c)
{
    printf("c%d n%d 0 q='%.9g*(v(n%d)-%g)+%.9g*min(max((v(n%d)-%.9g)/%.9g,0),1)'\n", i, i,
           node->capacity_j_k, i, room_c, node->latent_j, i, node->solidus_c,
           node->liquidus_c - node->solidus_c);
}

static void spice_faces(const struct thermal *thermal)
{
    const struct thermal_plan *plan = &thermal->plan;
    double at_c = 120, above = at_c - thermal->room_c;
    double h = thermal_convection_w_m2k(at_c, thermal->room_c, thermal->air_length_m);
    double per_m2 = h / pow(above, 0.25);
    for (int i = 0; i < plan->faces; i++) {
        int n = plan->face[i];
        printf(
            "bface%d n%d 0 i='%.9g*(v(n%d)-%g)+%.9g*v(fan)*(v(n%d)-%g)"
            "+%.9g*((v(n%d)+273.15)^4-%.12g)+%.9g*(v(n%d)-%g)*sqrt(sqrt(abs(v(n%d)-%g)+1e-6))'\n",
            n, n, plan->face_w_k[i], n, thermal->room_c, plan->face_fan_w_k[i], n, thermal->room_c,
            plan->face_sky[i], n, plan->sky_k4, plan->face_air[i] * per_m2, n, thermal->room_c, n,
            thermal->room_c);
    }
}

/* A source that steps where the phases do, over a millisecond. */
static void spice_steps(const char *head, bool fan)
{
    printf("%s pwl(0 %g", head, fan ? phases[0].fan : phases[0].heater_w);
    for (int i = 1; i < PHASES; i++) {
        double at_s = phases[i - 1].until_s;
        printf(" %g %g %g %g", at_s, fan ? phases[i - 1].fan : phases[i - 1].heater_w, at_s + 1e-3,
               fan ? phases[i].fan : phases[i].heater_w);
    }
    printf(")\n");
}

static void spice_measure(const struct thermal *thermal)
{
    const struct {
        const char *name;
        int node;
    } seen[] = {{"plate", thermal->plate},
                {"first", thermal->segment[0][0]},
                {"far", thermal->segment[0][4]},
                {"board", thermal->slab[LAYER_UPPER] + SLAB_CELLS - 1}};
    for (int i = 0; i < INSTANTS; i++)
        for (int k = 0; k < 4; k++)
            printf(".meas tran %s_%g find v(n%d) at=%g\n", seen[k].name, instants_s[i],
                   seen[k].node, instants_s[i] - (i == INSTANTS - 1 ? 0.01 : 0));
}

static void spice(const struct thermal *thermal)
{
    printf("the demo bench with hx210 on it: volts are degrees C, amperes watts\n");
    for (int i = 0; i < thermal->nodes; i++) {
        const struct thermal_node *node = &thermal->node[i];
        if (node->latent_j > 0)
            spice_latent(i, node, thermal->room_c);
        else
            printf("c%d n%d 0 %.9g\n", i, i, node->capacity_j_k);
    }
    for (int i = 0; i < thermal->links; i++)
        if (thermal->node[thermal->link[i].from].there && thermal->node[thermal->link[i].to].there)
            printf("r%d n%d n%d %.9g\n", i, thermal->link[i].from, thermal->link[i].to,
                   1 / thermal->link[i].w_k);
    spice_faces(thermal);
    char head[32];
    snprintf(head, sizeof head, "iheat 0 n%d", thermal->element);
    spice_steps(head, false);
    spice_steps("vfan fan 0", true);
    printf(".ic");
    for (int i = 0; i < thermal->nodes; i++)
        printf(" v(n%d)=%g", i, thermal->room_c);
    printf("\n.save v(n%d)\n", thermal->plate);
    for (int i = 0; i < 3; i++)
        printf(".save v(n%d)\n", i == 0   ? thermal->segment[0][0]
                                 : i == 1 ? thermal->segment[0][4]
                                          : thermal->slab[LAYER_UPPER] + SLAB_CELLS - 1);
    spice_measure(thermal);
    printf(".tran 0.1 900 0 0.1 uic\n.end\n"); /* no longer step than a scan */
}

/* ---- the parts of a rehearsal ---- */

static double time_network(const struct thermal *from)
{
    double best_s = 1e9;
    for (int i = 0; i < 5; i++) {
        struct thermal thermal;
        thermal_copy(&thermal, from);
        double began_s = now_s();
        run_network(&thermal, false);
        best_s = fmin(best_s, now_s() - began_s);
    }
    return best_s;
}

/* 18000 advances, nobody talking. */
static double time_advances(const struct board *board)
{
    struct world *world = demo_world(board, 1, 1);
    world_hand(world, HAND_PLACE, -1);
    double began_s = now_s();
    for (int i = 1; i <= 18000; i++)
        world_advance(world, i * 50);
    double took_s = now_s() - began_s;
    world_free(world);
    return took_s;
}

/* 9000 periods: a set (written once: the check is the host's work), two advances, the answer. */
static double time_world(const struct board *board)
{
    struct world *world = demo_world(board, 1, 1);
    struct port *port = world_port(world, 0);
    char line[64], answer[128];
    int length = snprintf(line, sizeof line, "1 set d=300 f=0 b=0");
    length += snprintf(line + length, sizeof line - (size_t)length, " *%04X\n",
                       bytes_crc16(line, (size_t)length));
    world_hand(world, HAND_PLACE, -1);
    double began_s = now_s();
    for (int i = 0; i < 9000; i++) {
        port_write(port, line, (size_t)length);
        world_advance(world, i * 100 + 9);
        port_read(port, answer, sizeof answer);
        world_advance(world, (i + 1) * 100);
    }
    double took_s = now_s() - began_s;
    world_free(world);
    return took_s;
}

static double time_estimate(const struct board *board, int *forecasts)
{
    static struct estimate estimate;
    struct plate plate = demo_plate();
    struct insert insert = demo_insert();
    struct tl_error error;
    if (estimate_init(&estimate, &plate, &insert, board, 25, &error))
        return NAN;
    estimate_hand(&estimate, HAND_PLACE, -1);
    double began_s = now_s(), plate_c = 25;
    *forecasts = 0;
    for (int i = 0; i < 9000; i++) {
        double to_c = i < 4000 ? 172 : 30;
        plate_c += 0.1 * fmin(fmax((to_c - plate_c) / 20, -0.5), 0.8);
        struct wire_snapshot snapshot = {
            .t_ms = i * 100, .plate_mc = (int32_t)(plate_c * 1000), .plate_quality = QUALITY_GOOD};
        estimate_step(&estimate, &snapshot);
        struct wire_joint joint;
        for (int k = 0; k < board->joint_count; k++) {
            estimate_joint(&estimate, k, i % 10 == 0, &joint);
            *forecasts += i % 10 == 0 && (joint.melt_ms > 0 || joint.solid_ms > 0);
        }
    }
    return now_s() - began_s;
}

static void table(const struct thermal *thermal, const struct board *board)
{
    double steps = 900 / STEP_S;
    int forecasts = 0;
    double network_s = time_network(thermal), advances_s = time_advances(board);
    double world_s = time_world(board), estimate_s = time_estimate(board, &forecasts);
    printf("network alone   %7.2f ms  %d nodes, %d links, %.0f steps, %.3f us each\n",
           network_s * 1e3, thermal->nodes, thermal->links, steps, network_s / steps * 1e6);
    printf("world_advance   %7.2f ms  18000 of 50 ms, %.3f us each\n", advances_s * 1e3,
           advances_s / 18000 * 1e6);
    printf("world talking   %7.2f ms  9000 periods with one instrument, %.3f us each\n",
           world_s * 1e3, world_s / 9000 * 1e6);
    printf("estimate        %7.2f ms  9000 steps, %d open forecasts\n", estimate_s * 1e3,
           forecasts);
}

int main(int argc, char **argv)
{
    struct board board;
    static struct thermal thermal;
    demo_hx210(&board);
    if (network(&thermal, &board))
        return 1;
    if (argc > 1 && strcmp(argv[1], "spice") == 0)
        spice(&thermal);
    else if (argc > 1 && strcmp(argv[1], "network") == 0)
        run_network(&thermal, true);
    else
        table(&thermal, &board);
    return 0;
}
