/* SPDX-License-Identifier: MIT */
#include "tinlatch/pack.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/bytes.h"
#include "tinlatch/utf8.h"

static const char first_line[] = "tinlatch-pack 1\n",
                  signer_mark[] = "signer: ", seal_line[] = "== signature\n";

/* clang-format off */
static const struct {
    const char *name;
    int most;
    bool lua;
} kinds[PACK_KINDS] = {
    [PACK_RECIPE]   = {"recipe",   1,          true},
    [PACK_BOARD]    = {"board",    1,          true},
    [PACK_MODULE]   = {"module",   PACK_PARTS, true},
    [PACK_NOTES]    = {"notes",    1,          false},
    [PACK_LICENCE]  = {"licence",  1,          false},
    [PACK_EVIDENCE] = {"evidence", 1,          false},
};
/* clang-format on */

const char *pack_kind_name(enum pack_kind kind)
{
    return kinds[kind].name;
}

const struct pack_part *pack_part_of(const struct pack *pack, enum pack_kind kind)
{
    for (int i = 0; i < pack->part_count; i++)
        if (pack->part[i].kind == kind)
            return &pack->part[i];
    return NULL;
}

bool pack_name_fits(const char *name)
{
    if (!name[0] || strlen(name) >= PACK_NAME || name[0] == '.' || name[0] == '-')
        return false;
    for (const char *c = name; *c; c++)
        if (!bytes_is_word(*c) && *c != '-' && *c != '.')
            return false;
    return true;
}

bool pack_begins(const char *text, size_t length)
{
    return length >= sizeof first_line - 1 && memcmp(text, first_line, sizeof first_line - 1) == 0;
}

/* ---- the rules that hold for what is written and for what is read ---------------------------------- */

static bool ends_with(const char *text, const char *end)
{
    size_t length = strlen(text), tail = strlen(end);
    return length > tail && strcmp(text + length - tail, end) == 0;
}

static int check_part(const struct pack *pack, int index, struct tl_error *error)
{
    const struct pack_part *part = &pack->part[index];
    int alike = 0;
    if (!pack_name_fits(part->name))
        return tl_error_set(error, TL_RANGE, "\"%s\" is no name for a part", part->name);
    if (part->length == 0)
        return tl_error_set(error, TL_RANGE, "the part \"%s\" is empty", part->name);
    if (kinds[part->kind].lua && !ends_with(part->name, ".lua"))
        return tl_error_set(error, TL_RANGE, "the %s \"%s\" does not end in .lua",
                            kinds[part->kind].name, part->name);
    for (int i = 0; i < index; i++) {
        if (strcasecmp(pack->part[i].name, part->name) == 0)
            return tl_error_set(error, TL_RANGE, "two parts are called \"%s\"", part->name);
        if (pack->part[i].kind > part->kind)
            return tl_error_set(error, TL_RANGE, "the %s \"%s\" stands behind the %s",
                                kinds[part->kind].name, part->name, kinds[pack->part[i].kind].name);
        alike += pack->part[i].kind == part->kind;
    }
    if (alike >= kinds[part->kind].most)
        return tl_error_set(error, TL_FULL, "there is a second %s", kinds[part->kind].name);
    return 0;
}

static int check_pack(const struct pack *pack, struct tl_error *error)
{
    if (!pack_name_fits(pack->name))
        return tl_error_set(error, TL_RANGE, "\"%s\" is no name for a shared recipe", pack->name);
    if (pack->version < 1 || pack->api < 1)
        return tl_error_set(error, TL_RANGE, "version and api count from 1");
    for (int i = 0; i < pack->part_count; i++)
        if (check_part(pack, i, error))
            return error ? (int)error->code : TL_RANGE;
    for (int kind = PACK_RECIPE; kind <= PACK_BOARD; kind++)
        if (!pack_part_of(pack, (enum pack_kind)kind))
            return tl_error_set(error, TL_MISSING, "there is no %s in it", kinds[kind].name);
    return 0;
}

/* What a person sees in a viewer is what is there. */
static int check_text(const char *text, size_t length, struct tl_error *error)
{
    int line = 1;
    for (size_t i = 0; i < length;) {
        size_t n = utf8_length(text + i, length - i);
        bool breaks = text[i] == '\n' || text[i] == '\t';
        if (n == 0 || (!breaks && !utf8_is_plain(text + i, n))) {
            tl_error_set(error, TL_RANGE, "a character that is not plain text");
            tl_error_at(error, "", line);
            return TL_RANGE;
        }
        line += text[i] == '\n';
        i += n;
    }
    return 0;
}

static void comment_of(const struct pack *pack, char out[SIGN_COMMENT])
{
    snprintf(out, SIGN_COMMENT, "tinlatch-pack %s version %d board %.100s", pack->name,
             (int)pack->version, pack->board);
}

/* ---- writing --------------------------------------------------------------------------------------- */

static void write_signed(const struct pack *pack, const struct sign_public *signer, FILE *out)
{
    char key[SIGN_KEY], hash[SIGN_HASH];
    sign_public_write(signer, key);
    fprintf(out, "%s%s%s\n", first_line, signer_mark, key);
    fprintf(out, "name: %s\nversion: %d\ntitle: %s\napi: %d\nboard: %s\nrevision: %s\nalloys: %s\n",
            pack->name, (int)pack->version, pack->title, (int)pack->api, pack->board,
            pack->revision, pack->alloys);
    for (int i = 0; i < pack->part_count; i++) {
        const struct pack_part *part = &pack->part[i];
        sign_sha256(part->text, part->length, hash);
        fprintf(out, "part: %s %s %zu %s\n", kinds[part->kind].name, part->name, part->length,
                hash);
    }
    for (int i = 0; i < pack->part_count; i++) {
        const struct pack_part *part = &pack->part[i];
        fprintf(out, "\n== %s %s %zu\n", kinds[part->kind].name, part->name, part->length);
        fwrite(part->text, 1, part->length, out);
    }
    fprintf(out, "\n%s", seal_line);
}

int pack_write(const struct pack *pack, const struct sign_secret *secret, char **text,
               size_t *length, struct tl_error *error)
{
    char comment[SIGN_COMMENT], signature[SIGN_TEXT];
    int failed = check_pack(pack, error);
    if (failed)
        return failed;
    *text = NULL;
    FILE *out = open_memstream(text, length);
    if (!out)
        return tl_error_set(error, TL_SYSTEM, "out of memory");
    write_signed(pack, &secret->public, out);
    comment_of(pack, comment);
    if (fflush(out) != 0)
        failed = tl_error_set(error, TL_SYSTEM, "out of memory");
    if (!failed)
        failed = check_text(*text, *length, error);
    if (!failed)
        failed = sign_bytes(secret, *text, *length, comment, signature, error);
    if (!failed)
        fputs(signature, out);
    if (fclose(out) != 0 && !failed)
        failed = tl_error_set(error, TL_SYSTEM, "out of memory");
    if (!failed && *length > PACK_BYTES)
        failed = tl_error_set(error, TL_FULL, "a pack holds at most %d bytes; this has %zu",
                              PACK_BYTES, *length);
    if (failed)
        free(*text);
    return failed;
}

/* ---- the seal -------------------------------------------------------------------------------------- */

static int damaged(struct tl_error *error, const char *what)
{
    tl_error_set(error, TL_BAD, "damaged, or no pack: %s", what);
    tl_error_hint(error, "get the file again from where it came; nothing of it was used");
    return TL_BAD;
}

/* Where the last `count` lines begin; NULL when there are not as many. */
static const char *last_lines(const char *text, size_t length, int count)
{
    const char *at = text + length;
    if (length == 0 || at[-1] != '\n')
        return NULL;
    for (int i = 0; i <= count; i++) {
        at = memrchr(text, '\n', (size_t)(at - text));
        if (!at)
            return NULL;
    }
    return at + 1;
}

/* The first line of the signature says nothing that is signed: only this one is taken. */
static bool first_comment_fits(const char *seal, const struct sign_public *signer)
{
    char id[SIGN_ID], line[80];
    sign_id(signer->id, id);
    int n = snprintf(line, sizeof line, "untrusted comment: signed with key %s\n", id);
    return strncmp(seal, line, (size_t)n) == 0;
}

static int read_seal(const char *text, size_t length, struct pack *pack, char comment[SIGN_COMMENT],
                     struct tl_error *error)
{
    struct sign_signature signature;
    size_t head = sizeof first_line - 1, mark = sizeof signer_mark - 1, tail = sizeof seal_line - 1,
           key = SIGN_KEY - 1;
    if (length > PACK_BYTES)
        return damaged(error, "it is longer than a pack may be");
    if (!pack_begins(text, length))
        return damaged(error, "its first line is not \"tinlatch-pack 1\"");
    const char *seal = last_lines(text, length, 4), *signer = text + head + mark;
    if (!seal || (size_t)(seal - text) < head + mark + key + tail ||
        memcmp(seal - tail, seal_line, tail) != 0)
        return damaged(error, "no signature stands at its end");
    if (memcmp(text + head, signer_mark, mark) != 0 || signer[key] != '\n' ||
        sign_public_read(signer, key, &pack->signer, NULL) != 0)
        return damaged(error, "its second line is not \"signer:\" with a sound public key");
    pack->signed_length = (size_t)(seal - text);
    if (sign_signature_read(seal, length - pack->signed_length, &signature, error))
        return damaged(error, "its signature breaks the form");
    if (!first_comment_fits(seal, &pack->signer))
        return damaged(error, "its signature's first line was changed");
    int verdict = sign_verify(&pack->signer, &signature, text, pack->signed_length);
    if (verdict == TL_UNKNOWN)
        return damaged(error, "its signature names another key than its second line");
    if (verdict) {
        tl_error_set(error, TL_BAD, "forged or damaged: these are not the bytes that were signed");
        tl_error_hint(error, "get the file again from where it came; nothing of it was used");
        return TL_BAD;
    }
    memcpy(comment, signature.comment, SIGN_COMMENT);
    return 0;
}

/* ---- parsing what is verified ---------------------------------------------------------------------- */

struct reader {
    const char *text, *at, *end;
    int line;
    struct tl_error *error;
};

/* Signed, but not as the form has it: its maker's mistake, or malice. */
static int against(struct reader *r, const char *what)
{
    tl_error_set(r->error, TL_RANGE, "signed, but not a sound pack: expected %s", what);
    tl_error_at(r->error, "", r->line);
    return TL_RANGE;
}

static bool take(struct reader *r, const char *word)
{
    size_t length = strlen(word);
    if ((size_t)(r->end - r->at) < length || memcmp(r->at, word, length) != 0)
        return false;
    r->at += length;
    return true;
}

/* Up to `stop`, which is taken too; not empty, and it fits. */
static bool take_word(struct reader *r, char stop, char *out, size_t size)
{
    const char *end = memchr(r->at, stop, (size_t)(r->end - r->at));
    if (!end || end == r->at || (size_t)(end - r->at) >= size ||
        memchr(r->at, '\n', (size_t)(end - r->at)))
        return false;
    memcpy(out, r->at, (size_t)(end - r->at));
    out[end - r->at] = '\0';
    r->at = end + 1;
    return true;
}

static int take_value(struct reader *r, const char *key, char *out, size_t size)
{
    char what[64];
    snprintf(what, sizeof what, "\"%s: ...\"", key);
    r->line++;
    if (!take(r, key) || !take(r, ": ") || !take_word(r, '\n', out, size))
        return against(r, what);
    return 0;
}

/* One spelling for a number: no sign, no leading zero. */
static bool take_count(struct reader *r, char stop, int64_t most, int64_t *out)
{
    char digits[24];
    const char *at = digits;
    return take_word(r, stop, digits, sizeof digits) && digits[0] != '0' && digits[0] != '-' &&
           bytes_read_int(&at, digits + strlen(digits), out) == 0 && *at == '\0' && *out <= most;
}

static int take_number(struct reader *r, const char *key, int32_t *out)
{
    char text[24], what[64];
    int64_t value = 0;
    int failed = take_value(r, key, text, sizeof text);
    struct reader digits = {.at = text, .end = text + strlen(text) + 1};
    snprintf(what, sizeof what, "\"%s:\" and a number from 1", key);
    if (!failed && !take_count(&digits, '\0', INT32_MAX, &value))
        failed = against(r, what);
    *out = (int32_t)value;
    return failed;
}

static bool take_kind(struct reader *r, enum pack_kind *kind)
{
    char word[16];
    if (!take_word(r, ' ', word, sizeof word))
        return false;
    for (int i = 0; i < PACK_KINDS; i++)
        if (strcmp(word, kinds[i].name) == 0) {
            *kind = (enum pack_kind)i;
            return true;
        }
    return false;
}

/* A line of the manifest: kind, name, bytes, hash. */
static int take_part_line(struct reader *r, struct pack *pack, char hash[SIGN_HASH])
{
    struct pack_part *part = &pack->part[pack->part_count];
    int64_t length;
    r->line++;
    if (!take_kind(r, &part->kind) || !take_word(r, ' ', part->name, sizeof part->name) ||
        !take_count(r, ' ', PACK_BYTES, &length) || !take_word(r, '\n', hash, SIGN_HASH))
        return against(r, "\"part: KIND NAME BYTES SHA-256\"");
    part->length = (size_t)length;
    int failed = check_part(pack, pack->part_count, r->error);
    if (failed)
        tl_error_at(r->error, "", r->line);
    pack->part_count++;
    return failed;
}

static void count_lines(struct reader *r, const char *from)
{
    for (const char *c = from; c < r->at; c++)
        r->line += *c == '\n';
}

static int take_part(struct reader *r, struct pack_part *part, const char *hash)
{
    char heading[2 * PACK_NAME], found[SIGN_HASH];
    const char *from = r->at;
    snprintf(heading, sizeof heading, "\n== %s %s %zu\n", kinds[part->kind].name, part->name,
             part->length);
    r->line += 2;
    if (!take(r, heading))
        return against(r, "the heading of a part as the manifest has it");
    if ((size_t)(r->end - r->at) < part->length)
        return against(r, "as many bytes as the manifest says");
    part->text = r->at;
    r->at += part->length;
    sign_sha256(part->text, part->length, found);
    if (strcmp(found, hash) != 0)
        return against(r, "a part with the hash that the manifest says");
    r->line -= 2;
    count_lines(r, from);
    return 0;
}

static int read_manifest(struct reader *r, struct pack *pack, char hash[PACK_PARTS][SIGN_HASH])
{
    if (take_value(r, "name", pack->name, sizeof pack->name) ||
        take_number(r, "version", &pack->version) ||
        take_value(r, "title", pack->title, sizeof pack->title) ||
        take_number(r, "api", &pack->api) ||
        take_value(r, "board", pack->board, sizeof pack->board) ||
        take_value(r, "revision", pack->revision, sizeof pack->revision) ||
        take_value(r, "alloys", pack->alloys, sizeof pack->alloys))
        return r->error->code;
    while (take(r, "part: ")) {
        if (pack->part_count == PACK_PARTS)
            return against(r, "at most 64 parts");
        if (take_part_line(r, pack, hash[pack->part_count]))
            return r->error->code;
    }
    int failed = check_pack(pack, r->error);
    if (failed)
        tl_error_at(r->error, "", r->line);
    return failed;
}

static int parse(const char *text, struct pack *pack, const char *comment, struct tl_error *error)
{
    char hash[PACK_PARTS][SIGN_HASH], expected[SIGN_COMMENT];
    size_t head = sizeof first_line - 1 + sizeof signer_mark - 1 + SIGN_KEY;
    struct reader r = {text, text + head, text + pack->signed_length, 2, error};
    int failed = check_text(text, pack->signed_length, error);
    if (!failed)
        failed = read_manifest(&r, pack, hash);
    for (int i = 0; i < pack->part_count && !failed; i++)
        failed = take_part(&r, &pack->part[i], hash[i]);
    if (failed)
        return failed;
    if (!take(&r, "\n") || !take(&r, seal_line) || r.at != r.end)
        return against(&r, "nothing between the last part and the signature");
    comment_of(pack, expected);
    if (strcmp(comment, expected) != 0)
        return against(&r, "a trusted comment that names the same recipe as the manifest");
    sign_sha256(text, pack->signed_length, pack->hash);
    return 0;
}

int pack_read(const char *text, size_t length, struct pack *pack, struct tl_error *error)
{
    struct tl_error own = {0};
    char comment[SIGN_COMMENT];
    *pack = (struct pack){0};
    int failed = read_seal(text, length, pack, comment, &own);
    if (!failed)
        failed = parse(text, pack, comment, &own);
    if (failed && error)
        *error = own;
    return failed;
}
