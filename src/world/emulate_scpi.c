/* SPDX-License-Identifier: MIT */
/* A bench supply and a bench meter that speak SCPI-99: short and long forms, optional nodes, compound
 * messages, an error queue of ten. The supply knows volts, amps and its output; of rails it knows nothing. */
#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "inside.h"

enum { NODES = 6 };

struct node {
    const char *at;
    size_t length;
};

/* A header as sent, after the path rule: "SOUR:VOLT?" */
struct header {
    struct node node[NODES];
    int nodes;
    bool query;
};

struct call {
    struct instrument *instrument;
    const char *argument; /* blanks around it gone; length 0: none */
    size_t length;
    struct bytes *out;
};

struct error_text {
    int code, event_bit;
    const char *text;
};

/* clang-format off */
static const struct error_text errors[] = {
    { -100, 5, "Command error" },
    { -102, 5, "Syntax error" },
    { -104, 5, "Data type error" },
    { -108, 5, "Parameter not allowed" },
    { -109, 5, "Missing parameter" },
    { -113, 5, "Undefined header" },
    { -222, 4, "Data out of range" },
    { -224, 4, "Illegal parameter value" },
    { -350, 3, "Queue overflow" },
    { -363, 3, "Input buffer overrun" },
};
/* clang-format on */

static const struct error_text *error_of(int code)
{
    for (size_t i = 0; i < sizeof errors / sizeof errors[0]; i++)
        if (errors[i].code == code)
            return &errors[i];
    return &errors[0];
}

void scpi_error(struct scpi_state *scpi, int code)
{
    scpi->event_bits |= 1 << error_of(code)->event_bit;
    if (scpi->errors < SCPI_ERRORS)
        scpi->code[scpi->errors++] = code;
    else
        scpi->code[SCPI_ERRORS - 1] = -350; /* the newest is lost, and says so */
}

static void fail(struct call *call, int code)
{
    scpi_error(&call->instrument->scpi, code);
}

/* ---- numbers ---- */

static const char *digits(const char *at, const char *end, double *sum, int *count)
{
    for (; at < end && isdigit((unsigned char)*at); at++, ++*count)
        *sum = *sum * 10 + (*at - '0');
    return at;
}

static double ten_to(int power)
{
    double value = 1;
    for (int i = 0; i < abs(power) && i < 60; i++)
        value *= 10;
    return power < 0 ? 1 / value : value;
}

/* NRf: sign, digits, point, exponent. Moves *at; false: no number there. */
static bool take_nrf(const char **at, const char *end, double *value)
{
    const char *from = *at;
    double sign = 1, sum = 0;
    int whole = 0, parts = 0, power = 0, powers = 0;
    if (from < end && (*from == '+' || *from == '-'))
        sign = *from++ == '-' ? -1 : 1;
    from = digits(from, end, &sum, &whole);
    if (from < end && *from == '.')
        from = digits(from + 1, end, &sum, &parts);
    if (whole + parts == 0)
        return false;
    if (from < end && (*from == 'e' || *from == 'E')) {
        const char *exponent = from + 1;
        double size = 0;
        bool minus = exponent < end && *exponent == '-';
        exponent += exponent < end && (*exponent == '-' || *exponent == '+');
        exponent = digits(exponent, end, &size, &powers);
        if (powers > 0) {
            power = (int)fmin(size, 50) * (minus ? -1 : 1);
            from = exponent;
        }
    }
    *at = from;
    *value = sign * sum * ten_to(power - parts);
    return true;
}

static bool same_word(const char *word, size_t length, const char *text)
{
    if (strlen(text) != length)
        return false;
    for (size_t i = 0; i < length; i++)
        if (toupper((unsigned char)word[i]) != text[i])
            return false;
    return true;
}

/* A number with the suffix `unit` ("V"), its milli form, or none. */
static int number(const struct call *call, const char *unit, double *value)
{
    const char *at = call->argument, *end = at + call->length;
    if (call->length == 0)
        return -109;
    if (!take_nrf(&at, end, value))
        return -104;
    while (at < end && *at == ' ')
        at++;
    size_t left = (size_t)(end - at);
    char milli[4] = {'M', unit[0], 0};
    if (left == 0 || same_word(at, left, unit))
        return 0;
    if (!same_word(at, left, milli))
        return -104;
    *value *= 1e-3;
    return 0;
}

static void say_milli(struct call *call, double value)
{
    bytes_fixed(call->out, lround(value * 1000), 3);
}

/* ---- what it does ---- */

static void set_level(struct call *call, const char *unit, double most, double *level)
{
    double value;
    int code = number(call, unit, &value);
    if (code == 0 && !(value >= 0 && value <= most))
        code = -222;
    if (code)
        fail(call, code);
    else
        *level = value;
}

static void do_volts(struct call *call)
{
    set_level(call, "V", call->instrument->setup.max_volts, &call->instrument->scpi.set_v);
}

static void do_amps(struct call *call)
{
    set_level(call, "A", call->instrument->setup.max_amps, &call->instrument->scpi.set_a);
}

static void do_output(struct call *call)
{
    const char *a = call->argument;
    size_t n = call->length;
    if (n == 0)
        fail(call, -109);
    else if (same_word(a, n, "ON") || same_word(a, n, "1"))
        call->instrument->scpi.on = true;
    else if (same_word(a, n, "OFF") || same_word(a, n, "0"))
        call->instrument->scpi.on = false;
    else
        fail(call, -224);
}

static void do_reset(struct call *call)
{
    struct scpi_state *scpi = &call->instrument->scpi;
    scpi->set_v = scpi->set_a = 0;
    scpi->on = false;
}

static void do_clear(struct call *call)
{
    call->instrument->scpi.errors = 0;
    call->instrument->scpi.event_bits = 0;
}

static void do_nothing(struct call *call)
{
    (void)call; /* *WAI: nothing here ever lasts */
}

static void do_complete(struct call *call)
{
    call->instrument->scpi.event_bits |= 1;
}

static void say_identity(struct call *call)
{
    bytes_text(call->out, call->instrument->setup.identity);
    if (!strchr(call->instrument->setup.identity, ','))
        bytes_text(call->out, ",PS-20,0,1.0"); /* four fields, as IEEE 488.2 wants */
}

static void say_one(struct call *call)
{
    bytes_char(call->out, '1');
}

static void say_zero(struct call *call)
{
    bytes_char(call->out, '0');
}

static void say_events(struct call *call)
{
    bytes_int(call->out, call->instrument->scpi.event_bits);
    call->instrument->scpi.event_bits = 0;
}

/* IEEE 488.2 status byte: 4 the error queue holds something, 32 an enabled event, 64 a reason for service. */
static void say_status(struct call *call)
{
    const struct scpi_state *scpi = &call->instrument->scpi;
    int status = (scpi->errors > 0 ? 4 : 0) | (scpi->event_bits & scpi->event_mask ? 32 : 0);
    bytes_int(call->out, status | (status & scpi->service_mask ? 64 : 0));
}

static void say_error(struct call *call)
{
    struct scpi_state *scpi = &call->instrument->scpi;
    if (scpi->errors == 0) {
        bytes_text(call->out, "0,\"No error\"");
        return;
    }
    const struct error_text *error = error_of(scpi->code[0]);
    bytes_int(call->out, error->code);
    bytes_text(call->out, ",\"");
    bytes_text(call->out, error->text);
    bytes_char(call->out, '"');
    scpi->errors--;
    memmove(scpi->code, scpi->code + 1, (size_t)scpi->errors * sizeof scpi->code[0]);
}

static void say_version(struct call *call)
{
    bytes_text(call->out, "1999.0");
}

static void say_volts(struct call *call)
{
    say_milli(call, call->instrument->scpi.set_v);
}

static void say_amps(struct call *call)
{
    say_milli(call, call->instrument->scpi.set_a);
}

static void say_output(struct call *call)
{
    bytes_char(call->out, call->instrument->scpi.on ? '1' : '0');
}

/* What it measures: half a count of noise, never below nothing. */
static void say_measured(struct call *call, double value)
{
    double noise = 0.0005 * random_normal(&call->instrument->world->noise);
    say_milli(call, fmax(value + (value > 0 ? noise : 0), 0));
}

static void measure_volts(struct call *call)
{
    say_measured(call, electrical_volts(call->instrument->world));
}

static void measure_amps(struct call *call)
{
    say_measured(call, electrical_amps(call->instrument->world));
}

/* ---- the meter ---- */

/* Six digits and an exponent; what is beyond the range is SCPI's infinity. */
static void say_real(struct call *call, double value, double most)
{
    if (!(value <= most)) {
        bytes_text(call->out, "+9.90000E+37");
        return;
    }
    int power = value > 0 ? (int)floor(log10(value)) : 0;
    power = power < -9 ? -9 : power;
    bytes_char(call->out, '+');
    bytes_fixed(call->out, lround(value * ten_to(5 - power)), 5);
    bytes_char(call->out, 'E');
    bytes_char(call->out, power < 0 ? '-' : '+');
    if (abs(power) < 10)
        bytes_char(call->out, '0');
    bytes_int(call->out, abs(power));
}

static void meter_ohms(struct call *call)
{
    struct world *world = call->instrument->world;
    say_real(call, world_rail_ohms(world, world->probed), 60e6);
}

static void meter_diode(struct call *call)
{
    struct world *world = call->instrument->world;
    say_real(call, world_rail_diode_v(world, world->probed), 3);
}

static void meter_volts(struct call *call)
{
    struct world *world = call->instrument->world;
    double there =
        world->probed == world->rail ? world->supply_v : electrical_fed_v(world, world->probed);
    say_real(call, fmax(there + 0.0005 * random_normal(&world->noise), 0), 60);
}

static void set_mask(struct call *call, int *mask)
{
    double value;
    int code = number(call, "#", &value); /* a mask has no unit */
    if (code == 0 && !(value >= 0 && value <= 255))
        code = -222;
    if (code)
        fail(call, code);
    else
        *mask = (int)lround(value);
}

static void do_event_mask(struct call *call)
{
    set_mask(call, &call->instrument->scpi.event_mask);
}

static void do_service_mask(struct call *call)
{
    set_mask(call, &call->instrument->scpi.service_mask);
}

static void say_event_mask(struct call *call)
{
    bytes_int(call->out, call->instrument->scpi.event_mask);
}

static void say_service_mask(struct call *call)
{
    bytes_int(call->out, call->instrument->scpi.service_mask);
}

struct command {
    const char *pattern; /* capitals are the short form, [] may be left out */
    void (*set)(struct call *call);
    void (*query)(struct call *call);
    bool has_argument;
};

/* clang-format off */
static const struct command common[] = {
    { "*IDN",                                            NULL,        say_identity,  false },
    { "*RST",                                            do_reset,    NULL,          false },
    { "*CLS",                                            do_clear,    NULL,          false },
    { "*OPC",                                            do_complete, say_one,       false },
    { "*WAI",                                            do_nothing,  NULL,          false },
    { "*TST",                                            NULL,        say_zero,      false },
    { "*ESR",                                            NULL,        say_events,    false },
    { "*ESE",                                            do_event_mask, say_event_mask, true },
    { "*SRE",                                            do_service_mask, say_service_mask, true },
    { "*STB",                                            NULL,        say_status,    false },
    { "SYSTem:ERRor[:NEXT]",                             NULL,        say_error,     false },
    { "SYSTem:VERSion",                                  NULL,        say_version,   false },
};
static const struct command supply[] = {
    { "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", do_volts,   say_volts,     true },
    { "[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", do_amps,    say_amps,      true },
    { "OUTPut[:STATe]",                                  do_output,   say_output,    true },
    { "MEASure[:SCALar]:VOLTage[:DC]",                   NULL,        measure_volts, false },
    { "MEASure[:SCALar]:CURRent[:DC]",                   NULL,        measure_amps,  false },
};
static const struct command meter[] = {
    { "MEASure[:SCALar]:RESistance",                     NULL,        meter_ohms,    false },
    { "MEASure[:SCALar]:DIODe",                          NULL,        meter_diode,   false },
    { "MEASure[:SCALar]:VOLTage[:DC]",                   NULL,        meter_volts,   false },
};
/* clang-format on */

/* ---- headers ---- */

/* Short form (the capitals) or the whole word, any case. */
static bool node_is(const struct node *node, const char *pattern, size_t length)
{
    size_t capitals = 0;
    while (capitals < length && !islower((unsigned char)pattern[capitals]))
        capitals++;
    if (node->length != capitals && node->length != length)
        return false;
    for (size_t i = 0; i < node->length; i++)
        if (toupper((unsigned char)node->at[i]) != toupper((unsigned char)pattern[i]))
            return false;
    return true;
}

/* The rest of a pattern against the rest of the nodes; an optional node may be skipped. */
static bool matches(const char *pattern, const struct node *node, int nodes)
{
    if (*pattern == 0)
        return nodes == 0;
    bool optional = *pattern == '[';
    const char *word = pattern + strspn(pattern, "[:");
    size_t length = strcspn(word, ":[]");
    const char *rest = word + length;
    rest += strspn(rest, optional ? ":]" : ":");
    if (nodes > 0 && node_is(node, word, length) && matches(rest, node + 1, nodes - 1))
        return true;
    return optional && matches(rest, node, nodes);
}

/* Splits "A:B:C?" onto the nodes that are there already. False: too deep or an empty node. */
static bool split(const char *at, size_t length, struct header *header)
{
    header->query = length > 0 && at[length - 1] == '?';
    const char *end = at + length - header->query;
    while (at <= end) {
        const char *colon = memchr(at, ':', (size_t)(end - at));
        const char *stop = colon ? colon : end;
        if (stop == at || header->nodes >= NODES)
            return false;
        header->node[header->nodes++] = (struct node){at, (size_t)(stop - at)};
        at = stop + 1;
    }
    return header->nodes > 0;
}

static const struct command *find_in(const struct command *table, size_t rows,
                                     const struct header *header)
{
    for (size_t i = 0; i < rows; i++)
        if (matches(table[i].pattern, header->node, header->nodes))
            return &table[i];
    return NULL;
}

static const struct command *find(const struct header *header, enum world_instrument kind)
{
    const struct command *command = find_in(common, sizeof common / sizeof common[0], header);
    if (command)
        return command;
    return kind == WORLD_METER ? find_in(meter, sizeof meter / sizeof meter[0], header)
                               : find_in(supply, sizeof supply / sizeof supply[0], header);
}

/* The path rule: a header without a leading colon hangs below the last one's parent. */
static bool resolve(const char *at, size_t length, struct header *path, struct header *header)
{
    if (length > 0 && *at == '*') {
        *header = (struct header){0};
        return split(at, length, header); /* leaves the path alone */
    }
    *header = *path;
    if (length > 0 && *at == ':') {
        header->nodes = 0;
        at++;
        length--;
    }
    if (!split(at, length, header))
        return false;
    *path = *header;
    path->nodes--;
    return true;
}

static void run(struct call *call, const struct header *header)
{
    const struct command *command = find(header, call->instrument->setup.kind);
    void (*act)(struct call *) = command ? header->query ? command->query : command->set : NULL;
    if (!act)
        fail(call, -113);
    else if (call->length > 0 && (header->query || !command->has_argument))
        fail(call, -108);
    else
        act(call);
}

static const char *trim(const char *at, const char **end)
{
    while (at < *end && isspace((unsigned char)*at))
        at++;
    while (*end > at && isspace((unsigned char)(*end)[-1]))
        --*end;
    return at;
}

/* One command of a message; true: it was a query that answered. */
static bool unit(struct instrument *instrument, const char *at, const char *end,
                 struct header *path, struct bytes *out)
{
    at = trim(at, &end);
    if (at == end)
        return false;
    const char *blank = at;
    while (blank < end && !isspace((unsigned char)*blank))
        blank++;
    struct header header;
    struct call call = {.instrument = instrument, .out = out};
    call.argument = trim(blank, &end);
    call.length = (size_t)(end - call.argument);
    if (!resolve(at, (size_t)(blank - at), path, &header)) {
        fail(&call, -102);
        return false;
    }
    size_t before = out->length;
    if (before > 0 && header.query)
        bytes_char(out, ';');
    size_t parted = out->length;
    run(&call, &header);
    if (out->length > parted)
        return true;
    out->length = before;
    return false;
}

void scpi_hear(struct instrument *instrument, const char *line, size_t length)
{
    char storage[REPLY_MAX];
    struct bytes out;
    bytes_init(&out, storage, sizeof storage);
    struct header path = {0};
    int answers = 0;
    const char *end = line + length;
    while (line < end) {
        const char *semicolon = memchr(line, ';', (size_t)(end - line));
        const char *stop = semicolon ? semicolon : end;
        answers += unit(instrument, line, stop, &path, &out);
        line = stop + 1;
    }
    if (answers == 0)
        return;
    bytes_char(&out, '\n');
    int latency_ms = instrument->setup.kind == WORLD_METER ? METER_LATENCY_MS : SCPI_LATENCY_MS;
    instrument_answer(instrument, out.at, out.length, latency_ms * answers);
}
