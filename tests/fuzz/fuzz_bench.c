/* SPDX-License-Identifier: MIT */
/* Bench files: what is accepted can be run without a second look at it. */
#include <math.h>

#include "fuzz.h"
#include "tinlatch/benchfile.h"
#include "tinlatch/interlock.h"

static void check_error(const struct tl_error *error, const char *text, size_t length)
{
    static char shown[1 << 14];
    assert(error->code < 0 && error->text[0]);
    size_t size = tl_error_format(error, text, length, shown, sizeof shown);
    assert(size > 0 && shown[size - 1] == '\n' && strlen(shown) == size);
    for (size_t i = 0; i < size; i++)
        assert((unsigned char)shown[i] >= 0x20 || shown[i] == '\n' || shown[i] == '\t');
}

static void check_limits(const struct benchfile *bench)
{
    struct limits merged = *limits_built_in();
    struct limit_origins origins = {0};
    char text[BENCH_TEXT];
    for (enum limit_id id = 0; id < LIMITS; id++) {
        int32_t stated = limits_get(&bench->limits, id);
        assert(stated >= 0 && stated <= limits_get(limits_built_in(), id));
        assert((stated > 0) == (bench->limit_line[id] > 0));
    }
    limits_tighten(&merged, &origins, &bench->limits, LAYER_BENCH, bench->limit_line);
    merged.stale_ms = merged.silent_ms = merged.recipe_silent_ms = merged.presence_ms = 1000;
    merged.uses_plate = true;
    const char *wrong = interlock_validate(&merged, text);
    if (wrong)
        fprintf(stderr, "%s\n", wrong);
    assert(!wrong);
}

static void check_device(const struct benchfile *bench, const struct device_config *device)
{
    struct frame frame;
    uint32_t numbers;
    const char *why;
    assert(device->kind > DEVICE_NONE && device->kind < DEVICE_KINDS);
    assert(device->port >= -1 && device->port < bench->port_count);
    assert(memchr(device->name, 0, sizeof device->name));
    device_last_words(device, &frame);
    assert(frame.length < FRAME_MAX);
    if (device->kind == DEVICE_READER)
        assert(reader_check_pattern(device->reader.pattern, &numbers, &why) == 0);
    if (device->kind == DEVICE_CONTROLLER) {
        assert(device->controller.unit >= 1 && device->controller.unit <= 247);
        for (int i = 0; i < CONTROLLER_REGISTERS; i++)
            assert(!device->controller.map[i].used || device->controller.map[i].per_unit > 0);
    }
    if (device->kind == DEVICE_CONTACTOR)
        assert(device->contactor.is_cutoff || device->contactor.window_ms > 0);
}

static void check_plate(const struct plate *plate)
{
    const double values[] = {plate->watts,         plate->capacity_j_k,    plate->loss_w_k,
                             plate->element_lag_s, plate->emissivity_area, plate->fan_loss_w_k,
                             plate->sensor_lag_s,  plate->length_mm,       plate->width_mm,
                             plate->seat_pulse_s,  plate->seat_rise_c};
    for (size_t i = 0; i < sizeof values / sizeof *values; i++)
        assert(isfinite(values[i]) && values[i] >= 0 && values[i] < 1e9);
}

static void check(const struct benchfile *bench)
{
    const int32_t roles[] = {bench->plate_device, bench->supply_device, bench->meter_device,
                             bench->cutoff_device, bench->inputs_device};
    assert(bench->period_ms >= 20 && bench->period_ms <= 1000);
    assert(bench->device_count >= 0 && bench->device_count <= BENCH_DEVICES);
    assert(bench->port_count >= 0 && bench->port_count <= BENCH_PORTS);
    assert(bench->insert_count >= 0 && bench->insert_count <= BENCH_INSERTS);
    assert(isfinite(bench->room_c) && bench->presence_ms > 0);
    for (size_t i = 0; i < sizeof roles / sizeof *roles; i++)
        assert(roles[i] >= -1 && roles[i] < bench->device_count);
    for (int id = 0; id < SENSORS; id++) {
        const struct sensor_binding *sensor = &bench->sensor[id];
        assert(!sensor->present || (sensor->device >= 0 && sensor->device < bench->device_count &&
                                    sensor->channel >= 0 && sensor->channel < DEVICE_CHANNELS));
    }
    for (int i = 0; i < bench->device_count; i++)
        check_device(bench, &bench->device[i]);
    for (int i = 0; i < bench->port_count; i++)
        assert(bench->port[i].path[0] == '/' && memchr(bench->port[i].path, 0, 128));
    check_plate(&bench->plate);
    check_limits(bench);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct benchfile bench;
    struct tl_error error = {0};
    if (benchfile_parse("bench.ini", (const char *)data, size, &bench, &error) == 0)
        check(&bench);
    else
        check_error(&error, (const char *)data, size);
    return 0;
}
