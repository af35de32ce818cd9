/* SPDX-License-Identifier: MIT */
#include "tinlatch/cli.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "cli_private.h"
#include "tinlatch/file.h"
#include "tinlatch/report.h"

static enum outcome (*const verb_run[VERBS])(struct cli *cli) = {
    [VERB_CHECK] = verb_check, [VERB_REHEARSE] = verb_rehearse, [VERB_RUN] = verb_run_bench,
    [VERB_CLEAR] = verb_clear, [VERB_RUNS] = verb_runs,         [VERB_REPORT] = verb_report,
    [VERB_MIMIC] = verb_mimic, [VERB_BENCH] = verb_bench,       [VERB_KEY] = verb_key,
    [VERB_PACK] = verb_pack,   [VERB_INSPECT] = verb_inspect,   [VERB_ACCEPT] = verb_accept,
    [VERB_SHELF] = verb_shelf, [VERB_TRIALS] = verb_trials,     [VERB_HELP] = verb_help,
};

void error_text(const struct tl_error *error, const char *source, size_t length, char *out,
                size_t size)
{
    char *again = NULL;
    struct tl_error unread;
    /* What was refused while it was loaded is not kept anywhere: look once more, for its line. */
    if (!source && error->line > 0 && !file_read(error->file, 1 << 20, &again, &length, &unread))
        source = again;
    tl_error_format(error, source, length, out, size);
    free(again);
}

void show_error(FILE *err, const struct tl_error *error, const char *source, size_t length)
{
    char text[4096];
    error_text(error, source, length, text, sizeof text);
    fprintf(err, "%s%s", error->code == TL_USAGE ? "tinlatch: " : "", text);
}

/* A run that never began, so that an early error looks like any other in JSON. */
static void write_refused(const struct cli *cli, enum outcome outcome, const struct tl_error *error)
{
    struct run *run = calloc(1, sizeof *run);
    if (!run) /* the shape stays; the figures are not known anyway */
        return;
    run->outcome = outcome;
    run->seed = cli->options.setup.seed;
    run->peak_true_c = run->peak_read_c = run->peak_board_c = run->cool_c_s = NAN;
    if (cli->options.argument)
        snprintf(run->recipe, sizeof run->recipe, "%s", cli->options.argument);
    run->error = *error;
    report_json(run, cli->out);
    free(run);
}

enum outcome cli_end(const struct cli *cli, enum outcome outcome, const struct tl_error *error,
                     const char *source, size_t length)
{
    if (cli->options.json)
        write_refused(cli, outcome, error);
    show_error(cli->err, error, source, length);
    return outcome;
}

enum outcome cli_refuse(const struct cli *cli, const struct tl_error *error, const char *source,
                        size_t length)
{
    enum outcome outcome = error->code == TL_TRUST ? RUN_REFUSED : RUN_INVALID;
    return cli_end(cli, outcome, error, source, length);
}

void cli_flush(struct cli *cli)
{
    errno = 0;
    if ((fflush(cli->out) != 0 || ferror(cli->out)) && !cli->lost)
        cli->lost = errno ? errno : EIO;
}

enum outcome cli_flushed(struct cli *cli, enum outcome outcome)
{
    cli_flush(cli);
    if (!cli->lost || cli->lost == EPIPE)
        return outcome;
    fprintf(cli->err, "tinlatch: standard output cannot be written: %s\n", strerror(cli->lost));
    return outcome == RUN_DONE ? RUN_INVALID : outcome;
}

int cli_run(int argc, char *const argv[], FILE *out, FILE *err)
{
    struct cli cli = {.out = out, .err = err};
    struct tl_error error = {0};
    enum outcome outcome = RUN_DONE;
    if (options_parse(argc, argv, &cli.options, &error))
        outcome = cli_refuse(&cli, &error, NULL, 0);
    else if (cli.options.version)
        fputs("tinlatch " TINLATCH_VERSION "\n", out);
    else if (cli.options.help && cli.options.verb == VERBS)
        options_write_usage(out);
    else if (cli.options.help)
        options_write_verb(out, cli.options.verb);
    else
        outcome = verb_run[cli.options.verb](&cli);
    return (int)cli_flushed(&cli, outcome);
}
