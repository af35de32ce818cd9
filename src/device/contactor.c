/* SPDX-License-Identifier: MIT */
/* A relay on RTS or DTR, closed while the line is set. The operating system drops both lines when the last
 * process that holds the port dies, so a dead program opens it. The other line of the port stays set: it
 * may feed contacts. */
#include "tinlatch/device.h"

#include "device_ops.h"

enum { FULL = 1000 };

static void set_lines(const struct device_config *config, bool closed, struct frame *frame)
{
    frame->sets_lines = true;
    frame->rts = config->contactor.on_dtr || closed;
    frame->dtr = !config->contactor.on_dtr || closed;
}

/* What the heater was owed and has got since the last step, in permille times milliseconds. After a gap
 * longer than a window nothing is owed: what was missed is not made up for. */
static void settle_account(struct device *device, int32_t duty, int64_t t_ms)
{
    int64_t window_ms = device->config.contactor.window_ms;
    int64_t for_ms = device->stepped_ms < 0 ? 0 : t_ms - device->stepped_ms;
    if (for_ms < 0 || for_ms > window_ms)
        device->credit = 0;
    else
        device->credit += duty * for_ms - (device->closed ? FULL * for_ms : 0);
    int64_t most = FULL * window_ms;
    device->credit = device->credit > most ? most : device->credit < -most ? -most : device->credit;
}

/* How much must be owed before it closes, so that one on and one off fill a window, and no on is shorter
 * than min_on. */
static int64_t threshold(const struct contactor_config *config, int32_t duty)
{
    int64_t for_window = (int64_t)config->window_ms * duty * (FULL - duty) / FULL;
    int64_t for_min_on = (int64_t)config->min_on_ms * (FULL - duty);
    return for_window > for_min_on ? for_window : for_min_on;
}

static bool heater_closes(struct device *device, int64_t t_ms)
{
    const struct drive *drive = &device->drive;
    int32_t duty = drive->heat ? bounded(drive->duty_permille, 0, FULL) : 0;
    settle_account(device, duty, t_ms);
    if (duty == 0) {
        device->credit = 0;
        return false;
    }
    if (duty == FULL)
        return true;
    return device->closed ? device->credit > 0
                          : device->credit >= threshold(&device->config.contactor, duty);
}

/* The lines are set in every period: a line that was lost for a moment comes back right. */
static void contactor_begin(struct device *device, int64_t t_ms)
{
    device->closed =
        device->config.contactor.is_cutoff ? device->drive.closed : heater_closes(device, t_ms);
    device->stepped_ms = t_ms;
    set_lines(&device->config, device->closed, &device->outbox);
    device->identified = true;
    device->answered_ms = t_ms; /* it cannot answer; a port that is gone is seen by who owns it */
    device->settled = true;
}

static void contactor_drop(const struct device_config *config, struct frame *frame)
{
    set_lines(config, false, frame);
}

const struct device_ops contactor_ops = {.name = "contactor",
                                         .begin = contactor_begin,
                                         .line = hear_nothing,
                                         .last_words = say_nothing,
                                         .drop = contactor_drop,
                                         .mute = true};
