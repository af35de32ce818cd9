/* SPDX-License-Identifier: MIT */
/* A board that was taken away, never laid down or does not lie flat, or whose sensor is not on it, reads less than one
 * that does. Nobody can tell these from each other by readings: a person is asked, with heat off. */
#include "recipe_private.h"

#include <math.h>

/* So long, for what a wet swab or a touch cools comes back, and a noisy reading too. */
enum { BELOW_MS = 4000 };

#define ANSWER_S 60.0

/* A prompt that is open, or a hand, explains what the sensor reads; without heat nothing comes of it. */
static bool is_watched(const struct recipe *recipe)
{
    return recipe->estimating && recipe->snapshot.quality[SENSOR_BOARD] == QUALITY_GOOD &&
           recipe->turn.heat && recipe->snapshot.granted_heat && !recipe->turn.prompt &&
           hand_now(recipe) == HAND_NONE;
}

_Noreturn static void end(struct recipe *recipe, enum hand_answer answer, double read_c,
                          double least_c)
{
    bool denied = answer != ANSWER_NONE;
    struct tl_error error;

    tl_error_set(&error, denied ? TL_STEP : TL_TIMEOUT,
                 "the board's sensor read %.1f C, lying flat it would have read %.1f C or more; %s",
                 read_c, least_c,
                 denied ? "asked whether both lie flat, a person said no"
                        : "nobody said within 60 s whether both lie flat");
    tl_error_hint(&error,
                  "lay the board flat in the insert, its sensor firmly on it. If they were: "
                  "does the board file say what board this is?");
    recipe_fail_with(recipe, &error);
}

static void ask(struct recipe *recipe, double read_c, double least_c)
{
    char text[BENCH_TEXT];
    double before_s = now_s(recipe);
    int32_t temp_mc = recipe->turn.temp_mc;

    recipe->turn.heat = 0;
    recipe->turn.beeps++;
    /* What a knob holds is not off yet, and the guard asks for that by itself. */
    snprintf(text, sizeof text,
             "%s board's sensor reads %.1f C, lying flat it would read %.1f C or more. "
             "Do board and sensor lie flat?",
             recipe->host->plate->by_hand ? "The" : "Heat is off: the", read_c, least_c);
    enum hand_answer answer =
        exchange_prompt(recipe, NOTE_CONFIRM, HAND_PRESS, NOTE_LIES_FLAT, 0, text, ANSWER_S);
    if (answer != ANSWER_YES)
        end(recipe, answer, read_c, least_c);
    recipe->flat.asked_ms += lround((now_s(recipe) - before_s) * 1000);
    recipe->turn.heat = 1;
    recipe->turn.temp_mc = temp_mc; /* who waits for that looks at what was wanted */
}

void ask_if_flat(struct recipe *recipe)
{
    struct flat *flat = &recipe->flat;
    double least_c, read_c = recipe->snapshot.temp_mc[SENSOR_BOARD] / 1000.0;
    int64_t t_ms = recipe->snapshot.t_ms;
    bool watched = is_watched(recipe) && estimate_board_least_c(&recipe->estimate, &least_c);
    bool below = watched && read_c < least_c;

    if (watched && !below)
        flat->asked = false; /* it lies flat again: what comes is news */
    if (!below || flat->asked)
        flat->below_since_ms = t_ms;
    if (t_ms - flat->below_since_ms < BELOW_MS)
        return;
    flat->asked = true;
    ask(recipe, read_c, least_c);
}
