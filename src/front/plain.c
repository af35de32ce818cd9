/* SPDX-License-Identifier: MIT */
/* Lines that are only ever added: for pipes, files, dumb terminals and screen readers. */
#include "front_private.h"

#include <stdio.h>
#include <string.h>

enum { LINE = 1024, LAST_EVENTS = 20 };

static void write_line(struct outlet *outlet, int *lost, const char *mark, int64_t t_ms,
                       const char *kind, const char *text, bool ascii)
{
    char line[LINE], time[FACT];
    fact_time(t_ms, time);
    int n = snprintf(line, sizeof line, "%s %6s %-6s %s\n", mark, time, kind, text);
    for (char *c = line; ascii && *c; c++)
        if ((unsigned char)*c >= 0x80)
            *c = '?';
    if (n < 0 || (size_t)n >= sizeof line || !outlet_put(outlet, line, (size_t)n))
        (*lost)++;
}

static void tell_event(struct outlet *outlet, int *lost, const struct front_state *state, int which)
{
    const struct front_event *event = &state->event[which % FRONT_EVENTS];
    write_line(outlet, lost, event->guard ? "#" : " ", event->t_ms, event->kind, event->text,
               state->ascii);
}

static const char *how_to_answer(int32_t kind)
{
    switch (kind) {
    case NOTE_ASK:
        return "answer with a value; an empty line takes what is suggested; or no";
    case NOTE_DO:
        return "answer with yes when it is done, no when it cannot be done";
    default:
        return "answer with yes or no";
    }
}

static void tell_beat(struct outlet *outlet, int *lost, const struct front_state *state)
{
    char text[5 * FACT + 64], plate[FACT], target[FACT], next[FACT], margin[FACT];
    fact_plate(state, plate);
    fact_target(state, target);
    fact_next(state, next);
    fact_margin(state, margin);
    snprintf(text, sizeof text, "%s; plate %s; target %s; next: %s; margin %s%s%s",
             fact_mode(state), plate, target, next, margin, state->stage[0] ? "; stage " : "",
             state->stage);
    write_line(outlet, lost, "#", state->snapshot.t_ms, "still", text, state->ascii);
}

void plain_tell(struct plain *plain, const struct front_state *state, struct outlet *outlet,
                int64_t t_ms)
{
    if (plain->lost > 0 && outlet_idle(outlet)) {
        char text[64];
        int again = 0;
        snprintf(text, sizeof text, "%d lines were not taken and are lost", plain->lost);
        plain->lost = 0;
        write_line(outlet, &again, "#", state->snapshot.t_ms, "lost", text, true);
    }
    if (state->event_count - plain->told > FRONT_EVENTS) {
        plain->lost += state->event_count - plain->told - FRONT_EVENTS;
        plain->told = state->event_count - FRONT_EVENTS;
    }
    while (plain->told < state->event_count)
        tell_event(outlet, &plain->lost, state, plain->told++);
    if (plain->prompt != state->prompt_number) {
        plain->prompt = state->prompt_number;
        if (plain->prompt)
            write_line(outlet, &plain->lost, "#", state->snapshot.t_ms, "open",
                       how_to_answer(state->prompt_kind), true);
    }
    if (t_ms - plain->beat_ms >= HEARTBEAT_MS) {
        plain->beat_ms = t_ms;
        tell_beat(outlet, &plain->lost, state);
    }
}

bool plain_take(struct plain *plain, char byte)
{
    if (byte == '\n') {
        /* A line that was cut is no answer to anything. */
        plain->line[plain->too_long ? 0 : plain->length] = '\0';
        bool whole = !plain->too_long;
        while (whole && plain->length > 0 && strchr(" \r\t", plain->line[plain->length - 1]))
            plain->line[--plain->length] = '\0';
        plain->length = 0;
        plain->too_long = false;
        return whole;
    }
    if (plain->length + 1 < sizeof plain->line)
        plain->line[plain->length++] = byte;
    else
        plain->too_long = true;
    return false;
}

static void summary_line(struct outlet *outlet, const struct front_state *state, const char *label,
                         const char *text)
{
    char line[LINE];
    if (!text || !*text)
        return;
    int n = snprintf(line, sizeof line, "# %-6s %s\n", label, text);
    for (char *c = line; state->ascii && *c; c++)
        if ((unsigned char)*c >= 0x80)
            *c = '?';
    if (n > 0 && (size_t)n < sizeof line)
        outlet_put(outlet, line, (size_t)n);
}

void plain_summary(const struct front_state *state, const struct front_config *config, bool told,
                   struct outlet *outlet)
{
    int lost = 0, first = state->event_count > LAST_EVENTS ? state->event_count - LAST_EVENTS : 0;
    for (int i = told ? state->event_count : first; i < state->event_count; i++)
        tell_event(outlet, &lost, state, i);
    summary_line(outlet, state, "hands", told ? "" : state->hands);
    summary_line(outlet, state, "what", state->fault);
    summary_line(outlet, state, "do", state->act);
    summary_line(outlet, state, "look", state->look);
    if (!state->over)
        summary_line(outlet, state, "guard",
                     "ended without a word: take the bench for hot and live, look whether "
                     "everything is off, pull the plug if not");
    else if (state->end.code >= 0 && state->end.code < OUTCOMES)
        summary_line(outlet, state, "end", outcome_name((enum outcome)state->end.code));
    if (state->over)
        summary_line(outlet, state, "", state->end.text);
    summary_line(outlet, state, "record", config->record);
}
