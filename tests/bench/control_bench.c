/* SPDX-License-Identifier: MIT */
/* control_bench - how long the controller takes to bring a plate to temperature, beside the best that any controller
 * could do under the same ramp limit and with the same power. A matter of bench time: no clock is asked.
 *
 *   control_bench         median and worst ratio over the drawn plates, and how many there were
 *
 * The best is played on the same plate, every hundredth of a second, with its temperature and slope known exactly and
 * no care for what comes after: the heater is full on unless the plate climbs as fast as it may. */
#include "drawn_plates.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "tinlatch/control.h"

#define ROOM_C      22.0
#define SHORT_K     1.0 /* "at temperature": this close below */

#define BEST_STEP_S 0.01
enum { MOST_S = 3600 };

static struct thermal_input heated(double watts)
{
    return (struct thermal_input){.heater_w = watts, .draft = 1, .rail_part = -1, .hand_part = -1};
}

static void set_up(struct thermal *thermal, const struct drawn *drawn)
{
    struct thermal_setup setup = {.plate = drawn->plate,
                                  .insert = drawn->insert,
                                  .room_c = ROOM_C,
                                  .contact_factor = 1,
                                  .mass_factor = 1};
    struct tl_error error;
    if (thermal_init(thermal, &setup, &error) == 0)
        return;
    fprintf(stderr, "control_bench: %s\n", error.text);
    exit(1);
}

/* The heater is full on whenever the plate itself, without a sensor between, climbs slower than it may. */
static double best_s(const struct drawn *drawn)
{
    struct thermal thermal;
    double t_s = 0, before_c = ROOM_C, rate_c_s = 0;
    set_up(&thermal, drawn);
    while (before_c < drawn->target_c - SHORT_K && t_s < MOST_S) {
        struct thermal_input input =
            heated(rate_c_s * 1000 < drawn->ramp_mc_s ? drawn->plate.watts : 0);
        thermal_step(&thermal, &input, BEST_STEP_S);
        t_s += BEST_STEP_S;
        rate_c_s = (thermal_plate_c(&thermal) - before_c) / BEST_STEP_S;
        before_c = thermal_plate_c(&thermal);
    }
    return t_s;
}

static double ours_s(const struct drawn *drawn, struct random *noise)
{
    struct granted granted = {
        .heat = true, .temp_mc = (int32_t)(drawn->target_c * 1000), .ramp_mc_s = drawn->ramp_mc_s};
    struct control control;
    struct thermal thermal;
    double reading_c = ROOM_C;
    int64_t t_ms = 0;

    set_up(&thermal, drawn);
    control_init(&control, &drawn->plate, drawn->insert.capacity_j_k, ROOM_C);
    for (; thermal_plate_c(&thermal) < drawn->target_c - SHORT_K && t_ms < MOST_S * 1000;
         t_ms += 100) {
        double shown_c = reading_c + 0.1 * random_normal(noise);
        struct temp_reading reading = {QUALITY_GOOD, (int32_t)lround(shown_c * 1000), 0};
        struct drive drive;
        control_step(&control, &granted, &reading, 3000, t_ms, &drive);
        struct thermal_input input = heated(drawn->plate.watts * drive.duty_permille / 1000.0);
        thermal_step(&thermal, &input, 0.1);
        reading_c +=
            (thermal_plate_c(&thermal) - reading_c) * (1 - exp(-0.1 / drawn->plate.sensor_lag_s));
    }
    return (double)t_ms / 1000;
}

static int by_size(const void *a, const void *b)
{
    double left = *(const double *)a, right = *(const double *)b;
    return (left > right) - (left < right);
}

int main(int argc, char **argv)
{
    struct random random = {DRAWN_SEED};
    double ratio[DRAWN_PLATES];
    (void)argv;
    for (int i = 0; i < DRAWN_PLATES; i++) {
        struct drawn drawn = draw(&random);
        double ours = ours_s(&drawn, &random), best = best_s(&drawn);
        ratio[i] = ours / best;
        if (argc > 1)
            printf("%4.0f W %5.0f J/K lags %.1f %.1f s, to %3.0f C at %4d mC/s: %6.1f s, best "
                   "%6.1f s, %.3f\n",
                   drawn.plate.watts, drawn.plate.capacity_j_k, drawn.plate.element_lag_s,
                   drawn.plate.sensor_lag_s, drawn.target_c, (int)drawn.ramp_mc_s, ours, best,
                   ratio[i]);
    }
    qsort(ratio, DRAWN_PLATES, sizeof ratio[0], by_size);
    printf("%.3f %.3f %d\n", ratio[DRAWN_PLATES / 2], ratio[DRAWN_PLATES - 1], DRAWN_PLATES);
    return 0;
}
