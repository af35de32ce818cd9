/* SPDX-License-Identifier: MIT */
/* The scribe: of what comes through its pipe, every whole line lands in the record, nothing else does, and what it says is
 * durable counts them. */
#include <fcntl.h>
#include <signal.h>
#include <sys/mman.h>
#include <unistd.h>

#include "fuzz.h"
#include "tinlatch/scribe.h"

enum { PIPE = 1 << 16 };

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static uint8_t record[PIPE];
    int in[2], back[2], fd = memfd_create("record", MFD_CLOEXEC);
    uint64_t lines = 0, told = 0, last = 0;
    size_t whole = 0;
    sigset_t before;
    if (size > PIPE)
        size = PIPE;
    assert(fd >= 0 && pipe(in) == 0 && pipe2(back, O_NONBLOCK) == 0);
    assert(write(in[1], data, size) == (ssize_t)size);
    close(in[1]);
    sigprocmask(SIG_SETMASK, NULL, &before);
    assert(scribe_run(in[0], fd, back[1]) == 0);
    sigprocmask(SIG_SETMASK, &before, NULL); /* it had blocked them all */
    for (size_t i = 0; i < size; i++)
        if (data[i] == '\n') {
            lines++;
            whole = i + 1;
        }
    while (read(back[0], &told, sizeof told) == sizeof told) {
        assert(told > last);
        last = told;
    }
    assert(last == lines);
    assert(pread(fd, record, sizeof record, 0) == (ssize_t)whole);
    assert(memcmp(record, data, whole) == 0);
    close(in[0]);
    close(back[0]);
    close(back[1]);
    close(fd);
    return 0;
}
