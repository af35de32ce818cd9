/* SPDX-License-Identifier: MIT */
/* utf8 - the one question asked of text from outside: is what stands here a whole character?
 *
 * Never      reads past `left` bytes.
 * Fails      0 when it is not: a lone or cut sequence, an overlong form, a surrogate, over U+10FFFF. */
#ifndef TINLATCH_UTF8_H
#define TINLATCH_UTF8_H

#include <stdbool.h>
#include <stddef.h>

/* Bytes of the character at `at` (1 for any ASCII byte), or 0. */
size_t utf8_length(const char *at, size_t left);

/* A character of that length that may go to a terminal: no control, none that turns the direction
 * of writing, none without width (a file could otherwise show something else than it holds). */
bool utf8_is_plain(const char *at, size_t length);

/* The longest start of `text` that has at most `most` bytes and ends between characters. */
size_t utf8_fit(const char *text, size_t length, size_t most);

#endif
