/* SPDX-License-Identifier: MIT */
#include "tinlatch/latch.h"

#include <string.h>

#include "state_file.h"

static const struct state_field fields[] = {
    STATE_TEXT(latch, rule),     STATE_TEXT(latch, what),   STATE_TEXT(latch, act),
    STATE_TEXT(latch, look),     STATE_TEXT(latch, recipe), STATE_TEXT(latch, bench),
    STATE_NUMBER(latch, wall_s),
};
static const struct state_kind kind = {"latch", fields, sizeof fields / sizeof fields[0]};

int latch_write(const char *path, const struct latch *latch, struct tl_error *error)
{
    return state_file_write(path, &kind, latch, error);
}

/* Torn, it counts as latched all the same, for whatever can still be read of it. */
int latch_read(const char *path, struct latch *latch, struct tl_error *error)
{
    bool whole;
    *latch = (struct latch){0};
    int result = state_file_read(path, &kind, latch, &whole, error);
    if (result != 1)
        return result;
    if (!latch->rule[0])
        strcpy(latch->rule, "unreadable");
    if (!latch->what[0])
        strcpy(latch->what, "the latch file is damaged: what tripped is not known");
    return 1;
}

int latch_remove(const char *path, struct tl_error *error)
{
    return state_file_remove(path, &kind, error);
}
