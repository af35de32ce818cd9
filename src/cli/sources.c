/* SPDX-License-Identifier: MIT */
#include "sources.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "paths.h"
#include "tinlatch/bytes.h"
#include "tinlatch/file.h"

enum { BENCH_BYTES = 1 << 18 }; /* real ones have a few KiB */

int sources_bench(struct bench_source *source, const char *given, const char *share,
                  struct tl_error *error)
{
    if (given ? paths_given(given, source->path, error)
              : paths_default_bench(share, source->path, &source->is_demo, error))
        return TL_FILE;
    int failed = file_read(source->path, BENCH_BYTES, &source->text, &source->length, error);
    return failed
               ? failed
               : benchfile_parse(source->path, source->text, source->length, &source->bench, error);
}

int sources_ring(struct ring *ring, struct tl_error *error)
{
    char folder[PATH_SIZE];
    struct ring *own = malloc(sizeof *own);
    int failed = own ? paths_keys(folder, error) : tl_error_set(error, TL_SYSTEM, "out of memory");
    if (!failed)
        failed = ring_load(folder, own, error);
    if (!failed)
        failed = paths_trusted(folder, error);
    if (!failed)
        failed = ring_load(folder, ring, error);
    for (int i = 0; !failed && i < own->count && ring->count < RING_KEYS; i++)
        ring->key[ring->count++] = own->key[i];
    free(own);
    return failed;
}

int sources_read_pack(const char *path, char **text, struct pack *pack, struct tl_error *error)
{
    size_t length;
    int failed = file_read(path, PACK_BYTES, text, &length, error);
    if (failed)
        return failed;
    failed = pack_read(*text, length, pack, error);
    if (!failed)
        return 0;
    tl_error_at(error, path, error ? error->line : 0);
    free(*text);
    return failed;
}

int sources_of_pack(struct source_set *set, const struct pack *pack, const char *share,
                    struct tl_error *error)
{
    static const enum source_from from[] = {
        [PACK_RECIPE] = SOURCE_RECIPE, [PACK_BOARD] = SOURCE_BOARD, [PACK_MODULE] = SOURCE_BESIDE};
    struct source_text texts[PACK_PARTS];
    int count = 0;
    for (int i = 0; i < pack->part_count; i++) {
        const struct pack_part *part = &pack->part[i];
        if (part->kind <= PACK_MODULE)
            texts[count++] =
                (struct source_text){part->name, from[part->kind], part->text, part->length};
    }
    return source_take(set, texts, count, share, error);
}

static void put(struct run_source *told, enum run_source_id id, const char *text)
{
    bytes_copy_text(told->text[id], sizeof told->text[id], text);
}

/* *told: by whom it is signed. */
static int check_signer(const struct pack *pack, struct run_source *told, struct tl_error *error)
{
    struct ring *ring = malloc(sizeof *ring);
    int failed = ring ? sources_ring(ring, error) : tl_error_set(error, TL_SYSTEM, "out of memory");
    const struct ring_key *key = failed ? NULL : ring_find(ring, &pack->signer);
    if (key) {
        put(told, RUN_SIGNER, key->name);
        sign_id(key->key.id, told->text[RUN_KEY]);
    } else if (!failed) {
        failed = tl_error_set(error, TL_TRUST, "%s %d is signed by a key that is not trusted here",
                              pack->name, (int)pack->version);
        tl_error_hint(error, "tinlatch inspect FILE shows what it does and whose key that is");
    }
    free(ring);
    return failed;
}

static int check_shelved(const struct pack *pack, struct tl_error *error)
{
    char folder[PATH_SIZE];
    enum shelf_answer answer;
    struct shelf_seen seen;
    int failed = paths_shelf(folder, error);
    if (!failed)
        failed = shelf_compare(folder, pack, &answer, &seen, error);
    if (failed || answer == SHELF_SAME)
        return failed;
    if (answer == SHELF_OLDER || answer == SHELF_OTHER)
        tl_error_set(error, TL_TRUST, "%s %d is %s version %d that was accepted here", pack->name,
                     (int)pack->version, answer == SHELF_OLDER ? "older than" : "not the",
                     (int)seen.version);
    else
        tl_error_set(error, TL_TRUST, "%s %d was not accepted here", pack->name,
                     (int)pack->version);
    tl_error_hint(error,
                  "tinlatch inspect FILE shows what it does, tinlatch accept FILE puts it on "
                  "the shelf");
    return TL_TRUST;
}

/* Of the recipe itself; its text begins behind the mark that some editors set. */
static void tell_recipe(struct source_set *set)
{
    const struct source_file *recipe = &set->file[0];
    sign_sha256(set->store, (size_t)(recipe->text - set->store) + recipe->length,
                set->told.text[RUN_SHA256]);
}

static void tell_pack(const struct pack *pack, enum sources_from from, struct run_source *told)
{
    put(told, RUN_PACK, pack->name);
    snprintf(told->text[RUN_PACK_VERSION], sizeof told->text[RUN_PACK_VERSION], "%d",
             (int)pack->version);
    put(told, RUN_PACK_SHA256, pack->hash);
    put(told, RUN_CHECKED, from == FROM_SHELF ? "shelf" : "signature");
}

static int take_pack(struct source_set *set, const char *path, const char *board, const char *share,
                     enum sources_from from, struct tl_error *error)
{
    struct pack *pack = malloc(sizeof *pack);
    struct run_source told = {0};
    char *text = NULL;
    int failed = pack ? 0 : tl_error_set(error, TL_SYSTEM, "out of memory");
    if (!failed && board)
        failed = tl_error_set(error, TL_USAGE, "--board: a pack brings its own board file");
    if (!failed)
        failed = sources_read_pack(path, &text, pack, error);
    if (!failed) {
        failed = check_signer(pack, &told, error);
        if (!failed && from == FROM_SHELF)
            failed = check_shelved(pack, error);
        if (failed)
            tl_error_at(error, path, 0);
        if (!failed)
            failed = sources_of_pack(set, pack, share, error);
        if (!failed) {
            tell_pack(pack, from, &told);
            set->told = told;
            tell_recipe(set);
        }
        free(text);
    }
    free(pack);
    return failed;
}

/* The name of a recipe that lies on the shelf: only where no file of that name is meant. */
static bool on_shelf(const char *recipe, char path[FILE_PATH])
{
    char folder[PATH_SIZE];
    return pack_name_fits(recipe) && access(recipe, F_OK) != 0 && errno == ENOENT &&
           paths_shelf(folder, NULL) == 0 && shelf_path(folder, recipe, path, NULL) == 0 &&
           access(path, F_OK) == 0;
}

static bool is_there(const char *path)
{
    return access(path, F_OK) == 0;
}

/* --board hx230: as the header would name it, beside the recipe or among those shipped. A file of that name comes first. */
static const char *board_named(const char *board, const char *recipe, const char *share,
                               char out[PATH_SIZE])
{
    const char *slash = strrchr(recipe, '/');
    int beside = slash ? (int)(slash - recipe) + 1 : 0, n;
    if (!board || is_there(board) || !pack_name_fits(board))
        return board;
    n = snprintf(out, PATH_SIZE, "%.*sboards/%s.lua", beside, recipe, board);
    if (n > 0 && n < PATH_SIZE && is_there(out))
        return out;
    n = snprintf(out, PATH_SIZE, "%s/recipes/boards/%s.lua", share, board);
    return n > 0 && n < PATH_SIZE && is_there(out) ? out : board;
}

static bool is_pack(const char *path)
{
    char head[64];
    int fd = open(path, O_RDONLY | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
    ssize_t n = fd < 0 ? 0 : read(fd, head, sizeof head);
    if (fd >= 0)
        close(fd);
    return n > 0 && pack_begins(head, (size_t)n);
}

int sources_find(struct source_set *set, const char *recipe, const char *board, const char *share,
                 enum sources_from from, struct tl_error *error)
{
    char path[FILE_PATH];
    if (on_shelf(recipe, path))
        return take_pack(set, path, board, share, FROM_SHELF, error);
    if (is_pack(recipe)) /* one that changes meanwhile fails there */
        return take_pack(set, recipe, board, share, from, error);
    char named[PATH_SIZE];
    int failed = source_load(set, recipe, board_named(board, recipe, share, named), share, error);
    if (!failed)
        tell_recipe(set);
    return failed;
}
