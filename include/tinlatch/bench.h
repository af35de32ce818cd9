/* SPDX-License-Identifier: MIT */
/* bench - the plain structs that cross every boundary: what the bench reads, what a recipe wants,
 * what the interlock grants, what the instruments are told.
 *
 * Ownership  plain values, copied; no pointers inside.
 * Never      hold a floating-point value on the interlock's path: readings are rounded to integers
 *            and range-checked where they are gathered.
 * Fails      {0} means "nothing known, everything off"; only an unknown duty_permille is -1.
 * Units      temp_mc millidegrees Celsius; ramp_mc_s millidegrees per second; mv; ma; *_ms
 *            milliseconds; fan_pct percent of full speed. */
#ifndef TINLATCH_BENCH_H
#define TINLATCH_BENCH_H

#include <stdbool.h>
#include <stdint.h>

enum {
    BENCH_NAME = 32,   /* bytes of a name, its NUL included */
    BENCH_TEXT = 256,  /* bytes of a text shown to a person, its NUL included */
    BENCH_RAILS = 16,
    BENCH_INSERTS = 8,
};

/* How far a reading can be trusted. Only QUALITY_GOOD has a value. */
enum quality {
    QUALITY_NONE,  /* not there, or never read */
    QUALITY_GOOD,
    QUALITY_OPEN,  /* the reader says the thermocouple is broken or unplugged */
    QUALITY_RANGE, /* a value that no bench can have */
    QUALITY_STALE, /* the last good value is too old */
    QUALITY_JUMP,  /* several values in a row stepped away as no bench can */
};

enum sensor_id { SENSOR_PLATE, SENSOR_PLATE_2, SENSOR_BOARD, SENSORS };

struct temp_reading {
    enum quality quality;
    int32_t temp_mc; /* last good value, also when stale */
    int32_t age_ms;  /* since that value was fresh */
};

/* What the plate's energy balance says of its first sensor's temperature: what went in, what the heaviest load and
 * the greatest losses leave of it, or the lightest and the least. Only QUALITY_GOOD has values. */
struct account_reading {
    enum quality quality;     /* NONE: nobody sees what this plate is fed */
    int32_t low_mc, high_mc;  /* no seated sensor reads below or above, its own errors included */
    int32_t unmoved_mc;       /* how far the plate must have moved, at least, since its reading last changed */
    int32_t board_lead_mc;    /* how much further the board's reading rose than the plate's, from cold; 0 = no matter */
};

struct supply_reading {
    enum quality quality;
    bool on;
    int32_t mv, ma; /* measured at the output */
    int32_t age_ms;
};

/* What a meter can be asked for. */
enum meter_kind { METER_NONE, METER_OHMS, METER_DIODE, METER_VOLTS, METER_KINDS };

struct meter_reading {
    enum quality quality;
    enum meter_kind kind; /* what the value is of */
    int64_t micro;        /* micro-ohms or microvolts */
    int32_t age_ms;
};

struct readings {
    int64_t t_ms;
    struct temp_reading sensor[SENSORS];
    struct temp_reading plate; /* what counts: the higher plate sensor; unreadable if either is */
    bool ramp_known;           /* five seconds of plate history are there */
    int32_t ramp_mc_s;         /* two one-second means, four seconds apart */
    struct supply_reading supply;
    struct account_reading account;
    bool seated;               /* the recipe is in charge: each plate sensor has passed its seat test, no hand is at one */
    int32_t duty_permille;     /* what the plate's instrument says that it drives; -1 = it does not say */
    int32_t plate_silent_ms;   /* since the plate's instrument last answered whole */
    int32_t supply_silent_ms;
    int32_t recipe_silent_ms;  /* since the recipe's last turn; 0 before it has asked for power */
    uint32_t stop_count;       /* presses of stop, any source */
    int32_t front_silent_ms;   /* since the front's last word; 0 in a rehearsal */
    bool front_gone;           /* its terminal hung up, or it died */
    int32_t keeper_silent_ms;  /* since the keeper's last sign; 0 in a rehearsal */
    int32_t scan_late_ms;      /* how much later than its period this scan came; 0 in a rehearsal */
    int32_t clock_jump_ms;     /* by how much the machine's two clocks moved apart since the scan before: it slept */
    int32_t record_late_ms;    /* how far the disk is behind; 0 in a rehearsal */
    int32_t away_ms;           /* since somebody last touched a key */
    struct meter_reading meter;
};

/* What a person does at the bench, announced by the recipe and bounded in time. */
enum hand {
    HAND_NONE,
    HAND_PLACE,
    HAND_LIFT,
    HAND_PRESS,
    HAND_RELEASE,
    HAND_HEAT, /* hot air or an iron on the board */
    HANDS,
};

/* Of each kind in one run; longer they widen nothing. Common practice: a whole stack is opened with some 20 min of
 * warming, and no single joint takes air for as long. */
enum { HANDS_MOST_MS = 20 * 60000 };

/* The whole state a recipe asks for; never a delta. */
struct wanted {
    bool heat;
    bool supply_on;
    bool inject; /* current-limited, collapsed volts by intent */
    int32_t temp_mc;
    int32_t ramp_mc_s; /* 0 = as fast as the limits allow */
    int32_t fan_pct;
    int32_t rail;      /* index into the merged limits' rails */
    int32_t mv, ma;
    enum hand hand;
    enum meter_kind meter;
    uint32_t beeps;    /* a counter: one more than before = sound once */
};

/* What remains of it: at most what was wanted, 0 of a negative wish. Everything false or zero is off, but for a ramp
 * of 0 with heat: that is the limit. */
struct granted {
    bool heat;
    bool supply_on;
    int32_t temp_mc;
    int32_t ramp_mc_s;
    int32_t fan_pct;
    int32_t mv, ma;
    uint32_t beeps;
};

/* What the instruments are told: granted, after control has turned a temperature into a duty. */
struct drive {
    bool heat;
    bool supply_on;
    bool preset;           /* supply: told its set-points and asked for them with the output off */
    int32_t duty_permille; /* 0 unless heat */
    int32_t setpoint_mc;   /* for a self-regulating plate; 0 unless heat */
    int32_t fan_pct;
    int32_t mv, ma;
    enum meter_kind meter;
    bool closed; /* the cut-off contactor in the plate's mains: closed while it may be heated */
    uint32_t beeps;
};

/* The plate's constants as learned or stated by its owner; all temperatures above the room. */
struct plate {
    double watts;            /* heater at nominal mains, full duty */
    double capacity_j_k;     /* block with heater, empty */
    double loss_w_k;         /* free convection and conduction, near the room */
    double emissivity_area;  /* m2: radiating area times emissivity */
    double element_lag_s;    /* heater element to block */
    double fan_loss_w_k;     /* added loss at full fan */
    double sensor_lag_s;     /* first-order, sensor seated */
    double board_lag_s;      /* of the board's sensor, taped down */
    double tolerance;        /* 0..1, of capacity and losses: a rehearsal draws within it */
    double length_mm, width_mm;
    double seat_pulse_s, seat_rise_c; /* empty plate, no insert; 0 = not learned */
    bool by_hand; /* a person sets it with its knob */
};

/* An insert: the shaped block between plate and board. */
struct insert {
    char name[BENCH_NAME];
    double capacity_j_k;
    double plate_w_k; /* contact, plate to insert */
    double board_w_k; /* contact, insert to the whole lower board, dry, not pressed */
    double seat_pulse_s, seat_rise_c; /* the seat test's pulse and what it raises; 0 = not learned */
};

const char *quality_name(enum quality quality); /* "good", "open" ... */
const char *sensor_name(enum sensor_id id);     /* "plate", "plate-2", "board" */
const char *hand_name(enum hand hand);          /* "place", "lift" ... */

#endif
