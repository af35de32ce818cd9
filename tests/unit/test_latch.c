/* SPDX-License-Identifier: MIT */
/* latch: what was written is read back; what is torn, hostile or unreadable counts as latched. */
#include "scratch.h"

#include <fcntl.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "tinlatch/latch.h"

static struct latch some_latch(void)
{
    struct latch latch = {.wall_s = 1764063037};
    strcpy(latch.rule, "plate-over");
    strcpy(latch.what, "the plate read 191.2 C, its limit is 190 C");
    strcpy(latch.act, "Heat is off. Hands off until it beeps.");
    strcpy(latch.look, "is the thermocouple seated?");
    strcpy(latch.recipe, "/home/ann/recipes/split.lua");
    strcpy(latch.bench, "the one by the window");
    return latch;
}

static void test_latch_is_read_back_as_it_was_written(void **state)
{
    (void)state;
    struct tl_error error = {0};
    struct latch latch = some_latch(), back;

    assert_int_equal(latch_read(scratch_file, &back, &error), 0); /* none yet */
    assert_int_equal(latch_write(scratch_file, &latch, &error), 0);
    assert_int_equal(latch_read(scratch_file, &back, &error), 1);
    assert_memory_equal(&back, &latch, sizeof latch);

    memset(latch.rule, 0, sizeof latch.rule);
    strcpy(latch.rule, "crash"); /* over the old one */
    latch.wall_s = -5;
    assert_int_equal(latch_write(scratch_file, &latch, &error), 0);
    assert_int_equal(latch_read(scratch_file, &back, &error), 1);
    assert_memory_equal(&back, &latch, sizeof latch);
    assert_int_equal(latch_remove(scratch_file, &error), 0);
    assert_int_equal(latch_read(scratch_file, &back, &error), 0);
    assert_int_equal(latch_remove(scratch_file, &error), 0); /* twice is no mistake */
}

static void test_nothing_is_left_beside_it(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch latch = some_latch();
    char beside[128], victim[96], text[16] = "";
    snprintf(beside, sizeof beside, "%s.new", scratch_file);
    snprintf(victim, sizeof victim, "%s/victim", scratch);
    int fd = open(victim, O_CREAT | O_RDWR, 0600);
    assert_int_equal(write(fd, "precious", 8), 8);
    assert_int_equal(symlink(victim, beside), 0); /* where the new one is written */

    assert_int_equal(latch_write(scratch_file, &latch, &error), 0);

    assert_int_equal(access(beside, F_OK), -1);
    assert_int_equal(pread(fd, text, 15, 0), 8);
    assert_string_equal(text, "precious");
    close(fd);
}

static void test_longest_and_oddest_texts_fit_and_come_back_clean(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch latch, back;
    /* every byte that can stand in a text, the fields full to the last byte and without their NUL */
    unsigned char *at = (unsigned char *)&latch;
    for (size_t i = 0; i < sizeof latch; i++)
        at[i] = (unsigned char)(i % 255 + 1);

    assert_int_equal(latch_write(scratch_file, &latch, &error), 0);
    assert_int_equal(latch_read(scratch_file, &back, &error), 1);

    for (const char *c = back.what; *c; c++)
        assert_true((unsigned char)*c >= ' ' && *c != 0x7f);
    assert_int_equal(back.wall_s, latch.wall_s);
    assert_has(back.what, "\"#$%&'()*+,-./0123456789:;<=>?@ABC");
    assert_has(back.what, "[\\]^_");
}

static void test_texts_in_any_script_survive(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch latch = some_latch(), back;
    strcpy(latch.what, "Платте 191 °C — \"über\" \\ 温度");
    assert_int_equal(latch_write(scratch_file, &latch, &error), 0);
    assert_int_equal(latch_read(scratch_file, &back, &error), 1);
    assert_string_equal(back.what, latch.what);
}

static void test_torn_file_is_latched_at_every_length(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch latch = some_latch(), back;
    char text[4096];
    assert_int_equal(latch_write(scratch_file, &latch, &error), 0);
    size_t length = scratch_read(text, sizeof text);
    for (size_t cut = 0; cut < length; cut++) {
        scratch_write(text, cut);
        assert_int_equal(latch_read(scratch_file, &back, &error), 1);
        assert_true(back.rule[0] && back.what[0]); /* there is always something to show */
        assert_true(memchr(back.bench, '\0', sizeof back.bench) != NULL);
    }
    scratch_write(text, (size_t)(strstr(text, "\"act\"") - text));
    latch_read(scratch_file, &back, &error);
    assert_string_equal(back.rule, "plate-over"); /* what is there is kept */
    assert_string_equal(back.what, latch.what);
    assert_string_equal(back.act, "");
}

static void test_every_broken_byte_is_latched_and_shown_clean(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch latch = some_latch(), back;
    char text[4096];
    assert_int_equal(latch_write(scratch_file, &latch, &error), 0);
    size_t length = scratch_read(text, sizeof text);
    for (size_t i = 0; i < length; i++) {
        static const unsigned char wrong[] = {0, '"', '\\', '{', 0x1b, 0xff, '9'};
        char before = text[i];
        for (size_t w = 0; w < sizeof wrong; w++) {
            text[i] = (char)wrong[w];
            scratch_write(text, length);
            assert_int_equal(latch_read(scratch_file, &back, &error), 1);
            assert_true(back.rule[0] && back.what[0]);
            for (const char *c = back.what; *c; c++)
                assert_true((unsigned char)*c >= ' ');
        }
        text[i] = before;
    }
}

static void test_hostile_files_are_latched(void **state)
{
    (void)state;
    static char deep[20000];
    struct tl_error error;
    struct latch back;
    memset(deep, '{', sizeof deep);
    static const char *const texts[] = {
        "null",
        "[]",
        "{}",
        "{\"rule\":",
        "{\"rule\":5}",
        "{\"rule\":\"\\u00",
        "{\"rule\":\"\\",
        "{\"rule\":\"\",\"what\":\"\"}",
        "{\"wall_s\":99999999999999999999}",
        "{\"rule\":\"\\u0000\\u001b[2J\"}",
        "\xff\xfe{\"rule\"",
        "{\"rule\" \"x\"}",
    };
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
        scratch_write(texts[i], strlen(texts[i]));
        assert_int_equal(latch_read(scratch_file, &back, &error), 1);
        assert_true(back.rule[0] && back.what[0]);
        assert_null(strchr(back.rule, '\x1b'));
    }
    scratch_write(deep, sizeof deep);
    assert_int_equal(latch_read(scratch_file, &back, &error), 1);
    assert_string_equal(back.rule, "unreadable");
    assert_has(back.what, "damaged");
}

static void expect_cannot_tell(const char *file)
{
    struct tl_error error = {0};
    struct latch back;
    assert_int_equal(latch_read(file, &back, &error), TL_FILE);
    assert_int_equal(error.code, TL_FILE);
    assert_has(error.text, "the latch cannot be read");
    assert_string_equal(error.file, file);
}

static void test_what_cannot_be_read_counts_as_latched(void **state)
{
    (void)state;
    expect_cannot_tell(scratch); /* a directory */
    assert_int_equal(symlink("/nowhere", scratch_file), 0);
    expect_cannot_tell(scratch_file);
    unlink(scratch_file);
    scratch_write("x", 1);
    char under[128];
    snprintf(under, sizeof under, "%s/latch", scratch_file); /* its directory is a file */
    expect_cannot_tell(under);
    if (geteuid() == 0) { /* root reads everything: look as somebody else */
        chmod(scratch, 0755);
        chmod(scratch_file, 0000);
        assert_int_equal(seteuid(65534), 0);
        struct latch back;
        struct tl_error error = {0};
        int result = latch_read(scratch_file, &back, &error);
        assert_int_equal(seteuid(0), 0);
        assert_int_equal(result, TL_FILE);
        assert_has(error.text, "Permission denied");
    }
}

/* A pipe without a writer would be waited for, for ever. */
static void test_pipe_in_its_place_is_not_waited_for(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch back;
    assert_int_equal(mkfifo(scratch_file, 0600), 0);
    assert_true(latch_read(scratch_file, &back, &error) != 0);
}

static void test_write_that_fails_says_so_and_leaves_the_old_latch(void **state)
{
    (void)state;
    struct tl_error error = {0};
    struct latch latch = some_latch(), back;
    char gone[128];
    snprintf(gone, sizeof gone, "%s/no/such/latch", scratch);
    assert_int_equal(latch_write(gone, &latch, &error), TL_FILE);
    assert_has(error.text, "the latch cannot be written: No such file");
    assert_string_equal(error.file, gone);

    assert_int_equal(latch_write(scratch_file, &latch, &error), 0);
    struct rlimit none = {0, RLIM_INFINITY}; /* a full disk */
    struct rlimit before;
    getrlimit(RLIMIT_FSIZE, &before);
    none.rlim_max = before.rlim_max;
    signal(SIGXFSZ, SIG_IGN);
    setrlimit(RLIMIT_FSIZE, &none);
    struct latch second = latch;
    strcpy(second.rule, "crash");
    int result = latch_write(scratch_file, &second, &error);
    setrlimit(RLIMIT_FSIZE, &before);

    assert_int_equal(result, TL_FILE);
    assert_int_equal(latch_read(scratch_file, &back, &error), 1);
    assert_string_equal(back.rule, "plate-over");
    snprintf(gone, sizeof gone, "%s.new", scratch_file);
    assert_int_equal(access(gone, F_OK), -1);
}

static struct latch some_crash(void)
{
    struct latch latch = some_latch();
    strcpy(latch.rule, "crash");
    return latch;
}

static void test_crash_is_latched_from_the_moment_it_is_armed_and_goes_with_its_run(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch latch = some_crash(), back;
    struct latch_mark mark = {0};
    latch_remove(scratch_file, NULL);

    assert_int_equal(latch_stage(scratch_file, &latch, &error), 0);
    assert_int_equal(latch_read(scratch_file, &back, &error), 0);
    assert_int_equal(latch_arm(scratch_file, &mark, &error), 0);
    assert_int_equal(latch_read(scratch_file, &back, &error), 1);
    assert_string_equal(back.rule, "crash");

    assert_int_equal(latch_disarm(scratch_file, &mark, &error), 0);
    assert_int_equal(latch_read(scratch_file, &back, &error), 0);
}

static void test_trip_of_this_run_or_another_outlives_the_crash_latch(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch crash = some_crash(), trip = some_latch(), back;
    struct latch_mark mark = {0}, none = {0};
    latch_remove(scratch_file, NULL);
    assert_int_equal(latch_stage(scratch_file, &crash, &error), 0);
    assert_int_equal(latch_arm(scratch_file, &mark, &error), 0);

    latch_disarm(scratch_file, &none, &error); /* a run that never armed takes nobody's latch */
    assert_int_equal(latch_read(scratch_file, &back, &error), 1);
    assert_int_equal(latch_write(scratch_file, &trip, &error), 0);
    assert_int_equal(latch_sync(scratch_file, &error), 0);
    latch_disarm(scratch_file, &mark, &error);

    assert_int_equal(latch_read(scratch_file, &back, &error), 1);
    assert_string_equal(back.rule, "plate-over");
}

/* Where nothing can be written beside it, the armed latch becomes the trip's; another run's never does. */
static void test_trip_takes_the_place_of_the_crash_where_there_is_no_room_beside_it(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch crash = some_crash(), trip = some_latch(), back;
    struct latch_mark mark = {0}, none = {0}, other;
    char beside[128];
    latch_remove(scratch_file, NULL);
    assert_int_equal(latch_stage(scratch_file, &crash, &error), 0);
    assert_int_equal(latch_arm(scratch_file, &mark, &error), 0);
    snprintf(beside, sizeof beside, "%s.new", scratch_file);
    assert_int_equal(mkdir(beside, 0700), 0);
    other = mark;
    other.inode++;

    assert_int_equal(latch_trip(scratch_file, &none, &trip, &error), TL_FILE);
    assert_int_equal(latch_trip(scratch_file, &other, &trip, &error), TL_FILE);
    assert_int_equal(latch_read(scratch_file, &back, &error), 1);
    assert_string_equal(back.rule, "crash");
    assert_int_equal(latch_trip(scratch_file, &mark, &trip, &error), 0);

    assert_int_equal(latch_read(scratch_file, &back, &error), 1);
    assert_string_equal(back.rule, "plate-over");
    assert_string_equal(back.look, trip.look);
    rmdir(beside);
}

static void test_what_cannot_be_latched_or_is_latched_already_is_not_armed(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch latch = some_crash(), trip = some_latch(), back;
    struct latch_mark mark = {0};
    latch_remove(scratch_file, NULL);
    assert_int_equal(latch_stage(scratch_file, &latch, &error), 0);
    assert_int_equal(latch_write(scratch_file, &trip, &error), 0);
    assert_int_equal(latch_arm(scratch_file, &mark, &error), TL_FILE);
    assert_has(error.text, "another run has power on, or has tripped");
    assert_false(mark.armed);
    assert_int_equal(latch_read(scratch_file, &back, &error), 1);
    assert_string_equal(back.rule, "plate-over");

    char gone[128];
    snprintf(gone, sizeof gone, "%s/no/such/latch", scratch);
    assert_int_equal(latch_stage(gone, &latch, &error), TL_FILE);
    assert_int_equal(latch_arm(gone, &mark, &error), TL_FILE);
    assert_has(error.text, "cannot be armed");
    assert_int_equal(latch_sync(gone, &error), TL_FILE);
}

/* Killed while it writes, again and again: there is one whole latch, the one before or the one after. */
static void test_killed_writer_leaves_a_whole_latch(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch back;
    for (int round = 0; round < 30; round++) {
        struct latch latch = some_latch();
        latch.wall_s = 0;
        assert_int_equal(latch_write(scratch_file, &latch, &error), 0);
        pid_t writer = fork();
        if (writer == 0)
            for (prctl(PR_SET_PDEATHSIG, SIGKILL);;) {
                latch.wall_s++;
                snprintf(latch.what, sizeof latch.what, "number %d", (int)latch.wall_s);
                latch_write(scratch_file, &latch, &error);
            }
        usleep((useconds_t)(500 + 311 * round));
        kill(writer, SIGKILL);
        waitpid(writer, NULL, 0);

        assert_int_equal(latch_read(scratch_file, &back, &error), 1);
        assert_string_equal(back.rule, "plate-over");
        assert_string_equal(back.bench, "the one by the window"); /* the last text: it is whole */
        if (back.wall_s > 0) {
            char what[32];
            snprintf(what, sizeof what, "number %d", (int)back.wall_s);
            assert_string_equal(back.what, what);
        }
    }
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, make_scratch, drop_scratch)
    const struct CMUnitTest tests[] = {
        TEST(test_latch_is_read_back_as_it_was_written),
        TEST(test_nothing_is_left_beside_it),
        TEST(test_longest_and_oddest_texts_fit_and_come_back_clean),
        TEST(test_texts_in_any_script_survive),
        TEST(test_torn_file_is_latched_at_every_length),
        TEST(test_every_broken_byte_is_latched_and_shown_clean),
        TEST(test_hostile_files_are_latched),
        TEST(test_what_cannot_be_read_counts_as_latched),
        TEST(test_pipe_in_its_place_is_not_waited_for),
        TEST(test_write_that_fails_says_so_and_leaves_the_old_latch),
        TEST(test_crash_is_latched_from_the_moment_it_is_armed_and_goes_with_its_run),
        TEST(test_trip_of_this_run_or_another_outlives_the_crash_latch),
        TEST(test_trip_takes_the_place_of_the_crash_where_there_is_no_room_beside_it),
        TEST(test_what_cannot_be_latched_or_is_latched_already_is_not_armed),
        TEST(test_killed_writer_leaves_a_whole_latch),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
