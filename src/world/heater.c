/* SPDX-License-Identifier: MIT */
/* Who heats: an instrument's duty, a relay on a control line, a plate's own loop; and the cut-off through
 * which all of them get their mains. */
#include <math.h>

#include "inside.h"

/* Proportional and integral; the integral only near the set-point, never negative. */
double regulate(double off_k, double *integral, double dt_s)
{
    double duty = 0.08 * off_k + *integral;
    if (fabs(off_k) < 15)
        *integral = fmin(fmax(*integral + 0.008 * off_k * dt_s, 0), 0.6);
    return fmin(fmax(duty, 0), 1);
}

/* A by-hand plate follows the block it sits on, not the bench's thermocouple. */
void knob_tick(struct world *world)
{
    if (isnan(world->knob_c)) {
        world->knob_integral = world->knob_duty = 0;
        return;
    }
    double off_k = world->knob_c - thermal_plate_c(&world->thermal);
    world->knob_duty = regulate(off_k, &world->knob_integral, TICK_MS * 1e-3);
}

static bool relay_closed(const struct instrument *relay)
{
    const struct instrument *host = relay->host;
    return relay->setup.contactor.on_dtr ? host->dtr : host->rts;
}

double heater_duty(const struct world *world)
{
    if (world->heater_stuck)
        return 1;
    if (world->plate_instrument < 0)
        return 0;
    const struct instrument *plate = &world->instrument[world->plate_instrument];
    switch (plate->setup.kind) {
    case WORLD_LINE:
        return plate->line.duty_permille * 1e-3;
    case WORLD_MODBUS:
        return plate->modbus.duty;
    case WORLD_CONTACTOR:
        return relay_closed(plate) ? 1 : 0;
    case WORLD_BY_HAND:
        return world->knob_duty;
    case WORLD_NONE:
    case WORLD_SCPI:
    case WORLD_METER:
    case WORLD_READER:
    case WORLD_INPUTS:
    case WORLD_INSTRUMENTS:
        break;
    }
    return 0;
}

double fan_share(const struct world *world)
{
    if (world->plate_instrument < 0 || world->fan_dead)
        return 0;
    const struct instrument *plate = &world->instrument[world->plate_instrument];
    return plate->setup.kind == WORLD_LINE ? plate->line.fan_pct * 1e-2 : 0;
}

bool cutoff_closed(const struct world *world)
{
    if (world->cutoff_instrument < 0 || world->cutoff_stuck)
        return true;
    return relay_closed(&world->instrument[world->cutoff_instrument]);
}

double held_c(const struct world *world)
{
    if (world->plate_instrument < 0)
        return NAN;
    const struct instrument *plate = &world->instrument[world->plate_instrument];
    if (plate->setup.kind == WORLD_MODBUS)
        return plate->modbus.set_c;
    if (plate->setup.kind == WORLD_BY_HAND)
        return world->knob_c;
    if (plate->setup.kind == WORLD_LINE && plate->setup.regulates && plate->line.setpoint_mc > 0)
        return plate->line.setpoint_mc * 1e-3;
    return NAN;
}

void world_knob(struct world *world, double knob_c)
{
    world->knob_c = knob_c;
}

void world_contacts(struct world *world, bool stop, bool answer)
{
    world->stop_contact = stop;
    world->answer_contact = answer;
}
