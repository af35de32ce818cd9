/* SPDX-License-Identifier: MIT */
/* What the parts of src/recipe share. One struct recipe per process; its Lua state is abandoned, never
 * closed, and left by longjmp when a primitive fails: no pcall of a script can hold that up. */
#ifndef TINLATCH_RECIPE_PRIVATE_H
#define TINLATCH_RECIPE_PRIVATE_H

#include <lauxlib.h>
#include <lua.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdbool.h>

#include "tinlatch/estimate.h"
#include "tinlatch/recipe.h"

#define COUNT(array) ((int)(sizeof(array) / sizeof((array)[0])))

enum { ROWS_MAX = 16, NAMES_MAX = 160, NOTES_PER_SNAPSHOT = 4, NOTES_PER_RUN = 5000 };

/* Turns and rails hold whole thousandths, and 0 there means another thing: "as fast as allowed", "not fed". */
#define MILLI 0.001

/* ---- rows: what a table of the language may hold -------------------------------------------- */

enum row_kind {
    ROW_TEXT,
    ROW_QUANTITY,
    ROW_NUMBER,
    ROW_COUNT, /* a whole number */
    ROW_FUNCTION,
    ROW_CHOICE, /* one of the words in `choices` */
    ROW_JOINT,  /* a joint of the board */
    ROW_PART,   /* a part of the board */
    ROW_RAIL,   /* a rail of the board */
    ROW_TABLE,
    ROW_ALLOY, /* an alloy's name, or a table with its figures */
};

struct row {
    const char *name;
    enum row_kind kind;
    enum unit unit;
    int place; /* of the positional form: 1, 2 ...; 0 = by name only */
    bool required;
    bool zero;            /* a quantity may be 0 */
    double least;         /* smaller quantities would be rounded to 0, which means something else */
    double most;          /* 0: only the limits say so */
    const char *fallback; /* the default, as text for people; NULL = none */
    const char *choices;
    const char *help;
    size_t offset, size; /* header and board file: where the value goes */
};

struct value {
    bool given;
    double number;    /* base unit; index of a joint, part, rail or choice */
    const char *text; /* anchored by the call's table */
    int function;     /* stack index */
};

/* Read the Lua value at `index` as the row says. 0, or a code with *error's text starting with the
 * row's name; the caller adds the place. */
int row_read(struct recipe *recipe, int index, const struct row *row, struct value *value,
             struct tl_error *error);
/* "a temperature such as "170 C"", for messages and the reference. */
const char *row_expects(const struct row *row, char *out, size_t size);
/* The first key by the alphabet that no row has, so that the message repeats; NULL when there is none.
 * *unnamed: something stands without a name where no row has that place. */
const char *row_unknown_key(lua_State *lua, int table, const struct row *rows, int count,
                            bool *unnamed);
/* `"rat" is not known; did you mean "rate"?` for a key outside rows. */
int row_unknown(const char *what, const char *key, const struct row *rows, int count,
                struct tl_error *error);
/* Put the first of `names` near `word` into the hint, else the whole list. */
void hint_nearest(struct tl_error *error, const char *word, const char *const *names);

/* ---- places: where a thing stands in the text ----------------------------------------------- */

struct place {
    const struct source_file *file;
    size_t at; /* byte offset; a table's place is at or before its "{" */
};

struct place place_of_call(const struct source_file *file, int line, const char *word);
/* The value of `key`, or item `i` (from 0), of the table at `place`; the place itself when the text
 * does not show it. */
struct place place_key(struct place place, const char *key);
struct place place_item(struct place place, int i);
int place_line(struct place place);
/* Past a comment or a text that begins at `at`; `at` itself when none does. */
size_t place_skip_opaque(const struct source_file *file, size_t at);

/* ---- tables of header and board file (rows.c) ------------------------------------------------ */

/* Read `table` (stack index) by rows into the struct at `base`; unknown and missing keys fail.
 * Tables among the rows are only checked to be tables. */
void rows_read(struct recipe *recipe, int table, struct place place, const char *what,
               const struct row *rows, int count, void *base);
void limits_read(struct recipe *recipe, int table, struct place place, const char *what,
                 struct limits *limits);

/* ---- the recipe ----------------------------------------------------------------------------- */

/* Does the board lie flat? What its sensor says of it. */
struct flat {
    int64_t below_since_ms; /* it has read less than it can on a board that does */
    int64_t asked_ms;       /* spent on asking */
    bool asked;             /* since it last read as it should */
};

struct recipe {
    lua_State *lua;
    size_t memory;
    const struct source_set *sources;
    struct recipe_setup setup;
    struct recipe_header header;
    struct place header_place;
    struct board board;
    const char *board_file; /* as shown */
    bool header_read;
    int steps; /* registry reference */

    jmp_buf leave;
    volatile sig_atomic_t inside; /* `leave` is a place that still is there */
    struct tl_error error;        /* why it was left */
    volatile sig_atomic_t line, interrupted;

    /* while the steps run */
    bool running;
    const struct recipe_host *host;
    struct recipe_tally *tally;
    struct wire_turn turn;
    struct wire_snapshot snapshot;
    bool estimating;
    struct estimate estimate;
    struct wire_joint forecast[BOARD_JOINTS];
    int64_t forecast_ms, forecast_due_ms;
    bool forecast_known;
    bool placed;
    struct flat flat;
    uint32_t notes;
    int notes_now;       /* since the last snapshot */
    enum hand asking;    /* announced while its prompt is open */
    enum hand last_hand; /* ... and for a while after it */
    int64_t hand_until_ms;
    bool air; /* hot air announced */
    int air_part;
    int64_t air_until_ms;
    int32_t nudge_spent_ms;              /* of the operator's, by soaks and waits so far */
    double target_c;                     /* of the plate, before the operator's nudge */
    struct rail_limits own[BENCH_RAILS]; /* supply.limit */
    bool fed;                            /* a rail was ... */
    int fed_rail;
    bool leads_told; /* ... and a person has said yes since, with the supply off */
};

struct recipe *recipe_of(lua_State *lua);

/* Leave recipe_open or recipe_run with recipe->error. */
_Noreturn void recipe_leave(struct recipe *recipe);
/* The same after filling it; the place is the innermost line of Lua. token may be NULL. */
_Noreturn void recipe_fail(struct recipe *recipe, enum tl_err code, const char *token,
                           const char *format, ...) __attribute__((format(printf, 4, 5)));
/* The same with an error that has its text already. */
_Noreturn void recipe_fail_with(struct recipe *recipe, const struct tl_error *error);
_Noreturn void recipe_fail_at(struct recipe *recipe, struct place place,
                              const struct tl_error *error);
/* The same with a message of Lua's, its quoted word as token and its question as hint. */
_Noreturn void recipe_fail_lua(struct recipe *recipe, struct place place, enum tl_err code,
                               const char *text);
/* Add the innermost line of Lua to an error. */
void recipe_locate(struct recipe *recipe, struct tl_error *error);
void recipe_warn(struct recipe *recipe, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
_Noreturn void place_fail(struct recipe *recipe, struct place place, enum tl_err code,
                          const char *token, const char *format, ...)
    __attribute__((format(printf, 5, 6)));
/* Call what lies on the stack (function, then `arguments`); its failure leaves the recipe. */
void recipe_call(struct recipe *recipe, int arguments, int results);
/* Compile a source and run it with the environment on the top of the stack; its result replaces that. */
void sandbox_run(struct recipe *recipe, const struct source_file *file);

/* ---- grammar.c ------------------------------------------------------------------------------ */

/* What a person probably did, for a message of Lua's grammar whose token is set. */
void grammar_explain(const struct source_file *file, struct tl_error *error);

/* ---- look.c: the text, before it runs -------------------------------------------------------- */

/* Fail on a name that is given twice in one table: Lua would take the last without a word. */
void look_for_twice(struct recipe *recipe, const struct source_file *file);
/* Fail on calls of names that are not there, also where this run may never come by. */
void look_for_unknown(struct recipe *recipe);
/* Does the recipe, or a module of it, say this name, other than as a field? */
bool look_for_name(struct recipe *recipe, const char *name);

/* ---- sandbox_lua.c -------------------------------------------------------------------------- */

int sandbox_open(struct recipe *recipe);
/* Push the environment of recipe and modules, or the one of a board file. */
void sandbox_push_recipe_env(struct recipe *recipe);
void sandbox_push_board_env(struct recipe *recipe, lua_CFunction board);

/* ---- frozen.c ------------------------------------------------------------------------------- */

/* The table on the top of the stack: reading a name that it lacks becomes an error that calls it `label`
 * ("plate."). */
void sandbox_strict(lua_State *lua, const char *label);
/* Replace it by an empty one that reads alike; writes go to `write`, whose upvalues are the label and the
 * real table. */
void sandbox_front(lua_State *lua, const char *label, lua_CFunction write);
/* Both: it reads alike and cannot be written. */
void sandbox_freeze(lua_State *lua, const char *label);
/* For sandbox_front: a script may make names of its own, but not replace what the program provides. */
int sandbox_write_global(lua_State *lua);
/* A frozen table is empty itself: put what it shows in its place on the stack. */
void sandbox_thaw(lua_State *lua, int index);

/* ---- order.c, modules.c: functions of the language ------------------------------------------ */

int order_pairs(lua_State *lua);
int order_next(lua_State *lua);
int order_sort(lua_State *lua);
int module_require(lua_State *lua);
/* Compile a source; leaves the function on the stack, its environment taken from below it. */
void sandbox_load(struct recipe *recipe, const struct source_file *file);

/* ---- source.c ------------------------------------------------------------------------------- */

const char *source_chunk(const struct source_file *file, char *out, size_t size);
/* Control bytes, broken UTF-8 and characters that make a text read otherwise than it is: offset of
 * the first, or -1; *what says what it is. */
long text_trick(const char *text, size_t length, const char **what);

/* ---- header.c, board_file.c ----------------------------------------------------------------- */

int header_call(lua_State *lua); /* the function `recipe` */
void header_apply_sets(struct recipe *recipe);
void header_check_board(struct recipe *recipe);
void header_push_params(struct recipe *recipe);
bool header_has_param(const struct recipe *recipe, const char *name);
void header_warn_of_params(struct recipe *recipe);
void board_load(struct recipe *recipe);

/* ---- exchange.c ----------------------------------------------------------------------------- */

void exchange(struct recipe *recipe);
uint32_t exchange_note(struct recipe *recipe, enum note_kind kind, const char *name, double value,
                       const char *text);
double now_s(const struct recipe *recipe);
/* Ask, and wait for an answer: ANSWER_NONE is a timeout. `hand` is announced meanwhile. */
enum hand_answer exchange_prompt(struct recipe *recipe, enum note_kind kind, enum hand hand,
                                 const char *name, double value, const char *text,
                                 double timeout_s);
/* What hands do at the board now, as the guard is told. */
enum hand hand_now(const struct recipe *recipe);
void exchange_hand(struct recipe *recipe, enum hand hand, int part);
void exchange_air(struct recipe *recipe, int part, double watts, double for_s);
void exchange_air_off(struct recipe *recipe);
void joint_now(const struct recipe *recipe, int joint, struct wire_joint *out);
/* `seconds` may pass in this primitive; while heat is wanted they are seconds of heat. */
void tally_time(struct recipe *recipe, double seconds);

/* ---- lies_flat.c ---------------------------------------------------------------------------- */

/* At every snapshot: while heat is wanted and no hand is at the board, its sensor must read what a board that lies flat
 * would. Else heat is off and a person is asked; without a yes the recipe ends there. */
void ask_if_flat(struct recipe *recipe);

/* ---- primitives.c --------------------------------------------------------------------------- */

struct call {
    const struct primitive *primitive;
    struct value value[ROWS_MAX];
    char hint[200]; /* what to do about a timeout, where the call knows better than "more time" */
};

struct primitive {
    const char *name;
    int (*act)(struct recipe *recipe, struct call *call); /* count of Lua results */
    const struct row *rows;
    int row_count;
    const char *effect, *returns, *limits, *example;
};

extern const struct primitive primitives[];
extern const int primitive_count;

void primitives_install(lua_State *lua); /* into the table on the top of the stack */
/* "plate" of "plate.ramp": its length, 0 for a primitive without one. The members of a group may stand
 * anywhere in the table. */
size_t primitive_group(int i);
bool primitive_in_group(int i, int of);
bool primitive_opens_group(int i); /* is it the first of its group? */
const struct value *call_value(const struct call *call, const char *name);
bool call_given(const struct call *call, const char *name);
double call_number(const struct call *call, const char *name);
const char *call_text(const struct call *call, const char *name);

/* Fails the call while no board has been placed. */
void need_placed(struct recipe *recipe, const struct call *call);
/* For the turn: what is waited for comes in so long; 0 = no telling. */
int32_t foreseen_ms(double left_s);

/* The call did not get what it waited for: run its `otherwise` and return its results, or fail. */
int call_otherwise(struct recipe *recipe, struct call *call, enum tl_err code, const char *format,
                   ...) __attribute__((format(printf, 4, 5)));
/* Fail when the argument is above the merged limit, naming the limit and where it comes from. */
void call_limit(struct recipe *recipe, const struct call *call, const char *name, enum limit_id id);
const char *limit_origin_text(const struct recipe *recipe, enum limit_id id, char *out,
                              size_t size);

#define ACT(name) int name(struct recipe *recipe, struct call *call)
ACT(act_stage);
ACT(act_plate_ramp);
ACT(act_plate_soak);
ACT(act_plate_off);
ACT(act_plate_temperature);
ACT(act_fan_on);
ACT(act_fan_off);
ACT(act_cool);
ACT(act_sensor_read);
ACT(act_wait);
ACT(act_wait_until);
ACT(act_wait_for_melt);
ACT(act_board_place);
ACT(act_board_lift);
ACT(act_board_press);
ACT(act_board_release);
ACT(act_hand_heat);
ACT(act_supply_limit);
ACT(act_supply_on);
ACT(act_supply_inject);
ACT(act_supply_off);
ACT(act_supply_read);
ACT(act_meter_read);
ACT(act_beep);
ACT(act_tell);
ACT(act_confirm);
ACT(act_ask);
ACT(act_number);
ACT(act_note);
ACT(act_record);
#undef ACT

/* The measurements that the header wants before any heat, and once more when all is done and off. */
void measure_before(struct recipe *recipe);
void measure_after(struct recipe *recipe);

/* What an item of that list is: "battery", "battery diode", "battery idle"; and the rail's name in it. */
enum probe { PROBE_OHMS, PROBE_DIODE, PROBE_IDLE, PROBES };
enum probe probe_of(const char *item, char rail[BENCH_NAME]);
bool probe_is_metered(enum probe probe); /* by the bench's meter, where there is one */

#endif
