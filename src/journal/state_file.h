/* SPDX-License-Identifier: MIT */
/* A struct of texts and numbers as a small file that outlives its run: one JSON object, written with bytes.h, since
 * the guard writes it too. */
#ifndef TINLATCH_STATE_FILE_H
#define TINLATCH_STATE_FILE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

#include "tinlatch/err.h"

/* Where a field stands in its struct: a text of `size` bytes, or an int64_t (size 0). */
struct state_field {
    const char *key;
    size_t at, size;
};

#define STATE_TEXT(type, name)                                                                     \
    {                                                                                              \
#name, offsetof(struct type, name), sizeof((struct type *)0)->name                         \
    }
#define STATE_NUMBER(type, name)                                                                   \
    {                                                                                              \
#name, offsetof(struct type, name), 0                                                      \
    }

struct state_kind {
    const char *name; /* for messages: "latch" */
    const struct state_field *fields;
    int count;
};

/* Beside it, then renamed; durable: on the disk when it returns, however long the disk takes. 0 or TL_FILE with the
 * sentence. */
int state_file_write(const char *path, const struct state_kind *kind, const void *from,
                     bool durable, struct tl_error *error);
/* Room for any content of it, where the file system can set that aside: then it can be written over on a full disk. */
void state_file_reserve(const char *path);
/* In its place, for want of room beside it: while it is written, and after a loss of power then, it is torn. Only when
 * it is that file. */
int state_file_write_over(const char *path, dev_t device, ino_t inode,
                          const struct state_kind *kind, const void *from, struct tl_error *error);
/* What was written without that is on the disk now. */
int state_file_sync(const char *path, const struct state_kind *kind, struct tl_error *error);
/* 1: something was read, as far as it could be read, into *to; *whole: every field stood there once and nothing was
 * torn. 0: there is no file. TL_FILE: it cannot be read. What is not read stays as it was in *to. */
int state_file_read(const char *path, const struct state_kind *kind, void *to, bool *whole,
                    struct tl_error *error);
int state_file_remove(const char *path, const struct state_kind *kind, struct tl_error *error);

#endif
