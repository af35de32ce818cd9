/* SPDX-License-Identifier: MIT */
/* What a taken-over recipe or front can send to the guard, over the socket and through the permit table, with a plate and
 * a supply behind it that note what they are told. */
#include <sys/socket.h>
#include <unistd.h>

#include "../support/fake_line.h"
#include "../support/fake_supply.h"
#include "fuzz.h"
#include "tinlatch/guard.h"

struct desk {
    struct benchfile bench;
    struct fake_line plate;
    struct fake_supply supply;
    struct guard *guard;
    int64_t t_ms;
    int pair[2];
    bool over;        /* an earlier scan ended the run */
    int32_t warms_mc; /* the plate follows its duty by this per period */
};

static void read_bench(struct benchfile *bench)
{
    static struct benchfile quick;
    static char text[8192];
    struct tl_error error;
    if (quick.period_ms == 0) {
        FILE *file = fopen(TEST_SOURCE "/tests/data/quick.ini", "rb");
        assert(file);
        size_t length = fread(text, 1, sizeof text, file);
        fclose(file);
        assert(benchfile_parse("quick.ini", text, length, &quick, &error) == 0);
    }
    *bench = quick;
}

static void say(void *context, const struct wire_note *note)
{
    (void)context;
    assert(memchr(note->text, 0, sizeof note->text) && memchr(note->name, 0, sizeof note->name));
    assert(strcmp(note_kind_name(note->note), "?") != 0);
}

static struct desk *desk_open(uint8_t how)
{
    struct desk *desk = calloc(1, sizeof *desk);
    assert(desk);
    read_bench(&desk->bench);
    fake_line_init(&desk->plate);
    fake_supply_init(&desk->supply);
    desk->bench.sensor[SENSOR_BOARD].is_mv = false;
    desk->bench.device[desk->bench.plate_device].identity[0] =
        '\0'; /* any line instrument will do */
    struct guard_config config = {.bench = &desk->bench, .armed = how & 1, .say = say};
    config.port[desk->bench.device[desk->bench.plate_device].port] = &desk->plate.port;
    config.port[desk->bench.device[desk->bench.supply_device].port] = &desk->supply.line.port;
    assert(guard_new(&desk->guard, &config, NULL) == 0);
    assert(socketpair(AF_UNIX, SOCK_SEQPACKET, 0, desk->pair) == 0);
    return desk;
}

static void desk_close(struct desk *desk)
{
    close(desk->pair[0]);
    close(desk->pair[1]);
    guard_free(desk->guard);
    free(desk);
}

/* ---- what must hold --------------------------------------------------------------------------- */

static int32_t most_of_rails(const struct limits *limits, bool amps)
{
    int32_t most = 0;
    for (int i = 0; i < limits->rail_count; i++) {
        const struct rail_limits *rail = &limits->rail[i];
        int32_t on = amps ? rail->ma : rail->mv, inject = amps ? rail->inject_ma : rail->inject_mv;
        most = on > most ? on : most;
        most = inject > most ? inject : most;
    }
    return most;
}

static void check_limits(const struct desk *desk)
{
    const struct limits *limits = guard_limits(desk->guard);
    enum guard_mode mode = guard_mode(desk->guard);
    for (enum limit_id id = 0; id < LIMITS; id++) {
        int32_t ours = limits_get(&desk->bench.limits, id), merged = limits_get(limits, id);
        assert(merged > 0 && merged <= limits_get(limits_built_in(), id));
        assert(mode < GUARD_CHECKING || mode > GUARD_PAUSED || ours == 0 || merged <= ours);
    }
}

static void check_outputs(struct desk *desk)
{
    const struct wire_snapshot *s = guard_snapshot(desk->guard);
    const struct limits *limits = guard_limits(desk->guard);
    enum guard_mode mode = guard_mode(desk->guard);
    assert(s->granted_mc >= 0 && s->granted_mc <= limits->plate_mc);
    assert(s->granted_ramp_mc_s >= 0 && s->granted_ramp_mc_s <= limits->ramp_mc_s);
    assert(s->granted_fan_pct >= 0 && s->granted_fan_pct <= 100);
    assert(s->granted_mv >= 0 && s->granted_mv <= most_of_rails(limits, false));
    assert(s->granted_ma >= 0 && s->granted_ma <= most_of_rails(limits, true));
    assert(!(s->granted_heat && s->granted_supply));
    assert(s->granted_heat || (s->granted_mc == 0 && s->duty_permille == 0));
    assert(s->granted_supply || (s->granted_mv == 0 && s->granted_ma == 0));
    bool may = mode == GUARD_RUNNING || mode == GUARD_SEATING;
    assert(may || !s->granted_heat);
    assert(mode == GUARD_RUNNING || mode == GUARD_PAUSED || !s->granted_supply);
}

/* What the instruments have heard, one period after the scan that decided it. */
static void check_instruments(const struct desk *desk)
{
    const struct limits *limits = guard_limits(desk->guard);
    assert(desk->plate.duty >= 0 && desk->plate.duty <= 1000);
    if (desk->supply.on) {
        assert(desk->supply.mv <= most_of_rails(limits, false));
        assert(desk->supply.ma <= most_of_rails(limits, true));
    }
    assert(!desk->over || (desk->plate.duty == 0 && !desk->supply.on));
}

static void period(struct desk *desk)
{
    desk->plate.mc[0] +=
        desk->warms_mc * desk->plate.duty / 1000 - (desk->plate.mc[0] - 25000) / 200;
    desk->plate.mc[1] = desk->plate.mc[0];
    guard_begin(desk->guard, desk->t_ms);
    for (int i = 0; i < 8 && !guard_pump(desk->guard, desk->t_ms + i); i++)
        ;
    check_instruments(desk);
    guard_scan(desk->guard, desk->t_ms + 8);
    check_outputs(desk);
    check_limits(desk);
    enum guard_mode mode = guard_mode(desk->guard);
    assert(!desk->over || mode == GUARD_COOLING || mode == GUARD_ENDED);
    desk->over = mode == GUARD_COOLING || mode == GUARD_ENDED;
    desk->t_ms += 100;
}

/* ---- messages --------------------------------------------------------------------------------- */

union message {
    struct wire_head head;
    struct wire_hello hello;
    struct wire_turn turn;
    struct wire_note note;
    struct wire_hand hand;
    struct wire_end end;
    uint32_t word[WIRE_MAX / 4];
    uint8_t byte[WIRE_MAX];
};

/* As an honest peer would have it; a recipe that asks for much. */
static void fill(const struct desk *desk, enum wire_kind kind, union message *m)
{
    const struct wire_snapshot *s = guard_snapshot(desk->guard);
    memset(m, 0, sizeof *m);
    wire_stamp(&m->head, kind, s->head.number);
    if (kind == WIRE_HELLO) {
        m->hello.recipe.uses_plate = m->hello.recipe.uses_supply = true;
        m->hello.board.rail_count = m->hello.recipe.rail_count = 1;
        m->hello.board.rail[0] = (struct rail_limits){"core", 900, 1000, 600, 2000};
        m->hello.recipe.rail[0] = m->hello.board.rail[0];
        strcpy(m->hello.insert, "flat-30x20");
        m->hello.park_mc = 60000;
    } else if (kind == WIRE_TURN) {
        m->turn.heat = 1;
        m->turn.temp_mc = 300000;
    } else if (kind == WIRE_NOTE) {
        m->note.note = NOTE_CONFIRM;
        strcpy(m->note.text, "ready?");
    } else if (kind == WIRE_HAND) {
        m->hand.prompt = s->open_note;
        m->hand.answer = s->open_note ? ANSWER_YES : ANSWER_NONE;
        m->hand.presence = (uint32_t)desk->t_ms;
    }
}

static void spoil(struct draw *draw, size_t size, union message *m)
{
    for (int n = draw_byte(draw) % 8; n > 0; n--) {
        size_t at = ((size_t)draw_byte(draw) | (size_t)draw_byte(draw) << 8) % (size / 4);
        m->word[at] = (uint32_t)draw_int(draw);
    }
}

/* Over the socket, as a peer would; what the socket's reader refuses goes to the guard all the same. */
static void deliver(struct desk *desk, const void *bytes, size_t size)
{
    static _Alignas(16) uint8_t got[WIRE_MAX];
    struct tl_error error = {0};
    struct wire_head head = {0};
    memcpy(&head, bytes, size < sizeof head ? size : sizeof head);
    bool whole =
        size >= sizeof head && head.version == WIRE_VERSION && wire_size(head.kind) == size;
    enum guard_mode before = guard_mode(desk->guard);
    if (size > 0) {
        assert(send(desk->pair[0], bytes, size, 0) == (ssize_t)size);
        int kind = wire_receive_now(desk->pair[1], got);
        assert(kind == (whole ? head.kind : TL_BAD));
    }
    memcpy(got, bytes, size);
    int code = guard_receive(desk->guard, got, size, desk->t_ms, &error);
    if (!whole || !guard_permits(before, head.kind))
        assert(code == TL_BAD);
    if (code == TL_BAD)
        assert(guard_mode(desk->guard) == GUARD_COOLING || guard_mode(desk->guard) == GUARD_ENDED);
    assert(code == 0 || error.text[0]);
}

static void act(struct desk *desk, struct draw *draw)
{
    static const enum wire_kind kinds[] = {WIRE_HELLO, WIRE_TURN, WIRE_NOTE, WIRE_HAND, WIRE_END};
    union message m;
    uint8_t what = draw_byte(draw);
    if (what < 5 * 16) { /* nearly right */
        enum wire_kind kind = kinds[what / 16];
        fill(desk, kind, &m);
        spoil(draw, wire_size((int)kind), &m);
        if (what % 16)
            wire_stamp(&m.head, kind, m.head.number);
        deliver(desk, m.byte, wire_size((int)kind));
    } else if (what < 96) { /* of whatever size */
        memset(&m, 0, sizeof m);
        size_t size = ((size_t)draw_byte(draw) | (size_t)draw_byte(draw) << 8) % (WIRE_MAX + 1);
        draw_bytes(draw, m.byte, size);
        deliver(desk, m.byte, size);
    } else if (what < 112) {
        desk->plate.mc[what % 3] = draw_int(draw) % 10000000;
    } else if (what < 128) {
        desk->warms_mc = draw_byte(draw) * 10;
        desk->supply.load_ma = draw_byte(draw) * 20;
    } else { /* an honest peer for some periods */
        bool heats = what & 1;
        for (int n = what % 32; n >= 0; n--) {
            fill(desk, WIRE_TURN, &m);
            m.turn.heat = heats;
            m.turn.supply_on = !heats;
            m.turn.mv = 100000, m.turn.ma = 100000;
            m.turn.inject = what >> 1 & 1;
            if (guard_permits(guard_mode(desk->guard), WIRE_TURN))
                deliver(desk, m.byte, sizeof m.turn);
            fill(desk, WIRE_HAND, &m);
            deliver(desk, m.byte, sizeof m.hand);
            period(desk);
        }
    }
    period(desk);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct draw draw = {data, data + size};
    union message m;
    uint8_t how = draw_byte(&draw);
    struct desk *desk = desk_open(how);
    if (!(how & 2)) {
        fill(desk, WIRE_HELLO, &m);
        deliver(desk, m.byte, sizeof m.hello);
    }
    for (int i = 0; i < 24 && draw_left(&draw) > 0; i++)
        act(desk, &draw);
    desk_close(desk);
    return 0;
}
