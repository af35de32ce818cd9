/* SPDX-License-Identifier: MIT */
/* options_private - the tables of options.c, for options_text.c to print. */
#ifndef TINLATCH_CLI_OPTIONS_PRIVATE_H
#define TINLATCH_CLI_OPTIONS_PRIVATE_H

#include "options.h"

/* A TEXT or a FLAG lands in the field of struct options at `at`; a PAGE is what `help` prints;
 * TAKE calls a function that judges the value. */
enum option_kind { OPTION_TEXT, OPTION_FLAG, OPTION_PAGE, OPTION_TAKE };

struct option {
    const char *name;  /* with its dashes */
    const char *value; /* what it is followed by, NULL = nothing */
    unsigned by;       /* bits of verbs */
    bool repeats;
    enum option_kind kind;
    size_t at;
    enum help_page page;
    int (*take)(struct options *options, const char *text, struct tl_error *error);
    const char *help;
};

extern const struct option options_table[];
extern const int option_count;

static inline bool option_taken_by(const struct option *option, enum verb_id verb)
{
    return option->by & 1u << verb;
}

/* A verb that is several: what each of its words takes of the verb's options. */
struct part {
    enum verb_id verb;
    const char *word, *options[8];
};
extern const struct part parts[];
extern const int part_count;

#endif
