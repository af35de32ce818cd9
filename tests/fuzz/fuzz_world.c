/* SPDX-License-Identifier: MIT */
/* The emulated instruments, written to by whoever likes: their world stays one, and what they answer can be read. */
#include "tinlatch/bytes.h"
#include "tinlatch/device.h"
#include "worlds.h"

static bool is_modbus; /* the plate's */
static bool is_broken; /* a fault spoils or ends what is said */

static void check_answers(struct world *world, int instrument)
{
    uint8_t answer[4096];
    int got = port_read(world_port(world, instrument), answer, sizeof answer);
    assert(got >= 0 || (is_broken && got == TL_ENDED));
    if ((instrument == ON_PLATE && is_modbus) || is_broken)
        return;
    size_t left = (size_t)got;
    for (const uint8_t *at = answer, *end; left > 0; left -= (size_t)(end + 1 - at), at = end + 1) {
        struct line_answer heard;
        end = memchr(at, '\n', left);
        assert(end);
        for (const uint8_t *c = at; c < end; c++)
            assert(*c == '\r' || (*c >= 0x20 && *c < 0x7F));
        if (instrument == ON_PLATE && memcmp(at, "off\n", 4) != 0)
            assert(line_decode(at, (size_t)(end + 1 - at), &heard) > 0);
    }
}

/* Whole requests, sealed as the instrument expects them, or bytes as they are. */
static size_t draw_request(struct draw *draw, int instrument, uint8_t *to)
{
    uint8_t flags = draw_byte(draw);
    size_t length = draw_bytes(draw, to, draw_byte(draw));
    uint16_t check = bytes_crc16(to, length);
    if (flags & 1 && instrument == ON_PLATE && !is_modbus)
        length += (size_t)sprintf((char *)to + length, " *%04X\n", check);
    else if (flags & 1 && instrument == ON_PLATE) {
        to[length++] = (uint8_t)(check & 0xFF);
        to[length++] = (uint8_t)(check >> 8);
    } else if (flags & 2)
        to[length++] = '\n';
    return length;
}

static void act(struct world *world, struct draw *draw, int64_t *t_ms)
{
    uint8_t bytes[300] = {0}, what = draw_byte(draw);
    int instrument = what % INSTRUMENTS;
    struct tl_error error;
    size_t length;
    if (what < 192) {
        length = draw_request(draw, instrument, bytes);
        int sent = port_write(world_port(world, instrument), bytes, length);
        assert(sent == (int)length || (is_broken && sent == TL_ENDED));
        *t_ms += what & 64 ? 100 : 20;
    } else if (what < 208) {
        port_set_lines(world_port(world, instrument), what & 1, what & 2);
    } else if (what < 216) {
        is_broken = true;
        world_add_fault(world, world_faults[draw_byte(draw) % world_fault_count].name, *t_ms,
                        &error);
    } else if (what < 224) {
        world_hand(world, (enum hand)(what % HANDS), (int8_t)draw_byte(draw) % 6);
    } else if (what < 232) {
        world_clip(world, (int8_t)draw_byte(draw));
        world_probe(world, (int8_t)draw_byte(draw));
    } else {
        *t_ms += 50 * (draw_byte(draw) % 64);
    }
    world_advance(world, *t_ms);
    worlds_check(world);
    if (what < 192)
        check_answers(world, instrument);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct draw draw = {data, data + size};
    is_modbus = draw_byte(&draw) & 1;
    is_broken = false;
    struct world *world = worlds_new(is_modbus, 7);
    int64_t t_ms = 0;
    for (int i = 0; i < 24 && draw_left(&draw) > 0; i++)
        act(world, &draw, &t_ms);
    world_free(world);
    return 0;
}
