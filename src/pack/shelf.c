/* SPDX-License-Identifier: MIT */
#include "tinlatch/shelf.h"

#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "tinlatch/bytes.h"

static const char pack_ending[] = ".tinlatch", key_ending[] = ".pub";
enum { SEEN_BYTES = 1 << 20 };

static int path_of(const char *folder, const char *name, const char *ending, char out[FILE_PATH],
                   struct tl_error *error)
{
    int n = snprintf(out, FILE_PATH, "%s/%s%s", folder, name, ending);
    if (n > 0 && n < FILE_PATH)
        return 0;
    tl_error_set(error, TL_FILE, "%s", strerror(ENAMETOOLONG));
    tl_error_at(error, folder, 0);
    return TL_FILE;
}

/* ---- a folder ---------------------------------------------------------------------------------- */

/* The part of a file's name before its ending, when it has that ending and is a name of ours. */
static bool stem_of(const char *file, const char *ending, char stem[PACK_NAME])
{
    size_t length = strlen(file), tail = strlen(ending);
    if (length <= tail || length - tail >= PACK_NAME || strcmp(file + length - tail, ending) != 0)
        return false;
    memcpy(stem, file, length - tail);
    stem[length - tail] = '\0';
    return pack_name_fits(stem);
}

static int by_name(const struct dirent **a, const struct dirent **b)
{
    return strcmp((*a)->d_name, (*b)->d_name); /* the same order in any locale */
}

/* `each` returns 0 to go on. */
static int folder_each(const char *folder, const char *ending,
                       int (*each)(void *context, const char *name), void *context,
                       struct tl_error *error)
{
    struct dirent **entries;
    char stem[PACK_NAME];
    int failed = 0, count = scandir(folder, &entries, NULL, by_name);
    if (count < 0 && errno == ENOENT)
        return 0;
    if (count < 0) {
        tl_error_set(error, TL_FILE, "%s", strerror(errno));
        tl_error_at(error, folder, 0);
        return TL_FILE;
    }
    for (int i = 0; i < count; i++) {
        if (!failed && stem_of(entries[i]->d_name, ending, stem))
            failed = each(context, stem);
        free(entries[i]);
    }
    free(entries);
    return failed;
}

/* ---- whose signatures count -------------------------------------------------------------------- */

struct loading {
    const char *folder;
    struct ring *ring;
    struct tl_error *error;
};

static int load_key(void *context, const char *name)
{
    struct loading *l = context;
    struct ring_key *to = &l->ring->key[l->ring->count];
    char path[FILE_PATH], *text;
    size_t length;
    if (l->ring->count == RING_KEYS) {
        tl_error_set(l->error, TL_FULL, "more than %d keys", RING_KEYS);
        tl_error_at(l->error, l->folder, 0);
        return TL_FULL;
    }
    if (path_of(l->folder, name, key_ending, path, l->error) ||
        file_read(path, SIGN_TEXT, &text, &length, l->error))
        return TL_FILE;
    snprintf(to->name, sizeof to->name, "%s", name);
    int failed = sign_public_read(text, length, &to->key, l->error);
    free(text);
    if (failed)
        tl_error_at(l->error, path, 0);
    else
        l->ring->count++;
    return failed;
}

int ring_load(const char *folder, struct ring *ring, struct tl_error *error)
{
    struct loading loading = {folder, ring, error};
    ring->count = 0;
    return folder_each(folder, key_ending, load_key, &loading, error);
}

const struct ring_key *ring_find(const struct ring *ring, const struct sign_public *key)
{
    for (int i = 0; i < ring->count; i++)
        if (sign_same(&ring->key[i].key, key))
            return &ring->key[i];
    return NULL;
}

const struct ring_key *ring_named(const struct ring *ring, const char *name)
{
    for (int i = 0; i < ring->count; i++)
        if (strcmp(ring->key[i].name, name) == 0)
            return &ring->key[i];
    return NULL;
}

const struct ring_key *ring_namesake(const struct ring *ring, const struct sign_public *key)
{
    for (int i = 0; i < ring->count; i++)
        if (memcmp(ring->key[i].key.id, key->id, sizeof key->id) == 0 &&
            !sign_same(&ring->key[i].key, key))
            return &ring->key[i];
    return NULL;
}

int ring_add(const char *folder, const char *name, const struct sign_public *key,
             struct tl_error *error)
{
    char path[FILE_PATH], base64[SIGN_KEY], text[SIGN_TEXT];
    sign_public_write(key, base64);
    int n = snprintf(text, sizeof text, "untrusted comment: tinlatch public key of %s\n%s\n", name,
                     base64);
    return path_of(folder, name, key_ending, path, error)
               ? TL_FILE
               : file_write(path, 0644, text, (size_t)n, error);
}

/* ---- what was seen ----------------------------------------------------------------------------- */

static int seen_broken(const char *path, int line, struct tl_error *error)
{
    tl_error_set(error, TL_SYNTAX, "expected \"NAME VERSION SHA-256 KEY\"");
    tl_error_at(error, path, line);
    tl_error_hint(error, "it remembers the versions that were accepted; mend the line by hand");
    return TL_SYNTAX;
}

static bool seen_parse(const char *line, struct shelf_seen *seen)
{
    char version[16];
    const char *at = version;
    int64_t number;
    int taken = 0;
    _Static_assert(PACK_NAME == 61 && SIGN_HASH == 65 && SIGN_KEY == 57, "as the widths below");
    if (sscanf(line, "%60s %15s %64s %56s%n", seen->name, version, seen->hash, seen->signer,
               &taken) != 4 ||
        line[taken] != '\0' || bytes_read_int(&at, version + strlen(version), &number) || *at ||
        number < 1 || number > INT32_MAX)
        return false;
    seen->version = (int32_t)number;
    return pack_name_fits(seen->name);
}

/* The whole of `seen`; *text is NULL when there is none yet. */
static int seen_read(const char *path, char **text, struct tl_error *error)
{
    size_t length;
    *text = NULL;
    if (access(path, F_OK) != 0 && errno == ENOENT)
        return 0;
    return file_read(path, SEEN_BYTES, text, &length, error);
}

/* Copies every line but that of `name` to `rest` (may be NULL); *found is that one. */
static int seen_walk(const char *path, char *text, const char *name, struct shelf_seen *found,
                     bool *is_found, FILE *rest, struct tl_error *error)
{
    int number = 0;
    char *save = NULL;
    *is_found = false;
    for (char *line = text ? strtok_r(text, "\n", &save) : NULL; line;
         line = strtok_r(NULL, "\n", &save)) {
        struct shelf_seen seen;
        number++;
        if (!seen_parse(line, &seen))
            return seen_broken(path, number, error);
        if (strcasecmp(seen.name, name) == 0) {
            *found = seen;
            *is_found = true;
        } else if (rest) {
            fprintf(rest, "%s\n", line);
        }
    }
    return 0;
}

int shelf_compare(const char *folder, const struct pack *pack, enum shelf_answer *answer,
                  struct shelf_seen *seen, struct tl_error *error)
{
    char path[FILE_PATH], signer[SIGN_KEY], *text;
    bool found;
    if (path_of(folder, "seen", "", path, error) || seen_read(path, &text, error))
        return TL_FILE;
    int failed = seen_walk(path, text, pack->name, seen, &found, NULL, error);
    free(text);
    sign_public_write(&pack->signer, signer);
    if (!found)
        *answer = SHELF_NEW;
    else if (seen->version > pack->version)
        *answer = SHELF_OLDER;
    else if (seen->version == pack->version)
        *answer = strcmp(seen->hash, pack->hash) == 0 ? SHELF_SAME : SHELF_OTHER;
    else
        *answer = strcmp(seen->signer, signer) == 0 ? SHELF_NEWER : SHELF_SIGNER;
    return failed;
}

static int remember(const char *folder, const struct pack *pack, struct tl_error *error)
{
    char path[FILE_PATH], signer[SIGN_KEY], *text, *again = NULL;
    struct shelf_seen seen;
    size_t length = 0;
    bool found;
    if (path_of(folder, "seen", "", path, error) || seen_read(path, &text, error))
        return TL_FILE;
    FILE *out = open_memstream(&again, &length);
    int failed = out ? seen_walk(path, text, pack->name, &seen, &found, out, error)
                     : tl_error_set(error, TL_SYSTEM, "out of memory");
    free(text);
    if (!out)
        return failed;
    sign_public_write(&pack->signer, signer);
    fprintf(out, "%s %d %s %s\n", pack->name, (int)pack->version, pack->hash, signer);
    if (fclose(out) != 0 && !failed)
        failed = tl_error_set(error, TL_SYSTEM, "out of memory");
    if (!failed)
        failed = file_write(path, 0644, again, length, error);
    free(again);
    return failed;
}

/* ---- what lies there ---------------------------------------------------------------------------- */

int shelf_path(const char *folder, const char *name, char out[FILE_PATH], struct tl_error *error)
{
    return path_of(folder, name, pack_ending, out, error);
}

/* Seen first: a pack that is there and was never seen could be followed by an older one. */
int shelf_put(const char *folder, const struct pack *pack, const char *text, size_t length,
              struct tl_error *error)
{
    char path[FILE_PATH];
    int failed = shelf_path(folder, pack->name, path, error);
    if (!failed)
        failed = remember(folder, pack, error);
    return failed ? failed : file_write(path, 0644, text, length, error);
}

int shelf_remove(const char *folder, const char *name, struct tl_error *error)
{
    char path[FILE_PATH];
    if (shelf_path(folder, name, path, error))
        return TL_FILE;
    if (unlink(path) == 0)
        return 0;
    tl_error_set(error, TL_FILE, "%s", strerror(errno));
    tl_error_at(error, path, 0);
    return TL_FILE;
}

struct naming {
    void (*each)(void *context, const char *name);
    void *context;
};

static int name_one(void *context, const char *name)
{
    struct naming *naming = context;
    naming->each(naming->context, name);
    return 0;
}

int shelf_each(const char *folder, void (*each)(void *context, const char *name), void *context,
               struct tl_error *error)
{
    struct naming naming = {each, context};
    return folder_each(folder, pack_ending, name_one, &naming, error);
}
