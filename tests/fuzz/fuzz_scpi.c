/* SPDX-License-Identifier: MIT */
/* SCPI on our side: replies, a supply and a meter over some periods. "s": periods of a supply, "v": of one that its owner
 * vouches for, "m": of a meter; anything else is a reply. */
#include <math.h>

#include "periods.h"

/* A number as NR1 to NR3 write it, by another reader than ours. */
static double number_of(const uint8_t *bytes, size_t length)
{
    char text[FRAME_MAX + 1], *end;
    assert(length > 0 && length <= FRAME_MAX && bytes[length - 1] == '\n');
    length--;
    length -= length > 0 && bytes[length - 1] == '\r';
    memcpy(text, bytes, length);
    text[length] = '\0';
    assert(strspn(text, "+-.0123456789eE") == length);
    double value = strtod(text, &end);
    assert(end == text + length && isfinite(value));
    return value;
}

static void decode(const uint8_t *bytes, size_t length)
{
    int32_t milli, code;
    int64_t micro = 0;
    bool on, open;
    int used = scpi_decode_milli(bytes, length, &milli);
    if (used >= 0)
        assert(fabs(number_of(bytes, (size_t)used) * 1e3 - milli) < 0.5001);
    used = scpi_decode_micro(bytes, length, &micro, &open);
    if (used >= 0) {
        double value = number_of(bytes, (size_t)used);
        assert(open ? value == 9.9e37
                    : fabs(value * 1e6 - (double)micro) <= 0.5001 + fabs(value) * 1e-9);
    }
    if (scpi_decode_bool(bytes, length, &on) >= 0)
        assert(on ? bytes[0] == '1' || !memcmp(bytes, "ON", 2)
                  : bytes[0] == '0' || !memcmp(bytes, "OFF", 3));
    if (scpi_decode_error(bytes, length, &code) >= 0)
        assert(code >= -99999 && code <= 99999 && memchr(bytes, '"', length));
}

/* No command but these; set-points not above what is driven, on only while it is, after both have read back. */
static void check_supply_line(const struct device *device, const char *line)
{
    static const char *const plain[] = {"",           "*IDN?",    "VOLT?", "CURR?",    "MEAS:VOLT?",
                                        "MEAS:CURR?", "OUTP OFF", "OUTP?", "SYST:ERR?"};
    double value;
    int end = 0;
    for (size_t i = 0; i < sizeof plain / sizeof *plain; i++)
        if (strcmp(line, plain[i]) == 0)
            return;
    if (strcmp(line, "OUTP ON") == 0) {
        assert(device->drive.supply_on && device->identified && device->supply.settled);
        assert(device->read_back_mv <= device->drive.mv + device->drive.mv / 100);
        assert(device->read_back_ma <= device->drive.ma + device->drive.ma / 100);
    } else if (sscanf(line, "VOLT %lf%n", &value, &end) == 1) {
        assert(line[end] == '\0' && value >= 0 && value * 1e3 <= device->drive.mv + 0.01);
    } else {
        assert(sscanf(line, "CURR %lf%n", &value, &end) == 1);
        assert(line[end] == '\0' && value >= 0 && value * 1e3 <= device->drive.ma + 0.01);
    }
}

static void check_meter_line(const struct device *device, const char *line)
{
    static const char *const plain[] = {"", "*IDN?", "MEAS:RES?", "MEAS:DIOD?", "MEAS:VOLT:DC?"};
    (void)device;
    for (size_t i = 0; i < sizeof plain / sizeof *plain; i++)
        if (strcmp(line, plain[i]) == 0)
            return;
    fprintf(stderr, "no command for a meter: %s\n", line);
    abort();
}

static void check(const struct device *device, const struct frame *frame)
{
    char text[FRAME_MAX + 1];
    memcpy(text, frame->bytes, frame->length);
    text[frame->length] = '\0';
    assert(text[frame->length - 1] == '\n');
    for (char *at = text, *end; (end = strchr(at, '\n')); at = end + 1) {
        *end = '\0';
        if (device->config.kind == DEVICE_SCPI_SUPPLY)
            check_supply_line(device, at);
        else
            check_meter_line(device, at);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const struct device_config supply = {.kind = DEVICE_SCPI_SUPPLY,
                                                .identity = "BENCHSUPPLY"};
    static const struct device_config vouched = {.kind = DEVICE_SCPI_SUPPLY, .owner_vouches = true};
    static const struct device_config meter = {.kind = DEVICE_SCPI_METER, .identity = "BENCHMETER"};
    const struct device_config *config = size == 0        ? NULL
                                         : data[0] == 's' ? &supply
                                         : data[0] == 'v' ? &vouched
                                         : data[0] == 'm' ? &meter
                                                          : NULL;
    if (config) {
        struct draw draw = {data + 1, data + size};
        periods_run(&(struct periods){config, NULL, check}, &draw);
    } else {
        decode(data, size);
    }
    return 0;
}
