/* SPDX-License-Identifier: MIT */
/* slipped_plates - what one plate sensor that has slipped lets happen.
 *
 *   slipped_plates [SEEDS [table]]   on three plates, one that shows so little has to be seen, in time and while the
 *                                    plate is so cool; "table" prints what becomes of every share on drawn ones */
#include <string.h>

#include "plate_run.h"

enum { SEEDS_UNLESS_TOLD = 5, HOLD_S = 900 };

struct slip {
    double share, lag_s; /* of the rise that it shows; how much more slowly it follows */
    bool hot;            /* at the set-point; else before anything is warm */
    double set_c;
};

struct seen {
    bool tripped;
    double after_s, worst_c; /* since the slip; the true plate at its hottest */
};

static void begin(struct plate_run *run, const struct drawn *drawn, const struct slip *slip,
                  struct random *random)
{
    plate_run_begin(run, drawn, 40, between(random, 0.97, 1.03), random);
    thermal_place(&run->thermal);
    plate_run_heat(run, slip->set_c, 2900);
    if (!slip->hot)
        return;
    while (plate_run_c(run) < slip->set_c - 2 && run->t_ms < 1000 * HOLD_S && plate_run_for(run, 1))
        ;
    plate_run_for(run, 60);
}

static struct seen play(const struct drawn *drawn, const struct slip *slip, struct random *random)
{
    struct plate_run run;
    begin(&run, drawn, slip, random);
    int64_t from_ms = run.t_ms;
    double worst_c = plate_run_c(&run);

    run.coupling = slip->share;
    run.lag_s += slip->lag_s;
    while (run.t_ms < from_ms + 1000 * HOLD_S && plate_run_for(&run, 0.1))
        worst_c = fmax(worst_c, plate_run_c(&run));
    return (struct seen){run.interlock.tripped, (double)(run.t_ms - from_ms) / 1000, worst_c};
}

/* By full-power slope and end temperature 1.6 K/s and 575 C, 1.3 K/s and 530 C, 0.8 K/s and 465 C. */
/* clang-format off */
static const struct {
    double watts, capacity_j_k, loss_w_k, emissivity_area;
    double cold_share, hot_share; /* up to which it has to be seen */
} plates[] = {
    {  400,  250, 0.41, 0.006, 0.3, 0.3 },
    {  800,  600, 1.13, 0.010, 0.3, 0.5 },
    { 1000, 1200, 1.70, 0.015, 0.3, 0.7 },
};
/* clang-format on */

static bool in_time(int p, bool hot, double share, uint64_t seed)
{
    struct random random = {.state = seed * 1000 + (uint64_t)(100 * share) + hot};
    struct drawn drawn = {.plate = {.watts = plates[p].watts,
                                    .capacity_j_k = plates[p].capacity_j_k,
                                    .loss_w_k = plates[p].loss_w_k,
                                    .emissivity_area = plates[p].emissivity_area,
                                    .length_mm = 120,
                                    .width_mm = 100,
                                    .element_lag_s = between(&random, 1, 6),
                                    .sensor_lag_s = between(&random, 1, 3)},
                          .insert = {.capacity_j_k = 45, .plate_w_k = 8, .board_w_k = 1.2}};
    struct slip slip = {share, hot ? between(&random, 0, 15) : between(&random, 10, 30), hot, 220};
    struct seen seen = play(&drawn, &slip, &random);

    if (seen.tripped && seen.after_s <= (hot ? 15 : 120) && seen.worst_c <= (hot ? 237 : 120))
        return true;
    printf("%.0f W, %.0f J/K, a share of %.1f %s, seed %d: %s after %.1f s, the plate at %.1f C\n",
           plates[p].watts, plates[p].capacity_j_k, share, hot ? "hot" : "cold", (int)seed,
           seen.tripped ? "seen" : "unseen", seen.after_s, seen.worst_c);
    return false;
}

static void tell_column(double share, bool hot, long seeds)
{
    double slowest_s = 0, worst_k = -INFINITY;
    int tripped = 0;

    for (long seed = 1; seed <= seeds; seed++) {
        struct random random = {.state = (uint64_t)seed};
        struct drawn drawn = draw(&random);
        drawn.insert.capacity_j_k = fmax(drawn.insert.capacity_j_k, 1);
        drawn.insert.board_w_k = between(&random, 0.8, 3);
        struct slip slip = {share, between(&random, 0, 15), hot, 200};
        struct seen seen = play(&drawn, &slip, &random);
        tripped += seen.tripped;
        slowest_s = seen.tripped ? fmax(slowest_s, seen.after_s) : slowest_s;
        worst_k = fmax(worst_k, seen.worst_c - slip.set_c);
    }
    printf(" %d of %ld | %.1f s | %.0f K |", tripped, seeds, slowest_s, worst_k);
}

int main(int count, char **words)
{
    long seeds = count > 1 ? atol(words[1]) : SEEDS_UNLESS_TOLD;
    static const double shares[] = {0.95, 0.9, 0.85, 0.8, 0.75, 0.6, 0.5, 0.4, 0.3};
    int runs = 0, late = 0;

    for (size_t i = 0; count > 2 && i < sizeof shares / sizeof shares[0]; i++) {
        printf("| %.2f |", shares[i]);
        tell_column(shares[i], true, seeds);
        tell_column(shares[i], false, seeds);
        printf("\n");
    }
    for (int p = 0; p < (int)(sizeof plates / sizeof plates[0]); p++)
        for (int tenths = 0; tenths <= 7; tenths++)
            for (int hot = 0; hot < 2; hot++)
                for (long seed = 1; seed <= seeds; seed++) {
                    double most = hot ? plates[p].hot_share : plates[p].cold_share;
                    if (tenths > 10 * most + 0.5)
                        continue;
                    late += !in_time(p, hot, tenths / 10.0, (uint64_t)seed);
                    runs++;
                }
    printf("%d slips, %d seen too late or not at all\n", runs, late);
    return late > 0;
}
