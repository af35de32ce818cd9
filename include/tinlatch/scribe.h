/* SPDX-License-Identifier: MIT */
/* scribe - writes the record of a run to disk in a process of its own, so that the disk never delays a
 * scan: lines in through a pipe, write and fdatasync, the number of the last durable line back.
 *
 * Ownership  descriptors stay the caller's.
 * Never      drops a line in silence: a disk that refuses ends it with a status, and the numbers stop.
 * Fails      returns 0 at the end of its input with everything durable, TL_SYSTEM otherwise.
 * Units      lines count from 1. */
#ifndef TINLATCH_SCRIBE_H
#define TINLATCH_SCRIBE_H

#include <stdint.h>

enum { SCRIBE_SYNC_MS = 500 };

/* Copy whole lines from `from` to `record_fd`; fdatasync at least every SCRIBE_SYNC_MS while there is news, and
 * at once after a line whose kind is "rule", "end", "start", "limits" or an "event" of "mode" (its first
 * bytes tell: {"kind":"rule" ...). After each sync write the count of durable lines (uint64_t) to `back_fd`. Ignores every
 * signal but SIGKILL. */
int scribe_run(int from_fd, int record_fd, int back_fd);

#endif
