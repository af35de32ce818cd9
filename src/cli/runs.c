/* SPDX-License-Identifier: MIT */
/* The records: which there are, one of them in the terminal, are they the ones that were written. */
#include "runs.h"

#include <stdlib.h>
#include <string.h>

#include <jansson.h>

#include "tinlatch/report.h"
#include "tinlatch/utf8.h"

static int directory_of(const struct options *options, char *out, struct tl_error *error)
{
    return options->rehearsals ? paths_records(out, error) : paths_runs(out, error);
}

/* ---- list --------------------------------------------------------------------------------------- */

struct row {
    char name[256], when[32];
    struct history_brief brief;
};

static const char *outcome_of(const struct history_brief *brief)
{
    return brief->ended ? outcome_name(brief->outcome) : brief->goes_on ? "goes on" : "cut off";
}

static bool is_wanted(const struct options *options, const struct row *row)
{
    const char *outcome = outcome_of(&row->brief);
    if (options->recipe && !strstr(row->brief.start.recipe, options->recipe))
        return false;
    if (options->setup.serial[0] && strcmp(options->setup.serial, row->brief.start.serial) != 0)
        return false;
    if (options->outcome && strcmp(options->outcome, outcome) != 0)
        return false;
    return !options->since || strcmp(row->when, options->since) >= 0;
}

/* A stranger's text in `columns` of a line. */
static void put_cell(FILE *out, const char *text, int columns)
{
    int width = 0;
    for (size_t left = strlen(text); left > 0 && width < columns;) {
        size_t length = utf8_length(text, left);
        bool plain = length && utf8_is_plain(text, length);
        if (plain)
            fwrite(text, 1, length, out);
        else
            fputc('?', out);
        text += plain ? length : 1;
        left -= plain ? length : 1;
        width++;
    }
    fprintf(out, "%*s", columns - width, "");
}

static const char *base_name(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash ? slash + 1 : path;
}

static void write_heading(FILE *out, const struct row *row)
{
    fprintf(out, "%-*s  %-8s%7s  %-14s %-8s  %s\n", (int)strlen(row->when), "began", "outcome",
            "lasted", "serial", "board", "record");
}

static void write_row(FILE *out, const struct row *row)
{
    const struct history_brief *brief = &row->brief;
    char lasted[32] = "-", name[256];
    long whole = (long)(brief->duration_s + 0.5);
    if (brief->duration_s >= 0)
        snprintf(lasted, sizeof lasted, "%ld:%02ld", whole / 60, whole % 60);
    snprintf(name, sizeof name, "%.*s", (int)strlen(row->name) - 6, row->name); /* ".jsonl" */
    fprintf(out, "%s  %-8s%7s  ", row->when, outcome_of(brief), lasted);
    put_cell(out, brief->start.serial[0] ? brief->start.serial : "-", 14);
    fputc(' ', out);
    put_cell(out, brief->start.board, 8);
    fputs("  ", out);
    put_cell(out, name, (int)strlen(name));
    fputc('\n', out);
}

static json_t *json_row(const struct row *row, const char *directory)
{
    const struct history_brief *brief = &row->brief;
    char path[PATH_SIZE + 256];
    snprintf(path, sizeof path, "%s/%s", directory, row->name);
    return json_pack("{s:s, s:s, s:s, s:s?, s:s?, s:s?, s:o}", "run", path, "began", row->when,
                     "recipe", brief->start.recipe, "board",
                     brief->start.board[0] ? brief->start.board : NULL, "serial",
                     brief->start.serial[0] ? brief->start.serial : NULL, "outcome",
                     brief->ended ? outcome_name(brief->outcome) : NULL, "duration_s",
                     brief->duration_s < 0 ? json_null() : json_real(brief->duration_s));
}

/* Runs are what is meant by default, and whoever tries the program has rehearsals only. */
static void write_none(struct cli *cli, size_t count)
{
    char directory[PATH_SIZE];
    char(*names)[256] = NULL;
    size_t rehearsals = 0;
    if (count > 0) {
        fputs("no record is like that\n", cli->out);
        return;
    }
    if (!cli->options.rehearsals && paths_records(directory, NULL) == 0 &&
        records_list(directory, &names, &rehearsals, NULL) == 0)
        free(names);
    if (rehearsals > 0)
        fprintf(cli->out,
                "no record of a run is kept yet; --rehearsals lists those of rehearsals (%zu)\n",
                rehearsals);
    else
        fputs("no record is kept yet\n", cli->out);
}

static void write_rows(struct cli *cli, const char *directory, char (*names)[256], size_t count)
{
    json_t *list = json_array();
    size_t shown = 0;
    for (size_t i = 0; i < count; i++) {
        static struct row row;
        char path[PATH_SIZE + 256];
        snprintf(path, sizeof path, "%s/%s", directory, names[i]);
        snprintf(row.name, sizeof row.name, "%s", names[i]);
        if (records_look(path, &row.brief))
            continue; /* empty, or none of ours */
        records_when(&row.brief.start, path, row.when);
        if (!is_wanted(&cli->options, &row))
            continue;
        if (cli->options.json)
            json_array_append_new(list, json_row(&row, directory));
        else if (!shown)
            write_heading(cli->out, &row);
        if (!cli->options.json)
            write_row(cli->out, &row);
        shown++;
    }
    if (cli->options.json) {
        json_t *object = json_pack("{s:s, s:o}", "outcome", "done", "runs", list);
        json_dumpf(object, cli->out, JSON_INDENT(2) | JSON_REAL_PRECISION(9));
        fputc('\n', cli->out);
        json_decref(object);
        return;
    }
    if (!shown)
        write_none(cli, count);
    json_decref(list);
}

static enum outcome list(struct cli *cli)
{
    char directory[PATH_SIZE];
    struct tl_error error = {0};
    char(*names)[256];
    size_t count;
    if (cli->options.object) {
        tl_error_set(&error, TL_USAGE, "runs list takes no record: \"%s\" is one too many",
                     cli->options.object);
        tl_error_hint(&error, "--recipe, --serial, --outcome and --since choose among them");
        return cli_refuse(cli, &error, NULL, 0);
    }
    if (directory_of(&cli->options, directory, &error))
        return cli_refuse(cli, &error, NULL, 0);
    if (records_list(directory, &names, &count, &error))
        return cli_refuse(cli, &error, NULL, 0);
    write_rows(cli, directory, names, count);
    free(names);
    return RUN_DONE;
}

/* ---- show --------------------------------------------------------------------------------------- */

static enum outcome show(struct cli *cli)
{
    struct tl_error error = {0};
    struct record_file file;
    static struct history history;
    if (records_open(&file, cli->options.object, cli->options.rehearsals, &error))
        return cli_refuse(cli, &error, NULL, 0);
    int failed = history_read(&history, file.text, file.length, &error);
    free(file.text);
    if (failed) {
        tl_error_at(&error, file.path, 0);
        return cli_refuse(cli, &error, NULL, 0);
    }
    snprintf(history.run.record, sizeof history.run.record, "%s", file.path);
    history.goes_on = file.goes_on;
    if (cli->options.json)
        report_json(&history.run, cli->out);
    else
        report_history(&history,
                       &(struct report_style){.colour = wants_colour(cli->out),
                                              .columns = columns_of(cli->out)},
                       cli->out);
    history_free(&history);
    return RUN_DONE;
}

/* ---- verify ------------------------------------------------------------------------------------- */

static void write_verdict(struct cli *cli, const char *path, const struct record_verdict *v)
{
    FILE *out = cli->out;
    fprintf(out, "%s\n", base_name(path));
    if (v->bad_line) {
        fprintf(out, "  line %lld: %s\n", (long long)v->bad_line, v->why);
        if (v->version[0] && strcmp(v->version, TINLATCH_VERSION) != 0)
            fprintf(out,
                    "  it was written by version %s, this is %s: another interlock may decide "
                    "otherwise\n",
                    v->version, TINLATCH_VERSION);
        fprintf(out, "  the %lld lines before it hold\n", (long long)v->bad_line - 1);
        return;
    }
    fprintf(out, "  %lld lines, each the one that was written; fingerprint %s\n",
            (long long)v->lines, v->fingerprint);
    fprintf(out, "  %lld scans over %.1f s, at each the interlock decides the same again\n",
            (long long)v->scans, v->duration_s);
    if (!v->whole)
        fprintf(out, "  it is cut off: %s\n",
                v->torn ? "its last line is half a one" : "it has no end");
}

static json_t *json_verdict(const char *path, const struct record_verdict *v)
{
    return json_pack("{s:s, s:b, s:b, s:I, s:I, s:f, s:o, s:s?, s:s, s:s}", "run", path, "whole",
                     v->whole, "ended", v->ended, "lines", (json_int_t)v->lines, "scans",
                     (json_int_t)v->scans, "duration_s", v->duration_s, "bad_line",
                     v->bad_line ? json_integer(v->bad_line) : json_null(), "why",
                     v->bad_line ? v->why : NULL, "fingerprint", v->fingerprint, "version",
                     v->version);
}

static bool verify_one(struct cli *cli, const struct record_file *file, json_t *list)
{
    struct record_verdict verdict;
    record_verify(file->text, file->length, &verdict);
    if (cli->options.json)
        json_array_append_new(list, json_verdict(file->path, &verdict));
    else
        write_verdict(cli, file->path, &verdict);
    return verdict.whole;
}

static int verify_all(struct cli *cli, json_t *records, bool *whole, struct tl_error *error)
{
    char directory[PATH_SIZE];
    char(*names)[256];
    size_t count;
    int failed = directory_of(&cli->options, directory, error);
    if (!failed)
        failed = records_list(directory, &names, &count, error);
    if (failed)
        return failed;
    for (size_t i = 0; i < count && !failed; i++) {
        struct record_file file;
        char path[PATH_SIZE + 256];
        snprintf(path, sizeof path, "%s/%s", directory, names[i]);
        failed = records_open(&file, path, cli->options.rehearsals, error);
        if (!failed)
            *whole &= verify_one(cli, &file, records);
        free(file.text);
    }
    free(names);
    return failed;
}

static enum outcome verify(struct cli *cli)
{
    struct tl_error error = {0};
    struct record_file file = {0};
    json_t *records = json_array();
    bool whole = true;
    int failed = cli->options.object
                     ? records_open(&file, cli->options.object, cli->options.rehearsals, &error)
                     : verify_all(cli, records, &whole, &error);
    if (!failed && cli->options.object)
        whole = verify_one(cli, &file, records);
    free(file.text);
    if (failed) {
        json_decref(records);
        return cli_refuse(cli, &error, NULL, 0);
    }
    if (cli->options.json) {
        json_t *object =
            json_pack("{s:s, s:O}", "outcome", whole ? "done" : "failed", "records", records);
        json_dumpf(object, cli->out, JSON_INDENT(2) | JSON_REAL_PRECISION(9));
        fputc('\n', cli->out);
        json_decref(object);
    }
    json_decref(records);
    return whole ? RUN_DONE : RUN_FAILED;
}

/* ---- the verb ----------------------------------------------------------------------------------- */

enum outcome verb_runs(struct cli *cli)
{
    static const struct {
        const char *name;
        bool takes_record;
        enum outcome (*act)(struct cli *cli);
    } parts[] = {{"list", false, list},
                 {"show", true, show},
                 {"export", true, runs_export},
                 {"verify", false, verify},
                 {"add", true, runs_add}};
    const struct options *options = &cli->options;
    struct tl_error error = {0};
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        if (strcmp(options->argument, parts[i].name) != 0)
            continue;
        if (!parts[i].takes_record || options->object)
            return parts[i].act(cli);
        tl_error_set(&error, TL_USAGE, "runs %s needs a record: its path, its name or `last`",
                     parts[i].name);
        return cli_refuse(cli, &error, NULL, 0);
    }
    tl_error_set(&error, TL_USAGE, "runs: expected list, show, export, verify or add, found \"%s\"",
                 options->argument);
    tl_error_token(&error, options->argument);
    return cli_refuse(cli, &error, NULL, 0);
}
