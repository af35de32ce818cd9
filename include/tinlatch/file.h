/* SPDX-License-Identifier: MIT */
/* file - a whole small text file into memory and back, for what a person names on the command line.
 *
 * Ownership  *text is the caller's to free.
 * Never      opens anything but a regular file: a pipe or a device would block or never end. Leaves half a file
 *            under the name it was told, whatever fails.
 * Fails      TL_FILE: not there, not readable, not a regular file, longer than `max`, not writable; the
 *            sentence says which, error->file is `path`.
 * Units      bytes. */
#ifndef TINLATCH_FILE_H
#define TINLATCH_FILE_H

#include <stddef.h>

#include "tinlatch/err.h"

enum { FILE_PATH = 1024 }; /* the longest path that is written to, with its NUL */

/* *text holds *length bytes and a NUL behind them. */
int file_read(const char *path, size_t max, char **text, size_t *length, struct tl_error *error);

/* Put these bytes under `path`, in place of what stands there, on disk before it returns. `mode` as of open(2):
 * 0644, or 0600 for what only its owner may read. */
int file_write(const char *path, unsigned mode, const void *bytes, size_t length, struct tl_error *error);

#endif
