/* SPDX-License-Identifier: MIT */
#include "chart.h"

#include <math.h>
#include <string.h>

#include "words.h"

/* Scale, a bar, the plot, and room for a limit's name at the right. */
enum { LEFT = 7, RIGHT = 13, WIDEST = REPORT_COLUMNS - LEFT - RIGHT, HIGH = 16, NAME_ROWS = 3 };
enum { WARM_C = 45, MOST_C = 1000, MOST_S = 10 * 24 * 3600 };
enum {
    AFTER_S = 600
}; /* what follows the recipe's end is shown that long, or as long as the recipe took */

struct canvas {
    int wide;
    char cell[HIGH][WIDEST];
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

/* When a curve was last warm. */
static double warm_until_s(const struct run *run)
{
    double until_s = 0;
    for (int32_t i = 0; i < run->point_count; i++)
        for (int k = 0; k < CURVES; k++)
            if (chart_at(&run->point[i], (enum curve)k) > WARM_C)
                until_s = fmax(until_s, (double)run->point[i].t_s);
    return until_s;
}

static double latest_s(const struct run *run)
{
    return run->recipe_s > 0 ? fmax(2 * run->recipe_s, run->recipe_s + AFTER_S) : HUGE_VAL;
}

/* A trip whose sensor cannot be read waits an hour for a plate that is long cold, and a heater that does
 * not obey keeps it hot for ever: the axis ends when the recipe is over and nothing is warm any more,
 * and never so late that it squeezes what matters. */
double chart_span_s(const struct run *run)
{
    double last_s = run->point_count ? (double)run->point[run->point_count - 1].t_s : 0;
    double needed_s = fmax(run->recipe_s > 0 ? run->recipe_s : 0, warm_until_s(run));
    double span_s = fmin(fmin(last_s, 1.05 * needed_s), latest_s(run));
    return span_s > 1 && span_s < MOST_S ? span_s : 1;
}

bool chart_is_cut(const struct run *run)
{
    return warm_until_s(run) > chart_span_s(run) + 1;
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
    double at = t_s / canvas->span_s * (canvas->wide - 1);
    return at >= 0 && at < canvas->wide ? (int)lround(at) : -1;
}

static int row_of(const struct canvas *canvas, double temp_c)
{
    double at = (HIGH - 1) * (1 - temp_c / canvas->top_c);
    return at > -0.5 && at < HIGH - 0.5 ? (int)lround(at) : -1;
}

static void put(struct canvas *canvas, int row, int column, char sign)
{
    if (row >= 0 && row < HIGH && column >= 0 && column < canvas->wide)
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

/* Where curves lie on one another they take turns, so that none hides the others: the one drawn later
 * leaves every third column, `turn`, to each of those before. */
static void draw_curve(struct canvas *canvas, const struct run *run, enum curve curve, char sign)
{
    static const char before[] = "#+"; /* in the order of drawing */
    for (int column = 0; column < canvas->wide; column++) {
        double c = value_at(run, curve, canvas->span_s * column / (canvas->wide - 1));
        int row = isnan(c) ? -1 : row_of(canvas, c);
        if (row < 0)
            continue;
        const char *lies = strchr(before, canvas->cell[row][column]);
        if (!lies || column % 3 != lies - before)
            put(canvas, row, column, sign);
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
    for (int column = 0; column < canvas->wide; column++)
        put(canvas, row, column, '-');
}

static void draw_stages(struct canvas *canvas, const struct run *run)
{
    for (int32_t i = 0; i < run->stage_count; i++)
        for (int row = 0; row < HIGH; row++)
            put(canvas, row, column_of(canvas, run->stage[i].start_s), ':');
}

/* On the plate's curve; where nothing was read and nothing is known, at the bottom: never nowhere. */
static int trip_row(const struct canvas *canvas, const struct run *run)
{
    static const enum curve on[] = {CURVE_PLATE_READ, CURVE_PLATE, CURVE_BOARD};
    for (size_t i = 0; i < sizeof on / sizeof on[0]; i++) {
        double c = value_at(run, on[i], run->trip_s);
        if (!isnan(c) && row_of(canvas, c) >= 0)
            return row_of(canvas, c);
    }
    return HIGH - 1;
}

static void draw_marks(struct canvas *canvas, const struct run *run)
{
    for (int32_t i = 0; i < run->melt_count; i++) {
        enum curve on = has_curve(run, CURVE_JOINT) ? CURVE_JOINT : CURVE_PLATE_READ;
        put(canvas, row_of(canvas, value_at(run, on, run->melt[i].at_s)),
            column_of(canvas, run->melt[i].at_s), 'M');
    }
    if (run->tripped)
        put(canvas, trip_row(canvas, run), column_of(canvas, run->trip_s), 'X');
}

/* Stage names over the plot, each at its start, in the lowest row where it does not touch the one before. */
struct name_row {
    char line[4 * REPORT_COLUMNS + 1];
    size_t at;
};

static void put_name(struct name_row *row, size_t start, const char *name)
{
    for (; row->at < start; row->at++)
        strncat(row->line, " ", sizeof row->line - strlen(row->line) - 1);
    strncat(row->line, name, sizeof row->line - strlen(row->line) - 1);
    row->at += words_width(name);
}

static void write_stage_names(const struct canvas *canvas, const struct run *run, FILE *out)
{
    struct name_row rows[NAME_ROWS] = {0};
    char plain[WORD_TEXT], name[256];
    for (int32_t i = 0; i < run->stage_count; i++) {
        int start = column_of(canvas, run->stage[i].start_s), row = 0;
        if (start < 0)
            continue;
        while (row < NAME_ROWS && rows[row].at > 0 && rows[row].at + 1 > (size_t)start)
            row++;
        if (row == NAME_ROWS)
            continue;
        words_cut(words_plain(run->stage[i].name, plain, sizeof plain),
                  (size_t)(canvas->wide + RIGHT - start), name, sizeof name);
        put_name(&rows[row], (size_t)start, name);
    }
    for (int row = NAME_ROWS - 1; row >= 0; row--)
        if (rows[row].line[0])
            fprintf(out, "%*s%s\n", LEFT, "", rows[row].line);
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
        int length = canvas->wide;
        while (!name[0] && length > 0 && canvas->cell[row][length - 1] == ' ')
            length--;
        fprintf(out, "%*s%c%.*s%s\n", LEFT - 1, scale, scale[0] ? '+' : '|', length,
                canvas->cell[row], name);
    }
}

static void write_time_axis(const struct canvas *canvas, FILE *out)
{
    char axis[WIDEST + 1], labels[WIDEST + 16];
    memset(axis, '-', (size_t)canvas->wide);
    axis[canvas->wide] = '\0';
    memset(labels, ' ', sizeof labels);
    double tick_s = chart_tick_s(canvas->span_s, canvas->wide / 12);
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
static void write_sign(FILE *out, int columns, int *used, const char *text)
{
    int length = (int)strlen(text);
    if (*used + 3 + length > columns) {
        fprintf(out, "\n%*s", LEFT, "");
        *used = LEFT;
    } else if (*used > LEFT) {
        fputs("   ", out);
        *used += 3;
    }
    fputs(text, out);
    *used += length;
}

static void write_legend(const struct run *run, int columns, FILE *out)
{
    int used = LEFT;
    fprintf(out, "%*s", LEFT, "");
    write_sign(out, columns, &used, run->rehearsed ? "# plate, true" : "# plate, read");
    if (has_curve(run, CURVE_BOARD))
        write_sign(out, columns, &used, "+ board, read");
    if (has_curve(run, CURVE_JOINT))
        write_sign(out, columns, &used, "o joint, coldest place");
    write_sign(out, columns, &used, "- limit");
    if (run->stage_count)
        write_sign(out, columns, &used, ": stage begins");
    if (run->melt_count)
        write_sign(out, columns, &used, "M counts as molten");
    if (run->tripped)
        write_sign(out, columns, &used, "X trip");
    if (chart_is_cut(run))
        write_sign(out, columns, &used, "still warm at the right: the record goes on");
    fputc('\n', out);
}

void chart_write(const struct run *run, int columns, FILE *out)
{
    if (run->point_count < 2)
        return;
    struct canvas canvas = {
        .wide = columns - LEFT - RIGHT, .span_s = chart_span_s(run), .top_c = chart_top_c(run)};
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
    write_legend(run, columns, out);
}
