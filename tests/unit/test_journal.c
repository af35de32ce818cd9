/* SPDX-License-Identifier: MIT */
#include "check.h"

#include <fcntl.h>
#include <jansson.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <unistd.h>

#include "tinlatch/journal.h"
#include "tinlatch/record.h"

enum { PIECE = 1 << 20 };

static char text[PIECE];

/* What `fd` holds from its beginning. */
static size_t read_back(int fd)
{
    ssize_t n = pread(fd, text, sizeof text - 1, 0);
    assert_true(n >= 0);
    text[n] = '\0';
    return (size_t)n;
}

static int new_file(void)
{
    char name[] = "/tmp/test_journal_XXXXXX";
    int fd = mkstemp(name);
    assert_true(fd >= 0);
    unlink(name);
    return fd;
}

/* Line `number` (from 0) of what read_back found, as an object. */
static json_t *line(int number)
{
    char *at = text;
    for (int i = 0; i < number; i++) {
        at = strchr(at, '\n');
        assert_non_null(at);
        at++;
    }
    char *end = strchr(at, '\n');
    assert_non_null(end);
    json_error_t error;
    json_t *object = json_loadb(at, (size_t)(end - at), JSON_REJECT_DUPLICATES, &error);
    if (!object)
        print_error("%s at %d of %.*s\n", error.text, error.position, (int)(end - at), at);
    assert_true(json_is_object(object));
    return object;
}

static const char *string_of(const json_t *object, const char *key)
{
    const char *value = json_string_value(json_object_get(object, key));
    assert_non_null(value);
    return value;
}

static int64_t int_of(const json_t *object, const char *key)
{
    json_t *value = json_object_get(object, key);
    assert_true(json_is_integer(value));
    return json_integer_value(value);
}

static int64_t item(const json_t *object, const char *key, size_t index)
{
    json_t *value = json_array_get(json_object_get(object, key), index);
    assert_true(json_is_integer(value));
    return json_integer_value(value);
}

static struct wire_snapshot a_snapshot(uint32_t number)
{
    struct wire_snapshot s = {.t_ms = 100 * (int64_t)number, .rule = -1};
    wire_stamp(&s.head, WIRE_SNAPSHOT, number);
    s.quality[SENSOR_PLATE] = QUALITY_GOOD;
    s.temp_mc[SENSOR_PLATE] = 150123;
    s.age_ms[SENSOR_PLATE] = 80;
    s.quality[SENSOR_BOARD] = QUALITY_STALE;
    s.temp_mc[SENSOR_BOARD] = -273150;
    s.age_ms[SENSOR_BOARD] = 2147483647;
    s.plate_quality = QUALITY_GOOD;
    s.plate_mc = 150124;
    s.mode = GUARD_RUNNING;
    return s;
}

static void test_a_snapshot_holds_everything_the_interlock_judged(void **state)
{
    (void)state;
    int fd = new_file();
    struct journal *journal;
    assert_int_equal(journal_new(&journal, fd, 0), 0);
    struct wire_snapshot s = a_snapshot(12);
    s.ramp_known = 1;
    s.ramp_mc_s = -1480;
    s.supply_quality = QUALITY_GOOD;
    s.supply_on = 1;
    s.supply_mv = 3801;
    s.supply_ma = 121;
    s.supply_age_ms = 95;
    s.plate_silent_ms = 41;
    s.supply_silent_ms = 42;
    s.recipe_silent_ms = 43;
    s.stop_count = 4294967295u;
    s.wanted_heat = 1;
    s.wanted_mc = 172000;
    s.wanted_fan_pct = 30;
    s.wanted_ramp_mc_s = 1500;
    s.wanted_rail = 3;
    s.wanted_mv = 900;
    s.wanted_ma = 800;
    s.wanted_inject = 1;
    s.granted_mc = 171000;
    s.granted_ramp_mc_s = 2500;
    s.granted_fan_pct = 20;
    s.granted_ma = 7;
    s.duty_permille = 512;
    s.rule = RAMP_OVER;
    s.mode = GUARD_PAUSED;
    s.fired = 2;
    s.heat_left_ms = 123456;
    s.hand = HAND_LIFT;
    s.nudge_mc = -2000;
    struct wire_turn turn = {0};
    turn.head.number = 11;
    turn.joints = 1;
    turn.joint[0] = (struct wire_joint){131000, 200, -1, 0, 1000, 9000, 30000, 40000};

    journal_snapshot(journal, &s, &turn, 150200);
    journal_free(journal);

    read_back(fd);
    json_t *got = line(0);
    assert_string_equal(string_of(got, "kind"), "snapshot");
    assert_int_equal(int_of(got, "n"), 12);
    assert_int_equal(int_of(got, "t_ms"), 1200);
    json_t *plate = json_object_get(got, "plate");
    assert_string_equal(json_string_value(json_array_get(plate, 0)), "good");
    assert_int_equal(item(got, "plate", 1), 150123);
    assert_int_equal(item(got, "plate", 2), 80);
    assert_string_equal(json_string_value(json_array_get(json_object_get(got, "board"), 0)),
                        "stale");
    assert_int_equal(item(got, "board", 1), -273150);
    assert_int_equal(item(got, "board", 2), 2147483647);
    assert_null(json_object_get(got, "plate-2")); /* not there: not written */
    assert_int_equal(item(got, "counts", 1), 150124);
    assert_int_equal(int_of(got, "ramp_mc_s"), -1480);
    assert_true(json_is_true(json_array_get(json_object_get(got, "supply"), 1)));
    assert_int_equal(item(got, "supply", 2), 3801);
    assert_int_equal(item(got, "supply", 3), 121);
    assert_int_equal(item(got, "supply", 4), 95);
    assert_int_equal(item(got, "silent_ms", 0), 41);
    assert_int_equal(item(got, "silent_ms", 1), 42);
    assert_int_equal(item(got, "silent_ms", 2), 43);
    assert_int_equal(int_of(got, "stops"), 4294967295);
    json_t *want = json_object_get(got, "want");
    assert_true(json_is_true(json_object_get(want, "heat")));
    assert_int_equal(int_of(want, "mc"), 172000);
    assert_int_equal(int_of(want, "ramp"), 1500);
    assert_int_equal(int_of(want, "fan"), 30);
    assert_true(json_is_false(json_object_get(want, "supply")));
    assert_int_equal(int_of(want, "rail"), 3);
    assert_int_equal(int_of(want, "mv"), 900);
    assert_int_equal(int_of(want, "ma"), 800);
    assert_true(json_is_true(json_object_get(want, "inject")));
    assert_int_equal(int_of(want, "turn"), 11);
    json_t *grant = json_object_get(got, "grant");
    assert_true(json_is_false(json_object_get(grant, "heat")));
    assert_int_equal(int_of(grant, "mc"), 171000);
    assert_int_equal(int_of(grant, "ramp"), 2500);
    assert_int_equal(int_of(grant, "fan"), 20);
    assert_int_equal(int_of(grant, "ma"), 7);
    assert_int_equal(int_of(got, "duty"), 512);
    assert_string_equal(string_of(got, "mode"), "paused");
    assert_string_equal(string_of(got, "rule"), "ramp-over");
    assert_int_equal(int_of(got, "fired"), 2);
    assert_int_equal(int_of(got, "heat_left_ms"), 123456);
    assert_string_equal(string_of(got, "hand"), "lift");
    assert_int_equal(item(got, "nudge", 0), -2000);
    json_t *joint = json_array_get(json_object_get(got, "joints"), 0);
    assert_int_equal(json_integer_value(json_array_get(joint, 0)), 131000);
    assert_int_equal(json_integer_value(json_array_get(joint, 2)), -1);
    assert_int_equal(json_integer_value(json_array_get(joint, 6)), 30000);
    assert_int_equal(json_integer_value(json_array_get(joint, 7)), 40000);
    assert_int_equal(int_of(got, "true_mc"), 150200);
    json_decref(got);
    close(fd);
}

static void test_every_number_is_written_as_it_is(void **state)
{
    (void)state;
    static const int64_t values[] = {
        0,    1,     9,     10,       11,        99,        100,
        101,  999,   1000,  65535,    999999999, INT32_MAX, INT64_MAX,
        -1,   -9,    -10,   -100,     INT32_MIN, INT64_MIN, 1234567890123,
        -999, 10000, 99999, 100000000};
    for (size_t i = 0; i < sizeof values / sizeof values[0]; i++) {
        int fd = new_file();
        struct journal *journal;
        assert_int_equal(journal_new(&journal, fd, 0), 0);
        struct wire_snapshot s = a_snapshot(1);
        s.t_ms = values[i];
        journal_snapshot(journal, &s, NULL, INT32_MIN);
        journal_free(journal);

        read_back(fd);
        json_t *got = line(0);
        assert_int_equal(int_of(got, "t_ms"), values[i]);
        assert_null(json_object_get(got, "true_mc"));
        json_decref(got);
        close(fd);
    }
}

static void test_a_whole_record_reads_back_line_by_line(void **state)
{
    (void)state;
    int fd = new_file();
    struct journal *journal;
    assert_int_equal(journal_new(&journal, fd, 4096), 0);
    struct journal_start start = {.kind = "rehearsal",
                                  .recipe = "recipes/stack-split.lua",
                                  .title = "Split",
                                  .board = "hx210",
                                  .bench = "demo",
                                  .version = "0.1.0",
                                  .seed = UINT64_MAX};
    struct limits limits = *limits_built_in();
    limits.rail_count = 1;
    limits.rail[0] = (struct rail_limits){"battery", 3800, 500, 900, 1500};
    limits.uses_plate = true;
    limits.stale_ms = 1000;
    struct limit_origins origins = {0};
    origins.of[LIMIT_plate_mc] = (struct limit_origin){LAYER_RECIPE, 14};
    struct wire_note note = {.note = NOTE_VALUE, .line = 21, .value = 0.432, .name = "battery"};
    note.head.number = 5;
    struct wire_hand hand = {
        .answer = ANSWER_VALUE, .value = 0.433, .text = "0.433 V", .prompt = 5};
    struct rule_words words = {"the plate reads 191.0 C", "hands off", "the sensor's clip"};
    struct tl_error error;
    tl_error_set(&error, TL_STEP, "plate.ramp: timed out");
    tl_error_at(&error, "stack-split.lua", 31);
    tl_error_hint(&error, "a longer timeout");

    journal_start(journal, &start);
    journal_limits(journal, &limits, &origins);
    journal_note(journal, 1500, &note);
    journal_hand(journal, 2500, &hand);
    journal_event(journal, 3500, "fault", "heater-stuck-on");
    journal_rule(journal, 4500, PLATE_OVER, &words);
    journal_end(journal, 5500, RUN_TRIPPED, &error);

    read_back(fd); /* the end line flushes by itself */
    json_t *got = line(0);
    assert_string_equal(string_of(got, "kind"), "start");
    assert_int_equal(int_of(got, "format"), RECORD_FORMAT);
    assert_string_equal(string_of(got, "what"), "rehearsal");
    assert_string_equal(string_of(got, "recipe"), "recipes/stack-split.lua");
    assert_null(json_object_get(got, "serial"));
    assert_string_equal(string_of(got, "seed"), "18446744073709551615"); /* 2^64 - 1 */
    json_decref(got);
    got = line(1);
    assert_int_equal(item(got, "plate", 0), limits.plate_mc);
    assert_string_equal(json_string_value(json_array_get(json_object_get(got, "plate"), 1)),
                        "recipe");
    assert_int_equal(item(got, "plate", 2), 14);
    assert_int_equal(int_of(json_array_get(json_object_get(got, "rails"), 0), "inject_ma"), 1500);
    assert_true(json_is_true(json_object_get(got, "uses_plate")));
    assert_int_equal(int_of(got, "stale_ms"), 1000);
    json_decref(got);
    got = line(2);
    assert_string_equal(string_of(got, "what"), "value");
    assert_string_equal(string_of(got, "name"), "battery");
    assert_int_equal(int_of(got, "line"), 21);
    assert_near(json_number_value(json_object_get(got, "value")), 0.432, 1e-12);
    json_decref(got);
    got = line(3);
    assert_string_equal(string_of(got, "answer"), "value");
    assert_near(json_number_value(json_object_get(got, "value")), 0.433, 1e-12);
    json_decref(got);
    got = line(4);
    assert_string_equal(string_of(got, "what"), "fault");
    assert_string_equal(string_of(got, "text"), "heater-stuck-on");
    json_decref(got);
    got = line(5);
    assert_string_equal(string_of(got, "rule"), "plate-over");
    assert_string_equal(string_of(got, "inspect"), "the sensor's clip");
    json_decref(got);
    got = line(6);
    assert_string_equal(string_of(got, "outcome"), "tripped");
    assert_int_equal(int_of(json_object_get(got, "error"), "line"), 31);
    assert_string_equal(string_of(json_object_get(got, "error"), "hint"), "a longer timeout");
    json_decref(got);
    journal_free(journal);
    close(fd);
}

static void test_hostile_texts_stay_inside_their_line(void **state)
{
    (void)state;
    static const char *const texts[] = {"\"}\n{\"kind\":\"end\"}",
                                        "\\",
                                        "\\\"",
                                        "\x1B[2J\x01\x7F",
                                        "\xFF\xFE\xC0\xAF",
                                        "\xE2\x80\xAE"
                                        "back",
                                        "caf\xC3\xA9",
                                        "cut \xE2\x82",
                                        ""};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        int fd = new_file();
        struct journal *journal;
        assert_int_equal(journal_new(&journal, fd, 0), 0);
        journal_event(journal, 1, texts[i], texts[i]);
        journal_event(journal, 2, "next", "line");
        journal_free(journal);

        size_t length = read_back(fd);
        for (size_t c = 0; c < length; c++)
            assert_true(text[c] == '\n' || (unsigned char)text[c] >= 0x20);
        json_t *got = line(0);
        assert_string_equal(string_of(got, "kind"), "event");
        json_decref(got);
        got = line(1);
        assert_string_equal(string_of(got, "what"), "next");
        json_decref(got);
        close(fd);
    }
}

static void test_the_longest_texts_fit_a_line(void **state)
{
    (void)state;
    int fd = new_file();
    struct journal *journal;
    assert_int_equal(journal_new(&journal, fd, 0), 0);
    struct tl_error error = {.code = TL_STEP};
    memset(error.file, 1, sizeof error.file - 1);
    memset(error.text, 2, sizeof error.text - 1);
    memset(error.hint, 3, sizeof error.hint - 1);
    struct limits limits = *limits_built_in();
    struct limit_origins origins = {0};
    limits.rail_count = BENCH_RAILS;
    for (int i = 0; i < BENCH_RAILS; i++) {
        limits.rail[i] = (struct rail_limits){"", INT32_MIN, INT32_MIN, INT32_MIN, INT32_MIN};
        memset(limits.rail[i].name, 4, BENCH_NAME - 1);
    }

    journal_limits(journal, &limits, &origins);
    journal_end(journal, INT64_MIN, RUN_FAILED, &error);
    uint64_t dropped;
    assert_int_equal(journal_error(journal, &dropped), 0);
    journal_free(journal);

    assert_int_equal(dropped, 0);
    read_back(fd);
    json_decref(line(0));
    json_decref(line(1));
    close(fd);
}

static void test_without_gathering_every_line_is_one_write(void **state)
{
    (void)state;
    int pair[2];
    assert_int_equal(socketpair(AF_UNIX, SOCK_SEQPACKET, 0, pair), 0);
    struct journal *journal;
    assert_int_equal(journal_new(&journal, pair[0], 0), 0);

    journal_event(journal, 1, "one", "first");
    journal_event(journal, 2, "two", "second");

    ssize_t first = recv(pair[1], text, sizeof text - 1, 0); /* a datagram is a write */
    assert_true(first > 0);
    text[first] = '\0';
    assert_has(text, "first");
    assert_null(strstr(text, "second"));
    assert_int_equal(text[first - 1], '\n');
    journal_free(journal);
    close(pair[0]);
    close(pair[1]);
}

static void test_gathered_lines_leave_together_and_whole(void **state)
{
    (void)state;
    int pair[2];
    assert_int_equal(socketpair(AF_UNIX, SOCK_SEQPACKET, 0, pair), 0);
    struct journal *journal;
    assert_int_equal(journal_new(&journal, pair[0], 2000), 0);
    struct wire_snapshot s = a_snapshot(1);

    int lines = 0;
    while (recv(pair[1], text, sizeof text, MSG_DONTWAIT | MSG_PEEK) < 0 && lines < 100) {
        journal_snapshot(journal, &s, NULL, INT32_MIN);
        lines++;
    }

    ssize_t length = recv(pair[1], text, sizeof text - 1, 0);
    assert_true(lines > 2);
    assert_true(length >= 2000);
    text[length] = '\0';
    for (int i = 0; i < lines; i++)
        json_decref(line(i));
    journal_free(journal);
    close(pair[0]);
    close(pair[1]);
}

static void test_a_full_disk_is_kept_and_what_is_lost_is_counted(void **state)
{
    (void)state;
    int fd = open("/dev/full", O_WRONLY);
    assert_true(fd >= 0);
    struct journal *journal;
    assert_int_equal(journal_new(&journal, fd, 1000), 0);
    struct wire_snapshot s = a_snapshot(1);

    for (int i = 0; i < 50; i++)
        journal_snapshot(journal, &s, NULL, INT32_MIN);

    uint64_t dropped = 0;
    assert_int_equal(journal_error(journal, &dropped), TL_SYSTEM);
    assert_int_equal(dropped, 50);
    assert_int_equal(journal_flush(journal), TL_SYSTEM);
    journal_free(journal);
    close(fd);
}

/* A reader that takes little at a time: a pipe of one page, read in between. */
static void test_a_slow_reader_gets_every_byte_in_order(void **state)
{
    (void)state;
    int ends[2];
    assert_int_equal(pipe2(ends, O_NONBLOCK), 0);
    assert_true(fcntl(ends[1], F_SETPIPE_SZ, 4096) >= 4096);
    struct journal *journal;
    assert_int_equal(journal_new(&journal, ends[1], 0), 0);
    size_t length = 0;

    for (uint32_t i = 0; i < 300; i++) {
        struct wire_snapshot s = a_snapshot(i);
        journal_snapshot(journal, &s, NULL, INT32_MIN);
        ssize_t n = read(ends[0], text + length, 350); /* half a line: it lags behind */
        length += n > 0 ? (size_t)n : 0;
    }
    assert_int_equal(journal_error(journal, NULL), 0);
    for (int turns = 0; journal_flush(journal) == TL_MORE && turns < 1000; turns++) {
        ssize_t n = read(ends[0], text + length, 4096);
        length += n > 0 ? (size_t)n : 0;
    }
    for (ssize_t n; (n = read(ends[0], text + length, 4096)) > 0;)
        length += (size_t)n;
    journal_free(journal);

    text[length] = '\0';
    for (int i = 0; i < 300; i++) {
        json_t *got = line(i);
        assert_int_equal(int_of(got, "n"), i);
        json_decref(got);
    }
    close(ends[0]);
    close(ends[1]);
}

static void test_a_reader_that_never_reads_loses_lines_by_count_not_in_silence(void **state)
{
    (void)state;
    int ends[2];
    assert_int_equal(pipe2(ends, O_NONBLOCK), 0);
    struct journal *journal;
    assert_int_equal(journal_new(&journal, ends[1], 0), 0);
    const uint32_t lines = 1000;

    for (uint32_t i = 0; i < lines; i++) {
        struct wire_snapshot s = a_snapshot(i);
        journal_snapshot(journal, &s, NULL, INT32_MIN);
    }

    uint64_t dropped = 0;
    assert_int_equal(journal_error(journal, &dropped), TL_SYSTEM);
    assert_true(dropped > 0);
    size_t length = 0;
    for (int turns = 0; turns < 1000; turns++) {
        ssize_t n = read(ends[0], text + length, 65536);
        length += n > 0 ? (size_t)n : 0;
        if (journal_flush(journal) == 0 && n <= 0)
            break;
    }
    uint64_t whole = 0;
    for (size_t i = 0; i < length; i++)
        whole += text[i] == '\n';
    assert_int_equal(whole + dropped, lines); /* what did arrive has no hole and no torn end */
    assert_int_equal(text[length - 1], '\n');
    journal_free(journal);
    close(ends[0]);
    close(ends[1]);
}

static void test_a_journal_to_nowhere_takes_everything(void **state)
{
    (void)state;
    struct journal *journal;
    assert_int_equal(journal_new(&journal, -1, 100), 0);
    struct wire_snapshot s = a_snapshot(1);

    for (int i = 0; i < 100; i++)
        journal_snapshot(journal, &s, NULL, INT32_MIN);
    journal_end(journal, 1, RUN_DONE, NULL);

    uint64_t dropped = 9;
    assert_int_equal(journal_error(journal, &dropped), 0);
    assert_int_equal(dropped, 0);
    journal_free(journal);
    journal_free(NULL);
}

/* Every key that is written stands on the page. */
static void keys_stand_on_page(const json_t *object, const char *page)
{
    const char *key;
    json_t *value;
    json_object_foreach((json_t *)(uintptr_t)object, key, value)
    {
        char quoted[64];
        snprintf(quoted, sizeof quoted, "`%s`", key);
        assert_has(page, quoted);
        if (json_is_object(value))
            keys_stand_on_page(value, page);
    }
}

static void test_the_reference_page_lists_every_key(void **state)
{
    (void)state;
    FILE *file = fopen(TEST_SOURCE "/docs/reference/record.md", "rb");
    assert_non_null(file);
    static char page[65536];
    page[fread(page, 1, sizeof page - 1, file)] = '\0';
    fclose(file);
    int fd = new_file();
    struct journal *journal;
    assert_int_equal(journal_new(&journal, fd, 0), 0);
    struct wire_snapshot s = a_snapshot(1);
    s.quality[SENSOR_PLATE_2] = QUALITY_GOOD;
    s.supply_quality = QUALITY_GOOD;
    s.ramp_known = 1;
    s.rule = PLATE_OVER;
    s.hand = HAND_PLACE;
    s.nudge_ms = 1;
    struct wire_turn turn = {.joints = 1};
    struct run_source source;
    for (int i = 0; i < RUN_SOURCES; i++)
        strcpy(source.text[i], "c");
    struct journal_start start = {.insert = "a", .serial = "b", .source = &source, .wall_s = 1};
    struct limits limits = *limits_built_in();
    struct limit_origins origins = {0};
    struct wire_note note = {.note = NOTE_VALUE, .name = "a", .text = "b"};
    struct wire_note job = {.note = NOTE_JOB, .name = "a", .text = "b", .value = 1};
    struct wire_hand hand = {.answer = ANSWER_VALUE};
    struct rule_words words = {"a", "b", "c"};
    struct tl_error error = {.code = TL_STEP};
    limits.rail_count = 1;

    journal_start(journal, &start);
    journal_limits(journal, &limits, &origins);
    journal_snapshot(journal, &s, &turn, 1);
    journal_note(journal, 1, &note);
    journal_note(journal, 1, &job);
    journal_hand(journal, 1, &hand);
    journal_event(journal, 1, "mode", "cooling");
    journal_rule(journal, 1, PLATE_OVER, &words);
    journal_end(journal, 1, RUN_DONE, &error);
    journal_free(journal);

    read_back(fd);
    for (int i = 0; i < 9; i++) {
        json_t *got = line(i);
        keys_stand_on_page(got, page);
        char kind[64];
        snprintf(kind, sizeof kind, "## %s", string_of(got, "kind"));
        assert_has(page, kind);
        json_decref(got);
    }
    close(fd);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_snapshot_holds_everything_the_interlock_judged),
        cmocka_unit_test(test_every_number_is_written_as_it_is),
        cmocka_unit_test(test_a_whole_record_reads_back_line_by_line),
        cmocka_unit_test(test_hostile_texts_stay_inside_their_line),
        cmocka_unit_test(test_the_longest_texts_fit_a_line),
        cmocka_unit_test(test_without_gathering_every_line_is_one_write),
        cmocka_unit_test(test_gathered_lines_leave_together_and_whole),
        cmocka_unit_test(test_a_full_disk_is_kept_and_what_is_lost_is_counted),
        cmocka_unit_test(test_a_slow_reader_gets_every_byte_in_order),
        cmocka_unit_test(test_a_reader_that_never_reads_loses_lines_by_count_not_in_silence),
        cmocka_unit_test(test_a_journal_to_nowhere_takes_everything),
        cmocka_unit_test(test_the_reference_page_lists_every_key),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
