/* SPDX-License-Identifier: MIT */
/* options - the one table of verbs and the one table of options: parsing, help and the reference
 * page are made from them. Texts in struct options point into argv. */
#ifndef TINLATCH_CLI_OPTIONS_H
#define TINLATCH_CLI_OPTIONS_H

#include <stdbool.h>
#include <stdio.h>

#include "tinlatch/err.h"
#include "tinlatch/rehearse.h"
#include "tinlatch/trials.h"

struct options;

struct verb {
    const char *name;
    const char *argument;              /* "RECIPE", "[PRIMITIVE]" */
    bool needs_argument, takes_object; /* a second word: what the first is done to */
    const char *help;
    const char *detail; /* for its own help and the reference page */
};

enum verb_id {
    VERB_CHECK,
    VERB_REHEARSE,
    VERB_RUN,
    VERB_CLEAR,
    VERB_RUNS,
    VERB_REPORT,
    VERB_MIMIC,
    VERB_BENCH,
    VERB_KEY,
    VERB_PACK,
    VERB_INSPECT,
    VERB_ACCEPT,
    VERB_SHELF,
    VERB_TRIALS,
    VERB_HELP,
    VERBS
};
extern const struct verb verbs[VERBS];

enum help_page { PAGE_TOPIC, PAGE_REFERENCE, PAGE_ANNOTATIONS, PAGE_LINT_NAMES, PAGE_COMMAND_LINE };

enum { OPTION_JOBS = 128 };

struct options {
    enum verb_id verb;             /* VERBS: none was named */
    const char *argument, *object; /* the verb's words, NULL = none */
    bool json, quiet, faults, pairs, help, version, no_passphrase, rehearsals, customer;
    enum help_page page;
    const char *bench, *board, *out, *answers, *reason, *control, *from, *as, *key, *notes,
        *licence, *split;                 /* NULL = not given */
    const char *recipe, *outcome, *since; /* of runs list */
    double coupon_j_k;                    /* 0 = not given */
    int32_t draws;
    int jobs; /* 0 = not given */
    int job_count;
    struct recipe_job job[OPTION_JOBS]; /* what --found, --photo and their like filled in */
    struct rehearse_setup setup; /* what --set, --seed, --serial, --fault and --until filled in */
};

/* 0, or TL_USAGE with the sentence. `json` is right even then, for it says how to tell. */
int options_parse(int argc, char *const argv[], struct options *options, struct tl_error *error);

/* Names for "did you mean", NULL-terminated. */
extern const char *const verb_names[VERBS + 1];

void options_write_usage(FILE *out);
void options_write_verb(FILE *out, enum verb_id verb);
void options_write_reference(FILE *out); /* docs/reference/command-line.md */

#endif
