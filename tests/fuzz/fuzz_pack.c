/* SPDX-License-Identifier: MIT */
/* A pack as it comes, and the same bytes properly signed, as a malicious signer sends them: what is taken can be written
 * again to the byte, and nothing of it lies outside of the text. */
#include "fuzz.h"
#include "tinlatch/pack.h"

static void check_parts(const struct pack *pack, const char *text)
{
    assert(pack->part_count >= 2 && pack->part_count <= PACK_PARTS);
    assert(pack_name_fits(pack->name));
    for (int i = 0; i < pack->part_count; i++) {
        const struct pack_part *part = &pack->part[i];
        assert(pack_name_fits(part->name));
        assert(part->text > text && part->length <= pack->signed_length);
        assert(part->text + part->length < text + pack->signed_length);
    }
}

static void check_again(const struct pack *pack, const struct sign_secret *secret, const char *text,
                        size_t length)
{
    char *again;
    size_t size;
    struct tl_error error;
    assert(pack_write(pack, secret, &again, &size, &error) == 0);
    assert(size == length && memcmp(again, text, size) == 0);
    free(again);
}

/* `data` as what follows the signer's line; the trusted comment as the manifest would have it. */
static void try_signed(const struct sign_secret *secret, const uint8_t *data, size_t size)
{
    static struct pack pack;
    struct tl_error error = {0};
    char key[SIGN_KEY], signature[SIGN_TEXT], name[64] = "", comment[SIGN_COMMENT], board[64] = "";
    int version = 0;
    char *text = malloc(size + 4 * SIGN_TEXT);
    assert(text);
    sign_public_write(&secret->public, key);
    int n = sprintf(text, "tinlatch-pack 1\nsigner: %s\n", key);
    if (size > 0)
        memcpy(text + n, data, size);
    text[(size_t)n + size] = '\0';
    sscanf(text + n, "name: %60s version: %d title: %*[^\n] api: %*d board: %60s", name, &version,
           board);
    size_t length = (size_t)n + size;
    length += (size_t)sprintf(text + length, "\n== signature\n");
    snprintf(comment, sizeof comment, "tinlatch-pack %s version %d board %s", name, version, board);
    assert(sign_bytes(secret, text, length, comment, signature, &error) == 0);
    memcpy(text + length, signature, strlen(signature));
    length += strlen(signature);
    if (pack_read(text, length, &pack, &error) == 0) {
        check_parts(&pack, text);
        check_again(&pack, secret, text, length);
    } else {
        assert(error.code < 0 && error.text[0]);
    }
    free(text);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct sign_secret secret;
    static struct pack pack;
    struct tl_error error = {0};
    if (secret.public.key[0] == 0)
        assert(sign_new(&secret, &error) == 0);
    if (pack_read((const char *)data, size, &pack, &error) == 0)
        check_parts(&pack, (const char *)data);
    else
        assert(error.code < 0 && error.text[0]);
    if (size <= PACK_BYTES)
        try_signed(&secret, data, size);
    return 0;
}
