/* SPDX-License-Identifier: MIT */
/* shelf: whose signatures count, what was seen, and that neither a name nor a version can be played with. */
#include "check.h"

#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#include "tinlatch/shelf.h"

static char folder[64];
static struct sign_secret ann, bob;

static int set_up(void **state)
{
    (void)state;
    strcpy(folder, "/tmp/tinlatch-shelf-XXXXXX");
    return mkdtemp(folder) ? 0 : -1;
}

static int tear_down(void **state)
{
    (void)state;
    char command[96];
    snprintf(command, sizeof command, "rm -r %s", folder);
    return system(command);
}

static void put(const char *file, const char *text)
{
    char path[128];
    snprintf(path, sizeof path, "%s/%s", folder, file);
    assert_int_equal(file_write(path, 0644, text, strlen(text), NULL), 0);
}

/* Packed, read back and shelved; the caller's *pack then is as it was read (but for its parts). */
static struct pack packed(const char *name, int32_t version, const char *steps,
                          const struct sign_secret *by, bool shelve)
{
    struct pack pack = {.version = version,
                        .api = 1,
                        .title = "t",
                        .board = "hx210",
                        .revision = "-",
                        .alloys = "-",
                        .part_count = 2,
                        .part = {{.kind = PACK_RECIPE, .name = "a.lua", .text = steps},
                                 {.kind = PACK_BOARD, .name = "b.lua", .text = "b"}}};
    struct pack back;
    char *text;
    size_t length;
    snprintf(pack.name, sizeof pack.name, "%s", name);
    pack.part[0].length = strlen(steps);
    pack.part[1].length = 1;
    assert_int_equal(pack_write(&pack, by, &text, &length, NULL), 0);
    assert_int_equal(pack_read(text, length, &back, NULL), 0);
    if (shelve)
        assert_int_equal(shelf_put(folder, &back, text, length, NULL), 0);
    free(text);
    return back;
}

static enum shelf_answer compared(const struct pack *pack)
{
    enum shelf_answer answer;
    struct shelf_seen seen;
    assert_int_equal(shelf_compare(folder, pack, &answer, &seen, NULL), 0);
    return answer;
}

static void test_a_ring_holds_the_keys_of_its_folder_by_name(void **state)
{
    (void)state;
    static struct ring ring;
    assert_int_equal(ring_load("/nowhere/at/all", &ring, NULL), 0);
    assert_int_equal(ring.count, 0);

    assert_int_equal(ring_add(folder, "bob", &bob.public, NULL), 0);
    assert_int_equal(ring_add(folder, "ann", &ann.public, NULL), 0);
    put("notes.txt", "no key");
    put(".hidden.pub", "no key");
    assert_int_equal(ring_load(folder, &ring, NULL), 0);
    assert_int_equal(ring.count, 2);
    assert_string_equal(ring.key[0].name, "ann");
    assert_ptr_equal(ring_find(&ring, &bob.public), ring_named(&ring, "bob"));
    assert_null(ring_named(&ring, "eve"));

    struct sign_public eve = bob.public; /* the same id, another key */
    struct sign_secret other;
    assert_int_equal(sign_new(&other, NULL), 0);
    memcpy(eve.key, other.public.key, sizeof eve.key);
    assert_null(ring_find(&ring, &eve));
    assert_string_equal(ring_namesake(&ring, &eve)->name, "bob");
    assert_null(ring_namesake(&ring, &bob.public));
}

static void test_a_broken_key_file_is_told_by_its_name(void **state)
{
    (void)state;
    static struct ring ring;
    struct tl_error error = {0};
    put("ann.pub", "untrusted comment: x\nRWQ=\n");
    assert_int_equal(ring_load(folder, &ring, &error), TL_BAD);
    assert_has(error.file, "ann.pub");
}

static void test_a_shelf_remembers_the_highest_version_it_saw(void **state)
{
    (void)state;
    struct pack first = packed("split", 3, "three", &ann, false);
    assert_int_equal(compared(&first), SHELF_NEW);
    packed("split", 3, "three", &ann, true);
    packed("join", 1, "one", &bob, true);

    struct pack other = packed("split", 3, "three!", &ann, false),
                older = packed("split", 2, "two", &ann, false),
                newer = packed("split", 4, "four", &ann, false),
                by_bob = packed("split", 4, "four", &bob, false),
                by_case = packed("SPLIT", 2, "two", &ann, false);
    assert_int_equal(compared(&first), SHELF_SAME);
    assert_int_equal(compared(&other), SHELF_OTHER);
    assert_int_equal(compared(&older), SHELF_OLDER);
    assert_int_equal(compared(&newer), SHELF_NEWER);
    assert_int_equal(compared(&by_bob), SHELF_SIGNER);
    assert_int_equal(compared(&by_case), SHELF_OLDER);

    /* taken off and put there again: an old one is still old */
    assert_int_equal(shelf_remove(folder, "split", NULL), 0);
    assert_int_equal(shelf_remove(folder, "split", NULL), TL_FILE);
    assert_int_equal(compared(&older), SHELF_OLDER);
    packed("split", 4, "four", &ann, true);
    assert_int_equal(compared(&first), SHELF_OLDER);
    first = packed("join", 1, "one", &bob, false);
    assert_int_equal(compared(&first), SHELF_SAME);
}

static void name_it(void *context, const char *name)
{
    char *names = context;
    strcat(strcat(names, name), " ");
}

static void test_a_shelf_lists_what_lies_there(void **state)
{
    (void)state;
    char names[128] = "", path[FILE_PATH];
    packed("split", 3, "three", &ann, true);
    packed("join", 1, "one", &ann, true);
    put("..tinlatch", "no pack");
    assert_int_equal(shelf_each(folder, name_it, names, NULL), 0);
    assert_string_equal(names, "join split ");
    assert_int_equal(shelf_path(folder, "join", path, NULL), 0);
    assert_int_equal(access(path, R_OK), 0);
}

static void test_a_broken_memory_is_told_with_its_line_and_nothing_is_put(void **state)
{
    (void)state;
    static const char *const broken[] = {"split 3 abc", "split three a b", "../x 1 a b",
                                         "split 0 a b", "split 1 a b c"};
    struct pack pack = packed("split", 3, "three", &ann, false);
    for (size_t i = 0; i < sizeof broken / sizeof broken[0]; i++) {
        struct tl_error error = {0};
        struct shelf_seen seen;
        enum shelf_answer answer;
        char text[256];
        snprintf(text, sizeof text, "join 1 a b\n%s\n", broken[i]);
        put("seen", text);
        assert_int_equal(shelf_compare(folder, &pack, &answer, &seen, &error), TL_SYNTAX);
        assert_int_equal(error.line, 2);
        assert_int_equal(shelf_put(folder, &pack, "x", 1, &error), TL_SYNTAX);
        char path[FILE_PATH];
        assert_int_equal(shelf_path(folder, "split", path, NULL), 0);
        assert_int_equal(access(path, F_OK), -1);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_a_ring_holds_the_keys_of_its_folder_by_name, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(test_a_broken_key_file_is_told_by_its_name, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(test_a_shelf_remembers_the_highest_version_it_saw, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(test_a_shelf_lists_what_lies_there, set_up, tear_down),
        cmocka_unit_test_setup_teardown(
            test_a_broken_memory_is_told_with_its_line_and_nothing_is_put, set_up, tear_down),
    };
    if (sign_new(&ann, NULL) != 0 || sign_new(&bob, NULL) != 0)
        return 1;
    return cmocka_run_group_tests(tests, NULL, NULL);
}
