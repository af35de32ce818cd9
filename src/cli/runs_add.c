/* SPDX-License-Identifier: MIT */
/* What became known after the run: added behind its end, chained to it. */
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <unistd.h>

#include "job.h"
#include "runs.h"
#include "tinlatch/journal.h"

/* Only a record that holds, and is over, is added to. */
static int check_record(const struct record_file *file, struct tl_error *error)
{
    static struct record_verdict verdict;
    record_verify(file->text, file->length, &verdict);
    if (verdict.bad_line)
        tl_error_set(error, TL_SYNTAX, "line %lld: %s", (long long)verdict.bad_line, verdict.why);
    else if (!verdict.ended)
        tl_error_set(error, TL_SYNTAX, "the run has not ended in it");
    else
        return 0;
    tl_error_at(error, file->path, 0);
    return TL_SYNTAX;
}

static int append(const struct options *options, const char *path, struct tl_error *error)
{
    struct journal *journal;
    int fd = open(path, O_RDWR | O_CLOEXEC | O_NOCTTY);
    int failed = fd < 0 || flock(fd, LOCK_EX) != 0 || journal_continue(&journal, fd);
    for (int i = 0; i < options->job_count && !failed; i++) {
        const struct recipe_job *job = &options->job[i];
        struct wire_note note = {.note = NOTE_JOB, .value = job->value};
        memcpy(note.name, job->name, sizeof note.name);
        memcpy(note.text, job->text, sizeof note.text);
        journal_note(journal, -1, &note);
    }
    if (!failed) {
        failed = journal_error(journal, NULL) || fdatasync(fd) != 0;
        journal_free(journal);
    }
    if (failed)
        tl_error_set(error, TL_FILE, "%s: %s", path, strerror(errno ? errno : EIO));
    if (fd >= 0)
        close(fd);
    return failed ? TL_FILE : 0;
}

static int add(struct cli *cli, const struct record_file *file, struct tl_error *error)
{
    struct history kept;
    int failed = check_record(file, error);
    if (failed || (failed = history_read(&kept, file->text, file->length, error)))
        return failed;
    failed = job_prepare(cli, &kept, error);
    history_free(&kept);
    return failed ? failed : append(&cli->options, file->path, error);
}

enum outcome runs_add(struct cli *cli)
{
    struct tl_error error = {0};
    struct record_file file = {0};
    int failed = cli->options.job_count
                     ? records_open(&file, cli->options.object, cli->options.rehearsals, &error)
                     : tl_error_set(&error, TL_USAGE,
                                    "runs add: what? --found, --added, --photo, --hot-spot, --note "
                                    "or --after");
    if (!failed)
        failed = add(cli, &file, &error);
    if (!failed)
        fprintf(cli->out, "added to %s\n", file.path);
    free(file.text);
    return failed ? cli_refuse(cli, &error, NULL, 0) : RUN_DONE;
}
