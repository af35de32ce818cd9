/* SPDX-License-Identifier: MIT */
#include "tinlatch/sign.h"

#include <sodium.h>
#include <stdio.h>
#include <string.h>

static const char comment_mark[] = "untrusted comment: ", trusted_mark[] = "trusted comment: ";
static const char plain[2] = {'E', 'd'}, prehashed[2] = {'E', 'D'}, scrypt[2] = {'S', 'c'},
                  blake2b[2] = {'B', '2'};

enum {
    PREHASH = 64,
    MEMORY = 64 << 20,     /* scrypt's, in bytes ... */
    WORK = MEMORY / 32,    /* ... and its work for one pass over it */
    MOST_MEMORY = 1 << 30, /* what the standard tool asks for */
};

/* As they lie in the base64. */
struct public_form {
    char algorithm[2];
    uint8_t id[8], key[32];
};
struct secret_form {
    char algorithm[2], stretching[2], checksum[2];
    uint8_t salt[32], work[8], memory[8];
    struct hidden {
        uint8_t id[8], key[64], check[32];
    } hidden; /* combined with the stretched passphrase */
};
struct signature_form {
    char algorithm[2];
    uint8_t id[8], of_bytes[64];
};
_Static_assert(sizeof(struct public_form) == 42, "no padding");
_Static_assert(sizeof(struct secret_form) == 158, "no padding");
_Static_assert(sizeof(struct signature_form) == 74, "no padding");

static bool ready(struct tl_error *error)
{
    if (sodium_init() >= 0)
        return true;
    tl_error_set(error, TL_SYSTEM, "libsodium does not start: no source of random bytes");
    return false;
}

/* ---- lines and base64 ------------------------------------------------------------------------- */

struct line {
    const char *at;
    size_t length;
};

/* The next line of the text, without its end; false when there is none. */
static bool next_line(const char **at, const char *end, struct line *line)
{
    if (*at >= end)
        return false;
    const char *stop = memchr(*at, '\n', (size_t)(end - *at));
    *line = (struct line){*at, (size_t)((stop ? stop : end) - *at)};
    *at = stop ? stop + 1 : end;
    return true;
}

static bool begins(const struct line *line, const char *with)
{
    return line->length >= strlen(with) && memcmp(line->at, with, strlen(with)) == 0;
}

/* Exactly `size` bytes in the one proper spelling: what decodes the same must read the same. */
static bool read_base64(const struct line *line, void *out, size_t size)
{
    char again[SIGN_TEXT];
    size_t got;
    const char *end;
    if (line->length >= sizeof again ||
        sodium_base642bin(out, size, line->at, line->length, NULL, &got, &end,
                          sodium_base64_VARIANT_ORIGINAL) != 0 ||
        got != size || end != line->at + line->length)
        return false;
    sodium_bin2base64(again, sizeof again, out, size, sodium_base64_VARIANT_ORIGINAL);
    return strlen(again) == line->length && memcmp(again, line->at, line->length) == 0;
}

/* A comment line, then the line that holds the thing. */
static bool second_line(const char *text, size_t length, struct line *line)
{
    const char *at = text;
    struct line above, below;
    return next_line(&at, text + length, &above) && begins(&above, comment_mark) &&
           next_line(&at, text + length, line) && !next_line(&at, text + length, &below);
}

/* ---- keys ------------------------------------------------------------------------------------- */

int sign_new(struct sign_secret *secret, struct tl_error *error)
{
    if (!ready(error))
        return TL_SYSTEM;
    randombytes_buf(secret->public.id, sizeof secret->public.id);
    crypto_sign_keypair(secret->public.key, secret->key);
    return 0;
}

void sign_forget(struct sign_secret *secret)
{
    sodium_memzero(secret, sizeof *secret);
}

void sign_id(const uint8_t id[8], char out[SIGN_ID])
{
    for (int i = 0; i < 8; i++) /* as one number, the lowest byte first */
        snprintf(out + 2 * i, 3, "%02X", id[7 - i]);
}

bool sign_same(const struct sign_public *a, const struct sign_public *b)
{
    return memcmp(a->id, b->id, sizeof a->id) == 0 && memcmp(a->key, b->key, sizeof a->key) == 0;
}

void sign_public_write(const struct sign_public *key, char out[SIGN_KEY])
{
    struct public_form form;
    memcpy(form.algorithm, plain, 2);
    memcpy(form.id, key->id, sizeof form.id);
    memcpy(form.key, key->key, sizeof form.key);
    sodium_bin2base64(out, SIGN_KEY, (const void *)&form, sizeof form,
                      sodium_base64_VARIANT_ORIGINAL);
}

int sign_public_read(const char *text, size_t length, struct sign_public *key,
                     struct tl_error *error)
{
    struct public_form form;
    struct line line = {text, length};
    if (!ready(error))
        return TL_SYSTEM;
    while (line.length > 0 && strchr("\r\n", line.at[line.length - 1]))
        line.length--;
    bool alone = !memchr(line.at, '\n', line.length);
    if ((!alone && !second_line(text, length, &line)) || !read_base64(&line, &form, sizeof form) ||
        memcmp(form.algorithm, plain, 2) != 0) {
        tl_error_set(error, TL_BAD, "this is no public key");
        tl_error_hint(error, "a public key is 56 characters that begin with RW, alone or below a "
                             "line \"untrusted comment: ...\"");
        return TL_BAD;
    }
    if (!crypto_core_ed25519_is_valid_point(form.key)) {
        tl_error_set(error, TL_BAD, "a weak public key: anything could pass for signed by it");
        tl_error_hint(error, "ask its owner for another; no sound tool makes such a key");
        return TL_BAD;
    }
    memcpy(key->id, form.id, sizeof key->id);
    memcpy(key->key, form.key, sizeof key->key);
    return 0;
}

/* ---- the secret key's file -------------------------------------------------------------------- */

static void store64(uint8_t out[8], uint64_t value)
{
    for (int i = 0; i < 8; i++)
        out[i] = (uint8_t)(value >> 8 * i);
}

static uint64_t load64(const uint8_t in[8])
{
    uint64_t value = 0;
    for (int i = 8; i-- > 0;)
        value = value << 8 | in[i];
    return value;
}

/* Guards against a wrong passphrase, not against a forger. */
static void checksum(const struct secret_form *form, uint8_t out[32])
{
    crypto_generichash_state state;
    crypto_generichash_init(&state, NULL, 0, 32);
    crypto_generichash_update(&state, (const void *)form->algorithm, sizeof form->algorithm);
    crypto_generichash_update(&state, form->hidden.id, sizeof form->hidden.id);
    crypto_generichash_update(&state, form->hidden.key, sizeof form->hidden.key);
    crypto_generichash_final(&state, out, 32);
}

/* Hides what was plain, and the other way round. */
static int combine(struct secret_form *form, const char *passphrase, struct tl_error *error)
{
    uint8_t stream[sizeof form->hidden], *hidden = (uint8_t *)&form->hidden;
    uint64_t memory = load64(form->memory), work = load64(form->work);
    if (memory > MOST_MEMORY || work > MOST_MEMORY / 32)
        return tl_error_set(error, TL_BAD, "this key file asks for more than 1 GiB to be opened");
    if (crypto_pwhash_scryptsalsa208sha256(stream, sizeof stream, passphrase, strlen(passphrase),
                                           form->salt, work, (size_t)memory) != 0)
        return tl_error_set(error, TL_SYSTEM, "no memory to stretch the passphrase: %llu MiB",
                            (unsigned long long)memory >> 20);
    for (size_t i = 0; i < sizeof stream; i++)
        hidden[i] ^= stream[i];
    sodium_memzero(stream, sizeof stream);
    return 0;
}

int sign_secret_write(const struct sign_secret *secret, const char *passphrase, char out[SIGN_TEXT],
                      struct tl_error *error)
{
    struct secret_form form = {0};
    char base64[256], id[SIGN_ID];
    int failed = 0;
    if (!ready(error))
        return TL_SYSTEM;
    memcpy(form.algorithm, plain, 2);
    memcpy(form.checksum, blake2b, 2);
    memcpy(form.hidden.id, secret->public.id, sizeof form.hidden.id);
    memcpy(form.hidden.key, secret->key, sizeof form.hidden.key);
    checksum(&form, form.hidden.check);
    if (passphrase) {
        memcpy(form.stretching, scrypt, 2);
        randombytes_buf(form.salt, sizeof form.salt);
        store64(form.work, WORK);
        store64(form.memory, MEMORY);
        failed = combine(&form, passphrase, error);
    }
    if (!failed) {
        sign_id(secret->public.id, id);
        sodium_bin2base64(base64, sizeof base64, (const void *)&form, sizeof form,
                          sodium_base64_VARIANT_ORIGINAL);
        snprintf(out, SIGN_TEXT, "%stinlatch secret key %s%s\n%s\n", comment_mark, id,
                 passphrase ? "" : ", not encrypted", base64);
    }
    sodium_memzero(&form, sizeof form);
    sodium_memzero(base64, sizeof base64);
    return failed;
}

static bool secret_form_read(const char *text, size_t length, struct secret_form *form)
{
    static const char none[2] = {0, 0};
    struct line line;
    return second_line(text, length, &line) && read_base64(&line, form, sizeof *form) &&
           memcmp(form->algorithm, plain, 2) == 0 && memcmp(form->checksum, blake2b, 2) == 0 &&
           (memcmp(form->stretching, scrypt, 2) == 0 || memcmp(form->stretching, none, 2) == 0);
}

/* The standard tool leaves the checksum of a key that is not encrypted at zero; there the key's own halves must fit. */
static bool holds(const struct secret_form *form)
{
    uint8_t check[32], public[32], secret[64];
    if (form->stretching[0] == 0 && sodium_is_zero(form->hidden.check, sizeof form->hidden.check)) {
        crypto_sign_seed_keypair(public, secret, form->hidden.key);
        bool fits = sodium_memcmp(secret, form->hidden.key, sizeof secret) == 0;
        sodium_memzero(secret, sizeof secret);
        return fits;
    }
    checksum(form, check);
    return sodium_memcmp(check, form->hidden.check, sizeof check) == 0;
}

bool sign_secret_is_encrypted(const char *text, size_t length)
{
    struct secret_form form;
    return secret_form_read(text, length, &form) && form.stretching[0] != 0;
}

int sign_secret_read(const char *text, size_t length, const char *passphrase,
                     struct sign_secret *secret, struct tl_error *error)
{
    struct secret_form form;
    int failed = 0;
    if (!ready(error))
        return TL_SYSTEM;
    if (!secret_form_read(text, length, &form))
        return tl_error_set(error, TL_BAD, "this is no secret key");
    bool encrypted = form.stretching[0] != 0;
    if (encrypted)
        failed = passphrase ? combine(&form, passphrase, error)
                            : tl_error_set(error, TL_LIMIT, "this key needs its passphrase");
    if (!failed && !holds(&form))
        failed = encrypted ? tl_error_set(error, TL_LIMIT, "this is not the key's passphrase")
                           : tl_error_set(error, TL_BAD, "this secret key's file is damaged");
    if (!failed) {
        memcpy(secret->public.id, form.hidden.id, sizeof secret->public.id);
        memcpy(secret->key, form.hidden.key, sizeof secret->key);
        crypto_sign_ed25519_sk_to_pk(secret->public.key, secret->key);
    }
    sodium_memzero(&form, sizeof form);
    return failed;
}

/* ---- signatures ------------------------------------------------------------------------------- */

/* What the second signature is over: the first, and the comment behind it. */
static size_t with_comment(const uint8_t of_bytes[64], const char *comment,
                           uint8_t out[64 + SIGN_COMMENT])
{
    memcpy(out, of_bytes, 64);
    memcpy(out + 64, comment, strlen(comment));
    return 64 + strlen(comment);
}

int sign_bytes(const struct sign_secret *secret, const void *bytes, size_t length,
               const char *comment, char out[SIGN_TEXT], struct tl_error *error)
{
    struct signature_form form;
    uint8_t hash[PREHASH], both[64 + SIGN_COMMENT], of_comment[64];
    char first[128], second[128], id[SIGN_ID];
    if (!ready(error))
        return TL_SYSTEM;
    if (strlen(comment) >= SIGN_COMMENT || strpbrk(comment, "\r\n"))
        return tl_error_set(error, TL_RANGE, "a trusted comment is one line of %d bytes at most",
                            SIGN_COMMENT - 1);
    memcpy(form.algorithm, prehashed, 2);
    memcpy(form.id, secret->public.id, sizeof form.id);
    crypto_generichash(hash, sizeof hash, bytes, length, NULL, 0);
    crypto_sign_detached(form.of_bytes, NULL, hash, sizeof hash, secret->key);
    crypto_sign_detached(of_comment, NULL, both, with_comment(form.of_bytes, comment, both),
                         secret->key);
    sign_id(secret->public.id, id);
    sodium_bin2base64(first, sizeof first, (const void *)&form, sizeof form,
                      sodium_base64_VARIANT_ORIGINAL);
    sodium_bin2base64(second, sizeof second, of_comment, sizeof of_comment,
                      sodium_base64_VARIANT_ORIGINAL);
    snprintf(out, SIGN_TEXT, "%ssigned with key %s\n%s\n%s%s\n%s\n", comment_mark, id, first,
             trusted_mark, comment, second);
    return 0;
}

int sign_signature_read(const char *text, size_t length, struct sign_signature *signature,
                        struct tl_error *error)
{
    const char *at = text, *end = text + length;
    struct line line[4], more;
    struct signature_form form;
    if (!ready(error))
        return TL_SYSTEM;
    for (int i = 0; i < 4; i++)
        if (!next_line(&at, end, &line[i]))
            return tl_error_set(error, TL_BAD, "a signature has four lines; this has %d", i);
    if (next_line(&at, end, &more))
        return tl_error_set(error, TL_BAD, "something stands behind the signature");
    size_t mark = strlen(trusted_mark);
    if (!begins(&line[0], comment_mark) || !read_base64(&line[1], &form, sizeof form) ||
        !begins(&line[2], trusted_mark) || line[2].length - mark >= SIGN_COMMENT ||
        memchr(line[2].at, '\0', line[2].length) ||
        !read_base64(&line[3], signature->of_comment, sizeof signature->of_comment))
        return tl_error_set(error, TL_BAD, "the signature is damaged: it breaks its form");
    if (memcmp(form.algorithm, prehashed, 2) != 0)
        return tl_error_set(
            error, TL_BAD, "the signature is of an older kind (not prehashed), which is not taken");
    memcpy(signature->id, form.id, sizeof signature->id);
    memcpy(signature->of_bytes, form.of_bytes, sizeof signature->of_bytes);
    memcpy(signature->comment, line[2].at + mark, line[2].length - mark);
    signature->comment[line[2].length - mark] = '\0';
    return 0;
}

int sign_verify(const struct sign_public *key, const struct sign_signature *signature,
                const void *bytes, size_t length)
{
    uint8_t hash[PREHASH], both[64 + SIGN_COMMENT];
    if (sodium_init() < 0)
        return TL_SYSTEM;
    if (memcmp(key->id, signature->id, sizeof key->id) != 0)
        return TL_UNKNOWN;
    crypto_generichash(hash, sizeof hash, bytes, length, NULL, 0);
    if (crypto_sign_verify_detached(signature->of_bytes, hash, sizeof hash, key->key) != 0 ||
        crypto_sign_verify_detached(signature->of_comment, both,
                                    with_comment(signature->of_bytes, signature->comment, both),
                                    key->key) != 0)
        return TL_LIMIT;
    return 0;
}

void sign_sha256(const void *bytes, size_t length, char out[SIGN_HASH])
{
    uint8_t hash[32];
    crypto_hash_sha256(hash, bytes, length);
    sodium_bin2hex(out, SIGN_HASH, hash, sizeof hash);
}
