/* SPDX-License-Identifier: MIT */
/* live_bench - tinlatch-guard --live and --check: keeper, guard and scribe of one run, or keeper and guard of a
 * check. */
#ifndef TINLATCH_LIVE_BENCH_H
#define TINLATCH_LIVE_BENCH_H

#include "tinlatch/benchfile.h"
#include "tinlatch/keeper.h"
#include "tinlatch/run.h"

struct live_options {
    int recipe_fd, front_fd, record_fd;            /* inherited from the front */
    const char *latch_path, *recipe_name, *serial; /* serial "" = not given */
    uint64_t seed; /* of the recipe's random numbers, for the record */
    struct run_source source;
};

/* The run's enum outcome when it ended in order; a negative enum tl_err when the guard did not live to say one. Everything
 * is off. */
int live_bench(const struct live_options *options, const struct benchfile *bench);

/* Every proof of `tinlatch bench check`, told over front_fd. 0 when it ended in order; else a negative enum
 * tl_err. Everything is off. */
int check_bench(int front_fd, const struct benchfile *bench);

/* What the two share. */
struct bench_run {
    const struct live_options *options; /* record_fd -1: there is no record, and no scribe */
    const struct benchfile *bench;
    struct keeper_config keeper;
    char doubt[BENCH_PORTS][BENCH_TEXT]; /* of a port's name, for a person; "" = none */
    int beat[2], sign[2], lines[2], durable[2];
    int crash_fd; /* what a crash would say is held by it, in keeper and guard; -1: nothing is said */
    pid_t scribe;
};

/* Open one port; what hangs on its control lines is dropped at once. */
int bench_open_port(const struct benchfile *bench, int port, struct port **out,
                    struct tl_error *error);
/* Encode the last words of whatever hangs on the open ports. */
void bench_encode_words(struct bench_run *run);
int bench_make_pipes(struct bench_run *run);
/* Fork scribe and guard (`be_guard` never returns), watch, have the last word. The guard's exit status, or a negative
 * enum tl_err when it was not over in order. */
int bench_watch(struct bench_run *run, void (*be_guard)(struct bench_run *run));

#endif
