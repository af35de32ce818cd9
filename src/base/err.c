/* SPDX-License-Identifier: MIT */
#include "tinlatch/err.h"

#include <stdbool.h>
#include <stdio.h>
#include <string.h>

#include "tinlatch/bytes.h"
#include "tinlatch/utf8.h"

enum {
    COLUMNS = 100,    /* of the widest line shown */
    TEXT_INDENT = 4,  /* where a sentence goes on */
    HINT_INDENT = 8,  /* under the first word after "  hint: " */
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
static struct shown look_at_word(const char *at, size_t left)
{
    struct shown shown = look_at(at, left, 0);
    if (*at == '\t')
        shown = (struct shown){1, 4, false};
    return shown;
}

static size_t columns_of(const char *text, size_t length)
{
    size_t columns = 0;
    for (size_t i = 0; i < length;) {
        struct shown shown = look_at_word(text + i, length - i);
        columns += shown.columns;
        i += shown.length;
    }
    return columns;
}

static void add_word(struct bytes *b, const char *text, size_t length)
{
    for (size_t i = 0; i < length;) {
        struct shown shown = look_at_word(text + i, length - i);
        add_shown(b, text + i, &shown);
        i += shown.length;
    }
}

static void add_blanks(struct bytes *b, size_t count)
{
    for (size_t i = 0; i < count; i++)
        bytes_char(b, ' ');
}

/* A sentence that begins `column` columns into its line, `blanks` more before its first word. What does not fit
 * goes on under itself, `indent` columns in; a word that is longer than a line stays whole. */
static void add_sentence(struct bytes *b, const char *text, size_t column, size_t blanks,
                         size_t indent)
{
    while (*text) {
        size_t length = strcspn(text, " "), columns = columns_of(text, length);
        if (blanks > 0 && column > indent && column + blanks + columns > COLUMNS) {
            bytes_char(b, '\n');
            column = indent;
            add_blanks(b, indent);
        } else {
            column += blanks;
            add_blanks(b, blanks);
        }
        add_word(b, text, length);
        column += columns;
        text += length;
        blanks = strspn(text, " ");
        text += blanks;
    }
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

/* A token "to" must not be found inside "stop". */
static bool stands_alone(const char *text, size_t count, size_t at, size_t length)
{
    if (at > 0 && bytes_is_word(text[at]) && bytes_is_word(text[at - 1]))
        return false;
    size_t end = at + length;
    return !(end < count && bytes_is_word(text[end - 1]) && bytes_is_word(text[end]));
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

/* "file:line:"; how many columns it takes. */
static size_t add_place(struct bytes *b, const struct tl_error *error)
{
    size_t length = strlen(error->file), columns = columns_of(error->file, length);
    if (length == 0)
        return 0;
    add_word(b, error->file, length);
    bytes_char(b, ':');
    if (error->line <= 0)
        return columns + 1;
    char number[16];
    int digits = snprintf(number, sizeof number, "%d:", error->line);
    bytes_text(b, number);
    return columns + 1 + (size_t)digits;
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
    size_t column = add_place(&b, error);
    add_sentence(&b, error->text, column, column > 0, TEXT_INDENT);
    bytes_char(&b, '\n');
    if (source && error->line > 0)
        add_source(&b, error, source, length);
    if (error->hint[0]) {
        bytes_text(&b, "  hint:");
        add_sentence(&b, error->hint, HINT_INDENT - 1, 1, HINT_INDENT);
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
