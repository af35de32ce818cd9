/* SPDX-License-Identifier: MIT */
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/report.h"
#include "trials.h"

static json_t *text(const char *from)
{
    json_t *string = json_string(from);
    return string ? string : json_null();
}

static json_t *outcomes(const struct figures *f)
{
    json_t *object = json_object();

    for (int i = 0; i < OUTCOMES; i++)
        if (f->outcome[i] > 0)
            json_object_set_new(object, outcome_name((enum outcome)i), json_integer(f->outcome[i]));
    return object;
}

static json_t *spreads(const struct figures *f)
{
    json_t *list = json_array();

    for (int i = 0; i < f->spreads; i++) {
        const struct spread *s = &f->spread[i];
        json_array_append_new(list,
                              json_pack("{s:o, s:s, s:i, s:o, s:o, s:o, s:o, s:o}", "name",
                                        text(s->name), "unit", unit_base(s->unit), "draws",
                                        (int)s->count, "least", report_json_number(s->value[0]),
                                        "p5", report_json_number(spread_at(s, 0.05)), "median",
                                        report_json_number(spread_at(s, 0.5)), "p95",
                                        report_json_number(spread_at(s, 0.95)), "most",
                                        report_json_number(s->value[s->count - 1])));
    }
    return list;
}

static json_t *worsts(const struct figures *f)
{
    json_t *list = json_array();

    for (int i = 0; i < f->worsts; i++) {
        const struct run_margin *margin = &f->worst[i].margin;
        json_array_append_new(
            list,
            json_pack("{s:o, s:o, s:o, s:s, s:o}", "limit", text(margin->limit), "value",
                      report_json_number(margin->value), "worst", report_json_number(margin->worst),
                      "unit", unit_base(margin->unit), "seed", report_json_seed(f->worst[i].seed)));
    }
    return list;
}

static json_t *command(const struct figures *f, const struct trial *trial)
{
    char *at = NULL;
    size_t size;
    FILE *to = open_memstream(&at, &size);

    if (!to)
        return json_null();
    trial_command(f->options, trial, to);
    fclose(to);
    json_t *string = text(at);
    free(at);
    return string;
}

static json_t *failures(const struct figures *f)
{
    json_t *list = json_array();

    for (int32_t i = 0; i < f->trials->draws; i++) {
        const struct trial *trial = &f->trials->trial[i];
        if (!trial_failed(trial))
            continue;
        json_array_append_new(
            list, json_pack("{s:o, s:s, s:s, s:o, s:o, s:o}", "seed", report_json_seed(trial->seed),
                            "outcome", outcome_name(trial->outcome), "verdict",
                            trial_verdict_name(trial->verdict), "rule",
                            trial->tripped ? text(rules[trial->rule].id) : json_null(), "text",
                            text(trial->text), "command", command(f, trial)));
    }
    return list;
}

static json_t *tripped_by(const struct fault_tally *tally)
{
    json_t *object = json_object();

    for (int i = 0; i < RULES; i++)
        if (tally->by[i] > 0)
            json_object_set_new(object, rules[i].id, json_integer(tally->by[i]));
    return object;
}

static json_t *faults(const struct figures *f)
{
    json_t *list = json_array();

    for (int i = -1; i < world_fault_count; i++) {
        struct fault_tally tally;
        fault_tally(f, i, &tally);
        if (tally.runs == 0)
            continue;
        json_t *row = json_pack(
            "{s:s, s:i, s:i, s:i, s:i, s:i, s:i, s:i}", "fault", tally.name, "runs",
            (int)tally.runs, "tripped", (int)tally.tripped, "caught",
            (int)tally.verdict[TRIAL_CAUGHT], "missed", (int)tally.verdict[TRIAL_MISSED],
            "other_rule", (int)tally.verdict[TRIAL_OTHER], "false_trips",
            (int)tally.verdict[TRIAL_FALSE], "not_played", (int)tally.verdict[TRIAL_FAILED]);
        json_object_set_new(row, "by", tripped_by(&tally));
        json_object_set_new(row, "scans_median", report_json_number(tally.median_scans));
        json_object_set_new(row, "scans_most", report_json_number(tally.slowest_scans));
        json_object_set_new(row, "over_set_k", report_json_number(tally.over_set_k));
        json_object_set_new(row, "over_ceiling_k", report_json_number(tally.over_ceiling_k));
        json_array_append_new(list, row);
    }
    return list;
}

void trials_json(const struct figures *f, enum outcome outcome, FILE *out)
{
    const struct run *first = f->trials->first;
    json_t *object = json_object();

    json_object_set_new(object, "outcome", json_string(outcome_name(outcome)));
    json_object_set_new(object, "recipe", text(first->recipe));
    json_object_set_new(object, "board", text(first->board));
    json_object_set_new(object, "bench", text(first->bench));
    json_object_set_new(object, "seed", report_json_seed(f->options->setup.seed));
    json_object_set_new(object, "draws", json_integer(f->trials->draws));
    json_object_set_new(object, "failed", json_integer(f->failed));
    json_object_set_new(object, "outcomes", outcomes(f));
    if (f->options->faults) {
        json_object_set_new(object, "faults", faults(f));
    } else {
        json_object_set_new(object, "safe_share",
                            f->failed ? json_null()
                                      : report_json_number(trials_safe_share(f->trials->draws)));
        json_object_set_new(object, "spread", spreads(f));
        json_object_set_new(object, "margins", worsts(f));
    }
    json_object_set_new(object, "failures", failures(f));
    json_object_set_new(object, "error", json_null());
    json_dumpf(object, out, JSON_INDENT(2) | JSON_REAL_PRECISION(9));
    fputc('\n', out);
    json_decref(object);
}
