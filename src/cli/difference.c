/* SPDX-License-Identifier: MIT */
/* Two texts line by line: the longest common subsequence stays, the rest went or came. */
#include "difference.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

enum { LINES = 3000 };

struct lines {
    int count;
    const char *at[LINES + 1]; /* and where the last one ends */
};

static int split(const char *text, size_t length, struct lines *lines)
{
    const char *end = text + length;
    lines->count = 0;
    for (const char *at = text; at < end; lines->count++) {
        if (lines->count == LINES)
            return -1;
        lines->at[lines->count] = at;
        const char *stop = memchr(at, '\n', (size_t)(end - at));
        at = stop ? stop + 1 : end;
    }
    lines->at[lines->count] = end;
    return 0;
}

static size_t length_of(const struct lines *lines, int i)
{
    size_t length = (size_t)(lines->at[i + 1] - lines->at[i]);
    return length > 0 && lines->at[i][length - 1] == '\n' ? length - 1 : length;
}

static int same(const struct lines *a, int i, const struct lines *b, int k)
{
    size_t length = length_of(a, i);
    return length == length_of(b, k) && memcmp(a->at[i], b->at[k], length) == 0;
}

/* common[i][k]: the longest common subsequence of what follows line i of `a` and line k of `b`. */
static uint16_t *measure(const struct lines *a, const struct lines *b)
{
    size_t row = (size_t)b->count + 1;
    uint16_t *common = calloc(((size_t)a->count + 1) * row, sizeof *common);
    for (int i = common ? a->count - 1 : -1; i >= 0; i--)
        for (int k = b->count - 1; k >= 0; k--) {
            uint16_t *at = common + (size_t)i * row + (size_t)k;
            uint16_t right = at[1], below = at[row];
            *at = same(a, i, b, k) ? (uint16_t)(at[row + 1] + 1) : below >= right ? below : right;
        }
    return common;
}

static void write_line(FILE *out, char sign, const struct lines *lines, int i, int *left)
{
    if ((*left)-- > 0)
        fprintf(out, "      %c %.*s\n", sign, (int)length_of(lines, i), lines->at[i]);
}

static struct difference walk(const struct lines *a, const struct lines *b, const uint16_t *common,
                              int most, FILE *out)
{
    struct difference changes = {0, 0};
    size_t row = (size_t)b->count + 1;
    int left = most;
    for (int i = 0, k = 0; i < a->count || k < b->count;) {
        if (i < a->count && k < b->count && same(a, i, b, k)) {
            i++;
            k++;
        } else if (i < a->count && (k == b->count || common[((size_t)i + 1) * row + (size_t)k] >=
                                                         common[(size_t)i * row + (size_t)k + 1])) {
            write_line(out, '-', a, i++, &left);
            changes.removed++;
        } else {
            write_line(out, '+', b, k++, &left);
            changes.added++;
        }
    }
    if (left < 0)
        fprintf(out, "      and %d more lines\n", -left);
    return changes;
}

struct difference difference_write(const char *before, size_t before_length, const char *after,
                                   size_t after_length, int most, FILE *out)
{
    struct difference changes = {0, 0};
    struct lines *a = malloc(sizeof *a), *b = malloc(sizeof *b);
    uint16_t *common = NULL;
    if (a && b && split(before, before_length, a) == 0 && split(after, after_length, b) == 0)
        common = measure(a, b);
    if (common)
        changes = walk(a, b, common, most, out);
    else
        fputs("      too long to be compared line by line\n", out);
    free(common);
    free(a);
    free(b);
    return changes;
}
