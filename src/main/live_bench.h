/* SPDX-License-Identifier: MIT */
/* live_bench - tinlatch-guard --live: keeper, guard and scribe of one run. */
#ifndef TINLATCH_LIVE_BENCH_H
#define TINLATCH_LIVE_BENCH_H

#include "tinlatch/benchfile.h"

struct live_options {
    int recipe_fd, front_fd, record_fd;            /* inherited from the front */
    const char *latch_path, *recipe_name, *serial; /* serial "" = not given */
};

/* 0 when the run ended in order, whatever its outcome; else a negative enum tl_err. Everything is off. */
int live_bench(const struct live_options *options, const struct benchfile *bench);

#endif
