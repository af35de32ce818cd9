/* SPDX-License-Identifier: MIT */
/* records - the records of this machine: which there are, the one that a person means, its text. */
#ifndef TINLATCH_CLI_RECORDS_H
#define TINLATCH_CLI_RECORDS_H

#include "cli_private.h"
#include "paths.h"
#include "tinlatch/history.h"

/* A record as the person named it: a path, `last`, a name of the list, or a part of it that only one has. */
struct record_file {
    char path[PATH_SIZE];
    char *text; /* free() */
    size_t length;
    bool goes_on; /* its run holds it still */
};
int records_open(struct record_file *file, const char *named, bool rehearsals,
                 struct tl_error *error);

/* What the record at `path` says in its first lines and its last ones. 0, or TL_FILE. */
int records_look(const char *path, struct history_brief *brief);

/* Every record of a directory, the newest first; free(*names). TL_FILE: not all of them can be told; there are none. */
int records_list(const char *directory, char (**names)[256], size_t *count, struct tl_error *error);

/* Remove the oldest records of `directory` beyond the last RECORDS_KEPT; touches no other file. */
enum { RECORDS_KEPT = 50 };
void records_prune(const char *directory);

/* "2026-11-25 08:42", from the record or else its file's name. */
const char *records_when(const struct record_start *start, const char *path, char out[32]);

/* Heat cycles of the board with that serial in the records of runs; TL_FILE: they cannot be counted. */
int records_cycles(const char *serial, struct tl_error *error);

#endif
