/* SPDX-License-Identifier: MIT */
/* rehearse - world, guard and recipe in lockstep on a virtual clock, in a forked, sandboxed child.
 *
 * Ownership  everything in the setup stays the caller's; *run is the caller's storage.
 * Never      touches a port, or lets the child live past its CPU time.
 * Fails      returns 0 whatever the recipe did (run->outcome tells); TL_SYSTEM if no child could be
 *            had.
 * Units      seconds of bench time. */
#ifndef TINLATCH_REHEARSE_H
#define TINLATCH_REHEARSE_H

#include <signal.h>
#include <stdio.h>

#include "tinlatch/benchfile.h"
#include "tinlatch/err.h"
#include "tinlatch/quantity.h"
#include "tinlatch/recipe.h"
#include "tinlatch/run.h"

enum { REHEARSE_FAULTS = 16, REHEARSE_ANSWERS = 64 };

struct rehearse_fault {
    char name[BENCH_NAME];
    double at_s;
};

/* A line of an answers file: yes | no | stop | a number [with its unit] | "text", each with
 * [after 5 s]. Words in any case. */
struct rehearse_answer {
    enum reply { REPLY_YES, REPLY_NO, REPLY_VALUE, REPLY_STOP } reply;
    char value[64]; /* as typed, a text without its quotes */
    bool is_text;
    double number;  /* in the base unit */
    enum unit unit; /* UNITS: a bare number, or a text */
    double after_s; /* < 0: the natural delay */
    int line;
};

struct rehearse_setup {
    const struct source_set *sources;
    const struct benchfile *bench;
    const char *bench_file;
    struct recipe_setup recipe;
    char serial[64];
    uint64_t seed;
    double grid_mm; /* of the simulated heat; 0: the coarse grid */
    struct run_heat *heat; /* filled in if the rehearsal came to its end; NULL: not wanted */
    double until_s; /* 0: to the end */
    double cpu_s;   /* the child's budget; 0: 5 s */
    const struct board *apart; /* recipe and world in two processes: a stranger's, whose figures must be the world's
                                * own; with the board of rehearse_board. NULL: in one */
    int fault_count;
    struct rehearse_fault fault[REHEARSE_FAULTS];
    const char *answers_file; /* as the person named it */
    int answer_count;
    struct rehearse_answer answer[REHEARSE_ANSWERS];
    const volatile sig_atomic_t *stop; /* set by a signal handler: end it; NULL = never */
};

int answers_parse(const char *file, const char *text, size_t length,
                  struct rehearse_setup *setup, struct tl_error *error);
/* "NAME@SECONDS" or "NAME@90 s"; unknown names get a did-you-mean. */
int fault_parse(const char *text, struct rehearse_setup *setup, struct tl_error *error);
/* The fault of that name with its help, or every one (NULL), a line each. False: there is none of that name. */
bool faults_write(FILE *out, const char *name);

/* For `apart`: the board that the board file of the sources gives (they name it: source_take), evaluated in a process
 * that is gone before anything is rehearsed. TL_*: none, or none that can be; TL_KILLED: it took too much. */
int rehearse_board(const struct rehearse_setup *setup, struct board *board, struct tl_error *error);

/* record_fd: where the record goes, -1 = nowhere. */
int rehearse(const struct rehearse_setup *setup, int record_fd, struct run *run,
             struct tl_error *error);

#endif
