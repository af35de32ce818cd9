/* SPDX-License-Identifier: MIT */
#include <stdio.h>

#include "benchfile_private.h"

static const struct driver_key plate_driver_keys[] = {
    {PLATE_IDENTITY, "line", false},         {PLATE_DRIVE, "line", true},
    {PLATE_PARITY, "modbus", false},         {PLATE_UNIT, "modbus", true},
    {PLATE_READING, "modbus", true},         {PLATE_SET_POINT, "modbus", true},
    {PLATE_SET_POINT_BACK, "modbus", false}, {PLATE_WRITE_WITH, "modbus", false},
    {PLATE_WORD_ORDER, "modbus", false},     {PLATE_BYTE_ORDER, "modbus", false},
    {PLATE_DEGREES, "modbus", false},        {PLATE_OFF_AT, "modbus", false},
    {PLATE_WRITE_EVERY, "modbus", false},    {PLATE_RUN, "modbus", false},
    {PLATE_RUN_ON, "modbus", false},         {PLATE_RUN_OFF, "modbus", false},
    {PLATE_OUTPUT, "modbus", false},         {PLATE_READING_OPEN, "modbus", false},
    {PLATE_SILENCE_CHECK, "modbus", false},  {PLATE_UNIT_CHECK, "modbus", false},
    {PLATE_MODE_CHECK, "modbus", false},     {PLATE_MAXIMUM_CHECK, "modbus", false},
    {PLATE_IDENTITY_CHECK, "modbus", false}, {PLATE_LINE, "contactor", true},
    {PLATE_CLOSED_WHEN, "contactor", false}, {PLATE_WINDOW, "contactor", false},
    {PLATE_MIN_ON, "contactor", false},      {KEYS, NULL, false},
};

static int build_line(struct parse *p, struct device_config *device, int section)
{
    set_identity(p, device, section, PLATE_IDENTITY);
    device->regulates = number_of(p, section, PLATE_DRIVE, 0) > 0; /* "duty | set-point" */
    return 0;
}

/* In the order of the key's words. */
static const struct plate_driver {
    const char *name;
    enum device_kind kind;
    int32_t baud; /* 0: it has none */
    bool has_port, has_silence;
    int (*build)(struct parse *p, struct device_config *device, int section); /* keys of its own */
} drivers[] = {
    {"line", DEVICE_LINE, 115200, true, true, build_line},
    {"modbus", DEVICE_CONTROLLER, 9600, true, true, build_controller},
    {"contactor", DEVICE_CONTACTOR, 0, true, false, build_contactor},
    {"by-hand", DEVICE_BY_HAND, 0, false, false, NULL},
};

/* What only some drivers have: a silence timer, a port. */
static int check_spared(struct parse *p, int section, const char *driver, enum key_id key)
{
    const struct entry *entry = entry_find(p, section, key);
    if (!entry)
        return 0;
    return entry_fail(p, entry, TL_SYNTAX, "a plate with driver = %s has none", driver);
}

static int build_driver(struct parse *p, struct benchfile *out, int section)
{
    const struct plate_driver *driver = &drivers[(int)number_of(p, section, PLATE_DRIVER, 0)];
    struct port_keys keys = {.port = PLATE_PORT,
                             .baud = driver->baud ? PLATE_BAUD : KEYS,
                             .parity = PLATE_PARITY,
                             .assumed_baud = driver->baud};
    if (check_driver_keys(p, section, driver->name, plate_driver_keys) ||
        (!driver->has_port && check_spared(p, section, driver->name, PLATE_PORT)) ||
        (!driver->baud && check_spared(p, section, driver->name, PLATE_BAUD)) ||
        (!driver->has_silence && check_spared(p, section, driver->name, PLATE_SILENCE)))
        return p->result;
    int32_t at = add_device(p, out, section, driver->kind, driver->has_port ? &keys : NULL);
    if (at < 0 || (driver->build && driver->build(p, &out->device[at], section)))
        return p->result;
    if (driver->has_silence && (driver->kind != DEVICE_CONTROLLER ||
                                out->device[at].controller.map[REGISTER_SILENCE].used))
        out->device[at].silence_ms = milli_of(p, section, PLATE_SILENCE, 2);
    out->plate_device = at;
    return 0;
}

int build_plate(struct parse *p, struct benchfile *out)
{
    int section = section_find(p, IN_PLATE, 0);
    if (section < 0)
        return 0;
    if (build_driver(p, out, section))
        return p->result;
    struct plate *plate = &out->plate;
    plate->by_hand = out->device[out->plate_device].kind == DEVICE_BY_HAND;
    plate->watts = number_of(p, section, PLATE_POWER, 0);
    plate->capacity_j_k = number_of(p, section, PLATE_CAPACITY, 0);
    plate->loss_w_k = number_of(p, section, PLATE_LOSS, 0);
    plate->element_lag_s = number_of(p, section, PLATE_ELEMENT_LAG, 0);
    plate->fan_loss_w_k = number_of(p, section, PLATE_FAN_LOSS, 0);
    plate->tolerance = number_of(p, section, PLATE_TOLERANCE, 3) / 100;
    plate->length_mm = number_of(p, section, PLATE_LENGTH, 0);
    plate->width_mm = number_of(p, section, PLATE_WIDTH, 0);
    plate->emissivity_area = number_of(p, section, PLATE_EMISSIVITY, 80) / 100 * plate->length_mm *
                             plate->width_mm * 1e-6;
    plate->seat_pulse_s = number_of(p, section, PLATE_SEAT_PULSE, 0);
    plate->seat_rise_c = number_of(p, section, PLATE_SEAT_RISE, 0);
    snprintf(out->learned, sizeof out->learned, "%.31s", text_of(p, section, PLATE_LEARNED));
    return check_pair_of(p, section, PLATE_SEAT_PULSE, PLATE_SEAT_RISE);
}
