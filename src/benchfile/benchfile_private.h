/* SPDX-License-Identifier: MIT */
/* What the files of the bench file's reader share. Lines go to sections and entries as they are read; once
 * all are there, each section's file makes of its entries what the bench has. */
#ifndef TINLATCH_BENCHFILE_PRIVATE_H
#define TINLATCH_BENCHFILE_PRIVATE_H

#include "keys.h"

/* inih's buffer is 200 bytes and splits what is longer in silence. */
enum { LINE_BYTES = 190 };
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
    SECTION_KINDS
};

struct section {
    enum section_kind kind;
    int role;              /* IN_SENSOR: enum sensor_id; IN_INSERT, IN_READER: counts up */
    char title[64];        /* "sensor plate-2" */
    char name[BENCH_NAME]; /* what follows the kind */
    int line;
};

/* A key that is stated, in the section at that index. */
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

/* lines.c: inih's reader, which checks a line before inih sees it. */
char *read_line(char *to, int size, void *parse);
bool word_char(char c);

/* sections.c */
extern const char *const section_kinds[SECTION_KINDS];
int section_open(struct parse *p, const char *line);
int section_find(const struct parse *p, enum section_kind kind, int role); /* -1: none */

/* values.c: entry->text to its number, by the form of its key. */
int read_value(struct parse *p, struct entry *entry);

/* entries.c: taking them in, and asking for them afterwards. All that fail return p->result. */
int take_pair(struct parse *p, const char *name, const char *value);
int check_required(struct parse *p);
const struct entry *entry_find(const struct parse *p, int section, enum key_id key);
double number_of(const struct parse *p, int section, enum key_id key, double otherwise);
int32_t milli_of(const struct parse *p, int section, enum key_id key, double otherwise);
const char *text_of(const struct parse *p, int section, enum key_id key);
int line_of(const struct parse *p, int section, enum key_id key);
int parse_fail(struct parse *p, enum tl_err code, int line, const char *token, const char *format,
               ...) __attribute__((format(printf, 5, 6)));
/* "[plate] power: ..." at the entry's line. */
int entry_fail(struct parse *p, const struct entry *entry, enum tl_err code, const char *format,
               ...) __attribute__((format(printf, 4, 5)));
int missing_key(struct parse *p, int section, enum key_id key);
/* Both or neither. */
int check_pair_of(struct parse *p, int section, enum key_id one, enum key_id other);

/* Keys that only one driver has: stated with another they would be read by nobody. */
struct driver_key {
    enum key_id key; /* the last row: KEYS */
    const char *driver;
    bool needed;
};
int check_driver_keys(struct parse *p, int section, const char *driver,
                      const struct driver_key *keys);

/* devices.c: instruments and the ports they hang on. */
struct port_keys {
    enum key_id port, baud, parity; /* KEYS: it has no such key */
    int32_t assumed_baud;
};
/* One more instrument: its place in device[], -1 when it cannot be. `keys` NULL: it has no port. */
int32_t add_device(struct parse *p, struct benchfile *out, int section, enum device_kind kind,
                   const struct port_keys *keys);
void set_identity(struct parse *p, struct device_config *device, int section, enum key_id key);
/* The instrument that `key` names; -1 when there is none. */
int32_t find_device(struct parse *p, const struct benchfile *out, int section, enum key_id key);
int check_sharing(struct parse *p, struct benchfile *out);

/* What a section's entries make of the bench; a section that is not there leaves it as it is. */
int build_plate(struct parse *p, struct benchfile *out);   /* plate.c */
int build_supply(struct parse *p, struct benchfile *out);  /* scpi.c */
int build_meter(struct parse *p, struct benchfile *out);   /* scpi.c */
int build_cutoff(struct parse *p, struct benchfile *out);  /* control_lines.c */
int build_inputs(struct parse *p, struct benchfile *out);  /* control_lines.c */
int build_readers(struct parse *p, struct benchfile *out); /* reader.c */
int build_sensors(struct parse *p, struct benchfile *out); /* sensors.c */

/* modbus.c: a plate's controller, a reader's module. */
int build_controller(struct parse *p, struct device_config *device, int section);
int build_module(struct parse *p, struct device_config *device, int section);
int check_spans(struct parse *p, const struct benchfile *out);

/* control_lines.c: a plate on a relay. */
int build_contactor(struct parse *p, struct device_config *device, int section);

/* scpi.c: a command goes out as it stands: visible ASCII, and %s once where a number belongs. */
int check_command(struct parse *p, const struct entry *entry, bool takes_number);

#endif
