/* SPDX-License-Identifier: MIT */
/* A stranger's recipe in a process of its own: the same figures as in one process, and an end to whatever it does. */
#include "check.h"

#include <stdlib.h>

#include "tinlatch/file.h"
#include "tinlatch/rehearse.h"

static struct benchfile bench;
static struct run together, apart;
static struct tl_error error;

static char *read_source(const char *name, size_t *length)
{
    char path[512], *text = NULL;
    snprintf(path, sizeof path, "%s/recipes/%s", TEST_SOURCE, name);
    if (file_read(path, SOURCE_BYTES, &text, length, &error) != 0)
        fail_msg("%s: %s", path, error.text);
    return text;
}

static int set_up(void **state)
{
    (void)state;
    size_t length;
    char *text = read_source("benches/demo.ini", &length);
    int failed = benchfile_parse("demo.ini", text, length, &bench, &error);
    free(text);
    return failed;
}

/* As a pack brings them: recipe and board. */
static int rehearse_text(const char *recipe, const char *board, bool is_apart, double cpu_s,
                         struct run *run)
{
    static struct source_set sources;
    struct source_text texts[] = {{"r.lua", SOURCE_RECIPE, recipe, strlen(recipe)},
                                  {"b.lua", SOURCE_BOARD, board, strlen(board)}};
    assert_int_equal(source_take(&sources, texts, 2, TEST_SOURCE, &error), 0);
    struct rehearse_setup setup = {.sources = &sources,
                                   .bench = &bench,
                                   .bench_file = "demo.ini",
                                   .recipe = {.sources = &sources, .seed = 7},
                                   .seed = 7,
                                   .cpu_s = cpu_s,
                                   .apart = is_apart};
    int result = rehearse(&setup, -1, run, &error);
    source_free(&sources);
    return result;
}

static void test_in_two_processes_a_recipe_does_what_it_does_in_one(void **state)
{
    (void)state;
    static const char *const recipes[] = {"stack-split.lua", "stack-join.lua", "short-check.lua",
                                          "part-off.lua"};
    size_t length;
    char *board = read_source("boards/hx210.lua", &length);
    for (size_t i = 0; i < sizeof recipes / sizeof recipes[0]; i++) {
        char *recipe = read_source(recipes[i], &length);
        assert_int_equal(rehearse_text(recipe, board, false, 5, &together), 0);
        assert_int_equal(rehearse_text(recipe, board, true, 5, &apart), 0);
        if (apart.outcome != together.outcome)
            fail_msg("%s: %s (%s)", recipes[i], outcome_name(apart.outcome), apart.error.text);

        assert_int_equal(together.outcome, RUN_DONE);
        assert_near(apart.duration_s, together.duration_s, 0);
        assert_int_equal(memcmp(&apart.peak_true_c, &together.peak_true_c, sizeof(double)), 0);
        assert_int_equal(apart.melt_count, together.melt_count);
        for (int m = 0; m < apart.melt_count; m++)
            assert_near(apart.melt[m].at_s, together.melt[m].at_s, 0);
        assert_string_equal(apart.insert, together.insert);
        assert_string_equal(apart.alloys, together.alloys);
        assert_int_equal(apart.margin_count > 0, together.margin_count > 0);
        free(recipe);
    }
    free(board);
}

#ifdef __SANITIZE_ADDRESS__
#define FLOOD "" /* so slow that its time between two answers may be over first */
#else
#define FLOOD "64 MiB"
#endif

/* What it may say to the world ends with its process. */
static void test_a_recipe_that_never_answers_is_ended(void **state)
{
    (void)state;
    size_t length;
    char *board = read_source("boards/hx210.lua", &length);
    static const char head[] =
        "return recipe { api = 1, title = \"t\", board = \"b\", insert = "
        "\"frame-60x40\", ceiling = { plate = \"180 C\" }, steps = function(p)\n"
        "plate.ramp { to = \"120 C\", timeout = \"5 min\" }\n";
    static const struct {
        const char *steps;
        enum outcome outcome;
        const char *says;
    } tries[] = {
        {"while true do end end }", RUN_FAILED, "CPU time"},
        {"local t = {} for i = 1, math.huge do t[i] = (\"x\"):rep(1000) .. i end end }", RUN_FAILED,
         FLOOD},
        {"error(\"no\") end }", RUN_FAILED, "no"},
        {"nonsense.at.all() end }", RUN_FAILED, "nonsense"},
        {"end ", RUN_INVALID, ""},
    };
    for (size_t i = 0; i < sizeof tries / sizeof tries[0]; i++) {
        char recipe[2048];
        snprintf(recipe, sizeof recipe, "%s%s", head, tries[i].steps);
        assert_int_equal(rehearse_text(recipe, board, true, 5, &apart), 0);
        if (apart.outcome != tries[i].outcome || !strstr(apart.error.text, tries[i].says))
            fail_msg("%s: %s, \"%s\"", tries[i].steps, outcome_name(apart.outcome),
                     apart.error.text);
    }
    free(board);
}

static void test_a_board_file_that_is_none_is_told_and_nothing_runs(void **state)
{
    (void)state;
    size_t length;
    char *recipe = read_source("stack-split.lua", &length);
    static const char *const boards[] = {"return 1", "while true do end", "return board {}",
                                         "local s = \"x\" while true do s = s .. s end"};
    for (size_t i = 0; i < sizeof boards / sizeof boards[0]; i++) {
        error = (struct tl_error){0};
        assert_true(rehearse_text(recipe, boards[i], true, 1, &apart) < 0);
        assert_true(error.text[0] != '\0');
    }
    free(recipe);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_in_two_processes_a_recipe_does_what_it_does_in_one),
        cmocka_unit_test(test_a_recipe_that_never_answers_is_ended),
        cmocka_unit_test(test_a_board_file_that_is_none_is_told_and_nothing_runs),
    };
    return cmocka_run_group_tests(tests, set_up, NULL);
}
