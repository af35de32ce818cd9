/* SPDX-License-Identifier: MIT */
#ifndef TINLATCH_CLI_INSPECT_H
#define TINLATCH_CLI_INSPECT_H

#include "cli_private.h"
#include "sources.h"

/* A pack and what is known here of its signer and its name. */
struct inspected {
    char *text; /* free it */
    size_t length;
    struct pack pack;
    char signer[PACK_NAME];   /* "" = unknown here */
    char namesake[PACK_NAME]; /* whose key has the same id and is another; "" = nobody's */
    enum shelf_answer answer;
    struct shelf_seen seen;
};

/* Read, verify, look up. */
int inspect_load(const char *path, struct inspected *in, struct tl_error *error);
/* What it is, who signed it, how it stands to the shelf. */
void inspect_tell(const struct inspected *in, FILE *out);
/* The whole of `inspect`, of a pack that was loaded. */
enum outcome inspect_whole(struct cli *cli, const struct inspected *in);

#endif
