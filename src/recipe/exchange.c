/* SPDX-License-Identifier: MIT */
/* The one blocking call: a turn with the whole wanted state out, the next snapshot in. Everything that
 * waits is a loop on it. */
#include "recipe_private.h"

#include <math.h>
#include <string.h>

enum { HAND_AFTER_MS = 10000 };

/* A forecast is a coarse run of the model: it is made anew after a fifth of the shortest time foreseen, and within
 * these bounds. */
enum { FORECAST_LEAST_MS = 1000, FORECAST_MOST_MS = 5000 };

enum { HOUR_MS = 3600 * 1000 };

double now_s(const struct recipe *recipe)
{
    /* The clock of waits and timeouts stands still while the operator parks, a rule pauses or it is asked whether the
     * board lies flat. */
    return (double)(recipe->snapshot.t_ms - recipe->snapshot.held_ms - recipe->flat.asked_ms) /
           1000.0;
}

/* ---- what goes out -------------------------------------------------------------------------- */

enum hand hand_now(const struct recipe *recipe)
{
    if (recipe->asking != HAND_NONE)
        return recipe->asking;
    if (recipe->snapshot.t_ms < recipe->hand_until_ms)
        return recipe->last_hand;
    return recipe->air ? HAND_HEAT : HAND_NONE;
}

/* The operator may nudge the target, not up to its limit. */
static int32_t nudged_mc(const struct recipe *recipe)
{
    double own = recipe->target_c * 1000, mc = own + recipe->snapshot.nudge_mc;
    double most = fmax(own, recipe->host->limits->plate_mc - NUDGE_ROOM_MC);
    return (int32_t)lround(mc < 0 ? 0 : mc > most ? most : mc);
}

/* Was over when it was foreseen, and is open again. */
static bool is_overtaken(const struct wire_joint *foreseen, const struct wire_joint *now)
{
    return (foreseen->melt_ms == 0 && now->melt_ms < 0) ||
           (foreseen->melt_late_ms == 0 && now->melt_late_ms < 0) ||
           (foreseen->solid_ms == 0 && now->solid_ms < 0) ||
           (foreseen->solid_late_ms == 0 && now->solid_late_ms < 0);
}

static void fill_turn(struct recipe *recipe)
{
    struct wire_turn *turn = &recipe->turn;
    turn->temp_mc = turn->heat ? nudged_mc(recipe) : 0;
    turn->hand = (int32_t)hand_now(recipe);
    turn->joints = recipe->estimating ? recipe->board.joint_count : 0;
    for (int i = 0; i < turn->joints; i++) {
        joint_now(recipe, i, &turn->joint[i]);
        if (is_overtaken(&recipe->forecast[i], &turn->joint[i]))
            recipe->forecast_due_ms = 0;
    }
    wire_stamp(&turn->head, WIRE_TURN, recipe->snapshot.head.number);
}

/* ---- the estimate --------------------------------------------------------------------------- */

/* What is left of a time foreseen, unless it has come; it has not come until the joint says so. */
static void take_left(int32_t *ms, int32_t foreseen_ms, int64_t since_ms)
{
    if (*ms == 0)
        return;
    if (foreseen_ms <= 0)
        *ms = -1;
    else
        *ms = foreseen_ms > since_ms ? (int32_t)(foreseen_ms - since_ms) : 1;
}

void joint_now(const struct recipe *recipe, int joint, struct wire_joint *out)
{
    estimate_joint(&recipe->estimate, joint, false, out);
    const struct wire_joint *forecast = &recipe->forecast[joint];
    int64_t since_ms = recipe->snapshot.t_ms - recipe->forecast_ms;
    if (!recipe->forecast_known)
        return;
    take_left(&out->melt_ms, forecast->melt_ms, since_ms);
    take_left(&out->melt_early_ms, forecast->melt_early_ms, since_ms);
    take_left(&out->melt_late_ms, forecast->melt_late_ms, since_ms);
    take_left(&out->solid_ms, forecast->solid_ms, since_ms);
    take_left(&out->solid_early_ms, forecast->solid_early_ms, since_ms);
    take_left(&out->solid_late_ms, forecast->solid_late_ms, since_ms);
}

static void shorten(int64_t *shortest_ms, int32_t foreseen_ms)
{
    if (foreseen_ms > 0 && foreseen_ms < *shortest_ms)
        *shortest_ms = foreseen_ms;
}

static void forecast(struct recipe *recipe)
{
    int64_t shortest_ms = 5 * FORECAST_MOST_MS;
    for (int i = 0; i < recipe->board.joint_count; i++) {
        struct wire_joint *joint = &recipe->forecast[i];
        estimate_joint(&recipe->estimate, i, true, joint);
        shorten(&shortest_ms, joint->melt_ms);
        shorten(&shortest_ms, joint->melt_late_ms);
        shorten(&shortest_ms, joint->solid_ms);
        shorten(&shortest_ms, joint->solid_late_ms);
    }
    int64_t after_ms = shortest_ms / 5 > FORECAST_LEAST_MS ? shortest_ms / 5 : FORECAST_LEAST_MS;
    recipe->forecast_known = true;
    recipe->forecast_ms = recipe->snapshot.t_ms;
    recipe->forecast_due_ms = recipe->snapshot.t_ms + after_ms;
}

static void follow(struct recipe *recipe)
{
    if (!recipe->estimating)
        return;
    estimate_step(&recipe->estimate, &recipe->snapshot);
    if (recipe->placed && recipe->snapshot.t_ms >= recipe->forecast_due_ms)
        forecast(recipe);
}

/* ---- the call ------------------------------------------------------------------------------- */

static void end_when_over(struct recipe *recipe, int code)
{
    if (code == 0 && recipe->snapshot.mode < GUARD_COOLING)
        return;
    if (code == 0 || code == TL_ENDED)
        recipe_fail(recipe, TL_ENDED, NULL, "the run is over");
    recipe_fail(recipe, (enum tl_err)code, NULL, "the guard does not answer: %s",
                tl_err_text(code));
}

static void end_air_in_time(struct recipe *recipe)
{
    if (!recipe->air || recipe->snapshot.t_ms < recipe->air_until_ms)
        return;
    exchange_air_off(recipe);
    recipe->turn.beeps++;
    exchange_note(recipe, NOTE_TELL, "", 0, "The time for hot air is over: take it off the board.");
}

void exchange(struct recipe *recipe)
{
    if (recipe->interrupted)
        recipe_fail(recipe, TL_KILLED, NULL,
                    "ran for more than its CPU time without coming to an end; it was here");
    const struct recipe_host *host = recipe->host;
    fill_turn(recipe);
    end_when_over(recipe, host->exchange(host->context, &recipe->turn, &recipe->snapshot));
    if (recipe->snapshot.t_ms > (int64_t)RECIPE_HOURS * HOUR_MS)
        recipe_fail(recipe, TL_LIMIT, NULL, "the steps ran for more than %d hours", RECIPE_HOURS);
    recipe->notes_now = 0;
    recipe->turn.wait_ms = 0; /* whoever waits on says it anew */
    follow(recipe);
    end_air_in_time(recipe);
    ask_if_flat(recipe);
}

void tally_time(struct recipe *recipe, double seconds)
{
    recipe->tally->worst_case_s += seconds;
    if (recipe->turn.heat)
        recipe->tally->worst_case_heat_s += seconds;
}

/* ---- notes ---------------------------------------------------------------------------------- */

/* A flood waits for the guard's scans, and a flood without end is refused: nothing is dropped. */
static void pace_notes(struct recipe *recipe)
{
    if (recipe->notes_now >= NOTES_PER_SNAPSHOT)
        exchange(recipe);
    if (recipe->notes >= NOTES_PER_RUN)
        recipe_fail(recipe, TL_LIMIT, NULL, "more than %d notes, texts and prompts in one run",
                    NOTES_PER_RUN);
}

/* Only what a terminal and a record can bear; a text that was checked passes unchanged. */
static void copy_text(char *out, size_t size, const char *text)
{
    const char *what;
    snprintf(out, size, "%s", text);
    for (char *at = out; *at; at++)
        if (*at == '\n' || *at == '\t' || *at == '\r')
            *at = ' ';
    for (long trick; (trick = text_trick(out, strlen(out), &what)) >= 0;)
        out[trick] = '?';
}

uint32_t exchange_note(struct recipe *recipe, enum note_kind kind, const char *name, double value,
                       const char *text)
{
    pace_notes(recipe);
    struct wire_note note = {.note = (int32_t)kind, .line = recipe_line(recipe), .value = value};
    wire_stamp(&note.head, WIRE_NOTE, ++recipe->notes);
    recipe->notes_now++;
    copy_text(note.name, sizeof note.name, name);
    copy_text(note.text, sizeof note.text, text);
    end_when_over(recipe, recipe->host->note(recipe->host->context, &note));
    return note.head.number;
}

enum hand_answer exchange_prompt(struct recipe *recipe, enum note_kind kind, enum hand hand,
                                 const char *name, double value, const char *text, double timeout_s)
{
    double start_s = now_s(recipe);
    uint32_t number = exchange_note(recipe, kind, name, value, text);
    tally_time(recipe, timeout_s);
    recipe->turn.prompt = number;
    recipe->asking = hand;
    enum hand_answer answer = ANSWER_NONE;
    while (answer == ANSWER_NONE && now_s(recipe) - start_s < timeout_s) {
        exchange(recipe);
        if (recipe->snapshot.prompt == number)
            answer = (enum hand_answer)recipe->snapshot.answer;
    }
    recipe->turn.prompt = 0;
    recipe->asking = HAND_NONE;
    recipe->last_hand = hand;
    recipe->hand_until_ms = hand == HAND_NONE ? 0 : recipe->snapshot.t_ms + HAND_AFTER_MS;
    return answer;
}

/* ---- hands ---------------------------------------------------------------------------------- */

void exchange_hand(struct recipe *recipe, enum hand hand, int part)
{
    const struct recipe_host *host = recipe->host;
    if (host->hand)
        host->hand(host->context, hand, part, 0);
    if (recipe->estimating)
        estimate_hand(&recipe->estimate, hand, part);
    recipe->forecast_due_ms = 0; /* another board than the one foreseen */
    recipe->placed = recipe->placed || hand == HAND_PLACE;
}

static void set_air(struct recipe *recipe, int part, double watts)
{
    const struct recipe_host *host = recipe->host;
    if (host->hand)
        host->hand(host->context, HAND_HEAT, part, watts);
    if (recipe->estimating)
        estimate_hot_air(&recipe->estimate, watts, part);
    recipe->forecast_due_ms = 0;
}

void exchange_air(struct recipe *recipe, int part, double watts, double for_s)
{
    recipe->air = true;
    recipe->air_part = part;
    recipe->air_until_ms = recipe->snapshot.t_ms + (int64_t)(for_s * 1000);
    set_air(recipe, part, watts);
}

void exchange_air_off(struct recipe *recipe)
{
    if (!recipe->air)
        return;
    recipe->air = false;
    set_air(recipe, recipe->air_part, 0);
}
