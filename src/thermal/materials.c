/* SPDX-License-Identifier: MIT */
#include "materials.h"

#include <math.h>
#include <stddef.h>

#include "tinlatch/thermal.h"

/* Dry air at 1 atm. 300 to 400 K: Incropera & DeWitt, table A.4 (checked: mu/rho and k/(rho cp)
 * agree within 0.2 %); the outer rows are of the same table. */
struct air {
    double k; /* kelvin */
    double nu_m2_s, k_w_mk, alpha_m2_s;
};

/* clang-format off */
static const struct air airs[] = {
    { 250, 11.44e-6, 22.3e-3, 15.9e-6 },
    { 300, 15.89e-6, 26.3e-3, 22.5e-6 },
    { 350, 20.92e-6, 30.0e-3, 29.9e-6 },
    { 400, 26.41e-6, 33.8e-3, 38.3e-6 },
    { 450, 32.39e-6, 37.3e-3, 47.2e-6 },
    { 500, 38.79e-6, 40.7e-3, 56.7e-6 },
    { 550, 45.57e-6, 43.9e-3, 66.7e-6 },
    { 600, 52.69e-6, 46.9e-3, 76.9e-6 },
};
/* clang-format on */

enum { AIRS = sizeof airs / sizeof airs[0] };

/* Linear between the rows; the end rows beyond them. */
static struct air air_at(double kelvin)
{
    if (kelvin <= airs[0].k)
        return airs[0];
    for (size_t i = 1; i < AIRS; i++) {
        if (kelvin > airs[i].k)
            continue;
        const struct air *a = &airs[i - 1], *b = &airs[i];
        double share = (kelvin - a->k) / (b->k - a->k);
        return (struct air){
            .k = kelvin,
            .nu_m2_s = a->nu_m2_s + share * (b->nu_m2_s - a->nu_m2_s),
            .k_w_mk = a->k_w_mk + share * (b->k_w_mk - a->k_w_mk),
            .alpha_m2_s = a->alpha_m2_s + share * (b->alpha_m2_s - a->alpha_m2_s),
        };
    }
    return airs[AIRS - 1];
}

double thermal_convection_w_m2k(double surface_c, double room_c, double length_m)
{
    double above_k = fabs(surface_c - room_c);
    if (above_k <= 0 || length_m <= 0)
        return 0;
    double film_k = 0.5 * (surface_c + room_c) + ZERO_C_K;
    struct air air = air_at(film_k);
    double rayleigh =
        GRAVITY * above_k * pow(length_m, 3) / (film_k * air.nu_m2_s * air.alpha_m2_s);
    return 0.54 * pow(rayleigh, 0.25) * air.k_w_mk / length_m;
}

double thermal_in_plane_w_mk(double copper_share)
{
    return copper_share * COPPER_W_MK + (1 - copper_share) * LAMINATE_IN_PLANE_W_MK;
}

double thermal_through_w_mk(double copper_share)
{
    return 1 / (copper_share / COPPER_W_MK + (1 - copper_share) / LAMINATE_THROUGH_W_MK);
}

double thermal_to_edge_k_w(double length_m, double width_m, double sheet_w_k, double touch_w_k)
{
    double longer = fmax(length_m, width_m), shorter = fmin(length_m, width_m), sum = 0;
    for (int n = 1; n <= 9; n += 2)
        sum += tanh(n * PI * longer / (2 * shorter)) / pow(n, 5);
    double of_strip = 1 - 192 / pow(PI, 5) * shorter / longer * sum;
    double even_k_w = shorter / longer / 12 * of_strip / sheet_w_k;
    double fin = sqrt(3 * even_k_w * touch_w_k);
    return fin < 1e-3 ? even_k_w : (fin / tanh(fin) - 1) / touch_w_k;
}

double laminate_j_m3k(double copper_share)
{
    return copper_share * COPPER_KG_M3 * COPPER_J_KGK +
           (1 - copper_share) * LAMINATE_KG_M3 * LAMINATE_J_KGK;
}
