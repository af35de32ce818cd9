/* SPDX-License-Identifier: MIT */
#include "tinlatch/last_run.h"

#include <fcntl.h>
#include <string.h>
#include <unistd.h>

#include "state_file.h"

enum { BOOT_TEXT = 40 };

struct kept {
    char boot[BOOT_TEXT]; /* the start of the computer that the times belong to */
    int64_t bench;
    struct last_run run; /* its times of CLOCK_BOOTTIME */
};

static const struct state_field fields[] = {
    STATE_TEXT(kept, boot),
    STATE_NUMBER(kept, bench),
    {"insert", offsetof(struct kept, run.insert), BENCH_NAME},
    {"tested_ms", offsetof(struct kept, run.tested_ms), 0},
    {"rise_permille", offsetof(struct kept, run.rise_permille), 0},
    {"ended_ms", offsetof(struct kept, run.ended_ms), 0},
    {"plate_mc", offsetof(struct kept, run.plate_mc), 0},
};
static const struct state_kind kind = {"last run", fields, sizeof fields / sizeof fields[0]};

/* A name for this start of the computer; false when it cannot be told. */
static bool read_boot(char boot[BOOT_TEXT])
{
    int fd = open("/proc/sys/kernel/random/boot_id", O_RDONLY | O_CLOEXEC);
    ssize_t length = fd < 0 ? -1 : read(fd, boot, BOOT_TEXT - 1);

    if (fd >= 0)
        close(fd);
    boot[length > 0 ? length : 0] = '\0';
    boot[strcspn(boot, "\n")] = '\0';
    return boot[0] != '\0';
}

static void shift(struct last_run *run, int64_t by_ms)
{
    run->tested_ms += by_ms;
    run->ended_ms += by_ms;
}

int last_run_save(const char *path, uint64_t bench, int64_t origin_ms, const struct last_run *last,
                  struct tl_error *error)
{
    struct kept kept = {.bench = (int64_t)bench, .run = *last};

    if (!read_boot(kept.boot))
        return tl_error_set(error, TL_FILE, "this start of the computer has no name");
    shift(&kept.run, origin_ms);
    return state_file_write(path, &kind, &kept, false, error); /* see last_run_remove */
}

bool last_run_load(const char *path, uint64_t bench, int64_t origin_ms, struct last_run *last)
{
    enum { TIMES_MOST = INT32_MAX }; /* in seconds, so that no sum overflows */
    struct kept kept = {0};
    char boot[BOOT_TEXT];
    bool whole;

    *last = (struct last_run){0};
    if (state_file_read(path, &kind, &kept, &whole, NULL) != 1 || !whole || !read_boot(boot) ||
        strcmp(boot, kept.boot) != 0 || kept.bench != (int64_t)bench)
        return false;
    const int64_t times[] = {kept.run.tested_ms, kept.run.ended_ms};
    for (int i = 0; i < 2; i++)
        if (times[i] < 0 || times[i] / 1000 > TIMES_MOST)
            return false;
    shift(&kept.run, -origin_ms);
    *last = kept.run;
    return true;
}

/* Neither this nor what is saved is synced: a computer that loses it for want of that has been started anew, and knows
 * nothing of before. */
void last_run_remove(const char *path)
{
    unlink(path);
}
