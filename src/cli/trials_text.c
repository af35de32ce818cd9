/* SPDX-License-Identifier: MIT */
#include <math.h>
#include <string.h>

#include "cli_private.h"
#include "trials.h"

enum { COMMANDS_SHOWN = 12, NAME = 32 };

static const char covered[] =
    "Covered is chance within the tolerances of these files: how the board lies and what it "
    "weighs; "
    "the plate's heat capacity and losses; room, mains, sensor class, noise, a person's delays.";
static const char not_covered[] =
    "Not covered: an insert, lags or contacts that are not what the bench file says, what the "
    "model "
    "leaves out, what a finer grid shows (the heat is that of the coarse one; rehearse has "
    "--grid), a file that does not fit the board, hands that do something else, faults "
    "(--faults).";

static void write_head(const struct figures *f, FILE *out)
{
    const struct run *first = f->trials->first;
    uint64_t seed = f->options->setup.seed;

    fprintf(out, "%s\n  %d draws on board %s, simulated bench %s, seeds %llu to %llu\n\n",
            first->title, (int)f->trials->draws, first->board[0] ? first->board : "none",
            first->bench, (unsigned long long)seed,
            (unsigned long long)(seed + (uint64_t)f->trials->draws - 1));
}

static void write_outcomes(const struct figures *f, FILE *out)
{
    fputs("outcome", out);
    for (int i = 0; i < OUTCOMES; i++)
        if (f->outcome[i] > 0)
            fprintf(out, "   %s %d", outcome_name((enum outcome)i), (int)f->outcome[i]);
    fputs("\n", out);
}

static void write_verdict(const struct figures *f, FILE *out)
{
    int32_t draws = f->trials->draws;

    if (f->failed == 0)
        fprintf(out, "  no failure in %d draws supports %.*f %% safe with 95 %% confidence\n",
                (int)draws, draws > 300 ? 1 : 0,
                floor(trials_safe_share(draws) * (draws > 300 ? 1000 : 100)) /
                    (draws > 300 ? 10 : 1));
    else
        fprintf(out, "  %d of %d draws failed (%.3g %%)\n", (int)f->failed, (int)draws,
                100.0 * f->failed / draws);
    write_folded(out, covered, fprintf(out, "  "));
    write_folded(out, not_covered, fprintf(out, "  "));
}

/* As on a clock: "3:20". */
static void write_clock(double s, FILE *out)
{
    char clock[24];
    long whole = lround(s);

    snprintf(clock, sizeof clock, "%ld:%02ld", whole / 60, whole % 60);
    fprintf(out, " %8s", clock);
}

static void write_spreads(const struct figures *f, FILE *out)
{
    if (f->spreads == 0)
        return;
    fprintf(out, "\n%-*s %8s %8s %8s %8s %8s\n", NAME, "spread", "least", "5 %", "median", "95 %",
            "most");
    for (int i = 0; i < f->spreads; i++) {
        const struct spread *spread = &f->spread[i];
        fprintf(out, "  %-*.*s", NAME - 2, NAME - 2, spread->name);
        static const double at[] = {0, 0.05, 0.5, 0.95, 1};
        /* of what is left before a lift the tenths count, and it may be below 0 */
        bool clock = spread->unit == UNIT_TIME && spread->panel != PANEL_SLACK;
        for (size_t k = 0; k < sizeof at / sizeof at[0]; k++)
            if (clock)
                write_clock(spread_at(spread, at[k]), out);
            else
                fprintf(out, " %8.1f", spread_at(spread, at[k]));
        fprintf(out, " %s\n", clock ? "min:s" : unit_base(spread->unit));
    }
}

static void write_worsts(const struct figures *f, FILE *out)
{
    if (f->worsts == 0)
        return;
    fprintf(out, "\n%-*s %8s %8s       %8s\n", NAME, "nearest that any draw came", "worst", "limit",
            "seed");
    for (int i = 0; i < f->worsts; i++) {
        const struct run_margin *margin = &f->worst[i].margin;
        bool clock = margin->unit == UNIT_TIME;
        fprintf(out, "  %-*.*s", NAME - 2, NAME - 2, margin->limit);
        if (clock) {
            write_clock(margin->worst, out);
            write_clock(margin->value, out);
        } else
            fprintf(out, " %8.4g %8.4g", margin->worst, margin->value);
        fprintf(out, " %-5s %8llu\n", clock ? "min:s" : unit_base(margin->unit),
                (unsigned long long)f->worst[i].seed);
    }
}

/* Rules with their counts, "sensor-jump 12, plate-over 1". */
static void write_rules(const struct fault_tally *tally, FILE *out)
{
    const char *between = "";

    for (int i = 0; i < RULES; i++)
        if (tally->by[i] > 0) {
            fprintf(out, "%s%s %d", between, rules[i].id, (int)tally->by[i]);
            between = ", ";
        }
}

static void write_number(double value, FILE *out)
{
    if (isnan(value))
        fprintf(out, " %8s", "");
    else
        fprintf(out, " %8.0f", round(value) + 0.0); /* no "-0" */
}

static void write_fault(const struct figures *f, int fault, FILE *out)
{
    struct fault_tally tally;

    fault_tally(f, fault, &tally);
    if (tally.runs == 0)
        return;
    fprintf(out, "  %-27s %6d %7d", tally.name, (int)tally.runs, (int)tally.tripped);
    write_number(tally.median_scans, out);
    write_number(tally.slowest_scans, out);
    write_number(tally.over_set_k, out);
    write_number(tally.over_ceiling_k, out);
    fprintf(out, " %6d %6d  ", (int)tally.verdict[TRIAL_MISSED],
            (int)(tally.verdict[TRIAL_FALSE] + tally.verdict[TRIAL_OTHER]));
    write_rules(&tally, out);
    fputs("\n", out);
}

static void write_faults(const struct figures *f, FILE *out)
{
    fprintf(out, "%-29s %6s %7s %17s %17s %6s %6s\n", "", "", "", "scans to trip", "true plate, K",
            "", "false,");
    fprintf(out, "%-29s %6s %7s %8s %8s %8s %8s %6s %6s  %s\n", "fault", "runs", "tripped",
            "median", "most", "over set", "ceiling", "missed", "other", "tripped by");
    for (int i = -1; i < world_fault_count; i++)
        write_fault(f, i, out);
    fprintf(out, "\n  caught %d, missed %d, by another rule %d, false trips %d, not played %d\n",
            (int)f->verdict[TRIAL_CAUGHT], (int)f->verdict[TRIAL_MISSED],
            (int)f->verdict[TRIAL_OTHER], (int)f->verdict[TRIAL_FALSE],
            (int)f->verdict[TRIAL_FAILED]);
}

static void write_failures(const struct figures *f, FILE *out)
{
    int32_t shown = 0;

    if (f->failed == 0)
        return;
    fputs("\neach draw that failed, and the command that plays it again:\n", out);
    for (int32_t i = 0; i < f->trials->draws && shown < COMMANDS_SHOWN; i++) {
        const struct trial *trial = &f->trials->trial[i];
        if (!trial_failed(trial))
            continue;
        fprintf(out, "  %s, %s%s%.100s\n    ", trial_verdict_name(trial->verdict),
                outcome_name(trial->outcome), trial->text[0] ? ": " : "", trial->text);
        trial_command(f->options, trial, out);
        fputs("\n", out);
        shown++;
    }
    if (f->failed > shown)
        fprintf(out, "  and %d more: --json lists all\n", (int)(f->failed - shown));
}

void trials_text(const struct figures *f, FILE *out)
{
    write_head(f, out);
    if (f->options->faults) {
        write_faults(f, out);
    } else {
        write_outcomes(f, out);
        write_verdict(f, out);
        write_spreads(f, out);
        write_worsts(f, out);
    }
    write_failures(f, out);
}
