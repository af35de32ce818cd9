/* SPDX-License-Identifier: MIT */
/* guard - the scan: bytes -> readings -> wanted -> granted -> bytes -> snapshot. The same code in a
 * rehearsal and in a run; only ports, clock and whoever calls it differ.
 *
 * A period:  guard_begin    requests out
 *            guard_pump     bytes in; true when every answer is there (call until then, or until 80 %)
 *            guard_scan     judge, apply, tell
 *
 * Ownership  guard_new's caller frees; ports and journal stay the caller's.
 * Never      blocks, asks a clock, or allocates after guard_new.
 * Fails      guard_new: TL_SYSTEM. guard_receive: TL_BAD for a message that is not permitted or not well
 *            formed: the run is over, everything off. For a HELLO, and then nothing was started: TL_LIMIT (it asks
 *            for more than the bench allows), TL_MISSING (an insert that the bench has not), TL_DEVICE (no plate,
 *            no supply), TL_SYSTEM (the rule table of this build is not whole).
 * Units      as in bench.h; t_ms instants of the run's clock. */
#ifndef TINLATCH_GUARD_H
#define TINLATCH_GUARD_H

#include "tinlatch/bench.h"
#include "tinlatch/benchfile.h"
#include "tinlatch/err.h"
#include "tinlatch/interlock.h"
#include "tinlatch/journal.h"
#include "tinlatch/last_run.h"
#include "tinlatch/limits.h"
#include "tinlatch/port.h"
#include "tinlatch/wire.h"

struct guard;

struct guard_config {
    const struct benchfile *bench;          /* must outlive the guard */
    struct port *port[BENCH_PORTS];         /* beside bench->port; NULL = not in use */
    const char *doubt[BENCH_PORTS];         /* of that port's name, told at the start; NULL or "" = none */
    struct journal *journal;                /* NULL = none */
    const int32_t *truth_mc;                /* rehearsal: the world's plate, for the record; else NULL */
    /* What a warm start may build on: of this bench file and this start of the computer, its times by this run's
     * clock; NULL = nothing. */
    const struct last_run *last;
    bool armed;                             /* skip the questions and the seat test: a rehearsal without them */
    /* Instead of questions: nothing has cooled or warmed the bench, so a start that reads otherwise is refused. */
    bool rested;
    /* Where notes go, the recipe's and the guard's own; NULL = nowhere but the record. */
    void (*say)(void *context, const struct wire_note *note);
    void *context;
};

/* What the processes around the guard tell of themselves, as of the coming scan; {0} in a rehearsal. */
struct guard_watch {
    int32_t front_silent_ms, keeper_silent_ms, record_late_ms, clock_jump_ms;
    int32_t arming_ms; /* for so long the latch has been on its way to the disk: nothing gets power; 0 = it is there */
    bool front_gone;
};

int guard_new(struct guard **out, const struct guard_config *config, struct tl_error *error);
void guard_free(struct guard *guard);

/* Which of the bench's ports a run needs that heats, feeds a rail, measures one, as its recipe's HELLO says. */
void guard_ports_needed(const struct benchfile *bench, const struct wire_hello *hello, bool need[BENCH_PORTS]);

void guard_begin(struct guard *guard, int64_t t_ms);
bool guard_pump(struct guard *guard, int64_t t_ms);
void guard_scan(struct guard *guard, int64_t t_ms);
/* When guard_pump has to be called again though no byte has come (a line's quiet time); INT64_MAX: no need. */
int64_t guard_wake_ms(const struct guard *guard);
/* Last words wait for their line: guard_pump has to go on, also after the scan. */
bool guard_owes(const struct guard *guard);

/* A person's contacts: looked at every GUARD_LOOK_MS, whether or not the period has been scanned, for a tap is shorter
 * than a period. */
enum { GUARD_LOOK_MS = 10 };
bool guard_has_contacts(const struct guard *guard); /* that this run looks at */
bool guard_look(struct guard *guard, int64_t t_ms); /* true: stop is pressed, and no scan has seen that press */

void guard_set_watch(struct guard *guard, const struct guard_watch *watch);

/* Take one message from recipe or front. error may be NULL. */
int guard_receive(struct guard *guard, const void *message, size_t size, int64_t t_ms,
                  struct tl_error *error);

const struct wire_snapshot *guard_snapshot(const struct guard *guard);
const struct limits *guard_limits(const struct guard *guard);
const struct limit_origins *guard_origins(const struct guard *guard);
const struct readings *guard_readings(const struct guard *guard);
enum guard_mode guard_mode(const struct guard *guard);
/* A HELLO that guard_receive did not take, or no way to latch a crash: the run is over before it began, for this
 * reason. */
void guard_refuse_run(struct guard *guard, const struct tl_error *why, int64_t t_ms);
/* The recipe's HELLO with the merged table and its origins in it, as the guard answers it. */
void guard_answer_hello(const struct guard *guard, struct wire_hello *hello);
/* Why the run never began: a question answered no, a failed seat test, an instrument that does not answer. code TL_OK: it did. */
const struct tl_error *guard_refusal(const struct guard *guard);
/* How the recipe ended, in its own words; code TL_MORE while it runs. */
const struct wire_end *guard_recipe_end(const struct guard *guard);
/* What the next run may start warm from if this one ends now; boot and bench are the caller's to fill. False: it
 * has to begin with the seat test. */
bool guard_last_run(const struct guard *guard, int64_t t_ms, struct last_run *last);
/* A person leaves before it is touch-safe: nobody watches from here on, so the last words are said once more, the fan
 * off too; and it is recorded. */
void guard_leave(struct guard *guard, int64_t t_ms);
/* Has heat been granted in this run? */
bool guard_was_hot(const struct guard *guard);

/* After a trip or stop: the first rule, when, its words. After any end: what to do with one's hands, as last told. */
struct guard_trip {
    bool tripped;
    enum rule_id rule;
    int64_t at_ms;
    struct rule_words words;
    char hands[BENCH_TEXT];
};
const struct guard_trip *guard_trip(const struct guard *guard);

/* Modes: one enum (wire.h), one pure step, drawn in docs/explanation/modes.md. */
enum guard_event {
    EVENT_HELLO,      /* limits merged, accepted */
    EVENT_CHECKED,    /* every instrument answers, every question is answered yes */
    EVENT_SEATED,     /* the seat test passed, or nothing has to be proved */
    EVENT_PAUSE,      /* a pause rule acts */
    EVENT_RESUME,     /* none does any more */
    EVENT_END,        /* the recipe is over, well or not */
    EVENT_TRIP,       /* a trip or stop rule latched, or a peer broke the rules */
    EVENT_TOUCH_SAFE, /* every sensor in use below 45 C for 30 s, or the plate was never used */
    GUARD_EVENTS,
};
enum guard_mode guard_mode_next(enum guard_mode mode, enum guard_event event);

/* Does a rule begin to warn at this scan? *told keeps whether it fired at the last one. */
bool guard_begins_to_warn(enum rule_kind kind, bool fired, bool *told);

/* Does the permit table let this kind of message through in this mode? */
bool guard_permits(enum guard_mode mode, int kind);

#endif
