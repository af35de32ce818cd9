/* SPDX-License-Identifier: MIT */
/* estimate_bench [DRAWS [FIRST [GRID_MM]]]: how far the live estimate is off, over that many drawn worlds of each demo
 * board, with seeds from FIRST (1) on; the worlds on the coarse grid, or on that one. */
#include "estimate_run.h"

#include <stdlib.h>

enum { MOST = 10000 };

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double share_of(double *sorted, int count, double share)
{
    return sorted[(int)(share * (count - 1) + 0.5)];
}

static void tell(const char *what, double *off_s, int count)
{
    static double size_s[MOST];
    for (int i = 0; i < count; i++)
        size_s[i] = fabs(off_s[i]);
    qsort(off_s, (size_t)count, sizeof *off_s, by_value);
    qsort(size_s, (size_t)count, sizeof *size_s, by_value);
    printf("  %-27s median %+6.1f s; of the size: median %5.1f s, 95 %% within %5.1f s, worst "
           "%5.1f s\n",
           what, share_of(off_s, count, 0.5), share_of(size_s, count, 0.5),
           share_of(size_s, count, 0.95), size_s[count - 1]);
}

/* When the guard beeps: a fifth on top of what is likely, or the late bound. */
static double beep_s(const struct told *o)
{
    return fmax(o->solid_foreseen_s + 0.2 * (o->solid_foreseen_s - o->off_s), o->solid_late_s);
}

static void measure(const struct board *board, double melt_c, bool board_sensor, int draws,
                    uint64_t first, double grid_mm)
{
    static double told_s[MOST], late_s[MOST], foreseen_s[MOST], solid_s[MOST], takes_s[MOST];
    int within = 0, within_foreseen = 0, too_soon = 0;
    int solid_within = 0, solid_too_soon = 0, beeps_too_soon = 0;
    double width_s = 0, solid_width_s = 0;
    for (int i = 0; i < draws; i++) {
        struct told o = play(board, melt_c, (uint64_t)i + first, board_sensor, grid_mm);
        told_s[i] = o.estimate_s - o.world_s;
        late_s[i] = o.late_s - o.world_s;
        foreseen_s[i] = o.forecast_s - o.world_s;
        solid_s[i] = o.solid_foreseen_s - o.solid_s;
        takes_s[i] = o.solid_s - o.off_s;
        solid_within += o.solid_early_s <= o.solid_s && o.solid_s <= o.solid_late_s;
        solid_too_soon += o.solid_late_s < o.solid_s;
        beeps_too_soon += beep_s(&o) < o.solid_s;
        solid_width_s += o.solid_late_s - o.solid_early_s;
        within += o.early_s <= o.world_s && o.world_s <= o.late_s;
        within_foreseen += o.forecast_early_s <= o.world_s && o.world_s <= o.forecast_late_s;
        width_s += o.forecast_late_s - o.forecast_early_s;
        too_soon += o.late_s < o.world_s;
    }
    printf("%s, plate at %.0f C, %s a board sensor, %d draws", board->name, melt_c,
           board_sensor ? "with" : "without", draws);
    if (grid_mm > 0)
        printf(", worlds in cells of %g mm", grid_mm);
    printf("\n");
    tell("molten, likely", told_s, draws);
    tell("molten, cautious", late_s, draws);
    tell("foreseen at temperature", foreseen_s, draws);
    printf("  between early and late      %.1f %% of the melts; cautious too soon: %.1f %%\n",
           100.0 * within / draws, 100.0 * too_soon / draws);
    printf("  foreseen between            %.1f %% of the melts, %.1f s wide on average\n",
           100.0 * within_foreseen / draws, width_s / draws);
    tell("solid, foreseen at heat-off", solid_s, draws);
    qsort(takes_s, (size_t)draws, sizeof *takes_s, by_value);
    printf("  solid between               %.1f %% of them, %.1f s wide on average, of %.0f s; late "
           "one too soon: %.1f %%; beep too soon: %.1f %%\n",
           100.0 * solid_within / draws, solid_width_s / draws, share_of(takes_s, draws, 0.5),
           100.0 * solid_too_soon / draws, 100.0 * beeps_too_soon / draws);
}

int main(int argc, char **argv)
{
    int draws = argc > 1 ? atoi(argv[1]) : 1000;
    uint64_t first = argc > 2 ? strtoull(argv[2], NULL, 10) : 1;
    double grid_mm = argc > 3 ? atof(argv[3]) : 0;
    struct board low, high;
    demo_hx210(&low);
    demo_hx230(&high);
    if (draws < 1 || draws > MOST)
        return 2;
    for (int sensor = 1; sensor >= 0; sensor--) {
        measure(&low, 172, sensor, draws, first, grid_mm);
        measure(&high, 205, sensor, draws, first, grid_mm);
    }
    return 0;
}
