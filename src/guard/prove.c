/* SPDX-License-Identifier: MIT */
/* The loop of the proofs: the guard's own periods, pump and readings, with nobody's wishes but this program's. */
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "prove_private.h"
#include "tinlatch/keeper.h"
#include "tinlatch/live.h"

enum { TURN_MS = 50, SETTLE_MS = 1000 };

static volatile sig_atomic_t told_to_end;

static void on_terminate(int signal)
{
    (void)signal;
    told_to_end = 1;
}

/* ---- ports that count ------------------------------------------------------------------------------------ */

static struct port *under(struct port *port)
{
    return ((struct counted_port *)port)->under;
}

static void count(struct port *port, int bytes)
{
    if (bytes > 0)
        ((struct counted_port *)port)->bytes += bytes;
}

static int counted_read(struct port *port, void *to, size_t size)
{
    int n = port_read(under(port), to, size);
    count(port, n);
    return n;
}

static int counted_write(struct port *port, const void *from, size_t length)
{
    int n = port_write(under(port), from, length);
    count(port, n);
    return n;
}

static int counted_set_lines(struct port *port, bool rts, bool dtr)
{
    return port_set_lines(under(port), rts, dtr);
}

static int counted_get_lines(struct port *port, bool *cts, bool *dsr, bool *dcd)
{
    return port_get_lines(under(port), cts, dsr, dcd);
}

static void counted_close(struct port *port)
{
    (void)port; /* the caller's */
}

static const struct port_ops counted_ops = {.read = counted_read,
                                            .write = counted_write,
                                            .close = counted_close,
                                            .set_lines = counted_set_lines,
                                            .get_lines = counted_get_lines};

/* ---- what is seen ---------------------------------------------------------------------------------------- */

static void see_uptime(struct seen_device *seen, const struct device *device, int64_t t_ms)
{
    if (device->uptime_s < 0 || device->uptime_s == seen->last_up_s)
        return;
    if (seen->last_up_s >= 0 &&
        seen->first_up_s < 0) { /* the first whole second that was seen to begin */
        seen->first_up_s = device->uptime_s;
        seen->first_up_ms = t_ms;
    }
    seen->last_up_s = device->uptime_s;
    seen->last_up_ms = t_ms;
}

static void see_device(struct prover *p, int i)
{
    const struct device *device = &p->guard->device[i];
    struct seen_device *seen = &p->device[i];

    seen->differed |= device->set_differs || device->run_differs || device->was_reset;
    seen->was_on |= device->supply.on;
    if (device->answered_ms < 0 || device->answered_ms == seen->answered_ms)
        return;
    int32_t gap_ms = seen->answered_ms < 0 ? 0 : (int32_t)(device->answered_ms - seen->answered_ms);
    seen->worst_gap_ms = gap_ms > seen->worst_gap_ms ? gap_ms : seen->worst_gap_ms;
    seen->answered_ms = device->answered_ms;
    seen->answers++;
    seen->silenced |= device->silenced;
    see_uptime(seen, device, device->answered_ms);
}

static void see_sensor(struct prover *p, enum sensor_id id, int64_t t_ms)
{
    const struct temp_reading *reading = &p->guard->in.sensor[id];
    struct seen_sensor *seen = &p->sensor[id];
    int64_t fresh_ms = t_ms - reading->age_ms;

    if (reading->quality != QUALITY_GOOD)
        seen->worst = reading->quality;
    if (reading->quality == QUALITY_GOOD && fresh_ms != seen->fresh_ms) {
        seen->fresh_ms = fresh_ms;
        seen->readings++;
    }
    if (reading->age_ms > seen->worst_age_ms)
        seen->worst_age_ms = reading->age_ms;
}

static void see(struct prover *p, int64_t t_ms)
{
    p->periods++;
    for (int i = 0; i < p->bench->device_count; i++)
        if (p->guard->in_use[i])
            see_device(p, i);
    for (enum sensor_id id = 0; id < SENSORS; id++)
        if (p->guard->sensor_in_use[id])
            see_sensor(p, id, t_ms);
    for (int i = 0; i < BENCH_PORTS; i++)
        if (p->counted[i].bytes > p->counted[i].worst)
            p->counted[i].worst = p->counted[i].bytes;
    if (p->guard->in.meter.quality != QUALITY_GOOD && p->guard->in.meter.quality != QUALITY_OPEN)
        return;
    int64_t meter_ms = t_ms - p->guard->in.meter.age_ms;
    p->meter_answers += meter_ms != p->meter_ms;
    p->meter_ms = meter_ms;
}

/* ---- the loop -------------------------------------------------------------------------------------------- */

static int64_t now_ms(struct prover *p)
{
    return p->clock.now_ms(&p->clock);
}

static void beat(struct prover *p, uint32_t over)
{
    struct keeper_beat out = {.number = ++p->beats, .over = over};
    if (write(p->config->beat_fd, &out, sizeof out) < 0)
        p->keeper_gone = true;
}

static void hear_keeper(struct prover *p, int64_t t_ms)
{
    char sign[64];
    ssize_t n = read(p->config->sign_fd, sign, sizeof sign);
    if (n > 0)
        p->sign_ms = t_ms;
    if (n == 0 || t_ms - p->sign_ms > KEEPER_LATE_MS)
        p->keeper_gone = true;
}

static void hear(struct prover *p, int64_t t_ms)
{
    prove_hear(p->talk);
    hear_keeper(p, t_ms);
    p->over = p->over || told_to_end || p->keeper_gone || prove_over(p->talk);
}

static void wait_for_news(struct prover *p, int64_t until_ms)
{
    struct pollfd fds[BENCH_PORTS + 2] = {
        {.fd = p->talk->gone ? -1 : p->talk->fd, .events = POLLIN},
        {.fd = p->keeper_gone ? -1 : p->config->sign_fd, .events = POLLIN},
    };
    int n = 2;
    for (int i = 0; i < BENCH_PORTS; i++)
        if (p->config->port[i] && !p->silent && !p->scanned)
            fds[n++] = (struct pollfd){.fd = p->config->port[i]->fd, .events = POLLIN};
    int64_t for_ms = until_ms - now_ms(p), most_ms = TURN_MS;
    if (guard_has_contacts(p->guard))
        most_ms = GUARD_LOOK_MS;
    poll(fds, (nfds_t)n, for_ms < 0 ? 0 : for_ms > most_ms ? (int)most_ms : (int)for_ms);
}

static void begin_period(struct prover *p, int64_t t_ms)
{
    p->began_ms = t_ms;
    p->scanned = false;
    for (int i = 0; i < BENCH_PORTS; i++)
        p->counted[i].bytes = 0;
    guard_begin(p->guard, t_ms);
    guard_pump(p->guard, t_ms);
}

static int64_t next_ms(const struct prover *p)
{
    int32_t period_ms = p->bench->period_ms;
    int64_t due_ms = p->began_ms + (p->scanned ? period_ms : period_ms * 8 / 10);
    int64_t wake_ms = guard_wake_ms(p->guard);
    return !p->scanned && wake_ms < due_ms ? wake_ms : due_ms;
}

static void turn(struct prover *p)
{
    wait_for_news(p, next_ms(p));
    int64_t t_ms = now_ms(p);
    hear(p, t_ms);
    guard_look(p->guard, t_ms);
    bool speaks = !p->scanned || guard_owes(p->guard);
    bool settled = speaks && guard_pump(p->guard, t_ms);
    if (!p->scanned && (settled || t_ms >= p->began_ms + p->bench->period_ms * 8 / 10)) {
        guard_gather(p->guard, t_ms);
        see(p, t_ms);
        p->scanned = true;
        p->settled = settled;
    }
    beat(p, 0);
    if (p->scanned && t_ms >= p->began_ms + p->bench->period_ms)
        begin_period(p, t_ms);
}

bool prove_until(struct prover *p, bool (*done)(struct prover *p, int i), int i, int64_t most_ms)
{
    int64_t until_ms = now_ms(p) + most_ms;
    while (!p->over && now_ms(p) < until_ms) {
        if (done && done(p, i))
            return true;
        turn(p);
    }
    return !p->over && done && done(p, i);
}

void prove_spend(struct prover *p, int64_t for_ms)
{
    prove_until(p, NULL, 0, for_ms);
}

void prove_keep_silent(struct prover *p, int64_t for_ms)
{
    int64_t patience_ms = now_ms(p) + SETTLE_MS;
    while (!p->over && (!p->scanned || (!p->settled && now_ms(p) < patience_ms)))
        turn(p); /* the silence begins when all that was asked has been answered */
    int64_t until_ms = now_ms(p) + for_ms;
    p->silent = true;
    while (!p->over && now_ms(p) < until_ms) {
        wait_for_news(p, until_ms);
        hear(p, now_ms(p));
        beat(p, 0);
    }
    p->silent = false;
    begin_period(p, now_ms(p));
}

/* ---- the whole ------------------------------------------------------------------------------------------- */

static void engage(struct prover *p)
{
    struct guard *guard = p->guard;
    for (int i = 0; i < p->bench->device_count; i++) {
        int32_t port = p->bench->device[i].port;
        guard->in_use[i] = port < 0 || p->config->port[port];
    }
    for (enum sensor_id id = 0; id < SENSORS; id++) {
        const struct sensor_binding *sensor = &p->bench->sensor[id];
        guard->sensor_in_use[id] = sensor->present && guard->in_use[sensor->device];
    }
    guard_time_limits(guard);
}

static int start(struct prover *p, const struct prove_config *config)
{
    struct guard_config guard = {.bench = config->bench};
    struct sigaction action = {.sa_handler = on_terminate};

    *p = (struct prover){.config = config, .bench = config->bench, .talk = config->talk};
    sigaction(SIGTERM, &action, NULL);
    signal(SIGPIPE, SIG_IGN);
    fcntl(config->sign_fd, F_SETFL, O_NONBLOCK);
    fcntl(config->beat_fd, F_SETFL, O_NONBLOCK);
    clock_real_init(&p->clock);
    for (int i = 0; i < BENCH_PORTS; i++) {
        if (!config->port[i])
            continue;
        p->counted[i] =
            (struct counted_port){{&counted_ops, config->port[i]->fd}, config->port[i], 0, 0};
        guard.port[i] = &p->counted[i].port;
    }
    for (int i = 0; i < BENCH_DEVICES; i++)
        p->device[i] = (struct seen_device){.answered_ms = -1, .first_up_s = -1, .last_up_s = -1};
    if (guard_new(&p->guard, &guard, NULL))
        return TL_SYSTEM;
    engage(p);
    if (config->ask_realtime)
        live_ask_realtime();
    p->sign_ms = now_ms(p);
    return 0;
}

/* Whatever came before: off, and seen to be off where that can be seen. */
static void finish(struct prover *p)
{
    p->guard->drive = (struct drive){0};
    p->over = false; /* this part is not broken off */
    guard_last_words(p->guard, now_ms(p));
    int64_t until_ms = now_ms(p) + 5 * p->bench->period_ms;
    while (now_ms(p) < until_ms)
        turn(p);
    prove_all_off(p);
    guard_last_words(p->guard, now_ms(p));
}

enum outcome prove_run(const struct prove_config *config)
{
    static struct prover prover;
    struct prover *p = &prover;
    struct wire_end end = {0};

    if (start(p, config))
        return RUN_INVALID;
    begin_period(p, now_ms(p));
    prove_identities(p);
    prove_sensors(p);
    prove_instruments(p);
    prove_budgets(p);
    bool broken_off = p->over;
    finish(p);
    enum outcome outcome = prove_outcome(config->talk);
    /* By a keeper that is gone, too: the rest is not proved. */
    if (broken_off && outcome == RUN_DONE)
        outcome = RUN_STOPPED;
    wire_stamp(&end.head, WIRE_END, 1);
    end.code = (int32_t)outcome;
    wire_send(config->talk->fd, &end);
    beat(p, 1);
    guard_free(p->guard);
    return outcome;
}
