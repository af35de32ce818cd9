/* SPDX-License-Identifier: MIT */
/* last_run: what was written is read back; what is torn, odd or hostile is no last run, and the next starts cold. */
#include "scratch.h"

#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#include "tinlatch/last_run.h"

enum { BENCH = 7, ORIGIN_MS = 9000000 };

static struct last_run some_run(void)
{
    return (struct last_run){.insert = "frame-60x40",
                             .tested_ms = -1301000,
                             .rise_permille = 1004,
                             .ended_ms = -650000,
                             .plate_mc = 44200};
}

static bool save(const char *to)
{
    struct last_run last = some_run();
    return last_run_save(to, BENCH, ORIGIN_MS, &last, NULL) == 0;
}

static bool loads(void)
{
    struct last_run back;
    return last_run_load(scratch_file, BENCH, ORIGIN_MS, &back);
}

/* The file again with `from` in it replaced by `to`, which is as long. */
static void change(const char *from, const char *to)
{
    char text[1024];
    size_t length = scratch_read(text, sizeof text - 1);
    text[length] = '\0';
    char *at = strstr(text, from);
    assert_non_null(at);
    memcpy(at, to, strlen(to));
    scratch_write(text, length);
}

static void test_what_was_saved_is_loaded_in_the_clock_of_the_next_run(void **state)
{
    (void)state;
    struct last_run last = some_run(), back;

    assert_false(loads());
    assert_true(save(scratch_file));
    assert_true(last_run_load(scratch_file, BENCH, ORIGIN_MS + 60000, &back));
    last.tested_ms -= 60000;
    last.ended_ms -= 60000;
    assert_memory_equal(&back, &last, sizeof last);
    last_run_remove(scratch_file);
    assert_false(loads());
}

static void test_another_bench_file_knows_no_last_run(void **state)
{
    (void)state;
    struct last_run back;
    assert_true(save(scratch_file));

    assert_false(last_run_load(scratch_file, BENCH + 1, ORIGIN_MS, &back));
}

static void test_another_start_of_the_computer_knows_no_last_run(void **state)
{
    (void)state;
    assert_true(save(scratch_file));
    assert_true(loads());

    change("\"boot\":\"", "\"boot\":\"x");

    assert_false(loads());
}

static void test_a_file_cut_anywhere_is_none(void **state)
{
    (void)state;
    char text[1024];
    assert_true(save(scratch_file));
    size_t length = scratch_read(text, sizeof text);
    assert_true(length > 100);

    for (size_t cut = 0; cut < length - 1; cut++) { /* but for the end of its line */
        scratch_write(text, cut);
        assert_false(loads());
    }
}

static void test_a_field_left_out_or_not_a_number_makes_it_none(void **state)
{
    (void)state;
    static const char *const changes[][2] = {
        {"\"plate_mc\"", "\"plate_mC\""},
        {"\"bench\":7", "\"bench\":a"},
        {",\"plate_mc\":44200", "                 "},
        {"1004", "1e04"},
        {"8350000", "-350000"},
        {"8350000", "-000002"}, /* before its computer began, if by less than a second */
        {"{", "["},
        {"}", ","},
    };

    for (size_t i = 0; i < sizeof changes / sizeof changes[0]; i++) {
        assert_true(save(scratch_file));
        change(changes[i][0], changes[i][1]);
        assert_false(loads());
    }
}

static void test_a_field_given_twice_makes_it_none(void **state)
{
    (void)state;
    char text[1024];
    assert_true(save(scratch_file));
    size_t length = scratch_read(text, sizeof text - 64);

    strcpy(text + length - 2, ",\"plate_mc\":1}\n"); /* over the brace and the line's end */
    scratch_write(text, strlen(text));

    assert_false(loads());
}

static void test_neither_a_link_nor_a_pipe_is_read(void **state)
{
    (void)state;
    char real[128];
    snprintf(real, sizeof real, "%s/real", scratch);
    assert_true(save(real));

    assert_int_equal(symlink(real, scratch_file), 0);
    assert_false(loads());
    unlink(scratch_file);
    assert_int_equal(mkfifo(scratch_file, 0600), 0);
    assert_false(loads());
}

int main(void)
{
#define HERE(test) cmocka_unit_test_setup_teardown(test, make_scratch, drop_scratch)
    const struct CMUnitTest tests[] = {
        HERE(test_what_was_saved_is_loaded_in_the_clock_of_the_next_run),
        HERE(test_another_bench_file_knows_no_last_run),
        HERE(test_another_start_of_the_computer_knows_no_last_run),
        HERE(test_a_file_cut_anywhere_is_none),
        HERE(test_a_field_left_out_or_not_a_number_makes_it_none),
        HERE(test_a_field_given_twice_makes_it_none),
        HERE(test_neither_a_link_nor_a_pipe_is_read),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
