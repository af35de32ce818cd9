/* SPDX-License-Identifier: MIT */
/* The bench itself: its ports, what protects it, its plate's constants. */
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "bench.h"
#include "paths.h"
#include "tinlatch/file.h"

enum { SMALL_FILE = 1 << 18 };

int bench_open(struct bench_opened *opened, const struct options *options, struct tl_error *error)
{
    char share[PATH_SIZE];
    int result = paths_share(share, error);
    if (!result && options->bench)
        snprintf(opened->path, PATH_SIZE, "%s", options->bench);
    else if (!result)
        result = paths_default_bench(share, opened->path, &opened->is_demo, error);
    if (!result)
        result = file_read(opened->path, SMALL_FILE, &opened->text, &opened->length, error);
    if (!result)
        result = benchfile_parse(opened->path, opened->text, opened->length, &opened->bench, error);
    return result;
}

void bench_close(struct bench_opened *opened)
{
    free(opened->text);
    free(opened);
}

/* This program cannot open a port; the guard's can, and lists them. */
static enum outcome list(struct cli *cli)
{
    char guard[PATH_SIZE];
    struct tl_error error = {0};
    int status = 0;
    if (paths_guard(guard, &error))
        return cli_refuse(cli, &error, NULL, 0);
    cli_flush(cli);
    pid_t child = fork();
    if (child == 0) {
        const char *argv[] = {guard, "--list", cli->options.json ? "--json" : NULL, NULL};
        if (dup2(fileno(cli->out), 1) == 1)
            execv(guard, (char *const *)argv);
        _exit(RUN_INVALID);
    }
    while (child > 0 && waitpid(child, &status, 0) < 0 && errno == EINTR)
        ;
    if (child < 0 || !WIFEXITED(status) || WEXITSTATUS(status) != 0) {
        tl_error_set(&error, TL_SYSTEM, "%s --list did not end well", guard);
        return cli_refuse(cli, &error, NULL, 0);
    }
    return RUN_DONE;
}

enum outcome verb_bench(struct cli *cli)
{
    static const struct {
        const char *name;
        enum outcome (*act)(struct cli *cli);
    } parts[] = {{"list", list}, {"check", bench_check}, {"learn", bench_learn}};
    struct tl_error error = {0};
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++)
        if (!strcmp(cli->options.argument, parts[i].name))
            return parts[i].act(cli);
    tl_error_set(&error, TL_USAGE, "bench: expected list, check or learn, found \"%s\"",
                 cli->options.argument);
    tl_error_token(&error, cli->options.argument);
    return cli_refuse(cli, &error, NULL, 0);
}
