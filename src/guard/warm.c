/* SPDX-License-Identifier: MIT */
/* A warm start: the seat test of the last run stands for this one, so that the board may lie in place; of a plate whose
 * seat cannot be proved, that it began empty and cool. It takes a recent run on the same insert that ended well, a reading that fits what the plate can have done since, and a person
 * who says that nothing was touched. Any doubt, and the plate is emptied for the seat test. */
#include "guard_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum {
    ENDED_MOST_MS = 30 * 60000,
    TESTED_MOST_MS = 120 * 60000, /* so long one seat test is handed on from run to run */
    WARM_BELOW_MC = 80000,
    HOTTER_MOST_MC = 2000, /* nothing has heated the plate since */
    COLDER_MOST_MC = 3000, /* below the fastest fall; a sensor that hangs free is soon below it */
    COOLING_MOST_S = 7200,
};

/* The fastest fall: no insert, a draught that doubles the losses, the fan, a room colder than stated. */
enum { LOSSES = 2, ROOM_DOUBT_C = 5 };

static double lowest_c(const struct guard *guard, double from_c, double time_s)
{
    const struct plate *plate = &guard->config.bench->plate;
    double temp_c = from_c, room_c = guard->config.bench->room_c - ROOM_DOUBT_C;

    for (double t_s = 0; t_s < time_s && temp_c > room_c; t_s++) {
        double watts = LOSSES * control_loss_w(&guard->control, temp_c + ROOM_DOUBT_C) +
                       plate->fan_loss_w_k * (temp_c - room_c);
        temp_c -= watts / plate->capacity_j_k;
    }
    return fmax(temp_c, fmin(room_c, from_c));
}

double warm_cooling_s(const struct guard *guard, double from_c, double to_c)
{
    double temp_c = from_c, time_s = 0;
    double heat_j_k = guard->control.plate.capacity_j_k + guard->control.extra_j_k;

    for (; temp_c > to_c && time_s < COOLING_MOST_S; time_s++)
        temp_c -= control_loss_w(&guard->control, temp_c) / heat_j_k;
    return time_s;
}

static int minutes(int64_t ms)
{
    return (int)((ms + 30000) / 60000);
}

/* Of the plate's sensors: the higher one, which counts in a run, would hide one that hangs free. */
static double coldest_c(const struct guard *guard)
{
    int32_t coldest_mc = guard->in.plate.temp_mc;

    for (int id = 0; id < PLATE_SENSORS; id++)
        if (guard->sensor_in_use[id] && guard->in.sensor[id].temp_mc < coldest_mc)
            coldest_mc = guard->in.sensor[id].temp_mc;
    return coldest_mc / 1000.0;
}

/* What speaks against it: a sentence in `why`, or false. */
static bool is_doubtful(const struct guard *guard, int64_t t_ms, char *why, size_t size)
{
    const struct last_run *last = guard->config.last;
    const struct temp_reading *plate = &guard->in.plate;
    int64_t ended_ms = t_ms - last->ended_ms, tested_ms = t_ms - last->tested_ms;
    double lowest = 0;

    if (strcmp(last->insert, guard->insert->name) != 0)
        snprintf(why, size, "the last run was on the insert \"%s\"", last->insert);
    else if (ended_ms < 0 || tested_ms < ended_ms || ended_ms > ENDED_MOST_MS)
        snprintf(why, size, "the last run did not end within the last %d min",
                 minutes(ENDED_MOST_MS));
    else if (tested_ms > TESTED_MOST_MS)
        snprintf(why, size, "the last seat test is more than %d min old", minutes(TESTED_MOST_MS));
    else if (seat_can_be_proved(guard) && !seat_rise_is_right(last->rise_permille))
        snprintf(why, size, "the last seat test was not passed");
    else if (plate->quality != QUALITY_GOOD)
        snprintf(why, size, "the plate cannot be read");
    else if (plate->temp_mc > last->plate_mc + HOTTER_MOST_MC)
        snprintf(why, size, "the plate reads %.0f C, the last run ended at %.0f C",
                 plate->temp_mc / 1000.0, (double)last->plate_mc / 1000);
    else if (lowest = lowest_c(guard, (double)last->plate_mc / 1000, (double)ended_ms / 1000),
             1000 * coldest_c(guard) < 1000 * lowest - COLDER_MOST_MC)
        snprintf(why, size, "the plate reads %.0f C, and cannot have cooled below %.0f C since",
                 coldest_c(guard), lowest);
    else
        return false;
    return true;
}

void warm_offer(struct guard *guard, int64_t t_ms)
{
    char why[BENCH_TEXT / 2], text[BENCH_TEXT], seat[64] = "no seat test can stand behind it";
    const struct last_run *last = guard->config.last;

    if (!last || !guard->limits.uses_plate)
        return;
    guard->warm.offered = !is_doubtful(guard, t_ms, why, sizeof why);
    if (seat_can_be_proved(guard))
        snprintf(seat, sizeof seat, "its seat test showed %d %% of the rise expected",
                 (int)(last->rise_permille + 5) / 10);
    if (guard->warm.offered)
        snprintf(text, sizeof text, "The last run on this insert ended %d min ago; %s.",
                 minutes(t_ms - last->ended_ms), seat);
    else
        snprintf(text, sizeof text, "No warm start: %s. The plate has to be empty.", why);
    guard_say(guard, NOTE_STATE, t_ms, text);
}

void warm_step(struct guard *guard, int64_t t_ms)
{
    char why[BENCH_TEXT / 2], text[BENCH_TEXT];

    if (is_doubtful(guard, t_ms, why, sizeof why)) { /* a question may stand open for an hour */
        snprintf(text, sizeof text, "no warm start: %s: take the board off and start again", why);
        guard_refuse(guard, TL_LIMIT, t_ms, text);
        return;
    }
    if (seat_waits(guard, WARM_BELOW_MC, "warm start", t_ms))
        return;
    guard->warm.seated = true;
    guard->warm.proof = *guard->config.last;
    guard_say(guard, NOTE_STATE, t_ms, "Warm start: what the last run rested on stands.");
    guard_enter(guard, EVENT_SEATED, t_ms);
}

void warm_prove(struct guard *guard, int permille, int64_t t_ms)
{
    guard->warm.seated = true;
    guard->warm.proof = (struct last_run){.tested_ms = t_ms, .rise_permille = permille};
    snprintf(guard->warm.proof.insert, sizeof guard->warm.proof.insert, "%s", guard->insert->name);
}

/* A trip is always a doubt, and so is a temperature or a melt that was waited for in vain: the sensor may have
 * slipped. */
static bool ended_well(const struct guard *guard)
{
    int32_t code = guard->recipe_end.code;

    if (guard->trip.tripped)
        return rules[guard->trip.rule].kind == RULE_STOP;
    return code == 0 || code == TL_STEP || code == TL_LIMIT || code == TL_KILLED;
}

bool guard_last_run(const struct guard *guard, int64_t t_ms, struct last_run *last)
{
    if (!guard->warm.seated || !ended_well(guard) || guard->fall.too_fast ||
        guard->in.plate.quality != QUALITY_GOOD)
        return false;
    *last = guard->warm.proof;
    last->ended_ms = t_ms;
    last->plate_mc = guard->in.plate.temp_mc;
    return true;
}
