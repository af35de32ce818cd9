/* SPDX-License-Identifier: MIT */
/* What the verbs share. */
#ifndef TINLATCH_CLI_PRIVATE_H
#define TINLATCH_CLI_PRIVATE_H

#include "options.h"
#include "paths.h"
#include "tinlatch/run.h"

/* Where a verb speaks. */
struct cli {
    struct options options;
    FILE *out, *err;
    int lost;               /* errno of the first write to `out` that failed, 0 = none */
    char record[PATH_SIZE]; /* of the run that it has done; "" = none */
};

/* One file per verb; check.c, rehearse.c and trials.c share play.c. */
enum outcome verb_check(struct cli *cli);
enum outcome verb_rehearse(struct cli *cli);
enum outcome verb_run_bench(struct cli *cli);
enum outcome verb_clear(struct cli *cli);
enum outcome verb_runs(struct cli *cli);
enum outcome verb_report(struct cli *cli);
enum outcome verb_mimic(struct cli *cli);
enum outcome verb_bench(struct cli *cli);
enum outcome verb_key(struct cli *cli);
enum outcome verb_pack(struct cli *cli);
enum outcome verb_inspect(struct cli *cli);
enum outcome verb_accept(struct cli *cli);
enum outcome verb_shelf(struct cli *cli);
enum outcome verb_trials(struct cli *cli);
enum outcome verb_help(struct cli *cli);

/* May this stream be coloured? A terminal that is not dumb, and no NO_COLOR. */
bool wants_colour(FILE *out);

/* Load, rehearse, keep the record, print. */
enum outcome play(struct cli *cli);

/* Load, rehearse in many draws, print. */
enum outcome play_many(struct cli *cli);

/* How wide `out` is: COLUMNS where it is set, else the terminal's own; 0 = not known. */
int columns_of(FILE *out);

/* Do both streams end up under the same eyes, one below the other? */
bool same_place(FILE *a, FILE *b);

/* `text` from column `from` on, broken between words at the width of `out`: 60 to 100 columns, 80 where it is not
 * known. Ends the line. A newline in it is a blank. */
void write_folded(FILE *out, const char *text, int from);

/* `help shipped`. */
int shipped_write(FILE *out, struct tl_error *error);

/* What show_error writes. */
void error_text(const struct tl_error *error, const char *source, size_t length, char *out,
                size_t size);

/* An error in the one form; `source` (may be NULL) is the text of the file it names. */
void show_error(FILE *err, const struct tl_error *error, const char *source, size_t length);

/* The end of a command that never got to its work: told on `err`, and as an object under --json. */
enum outcome cli_refuse(const struct cli *cli, const struct tl_error *error, const char *source,
                        size_t length);
/* The same with another outcome. */
enum outcome cli_end(const struct cli *cli, enum outcome outcome, const struct tl_error *error,
                     const char *source, size_t length);

/* Hand on what `out` holds; a failure is kept for cli_flushed. */
void cli_flush(struct cli *cli);

/* Has all of `out` been written? If not: told on `err`, and `outcome` is no success any more. A
 * reader that has seen enough (EPIPE) is no failure. */
enum outcome cli_flushed(struct cli *cli, enum outcome outcome);

#endif
