/* SPDX-License-Identifier: MIT */
/* latch: what was written is read back; what is torn, hostile or unreadable counts as latched. */
#include "scratch.h"

#include <fcntl.h>
#include <glob.h>
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

/* Of a run that has nothing armed. */
static int trip(const struct latch *latch, struct tl_error *error)
{
    const struct latch_mark none = {0};
    return latch_trip(scratch_file, &none, latch, error);
}

static void test_latch_is_read_back_as_it_was_written(void **state)
{
    (void)state;
    struct tl_error error = {0};
    struct latch latch = some_latch(), back;

    assert_int_equal(latch_read(scratch_file, &back, &error), 0); /* none yet */
    assert_int_equal(trip(&latch, &error), 0);
    assert_int_equal(latch_read(scratch_file, &back, &error), 1);
    assert_memory_equal(&back, &latch, sizeof latch);

    memset(latch.rule, 0, sizeof latch.rule);
    strcpy(latch.rule, "crash");
    latch.wall_s = -5;
    assert_int_equal(latch_remove(scratch_file, &error), 0);
    assert_int_equal(trip(&latch, &error), 0);
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
    snprintf(beside, sizeof beside, "%s.armed-%d.new", scratch_file, (int)getsid(0));
    snprintf(victim, sizeof victim, "%s/victim", scratch);
    int fd = open(victim, O_CREAT | O_RDWR, 0600);
    assert_int_equal(write(fd, "precious", 8), 8);
    assert_int_equal(symlink(victim, beside), 0); /* where the new one is written */

    assert_int_equal(trip(&latch, &error), 0);

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

    assert_int_equal(trip(&latch, &error), 0);
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
    assert_int_equal(trip(&latch, &error), 0);
    assert_int_equal(latch_read(scratch_file, &back, &error), 1);
    assert_string_equal(back.what, latch.what);
}

static void test_torn_file_is_latched_at_every_length(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch latch = some_latch(), back;
    char text[4096];
    assert_int_equal(trip(&latch, &error), 0);
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
    assert_int_equal(trip(&latch, &error), 0);
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
    const struct latch_mark unarmed = {0};
    assert_int_equal(latch_trip(gone, &unarmed, &latch, &error), TL_FILE);
    assert_has(error.text, "the latch cannot be written: No such file");
    assert_int_equal(strncmp(error.file, gone, strlen(gone)), 0);

    assert_int_equal(trip(&latch, &error), 0);
    struct rlimit none = {0, RLIM_INFINITY}; /* a full disk */
    struct rlimit before;
    getrlimit(RLIMIT_FSIZE, &before);
    none.rlim_max = before.rlim_max;
    signal(SIGXFSZ, SIG_IGN);
    setrlimit(RLIMIT_FSIZE, &none);
    struct latch second = latch;
    strcpy(second.rule, "crash");
    int result = trip(&second, &error);
    setrlimit(RLIMIT_FSIZE, &before);

    assert_int_equal(result, TL_FILE);
    assert_int_equal(latch_read(scratch_file, &back, &error), 1);
    assert_string_equal(back.rule, "plate-over");
    snprintf(gone, sizeof gone, "%s.armed-%d.new", scratch_file, (int)getsid(0));
    assert_int_equal(access(gone, F_OK), -1);
}

static struct latch some_crash(void)
{
    struct latch latch = some_latch();
    strcpy(latch.rule, "crash");
    return latch;
}

/* A run that is armed, held by *held_fd. */
static struct latch_mark armed_run(int *held_fd)
{
    struct tl_error error;
    struct latch latch = some_crash();
    struct latch_mark mark = {0};
    assert_int_equal(latch_stage(scratch_file, &latch, held_fd, &error), 0);
    assert_int_equal(latch_arm(scratch_file, &mark, &error), 0);
    return mark;
}

static const char *latched_rule(void)
{
    static struct latch latch;
    return latch_read(scratch_file, &latch, NULL) == 1 ? latch.rule : "";
}

static int files(void)
{
    char pattern[128];
    glob_t found;
    snprintf(pattern, sizeof pattern, "%s*", scratch_file);
    int n = glob(pattern, 0, NULL, &found) == 0 ? (int)found.gl_pathc : 0;
    globfree(&found);
    return n;
}

static void test_crash_is_latched_once_nobody_holds_it(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch latch = some_crash();
    struct latch_mark mark = {0};
    int held_fd;

    assert_int_equal(latch_stage(scratch_file, &latch, &held_fd, &error), 0);
    close(held_fd);
    assert_string_equal(latched_rule(), ""); /* nothing has had power yet */
    assert_int_equal(latch_stage(scratch_file, &latch, &held_fd, &error), 0);
    assert_int_equal(latch_arm(scratch_file, &mark, &error), 0);
    assert_string_equal(latched_rule(), "");
    int copy = dup(held_fd);
    close(held_fd);
    assert_string_equal(latched_rule(), ""); /* the keeper is gone, the guard is not */
    close(copy);
    assert_string_equal(latched_rule(), "crash");
    assert_int_equal(latch_remove(scratch_file, &error), 0);
    assert_int_equal(files(), 0);
}

/* Another run: one of another session. */
static void test_crash_of_another_process_is_latched_and_a_living_one_is_not(void **state)
{
    (void)state;
    int begun[2];
    char byte;
    assert_int_equal(pipe(begun), 0);
    pid_t other = fork();
    if (other == 0) {
        int held_fd;
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        setsid();
        struct latch_mark mark = armed_run(&held_fd);
        (void)!write(begun[1], &mark.armed, 1);
        for (;;)
            pause();
    }
    assert_int_equal(read(begun[0], &byte, 1), 1);
    close(begun[0]);
    close(begun[1]);

    assert_string_equal(latched_rule(), "");
    int held_fd;
    struct latch_mark mark = armed_run(&held_fd); /* beside it */
    assert_int_equal(files(), 2);
    kill(other, SIGKILL);
    waitpid(other, NULL, 0);
    assert_string_equal(latched_rule(), "crash");
    latch_disarm(scratch_file, &mark, NULL); /* only its own */
    close(held_fd);

    assert_int_equal(files(), 1);
    assert_string_equal(latched_rule(), "crash");
}

static void test_clean_end_takes_away_what_was_staged_or_armed_and_nothing_else(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch latch = some_crash();
    struct latch_mark none = {0};
    int held_fd;

    assert_int_equal(latch_stage(scratch_file, &latch, &held_fd, &error), 0);
    assert_int_equal(latch_disarm(scratch_file, &none, &error), 0);
    close(held_fd);
    assert_int_equal(files(), 0);

    struct latch_mark mark = armed_run(&held_fd);
    latch_disarm(scratch_file, &none, &error);
    assert_int_equal(files(), 1);
    assert_int_equal(latch_disarm(scratch_file, &mark, &error), 0);
    close(held_fd);
    assert_int_equal(files(), 0);
}

static void test_trip_is_latched_though_its_run_lives(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch tripped = some_latch();
    int held_fd;
    struct latch_mark mark = armed_run(&held_fd);

    assert_int_equal(latch_trip(scratch_file, &mark, &tripped, &error), 0);
    assert_string_equal(latched_rule(), "plate-over");
    assert_int_equal(latch_sync(scratch_file, &error), 0);
    latch_disarm(scratch_file, &mark, &error);
    close(held_fd);

    assert_string_equal(latched_rule(), "plate-over");
    assert_int_equal(files(), 1);
}

static void test_second_trip_is_kept_beside_the_first(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch first = some_latch(), second = some_latch();
    int held_fd;
    struct latch_mark mark = armed_run(&held_fd);
    scratch_write("{\"rule\":\"sensor-open\"}", 22); /* another run's */
    strcpy(second.rule, "record-lost");

    assert_int_equal(latch_trip(scratch_file, &mark, &second, &error), 0);
    assert_int_equal(latch_sync(scratch_file, &error), 0);
    assert_int_equal(latch_disarm(scratch_file, &mark, &error),
                     0); /* it is not the crash's any more */
    assert_string_equal(latched_rule(), "sensor-open");
    assert_int_equal(latch_remove(scratch_file, &error), 0);
    assert_string_equal(latched_rule(), "record-lost"); /* though its run lives */
    assert_int_equal(latch_remove(scratch_file, &error), 0);
    assert_int_equal(files(), 0);
    close(held_fd);

    assert_int_equal(trip(&first, &error), 0); /* of a run that had nothing armed */
    assert_string_equal(latched_rule(), "plate-over");
}

static void test_armed_file_that_was_removed_is_gone_for_whoever_holds_it(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch crash = some_crash(), tripped = some_latch();
    struct latch_mark mark;
    int held_fd;
    assert_int_equal(latch_stage(scratch_file, &crash, &held_fd, &error), 0);
    assert_false(latch_is_gone(held_fd));
    assert_int_equal(latch_arm(scratch_file, &mark, &error), 0);
    assert_false(latch_is_gone(held_fd));
    assert_false(latch_is_gone(-1));

    drop_scratch(state); /* with its whole directory */

    assert_true(latch_is_gone(held_fd));
    close(held_fd);
    assert_string_equal(latched_rule(), "");
    assert_int_equal(latch_trip(scratch_file, &mark, &tripped, &error), 0);
    assert_string_equal(latched_rule(), "plate-over");
    assert_int_equal(files(), 1);
}

/* Where nothing can be written beside it, what is armed becomes the trip's; another run's never does. */
static void test_trip_takes_the_place_of_the_crash_where_there_is_no_room_beside_it(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch tripped = some_latch(), back;
    struct latch_mark none = {0}, other;
    char beside[128];
    int held_fd;
    struct latch_mark mark = armed_run(&held_fd);
    snprintf(beside, sizeof beside, "%s.armed-%d.new", scratch_file, (int)getsid(0));
    assert_int_equal(mkdir(beside, 0700), 0);
    other = mark;
    other.inode++;

    assert_int_equal(latch_trip(scratch_file, &none, &tripped, &error), TL_FILE);
    assert_int_equal(latch_trip(scratch_file, &other, &tripped, &error), TL_FILE);
    assert_string_equal(latched_rule(), "");
    scratch_write("first", 5); /* so that it stays beside it, and held */
    assert_int_equal(latch_trip(scratch_file, &mark, &tripped, &error), 0);
    unlink(scratch_file);

    assert_int_equal(latch_read(scratch_file, &back, &error), 1);
    assert_string_equal(back.rule, "plate-over");
    assert_string_equal(back.look, tripped.look);
    close(held_fd);
    rmdir(beside);
}

static void test_what_cannot_be_latched_or_is_latched_already_is_not_armed(void **state)
{
    (void)state;
    struct tl_error error;
    struct latch latch = some_crash(), tripped = some_latch();
    struct latch_mark mark = {0};
    int held_fd;
    assert_int_equal(latch_stage(scratch_file, &latch, &held_fd, &error), 0);
    assert_int_equal(trip(&tripped, &error), 0);
    assert_int_equal(latch_arm(scratch_file, &mark, &error), TL_FILE);
    assert_has(error.text, "another run has tripped meanwhile");
    assert_false(mark.armed);
    assert_string_equal(latched_rule(), "plate-over");
    close(held_fd);

    char gone[128];
    snprintf(gone, sizeof gone, "%s/no/such/latch", scratch);
    assert_int_equal(latch_stage(gone, &latch, &held_fd, &error), TL_FILE);
    assert_int_equal(held_fd, -1);
    assert_int_equal(latch_arm(gone, &mark, &error), TL_FILE);
    assert_has(error.text, "cannot be armed");
    assert_int_equal(latch_sync(gone, &error), TL_FILE);
}

static void test_only_a_runs_own_name_counts(void **state)
{
    (void)state;
    static const char *const others[] = {
        ".new",      ".armed-",   ".armed-4x",        ".armed-4.new",
        ".staged-4", "s.armed-4", ".armed-1234567890"};
    char path[128];
    for (size_t i = 0; i < sizeof others / sizeof others[0]; i++) {
        snprintf(path, sizeof path, "%s%s", scratch_file, others[i]);
        close(open(path, O_CREAT | O_WRONLY, 0600));
    }
    assert_string_equal(latched_rule(), "");

    snprintf(path, sizeof path, "%s.armed-4", scratch_file);
    assert_int_equal(symlink("/nowhere", path), 0); /* nothing of ours, but who knows */
    struct latch latch;
    struct tl_error error = {0};
    assert_int_equal(latch_read(scratch_file, &latch, &error), TL_FILE);
    assert_string_equal(error.file, path);
    assert_int_equal(latch_remove(scratch_file, &error), 0);
    assert_string_equal(latched_rule(), "");
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
        scratch_write("first", 5); /* so that its own stays beside it */
        assert_int_equal(trip(&latch, &error), 0);
        pid_t writer = fork();
        if (writer == 0)
            for (prctl(PR_SET_PDEATHSIG, SIGKILL);;) {
                latch.wall_s++;
                snprintf(latch.what, sizeof latch.what, "number %d", (int)latch.wall_s);
                trip(&latch, &error);
            }
        usleep((useconds_t)(500 + 311 * round));
        kill(writer, SIGKILL);
        waitpid(writer, NULL, 0);
        unlink(scratch_file);

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
        TEST(test_crash_is_latched_once_nobody_holds_it),
        TEST(test_crash_of_another_process_is_latched_and_a_living_one_is_not),
        TEST(test_clean_end_takes_away_what_was_staged_or_armed_and_nothing_else),
        TEST(test_trip_is_latched_though_its_run_lives),
        TEST(test_second_trip_is_kept_beside_the_first),
        TEST(test_armed_file_that_was_removed_is_gone_for_whoever_holds_it),
        TEST(test_trip_takes_the_place_of_the_crash_where_there_is_no_room_beside_it),
        TEST(test_what_cannot_be_latched_or_is_latched_already_is_not_armed),
        TEST(test_only_a_runs_own_name_counts),
        TEST(test_killed_writer_leaves_a_whole_latch),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
