/* SPDX-License-Identifier: MIT */
/* part - writes a file whole or not at all. */
#ifndef TINLATCH_CLI_PART_H
#define TINLATCH_CLI_PART_H

#include <stdbool.h>
#include <stdio.h>

#include "tinlatch/err.h"

/* A new file beside `path`, to be put over it: a full disk leaves the last good one. Whatever stands there under
 * the name is taken away first: a pipe would make us wait, a link would lead us elsewhere. */
FILE *part_open(const char *path, char *part, struct tl_error *error); /* part: PATH_SIZE bytes */
int part_close(FILE *to, bool failed, const char *part, const char *path, struct tl_error *error);

#endif
