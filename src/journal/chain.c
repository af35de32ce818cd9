/* SPDX-License-Identifier: MIT */
#include "chain.h"

#include <sodium.h>
#include <string.h>

#include "tinlatch/err.h"

static const char head[] = ",\"chain\":\"", foot[] = "\"}";

void chain_step(unsigned char link[CHAIN_LINK], const char *line, size_t length)
{
    unsigned char key[CHAIN_LINK];
    memcpy(key, link, CHAIN_LINK);
    crypto_generichash_blake2b(link, CHAIN_LINK, (const unsigned char *)line, length, key,
                               CHAIN_LINK);
}

char *chain_put(char *to, const unsigned char link[CHAIN_LINK])
{
    static const char digits[] = "0123456789abcdef";
    memcpy(to, head, sizeof head - 1);
    to += sizeof head - 1;
    for (int i = 0; i < CHAIN_LINK; i++) {
        *to++ = digits[link[i] >> 4];
        *to++ = digits[link[i] & 15];
    }
    memcpy(to, foot, sizeof foot - 1);
    return to + sizeof foot - 1;
}

int chain_read(const char *line, size_t length, unsigned char link[CHAIN_LINK])
{
    char again[CHAIN_TAIL];
    if (length < CHAIN_TAIL)
        return TL_BAD;
    const char *tail = line + length - CHAIN_TAIL;
    if (sodium_hex2bin(link, CHAIN_LINK, tail + sizeof head - 1, 2 * CHAIN_LINK, NULL, NULL, NULL))
        return TL_BAD;
    chain_put(again, link); /* also refuses upper case: a line has one form */
    return memcmp(again, tail, CHAIN_TAIL) == 0 ? 0 : TL_BAD;
}
