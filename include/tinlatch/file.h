/* SPDX-License-Identifier: MIT */
/* file - a whole small text file into memory, for what a person names on the command line.
 *
 * Ownership  *text is the caller's to free.
 * Never      opens anything but a regular file: a pipe or a device would block or never end.
 * Fails      TL_FILE: not there, not readable, not a regular file, longer than `max`; the sentence
 *            says which, error->file is `path`.
 * Units      bytes. */
#ifndef TINLATCH_FILE_H
#define TINLATCH_FILE_H

#include <stddef.h>

#include "tinlatch/err.h"

/* *text holds *length bytes and a NUL behind them. */
int file_read(const char *path, size_t max, char **text, size_t *length, struct tl_error *error);

#endif
