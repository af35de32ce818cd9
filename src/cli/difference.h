/* SPDX-License-Identifier: MIT */
#ifndef TINLATCH_CLI_DIFFERENCE_H
#define TINLATCH_CLI_DIFFERENCE_H

#include <stddef.h>
#include <stdio.h>

struct difference {
    int added, removed; /* lines */
};

/* The lines that went and came, "-" and "+" in front, `most` of them; then how many more. Texts of more than 3000
 * lines are counted as wholly changed. */
struct difference difference_write(const char *before, size_t before_length, const char *after,
                                   size_t after_length, int most, FILE *out);

#endif
