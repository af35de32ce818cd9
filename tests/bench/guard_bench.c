/* SPDX-License-Identifier: MIT */
/* guard_bench - what the processes of a real run cost while the plate is held hot: `tinlatch mimic` and
 * `tinlatch run` side by side, in real time, at ten scans a second.
 *
 *   guard_bench           a line per process of tinlatch-guard, the busiest (the guard) first:
 *                         share of a core in percent, resident KiB, page faults, over the seconds watched */
#include "whole_run.h"

#include <dirent.h>

enum { MOST = 8, WATCH_S = 30 };

struct cost {
    pid_t pid, parent;
    double cpu_s;
    long resident_kib, faults;
};

static struct whole_run w;

/* "/proc/PID/stat", what stands behind the name in brackets. */
static bool stat_of(pid_t pid, char *name, size_t size, struct cost *cost)
{
    char path[64], text[1024] = "";
    int parent = 0;
    long minor = 0, major = 0, user = 0, system = 0, pages = 0;
    snprintf(path, sizeof path, "/proc/%d/stat", (int)pid);
    FILE *from = fopen(path, "re");
    if (!from)
        return false;
    size_t got = fread(text, 1, sizeof text - 1, from);
    fclose(from);
    text[got] = '\0';
    char *begin = strchr(text, '('), *end = strrchr(text, ')');
    if (!begin || !end)
        return false;
    snprintf(name, size, "%.*s", (int)(end - begin - 1), begin + 1);
    if (sscanf(end + 2,
               "%*c %d %*d %*d %*d %*d %*u %ld %*u %ld %*u %ld %ld %*d %*d %*d %*d %*d %*d %*u "
               "%*u %ld",
               &parent, &minor, &major, &user, &system, &pages) != 6)
        return false;
    *cost = (struct cost){.pid = pid,
                          .parent = parent,
                          .cpu_s = (double)(user + system) / (double)sysconf(_SC_CLK_TCK),
                          .resident_kib = pages * sysconf(_SC_PAGESIZE) / 1024,
                          .faults = minor + major};
    return true;
}

static bool descends(pid_t pid, pid_t from)
{
    char name[64];
    struct cost cost;
    while (pid > 1 && pid != from && stat_of(pid, name, sizeof name, &cost))
        pid = cost.parent;
    return pid == from;
}

static int processes(struct cost *cost)
{
    DIR *proc = opendir("/proc");
    struct dirent *entry;
    int found = 0;
    while (proc && (entry = readdir(proc)) && found < MOST) {
        char name[64];
        pid_t pid = (pid_t)atoi(entry->d_name);
        if (pid > 0 && stat_of(pid, name, sizeof name, &cost[found]) &&
            strcmp(name, "tinlatch-guard") == 0 && descends(pid, w.run))
            found++;
    }
    closedir(proc);
    return found;
}

static int by_cpu(const void *a, const void *b)
{
    double left = ((const struct cost *)a)->cpu_s, right = ((const struct cost *)b)->cpu_s;
    return (left < right) - (left > right);
}

static void watch(void **state)
{
    struct cost before[MOST], after[MOST];
    *state = &w;
    mimic_begin(&w, source("tests/data/quick.ini"), source("tests/data/quick/hold.lua"));
    run_begin(&w, source("tests/data/quick/hold.lua"));
    run_until(&w, "stage  Hold", 90);
    int there = processes(before);
    for (double until_s = now_s() + WATCH_S; now_s() < until_s;)
        run_listen(&w, 200);
    int still = processes(after);
    assert_int_equal(there, still);
    for (int i = 0; i < there; i++) {
        assert_int_equal(before[i].pid, after[i].pid);
        after[i].cpu_s -= before[i].cpu_s;
        after[i].faults -= before[i].faults;
    }
    qsort(after, (size_t)there, sizeof after[0], by_cpu);
    for (int i = 0; i < there; i++)
        printf("guard %.2f %ld %ld %d\n", 100 * after[i].cpu_s / WATCH_S, after[i].resident_kib,
               after[i].faults, WATCH_S);
}

int main(void)
{
    const struct CMUnitTest once[] = {cmocka_unit_test_teardown(watch, whole_run_teardown)};
    return cmocka_run_group_tests(once, NULL, NULL);
}
