/* SPDX-License-Identifier: MIT */
/* clock - where time comes from: the machine in a run, the rehearsal otherwise.
 *
 * Ownership  whoever made the clock keeps it alive while it is used.
 * Never      goes backwards. Only the scan's caller asks; below it time is passed down as t_ms.
 * Fails      it cannot.
 * Units      milliseconds since the run began. */
#ifndef TINLATCH_CLOCK_H
#define TINLATCH_CLOCK_H

#include <stdint.h>

struct clock {
    int64_t (*now_ms)(struct clock *clock);
    int64_t origin_ms; /* clock_real: CLOCK_BOOTTIME at its start; clock_virtual: the time itself */
};

#endif
