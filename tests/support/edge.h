/* SPDX-License-Identifier: MIT */
/* edge - puts bytes directly before an unmapped page, so that reading one byte too many crashes. */
#ifndef TINLATCH_TESTS_EDGE_H
#define TINLATCH_TESTS_EDGE_H

#include <assert.h>
#include <stddef.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

enum { EDGE_PAGES = 4 };

/* The page that must not be touched; mapped once, kept until the test program ends. */
static inline unsigned char *edge_wall(void)
{
    static unsigned char *wall;
    if (wall)
        return wall;
    size_t page = (size_t)sysconf(_SC_PAGESIZE);
    unsigned char *pages = mmap(NULL, (EDGE_PAGES + 1) * page, PROT_READ | PROT_WRITE,
                                MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    assert(pages != MAP_FAILED);
    wall = pages + EDGE_PAGES * page;
    assert(mprotect(wall, page, PROT_NONE) == 0);
    return wall;
}

/* A copy of `bytes` that ends at the wall; valid until the next call. */
static inline void *edge_put(const void *bytes, size_t length)
{
    unsigned char *at = edge_wall() - length;
    assert(length <= EDGE_PAGES * (size_t)sysconf(_SC_PAGESIZE));
    if (length > 0)
        memcpy(at, bytes, length);
    return at;
}

#endif
