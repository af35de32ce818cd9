/* SPDX-License-Identifier: MIT */
/* The emulated instruments in real time: one poll loop over pseudo-terminals, control socket and clock. */
#include "tinlatch/mimic.h"

#include <errno.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/signalfd.h>
#include <time.h>
#include <unistd.h>

#include "mimic_private.h"

enum { LOOK_MS = 10, POLLED = BENCH_PORTS + MIMIC_SPEAKERS + 3 };

/* Whose bytes switch which output. */
static void wire_up(struct mimic *mimic)
{
    const struct benchfile *bench = mimic->setup->bench;
    const int device[OUTPUTS] = {[OUTPUT_HEATER] = bench->plate_device,
                                 [OUTPUT_FAN] = bench->has_fan ? bench->plate_device : -1,
                                 [OUTPUT_SUPPLY] = bench->supply_device,
                                 [OUTPUT_CUTOFF] = bench->cutoff_device};
    for (int i = 0; i < OUTPUTS; i++)
        mimic->output[i] = (struct mimic_switch){
            .port = device[i] >= 0 ? bench->device[device[i]].port : -1, .last_on_ms = -1};
}

static int make_bench(struct mimic *mimic, struct tl_error *error)
{
    const struct mimic_setup *from = mimic->setup;
    struct world_setup setup = {.spread = 1, .seed = from->seed};
    int failed = mimic_lay_out(mimic, error);
    if (failed)
        return failed;
    imitate(from->bench, &setup);
    setup.board = mimic->has_board ? &mimic->board : NULL;
    setup.insert = mimic->insert;
    failed = world_new(&mimic->world, &setup, error);
    for (int i = 0; i < from->fault_count && !failed; i++)
        failed = world_add_fault(mimic->world, from->fault[i].name,
                                 llround(from->fault[i].at_s * 1000), error);
    if (!failed)
        failed = mimic_open_ports(mimic, error);
    if (!failed)
        failed = mimic_watch_ports(mimic, error);
    wire_up(mimic);
    return failed;
}

/* The signals that end it come as a descriptor, so that the report is written whatever they meet. */
static int hold_signals(struct mimic *mimic, sigset_t *before, struct tl_error *error)
{
    sigset_t ends;
    sigemptyset(&ends);
    sigaddset(&ends, SIGINT);
    sigaddset(&ends, SIGTERM);
    sigaddset(&ends, SIGHUP);
    sigprocmask(SIG_BLOCK, &ends, before);
    mimic->signals = signalfd(-1, &ends, SFD_CLOEXEC | SFD_NONBLOCK);
    if (mimic->signals < 0)
        return tl_error_set(error, TL_SYSTEM, "signals: %s", strerror(errno));
    return 0;
}

static int pause_ms(const struct mimic *mimic)
{
    int64_t until_ms = mimic->now_ms + LOOK_MS, next_ms = world_next_reply_ms(mimic->world);
    if (next_ms < until_ms)
        until_ms = next_ms;
    return until_ms > mimic->now_ms ? (int)(until_ms - mimic->now_ms) : 0;
}

/* Waits for bytes, a command, a signal or the next answer that is due, and does what came. */
static void turn(struct mimic *mimic)
{
    struct pollfd polled[POLLED];
    int ports = mimic->setup->bench->port_count;
    for (int i = 0; i < ports; i++)
        polled[i] = (struct pollfd){.fd = mimic->port[i].master, .events = POLLIN};
    struct pollfd *clients = polled + ports, *listener = clients + MIMIC_SPEAKERS;
    for (int i = 0; i < MIMIC_SPEAKERS; i++)
        clients[i] = (struct pollfd){.fd = mimic_listens_to(mimic, i), .events = POLLIN};
    listener[0] = (struct pollfd){.fd = mimic->listener, .events = POLLIN};
    listener[1] = (struct pollfd){.fd = mimic->signals, .events = POLLIN};
    listener[2] = (struct pollfd){.fd = mimic->closes, .events = POLLIN};

    poll(polled, (nfds_t)(ports + MIMIC_SPEAKERS + 3), pause_ms(mimic));

    mimic->now_ms = mimic->clock.now_ms(&mimic->clock);
    world_advance(mimic->world, mimic->now_ms);
    mimic_observe(mimic);
    for (int i = 0; i < ports; i++)
        if (polled[i].revents & POLLIN)
            mimic_hear(mimic, &mimic->port[i]);
    for (int i = 0; i < MIMIC_SPEAKERS; i++)
        if (clients[i].revents)
            mimic_serve(mimic, &mimic->client[i]);
    if (listener[0].revents)
        mimic_accept(mimic);
    if (listener[2].revents)
        mimic_see_closed(mimic);
    struct signalfd_siginfo ended; /* taken, or it would strike when signals are let in again */
    while (read(mimic->signals, &ended, sizeof ended) > 0)
        mimic->over = true;
    for (int i = 0; i < ports; i++)
        mimic_say(mimic, &mimic->port[i]);
}

static void run(struct mimic *mimic)
{
    int64_t until_ms =
        mimic->setup->until_s > 0 ? llround(mimic->setup->until_s * 1000) : INT64_MAX;
    if (mimic->setup->keyboard) {
        fputs("; ready. Type what your hands do: place, lift, press, release, knob C; fault NAME, "
              "unplug PORT, truth, quit\n",
              mimic->setup->out);
        fflush(mimic->setup->out);
    }
    while (!mimic->over && mimic->now_ms < until_ms)
        turn(mimic);
    mimic_report(mimic, mimic->setup->out);
}

static void empty(struct mimic *mimic, const struct mimic_setup *setup)
{
    *mimic = (struct mimic){.setup = setup, .listener = -1, .signals = -1, .closes = -1};
    for (int i = 0; i < BENCH_PORTS; i++)
        mimic->port[i] = (struct mimic_port){.master = -1, .slave = -1, .last_byte_ms = -1};
    for (int i = 0; i < MIMIC_SPEAKERS; i++)
        mimic->client[i].fd = -1;
    if (setup->keyboard)
        mimic->client[MIMIC_KEYBOARD].fd = STDIN_FILENO;
}

static double monotonic_s(void)
{
    struct timespec now = {0};
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

int mimic_run(const struct mimic_setup *setup, struct tl_error *error)
{
    sigset_t before;
    struct mimic *mimic = malloc(sizeof *mimic);
    if (!mimic)
        return tl_error_set(error, TL_SYSTEM, "no memory for a bench");
    empty(mimic, setup);
    int failed = hold_signals(mimic, &before, error);
    if (!failed)
        failed = make_bench(mimic, error);
    if (!failed)
        failed = mimic_listen(mimic, error);
    mimic->began_s = monotonic_s();
    clock_real_init(&mimic->clock);
    if (!failed)
        failed = mimic_write_bench(mimic, error);
    if (!failed)
        run(mimic);
    mimic_hang_up(mimic);
    mimic_close_ports(mimic);
    world_free(mimic->world);
    if (mimic->signals >= 0)
        close(mimic->signals);
    if (mimic->closes >= 0)
        close(mimic->closes);
    sigprocmask(SIG_SETMASK, &before, NULL);
    free(mimic);
    return failed;
}
