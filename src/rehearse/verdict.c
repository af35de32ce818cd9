/* SPDX-License-Identifier: MIT */
/* What became of one draw: were its faults seen, in time, by a rule that may? */
#include "tinlatch/trials.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* What the curve of a run shows of the plate as a fault's row asks for it. */
struct look {
    double struck_c; /* true plate when it struck */
    double asked_c;  /* the highest target so far */
};

static bool shows(const struct world_sight *sight, const struct look *look,
                  const struct run_point *point)
{
    double c = (double)point->plate_c;

    switch (sight->when) {
    case SIGHT_RUN:
    case SIGHT_PLATE:
        return true;
    case SIGHT_HEAT:
        return isfinite(look->asked_c);
    case SIGHT_ABOVE:
        return c > sight->c;
    case SIGHT_HOT:
        return look->struck_c > sight->c;
    case SIGHT_WARMER:
    case SIGHT_STILL:
        return c > look->struck_c + sight->c;
    case SIGHT_OVER:
        return c >
               fmax(look->asked_c, look->struck_c) + sight->c; /* nothing may have been asked yet */
    case SIGHT_NEVER:
    case SIGHT_CALM:
        break;
    }
    return false;
}

/* Since when the fault had been showing without a break for so long that a rule should have tripped at `until_s`, or, if
 * it never showed for so long, since when it showed last; NAN = it did not. */
static double shows_since(const struct world_sight *sight, const struct run *run, double fault_s,
                          double until_s)
{
    struct look look = {NAN, -INFINITY};
    double since_s = NAN;

    if (sight->when == SIGHT_RUN)
        return fault_s;
    for (int32_t i = 0; i < run->point_count; i++) {
        const struct run_point *point = &run->point[i];
        double t_s = (double)point->t_s;
        look.asked_c = fmax(look.asked_c, (double)point->target_c);
        if (t_s > until_s || since_s + sight->within_s <= t_s)
            break;
        if (t_s < fault_s)
            continue;
        if (isnan(look.struck_c))
            look.struck_c = (double)point->plate_c;
        if (!shows(sight, &look, point))
            since_s = NAN;
        else if (isnan(since_s))
            since_s = sight->when == SIGHT_PLATE || sight->when == SIGHT_HOT ? fault_s : t_s;
    }
    return since_s;
}

static bool names(const char *ids, const char *id)
{
    size_t length = strlen(id);

    for (const char *at = ids; at && (at = strstr(at, id)); at += length)
        if ((at == ids || at[-1] == ' ') && (at[length] == ' ' || at[length] == '\0'))
            return true;
    return false;
}

static struct world_sight sight_of(int32_t which, struct trial_bench bench)
{
    const struct world_fault *fault = &world_faults[which];
    struct world_sight sight = bench.two_sensors ? fault->two : fault->one;

    if ((sight.when == SIGHT_STILL || sight.when == SIGHT_OVER) && !bench.feed_known)
        sight.when = SIGHT_NEVER;
    return sight;
}

/* After its end a run is watched for a plate that stays hot alone. */
static double judged_until(const struct run *run)
{
    return run->tripped ? run->trip_s : run->recipe_s;
}

/* `gone_s`: when another took its place; HUGE_VAL = none did. */
static enum trial_verdict judge_fault(struct trial *trial, const struct run *run,
                                      const struct trial_fault *fault, double gone_s,
                                      struct trial_bench bench)
{
    struct world_sight sight = sight_of(fault->which, bench);
    double end_s = fmin(judged_until(run), gone_s);
    if (sight.when == SIGHT_HEAT) /* a recipe that is over needs no plan */
        end_s = fmin(end_s, run->recipe_s);
    double since_s = shows_since(&sight, run, fault->at_s, end_s);

    trial->shows_s = fmin(trial->shows_s, since_s); /* of a NAN the other */
    if (run->tripped && run->trip_s < fault->at_s)
        return TRIAL_FALSE;
    if (sight.when == SIGHT_CALM)
        return run->tripped ? TRIAL_FALSE : TRIAL_FINE;
    if (end_s > since_s + sight.within_s)
        return TRIAL_MISSED;
    if (!run->tripped)
        return TRIAL_UNSEEN;
    return names(sight.by, rules[run->trip_rule].id) ? TRIAL_CAUGHT : TRIAL_OTHER;
}

/* Whatever is broken: with two sensors the plate is not left 20 K above all that was asked for. */
static bool ran_away(const struct trial *trial, const struct run *run, struct trial_bench bench)
{
    static const struct world_sight sight = {.when = SIGHT_OVER, .c = 20, .within_s = 20};
    double end_s = judged_until(run);

    return bench.two_sensors &&
           end_s > shows_since(&sight, run, trial->fault[0].at_s, end_s) + sight.within_s;
}

/* A reading that stands still hides what only a reading shows; where it is the plate's only one, that the plate warms. */
static bool hides(const struct trial_fault *still, const struct trial_fault *fault,
                  struct trial_bench bench)
{
    const char *by = sight_of(fault->which, bench).by;

    return world_faults[still->which].one.when == SIGHT_STILL &&
           (names(by, "sensor-jump") || names(by, "sensor-unseated") ||
            (!bench.two_sensors && names(by, "heat-uncommanded")));
}

/* A plate's only sensor that stands still is seen by the heat that went in. */
static bool blinds(const struct trial_fault *other, const struct trial_fault *still,
                   struct trial_bench bench)
{
    return !bench.two_sensors && sight_of(still->which, bench).when == SIGHT_STILL &&
           world_fault_veils_still(other->which);
}

/* Whether what has to be seen of `fault` need not be beside the other. */
static bool excuses(const struct trial_fault *other, const struct trial_fault *fault,
                    struct trial_bench bench)
{
    return hides(other, fault, bench) || blinds(other, fault, bench);
}

/* Two may set off a rule that neither names; a trip is false only if it is for both. */
static enum trial_verdict judge_pair(struct trial *trial, const struct run *run,
                                     struct trial_bench bench)
{
    const struct trial_fault *one = &trial->fault[0], *two = &trial->fault[1];
    double gone_s = world_fault_replaces(two->which, one->which) ? two->at_s : HUGE_VAL;
    enum trial_verdict first = judge_fault(trial, run, one, gone_s, bench),
                       second = judge_fault(trial, run, two, HUGE_VAL, bench),
                       milder = first < second ? first : second;

    if ((first == TRIAL_MISSED && !excuses(two, one, bench)) ||
        (second == TRIAL_MISSED && !excuses(one, two, bench)) || ran_away(trial, run, bench))
        return TRIAL_MISSED;
    if (milder == TRIAL_MISSED) /* each is excused by the other */
        return run->tripped ? TRIAL_CAUGHT : TRIAL_UNSEEN;
    return milder == TRIAL_OTHER ? TRIAL_CAUGHT : milder;
}

static bool some_fault_struck(const struct trial *trial, const struct run *run,
                              struct trial_bench bench)
{
    for (int i = 0; i < trial->fault_count; i++)
        if (sight_of(trial->fault[i].which, bench).when != SIGHT_CALM &&
            trial->fault[i].at_s <= run->duration_s)
            return true;
    return false;
}

static enum trial_verdict judge(struct trial *trial, const struct run *run,
                                struct trial_bench bench, bool faults)
{
    bool refused = run->outcome == RUN_DEVICE || run->outcome == RUN_REFUSED;
    bool unplayed = refused || run->outcome == RUN_INVALID || run->error.code == TL_KILLED;

    if (!faults)
        return run->outcome == RUN_DONE ? TRIAL_FINE : TRIAL_FAILED;
    if (refused && some_fault_struck(trial, run, bench))
        return TRIAL_CAUGHT; /* by the start: an instrument is not there, or reads what no room is */
    if (unplayed)
        return TRIAL_FAILED;
    if (trial->fault_count == 0)
        return run->tripped ? TRIAL_FALSE : TRIAL_FINE;
    return trial->fault_count == 1 ? judge_fault(trial, run, &trial->fault[0], HUGE_VAL, bench)
                                   : judge_pair(trial, run, bench);
}

/* By the world's true temperature; NULL = none. */
static const struct run_margin *part_too_hot(const struct run *run)
{
    for (int32_t i = 0; i < run->margin_count; i++)
        if (run->margin[i].layer < 0 && run->margin[i].worst > run->margin[i].value)
            return &run->margin[i];
    return NULL;
}

/* A recipe that came to its end and spoiled a part on its way is no success. */
static void judge_parts(struct trial *trial, const struct run *run)
{
    const struct run_margin *part = part_too_hot(run);

    if (trial->verdict != TRIAL_FINE || !part)
        return;
    trial->verdict = TRIAL_FAILED;
    trial->outcome = RUN_FAILED;
    snprintf(trial->text, sizeof trial->text, "%s: %.1f C, and it bears %.0f C", part->limit,
             part->worst, part->value);
}

static void measure_plate(struct trial *trial, const struct run *run)
{
    double from_s = trial->fault_count > 0 ? trial->fault[0].at_s : 0, peak_c = NAN, asked_c = NAN;

    for (int32_t i = 0; i < run->point_count; i++) {
        asked_c = fmax(asked_c, (double)run->point[i].target_c);
        if ((double)run->point[i].t_s >= from_s)
            peak_c = fmax(peak_c, (double)run->point[i].plate_c);
    }
    trial->peak_true_c = run->peak_true_c;
    trial->over_set_k = peak_c - asked_c;
    trial->over_ceiling_k = peak_c - run->limits.plate_mc / 1000.0;
}

/* Of the melt that the joint's last place tells of: it may melt again. */
static double lift_window_s(const struct run *run, const struct run_melt *melt)
{
    for (int32_t i = 0; i < run->joint_count; i++) {
        const struct run_joint *joint = &run->joint[i];
        if (strcmp(joint->joint, melt->joint) == 0 && joint->last_s == melt->true_last_s)
            return fmin(joint->lifted_s, joint->freezes_s) - joint->last_s; /* of a NAN the other */
    }
    return NAN;
}

void trial_judge(struct trial *trial, const struct run *run, struct trial_bench bench, bool faults)
{
    trial->seed = run->seed;
    trial->outcome = run->outcome;
    trial->tripped = run->tripped;
    trial->rule = run->trip_rule;
    trial->trip_s = run->trip_s;
    trial->recipe_s = run->recipe_s;
    trial->duration_s = run->duration_s;
    trial->shows_s = NAN;
    measure_plate(trial, run);
    trial->verdict = judge(trial, run, bench, faults);
    trial->melt_count = run->melt_count < TRIAL_MELTS ? run->melt_count : TRIAL_MELTS;
    memcpy(trial->melt, run->melt, (size_t)trial->melt_count * sizeof trial->melt[0]);
    for (int32_t i = 0; i < trial->melt_count; i++)
        trial->window_s[i] = lift_window_s(run, &run->melt[i]);
    trial->margin_count = run->margin_count;
    memcpy(trial->margin, run->margin, (size_t)run->margin_count * sizeof trial->margin[0]);
    const char *text = run->tripped ? run->trip_words.what : run->error.text;
    snprintf(trial->text, sizeof trial->text, "%.*s", (int)sizeof trial->text - 1, text);
    if (!faults)
        judge_parts(trial, run);
    trial->played = true;
}

bool trial_failed(const struct trial *trial)
{
    return trial->verdict >= TRIAL_FAILED;
}

const char *trial_verdict_name(enum trial_verdict verdict)
{
    static const char *const said[TRIAL_VERDICTS] = {
        [TRIAL_FINE] = "fine",        [TRIAL_CAUGHT] = "caught",    [TRIAL_UNSEEN] = "unseen",
        [TRIAL_FAILED] = "failed",    [TRIAL_OTHER] = "other rule", [TRIAL_MISSED] = "missed",
        [TRIAL_FALSE] = "false trip",
    };
    return said[verdict];
}

double trials_safe_share(int32_t draws)
{
    return draws > 0 ? pow(0.05, 1.0 / draws) : 0;
}
