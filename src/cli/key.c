/* SPDX-License-Identifier: MIT */
/* `key`: this bench's own keys, and those of others whose signatures count here. */
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "cli_private.h"
#include "key.h"
#include "passphrase.h"
#include "paths.h"
#include "tinlatch/file.h"
#include "tinlatch/shelf.h"

static const char secret_ending[] = ".key";

static int check_name(const char *name, struct tl_error *error)
{
    if (pack_name_fits(name))
        return 0;
    tl_error_set(error, TL_USAGE, "\"%s\" is no name for a key", name);
    tl_error_hint(error, "up to %d letters, digits, \"_\", \"-\" and \".\"", PACK_NAME - 1);
    return TL_USAGE;
}

static int secret_path(const char *name, char out[PATH_SIZE + PACK_NAME + 8],
                       struct tl_error *error)
{
    char folder[PATH_SIZE];
    int failed = paths_keys(folder, error);
    if (!failed)
        snprintf(out, PATH_SIZE + PACK_NAME + 8, "%s/%s%s", folder, name, secret_ending);
    return failed;
}

/* ---- new ---------------------------------------------------------------------------------------- */

static int choose_passphrase(FILE *err, char out[SIGN_PASSPHRASE], struct tl_error *error)
{
    char again[SIGN_PASSPHRASE];
    bool asks = isatty(fileno(stdin));
    int failed = passphrase_read(err, "passphrase for the new key", out, error);
    if (failed == TL_MISSING)
        tl_error_hint(error, "type one, give one on standard input, or say --no-passphrase");
    if (failed || !asks)
        return failed;
    failed = passphrase_read(err, "the same once more", again, error);
    if (!failed && strcmp(out, again) != 0)
        failed = tl_error_set(error, TL_RANGE, "these were two different passphrases");
    return failed;
}

static int make_key(struct cli *cli, const char *name, struct tl_error *error)
{
    char folder[PATH_SIZE], path[PATH_SIZE + PACK_NAME + 8],
        passphrase[SIGN_PASSPHRASE] = "", text[SIGN_TEXT], id[SIGN_ID], base64[SIGN_KEY];
    bool plain = cli->options.no_passphrase;
    struct sign_secret secret;
    int failed = check_name(name, error);
    if (!failed)
        failed = secret_path(name, path, error);
    if (!failed && access(path, F_OK) == 0)
        failed = tl_error_set(error, TL_USAGE, "there is a key \"%s\" already: %s", name, path);
    if (!failed && !plain)
        failed = choose_passphrase(cli->err, passphrase, error);
    if (!failed)
        failed = sign_new(&secret, error);
    if (failed)
        return failed;
    failed = sign_secret_write(&secret, plain ? NULL : passphrase, text, error);
    if (!failed)
        failed = file_write(path, 0600, text, strlen(text), error);
    if (!failed)
        failed = paths_keys(folder, error);
    if (!failed)
        failed = ring_add(folder, name, &secret.public, error);
    sign_id(secret.public.id, id);
    sign_public_write(&secret.public, base64);
    sign_forget(&secret);
    explicit_bzero(passphrase, sizeof passphrase);
    if (failed)
        return failed;
    fprintf(cli->out,
            "key %s (%s) is made\n  secret  %s\n          keep it, and a copy off this computer\n"
            "  public  %s\n          give this to others: tinlatch key trust\n",
            name, id, path, base64);
    return 0;
}

/* ---- trust, drop, list, show ---------------------------------------------------------------------- */

/* "friends/ann.pub" -> "ann" */
static int name_of_file(const char *file, char out[PACK_NAME], struct tl_error *error)
{
    const char *slash = strrchr(file, '/'), *base = slash ? slash + 1 : file;
    size_t length = strlen(base);
    if (length > 4 && strcmp(base + length - 4, ".pub") == 0)
        length -= 4;
    if (length < PACK_NAME) {
        memcpy(out, base, length);
        out[length] = '\0';
        if (pack_name_fits(out))
            return 0;
    }
    tl_error_set(error, TL_USAGE, "whose key is this?");
    tl_error_hint(error, "--as NAME says what that person is called here");
    return TL_USAGE;
}

/* A file's, or the key itself. */
static int read_public(const char *given, struct sign_public *key, bool *is_file,
                       struct tl_error *error)
{
    char *text;
    size_t length;
    *is_file = false;
    if (sign_public_read(given, strlen(given), key, NULL) == 0)
        return 0;
    *is_file = true;
    int failed = file_read(given, SIGN_TEXT, &text, &length, error);
    if (failed)
        return failed;
    failed = sign_public_read(text, length, key, error);
    if (failed)
        tl_error_at(error, given, 0);
    free(text);
    return failed;
}

static int find_trusted(char folder[PATH_SIZE], struct ring *ring, struct tl_error *error)
{
    int failed = paths_trusted(folder, error);
    return failed ? failed : ring_load(folder, ring, error);
}

static int refuse_taken(const struct ring_key *taken, const char *what, struct tl_error *error)
{
    char id[SIGN_ID];
    sign_id(taken->key.id, id);
    tl_error_set(error, TL_USAGE, "%s: %s (%s)", what, taken->name, id);
    tl_error_hint(error, "tinlatch key drop %s takes that one away first", taken->name);
    return TL_USAGE;
}

static int trust(struct cli *cli, const char *given, struct tl_error *error)
{
    static struct ring ring;
    char folder[PATH_SIZE], name[PACK_NAME] = "", id[SIGN_ID];
    struct sign_public key;
    bool is_file;
    int failed = read_public(given, &key, &is_file, error);
    if (!failed && cli->options.as)
        failed = check_name(cli->options.as, error);
    if (!failed && cli->options.as)
        snprintf(name, sizeof name, "%s", cli->options.as);
    else if (!failed)
        failed = name_of_file(is_file ? given : "/", name, error);
    if (!failed)
        failed = find_trusted(folder, &ring, error);
    if (!failed && ring_find(&ring, &key))
        failed = refuse_taken(ring_find(&ring, &key), "this key is trusted already", error);
    if (!failed && ring_namesake(&ring, &key))
        failed =
            refuse_taken(ring_namesake(&ring, &key),
                         "another key with the same id is trusted: ask both for new ones", error);
    if (!failed && ring_named(&ring, name))
        failed = refuse_taken(ring_named(&ring, name), "that name has another key", error);
    if (!failed)
        failed = ring_add(folder, name, &key, error);
    sign_id(key.id, id);
    if (!failed)
        fprintf(cli->out, "what %s signs with key %s is trusted from now on\n", name, id);
    return failed;
}

static int drop(struct cli *cli, const char *name, struct tl_error *error)
{
    static struct ring ring;
    char folder[PATH_SIZE], path[PATH_SIZE + PACK_NAME + 8];
    int failed = find_trusted(folder, &ring, error);
    if (failed)
        return failed;
    const struct ring_key *key = ring_named(&ring, name);
    if (!key) {
        tl_error_set(error, TL_USAGE, "no trusted key is called \"%s\"", name);
        tl_error_hint(error, "tinlatch key list shows them");
        return TL_USAGE;
    }
    snprintf(path, sizeof path, "%s/%s.pub", folder, key->name);
    if (unlink(path) != 0) {
        tl_error_set(error, TL_FILE, "%s", strerror(errno));
        tl_error_at(error, path, 0);
        return TL_FILE;
    }
    fprintf(cli->out,
            "%s is not trusted any more; what was accepted from them stays on the shelf and is not "
            "run\n",
            name);
    return 0;
}

static void write_keys(struct cli *cli, const struct ring *ring, const char *what)
{
    for (int i = 0; i < ring->count; i++) {
        char id[SIGN_ID], base64[SIGN_KEY];
        sign_id(ring->key[i].key.id, id);
        sign_public_write(&ring->key[i].key, base64);
        fprintf(cli->out, "%-8s %-20s %s  %s\n", what, ring->key[i].name, id, base64);
    }
}

static int list(struct cli *cli, struct tl_error *error)
{
    static struct ring own, trusted;
    char folder[PATH_SIZE];
    int failed = paths_keys(folder, error);
    if (!failed)
        failed = ring_load(folder, &own, error);
    if (!failed)
        failed = find_trusted(folder, &trusted, error);
    if (failed)
        return failed;
    write_keys(cli, &own, "own");
    write_keys(cli, &trusted, "trusted");
    if (own.count + trusted.count == 0)
        fputs("no keys: tinlatch key new NAME makes one, tinlatch key trust FILE takes another's\n",
              cli->out);
    return 0;
}

/* The public key's file of one's own key: to be sent. */
static int show(struct cli *cli, const char *name, struct tl_error *error)
{
    static struct ring own;
    char folder[PATH_SIZE], base64[SIGN_KEY];
    int failed = paths_keys(folder, error);
    if (!failed)
        failed = ring_load(folder, &own, error);
    if (failed)
        return failed;
    const struct ring_key *key = ring_named(&own, name);
    if (!key)
        return key_missing(&own, name, error);
    sign_public_write(&key->key, base64);
    fprintf(cli->out, "untrusted comment: tinlatch public key of %s\n%s\n", key->name, base64);
    return 0;
}

/* ---- for pack ------------------------------------------------------------------------------------ */

int key_missing(const struct ring *own, const char *name, struct tl_error *error)
{
    tl_error_set(error, TL_USAGE, "there is no own key \"%s\"", name);
    if (own->count)
        tl_error_hint(error, "tinlatch key list shows them");
    else
        tl_error_hint(error, "tinlatch key new %s makes it", name);
    return TL_USAGE;
}

/* The one that was named, else the only one. */
static int choose_own(const char *given, char name[PACK_NAME], struct tl_error *error)
{
    static struct ring own;
    char folder[PATH_SIZE];
    int failed = paths_keys(folder, error);
    if (!failed)
        failed = ring_load(folder, &own, error);
    if (failed)
        return failed;
    if (given && !ring_named(&own, given))
        return key_missing(&own, given, error);
    if (!given && own.count != 1) {
        tl_error_set(error, TL_USAGE,
                     own.count ? "which key is to sign?" : "there is no key to sign with");
        tl_error_hint(error, own.count ? "--key NAME; tinlatch key list shows them"
                                       : "tinlatch key new NAME makes one");
        return TL_USAGE;
    }
    snprintf(name, PACK_NAME, "%s", given ? given : own.key[0].name);
    return 0;
}

int key_open(struct cli *cli, struct sign_secret *secret, struct tl_error *error)
{
    char name[PACK_NAME], path[PATH_SIZE + PACK_NAME + 8], passphrase[SIGN_PASSPHRASE] = "", *text;
    char prompt[PACK_NAME + 32];
    size_t length;
    int failed = choose_own(cli->options.key, name, error);
    if (!failed)
        failed = secret_path(name, path, error);
    if (!failed)
        failed = file_read(path, SIGN_TEXT, &text, &length, error);
    if (failed)
        return failed;
    bool encrypted = sign_secret_is_encrypted(text, length);
    snprintf(prompt, sizeof prompt, "passphrase of key %s", name);
    if (encrypted)
        failed = passphrase_read(cli->err, prompt, passphrase, error);
    if (!failed)
        failed = sign_secret_read(text, length, encrypted ? passphrase : NULL, secret, error);
    if (failed)
        tl_error_at(error, path, 0);
    explicit_bzero(passphrase, sizeof passphrase);
    explicit_bzero(text, length);
    free(text);
    return failed;
}

/* ---- the verb ------------------------------------------------------------------------------------- */

static int dispatch(struct cli *cli, struct tl_error *error)
{
    static const struct {
        const char *word, *wants;
        int (*run)(struct cli *cli, const char *object, struct tl_error *error);
    } parts[] = {{"new", "NAME", make_key},
                 {"show", "NAME", show},
                 {"trust", "FILE, or the key itself", trust},
                 {"drop", "NAME", drop}};
    const char *word = cli->options.argument, *object = cli->options.object;
    if (strcmp(word, "list") == 0 && !object)
        return list(cli, error);
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++)
        if (strcmp(word, parts[i].word) == 0)
            return object ? parts[i].run(cli, object, error)
                          : tl_error_set(error, TL_USAGE, "key %s needs %s", word, parts[i].wants);
    tl_error_set(error, TL_USAGE,
                 "key: expected new NAME, show NAME, trust FILE, drop NAME or list");
    tl_error_token(error, word);
    return TL_USAGE;
}

enum outcome verb_key(struct cli *cli)
{
    struct tl_error error = {0};
    return dispatch(cli, &error) ? cli_refuse(cli, &error, NULL, 0) : RUN_DONE;
}
