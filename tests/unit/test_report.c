/* SPDX-License-Identifier: MIT */
/* To look at what is tested: TEST_LOOK=DIR test_report writes it there (report.txt, chart.svg ...). */
#include "check.h"

#include <ctype.h>
#include <jansson.h>
#include <stdlib.h>

#include "synthetic_run.h"
#include "tinlatch/report.h"
#include "tinlatch/utf8.h"

static struct run run;
static char text[1 << 20];

static const struct report_style demo_style = {.bench_file = "recipes/benches/demo.ini",
                                               .recipe_file = "recipes/stack-split.lua"};

static void look(const char *name)
{
    char path[512];
    if (!getenv("TEST_LOOK"))
        return;
    snprintf(path, sizeof path, "%s/%s", getenv("TEST_LOOK"), name);
    FILE *file = fopen(path, "w");
    if (file) {
        fputs(text, file);
        fclose(file);
    }
}

static void as_text(const struct report_style *style)
{
    FILE *out = fmemopen(text, sizeof text, "w");
    assert_non_null(out);
    report_text(&run, style, out);
    fclose(out);
}

static void as_svg(void)
{
    FILE *out = fmemopen(text, sizeof text, "w");
    assert_non_null(out);
    report_svg(&run, out);
    fclose(out);
}

static json_t *as_json(void)
{
    FILE *out = fmemopen(text, sizeof text, "w");
    assert_non_null(out);
    report_json(&run, out);
    fclose(out);
    json_error_t error;
    json_t *object = json_loads(text, JSON_REJECT_DUPLICATES, &error);
    if (!object)
        print_error("%s\n%s\n", error.text, text);
    assert_true(json_is_object(object));
    return object;
}

static void trip_it(void)
{
    run.outcome = RUN_TRIPPED;
    run.tripped = true;
    run.trip_rule = PLATE_OVER;
    run.trip_s = 281;
    strcpy(run.hands, "Heat is off. The joints are still molten: hands off for about 40 s.");
    strcpy(run.trip_words.what, "the plate reads 190.4 C, over its limit of 190.0 C");
    strcpy(run.trip_words.act, "let the plate cool below 45 C before touching anything");
    strcpy(run.trip_words.inspect, "the recipe's target; the thermocouple's clip");
}

/* A terminal shows each line whole and obeys nothing in it. */
static void check_lines(void)
{
    size_t width = 0;
    for (const char *at = text; *at;) {
        size_t length = utf8_length(at, strlen(at));
        assert_true(length > 0);
        if (*at == '\n') {
            assert_true(at == text || at[-1] != ' '); /* no blanks at a line's end */
            width = 0;
        } else {
            assert_true(utf8_is_plain(at, length));
            width++;
        }
        if (width > REPORT_COLUMNS) {
            print_error("over %d columns: %.120s\n", REPORT_COLUMNS, at - REPORT_COLUMNS);
            fail();
        }
        at += length;
    }
    assert_null(strstr(text, "nan"));
    assert_null(strstr(text, "inf "));
}

static const char *last_line(void)
{
    size_t length = strlen(text);
    assert_true(length > 1);
    assert_int_equal(text[length - 1], '\n');
    size_t start = length - 1;
    while (start > 0 && text[start - 1] != '\n')
        start--;
    return text + start;
}

static const char *after(const char *part, const char *from)
{
    const char *found = strstr(from, part);
    if (!found)
        print_error("no \"%s\" in what follows:\n%s\n", part, from);
    assert_non_null(found);
    return found;
}

static void test_the_text_has_its_parts_in_order_within_a_hundred_columns(void **state)
{
    (void)state;
    synthetic_run(&run);

    as_text(&demo_style);
    look("report.txt");

    check_lines();
    assert_int_equal(strncmp(text,
                             "Split the two-board stack - stack-split.lua, board hx210, "
                             "simulated bench: demo.ini, seed 1\n",
                             91),
                     0);
    const char *at = after("\nLimits", text);
    at = after("190 C  ceiling of stack-split.lua\n", at);
    at = after("230 C  hx210.lua\n", at);
    at = after("2.5 C/s  demo.ini:75\n", at);
    at = after("\nStages", at);
    at = after("Preheat                   0:00      1:50    1 min 50 s       120.4 C\n", at);
    at = after("the plate itself peaked at 173.2 C; its highest reading was 172.4 C\n", at);
    assert_null(strstr(text, "never reached"));
    at = after("# plate, true", at);
    at = after("\nMelting", at);
    at = after("frame counted as molten at 4:06: live estimate", at);
    at = after("first place melted at 3:25, last at 3:58: counted 8.0 s later\n", at);
    at = after("\nAt the bench", at);
    at = after("0:04  do       Shield lids off?", at);
    at = after("\nMargins", at);
    at = after("plate                        190.0 C     172.4 C      17.6 C    9 %", at);
    at = after("ramp                        2.50 C/s    1.61 C/s    0.89 C/s   35 %", at);
    at = after("\nWorst case  35 min 20 s with every timeout used in full, 14 min 40 s of it", at);
    after("\nrecord /home/x/runs/1.jsonl\n\nRehearsal: ", at);
    assert_string_equal(last_line(),
                        "Rehearsal: done in 10 min 20 s, touch-safe at 10:50; every limit "
                        "kept, nearest: plate, 17.6 C left\n");
}

static void test_the_chart_names_every_sign_and_limit(void **state)
{
    (void)state;
    synthetic_run(&run);
    trip_it();

    as_text(&demo_style);

    const char *legend = after("# plate, true   + board, read   o joint, coldest place   - limit   "
                               ": stage begins\n       M counts as molten   X trip\n",
                               text);
    const char *chart = after("       Preheat      Melt", text);
    assert_true(chart < legend);
    int lines = 0, limits = 0, joints = 0, molten = 0, crossed = 0;
    for (const char *c = chart; c < legend; c++) {
        lines += *c == '\n';
        limits += *c == '-';
        joints += *c == 'o';
        molten += *c == 'M' && c[1] != 'e';
        crossed += *c == 'X';
    }
    assert_int_equal(lines, 1 + 16 + 2); /* names, plot, axis with its times */
    assert_true(limits > 2 * 75);
    assert_true(joints > 30);
    assert_int_equal(molten, 1);
    assert_int_equal(crossed, 1);
    after(" plate limit\n", chart);
    after(" board limit\n", chart);
    after("2:00          4:00", chart);
}

/* The plate is at 172 C from 150 s to 300 s of 650 s: columns 19 to 36 of 80, one row below 180 C. */
static void test_the_chart_puts_the_plate_where_it_was(void **state)
{
    (void)state;
    synthetic_run(&run);
    for (int i = 0; i < run.point_count; i++) /* nothing in front of it */
        run.point[i].board_c = run.point[i].joint_c = NAN;
    run.melt_count = 0;

    as_text(&demo_style);

    const char *row = after(" 250 C+", text);
    for (int i = 0; i < 5; i++) /* rows are 16.7 C apart: the sixth is at 166.7 C */
        row = strchr(row, '\n') + 1;
    for (int column = 19; column <= 36; column++)
        assert_int_equal(row[7 + column], '#');
    assert_int_not_equal(row[7 + 16], '#');
    assert_int_not_equal(row[7 + 40], '#');
}

static void test_a_trip_says_first_what_to_do_with_the_hands(void **state)
{
    (void)state;
    synthetic_run(&run);
    trip_it();
    run_add_warning(&run, "the timeouts add up past the heat time");

    as_text(&demo_style);
    look("trip.txt");

    check_lines();
    const char *at = after("seed 1\n\nHeat is off. The joints are still molten: hands off", text);
    at = after("what happened  the plate reads 190.4 C", at);
    at = after("what to do     let the plate cool", at);
    at = after("then           the recipe's target", at);
    at = after("\nLimits", at);
    after("\nWarning  the timeouts add up past the heat time\n", at);
    assert_string_equal(
        last_line(),
        "Rehearsal: tripped by plate-over at 4:41; neither heat nor supply was granted any more\n");
}

static void test_counting_too_early_is_said_loudly(void **state)
{
    (void)state;
    synthetic_run(&run);
    run.melt[0].true_last_s = 251;
    as_text(&demo_style);
    after("last at 4:11: counted 5.0 s TOO EARLY\n", text);

    run.melt[0].true_last_s = NAN;
    as_text(&demo_style);
    after("melted at 3:25, last never: counted TOO EARLY\n", text);

    run.melt[0].true_first_s = NAN;
    as_text(&demo_style);
    after("it never melted: counted TOO EARLY\n", text);
}

/* Every run of blanks and line ends becomes one blank. */
static void unfold(char *folded)
{
    char *to = folded;
    for (const char *from = folded; *from; from++) {
        bool blank = *from == ' ' || *from == '\n';
        if (!blank || (to > folded && to[-1] != ' '))
            *to++ = blank ? ' ' : *from;
    }
    *to = '\0';
}

static void test_the_lift_window_names_the_last_place_and_what_ended_it(void **state)
{
    (void)state;
    synthetic_run(&run);
    as_text(&demo_style);
    after("frame open from 3:58 until it was lifted, 15 s into it; half of it was molten at 3:39;",
          text);

    run.joint[0].last_segments = 1 << 3 | 1 << 4 | 1 << 7; /* in the same step */
    as_text(&demo_style);
    unfold(text);
    after("segments 4, 5 and 8 of 8 melted last, 33 s after segment 1", text);

    run.joint[0].lifted_s = NAN;
    run.joint[0].freezes_s = 341;
    as_text(&demo_style);
    after("frame open from 3:58 to 5:41, when its first place froze", text);

    run.joint[0].last_s = NAN;
    as_text(&demo_style);
    after("frame never open: its first place melted at 3:25, not all of it", text);
}

static void test_what_each_part_went_through_is_told(void **state)
{
    (void)state;
    synthetic_run(&run);

    as_text(&demo_style);

    const char *parts = after("\nParts", text);
    after("  U1                           163.1 C      1.12 C/s\n"
          "  most between two places of one face of a board: 27 K\n",
          parts);
    run.rehearsed = false; /* nobody saw inside */
    as_text(&demo_style);
    assert_null(strstr(text, "\nParts"));
}

static void test_a_limit_that_was_passed_is_never_called_kept(void **state)
{
    (void)state;
    synthetic_run(&run);
    synthetic_margin(&run, "memory body", 245, 251.5, UNIT_TEMP, -1, 0);
    run_sort_margins(&run);

    as_text(&demo_style);

    after("memory body                  245.0 C     251.5 C      -6.5 C   OVER  what the part "
          "bears\n",
          text);
    assert_string_equal(
        last_line(),
        "Rehearsal: done in 10 min 20 s, touch-safe at 10:50, but memory body went over "
        "its limit\n");
}

static void test_a_rate_that_was_never_reached_is_said(void **state)
{
    (void)state;
    synthetic_run(&run);
    run.best_ramp_c_s = 0.87;
    as_text(&demo_style);
    after("the plate never reached the asked rate of 1.50 C/s; its steepest climb was 0.87 C/s\n",
          text);
}

static void test_a_mistake_before_anything_was_driven_shows_nothing_else(void **state)
{
    (void)state;
    struct report_style style = demo_style;
    style.error_shown = "stack-split.lua:31: steps: there is no plate.rmap\n";
    synthetic_run(&run);
    run.outcome = RUN_FAILED;
    run.driven = false;
    tl_error_set(&run.error, TL_STEP, "there is no plate.rmap");
    tl_error_at(&run.error, "recipes/stack-split.lua", 31);

    as_text(&style);

    assert_null(strstr(text, "Limits"));
    assert_null(strstr(text, "Margins"));
    after("seed 1\n\nstack-split.lua:31: steps: there is no plate.rmap\n\nRehearsal: ", text);
    assert_string_equal(last_line(), "Rehearsal: failed at 10:20 in stack-split.lua:31\n");

    run.driven = true; /* once something was heated, what happened is worth reading */
    as_text(&style);
    after("\nMargins", text);
}

static void test_a_step_that_fails_tells_first_what_to_do_with_ones_hands(void **state)
{
    (void)state;
    synthetic_run(&run);
    snprintf(run.hands, sizeof run.hands, "Heat is off. The joints are still molten: hands off.");
    run.outcome = RUN_FAILED;
    run.driven = true;

    as_text(&demo_style);
    after("seed 1\n\nHeat is off. The joints are still molten: hands off.\n\nLimits", text);

    run.outcome = RUN_DONE; /* nothing is left to say */
    as_text(&demo_style);
    assert_null(strstr(text, "hands off"));
}

static void test_an_error_that_stands_above_is_not_repeated(void **state)
{
    (void)state;
    synthetic_run(&run);
    run.outcome = RUN_FAILED;
    tl_error_set(&run.error, TL_TIMEOUT, "plate.ramp: timed out");

    as_text(&demo_style);
    after("plate.ramp: timed out", last_line());

    struct report_style style = demo_style;
    style.error_shown = "plate.ramp: timed out\n";
    as_text(&style);
    const char *once = after("plate.ramp: timed out", text);
    assert_null(strstr(once + 1, "plate.ramp: timed out"));
}

static void test_a_narrow_terminal_gets_narrow_tables(void **state)
{
    (void)state;
    struct report_style style = demo_style;
    for (style.columns = 40; style.columns <= REPORT_COLUMNS; style.columns += 5) {
        synthetic_run(&run);
        trip_it();
        as_text(&style);
        size_t most = 0;
        for (const char *at = text; *at; at += strcspn(at, "\n") + 1)
            most = strcspn(at, "\n") > most ? strcspn(at, "\n") : most;
        assert_true(most <= (size_t)(style.columns < REPORT_LEAST ? REPORT_LEAST : style.columns));
        check_lines();
    }
}

static void test_a_trip_without_a_reading_still_has_its_cross(void **state)
{
    (void)state;
    synthetic_run(&run);
    trip_it();
    for (int i = 0; i < run.point_count; i++)
        if ((double)run.point[i].t_s >= run.trip_s)
            run.point[i].plate_read_c = NAN;
    run.rehearsed = true;

    as_text(&demo_style);

    const char *chart = after("\nStages", text);
    const char *legend = after("X trip", chart);
    int crosses = 0;
    for (const char *c = chart; c < legend; c++)
        crosses += *c == 'X';
    assert_int_equal(crosses, 1);
}

static void test_stage_names_are_whole_even_where_stages_are_short(void **state)
{
    (void)state;
    synthetic_run(&run);
    run.stage[2].start_s = run.stage[1].end_s = 290; /* one column before the next */
    run.stage[0].start_s = 0;
    run.stage[1].start_s = run.stage[0].end_s = 15;

    as_text(&demo_style);

    const char *chart = after("highest reading", text);
    static const char *const names[] = {"Preheat", "Melt", "Lift", "Cool"};
    for (int i = 0; i < 4; i++)
        assert_true(after(names[i], chart) < after("# plate", chart));
}

/* Both lie in one row from 150 s on: each is seen. */
static void test_no_curve_hides_another(void **state)
{
    (void)state;
    synthetic_run(&run);
    run.melt_count = 0;
    for (int i = 0; i < run.point_count; i++)
        run.point[i].board_c = run.point[i].joint_c = run.point[i].plate_c;

    as_text(&demo_style);

    after("#+o#+o", text);
}

static void test_a_bench_that_stays_hot_does_not_squeeze_what_matters(void **state)
{
    (void)state;
    synthetic_run(&run);
    trip_it();
    run.recipe_s = 281;
    for (int t = 651; t < 3600; t++)
        run_add_point(&run, &(struct run_point){.t_s = (float)t,
                                                .plate_c = 170,
                                                .plate_read_c = 170,
                                                .board_c = 150,
                                                .joint_c = 150,
                                                .target_c = NAN});

    as_text(&demo_style);

    after("still warm at the right", text);
    assert_null(strstr(text, "20:00"));
}

static void test_every_outcome_has_its_sentence(void **state)
{
    (void)state;
    static const char *const starts[OUTCOMES] = {[RUN_DONE] = "Run: done in",
                                                 [RUN_FAILED] = "Run: failed at 10:20: plate.ramp",
                                                 [RUN_INVALID] = "Run: invalid: ",
                                                 [RUN_TRIPPED] = "Run: tripped by",
                                                 [RUN_REFUSED] = "Run: refused, ",
                                                 [RUN_DEVICE] = "Run: an instrument",
                                                 [RUN_STOPPED] = "Run: stopped at 10:20"};
    for (int i = 0; i < OUTCOMES; i++) {
        synthetic_run(&run);
        run.rehearsed = false;
        run.outcome = (enum outcome)i;
        strcpy(run.error.text, "plate.ramp: timed out");

        as_text(&demo_style);

        check_lines();
        after(starts[i], last_line());
    }
}

static void hostile_text(char *to, size_t size)
{
    static const char bad[] = "\x1B]0;x\x07<b>&\"'\xE2\x80\xAE"
                              "a\xFF\xC2\x9B]]>\n\t%s%n ";
    for (size_t i = 0; i + 1 < size; i++)
        to[i] = bad[i % (sizeof bad - 1)];
    to[size - 1] = '\0';
}

/* Every text that a stranger may have written, as long as it can be. */
static void make_hostile(void)
{
    synthetic_run(&run);
    trip_it();
    hostile_text(run.title, sizeof run.title);
    hostile_text(run.recipe, sizeof run.recipe);
    hostile_text(run.board, sizeof run.board);
    hostile_text(run.bench, sizeof run.bench);
    hostile_text(run.serial, sizeof run.serial);
    hostile_text(run.hands, sizeof run.hands);
    hostile_text(run.trip_words.what, sizeof run.trip_words.what);
    hostile_text(run.error.text, sizeof run.error.text);
    hostile_text(run.error.hint, sizeof run.error.hint);
    hostile_text(run.error.file, sizeof run.error.file);
    hostile_text(run.record, sizeof run.record);
    run.error.code = TL_STEP;
    run.stage_count = RUN_STAGES;
    for (int i = 0; i < RUN_STAGES; i++) {
        hostile_text(run.stage[i].name, sizeof run.stage[i].name);
        run.stage[i].start_s = 10 * i;
        run.stage[i].end_s = 10 * i + 10;
    }
    run.melt_count = RUN_MELTS;
    for (int i = 0; i < RUN_MELTS; i++) {
        run.melt[i] = run.melt[0];
        hostile_text(run.melt[i].joint, sizeof run.melt[i].joint);
        hostile_text(run.melt[i].how, sizeof run.melt[i].how);
    }
    run.margin_count = RUN_MARGINS;
    for (int i = 0; i < RUN_MARGINS; i++)
        hostile_text(run.margin[i].limit, sizeof run.margin[i].limit);
    for (int i = run.event_count; i < RUN_EVENTS; i++) {
        char long_text[120];
        hostile_text(long_text, sizeof long_text);
        run_add_event(&run, i, 1, i % 2 ? "do" : "tell", long_text);
    }
    run.limits.uses_supply = true;
    run.limits.rail_count = BENCH_RAILS;
    for (int i = 0; i < BENCH_RAILS; i++)
        hostile_text(run.limits.rail[i].name, sizeof run.limits.rail[i].name);
    run.warning_count = RUN_WARNINGS;
    for (int i = 0; i < RUN_WARNINGS; i++)
        hostile_text(run.warning[i], sizeof run.warning[i]);
}

static void test_texts_of_strangers_neither_steer_the_terminal_nor_break_a_line(void **state)
{
    (void)state;
    make_hostile();

    as_text(&(struct report_style){
        .bench_file = run.recipe, .recipe_file = run.recipe, .board_file = run.recipe});

    check_lines();
    after("<1B>]0;x<07>", text);
}

/* Tags balance, attributes are quoted, entities are known: what a strict XML reader asks first. */
static void check_xml(void)
{
    static char open[64][32];
    int depth = 0;
    for (const char *at = text; *at; at++) {
        if (*at == '&') {
            static const char *const known[] = {"&lt;", "&gt;", "&amp;", "&quot;"};
            bool good = false;
            for (int i = 0; i < 4; i++)
                good = good || !strncmp(at, known[i], strlen(known[i]));
            assert_true(good);
        }
        assert_true(*at != '>'); /* only as a tag's end, which is passed over below */
        if (*at != '<')
            continue;
        const char *name = at + 1 + (at[1] == '/');
        size_t length = strspn(name, "abcdefghijklmnopqrstuvwxyz");
        assert_in_range(length, 1, 31);
        const char *end = name + length;
        bool quoted = false;
        for (; *end && (quoted || *end != '>'); end++) {
            assert_true(*end != '<');
            quoted = quoted != (*end == '"');
        }
        assert_int_equal(*end, '>');
        if (at[1] == '/') {
            assert_true(depth > 0);
            depth--;
            assert_int_equal(strncmp(open[depth], name, length), 0);
        } else if (end[-1] != '/') {
            assert_true(depth < 64);
            snprintf(open[depth++], 32, "%.*s", (int)length, name);
        }
        at = end;
    }
    assert_int_equal(depth, 0);
}

static void check_svg(void)
{
    check_xml();
    for (const char *at = text; *at;) {
        size_t length = utf8_length(at, strlen(at));
        assert_true(length > 0 && (*at == '\n' || utf8_is_plain(at, length)));
        at += length;
    }
    assert_null(strstr(text, "nan"));
    assert_null(strstr(text, "inf"));
    assert_null(strstr(text, "<script"));
    assert_null(strstr(text, "href"));
}

static void test_a_field_of_csv_is_one_field_and_no_formula(void **state)
{
    (void)state;
    static const struct {
        const char *text, *field;
    } fields[] = {
        {"", ""},          {"frame", "\"frame\""},      {"a,\"b\"\n", "\"a,\"\"b\"\" \""},
        {"=1", "\"'=1\""}, {"@sum(a)", "\"'@sum(a)\""}, {"x=-1", "\"x=-1\""},
    };
    for (size_t i = 0; i < sizeof fields / sizeof fields[0]; i++) {
        char *field;
        size_t length;
        FILE *out = open_memstream(&field, &length);
        report_csv(out, fields[i].text);
        fclose(out);
        assert_string_equal(field, fields[i].field);
        free(field);
    }
}

static void test_the_picture_is_whole_and_names_what_it_shows(void **state)
{
    (void)state;
    synthetic_run(&run);

    as_svg();
    look("chart.svg");

    check_svg();
    after(">Split the two-board stack</text>", text);
    after(">rehearsal of stack-split.lua, board hx210, simulated bench demo, seed 1: done<", text);
    static const char *const names[] = {
        ">plate, true<",       ">plate, read<", ">board, read<", ">target<",
        ">joint, coldest<",    ">Preheat<",     ">Cool<",        ">plate limit 190 C<",
        ">board limit 230 C<", ">2:00<",        ">200 C<"};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++)
        after(names[i], text);
    after("frame counts as molten at 4:06 (first place 3:25, last 3:58)", text);
    trip_it();
    as_svg();
    check_svg();
    after(">plate-over at 4:41<", text);
    look("trip.svg");
}

static void test_a_hostile_picture_is_still_whole(void **state)
{
    (void)state;
    make_hostile();

    as_svg();

    check_svg();
    assert_null(strstr(text, "<b>"));
    after("&lt;1B&gt;]0;x", text);
}

static void test_the_axis_ends_when_nothing_is_warm_any_more(void **state)
{
    (void)state;
    synthetic_run(&run);
    for (int t = 651; t < 3600; t++)
        run_add_point(&run, &(struct run_point){.t_s = (float)t,
                                                .plate_c = 24,
                                                .plate_read_c = NAN,
                                                .board_c = NAN,
                                                .joint_c = NAN,
                                                .target_c = NAN});

    as_text(&demo_style);
    after(" 10:00\n", text);
    assert_null(strstr(text, "30:00"));
    as_svg();
    after(">10:00<", text);
    assert_null(strstr(text, ">30:00<"));
}

/* --- maps --------------------------------------------------------------------------------- */

static void draw_maps(const struct run_heat *heat, bool melt)
{
    FILE *out = fmemopen(text, sizeof text, "w");
    assert_non_null(out);
    if (melt)
        report_melt_map(heat, out);
    else
        report_heat_map(heat, out);
    fputc('\0', out);
    assert_int_equal(fclose(out), 0);
    after("</svg>\n", text);
}

static void test_the_maps_tell_first_and_last_and_what_never_melted(void **state)
{
    (void)state;
    static struct run_heat heat;
    synthetic_run(&run);
    heat = (struct run_heat){.places = 3,
                             .cells_x = {2, 2},
                             .cells_y = {1, 1},
                             .length_mm = {60, 60},
                             .width_mm = {40, 40},
                             .at_s = 238,
                             .joint = "<frame>"};
    heat.place[0] = (struct run_place){0, 1, 0, 20, 205, NAN};
    heat.place[1] = (struct run_place){0, 4, 60, 20, 238, NAN};
    heat.place[2] = (struct run_place){0, 6, 30, 40, NAN, NAN};
    heat.face_c[0][0] = 167;
    heat.face_c[1][1] = 116;
    heat.face_c[0][1] = heat.face_c[1][0] = 140;

    draw_maps(&heat, true);
    after(">first: 1</text>", text);
    after(">6</text>", text);
    after(">3:25</text>", text);
    after(">last: 4</text>", text);
    after("hollow ones never", text);
    after("&#60;frame&#62;", text);
    assert_null(strstr(text, "<frame>"));

    draw_maps(&heat, false);
    after("at 3:58", text);
    after("lower board, its upper face", text);
    after("140 to 167 C", text);
    after("116 to 140 C", text);

    heat.places = heat.cells_x[0] = heat.cells_x[1] = 0; /* nothing there: still a picture */
    draw_maps(&heat, true);
    draw_maps(&heat, false);
    after("nothing lies on the insert", text);
}

/* --- JSON --------------------------------------------------------------------------------- */

static void has_keys(const json_t *object, const char *const *keys)
{
    size_t count = 0;
    for (; keys[count]; count++) {
        if (!json_object_get(object, keys[count]))
            print_error("no key %s\n", keys[count]);
        assert_non_null(json_object_get(object, keys[count]));
    }
    assert_int_equal(json_object_size(object), count);
}

#define KEYS(...) ((const char *const[]){__VA_ARGS__, NULL})

static void test_the_json_object_has_the_keys_of_its_reference_and_no_others(void **state)
{
    (void)state;
    synthetic_run(&run);
    trip_it();
    tl_error_set(&run.error, TL_STEP, "plate.ramp: timed out");
    tl_error_at(&run.error, "stack-split.lua", 31);

    json_t *got = as_json();

    has_keys(got, KEYS("outcome", "recipe", "source", "board", "seed", "duration_s", "wall_s",
                       "trip", "peak", "stages", "melt", "joints", "parts", "grid_mm", "lateral_k",
                       "margins", "error", "run"));
    has_keys(json_object_get(got, "trip"), KEYS("rule", "at_s", "text"));
    has_keys(json_object_get(got, "peak"), KEYS("plate_true_c", "plate_read_c", "board_c"));
    has_keys(json_array_get(json_object_get(got, "stages"), 0),
             KEYS("name", "start_s", "end_s", "peak_c"));
    has_keys(json_array_get(json_object_get(got, "melt"), 0),
             KEYS("joint", "at_s", "how", "true_first_s", "true_last_s"));
    has_keys(json_array_get(json_object_get(got, "joints"), 0),
             KEYS("joint", "first_s", "last_s", "freezes_s", "solid_s", "lifted_s", "liquid_s",
                  "tenths_s", "first_segments", "last_segments"));
    has_keys(json_array_get(json_object_get(got, "parts"), 0), KEYS("part", "peak_c", "ramp_c_s"));
    has_keys(json_array_get(json_object_get(got, "margins"), 0),
             KEYS("limit", "value", "worst", "unit"));
    has_keys(json_object_get(got, "error"), KEYS("file", "line", "text", "hint"));
    assert_string_equal(json_string_value(json_object_get(got, "outcome")), "tripped");
    assert_int_equal(json_integer_value(json_object_get(got, "seed")), 1);
    assert_near(json_number_value(json_object_get(got, "duration_s")), 650, 1e-9);
    assert_string_equal(json_string_value(json_object_get(json_object_get(got, "trip"), "rule")),
                        "plate-over");
    const json_t *peak = json_object_get(got, "peak");
    assert_near(json_number_value(json_object_get(peak, "plate_true_c")), 173.2, 1e-6);
    const json_t *last =
        json_object_get(json_array_get(json_object_get(got, "joints"), 0), "last_segments");
    assert_int_equal(json_array_size(last), 1);
    assert_int_equal(json_integer_value(json_array_get(last, 0)), 5);
    assert_true(json_is_null(json_object_get(got, "grid_mm")));
    const json_t *margin = json_array_get(json_object_get(got, "margins"), 0);
    assert_string_equal(json_string_value(json_object_get(margin, "unit")), "C");
    assert_near(json_number_value(json_object_get(margin, "worst")), 172.4, 1e-6);
    assert_int_equal(json_integer_value(json_object_get(json_object_get(got, "error"), "line")),
                     31);
    assert_true(json_is_null(json_object_get(json_object_get(got, "error"), "hint")));
    json_decref(got);
}

static void test_what_is_not_known_is_null_in_json(void **state)
{
    (void)state;
    synthetic_run(&run);
    run.rehearsed = false;
    run.peak_board_c = NAN;
    run.stage[0].end_s = INFINITY;
    run.record[0] = '\0';

    json_t *got = as_json();

    assert_true(json_is_null(json_object_get(got, "trip")));
    assert_true(json_is_null(json_object_get(got, "error")));
    assert_true(json_is_null(json_object_get(got, "run")));
    const json_t *peak = json_object_get(got, "peak");
    assert_true(json_is_null(json_object_get(peak, "plate_true_c"))); /* no world told it */
    assert_true(json_is_null(json_object_get(peak, "board_c")));
    assert_true(json_is_number(json_object_get(peak, "plate_read_c")));
    const json_t *stage = json_array_get(json_object_get(got, "stages"), 0);
    assert_true(json_is_null(json_object_get(stage, "end_s")));
    json_decref(got);
}

static void test_hostile_texts_leave_json_json(void **state)
{
    (void)state;
    make_hostile();
    run.seed = UINT64_MAX;

    json_t *got = as_json();

    assert_int_equal(json_array_size(json_object_get(got, "stages")), RUN_STAGES);
    assert_string_equal(json_string_value(json_object_get(got, "seed")), "18446744073709551615");
    assert_has(json_string_value(json_object_get(got, "recipe")), "<b>");
    json_decref(got);
}

/* --- odd runs ----------------------------------------------------------------------------- */

static void test_a_run_of_nothing_can_be_shown(void **state)
{
    (void)state;
    run = (struct run){.outcome = RUN_REFUSED, .peak_true_c = NAN, .peak_read_c = NAN};

    as_text(&(struct report_style){0});
    check_lines();
    after("Run: refused", last_line());
    run_add_event(&run, 3, 0, "value", "rail = 0.4 ohm");
    as_svg();
    check_svg();
    after("nothing was heated", text);
    after("rail = 0.4 ohm", text);
    json_decref(as_json());
}

static void test_colour_is_only_an_extra(void **state)
{
    (void)state;
    static char plain[sizeof text];
    synthetic_run(&run);
    struct report_style style = demo_style;
    as_text(&style);
    strcpy(plain, text);

    style.colour = true;
    as_text(&style);

    assert_non_null(strchr(text, '\x1B'));
    char *to = text;
    for (const char *from = text; *from; from++) {
        if (*from == '\x1B')
            from = strchr(from, 'm');
        else
            *to++ = *from;
    }
    *to = '\0';
    assert_string_equal(text, plain);
}

static void test_numbers_that_no_run_should_have_are_survived(void **state)
{
    (void)state;
    static const double odd[] = {-1e300, -1, 0, 1e-300, 1e300, NAN, INFINITY, -INFINITY};
    for (size_t i = 0; i < sizeof odd / sizeof odd[0]; i++) {
        synthetic_run(&run);
        trip_it();
        run.duration_s = run.recipe_s = run.trip_s = run.worst_case_s = odd[i];
        run.stage[1].start_s = run.stage[2].end_s = run.melt[0].at_s = odd[i];
        run.melt[0].true_first_s = run.event[2].at_s = odd[i];
        run.margin[0].value = run.margin[1].worst = odd[i];
        run.point[3].t_s = run.point[4].plate_c = run.point[5].joint_c = (float)odd[i];

        as_text(&demo_style);
        check_lines();
        as_svg();
        check_svg();
        json_decref(as_json());
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_text_has_its_parts_in_order_within_a_hundred_columns),
        cmocka_unit_test(test_the_chart_names_every_sign_and_limit),
        cmocka_unit_test(test_the_chart_puts_the_plate_where_it_was),
        cmocka_unit_test(test_a_trip_says_first_what_to_do_with_the_hands),
        cmocka_unit_test(test_counting_too_early_is_said_loudly),
        cmocka_unit_test(test_the_maps_tell_first_and_last_and_what_never_melted),
        cmocka_unit_test(test_the_lift_window_names_the_last_place_and_what_ended_it),
        cmocka_unit_test(test_what_each_part_went_through_is_told),
        cmocka_unit_test(test_a_limit_that_was_passed_is_never_called_kept),
        cmocka_unit_test(test_a_rate_that_was_never_reached_is_said),
        cmocka_unit_test(test_a_mistake_before_anything_was_driven_shows_nothing_else),
        cmocka_unit_test(test_a_step_that_fails_tells_first_what_to_do_with_ones_hands),
        cmocka_unit_test(test_an_error_that_stands_above_is_not_repeated),
        cmocka_unit_test(test_a_narrow_terminal_gets_narrow_tables),
        cmocka_unit_test(test_a_trip_without_a_reading_still_has_its_cross),
        cmocka_unit_test(test_stage_names_are_whole_even_where_stages_are_short),
        cmocka_unit_test(test_no_curve_hides_another),
        cmocka_unit_test(test_a_bench_that_stays_hot_does_not_squeeze_what_matters),
        cmocka_unit_test(test_every_outcome_has_its_sentence),
        cmocka_unit_test(test_texts_of_strangers_neither_steer_the_terminal_nor_break_a_line),
        cmocka_unit_test(test_a_field_of_csv_is_one_field_and_no_formula),
        cmocka_unit_test(test_the_picture_is_whole_and_names_what_it_shows),
        cmocka_unit_test(test_a_hostile_picture_is_still_whole),
        cmocka_unit_test(test_the_axis_ends_when_nothing_is_warm_any_more),
        cmocka_unit_test(test_the_json_object_has_the_keys_of_its_reference_and_no_others),
        cmocka_unit_test(test_what_is_not_known_is_null_in_json),
        cmocka_unit_test(test_hostile_texts_leave_json_json),
        cmocka_unit_test(test_a_run_of_nothing_can_be_shown),
        cmocka_unit_test(test_colour_is_only_an_extra),
        cmocka_unit_test(test_numbers_that_no_run_should_have_are_survived),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
