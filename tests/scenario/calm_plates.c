/* SPDX-License-Identifier: MIT */
/* calm_plates - what happens at a bench every day must trip nothing: each row of the table on plates drawn at random.
 *
 *   calm_plates [SEEDS [FIRST]]   per row; a plate that trips is told with its seed, and fails the test */
#include "plate_run.h"

enum { SEEDS_UNLESS_TOLD = 40 };

static double some(struct plate_run *run, double low, double high)
{
    return between(&run->random, low, high);
}

static void hold(struct plate_run *run, double at_c, double for_s)
{
    plate_run_heat(run, at_c, (int32_t)some(run, 300, 2900));
    plate_run_for(run, for_s);
}

static void place(struct plate_run *run)
{
    run->want.hand = HAND_PLACE;
    plate_run_for(run, some(run, 2, 30));
    thermal_place(&run->thermal);
    plate_run_for(run, 12); /* a hand is told of for some seconds more */
    run->want.hand = HAND_NONE;
}

static void a_whole_run(struct plate_run *run)
{
    place(run);
    hold(run, some(run, 100, 150), some(run, 60, 300));
    hold(run, some(run, 150, 230), some(run, 100, 400));
    plate_run_heat(run, 0, 0);
    run->around.fan = 1;
    plate_run_for(run, 400);
}

static void board_on_a_hot_plate(struct plate_run *run)
{
    hold(run, 220, 500);
    place(run);
    plate_run_for(run, 400);
}

static void in_a_draft(struct plate_run *run, double draft)
{
    hold(run, some(run, 100, 220), 400);
    run->around.draft = draft;
    plate_run_for(run, 200);
    run->around.draft = 1;
    plate_run_for(run, 200);
}

static void a_window_opened_and_closed(struct plate_run *run)
{
    in_a_draft(run, 1.5);
}

static void a_desk_fan(struct plate_run *run)
{
    in_a_draft(run, 3);
}

static void a_coarse_reader_in_a_draft(struct plate_run *run)
{
    run->step_mc = 1000;
    run->noise_k = some(run, 0, 0.3);
    in_a_draft(run, some(run, 1.5, 3));
}

static void clamps_pressed(struct plate_run *run)
{
    place(run);
    hold(run, some(run, 100, 220), 300);
    for (int i = 0; i < 4; i++) {
        run->push_k = i % 2 ? -5 : 5;
        plate_run_for(run, 10);
    }
    run->push_k = 0;
    plate_run_for(run, 60);
}

static void weak_mains_heavy_board(struct plate_run *run)
{
    place(run);
    run->around.draft = 1.5;
    hold(run, 220, 1200);
}

static void set_points_come_and_go(struct plate_run *run)
{
    place(run);
    for (int i = 0; i < 12; i++)
        hold(run, some(run, 60, 220), some(run, 1, 120));
}

static void heat_again_while_it_cools(struct plate_run *run)
{
    hold(run, 200, 400);
    for (int i = 0; i < 6; i++) {
        plate_run_heat(run, 0, 0);
        plate_run_for(run, some(run, 1, 60));
        hold(run, some(run, 100, 220), some(run, 1, 60));
    }
}

static void a_hot_start(struct plate_run *run)
{
    hold(run, 160, 500);
    plate_run_heat(run, 0, 0);
    plate_run_for(run, some(run, 0, 60));
    account_restart(&run->account);
    run->drive = run->before = (struct drive){0};
    run->control.running = false;
    hold(run, some(run, 100, 220), 400);
}

static void a_slow_sensor(struct plate_run *run)
{
    run->lag_s = run->known.sensor_lag_s = run->account.plate.sensor_lag_s =
        run->control.plate.sensor_lag_s = 5;
    run->every_ms = 1000;
    a_whole_run(run);
}

static void late_samples(struct plate_run *run)
{
    plate_run_heat(run, 200, 2000);
    for (int i = 0; i < 4000 && !run->interlock.tripped; i++) {
        run->late_ms = random_unit(&run->random) < 0.1 ? 1 : 0;
        plate_run_scan(run, 100, false);
    }
}

static void a_busy_computer(struct plate_run *run)
{
    plate_run_heat(run, 200, 2000);
    for (int i = 0; i < 4000 && !run->interlock.tripped; i++)
        plate_run_scan(run, random_unit(&run->random) < 0.1 ? 150 : 100, false);
}

static void a_supply_near_the_sensor(struct plate_run *run)
{
    hold(run, some(run, 60, 200), 200);
    for (int i = 0; i < 20; i++) {
        run->push_k = i % 2 ? 2 : 0;
        plate_run_for(run, 5);
    }
}

static void hot_air(struct plate_run *run)
{
    place(run);
    hold(run, some(run, 60, 180), 300);
    run->want.hand = HAND_HEAT;
    run->around.hand_w = some(run, 15, 300);
    plate_run_for(run, 120);
    run->around.hand_w = 0;
    plate_run_for(run, 10);
    run->want.hand = HAND_NONE;
    plate_run_heat(run, some(run, 0, 1) < 0.5 ? 0 : 100, 1000);
    plate_run_for(run, 300);
}

static void lifted_and_pressed(struct plate_run *run)
{
    place(run);
    hold(run, some(run, 100, 220), 400);
    run->want.hand = HAND_PRESS;
    thermal_press(&run->thermal, true);
    plate_run_for(run, 60);
    thermal_press(&run->thermal, false);
    run->want.hand = HAND_LIFT;
    thermal_lift_upper(&run->thermal);
    plate_run_for(run, 60);
    thermal_remove(&run->thermal);
    plate_run_for(run, 60);
    run->want.hand = HAND_NONE;
    plate_run_heat(run, 0, 0);
    plate_run_for(run, 300);
}

/* Its reading may stand still for minutes. */
static void a_coarse_reader_in_a_steady_hold(struct plate_run *run)
{
    run->step_mc = 1000;
    run->noise_k = some(run, 0, 0.3);
    hold(run, some(run, 60, 220), 1200);
}

/* No noise either: what does not move repeats its digits. */
static void a_quiet_reader_in_a_steady_hold(struct plate_run *run)
{
    run->step_mc = (int32_t)some(run, 10, 250);
    run->noise_k = 0;
    a_whole_run(run);
}

/* Never as hot as solder: the board stays behind as the plate falls. */
static void warmed_and_blown_cold(struct plate_run *run)
{
    place(run);
    hold(run, some(run, 35, 79), some(run, 60, 300));
    plate_run_heat(run, 0, 0);
    run->around.fan = 1;
    plate_run_for(run, 400);
}

/* clang-format off */
static const struct {
    const char *what;
    double board_g, mains_low, mains_high;
    void (*play)(struct plate_run *run);
} rows[] = {
    { "a whole run",                         40,  0.90, 1.10, a_whole_run },
    { "a cold heavy board on a hot plate",   110, 0.93, 1.07, board_on_a_hot_plate },
    { "a window opened and closed",          40,  0.93, 1.07, a_window_opened_and_closed },
    { "a desk fan",                          40,  0.93, 1.07, a_desk_fan },
    { "clamps pressed",                      40,  0.93, 1.07, clamps_pressed },
    { "weak mains, a heavy board, a draft",  110, 0.85, 0.87, weak_mains_heavy_board },
    { "strong mains, a light board",         5,   1.08, 1.10, a_whole_run },
    { "set-points come and go",              40,  0.90, 1.10, set_points_come_and_go },
    { "heat again while it cools",           40,  0.90, 1.10, heat_again_while_it_cools },
    { "a hot start",                         40,  0.90, 1.10, a_hot_start },
    { "a slow sensor",                       40,  0.90, 1.10, a_slow_sensor },
    { "late samples",                        40,  0.93, 1.07, late_samples },
    { "a busy computer",                     40,  0.93, 1.07, a_busy_computer },
    { "a supply near the sensor",            40,  0.93, 1.07, a_supply_near_the_sensor },
    { "hot air on the board",                40,  0.93, 1.07, hot_air },
    { "pressed, lifted, taken away",         40,  0.93, 1.07, lifted_and_pressed },
    { "a coarse reader in a steady hold",    40,  0.93, 1.07, a_coarse_reader_in_a_steady_hold },
    { "a coarse reader in a draft",          40,  0.93, 1.07, a_coarse_reader_in_a_draft },
    { "a quiet reader",                      40,  0.90, 1.10, a_quiet_reader_in_a_steady_hold },
    { "warmed, then blown cold",             40,  0.93, 1.07, warmed_and_blown_cold },
};
/* clang-format on */

static bool is_calm(size_t row, long seed)
{
    struct random random = {.state = (uint64_t)seed * 1000 + row};
    struct drawn drawn = draw(&random);
    drawn.insert.capacity_j_k = fmax(drawn.insert.capacity_j_k, 1);
    drawn.insert.board_w_k = between(&random, 0.8, 3);
    drawn.plate.fan_loss_w_k = drawn.plate.loss_w_k * between(&random, 0, 8);
    struct plate_run run;
    struct rule_words words;

    plate_run_begin(&run, &drawn, rows[row].board_g,
                    between(&random, rows[row].mains_low, rows[row].mains_high), &random);
    run.board_sensor = run.limits.has_board = true;
    run.limits.board_mc = INT32_MAX; /* how hot hot air makes a board is not asked here */
    rows[row].play(&run);
    if (!run.interlock.tripped)
        return true;
    interlock_explain(run.interlock.first_out, &run.limits, &run.in, &run.want,
                      run.interlock.heat_ms, &words);
    printf("%s, seed %ld, at %.1f s, the plate at %.1f C (%.0f W, %.0f J/K): %s\n", rows[row].what,
           seed, (double)run.t_ms / 1000, plate_run_c(&run), run.known.watts,
           run.known.capacity_j_k, words.what);
    return false;
}

int main(int count, char **words)
{
    long seeds = count > 1 ? atol(words[1]) : SEEDS_UNLESS_TOLD;
    long first = count > 2 ? atol(words[2]) : 1, trips = 0, runs = 0;

    for (size_t row = 0; row < sizeof rows / sizeof rows[0]; row++)
        for (long seed = first; seed < first + seeds; seed++, runs++)
            trips += !is_calm(row, seed);
    printf("%ld runs, %ld false trips\n", runs, trips);
    return trips > 0;
}
