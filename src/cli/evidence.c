/* SPDX-License-Identifier: MIT */
#include "evidence.h"

#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/bytes.h"
#include "tinlatch/file.h"
#include "tinlatch/trials.h"

enum {
    DRAWS = 30, /* none of them failed: nine in ten are safe, with 95 % confidence */
    NEAREST = 3,
    FAILURES = 3,
    PROGRAM_BYTES = 64 << 20,
};
/* the same build agrees within 0.1 K and one scan on another machine */
static const double AGREES = 0.15;

__attribute__((format(printf, 3, 4))) static void add(struct evidence *evidence, const char *key,
                                                      const char *format, ...)
{
    if (evidence->count == EVIDENCE_ROWS)
        return;
    struct evidence_row *row = &evidence->row[evidence->count++];
    char value[512];
    va_list values;
    va_start(values, format);
    vsnprintf(value, sizeof value, format, values);
    va_end(values);
    for (char *c = value; *c; c++)
        if (*c == '\n')
            *c = ' ';
    bytes_copy_text(row->key, sizeof row->key, key);
    bytes_copy_text(row->value, sizeof row->value, value);
}

static void add_number(struct evidence *evidence, const char *what, double value, const char *unit)
{
    char key[96];
    snprintf(key, sizeof key, "first draw, %s", what);
    if (isnan(value))
        add(evidence, key, "not known");
    else
        add(evidence, key, "%.1f %s", value, unit);
}

static void add_end(struct evidence *evidence, const struct run *run)
{
    const char *why = run->tripped ? run->trip_words.what : run->error.code ? run->error.text : "";
    add(evidence, "outcome", "%s%s%s", outcome_name(run->outcome), why[0] ? ": " : "", why);
}

/* From its last place molten until it was lifted, or until its first place froze. */
static void add_window(struct evidence *evidence, const struct run_joint *joint)
{
    char what[64];
    bool lifted = joint->lifted_s >= joint->last_s;
    if (isnan(joint->last_s))
        return;
    snprintf(what, sizeof what, "%s %s", joint->joint, lifted ? "lifted after" : "open for");
    add_number(evidence, what, (lifted ? joint->lifted_s : joint->freezes_s) - joint->last_s, "s");
}

static void add_run(struct evidence *evidence, const struct run *run)
{
    char what[64];
    add_end(evidence, run);
    add_number(evidence, "time", run->duration_s, "s");
    add_number(evidence, "hottest plate", run->peak_true_c, "C");
    add_number(evidence, "hottest board", run->peak_board_c, "C");
    for (int i = 0; i < run->melt_count; i++) {
        snprintf(what, sizeof what, "%s molten", run->melt[i].joint);
        add_number(evidence, what, run->melt[i].at_s, "s");
        snprintf(what, sizeof what, "%s in truth", run->melt[i].joint);
        add_number(evidence, what, run->melt[i].true_last_s, "s");
    }
    for (int i = 0; i < run->joint_count; i++)
        add_window(evidence, &run->joint[i]);
}

/* ---- many draws ------------------------------------------------------------------------------------ */

static void add_outcomes(struct evidence *evidence, const struct trials *trials)
{
    char key[64];
    int told = 0;
    for (int i = 0; i < trials->draws; i++)
        evidence->done += trials->trial[i].outcome == RUN_DONE;
    evidence->draws = trials->draws;
    add(evidence, "draws done", "%d of %d", evidence->done, evidence->draws);
    for (int i = 0; i < trials->draws && told < FAILURES; i++) {
        const struct trial *trial = &trials->trial[i];
        if (trial->outcome == RUN_DONE)
            continue;
        snprintf(key, sizeof key, "draws, seed %d", (int)trial->seed);
        add(evidence, key, "%s: %s", outcome_name(trial->outcome), trial->text);
        told++;
    }
}

/* Over the draws in which the joint was wholly molten in truth: when that was, and how much later the recipe counted it as
 * molten (below 0: too early). */
static void add_melt(struct evidence *evidence, const struct trials *trials, int melt)
{
    const char *joint = trials->first->melt[melt].joint;
    char key[64];
    double least_s = INFINITY, most_s = -INFINITY, soonest_s = INFINITY, latest_s = -INFINITY;
    for (int i = 0; i < trials->draws; i++) {
        const struct trial *trial = &trials->trial[i];
        const struct run_melt *m = &trial->melt[melt];
        if (melt >= trial->melt_count || isnan(m->true_last_s))
            continue;
        least_s = fmin(least_s, m->true_last_s);
        most_s = fmax(most_s, m->true_last_s);
        soonest_s = fmin(soonest_s, m->at_s - m->true_last_s);
        latest_s = fmax(latest_s, m->at_s - m->true_last_s);
    }
    if (least_s > most_s)
        return;
    snprintf(key, sizeof key, "draws, %s in truth", joint);
    add(evidence, key, "%.1f to %.1f s", least_s, most_s);
    snprintf(key, sizeof key, "draws, %s counted later", joint);
    add(evidence, key, "%.1f to %.1f s", soonest_s, latest_s);
}

static const struct run_margin *margin_named(const struct trial *trial, const char *limit)
{
    for (int i = 0; i < trial->margin_count; i++)
        if (strcmp(trial->margin[i].limit, limit) == 0)
            return &trial->margin[i];
    return NULL;
}

/* The least that any draw left of a limit. */
static void add_margin(struct evidence *evidence, const struct trials *trials,
                       const struct run_margin *of)
{
    double least = INFINITY;
    char key[64];
    for (int i = 0; i < trials->draws; i++) {
        const struct run_margin *margin = margin_named(&trials->trial[i], of->limit);
        if (margin && !isnan(margin->worst))
            least = fmin(least, margin->value - margin->worst);
    }
    if (!isfinite(least))
        return;
    snprintf(key, sizeof key, "draws, least of %s", of->limit);
    add(evidence, key, "%.2f of %.2f %s", least, of->value, unit_base(of->unit));
}

static void add_trials(struct evidence *evidence, const struct trials *trials)
{
    add_outcomes(evidence, trials);
    for (int i = 0; i < trials->first->melt_count; i++)
        add_melt(evidence, trials, i);
    for (int i = 0; i < trials->first->margin_count && i < NEAREST; i++)
        add_margin(evidence, trials, &trials->first->margin[i]);
}

/* Figures of another build may differ for reasons of its own: a version is not enough to call somebody a liar. */
static void add_build(struct evidence *evidence)
{
    char hash[SIGN_HASH], *program;
    size_t length;
    if (file_read("/proc/self/exe", PROGRAM_BYTES, &program, &length, NULL) != 0)
        return;
    sign_sha256(program, length, hash);
    add(evidence, "build", "%s", hash);
    free(program);
}

int evidence_make(const struct rehearse_setup *setup, const struct bench_source *bench,
                  struct evidence *evidence, struct run *run, struct tl_error *error)
{
    char hash[SIGN_HASH];
    struct trials trials;
    struct trials_setup draws = {.rehearsal = *setup, .draws = DRAWS};
    draws.rehearsal.seed = draws.rehearsal.recipe.seed = 1;
    int failed = trials_new(&trials, &draws, error);
    if (failed)
        return failed;
    *evidence = (struct evidence){0};
    sign_sha256(bench->text, bench->length, hash);
    add(evidence, "program", "tinlatch %s", TINLATCH_VERSION);
    add_build(evidence);
    add(evidence, "bench", "%s", bench->bench.name[0] ? bench->bench.name : "without a name");
    add(evidence, "bench file", "%s", hash);
    add_run(evidence, trials.first);
    if (trials.draws > 0)
        add_trials(evidence, &trials);
    *run = *trials.first;
    trials_free(&trials);
    return 0;
}

void evidence_write(const struct evidence *evidence, FILE *out)
{
    for (int i = 0; i < evidence->count; i++)
        fprintf(out, "%s: %s\n", evidence->row[i].key, evidence->row[i].value);
}

int evidence_read(const char *text, size_t length, struct evidence *evidence,
                  struct tl_error *error)
{
    int number = 0;
    *evidence = (struct evidence){0};
    for (const char *at = text, *end = text + length; at < end;) {
        const char *stop = memchr(at, '\n', (size_t)(end - at));
        size_t line = (size_t)((stop ? stop : end) - at);
        const char *colon = memmem(at, line, ": ", 2);
        struct evidence_row *row = &evidence->row[evidence->count];
        number++;
        if (!colon || evidence->count == EVIDENCE_ROWS || (size_t)(colon - at) >= sizeof row->key ||
            line - (size_t)(colon - at) - 2 >= sizeof row->value) {
            tl_error_set(error, TL_SYNTAX, "evidence: expected \"KEY: VALUE\", at most %d lines",
                         EVIDENCE_ROWS);
            tl_error_at(error, "evidence.txt", number);
            return TL_SYNTAX;
        }
        snprintf(row->key, sizeof row->key, "%.*s", (int)(colon - at), at);
        snprintf(row->value, sizeof row->value, "%.*s", (int)(at + line - colon - 2), colon + 2);
        evidence->count++;
        at += line + 1;
    }
    return 0;
}

const char *evidence_value(const struct evidence *evidence, const char *key)
{
    for (int i = 0; i < evidence->count; i++)
        if (strcmp(evidence->row[i].key, key) == 0)
            return evidence->row[i].value;
    return NULL;
}

bool evidence_agrees(const char *one, const char *other)
{
    if (strcmp(one, other) == 0) /* a hash may look like a number beyond all bounds */
        return true;
    for (;;) {
        char *after_one, *after_other;
        double a = strtod(one, &after_one), b = strtod(other, &after_other);
        if (after_one != one && after_other != other) {
            if (!(fabs(a - b) <= AGREES))
                return false;
            one = after_one;
            other = after_other;
        } else if (*one != *other) {
            return false;
        } else if (*one == '\0') {
            return true;
        } else {
            one++;
            other++;
        }
    }
}
