/* SPDX-License-Identifier: MIT */
/* A bench meter that speaks SCPI: docs/reference/scpi-meter.md. It is slow, so the scan never waits for it: a
 * question may stay open over many periods. */
#include "tinlatch/device.h"

#include "device_ops.h"

enum step { DRAIN = -1, IDLE, ASK_IDENTITY, MEASURE };
enum { IDENTITY_WAIT_MS = 500, MEASURE_WAIT_MS = 3000 };

static void say(struct device *device, enum scpi_text which, enum step step, int64_t t_ms)
{
    struct bytes out = frame_open(&device->outbox);
    scpi_command(&out, device_scpi_text(&device->config, which), 0);
    frame_close(&device->outbox, &out);
    device->step = (int32_t)step;
    device->asked_ms = t_ms;
}

static void measure(struct device *device, int64_t t_ms)
{
    static const enum scpi_text questions[METER_KINDS] = {[METER_OHMS] = SCPI_METER_OHMS,
                                                          [METER_DIODE] = SCPI_METER_DIODE,
                                                          [METER_VOLTS] = SCPI_METER_VOLTS};
    enum meter_kind kind = device->drive.meter;
    device->step = IDLE;
    if (kind <= METER_NONE || kind >= METER_KINDS) {
        device->answered_ms = t_ms; /* nothing was asked, so nothing is missing */
        return;
    }
    device->asked = kind;
    say(device, questions[kind], MEASURE, t_ms);
}

/* Nothing is believed until the meter has said its name, or, where its owner's word stands for that, has
 * been silent for a while: what was overdue comes before. */
static void find_it(struct device *device, int64_t t_ms)
{
    bool waited = t_ms - device->asked_ms >= IDENTITY_WAIT_MS;
    if (!device->config.owner_vouches) {
        if (device->step != ASK_IDENTITY || waited)
            say(device, SCPI_IDENTITY, ASK_IDENTITY, t_ms);
    } else if (device->step != DRAIN) {
        device->step = DRAIN;
        device->asked_ms = t_ms;
    } else if (waited) {
        device->resync = false;
        measure(device, t_ms);
    }
}

static void meter_begin(struct device *device, int64_t t_ms)
{
    device->settled = true;
    device->identified = device->identified || device->config.owner_vouches;
    if (device->drive.meter == METER_NONE) {
        device->meter = (struct device_meter){0}; /* by the next question its leads are elsewhere */
        device->asked = METER_NONE;               /* nobody wants an answer still to come */
    }
    if (device->step == MEASURE) {
        if (t_ms - device->asked_ms < MEASURE_WAIT_MS)
            return;
        device->bad_frames++;
        device->resync = true;
        scpi_end_line(device);
    }
    if (device->identified && !device->resync)
        measure(device, t_ms);
    else
        find_it(device, t_ms);
}

static void take_identity(struct device *device, const uint8_t *line, size_t length, int64_t t_ms)
{
    if (!scpi_is_identity(line, length, device->config.identity)) {
        device->bad_frames++;
        return;
    }
    device->step = IDLE;
    device->resync = false;
    keep_said(device, line, length);
    device->identified = line_contains(line, length, device->config.identity);
    if (device->identified)
        device->answered_ms = t_ms;
}

static void take_value(struct device *device, const uint8_t *line, size_t length, int64_t t_ms)
{
    int64_t micro = 0;
    bool open;
    device->step = IDLE;
    if (scpi_decode_micro(line, length, &micro, &open) < 0) {
        device->bad_frames++;
        device->resync = true; /* whose answer it was is not known */
        return;
    }
    device->answered_ms = t_ms;
    if (device->asked == METER_NONE)
        return;
    device->meter = (struct device_meter){.quality = open ? QUALITY_OPEN : QUALITY_GOOD,
                                          .kind = device->asked,
                                          .micro = micro,
                                          .at_ms = t_ms};
}

static void meter_line(struct device *device, const uint8_t *line, size_t length, int64_t t_ms)
{
    switch ((enum step)device->step) {
    case DRAIN:
        device->asked_ms = t_ms;
        device->bad_frames++;
        return;
    case IDLE:
        device->bad_frames++;
        return;
    case ASK_IDENTITY:
        take_identity(device, line, length, t_ms);
        return;
    case MEASURE:
        take_value(device, line, length, t_ms);
        return;
    }
}

const struct device_ops scpi_meter_ops = {
    .name = "scpi-meter", .begin = meter_begin, .line = meter_line, .last_words = say_nothing};
