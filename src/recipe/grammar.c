/* SPDX-License-Identifier: MIT */
/* Lua says where its grammar broke; here is said what a person probably did. */
#include "recipe_private.h"

#include <stdlib.h>
#include <string.h>

#include "tinlatch/utf8.h"

/* The line of the error, without its end. */
static const char *line_of(const struct source_file *file, int line, size_t *length)
{
    const char *at = file->text, *end = file->text + file->length;
    for (int i = 1; i < line && at < end; i++) {
        const char *newline = memchr(at, '\n', (size_t)(end - at));
        at = newline ? newline + 1 : end;
    }
    const char *newline = memchr(at, '\n', (size_t)(end - at));
    *length = (size_t)((newline ? newline : end) - at);
    return at;
}

/* A text that lacks one of its quotes takes in what follows up to the next one. */
static bool lacks_quote(const struct source_file *file, int line)
{
    size_t length, quotes = 0;
    const char *at = line_of(file, line, &length);
    for (size_t i = 0; i < length; i++)
        quotes += at[i] == '"';
    return quotes % 2 == 1;
}

/* Lua shows a byte outside ASCII as <226>; people see a character. */
static bool explain_character(const struct source_file *file, struct tl_error *error)
{
    char *shown = strstr(error->text, "'<\\");
    size_t length, width = 0;
    if (!shown)
        return false;
    long byte = strtol(shown + 3, NULL, 10);
    const char *at = line_of(file, error->line, &length);
    for (; length > 0; at++, length--)
        if ((unsigned char)*at == byte && (width = utf8_length(at, length)) > 0)
            break;
    if (width == 0)
        return false;
    char letter[8];
    snprintf(letter, sizeof letter, "%.*s", (int)width, at);
    snprintf(shown, sizeof error->text - (size_t)(shown - error->text), "'%s'", letter);
    tl_error_token(error, letter);
    if (width == 3 && memcmp(letter, "\xE2\x80", 2) == 0)
        tl_error_hint(error, "write plain quotes, \" or ', and the plain sign - for minus");
    else
        tl_error_hint(error,
                      "outside of a text only plain letters, digits and signs have a meaning");
    return true;
}

static bool is_closer(const char *token)
{
    static const char *const closers[] = {"end", "}", ")", "]", "else", "elseif", "until", NULL};
    for (const char *const *closer = closers; *closer; closer++)
        if (strcmp(token, *closer) == 0)
            return true;
    return token[0] == '\0';
}

/* Does its line begin with the token, and go on as a call does? Then it is a statement, no entry of a list. */
static bool begins_call(const struct source_file *file, const struct tl_error *error)
{
    size_t length, token = strlen(error->token);
    const char *at = line_of(file, error->line, &length), *end = at + length;
    while (at < end && strchr(" \t", *at))
        at++;
    if ((size_t)(end - at) <= token || strncmp(at, error->token, token) != 0)
        return false;
    for (at += token; at < end && *at == ' ';)
        at++;
    return at < end && strchr(".:({\"'", *at);
}

/* "'}' expected near 'timeout'": mostly a comma, sometimes a quote, seldom the bracket itself. */
static void explain_bracket(const struct source_file *file, struct tl_error *error)
{
    bool round = strncmp(error->text, "')'", 3) == 0;
    if (lacks_quote(file, error->line))
        tl_error_hint(error, "a text on this line lacks one of its quotes");
    else if (round && strcmp(error->token, "=") == 0)
        tl_error_hint(error, "values with a name stand in { }: plate.soak { time = \"40 s\" }");
    else if (strstr(error->text, "<eof>") || is_closer(error->token) || begins_call(file, error))
        tl_error_hint(error, "a %s is missing before it", round ? ")" : "}");
    else
        tl_error_hint(error, "a comma is missing before %s?", error->token);
}

/* `end,` where no list is open any more: an `end` further up is missing, and this one took its place. */
static bool closes_too_early(const struct source_file *file, int line)
{
    size_t length;
    const char *at = line_of(file, line, &length);
    for (; length > 0 && strchr(" \t", *at); length--)
        at++;
    return length >= 4 && strncmp(at, "end,", 4) == 0;
}

static void explain_symbol(const struct source_file *file, struct tl_error *error)
{
    if (strstr(error->text, "<eof>"))
        tl_error_hint(error, "the text ends too early: a bracket or an `end` is missing");
    else if (strcmp(error->token, "}") == 0 || strcmp(error->token, ")") == 0)
        tl_error_hint(error, "an `end`, or a value, is missing before it?");
    else if (strcmp(error->token, ",") == 0 && closes_too_early(file, error->line))
        tl_error_hint(error, "an `end` is missing further up: this one closed an inner block");
    else if (strcmp(error->token, ",") == 0)
        tl_error_hint(error, "a comma too many, or a value missing before it?");
}

void grammar_explain(const struct source_file *file, struct tl_error *error)
{
    const char *text = error->text;
    if (explain_character(file, error))
        return;
    if (strncmp(text, "'}' expected", 12) == 0 || strncmp(text, "')' expected", 12) == 0)
        explain_bracket(file, error);
    else if (strncmp(text, "'then' expected", 15) == 0 && strcmp(error->token, "=") == 0)
        tl_error_hint(error, "== compares; >= means at least, <= at most");
    else if (strncmp(text, "'then' expected", 15) == 0)
        tl_error_hint(error, "an if reads: if plate.temperature() > 100 then ... end");
    else if (strncmp(text, "'do' expected", 13) == 0 ||
             strncmp(text, "'=' or 'in' expected", 20) == 0)
        tl_error_hint(error, "a loop reads: for i = 1, 3 do ... end, or while ... do ... end");
    else if (strncmp(text, "'end' expected", 14) == 0)
        tl_error_hint(error, "an `end` is missing: each function, if, for and while has one");
    else if (strncmp(text, "<eof> expected", 14) == 0 || strncmp(text, "'<eof>' expected", 16) == 0)
        tl_error_hint(error, "an `end` or a bracket too many before it?");
    else if (strncmp(text, "unexpected symbol", 17) == 0)
        explain_symbol(file, error);
    else if (strncmp(text, "syntax error", 12) == 0)
        tl_error_hint(error,
                      "a call has (), {} or a text after its name, also at the end of the line "
                      "before: plate.off()");
}
