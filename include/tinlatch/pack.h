/* SPDX-License-Identifier: MIT */
/* pack - a recipe with all that it needs, as one signed text file: docs/reference/pack.md has its form.
 *
 * Ownership  a pack that was read points into the caller's text; what pack_write returns is the caller's to free.
 * Never      runs anything, opens a file, or parses what it has not verified: pack_read looks at the first two lines
 *            (the form, the key) and the last four (the signature) before anything else.
 * Fails      TL_BAD: not a pack, not signed, damaged or forged; TL_RANGE, TL_FULL, TL_MISSING: signed, but against the
 *            rules of the form. *error says which, with the line.
 * Units      bytes. */
#ifndef TINLATCH_PACK_H
#define TINLATCH_PACK_H

#include <stddef.h>
#include <stdint.h>

#include "tinlatch/err.h"
#include "tinlatch/sign.h"

enum {
    PACK_BYTES = 2 << 20, /* of the whole file */
    PACK_PARTS = 64,
    PACK_NAME = 61,       /* of a recipe or a part, with its NUL */
    PACK_VALUE = 161,     /* of a line of the manifest */
};

/* In the order in which they stand in the file. One recipe and one board; at most one each of the last three. */
enum pack_kind { PACK_RECIPE, PACK_BOARD, PACK_MODULE, PACK_NOTES, PACK_LICENCE, PACK_EVIDENCE, PACK_KINDS };

struct pack_part {
    enum pack_kind kind;
    char name[PACK_NAME]; /* a file name: letters, digits, "_", "-", "."; no two alike but for their case */
    const char *text;
    size_t length;
};

struct pack {
    struct sign_public signer;
    char name[PACK_NAME];
    int32_t version, api; /* from 1 */
    char title[PACK_VALUE], board[PACK_VALUE], revision[PACK_VALUE], alloys[PACK_VALUE]; /* "-": none is stated */
    int part_count;
    struct pack_part part[PACK_PARTS];
    size_t signed_length;  /* of the text: what the signature is over */
    char hash[SIGN_HASH];  /* SHA-256 of these bytes: two packs with the same are the same */
};

const char *pack_kind_name(enum pack_kind kind); /* "recipe" */
const struct pack_part *pack_part_of(const struct pack *pack, enum pack_kind kind); /* the first; NULL = none */

/* Is `name` fit for a recipe or a part? */
bool pack_name_fits(const char *name);

/* Does the text begin like a pack? Says nothing of what it is worth. */
bool pack_begins(const char *text, size_t length);

/* Lay out and sign. `signer`, `signed_length` and `hash` of the pack are not looked at. */
int pack_write(const struct pack *pack, const struct sign_secret *secret, char **text, size_t *length,
               struct tl_error *error);

/* Verify against the key that the file itself names, then parse. Whether that key is to be trusted is another
 * question, and not this one's. */
int pack_read(const char *text, size_t length, struct pack *pack, struct tl_error *error);

#endif
