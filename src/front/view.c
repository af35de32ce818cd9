/* SPDX-License-Identifier: MIT */
/* The screen as text. Pure: the same state gives the same bytes. */
#include "front_private.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/utf8.h"

/* Marks of the first column: what a recipe writes never begins there. */
static const char GUARD_MARK[] = "#", RECIPE_MARK[] = "|";

/* ---- a page of rows --------------------------------------------------------------------------- */

enum tint { PLAIN, STRONG, TURNED, GOOD, HEED, BAD, DIM, TINTS };
static const char *const tints[TINTS] = {
    [PLAIN] = "0",   [STRONG] = "1",    [TURNED] = "1;7", [GOOD] = "32",
    [HEED] = "1;33", [BAD] = "1;37;41", [DIM] = "2",
};

struct page {
    char *at;
    size_t length, size;
    int columns, rows, row, column;
    bool colour, ascii, tinted;
};

static void page_bytes(struct page *page, const char *bytes, size_t length)
{
    if (page->length + length + 8 >= page->size) /* room for the last reset */
        return;
    memcpy(page->at + page->length, bytes, length);
    page->length += length;
}

static void page_tint(struct page *page, enum tint tint)
{
    char code[16];
    if (!page->colour || page->row >= page->rows)
        return;
    int n = snprintf(code, sizeof code, "\033[%sm", tints[tint]);
    page_bytes(page, code, (size_t)n);
    page->tinted = tint != PLAIN;
}

/* As much of a clean text as the row has room for. */
static void page_text(struct page *page, const char *text)
{
    if (page->row >= page->rows)
        return;
    for (size_t left = strlen(text), length; left > 0; text += length, left -= length) {
        length = utf8_length(text, left);
        length = length ? length : 1;
        bool unfit = page->ascii && length > 1;
        int width = unfit ? 1 : text_width(text, length);
        if (page->column + width > page->columns)
            return;
        page_bytes(page, unfit ? "?" : text, unfit ? 1 : length);
        page->column += width;
    }
}

static void page_to(struct page *page, int column)
{
    while (page->column < column && page->column < page->columns)
        page_text(page, " ");
}

static void page_end(struct page *page)
{
    if (page->tinted)
        page_tint(page, PLAIN);
    if (page->row + 1 < page->rows)
        page_bytes(page, "\n", 1);
    page->row++;
    page->column = 0;
}

static int rows_of(const char *text, int width)
{
    int rows = 1;
    if (width < 1)
        return 1;
    for (text = text_after(text, text_piece(text, width)); *text; rows++)
        text = text_after(text, text_piece(text, width));
    return rows;
}

/* `text` in rows of its own, each begun by `mark`, the first one also by `label`; at most `most`. */
static void page_wrap(struct page *page, const char *mark, const char *label, int indent,
                      const char *text, enum tint tint, int most)
{
    int width = page->columns - indent;
    for (int row = 0; row < most; row++) {
        size_t length = width > 0 ? text_piece(text, width) : strlen(text);
        char part[BENCH_TEXT];
        snprintf(part, sizeof part, "%.*s", (int)length, text);
        page_text(page, mark);
        if (row == 0)
            page_text(page, label);
        page_to(page, indent);
        page_tint(page, tint);
        page_text(page, part);
        page_end(page);
        text = text_after(text, length);
        if (!*text)
            return;
    }
}

/* ---- the first row ------------------------------------------------------------------------------ */

static enum tint mode_tint(const struct front_state *state)
{
    if (state->fault[0] || state->silent_ms)
        return BAD;
    if (state->snapshot_known && state->snapshot.mode == GUARD_ENDED)
        return GOOD;
    return TURNED;
}

static void draw_head(struct page *page, const struct front_state *state)
{
    char text[FACT + 64], time[FACT];
    fact_time(state->snapshot.t_ms, time);
    page_tint(page, mode_tint(state));
    if (state->silent_ms)
        snprintf(text, sizeof text, "# THE GUARD IS SILENT FOR %d s: LOOK AT THE BENCH ",
                 state->silent_ms / 1000);
    else
        snprintf(text, sizeof text, "# %s ", fact_mode(state));
    page_text(page, text);
    page_tint(page, PLAIN);
    page_text(page, " ");
    int room = page->columns - (int)strlen(time) - 1 - page->column;
    if (room > 8) {
        snprintf(text, sizeof text, "%s", state->hello.title);
        text[text_piece(text, room)] = '\0';
        page_text(page, text);
    }
    page_to(page, page->columns - (int)strlen(time));
    page_text(page, time);
    page_end(page);
}

/* ---- large digits ------------------------------------------------------------------------------- */

/* Three by five points each; a row is three bits. */
static const char glyph_names[] = "0123456789-. ";
static const unsigned char glyphs[][5] = {
    {7, 5, 5, 5, 7}, {2, 6, 2, 2, 7}, {7, 1, 7, 4, 7}, {7, 1, 7, 1, 7}, {5, 5, 7, 1, 1},
    {7, 4, 7, 1, 7}, {7, 4, 7, 5, 7}, {7, 1, 1, 2, 2}, {7, 5, 7, 5, 7}, {7, 5, 7, 1, 7},
    {0, 0, 7, 0, 0}, {0, 0, 0, 0, 2}, {0, 0, 0, 0, 0},
};
enum { GLYPH_ROWS = 5, GLYPH_COLUMNS = 3 };

static bool point(char glyph, int row, int column)
{
    const char *at = strchr(glyph_names, glyph);
    if (!at || !*at || row >= GLYPH_ROWS)
        return false;
    return glyphs[at - glyph_names][row] >> (GLYPH_COLUMNS - 1 - column) & 1;
}

/* How a point becomes characters: `wide` columns and `high` rows; high 0: two points share a row. */
struct dial {
    int wide, high, rows;
};
static const struct dial dials[] = {
    {0, 0, 1}, /* a line of text */
    {2, 0, 3},
    {2, 1, 5},
    {4, 2, 10},
};
enum dial_size { DIAL_LINE, DIAL_SMALL, DIAL_MIDDLE, DIAL_LARGE };

static const char *mark_of(bool upper, bool lower, bool ascii)
{
    if (!upper && !lower)
        return " ";
    if (ascii)
        return upper && lower ? "#" : upper ? "\"" : "_";
    return upper && lower ? "\u2588" : upper ? "\u2580" : "\u2584";
}

static void draw_points(struct page *page, const struct dial *dial, const char *digits, int row)
{
    for (; *digits; digits++) {
        for (int column = 0; column < GLYPH_COLUMNS; column++) {
            bool upper = dial->high ? point(*digits, row / dial->high, column)
                                    : point(*digits, 2 * row, column);
            bool lower = dial->high ? upper : point(*digits, 2 * row + 1, column);
            for (int i = 0; i < dial->wide; i++)
                page_text(page, mark_of(upper, lower, page->ascii));
        }
        for (int i = 0; i < dial->wide; i++)
            page_text(page, " ");
    }
}

/* What the large figure is: the plate, or the supply's volts when nothing is heated. */
static const char *dial_digits(const struct front_state *state, char digits[8], bool ascii)
{
    const struct wire_snapshot *s = &state->snapshot;
    if (state->hello_known && !state->hello.recipe.uses_plate && s->plate_quality == QUALITY_NONE) {
        double volts = s->supply_mv / 1000.0;
        snprintf(digits, 8, s->supply_quality != QUALITY_GOOD ? " ---" : "%4.1f",
                 volts < 99 ? volts : 99);
        return "V";
    }
    int64_t whole = ((int64_t)s->plate_mc + (s->plate_mc < 0 ? -500 : 500)) / 1000;
    if (state->snapshot_known && s->plate_quality == QUALITY_GOOD && whole > -100 && whole < 1000)
        snprintf(digits, 8, "%3d", (int)whole);
    else
        snprintf(digits, 8, "---");
    return ascii ? "C" : "\u00B0C";
}

/* Columns to where its neighbours begin. */
static int dial_width(const struct front_state *state, enum dial_size size)
{
    char digits[8];
    dial_digits(state, digits, true);
    return 2 + (int)strlen(digits) * 4 * dials[size].wide + 4;
}

/* ---- the figures beside or below them ----------------------------------------------------------- */

/* With fewer columns beside the dial what stands there would lose its end. */
enum { LABEL = 8, BESIDE = 46 };

struct fact {
    const char *label;
    char text[FACT];
    enum tint tint;
};

static bool in_trouble(const struct front_state *state)
{
    return state->hands[0] || state->fault[0];
}

/* After a trip its rows stand elsewhere: no limit is near any more, and the stage is among the events. */
static int gather_facts(const struct front_state *state, struct fact facts[6])
{
    bool over = in_trouble(state) && fact_over(state);
    int n = 0;
    facts[n] = (struct fact){.label = "plate", .tint = STRONG};
    fact_plate(state, facts[n++].text);
    facts[n] = (struct fact){.label = "target"};
    fact_target(state, facts[n++].text);
    facts[n] = (struct fact){.label = "next", .tint = STRONG};
    fact_next(state, facts[n++].text);
    if (state->hello.recipe.uses_supply) {
        facts[n] =
            (struct fact){.label = "supply", .tint = state->snapshot.supply_on ? STRONG : PLAIN};
        fact_supply(state, facts[n++].text);
    }
    if (!over || state->snapshot.supply_on) {
        facts[n] = (struct fact){.label = "margin"};
        fact_margin(state, facts[n++].text);
    }
    if (!over) {
        facts[n] = (struct fact){.label = "stage"};
        snprintf(facts[n++].text, FACT, "%s", state->stage[0] ? state->stage : "-");
    }
    return n;
}

static void draw_fact(struct page *page, const struct fact *fact, int from)
{
    page_to(page, from);
    page_text(page, fact->label);
    page_to(page, from + LABEL);
    page_tint(page, fact->tint);
    page_text(page, fact->text);
}

static void draw_dial(struct page *page, const struct front_state *state, enum dial_size size,
                      bool beside, int rows)
{
    const struct dial *dial = &dials[size];
    struct fact facts[6];
    char digits[8];
    int count = gather_facts(state, facts), fact = 0;
    const char *unit = dial_digits(state, digits, page->ascii);
    if (size == DIAL_LINE)
        beside = true;
    for (int row = 0; row < rows; row++) {
        bool in_dial = row < dial->rows && dial->wide;
        if (in_dial) {
            page_to(page, 2);
            page_tint(page, fact_hot(state) ? HEED : PLAIN);
            draw_points(page, dial, digits, row);
            page_tint(page, PLAIN);
            if (row == dial->rows - 1)
                page_text(page, unit);
        }
        int first = dial->rows > count ? (dial->rows - count) / 2 : 0; /* in the middle beside */
        if ((!in_dial || (beside && row >= first)) && fact < count)
            draw_fact(page, &facts[fact++], beside && dial->wide ? dial_width(state, size) : 2);
        page_end(page);
    }
}

/* ---- trouble, prompt, events, keys -------------------------------------------------------------- */

enum { TROUBLE_INDENT = 8 };

static int trouble_rows(const struct front_state *state, int columns)
{
    char hands[BENCH_TEXT];
    const char *const texts[] = {hands_now(state, hands), state->fault, state->act, state->look};
    int rows = 0;
    for (int i = 0; i < COUNT(texts); i++)
        if (texts[i][0])
            rows += rows_of(texts[i], columns - TROUBLE_INDENT);
    return rows;
}

/* First what to do with one's hands. */
static void draw_trouble(struct page *page, const struct front_state *state, int most)
{
    char hands[BENCH_TEXT];
    const struct {
        const char *label, *text;
        enum tint tint;
    } lines[] = {
        {" HANDS", hands_now(state, hands), TURNED},
        {" WHAT", state->fault, BAD},
        {" DO", state->act, STRONG},
        {" THEN", state->look, PLAIN},
    };
    int end = page->row + most;
    for (int i = 0; i < COUNT(lines); i++)
        if (lines[i].text[0] && page->row < end)
            page_wrap(page, GUARD_MARK, lines[i].label, TROUBLE_INDENT, lines[i].text,
                      lines[i].tint, end - page->row);
}

static bool asks(const struct front_state *state)
{
    return state->leaving || state->prompt_kind != 0;
}

static const char *prompt_title(const struct front_state *state)
{
    if (state->leaving)
        return "# LEAVE WHILE IT IS HOT?";
    switch (state->prompt_kind) {
    case NOTE_CHECK:
        return "# CHECK (asked by the guard)";
    case NOTE_DO:
        return "? TO DO (said by the recipe)";
    case NOTE_ASK:
        return "? VALUE (asked by the recipe)";
    default:
        return "? QUESTION (asked by the recipe)";
    }
}

static const char *prompt_keys(const struct front_state *state)
{
    if (state->leaving)
        return "type the word leave, then Enter; Esc stays";
    if (state->answered)
        return "answered";
    switch (state->prompt_kind) {
    case NOTE_ASK:
        return strncmp(state->prompt_name, "meter-", 6) == 0 ? "type the reading, Enter    none: no"
                                                             : "type, Enter    as suggested: Enter";
    case NOTE_DO:
        return "done: Enter, space or y    cannot: n";
    default:
        return "yes: Enter, space or y    no: n";
    }
}

static const char *prompt_text(const struct front_state *state)
{
    return state->leaving ? "The bench is not safe to touch yet. Whoever comes next would not know."
                          : state->prompt;
}

static bool prompt_has_line(const struct front_state *state)
{
    return state->leaving || (state->prompt_kind == NOTE_ASK && !state->answered);
}

static int prompt_rows(const struct front_state *state, int columns)
{
    if (!asks(state))
        return 0;
    return 2 + rows_of(prompt_text(state), columns - 2) + (prompt_has_line(state) ? 1 : 0);
}

static void draw_prompt(struct page *page, const struct front_state *state, int most)
{
    bool ours = state->leaving || state->prompt_kind == NOTE_CHECK;
    const char *mark = ours ? GUARD_MARK : RECIPE_MARK;
    int end = page->row + most, below = 1 + (prompt_has_line(state) ? 1 : 0);
    page_tint(page, TURNED);
    page_text(page, prompt_title(state));
    page_end(page);
    int room = end - page->row - below;
    if (room > 0)
        page_wrap(page, mark, "", 2, prompt_text(state), STRONG, room);
    if (prompt_has_line(state)) {
        page_text(page, "> ");
        page_text(page, state->typed);
        page_text(page, "_");
        page_end(page);
    }
    page_text(page, mark);
    page_text(page, " ");
    page_text(page, prompt_keys(state));
    page_end(page);
}

enum { EVENT_INDENT = 17, EVENT_NARROW = 60 };

static void event_label(const struct front_event *event, char *label, size_t size)
{
    char time[FACT];
    fact_time(event->t_ms, time);
    snprintf(label, size, " %5.8s %s", time, event->kind);
}

/* 0: it stands above already. */
static int event_rows(const struct front_state *state, int event, int columns)
{
    const struct front_event *it = &state->event[event % FRONT_EVENTS];
    if (in_trouble(state) && event_is_summed_up(state, it))
        return 0;
    return columns < EVENT_NARROW ? 1 : rows_of(it->text, columns - EVENT_INDENT);
}

static void draw_event(struct page *page, const struct front_event *event, int rows)
{
    char label[64];
    event_label(event, label, sizeof label);
    page_wrap(page, event->guard ? GUARD_MARK : " ", label, EVENT_INDENT, event->text, PLAIN, rows);
}

/* The newest at the bottom, as many as fit whole. */
static void draw_events(struct page *page, const struct front_state *state, int rows)
{
    int kept = state->event_count < FRONT_EVENTS ? state->event_count : FRONT_EVENTS;
    int end = page->row + rows, first = state->event_count;
    for (int used = 0; first > state->event_count - kept; first--) {
        used += event_rows(state, first - 1, page->columns);
        if (used > rows)
            break;
    }
    for (int i = first; i < state->event_count; i++)
        draw_event(page, &state->event[i % FRONT_EVENTS], event_rows(state, i, page->columns));
    while (page->row < end)
        page_end(page);
}

static const char *keys_line(const struct front_state *state, int columns)
{
    bool heats = !state->hello_known || state->hello.recipe.uses_plate;
    if (fact_safe(state))
        return "safe to touch";
    if (fact_over(state))
        return columns < 60 ? "l leave before it is safe" : "l: leave before it is safe to touch";
    if (prompt_has_line(state)) /* letters are text */
        return columns < 70 ? "STOP Esc Tab ^C" : "STOP: Esc Tab ^C   letters and digits are text";
    if (!fact_recipe_runs(state))
        return columns < 70 ? "STOP s q Esc" : "STOP: s q Esc Tab ^C   any key: I am here";
    if (state->snapshot.parked)
        return columns < 70 ? "STOP s q Esc  p go on" : "STOP: s q Esc Tab ^C   p: go on";
    if (columns < 70)
        return heats ? "STOP s q Esc  p park  +- 2C  <> 30s" : "STOP s q Esc  p park  <> 30s";
    return heats ? "STOP: s q Esc Tab ^C   p: park   + -: 2 C   < >: 30 s   any key: I am here"
                 : "STOP: s q Esc Tab ^C   p: park   < >: 30 s   any key: I am here";
}

static void draw_keys(struct page *page, const struct front_state *state)
{
    page_tint(page, DIM);
    page_text(page, keys_line(state, page->columns));
    page_end(page);
}

/* ---- the whole ---------------------------------------------------------------------------------- */

/* After a trip the last events come before tall digits. */
static enum dial_size choose_dial(const struct page *page, const struct front_state *state,
                                  bool trouble, int spare)
{
    bool wide = page->columns >= dial_width(state, DIAL_LARGE) + BESIDE;
    bool fits = !trouble || spare - dials[DIAL_MIDDLE].rows >= LAST_EVENTS;
    if (page->columns < 30 || spare < 7)
        return DIAL_LINE;
    if (!trouble && page->rows >= 36 && wide)
        return DIAL_LARGE;
    if (fits && page->rows >= 20 && page->columns >= 60)
        return DIAL_MIDDLE;
    return DIAL_SMALL;
}

static int at_most(int value, int most)
{
    return value < most ? value : most < 0 ? 0 : most;
}

size_t front_draw(const struct front_state *state, int columns, int rows, bool colour, char *out,
                  size_t size)
{
    struct page page = {.at = out,
                        .size = size,
                        .columns = columns,
                        .rows = rows,
                        .colour = colour,
                        .ascii = state->ascii};
    bool trouble = in_trouble(state);
    struct fact facts[6];
    int fact_count = gather_facts(state, facts), left = rows - 2; /* without head and keys */

    draw_head(&page, state);
    int asked = at_most(prompt_rows(state, columns), left - 1);
    int troubled = trouble ? at_most(trouble_rows(state, columns), left - 1 - asked) : 0;
    if (troubled > 0)
        draw_trouble(&page, state, troubled);
    left -= asked + troubled;
    enum dial_size dial = choose_dial(&page, state, trouble, left);
    bool beside = columns >= dial_width(state, dial) + BESIDE;
    int dial_rows = beside && dial != DIAL_LINE
                        ? (dials[dial].rows > fact_count ? dials[dial].rows : fact_count)
                        : fact_count + (dial == DIAL_LINE ? 0 : dials[dial].rows);
    dial_rows = at_most(dial_rows, left);
    draw_dial(&page, state, dial, beside, dial_rows);
    left -= dial_rows;
    if (asked > 0)
        draw_prompt(&page, state, asked);
    if (left > 0)
        draw_events(&page, state, left);
    draw_keys(&page, state);
    page.at[page.length] = '\0';
    return page.length;
}
