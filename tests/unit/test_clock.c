/* SPDX-License-Identifier: MIT */
/* clock: the machine's clock starts at 0, never goes backwards, and keeps the pace of CLOCK_BOOTTIME. */
#include "check.h"

#include <time.h>

#include "tinlatch/clock.h"
#include "tinlatch/port.h"

static double boot_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_BOOTTIME, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void test_real_clock_starts_at_zero(void **state)
{
    (void)state;
    struct clock clock;
    double before_s = boot_s();

    clock_real_init(&clock);
    int64_t first_ms = clock.now_ms(&clock);

    assert_true(first_ms >= 0);
    assert_near((double)first_ms / 1000.0, 0.0, boot_s() - before_s + 0.002);
}

static void test_real_clock_counts_the_milliseconds_of_the_boot_clock(void **state)
{
    (void)state;
    struct clock clock;
    struct timespec nap = {.tv_nsec = 30000000};
    double before_s = boot_s();
    clock_real_init(&clock);
    double after_s = boot_s();

    nanosleep(&nap, NULL);

    double early_s = boot_s() - after_s;
    double shown_s = (double)clock.now_ms(&clock) / 1000.0;
    double late_s = boot_s() - before_s;
    assert_true(shown_s >= 0.029);
    assert_true(shown_s >= early_s - 0.0011); /* both instants are cut to whole milliseconds */
    assert_true(shown_s <= late_s + 0.0011);
}

static void test_real_clock_never_goes_backwards(void **state)
{
    (void)state;
    struct clock clock;
    clock_real_init(&clock);
    int64_t last_ms = 0;
    for (int i = 0; i < 20000; i++) {
        int64_t t_ms = clock.now_ms(&clock);
        assert_true(t_ms >= last_ms);
        last_ms = t_ms;
    }
}

static void test_two_real_clocks_count_from_their_own_start(void **state)
{
    (void)state;
    struct clock first, second;
    struct timespec nap = {.tv_nsec = 20000000};
    clock_real_init(&first);
    nanosleep(&nap, NULL);
    clock_real_init(&second);

    int64_t young_ms = second.now_ms(&second);
    int64_t old_ms = first.now_ms(&first);

    assert_true(old_ms - young_ms >= 19);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_real_clock_starts_at_zero),
        cmocka_unit_test(test_real_clock_counts_the_milliseconds_of_the_boot_clock),
        cmocka_unit_test(test_real_clock_never_goes_backwards),
        cmocka_unit_test(test_two_real_clocks_count_from_their_own_start),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
