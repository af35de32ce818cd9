/* SPDX-License-Identifier: MIT */
/* The rail that the supply is clipped to: what it draws, what a short in it turns into heat. */
#include <math.h>
#include <string.h>

#include "inside.h"

static const struct board_rail *clipped(const struct world *world)
{
    return world->has_board && world->rail < world->board.rail_count
               ? &world->board.rail[world->rail]
               : NULL;
}

static int part_named(const struct world *world, const char *name)
{
    for (int i = 0; name[0] && i < world->board.part_count; i++)
        if (strcmp(world->board.part[i].name, name) == 0)
            return i;
    return -1;
}

/* The short goes with the part that has it. */
static bool short_there(const struct world *world, int rail)
{
    if (!world->shorted || rail != world->short_rail)
        return false;
    int part = part_named(world, world->board.rail[rail].short_part);
    if (part < 0)
        return true;
    return !world->thermal.placed || world->thermal.node[world->thermal.part[part]].there;
}

/* Conductance to ground: the healthy leak, what the board draws before its prompt, the short. */
static double rail_s(const struct world *world, int index, bool powered)
{
    const struct board_rail *rail = &world->board.rail[index];
    double siemens = rail->healthy_ohm > 0 ? 1 / rail->healthy_ohm : 0;
    if (powered && rail->limits.mv > 0)
        siemens += rail->idle_a * 1000 / rail->limits.mv;
    if (short_there(world, index) && rail->short_ohm > 0)
        siemens += 1 / rail->short_ohm;
    return siemens;
}

/* A cell left in, or another net, behind what it has of resistance; no source. */
#define FED_V 1.8
#define FED_S 5.0

/* What it would drive into a short. */
static double fed_a(const struct world *world)
{
    return world->rails_fed && world->has_board ? FED_V * FED_S : 0;
}

/* Conductance to ground as the leads find it, that of what feeds it included. */
static double whole_s(const struct world *world, int rail, bool powered)
{
    return rail_s(world, rail, powered) + (world->rails_fed ? FED_S : 0);
}

double electrical_fed_v(const struct world *world, int rail)
{
    return world->rails_fed ? fed_a(world) / whole_s(world, rail, false) : 0;
}

/* Constant volts until the current limit, then constant current; it takes none back. */
void electrical_tick(struct world *world)
{
    world->supply_v = world->supply_a = 0;
    world->input.rail_w = 0;
    world->input.rail_part = -1;
    if (world->supply_instrument < 0)
        return;
    const struct scpi_state *supply = &world->instrument[world->supply_instrument].scpi;
    const struct board_rail *rail = clipped(world);
    world->supply_gives = supply->on || (world->supply_stuck && world->supply_gives);
    if (supply->on)
        world->given_v = supply->set_v;
    if (!world->supply_gives) {
        world->supply_v = rail ? electrical_fed_v(world, world->rail) : 0;
        return;
    }
    double siemens = rail ? whole_s(world, world->rail, true) : 0;
    double from_a = rail ? fed_a(world) : 0;
    double most_a = world->limit_lost ? world->instrument[world->supply_instrument].setup.max_amps
                                      : supply->set_a;
    double volts = world->given_v * world->supply_gain, amps = volts * siemens - from_a;
    world->supply_a = fmin(fmax(amps, 0), most_a);
    world->supply_v = amps < 0 || amps > most_a ? (world->supply_a + from_a) / siemens : volts;
    if (!rail || !world->thermal.placed)
        return;
    world->input.rail_w = world->supply_v * world->supply_a;
    if (short_there(world, world->rail)) {
        /* The part that has the short takes its share; the rest of the board is not worth a node. */
        world->input.rail_part = part_named(world, rail->short_part);
        world->input.rail_w = world->supply_v * world->supply_v / rail->short_ohm;
    }
}

static bool known(const struct world *world, int rail)
{
    return world->has_board && rail >= 0 && rail < world->board.rail_count;
}

double world_rail_ohms(struct world *world, int rail)
{
    double noise = 1 + 0.005 * random_normal(&world->noise);
    if (!known(world, rail))
        return HUGE_VAL;
    double siemens = whole_s(world, rail, false);
    double leads_ohm = 0.02; /* what is left after a meter's leads are zeroed; no source */
    double shown_ohm =
        electrical_fed_v(world, rail) / 1e-3; /* it takes all volts for those of its 1 mA */
    return siemens > 0 ? (1 / siemens + leads_ohm + shown_ohm) * noise : HUGE_VAL;
}

double world_rail_diode_v(struct world *world, int rail)
{
    double noise_v = 0.002 * random_normal(&world->noise);
    if (!known(world, rail))
        return HUGE_VAL;
    const struct board_rail *there = &world->board.rail[rail];
    if (!short_there(world, rail) || world->rails_fed)
        return fmax(fmax(there->diode_v, electrical_fed_v(world, rail)) + noise_v, 0);
    return fmax(fmin(there->short_ohm * 1e-3, there->diode_v) + 0.1 * noise_v,
                0); /* 1 mA test current */
}

double world_rail_amps(struct world *world, int rail)
{
    double noise = 1 + 0.005 * random_normal(&world->noise);
    if (!known(world, rail))
        return 0;
    return rail_s(world, rail, true) * world->board.rail[rail].limits.mv / 1000 * noise;
}

void world_clip(struct world *world, int rail)
{
    if (known(world, rail))
        world->rail = rail;
}

void world_probe(struct world *world, int rail)
{
    if (known(world, rail))
        world->probed = rail;
}
