/* SPDX-License-Identifier: MIT */
/* shelf - whose signatures count here, and the packs that were accepted. Both are plain folders of text files that a
 * team can keep in git: NAME.pub per person; NAME.tinlatch per recipe, and `seen`, a line per recipe with the highest
 * version that ever stood there.
 *
 * Ownership  plain values in the caller's storage.
 * Never      takes a name from a pack for a path before pack_name_fits has judged it.
 * Fails      TL_FILE: a folder or file cannot be read or written; TL_SYNTAX: one does not hold what it should, with its
 *            line. A folder that is not there is empty.
 * Units      none. */
#ifndef TINLATCH_SHELF_H
#define TINLATCH_SHELF_H

#include "tinlatch/file.h"
#include "tinlatch/pack.h"

enum { RING_KEYS = 128 };

struct ring_key {
    char name[PACK_NAME]; /* the file's, without .pub: what the owner of this bench calls that person */
    struct sign_public key;
};

struct ring {
    int count;
    struct ring_key key[RING_KEYS]; /* by name */
};

/* The keys of a folder. */
int ring_load(const char *folder, struct ring *ring, struct tl_error *error);
const struct ring_key *ring_find(const struct ring *ring, const struct sign_public *key); /* NULL: unknown */
const struct ring_key *ring_named(const struct ring *ring, const char *name);
/* A key that has the same id and is another: ids are free to choose, so somebody did. NULL: none. */
const struct ring_key *ring_namesake(const struct ring *ring, const struct sign_public *key);
int ring_add(const char *folder, const char *name, const struct sign_public *key, struct tl_error *error);

/* A line of `seen`. */
struct shelf_seen {
    char name[PACK_NAME];
    int32_t version;
    char hash[SIGN_HASH], signer[SIGN_KEY];
};

enum shelf_answer {
    SHELF_NEW,    /* never seen here */
    SHELF_NEWER,  /* than what was seen */
    SHELF_SAME,   /* byte for byte */
    SHELF_OLDER,  /* an old version, or one that was withdrawn */
    SHELF_OTHER,  /* the same version, and not the same bytes */
    SHELF_SIGNER, /* newer, but signed by another key than before */
};

/* How a pack stands to what was seen under its name, upper and lower case alike; *seen is that line where
 * there is one. */
int shelf_compare(const char *folder, const struct pack *pack, enum shelf_answer *answer,
                  struct shelf_seen *seen, struct tl_error *error);
/* Keep it, and remember that it was seen. `text` is the whole file. */
int shelf_put(const char *folder, const struct pack *pack, const char *text, size_t length,
              struct tl_error *error);
/* The pack goes; that it was seen stays. */
int shelf_remove(const char *folder, const char *name, struct tl_error *error);
/* Where a recipe of that name lies, whether it is there or not. */
int shelf_path(const char *folder, const char *name, char out[FILE_PATH], struct tl_error *error);

/* Calls `each` with the names of what lies there, sorted. */
int shelf_each(const char *folder, void (*each)(void *context, const char *name), void *context,
               struct tl_error *error);

#endif
