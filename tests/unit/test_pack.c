/* SPDX-License-Identifier: MIT */
/* pack: what was packed is read back; no byte of it can be changed unnoticed; what a signer may not do, however
 * properly signed, is refused with its line. */
#include "check.h"

#include <stdlib.h>

#include "tinlatch/pack.h"

static struct sign_secret secret;

static struct pack_part part(enum pack_kind kind, const char *name, const char *text)
{
    struct pack_part part = {.kind = kind, .text = text, .length = strlen(text)};
    snprintf(part.name, sizeof part.name, "%s", name);
    return part;
}

static struct pack small_pack(void)
{
    return (struct pack){
        .name = "split",
        .version = 3,
        .api = 1,
        .title = "Split the stack",
        .board = "hx210",
        .revision = "-",
        .alloys = "Sn42Bi57Ag1, SAC305",
        .part_count = 4,
        .part = {part(PACK_RECIPE, "split.lua", "return recipe {}\n"),
                 part(PACK_BOARD, "hx210.lua", "return board {}"),
                 part(PACK_MODULE, "house.lua", "return {}\n\n== notes notes.txt 4\nfake\n"),
                 part(PACK_EVIDENCE, "evidence.txt", "bench: demo\n")},
    };
}

/* The caller frees. */
static void write_pack(const struct pack *pack, char **text, size_t *length)
{
    struct tl_error error = {0};
    if (pack_write(pack, &secret, text, length, &error) != 0)
        fail_msg("%s", error.text);
}

/* Sign whatever bytes stand there, as a malicious signer can; the caller frees. */
static char *signed_anyhow(const char *bytes, const char *comment, size_t *length)
{
    char signature[SIGN_TEXT];
    size_t size = strlen(bytes) + SIGN_TEXT;
    char *text = malloc(size);
    assert_non_null(text);
    assert_int_equal(sign_bytes(&secret, bytes, strlen(bytes), comment, signature, NULL), 0);
    *length = (size_t)snprintf(text, size, "%s%s", bytes, signature);
    return text;
}

/* The signed bytes of `pack` with each `from` in them made a `to`. */
static char *changed(const struct pack *pack, const char *from, const char *to, size_t *length)
{
    struct pack back;
    char *text, *bytes = NULL;
    size_t size;
    write_pack(pack, &text, length);
    assert_int_equal(pack_read(text, *length, &back, NULL), 0);
    text[back.signed_length] = '\0';
    assert_non_null(strstr(text, from));
    FILE *out = open_memstream(&bytes, &size);
    assert_non_null(out);
    const char *at = text;
    for (const char *next; (next = strstr(at, from)); at = next + strlen(from))
        fprintf(out, "%.*s%s", (int)(next - at), at, to);
    fputs(at, out);
    fclose(out);
    char *again = signed_anyhow(bytes, "tinlatch-pack split version 3 board hx210", length);
    free(bytes);
    free(text);
    return again;
}

static void test_a_pack_is_read_back_as_it_was_written(void **state)
{
    (void)state;
    struct pack pack = small_pack(), back;
    size_t length;
    char *text;
    write_pack(&pack, &text, &length);

    assert_true(pack_begins(text, length));
    assert_int_equal(pack_read(text, length, &back, NULL), 0);

    assert_true(sign_same(&back.signer, &secret.public));
    assert_string_equal(back.name, "split");
    assert_int_equal(back.version, 3);
    assert_string_equal(back.title, "Split the stack");
    assert_string_equal(back.alloys, "Sn42Bi57Ag1, SAC305");
    assert_int_equal(back.part_count, 4);
    for (int i = 0; i < 4; i++) {
        assert_int_equal(back.part[i].kind, pack.part[i].kind);
        assert_string_equal(back.part[i].name, pack.part[i].name);
        assert_int_equal(back.part[i].length, pack.part[i].length);
        assert_memory_equal(back.part[i].text, pack.part[i].text, pack.part[i].length);
        assert_true(back.part[i].text > text && back.part[i].text < text + length);
    }
    assert_null(pack_part_of(&back, PACK_NOTES));
    free(text);
}

static void test_no_byte_of_a_pack_can_be_changed_unnoticed(void **state)
{
    (void)state;
    struct pack pack = small_pack(), back;
    size_t length;
    char *text;
    write_pack(&pack, &text, &length);

    for (size_t i = 0; i < length; i++) {
        static const char flips[] = {1, 0x20, (char)0x80};
        for (size_t k = 0; k < sizeof flips; k++) {
            text[i] = (char)(text[i] ^ flips[k]);
            int verdict = pack_read(text, length, &back, NULL);
            if (verdict != TL_BAD)
                fail_msg("byte %zu changed by %02x: %d", i, flips[k] & 0xff, verdict);
            text[i] = (char)(text[i] ^ flips[k]);
        }
    }
    for (size_t n = 0; n < length; n++) /* every prefix too, and a tail behind it */
        assert_true(pack_read(text, n, &back, NULL) < 0);
    text = realloc(text, length + 1);
    assert_non_null(text);
    text[length] = '\n';
    assert_int_equal(pack_read(text, length + 1, &back, NULL), TL_BAD);
    assert_int_equal(pack_read(text, length, &back, NULL), 0);
    free(text);
}

static void test_a_signature_that_is_stripped_or_of_another_is_told(void **state)
{
    (void)state;
    struct pack pack = small_pack(), back;
    struct sign_secret mine = secret, other;
    struct tl_error error = {0};
    size_t length, theirs_length;
    char *text;
    write_pack(&pack, &text, &length);

    assert_int_equal(pack_read(text, length, &back, NULL), 0);
    assert_int_equal(pack_read(text, back.signed_length, &back, &error), TL_BAD);
    assert_has(error.text, "no signature");

    /* another's signature under the first one's bytes: with its own id, and with the first one's */
    assert_int_equal(sign_new(&other, NULL), 0);
    for (int confused = 0; confused < 2; confused++) {
        char signature[SIGN_TEXT], whole[8192];
        assert_int_equal(pack_read(text, length, &back, NULL), 0);
        assert_int_equal(sign_bytes(&other, text, back.signed_length,
                                    "tinlatch-pack split version 3 board hx210", signature, NULL),
                         0);
        snprintf(whole, sizeof whole, "%.*s%s", (int)back.signed_length, text, signature);
        assert_int_equal(pack_read(whole, strlen(whole), &back, &error), TL_BAD);
        assert_has(error.text, confused ? "not the bytes that were signed" : "first line");
        memcpy(other.public.id, mine.public.id, 8);
    }

    /* the whole pack signed again by the other, who takes the same id: sound, but another key */
    secret = other;
    char *theirs;
    write_pack(&pack, &theirs, &theirs_length);
    secret = mine;
    assert_int_equal(pack_read(theirs, theirs_length, &back, NULL), 0);
    assert_false(sign_same(&back.signer, &mine.public));
    free(theirs);
    free(text);
}

/* lua-threats: what a pack's own signer may try. */
static void test_what_a_signer_may_not_do_is_refused_with_its_line(void **state)
{
    (void)state;
    static const struct {
        const char *from, *to, *says;
        int line;
    } tries[] = {
        {"part: module house.lua", "part: module ../house.lua", "no name for a part", 12},
        {"part: module house.lua", "part: module /house.lua", "no name for a part", 12},
        {"part: module house.lua", "part: module .house.lua", "no name for a part", 12},
        {"part: module house.lua",
         "part: module hou\xC5\xBF"
         "e.lua",
         "no name for a part", 12},
        {"part: module house.lua", "part: module split.lua", "two parts are called", 12},
        {"part: module house.lua", "part: module SPLIT.lua", "two parts are called", 12},
        {"part: module house.lua", "part: module house.so", "does not end in .lua", 12},
        {"part: module house.lua", "part: recipe house.lua", "stands behind", 12},
        {"part: module house.lua", "part: board house.lua", "second board", 12},
        {"part: module house.lua", "part: archive house.lua", "part: KIND NAME", 12},
        {"part: board hx210.lua 15", "part: board hx210.lua 15000", "heading of a part", 18},
        {"evidence.txt 12", "evidence.txt 12000", "as many bytes", 0},
        {"evidence.txt 12", "evidence.txt 14", "with the hash", 0},
        {"part: board hx210.lua 15", "part: board hx210.lua 014", "part: KIND NAME", 11},
        {"part: board hx210.lua 15", "part: board hx210.lua -1", "part: KIND NAME", 11},
        {"part: board hx210.lua 15", "part: board hx210.lua 99999999999", "part: KIND NAME", 11},
        {"part: board hx210.lua 15", "part: board hx210.lua 0", "part: KIND NAME", 11},
        {"return recipe {}", "return recipe []", "with the hash", 15},
        {"version: 3", "version: 03", "version:", 4},
        {"version: 3", "version: 0", "version:", 4},
        {"version: 3", "version: 99999999999", "version:", 4},
        {"version: 3", "version: 4", "trusted comment", 0},
        {"title: Split the stack", "title: ", "title", 5},
        {"title: Split the stack", "title: Split\xE2\x80\xAE the stack", "not plain text", 5},
        {"title: Split the stack", "title: Split \x1b[2J", "not plain text", 5},
        {"title: Split the stack\n", "title: Split\nurl: x\n", "api", 6},
        {"name: split", "name: ../split", "no name for a shared recipe", 0},
        {"\n\n== recipe", "\nextra: field\n\n== recipe", "heading of a part", 15},
        {"bench: demo\n\n==", "bench: demo\nmore\n\n==", "nothing between", 0},
    };
    for (size_t i = 0; i < sizeof tries / sizeof tries[0]; i++) {
        struct pack pack = small_pack(), back;
        struct tl_error error = {0};
        size_t length;
        char *text = changed(&pack, tries[i].from, tries[i].to, &length);
        int verdict = pack_read(text, length, &back, &error);
        if (verdict == 0 || !strstr(error.text, tries[i].says) ||
            (tries[i].line && error.line != tries[i].line))
            fail_msg("%s -> %s: %d, line %d, \"%s\"", tries[i].from, tries[i].to, verdict,
                     error.line, error.text);
        free(text);
    }
}

static void test_a_million_parts_end_at_the_sixty_fifth(void **state)
{
    (void)state;
    struct pack pack = small_pack(), back;
    struct tl_error error = {0};
    size_t length, size = 0;
    char *many = NULL;
    FILE *out = open_memstream(&many, &size);
    assert_non_null(out);
    for (int i = 0; i < 10000; i++)
        fprintf(out, "part: module m%d.lua 10 %064d\n", i, 0);
    fprintf(out, "part: evidence");
    fclose(out);
    char *plain, *bytes;
    write_pack(&pack, &plain, &length);
    bytes = malloc(length + size + 1);
    assert_non_null(bytes);
    assert_int_equal(pack_read(plain, length, &back, NULL), 0);
    size_t at = (size_t)(strstr(plain, "part: evidence") - plain);
    int n = snprintf(bytes, length + size + 1, "%.*s%s%.*s", (int)at, plain, many,
                     (int)(back.signed_length - at - 14), plain + at + 14);
    assert_true(n > 0);
    char *text = signed_anyhow(bytes, "tinlatch-pack split version 3 board hx210", &length);

    assert_int_equal(pack_read(text, length, &back, &error), TL_RANGE);
    assert_has(error.text, "at most 64 parts");
    free(text);
    free(bytes);
    free(plain);
    free(many);
}

static void test_what_cannot_be_read_back_is_not_written(void **state)
{
    (void)state;
    struct pack pack = small_pack();
    struct tl_error error = {0};
    size_t length;
    char *text;

    pack.part[0].text = "\x1b[2J";
    pack.part[0].length = 4;
    assert_int_equal(pack_write(&pack, &secret, &text, &length, &error), TL_RANGE);
    assert_has(error.text, "not plain text");
    pack = small_pack();
    pack.part_count = 1;
    assert_int_equal(pack_write(&pack, &secret, &text, &length, &error), TL_MISSING);
    assert_has(error.text, "no board");
    pack = small_pack();
    pack.version = 0;
    assert_int_equal(pack_write(&pack, &secret, &text, &length, &error), TL_RANGE);
    pack = small_pack();
    memcpy(pack.name, "a/b", 4);
    assert_int_equal(pack_write(&pack, &secret, &text, &length, &error), TL_RANGE);
    char *large = calloc(1, PACK_BYTES + 1);
    assert_non_null(large);
    memset(large, 'a', PACK_BYTES);
    pack = small_pack();
    pack.part[3].text = large;
    pack.part[3].length = PACK_BYTES;
    assert_int_equal(pack_write(&pack, &secret, &text, &length, &error), TL_FULL);
    free(large);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_pack_is_read_back_as_it_was_written),
        cmocka_unit_test(test_no_byte_of_a_pack_can_be_changed_unnoticed),
        cmocka_unit_test(test_a_signature_that_is_stripped_or_of_another_is_told),
        cmocka_unit_test(test_what_a_signer_may_not_do_is_refused_with_its_line),
        cmocka_unit_test(test_a_million_parts_end_at_the_sixty_fifth),
        cmocka_unit_test(test_what_cannot_be_read_back_is_not_written),
    };
    if (sign_new(&secret, NULL) != 0)
        return 1;
    return cmocka_run_group_tests(tests, NULL, NULL);
}
