/* SPDX-License-Identifier: MIT */
/* What the guard passes on to the front, a recipe's texts among it: whatever comes, the screen stays one. */
#include "fuzz.h"
#include "tinlatch/front.h"
#include "tinlatch/utf8.h"

union message {
    struct wire_head head;
    struct wire_hello hello;
    struct wire_snapshot snapshot;
    struct wire_note note;
    struct wire_end end;
    uint8_t byte[WIRE_MAX];
};

static void check_screen(const struct front_state *state, int columns, int rows)
{
    static char screen[1 << 16];
    int line = 1, width = 0;
    size_t length = front_draw(state, columns, rows, false, screen, sizeof screen);
    assert(length < sizeof screen && screen[length] == '\0');
    for (size_t i = 0; i < length;) {
        size_t bytes = utf8_length(screen + i, length - i);
        if (screen[i] == '\n') {
            line++;
            width = 0;
            i++;
            continue;
        }
        assert(bytes > 0 && utf8_is_plain(screen + i, bytes));
        assert(++width <= columns);
        i += bytes;
    }
    assert(line <= rows);
}

/* A note whose text is what was drawn; or any message, whole but for its head; or any bytes. */
static size_t draw_message(struct draw *draw, union message *m)
{
    static const enum wire_kind kinds[] = {WIRE_HELLO, WIRE_SNAPSHOT, WIRE_NOTE, WIRE_END};
    uint8_t what = draw_byte(draw);
    memset(m, 0, sizeof *m);
    if (what < 128) {
        wire_stamp(&m->head, WIRE_NOTE, draw_byte(draw));
        m->note.note = what % NOTE_KINDS;
        draw_line(draw, m->note.name, sizeof m->note.name);
        draw_line(draw, m->note.text, sizeof m->note.text);
        return sizeof m->note;
    }
    enum wire_kind kind = kinds[what % 4];
    size_t size = wire_size((int)kind);
    draw_bytes(draw, m->byte, what & 64 ? draw_byte(draw) : size);
    if (what & 32)
        return draw_byte(draw);
    wire_stamp(&m->head, kind, m->head.number);
    return size;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct front_state state;
    struct draw draw = {data, data + size};
    union message m;
    memset(&state, 0, sizeof state);
    int columns = 1 + draw_byte(&draw), rows = 1 + draw_byte(&draw) % 100;
    state.ascii = columns % 2;
    for (int i = 0; i < 30 && draw_left(&draw) > 0; i++) {
        size_t length = draw_message(&draw, &m);
        front_take(&state, m.byte, length);
        check_screen(&state, columns, rows);
    }
    return 0;
}
