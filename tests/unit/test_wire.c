/* SPDX-License-Identifier: MIT */
/* wire: hostile fields are refused whole; datagrams of another size, kind or version are refused;
 * descriptors never come along. Over real SOCK_SEQPACKET socket pairs. */
#include "check.h"

#include <fcntl.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <unistd.h>

#include "edge.h"
#include "tinlatch/wire.h"

static const int32_t hostile[] = {INT32_MIN, -1000001, -2,      -1,      2,
                                  101,       1001,     1000001, 2000001, INT32_MAX};
enum { HOSTILE = sizeof hostile / sizeof *hostile, RAILS = 3 };

/* ---- names and sizes ---- */

static void test_every_kind_has_its_name_and_size(void **state)
{
    (void)state;
    static const struct {
        int kind;
        const char *name;
        size_t size;
    } rows[] = {
        {WIRE_HELLO, "HELLO", 1912}, {WIRE_SNAPSHOT, "SNAPSHOT", 528}, {WIRE_TURN, "TURN", 200},
        {WIRE_NOTE, "NOTE", 312},    {WIRE_HAND, "HAND", 112},         {WIRE_END, "END", 272},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_string_equal(wire_kind_name(rows[i].kind), rows[i].name);
        assert_int_equal(wire_size(rows[i].kind), rows[i].size);
        assert_true(rows[i].size <= WIRE_MAX);
    }
    static const int outside[] = {INT32_MIN, -1, 0, WIRE_KINDS, 65535, INT32_MAX};
    for (size_t i = 0; i < sizeof outside / sizeof *outside; i++) {
        assert_int_equal(wire_size(outside[i]), 0);
        assert_string_equal(wire_kind_name(outside[i]), "?");
    }
}

static void test_the_reference_page_has_the_version_and_every_size(void **state)
{
    (void)state;
    static char page[32768];
    char part[64];
    FILE *file = fopen(TEST_SOURCE "/docs/reference/wire.md", "rb");
    assert_non_null(file);
    assert_in_range(fread(page, 1, sizeof page - 1, file), 1, sizeof page - 2);
    fclose(file);

    snprintf(part, sizeof part, "`WIRE_VERSION` (now %d)", WIRE_VERSION);
    assert_has(page, part);
    snprintf(part, sizeof part, "`struct limits` is %zu bytes", sizeof(struct limits));
    assert_has(page, part);
    for (int kind = WIRE_HELLO; kind < WIRE_KINDS; kind++) {
        snprintf(part, sizeof part, "| %s | %d | %zu |", wire_kind_name(kind), kind,
                 wire_size(kind));
        assert_has(page, part);
    }
}

static void test_every_mode_and_note_has_a_name_and_nothing_else_does(void **state)
{
    (void)state;
    for (int mode = 0; mode < GUARD_MODES; mode++)
        assert_string_not_equal(guard_mode_name(mode), "?");
    for (int note = NOTE_STAGE; note < NOTE_KINDS; note++)
        assert_string_not_equal(note_kind_name(note), "?");
    assert_string_equal(guard_mode_name(GUARD_PAUSED), "paused");
    assert_string_equal(note_kind_name(NOTE_MELT), "melt");
    assert_string_equal(guard_mode_name(-1), "?");
    assert_string_equal(guard_mode_name(GUARD_MODES), "?");
    assert_string_equal(note_kind_name(0), "?");
    assert_string_equal(note_kind_name(NOTE_KINDS), "?");
}

/* ---- turns ---- */

static struct wire_turn plain_turn(void)
{
    struct wire_turn turn = {
        .heat = 1,
        .supply_on = 1,
        .inject = 1,
        .temp_mc = 170000,
        .ramp_mc_s = 1500,
        .fan_pct = 40,
        .rail = 2,
        .mv = 800,
        .ma = 2000,
        .hand = HAND_LIFT,
        .meter = METER_DIODE,
        .beeps = 7,
        .joints = 1,
        .joint = {{.temp_mc = 141000, .molten_permille = 1000, .melt_ms = 0, .solid_ms = 40000}},
    };
    wire_stamp(&turn.head, WIRE_TURN, 9);
    return turn;
}

static void test_turn_is_taken_over_field_by_field(void **state)
{
    (void)state;
    struct wire_turn turn = plain_turn();
    struct wanted want = {0};

    assert_int_equal(wire_take_turn(&turn, RAILS, &want), 0);

    assert_true(want.heat);
    assert_true(want.supply_on);
    assert_true(want.inject);
    assert_int_equal(want.temp_mc, 170000);
    assert_int_equal(want.ramp_mc_s, 1500);
    assert_int_equal(want.fan_pct, 40);
    assert_int_equal(want.rail, 2);
    assert_int_equal(want.mv, 800);
    assert_int_equal(want.ma, 2000);
    assert_int_equal(want.hand, HAND_LIFT);
    assert_int_equal(want.meter, METER_DIODE);
    assert_int_equal(want.beeps, 7);
}

static void test_turn_of_zeros_wants_everything_off(void **state)
{
    (void)state;
    struct wire_turn turn = {0};
    struct wanted want, nothing = {0};
    memset(&want, 0xFF, sizeof want);

    assert_int_equal(wire_take_turn(&turn, 0, &want), 0);

    assert_int_equal(want.heat, nothing.heat);
    assert_int_equal(want.supply_on, nothing.supply_on);
    assert_int_equal(want.temp_mc, 0);
    assert_int_equal(want.mv, 0);
    assert_int_equal(want.hand, HAND_NONE);
    assert_int_equal(want.meter, METER_NONE);
}

/* Where a field lies, and what it may hold. */
static const struct {
    const char *name;
    size_t at;
    int32_t low, high;
} turn_fields[] = {
    {"heat", offsetof(struct wire_turn, heat), 0, 1},
    {"supply_on", offsetof(struct wire_turn, supply_on), 0, 1},
    {"inject", offsetof(struct wire_turn, inject), 0, 1},
    {"temp_mc", offsetof(struct wire_turn, temp_mc), 0, 1000000},
    {"ramp_mc_s", offsetof(struct wire_turn, ramp_mc_s), 0, 1000000},
    {"fan_pct", offsetof(struct wire_turn, fan_pct), 0, 100},
    {"rail", offsetof(struct wire_turn, rail), 0, RAILS - 1}, /* the supply is on */
    {"mv", offsetof(struct wire_turn, mv), 0, 1000000},
    {"ma", offsetof(struct wire_turn, ma), 0, 1000000},
    {"hand", offsetof(struct wire_turn, hand), 0, HANDS - 1},
    {"meter", offsetof(struct wire_turn, meter), 0, METER_KINDS - 1},
    {"wait", offsetof(struct wire_turn, wait_ms), 0, INT32_MAX},
    {"joints", offsetof(struct wire_turn, joints), 0, BOARD_JOINTS},
    {"joint temp", offsetof(struct wire_turn, joint[0].temp_mc), -273150, 2000000},
    {"joint molten", offsetof(struct wire_turn, joint[0].molten_permille), 0, 1000},
    {"joint melt", offsetof(struct wire_turn, joint[0].melt_ms), -1, INT32_MAX},
    {"joint solid", offsetof(struct wire_turn, joint[0].solid_ms), -1, INT32_MAX},
    {"joint early", offsetof(struct wire_turn, joint[0].melt_early_ms), -1, INT32_MAX},
    {"joint late", offsetof(struct wire_turn, joint[0].melt_late_ms), -1, INT32_MAX},
    {"joint solid early", offsetof(struct wire_turn, joint[0].solid_early_ms), -1, INT32_MAX},
    {"joint solid late", offsetof(struct wire_turn, joint[0].solid_late_ms), -1, INT32_MAX},
};
enum { TURN_FIELDS = sizeof turn_fields / sizeof *turn_fields };

static int take_with(int field, int32_t value, struct wanted *want)
{
    struct wire_turn turn = plain_turn();
    memcpy((char *)&turn + turn_fields[field].at, &value, sizeof value);
    return wire_take_turn(&turn, RAILS, want);
}

static void test_turn_with_any_field_out_of_range_is_refused_and_nothing_is_copied(void **state)
{
    (void)state;
    for (int field = 0; field < TURN_FIELDS; field++) {
        for (int i = 0; i < HOSTILE; i++) {
            struct wanted want, before;
            memset(&want, 0, sizeof want);
            want.temp_mc = 4711;
            before = want;
            bool inside =
                hostile[i] >= turn_fields[field].low && hostile[i] <= turn_fields[field].high;
            int result = take_with(field, hostile[i], &want);
            if ((result == 0) != inside)
                fail_msg("%s = %d gives %d", turn_fields[field].name, hostile[i], result);
            if (result != 0) {
                assert_int_equal(result, TL_BAD);
                assert_memory_equal(&want, &before, sizeof want);
            }
        }
    }
}

static void test_turn_is_taken_at_the_edges_of_every_range(void **state)
{
    (void)state;
    for (int field = 0; field < TURN_FIELDS; field++) {
        struct wanted want;
        assert_int_equal(take_with(field, turn_fields[field].low, &want), 0);
        assert_int_equal(take_with(field, turn_fields[field].high, &want), 0);
    }
}

static void test_turn_may_leave_the_rail_open_only_while_the_supply_is_off(void **state)
{
    (void)state;
    struct wire_turn turn = plain_turn();
    struct wanted want;

    turn.supply_on = 0;
    turn.rail = -1;
    assert_int_equal(wire_take_turn(&turn, RAILS, &want), 0);
    assert_int_equal(want.rail, -1);
    turn.rail = RAILS;
    assert_int_equal(wire_take_turn(&turn, RAILS, &want), TL_BAD);
    turn.rail = 0;
    assert_int_equal(wire_take_turn(&turn, 0, &want), 0);
    turn.supply_on = 1;
    assert_int_equal(wire_take_turn(&turn, 0, &want),
                     TL_BAD); /* no rails: the supply is never on */
    turn.rail = -1;
    assert_int_equal(wire_take_turn(&turn, RAILS, &want), TL_BAD);
}

static void test_turn_of_random_bytes_never_wants_what_is_out_of_range(void **state)
{
    (void)state;
    uint64_t seed = 42;
    int taken = 0;
    for (int round = 0; round < 200000; round++) {
        struct wire_turn turn = plain_turn();
        for (int i = 0; i < 4; i++) { /* a few bytes, or none would ever pass */
            seed = seed * 6364136223846793005u + 1442695040888963407u;
            ((unsigned char *)&turn)[(seed >> 33) % sizeof turn] = (unsigned char)(seed >> 56);
        }
        struct wanted want;
        if (wire_take_turn(&turn, RAILS, &want) != 0)
            continue;
        taken++;
        assert_in_range(want.temp_mc, 0, 1000000);
        assert_in_range(want.fan_pct, 0, 100);
        assert_in_range(want.mv, 0, 1000000);
        assert_in_range(want.ma, 0, 1000000);
        assert_in_range(want.hand, 0, HANDS - 1);
        assert_true(!want.supply_on || (want.rail >= 0 && want.rail < RAILS));
    }
    assert_true(taken > 100);
}

/* ---- the other checks ---- */

static void test_note_must_be_of_a_known_kind_with_finite_value_and_ended_texts(void **state)
{
    (void)state;
    struct wire_note good = {
        .note = NOTE_VALUE, .line = 12, .value = 0.8, .name = "rail", .text = "0.8 V"};
    struct wire_note note;
    assert_int_equal(wire_check_note(&good), 0);

    for (int i = 0; i < HOSTILE; i++) {
        note = good, note.note = hostile[i];
        assert_int_equal(wire_check_note(&note), hostile[i] == 2 ? 0 : TL_BAD);
    }
    note = good, note.note = 0;
    assert_int_equal(wire_check_note(&note), TL_BAD);
    note = good, note.note = NOTE_KINDS;
    assert_int_equal(wire_check_note(&note), TL_BAD);
    for (int guards_own = NOTE_CHECK; guards_own < NOTE_KINDS; guards_own++) {
        note = good, note.note = guards_own; /* a recipe must not speak for the guard */
        assert_int_equal(wire_check_note(&note), TL_BAD);
    }
    note = good, note.head.number = NOTE_GUARD | 5;
    assert_int_equal(wire_check_note(&note), TL_BAD);
    note = good, note.line = -1;
    assert_int_equal(wire_check_note(&note), TL_BAD);
    note = good, note.value = NAN;
    assert_int_equal(wire_check_note(&note), TL_BAD);
    note = good, note.value = -INFINITY;
    assert_int_equal(wire_check_note(&note), TL_BAD);
    note = good, memset(note.name, 'x', sizeof note.name);
    assert_int_equal(wire_check_note(&note), TL_BAD);
    note = good, memset(note.text, 'x', sizeof note.text);
    assert_int_equal(wire_check_note(edge_put(&note, sizeof note)), TL_BAD);
}

static void test_hand_must_have_a_known_answer_and_sane_nudges(void **state)
{
    (void)state;
    struct wire_hand good = {
        .nudge_mc = -2000, .nudge_ms = 5000, .answer = ANSWER_VALUE, .value = 3.7};
    struct wire_hand hand;
    assert_int_equal(wire_check_hand(&good), 0);

    hand = good, hand.answer = ANSWERS;
    assert_int_equal(wire_check_hand(&hand), TL_BAD);
    hand = good, hand.answer = -1;
    assert_int_equal(wire_check_hand(&hand), TL_BAD);
    hand = good, hand.presence = hand.parks = hand.leaves = UINT32_MAX; /* counters: any will do */
    assert_int_equal(wire_check_hand(&hand), 0);
    hand = good, hand.nudge_mc = INT32_MIN;
    assert_int_equal(wire_check_hand(&hand), TL_BAD);
    hand = good, hand.nudge_ms = INT32_MAX;
    assert_int_equal(wire_check_hand(&hand), TL_BAD);
    hand = good, hand.value = INFINITY;
    assert_int_equal(wire_check_hand(&hand), TL_BAD);
    hand = good, memset(hand.text, 'x', sizeof hand.text);
    assert_int_equal(wire_check_hand(edge_put(&hand, sizeof hand)), TL_BAD);
}

static void test_end_must_carry_a_code_of_the_list(void **state)
{
    (void)state;
    struct wire_end end = {.code = TL_STEP, .line = 3, .text = "wait: 4 min are over"};
    assert_int_equal(wire_check_end(&end), 0);
    end.code = TL_OK;
    assert_int_equal(wire_check_end(&end), 0);

    end.code = 1;
    assert_int_equal(wire_check_end(&end), TL_BAD);
    end.code = TL_ENDED - 1;
    assert_int_equal(wire_check_end(&end), TL_BAD);
    end.code = TL_OK, end.line = -1;
    assert_int_equal(wire_check_end(&end), TL_BAD);
    end.line = 0, memset(end.text, 'x', sizeof end.text);
    assert_int_equal(wire_check_end(edge_put(&end, sizeof end)), TL_BAD);
}

static struct wire_hello plain_hello(void)
{
    struct wire_hello hello = {
        .board = {.plate_mc = 200000,
                  .rail_count = 1,
                  .rail = {{.name = "main", .mv = 3800, .ma = 1000}}},
        .recipe = {.plate_mc = 190000, .uses_plate = true, .uses_supply = true},
        .title = "Split the two-board stack",
        .board_name = "hx210",
        .insert = "frame-60x40",
    };
    wire_stamp(&hello.head, WIRE_HELLO, 0);
    return hello;
}

static void test_hello_is_refused_for_any_limit_below_zero(void **state)
{
    (void)state;
    struct wire_hello good = plain_hello();
    assert_int_equal(wire_check_hello(&good), 0);

    for (int layer = 0; layer < 2; layer++) {
        for (int id = 0; id < LIMITS; id++) {
            struct wire_hello hello = good;
            int32_t below = -1;
            char *limits = (char *)(layer ? &hello.recipe : &hello.board);
            memcpy(limits + (size_t)id * sizeof below, &below, sizeof below);
            assert_int_equal(wire_check_hello(&hello), TL_BAD);
        }
    }
}

static void test_hello_is_refused_for_a_hostile_rail(void **state)
{
    (void)state;
    struct wire_hello good = plain_hello(), hello;

    static const int32_t counts[] = {-1, BENCH_RAILS + 1, INT32_MIN, INT32_MAX};
    for (size_t i = 0; i < sizeof counts / sizeof *counts; i++) {
        hello = good, hello.board.rail_count = counts[i];
        assert_int_equal(wire_check_hello(&hello), TL_BAD);
        hello = good, hello.recipe.rail_count = counts[i];
        assert_int_equal(wire_check_hello(&hello), TL_BAD);
    }
    hello = good, hello.board.rail_count = BENCH_RAILS;
    assert_int_equal(wire_check_hello(&hello), 0);
    for (int rail = 0; rail < BENCH_RAILS; rail++) {
        hello = good, hello.board.rail[rail].mv = -1;
        assert_int_equal(wire_check_hello(&hello), TL_BAD);
        hello = good, hello.board.rail[rail].ma = -1;
        assert_int_equal(wire_check_hello(&hello), TL_BAD);
        hello = good, hello.recipe.rail[rail].inject_mv = -1;
        assert_int_equal(wire_check_hello(&hello), TL_BAD);
        hello = good, hello.recipe.rail[rail].inject_ma = -1;
        assert_int_equal(wire_check_hello(&hello), TL_BAD);
        hello = good, memset(hello.board.rail[rail].name, 'x', BENCH_NAME);
        assert_int_equal(wire_check_hello(&hello), TL_BAD);
    }
}

static void test_hello_is_refused_for_a_byte_that_is_no_bool(void **state)
{
    (void)state;
    static const size_t flags[] = {
        offsetof(struct limits, uses_plate),
        offsetof(struct limits, uses_supply),
        offsetof(struct limits, has_plate_2),
        offsetof(struct limits, has_board),
    };
    for (size_t i = 0; i < sizeof flags / sizeof *flags; i++) {
        for (int byte = 2; byte < 256; byte++) {
            struct wire_hello hello = plain_hello();
            memset((char *)&hello.recipe + flags[i], byte, 1);
            assert_int_equal(wire_check_hello(&hello), TL_BAD);
            hello = plain_hello();
            memset((char *)&hello.board + flags[i], byte, 1);
            assert_int_equal(wire_check_hello(&hello), TL_BAD);
        }
    }
}

static void test_hello_is_refused_for_a_text_without_end_or_a_time_below_zero(void **state)
{
    (void)state;
    struct wire_hello hello = plain_hello();
    memset(hello.title, 'x', sizeof hello.title);
    assert_int_equal(wire_check_hello(&hello), TL_BAD);
    hello = plain_hello(), memset(hello.board_name, 'x', BENCH_NAME);
    assert_int_equal(wire_check_hello(&hello), TL_BAD);
    hello = plain_hello(), memset(hello.insert, 'x', BENCH_NAME);
    assert_int_equal(wire_check_hello(edge_put(&hello, sizeof hello)), TL_BAD);
    hello = plain_hello(), hello.board.stale_ms = -1;
    assert_int_equal(wire_check_hello(&hello), TL_BAD);
    hello = plain_hello(), hello.recipe.silent_ms = -1;
    assert_int_equal(wire_check_hello(&hello), TL_BAD);
    hello = plain_hello(), hello.recipe.recipe_silent_ms = -1;
    assert_int_equal(wire_check_hello(&hello), TL_BAD);
    hello = plain_hello(), hello.board.front_stop_ms = -1;
    assert_int_equal(wire_check_hello(&hello), TL_BAD);
    hello = plain_hello(), hello.recipe.presence_ms = -1;
    assert_int_equal(wire_check_hello(&hello), TL_BAD);
    hello = plain_hello(), hello.park_mc = -1;
    assert_int_equal(wire_check_hello(&hello), TL_BAD);
    hello = plain_hello(), hello.park_mc = 1000001;
    assert_int_equal(wire_check_hello(&hello), TL_BAD);
    hello = plain_hello(), hello.uses_meter = 2;
    assert_int_equal(wire_check_hello(&hello), TL_BAD);
}

/* ---- datagrams ---- */

struct pair {
    int here, there;
    _Alignas(8) unsigned char got[WIRE_MAX];
};

static int open_pair(void **state)
{
    static struct pair pair;
    int fds[2];
    if (socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_NONBLOCK, 0, fds) < 0)
        return -1;
    pair = (struct pair){.here = fds[0], .there = fds[1]};
    *state = &pair;
    return 0;
}

static int close_pair(void **state)
{
    struct pair *pair = *state;
    close(pair->here);
    if (pair->there >= 0)
        close(pair->there);
    return 0;
}

static void test_every_kind_arrives_as_it_was_sent(void **state)
{
    struct pair *pair = *state;
    for (int kind = WIRE_HELLO; kind < WIRE_KINDS; kind++) {
        _Alignas(8) unsigned char message[WIRE_MAX];
        memset(message, 0x5A, sizeof message);
        wire_stamp((struct wire_head *)message, (enum wire_kind)kind, 77);

        assert_int_equal(wire_send(pair->here, message), 0);
        assert_int_equal(wire_receive(pair->there, pair->got), kind);

        assert_memory_equal(pair->got, message, wire_size(kind));
        assert_int_equal(((struct wire_head *)pair->got)->number, 77);
    }
}

static void test_messages_keep_their_order_and_bounds(void **state)
{
    struct pair *pair = *state;
    struct wire_turn turn = plain_turn();
    struct wire_end end = {0};
    wire_stamp(&end.head, WIRE_END, 0);

    assert_int_equal(wire_send(pair->here, &turn), 0);
    assert_int_equal(wire_send(pair->here, &end), 0);

    assert_int_equal(wire_receive(pair->there, pair->got), WIRE_TURN);
    assert_int_equal(wire_receive(pair->there, pair->got), WIRE_END);
    assert_int_equal(wire_receive(pair->there, pair->got), TL_MORE);
}

static void test_datagram_of_any_other_size_is_bad(void **state)
{
    struct pair *pair = *state;
    struct wire_turn turn = plain_turn();
    unsigned char bytes[2 * sizeof turn] = {0};
    memcpy(bytes, &turn, sizeof turn);
    for (size_t size = 1; size <= sizeof bytes; size++) {
        assert_int_equal(send(pair->here, bytes, size, 0), size);
        int result = wire_receive(pair->there, pair->got);
        assert_int_equal(result, size == sizeof turn ? WIRE_TURN : TL_BAD);
    }
}

static void test_datagram_longer_than_any_message_is_bad_and_stays_in_its_buffer(void **state)
{
    struct pair *pair = *state;
    static unsigned char flood[WIRE_MAX + 64];
    struct wire_turn turn = plain_turn();
    memcpy(flood, &turn, sizeof turn);
    unsigned char *at = edge_put(flood, WIRE_MAX); /* one byte more would crash */

    assert_int_equal(send(pair->here, flood, sizeof flood, 0), sizeof flood);

    assert_int_equal(wire_receive(pair->there, at), TL_BAD);
}

static void test_datagram_of_another_kind_or_version_is_bad(void **state)
{
    struct pair *pair = *state;
    struct wire_turn turn = plain_turn();
    for (int kind = 0; kind < 65536; kind += kind < 20 ? 1 : 997) {
        turn.head.kind = (uint16_t)kind;
        assert_int_equal(send(pair->here, &turn, sizeof turn, 0), sizeof turn);
        assert_int_equal(wire_receive(pair->there, pair->got),
                         kind == WIRE_TURN ? WIRE_TURN : TL_BAD);
    }
    turn = plain_turn();
    turn.head.version = WIRE_VERSION + 1;
    assert_int_equal(send(pair->here, &turn, sizeof turn, 0), sizeof turn);
    assert_int_equal(wire_receive(pair->there, pair->got), TL_BAD);
}

static void test_what_is_no_message_is_not_sent(void **state)
{
    struct pair *pair = *state;
    struct wire_turn turn = plain_turn();
    turn.head.kind = WIRE_KINDS;
    assert_int_equal(wire_send(pair->here, &turn), TL_BAD);
    turn = plain_turn();
    turn.head.version = 0;
    assert_int_equal(wire_send(pair->here, &turn), TL_BAD);
    assert_int_equal(wire_receive(pair->there, pair->got), TL_MORE);
}

static void test_peer_gone_is_the_end_both_ways_and_no_signal(void **state)
{
    struct pair *pair = *state;
    struct wire_turn turn = plain_turn();
    assert_int_equal(wire_send(pair->there, &turn), 0);

    close(pair->there);
    pair->there = -1;

    assert_int_equal(wire_receive(pair->here, pair->got),
                     WIRE_TURN); /* what it said before counts */
    assert_int_equal(wire_receive(pair->here, pair->got), TL_ENDED);
    assert_int_equal(wire_send(pair->here, &turn), TL_ENDED);
}

static void test_peer_gone_with_unread_messages_is_the_end_too(void **state)
{
    struct pair *pair = *state;
    struct wire_turn turn = plain_turn();
    assert_int_equal(wire_send(pair->here, &turn), 0);
    assert_int_equal(wire_send(pair->there, &turn), 0);

    close(pair->there);
    pair->there = -1;

    assert_int_equal(wire_receive(pair->here, pair->got), WIRE_TURN); /* its last word counts */
    assert_int_equal(wire_receive(pair->here, pair->got), TL_ENDED);
}

static void test_full_socket_would_block_and_takes_messages_again_later(void **state)
{
    struct pair *pair = *state;
    struct wire_turn turn = plain_turn();
    int sent = 0, result;
    while ((result = wire_send(pair->here, &turn)) == 0)
        sent++;
    assert_int_equal(result, TL_MORE);
    assert_true(sent > 0);

    for (int i = 0; i < sent; i++)
        assert_int_equal(wire_receive(pair->there, pair->got), WIRE_TURN);
    assert_int_equal(wire_receive(pair->there, pair->got), TL_MORE);
    assert_int_equal(wire_send(pair->here, &turn), 0);
}

static void test_bad_descriptor_is_the_systems_refusal(void **state)
{
    struct pair *pair = *state;
    struct wire_turn turn = plain_turn();
    assert_int_equal(wire_send(-1, &turn), TL_SYSTEM);
    assert_int_equal(wire_receive(-1, pair->got), TL_SYSTEM);
}

static int lowest_free_descriptor(void)
{
    int fd = open("/dev/null", O_RDONLY);
    close(fd);
    return fd;
}

static void send_with_descriptor(int socket, const void *message, size_t size, int fd)
{
    union {
        struct cmsghdr head;
        char bytes[CMSG_SPACE(sizeof fd)];
    } control = {.head = {.cmsg_len = CMSG_LEN(sizeof fd),
                          .cmsg_level = SOL_SOCKET,
                          .cmsg_type = SCM_RIGHTS}};
    struct iovec piece = {.iov_base = (void *)(uintptr_t)message, .iov_len = size};
    struct msghdr header = {.msg_iov = &piece,
                            .msg_iovlen = 1,
                            .msg_control = control.bytes,
                            .msg_controllen = sizeof control.bytes};
    memcpy(CMSG_DATA(&control.head), &fd, sizeof fd);
    assert_int_equal(sendmsg(socket, &header, 0), size);
}

static void test_message_with_a_descriptor_is_bad_and_the_descriptor_does_not_stay(void **state)
{
    struct pair *pair = *state;
    struct wire_turn turn = plain_turn();
    int free_before = lowest_free_descriptor();

    for (int i = 0; i < 10; i++) {
        send_with_descriptor(pair->here, &turn, sizeof turn, STDOUT_FILENO);
        assert_int_equal(wire_receive(pair->there, pair->got), TL_BAD);
    }

    assert_int_equal(lowest_free_descriptor(), free_before);
    assert_int_equal(wire_send(pair->here, &turn), 0);
    assert_int_equal(wire_receive(pair->there, pair->got), WIRE_TURN);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_kind_has_its_name_and_size),
        cmocka_unit_test(test_the_reference_page_has_the_version_and_every_size),
        cmocka_unit_test(test_every_mode_and_note_has_a_name_and_nothing_else_does),
        cmocka_unit_test(test_turn_is_taken_over_field_by_field),
        cmocka_unit_test(test_turn_of_zeros_wants_everything_off),
        cmocka_unit_test(test_turn_with_any_field_out_of_range_is_refused_and_nothing_is_copied),
        cmocka_unit_test(test_turn_is_taken_at_the_edges_of_every_range),
        cmocka_unit_test(test_turn_may_leave_the_rail_open_only_while_the_supply_is_off),
        cmocka_unit_test(test_turn_of_random_bytes_never_wants_what_is_out_of_range),
        cmocka_unit_test(test_note_must_be_of_a_known_kind_with_finite_value_and_ended_texts),
        cmocka_unit_test(test_hand_must_have_a_known_answer_and_sane_nudges),
        cmocka_unit_test(test_end_must_carry_a_code_of_the_list),
        cmocka_unit_test(test_hello_is_refused_for_any_limit_below_zero),
        cmocka_unit_test(test_hello_is_refused_for_a_hostile_rail),
        cmocka_unit_test(test_hello_is_refused_for_a_byte_that_is_no_bool),
        cmocka_unit_test(test_hello_is_refused_for_a_text_without_end_or_a_time_below_zero),
        cmocka_unit_test_setup_teardown(test_every_kind_arrives_as_it_was_sent, open_pair,
                                        close_pair),
        cmocka_unit_test_setup_teardown(test_messages_keep_their_order_and_bounds, open_pair,
                                        close_pair),
        cmocka_unit_test_setup_teardown(test_datagram_of_any_other_size_is_bad, open_pair,
                                        close_pair),
        cmocka_unit_test_setup_teardown(
            test_datagram_longer_than_any_message_is_bad_and_stays_in_its_buffer, open_pair,
            close_pair),
        cmocka_unit_test_setup_teardown(test_datagram_of_another_kind_or_version_is_bad, open_pair,
                                        close_pair),
        cmocka_unit_test_setup_teardown(test_what_is_no_message_is_not_sent, open_pair, close_pair),
        cmocka_unit_test_setup_teardown(test_peer_gone_is_the_end_both_ways_and_no_signal,
                                        open_pair, close_pair),
        cmocka_unit_test_setup_teardown(test_peer_gone_with_unread_messages_is_the_end_too,
                                        open_pair, close_pair),
        cmocka_unit_test_setup_teardown(test_full_socket_would_block_and_takes_messages_again_later,
                                        open_pair, close_pair),
        cmocka_unit_test_setup_teardown(test_bad_descriptor_is_the_systems_refusal, open_pair,
                                        close_pair),
        cmocka_unit_test_setup_teardown(
            test_message_with_a_descriptor_is_bad_and_the_descriptor_does_not_stay, open_pair,
            close_pair),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
