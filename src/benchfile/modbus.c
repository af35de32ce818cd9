/* SPDX-License-Identifier: MIT */
#include "benchfile_private.h"

struct register_key {
    enum controller_register which;
    enum key_id key;
    bool is_check;
};

static const struct register_key plate_registers[] = {
    {REGISTER_READING, PLATE_READING, false},
    {REGISTER_SET_POINT, PLATE_SET_POINT, false},
    {REGISTER_SET_POINT_BACK, PLATE_SET_POINT_BACK, false},
    {REGISTER_RUN, PLATE_RUN, false},
    {REGISTER_OUTPUT, PLATE_OUTPUT, false},
    {REGISTER_SILENCE, PLATE_SILENCE_CHECK, false},
    {REGISTER_UNIT, PLATE_UNIT_CHECK, true},
    {REGISTER_MODE, PLATE_MODE_CHECK, true},
    {REGISTER_MAXIMUM, PLATE_MAXIMUM_CHECK, true},
    {REGISTER_IDENTITY, PLATE_IDENTITY_CHECK, true},
    {CONTROLLER_REGISTERS, KEYS, false},
};

static const struct register_key reader_registers[] = {
    {REGISTER_READING, READER_READING, false},
    {REGISTER_UNIT, READER_UNIT_CHECK, true},
    {REGISTER_IDENTITY, READER_IDENTITY_CHECK, true},
    {CONTROLLER_REGISTERS, KEYS, false},
};

static int build_registers(struct parse *p, struct controller_config *out, int section,
                           const struct register_key *keys)
{
    for (; keys->key != KEYS; keys++) {
        const struct entry *entry = entry_find(p, section, keys->key);
        if (!entry)
            continue;
        if (keys->is_check && !entry->is_check)
            return entry_fail(p, entry, TL_SYNTAX,
                              "a check says what the register must read, such as holding 18 is 0");
        if (!keys->is_check && entry->is_check)
            return entry_fail(p, entry, TL_SYNTAX, "\"is\" belongs to a check; name its scale");
        out->map[keys->which] = entry->at;
    }
    return 0;
}

/* What a controller and a module of a reader have alike. */
struct unit_keys {
    enum key_id unit, word_order, byte_order, degrees, open;
    const struct register_key *registers;
};

static const struct unit_keys plate_keys = {PLATE_UNIT,    PLATE_WORD_ORDER,   PLATE_BYTE_ORDER,
                                            PLATE_DEGREES, PLATE_READING_OPEN, plate_registers};
static const struct unit_keys reader_keys = {READER_UNIT,    READER_WORD_ORDER,   READER_BYTE_ORDER,
                                             READER_DEGREES, READER_READING_OPEN, reader_registers};

static int build_unit(struct parse *p, struct device_config *device, int section,
                      const struct unit_keys *keys)
{
    struct controller_config *out = &device->controller;
    out->unit = (uint8_t)number_of(p, section, keys->unit, 0);
    out->low_word_first = number_of(p, section, keys->word_order, 0) > 0; /* "high-first | ..." */
    out->low_byte_first = number_of(p, section, keys->byte_order, 0) > 0;
    out->fahrenheit = number_of(p, section, keys->degrees, 0) > 0; /* "C | F" */
    out->has_open = entry_find(p, section, keys->open) != NULL;
    out->open_count = (int32_t)number_of(p, section, keys->open, 0);
    if (build_registers(p, out, section, keys->registers))
        return p->result;
    device->owner_vouches = !out->map[REGISTER_IDENTITY].used;
    return 0;
}

/* What is written must be a holding register, and its read-back must count as it does. */
static int check_written(struct parse *p, const struct controller_config *out, int section)
{
    const struct device_register *set = &out->map[REGISTER_SET_POINT];
    const struct device_register *back = &out->map[REGISTER_SET_POINT_BACK];
    const struct device_register *run = &out->map[REGISTER_RUN];
    if (set->function != 3)
        return entry_fail(p, entry_find(p, section, PLATE_SET_POINT), TL_SYNTAX,
                          "an input register cannot be written; it is a holding register");
    if (back->used && (back->per_unit != set->per_unit || back->is_long != set->is_long))
        return entry_fail(
            p, entry_find(p, section, PLATE_SET_POINT_BACK), TL_SYNTAX,
            "it is scaled otherwise than set_point; the two are compared count for count");
    if (run->used && (run->function != 3 || run->per_unit != 1 || run->is_long))
        return entry_fail(p, entry_find(p, section, PLATE_RUN), TL_SYNTAX,
                          "run is one holding register without a scale");
    if (run->used && out->run_on == out->run_off)
        return entry_fail(p, entry_find(p, section, PLATE_RUN), TL_SYNTAX,
                          "run_on and run_off are the same number");
    for (enum key_id key = PLATE_RUN_ON; !run->used && key <= PLATE_RUN_OFF; key++)
        if (entry_find(p, section, key))
            return missing_key(p, section, PLATE_RUN);
    return 0;
}

int build_controller(struct parse *p, struct device_config *device, int section)
{
    struct controller_config *out = &device->controller;
    device->regulates = true;
    out->write_function = number_of(p, section, PLATE_WRITE_WITH, 0) > 0 ? 16 : 6; /* "6 | 16" */
    out->off_mc = milli_of(p, section, PLATE_OFF_AT, 0);
    out->write_every_ms = milli_of(p, section, PLATE_WRITE_EVERY, 1);
    out->run_on = (int32_t)number_of(p, section, PLATE_RUN_ON, 1);
    out->run_off = (int32_t)number_of(p, section, PLATE_RUN_OFF, 0);
    if (build_unit(p, device, section, &plate_keys))
        return p->result;
    if (entry_find(p, section, PLATE_SILENCE) && !out->map[REGISTER_SILENCE].used)
        return missing_key(p, section, PLATE_SILENCE_CHECK);
    return check_written(p, out, section);
}

int build_module(struct parse *p, struct device_config *device, int section)
{
    return build_unit(p, device, section, &reader_keys);
}

/* A register that ends below the plate's limit would wrap round there and read cold. */
static int check_span(struct parse *p, const struct benchfile *out, int32_t device, enum key_id key,
                      enum controller_register which)
{
    const struct controller_config *c = &out->device[device].controller;
    double limit_c = out->limits.plate_mc > 0 ? out->limits.plate_mc / 1000.0
                                              : bench_keys[KEYS_BEFORE_LIMITS].high;
    double top = (c->fahrenheit ? limit_c * 1.8 + 32 : limit_c) * c->map[which].per_unit;
    if (c->map[which].is_long || top <= INT16_MAX)
        return 0;
    return entry_fail(
        p, entry_find(p, p->device_section[device], key), TL_RANGE,
        "one register counts to 32767, and the plate's limit of %.0f C is %.0f in it; use another "
        "scale, long, or a lower limit",
        limit_c, top);
}

int check_spans(struct parse *p, const struct benchfile *out)
{
    for (int32_t i = 0; i < out->device_count; i++) {
        bool plate = i == out->plate_device;
        if (out->device[i].kind == DEVICE_CONTROLLER &&
            (check_span(p, out, i, plate ? PLATE_READING : READER_READING, REGISTER_READING) ||
             (plate && check_span(p, out, i, PLATE_SET_POINT, REGISTER_SET_POINT))))
            return p->result;
    }
    return 0;
}
