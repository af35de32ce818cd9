/* SPDX-License-Identifier: MIT */
#include "tinlatch/report.h"

#include <jansson.h>
#include <math.h>
#include <string.h>

#include "words.h"

/* NaN has no place in JSON; nine digits are more than any sensor has, and the same everywhere. */
json_t *report_json_number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

/* jansson refuses what is not UTF-8. */
static json_t *text(const char *from)
{
    char plain[4 * WORD_TEXT];
    json_t *string = json_string(from);
    return string ? string : json_string(words_plain(from, plain, sizeof plain));
}

static json_t *text_or_null(const char *from)
{
    return from[0] ? text(from) : json_null();
}

json_t *report_json_seed(uint64_t value)
{
    char digits[24];
    if (value <= INT64_MAX)
        return json_integer((json_int_t)value);
    snprintf(digits, sizeof digits, "%llu", (unsigned long long)value);
    return json_string(digits);
}

static json_t *trip(const struct run *run)
{
    if (!run->tripped || run->trip_rule >= RULES)
        return json_null();
    return json_pack("{s:s, s:o, s:o}", "rule", rules[run->trip_rule].id, "at_s",
                     report_json_number(run->trip_s), "text", text(run->trip_words.what));
}

static json_t *peak(const struct run *run)
{
    return json_pack("{s:o, s:o, s:o}", "plate_true_c",
                     report_json_number(run->rehearsed ? run->peak_true_c : (double)NAN),
                     "plate_read_c", report_json_number(run->peak_read_c), "board_c",
                     report_json_number(run->peak_board_c));
}

static json_t *stages(const struct run *run)
{
    json_t *list = json_array();
    for (int32_t i = 0; i < run->stage_count; i++) {
        const struct run_stage *stage = &run->stage[i];
        json_array_append_new(list, json_pack("{s:o, s:o, s:o, s:o}", "name", text(stage->name),
                                              "start_s", report_json_number(stage->start_s),
                                              "end_s", report_json_number(stage->end_s), "peak_c",
                                              report_json_number(stage->peak_c)));
    }
    return list;
}

static json_t *melts(const struct run *run)
{
    json_t *list = json_array();
    for (int32_t i = 0; i < run->melt_count; i++) {
        const struct run_melt *melt = &run->melt[i];
        double first_s = run->rehearsed ? melt->true_first_s : (double)NAN;
        double last_s = run->rehearsed ? melt->true_last_s : (double)NAN;
        json_array_append_new(
            list,
            json_pack("{s:o, s:o, s:o, s:o, s:o}", "joint", text(melt->joint), "at_s",
                      report_json_number(melt->at_s), "how", text(melt->how), "true_first_s",
                      report_json_number(first_s), "true_last_s", report_json_number(last_s)));
    }
    return list;
}

/* By tenths of the solder. */
static json_t *tenths(const struct run_joint *joint)
{
    json_t *list = json_array();
    for (int i = 0; i < RUN_TENTHS; i++)
        json_array_append_new(list, report_json_number(joint->tenth_s[i]));
    return list;
}

/* Numbers from 1; several when they were so in the same step. */
static json_t *segments(uint32_t those)
{
    json_t *list = json_array();
    for (int i = 0; those >> i; i++)
        if (those >> i & 1)
            json_array_append_new(list, json_integer(i + 1));
    return list;
}

/* Of the simulated world: when what each joint holds could be lifted. */
static json_t *joints(const struct run *run)
{
    json_t *list = json_array();
    for (int32_t i = 0; run->rehearsed && i < run->joint_count; i++) {
        const struct run_joint *joint = &run->joint[i];
        json_array_append_new(
            list, json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "joint",
                            text(joint->joint), "first_s", report_json_number(joint->first_s),
                            "last_s", report_json_number(joint->last_s), "freezes_s",
                            report_json_number(joint->freezes_s), "solid_s",
                            report_json_number(joint->solid_s), "lifted_s",
                            report_json_number(joint->lifted_s), "liquid_s",
                            report_json_number(joint->liquid_s), "tenths_s", tenths(joint),
                            "first_segments", segments(joint->first_segments), "last_segments",
                            segments(joint->last_segments)));
    }
    return list;
}

static json_t *parts(const struct run *run)
{
    json_t *list = json_array();
    for (int32_t i = 0; run->rehearsed && i < run->part_count; i++)
        json_array_append_new(list,
                              json_pack("{s:o, s:o, s:o}", "part", text(run->part[i].part),
                                        "peak_c", report_json_number(run->part[i].peak_c),
                                        "ramp_c_s", report_json_number(run->part[i].ramp_c_s)));
    return list;
}

static json_t *margins(const struct run *run)
{
    json_t *list = json_array();
    for (int32_t i = 0; i < run->margin_count; i++) {
        const struct run_margin *margin = &run->margin[i];
        json_array_append_new(list, json_pack("{s:o, s:o, s:o, s:s}", "limit", text(margin->limit),
                                              "value", report_json_number(margin->value), "worst",
                                              report_json_number(margin->worst), "unit",
                                              unit_base(margin->unit)));
    }
    return list;
}

static json_t *error(const struct tl_error *from)
{
    if (from->code == TL_OK)
        return json_null();
    return json_pack("{s:o, s:o, s:o, s:o}", "file", text_or_null(from->file), "line",
                     from->line > 0 ? json_integer(from->line) : json_null(), "text",
                     text(from->text), "hint", text_or_null(from->hint));
}

/* What the recipe's bytes were; nulls where that is not told. */
static json_t *source(const struct run_source *from)
{
    json_t *object = json_object();
    for (int i = 0; i < RUN_SOURCES; i++)
        json_object_set_new(object, run_source_key((enum run_source_id)i),
                            text_or_null(from->text[i]));
    return object;
}

void report_json(const struct run *run, FILE *out)
{
    json_t *object = json_object();
    json_object_set_new(object, "outcome", json_string(outcome_name(run->outcome)));
    json_object_set_new(object, "recipe", text(run->recipe));
    json_object_set_new(object, "source", source(&run->source));
    json_object_set_new(object, "board", text_or_null(run->board));
    json_object_set_new(object, "seed", report_json_seed(run->seed));
    json_object_set_new(object, "duration_s", report_json_number(run->duration_s));
    json_object_set_new(object, "wall_s", report_json_number(run->wall_s));
    json_object_set_new(object, "trip", trip(run));
    json_object_set_new(object, "peak", peak(run));
    json_object_set_new(object, "stages", stages(run));
    json_object_set_new(object, "melt", melts(run));
    json_object_set_new(object, "joints", joints(run));
    json_object_set_new(object, "parts", parts(run));
    json_object_set_new(object, "grid_mm",
                        run->rehearsed && run->grid_mm > 0 ? report_json_number(run->grid_mm)
                                                           : json_null());
    json_object_set_new(object, "lateral_k",
                        report_json_number(run->rehearsed ? run->lateral_k : (double)NAN));
    json_object_set_new(object, "margins", margins(run));
    json_object_set_new(object, "error", error(&run->error));
    json_object_set_new(object, "run", text_or_null(run->record));
    /* In ASCII: nothing that a stranger wrote turns or hides what stands beside it. */
    json_dumpf(object, out, JSON_INDENT(2) | JSON_REAL_PRECISION(9) | JSON_ENSURE_ASCII);
    fputc('\n', out);
    json_decref(object);
}
