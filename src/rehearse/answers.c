/* SPDX-License-Identifier: MIT */
/* The two small texts that steer a rehearsal: faults on the command line, answers in a file. */
#include "tinlatch/rehearse.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/quantity.h"
#include "tinlatch/world.h"

enum { LINE_BYTES = 160 };

/* A plain count of seconds, or a time with its unit. */
static int seconds_parse(const char *text, double *seconds, struct tl_error *error)
{
    char *end;
    size_t digits = strspn(text, "0123456789.");

    if (digits == 0 || text[digits] != '\0')
        return quantity_parse(text, UNIT_TIME, seconds, error);
    *seconds = strtod(text, &end);
    if (*end != '\0' || *seconds > 1e6)
        return tl_error_set(error, TL_RANGE, "\"%s\" is not a time within 1000000 s", text);
    return 0;
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
    const char *names[REHEARSE_FAULTS + 1] = {0};

    for (int i = 0; i < world_fault_count && i < REHEARSE_FAULTS; i++)
        names[i] = world_faults[i].name;
    const char *near = tl_nearest(name, names);
    tl_error_set(error, TL_UNKNOWN, "there is no fault \"%.40s\"", name);
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
        tl_error_set(error, TL_USAGE, "\"%.60s\" is not a fault with its instant", text);
        tl_error_hint(error, "write NAME@SECONDS, such as sensor-open@90");
        return TL_USAGE;
    }
    if (setup->fault_count >= REHEARSE_FAULTS)
        return tl_error_set(error, TL_FULL, "more than %d faults in one rehearsal",
                            REHEARSE_FAULTS);
    memcpy(fault.name, text, (size_t)(at - text));
    if (!fault_known(fault.name))
        return fault_unknown(fault.name, error);
    int failed = seconds_parse(at + 1, &fault.at_s, error);
    if (failed)
        return failed;
    if (fault.at_s < 0)
        return tl_error_set(error, TL_RANGE, "a fault cannot come before the start: \"%s\"", text);
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

static int answer_parse(char *line, struct rehearse_answer *answer, struct tl_error *error)
{
    char *after = strstr(line, " after ");

    *answer = (struct rehearse_answer){.after_s = -1};
    if (after) {
        *after = '\0';
        int failed = seconds_parse(trim(after + 7), &answer->after_s, error);
        if (failed)
            return failed;
        if (answer->after_s < 0)
            return tl_error_set(error, TL_RANGE, "nobody answers before the question: after %g s",
                                answer->after_s);
    }
    line = trim(line);
    if (strcmp(line, "yes") == 0)
        answer->reply = REPLY_YES;
    else if (strcmp(line, "no") == 0)
        answer->reply = REPLY_NO;
    else if (strcmp(line, "stop") == 0)
        answer->reply = REPLY_STOP;
    else if (strlen(line) < sizeof answer->value) {
        answer->reply = REPLY_VALUE;
        snprintf(answer->value, sizeof answer->value, "%s", line);
    } else
        return tl_error_set(error, TL_RANGE, "an answer is at most %zu bytes long",
                            sizeof answer->value - 1);
    return 0;
}

int answers_parse(const char *file, const char *text, size_t length, struct rehearse_setup *setup,
                  struct tl_error *error)
{
    int number = 0, failed = 0;

    for (const char *at = text, *end = text + length; at < end && !failed;) {
        const char *stop = memchr(at, '\n', (size_t)(end - at));
        size_t bytes = (size_t)((stop ? stop : end) - at);
        char line[LINE_BYTES];
        number++;
        if (bytes >= sizeof line || memchr(at, '\0', bytes)) {
            failed = tl_error_set(error, TL_SYNTAX,
                                  "a line of answers is one of yes, no, stop or a value, each "
                                  "optionally with \"after 5 s\"");
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
        else
            failed = answer_parse(word, &setup->answer[setup->answer_count++], error);
    }
    if (failed)
        tl_error_at(error, file, number);
    return failed;
}
