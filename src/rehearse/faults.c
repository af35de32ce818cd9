/* SPDX-License-Identifier: MIT */
#include "tinlatch/rehearse.h"

#include <string.h>

#include "tinlatch/world.h"

static int widest_name(void)
{
    int widest = 0;
    for (int i = 0; i < world_fault_count; i++)
        if (widest < (int)strlen(world_faults[i].name))
            widest = (int)strlen(world_faults[i].name);
    return widest;
}

bool faults_write(FILE *out, const char *name)
{
    bool found = false;
    for (int i = 0; i < world_fault_count; i++) {
        const struct world_fault *fault = &world_faults[i];
        if (name && strcmp(name, fault->name) != 0)
            continue;
        if (!found)
            fputs("what can break in a rehearsal, each as --fault NAME@SECONDS, such as --fault "
                  "sensor-open@120:\n",
                  out);
        found = true;
        fprintf(out, "  %-*s  %s\n", name ? 0 : widest_name(), fault->name, fault->help);
    }
    return found;
}
