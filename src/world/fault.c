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
    SHOWS_80,
    SHOWS_60,
    SHOWS_40,
    SPIKE,
    NOISE,
    DRIFT,
    REVERSED,
    SWAPPED,
    FAHRENHEIT,
    MAINS_LOW,
    MAINS_HIGH,
    DRAFT,
    DESK_FAN,
    SUPPLY_DRIFTS,
    FAN_DEAD,
    COLD_LOST,
    COLD_DRIFTS,
    MAINS_LOST,
    RAIL_FED,
    SHORTED,
    WRONG_TYPE,
    ON_RAIL,
    SUPPLY_STUCK,
    LIMIT_LOST,
    STALLS,
    RESTARTS,
    TAKEN,
    BOARD_UNSEATED,
    WET_SWAB,
    KINDS
};

enum { STALL_MS = 500, SWAB_MS = 8000 };

/* Where the figures of a promise come from.
 *
 * Two sensors may read 15 K apart for 5 s. Each may be 1.5 K off (class 1), both have their noise: what is 19 K apart in
 * truth has to be seen. A tip that shows the share k of the rise follows with a lag of 1.5 s + (1 - k) 15 s (one that has
 * slid off: 15 s, k up to 0.45), so 20 s in all leave it 15 s: (1 - k) (1 - exp(-15 s / lag)) of what the plate is above
 * the warmest room, 24 C, are to be 19 K. A drift of 3 K a minute takes 414 s to the 20.7 K that count at 220 C, the
 * hottest that a recipe asks for.
 *
 * With one sensor a slip has to be told, in 15 s, from what a plate of some 600 J/K can do without heat: three times its
 * losses, with its fan or the heaviest board cold on it, take 16.5 % of the rise from the low bound in 13 s; 11 K are
 * noise and margin, 2 K class and rest. So (1 - k) (1 - exp(-13 s / lag)) of the rise have to be more than both; the
 * rule takes 2 s. Of a share of 0.8 that is never so.
 *
 * The wrong way round a sensor reads below its terminals what the plate is above them, and those are 3 K warmer than
 * the room. Hot, that is a jump; in the cold it has fallen below the low bound once the plate is 11 K warmer, 14 K
 * where nobody knows what is fed, and is 19 K from the other sensor after 12.5 K; 1 K is noise, and the sensor lags
 * behind. Frozen: a plate that moves by three steps of the reader, with 16 K and 10 s at most; that asks for what is
 * fed to be known. So does heat that nobody granted: a heater that is told off may still bring 15 K by its reading,
 * which is 20 K with 1.5 K of class, 1 K of noise and a lag of 1.5 s at 1.5 K/s; then 20 s. Silence is seen after 1 s,
 * a bad reading in a second, a stop in two scans. What a controller reads of an open sensor is out of range unless the
 * bench file says how it tells it.
 *
 * Shorted in its lead a sensor reads its terminals, 27 C at most, at once: 25 K from the other at 52 C, of which 5 K are a
 * lag of 1.5 s at 3 K/s; from 60 C on that is a jump. Wires of type N show some 70 % of what type K shows above the
 * terminals: 19 K and the same lag are missing from 115 C on, and 30 K, a jump on any plate, from 140 C on.
 *
 * What has no instant of its own here, or shows only in what a recipe feeds, has no promise: the rails' faults, two plugs
 * changed on a plate that is warm. */
/* clang-format off */
const struct world_fault world_faults[] = {
    [UNSEATED] = { "sensor-unseated", "the plate's first sensor slides off: it reads a third of the rise",
        {SIGHT_ABOVE, 79, 20, "sensors-disagree sensor-unseated sensor-jump"},
        {SIGHT_HOT, 108, 15, "sensor-unseated sensor-jump"} },
    [OPEN] = { "sensor-open", "the plate's first sensor breaks or is unplugged",
        {SIGHT_PLATE, 0, 1, "sensor-open sensor-range"},
        {SIGHT_PLATE, 0, 1, "sensor-open sensor-range"} },
    [FROZEN] = { "sensor-frozen", "the plate's first sensor repeats its last value for ever",
        {SIGHT_STILL, 16, 10, "sensor-frozen sensors-disagree sensor-unseated heat-uncommanded"},
        {SIGHT_STILL, 16, 10, "sensor-frozen sensor-unseated heat-uncommanded"} },
    [STUCK_ON] = { "heater-stuck-on", "the heater's switch welds shut: full power whatever is asked",
        {SIGHT_OVER, 20, 20, "heat-uncommanded plate-over"},
        {SIGHT_OVER, 20, 20, "heat-uncommanded plate-over"} },
    [SILENT] = { "device-silent", "the plate's instrument neither hears nor answers any more",
        {SIGHT_PLATE, 0, 1, "device-silent sensor-stale"},
        {SIGHT_PLATE, 0, 1, "device-silent sensor-stale"} },
    [SHORT] = { "board-short", "a part of the board shorts its rail to ground",
        {.when = SIGHT_NEVER},
        {.when = SIGHT_NEVER} },
    [STOP] = { "stop-pressed", "the operator presses stop",
        {SIGHT_RUN, 0, 0.2, "stop-pressed"},
        {SIGHT_RUN, 0, 0.2, "stop-pressed"} },
    [HANG] = { "recipe-hang", "the recipe stops answering",
        {SIGHT_HEAT, 0, 2.2, "recipe-silent"},
        {SIGHT_HEAT, 0, 2.2, "recipe-silent"} },
    [CUTOFF_STUCK] = { "cut-off-stuck", "the cut-off in the plate's mains welds shut",
        {.when = SIGHT_NEVER},
        {.when = SIGHT_NEVER} },
    [IGNORES] = { "controller-ignores-set-point", "a plate that holds its set-point takes no other any more",
        {SIGHT_OVER, 20, 20, "heat-uncommanded plate-over device-silent"},
        {SIGHT_OVER, 20, 20, "heat-uncommanded plate-over device-silent"} },
    [GIBBERISH] = { "reader-gibberish", "what reads the plate's first sensor sends nonsense",
        {SIGHT_PLATE, 0, 1, "device-silent sensor-stale"},
        {SIGHT_PLATE, 0, 1, "device-silent sensor-stale"} },
    [UNPLUGGED] = { "usb-unplugged", "the plate's serial adapter is pulled out: port and lines drop",
        {SIGHT_PLATE, 0, 1, "device-silent sensor-stale"},
        {SIGHT_PLATE, 0, 1, "device-silent sensor-stale"} },
    [SHOWS_80] = { "sensor-shows-80", "the plate's first sensor slips partly: it reads 80 % of the rise",
        {SIGHT_ABOVE, 123, 20, "sensors-disagree sensor-unseated sensor-jump"},
        {SIGHT_NEVER, 0, 0, "sensor-unseated sensor-jump"} },
    [SHOWS_60] = { "sensor-shows-60", "the plate's first sensor slips partly: it reads 60 % of the rise",
        {SIGHT_ABOVE, 79, 20, "sensors-disagree sensor-unseated sensor-jump"},
        {SIGHT_HOT, 103, 15, "sensor-unseated sensor-jump"} },
    [SHOWS_40] = { "sensor-shows-40", "the plate's first sensor slips partly: it reads 40 % of the rise",
        {SIGHT_ABOVE, 66, 20, "sensors-disagree sensor-unseated sensor-jump"},
        {SIGHT_HOT, 74, 15, "sensor-unseated sensor-jump"} },
    [SPIKE] = { "sensor-spike", "the plate's first sensor reads wildly for two tenths of a second",
        {.when = SIGHT_CALM},
        {.when = SIGHT_CALM} },
    [NOISE] = { "sensor-noise", "the plate's first sensor reads wildly from then on",
        {SIGHT_PLATE, 0, 1, "sensor-jump sensor-range"},
        {SIGHT_PLATE, 0, 1, "sensor-jump sensor-range"} },
    [DRIFT] = { "sensor-drift", "the plate's first sensor reads less and less, by 3 K a minute",
        {SIGHT_PLATE, 0, 420, "sensors-disagree sensor-unseated"},
        {SIGHT_NEVER, 0, 0, "sensor-unseated"} },
    [REVERSED] = { "sensor-reversed", "the plate's first sensor is connected the wrong way round",
        {SIGHT_WARMER, 13.5, 7, "sensors-disagree sensor-unseated sensor-jump sensor-range"},
        {SIGHT_WARMER, 15, 4, "sensor-unseated sensor-jump sensor-range"} },
    [SWAPPED] = { "sensors-swapped", "the plate's first sensor and the board's change their plugs",
        {SIGHT_NEVER, 0, 0, "sensors-disagree sensor-unseated sensor-jump"},
        {SIGHT_NEVER, 0, 0, "sensors-disagree sensor-unseated sensor-jump"} },
    [FAHRENHEIT] = { "reader-fahrenheit", "what reads the plate's first sensor tells degrees Fahrenheit",
        {SIGHT_PLATE, 0, 1, "sensor-jump"},
        {SIGHT_PLATE, 0, 1, "sensor-jump"} },
    [MAINS_LOW] = { "mains-low", "the mains fall to 85 % of their volts",
        {.when = SIGHT_CALM},
        {.when = SIGHT_CALM} },
    [MAINS_HIGH] = { "mains-high", "the mains rise to 110 % of their volts",
        {.when = SIGHT_CALM},
        {.when = SIGHT_CALM} },
    [DRAFT] = { "draft", "a window is opened: air takes half as much heat again",
        {.when = SIGHT_CALM},
        {.when = SIGHT_CALM} },
    [DESK_FAN] = { "desk-fan", "a fan on the table: air takes three times as much heat",
        {.when = SIGHT_CALM},
        {.when = SIGHT_CALM} },
    [SUPPLY_DRIFTS] = { "supply-drifts", "the supply gives a tenth more volts than it is told",
        {SIGHT_NEVER, 0, 0, "supply-over-volts supply-disobeys"},
        {SIGHT_NEVER, 0, 0, "supply-over-volts supply-disobeys"} },
    [FAN_DEAD] = { "fan-dead", "the plate's fan stands still, whatever its instrument tells",
        {.when = SIGHT_CALM},
        {.when = SIGHT_CALM} },
    [COLD_LOST] = { "cold-junction-lost", "the plate's first reader takes its terminals for 0 C: it reads low",
        {SIGHT_PLATE, 0, 1, "sensor-jump"},
        {SIGHT_PLATE, 0, 1, "sensor-jump"} },
    [COLD_DRIFTS] = { "cold-junction-drifts", "the plate's first reader takes its terminals for colder, to 30 K",
        {SIGHT_NEVER, 0, 0, "sensors-disagree sensor-unseated sensor-range"},
        {SIGHT_NEVER, 0, 0, "sensor-unseated sensor-range"} },
    [MAINS_LOST] = { "mains-lost", "the plate's mains are gone for good",
        {SIGHT_NEVER, 0, 0, "sensor-unseated"},
        {SIGHT_NEVER, 0, 0, "sensor-unseated"} },
    [RAIL_FED] = { "rail-fed", "the board's rails carry 1.8 V from a source that nobody took out",
        {SIGHT_NEVER, 0, 0, "supply-over-volts supply-disobeys"},
        {SIGHT_NEVER, 0, 0, "supply-over-volts supply-disobeys"} },
    [SHORTED] = { "sensor-shorted", "the plate's first sensor is shorted: it reads its terminals",
        {SIGHT_ABOVE, 52, 20, "sensors-disagree sensor-unseated sensor-jump"},
        {SIGHT_HOT, 60, 3, "sensor-unseated sensor-jump"} },
    [WRONG_TYPE] = { "sensor-wrong-type", "the plate's first sensor has wires of type N, whatever is stated",
        {SIGHT_ABOVE, 115, 20, "sensors-disagree sensor-unseated sensor-jump"},
        {SIGHT_HOT, 140, 15, "sensor-unseated sensor-jump"} },
    [ON_RAIL] = { "sensor-on-rail", "the board's sensor touches a fed net: it reads 30 K more meanwhile",
        {SIGHT_NEVER, 0, 0, "sensor-jump power-on-hot-board"},
        {SIGHT_NEVER, 0, 0, "sensor-jump power-on-hot-board"} },
    [SUPPLY_STUCK] = { "supply-stuck-on", "the supply says off and feeds on",
        {SIGHT_NEVER, 0, 0, "supply-disobeys supply-over-volts heat-while-powered"},
        {SIGHT_NEVER, 0, 0, "supply-disobeys supply-over-volts heat-while-powered"} },
    [LIMIT_LOST] = { "supply-limit-lost", "the supply gives all that is drawn, whatever amps it is told",
        {SIGHT_NEVER, 0, 0, "supply-over-amps supply-disobeys"},
        {SIGHT_NEVER, 0, 0, "supply-over-amps supply-disobeys"} },
    [STALLS] = { "link-stalls", "the port of the plate's instrument stands still for half a second",
        {.when = SIGHT_CALM},
        {.when = SIGHT_CALM} },
    [RESTARTS] = { "plate-restarts", "a plate's line instrument starts anew, as after a dip of its power",
        {SIGHT_PLATE, 0, 1, "device-silent"},
        {SIGHT_PLATE, 0, 1, "device-silent"} },
    [TAKEN] = { "board-taken", "the board is taken off the plate, and nobody says so",
        {.when = SIGHT_NEVER},
        {.when = SIGHT_NEVER} },
    [BOARD_UNSEATED] = { "board-unseated", "the board does not lie flat: a quarter of its contact is left",
        {.when = SIGHT_NEVER},
        {.when = SIGHT_NEVER} },
    [WET_SWAB] = { "wet-swab", "a wet swab is held on the board's sensor for 8 s, and nobody says so",
        {.when = SIGHT_CALM},
        {.when = SIGHT_CALM} },
};
/* clang-format on */

const int world_fault_count = KINDS;

/* Loose, open, frozen, shorted: it is one of these. */
static bool is_state_of_tip(int which)
{
    return which == UNSEATED || which == OPEN || which == FROZEN || which == SHORTED;
}

static bool is_slip(int which)
{
    return which == SHOWS_80 || which == SHOWS_60 || which == SHOWS_40;
}

bool world_fault_replaces(int later, int earlier)
{
    return (is_state_of_tip(later) && (is_state_of_tip(earlier) || is_slip(earlier))) ||
           (is_slip(later) && is_slip(earlier));
}

bool world_fault_veils_still(int which)
{
    return which == COLD_DRIFTS || which == STUCK_ON;
}

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

static struct tip *tip_on(struct world *world, enum sensor_id touched)
{
    for (int i = 0; i < world->setup.instruments; i++)
        for (int k = 0; k < world->instrument[i].setup.channels; k++)
            if (world->instrument[i].tip[k].touches == touched)
                return &world->instrument[i].tip[k];
    return NULL;
}

static void slip(struct world *world, double share)
{
    tip_slip(tip_on(world, SENSOR_PLATE), share);
}

static void swap(struct world *world)
{
    struct tip *plate = tip_on(world, SENSOR_PLATE), *board = tip_on(world, SENSOR_BOARD);
    plate->touches = SENSOR_BOARD;
    board->touches = SENSOR_PLATE;
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

void world_unplug(struct world *world, int i)
{
    unplug(world->instrument[i].host);
}

static bool holds_set_point(const struct world *world)
{
    if (world->plate_instrument < 0)
        return false;
    const struct world_instrument_setup *setup = &world->setup.instrument[world->plate_instrument];
    return setup->kind == WORLD_MODBUS || (setup->kind == WORLD_LINE && setup->regulates);
}

/* Wild readings for so long, a drift from now on. */
static void disturb(struct world *world, int which, int64_t t_ms)
{
    struct tip *tip = tip_on(world, SENSOR_PLATE);
    if (which == SPIKE)
        tip->wild_until_ms = t_ms + 200;
    if (which == NOISE)
        tip->wild_until_ms = INT64_MAX;
    if (which == DRIFT)
        tip->drifts_from_ms = t_ms;
    tip->reversed = tip->reversed || which == REVERSED;
    tip->fahrenheit = tip->fahrenheit || which == FAHRENHEIT;
    tip->wrong_type = tip->wrong_type || which == WRONG_TYPE;
}

/* What it was told is gone, and nobody it answered knows. */
static void restart(struct instrument *plate, int64_t t_ms)
{
    plate->begun_ms = t_ms;
    plate->inbox_length = 0;
    plate->line = (struct line_state){.valid_ms = t_ms};
}

static void strike(struct world *world, int which, int64_t t_ms)
{
    switch (which) {
    case SHOWS_80:
        slip(world, 0.8);
        break;
    case SHOWS_60:
        slip(world, 0.6);
        break;
    case SHOWS_40:
        slip(world, 0.4);
        break;
    case SPIKE:
    case NOISE:
    case DRIFT:
    case REVERSED:
    case FAHRENHEIT:
    case WRONG_TYPE:
        disturb(world, which, t_ms);
        break;
    case SWAPPED:
        swap(world);
        break;
    case MAINS_LOW:
        world->mains = 0.85;
        break;
    case MAINS_HIGH:
        world->mains = 1.10;
        break;
    case DRAFT:
        world->input.draft = 1.5;
        break;
    case DESK_FAN:
        world->input.draft = 3;
        break;
    case SUPPLY_DRIFTS:
        world->supply_gain = 1.1;
        break;
    case FAN_DEAD:
        world->fan_dead = true;
        break;
    case COLD_LOST:
        plate_reader(world)->cold_lost = true;
        break;
    case COLD_DRIFTS:
        plate_reader(world)->cold_drifts_from_ms = t_ms;
        break;
    case MAINS_LOST:
        world->mains = 0;
        break;
    case RAIL_FED:
        world->rails_fed = true;
        break;
    case SHORTED:
        first_plate_tips(world, TIP_SHORTED);
        break;
    case ON_RAIL:
        tip_on(world, SENSOR_BOARD)->on_rail = true;
        break;
    case SUPPLY_STUCK:
        world->supply_stuck = true;
        break;
    case LIMIT_LOST:
        world->limit_lost = true;
        break;
    case STALLS:
        plate_port(world)->stalled_until_ms = t_ms + STALL_MS;
        break;
    case RESTARTS:
        restart(&world->instrument[world->plate_instrument], t_ms);
        break;
    case TAKEN:
        thermal_remove(&world->thermal);
        world->history_count = 0;
        break;
    case BOARD_UNSEATED:
        if (!world->unseated)
            thermal_unseat(&world->thermal);
        world->unseated = true;
        break;
    case WET_SWAB:
        tip_on(world, SENSOR_BOARD)->wet_until_ms = t_ms + SWAB_MS;
        break;
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
        strike(world, fault->which, t_ms);
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
    if ((which == GIBBERISH && !plate_reader(world)) ||
        ((which == UNPLUGGED || which == STALLS) && !plate_port(world)))
        return tl_error_set(error, TL_MISSING, "%s: nothing of the plate hangs on a port",
                            world_faults[which].name);
    if ((which == SWAPPED || which == ON_RAIL || which == WET_SWAB) &&
        !(world->setup.board_sensor && tip_on(world, SENSOR_BOARD)))
        return tl_error_set(error, TL_MISSING, "%s: this bench has no board sensor",
                            world_faults[which].name);
    if (which == FAN_DEAD && !(world->setup.plate.fan_loss_w_k > 0))
        return tl_error_set(error, TL_MISSING, "fan-dead: this bench has no fan");
    if ((which == COLD_LOST || which == COLD_DRIFTS) && !plate_reader(world))
        return tl_error_set(error, TL_MISSING, "%s: this bench has no plate sensor",
                            world_faults[which].name);
    if (which == RAIL_FED &&
        (world->supply_instrument < 0 || !world->has_board || world->board.rail_count == 0))
        return tl_error_set(error, TL_MISSING,
                            "rail-fed: this bench has no supply, or its board no rail");
    if (which == RESTARTS && !(world->plate_instrument >= 0 &&
                               world->setup.instrument[world->plate_instrument].kind == WORLD_LINE))
        return tl_error_set(error, TL_MISSING, "plate-restarts: no line instrument on this bench");
    if ((which == SUPPLY_DRIFTS || which == SUPPLY_STUCK || which == LIMIT_LOST) &&
        world->supply_instrument < 0)
        return tl_error_set(error, TL_MISSING, "%s: this bench has no supply",
                            world_faults[which].name);
    if ((which == TAKEN || which == BOARD_UNSEATED) && !world->has_board)
        return tl_error_set(error, TL_MISSING, "%s: there is no board", world_faults[which].name);
    if (((which >= SHOWS_80 && which <= FAHRENHEIT) || which == SHORTED || which == WRONG_TYPE) &&
        !tip_on(world, SENSOR_PLATE))
        return tl_error_set(error, TL_MISSING, "%s: this bench has no plate sensor",
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
