/* SPDX-License-Identifier: MIT */
/* Pictures of the heat in a rehearsal: when each place of the frame melted, and the boards' upper faces. */
#include "tinlatch/report.h"

#include <math.h>
#include <string.h>

#include "page.h"
#include "words.h"

enum {
    WIDTH = 900,
    MARGIN = 40,
    TOP = 84,
    MAP_TOP = 104, /* numbers stand above the edge */
    SCALE_HIGH = 14,
    FOOT = 84,
    GAP = 64,
    STEPS = 9,
    WIDEST = 640,
};

/* Cividis (Nunez, Anderton, Renslow, PLoS ONE 13 (2018) e0199239): even in lightness, the same to people who do not
 * see red or green. */
static const unsigned char shades[STEPS][3] = {{0, 34, 78},     {26, 56, 111},   {67, 78, 108},
                                               {96, 101, 111},  {125, 124, 120}, {156, 149, 118},
                                               {190, 175, 108}, {225, 203, 85},  {254, 232, 56}};

static void shade(double share, char *text, size_t size)
{
    double at = fmin(fmax(share, 0), 1) * (STEPS - 1);
    int i = (int)fmin(at, STEPS - 2);
    int rgb[3];
    for (int k = 0; k < 3; k++)
        rgb[k] = (int)lround(shades[i][k] + (at - i) * (shades[i + 1][k] - shades[i][k]));
    snprintf(text, size, "#%02x%02x%02x", (unsigned)rgb[0], (unsigned)rgb[1], (unsigned)rgb[2]);
}

/* A stranger's name, harmless to XML. */
static void write_name(FILE *out, const char *name)
{
    char plain[WORD_TEXT];
    for (const char *c = words_plain(name, plain, sizeof plain); *c; c++)
        fprintf(out, strchr("<>&\"", *c) ? "&#%d;" : "%c", *c);
}

struct range {
    double from, to;
};

static double share_of(const struct range *range, double value)
{
    return range->to > range->from ? (value - range->from) / (range->to - range->from) : 0;
}

/* A picture of its own, or (`page`) one within a page, whose own style it has. */
static void begin(FILE *out, bool page, double high, const char *title, const char *about)
{
    if (page) {
        fprintf(out,
                "<svg class=\"map\" viewBox=\"0 40 %d %.0f\" role=\"img\" aria-label=\"%s\">\n"
                "<text class=\"s\" x=\"%d\" y=\"58\">%s</text>\n",
                WIDTH, high - 40, title, MARGIN, about);
        return;
    }
    fprintf(out,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 %d %.0f\" width=\"%d\" "
            "height=\"%.0f\" role=\"img\">\n<title>%s</title>\n"
            "<style type=\"text/css\">text{font:12px "
            "sans-serif;fill:#202020}.h{font-size:17px;font-weight:600}"
            ".s{fill:#5a5a5a}.m{text-anchor:middle}.e{text-anchor:end}.b{font-weight:600}"
            ".n{paint-order:stroke;stroke:#fff;stroke-width:3;font-size:13px}"
            ".slab{fill:#f4f4f2;stroke:#c8c8c4}.line{stroke:#202020}.spot{fill:#fff;stroke:#202020}"
            ".place{stroke:#8a8a86;stroke-width:.6}"
            ".never{fill:#fff;stroke:#d55e00;stroke-width:1.5}</style>\n"
            "<rect width=\"100%%\" height=\"100%%\" fill=\"#fff\"/>\n"
            "<text class=\"h\" x=\"%d\" y=\"36\">%s</text>\n"
            "<text class=\"s\" x=\"%d\" y=\"58\">%s</text>\n",
            WIDTH, high, WIDTH, high, title, MARGIN, title, MARGIN, about);
}

/* A bar of all shades with five figures under it. */
static void write_scale(FILE *out, double y, const struct range *range, bool is_time)
{
    double wide = WIDTH - 2 * MARGIN;
    fputs("<defs><linearGradient id=\"scale\">", out);
    for (int i = 0; i < STEPS; i++) {
        char colour[8];
        shade((double)i / (STEPS - 1), colour, sizeof colour);
        fprintf(out, "<stop offset=\"%.3f\" stop-color=\"%s\"/>", (double)i / (STEPS - 1), colour);
    }
    fprintf(out,
            "</linearGradient></defs>\n<rect x=\"%d\" y=\"%.1f\" width=\"%.1f\" height=\"%d\" "
            "rx=\"2\" fill=\"url(#scale)\"/>\n",
            MARGIN, y, wide, SCALE_HIGH);
    for (int i = 0; i <= 4; i++) {
        double value = range->from + (range->to - range->from) * i / 4;
        char text[32];
        if (is_time) {
            words_time(value, text, sizeof text);
            strcat(text, i == 0 ? " min:s" : "");
        } else
            snprintf(text, sizeof text, "%.0f C", value);
        fprintf(out, "<text class=\"%s\" x=\"%.1f\" y=\"%.1f\">%s</text>\n",
                i == 0   ? "s"
                : i == 4 ? "s e"
                         : "s m",
                MARGIN + wide * i / 4, y + SCALE_HIGH + 16, text);
    }
}

/* ---- when each place of the frame melted ---- */

static bool of_joint(const struct run_place *place, int joint)
{
    return place->joint == joint;
}

static int places_of(const struct run_heat *heat, int joint)
{
    int count = 0;
    for (int i = 0; i < heat->places; i++)
        count += of_joint(&heat->place[i], joint);
    return count;
}

static bool on_edge(const struct run_heat *heat, int joint)
{
    for (int i = 0; i < heat->places; i++)
        if (of_joint(&heat->place[i], joint) && run_on_edge(&heat->place[i]))
            return true;
    return false;
}

static bool melted(const struct run_place *place)
{
    return !isnan((double)place->melts_s);
}

static void mark(FILE *out, double x, double y, double middle_x, double middle_y, const char *what,
                 double at_s)
{
    char time[16];
    double dx = middle_x - x, dy = middle_y - y, length = fmax(hypot(dx, dy), 1);
    double to_x = x + 62 * dx / length, to_y = y + 62 * dy / length;
    words_time(at_s, time, sizeof time);
    fprintf(out,
            "<line class=\"line\" x1=\"%.1f\" y1=\"%.1f\" x2=\"%.1f\" y2=\"%.1f\"/>"
            "<circle class=\"spot\" cx=\"%.1f\" cy=\"%.1f\" r=\"3\"/>\n"
            "<text class=\"b m\" x=\"%.1f\" y=\"%.1f\">%s</text>"
            "<text class=\"m\" x=\"%.1f\" y=\"%.1f\">%s</text>\n",
            x, y, to_x, to_y, x, y, to_x, to_y + (dy > 0 ? 14 : -26), what, to_x,
            to_y + (dy > 0 ? 32 : -8), time);
}

static struct range melt_range(const struct run_heat *heat, int joint, int *first, int *last,
                               int *never)
{
    struct range range = {HUGE_VAL, -HUGE_VAL};
    *first = *last = -1;
    *never = 0;
    for (int i = 0; i < heat->places; i++) {
        const struct run_place *place = &heat->place[i];
        if (!of_joint(place, joint))
            continue;
        if (!melted(place)) {
            (*never)++;
            continue;
        }
        if ((double)place->melts_s < range.from) {
            range.from = (double)place->melts_s;
            *first = i;
        }
        if ((double)place->melts_s > range.to) {
            range.to = (double)place->melts_s;
            *last = i;
        }
    }
    return range;
}

/* "last: 4, 6", the segments whose first, or last, place melted at that moment. */
static void mark_words(const struct run_heat *heat, int joint, bool last, double at_s, char *out,
                       size_t size)
{
    bool of[JOINT_SEGMENTS + 1] = {false};
    size_t used = (size_t)snprintf(out, size, last ? "last" : "first");
    const char *before = ": ";
    for (int i = 0; i < heat->places; i++)
        if (of_joint(&heat->place[i], joint) && (double)heat->place[i].melts_s == at_s)
            of[heat->place[i].segment] = true;
    for (int i = 1; i <= JOINT_SEGMENTS; i++)
        if (of[i]) {
            used += (size_t)snprintf(out + used, size - used, "%s%d", before, i);
            before = ", ";
        }
}

/* Where the board lies in the picture. */
struct map {
    double left, scale, length, width, dot; /* px, px/mm, mm, mm, px */
};

static double map_x(const struct map *map, const struct run_place *place)
{
    return map->left + map->scale * (double)place->x_mm;
}

static double map_y(const struct map *map, const struct run_place *place)
{
    return MAP_TOP + map->scale * (map->width - (double)place->y_mm);
}

/* At its segment's middle place: of a joint along the edge outside of the board, else on it. */
static void write_number(const struct map *map, const struct run_place *place, bool edge, FILE *out)
{
    double x = map_x(map, place), y = map_y(map, place), away = 0.5 * map->dot + 11;
    double west = (double)place->x_mm, east = map->length - west;
    double south = (double)place->y_mm, north = map->width - south;
    double near = fmin(fmin(west, east), fmin(south, north));
    if (edge && near == west)
        x -= away;
    else if (edge && near == east)
        x += away;
    else if (edge)
        y += near == south ? away : -away;
    fprintf(out, "<text class=\"b m n\" x=\"%.1f\" y=\"%.1f\">%d</text>\n", x, y + 4.5,
            (int)place->segment);
}

static void write_numbers(const struct run_heat *heat, int joint, const struct map *map, bool edge,
                          FILE *out)
{
    for (int segment = 1; segment <= JOINT_SEGMENTS; segment++) {
        int count = 0, at = 0;
        for (int i = 0; i < heat->places; i++)
            count += of_joint(&heat->place[i], joint) && heat->place[i].segment == segment;
        for (int i = 0; i < heat->places && count > 0; i++)
            if (of_joint(&heat->place[i], joint) && heat->place[i].segment == segment &&
                at++ == count / 2)
                write_number(map, &heat->place[i], edge, out);
    }
}

static void write_place(const struct map *map, const struct run_place *place,
                        const struct range *range, FILE *out)
{
    char colour[8] = "#ffffff", time[16] = "never";
    if (melted(place)) {
        shade(share_of(range, (double)place->melts_s), colour, sizeof colour);
        words_time((double)place->melts_s, time, sizeof time);
    }
    fprintf(out,
            "<rect class=\"%s\" x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" height=\"%.1f\" "
            "rx=\"1.5\" fill=\"%s\"><title>x %.1f mm, y %.1f mm: %s</title></rect>\n",
            melted(place) ? "place" : "never", map_x(map, place) - 0.5 * map->dot,
            map_y(map, place) - 0.5 * map->dot, map->dot, map->dot, colour, (double)place->x_mm,
            (double)place->y_mm, time);
}

static void write_melt_map(const struct run_heat *heat, bool page, FILE *out)
{
    int joint = run_heat_joint(heat), first, last, never,
        count = joint < 0 ? 0 : places_of(heat, joint);
    struct range range = melt_range(heat, joint, &first, &last, &never);
    double length = fmax((double)heat->length_mm[0], 1), width = fmax((double)heat->width_mm[0], 1);
    double scale = fmin((WIDTH - 2.0 * MARGIN - 40) / length, WIDEST * 0.75 / width);
    double left = 0.5 * (WIDTH - scale * length), high = scale * width;
    double dot = count > 0 ? fmin(fmax(0.9 * scale * 2 * (length + width) / count, 4), 26) : 4;
    struct map map = {left, scale, length, width, dot};
    char about[200];
    snprintf(about, sizeof about,
             "%d places in the simulated world, numbered by segment; dark melts first, bright "
             "last%s",
             count, never ? ", hollow ones never" : "");
    begin(out, page, MAP_TOP + high + FOOT + 20, "When each place of the joint melted", about);
    fprintf(out,
            "<rect class=\"slab\" x=\"%.1f\" y=\"%d\" width=\"%.1f\" height=\"%.1f\" rx=\"6\"/>\n",
            left, MAP_TOP, scale * length, high);
    for (int i = 0; i < heat->places; i++)
        if (of_joint(&heat->place[i], joint))
            write_place(&map, &heat->place[i], &range, out);
    /* Names of an edge's places lie inwards of them, the joint's in the middle; of what lies on the board above, below
     * and at its top. */
    bool edge = joint >= 0 && on_edge(heat, joint);
    double middle_x = left + 0.5 * scale * length;
    double middle_y = edge ? MAP_TOP + 0.5 * high : MAP_TOP + 22;
    for (int k = 0; k < 2 && first >= 0; k++) {
        const struct run_place *place = &heat->place[k ? last : first];
        double x = map_x(&map, place), y = map_y(&map, place);
        char what[48];
        mark_words(heat, joint, k, (double)place->melts_s, what, sizeof what);
        mark(out, x, y, edge ? middle_x : x, edge ? middle_y : y + (k ? 99 : -99), what,
             (double)place->melts_s);
    }
    write_numbers(heat, joint, &map, edge, out);
    fprintf(out, "<text class=\"b m\" x=\"%.1f\" y=\"%.1f\">", middle_x, middle_y - 4);
    write_name(out, heat->joint);
    fprintf(out, "</text><text class=\"s m\" x=\"%.1f\" y=\"%.1f\">%.0f x %.0f mm</text>\n",
            middle_x, middle_y + 14, length, width);
    if (first >= 0)
        write_scale(out, MAP_TOP + high + 44, &range, true);
    fputs("</svg>\n", out);
}

void report_melt_map(const struct run_heat *heat, FILE *out)
{
    write_melt_map(heat, false, out);
}

void page_melt_map(const struct run_heat *heat, FILE *out)
{
    write_melt_map(heat, true, out);
}

/* ---- the boards' upper faces ---- */

static struct range face_range(const struct run_heat *heat)
{
    struct range range = {HUGE_VAL, -HUGE_VAL};
    for (int layer = 0; layer < BOARD_LAYERS; layer++)
        for (int i = 0; i < heat->cells_x[layer] * heat->cells_y[layer]; i++) {
            range.from = fmin(range.from, (double)heat->face_c[layer][i]);
            range.to = fmax(range.to, (double)heat->face_c[layer][i]);
        }
    return (struct range){floor(range.from), fmax(ceil(range.to), floor(range.from) + 1)};
}

static void write_face(FILE *out, const struct run_heat *heat, int layer, const struct range *range,
                       double left, double scale)
{
    int nx = heat->cells_x[layer], ny = heat->cells_y[layer];
    double wide = scale * (double)heat->length_mm[layer],
           high = scale * (double)heat->width_mm[layer];
    double least = HUGE_VAL, most = -HUGE_VAL;
    fprintf(out, "<g shape-rendering=\"crispEdges\">\n");
    for (int i = 0; i < nx * ny; i++) {
        char colour[8];
        double c = (double)heat->face_c[layer][i];
        least = fmin(least, c);
        most = fmax(most, c);
        shade(share_of(range, c), colour, sizeof colour);
        fprintf(out, "<rect x=\"%.2f\" y=\"%.2f\" width=\"%.2f\" height=\"%.2f\" fill=\"%s\"/>\n",
                left + wide * (i % nx) / nx, TOP + 26 + high * (ny - 1 - i / nx) / ny,
                wide / nx + 0.05, high / ny + 0.05, colour);
    }
    fprintf(out,
            "</g>\n<text class=\"b\" x=\"%.1f\" y=\"%d\">%s board, its upper face</text>"
            "<text class=\"s e\" x=\"%.1f\" y=\"%d\">%.0f to %.0f C</text>\n",
            left, TOP + 14, layer == LAYER_LOWER ? "lower" : "upper", left + wide, TOP + 14, least,
            most);
}

void report_heat_map(const struct run_heat *heat, FILE *out)
{
    struct range range = face_range(heat);
    int shown = 0;
    double length = 1, width = 1;
    for (int i = 0; i < BOARD_LAYERS; i++)
        if (heat->cells_x[i] > 0) {
            shown++;
            length = fmax(length, (double)heat->length_mm[i]);
            width = fmax(width, (double)heat->width_mm[i]);
        }
    double room = (WIDTH - 2.0 * MARGIN - (shown > 1 ? GAP : 0)) / (shown > 1 ? 2 : 1);
    double scale = fmin(room / length, WIDEST * 0.75 / width), left = MARGIN;
    char about[160], time[16];
    words_time((double)heat->at_s, time, sizeof time);
    snprintf(about, sizeof about, "in the simulated world at %s%s", time,
             shown ? "" : "; nothing lies on the insert");
    begin(out, false, TOP + 26 + scale * width + FOOT, "How warm the boards are", about);
    for (int i = 0; i < BOARD_LAYERS; i++) {
        if (heat->cells_x[i] <= 0)
            continue;
        write_face(out, heat, i, &range, left, scale);
        left += room + GAP;
    }
    if (shown)
        write_scale(out, TOP + 26 + scale * width + 32, &range, false);
    fputs("</svg>\n", out);
}

/* ---- every place, as a table ---- */

static void write_time(FILE *out, float t_s, char end)
{
    if (!isnan(t_s))
        fprintf(out, "%.2f", (double)t_s);
    fputc(end, out);
}

void report_places(const struct run *run, const struct run_heat *heat, FILE *out)
{
    fputs("joint,segment,x_mm,y_mm,melts_s,freezes_s\n", out);
    for (int i = 0; i < heat->places; i++) {
        const struct run_place *place = &heat->place[i];
        report_csv(out, run->joint[place->joint].joint);
        fprintf(out, ",%d,%.2f,%.2f,", (int)place->segment, (double)place->x_mm,
                (double)place->y_mm);
        write_time(out, place->melts_s, ',');
        write_time(out, place->freezes_s, '\n');
    }
}
