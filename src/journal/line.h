/* SPDX-License-Identifier: MIT */
/* line - the one line that every scan writes; a rehearsal writes ten thousand of them, so it is
 * put together without printf, without bounds checks inside, from integers and our own words.
 *
 * Never      writes more than LINE_SNAPSHOT_MOST bytes: every number is at most 20 digits, every
 *            word comes from our own tables.
 * Fails      it cannot. */
#ifndef TINLATCH_JOURNAL_LINE_H
#define TINLATCH_JOURNAL_LINE_H

#include <stddef.h>

#include "tinlatch/wire.h"

enum { LINE_SNAPSHOT_MOST = 4096 };

/* Without its last "}" and "\n". turn may be NULL: none has come yet. */
size_t line_snapshot(char *to, const struct wire_snapshot *snapshot, const struct wire_turn *turn,
                     int32_t truth_mc);

#endif
