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

enum { FRAME_MAX = 256, DEVICE_CHANNELS = 4, DEVICE_TEXT = 64, BENCH_DEVICES = 8, BENCH_PORTS = 8 };
enum { READER_PATTERN = 128, READER_OPEN = 16 };

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
    SCPI_METER_OHMS,  /* "MEAS:RES?" */
    SCPI_METER_DIODE, /* "MEAS:DIOD?" */
    SCPI_METER_VOLTS, /* "MEAS:VOLT:DC?" */
    SCPI_TEXTS,
};

/* What a controller's registers are for; docs/reference/modbus-controller.md. */
enum controller_register {
    REGISTER_READING,
    REGISTER_SET_POINT,
    REGISTER_SET_POINT_BACK, /* the set-point's own unless another is stated */
    REGISTER_RUN,
    REGISTER_OUTPUT,  /* percent of full power it drives with */
    REGISTER_SILENCE, /* its own silence timer, seconds: at most silence_ms and not 0 */
    REGISTER_UNIT,    /* from here on: must read `expected` before anything is driven */
    REGISTER_MODE,
    REGISTER_MAXIMUM,
    REGISTER_IDENTITY,
    CONTROLLER_REGISTERS
};

struct device_register {
    bool used;
    bool is_long;      /* 32 bits in two registers */
    uint8_t function;  /* how it is read: 3 (holding) or 4 (input) */
    uint16_t address;  /* as it goes over the line, from 0 */
    int32_t per_unit;  /* counts per degree, percent or second: 1, 10, 100 */
    int32_t expected;  /* of a check */
};

/* A Modbus unit. Without REGISTER_SET_POINT it is only read. */
struct controller_config {
    uint8_t unit;           /* 1 to 247 */
    uint8_t write_function; /* 6 or 16 */
    bool low_word_first, low_byte_first, fahrenheit;
    struct device_register map[CONTROLLER_REGISTERS];
    int32_t run_on, run_off; /* what REGISTER_RUN is given */
    int32_t off_mc;          /* the set-point that means off */
    int32_t write_every_ms;  /* a raised set-point is written no more often */
    bool has_open;
    int32_t open_count;      /* what REGISTER_READING reads when its sensor is open */
};

/* A relay that is closed while its line is set; a dropped line opens it. */
struct contactor_config {
    bool on_dtr;    /* else on RTS */
    bool is_cutoff; /* closed while drive.closed; else the heater, time-proportioned */
    int32_t window_ms, min_on_ms;
};

struct reader_config {
    char pattern[READER_PATTERN]; /* docs/reference/sensor-reader.md */
    char ask[DEVICE_TEXT];        /* sent each period; "" = it streams */
    char ask_identity[DEVICE_TEXT];
    char open[READER_OPEN];       /* stands in place of a number when the sensor is open; "" = nothing does */
    bool gives_uv, fahrenheit;
};

enum contact { CONTACT_NONE, CONTACT_CTS, CONTACT_DSR, CONTACT_DCD };

struct inputs_config {
    enum contact stop, answer;
    bool feeds; /* RTS and DTR are set, to feed the contacts */
};

struct device_config {
    enum device_kind kind;
    char name[BENCH_NAME];     /* its section in the bench file, for messages */
    int32_t port;              /* index into the bench's ports; -1 = none (by hand) */
    char identity[DEVICE_TEXT]; /* must be contained in the identity answer; "" = any */
    bool owner_vouches;        /* SCPI: it has no identity question; its owner's word counts */
    bool regulates;            /* line, controller: it holds a set-point itself */
    int32_t silence_ms;        /* line, controller: its own silence timer; 0 = none that can be read */
    char scpi[SCPI_TEXTS][DEVICE_TEXT]; /* "" = the standard text */
    struct controller_config controller;
    struct contactor_config contactor;
    struct reader_config reader;
    struct inputs_config inputs;
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

/* The meter's last answer. OPEN: over its range, as with leads that touch nothing; it has no value. */
struct device_meter {
    enum quality quality;
    enum meter_kind kind; /* what the value is of */
    int64_t micro;        /* micro-ohms or microvolts */
    int64_t at_ms;
};

/* Contacts. Before they have been seen, and when they can no longer be seen, stop counts as pressed. */
struct device_inputs {
    bool stop;
    uint32_t stops;    /* how often stop became true */
    uint32_t flickers; /* how often it opened for less than a press */
    uint32_t answers;  /* presses of the answer contact, pressed and let go: each is a yes */
    int64_t answer_ms; /* when the last of them was pressed */
    bool answer_stuck, answer_chatters; /* closed for longer than a foot presses; comes and goes by itself: no presses */
    int64_t at_ms;     /* when the lines were last read; -1 = never */
};

/* A contact that must stay for a while before it counts; private to the inputs. */
struct debounce {
    bool down, level;           /* as it counts, as it was seen last */
    int32_t changes;            /* of what is seen, since it was last at rest */
    int64_t moved_ms, since_ms; /* of the first of them, of the last */
};

/* A controller's read of one register, or its write; private to the codec's user. */
struct modbus_request {
    uint8_t unit, function; /* 3, 4, 6, 16 */
    uint16_t address;
    uint8_t count;          /* registers */
    uint16_t word[2];       /* of a write */
};

struct device {
    struct device_config config;
    struct drive drive;       /* of this period */
    struct device_channels channels;
    struct device_supply supply;
    struct device_meter meter;
    struct device_inputs inputs;
    struct frame outbox;
    uint8_t inbox[FRAME_MAX]; /* a line not yet whole */
    size_t inbox_length;
    bool inbox_overrun;       /* line longer than the inbox: skip to its end */
    int32_t step;             /* the request in flight; the kind's own numbering */
    bool unsent;              /* when the period began: what was to be asked last never went out */
    uint32_t sequence;
    char said[DEVICE_TEXT]; /* who it last said it is, printable; "" = it has not, or has no name */
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
    int32_t fan_pct, told_silence_ms;
    bool silenced;            /* its timer had fired before the last answer */
    uint32_t offs;            /* how often it acknowledged OFF */
    enum meter_kind asked;    /* meter: what the answer under way is of */
    /* controller */
    struct modbus_request request;   /* in flight while step is above 0 */
    int32_t told_count;       /* set-point as written, in its own counts */
    int64_t told_ms;          /* when */
    bool set_confirmed, set_differs; /* what it read back; neither: not yet */
    bool run_confirmed, run_differs;
    bool output_unread;       /* what it says that it drives is no share of its power: it may drive with anything */
    uint32_t done;            /* of this round: one bit per step */
    int32_t next_check, next_extra; /* which register is read next: before it is driven, while */
    int32_t exception;        /* its last exception code, 0 = none yet */
    /* contactor */
    bool closed;
    int64_t credit;           /* permille times ms that the heater is owed */
    int64_t stepped_ms;
    /* inputs */
    struct debounce stop_contact, answer_contact;
    int64_t answer_down_ms; /* when it was pressed last */
    int64_t answer_wear_ms, answer_worn_ms; /* what it came and went of late, as of when */
};

const char *device_kind_name(enum device_kind kind); /* "line", "scpi-supply" */
enum device_kind device_kind_find(const char *name);  /* DEVICE_NONE if unknown */

/* Does it send and hear bytes, or only use a port's control lines, or no port at all? */
bool device_talks(const struct device_config *config);

void device_init(struct device *device, const struct device_config *config);
void device_begin(struct device *device, const struct drive *drive, int64_t t_ms);
/* Moves the bytes to send into *frame (length 0: nothing). */
void device_outbox(struct device *device, struct frame *frame);
/* For the rest of this period nothing is driven, and what was still to be said is not said: last words come next. */
void device_let_go(struct device *device);
/* As that, and its last words lie in the outbox: the request in flight once they are taken (device_waits, until they
 * are answered). */
void device_say_off(struct device *device, int64_t t_ms);
void device_feed(struct device *device, const void *bytes, size_t length, int64_t t_ms);
bool device_settled(const struct device *device);
/* A request is in flight: whoever shares its port must wait. */
bool device_waits(const struct device *device);
/* What the line must be silent for before a request and after an answer: 3.5 characters for a Modbus unit,
 * 0 for others. The port's owner keeps it, also between last words that are said more than once. */
int32_t device_quiet_ms(const struct device_config *config, int32_t baud);
/* Control lines as they were read just now; not called when they cannot be read. */
void device_feed_lines(struct device *device, bool cts, bool dsr, bool dcd, int64_t t_ms);
/* Inputs that have not been read for a while count as pressed: to be asked after the lines were fed. */
void device_judge_lines(struct device *device, int64_t t_ms);
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
/* As above to millionths, wider; *open: "9.9E37", over its range, *micro untouched. */
int scpi_decode_micro(const void *bytes, size_t length, int64_t *micro, bool *open);
/* ON, OFF, 1, 0. */
int scpi_decode_bool(const void *bytes, size_t length, bool *value);
/* <number>,"<text>" ; "+0" and "-000" compare as numbers. */
int scpi_decode_error(const void *bytes, size_t length, int32_t *code);

/* Modbus RTU. Source: "MODBUS over Serial Line" V1.02, "MODBUS Application Protocol" V1.1b3. */
struct modbus_answer {
    uint8_t exception;  /* code, 0 = none */
    uint8_t count;      /* registers read or written */
    uint16_t word[125]; /* of a read */
};
size_t modbus_encode(const struct modbus_request *request, struct frame *frame);
/* Only the answer to `request` is one: its unit, function, address and count must fit. */
int modbus_decode(const void *bytes, size_t length, const struct modbus_request *request,
                  struct modbus_answer *answer);

/* A sensor reader's line against its pattern. */
struct reader_answer {
    struct channel channel[DEVICE_CHANNELS]; /* at_ms not filled */
    bool has_cold;
    int32_t cold_mc;
};
/* Is the pattern well formed: 0, or TL_SYNTAX with what is wrong in *why. Bit n of *numbers: {n+1} is in it;
 * bit DEVICE_CHANNELS: {cj}. */
int reader_check_pattern(const char *pattern, uint32_t *numbers, const char **why);
int reader_decode(const void *bytes, size_t length, const struct reader_config *config,
                  struct reader_answer *answer);

#endif
