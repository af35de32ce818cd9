/* SPDX-License-Identifier: MIT */
/* periods - an instrument's driver over some periods: the input says what is driven, what comes back, and when. */
#ifndef TINLATCH_TESTS_PERIODS_H
#define TINLATCH_TESTS_PERIODS_H

#include "fuzz.h"
#include "tinlatch/device.h"

struct periods {
    const struct device_config *config;
    /* The drawn bytes as an answer that reaches further than chance would: with its checksum, its number; NULL: as they are. */
    size_t (*answer)(const struct device *device, const uint8_t *drawn, size_t length,
                     uint8_t to[FRAME_MAX]);
    /* Asserts what may go out under the device's present drive. */
    void (*check)(const struct device *device, const struct frame *frame);
};

static inline struct drive draw_drive(struct draw *draw)
{
    uint8_t flags = draw_byte(draw);
    struct drive drive = {.heat = flags & 1,
                          .supply_on = flags & 2,
                          .preset = flags & 4,
                          .closed = flags & 8,
                          .meter = (enum meter_kind)(flags >> 4 & 3),
                          .fan_pct = draw_byte(draw) % 101,
                          .beeps = draw_byte(draw)};
    if (drive.heat) {
        drive.duty_permille = draw_int(draw) & 1023;
        drive.setpoint_mc = draw_int(draw) & 0x7FFFF;
    }
    if (drive.supply_on || drive.preset) {
        drive.mv = draw_int(draw) & 0x7FFF;
        drive.ma = draw_int(draw) & 0x1FFF;
    }
    return drive;
}

static inline void periods_take_frame(const struct periods *periods, struct device *device)
{
    struct frame frame;
    device_outbox(device, &frame);
    assert(frame.length <= FRAME_MAX);
    if (frame.length > 0)
        periods->check(device, &frame);
}

static inline void periods_feed(const struct periods *periods, struct device *device,
                                struct draw *draw, int64_t t_ms)
{
    uint8_t drawn[FRAME_MAX], answer[FRAME_MAX];
    uint8_t how = draw_byte(draw);
    size_t length = draw_bytes(draw, drawn, draw_byte(draw) % FRAME_MAX);
    const uint8_t *bytes = drawn;
    if (periods->answer && how % 4) {
        length = periods->answer(device, drawn, length, answer);
        bytes = answer;
    }
    size_t first = how & 0x80 ? length / 2 : length; /* in one piece, or in two */
    device_feed(device, bytes, first, t_ms);
    device_feed(device, bytes + first, length - first, t_ms);
}

static inline void periods_run(const struct periods *periods, struct draw *draw)
{
    struct device device;
    int64_t t_ms = 0;
    device_init(&device, periods->config);
    for (int i = 0; i < 60 && draw_left(draw) > 0; i++) {
        struct drive drive = draw_drive(draw);
        uint8_t answers = draw_byte(draw);
        device_begin(&device, &drive, t_ms);
        periods_take_frame(periods, &device);
        for (int k = 0; k < answers % 8; k++) {
            periods_feed(periods, &device, draw, t_ms + k);
            periods_take_frame(periods, &device);
        }
        assert(device_silent_ms(&device, t_ms) >= 0);
        t_ms += answers & 0x80 ? 100 * (1 + draw_byte(draw)) : 100;
    }
}

#endif
