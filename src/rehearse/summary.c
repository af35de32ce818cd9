/* SPDX-License-Identifier: MIT */
/* From snapshots to what a person reads: stages, melts, curves, peaks, margins. */
#include "rehearse_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static bool good(int32_t quality)
{
    return quality == QUALITY_GOOD;
}

/* The coldest place of the joint that is named first: the one the recipe waits for. */
static double coldest_joint_c(const struct rehearsal *r)
{
    const struct board *board = r->board;

    return board->joint_count > 0 && r->truth.placed ? r->truth.joint_coldest_c[0] : (double)NAN;
}

static void add_point(struct rehearsal *r, const struct wire_snapshot *s)
{
    struct run_point point = {
        .t_s = (float)((double)s->t_ms / 1000),
        .plate_c = (float)r->truth.plate_c,
        .plate_read_c = good(s->plate_quality) ? (float)s->plate_mc / 1000 : NAN,
        .board_c = good(s->quality[SENSOR_BOARD]) ? (float)s->temp_mc[SENSOR_BOARD] / 1000 : NAN,
        .joint_c = (float)coldest_joint_c(r),
        .target_c = s->granted_heat ? (float)s->granted_mc / 1000 : NAN,
    };
    if (guard_limits(r->guard)->uses_plate)
        run_add_point(r->run, &point);
}

static void keep_highest(double *worst, double value)
{
    if (!(*worst >= value))
        *worst = value;
}

static void see_plate(struct rehearsal *r, const struct wire_snapshot *s,
                      const struct wire_turn *turn)
{
    struct run *run = r->run;

    if (good(s->plate_quality)) {
        double read_c = s->plate_mc / 1000.0;
        keep_highest(&run->peak_read_c, read_c);
        keep_highest(&r->extremes.plate_c, read_c);
        if (run->stage_count > 0)
            keep_highest(&run->stage[run->stage_count - 1].peak_c, read_c);
    }
    if (good(s->quality[SENSOR_BOARD])) {
        keep_highest(&run->peak_board_c, s->temp_mc[SENSOR_BOARD] / 1000.0);
        keep_highest(&r->extremes.board_c, s->temp_mc[SENSOR_BOARD] / 1000.0);
    }
    if (s->ramp_known && s->granted_heat)
        keep_highest(&r->extremes.ramp_c_s, s->ramp_mc_s / 1000.0);
    /* A ramp at the limit is "as fast as allowed": no rate was asked for. */
    if (s->granted_heat && turn->ramp_mc_s > 0 &&
        turn->ramp_mc_s < guard_limits(r->guard)->ramp_mc_s)
        keep_highest(&r->asked_ramp_c_s, turn->ramp_mc_s / 1000.0);
    run->driven = run->driven || s->granted_heat || s->granted_supply;
    r->extremes.heat_left_ms = s->heat_left_ms;
}

static void see_supply(struct rehearsal *r, const struct wire_snapshot *s,
                       const struct wire_turn *turn)
{
    if (!good(s->supply_quality) || !s->supply_on || !turn->supply_on)
        return;
    keep_highest(turn->inject ? &r->extremes.inject_v : &r->extremes.supply_v,
                 s->supply_mv / 1000.0);
    keep_highest(turn->inject ? &r->extremes.inject_a : &r->extremes.supply_a,
                 s->supply_ma / 1000.0);
    if (good(s->quality[SENSOR_BOARD]))
        keep_highest(&r->extremes.power_c, s->temp_mc[SENSOR_BOARD] / 1000.0);
}

/* The start of a trip, a stop or a pause, once. */
static void see_mode(struct rehearsal *r, const struct wire_snapshot *s)
{
    const struct guard_trip *trip = guard_trip(r->guard);
    struct run *run = r->run;

    if (trip->tripped && !run->tripped) {
        run->tripped = true;
        run->trip_rule = trip->rule;
        run->trip_s = (double)trip->at_ms / 1000;
        run->trip_words = trip->words;
        run_add_event(run, run->trip_s, 0, rules[trip->rule].kind == RULE_STOP ? "stop" : "trip",
                      trip->words.what);
    }
    if (s->mode == GUARD_COOLING && run->hands[0] == '\0')
        snprintf(run->hands, sizeof run->hands, "%s", trip->hands);
}

static void see_answer(struct rehearsal *r, const struct wire_snapshot *s)
{
    static const char *const said[ANSWERS] = {"", "yes", "no", "answer"};
    char text[sizeof r->asked + 16] = "";

    if (s->answer == ANSWER_NONE || s->prompt == r->answered)
        return;
    r->answered = s->prompt;
    if (s->answer == ANSWER_VALUE)
        snprintf(text, sizeof text, "%.4g", s->value);
    else if (s->answer == ANSWER_NO)
        snprintf(text, sizeof text, "to \"%s\"", r->asked);
    run_add_event(r->run, (double)s->t_ms / 1000, 0, said[s->answer], text);
}

/* The world's own times for each melt, as long as its pass lasts. */
static void see_melts(struct rehearsal *r)
{
    for (int i = 0; i < r->run->melt_count; i++) {
        int joint = r->melt_joint[i];
        if (joint < 0 || r->melt_pass[i] != r->truth.joint_pass[joint])
            continue;
        r->run->melt[i].true_first_s = r->truth.joint_first_melt_s[joint];
        r->run->melt[i].true_last_s = r->truth.joint_last_melt_s[joint];
    }
}

/* Once some of it melts after it was solid, it is the next pass. */
static void see_molten(struct run_joint *joint, double share, double now_s)
{
    if (share <= 0)
        return;
    bool is_next = joint->tenth_s[0] < joint->solid_s;
    for (int i = 0; i < RUN_TENTHS; i++) {
        bool reached = share > (i + 1) / (double)RUN_TENTHS - 1e-9;
        if (is_next && share * RUN_TENTHS >= 1)
            joint->tenth_s[i] = NAN;
        if (reached && isnan(joint->tenth_s[i]))
            joint->tenth_s[i] = now_s;
    }
}

/* The last pass that began counts. */
static void see_joint(struct rehearsal *r, struct run_joint *joint, int i)
{
    const struct world_truth *truth = &r->truth;
    see_molten(joint, truth->joint_molten[i], (double)r->now_ms / 1000);
    if (truth->joint_pass[i] != r->joint_pass[i] && isnan(joint->solid_s))
        joint->solid_s = (double)r->now_ms / 1000;
    r->joint_pass[i] = truth->joint_pass[i];
    if (isnan(truth->joint_first_melt_s[i]))
        return;
    joint->first_s = truth->joint_first_melt_s[i];
    joint->last_s = truth->joint_last_melt_s[i];
    joint->freezes_s = truth->joint_freezes_s[i];
    joint->lifted_s = truth->joint_lifted_s[i];
    joint->liquid_s = truth->joint_liquid_s[i];
    joint->solid_s = NAN;
    joint->first_segments = truth->joint_first_segments[i];
    joint->last_segments = truth->joint_last_segments[i];
}

static void see_joints(struct rehearsal *r)
{
    struct run *run = r->run;
    while (run->joint_count < r->board->joint_count) {
        struct run_joint *joint = &run->joint[run->joint_count];
        *joint = (struct run_joint){.first_s = NAN,
                                    .last_s = NAN,
                                    .freezes_s = NAN,
                                    .solid_s = NAN,
                                    .lifted_s = NAN,
                                    .segments = r->board->joint[run->joint_count].segments};
        for (int i = 0; i < RUN_TENTHS; i++)
            joint->tenth_s[i] = NAN;
        snprintf(joint->joint, sizeof joint->joint, "%s", r->board->joint[run->joint_count].name);
        run->joint_count++;
    }
    for (int i = 0; i < run->joint_count; i++)
        see_joint(r, &run->joint[i], i);
}

static void see_parts(struct rehearsal *r)
{
    struct run *run = r->run;
    for (; run->part_count < r->board->part_count; run->part_count++)
        snprintf(run->part[run->part_count].part, sizeof run->part[0].part, "%s",
                 r->board->part[run->part_count].name);
    for (int i = 0; i < run->part_count; i++) {
        run->part[i].peak_c = r->truth.part_peak_c[i];
        run->part[i].ramp_c_s = r->truth.part_ramp_c_s[i];
    }
    run->lateral_k = r->truth.lateral_k;
}

_Static_assert((int)RUN_PLACES == (int)WORLD_PLACES && (int)RUN_FACE == (int)WORLD_FACE,
               "the picture is copied");

void summary_heat(const struct rehearsal *r, struct run_heat *heat)
{
    static struct world_heat seen;
    world_heat(r->world, &seen);
    *heat = (struct run_heat){.at_s = seen.at_s};
    for (int i = 0; i < BOARD_LAYERS; i++) {
        heat->cells_x[i] = seen.cells_x[i];
        heat->cells_y[i] = seen.cells_y[i];
        heat->length_mm[i] = (float)r->board->slab[i].length_mm;
        heat->width_mm[i] = (float)r->board->slab[i].width_mm;
        memcpy(heat->face_c[i], seen.face_c[i], sizeof heat->face_c[i]);
    }
    for (int i = 0; i < seen.places; i++) {
        const struct world_place *place = &seen.place[i];
        heat->place[i] = (struct run_place){place->joint, place->segment + 1, place->x_mm,
                                            place->y_mm,  place->melts_s,     place->freezes_s};
    }
    heat->places = seen.places;
    int joint = run_heat_joint(heat);
    if (joint >= 0)
        snprintf(heat->joint, sizeof heat->joint, "%s", r->board->joint[joint].name);
}

void summary_snapshot(struct rehearsal *r, const struct wire_snapshot *snapshot,
                      const struct wire_turn *turn)
{
    add_point(r, snapshot);
    see_plate(r, snapshot, turn);
    see_supply(r, snapshot, turn);
    see_answer(r, snapshot);
    see_mode(r, snapshot);
    see_melts(r);
    see_joints(r);
    see_parts(r);
    keep_highest(&r->run->peak_true_c, r->truth.plate_c);
}

static void begin_stage(struct rehearsal *r, double t_s, const char *name)
{
    struct run *run = r->run;

    if (run->stage_count > 0 && isnan(run->stage[run->stage_count - 1].end_s))
        run->stage[run->stage_count - 1].end_s = t_s;
    if (run->stage_count == RUN_STAGES)
        return;
    struct run_stage *stage = &run->stage[run->stage_count++];
    snprintf(stage->name, sizeof stage->name, "%.*s", (int)sizeof stage->name - 1, name);
    stage->start_s = t_s;
    stage->end_s = NAN;
    stage->peak_c = NAN;
}

static int joint_named(const struct board *board, const char *name)
{
    for (int i = 0; i < board->joint_count; i++)
        if (strcmp(board->joint[i].name, name) == 0)
            return i;
    return -1;
}

static void add_melt(struct rehearsal *r, double t_s, const struct wire_note *note)
{
    struct run *run = r->run;

    if (run->melt_count == RUN_MELTS)
        return;
    int joint = joint_named(r->board, note->name);
    r->melt_joint[run->melt_count] = joint;
    r->melt_pass[run->melt_count] = joint < 0 ? 0 : r->truth.joint_pass[joint];
    struct run_melt *melt = &run->melt[run->melt_count++];
    snprintf(melt->joint, sizeof melt->joint, "%s", note->name);
    snprintf(melt->how, sizeof melt->how, "%s", note->text);
    melt->at_s = t_s;
    melt->true_first_s = NAN;
    melt->true_last_s = NAN;
}

/* A recorded value as a person reads it: its text is only the unit. */
static void add_value(struct rehearsal *r, double t_s, const struct wire_note *note)
{
    char text[sizeof note->name + sizeof note->text + 40];
    bool large = fabs(note->value) >= 10000;
    snprintf(text, sizeof text, large ? "%s = %.0f %s" : "%s = %.4g %s", note->name, note->value,
             note->text);
    run_add_event(r->run, t_s, note->line, note_kind_name(note->note), text);
}

void summary_note(struct rehearsal *r, const struct wire_note *note)
{
    double t_s = (double)r->now_ms / 1000;

    r->note_line = note->line;
    if (note->note == NOTE_CONFIRM || note->note == NOTE_ASK || note->note == NOTE_DO)
        snprintf(r->asked, sizeof r->asked, "%s", note->text);
    if (note->note == NOTE_JOB)
        return;
    if (note->note == NOTE_VALUE)
        add_value(r, t_s, note);
    else
        run_add_event(r->run, t_s, note->line, note_kind_name(note->note), note->text);
    if (note->note == NOTE_STAGE)
        begin_stage(r, t_s, note->text);
    else if (note->note == NOTE_MELT)
        add_melt(r, t_s, note);
}

/* One rule's cause may come and go all the time; its figures differ, its id in brackets at the end does not. */
static bool was_warned(const struct run *run, const char *text)
{
    const char *id = strrchr(text, '(');

    for (int i = 0; i < run->warning_count && id; i++) {
        const char *other = strrchr(run->warning[i], '(');
        if (other && strcmp(other, id) == 0)
            return true;
    }
    return false;
}

void summary_guard_note(void *rehearsal, const struct wire_note *note)
{
    struct rehearsal *r = rehearsal;
    struct run *run = r->run;

    if (note->note != NOTE_WARN || note->head.number < NOTE_GUARD)
        return;
    run_add_event(run, (double)r->now_ms / 1000, 0, note_kind_name(note->note), note->text);
    if (!was_warned(run, note->text))
        run_add_warning(run, "%s", note->text);
}

static void limit_margins(struct rehearsal *r)
{
    run_add_margins(r->run, &r->extremes);
    if (r->run->limits.uses_plate && r->run->peak_true_c > r->run->limits.plate_mc / 1000.0)
        run_add_margin(r->run, "plate, true", LIMIT_plate_mc, r->run->peak_true_c);
}

/* Every part's own body limit, or the class of its size, by the world's true temperature. */
static void part_margins(struct rehearsal *r)
{
    const struct board *board = r->board;

    for (int i = 0; i < board->part_count && r->run->margin_count < RUN_MARGINS; i++) {
        struct run_margin *margin = &r->run->margin[r->run->margin_count++];
        snprintf(margin->limit, sizeof margin->limit, "%s %s", board->part[i].name,
                 board->part[i].max_c > 0 ? "body" : "class");
        margin->value = board_part_bears_c(&board->part[i]);
        margin->worst = r->truth.part_peak_c[i];
        margin->unit = UNIT_TEMP;
        margin->layer = -1;
    }
}

static void too_hot_parts(struct rehearsal *r)
{
    const struct board *board = r->board;

    for (int i = 0; i < board->part_count; i++) {
        const char *name = board->part[i].name;
        double bears_c = board_part_bears_c(&board->part[i]), near_s = r->truth.part_near_s[i];
        if (r->truth.part_peak_c[i] > bears_c)
            run_add_warning(r->run, "part %s would reach %.0f C; its body limit is %.0f C%s", name,
                            r->truth.part_peak_c[i], bears_c,
                            board->part[i].max_c > 0 ? "" : ", the class of its size");
        else if (near_s > BOARD_NEAR_S)
            run_add_warning(r->run,
                            "part %s would be within %d C of its body limit of %.0f C for %.0f s; "
                            "J-STD-020 allows %d s",
                            name, BOARD_NEAR_K, bears_c, near_s, BOARD_NEAR_S);
    }
}

void summary_end(struct rehearsal *r)
{
    const struct recipe_tally *tally = &r->tally;
    struct run *run = r->run;

    if (run->stage_count > 0 && isnan(run->stage[run->stage_count - 1].end_s))
        run->stage[run->stage_count - 1].end_s = run->recipe_s;
    run->cool_c_s = r->truth.cool_c_s;
    run->worst_case_s = tally->worst_case_s;
    run->worst_case_heat_s = tally->worst_case_heat_s;
    for (int i = 0; i < tally->warning_count; i++)
        run_add_warning(run, "%s", tally->warning[i]);
    limit_margins(r);
    if (run->limits.uses_plate) {
        part_margins(r);
        too_hot_parts(r);
    }
    run->asked_ramp_c_s = r->asked_ramp_c_s;
    run->best_ramp_c_s = r->extremes.ramp_c_s;
    run_sort_margins(run);
}
