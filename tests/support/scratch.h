/* SPDX-License-Identifier: MIT */
/* scratch - a folder of a test's own: made before it, gone after it. */
#ifndef TINLATCH_TESTS_SCRATCH_H
#define TINLATCH_TESTS_SCRATCH_H

#include <stdlib.h>

#include "check.h"

static char scratch[64], scratch_file[96]; /* ... and a file in it, for tests that need one */

static int make_scratch(void **state)
{
    (void)state;
    strcpy(scratch, "/tmp/tinlatch-test-XXXXXX");
    if (!mkdtemp(scratch))
        return -1;
    snprintf(scratch_file, sizeof scratch_file, "%s/file", scratch);
    return 0;
}

static int drop_scratch(void **state)
{
    (void)state;
    char command[128];
    snprintf(command, sizeof command, "rm -rf %s", scratch);
    return system(command);
}

static inline void scratch_write(const void *text, size_t length)
{
    FILE *file = fopen(scratch_file, "w");
    assert_non_null(file);
    assert_int_equal(fwrite(text, 1, length, file), length);
    fclose(file);
}

static inline size_t scratch_read(char *text, size_t size)
{
    FILE *file = fopen(scratch_file, "r");
    assert_non_null(file);
    size_t length = fread(text, 1, size, file);
    fclose(file);
    return length;
}

#endif
