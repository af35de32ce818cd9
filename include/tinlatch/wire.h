/* SPDX-License-Identifier: MIT */
/* wire - the messages between front, recipe and guard; fixed size, one datagram each.
 *
 * Ownership  messages are plain values; descriptors belong to the caller.
 * Never      carries a pointer, a descriptor, or a delta. Padding holes do not exist.
 * Fails      wire_send, wire_receive: TL_ENDED (peer gone), TL_BAD (another size, kind or version),
 *            TL_MORE (would block), TL_SYSTEM. wire_take_turn: TL_BAD for a field outside its range.
 * Units      as in bench.h. Texts are NUL-terminated within their array. */
#ifndef TINLATCH_WIRE_H
#define TINLATCH_WIRE_H

#include <stddef.h>

#include "tinlatch/bench.h"
#include "tinlatch/board.h"
#include "tinlatch/err.h"
#include "tinlatch/limits.h"

enum { WIRE_VERSION = 9 };

enum wire_kind { WIRE_HELLO = 1, WIRE_SNAPSHOT, WIRE_TURN, WIRE_NOTE, WIRE_HAND, WIRE_END, WIRE_KINDS };

struct wire_head {
    uint16_t kind, version;
    uint32_t number; /* SNAPSHOT: its own, counting up; TURN and HAND: the snapshot they answer */
};

/* Guard's modes; guard.h has the machine. */
enum guard_mode {
    GUARD_WAITING, /* no HELLO yet: everything off */
    GUARD_CHECKING, /* instruments proved, the guard's own questions; everything off */
    GUARD_SEATING, /* the seat test: the guard heats the empty plate a little; the recipe waits */
    GUARD_RUNNING, /* the recipe's turns are listened to */
    GUARD_PAUSED,  /* a pause rule holds heat off; turns still count */
    GUARD_COOLING, /* the run is over: off, until every sensor is touch-safe */
    GUARD_ENDED,   /* touch-safe */
    GUARD_MODES,
};

/* recipe -> guard, once: what board and recipe allow, and what is used. The guard's HELLO to recipe and
 * front answers it: `recipe` then holds the merged table and `origins` is filled; the rest is as it came. */
struct wire_hello {
    struct wire_head head;
    struct limit_origins origins;
    int32_t park_mc; /* where heat falls to when the operator parks; 0 = off */
    int32_t uses_meter; /* 0 or 1: it measures a rail, with the bench's meter where there is one */
    struct limits board, recipe; /* layers; flags and times inside them are ignored, but uses_* of `recipe` */
    char title[64], board_name[BENCH_NAME], insert[BENCH_NAME];
};

/* One line of the estimate: a joint, its coldest place. */
struct wire_joint {
    int32_t temp_mc;         /* coldest segment */
    int32_t molten_permille; /* of the whole joint */
    int32_t melt_ms;         /* until wholly molten, -1 = not foreseen, 0 = is */
    int32_t solid_ms;        /* until wholly solid with heat off from now, -1 = not foreseen, 0 = is */
    /* the same at either end of what boards, and for solid plates, differ by */
    int32_t melt_early_ms, melt_late_ms, solid_early_ms, solid_late_ms;
};

/* guard -> recipe, front, record: once per period. */
struct wire_snapshot {
    struct wire_head head;
    int64_t t_ms;
    int32_t temp_mc[SENSORS], quality[SENSORS], age_ms[SENSORS];
    int32_t plate_mc, plate_quality, ramp_mc_s, ramp_known;
    int32_t supply_mv, supply_ma, supply_on, supply_quality;
    int32_t granted_heat, granted_mc, granted_ramp_mc_s, granted_fan_pct;
    int32_t granted_supply, granted_mv, granted_ma, duty_permille;
    int32_t wanted_heat, wanted_mc, wanted_supply, wanted_fan_pct;
    int32_t mode;         /* enum guard_mode */
    int32_t rule;         /* first out, or the rule that pauses; -1 = none */
    int32_t fired;        /* how many rules act now, warnings included */
    int32_t heat_left_ms; /* of the heat time limit */
    uint32_t stop_count;
    int32_t nudge_mc, nudge_ms;
    uint32_t prompt;      /* the prompt that `answer` is for, 0 = none */
    int32_t answer;       /* enum hand_answer */
    int32_t hand;         /* enum hand, announced now */
    /* the rest of what the interlock judged, so that a record can be judged again */
    int32_t supply_age_ms, plate_silent_ms, supply_silent_ms, recipe_silent_ms;
    uint32_t beeps; /* granted: one more than before sounds once */
    uint32_t open_note;  /* number of the note whose prompt is open now, recipe's or guard's; 0 = none */
    uint32_t stage_note; /* of the stage's note */
    int32_t held_ms;     /* time parked or paused so far: the recipe's timers stand still meanwhile */
    int32_t parked;      /* heat is at the park temperature by the operator's key */
    int32_t park_left_ms;
    int32_t safe_ms;     /* until touch-safe once everything is below 45 C: counts down; -1 = not yet */
    int32_t solid_ms;    /* until the joints are solid, after the end; 0 = are */
    int32_t front_silent_ms, front_gone, keeper_silent_ms, record_late_ms, away_ms; /* judged too */
    int32_t scan_late_ms, clock_jump_ms, said_permille; /* and these: the last is the duty that the plate tells */
    int32_t account_quality, account_low_mc, account_high_mc, account_unmoved_mc, account_lead_mc;
    int32_t checks_left; /* questions and tests before the first heat */
    int32_t wait_ms;     /* as in the turn: what the recipe waits for now, 0 = nothing foreseen */
    int32_t judged;      /* enum judged */
    int32_t meter_kind, meter_quality; /* what the meter is asked, or has answered, and how far it is to be trusted */
    int32_t wanted_ramp_mc_s, wanted_rail, wanted_mv, wanted_ma, wanted_inject, plate_age_ms; /* judged too */
    int32_t joints;      /* the turn's estimate, for front and record */
    struct wire_joint joint[BOARD_JOINTS];
    double meter_value;  /* ohms, volts (diode, volts) */
    double value;
    char text[64];
};

/* Was the interlock asked, and with `seated` of the readings? Not while not everything was read: nothing is granted. */
enum judged { JUDGED_NOT, JUDGED_UNSEATED, JUDGED_SEATED };

/* recipe -> guard: everything it wants, in answer to a snapshot. */
struct wire_turn {
    struct wire_head head;
    int32_t heat, supply_on, inject;
    int32_t temp_mc, ramp_mc_s, fan_pct, rail, mv, ma;
    int32_t hand;
    int32_t meter;    /* enum meter_kind: what the meter is to measure, 0 = nothing */
    uint32_t beeps;
    uint32_t prompt;  /* number of the open prompt's NOTE, 0 = none */
    uint32_t stage;   /* number of the stage's NOTE, 0 = none yet */
    int32_t wait_ms;  /* until the soak, wait or cooling that runs is over, as foreseen; 0 = no telling; shown only */
    int32_t joints;   /* of the estimate */
    struct wire_joint joint[BOARD_JOINTS];
};

enum { NOTE_GUARD = 0x40000000 };

enum note_kind {
    NOTE_STAGE = 1, /* a stage begins */
    NOTE_CONFIRM,   /* prompt: yes or no */
    NOTE_ASK,       /* prompt: a value */
    NOTE_DO,        /* prompt: something to be done by hand; turn.hand says what */
    NOTE_TELL,      /* shown, no answer */
    NOTE_NOTE,      /* to the record only */
    NOTE_VALUE,     /* `name` = `value`, to the record */
    NOTE_BEEP,      /* text: what the beep means */
    NOTE_MELT,      /* a joint counts as molten: name, and text says how it is known */
    NOTE_JOB,       /* to the record only: `name` says what is known of the work, `text` and `value` what */
    /* the guard's own, to the front; their numbers have NOTE_GUARD set */
    NOTE_CHECK,     /* a mandatory question before the first heat: yes or no */
    NOTE_STATE,     /* a line about what the guard does now: "seat test: heating for 20 s" */
    NOTE_WARN,      /* a warning rule, or what this bench cannot protect against */
    NOTE_FAULT,     /* a trip: what happened */
    NOTE_ACT,       /* ... what to do */
    NOTE_LOOK,      /* ... what to look at on the bench */
    NOTE_HANDS,     /* what to do with one's hands: the first line after a trip or stop */
    NOTE_KINDS,
};

/* recipe -> guard: a text, sent before the turn that names its number. */
struct wire_note {
    struct wire_head head; /* number: counts up from 1 within a run */
    int32_t note;          /* enum note_kind */
    int32_t line;          /* of the recipe */
    double value;
    char name[BENCH_NAME];
    char text[BENCH_TEXT];
};

/* A nudge raises the target no nearer to the plate's limit: control may overshoot by 2 K, and that would be a trip. */
enum { NUDGE_ROOM_MC = 3000 };

/* A press within that time of a prompt's opening answers nothing: it was meant for something else. */
enum { PROMPT_GUARD_MS = 1000 };

enum hand_answer { ANSWER_NONE, ANSWER_YES, ANSWER_NO, ANSWER_VALUE, ANSWERS };

/* front -> guard, at every snapshot. */
struct wire_hand {
    struct wire_head head;
    uint32_t stop_count;
    int32_t nudge_mc, nudge_ms;
    uint32_t prompt;
    int32_t answer; /* enum hand_answer */
    uint32_t presence; /* counts keys and pedals: somebody is there */
    uint32_t parks;    /* counts presses of park: each toggles it */
    uint32_t leaves;   /* counts deliberate wishes to leave before it is touch-safe */
    double value;
    char text[64];
};

/* recipe -> guard: the recipe is over; code 0 or a negative enum tl_err.
 * guard -> front: the run is over and the bench is off; code is the enum outcome. */
struct wire_end {
    struct wire_head head;
    int32_t code; /* 0, or a negative enum tl_err */
    int32_t line;
    char text[BENCH_TEXT];
};

const char *wire_kind_name(int kind);   /* "TURN"; "?" outside the table */
const char *guard_mode_name(int mode);  /* "running" */
const char *note_kind_name(int note);   /* "stage" */
/* What a prompt of this name is answered in, read off a meter: "meter-ohms", "meter-diode", "meter-amps"; UNITS = not
 * off a meter. */
enum unit note_meter_unit(const char *name);

/* The name of the prompt that asks whether the board lies flat, which no step of the recipe asks. */
#define NOTE_LIES_FLAT "lies-flat"
size_t wire_size(int kind);             /* 0 outside the table */

/* Fill the head of any message. */
void wire_stamp(struct wire_head *head, enum wire_kind kind, uint32_t number);

/* Check every field's range, then copy into *want. TL_BAD: *want is untouched. `rails` bounds rail. */
int wire_take_turn(const struct wire_turn *turn, int32_t rails, struct wanted *want);

/* A note from a recipe is well formed: one of its kinds, not the guard's; number without NOTE_GUARD; texts
 * NUL-terminated, value finite. 0 or TL_BAD. */
int wire_check_note(const struct wire_note *note);
int wire_check_hand(const struct wire_hand *hand);
int wire_check_end(const struct wire_end *end);
int wire_check_hello(const struct wire_hello *hello);

/* Exact-size datagrams over SOCK_SEQPACKET. receive: the message's kind, its bytes in *message
 * (at least WIRE_MAX bytes). They block or not as the descriptor does; a call that a signal broke
 * off is TL_MORE too, so that the caller looks at its flag. A message with descriptors attached is
 * TL_BAD, and the descriptors are gone. System calls: recvmsg, sendto. */
enum { WIRE_MAX = 4096 };
int wire_send(int fd, const void *message);
int wire_receive(int fd, void *message);
/* The same without waiting, whatever the descriptor does: TL_MORE when nothing is there. */
int wire_receive_now(int fd, void *message);

#endif
