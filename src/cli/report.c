/* SPDX-License-Identifier: MIT */
/* A run as a page of HTML. */
#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "part.h"
#include "records.h"
#include "tinlatch/report.h"

/* "20261125-084210-stack-split-1.jsonl" -> "DIR/20261125-084210-stack-split-1.html" */
static int page_path(const struct options *options, const char *record, char *out,
                     struct tl_error *error)
{
    const char *slash = strrchr(record, '/'), *name = slash ? slash + 1 : record;
    const char *dot = strrchr(name, '.');
    int stem = dot && dot > name ? (int)(dot - name) : (int)strlen(name);
    int n = snprintf(out, PATH_SIZE, "%s%s%.*s%s.html", options->out ? options->out : "",
                     options->out ? "/" : "", stem, name, options->customer ? "-customer" : "");
    return n < PATH_SIZE ? 0 : tl_error_set(error, TL_FILE, "%s: %s", name, strerror(ENAMETOOLONG));
}

static int write_page(const struct options *options, const struct record_file *file,
                      const struct history *history, const char *path, struct tl_error *error)
{
    static struct record_verdict verdict;
    char part[PATH_SIZE];
    FILE *to = part_open(path, part, error);
    if (!to)
        return TL_FILE;
    int failed = 0;
    if (options->customer) {
        report_customer(history, to);
    } else {
        record_verify(file->text, file->length, &verdict);
        failed = report_html(history, &verdict, &(struct report_style){0}, to);
    }
    return part_close(to, failed || ferror(to), part, path, error);
}

static int make_page(struct cli *cli, const struct record_file *file, char *path,
                     struct tl_error *error)
{
    static struct history history;
    int failed = history_read(&history, file->text, file->length, error);
    if (failed)
        tl_error_at(error, file->path, 0);
    snprintf(history.run.record, sizeof history.run.record, "%s", file->path);
    history.goes_on = file->goes_on;
    if (!failed && cli->options.out)
        failed = paths_make(cli->options.out, error);
    if (!failed)
        failed = page_path(&cli->options, file->path, path, error);
    if (!failed)
        failed = write_page(&cli->options, file, &history, path, error);
    history_free(&history);
    return failed;
}

enum outcome verb_report(struct cli *cli)
{
    struct tl_error error = {0};
    struct record_file file;
    char path[PATH_SIZE];
    int failed = records_open(&file, cli->options.argument, cli->options.rehearsals, &error);
    if (!failed)
        failed = make_page(cli, &file, path, &error);
    free(file.text);
    if (failed)
        return cli_refuse(cli, &error, NULL, 0);
    fprintf(cli->out, "wrote %s\n", path);
    return RUN_DONE;
}
