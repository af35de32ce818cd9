/* SPDX-License-Identifier: MIT */
/* Heat content <-> temperature. A node's state is its content above 0 C, solid; between solidus and
 * liquidus the latent heat is taken up in proportion, so no plateau has to be detected. */
#include "tinlatch/thermal.h"

/* Contents where melting begins and ends. */
static double solid_j(const struct thermal_node *node)
{
    return node->capacity_j_k * node->solidus_c;
}

static double liquid_j(const struct thermal_node *node)
{
    return node->capacity_j_k * node->liquidus_c + node->latent_j;
}

double thermal_temp_of(const struct thermal_node *node, double heat_j)
{
    if (node->latent_j <= 0 || heat_j <= solid_j(node))
        return heat_j / node->capacity_j_k;
    if (heat_j >= liquid_j(node))
        return (heat_j - node->latent_j) / node->capacity_j_k;
    return node->solidus_c + (node->liquidus_c - node->solidus_c) * (heat_j - solid_j(node)) /
                                 (liquid_j(node) - solid_j(node));
}

double thermal_molten_of(const struct thermal_node *node, double heat_j)
{
    if (node->latent_j <= 0 || heat_j <= solid_j(node))
        return 0;
    if (heat_j >= liquid_j(node))
        return 1;
    return (heat_j - solid_j(node)) / (liquid_j(node) - solid_j(node));
}

double thermal_heat_of(const struct thermal_node *node, double temp_c)
{
    double sensible = node->capacity_j_k * temp_c;
    if (node->latent_j <= 0 || temp_c <= node->solidus_c)
        return sensible;
    if (temp_c >= node->liquidus_c)
        return sensible + node->latent_j;
    return sensible +
           node->latent_j * (temp_c - node->solidus_c) / (node->liquidus_c - node->solidus_c);
}
