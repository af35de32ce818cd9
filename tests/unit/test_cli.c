/* SPDX-License-Identifier: MIT */
#include "check.h"

#include <stdlib.h>

#include "tinlatch/cli.h"

/* What a command line prints and returns. */
struct told {
    char *out, *err;
    int status;
};

static struct told told(int argc, const char *const *words)
{
    struct told t = {0};
    size_t n;
    char name[] = "tinlatch";
    char *argv[16] = {name};
    for (int i = 0; i < argc; i++)
        argv[i + 1] = (char *)words[i];
    FILE *out = open_memstream(&t.out, &n), *err = open_memstream(&t.err, &n);
    t.status = cli_run(argc + 1, argv, out, err);
    fclose(out);
    fclose(err);
    return t;
}

#define TOLD(...)                                                                                  \
    told((int)(sizeof((const char *[]){__VA_ARGS__}) / sizeof(char *)),                            \
         (const char *[]){__VA_ARGS__})

static void forget(struct told *t)
{
    free(t->out);
    free(t->err);
}

static void test_help_lists_every_verb_and_option_on_standard_output(void **state)
{
    (void)state;

    struct told t = TOLD("--help");

    assert_int_equal(t.status, 0);
    assert_has(t.out, "\n  check RECIPE");
    assert_has(t.out, "\n  rehearse RECIPE");
    assert_has(t.out, "--fault NAME@SECONDS");
    assert_string_equal(t.err, "");
    forget(&t);
}

static void test_a_misspelt_verb_is_answered_with_the_nearest(void **state)
{
    (void)state;

    struct told t = TOLD("chekc", "x.lua");

    assert_int_equal(t.status, 2);
    assert_string_equal(t.out, "");
    assert_has(t.err, "tinlatch: there is no verb \"chekc\"; did you mean check?");
    forget(&t);
}

static void test_an_early_error_is_one_json_object_even_when_json_comes_last(void **state)
{
    (void)state;

    struct told t = TOLD("rehearse", "x.lua", "--nonsense", "--json");

    assert_int_equal(t.status, 2);
    assert_has(t.out, "\"outcome\"");
    assert_has(t.out, "invalid");
    assert_has(t.out, "--nonsense");
    assert_has(t.err, "there is no option --nonsense");
    forget(&t);
}

static void test_a_value_that_looks_like_an_option_is_a_forgotten_value(void **state)
{
    (void)state;

    struct told t = TOLD("rehearse", "x.lua", "--serial", "--json");

    assert_int_equal(t.status, 2);
    assert_has(t.err, "--serial needs a value");
    forget(&t);
}

static void test_an_option_of_another_verb_is_refused_by_name(void **state)
{
    (void)state;

    struct told t = TOLD("check", "x.lua", "--fault", "sensor-open@5");

    assert_int_equal(t.status, 2);
    assert_has(t.err, "check does not take --fault");
    forget(&t);
}

static void test_an_option_of_another_word_of_the_verb_is_refused_by_name(void **state)
{
    static const char *const lines[][5] = {
        {"bench list does not take --bench", "bench", "list", "--bench", "x.ini"},
        {"bench check does not take --from", "bench", "check", "--from", "x.jsonl"},
        {"runs list does not take --note", "runs", "list", "--note", "x"},
        {"runs show does not take --since", "runs", "show", "--since", "2026"},
        {"runs add does not take --json", "runs", "add", "x.jsonl", "--json"},
        {"key list does not take --as", "key", "list", "--as", "x"},
        {"shelf list does not take --bench", "shelf", "list", "--bench", "x.ini"},
        {"runs list takes no record: \"x\" is one too many", "runs", "list", "x", "--json"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof lines / sizeof lines[0]; i++) {
        struct told t = told(4, lines[i] + 1);

        assert_int_equal(t.status, 2);
        assert_has(t.err, lines[i][0]);
        forget(&t);
    }
}

static void test_what_a_word_takes_stands_in_the_help_of_its_verb(void **state)
{
    (void)state;

    struct told bench = TOLD("bench", "--help"), key = TOLD("key", "--help"),
                check = TOLD("check", "--help");

    assert_has(bench.out, "\noptions by word:\n  list     --json\n  check    --bench --json\n");
    assert_has(key.out, "\n  list     none\n");
    assert_null(strstr(check.out, "options by word"));
    forget(&bench);
    forget(&key);
    forget(&check);
}

static void test_the_reference_page_holds_every_option_that_help_lists(void **state)
{
    (void)state;
    struct told help = TOLD("--help"), page = TOLD("help", "--command-line");

    int found = 0;
    for (char *at = help.out; (at = strstr(at, "\n  --")); at++) {
        char name[40];
        assert_int_equal(sscanf(at, " %39s", name), 1);
        assert_has(page.out, name);
        found++;
    }

    assert_true(found >= 12);
    forget(&help);
    forget(&page);
}

static void test_a_missing_recipe_file_is_invalid_and_named(void **state)
{
    (void)state;

    struct told t = TOLD("check", "/nowhere/x.lua");

    assert_int_equal(t.status, 2);
    assert_has(t.err, "/nowhere/x.lua: No such file");
    forget(&t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_help_lists_every_verb_and_option_on_standard_output),
        cmocka_unit_test(test_a_misspelt_verb_is_answered_with_the_nearest),
        cmocka_unit_test(test_an_early_error_is_one_json_object_even_when_json_comes_last),
        cmocka_unit_test(test_a_value_that_looks_like_an_option_is_a_forgotten_value),
        cmocka_unit_test(test_an_option_of_another_verb_is_refused_by_name),
        cmocka_unit_test(test_an_option_of_another_word_of_the_verb_is_refused_by_name),
        cmocka_unit_test(test_what_a_word_takes_stands_in_the_help_of_its_verb),
        cmocka_unit_test(test_the_reference_page_holds_every_option_that_help_lists),
        cmocka_unit_test(test_a_missing_recipe_file_is_invalid_and_named),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
