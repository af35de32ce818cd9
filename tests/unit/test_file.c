/* SPDX-License-Identifier: MIT */
#include "check.h"

#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#include "tinlatch/file.h"

static void make(char *path, const char *bytes, size_t length)
{
    strcpy(path, "/tmp/tinlatch-file-XXXXXX");
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    assert_int_equal((size_t)write(fd, bytes, length), length);
    close(fd);
}

static void test_a_file_comes_whole_with_its_nul_bytes(void **state)
{
    (void)state;
    char path[64], *text = NULL;
    size_t length = 0;
    struct tl_error error = {0};
    make(path, "a\0b\n", 4);

    int result = file_read(path, 100, &text, &length, &error);

    unlink(path);
    assert_int_equal(result, 0);
    assert_int_equal(length, 4);
    assert_memory_equal(text, "a\0b\n", 5);
    free(text);
}

static void test_an_empty_file_is_an_empty_text(void **state)
{
    (void)state;
    char path[64], *text = NULL;
    size_t length = 9;
    struct tl_error error = {0};
    make(path, "", 0);

    int result = file_read(path, 100, &text, &length, &error);

    unlink(path);
    assert_int_equal(result, 0);
    assert_int_equal(length, 0);
    assert_string_equal(text, "");
    free(text);
}

static void test_a_file_of_the_allowed_length_passes_and_one_byte_more_does_not(void **state)
{
    (void)state;
    char path[64], *text = NULL;
    size_t length = 0;
    struct tl_error error = {0};
    make(path, "12345", 5);

    int fits = file_read(path, 5, &text, &length, &error);
    free(text);
    text = NULL;
    int over = file_read(path, 4, &text, &length, &error);

    unlink(path);
    assert_int_equal(fits, 0);
    assert_int_equal(over, TL_FILE);
    assert_null(text);
    assert_has(error.text, "longer than 4 bytes");
    assert_string_equal(error.file, path);
}

static void test_what_is_not_a_regular_file_is_refused_without_waiting(void **state)
{
    (void)state;
    char *text = NULL;
    size_t length = 0;
    struct tl_error error = {0};
    char fifo[64];
    make(fifo, "", 0);
    unlink(fifo);
    assert_int_equal(mkfifo(fifo, 0600), 0);

    alarm(5); /* a blocking open would hang here */
    int pipe_result = file_read(fifo, 100, &text, &length, &error);
    alarm(0);
    unlink(fifo);

    assert_int_equal(pipe_result, TL_FILE);
    assert_has(error.text, "not a regular file");
    assert_int_equal(file_read("/tmp", 100, &text, &length, &error), TL_FILE);
    assert_has(error.text, "directory");
    assert_int_equal(file_read("/dev/zero", 100, &text, &length, &error), TL_FILE);
    assert_int_equal(file_read("/nowhere/at/all", 100, &text, &length, &error), TL_FILE);
    assert_has(error.text, "No such file");
    assert_int_equal(file_read("", 100, &text, &length, &error), TL_FILE);
    assert_null(text);
}

static void test_a_written_file_stands_whole_over_the_old_one_or_not_at_all(void **state)
{
    (void)state;
    char path[64], part[80], *text;
    size_t length;
    struct stat st;
    struct tl_error error = {0};
    make(path, "old", 3);
    snprintf(part, sizeof part, "%s.part", path);

    assert_int_equal(symlink("/dev/full", part), 0); /* a trap under the name it works on */
    assert_int_equal(file_write(path, 0600, "new one", 7, &error), 0);
    assert_int_equal(file_read(path, 100, &text, &length, &error), 0);
    assert_string_equal(text, "new one");
    free(text);
    assert_int_equal(stat(path, &st), 0);
    assert_int_equal(st.st_mode & 0777, 0600);
    assert_int_equal(access(part, F_OK), -1);

    assert_int_equal(mkdir(part, 0700), 0); /* and one that cannot be taken away */
    assert_int_equal(file_write(path, 0600, "newer", 5, &error), TL_FILE);
    assert_string_equal(error.file, path);
    assert_int_equal(file_read(path, 100, &text, &length, &error), 0);
    assert_string_equal(text, "new one");
    free(text);
    rmdir(part);
    unlink(path);
    assert_int_equal(file_write("/nowhere/at/all", 0600, "x", 1, &error), TL_FILE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_file_comes_whole_with_its_nul_bytes),
        cmocka_unit_test(test_an_empty_file_is_an_empty_text),
        cmocka_unit_test(test_a_file_of_the_allowed_length_passes_and_one_byte_more_does_not),
        cmocka_unit_test(test_what_is_not_a_regular_file_is_refused_without_waiting),
        cmocka_unit_test(test_a_written_file_stands_whole_over_the_old_one_or_not_at_all),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
