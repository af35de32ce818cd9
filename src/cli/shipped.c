/* SPDX-License-Identifier: MIT */
/* What there is to begin with: recipes and boards with their titles, the inserts of the bench. Titles
 * are looked for in the text: no recipe is run for a list. */
#include <dirent.h>
#include <stdlib.h>
#include <string.h>

#include "cli_private.h"
#include "paths.h"
#include "tinlatch/benchfile.h"
#include "tinlatch/file.h"
#include "tinlatch/utf8.h"

enum { LARGE = 1 << 20 };

static int is_lua(const struct dirent *entry)
{
    size_t length = strlen(entry->d_name);
    return length > 4 && strcmp(entry->d_name + length - 4, ".lua") == 0;
}

/* Is `at` the key `title` of a table, at the start of a line? Moves behind its opening quote. */
static const char *title_at(const char *at)
{
    at += strspn(at, " ");
    if (strncmp(at, "title", 5) != 0)
        return NULL;
    at += 5;
    at += strspn(at, " ");
    if (*at++ != '=')
        return NULL;
    at += strspn(at, " ");
    return *at == '"' ? at + 1 : NULL;
}

static void find_title(const char *text, char title[80])
{
    title[0] = '\0';
    for (const char *line = text; line; line = strchr(line, '\n') ? strchr(line, '\n') + 1 : NULL) {
        const char *from = title_at(line);
        size_t length = from ? strcspn(from, "\"\\\n") : 0;
        if (length == 0 || length >= 80 || !utf8_is_plain(from, length))
            continue;
        memcpy(title, from, length);
        title[length] = '\0';
        return;
    }
}

static void write_file(FILE *out, const char *directory, const char *name)
{
    char path[PATH_SIZE], title[80] = "", *text = NULL;
    size_t length;
    int n = snprintf(path, sizeof path, "%s/%s", directory, name);
    if (n > 0 && n < PATH_SIZE && file_read(path, LARGE, &text, &length, NULL) == 0)
        find_title(text, title);
    free(text);
    fprintf(out, "  %-24s %s\n", name, title);
}

/* Every .lua file of share/below. */
static void write_files(FILE *out, const char *share, const char *below, const char *what)
{
    char directory[PATH_SIZE];
    struct dirent **entries;
    int n = snprintf(directory, sizeof directory, "%s/%s", share, below);
    if (n < 0 || n >= PATH_SIZE || (n = scandir(directory, &entries, is_lua, alphasort)) < 0)
        return;
    fprintf(out, "%s in %s:\n", what, directory);
    for (int i = 0; i < n; i++) {
        write_file(out, directory, entries[i]->d_name);
        free(entries[i]);
    }
    free(entries);
    fputc('\n', out);
}

static int write_inserts(FILE *out, const char *share, struct tl_error *error)
{
    static struct benchfile bench;
    char path[PATH_SIZE], *text = NULL;
    size_t length;
    bool is_demo;
    if (paths_default_bench(share, path, &is_demo, error) ||
        file_read(path, LARGE, &text, &length, error))
        return TL_FILE;
    int failed = benchfile_parse(path, text, length, &bench, error);
    free(text);
    if (failed)
        return failed;
    fprintf(out, "inserts of %s:\n", path);
    for (int i = 0; i < bench.insert_count; i++)
        fprintf(out, "  %s\n", bench.insert[i].name);
    return 0;
}

int shipped_write(FILE *out, struct tl_error *error)
{
    char share[PATH_SIZE];
    if (paths_share(share, error))
        return TL_FILE;
    write_files(out, share, "recipes", "recipes");
    write_files(out, share, "recipes/boards", "boards");
    return write_inserts(out, share, error);
}
