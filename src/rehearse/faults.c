/* SPDX-License-Identifier: MIT */
#include "tinlatch/rehearse.h"
#include "tinlatch/world.h"

void faults_write(FILE *out)
{
    fputs("what can break in a rehearsal, each as --fault NAME@SECONDS, such as --fault "
          "sensor-open@120:\n",
          out);
    for (int i = 0; i < world_fault_count; i++)
        fprintf(out, "  %-20s %s\n", world_faults[i].name, world_faults[i].help);
}
