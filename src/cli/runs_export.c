/* SPDX-License-Identifier: MIT */
/* A record for other programs: a line of CSV per scan, or one JSON object with every line. */
#include <stdlib.h>
#include <string.h>

#include <jansson.h>

#include "runs.h"
#include "tinlatch/bytes.h"
#include "tinlatch/report.h"

enum { TOLD = 4096 }; /* texts between two scans; what is longer is cut and the record has it */

/* ---- CSV, as RFC 4180 has it but for its line ends ------------------------------------------------------- */

static void put_milli(FILE *out, bool known, int64_t value)
{
    char text[32];
    struct bytes b;
    bytes_init(&b, text, sizeof text);
    bytes_fixed(&b, value, 3);
    fprintf(out, ",%.*s", known ? (int)b.length : 0, text);
}

static void put_temp(FILE *out, const struct temp_reading *reading)
{
    put_milli(out, reading->quality == QUALITY_GOOD, reading->temp_mc);
}

static void add_told(char told[TOLD], const char *kind, const char *what, const char *text)
{
    size_t length = strlen(told);
    snprintf(told + length, TOLD - length, "%s%s %s: %s", length ? " | " : "", kind, what, text);
}

static void put_scan(FILE *out, const struct record_scan *s, const char *told)
{
    const struct supply_reading *supply = &s->in.supply;
    bool fed = supply->quality == QUALITY_GOOD;
    char t_s[32];
    struct bytes b;
    bytes_init(&b, t_s, sizeof t_s);
    bytes_fixed(&b, s->in.t_ms, 3);
    fprintf(out, "%.*s,%s", (int)b.length, t_s, guard_mode_name(s->mode));
    put_temp(out, &s->in.sensor[SENSOR_PLATE]);
    put_temp(out, &s->in.sensor[SENSOR_PLATE_2]);
    put_temp(out, &s->in.sensor[SENSOR_BOARD]);
    put_temp(out, &s->in.plate);
    put_milli(out, s->in.ramp_known, s->in.ramp_mc_s);
    put_milli(out, s->want.heat, s->want.temp_mc);
    put_milli(out, s->out.heat, s->out.temp_mc);
    put_milli(out, s->duty_permille >= 0, s->duty_permille);
    fprintf(out, ",%d,%s", (int)s->out.fan_pct, !fed ? "" : supply->on ? "1" : "0");
    put_milli(out, fed, supply->mv);
    put_milli(out, fed, supply->ma);
    for (int i = 0; i < BOARD_JOINTS; i++) {
        put_milli(out, i < s->joints, s->joint[i].temp_mc);
        put_milli(out, i < s->joints, s->joint[i].molten_permille);
    }
    fprintf(out, ",%s", s->rule >= 0 ? rules[s->rule].id : "");
    fputc(',', out);
    report_csv(out, told);
    fputc('\n', out);
}

static const char csv_head[] =
    "t_s,mode,plate_c,plate_2_c,board_c,counts_c,ramp_c_s,want_c,grant_c,duty,fan_pct,supply_on,"
    "supply_v,"
    "supply_a,joint_1_c,joint_1_molten,joint_2_c,joint_2_molten,joint_3_c,joint_3_molten,joint_4_c,"
    "joint_4_molten,rule,told\n";

static int write_csv(FILE *out, const struct record_file *file, struct tl_error *error)
{
    static struct record_line line;
    static char told[TOLD];
    struct record record;
    int more;
    record_open(&record, file->text, file->length);
    fputs(csv_head, out);
    told[0] = '\0';
    while ((more = record_next(&record, &line)) == 1) {
        for (int i = 0; line.kind == RECORD_START && i < RUN_SOURCES; i++)
            if (line.start.source.text[i][0])
                add_told(told, "recipe", run_source_key((enum run_source_id)i),
                         line.start.source.text[i]);
        if (line.kind == RECORD_NOTE || line.kind == RECORD_EVENT)
            add_told(told, line.kind == RECORD_NOTE ? "note" : "event", line.what,
                     line.said[0] && !line.has_value ? line.said : line.name);
        if (line.kind == RECORD_HAND)
            add_told(told, "hand", line.what, line.said);
        if (line.kind == RECORD_RULE)
            add_told(told, "rule", line.rule < 0 ? "unknown" : rules[line.rule].id,
                     line.words.what);
        if (line.kind != RECORD_SCAN)
            continue;
        put_scan(out, &line.scan, told);
        told[0] = '\0';
    }
    return more == 0 ? 0 : tl_error_set(error, TL_SYNTAX, "it is no line of a record");
}

/* ---- JSON --------------------------------------------------------------------------------------- */

static int write_json(FILE *out, const struct record_file *file, struct tl_error *error)
{
    static struct record_line line;
    struct record record;
    int more;
    json_t *path = json_string(file->path);
    record_open(&record, file->text, file->length);
    fputs("{\"run\": ", out);
    json_dumpf(path, out, JSON_ENCODE_ANY);
    fputs(", \"lines\": [\n", out);
    json_decref(path);
    while ((more = record_next(&record, &line)) == 1)
        fprintf(out, "%s%.*s", line.number > 1 ? ",\n" : "", (int)line.length, line.text);
    fputs("\n]}\n", out);
    return more == 0 ? 0 : tl_error_set(error, TL_SYNTAX, "it is no line of a record");
}

enum outcome runs_export(struct cli *cli)
{
    struct tl_error error = {0};
    struct record_file file;
    if (records_open(&file, cli->options.object, cli->options.rehearsals, &error))
        return cli_refuse(cli, &error, NULL, 0);
    struct record record;
    static struct record_line line;
    record_open(&record, file.text, file.length);
    int failed = record_next(&record, &line) == 1 && line.kind == RECORD_START
                     ? 0
                     : tl_error_set(&error, TL_SYNTAX, "it is no record: it has no start");
    if (!failed)
        failed = cli->options.json ? write_json(cli->out, &file, &error)
                                   : write_csv(cli->out, &file, &error);
    free(file.text);
    if (!failed)
        return RUN_DONE;
    tl_error_at(&error, file.path, 0);
    show_error(cli->err, &error, NULL, 0);
    return RUN_INVALID;
}
