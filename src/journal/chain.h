/* SPDX-License-Identifier: MIT */
/* chain - ties each line of a record to the one before: a line's link is the BLAKE2b digest of its bytes, keyed by the
 * link before; of the first line by zeros.
 *
 * Never      needs libsodium to be begun for its result, only for its speed.
 * Fails      it cannot. */
#ifndef TINLATCH_JOURNAL_CHAIN_H
#define TINLATCH_JOURNAL_CHAIN_H

#include <stddef.h>

enum {
    CHAIN_LINK = 16, /* bytes */
    CHAIN_TAIL =
        sizeof ",\"chain\":\"\"}" - 1 + 2 * CHAIN_LINK, /* what ends every line, without its "\n" */
};

/* *link becomes the link of the line: its bytes from its "{" up to where the tail begins. */
void chain_step(unsigned char link[CHAIN_LINK], const char *line, size_t length);
/* Writes the tail. Returns its end. */
char *chain_put(char *to, const unsigned char link[CHAIN_LINK]);
/* What a line of `length` bytes, without its "\n", says of its link. 0, or TL_BAD: it has no such tail. */
int chain_read(const char *line, size_t length, unsigned char link[CHAIN_LINK]);

#endif
