/* SPDX-License-Identifier: MIT */
#include "tinlatch/report.h"

#include <math.h>
#include <string.h>

#include "chart.h"
#include "words.h"

enum { MARGINS_SHOWN = 10, SAID_SHOWN = 24 };

struct page {
    const struct run *run;
    const struct report_style *style;
    FILE *out;
};

/* --- pieces ------------------------------------------------------------------------------- */

static void heading(const struct page *page, const char *text)
{
    fprintf(page->out, page->style->colour ? "\n\033[1m%s\033[0m" : "\n%s", text);
}

/* How much of `text` goes on a line of `columns`, breaking at a blank where there is one. */
static size_t line_length(const char *text, size_t columns)
{
    size_t length = 0, width = 0, blank = 0;
    for (; text[length]; length++) {
        width += ((unsigned char)text[length] & 0xC0) != 0x80;
        if (width > columns)
            return blank ? blank : length;
        if (text[length] == ' ')
            blank = length;
    }
    return length;
}

/* `text` from column `at` on, what follows its first line under it. Text of strangers is safe here. */
static void wrap(const struct page *page, size_t at, const char *text)
{
    char plain[4 * WORD_TEXT];
    const char *left = words_plain(text, plain, sizeof plain);
    for (bool first = true; *left || first; first = false) {
        size_t length = line_length(left, REPORT_COLUMNS - at);
        size_t shown = length;
        while (shown > 0 && left[shown - 1] == ' ')
            shown--;
        fprintf(page->out, "%*s%.*s\n", first ? 0 : (int)at, "", (int)shown, left);
        left += length;
        left += strspn(left, " ");
        if (!length)
            return;
    }
}

/* `text` on the line as it is, the characters written. */
static size_t write_plain(const struct page *page, const char *text)
{
    char plain[WORD_TEXT], cut[WORD_TEXT];
    words_cut(words_plain(text, plain, sizeof plain), REPORT_COLUMNS, cut, sizeof cut);
    fputs(cut, page->out);
    return words_width(cut);
}

/* `text` cut or filled to `columns` characters: printf counts bytes. */
static void column(const struct page *page, const char *text, size_t columns)
{
    char plain[WORD_TEXT], cut[WORD_TEXT];
    words_cut(words_plain(text, plain, sizeof plain), columns, cut, sizeof cut);
    fprintf(page->out, "%s%*s", cut, (int)(columns - words_width(cut)), "");
}

/* --- title -------------------------------------------------------------------------------- */

static void write_title(const struct page *page)
{
    const struct run *run = page->run;
    const struct report_style *style = page->style;
    const char *recipe = words_base_name(style->recipe_file ? style->recipe_file : run->recipe);
    char line[WORD_TEXT], board[64] = "", serial[96] = "", bench[280] = "";
    if (run->board[0])
        snprintf(board, sizeof board, ", board %s", run->board);
    if (run->serial[0])
        snprintf(serial, sizeof serial, ", serial %s", run->serial);
    if (style->bench_is_demo && style->bench_file)
        snprintf(bench, sizeof bench, ", simulated bench: %.250s",
                 words_base_name(style->bench_file));
    else if (run->bench[0])
        snprintf(bench, sizeof bench, ", bench %s", run->bench);
    snprintf(line, sizeof line, "%.200s%s%s%s, seed %llu", recipe, board, serial, bench,
             (unsigned long long)run->seed);
    if (style->colour)
        fputs("\033[1m", page->out);
    if (run->title[0]) {
        bool fits = words_width(run->title) + 3 + words_width(line) <= REPORT_COLUMNS;
        size_t used = write_plain(page, run->title);
        fputs(fits ? " - " : "\n", page->out);
        wrap(page, fits ? used + 3 : 0, line);
    } else {
        wrap(page, 0, line);
    }
    if (style->colour)
        fputs("\033[0m", page->out);
}

/* --- limits ------------------------------------------------------------------------------- */

static bool limit_matters(const struct limits *limits, enum limit_id id)
{
    switch (id) {
    case LIMIT_plate_mc:
    case LIMIT_ramp_mc_s:
    case LIMIT_heat_time_ms:
        return limits->uses_plate;
    case LIMIT_board_mc:
        return limits->uses_plate && limits->has_board;
    case LIMIT_supply_mv:
    case LIMIT_supply_ma:
    case LIMIT_inject_mv:
    case LIMIT_inject_ma:
    case LIMIT_power_mc:
        return limits->uses_supply;
    case LIMITS:
        break;
    }
    return false;
}

static void write_limit(const struct page *page, enum limit_id id)
{
    const struct run *run = page->run;
    char value[32], origin[WORD_TEXT];
    quantity_print((double)limits_get(&run->limits, id) / limit_scale(id), limit_unit(id), value,
                   sizeof value);
    words_origin(run, page->style, (int32_t)run->origins.of[id].layer, run->origins.of[id].line,
                 origin, sizeof origin);
    fprintf(page->out, "  %-14s%12s  ", words_limit(id), value);
    wrap(page, 30, origin);
}

static void write_rails(const struct page *page)
{
    const struct limits *limits = &page->run->limits;
    for (int32_t i = 0; i < limits->rail_count && limits->uses_supply; i++) {
        const struct rail_limits *rail = &limits->rail[i];
        char feed[80] = "not fed", inject[80] = "not injected";
        if (rail->mv > 0)
            snprintf(feed, sizeof feed, "fed up to %.2f V, %.3f A", rail->mv / 1000.0,
                     rail->ma / 1000.0);
        if (rail->inject_mv > 0)
            snprintf(inject, sizeof inject, "injected up to %.2f V, %.3f A",
                     rail->inject_mv / 1000.0, rail->inject_ma / 1000.0);
        fputs("  rail ", page->out);
        column(page, rail->name, 18);
        fprintf(page->out, "%s; %s\n", feed, inject);
    }
}

static void write_limits(const struct page *page)
{
    const struct limits *limits = &page->run->limits;
    if (!limits->uses_plate && !limits->uses_supply)
        return;
    heading(page, "Limits");
    fputs("  the tightest of this build, bench, board and recipe\n", page->out);
    for (int i = 0; i < LIMITS; i++)
        if (limit_matters(limits, (enum limit_id)i))
            write_limit(page, (enum limit_id)i);
    if (limits->uses_plate && !limits->has_board)
        fputs("  no sensor on the board: nothing watches its temperature but the plate's limit\n",
              page->out);
    write_rails(page);
}

/* --- stages, melts, margins --------------------------------------------------------------- */

static void write_stages(const struct page *page)
{
    const struct run *run = page->run;
    if (!run->stage_count)
        return;
    heading(page, "Stages");
    fprintf(page->out, "  (min:s)%17s%10s%14s%14s\n", "start", "end", "lasts", "plate peak");
    for (int32_t i = 0; i < run->stage_count; i++) {
        const struct run_stage *stage = &run->stage[i];
        char start[16], end[16], lasts[32], peak[32];
        fputs("  ", page->out);
        column(page, stage->name, 24);
        fprintf(page->out, "%6s%10s%14s%14s\n", words_time(stage->start_s, start, sizeof start),
                words_time(stage->end_s, end, sizeof end),
                words_length(stage->end_s - stage->start_s, lasts, sizeof lasts),
                words_value(stage->peak_c, UNIT_TEMP, peak, sizeof peak));
    }
}

static void write_true_melt(const struct page *page, const struct run_melt *melt)
{
    char line[256], first[16], last[16], apart[32];
    words_time(melt->true_first_s, first, sizeof first);
    words_time(melt->true_last_s, last, sizeof last);
    words_length(fabs(melt->at_s - melt->true_last_s), apart, sizeof apart);
    if (isnan(melt->true_first_s))
        snprintf(line, sizeof line, "it never melted: counted TOO EARLY");
    else if (isnan(melt->true_last_s))
        snprintf(line, sizeof line, "first place melted at %s, last never: counted TOO EARLY",
                 first);
    else
        snprintf(line, sizeof line, "first place melted at %s, last at %s: counted %s %s", first,
                 last, apart, melt->at_s >= melt->true_last_s ? "later" : "TOO EARLY");
    fputs("    in the simulated world ", page->out);
    wrap(page, 27, line);
}

static void write_melts(const struct page *page)
{
    const struct run *run = page->run;
    if (!run->melt_count)
        return;
    heading(page, "Melting\n");
    for (int32_t i = 0; i < run->melt_count; i++) {
        char line[4 * WORD_TEXT], time[16];
        snprintf(line, sizeof line, "%s counted as molten at %s: %s", run->melt[i].joint,
                 words_time(run->melt[i].at_s, time, sizeof time), run->melt[i].how);
        fputs("  ", page->out);
        wrap(page, 4, line);
        if (run->rehearsed)
            write_true_melt(page, &run->melt[i]);
    }
}

static void write_margin(const struct page *page, const struct run_margin *margin)
{
    char value[32], worst[32], left[32], origin[WORD_TEXT];
    double part = 100 * (margin->value - margin->worst) / margin->value;
    fputs("  ", page->out);
    column(page, margin->limit, 24);
    fprintf(page->out, "%12s%12s%12s",
            words_value(margin->value, margin->unit, value, sizeof value),
            words_value(margin->worst, margin->unit, worst, sizeof worst),
            words_value(margin->value - margin->worst, margin->unit, left, sizeof left));
    if (part < 0)
        fputs("   OVER  ", page->out);
    else if (part <= 100)
        fprintf(page->out, "  %3.0f %%  ", floor(part));
    else
        fputs("         ", page->out);
    words_origin(page->run, page->style, margin->layer, margin->line, origin, sizeof origin);
    wrap(page, 71, origin);
}

static void write_margins(const struct page *page)
{
    const struct run *run = page->run;
    if (!run->margin_count)
        return;
    heading(page, "Margins");
    fprintf(page->out, "%31s%12s%12s\n", "limit", "worst", "left");
    for (int32_t i = 0; i < run->margin_count && i < MARGINS_SHOWN; i++)
        write_margin(page, &run->margin[i]);
    if (run->margin_count > MARGINS_SHOWN)
        fprintf(page->out, "  %d more with more left\n", run->margin_count - MARGINS_SHOWN);
}

/* --- what was said and done --------------------------------------------------------------- */

/* What a person would read or do; the rest is in the record. */
static const char *said_word(const char *kind)
{
    static const char *const words[][2] = {
        {"do", "do"},       {"confirm", "confirm"}, {"ask", "ask"},    {"tell", "tell"},
        {"value", "value"}, {"note", "note"},       {"no", "said no"}, {"fault", "FAULT"},
        {"pause", "PAUSE"}, {"warn", "WARNING"},    {"beep", "beep"},
    };
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
        if (!strcmp(kind, words[i][0]))
            return words[i][1];
    return NULL;
}

static void write_said(const struct page *page)
{
    const struct run *run = page->run;
    int shown = 0, more = run->events_lost;
    for (int32_t i = 0; i < run->event_count; i++) {
        const struct run_event *event = &run->event[i];
        const char *word = said_word(event->kind);
        char time[16];
        if (!word)
            continue;
        if (shown == SAID_SHOWN) {
            more++;
            continue;
        }
        if (!shown++)
            heading(page, "At the bench\n");
        fprintf(page->out, "  %8s  %-9s", words_time(event->at_s, time, sizeof time), word);
        wrap(page, 21, event->text);
    }
    if (more)
        fprintf(page->out, "  %d more in the record\n", more);
}

/* --- the end ------------------------------------------------------------------------------ */

static void write_worst_case(const struct page *page)
{
    const struct run *run = page->run;
    char whole[32], heat[32], limit[32], line[256];
    if (!(run->worst_case_s > 0))
        return;
    heading(page, "Worst case  ");
    int used = snprintf(line, sizeof line, "%s with every timeout used in full%s",
                        words_length(run->worst_case_s, whole, sizeof whole),
                        run->outcome == RUN_DONE ? "" : " in the steps that ran");
    if (run->limits.uses_plate)
        snprintf(line + used, sizeof line - (size_t)used, ", %s of it heating (limit %s)",
                 words_length(run->worst_case_heat_s, heat, sizeof heat),
                 words_length(run->limits.heat_time_ms / 1000.0, limit, sizeof limit));
    wrap(page, 12, line);
}

static void write_warnings(const struct page *page)
{
    const struct run *run = page->run;
    for (int32_t i = 0; i < run->warning_count; i++) {
        heading(page, "Warning  ");
        wrap(page, 9, run->warning[i]);
    }
    if (run->warnings_lost)
        fprintf(page->out, "%d more warnings\n", run->warnings_lost);
}

/* Hands first: whoever stands at the bench reads one line before doing something. */
static void write_trip(const struct page *page)
{
    const struct run *run = page->run;
    if (!run->tripped)
        return;
    fputc('\n', page->out);
    if (run->hands[0])
        wrap(page, 0, run->hands);
    static const char *const names[] = {"what happened  ", "what to do     ", "look at        "};
    const char *texts[] = {run->trip_words.what, run->trip_words.act, run->trip_words.inspect};
    for (int i = 0; i < 3; i++) {
        if (!texts[i][0])
            continue;
        fprintf(page->out, "  %s", names[i]);
        wrap(page, 17, texts[i]);
    }
}

static const char *trip_id(const struct run *run)
{
    return run->trip_rule < RULES ? rules[run->trip_rule].id : "unknown rule";
}

static void done_sentence(const struct run *run, char *out, size_t size)
{
    char time[32], left[32];
    words_length(run->duration_s, time, sizeof time);
    const struct run_margin *margin = run->margin_count ? &run->margin[0] : NULL;
    if (margin && margin->worst > margin->value)
        snprintf(out, size, "done in %s, but %s went over its limit", time, margin->limit);
    else if (margin)
        snprintf(out, size, "done in %s, nothing over a limit; the tightest is %s with %s left",
                 time, margin->limit,
                 words_value(margin->value - margin->worst, margin->unit, left, sizeof left));
    else
        snprintf(out, size, "done in %s", time);
}

static void verdict_sentence(const struct run *run, char *out, size_t size)
{
    const char *why = run->error.text[0] ? run->error.text : "no reason was given";
    char time[16];
    switch (run->outcome) {
    case RUN_DONE:
        done_sentence(run, out, size);
        return;
    case RUN_TRIPPED:
        snprintf(out, size, "tripped by %s at %s; heat and supply are off", trip_id(run),
                 words_time(run->trip_s, time, sizeof time));
        return;
    case RUN_STOPPED:
        snprintf(out, size, "stopped at %s; heat and supply are off",
                 words_time(run->tripped ? run->trip_s : run->recipe_s, time, sizeof time));
        return;
    case RUN_FAILED:
        snprintf(out, size, "failed at %s: %s", words_time(run->recipe_s, time, sizeof time), why);
        return;
    case RUN_INVALID:
        snprintf(out, size, "invalid: %s", why);
        return;
    case RUN_REFUSED:
        snprintf(out, size, "refused, nothing was heated: %s", why);
        return;
    case RUN_DEVICE:
        snprintf(out, size, "an instrument is missing or wrong, nothing was heated: %s", why);
        return;
    case OUTCOMES:
        break;
    }
    snprintf(out, size, "no outcome");
}

static void write_verdict(const struct page *page)
{
    char sentence[WORD_TEXT];
    const char *what = page->run->rehearsed ? "Rehearsal: " : "Run: ";
    verdict_sentence(page->run, sentence, sizeof sentence);
    fputc('\n', page->out);
    if (page->style->colour)
        fputs(page->run->outcome == RUN_DONE ? "\033[1;32m" : "\033[1;31m", page->out);
    fputs(what, page->out);
    wrap(page, strlen(what), sentence);
    if (page->style->colour)
        fputs("\033[0m", page->out);
}

static void write_course(const struct page *page)
{
    write_stages(page);
    if (!page->style->header_only && page->run->point_count > 1) {
        fputc('\n', page->out);
        chart_write(page->run, page->out);
    }
    write_melts(page);
    if (!page->style->header_only)
        write_said(page);
    write_margins(page);
}

void report_text(const struct run *run, const struct report_style *style, FILE *out)
{
    const struct page page = {run, style, out};
    write_title(&page);
    write_limits(&page);
    write_course(&page);
    write_worst_case(&page);
    write_warnings(&page);
    write_trip(&page);
    write_verdict(&page);
}
