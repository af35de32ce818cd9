/* SPDX-License-Identifier: MIT */
/* estimate_bench [DRAWS [FIRST]]: how far the live estimate is off, over that many drawn worlds of each demo board, with
 * seeds from FIRST (1) on. */
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
    printf("  %-26s median %+6.1f s; of the size: median %5.1f s, 95 %% within %5.1f s, worst "
           "%5.1f s\n",
           what, share_of(off_s, count, 0.5), share_of(size_s, count, 0.5),
           share_of(size_s, count, 0.95), size_s[count - 1]);
}

static void measure(const struct board *board, double melt_c, bool board_sensor, int draws,
                    uint64_t first)
{
    static double told_s[MOST], late_s[MOST], foreseen_s[MOST];
    int within = 0, within_foreseen = 0, too_soon = 0;
    double width_s = 0;
    for (int i = 0; i < draws; i++) {
        struct told o = play(board, melt_c, (uint64_t)i + first, board_sensor);
        told_s[i] = o.estimate_s - o.world_s;
        late_s[i] = o.late_s - o.world_s;
        foreseen_s[i] = o.forecast_s - o.world_s;
        within += o.early_s <= o.world_s && o.world_s <= o.late_s;
        within_foreseen += o.forecast_early_s <= o.world_s && o.world_s <= o.forecast_late_s;
        width_s += o.forecast_late_s - o.forecast_early_s;
        too_soon += o.late_s < o.world_s;
    }
    printf("%s, plate at %.0f C, %s a board sensor, %d draws\n", board->name, melt_c,
           board_sensor ? "with" : "without", draws);
    tell("molten, likely", told_s, draws);
    tell("molten, cautious", late_s, draws);
    tell("foreseen at temperature", foreseen_s, draws);
    printf("  between early and late     %.1f %% of the melts; cautious too soon: %.1f %%\n",
           100.0 * within / draws, 100.0 * too_soon / draws);
    printf("  foreseen between           %.1f %% of the melts, %.1f s wide on average\n",
           100.0 * within_foreseen / draws, width_s / draws);
}

int main(int argc, char **argv)
{
    int draws = argc > 1 ? atoi(argv[1]) : 1000;
    uint64_t first = argc > 2 ? strtoull(argv[2], NULL, 10) : 1;
    struct board low, high;
    demo_hx210(&low);
    demo_hx230(&high);
    if (draws < 1 || draws > MOST)
        return 2;
    for (int sensor = 1; sensor >= 0; sensor--) {
        measure(&low, 172, sensor, draws, first);
        measure(&high, 200, sensor, draws, first);
    }
    return 0;
}
