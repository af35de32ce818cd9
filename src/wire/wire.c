/* SPDX-License-Identifier: MIT */
#include "tinlatch/wire.h"

#include <errno.h>
#include <math.h>
#include <string.h>
#include <sys/socket.h>

/* Both ends are built together, but a changed struct must never pass unnoticed: these sizes stand in
 * docs/reference/wire.md, and WIRE_VERSION goes up with any of them. */
_Static_assert(sizeof(struct wire_head) == 8, "wire_head");
_Static_assert(sizeof(struct wire_hello) == 1912, "wire_hello");
_Static_assert(sizeof(struct wire_snapshot) == 528, "wire_snapshot");
_Static_assert(sizeof(struct wire_turn) == 200, "wire_turn");
_Static_assert(sizeof(struct wire_note) == 312, "wire_note");
_Static_assert(sizeof(struct wire_hand) == 112, "wire_hand");
_Static_assert(sizeof(struct wire_end) == 272, "wire_end");
#define SIZES                                                                                      \
    (sizeof(struct wire_hello) + 3 * sizeof(struct wire_snapshot) + 5 * sizeof(struct wire_turn) + \
     7 * sizeof(struct wire_note) + 11 * sizeof(struct wire_hand) + 13 * sizeof(struct wire_end))
_Static_assert(WIRE_VERSION == 9 && SIZES == 11448,
               "a message changed: raise WIRE_VERSION, and put it and the new sum here");

/* No padding holes: the fields' own sizes add up to the struct's. A hole would carry stray memory of
 * the sender. */
_Static_assert(sizeof(struct rail_limits) == BENCH_NAME + 4 * 4, "hole in rail_limits");
_Static_assert(sizeof(struct limits) == LIMITS * 4 + 4 + BENCH_RAILS * sizeof(struct rail_limits) +
                                            4 * sizeof(bool) + 9 * 4,
               "hole in limits");
_Static_assert(sizeof(struct wire_hello) ==
                   8 + LIMITS * 8 + 8 + 2 * sizeof(struct limits) + 64 + 2 * BENCH_NAME,
               "hole in wire_hello");
_Static_assert(sizeof(struct wire_joint) == 8 * 4, "hole in wire_joint");
_Static_assert(sizeof(struct wire_snapshot) == 8 + 8 + 3 * SENSORS * 4 + 67 * 4 +
                                                   BOARD_JOINTS * sizeof(struct wire_joint) + 8 +
                                                   8 + 64,
               "hole in wire_snapshot");
_Static_assert(sizeof(struct wire_turn) == 8 + 16 * 4 + BOARD_JOINTS * sizeof(struct wire_joint),
               "hole in wire_turn");
_Static_assert(sizeof(struct wire_note) == 8 + 2 * 4 + 8 + BENCH_NAME + BENCH_TEXT,
               "hole in wire_note");
_Static_assert(sizeof(struct wire_hand) == 8 + 8 * 4 + 8 + 64, "hole in wire_hand");
_Static_assert(sizeof(struct wire_end) == 8 + 2 * 4 + BENCH_TEXT, "hole in wire_end");

/* Ranges of what a recipe may write into a turn. They only keep arithmetic safe; what is allowed is
 * the limits' business. */
enum {
    TEMP_MAX_MC = 1000000,
    RAMP_MAX_MC_S = 1000000,
    FAN_MAX_PCT = 100,
    SUPPLY_MAX_MV = 1000000,
    SUPPLY_MAX_MA = 1000000,
    ESTIMATE_MIN_MC = -273150,
    ESTIMATE_MAX_MC = 2000000,
    NUDGE_MAX_MC = 1000000,
    NUDGE_MAX_MS = 86400000,
};

static const struct {
    const char *name;
    size_t size;
} kinds[WIRE_KINDS] = {
    [WIRE_HELLO] = {"HELLO", sizeof(struct wire_hello)},
    [WIRE_SNAPSHOT] = {"SNAPSHOT", sizeof(struct wire_snapshot)},
    [WIRE_TURN] = {"TURN", sizeof(struct wire_turn)},
    [WIRE_NOTE] = {"NOTE", sizeof(struct wire_note)},
    [WIRE_HAND] = {"HAND", sizeof(struct wire_hand)},
    [WIRE_END] = {"END", sizeof(struct wire_end)},
};

static const char *const mode_names[GUARD_MODES] = {
    [GUARD_WAITING] = "waiting", [GUARD_CHECKING] = "checking", [GUARD_SEATING] = "seating",
    [GUARD_RUNNING] = "running", [GUARD_PAUSED] = "paused",     [GUARD_COOLING] = "cooling",
    [GUARD_ENDED] = "ended",
};

static const char *const note_names[NOTE_KINDS] = {
    [NOTE_STAGE] = "stage", [NOTE_CONFIRM] = "confirm", [NOTE_ASK] = "ask",
    [NOTE_DO] = "do",       [NOTE_TELL] = "tell",       [NOTE_NOTE] = "note",
    [NOTE_VALUE] = "value", [NOTE_BEEP] = "beep",       [NOTE_MELT] = "melt",
    [NOTE_JOB] = "job",     [NOTE_CHECK] = "check",     [NOTE_STATE] = "state",
    [NOTE_WARN] = "warn",   [NOTE_FAULT] = "fault",     [NOTE_ACT] = "act",
    [NOTE_LOOK] = "look",   [NOTE_HANDS] = "hands",
};

const char *wire_kind_name(int kind)
{
    if (kind < WIRE_HELLO || kind >= WIRE_KINDS)
        return "?";
    return kinds[kind].name;
}

const char *guard_mode_name(int mode)
{
    if (mode < 0 || mode >= GUARD_MODES)
        return "?";
    return mode_names[mode];
}

const char *note_kind_name(int note)
{
    if (note < NOTE_STAGE || note >= NOTE_KINDS)
        return "?";
    return note_names[note];
}

enum unit note_meter_unit(const char *name)
{
    return !strcmp(name, "meter-ohms")    ? UNIT_OHMS
           : !strcmp(name, "meter-diode") ? UNIT_VOLTS
           : !strcmp(name, "meter-amps")  ? UNIT_AMPS
                                          : UNITS;
}

size_t wire_size(int kind)
{
    if (kind < WIRE_HELLO || kind >= WIRE_KINDS)
        return 0;
    return kinds[kind].size;
}

void wire_stamp(struct wire_head *head, enum wire_kind kind, uint32_t number)
{
    head->kind = (uint16_t)kind;
    head->version = WIRE_VERSION;
    head->number = number;
}

static bool within(int32_t value, int32_t low, int32_t high)
{
    return value >= low && value <= high;
}

static bool terminated(const char *text, size_t size)
{
    return memchr(text, 0, size) != NULL;
}

static bool joint_is_sane(const struct wire_joint *joint)
{
    return within(joint->temp_mc, ESTIMATE_MIN_MC, ESTIMATE_MAX_MC) &&
           within(joint->molten_permille, 0, 1000) && joint->melt_ms >= -1 &&
           joint->solid_ms >= -1 && joint->melt_early_ms >= -1 && joint->melt_late_ms >= -1 &&
           joint->solid_early_ms >= -1 && joint->solid_late_ms >= -1;
}

static bool estimate_is_sane(const struct wire_turn *turn)
{
    if (!within(turn->joints, 0, BOARD_JOINTS))
        return false;
    for (int32_t i = 0; i < turn->joints; i++)
        if (!joint_is_sane(&turn->joint[i]))
            return false;
    return true;
}

/* -1 is "no rail"; only a supply that is off may leave it at that, or at the 0 of an empty turn. */
static bool rail_is_sane(const struct wire_turn *turn, int32_t rails)
{
    if (turn->supply_on)
        return within(turn->rail, 0, rails - 1);
    return turn->rail == 0 || within(turn->rail, -1, rails - 1);
}

static bool turn_is_sane(const struct wire_turn *turn, int32_t rails)
{
    return within(turn->heat, 0, 1) && within(turn->supply_on, 0, 1) &&
           within(turn->inject, 0, 1) && within(turn->temp_mc, 0, TEMP_MAX_MC) &&
           within(turn->ramp_mc_s, 0, RAMP_MAX_MC_S) && within(turn->fan_pct, 0, FAN_MAX_PCT) &&
           within(turn->mv, 0, SUPPLY_MAX_MV) && within(turn->ma, 0, SUPPLY_MAX_MA) &&
           within(turn->hand, 0, HANDS - 1) && within(turn->meter, 0, METER_KINDS - 1) &&
           turn->wait_ms >= 0 && rail_is_sane(turn, rails) && estimate_is_sane(turn);
}

int wire_take_turn(const struct wire_turn *turn, int32_t rails, struct wanted *want)
{
    if (!turn_is_sane(turn, rails))
        return TL_BAD;
    *want = (struct wanted){
        .heat = turn->heat == 1,
        .supply_on = turn->supply_on == 1,
        .inject = turn->inject == 1,
        .temp_mc = turn->temp_mc,
        .ramp_mc_s = turn->ramp_mc_s,
        .fan_pct = turn->fan_pct,
        .rail = turn->rail,
        .mv = turn->mv,
        .ma = turn->ma,
        .hand = (enum hand)turn->hand,
        .meter = (enum meter_kind)turn->meter,
        .beeps = turn->beeps,
    };
    return 0;
}

int wire_check_note(const struct wire_note *note)
{
    if (!within(note->note, NOTE_STAGE, NOTE_JOB) || (note->head.number & NOTE_GUARD) ||
        note->line < 0 || !isfinite(note->value))
        return TL_BAD;
    if (!terminated(note->name, sizeof note->name) || !terminated(note->text, sizeof note->text))
        return TL_BAD;
    return 0;
}

int wire_check_hand(const struct wire_hand *hand)
{
    if (!within(hand->answer, 0, ANSWERS - 1) || !isfinite(hand->value))
        return TL_BAD;
    if (!within(hand->nudge_mc, -NUDGE_MAX_MC, NUDGE_MAX_MC) ||
        !within(hand->nudge_ms, -NUDGE_MAX_MS, NUDGE_MAX_MS))
        return TL_BAD;
    return terminated(hand->text, sizeof hand->text) ? 0 : TL_BAD;
}

int wire_check_end(const struct wire_end *end)
{
    if (!within(end->code, TL_ENDED, TL_OK) || end->line < 0)
        return TL_BAD;
    return terminated(end->text, sizeof end->text) ? 0 : TL_BAD;
}

static bool rail_limits_are_sane(const struct rail_limits *rail)
{
    return terminated(rail->name, sizeof rail->name) && rail->mv >= 0 && rail->ma >= 0 &&
           rail->inject_mv >= 0 && rail->inject_ma >= 0;
}

/* A byte that is neither 0 nor 1 must not be read as a bool: that is undefined, so look at it as it
 * lies in memory. */
static bool flag_is_sane(const bool *flag)
{
    unsigned char byte;
    memcpy(&byte, flag, 1);
    return byte <= 1;
}

static bool limits_are_sane(const struct limits *limits)
{
#define X(field, key, unit, scale, ceiling)                                                        \
    if (limits->field < 0)                                                                         \
        return false;
    LIMIT_LIST(X)
#undef X
    if (!within(limits->rail_count, 0, BENCH_RAILS))
        return false;
    for (int i = 0; i < BENCH_RAILS; i++) /* the unused ones too: they are copied with the rest */
        if (!rail_limits_are_sane(&limits->rail[i]))
            return false;
    return flag_is_sane(&limits->uses_plate) && flag_is_sane(&limits->uses_supply) &&
           flag_is_sane(&limits->has_plate_2) && flag_is_sane(&limits->has_board) &&
           limits->stale_ms >= 0 && limits->silent_ms >= 0 && limits->recipe_silent_ms >= 0 &&
           limits->front_pause_ms >= 0 && limits->front_stop_ms >= 0 &&
           limits->keeper_silent_ms >= 0 && limits->record_late_ms >= 0 &&
           limits->scan_late_ms >= 0 && limits->presence_ms >= 0;
}

int wire_check_hello(const struct wire_hello *hello)
{
    if (!limits_are_sane(&hello->board) || !limits_are_sane(&hello->recipe) ||
        !within(hello->uses_meter, 0, 1) || !within(hello->park_mc, 0, TEMP_MAX_MC))
        return TL_BAD;
    if (!terminated(hello->title, sizeof hello->title) ||
        !terminated(hello->board_name, sizeof hello->board_name) ||
        !terminated(hello->insert, sizeof hello->insert))
        return TL_BAD;
    return 0;
}

static int system_error(int error)
{
    switch (error) {
    case EAGAIN:
    case EINTR:
        return TL_MORE;
    case EPIPE:
    case ECONNRESET:
    case ENOTCONN:
        return TL_ENDED;
    default:
        return TL_SYSTEM;
    }
}

int wire_send(int fd, const void *message)
{
    struct wire_head head;
    memcpy(&head, message, sizeof head);
    size_t size = wire_size(head.kind);
    if (size == 0 || head.version != WIRE_VERSION)
        return TL_BAD;

    ssize_t sent = send(fd, message, size, MSG_NOSIGNAL);
    if (sent < 0)
        return system_error(errno);
    return (size_t)sent == size ? 0 : TL_SYSTEM;
}

static int receive(int fd, void *message, int flags)
{
    struct iovec space = {.iov_base = message, .iov_len = WIRE_MAX};
    /* No control buffer: the kernel closes any descriptor that came along and says MSG_CTRUNC. */
    struct msghdr header = {.msg_iov = &space, .msg_iovlen = 1};
    ssize_t got = recvmsg(fd, &header, flags);
    /* A peer that left with our messages unread: the kernel says so once, before what the peer sent. */
    if (got < 0 && errno == ECONNRESET)
        got = recvmsg(fd, &header, flags);
    if (got < 0)
        return system_error(errno);
    if (header.msg_flags & (MSG_TRUNC | MSG_CTRUNC))
        return TL_BAD;
    if (got == 0)
        return TL_ENDED;

    struct wire_head head;
    if ((size_t)got < sizeof head)
        return TL_BAD;
    memcpy(&head, message, sizeof head);
    if (head.version != WIRE_VERSION || wire_size(head.kind) != (size_t)got)
        return TL_BAD;
    return head.kind;
}

int wire_receive(int fd, void *message)
{
    return receive(fd, message, 0);
}

int wire_receive_now(int fd, void *message)
{
    return receive(fd, message, MSG_DONTWAIT);
}
