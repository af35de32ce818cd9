/* SPDX-License-Identifier: MIT */
#include <string.h>

#include "inside.h"

enum { UNSEATED, OPEN, FROZEN, STUCK_ON, SILENT, SHORT, STOP, HANG, KINDS };

/* clang-format off */
const struct world_fault world_faults[] = {
    [UNSEATED] = { "sensor-unseated", "the plate's first sensor slides off: it reads a third of the rise, slowly" },
    [OPEN]     = { "sensor-open",     "the plate's first sensor breaks or is unplugged" },
    [FROZEN]   = { "sensor-frozen",   "the plate's first sensor repeats its last value for ever" },
    [STUCK_ON] = { "heater-stuck-on", "the heater's switch welds shut: full power whatever is asked" },
    [SILENT]   = { "device-silent",   "the plate's instrument neither hears nor answers any more" },
    [SHORT]    = { "board-short",     "a part of the board shorts its rail to ground" },
    [STOP]     = { "stop-pressed",    "the operator presses stop" },
    [HANG]     = { "recipe-hang",     "the recipe stops answering" },
};
/* clang-format on */

const int world_fault_count = KINDS;

static void first_plate_tips(struct world *world, enum tip_state state)
{
    for (int i = 0; i < world->setup.instruments; i++)
        for (int k = 0; k < world->instrument[i].setup.channels; k++) {
            struct tip *tip = &world->instrument[i].tip[k];
            if (tip->touches != SENSOR_PLATE)
                continue;
            tip->state = state;
            if (state == TIP_OFF)
                tip_slide_off(tip);
        }
}

static void strike(struct world *world, int which)
{
    switch (which) {
    case UNSEATED:
        first_plate_tips(world, TIP_OFF);
        break;
    case OPEN:
        first_plate_tips(world, TIP_OPEN);
        break;
    case FROZEN:
        first_plate_tips(world, TIP_FROZEN);
        break;
    case STUCK_ON:
        world->heater_stuck = true;
        break;
    case SILENT:
        if (world->plate_instrument >= 0)
            world->instrument[world->plate_instrument].deaf = true;
        break;
    case SHORT:
        world->shorted = true;
        break;
    case STOP:
        world->stops++;
        break;
    case HANG:
        world->recipe_hangs = true;
        break;
    }
}

void faults_due(struct world *world, int64_t t_ms)
{
    for (int i = 0; i < world->faults; i++) {
        struct pending_fault *fault = &world->fault[i];
        if (fault->done || fault->at_ms > t_ms)
            continue;
        fault->done = true;
        strike(world, fault->which);
    }
}

static int find(const char *name)
{
    for (int i = 0; i < KINDS; i++)
        if (strcmp(world_faults[i].name, name) == 0)
            return i;
    return -1;
}

static int unknown(const char *name, struct tl_error *error)
{
    const char *names[KINDS + 1] = {NULL};
    for (int i = 0; i < KINDS; i++)
        names[i] = world_faults[i].name;
    const char *near = tl_nearest(name, names);
    tl_error_set(error, TL_UNKNOWN, "\"%.40s\" is not a fault that the world knows", name);
    tl_error_token(error, name);
    if (near)
        tl_error_hint(error, "did you mean \"%s\"?", near);
    return TL_UNKNOWN;
}

/* What the fault needs is on this bench. */
static int check(const struct world *world, int which, struct tl_error *error)
{
    if (which == SHORT && world->short_rail < 0)
        return tl_error_set(error, TL_MISSING,
                            "board-short: the board states no short for any rail");
    if ((which == SILENT || which == STUCK_ON) && world->plate_instrument < 0)
        return tl_error_set(error, TL_MISSING, "%s: this bench has no plate instrument",
                            world_faults[which].name);
    return 0;
}

int world_add_fault(struct world *world, const char *name, int64_t at_ms, struct tl_error *error)
{
    int which = find(name);
    if (which < 0)
        return unknown(name, error);
    int err = check(world, which, error);
    if (err)
        return err;
    if (world->faults >= FAULTS_PENDING)
        return tl_error_set(error, TL_FULL, "at most %d faults in one world", FAULTS_PENDING);
    world->fault[world->faults++] = (struct pending_fault){.at_ms = at_ms, .which = which};
    faults_due(world, world->tick_ms);
    return 0;
}
