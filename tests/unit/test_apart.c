/* SPDX-License-Identifier: MIT */
/* A stranger's recipe in a process of its own: the same figures as in one process, and an end to whatever it does. */
#include "check.h"

#include <stdlib.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include "rehearse_private.h"
#include "tinlatch/file.h"

static struct benchfile bench;
static struct board read_board;
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

static struct source_set sources;

/* As a pack brings them: recipe and board. The caller frees `sources`. */
static struct rehearse_setup setup_of(const char *recipe, const char *board)
{
    struct source_text texts[] = {{"r.lua", SOURCE_RECIPE, recipe, strlen(recipe)},
                                  {"b.lua", SOURCE_BOARD, board, strlen(board)}};
    assert_int_equal(source_take(&sources, texts, 2, TEST_SOURCE, &error), 0);
    return (struct rehearse_setup){.sources = &sources,
                                   .bench = &bench,
                                   .bench_file = "demo.ini",
                                   .recipe = {.sources = &sources, .seed = 7},
                                   .seed = 7};
}

static int rehearse_text(const char *recipe, const char *board, bool is_apart, double cpu_s,
                         struct run *run)
{
    struct rehearse_setup setup = setup_of(recipe, board);
    setup.cpu_s = cpu_s;
    int result = is_apart ? rehearse_board(&setup, &read_board, &error) : 0;
    if (is_apart)
        setup.apart = &read_board;
    if (!result)
        result = rehearse(&setup, -1, run, &error);
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
        assert_memory_equal(apart.joint, together.joint, sizeof apart.joint);
        assert_memory_equal(apart.part, together.part, sizeof apart.part);
        assert_string_equal(apart.insert, together.insert);
        assert_true(apart.worst_case_s > 0);
        assert_near(apart.worst_case_s, together.worst_case_s, 0);
        assert_near(apart.worst_case_heat_s, together.worst_case_heat_s, 0);
        assert_string_equal(apart.alloys, together.alloys);
        assert_int_equal(apart.margin_count > 0, together.margin_count > 0);
        free(recipe);
    }
    free(board);
}

/* ---- a recipe that has broken out says what it likes --------------------------------------------- */

enum { SAID = 4 << 20 };

/* All that the recipe's process says; it is gone afterwards, its end of the stream too. */
static size_t said_by(const struct rehearse_setup *setup, struct apart *a, char *said)
{
    size_t length = 0;
    *a = (struct apart){.socket = -1, .other = -1};
    assert_int_equal(apart_begin(a, setup, 60, &error), 0);
    for (ssize_t n; (n = recv(a->socket, said + length, SAID - length, 0)) > 0;)
        length += (size_t)n;
    return length;
}

/* What the world makes of it. */
static const struct run *world_of(const struct rehearse_setup *setup, struct apart *a,
                                  const char *said, size_t length)
{
    static struct rehearse_result *result;
    int pair[2], status;
    if (!result)
        result =
            mmap(NULL, sizeof *result, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    assert_ptr_not_equal(result, MAP_FAILED);
    memset(result, 0, sizeof *result);
    assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM, 0, pair), 0);
    close(a->socket);
    a->socket = pair[0];
    pid_t world = fork();
    if (world == 0) {
        close(pair[1]);
        lockstep_run(setup, a, -1, result);
        _exit(0);
    }
    close(a->socket);
    a->socket = -1;
    for (size_t sent = 0; sent < length;) {
        ssize_t n = send(pair[1], said + sent, length - sent, MSG_NOSIGNAL);
        if (n < 0)
            break;
        sent += (size_t)n;
    }
    close(pair[1]);
    assert_int_equal(waitpid(world, &status, 0), world);
    assert_int_equal(status, 0);
    assert_true(result->whole);
    return &result->run;
}

static size_t size_at(const char *said)
{
    struct wire_head head;
    memcpy(&head, said, sizeof head);
    return stream_size(head.kind);
}

static void want_of_all(char *said, size_t length, int32_t temp_mc)
{
    struct wire_turn turn;
    for (size_t at = 0; at < length; at += size_at(said + at)) {
        memcpy(&turn.head, said + at, sizeof turn.head);
        if (turn.head.kind != WIRE_TURN)
            continue;
        memcpy(&turn, said + at, sizeof turn);
        turn.temp_mc = turn.heat ? temp_mc : turn.temp_mc;
        memcpy(said + at, &turn, sizeof turn);
    }
}

static void test_whatever_a_recipe_says_the_figures_are_what_the_plate_did(void **state)
{
    (void)state;
    size_t length;
    struct apart a;
    char *board = read_source("boards/hx210.lua", &length),
         *recipe = read_source("stack-split.lua", &length), *said = malloc(SAID),
         *again = malloc(SAID);
    assert_true(said && again);
    assert_int_equal(rehearse_text(recipe, board, false, 60, &together), 0);
    struct rehearse_setup setup = setup_of(recipe, board);
    assert_int_equal(rehearse_board(&setup, &read_board, &error), 0);
    setup.apart = &read_board;
    size_t all = said_by(&setup, &a, said);

    const struct run *run = world_of(&setup, &a, said, all);
    assert_int_equal(run->outcome, RUN_DONE);
    assert_int_equal(memcmp(&run->peak_true_c, &together.peak_true_c, sizeof(double)), 0);

    /* it wants more than it may */
    memcpy(again, said, all);
    want_of_all(again, all, 300000);
    run = world_of(&setup, &a, again, all);
    assert_true(run->peak_true_c > together.peak_true_c + 5 && run->peak_true_c < 195);
    /* and says that it wanted little, or nothing more: then that is what was done */
    memcpy(again, said, all);
    want_of_all(again, all, 60000);
    assert_true(world_of(&setup, &a, again, all)->peak_true_c < 65);
    run = world_of(&setup, &a, said, all / 4);
    assert_int_equal(run->outcome, RUN_FAILED);
    assert_true(run->peak_true_c < together.peak_true_c - 20);

    /* whatever it is, the world comes to its end */
    uint32_t random = 1;
    for (int i = 0; i < 12; i++) {
        memcpy(again, said, all);
        for (int k = 0; k < 1 << i % 6; k++) {
            random = random * 1664525 + 1013904223;
            again[(random >> 4) % (i % 2 ? all : 8192)] ^= (char)(1 << (random >> 29));
        }
        run = world_of(&setup, &a, again, all);
        assert_false(run->peak_true_c > 195);
    }
    apart_end(&a);
    source_free(&sources);
    free(again);
    free(said);
    free(recipe);
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

        struct rehearse_setup setup = setup_of(recipe, boards[i]);
        setup.cpu_s = 1;
        assert_true(rehearse_board(&setup, &read_board, NULL) < 0); /* nobody asks why */
        source_free(&sources);
    }
    free(recipe);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_in_two_processes_a_recipe_does_what_it_does_in_one),
        cmocka_unit_test(test_whatever_a_recipe_says_the_figures_are_what_the_plate_did),
        cmocka_unit_test(test_a_recipe_that_never_answers_is_ended),
        cmocka_unit_test(test_a_board_file_that_is_none_is_told_and_nothing_runs),
    };
    return cmocka_run_group_tests(tests, set_up, NULL);
}
