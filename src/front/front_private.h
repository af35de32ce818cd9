/* SPDX-License-Identifier: MIT */
/* What the front's files share. */
#ifndef TINLATCH_FRONT_PRIVATE_H
#define TINLATCH_FRONT_PRIVATE_H

#include <signal.h>
#include <stddef.h>

#include "tinlatch/front.h"

#define COUNT(array) ((int)(sizeof(array) / sizeof((array)[0])))

/* ---- text.c: what of a stranger's text may reach a terminal ---------------------------------- */

/* One line, whole UTF-8 characters, no controls, no turned writing, nothing of zero width, no runs of
 * blanks: what cannot be shown is '?'. Cut to fit. */
void text_clean(char *to, size_t size, const char *from);
/* Columns that the character at `at` (`length` bytes, clean) takes: 1 or 2. */
int text_width(const char *at, size_t length);
/* Bytes of a text that fit `width` columns, broken at a blank where there is one; what follows them. */
size_t text_piece(const char *text, int width);
const char *text_after(const char *text, size_t length);

/* ---- state.c --------------------------------------------------------------------------------- */

enum { LAST_EVENTS = 20 }; /* that stay to be read after a trip */
/* Says again what stands apart from the events: hands, cause, what to do and to look at. */
bool event_is_summed_up(const struct front_state *state, const struct front_event *event);

/* ---- facts.c: the figures in words, for view and lines alike --------------------------------- */

enum { FACT = 160, SAFE_MC = 45000 };
const char *fact_mode(const struct front_state *state);
bool fact_recipe_runs(
    const struct front_state *state);            /* parking and nudging have something to act on */
bool fact_safe(const struct front_state *state); /* over, and everything reads below 45 C */
bool fact_hot(
    const struct front_state *state); /* something is above what may be touched, or not known */
bool fact_over(const struct front_state *state); /* cooling, or ended */
void fact_plate(const struct front_state *state, char out[FACT]);
void fact_target(const struct front_state *state, char out[FACT]);
void fact_next(const struct front_state *state, char out[FACT]);
void fact_margin(const struct front_state *state, char out[FACT]);
void fact_supply(const struct front_state *state, char out[FACT]);
void fact_time(int64_t t_ms, char out[FACT]); /* "12:04" */
/* What to do with one's hands, as told; its figure counts down with the snapshots. */
const char *hands_now(const struct front_state *state, char out[BENCH_TEXT]);

/* ---- keys.c: bytes of a keyboard -> presses -> what they mean -------------------------------- */

enum press_kind { PRESS_CHAR, PRESS_ENTER, PRESS_ERASE, PRESS_ESCAPE, PRESS_FUNCTION, PRESS_OTHER };

struct press {
    enum press_kind kind;
    int which; /* the character, or the number of the function key */
};

struct key_reader {
    char held[16];
    int count;        /* bytes of an escape sequence so far, its ESC included */
    int64_t since_ms; /* of that ESC */
};

enum { KEY_ESCAPE_MS = 60 }; /* an ESC that nothing follows within that time was the key */

/* True when `byte` completes a press. */
bool key_take(struct key_reader *reader, unsigned char byte, int64_t t_ms, struct press *press);
/* True when an ESC has waited long enough to be the key itself. */
bool key_late(struct key_reader *reader, int64_t t_ms, struct press *press);

enum act {
    ACT_NONE, /* presence alone */
    ACT_YES,
    ACT_NO,
    ACT_STOP,
    ACT_PARK,
    ACT_HOTTER,
    ACT_COOLER,
    ACT_LONGER,
    ACT_SHORTER,
    ACT_LEAVE,
    ACT_SUSPEND,
    ACTS,
};

/* What a press means when nothing is being typed; and the same for a line of text. */
enum act act_of_press(const struct press *press);
enum act act_of_line(const char *line);
/* Does this press stop even while something is being typed? */
bool press_always_stops(const struct press *press);

/* ---- person.c: what acts do to the HAND ------------------------------------------------------ */

enum { KEY_REPEAT_MS = 700, NUDGE_MC = 2000, NUDGE_MS = 30000 };

struct person {
    struct wire_hand hand;
    uint32_t shown_number; /* the prompt on the screen, and since when */
    int64_t shown_ms;
    struct press
        last; /* a key that is held comes again and again: still the press that began then */
    int64_t last_ms, began_ms;
    uint32_t refused; /* the prompt whose refused answer has been told */
    bool urgent;      /* the HAND should go out now, not at the next snapshot */
};

/* A snapshot was taken: forget the answer of a prompt that is not open any more. */
void person_see(struct person *person, struct front_state *state, int64_t t_ms);
void person_press(struct person *person, struct front_state *state, const struct press *press,
                  int64_t t_ms);
/* A whole line, from where there are no single keys. hasty: it came from a keyboard, so that the first second
 * of a prompt counts. */
void person_line(struct person *person, struct front_state *state, const char *line, bool hasty,
                 int64_t t_ms);
void person_stop(struct person *person, struct front_state *state, const char *how);

/* ---- sounds.c --------------------------------------------------------------------------------- */

enum sound {
    SOUND_DONE,
    SOUND_QUESTION,
    SOUND_ACT,
    SOUND_TROUBLE,
    SOUNDS
}; /* the later, the more urgent */

struct sounds {
    bool wanted[SOUNDS];
    enum sound playing; /* SOUNDS = none */
    int at;             /* its next note */
    int64_t next_ms;
    int trial;  /* the sound to be tried next; SOUNDS = no trial */
    bool alarm; /* trouble is repeated until a key is pressed */
};

const char *sound_name(enum sound sound);
void sounds_init(struct sounds *sounds, bool with_trial, int64_t t_ms);
void sounds_want(struct sounds *sounds, enum sound sound);
void sounds_hush(struct sounds *sounds); /* a key was pressed */
/* Ring now? *begun: the sound of the trial that begins with this, else SOUNDS. */
bool sounds_due(struct sounds *sounds, int64_t t_ms, enum sound *begun);
int64_t sounds_next_ms(const struct sounds *sounds); /* INT64_MAX = silent */

/* ---- outlet.c: a descriptor that may be slow or dead ------------------------------------------ */

enum { OUTLET = 1 << 16 };

struct outlet {
    int fd;
    bool own, was_blocking, gone, is_socket;
    size_t from, to;
    char store[OUTLET];
};

void outlet_open(struct outlet *outlet, int fd);
void outlet_close(struct outlet *outlet);
bool outlet_idle(const struct outlet *outlet);
/* All of it or nothing; false when it does not fit. */
bool outlet_put(struct outlet *outlet, const char *text, size_t length);
void outlet_flush(
    struct outlet *outlet); /* what it takes now; an error other than "full" sets gone */

/* ---- plain.c: append-only lines ---------------------------------------------------------------- */

enum { HEARTBEAT_MS = 30000, PLAIN_LINE = 256 };

struct plain {
    int told;        /* events told so far */
    uint32_t prompt; /* whose way of answering has been told */
    int64_t beat_ms; /* of the last heartbeat */
    int lost;        /* lines that a slow reader did not take */
    char line[PLAIN_LINE];
    size_t length;
    bool too_long;
    int columns; /* lines are broken there; 0 = never */
};

void plain_tell(struct plain *plain, const struct front_state *state, struct outlet *outlet,
                int64_t t_ms);
/* True when `byte` ends a line: it is in plain->line. */
bool plain_take(struct plain *plain, char byte);
/* What stays to be read when the run is over: cause, the last twenty events, the record. */
void plain_summary(struct plain *plain, const struct front_state *state,
                   const struct front_config *config, bool told, struct outlet *outlet);

/* ---- terminal.c -------------------------------------------------------------------------------- */

/* Set by signal handlers, read by the loop. */
extern volatile sig_atomic_t front_signal_stop, front_signal_hangup, front_signal_redraw;

void signals_catch(sigset_t *while_waiting); /* they arrive only in ppoll */
void signals_release(void);
bool terminal_enter(int in_fd, int out_fd); /* raw keys; false: not possible */
bool terminal_begin_screen(struct outlet *outlet);
void terminal_again(void);                  /* after SIGCONT */
void terminal_leave(struct outlet *outlet); /* as it was, and what is owed, within a second */
void terminal_size(int fd, int *columns, int *rows);
size_t terminal_clear(char *out); /* the bytes that empty the screen */
/* What turns the screen from `before` (NULL: not known) into `view`: each row that differs, at its place. */
size_t terminal_frame(const char *view, const char *before, char *out, size_t size);

/* ---- tally.c ------------------------------------------------------------------------------------ */

void tally_begin(struct run *run, const struct front_config *config);
void tally_take(struct run *run, const struct front_state *state, const void *message);
void tally_end(struct run *run, const struct front_state *state, enum outcome outcome);

#endif
