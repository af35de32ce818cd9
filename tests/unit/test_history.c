/* SPDX-License-Identifier: MIT */
/* history: what a record tells, gathered for people. */
#include "check.h"

#include <sys/mman.h>
#include <unistd.h>

#include "tinlatch/history.h"
#include "tinlatch/journal.h"

enum { MOST = 1 << 18 };
static char text[MOST];
static size_t length;
static struct history h;

static struct journal *begin(int *fd)
{
    struct journal *journal;
    struct journal_start start = {.kind = "run",
                                  .recipe = "r.lua",
                                  .title = "Split",
                                  .board = "hx210",
                                  .bench = "mine",
                                  .serial = "A-1",
                                  .version = "0",
                                  .wall_s = 1790000000};
    struct limits limits = *limits_built_in();
    struct limit_origins origins = {0};
    limits.plate_mc = 190000;
    limits.uses_plate = limits.has_board = true;
    origins.of[LIMIT_plate_mc] = (struct limit_origin){LAYER_RECIPE, 12};
    *fd = memfd_create("record", MFD_CLOEXEC);
    assert_int_equal(journal_new(&journal, *fd, 0), 0);
    journal_start(journal, &start);
    journal_limits(journal, &limits, &origins);
    return journal;
}

static void end(struct journal *journal, int fd)
{
    journal_free(journal);
    length = (size_t)pread(fd, text, sizeof text, 0);
    close(fd);
}

static void scan(struct journal *journal, int64_t t_ms, int32_t plate_mc, bool heat, int mode)
{
    struct wire_snapshot s = {.t_ms = t_ms, .rule = -1, .mode = mode, .judged = 1};
    struct wire_turn turn = {.joints = 1};
    wire_stamp(&s.head, WIRE_SNAPSHOT, (uint32_t)(t_ms / 100));
    s.quality[SENSOR_PLATE] = s.quality[SENSOR_BOARD] = s.plate_quality = QUALITY_GOOD;
    s.temp_mc[SENSOR_PLATE] = s.plate_mc = plate_mc;
    s.temp_mc[SENSOR_BOARD] = plate_mc - 10000;
    s.granted_heat = s.wanted_heat = heat;
    s.granted_mc = heat ? 172000 : 0;
    s.ramp_known = 1;
    s.ramp_mc_s = 1500;
    s.heat_left_ms = 3600000 - 20000;
    turn.joint[0] =
        (struct wire_joint){.temp_mc = plate_mc - 20000, .molten_permille = 250, .melt_ms = -1};
    journal_snapshot(journal, &s, &turn, INT32_MIN);
}

static void note(struct journal *journal, int64_t t_ms, enum note_kind kind, uint32_t number,
                 const char *name, double value, const char *said)
{
    struct wire_note n = {.note = (int32_t)kind, .line = 7, .value = value};
    wire_stamp(&n.head, WIRE_NOTE, number);
    snprintf(n.name, sizeof n.name, "%s", name);
    snprintf(n.text, sizeof n.text, "%s", said);
    journal_note(journal, t_ms, &n);
}

static void answer(struct journal *journal, int64_t t_ms, uint32_t prompt, int32_t what,
                   const char *typed)
{
    struct wire_hand hand = {.prompt = prompt, .answer = what, .value = 44.5};
    snprintf(hand.text, sizeof hand.text, "%s", typed);
    journal_hand(journal, t_ms, &hand);
}

static void a_run(struct journal *journal)
{
    journal_event(journal, 0, "mode", "checking");
    journal_event(journal, 10, "check", "Cell out?");
    answer(journal, 2010, NOTE_GUARD + 1, ANSWER_YES, "");
    scan(journal, 2100, 40000, true, GUARD_SEATING); /* the seat test is no heat of the recipe's */
    note(journal, 2150, NOTE_ASK, 1, "battery", 0, "ohms?");
    answer(journal, 5150, 1, ANSWER_VALUE, "44.5 kohm");
    note(journal, 5200, NOTE_VALUE, 2, "battery", 44500, "ohm");
    note(journal, 5300, NOTE_STAGE, 3, "", 0, "Melt");
    scan(journal, 5400, 60000, true, GUARD_RUNNING);
    note(journal, 5450, NOTE_VALUE, 4, "draw", 0.5, "A");
    scan(journal, 5500, 170000, true, GUARD_RUNNING);
    note(journal, 5550, NOTE_MELT, 5, "frame", 0, "by estimate");
    scan(journal, 5600, 50000, false, GUARD_RUNNING);
    note(journal, 5700, NOTE_VALUE, 6, "battery", 44100, "ohm");
    scan(journal, 5800, 44000, false, GUARD_COOLING);
}

static void test_a_joint_that_left_with_its_board_has_no_curve_until_it_is_back(void **state)
{
    static const int32_t plate_mc[] = {160000, 161000, 42000, 42500, 90000};
    static const float joint_c[] = {140, 141, NAN, NAN, 70};
    (void)state;
    int fd;
    struct journal *journal = begin(&fd);
    for (int i = 0; i < 5; i++)
        scan(journal, 100 * (i + 1), plate_mc[i], true, GUARD_RUNNING);
    end(journal, fd);

    assert_int_equal(history_read(&h, text, length, NULL), 0);

    for (int i = 0; i < 5; i++)
        assert_true(isnan(joint_c[i]) ? isnan(h.point[i].joint_c[0])
                                      : h.point[i].joint_c[0] == joint_c[i]);
    history_free(&h);
}

static void test_a_melt_map_is_told_and_read_place_by_place(void **state)
{
    (void)state;
    int fd, from = 0;
    static struct run_heat heat;
    struct journal *journal = begin(&fd);
    heat = (struct run_heat){
        .places = 1200, .joint = "frame", .length_mm = {60, 0}, .width_mm = {40, 0}};
    for (int i = 0; i < 1200; i++) /* each third of another joint */
        heat.place[i] = (struct run_place){
            i % 3 == 2, 7, (float)i / 20, 40, i == 4 ? NAN : (float)(200 + i), NAN};
    char piece[BENCH_TEXT];
    while (run_heat_tell(&heat, &from, piece, sizeof piece))
        note(journal, 0, NOTE_JOB, 1, "melt map", 0, piece);
    note(journal, 0, NOTE_JOB, 1, "melt map", 0, "70 1 5;1e9 nan inf;-1 1 5;x;;");
    end(journal, fd);

    assert_int_equal(history_read(&h, text, length, NULL), 0);

    assert_string_equal(h.melt_map->joint, "frame");
    assert_near((double)h.melt_map->width_mm[0], 40, 0);
    assert_int_equal(h.melt_map->places, 200); /* every fourth of 800 */
    for (int i = 0; i < 200; i++) {
        const struct run_place *place = &h.melt_map->place[i];
        float at = 6 * (float)i; /* two of three are of the joint */
        assert_near((double)place->x_mm, (double)at / 20, 0.051);
        assert_near((double)place->melts_s, (double)(200 + at), 0.051);
        assert_int_equal(place->segment, 7);
    }
    history_free(&h);
}

static void test_a_run_is_gathered(void **state)
{
    (void)state;
    int fd;
    struct journal *journal = begin(&fd);
    a_run(journal);
    journal_end(journal, 5900, RUN_DONE, NULL);
    end(journal, fd);

    assert_int_equal(history_read(&h, text, length, NULL), 0);

    assert_true(h.ended);
    assert_int_equal(h.run.outcome, RUN_DONE);
    assert_string_equal(h.run.serial, "A-1");
    assert_int_equal(h.scans, 5);
    assert_int_equal(h.point_count, 5);
    assert_near((double)h.point[2].plate_c, 170, 1e-4);
    assert_near((double)h.point[2].board_c, 160, 1e-4);
    assert_near((double)h.point[2].joint_c[0], 150, 1e-4);
    assert_near((double)h.point[2].molten[0], 0.25, 1e-6);
    assert_true(isnan((double)h.point[3].target_c));
    assert_near(h.heat_first_s, 5.4, 1e-9);
    assert_near(h.heat_last_s, 5.5, 1e-9);
    assert_near(h.run.recipe_s, 5.6, 1e-9);
    assert_near(h.run.duration_s, 5.8, 1e-9);
    assert_near(h.run.peak_read_c, 170, 1e-9);
    assert_int_equal(h.run.stage_count, 1);
    assert_near(h.run.stage[0].start_s, 5.3, 1e-9);
    assert_near(h.run.stage[0].end_s, 5.6, 1e-9);
    assert_near(h.run.stage[0].peak_c, 170, 1e-9);
    assert_int_equal(h.run.melt_count, 1);
    assert_string_equal(h.run.melt[0].joint, "frame");
    assert_int_equal(h.run.margin_count, 4);
    history_free(&h);
}

static void test_what_was_measured_is_before_during_or_after(void **state)
{
    (void)state;
    int fd;
    struct journal *journal = begin(&fd);
    a_run(journal);
    journal_end(journal, 5900, RUN_DONE, NULL);
    note(journal, -1, NOTE_JOB, 0, "after", 44000, "battery, ohm");
    end(journal, fd);

    assert_int_equal(history_read(&h, text, length, NULL), 0);

    static const enum history_when when[] = {WHEN_BEFORE, WHEN_DURING, WHEN_AFTER, WHEN_AFTER};
    assert_int_equal(h.value_count, 4);
    for (int i = 0; i < 4; i++)
        assert_int_equal(h.value[i].when, when[i]);
    assert_string_equal(h.value[3].name, "battery");
    assert_string_equal(h.value[3].unit, "ohm");
    assert_near(h.value[3].value, 44000, 1e-9);
    history_free(&h);
}

static void test_an_answer_stands_with_its_question(void **state)
{
    (void)state;
    int fd;
    struct journal *journal = begin(&fd);
    a_run(journal);
    end(journal, fd);

    assert_int_equal(history_read(&h, text, length, NULL), 0);

    assert_string_equal(h.event[0].text, "Cell out?");
    assert_string_equal(h.event[0].answer, "yes after 2 s");
    assert_near(h.event[0].answered_s, 2.01, 1e-9);
    assert_string_equal(h.event[1].text, "ohms?");
    assert_string_equal(h.event[1].answer, "44.5 kohm after 3 s");
    assert_false(h.ended);
    history_free(&h);
}

static void test_the_job_the_joints_and_the_forecast(void **state)
{
    (void)state;
    int fd;
    struct journal *journal = begin(&fd);
    note(journal, 0, NOTE_JOB, 1, "joint", 0, "138 140 Sn42Bi57Ag1 frame of the stack");
    note(journal, 0, NOTE_JOB, 2, "joint", 0, "not a joint");
    note(journal, 0, NOTE_JOB, 3, "alloy found", 0, "Sn63Pb37");
    note(journal, 0, NOTE_JOB, 4, "heat cycle", 2, "");
    note(journal, 0, NOTE_JOB, 5, "forecast", 0, "0 25 24.5 -;10 30.2 -3 25");
    note(journal, 0, NOTE_JOB, 6, "forecast", 0, "20 40 30 28;bad;");
    a_run(journal);
    end(journal, fd);

    assert_int_equal(history_read(&h, text, length, NULL), 0);

    assert_int_equal(h.joint_count, 1);
    assert_string_equal(h.joint[0].name, "frame of the stack");
    assert_string_equal(h.joint[0].alloy, "Sn42Bi57Ag1");
    assert_near(h.joint[0].liquidus_c, 140, 1e-9);
    assert_int_equal(h.job_count, 2);
    assert_string_equal(h.job[0].text, "Sn63Pb37");
    assert_near(h.job[1].value, 2, 0);
    assert_int_equal(h.forecast_count, 3);
    assert_true(isnan((double)h.forecast[0].joint_c));
    assert_near((double)h.forecast[1].board_c, -3, 1e-6);
    assert_near((double)h.forecast[2].t_s, 20, 1e-6);
    history_free(&h);
}

static void test_a_trip_has_its_words_and_a_fault_stands_above_a_stop(void **state)
{
    (void)state;
    int fd;
    struct journal *journal = begin(&fd);
    struct rule_words stop = {"stopped", "", ""}, over = {"too hot", "wait", "the sensor"};
    a_run(journal);
    journal_rule(journal, 6000, STOP_PRESSED, &stop);
    journal_event(journal, 6000, "hands", "Hands off.");
    journal_rule(journal, 6100, PLATE_OVER, &over);
    journal_rule(journal, 6200, BOARD_OVER, &stop);
    journal_end(journal, 7000, RUN_TRIPPED, NULL);
    end(journal, fd);

    assert_int_equal(history_read(&h, text, length, NULL), 0);

    assert_true(h.run.tripped);
    assert_int_equal(h.run.trip_rule, PLATE_OVER);
    assert_near(h.run.trip_s, 6.1, 1e-9);
    assert_string_equal(h.run.trip_words.act, "wait");
    assert_string_equal(h.run.hands, "Hands off.");
    history_free(&h);
}

static void test_every_prefix_is_read_and_what_is_no_record_is_not(void **state)
{
    (void)state;
    int fd;
    struct journal *journal = begin(&fd);
    struct tl_error error;
    a_run(journal);
    journal_end(journal, 7000, RUN_DONE, NULL);
    end(journal, fd);
    const char *newline = memchr(text, '\n', length);

    for (size_t cut = 0; cut <= length; cut++) {
        bool started = cut > (size_t)(newline - text);
        assert_int_equal(history_read(&h, text, cut, &error) == 0, started);
        history_free(&h);
    }
    assert_int_equal(history_read(&h, "nonsense\n", 9, &error), TL_SYNTAX);
    assert_has(error.text, "line 1");
}

static void test_a_list_looks_at_both_ends_only(void **state)
{
    (void)state;
    int fd;
    struct journal *journal = begin(&fd);
    struct history_brief brief;
    a_run(journal);
    end(journal, fd);
    assert_int_equal(history_look(&brief, text, length, text + 700, length - 700), 0);
    assert_false(brief.ended);
    assert_near(brief.duration_s, 5.8, 1e-9);
    assert_string_equal(brief.start.serial, "A-1");

    journal = begin(&fd);
    a_run(journal);
    journal_end(journal, 7000, RUN_TRIPPED, NULL);
    end(journal, fd);
    assert_int_equal(history_look(&brief, text, 700, text + length - 300, 300), 0);
    assert_true(brief.ended);
    assert_int_equal(brief.outcome, RUN_TRIPPED);
    assert_int_equal(history_look(&brief, "x\n", 2, text, length), TL_SYNTAX);
}

static void test_a_heat_cycle_is_the_recipes_heat_not_the_seat_tests(void **state)
{
    (void)state;
    int fd;
    struct journal *journal = begin(&fd);
    scan(journal, 100, 40000, true, GUARD_SEATING);
    scan(journal, 200, 40000, false, GUARD_RUNNING);
    end(journal, fd);
    assert_false(history_heats(text, length));

    journal = begin(&fd);
    a_run(journal);
    end(journal, fd);
    assert_true(history_heats(text, length));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_run_is_gathered),
        cmocka_unit_test(test_a_joint_that_left_with_its_board_has_no_curve_until_it_is_back),
        cmocka_unit_test(test_a_melt_map_is_told_and_read_place_by_place),
        cmocka_unit_test(test_what_was_measured_is_before_during_or_after),
        cmocka_unit_test(test_an_answer_stands_with_its_question),
        cmocka_unit_test(test_the_job_the_joints_and_the_forecast),
        cmocka_unit_test(test_a_trip_has_its_words_and_a_fault_stands_above_a_stop),
        cmocka_unit_test(test_every_prefix_is_read_and_what_is_no_record_is_not),
        cmocka_unit_test(test_a_list_looks_at_both_ends_only),
        cmocka_unit_test(test_a_heat_cycle_is_the_recipes_heat_not_the_seat_tests),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
