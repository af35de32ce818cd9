/* SPDX-License-Identifier: MIT */
/* scan_bench - what one period of the guard costs, gather to tell, and that it allocates nothing.
 *
 *   scan_bench            microseconds per period, of the peer, and the allocations seen
 *
 * The peer is one byte through a pipe and back to the same process: two system calls, the least that any
 * exchange with an instrument costs. */
#include "fake_line.h"

#include <malloc.h>
#include <time.h>
#include <unistd.h>

#include "tinlatch/guard.h"

enum { PERIODS = 20000, ROUNDS = 15 };

static double now_us(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t); /* the machine may be busy */
    return (double)t.tv_sec * 1e6 + (double)t.tv_nsec / 1e3;
}

static struct benchfile bench;
static struct fake_line plate;

static void set_bench(void)
{
    bench = fake_line_bench();
    bench.plate.element_lag_s = 4;
    bench.plate.sensor_lag_s = 1.5;
    fake_line_init(&plate);
}

static struct guard *start_guard(struct journal *journal)
{
    struct guard_config config = {.bench = &bench, .port = {&plate.port}, .journal = journal};
    struct wire_hello hello = {0};
    struct guard *guard;

    wire_stamp(&hello.head, WIRE_HELLO, 1);
    strcpy(hello.insert, "flat");
    hello.recipe.uses_plate = true;
    if (guard_new(&guard, &config, NULL) || guard_receive(guard, &hello, sizeof hello, 0, NULL))
        exit(1);
    return guard;
}

static double periods_us(struct guard *guard, int64_t *t_ms)
{
    struct wire_turn turn = {.heat = 1, .temp_mc = 172000, .rail = -1};
    double begun_us = now_us();

    for (int i = 0; i < PERIODS; i++, *t_ms += 100) {
        wire_stamp(&turn.head, WIRE_TURN, guard_snapshot(guard)->head.number);
        guard_receive(guard, &turn, sizeof turn, *t_ms, NULL);
        guard_begin(guard, *t_ms);
        guard_pump(guard, *t_ms + 5);
        guard_scan(guard, *t_ms + 5);
    }
    return (now_us() - begun_us) / PERIODS;
}

static double peer_us(const int *pipe_fd)
{
    double begun_us = now_us();
    char byte = 0;

    for (int i = 0; i < PERIODS; i++)
        if (write(pipe_fd[1], &byte, 1) != 1 || read(pipe_fd[0], &byte, 1) != 1)
            exit(1);
    return (now_us() - begun_us) / PERIODS;
}

int main(void)
{
    struct journal *journal;
    int64_t t_ms = 0;
    int pipe_fd[2];
    double scan = 1e9, peer = 1e9;

    set_bench();
    if (journal_new(&journal, -1, 65536) != 0 || pipe(pipe_fd) != 0)
        return 1;
    struct guard *guard = start_guard(journal);
    struct mallinfo2 before = mallinfo2();
    for (int i = 0; i < ROUNDS; i++) {
        double s = periods_us(guard, &t_ms), p = peer_us(pipe_fd);
        scan = s < scan ? s : scan;
        peer = p < peer ? p : peer;
    }
    struct mallinfo2 after = mallinfo2();
    if (!guard_snapshot(guard)->granted_heat && guard_mode(guard) == GUARD_WAITING)
        return 1;
    printf("scan_us %.3f\npeer_us %.3f\nallocated_bytes %zd\n", scan, peer,
           (ssize_t)(after.uordblks - before.uordblks));
    guard_free(guard);
    journal_free(journal);
    return 0;
}
