/* SPDX-License-Identifier: MIT */
/* What the parts of `tinlatch bench` share. */
#ifndef TINLATCH_CLI_BENCH_H
#define TINLATCH_CLI_BENCH_H

#include "cli_private.h"
#include "paths.h"
#include "tinlatch/benchfile.h"

struct bench_opened {
    char path[PATH_SIZE];
    bool is_demo;
    char *text;
    size_t length;
    struct benchfile bench;
};

int bench_open(struct bench_opened *opened, const struct options *options, struct tl_error *error);
void bench_close(struct bench_opened *opened);

enum outcome bench_check(struct cli *cli);
enum outcome bench_learn(struct cli *cli);

#endif
