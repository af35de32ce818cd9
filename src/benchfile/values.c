/* SPDX-License-Identifier: MIT */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "benchfile_private.h"

static int read_word(struct parse *p, struct entry *entry)
{
    const char *at = bench_keys[entry->key].value;
    for (int index = 0; *at; index++) {
        size_t length = strcspn(at, " ");
        if (strlen(entry->text) == length && !strncmp(at, entry->text, length)) {
            entry->number = index;
            return 0;
        }
        at += length;
        at += strspn(at, " |");
    }
    bool several = strchr(bench_keys[entry->key].value, '|');
    return entry_fail(p, entry, TL_UNKNOWN, "\"%.80s\" is not known; it is %s%s", entry->text,
                      several ? "one of: " : "", bench_keys[entry->key].value);
}

static int read_count(struct parse *p, struct entry *entry)
{
    const struct bench_key *key = &bench_keys[entry->key];
    size_t digits = strspn(entry->text, "0123456789");
    if (!digits || entry->text[digits] || digits > 7)
        return entry_fail(p, entry, TL_SYNTAX, "\"%.80s\" is not a whole number such as %s",
                          entry->text, key->example);
    int value = 0;
    for (const char *c = entry->text; *c; c++)
        value = value * 10 + (*c - '0');
    entry->number = value;
    if (value >= key->low && value <= key->high)
        return 0;
    return entry_fail(p, entry, TL_RANGE, "%d is outside %.0f to %.0f", value, key->low, key->high);
}

static int read_quantity(struct parse *p, struct entry *entry)
{
    const struct bench_key *key = &bench_keys[entry->key];
    struct tl_error inner;
    int code = quantity_parse(entry->text, key->unit, &entry->number, &inner);
    if (code < 0) {
        entry_fail(p, entry, inner.code, "%s", inner.text);
        tl_error_hint(p->error, "%s", inner.hint);
        return p->result;
    }
    char low[32], high[32];
    quantity_print(key->low, key->unit, low, sizeof low);
    quantity_print(key->high, key->unit, high, sizeof high);
    bool limit = entry->key >= KEYS_BEFORE_LIMITS;
    if (limit && entry->number > key->high)
        return entry_fail(p, entry, TL_LIMIT, "%.80s is above this build's ceiling of %s",
                          entry->text, high);
    if (entry->number >= key->low && entry->number <= key->high)
        return 0;
    return entry_fail(p, entry, TL_RANGE, "%.80s is outside what is possible, %s to %s",
                      entry->text, low, high);
}

static int read_text(struct parse *p, struct entry *entry)
{
    size_t length = strlen(entry->text);
    if (entry->text[0] == '"' && (length < 2 || entry->text[length - 1] != '"'))
        return entry_fail(p, entry, TL_SYNTAX,
                          "this text begins with a \" and does not end with one");
    if (length >= 2 && entry->text[0] == '"') {
        memmove(entry->text, entry->text + 1, length - 2);
        entry->text[length -= 2] = '\0';
    }
    if ((double)length < bench_keys[entry->key].low || (double)length > bench_keys[entry->key].high)
        return entry_fail(p, entry, TL_RANGE, "%zu bytes; a text of %.0f to %.0f is taken", length,
                          bench_keys[entry->key].low, bench_keys[entry->key].high);
    return 0;
}

static int read_path(struct parse *p, struct entry *entry)
{
    if (read_text(p, entry))
        return p->result;
    if (entry->text[0] == '/')
        return 0;
    return entry_fail(p, entry, TL_SYNTAX,
                      "a port is named from the root, such as /dev/serial/by-id/usb-...");
}

/* A word of *at: its length, *at behind the blanks that follow. */
static size_t next_word(const char **at, const char **word)
{
    *word = *at;
    size_t length = strcspn(*at, " \t");
    *at += length + strspn(*at + length, " \t");
    return length;
}

/* 0 to 65535, decimal or 0x; -1 if it is not. */
static int32_t register_number(const char *word, size_t length)
{
    bool hex = length > 2 && word[0] == '0' && word[1] == 'x';
    const char *digits = hex ? "0123456789abcdefABCDEF" : "0123456789";
    size_t from = hex ? 2 : 0;
    if (length == from || length - from > 5 || strspn(word + from, digits) < length - from)
        return -1;
    long value = strtol(word + from, NULL, hex ? 16 : 10); /* ends at the blank behind it */
    return value <= 65535 ? (int32_t)value : -1;
}

static bool same(const char *word, size_t length, const char *text)
{
    return strlen(text) == length && strncmp(word, text, length) == 0;
}

/* What stands behind the address: "tenths long", "is 0". */
static bool register_rest(struct entry *entry, const char *at)
{
    static const struct {
        const char *word;
        int32_t per_unit;
    } scales[] = {{"whole", 1}, {"tenths", 10}, {"hundredths", 100}};
    const char *word;
    size_t length = next_word(&at, &word);
    entry->at.per_unit = 1;
    if (same(word, length, "is")) {
        entry->is_check = true;
        length = next_word(&at, &word);
        entry->at.expected = register_number(word, length);
        return entry->at.expected >= 0 && *at == '\0';
    }
    for (size_t i = 0; i < sizeof scales / sizeof scales[0]; i++) {
        if (!same(word, length, scales[i].word))
            continue;
        entry->at.per_unit = scales[i].per_unit;
        length = next_word(&at, &word);
        break;
    }
    entry->at.is_long = same(word, length, "long");
    if (entry->at.is_long)
        length = next_word(&at, &word);
    return length == 0;
}

static int read_register(struct parse *p, struct entry *entry)
{
    const char *at = entry->text, *word;
    size_t length = next_word(&at, &word);
    bool holding = same(word, length, "holding"), input = same(word, length, "input");
    length = next_word(&at, &word);
    int32_t address = register_number(word, length);
    entry->at.used = true;
    entry->at.function = holding ? 3 : 4;
    entry->at.address = (uint16_t)address;
    if ((holding || input) && address >= 0 && register_rest(entry, at))
        return 0;
    return entry_fail(
        p, entry, TL_SYNTAX,
        "\"%.60s\" is no register: holding or input, its address 0 to 65535, then whole, tenths "
        "or hundredths, or is N for a check, such as %s",
        entry->text, bench_keys[entry->key].example);
}

int read_value(struct parse *p, struct entry *entry)
{
    switch (bench_keys[entry->key].form) {
    case KEY_TEXT:
        return read_text(p, entry);
    case KEY_PATH:
        return read_path(p, entry);
    case KEY_WORD:
        return read_word(p, entry);
    case KEY_COUNT:
        return read_count(p, entry);
    case KEY_QUANTITY:
        return read_quantity(p, entry);
    case KEY_REGISTER:
        return read_register(p, entry);
    }
    return TL_UNKNOWN;
}
