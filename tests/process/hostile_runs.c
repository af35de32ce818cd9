/* SPDX-License-Identifier: MIT */
/* The recipes of tests/hostile/hot in whole runs on emulated benches: their rehearsal is let through, and once the plate
 * is hot they do what their first line says. In real time, each on a bench and in a process of its own. */
#include <glob.h>

#include "whole_run.h"

enum { SIDE_BY_SIDE = 13, APART_MS = 1500 };

static struct whole_run w;

/* ---- one of them ---- */

/* Of its first line: what becomes of it, the line that is named (0: none), a part of what is said. */
struct expected {
    char kind[16], text[128];
    int line;
};

static struct expected expected_of(const char *recipe)
{
    struct expected e = {0};
    char first[256] = "", line[16] = "";
    FILE *from = fopen(recipe, "re");
    assert_non_null(from);
    assert_non_null(fgets(first, sizeof first, from));
    fclose(from);
    assert_true(sscanf(first, "-- expected: %15s %15s %127[^\n]", e.kind, line, e.text) >= 2);
    e.line = atoi(line); /* "-": none */
    return e;
}

static int status_of(const char *kind)
{
    if (strcmp(kind, "tripped") == 0)
        return 3;
    return strcmp(kind, "harmless") == 0 ? 0 : 1;
}

/* The record's last line, and whether every scan came when it was due. */
static json_t *end_of_record(void)
{
    static char line[1 << 16];
    char pattern[128];
    glob_t found;
    json_t *last = NULL;
    snprintf(pattern, sizeof pattern, "%s/runs/*.jsonl", w.dir);
    assert_int_equal(glob(pattern, 0, NULL, &found), 0);
    FILE *from = fopen(found.gl_pathv[0], "re");
    globfree(&found);
    assert_non_null(from);
    while (fgets(line, sizeof line, from)) {
        if (strstr(line, "scan-late"))
            fprintf(stderr, "the guard's scan was late: %s", line);
        assert_null(strstr(line, "scan-late"));
        json_decref(last);
        last = json_loads(line, 0, NULL);
        assert_non_null(last);
    }
    fclose(from);
    assert_string_equal(json_string_value(json_object_get(last, "kind")), "end");
    return last;
}

static void expect_end_to_name(const struct expected *e)
{
    json_t *end = end_of_record(), *error = json_object_get(end, "error");
    const char *text = json_string_value(json_object_get(error, "text"));
    if (e->line > 0) {
        assert_int_equal(json_integer_value(json_object_get(error, "line")), e->line);
        assert_non_null(text);
        assert_has(text, e->text);
    } else {
        assert_has(w.said, e->text);
    }
    json_decref(end);
}

static void nothing_moves_the_terminal(void)
{
    for (const char *at = w.said; *at; at++)
        assert_true((unsigned char)*at >= ' ' || *at == '\n');
    assert_null(strstr(w.said, "\u202e"));
}

static void try(const char *recipe)
{
    struct expected e = expected_of(recipe);
    mimic_begin(&w, source("tests/data/quick.ini"), recipe);
    w.no_to = "All well?";
    run_begin(&w, recipe);

    int status = run_end(&w, 200);
    json_t *report = mimic_end(&w);

    fprintf(stderr, "%s: %d; it said:\n%s\n", recipe, status,
            w.said); /* read only where a check fails */
    assert_int_equal(status, status_of(e.kind));
    assert_int_equal(left_over(), 0);
    expect_end_to_name(&e);
    nothing_moves_the_terminal();
    assert_false(flag_in(report, "heater"));
    assert_false(flag_in(report, "supply"));
    assert_true(value_in(report, "plate.peak_c") > 53); /* it was hot ... */
    assert_true(value_in(report, "plate.peak_c") < 58); /* ... and never hotter than it was to be */
    assert_true(value_in(report, "plate.now_c") < 46);
    json_decref(report);
}

/* ---- side by side ---- */

static struct attack {
    const char *recipe;
    pid_t process;
    FILE *said;
} attacks[64];
static int attack_count;

_Noreturn static void be(struct attack *attack)
{
    void *state = &w;
    dup2(fileno(attack->said), 1);
    dup2(fileno(attack->said), 2);
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    setenv("CMOCKA_TEST_ABORT", "1", 1); /* a check that fails says so and ends this process */
    w = (struct whole_run){.control_fd = -1, .answer_fd = -1, .said_fd = -1};
    try(attack->recipe);
    whole_run_teardown(&state);
    exit(0);
}

static void begin(struct attack *attack)
{
    attack->said = tmpfile();
    assert_non_null(attack->said);
    attack->process = fork();
    if (attack->process == 0)
        be(attack);
    nap_ms(APART_MS);
}

/* Waits for it; 1 if it failed. */
static int end(struct attack *attack)
{
    int status = -1;
    char text[4096];
    waitpid(attack->process, &status, 0);
    if (status == 0)
        return 0;
    rewind(attack->said);
    for (size_t n; (n = fread(text, 1, sizeof text, attack->said)) > 0;)
        fwrite(text, 1, n, stderr);
    return 1;
}

static void test_a_hostile_recipe_at_a_hot_plate_ends_off_and_its_line_is_named(void **state)
{
    (void)state;
    glob_t found;
    int failed = 0;
    const char *only = getenv("ONLY");
    assert_int_equal(glob(source("tests/hostile/hot/*.lua"), 0, NULL, &found), 0);
    for (size_t i = 0; i < found.gl_pathc && attack_count < 64; i++)
        if (!only || strstr(found.gl_pathv[i], only))
            attacks[attack_count++].recipe = found.gl_pathv[i];
    assert_true(attack_count > 0);

    for (int i = 0; i < attack_count + SIDE_BY_SIDE; i++) {
        if (i >= SIDE_BY_SIDE && i - SIDE_BY_SIDE < attack_count)
            failed += end(&attacks[i - SIDE_BY_SIDE]);
        if (i < attack_count)
            begin(&attacks[i]);
    }

    globfree(&found);
    assert_int_equal(failed, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_hostile_recipe_at_a_hot_plate_ends_off_and_its_line_is_named),
    };
    prctl(PR_SET_CHILD_SUBREAPER, 1);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
