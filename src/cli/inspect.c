/* SPDX-License-Identifier: MIT */
/* `inspect`: a pack in plain words, and what it does on this bench beside what its maker says. */
#include "inspect.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "difference.h"
#include "evidence.h"
#include "tinlatch/file.h"
#include "tinlatch/report.h"
#include "tinlatch/trials.h"

enum { CHANGED_LINES = 30 };

/* ---- what is known of it ---------------------------------------------------------------------------- */

static int look_up(struct inspected *in, struct tl_error *error)
{
    struct ring *ring = malloc(sizeof *ring);
    char folder[PATH_SIZE];
    int failed = ring ? sources_ring(ring, error) : tl_error_set(error, TL_SYSTEM, "out of memory");
    if (!failed) {
        const struct ring_key *key = ring_find(ring, &in->pack.signer),
                              *other = ring_namesake(ring, &in->pack.signer);
        snprintf(in->signer, sizeof in->signer, "%s", key ? key->name : "");
        snprintf(in->namesake, sizeof in->namesake, "%s", other ? other->name : "");
        failed = paths_shelf(folder, error);
    }
    if (!failed)
        failed = shelf_compare(folder, &in->pack, &in->answer, &in->seen, error);
    free(ring);
    return failed;
}

int inspect_load(const char *path, struct inspected *in, struct tl_error *error)
{
    int failed = sources_read_pack(path, &in->text, &in->pack, error);
    if (failed) {
        in->text = NULL;
        return failed;
    }
    in->length = in->pack.signed_length + strlen(in->text + in->pack.signed_length);
    return look_up(in, error);
}

static void tell_signer(const struct inspected *in, FILE *out)
{
    char id[SIGN_ID], key[SIGN_KEY];
    sign_id(in->pack.signer.id, id);
    sign_public_write(&in->pack.signer, key);
    if (in->signer[0]) {
        fprintf(out, "  signed by   %s (key %s), whom you trust; not a byte was changed since\n",
                in->signer, id);
        return;
    }
    fprintf(out,
            "  signed by   a key that is not trusted here; not a byte was changed since it signed\n"
            "              %s\n",
            key);
    if (in->namesake[0])
        fprintf(out,
                "              TAKE CARE: it has the id of %s's key (%s) and is another key. Ids\n"
                "              do not come to be the same by chance.\n",
                in->namesake, id);
    else
        fputs("              Ask whoever sent it to read you the key over the telephone; then\n"
              "              tinlatch key trust KEY --as NAME\n",
              out);
}

static void tell_shelf(const struct inspected *in, FILE *out)
{
    static const char *const words[] = {
        [SHELF_NEW] = "never seen here",
        [SHELF_NEWER] = "newer than the version that was accepted here",
        [SHELF_SAME] = "the version that was accepted here, byte for byte",
        [SHELF_OLDER] = "OLDER than the version that was accepted here",
        [SHELF_OTHER] = "NOT THE SAME as what was accepted here under this very version",
        [SHELF_SIGNER] = "newer than the version that was accepted here, and SIGNED BY ANOTHER KEY",
    };
    fprintf(out, "  the shelf   %s", words[in->answer]);
    if (in->answer != SHELF_NEW && in->answer != SHELF_SAME)
        fprintf(out, ": version %d", (int)in->seen.version);
    fputc('\n', out);
}

/* The first lines; a licence goes on for a page. */
static void tell_text(const struct pack_part *part, const char *heading, FILE *out)
{
    enum { SHOWN = 6 };
    size_t at = 0;
    int lines = 0, more = 0;
    fprintf(out, "\n%s\n", heading);
    for (size_t next; at < part->length; at = next) {
        const char *end = memchr(part->text + at, '\n', part->length - at);
        next = end ? (size_t)(end - part->text) + 1 : part->length;
        if (lines++ < SHOWN)
            fprintf(out, "%.*s%s", (int)(next - at), part->text + at, end ? "" : "\n");
        else
            more++;
    }
    if (more)
        fprintf(out, "(%d lines more: inspect --split DIR lays it out as a file)\n", more);
}

void inspect_tell(const struct inspected *in, FILE *out)
{
    const struct pack *pack = &in->pack;
    fprintf(out, "%s version %d: %s\n", pack->name, (int)pack->version, pack->title);
    tell_signer(in, out);
    tell_shelf(in, out);
    fprintf(out, "  board       %s, revision %s, alloys %s\n", pack->board, pack->revision,
            pack->alloys);
    fprintf(out, "  language    recipe language %d\n", (int)pack->api);
    for (int i = 0; i < pack->part_count; i++)
        fprintf(out, "  %-10s  %s, %zu bytes\n", pack_kind_name(pack->part[i].kind),
                pack->part[i].name, pack->part[i].length);
    for (int kind = PACK_NOTES; kind <= PACK_LICENCE; kind++) {
        const struct pack_part *part = pack_part_of(pack, (enum pack_kind)kind);
        if (part)
            tell_text(part, kind == PACK_NOTES ? "Notes" : "Licence", out);
    }
}

/* ---- on this bench ------------------------------------------------------------------------------------ */

struct trying {
    char share[PATH_SIZE];
    struct bench_source bench;
    struct board board; /* of what is tried */
    struct run run;
    struct evidence here, theirs, shelved;
    struct inspected *old; /* what lies on the shelf under its name; NULL = nothing, or the same */
};

static int try_pack(struct cli *cli, struct trying *t, const struct pack *pack,
                    struct evidence *evidence, struct run *run, struct tl_error *error)
{
    struct source_set sources = {0};
    struct rehearse_setup setup = cli->options.setup;
    int failed = sources_of_pack(&sources, pack, t->share, error);
    setup.sources = setup.recipe.sources = &sources;
    setup.bench = &t->bench.bench;
    setup.bench_file = t->bench.path;
    setup.apart = &t->board;
    cli_flush(cli); /* nothing of ours may be printed twice by a child */
    if (!failed)
        failed = rehearse_board(&setup, &t->board, error);
    if (!failed)
        failed = evidence_make(&setup, &t->bench, evidence, run, error);
    source_free(&sources);
    return failed;
}

static void tell_needs(const struct trying *t, FILE *out)
{
    const struct run *run = &t->run;
    bool insert = run->insert[0] && benchfile_insert(&t->bench.bench, run->insert);
    fprintf(out, "\nNeeds  of the bench %s\n", t->bench.path);
    if (run->insert[0])
        fprintf(out, "  insert      %s: %s\n", run->insert,
                insert ? "is in the bench file" : "is NOT in the bench file");
    fprintf(out, "  plate       %s\n", run->limits.uses_plate ? "heated" : "not heated");
    fprintf(out, "  supply      %s\n", run->limits.uses_supply ? "feeds rails" : "not used");
}

static const char *or_dash(const char *text)
{
    return text ? text : "-";
}

/* Packs name it "time", and so they are compared. */
static const char *shown_key(const char *key)
{
    return strcmp(key, "first draw, time") == 0 ? "first draw, to touch-safe" : key;
}

/* Side by side; a line that differs has a mark. */
/* A hash: nothing to be read. */
static bool is_hash(const char *key)
{
    return strcmp(key, "bench file") == 0 || strcmp(key, "build") == 0;
}

static void tell_evidence(const struct trying *t, FILE *out)
{
    fprintf(out, "\nEvidence  rehearsed here just now, recipe and world in two processes\n");
    fprintf(out, "    %-30s %-22s %s\n", "", "its maker's", "on this bench");
    for (int i = 0; i < t->here.count; i++) {
        const struct evidence_row *row = &t->here.row[i];
        const char *theirs = evidence_value(&t->theirs, row->key);
        bool differs = theirs && !evidence_agrees(theirs, row->value);
        if (is_hash(row->key))
            continue;
        fprintf(out, "  %c %-30s %-22s %s\n", differs ? '*' : ' ', shown_key(row->key),
                or_dash(theirs), row->value);
    }
}

/* The very program, the same bench file, and other figures: the pack's are not what the recipe did. */
static bool is_contradicted(const struct trying *t)
{
    static const char *const same[] = {"build", "bench file"};
    for (size_t i = 0; i < sizeof same / sizeof same[0]; i++) {
        const char *theirs = evidence_value(&t->theirs, same[i]),
                   *mine = evidence_value(&t->here, same[i]);
        if (!theirs || !mine || strcmp(theirs, mine) != 0)
            return false;
    }
    for (int i = 0; i < t->theirs.count; i++) {
        const char *mine = evidence_value(&t->here, t->theirs.row[i].key);
        if (!mine || !evidence_agrees(t->theirs.row[i].value, mine))
            return true;
    }
    return t->theirs.count != t->here.count;
}

static void tell_verdict(const struct trying *t, FILE *out)
{
    if (t->theirs.count == 0)
        fputs("  It brings no evidence: only what was rehearsed here counts.\n", out);
    else if (is_contradicted(t))
        fputs("  TAKE CARE: its maker's figures are of this very program and bench file, and are "
              "not\n"
              "  what the recipe does there. Somebody wrote them down otherwise.\n",
              out);
    else
        fputs("  Figures of another bench or build (*) may differ; yours are the ones to go by.\n",
              out);
    fprintf(out, "\nOn this bench: %s\n", evidence_value(&t->here, "outcome"));
    if (t->here.draws == 0)
        return;
    if (t->here.done == t->here.draws)
        fprintf(out, "  no failure in %d draws supports %.0f %% safe with 95 %% confidence\n",
                t->here.draws, floor(100 * trials_safe_share(t->here.draws)));
    else
        fprintf(out, "  TAKE CARE: %d of %d draws were not done\n", t->here.draws - t->here.done,
                t->here.draws);
}

/* ---- what changed -------------------------------------------------------------------------------------- */

static const struct pack_part *part_named(const struct pack *pack, const char *name)
{
    for (int i = 0; i < pack->part_count; i++)
        if (strcmp(pack->part[i].name, name) == 0)
            return &pack->part[i];
    return NULL;
}

static void tell_part_change(const struct pack_part *before, const struct pack_part *after,
                             FILE *out)
{
    char *text = NULL;
    size_t size = 0;
    if (before && after && before->length == after->length &&
        memcmp(before->text, after->text, after->length) == 0)
        return;
    FILE *lines = open_memstream(&text, &size);
    if (!lines)
        return;
    struct difference changes =
        difference_write(before ? before->text : "", before ? before->length : 0,
                         after ? after->text : "", after ? after->length : 0, CHANGED_LINES, lines);
    fclose(lines);
    fprintf(out, "  %s: %s, %d lines added, %d removed\n%s", (after ? after : before)->name,
            !before  ? "new"
            : !after ? "gone"
                     : "changed",
            changes.added, changes.removed, text);
    free(text);
}

/* What it does, then and now; what is as it was is not repeated. */
static void tell_effect(const struct trying *t, int then, int now, FILE *out)
{
    char before[32], after[32];
    int same = 0;
    if (t->shelved.count == 0) {
        fputs("  what it did before cannot be rehearsed here\n", out);
        return;
    }
    snprintf(before, sizeof before, "version %d", then);
    snprintf(after, sizeof after, "version %d", now);
    fprintf(out, "  rehearsed on this bench\n    %-30s %-22s %s\n", "", before, after);
    for (int i = 0; i < t->here.count; i++) {
        const struct evidence_row *row = &t->here.row[i];
        const char *was = evidence_value(&t->shelved, row->key);
        if (is_hash(row->key))
            continue;
        if (was && evidence_agrees(was, row->value))
            same++;
        else
            fprintf(out, "    %-30s %-22s %s\n", shown_key(row->key), or_dash(was), row->value);
    }
    for (int i = 0; i < t->shelved.count; i++)
        if (!evidence_value(&t->here, t->shelved.row[i].key) && !is_hash(t->shelved.row[i].key))
            fprintf(out, "    %-30s %-22s -\n", t->shelved.row[i].key, t->shelved.row[i].value);
    fprintf(out, "    as before: %d lines of the evidence below\n", same);
}

static void tell_changes(const struct trying *t, const struct pack *now, FILE *out)
{
    const struct pack *then = &t->old->pack;
    fprintf(out, "\nChanged  since version %d on the shelf\n", (int)then->version);
    for (int i = 0; i < now->part_count; i++)
        if (now->part[i].kind != PACK_EVIDENCE)
            tell_part_change(part_named(then, now->part[i].name), &now->part[i], out);
    for (int i = 0; i < then->part_count; i++)
        if (then->part[i].kind != PACK_EVIDENCE && !part_named(now, then->part[i].name))
            tell_part_change(&then->part[i], NULL, out);
    tell_effect(t, (int)then->version, (int)now->version, out);
}

/* What lies on the shelf under its name, if it is another. */
static void find_old(struct trying *t, const struct inspected *in)
{
    char folder[PATH_SIZE], path[FILE_PATH];
    if (in->answer == SHELF_NEW || in->answer == SHELF_SAME || paths_shelf(folder, NULL) ||
        shelf_path(folder, in->seen.name, path, NULL) || access(path, R_OK) != 0)
        return;
    t->old = calloc(1, sizeof *t->old);
    if (t->old && inspect_load(path, t->old, NULL) != 0) {
        free(t->old);
        t->old = NULL;
    }
}

/* ---- the parts as files ---------------------------------------------------------------------------------- */

static int put(const char *folder, const char *name, const void *bytes, size_t length,
               struct tl_error *error)
{
    char path[FILE_PATH];
    if (snprintf(path, sizeof path, "%s/%s", folder, name) >= FILE_PATH)
        return tl_error_set(error, TL_FILE, "%s: %s", folder, strerror(ENAMETOOLONG));
    return file_write(path, 0644, bytes, length, error);
}

static int split_pack(struct cli *cli, const struct inspected *in, struct tl_error *error)
{
    const struct pack *pack = &in->pack;
    const char *folder = cli->options.split;
    char parts[PATH_SIZE], key[SIGN_KEY], public[SIGN_TEXT];
    if (snprintf(parts, sizeof parts, "%s/parts", folder) >= PATH_SIZE)
        return tl_error_set(error, TL_FILE, "%s: %s", folder, strerror(ENAMETOOLONG));
    int failed = paths_make(parts, error);
    for (int i = 0; i < pack->part_count && !failed; i++)
        failed = put(parts, pack->part[i].name, pack->part[i].text, pack->part[i].length, error);
    sign_public_write(&pack->signer, key);
    int n = snprintf(public, sizeof public, "untrusted comment: as the pack itself names it\n%s\n",
                     key);
    if (!failed)
        failed = put(folder, "signed", in->text, pack->signed_length, error);
    if (!failed)
        failed = put(folder, "signed.minisig", in->text + pack->signed_length,
                     in->length - pack->signed_length, error);
    if (!failed)
        failed = put(folder, "signer.pub", public, (size_t)n, error);
    if (!failed)
        fprintf(cli->out, "\nwrote parts/, signed, signed.minisig and signer.pub into %s\n",
                folder);
    return failed;
}

/* ---- the verb --------------------------------------------------------------------------------------------- */

static int read_theirs(struct trying *t, const struct pack *pack, struct tl_error *error)
{
    const struct pack_part *part = pack_part_of(pack, PACK_EVIDENCE);
    return part ? evidence_read(part->text, part->length, &t->theirs, error) : 0;
}

static int show(struct cli *cli, struct trying *t, const struct inspected *in,
                struct tl_error *error)
{
    static struct run old_run;
    struct report_style style = {.header_only = true,
                                 .bench_file = t->bench.path,
                                 .recipe_file = in->pack.name,
                                 .columns = columns_of(cli->out)};
    inspect_tell(in, cli->out);
    if (cli->options.split && split_pack(cli, in, error))
        return error->code;
    int failed = paths_share(t->share, error);
    if (!failed)
        failed = sources_bench(&t->bench, cli->options.bench, t->share, error);
    if (!failed)
        failed = read_theirs(t, &in->pack, error);
    if (!failed)
        failed = try_pack(cli, t, &in->pack, &t->here, &t->run, error);
    if (failed)
        return failed;
    find_old(t, in);
    if (t->old && try_pack(cli, t, &t->old->pack, &t->shelved, &old_run, NULL) != 0)
        t->shelved.count = 0;
    tell_needs(t, cli->out);
    fputc('\n', cli->out);
    report_text(&t->run, &style, cli->out);
    if (t->old)
        tell_changes(t, &in->pack, cli->out);
    tell_evidence(t, cli->out);
    tell_verdict(t, cli->out);
    return 0;
}

enum outcome inspect_whole(struct cli *cli, const struct inspected *in)
{
    struct tl_error error = {0};
    struct trying *t = calloc(1, sizeof *t);
    if (!t) {
        tl_error_set(&error, TL_SYSTEM, "out of memory");
        return cli_refuse(cli, &error, NULL, 0);
    }
    int failed = show(cli, t, in, &error);
    enum outcome outcome = failed ? RUN_INVALID : t->run.outcome;
    if (failed)
        outcome = cli_refuse(cli, &error, NULL, 0);
    if (t->old)
        free(t->old->text);
    free(t->old);
    free(t->bench.text);
    free(t);
    return outcome;
}

enum outcome verb_inspect(struct cli *cli)
{
    static struct inspected in;
    struct tl_error error = {0};
    enum outcome outcome = inspect_load(cli->options.argument, &in, &error)
                               ? cli_refuse(cli, &error, NULL, 0)
                               : inspect_whole(cli, &in);
    free(in.text);
    return outcome;
}
