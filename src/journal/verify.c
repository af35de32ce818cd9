/* SPDX-License-Identifier: MIT */
/* Judges a record again: the interlock that ran then is the one that is called here. */
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "chain.h"
#include "tinlatch/record.h"

struct replay {
    struct record_verdict *verdict;
    struct record_line line;
    bool started, limited, stepped;
    struct limits limits;
    struct interlock interlock;
    int64_t n;        /* of the last scan */
    bool told[RULES]; /* rule lines since then */
};

static bool wrong(struct replay *r, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* The first thing that is wrong is told; false. */
static bool wrong(struct replay *r, const char *format, ...)
{
    va_list args;
    if (r->verdict->bad_line)
        return false;
    r->verdict->bad_line = r->line.number;
    va_start(args, format);
    vsnprintf(r->verdict->why, sizeof r->verdict->why, format, args);
    va_end(args);
    return false;
}

static bool take_start(struct replay *r)
{
    const struct record_start *start = &r->line.start;
    snprintf(r->verdict->version, sizeof r->verdict->version, "%s", start->version);
    if (r->started)
        return wrong(r, "a second start");
    r->started = true;
    if (start->format == RECORD_FORMAT)
        return true;
    return wrong(r, "format %lld: this version verifies format %d", (long long)start->format,
                 RECORD_FORMAT);
}

static bool take_limits(struct replay *r)
{
    char text[BENCH_TEXT];
    if (r->limited)
        return wrong(r, "limits a second time");
    r->limited = true;
    r->limits = r->line.limits;
    interlock_begin(&r->interlock, 0);
    const char *not_whole = interlock_validate(&r->limits, text);
    return !not_whole || wrong(r, "no guard takes these limits: %s", not_whole);
}

static bool take_rule(struct replay *r)
{
    if (r->line.rule < 0)
        return wrong(r, "a rule that this version does not have");
    r->told[r->line.rule] = true;
    return true;
}

/* ---- one scan ------------------------------------------------------------------------------- */

/* "the record has 172000, the interlock gives 0" */
static bool same(struct replay *r, const char *what, int64_t recorded, int64_t judged)
{
    if (recorded == judged)
        return true;
    return wrong(r, "%s: the record has %lld, the interlock gives %lld on these readings", what,
                 (long long)recorded, (long long)judged);
}

/* A scan that ends the run has everything off at once, the fan too. */
static bool same_grant(struct replay *r, const struct granted *judged)
{
    const struct granted *out = &r->line.scan.out;
    bool stilled = r->interlock.tripped && out->fan_pct == 0;
    return same(r, "heat granted", out->heat, judged->heat) &&
           same(r, "temperature granted", out->temp_mc, judged->temp_mc) &&
           same(r, "ramp granted", out->ramp_mc_s, judged->ramp_mc_s) &&
           same(r, "supply granted", out->supply_on, judged->supply_on) &&
           same(r, "volts granted", out->mv, judged->mv) &&
           same(r, "amps granted", out->ma, judged->ma) &&
           (stilled || same(r, "fan granted", out->fan_pct, judged->fan_pct));
}

/* The rule that a snapshot names: what ended the run, else what pauses it. */
static int32_t shown_rule(const struct interlock *il)
{
    if (il->tripped)
        return (int32_t)il->first_out;
    for (int32_t id = 0; id < RULES; id++)
        if (rules[id].kind == RULE_PAUSE && il->state[id].fired)
            return id;
    return -1;
}

static int32_t fired_rules(const struct interlock *il)
{
    int32_t fired = 0;
    for (int32_t id = 0; id < RULES; id++)
        fired += il->state[id].fired;
    return fired;
}

static int32_t heat_left_ms(const struct replay *r)
{
    int64_t left_ms = r->limits.heat_time_ms - r->interlock.heat_ms;
    return left_ms > 0 ? (int32_t)left_ms : 0;
}

static bool same_rules(struct replay *r, bool was_tripped)
{
    const struct record_scan *scan = &r->line.scan;
    const struct interlock *il = &r->interlock;
    int32_t shown = shown_rule(il);
    for (int32_t id = 0; id < RULES; id++)
        if (r->told[id] && !il->state[id].fired && !il->state[id].latched)
            return wrong(r, "%s is told to have fired; on these readings it does not",
                         rules[id].id);
    if (il->tripped && !was_tripped && !r->told[il->first_out])
        return wrong(r, "%s trips on these readings; the record does not tell it",
                     rules[il->first_out].id);
    if (scan->rule != shown)
        return wrong(r, "the rule: the record has %s, the interlock %s on these readings",
                     scan->rule < 0 ? "none" : rules[scan->rule].id,
                     shown < 0 ? "none" : rules[shown].id);
    if (il->tripped && scan->mode != GUARD_COOLING && scan->mode != GUARD_ENDED)
        return wrong(r, "%s has tripped, and the run goes on", rules[il->first_out].id);
    return same(r, "rules that act", scan->fired, fired_rules(il)) &&
           same(r, "heat time left, ms", scan->heat_left_ms, heat_left_ms(r));
}

static bool nothing_is_granted(struct replay *r)
{
    const struct granted *out = &r->line.scan.out;
    return same(r, "heat granted before everything was read", out->heat || out->temp_mc, 0) &&
           same(r, "supply granted before everything was read", out->supply_on || out->mv, 0);
}

static bool take_scan(struct replay *r)
{
    const struct record_scan *scan = &r->line.scan;
    struct granted judged;
    bool was_tripped = r->interlock.tripped;
    if (!r->limited && scan->judged)
        return wrong(r, "judged before there were limits");
    if (scan->n != r->n + 1)
        return wrong(r, "scan %lld follows scan %lld: what lies between is missing",
                     (long long)scan->n, (long long)r->n);
    r->n = scan->n;
    r->verdict->scans++;
    r->verdict->duration_s = (double)scan->in.t_ms / 1000;
    if (!scan->judged)
        return nothing_is_granted(r);
    if (r->stepped && scan->in.t_ms < r->interlock.stepped_ms)
        return wrong(r, "time goes back");
    r->stepped = true;
    interlock_step(&r->interlock, &r->limits, &scan->in, &scan->want, scan->in.t_ms, &judged);
    if (!same_grant(r, &judged) || !same_rules(r, was_tripped))
        return false;
    memset(r->told, 0, sizeof r->told);
    return true;
}

/* ---- the whole ------------------------------------------------------------------------------ */

static bool take_line(struct replay *r)
{
    enum record_kind kind = r->line.kind;
    bool other = kind == RECORD_START && r->line.start.format != RECORD_FORMAT;
    if (!r->line.linked && !other)
        return wrong(r, "it is not the line that was written: its link does not fit");
    if (!r->started && kind != RECORD_START)
        return wrong(r, "a record begins with its start");
    if (r->verdict->ended && kind != RECORD_JOB && kind != RECORD_OTHER)
        return wrong(r, "it stands behind the end");
    switch (kind) {
    case RECORD_START:
        return take_start(r);
    case RECORD_LIMITS:
        return take_limits(r);
    case RECORD_SCAN:
        return take_scan(r);
    case RECORD_RULE:
        return take_rule(r);
    case RECORD_END:
        r->verdict->ended = true;
        break;
    case RECORD_NOTE:
    case RECORD_JOB:
    case RECORD_HAND:
    case RECORD_EVENT:
    case RECORD_OTHER:
    case RECORD_KINDS:
        break;
    }
    return true;
}

static void write_fingerprint(const struct record *record, char *to)
{
    static const char digits[] = "0123456789abcdef";
    for (int i = 0; i < RECORD_LINK; i++) {
        to[2 * i] = digits[record->link[i] >> 4];
        to[2 * i + 1] = digits[record->link[i] & 15];
    }
    to[2 * RECORD_LINK] = '\0';
}

void record_verify(const char *text, size_t length, struct record_verdict *verdict)
{
    struct replay r = {.verdict = verdict};
    struct record record;
    int more;
    *verdict = (struct record_verdict){0};
    record_open(&record, text, length);
    while (!verdict->bad_line && (more = record_next(&record, &r.line)) != 0)
        if (more < 0)
            wrong(&r, "it is no line of a record");
        else
            take_line(&r);
    verdict->lines = record.lines;
    verdict->torn = record.torn;
    verdict->whole = verdict->ended && !verdict->torn && !verdict->bad_line;
    write_fingerprint(&record, verdict->fingerprint);
}
