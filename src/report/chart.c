/* SPDX-License-Identifier: MIT */
#include "chart.h"

#include <math.h>
#include <string.h>

#include "words.h"

/* Scale, a bar, the plot, and room for a limit's name at the right. */
enum { LEFT = 7, WIDE = 80, HIGH = 16 };
enum { WARM_C = 45, MOST_C = 1000, MOST_S = 10 * 24 * 3600 };

struct canvas {
    char cell[HIGH][WIDE];
    double span_s, top_c;
};

double chart_at(const struct run_point *point, enum curve curve)
{
    switch (curve) {
    case CURVE_TARGET:
        return (double)point->target_c;
    case CURVE_PLATE_READ:
        return (double)point->plate_read_c;
    case CURVE_PLATE:
        return (double)point->plate_c;
    case CURVE_BOARD:
        return (double)point->board_c;
    case CURVE_JOINT:
        return (double)point->joint_c;
    case CURVES:
        break;
    }
    return (double)NAN;
}

/* A trip whose sensor cannot be read waits an hour for a plate that is long cold: the axis ends when
 * the recipe is over and nothing is warm any more. */
double chart_span_s(const struct run *run)
{
    double last_s = run->point_count ? (double)run->point[run->point_count - 1].t_s : 0;
    double needed_s = run->recipe_s > 0 ? run->recipe_s : 0;
    for (int32_t i = 0; i < run->point_count; i++)
        for (int k = 0; k < CURVES; k++)
            if (chart_at(&run->point[i], (enum curve)k) > WARM_C)
                needed_s = fmax(needed_s, (double)run->point[i].t_s);
    double span_s = fmin(last_s, 1.05 * needed_s);
    return span_s > 1 && span_s < MOST_S ? span_s : 1;
}

/* Of what a plate can have: a number beyond that must not stretch the scale without end. */
static double highest_c(const struct run *run)
{
    double most = 0;
    for (int32_t i = 0; i < run->point_count; i++)
        for (int k = 0; k < CURVES; k++) {
            double c = chart_at(&run->point[i], (enum curve)k);
            if (c > most && c < MOST_C)
                most = c;
        }
    return most;
}

bool chart_shows_limit(const struct run *run, double limit_c)
{
    return limit_c > 0 && limit_c <= fmax(1.5 * highest_c(run), 60);
}

double chart_top_c(const struct run *run)
{
    double plate_c = run->limits.plate_mc / 1000.0, board_c = run->limits.board_mc / 1000.0;
    double most = highest_c(run);
    if (run->limits.uses_plate && chart_shows_limit(run, plate_c))
        most = fmax(most, plate_c);
    if (run->limits.has_board && chart_shows_limit(run, board_c))
        most = fmax(most, board_c);
    double step = most > 150 ? 50 : 25;
    return step * ceil((most + 2) / step);
}

double chart_tick_s(double span_s, int most)
{
    static const double steps[] = {1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200};
    size_t count = sizeof steps / sizeof steps[0];
    for (size_t i = 0; i < count; i++)
        if (span_s / steps[i] <= most)
            return steps[i];
    return 3600 * ceil(span_s / 3600 / most);
}

static int column_of(const struct canvas *canvas, double t_s)
{
    double at = t_s / canvas->span_s * (WIDE - 1);
    return at >= 0 && at < WIDE ? (int)lround(at) : -1;
}

static int row_of(const struct canvas *canvas, double temp_c)
{
    double at = (HIGH - 1) * (1 - temp_c / canvas->top_c);
    return at > -0.5 && at < HIGH - 0.5 ? (int)lround(at) : -1;
}

static void put(struct canvas *canvas, int row, int column, char sign)
{
    if (row >= 0 && row < HIGH && column >= 0 && column < WIDE)
        canvas->cell[row][column] = sign;
}

/* The value of a curve at t_s, along the line between its neighbours; NaN beside it. */
static double value_at(const struct run *run, enum curve curve, double t_s)
{
    int32_t low = 0, high = run->point_count - 1;
    while (high - low > 1) {
        int32_t middle = low + (high - low) / 2;
        if ((double)run->point[middle].t_s <= t_s)
            low = middle;
        else
            high = middle;
    }
    double from_s = (double)run->point[low].t_s, to_s = (double)run->point[high].t_s;
    double from = chart_at(&run->point[low], curve), to = chart_at(&run->point[high], curve);
    if (to_s <= from_s || isnan(to))
        return from;
    if (isnan(from))
        return to;
    double share = fmin(fmax((t_s - from_s) / (to_s - from_s), 0), 1);
    return from + share * (to - from);
}

static void draw_curve(struct canvas *canvas, const struct run *run, enum curve curve, char sign)
{
    for (int column = 0; column < WIDE; column++) {
        double c = value_at(run, curve, canvas->span_s * column / (WIDE - 1));
        if (!isnan(c))
            put(canvas, row_of(canvas, c), column, sign);
    }
}

static bool has_curve(const struct run *run, enum curve curve)
{
    for (int32_t i = 0; i < run->point_count; i++)
        if (!isnan(chart_at(&run->point[i], curve)))
            return true;
    return false;
}

static void draw_limit(struct canvas *canvas, double limit_c)
{
    int row = row_of(canvas, limit_c);
    for (int column = 0; column < WIDE; column++)
        put(canvas, row, column, '-');
}

static void draw_stages(struct canvas *canvas, const struct run *run)
{
    for (int32_t i = 0; i < run->stage_count; i++)
        for (int row = 0; row < HIGH; row++)
            put(canvas, row, column_of(canvas, run->stage[i].start_s), ':');
}

static void draw_marks(struct canvas *canvas, const struct run *run)
{
    for (int32_t i = 0; i < run->melt_count; i++) {
        enum curve on = has_curve(run, CURVE_JOINT) ? CURVE_JOINT : CURVE_PLATE_READ;
        put(canvas, row_of(canvas, value_at(run, on, run->melt[i].at_s)),
            column_of(canvas, run->melt[i].at_s), 'M');
    }
    if (run->tripped)
        put(canvas, row_of(canvas, value_at(run, CURVE_PLATE_READ, run->trip_s)),
            column_of(canvas, run->trip_s), 'X');
}

/* Stage names over the plot, each at its start; one that would run into the next is cut. */
static void write_stage_names(const struct canvas *canvas, const struct run *run, FILE *out)
{
    char line[4 * REPORT_COLUMNS + 1] = "", plain[WORD_TEXT], name[256];
    size_t at = 0;
    for (int32_t i = 0; i < run->stage_count; i++) {
        int start = column_of(canvas, run->stage[i].start_s);
        int next = i + 1 < run->stage_count ? column_of(canvas, run->stage[i + 1].start_s) : WIDE;
        if (start < (int)at || next - start < 4)
            continue;
        for (; at < (size_t)start; at++)
            strncat(line, " ", sizeof line - strlen(line) - 1);
        words_cut(words_plain(run->stage[i].name, plain, sizeof plain), (size_t)(next - start - 1),
                  name, sizeof name);
        strncat(line, name, sizeof line - strlen(line) - 1);
        at += words_width(name);
    }
    if (line[0])
        fprintf(out, "%*s%s\n", LEFT, "", line);
}

/* The name of the limit whose line is this row, "" if none. */
static const char *limit_on_row(const struct canvas *canvas, const struct run *run, int row)
{
    bool plate = run->limits.uses_plate && row_of(canvas, run->limits.plate_mc / 1000.0) == row;
    bool board = run->limits.has_board && row_of(canvas, run->limits.board_mc / 1000.0) == row;
    return plate && board ? " both limits" : plate ? " plate limit" : board ? " board limit" : "";
}

static void write_plot(const struct canvas *canvas, const struct run *run, FILE *out)
{
    double step_c = canvas->top_c > 150 ? 50 : 25;
    for (int row = 0; row < HIGH; row++) {
        char scale[16] = "";
        for (double c = 0; c <= canvas->top_c; c += step_c)
            if (row_of(canvas, c) == row)
                snprintf(scale, sizeof scale, "%.0f C", c);
        const char *name = limit_on_row(canvas, run, row);
        int length = WIDE;
        while (!name[0] && length > 0 && canvas->cell[row][length - 1] == ' ')
            length--;
        fprintf(out, "%*s%c%.*s%s\n", LEFT - 1, scale, scale[0] ? '+' : '|', length,
                canvas->cell[row], name);
    }
}

static void write_time_axis(const struct canvas *canvas, FILE *out)
{
    char axis[WIDE + 1], labels[WIDE + 16];
    memset(axis, '-', WIDE);
    axis[WIDE] = '\0';
    memset(labels, ' ', sizeof labels);
    double tick_s = chart_tick_s(canvas->span_s, 8);
    int end = 0;
    for (double t_s = 0; t_s <= canvas->span_s; t_s += tick_s) {
        int column = column_of(canvas, t_s);
        char time[16], label[24];
        words_time(t_s, time, sizeof time);
        snprintf(label, sizeof label, "%s%s", time, t_s > 0 ? "" : " min:s");
        axis[column] = '+';
        memcpy(labels + column, label, strlen(label));
        end = column + (int)strlen(label);
    }
    fprintf(out, "%*s%s\n%*s%.*s\n", LEFT, "+", axis, LEFT, "", end, labels);
}

/* A sign with its meaning, on the next line when this one is full. */
static void write_sign(FILE *out, int *used, const char *text)
{
    int length = (int)strlen(text);
    if (*used + 3 + length > REPORT_COLUMNS) {
        fprintf(out, "\n%*s", LEFT, "");
        *used = LEFT;
    } else if (*used > LEFT) {
        fputs("   ", out);
        *used += 3;
    }
    fputs(text, out);
    *used += length;
}

static void write_legend(const struct run *run, FILE *out)
{
    int used = LEFT;
    fprintf(out, "%*s", LEFT, "");
    write_sign(out, &used, run->rehearsed ? "# plate, true" : "# plate, read");
    if (has_curve(run, CURVE_BOARD))
        write_sign(out, &used, "+ board, read");
    if (has_curve(run, CURVE_JOINT))
        write_sign(out, &used, "o joint, coldest place");
    write_sign(out, &used, "- limit");
    if (run->stage_count)
        write_sign(out, &used, ": stage begins");
    if (run->melt_count)
        write_sign(out, &used, "M counts as molten");
    if (run->tripped)
        write_sign(out, &used, "X trip");
    fputc('\n', out);
}

void chart_write(const struct run *run, FILE *out)
{
    if (run->point_count < 2)
        return;
    struct canvas canvas = {.span_s = chart_span_s(run), .top_c = chart_top_c(run)};
    memset(canvas.cell, ' ', sizeof canvas.cell);
    draw_stages(&canvas, run);
    if (run->limits.uses_plate)
        draw_limit(&canvas, run->limits.plate_mc / 1000.0);
    if (run->limits.has_board)
        draw_limit(&canvas, run->limits.board_mc / 1000.0);
    draw_curve(&canvas, run, run->rehearsed ? CURVE_PLATE : CURVE_PLATE_READ, '#');
    draw_curve(&canvas, run, CURVE_BOARD, '+');
    draw_curve(&canvas, run, CURVE_JOINT, 'o');
    draw_marks(&canvas, run);
    write_stage_names(&canvas, run, out);
    write_plot(&canvas, run, out);
    write_time_axis(&canvas, out);
    write_legend(run, out);
}
