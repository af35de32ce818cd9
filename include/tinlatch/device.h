/* SPDX-License-Identifier: MIT */
/* device - turns what is driven into an instrument's bytes and its bytes into readings. Pure: it
 * never sees a port or a clock.
 *
 * A period:  device_begin            what to drive now; the first request lies in the outbox
 *            device_outbox           take the bytes to send (more than once: some instruments ask in steps)
 *            device_feed             bytes that came, in any pieces
 *            device_settled          every answer of this period is in
 *            device_channels / device_supply   what is known now
 *
 * Ownership  struct device is the caller's storage; its config is copied.
 * Never      allocates, does I/O, or believes a frame that breaks its grammar or checksum.
 * Fails      a bad or missing answer leaves the last values with their age growing; the count of bad
 *            frames grows. Nothing else can fail.
 * Units      as in bench.h; t_ms instants. */
#ifndef TINLATCH_DEVICE_H
#define TINLATCH_DEVICE_H

#include <stddef.h>

#include "tinlatch/bench.h"
#include "tinlatch/err.h"

enum { FRAME_MAX = 256, DEVICE_CHANNELS = 4, DEVICE_TEXT = 64, BENCH_DEVICES = 8, BENCH_PORTS = 8, CONTROLLER_REGISTERS = 6 };

struct frame {
    uint8_t bytes[FRAME_MAX];
    size_t length;
    bool sets_lines; /* rts and dtr are to be set, before the bytes */
    bool rts, dtr;
};

enum device_kind {
    DEVICE_NONE,
    DEVICE_LINE,
    DEVICE_SCPI_SUPPLY,
    DEVICE_SCPI_METER,
    DEVICE_CONTROLLER, /* Modbus RTU temperature controller: holds its set-point itself */
    DEVICE_CONTACTOR,  /* a relay on RTS or DTR: the heater itself, or a cut-off in the mains */
    DEVICE_READER,     /* sensors only: streaming text, or polled */
    DEVICE_BY_HAND,    /* a plate with no port */
    DEVICE_INPUTS,     /* stop and answer contacts on CTS, DSR, DCD */
    DEVICE_KINDS
};

/* SCPI commands that the bench file may override; %s stands for the number. */
enum scpi_text {
    SCPI_IDENTITY,   /* "*IDN?" */
    SCPI_SET_VOLTS,  /* "VOLT %s" */
    SCPI_SET_AMPS,   /* "CURR %s" */
    SCPI_GET_VOLTS,  /* "VOLT?" */
    SCPI_GET_AMPS,   /* "CURR?" */
    SCPI_READ_VOLTS, /* "MEAS:VOLT?" */
    SCPI_READ_AMPS,  /* "MEAS:CURR?" */
    SCPI_ON,         /* "OUTP ON" */
    SCPI_OFF,        /* "OUTP OFF" */
    SCPI_STATE,      /* "OUTP?" */
    SCPI_ERROR,      /* "SYST:ERR?" */
    SCPI_TEXTS,
};

struct device_config {
    enum device_kind kind;
    char name[BENCH_NAME];     /* its section in the bench file, for messages */
    int32_t port;              /* index into the bench's ports; -1 = none (by hand) */
    char identity[DEVICE_TEXT]; /* must be contained in the identity answer; "" = any */
    bool regulates;            /* line: it holds a set-point itself */
    int32_t silence_ms;        /* line: its own silence timer */
    char scpi[SCPI_TEXTS][DEVICE_TEXT]; /* "" = the standard text */
};

/* One sensor input as the instrument gives it. */
struct channel {
    enum quality quality; /* NONE, GOOD, OPEN, STALE is the guard's to judge from at_ms */
    bool is_uv;           /* value is microvolts of a thermocouple, else millidegrees C */
    int32_t value;
    int64_t at_ms;        /* when it was fresh */
};

struct device_channels {
    struct channel channel[DEVICE_CHANNELS];
    bool has_cold;
    int32_t cold_mc; /* terminals, for microvolt channels */
    bool has_duty;
    int32_t duty_permille; /* as the instrument says it drives now */
};

struct device_supply {
    enum quality quality;
    bool on;
    int32_t mv, ma;
    int64_t at_ms;
    bool settled;  /* set-points read back equal to what was driven, within 1 % */
    int32_t error; /* last code of its error queue, 0 = none */
};

struct device {
    struct device_config config;
    struct drive drive;       /* of this period */
    struct device_channels channels;
    struct device_supply supply;
    struct frame outbox;
    uint8_t inbox[FRAME_MAX]; /* a line not yet whole */
    size_t inbox_length;
    bool inbox_overrun;       /* line longer than the inbox: skip to its end */
    int32_t step;             /* the request in flight; the kind's own numbering */
    uint32_t sequence;
    int64_t begun_ms;         /* when its first period began; -1 = not yet */
    int64_t answered_ms;      /* when it last answered whole; -1 = never */
    bool settled;
    bool identified;
    bool was_reset;           /* its uptime went backwards or its settings were lost */
    uint32_t bad_frames;
    /* what the SCPI supply was last told and what it read back */
    int32_t told_mv, told_ma, read_back_mv, read_back_ma;
    bool told_on, told_known;
    bool resync;              /* an answer is overdue: only its identity tells which answer is which */
    int64_t asked_ms;         /* SCPI: when it was last asked for its identity */
    bool error_due;           /* settings were sent since the error queue was last asked for */
    int32_t pending_mv, pending_ma; /* measured in this period, not yet whole */
    int64_t uptime_s;         /* line: as last told; -1 = not yet */
};

const char *device_kind_name(enum device_kind kind); /* "line", "scpi-supply" */
enum device_kind device_kind_find(const char *name);  /* DEVICE_NONE if unknown */

void device_init(struct device *device, const struct device_config *config);
void device_begin(struct device *device, const struct drive *drive, int64_t t_ms);
/* Moves the bytes to send into *frame (length 0: nothing). */
void device_outbox(struct device *device, struct frame *frame);
void device_feed(struct device *device, const void *bytes, size_t length, int64_t t_ms);
bool device_settled(const struct device *device);
/* Milliseconds since it last answered whole (counts from begin of the first period if never). */
int32_t device_silent_ms(const struct device *device, int64_t t_ms);
/* The bytes that switch it off, whatever state it is in; the same bytes each time. */
void device_last_words(const struct device_config *config, struct frame *frame);
/* The standard SCPI text, or the config's own. */
const char *device_scpi_text(const struct device_config *config, enum scpi_text which);

/* Codecs, exposed for tests and fuzzers. Decoders: bytes consumed, TL_MORE, TL_BAD. */
struct line_answer {
    uint32_t sequence;
    bool is_identity; /* an "iam" answer: maker, serial in `identity` */
    char identity[DEVICE_TEXT];
    int32_t silence_ms;
    struct device_channels channels; /* at_ms not filled */
    int32_t fan_pct;
    int64_t uptime_s;
    bool silenced;    /* its silence timer has fired since the last valid line */
    bool refused;     /* a "no" answer; reason in `identity` */
};
size_t line_encode_set(uint32_t sequence, const struct drive *drive, bool regulates, struct frame *frame);
size_t line_encode_who(uint32_t sequence, struct frame *frame);
int line_decode(const void *bytes, size_t length, struct line_answer *answer);
/* NR1, NR2, NR3 to thousandths, rounded; "9.9E37" and its kin, and anything else: TL_BAD.
 * Consumes one reply up to and with its "\n" (an "\r" before it is dropped). */
int scpi_decode_milli(const void *bytes, size_t length, int32_t *milli);
/* ON, OFF, 1, 0. */
int scpi_decode_bool(const void *bytes, size_t length, bool *value);
/* <number>,"<text>" ; "+0" and "-000" compare as numbers. */
int scpi_decode_error(const void *bytes, size_t length, int32_t *code);

#endif
