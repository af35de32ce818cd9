/* SPDX-License-Identifier: MIT */
#include "recipe_private.h"

enum { PRIMITIVE_NAMES = 64 };

const char *const *recipe_names(void)
{
    static const char *names[PRIMITIVE_NAMES + 1];
    for (int i = 0; i < primitive_count && i < PRIMITIVE_NAMES; i++)
        names[i] = primitives[i].name;
    return names;
}
