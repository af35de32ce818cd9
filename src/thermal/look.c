/* SPDX-License-Identifier: MIT */
/* Looking at the network. */
#include <math.h>

#include "tinlatch/thermal.h"

int thermal_places(const struct thermal *thermal, int joint)
{
    return thermal->segments[joint] * thermal->places[joint];
}

double thermal_plate_c(const struct thermal *thermal)
{
    return thermal->temp_c[thermal->plate];
}

double thermal_board_c(const struct thermal *thermal)
{
    if (!thermal->placed)
        return thermal->room_c;
    enum board_layer top = thermal->upper_on ? LAYER_UPPER : LAYER_LOWER;
    int nx = thermal->cells_x, ny = thermal->cells_y,
        first = nx - (nx + SLAB_CELLS - 1) / SLAB_CELLS;
    int face = thermal->slab[top] + (thermal->cells_z[top] - 1) * nx * ny;
    double sum_c = 0;
    for (int y = 0; y < ny; y++)
        for (int x = first; x < nx; x++)
            sum_c += thermal->temp_c[face + y * nx + x];
    return sum_c / (ny * (nx - first));
}

double thermal_part_c(const struct thermal *thermal, int part)
{
    int node = thermal->part[part];
    return node >= 0 && thermal->node[node].there ? thermal->temp_c[node] : thermal->room_c;
}

/* Coldest (sign 1) or hottest (sign -1) segment; the room when none is there. */
static double extreme_c(const struct thermal *thermal, int joint, double sign)
{
    double found = HUGE_VAL;
    for (int i = 0; i < thermal_places(thermal, joint); i++) {
        int node = thermal->segment[joint][0] + i;
        double here = sign * thermal->temp_c[node];
        if (thermal->node[node].there && here < found)
            found = here;
    }
    return found == HUGE_VAL ? thermal->room_c : sign * found;
}

double thermal_joint_coldest_c(const struct thermal *thermal, int joint)
{
    return extreme_c(thermal, joint, 1);
}

double thermal_joint_hottest_c(const struct thermal *thermal, int joint)
{
    return extreme_c(thermal, joint, -1);
}

double thermal_joint_molten(const struct thermal *thermal, int joint)
{
    double molten_j = 0, latent_j = 0;
    for (int i = 0; i < thermal_places(thermal, joint); i++) {
        int at = thermal->segment[joint][0] + i;
        const struct thermal_node *node = &thermal->node[at];
        if (!node->there)
            continue;
        molten_j += node->latent_j * thermal_molten_of(node, thermal->heat_j[at]);
        latent_j += node->latent_j;
    }
    return latent_j > 0 ? molten_j / latent_j : 0;
}

double thermal_stored_j(const struct thermal *thermal)
{
    double sum = 0;
    for (int i = 0; i < thermal->nodes; i++)
        sum += thermal->heat_j[i];
    return sum;
}
