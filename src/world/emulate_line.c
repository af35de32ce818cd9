/* SPDX-License-Identifier: MIT */
/* The line instrument as docs/reference/line-instrument.md specifies it, from the firmware's side. */
#include <math.h>
#include <string.h>

#include "inside.h"

enum { FIELDS = 8 };

struct field {
    const char *key;
    size_t key_length;
    int64_t value;
};

struct request {
    int64_t sequence;
    const char *verb;
    size_t verb_length;
    int fields;
    struct field field[FIELDS];
};

static bool is_upper_hex(char c)
{
    return (c >= '0' && c <= '9') || (c >= 'A' && c <= 'F');
}

static uint32_t hex_value(char c)
{
    return (uint32_t)(c <= '9' ? c - '0' : c - 'A' + 10);
}

/* "... *CCCC" with the right sum: the length of what the sum covers, else 0. */
static size_t checked(const char *line, size_t length)
{
    if (length < 7 || line[length - 6] != ' ' || line[length - 5] != '*')
        return 0;
    uint32_t told = 0;
    for (size_t i = length - 4; i < length; i++) {
        if (!is_upper_hex(line[i]))
            return 0;
        told = told * 16 + hex_value(line[i]);
    }
    return told == bytes_crc16(line, length - 6) ? length - 6 : 0;
}

/* Decimal without leading zeros, a minus if `negative` allows; moves *at. */
static bool take_number(const char **at, const char *end, bool negative, int64_t *value)
{
    const char *from = *at;
    bool minus = negative && from < end && *from == '-';
    from += minus;
    const char *digits = from;
    int64_t sum = 0;
    for (; from < end && *from >= '0' && *from <= '9' && from - digits < 10; from++)
        sum = sum * 10 + (*from - '0');
    if (from == digits || (from - digits > 1 && *digits == '0') || (minus && sum == 0))
        return false;
    *at = from;
    *value = minus ? -sum : sum;
    return true;
}

static bool take_word(const char **at, const char *end, const char **word, size_t *length)
{
    *word = *at;
    while (*at < end && **at >= 'a' && **at <= 'z')
        ++*at;
    *length = (size_t)(*at - *word);
    return *length > 0;
}

static bool take_field(const char **at, const char *end, struct field *field)
{
    if (!take_word(at, end, &field->key, &field->key_length) || *at >= end || **at != '=')
        return false;
    ++*at;
    return take_number(at, end, true, &field->value);
}

static bool take_space(const char **at, const char *end)
{
    if (*at >= end || **at != ' ')
        return false;
    ++*at;
    return true;
}

static bool parse(const char *line, size_t length, struct request *request)
{
    const char *at = line, *end = line + length;
    if (!take_number(&at, end, false, &request->sequence) || request->sequence > 999999 ||
        !take_space(&at, end) || !take_word(&at, end, &request->verb, &request->verb_length))
        return false;
    for (request->fields = 0; at < end; request->fields++)
        if (request->fields >= FIELDS || !take_space(&at, end) ||
            !take_field(&at, end, &request->field[request->fields]))
            return false;
    return true;
}

static bool same(const char *word, size_t length, const char *text)
{
    return strlen(text) == length && memcmp(word, text, length) == 0;
}

static int64_t uptime_s(const struct instrument *instrument)
{
    return (instrument->world->clock.origin_ms - instrument->begun_ms) / 1000;
}

static void key_value(struct bytes *b, const char *key, int64_t value)
{
    bytes_char(b, ' ');
    bytes_text(b, key);
    bytes_char(b, '=');
    bytes_int(b, value);
}

static void finish(struct instrument *instrument, struct bytes *b)
{
    uint16_t sum = bytes_crc16(b->at, b->length);
    bytes_text(b, " *");
    bytes_hex(b, sum, 4);
    bytes_char(b, '\n');
    if (!b->full)
        instrument_answer(instrument, b->at, b->length, LINE_LATENCY_MS);
}

static void refuse(struct instrument *instrument, const struct request *request, const char *reason)
{
    char storage[LINE_MAX_BYTES];
    struct bytes b;
    bytes_init(&b, storage, sizeof storage);
    bytes_int(&b, request->sequence);
    bytes_text(&b, " no ");
    bytes_text(&b, reason);
    finish(instrument, &b);
}

static void say_who(struct instrument *instrument, const struct request *request)
{
    if (request->fields > 0) {
        refuse(instrument, request, "order");
        return;
    }
    char storage[LINE_MAX_BYTES];
    struct bytes b;
    bytes_init(&b, storage, sizeof storage);
    bytes_int(&b, request->sequence);
    bytes_text(&b, " iam ");
    bytes_text(&b, instrument->setup.identity);
    if (!strchr(instrument->setup.identity, ' '))
        bytes_text(&b, " 0"); /* a maker without a serial number */
    key_value(&b, "silence", instrument->setup.silence_ms);
    key_value(&b, "up", uptime_s(instrument));
    finish(instrument, &b);
}

static void say_inputs(struct instrument *instrument, struct bytes *b)
{
    double cold_c = terminals_c(instrument);
    bool any_uv = false;
    for (int i = 0; i < instrument->setup.channels; i++)
        any_uv = any_uv || instrument->setup.is_uv[i];
    if (any_uv)
        key_value(b, "cj", lround(cold_told_c(instrument) * 1000));
    for (int i = 0; i < instrument->setup.channels; i++) {
        int32_t value;
        char key[3] = {instrument->setup.is_uv[i] ? 'v' : 'c', (char)('1' + i), 0};
        if (tip_read(instrument, i, cold_c, &value)) {
            key_value(b, key, value);
            continue;
        }
        bytes_char(b, ' ');
        bytes_text(b, key);
        bytes_text(b, "=open");
    }
}

static void say_ok(struct instrument *instrument, const struct request *request, bool silenced)
{
    char storage[LINE_MAX_BYTES];
    struct bytes b;
    bytes_init(&b, storage, sizeof storage);
    bytes_int(&b, request->sequence);
    bytes_text(&b, " ok");
    key_value(&b, "d", instrument->line.duty_permille);
    key_value(&b, "f", instrument->line.fan_pct);
    key_value(&b, "up", uptime_s(instrument));
    key_value(&b, "q", silenced);
    say_inputs(instrument, &b);
    finish(instrument, &b);
}

static bool within(int64_t value, int64_t low, int64_t high)
{
    return value >= low && value <= high;
}

static void set(struct instrument *instrument, const struct request *request, bool silenced)
{
    const struct field *field = request->field;
    const char *drive = instrument->setup.regulates ? "s" : "d";
    if (request->fields != 3 || !same(field[0].key, field[0].key_length, drive) ||
        !same(field[1].key, field[1].key_length, "f") ||
        !same(field[2].key, field[2].key_length, "b")) {
        refuse(instrument, request, "order");
        return;
    }
    int64_t most = instrument->setup.regulates ? 400000 : 1000;
    if (!within(field[0].value, 0, most) || !within(field[1].value, 0, 100) ||
        !within(field[2].value, 0, UINT32_MAX)) {
        refuse(instrument, request, "range");
        return;
    }
    if (instrument->setup.regulates) {
        if (!instrument->world->set_point_stuck)
            instrument->line.setpoint_mc = (int32_t)field[0].value;
        if (instrument->line.setpoint_mc == 0)
            instrument->line.duty_permille = 0;
    } else {
        instrument->line.duty_permille = (int32_t)field[0].value;
    }
    instrument->line.fan_pct = (int32_t)field[1].value;
    instrument->line.beeps = field[2].value;
    say_ok(instrument, request, silenced);
}

static void all_off(struct line_state *line)
{
    line->duty_permille = line->fan_pct = line->setpoint_mc = 0;
    line->integral = 0;
}

/* The timer as it stands at t_ms. */
static void watch_silence(struct instrument *instrument, int64_t t_ms)
{
    struct line_state *line = &instrument->line;
    if (t_ms - line->valid_ms < instrument->setup.silence_ms)
        return;
    all_off(line);
    line->silenced = true;
}

/* True: the timer had fired since the last valid line. */
static bool valid_line(struct instrument *instrument)
{
    int64_t t_ms = instrument->world->clock.origin_ms;
    watch_silence(instrument, t_ms);
    bool silenced = instrument->line.silenced;
    instrument->line.silenced = false;
    instrument->line.valid_ms = t_ms;
    return silenced;
}

void line_hear(struct instrument *instrument, const char *line, size_t length)
{
    if (length >= 3 && memcmp(line, "OFF", 3) == 0) {
        valid_line(instrument);
        all_off(&instrument->line);
        instrument_answer(instrument, "off\n", 4, LINE_LATENCY_MS);
        return;
    }
    struct request request = {0};
    size_t covered = checked(line, length);
    if (covered == 0 || !parse(line, covered, &request))
        return;
    bool silenced = valid_line(instrument);
    if (same(request.verb, request.verb_length, "who"))
        say_who(instrument, &request);
    else if (same(request.verb, request.verb_length, "set"))
        set(instrument, &request, silenced);
    else
        refuse(instrument, &request, "verb");
}

/* A plate that holds a set-point itself, on its own first input. */
static void hold(struct instrument *instrument)
{
    struct line_state *line = &instrument->line;
    const struct tip *own = &instrument->tip[0];
    if (line->setpoint_mc == 0 || own->state == TIP_OPEN) {
        line->duty_permille = 0;
        line->integral = 0;
        return;
    }
    double off_k = line->setpoint_mc * 1e-3 - own->seen_c;
    line->duty_permille = (int32_t)lround(1000 * regulate(off_k, &line->integral, TICK_MS * 1e-3));
}

void line_tick(struct instrument *instrument, int64_t t_ms)
{
    watch_silence(instrument, t_ms);
    if (instrument->setup.regulates)
        hold(instrument);
}
