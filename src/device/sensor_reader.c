/* SPDX-License-Identifier: MIT */
/* A thermometer that writes lines of text: docs/reference/sensor-reader.md. */
#include "tinlatch/device.h"

#include <string.h>

#include "device_ops.h"

enum { PLACES = DEVICE_CHANNELS + 1, COLD = DEVICE_CHANNELS }; /* {1} to {4}, {cj} */
enum { DIGITS_MAX = 15, VALUE_MAX = 9999999 };                 /* thousandths */

/* ---- pattern ---- */

enum part { PART_END, PART_BLANKS, PART_SKIP, PART_NUMBER, PART_LITERAL, PART_BAD };

static bool is_blank(char c)
{
    return c == ' ' || c == '\t';
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static enum part take_place(const char **at, int *place)
{
    static const struct {
        const char *text;
        int place;
    } places[] = {{"{1}", 0}, {"{2}", 1}, {"{3}", 2}, {"{4}", 3}, {"{cj}", COLD}};
    if (strncmp(*at, "{*}", 3) == 0) {
        *at += 3;
        return PART_SKIP;
    }
    for (size_t i = 0; i < sizeof places / sizeof *places; i++) {
        size_t length = strlen(places[i].text);
        if (strncmp(*at, places[i].text, length) != 0)
            continue;
        *at += length;
        *place = places[i].place;
        return PART_NUMBER;
    }
    return PART_BAD;
}

/* The next part of a pattern; *at moves past it. */
static enum part take_part(const char **at, int *place)
{
    if (**at == '\0')
        return PART_END;
    if (**at == '{' || **at == '}')
        return take_place(at, place);
    if (!is_blank(**at)) {
        (*at)++;
        return PART_LITERAL;
    }
    while (is_blank(**at))
        (*at)++;
    return PART_BLANKS;
}

static const char *why_not_there(enum part part, enum part before, char literal)
{
    bool placed = before == PART_NUMBER || before == PART_SKIP;
    if (part == PART_BAD)
        return "a brace that is none of {1} {2} {3} {4} {cj} {*}";
    if (part == PART_LITERAL && (literal < 0x21 || literal > 0x7E))
        return "a character that is not visible ASCII";
    if (placed && (part == PART_NUMBER || part == PART_SKIP))
        return "two placeholders with nothing between them";
    if (part == PART_LITERAL && before == PART_NUMBER && (is_digit(literal) || literal == '.'))
        return "a digit or point right behind a number";
    return NULL;
}

int reader_check_pattern(const char *pattern, uint32_t *numbers, const char **why)
{
    enum part part, before = PART_END;
    *numbers = 0;
    for (const char *at = pattern;; before = part) {
        int place = 0;
        char literal = *at;
        part = take_part(&at, &place);
        if (part == PART_END)
            break;
        *why = why_not_there(part, before, literal);
        if (part == PART_NUMBER && (*numbers & 1U << place))
            *why = "a placeholder that stands twice";
        if (*why)
            return TL_SYNTAX;
        if (part == PART_NUMBER)
            *numbers |= 1U << place;
    }
    *why = (*numbers & ((1U << COLD) - 1)) ? NULL : "no number: one of {1} {2} {3} {4} is needed";
    return *why ? TL_SYNTAX : 0;
}

/* ---- lines ---- */

struct text {
    const char *at, *end;
};

/* Digits with at most one point among or around them, to thousandths. */
static bool take_number(struct text *t, int32_t *milli)
{
    const char *at = t->at;
    bool negative = at < t->end && *at == '-', point = false;
    int64_t value = 0;
    int digits = 0, places = 0;
    at += at < t->end && (*at == '-' || *at == '+');
    for (; at < t->end && (is_digit(*at) || (*at == '.' && !point)); at++) {
        if (*at == '.') {
            point = true;
            continue;
        }
        if (++digits > DIGITS_MAX)
            return false;
        value = value * 10 + (*at - '0');
        places += point;
    }
    for (; places < 3; places++)
        value *= 10;
    for (; places > 4; places--)
        value /= 10; /* no rounding twice: the last step below rounds */
    value = places == 4 ? (value + 5) / 10 : value;
    if (digits == 0 || value > VALUE_MAX)
        return false;
    *milli = (int32_t)(negative ? -value : value);
    t->at = at;
    return true;
}

/* "----" where a number would stand; "-" does not hide in "-12". */
static bool take_open(struct text *t, const char *open)
{
    size_t length = strlen(open);
    if (length == 0 || (size_t)(t->end - t->at) < length || memcmp(t->at, open, length) != 0)
        return false;
    const char *next = t->at + length;
    if (next < t->end && (is_digit(*next) || *next == '.'))
        return false;
    t->at = next;
    return true;
}

/* To the first place where what the pattern has next can stand, one byte at least. */
static bool take_skipped(struct text *t, const char *pattern)
{
    if (t->at == t->end)
        return false;
    t->at++;
    while (t->at < t->end && *pattern &&
           (is_blank(*pattern) ? !is_blank(*t->at) : *t->at != *pattern))
        t->at++;
    if (*pattern == '\0')
        t->at = t->end;
    return true;
}

static bool take_blanks(struct text *t)
{
    const char *from = t->at;
    while (t->at < t->end && is_blank(*t->at))
        t->at++;
    return t->at > from;
}

static int32_t fahrenheit_mc(int32_t milli)
{
    int32_t above = (milli - 32000) * 5;
    return above >= 0 ? (above + 4) / 9 : (above - 4) / 9;
}

static bool take_input(struct text *t, int place, const struct reader_config *config,
                       struct reader_answer *answer)
{
    int32_t milli = 0;
    bool open = take_open(t, config->open);
    if (!open && !take_number(t, &milli))
        return false;
    if (place == COLD) {
        answer->has_cold = !open;
        answer->cold_mc = milli;
        return true;
    }
    answer->channel[place] =
        (struct channel){.quality = open ? QUALITY_OPEN : QUALITY_GOOD,
                         .is_uv = config->gives_uv,
                         .value = config->fahrenheit && !open ? fahrenheit_mc(milli) : milli};
    return true;
}

static bool take_line(struct text *t, const struct reader_config *config,
                      struct reader_answer *answer)
{
    for (const char *at = config->pattern;;) {
        int place = 0;
        const char *from = at;
        switch (take_part(&at, &place)) {
        case PART_END:
            return t->at == t->end;
        case PART_BLANKS:
            if (!take_blanks(t))
                return false;
            break;
        case PART_SKIP:
            if (!take_skipped(t, at))
                return false;
            break;
        case PART_NUMBER:
            if (!take_input(t, place, config, answer))
                return false;
            break;
        case PART_LITERAL:
            if (t->at == t->end || *t->at++ != *from)
                return false;
            break;
        case PART_BAD:
            return false;
        }
    }
}

/* Microvolts mean nothing without the temperature of the terminals. */
static bool cold_is_given_where_needed(const struct reader_answer *answer, bool gives_uv)
{
    for (int i = 0; gives_uv && i < DEVICE_CHANNELS; i++)
        if (answer->channel[i].quality == QUALITY_GOOD && !answer->has_cold)
            return false;
    return true;
}

int reader_decode(const void *bytes, size_t length, const struct reader_config *config,
                  struct reader_answer *answer)
{
    size_t consumed;
    const char *end = line_end(bytes, length < FRAME_MAX ? length : FRAME_MAX, &consumed);
    if (!end)
        return length < FRAME_MAX ? TL_MORE : TL_BAD;
    struct text t = {bytes, end};
    while (t.end > t.at && is_blank(t.end[-1]))
        t.end--;
    struct reader_answer found = {0};
    if (!take_line(&t, config, &found) || !cold_is_given_where_needed(&found, config->gives_uv))
        return TL_BAD;
    *answer = found;
    return (int)consumed;
}

/* ---- periods ---- */

enum step { DRAIN = -1, IDLE, ASK_IDENTITY, ASK };
enum { IDENTITY_WAIT_MS = 500, ANSWER_WAIT_MS = 1000, LOST_MS = 2000 };

static void say(struct device *device, const char *text, enum step step, int64_t t_ms)
{
    struct bytes out = frame_open(&device->outbox);
    scpi_command(&out, text, 0);
    frame_close(&device->outbox, &out);
    device->step = (int32_t)step;
    device->asked_ms = t_ms;
    device->settled = false;
}

static void ask_identity(struct device *device, int64_t t_ms)
{
    if (device->step != ASK_IDENTITY || t_ms - device->asked_ms >= IDENTITY_WAIT_MS)
        say(device, device->config.reader.ask_identity, ASK_IDENTITY, t_ms);
}

/* A reader that is slower than the period is not asked again before it has answered: questions would pile up in
 * it. A missing answer is waited out for one period more, so that it is not taken for the next. */
static void ask_reading(struct device *device, int64_t t_ms)
{
    if (device->step == ASK && t_ms - device->asked_ms < ANSWER_WAIT_MS)
        return;
    if (device->step == ASK) {
        device->bad_frames++;
        device->step = DRAIN;
        return;
    }
    say(device, device->config.reader.ask, ASK, t_ms);
}

static void reader_begin(struct device *device, int64_t t_ms)
{
    const struct reader_config *config = &device->config.reader;
    device->settled = true; /* what was not asked in this period is not waited for */
    if (config->ask_identity[0] && device_silent_ms(device, t_ms) > LOST_MS)
        device->identified = false;
    if (!config->ask_identity[0])
        device->identified = true;
    if (!device->identified)
        ask_identity(device, t_ms);
    else if (config->ask[0])
        ask_reading(device, t_ms);
}

static void take_identity(struct device *device, const uint8_t *line, size_t length, int64_t t_ms)
{
    keep_said(device, line, length);
    if (!line_contains(line, length, device->config.identity)) {
        device->bad_frames++;
        return;
    }
    device->identified = true;
    device->answered_ms = t_ms;
    device->step = IDLE;
    if (device->config.reader.ask[0])
        say(device, device->config.reader.ask, ASK, t_ms);
    else
        device->settled = true;
}

static void take_reading(struct device *device, const struct reader_answer *answer, int64_t at_ms)
{
    struct device_channels *known = &device->channels;
    for (int i = 0; i < DEVICE_CHANNELS; i++) {
        if (answer->channel[i].quality == QUALITY_NONE)
            continue;
        int32_t last = known->channel[i].value;
        known->channel[i] = answer->channel[i];
        known->channel[i].at_ms = at_ms;
        if (answer->channel[i].quality == QUALITY_OPEN)
            known->channel[i].value = last;
    }
    known->has_cold = answer->has_cold;
    known->cold_mc = answer->cold_mc;
}

static void reader_line(struct device *device, const uint8_t *line, size_t length, int64_t t_ms)
{
    bool streams = !device->config.reader.ask[0];
    struct reader_answer answer;
    if (device->step == ASK_IDENTITY) {
        take_identity(device, line, length, t_ms);
        return;
    }
    bool awaited = device->identified && (streams || device->step == ASK);
    if (!awaited || reader_decode(line, length, &device->config.reader, &answer) < 0) {
        device->bad_frames++;
        return;
    }
    take_reading(device, &answer, streams ? t_ms : device->asked_ms);
    device->answered_ms = t_ms;
    device->step = IDLE;
    device->settled = true;
}

const struct device_ops reader_ops = {
    .name = "reader", .begin = reader_begin, .line = reader_line, .last_words = say_nothing};
