/* SPDX-License-Identifier: MIT */
/* The spread of many draws as a picture: a row for each figure with a dot for each draw, and how near each limit came. */
#include <math.h>
#include <string.h>

#include "tinlatch/report.h"
#include "trials.h"

enum {
    WIDTH = 900,
    LABEL_RIGHT = 258,
    PLOT_X = 270,
    PLOT_WIDE = 500,
    TITLE_HIGH = 72,
    ROW = 40,
    PANEL_HEAD = 30,
    PANEL_FOOT = 44,
    BAR_ROW = 24,
    BARS = 12,
    TICKS = 6,
    DOTS = 2000, /* more only make the file heavy */
    JITTER = 11,
};

/* Okabe and Ito's palette. */
#define BLUE   "#0072B2"
#define ORANGE "#D55E00"
#define DARK   "#222"

struct axis {
    double from, to, tick;
};

static void write_at(double x, double y, const char *class_name, const char *text, FILE *out)
{
    fprintf(out, "<text class=\"%s\" x=\"%.1f\" y=\"%.1f\">", class_name, x, y);
    report_markup(out, text);
    fputs("</text>\n", out);
}

static double x_of(const struct axis *axis, double value)
{
    return PLOT_X + PLOT_WIDE * (value - axis->from) / (axis->to - axis->from);
}

/* 1, 2 or 5 times a power of ten, so that there are at most TICKS of them. */
static double tick_of(double span)
{
    double least = span / TICKS, power = pow(10, floor(log10(least)));

    if (least <= power)
        return power;
    return least <= 2 * power ? 2 * power : least <= 5 * power ? 5 * power : 10 * power;
}

static struct axis axis_of(const struct figures *f, enum panel panel)
{
    struct axis axis = {INFINITY, -INFINITY, 1};

    for (int i = 0; i < f->spreads; i++)
        if (f->spread[i].panel == panel) {
            axis.from = fmin(axis.from, f->spread[i].value[0]);
            axis.to = fmax(axis.to, f->spread[i].value[f->spread[i].count - 1]);
        }
    if (panel == PANEL_SLACK)
        axis.from = fmin(axis.from, 0);
    axis.tick = tick_of(fmax(axis.to - axis.from, 1));
    axis.from = floor(axis.from / axis.tick) * axis.tick;
    axis.to = ceil(axis.to / axis.tick) * axis.tick;
    if (!(axis.to > axis.from))
        axis.to = axis.from + axis.tick;
    return axis;
}

static void write_axis(const struct axis *axis, double top, double bottom, const char *what,
                       FILE *out)
{
    for (int i = 0; axis->from + i * axis->tick <= axis->to + axis->tick / 2; i++) {
        char text[32];
        double x = x_of(axis, axis->from + i * axis->tick);
        fprintf(out, "<line x1=\"%.1f\" x2=\"%.1f\" y1=\"%.1f\" y2=\"%.1f\" stroke=\"#d4d9e0\"/>\n",
                x, x, top, bottom);
        snprintf(text, sizeof text, "%g", axis->from + i * axis->tick);
        write_at(x, bottom + 15, "tick middle", text, out);
    }
    write_at(PLOT_X + PLOT_WIDE, bottom + 31, "tick right", what, out);
}

/* A dot for each draw, spread up and down by its place in the order so that they do not hide each other. */
static void write_dots(const struct axis *axis, const struct spread *spread, double y, FILE *out)
{
    int32_t step = 1 + spread->count / DOTS;

    for (int32_t i = 0; i < spread->count; i += step)
        fprintf(out,
                "<circle cx=\"%.1f\" cy=\"%.1f\" r=\"2.1\" fill=\"" BLUE
                "\" fill-opacity=\"0.8\"/>\n",
                x_of(axis, spread->value[i]), y + JITTER * (2 * fmod(i * 0.6180339887, 1) - 1));
}

static void write_row(const struct axis *axis, const struct spread *spread, double y, FILE *out)
{
    double low = x_of(axis, spread_at(spread, 0.05)), high = x_of(axis, spread_at(spread, 0.95)),
           median = x_of(axis, spread_at(spread, 0.5));
    char text[64];

    write_at(LABEL_RIGHT, y + 4, "right", spread->name, out);
    fprintf(out,
            "<rect x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" height=\"26\" fill=\"" BLUE
            "\" fill-opacity=\"0.14\"/>\n",
            low, y - 13, fmax(high - low, 1));
    write_dots(axis, spread, y, out);
    fprintf(out,
            "<line x1=\"%.1f\" x2=\"%.1f\" y1=\"%.1f\" y2=\"%.1f\" stroke=\"" ORANGE
            "\" stroke-width=\"2.5\"/>\n",
            median, median, y - 14, y + 14);
    snprintf(text, sizeof text, "%.1f s", spread_at(spread, 0.5));
    write_at(PLOT_X + PLOT_WIDE + 12, y + 4, "value", text, out);
}

static double write_panel(const struct figures *f, enum panel panel, double y, FILE *out)
{
    static const char *const titles[PANELS] = {
        [PANEL_TIME] = "When the joints melt",
        [PANEL_SLACK] = "After the last place was molten: taken for molten; the lift window, until "
                        "lifted or frozen",
    };
    static const char *const units[PANELS] = {
        [PANEL_TIME] = "s of bench time",
        [PANEL_SLACK] = "s; taken below 0, the lift would tear pads",
    };
    int rows = 0;

    for (int i = 0; i < f->spreads; i++)
        rows += f->spread[i].panel == panel;
    if (rows == 0)
        return y;
    struct axis axis = axis_of(f, panel);
    double top = y + PANEL_HEAD, bottom = top + rows * ROW;
    write_at(16, y + 18, "head", titles[panel], out);
    write_axis(&axis, top, bottom, units[panel], out);
    for (int i = 0, row = 0; i < f->spreads; i++)
        if (f->spread[i].panel == panel)
            write_row(&axis, &f->spread[i], top + ROW * (row++ + 0.5), out);
    return bottom + PANEL_FOOT;
}

static double write_margins(const struct figures *f, double y, FILE *out)
{
    int bars = f->worsts < BARS ? f->worsts : BARS;
    struct axis axis = {0, 120, 20};

    if (bars == 0)
        return y;
    double top = y + PANEL_HEAD, bottom = top + bars * BAR_ROW;
    write_at(16, y + 18, "head", "Nearest that any draw came to a limit", out);
    write_axis(&axis, top, bottom, "% of the limit", out);
    for (int i = 0; i < bars; i++) {
        const struct run_margin *margin = &f->worst[i].margin;
        double share = 100 * margin->worst / margin->value, at = top + i * BAR_ROW;
        bool over = share > 100;
        char text[64];
        write_at(LABEL_RIGHT, at + 16, "right", margin->limit, out);
        fprintf(out, "<rect x=\"%d\" y=\"%.1f\" width=\"%.1f\" height=\"14\" fill=\"%s\"/>\n",
                PLOT_X, at + 5, fmax(x_of(&axis, fmin(fmax(share, 0), 120)) - PLOT_X, 1),
                over ? ORANGE : BLUE);
        snprintf(text, sizeof text, "%.4g of %.4g %s", margin->worst, margin->value,
                 unit_base(margin->unit));
        write_at(PLOT_X + PLOT_WIDE + 8, at + 16, over ? "value over" : "value", text, out);
    }
    double limit = x_of(&axis, 100);
    fprintf(out,
            "<line x1=\"%.1f\" x2=\"%.1f\" y1=\"%.1f\" y2=\"%.1f\" stroke=\"" DARK
            "\" stroke-width=\"1.5\" stroke-dasharray=\"5 3\"/>\n",
            limit, limit, top, bottom);
    return bottom + PANEL_FOOT;
}

static int panel_high(const struct figures *f, enum panel panel)
{
    int rows = 0;

    for (int i = 0; i < f->spreads; i++)
        rows += f->spread[i].panel == panel;
    return rows > 0 ? PANEL_HEAD + rows * ROW + PANEL_FOOT : 0;
}

static void write_title(const struct figures *f, FILE *out)
{
    const struct run *first = f->trials->first;
    char line[256];

    write_at(16, 27, "title", first->title, out);
    snprintf(line, sizeof line,
             "%d draws %s, board %s, simulated bench %s, from seed %llu: %d failed",
             (int)f->trials->draws,
             f->options->faults ? "with faults in every second" : "within the tolerances",
             first->board[0] ? first->board : "none", first->bench,
             (unsigned long long)f->options->setup.seed, (int)f->failed);
    write_at(16, 47, "sub", line, out);
    write_at(
        16, 63, "sub",
        "a dot for each draw, on the coarse grid; band: 90 % of them; bar, and the figure at the "
        "right: the median",
        out);
}

void trials_svg(const struct figures *f, FILE *out)
{
    int bars = f->worsts < BARS ? f->worsts : BARS;
    int high = TITLE_HIGH + 8 + panel_high(f, PANEL_TIME) + panel_high(f, PANEL_SLACK) +
               (bars ? PANEL_HEAD + bars * BAR_ROW + PANEL_FOOT : 0);

    fprintf(out,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 %d %d\" width=\"%d\" "
            "height=\"%d\" role=\"img\">\n<title>",
            WIDTH, high, WIDTH, high);
    report_markup(out, f->trials->first->title);
    fputs("</title>\n<style type=\"text/css\">\n"
          "text{font-family:\"DejaVu Sans\",Verdana,Arial,sans-serif;font-size:12px;fill:#222}\n"
          ".title{font-size:17px;font-weight:bold}\n"
          ".head{font-weight:bold}\n"
          ".sub,.tick{fill:#555}\n"
          ".tick{font-size:11px}\n"
          ".over{font-weight:bold}\n"
          ".right{text-anchor:end}\n"
          ".middle{text-anchor:middle}\n"
          "</style>\n",
          out);
    fprintf(out, "<rect width=\"%d\" height=\"%d\" fill=\"#fff\"/>\n", WIDTH, high);
    write_title(f, out);
    double y = write_panel(f, PANEL_TIME, TITLE_HIGH + 8, out);
    y = write_panel(f, PANEL_SLACK, y, out);
    write_margins(f, y, out);
    fputs("</svg>\n", out);
}
