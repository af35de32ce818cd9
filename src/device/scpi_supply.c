/* SPDX-License-Identifier: MIT */
/* A bench supply that speaks SCPI: one query in flight at a time, so every answer has one meaning.
 *
 * A period:  off, if due -> [identity] -> set-points and their read-back -> on -> error queue -> measure
 *
 * SCPI answers carry no number. Once one is overdue, the next line could be its answer or that of
 * the next question, so nothing is believed until the supply has said its name again: what was
 * overdue comes before that. */
#include "tinlatch/device.h"

#include <string.h>

#include "device_ops.h"

enum supply_step {
    DRAIN = -1, /* its owner's word stands for a name: what was overdue is waited out */
    IDLE,
    ASK_IDENTITY,
    ASK_VOLTS,
    ASK_AMPS,
    ASK_ERROR,
    READ_VOLTS,
    READ_AMPS,
    READ_STATE
};

enum { COARSE = 10 /* mV or mA */, IDENTITY_WAIT_MS = 500 };

static const enum scpi_text questions[] = {
    [ASK_IDENTITY] = SCPI_IDENTITY, [ASK_VOLTS] = SCPI_GET_VOLTS,   [ASK_AMPS] = SCPI_GET_AMPS,
    [ASK_ERROR] = SCPI_ERROR,       [READ_VOLTS] = SCPI_READ_VOLTS, [READ_AMPS] = SCPI_READ_AMPS,
    [READ_STATE] = SCPI_STATE,
};

static void say(struct device *device, enum scpi_text which, int32_t milli)
{
    struct bytes out = frame_open(&device->outbox);
    scpi_command(&out, device_scpi_text(&device->config, which), milli);
    if (!out.full) /* a question that did not fit is overdue later; what lies before it must stay */
        device->outbox.length = out.length;
}

static void ask(struct device *device, enum supply_step step)
{
    device->step = (int32_t)step;
    say(device, questions[step], 0);
}

/* What it was told is known only from an off or on that we sent ourselves. Off is said again until
 * the supply itself says off. */
static bool off_is_due(const struct device *device)
{
    if (!device->identified)
        return false;
    return !device->told_known ||
           (!device->drive.supply_on && (device->told_on || device->supply.on));
}

/* Its volts go to zero as well: an output that stays on all the same then gives nothing, and what is read while it is
 * off is no set-point. */
static void say_off(struct device *device)
{
    say(device, SCPI_OFF, 0);
    say(device, SCPI_SET_VOLTS, 0);
    device->told_mv = 0;
    device->told_on = false;
    device->told_known = true;
    device->supply.settled = false; /* whatever goes on next is read back first */
}

static int32_t wanted_mv(const struct device *device)
{
    return bounded(device->drive.mv, 0, INT32_MAX / 2);
}

static int32_t wanted_ma(const struct device *device)
{
    return bounded(device->drive.ma, 0, INT32_MAX / 2);
}

static bool set_points_are_due(const struct device *device)
{
    return (device->drive.supply_on || device->drive.preset) &&
           (!device->supply.settled || device->told_mv != wanted_mv(device) ||
            device->told_ma != wanted_ma(device));
}

static void say_set_points(struct device *device)
{
    /* With the output on, no state in between may give more than both: the current that falls goes first. */
    bool falls = wanted_ma(device) < device->told_ma;
    device->supply.settled = false;
    device->told_mv = wanted_mv(device);
    device->told_ma = wanted_ma(device);
    device->error_due = true;
    say(device, falls ? SCPI_SET_AMPS : SCPI_SET_VOLTS, falls ? device->told_ma : device->told_mv);
    say(device, falls ? SCPI_SET_VOLTS : SCPI_SET_AMPS, falls ? device->told_mv : device->told_ma);
    ask(device, ASK_VOLTS);
}

/* Upwards 1 % and no more. Downwards a coarse supply may round: that feeds less, not more. */
static bool matches(int32_t told, int32_t back)
{
    int32_t part = told / 100;
    return back <= told + part && back >= told - (part > COARSE ? part : COARSE);
}

/* On is said once, when both set-points have read back. It is not said again when the supply goes
 * off by itself: that had a reason. */
static void judge_read_back(struct device *device)
{
    device->supply.settled = matches(device->told_mv, device->read_back_mv) &&
                             matches(device->told_ma, device->read_back_ma);
    if (!device->supply.settled) {
        if (device->told_on)
            say_off(device);
        return;
    }
    if (!device->drive.supply_on)
        return;
    if (!device->told_on)
        say(device, SCPI_ON, 0);
    device->told_on = true;
}

/* Asked once per batch: a supply that does not know the question still gets to be measured. */
static void ask_error(struct device *device)
{
    device->error_due = false;
    ask(device, ASK_ERROR);
}

/* After an off the period only measures: the proof that it was obeyed comes before anything new. */
static void start_work(struct device *device)
{
    if (off_is_due(device)) {
        say_off(device);
        ask(device, READ_VOLTS);
    } else if (set_points_are_due(device)) {
        say_set_points(device);
    } else if (device->error_due) {
        ask_error(device);
    } else {
        ask(device, READ_VOLTS);
    }
}

/* One such question at a time, or the answer to an old one would vouch for a line that a newer one has
 * not yet cleared. A lost one is asked again while a second of silence still lies ahead. */
static void ask_identity(struct device *device, int64_t t_ms)
{
    if (device->step == ASK_IDENTITY && t_ms - device->asked_ms < IDENTITY_WAIT_MS)
        return;
    device->asked_ms = t_ms;
    ask(device, ASK_IDENTITY);
}

/* Half a second without a word: nothing is under way any more. */
static void wait_for_silence(struct device *device, int64_t t_ms)
{
    if (device->step != DRAIN) {
        device->step = DRAIN;
        device->asked_ms = t_ms;
    } else if (t_ms - device->asked_ms >= IDENTITY_WAIT_MS) {
        device->resync = false;
        start_work(device);
    }
}

static void supply_begin(struct device *device, int64_t t_ms)
{
    device->identified = device->identified || device->config.owner_vouches;
    if (device->step != IDLE) {
        device->bad_frames++;
        device->resync = true;
        scpi_end_line(device);
    }
    if (device->identified && !device->resync) {
        start_work(device);
        return;
    }
    size_t before = device->outbox.length; /* 0, or the end of line */
    if (off_is_due(device))
        say_off(device);
    if (device->config.owner_vouches)
        wait_for_silence(device, t_ms);
    else
        ask_identity(device, t_ms);
    if (device->outbox.length == before)
        device->outbox.length = 0; /* nothing follows: no end of line either */
}

/* Any other line may be the answer that was overdue: it is passed over. */
static void take_identity(struct device *device, const uint8_t *line, size_t length)
{
    if (!scpi_is_identity(line, length, device->config.identity)) {
        device->bad_frames++;
        return;
    }
    device->resync = false;
    keep_said(device, line, length);
    device->identified = line_contains(line, length, device->config.identity);
    if (device->identified) {
        start_work(device);
        return;
    }
    device->step = IDLE;
    device->settled = true;
}

/* It went off without being told: its protection, its front panel, or a loss of power, and then its
 * set-points are gone too. */
static void note_lost_output(struct device *device, bool on)
{
    if (!device->supply.on || on || !device->told_on)
        return;
    device->was_reset = true;
    device->supply.settled = false;
}

static void finish(struct device *device, bool on, int64_t t_ms)
{
    note_lost_output(device, on);
    device->supply.quality = QUALITY_GOOD;
    device->supply.on = on;
    device->supply.mv = device->pending_mv;
    device->supply.ma = device->pending_ma;
    device->supply.at_ms = t_ms;
    device->answered_ms = t_ms;
    device->step = IDLE;
    device->settled = true;
}

/* An answer that cannot be read leaves its question open: overdue at the next period. */
static bool take_milli(struct device *device, const uint8_t *line, size_t length, int32_t *out)
{
    if (scpi_decode_milli(line, length, out) >= 0)
        return true;
    device->bad_frames++;
    return false;
}

static void take_error(struct device *device, const uint8_t *line, size_t length)
{
    if (scpi_decode_error(line, length, &device->supply.error) < 0) {
        device->bad_frames++;
        return;
    }
    ask(device, READ_VOLTS);
}

static void take_state(struct device *device, const uint8_t *line, size_t length, int64_t t_ms)
{
    bool on;
    if (scpi_decode_bool(line, length, &on) < 0) {
        device->bad_frames++;
        return;
    }
    finish(device, on, t_ms);
}

static void supply_line(struct device *device, const uint8_t *line, size_t length, int64_t t_ms)
{
    switch ((enum supply_step)device->step) {
    case DRAIN:
        device->asked_ms = t_ms;
        device->bad_frames++;
        return;
    case IDLE:
        device->bad_frames++;
        return;
    case ASK_IDENTITY:
        take_identity(device, line, length);
        return;
    case ASK_VOLTS:
        if (take_milli(device, line, length, &device->read_back_mv))
            ask(device, ASK_AMPS);
        return;
    case ASK_AMPS:
        if (take_milli(device, line, length, &device->read_back_ma)) {
            judge_read_back(device);
            ask_error(device);
        }
        return;
    case ASK_ERROR:
        take_error(device, line, length);
        return;
    case READ_VOLTS:
        if (take_milli(device, line, length, &device->pending_mv))
            ask(device, READ_AMPS);
        return;
    case READ_AMPS:
        if (take_milli(device, line, length, &device->pending_ma))
            ask(device, READ_STATE);
        return;
    case READ_STATE:
        take_state(device, line, length, t_ms);
        return;
    }
}

/* The volts go as in say_off. */
static void supply_last_words(const struct device_config *config, struct bytes *out)
{
    bytes_char(out, '\n'); /* ends whatever half command the supply was given */
    scpi_command(out, device_scpi_text(config, SCPI_OFF), 0);
    scpi_command(out, device_scpi_text(config, SCPI_SET_VOLTS), 0);
}

const struct device_ops scpi_supply_ops = {.name = "scpi-supply",
                                           .begin = supply_begin,
                                           .line = supply_line,
                                           .last_words = supply_last_words};
