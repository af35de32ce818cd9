/* SPDX-License-Identifier: MIT */
/* The plain-text line instrument: docs/reference/line-instrument.md is its specification. */
#include "tinlatch/device.h"

#include <string.h>

#include "device_ops.h"

enum {
    LINE_MAX = 120, /* bytes, its "\n" included */
    SEQUENCES = 1000000,
    TAIL = 6, /* " *CCCC" */
    WORD_MAX = 24,
    SILENCE_MIN_MS = 1100,
    SILENCE_MAX_MS = 10000,
    INPUT_MAX = 9999999, /* millidegrees or microvolts: seven digits, either sign */
};
static const int64_t UPTIME_MAX_S = 9999999999;

/* ---- encode ---- */

static size_t seal(struct frame *frame, struct bytes *out)
{
    uint16_t check = bytes_crc16(out->at, out->length);
    bytes_text(out, " *");
    bytes_hex(out, check, 4);
    bytes_char(out, '\n');
    return frame_close(frame, out);
}

size_t line_encode_who(uint32_t sequence, struct frame *frame)
{
    frame->length = 0;
    struct bytes out = frame_open(frame);
    bytes_int(&out, sequence % SEQUENCES);
    bytes_text(&out, " who");
    return seal(frame, &out);
}

/* Heat that is denied is 0 here too, whatever number stands beside it. */
static int32_t driven_heat(const struct drive *drive, bool regulates)
{
    if (!drive->heat)
        return 0;
    return regulates ? bounded(drive->setpoint_mc, 0, INPUT_MAX)
                     : bounded(drive->duty_permille, 0, 1000);
}

size_t line_encode_set(uint32_t sequence, const struct drive *drive, bool regulates,
                       struct frame *frame)
{
    frame->length = 0;
    struct bytes out = frame_open(frame);
    bytes_int(&out, sequence % SEQUENCES);
    bytes_text(&out, regulates ? " set s=" : " set d=");
    bytes_int(&out, driven_heat(drive, regulates));
    bytes_text(&out, " f=");
    bytes_int(&out, bounded(drive->fan_pct, 0, 100));
    bytes_text(&out, " b=");
    bytes_int(&out, drive->beeps);
    return seal(frame, &out);
}

static void line_last_words(const struct device_config *config, struct bytes *out)
{
    (void)config;
    bytes_text(out, "\nOFF\n"); /* "\n" first: ends whatever half line the instrument was given */
}

/* ---- decode ---- */

struct cursor {
    const char *at, *end;
};

/* Step over `text` if it stands here. */
static bool take(struct cursor *c, const char *text)
{
    size_t length = strlen(text);
    if ((size_t)(c->end - c->at) < length || memcmp(c->at, text, length) != 0)
        return false;
    c->at += length;
    return true;
}

/* One way only to write a number: "07" and "-0" are damage, not numbers. */
static bool is_padded(const char *from, const char *to)
{
    if (*from == '-')
        return from[1] == '0';
    return *from == '0' && to - from > 1;
}

static bool take_number(struct cursor *c, int64_t low, int64_t high, int64_t *value)
{
    const char *from = c->at;
    if (bytes_read_int(&c->at, c->end, value) != 0 || is_padded(from, c->at))
        return false;
    return *value >= low && *value <= high;
}

static bool take_int(struct cursor *c, const char *key, int32_t low, int32_t high, int32_t *out)
{
    int64_t value;
    if (!take(c, key) || !take_number(c, low, high, &value))
        return false;
    *out = (int32_t)value;
    return true;
}

static bool take_flag(struct cursor *c, const char *key, bool *out)
{
    int32_t value;
    if (!take_int(c, key, 0, 1, &value))
        return false;
    *out = value == 1;
    return true;
}

/* A maker or a serial: 1 to 24 printable bytes, no space, no '=' and no '*'. */
static bool take_word(struct cursor *c)
{
    const char *from = c->at;
    while (c->at<c->end && * c->at> ' ' && *c->at <= '~' && *c->at != '=' && *c->at != '*')
        c->at++;
    return c->at > from && c->at - from <= WORD_MAX;
}

static bool take_identity(struct cursor *c, struct line_answer *answer)
{
    const char *from = c->at;
    if (!take_word(c) || !take(c, " ") || !take_word(c))
        return false;
    memcpy(answer->identity, from, (size_t)(c->at - from)); /* 49 bytes at most */
    answer->is_identity = true;
    return take_int(c, " silence=", SILENCE_MIN_MS, SILENCE_MAX_MS, &answer->silence_ms) &&
           take(c, " up=") && take_number(c, 0, UPTIME_MAX_S, &answer->uptime_s);
}

static bool take_refusal(struct cursor *c, struct line_answer *answer)
{
    static const char *const reasons[] = {"verb", "range", "order"};
    for (size_t i = 0; i < sizeof reasons / sizeof *reasons; i++) {
        if (!take(c, reasons[i]))
            continue;
        strcpy(answer->identity, reasons[i]);
        answer->refused = true;
        return true;
    }
    return false;
}

/* " c2=23450", " v2=-12", " c2=open", " v2=open" */
static bool take_input(struct cursor *c, int number, struct channel *channel)
{
    char key[] = {(char)('1' + number), '=', 0};
    if (take(c, " v"))
        channel->is_uv = true;
    else if (!take(c, " c"))
        return false;
    if (!take(c, key))
        return false;
    if (take(c, "open")) {
        channel->quality = QUALITY_OPEN;
        return true;
    }
    int64_t value;
    if (!take_number(c, -INPUT_MAX, INPUT_MAX, &value))
        return false;
    channel->quality = QUALITY_GOOD;
    channel->value = (int32_t)value;
    return true;
}

/* Microvolts mean nothing without the temperature of the terminals. */
static bool cold_is_given_where_needed(const struct device_channels *channels)
{
    for (int i = 0; i < DEVICE_CHANNELS; i++) {
        const struct channel *channel = &channels->channel[i];
        if (channel->is_uv && channel->quality == QUALITY_GOOD && !channels->has_cold)
            return false;
    }
    return true;
}

static bool take_inputs(struct cursor *c, struct device_channels *channels)
{
    const char *before = c->at;
    channels->has_cold = take_int(c, " cj=", -INPUT_MAX, INPUT_MAX, &channels->cold_mc);
    if (!channels->has_cold && c->at != before)
        return false;
    for (int i = 0; i < DEVICE_CHANNELS && c->at < c->end; i++)
        if (!take_input(c, i, &channels->channel[i]))
            return false;
    return cold_is_given_where_needed(channels);
}

static bool take_state(struct cursor *c, struct line_answer *answer)
{
    answer->channels.has_duty = true;
    return take_int(c, " d=", 0, 1000, &answer->channels.duty_permille) &&
           take_int(c, " f=", 0, 100, &answer->fan_pct) && take(c, " up=") &&
           take_number(c, 0, UPTIME_MAX_S, &answer->uptime_s) &&
           take_flag(c, " q=", &answer->silenced) && take_inputs(c, &answer->channels);
}

static bool take_answer(struct cursor *c, struct line_answer *answer)
{
    int64_t sequence;
    if (!take_number(c, 0, SEQUENCES - 1, &sequence))
        return false;
    answer->sequence = (uint32_t)sequence;
    if (take(c, " ok"))
        return take_state(c, answer);
    if (take(c, " iam "))
        return take_identity(c, answer);
    if (take(c, " no "))
        return take_refusal(c, answer);
    return false; /* our own request among them, when a line echoes */
}

/* `body` is what the check covers; the six bytes behind it must be " *" and that check. */
static bool check_holds(const char *body, size_t length)
{
    char tail[TAIL];
    struct bytes out;
    bytes_init(&out, tail, sizeof tail);
    bytes_text(&out, " *");
    bytes_hex(&out, bytes_crc16(body, length), 4);
    return memcmp(body + length, tail, sizeof tail) == 0;
}

int line_decode(const void *bytes, size_t length, struct line_answer *answer)
{
    size_t consumed;
    const char *text = bytes;
    const char *end = line_end(bytes, length < LINE_MAX ? length : LINE_MAX, &consumed);
    if (!end)
        return length < LINE_MAX ? TL_MORE : TL_BAD;
    if (end - text < TAIL || !check_holds(text, (size_t)(end - text) - TAIL))
        return TL_BAD;

    struct line_answer found = {0};
    struct cursor c = {.at = text, .end = end - TAIL};
    if (!take_answer(&c, &found) || c.at != c.end)
        return TL_BAD;
    *answer = found;
    return (int)consumed;
}

/* ---- a period ---- */

enum { LINE_IDLE, LINE_ASKED_WHO, LINE_SET };

static void line_begin(struct device *device, int64_t t_ms)
{
    (void)t_ms;
    device->bad_frames += device->step != LINE_IDLE; /* the last answer is missing */
    device->sequence = (device->sequence + 1) % SEQUENCES;
    if (!device->identified) { /* a stranger is asked who it is, and nothing else */
        device->step = LINE_ASKED_WHO;
        line_encode_who(device->sequence, &device->outbox);
        return;
    }
    device->step = LINE_SET;
    line_encode_set(device->sequence, &device->drive, device->config.regulates, &device->outbox);
}

static void note_uptime(struct device *device, int64_t uptime_s)
{
    if (uptime_s < device->uptime_s) {
        device->was_reset = true;
        device->identified = false; /* it may be another one by now */
    }
    device->uptime_s = uptime_s;
}

/* The bench file's silence is the longest that its owner reckons with. */
static bool is_ours(const struct device_config *config, const struct line_answer *answer)
{
    return strstr(answer->identity, config->identity) != NULL &&
           (config->silence_ms == 0 || answer->silence_ms <= config->silence_ms);
}

static void line_take_identity(struct device *device, const struct line_answer *answer,
                               int64_t t_ms)
{
    note_uptime(device, answer->uptime_s);
    keep_said(device, (const uint8_t *)answer->identity, strlen(answer->identity));
    device->told_silence_ms = answer->silence_ms;
    device->identified = is_ours(&device->config, answer);
    if (device->identified)
        device->answered_ms = t_ms;
}

static void line_take_state(struct device *device, const struct line_answer *answer, int64_t t_ms)
{
    struct device_channels *known = &device->channels;
    const struct device_channels *fresh = &answer->channels;
    note_uptime(device, answer->uptime_s);
    for (int i = 0; i < DEVICE_CHANNELS; i++) {
        if (fresh->channel[i].quality == QUALITY_NONE)
            continue; /* not in this answer: its age grows */
        int32_t last = known->channel[i].value;
        known->channel[i] = fresh->channel[i];
        known->channel[i].at_ms = t_ms;
        if (fresh->channel[i].quality == QUALITY_OPEN)
            known->channel[i].value = last;
    }
    known->has_cold = fresh->has_cold;
    known->cold_mc = fresh->cold_mc;
    known->has_duty = fresh->has_duty;
    known->duty_permille = fresh->duty_permille;
    device->fan_pct = answer->fan_pct;
    device->silenced = answer->silenced;
    device->answered_ms = t_ms;
}

/* Does this answer belong to the request in flight? */
static bool line_fits(const struct device *device, const struct line_answer *answer)
{
    if (device->step == LINE_IDLE || answer->sequence != device->sequence)
        return false;
    return answer->is_identity == (device->step == LINE_ASKED_WHO) || answer->refused;
}

static bool is_off_answer(const uint8_t *line, size_t length)
{
    return (length == 4 && memcmp(line, "off\n", 4) == 0) ||
           (length == 5 && memcmp(line, "off\r\n", 5) == 0);
}

static void line_take_line(struct device *device, const uint8_t *line, size_t length, int64_t t_ms)
{
    struct line_answer answer;
    if (is_off_answer(line, length)) {
        device->offs++; /* to last words sent earlier; it names no request */
        return;
    }
    if (line_decode(line, length, &answer) < 0 || !line_fits(device, &answer)) {
        device->bad_frames++;
        return;
    }
    bool asked_who = device->step == LINE_ASKED_WHO;
    device->step = LINE_IDLE;
    device->settled = true;
    if (answer.refused)
        device->bad_frames++; /* it answers but does not do: as good as silent */
    else if (asked_who)
        line_take_identity(device, &answer, t_ms);
    else
        line_take_state(device, &answer, t_ms);
}

const struct device_ops line_device_ops = {
    .name = "line", .begin = line_begin, .line = line_take_line, .last_words = line_last_words};
