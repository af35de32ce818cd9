/* SPDX-License-Identifier: MIT */
#include "tinlatch/board.h"

double board_part_bears_c(const struct board_part *part)
{
    static const double class_c[3][3] = {
        /* below 350, to 2000, above 2000 mm3 */
        {260, 260, 260}, /* thinner than 1.6 mm */
        {260, 250, 245}, /* to 2.5 mm */
        {250, 245, 245}, /* thicker */
    };
    double volume_mm3 = part->length_mm * part->width_mm * part->thick_mm;
    int thick = (part->thick_mm >= 1.6) + (part->thick_mm > 2.5);
    int large = (volume_mm3 >= 350) + (volume_mm3 > 2000);
    return part->max_c > 0 ? part->max_c : class_c[thick][large];
}
