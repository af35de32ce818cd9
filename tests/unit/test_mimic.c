/* SPDX-License-Identifier: MIT */
/* What can be seen of the emulated bench from inside one process; tests/process/mimic_alone.c talks to it. */
#include "check.h"

#include <stdlib.h>
#include <unistd.h>

#include "tinlatch/benchfile.h"
#include "tinlatch/file.h"
#include "tinlatch/mimic.h"

static char said[1 << 16];

/* Mimics tests/data/quick.ini for a moment; what it printed lies in `said`. */
static int mimic(struct mimic_setup *setup, struct tl_error *error)
{
    static struct benchfile bench;
    char *text;
    size_t length;
    const char *path = TEST_DATA "/quick.ini";

    assert_int_equal(file_read(path, 1 << 16, &text, &length, error), 0);
    assert_int_equal(benchfile_parse(path, text, length, &bench, error), 0);
    memset(said, 0, sizeof said);
    setup->bench = &bench;
    setup->bench_text = text;
    setup->bench_length = length;
    setup->out = fmemopen(said, sizeof said - 1, "w");
    if (setup->until_s <= 0)
        setup->until_s = 0.05;
    int failed = mimic_run(setup, error);
    fclose(setup->out);
    free(text);
    return failed;
}

static void test_the_bench_file_comes_out_with_other_ports_and_nothing_else_changed(void **state)
{
    (void)state;
    struct mimic_setup setup = {.seed = 1};
    static struct benchfile before, after;
    struct tl_error error;

    assert_int_equal(mimic(&setup, &error), 0);

    before = *setup.bench;
    char *report = strstr(said, "; mimic:");
    assert_non_null(report);
    assert_int_equal(benchfile_parse("out", said, (size_t)(report - said), &after, &error), 0);
    assert_int_equal(after.port_count, 2);
    for (int i = 0; i < after.port_count; i++) {
        assert_has(after.port[i].path, "/dev/pts/");
        memcpy(after.port[i].path, before.port[i].path, sizeof after.port[i].path);
    }
    assert_string_not_equal(said, "");
    assert_memory_equal(&before.plate, &after.plate, sizeof before.plate);
    assert_int_equal(before.device_count, after.device_count);
}

static void test_the_report_says_that_nothing_was_ever_on(void **state)
{
    (void)state;
    struct mimic_setup setup = {.seed = 1};
    struct tl_error error;

    assert_int_equal(mimic(&setup, &error), 0);

    assert_has(said, "heater   never on");
    assert_has(said, "supply   never on");
    assert_has(said, "cut-off  none");
}

static void test_json_goes_beside_a_bench_file_of_its_own(void **state)
{
    (void)state;
    char path[] = "/tmp/tinlatch-mimic-XXXXXX";
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    struct mimic_setup setup = {.seed = 1, .json = true, .bench_to = path};
    struct tl_error error;
    char *text;
    size_t length;

    assert_int_equal(mimic(&setup, &error), 0);

    assert_int_equal(said[0], '{');
    assert_has(said, "\"heater\":{\"on\":false");
    assert_int_equal(file_read(path, 1 << 16, &text, &length, &error), 0);
    assert_has(text, "port = /dev/pts/");
    free(text);
    close(fd);
    unlink(path);
}

static void test_a_fault_that_the_bench_cannot_have_and_a_bad_socket_are_refused(void **state)
{
    (void)state;
    struct rehearse_fault fault = {.name = "cut-off-stuck", .at_s = 1};
    struct mimic_setup setup = {.seed = 1, .fault = &fault, .fault_count = 1};
    struct tl_error error;

    assert_int_equal(mimic(&setup, &error), TL_MISSING);
    setup = (struct mimic_setup){.seed = 1, .control = "/nowhere/at/all"};
    assert_int_equal(mimic(&setup, &error), TL_FILE);
    setup = (struct mimic_setup){.seed = 1, .bench_to = "/nowhere/at/all"};
    assert_int_equal(mimic(&setup, &error), TL_FILE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_bench_file_comes_out_with_other_ports_and_nothing_else_changed),
        cmocka_unit_test(test_the_report_says_that_nothing_was_ever_on),
        cmocka_unit_test(test_json_goes_beside_a_bench_file_of_its_own),
        cmocka_unit_test(test_a_fault_that_the_bench_cannot_have_and_a_bad_socket_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
