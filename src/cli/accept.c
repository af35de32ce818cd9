/* SPDX-License-Identifier: MIT */
/* `accept` and `shelf`: packs that this bench runs. */
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "inspect.h"
#include "tinlatch/file.h"

/* ---- accept ------------------------------------------------------------------------------------------- */

/* Yes or no from the terminal; where there is none, no. */
static bool says_yes(struct cli *cli, const char *question)
{
    char line[16] = "";
    if (!isatty(fileno(stdin)))
        return false;
    fprintf(cli->err, "\n%s yes or no: ", question);
    fflush(cli->err);
    return fgets(line, sizeof line, stdin) && strcmp(line, "yes\n") == 0;
}

static int refuse(struct tl_error *error, const char *why, const char *hint)
{
    tl_error_set(error, TL_TRUST, "%s", why);
    tl_error_hint(error, "%s", hint);
    return TL_TRUST;
}

/* What nobody can be asked about. */
static int check_version(const struct inspected *in, struct tl_error *error)
{
    char why[200];
    bool older = in->answer == SHELF_OLDER;
    if (older)
        snprintf(why, sizeof why, "%s version %d is older than version %d, which was accepted here",
                 in->pack.name, (int)in->pack.version, (int)in->seen.version);
    else if (in->answer == SHELF_OTHER)
        snprintf(why, sizeof why,
                 "%s version %d is not what was accepted here as version %d: other bytes",
                 in->pack.name, (int)in->pack.version, (int)in->seen.version);
    else
        return 0;
    return refuse(
        error, why,
        older ? "an old version may have been withdrawn for a reason; ask its maker for a newer one"
              : "a version has one content: ask its maker which is theirs; tinlatch inspect shows "
                "what differs");
}

static int check_signer(struct cli *cli, const struct inspected *in, struct tl_error *error)
{
    if (in->namesake[0])
        return refuse(error, "its key has the id of one that is trusted here, and is another",
                      "take it for a forgery until its maker says otherwise");
    if (!in->signer[0] && !says_yes(cli, "Nobody here trusts its signer. Keep it all the same?"))
        return refuse(error, "it is signed by a key that is not trusted here",
                      "tinlatch key trust KEY --as NAME, once you know whose it is");
    if (in->answer == SHELF_SIGNER &&
        !says_yes(cli, "Another key signed the version before. Keep this one?"))
        return refuse(error, "another key signed the version before",
                      "ask its maker; on a terminal you are asked whether to keep it");
    return 0;
}

static int accept(struct cli *cli, const struct inspected *in, struct tl_error *error)
{
    char folder[PATH_SIZE];
    int failed = paths_shelf(folder, error);
    if (!failed)
        failed = check_version(in, error);
    if (!failed)
        failed = check_signer(cli, in, error);
    if (!failed)
        failed = shelf_put(folder, &in->pack, in->text, in->length, error);
    if (failed)
        return failed;
    fprintf(cli->out, "\n%s version %d is on the shelf", in->pack.name, (int)in->pack.version);
    if (in->signer[0])
        fprintf(cli->out, "\n  tinlatch rehearse %s\n  tinlatch run %s\n", in->pack.name,
                in->pack.name);
    else
        fputs("; it is not run before its signer's key is trusted here\n", cli->out);
    return 0;
}

enum outcome verb_accept(struct cli *cli)
{
    static struct inspected in;
    struct tl_error error = {0};
    int failed = inspect_load(cli->options.argument, &in, &error);
    if (!failed) {
        inspect_tell(&in, cli->out);
        cli_flush(cli);
        failed = accept(cli, &in, &error);
    }
    free(in.text);
    return failed ? cli_refuse(cli, &error, NULL, 0) : RUN_DONE;
}

/* ---- shelf -------------------------------------------------------------------------------------------- */

struct listing {
    FILE *out;
    const char *folder;
    int count;
};

static void list_one(void *context, const char *name)
{
    static struct inspected in;
    struct listing *listing = context;
    struct tl_error error = {0};
    char path[FILE_PATH];
    listing->count++;
    if (shelf_path(listing->folder, name, path, &error) || inspect_load(path, &in, &error)) {
        fprintf(listing->out, "%-24s not to be used: %s\n", name, error.text);
        return;
    }
    fprintf(listing->out, "%-24s version %-4d %-16s %s%s\n", name, (int)in.pack.version,
            in.signer[0] ? in.signer : "not trusted", in.pack.title,
            in.answer == SHELF_SAME ? "" : " (NOT what was accepted)");
    free(in.text);
}

static int list(struct cli *cli, const char *folder, struct tl_error *error)
{
    struct listing listing = {cli->out, folder, 0};
    int failed = shelf_each(folder, list_one, &listing, error);
    if (!failed && listing.count == 0)
        fprintf(cli->out, "nothing is on the shelf, %s; tinlatch accept FILE puts a pack there\n",
                folder);
    return failed;
}

static int find(const char *folder, const char *name, char path[FILE_PATH], struct tl_error *error)
{
    int failed = pack_name_fits(name) ? shelf_path(folder, name, path, error) : TL_USAGE;
    if (!failed && access(path, F_OK) == 0)
        return 0;
    tl_error_set(error, TL_USAGE, "nothing called \"%s\" is on the shelf", name);
    tl_error_hint(error, "tinlatch shelf list shows what is");
    return TL_USAGE;
}

static enum outcome show(struct cli *cli, const char *path)
{
    static struct inspected in;
    struct tl_error error = {0};
    enum outcome outcome = inspect_load(path, &in, &error) ? cli_refuse(cli, &error, NULL, 0)
                                                           : inspect_whole(cli, &in);
    free(in.text);
    return outcome;
}

static int check_words(const char *word, const char *object, struct tl_error *error)
{
    bool lists = strcmp(word, "list") == 0,
         names = !strcmp(word, "show") || !strcmp(word, "remove");
    if (lists && !object)
        return 0;
    if (names && object)
        return 0;
    tl_error_set(error, TL_USAGE, "shelf: expected list, show NAME or remove NAME");
    tl_error_token(error, word);
    return TL_USAGE;
}

enum outcome verb_shelf(struct cli *cli)
{
    const char *word = cli->options.argument, *object = cli->options.object;
    struct tl_error error = {0};
    char folder[PATH_SIZE], path[FILE_PATH];
    int failed = check_words(word, object, &error);
    if (!failed)
        failed = paths_shelf(folder, &error);
    if (!failed && !object)
        failed = list(cli, folder, &error);
    else if (!failed)
        failed = find(folder, object, path, &error);
    if (!failed && object && strcmp(word, "show") == 0)
        return show(cli, path);
    if (!failed && object) {
        failed = shelf_remove(folder, object, &error);
        if (!failed)
            fprintf(cli->out, "%s is off the shelf\n", object);
    }
    return failed ? cli_refuse(cli, &error, NULL, 0) : RUN_DONE;
}
