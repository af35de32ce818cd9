/* SPDX-License-Identifier: MIT */
/* What the proofs share. */
#ifndef TINLATCH_PROVE_PRIVATE_H
#define TINLATCH_PROVE_PRIVATE_H

#include "guard_private.h"
#include "tinlatch/prove.h"

/* A port that counts what goes through it. */
struct counted_port {
    struct port port;
    struct port *under;
    int32_t bytes, worst; /* in this period; in the worst one */
};

/* What was seen of an instrument since it was last cleared. */
struct seen_device {
    int64_t answered_ms; /* its last answer */
    int32_t answers, worst_gap_ms;
    bool silenced, differed, was_on;
    /* its own seconds at the first and last change that were seen */
    int64_t first_up_s, first_up_ms, last_up_s, last_up_ms;
};

struct seen_sensor {
    int64_t fresh_ms;
    int32_t readings, worst_age_ms;
    enum quality worst;
};

struct prover {
    const struct prove_config *config;
    const struct benchfile *bench;
    struct prove_talk *talk;
    struct guard *guard;
    struct clock clock;
    struct counted_port counted[BENCH_PORTS];
    int64_t began_ms, beat_ms, sign_ms; /* the period; the last beat, the keeper's last sign */
    bool scanned, settled, silent, over, keeper_gone; /* settled: that scan had every answer */
    int32_t periods;                                  /* since it was last cleared */
    uint32_t beats;
    struct seen_device device[BENCH_DEVICES];
    struct seen_sensor sensor[SENSORS];
    int64_t meter_ms;
    int32_t meter_answers;
};

/* prove.c: periods, until the time is up, `done` says so, or it is over. */
void prove_spend(struct prover *p, int64_t for_ms);
bool prove_until(struct prover *p, bool (*done)(struct prover *p, int i), int i, int64_t most_ms);
/* Not a byte to anything for so long; the keeper has its heartbeats. */
void prove_keep_silent(struct prover *p, int64_t for_ms);

/* prove_instruments.c */
void prove_identities(struct prover *p);
void prove_sensors(struct prover *p);
void prove_instruments(struct prover *p);
void prove_budgets(struct prover *p);
void prove_all_off(struct prover *p);

#endif
