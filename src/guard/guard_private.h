/* SPDX-License-Identifier: MIT */
/* What the guard's files share. */
#ifndef TINLATCH_GUARD_PRIVATE_H
#define TINLATCH_GUARD_PRIVATE_H

#include "tinlatch/account.h"
#include "tinlatch/control.h"
#include "tinlatch/guard.h"

enum {
    TOUCH_SAFE_MC = 45000, /* below the 48 C that ISO 13732-1 gives for long contact with metal */
    TOUCH_SAFE_MS = 30000,
    PLATE_SENSORS = SENSOR_PLATE_2 + 1, /* those on the plate stand first */
    STALE_LEAST_MS = 1000,
    SILENT_MS =
        800, /* before its sensors count as stale, so that the cause is named, not its consequence */
    RECIPE_SILENT_MS = 2000,
    RECIPE_MOST_MS = 10000, /* ... one that has not asked for power yet */
    LATE_PERIODS = 2,       /* a busy computer keeps a scan waiting for less */
    OFF_AGAIN_MS = 1000,
    LINGER_MS = 300000,         /* what can neither be told nor be told of is left after so long */
    SOLID_MOST_MS = 30 * 60000, /* no joint takes longer, whatever an estimate says */
    PARK_MOST_MS = 10 * 60000,  /* then heat is off while it stays parked */
    PRESENCE_ANSWER_MS = 60000, /* to touch a key once asked */
    SOLID_UNKNOWN_MS = 120000,  /* hands off for so long when no estimate says more */
    FALL_MC = 3000,             /* a plate that is off loses this much ... */
    FALL_MS = 60000,            /* ... within this time, ... */
    RISE_AFTER_MS = 10000,      /* and never rises by as much again, after this and some lags */
    FALL_ABOVE_MC = 100000,     /* ... or later where it is colder than this */
    RISING_MC_S = 50,           /* more than noise leaves in a ramp */
};

/* Readings over time: sums for their mean and, by least squares, their slope. */
struct trend {
    double n, t, c, tt, tc;
};

/* One pulse of heat into the empty plate, and what it should do to the reading. */
struct seat_test {
    bool on, wait_told, resting, unrest_told;
    int64_t
        rest_ms; /* from when on the readings before the pulse are watched; their trends' time begins here */
    struct trend before[PLATE_SENSORS], after[PLATE_SENSORS];
    double fall_c_s[PLATE_SENSORS]; /* without the pulse */
    int64_t begun_ms, at_ms, pulse_ms, settle_ms;
    int32_t duty_permille;
    double full_s, fed_s; /* the pulse as seconds of full power: planned, and what was fed so far */
    double rise_c;        /* late in the settling, by full_s */
    int32_t start_mc[PLATE_SENSORS]; /* a plate by hand: before its knob was set */
    bool set;         /* the person says that its knob is set; the reading is watched ... */
    int32_t still_mc; /* ... until it stays near this ... */
    int64_t still_ms; /* ... since then */
};

/* Is the plate's sensor known to be seated, and by which test? */
struct warm {
    bool offered, taken; /* a warm start may be asked for; nothing was touched, as a person says */
    bool seated;
    struct last_run proof;
};

/* The operator's park key: heat falls to the header's park temperature, timers stand still. */
struct parking {
    bool on;
    int32_t
        most_mc; /* the park temperature, or what the plate read when that was less: parking never heats it up */
    uint32_t seen; /* presses so far */
    int64_t since_ms;
};

/* Where the supply's leads hang, as far as anybody said: on the rail that was fed last, until a prompt is answered with
 * yes or a value while it is off. */
struct leads {
    bool fed, answered;
    int32_t rail;
    uint32_t prompt; /* that stood answered while it was on: no word of the time since */
};

/* As HANDS_MOST_MS, of all kinds together: beside some 20 min of air on a stack, half as long is enough to lay down, press
 * and lift. */
enum { HANDS_ALL_MS = 30 * 60000 };

/* Hands that the recipe announces: which, since when, and for how long in all: of each kind, at HAND_NONE of all kinds. */
struct hands {
    enum hand now;
    int64_t at_ms, total_ms[HANDS];
    bool told[HANDS];
};

/* The answer contact: the prompt that is open, since when, and whether a press has answered it. */
struct contact_answer {
    uint32_t prompt;
    int64_t open_ms;
    bool answered;
};

/* Presses of it that nothing had asked for: they wear off. */
struct unasked {
    int64_t wear_ms, at_ms;
    bool over; /* too many: in this run they are nobody's */
};

/* What was told of the contacts' wires: each once. */
struct loose_wires {
    bool stop, stuck, chatters;
};

/* What stands at the supply's output while it is off: the lowest since it last fell, and when that was. */
struct charge {
    int32_t mv; /* 0 = nothing that counts */
    int64_t since_ms;
};

/* A plate by hand: what its knob is to be at, and whether the plate goes there. */
struct knob {
    int32_t told_mc, due_mc; /* 0 = off */
    int64_t due_ms;          /* since when that is due */
    int64_t said_ms;         /* when it was last told, or the plate last moved there; 0 = never */
    int32_t from_mc;         /* what it then read, or has read since on the wrong way */
    bool moves;              /* it has moved there since it was told what stands */
    uint32_t presence;       /* what the keys had counted when the run was over */
};

/* Does the plate fall once the run is over? Until it is seen to, no estimate of the joints is worth anything. */
struct fall {
    int32_t from_mc;  /* the highest reading since it last fell by FALL_MC */
    int64_t since_ms; /* when that was */
    bool seen, stuck; /* has it fallen at all; has it stopped falling while hot */
    bool stuck_told;
    int32_t lowest_mc;       /* since what element and sensor held has come through */
    double floor_c;          /* what it cannot be below by itself, as of at_ms */
    int64_t at_ms, above_ms; /* when the reading was last not below it */
    bool too_fast;           /* it has been below it for a while */
};

/* Does the plate climb before anything is on? */
struct climb {
    int64_t since_ms, high_ms;
    int32_t from_mc, high_mc; /* what it climbs from; its highest, within what is noise */
    int32_t last_mc;          /* of the scan before */
};

/* While the fan blows on a plate that is not heated: the slowest that it can fall. */
struct fan_watch {
    int64_t since_ms, at_ms;
    int32_t from_mc;
    double slowest_c;
    bool told;
};

/* While the plate holds its temperature: for how long at full power, at least, in the minute that counts. */
struct hold_watch {
    int64_t since_ms, at_ms;
    double fed_ms;
    bool told;
};

/* What the plate was fed since the scan before, as shares of full power, at least and at most. */
struct feed {
    double now, low, high;
    int32_t fan_pct;
    int64_t at_ms;
};

/* Values that stepped away from the last good one, in a row. */
struct step_watch {
    bool known;        /* there is a good one */
    int64_t steady_ms; /* the first of those in a row that did not step away */
    int32_t bad, mc;
    int64_t at_ms;
    int32_t top_mc[2]; /* the highest of a board's in this minute, and in the one before */
    int64_t minute_ms; /* when this one began */
};

/* A frame that the line has not taken whole. */
struct unsent {
    struct frame frame;
    size_t sent;
};

struct guard {
    struct guard_config config;
    enum guard_mode mode;
    struct limits limits;
    struct limit_origins origins;
    struct device device[BENCH_DEVICES];
    bool in_use[BENCH_DEVICES], gone[BENCH_DEVICES];
    int talker[BENCH_PORTS];       /* the instrument that has the port; -1 = none yet this period */
    int64_t heard_ms[BENCH_PORTS]; /* when the last byte was heard on it; 0 = none yet */
    int asked[BENCH_PORTS];        /* of those that take turns: who was asked last, ... */
    int64_t answer_by_ms[BENCH_PORTS]; /* ... and until when an answer may come; 0 = it has */
    int64_t begun_ms;                  /* the period */
    struct unsent unsent[BENCH_DEVICES];
    int owed[BENCH_DEVICES]; /* so often last words are still to be said once the line is free */
    int64_t wake_ms;         /* when to look at the ports again; INT64_MAX = when bytes come */
    int64_t off_again_ms; /* when last words are next said to what does not show that it is off */
    uint32_t stops; /* every change of the front's count is a press, also one that goes back */
    int64_t good_ms[SENSORS]; /* when each sensor last read well */
    /* fills twice as fast while a sensor reads badly as it empties while it reads well */
    int32_t doubt_ms[SENSORS];
    bool doubted[SENSORS];
    struct step_watch step[SENSORS];
    enum quality last_bad[SENSORS];
    int64_t gathered_ms; /* the last scan */
    bool sensor_in_use[SENSORS];

    struct readings in;
    struct wanted want, judged; /* judged: what the interlock was asked in this scan */
    struct granted out;
    struct drive drive;
    struct interlock interlock;
    struct control control;
    struct feed fed;
    struct account account;

    struct wire_turn turn;
    int64_t turn_ms;
    bool powered; /* the recipe has wanted heat or supply */
    struct wire_hand hand;
    struct wire_snapshot snapshot;
    struct guard_trip trip;
    bool disobeyed; /* heat-uncommanded is latched, and told */

    struct wire_hello hello;     /* the recipe's */
    const struct insert *insert; /* the recipe's, on this bench */
    struct guard_watch watch;
    struct tl_error refusal;    /* why the run never began */
    struct wire_end recipe_end; /* how the recipe ended; code TL_MORE = it runs */
    int64_t hello_ms;
    bool ready;                    /* every instrument answered once */
    bool began;                    /* the recipe was let begin */
    int question;                  /* being asked, or next */
    uint32_t notes;                /* of the guard's own so far */
    uint32_t open_note;            /* of the guard's own prompt, 0 = none */
    bool disk_told;                /* that the latch is waited for */
    bool cold_asked, warmth_asked; /* what has cooled, and warmed it, after all other questions */
    struct seat_test seat;
    struct warm warm;
    struct parking parking;
    struct knob knob;
    uint32_t beeps; /* of the guard's own so far; the wish counts the recipe's too */
    struct fan_watch fan;
    struct hold_watch hold;
    struct hands hands;
    struct contact_answer contact;
    struct unasked unasked;
    struct loose_wires loose;
    struct leads leads;
    struct charge charge;
    int64_t held_ms, held_at_ms; /* time parked or paused; counted up to held_at_ms */
    uint32_t presence_seen, answers_seen;
    int64_t present_ms; /* when somebody last touched a key */
    bool away_told;

    int64_t plate_fresh_ms; /* of the reading last added to the ramp's history */
    int64_t ended_ms,
        solid_ms;          /* when the run ended; when its joints are solid, as estimated then */
    int32_t ended_mc;      /* what the plate read when the run ended */
    int64_t safe_since_ms; /* -1: something is not touch-safe */
    int64_t cool_by_ms;    /* when it can be, whatever a doubted sensor reads */
    bool solid_told;
    int64_t hands_ms; /* until when what the hands were told did hold */
    bool hands_shown; /* after a run that is done, too */
    struct climb climb;
    struct fall fall;
    bool warned[RULES]; /* which of them fired at the last scan */
};

/* guard.c */
void guard_enter(struct guard *guard, enum guard_event event, int64_t t_ms);
bool plate_is_by_hand(const struct guard *guard); /* no port: a person sets it */
/* ... and no contactor in its mains: nothing here can switch it off. */
bool plate_is_by_hand_alone(const struct guard *guard);
void guard_beep(struct guard *guard);
/* receive.c */
void guard_time_limits(struct guard *guard); /* those that follow from the bench alone */
/* pump.c */
void guard_last_words(struct guard *guard, int64_t t_ms);
void guard_off_again(struct guard *guard, int64_t t_ms);

/* missing.c: waited_ms is for the words alone */
bool is_missing(const struct guard *guard, int i);
void missing_words(const struct guard *guard, int i, int32_t waited_ms, char *text, size_t size);
/* Why a sensor's readings are not good; what it reads last counts for more than the worst that was seen: a
 * thermocouple that has been open for a while is stale too. */
const char *unread_words(const struct guard *guard, enum sensor_id id, enum quality worst);
/* The first of what the run uses that does not read, or a stop that is pressed; false: everything is there. */
bool missing_first(const struct guard *guard, int32_t waited_ms, char *text, size_t size);

/* arming.c */
void guard_say(struct guard *guard, enum note_kind kind, int64_t t_ms, const char *text);
void guard_refuse(struct guard *guard, enum tl_err code, int64_t t_ms, const char *text);
int32_t questions_left(const struct guard *guard);
void checking_step(struct guard *guard, int64_t t_ms);
/* Not on the disk yet? Told of when it takes long, and not for ever. */
bool latch_is_awaited(struct guard *guard, int64_t t_ms);
/* room.c: what the sensors read before the first heat */
#define ROOM_CAUSES                                                                                \
    "a sensor's type or unit is not as in the bench file, its cold junction is off, or [bench] "   \
    "room is"
/* Colder than anything in it can be? `why` says so. */
bool room_is_undercut(const struct guard *guard, char *why, size_t size);
/* Cold, as a room or a board can be? `question` asks whether it is. */
bool room_is_cold(const struct guard *guard, char *question, size_t size);
/* Warmer than it, or not all the same? `question` asks what for. */
bool room_is_exceeded(const struct guard *guard, char *question, size_t size);
/* Volts at the supply's output before it was ever on? `why` says so. */
enum { FED_MV = 300 };
bool board_is_fed(const struct guard *guard, char *why, size_t size);
/* Every scan before anything is on. Does the plate climb as only heat makes it? `why` says so. */
bool room_heats(struct guard *guard, int64_t t_ms, char *why, size_t size);
/* seat.c */
void seating_step(struct guard *guard, int64_t t_ms);
bool seat_rise_is_right(int64_t permille);
bool seat_can_be_proved(const struct guard *guard); /* the guard knows what is fed */
/* Still above below_mc? Said once, with how long it takes. */
bool seat_waits(struct guard *guard, int32_t below_mc, const char *what, int64_t t_ms);

/* warm.c */
void warm_offer(struct guard *guard, int64_t t_ms);
void warm_step(struct guard *guard, int64_t t_ms);
/* permille: of the rise expected; 0 where no seat can be proved. */
void warm_prove(struct guard *guard, int permille, int64_t t_ms);
double warm_cooling_s(const struct guard *guard, double from_c, double to_c); /* in still air */

/* attend.c: the person at the bench: presence, park, knob */
void attend_step(struct guard *guard, int64_t t_ms);
/* What the contact has answered stands until its prompt closes, whatever else the front sends. */
void attend_keep_answer(const struct guard *guard, struct wire_hand *hand);
void attend_park(struct guard *guard, int64_t t_ms);
/* What is left of hands that the recipe announces, once their time is over. */
enum hand attend_hands(struct guard *guard, enum hand announced, int64_t t_ms);
void attend_knob(struct guard *guard, int64_t t_ms); /* says what a plate by hand is to be set to */
void attend_end(struct guard *guard, int64_t t_ms);  /* the run is over just now */
/* Once it is: calls a person to a plate that only a hand switches off, until it is seen to cool. */
void attend_off(struct guard *guard, int64_t t_ms);
bool knob_is_turned(const struct guard *guard); /* the plate goes where its knob was told to be */
void attend_leads(struct guard *guard);
bool leads_may_be_on(const struct guard *guard, int32_t rail);

/* fan.c */
void fan_watch(struct guard *guard, int64_t t_ms);
/* hold.c */
void hold_watch(struct guard *guard, int64_t t_ms);

/* gather.c */
void guard_gather(struct guard *guard, int64_t t_ms);
/* It reads well, and for long enough that its value is no spike. */
bool reads_steadily(const struct guard *guard, enum sensor_id id);
uint32_t stop_count(const struct guard *guard); /* presses of stop, any source */
/* feed.c */
void feed_account(struct guard *guard, int64_t t_ms);
/* cooling.c: what the guard wants by itself once the run is over, and whether that is over too. */
void cooling_begin(struct guard *guard, int64_t t_ms);
void cooling_want(struct guard *guard, int64_t t_ms);
bool touch_safe(const struct guard *guard); /* every sensor in use reads so */
bool cooling_over(struct guard *guard, int64_t t_ms);
void cooling_hands(const struct guard *guard, int64_t t_ms, char *text, size_t size);

#endif
