/* SPDX-License-Identifier: MIT */
/* What the files of a rehearsal share. */
#ifndef TINLATCH_REHEARSE_PRIVATE_H
#define TINLATCH_REHEARSE_PRIVATE_H

#include <signal.h>

#include "tinlatch/guard.h"
#include "tinlatch/rehearse.h"
#include "tinlatch/world.h"

/* What the child leaves for its parent, in memory both see. The parent reads it once the child is dead. */
struct rehearse_result {
    volatile sig_atomic_t whole;    /* run is filled to its end */
    volatile sig_atomic_t line;     /* of the recipe, when it was told to stop */
    volatile sig_atomic_t left_lua; /* the script has let go after that */
    struct run run;
    struct run_heat heat; /* places 0: none was wanted, or it came to no end */
};

/* stream.c: what a recipe in a process of its own wanted, for a world that is to be believed. Messages as in wire.h,
 * what it does by hand, and last what only that process counted; nothing of it is believed further than that. */
enum { STREAM_HAND = 0x100, STREAM_TALLY };
struct stream_hand {
    struct wire_head head;
    int32_t hand, part; /* enum hand */
    double watts;
};
struct stream_tally {
    struct wire_head head;
    struct recipe_tally tally;
};
struct stream {
    int fd;
    size_t used, at;
    char bytes[32 * 1024];
};
void stream_put(struct stream *stream, const void *message);
void stream_flush(struct stream *stream);
_Static_assert(sizeof(struct stream_tally) <= WIRE_MAX, "a message");
size_t stream_size(int kind); /* 0: there is none of that kind */
/* The next one, into WIRE_MAX bytes. Its kind, TL_ENDED: there is none, TL_BAD: it is none. */
int stream_get(struct stream *stream, void *message);

/* apart.c: recipe and world in two processes. The recipe's rehearses by itself, with a world of its own, and tells what it
 * wanted; the world's plays that, hears nothing else, and has the figures. */
struct apart {
    int socket; /* the world's end of the stream; -1 = none: everything in one process */
    int other;  /* the recipe's */
    pid_t recipe;
};
/* Start the recipe's process. TL_SYSTEM: it could not be had. apart_end whatever comes. */
int apart_begin(struct apart *apart, const struct rehearse_setup *setup, double cpu_s,
                struct tl_error *error);
void apart_end(struct apart *apart);
/* rehearse.c: the processor time that a process of this rehearsal may take. */
double rehearse_cpu_s(const struct rehearse_setup *setup);

/* imitate.c: the instruments, plate and sensors of a bench file; board, insert, spread and seed stay. */
void imitate(const struct benchfile *bench, struct world_setup *setup);

/* The simulated person: answers prompts after a natural delay, or as the answers file says. */
struct operator
{
    const struct rehearse_setup *setup;
    struct random random;
    int next_answer;
    uint32_t prompt; /* being answered, 0 = none */
    int32_t note;    /* its enum note_kind */
    enum hand hand;
    double suggestion; /* of the prompt's note */
    char name[BENCH_NAME];
    int64_t due_ms;
    struct rehearse_answer reply;
    bool told, guessed;    /* answered a question; with a value that nothing suggested */
    struct wire_hand said; /* what the guard hears at every snapshot */
    const struct rehearse_answer *wrong; /* does not fit its question ... */
    char wanted[48];                     /* ... which asks for this */
};

struct rehearsal {
    const struct rehearse_setup *setup;
    struct run *run;
    struct world *world;
    struct guard *guard;
    struct journal *journal;
    struct recipe *recipe; /* NULL: it lives in a process of its own, and is `heard` */
    struct stream *heard;
    struct stream *told; /* what the recipe wants is told there; NULL: nowhere */
    const struct board *board;
    struct wire_hello hello; /* what the recipe says of itself */
    struct recipe_tally tally;
    struct world_truth truth;
    int32_t truth_mc;
    struct operator operator;
    struct run_extremes extremes;
    double asked_ramp_c_s; /* the steepest; 0 = none */
    int32_t knob_mc;       /* what a by-hand plate is to be set to, 0 = off ... */
    int64_t knob_ms;       /* ... and when the person will have done so */
    int64_t period_ms, until_ms;
    int64_t now_ms;                    /* start of the period to come */
    bool cut;                          /* --until was reached */
    bool endless;                      /* no job takes that long */
    bool torn;                         /* a lift tore pads: the rehearsal ends there */
    bool misfit;                       /* an answer of the file does not fit its question */
    struct tl_error broken;            /* the first message that the guard did not accept */
    int32_t note_line;                 /* of the last note: where the recipe stands */
    uint32_t answered;                 /* the prompt whose answer was noted last */
    char asked[BENCH_TEXT];            /* the last question */
    uint32_t joint_pass[BOARD_JOINTS]; /* of the run's joints */
    int melt_joint[RUN_MELTS]; /* of each melt of the run, and in which pass of that joint */
    uint32_t melt_pass[RUN_MELTS];
};

/* operator.c */
void operator_init(struct operator* operator, const struct rehearse_setup * setup);
void operator_asked(struct operator* operator, const struct wire_note * note);
/* Look at the turn's prompt; operator->said is what the guard hears. */
void operator_step(struct operator* operator, const struct wire_turn * turn, struct world *world,
                   uint32_t stops, int64_t t_ms);

/* lockstep.c: the whole rehearsal, inside the child. */
void lockstep_run(const struct rehearse_setup *setup, const struct apart *apart, int record_fd,
                  struct rehearse_result *result);
/* The same up to the recipe's end, in its own process where there are two; what it wants goes to `fd`. */
_Noreturn void lockstep_tell(const struct rehearse_setup *setup, int fd);

/* summary.c */
void summary_heat(const struct rehearsal *r, struct run_heat *heat);
void summary_snapshot(struct rehearsal *r, const struct wire_snapshot *snapshot,
                      const struct wire_turn *turn);
void summary_note(struct rehearsal *r, const struct wire_note *note);
/* For guard_config.say: what the guard itself says; the recipe's notes come through summary_note. */
void summary_guard_note(void *rehearsal, const struct wire_note *note);
void summary_end(struct rehearsal *r);

#endif
