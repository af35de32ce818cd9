/* SPDX-License-Identifier: MIT */
/* inside - what the files of the world share. */
#ifndef TINLATCH_INSIDE_H
#define TINLATCH_INSIDE_H

#include "tinlatch/bytes.h"
#include "tinlatch/world.h"

/* Physics goes in ticks of this length, whoever advances the world and in whatever strides: a duty
 * acts from the next tick on, as with a zero-crossing switch, and a reader samples at the last one. */
enum { TICK_MS = 50 };

enum {
    LINE_MAX_BYTES = 120, /* of the line instrument, its end included */
    SCPI_MAX_BYTES = 256,
    REPLY_MAX = 512,
    REPLIES = 8, /* under way at once; what a host has not read by then is lost */
    SCPI_ERRORS = 10,
    FAULTS_PENDING = 64,
    BOARD_HISTORY = 4000 / TICK_MS,
};

/* How long an instrument thinks. */
enum {
    LINE_LATENCY_MS = 9,
    SCPI_LATENCY_MS = 15,
    METER_LATENCY_MS = 180, /* it averages */
    MODBUS_LATENCY_MS = 8,
    READER_LATENCY_MS = 40,
};

enum tip_state { TIP_SEATED, TIP_OFF, TIP_OPEN, TIP_FROZEN, TIP_SHORTED };

/* A thermocouple's hot end. */
struct tip {
    enum sensor_id touches;
    enum tip_state state;
    double lag_s, keep; /* keep: exp(-tick / lag) */
    double touched_c;   /* what it touched at the last tick */
    double seen_c;      /* where the tip itself is */
    double off_share;   /* of IEC 60584-1 class 1, -1..1 */
    int32_t last;       /* what the instrument last told, for a frozen one */
    /* faults of wire and reader */
    double share; /* of the rise that it shows; 1 = seated */
    bool reversed, fahrenheit, wrong_type;
    bool on_rail; /* it touches what the supply feeds */
    int64_t wild_until_ms, wet_until_ms;
    int64_t drifts_from_ms; /* -1: it does not */
};

struct reply {
    int64_t due_ms;
    const struct instrument *from;
    size_t length, taken;
    char bytes[REPLY_MAX];
};

struct line_state {
    int32_t duty_permille, fan_pct, setpoint_mc;
    double integral; /* of its own regulator */
    int64_t beeps;
    int64_t valid_ms; /* when the last valid line came */
    bool silenced;    /* the timer has fired since */
};

struct modbus_state {
    double set_c;
    int32_t run; /* as written */
    double duty, integral;
    int64_t sample_ms; /* when its loop runs next */
    int64_t heard_ms;  /* the last byte */
    int64_t valid_ms;  /* the last request that was for it */
};

struct scpi_state {
    double set_v, set_a;
    bool on;
    int errors;
    int code[SCPI_ERRORS];
    int event_bits, event_mask, service_mask; /* ESR, ESE, SRE */
};

struct instrument {
    struct port port; /* first: the port interface hands it back */
    struct world *world;
    struct instrument *host;     /* whose port it hangs on: itself or another */
    bool unplugged;              /* the port is gone */
    int64_t stalled_until_ms;    /* until then the port holds back what is answered */
    int64_t begun_ms;            /* when it was switched on */
    bool rts, dtr;               /* of the port, as the computer set them */
    bool gibberish;              /* the fault: what it sends is spoilt */
    bool cold_lost;              /* the faults: its terminals count as 0 C; ... */
    int64_t cold_drifts_from_ms; /* ... or as colder and colder; -1: not */
    struct world_instrument_setup setup;
    char inbox[SCPI_MAX_BYTES];
    size_t inbox_length;
    bool overrun;
    bool deaf;          /* the fault: neither hears nor answers */
    int first, waiting; /* of the reply ring */
    struct reply reply[REPLIES];
    struct tip tip[WORLD_CHANNELS];
    struct line_state line;
    struct modbus_state modbus;
    struct scpi_state scpi;
    int64_t stream_ms; /* a streaming reader: when the next line is due */
};

struct pending_fault {
    int64_t at_ms;
    int which; /* index into world_faults */
    bool done;
};

struct world {
    struct clock clock; /* first */
    struct world_setup setup;
    struct board board;
    bool has_board;
    int64_t tick_ms; /* physics has come this far */
    struct random noise;
    struct thermal thermal;
    bool unseated; /* the board, wherever it lies now */
    struct thermal_input input;
    double mains;          /* of nominal volts */
    double supply_gain;    /* volts at its output per volt that it was told */
    double off_share_gain; /* of a slid-off tip */
    double taped_share;    /* what the board's tip reads of the rise */
    struct instrument instrument[WORLD_PORTS];
    int plate_instrument, supply_instrument, cutoff_instrument; /* -1 = none */
    int faults;
    struct pending_fault fault[FAULTS_PENDING];
    bool heater_stuck, cutoff_stuck, set_point_stuck, shorted, recipe_hangs, fan_dead, rails_fed;
    bool supply_stuck, limit_lost;
    bool supply_gives;                       /* at its output, whatever it says */
    bool stop_contact, answer_contact;       /* pressed */
    double knob_c, knob_integral, knob_duty; /* a by-hand plate; NAN = off */
    int probed;                              /* the rail under the meter's leads */
    uint32_t stops;
    int rail;
    int short_rail;
    double hand_w;
    int hand_part;
    double supply_v, supply_a; /* at the output, now */
    double given_v;            /* its set-point when it was last on: stuck, it obeys no other */
    struct world_truth seen;   /* peaks and instants, kept as they come */
    void *fine;                /* the memory of a fine grid's network, NULL = the coarse one */
    struct world_heat heat;
    double part_before_c[BOARD_PARTS];
    double history_c[BOARD_HISTORY];
    int history, history_count;
};

void clock_virtual_init(struct clock *clock);

/* port_world.c */
extern const struct port_ops world_port_ops;
void instrument_answer(struct instrument *instrument, const char *bytes, size_t length,
                       int latency_ms);
void instrument_hear(struct instrument *instrument, const char *bytes, size_t length);

/* emulate_line.c: one line without its end */
void line_hear(struct instrument *instrument, const char *line, size_t length);
void line_tick(struct instrument *instrument, int64_t t_ms);
/* emulate_modbus.c: bytes as they come */
void modbus_hear(struct instrument *instrument, const char *bytes, size_t length);
void modbus_tick(struct instrument *instrument, int64_t t_ms);
/* emulate_reader.c */
void reader_hear(struct instrument *instrument, const char *line, size_t length);
void reader_tick(struct instrument *instrument, int64_t t_ms);
/* heater.c: who heats, and through what */
double regulate(double off_k, double *integral, double dt_s);
void knob_tick(struct world *world);
double heater_duty(const struct world *world); /* as switched, without the cut-off */
double fan_share(const struct world *world);
bool cutoff_closed(const struct world *world);
double held_c(const struct world *world);
/* emulate_scpi.c: one message without its end */
void scpi_hear(struct instrument *instrument, const char *line, size_t length);
void scpi_error(struct scpi_state *scpi, int code);

/* sensors.c */
void tips_init(struct world *world, struct random *draw);
void tips_tick(struct world *world);
double terminals_c(const struct instrument *instrument); /* of its thermocouples */
double cold_told_c(const struct instrument *instrument); /* ... as it measures them */
void tip_slide_off(struct tip *tip);
void tip_slip(struct tip *tip, double share); /* partly off: it shows so much of the rise */
/* What input i reads now: millidegrees or microvolts. False: open. cold_c: its terminals. */
bool tip_read(struct instrument *instrument, int i, double cold_c, int32_t *value);

/* seen.c: what is kept of what happens */
void seen_nothing(struct world *world);
void seen_tick(struct world *world);
void seen_hand(struct world *world, enum hand hand, int part);

/* electrical.c */
void electrical_tick(struct world *world);
double electrical_volts(const struct world *world);
double electrical_amps(const struct world *world);
double electrical_fed_v(const struct world *world, int rail); /* there without the supply */

/* fault.c */
void faults_due(struct world *world, int64_t t_ms);

#endif
