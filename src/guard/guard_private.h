/* SPDX-License-Identifier: MIT */
/* What the guard's files share. */
#ifndef TINLATCH_GUARD_PRIVATE_H
#define TINLATCH_GUARD_PRIVATE_H

#include "tinlatch/control.h"
#include "tinlatch/guard.h"

enum {
    TOUCH_SAFE_MC = 45000, /* below the 48 C that ISO 13732-1 gives for long contact with metal */
    TOUCH_SAFE_MS = 30000,
    STALE_LEAST_MS = 1000,
    SILENT_MS =
        800, /* before its sensors count as stale, so that the cause is named, not its consequence */
    RECIPE_SILENT_MS = 2000,
    SOLID_UNKNOWN_MS =
        120000, /* hands off for so long when no estimate says when joints are solid */
};

struct guard {
    struct guard_config config;
    enum guard_mode mode;
    struct limits limits;
    struct limit_origins origins;
    struct device device[BENCH_DEVICES];
    bool in_use[BENCH_DEVICES], gone[BENCH_DEVICES];
    bool sensor_in_use[SENSORS];

    struct readings in;
    struct wanted want;
    struct granted out;
    struct drive drive;
    struct interlock interlock;
    struct control control;

    struct wire_turn turn;
    int64_t turn_ms;
    struct wire_hand hand;
    struct wire_snapshot snapshot;
    struct guard_trip trip;

    int64_t plate_fresh_ms; /* of the reading last added to the ramp's history */
    int64_t ended_ms,
        solid_ms;          /* when the run ended; when its joints are solid, as estimated then */
    int64_t safe_since_ms; /* -1: something is not touch-safe */
    bool solid_told;
};

/* gather.c */
void guard_gather(struct guard *guard, int64_t t_ms);
/* cooling.c: what the guard wants by itself once the run is over, and whether that is over too. */
void cooling_begin(struct guard *guard, int64_t t_ms);
void cooling_want(struct guard *guard, int64_t t_ms);
bool cooling_over(struct guard *guard, int64_t t_ms);
void cooling_hands(const struct guard *guard, char *text, size_t size);

#endif
