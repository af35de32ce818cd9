/* SPDX-License-Identifier: MIT */
/* sign - keys and signatures of shared recipes: Ed25519 over the BLAKE2b-512 of the bytes, written as the
 * minisign format has them, so that the standard tool reads them and writes them.
 *
 * Ownership  plain values; whoever holds a struct sign_secret calls sign_forget.
 * Never      takes a signature over the bytes themselves (not prehashed), a key of small order or not in its one
 *            proper form, or a key file that asks for more than 1 GiB.
 * Fails      TL_BAD: a text breaks the format; TL_UNKNOWN: another key's; TL_LIMIT: does not verify, wrong passphrase;
 *            TL_SYSTEM: no memory. *error, where there is one, holds the sentence.
 * Units      bytes. */
#ifndef TINLATCH_SIGN_H
#define TINLATCH_SIGN_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "tinlatch/err.h"

enum {
    SIGN_ID = 17,       /* the key's id as 16 hexadecimal digits */
    SIGN_KEY = 57,      /* a public key as base64 */
    SIGN_TEXT = 1024,   /* the longest key file or signature */
    SIGN_COMMENT = 256, /* a trusted comment */
    SIGN_HASH = 65,     /* SHA-256 as hexadecimal digits */
    SIGN_PASSPHRASE = 256,
};

struct sign_public {
    uint8_t id[8]; /* random: a name, no proof of anything */
    uint8_t key[32];
};

struct sign_secret {
    struct sign_public public;
    uint8_t key[64];
};

struct sign_signature {
    uint8_t id[8], of_bytes[64], of_comment[64];
    char comment[SIGN_COMMENT]; /* the trusted one */
};

int sign_new(struct sign_secret *secret, struct tl_error *error);
void sign_forget(struct sign_secret *secret);
void sign_id(const uint8_t id[8], char out[SIGN_ID]);
bool sign_same(const struct sign_public *a, const struct sign_public *b);

/* A public key: its base64 alone, or a file with a comment line above it. Another line behind it is TL_BAD. */
void sign_public_write(const struct sign_public *key, char out[SIGN_KEY]);
int sign_public_read(const char *text, size_t length, struct sign_public *key, struct tl_error *error);

/* A secret key's file. passphrase NULL: it is not encrypted. Encrypted with scrypt, 64 MiB: a second or
 * so on a small board. */
int sign_secret_write(const struct sign_secret *secret, const char *passphrase, char out[SIGN_TEXT],
                      struct tl_error *error);
bool sign_secret_is_encrypted(const char *text, size_t length);
int sign_secret_read(const char *text, size_t length, const char *passphrase, struct sign_secret *secret,
                     struct tl_error *error);

/* Four lines: a comment, the signature, the trusted comment (one line, shorter than SIGN_COMMENT), its signature. */
int sign_bytes(const struct sign_secret *secret, const void *bytes, size_t length, const char *comment,
               char out[SIGN_TEXT], struct tl_error *error);
int sign_signature_read(const char *text, size_t length, struct sign_signature *signature, struct tl_error *error);
/* 0: these bytes and the trusted comment are what that key signed. */
int sign_verify(const struct sign_public *key, const struct sign_signature *signature, const void *bytes,
                size_t length);

/* FIPS 180-4. */
void sign_sha256(const void *bytes, size_t length, char out[SIGN_HASH]);

#endif
