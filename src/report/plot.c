/* SPDX-License-Identifier: MIT */
/* The chart of a page. It is whole without scripts; what lies at a time carries that time (data-t), what is a curve says
 * which column of the table it shows (data-col), so that a script can look closer. */
#include <math.h>
#include <string.h>

#include "chart.h"
#include "page.h"
#include "tinlatch/report.h"
#include "words.h"

enum {
    WIDE = 1000,
    PLOT_X = 52,
    PLOT_WIDE = WIDE - PLOT_X - 14,
    STAGE_ROW = 17,
    STAGE_ROWS = 2,
    PLOT_Y = STAGE_ROWS * STAGE_ROW + 10,
    PLOT_HIGH = 360, /* of a run that heats */
    LANES_BELOW = 34,
    LANE_HIGH = 22,
    FED_HIGH = 130,
};

struct plot {
    const struct page *page;
    const struct history *h;
    FILE *out;
    double top_c, span_s;
    int high, bottom; /* of the temperatures */
};

static double x_of(const struct plot *p, double t_s)
{
    return PLOT_X + PLOT_WIDE * fmin(fmax(t_s / p->span_s, 0), 1);
}

static double pixels_per_c(const struct plot *p)
{
    return p->high / p->top_c;
}

static double y_of(const struct plot *p, double temp_c)
{
    return p->bottom - pixels_per_c(p) * fmin(fmax(temp_c, 0), p->top_c);
}

/* ---- the ground -------------------------------------------------------------------------------- */

static void write_stages(const struct plot *p)
{
    const struct run *run = &p->h->run;
    double taken[STAGE_ROWS] = {0};
    for (int32_t i = 0; i < run->stage_count; i++) {
        const struct run_stage *stage = &run->stage[i];
        double from_s = stage->start_s, to_s = isnan(stage->end_s) ? p->span_s : stage->end_s;
        double x = x_of(p, from_s);
        if (i % 2 == 0)
            page_put(p->out,
                     "<rect class=\"ground\" data-t=\"%.1f\" data-t1=\"%.1f\" x=\"%.1f\" y=\"%d\" "
                     "width=\"%.1f\" height=\"%d\"/>\n",
                     from_s, to_s, x, PLOT_Y, fmax(x_of(p, to_s) - x, 0), p->high);
        page_put(
            p->out,
            "<line class=\"cut\" data-t=\"%.1f\" x1=\"%.1f\" x2=\"%.1f\" y1=\"%d\" y2=\"%d\"/>\n",
            from_s, x, x, PLOT_Y - 5, p->bottom);
        int row = 0;
        while (row < STAGE_ROWS && taken[row] > x)
            row++;
        double width = 7.4 * (double)words_width(stage->name) + 10;
        if (row == STAGE_ROWS || x + width > WIDE)
            continue;
        taken[row] = x + width;
        page_put(
            p->out,
            "<g data-t=\"%.1f\" data-t1=\"%.1f\" transform=\"translate(%.1f 0)\"><text y=\"%d\">",
            from_s, to_s, x, PLOT_Y - 9 - row * STAGE_ROW);
        report_markup(p->out, stage->name);
        page_put(p->out, "</text></g>\n");
    }
}

static void write_grid(const struct plot *p)
{
    double step_c = p->top_c > 150 ? 50 : 25, tick_s = chart_tick_s(p->span_s, 10);
    for (double c = 0; c <= p->top_c && p->high; c += step_c)
        page_put(p->out,
                 "<line class=\"grid\" x1=\"%d\" x2=\"%d\" y1=\"%.1f\" y2=\"%.1f\"/>"
                 "<text class=\"tick end\" x=\"%d\" y=\"%.1f\">%.0f °C</text>\n",
                 PLOT_X, PLOT_X + PLOT_WIDE, y_of(p, c), y_of(p, c), PLOT_X - 7, y_of(p, c) + 4, c);
    page_put(p->out, "<path class=\"axis\" d=\"M%d %dH%d\"/>\n<g class=\"ticks\" data-y=\"%d\">",
             PLOT_X, p->bottom, PLOT_X + PLOT_WIDE, p->bottom + 18);
    for (double t_s = 0; t_s <= p->span_s; t_s += tick_s) {
        char time[16];
        page_put(p->out, "<text class=\"tick mid\" x=\"%.1f\" y=\"%d\">%s</text>", x_of(p, t_s),
                 p->bottom + 18, words_time(t_s, time, sizeof time));
    }
    page_put(p->out, "</g>\n");
}

/* Would a name over y lie on that limit's line? */
static bool under_limit(const struct plot *p, double limit_c, double y)
{
    return chart_shows_limit(&p->h->run, limit_c) && y_of(p, limit_c) <= y &&
           y_of(p, limit_c) > y - 22;
}

/* Between solidus and liquidus the joint is neither. */
static void write_bands(const struct plot *p)
{
    for (int32_t i = 0; i < p->h->joint_count; i++) {
        const struct history_joint *joint = &p->h->joint[i];
        double high = y_of(p, joint->liquidus_c), low = y_of(p, joint->solidus_c);
        if (!page_has_joint(p->h, i) || joint->solidus_c > p->top_c)
            continue;
        bool below = under_limit(p, p->h->run.limits.plate_mc / 1000.0, high) ||
                     under_limit(p, p->h->run.limits.board_mc / 1000.0, high);
        page_put(p->out,
                 "<rect class=\"band\" x=\"%d\" y=\"%.1f\" width=\"%d\" height=\"%.1f\"/>"
                 "<text class=\"name end halo\" x=\"%d\" y=\"%.1f\">",
                 PLOT_X, high, PLOT_WIDE, fmax(low - high, 3), PLOT_X + PLOT_WIDE - 4,
                 below ? fmax(low, high + 3) + 13 : high - 5);
        report_markup(p->out, joint->name);
        page_put(p->out, " melts, %.0f–%.0f °C</text>\n", joint->solidus_c, joint->liquidus_c);
    }
}

static void write_limit(const struct plot *p, double limit_c, const char *name, bool below)
{
    double y = y_of(p, limit_c);
    page_put(p->out,
             "<line class=\"limit\" x1=\"%d\" x2=\"%d\" y1=\"%.1f\" y2=\"%.1f\"/>"
             "<text class=\"name halo\" x=\"%d\" y=\"%.1f\">%s limit %.0f °C</text>\n",
             PLOT_X, PLOT_X + PLOT_WIDE, y, y, PLOT_X + 6, y + (below ? 15 : -6), name, limit_c);
}

static void write_limits(const struct plot *p)
{
    const struct run *run = &p->h->run;
    double plate_c = run->limits.plate_mc / 1000.0, board_c = run->limits.board_mc / 1000.0;
    bool plate = run->limits.uses_plate && chart_shows_limit(run, plate_c);
    bool board = run->limits.has_board && chart_shows_limit(run, board_c);
    bool near = plate && board && fabs(y_of(p, plate_c) - y_of(p, board_c)) < 20;
    if (plate)
        write_limit(p, plate_c, plate && board && plate_c == board_c ? "plate and board" : "plate",
                    near && plate_c < board_c);
    if (board && !(plate && plate_c == board_c))
        write_limit(p, board_c, "board", near && board_c < plate_c);
}

/* ---- curves ------------------------------------------------------------------------------------ */

static double value_of(const struct history_point *point, int col)
{
    const float values[] = {point->t_s,
                            point->plate_c,
                            point->board_c,
                            point->target_c,
                            point->joint_c[0],
                            point->joint_c[1],
                            point->joint_c[2],
                            point->joint_c[3],
                            100 * point->molten[0],
                            100 * point->molten[1],
                            100 * point->molten[2],
                            100 * point->molten[3],
                            point->volts,
                            point->amps};
    return (double)values[col];
}

enum {
    COL_TIME,
    COL_PLATE,
    COL_BOARD,
    COL_TARGET,
    COL_JOINT,
    COL_MOLTEN = COL_JOINT + BOARD_JOINTS,
    COL_VOLTS = COL_MOLTEN + BOARD_JOINTS,
    COL_AMPS,
    COLS,
};

static bool has_col(const struct page *page, int col)
{
    if (col >= COL_JOINT && col < COL_VOLTS)
        return page_has_joint(page->h, (col - COL_JOINT) % BOARD_JOINTS);
    if (col >= COL_VOLTS)
        return page_was_fed(page->h);
    for (int32_t i = 0; i < page->rows; i++)
        if (!isnan(value_of(&page->h->point[page->row[i]], col)))
            return true;
    return false;
}

/* Its place among the table's columns. */
static int shown_col(const struct page *page, int col)
{
    int shown = 0;
    for (int i = 0; i < col; i++)
        shown += has_col(page, i);
    return shown;
}

/* y0: where 0 lies; k: pixels per unit. */
static void write_curve(const struct plot *p, int col, const char *class, double y0, double k)
{
    bool drawing = false;
    if (!has_col(p->page, col))
        return;
    page_put(p->out,
             "<path clip-path=\"url(#plot)\" class=\"curve %s\" data-col=\"%d\" data-y0=\"%.4f\" "
             "data-k=\"%.6f\" d=\"",
             class, shown_col(p->page, col), y0, k);
    for (int32_t i = 0; i < p->page->rows; i++) {
        const struct history_point *point = &p->h->point[p->page->row[i]];
        double value = value_of(point, col);
        if (!isnan(value))
            page_put(p->out, "%c%.1f %.1f", drawing ? 'L' : 'M', x_of(p, (double)point->t_s),
                     y0 - k * value);
        drawing = !isnan(value);
    }
    page_put(p->out, "\"/>\n");
}

/* The same, filled down to 0; a gap ends the piece. */
static void write_area(const struct plot *p, int col, const char *class, double y0, double k)
{
    double begun = (double)NAN, last = 0;
    page_put(p->out,
             "<path clip-path=\"url(#plot)\" class=\"%s\" data-area data-col=\"%d\" "
             "data-y0=\"%.1f\" data-k=\"%.6f\" d=\"",
             class, shown_col(p->page, col), y0, k);
    for (int32_t i = 0; i <= p->page->rows; i++) {
        const struct history_point *point =
            i < p->page->rows ? &p->h->point[p->page->row[i]] : NULL;
        double value = point ? value_of(point, col) : (double)NAN;
        if (isnan(value) && !isnan(begun))
            page_put(p->out, "L%.1f %.1fL%.1f %.1fZ", last, y0, begun, y0);
        if (isnan(value)) {
            begun = (double)NAN;
            continue;
        }
        last = x_of(p, (double)point->t_s);
        page_put(p->out, "%c%.1f %.1f", isnan(begun) ? 'M' : 'L', last, y0 - k * value);
        begun = isnan(begun) ? last : begun;
    }
    page_put(p->out, "\"/>\n");
}

static float forecast_of(const struct history_forecast *point, int col)
{
    return col == COL_PLATE ? point->plate_c : col == COL_BOARD ? point->board_c : point->joint_c;
}

/* What the rehearsal before the run foresaw, broad and pale behind what came. */
static void write_forecast(const struct plot *p, int col, const char *class)
{
    const struct history *h = p->h;
    char sign = 'M';
    if (h->forecast_count < 2)
        return;
    page_put(p->out,
             "<path clip-path=\"url(#plot)\" class=\"curve foreseen %s\" data-y0=\"%d\" "
             "data-k=\"%.6f\" data-points=\"",
             class, p->bottom, pixels_per_c(p));
    for (int pass = 0; pass < 2; pass++) {
        bool first = true;
        for (int32_t i = 0; i < h->forecast_count; i++) {
            double t_s = (double)h->forecast[i].t_s, c = (double)forecast_of(&h->forecast[i], col);
            if (isnan(c) || t_s > p->span_s)
                continue;
            if (pass == 0)
                page_put(p->out, "%s%.1f,%.1f", first ? "" : " ", t_s, c);
            else
                page_put(p->out, "%c%.1f %.1f", sign, x_of(p, t_s), y_of(p, c));
            first = false;
            sign = pass ? 'L' : 'M';
        }
        page_put(p->out, pass ? "\"/>\n" : "\" d=\"");
    }
}

/* ---- what happened ----------------------------------------------------------------------------- */

static bool is_hand_event(const struct history_event *event)
{
    return !strcmp(event->kind, "do") || !strcmp(event->kind, "confirm") ||
           !strcmp(event->kind, "ask") || !strcmp(event->kind, "check") ||
           !strcmp(event->kind, "fault");
}

int plot_mark(const struct history *h, int32_t event)
{
    int number = 0;
    for (int32_t i = 0; i <= event; i++)
        number += is_hand_event(&h->event[i]);
    return is_hand_event(&h->event[event]) ? number : 0;
}

static void write_hands(const struct plot *p, double y)
{
    double free_x = 0; /* marks that would lie on one another stand side by side */
    page_put(p->out, "<text class=\"tick end\" x=\"%d\" y=\"%.1f\">asked</text>\n", PLOT_X - 12,
             y + 15);
    for (int32_t i = 0; i < p->h->event_count; i++) {
        const struct history_event *event = &p->h->event[i];
        int number = plot_mark(p->h, i);
        if (!number || event->at_s > p->span_s)
            continue;
        double x = x_of(p, event->at_s), aside = fmax(free_x - x, 0);
        page_put(p->out, "<g data-t=\"%.1f\" transform=\"translate(%.1f 0)\"><title>", event->at_s,
                 x);
        report_markup(p->out, event->text);
        page_put(p->out,
                 "</title><circle class=\"mark\" cx=\"%.1f\" cy=\"%.1f\" r=\"9\"/><text x=\"%.1f\" "
                 "y=\"%.1f\">%d</text></g>\n",
                 aside, y + 11, aside, y + 15, number);
        free_x = x + aside + 19;
    }
}

static void write_melts(const struct plot *p)
{
    for (int32_t i = 0; i < p->h->run.melt_count; i++) {
        const struct run_melt *melt = &p->h->run.melt[i];
        if (melt->at_s > p->span_s)
            continue;
        page_put(p->out,
                 "<g data-t=\"%.1f\" transform=\"translate(%.1f 0)\"><path class=\"melt\" "
                 "d=\"M0 %dl6 -11h-12z\"/><text class=\"name halo end\" x=\"-9\" y=\"%d\">",
                 melt->at_s, x_of(p, melt->at_s), p->bottom, p->bottom - 5);
        report_markup(p->out, melt->joint);
        page_put(p->out, " molten</text></g>\n");
    }
}

static void write_trip(const struct plot *p)
{
    const struct run *run = &p->h->run;
    char time[16];
    if (!run->tripped || run->trip_rule >= RULES || run->trip_s > p->span_s)
        return;
    double x = x_of(p, run->trip_s);
    bool left = x > PLOT_X + PLOT_WIDE / 2.0;
    page_put(p->out,
             "<line class=\"trip\" data-t=\"%.1f\" x1=\"%.1f\" x2=\"%.1f\" y1=\"%d\" y2=\"%d\"/>\n",
             run->trip_s, x, x, PLOT_Y, p->bottom);
    page_put(p->out,
             "<g data-t=\"%.1f\" transform=\"translate(%.1f 0)\"><text class=\"trip-name halo%s\" "
             "x=\"%d\" y=\"%d\">%s at %s</text></g>\n",
             run->trip_s, x, left ? " end" : "", left ? -7 : 7, PLOT_Y + 16,
             rules[run->trip_rule].id, words_time(run->trip_s, time, sizeof time));
}

/* ---- lanes below ------------------------------------------------------------------------------- */

static bool melts(const struct history *h, int joint)
{
    for (int32_t i = 0; i < h->point_count; i++)
        if ((double)h->point[i].molten[joint] > 0)
            return true;
    return false;
}

static int lanes(const struct history *h)
{
    int count = 0;
    for (int i = 0; i < BOARD_JOINTS; i++)
        count += melts(h, i);
    return count;
}

/* How much of a joint is molten, by the live estimate. */
static double write_molten(const struct plot *p, double y)
{
    for (int i = 0; i < BOARD_JOINTS; i++) {
        if (!melts(p->h, i))
            continue;
        page_put(
            p->out,
            "<rect class=\"lane\" x=\"%d\" y=\"%.1f\" width=\"%d\" height=\"%d\"/>"
            "<text class=\"tick end\" x=\"%d\" y=\"%.1f\">molten</text><text class=\"name halo\" "
            "x=\"%d\" y=\"%.1f\">",
            PLOT_X, y, PLOT_WIDE, LANE_HIGH - 4, PLOT_X - 7, y + 13, PLOT_X + 6, y + 13);
        report_markup(p->out, i < p->h->joint_count ? p->h->joint[i].name : "");
        page_put(p->out, "</text>\n");
        write_area(p, COL_MOLTEN + i, "share", y + LANE_HIGH - 4, (LANE_HIGH - 4) / 100.0);
        y += LANE_HIGH;
    }
    return y;
}

/* The next of 1, 2, 5 times a power of ten. */
static double round_up(double value)
{
    double power = pow(10, floor(log10(fmax(value, 1e-3))));
    double part = value / power;
    return power * (part <= 1 ? 1 : part <= 2 ? 2 : part <= 5 ? 5 : 10);
}

static double highest_of(const struct page *page, int col)
{
    double most = 0;
    for (int32_t i = 0; i < page->rows; i++)
        most = fmax(most, value_of(&page->h->point[page->row[i]], col)); /* fmax passes over NAN */
    return most;
}

static void write_fed(const struct plot *p, double y)
{
    double volts = round_up(highest_of(p->page, COL_VOLTS)),
           amps = round_up(highest_of(p->page, COL_AMPS));
    double bottom = y + FED_HIGH - 12;
    page_put(p->out,
             "<rect class=\"ground\" x=\"%d\" y=\"%.1f\" width=\"%d\" height=\"%d\"/>"
             "<path class=\"axis\" d=\"M%d %.1fH%d\"/>"
             "<text class=\"name volts-name end\" x=\"%d\" y=\"%.1f\">%g V</text>"
             "<text class=\"name amps-name\" x=\"%d\" y=\"%.1f\">%g A</text>\n",
             PLOT_X, y, PLOT_WIDE, FED_HIGH - 12, PLOT_X, bottom, PLOT_X + PLOT_WIDE, PLOT_X - 7,
             y + 11, volts, PLOT_X + 6, y + 13, amps);
    write_curve(p, COL_VOLTS, "volts", bottom, (FED_HIGH - 16) / volts);
    write_curve(p, COL_AMPS, "amps", bottom, (FED_HIGH - 16) / amps);
}

/* ---- the whole --------------------------------------------------------------------------------- */

static void legend_item(const struct page *page, const char *class, const char *text)
{
    page_put(page->out,
             "<li><svg viewBox=\"0 0 30 10\" aria-hidden=\"true\"><path class=\"curve %s\" d=\"M1 "
             "5H29\"/>"
             "</svg>",
             class);
    report_markup(page->out, text);
    page_put(page->out, "</li>\n");
}

static void write_legend(const struct page *page)
{
    char joint[BENCH_NAME + 64];
    page_put(page->out, "<ul class=\"legend\">\n");
    if (has_col(page, COL_PLATE))
        legend_item(page, "plate", "plate, read");
    if (has_col(page, COL_BOARD))
        legend_item(page, "board", "board, read");
    for (int i = 0; i < BOARD_JOINTS; i++) {
        snprintf(joint, sizeof joint, "%s, its coldest place by the live estimate",
                 i < page->h->joint_count ? page->h->joint[i].name : "joint");
        if (page_has_joint(page->h, i))
            legend_item(page, i ? "joint other" : "joint", joint);
    }
    if (has_col(page, COL_TARGET))
        legend_item(page, "target", "wanted");
    if (page->h->forecast_count > 1)
        legend_item(page, "foreseen plate", "foreseen by the rehearsal before the run");
    if (page_was_fed(page->h)) {
        legend_item(page, "volts", "volts");
        legend_item(page, "amps", "amps");
    }
    page_put(page->out, "</ul>\n");
}

static void write_table(const struct page *page)
{
    static const char *const names[COLS] = {
        "t, s",        "plate, °C",   "board, °C",   "wanted, °C", "joint, °C",
        "joint 2, °C", "joint 3, °C", "joint 4, °C", "molten, %",  "molten 2, %",
        "molten 3, %", "molten 4, %", "supply, V",   "supply, A"};
    page_put(page->out,
             "<details><summary>The %d points of the curves, of %lld scans</summary><div "
             "class=\"wide\"><table id=\"points\"><thead><tr>",
             (int)page->rows, (long long)page->h->scans);
    bool shown[COLS];
    for (int col = 0; col < COLS; col++) {
        shown[col] = has_col(page, col);
        if (shown[col])
            page_put(page->out, "<th class=\"n\">%s</th>", names[col]);
    }
    page_put(page->out, "</tr></thead><tbody>\n");
    for (int32_t i = 0; i < page->rows; i++) {
        page_put(page->out, "<tr>");
        for (int col = 0; col < COLS; col++) {
            double value = value_of(&page->h->point[page->row[i]], col);
            if (shown[col] && isnan(value))
                page_put(page->out, "<td>");
            else if (shown[col])
                page_put(page->out, "<td>%.*f",
                         col >= COL_VOLTS    ? 3
                         : col >= COL_MOLTEN ? 0
                                             : 1,
                         value);
        }
        page_put(page->out, "\n");
    }
    page_put(page->out, "</tbody></table></div></details>\n");
}

void plot_write(const struct page *page)
{
    const struct history *h = page->h;
    bool heats = h->run.limits.uses_plate;
    struct plot p = {page,
                     h,
                     page->out,
                     page->top_c,
                     page->span_s,
                     heats ? PLOT_HIGH : 0,
                     heats ? PLOT_Y + PLOT_HIGH : PLOT_Y};
    bool fed = page_was_fed(h);
    int high = p.bottom + LANES_BELOW + LANE_HIGH * (lanes(h) + 1) + (fed ? FED_HIGH + 8 : 0) + 4;
    write_legend(page);
    page_put(
        page->out,
        "<figure><svg class=\"chart\" tabindex=\"0\" role=\"img\" aria-label=\"temperatures over "
        "time; the table below has the figures\" viewBox=\"0 0 %d %d\" data-x=\"%d\" "
        "data-wide=\"%d\" data-span=\"%.3f\">\n"
        "<clipPath id=\"plot\"><rect x=\"%d\" y=\"0\" width=\"%d\" height=\"%d\"/></clipPath>\n",
        WIDE, high, PLOT_X, PLOT_WIDE, p.span_s, PLOT_X, PLOT_WIDE, high);
    write_stages(&p);
    write_grid(&p);
    if (heats) {
        write_bands(&p);
        write_limits(&p);
    }
    write_forecast(&p, COL_PLATE, "plate");
    write_forecast(&p, COL_BOARD, "board");
    write_forecast(&p, COL_JOINT, "joint");
    write_curve(&p, COL_TARGET, "target", p.bottom, pixels_per_c(&p));
    write_curve(&p, COL_PLATE, "plate", p.bottom, pixels_per_c(&p));
    write_curve(&p, COL_BOARD, "board", p.bottom, pixels_per_c(&p));
    for (int i = 0; i < BOARD_JOINTS; i++)
        write_curve(&p, COL_JOINT + i, i ? "joint other" : "joint", p.bottom, pixels_per_c(&p));
    write_trip(&p);
    write_melts(&p);
    double y = write_molten(&p, p.bottom + LANES_BELOW);
    write_hands(&p, y);
    if (fed)
        write_fed(&p, y + LANE_HIGH + 8);
    page_put(
        page->out,
        "<line class=\"cross\" y1=\"%d\" y2=\"%d\"/>\n</svg><div id=\"readout\"></div></figure>\n"
        "<div class=\"tools\"><button data-zoom=\"0.5\">closer</button><button "
        "data-zoom=\"2\">wider</button><button>whole run</button> arrow keys read it point by "
        "point; Ctrl and the wheel, or a double click, look closer; drag moves</div>\n",
        PLOT_Y, high);
    write_table(page);
}
