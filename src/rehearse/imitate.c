/* SPDX-License-Identifier: MIT */
/* From a bench file to a world that imitates what stands there. */
#include <assert.h>
#include <stdio.h>
#include <string.h>

#include "rehearse_private.h"

/* clang-format off */
static const enum world_instrument kinds[DEVICE_KINDS] = {
    [DEVICE_LINE]        = WORLD_LINE,
    [DEVICE_SCPI_SUPPLY] = WORLD_SCPI,
    [DEVICE_SCPI_METER]  = WORLD_METER,
    [DEVICE_CONTROLLER]  = WORLD_MODBUS,
    [DEVICE_CONTACTOR]   = WORLD_CONTACTOR,
    [DEVICE_READER]      = WORLD_READER,
    [DEVICE_BY_HAND]     = WORLD_BY_HAND,
    [DEVICE_INPUTS]      = WORLD_INPUTS,
};

static const enum world_register_use uses[CONTROLLER_REGISTERS] = {
    [REGISTER_READING]        = WORLD_READING,
    [REGISTER_SET_POINT]      = WORLD_SET_POINT,
    [REGISTER_SET_POINT_BACK] = WORLD_SET_POINT_BACK,
    [REGISTER_RUN]            = WORLD_RUN,
    [REGISTER_OUTPUT]         = WORLD_OUTPUT,
    [REGISTER_SILENCE]        = WORLD_SILENCE,
    [REGISTER_UNIT]           = WORLD_CONSTANT,
    [REGISTER_MODE]           = WORLD_CONSTANT,
    [REGISTER_MAXIMUM]        = WORLD_CONSTANT,
    [REGISTER_IDENTITY]       = WORLD_CONSTANT,
};

static const enum world_contact contacts[] = {
    [CONTACT_NONE] = WORLD_NO_CONTACT,
    [CONTACT_CTS]  = WORLD_CTS,
    [CONTACT_DSR]  = WORLD_DSR,
    [CONTACT_DCD]  = WORLD_DCD,
};
/* clang-format on */

static void imitate_registers(const struct controller_config *from, struct world_modbus *to)
{
    to->unit = from->unit;
    to->low_word_first = from->low_word_first;
    to->low_byte_first = from->low_byte_first;
    to->fahrenheit = from->fahrenheit;
    to->has_open = from->has_open;
    to->open_count = from->open_count;
    to->run_on = from->run_on;
    to->run_off = from->run_off;
    to->off_c = from->off_mc / 1000.0;
    for (int i = 0; i < CONTROLLER_REGISTERS && to->registers < WORLD_REGISTERS; i++) {
        const struct device_register *at = &from->map[i];
        if (!at->used)
            continue;
        to->map[to->registers++] = (struct world_register){
            .use = uses[i],
            .is_input = at->function == 4,
            .is_long = at->is_long,
            .address = at->address,
            .per_unit = at->per_unit > 0 ? at->per_unit : 1,
            .value = at->expected,
        };
    }
}

static void imitate_reader(const struct device_config *from, struct world_instrument_setup *to)
{
    snprintf(to->reader.pattern, sizeof to->reader.pattern, "%s", from->reader.pattern);
    snprintf(to->reader.open, sizeof to->reader.open, "%s", from->reader.open);
    snprintf(to->reader.ask, sizeof to->reader.ask, "%s", from->reader.ask);
    snprintf(to->reader.ask_identity, sizeof to->reader.ask_identity, "%s",
             from->reader.ask_identity);
    to->reader.fahrenheit = from->reader.fahrenheit;
}

/* 1 + the first instrument on the same port, 0 when this is the first. */
static int32_t shared_with(const struct benchfile *bench, int index)
{
    for (int i = 0; i < index; i++)
        if (bench->device[i].port >= 0 && bench->device[i].port == bench->device[index].port)
            return i + 1;
    return 0;
}

static void imitate_device(const struct benchfile *bench, int index,
                           struct world_instrument_setup *to)
{
    const struct device_config *from = &bench->device[index];
    to->kind = kinds[from->kind];
    assert(to->kind != WORLD_NONE); /* no row above: a port that never answers */
    to->shares = shared_with(bench, index);
    /* A bench that takes any maker is still answered by one: an instrument has a name. */
    snprintf(to->identity, sizeof to->identity, "%s",
             from->identity[0] ? from->identity : "simulated");
    to->regulates = from->regulates;
    to->silence_ms = from->silence_ms;
    to->up_s = 60;
    to->max_volts = limits_built_in()->supply_mv / 1000.0;
    to->max_amps = limits_built_in()->supply_ma / 1000.0;
    to->contactor.on_dtr = from->contactor.on_dtr;
    to->contactor.is_cutoff = from->contactor.is_cutoff;
    to->inputs.stop = contacts[from->inputs.stop];
    to->inputs.answer = contacts[from->inputs.answer];
    to->inputs.fed = from->inputs.feeds;
    if (from->kind == DEVICE_CONTROLLER) {
        to->baud = from->port >= 0 ? bench->port[from->port].baud : 0;
        imitate_registers(&from->controller, &to->modbus);
    }
    if (from->kind == DEVICE_READER)
        imitate_reader(from, to);
    for (int channel = 0; channel < WORLD_CHANNELS; channel++)
        to->touches[channel] = SENSORS;
}

void imitate(const struct benchfile *bench, struct world_setup *setup)
{
    setup->plate = bench->plate;
    setup->room_c = bench->room_c;
    setup->instruments = bench->device_count;
    for (int i = 0; i < bench->device_count; i++)
        imitate_device(bench, i, &setup->instrument[i]);
    for (int id = 0; id < SENSORS; id++) {
        const struct sensor_binding *sensor = &bench->sensor[id];
        if (!sensor->present)
            continue;
        struct world_instrument_setup *to = &setup->instrument[sensor->device];
        to->touches[sensor->channel] = (enum sensor_id)id;
        to->is_uv[sensor->channel] = sensor->is_mv;
        to->type[sensor->channel] = sensor->type;
        to->lag_s[sensor->channel] = sensor->lag_s;
        if (to->channels <= sensor->channel)
            to->channels = sensor->channel + 1;
    }
    setup->board_sensor = bench->sensor[SENSOR_BOARD].present;
}
