/* SPDX-License-Identifier: MIT */
#include "tinlatch/guard.h"

/* Drawn in docs/explanation/modes.md. What a mode does not name leaves it where it is. */
enum guard_mode guard_mode_next(enum guard_mode mode, enum guard_event event)
{
    switch (mode) {
    case GUARD_WAITING:
        if (event == EVENT_HELLO)
            return GUARD_CHECKING;
        return event == EVENT_END || event == EVENT_TRIP ? GUARD_ENDED : mode;
    case GUARD_CHECKING:
        if (event == EVENT_CHECKED)
            return GUARD_SEATING;
        return event == EVENT_END || event == EVENT_TRIP ? GUARD_COOLING : mode;
    case GUARD_SEATING:
        if (event == EVENT_SEATED)
            return GUARD_RUNNING;
        return event == EVENT_END || event == EVENT_TRIP ? GUARD_COOLING : mode;
    case GUARD_RUNNING:
        if (event == EVENT_PAUSE)
            return GUARD_PAUSED;
        return event == EVENT_END || event == EVENT_TRIP ? GUARD_COOLING : mode;
    case GUARD_PAUSED:
        if (event == EVENT_RESUME)
            return GUARD_RUNNING;
        return event == EVENT_END || event == EVENT_TRIP ? GUARD_COOLING : mode;
    case GUARD_COOLING:
        return event == EVENT_TOUCH_SAFE ? GUARD_ENDED : mode;
    case GUARD_ENDED:
    case GUARD_MODES:
        break;
    }
    return GUARD_ENDED;
}
