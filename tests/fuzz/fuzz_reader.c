/* SPDX-License-Identifier: MIT */
/* Patterns of a sensor reader and lines against them. The input's first line holds a letter for the kind ("d" degrees, "f"
 * Fahrenheit, "v" millivolts, "p" periods), its second the pattern, its third the word for open, the rest is what came. */
#include <regex.h>

#include "periods.h"

/* The pattern as a regular expression: what the line has to be at least. */
static void write_expression(const struct reader_config *config, char *to, size_t size)
{
    static const char number[] = "[-+]?[0-9]*[.]?[0-9]*";
    size_t at = (size_t)snprintf(to, size, "^");
    for (const char *p = config->pattern; *p; p++) {
        if (*p == ' ' || *p == '\t') {
            if (p[1] != ' ' && p[1] != '\t')
                at += (size_t)snprintf(to + at, size - at, "[ \t]+");
        } else if (*p != '{') {
            at += (size_t)snprintf(to + at, size - at, strchr("^]\\", *p) ? "\\%c" : "[%c]", *p);
        } else {
            bool skips = p[1] == '*';
            p = strchr(p, '}');
            at += (size_t)snprintf(to + at, size - at, skips ? ".+" : "(%s|", number);
            for (const char *o = config->open; !skips && *o; o++)
                at +=
                    (size_t)snprintf(to + at, size - at, strchr("^]\\", *o) ? "\\%c" : "[%c]", *o);
            at += (size_t)snprintf(to + at, size - at, skips ? "" : ")");
        }
    }
    snprintf(to + at, size - at, "[ \t]*\r?\n$");
    assert(at < size - 16);
}

static bool matches(const struct reader_config *config, const uint8_t *bytes, size_t length)
{
    char expression[8192], text[FRAME_MAX + 1];
    regex_t compiled;
    memcpy(text, bytes, length);
    text[length] = '\0';
    write_expression(config, expression, sizeof expression);
    assert(regcomp(&compiled, expression, REG_EXTENDED | REG_NOSUB) == 0);
    int code = regexec(&compiled, text, 0, NULL, 0);
    regfree(&compiled);
    return code == 0;
}

static void decode(const struct reader_config *config, uint32_t numbers, const uint8_t *bytes,
                   size_t length)
{
    struct reader_answer answer;
    int used = reader_decode(bytes, length, config, &answer);
    if (used < 0)
        return;
    assert((size_t)used <= length && bytes[used - 1] == '\n');
    for (int i = 0; i < DEVICE_CHANNELS; i++) {
        const struct channel *c = &answer.channel[i];
        assert((c->quality != QUALITY_NONE) == (numbers >> i & 1));
        assert(c->value >= -9999999 && c->value <= 9999999);
        assert(c->quality != QUALITY_GOOD || !config->gives_uv || answer.has_cold);
    }
    if (!memchr(bytes, '\0', (size_t)used))
        assert(matches(config, bytes, (size_t)used));
}

/* Nothing is told to a reader but its two questions. */
static void check(const struct device *device, const struct frame *frame)
{
    (void)device;
    assert(frame->bytes[frame->length - 1] == '\n');
    assert((frame->length == 4 && !memcmp(frame->bytes, "T?\n", 3)) ||
           !memcmp(frame->bytes, "ID?\n", 4) || !memcmp(frame->bytes, "T?\n", 3));
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct draw draw = {data, data + size};
    struct device_config config = {.kind = DEVICE_READER, .identity = "reader"};
    struct reader_config *reader = &config.reader;
    char kind[8];
    const char *why;
    uint32_t numbers;
    draw_line(&draw, kind, sizeof kind);
    draw_line(&draw, reader->pattern, sizeof reader->pattern);
    draw_line(&draw, reader->open, sizeof reader->open);
    reader->fahrenheit = kind[0] == 'f';
    reader->gives_uv = kind[0] == 'v';
    if (strspn(reader->open,
               "!\"#$%&'()*,-./:;<=>?@ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz") !=
            strlen(reader->open) ||
        reader_check_pattern(reader->pattern, &numbers, &why) != 0)
        return 0; /* the bench file refuses it */
    if (kind[0] != 'p') {
        decode(reader, numbers, draw.at, draw_left(&draw));
        return 0;
    }
    strcpy(reader->ask, kind[1] ? "T?" : "");
    strcpy(reader->ask_identity, kind[1] == 'i' ? "ID?" : "");
    periods_run(&(struct periods){&config, NULL, check}, &draw);
    return 0;
}
