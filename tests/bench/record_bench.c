/* SPDX-License-Identifier: MIT */
/* What the record costs: one scan's line, chained, to a file that takes everything; against one write of a byte. */
#include <fcntl.h>
#include <stdio.h>
#include <time.h>
#include <unistd.h>

#include "tinlatch/journal.h"

enum { LINES = 100000, ROUNDS = 7 };

static double now_us(void)
{
    struct timespec now = {0};
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec * 1e6 + (double)now.tv_nsec / 1e3;
}

static struct wire_snapshot a_scan(void)
{
    struct wire_snapshot s = {.t_ms = 120400, .rule = -1, .mode = GUARD_RUNNING, .judged = 1};
    wire_stamp(&s.head, WIRE_SNAPSHOT, 1204);
    s.quality[SENSOR_PLATE] = s.quality[SENSOR_BOARD] = s.plate_quality = QUALITY_GOOD;
    s.temp_mc[SENSOR_PLATE] = s.plate_mc = 150123;
    s.temp_mc[SENSOR_BOARD] = 121877;
    s.age_ms[SENSOR_PLATE] = s.age_ms[SENSOR_BOARD] = s.plate_age_ms = 80;
    s.ramp_known = s.wanted_heat = s.granted_heat = 1;
    s.ramp_mc_s = 1480;
    s.wanted_mc = s.granted_mc = 172000;
    s.account_quality = QUALITY_GOOD;
    s.account_low_mc = 141000;
    s.account_high_mc = 163000;
    s.duty_permille = s.said_permille = 512;
    s.heat_left_ms = 645200;
    return s;
}

int main(void)
{
    struct wire_snapshot s = a_scan();
    struct wire_turn turn = {.joints = 2};
    double line = 1e9, peer = 1e9;
    int fd = open("/dev/null", O_RDWR);
    for (int i = 0; i < ROUNDS; i++) {
        struct journal *journal;
        if (fd < 0 || journal_new(&journal, fd, 0))
            return 1;
        double begun_us = now_us();
        for (int n = 0; n < LINES; n++)
            journal_snapshot(journal, &s, &turn, INT32_MIN);
        double us = (now_us() - begun_us) / LINES;
        line = us < line ? us : line;
        journal_free(journal);
        begun_us = now_us();
        for (int n = 0; n < LINES; n++)
            if (write(fd, "", 1) != 1)
                return 1;
        us = (now_us() - begun_us) / LINES;
        peer = us < peer ? us : peer;
    }
    printf("line_us %.3f\npeer_us %.3f\n", line, peer);
    return 0;
}
