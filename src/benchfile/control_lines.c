/* SPDX-License-Identifier: MIT */
#include "benchfile_private.h"

static int check_closed_when(struct parse *p, int section, enum key_id key)
{
    const struct entry *entry = entry_find(p, section, key);
    if (!entry || entry->number == 0) /* "high | low" */
        return 0;
    return entry_fail(
        p, entry, TL_SYNTAX,
        "a relay that is closed while the line is dropped would heat when the program or "
        "the computer dies; wire it so that the set line closes it (the pin of a logic-"
        "level adapter is low while its line is set: that is high here)");
}

int build_contactor(struct parse *p, struct device_config *device, int section)
{
    device->contactor.on_dtr = number_of(p, section, PLATE_LINE, 0) > 0; /* "RTS | DTR" */
    device->contactor.window_ms = milli_of(p, section, PLATE_WINDOW, 2);
    device->contactor.min_on_ms = milli_of(p, section, PLATE_MIN_ON, 0.1);
    device->owner_vouches = true;
    if (device->contactor.min_on_ms * 2 > device->contactor.window_ms)
        return entry_fail(
            p,
            entry_find(p, section,
                       entry_find(p, section, PLATE_MIN_ON) ? PLATE_MIN_ON : PLATE_WINDOW),
            TL_RANGE, "min_on is more than half of window");
    return check_closed_when(p, section, PLATE_CLOSED_WHEN);
}

int build_cutoff(struct parse *p, struct benchfile *out)
{
    static const struct port_keys keys = {CUTOFF_PORT, KEYS, KEYS, 0};
    int section = section_find(p, IN_CUTOFF, 0);
    if (section < 0)
        return 0;
    if (out->plate_device < 0)
        return parse_fail(p, TL_MISSING, p->sections[section].line, "cut-off",
                          "[cut-off] is in the mains of a plate, and there is no [plate]");
    out->cutoff_device = add_device(p, out, section, DEVICE_CONTACTOR, &keys);
    if (out->cutoff_device < 0)
        return p->result;
    struct device_config *device = &out->device[out->cutoff_device];
    device->owner_vouches = true;
    device->contactor.is_cutoff = true;
    device->contactor.on_dtr = number_of(p, section, CUTOFF_LINE, 0) > 0;
    return check_closed_when(p, section, CUTOFF_CLOSED_WHEN);
}

static enum contact contact_of(const struct parse *p, int section, enum key_id key)
{
    const struct entry *entry = entry_find(p, section, key);
    return entry ? (enum contact)(CONTACT_CTS + (int)entry->number) : CONTACT_NONE;
}

int build_inputs(struct parse *p, struct benchfile *out)
{
    static const struct port_keys keys = {INPUTS_PORT, KEYS, KEYS, 0};
    int section = section_find(p, IN_INPUTS, 0);
    if (section < 0)
        return 0;
    out->inputs_device = add_device(p, out, section, DEVICE_INPUTS, &keys);
    if (out->inputs_device < 0)
        return p->result;
    struct device_config *device = &out->device[out->inputs_device];
    device->owner_vouches = true;
    device->inputs.stop = contact_of(p, section, INPUTS_STOP);
    device->inputs.answer = contact_of(p, section, INPUTS_ANSWER);
    if (device->inputs.stop == CONTACT_NONE && device->inputs.answer == CONTACT_NONE)
        return missing_key(p, section, INPUTS_STOP);
    if (device->inputs.stop == device->inputs.answer)
        return entry_fail(p, entry_find(p, section, INPUTS_ANSWER), TL_SYNTAX,
                          "stop hangs on that line already");
    return 0;
}
