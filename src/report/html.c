/* SPDX-License-Identifier: MIT */
/* A run as one page that needs nothing else; and one sheet for the owner of the device. */
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "chart.h"
#include "page.h"
#include "page_css.h"
#include "page_js.h"
#include "tinlatch/profile.h"
#include "tinlatch/report.h"
#include "words.h"

enum { BUCKETS = 300, LEADED_LEAST_C = 178, HANDS_S = 10 };

/* ---- pieces ------------------------------------------------------------------------------------ */

void page_put(FILE *out, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    vfprintf(out, format, args);
    va_end(args);
}

/* What a meter shows: three to four digits and a prefix. */
const char *page_measured(double value, const char *unit, char *out, size_t size)
{
    static const struct {
        double from, by;
        const char *prefix;
    } steps[] = {{1e6, 1e-6, "M"}, {1e3, 1e-3, "k"}, {1, 1, ""}, {0, 1e3, "m"}};
    bool ohm = strcmp(unit, "ohm") == 0;
    bool scaled = ohm || !strcmp(unit, "V") || !strcmp(unit, "A");
    if (isnan(value)) {
        snprintf(out, size, "-");
    } else if (!scaled || value == 0) {
        snprintf(out, size, "%.4g %s", value, ohm ? "Ω" : unit);
    } else {
        size_t i = 0;
        while (i + 1 < sizeof steps / sizeof steps[0] && fabs(value) < steps[i].from)
            i++;
        snprintf(out, size, "%.4g %s%s", value * steps[i].by, steps[i].prefix, ohm ? "Ω" : unit);
    }
    return out;
}

static void text_cell(FILE *out, const char *text)
{
    fputs("<td>", out);
    report_markup(out, text);
    fputs("</td>", out);
}

/* "190.0 C" as a page writes it. */
static void put_degrees(FILE *out, const char *text)
{
    for (const char *c = text; *c; c++)
        page_put(out, c > text && c[-1] == ' ' && *c == 'C' ? "°%c" : "%c", *c);
}

static void value_cell(FILE *out, double value, enum unit unit)
{
    char text[32];
    words_value(value, unit, text, sizeof text);
    page_put(out, "<td class=\"n\">");
    put_degrees(out, text);
    page_put(out, "</td>");
}

bool page_has_joint(const struct history *h, int joint)
{
    for (int32_t i = 0; i < h->point_count; i++)
        if (!isnan((double)h->point[i].joint_c[joint]))
            return true;
    return false;
}

bool page_was_fed(const struct history *h)
{
    for (int32_t i = 0; i < h->point_count; i++)
        if ((double)h->point[i].volts > 0.05 || (double)h->point[i].amps > 0.005)
            return true;
    return false;
}

const char *page_when(const struct history *h, char out[64])
{
    time_t began = (time_t)h->start.wall_s;
    struct tm tm;
    out[0] = '\0';
    if (h->start.wall_s > 0 && localtime_r(&began, &tm))
        strftime(out, 64, "%Y-%m-%d %H:%M", &tm);
    return out;
}

/* ---- which scans are points -------------------------------------------------------------------- */

static void keep_extremes(const struct history *h, int32_t from, int32_t to, bool *kept)
{
    enum { LINES = 5 };
    int32_t low[LINES] = {-1, -1, -1, -1, -1}, high[LINES] = {-1, -1, -1, -1, -1};
    double least[LINES], most[LINES];
    for (int32_t i = from; i < to; i++) {
        const struct history_point *p = &h->point[i];
        const double values[LINES] = {(double)p->plate_c, (double)p->board_c, (double)p->joint_c[0],
                                      (double)p->volts, (double)p->amps};
        for (int k = 0; k < LINES; k++) {
            if (isnan(values[k]))
                continue;
            if (low[k] < 0 || values[k] < least[k]) {
                low[k] = i;
                least[k] = values[k];
            }
            if (high[k] < 0 || values[k] > most[k]) {
                high[k] = i;
                most[k] = values[k];
            }
        }
    }
    kept[from] = true;
    for (int k = 0; k < LINES; k++)
        if (low[k] >= 0)
            kept[low[k]] = kept[high[k]] = true;
}

/* A curve of an hour has more scans than a page has pixels: of each piece its first point and every curve's highest and
 * lowest are kept, so that no peak is lost. */
static int choose_rows(struct page *page)
{
    const struct history *h = page->h;
    int32_t count = 0;
    bool *kept = calloc((size_t)h->point_count + 1, sizeof *kept);
    page->row = calloc((size_t)h->point_count + 1, sizeof *page->row);
    if (!kept || !page->row) {
        free(kept);
        free(page->row);
        return TL_SYSTEM;
    }
    while (count < h->point_count && (double)h->point[count].t_s <= page->span_s + 0.05)
        count++;
    for (int bucket = 0; bucket < BUCKETS && count > 0; bucket++) {
        int32_t from = (int32_t)((int64_t)count * bucket / BUCKETS);
        int32_t to = (int32_t)((int64_t)count * (bucket + 1) / BUCKETS);
        if (to > from)
            keep_extremes(h, from, to, kept);
    }
    if (count > 0)
        kept[count - 1] = true;
    for (int32_t i = 0; i < count; i++)
        if (kept[i])
            page->row[page->rows++] = i;
    free(kept);
    return 0;
}

static int page_open(struct page *page, const struct history *h, FILE *out)
{
    *page = (struct page){.h = h, .out = out, .span_s = h->run.duration_s, .top_c = 100};
    if (h->run.limits.uses_plate && h->run.point_count > 1) {
        page->span_s = chart_span_s(&h->run);
        page->top_c = chart_top_c(&h->run);
    }
    page->span_s = page->span_s > 1 ? page->span_s : 1;
    return choose_rows(page);
}

/* ---- head -------------------------------------------------------------------------------------- */

void page_head(FILE *out, const struct history *h, const char *what, bool scripted)
{
    page_put(out,
             "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
             "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
             "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src "
             "'unsafe-inline'; script-src %s; base-uri 'none'; form-action 'none'\">\n<title>",
             scripted ? "'unsafe-inline'" : "'none'");
    report_markup(out, h->run.title[0] ? h->run.title : h->run.recipe);
    page_put(out, " – %s</title>\n<style>\n", what);
    fwrite(page_css, 1, sizeof page_css, out);
    page_put(out, "</style>\n</head>\n");
}

const char *page_verdict_class(const struct history *h)
{
    if (!h->ended)
        return "mild";
    switch (h->run.outcome) {
    case RUN_DONE:
        return "good";
    case RUN_STOPPED:
        return "mild";
    case RUN_FAILED:
    case RUN_INVALID:
    case RUN_TRIPPED:
    case RUN_REFUSED:
    case RUN_DEVICE:
    case OUTCOMES:
        break;
    }
    return "bad";
}

static void write_title(const struct page *page)
{
    const struct history *h = page->h;
    const struct run *run = &h->run;
    char when[64], lasted[32];
    page_put(page->out, "<header class=\"top\"><div><h1>");
    report_markup(page->out, run->title[0] ? run->title : words_base_name(run->recipe));
    page_put(page->out, "</h1><p class=\"sub\">");
    if (run->rehearsed)
        page_put(page->out, "<b>Rehearsal on the simulated bench: nothing was heated.</b> ");
    if (run->board[0]) {
        page_put(page->out, "Board ");
        report_markup(page->out, run->board);
    }
    if (run->serial[0]) {
        page_put(page->out, ", serial ");
        report_markup(page->out, run->serial);
    }
    page_put(page->out, "%s", run->board[0] ? " · " : "");
    report_markup(page->out, words_base_name(run->recipe));
    page_put(page->out, " · bench ");
    report_markup(page->out, run->bench);
    if (page_when(h, when)[0])
        page_put(page->out, " · %s", when);
    page_put(page->out, " · <span class=\"nowrap\">%s</span>",
             words_length(run->duration_s, lasted, sizeof lasted));
    page_put(page->out, "</p></div><div class=\"verdict %s\">%s</div></header>\n",
             page_verdict_class(h),
             h->ended     ? outcome_name(run->outcome)
             : h->goes_on ? "goes on"
                          : "cut off");
}

static void tile(FILE *out, const char *name, const char *value, const char *more)
{
    page_put(out, "<li><span>%s</span><b>%s</b><span>", name, value);
    report_markup(out, more);
    page_put(out, "</span></li>\n");
}

static void temp_tile(FILE *out, const char *name, double value_c, const char *more)
{
    char text[32];
    if (isnan(value_c))
        return;
    snprintf(text, sizeof text, "%.1f °C", value_c);
    tile(out, name, text, more);
}

static double limit_c(int32_t mc)
{
    return mc / 1000.0;
}

static void supply_tile(const struct page *page)
{
    const struct history *h = page->h;
    double volts = 0, amps = 0;
    char text[64], more[64];
    if (!page_was_fed(h))
        return;
    for (int32_t i = 0; i < h->point_count; i++) {
        volts = fmax(volts, (double)h->point[i].volts);
        amps = fmax(amps, (double)h->point[i].amps);
    }
    snprintf(text, sizeof text, "%.2f A", amps);
    snprintf(more, sizeof more, "at most, and %.2f V", volts);
    tile(page->out, "supply", text, more);
}

static void write_tiles(const struct page *page)
{
    const struct history *h = page->h;
    const struct run *run = &h->run;
    char text[64], more[160];
    page_put(page->out, "<ul class=\"tiles\">\n");
    snprintf(more, sizeof more, "limit %.0f °C", limit_c(run->limits.plate_mc));
    if (run->limits.uses_plate)
        temp_tile(page->out, "plate, highest", run->peak_read_c, more);
    snprintf(more, sizeof more, "limit %.0f °C", limit_c(run->limits.board_mc));
    temp_tile(page->out, "board, highest", run->peak_board_c, more);
    if (run->melt_count > 0) {
        snprintf(more, sizeof more, "%s counts as molten", run->melt[0].joint);
        tile(page->out, "molten at", words_time(run->melt[0].at_s, text, sizeof text), more);
    }
    if (!isnan(h->heat_first_s)) {
        char whole[32];
        snprintf(more, sizeof more, "of %s allowed",
                 words_length(run->limits.heat_time_ms / 1000.0, whole, sizeof whole));
        tile(page->out, "heated for",
             words_length(h->heat_last_s - h->heat_first_s, text, sizeof text), more);
    }
    supply_tile(page);
    if (run->margin_count > 0) {
        const struct run_margin *m = &run->margin[0];
        double left = 100 * (m->value - m->worst) / m->value;
        snprintf(text, sizeof text, left < 0 ? "passed" : "%.0f %%", floor(left));
        snprintf(more, sizeof more, left < 0 ? "the %s limit" : "of the %s limit left", m->limit);
        tile(page->out, "nearest limit", text, more);
    }
    page_put(page->out, "</ul>\n");
}

static void box_line(FILE *out, const char *text)
{
    size_t length = strlen(text);
    char sentence[4 * WORD_TEXT];
    if (!length)
        return;
    snprintf(sentence, sizeof sentence, "%s%s", text, strchr(".!?:", text[length - 1]) ? "" : ".");
    if (sentence[0] >= 'a' && sentence[0] <= 'z')
        sentence[0] = (char)(sentence[0] - 'a' + 'A');
    page_put(out, "<p>");
    report_markup(out, sentence);
    page_put(out, "</p>\n");
}

/* What went wrong: the hands first, as at the bench. */
static void write_trouble(const struct page *page)
{
    const struct history *h = page->h;
    const struct run *run = &h->run;
    if (!h->ended) {
        page_put(page->out, "<div class=\"box mild\"><p>%s</p></div>\n",
                 h->goes_on ? "The run goes on: its record has no end yet."
                            : "The record was cut off: it does not tell how the run ended.");
        return;
    }
    if (!run->tripped && run->outcome == RUN_DONE)
        return;
    page_put(page->out, "<div class=\"box %s\">\n", page_verdict_class(h));
    box_line(page->out, run->hands);
    box_line(page->out, run->trip_words.what);
    box_line(page->out, run->error.text);
    box_line(page->out, run->error.hint);
    box_line(page->out, run->trip_words.act);
    box_line(page->out, run->trip_words.inspect);
    page_put(page->out, "</div>\n");
}

static void warning_box(FILE *out, const char *text)
{
    page_put(out, "<div class=\"box mild\">");
    box_line(out, text);
    page_put(out, "</div>\n");
}

static void write_warnings(const struct page *page)
{
    const struct run *run = &page->h->run;
    for (int32_t i = 0; i < run->warning_count; i++)
        warning_box(page->out, run->warning[i]);
    for (int32_t i = 0; i < page->h->job_count; i++)
        if (!strcmp(page->h->job[i].name, "warning"))
            warning_box(page->out, page->h->job[i].text);
}

/* ---- tables ------------------------------------------------------------------------------------ */

static void write_stages(const struct page *page)
{
    const struct run *run = &page->h->run;
    char a[32], b[32];
    if (!run->stage_count)
        return;
    page_put(page->out, "<h2>Stages</h2>\n<table><thead><tr><th>stage<th class=\"n\">from<th "
                        "class=\"n\">lasted<th class=\"n\">plate, highest</tr></thead><tbody>\n");
    for (int32_t i = 0; i < run->stage_count; i++) {
        const struct run_stage *stage = &run->stage[i];
        page_put(page->out, "<tr>");
        text_cell(page->out, stage->name);
        page_put(page->out, "<td class=\"n\">%s<td class=\"n\">%s",
                 words_time(stage->start_s, a, sizeof a),
                 words_length(stage->end_s - stage->start_s, b, sizeof b));
        value_cell(page->out, stage->peak_c, UNIT_TEMP);
        page_put(page->out, "</tr>\n");
    }
    page_put(page->out, "</tbody></table>\n");
}

static void write_melt_map(const struct page *page)
{
    const struct history *h = page->h;
    if (!h->melt_map || !h->melt_map->places)
        return;
    page_put(page->out, "<h2>When each place of the joint melted</h2>\n<figure>\n");
    page_melt_map(h->melt_map, page->out);
    page_put(page->out, "<figcaption>%s</figcaption></figure>\n",
             h->run.rehearsed
                 ? "In the simulated world of this rehearsal."
                 : "As the rehearsal before the run foresaw it: no sensor sees solder melt.");
}

static void write_melts(const struct page *page)
{
    const struct history *h = page->h;
    char time[32];
    for (int32_t i = 0; i < h->run.melt_count; i++) {
        const struct run_melt *melt = &h->run.melt[i];
        page_put(page->out, "%s<p><b>", i ? "" : "<h2>Melting</h2>\n");
        report_markup(page->out, melt->joint);
        page_put(page->out,
                 "</b> counts as molten at %s: ", words_time(melt->at_s, time, sizeof time));
        report_markup(page->out, melt->how);
        page_put(page->out, ".</p>\n");
    }
    for (int32_t i = 0; i < h->joint_count; i++) {
        const struct history_joint *joint = &h->joint[i];
        page_put(page->out, "<p><small>By the board file the joint ");
        report_markup(page->out, joint->name);
        page_put(page->out, " is ");
        report_markup(page->out, joint->alloy);
        page_put(page->out, ": solid below %.0f °C, molten above %.0f °C.</small></p>\n",
                 joint->solidus_c, joint->liquidus_c);
    }
}

/* A figure beside what the standard allows: least and most, 0 = says nothing, or nothing of such an alloy. */
static void write_figure(FILE *out, const char *name, double board, double joint, bool has_joint,
                         enum unit unit, double least, double most)
{
    char text[80] = "", low[32], high[32];
    bool outside = (least > 0 && board < least) || (most > 0 && board > most);
    words_value(least, unit, low, sizeof low);
    words_value(most, unit, high, sizeof high);
    if (least > 0 && most > 0)
        snprintf(text, sizeof text, "%s to %s", low, high);
    else if (most > 0)
        snprintf(text, sizeof text, "at most %s", high);
    page_put(out, "<tr><td>%s</td>", name);
    value_cell(out, board, unit);
    if (has_joint)
        value_cell(out, joint, unit);
    page_put(out, "<td class=\"n\">");
    put_degrees(out, text);
    page_put(out, "</td><td>%s</td></tr>\n",
             !text[0] || isnan(board) ? ""
             : outside                ? "outside"
                                      : "within");
}

/* Hands on the board move its sensor, and what it is on: no slope of the board's. */
static void leave_out_hands(const struct history *h, struct profile_point *point)
{
    for (int32_t k = 0; k < h->event_count; k++) {
        const struct history_event *event = &h->event[k];
        if (strcmp(event->kind, "do") != 0 || isnan(event->answered_s))
            continue;
        for (int32_t i = 0; i < h->point_count; i++)
            if (point[i].t_s >= event->at_s && point[i].t_s < event->answered_s + HANDS_S)
                point[i].temp_c = (double)NAN;
    }
}

static void measure(const struct history *h, const struct profile_zones *zones, bool joint,
                    struct profile_point *point, struct profile_figures *figures)
{
    for (int32_t i = 0; i < h->point_count; i++) {
        const struct history_point *p = &h->point[i];
        point[i] =
            (struct profile_point){(double)p->t_s, (double)(joint ? p->joint_c[0] : p->board_c)};
    }
    struct profile_figures calm;
    profile_measure(point, h->point_count, zones, figures);
    leave_out_hands(h, point);
    profile_measure(point, h->point_count, zones, &calm);
    figures->ramp_up_c_s = calm.ramp_up_c_s;
    figures->ramp_down_c_s = calm.ramp_down_c_s;
    figures->ramp_to_solid_c_s = calm.ramp_to_solid_c_s;
}

/* The board's own curve, or the plate's where nothing is read on the board. */
static void write_profile(const struct page *page)
{
    const struct history *h = page->h;
    struct profile_figures b, j;
    bool joint = page_has_joint(h, 0), leaded = h->joint_count > 0 && h->joint[0].liquidus_c < 200;
    struct profile_allowed allowed_here = *profile_allowed(leaded), *allowed = &allowed_here;
    struct profile_zones zones = allowed->zones;
    bool low_melting = h->joint_count > 0 && h->joint[0].liquidus_c < LEADED_LEAST_C;
    if (low_melting) /* the standard has no class for it: what remains is what parts bear */
        allowed_here = (struct profile_allowed){.ramp_up_most_c_s = allowed->ramp_up_most_c_s,
                                                .ramp_down_most_c_s = allowed->ramp_down_most_c_s};
    struct profile_point *point = malloc((size_t)(h->point_count + 1) * sizeof *point);
    if (!point || !h->run.limits.has_board || isnan(h->heat_first_s)) {
        free(point);
        return;
    }
    if (h->joint_count > 0)
        zones.liquidus_c = h->joint[0].liquidus_c;
    measure(h, &zones, false, point, &b);
    measure(h, &zones, true, point, &j);
    free(point);
    FILE *out = page->out;
    page_put(
        out,
        "<h2>Profile</h2>\n<div class=\"wide\"><table><thead><tr><th>figure<th class=\"n\">board, "
        "read%s<th class=\"n\">J-STD-020, %s<th>board</tr></thead><tbody>\n",
        joint ? "<th class=\"n\">joint, estimated" : "",
        low_melting ? "any alloy"
        : leaded    ? "SnPb"
                    : "lead-free");
    char name[96];
    write_figure(out, "highest", b.peak_c, j.peak_c, joint, UNIT_TEMP, 0, 0);
    write_figure(out, "steepest rise, over 5 s", b.ramp_up_c_s, j.ramp_up_c_s, joint, UNIT_RAMP, 0,
                 allowed->ramp_up_most_c_s);
    write_figure(out, "mean rise, liquidus to the highest", b.ramp_to_peak_c_s, j.ramp_to_peak_c_s,
                 joint, UNIT_RAMP, 0, allowed->ramp_up_most_c_s);
    snprintf(name, sizeof name, "soak, %.0f to %.0f °C", zones.soak_low_c, zones.soak_high_c);
    write_figure(out, name, b.soak_s, j.soak_s, joint, UNIT_TIME, allowed->soak_least_s,
                 allowed->soak_most_s);
    snprintf(name, sizeof name, "above liquidus, %.0f °C", zones.liquidus_c);
    write_figure(out, name, b.above_liquidus_s, j.above_liquidus_s, joint, UNIT_TIME,
                 allowed->above_least_s, allowed->above_most_s);
    write_figure(out, "within 5 K of the highest", b.near_peak_s, j.near_peak_s, joint, UNIT_TIME,
                 0, 0);
    write_figure(out, "25 °C to the highest", b.to_peak_s, j.to_peak_s, joint, UNIT_TIME, 0,
                 allowed->to_peak_most_s);
    write_figure(out, "steepest fall, over 5 s", b.ramp_down_c_s, j.ramp_down_c_s, joint, UNIT_RAMP,
                 0, allowed->ramp_down_most_c_s);
    write_figure(out, "mean fall, the highest to liquidus", b.ramp_to_solid_c_s,
                 j.ramp_to_solid_c_s, joint, UNIT_RAMP, 0, allowed->ramp_down_most_c_s);
    page_put(
        out,
        "</tbody></table></div>\n<p><small>The standard's figures classify parts and are no "
        "recipe: "
        "stacked boards and low-melting alloys are often slower and cooler. A dash: it was never "
        "that hot. Slopes leave out hands on the board and %d s after them, when its sensor is "
        "moved.</small></p>\n",
        HANDS_S);
}

static void write_margins(const struct page *page)
{
    const struct run *run = &page->h->run;
    if (!run->margin_count)
        return;
    page_put(page->out,
             "<h2>Margins</h2>\n<table><thead><tr><th>limit<th class=\"n\">allowed<th "
             "class=\"n\">reached<th class=\"n\">left<th>share used</tr></thead><tbody>\n");
    for (int32_t i = 0; i < run->margin_count; i++) {
        const struct run_margin *m = &run->margin[i];
        double share = 100 * m->worst / m->value;
        page_put(page->out, "<tr>");
        text_cell(page->out, m->limit);
        value_cell(page->out, m->value, m->unit);
        value_cell(page->out, m->worst, m->unit);
        value_cell(page->out, m->value - m->worst, m->unit);
        page_put(page->out,
                 "<td><span class=\"meter\" title=\"%.0f %%\"><i%s "
                 "style=\"width:%.1f%%\"></i></span></td></tr>\n",
                 share, share > 100 ? " class=\"over\"" : "", fmin(fmax(share, 0), 100));
    }
    page_put(page->out, "</tbody></table>\n");
}

static void write_rails(const struct page *page)
{
    const struct limits *limits = &page->h->run.limits;
    for (int32_t i = 0; i < limits->rail_count && limits->uses_supply; i++) {
        char given[RAIL_GIVEN];
        page_put(page->out, "%s<tr>",
                 i ? "" : "<table><thead><tr><th>rail<th>may be given</tr></thead><tbody>\n");
        text_cell(page->out, limits->rail[i].name);
        text_cell(page->out, rail_given(&limits->rail[i], given));
        page_put(page->out, "</tr>\n%s", i + 1 < limits->rail_count ? "" : "</tbody></table>\n");
    }
}

static void write_limits(const struct page *page, const struct report_style *style)
{
    const struct run *run = &page->h->run;
    page_put(page->out, "<h2>Limits</h2>\n<table><thead><tr><th>limit<th class=\"n\">value<th>from"
                        "</tr></thead><tbody>\n");
    for (enum limit_id id = 0; id < LIMITS; id++) {
        char origin[WORD_TEXT];
        if (!limit_matters(&run->limits, id))
            continue;
        words_origin(run, style, (int32_t)run->origins.of[id].layer, run->origins.of[id].line,
                     origin, sizeof origin);
        page_put(page->out, "<tr><td>%s</td>", words_limit(id));
        value_cell(page->out, (double)limits_get(&run->limits, id) / limit_scale(id),
                   limit_unit(id));
        text_cell(page->out, origin);
        page_put(page->out, "</tr>\n");
    }
    page_put(page->out,
             "</tbody></table>\n<p><small>The tightest of this build, the bench, the board and the "
             "recipe, as merged before anything was driven.</small></p>\n");
    write_rails(page);
}

/* ---- what was measured ------------------------------------------------------------------------- */

/* The last of that name and unit; NULL = there is none. */
const struct history_value *page_value(const struct history *h, enum history_when when,
                                       const struct history_value *like)
{
    const struct history_value *found = NULL;
    for (int32_t i = 0; i < h->value_count; i++) {
        const struct history_value *value = &h->value[i];
        if (value->when == when && !strcmp(value->name, like->name) &&
            !strcmp(value->unit, like->unit))
            found = value;
    }
    return found;
}

/* Is this the first of its name and unit? */
static bool is_first(const struct history *h, int32_t index)
{
    for (int32_t i = 0; i < index; i++)
        if (!strcmp(h->value[i].name, h->value[index].name) &&
            !strcmp(h->value[i].unit, h->value[index].unit))
            return false;
    return true;
}

static void measured_cell(FILE *out, const struct history_value *value)
{
    char text[48];
    page_put(out, "<td class=\"n\">");
    report_markup(out, value ? page_measured(value->value, value->unit, text, sizeof text) : "–");
    page_put(out, "</td>");
}

int page_measured_rows(FILE *out, const struct history *h, bool during)
{
    int rows = 0;
    for (int32_t i = 0; i < h->value_count; i++) {
        if (!is_first(h, i))
            continue;
        const struct history_value *before = page_value(h, WHEN_BEFORE, &h->value[i]);
        const struct history_value *while_run = page_value(h, WHEN_DURING, &h->value[i]);
        const struct history_value *after = page_value(h, WHEN_AFTER, &h->value[i]);
        if (!during && !before && !after)
            continue;
        page_put(out, "<tr>");
        text_cell(out, h->value[i].name);
        measured_cell(out, before);
        if (during)
            measured_cell(out, while_run);
        measured_cell(out, after);
        if (before && after && before->value != 0)
            page_put(out, "<td class=\"n\">%+.1f %%</td>",
                     100 * (after->value - before->value) / fabs(before->value));
        else
            page_put(out, "<td class=\"n\">–</td>");
        page_put(out, "</tr>\n");
        rows++;
    }
    return rows;
}

static void write_measured(const struct page *page)
{
    if (!page->h->value_count)
        return;
    page_put(page->out,
             "<h2>Measured</h2>\n<table><thead><tr><th>what<th class=\"n\">before<th "
             "class=\"n\">during<th class=\"n\">after<th class=\"n\">change</tr></thead><tbody>\n");
    page_measured_rows(page->out, page->h, true);
    page_put(page->out, "</tbody></table>\n");
}

static void write_job_rows(const struct page *page)
{
    for (int32_t i = 0; i < page->h->job_count; i++) {
        const struct history_job *job = &page->h->job[i];
        page_put(page->out, "<tr><td class=\"nowrap\">");
        report_markup(page->out, job->name);
        page_put(page->out, "</td><td>");
        if (!strcmp(job->name, "heat cycle"))
            page_put(page->out, "%.0f of this serial by these records (common limit: %d)",
                     job->value, PAGE_CYCLES_COMMON);
        report_markup(page->out, job->text);
        page_put(page->out, "</td></tr>\n");
    }
}

static void write_job(const struct page *page)
{
    if (!page->h->job_count)
        return;
    page_put(page->out, "<h2>The job</h2>\n<table><tbody>\n");
    write_job_rows(page);
    page_put(page->out, "</tbody></table>\n");
}

static void write_source(const struct page *page)
{
    char text[WORD_TEXT];
    const char *name;
    for (int row = 0; (name = words_source(&page->h->run.source, row, text, sizeof text)); row++) {
        page_put(page->out, "%s<tr><td class=\"nowrap\">%s</td><td class=\"mono\">",
                 row ? "" : "<h2>Recipe</h2>\n<table><tbody>\n", name);
        report_markup(page->out, text);
        page_put(page->out, "</td></tr>\n");
    }
    if (page->h->run.source.text[RUN_SHA256][0])
        page_put(page->out, "</tbody></table>\n");
}

/* ---- what was said ----------------------------------------------------------------------------- */

static void write_said(const struct page *page)
{
    const struct history *h = page->h;
    page_put(page->out,
             "<h2>At the bench</h2>\n<div class=\"wide\"><table><thead><tr><th class=\"n\">time<th>"
             "<th>what<th>text<th>answer<th class=\"n\">line</tr></thead><tbody>\n");
    for (int32_t i = 0; i < h->event_count; i++) {
        const struct history_event *event = &h->event[i];
        char time[16];
        int number = plot_mark(h, i);
        page_put(page->out, "<tr><td class=\"n\">%s</td>",
                 words_time(event->at_s, time, sizeof time));
        if (number)
            page_put(page->out, "<td class=\"n\"><small>(%d)</small></td>", number);
        else
            page_put(page->out, "<td></td>");
        text_cell(page->out, event->kind);
        text_cell(page->out, event->text);
        page_put(page->out, "<td class=\"nowrap\">");
        report_markup(page->out, event->answer);
        page_put(page->out, "</td>");
        if (event->line > 0)
            page_put(page->out, "<td class=\"n\">%d</td></tr>\n", (int)event->line);
        else
            page_put(page->out, "<td></td></tr>\n");
    }
    page_put(page->out,
             "</tbody></table></div>\n<p><small>The numbers in brackets are those of the chart; "
             "the lines are the recipe's.</small></p>\n");
}

static void write_foot(const struct page *page, const struct record_verdict *verdict)
{
    const struct history *h = page->h;
    page_put(page->out, "<footer>\n");
    if (verdict->bad_line) {
        page_put(page->out, "<p class=\"bad\"><b>This record does not verify: line %lld: ",
                 (long long)verdict->bad_line);
        report_markup(page->out, verdict->why);
        page_put(page->out, "</b></p>\n");
    } else {
        page_put(page->out,
                 "<p>The record holds: each of its %lld lines is the one that was written, and at "
                 "all %lld scans the interlock, given the same readings again, decides the "
                 "same.%s</p>\n",
                 (long long)verdict->lines, (long long)verdict->scans,
                 verdict->whole ? "" : " It has no end.");
    }
    page_put(page->out, "<p>Record <span class=\"mono\">");
    report_markup(page->out, words_base_name(h->run.record));
    page_put(page->out, "</span>, fingerprint <span class=\"mono\">%s</span>, written by tinlatch ",
             h->fingerprint);
    report_markup(page->out, h->start.version);
    page_put(page->out, ".</p>\n</footer>\n");
}

int report_html(const struct history *history, const struct record_verdict *verdict,
                const struct report_style *style, FILE *out)
{
    struct page page;
    if (page_open(&page, history, out))
        return TL_SYSTEM;
    page_head(out, history, "run", true);
    page_put(out, "<body>\n");
    write_title(&page);
    write_trouble(&page);
    write_tiles(&page);
    write_warnings(&page);
    if (page.rows > 1) {
        page_put(out, "<h2>Course</h2>\n");
        plot_write(&page);
    }
    write_stages(&page);
    write_melts(&page);
    write_melt_map(&page);
    write_profile(&page);
    write_margins(&page);
    write_measured(&page);
    write_job(&page);
    write_limits(&page, style);
    write_source(&page);
    write_said(&page);
    write_foot(&page, verdict);
    page_put(out, "<script>\n");
    fwrite(page_js, 1, sizeof page_js, out);
    page_put(out, "</script>\n</body>\n</html>\n");
    free(page.row);
    return 0;
}
