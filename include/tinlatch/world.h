/* SPDX-License-Identifier: MIT */
/* world - a bench that is not there: plate, board and rails that behave by physics, instruments that
 * speak the real protocols behind the port interface, faults on request. Never sees `device`.
 *
 * Ownership  world_new's caller frees; ports and clock belong to the world.
 * Never      takes time or chance from outside: same setup, same world, bit for bit.
 * Fails      world_new: TL_RANGE, TL_FULL, TL_UNKNOWN with the sentence.
 * Units      C, s, V, A, ohm for the true values; t_ms instants. */
#ifndef TINLATCH_WORLD_H
#define TINLATCH_WORLD_H

#include "tinlatch/bench.h"
#include "tinlatch/board.h"
#include "tinlatch/clock.h"
#include "tinlatch/err.h"
#include "tinlatch/port.h"
#include "tinlatch/thermal.h"
#include "tinlatch/thermocouple.h"

enum { WORLD_PORTS = 8, WORLD_CHANNELS = 4, WORLD_REGISTERS = 12 };

enum world_instrument {
    WORLD_NONE,
    WORLD_LINE,
    WORLD_SCPI,      /* a supply */
    WORLD_METER,     /* a meter that speaks SCPI */
    WORLD_MODBUS,    /* a unit with registers; with a set-point among them it regulates the plate */
    WORLD_CONTACTOR, /* on a control line: the heater, or a cut-off in the plate's mains */
    WORLD_READER,    /* lines of text with temperatures in them */
    WORLD_BY_HAND,   /* a plate whose knob the person turns */
    WORLD_INPUTS,    /* contacts on control lines */
    WORLD_INSTRUMENTS
};

enum world_register_use {
    WORLD_CONSTANT, /* reads as `value`, cannot be written */
    WORLD_READING,
    WORLD_SET_POINT,
    WORLD_SET_POINT_BACK,
    WORLD_RUN,
    WORLD_OUTPUT, /* percent of full power */
    WORLD_SILENCE,
};

struct world_register {
    enum world_register_use use;
    bool is_input, is_long; /* read with 04, else 03; two words */
    uint16_t address;
    int32_t per_unit;       /* counts per degree, percent or second */
    int32_t value;
};

struct world_modbus {
    uint8_t unit;
    bool low_word_first, low_byte_first, fahrenheit;
    bool has_open;
    int32_t open_count;       /* what a reading reads while its sensor is open */
    int32_t run_on, run_off;
    double off_c;             /* the set-point it wakes with */
    int32_t sample_ms;        /* of its loop; 0 = 500 */
    int32_t registers;
    struct world_register map[WORLD_REGISTERS];
};

enum world_contact { WORLD_NO_CONTACT, WORLD_CTS, WORLD_DSR, WORLD_DCD };

/* One emulated instrument, on a port of its own or on another's. */
struct world_instrument_setup {
    enum world_instrument kind;
    int32_t shares;            /* 1 + the instrument on whose port it hangs; 0 = a port of its own */
    int32_t baud;              /* Modbus, reader, meter: what the wire takes counts; 0 = nothing */
    struct world_modbus modbus;
    struct {
        bool on_dtr, is_cutoff; /* else on RTS; else it is the heater's own switch */
    } contactor;
    struct {
        char pattern[128], open[16];        /* as docs/reference/sensor-reader.md describes them */
        char ask[64], ask_identity[64];     /* "" = it streams; "" = it has no name */
        bool fahrenheit;
        int32_t every_ms;                   /* streaming; 0 = 250 */
    } reader;
    struct {
        enum world_contact stop, answer; /* stop opens when pressed, answer closes */
        bool fed;                        /* the contacts are fed from RTS and DTR */
    } inputs;
    char identity[64];         /* what it answers when asked who it is */
    bool regulates;            /* line: takes set-points */
    int32_t silence_ms;
    int32_t up_s;              /* for how long it has been on when the world begins */
    int32_t channels;
    enum sensor_id touches[WORLD_CHANNELS]; /* what each input's tip touches; SENSORS = nothing */
    bool is_uv[WORLD_CHANNELS];
    enum thermocouple type[WORLD_CHANNELS];
    double lag_s[WORLD_CHANNELS];
    double max_volts, max_amps; /* supply */
};

struct world_setup {
    struct plate plate;
    struct insert insert;      /* capacity 0: none; the board lies on the table from the start */
    const struct board *board; /* NULL: nothing to lay down */
    int32_t board_sensor;      /* 1: there is one; it is laid on the board when the board is placed */
    double room_c;
    double grid_mm;            /* of the thermal network; 0: the coarse grid */
    bool unseen;               /* what happens need not be kept: world_truth tells torn, stops and recipe_hangs only,
                                * world_heat nothing */
    double spread;             /* 0: all constants nominal; 1: drawn within their tolerances by `seed` */
    uint64_t seed;
    int32_t instruments;
    struct world_instrument_setup instrument[WORLD_PORTS];
};

struct world;

int world_new(struct world **out, const struct world_setup *setup, struct tl_error *error);
void world_free(struct world *world);
struct clock *world_clock(struct world *world);
/* The port of instrument i; its replies become readable as the world advances. */
struct port *world_port(struct world *world, int i);
/* Its adapter is pulled out: the port ends and its control lines drop, for whatever hangs on it. */
void world_unplug(struct world *world, int i);

/* To t_ms, never backwards. */
void world_advance(struct world *world, int64_t t_ms);
/* When the next reply of any instrument is complete; INT64_MAX when none is under way. */
int64_t world_next_reply_ms(const struct world *world);

/* From when on a rule has to see a fault, by the plate's true temperature. */
enum sight_when {
    SIGHT_NEVER, /* nothing is promised */
    SIGHT_CALM,  /* no fault of the bench: no rule may trip */
    SIGHT_RUN,   /* at once, in any run */
    SIGHT_HEAT,  /* at once, when heat has been granted before: without power a silent recipe is only ended */
    SIGHT_PLATE, /* at once, in a run that uses the plate */
    SIGHT_ABOVE, /* while the plate is above c */
    SIGHT_HOT,   /* at once, when it strikes with the plate above c */
    SIGHT_WARMER, /* once the plate is c warmer than when it struck: colder than it reads it harms nobody */
    /* only where the guard knows what the plate is fed; else nothing is promised */
    SIGHT_STILL, /* as SIGHT_WARMER */
    SIGHT_OVER,  /* while the plate is c above all that was asked for so far */
};

struct world_sight {
    enum sight_when when;
    double c;        /* C above, K warmer or over */
    double within_s; /* by then it has tripped */
    const char *by;  /* ids of the rules that may, a blank between */
};

/* Faults by name, each from an instant on. */
struct world_fault {
    const char *name, *help;
    struct world_sight two, one; /* seen with two sensors on the plate, with one */
};
extern const struct world_fault world_faults[];
extern const int world_fault_count;

/* Each leaves the plate's first sensor in a state of its own: the later takes the place of the earlier. */
bool world_fault_replaces(int later, int earlier);
/* A plate's only sensor that stands still need not be seen beside it: what stood still moves on, or heat comes that
 * nobody tells of. */
bool world_fault_veils_still(int which);

int world_add_fault(struct world *world, const char *name, int64_t at_ms, struct tl_error *error);

/* What eyes see: the board lies on the plate, and flat. */
bool world_board_lies_flat(const struct world *world);

/* The hands on the bench's own contacts and knobs: the stop contact is pressed, the answer pedal is down,
 * a by-hand plate is set to knob_c (NAN = off); which rail the meter's leads are on. */
void world_contacts(struct world *world, bool stop, bool answer);
void world_knob(struct world *world, double knob_c);
void world_probe(struct world *world, int rail);

/* What a person does. part: index into the board's parts, -1 = the board or the upper board. */
void world_hand(struct world *world, enum hand hand, int part);
void world_hot_air(struct world *world, double watts, int part); /* 0 watts: away */

/* The rail that the person clipped the supply to; 0 at first. The supply knows nothing of rails. */
void world_clip(struct world *world, int rail);

/* True values, for the result and for the simulated person; no instrument tells them. */
struct world_truth {
    double plate_c, board_c, sensor_c[SENSORS];
    double joint_coldest_c[BOARD_JOINTS], joint_molten[BOARD_JOINTS];
    /* In this pass: when its first and last place melted, NAN = not yet. A pass ends when the joint is
     * wholly solid again. */
    double joint_first_melt_s[BOARD_JOINTS], joint_last_melt_s[BOARD_JOINTS];
    uint32_t joint_pass[BOARD_JOINTS];
    /* ... the segments that had such a place in the same step, a bit each */
    uint32_t joint_first_segments[BOARD_JOINTS], joint_last_segments[BOARD_JOINTS];
    /* ... when a place of what was wholly molten froze again, when what it holds was lifted, and for how long some of it
     * was liquid */
    double joint_freezes_s[BOARD_JOINTS], joint_lifted_s[BOARD_JOINTS], joint_liquid_s[BOARD_JOINTS];
    double part_ramp_c_s[BOARD_PARTS]; /* steepest rise over a second */
    double lateral_k;                  /* most between two places of one face of a board */
    double part_c[BOARD_PARTS], part_peak_c[BOARD_PARTS];
    double part_near_s[BOARD_PARTS]; /* for how long it was hotter than BOARD_NEAR_K below what it bears */
    double plate_peak_c, board_peak_c;
    double cool_c_s;          /* steepest fall of the board over 4 s */
    double torn;              /* share of solder still solid at the worst lift so far, 0 = clean */
    double heater_w, supply_v, supply_a;
    /* what drives, at this instant and not at the last tick */
    double duty, fan;         /* 0..1; duty counts only through a closed cut-off */
    bool supply_on, has_cutoff, cutoff_closed;
    double setpoint_c;        /* that a plate holds by itself; NAN = none */
    double supply_set_v;      /* what the supply was told, on or off; NAN = there is none */
    bool placed, upper_on;
    uint32_t stops;           /* stop pressed by the fault */
    bool recipe_hangs;        /* by the fault: turns no longer arrive */
    double put_j, lost_j, stored_j;
};
void world_truth(const struct world *world, struct world_truth *truth);

/* What a picture of the heat needs: every place of the joints, and each board's upper face, x fastest, as it was when
 * the first joint of the boards was wholly molten, or, until then, as it is. */
enum { WORLD_PLACES = 4096, WORLD_FACE = 128 * 128 };
struct world_place {
    int joint, segment; /* of it, from 0 */
    float x_mm, y_mm, melts_s, freezes_s; /* in the last pass; NAN = not */
};
struct world_heat {
    int places, cells_x[BOARD_LAYERS], cells_y[BOARD_LAYERS]; /* 0: no such board */
    float at_s;
    struct world_place place[WORLD_PLACES];
    float face_c[BOARD_LAYERS][WORLD_FACE];
};
void world_heat(const struct world *world, struct world_heat *heat);

/* What a meter shows on a rail, unpowered: ohms and diode volts, with its noise. */
double world_rail_ohms(struct world *world, int rail);
double world_rail_diode_v(struct world *world, int rail);
double world_rail_amps(struct world *world, int rail); /* drawn when it is fed its own volts, not switched on */

/* A generator of its own for whoever rehearses (operator delays): splitmix64, by seed. */
struct random {
    uint64_t state;
};
uint64_t random_next(struct random *random);
double random_unit(struct random *random);   /* [0, 1) */
double random_normal(struct random *random); /* mean 0, deviation 1, cut at 3 */

#endif
