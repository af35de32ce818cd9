/* SPDX-License-Identifier: MIT */
#include "words.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/bytes.h"
#include "tinlatch/report.h"
#include "tinlatch/utf8.h"

static void end_text(struct bytes *b)
{
    b->at[b->length] = '\0'; /* one byte was held back for it */
}

const char *words_plain(const char *text, char *out, size_t size)
{
    struct bytes b;
    bytes_init(&b, out, size - 1);
    for (size_t left = strlen(text); left > 0;) {
        size_t length = utf8_length(text, left);
        if (length && utf8_is_plain(text, length)) {
            bytes_add(&b, text, length);
        } else {
            char mark[5] = "<";
            struct bytes m = {.at = mark, .length = 1, .size = sizeof mark};
            bytes_hex(&m, (unsigned char)*text, 2);
            bytes_char(&m, '>');
            bytes_add(&b, mark, 4);
            length = 1;
        }
        text += length;
        left -= length;
    }
    end_text(&b);
    return out;
}

size_t words_width(const char *text)
{
    size_t width = 0;
    for (; *text; text++)
        width += ((unsigned char)*text & 0xC0) != 0x80;
    return width;
}

const char *words_cut(const char *text, size_t columns, char *out, size_t size)
{
    bool whole = words_width(text) <= columns;
    size_t keep = whole || columns < 2 ? columns : columns - 2;
    size_t length = 0, width = 0;
    while (text[length]) {
        width += ((unsigned char)text[length] & 0xC0) != 0x80;
        if (width > keep)
            break;
        length++;
    }
    while (!whole && length > 0 && text[length - 1] == ' ')
        length--;
    snprintf(out, size, "%.*s%s", (int)length, text, whole || columns < 2 ? "" : "..");
    return out;
}

const char *words_time(double s, char *out, size_t size)
{
    if (!isfinite(s) || s < 0 || s > 1e7) {
        snprintf(out, size, "-");
        return out;
    }
    long whole = lround(s);
    if (whole >= 3600)
        snprintf(out, size, "%ld:%02ld:%02ld", whole / 3600, whole / 60 % 60, whole % 60);
    else
        snprintf(out, size, "%ld:%02ld", whole / 60, whole % 60);
    return out;
}

const char *words_length(double s, char *out, size_t size)
{
    if (!isfinite(s) || fabs(s) > 1e7) {
        snprintf(out, size, "-");
        return out;
    }
    if (fabs(s) < 9.95)
        snprintf(out, size, "%.1f s", s);
    else if (fabs(s) < 59.5)
        snprintf(out, size, "%.0f s", s);
    else if (lround(s) % 60)
        snprintf(out, size, "%ld min %ld s", lround(s) / 60, labs(lround(s) % 60));
    else
        snprintf(out, size, "%ld min", lround(s) / 60);
    return out;
}

static int places_of(enum unit unit)
{
    switch (unit) {
    case UNIT_TEMP:
    case UNIT_DELTA:
        return 1;
    case UNIT_RAMP:
    case UNIT_VOLTS:
        return 2;
    case UNIT_AMPS:
        return 3;
    case UNIT_TIME:
    case UNIT_OHMS:
    case UNIT_WATTS:
    case UNIT_LENGTH:
    case UNIT_MASS:
    case UNIT_CAPACITY:
    case UNIT_LOSS:
    case UNIT_SHARE:
    case UNITS:
        break;
    }
    return 1;
}

const char *words_value(double value, enum unit unit, char *out, size_t size)
{
    if (!isfinite(value))
        snprintf(out, size, "-");
    else if (unit == UNIT_TIME)
        words_length(value, out, size);
    else if (fabs(value) < 1e5)
        snprintf(out, size, "%.*f %s", places_of(unit), value, unit_base(unit));
    else
        snprintf(out, size, "%.3g %s", value,
                 unit_base(unit)); /* no bench has it; keep the column */
    return out;
}

const char *words_base_name(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash && slash[1] ? slash + 1 : path;
}

static void name_with_line(const char *before, const char *file, int32_t line, char *out,
                           size_t size)
{
    char plain[WORD_TEXT];
    words_plain(words_base_name(file), plain, sizeof plain);
    if (line > 0)
        snprintf(out, size, "%s%.200s:%d", before, plain, line);
    else
        snprintf(out, size, "%s%.200s", before, plain);
}

const char *words_origin(const struct run *run, const struct report_style *style, int32_t layer,
                         int32_t line, char *out, size_t size)
{
    char board[BENCH_NAME + 8];
    snprintf(board, sizeof board, "%s.lua", run->board[0] ? run->board : "board");
    const char *recipe = style->recipe_file ? style->recipe_file : run->recipe;
    switch (layer) {
    case LAYER_BENCH:
        name_with_line("", style->bench_file ? style->bench_file : "bench file", line, out, size);
        return out;
    case LAYER_BOARD:
        name_with_line("", style->board_file ? style->board_file : board, line, out, size);
        return out;
    case LAYER_RECIPE:
        name_with_line("ceiling of ", recipe, line, out, size);
        return out;
    case LAYER_BUILT_IN:
        snprintf(out, size, "built in");
        return out;
    default: /* a number from a record, not only one of the enum */
        snprintf(out, size, "what the part bears");
        return out;
    }
}

const char *words_limit(enum limit_id id)
{
    switch (id) {
    case LIMIT_plate_mc:
        return "plate";
    case LIMIT_board_mc:
        return "board";
    case LIMIT_ramp_mc_s:
        return "ramp";
    case LIMIT_heat_time_ms:
        return "heat time";
    case LIMIT_supply_mv:
        return "supply volts";
    case LIMIT_supply_ma:
        return "supply amps";
    case LIMIT_inject_mv:
        return "inject volts";
    case LIMIT_inject_ma:
        return "inject amps";
    case LIMIT_power_mc:
        return "power below";
    case LIMITS:
        break;
    }
    return "?";
}

const char *words_board(const struct run *run, char *out, size_t size)
{
    snprintf(out, size, "%s%s%s%s", run->board[0] ? ", board " : "", run->board,
             run->serial[0] ? ", serial " : "", run->serial);
    return out;
}

const char *words_seed(const struct run *run, char *out, size_t size)
{
    out[0] = '\0';
    if (run->rehearsed)
        snprintf(out, size, ", seed %llu", (unsigned long long)run->seed);
    return out;
}

const char *words_source(const struct run_source *source, int row, char *out, size_t size)
{
    static const char *const names[] = {"file", "pack", "signed by", "checked"};
    const char(*text)[sizeof source->text[0]] = source->text;
    bool shelved = strcmp(text[RUN_CHECKED], "shelf") == 0;
    if (!text[RUN_SHA256][0] || row >= (text[RUN_PACK][0] ? 4 : 1))
        return NULL;
    if (row == 0)
        snprintf(out, size, "SHA-256 %s", text[RUN_SHA256]);
    if (row == 1)
        snprintf(out, size, "%s version %s, SHA-256 %s", text[RUN_PACK], text[RUN_PACK_VERSION],
                 text[RUN_PACK_SHA256]);
    if (row == 2)
        snprintf(out, size, "%s (key %s)", text[RUN_SIGNER], text[RUN_KEY]);
    if (row == 3)
        snprintf(out, size, "before the start: signature and hashes%s",
                 shelved ? "; the same as accepted on the shelf" : "");
    return names[row];
}

void report_markup(FILE *out, const char *text)
{
    char plain[4 * WORD_TEXT];
    for (const char *c = words_plain(text, plain, sizeof plain); *c; c++) {
        switch (*c) {
        case '<':
            fputs("&lt;", out);
            break;
        case '>':
            fputs("&gt;", out);
            break;
        case '&':
            fputs("&amp;", out);
            break;
        case '"':
            fputs("&quot;", out);
            break;
        default:
            fputc(*c, out);
        }
    }
}

void report_csv(FILE *out, const char *text)
{
    if (!*text)
        return;
    fputs(strchr("=+-@", *text) ? "\"'" : "\"", out);
    for (; *text; text++) {
        if (*text == '"')
            fputc('"', out);
        fputc((unsigned char)*text < 0x20 ? ' ' : *text, out);
    }
    fputc('"', out);
}
