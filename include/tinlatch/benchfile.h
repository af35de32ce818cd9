/* SPDX-License-Identifier: MIT */
/* benchfile - reads a bench file: what stands on this bench, its constants and its owner's limits.
 *
 * Ownership  the caller owns the text and struct benchfile; no pointers inside.
 * Never      opens a port, or accepts what it does not know: unknown sections and keys, duplicate
 *            keys, overlong or indented lines and " ;" after a value are refused.
 * Fails      TL_FILE, TL_SYNTAX, TL_UNKNOWN, TL_UNIT, TL_RANGE, TL_MISSING, TL_LIMIT; *error has
 *            file, line, token, what would be right.
 * Units      quantities carry theirs in the file; in the struct as bench.h and device.h name them. */
#ifndef TINLATCH_BENCHFILE_H
#define TINLATCH_BENCHFILE_H

#include "tinlatch/bench.h"
#include "tinlatch/device.h"
#include "tinlatch/err.h"
#include "tinlatch/limits.h"
#include "tinlatch/thermocouple.h"

/* Where a sensor role hangs: which instrument's channel, what it gives. */
struct sensor_binding {
    bool present;
    int32_t device;  /* index into device[] */
    int32_t channel; /* 0-based */
    bool is_mv;      /* a bare thermocouple of `type`; else degrees from the reader */
    enum thermocouple type;
    double lag_s;
};

struct bench_port {
    char path[128]; /* a stable by-id name */
    int32_t baud;
    char parity; /* 'N', 'E', 'O' */
};

enum { BENCH_QUESTIONS = 6, BENCH_QUESTION = 128, BENCH_LEARNED = 32 };

struct benchfile {
    char name[64];
    uint64_t digest; /* of the text: another one, and something about the bench is not as it was */
    int32_t period_ms;
    struct plate plate;
    int32_t insert_count;
    struct insert insert[BENCH_INSERTS];
    struct sensor_binding sensor[SENSORS];
    int32_t device_count;
    struct device_config device[BENCH_DEVICES];
    int32_t port_count;
    struct bench_port port[BENCH_PORTS];   /* device[i].port is the index; several may share one */
    int32_t plate_device, supply_device, meter_device, cutoff_device, inputs_device; /* -1 = none */
    bool has_fan;
    int32_t presence_ms;               /* nobody touched a key for that long: operator-away */
    int32_t question_count;
    char question[BENCH_QUESTIONS][BENCH_QUESTION]; /* asked before the first heat, beside the mandatory ones */
    char learned[BENCH_LEARNED];       /* when the plate's constants were learned; "" = never */
    double room_c;
    struct limits limits;          /* the bench's layer */
    int32_t limit_line[LIMITS];    /* where each is stated, 0 = not */
};

/* Parse `text` (`length` bytes, as read from `file`, whose name goes into messages). */
int benchfile_parse(const char *file, const char *text, size_t length, struct benchfile *out,
                    struct tl_error *error);

/* The insert of that name; NULL if the bench has none. */
const struct insert *benchfile_insert(const struct benchfile *bench, const char *name);

/* Every key of every section: what drives the parser, its messages and the reference page. */
enum key_form {
    KEY_TEXT,     /* free text, `high` bytes at most, in double quotes if it must keep blanks */
    KEY_PATH,     /* a file's absolute name */
    KEY_WORD,     /* one of the words of `value`, "duty | set-point" */
    KEY_COUNT,    /* a whole number */
    KEY_QUANTITY, /* a number with a unit */
    KEY_REGISTER, /* "holding 0x1000 tenths", "holding 18 is 0" */
};

struct bench_key {
    const char *section, *key, *value, *help; /* section "sensor", "insert", "reader": whatever their name */
    bool required;                            /* in every section of that kind */
    enum key_form form;
    enum unit unit;     /* KEY_QUANTITY; else UNITS */
    double low, high;   /* what is physically possible, in the base unit; both allowed */
    const char *assumed; /* when it is left out; "" = nothing */
    const char *example;
};
extern const struct bench_key bench_keys[];
extern const int bench_key_count;

#endif
