/* SPDX-License-Identifier: MIT */
#include "tinlatch/history.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/bytes.h"

struct reader {
    struct history *h;
    struct record_line line;
    struct run_extremes seen;
    double driven_first_s, driven_last_s; /* heat or supply */
    uint32_t *prompt;                     /* of each event: the note's number, 0 = none */
    int32_t event_room, point_room, value_room, job_room, forecast_room;
    bool no_memory;
    float joint_c[BOARD_JOINTS],
        gone_c[BOARD_JOINTS]; /* the last; where it left with its board, else NAN */
    uint32_t guard_notes;     /* texts of the guard so far: they are numbered in that order */
};

/* Room for one more in an array that grows. */
static void *grow(struct reader *r, void *array, int32_t count, int32_t *room, size_t size)
{
    if (count < *room)
        return array;
    int32_t more = *room ? 2 * *room : 64;
    void *larger = realloc(array, (size_t)more * size);
    if (!larger) {
        r->no_memory = true;
        return array;
    }
    *room = more;
    return larger;
}

static void keep_highest(double *worst, double value)
{
    if (!(*worst >= value))
        *worst = value;
}

/* ---- scans ---------------------------------------------------------------------------------- */

static double reading_c(const struct temp_reading *reading)
{
    return reading->quality == QUALITY_GOOD ? reading->temp_mc / 1000.0 : (double)NAN;
}

static void add_curve(struct run *run, const struct history_point *point, int32_t true_mc)
{
    struct run_point thin = {.t_s = point->t_s,
                             .plate_c = true_mc == INT32_MIN ? NAN : (float)(true_mc / 1000.0),
                             .plate_read_c = point->plate_c,
                             .board_c = point->board_c,
                             .joint_c = point->joint_c[0],
                             .target_c = point->target_c};
    run_add_point(run, &thin);
}

static bool recipes_turn(const struct record_scan *s)
{
    return s->mode == GUARD_RUNNING || s->mode == GUARD_PAUSED;
}

/* A joint that left with its board is at the room's temperature from one scan to the next, and stays so: it has no
 * curve until it is back. */
static float joint_there_c(struct reader *r, int joint, float temp_c)
{
    static const float JUMP_K = 30, STAYS_K = 2;
    float before_c = r->joint_c[joint];
    r->joint_c[joint] = temp_c;
    if (before_c - temp_c > JUMP_K)
        r->gone_c[joint] = temp_c;
    if (fabsf(temp_c - r->gone_c[joint]) < STAYS_K)
        return NAN;
    r->gone_c[joint] = NAN;
    return temp_c;
}

static void add_point(struct reader *r, const struct record_scan *s)
{
    struct history *h = r->h;
    h->point = grow(r, h->point, h->point_count, &r->point_room, sizeof *h->point);
    if (r->no_memory)
        return;
    struct history_point *p = &h->point[h->point_count++];
    bool fed = s->in.supply.quality == QUALITY_GOOD;
    *p = (struct history_point){
        .t_s = (float)((double)s->in.t_ms / 1000),
        .plate_c = (float)reading_c(&s->in.plate),
        .board_c = (float)reading_c(&s->in.sensor[SENSOR_BOARD]),
        .target_c = s->out.heat ? (float)(s->out.temp_mc / 1000.0) : NAN,
        .volts = fed ? (float)(s->in.supply.mv / 1000.0) : NAN,
        .amps = fed ? (float)(s->in.supply.ma / 1000.0) : NAN,
    };
    for (int i = 0; i < BOARD_JOINTS; i++) {
        bool told =
            i < s->joints && recipes_turn(s); /* the last one stands on when the recipe is over */
        p->joint_c[i] = told ? joint_there_c(r, i, (float)(s->joint[i].temp_mc / 1000.0)) : NAN;
        p->molten[i] = told ? (float)(s->joint[i].molten_permille / 1000.0) : NAN;
    }
    if (h->run.limits.uses_plate)
        add_curve(&h->run, p, s->true_mc);
}

static void see_heat(struct reader *r, const struct record_scan *s, double t_s)
{
    struct run *run = &r->h->run;
    bool runs = recipes_turn(s);
    if (s->in.plate.quality == QUALITY_GOOD) {
        double read_c = s->in.plate.temp_mc / 1000.0;
        keep_highest(&run->peak_read_c, read_c);
        keep_highest(&r->seen.plate_c, read_c);
        if (run->stage_count > 0)
            keep_highest(&run->stage[run->stage_count - 1].peak_c, read_c);
    }
    keep_highest(&r->seen.board_c, reading_c(&s->in.sensor[SENSOR_BOARD]));
    if (s->in.ramp_known && s->out.heat)
        keep_highest(&r->seen.ramp_c_s, s->in.ramp_mc_s / 1000.0);
    if (s->true_mc != INT32_MIN)
        keep_highest(&run->peak_true_c, s->true_mc / 1000.0);
    r->seen.heat_left_ms = s->heat_left_ms;
    if (runs)
        run->recipe_s = t_s;
    if (!s->out.heat || !runs)
        return;
    if (isnan(r->h->heat_first_s))
        r->h->heat_first_s = t_s;
    r->h->heat_last_s = t_s;
}

static void see_supply(struct reader *r, const struct record_scan *s)
{
    const struct supply_reading *supply = &s->in.supply;
    if (supply->quality != QUALITY_GOOD || !supply->on || !s->want.supply_on)
        return;
    keep_highest(s->want.inject ? &r->seen.inject_v : &r->seen.supply_v, supply->mv / 1000.0);
    keep_highest(s->want.inject ? &r->seen.inject_a : &r->seen.supply_a, supply->ma / 1000.0);
    keep_highest(&r->seen.power_c, reading_c(&s->in.sensor[SENSOR_BOARD]));
}

static void take_scan(struct reader *r)
{
    const struct record_scan *s = &r->line.scan;
    struct history *h = r->h;
    double t_s = (double)s->in.t_ms / 1000;
    h->scans++;
    h->run.duration_s = t_s;
    add_point(r, s);
    see_heat(r, s, t_s);
    see_supply(r, s);
    h->run.driven = h->run.driven || s->out.heat || s->out.supply_on;
    if (recipes_turn(s) && (s->out.heat || s->out.supply_on)) {
        if (isnan(r->driven_first_s))
            r->driven_first_s = t_s;
        r->driven_last_s = t_s;
    }
}

/* ---- texts ---------------------------------------------------------------------------------- */

static struct history_event *add_event(struct reader *r, const char *kind, const char *text)
{
    struct history *h = r->h;
    int32_t room = r->event_room;
    h->event = grow(r, h->event, h->event_count, &r->event_room, sizeof *h->event);
    if (!r->no_memory && room != r->event_room) {
        uint32_t *more = realloc(r->prompt, (size_t)r->event_room * sizeof *more);
        r->no_memory = !more;
        r->prompt = more ? more : r->prompt;
    }
    if (r->no_memory)
        return NULL;
    double at_s = (double)r->line.t_ms / 1000;
    r->prompt[h->event_count] = 0;
    struct history_event *event = &h->event[h->event_count++];
    *event = (struct history_event){.at_s = at_s, .answered_s = (double)NAN, .line = r->line.line};
    bytes_copy_text(event->kind, sizeof event->kind, kind);
    bytes_copy_text(event->text, sizeof event->text, text);
    run_add_event(&h->run, at_s, r->line.line, kind, text);
    return event;
}

static void end_stage(struct run *run, double t_s)
{
    if (run->stage_count > 0 && isnan(run->stage[run->stage_count - 1].end_s))
        run->stage[run->stage_count - 1].end_s = t_s;
}

static void begin_stage(struct run *run, double t_s, const char *name)
{
    end_stage(run, t_s);
    if (run->stage_count == RUN_STAGES)
        return;
    struct run_stage *stage = &run->stage[run->stage_count++];
    *stage = (struct run_stage){.start_s = t_s, .end_s = (double)NAN, .peak_c = (double)NAN};
    bytes_copy_text(stage->name, sizeof stage->name, name);
}

static void add_melt(struct run *run, double t_s, const char *joint, const char *how)
{
    if (run->melt_count == RUN_MELTS)
        return;
    struct run_melt *melt = &run->melt[run->melt_count++];
    *melt = (struct run_melt){.at_s = t_s, .true_first_s = (double)NAN, .true_last_s = (double)NAN};
    bytes_copy_text(melt->joint, sizeof melt->joint, joint);
    bytes_copy_text(melt->how, sizeof melt->how, how);
}

static struct history_value *add_value(struct reader *r, const char *name, const char *unit,
                                       double value)
{
    struct history *h = r->h;
    h->value = grow(r, h->value, h->value_count, &r->value_room, sizeof *h->value);
    if (r->no_memory)
        return NULL;
    struct history_value *one = &h->value[h->value_count++];
    *one = (struct history_value){.at_s = (double)r->line.t_ms / 1000, .value = value};
    bytes_copy_text(one->name, sizeof one->name, name);
    bytes_copy_text(one->unit, sizeof one->unit, unit);
    return one;
}

static void take_note(struct reader *r)
{
    const struct record_line *l = &r->line;
    double t_s = (double)l->t_ms / 1000;
    char text[sizeof l->name + sizeof l->said + 40];
    if (strcmp(l->what, "value") == 0) {
        snprintf(text, sizeof text, "%s = %.6g %s", l->name, l->value, l->said);
        add_event(r, l->what, text);
        add_value(r, l->name, l->said, l->value);
        return;
    }
    if (add_event(r, l->what, l->said))
        r->prompt[r->h->event_count - 1] = (uint32_t)l->n;
    if (strcmp(l->what, "stage") == 0)
        begin_stage(&r->h->run, t_s, l->said);
    else if (strcmp(l->what, "melt") == 0)
        add_melt(&r->h->run, t_s, l->name, l->said);
}

/* The answer goes to its question. */
static void take_hand(struct reader *r)
{
    const struct record_line *l = &r->line;
    if (l->prompt == 0 || strcmp(l->what, "none") == 0)
        return;
    for (int32_t i = r->h->event_count - 1; i >= 0; i--) {
        if (r->prompt[i] != l->prompt)
            continue;
        struct history_event *event = &r->h->event[i];
        event->answered_s = (double)l->t_ms / 1000;
        bool value = strcmp(l->what, "value") == 0;
        char said[64], number[32];
        snprintf(number, sizeof number, "%.6g", l->value);
        bytes_copy_text(said, sizeof said, !value ? l->what : l->said[0] ? l->said : number);
        snprintf(event->answer, sizeof event->answer, "%s after %.0f s", said,
                 event->answered_s - event->at_s);
        return;
    }
}

static void take_event(struct reader *r)
{
    struct run *run = &r->h->run;
    const char *what = r->line.what;
    if (strcmp(what, "hands") == 0 && run->hands[0] == '\0')
        bytes_copy_text(run->hands, sizeof run->hands, r->line.said);
    if (strcmp(what, "mode") == 0 || strcmp(what, "peer") == 0)
        return;
    r->guard_notes++;
    bool told = run->tripped && strcmp(run->trip_words.what, r->line.said) == 0;
    if (told || strcmp(what, "act") == 0 || strcmp(what, "look") == 0)
        return; /* they stand with the trip */
    if (add_event(r, what, r->line.said))
        r->prompt[r->h->event_count - 1] = NOTE_GUARD + r->guard_notes;
    if (strcmp(what, "warn") == 0)
        run_add_warning(run, "%s", r->line.said);
}

static void take_rule(struct reader *r)
{
    struct run *run = &r->h->run;
    int32_t id = r->line.rule;
    enum rule_kind kind = id < 0 ? RULE_WARN : rules[id].kind;
    bool ends = kind == RULE_TRIP || kind == RULE_STOP;
    if (ends) /* what only warns or pauses is also said, in an event of its own */
        add_event(r, kind == RULE_TRIP ? "trip" : "stop", r->line.words.what);
    /* A fault that comes after a person's stop stands above it, as in the run. */
    bool outranks = run->tripped && kind == RULE_TRIP && rules[run->trip_rule].kind == RULE_STOP;
    if (!ends || (run->tripped && !outranks))
        return;
    run->tripped = true;
    run->trip_rule = (enum rule_id)id;
    run->trip_s = (double)r->line.t_ms / 1000;
    run->trip_words = r->line.words;
}

/* ---- what is known of the work ------------------------------------------------------------------ */

static void take_joint(struct history *h, const char *text)
{
    struct history_joint *joint = &h->joint[h->joint_count];
    if (h->joint_count < BOARD_JOINTS && sscanf(text, "%lf %lf %31s %31[^\n]", &joint->solidus_c,
                                                &joint->liquidus_c, joint->alloy, joint->name) == 4)
        h->joint_count++;
}

static float forecast_number(const char **at)
{
    char *end;
    while (**at == ' ')
        (*at)++;
    if (**at == '-' && ((*at)[1] < '0' || (*at)[1] > '9')) {
        (*at)++;
        return NAN;
    }
    float value = strtof(*at, &end);
    if (end == *at)
        return NAN;
    *at = end;
    return value;
}

static void take_forecast(struct reader *r, const char *text)
{
    struct history *h = r->h;
    for (const char *at = text; *at && !r->no_memory;) {
        h->forecast =
            grow(r, h->forecast, h->forecast_count, &r->forecast_room, sizeof *h->forecast);
        struct history_forecast point;
        point.t_s = forecast_number(&at);
        point.plate_c = forecast_number(&at);
        point.board_c = forecast_number(&at);
        point.joint_c = forecast_number(&at);
        if (!r->no_memory && !isnan(point.t_s))
            h->forecast[h->forecast_count++] = point;
        at += strcspn(at, ";");
        at += *at == ';';
    }
}

/* By numbers that a board can have; false for what is none. */
static bool lies_on(const struct run_heat *map, const struct run_place *place)
{
    return map->length_mm[0] <= 1000 && map->width_mm[0] <= 1000 && place->x_mm >= 0 &&
           place->x_mm <= map->length_mm[0] && place->y_mm >= 0 &&
           place->y_mm <= map->width_mm[0] && !isinf(place->melts_s);
}

/* 0: none told. */
static int32_t segment_number(const char **at)
{
    float segment = forecast_number(at);
    return segment >= 1 && segment <= JOINT_SEGMENTS ? (int32_t)segment : 0;
}

/* First the board's length and width and the joint's name, then its places, each with when it melted and its segment. */
static void take_melt_map(struct reader *r, const char *text)
{
    struct history *h = r->h;
    if (!h->melt_map) {
        h->melt_map = calloc(1, sizeof *h->melt_map);
        r->no_memory = !h->melt_map;
        if (h->melt_map)
            sscanf(text, "%f %f %31[^\n]", &h->melt_map->length_mm[0], &h->melt_map->width_mm[0],
                   h->melt_map->joint);
        return;
    }
    for (const char *at = text; *at && h->melt_map->places < RUN_PLACES;) {
        struct run_place place = {.freezes_s = NAN};
        place.x_mm = forecast_number(&at);
        place.y_mm = forecast_number(&at);
        place.melts_s = forecast_number(&at);
        place.segment = segment_number(&at);
        if (lies_on(h->melt_map, &place))
            h->melt_map->place[h->melt_map->places++] = place;
        at += strcspn(at, ";");
        at += *at == ';';
    }
}

/* Added after the run: "battery, ohm". */
static void take_after(struct reader *r)
{
    char name[64], unit[16] = "";
    const char *comma = strrchr(r->line.said, ',');
    size_t length = comma ? (size_t)(comma - r->line.said) : strlen(r->line.said);
    snprintf(name, sizeof name, "%.*s", (int)length, r->line.said);
    if (comma)
        snprintf(unit, sizeof unit, "%s", comma[1] == ' ' ? comma + 2 : comma + 1);
    struct history_value *value = add_value(r, name, unit, r->line.value);
    if (value)
        value->at_s = -1;
}

static void take_job(struct reader *r)
{
    const struct record_line *l = &r->line;
    struct history *h = r->h;
    if (strcmp(l->name, "joint") == 0) {
        take_joint(h, l->said);
        return;
    }
    if (strcmp(l->name, "forecast") == 0) {
        take_forecast(r, l->said);
        return;
    }
    if (strcmp(l->name, "melt map") == 0) {
        take_melt_map(r, l->said);
        return;
    }
    if (strcmp(l->name, "after") == 0) {
        take_after(r);
        return;
    }
    h->job = grow(r, h->job, h->job_count, &r->job_room, sizeof *h->job);
    if (r->no_memory)
        return;
    struct history_job *job = &h->job[h->job_count++];
    *job = (struct history_job){.at_s = (double)l->t_ms / 1000, .value = l->value};
    bytes_copy_text(job->name, sizeof job->name, l->name);
    bytes_copy_text(job->text, sizeof job->text, l->said);
}

/* ---- start and end ------------------------------------------------------------------------------ */

static void take_start(struct reader *r)
{
    struct run *run = &r->h->run;
    const struct record_start *start = &r->line.start;
    r->h->start = *start;
    snprintf(run->recipe, sizeof run->recipe, "%s", start->recipe);
    snprintf(run->title, sizeof run->title, "%s", start->title);
    snprintf(run->board, sizeof run->board, "%s", start->board);
    snprintf(run->bench, sizeof run->bench, "%s", start->bench);
    snprintf(run->serial, sizeof run->serial, "%s", start->serial);
    run->source = start->source;
    run->seed = start->seed;
    run->rehearsed = start->rehearsal;
}

static void take_line(struct reader *r)
{
    struct history *h = r->h;
    switch (r->line.kind) {
    case RECORD_START:
        take_start(r);
        break;
    case RECORD_LIMITS:
        h->run.limits = r->line.limits;
        h->run.origins = r->line.origins;
        break;
    case RECORD_SCAN:
        take_scan(r);
        break;
    case RECORD_NOTE:
        take_note(r);
        break;
    case RECORD_JOB:
        take_job(r);
        break;
    case RECORD_HAND:
        take_hand(r);
        break;
    case RECORD_EVENT:
        take_event(r);
        break;
    case RECORD_RULE:
        take_rule(r);
        break;
    case RECORD_END:
        h->ended = true;
        h->run.outcome = r->line.outcome < OUTCOMES ? r->line.outcome : RUN_STOPPED;
        h->run.error = r->line.error;
        break;
    case RECORD_OTHER:
    case RECORD_KINDS:
        break;
    }
}

static bool was_before(const struct history *h, const struct history_value *like)
{
    for (int32_t i = 0; i < h->value_count; i++)
        if (h->value[i].when == WHEN_BEFORE && !strcmp(h->value[i].name, like->name) &&
            !strcmp(h->value[i].unit, like->unit))
            return true;
    return false;
}

/* What is recorded when all is off again is an `after` of something; what has no before is of the work itself. */
static void place_values(struct reader *r)
{
    for (int32_t i = 0; i < r->h->value_count; i++) {
        struct history_value *value = &r->h->value[i];
        bool cold = isnan(r->driven_first_s);
        value->when = value->at_s < 0                                             ? WHEN_AFTER
                      : cold || value->at_s <= r->driven_first_s                  ? WHEN_BEFORE
                      : value->at_s > r->driven_last_s && was_before(r->h, value) ? WHEN_AFTER
                                                                                  : WHEN_DURING;
    }
}

static void round_off(struct reader *r, const struct record *record)
{
    struct history *h = r->h;
    static const char digits[] = "0123456789abcdef";
    end_stage(&h->run, h->run.recipe_s);
    h->run.peak_board_c = r->seen.board_c;
    h->run.best_ramp_c_s = r->seen.ramp_c_s;
    if (h->scans > 0) {
        run_add_margins(&h->run, &r->seen);
        run_sort_margins(&h->run);
    }
    place_values(r);
    for (int i = 0; i < RECORD_LINK; i++) {
        h->fingerprint[2 * i] = digits[record->link[i] >> 4];
        h->fingerprint[2 * i + 1] = digits[record->link[i] & 15];
    }
}

int history_read(struct history *history, const char *text, size_t length, struct tl_error *error)
{
    static struct reader r;
    struct record record;
    int more;
    *history = (struct history){0};
    history->run.point_every_s = 0.5;
    history->run.outcome = RUN_STOPPED;
    history->run.peak_true_c = history->run.peak_read_c = history->run.peak_board_c = (double)NAN;
    history->run.cool_c_s = history->run.best_ramp_c_s = (double)NAN;
    history->heat_first_s = history->heat_last_s = (double)NAN;
    r = (struct reader){.h = history,
                        .seen = run_extremes_none,
                        .driven_first_s = (double)NAN,
                        .driven_last_s = (double)NAN};
    for (int i = 0; i < BOARD_JOINTS; i++)
        r.joint_c[i] = r.gone_c[i] = NAN;
    record_open(&record, text, length);
    while ((more = record_next(&record, &r.line)) != 0 && !r.no_memory) {
        if (more > 0)
            take_line(&r);
        if (more < 0 || (record.lines == 1 && r.line.kind != RECORD_START))
            break;
    }
    free(r.prompt);
    if (r.no_memory)
        return tl_error_set(error, TL_SYSTEM, "out of memory");
    if (more < 0 || record.lines == 0 || history->start.format == 0)
        return tl_error_set(error, TL_SYNTAX, "line %lld is no line of a record",
                            (long long)(more < 0 ? record.lines : 1));
    round_off(&r, &record);
    return 0;
}

void history_free(struct history *history)
{
    free(history->point);
    free(history->forecast);
    free(history->event);
    free(history->value);
    free(history->job);
    free(history->melt_map);
    *history = (struct history){0};
}

/* ---- for a list --------------------------------------------------------------------------------- */

int history_look(struct history_brief *brief, const char *head, size_t head_length,
                 const char *tail, size_t tail_length)
{
    static struct record_line line;
    struct record record;
    *brief = (struct history_brief){.outcome = OUTCOMES, .duration_s = -1};
    record_open(&record, head, head_length);
    if (record_next(&record, &line) != 1 || line.kind != RECORD_START)
        return TL_SYNTAX;
    brief->start = line.start;
    record_open(&record, tail, tail_length);
    for (int more; (more = record_next(&record, &line)) != 0;) { /* the first is half a line */
        if (more == 1 && line.kind == RECORD_SCAN)
            brief->duration_s = (double)line.t_ms / 1000;
        if (more != 1 || line.kind != RECORD_END)
            continue;
        brief->ended = true;
        brief->outcome = line.outcome;
    }
    return 0;
}

bool history_heats(const char *text, size_t length)
{
    static struct record_line line;
    struct record record;
    record_open(&record, text, length);
    for (int more; (more = record_next(&record, &line)) != 0;)
        if (more == 1 && line.kind == RECORD_SCAN && line.scan.out.heat &&
            line.scan.mode == GUARD_RUNNING)
            return true;
    return false;
}
