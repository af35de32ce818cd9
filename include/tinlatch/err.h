/* SPDX-License-Identifier: MIT */
/* err - the one list of things that can go wrong, and the sentence a person reads about it.
 *
 * Ownership  struct tl_error is the caller's; nothing in it points anywhere.
 * Never      allocates, prints, or keeps a message between calls.
 * Fails      tl_error_set cuts a text that is too long; it cannot fail.
 * Units      line counts from 1, 0 = no line. */
#ifndef TINLATCH_ERR_H
#define TINLATCH_ERR_H

#include <stdarg.h>
#include <stddef.h>

/* clang-format off */
#define TL_ERR_LIST(X)                                                             \
    X(TL_OK,        0, "no error")                                                 \
    X(TL_MORE,     -1, "the message is not complete yet")                          \
    X(TL_BAD,      -2, "the message breaks its grammar")                           \
    X(TL_USAGE,    -3, "the command line is wrong")                                \
    X(TL_FILE,     -4, "a file cannot be read or written")                         \
    X(TL_SYNTAX,   -5, "a file breaks its grammar")                                \
    X(TL_UNKNOWN,  -6, "a name is not known here")                                 \
    X(TL_UNIT,     -7, "a quantity has the wrong unit or none")                    \
    X(TL_RANGE,    -8, "a value is outside what is possible")                      \
    X(TL_MISSING,  -9, "something required is not there")                          \
    X(TL_LIMIT,   -10, "more was asked for than a limit allows")                   \
    X(TL_TIMEOUT, -11, "something did not happen in its time")                     \
    X(TL_STEP,    -12, "a step of the recipe failed")                              \
    X(TL_KILLED,  -13, "the recipe used more than it may and was ended")           \
    X(TL_DEVICE,  -14, "an instrument is missing or answers wrongly")              \
    X(TL_FULL,    -15, "a fixed store is full")                                    \
    X(TL_SYSTEM,  -16, "the operating system refused a call")                      \
    X(TL_ENDED,   -17, "the run is over")                                          \
    X(TL_TRUST,   -18, "what is signed by it is not trusted here")
/* clang-format on */

enum tl_err {
#define X(name, value, text) name = value,
    TL_ERR_LIST(X)
#undef X
};

/* What a person needs to mend a mistake. Texts are UTF-8, lower case, no full stop. */
struct tl_error {
    enum tl_err code;
    int line;          /* in `file`, 0 = none */
    char file[160];    /* as the person named it; "" = none */
    char token[64];    /* the word the message is about, for the caret; "" = none */
    char text[400];    /* what was found, what would be right */
    char hint[240];    /* what to do; "" = none */
};

/* The fixed sentence of a code; never NULL, also for a number outside the list. */
const char *tl_err_text(int code);

/* Fill *error (which may be NULL: then nothing happens) and return `code`, so that
 * `return tl_error_set(error, TL_UNIT, ...)` reads as one thought. Clears file, line, token, hint. */
int tl_error_set(struct tl_error *error, enum tl_err code, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* Add place, token or hint to an error already set. NULL error: nothing. Texts are cut to fit. */
void tl_error_at(struct tl_error *error, const char *file, int line);
void tl_error_token(struct tl_error *error, const char *token);
void tl_error_hint(struct tl_error *error, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/* Write the error as it is shown, wrapped to 100 columns: "file:line: text", the source line with a caret under `token`
 * where `source` (the whole file, `length` bytes, may be NULL) holds that line, then "  hint: ...".
 * Control bytes, and bytes that are not UTF-8, are shown as <XX>. Ends with "\n", always NUL-terminated, cut at `size`.
 * Returns bytes written. */
size_t tl_error_format(const struct tl_error *error, const char *source, size_t length, char *out,
                       size_t size);

/* The name in `names` (NULL-terminated list) nearest to `word` within 1 + strlen/4 edits
 * (Damerau, adjacent swaps count one), or NULL when none is near: for "did you mean". */
const char *tl_nearest(const char *word, const char *const *names);

#endif
