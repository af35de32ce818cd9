/* SPDX-License-Identifier: MIT */
/* A rehearsal from the command line: what it reads, where its record goes, what is printed. */
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "cli_private.h"
#include "job.h"
#include "part.h"
#include "paths.h"
#include "records.h"
#include "sources.h"
#include "tinlatch/benchfile.h"
#include "tinlatch/file.h"
#include "tinlatch/report.h"
#include "trials.h"

enum { SMALL_FILE = 1 << 18 }; /* a bench file or an answers file; real ones have a few KiB */

struct text {
    char *at;
    size_t length;
};

struct play {
    char share[PATH_SIZE];
    struct bench_source bench;
    struct text answers_text;
    struct source_set sources;
    int record_fd; /* -1 = none */
    char record_dir[PATH_SIZE], record_path[PATH_SIZE];
    char wrote[REPORT_WROTE][PATH_SIZE]; /* by --out */
    int wrote_count;
    struct run run;
    struct run_heat heat; /* for --out */
};

/* ---- what is read --------------------------------------------------------------------------- */

static int load_answers(struct play *play, struct options *options, struct tl_error *error)
{
    if (!options->answers)
        return 0;
    int result = file_read(options->answers, SMALL_FILE, &play->answers_text.at,
                           &play->answers_text.length, error);
    if (result)
        return result;
    return answers_parse(options->answers, play->answers_text.at, play->answers_text.length,
                         &options->setup, error);
}

/* A file that is not there: which one may have been meant? In the order in which they are read. */
static int hint_nearest(const struct play *play, const struct options *options,
                        struct tl_error *error)
{
    const char *named[] = {options->bench, options->answers, options->argument, options->board};
    char near[PATH_SIZE];
    for (size_t i = 0; i < sizeof named / sizeof named[0]; i++) {
        if (!named[i] || !named[i][0] || access(named[i], F_OK) == 0 || errno != ENOENT)
            continue;
        if (!error->hint[0] && paths_nearest(named[i], play->share, near))
            tl_error_hint(error, "did you mean %s?", near);
        break;
    }
    return error->code;
}

static int load(struct play *play, struct options *options, struct tl_error *error)
{
    int result = paths_share(play->share, error);
    if (!result)
        result = sources_bench(&play->bench, options->bench, play->share, error);
    if (!result)
        result = load_answers(play, options, error);
    if (!result)
        result = sources_find(&play->sources, options->argument, options->board, play->share,
                              FROM_FRIENDS, error);
    if (result)
        return hint_nearest(play, options, error);
    options->setup.sources = options->setup.recipe.sources = &play->sources;
    options->setup.recipe.seed = options->setup.seed;
    options->setup.bench = &play->bench.bench;
    options->setup.bench_file = play->bench.path;
    return 0;
}

/* The text of the file that an error names, for its source line; at NULL if it is none of ours. */
static struct text text_of(const struct play *play, const struct options *options, const char *file)
{
    if (!strcmp(file, play->bench.path))
        return (struct text){play->bench.text, play->bench.length};
    if (options->answers && !strcmp(file, options->answers))
        return play->answers_text;
    const struct source_file *source = source_find_shown(&play->sources, file);
    /* show_error only reads it */
    return source ? (struct text){(char *)source->text, source->length} : (struct text){NULL, 0};
}

/* ---- where the record goes ------------------------------------------------------------------ */

static int open_record(struct play *play, const char *recipe, struct tl_error *error)
{
    if (paths_records(play->record_dir, error))
        return -1;
    return paths_new_record(play->record_dir, recipe, play->record_path, error);
}

/* A record that cannot be kept is worth a warning, not a refusal: nothing is heated. */
static void begin_record(struct cli *cli, struct play *play)
{
    struct tl_error error = {0};
    play->record_fd = open_record(play, cli->options.argument, &error);
    if (play->record_fd >= 0)
        return;
    play->record_fd = -1;
    play->record_path[0] = '\0';
    fprintf(cli->err, "warning: no record is kept: ");
    show_error(cli->err, &error, NULL, 0);
}

static void end_record(struct play *play)
{
    if (play->record_fd < 0)
        return;
    /* What was not fit to run leaves nothing worth one of the places that are kept. */
    if (play->run.outcome == RUN_INVALID) {
        unlink(play->record_path);
        play->record_path[0] = '\0';
    }
    snprintf(play->run.record, sizeof play->run.record, "%s", play->record_path);
    records_prune(play->record_dir);
}

/* ---- a signal from outside ------------------------------------------------------------------ */

static volatile sig_atomic_t
    stopped; /* the rehearsal looks at it, ends its child and closes the record */

static void on_signal(int number)
{
    (void)number;
    stopped = 1;
}

static const int stop_signals[] = {SIGINT, SIGTERM, SIGHUP};
enum { STOP_SIGNALS = sizeof stop_signals / sizeof stop_signals[0] };

static void catch_signals(struct sigaction *before)
{
    struct sigaction action = {.sa_handler = on_signal};
    for (int i = 0; i < STOP_SIGNALS; i++)
        sigaction(stop_signals[i], &action, &before[i]);
}

static void release_signals(const struct sigaction *before)
{
    for (int i = 0; i < STOP_SIGNALS; i++)
        sigaction(stop_signals[i], &before[i], NULL);
}

/* ---- what is written ------------------------------------------------------------------------ */

/* What --out writes besides the record; the maps only when the rehearsal had joints. */
enum picture { CHART, MELT_MAP, HEAT_MAP, PLACES, PICTURES };
static const char *const picture_names[PICTURES] = {"chart.svg", "melt-map.svg", "heat-map.svg",
                                                    "places.csv"};

static void draw(enum picture picture, const struct play *play, FILE *to)
{
    switch (picture) {
    case CHART:
        report_svg(&play->run, to);
        break;
    case MELT_MAP:
        report_melt_map(&play->heat, to);
        break;
    case HEAT_MAP:
        report_heat_map(&play->heat, to);
        break;
    case PLACES:
        report_places(&play->run, &play->heat, to);
        break;
    case PICTURES:
        break;
    }
}

static int write_picture(struct play *play, enum picture picture, const char *directory,
                         struct tl_error *error)
{
    char path[PATH_SIZE], part[PATH_SIZE];
    if (snprintf(path, sizeof path, "%s/%s", directory, picture_names[picture]) >= PATH_SIZE)
        return tl_error_set(error, TL_FILE, "%s: %s", directory, strerror(ENAMETOOLONG));
    FILE *to = part_open(path, part, error);
    if (!to)
        return TL_FILE;
    draw(picture, play, to);
    if (part_close(to, ferror(to) != 0, part, path, error))
        return TL_FILE;
    memcpy(play->wrote[play->wrote_count++], path, sizeof path);
    return 0;
}

static int copy_bytes(int from, FILE *to)
{
    char block[1 << 16];
    ssize_t n;
    off_t at = 0;
    while ((n = pread(from, block, sizeof block, at)) > 0) {
        if (fwrite(block, 1, (size_t)n, to) != (size_t)n)
            return -1;
        at += n;
    }
    return n < 0 ? -1 : 0;
}

/* --out may name the directory of the records itself. */
static bool is_record(const struct play *play, const char *path)
{
    struct stat own, there;
    return fstat(play->record_fd, &own) == 0 && stat(path, &there) == 0 &&
           own.st_dev == there.st_dev && own.st_ino == there.st_ino;
}

static int copy_record(const struct play *play, const char *path, struct tl_error *error)
{
    char part[PATH_SIZE];
    if (is_record(play, path))
        return 0;
    FILE *to = part_open(path, part, error);
    if (!to)
        return TL_FILE;
    bool failed = copy_bytes(play->record_fd, to) != 0;
    return part_close(to, failed, part, path, error);
}

/* --out: the pictures and the record. */
static int write_out(struct play *play, const char *directory, struct tl_error *error)
{
    char path[PATH_SIZE];
    const char *name = strrchr(play->record_path, '/');
    int pictures = play->heat.places > 0 && play->run.limits.uses_plate ? PICTURES : MELT_MAP;
    for (int i = 0; i < pictures; i++)
        if (write_picture(play, (enum picture)i, directory, error))
            return TL_FILE;
    if (!name)
        return 0;
    if (snprintf(path, sizeof path, "%s%s", directory, name) >= PATH_SIZE)
        return tl_error_set(error, TL_FILE, "%s: %s", directory, strerror(ENAMETOOLONG));
    if (copy_record(play, path, error))
        return TL_FILE;
    memcpy(play->wrote[play->wrote_count++], path, sizeof path);
    return 0;
}

/* As JSON or as text, with the files that --out wrote. error: to stand in the text, NULL = elsewhere. */
static void print(struct cli *cli, const struct play *play, bool in_short, const char *error)
{
    struct report_style style = {
        .colour = wants_colour(cli->out),
        .header_only = in_short,
        .bench_file = play->bench.path,
        .recipe_file = cli->options.argument,
        .board_file = cli->options.board,
        .columns = columns_of(cli->out),
        .error_shown = error,
    };
    for (int i = 0; i < play->wrote_count && i < REPORT_WROTE; i++)
        style.wrote[i] = play->wrote[i];
    if (!cli->options.json) {
        report_text(&play->run, &style, cli->out);
        return;
    }
    report_json(&play->run, cli->out);
    for (int i = 0; i < play->wrote_count; i++)
        fprintf(cli->err, "wrote %s\n", play->wrote[i]);
}

/* ---- the whole ------------------------------------------------------------------------------ */

static int run_it(struct cli *cli, struct play *play, struct tl_error *error)
{
    struct sigaction before[STOP_SIGNALS];
    if (cli->options.out && paths_make(cli->options.out, error))
        return TL_FILE;
    if (job_prepare(cli, NULL, error))
        return TL_FILE;
    begin_record(cli, play);
    cli_flush(cli); /* nothing of ours may be printed twice by the child */
    fflush(cli->err);
    cli->options.setup.stop = &stopped;
    cli->options.setup.heat = cli->options.out ? &play->heat : NULL;
    catch_signals(before);
    int result = rehearse(&cli->options.setup, play->record_fd, &play->run, error);
    release_signals(before);
    if (result)
        play->run.outcome = RUN_INVALID;
    end_record(play);
    if (!play->run.recipe[0])
        snprintf(play->run.recipe, sizeof play->run.recipe, "%s", cli->options.argument);
    return result;
}

static enum outcome tell(struct cli *cli, struct play *play, bool in_short)
{
    struct run *run = &play->run;
    struct tl_error late = {
        0}; /* the rehearsal is over and worth showing, whatever comes of this */
    bool began = run->outcome != RUN_INVALID;
    bool cut =
        run->outcome == RUN_STOPPED && run->error.code == TL_ENDED; /* half is not worth showing */
    if (cli->options.out && began && !cut)
        write_out(play, cli->options.out, &late);
    if (late.code && run->outcome == RUN_DONE) {
        run->outcome = RUN_INVALID;
        run->error = late;
    }
    const struct tl_error *error = run->error.code ? &run->error : &late;
    struct text text = text_of(play, &cli->options, error->file);
    char shown[4096];
    bool within =
        error->code && began && !cut && !cli->options.json && same_place(cli->out, cli->err);
    if (within)
        error_text(error, text.at, text.length, shown, sizeof shown);
    if ((began && !cut) || cli->options.json)
        print(cli, play, in_short, within ? shown : NULL);
    cli_flush(cli); /* the error comes last, below what it is about */
    if (error->code && !within)
        show_error(cli->err, error, text.at, text.length);
    return run->outcome;
}

/* ---- many ----------------------------------------------------------------------------------- */

static int write_spread(struct figures *f, struct play *play, const char *directory,
                        struct tl_error *error)
{
    char path[PATH_SIZE], part[PATH_SIZE];
    if (snprintf(path, sizeof path, "%s/trials.svg", directory) >= PATH_SIZE)
        return tl_error_set(error, TL_FILE, "%s: %s", directory, strerror(ENAMETOOLONG));
    FILE *to = part_open(path, part, error);
    if (!to)
        return TL_FILE;
    trials_svg(f, to);
    int failed = part_close(to, ferror(to) != 0, part, path, error);
    if (!failed)
        memcpy(play->wrote[play->wrote_count++], path, sizeof path);
    return failed;
}

static enum outcome outcome_of(const struct figures *f)
{
    for (int32_t i = 0; i < f->trials->draws; i++)
        if (trial_failed(&f->trials->trial[i]))
            return f->options->faults ? RUN_FAILED : f->trials->trial[i].outcome;
    return RUN_DONE;
}

static enum outcome tell_many(struct cli *cli, struct play *play, const struct trials *trials)
{
    struct figures f;
    struct tl_error error = {0};
    if (figures_new(&f, trials, &cli->options, &error))
        return cli_refuse(cli, &error, NULL, 0);
    enum outcome outcome = outcome_of(&f);
    if (cli->options.out && !write_spread(&f, play, cli->options.out, &error))
        error.code = TL_OK;
    if (error.code && outcome == RUN_DONE)
        outcome = RUN_INVALID;
    if (cli->options.json)
        trials_json(&f, outcome, cli->out);
    else
        trials_text(&f, cli->out);
    cli_flush(cli);
    for (int i = 0; i < play->wrote_count; i++)
        fprintf(cli->err, "wrote %s\n", play->wrote[i]);
    if (error.code)
        show_error(cli->err, &error, NULL, 0);
    figures_free(&f);
    return outcome;
}

static enum outcome run_many(struct cli *cli, struct play *play)
{
    struct sigaction before[STOP_SIGNALS];
    struct tl_error error = {0};
    struct trials trials;
    struct trials_setup setup = {.rehearsal = cli->options.setup,
                                 .draws = cli->options.draws,
                                 .jobs = cli->options.jobs,
                                 .faults = cli->options.faults + cli->options.pairs};
    if (cli->options.out && paths_make(cli->options.out, &error))
        return cli_refuse(cli, &error, NULL, 0);
    cli_flush(cli); /* nothing of ours may be printed twice by a child */
    fflush(cli->err);
    setup.rehearsal.stop = &stopped;
    catch_signals(before);
    int failed = trials_new(&trials, &setup, &error);
    release_signals(before);
    if (failed)
        return cli_end(cli, failed == TL_ENDED ? RUN_STOPPED : RUN_FAILED, &error, NULL, 0);
    enum outcome outcome;
    if (trials.draws > 0) {
        outcome = tell_many(cli, play, &trials);
    } else { /* told as of one rehearsal */
        play->run = *trials.first;
        cli->options.out = NULL;
        outcome = tell(cli, play, true);
    }
    trials_free(&trials);
    return outcome;
}

static void play_free(struct play *play)
{
    if (play->record_fd >= 0)
        close(play->record_fd);
    source_free(&play->sources);
    free(play->bench.text);
    free(play->answers_text.at);
    free(play);
}

/* What is to be done with a play that is loaded. */
typedef enum outcome play_deed(struct cli *cli, struct play *play);

static enum outcome with_play(struct cli *cli, play_deed *deed)
{
    struct tl_error error = {0};
    struct play *play = calloc(1, sizeof *play);
    if (!play) {
        tl_error_set(&error, TL_SYSTEM, "out of memory");
        return cli_refuse(cli, &error, NULL, 0);
    }
    play->record_fd = -1;
    enum outcome outcome;
    if (load(play, &cli->options, &error)) {
        struct text text = text_of(play, &cli->options, error.file);
        outcome = cli_refuse(cli, &error, text.at, text.length);
    } else {
        outcome = deed(cli, play);
    }
    play_free(play);
    return outcome;
}

static enum outcome run_once(struct cli *cli, struct play *play)
{
    struct tl_error error = {0};
    if (run_it(cli, play, &error)) {
        struct text text = text_of(play, &cli->options, error.file);
        return cli_refuse(cli, &error, text.at, text.length);
    }
    return tell(cli, play, cli->options.verb == VERB_CHECK);
}

enum outcome play(struct cli *cli)
{
    return with_play(cli, run_once);
}

enum outcome play_many(struct cli *cli)
{
    return with_play(cli, run_many);
}
