/* SPDX-License-Identifier: MIT */
/* What the run was, as far as the front saw it. The record has the whole. */
#include "front_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

void tally_begin(struct run *run, const struct front_config *config)
{
    snprintf(run->recipe, sizeof run->recipe, "%s", config->recipe ? config->recipe : "");
    snprintf(run->bench, sizeof run->bench, "%s", config->bench ? config->bench : "");
    snprintf(run->record, sizeof run->record, "%s", config->record ? config->record : "");
    run->peak_true_c = run->peak_read_c = run->peak_board_c = run->cool_c_s = NAN;
    run->outcome = RUN_STOPPED;
    run->point_every_s = 0.5;
}

static void peak(double *most, int32_t mc, int32_t quality)
{
    double c = mc / 1000.0;
    if (quality == QUALITY_GOOD && !(*most >= c))
        *most = c;
}

static void take_hello(struct run *run, const struct front_state *state)
{
    run->limits = state->hello.recipe;
    run->origins = state->hello.origins;
    snprintf(run->title, sizeof run->title, "%s", state->hello.title);
    snprintf(run->board, sizeof run->board, "%s", state->hello.board_name);
}

static void take_stage(struct run *run, const struct front_state *state, double t_s)
{
    int n = run->stage_count;
    if (!state->stage[0] || (n > 0 && strcmp(run->stage[n - 1].name, state->stage) == 0))
        return;
    if (n > 0)
        run->stage[n - 1].end_s = t_s;
    if (n == RUN_STAGES)
        return;
    run->stage[n] = (struct run_stage){.start_s = t_s, .peak_c = NAN};
    snprintf(run->stage[n].name, sizeof run->stage[n].name, "%s", state->stage);
    run->stage_count++;
}

static void take_snapshot(struct run *run, const struct front_state *state)
{
    const struct wire_snapshot *s = &state->snapshot;
    double t_s = (double)s->t_ms / 1000;
    run->duration_s = t_s;
    peak(&run->peak_read_c, s->plate_mc, s->plate_quality);
    peak(&run->peak_board_c, s->temp_mc[SENSOR_BOARD], s->quality[SENSOR_BOARD]);
    if (s->mode == GUARD_RUNNING || s->mode == GUARD_PAUSED) {
        run->recipe_s = t_s;
        take_stage(run, state, t_s);
        if (run->stage_count > 0) {
            run->stage[run->stage_count - 1].end_s = t_s;
            peak(&run->stage[run->stage_count - 1].peak_c, s->plate_mc, s->plate_quality);
        }
    }
    if (s->mode >= GUARD_COOLING && s->rule >= 0 && s->rule < RULES && !run->tripped) {
        run->tripped = true;
        run->trip_rule = (enum rule_id)s->rule;
        run->trip_s = t_s;
    }
}

static void take_note(struct run *run, const struct front_state *state,
                      const struct wire_note *note)
{
    if (note->note != NOTE_MELT || run->melt_count == RUN_MELTS)
        return;
    struct run_melt *melt = &run->melt[run->melt_count++];
    text_clean(melt->joint, sizeof melt->joint, note->name);
    text_clean(melt->how, sizeof melt->how, note->text);
    melt->at_s = (double)state->snapshot.t_ms / 1000;
    melt->true_first_s = melt->true_last_s = NAN;
}

/* After front_take, which has judged the message. */
void tally_take(struct run *run, const struct front_state *state, const void *message)
{
    struct wire_head head;
    struct wire_note note;
    memcpy(&head, message, sizeof head);
    if (head.kind == WIRE_HELLO && state->hello_known)
        take_hello(run, state);
    if (head.kind == WIRE_SNAPSHOT)
        take_snapshot(run, state);
    if (head.kind != WIRE_NOTE)
        return;
    memcpy(&note, message, sizeof note);
    if (memchr(note.name, 0, sizeof note.name) && memchr(note.text, 0, sizeof note.text))
        take_note(run, state, &note);
}

void tally_end(struct run *run, const struct front_state *state, enum outcome outcome)
{
    char hands[BENCH_TEXT];
    run->outcome = outcome;
    snprintf(run->trip_words.what, sizeof run->trip_words.what, "%s", state->fault);
    snprintf(run->trip_words.act, sizeof run->trip_words.act, "%s", state->act);
    snprintf(run->trip_words.inspect, sizeof run->trip_words.inspect, "%s", state->look);
    snprintf(run->hands, sizeof run->hands, "%s", hands_now(state, hands));
    if (!state->over)
        tl_error_set(&run->error, TL_ENDED, "the guard ended without a word");
    else if (outcome != RUN_DONE && state->end.text[0])
        tl_error_set(&run->error, TL_STEP, "%s", state->end.text);
    if (run->error.code && state->over && state->end.line > 0)
        tl_error_at(&run->error, run->recipe, state->end.line);
}
