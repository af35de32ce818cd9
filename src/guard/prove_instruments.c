/* SPDX-License-Identifier: MIT */
/* What each kind of instrument has to show. A row says what was seen, in figures; what nothing on the bench can
 * show is told as open, never as proved. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "prove_private.h"

enum {
    FIND_MS = 3000,    /* for every instrument to say who it is, as at a run's start */
    READ_MS = 2000,    /* sensors are watched */
    METER_MS = 4000,   /* a meter may take seconds for one value */
    ANSWER_MS = 60000, /* a person, to a question */
    PRESS_MS = 20000,  /* a person, to a contact */
    OBEY_MS = 3000,    /* a controller, to have written and read back */
    FAN_PCT = 30,
    FAN_MS = 500,
    CLOCK_LEAST_MS = 5000,
    CLOCK_OFF_MS = 300,      /* two periods at either end, and what the line adds ... */
    CLOCK_OFF_PERMILLE = 30, /* ... and a microcontroller's own oscillator */
    COLD_MC = 15000,         /* a set-point up to here heats no plate that is at least ... */
    COLDER_MC = 3000,        /* ... this much warmer than it */
    PROBE_MC = 5000,         /* such a set-point lies this much above off */
    SUPPLY_MV = 500,
    SUPPLY_MA = 100,
    LATE_PERCENT = 10, /* of the periods */
    BUDGET_LOOKS = 3,
};

static const struct device_config *config_of(const struct prover *p, int i)
{
    return &p->bench->device[i];
}

static struct device *device_of(struct prover *p, int i)
{
    return &p->guard->device[i];
}

static bool is_found(const struct prover *p, int i)
{
    return !is_missing(p->guard, i);
}

static void quiet_drive(struct prover *p)
{
    p->guard->drive = (struct drive){0};
}

/* ---- who is there ---------------------------------------------------------------------------------------- */

static bool all_found(struct prover *p, int unused)
{
    (void)unused;
    for (int i = 0; i < p->bench->device_count; i++)
        if (p->guard->in_use[i] && device_talks(config_of(p, i)) && !is_found(p, i))
            return false;
    return true;
}

static bool has_checks(const struct device_config *config)
{
    const struct device_register *map = config->controller.map;
    return map[REGISTER_UNIT].used || map[REGISTER_MODE].used || map[REGISTER_MAXIMUM].used ||
           map[REGISTER_IDENTITY].used;
}

/* A Modbus unit has an address and perhaps registers that must read as stated. */
static void tell_unit(struct prover *p, int i)
{
    const struct device_config *config = config_of(p, i);
    if (config->controller.map[REGISTER_IDENTITY].used)
        prove_say(p->talk, PROOF_HOLDS, config->name, "identity",
                  "unit %d answers; %s, as the bench file says", config->controller.unit,
                  device_of(p, i)->said);
    else
        prove_say(p->talk, PROOF_OPEN, config->name, "identity",
                  "unit %d answers%s; no identity_check is stated", config->controller.unit,
                  has_checks(config) ? ", its checks hold" : "");
}

static void tell_identity(struct prover *p, int i)
{
    const struct device_config *config = config_of(p, i);
    const char *said = device_of(p, i)->said;
    if (config->kind == DEVICE_CONTROLLER)
        tell_unit(p, i);
    else if (config->owner_vouches)
        prove_say(p->talk, PROOF_OPEN, config->name, "identity",
                  "it has no identity question: what hangs on its port is its owner's word");
    else if (!said[0])
        prove_say(p->talk, PROOF_OPEN, config->name, "identity",
                  "it is not asked who it is (ask_identity): its owner's word");
    else if (config->identity[0])
        prove_say(p->talk, PROOF_HOLDS, config->name, "identity", "it answers \"%s\"", said);
    else
        prove_say(p->talk, PROOF_OPEN, config->name, "identity",
                  "it answers \"%s\"; the bench file names none, so any would do", said);
}

static void tell_stranger(struct prover *p, int i)
{
    const struct device_config *config = config_of(p, i);
    char words[BENCH_TEXT];
    missing_words(p->guard, i, FIND_MS, words, sizeof words);
    if (config->kind == DEVICE_CONTROLLER && device_of(p, i)->identified && !p->guard->gone[i])
        prove_say(p->talk, PROOF_FAILS, config->name, "off", "%s", words);
    else
        prove_missing(p->talk, config->name, "identity", "%s", words);
}

void prove_identities(struct prover *p)
{
    prove_until(p, all_found, 0, FIND_MS);
    for (int i = 0; i < p->bench->device_count && !p->over; i++) {
        if (!p->guard->in_use[i] || !device_talks(config_of(p, i)))
            continue;
        if (is_found(p, i))
            tell_identity(p, i);
        else
            tell_stranger(p, i);
    }
}

/* ---- what is read ---------------------------------------------------------------------------------------- */

static void tell_sensor(struct prover *p, enum sensor_id id)
{
    const struct seen_sensor *seen = &p->sensor[id];
    const struct temp_reading *now = &p->guard->in.sensor[id];
    char name[BENCH_NAME];
    snprintf(name, sizeof name, "sensor %s", sensor_name(id));
    if (seen->readings > 0 && seen->worst == QUALITY_GOOD && now->quality == QUALITY_GOOD)
        prove_say(p->talk, PROOF_HOLDS, name, "reading",
                  "%.1f C; %d readings in %.1f s, at most %d ms old", now->temp_mc / 1000.0,
                  (int)seen->readings, READ_MS / 1000.0, (int)seen->worst_age_ms);
    else
        prove_say(p->talk, PROOF_FAILS, name, "reading", "%s (%d good ones in %.1f s)",
                  unread_words(p->guard, id, seen->worst), (int)seen->readings, READ_MS / 1000.0);
}

void prove_sensors(struct prover *p)
{
    bool any = false;
    prove_spend(p, 3 * p->bench->period_ms); /* the first reading comes after the name */
    for (enum sensor_id id = 0; id < SENSORS; id++) {
        int32_t device = p->bench->sensor[id].device;
        p->sensor[id] = (struct seen_sensor){.worst = QUALITY_GOOD};
        p->guard->sensor_in_use[id] = p->guard->sensor_in_use[id] && is_found(p, device);
        any = any || p->guard->sensor_in_use[id];
    }
    if (!any)
        return;
    prove_spend(p, READ_MS);
    for (enum sensor_id id = 0; id < SENSORS && !p->over; id++)
        if (p->guard->sensor_in_use[id])
            tell_sensor(p, id);
}

/* ---- the line instrument --------------------------------------------------------------------------------- */

static void prove_off_line(struct prover *p, int i)
{
    struct device *device = device_of(p, i);
    uint32_t before = device->offs;
    guard_last_words(p->guard, p->clock.now_ms(&p->clock));
    prove_spend(p, 3 * p->bench->period_ms);
    int32_t duty = device->channels.duty_permille;
    if (p->over)
        return;
    if (device->offs > before && device->channels.has_duty && duty == 0)
        prove_say(p->talk, PROOF_HOLDS, config_of(p, i)->name, "off",
                  "OFF is acknowledged, and it says that it drives with 0");
    else
        prove_say(p->talk, PROOF_FAILS, config_of(p, i)->name, "off",
                  "OFF is %sacknowledged, and it says that it drives with %.1f %%",
                  device->offs > before ? "" : "not ", duty / 10.0);
}

static bool fan_turns(struct prover *p, int i)
{
    return device_of(p, i)->fan_pct == FAN_PCT;
}

static bool drives_fan(const struct prover *p, int i)
{
    return p->bench->has_fan && i == p->bench->plate_device;
}

/* It stays on: what is on when the silence begins must be off at its end. */
static void prove_fan(struct prover *p, int i)
{
    p->guard->drive.fan_pct = FAN_PCT;
    bool turned = prove_until(p, fan_turns, i, FAN_MS);
    if (!p->over)
        prove_say(p->talk, turned ? PROOF_HOLDS : PROOF_FAILS, config_of(p, i)->name, "fan",
                  "told %d %%, it says %d %%", FAN_PCT, (int)device_of(p, i)->fan_pct);
}

/* Silent for so long; did its timer say, in the first answer after that, that it had fired? */
static bool fires_within(struct prover *p, int i, int64_t silent_ms, bool *answered)
{
    struct seen_device *seen = &p->device[i];
    prove_keep_silent(p, silent_ms);
    seen->silenced = false;
    int32_t answers = seen->answers;
    prove_spend(p, 4 * p->bench->period_ms);
    *answered = seen->answers > answers;
    return seen->silenced;
}

/* Half the time it states must not do, the time that the bench file states must; a tenth more for its clock. */
static void prove_silence_timer(struct prover *p, int i)
{
    const struct device_config *config = config_of(p, i);
    struct device *device = device_of(p, i);
    int64_t short_ms = device->told_silence_ms / 2, long_ms = config->silence_ms * 11 / 10 + 100;
    bool heard_early, heard_late;
    bool early = fires_within(p, i, short_ms, &heard_early);
    quiet_drive(p); /* what ends the long silence is off; until then the fan goes on turning */
    bool late = fires_within(p, i, long_ms, &heard_late);
    if (p->over)
        return;
    if (!heard_early || !heard_late)
        prove_say(p->talk, PROOF_FAILS, config->name, "silence timer",
                  "no answer after a silence of %.1f s",
                  (double)(heard_early ? long_ms : short_ms) / 1000);
    else if (early)
        prove_say(p->talk, PROOF_FAILS, config->name, "silence timer",
                  "it says that it fired within %.1f s; it states %.1f s", (double)short_ms / 1000,
                  device->told_silence_ms / 1000.0);
    else if (!late || device->channels.duty_permille != 0 || device->fan_pct != 0)
        prove_say(p->talk, PROOF_FAILS, config->name, "silence timer",
                  "it had not switched itself off within %.1f s of silence",
                  (double)long_ms / 1000);
    else
        prove_say(p->talk, PROOF_HOLDS, config->name, "silence timer",
                  "off by itself within %.1f s of silence, not within %.1f s",
                  (double)long_ms / 1000, (double)short_ms / 1000);
}

static bool clock_is_long(struct prover *p, int i)
{
    const struct seen_device *seen = &p->device[i];
    return seen->first_up_s >= 0 && seen->last_up_ms - seen->first_up_ms >= CLOCK_LEAST_MS;
}

static void prove_clock(struct prover *p, int i)
{
    const struct seen_device *seen = &p->device[i];
    if (!prove_until(p, clock_is_long, i, 2 * CLOCK_LEAST_MS) && !p->over) {
        prove_say(p->talk, PROOF_FAILS, config_of(p, i)->name, "clock",
                  "its seconds do not count: a reset would not be seen");
        return;
    }
    int64_t ours_ms = seen->last_up_ms - seen->first_up_ms;
    int64_t its_ms = (seen->last_up_s - seen->first_up_s) * 1000;
    int64_t off_ms = llabs(its_ms - ours_ms);
    bool right = off_ms <= CLOCK_OFF_MS + ours_ms * CLOCK_OFF_PERMILLE / 1000;
    if (!p->over)
        prove_say(p->talk, right ? PROOF_HOLDS : PROOF_FAILS, config_of(p, i)->name, "clock",
                  "it counted %d s while this computer counted %.1f s", (int)(its_ms / 1000),
                  (double)ours_ms / 1000);
}

static void prove_line(struct prover *p, int i)
{
    prove_off_line(p, i);
    if (drives_fan(p, i) && !p->over)
        prove_fan(p, i);
    if (!p->over)
        prove_silence_timer(p, i);
    if (!p->over)
        prove_clock(p, i);
}

/* ---- a controller that holds its set-point --------------------------------------------------------------- */

static bool reads_off(struct prover *p, int i)
{
    const struct device *device = device_of(p, i);
    return device->told_known && !device->told_on && device->set_confirmed && !device->run_differs;
}

static bool reads_probe(struct prover *p, int i)
{
    const struct device *device = device_of(p, i);
    return device->told_on && device->set_confirmed && !device->run_differs;
}

static bool has_differed(struct prover *p, int i)
{
    return p->device[i].differed;
}

/* A set-point that heats nothing: above off, and colder than the plate. 0: there is none. */
static int32_t probe_mc(const struct prover *p, int i)
{
    int32_t off_mc = config_of(p, i)->controller.off_mc;
    int32_t mc = off_mc + PROBE_MC > PROBE_MC ? off_mc + PROBE_MC : PROBE_MC;
    const struct temp_reading *plate = &p->guard->in.sensor[SENSOR_PLATE];
    bool colder = plate->quality == QUALITY_GOOD && plate->temp_mc > mc + COLDER_MC;
    return mc <= COLD_MC && colder ? mc : 0;
}

static void prove_set_point(struct prover *p, int i, int32_t mc)
{
    p->guard->drive.heat = true;
    p->guard->drive.setpoint_mc = mc;
    bool obeyed = prove_until(p, reads_probe, i, OBEY_MS);
    if (!p->over)
        prove_say(p->talk, obeyed ? PROOF_HOLDS : PROOF_FAILS, config_of(p, i)->name, "set-point",
                  obeyed ? "%.0f C, colder than the plate, is written and reads back"
                         : "%.0f C, colder than the plate, does not read back",
                  mc / 1000.0);
}

/* It holds a set-point, nobody speaks to it: is that set-point still there afterwards? */
static void prove_timeout(struct prover *p, int i)
{
    const struct device_config *config = config_of(p, i);
    int64_t for_ms = config->silence_ms * 11 / 10 + 500;
    p->device[i].differed = false;
    prove_keep_silent(p, for_ms);
    bool gone = prove_until(p, has_differed, i, OBEY_MS);
    if (!p->over)
        prove_say(p->talk, gone ? PROOF_HOLDS : PROOF_FAILS, config->name, "silence timer",
                  gone ? "its set-point was gone within %.1f s of silence"
                       : "it still held its set-point after %.1f s of silence",
                  (double)for_ms / 1000);
}

static void prove_controller(struct prover *p, int i)
{
    const struct device_config *config = config_of(p, i);
    bool has_timer = config->controller.map[REGISTER_SILENCE].used;
    if (!config->controller.map[REGISTER_SET_POINT].used)
        return;
    bool off = prove_until(p, reads_off, i, OBEY_MS);
    if (!p->over)
        prove_say(p->talk, off ? PROOF_HOLDS : PROOF_FAILS, config->name, "off",
                  off ? "its set-point for off reads back%s"
                      : "its set-point for off does not read back%s",
                  off && config->controller.map[REGISTER_RUN].used ? ", run reads off" : "");
    int32_t mc = off && !p->over ? probe_mc(p, i) : 0;
    if (mc > 0)
        prove_set_point(p, i, mc);
    else if (!p->over)
        prove_say(p->talk, PROOF_OPEN, config->name, "set-point",
                  "not tried: any set-point above off would heat the plate as it is now");
    if (!has_timer && !p->over)
        prove_say(p->talk, PROOF_OPEN, config->name, "silence timer",
                  "none that can be read: without a word it goes on holding its set-point");
    if (has_timer && mc > 0 && !p->over)
        prove_timeout(p, i);
    quiet_drive(p);
    device_init(device_of(p, i), config); /* what it did by itself is no reason to doubt it here */
    prove_until(p, reads_off, i, OBEY_MS);
}

/* ---- the supply ------------------------------------------------------------------------------------------ */

static int32_t least(int32_t a, int32_t b)
{
    return a < b ? a : b;
}

static bool has_set_points(struct prover *p, int i)
{
    const struct device *device = device_of(p, i);
    return device->supply.settled && device->told_mv == p->guard->drive.mv &&
           device->told_ma == p->guard->drive.ma;
}

static void prove_presets(struct prover *p, int i)
{
    const char *name = config_of(p, i)->name;
    const struct device *device = device_of(p, i);
    p->device[i].was_on = false;
    p->guard->drive.preset = true;
    p->guard->drive.mv = least(SUPPLY_MV, p->bench->limits.supply_mv);
    p->guard->drive.ma = least(SUPPLY_MA, p->bench->limits.supply_ma);
    bool took = prove_until(p, has_set_points, i, OBEY_MS);
    prove_spend(p, 3 * p->bench->period_ms); /* its error queue, and whether it stayed off */
    double volts = p->guard->drive.mv / 1000.0, amps = p->guard->drive.ma / 1000.0;
    quiet_drive(p);
    if (p->over)
        return;
    if (p->device[i].was_on)
        prove_say(p->talk, PROOF_FAILS, name, "set-points",
                  "told its set-points alone, it switched its output on");
    else if (!took)
        prove_say(p->talk, PROOF_FAILS, name, "set-points",
                  "told %.3f V and %.3f A, it reads back %.3f V and %.3f A", volts, amps,
                  device->read_back_mv / 1000.0, device->read_back_ma / 1000.0);
    else if (device->supply.error != 0)
        prove_say(p->talk, PROOF_FAILS, name, "set-points",
                  "they read back, but its error queue says %d: a command it does not know",
                  (int)device->supply.error);
    else
        prove_say(p->talk, PROOF_HOLDS, name, "set-points",
                  "%.3f V, %.3f A read back with output off, no error", volts, amps);
}

static void prove_supply(struct prover *p, int i)
{
    const struct device_supply *supply = &device_of(p, i)->supply;
    const char *name = config_of(p, i)->name;
    prove_spend(p, 5 * p->bench->period_ms);
    if (p->over)
        return;
    bool off = supply->quality == QUALITY_GOOD && !supply->on;
    bool dead = off && supply->mv <= FED_MV;
    prove_say(p->talk, dead ? PROOF_HOLDS : PROOF_FAILS, name, "off",
              dead  ? "it says off; %.2f V and %.2f A measured at its output"
              : off ? "it says off, and %.2f V and %.2f A stand at its output: take its leads off"
                    : "told off, it says on; %.2f V and %.2f A measured",
              supply->mv / 1000.0, supply->ma / 1000.0);
    if (off)
        prove_presets(p, i);
    if (!p->over)
        prove_say(p->talk, PROOF_OPEN, name, "off path",
                  "none: it keeps output and current limit when all dies");
}

/* ---- meter, contacts ------------------------------------------------------------------------------------- */

static void prove_meter(struct prover *p, int i)
{
    p->meter_answers = 0;
    p->guard->drive.meter = METER_VOLTS;
    prove_spend(p, METER_MS);
    const struct device_meter *meter = &device_of(p, i)->meter;
    quiet_drive(p);
    if (p->over)
        return;
    if (p->meter_answers == 0)
        prove_say(p->talk, PROOF_FAILS, config_of(p, i)->name, "reading",
                  "no value in %d s when asked for volts", METER_MS / 1000);
    else if (meter->quality == QUALITY_OPEN)
        prove_say(p->talk, PROOF_HOLDS, config_of(p, i)->name, "reading",
                  "over its range; %d answers in %d s", (int)p->meter_answers, METER_MS / 1000);
    else
        prove_say(p->talk, PROOF_HOLDS, config_of(p, i)->name, "reading",
                  "%.4f V; %d answers in %d s", (double)meter->micro / 1e6, (int)p->meter_answers,
                  METER_MS / 1000);
}

static bool stop_came(struct prover *p, int i)
{
    return device_of(p, i)->inputs.stops > 0 || prove_answered(p->talk);
}

static bool answer_came(struct prover *p, int i)
{
    return device_of(p, i)->inputs.answers > 0 || prove_answered(p->talk);
}

static void prove_stop_contact(struct prover *p, int i)
{
    const struct device_inputs *inputs = &device_of(p, i)->inputs;
    const char *name = config_of(p, i)->name;
    if (inputs->stop) {
        prove_say(p->talk, PROOF_FAILS, name, "stop",
                  "it reads open: pressed, a cut wire, or a contact that is not normally closed");
        return;
    }
    prove_ask(p->talk, name, "Press the stop contact now, and let it go. (no: leave it out)");
    device_of(p, i)->inputs.stops = 0;
    prove_until(p, stop_came, i, PRESS_MS);
    if (p->over)
        return;
    if (inputs->stops > 0)
        prove_say(p->talk, PROOF_HOLDS, name, "stop", "closed, and a press was seen");
    else
        prove_say(p->talk, PROOF_OPEN, name, "stop",
                  "closed, so its wires are whole; nobody pressed it");
}

static void prove_answer_contact(struct prover *p, int i)
{
    const char *name = config_of(p, i)->name;
    prove_ask(p->talk, name, "Press the answer contact now, and let it go. (no: leave it out)");
    device_of(p, i)->inputs.answers = 0;
    prove_until(p, answer_came, i, PRESS_MS);
    if (p->over)
        return;
    if (device_of(p, i)->inputs.answers > 0)
        prove_say(p->talk, PROOF_HOLDS, name, "answer", "a press was seen");
    else
        prove_say(p->talk, PROOF_OPEN, name, "answer", "nobody pressed it");
}

static void prove_inputs(struct prover *p, int i)
{
    prove_spend(p, 3 * p->bench->period_ms);
    if (config_of(p, i)->inputs.stop != CONTACT_NONE && !p->over)
        prove_stop_contact(p, i);
    if (config_of(p, i)->inputs.answer != CONTACT_NONE && !p->over)
        prove_answer_contact(p, i);
}

/* ---- all of them ----------------------------------------------------------------------------------------- */

static void prove_by_hand(struct prover *p, int i)
{
    prove_say(p->talk, PROOF_OPEN, config_of(p, i)->name, "off",
              p->bench->cutoff_device >= 0 ? "only a hand does it; the cut-off takes its mains away"
                                           : "only a hand switches it off: this program cannot");
}

static void prove_device(struct prover *p, int i)
{
    switch (config_of(p, i)->kind) {
    case DEVICE_LINE:
        prove_line(p, i);
        return;
    case DEVICE_CONTROLLER:
        prove_controller(p, i);
        return;
    case DEVICE_SCPI_SUPPLY:
        prove_supply(p, i);
        return;
    case DEVICE_SCPI_METER:
        prove_meter(p, i);
        return;
    case DEVICE_INPUTS:
        prove_inputs(p, i);
        return;
    case DEVICE_BY_HAND:
        prove_by_hand(p, i);
        return;
    case DEVICE_NONE:
    case DEVICE_CONTACTOR:
    case DEVICE_READER:
    case DEVICE_KINDS:
        return;
    }
}

void prove_instruments(struct prover *p)
{
    for (int i = 0; i < p->bench->device_count && !p->over; i++)
        if (p->guard->in_use[i] && (!device_talks(config_of(p, i)) || is_found(p, i))) {
            prove_device(p, i);
            quiet_drive(p);
        }
}

/* ---- the time that a scan takes -------------------------------------------------------------------------- */

/* Start, data, parity, stop. */
static int32_t wire_ms(const struct bench_port *port, int32_t bytes)
{
    int32_t bits = port->parity == 'N' ? 10 : 11;
    return (bytes * bits * 1000 + port->baud - 1) / port->baud;
}

/* Those that answer within every period: what they take has to fit into it. The others' readings may come more
 * slowly; what they may not is be silent for longer than the guard lets them. */
static bool answers_each_period(const struct device_config *config)
{
    return config->kind == DEVICE_LINE || config->kind == DEVICE_SCPI_SUPPLY;
}

static bool is_timed(struct prover *p, int i)
{
    const struct device_config *config = config_of(p, i);
    /* a meter is only asked when somebody wants its value */
    bool asked = device_talks(config) && config->kind != DEVICE_SCPI_METER;
    return p->guard->in_use[i] && asked && is_found(p, i);
}

static int32_t line_ms(const struct prover *p, int i)
{
    int32_t port = config_of(p, i)->port;
    return wire_ms(&p->bench->port[port], p->counted[port].worst);
}

static int32_t room_ms(const struct prover *p)
{
    return p->bench->period_ms * 8 / 10;
}

static bool fits(const struct prover *p, int i)
{
    const struct seen_device *seen = &p->device[i];
    if (answers_each_period(config_of(p, i)))
        return line_ms(p, i) <= room_ms(p) &&
               p->periods - seen->answers <= p->periods * LATE_PERCENT / 100;
    return line_ms(p, i) <= SILENT_MS && seen->answers > 0 && seen->worst_gap_ms <= SILENT_MS;
}

static void tell_budget(struct prover *p, int i)
{
    const struct device_config *config = config_of(p, i);
    const struct seen_device *seen = &p->device[i];
    enum proof proof = fits(p, i) ? PROOF_HOLDS : PROOF_FAILS;
    int bytes = p->counted[config->port].worst, baud = p->bench->port[config->port].baud;
    if (answers_each_period(config))
        prove_say(p->talk, proof, config->name, "scan budget",
                  "%d bytes, %d ms at %d baud; within %d ms %d of %d times", bytes,
                  (int)line_ms(p, i), baud, (int)room_ms(p), (int)seen->answers, (int)p->periods);
    else
        prove_say(p->talk, proof, config->name, "scan budget",
                  "%d bytes, %d ms at %d baud; every %d ms, %d may be", bytes, (int)line_ms(p, i),
                  baud, (int)seen->worst_gap_ms, SILENT_MS);
}

/* The periods as a run has them; true: everything fitted. */
static bool measure_budgets(struct prover *p)
{
    bool all = true;
    for (int i = 0; i < BENCH_DEVICES; i++)
        p->device[i].answers = p->device[i].worst_gap_ms = 0;
    for (int i = 0; i < BENCH_PORTS; i++)
        p->counted[i].worst = 0;
    p->periods = 0;
    prove_spend(p, READ_MS);
    for (int i = 0; i < p->bench->device_count; i++)
        all = all && (!is_timed(p, i) || fits(p, i));
    return all;
}

/* This computer may be busy for a moment: what does not fit is looked at again. */
void prove_budgets(struct prover *p)
{
    for (int look = 0; look < BUDGET_LOOKS && !measure_budgets(p); look++)
        ;
    for (int i = 0; i < p->bench->device_count && !p->over; i++)
        if (is_timed(p, i))
            tell_budget(p, i);
}

/* ---- the end --------------------------------------------------------------------------------------------- */

/* "" when nothing shows that it is on. */
static const char *what_is_on(struct prover *p, int i)
{
    const struct device *device = device_of(p, i);
    if (device->channels.has_duty && device->channels.duty_permille != 0)
        return "it says that it drives its heater";
    if (config_of(p, i)->kind == DEVICE_LINE && device->fan_pct != 0)
        return "it says that its fan is on";
    if (device->supply.on)
        return "it says that its output is on";
    if (config_of(p, i)->kind == DEVICE_CONTROLLER && !reads_off(p, i) &&
        config_of(p, i)->controller.map[REGISTER_SET_POINT].used)
        return "its set-point for off does not read back";
    return "";
}

void prove_all_off(struct prover *p)
{
    bool all = true, any = false;
    for (int i = 0; i < p->bench->device_count; i++) {
        any = any || (p->guard->in_use[i] && config_of(p, i)->port >= 0);
        const char *on = p->guard->in_use[i] && is_found(p, i) ? what_is_on(p, i) : "";
        all = all && !on[0];
        if (on[0])
            prove_say(p->talk, PROOF_FAILS, config_of(p, i)->name, "off at the end",
                      "%s: switch it off by hand", on);
    }
    if (all && any)
        prove_say(p->talk, PROOF_HOLDS, "bench", "off at the end",
                  "all that is there was told off; none says that it is on");
}
