/* SPDX-License-Identifier: MIT */
/* What the guard said, gathered for whoever shows it. Pure. */
#include "front_private.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "tinlatch/interlock.h"

/* Notes that ask something. Those of the guard have another number space. */
static bool is_prompt(int32_t kind)
{
    return kind == NOTE_CONFIRM || kind == NOTE_ASK || kind == NOTE_DO || kind == NOTE_CHECK;
}

static struct front_event *new_event(struct front_state *state, bool guard, const char *kind)
{
    struct front_event *event = &state->event[state->event_count % FRONT_EVENTS];
    state->event_count++;
    memset(event, 0, sizeof *event);
    event->t_ms = state->snapshot.t_ms;
    event->guard = guard;
    snprintf(event->kind, sizeof event->kind, "%s", kind);
    return event;
}

void front_say(struct front_state *state, const char *kind, const char *format, ...)
{
    char text[BENCH_TEXT];
    va_list list;
    va_start(list, format);
    vsnprintf(text, sizeof text, format, list);
    va_end(list);
    struct front_event *event = new_event(state, true, kind);
    text_clean(event->text, sizeof event->text, text);
}

bool event_is_summed_up(const struct front_state *state, const struct front_event *event)
{
    return strcmp(event->text, state->hands) == 0 || strcmp(event->text, state->fault) == 0 ||
           strcmp(event->text, state->act) == 0 || strcmp(event->text, state->look) == 0;
}

static void keep(struct front_asked *ring, uint32_t *count, const struct wire_note *note)
{
    struct front_asked *asked = &ring[*count % FRONT_ASKED];
    (*count)++;
    asked->number = note->head.number;
    asked->kind = note->note;
    text_clean(asked->name, sizeof asked->name, note->name);
    text_clean(asked->text, sizeof asked->text, note->text);
}

static const struct front_asked *find(const struct front_asked *ring, uint32_t number)
{
    for (int i = 0; i < FRONT_ASKED; i++)
        if (number != 0 && ring[i].number == number)
            return &ring[i];
    return NULL;
}

/* The first fault is the cause; what follows from it is an event like any other. */
static void keep_first(char *to, const struct wire_note *note)
{
    if (!*to)
        text_clean(to, BENCH_TEXT, note->text);
}

static void take_trouble(struct front_state *state, const struct wire_note *note)
{
    if (note->note == NOTE_FAULT)
        keep_first(state->fault, note);
    if (note->note == NOTE_ACT)
        keep_first(state->act, note);
    if (note->note == NOTE_LOOK)
        keep_first(state->look, note);
    if (note->note == NOTE_HANDS) /* the newest counts: "solid now" follows "hands off" */
        text_clean(state->hands, sizeof state->hands, note->text);
}

static void note_event(struct front_state *state, const struct wire_note *note, bool guard)
{
    struct front_event *event = new_event(state, guard, note_kind_name(note->note));
    char text[BENCH_TEXT + BENCH_NAME + 32];
    if (note->note == NOTE_VALUE)
        snprintf(text, sizeof text, "%s = %g %s", note->name, note->value, note->text);
    else if (note->note == NOTE_MELT)
        snprintf(text, sizeof text, "%s: %s", note->name, note->text);
    else
        snprintf(text, sizeof text, "%s", note->text);
    text_clean(event->text, sizeof event->text, text);
}

static bool is_whole(const struct wire_note *note)
{
    bool guard = (note->head.number & NOTE_GUARD) != 0;
    return note->note >= NOTE_STAGE && note->note < NOTE_KINDS &&
           guard == (note->note >= NOTE_CHECK) && memchr(note->text, 0, sizeof note->text) &&
           memchr(note->name, 0, sizeof note->name);
}

static void take_note(struct front_state *state, const struct wire_note *note)
{
    if (!is_whole(note))
        return;
    if (is_prompt(note->note))
        keep(state->asked, &state->asked_count, note);
    if (note->note == NOTE_STAGE)
        keep(state->staged, &state->staged_count, note);
    take_trouble(state, note);
    if (note->note != NOTE_NOTE && note->note != NOTE_JOB) /* they are for the record */
        note_event(state, note, note->note >= NOTE_CHECK);
}

static void take_prompt(struct front_state *state)
{
    uint32_t number = state->snapshot.open_note;
    if (number == state->prompt_number)
        return;
    const struct front_asked *asked = find(state->asked, number);
    state->prompt_number = asked ? number : 0;
    state->prompt_kind = asked ? asked->kind : 0;
    state->answered = false;
    snprintf(state->prompt, sizeof state->prompt, "%s", asked ? asked->text : "");
    snprintf(state->prompt_name, sizeof state->prompt_name, "%s", asked ? asked->name : "");
    if (!state->leaving)
        state->typed[0] = '\0';
}

/* What can be done about the next run while this one keeps its ports. */
static void say_meanwhile(struct front_state *state)
{
    const struct wire_snapshot *s = &state->snapshot;
    bool tripped = s->rule >= 0 && s->rule < RULES && rules[s->rule].kind == RULE_TRIP;
    bool warm = s->plate_quality != QUALITY_GOOD || s->plate_mc >= SAFE_MC;
    if (state->hello.recipe.uses_plate && warm)
        front_say(state, "next",
                  "in another terminal: check, rehearse or inspect the next recipe; no run %s",
                  tripped ? "before this one's end and tinlatch clear"
                          : "on these ports before this one's end");
}

static void take_snapshot(struct front_state *state, const struct wire_snapshot *snapshot)
{
    int32_t mode = state->snapshot_known ? state->snapshot.mode : -1;
    state->snapshot = *snapshot;
    state->snapshot_known = true;
    state->snapshot.text[sizeof state->snapshot.text - 1] = '\0';
    if (state->snapshot.joints < 0 || state->snapshot.joints > BOARD_JOINTS)
        state->snapshot.joints = 0;
    const struct front_asked *stage = find(state->staged, snapshot->stage_note);
    if (stage)
        snprintf(state->stage, sizeof state->stage, "%.*s", (int)sizeof state->stage - 1,
                 stage->text);
    if (mode != snapshot->mode)
        front_say(state, "mode", "%s", guard_mode_name(snapshot->mode));
    if (mode != snapshot->mode && snapshot->mode == GUARD_COOLING)
        say_meanwhile(state);
    take_prompt(state);
}

/* The merged limits that matter, each with its origin, before anything is heated. */
static void say_limits(struct front_state *state, bool of_supply)
{
    const struct limits *limits = &state->hello.recipe;
    char text[BENCH_TEXT] = "", value[48];
    size_t n = 0;
    for (enum limit_id id = 0; id < LIMITS; id++) {
        enum limit_layer layer = state->hello.origins.of[id].layer;
        if (limit_is_of_supply(id) != of_supply || !limit_matters(limits, id))
            continue;
        quantity_print((double)limits_get(limits, id) / limit_scale(id), limit_unit(id), value,
                       sizeof value);
        int added =
            snprintf(text + n, sizeof text - n, "%s%s %s (%s)", n ? ", " : "", limit_key(id), value,
                     (unsigned)layer < LAYERS ? limit_layer_name(layer) : "?");
        if (added < 0 || (size_t)added >= sizeof text - n)
            break;
        n += (size_t)added;
    }
    for (char *c = text; *c; c++)
        if (*c == '_')
            *c = ' '; /* words, not keys */
    if (n > 0)
        front_say(state, "limits", "%s", text);
}

/* One that the recipe does not name may be given nothing. */
static void say_rail(struct front_state *state, const struct rail_limits *rail)
{
    char given[RAIL_GIVEN];
    if (rail->mv > 0 || rail->inject_mv > 0)
        front_say(state, "limits", "rail %s: %s", rail->name, rail_given(rail, given));
}

static void say_rails(struct front_state *state)
{
    const struct limits *limits = &state->hello.recipe;
    for (int32_t i = 0; limits->uses_supply && i < limits->rail_count; i++)
        say_rail(state, &limits->rail[i]);
}

static void take_hello(struct front_state *state, const struct wire_hello *hello)
{
    if (wire_check_hello(hello) != 0)
        return;
    state->hello = *hello;
    text_clean(state->hello.title, sizeof state->hello.title, hello->title);
    text_clean(state->hello.board_name, sizeof state->hello.board_name, hello->board_name);
    text_clean(state->hello.insert, sizeof state->hello.insert, hello->insert);
    state->hello_known = true;
    say_limits(state, false);
    say_limits(state, true);
    say_rails(state);
}

static void take_end(struct front_state *state, const struct wire_end *end)
{
    state->end = *end;
    state->end.text[sizeof state->end.text - 1] = '\0';
    text_clean(state->end.text, sizeof state->end.text, state->end.text);
    state->over = true;
}

void front_take(struct front_state *state, const void *message, size_t size)
{
    union { /* aligned, whatever the caller's buffer is */
        struct wire_head head;
        struct wire_hello hello;
        struct wire_snapshot snapshot;
        struct wire_note note;
        struct wire_end end;
    } got;
    if (size < sizeof got.head || size > sizeof got)
        return;
    memcpy(&got, message, size);
    if (wire_size(got.head.kind) != size)
        return;
    if (got.head.kind == WIRE_HELLO)
        take_hello(state, &got.hello);
    if (got.head.kind == WIRE_SNAPSHOT)
        take_snapshot(state, &got.snapshot);
    if (got.head.kind == WIRE_NOTE)
        take_note(state, &got.note);
    if (got.head.kind == WIRE_END)
        take_end(state, &got.end);
}
