/* SPDX-License-Identifier: MIT */
/* recipe - loads a recipe and its board file in the Lua sandbox, reads the header, runs the steps.
 *
 * Ownership  a source set is filled by source_load and freed by source_free; struct recipe keeps
 *            pointing at it. recipe_open's result is never closed: Lua 5.4.4 has bugs that a script can
 *            reach while a state is torn down, so the process that opened it ends by _exit.
 * Never      lets a script reach a file, a clock, another process, or a state of its own making; no
 *            coroutine, no bytecode, no debug, no package.
 * Fails      every mistake comes back as a tl_error with file, line, token and hint. A recipe that
 *            runs out of memory, or goes on past RECIPE_HOURS, is left with its line too.
 * Units      quantities in Lua are text with a unit; read back as plain numbers in C, s, V, A, ohm. */
#ifndef TINLATCH_RECIPE_H
#define TINLATCH_RECIPE_H

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "tinlatch/bench.h"
#include "tinlatch/board.h"
#include "tinlatch/err.h"
#include "tinlatch/limits.h"
#include "tinlatch/run.h"
#include "tinlatch/wire.h"

enum { SOURCE_FILES = 64, SOURCE_BYTES = 1 << 20, RECIPE_PARAMS = 32, RECIPE_BEFORE = 16 };
enum { RECIPE_HOURS = 4 }; /* of bench time: no job on a plate takes longer, a loop of waits does */

enum source_from { SOURCE_RECIPE, SOURCE_BESIDE, SOURCE_BOARD, SOURCE_SHIPPED };

struct source_file {
    char name[128];   /* as shown: path as the person named it, or "hx210.lua" for a module */
    char module[64];  /* what `require` or `board =` calls it: the base name without .lua */
    enum source_from from;
    const char *text;
    size_t length;
};

struct source_set {
    int count;
    struct source_file file[SOURCE_FILES];
    char *store;
    size_t used;
    int board_file; /* 1 + index of the file that replaces the header's board, 0 = none */
    struct run_source told; /* for the record, by whoever knows it */
};

/* Read the recipe at `path`, every .lua beside it whose name the text mentions, boards (in `boards/`
 * beside it, then shipped), and the shipped modules; `board_path` (may be NULL) replaces the
 * header's board. Refused with their line: what is not UTF-8 text, control and invisible characters.
 * share_dir: where lua/ and recipes/boards lie. Bounded to 64 files, 1 MiB. Regular files only. */
int source_load(struct source_set *set, const char *path, const char *board_path,
                const char *share_dir, struct tl_error *error);
/* The same from texts that are held already, the recipe first: of a pack. A board among them stands in for the
 * header's. The texts are copied; names are shown as they are. */
struct source_text {
    const char *name; /* a file name with .lua */
    enum source_from from;
    const char *text;
    size_t length;
};
int source_take(struct source_set *set, const struct source_text *text, int count, const char *share_dir,
                struct tl_error *error);
void source_free(struct source_set *set);
const struct source_file *source_find_shown(const struct source_set *set, const char *name);

struct recipe_param {
    char name[BENCH_NAME], text[64], min[32], max[32], help[BENCH_TEXT];
};

struct recipe_header {
    int32_t api, version; /* version: 0 = none is stated */
    char title[64], board[BENCH_NAME], insert[BENCH_NAME];
    int32_t before_count;
    char before[RECIPE_BEFORE][64];
    bool uses_meter; /* measures before, or its text reads the meter */
    int32_t rail_count;
    char rail[BENCH_RAILS][BENCH_NAME]; /* the rails it may feed */
    int32_t param_count;
    struct recipe_param param[RECIPE_PARAMS]; /* text: the value in force */
    struct limits ceiling;
    double park_c; /* where heat falls to when the operator parks; 0 = off */
    int32_t line;  /* of the call to recipe */
};

struct recipe_set {
    char name[BENCH_NAME], value[64];
};

/* What is known of the work, for the record: see `job` in docs/reference/record.md. */
struct recipe_job {
    char name[BENCH_NAME], text[BENCH_TEXT];
    double value; /* 0 = none */
};

struct recipe_setup {
    const struct source_set *sources;
    int set_count;
    struct recipe_set set[RECIPE_PARAMS]; /* --set NAME=VALUE */
    uint64_t seed;                        /* of math.random */
    int job_count;
    const struct recipe_job *job; /* told to the record when the steps begin; the caller's */
};

struct recipe;

/* Open the state, run the chunk, read the header, evaluate the board file. Everything of a stranger's
 * runs from here on: call it after sandbox_enter. */
int recipe_open(struct recipe **out, const struct recipe_setup *setup, struct tl_error *error);
const struct recipe_header *recipe_header(const struct recipe *recipe);
const struct board *recipe_board(const struct recipe *recipe);
/* What the recipe tells the guard of itself. */
void recipe_hello(const struct recipe *recipe, struct wire_hello *hello);
/* Give an error of the whole recipe (a refused limit, a missing insert) the line of the header that it is about,
 * and the value there for the caret. `key`: a limit's, the insert's name, or a key of the header; for what the
 * text does not show, the line of the call to recipe. */
void recipe_locate_header(const struct recipe *recipe, const char *key, struct tl_error *error);

/* Whoever runs it: exchange a turn for the next snapshot, send a note. exchange and note return 0,
 * or TL_ENDED when the run is over (the steps then end at once, whatever pcall they stand in). */
struct recipe_host {
    void *context;
    int (*exchange)(void *context, const struct wire_turn *turn, struct wire_snapshot *snapshot);
    int (*note)(void *context, const struct wire_note *note);
    /* A hand acted on the board as the recipe announced, or hot air began or ended: for the world
     * of a rehearsal. NULL in a run. */
    void (*hand)(void *context, enum hand hand, int part, double watts);
    const struct limits *limits; /* merged */
    const struct limit_origins *origins;
    const char *bench_file;      /* for messages */
    const struct plate *plate;   /* for the estimate */
    const struct insert *insert; /* NULL: the recipe does not heat */
    double room_c;
};

/* What running the steps showed, beside the guard's own view. */
struct recipe_tally {
    double worst_case_s, worst_case_heat_s;
    bool raised; /* it ended by error or assert of the script's own: what it decided, not what it got wrong */
    bool unmet;  /* it ended by a wait, a reading or an answer that did not come */
    int32_t warning_count;
    char warning[RUN_WARNINGS][BENCH_TEXT];
};

/* 0: done. TL_ENDED: the guard ended it. Else a negative code with *error filled. */
int recipe_run(struct recipe *recipe, const struct recipe_host *host, struct recipe_tally *tally,
               struct tl_error *error);

/* The line of the recipe being executed, 0 = none. Async-signal-safe. */
int recipe_line(const struct recipe *recipe);
/* From a SIGXCPU handler: have the script report its line through *error and leave recipe_open or
 * recipe_run with TL_KILLED at its next instruction. */
void recipe_interrupt(struct recipe *recipe);
/* The same, at once, out of whatever library call the script stands in: does not return when the
 * script is at work. For a process that will never use Lua or allocate again. */
void recipe_abandon(struct recipe *recipe);

/* The recipe's process in a run. */
struct serve_setup {
    const struct recipe_setup *recipe;
    const struct plate *plate;   /* of the bench, for the estimate */
    const struct insert *insert; /* the bench's inserts */
    int insert_count;
    double room_c;
    const char *bench_file;      /* for messages */
};

/* Enter the sandbox, open the recipe, say HELLO on `fd` (blocking), wait for the guard's, run the steps: a TURN for
 * each SNAPSHOT, of several waiting ones the newest. Says END with what went wrong, whatever it was, and ends the
 * process. To be called in a process that has nothing open but `fd`. */
_Noreturn void recipe_serve(const struct serve_setup *setup, int fd);

/* How a recipe says that it has come to its end: a code of recipe_run or recipe_open, with its error. */
void recipe_end(const struct source_set *sources, int code, const struct tl_error *error, struct wire_end *end);

/* Everything made from the one table of primitives. */
const char *const *recipe_topics(void);              /* what there is help on, NULL-terminated */
void recipe_write_help(FILE *out, const char *name); /* NULL: the list */
void recipe_write_reference(FILE *out);              /* docs/reference/lua.md */
void recipe_write_annotations(FILE *out);            /* LuaCATS ---@meta file for editors */
void recipe_write_lint_names(FILE *out);             /* a luacheck std table */

#endif
