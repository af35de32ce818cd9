/* SPDX-License-Identifier: MIT */
#include "tinlatch/journal.h"

#include <errno.h>
#include <math.h>
#include <poll.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "chain.h"
#include "line.h"
#include "tinlatch/bytes.h"
#include "tinlatch/record.h"

enum { LINE_BYTES = 16384 }; /* the longest line there can be, every byte of every text escaped */
_Static_assert((int)LINE_SNAPSHOT_MOST + (int)CHAIN_TAIL + 1 <= (int)LINE_BYTES,
               "line_snapshot checks no bounds");
enum { BACKLOG = 65536 };     /* what may wait for a reader that is behind: some ten seconds */
enum { LAST_WAIT_MS = 1000 }; /* for a reader that is behind, when the journal is freed */

struct journal {
    int fd;
    size_t gather, size;
    size_t length; /* whole lines waiting in `store` */
    int error;     /* set with the first line lost; every later one is lost too */
    bool broken;   /* a write was refused: nothing more is tried */
    uint64_t dropped;
    uint64_t lines;                 /* handed over so far, dropped ones not counted */
    unsigned char link[CHAIN_LINK]; /* of the last one */
    char store[];
};

int journal_new(struct journal **out, int fd, size_t gather)
{
    size_t size = gather + LINE_BYTES + BACKLOG;
    struct journal *journal = malloc(sizeof *journal + size);
    if (!journal || (fd >= 0 && sodium_init() < 0)) {
        free(journal);
        return TL_SYSTEM;
    }
    *journal = (struct journal){.fd = fd, .gather = gather, .size = size};
    *out = journal;
    return 0;
}

/* Behind the last "\n" of a record there is nothing, or half a line. */
static off_t cut_half_line(int fd)
{
    char tail[LINE_BYTES];
    off_t end = lseek(fd, 0, SEEK_END), from = end > LINE_BYTES ? end - LINE_BYTES : 0;
    ssize_t n = end < 0 ? -1 : pread(fd, tail, sizeof tail, from);
    const char *newline = n > 0 ? memrchr(tail, '\n', (size_t)n) : NULL;
    if (n < 0 || (!newline && from > 0))
        return -1;
    off_t whole = newline ? from + (newline - tail) + 1 : 0;
    if (whole < end && ftruncate(fd, whole) != 0)
        return -1;
    return lseek(fd, whole, SEEK_SET);
}

int journal_continue(struct journal **out, int fd)
{
    char tail[LINE_BYTES];
    off_t end = cut_half_line(fd), from = end > LINE_BYTES ? end - LINE_BYTES : 0;
    ssize_t n = end < 0 ? -1 : pread(fd, tail, (size_t)(end - from), from);
    if (n < 0 || journal_new(out, fd, 0))
        return TL_SYSTEM;
    const char *before = n > 1 ? memrchr(tail, '\n', (size_t)n - 1) : NULL;
    const char *line = before ? before + 1 : tail;
    if (n > 0 && chain_read(line, (size_t)(tail + n - 1 - line), (*out)->link)) {
        journal_free(*out);
        return TL_BAD;
    }
    return 0;
}

static uint64_t count_lines(const char *at, size_t length)
{
    uint64_t lines = 0;
    for (size_t i = 0; i < length; i++)
        lines += at[i] == '\n';
    return lines;
}

/* What is waiting will not be written any more. */
static int give_up(struct journal *journal)
{
    journal->dropped += count_lines(journal->store, journal->length);
    journal->length = 0;
    journal->broken = true;
    journal->error = TL_SYSTEM;
    return TL_SYSTEM;
}

/* 0: all written. TL_MORE: the reader is behind, the rest waits for the next call. */
int journal_flush(struct journal *journal)
{
    size_t done = 0;
    int refused = 0;
    while (done < journal->length && !refused) {
        ssize_t n = write(journal->fd, journal->store + done, journal->length - done);
        if (n > 0)
            done += (size_t)n;
        else if (n == 0)
            refused = ENOSPC; /* write() does not do this; if it ever does, it must not spin */
        else if (errno != EINTR)
            refused = errno;
    }
    memmove(journal->store, journal->store + done, journal->length - done);
    journal->length -= done;
    if (refused && refused != EAGAIN)
        return give_up(journal);
    return refused ? TL_MORE : journal->broken ? TL_SYSTEM : 0;
}

void journal_free(struct journal *journal)
{
    if (!journal)
        return;
    if (journal->fd >= 0 && journal_flush(journal) == TL_MORE) {
        struct pollfd reader = {.fd = journal->fd, .events = POLLOUT};
        while (poll(&reader, 1, LAST_WAIT_MS) > 0 && journal_flush(journal) == TL_MORE)
            continue;
    }
    free(journal);
}

uint64_t journal_lines(const struct journal *journal)
{
    return journal->lines;
}

int journal_error(const struct journal *journal, uint64_t *dropped)
{
    if (dropped)
        *dropped = journal->dropped;
    return journal->error;
}

/* Room for one line, or NULL: then the line is lost, and counted where that is a loss. */
static char *line_begin(struct journal *journal)
{
    if (journal->fd < 0)
        return NULL;
    if (!journal->error && journal->size - journal->length >= LINE_BYTES)
        return journal->store + journal->length;
    journal->dropped++;
    if (!journal->error)
        journal->error = TL_SYSTEM; /* the reader is so far behind that a line is lost */
    return NULL;
}

/* The line stands in `store`, `length` bytes up to its last "}", for which the link comes. */
static void line_end(struct journal *journal, size_t length)
{
    char *line = journal->store + journal->length;
    chain_step(journal->link, line, length);
    char *end = chain_put(line + length, journal->link);
    *end++ = '\n';
    journal->length = (size_t)(end - journal->store);
    journal->lines++;
    if (journal->length >= journal->gather)
        journal_flush(journal);
}

/* --- lines that are rare ------------------------------------------------------------------ */

static bool open_line(struct journal *journal, struct bytes *b, const char *kind)
{
    char *at = line_begin(journal);
    if (!at)
        return false;
    bytes_init(b, at, LINE_BYTES - CHAIN_TAIL - 1);
    bytes_text(b, "{\"kind\":");
    bytes_json(b, kind);
    return true;
}

static void close_line(struct journal *journal, struct bytes *b)
{
    if (b->full) { /* cannot be, by LINE_BYTES; half a line must not be written all the same */
        journal->dropped++;
        return;
    }
    line_end(journal, b->length);
}

static void add_key(struct bytes *b, const char *key)
{
    bytes_char(b, ',');
    bytes_json(b, key);
    bytes_char(b, ':');
}

static void add_int(struct bytes *b, const char *key, int64_t value)
{
    add_key(b, key);
    bytes_int(b, value);
}

static void add_bool(struct bytes *b, const char *key, bool value)
{
    add_key(b, key);
    bytes_text(b, value ? "true" : "false");
}

static void add_text(struct bytes *b, const char *key, const char *text)
{
    add_key(b, key);
    bytes_json(b, text ? text : "");
}

static void add_some_text(struct bytes *b, const char *key, const char *text)
{
    if (text && text[0])
        add_text(b, key, text);
}

static void add_double(struct bytes *b, const char *key, double value)
{
    char text[32] = "null";
    if (isfinite(value))
        snprintf(text, sizeof text, "%.12g", value);
    for (char *c = text; *c; c++) /* whatever the locale puts there */
        if (*c == ',')
            *c = '.';
    add_key(b, key);
    bytes_text(b, text);
}

/* As a number where every JSON reader can hold it, else as text. */
static void add_seed(struct bytes *b, uint64_t seed)
{
    char text[24];
    if (seed <= INT64_MAX) {
        add_int(b, "seed", (int64_t)seed);
        return;
    }
    snprintf(text, sizeof text, "%llu", (unsigned long long)seed);
    add_text(b, "seed", text);
}

void journal_start(struct journal *journal, const struct journal_start *start)
{
    struct bytes b;
    if (!open_line(journal, &b, "start"))
        return;
    add_int(&b, "format", RECORD_FORMAT);
    add_text(&b, "what", start->kind);
    add_text(&b, "recipe", start->recipe);
    for (int i = 0; start->source && i < RUN_SOURCES; i++)
        add_some_text(&b, run_source_key((enum run_source_id)i), start->source->text[i]);
    add_text(&b, "title", start->title);
    add_text(&b, "board", start->board);
    add_text(&b, "bench", start->bench);
    add_some_text(&b, "insert", start->insert);
    add_some_text(&b, "serial", start->serial);
    add_text(&b, "version", start->version);
    add_seed(&b, start->seed);
    if (start->wall_s)
        add_int(&b, "wall_s", start->wall_s);
    close_line(journal, &b);
}

static void add_rails(struct bytes *b, const struct limits *limits)
{
    add_key(b, "rails");
    bytes_char(b, '[');
    for (int32_t i = 0; i < limits->rail_count && i < BENCH_RAILS; i++) {
        const struct rail_limits *rail = &limits->rail[i];
        bytes_text(b, i ? ",{\"name\":" : "{\"name\":");
        bytes_json(b, rail->name);
        add_int(b, "mv", rail->mv);
        add_int(b, "ma", rail->ma);
        add_int(b, "inject_mv", rail->inject_mv);
        add_int(b, "inject_ma", rail->inject_ma);
        bytes_char(b, '}');
    }
    bytes_char(b, ']');
}

void journal_limits(struct journal *journal, const struct limits *limits,
                    const struct limit_origins *origins)
{
    struct bytes b;
    if (!open_line(journal, &b, "limits"))
        return;
    for (int i = 0; i < LIMITS; i++) {
        enum limit_id id = (enum limit_id)i;
        add_key(&b, limit_key(id));
        bytes_char(&b, '[');
        bytes_int(&b, limits_get(limits, id));
        bytes_char(&b, ',');
        bytes_json(&b, limit_layer_name(origins->of[i].layer));
        bytes_char(&b, ',');
        bytes_int(&b, origins->of[i].line);
        bytes_char(&b, ']');
    }
    add_rails(&b, limits);
    add_bool(&b, "uses_plate", limits->uses_plate);
    add_bool(&b, "uses_supply", limits->uses_supply);
    add_bool(&b, "has_plate_2", limits->has_plate_2);
    add_bool(&b, "has_board", limits->has_board);
    add_int(&b, "stale_ms", limits->stale_ms);
    add_int(&b, "silent_ms", limits->silent_ms);
    add_int(&b, "recipe_silent_ms", limits->recipe_silent_ms);
    add_int(&b, "front_pause_ms", limits->front_pause_ms);
    add_int(&b, "front_stop_ms", limits->front_stop_ms);
    add_int(&b, "keeper_silent_ms", limits->keeper_silent_ms);
    add_int(&b, "scan_late_ms", limits->scan_late_ms);
    add_int(&b, "record_late_ms", limits->record_late_ms);
    add_int(&b, "presence_ms", limits->presence_ms);
    close_line(journal, &b);
}

void journal_note(struct journal *journal, int64_t t_ms, const struct wire_note *note)
{
    struct bytes b;
    bool job = note->note == NOTE_JOB;
    if (!open_line(journal, &b, job ? "job" : "note"))
        return;
    add_int(&b, "t_ms", t_ms);
    add_int(&b, "n", note->head.number);
    if (!job)
        add_text(&b, "what", note_kind_name(note->note));
    add_int(&b, "line", note->line);
    add_some_text(&b, "name", note->name);
    add_some_text(&b, "text", note->text);
    if (note->note == NOTE_VALUE || (job && (note->value != 0 || !strcmp(note->name, "after"))))
        add_double(&b, "value", note->value);
    close_line(journal, &b);
}

static const char *answer_word(int32_t answer)
{
    switch ((enum hand_answer)answer) {
    case ANSWER_YES:
        return "yes";
    case ANSWER_NO:
        return "no";
    case ANSWER_VALUE:
        return "value";
    case ANSWER_NONE:
    case ANSWERS:
        break;
    }
    return "none";
}

void journal_hand(struct journal *journal, int64_t t_ms, const struct wire_hand *hand)
{
    struct bytes b;
    if (!open_line(journal, &b, "hand"))
        return;
    add_int(&b, "t_ms", t_ms);
    add_int(&b, "n", hand->head.number);
    add_int(&b, "stops", hand->stop_count);
    add_int(&b, "nudge_mc", hand->nudge_mc);
    add_int(&b, "nudge_ms", hand->nudge_ms);
    add_int(&b, "prompt", hand->prompt);
    add_text(&b, "answer", answer_word(hand->answer));
    if (hand->answer == ANSWER_VALUE) {
        add_double(&b, "value", hand->value);
        add_text(&b, "text", hand->text);
    }
    close_line(journal, &b);
}

void journal_event(struct journal *journal, int64_t t_ms, const char *kind, const char *text)
{
    struct bytes b;
    if (!open_line(journal, &b, "event"))
        return;
    add_int(&b, "t_ms", t_ms);
    add_text(&b, "what", kind);
    add_text(&b, "text", text);
    close_line(journal, &b);
}

void journal_rule(struct journal *journal, int64_t t_ms, enum rule_id rule,
                  const struct rule_words *words)
{
    struct bytes b;
    if (!open_line(journal, &b, "rule"))
        return;
    add_int(&b, "t_ms", t_ms);
    add_text(&b, "rule", rule < RULES ? rules[rule].id : "unknown");
    add_text(&b, "what", words->what);
    add_text(&b, "act", words->act);
    add_text(&b, "inspect", words->inspect);
    close_line(journal, &b);
}

static void add_error(struct bytes *b, const struct tl_error *error)
{
    add_key(b, "error");
    if (!error || error->code == TL_OK) {
        bytes_text(b, "null");
        return;
    }
    bytes_text(b, "{\"code\":");
    bytes_int(b, error->code);
    add_text(b, "file", error->file);
    add_int(b, "line", error->line);
    add_text(b, "text", error->text);
    add_text(b, "hint", error->hint);
    bytes_char(b, '}');
}

void journal_end(struct journal *journal, int64_t t_ms, enum outcome outcome,
                 const struct tl_error *error)
{
    struct bytes b;
    if (!open_line(journal, &b, "end"))
        return;
    add_int(&b, "t_ms", t_ms);
    add_text(&b, "outcome", outcome_name(outcome));
    add_error(&b, error);
    close_line(journal, &b);
    journal_flush(journal);
}

/* --- the line of every scan --------------------------------------------------------------- */

void journal_snapshot(struct journal *journal, const struct wire_snapshot *snapshot,
                      const struct wire_turn *turn, int32_t truth_mc)
{
    char *at = line_begin(journal);
    if (at)
        line_end(journal, line_snapshot(at, snapshot, turn, truth_mc));
}
