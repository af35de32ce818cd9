/* SPDX-License-Identifier: MIT */
#include "tinlatch/report.h"

#include <math.h>
#include <stdarg.h>
#include <string.h>

#include "chart.h"
#include "words.h"

/* The plot, and what lies round it. Everything is drawn at fixed places so that nothing overlaps:
 * stage names above, curve names in a column at the right, events in lanes of their own below. */
enum {
    WIDTH = 900,
    PLOT_X = 62,
    PLOT_WIDE = 676,
    PLOT_RIGHT = PLOT_X + PLOT_WIDE,
    TITLE_HIGH = 58,
    STAGE_ROW = 15,
    STAGE_ROWS = 3,
    PLOT_Y = TITLE_HIGH + STAGE_ROWS * STAGE_ROW + 6,
    PLOT_HIGH = 330,
    PLOT_BOTTOM = PLOT_Y + PLOT_HIGH,
    LANE_Y = PLOT_BOTTOM + 48,
    LANE = 22,
    MELTS_SHOWN = 4,
    TOLD_SHOWN = 24,
    NAME_GAP = 17,
    STAGE_NAME = 26,
};

/* Okabe and Ito's palette: told apart by people who do not see all colours, and on paper by dash. */
struct pen {
    const char *name, *colour, *dash;
    double width;
};
static const struct pen pens[CURVES] = {
    [CURVE_TARGET] = {"target", "#707070", "7 4", 1.4},
    [CURVE_PLATE_READ] = {"plate, read", "#E69F00", "2 3", 2.2},
    [CURVE_PLATE] = {"plate, true", "#D55E00", "none", 2.0},
    [CURVE_BOARD] = {"board, read", "#0072B2", "none", 2.0},
    [CURVE_JOINT] = {"joint, coldest", "#009E73", "9 3 2 3", 2.2},
};

struct picture {
    const struct run *run;
    FILE *out;
    double span_s, top_c;
};

static void say(const struct picture *p, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

static void say(const struct picture *p, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    vfprintf(p->out, format, args);
    va_end(args);
}

/* A stranger's text, at most so many characters of it. */
static void say_text(const struct picture *p, const char *text, size_t columns)
{
    char plain[WORD_TEXT], cut[WORD_TEXT];
    report_markup(p->out,
                  words_cut(words_plain(text, plain, sizeof plain), columns, cut, sizeof cut));
}

static double x_of(const struct picture *p, double t_s)
{
    return PLOT_X + PLOT_WIDE * fmin(fmax(t_s / p->span_s, 0), 1);
}

static double y_of(const struct picture *p, double temp_c)
{
    return PLOT_BOTTOM - PLOT_HIGH * fmin(fmax(temp_c / p->top_c, 0), 1);
}

/* About what a text takes at 12 px; wide enough for the usual sans-serif faces. */
static double text_width(size_t characters)
{
    return 6.9 * (double)characters;
}

static void write_text(const struct picture *p, double x, double y, const char *class_name,
                       const char *text, size_t columns)
{
    say(p, "<text class=\"%s\" x=\"%.1f\" y=\"%.1f\">", class_name, x, y);
    say_text(p, text, columns);
    say(p, "</text>\n");
}

/* --- frame -------------------------------------------------------------------------------- */

static int lanes(const struct run *run)
{
    int melts = run->melt_count < MELTS_SHOWN ? run->melt_count : MELTS_SHOWN;
    return 1 + melts;
}

static void write_head(const struct picture *p, int high)
{
    say(p,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 %d %d\" width=\"%d\" "
        "height=\"%d\" role=\"img\">\n",
        WIDTH, high, WIDTH, high);
    say(p, "<title>");
    say_text(p, p->run->title[0] ? p->run->title : p->run->recipe, 120);
    say(p, "</title>\n<style type=\"text/css\">\n"
           "text{font-family:\"DejaVu Sans\",Verdana,Arial,sans-serif;font-size:12px;fill:#222}\n"
           ".title{font-size:17px;font-weight:bold}\n"
           ".sub,.tick,.lane{fill:#555}\n"
           ".tick{font-size:11px}\n"
           ".right{text-anchor:end}\n"
           ".middle{text-anchor:middle}\n"
           ".limit{paint-order:stroke;stroke:#fff;stroke-width:3px}\n"
           ".curve{fill:none;stroke-linejoin:round;stroke-linecap:round}\n"
           "</style>\n");
    say(p, "<rect width=\"%d\" height=\"%d\" fill=\"#fff\"/>\n", WIDTH, high);
}

static void write_title(const struct picture *p)
{
    const struct run *run = p->run;
    char line[WORD_TEXT], board[160], seed[32];
    snprintf(line, sizeof line, "%s of %.160s%s, %s bench %s%s: %s",
             run->rehearsed ? "rehearsal" : "run", words_base_name(run->recipe),
             words_board(run, board, sizeof board), run->rehearsed ? "simulated" : "real",
             run->bench, words_seed(run, seed, sizeof seed), outcome_name(run->outcome));
    write_text(p, 16, 26, "title", run->title[0] ? run->title : words_base_name(run->recipe), 84);
    if (run->recipe[0]) /* a step test is a record's, of no recipe's run that is shown here */
        write_text(p, 16, 47, "sub", line, 124);
}

/* Names stand over their start, in the lowest row where they do not touch the one before. */
static void write_stages(const struct picture *p)
{
    double taken[STAGE_ROWS] = {0};
    for (int32_t i = 0; i < p->run->stage_count; i++) {
        const struct run_stage *stage = &p->run->stage[i];
        double from = x_of(p, stage->start_s);
        double to = isnan(stage->end_s) ? PLOT_RIGHT : x_of(p, stage->end_s);
        if (i % 2 == 0)
            say(p, "<rect x=\"%.1f\" y=\"%d\" width=\"%.1f\" height=\"%d\" fill=\"#f3f5f8\"/>\n",
                from, PLOT_Y, fmax(to - from, 0), PLOT_HIGH);
        say(p, "<line x1=\"%.1f\" x2=\"%.1f\" y1=\"%d\" y2=\"%d\" stroke=\"#b6bdc8\"/>\n", from,
            from, PLOT_Y - 4, PLOT_BOTTOM);
        int row = 0;
        while (row < STAGE_ROWS && taken[row] > from)
            row++;
        size_t width = words_width(stage->name);
        width = width < STAGE_NAME ? width : STAGE_NAME;
        if (row == STAGE_ROWS || from + text_width(width) > WIDTH - 6)
            continue;
        write_text(p, from, PLOT_Y - 8 - row * STAGE_ROW, "stage", stage->name, STAGE_NAME);
        taken[row] = from + text_width(width) + 10;
    }
}

static void write_grid(const struct picture *p)
{
    double step_c = p->top_c > 150 ? 50 : 25, tick_s = chart_tick_s(p->span_s, 10);
    for (double c = 0; c <= p->top_c; c += step_c) {
        say(p, "<line x1=\"%d\" x2=\"%d\" y1=\"%.1f\" y2=\"%.1f\" stroke=\"#dde1e6\"/>\n", PLOT_X,
            PLOT_RIGHT, y_of(p, c), y_of(p, c));
        say(p, "<text class=\"tick right\" x=\"%d\" y=\"%.1f\">%.0f C</text>\n", PLOT_X - 7,
            y_of(p, c) + 4, c);
    }
    for (double t_s = 0; t_s <= p->span_s; t_s += tick_s) {
        char time[16];
        say(p, "<line x1=\"%.1f\" x2=\"%.1f\" y1=\"%d\" y2=\"%d\" stroke=\"#777\"/>\n",
            x_of(p, t_s), x_of(p, t_s), PLOT_BOTTOM, PLOT_BOTTOM + 5);
        say(p, "<text class=\"tick middle\" x=\"%.1f\" y=\"%d\">%s</text>\n", x_of(p, t_s),
            PLOT_BOTTOM + 18, words_time(t_s, time, sizeof time));
    }
    say(p, "<text class=\"tick\" x=\"%d\" y=\"%d\">min:s</text>\n", PLOT_RIGHT + 22,
        PLOT_BOTTOM + 18);
    say(p, "<path d=\"M%d %dV%dH%d\" fill=\"none\" stroke=\"#777\"/>\n", PLOT_X, PLOT_Y,
        PLOT_BOTTOM, PLOT_RIGHT);
}

/* Named at the left, where a run begins cold: the curves are far below. */
static void write_limit_line(const struct picture *p, double limit_c, const char *name, bool below)
{
    char text[64];
    double y = y_of(p, limit_c);
    snprintf(text, sizeof text, "%s limit %.0f C", name, limit_c);
    say(p,
        "<line x1=\"%d\" x2=\"%d\" y1=\"%.1f\" y2=\"%.1f\" stroke=\"#222\" stroke-width=\"1.3\" "
        "stroke-dasharray=\"1 3\"/>\n",
        PLOT_X, PLOT_RIGHT, y, y);
    write_text(p, PLOT_X + 8, y + (below ? 14 : -4), "limit", text, 22);
}

static void write_limits(const struct picture *p)
{
    double plate_c = p->run->limits.plate_mc / 1000.0, board_c = p->run->limits.board_mc / 1000.0;
    bool plate = p->run->limits.uses_plate && chart_shows_limit(p->run, plate_c);
    bool board = p->run->limits.has_board && chart_shows_limit(p->run, board_c);
    bool near = plate && board && fabs(y_of(p, plate_c) - y_of(p, board_c)) < 18;
    if (plate && board && plate_c == board_c) {
        write_limit_line(p, plate_c, "both", false);
        return;
    }
    if (plate)
        write_limit_line(p, plate_c, "plate", near && plate_c < board_c);
    if (board)
        write_limit_line(p, board_c, "board", near && board_c < plate_c);
}

/* --- curves ------------------------------------------------------------------------------- */

static void write_curve(const struct picture *p, enum curve curve)
{
    const struct pen *pen = &pens[curve];
    bool drawing = false, open = false;
    for (int32_t i = 0; i < p->run->point_count; i++) {
        const struct run_point *point = &p->run->point[i];
        double c = chart_at(point, curve);
        if (isnan(c) || (double)point->t_s > p->span_s) {
            drawing = false;
            continue;
        }
        if (!open)
            say(p,
                "<path class=\"curve\" stroke=\"%s\" stroke-width=\"%.1f\" "
                "stroke-dasharray=\"%s\" d=\"",
                pen->colour, pen->width, pen->dash);
        say(p, "%c%.1f %.1f", drawing ? 'L' : 'M', x_of(p, (double)point->t_s), y_of(p, c));
        open = drawing = true;
    }
    if (open)
        say(p, "\"/>\n");
}

struct name {
    enum curve curve;
    double from_x, from_y; /* the curve's last point */
    double y;
};

static int last_point(const struct picture *p, enum curve curve, struct name *name)
{
    for (int32_t i = p->run->point_count - 1; i >= 0; i--) {
        double c = chart_at(&p->run->point[i], curve);
        if (isnan(c) || (double)p->run->point[i].t_s > p->span_s)
            continue;
        *name = (struct name){curve, x_of(p, (double)p->run->point[i].t_s), y_of(p, c), y_of(p, c)};
        return 1;
    }
    return 0;
}

/* Top to bottom by where the curves end, pushed apart, kept inside the plot. */
static void place_names(struct name *names, int count)
{
    for (int i = 1; i < count; i++)
        for (int k = i; k > 0 && names[k - 1].from_y > names[k].from_y; k--) {
            struct name swap = names[k];
            names[k] = names[k - 1];
            names[k - 1] = swap;
        }
    for (int i = 1; i < count; i++)
        names[i].y = fmax(names[i].from_y, names[i - 1].y + NAME_GAP);
    double most = PLOT_BOTTOM - 4;
    for (int i = count - 1; i >= 0; i--) {
        names[i].y = fmin(names[i].y, most);
        most = names[i].y - NAME_GAP;
    }
}

static void write_name(const struct picture *p, const struct name *name)
{
    const struct pen *pen = &pens[name->curve];
    if (name->from_x > PLOT_RIGHT - 3)
        say(p,
            "<path d=\"M%.1f %.1fL%d %.1f\" fill=\"none\" stroke=\"%s\" stroke-width=\"0.8\"/>\n",
            name->from_x + 2, name->from_y, PLOT_RIGHT + 14, name->y, pen->colour);
    say(p,
        "<line x1=\"%d\" x2=\"%d\" y1=\"%.1f\" y2=\"%.1f\" stroke=\"%s\" stroke-width=\"%.1f\" "
        "stroke-dasharray=\"%s\"/>\n",
        PLOT_RIGHT + 16, PLOT_RIGHT + 42, name->y, name->y, pen->colour, pen->width, pen->dash);
    bool is_fit = !p->run->recipe[0]; /* of a step test: what its sensor read, and the model's */
    const char *label = is_fit && pen == &pens[CURVE_PLATE]        ? "model"
                        : is_fit && pen == &pens[CURVE_PLATE_READ] ? "read"
                                                                   : pen->name;
    write_text(p, PLOT_RIGHT + 47, name->y + 4, "name", label, 20);
}

static void write_curves(const struct picture *p)
{
    struct name names[CURVES];
    int count = 0;
    static const enum curve order[CURVES] = {CURVE_TARGET, CURVE_PLATE, CURVE_PLATE_READ,
                                             CURVE_BOARD, CURVE_JOINT}; /* the dotted one on top */
    for (int i = 0; i < CURVES; i++) {
        write_curve(p, order[i]);
        count += last_point(p, order[i], &names[count]);
    }
    place_names(names, count);
    for (int i = 0; i < count; i++)
        write_name(p, &names[i]);
}

/* --- what happened ------------------------------------------------------------------------ */

static void write_trip(const struct picture *p)
{
    if (!p->run->tripped || p->run->trip_rule >= RULES)
        return;
    char text[64], time[16];
    double x = x_of(p, p->run->trip_s);
    bool left = x > PLOT_X + PLOT_WIDE / 2.0;
    snprintf(text, sizeof text, "%s at %s", rules[p->run->trip_rule].id,
             words_time(p->run->trip_s, time, sizeof time));
    say(p,
        "<line x1=\"%.1f\" x2=\"%.1f\" y1=\"%d\" y2=\"%d\" stroke=\"#000\" "
        "stroke-width=\"2\"/>\n",
        x, x, PLOT_Y, PLOT_BOTTOM);
    double wide = text_width(strlen(text)) + 10, at = left ? x - wide : x;
    say(p, "<rect x=\"%.1f\" y=\"%d\" width=\"%.1f\" height=\"18\" fill=\"#000\"/>\n", at,
        PLOT_BOTTOM - 24, wide);
    say(p, "<text x=\"%.1f\" y=\"%d\" style=\"fill:#fff\">%s</text>\n", at + 5, PLOT_BOTTOM - 11,
        text);
}

static bool is_hand_event(const struct run_event *event)
{
    return !strcmp(event->kind, "do") || !strcmp(event->kind, "confirm") ||
           !strcmp(event->kind, "ask") || !strcmp(event->kind, "fault");
}

/* The first of them after `before` (NULL: of all), by time; equal times in their own order. */
static const struct run_event *next_hand_event(const struct run *run,
                                               const struct run_event *before)
{
    const struct run_event *next = NULL;
    for (int32_t i = 0; i < run->event_count; i++) {
        const struct run_event *event = &run->event[i];
        bool later = !before || event->at_s > before->at_s ||
                     (event->at_s >= before->at_s && event > before);
        if (is_hand_event(event) && later && (!next || event->at_s < next->at_s))
            next = event;
    }
    return next;
}

/* A mark for each prompt; its text where the next mark leaves room for it. */
static void write_hands(const struct picture *p)
{
    double y = LANE_Y;
    const struct run_event *event = next_hand_event(p->run, NULL);
    if (event)
        write_text(p, PLOT_X - 12, y + 4, "lane right", "hands", 8);
    while (event) {
        const struct run_event *next = next_hand_event(p->run, event);
        double x = x_of(p, event->at_s), end = next ? x_of(p, next->at_s) : WIDTH;
        bool fault = !strcmp(event->kind, "fault");
        say(p, "<path d=\"M%.1f %.1fl5 9h-10z\" fill=\"%s\"/>\n", x, y - 5,
            fault ? "#000" : "#CC79A7");
        size_t room = end > x + 24 ? (size_t)((end - x - 20) / 6.9) : 0;
        char text[sizeof event->text + 8];
        snprintf(text, sizeof text, "%s%s", fault ? "fault " : "", event->text);
        if (room >= 8)
            write_text(p, x + 9, y + 4, "event", text, room < 60 ? room : 60);
        event = next;
    }
}

/* The bar is the truth, the diamond what the recipe counted. */
static void write_melt(const struct picture *p, const struct run_melt *melt, double y)
{
    char text[2 * WORD_TEXT], at[16], first[16], last[16];
    double x = x_of(p, melt->at_s), from = x;
    if (p->run->rehearsed && !isnan(melt->true_first_s)) {
        double to = isnan(melt->true_last_s) ? PLOT_RIGHT : x_of(p, melt->true_last_s);
        from = x_of(p, melt->true_first_s);
        say(p, "<rect x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" height=\"8\" fill=\"#8fd1bd\"/>\n", from,
            y - 4, fmax(to - from, 1.5));
        x = fmax(x, to);
    }
    double mark = x_of(p, melt->at_s);
    say(p, "<path d=\"M%.1f %.1fl6 6l-6 6l-6 -6z\" fill=\"#009E73\"/>\n", mark, y - 6);
    int used = snprintf(text, sizeof text, "%s counts as molten at %s", melt->joint,
                        words_time(melt->at_s, at, sizeof at));
    if (p->run->rehearsed)
        snprintf(text + used, sizeof text - (size_t)used, " (first place %s, last %s)",
                 isnan(melt->true_first_s) ? "never"
                                           : words_time(melt->true_first_s, first, sizeof first),
                 isnan(melt->true_last_s) ? "never"
                                          : words_time(melt->true_last_s, last, sizeof last));
    bool fits = x + 12 + text_width(words_width(text)) < WIDTH;
    if (fits)
        write_text(p, x + 11, y + 4, "event", text, 100);
    else
        write_text(p, fmin(from, mark) - 10, y + 4, "event right", text, 100);
}

static void write_events(const struct picture *p)
{
    write_hands(p);
    for (int32_t i = 0; i < p->run->melt_count && i < MELTS_SHOWN; i++) {
        double y = LANE_Y + LANE * (i + 1);
        write_text(p, PLOT_X - 12, y + 4, "lane right", "melt", 8);
        write_melt(p, &p->run->melt[i], y);
    }
}

/* A run without heat has no curve: what was said, done and read, a line each. */
static bool is_told(const struct run_event *event)
{
    return is_hand_event(event) || !strcmp(event->kind, "tell") || !strcmp(event->kind, "value") ||
           !strcmp(event->kind, "note") || !strcmp(event->kind, "stage") ||
           !strcmp(event->kind, "no") || !strcmp(event->kind, "trip") ||
           !strcmp(event->kind, "stop");
}

static int told_count(const struct run *run)
{
    int count = 0;
    for (int32_t i = 0; i < run->event_count && count < TOLD_SHOWN; i++)
        count += is_told(&run->event[i]);
    return count;
}

static void write_told(const struct picture *p)
{
    double y = TITLE_HIGH + LANE;
    int shown = 0;
    write_text(p, 16, y, "sub", "nothing was heated: there is no curve", 60);
    for (int32_t i = 0; i < p->run->event_count && shown < TOLD_SHOWN; i++) {
        const struct run_event *event = &p->run->event[i];
        char time[16];
        if (!is_told(event))
            continue;
        y = TITLE_HIGH + LANE * (++shown + 1.3);
        write_text(p, PLOT_X, y, "tick right", words_time(event->at_s, time, sizeof time), 8);
        write_text(p, PLOT_X + 10, y, "lane", event->kind, 10);
        write_text(p, PLOT_X + 80, y, "event", event->text, 104);
    }
}

void report_svg(const struct run *run, FILE *out)
{
    struct picture p = {run, out, chart_span_s(run), chart_top_c(run)};
    bool curve = run->point_count >= 2;
    write_head(&p, curve ? LANE_Y + LANE * lanes(run) + 12
                         : TITLE_HIGH + LANE * (told_count(run) + 2) + 12);
    write_title(&p);
    if (!curve) {
        write_told(&p);
    } else {
        write_stages(&p);
        write_grid(&p);
        write_limits(&p);
        write_curves(&p);
        write_trip(&p);
        write_events(&p);
    }
    say(&p, "</svg>\n");
}
