/* SPDX-License-Identifier: MIT */
/* keeper - watches the guard and has the last word: when the guard is dead or late it kills it, reaps it,
 * and sends every instrument the bytes that switch it off. Meant to be read in one sitting.
 *
 * Ownership  the ports and descriptors stay the caller's; the caller forks the guard.
 * Never      parses a byte from an instrument, allocates, or sends while the guard still lives (two
 *            writers on one wire garble the OFF frame).
 * Fails      it cannot: what cannot be sent is counted, and said in the result.
 * Units      milliseconds of CLOCK_BOOTTIME. */
#ifndef TINLATCH_KEEPER_H
#define TINLATCH_KEEPER_H

#include <stdbool.h>
#include <stdint.h>
#include <sys/types.h>

#include "tinlatch/device.h"
#include "tinlatch/port.h"

enum {
    KEEPER_LATE_MS = 500,  /* the guard's heartbeat may be this late */
    KEEPER_SIGN_MS = 100,  /* how often the keeper shows the guard that it lives */
    KEEPER_TIMES = 3,      /* last words are sent so often ... */
    KEEPER_APART_MS = 100, /* ... with so much time between */
    KEEPER_SHARED_MS = 50, /* between two frames on one port: the first one's answer must be off the wire */
    KEEPER_REAP_MS = 200,  /* longest wait for a killed guard: one that hangs in a driver runs no more */
};

/* The guard's heartbeat: one of these, in one write, through a pipe after every scan with fresh data. The
 * first number is free, each other one must be the one before plus one: a guard that repeats itself, skips
 * or writes nonsense is as good as dead. */
struct keeper_beat {
    uint32_t number;
    uint32_t over; /* 1: the run is over, everything is off and touch-safe; the guard is about to leave */
};

struct keeper_config {
    int port_count;
    struct port *port[BENCH_PORTS];
    int words_count;
    struct {
        int port;           /* index; -1 = none */
        struct frame frame; /* encoded at the start, the same bytes as a trip's */
    } words[BENCH_DEVICES];
    pid_t guard;
    int beat_fd; /* read end of the guard's heartbeats */
    int sign_fd; /* write end: the keeper's own signs of life to the guard */
};

enum keeper_end {
    KEEPER_OVER,    /* the guard ended the run in order: last words were sent once */
    KEEPER_DEAD,    /* the guard died: last words were sent */
    KEEPER_LATE,    /* the guard was late or wrong: killed, last words were sent */
    KEEPER_TOLD,    /* SIGTERM came: the guard was killed, last words were sent */
};

/* Watch until the guard is over or gone; the clock starts with the call. *unsent: as keeper_last_words.
 * From here on INT, HUP and what else a terminal can send do nothing to the keeper: the front answers
 * those. The guard's exit status is left for the caller's waitpid. */
enum keeper_end keeper_watch(const struct keeper_config *config, int *unsent);

/* Send last words KEEPER_TIMES; also what a start uses to switch everything off once. Returns how many
 * instruments could not once be sent theirs whole. */
int keeper_last_words(const struct keeper_config *config);

#endif
