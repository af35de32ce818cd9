/* SPDX-License-Identifier: MIT */
#include <string.h>

#include "inside.h"

enum {
    UNSEATED,
    OPEN,
    FROZEN,
    STUCK_ON,
    SILENT,
    SHORT,
    STOP,
    HANG,
    CUTOFF_STUCK,
    IGNORES,
    GIBBERISH,
    UNPLUGGED,
    KINDS
};

/* clang-format off */
const struct world_fault world_faults[] = {
    [UNSEATED] = { "sensor-unseated", "the plate's first sensor slides off: it reads a third of the rise" },
    [OPEN]     = { "sensor-open",     "the plate's first sensor breaks or is unplugged" },
    [FROZEN]   = { "sensor-frozen",   "the plate's first sensor repeats its last value for ever" },
    [STUCK_ON] = { "heater-stuck-on", "the heater's switch welds shut: full power whatever is asked" },
    [SILENT]   = { "device-silent",   "the plate's instrument neither hears nor answers any more" },
    [SHORT]    = { "board-short",     "a part of the board shorts its rail to ground" },
    [STOP]     = { "stop-pressed",    "the operator presses stop" },
    [HANG]     = { "recipe-hang",     "the recipe stops answering" },
    [CUTOFF_STUCK] = { "cut-off-stuck", "the cut-off in the plate's mains welds shut" },
    [IGNORES]   = { "controller-ignores-set-point", "a plate that holds its set-point takes no other any more" },
    [GIBBERISH] = { "reader-gibberish", "what reads the plate's first sensor sends nonsense" },
    [UNPLUGGED] = { "usb-unplugged",  "the plate's serial adapter is pulled out: port and lines drop" },
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

/* Who reads the plate's first sensor; NULL: nobody. */
static struct instrument *plate_reader(struct world *world)
{
    for (int i = 0; i < world->setup.instruments; i++)
        for (int k = 0; k < world->instrument[i].setup.channels; k++)
            if (world->instrument[i].setup.touches[k] == SENSOR_PLATE)
                return &world->instrument[i];
    return NULL;
}

/* Without a port of its own a plate is what its sensor says. */
static struct instrument *plate_port(struct world *world)
{
    if (world->plate_instrument >= 0 &&
        world->instrument[world->plate_instrument].setup.kind != WORLD_BY_HAND)
        return world->instrument[world->plate_instrument].host;
    struct instrument *reader = plate_reader(world);
    return reader ? reader->host : NULL;
}

/* Who has to be silent for the plate to be: what drives it, or, of one that says nothing, what reads it. */
static struct instrument *plate_voice(struct world *world)
{
    struct instrument *plate =
        world->plate_instrument >= 0 ? &world->instrument[world->plate_instrument] : NULL;
    bool speaks = plate && (plate->setup.kind == WORLD_LINE || plate->setup.kind == WORLD_MODBUS);
    return speaks ? plate : plate_reader(world);
}

static void unplug(struct instrument *host)
{
    host->unplugged = true;
    host->rts = host->dtr = false;
}

static bool holds_set_point(const struct world *world)
{
    if (world->plate_instrument < 0)
        return false;
    const struct world_instrument_setup *setup = &world->setup.instrument[world->plate_instrument];
    return setup->kind == WORLD_MODBUS || (setup->kind == WORLD_LINE && setup->regulates);
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
        plate_voice(world)->deaf = true;
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
    case CUTOFF_STUCK:
        world->cutoff_stuck = true;
        break;
    case IGNORES:
        world->set_point_stuck = true;
        break;
    case GIBBERISH:
        plate_reader(world)->gibberish = true;
        break;
    case UNPLUGGED:
        unplug(plate_port(world));
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
static int check(struct world *world, int which, struct tl_error *error)
{
    if (which == CUTOFF_STUCK && world->cutoff_instrument < 0)
        return tl_error_set(error, TL_MISSING, "cut-off-stuck: this bench has no cut-off");
    if (which == IGNORES && !holds_set_point(world))
        return tl_error_set(error, TL_MISSING,
                            "controller-ignores-set-point: this bench's plate holds none itself");
    if ((which == GIBBERISH && !plate_reader(world)) || (which == UNPLUGGED && !plate_port(world)))
        return tl_error_set(error, TL_MISSING, "%s: nothing of the plate hangs on a port",
                            world_faults[which].name);
    if (which == SHORT && world->short_rail < 0)
        return tl_error_set(error, TL_MISSING,
                            "board-short: the board states no short for any rail");
    if ((which == SILENT && !plate_voice(world)) ||
        (which == STUCK_ON && world->plate_instrument < 0))
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
