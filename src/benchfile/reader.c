/* SPDX-License-Identifier: MIT */
#include <stdio.h>

#include "benchfile_private.h"

static const struct driver_key reader_driver_keys[] = {
    {READER_PATTERN_KEY, "text", true},       {READER_GIVES, "text", false},
    {READER_OPEN_KEY, "text", false},         {READER_ASK, "text", false},
    {READER_ASK_IDENTITY, "text", false},     {READER_IDENTITY, "text", false},
    {READER_PARITY, "modbus", false},         {READER_UNIT, "modbus", true},
    {READER_READING, "modbus", true},         {READER_READING_OPEN, "modbus", false},
    {READER_WORD_ORDER, "modbus", false},     {READER_BYTE_ORDER, "modbus", false},
    {READER_DEGREES, "modbus", false},        {READER_UNIT_CHECK, "modbus", false},
    {READER_IDENTITY_CHECK, "modbus", false}, {KEYS, NULL, false},
};

static int check_pattern(struct parse *p, const struct entry *entry, bool gives_mv)
{
    uint32_t numbers;
    const char *why;
    if (reader_check_pattern(entry->text, &numbers, &why) < 0)
        return entry_fail(p, entry, TL_SYNTAX, "%s", why);
    bool has_cold = (numbers & 1U << DEVICE_CHANNELS) != 0;
    if (gives_mv && !has_cold)
        return entry_fail(
            p, entry, TL_SYNTAX,
            "millivolts mean nothing without the terminals' temperature: {cj} is missing");
    if (!gives_mv && has_cold)
        return entry_fail(p, entry, TL_SYNTAX,
                          "{cj} belongs to gives = mV; skip that field with {*}");
    return 0;
}

static int build_text_reader(struct parse *p, struct device_config *device, int section)
{
    struct reader_config *out = &device->reader;
    int gives = (int)number_of(p, section, READER_GIVES, 0); /* "C | F | mV" */
    const struct entry *pattern = entry_find(p, section, READER_PATTERN_KEY);
    out->fahrenheit = gives == 1;
    out->gives_uv = gives == 2;
    snprintf(out->pattern, sizeof out->pattern, "%.127s", pattern->text);
    snprintf(out->open, sizeof out->open, "%.15s", text_of(p, section, READER_OPEN_KEY));
    snprintf(out->ask, sizeof out->ask, "%.63s", text_of(p, section, READER_ASK));
    snprintf(out->ask_identity, sizeof out->ask_identity, "%.63s",
             text_of(p, section, READER_ASK_IDENTITY));
    set_identity(p, device, section, READER_IDENTITY);
    device->owner_vouches = !out->ask_identity[0];
    for (enum key_id key = READER_ASK; key <= READER_ASK_IDENTITY; key++)
        if (entry_find(p, section, key) && check_command(p, entry_find(p, section, key), false))
            return p->result;
    if (check_pair_of(p, section, READER_IDENTITY, READER_ASK_IDENTITY))
        return p->result;
    return check_pattern(p, pattern, out->gives_uv);
}

int build_readers(struct parse *p, struct benchfile *out)
{
    for (int section = 0; section < p->section_count; section++) {
        if (p->sections[section].kind != IN_READER)
            continue;
        bool modbus = number_of(p, section, READER_DRIVER, 0) > 0; /* "text | modbus" */
        struct port_keys keys = {READER_PORT, READER_BAUD, READER_PARITY, 9600};
        if (check_driver_keys(p, section, modbus ? "modbus" : "text", reader_driver_keys))
            return p->result;
        int32_t at = add_device(p, out, section, modbus ? DEVICE_CONTROLLER : DEVICE_READER, &keys);
        if (at < 0 || (modbus ? build_module(p, &out->device[at], section)
                              : build_text_reader(p, &out->device[at], section)))
            return p->result;
    }
    return 0;
}
