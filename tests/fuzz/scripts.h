/* SPDX-License-Identifier: MIT */
/* scripts - opens a recipe in this process, without the system's sandbox, as often as wanted: what its never closed Lua
 * state holds is given back when the input is done. Linked with --wrap for malloc, calloc, realloc and free. */
#ifndef TINLATCH_TESTS_SCRIPTS_H
#define TINLATCH_TESTS_SCRIPTS_H

#include <math.h>
#include <signal.h>
#include <sys/time.h>
#include <unistd.h>

#include "fuzz.h"
#include "tinlatch/recipe.h"

/* ---- memory of one input ---------------------------------------------------------------------- */

struct block {
    struct block *next, *before;
};

static struct block blocks = {&blocks, &blocks};
static bool keeping;
static volatile sig_atomic_t allocating; /* no place to be led out of */

void *__real_malloc(size_t size);
void *__real_calloc(size_t count, size_t size);
void *__real_realloc(void *old, size_t size);
void __real_free(void *old);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t count, size_t size);
void *__wrap_realloc(void *old, size_t size);
void __wrap_free(void *old);

static void *block_enter(struct block *block)
{
    assert(block);
    block->next = blocks.next;
    block->before = &blocks;
    blocks.next->before = block;
    blocks.next = block;
    allocating = 0;
    return block + 1;
}

static struct block *block_leave(void *old)
{
    struct block *block = (struct block *)old - 1;
    block->next->before = block->before;
    block->before->next = block->next;
    return block;
}

void *__wrap_malloc(size_t size)
{
    allocating = keeping;
    return keeping ? block_enter(__real_malloc(size + sizeof(struct block))) : __real_malloc(size);
}

void *__wrap_calloc(size_t count, size_t size)
{
    allocating = keeping;
    return keeping ? block_enter(__real_calloc(1, count * size + sizeof(struct block)))
                   : __real_calloc(count, size);
}

void *__wrap_realloc(void *old, size_t size)
{
    if (!keeping)
        return __real_realloc(old, size);
    allocating = 1;
    return block_enter(__real_realloc(old ? block_leave(old) : NULL, size + sizeof(struct block)));
}

void __wrap_free(void *old)
{
    allocating = 1;
    if (old && keeping)
        old = block_leave(old);
    __real_free(old);
    allocating = 0;
}

static inline void scripts_forget(void)
{
    while (blocks.next != &blocks)
        __wrap_free(blocks.next + 1);
    keeping = false;
}

/* ---- a script without end --------------------------------------------------------------------- */

enum { PATIENCE_MS = 50 };

static struct recipe *running;
static volatile sig_atomic_t times;

/* As a rehearsal does it: asked to end at the next instruction, then led out of the library call that it sits in.
 * libFuzzer has a thread of its own, and a timer's signal takes any. */
static void out_of_time(int number)
{
    if (gettid() != getpid()) {
        tgkill(getpid(), getpid(), number);
        return;
    }
    if (times++ && !allocating)
        recipe_abandon(running);
    recipe_interrupt(running);
}

static inline void scripts_watch(void)
{
    struct itimerval timer = {.it_value.tv_usec = PATIENCE_MS * 1000,
                              .it_interval.tv_usec = PATIENCE_MS * 1000};
    /* Not held back while the handler runs: what it leaves by does not let it in again. */
    struct sigaction action = {.sa_handler = out_of_time, .sa_flags = SA_NODEFER | SA_RESTART};
    times = 0;
    sigaction(SIGVTALRM, &action, NULL);
    setitimer(ITIMER_VIRTUAL, &timer, NULL);
}

static inline void scripts_unwatch(void)
{
    setitimer(ITIMER_VIRTUAL, &(struct itimerval){0}, NULL);
    running = NULL;
}

/* ---- what must hold --------------------------------------------------------------------------- */

static inline void scripts_check_error(const struct tl_error *error)
{
    char shown[4096];
    assert(error->code < 0 && error->text[0]);
    tl_error_format(error, NULL, 0, shown, sizeof shown);
    for (const char *c = shown; *c; c++)
        assert((unsigned char)*c >= 0x20 || *c == '\n');
}

static inline bool scripts_is_within(double value, double low, double high)
{
    return isfinite(value) && value >= low && value <= high;
}

static inline void scripts_check_board(const struct board *board)
{
    assert(board->part_count >= 0 && board->part_count <= BOARD_PARTS);
    assert(board->joint_count >= 0 && board->joint_count <= BOARD_JOINTS);
    assert(board->rail_count >= 0 && board->rail_count <= BENCH_RAILS);
    for (int i = 0; i < board->part_count; i++) {
        const struct board_part *part = &board->part[i];
        assert(scripts_is_within(part->max_c, 0, 1000) && scripts_is_within(part->x_mm, -1e4, 1e4));
        assert(scripts_is_within(part->thick_mm, 0, 1e3) && memchr(part->name, 0, BENCH_NAME));
    }
    for (int i = 0; i < board->joint_count; i++) {
        const struct board_joint *joint = &board->joint[i];
        double share = 0;
        assert(joint->segments >= 1 && joint->segments <= JOINT_SEGMENTS);
        assert(joint->alloy.liquidus_c >= joint->alloy.solidus_c);
        for (int k = 0; k < joint->segments; k++)
            share += joint->share[k];
        assert(fabs(share - 1) < 1e-3);
    }
    for (int i = 0; i < board->rail_count; i++)
        assert(scripts_is_within(board->rail[i].healthy_ohm, 0, 1e9));
}

/* The guard takes the HELLO of every recipe that could be opened, whatever it then says to the figures in it. */
static inline void scripts_check_opened(const struct recipe *recipe)
{
    struct wire_hello hello;
    recipe_hello(recipe, &hello);
    assert(wire_check_hello(&hello) == 0);
    scripts_check_board(recipe_board(recipe));
}

#endif
