/* SPDX-License-Identifier: MIT */
#include <ini.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "benchfile_private.h"

enum { FILE_BYTES = 64 * 1024 };

static int handle_pair(void *context, const char *section, const char *name, const char *value)
{
    struct parse *p = context;
    (void)section; /* ours is longer than inih's */
    return p->result || take_pair(p, name, value) ? 0 : 1;
}

static int build_bench(struct parse *p, struct benchfile *out)
{
    int section = section_find(p, IN_BENCH, 0);
    if (section < 0)
        return parse_fail(p, TL_MISSING, 0, "",
                          "[bench] is missing; a bench file begins with [bench] "
                          "and name = left bench");
    snprintf(out->name, sizeof out->name, "%s", text_of(p, section, BENCH_KEY_NAME));
    out->period_ms = milli_of(p, section, BENCH_KEY_PERIOD, 0.1);
    out->room_c = number_of(p, section, BENCH_KEY_ROOM, 22);
    out->presence_ms = milli_of(p, section, BENCH_KEY_PRESENCE, 600);
    for (int i = 0; i < BENCH_QUESTIONS; i++) {
        const struct entry *entry = entry_find(p, section, (enum key_id)(BENCH_KEY_QUESTION_1 + i));
        if (entry)
            snprintf(out->question[out->question_count++], BENCH_QUESTION, "%.127s", entry->text);
    }
    return 0;
}

static int build_inserts(struct parse *p, struct benchfile *out)
{
    for (int i = 0; i < p->section_count; i++) {
        if (p->sections[i].kind != IN_INSERT)
            continue;
        if (out->plate_device < 0)
            return parse_fail(p, TL_MISSING, p->sections[i].line, p->sections[i].title,
                              "[%s] lies on a plate, and there is no [plate]",
                              p->sections[i].title);
        struct insert *insert = &out->insert[out->insert_count++];
        snprintf(insert->name, sizeof insert->name, "%s", p->sections[i].name);
        insert->capacity_j_k = number_of(p, i, INSERT_CAPACITY, 0);
        insert->plate_w_k = number_of(p, i, INSERT_PLATE, 0);
        insert->board_w_k = number_of(p, i, INSERT_BOARD, 0);
        insert->seat_pulse_s = number_of(p, i, INSERT_SEAT_PULSE, 0);
        insert->seat_rise_c = number_of(p, i, INSERT_SEAT_RISE, 0);
        if (check_pair_of(p, i, INSERT_SEAT_PULSE, INSERT_SEAT_RISE))
            return p->result;
    }
    return 0;
}

static int build_fan(struct parse *p, struct benchfile *out)
{
    int section = section_find(p, IN_FAN, 0);
    if (section < 0)
        return 0;
    int32_t device = find_device(p, out, section, FAN_INSTRUMENT);
    if (device < 0)
        return p->result;
    if (out->device[device].kind != DEVICE_LINE)
        return entry_fail(p, entry_find(p, section, FAN_INSTRUMENT), TL_UNKNOWN,
                          "that instrument drives no fan; a plate with driver = line does");
    int plate = section_find(p, IN_PLATE, 0);
    if (!entry_find(p, plate, PLATE_FAN_LOSS))
        return missing_key(p, plate, PLATE_FAN_LOSS);
    out->has_fan = true;
    return 0;
}

static int build_limits(struct parse *p, struct benchfile *out)
{
    int section = section_find(p, IN_LIMITS, 0);
    for (int i = 0; i < LIMITS && section >= 0; i++) {
        enum limit_id id = (enum limit_id)i;
        const struct entry *entry = entry_find(p, section, (enum key_id)(KEYS_BEFORE_LIMITS + i));
        if (!entry)
            continue;
        /* Down, so that rounding never widens; the addend keeps 0.8 V at 800 mV. */
        limits_set(&out->limits, id, (int32_t)floor(entry->number * limit_scale(id) + 1e-6));
        out->limit_line[id] = entry->line;
    }
    return 0;
}

static int build_devices(struct parse *p, struct benchfile *out)
{
    out->plate_device = out->supply_device = out->meter_device = -1;
    out->cutoff_device = out->inputs_device = -1;
    if (build_plate(p, out) || build_supply(p, out) || build_meter(p, out) ||
        build_cutoff(p, out) || build_inputs(p, out) || build_readers(p, out))
        return p->result;
    if (out->plate_device < 0 && out->supply_device < 0)
        return parse_fail(p, TL_MISSING, 0, "",
                          "neither [plate] nor [supply]; a bench has at least one instrument");
    return check_sharing(p, out);
}

static int build(struct parse *p, struct benchfile *out)
{
    if (build_bench(p, out) || check_required(p) || build_devices(p, out) ||
        build_sensors(p, out) || build_inserts(p, out) || build_fan(p, out) || build_limits(p, out))
        return p->result;
    return check_spans(p, out);
}

/* FNV-1a, 64 bits (Fowler, Noll, Vo). */
static uint64_t digest(const char *text, size_t length)
{
    uint64_t hash = 0xcbf29ce484222325u;
    for (size_t i = 0; i < length; i++)
        hash = (hash ^ (unsigned char)text[i]) * 0x100000001b3u;
    return hash;
}

int benchfile_parse(const char *file, const char *text, size_t length, struct benchfile *out,
                    struct tl_error *error)
{
    struct parse p = {
        .file = file, .at = text, .end = text + length, .section = -1, .error = error};
    *out = (struct benchfile){0};
    if (length > FILE_BYTES)
        return parse_fail(&p, TL_FILE, 0, "", "%zu bytes; a bench file has at most %d", length,
                          FILE_BYTES);
    if (length >= 3 && !memcmp(text, "\xEF\xBB\xBF", 3)) /* some editors begin UTF-8 so */
        p.at += 3;
    int line = ini_parse_stream(read_line, &p, handle_pair, &p);
    if (!p.result && line)
        parse_fail(&p, TL_SYNTAX, p.line, "", "this line cannot be read");
    struct benchfile bench = {.digest = digest(text, length)};
    if (!p.result && !build(&p, &bench))
        *out = bench;
    return p.result;
}

const struct insert *benchfile_insert(const struct benchfile *bench, const char *name)
{
    for (int32_t i = 0; i < bench->insert_count; i++)
        if (!strcmp(bench->insert[i].name, name))
            return &bench->insert[i];
    return NULL;
}
