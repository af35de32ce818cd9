/* SPDX-License-Identifier: MIT */
#include "tinlatch/mimic.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "cli_private.h"
#include "paths.h"
#include "sources.h"
#include "tinlatch/benchfile.h"
#include "tinlatch/file.h"

enum { SMALL_FILE = 1 << 18 };

struct mimic_verb {
    char share[PATH_SIZE], bench_path[PATH_SIZE], bench_to[PATH_SIZE];
    char *text;
    size_t length;
    struct benchfile bench;
    struct source_set sources;
};

static int load_bench(struct mimic_verb *m, const struct options *options, struct tl_error *error)
{
    bool is_demo;
    int result = paths_share(m->share, error);
    if (!result && options->bench)
        snprintf(m->bench_path, PATH_SIZE, "%s", options->bench);
    else if (!result)
        result = paths_default_bench(m->share, m->bench_path, &is_demo, error);
    if (!result)
        result = file_read(m->bench_path, SMALL_FILE, &m->text, &m->length, error);
    if (!result)
        result = benchfile_parse(m->bench_path, m->text, m->length, &m->bench, error);
    return result;
}

static int load_recipe(struct mimic_verb *m, const struct options *options, struct tl_error *error)
{
    if (options->argument)
        return sources_find(&m->sources, options->argument, options->board, m->share, FROM_FRIENDS,
                            error);
    if (options->board)
        return tl_error_set(error, TL_USAGE,
                            "--board needs a recipe, for its insert: tinlatch mimic RECIPE --board "
                            "FILE");
    return 0;
}

static int place_bench(struct mimic_verb *m, const struct options *options, struct tl_error *error)
{
    if (!options->out && options->json)
        return tl_error_set(error, TL_USAGE,
                            "--json needs --out DIR: the bench file must go somewhere else");
    if (!options->out)
        return 0;
    int result = paths_make(options->out, error);
    if (!result && snprintf(m->bench_to, PATH_SIZE, "%s/bench.ini", options->out) >= PATH_SIZE)
        result = tl_error_set(error, TL_FILE, "--out: the path is too long");
    return result;
}

static int go(struct cli *cli, struct mimic_verb *m, struct tl_error *error)
{
    const struct options *options = &cli->options;
    struct mimic_setup setup = {
        .bench = &m->bench,
        .bench_text = m->text,
        .bench_length = m->length,
        .sources = options->argument ? &m->sources : NULL,
        .seed = options->setup.seed,
        .until_s = options->setup.until_s,
        .fault_count = options->setup.fault_count,
        .fault = options->setup.fault,
        .control = options->control,
        .keyboard = m->bench_to[0] && !options->json && isatty(STDIN_FILENO),
        .bench_to = m->bench_to[0] ? m->bench_to : NULL,
        .out = cli->out,
        .json = options->json,
    };
    return mimic_run(&setup, error);
}

enum outcome verb_mimic(struct cli *cli)
{
    struct tl_error error = {0};
    struct mimic_verb *m = calloc(1, sizeof *m);
    if (!m) {
        tl_error_set(&error, TL_SYSTEM, "out of memory");
        return cli_refuse(cli, &error, NULL, 0);
    }
    int result = load_bench(m, &cli->options, &error);
    if (!result)
        result = load_recipe(m, &cli->options, &error);
    if (!result)
        result = place_bench(m, &cli->options, &error);
    if (!result)
        result = go(cli, m, &error);
    enum outcome outcome = RUN_DONE;
    if (result) {
        bool in_bench = m->text && !strcmp(error.file, m->bench_path);
        outcome = cli_refuse(cli, &error, in_bench ? m->text : NULL, in_bench ? m->length : 0);
    }
    source_free(&m->sources);
    free(m->text);
    free(m);
    return outcome;
}
