/* SPDX-License-Identifier: MIT */
/* Failure loops: the Nth call of a kind fails, for N = 1, 2, ... until a run passes untouched. Whatever N is: an error or
 * a trip, everything off, no crash, no leak. Linked with --wrap for the calls that are made to fail. */
#include "check.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "fake_supply.h"
#include "rehearse_private.h"
#include "scratch.h"
#include "tinlatch/cli.h"
#include "tinlatch/scribe.h"

/* ---- a run on fake ports ---------------------------------------------------------------------- */

/* What becomes of a port's Nth call: the line is gone, the system refuses, nothing moves, one byte does. */
enum failure { GONE = TL_ENDED, REFUSED = TL_SYSTEM, NOTHING = 0, ONE_BYTE = 1 };

struct failing {
    struct port port; /* first */
    struct port *behind;
};

static struct {
    long calls, at; /* at: which one fails */
    enum failure how;
    bool for_ever;
    const struct port *dead; /* with for_ever: the port whose call it was */
} plan;

static bool fails_now(const struct port *port)
{
    plan.calls++;
    if (plan.calls == plan.at && plan.for_ever)
        plan.dead = port;
    return plan.calls == plan.at || plan.dead == port;
}

static int failing_read(struct port *port, void *to, size_t size)
{
    if (!fails_now(port))
        return port_read(((struct failing *)port)->behind, to, size);
    return plan.how == ONE_BYTE ? port_read(((struct failing *)port)->behind, to, 1)
                                : (int)plan.how;
}

static int failing_write(struct port *port, const void *from, size_t length)
{
    if (!fails_now(port))
        return port_write(((struct failing *)port)->behind, from, length);
    return plan.how == ONE_BYTE ? port_write(((struct failing *)port)->behind, from, 1)
                                : (int)plan.how;
}

static const struct port_ops failing_ops = {
    .read = failing_read, .write = failing_write, .close = fake_line_close};

struct shop {
    struct benchfile bench;
    struct fake_line plate;
    struct fake_supply supply;
    struct failing port[2];
    struct guard *guard;
    struct wire_turn turn;
    int64_t t_ms;
};

static void shop_open(struct shop *shop, struct journal *journal)
{
    *shop = (struct shop){.bench = fake_line_bench()};
    fake_line_init(&shop->plate);
    fake_supply_init(&shop->supply);
    shop->bench.port_count = shop->bench.device_count = 2;
    shop->bench.supply_device = 1;
    shop->bench.device[1] =
        (struct device_config){.kind = DEVICE_SCPI_SUPPLY, .port = 1, .identity = "BENCHSUPPLY"};
    struct guard_config config = {.bench = &shop->bench, .armed = true, .journal = journal};
    struct port *behind[] = {&shop->plate.port, &shop->supply.line.port};
    for (int i = 0; i < 2; i++) {
        shop->port[i] =
            (struct failing){.port = {.ops = &failing_ops, .fd = -1}, .behind = behind[i]};
        config.port[i] = &shop->port[i].port;
    }
    assert_int_equal(guard_new(&shop->guard, &config, NULL), 0);
}

static void shop_say(struct shop *shop, void *message, enum wire_kind kind)
{
    struct wire_head *head = message;
    wire_stamp(head, kind, guard_snapshot(shop->guard)->head.number);
    if (kind != WIRE_TURN || guard_permits(guard_mode(shop->guard), WIRE_TURN))
        guard_receive(shop->guard, message, wire_size((int)kind), shop->t_ms, NULL);
}

static void shop_periods(struct shop *shop, int periods)
{
    for (int i = 0; i < periods; i++, shop->t_ms += 100) {
        shop_say(shop, &shop->turn, WIRE_TURN);
        guard_begin(shop->guard, shop->t_ms);
        for (int k = 1; k < 8 && !guard_pump(shop->guard, shop->t_ms + k); k++)
            continue;
        guard_scan(shop->guard, shop->t_ms + 8);
    }
}

/* Heats, feeds, ends. True: both were seen on the instruments. */
static bool shop_works(struct shop *shop)
{
    struct wire_hello hello = {0};
    struct wire_end end = {0};
    struct rail_limits rail = {"core", 900, 1000, 600, 2000};
    strcpy(hello.insert, "flat");
    hello.recipe.uses_plate = hello.recipe.uses_supply = true;
    hello.recipe.rail_count = hello.board.rail_count = 1;
    hello.recipe.rail[0] = hello.board.rail[0] = rail;
    shop_say(shop, &hello, WIRE_HELLO);
    shop->turn = (struct wire_turn){.heat = 1, .temp_mc = 60000};
    shop_periods(shop, 12);
    bool heated = shop->plate.duty > 0;
    shop->turn = (struct wire_turn){.supply_on = 1, .mv = 900, .ma = 500};
    shop_periods(shop, 12);
    bool fed = shop->supply.on;
    shop_say(shop, &end, WIRE_END);
    shop_periods(shop, 12);
    return heated && fed;
}

static void assert_all_off(const struct shop *shop)
{
    const struct wire_snapshot *s = guard_snapshot(shop->guard);
    assert_false(s->granted_heat || s->granted_supply || s->duty_permille);
    assert_true(s->mode == GUARD_COOLING || s->mode == GUARD_ENDED);
    if (plan.dead != &shop->port[0].port)
        assert_int_equal(shop->plate.duty, 0);
    if (plan.dead != &shop->port[1].port)
        assert_false(shop->supply.on);
}

/* True: the Nth call came, and failed. */
static bool port_call_fails(long n, enum failure how, bool for_ever)
{
    struct shop shop;
    memset(&plan, 0, sizeof plan);
    plan.at = n, plan.how = how, plan.for_ever = for_ever;
    shop_open(&shop, NULL);

    bool worked = shop_works(&shop);

    bool came = plan.calls >= n;
    if (!came)
        assert_true(worked && !guard_trip(shop.guard)->tripped);
    plan.at = LONG_MAX; /* what failed once works again: off is said until it is seen */
    shop_periods(&shop, 25);
    assert_all_off(&shop);
    if (came && for_ever && how == GONE && n < plan.calls / 3)
        assert_true(guard_trip(shop.guard)->tripped || guard_refusal(shop.guard)->code != 0);
    guard_free(shop.guard);
    return came;
}

static void test_whichever_port_call_fails_the_run_ends_with_everything_off(void **state)
{
    (void)state;
    static const enum failure failures[] = {GONE, REFUSED, NOTHING, ONE_BYTE};
    for (size_t i = 0; i < sizeof failures / sizeof *failures; i++)
        for (int for_ever = 0; for_ever < 2; for_ever++) {
            long n = 1;
            while (port_call_fails(n, failures[i], for_ever))
                n++;
            assert_true(n > 200); /* or nothing was put to the test */
        }
}

/* ---- record writes ---------------------------------------------------------------------------- */

static struct {
    int fd;
    long writes, at;
    int code; /* errno; 0: only a part is taken */
} disk = {.fd = -1};

ssize_t __real_write(int fd, const void *from, size_t length);
ssize_t __wrap_write(int fd, const void *from, size_t length);
int __real_fdatasync(int fd);
int __wrap_fdatasync(int fd);

ssize_t __wrap_write(int fd, const void *from, size_t length)
{
    bool full = disk.code == EDQUOT; /* takes a part of the Nth, and from then on nothing */
    if (fd != disk.fd || ++disk.writes < disk.at || (disk.writes > disk.at && !full))
        return __real_write(fd, from, length);
    if (disk.code == 0 || (full && disk.writes == disk.at))
        return __real_write(fd, from, (length + 1) / 2);
    errno = disk.code;
    return -1;
}

int __wrap_fdatasync(int fd)
{
    if (fd != disk.fd || ++disk.writes != disk.at)
        return __real_fdatasync(fd);
    errno = disk.code ? disk.code : EIO;
    return -1;
}

static int disk_new(long n, int code)
{
    int fd = memfd_create("record", MFD_CLOEXEC);
    assert_true(fd >= 0);
    disk.fd = fd, disk.writes = 0, disk.at = n, disk.code = code;
    return fd;
}

/* Lines in the record; -1: its last one is only a part. */
static long whole_lines(int fd)
{
    static char record[1 << 20];
    ssize_t length = pread(fd, record, sizeof record, 0);
    long lines = 0;
    assert_true(length >= 0 && length < (ssize_t)sizeof record);
    for (ssize_t i = 0; i < length; i++)
        lines += record[i] == '\n';
    return length == 0 || record[length - 1] == '\n' ? lines : -1;
}

static bool is_harmless(int code)
{
    return code == 0 || code == EINTR || code == EAGAIN;
}

static bool record_write_fails(long n, int code)
{
    struct shop shop;
    struct journal *journal;
    uint64_t dropped = 0;
    int fd = disk_new(n, code);
    memset(&plan, 0, sizeof plan);
    assert_int_equal(journal_new(&journal, fd, 0), 0);
    shop_open(&shop, journal);

    assert_true(shop_works(&shop));

    bool came = disk.writes >= n;
    disk.at = LONG_MAX;
    shop_periods(&shop, 12);
    assert_all_off(&shop);
    if (!came || is_harmless(code)) {
        assert_int_equal(journal_flush(journal), 0);
        assert_int_equal(whole_lines(fd), journal_lines(journal));
        assert_int_equal(journal_error(journal, &dropped), 0);
        assert_true(dropped == 0);
    } else {
        assert_int_equal(journal_error(journal, &dropped), TL_SYSTEM);
        assert_true(dropped > 0);
    }
    guard_free(shop.guard);
    journal_free(journal);
    close(fd);
    return came;
}

static void test_whichever_record_write_fails_the_run_goes_on_and_the_loss_is_known(void **state)
{
    (void)state;
    static const int codes[] = {ENOSPC, EIO, EINTR, EAGAIN, 0};
    for (size_t i = 0; i < sizeof codes / sizeof *codes; i++) {
        long n = 1;
        while (record_write_fails(n, codes[i]))
            n++;
        assert_true(n > 40);
    }
}

/* A guard that writes `lines` lines one by one to a scribe in a process of its own. */
static bool scribe_write_fails(long n, int code)
{
    enum { LINES = 12 };
    static const char line[] = "{\"kind\":\"rule\"}\n"; /* each is synced at once */
    int in[2], back[2], status;
    int fd = disk_new(n, code);
    assert_int_equal(pipe(in), 0);
    assert_int_equal(pipe(back), 0);
    pid_t scribe = fork();
    if (scribe == 0) {
        close(in[1]);
        int result = scribe_run(in[0], fd, back[1]);
        _exit((result != 0) | (disk.writes >= n) << 1);
    }
    disk.fd = -1;
    uint64_t durable = 0;
    close(back[1]);
    for (int i = 0; i < LINES;
         i++) { /* each waits for the one before, so that there are many writes */
        if (write(in[1], line, sizeof line - 1) < 0 ||
            read(back[0], &durable, sizeof durable) != sizeof durable)
            break;
    }
    close(in[0]);
    close(in[1]);
    assert_int_equal(waitpid(scribe, &status, 0), scribe);
    assert_true(WIFEXITED(status));

    bool failed = WEXITSTATUS(status) & 1, came = WEXITSTATUS(status) & 2;
    long lines = whole_lines(fd);
    assert_true(lines >=
                (long)durable); /* what it called durable is there, and nothing but whole lines */
    assert_true(failed || lines == LINES);
    assert_true(came || !failed);
    close(back[0]);
    close(fd);
    return came;
}

static void
test_whichever_write_or_sync_of_the_scribe_fails_its_record_ends_with_a_line(void **state)
{
    (void)state;
    static const int codes[] = {ENOSPC, EIO, EINTR, EDQUOT, 0};
    signal(SIGPIPE, SIG_IGN);
    for (size_t i = 0; i < sizeof codes / sizeof *codes; i++) {
        long n = 1;
        while (scribe_write_fails(n, codes[i]))
            n++;
        assert_true(n > 20);
    }
}

/* ---- allocations ------------------------------------------------------------------------------ */

/* At each allocation the process divides: the child's fails, and the child goes on to its end; the parent's does not. */
static struct {
    bool on;
    long count, wrong;
    bool failed; /* in a child: its one allocation has */
    bool no_directory;
} memory;

static struct world *the_world;

void *__real_malloc(size_t size);
void *__real_calloc(size_t count, size_t size);
void *__real_realloc(void *old, size_t size);
int __real_world_new(struct world **out, const struct world_setup *setup, struct tl_error *error);
DIR *__real_opendir(const char *path);
DIR *__wrap_opendir(const char *path);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t count, size_t size);
void *__wrap_realloc(void *old, size_t size);
int __wrap_world_new(struct world **out, const struct world_setup *setup, struct tl_error *error);
int __wrap_sandbox_enter(int record_fd, int socket_fd, struct tl_error *error);

static bool allocation_fails(void)
{
    int status = 0;
    if (!memory.on || memory.failed)
        return false;
    memory.count++;
    pid_t child = fork();
    if (child == 0) {
        memory.failed = true;
        return true;
    }
    if (child < 0 || waitpid(child, &status, 0) != child || status != 0) {
        memory.wrong++;
        fprintf(stderr, "allocation %ld: status %04x\n", memory.count, (unsigned)status);
    }
    return false;
}

void *__wrap_malloc(size_t size)
{
    return allocation_fails() ? NULL : __real_malloc(size);
}

void *__wrap_calloc(size_t count, size_t size)
{
    return allocation_fails() ? NULL : __real_calloc(count, size);
}

void *__wrap_realloc(void *old, size_t size)
{
    return allocation_fails() ? NULL : __real_realloc(old, size);
}

DIR *__wrap_opendir(const char *path)
{
    if (!memory.no_directory)
        return __real_opendir(path);
    errno = EACCES;
    return NULL;
}

int __wrap_world_new(struct world **out, const struct world_setup *setup, struct tl_error *error)
{
    int code = __real_world_new(out, setup, error);
    if (code == 0)
        the_world = *out;
    return code;
}

/* It would not let the process divide. */
int __wrap_sandbox_enter(int record_fd, int socket_fd, struct tl_error *error)
{
    (void)record_fd, (void)socket_fd, (void)error;
    return 0;
}

static bool everything_is_off(void)
{
    struct world_truth truth;
    if (!the_world)
        return true;
    world_truth(the_world, &truth);
    return truth.duty == 0 && !truth.supply_on;
}

static const struct benchfile *quick_bench(void)
{
    static struct benchfile bench;
    static char text[8192];
    FILE *file = fopen(TEST_DATA "/quick.ini", "rb");
    assert_non_null(file);
    size_t length = fread(text, 1, sizeof text, file);
    fclose(file);
    assert_int_equal(benchfile_parse("quick.ini", text, length, &bench, NULL), 0);
    return &bench;
}

/* A whole rehearsal with everything that belongs to it. What it comes to: as it should be? */
static bool rehearsal(void)
{
    static struct source_set sources;
    static struct rehearse_result result;
    static struct rehearse_setup setup;
    struct tl_error error = {0};
    const struct benchfile *bench = quick_bench();
    memory.on = true;
    int code = source_load(&sources, TEST_DATA "/quick/warm.lua", NULL, TEST_SOURCE, &error);
    if (code != 0)
        return memory.failed && error.text[0];
    setup.sources = setup.recipe.sources = &sources;
    setup.bench = bench;
    setup.bench_file = "quick.ini";
    lockstep_run(&setup, &(struct apart){.socket = -1}, -1, &result);
    memory.on = false;
    if (!result.whole || !everything_is_off())
        return false;
    if (!memory.failed)
        return result.run.outcome == RUN_DONE;
    return result.run.outcome != RUN_DONE && result.run.error.code != 0 &&
           result.run.error.text[0] != '\0';
}

/* The list of a directory with two hundred records. As it should be: whole, or refused with a word. */
static bool listing(void)
{
    char *argv[] = {(char[]){"tinlatch"}, (char[]){"runs"}, (char[]){"list"}};
    char *out, *err;
    size_t n;
    int lines = 0;
    FILE *to_out = open_memstream(&out, &n), *to_err = open_memstream(&err, &n);
    memory.on = true;
    int status = cli_run(3, argv, to_out, to_err);
    memory.on = false;
    fclose(to_out);
    fclose(to_err);
    for (const char *c = out; *c; c++)
        lines += *c == '\n';
    bool right = memory.failed || memory.no_directory
                     ? status == RUN_INVALID && out[0] == '\0' && strstr(err, "cannot be listed")
                     : status == RUN_DONE && lines == 1 + 200; /* a heading */
    free(out);
    free(err);
    return right;
}

/* How many allocations there are. */
static long expect_right_whichever_fails(bool (*deed)(void))
{
    int status, counted[2];
    long count = 0;
    assert_int_equal(pipe(counted), 0);
    pid_t child = fork();
    if (child == 0) {
        bool right = deed();
        if (memory.failed)
            _exit(!right);
        (void)!write(counted[1], &memory.count, sizeof memory.count);
        _exit(!right || memory.wrong > 0);
    }
    assert_int_equal(waitpid(child, &status, 0), child);

    assert_int_equal(status, 0);
    assert_int_equal(read(counted[0], &count, sizeof count), sizeof count);
    print_message("%ld allocations\n", count);
    close(counted[0]);
    close(counted[1]);
    return count;
}

static void
test_whichever_allocation_of_a_rehearsal_fails_it_ends_with_a_word_and_all_off(void **state)
{
    (void)state;
    assert_true(expect_right_whichever_fails(rehearsal) > 500);
}

static void test_a_list_of_records_that_cannot_be_made_is_no_empty_one(void **state)
{
    char path[256];
    (void)state;
    setenv("TINLATCH_HOME", scratch, 1);
    snprintf(path, sizeof path, "%s/runs", scratch);
    assert_int_equal(mkdir(path, 0700), 0);
    for (int i = 0; i < 200; i++) {
        snprintf(path, sizeof path, "%s/runs/20260101-000%03d-quick-1.jsonl", scratch, i);
        FILE *file = fopen(path, "w");
        assert_non_null(file);
        fputs("{\"kind\":\"start\",\"format\":2,\"what\":\"run\",\"recipe\":\"quick.lua\"}\n",
              file);
        fclose(file);
    }

    assert_true(expect_right_whichever_fails(listing) >= 3);
    memory.no_directory = true;
    assert_true(listing());
    memory.no_directory = false;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_whichever_port_call_fails_the_run_ends_with_everything_off),
        cmocka_unit_test(test_whichever_record_write_fails_the_run_goes_on_and_the_loss_is_known),
        cmocka_unit_test(
            test_whichever_write_or_sync_of_the_scribe_fails_its_record_ends_with_a_line),
        cmocka_unit_test(
            test_whichever_allocation_of_a_rehearsal_fails_it_ends_with_a_word_and_all_off),
        cmocka_unit_test_setup_teardown(test_a_list_of_records_that_cannot_be_made_is_no_empty_one,
                                        make_scratch, drop_scratch),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
