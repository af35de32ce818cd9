/* SPDX-License-Identifier: MIT */
/* record - reads what a journal wrote: one line after the other, its place in the chain, its fields.
 *
 * Ownership  the text stays the caller's, and has to last as long as the reader; nothing is allocated.
 * Never      takes a field of an unknown kind for an error, or half a line for a whole one.
 * Fails      record_next: TL_SYNTAX for a whole line that is none of a record's. What follows it is read all the same.
 * Units      as in bench.h; lines count from 1. */
#ifndef TINLATCH_RECORD_H
#define TINLATCH_RECORD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "tinlatch/bench.h"
#include "tinlatch/board.h"
#include "tinlatch/err.h"
#include "tinlatch/interlock.h"
#include "tinlatch/limits.h"
#include "tinlatch/run.h"
#include "tinlatch/wire.h"

enum { RECORD_FORMAT = 2, RECORD_LINK = 16 };

enum record_kind {
    RECORD_OTHER, /* of a later version */
    RECORD_START,
    RECORD_LIMITS,
    RECORD_SCAN, /* kind "snapshot" */
    RECORD_NOTE,
    RECORD_JOB,
    RECORD_HAND,
    RECORD_EVENT,
    RECORD_RULE,
    RECORD_END,
    RECORD_KINDS,
};

struct record_start {
    int64_t format;
    bool rehearsal;
    char recipe[160], title[64], board[BENCH_NAME], bench[64], insert[BENCH_NAME], serial[64], version[16];
    struct run_source source;
    uint64_t seed;
    int64_t wall_s; /* when it began, seconds since 1970; 0 = not told */
};

/* What the interlock was given and what it gave, and what is shown of it. */
struct record_scan {
    int64_t n;
    struct readings in;
    struct wanted want;
    struct granted out;
    bool judged;
    int32_t duty_permille, mode, rule, fired, heat_left_ms, nudge_mc, nudge_ms;
    int32_t true_mc; /* INT32_MIN = not told */
    int32_t joints;
    struct wire_joint joint[BOARD_JOINTS];
};

struct record_line {
    enum record_kind kind;
    int64_t number;
    const char *text; /* without its "\n" */
    size_t length;
    bool linked; /* its link is the one that its bytes and the line before give */
    int64_t t_ms, n;
    int32_t line;    /* of the recipe */
    char what[16], name[64], said[BENCH_TEXT]; /* `what`, `name`, `text` */
    bool has_value;
    double value;
    uint32_t prompt;
    struct record_start start;
    struct limits limits;
    struct limit_origins origins;
    struct record_scan scan;
    int32_t rule; /* -1 = none this program knows */
    struct rule_words words;
    enum outcome outcome; /* OUTCOMES = none this program knows */
    struct tl_error error;
};

struct record {
    const char *text;
    size_t length, at;
    int64_t lines;                     /* read so far */
    unsigned char link[RECORD_LINK];   /* of the last of them, as it says */
    bool torn;                         /* behind the last line there is half a one */
};

void record_open(struct record *record, const char *text, size_t length);
/* 1: *line is the next; 0: there is none; TL_SYNTAX: the next is none of a record's, only its number, text and length
 * are told. Of a line only what its kind has is filled; the rest is zero. */
int record_next(struct record *record, struct record_line *line);

/* Does the chain hold, and would the interlock have decided the same at every scan? Stops at the first line of which
 * the answer is no. */
struct record_verdict {
    bool whole;        /* every line holds, and the record has its start and its end */
    bool ended, torn;
    int64_t lines, scans;
    int64_t bad_line;  /* 0 = none */
    char why[400];     /* what is wrong with it */
    char version[16];  /* of the program that wrote it: another one's interlock may decide otherwise */
    double duration_s; /* of what was read, by its own clock */
    char fingerprint[2 * RECORD_LINK + 1]; /* the last line's link */
};
void record_verify(const char *text, size_t length, struct record_verdict *verdict);

#endif
