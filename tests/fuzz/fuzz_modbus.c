/* SPDX-License-Identifier: MIT */
/* Modbus RTU on our side: answers to a request that the input draws ("d"), and a controller over some periods. */
#include "periods.h"
#include "tinlatch/bytes.h"

enum { SET_POINT = 0x1001, RUN = 0x1010, RUN_ON = 1 };

static const struct device_config controller = {
    .kind = DEVICE_CONTROLLER,
    .regulates = true,
    .silence_ms = 3000,
    .controller = {.unit = 1,
                   .write_function = 6,
                   .run_on = RUN_ON,
                   .write_every_ms = 1000,
                   .has_open = true,
                   .open_count = 0x7FFF,
                   .map = {[REGISTER_READING] = {true, false, 3, 0x1000, 10, 0},
                           [REGISTER_SET_POINT] = {true, false, 3, SET_POINT, 10, 0},
                           [REGISTER_RUN] = {true, false, 3, RUN, 1, 0},
                           [REGISTER_OUTPUT] = {true, false, 4, 3, 1, 0},
                           [REGISTER_SILENCE] = {true, false, 3, 0x1021, 1, 0},
                           [REGISTER_UNIT] = {true, false, 3, 0x1020, 1, 0}}}};

static size_t seal(uint8_t *bytes, size_t length)
{
    uint16_t check = bytes_crc16(bytes, length);
    bytes[length] = (uint8_t)(check & 0xFF);
    bytes[length + 1] = (uint8_t)(check >> 8);
    return length + 2;
}

/* What is in front of the drawn bytes in an answer to this request. */
static size_t begin_answer(const struct modbus_request *request, uint8_t *to)
{
    to[0] = request->unit;
    to[1] = request->function;
    to[2] = (uint8_t)(request->count * 2);
    return request->function <= 4 ? 3 : 2;
}

static size_t answer(const struct device *device, const uint8_t *drawn, size_t length,
                     uint8_t to[FRAME_MAX])
{
    struct frame frame;
    if (device->request.function > 4) { /* a write is answered with itself, 16 without its values */
        size_t echoed = modbus_encode(&device->request, &frame);
        memcpy(to, frame.bytes, echoed);
        return device->request.function == 6 ? echoed : seal(to, 6);
    }
    size_t at = begin_answer(&device->request, to), wanted = device->request.count * 2U;
    memset(to + at, 0, wanted);
    memcpy(to + at, drawn, length < wanted ? length : wanted);
    return seal(to, at + wanted);
}

/* Unit 1 is written its set-point, not above what is driven, and run only over one that has read back. */
static void check(const struct device *device, const struct frame *frame)
{
    uint8_t sealed[FRAME_MAX];
    assert(frame->length == 8 && frame->bytes[0] == 1);
    memcpy(sealed, frame->bytes, 6);
    assert(seal(sealed, 6) == 8 && memcmp(sealed, frame->bytes, 8) == 0);
    unsigned address = (unsigned)frame->bytes[2] << 8 | frame->bytes[3];
    unsigned value = (unsigned)frame->bytes[4] << 8 | frame->bytes[5];
    if (frame->bytes[1] != 6) {
        assert(frame->bytes[1] == 3 || frame->bytes[1] == 4);
        return;
    }
    assert(device->identified);
    if (address == SET_POINT) {
        assert(value * 100 <= (device->drive.heat ? (unsigned)device->drive.setpoint_mc : 0));
    } else {
        assert(address == RUN && (value == 0 || value == RUN_ON));
        assert(value == 0 || (device->drive.heat && device->set_confirmed));
    }
}

static struct modbus_request draw_request(struct draw *draw)
{
    static const uint8_t functions[] = {3, 4, 6, 16};
    struct modbus_request request = {.unit = (uint8_t)(1 + draw_byte(draw) % 247),
                                     .function = functions[draw_byte(draw) % 4],
                                     .address = (uint16_t)draw_int(draw)};
    request.count = (uint8_t)(1 + draw_byte(draw) % (request.function <= 4   ? 125
                                                     : request.function == 6 ? 1
                                                                             : 2));
    request.word[0] = (uint16_t)draw_int(draw);
    return request;
}

/* Every byte of what was accepted follows from the request and the answer. */
static void check_answer(const uint8_t *bytes, size_t used, const struct modbus_request *request,
                         const struct modbus_answer *got)
{
    uint8_t again[2 * FRAME_MAX];
    struct frame frame;
    size_t at = begin_answer(request, again);
    if (got->exception) {
        again[1] |= 0x80;
        again[2] = got->exception;
        at = 3;
    } else if (request->function > 4) {
        modbus_encode(request, &frame);
        memcpy(again, frame.bytes, at = 6);
    } else {
        assert(got->count == request->count);
        for (int i = 0; i < got->count; i++) {
            again[at++] = (uint8_t)(got->word[i] >> 8);
            again[at++] = (uint8_t)got->word[i];
        }
    }
    assert(seal(again, at) == used && memcmp(again, bytes, used) == 0);
}

static void decode(struct draw *draw)
{
    struct modbus_request request = draw_request(draw);
    struct modbus_answer got;
    uint8_t bytes[600];
    bool sealed = draw_byte(draw) % 2;
    size_t length = sealed ? begin_answer(&request, bytes) : 0;
    length += draw_bytes(draw, bytes + length, 300);
    if (sealed)
        length = seal(bytes, length);
    uint8_t *exact = malloc(length + !length);
    memcpy(exact, bytes, length);
    int used = modbus_decode(exact, length, &request, &got);
    if (used >= 0)
        check_answer(exact, (size_t)used, &request, &got);
    else
        assert(used == TL_MORE || used == TL_BAD);
    free(exact);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct draw draw = {data, data + size};
    if (draw_byte(&draw) == 'd')
        decode(&draw);
    else
        periods_run(&(struct periods){&controller, answer, check}, &draw);
    return 0;
}
