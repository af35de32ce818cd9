/* SPDX-License-Identifier: MIT */
/* live - the guard's process in a real run: one poll loop around the scan. Ports, recipe, front, keeper and
 * scribe are descriptors; the machine's clock is asked once per turn of the loop.
 *
 * Ownership  descriptors and ports stay the caller's.
 * Never      blocks on anything but its own poll, allocates after its start, or lets one descriptor delay another.
 * Fails      live_run returns the outcome; everything is off and touch-safe, or a person chose to leave.
 * Units      milliseconds of CLOCK_BOOTTIME. */
#ifndef TINLATCH_LIVE_H
#define TINLATCH_LIVE_H

#include "tinlatch/benchfile.h"
#include "tinlatch/guard.h"
#include "tinlatch/port.h"
#include "tinlatch/run.h"

enum { LIVE_PRIORITY = 10 }; /* the guard's among real-time processes, where it is granted */

struct live_config {
    const struct benchfile *bench;
    struct port *port[BENCH_PORTS];
    const char *doubt[BENCH_PORTS]; /* as in struct guard_config */
    int recipe_fd, front_fd;   /* SOCK_SEQPACKET */
    int beat_fd, sign_fd;      /* heartbeats to the keeper, signs of life from it */
    int record_fd, durable_fd; /* lines to the scribe, numbers of durable lines from it */
    const char *latch_path;    /* written when heat is first allowed, removed at a clean end */
    int latch_fd;              /* what latch_stage holds; -1: nothing */
    const char *recipe_name, *serial; /* for the record; serial: of the board on the bench, "" = not given */
    struct run_source source;         /* for the record, too */
    uint64_t seed; /* of the recipe's random numbers, for the record */
    bool ask_realtime;
};

enum outcome live_run(const struct live_config *config);

/* Real time where it is granted, memory locked; without it the process goes on, its budget is watched all the same. */
void live_ask_realtime(void);

#endif
