/* SPDX-License-Identifier: MIT */
/* The small files that outlive a run: a latch that is there latches, whatever stands in it; a last run is believed only
 * whole. */
#include <fcntl.h>
#include <unistd.h>

#include "fuzz.h"
#include "tinlatch/last_run.h"
#include "tinlatch/latch.h"
#include "tinlatch/utf8.h"

static char path[64];

static void put(const uint8_t *data, size_t size)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
    assert(fd >= 0 && write(fd, data, size) == (ssize_t)size);
    close(fd);
}

static void check_text(const char *text, size_t size)
{
    assert(memchr(text, 0, size));
    for (size_t length, left = strlen(text); left > 0; text += length, left -= length) {
        length = utf8_length(text, left);
        assert(length > 0 && utf8_is_plain(text, length));
    }
}

static void check_latch(void)
{
    const struct latch_mark none = {0};
    struct latch latch, again;
    struct tl_error error;
    assert(latch_read(path, &latch, &error) == 1);
    assert(latch.rule[0] && latch.what[0]);
    check_text(latch.rule, sizeof latch.rule);
    check_text(latch.what, sizeof latch.what);
    check_text(latch.act, sizeof latch.act);
    check_text(latch.look, sizeof latch.look);
    check_text(latch.recipe, sizeof latch.recipe);
    check_text(latch.bench, sizeof latch.bench);
    assert(latch_remove(path, &error) == 0 && latch_trip(path, &none, &latch, &error) == 0);
    assert(latch_read(path, &again, &error) == 1);
    assert(strcmp(again.rule, latch.rule) == 0 && strcmp(again.what, latch.what) == 0);
    assert(strcmp(again.recipe, latch.recipe) == 0 && again.wall_s == latch.wall_s);
}

/* `bench` is the digest that a seed states; the start of this computer is put in where one says "@". */
static void check_last_run(const uint8_t *data, size_t size)
{
    static char boot[40];
    char text[8192 + 40];
    size_t length = 0;
    struct last_run last, again;
    if (!boot[0]) {
        FILE *file = fopen("/proc/sys/kernel/random/boot_id", "re");
        assert(file && fscanf(file, "%39s", boot) == 1);
        fclose(file);
    }
    for (size_t i = 0; i < size && length < 8192; i++) {
        if (data[i] == '@') {
            memcpy(text + length, boot, strlen(boot));
            length += strlen(boot);
        } else {
            text[length++] = (char)data[i];
        }
    }
    put((const uint8_t *)text, length);
    if (!last_run_load(path, 7, 1000, &last))
        return;
    check_text(last.insert, sizeof last.insert);
    assert(last.tested_ms >= -1000 && last.ended_ms >= -1000);
    assert(last_run_save(path, 7, 1000, &last, NULL) == 0);
    assert(last_run_load(path, 7, 1000, &again));
    assert(strcmp(last.insert, again.insert) == 0 && last.plate_mc == again.plate_mc);
    assert(last.ended_ms == again.ended_ms && last.tested_ms == again.tested_ms);
    assert(!last_run_load(path, 8, 1000, &again));
}

static void leave(void)
{
    unlink(path);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (!path[0]) {
        snprintf(path, sizeof path, "/dev/shm/fuzz-state-%d", (int)getpid());
        atexit(leave);
    }
    put(data, size);
    check_latch();
    check_last_run(data, size);
    return 0;
}
