/* SPDX-License-Identifier: MIT */
/* splitmix64 (Steele, Lea, Flood, OOPSLA 2014); normals without libm, so that every machine draws the
 * same bits. */
#include "tinlatch/world.h"

uint64_t random_next(struct random *random)
{
    uint64_t z = (random->state += 0x9E3779B97F4A7C15u);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return z ^ (z >> 31);
}

double random_unit(struct random *random)
{
    return (double)(random_next(random) >> 11) * 0x1p-53;
}

/* Twelve uniforms less six: deviation 1, and near enough a normal within its cut. */
double random_normal(struct random *random)
{
    double sum = -6;
    for (int i = 0; i < 12; i++)
        sum += random_unit(random);
    return sum > 3 ? 3 : sum < -3 ? -3 : sum;
}
