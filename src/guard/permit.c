/* SPDX-License-Identifier: MIT */
#include "tinlatch/guard.h"

#define IN(mode) (1u << (mode))

/* Which kind may arrive in which mode; everything else ends the run with everything off. A turn or note
 * may still be on its way when the run ends: then it is let in, and changes nothing. */
/* clang-format off */
static const struct permit {
    enum wire_kind kind;
    unsigned modes;
} permits[] = {
    {WIRE_HELLO, IN(GUARD_WAITING)},
    {WIRE_TURN,  IN(GUARD_RUNNING) | IN(GUARD_PAUSED) | IN(GUARD_COOLING) | IN(GUARD_ENDED)},
    {WIRE_NOTE,  IN(GUARD_RUNNING) | IN(GUARD_PAUSED) | IN(GUARD_COOLING) | IN(GUARD_ENDED)},
    {WIRE_END,  IN(GUARD_WAITING) | IN(GUARD_CHECKING) | IN(GUARD_SEATING) | IN(GUARD_RUNNING) |
                IN(GUARD_PAUSED) | IN(GUARD_COOLING) | IN(GUARD_ENDED)},
    {WIRE_HAND, IN(GUARD_WAITING) | IN(GUARD_CHECKING) | IN(GUARD_SEATING) | IN(GUARD_RUNNING) |
                IN(GUARD_PAUSED) | IN(GUARD_COOLING) | IN(GUARD_ENDED)},
};
/* clang-format on */

bool guard_permits(enum guard_mode mode, int kind)
{
    for (size_t i = 0; i < sizeof permits / sizeof permits[0]; i++)
        if ((int)permits[i].kind == kind)
            return (permits[i].modes & IN(mode)) != 0;
    return false;
}
