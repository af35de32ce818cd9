/* SPDX-License-Identifier: MIT */
#include "options_private.h"

#include <errno.h>
#include <math.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include "cli_private.h"
#include "job.h"
#include "tinlatch/quantity.h"

const struct verb verbs[VERBS] = {
    [VERB_CHECK] =
        {"check", "RECIPE", true, false, "header, limits, worst-case time, one rehearsal; verdict",
         "Reads the recipe and its board file, merges the limits, adds up the time that every\n"
         "timeout of the path would take, and rehearses once. Prints the same as\n"
         "rehearse, but for what was said and done at the bench."},
    [VERB_REHEARSE] =
        {"rehearse", "RECIPE", true, false, "dry run on the simulated bench",
         "Runs the recipe on the simulated bench and shows it: limits, stages, a chart of\n"
         "plate, board and joint, the margin to every limit, the verdict. Nothing is heated;\n"
         "no port is opened."},
    [VERB_RUN] =
        {"run", "RECIPE", true, false, "the real bench",
         "Rehearses the whole recipe on this bench first: what it gets wrong, down to its last\n"
         "step, is told at its line, as check does, and nothing is opened or asked. A rehearsal\n"
         "that does not end as done for another reason (a trip, a wait in vain, an error that the\n"
         "recipe raises after an answer or a measurement) proves nothing: one line says so.\n"
         "Then starts the guard, which opens the ports that the bench file names, proves each\n"
         "instrument, asks its questions and tests the seat of the sensors; then the recipe runs,\n"
         "with the live view on the terminal. There is no default bench: without --bench or a\n"
         "bench.ini of your own it refuses. So it does while a trip is latched. Only the ports\n"
         "in use are locked: a run that needs others may go on beside it. What the screen shows\n"
         "and the keys do: docs/reference/live-view.md."},
    [VERB_CLEAR] =
        {"clear", "", false, false, "look at a latched trip, give the reason, release it",
         "Shows the trip that is latched: what happened, what to do, what to look at. Asks for "
         "the\n"
         "reason, by number or in your own words, adds it to the clearings beside the records and\n"
         "removes the latch; then the next one, if two runs at once have tripped (--reason stands\n"
         "for all). While a run goes on it shows the first and releases nothing. With nothing\n"
         "latched it says so."},
    [VERB_RUNS] =
        {"runs", "list|show|export|verify|add", true, true, "the records",
         "list: the records of runs, the newest first (--rehearsals: of rehearsals), all\n"
         "or some, by --recipe, --serial, --outcome and --since. The others take a record:\n"
         "its path, its name, a part of the name that no other has, or `last`. show: the\n"
         "run as it was, in the terminal. export: a line of CSV per scan, or with --json\n"
         "all of it as one object. verify: every line is the one that was written, and the\n"
         "interlock, given the recorded readings again, decides the same at every scan;\n"
         "what does not hold is told with its line. Without a record: all of them. add:\n"
         "what became known after the run, by --after, --photo, --note and their like, is\n"
         "added behind its end. docs/reference/record.md."},
    [VERB_REPORT] =
        {"report", "RUN", true, false, "a run as one page that needs nothing else",
         "Writes NAME.html, into the current directory or --out DIR: chart, stages,\n"
         "margins, limits with their origins, what was asked, answered and measured, and\n"
         "the figures behind it all. One file, without network or the scripts of others,\n"
         "for screen and paper. --customer: one sheet for the owner of the device instead,\n"
         "NAME-customer.html. RUN is named as for `runs show`."},
    [VERB_MIMIC] =
        {"mimic", "[RECIPE]", false, false, "emulated instruments on pseudo-terminals",
         "Gives each port of the bench file a pseudo-terminal with emulated instruments behind\n"
         "it, in real time; prints the bench file with these ports (--out: into DIR/bench.ini),\n"
         "and runs until SIGINT, SIGTERM or --until. RECIPE: its insert is the one on the plate\n"
         "and its board lies beside, until `place` is typed; without it the plate is bare. At its\n"
         "end it tells what the plate's true temperature did and when each output was last on.\n"
         "docs/reference/mimic.md."},
    [VERB_BENCH] =
        {"bench", "list|check|learn", true, false, "ports, protections, the plate's constants",
         "list: every serial port of this machine, its stable name, who holds it, whether you may\n"
         "open it and the one command that mends it; opens none (--json: `ports`). check: opens\n"
         "the bench's ports, has each instrument show what a run relies on, and says what\n"
         "protects this bench and what does not: docs/reference/bench-check.md.\n"
         "learn: runs recipes/learn-plate.lua, a step test of the empty plate, on the bench; heat\n"
         "capacity, losses and lags of the plate out of its record, or out of --from RECORD; a\n"
         "poor fit is refused. With --coupon and --from: the insert's contacts out of the record\n"
         "of recipes/learn-coupon.lua, the plate taken as learned; what such a record cannot tell\n"
         "is left as stated, and it says so. With --out they are written: DIR/bench.ini is the\n"
         "bench file with these keys in it."},
    [VERB_KEY] =
        {"key", "new|trust|list...", true, true, "the keys that sign, and whose count",
         "new NAME: makes a key of your own, its secret half encrypted with a passphrase that is\n"
         "asked for (a line of standard input where that is no terminal; --no-passphrase: none).\n"
         "show NAME: its public half, to be given to others. trust FILE: what this key signs "
         "counts\n"
         "here; FILE may be the 56 characters themselves, then --as NAME says whose they are. "
         "drop\n"
         "NAME takes that back. list: all of them."},
    [VERB_PACK] =
        {"pack", "RECIPE", true, false, "a recipe with all it needs as one signed text file",
         "Rehearses the recipe; packs it with the modules it requires, its board file, notes and\n"
         "licence that --notes and --licence name, and what the rehearsals showed; signs all of "
         "it\n"
         "with --key NAME, or the only key there is. The header must have a version. Writes\n"
         "NAME-VERSION.tinlatch here, or into --out DIR. docs/reference/pack.md."},
    [VERB_INSPECT] =
        {"inspect", "FILE", true, false,
         "what a pack is, who signed it, what it does on your bench",
         "Verifies the pack before anything of it is read. Tells what it is and who signed it; "
         "what\n"
         "it can ask for at most and what it needs, on your bench; what changed since the version "
         "on\n"
         "the shelf; and rehearses it on your bench, recipe and world in two processes, beside "
         "what\n"
         "its maker says it did. --split DIR lays its parts and its signature out as files."},
    [VERB_ACCEPT] = {"accept", "FILE", true, false, "put a pack on the shelf",
                     "A pack of a trusted signer goes on the shelf, from where `tinlatch run NAME` "
                     "takes it. An\n"
                     "unknown signer's, and a newer version by another signer than before, is "
                     "asked about on the\n"
                     "terminal and refused elsewhere. Never taken: what is forged or damaged, what "
                     "is older than\n"
                     "a version that was accepted before, the same version with other bytes."},
    [VERB_SHELF] =
        {"shelf", "list|show|remove", true, true, "the packs that were accepted",
         "list: name, version, signer, title. show NAME: as inspect does. remove NAME: takes it "
         "away;\n"
         "which version it was is remembered, so that no older one can come in its place."},
    [VERB_TRIALS] =
        {"trials", "RECIPE", true, false, "many rehearsals over tolerances, or over faults",
         "Rehearses the recipe once for each draw: draw i with seed --seed + i, which draws\n"
         "everything that board and bench file leave a tolerance. Prints how the draws ended, "
         "what\n"
         "that supports, the spread of melt times, how near any draw came to each limit, and\n"
         "each draw that failed as the command that plays it again. With --faults every second "
         "draw\n"
         "has a fault at a drawn instant, the others at most what happens at a bench every day;\n"
         "prints for each fault which rules tripped and how soon, how hot the plate was by then,\n"
         "what was missed of what a rule has to see, and what tripped for nothing. --pairs: two\n"
         "faults, the second up to ten minutes after the first, in the rows of both. The same "
         "seed\n"
         "gives the same result with any number of jobs. Exit status: of the first draw that\n"
         "failed; with --faults 1 if any did. docs/how-to/try-it-many-times.md."},
    [VERB_HELP] =
        {"help", "[NAME]", false, false,
         "a primitive of the recipe language, a verb, faults, shipped",
         "Explains a primitive of the recipe language, a key of the header, a fault or a verb.\n"
         "`faults` lists the faults of a rehearsal, `shipped` the recipes, boards and inserts\n"
         "that are there. Without a name: the verbs, the options and all there is to ask for."},
};

const char *const verb_names[VERBS + 1] = {
    "check", "rehearse", "run",     "clear",  "runs",  "report", "mimic", "bench",
    "key",   "pack",     "inspect", "accept", "shelf", "trials", "help",  NULL};

static int usage(struct tl_error *error, const char *token, const char *hint)
{
    tl_error_token(error, token);
    if (hint)
        tl_error_hint(error, "%s", hint);
    return TL_USAGE;
}

/* Copies a text that goes into records and onto the screen: bounded, no control bytes. */
static int take_text(char *to, size_t size, const char *option, const char *text,
                     struct tl_error *error)
{
    if (strlen(text) >= size)
        return tl_error_set(error, TL_USAGE, "%s: at most %zu bytes, these are %zu", option,
                            size - 1, strlen(text));
    for (const char *c = text; *c; c++)
        if ((unsigned char)*c < 0x20 || *c == 0x7f)
            return tl_error_set(error, TL_USAGE, "%s: control characters are not text", option);
    memcpy(to, text, strlen(text) + 1);
    return 0;
}

static int take_set(struct options *o, const char *text, struct tl_error *error)
{
    struct recipe_setup *setup = &o->setup.recipe;
    const char *equals = strchr(text, '=');
    if (!equals || equals == text)
        return tl_error_set(error, TL_USAGE,
                            "--set: expected NAME=VALUE such as melt=\"172 C\", found \"%s\"",
                            text);
    size_t length = (size_t)(equals - text);
    if (length >= BENCH_NAME)
        return tl_error_set(error, TL_USAGE, "--set: a parameter's name has at most %d bytes",
                            BENCH_NAME - 1);
    for (int i = 0; i < setup->set_count; i++)
        if (strlen(setup->set[i].name) == length && !memcmp(setup->set[i].name, text, length))
            return tl_error_set(error, TL_USAGE, "--set: %s is given twice", setup->set[i].name);
    if (setup->set_count == RECIPE_PARAMS)
        return tl_error_set(error, TL_USAGE, "--set: at most %d parameters", RECIPE_PARAMS);
    struct recipe_set *set = &setup->set[setup->set_count];
    char name[BENCH_NAME] = "";
    memcpy(name, text, length);
    int result = take_text(set->name, sizeof set->name, "--set", name, error);
    if (!result)
        result = take_text(set->value, sizeof set->value, "--set", equals + 1, error);
    if (!result)
        setup->set_count++;
    return result;
}

static int take_seed(struct options *o, const char *text, struct tl_error *error)
{
    char *end;
    errno = 0;
    unsigned long long seed = strtoull(text, &end, 10);
    if (text[0] < '0' || text[0] > '9' || *end || errno)
        return tl_error_set(error, TL_USAGE,
                            "--seed: expected a whole number from 0 to 18446744073709551615, found "
                            "\"%s\"",
                            text);
    o->setup.seed = seed;
    return 0;
}

static int take_serial(struct options *o, const char *text, struct tl_error *error)
{
    return take_text(o->setup.serial, sizeof o->setup.serial, "--serial", text, error);
}

static int take_job(struct options *o, const char *option, const char *name, const char *text,
                    struct tl_error *error)
{
    struct recipe_job *job = job_add(o, name);
    if (!job)
        return tl_error_set(error, TL_USAGE, "%s: at most %d such options", option, OPTION_JOBS);
    return take_text(job->text, sizeof job->text, option, text, error);
}

static int take_found(struct options *o, const char *text, struct tl_error *error)
{
    return take_job(o, "--found", "alloy found", text, error);
}

static int take_added(struct options *o, const char *text, struct tl_error *error)
{
    return take_job(o, "--added", "alloy added", text, error);
}

static int take_photo(struct options *o, const char *text, struct tl_error *error)
{
    return take_job(o, "--photo", "photo", text, error);
}

static int take_hot_spot(struct options *o, const char *text, struct tl_error *error)
{
    return take_job(o, "--hot-spot", "hot spot", text, error);
}

static int take_note(struct options *o, const char *text, struct tl_error *error)
{
    return take_job(o, "--note", "note", text, error);
}

/* battery="44 kohm": resistance, volts (of a diode test) or amps (drawn at idle). */
static int take_after(struct options *o, const char *text, struct tl_error *error)
{
    static const enum unit units[] = {UNIT_OHMS, UNIT_VOLTS, UNIT_AMPS};
    const char *equals = strchr(text, '=');
    char name[64];
    double value;
    if (!equals || equals == text || equals - text >= 48)
        return tl_error_set(
            error, TL_USAGE,
            "--after: expected NAME=VALUE such as battery=\"44 kohm\", found \"%s\"", text);
    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++) {
        if (quantity_parse(equals + 1, units[i], &value, NULL))
            continue;
        snprintf(name, sizeof name, "%.*s, %s", (int)(equals - text), text, unit_base(units[i]));
        int failed = take_job(o, "--after", "after", name, error);
        if (!failed)
            o->job[o->job_count - 1].value = value;
        return failed;
    }
    return tl_error_set(error, TL_USAGE, "--after: \"%s\" is no resistance, voltage or current",
                        equals + 1);
}

static int take_fault(struct options *o, const char *text, struct tl_error *error)
{
    return fault_parse(text, &o->setup, error);
}

/* A plain number of seconds, or a time with its unit; above 0. */
static int take_seconds(const char *option, const char *text, double most, double *out,
                        struct tl_error *error)
{
    double seconds = 0;
    char *end = NULL;
    if (strspn(text, "0123456789.") == strlen(text))
        seconds = strtod(text, &end);
    else if (quantity_parse(text, UNIT_TIME, &seconds, NULL))
        return tl_error_set(error, TL_USAGE,
                            "%s: expected seconds such as 90, or \"1.5 min\", found \"%s\"", option,
                            text);
    if ((end && *end) || seconds <= 0 || seconds > most)
        return tl_error_set(error, TL_USAGE,
                            "%s: expected seconds above 0 and at most %g, found \"%s\"", option,
                            most, text);
    *out = seconds;
    return 0;
}

static int take_outcome(struct options *o, const char *text, struct tl_error *error)
{
    const char *words[OUTCOMES + 3] = {NULL};
    for (int i = 0; i < OUTCOMES; i++)
        words[i] = outcome_name((enum outcome)i);
    words[OUTCOMES] = "cut off";
    words[OUTCOMES + 1] = "goes on";
    for (int i = 0; words[i]; i++)
        if (!strcmp(text, words[i]))
            o->outcome = words[i];
    if (o->outcome)
        return 0;
    const char *near = tl_nearest(text, words);
    return tl_error_set(error, TL_USAGE, "--outcome: no run ends as \"%s\"%s%s%s", text,
                        near ? "; did you mean " : "", near ? near : "", near ? "?" : "");
}

/* The beginning of a day and time as the list writes it: 2026, 2026-11, 2026-11-25, "2026-11-25 14:30". */
static int take_since(struct options *o, const char *text, struct tl_error *error)
{
    static const char form[] = "9999-99-99 99:99";
    size_t length = strlen(text);
    bool right = length < sizeof form && length >= 4 && length % 3 == 1;
    for (size_t i = 0; right && i < length; i++)
        right = form[i] == '9' ? text[i] >= '0' && text[i] <= '9' : text[i] == form[i];
    if (!right)
        return tl_error_set(error, TL_USAGE,
                            "--since: expected a day such as 2026-11-25, found \"%s\"", text);
    o->since = text;
    return 0;
}

static int take_until(struct options *o, const char *text, struct tl_error *error)
{
    return take_seconds("--until", text, 86400, &o->setup.until_s, error);
}

static int take_cpu(struct options *o, const char *text, struct tl_error *error)
{
    return take_seconds("--cpu", text, 240, &o->setup.cpu_s, error);
}

/* A whole number from 1 to `most`. */
static int take_count(const char *option, const char *text, int32_t most, int32_t *out,
                      struct tl_error *error)
{
    size_t digits = strspn(text, "0123456789");
    long count = digits > 0 && digits < 10 && !text[digits] ? strtol(text, NULL, 10) : 0;
    if (count < 1 || count > most)
        return tl_error_set(error, TL_USAGE,
                            "%s: expected a whole number from 1 to %d, found \"%s\"", option,
                            (int)most, text);
    *out = (int32_t)count;
    return 0;
}

static int take_draws(struct options *o, const char *text, struct tl_error *error)
{
    return take_count("--draws", text, TRIALS_MOST, &o->draws, error);
}

static int take_jobs(struct options *o, const char *text, struct tl_error *error)
{
    int32_t jobs = 0;
    int result = take_count("--jobs", text, TRIALS_JOBS, &jobs, error);
    o->jobs = jobs;
    return result;
}

static int take_coupon(struct options *o, const char *text, struct tl_error *error)
{
    if (quantity_parse(text, UNIT_CAPACITY, &o->coupon_j_k, error)) {
        if (!error->hint[0])
            tl_error_hint(error, "or grams of aluminium, copper, brass, steel or glass-epoxy");
        return TL_USAGE;
    }
    if (!(o->coupon_j_k >= 1 && o->coupon_j_k <= 1000))
        return tl_error_set(error, TL_USAGE, "--coupon: %g J/K is no coupon's: 1 J/K to 1000 J/K",
                            o->coupon_j_k);
    return 0;
}

static int take_grid(struct options *o, const char *text, struct tl_error *error)
{
    double mm = 0;
    if (quantity_parse(text, UNIT_LENGTH, &mm, NULL) || !(mm >= 0.25 && mm <= 10))
        return tl_error_set(error, TL_USAGE,
                            "--grid: expected a length from 0.25 mm to 10 mm, found \"%s\"", text);
    o->setup.grid_mm = mm;
    return 0;
}

/* Which verbs take an option; NONE: the line that names no verb. */
#define BY(verb) (1u << VERB_##verb)
#define NONE     (1u << VERBS)
_Static_assert(VERBS < 32, "a verb is a bit");

/* clang-format off */
#define BOTH     BY(CHECK) | BY(REHEARSE)
#define SIMS     BOTH | BY(TRIALS)
#define ALL      SIMS | BY(RUN)
#define WITH     ALL | BY(MIMIC)
#define BENCH    WITH | BY(BENCH) | BY(PACK) | BY(INSPECT) | BY(SHELF)
#define BOARD    WITH | BY(PACK)
#define EACH     WITH | BY(BENCH)
#define OUTS     SIMS | BY(MIMIC) | BY(BENCH) | BY(PACK) | BY(REPORT)
#define LOOK     BY(RUNS) | BY(REPORT)
#define JOB      BY(REHEARSE) | BY(RUN) | BY(RUNS)
#define DRY      BY(REHEARSE) | BY(MIMIC)
#define ANY      NONE | (NONE - 1)
#define TEXT(field) OPTION_TEXT, offsetof(struct options, field), PAGE_TOPIC, NULL
#define FLAG(field) OPTION_FLAG, offsetof(struct options, field), PAGE_TOPIC, NULL
#define PAGE(name)  OPTION_PAGE, 0, PAGE_##name, NULL
#define TAKE(name)  OPTION_TAKE, 0, PAGE_TOPIC, take_##name
const struct option options_table[] = {
    {"--bench",        "FILE",         BENCH,    false, TEXT(bench),
     "the bench file; default: your bench.ini, else the demo bench (run: none)"},
    {"--board",        "FILE",         BOARD,    false, TEXT(board),
     "a board file, or a board's name, instead of the one in the recipe's header"},
    {"--set",          "NAME=VALUE",   ALL,      true,  TAKE(set),
     "a parameter of the recipe, within the range that its header states"},
    {"--seed",         "N",            WITH,     false, TAKE(seed),
     "draws tolerances, noise, delays; same seed, same rehearsal (default 1)"},
    {"--serial",       "TEXT",         BOTH | BY(RUN) | BY(RUNS), false, TAKE(serial),
     "the serial number of the board on the bench, for the record; of a list: only its records"},
    {"--answers",      "FILE",         SIMS,     false, TEXT(answers),
     "a line per prompt: yes | no | stop | VALUE, each with [after 5 s]"},
    {"--fault",        "NAME@SECONDS", DRY,      true,  TAKE(fault),
     "something breaks at that time; `tinlatch help faults` lists what"},
    {"--grid",         "LENGTH",       BOTH,     false, TAKE(grid),
     "cells of that length in the simulated heat, such as 1mm; default: coarse"},
    {"--until",        "SECONDS",      DRY,      false, TAKE(until),
     "stop rehearsing, or mimicking, at that time"},
    {"--cpu",          "SECONDS",      ALL,      false, TAKE(cpu),
     "processor time after which a rehearsed recipe is ended (default 5)"},
    {"--out",          "DIR",          OUTS,     false, TEXT(out),
     "chart, maps, table of places and record go there too; else what the verb writes"},
    {"--draws",        "N",            BY(TRIALS), false, TAKE(draws),
     "how many rehearsals (default 299)"},
    {"--faults",       NULL,           BY(TRIALS), false, FLAG(faults),
     "break something in every second draw"},
    {"--pairs",        NULL,           BY(TRIALS), false, FLAG(pairs),
     "as --faults, and two things in each of them"},
    {"--jobs",         "N",            BY(TRIALS), false, TAKE(jobs),
     "processes at once, also -j N (default: one for each processor)"},
    {"--quiet",        NULL,           BY(RUN),  false, FLAG(quiet),
     "no sounds"},
    {"--reason",       "TEXT",         BY(CLEAR), false, TEXT(reason),
     "why the trip happened and what was done, instead of being asked"},
    {"--as",           "NAME",         BY(KEY),  false, TEXT(as),
     "key trust: what the owner of that key is called here"},
    {"--no-passphrase", NULL,          BY(KEY),  false, FLAG(no_passphrase),
     "key new: the secret key is not encrypted: for scripts"},
    {"--key",          "NAME",         BY(PACK), false, TEXT(key),
     "the key that signs"},
    {"--notes",        "FILE",         BY(PACK), false, TEXT(notes),
     "a text for whoever gets the pack"},
    {"--licence",      "FILE",         BY(PACK), false, TEXT(licence),
     "the licence it is given under"},
    {"--split",        "DIR",          BY(INSPECT), false, TEXT(split),
     "the parts of the pack, what was signed and the signature, as files"},
    {"--from",         "RECORD",       BY(BENCH), false, TEXT(from),
     "bench learn: the record of a step test"},
    {"--coupon",       "HEAT",         BY(BENCH), false, TAKE(coupon),
     "bench learn: what lay on the insert, such as \"107 g copper\" or \"41 J/K\""},
    {"--control",      "PATH",         BY(MIMIC), false, TEXT(control),
     "a socket that takes commands while it runs: docs/reference/mimic.md"},
    {"--found",        "ALLOY",        JOB,      false, TAKE(found),
     "the solder that is on the joints, or what is known of it"},
    {"--added",        "ALLOY",        JOB,      false, TAKE(added),
     "the solder that is added"},
    {"--photo",        "FILE",         JOB,      true,  TAKE(photo),
     "its name and SHA-256 go into the record, the file stays where it is"},
    {"--hot-spot",     "TEXT",         JOB,      false, TAKE(hot_spot),
     "where the thermal camera showed the warmest place, and how warm"},
    {"--note",         "TEXT",         JOB,      true,  TAKE(note),
     "a sentence for the record; nothing about the customer belongs there"},
    {"--after",        "NAME=VALUE",   BY(RUNS), true,  TAKE(after),
     "runs add: a rail measured again, such as battery=\"44 kohm\""},
    {"--recipe",       "TEXT",         BY(RUNS), false, TEXT(recipe),
     "runs list: whose recipe's name has that in it"},
    {"--outcome",      "WORD",         BY(RUNS), false, TAKE(outcome),
     "runs list: that ended so"},
    {"--since",        "DATE",         BY(RUNS), false, TAKE(since),
     "runs list: that began on that day, such as 2026-11-25, or later"},
    {"--rehearsals",   NULL,           LOOK,     false, FLAG(rehearsals),
     "records of rehearsals instead of runs"},
    {"--customer",     NULL,           BY(REPORT), false, FLAG(customer),
     "one sheet in plain words for the owner of the device"},
    {"--json",         NULL,           EACH | BY(RUNS), false, FLAG(json),
     "print one JSON object instead of text"},
    {"--reference",    NULL,           BY(HELP), false, PAGE(REFERENCE),
     "print the reference page of the recipe language"},
    {"--annotations",  NULL,           BY(HELP), false, PAGE(ANNOTATIONS),
     "print annotations of the recipe language for editors"},
    {"--lint-names",   NULL,           BY(HELP), false, PAGE(LINT_NAMES),
     "print the names of the recipe language for a Lua linter"},
    {"--command-line", NULL,           BY(HELP), false, PAGE(COMMAND_LINE),
     "print the reference page of this command line"},
    {"--help",         NULL,           ANY,      false, FLAG(help),
     "what a verb does and the options it takes"},
    {"--version",      NULL,           ANY,      false, FLAG(version),
     "the version of this program"},
};
/* clang-format on */
enum { OPTIONS = sizeof options_table / sizeof options_table[0] };
const int option_count = OPTIONS;

static int option_take(const struct option *option, struct options *options, const char *value,
                       struct tl_error *error)
{
    void *field = (char *)options + option->at;
    switch (option->kind) {
    case OPTION_TEXT:
        *(const char **)field = value;
        return 0;
    case OPTION_FLAG:
        *(bool *)field = true;
        return 0;
    case OPTION_PAGE:
        options->page = option->page;
        return 0;
    case OPTION_TAKE:
        break;
    }
    return option->take(options, value, error);
}

const struct part parts[] = {
    {VERB_BENCH, "list", {"--json"}},
    {VERB_BENCH, "check", {"--bench", "--json"}},
    {VERB_BENCH, "learn", {"--bench", "--out", "--from", "--coupon", "--json"}},
    {VERB_RUNS, "list", {"--rehearsals", "--recipe", "--serial", "--outcome", "--since", "--json"}},
    {VERB_RUNS, "show", {"--rehearsals", "--json"}},
    {VERB_RUNS, "export", {"--rehearsals", "--json"}},
    {VERB_RUNS, "verify", {"--rehearsals", "--json"}},
    {VERB_RUNS,
     "add",
     {"--rehearsals", "--found", "--added", "--photo", "--hot-spot", "--note", "--after"}},
    {VERB_KEY, "new", {"--no-passphrase"}},
    {VERB_KEY, "show", {NULL}},
    {VERB_KEY, "trust", {"--as"}},
    {VERB_KEY, "drop", {NULL}},
    {VERB_KEY, "list", {NULL}},
    {VERB_SHELF, "list", {NULL}},
    {VERB_SHELF, "show", {"--bench"}},
    {VERB_SHELF, "remove", {NULL}},
};
const int part_count = sizeof parts / sizeof parts[0];

/* NULL: the verb is one thing, or its word is none of these. */
static const struct part *part_of(const struct options *options)
{
    for (int i = 0; options->argument && i < part_count; i++)
        if (parts[i].verb == options->verb && !strcmp(parts[i].word, options->argument))
            return &parts[i];
    return NULL;
}

static bool taken_by_part(const struct option *option, const struct part *part)
{
    for (const char *const *name = part->options; *name; name++)
        if (!strcmp(*name, option->name))
            return true;
    return false;
}

/* The option that `word` (up to `length`) names, or NULL. */
static const struct option *option_find(const char *word, size_t length)
{
    for (int i = 0; i < OPTIONS; i++)
        if (strlen(options_table[i].name) == length && !memcmp(options_table[i].name, word, length))
            return &options_table[i];
    return NULL;
}

static int unknown_option(const char *word, size_t length, struct tl_error *error)
{
    const char *names[OPTIONS + 1] = {NULL};
    for (int i = 0; i < OPTIONS; i++) {
        int at = i; /* the longer first: a letter left out is the commonest slip */
        for (; at > 0 && strlen(names[at - 1]) < strlen(options_table[i].name); at--)
            names[at] = names[at - 1];
        names[at] = options_table[i].name;
    }
    char name[64];
    snprintf(name, sizeof name, "%.*s", (int)(length < 63 ? length : 63), word);
    const char *near = tl_nearest(name, names);
    tl_error_set(error, TL_USAGE, "there is no option %s%s%s%s", name,
                 near ? "; did you mean " : "", near ? near : "", near ? "?" : "");
    return usage(error, name, "tinlatch --help lists the options");
}

/* One option at argv[*at]; moves *at onto its value. `given` counts each option. */
static int parse_option(int argc, char *const argv[], int *at, int *given, struct options *options,
                        struct tl_error *error)
{
    const char *word = argv[*at];
    if (!strcmp(word, "-h"))
        word = "--help";
    if (!strcmp(word, "-j"))
        word = "--jobs";
    size_t length = strcspn(word, "=");
    const struct option *option = option_find(word, length);
    if (!option)
        return unknown_option(word, length, error);
    if (given[option - options_table]++ && !option->repeats)
        return tl_error_set(error, TL_USAGE, "%s is given twice", option->name);
    if (!option->value) {
        if (word[length])
            return tl_error_set(error, TL_USAGE, "%s takes no value", option->name);
        return option_take(option, options, NULL, error);
    }
    const char *value = word + length + 1;
    if (!word[length]) {
        /* A value that looks like an option is more often a forgotten value. */
        if (*at + 1 >= argc || !strncmp(argv[*at + 1], "--", 2))
            return tl_error_set(error, TL_USAGE, "%s needs a value: %s %s", option->name,
                                option->name, option->value);
        value = argv[++*at];
    }
    if (!*value)
        return tl_error_set(error, TL_USAGE, "%s: its value is empty", option->name);
    return option_take(option, options, value, error);
}

static int take_verb(const char *word, struct options *options, struct tl_error *error)
{
    for (int i = 0; i < VERBS; i++)
        if (!strcmp(word, verbs[i].name)) {
            options->verb = (enum verb_id)i;
            return 0;
        }
    const char *near = tl_nearest(word, verb_names);
    tl_error_set(error, TL_USAGE, "there is no verb \"%s\"%s%s%s", word,
                 near ? "; did you mean " : "", near ? near : "", near ? "?" : "");
    return usage(error, word, "tinlatch --help lists the verbs");
}

static int take_word(const char *word, struct options *options, struct tl_error *error)
{
    if (options->verb == VERBS)
        return take_verb(word, options, error);
    const struct verb *verb = &verbs[options->verb];
    if (!options->argument && verb->argument[0]) {
        options->argument = word;
        return 0;
    }
    if (!options->object && verb->takes_object) {
        options->object = word;
        return 0;
    }
    if (!verb->argument[0])
        tl_error_set(error, TL_USAGE, "%s takes no name: \"%s\" is one too many", verb->name, word);
    else
        tl_error_set(error, TL_USAGE, "%s takes %s: \"%s\" is one too many", verb->name,
                     verb->argument, word);
    return usage(error, word, NULL);
}

/* What only the whole line shows: options that the verb does not take, a missing argument. */
static int check_whole(const int *given, const struct options *options, struct tl_error *error)
{
    if (options->help || options->version)
        return 0;
    if (options->verb == VERBS) {
        tl_error_set(error, TL_USAGE, "a verb is missing, such as: tinlatch rehearse RECIPE");
        return usage(error, "", "tinlatch --help lists the verbs");
    }
    const struct verb *verb = &verbs[options->verb];
    const struct part *part = part_of(options);
    for (int i = 0; i < OPTIONS; i++) {
        bool by_verb = option_taken_by(&options_table[i], options->verb);
        if (!given[i] || (by_verb && (!part || taken_by_part(&options_table[i], part))))
            continue;
        tl_error_set(error, TL_USAGE, "%s%s%s does not take %s", verb->name, by_verb ? " " : "",
                     by_verb ? part->word : "", options_table[i].name);
        tl_error_hint(error, "tinlatch %s --help lists what it takes", verb->name);
        return TL_USAGE;
    }
    if (verb->needs_argument && !options->argument) {
        tl_error_set(error, TL_USAGE, "%s needs %s: tinlatch %s %s", verb->name,
                     strcmp(verb->argument, "RECIPE") ? "a word" : "a recipe", verb->name,
                     verb->argument);
        return TL_USAGE;
    }
    return 0;
}

/* Before anything else, so that an error in front of --json is told in JSON too. */
static bool asks_for_json(int argc, char *const argv[])
{
    for (int i = 1; i < argc && strcmp(argv[i], "--"); i++)
        if (!strcmp(argv[i], "--json"))
            return true;
    return false;
}

int options_parse(int argc, char *const argv[], struct options *options, struct tl_error *error)
{
    int given[OPTIONS] = {0};
    bool words_only = false;
    *options = (struct options){.verb = VERBS, .json = asks_for_json(argc, argv)};
    options->setup.seed = 1;
    options->draws = TRIALS_DRAWS;
    for (int i = 1; i < argc; i++) {
        int result;
        if (!words_only && !strcmp(argv[i], "--")) {
            words_only = true;
            continue;
        }
        if (!words_only && argv[i][0] == '-' && argv[i][1])
            result = parse_option(argc, argv, &i, given, options, error);
        else
            result = take_word(argv[i], options, error);
        if (result)
            return TL_USAGE;
    }
    options->faults = options->faults || options->pairs;
    return check_whole(given, options, error);
}
