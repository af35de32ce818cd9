/* SPDX-License-Identifier: MIT */
#include "check.h"

#include <signal.h>
#include <stdio.h>
#include <stdlib.h>

#include "front_private.h"
#include "tinlatch/utf8.h"

enum { OUT = 1 << 15 };

static struct front_state *fresh(void)
{
    static struct front_state state;
    memset(&state, 0, sizeof state);
    return &state;
}

/* ---- what the guard would send ------------------------------------------------------------------ */

static void take_hello(struct front_state *state, bool plate, bool supply)
{
    struct wire_hello hello = {.recipe = *limits_built_in()};
    wire_stamp(&hello.head, WIRE_HELLO, 1);
    hello.recipe.plate_mc = 190000;
    hello.recipe.uses_plate = plate;
    hello.recipe.uses_supply = supply;
    hello.recipe.has_board = true;
    hello.origins.of[LIMIT_plate_mc] = (struct limit_origin){LAYER_RECIPE, 10};
    snprintf(hello.title, sizeof hello.title, "Split the two-board stack");
    snprintf(hello.board_name, sizeof hello.board_name, "hx210");
    front_take(state, &hello, sizeof hello);
}

static struct wire_snapshot running(int64_t t_ms, int32_t plate_mc)
{
    struct wire_snapshot s = {.t_ms = t_ms,
                              .mode = GUARD_RUNNING,
                              .rule = -1,
                              .plate_mc = plate_mc,
                              .plate_quality = QUALITY_GOOD,
                              .granted_heat = 1,
                              .granted_mc = 180000,
                              .wanted_heat = 1,
                              .wanted_mc = 180000,
                              .duty_permille = 420,
                              .heat_left_ms = 3600000,
                              .safe_ms = -1};
    wire_stamp(&s.head, WIRE_SNAPSHOT, 7);
    return s;
}

static void take_snapshot(struct front_state *state, const struct wire_snapshot *s)
{
    front_take(state, s, sizeof *s);
}

static void take_note(struct front_state *state, uint32_t number, int32_t kind, const char *text)
{
    struct wire_note note = {.note = kind};
    wire_stamp(&note.head, WIRE_NOTE, number | (kind >= NOTE_CHECK ? NOTE_GUARD : 0));
    snprintf(note.text, sizeof note.text, "%s", text);
    front_take(state, &note, sizeof note);
}

/* A run in its melt stage, with a board's joint 40 s from melting. */
static struct front_state *melting(void)
{
    struct front_state *state = fresh();
    struct wire_snapshot s = running(184000, 172400);
    take_hello(state, true, false);
    take_note(state, 1, NOTE_STAGE, "Melt");
    s.stage_note = 1;
    s.joints = 1;
    s.joint[0] = (struct wire_joint){180000, 120, 40000, 0, 31000, 52000, 0, 0};
    take_snapshot(state, &s);
    return state;
}

static struct front_state *tripped(void)
{
    struct front_state *state = melting();
    for (int i = 0; i < 30; i++) {
        char text[40];
        snprintf(text, sizeof text, "line %d of the recipe", i);
        take_note(state, (uint32_t)i + 2, NOTE_TELL, text);
    }
    take_note(state, 50, NOTE_HANDS,
              "Heat is off. The joints are still molten: hands off until it beeps, about 40 s.");
    take_note(state, 51, NOTE_FAULT, "the plate's thermocouple is open");
    take_note(state, 52, NOTE_ACT, "Leave the board where it is until it beeps.");
    take_note(state, 53, NOTE_LOOK, "Look at the thermocouple's plug and its wire.");
    struct wire_snapshot s = running(190000, 171000);
    s.mode = GUARD_COOLING;
    s.rule = SENSOR_OPEN;
    s.granted_heat = 0;
    s.solid_ms = 38000;
    take_snapshot(state, &s);
    return state;
}

static struct front_state *in_mode(int32_t mode)
{
    struct front_state *state = melting();
    struct wire_snapshot s = state->snapshot;
    s.mode = mode;
    take_snapshot(state, &s);
    return state;
}

/* ---- looking at what was drawn --------------------------------------------------------------------- */

static char *drawn(const struct front_state *state, int columns, int rows, bool colour)
{
    static char out[OUT];
    size_t length = front_draw(state, columns, rows, colour, out, sizeof out);
    assert_int_equal(length, strlen(out));
    return out;
}

static int count_lines(const char *text)
{
    int lines = 1;
    for (; *text; text++)
        lines += *text == '\n';
    return lines;
}

/* Every row fits, every byte is whole, nothing moves a cursor. */
static void check_screen(const char *text, int columns, int rows)
{
    int column = 0;
    assert_int_equal(count_lines(text), rows);
    for (size_t left = strlen(text), length; left > 0; text += length, left -= length) {
        length = utf8_length(text, left);
        assert_true(length > 0);
        if (*text == '\n') {
            column = 0;
            continue;
        }
        assert_true(utf8_is_plain(text, length));
        column++;
        assert_true(column <= columns);
    }
}

static const char *row_at(const char *text, int row)
{
    static char line[1024];
    for (; row > 0; row--)
        text = strchr(text, '\n') + 1;
    snprintf(line, sizeof line, "%.*s", (int)strcspn(text, "\n"), text);
    return line;
}

/* ---- sizes ------------------------------------------------------------------------------------------ */

static void test_the_view_fills_exactly_the_rows_it_is_given(void **unused)
{
    (void)unused;
    static const int sizes[][2] = {{80, 24}, {100, 40}, {40, 12}, {200, 60}, {20, 5}, {80, 3}};
    struct front_state *(*const states[])(void) = {fresh, melting, tripped};

    for (size_t s = 0; s < sizeof states / sizeof states[0]; s++)
        for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++)
            check_screen(drawn(states[s](), sizes[i][0], sizes[i][1], false), sizes[i][0],
                         sizes[i][1]);
}

static void test_the_view_shows_what_matters_at_every_size(void **unused)
{
    (void)unused;
    static const int sizes[][2] = {{80, 24}, {100, 40}, {40, 12}};

    for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
        const char *text = drawn(melting(), sizes[i][0], sizes[i][1], false);

        assert_has(text, "RUNNING");
        assert_has(text, "172.4 C");
        assert_has(text, "180.0 C");
        assert_has(text, "melt in about 40 s");
        assert_has(text, "Melt");
        assert_has(text, "17.6 C to plate 190 C (recipe)");
        assert_has(text, "03:04");
    }
}

static void test_the_merged_limits_are_shown_with_their_origins(void **unused)
{
    (void)unused;
    struct front_state *state = fresh();

    take_hello(state, true, false);

    assert_has(drawn(state, 100, 40, false), "plate 190 C (recipe), board 260 C (built in)");
    take_hello(state, false, true);
    assert_has(drawn(state, 100, 40, false), "supply volts 20 V (built in)");
}

static void test_a_limit_that_no_sensor_watches_is_not_shown(void **unused)
{
    (void)unused;
    struct front_state *state = fresh();
    struct wire_hello hello = {.recipe = *limits_built_in()};
    wire_stamp(&hello.head, WIRE_HELLO, 1);
    hello.recipe.uses_plate = true;

    front_take(state, &hello, sizeof hello);

    assert_has(drawn(state, 100, 40, false), "plate 350 C (built in), ramp 3 C/s");
}

static void test_the_digits_are_tall_where_there_is_room(void **unused)
{
    (void)unused;
    struct front_state *state = melting();
    state->ascii = true;

    const char *middle = drawn(state, 80, 24, false);
    assert_has(middle, "######    ##    ######  C"); /* the feet of 172, two characters a point */
    const char *large = drawn(state, 100, 40, false);
    assert_has(large, "############");
}

static void test_a_plate_that_cannot_be_read_has_no_digits(void **unused)
{
    (void)unused;
    struct front_state *state = melting();
    struct wire_snapshot s = running(185000, 172400);
    s.plate_quality = QUALITY_OPEN;
    take_snapshot(state, &s);

    const char *text = drawn(state, 80, 24, false);
    assert_has(text, "unreadable (open)");
    assert_null(strstr(text, "172"));
}

/* ---- colour ------------------------------------------------------------------------------------------ */

static void test_without_colour_there_is_no_escape_and_nothing_is_lost(void **unused)
{
    (void)unused;
    struct front_state *state = tripped();
    static char plain[OUT], coloured[OUT], stripped[OUT];

    front_draw(state, 80, 24, false, plain, sizeof plain);
    front_draw(state, 80, 24, true, coloured, sizeof coloured);

    assert_null(strchr(plain, '\033'));
    assert_non_null(strchr(coloured, '\033'));
    size_t n = 0;
    for (const char *c = coloured; *c; c++) {
        if (*c == '\033')
            c = strchr(c, 'm');
        else
            stripped[n++] = *c;
    }
    stripped[n] = '\0';
    assert_string_equal(stripped, plain);
}

static void test_an_ascii_terminal_gets_ascii(void **unused)
{
    (void)unused;
    struct front_state *state = melting();
    state->ascii = true;
    take_note(state, 9, NOTE_TELL,
              "\xC3\xBC"
              "ber 183 \xC2\xB0"
              "C");

    for (const char *c = drawn(state, 80, 24, false); *c; c++)
        assert_true((unsigned char)*c < 0x80);
}

/* ---- hostile texts ------------------------------------------------------------------------------------ */

static const char *const hostile[] = {
    "\033[2J\033[1;1HRUNNING",
    "one\n# 03:04 fault the guard is fine",
    "\a\a\a",
    "\xC2\x9B"
    "2J", /* a C1 control */
    "\xE2\x80\xAE"
    "turned round", /* writes backwards */
    "\xFF\xFE not UTF-8 \xC0\xAF",
    "a\xCC\x81\xCC\x81\xCC\x81\xCC\x81 piled marks",
    "                                                                                # forged",
    "\r# forged",
    "\xE2\x80\xA8# forged behind a line separator",
};

static void test_nothing_a_recipe_writes_moves_the_cursor_or_forges_a_line(void **unused)
{
    (void)unused;
    enum { KINDS = 6 };
    static const int32_t kinds[KINDS] = {NOTE_STAGE, NOTE_TELL, NOTE_CONFIRM,
                                         NOTE_ASK,   NOTE_DO,   NOTE_BEEP};

    for (size_t i = 0; i < sizeof hostile / sizeof hostile[0]; i++)
        for (int k = 0; k < KINDS; k++) {
            struct front_state *state = melting();
            struct wire_snapshot s = running(200000, 172400);
            int honest = 0, marked = 0;
            for (const char *c = drawn(state, 80, 24, false); c; c = strchr(c, '\n'), c += !!c)
                honest += *c == '#';
            take_note(state, 5, kinds[k], hostile[i]);
            s.stage_note = kinds[k] == NOTE_STAGE ? 5 : 1;
            s.open_note = kinds[k] == NOTE_STAGE ? 0 : 5;
            take_snapshot(state, &s);

            char *text = drawn(state, 80, 24, false);
            check_screen(text, 80, 24);
            for (const char *c = text; c; c = strchr(c, '\n'), c += !!c)
                marked += *c == '#';
            assert_int_equal(marked, honest); /* no row more that begins with the guard's mark */
        }
}

static void test_a_recipe_cannot_send_what_only_the_guard_says(void **unused)
{
    (void)unused;
    struct front_state *state = melting();
    struct wire_note note = {.note = NOTE_FAULT, .text = "all is well"};
    wire_stamp(&note.head, WIRE_NOTE, 3); /* a recipe's number */

    front_take(state, &note, sizeof note);

    assert_string_equal(state->fault, "");
    assert_null(strstr(drawn(state, 80, 24, false), "all is well"));
}

static void test_messages_that_are_not_whole_are_passed_over(void **unused)
{
    (void)unused;
    struct front_state *state = melting(), before = *state;
    struct wire_snapshot s = running(1, 1);
    struct wire_note note = {.note = NOTE_TELL};
    wire_stamp(&note.head, WIRE_NOTE, 3);
    memset(note.text, 'x', sizeof note.text);

    front_take(state, &s, sizeof s - 1);
    front_take(state, &s, 3);
    front_take(state, &note, sizeof note); /* its text does not end */
    note.note = 99;
    note.text[0] = '\0';
    front_take(state, &note, sizeof note);

    assert_memory_equal(state, &before, sizeof before);
}

static void test_wide_characters_stay_within_their_row(void **unused)
{
    (void)unused;
    struct front_state *state = melting();
    char text[BENCH_TEXT] = "";
    while (strlen(text) + 4 < sizeof text)
        strcat(text, "\xE7\x83\x99"); /* two columns each */
    take_note(state, 5, NOTE_TELL, text);

    const char *at = drawn(state, 40, 24, false);
    for (int row = 0; row < 24; row++) {
        const char *line = row_at(at, row);
        int columns = 0;
        for (size_t length; *line; line += length) {
            length = utf8_length(line, strlen(line));
            columns += length == 3 && (unsigned char)*line == 0xE7 ? 2 : 1;
        }
        assert_true(columns <= 40);
    }
}

/* ---- modes ---------------------------------------------------------------------------------------------- */

static void test_every_mode_has_its_word(void **unused)
{
    (void)unused;
    static const char *const words[GUARD_MODES] = {
        [GUARD_WAITING] = "STARTING",        [GUARD_CHECKING] = "START CHECKS",
        [GUARD_SEATING] = "SEAT TEST",       [GUARD_RUNNING] = "RUNNING",
        [GUARD_PAUSED] = "PAUSED, HEAT OFF", [GUARD_COOLING] = "OVER, COOLING",
        [GUARD_ENDED] = "SAFE TO TOUCH",
    };

    for (int mode = 0; mode < GUARD_MODES; mode++) {
        struct front_state *state = melting();
        struct wire_snapshot s = running(200000, 90000);
        s.mode = mode;
        take_snapshot(state, &s);

        assert_has(row_at(drawn(state, 80, 24, false), 0), words[mode]);
        if (mode <= GUARD_CHECKING)
            assert_has(drawn(state, 100, 40, false), "nothing is on before the checks end");
    }
}

static void test_cooling_says_what_is_waited_for(void **unused)
{
    (void)unused;
    struct front_state *state = melting();
    struct wire_snapshot s = running(200000, 90000);
    s.mode = GUARD_COOLING;
    s.granted_heat = s.wanted_heat = 0;

    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "must fall below 45 C");
    s.safe_ms = 23400;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "safe to touch in 24 s");
    s.mode = GUARD_SEATING;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "the seat test warms the empty plate");
    s.granted_heat = 1; /* what it is granted is a ceiling, not where it goes */
    s.duty_permille = 1000;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "a pulse of heat, at 100 %");
    s.mode = GUARD_COOLING;
    s.solid_ms = 12000;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "joints solid in about 12 s: hands off");
}

static void test_after_heat_off_the_time_to_solid_has_its_bounds(void **unused)
{
    (void)unused;
    struct front_state *state = melting();
    struct wire_snapshot s = running(200000, 90000);
    s.granted_heat = 0;
    s.joints = 1;
    s.joint[0].molten_permille = 1000;
    s.joint[0].solid_ms = 30000;
    s.joint[0].solid_early_ms = 24000;
    s.joint[0].solid_late_ms = 41000;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "solid in about 30 s (24-41 s)");

    s.joint[0].solid_late_ms = -1;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "solid in about 30 s (24 s or later)");

    s.joint[0].molten_permille = s.joint[0].solid_ms = s.joint[0].solid_early_ms = 0;
    s.joint[0].solid_late_ms = 9000;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "solid for sure in about 9 s");
}

static void test_of_a_soak_and_a_melt_the_sooner_comes_next(void **unused)
{
    (void)unused;
    struct front_state *state = melting();
    struct wire_snapshot s = running(200000, 90000);
    s.joints = 1;
    s.joint[0].melt_ms = 40000;
    s.joint[0].melt_early_ms = 31000;
    s.joint[0].melt_late_ms = 52000;

    s.wait_ms = 24000;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "goes on in about 25 s");

    s.wait_ms = 50000;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "melt in about 40 s (31-52 s)");

    s.joint[0].melt_late_ms = -1; /* at the latest: not within what is foreseen */
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "melt in about 40 s (31 s or later)");

    s.joint[0].melt_ms = s.joint[0].melt_early_ms = 0;
    s.joint[0].melt_late_ms = 9000;
    s.wait_ms = 0;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "molten for sure in about 9 s");

    s.granted_mc = s.plate_mc;
    s.joint[0].molten_permille = 1000;
    s.joint[0].melt_late_ms = -1;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "a joint is molten: wait to be asked");
    s.open_note = 1;
    take_snapshot(state, &s);
    assert_null(strstr(drawn(state, 80, 24, false), "wait to be asked"));
}

static void test_parked_nudged_and_held_off_are_shown(void **unused)
{
    (void)unused;
    struct front_state *state = melting();
    struct wire_snapshot s = running(200000, 90000);
    s.parked = 1;
    s.park_left_ms = 84000;
    s.nudge_mc = -4000;
    s.nudge_ms = 30000;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "(-4 C, soak +30 s)");

    const char *text = drawn(state, 100, 40, false);
    assert_has(text, "PARKED");
    assert_has(text, "84 s left");
    assert_has(text, "p: go on");
    assert_has(drawn(state, 50, 16, false), "p go on");
    s.park_left_ms = 600000;
    take_snapshot(state, &s);
    assert_has(drawn(state, 100, 40, false), "parked, 10:00 min left");
    assert_has(text, "(-4 C");
    s.granted_heat = 0;
    take_snapshot(state, &s);
    assert_has(drawn(state, 100, 40, false), "heat is held off (wanted 180 C)");
}

static void test_what_is_left_of_the_heat_time_is_told_in_minutes(void **unused)
{
    (void)unused;
    struct front_state *state = melting();
    struct wire_snapshot s = running(200000, 90000);

    s.heat_left_ms = 540000;
    take_snapshot(state, &s);

    assert_has(drawn(state, 80, 24, false), "9:00 min to heat time 60 min (built in)");
}

static void test_no_share_of_heat_is_shown_of_a_plate_by_hand(void **unused)
{
    (void)unused;
    struct front_state *state = melting();
    struct wire_snapshot s = running(200000, 90000);

    s.duty_permille = -1;
    take_snapshot(state, &s);

    assert_has(drawn(state, 80, 24, false), "180.0 C, by its own knob");
}

static void test_a_plate_that_only_a_hand_switches_is_never_said_to_be_off(void **unused)
{
    (void)unused;
    struct front_state *state = melting();
    struct wire_snapshot s = running(200000, 90000);

    s.duty_permille = -1;
    s.granted_heat = 0;
    s.mode = GUARD_PAUSED;
    take_snapshot(state, &s);
    const char *text = drawn(state, 80, 24, false);
    assert_has(text, "# PAUSED, TURN THE PLATE OFF");
    assert_has(text, "off, by its own knob (wanted 180 C)");
    s.wanted_heat = 0;
    for (s.mode = GUARD_RUNNING; s.mode < GUARD_MODES; s.mode++) {
        if (s.mode == GUARD_PAUSED)
            continue;
        take_snapshot(state, &s);
        text = drawn(state, 80, 24, false);
        assert_has(text, "target  off, by its own knob");
        assert_null(strstr(text, "heat off"));
        assert_null(strstr(text, "told off"));
    }
}

static void test_whose_hand_a_plate_without_a_port_waits_for_is_said(void **unused)
{
    (void)unused;
    struct front_state *state = melting();
    struct wire_snapshot s = running(200000, 90000);

    s.duty_permille = -1;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "next    waits for you to set the plate's knob");
    s.granted_heat = 0;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "next    waits for you to turn the plate off");
    s.ramp_known = 1;
    s.ramp_mc_s = -60; /* it has been */
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "next    waits for the recipe");
    s.ramp_mc_s = 0;
    s.plate_mc = SAFE_MC - 1;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "next    waits for the recipe");
    s.plate_mc = 90000;
    s.duty_permille = 0; /* its cut-off has opened */
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "next    waits for the recipe");
}

static void test_a_question_of_the_seat_test_is_waited_for(void **unused)
{
    (void)unused;
    struct front_state *state = fresh();
    struct wire_snapshot s = running(200000, 23000);
    take_hello(state, true, true);
    take_note(state, NOTE_GUARD + 1, NOTE_CHECK, "Set the empty plate to 60 C. Is it set?");

    s.mode = GUARD_SEATING;
    s.open_note = NOTE_GUARD + 1;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "next    waits for your yes or no");
    s.open_note = 0;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "next    the seat test warms");
}

static void test_who_is_waited_for_is_said_where_nothing_is_foreseen(void **unused)
{
    (void)unused;
    static const struct {
        int32_t kind;
        const char *next;
    } prompts[] = {
        {NOTE_CONFIRM, "next    waits for your yes or no"},
        {NOTE_ASK, "next    waits for a value from you"},
        {NOTE_DO, "next    waits for you to say that it is done"},
    };
    struct front_state *state = fresh();
    struct wire_snapshot s = running(200000, 179000);
    take_hello(state, true, true);

    for (size_t i = 0; i < sizeof prompts / sizeof prompts[0]; i++) {
        take_note(state, (uint32_t)i + 1, prompts[i].kind, "Is it so?");
        s.open_note = (uint32_t)i + 1;
        take_snapshot(state, &s);
        assert_has(drawn(state, 80, 24, false), prompts[i].next);
    }
    state->answered = true;
    assert_has(drawn(state, 80, 24, false), "next    your answer is on its way");
    s.open_note = 0;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "next    waits for the recipe");
    s.plate_mc = 90000;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "next    waits for the plate");
    s.granted_heat = 0;
    s.wanted_supply = 1;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "next    waits for the supply");
    s.meter_kind = METER_OHMS;
    s.meter_quality = QUALITY_STALE; /* it has not answered yet */
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "next    waits for the meter");
}

static void test_the_supply_is_shown_when_it_is_used(void **unused)
{
    (void)unused;
    struct front_state *state = fresh();
    struct wire_snapshot s = running(5000, 0);
    take_hello(state, false, true);
    s.plate_quality = QUALITY_NONE;
    s.granted_heat = 0;
    s.supply_quality = QUALITY_GOOD;
    s.supply_on = 1;
    s.supply_mv = 1200;
    s.supply_ma = 850;
    take_snapshot(state, &s);

    const char *text = drawn(state, 80, 24, false);
    assert_has(text, "1.200 V");
    assert_has(text, "0.850 A");
    assert_has(text, "ON");
    assert_null(strstr(drawn(melting(), 80, 24, false), "supply"));
}

/* A board's battery rail, cut by the bench, lowered by the recipe, or neither. */
static struct front_state *feeding(int32_t inject, int32_t mv, int32_t ma)
{
    struct front_state *state = fresh();
    struct wire_hello hello = {.recipe = *limits_built_in()};
    struct wire_snapshot s = running(5000, 0);
    wire_stamp(&hello.head, WIRE_HELLO, 1);
    hello.board.rail_count = hello.recipe.rail_count = 2;
    hello.board.rail[0] = (struct rail_limits){"core", 1200, 2000, 1200, 2000};
    hello.board.rail[1] = (struct rail_limits){"battery", 4400, 4000, 1000, 1200};
    hello.recipe.rail[0] = (struct rail_limits){"core", 0, 0, 0, 0};
    hello.recipe.rail[1] = (struct rail_limits){"battery", 4200, 3000, 1000, 1200};
    hello.recipe.supply_ma = 3000;
    hello.origins.of[LIMIT_supply_ma].layer = LAYER_BENCH;
    hello.recipe.uses_supply = true;
    front_take(state, &hello, sizeof hello);
    s.plate_quality = QUALITY_NONE;
    s.granted_heat = 0;
    s.supply_quality = QUALITY_GOOD;
    s.supply_on = s.wanted_supply = 1;
    s.wanted_rail = 1;
    s.wanted_inject = inject;
    s.supply_mv = mv;
    s.supply_ma = ma;
    take_snapshot(state, &s);
    return state;
}

static void test_the_margin_of_the_supply_is_to_the_limit_that_acts(void **unused)
{
    (void)unused;

    assert_has(drawn(feeding(1, 300, 1000), 80, 24, false), "0.2 A to inject amps 1.2 A (board)");
    assert_has(drawn(feeding(1, 900, 10), 80, 24, false), "0.1 V to inject volts 1 V (board)");
    assert_has(drawn(feeding(0, 100, 2000), 80, 24, false), "1.0 A to rail amps 3 A (bench)");
    struct front_state *state = feeding(0, 3800, 1000);
    assert_has(drawn(state, 80, 24, false), "0.4 V to rail volts 4.2 V (recipe)");

    struct wire_snapshot s = state->snapshot;
    s.wanted_supply = 0; /* told off, and still on */
    s.wanted_rail = -1;
    s.supply_mv = 19000;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "1.0 V to supply volts 20 V (built");
    s.supply_mv = 100;
    s.supply_ma = 2900;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "A to supply amps");
    s.mode = GUARD_COOLING;
    take_snapshot(state, &s);
    assert_has(drawn(state, 80, 24, false), "A to supply amps");
    s.supply_on = 0;
    take_snapshot(state, &s);
    assert_null(strstr(drawn(state, 80, 24, false), "A to supply amps"));

    s = feeding(0, 3800, 1000)->snapshot;
    s.wanted_rail = BENCH_RAILS; /* of another program's word */
    take_snapshot(state, &s);
    assert_null(strstr(drawn(state, 80, 24, false), "rail volts 4.2 V (recipe)"));
}

static void test_what_a_rail_may_be_given_stands_below_the_limits(void **unused)
{
    (void)unused;
    struct front_state *state = feeding(0, 0, 0);

    assert_has(drawn(state, 100, 40, false),
               "rail battery: fed up to 4.20 V, 3.000 A; injected up to 1.00 V, 1.200 A");
    assert_null(
        strstr(drawn(state, 100, 40, false), "rail core")); /* the recipe has not named it */

    struct wire_hello hello = state->hello;
    hello.recipe.rail[0] = (struct rail_limits){"core", 0, 0, 1200, 2000};
    hello.recipe.rail[1].inject_mv = 0;
    front_take(state, &hello, sizeof hello);
    assert_has(drawn(state, 100, 40, false), "rail core: not fed; injected up to 1.20 V, 2.000 A");
    assert_has(drawn(state, 100, 40, false), "fed up to 4.20 V, 3.000 A; not injected");

    state = fresh();
    hello.recipe.uses_supply = false;
    front_take(state, &hello, sizeof hello);
    assert_null(strstr(drawn(state, 100, 40, false), "rail battery"));
}

static void test_a_silent_guard_is_said_in_the_first_row(void **unused)
{
    (void)unused;
    struct front_state *state = melting();
    state->silent_ms = 3200;

    assert_has(row_at(drawn(state, 80, 24, false), 0), "THE GUARD IS SILENT FOR 3 s");
}

/* ---- trips ------------------------------------------------------------------------------------------------ */

static void test_after_a_trip_the_hands_come_first_then_cause_act_and_look(void **unused)
{
    (void)unused;
    static const int sizes[][2] = {{80, 24}, {100, 40}, {40, 20}};

    for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
        const char *text = drawn(tripped(), sizes[i][0], sizes[i][1], false);

        assert_has(row_at(text, 0), "TRIPPED, COOLING");
        assert_has(row_at(text, 1), "# HANDS Heat is off.");
        const char *what = strstr(text, "# WHAT"), *act = strstr(text, "# DO"),
                   *look = strstr(text, "# THEN");
        assert_true(what && act && look && what < act && act < look);
    }
}

static void test_a_plate_without_a_reading_is_taken_for_hot(void **unused)
{
    (void)unused;
    struct front_state *state = tripped();
    struct wire_snapshot s = state->snapshot;
    s.plate_quality = QUALITY_STALE;

    take_snapshot(state, &s);

    assert_has(drawn(state, 100, 40, false), "no reading: take the plate for hot");
}

static void test_the_wait_for_solid_joints_counts_down_in_what_the_hands_are_told(void **unused)
{
    (void)unused;
    struct front_state *state = tripped();
    struct wire_snapshot s = state->snapshot;
    assert_has(row_at(drawn(state, 100, 40, false), 1), "hands off until it beeps, about 40 s.");

    s.solid_ms = 7000;
    take_snapshot(state, &s);
    assert_has(row_at(drawn(state, 100, 40, false), 1), "hands off until it beeps, about 7 s.");
    s.solid_ms = 1; /* overdue: nobody has said that they are solid */
    take_snapshot(state, &s);
    assert_has(row_at(drawn(state, 100, 40, false), 1), "hands off until it beeps.");
    assert_has(drawn(state, 100, 40, false), "solid soon: hands off until it beeps");
    take_note(state, 54, NOTE_HANDS, "Heat is off. The joints are solid now.");
    assert_has(row_at(drawn(state, 100, 40, false), 1), "The joints are solid now.");
}

static void test_what_the_hands_are_told_reads_as_the_plate_does(void **unused)
{
    (void)unused;
    struct front_state *state = tripped();
    struct wire_snapshot s = state->snapshot;
    take_note(state, 54, NOTE_HANDS,
              "Heat is off. The plate reads 171 C: touch nothing on it. Everything reads so.");

    s.plate_mc = 126400;
    take_snapshot(state, &s);
    assert_has(row_at(drawn(state, 100, 40, false), 1),
               "The plate reads 126 C: touch nothing on it. Everything reads so.");
    s.plate_quality = QUALITY_STALE;
    take_snapshot(state, &s);
    assert_has(row_at(drawn(state, 100, 40, false), 1), "The plate reads 171 C");

    take_note(state, 55, NOTE_HANDS,
              "The plate last read 171 C; only the plate-2 sensor is read now, 170 C: take it for "
              "hot, pull its mains plug.");
    s.quality[SENSOR_PLATE] = QUALITY_OPEN;
    s.quality[SENSOR_PLATE_2] = QUALITY_GOOD;
    s.temp_mc[SENSOR_PLATE_2] = 93800;
    take_snapshot(state, &s);
    assert_has(drawn(state, 140, 40, false),
               "last read 171 C; only the plate-2 sensor is read now, 93 C:");
    s.quality[SENSOR_PLATE_2] = QUALITY_STALE;
    take_snapshot(state, &s);
    assert_has(drawn(state, 140, 40, false), "sensor is read now, 170 C:");
}

static const char *summed_up(const struct front_state *state)
{
    static struct outlet outlet;
    static const struct front_config config;
    struct plain plain = {0};
    outlet = (struct outlet){.fd = -1};
    plain_summary(&plain, state, &config, false, &outlet);
    outlet.store[outlet.to] = '\0';
    return outlet.store;
}

static void test_what_is_left_on_the_screen_reads_as_the_plate_did_last(void **unused)
{
    (void)unused;
    struct front_state *state = tripped();
    struct wire_snapshot s = state->snapshot;
    take_note(state, 54, NOTE_HANDS, "Heat is off. The plate reads 171 C: touch nothing on it.");

    s.plate_mc = 126400;
    s.mode = GUARD_ENDED;
    take_snapshot(state, &s);

    assert_has(summed_up(state), "The plate reads 126 C: touch nothing on it.");
}

static void test_what_comes_next_keeps_its_end_at_every_width(void **unused)
{
    (void)unused;
    for (int columns = 48; columns <= 140; columns++) {
        struct front_state *state = fresh();
        struct wire_snapshot s = running(61000, 72000);
        take_hello(state, true, false);
        s.ramp_known = 1;
        s.ramp_mc_s = 1000;
        s.wanted_mc = s.granted_mc = 172000;
        take_snapshot(state, &s);
        assert_has(drawn(state, columns, 24, false), "at its target in about 1:40 min");
        s.mode = GUARD_COOLING;
        s.solid_ms = 1;
        take_snapshot(state, &s);
        assert_has(drawn(state, columns, 24, false), "hands off until it beeps");
    }
}

static void test_a_supply_keeps_its_state_in_sight_at_every_size(void **unused)
{
    (void)unused;
    for (int columns = 48; columns <= 140; columns++)
        for (int rows = 24; rows <= 48; rows += 8) {
            struct front_state *state = fresh();
            struct wire_snapshot s = running(61000, 0);
            take_hello(state, false, true);
            s.plate_quality = QUALITY_NONE;
            s.supply_quality = QUALITY_GOOD;
            s.supply_mv = 4000;
            s.supply_ma = 120;
            take_snapshot(state, &s);
            assert_has(drawn(state, columns, rows, false), " 4.000 V   0.120 A  off");
        }
}

/* Rows of events that say one of the recipe's lines, and the mode's and the next run's. */
static int event_rows(const char *text)
{
    int rows = 0;
    for (; text; text = strchr(text, '\n')) {
        text += *text == '\n';
        rows += strstr(text, " 03:") == text + 1 || strncmp(text, "                 ", 17) == 0;
    }
    return rows;
}

static void test_after_a_trip_the_last_twenty_events_stay_where_they_fit(void **unused)
{
    (void)unused;
    static const struct {
        int columns, rows, events;
    } sizes[] = {{80, 24, 11}, {100, 30, 18}, {80, 40, 20}, {100, 40, 20}, {132, 43, 20}};

    for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
        const char *text = drawn(tripped(), sizes[i].columns, sizes[i].rows, false);

        assert_has(text, "line 29 of the recipe");
        if (event_rows(text) < sizes[i].events)
            fail_msg("%d x %d: %d events\n%s", sizes[i].columns, sizes[i].rows, event_rows(text),
                     text);
        /* what stands above is not said again below */
        const char *cause = strstr(text, "the plate's thermocouple is open");
        assert_true(cause && !strstr(cause + 1, "the plate's thermocouple is open"));
    }
    assert_has(drawn(tripped(), 132, 43, false), "\u2588\u2588"); /* five rows high */
}

static void test_what_can_be_done_about_the_next_run_is_said_while_it_cools(void **unused)
{
    (void)unused;

    assert_has(drawn(tripped(), 100, 40, false), "check, rehearse or inspect the next recipe;");
    assert_has(drawn(in_mode(GUARD_COOLING), 132, 40, false), "no run on these");
    assert_null(strstr(drawn(in_mode(GUARD_RUNNING), 100, 40, false), "the next recipe"));
    struct front_state *state = fresh();
    struct wire_snapshot s = running(200000, 30000);
    s.mode = GUARD_COOLING;
    take_hello(state, true, false);
    take_snapshot(state, &s);
    assert_null(strstr(drawn(state, 100, 40, false), "the next recipe")); /* it is over at once */
}

static void test_the_first_cause_stays_whatever_follows(void **unused)
{
    (void)unused;
    struct front_state *state = tripped();

    take_note(state, 60, NOTE_FAULT, "the recipe is silent");

    assert_has(drawn(state, 80, 24, false), "# WHAT  the plate's thermocouple is open");
}

/* ---- prompts ------------------------------------------------------------------------------------------------ */

static void open_prompt(struct front_state *state, uint32_t number, int32_t kind, const char *text)
{
    struct wire_snapshot s = running(201000, 90000);
    take_note(state, number, kind, text);
    s.open_note = number | (kind >= NOTE_CHECK ? NOTE_GUARD : 0);
    take_snapshot(state, &s);
}

static void test_the_open_prompt_is_shown_with_who_asks_and_its_keys(void **unused)
{
    (void)unused;
    static const int sizes[][2] = {{80, 24}, {100, 40}, {40, 12}};

    for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
        struct front_state *state = melting();
        open_prompt(state, 5, NOTE_CONFIRM, "Does it move?");
        const char *text = drawn(state, sizes[i][0], sizes[i][1], false);
        assert_has(text, "? QUESTION (asked by the recipe)");
        assert_has(text, "| Does it move?");
        assert_has(text, "no: n");

        state = melting();
        open_prompt(state, 6, NOTE_ASK, "How many?"); /* letters are text */
        text = drawn(state, sizes[i][0], sizes[i][1], false);
        assert_has(text, "Esc Tab ^C");
        assert_null(strstr(text, "s q Esc"));

        state = melting();
        open_prompt(state, 6, NOTE_CHECK, "Is the plate empty?");
        text = drawn(state, sizes[i][0], sizes[i][1], false);
        assert_has(text, "# CHECK (asked by the guard)");
        assert_has(text, "# Is the plate empty?");
    }
}

static void test_a_note_is_not_open_before_a_snapshot_says_so(void **unused)
{
    (void)unused;
    struct front_state *state = melting();

    take_note(state, 5, NOTE_CONFIRM, "Does it move?");
    assert_int_equal(state->prompt_kind, 0);
    open_prompt(state, 6, NOTE_ASK, "How many ohms?");
    assert_int_equal(state->prompt_kind, NOTE_ASK);
    assert_int_equal(state->prompt_number, 6);
    struct wire_snapshot s = running(202000, 90000);
    take_snapshot(state, &s);
    assert_int_equal(state->prompt_kind, 0);
}

static void test_what_is_typed_is_shown(void **unused)
{
    (void)unused;
    struct front_state *state = melting();
    open_prompt(state, 6, NOTE_ASK, "How many ohms?");
    snprintf(state->typed, sizeof state->typed, "0.4");

    assert_has(drawn(state, 80, 24, false), "> 0.4_");
}

static void test_leaving_asks_for_a_word(void **unused)
{
    (void)unused;
    struct front_state *state = tripped();
    state->leaving = true;

    const char *text = drawn(state, 80, 24, false);
    assert_has(text, "# LEAVE WHILE IT IS HOT?");
    assert_has(text, "type the word leave");
}

/* ---- keys that steer -------------------------------------------------------------------------------------------- */

static void test_park_is_taken_while_the_recipe_runs_and_else_told_why_not(void **unused)
{
    (void)unused;
    static const struct {
        int32_t mode;
        const char *told; /* NULL = it is taken */
    } rows[] = {
        {GUARD_WAITING, "there is nothing to park before the recipe runs"},
        {GUARD_CHECKING, "there is nothing to park before the recipe runs"},
        {GUARD_SEATING, "there is nothing to park before the recipe runs"},
        {GUARD_RUNNING, NULL},
        {GUARD_PAUSED, NULL},
        {GUARD_COOLING, "there is nothing to park any more"},
        {GUARD_ENDED, "there is nothing to park any more"},
    };

    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct front_state *state = in_mode(rows[i].mode);
        struct person person = {0};
        person_line(&person, state, "park", false, 1000);
        assert_int_equal(person.hand.parks, rows[i].told ? 0 : 1);
        assert_has(drawn(state, 100, 40, false), rows[i].told ? rows[i].told : "you      park");
    }
}

static void test_there_is_nothing_to_nudge_where_no_recipe_runs(void **unused)
{
    (void)unused;
    static const char *const lines[] = {"+", "-", ">", "<"};

    for (size_t i = 0; i < sizeof lines / sizeof lines[0]; i++) {
        struct front_state *state = in_mode(GUARD_SEATING);
        struct person person = {0};
        state->snapshot.wanted_mc = 300000; /* the seat test's */
        person_line(&person, state, lines[i], false, 1000);
        const char *text = drawn(state, 100, 40, false);
        assert_has(text, "there is nothing to nudge before the recipe runs");
        assert_null(strstr(text, "too near"));

        state = in_mode(GUARD_COOLING);
        person_line(&person, state, lines[i], false, 1000);
        assert_has(drawn(state, 100, 40, false), "there is nothing to nudge any more");
        assert_true(person.hand.nudge_mc == 0 && person.hand.nudge_ms == 0);

        person_line(&person, in_mode(GUARD_PAUSED), lines[i], false, 1000);
        assert_true(person.hand.nudge_mc != 0 || person.hand.nudge_ms != 0);
    }
}

static void test_keys_are_offered_only_where_they_do_something(void **unused)
{
    (void)unused;
    static const int columns[] = {100, 60};

    for (size_t i = 0; i < sizeof columns / sizeof columns[0]; i++)
        for (int32_t mode = GUARD_WAITING; mode < GUARD_MODES; mode++) {
            const char *keys = row_at(drawn(in_mode(mode), columns[i], 24, false), 23);
            bool steers = mode == GUARD_RUNNING || mode == GUARD_PAUSED;
            assert_int_equal(strstr(keys, "park") != NULL, steers);
            assert_int_equal(strchr(keys, '+') != NULL, steers);
            assert_int_equal(strchr(keys, '>') != NULL, steers);
            assert_int_equal(strstr(keys, "STOP") != NULL, mode < GUARD_COOLING);
        }
}

static void test_where_nothing_is_heated_no_degrees_are_offered_or_taken(void **unused)
{
    (void)unused;
    struct front_state *state = feeding(0, 3800, 1000);
    struct person person = {0};

    const char *keys = row_at(drawn(state, 100, 24, false), 23);
    assert_null(strchr(keys, '+'));
    assert_non_null(strchr(keys, '>'));
    assert_null(strchr(row_at(drawn(state, 60, 24, false), 23), '+'));
    person_line(&person, state, "+", false, 1000);
    assert_int_equal(person.hand.nudge_mc, 0);
    assert_has(drawn(state, 100, 40, false), "no nudge: nothing is heated in this run");
    person_line(&person, state, ">", false, 1000);
    assert_int_equal(person.hand.nudge_ms, 30000);
}

/* ---- the same state, the same bytes ---------------------------------------------------------------------------- */

static void test_numbers_that_change_do_not_move_what_stands_beside_them(void **unused)
{
    (void)unused;
    struct front_state *state = melting();
    struct wire_snapshot s = running(184000, 99900);
    take_snapshot(state, &s);
    char first[1024];
    const char *text = drawn(state, 80, 24, false);
    snprintf(first, sizeof first, "%s", row_at(text, 1));
    s.plate_mc = 100100;
    take_snapshot(state, &s);
    const char *second = row_at(drawn(state, 80, 24, false), 1);

    const char *a = strstr(first, "plate"), *b = strstr(second, "plate");
    assert_true(a && b);
    size_t before_a = 0, before_b = 0;
    for (const char *c = first; c < a; c++)
        before_a += ((unsigned char)*c & 0xC0) != 0x80;
    for (const char *c = second; c < b; c++)
        before_b += ((unsigned char)*c & 0xC0) != 0x80;
    assert_int_equal(before_a, before_b);
}

/* ---- signals ---------------------------------------------------------------------------------------------------- */

/* They are held back between two waits: one that came behind the last must not end the program with its run. */
static void test_a_signal_behind_the_last_wait_kills_nobody(void **unused)
{
    (void)unused;
    sigset_t while_waiting;
    signals_catch(&while_waiting);
    raise(SIGHUP);
    raise(SIGTERM);

    signals_release();

    assert_int_equal(front_signal_hangup, 1);
    assert_int_equal(front_signal_stop, SIGTERM);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_view_fills_exactly_the_rows_it_is_given),
        cmocka_unit_test(test_the_view_shows_what_matters_at_every_size),
        cmocka_unit_test(test_the_merged_limits_are_shown_with_their_origins),
        cmocka_unit_test(test_a_limit_that_no_sensor_watches_is_not_shown),
        cmocka_unit_test(test_the_digits_are_tall_where_there_is_room),
        cmocka_unit_test(test_a_plate_that_cannot_be_read_has_no_digits),
        cmocka_unit_test(test_without_colour_there_is_no_escape_and_nothing_is_lost),
        cmocka_unit_test(test_an_ascii_terminal_gets_ascii),
        cmocka_unit_test(test_nothing_a_recipe_writes_moves_the_cursor_or_forges_a_line),
        cmocka_unit_test(test_a_recipe_cannot_send_what_only_the_guard_says),
        cmocka_unit_test(test_messages_that_are_not_whole_are_passed_over),
        cmocka_unit_test(test_wide_characters_stay_within_their_row),
        cmocka_unit_test(test_every_mode_has_its_word),
        cmocka_unit_test(test_cooling_says_what_is_waited_for),
        cmocka_unit_test(test_after_heat_off_the_time_to_solid_has_its_bounds),
        cmocka_unit_test(test_of_a_soak_and_a_melt_the_sooner_comes_next),
        cmocka_unit_test(test_parked_nudged_and_held_off_are_shown),
        cmocka_unit_test(test_what_is_left_of_the_heat_time_is_told_in_minutes),
        cmocka_unit_test(test_no_share_of_heat_is_shown_of_a_plate_by_hand),
        cmocka_unit_test(test_a_plate_that_only_a_hand_switches_is_never_said_to_be_off),
        cmocka_unit_test(test_whose_hand_a_plate_without_a_port_waits_for_is_said),
        cmocka_unit_test(test_a_question_of_the_seat_test_is_waited_for),
        cmocka_unit_test(test_who_is_waited_for_is_said_where_nothing_is_foreseen),
        cmocka_unit_test(test_the_supply_is_shown_when_it_is_used),
        cmocka_unit_test(test_the_margin_of_the_supply_is_to_the_limit_that_acts),
        cmocka_unit_test(test_what_a_rail_may_be_given_stands_below_the_limits),
        cmocka_unit_test(test_a_silent_guard_is_said_in_the_first_row),
        cmocka_unit_test(test_after_a_trip_the_hands_come_first_then_cause_act_and_look),
        cmocka_unit_test(test_a_plate_without_a_reading_is_taken_for_hot),
        cmocka_unit_test(test_the_wait_for_solid_joints_counts_down_in_what_the_hands_are_told),
        cmocka_unit_test(test_what_the_hands_are_told_reads_as_the_plate_does),
        cmocka_unit_test(test_a_supply_keeps_its_state_in_sight_at_every_size),
        cmocka_unit_test(test_what_comes_next_keeps_its_end_at_every_width),
        cmocka_unit_test(test_what_is_left_on_the_screen_reads_as_the_plate_did_last),
        cmocka_unit_test(test_after_a_trip_the_last_twenty_events_stay_where_they_fit),
        cmocka_unit_test(test_what_can_be_done_about_the_next_run_is_said_while_it_cools),
        cmocka_unit_test(test_the_first_cause_stays_whatever_follows),
        cmocka_unit_test(test_the_open_prompt_is_shown_with_who_asks_and_its_keys),
        cmocka_unit_test(test_a_note_is_not_open_before_a_snapshot_says_so),
        cmocka_unit_test(test_what_is_typed_is_shown),
        cmocka_unit_test(test_leaving_asks_for_a_word),
        cmocka_unit_test(test_park_is_taken_while_the_recipe_runs_and_else_told_why_not),
        cmocka_unit_test(test_there_is_nothing_to_nudge_where_no_recipe_runs),
        cmocka_unit_test(test_keys_are_offered_only_where_they_do_something),
        cmocka_unit_test(test_where_nothing_is_heated_no_degrees_are_offered_or_taken),
        cmocka_unit_test(test_numbers_that_change_do_not_move_what_stands_beside_them),
        cmocka_unit_test(test_a_signal_behind_the_last_wait_kills_nobody),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
