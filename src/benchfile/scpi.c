/* SPDX-License-Identifier: MIT */
#include <stdio.h>
#include <string.h>

#include "benchfile_private.h"

int check_command(struct parse *p, const struct entry *entry, bool takes_number)
{
    for (const char *c = entry->text; *c; c++)
        if ((unsigned char)*c < 0x20 || (unsigned char)*c > 0x7E)
            return entry_fail(p, entry, TL_SYNTAX, "a command is visible ASCII");
    int marks = 0;
    for (const char *c = entry->text; *c; c++)
        marks += *c == '%';
    bool has = strstr(entry->text, "%s") != NULL;
    if (takes_number && (marks != 1 || !has))
        return entry_fail(p, entry, TL_SYNTAX,
                          "the command needs %%s once, where the number goes, and no other %%");
    if (!takes_number && marks)
        return entry_fail(p, entry, TL_SYNTAX, "this command takes no number, so no %%");
    return 0;
}

/* A section whose instrument speaks SCPI: its keys. */
struct scpi_keys {
    enum section_kind section;
    enum device_kind kind;
    struct port_keys port;
    enum key_id identity, identity_by;
    struct {
        enum scpi_text text;
        enum key_id key;
        bool takes_number;
    } commands[SCPI_TEXTS + 1]; /* the identity question is first; the last row: KEYS */
};

static const struct scpi_keys supply_keys = {
    IN_SUPPLY,
    DEVICE_SCPI_SUPPLY,
    {SUPPLY_PORT, SUPPLY_BAUD, KEYS, 9600},
    SUPPLY_IDENTITY,
    SUPPLY_IDENTITY_BY,
    {{SCPI_IDENTITY, SUPPLY_ASK_IDENTITY, false},
     {SCPI_SET_VOLTS, SUPPLY_SET_VOLTS, true},
     {SCPI_SET_AMPS, SUPPLY_SET_AMPS, true},
     {SCPI_GET_VOLTS, SUPPLY_GET_VOLTS, false},
     {SCPI_GET_AMPS, SUPPLY_GET_AMPS, false},
     {SCPI_READ_VOLTS, SUPPLY_READ_VOLTS, false},
     {SCPI_READ_AMPS, SUPPLY_READ_AMPS, false},
     {SCPI_ON, SUPPLY_SWITCH_ON, false},
     {SCPI_OFF, SUPPLY_SWITCH_OFF, false},
     {SCPI_STATE, SUPPLY_GET_STATE, false},
     {SCPI_ERROR, SUPPLY_GET_ERROR, false},
     {SCPI_TEXTS, KEYS, false}},
};

static const struct scpi_keys meter_keys = {
    IN_METER,
    DEVICE_SCPI_METER,
    {METER_PORT, METER_BAUD, KEYS, 9600},
    METER_IDENTITY,
    METER_IDENTITY_BY,
    {{SCPI_IDENTITY, METER_ASK_IDENTITY, false},
     {SCPI_METER_OHMS, METER_READ_OHMS, false},
     {SCPI_METER_DIODE, METER_READ_DIODE, false},
     {SCPI_METER_VOLTS, METER_READ_VOLTS, false},
     {SCPI_TEXTS, KEYS, false}},
};

static int build_commands(struct parse *p, struct device_config *device, int section,
                          const struct scpi_keys *keys)
{
    for (int i = 0; keys->commands[i].key != KEYS; i++) {
        const struct entry *entry = entry_find(p, section, keys->commands[i].key);
        if (!entry)
            continue;
        if (check_command(p, entry, keys->commands[i].takes_number))
            return p->result;
        snprintf(device->scpi[keys->commands[i].text], sizeof device->scpi[0], "%.63s",
                 entry->text);
    }
    return 0;
}

/* Commands of its own, and whether it says its name or its owner does. */
static int build_scpi(struct parse *p, struct benchfile *out, const struct scpi_keys *keys,
                      int32_t *at)
{
    int section = section_find(p, keys->section, 0);
    if (section < 0)
        return 0;
    *at = add_device(p, out, section, keys->kind, &keys->port);
    if (*at < 0)
        return p->result;
    struct device_config *device = &out->device[*at];
    const struct entry *ask = entry_find(p, section, keys->commands[0].key);
    const struct entry *name = entry_find(p, section, keys->identity);
    device->owner_vouches = number_of(p, section, keys->identity_by, 0) > 0; /* "answer | owner" */
    set_identity(p, device, section, keys->identity);
    if (device->owner_vouches && (name || ask))
        return entry_fail(p, name ? name : ask, TL_SYNTAX,
                          "with identity_by = owner it is not asked for its name; leave this out");
    return build_commands(p, device, section, keys);
}

int build_supply(struct parse *p, struct benchfile *out)
{
    return build_scpi(p, out, &supply_keys, &out->supply_device);
}

int build_meter(struct parse *p, struct benchfile *out)
{
    return build_scpi(p, out, &meter_keys, &out->meter_device);
}
