/* SPDX-License-Identifier: MIT */
#include "tinlatch/err.h"

#include <stdbool.h>
#include <stdio.h>
#include <string.h>

#include "tinlatch/bytes.h"
#include "tinlatch/utf8.h"

enum {
    COLUMNS = 100,    /* of the widest line shown */
    TAB = 8,          /* columns */
    CUT_MARK = 3,     /* "..." */
    NEAREST_WORD = 48 /* longer words get no suggestion */
};

const char *tl_err_text(int code)
{
    switch (code) {
#define X(name, value, text)                                                                       \
    case value:                                                                                    \
        return text;
        TL_ERR_LIST(X)
#undef X
    default:
        return "an error without a name";
    }
}

int tl_error_set(struct tl_error *error, enum tl_err code, const char *format, ...)
{
    if (!error)
        return code;
    char text[sizeof error->text + 4]; /* formatted apart: an argument may lie in *error itself */
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    *error = (struct tl_error){.code = code};
    bytes_copy_text(error->text, sizeof error->text, text);
    return code;
}

void tl_error_at(struct tl_error *error, const char *file, int line)
{
    if (!error)
        return;
    bytes_copy_text(error->file, sizeof error->file, file ? file : "");
    error->line = line;
}

void tl_error_token(struct tl_error *error, const char *token)
{
    if (error)
        bytes_copy_text(error->token, sizeof error->token, token ? token : "");
}

void tl_error_hint(struct tl_error *error, const char *format, ...)
{
    if (!error)
        return;
    char text[sizeof error->hint + 4];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    bytes_copy_text(error->hint, sizeof error->hint, text);
}

/* What one character of a text from outside becomes on the screen. */
struct shown {
    size_t length;  /* bytes it takes in the text */
    size_t columns; /* on the screen; a tab's depend on where it stands */
    bool plain;     /* as it is; else each byte as <XX> */
};

static struct shown look_at(const char *at, size_t left, size_t column)
{
    size_t length = utf8_length(at, left);
    if (*at == '\t')
        return (struct shown){1, TAB - column % TAB, true};
    if (length > 0 && utf8_is_plain(at, length))
        return (struct shown){length, 1, true};
    if (length == 0)
        length = 1;
    return (struct shown){length, 4 * length, false};
}

static void add_shown(struct bytes *b, const char *at, const struct shown *shown)
{
    if (shown->plain) {
        bytes_add(b, at, shown->length);
        return;
    }
    for (size_t i = 0; i < shown->length; i++) {
        bytes_char(b, '<');
        bytes_hex(b, (unsigned char)at[i], 2);
        bytes_char(b, '>');
    }
}

/* A text within a sentence: a tab is no use there, so it counts as a control byte. */
static void add_sentence(struct bytes *b, const char *text)
{
    size_t left = strlen(text);
    while (left > 0) {
        struct shown shown = look_at(text, left, 0);
        if (*text == '\t')
            shown.plain = false;
        add_shown(b, text, &shown);
        text += shown.length;
        left -= shown.length;
    }
}

static void add_blanks(struct bytes *b, size_t count)
{
    for (size_t i = 0; i < count; i++)
        bytes_char(b, ' ');
}

/* Line number `line` of the source, without its end. */
static bool find_line(const char *source, size_t length, int line, const char **at, size_t *count)
{
    const char *end = source + length;
    for (int i = 1; i < line; i++) {
        const char *newline = source < end ? memchr(source, '\n', (size_t)(end - source)) : NULL;
        if (!newline)
            return false;
        source = newline + 1;
    }
    if (source >= end)
        return false;
    const char *newline = memchr(source, '\n', (size_t)(end - source));
    *at = source;
    *count = (size_t)((newline ? newline : end) - source);
    if (*count > 0 && source[*count - 1] == '\r')
        (*count)--;
    return true;
}

static bool is_word(char c)
{
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '_';
}

/* A token "to" must not be found inside "stop". */
static bool stands_alone(const char *text, size_t count, size_t at, size_t length)
{
    if (at > 0 && is_word(text[at]) && is_word(text[at - 1]))
        return false;
    size_t end = at + length;
    return !(end < count && is_word(text[end - 1]) && is_word(text[end]));
}

/* Where the token stands: alone if it does anywhere, else the first place. */
static bool find_token(const char *text, size_t count, const char *token, size_t *at, size_t *width)
{
    size_t length = strlen(token);
    bool found = false;
    *width = length;
    for (size_t i = 0; length > 0 && i + length <= count; i++) {
        if (memcmp(text + i, token, length) != 0)
            continue;
        bool alone = stands_alone(text, count, i, length);
        if (!found || alone)
            *at = i;
        found = true;
        if (alone)
            break;
    }
    return found;
}

/* Quotes right around the token belong to what the caret points at. */
static void take_quotes(const char *text, size_t count, size_t *at, size_t *length)
{
    if (*at == 0 || *at + *length >= count)
        return;
    char before = text[*at - 1];
    if ((before == '"' || before == '\'') && text[*at + *length] == before) {
        (*at)--;
        *length += 2;
    }
}

/* The part of a line that is shown, in columns. */
struct window {
    const char *text;
    size_t count;
    size_t token_at, token_length; /* bytes; length 0 = no caret */
    size_t token_column, token_columns, columns;
    size_t from, to; /* columns shown */
    bool cut;
};

static void measure(struct window *w)
{
    for (size_t i = 0; i < w->count;) {
        struct shown shown = look_at(w->text + i, w->count - i, w->columns);
        if (i < w->token_at)
            w->token_column = w->columns + shown.columns;
        else if (i < w->token_at + w->token_length)
            w->token_columns += shown.columns;
        w->columns += shown.columns;
        i += shown.length;
    }
}

/* Choose which columns to show when the line is too long: a third of the room before the token. */
static void choose(struct window *w, size_t room)
{
    w->to = w->columns;
    w->cut = w->columns > room;
    if (!w->cut)
        return;
    size_t inside = room - 2 * CUT_MARK;
    w->from = w->token_column > inside / 3 ? w->token_column - inside / 3 : 0;
    if (w->from + inside > w->columns)
        w->from = w->columns - inside;
    w->to = w->from + inside;
}

static bool in_window(const struct window *w, size_t column, size_t columns)
{
    return column >= w->from && column + columns <= w->to;
}

static void add_source_line(struct bytes *b, const struct window *w)
{
    size_t column = 0;
    if (w->from > 0)
        bytes_text(b, "...");
    for (size_t i = 0; i < w->count && column < w->to;) {
        struct shown shown = look_at(w->text + i, w->count - i, column);
        if (in_window(w, column, shown.columns)) {
            if (w->cut && w->text[i] == '\t')
                add_blanks(b, shown.columns); /* the cut moved the tab stops */
            else
                add_shown(b, w->text + i, &shown);
        }
        column += shown.columns;
        i += shown.length;
    }
    if (w->to < w->columns)
        bytes_text(b, "...");
    bytes_char(b, '\n');
}

static void add_caret_line(struct bytes *b, const struct window *w)
{
    size_t column = 0;
    if (w->from > 0)
        add_blanks(b, CUT_MARK);
    for (size_t i = 0; i < w->token_at;) {
        struct shown shown = look_at(w->text + i, w->count - i, column);
        if (in_window(w, column, shown.columns)) {
            if (!w->cut && w->text[i] == '\t')
                bytes_char(b, '\t');
            else
                add_blanks(b, shown.columns);
        }
        column += shown.columns;
        i += shown.length;
    }
    bytes_char(b, '^');
    for (size_t i = 1; i < w->token_columns && column + i < w->to; i++)
        bytes_char(b, '~');
    bytes_char(b, '\n');
}

static void add_source(struct bytes *b, const struct tl_error *error, const char *source,
                       size_t length)
{
    struct window w = {0};
    if (!find_line(source, length, error->line, &w.text, &w.count))
        return;
    if (find_token(w.text, w.count, error->token, &w.token_at, &w.token_length))
        take_quotes(w.text, w.count, &w.token_at, &w.token_length);
    else
        w.token_length = 0;
    char number[16];
    int digits = snprintf(number, sizeof number, "%5d", error->line);
    measure(&w);
    choose(&w, COLUMNS - (size_t)digits - 3);
    bytes_text(b, number);
    bytes_text(b, " | ");
    add_source_line(b, &w);
    if (w.token_length == 0)
        return;
    add_blanks(b, (size_t)digits);
    bytes_text(b, " | ");
    add_caret_line(b, &w);
}

size_t tl_error_format(const struct tl_error *error, const char *source, size_t length, char *out,
                       size_t size)
{
    if (size < 2) {
        if (size == 1)
            out[0] = '\0';
        return 0;
    }
    struct bytes b;
    bytes_init(&b, out, size - 2); /* room for the last "\n" and the NUL */
    if (error->file[0]) {
        add_sentence(&b, error->file);
        bytes_char(&b, ':');
        if (error->line > 0) {
            bytes_int(&b, error->line);
            bytes_char(&b, ':');
        }
        bytes_char(&b, ' ');
    }
    add_sentence(&b, error->text);
    bytes_char(&b, '\n');
    if (source && error->line > 0)
        add_source(&b, error, source, length);
    if (error->hint[0]) {
        bytes_text(&b, "  hint: ");
        add_sentence(&b, error->hint);
        bytes_char(&b, '\n');
    }
    if (b.length == 0 || out[b.length - 1] != '\n')
        out[b.length++] = '\n';
    out[b.length] = '\0';
    return b.length;
}

static int least(int a, int b)
{
    return a < b ? a : b;
}

/* Edits between two words: insert, drop, change, or swap two neighbours. */
static int distance(const char *a, size_t a_length, const char *b, size_t b_length)
{
    int row[3][NEAREST_WORD + 1]; /* two rows back are needed for a swap */
    for (size_t j = 0; j <= b_length; j++)
        row[0][j] = (int)j;
    for (size_t i = 1; i <= a_length; i++) {
        int *now = row[i % 3], *last = row[(i + 2) % 3], *before = row[(i + 1) % 3];
        now[0] = (int)i;
        for (size_t j = 1; j <= b_length; j++) {
            now[j] = least(least(last[j], now[j - 1]) + 1, last[j - 1] + (a[i - 1] != b[j - 1]));
            if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1])
                now[j] = least(now[j], before[j - 2] + 1);
        }
    }
    return row[a_length % 3][b_length];
}

const char *tl_nearest(const char *word, const char *const *names)
{
    size_t length = strlen(word);
    if (length > NEAREST_WORD)
        return NULL;
    const char *nearest = NULL;
    int best = 2 + (int)(length / 4);
    for (; *names; names++) {
        size_t name_length = strlen(*names);
        if (name_length > NEAREST_WORD)
            continue;
        int edits = distance(word, length, *names, name_length);
        if (edits < best && edits < (int)name_length) { /* something of it must be left */
            best = edits;
            nearest = *names;
        }
    }
    return nearest;
}
