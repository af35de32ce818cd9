/* SPDX-License-Identifier: MIT */
#include "tinlatch/report.h"

#include <math.h>
#include <string.h>

#include "chart.h"
#include "words.h"

enum { MARGINS_SHOWN = 10, SAID_SHOWN = 24 };
enum {
    ORIGIN_AT = 71,
    ORIGIN_LEAST = 24
};                    /* a margin's last column: where it has room for most file names */
enum { NARROW = 25 }; /* columns short of the full width: from here on tables fold */
static const double RATE_REACHED = 0.9;

struct page {
    const struct run *run;
    const struct report_style *style;
    FILE *out;
    bool recorded; /* a record does not tell what only the simulated world knew */
};

static size_t columns_of(const struct page *page)
{
    int columns = page->style->columns;
    if (columns <= 0 || columns > REPORT_COLUMNS)
        return REPORT_COLUMNS;
    return columns < REPORT_LEAST ? REPORT_LEAST : (size_t)columns;
}

/* Columns that the terminal lacks of the full width: tables fold by them. */
static size_t missing(const struct page *page)
{
    return REPORT_COLUMNS - columns_of(page);
}

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
        size_t length = line_length(left, columns_of(page) - at);
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

/* A line of its own, set in by two. */
static void wrap_line(const struct page *page, const char *text)
{
    fputs("  ", page->out);
    wrap(page, 4, text);
}

/* `text` on the line as it is, the characters written. */
static size_t write_plain(const struct page *page, const char *text)
{
    char plain[WORD_TEXT], cut[WORD_TEXT];
    words_cut(words_plain(text, plain, sizeof plain), columns_of(page), cut, sizeof cut);
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
    char line[WORD_TEXT], board[160], bench[280] = "", seed[32];
    if (run->rehearsed && style->bench_file)
        snprintf(bench, sizeof bench, ", simulated bench: %.250s",
                 words_base_name(style->bench_file));
    else if (run->bench[0])
        snprintf(bench, sizeof bench, ", %sbench %s", run->rehearsed ? "simulated " : "",
                 run->bench);
    snprintf(line, sizeof line, "%.200s%s%s%s", recipe, words_board(run, board, sizeof board),
             bench, words_seed(run, seed, sizeof seed));
    if (style->colour)
        fputs("\033[1m", page->out);
    if (run->title[0]) {
        bool fits = words_width(run->title) + 3 + words_width(line) <= columns_of(page);
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
        char given[RAIL_GIVEN];
        fputs("  rail ", page->out);
        column(page, limits->rail[i].name, 18);
        wrap(page, 25, rail_given(&limits->rail[i], given));
    }
}

static void write_limits(const struct page *page)
{
    const struct limits *limits = &page->run->limits;
    if (!limits->uses_plate && !limits->uses_supply)
        return;
    heading(page, "Limits");
    fputs("  the lowest of this build, bench, board, recipe\n", page->out);
    for (int i = 0; i < LIMITS; i++)
        if (limit_matters(limits, (enum limit_id)i))
            write_limit(page, (enum limit_id)i);
    if (limits->uses_plate && !limits->has_board)
        wrap_line(page,
                  "no sensor on the board: nothing watches its temperature but the plate's limit");
    write_rails(page);
}

/* --- stages, melts, margins --------------------------------------------------------------- */

/* What the plate did beside what was read of it. */
static void write_plate(const struct page *page)
{
    const struct run *run = page->run;
    char line[WORD_TEXT], a[32], b[32];
    if (run->rehearsed && isfinite(run->peak_true_c) && isfinite(run->peak_read_c)) {
        snprintf(line, sizeof line, "the plate itself peaked at %s; its highest reading was %s",
                 words_value(run->peak_true_c, UNIT_TEMP, a, sizeof a),
                 words_value(run->peak_read_c, UNIT_TEMP, b, sizeof b));
        wrap_line(page, line);
    }
    if (run->asked_ramp_c_s > 0 && run->best_ramp_c_s < RATE_REACHED * run->asked_ramp_c_s) {
        snprintf(line, sizeof line,
                 "the plate never reached the asked rate of %s; its steepest climb was %s",
                 words_value(run->asked_ramp_c_s, UNIT_RAMP, a, sizeof a),
                 words_value(run->best_ramp_c_s, UNIT_RAMP, b, sizeof b));
        wrap_line(page, line);
    }
}

static void write_stage(const struct page *page, const struct run_stage *stage)
{
    char start[16], end[16], lasts[32], peak[32];
    fputs("  ", page->out);
    column(page, stage->name, missing(page) > NARROW ? 14 : 24);
    fprintf(page->out, "%6s%10s%14s%14s\n", words_time(stage->start_s, start, sizeof start),
            words_time(stage->end_s, end, sizeof end),
            words_length(stage->end_s - stage->start_s, lasts, sizeof lasts),
            words_value(stage->peak_c, UNIT_TEMP, peak, sizeof peak));
}

static void write_stages(const struct page *page)
{
    const struct run *run = page->run;
    if (!run->stage_count)
        return;
    heading(page, "Stages");
    fprintf(page->out, "  (min:s)%*s%10s%14s%14s\n", missing(page) > NARROW ? 7 : 17, "start",
            "end", "lasts", "plate peak");
    for (int32_t i = 0; i < run->stage_count; i++)
        write_stage(page, &run->stage[i]);
    write_plate(page);
}

static void write_true_melt(const struct page *page, const struct run_melt *melt)
{
    char line[256], whole[320], first[16], last[16], apart[32];
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
    snprintf(whole, sizeof whole, "in the simulated world %s", line);
    fputs("    ", page->out);
    wrap(page, 6, whole);
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
        if (run->rehearsed && !page->recorded)
            write_true_melt(page, &run->melt[i]);
    }
}

/* "segment 6", "segments 4 and 6": those whose bits are set. */
static const char *segments_words(uint32_t set, char *text, size_t size)
{
    size_t used = (size_t)snprintf(text, size, set & (set - 1) ? "segments" : "segment");
    const char *before = " ";
    for (int i = 1; set; i++, set >>= 1) {
        if (!(set & 1))
            continue;
        used += (size_t)snprintf(text + used, size - used, "%s%d", before, i);
        before = (set >> 1) & ((set >> 1) - 1) ? ", " : " and ";
    }
    return text;
}

/* When what the joint holds could be lifted. */
static void write_window(const struct page *page, const struct run_joint *joint)
{
    char line[4 * WORD_TEXT], from[16], to[16], half[16], late[32], into[32], last[64], first[64];
    size_t used = 0;
    words_time(joint->last_s, from, sizeof from);
    words_length(joint->last_s - joint->first_s, late, sizeof late);
    used += (size_t)snprintf(line, sizeof line, "%s open from %s", joint->joint, from);
    if (!isnan(joint->lifted_s) && !(joint->lifted_s < joint->last_s))
        used +=
            (size_t)snprintf(line + used, sizeof line - used, " until it was lifted, %s into it",
                             words_length(joint->lifted_s - joint->last_s, into, sizeof into));
    else if (!isnan(joint->freezes_s))
        used +=
            (size_t)snprintf(line + used, sizeof line - used, " to %s, when its first place froze",
                             words_time(joint->freezes_s, to, sizeof to));
    if (!isnan(joint->tenth_s[RUN_TENTHS / 2 - 1]))
        used += (size_t)snprintf(line + used, sizeof line - used, "; half of it was molten at %s",
                                 words_time(joint->tenth_s[RUN_TENTHS / 2 - 1], half, sizeof half));
    if (joint->segments > 1 && joint->last_segments)
        snprintf(line + used, sizeof line - used, "; %s of %d melted last, %s after %s",
                 segments_words(joint->last_segments, last, sizeof last), joint->segments, late,
                 segments_words(joint->first_segments, first, sizeof first));
    fputs("  ", page->out);
    wrap(page, 4, line);
}

static void window_heading(const struct page *page)
{
    char line[80];
    if (page->run->grid_mm > 0)
        snprintf(line, sizeof line, "Lift window, in cells of %g mm\n", page->run->grid_mm);
    else
        snprintf(line, sizeof line, "Lift window, on the coarse grid (finer: --grid 2mm)\n");
    heading(page, line);
}

static void write_windows(const struct page *page)
{
    const struct run *run = page->run;
    bool any = false;
    for (int32_t i = 0; run->rehearsed && i < run->joint_count; i++) {
        const struct run_joint *joint = &run->joint[i];
        char line[WORD_TEXT], first[16];
        if (isnan(joint->first_s))
            continue;
        if (!any)
            window_heading(page);
        any = true;
        if (!isnan(joint->last_s)) {
            write_window(page, joint);
            continue;
        }
        snprintf(line, sizeof line, "%s never open: its first place melted at %s, not all of it",
                 joint->joint, words_time(joint->first_s, first, sizeof first));
        fputs("  ", page->out);
        wrap(page, 4, line);
    }
}

/* What the parts went through in the simulated world; their limits stand among the margins. */
static void write_parts(const struct page *page)
{
    const struct run *run = page->run;
    char value[32], line[WORD_TEXT];
    if (!run->rehearsed || !run->part_count)
        return;
    heading(page, "Parts");
    fprintf(page->out, "%*s%14s\n", missing(page) > NARROW ? 24 : 33, "peak", "steepest rise");
    for (int32_t i = 0; i < run->part_count; i++) {
        const struct run_part *part = &run->part[i];
        fputs("  ", page->out);
        column(page, part->part, missing(page) > NARROW ? 15 : 24);
        fprintf(page->out, "%12s", words_value(part->peak_c, UNIT_TEMP, value, sizeof value));
        fprintf(page->out, "%14s\n", words_value(part->ramp_c_s, UNIT_RAMP, value, sizeof value));
    }
    snprintf(line, sizeof line, "most between two places of one face of a board: %.0f K",
             run->lateral_k);
    wrap_line(page, line);
}

static void write_margin(const struct page *page, const struct run_margin *margin)
{
    char value[32], worst[32], left[32], origin[WORD_TEXT];
    double part = 100 * (margin->value - margin->worst) / margin->value;
    fputs("  ", page->out);
    bool narrow = missing(page) > NARROW;
    column(page, margin->limit, narrow ? 15 : 24);
    fprintf(page->out, "%12s%12s%12s",
            words_value(margin->value, margin->unit, value, sizeof value),
            words_value(margin->worst, margin->unit, worst, sizeof worst),
            words_value(margin->value - margin->worst, margin->unit, left, sizeof left));
    bool beside = columns_of(page) >= ORIGIN_AT + ORIGIN_LEAST;
    if (part < 0)
        fputs("   OVER", page->out);
    else if (part <= 100)
        fprintf(page->out, "  %3.0f %%", floor(part));
    else if (beside)
        fputs("       ", page->out);
    words_origin(page->run, page->style, margin->layer, margin->line, origin, sizeof origin);
    if (beside) {
        fputs("  ", page->out);
        wrap(page, ORIGIN_AT, origin);
        return;
    }
    fputs("\n    ", page->out);
    wrap(page, 6, origin);
}

static void write_margins(const struct page *page)
{
    const struct run *run = page->run;
    if (!run->margin_count)
        return;
    heading(page, "Margins");
    fprintf(page->out, "%*s%12s%12s\n", missing(page) > NARROW ? 22 : 31, "limit", "worst", "left");
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
        words_time(event->at_s, time, sizeof time);
        if (!event->text[0]) {
            fprintf(page->out, "  %8s  %s\n", time, word);
            continue;
        }
        fprintf(page->out, "  %8s  %-9s", time, word);
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

/* Hands first: whoever stands at the bench reads one line before doing something. A step that fails leaves the
 * bench as hot as a trip does. */
static void write_trip(const struct page *page)
{
    const struct run *run = page->run;
    bool left_hot = run->outcome == RUN_FAILED && run->driven && run->hands[0];
    if (!run->tripped && !left_hot)
        return;
    fputc('\n', page->out);
    if (run->hands[0])
        wrap(page, 0, run->hands);
    static const char *const names[] = {"what happened  ", "what to do     ", "then           "};
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

/* Over when the recipe is, touch-safe when it says. */
static void done_sentence(const struct run *run, char *out, size_t size)
{
    char time[32], safe[16], until[48] = "", left[32];
    words_length(run->recipe_s, time, sizeof time);
    if (run->limits.uses_plate && run->duration_s > run->recipe_s + 1)
        snprintf(until, sizeof until, ", touch-safe at %s",
                 words_time(run->duration_s, safe, sizeof safe));
    const struct run_margin *margin = run->margin_count ? &run->margin[0] : NULL;
    if (margin && margin->worst > margin->value)
        snprintf(out, size, "done in %s%s, but %s went over its limit", time, until, margin->limit);
    else if (margin)
        snprintf(out, size, "done in %s%s; every limit kept, nearest: %s, %s left", time, until,
                 margin->limit,
                 words_value(margin->value - margin->worst, margin->unit, left, sizeof left));
    else
        snprintf(out, size, "done in %s%s", time, until);
}

/* Where the error that stands above it has its place, "" if nowhere. */
static void failed_place(const struct tl_error *error, char *out, size_t size)
{
    out[0] = '\0';
    if (error->file[0] && error->line > 0)
        snprintf(out, size, " in %.120s:%d", words_base_name(error->file), error->line);
}

/* The error stands above: only when and where. */
static bool short_sentence(const struct run *run, char *out, size_t size)
{
    char time[16], place[160];
    failed_place(&run->error, place, sizeof place);
    switch (run->outcome) {
    case RUN_FAILED:
        snprintf(out, size, "failed at %s%s", words_time(run->recipe_s, time, sizeof time), place);
        return true;
    case RUN_REFUSED:
        snprintf(out, size, "refused%s, nothing was heated", place);
        return true;
    case RUN_DEVICE:
        snprintf(out, size, "an instrument is missing or wrong, nothing was heated");
        return true;
    case RUN_INVALID:
        snprintf(out, size, "invalid%s", place);
        return true;
    case RUN_DONE:
    case RUN_TRIPPED:
    case RUN_STOPPED:
    case OUTCOMES:
        break;
    }
    return false;
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
        snprintf(out, size, "tripped by %s at %s; neither heat nor supply was granted any more",
                 trip_id(run), words_time(run->trip_s, time, sizeof time));
        return;
    case RUN_STOPPED:
        snprintf(out, size, "stopped at %s; neither heat nor supply was granted any more",
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

/* A mistake that came before anything was driven: nothing else is worth reading. */
static bool never_began(const struct run *run)
{
    bool wrong = run->outcome == RUN_FAILED || run->outcome == RUN_REFUSED ||
                 run->outcome == RUN_DEVICE || run->outcome == RUN_INVALID;
    return wrong && !run->driven && !run->tripped;
}

/* Whole where it fits the full width, to be copied: a narrow terminal breaks it itself. */
static void write_path(const struct page *page, const char *what, const char *path)
{
    struct report_style full = *page->style;
    full.columns = REPORT_COLUMNS;
    fprintf(page->out, "%s ", what);
    wrap(&(struct page){page->run, &full, page->out, page->recorded}, strlen(what) + 1, path);
}

/* Where the run can be looked at again. */
static void write_files(const struct page *page)
{
    const struct run *run = page->run;
    bool kept = run->record[0] && !never_began(run);
    if (!kept && !page->style->wrote[0])
        return;
    fputs(page->style->colour ? "\n\033[2m" : "\n", page->out);
    if (kept)
        write_path(page, "record", run->record);
    for (int i = 0; i < REPORT_WROTE && page->style->wrote[i]; i++)
        write_path(page, "wrote", page->style->wrote[i]);
    if (page->style->colour)
        fputs("\033[0m", page->out);
}

static void write_error(const struct page *page)
{
    if (page->style->error_shown)
        fprintf(page->out, "\n%s", page->style->error_shown);
}

static void write_verdict(const struct page *page)
{
    char sentence[WORD_TEXT];
    const char *what = page->run->rehearsed ? "Rehearsal: " : "Run: ";
    if (!page->style->error_shown || !short_sentence(page->run, sentence, sizeof sentence))
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
    if (page->run->point_count > 1) {
        fputc('\n', page->out);
        chart_write(page->run, (int)columns_of(page), page->out);
    }
    write_melts(page);
    write_windows(page);
    write_parts(page);
    if (!page->style->header_only)
        write_said(page);
    write_margins(page);
}

void report_text(const struct run *run, const struct report_style *style, FILE *out)
{
    const struct page page = {run, style, out, false};
    write_title(&page);
    write_trip(&page);
    if (!never_began(run)) {
        write_limits(&page);
        write_course(&page);
        write_worst_case(&page);
    }
    write_warnings(&page);
    write_files(&page);
    write_error(&page);
    write_verdict(&page);
}

/* --- a record ------------------------------------------------------------------------------- */

static const char *when_word(enum history_when when)
{
    switch (when) {
    case WHEN_BEFORE:
        return "before";
    case WHEN_DURING:
        return "during";
    case WHEN_AFTER:
        break;
    }
    return "after";
}

static void write_values(const struct page *page, const struct history *history)
{
    for (int32_t i = 0; i < history->value_count; i++) {
        const struct history_value *value = &history->value[i];
        char line[WORD_TEXT];
        if (i == 0)
            heading(page, "Measured\n");
        snprintf(line, sizeof line, "%s %.6g %s", value->name, value->value, value->unit);
        fprintf(page->out, "  %-8s", when_word(value->when));
        wrap(page, 10, line);
    }
}

static void write_job(const struct page *page, const struct history *history)
{
    for (int32_t i = 0; i < history->job_count; i++) {
        const struct history_job *job = &history->job[i];
        if (i == 0)
            heading(page, "The job\n");
        fputs("  ", page->out);
        column(page, job->name, 14);
        char cycle[32];
        snprintf(cycle, sizeof cycle, "%.0f of this serial", job->value);
        wrap(page, 16, strcmp(job->name, "heat cycle") == 0 ? cycle : job->text);
    }
}

static void write_source(const struct page *page)
{
    char text[WORD_TEXT];
    const char *name;
    for (int row = 0; (name = words_source(&page->run->source, row, text, sizeof text)); row++) {
        if (row == 0)
            heading(page, "Recipe\n");
        fputs("  ", page->out);
        column(page, name, 14);
        wrap(page, 16, text);
    }
}

void report_history(const struct history *history, const struct report_style *style, FILE *out)
{
    const struct run *run = &history->run;
    const struct page page = {run, style, out, true};
    write_title(&page);
    write_trip(&page);
    if (!never_began(run)) {
        write_limits(&page);
        write_course(&page);
    }
    write_values(&page, history);
    write_job(&page, history);
    write_source(&page);
    write_warnings(&page);
    write_files(&page);
    if (history->ended)
        write_verdict(&page);
    else
        fputs(history->goes_on ? "\nthe run goes on: its record has no end yet\n"
                               : "\nthe record was cut off: it does not tell how the run ended\n",
              out);
}
