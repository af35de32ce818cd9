/* SPDX-License-Identifier: MIT */
#include "evidence.h"

#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/bytes.h"

enum { SEEDS = 3, NEAREST = 3 };
static const double AGREES =
    0.15; /* the same build agrees within 0.1 K and one scan on another machine */

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

static void add_number(struct evidence *evidence, int seed, const char *what, double value,
                       const char *unit)
{
    char key[96];
    snprintf(key, sizeof key, "seed %d %s", seed, what);
    if (isnan(value))
        add(evidence, key, "not known");
    else
        add(evidence, key, "%.1f %s", value, unit);
}

static void add_end(struct evidence *evidence, int seed, const struct run *run)
{
    const char *why = run->tripped ? run->trip_words.what : run->error.code ? run->error.text : "";
    char key[64];
    snprintf(key, sizeof key, "seed %d outcome", seed);
    add(evidence, key, "%s%s%s", outcome_name(run->outcome), why[0] ? ": " : "", why);
}

static void add_margins(struct evidence *evidence, int seed, const struct run *run)
{
    for (int i = 0; i < run->margin_count && i < NEAREST; i++) {
        const struct run_margin *margin = &run->margin[i];
        char key[64];
        snprintf(key, sizeof key, "seed %d left of %s", seed, margin->limit);
        if (!isnan(margin->worst))
            add(evidence, key, "%.2f of %.2f %s", margin->value - margin->worst, margin->value,
                unit_base(margin->unit));
    }
}

static void add_run(struct evidence *evidence, int seed, const struct run *run)
{
    char what[64];
    add_end(evidence, seed, run);
    add_number(evidence, seed, "time", run->duration_s, "s");
    add_number(evidence, seed, "hottest plate", run->peak_true_c, "C");
    add_number(evidence, seed, "hottest board", run->peak_board_c, "C");
    for (int i = 0; i < run->melt_count; i++) {
        snprintf(what, sizeof what, "%s molten", run->melt[i].joint);
        add_number(evidence, seed, what, run->melt[i].at_s, "s");
        snprintf(what, sizeof what, "%s in truth", run->melt[i].joint);
        add_number(evidence, seed, what, run->melt[i].true_last_s, "s");
    }
    add_margins(evidence, seed, run);
}

int evidence_make(const struct rehearse_setup *setup, const struct bench_source *bench,
                  struct evidence *evidence, struct run *run, struct tl_error *error)
{
    char hash[SIGN_HASH];
    struct rehearse_setup seeded = *setup;
    struct run *other = malloc(sizeof *other);
    int failed = other ? 0 : tl_error_set(error, TL_SYSTEM, "out of memory");
    evidence->count = 0;
    sign_sha256(bench->text, bench->length, hash);
    add(evidence, "program", "tinlatch %s", TINLATCH_VERSION);
    add(evidence, "bench", "%s", bench->bench.name[0] ? bench->bench.name : "without a name");
    add(evidence, "bench file", "%s", hash);
    for (int seed = 1; seed <= SEEDS && !failed; seed++) {
        struct run *here = seed == 1 ? run : other;
        seeded.seed = seeded.recipe.seed = (uint64_t)seed;
        failed = rehearse(&seeded, -1, here, error);
        if (!failed)
            add_run(evidence, seed, here);
    }
    free(other);
    return failed;
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
    evidence->count = 0;
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
