/* SPDX-License-Identifier: MIT */
/* What is not there at the start, and what may be the matter with it. */
#include <stdio.h>
#include <string.h>

#include "guard_private.h"

bool is_missing(const struct guard *guard, int i)
{
    const struct device *device = &guard->device[i];
    return guard->gone[i] || !device->identified || device->answered_ms < 0;
}

static void controller_words(const struct device *device, char *text, size_t size)
{
    if (device->identified)
        snprintf(text, size, "it answers, but its set-point for off does not read back");
    else if (device->said[0])
        snprintf(text, size, "%s: not what the bench file says", device->said);
    else
        snprintf(text, size, "it refuses a request (exception %d): is its register map right?",
                 (int)device->exception);
}

void missing_words(const struct guard *guard, int i, int32_t waited_ms, char *text, size_t size)
{
    const struct device_config *config = &guard->config.bench->device[i];
    const struct device *device = &guard->device[i];

    if (guard->gone[i])
        snprintf(text, size, "its line broke off: is it plugged in?");
    else if (config->kind == DEVICE_CONTROLLER &&
             (device->identified || device->said[0] || device->exception))
        controller_words(device, text, size);
    else if (device->identified && device->said[0])
        snprintf(text, size, "it says who it is, and then nothing that can be read");
    else if (device->said[0] && !strstr(device->said, config->identity))
        snprintf(text, size, "it answers \"%s\"; the bench file wants \"%s\"", device->said,
                 config->identity);
    else if (config->kind == DEVICE_LINE && device->told_silence_ms > config->silence_ms)
        snprintf(text, size, "its silence timer is %.1f s; the bench file says at most %.1f s",
                 device->told_silence_ms / 1000.0, config->silence_ms / 1000.0);
    else
        snprintf(text, size,
                 "no answer within %d s: its power, its cable, the baud rate, the driver",
                 (int)waited_ms / 1000);
}

const char *unread_words(const struct guard *guard, enum sensor_id id, enum quality worst)
{
    const struct sensor_binding *sensor = &guard->config.bench->sensor[id];
    enum quality last = guard->device[sensor->device].channels.channel[sensor->channel].quality;
    if (last == QUALITY_OPEN)
        return "its thermocouple is open: broken or unplugged";
    if (last == QUALITY_NONE)
        return "its instrument gives no such input";
    if (worst == QUALITY_GOOD)
        return "no steady reading yet: does it leap about?";
    return worst == QUALITY_RANGE ? "no temperature that a bench can have: is it C, is it mV, is "
                                    "the type right?"
                                  : "its readings are too old to be believed";
}

/* Its instrument is not there, or is and reads nothing that is good. */
static void name_it(const struct guard *guard, const char *name, int i, const char *reads,
                    int32_t waited_ms, char *text, size_t size)
{
    char words[BENCH_TEXT];

    missing_words(guard, i, waited_ms, words, sizeof words);
    if (is_missing(guard, i))
        snprintf(text, size, "[%s] %s", guard->config.bench->device[i].name, words);
    else
        snprintf(text, size, "[%s] %s", name, reads);
}

/* It reads only when it is asked: that it is there, and the right one, is all that can be wanted of it. */
static bool uses_meter(const struct guard *guard)
{
    return guard->hello.uses_meter && guard->config.bench->meter_device >= 0;
}

bool missing_first(const struct guard *guard, int32_t waited_ms, char *text, size_t size)
{
    const struct benchfile *bench = guard->config.bench;

    for (enum sensor_id id = 0; id < SENSORS; id++) {
        char name[BENCH_NAME];
        enum quality quality = guard->in.sensor[id].quality;
        if (!guard->sensor_in_use[id] || reads_steadily(guard, id))
            continue;
        snprintf(name, sizeof name, "sensor %s", sensor_name(id));
        name_it(guard, name, bench->sensor[id].device, unread_words(guard, id, quality), waited_ms,
                text, size);
        return true;
    }
    if (bench->inputs_device >= 0 && guard->device[bench->inputs_device].inputs.stop) {
        snprintf(text, size, "[inputs] stop is pressed, or its wire is cut");
        return true;
    }
    if (guard->limits.uses_supply && guard->in.supply.quality != QUALITY_GOOD) {
        name_it(guard, "supply", bench->supply_device, "its readings are too old to be believed",
                waited_ms, text, size);
        return true;
    }
    if (uses_meter(guard) && is_missing(guard, bench->meter_device)) {
        name_it(guard, "meter", bench->meter_device, "", waited_ms, text, size);
        return true;
    }
    return false;
}
