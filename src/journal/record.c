/* SPDX-License-Identifier: MIT */
#include "tinlatch/record.h"

#include <math.h>
#include <string.h>

#include "chain.h"
#include "cursor.h"
#include "tinlatch/bytes.h"

_Static_assert((int)RECORD_LINK == (int)CHAIN_LINK, "a reader keeps a link");

struct key {
    const char *at;
    size_t length;
};

static bool is(const struct key *key, const char *name)
{
    return strlen(name) == key->length && memcmp(key->at, name, key->length) == 0;
}

/* A word of ours, as its place in a list of them; -1: none of them. */
static int32_t take_word(struct cursor *c, const char *(*name)(int32_t), int32_t count)
{
    char word[32];
    cursor_text(c, word, sizeof word);
    for (int32_t i = 0; i < count; i++)
        if (strcmp(word, name(i)) == 0)
            return i;
    return -1;
}

static const char *quality_word(int32_t i)
{
    return quality_name((enum quality)i);
}

static const char *hand_word(int32_t i)
{
    return hand_name((enum hand)i);
}

static const char *mode_word(int32_t i)
{
    return guard_mode_name((int)i);
}

static const char *layer_word(int32_t i)
{
    return limit_layer_name((enum limit_layer)i);
}

static const char *outcome_word(int32_t i)
{
    return outcome_name((enum outcome)i);
}

static int32_t take_quality(struct cursor *c)
{
    int32_t quality = take_word(c, quality_word, QUALITY_JUMP + 1);
    if (quality < 0)
        c->bad = true;
    return quality;
}

static int32_t take_rule(struct cursor *c)
{
    char id[32];
    cursor_text(c, id, sizeof id);
    enum rule_id rule = rule_find(id);
    return rule < RULES ? (int32_t)rule : -1;
}

/* ---- the line of every scan ----------------------------------------------------------------- */

/* The next item of an array; where an earlier version wrote fewer, its end is left to `leave`. */
static int32_t next_or(struct cursor *c, bool *first, int32_t missing)
{
    return !cursor_is(c, ']') && cursor_item(c, first) ? cursor_int32(c) : missing;
}

static int32_t next_int(struct cursor *c, bool *first)
{
    return next_or(c, first, 0);
}

static void leave(struct cursor *c, bool *first)
{
    while (cursor_item(c, first))
        cursor_pass(c);
}

static void take_temp(struct cursor *c, struct temp_reading *reading)
{
    bool first = true;
    cursor_enter(c, '[');
    if (cursor_item(c, &first))
        reading->quality = (enum quality)take_quality(c);
    reading->temp_mc = next_int(c, &first);
    reading->age_ms = next_int(c, &first);
    leave(c, &first);
}

static void take_supply(struct cursor *c, struct supply_reading *supply)
{
    bool first = true;
    cursor_enter(c, '[');
    if (cursor_item(c, &first))
        supply->quality = (enum quality)take_quality(c);
    if (cursor_item(c, &first))
        supply->on = cursor_bool(c);
    supply->mv = next_int(c, &first);
    supply->ma = next_int(c, &first);
    supply->age_ms = next_int(c, &first);
    leave(c, &first);
}

static void take_silences(struct cursor *c, struct readings *in)
{
    bool first = true;
    cursor_enter(c, '[');
    in->plate_silent_ms = next_int(c, &first);
    in->supply_silent_ms = next_int(c, &first);
    in->recipe_silent_ms = next_int(c, &first);
    leave(c, &first);
}

static void take_account(struct cursor *c, struct account_reading *account)
{
    bool first = true;
    cursor_enter(c, '[');
    if (cursor_item(c, &first))
        account->quality = (enum quality)take_quality(c);
    account->low_mc = next_int(c, &first);
    account->high_mc = next_int(c, &first);
    account->unmoved_mc = next_int(c, &first);
    account->board_lead_mc = next_int(c, &first);
    leave(c, &first);
}

static void take_watch(struct cursor *c, struct readings *in)
{
    bool first = true;
    cursor_enter(c, '[');
    in->front_silent_ms = next_int(c, &first);
    in->front_gone = next_int(c, &first) != 0;
    in->keeper_silent_ms = next_int(c, &first);
    in->record_late_ms = next_int(c, &first);
    in->away_ms = next_int(c, &first);
    in->scan_late_ms = next_int(c, &first);
    in->clock_jump_ms = next_int(c, &first);
    leave(c, &first);
}

static void take_want(struct cursor *c, struct wanted *want)
{
    struct key key;
    bool first = true;
    cursor_enter(c, '{');
    while (cursor_key(c, &first, &key.at, &key.length)) {
        if (is(&key, "heat"))
            want->heat = cursor_bool(c);
        else if (is(&key, "mc"))
            want->temp_mc = cursor_int32(c);
        else if (is(&key, "fan"))
            want->fan_pct = cursor_int32(c);
        else if (is(&key, "supply"))
            want->supply_on = cursor_bool(c);
        else if (is(&key, "ramp"))
            want->ramp_mc_s = cursor_int32(c);
        else if (is(&key, "rail"))
            want->rail = cursor_int32(c);
        else if (is(&key, "mv"))
            want->mv = cursor_int32(c);
        else if (is(&key, "ma"))
            want->ma = cursor_int32(c);
        else if (is(&key, "inject"))
            want->inject = cursor_bool(c);
        else
            cursor_pass(c);
    }
}

static void take_grant(struct cursor *c, struct granted *out)
{
    struct key key;
    bool first = true;
    cursor_enter(c, '{');
    while (cursor_key(c, &first, &key.at, &key.length)) {
        if (is(&key, "heat"))
            out->heat = cursor_bool(c);
        else if (is(&key, "mc"))
            out->temp_mc = cursor_int32(c);
        else if (is(&key, "fan"))
            out->fan_pct = cursor_int32(c);
        else if (is(&key, "supply"))
            out->supply_on = cursor_bool(c);
        else if (is(&key, "ramp"))
            out->ramp_mc_s = cursor_int32(c);
        else if (is(&key, "mv"))
            out->mv = cursor_int32(c);
        else if (is(&key, "ma"))
            out->ma = cursor_int32(c);
        else
            cursor_pass(c);
    }
}

static void take_joints(struct cursor *c, struct record_scan *scan)
{
    bool first = true;
    cursor_enter(c, '[');
    while (cursor_item(c, &first)) {
        bool of_joint = true;
        if (scan->joints == BOARD_JOINTS) {
            cursor_pass(c);
            continue;
        }
        struct wire_joint *joint = &scan->joint[scan->joints++];
        cursor_enter(c, '[');
        joint->temp_mc = next_int(c, &of_joint);
        joint->molten_permille = next_int(c, &of_joint);
        joint->melt_ms = next_int(c, &of_joint);
        joint->solid_ms = next_int(c, &of_joint);
        joint->melt_early_ms = next_or(c, &of_joint, -1);
        joint->melt_late_ms = next_or(c, &of_joint, -1);
        joint->solid_early_ms = next_or(c, &of_joint, -1);
        joint->solid_late_ms = next_or(c, &of_joint, -1);
        leave(c, &of_joint);
    }
}

static void take_nudge(struct cursor *c, struct record_scan *scan)
{
    bool first = true;
    cursor_enter(c, '[');
    scan->nudge_mc = next_int(c, &first);
    scan->nudge_ms = next_int(c, &first);
    leave(c, &first);
}

/* In the order in which they stand in the line: a key that is not the first asked for is soon found. */
static void take_scan(struct cursor *c, const struct key *key, struct record_scan *scan)
{
    struct readings *in = &scan->in;
    if (is(key, "n"))
        scan->n = cursor_int(c, 0, INT64_MAX);
    else if (is(key, "t_ms"))
        in->t_ms = cursor_int(c, INT64_MIN, INT64_MAX);
    else if (is(key, "plate"))
        take_temp(c, &in->sensor[SENSOR_PLATE]);
    else if (is(key, "plate-2"))
        take_temp(c, &in->sensor[SENSOR_PLATE_2]);
    else if (is(key, "board"))
        take_temp(c, &in->sensor[SENSOR_BOARD]);
    else if (is(key, "counts"))
        take_temp(c, &in->plate);
    else if (is(key, "ramp_mc_s")) {
        in->ramp_known = true;
        in->ramp_mc_s = cursor_int32(c);
    } else if (is(key, "supply"))
        take_supply(c, &in->supply);
    else if (is(key, "silent_ms"))
        take_silences(c, in);
    else if (is(key, "stops"))
        in->stop_count = (uint32_t)cursor_int(c, 0, UINT32_MAX);
    else if (is(key, "says"))
        in->duty_permille = cursor_int32(c);
    else if (is(key, "account"))
        take_account(c, &in->account);
    else if (is(key, "watch"))
        take_watch(c, in);
    else if (is(key, "want"))
        take_want(c, &scan->want);
    else if (is(key, "judged"))
        scan->judged = cursor_bool(c);
    else if (is(key, "seated"))
        in->seated = cursor_bool(c);
    else if (is(key, "grant"))
        take_grant(c, &scan->out);
    else if (is(key, "duty"))
        scan->duty_permille = cursor_int32(c);
    else if (is(key, "mode"))
        scan->mode = take_word(c, mode_word, GUARD_MODES);
    else if (is(key, "rule"))
        scan->rule = take_rule(c);
    else if (is(key, "fired"))
        scan->fired = cursor_int32(c);
    else if (is(key, "heat_left_ms"))
        scan->heat_left_ms = cursor_int32(c);
    else if (is(key, "beeps"))
        scan->out.beeps = (uint32_t)cursor_int(c, 0, UINT32_MAX);
    else if (is(key, "hand")) {
        int32_t hand = take_word(c, hand_word, HANDS);
        scan->want.hand = hand < 0 ? HAND_NONE : (enum hand)hand;
    } else if (is(key, "nudge"))
        take_nudge(c, scan);
    else if (is(key, "joints"))
        take_joints(c, scan);
    else if (is(key, "true_mc"))
        scan->true_mc = cursor_int32(c);
    else
        cursor_pass(c);
}

/* ---- lines that are rare ------------------------------------------------------------------- */

static void take_seed(struct cursor *c, uint64_t *seed)
{
    char digits[24] = "";
    if (!cursor_is(c, '"')) {
        *seed = (uint64_t)cursor_int(c, 0, INT64_MAX);
        return;
    }
    cursor_text(c, digits, sizeof digits);
    *seed = 0;
    for (const char *d = digits; *d >= '0' && *d <= '9'; d++)
        *seed = *seed * 10 + (uint64_t)(*d - '0');
}

/* False: it is none of them. */
static bool take_source(struct cursor *c, const struct key *key, struct run_source *source)
{
    for (int i = 0; i < RUN_SOURCES; i++)
        if (is(key, run_source_key((enum run_source_id)i))) {
            cursor_text(c, source->text[i], sizeof source->text[i]);
            return true;
        }
    return false;
}

static void take_start(struct cursor *c, const struct key *key, struct record_start *start)
{
    char what[16];
    if (is(key, "format"))
        start->format = cursor_int(c, 0, INT64_MAX);
    else if (is(key, "what")) {
        cursor_text(c, what, sizeof what);
        start->rehearsal = strcmp(what, "rehearsal") == 0;
    } else if (is(key, "recipe"))
        cursor_text(c, start->recipe, sizeof start->recipe);
    else if (is(key, "title"))
        cursor_text(c, start->title, sizeof start->title);
    else if (is(key, "board"))
        cursor_text(c, start->board, sizeof start->board);
    else if (is(key, "bench"))
        cursor_text(c, start->bench, sizeof start->bench);
    else if (is(key, "insert"))
        cursor_text(c, start->insert, sizeof start->insert);
    else if (is(key, "serial"))
        cursor_text(c, start->serial, sizeof start->serial);
    else if (is(key, "version"))
        cursor_text(c, start->version, sizeof start->version);
    else if (is(key, "seed"))
        take_seed(c, &start->seed);
    else if (is(key, "wall_s"))
        start->wall_s = cursor_int(c, 0, INT64_MAX);
    else if (!take_source(c, key, &start->source))
        cursor_pass(c);
}

static void take_rail(struct cursor *c, struct rail_limits *rail)
{
    struct key key;
    bool first = true;
    cursor_enter(c, '{');
    while (cursor_key(c, &first, &key.at, &key.length)) {
        if (is(&key, "name"))
            cursor_text(c, rail->name, sizeof rail->name);
        else if (is(&key, "mv"))
            rail->mv = cursor_int32(c);
        else if (is(&key, "ma"))
            rail->ma = cursor_int32(c);
        else if (is(&key, "inject_mv"))
            rail->inject_mv = cursor_int32(c);
        else if (is(&key, "inject_ma"))
            rail->inject_ma = cursor_int32(c);
        else
            cursor_pass(c);
    }
}

static void take_rails(struct cursor *c, struct limits *limits)
{
    bool first = true;
    cursor_enter(c, '[');
    while (cursor_item(c, &first)) {
        if (limits->rail_count < BENCH_RAILS)
            take_rail(c, &limits->rail[limits->rail_count++]);
        else
            cursor_pass(c);
    }
}

static void take_limit(struct cursor *c, int32_t *value, struct limit_origin *origin)
{
    bool first = true;
    cursor_enter(c, '[');
    *value = next_int(c, &first);
    if (cursor_item(c, &first)) {
        int32_t layer = take_word(c, layer_word, LAYERS);
        origin->layer = layer < 0 ? LAYER_BUILT_IN : (enum limit_layer)layer;
    }
    origin->line = next_int(c, &first);
    leave(c, &first);
}

/* The flags and times below the limits. False: it is none of them. */
static bool take_setting(struct cursor *c, const struct key *key, struct limits *l)
{
    const struct {
        const char *name;
        bool *to;
    } flags[] = {{"uses_plate", &l->uses_plate},
                 {"uses_supply", &l->uses_supply},
                 {"has_plate_2", &l->has_plate_2},
                 {"has_board", &l->has_board}};
    const struct {
        const char *name;
        int32_t *to;
    } times[] = {{"stale_ms", &l->stale_ms},
                 {"silent_ms", &l->silent_ms},
                 {"recipe_silent_ms", &l->recipe_silent_ms},
                 {"front_pause_ms", &l->front_pause_ms},
                 {"front_stop_ms", &l->front_stop_ms},
                 {"keeper_silent_ms", &l->keeper_silent_ms},
                 {"scan_late_ms", &l->scan_late_ms},
                 {"record_late_ms", &l->record_late_ms},
                 {"presence_ms", &l->presence_ms}};
    for (size_t i = 0; i < sizeof flags / sizeof flags[0]; i++)
        if (is(key, flags[i].name)) {
            *flags[i].to = cursor_bool(c);
            return true;
        }
    for (size_t i = 0; i < sizeof times / sizeof times[0]; i++)
        if (is(key, times[i].name)) {
            *times[i].to = cursor_int32(c);
            return true;
        }
    return false;
}

static void take_limits(struct cursor *c, const struct key *key, struct record_line *line)
{
    for (enum limit_id id = 0; id < LIMITS; id++)
        if (is(key, limit_key(id))) {
            int32_t value = 0;
            take_limit(c, &value, &line->origins.of[id]);
            limits_set(&line->limits, id, value);
            return;
        }
    if (is(key, "rails"))
        take_rails(c, &line->limits);
    else if (!take_setting(c, key, &line->limits))
        cursor_pass(c);
}

static void take_error(struct cursor *c, struct tl_error *error)
{
    struct key key;
    bool first = true;
    if (cursor_is(c, 'n')) {
        cursor_pass(c);
        return;
    }
    cursor_enter(c, '{');
    while (cursor_key(c, &first, &key.at, &key.length)) {
        if (is(&key, "code"))
            error->code = (enum tl_err)cursor_int(c, TL_SYSTEM - 16, 0);
        else if (is(&key, "file"))
            cursor_text(c, error->file, sizeof error->file);
        else if (is(&key, "line"))
            error->line = cursor_int32(c);
        else if (is(&key, "text"))
            cursor_text(c, error->text, sizeof error->text);
        else if (is(&key, "hint"))
            cursor_text(c, error->hint, sizeof error->hint);
        else
            cursor_pass(c);
    }
}

static void take_rare(struct cursor *c, const struct key *key, struct record_line *line)
{
    if (is(key, "t_ms"))
        line->t_ms = cursor_int(c, INT64_MIN, INT64_MAX);
    else if (is(key, "n"))
        line->n = cursor_int(c, 0, INT64_MAX);
    else if (is(key, "line"))
        line->line = cursor_int32(c);
    else if (is(key, "what"))
        cursor_text(c, line->kind == RECORD_RULE ? line->words.what : line->what,
                    line->kind == RECORD_RULE ? sizeof line->words.what : sizeof line->what);
    else if (is(key, "act"))
        cursor_text(c, line->words.act, sizeof line->words.act);
    else if (is(key, "inspect"))
        cursor_text(c, line->words.inspect, sizeof line->words.inspect);
    else if (is(key, "name"))
        cursor_text(c, line->name, sizeof line->name);
    else if (is(key, "text"))
        cursor_text(c, line->said, sizeof line->said);
    else if (is(key, "value")) {
        line->value = cursor_double(c);
        line->has_value = !isnan(line->value);
    } else if (is(key, "prompt"))
        line->prompt = (uint32_t)cursor_int(c, 0, UINT32_MAX);
    else if (is(key, "answer"))
        cursor_text(c, line->what, sizeof line->what);
    else if (is(key, "rule"))
        line->rule = take_rule(c);
    else if (is(key, "outcome")) {
        int32_t outcome = take_word(c, outcome_word, OUTCOMES);
        line->outcome = outcome < 0 ? OUTCOMES : (enum outcome)outcome;
    } else if (is(key, "error"))
        take_error(c, &line->error);
    else
        cursor_pass(c);
}

/* ---- lines ---------------------------------------------------------------------------------- */

static enum record_kind take_kind(struct cursor *c)
{
    static const char *const kinds[RECORD_KINDS] = {
        [RECORD_START] = "start", [RECORD_LIMITS] = "limits", [RECORD_SCAN] = "snapshot",
        [RECORD_NOTE] = "note",   [RECORD_JOB] = "job",       [RECORD_HAND] = "hand",
        [RECORD_EVENT] = "event", [RECORD_RULE] = "rule",     [RECORD_END] = "end"};
    char word[16];
    cursor_text(c, word, sizeof word);
    for (int kind = 1; kind < RECORD_KINDS; kind++)
        if (strcmp(word, kinds[kind]) == 0)
            return (enum record_kind)kind;
    return RECORD_OTHER;
}

static void take_member(struct cursor *c, const struct key *key, struct record_line *line)
{
    switch (line->kind) {
    case RECORD_SCAN:
        take_scan(c, key, &line->scan);
        return;
    case RECORD_START:
        take_start(c, key, &line->start);
        return;
    case RECORD_LIMITS:
        take_limits(c, key, line);
        return;
    case RECORD_NOTE:
    case RECORD_JOB:
    case RECORD_HAND:
    case RECORD_EVENT:
    case RECORD_RULE:
    case RECORD_END:
        take_rare(c, key, line);
        return;
    case RECORD_OTHER:
    case RECORD_KINDS:
        break;
    }
    cursor_pass(c);
}

static int parse(struct record_line *line)
{
    struct cursor c = {.at = line->text, .end = line->text + line->length};
    struct key key;
    bool first = true;
    cursor_enter(&c, '{');
    if (!cursor_key(&c, &first, &key.at, &key.length) || !is(&key, "kind"))
        return TL_SYNTAX;
    line->kind = take_kind(&c);
    if (line->kind == RECORD_SCAN) {
        line->scan.judged = true;
        line->scan.rule = -1;
        line->scan.in.duty_permille = -1;
        line->scan.true_mc = INT32_MIN;
    }
    while (cursor_key(&c, &first, &key.at, &key.length))
        take_member(&c, &key, line);
    line->t_ms = line->kind == RECORD_SCAN ? line->scan.in.t_ms : line->t_ms;
    return cursor_over(&c) ? 1 : TL_SYNTAX;
}

void record_open(struct record *record, const char *text, size_t length)
{
    *record = (struct record){.text = text, .length = length};
}

/* What it says of its link is believed for the next line, so that one changed line is one broken link. */
static void follow_chain(struct record *record, struct record_line *line)
{
    unsigned char told[CHAIN_LINK];
    if (chain_read(line->text, line->length, told)) {
        memset(record->link, 0, sizeof record->link);
        return;
    }
    chain_step(record->link, line->text, line->length - CHAIN_TAIL);
    line->linked = memcmp(record->link, told, sizeof told) == 0;
    memcpy(record->link, told, sizeof told);
}

int record_next(struct record *record, struct record_line *line)
{
    const char *from = record->text + record->at;
    size_t left = record->length - record->at;
    const char *newline = left > 0 ? memchr(from, '\n', left) : NULL;
    if (!newline) {
        record->torn = left > 0;
        return 0;
    }
    *line = (struct record_line){.number = ++record->lines,
                                 .text = from,
                                 .length = (size_t)(newline - from),
                                 .rule = -1,
                                 .outcome = OUTCOMES};
    record->at += line->length + 1;
    follow_chain(record, line);
    return parse(line);
}
