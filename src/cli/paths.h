/* SPDX-License-Identifier: MIT */
/* paths - where files are looked for and put: XDG base directories, TINLATCH_HOME above them.
 * Paths are written into the caller's buffers of PATH_SIZE bytes; TL_FILE when one does not fit or
 * cannot be told. */
#ifndef TINLATCH_CLI_PATHS_H
#define TINLATCH_CLI_PATHS_H

#include <stdbool.h>
#include <stddef.h>

#include "tinlatch/err.h"

enum { PATH_SIZE = 1024 };

/* The directory that holds lua/ and recipes/ of this installation or source tree. */
int paths_share(char *out, struct tl_error *error);

/* The file that a mistyped `path` was probably meant to be: beside it, or among those shipped. False if
 * none is near. */
bool paths_nearest(const char *path, const char *share, char *out);

/* The path that a person named. */
int paths_given(const char *given, char *out, struct tl_error *error);

/* Where the configuration directory has its bench file, or would have. */
int paths_own_bench(char *out, struct tl_error *error);

/* That bench file if it is there, else the demo bench. */
int paths_default_bench(const char *share, char *out, bool *is_demo, struct tl_error *error);

/* The directory of the rehearsals' records, made if need be. */
int paths_records(char *out, struct tl_error *error);

/* The directory of the runs' records, which are kept for ever; made if need be. */
int paths_runs(char *out, struct tl_error *error);

/* Whose signatures count, this bench's own keys, and the accepted packs; made if need be. */
int paths_trusted(char *out, struct tl_error *error);
int paths_keys(char *out, struct tl_error *error);
int paths_shelf(char *out, struct tl_error *error);

/* The latch of a trip, and the file that a run keeps locked while it is alive; their directory is made. */
int paths_latch(char *latch, char *alive, struct tl_error *error);

/* The latter opened, made if need be; < 0: it cannot be. */
int paths_open_alive(const char *alive, struct tl_error *error);

/* Add to the open file that keeps runs and a clearing apart that this process holds it. Who does: " (pid 4711, pid 4712)", ""
 * when it is not known. */
enum { HOLDER_SIZE = 128 };
void paths_sign_alive(int fd);
const char *paths_alive_holder(const char *alive, char out[HOLDER_SIZE]);

/* The live program: beside this one, or in libexec beside its directory. */
int paths_guard(char *out, struct tl_error *error);

/* A new record in `directory`: "20261125-084210-stack-split-1.jsonl", a name no other has. Returns
 * its descriptor and writes its path. */
int paths_new_record(const char *directory, const char *recipe, char *out, struct tl_error *error);

/* Could a file of that name be a record? */
bool paths_is_record(const char *name);

/* Make `directory` and the ones above it. */
int paths_make(const char *directory, struct tl_error *error);

#endif
