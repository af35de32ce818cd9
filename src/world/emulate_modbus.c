/* SPDX-License-Identifier: MIT */
/* A Modbus RTU unit ("MODBUS over Serial Line" V1.02, "MODBUS Application Protocol" V1.1b3), from its own
 * side: registers as its setup states them, and behind them a temperature loop that goes on whatever
 * becomes of the line. */
#include <math.h>
#include <string.h>

#include "inside.h"

enum {
    GAP_MS = 12, /* 3.5 characters and what an operating system adds; then a new frame begins */
    READ_HOLDING = 3,
    READ_INPUT = 4,
    WRITE_ONE = 6,
    WRITE_MANY = 16,
    BAD_FUNCTION = 1,
    BAD_ADDRESS = 2,
    BAD_VALUE = 3,
    SAMPLE_MS = 500,
};

/* A request without unit and check. */
struct request {
    uint8_t function;
    uint16_t address, count;
    const uint8_t *data; /* words of a write */
};

static uint16_t word_at(const uint8_t *at)
{
    return (uint16_t)(at[0] << 8 | at[1]);
}

/* ---- registers ---- */

static double told(const struct world_modbus *setup, double c)
{
    return setup->fahrenheit ? c * 9 / 5 + 32 : c;
}

static double meant(const struct world_modbus *setup, double told_degrees)
{
    return setup->fahrenheit ? (told_degrees - 32) * 5 / 9 : told_degrees;
}

static int32_t reading_count(struct instrument *instrument, const struct world_register *at)
{
    const struct world_modbus *setup = &instrument->setup.modbus;
    int32_t value = 0;
    if (!tip_read(instrument, 0, terminals_c(instrument), &value))
        return setup->has_open ? setup->open_count : INT16_MAX;
    return (int32_t)lround(told(setup, value * 1e-3) * at->per_unit);
}

static int32_t count_of(struct instrument *instrument, const struct world_register *at)
{
    const struct world_modbus *setup = &instrument->setup.modbus;
    const struct modbus_state *state = &instrument->modbus;
    switch (at->use) {
    case WORLD_READING:
        return reading_count(instrument, at);
    case WORLD_SET_POINT:
    case WORLD_SET_POINT_BACK:
        return (int32_t)lround(told(setup, state->set_c) * at->per_unit);
    case WORLD_RUN:
        return state->run;
    case WORLD_OUTPUT:
        return (int32_t)lround(100 * state->duty * at->per_unit);
    case WORLD_SILENCE:
        return instrument->setup.silence_ms / 1000 * at->per_unit;
    case WORLD_CONSTANT:
        break;
    }
    return at->value;
}

static uint16_t swapped(const struct world_modbus *setup, uint16_t word)
{
    uint16_t turned = (uint16_t)(word << 8 | word >> 8);
    return setup->low_byte_first ? turned : word;
}

/* The register that `address` is a word of; *which: its first or second. */
static const struct world_register *row_at(const struct world_modbus *setup, bool is_input,
                                           uint16_t address, int *which)
{
    for (int i = 0; i < setup->registers; i++) {
        const struct world_register *at = &setup->map[i];
        *which = address - at->address;
        if (at->is_input == is_input && *which >= 0 && *which < 1 + at->is_long)
            return at;
    }
    return NULL;
}

static int read_words(struct instrument *instrument, const struct request *request, uint8_t *out)
{
    const struct world_modbus *setup = &instrument->setup.modbus;
    const struct world_register *last = NULL;
    int32_t count = 0;
    int which;
    for (int i = 0; i < request->count; i++) {
        const struct world_register *at = row_at(setup, request->function == READ_INPUT,
                                                 (uint16_t)(request->address + i), &which);
        if (!at)
            return BAD_ADDRESS;
        if (at != last) /* both halves of a long one are of one instant */
            count = count_of(instrument, at);
        last = at;
        bool high = at->is_long && (which == 0) != setup->low_word_first;
        uint16_t word = swapped(setup, (uint16_t)((uint32_t)count >> (high ? 16 : 0)));
        out[2 * i] = (uint8_t)(word >> 8);
        out[2 * i + 1] = (uint8_t)word;
    }
    return 0;
}

static int32_t sent_count(const struct world_modbus *setup, const struct world_register *at,
                          const uint8_t *data)
{
    uint16_t first = swapped(setup, word_at(data));
    if (!at->is_long)
        return at->use == WORLD_RUN ? first : (int16_t)first;
    uint16_t second = swapped(setup, word_at(data + 2));
    uint32_t high = setup->low_word_first ? second : first;
    uint32_t low = setup->low_word_first ? first : second;
    return (int32_t)(high << 16 | low);
}

/* One register, whole: half of a long one is no value. */
static int write_words(struct instrument *instrument, const struct request *request)
{
    const struct world_modbus *setup = &instrument->setup.modbus;
    int which;
    const struct world_register *at = row_at(setup, false, request->address, &which);
    if (!at || which != 0 || (at->use != WORLD_SET_POINT && at->use != WORLD_RUN))
        return BAD_ADDRESS;
    if (request->count != 1 + at->is_long)
        return BAD_VALUE;
    int32_t count = sent_count(setup, at, request->data);
    if (at->use == WORLD_RUN) {
        instrument->modbus.run = count;
        if (count != setup->run_on) /* its loop's next sample is not waited for */
            instrument->modbus.duty = instrument->modbus.integral = 0;
    } else if (!instrument->world->set_point_stuck)
        instrument->modbus.set_c = meant(setup, (double)count / at->per_unit);
    return 0;
}

/* ---- frames ---- */

static int wire_ms(const struct instrument *instrument, size_t bytes)
{
    int baud = instrument->setup.baud;
    return baud > 0 ? (int)((bytes * 11000 + (size_t)baud - 1) / (size_t)baud) : 0;
}

static void answer(struct instrument *instrument, const uint8_t *pdu, size_t length, size_t asked)
{
    uint8_t frame[REPLY_MAX];
    frame[0] = instrument->setup.modbus.unit;
    memcpy(frame + 1, pdu, length);
    uint16_t sum = bytes_crc16(frame, length + 1);
    frame[length + 1] = (uint8_t)sum;
    frame[length + 2] = (uint8_t)(sum >> 8);
    int took_ms = wire_ms(instrument, asked) + MODBUS_LATENCY_MS + wire_ms(instrument, length + 3);
    instrument_answer(instrument, (const char *)frame, length + 3, took_ms);
}

static int carry_out(struct instrument *instrument, const struct request *request, uint8_t *pdu,
                     size_t *length)
{
    int refused;
    if (request->function == READ_HOLDING || request->function == READ_INPUT) {
        if (request->count < 1 || request->count > 125)
            return BAD_VALUE;
        pdu[1] = (uint8_t)(2 * request->count);
        refused = read_words(instrument, request, pdu + 2);
        *length = 2 + 2u * request->count;
        return refused;
    }
    refused = write_words(instrument, request);
    *length = 5; /* the head of the request comes back */
    return refused;
}

/* The request in a PDU, or the exception it deserves. */
static int parse(const uint8_t *pdu, size_t length, struct request *request)
{
    *request = (struct request){.function = pdu[0]};
    switch (pdu[0]) {
    case READ_HOLDING:
    case READ_INPUT:
        if (length != 5)
            return BAD_VALUE;
        request->address = word_at(pdu + 1);
        request->count = word_at(pdu + 3);
        return 0;
    case WRITE_ONE:
        if (length != 5)
            return BAD_VALUE;
        request->address = word_at(pdu + 1);
        request->count = 1;
        request->data = pdu + 3;
        return 0;
    case WRITE_MANY:
        if (length < 8 || pdu[5] != length - 6 || word_at(pdu + 3) * 2u != pdu[5])
            return BAD_VALUE;
        request->address = word_at(pdu + 1);
        request->count = word_at(pdu + 3);
        request->data = pdu + 6;
        return 0;
    default:
        return BAD_FUNCTION;
    }
}

static void take_frame(struct instrument *instrument)
{
    const uint8_t *frame = (const uint8_t *)instrument->inbox;
    size_t length = instrument->inbox_length;
    const struct world_modbus *setup = &instrument->setup.modbus;
    uint8_t pdu[REPLY_MAX];
    size_t answered = 2;
    struct request request;
    if (frame[0] != 0 && frame[0] != setup->unit)
        return;
    instrument->modbus.valid_ms = instrument->world->clock.origin_ms;
    size_t head = length - 3 < 5 ? length - 3 : 5; /* a write is answered with its own head */
    memcpy(pdu, frame + 1, head);
    int refused = parse(frame + 1, length - 3, &request);
    if (!refused)
        refused = carry_out(instrument, &request, pdu, &answered);
    if (frame[0] == 0)
        return; /* to all, answered by none */
    if (refused) {
        pdu[0] = (uint8_t)(frame[1] | 0x80);
        pdu[1] = (uint8_t)refused;
        answered = 2;
    }
    answer(instrument, pdu, answered, length);
}

/* Two wires for both directions: what is sent while somebody answers runs into that, and is lost. */
static bool line_is_taken(const struct instrument *instrument, int64_t now_ms)
{
    const struct instrument *host = instrument->host;
    int last = (host->first + host->waiting + REPLIES - 1) % REPLIES;
    return host->waiting > 0 && host->reply[last].due_ms > now_ms;
}

void modbus_hear(struct instrument *instrument, const char *bytes, size_t length)
{
    int64_t now_ms = instrument->world->clock.origin_ms;
    if (line_is_taken(instrument, now_ms)) {
        instrument->inbox_length = 0;
        return;
    }
    if (now_ms - instrument->modbus.heard_ms > GAP_MS) {
        instrument->inbox_length = 0;
        instrument->overrun = false;
    }
    instrument->modbus.heard_ms = now_ms;
    if (length > sizeof instrument->inbox - instrument->inbox_length)
        instrument->overrun = true; /* nothing before the next gap */
    if (instrument->overrun)
        return;
    memcpy(instrument->inbox + instrument->inbox_length, bytes, length);
    instrument->inbox_length += length;
    /* The check over a whole frame, check included, is nothing. */
    if (instrument->inbox_length < 4 ||
        bytes_crc16(instrument->inbox, instrument->inbox_length) != 0)
        return;
    take_frame(instrument);
    instrument->inbox_length = 0;
}

/* ---- the loop behind the registers ---- */

static bool has(const struct world_modbus *setup, enum world_register_use use)
{
    for (int i = 0; i < setup->registers; i++)
        if (setup->map[i].use == use)
            return true;
    return false;
}

static void sample(struct instrument *instrument, double dt_s)
{
    const struct world_modbus *setup = &instrument->setup.modbus;
    struct modbus_state *state = &instrument->modbus;
    bool running = !has(setup, WORLD_RUN) || state->run == setup->run_on;
    if (!running || instrument->tip[0].state == TIP_OPEN || state->set_c <= setup->off_c) {
        state->duty = state->integral = 0;
        return;
    }
    state->duty = regulate(state->set_c - instrument->tip[0].seen_c, &state->integral, dt_s);
}

void modbus_tick(struct instrument *instrument, int64_t t_ms)
{
    const struct world_modbus *setup = &instrument->setup.modbus;
    struct modbus_state *state = &instrument->modbus;
    int period_ms = setup->sample_ms > 0 ? setup->sample_ms : SAMPLE_MS;
    if (!has(setup, WORLD_SET_POINT))
        return;
    if (instrument->setup.silence_ms > 0 &&
        t_ms - state->valid_ms >= instrument->setup.silence_ms) {
        state->set_c = setup->off_c;
        state->run = setup->run_off;
    }
    if (t_ms < state->sample_ms)
        return;
    state->sample_ms += period_ms;
    sample(instrument, period_ms * 1e-3);
}
