/* SPDX-License-Identifier: MIT */
/* record: what the journal wrote reads back; the chain and the interlock tell every line that was changed. */
#include "check.h"

#include <sodium.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <unistd.h>

#include "tinlatch/journal.h"
#include "tinlatch/record.h"

enum { SCANS = 40, HOT_FROM = 5, MOST = 1 << 18 };

/* A record in memory, by the journal itself. */
struct made {
    char text[MOST];
    size_t length;
};
static struct made made, changed;

static const struct run_source source = {{[RUN_SHA256] = "ab",
                                          [RUN_PACK] = "stack-split",
                                          [RUN_PACK_VERSION] = "3",
                                          [RUN_PACK_SHA256] = "cd",
                                          [RUN_SIGNER] = "ann",
                                          [RUN_KEY] = "0123456789ABCDEF",
                                          [RUN_CHECKED] = "shelf"}};
static const struct journal_start start = {.source = &source,
                                           .kind = "run",
                                           .recipe = "recipes/stack-split.lua",
                                           .title = "Split",
                                           .board = "hx210",
                                           .bench = "demo",
                                           .insert = "frame-60x40",
                                           .serial = "HX 'quoted\" \xC3\xBC",
                                           .version = "0.1.0",
                                           .seed = UINT64_MAX,
                                           .wall_s = 1790000000};

static struct limits some_limits(void)
{
    struct limits limits = *limits_built_in();
    limits.plate_mc = 180000;
    limits.uses_plate = limits.has_board = true;
    limits.stale_ms = 1000;
    limits.silent_ms = 800;
    limits.scan_late_ms = 200;
    limits.recipe_silent_ms = 2000;
    limits.rail_count = 1;
    limits.rail[0] = (struct rail_limits){"battery", 3800, 500, 900, 1500};
    return limits;
}

/* What a guard tells of one scan: `plate_mc` is read, `interlock` decides. */
static void scan(struct journal *journal, struct interlock *il, const struct limits *limits,
                 uint32_t n, int32_t plate_mc, bool *told)
{
    int64_t t_ms = 100 * (int64_t)n;
    struct temp_reading plate = {QUALITY_GOOD, plate_mc, 40}, board = {QUALITY_GOOD, 25000, 40};
    struct readings in = {.t_ms = t_ms,
                          .sensor = {[SENSOR_PLATE] = plate, [SENSOR_BOARD] = board},
                          .plate = plate,
                          .duty_permille = -1};
    struct wanted want = {.heat = n >= HOT_FROM && !il->tripped, .temp_mc = 170000};
    struct granted out;
    interlock_step(il, limits, &in, &want, t_ms, &out);
    if (il->tripped && !*told) {
        struct rule_words words = {"too hot", "wait", "the sensor"};
        journal_rule(journal, t_ms, il->first_out, &words);
        *told = true;
    }
    struct wire_snapshot s = {.t_ms = t_ms, .rule = il->tripped ? (int32_t)il->first_out : -1};
    wire_stamp(&s.head, WIRE_SNAPSHOT, n);
    s.quality[SENSOR_PLATE] = s.quality[SENSOR_BOARD] = s.plate_quality = QUALITY_GOOD;
    s.temp_mc[SENSOR_PLATE] = s.plate_mc = plate_mc;
    s.temp_mc[SENSOR_BOARD] = 25000;
    s.age_ms[SENSOR_PLATE] = s.age_ms[SENSOR_BOARD] = s.plate_age_ms = 40;
    s.said_permille = -1;
    s.judged = 1;
    s.wanted_heat = want.heat;
    s.wanted_mc = want.temp_mc;
    s.granted_heat = out.heat;
    s.granted_mc = out.temp_mc;
    s.mode = il->tripped ? GUARD_COOLING : GUARD_RUNNING;
    for (int id = 0; id < RULES; id++)
        s.fired += il->state[id].fired;
    s.heat_left_ms = (int32_t)(limits->heat_time_ms - il->heat_ms);
    journal_snapshot(journal, &s, NULL, INT32_MIN);
}

/* A run whose plate goes to `top_mc` and stays there. */
static void make(struct made *to, int32_t top_mc)
{
    int fd = memfd_create("record", MFD_CLOEXEC);
    struct journal *journal;
    struct limits limits = some_limits();
    struct limit_origins origins = {0};
    struct interlock il = {0};
    bool told = false;
    assert_true(fd >= 0);
    assert_int_equal(journal_new(&journal, fd, 0), 0);
    journal_start(journal, &start);
    journal_limits(journal, &limits, &origins);
    interlock_begin(&il, 0);
    for (uint32_t n = 1; n <= SCANS; n++)
        scan(journal, &il, &limits, n, n < 10 ? 25000 : top_mc, &told);
    journal_end(journal, 100 * SCANS, il.tripped ? RUN_TRIPPED : RUN_DONE, NULL);
    journal_free(journal);
    to->length = (size_t)pread(fd, to->text, MOST, 0);
    close(fd);
}

static struct record_verdict verdict_of(const struct made *of)
{
    struct record_verdict verdict;
    record_verify(of->text, of->length, &verdict);
    return verdict;
}

/* ---- reading -------------------------------------------------------------------------------- */

static void test_what_was_written_reads_back(void **state)
{
    (void)state;
    static struct record_line line;
    struct record record;
    make(&made, 170000);

    record_open(&record, made.text, made.length);

    assert_int_equal(record_next(&record, &line), 1);
    assert_int_equal(line.kind, RECORD_START);
    assert_int_equal(line.start.format, RECORD_FORMAT);
    assert_false(line.start.rehearsal);
    assert_string_equal(line.start.recipe, start.recipe);
    assert_string_equal(line.start.serial, start.serial);
    for (int i = 0; i < RUN_SOURCES; i++)
        assert_string_equal(line.start.source.text[i], source.text[i]);
    assert_string_equal(line.start.insert, "frame-60x40");
    assert_true(line.start.seed == UINT64_MAX);
    assert_int_equal(line.start.wall_s, 1790000000);
    assert_int_equal(record_next(&record, &line), 1);
    assert_int_equal(line.kind, RECORD_LIMITS);
    struct limits limits = some_limits();
    assert_memory_equal(&line.limits, &limits, sizeof limits);
    for (int n = 1; n <= SCANS; n++) {
        assert_int_equal(record_next(&record, &line), 1);
        assert_int_equal(line.kind, RECORD_SCAN);
        assert_true(line.linked);
        assert_int_equal(line.number, n + 2);
        assert_int_equal(line.scan.n, n);
        assert_int_equal(line.t_ms, 100 * n);
        assert_int_equal(line.scan.in.plate.temp_mc, n < 10 ? 25000 : 170000);
        assert_int_equal(line.scan.in.plate.age_ms, 40);
        assert_int_equal(line.scan.in.duty_permille, -1);
        assert_int_equal(line.scan.out.heat, n >= HOT_FROM);
    }
    assert_int_equal(record_next(&record, &line), 1);
    assert_int_equal(line.kind, RECORD_END);
    assert_int_equal(line.outcome, RUN_DONE);
    assert_int_equal(record_next(&record, &line), 0);
    assert_false(record.torn);
}

static void test_every_field_of_a_scan_reads_back(void **state)
{
    (void)state;
    int fd = memfd_create("record", MFD_CLOEXEC);
    struct journal *journal;
    assert_int_equal(journal_new(&journal, fd, 0), 0);
    struct wire_snapshot s = {.t_ms = 1200, .rule = RAMP_OVER, .mode = GUARD_PAUSED, .fired = 2};
    wire_stamp(&s.head, WIRE_SNAPSHOT, 12);
    for (int i = 0; i < SENSORS; i++) {
        s.quality[i] = QUALITY_GOOD + i;
        s.temp_mc[i] = -1000 * i + 7;
        s.age_ms[i] = 31 + i;
    }
    s.plate_quality = QUALITY_JUMP, s.plate_mc = 150124, s.plate_age_ms = 33;
    s.ramp_known = 1, s.ramp_mc_s = -1480;
    s.supply_quality = QUALITY_GOOD, s.supply_on = 1, s.supply_mv = 3801, s.supply_ma = -121;
    s.supply_age_ms = 95, s.plate_silent_ms = 41, s.supply_silent_ms = 42, s.recipe_silent_ms = 43;
    s.stop_count = UINT32_MAX, s.said_permille = 512;
    s.account_quality = QUALITY_GOOD, s.account_low_mc = 1, s.account_high_mc = 2;
    s.account_unmoved_mc = 3, s.account_lead_mc = 4;
    s.front_silent_ms = 5, s.front_gone = 1, s.keeper_silent_ms = 6, s.record_late_ms = 7;
    s.away_ms = 8, s.scan_late_ms = 9, s.clock_jump_ms = 10;
    s.wanted_heat = 1, s.wanted_mc = 172000, s.wanted_ramp_mc_s = 1500, s.wanted_fan_pct = 30;
    s.wanted_rail = 3, s.wanted_mv = 900, s.wanted_ma = 800, s.wanted_inject = 1;
    s.granted_mc = 171000, s.granted_ramp_mc_s = 2500, s.granted_fan_pct = 20, s.granted_ma = 7;
    s.duty_permille = 511, s.heat_left_ms = 123456, s.hand = HAND_LIFT, s.nudge_mc = -2000;
    s.beeps = 17, s.judged = 0;
    struct wire_turn turn = {.joints = 2};
    turn.joint[1] = (struct wire_joint){131000, 200, -1, 0, 1000, 9000, 30000, 40000};
    journal_snapshot(journal, &s, &turn, 150200);
    journal_free(journal);
    made.length = (size_t)pread(fd, made.text, MOST, 0);
    close(fd);
    static struct record_line line;
    struct record record;

    record_open(&record, made.text, made.length);
    assert_int_equal(record_next(&record, &line), 1);

    const struct record_scan *got = &line.scan;
    for (int i = 0; i < SENSORS; i++) {
        assert_int_equal(got->in.sensor[i].quality, QUALITY_GOOD + i);
        assert_int_equal(got->in.sensor[i].temp_mc, -1000 * i + 7);
        assert_int_equal(got->in.sensor[i].age_ms, 31 + i);
    }
    assert_int_equal(got->in.plate.quality, QUALITY_JUMP);
    assert_int_equal(got->in.plate.age_ms, 33);
    assert_true(got->in.ramp_known);
    assert_int_equal(got->in.ramp_mc_s, -1480);
    assert_true(got->in.supply.on);
    assert_int_equal(got->in.supply.mv, 3801);
    assert_int_equal(got->in.supply.ma, -121);
    assert_int_equal(got->in.supply.age_ms, 95);
    assert_int_equal(got->in.plate_silent_ms, 41);
    assert_int_equal(got->in.supply_silent_ms, 42);
    assert_int_equal(got->in.recipe_silent_ms, 43);
    assert_true(got->in.stop_count == UINT32_MAX);
    assert_int_equal(got->in.duty_permille, 512);
    assert_int_equal(got->in.account.low_mc, 1);
    assert_int_equal(got->in.account.high_mc, 2);
    assert_int_equal(got->in.account.unmoved_mc, 3);
    assert_int_equal(got->in.account.board_lead_mc, 4);
    assert_int_equal(got->in.front_silent_ms, 5);
    assert_true(got->in.front_gone);
    assert_int_equal(got->in.keeper_silent_ms, 6);
    assert_int_equal(got->in.record_late_ms, 7);
    assert_int_equal(got->in.away_ms, 8);
    assert_int_equal(got->in.scan_late_ms, 9);
    assert_int_equal(got->in.clock_jump_ms, 10);
    assert_true(got->want.heat && got->want.inject);
    assert_int_equal(got->want.temp_mc, 172000);
    assert_int_equal(got->want.ramp_mc_s, 1500);
    assert_int_equal(got->want.fan_pct, 30);
    assert_int_equal(got->want.rail, 3);
    assert_int_equal(got->want.mv, 900);
    assert_int_equal(got->want.ma, 800);
    assert_int_equal(got->want.hand, HAND_LIFT);
    assert_false(got->out.heat);
    assert_int_equal(got->out.temp_mc, 171000);
    assert_int_equal(got->out.ramp_mc_s, 2500);
    assert_int_equal(got->out.fan_pct, 20);
    assert_int_equal(got->out.ma, 7);
    assert_int_equal(got->out.beeps, 17);
    assert_false(got->judged);
    assert_int_equal(got->duty_permille, 511);
    assert_int_equal(got->mode, GUARD_PAUSED);
    assert_int_equal(got->rule, RAMP_OVER);
    assert_int_equal(got->fired, 2);
    assert_int_equal(got->heat_left_ms, 123456);
    assert_int_equal(got->nudge_mc, -2000);
    assert_int_equal(got->true_mc, 150200);
    assert_int_equal(got->joints, 2);
    assert_int_equal(got->joint[1].temp_mc, 131000);
    assert_int_equal(got->joint[1].melt_ms, -1);
    assert_int_equal(got->joint[1].solid_early_ms, 30000);
    assert_int_equal(got->joint[1].solid_late_ms, 40000);
}

static void test_unknown_kinds_and_keys_are_passed_over(void **state)
{
    (void)state;
    static const char text[] =
        "{\"kind\":\"dream\",\"of\":[1,{\"x\":[true,null,\"]\"]}],\"n\":-1.5e3}\n"
        "{\"kind\":\"event\",\"later\":{\"a\":[]},\"t_ms\":12,\"what\":\"mode\",\"text\":"
        "\"a\\u00e9\\n\\\"\"}\n"
        "{\"kind\":\"event\",\"t_ms\":12";
    static struct record_line line;
    struct record record;
    record_open(&record, text, sizeof text - 1);

    assert_int_equal(record_next(&record, &line), 1);
    assert_int_equal(line.kind, RECORD_OTHER);
    assert_int_equal(record_next(&record, &line), 1);
    assert_int_equal(line.kind, RECORD_EVENT);
    assert_int_equal(line.t_ms, 12);
    assert_string_equal(line.said, "a\xC3\xA9\n\"");
    assert_false(line.linked);
    assert_int_equal(record_next(&record, &line), 0);
    assert_true(record.torn);
}

/* Of earlier versions, with four numbers a joint, and with six. */
static void test_what_an_earlier_version_did_not_write_is_not_foreseen(void **state)
{
    (void)state;
    static const char text[] =
        "{\"kind\":\"snapshot\",\"t_ms\":100,\"joints\":[[131000,200,-1,0]],\"fired\":2}\n"
        "{\"kind\":\"snapshot\",\"t_ms\":200,\"joints\":[[1,2,3,4,5,6],[131000,200,-1,0,7,8]],"
        "\"heat_left_ms\":9}\n";
    static struct record_line line;
    struct record record;
    record_open(&record, text, sizeof text - 1);

    assert_int_equal(record_next(&record, &line), 1);
    assert_int_equal(line.scan.joints, 1);
    assert_int_equal(line.scan.joint[0].temp_mc, 131000);
    assert_int_equal(line.scan.joint[0].melt_late_ms, -1);
    assert_int_equal(record_next(&record, &line), 1);
    assert_int_equal(line.scan.joints, 2);
    assert_int_equal(line.scan.joint[1].temp_mc, 131000);
    assert_int_equal(line.scan.joint[1].melt_late_ms, 8);
    assert_int_equal(line.scan.joint[1].solid_late_ms, -1);
    assert_int_equal(line.scan.heat_left_ms, 9);
    assert_int_equal(record_next(&record, &line), 0);
}

static void test_a_scan_tells_whether_the_sensors_were_seated(void **state)
{
    (void)state;
    static struct record_line line;

    for (int32_t judged = 0; judged <= 2; judged++) {
        int fd = memfd_create("record", MFD_CLOEXEC);
        struct journal *journal;
        struct record record;
        assert_int_equal(journal_new(&journal, fd, 0), 0);
        struct wire_snapshot s = {.t_ms = 1200, .rule = -1, .judged = judged};
        wire_stamp(&s.head, WIRE_SNAPSHOT, 12);
        journal_snapshot(journal, &s, NULL, INT32_MIN);
        journal_free(journal);
        made.length = (size_t)pread(fd, made.text, MOST, 0);
        close(fd);
        record_open(&record, made.text, made.length);

        assert_int_equal(record_next(&record, &line), 1);
        assert_int_equal(line.scan.judged, judged > 0);
        assert_int_equal(line.scan.in.seated, judged == 2);
    }
}

static void test_what_is_no_line_is_said_and_the_next_is_read(void **state)
{
    (void)state;
    static const char *const none[] = {"",
                                       "x",
                                       "{}",
                                       "[]",
                                       "{\"kind\":}",
                                       "{\"kind\":\"event\"",
                                       "{\"kind\":\"event\"}}",
                                       "{\"t_ms\":1,\"kind\":\"event\"}",
                                       "{\"kind\":\"event\",\"t_ms\":}",
                                       "{\"kind\":\"event\",\"t_ms\":99999999999999999999}",
                                       "{\"kind\":\"event\",\"text\":\"\\x\"}",
                                       "{\"kind\":\"event\",\"text\":\"\\u12\"}",
                                       "{\"kind\":\"snapshot\",\"plate\":[\"warm\",1,2]}",
                                       "{\"kind\":\"snapshot\",\"plate\":[\"good\",2147483648,2]}",
                                       "{\"kind\":\"snapshot\",\"stops\":-1}"};
    for (size_t i = 0; i < sizeof none / sizeof none[0]; i++) {
        static struct record_line line;
        char text[200];
        struct record record;
        snprintf(text, sizeof text, "%s\n{\"kind\":\"end\",\"outcome\":\"done\"}\n", none[i]);
        record_open(&record, text, strlen(text));

        assert_int_equal(record_next(&record, &line), TL_SYNTAX);
        assert_int_equal(record_next(&record, &line), 1);
        assert_int_equal(line.kind, RECORD_END);
        assert_int_equal(line.number, 2);
    }
}

static void test_a_record_cut_at_any_byte_reads_up_to_there(void **state)
{
    (void)state;
    static struct record_line line;
    make(&made, 170000);
    int64_t whole = 0;

    for (size_t length = 0; length <= made.length; length++) {
        struct record record;
        record_open(&record, made.text, length);
        int64_t lines = 0;
        while (record_next(&record, &line) == 1) {
            assert_true(line.linked);
            lines++;
        }

        whole += length > 0 && made.text[length - 1] == '\n';
        assert_int_equal(lines, whole);
        assert_int_equal(record.torn, length > 0 && made.text[length - 1] != '\n');
        struct record_verdict verdict;
        record_verify(made.text, length, &verdict);
        assert_int_equal(verdict.bad_line, 0);
        assert_int_equal(verdict.whole, length == made.length);
    }
    assert_int_equal(whole, SCANS + 3);
}

/* ---- the chain ------------------------------------------------------------------------------ */

static void test_a_run_verifies_and_so_does_one_that_tripped(void **state)
{
    (void)state;
    make(&made, 170000);
    struct record_verdict verdict = verdict_of(&made);
    assert_string_equal(verdict.why, "");
    assert_true(verdict.whole);
    assert_int_equal(verdict.scans, SCANS);
    assert_int_equal(verdict.lines, SCANS + 3);
    assert_string_equal(verdict.version, "0.1.0");

    make(&made, 185000);
    assert_non_null(strstr(made.text, "plate-over"));
    verdict = verdict_of(&made);
    assert_string_equal(verdict.why, "");
    assert_true(verdict.whole);
}

static void test_any_byte_changed_is_told_with_its_line(void **state)
{
    (void)state;
    make(&made, 185000);
    int64_t line = 1;

    for (size_t at = 0; at < made.length; at++) {
        changed = made;
        changed.text[at] ^= 1;
        struct record_verdict verdict = verdict_of(&changed);
        bool newline = made.text[at] == '\n';
        assert_false(verdict.whole);
        /* The newline that ends the last line: what is left is a torn one. */
        assert_int_equal(verdict.bad_line, newline && at + 1 == made.length ? 0 : line);
        line += newline;
    }
}

/* Where line `number` begins. */
static char *line_at(struct made *of, int number)
{
    char *at = of->text;
    for (int i = 1; i < number; i++)
        at = (char *)memchr(at, '\n', (size_t)(of->text + of->length - at)) + 1;
    return at;
}

static void test_a_line_taken_out_put_in_or_swapped_is_told(void **state)
{
    (void)state;
    make(&made, 170000);
    for (int number = 1; number <= SCANS + 2; number++) {
        changed = made;
        char *from = line_at(&changed, number), *to = line_at(&changed, number + 1);
        size_t length = (size_t)(to - from);
        memmove(from, to, (size_t)(changed.text + changed.length - to));
        changed.length -= length;
        assert_int_equal(verdict_of(&changed).bad_line, number);

        changed = made;
        from = line_at(&changed, number), to = line_at(&changed, number + 1);
        memmove(to + length, to, (size_t)(changed.text + changed.length - to));
        memcpy(to, from, length);
        changed.length += length;
        assert_int_equal(verdict_of(&changed).bad_line, number + 1);
    }
}

/* ---- the interlock -------------------------------------------------------------------------- */

/* Puts one text for another into a line and gives every line from there on its link anew, as somebody would who knows
 * how it is done. */
static void forge(struct made *to, int number, const char *from, const char *by)
{
    unsigned char link[RECORD_LINK] = {0};
    *to = made;
    char *line = line_at(to, number), *at = strstr(line, from);
    assert_true(at && at < line_at(to, number + 1));
    size_t rest = (size_t)(to->text + to->length - at) - strlen(from);
    memmove(at + strlen(by), at + strlen(from), rest);
    memcpy(at, by, strlen(by));
    to->length += strlen(by) - strlen(from);
    for (char *begin = to->text, *end; begin < to->text + to->length; begin = end + 1) {
        end = memchr(begin, '\n', (size_t)(to->text + to->length - begin));
        unsigned char key[RECORD_LINK];
        char hex[2 * RECORD_LINK + 1];
        memcpy(key, link, sizeof key);
        crypto_generichash(link, sizeof link, (unsigned char *)begin, (size_t)(end - begin) - 44,
                           key, sizeof key);
        sodium_bin2hex(hex, sizeof hex, link, sizeof link);
        memcpy(end - 34, hex, 32);
    }
}

static void test_a_forged_decision_is_told_though_the_chain_holds(void **state)
{
    (void)state;
    static const struct {
        int line;
        const char *from, *by, *says;
    } forgeries[] = {
        /* the readings that tripped it are made harmless */
        {13, "[\"good\",185000,40],\"board\":[\"good\",25000,40],\"counts\":[\"good\",185000,40]",
         "[\"good\",175000,40],\"board\":[\"good\",25000,40],\"counts\":[\"good\",175000,40]",
         "heat granted"},
        /* the trip is taken out of its line, or the heat put back */
        {13, "\"rule\":\"plate-over\",", "", "the rule"},
        {13, "\"grant\":{\"heat\":false,\"mc\":0", "\"grant\":{\"heat\":true,\"mc\":170000",
         "heat granted"},
        {12, "\"rule\":\"plate-over\"", "\"rule\":\"board-over\"", NULL},
        /* a scan is made to have come earlier, or heat time to be left */
        {8, "\"t_ms\":600", "\"t_ms\":400", "time goes back"},
        {9, "\"heat_left_ms\":3599800", "\"heat_left_ms\":3600000", "heat time left"},
        /* the limit is raised */
        {2, "\"plate\":[180000", "\"plate\":[190000", NULL},
    };
    make(&made, 185000);
    for (size_t i = 0; i < sizeof forgeries / sizeof forgeries[0]; i++) {
        forge(&changed, forgeries[i].line, forgeries[i].from, forgeries[i].by);

        struct record_verdict verdict = verdict_of(&changed);

        assert_true(verdict.bad_line >= forgeries[i].line && verdict.bad_line < 16);
        assert_null(strstr(verdict.why, "link"));
        if (forgeries[i].says)
            assert_has(verdict.why, forgeries[i].says);
    }
    forge(&changed, 1, "\"board\":", "\"board:"); /* not JSON any more: still told */
    assert_int_equal(verdict_of(&changed).bad_line, 1);
}

static void test_a_reading_that_changes_no_decision_passes_with_a_new_chain(void **state)
{
    (void)state;
    make(&made, 170000);

    forge(&changed, 20, "170000,40],\"board\"", "169999,40],\"board\"");

    /* What the chain is for: its last link is another, and that one is printed elsewhere. */
    struct record_verdict before = verdict_of(&made), after = verdict_of(&changed);
    assert_true(after.whole);
    assert_string_not_equal(before.fingerprint, after.fingerprint);
}

static void test_what_no_guard_would_have_written_is_told(void **state)
{
    (void)state;
    make(&made, 170000);
    forge(&changed, 1, "\"format\":2", "\"format\":1");
    assert_has(verdict_of(&changed).why, "format 1");
    forge(&changed, 2, "\"kind\":\"limits\"", "\"kind\":\"limitz\"");
    assert_has(verdict_of(&changed).why, "before there were limits");
    forge(&changed, 2, "\"stale_ms\":1000", "\"stale_ms\":0");
    assert_int_equal(verdict_of(&changed).bad_line, 2);
    forge(&changed, 12, "\"n\":10,", "\"n\":11,");
    assert_has(verdict_of(&changed).why, "missing");
}

/* ---- going on with one ---------------------------------------------------------------------- */

static void test_a_record_goes_on_where_it_was_cut(void **state)
{
    (void)state;
    make(&made, 170000);
    size_t last = (size_t)(line_at(&made, SCANS + 3) - made.text);
    for (size_t length = last; length < made.length; length++) {
        int fd = memfd_create("record", MFD_CLOEXEC);
        struct journal *journal;
        assert_int_equal(write(fd, made.text, length), (int)length);

        assert_int_equal(journal_continue(&journal, fd), 0);
        journal_event(journal, 5000, "mode", "ended");
        journal_end(journal, 5000, RUN_STOPPED, NULL);
        journal_free(journal);

        changed.length = (size_t)pread(fd, changed.text, MOST, 0);
        struct record_verdict verdict = verdict_of(&changed);
        assert_string_equal(verdict.why, "");
        assert_true(verdict.whole);
        assert_int_equal(verdict.lines, SCANS + 4);
        close(fd);
    }
    int fd = memfd_create("record", MFD_CLOEXEC);
    struct journal *journal;
    assert_int_equal(write(fd, "no record\n", 10), 10);
    assert_int_equal(journal_continue(&journal, fd), TL_BAD);
    close(fd);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_what_was_written_reads_back),
        cmocka_unit_test(test_every_field_of_a_scan_reads_back),
        cmocka_unit_test(test_unknown_kinds_and_keys_are_passed_over),
        cmocka_unit_test(test_what_an_earlier_version_did_not_write_is_not_foreseen),
        cmocka_unit_test(test_a_scan_tells_whether_the_sensors_were_seated),
        cmocka_unit_test(test_what_is_no_line_is_said_and_the_next_is_read),
        cmocka_unit_test(test_a_record_cut_at_any_byte_reads_up_to_there),
        cmocka_unit_test(test_a_run_verifies_and_so_does_one_that_tripped),
        cmocka_unit_test(test_any_byte_changed_is_told_with_its_line),
        cmocka_unit_test(test_a_line_taken_out_put_in_or_swapped_is_told),
        cmocka_unit_test(test_a_forged_decision_is_told_though_the_chain_holds),
        cmocka_unit_test(test_a_reading_that_changes_no_decision_passes_with_a_new_chain),
        cmocka_unit_test(test_what_no_guard_would_have_written_is_told),
        cmocka_unit_test(test_a_record_goes_on_where_it_was_cut),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
