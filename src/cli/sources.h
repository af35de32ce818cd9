/* SPDX-License-Identifier: MIT */
/* sources - a verb's bench file, and what its RECIPE stands for: a .lua file with what lies beside it, a pack, or the
 * name of a recipe on the shelf. Read once; the same bytes are verified, rehearsed and run. */
#ifndef TINLATCH_CLI_SOURCES_H
#define TINLATCH_CLI_SOURCES_H

#include "paths.h"
#include "tinlatch/benchfile.h"
#include "tinlatch/recipe.h"
#include "tinlatch/shelf.h"

struct bench_source {
    char path[PATH_SIZE];
    bool is_demo;
    char *text; /* free it */
    size_t length;
    struct benchfile bench;
};

/* The one that was given, else the default one. */
int sources_bench(struct bench_source *source, const char *given, const char *share,
                  struct tl_error *error);

/* FROM_SHELF: a pack counts only as it lies on the shelf. FROM_FRIENDS: any whose signer is trusted. */
enum sources_from { FROM_SHELF, FROM_FRIENDS };

/* TL_TRUST: a pack that is not to be used so, *error says what to do. */
int sources_find(struct source_set *set, const char *recipe, const char *board, const char *share,
                 enum sources_from from, struct tl_error *error);

/* The parts of a pack that are run. */
int sources_of_pack(struct source_set *set, const struct pack *pack, const char *share,
                    struct tl_error *error);

/* A pack's file, verified; *text is the caller's to free, and the pack points into it. */
int sources_read_pack(const char *path, char **text, struct pack *pack, struct tl_error *error);

/* The keys that are trusted here, and this bench's own. */
int sources_ring(struct ring *ring, struct tl_error *error);

#endif
