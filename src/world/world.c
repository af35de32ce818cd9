/* SPDX-License-Identifier: MIT */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "inside.h"

#define TICK_S              (TICK_MS * 1e-3)
#define ROOM_TOLERANCE_K    2.0 /* drawn at spread 1; common practice, no source */
#define MAINS_TOLERANCE     0.03
#define OFF_SHARE           0.35 /* what a slid-off tip keeps of the rise; no source */
#define OFF_SHARE_TOLERANCE 0.10
#define OFF_LAG_S           15.0

static int check_share(const struct world_setup *setup, int index, struct tl_error *error)
{
    int shares = setup->instrument[index].shares;
    if (shares < 0 || shares > setup->instruments || shares == index + 1 ||
        (shares > 0 && setup->instrument[shares - 1].shares > 0))
        return tl_error_set(error, TL_RANGE, "instrument %d: no port to share", index);
    return 0;
}

static int check_instrument(const struct world_instrument_setup *setup, int index,
                            struct tl_error *error)
{
    if ((unsigned)setup->kind >= WORLD_INSTRUMENTS || setup->kind == WORLD_NONE)
        return tl_error_set(error, TL_UNKNOWN, "instrument %d: no such kind", index);
    if (setup->channels < 0 || setup->channels > WORLD_CHANNELS)
        return tl_error_set(error, TL_FULL, "instrument %d: at most %d inputs", index,
                            WORLD_CHANNELS);
    if (setup->kind == WORLD_LINE && (setup->silence_ms < 1100 || setup->silence_ms > 10000))
        return tl_error_set(error, TL_RANGE,
                            "instrument %d: a silence timer of 1.1 to 10 s, not %d ms", index,
                            setup->silence_ms);
    if (setup->modbus.registers < 0 || setup->modbus.registers > WORLD_REGISTERS)
        return tl_error_set(error, TL_FULL, "instrument %d: at most %d registers", index,
                            WORLD_REGISTERS);
    for (int i = 0; i < setup->modbus.registers; i++)
        if (setup->modbus.map[i].per_unit < 1 && setup->modbus.map[i].use != WORLD_CONSTANT)
            return tl_error_set(error, TL_RANGE, "instrument %d: register %d has no scale", index,
                                i);
    for (int i = 0; i < setup->channels; i++)
        if ((unsigned)setup->touches[i] > SENSORS || (unsigned)setup->type[i] >= THERMOCOUPLES ||
            !(setup->lag_s[i] >= 0 && setup->lag_s[i] <= 600))
            return tl_error_set(error, TL_RANGE, "instrument %d: input %d makes no sense", index,
                                i + 1);
    return 0;
}

static int check(const struct world_setup *setup, struct tl_error *error)
{
    if (setup->instruments < 0 || setup->instruments > WORLD_PORTS)
        return tl_error_set(error, TL_FULL, "at most %d instruments", WORLD_PORTS);
    if (!(setup->spread >= 0 && setup->spread <= 1))
        return tl_error_set(error, TL_RANGE, "spread is 0 to 1");
    if (!(setup->plate.tolerance >= 0 && setup->plate.tolerance < 0.9))
        return tl_error_set(error, TL_RANGE, "plate: tolerances are 0 to 90 %%");
    const struct board *board = setup->board;
    if (board && (!(board->contact_tolerance >= 0 && board->contact_tolerance < 0.9) ||
                  !(board->mass_tolerance >= 0 && board->mass_tolerance < 0.9)))
        return tl_error_set(error, TL_RANGE, "board %s: tolerances are 0 to 90 %%", board->name);
    if (board && (board->rail_count < 0 || board->rail_count > BENCH_RAILS))
        return tl_error_set(error, TL_FULL, "board %s: at most %d rails", board->name, BENCH_RAILS);
    int err = 0;
    for (int i = 0; i < setup->instruments && !err; i++)
        err = check_instrument(&setup->instrument[i], i, error);
    for (int i = 0; i < setup->instruments && !err; i++)
        err = check_share(setup, i, error);
    return err;
}

/* Within -tolerance .. tolerance, scaled by the spread. Always takes one draw, so that one setting
 * does not move the others. */
static double draw(struct random *random, double spread, double tolerance)
{
    return spread * tolerance * (2 * random_unit(random) - 1);
}

/* From a stream of its own: it came last, and the other draws of a seed stay as they were. */
static void draw_plate(struct world *world)
{
    struct plate *plate = &world->setup.plate;
    struct random random = {.state = world->setup.seed ^ 0x706C617465u};
    double losses;

    plate->capacity_j_k *= 1 + draw(&random, world->setup.spread, plate->tolerance);
    losses = 1 + draw(&random, world->setup.spread, plate->tolerance);
    plate->loss_w_k *= losses;
    plate->fan_loss_w_k *= losses;
    plate->emissivity_area *= losses;
}

static int heat_up(struct world *world, struct random *random, struct tl_error *error)
{
    const struct world_setup *setup = &world->setup;
    double contact = world->has_board ? world->board.contact_tolerance : 0;
    double mass = world->has_board ? world->board.mass_tolerance : 0;
    struct thermal_setup thermal = {
        .plate = setup->plate,
        .insert = setup->insert,
        .board = world->has_board ? &world->board : NULL,
        .room_c = setup->room_c + draw(random, setup->spread, ROOM_TOLERANCE_K),
        .contact_factor = 1 + draw(random, setup->spread, contact),
        .mass_factor = 1 + draw(random, setup->spread, mass),
        .upper_present = true,
        .joints_present = true,
        .grid_mm = setup->grid_mm,
    };
    world->mains = 1 + draw(random, setup->spread, MAINS_TOLERANCE);
    world->supply_gain = 1;
    world->off_share_gain = OFF_SHARE + draw(random, setup->spread, OFF_SHARE_TOLERANCE);
    world->taped_share = THERMAL_TAPED_TIP + draw(random, setup->spread, THERMAL_TAPED_OFF);
    size_t bytes = thermal_bytes(&thermal);
    world->fine = bytes > 0 ? malloc(bytes) : NULL;
    if (bytes > 0 && !world->fine)
        return tl_error_set(error, TL_SYSTEM, "no memory for so fine a grid");
    thermal.memory = world->fine;
    return thermal_init(&world->thermal, &thermal, error);
}

static int first_of(const struct world *world, enum world_instrument kind)
{
    for (int i = 0; i < world->setup.instruments; i++)
        if (world->setup.instrument[i].kind == kind)
            return i;
    return -1;
}

static bool holds_itself(const struct world_modbus *modbus)
{
    for (int i = 0; i < modbus->registers; i++)
        if (modbus->map[i].use == WORLD_SET_POINT)
            return true;
    return false;
}

/* What heats the plate. */
static int first_plate(const struct world *world)
{
    int line = first_of(world, WORLD_LINE);
    for (int i = 0; line < 0 && i < world->setup.instruments; i++) {
        const struct world_instrument_setup *setup = &world->setup.instrument[i];
        if ((setup->kind == WORLD_MODBUS && holds_itself(&setup->modbus)) ||
            (setup->kind == WORLD_CONTACTOR && !setup->contactor.is_cutoff) ||
            setup->kind == WORLD_BY_HAND)
            return i;
    }
    return line;
}

static int first_cutoff(const struct world *world)
{
    for (int i = 0; i < world->setup.instruments; i++)
        if (world->setup.instrument[i].kind == WORLD_CONTACTOR &&
            world->setup.instrument[i].contactor.is_cutoff)
            return i;
    return -1;
}

static int first_short(const struct world *world)
{
    for (int i = 0; world->has_board && i < world->board.rail_count; i++)
        if (world->board.rail[i].short_ohm > 0)
            return i;
    return -1;
}

static void plug_in(struct world *world)
{
    for (int i = 0; i < world->setup.instruments; i++) {
        struct instrument *instrument = &world->instrument[i];
        instrument->port = (struct port){.ops = &world_port_ops, .fd = -1};
        instrument->world = world;
        instrument->setup = world->setup.instrument[i];
        instrument->setup.identity[sizeof instrument->setup.identity - 1] = 0;
        int shares = instrument->setup.shares;
        instrument->host = shares > 0 ? &world->instrument[shares - 1] : instrument;
        instrument->begun_ms = -1000 * (int64_t)instrument->setup.up_s;
        instrument->modbus.set_c = instrument->setup.modbus.off_c;
        instrument->modbus.run = instrument->setup.modbus.run_off;
    }
    world->plate_instrument = first_plate(world);
    world->cutoff_instrument = first_cutoff(world);
    world->supply_instrument = first_of(world, WORLD_SCPI);
    world->short_rail = first_short(world);
}

int world_new(struct world **out, const struct world_setup *setup, struct tl_error *error)
{
    int err = check(setup, error);
    if (err)
        return err;
    struct world *world = calloc(1, sizeof *world);
    if (!world)
        return tl_error_set(error, TL_SYSTEM, "no memory for a world");
    clock_virtual_init(&world->clock);
    world->setup = *setup;
    world->has_board = setup->board != NULL;
    if (world->has_board)
        world->board = *setup->board;
    world->setup.board = NULL; /* the copy counts */
    struct random random = {.state = setup->seed};
    world->noise.state = random_next(&random);
    draw_plate(world);
    err = heat_up(world, &random, error);
    if (err) {
        world_free(world);
        return err;
    }
    if (world->thermal.insert < 0)
        thermal_place(&world->thermal); /* on the table, from the start */
    plug_in(world);
    tips_init(world, &random);
    world->hand_part = -1;
    world->knob_c = NAN;
    world->input = (struct thermal_input){.draft = 1, .rail_part = -1, .hand_part = -1};
    seen_nothing(world);
    *out = world;
    return 0;
}

void world_free(struct world *world)
{
    if (world)
        free(world->fine);
    free(world);
}

struct clock *world_clock(struct world *world)
{
    return &world->clock;
}

struct port *world_port(struct world *world, int i)
{
    return i >= 0 && i < world->setup.instruments ? &world->instrument[i].host->port : NULL;
}

static void heater_tick(struct world *world)
{
    double duty = cutoff_closed(world) ? heater_duty(world) : 0;
    world->input.heater_w = duty * world->setup.plate.watts * world->mains * world->mains;
    world->input.fan = fan_share(world);
}

static void instrument_tick(struct instrument *instrument, int64_t t_ms)
{
    if (instrument->setup.kind == WORLD_LINE)
        line_tick(instrument, t_ms);
    else if (instrument->setup.kind == WORLD_MODBUS)
        modbus_tick(instrument, t_ms);
    else if (instrument->setup.kind == WORLD_READER)
        reader_tick(instrument, t_ms);
}

static void tick(struct world *world)
{
    faults_due(world, world->tick_ms);
    for (int i = 0; i < world->setup.instruments; i++)
        instrument_tick(&world->instrument[i], world->tick_ms);
    knob_tick(world);
    heater_tick(world);
    electrical_tick(world);
    world->input.hand_w = world->hand_w;
    world->input.hand_part = world->hand_part;
    thermal_step(&world->thermal, &world->input, TICK_S);
    world->tick_ms += TICK_MS;
    tips_tick(world);
    if (!world->setup.unseen)
        seen_tick(world);
}

void world_advance(struct world *world, int64_t t_ms)
{
    if (t_ms <= world->clock.origin_ms)
        return;
    while (world->tick_ms + TICK_MS <= t_ms)
        tick(world);
    world->clock.origin_ms = t_ms;
    faults_due(world, t_ms);
}

void world_hand(struct world *world, enum hand hand, int part)
{
    struct thermal *thermal = &world->thermal;
    double torn = 0;
    switch (hand) {
    case HAND_PLACE:
        thermal_place(thermal);
        break;
    case HAND_LIFT:
        torn = thermal_lift(thermal, part);
        break;
    case HAND_PRESS:
    case HAND_RELEASE:
        thermal_press(thermal, hand == HAND_PRESS);
        return;
    case HAND_NONE:
    case HAND_HEAT:
    case HANDS:
        return;
    }
    world->seen.torn = fmax(world->seen.torn, torn);
    seen_hand(world, hand, part);
    world->history_count = 0; /* a board that was moved did not cool that fast */
}

bool world_board_lies_flat(const struct world *world)
{
    return world->thermal.placed && !world->unseated;
}

void world_hot_air(struct world *world, double watts, int part)
{
    world->hand_w = fmin(fmax(watts, 0), THERMAL_HAND_W);
    world->hand_part = part;
}

double electrical_volts(const struct world *world)
{
    return world->supply_v;
}

double electrical_amps(const struct world *world)
{
    return world->supply_a;
}

void world_truth(const struct world *world, struct world_truth *truth)
{
    const struct thermal *thermal = &world->thermal;
    *truth = world->seen;
    truth->stops = world->stops;
    truth->recipe_hangs = world->recipe_hangs;
    if (world->setup.unseen)
        return;
    truth->plate_c = thermal_plate_c(thermal);
    truth->board_c = thermal_board_c(thermal);
    for (int i = 0; i < thermal->joint_count; i++) {
        truth->joint_coldest_c[i] = thermal_joint_coldest_c(thermal, i);
        truth->joint_molten[i] = thermal_joint_molten(thermal, i);
    }
    for (int i = 0; i < thermal->part_count; i++)
        truth->part_c[i] = thermal_part_c(thermal, i);
    truth->heater_w = world->input.heater_w;
    truth->has_cutoff = world->cutoff_instrument >= 0;
    truth->cutoff_closed = truth->has_cutoff && cutoff_closed(world);
    truth->duty = cutoff_closed(world) ? heater_duty(world) : 0;
    truth->fan = fan_share(world);
    truth->supply_on =
        world->supply_instrument >= 0 && world->instrument[world->supply_instrument].scpi.on;
    truth->setpoint_c = held_c(world);
    truth->supply_set_v = world->supply_instrument < 0
                              ? (double)NAN
                              : world->instrument[world->supply_instrument].scpi.set_v;
    truth->supply_v = world->supply_v;
    truth->supply_a = world->supply_a;
    truth->placed = thermal->placed;
    truth->upper_on = thermal->placed && thermal->upper_on;
    truth->put_j = thermal->put_j;
    truth->lost_j = thermal->lost_j;
    truth->stored_j = thermal_stored_j(thermal);
}
