/* SPDX-License-Identifier: MIT */
#include "tinlatch/benchfile.h"

#include <ctype.h>
#include <ini.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "keys.h"
#include "tinlatch/utf8.h"

/* inih's buffer is 200 bytes and splits what is longer in silence; its names end at 50. */
enum { LINE_BYTES = 190, KEY_BYTES = 40, FILE_BYTES = 64 * 1024 };
enum { SECTIONS_MAX = 24, ENTRIES_MAX = 160, VALUE_BYTES = 192 };

enum section_kind { IN_BENCH, IN_PLATE, IN_SENSOR, IN_INSERT, IN_SUPPLY, IN_FAN, IN_LIMITS, KINDS };

static const char *const kind_names[KINDS] = {"bench",  "plate", "sensor", "insert",
                                              "supply", "fan",   "limits"};

/* For did-you-mean: sections as they are written. */
static const char *const section_words[] = {
    "bench",       "plate",  "sensor plate", "sensor plate-2", "sensor board",
    "insert NAME", "supply", "fan",          "limits",         NULL};

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
    double number; /* base unit, or the index of a word */
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
        bool named = i == IN_SENSOR || i == IN_INSERT;
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
                "[sensor plate-2] [sensor board] [insert NAME] [supply] [fan] [limits]",
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

/* One more instrument with its port; two may not share one. */
static int32_t add_device(struct parse *p, struct benchfile *out, int section,
                          enum device_kind kind, enum key_id port, enum key_id identity)
{
    for (int32_t i = 0; i < out->device_count; i++)
        if (!strcmp(out->port[i].path, text_of(p, section, port)))
            return fail(p, TL_SYNTAX, line_of(p, section, port), text_of(p, section, port),
                        "[%s] port: [%s] hangs on that port already", p->sections[section].title,
                        out->device[i].name);
    int32_t at = out->device_count++;
    struct device_config *device = &out->device[at];
    device->kind = kind;
    device->port = at;
    out->port_count = at + 1;
    snprintf(device->name, sizeof device->name, "%s", kind_names[p->sections[section].kind]);
    snprintf(device->identity, sizeof device->identity, "%.63s", text_of(p, section, identity));
    snprintf(out->port[at].path, sizeof out->port[at].path, "%.127s", text_of(p, section, port));
    return at;
}

static int build_plate(struct parse *p, struct benchfile *out)
{
    int section = section_find(p, IN_PLATE, 0);
    if (section < 0)
        return 0;
    int32_t at = add_device(p, out, section, DEVICE_LINE, PLATE_PORT, PLATE_IDENTITY);
    if (at < 0 || check_baud(p, section, PLATE_BAUD))
        return p->result;
    out->plate_device = at;
    out->port[at].baud = (int32_t)number_of(p, section, PLATE_BAUD, 115200);
    out->device[at].regulates = number_of(p, section, PLATE_DRIVE, 0) > 0; /* "duty | set-point" */
    out->device[at].silence_ms = (int32_t)lround(1000 * number_of(p, section, PLATE_SILENCE, 2));
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
    return 0;
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

static int build_supply(struct parse *p, struct benchfile *out)
{
    int section = section_find(p, IN_SUPPLY, 0);
    if (section < 0)
        return 0;
    int32_t at = add_device(p, out, section, DEVICE_SCPI_SUPPLY, SUPPLY_PORT, SUPPLY_IDENTITY);
    if (at < 0 || check_baud(p, section, SUPPLY_BAUD))
        return p->result;
    out->supply_device = at;
    out->port[at].baud = (int32_t)number_of(p, section, SUPPLY_BAUD, 9600);
    static const enum key_id command_keys[SCPI_TEXTS] = {
        [SCPI_IDENTITY] = SUPPLY_ASK_IDENTITY, [SCPI_SET_VOLTS] = SUPPLY_SET_VOLTS,
        [SCPI_SET_AMPS] = SUPPLY_SET_AMPS,     [SCPI_GET_VOLTS] = SUPPLY_GET_VOLTS,
        [SCPI_GET_AMPS] = SUPPLY_GET_AMPS,     [SCPI_READ_VOLTS] = SUPPLY_READ_VOLTS,
        [SCPI_READ_AMPS] = SUPPLY_READ_AMPS,   [SCPI_ON] = SUPPLY_SWITCH_ON,
        [SCPI_OFF] = SUPPLY_SWITCH_OFF,        [SCPI_STATE] = SUPPLY_GET_STATE,
        [SCPI_ERROR] = SUPPLY_GET_ERROR,
    };
    for (int i = 0; i < SCPI_TEXTS; i++) {
        const struct entry *entry = entry_find(p, section, command_keys[i]);
        if (!entry)
            continue;
        if (check_command(p, entry, i == SCPI_SET_VOLTS || i == SCPI_SET_AMPS))
            return p->result;
        snprintf(out->device[at].scpi[i], sizeof out->device[at].scpi[i], "%.63s", entry->text);
    }
    return 0;
}

/* The instrument that `key` names; only one with inputs and a fan of its own will do. */
static int32_t find_instrument(struct parse *p, const struct benchfile *out, int section,
                               enum key_id key)
{
    const struct entry *entry = entry_find(p, section, key);
    for (int32_t i = 0; i < out->device_count; i++) {
        if (strcmp(out->device[i].name, entry->text))
            continue;
        if (out->device[i].kind == DEVICE_LINE)
            return i;
        return fail_value(p, entry, TL_UNKNOWN, "the supply has neither sensor inputs nor a fan");
    }
    char text[160];
    snprintf(text, sizeof text, "there is no [%.60s] in this file", entry->text);
    return fail_value(p, entry, TL_UNKNOWN, text);
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
    if (check_input_free(p, out, section, &bound))
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
    }
    return 0;
}

static int build_fan(struct parse *p, struct benchfile *out)
{
    int section = section_find(p, IN_FAN, 0);
    if (section < 0)
        return 0;
    if (find_instrument(p, out, section, FAN_INSTRUMENT) < 0)
        return p->result;
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

static int build(struct parse *p, struct benchfile *out)
{
    out->plate_device = out->supply_device = -1;
    if (build_bench(p, out) || check_required(p) || build_plate(p, out) || build_supply(p, out))
        return p->result;
    if (out->device_count == 0)
        return fail(p, TL_MISSING, 0, "",
                    "neither [plate] nor [supply]; a bench has at least one instrument");
    if (build_sensors(p, out) || build_inserts(p, out) || build_fan(p, out))
        return p->result;
    return build_limits(p, out);
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
    struct benchfile bench = {0};
    if (!p.result && !build(&p, &bench))
        *out = bench;
    return p.result;
}
