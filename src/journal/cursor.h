/* SPDX-License-Identifier: MIT */
/* cursor - walks through one line of JSON without a tree of it: an hour of record has two million values.
 *
 * Never      reads past `end`, or allocates.
 * Fails      `bad` is set and stays: nothing more is found. Look at it once at the end. */
#ifndef TINLATCH_JOURNAL_CURSOR_H
#define TINLATCH_JOURNAL_CURSOR_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct cursor {
    const char *at, *end;
    bool bad;
};

/* Enter an object or an array; then, for each member, its key, or whether there is one more item. The value behind it
 * has to be read, or passed over, before the next. */
void cursor_enter(struct cursor *c, char open);
bool cursor_key(struct cursor *c, bool *first, const char **key, size_t *length);
bool cursor_item(struct cursor *c, bool *first);

/* The value that stands there. A number beyond what fits is bad; a text longer than its room is cut. */
int64_t cursor_int(struct cursor *c, int64_t least, int64_t most);
int32_t cursor_int32(struct cursor *c);
double cursor_double(struct cursor *c); /* NAN for null */
bool cursor_bool(struct cursor *c);
void cursor_text(struct cursor *c, char *to, size_t size);
bool cursor_is(const struct cursor *c, char first); /* what the value begins with */
void cursor_pass(struct cursor *c);
/* The line is over, and nothing stands behind it. */
bool cursor_over(struct cursor *c);

#endif
