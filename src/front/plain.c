/* SPDX-License-Identifier: MIT */
/* Lines that are only ever added: for pipes, files, dumb terminals and screen readers. */
#include "front_private.h"

#include <stdio.h>
#include <string.h>

enum { LINE = 8192 };

/* A line with its label; what follows a break is indented, so that only we begin a row. */
static bool write_rows(const struct plain *plain, struct outlet *outlet, const char *label,
                       const char *text, bool ascii)
{
    char out[LINE];
    size_t n = 0;
    int indent = (int)strlen(label);
    int width = plain->columns > 2 * indent ? plain->columns - indent - 1 : INT16_MAX;
    do {
        size_t length = text_piece(text, width);
        int added =
            snprintf(out + n, sizeof out - n, "%-*s%.*s\n", indent, label, (int)length, text);
        if (added < 0 || (size_t)added >= sizeof out - n)
            return false;
        n += (size_t)added;
        text = text_after(text, length);
        label = "";
    } while (*text);
    for (size_t i = 0; ascii && i < n; i++)
        if ((unsigned char)out[i] >= 0x80)
            out[i] = '?';
    return outlet_put(outlet, out, n);
}

static void write_line(struct plain *plain, struct outlet *outlet, const char *mark, int64_t t_ms,
                       const char *kind, const char *text, bool ascii)
{
    char label[64], time[FACT];
    fact_time(t_ms, time);
    snprintf(label, sizeof label, "%s %6.10s %-6s ", mark, time, kind);
    if (!write_rows(plain, outlet, label, text, ascii))
        plain->lost++;
}

static void tell_event(struct plain *plain, struct outlet *outlet, const struct front_state *state,
                       int which)
{
    const struct front_event *event = &state->event[which % FRONT_EVENTS];
    write_line(plain, outlet, event->guard ? "#" : " ", event->t_ms, event->kind, event->text,
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

static void tell_beat(struct plain *plain, struct outlet *outlet, const struct front_state *state)
{
    char text[6 * FACT + 64], plate[FACT], target[FACT], next[FACT], margin[FACT], supply[FACT];
    fact_plate(state, plate);
    fact_target(state, target);
    fact_next(state, next);
    fact_margin(state, margin);
    fact_supply(state, supply);
    bool fed = state->hello.recipe.uses_supply;
    snprintf(text, sizeof text, "%s; plate %s; target %s; next: %s; margin %s%s%s%s%s",
             fact_mode(state), plate, target, next, margin, fed ? "; supply " : "",
             fed ? supply : "", state->stage[0] ? "; stage " : "", state->stage);
    write_line(plain, outlet, "#", state->snapshot.t_ms, "still", text, state->ascii);
}

void plain_tell(struct plain *plain, const struct front_state *state, struct outlet *outlet,
                int64_t t_ms)
{
    if (plain->lost > 0 && outlet_idle(outlet)) {
        char text[64];
        snprintf(text, sizeof text, "%d lines were not taken and are lost", plain->lost);
        plain->lost = 0;
        write_line(plain, outlet, "#", state->snapshot.t_ms, "lost", text, true);
    }
    if (state->event_count - plain->told > FRONT_EVENTS) {
        plain->lost += state->event_count - plain->told - FRONT_EVENTS;
        plain->told = state->event_count - FRONT_EVENTS;
    }
    while (plain->told < state->event_count)
        tell_event(plain, outlet, state, plain->told++);
    if (plain->prompt != state->prompt_number) {
        plain->prompt = state->prompt_number;
        if (plain->prompt)
            write_line(plain, outlet, "#", state->snapshot.t_ms, "open",
                       how_to_answer(state->prompt_kind), true);
    }
    if (t_ms - plain->beat_ms >= HEARTBEAT_MS) {
        plain->beat_ms = t_ms;
        tell_beat(plain, outlet, state);
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

static void summary_line(const struct plain *plain, struct outlet *outlet,
                         const struct front_state *state, const char *label, const char *text)
{
    char mark[32];
    snprintf(mark, sizeof mark, "# %-6s ", label);
    if (text && *text)
        write_rows(plain, outlet, mark, text, state->ascii);
}

void plain_summary(struct plain *plain, const struct front_state *state,
                   const struct front_config *config, bool told, struct outlet *outlet)
{
    char hands[BENCH_TEXT];
    int first = state->event_count > LAST_EVENTS ? state->event_count - LAST_EVENTS : 0;
    for (int i = told ? state->event_count : first; i < state->event_count; i++)
        if (!event_is_summed_up(state, &state->event[i % FRONT_EVENTS]))
            tell_event(plain, outlet, state, i);
    summary_line(plain, outlet, state, "hands", told ? "" : hands_now(state, hands));
    summary_line(plain, outlet, state, "what", state->fault);
    summary_line(plain, outlet, state, "do", state->act);
    summary_line(plain, outlet, state, "then", state->look);
    if (!state->over && !state->snapshot_known)
        summary_line(plain, outlet, state, "guard", "did not start: nothing was switched on");
    else if (!state->over)
        summary_line(plain, outlet, state, "guard",
                     "ended without a word: take the bench for hot and live, look whether "
                     "everything is off, pull the plug if not");
    else if (state->end.code >= 0 && state->end.code < OUTCOMES)
        summary_line(plain, outlet, state, "end",
                     state->end.code == RUN_TRIPPED ? "tripped; before the next run: tinlatch clear"
                                                    : outcome_name((enum outcome)state->end.code));
    if (state->over && !state->fault[0]) /* else it was told as the fault, with who says so */
        summary_line(plain, outlet, state, "", state->end.text);
    summary_line(plain, outlet, state, "record", config->record);
}
