/* SPDX-License-Identifier: MIT */
#include <string.h>

#include "benchfile_private.h"

/* Has the bound instrument that input, and does it give that? */
static int check_bound(struct parse *p, const struct benchfile *out, int section,
                       const struct sensor_binding *bound)
{
    const struct device_config *device = &out->device[bound->device];
    const struct entry *input = entry_find(p, section, SENSOR_INPUT);
    const struct entry *gives = entry_find(p, section, SENSOR_GIVES);
    uint32_t numbers = 1;
    const char *why;
    if (device->kind == DEVICE_LINE)
        return 0; /* which inputs it has, its answers say */
    if (device->kind != DEVICE_CONTROLLER && device->kind != DEVICE_READER)
        return entry_fail(p, entry_find(p, section, SENSOR_INSTRUMENT), TL_UNKNOWN,
                          "that instrument has no sensor inputs; a [reader NAME] has");
    if (device->kind == DEVICE_READER)
        reader_check_pattern(device->reader.pattern, &numbers, &why);
    if (!(numbers & 1U << bound->channel))
        return entry_fail(p, input, TL_RANGE, "%s",
                          device->kind == DEVICE_READER
                              ? "that number is not in the reader's pattern"
                              : "a Modbus unit has one input: 1");
    bool gives_mv = device->kind == DEVICE_READER && device->reader.gives_uv;
    if (gives_mv != bound->is_mv)
        return entry_fail(p, gives, TL_SYNTAX, "%s",
                          gives_mv ? "the reader gives mV" : "the instrument gives degrees: C");
    return 0;
}

static int check_input_free(struct parse *p, const struct benchfile *out, int section,
                            const struct sensor_binding *mine)
{
    for (int i = 0; i < SENSORS; i++) {
        const struct sensor_binding *other = &out->sensor[i];
        if (other->present && other->device == mine->device && other->channel == mine->channel)
            return entry_fail(p, entry_find(p, section, SENSOR_INPUT), TL_SYNTAX,
                              "[sensor %s] uses input %d already", sensor_name((enum sensor_id)i),
                              mine->channel + 1);
    }
    return 0;
}

static int build_sensor(struct parse *p, struct benchfile *out, int section)
{
    struct sensor_binding bound = {.present = true};
    bound.device = find_device(p, out, section, SENSOR_INSTRUMENT);
    if (bound.device < 0)
        return p->result;
    bound.channel = (int32_t)number_of(p, section, SENSOR_INPUT, 1) - 1;
    bound.is_mv = number_of(p, section, SENSOR_GIVES, 0) > 0; /* "C | mV" */
    bound.lag_s = number_of(p, section, SENSOR_LAG, 1.5);
    const struct entry *type = entry_find(p, section, SENSOR_TYPE);
    if (bound.is_mv && !type)
        return missing_key(p, section, SENSOR_TYPE);
    if (!bound.is_mv && type)
        return entry_fail(p, type, TL_SYNTAX,
                          "with gives = C the instrument converts; leave type out");
    if (type)
        bound.type = (enum thermocouple)(int)type->number; /* the words stand in enum order */
    if (check_bound(p, out, section, &bound) || check_input_free(p, out, section, &bound))
        return p->result;
    out->sensor[p->sections[section].role] = bound;
    return 0;
}

int build_sensors(struct parse *p, struct benchfile *out)
{
    for (int i = 0; i < SENSORS; i++) {
        int section = section_find(p, IN_SENSOR, i);
        if (section >= 0 && build_sensor(p, out, section))
            return p->result;
    }
    if (out->plate_device >= 0 && !out->sensor[SENSOR_PLATE].present)
        return parse_fail(
            p, TL_MISSING, p->sections[section_find(p, IN_PLATE, 0)].line, "",
            "[sensor plate] is missing; a plate is not heated without a sensor on it");
    out->plate.sensor_lag_s = out->sensor[SENSOR_PLATE].lag_s;
    out->plate.board_lag_s = out->sensor[SENSOR_BOARD].lag_s;
    return 0;
}
