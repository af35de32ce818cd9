/* SPDX-License-Identifier: MIT */
/* sign: published vectors through our calls, the file forms both ways, and every weak or changed thing refused. */
#include "check.h"

#include <sodium.h>

#include "tinlatch/sign.h"

static void from_hex(const char *hex, uint8_t *out, size_t size)
{
    size_t got;
    assert_int_equal(sodium_hex2bin(out, size, hex, strlen(hex), NULL, &got, NULL), 0);
    assert_int_equal(got, size);
}

static struct sign_secret new_key(void)
{
    struct sign_secret secret;
    assert_int_equal(sign_new(&secret, NULL), 0);
    return secret;
}

/* RFC 8032, section 7.1 (from memory; a slip of it fails here): TEST 1, TEST 3 and TEST SHA(abc). */
static void test_the_ed25519_behind_it_is_that_of_rfc_8032(void **state)
{
    (void)state;
    static const struct {
        const char *seed, *public, *message, *signature;
    } vectors[] = {
        {"9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
         "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a", "",
         "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701"
         "cf9b46bd25bf5f0595bbe24655141438e7a100b"},
        {"c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
         "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025", "af82",
         "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f7609"
         "84dc6594a7c15e9716ed28dc027beceea1ec40a"},
        {"833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
         "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
         "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a2192992a274fc1a836ba3c23a"
         "3"
         "feebbd454d4423643ce80e2a9ac94fa54ca49f",
         "dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b58909351fc9ac90b3ecfdfbc7c66"
         "431e0303dca179c138ac17ad9bef1177331a704"},
    };
    for (size_t i = 0; i < sizeof vectors / sizeof vectors[0]; i++) {
        uint8_t seed[32], expected[32], message[64], signature[64], made[64];
        struct sign_secret secret = {0};
        size_t length = strlen(vectors[i].message) / 2;
        from_hex(vectors[i].seed, seed, 32);
        from_hex(vectors[i].public, expected, 32);
        from_hex(vectors[i].message, message, length);
        from_hex(vectors[i].signature, signature, 64);

        crypto_sign_seed_keypair(secret.public.key, secret.key, seed);
        crypto_sign_detached(made, NULL, message, length, secret.key);

        assert_memory_equal(secret.public.key, expected, 32);
        assert_memory_equal(made, signature, 64);

        /* and through our own call: over the BLAKE2b-512 of the bytes */
        char text[SIGN_TEXT];
        struct sign_signature ours;
        uint8_t hash[64];
        assert_int_equal(sign_bytes(&secret, message, length, "c", text, NULL), 0);
        assert_int_equal(sign_signature_read(text, strlen(text), &ours, NULL), 0);
        crypto_generichash(hash, sizeof hash, message, length, NULL, 0);
        assert_int_equal(crypto_sign_verify_detached(ours.of_bytes, hash, 64, expected), 0);
    }
}

/* FIPS 180-4's examples (from memory; a slip of it fails here), and BLAKE2b-512 as b2sum has it. */
static void test_hashes_are_those_of_the_standards(void **state)
{
    (void)state;
    static const char two_blocks[] = "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq";
    char hash[SIGN_HASH];
    uint8_t blake[64], expected[64];

    sign_sha256("abc", 3, hash);
    assert_string_equal(hash, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    sign_sha256("", 0, hash);
    assert_string_equal(hash, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
    sign_sha256(two_blocks, strlen(two_blocks), hash);
    assert_string_equal(hash, "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");

    crypto_generichash(blake, sizeof blake, (const uint8_t *)"abc", 3, NULL, 0);
    from_hex("ba80a53f981c4d0d6a2797b69f12f6e94c212f14685ac4b74b12bb6fdbffa2d1"
             "7d87c5392aab792dc252d5de4533cc9518d38aa8dbf1925ab92386edd4009923",
             expected, 64);
    assert_memory_equal(blake, expected, 64);
}

static void test_a_signature_holds_for_its_bytes_and_comment_alone(void **state)
{
    (void)state;
    struct sign_secret mine = new_key(), other = new_key();
    struct sign_signature signature, changed;
    char text[SIGN_TEXT];

    assert_int_equal(sign_bytes(&mine, "hot plate", 9, "split version 3", text, NULL), 0);
    assert_int_equal(sign_signature_read(text, strlen(text), &signature, NULL), 0);
    assert_string_equal(signature.comment, "split version 3");
    assert_int_equal(sign_verify(&mine.public, &signature, "hot plate", 9), 0);

    assert_int_equal(sign_verify(&mine.public, &signature, "hot plats", 9), TL_LIMIT);
    assert_int_equal(sign_verify(&mine.public, &signature, "hot plat", 8), TL_LIMIT);
    assert_int_equal(sign_verify(&other.public, &signature, "hot plate", 9), TL_UNKNOWN);
    memcpy(other.public.id, mine.public.id, 8); /* another key under the same id */
    assert_int_equal(sign_verify(&other.public, &signature, "hot plate", 9), TL_LIMIT);
    changed = signature;
    changed.comment[14] = '4';
    assert_int_equal(sign_verify(&mine.public, &changed, "hot plate", 9), TL_LIMIT);
    for (int i = 0; i < 64; i++) {
        changed = signature;
        changed.of_bytes[i] ^= 1;
        assert_int_equal(sign_verify(&mine.public, &changed, "hot plate", 9), TL_LIMIT);
        changed = signature;
        changed.of_comment[i] ^= 1;
        assert_int_equal(sign_verify(&mine.public, &changed, "hot plate", 9), TL_LIMIT);
    }
}

/* RFC 8032, 5.1.7: S must lie below the order L of the group; S + L would verify with a lax check. */
static void test_a_signature_has_one_form(void **state)
{
    (void)state;
    static const uint8_t order[32] = {0xed, 0xd3, 0xf5, 0x5c, 0x1a, 0x63, 0x12, 0x58,
                                      0xd6, 0x9c, 0xf7, 0xa2, 0xde, 0xf9, 0xde, 0x14,
                                      0,    0,    0,    0,    0,    0,    0,    0,
                                      0,    0,    0,    0,    0,    0,    0,    0x10};
    struct sign_secret mine = new_key();
    struct sign_signature signature;
    char text[SIGN_TEXT];
    unsigned carry = 0;

    assert_int_equal(sign_bytes(&mine, "x", 1, "c", text, NULL), 0);
    assert_int_equal(sign_signature_read(text, strlen(text), &signature, NULL), 0);
    for (int i = 0; i < 32; i++) {
        carry += (unsigned)signature.of_bytes[32 + i] + order[i];
        signature.of_bytes[32 + i] = (uint8_t)carry;
        carry >>= 8;
    }
    assert_int_equal(sign_verify(&mine.public, &signature, "x", 1), TL_LIMIT);
}

/* Points of order 1, 2, 4 and 8 (RFC 7748, section 7, warns of them), and the neutral one spelled y = p + 1. */
static void test_a_weak_public_key_is_refused(void **state)
{
    (void)state;
    static const char *const weak[] = {
        "0100000000000000000000000000000000000000000000000000000000000000",
        "ecffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
        "0000000000000000000000000000000000000000000000000000000000000000",
        "0000000000000000000000000000000000000000000000000000000000000080",
        "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a",
        "26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05",
        "eeffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
    };
    for (size_t i = 0; i < sizeof weak / sizeof weak[0]; i++) {
        struct sign_public key = new_key().public, back;
        struct tl_error error = {0};
        char text[SIGN_KEY];
        from_hex(weak[i], key.key, 32);
        sign_public_write(&key, text);
        assert_int_equal(sign_public_read(text, strlen(text), &back, &error), TL_BAD);
        assert_has(error.text, "weak");
    }
}

static void test_keys_are_read_back_as_they_were_written(void **state)
{
    (void)state;
    struct sign_secret mine = new_key(), back;
    struct sign_public public;
    struct tl_error error = {0};
    char text[SIGN_TEXT], file[SIGN_TEXT + 40];

    sign_public_write(&mine.public, text);
    assert_int_equal(sign_public_read(text, strlen(text), &public, NULL), 0);
    assert_true(sign_same(&public, &mine.public));
    snprintf(file, sizeof file, "untrusted comment: ann\n%s\n", text);
    assert_int_equal(sign_public_read(file, strlen(file), &public, NULL), 0);
    assert_true(sign_same(&public, &mine.public));

    assert_int_equal(sign_secret_write(&mine, NULL, text, NULL), 0);
    assert_false(sign_secret_is_encrypted(text, strlen(text)));
    assert_int_equal(sign_secret_read(text, strlen(text), NULL, &back, NULL), 0);
    assert_memory_equal(&back, &mine, sizeof mine);

    assert_int_equal(sign_secret_write(&mine, "solder 183", text, NULL), 0);
    assert_true(sign_secret_is_encrypted(text, strlen(text)));
    assert_int_equal(sign_secret_read(text, strlen(text), "solder 183", &back, NULL), 0);
    assert_memory_equal(&back, &mine, sizeof mine);
    assert_int_equal(sign_secret_read(text, strlen(text), "solder 184", &back, &error), TL_LIMIT);
    assert_has(error.text, "not the key's passphrase");
    assert_int_equal(sign_secret_read(text, strlen(text), NULL, &back, &error), TL_LIMIT);
    assert_has(error.text, "needs its passphrase");
}

/* A letter of the last base64 group can be changed without changing the bytes: two spellings, one key. */
static void test_what_breaks_the_form_is_refused(void **state)
{
    (void)state;
    struct sign_secret mine = new_key(), secret;
    struct sign_signature signature;
    struct sign_public public;
    char text[SIGN_TEXT], all[2 * SIGN_TEXT];

    sign_public_write(&mine.public, text);
    for (size_t n = 0; n < strlen(text); n++)
        assert_int_equal(sign_public_read(text, n, &public, NULL), TL_BAD);
    assert_int_equal(sign_secret_write(&mine, NULL, text, NULL), 0);
    for (size_t n = 0; n + 1 < strlen(text); n++)
        assert_int_equal(sign_secret_read(text, n, NULL, &secret, NULL), TL_BAD);
    assert_int_equal(sign_bytes(&mine, "x", 1, "c", text, NULL), 0);
    for (size_t n = 0; n + 1 < strlen(text); n++)
        assert_int_equal(sign_signature_read(text, n, &signature, NULL), TL_BAD);

    snprintf(all, sizeof all, "%smore\n", text);
    assert_int_equal(sign_signature_read(all, strlen(all), &signature, NULL), TL_BAD);
    char *second = strchr(text, '\n') + 1, *end = strchr(second, '\n');
    assert_int_equal(end[-1], '=');
    end[-2]++; /* the low bits of this letter are no part of the bytes */
    assert_int_equal(sign_signature_read(text, strlen(text), &signature, NULL), TL_BAD);

    /* the kind of signature that is over the bytes themselves */
    assert_int_equal(sign_bytes(&mine, "x", 1, "c", text, NULL), 0);
    memcpy(strchr(text, '\n') + 1, "RWQ", 3);
    assert_int_equal(sign_signature_read(text, strlen(text), &signature, NULL), TL_BAD);

    assert_int_equal(sign_bytes(&mine, "x", 1, "two\nlines", text, NULL), TL_RANGE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_ed25519_behind_it_is_that_of_rfc_8032),
        cmocka_unit_test(test_hashes_are_those_of_the_standards),
        cmocka_unit_test(test_a_signature_holds_for_its_bytes_and_comment_alone),
        cmocka_unit_test(test_a_signature_has_one_form),
        cmocka_unit_test(test_a_weak_public_key_is_refused),
        cmocka_unit_test(test_keys_are_read_back_as_they_were_written),
        cmocka_unit_test(test_what_breaks_the_form_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
