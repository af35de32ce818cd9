/* SPDX-License-Identifier: MIT */
/* The two small texts that steer a rehearsal: faults on the command line, answers in a file. */
#include "tinlatch/rehearse.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/quantity.h"
#include "tinlatch/world.h"

enum { LINE_BYTES = 160 };

static const double LATEST_S = 1e6;

/* A plain count of seconds, or a time with its unit; not before the start. */
static bool instant_parse(const char *text, double *seconds)
{
    char *end = NULL;

    if (strspn(text, "0123456789.") == strlen(text) && text[0])
        *seconds = strtod(text, &end);
    else if (quantity_parse(text, UNIT_TIME, seconds, NULL) != 0)
        return false;
    return (!end || *end == '\0') && *seconds >= 0 && *seconds <= LATEST_S;
}

static bool fault_known(const char *name)
{
    for (int i = 0; i < world_fault_count; i++)
        if (strcmp(world_faults[i].name, name) == 0)
            return true;
    return false;
}

static int fault_unknown(const char *name, struct tl_error *error)
{
    enum { MOST = 64 };
    const char *names[MOST + 1] = {0};

    for (int i = 0; i < world_fault_count && i < MOST; i++)
        names[i] = world_faults[i].name;
    const char *near = tl_nearest(name, names);
    tl_error_set(error, TL_UNKNOWN, "--fault: there is no fault \"%.40s\"", name);
    if (near)
        tl_error_hint(error, "did you mean \"%s\"?", near);
    else
        tl_error_hint(error, "%s, %s, %s ...: `tinlatch help faults` lists them", names[0],
                      names[1], names[2]);
    return TL_UNKNOWN;
}

int fault_parse(const char *text, struct rehearse_setup *setup, struct tl_error *error)
{
    const char *at = strchr(text, '@');
    struct rehearse_fault fault = {0};

    if (!at || at == text || (size_t)(at - text) >= sizeof fault.name) {
        tl_error_set(error, TL_USAGE, "--fault: \"%.60s\" is not a fault with its instant", text);
        tl_error_hint(error, "write NAME@SECONDS, such as sensor-open@90");
        return TL_USAGE;
    }
    if (setup->fault_count >= REHEARSE_FAULTS)
        return tl_error_set(error, TL_FULL, "more than %d faults in one rehearsal",
                            REHEARSE_FAULTS);
    memcpy(fault.name, text, (size_t)(at - text));
    if (!fault_known(fault.name))
        return fault_unknown(fault.name, error);
    if (!instant_parse(at + 1, &fault.at_s)) {
        tl_error_set(error, TL_USAGE, "--fault %s: \"%.60s\" is no instant from 0 to %.0f s",
                     fault.name, at + 1, LATEST_S);
        tl_error_hint(error, "write --fault %s@90, or %s@\"1.5 min\"", fault.name, fault.name);
        return TL_USAGE;
    }
    setup->fault[setup->fault_count++] = fault;
    return 0;
}

static char *trim(char *text)
{
    while (isspace((unsigned char)*text))
        text++;
    size_t length = strlen(text);
    while (length > 0 && isspace((unsigned char)text[length - 1]))
        text[--length] = '\0';
    return text;
}

/* What a question of a recipe can be answered in. */
static const enum unit answer_units[] = {UNIT_OHMS, UNIT_VOLTS, UNIT_AMPS, UNIT_TEMP, UNIT_TIME};

static int answer_unknown(const char *word, struct tl_error *error)
{
    tl_error_set(error, TL_SYNTAX, "\"%s\" is no answer", word);
    tl_error_token(error, word);
    tl_error_hint(error,
                  "an answer is yes, no, stop, a number such as 0.42 or \"45 kohm\", or a text in "
                  "quotes; behind it may stand: after 5 s");
    return TL_SYNTAX;
}

static bool bare_number(const char *word, double *number)
{
    char *end;

    if (strspn(word, "0123456789.+-") != strlen(word) || !strpbrk(word, "0123456789"))
        return false;
    *number = strtod(word, &end);
    return *end == '\0' && fabs(*number) <= 1e9;
}

static int number_parse(const char *word, struct rehearse_answer *answer, struct tl_error *error)
{
    answer->unit = UNITS;
    if (bare_number(word, &answer->number))
        return 0;
    for (size_t i = 0; i < sizeof answer_units / sizeof answer_units[0]; i++)
        if (quantity_parse(word, answer_units[i], &answer->number, NULL) == 0) {
            answer->unit = answer_units[i];
            return 0;
        }
    return answer_unknown(word, error);
}

/* "a text": what stands between the quotes. */
static bool unquote(char *word)
{
    size_t length = strlen(word);

    if (length < 2 || word[0] != '"' || strchr(word + 1, '"') != word + length - 1)
        return false;
    memmove(word, word + 1, length - 2);
    word[length - 2] = '\0';
    return true;
}

static int value_parse(char *word, struct rehearse_answer *answer, struct tl_error *error)
{
    answer->reply = REPLY_VALUE;
    answer->unit = UNITS;
    answer->is_text = unquote(word);
    if (strlen(word) >= sizeof answer->value)
        return tl_error_set(error, TL_RANGE, "an answer is at most %zu bytes long",
                            sizeof answer->value - 1);
    snprintf(answer->value, sizeof answer->value, "%s", word);
    return answer->is_text ? 0 : number_parse(word, answer, error);
}

/* "... after 5 s" leaves "..." in `line`. */
static int delay_parse(char *line, struct rehearse_answer *answer, struct tl_error *error)
{
    char *after = strcasestr(line, " after ");

    answer->after_s = -1;
    if (line[0] == '"' || !after) /* inside a text it means nothing */
        after = strrchr(line, '"') ? strcasestr(strrchr(line, '"'), " after ") : after;
    if (!after)
        return 0;
    *after = '\0';
    int failed = quantity_parse(trim(after + 7), UNIT_TIME, &answer->after_s, error);
    if (!failed && answer->after_s < 0)
        failed = tl_error_set(error, TL_RANGE, "nobody answers before the question: after %g s",
                              answer->after_s);
    return failed;
}

static int answer_parse(char *line, struct rehearse_answer *answer, struct tl_error *error)
{
    static const struct {
        const char *word;
        enum reply reply;
    } words[] = {{"yes", REPLY_YES}, {"no", REPLY_NO}, {"stop", REPLY_STOP}};

    *answer = (struct rehearse_answer){.unit = UNITS};
    int failed = delay_parse(line, answer, error);
    if (failed)
        return failed;
    line = trim(line);
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
        if (strcasecmp(line, words[i].word) == 0) {
            answer->reply = words[i].reply;
            return 0;
        }
    return value_parse(line, answer, error);
}

int answers_parse(const char *file, const char *text, size_t length, struct rehearse_setup *setup,
                  struct tl_error *error)
{
    int number = 0, failed = 0;

    setup->answers_file = file;
    for (const char *at = text, *end = text + length; at < end && !failed;) {
        const char *stop = memchr(at, '\n', (size_t)(end - at));
        size_t bytes = (size_t)((stop ? stop : end) - at);
        char line[LINE_BYTES];
        number++;
        if (bytes >= sizeof line || memchr(at, '\0', bytes)) {
            failed = tl_error_set(error, TL_SYNTAX,
                                  "a line of answers has at most %d bytes of text", LINE_BYTES - 1);
            break;
        }
        memcpy(line, at, bytes);
        line[bytes] = '\0';
        at += bytes + 1;
        char *word = trim(line);
        if (*word == '\0' || *word == '#')
            continue;
        if (setup->answer_count >= REHEARSE_ANSWERS)
            failed = tl_error_set(error, TL_FULL, "more than %d answers", REHEARSE_ANSWERS);
        else {
            struct rehearse_answer *answer = &setup->answer[setup->answer_count++];
            failed = answer_parse(word, answer, error);
            answer->line = number;
        }
    }
    if (failed)
        tl_error_at(error, file, number);
    return failed;
}
