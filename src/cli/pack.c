/* SPDX-License-Identifier: MIT */
/* `pack`: a recipe, what it requires, its board, notes and licence, and what it did in rehearsal, signed. */
#include <errno.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

#include "cli_private.h"
#include "evidence.h"
#include "key.h"
#include "tinlatch/bytes.h"
#include "tinlatch/file.h"

enum { TEXT_BYTES = 1 << 18 }; /* notes, or a licence */

struct packing {
    char share[PATH_SIZE], path[PATH_SIZE];
    struct bench_source bench;
    struct source_set sources;
    struct run run;
    struct evidence evidence;
    char *evidence_text, *notes, *licence;
    size_t evidence_length;
    struct pack pack;
    char *text;
    size_t length;
};

/* ---- the parts ----------------------------------------------------------------------------------- */

/* "recipes/stack-split.lua" -> "stack-split.lua" */
static const char *base_of(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash ? slash + 1 : path;
}

static void add_part(struct packing *p, enum pack_kind kind, const char *name, const char *text,
                     size_t length)
{
    if (p->pack.part_count == PACK_PARTS)
        return; /* a recipe has at most SOURCE_FILES files; the count is checked before */
    struct pack_part *part = &p->pack.part[p->pack.part_count++];
    *part = (struct pack_part){.kind = kind, .text = text, .length = length};
    bytes_copy_text(part->name, sizeof part->name, base_of(name));
}

/* `require "name"` with that name, in any of its spellings? A name that is only made up when it runs is not found: then
 * the rehearsal of what was packed fails. */
static bool requires(const struct pack_part *part, const char *name)
{
    static const char word[] = "require";
    const char *end = part->text + part->length, *at = part->text;
    size_t length = strlen(name);
    while ((at = memmem(at, (size_t)(end - at), word, sizeof word - 1))) {
        at += sizeof word - 1;
        while (at < end && strchr(" \t(", *at))
            at++;
        if ((size_t)(end - at) > length + 1 && (*at == '"' || *at == '\'') &&
            memcmp(at + 1, name, length) == 0 && at[length + 1] == *at)
            return true;
    }
    return false;
}

static bool is_required(const struct packing *p, const struct source_file *module)
{
    for (int i = 0; i < p->pack.part_count; i++)
        if (requires(&p->pack.part[i], module->module))
            return true;
    return false;
}

static const struct source_file *find_board(const struct source_set *sources, const char *name)
{
    if (sources->board_file)
        return &sources->file[sources->board_file - 1];
    for (int i = 0; i < sources->count; i++)
        if (sources->file[i].from == SOURCE_BOARD && strcmp(sources->file[i].module, name) == 0)
            return &sources->file[i];
    return NULL;
}

/* What a module requires may come after it in the list: round after round, until nothing is added. */
static void add_modules(struct packing *p)
{
    bool taken[SOURCE_FILES] = {false}, more = true;
    while (more) {
        more = false;
        for (int i = 0; i < p->sources.count; i++) {
            const struct source_file *file = &p->sources.file[i];
            bool module = file->from == SOURCE_BESIDE || file->from == SOURCE_SHIPPED;
            if (!module || taken[i] || !is_required(p, file))
                continue;
            char name[PACK_NAME + 8];
            snprintf(name, sizeof name, "%s.lua", file->module);
            add_part(p, PACK_MODULE, name, file->text, file->length);
            taken[i] = more = true;
        }
    }
}

/* A file that --notes or --licence names; nothing is taken that nobody named. */
static int add_text(struct packing *p, enum pack_kind kind, const char *path, char **text,
                    struct tl_error *error)
{
    size_t length;
    char name[32];
    if (!path)
        return 0;
    int failed = file_read(path, TEXT_BYTES, text, &length, error);
    if (failed)
        return failed;
    if (length == 0) {
        tl_error_set(error, TL_RANGE, "is empty");
        tl_error_at(error, path, 0);
        return TL_RANGE;
    }
    snprintf(name, sizeof name, "%s.txt", pack_kind_name(kind));
    add_part(p, kind, name, *text, length);
    return 0;
}

static int add_evidence(struct packing *p, struct tl_error *error)
{
    FILE *out = open_memstream(&p->evidence_text, &p->evidence_length);
    if (!out)
        return tl_error_set(error, TL_SYSTEM, "out of memory");
    evidence_write(&p->evidence, out);
    if (fclose(out) != 0)
        return tl_error_set(error, TL_SYSTEM, "out of memory");
    add_part(p, PACK_EVIDENCE, "evidence.txt", p->evidence_text, p->evidence_length);
    return 0;
}

/* ---- the manifest --------------------------------------------------------------------------------- */

static void state(char out[PACK_VALUE], const char *text)
{
    snprintf(out, PACK_VALUE, "%s", text[0] ? text : "-");
}

/* A recipe that does not come to its end in rehearsal is no recipe to hand on. */
static int check_run(const struct packing *p, const char *recipe, struct tl_error *error)
{
    if (p->run.outcome != RUN_DONE) {
        if (p->run.error.code)
            *error = p->run.error;
        else
            tl_error_set(error, TL_STEP, "the rehearsal ended as %s: %s",
                         outcome_name(p->run.outcome), p->run.trip_words.what);
        tl_error_hint(error, "only what ends as done in rehearsal is packed: tinlatch rehearse %s",
                      recipe);
        return error->code;
    }
    if (p->run.version > 0)
        return 0;
    tl_error_set(error, TL_MISSING, "the header has no version: it cannot be told from the next");
    tl_error_at(error, recipe, 0);
    tl_error_hint(error, "write version = 1 below api; count it up with each that is shared");
    return TL_MISSING;
}

static int fill(struct packing *p, const struct options *options, struct tl_error *error)
{
    struct pack *pack = &p->pack;
    const struct source_file *recipe = &p->sources.file[0],
                             *board = find_board(&p->sources, p->run.board);
    if (!board)
        return tl_error_set(error, TL_MISSING, "the board file of %s is not there", p->run.board);
    snprintf(pack->name, sizeof pack->name, "%.*s", PACK_NAME - 1, recipe->module);
    pack->version = p->run.version;
    pack->api = p->run.api;
    state(pack->title, p->run.title);
    state(pack->board, p->run.board);
    state(pack->revision, p->run.revision);
    state(pack->alloys, p->run.alloys);
    add_part(p, PACK_RECIPE, recipe->name, recipe->text, recipe->length);
    add_part(p, PACK_BOARD, board->name, board->text, board->length);
    add_modules(p);
    int failed = add_text(p, PACK_NOTES, options->notes, &p->notes, error);
    if (!failed)
        failed = add_text(p, PACK_LICENCE, options->licence, &p->licence, error);
    return failed;
}

/* ---- in and out ------------------------------------------------------------------------------------ */

static int load(struct packing *p, struct options *options, struct tl_error *error)
{
    struct rehearse_setup *setup = &options->setup;
    int failed = paths_share(p->share, error);
    if (!failed)
        failed = sources_bench(&p->bench, options->bench, p->share, error);
    if (!failed)
        failed = sources_find(&p->sources, options->argument, options->board, p->share,
                              FROM_FRIENDS, error);
    setup->sources = setup->recipe.sources = &p->sources;
    setup->bench = &p->bench.bench;
    setup->bench_file = p->bench.path;
    return failed;
}

static int write_signed(struct cli *cli, struct packing *p, const struct sign_secret *secret,
                        struct tl_error *error)
{
    const char *folder = cli->options.out ? cli->options.out : ".";
    int failed = pack_write(&p->pack, secret, &p->text, &p->length, error);
    if (!failed && cli->options.out)
        failed = paths_make(folder, error);
    if (!failed && snprintf(p->path, PATH_SIZE, "%s/%s-%d.tinlatch", folder, p->pack.name,
                            (int)p->pack.version) >= PATH_SIZE)
        failed = tl_error_set(error, TL_FILE, "%s: %s", folder, strerror(ENAMETOOLONG));
    return failed ? failed : file_write(p->path, 0644, p->text, p->length, error);
}

/* ---- the evidence ----------------------------------------------------------------------------------- */

/* What the process that rehearses leaves behind. */
struct shown {
    int failed;
    struct evidence evidence;
    struct run run;
    struct tl_error error;
};

/* The evidence is of what was packed, not of the folder that it was taken from. */
static int rehearse_packed(const struct packing *p, const struct rehearse_setup *setup,
                           struct shown *shown)
{
    struct source_set packed;
    struct rehearse_setup again = *setup;
    int failed = sources_of_pack(&packed, &p->pack, p->share, &shown->error);
    if (failed)
        return failed;
    again.sources = again.recipe.sources = &packed;
    return evidence_make(&again, &p->bench, &shown->evidence, &shown->run, &shown->error);
}

/* Nobody who is asked for a passphrase waits for it, and no process in which a recipe runs comes from one that holds a
 * key. */
static int begin_evidence(const struct packing *p, const struct rehearse_setup *setup,
                          struct shown *shown, pid_t *rehearses, struct tl_error *error)
{
    pid_t parent = getpid();
    pid_t process = fork();
    if (process == 0) {
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        bool ready = madvise(shown, sizeof *shown, MADV_DONTFORK) == 0 && getppid() == parent;
        if (ready)
            shown->failed = rehearse_packed(p, setup, shown);
        _exit(ready ? 0 : 1);
    }
    if (process < 0)
        return tl_error_set(error, TL_SYSTEM, "no process for a rehearsal: %s", strerror(errno));
    *rehearses = process;
    return 0;
}

/* False: it has not come to its own end. */
static bool wait_for_end(pid_t *rehearses)
{
    int status = 0;
    pid_t ended;
    while ((ended = waitpid(*rehearses, &status, 0)) < 0 && errno == EINTR)
        ;
    bool is = ended == *rehearses && WIFEXITED(status) && WEXITSTATUS(status) == 0;
    *rehearses = 0;
    return is;
}

static int take_evidence(struct packing *p, struct shown *shown, pid_t *rehearses,
                         struct tl_error *error)
{
    if (!wait_for_end(rehearses))
        return tl_error_set(error, TL_SYSTEM, "the process that rehearsed it died");
    p->run = shown->run;
    p->evidence = shown->evidence;
    if (shown->failed)
        *error = shown->error;
    return shown->failed;
}

/* ---- the whole ------------------------------------------------------------------------------------- */

static int show_and_sign(struct cli *cli, struct packing *p, struct tl_error *error)
{
    struct sign_secret secret = {0};
    struct shown *shown =
        mmap(NULL, sizeof *shown, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (shown == MAP_FAILED)
        return tl_error_set(error, TL_SYSTEM, "no memory for the evidence: %s", strerror(errno));
    pid_t rehearses = 0;
    int failed = begin_evidence(p, &cli->options.setup, shown, &rehearses, error);
    if (!failed)
        failed = key_open(cli, &secret, error);
    if (!failed)
        failed = take_evidence(p, shown, &rehearses, error);
    if (!failed)
        failed = check_run(p, cli->options.argument, error);
    if (!failed)
        failed = add_evidence(p, error);
    if (!failed)
        failed = write_signed(cli, p, &secret, error);
    sign_forget(&secret);
    if (rehearses > 0) {
        kill(rehearses, SIGKILL);
        wait_for_end(&rehearses);
    }
    munmap(shown, sizeof *shown);
    return failed;
}

static int make(struct cli *cli, struct packing *p, struct tl_error *error)
{
    struct options *options = &cli->options;
    int failed = load(p, options, error);
    cli_flush(cli); /* nothing of ours may be printed twice by a child */
    if (!failed)
        failed = rehearse(&options->setup, -1, &p->run, error);
    if (!failed)
        failed = check_run(p, options->argument, error);
    if (!failed)
        failed = fill(p, options, error);
    return failed ? failed : show_and_sign(cli, p, error);
}

static void tell(struct cli *cli, const struct packing *p)
{
    fprintf(cli->out, "%s: %s version %d, %d parts, %zu bytes\n", p->path, p->pack.name,
            (int)p->pack.version, p->pack.part_count, p->length);
    fprintf(cli->out, "  board %s, revision %s, alloys %s\n", p->pack.board, p->pack.revision,
            p->pack.alloys);
    fprintf(cli->out, "  rehearsed on bench %s: %s, and so were %s draws\n",
            evidence_value(&p->evidence, "bench"), evidence_value(&p->evidence, "outcome"),
            evidence_value(&p->evidence, "draws done"));
}

enum outcome verb_pack(struct cli *cli)
{
    struct tl_error error = {0};
    struct packing *p = calloc(1, sizeof *p);
    enum outcome outcome = RUN_DONE;
    if (!p) {
        tl_error_set(&error, TL_SYSTEM, "out of memory");
        return cli_refuse(cli, &error, NULL, 0);
    }
    if (make(cli, p, &error)) {
        const struct source_file *source = source_find_shown(&p->sources, error.file);
        outcome =
            cli_refuse(cli, &error, source ? source->text : NULL, source ? source->length : 0);
    } else {
        tell(cli, p);
    }
    free(p->text);
    free(p->evidence_text);
    free(p->notes);
    free(p->licence);
    free(p->bench.text);
    source_free(&p->sources);
    free(p);
    return outcome;
}
