/* SPDX-License-Identifier: MIT */
#include "trials.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int ascending(const void *a, const void *b)
{
    double left = *(const double *)a, right = *(const double *)b;

    return (left > right) - (left < right);
}

double spread_at(const struct spread *spread, double share)
{
    double at = share * (spread->count - 1), whole = floor(at);
    int32_t low = (int32_t)whole, high = low + 1 < spread->count ? low + 1 : low;

    return spread->value[low] + (at - whole) * (spread->value[high] - spread->value[low]);
}

enum figure { FIRST, LAST, TAKEN, SLACK, WINDOW, PER_MELT, PEAK = PER_MELT, OVER, FIGURES };

static double figure_of(const struct trial *trial, enum figure figure, int melt)
{
    static const struct run_melt none = {.at_s = NAN, .true_first_s = NAN, .true_last_s = NAN};
    const struct run_melt *m = melt < trial->melt_count ? &trial->melt[melt] : &none;

    switch (figure) {
    case FIRST:
        return m->true_first_s;
    case LAST:
        return m->true_last_s;
    case TAKEN:
        return m->at_s;
    case SLACK:
        return m->at_s - m->true_last_s;
    case WINDOW:
        return melt < trial->melt_count ? trial->window_s[melt] : (double)NAN;
    case PEAK:
        return trial->peak_true_c;
    case OVER:
        return trial->outcome == RUN_DONE ? trial->recipe_s : (double)NAN;
    case FIGURES:
        break;
    }
    return NAN;
}

/* The joint's name, from the first draw that came so far. */
static const char *joint_name(const struct trials *trials, int melt)
{
    for (int32_t i = 0; i < trials->draws; i++)
        if (melt < trials->trial[i].melt_count)
            return trials->trial[i].melt[melt].joint;
    return NULL;
}

static void add_spread(struct figures *f, enum figure figure, int melt, const char *joint)
{
    static const char *const said[FIGURES] = {
        [FIRST] = "first place molten", [LAST] = "last place molten",
        [TAKEN] = "taken for molten",   [SLACK] = "taken, after its last",
        [WINDOW] = "lift window",       [PEAK] = "plate, true peak",
        [OVER] = "recipe over",
    };
    static const enum panel panels[FIGURES] = {[FIRST] = PANEL_TIME,
                                               [LAST] = PANEL_TIME,
                                               [TAKEN] = PANEL_TIME,
                                               [SLACK] = PANEL_SLACK,
                                               [WINDOW] = PANEL_SLACK};
    struct spread *spread = &f->spread[f->spreads];

    *spread =
        (struct spread){.panel = panels[figure], .unit = figure == PEAK ? UNIT_TEMP : UNIT_TIME};
    spread->value = f->store + (size_t)f->spreads * (size_t)f->trials->draws;
    for (int32_t i = 0; i < f->trials->draws; i++) {
        double value = figure_of(&f->trials->trial[i], figure, melt);
        if (!isnan(value))
            spread->value[spread->count++] = value;
    }
    if (spread->count == 0)
        return;
    snprintf(spread->name, sizeof spread->name, "%s%s%s", joint, joint[0] ? ": " : "",
             said[figure]);
    qsort(spread->value, (size_t)spread->count, sizeof spread->value[0], ascending);
    f->spreads++;
}

static void add_spreads(struct figures *f)
{
    const char *joint;

    for (int melt = 0; melt < TRIAL_MELTS && (joint = joint_name(f->trials, melt)); melt++)
        for (enum figure figure = FIRST; figure < PER_MELT; figure++)
            add_spread(f, figure, melt, joint);
    add_spread(f, PEAK, 0, "");
    add_spread(f, OVER, 0, "");
}

static double share_left(const struct run_margin *margin)
{
    return (margin->value - margin->worst) / margin->value;
}

static void see_margin(struct figures *f, const struct trial *trial,
                       const struct run_margin *margin)
{
    for (int i = 0; i < f->worsts; i++) {
        struct worst *worst = &f->worst[i];
        if (strcmp(worst->margin.limit, margin->limit) != 0)
            continue;
        if (share_left(margin) < share_left(&worst->margin))
            *worst = (struct worst){*margin, trial->seed};
        return;
    }
    if (f->worsts < WORSTS)
        f->worst[f->worsts++] = (struct worst){*margin, trial->seed};
}

static int tightest(const void *a, const void *b)
{
    double left = share_left(&((const struct worst *)a)->margin),
           right = share_left(&((const struct worst *)b)->margin);

    return (left > right) - (left < right);
}

int figures_new(struct figures *f, const struct trials *trials, const struct options *options,
                struct tl_error *error)
{
    *f = (struct figures){.trials = trials, .options = options};
    f->store = calloc((size_t)trials->draws * SPREADS + 1, sizeof *f->store);
    if (!f->store)
        return tl_error_set(error, TL_SYSTEM, "no memory for %d draws", (int)trials->draws);
    for (int32_t i = 0; i < trials->draws; i++) {
        const struct trial *trial = &trials->trial[i];
        f->outcome[trial->outcome]++;
        f->verdict[trial->verdict]++;
        f->failed += trial_failed(trial);
        for (int32_t k = 0; k < trial->margin_count; k++)
            see_margin(f, trial, &trial->margin[k]);
    }
    qsort(f->worst, (size_t)f->worsts, sizeof f->worst[0], tightest);
    add_spreads(f);
    return 0;
}

void figures_free(struct figures *f)
{
    free(f->store);
}

/* A word for the shell: as it is where nothing in it means anything, else in quotes. */
static void write_word(const char *word, FILE *out)
{
    static const char plain[] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
                                "_-./=@%+:,";

    if (word[0] && strspn(word, plain) == strlen(word)) {
        fputs(word, out);
        return;
    }
    fputc('\'', out);
    for (; *word; word++)
        if (*word == '\'')
            fputs("'\\''", out);
        else
            fputc(*word, out);
    fputc('\'', out);
}

static void write_option(const char *name, const char *value, FILE *out)
{
    if (!value)
        return;
    fprintf(out, " %s ", name);
    write_word(value, out);
}

void trial_command(const struct options *options, const struct trial *trial, FILE *out)
{
    const struct recipe_setup *recipe = &options->setup.recipe;

    fputs("tinlatch rehearse ", out);
    write_word(options->argument, out);
    write_option("--bench", options->bench, out);
    write_option("--board", options->board, out);
    write_option("--answers", options->answers, out);
    for (int i = 0; i < recipe->set_count; i++) {
        char set[sizeof recipe->set[i].name + sizeof recipe->set[i].value + 1];
        snprintf(set, sizeof set, "%s=%s", recipe->set[i].name, recipe->set[i].value);
        write_option("--set", set, out);
    }
    fprintf(out, " --seed %llu", (unsigned long long)trial->seed);
    for (int i = 0; i < trial->fault_count; i++)
        fprintf(out, " --fault %s@%.1f", world_faults[trial->fault[i].which].name,
                trial->fault[i].at_s);
}

static double scans_of(const struct figures *f, const struct trial *trial)
{
    double from_s = trial->shows_s;

    if (isnan(from_s) && trial->fault_count > 0)
        from_s = trial->fault[0].at_s;
    return fmax(0, (trial->trip_s - from_s) * 1000 / f->trials->period_ms);
}

static bool has_fault(const struct trial *trial, int fault)
{
    bool has = fault < 0 && trial->fault_count == 0;

    for (int i = 0; i < trial->fault_count; i++)
        has = has || trial->fault[i].which == fault;
    return has;
}

void fault_tally(const struct figures *f, int fault, struct fault_tally *tally)
{
    struct spread scans = {.value = calloc((size_t)f->trials->draws + 1, sizeof(double))};

    *tally = (struct fault_tally){.name = fault < 0 ? "nothing" : world_faults[fault].name,
                                  .slowest_scans = NAN,
                                  .median_scans = NAN,
                                  .over_set_k = NAN,
                                  .over_ceiling_k = NAN};
    for (int32_t i = 0; i < f->trials->draws; i++) {
        const struct trial *trial = &f->trials->trial[i];
        if (!has_fault(trial, fault))
            continue;
        tally->runs++;
        tally->verdict[trial->verdict]++;
        tally->over_set_k = fmax(tally->over_set_k, trial->over_set_k);
        tally->over_ceiling_k = fmax(tally->over_ceiling_k, trial->over_ceiling_k);
        if (!trial->tripped)
            continue;
        tally->tripped++;
        tally->by[trial->rule]++;
        if (scans.value)
            scans.value[scans.count++] = scans_of(f, trial);
    }
    if (scans.count > 0) {
        qsort(scans.value, (size_t)scans.count, sizeof scans.value[0], ascending);
        tally->median_scans = spread_at(&scans, 0.5);
        tally->slowest_scans = scans.value[scans.count - 1];
    }
    free(scans.value);
}
