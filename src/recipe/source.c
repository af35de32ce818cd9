/* SPDX-License-Identifier: MIT */
#include "recipe_private.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { PATH_BYTES = 1024, FOLDER_FILES = 256 };

/* The names of a folder's .lua files, sorted, so that the same folder always gives the same set. */
struct folder {
    int count;
    char name[FOLDER_FILES][128];
};

static const char *base_name(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash ? slash + 1 : path;
}

static bool is_lua(const char *name)
{
    size_t length = strlen(name);
    return length > 4 && length < 64 && name[0] != '.' && strcmp(name + length - 4, ".lua") == 0;
}

static void module_name(const char *path, char *out, size_t size)
{
    snprintf(out, size, "%s", base_name(path));
    size_t length = strlen(out);
    if (length > 4 && strcmp(out + length - 4, ".lua") == 0)
        out[length - 4] = '\0';
}

static void folder_add(struct folder *folder, const char *name)
{
    if (folder->count == FOLDER_FILES)
        return; /* the caller's limit on files is lower; what is not read is reported by `require` */
    int i = folder->count++;
    for (; i > 0 && strcmp(folder->name[i - 1], name) > 0; i--)
        memcpy(folder->name[i], folder->name[i - 1], sizeof folder->name[i]);
    snprintf(folder->name[i], sizeof folder->name[i], "%s", name);
}

static void folder_list(struct folder *folder, const char *path)
{
    folder->count = 0;
    DIR *dir = opendir(path);
    if (!dir)
        return;
    for (struct dirent *entry; (entry = readdir(dir));)
        if (is_lua(entry->d_name))
            folder_add(folder, entry->d_name);
    closedir(dir);
}

/* ---- what a source must not hold ------------------------------------------------------------ */

static int utf8_length(unsigned char first)
{
    if (first < 0x80)
        return 1;
    if (first >= 0xC2 && first <= 0xDF)
        return 2;
    if (first >= 0xE0 && first <= 0xEF)
        return 3;
    return first >= 0xF0 && first <= 0xF4 ? 4 : 0;
}

/* The character at `text`, or -1 when the bytes are not UTF-8; *bytes is its length. */
static long utf8_read(const char *text, size_t left, int *bytes)
{
    const unsigned char *u = (const unsigned char *)text;
    int length = utf8_length(u[0]);
    if (length == 0 || (size_t)length > left)
        return -1;
    long code = length == 1 ? u[0] : u[0] & (0xFF >> (length + 1));
    for (int i = 1; i < length; i++) {
        if ((u[i] & 0xC0) != 0x80)
            return -1;
        code = (code << 6) | (u[i] & 0x3F);
    }
    if ((length == 3 && code < 0x800) || (length == 4 && (code < 0x10000 || code > 0x10FFFF)) ||
        (code >= 0xD800 && code <= 0xDFFF))
        return -1;
    *bytes = length;
    return code;
}

/* Characters that change the order or the look of a text without being seen. */
static bool is_invisible(long code)
{
    return (code >= 0x202A && code <= 0x202E) || (code >= 0x2066 && code <= 0x2069) ||
           (code >= 0x200B && code <= 0x200F) || code == 0x061C || code == 0x2028 ||
           code == 0x2029 || code == 0x2060 || code == 0xFEFF || (code >= 0x80 && code < 0xA0);
}

/* Code points that are no characters: XML and others refuse a text that holds one. */
static bool is_noncharacter(long code)
{
    return (code & 0xFFFE) == 0xFFFE || (code >= 0xFDD0 && code <= 0xFDEF);
}

long text_trick(const char *text, size_t length, const char **what)
{
    for (size_t i = 0; i < length;) {
        int bytes = 1;
        long code = utf8_read(text + i, length - i, &bytes);
        if (code < 0)
            *what = "is not UTF-8 text";
        else if (code == 0)
            *what = "holds a zero byte: it is not text";
        else if (code == '\r' && (i + 1 >= length || text[i + 1] != '\n'))
            *what = "holds a carriage return inside a line, which hides what stands before it";
        else if (code < 32 && !strchr("\t\n\r", (int)code))
            *what = "holds a control character";
        else if (code == 127)
            *what = "holds a control character";
        else if (is_noncharacter(code))
            *what = "holds a code point that is no character";
        else if (is_invisible(code))
            *what = "holds an invisible character that can make it read otherwise than it is";
        else {
            i += (size_t)bytes;
            continue;
        }
        return (long)i;
    }
    return -1;
}

static int line_at(const char *text, size_t at)
{
    int line = 1;
    for (size_t i = 0; i < at; i++)
        line += text[i] == '\n';
    return line;
}

static bool is_compiled(const char *text, size_t length)
{
    const char *at = memchr(text, '#', length > 0 ? 1 : 0) ? memchr(text, '\n', length) : text;
    if (!at)
        return false;
    at += *at == '\n' && at != text;
    return length - (size_t)(at - text) >= 4 && memcmp(at, "\x1bLua", 4) == 0;
}

static int check_text(const struct source_file *file, struct tl_error *error)
{
    const char *what = NULL;
    if (is_compiled(file->text, file->length)) {
        tl_error_set(error, TL_SYNTAX, "holds compiled Lua; recipes are read as text only");
        tl_error_at(error, file->name, 1);
        return TL_SYNTAX;
    }
    long at = text_trick(file->text, file->length, &what);
    if (at < 0)
        return 0;
    tl_error_set(error, TL_SYNTAX, "%s (byte <%02X>)", what,
                 (unsigned)(unsigned char)file->text[at]);
    tl_error_at(error, file->name, line_at(file->text, (size_t)at));
    tl_error_hint(error, "save it as plain UTF-8 text, and look at that line in an editor that "
                         "shows every character");
    return TL_SYNTAX;
}

/* ---- reading -------------------------------------------------------------------------------- */

static int file_error(struct tl_error *error, const char *path, const char *why)
{
    return tl_error_set(error, TL_FILE, "%s: %s", path, why);
}

/* Append the whole file to the store. O_NONBLOCK: a FIFO must not hold us up before it is refused. */
static int read_into_store(struct source_set *set, const char *path, struct tl_error *error)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    if (fd < 0)
        return file_error(error, path, strerror(errno));
    int code = 0;
    struct stat status;
    if (fstat(fd, &status) < 0)
        code = file_error(error, path, strerror(errno));
    else if (!S_ISREG(status.st_mode))
        code = file_error(error, path, "is not a regular file");
    size_t start = set->used;
    while (code == 0) {
        ssize_t got = read(fd, set->store + set->used, SOURCE_BYTES - set->used);
        if (got < 0)
            code = file_error(error, path, strerror(errno));
        else if (got == 0)
            break;
        set->used += got > 0 ? (size_t)got : 0;
        if (set->used == SOURCE_BYTES)
            code =
                tl_error_set(error, TL_FULL,
                             "%s: the recipe and what lies beside it hold more than 1 MiB", path);
    }
    close(fd);
    if (code != 0)
        set->used = start;
    return code;
}

/* Some editors begin UTF-8 text with a byte order mark; Lua's grammar has no such thing. */
static void skip_mark(struct source_file *file)
{
    if (file->length >= 3 && memcmp(file->text, "\xEF\xBB\xBF", 3) == 0) {
        file->text += 3;
        file->length -= 3;
    }
}

/* What was added to the store from `start` on becomes a file of the set. */
static int add_stored(struct source_set *set, size_t start, const char *shown,
                      enum source_from from, struct tl_error *error)
{
    struct source_file *file = &set->file[set->count];
    *file = (struct source_file){.text = set->store + start, .length = set->used - start};
    snprintf(file->name, sizeof file->name, "%s", shown);
    module_name(shown, file->module, sizeof file->module);
    file->from = from;
    skip_mark(file);
    int code = check_text(file, error);
    if (code == 0)
        set->count++;
    return code;
}

static int add_file(struct source_set *set, const char *path, const char *shown,
                    enum source_from from, struct tl_error *error)
{
    if (set->count == SOURCE_FILES)
        return tl_error_set(error, TL_FULL, "%s: more than %d files belong to this recipe", path,
                            SOURCE_FILES);
    size_t start = set->used;
    int code = read_into_store(set, path, error);
    return code ? code : add_stored(set, start, shown, from, error);
}

static int add_text(struct source_set *set, const struct source_text *text, struct tl_error *error)
{
    size_t start = set->used;
    if (set->count == SOURCE_FILES || text->length >= SOURCE_BYTES - start)
        return tl_error_set(error, TL_FULL,
                            "%s: a recipe and its modules are at most %d files and 1 MiB",
                            text->name, SOURCE_FILES);
    memcpy(set->store + start, text->text, text->length);
    set->used += text->length;
    int code = add_stored(set, start, text->name, text->from, error);
    if (code == 0 && text->from == SOURCE_BOARD)
        set->board_file = set->count;
    return code;
}

static bool has_module(const struct source_set *set, const char *module, bool board)
{
    for (int i = 0; i < set->count; i++)
        if ((set->file[i].from == SOURCE_BOARD) == board && set->file[i].from != SOURCE_RECIPE &&
            strcmp(set->file[i].module, module) == 0)
            return true;
    return false;
}

/* In quotes, as `require "name"` or `board = "name"` has it: a word in a comment brings in nothing. */
static bool is_mentioned(const struct source_set *set, const char *module)
{
    char quoted[2][70];
    snprintf(quoted[0], sizeof quoted[0], "\"%s\"", module);
    snprintf(quoted[1], sizeof quoted[1], "'%s'", module);
    for (int i = 0; i < set->count; i++)
        for (int k = 0; k < 2; k++)
            if (memmem(set->file[i].text, set->file[i].length, quoted[k], strlen(quoted[k])))
                return true;
    return false;
}

static int add_folder(struct source_set *set, const char *path, enum source_from from,
                      const char *skip, struct tl_error *error)
{
    struct folder folder;
    folder_list(&folder, path);
    for (int i = 0; i < folder.count; i++) {
        char module[64], whole[2 * PATH_BYTES];
        module_name(folder.name[i], module, sizeof module);
        snprintf(whole, sizeof whole, "%s/%s", path, folder.name[i]);
        bool beside = from == SOURCE_BESIDE;
        if (has_module(set, module, from == SOURCE_BOARD) ||
            (skip && strcmp(folder.name[i], skip) == 0))
            continue;
        /* a folder full of other people's scripts is no reason to refuse this one */
        if (beside && !is_mentioned(set, module))
            continue;
        int code = add_file(set, whole, beside ? whole : folder.name[i], from, error);
        if (code != 0)
            return code;
        if (beside)
            i = -1; /* it may mention others */
    }
    return 0;
}

/* "recipes/x.lua" -> "recipes"; "x.lua" -> "." */
static void folder_of(const char *path, char *out, size_t size)
{
    size_t length = (size_t)(base_name(path) - path);
    snprintf(out, size, "%.*s", length > 1 ? (int)length - 1 : (int)length, path);
    if (out[0] == '\0')
        snprintf(out, size, ".");
}

static int add_boards(struct source_set *set, const char *beside, const char *board_path,
                      const char *share_dir, struct tl_error *error)
{
    char path[PATH_BYTES + 32];
    if (board_path) {
        int code = add_file(set, board_path, board_path, SOURCE_BOARD, error);
        if (code != 0)
            return code;
        set->board_file = set->count;
    }
    snprintf(path, sizeof path, "%s/boards", beside);
    int code = add_folder(set, path, SOURCE_BOARD, NULL, error);
    if (code != 0 || !share_dir)
        return code;
    snprintf(path, sizeof path, "%s/recipes/boards", share_dir);
    return add_folder(set, path, SOURCE_BOARD, NULL, error);
}

static int begin(struct source_set *set, struct tl_error *error)
{
    *set = (struct source_set){.store = malloc(SOURCE_BYTES)};
    return set->store ? 0 : tl_error_set(error, TL_SYSTEM, "out of memory");
}

static int add_shipped(struct source_set *set, const char *share_dir, struct tl_error *error)
{
    char shipped[PATH_BYTES + 32];
    snprintf(shipped, sizeof shipped, "%s/lua", share_dir);
    return add_folder(set, shipped, SOURCE_SHIPPED, NULL, error);
}

int source_load(struct source_set *set, const char *path, const char *board_path,
                const char *share_dir, struct tl_error *error)
{
    char beside[PATH_BYTES];
    *set = (struct source_set){0};
    if (strlen(path) >= PATH_BYTES / 2 || (share_dir && strlen(share_dir) >= PATH_BYTES / 2))
        return tl_error_set(error, TL_FILE, "the path of the recipe is too long");
    folder_of(path, beside, sizeof beside);
    int code = begin(set, error);
    if (code == 0)
        code = add_file(set, path, path, SOURCE_RECIPE, error);
    if (code == 0)
        code = add_boards(set, beside, board_path, share_dir, error);
    if (code == 0 && share_dir)
        code = add_shipped(set, share_dir, error);
    if (code == 0)
        code = add_folder(set, beside, SOURCE_BESIDE, base_name(path), error);
    if (code != 0)
        source_free(set);
    return code;
}

int source_take(struct source_set *set, const struct source_text *text, int count,
                const char *share_dir, struct tl_error *error)
{
    int code = begin(set, error);
    for (int i = 0; i < count && code == 0; i++)
        code = add_text(set, &text[i], error);
    if (code == 0)
        code = add_shipped(set, share_dir, error);
    if (code != 0)
        source_free(set);
    return code;
}

void source_free(struct source_set *set)
{
    free(set->store);
    *set = (struct source_set){0};
}

const struct source_file *source_find_shown(const struct source_set *set, const char *name)
{
    for (int i = 0; i < set->count; i++)
        if (strcmp(set->file[i].name, name) == 0)
            return &set->file[i];
    return NULL;
}

/* The name Lua's messages carry: whole where it fits into Lua's own 60 bytes. */
const char *source_chunk(const struct source_file *file, char *out, size_t size)
{
    const char *name = strlen(file->name) < 56 ? file->name : base_name(file->name);
    snprintf(out, size, "=%.56s", name);
    return out;
}
