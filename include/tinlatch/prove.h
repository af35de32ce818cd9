/* SPDX-License-Identifier: MIT */
/* prove - `tinlatch bench check` from the guard's seat: each instrument shows what a run will rely on.
 *
 * Ownership  ports and descriptors stay the caller's.
 * Never      heats. What it asks for: the fan, a set-point colder than the plate, a supply's set-points with its
 *            output off. (The relay of a contactor is the caller's to try: prove_run leaves it open.)
 * Fails      it cannot: what fails is told as a row, and shows in the outcome. Everything is off at its end.
 * Units      milliseconds of CLOCK_BOOTTIME. */
#ifndef TINLATCH_PROVE_H
#define TINLATCH_PROVE_H

#include "tinlatch/benchfile.h"
#include "tinlatch/port.h"
#include "tinlatch/run.h"
#include "tinlatch/wire.h"

enum proof {
    PROOF_HOLDS,
    PROOF_FAILS,
    PROOF_OPEN, /* nothing on this bench can show it */
};

/* The way to the person, a SOCK_SEQPACKET socket: a row goes out as a NOTE (STATE, FAULT, WARN: holds, fails, open;
 * its name is the instrument's, its text "what: how it is known"), a question as a NOTE_CHECK; a HAND comes back
 * for an answer, for a stop, and with `leaves` above 0 when nobody is there to answer. END closes it. */
struct prove_talk {
    int fd;
    uint32_t notes, asked;   /* the open question's number, 0 = none */
    enum hand_answer answer; /* to it */
    bool nobody;             /* nobody answers questions */
    bool stopped, gone;      /* a person ended it; the other side is not there any more */
    bool missing, failed;    /* an instrument is not there or not the right one; a proof failed */
};

void prove_say(struct prove_talk *talk, enum proof proof, const char *name, const char *what,
               const char *format, ...) __attribute__((format(printf, 5, 6)));
/* As PROOF_FAILS: the instrument is not there, or is another. */
void prove_missing(struct prove_talk *talk, const char *name, const char *what, const char *format, ...)
    __attribute__((format(printf, 4, 5)));
void prove_ask(struct prove_talk *talk, const char *name, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
/* Take what has come, without waiting. */
void prove_hear(struct prove_talk *talk);
/* The open question has its answer, or will never have one. */
bool prove_answered(const struct prove_talk *talk);
bool prove_over(const struct prove_talk *talk); /* stopped or gone */
enum outcome prove_outcome(const struct prove_talk *talk);

struct prove_config {
    const struct benchfile *bench;
    struct port *port[BENCH_PORTS]; /* NULL: could not be opened; what hangs on it is left out */
    int beat_fd, sign_fd;           /* to and from the keeper */
    struct prove_talk *talk;
    bool ask_realtime;
};

/* Every proof, then everything off, then END. */
enum outcome prove_run(const struct prove_config *config);

#endif
