/* SPDX-License-Identifier: MIT */
#include "tinlatch/benchfile.h"

#include <ctype.h>
#include <ini.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "keys.h"
#include "tinlatch/utf8.h"

/* inih's buffer is 200 bytes and splits what is longer in silence; its names end at 50. */
enum { LINE_BYTES = 190, KEY_BYTES = 40, FILE_BYTES = 64 * 1024 };
enum { SECTIONS_MAX = 32, ENTRIES_MAX = 320, VALUE_BYTES = 192 };

enum section_kind {
    IN_BENCH,
    IN_PLATE,
    IN_SENSOR,
    IN_INSERT,
    IN_SUPPLY,
    IN_METER,
    IN_CUTOFF,
    IN_INPUTS,
    IN_READER,
    IN_FAN,
    IN_LIMITS,
    KINDS
};

static const char *const kind_names[KINDS] = {"bench",  "plate", "sensor",  "insert",
                                              "supply", "meter", "cut-off", "inputs",
                                              "reader", "fan",   "limits"};

/* For did-you-mean: sections as they are written. */
static const char *const section_words[] = {
    "bench", "plate",   "sensor plate", "sensor plate-2", "sensor board", "insert NAME", "supply",
    "meter", "cut-off", "inputs",       "reader NAME",    "fan",          "limits",      NULL};

struct section {
    enum section_kind kind;
    int role;              /* IN_SENSOR: enum sensor_id; IN_INSERT: counts up */
    char title[64];        /* "sensor plate-2" */
    char name[BENCH_NAME]; /* what follows the kind */
    int line;
};

struct entry {
    int section, line;
    enum key_id key;
    double number;             /* base unit, or the index of a word */
    struct device_register at; /* KEY_REGISTER */
    bool is_check;             /* ... with "is N" */
    char text[VALUE_BYTES];
};

struct parse {
    const char *file, *at, *end;
    int line;
    int result; /* the first error; reading stops there */
    struct tl_error *error;
    int section; /* being filled, -1 = before the first */
    int section_count, entry_count;
    struct section sections[SECTIONS_MAX];
    struct entry entries[ENTRIES_MAX];
    int device_section[BENCH_DEVICES],
        port_line[BENCH_DEVICES]; /* where each instrument is stated */
};

static int fail(struct parse *p, enum tl_err code, int line, const char *token, const char *format,
                ...) __attribute__((format(printf, 5, 6)));

static int fail(struct parse *p, enum tl_err code, int line, const char *token, const char *format,
                ...)
{
    char text[400];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    p->result = tl_error_set(p->error, code, "%s", text);
    tl_error_at(p->error, p->file, line);
    tl_error_token(p->error, token);
    return p->result;
}

/* --- lines, before inih sees them --------------------------------------------------------- */

static int check_bytes(struct parse *p, const char *line, size_t length)
{
    for (size_t i = 0; i < length;) {
        unsigned char byte = (unsigned char)line[i];
        size_t step = utf8_length(line + i, length - i);
        if (!step)
            return fail(p, TL_SYNTAX, p->line, "",
                        "byte 0x%02X at column %zu is not UTF-8; save the file as UTF-8 text", byte,
                        i + 1);
        if (!utf8_is_plain(line + i, step) && byte != '\t')
            return fail(p, TL_SYNTAX, p->line, "",
                        "control %s 0x%02X at column %zu; a bench file is plain text",
                        step == 1 ? "byte" : "character beginning with", byte, i + 1);
        i += step;
    }
    return 0;
}

static bool word_char(char c)
{
    return isalnum((unsigned char)c) || c == '_' || c == '-' || c == '.';
}

static int check_pair(struct parse *p, const char *line)
{
    size_t key = strcspn(line, "=");
    if (line[key] != '=')
        return fail(p, TL_SYNTAX, p->line, line, "\"%.60s\" is neither [section] nor key = value",
                    line);
    size_t plain = 0;
    while (word_char(line[plain]))
        plain++;
    size_t rest = plain + strspn(line + plain, " \t");
    if (plain == 0 || plain > KEY_BYTES || rest != key)
        return fail(p, TL_SYNTAX, p->line, "",
                    "\"%.*s\" is no key: letters, digits and _ before the =, %d at most", (int)key,
                    line, KEY_BYTES);
    for (const char *c = strchr(line, ';'); c; c = strchr(c + 1, ';'))
        if (c[-1] == ' ' || c[-1] == '\t')
            return fail(p, TL_SYNTAX, p->line, ";",
                        "a comment after a value; give it a line of its own, starting with ;");
    return 0;
}

static int section_open(struct parse *p, const char *line);

/* A line without its end, whatever follows it. NULL only at the end of the file. */
static const char *next_line(struct parse *p, size_t *length)
{
    if (p->at >= p->end)
        return NULL;
    const char *start = p->at;
    const char *stop = memchr(start, '\n', (size_t)(p->end - start));
    p->at = stop ? stop + 1 : p->end;
    *length = (size_t)((stop ? stop : p->end) - start);
    if (*length && start[*length - 1] == '\r')
        (*length)--;
    p->line++;
    return start;
}

static int check_line(struct parse *p, const char *line, size_t length)
{
    if (length > LINE_BYTES)
        return fail(p, TL_SYNTAX, p->line, "", "a line of %zu bytes; at most %d are read", length,
                    LINE_BYTES);
    return check_bytes(p, line, length);
}

static int take_line(struct parse *p, const char *line)
{
    size_t blanks = strspn(line, " \t");
    if (line[blanks] == '\0')
        return 0;
    if (blanks)
        return fail(p, TL_SYNTAX, p->line, line + blanks,
                    "an indented line; every line starts at the left edge");
    if (line[0] == ';' || line[0] == '#')
        return 0;
    return line[0] == '[' ? section_open(p, line) : check_pair(p, line);
}

/* inih's reader: one line per call, checked first; no line once something is wrong. */
static char *read_line(char *to, int size, void *context)
{
    struct parse *p = context;
    size_t length = 0;
    const char *line = p->result ? NULL : next_line(p, &length);
    if (!line || check_line(p, line, length) || length + 2 > (size_t)size)
        return NULL;
    memcpy(to, line, length);
    to[length] = '\0';
    return take_line(p, to) ? NULL : to;
}

/* --- sections ----------------------------------------------------------------------------- */

enum { READER_NAME = 24 }; /* "reader " before it is a device's name too */

static bool plain_name(const char *name)
{
    if (!name[0] || strlen(name) >= BENCH_NAME)
        return false;
    for (const char *c = name; *c; c++)
        if (!word_char(*c))
            return false;
    return true;
}

static enum section_kind kind_find(const char *title, const char **name)
{
    for (int i = 0; i < KINDS; i++) {
        size_t length = strlen(kind_names[i]);
        bool named = i == IN_SENSOR || i == IN_INSERT || i == IN_READER;
        if (strncmp(title, kind_names[i], length) || title[length] != (named ? ' ' : '\0'))
            continue;
        *name = title + length + (named ? 1 : 0);
        return (enum section_kind)i;
    }
    return KINDS;
}

static int sections_of(const struct parse *p, enum section_kind kind)
{
    int count = 0;
    for (int i = 0; i < p->section_count; i++)
        count += p->sections[i].kind == kind;
    return count;
}

static int unknown_section(struct parse *p, const char *title)
{
    const char *near = tl_nearest(title, section_words);
    if (near)
        return fail(p, TL_UNKNOWN, p->line, title,
                    "[%.60s] is no section of a bench file; did you mean [%s]?", title, near);
    return fail(p, TL_UNKNOWN, p->line, title,
                "[%.60s] is no section of a bench file; there are [bench] [plate] [sensor plate] "
                "[sensor plate-2] [sensor board] [insert NAME] [supply] [meter] [cut-off] [inputs] "
                "[reader NAME] [fan] [limits]",
                title);
}

static int section_role(struct parse *p, struct section *s)
{
    if (s->kind == IN_INSERT) {
        s->role = sections_of(p, IN_INSERT);
        if (!plain_name(s->name))
            return fail(p, TL_SYNTAX, p->line, s->name,
                        "[%s]: an insert's name is letters, digits, - and _, such as "
                        "[insert frame-60x40]",
                        s->title);
        if (s->role == BENCH_INSERTS)
            return fail(p, TL_FULL, p->line, s->title, "[%s]: a bench has at most %d inserts",
                        s->title, BENCH_INSERTS);
    }
    if (s->kind == IN_READER) {
        s->role = sections_of(p, IN_READER);
        if (!plain_name(s->name) || strlen(s->name) > READER_NAME)
            return fail(p, TL_SYNTAX, p->line, s->name,
                        "[%s]: a reader's name is letters, digits, - and _, %d at most, such as "
                        "[reader probe]",
                        s->title, READER_NAME);
    }
    if (s->kind == IN_SENSOR) {
        static const char *const roles[SENSORS] = {"plate", "plate-2", "board"};
        s->role = 0;
        while (s->role < SENSORS && strcmp(s->name, roles[s->role]))
            s->role++;
        if (s->role == SENSORS)
            return unknown_section(p, s->title);
    }
    return 0;
}

static int section_open(struct parse *p, const char *line)
{
    struct section s = {.line = p->line};
    size_t length = strcspn(line + 1, "]");
    if (line[1 + length] != ']')
        return fail(p, TL_SYNTAX, p->line, line, "the section's closing ] is missing");
    if (line[2 + length + strspn(line + 2 + length, " \t")])
        return fail(p, TL_SYNTAX, p->line, line + 2 + length,
                    "something follows the ]; a section has a line of its own");
    char title[LINE_BYTES + 1];
    snprintf(title, sizeof title, "%.*s", (int)length, line + 1);
    const char *name = "";
    s.kind = kind_find(title, &name);
    if (s.kind == KINDS || length >= sizeof s.title || strlen(name) >= sizeof s.name)
        return unknown_section(p, title);
    snprintf(s.title, sizeof s.title, "%.63s", title);
    snprintf(s.name, sizeof s.name, "%.31s", name);
    if (section_role(p, &s))
        return p->result;
    for (int i = 0; i < p->section_count; i++)
        if (!strcmp(p->sections[i].title, s.title))
            return fail(p, TL_SYNTAX, p->line, s.title, "[%s] stands at line %d already", s.title,
                        p->sections[i].line);
    if (p->section_count == SECTIONS_MAX)
        return fail(p, TL_FULL, p->line, s.title, "more than %d sections", SECTIONS_MAX);
    p->section = p->section_count++;
    p->sections[p->section] = s;
    return 0;
}

/* --- values ------------------------------------------------------------------------------- */

/* What went wrong with `entry`'s value: "[plate] power: ..." */
static int fail_value(struct parse *p, const struct entry *entry, enum tl_err code,
                      const char *text)
{
    return fail(p, code, entry->line, entry->text, "[%s] %s: %s", p->sections[entry->section].title,
                bench_keys[entry->key].key, text);
}

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
    char text[320];
    bool several = strchr(bench_keys[entry->key].value, '|');
    snprintf(text, sizeof text, "\"%.80s\" is not known; it is %s%s", entry->text,
             several ? "one of: " : "", bench_keys[entry->key].value);
    return fail_value(p, entry, TL_UNKNOWN, text);
}

static int read_count(struct parse *p, struct entry *entry)
{
    const struct bench_key *key = &bench_keys[entry->key];
    char text[200];
    size_t digits = strspn(entry->text, "0123456789");
    if (!digits || entry->text[digits] || digits > 7) {
        snprintf(text, sizeof text, "\"%.80s\" is not a whole number such as %s", entry->text,
                 key->example);
        return fail_value(p, entry, TL_SYNTAX, text);
    }
    int value = 0;
    for (const char *c = entry->text; *c; c++)
        value = value * 10 + (*c - '0');
    entry->number = value;
    if (value >= key->low && value <= key->high)
        return 0;
    snprintf(text, sizeof text, "%d is outside %.0f to %.0f", value, key->low, key->high);
    return fail_value(p, entry, TL_RANGE, text);
}

static int read_quantity(struct parse *p, struct entry *entry)
{
    const struct bench_key *key = &bench_keys[entry->key];
    struct tl_error inner;
    int code = quantity_parse(entry->text, key->unit, &entry->number, &inner);
    if (code < 0)
        return fail_value(p, entry, inner.code, inner.text);
    char text[200], low[32], high[32];
    quantity_print(key->low, key->unit, low, sizeof low);
    quantity_print(key->high, key->unit, high, sizeof high);
    bool limit = entry->key >= KEYS_BEFORE_LIMITS;
    if (limit && entry->number > key->high) {
        snprintf(text, sizeof text, "%.80s is above this build's ceiling of %s", entry->text, high);
        return fail_value(p, entry, TL_LIMIT, text);
    }
    if (entry->number >= key->low && entry->number <= key->high)
        return 0;
    snprintf(text, sizeof text, "%.80s is outside what is possible, %s to %s", entry->text, low,
             high);
    return fail_value(p, entry, TL_RANGE, text);
}

static int read_text(struct parse *p, struct entry *entry)
{
    char text[200];
    size_t length = strlen(entry->text);
    if (length >= 2 && entry->text[0] == '"' && entry->text[length - 1] == '"') {
        memmove(entry->text, entry->text + 1, length - 2);
        entry->text[length -= 2] = '\0';
    }
    if ((double)length < bench_keys[entry->key].low ||
        (double)length > bench_keys[entry->key].high) {
        snprintf(text, sizeof text, "%zu bytes; a text of %.0f to %.0f is taken", length,
                 bench_keys[entry->key].low, bench_keys[entry->key].high);
        return fail_value(p, entry, TL_RANGE, text);
    }
    return 0;
}

static int read_path(struct parse *p, struct entry *entry)
{
    if (read_text(p, entry))
        return p->result;
    if (entry->text[0] == '/')
        return 0;
    return fail_value(p, entry, TL_SYNTAX,
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
    char text[240];
    snprintf(
        text, sizeof text,
        "\"%.60s\" is no register: holding or input, its address 0 to 65535, then whole, tenths "
        "or hundredths, or is N for a check, such as %s",
        entry->text, bench_keys[entry->key].example);
    return fail_value(p, entry, TL_SYNTAX, text);
}

static int read_value(struct parse *p, struct entry *entry)
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

static enum key_id key_find(enum section_kind kind, const char *name)
{
    for (int i = 0; i < KEYS; i++)
        if (!strcmp(bench_keys[i].section, kind_names[kind]) && !strcmp(bench_keys[i].key, name))
            return (enum key_id)i;
    return KEYS;
}

static int unknown_key(struct parse *p, const struct section *s, const char *name)
{
    const char *names[KEYS + 1];
    char list[300] = "";
    int count = 0;
    for (int i = 0; i < KEYS; i++)
        if (!strcmp(bench_keys[i].section, kind_names[s->kind]))
            names[count++] = bench_keys[i].key;
    names[count] = NULL;
    const char *near = tl_nearest(name, names);
    if (near)
        return fail(p, TL_UNKNOWN, p->line, name, "[%s] has no key %s; did you mean %s?", s->title,
                    name, near);
    for (int i = 0; i < count; i++) {
        size_t used = strlen(list);
        snprintf(list + used, sizeof list - used, "%s%s", i ? ", " : "", names[i]);
    }
    return fail(p, TL_UNKNOWN, p->line, name, "[%s] has no key %s; its keys are %s", s->title, name,
                list);
}

static const struct entry *entry_find(const struct parse *p, int section, enum key_id key)
{
    for (int i = 0; i < p->entry_count; i++)
        if (p->entries[i].section == section && p->entries[i].key == key)
            return &p->entries[i];
    return NULL;
}

static int take_pair(struct parse *p, const char *name, const char *value)
{
    if (p->section < 0)
        return fail(p, TL_SYNTAX, p->line, name,
                    "%s stands before any section; a bench file begins with [bench]", name);
    const struct section *s = &p->sections[p->section];
    enum key_id key = key_find(s->kind, name);
    if (key == KEYS)
        return unknown_key(p, s, name);
    const struct entry *before = entry_find(p, p->section, key);
    if (before)
        return fail(p, TL_SYNTAX, p->line, name, "[%s] %s stands at line %d already", s->title,
                    name, before->line);
    if (!value[0])
        return fail(p, TL_MISSING, p->line, name, "[%s] %s has no value; for example: %s = %s",
                    s->title, name, name, bench_keys[key].example);
    if (p->entry_count == ENTRIES_MAX)
        return fail(p, TL_FULL, p->line, name, "more than %d keys", ENTRIES_MAX);
    struct entry *entry = &p->entries[p->entry_count++];
    *entry = (struct entry){.section = p->section, .line = p->line, .key = key};
    snprintf(entry->text, sizeof entry->text, "%s", value);
    return read_value(p, entry);
}

static int handle_pair(void *context, const char *section, const char *name, const char *value)
{
    struct parse *p = context;
    (void)section; /* ours is longer than inih's */
    return p->result || take_pair(p, name, value) ? 0 : 1;
}

/* --- from entries to the bench ------------------------------------------------------------ */

static int section_find(const struct parse *p, enum section_kind kind, int role)
{
    for (int i = 0; i < p->section_count; i++)
        if (p->sections[i].kind == kind && p->sections[i].role == role)
            return i;
    return -1;
}

static double number_of(const struct parse *p, int section, enum key_id key, double otherwise)
{
    const struct entry *entry = entry_find(p, section, key);
    return entry ? entry->number : otherwise;
}

static const char *text_of(const struct parse *p, int section, enum key_id key)
{
    const struct entry *entry = entry_find(p, section, key);
    return entry ? entry->text : "";
}

static int line_of(const struct parse *p, int section, enum key_id key)
{
    const struct entry *entry = entry_find(p, section, key);
    return entry ? entry->line : p->sections[section].line;
}

static int missing_key(struct parse *p, int section, enum key_id key)
{
    return fail(p, TL_MISSING, p->sections[section].line, p->sections[section].title,
                "[%s] %s is missing; for example: %s = %s", p->sections[section].title,
                bench_keys[key].key, bench_keys[key].key, bench_keys[key].example);
}

static int check_required(struct parse *p)
{
    for (int s = 0; s < p->section_count; s++)
        for (int k = 0; k < KEYS; k++)
            if (bench_keys[k].required &&
                !strcmp(bench_keys[k].section, kind_names[p->sections[s].kind]) &&
                !entry_find(p, s, (enum key_id)k))
                return missing_key(p, s, (enum key_id)k);
    return 0;
}

static int build_bench(struct parse *p, struct benchfile *out)
{
    int section = section_find(p, IN_BENCH, 0);
    if (section < 0)
        return fail(p, TL_MISSING, 0, "",
                    "[bench] is missing; a bench file begins with [bench] "
                    "and name = left bench");
    snprintf(out->name, sizeof out->name, "%s", text_of(p, section, BENCH_KEY_NAME));
    out->period_ms = (int32_t)lround(1000 * number_of(p, section, BENCH_KEY_PERIOD, 0.1));
    out->room_c = number_of(p, section, BENCH_KEY_ROOM, 22);
    out->presence_ms = (int32_t)lround(1000 * number_of(p, section, BENCH_KEY_PRESENCE, 600));
    for (int i = 0; i < BENCH_QUESTIONS; i++) {
        const struct entry *entry = entry_find(p, section, (enum key_id)(BENCH_KEY_QUESTION_1 + i));
        if (entry)
            snprintf(out->question[out->question_count++], BENCH_QUESTION, "%.127s", entry->text);
    }
    return 0;
}

static int check_baud(struct parse *p, int section, enum key_id key)
{
    static const int32_t rates[] = {1200,  2400,   4800,   9600,   19200, 38400,
                                    57600, 115200, 230400, 460800, 921600};
    const struct entry *entry = entry_find(p, section, key);
    if (!entry)
        return 0;
    for (size_t i = 0; i < sizeof rates / sizeof rates[0]; i++)
        if (entry->number == rates[i])
            return 0;
    char text[160];
    snprintf(text, sizeof text,
             "%.0f is no standard rate; 9600, 19200, 38400, 57600 and 115200 are the usual ones",
             entry->number);
    return fail_value(p, entry, TL_RANGE, text);
}

/* Does it send and receive bytes, or only use a port's control lines? */
static bool uses_bytes(enum device_kind kind)
{
    return kind != DEVICE_CONTACTOR && kind != DEVICE_INPUTS;
}

/* Why two instruments cannot hang on one port; NULL when they can. */
static const char *why_not_shared(const struct device_config *a, const struct device_config *b)
{
    if (a->kind == DEVICE_CONTACTOR && b->kind == DEVICE_CONTACTOR)
        return "one port carries one contactor: the other line stays set";
    if (!uses_bytes(a->kind) || !uses_bytes(b->kind))
        return NULL;
    if (a->kind != DEVICE_CONTROLLER || b->kind != DEVICE_CONTROLLER)
        return "only Modbus units, and contacts and contactors on its control lines, share a port";
    if (a->controller.unit == b->controller.unit)
        return "two Modbus units with the same address";
    return NULL;
}

static int32_t find_port(struct benchfile *out, const char *path)
{
    for (int32_t i = 0; i < out->port_count; i++)
        if (!strcmp(out->port[i].path, path))
            return i;
    snprintf(out->port[out->port_count].path, sizeof out->port[0].path, "%.127s", path);
    out->port[out->port_count].parity = 'N';
    return out->port_count++; /* no more ports than instruments */
}

/* Against those that were stated before it; `at` may still be the next free place. */
static int check_company(struct parse *p, const struct benchfile *out, int32_t at)
{
    const struct device_config *mine = &out->device[at];
    for (int32_t i = 0; i < out->device_count && i != at; i++) {
        const char *why = out->device[i].port == mine->port && mine->port >= 0
                              ? why_not_shared(&out->device[i], mine)
                              : NULL;
        if (why)
            return fail(p, TL_SYNTAX, p->port_line[at], out->port[mine->port].path,
                        "[%s] port: [%s] hangs on that port already; %s", mine->name,
                        out->device[i].name, why);
    }
    return 0;
}

struct port_keys {
    enum key_id port, baud, parity; /* KEYS: it has no such key */
    int32_t assumed_baud;
};

static int set_speed(struct parse *p, struct bench_port *port, int section,
                     const struct port_keys *keys)
{
    static const char parities[] = {'N', 'E', 'O'}; /* "none | even | odd" */
    if (keys->baud == KEYS)
        return 0;
    if (check_baud(p, section, keys->baud))
        return p->result;
    int32_t baud = (int32_t)number_of(p, section, keys->baud, keys->assumed_baud);
    char parity =
        keys->parity == KEYS ? 'N' : parities[(int)number_of(p, section, keys->parity, 0)];
    if (port->baud && (port->baud != baud || port->parity != parity))
        return fail(p, TL_SYNTAX, line_of(p, section, keys->baud), port->path,
                    "[%s]: another unit on that port has another baud or parity",
                    p->sections[section].title);
    port->baud = baud;
    port->parity = parity;
    return 0;
}

/* One more instrument: its place in device[], -1 when it cannot be. */
static int32_t add_device(struct parse *p, struct benchfile *out, int section,
                          enum device_kind kind, const struct port_keys *keys)
{
    const struct section *s = &p->sections[section];
    if (out->device_count == BENCH_DEVICES) {
        fail(p, TL_FULL, s->line, s->title, "[%s]: a bench has at most %d instruments", s->title,
             BENCH_DEVICES);
        return -1;
    }
    struct device_config *device = &out->device[out->device_count];
    device->kind = kind;
    device->port = -1;
    snprintf(device->name, sizeof device->name, "%.31s", s->title);
    p->device_section[out->device_count] = section;
    if (keys) {
        if (!entry_find(p, section, keys->port)) {
            missing_key(p, section, keys->port);
            return -1;
        }
        p->port_line[out->device_count] = line_of(p, section, keys->port);
        device->port = find_port(out, text_of(p, section, keys->port));
        if (check_company(p, out, out->device_count) ||
            set_speed(p, &out->port[device->port], section, keys))
            return -1;
    }
    return out->device_count++;
}

static void set_identity(struct parse *p, struct device_config *device, int section,
                         enum key_id key)
{
    snprintf(device->identity, sizeof device->identity, "%.63s", text_of(p, section, key));
}

/* Keys that only one driver has: stated with another they would be read by nobody. */
struct driver_key {
    enum key_id key;
    const char *driver;
    bool needed;
};

static const struct driver_key plate_driver_keys[] = {
    {PLATE_IDENTITY, "line", false},         {PLATE_DRIVE, "line", true},
    {PLATE_PARITY, "modbus", false},         {PLATE_UNIT, "modbus", true},
    {PLATE_READING, "modbus", true},         {PLATE_SET_POINT, "modbus", true},
    {PLATE_SET_POINT_BACK, "modbus", false}, {PLATE_WRITE_WITH, "modbus", false},
    {PLATE_WORD_ORDER, "modbus", false},     {PLATE_BYTE_ORDER, "modbus", false},
    {PLATE_DEGREES, "modbus", false},        {PLATE_OFF_AT, "modbus", false},
    {PLATE_WRITE_EVERY, "modbus", false},    {PLATE_RUN, "modbus", false},
    {PLATE_RUN_ON, "modbus", false},         {PLATE_RUN_OFF, "modbus", false},
    {PLATE_OUTPUT, "modbus", false},         {PLATE_READING_OPEN, "modbus", false},
    {PLATE_SILENCE_CHECK, "modbus", false},  {PLATE_UNIT_CHECK, "modbus", false},
    {PLATE_MODE_CHECK, "modbus", false},     {PLATE_MAXIMUM_CHECK, "modbus", false},
    {PLATE_IDENTITY_CHECK, "modbus", false}, {PLATE_LINE, "contactor", true},
    {PLATE_CLOSED_WHEN, "contactor", false}, {PLATE_WINDOW, "contactor", false},
    {PLATE_MIN_ON, "contactor", false},      {KEYS, NULL, false},
};

static const struct driver_key reader_driver_keys[] = {
    {READER_PATTERN_KEY, "text", true},       {READER_GIVES, "text", false},
    {READER_OPEN_KEY, "text", false},         {READER_ASK, "text", false},
    {READER_ASK_IDENTITY, "text", false},     {READER_IDENTITY, "text", false},
    {READER_PARITY, "modbus", false},         {READER_UNIT, "modbus", true},
    {READER_READING, "modbus", true},         {READER_READING_OPEN, "modbus", false},
    {READER_WORD_ORDER, "modbus", false},     {READER_BYTE_ORDER, "modbus", false},
    {READER_DEGREES, "modbus", false},        {READER_UNIT_CHECK, "modbus", false},
    {READER_IDENTITY_CHECK, "modbus", false}, {KEYS, NULL, false},
};

static int check_driver_keys(struct parse *p, int section, const char *driver,
                             const struct driver_key *keys)
{
    for (; keys->driver; keys++) {
        const struct entry *entry = entry_find(p, section, keys->key);
        bool mine = !strcmp(keys->driver, driver);
        if (mine && keys->needed && !entry)
            return missing_key(p, section, keys->key);
        if (mine || !entry)
            continue;
        char text[120];
        snprintf(text, sizeof text, "this key is for driver = %s; the driver here is %s",
                 keys->driver, driver);
        return fail_value(p, entry, TL_SYNTAX, text);
    }
    return 0;
}

/* --- a Modbus unit ------------------------------------------------------------------------ */

struct register_key {
    enum controller_register which;
    enum key_id key;
    bool is_check;
};

static const struct register_key plate_registers[] = {
    {REGISTER_READING, PLATE_READING, false},
    {REGISTER_SET_POINT, PLATE_SET_POINT, false},
    {REGISTER_SET_POINT_BACK, PLATE_SET_POINT_BACK, false},
    {REGISTER_RUN, PLATE_RUN, false},
    {REGISTER_OUTPUT, PLATE_OUTPUT, false},
    {REGISTER_SILENCE, PLATE_SILENCE_CHECK, false},
    {REGISTER_UNIT, PLATE_UNIT_CHECK, true},
    {REGISTER_MODE, PLATE_MODE_CHECK, true},
    {REGISTER_MAXIMUM, PLATE_MAXIMUM_CHECK, true},
    {REGISTER_IDENTITY, PLATE_IDENTITY_CHECK, true},
    {CONTROLLER_REGISTERS, KEYS, false},
};

static const struct register_key reader_registers[] = {
    {REGISTER_READING, READER_READING, false},
    {REGISTER_UNIT, READER_UNIT_CHECK, true},
    {REGISTER_IDENTITY, READER_IDENTITY_CHECK, true},
    {CONTROLLER_REGISTERS, KEYS, false},
};

static int build_registers(struct parse *p, struct controller_config *out, int section,
                           const struct register_key *keys)
{
    for (; keys->key != KEYS; keys++) {
        const struct entry *entry = entry_find(p, section, keys->key);
        if (!entry)
            continue;
        if (keys->is_check && !entry->is_check)
            return fail_value(p, entry, TL_SYNTAX,
                              "a check says what the register must read, such as holding 18 is 0");
        if (!keys->is_check && entry->is_check)
            return fail_value(p, entry, TL_SYNTAX, "\"is\" belongs to a check; name its scale");
        out->map[keys->which] = entry->at;
    }
    return 0;
}

/* What is written must be a holding register, and its read-back must count as it does. */
static int check_written(struct parse *p, const struct controller_config *out, int section)
{
    const struct device_register *set = &out->map[REGISTER_SET_POINT];
    const struct device_register *back = &out->map[REGISTER_SET_POINT_BACK];
    const struct device_register *run = &out->map[REGISTER_RUN];
    if (set->function != 3)
        return fail_value(p, entry_find(p, section, PLATE_SET_POINT), TL_SYNTAX,
                          "an input register cannot be written; it is a holding register");
    if (back->used && (back->per_unit != set->per_unit || back->is_long != set->is_long))
        return fail_value(
            p, entry_find(p, section, PLATE_SET_POINT_BACK), TL_SYNTAX,
            "it is scaled otherwise than set_point; the two are compared count for count");
    if (run->used && (run->function != 3 || run->per_unit != 1 || run->is_long))
        return fail_value(p, entry_find(p, section, PLATE_RUN), TL_SYNTAX,
                          "run is one holding register without a scale");
    if (run->used && out->run_on == out->run_off)
        return fail_value(p, entry_find(p, section, PLATE_RUN), TL_SYNTAX,
                          "run_on and run_off are the same number");
    for (enum key_id key = PLATE_RUN_ON; !run->used && key <= PLATE_RUN_OFF; key++)
        if (entry_find(p, section, key))
            return missing_key(p, section, PLATE_RUN);
    return 0;
}

static int build_controller(struct parse *p, struct device_config *device, int section)
{
    struct controller_config *out = &device->controller;
    device->regulates = true;
    out->unit = (uint8_t)number_of(p, section, PLATE_UNIT, 0);
    out->write_function = number_of(p, section, PLATE_WRITE_WITH, 0) > 0 ? 16 : 6; /* "6 | 16" */
    out->low_word_first = number_of(p, section, PLATE_WORD_ORDER, 0) > 0;
    out->low_byte_first = number_of(p, section, PLATE_BYTE_ORDER, 0) > 0;
    out->fahrenheit = number_of(p, section, PLATE_DEGREES, 0) > 0;
    out->off_mc = (int32_t)lround(1000 * number_of(p, section, PLATE_OFF_AT, 0));
    out->write_every_ms = (int32_t)lround(1000 * number_of(p, section, PLATE_WRITE_EVERY, 1));
    out->run_on = (int32_t)number_of(p, section, PLATE_RUN_ON, 1);
    out->run_off = (int32_t)number_of(p, section, PLATE_RUN_OFF, 0);
    out->has_open = entry_find(p, section, PLATE_READING_OPEN) != NULL;
    out->open_count = (int32_t)number_of(p, section, PLATE_READING_OPEN, 0);
    if (build_registers(p, out, section, plate_registers))
        return p->result;
    if (entry_find(p, section, PLATE_SILENCE) && !out->map[REGISTER_SILENCE].used)
        return missing_key(p, section, PLATE_SILENCE_CHECK);
    device->owner_vouches = !out->map[REGISTER_IDENTITY].used;
    return check_written(p, out, section);
}

static int build_module(struct parse *p, struct device_config *device, int section)
{
    struct controller_config *out = &device->controller;
    out->unit = (uint8_t)number_of(p, section, READER_UNIT, 0);
    out->low_word_first = number_of(p, section, READER_WORD_ORDER, 0) > 0;
    out->low_byte_first = number_of(p, section, READER_BYTE_ORDER, 0) > 0;
    out->fahrenheit = number_of(p, section, READER_DEGREES, 0) > 0;
    out->has_open = entry_find(p, section, READER_READING_OPEN) != NULL;
    out->open_count = (int32_t)number_of(p, section, READER_READING_OPEN, 0);
    if (build_registers(p, out, section, reader_registers))
        return p->result;
    device->owner_vouches = !out->map[REGISTER_IDENTITY].used;
    return 0;
}

/* A register that ends below the plate's limit would wrap round there and read cold. */
static int check_span(struct parse *p, const struct benchfile *out, int32_t device, enum key_id key,
                      enum controller_register which)
{
    const struct controller_config *c = &out->device[device].controller;
    double limit_c = out->limits.plate_mc > 0 ? out->limits.plate_mc / 1000.0
                                              : bench_keys[KEYS_BEFORE_LIMITS].high;
    double top = (c->fahrenheit ? limit_c * 1.8 + 32 : limit_c) * c->map[which].per_unit;
    if (c->map[which].is_long || top <= INT16_MAX)
        return 0;
    char text[200];
    snprintf(
        text, sizeof text,
        "one register counts to 32767, and the plate's limit of %.0f C is %.0f in it; use another "
        "scale, long, or a lower limit",
        limit_c, top);
    return fail_value(p, entry_find(p, p->device_section[device], key), TL_RANGE, text);
}

/* --- instruments -------------------------------------------------------------------------- */

static int check_closed_when(struct parse *p, int section, enum key_id key)
{
    const struct entry *entry = entry_find(p, section, key);
    if (!entry || entry->number == 0) /* "high | low" */
        return 0;
    return fail_value(
        p, entry, TL_SYNTAX,
        "a relay that is closed while the line is dropped would heat when the program or "
        "the computer dies; wire it so that the set line closes it (the pin of a logic-"
        "level adapter is low while its line is set: that is high here)");
}

static int build_contactor(struct parse *p, struct device_config *device, int section)
{
    device->contactor.on_dtr = number_of(p, section, PLATE_LINE, 0) > 0; /* "RTS | DTR" */
    device->contactor.window_ms = (int32_t)lround(1000 * number_of(p, section, PLATE_WINDOW, 2));
    device->contactor.min_on_ms = (int32_t)lround(1000 * number_of(p, section, PLATE_MIN_ON, 0.1));
    device->owner_vouches = true;
    if (device->contactor.min_on_ms * 2 > device->contactor.window_ms)
        return fail_value(
            p,
            entry_find(p, section,
                       entry_find(p, section, PLATE_MIN_ON) ? PLATE_MIN_ON : PLATE_WINDOW),
            TL_RANGE, "min_on is more than half of window");
    return check_closed_when(p, section, PLATE_CLOSED_WHEN);
}

static int build_plate_driver(struct parse *p, struct device_config *device, int section)
{
    switch (device->kind) {
    case DEVICE_LINE:
        set_identity(p, device, section, PLATE_IDENTITY);
        device->regulates = number_of(p, section, PLATE_DRIVE, 0) > 0; /* "duty | set-point" */
        return 0;
    case DEVICE_CONTROLLER:
        return build_controller(p, device, section);
    case DEVICE_CONTACTOR:
        return build_contactor(p, device, section);
    case DEVICE_NONE:
    case DEVICE_SCPI_SUPPLY:
    case DEVICE_SCPI_METER:
    case DEVICE_READER:
    case DEVICE_BY_HAND:
    case DEVICE_INPUTS:
    case DEVICE_KINDS:
        break;
    }
    return 0;
}

static int check_pair_of(struct parse *p, int section, enum key_id one, enum key_id other)
{
    if (!entry_find(p, section, one) == !entry_find(p, section, other))
        return 0;
    return missing_key(p, section, entry_find(p, section, one) ? other : one);
}

/* What only some drivers have: a silence timer, a port. */
static int check_spared(struct parse *p, int section, const char *driver, enum key_id key)
{
    const struct entry *entry = entry_find(p, section, key);
    char text[120];
    if (!entry)
        return 0;
    snprintf(text, sizeof text, "a plate with driver = %s has none", driver);
    return fail_value(p, entry, TL_SYNTAX, text);
}

static int build_plate(struct parse *p, struct benchfile *out)
{
    static const struct {
        const char *driver;
        enum device_kind kind;
        int32_t baud;
        bool has_baud, has_silence;
    } drivers[] = {
        {"line", DEVICE_LINE, 115200, true, true},
        {"modbus", DEVICE_CONTROLLER, 9600, true, true},
        {"contactor", DEVICE_CONTACTOR, 0, false, false},
        {"by-hand", DEVICE_BY_HAND, 0, false, false}}; /* in the order of the key's words */
    int section = section_find(p, IN_PLATE, 0);
    if (section < 0)
        return 0;
    int driver = (int)number_of(p, section, PLATE_DRIVER, 0);
    const char *name = drivers[driver].driver;
    bool by_hand = drivers[driver].kind == DEVICE_BY_HAND;
    if (check_driver_keys(p, section, name, plate_driver_keys) ||
        (by_hand && check_spared(p, section, name, PLATE_PORT)) ||
        (!drivers[driver].has_baud && check_spared(p, section, name, PLATE_BAUD)) ||
        (!drivers[driver].has_silence && check_spared(p, section, name, PLATE_SILENCE)))
        return p->result;
    struct port_keys keys = {.port = PLATE_PORT,
                             .baud = drivers[driver].has_baud ? PLATE_BAUD : KEYS,
                             .parity = PLATE_PARITY,
                             .assumed_baud = drivers[driver].baud};
    int32_t at = add_device(p, out, section, drivers[driver].kind, by_hand ? NULL : &keys);
    if (at < 0 || build_plate_driver(p, &out->device[at], section))
        return p->result;
    out->plate_device = at;
    if (drivers[driver].has_silence)
        out->device[at].silence_ms =
            (int32_t)lround(1000 * number_of(p, section, PLATE_SILENCE, 2));
    struct plate *plate = &out->plate;
    plate->watts = number_of(p, section, PLATE_POWER, 0);
    plate->capacity_j_k = number_of(p, section, PLATE_CAPACITY, 0);
    plate->loss_w_k = number_of(p, section, PLATE_LOSS, 0);
    plate->element_lag_s = number_of(p, section, PLATE_ELEMENT_LAG, 0);
    plate->fan_loss_w_k = number_of(p, section, PLATE_FAN_LOSS, 0);
    plate->length_mm = number_of(p, section, PLATE_LENGTH, 0);
    plate->width_mm = number_of(p, section, PLATE_WIDTH, 0);
    plate->emissivity_area = number_of(p, section, PLATE_EMISSIVITY, 80) / 100 * plate->length_mm *
                             plate->width_mm * 1e-6;
    plate->seat_pulse_s = number_of(p, section, PLATE_SEAT_PULSE, 0);
    plate->seat_rise_c = number_of(p, section, PLATE_SEAT_RISE, 0);
    snprintf(out->learned, sizeof out->learned, "%.31s", text_of(p, section, PLATE_LEARNED));
    return check_pair_of(p, section, PLATE_SEAT_PULSE, PLATE_SEAT_RISE);
}

/* A command of ours goes out as it stands: visible ASCII, and %s once where a number belongs. */
static int check_command(struct parse *p, const struct entry *entry, bool takes_number)
{
    for (const char *c = entry->text; *c; c++)
        if ((unsigned char)*c < 0x20 || (unsigned char)*c > 0x7E)
            return fail_value(p, entry, TL_SYNTAX, "a command is visible ASCII");
    int marks = 0;
    for (const char *c = entry->text; *c; c++)
        marks += *c == '%';
    bool has = strstr(entry->text, "%s") != NULL;
    if (takes_number && (marks != 1 || !has))
        return fail_value(p, entry, TL_SYNTAX,
                          "the command needs %s once, where the number goes, and no other %");
    if (!takes_number && marks)
        return fail_value(p, entry, TL_SYNTAX, "this command takes no number, so no %");
    return 0;
}

struct command_key {
    enum scpi_text text;
    enum key_id key;
    bool takes_number;
};

/* Commands of its own, and whether it says its name or its owner does. */
static int build_scpi(struct parse *p, struct device_config *device, int section,
                      const struct command_key *keys, enum key_id identity, enum key_id by)
{
    const struct entry *ask =
        entry_find(p, section, keys[0].key); /* the identity question is first */
    const struct entry *name = entry_find(p, section, identity);
    device->owner_vouches = number_of(p, section, by, 0) > 0; /* "answer | owner" */
    set_identity(p, device, section, identity);
    if (device->owner_vouches && (name || ask))
        return fail_value(p, name ? name : ask, TL_SYNTAX,
                          "with identity_by = owner it is not asked for its name; leave this out");
    for (; keys->key != KEYS; keys++) {
        const struct entry *entry = entry_find(p, section, keys->key);
        if (!entry)
            continue;
        if (check_command(p, entry, keys->takes_number))
            return p->result;
        snprintf(device->scpi[keys->text], sizeof device->scpi[0], "%.63s", entry->text);
    }
    return 0;
}

static int build_supply(struct parse *p, struct benchfile *out)
{
    static const struct command_key commands[] = {
        {SCPI_IDENTITY, SUPPLY_ASK_IDENTITY, false}, {SCPI_SET_VOLTS, SUPPLY_SET_VOLTS, true},
        {SCPI_SET_AMPS, SUPPLY_SET_AMPS, true},      {SCPI_GET_VOLTS, SUPPLY_GET_VOLTS, false},
        {SCPI_GET_AMPS, SUPPLY_GET_AMPS, false},     {SCPI_READ_VOLTS, SUPPLY_READ_VOLTS, false},
        {SCPI_READ_AMPS, SUPPLY_READ_AMPS, false},   {SCPI_ON, SUPPLY_SWITCH_ON, false},
        {SCPI_OFF, SUPPLY_SWITCH_OFF, false},        {SCPI_STATE, SUPPLY_GET_STATE, false},
        {SCPI_ERROR, SUPPLY_GET_ERROR, false},       {SCPI_TEXTS, KEYS, false}};
    static const struct port_keys keys = {SUPPLY_PORT, SUPPLY_BAUD, KEYS, 9600};
    int section = section_find(p, IN_SUPPLY, 0);
    if (section < 0)
        return 0;
    out->supply_device = add_device(p, out, section, DEVICE_SCPI_SUPPLY, &keys);
    if (out->supply_device < 0)
        return p->result;
    return build_scpi(p, &out->device[out->supply_device], section, commands, SUPPLY_IDENTITY,
                      SUPPLY_IDENTITY_BY);
}

static int build_meter(struct parse *p, struct benchfile *out)
{
    static const struct command_key commands[] = {{SCPI_IDENTITY, METER_ASK_IDENTITY, false},
                                                  {SCPI_METER_OHMS, METER_READ_OHMS, false},
                                                  {SCPI_METER_DIODE, METER_READ_DIODE, false},
                                                  {SCPI_METER_VOLTS, METER_READ_VOLTS, false},
                                                  {SCPI_TEXTS, KEYS, false}};
    static const struct port_keys keys = {METER_PORT, METER_BAUD, KEYS, 9600};
    int section = section_find(p, IN_METER, 0);
    if (section < 0)
        return 0;
    out->meter_device = add_device(p, out, section, DEVICE_SCPI_METER, &keys);
    if (out->meter_device < 0)
        return p->result;
    return build_scpi(p, &out->device[out->meter_device], section, commands, METER_IDENTITY,
                      METER_IDENTITY_BY);
}

static int build_cutoff(struct parse *p, struct benchfile *out)
{
    static const struct port_keys keys = {CUTOFF_PORT, KEYS, KEYS, 0};
    int section = section_find(p, IN_CUTOFF, 0);
    if (section < 0)
        return 0;
    if (out->plate_device < 0)
        return fail(p, TL_MISSING, p->sections[section].line, "cut-off",
                    "[cut-off] is in the mains of a plate, and there is no [plate]");
    out->cutoff_device = add_device(p, out, section, DEVICE_CONTACTOR, &keys);
    if (out->cutoff_device < 0)
        return p->result;
    struct device_config *device = &out->device[out->cutoff_device];
    device->owner_vouches = true;
    device->contactor.is_cutoff = true;
    device->contactor.on_dtr = number_of(p, section, CUTOFF_LINE, 0) > 0;
    return check_closed_when(p, section, CUTOFF_CLOSED_WHEN);
}

static enum contact contact_of(const struct parse *p, int section, enum key_id key)
{
    const struct entry *entry = entry_find(p, section, key);
    return entry ? (enum contact)(CONTACT_CTS + (int)entry->number) : CONTACT_NONE;
}

static int build_inputs(struct parse *p, struct benchfile *out)
{
    static const struct port_keys keys = {INPUTS_PORT, KEYS, KEYS, 0};
    int section = section_find(p, IN_INPUTS, 0);
    if (section < 0)
        return 0;
    out->inputs_device = add_device(p, out, section, DEVICE_INPUTS, &keys);
    if (out->inputs_device < 0)
        return p->result;
    struct device_config *device = &out->device[out->inputs_device];
    device->owner_vouches = true;
    device->inputs.stop = contact_of(p, section, INPUTS_STOP);
    device->inputs.answer = contact_of(p, section, INPUTS_ANSWER);
    if (device->inputs.stop == CONTACT_NONE && device->inputs.answer == CONTACT_NONE)
        return missing_key(p, section, INPUTS_STOP);
    if (device->inputs.stop == device->inputs.answer)
        return fail_value(p, entry_find(p, section, INPUTS_ANSWER), TL_SYNTAX,
                          "stop hangs on that line already");
    return 0;
}

static int check_pattern(struct parse *p, const struct entry *entry, bool gives_mv)
{
    uint32_t numbers;
    const char *why;
    char text[160];
    if (reader_check_pattern(entry->text, &numbers, &why) < 0) {
        snprintf(text, sizeof text, "%s", why);
        return fail_value(p, entry, TL_SYNTAX, text);
    }
    bool has_cold = (numbers & 1U << DEVICE_CHANNELS) != 0;
    if (gives_mv && !has_cold)
        return fail_value(
            p, entry, TL_SYNTAX,
            "millivolts mean nothing without the terminals' temperature: {cj} is missing");
    if (!gives_mv && has_cold)
        return fail_value(p, entry, TL_SYNTAX,
                          "{cj} belongs to gives = mV; skip that field with {*}");
    return 0;
}

static int build_text_reader(struct parse *p, struct device_config *device, int section)
{
    struct reader_config *out = &device->reader;
    int gives = (int)number_of(p, section, READER_GIVES, 0); /* "C | F | mV" */
    const struct entry *pattern = entry_find(p, section, READER_PATTERN_KEY);
    out->fahrenheit = gives == 1;
    out->gives_uv = gives == 2;
    snprintf(out->pattern, sizeof out->pattern, "%.127s", pattern->text);
    snprintf(out->open, sizeof out->open, "%.15s", text_of(p, section, READER_OPEN_KEY));
    snprintf(out->ask, sizeof out->ask, "%.63s", text_of(p, section, READER_ASK));
    snprintf(out->ask_identity, sizeof out->ask_identity, "%.63s",
             text_of(p, section, READER_ASK_IDENTITY));
    set_identity(p, device, section, READER_IDENTITY);
    device->owner_vouches = !out->ask_identity[0];
    for (enum key_id key = READER_ASK; key <= READER_ASK_IDENTITY; key++)
        if (entry_find(p, section, key) && check_command(p, entry_find(p, section, key), false))
            return p->result;
    if (check_pair_of(p, section, READER_IDENTITY, READER_ASK_IDENTITY))
        return p->result;
    return check_pattern(p, pattern, out->gives_uv);
}

static int build_readers(struct parse *p, struct benchfile *out)
{
    for (int section = 0; section < p->section_count; section++) {
        if (p->sections[section].kind != IN_READER)
            continue;
        bool modbus = number_of(p, section, READER_DRIVER, 0) > 0; /* "text | modbus" */
        struct port_keys keys = {READER_PORT, READER_BAUD, READER_PARITY, 9600};
        if (check_driver_keys(p, section, modbus ? "modbus" : "text", reader_driver_keys))
            return p->result;
        int32_t at = add_device(p, out, section, modbus ? DEVICE_CONTROLLER : DEVICE_READER, &keys);
        if (at < 0 || (modbus ? build_module(p, &out->device[at], section)
                              : build_text_reader(p, &out->device[at], section)))
            return p->result;
    }
    return 0;
}

static bool is_alone(const struct benchfile *out, int32_t at)
{
    for (int32_t i = 0; i < out->device_count; i++)
        if (i != at && out->device[i].port == out->device[at].port)
            return false;
    return true;
}

/* Who shares a port with whom; contacts that are alone on theirs are fed from its lines. */
static int check_sharing(struct parse *p, struct benchfile *out)
{
    for (int32_t i = 0; i < out->device_count; i++) {
        if (check_company(p, out, i))
            return p->result;
        out->device[i].inputs.feeds = out->device[i].kind == DEVICE_INPUTS && is_alone(out, i);
    }
    for (int32_t i = 0; i < out->port_count; i++)
        if (out->port[i].baud == 0)
            out->port[i].baud = 9600; /* control lines alone: any rate will do */
    return 0;
}

/* --- sensors, inserts, fan, limits -------------------------------------------------------- */

/* The instrument that `key` names. */
static int32_t find_instrument(struct parse *p, const struct benchfile *out, int section,
                               enum key_id key)
{
    const struct entry *entry = entry_find(p, section, key);
    char text[200];
    for (int32_t i = 0; i < out->device_count; i++)
        if (!strcmp(out->device[i].name, entry->text))
            return i;
    snprintf(text, sizeof text, "there is no [%.60s] in this file", entry->text);
    fail_value(p, entry, TL_UNKNOWN, text);
    return -1;
}

/* Has the bound instrument that input, and does it give that? */
static int check_bound(struct parse *p, const struct benchfile *out, int section,
                       const struct sensor_binding *bound)
{
    const struct device_config *device = &out->device[bound->device];
    const struct entry *input = entry_find(p, section, SENSOR_INPUT);
    const struct entry *gives = entry_find(p, section, SENSOR_GIVES);
    uint32_t numbers = 1;
    const char *why;
    if (device->kind == DEVICE_LINE)
        return 0; /* which inputs it has, its answers say */
    if (device->kind != DEVICE_CONTROLLER && device->kind != DEVICE_READER)
        return fail_value(p, entry_find(p, section, SENSOR_INSTRUMENT), TL_UNKNOWN,
                          "that instrument has no sensor inputs; a [reader NAME] has");
    if (device->kind == DEVICE_READER)
        reader_check_pattern(device->reader.pattern, &numbers, &why);
    if (!(numbers & 1U << bound->channel))
        return fail_value(p, input, TL_RANGE,
                          device->kind == DEVICE_READER
                              ? "that number is not in the reader's pattern"
                              : "a Modbus unit has one input: 1");
    bool gives_mv = device->kind == DEVICE_READER && device->reader.gives_uv;
    if (gives_mv != bound->is_mv)
        return fail_value(p, gives, TL_SYNTAX,
                          gives_mv ? "the reader gives mV" : "the instrument gives degrees: C");
    return 0;
}

static int check_input_free(struct parse *p, const struct benchfile *out, int section,
                            const struct sensor_binding *mine)
{
    static const char *const roles[SENSORS] = {"plate", "plate-2", "board"};
    for (int i = 0; i < SENSORS; i++) {
        const struct sensor_binding *other = &out->sensor[i];
        if (!other->present || other->device != mine->device || other->channel != mine->channel)
            continue;
        char text[100];
        snprintf(text, sizeof text, "[sensor %s] uses input %d already", roles[i],
                 mine->channel + 1);
        return fail_value(p, entry_find(p, section, SENSOR_INPUT), TL_SYNTAX, text);
    }
    return 0;
}

static int build_sensor(struct parse *p, struct benchfile *out, int section)
{
    struct sensor_binding bound = {.present = true};
    bound.device = find_instrument(p, out, section, SENSOR_INSTRUMENT);
    if (bound.device < 0)
        return p->result;
    bound.channel = (int32_t)number_of(p, section, SENSOR_INPUT, 1) - 1;
    bound.is_mv = number_of(p, section, SENSOR_GIVES, 0) > 0; /* "C | mV" */
    bound.lag_s = number_of(p, section, SENSOR_LAG, 1.5);
    const struct entry *type = entry_find(p, section, SENSOR_TYPE);
    if (bound.is_mv && !type)
        return missing_key(p, section, SENSOR_TYPE);
    if (!bound.is_mv && type)
        return fail_value(p, type, TL_SYNTAX,
                          "with gives = C the instrument converts; leave type out");
    if (type)
        bound.type = (enum thermocouple)(int)type->number; /* the words stand in enum order */
    if (check_bound(p, out, section, &bound) || check_input_free(p, out, section, &bound))
        return p->result;
    out->sensor[p->sections[section].role] = bound;
    return 0;
}

static int build_sensors(struct parse *p, struct benchfile *out)
{
    for (int i = 0; i < SENSORS; i++) {
        int section = section_find(p, IN_SENSOR, i);
        if (section >= 0 && build_sensor(p, out, section))
            return p->result;
    }
    if (out->plate_device >= 0 && !out->sensor[SENSOR_PLATE].present)
        return fail(p, TL_MISSING, p->sections[section_find(p, IN_PLATE, 0)].line, "",
                    "[sensor plate] is missing; a plate is not heated without a sensor on it");
    out->plate.sensor_lag_s = out->sensor[SENSOR_PLATE].lag_s;
    return 0;
}

static int build_inserts(struct parse *p, struct benchfile *out)
{
    for (int i = 0; i < p->section_count; i++) {
        if (p->sections[i].kind != IN_INSERT)
            continue;
        if (out->plate_device < 0)
            return fail(p, TL_MISSING, p->sections[i].line, p->sections[i].title,
                        "[%s] lies on a plate, and there is no [plate]", p->sections[i].title);
        struct insert *insert = &out->insert[out->insert_count++];
        snprintf(insert->name, sizeof insert->name, "%s", p->sections[i].name);
        insert->capacity_j_k = number_of(p, i, INSERT_CAPACITY, 0);
        insert->plate_w_k = number_of(p, i, INSERT_PLATE, 0);
        insert->board_w_k = number_of(p, i, INSERT_BOARD, 0);
        insert->seat_pulse_s = number_of(p, i, INSERT_SEAT_PULSE, 0);
        insert->seat_rise_c = number_of(p, i, INSERT_SEAT_RISE, 0);
        if (check_pair_of(p, i, INSERT_SEAT_PULSE, INSERT_SEAT_RISE))
            return p->result;
    }
    return 0;
}

static int build_fan(struct parse *p, struct benchfile *out)
{
    int section = section_find(p, IN_FAN, 0);
    if (section < 0)
        return 0;
    int32_t device = find_instrument(p, out, section, FAN_INSTRUMENT);
    if (device < 0)
        return p->result;
    if (out->device[device].kind != DEVICE_LINE)
        return fail_value(p, entry_find(p, section, FAN_INSTRUMENT), TL_UNKNOWN,
                          "that instrument drives no fan; a plate with driver = line does");
    int plate = section_find(p, IN_PLATE, 0);
    if (!entry_find(p, plate, PLATE_FAN_LOSS))
        return missing_key(p, plate, PLATE_FAN_LOSS);
    out->has_fan = true;
    return 0;
}

static int build_limits(struct parse *p, struct benchfile *out)
{
    int section = section_find(p, IN_LIMITS, 0);
    for (int i = 0; i < LIMITS && section >= 0; i++) {
        enum limit_id id = (enum limit_id)i;
        const struct entry *entry = entry_find(p, section, (enum key_id)(KEYS_BEFORE_LIMITS + i));
        if (!entry)
            continue;
        /* Down, so that rounding never widens; the addend keeps 0.8 V at 800 mV. */
        limits_set(&out->limits, id, (int32_t)floor(entry->number * limit_scale(id) + 1e-6));
        out->limit_line[id] = entry->line;
    }
    return 0;
}

static int check_spans(struct parse *p, const struct benchfile *out)
{
    for (int32_t i = 0; i < out->device_count; i++) {
        bool plate = i == out->plate_device;
        if (out->device[i].kind == DEVICE_CONTROLLER &&
            (check_span(p, out, i, plate ? PLATE_READING : READER_READING, REGISTER_READING) ||
             (plate && check_span(p, out, i, PLATE_SET_POINT, REGISTER_SET_POINT))))
            return p->result;
    }
    return 0;
}

static int build_devices(struct parse *p, struct benchfile *out)
{
    out->plate_device = out->supply_device = out->meter_device = -1;
    out->cutoff_device = out->inputs_device = -1;
    if (build_plate(p, out) || build_supply(p, out) || build_meter(p, out) ||
        build_cutoff(p, out) || build_inputs(p, out) || build_readers(p, out))
        return p->result;
    if (out->plate_device < 0 && out->supply_device < 0)
        return fail(p, TL_MISSING, 0, "",
                    "neither [plate] nor [supply]; a bench has at least one instrument");
    return check_sharing(p, out);
}

static int build(struct parse *p, struct benchfile *out)
{
    if (build_bench(p, out) || check_required(p) || build_devices(p, out) ||
        build_sensors(p, out) || build_inserts(p, out) || build_fan(p, out) || build_limits(p, out))
        return p->result;
    return check_spans(p, out);
}

/* FNV-1a, 64 bits (Fowler, Noll, Vo). */
static uint64_t digest(const char *text, size_t length)
{
    uint64_t hash = 0xcbf29ce484222325u;
    for (size_t i = 0; i < length; i++)
        hash = (hash ^ (unsigned char)text[i]) * 0x100000001b3u;
    return hash;
}

int benchfile_parse(const char *file, const char *text, size_t length, struct benchfile *out,
                    struct tl_error *error)
{
    struct parse p = {
        .file = file, .at = text, .end = text + length, .section = -1, .error = error};
    *out = (struct benchfile){0};
    if (length > FILE_BYTES)
        return fail(&p, TL_FILE, 0, "", "%zu bytes; a bench file has at most %d", length,
                    FILE_BYTES);
    if (length >= 3 && !memcmp(text, "\xEF\xBB\xBF", 3)) /* some editors begin UTF-8 so */
        p.at += 3;
    int line = ini_parse_stream(read_line, &p, handle_pair, &p);
    if (!p.result && line)
        fail(&p, TL_SYNTAX, p.line, "", "this line cannot be read");
    struct benchfile bench = {.digest = digest(text, length)};
    if (!p.result && !build(&p, &bench))
        *out = bench;
    return p.result;
}

const struct insert *benchfile_insert(const struct benchfile *bench, const char *name)
{
    for (int32_t i = 0; i < bench->insert_count; i++)
        if (!strcmp(bench->insert[i].name, name))
            return &bench->insert[i];
    return NULL;
}
