/* SPDX-License-Identifier: MIT */
/* Modbus RTU frames. Sources: "MODBUS over Serial Line, Specification and Implementation Guide" V1.02
 * (address, CRC, gaps) and "MODBUS Application Protocol" V1.1b3 (functions 03, 04, 06, 16; exceptions). */
#include "tinlatch/device.h"

#include "device_ops.h"

enum { READ_HOLDING = 3, READ_INPUT = 4, WRITE_SINGLE = 6, WRITE_SEVERAL = 16 };
enum { EXCEPTION = 0x80, REGISTERS_MAX = 125, CHECK_BYTES = 2 };

static void add_byte(struct frame *frame, unsigned value)
{
    frame->bytes[frame->length++] = (uint8_t)value;
}

static void add_word(struct frame *frame, uint16_t word)
{
    add_byte(frame, word >> 8);
    add_byte(frame, word & 0xFF);
}

static bool is_read(const struct modbus_request *request)
{
    return request->function == READ_HOLDING || request->function == READ_INPUT;
}

size_t modbus_encode(const struct modbus_request *request, struct frame *frame)
{
    frame->length = 0;
    add_byte(frame, request->unit);
    add_byte(frame, request->function);
    add_word(frame, request->address);
    if (request->function != WRITE_SINGLE)
        add_word(frame, request->count);
    if (request->function == WRITE_SEVERAL)
        add_byte(frame, request->count * 2U);
    for (int i = 0; i < request->count && i < 2 && !is_read(request); i++)
        add_word(frame, request->word[i]);
    uint16_t check = bytes_crc16(frame->bytes, frame->length);
    add_byte(frame, check & 0xFF); /* low byte first, unlike everything else */
    add_byte(frame, check >> 8);
    return frame->length;
}

/* Bytes before the check that the answer to `request` has; an exception has three. */
static size_t answer_size(const struct modbus_request *request)
{
    return is_read(request) ? 3U + request->count * 2U : 6U;
}

static uint16_t word_at(const uint8_t *bytes)
{
    return (uint16_t)(bytes[0] << 8 | bytes[1]);
}

/* What answers this request and no other, byte for byte up to what is there: the answer to a read begins with
 * the count of its bytes; that to a write repeats address and value (06) or address and count (16). */
static bool begins_right(const uint8_t *bytes, size_t length, const struct modbus_request *request)
{
    uint16_t second = request->function == WRITE_SINGLE ? request->word[0] : request->count;
    uint8_t wanted[6] = {request->unit,
                         request->function,
                         is_read(request) ? (uint8_t)(request->count * 2)
                                          : (uint8_t)(request->address >> 8),
                         (uint8_t)(request->address & 0xFF),
                         (uint8_t)(second >> 8),
                         (uint8_t)(second & 0xFF)};
    size_t fixed = is_read(request) ? 3 : sizeof wanted;
    for (size_t i = 0; i < fixed && i < length; i++)
        if (bytes[i] != wanted[i])
            return false;
    return true;
}

static bool check_holds(const uint8_t *bytes, size_t size)
{
    uint16_t check = bytes_crc16(bytes, size);
    return bytes[size] == (check & 0xFF) && bytes[size + 1] == check >> 8;
}

int modbus_decode(const void *bytes, size_t length, const struct modbus_request *request,
                  struct modbus_answer *answer)
{
    const uint8_t *at = bytes;
    if (length > 0 && at[0] != request->unit)
        return TL_BAD;
    if (length < 2)
        return TL_MORE;
    bool refused = at[1] == (request->function | EXCEPTION);
    if (!refused && !begins_right(at, length, request))
        return TL_BAD;
    size_t size = refused ? 3 : answer_size(request);
    if (length < size + CHECK_BYTES)
        return TL_MORE;
    if (!check_holds(at, size) || (refused && at[2] == 0))
        return TL_BAD;

    *answer = (struct modbus_answer){.exception = refused ? at[2] : 0,
                                     .count = refused ? 0 : request->count};
    for (int i = 0; i < answer->count && i < REGISTERS_MAX && is_read(request); i++)
        answer->word[i] = word_at(at + 3 + i * 2);
    return (int)(size + CHECK_BYTES);
}

int32_t device_quiet_ms(const struct device_config *config, int32_t baud)
{
    enum {
        GAP_BITS_TENTHS = 385 /* 3.5 characters of 11 bits */,
        FAST_BAUD = 19200,
        FAST_GAP_MS = 2
    };
    if (config->kind != DEVICE_CONTROLLER)
        return 0;
    if (baud > FAST_BAUD || baud <= 0)
        return FAST_GAP_MS; /* 1.75 ms */
    return (GAP_BITS_TENTHS * 100 + baud - 1) / baud;
}
