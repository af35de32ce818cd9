/* SPDX-License-Identifier: MIT */
/* The control socket of the emulated bench: lines in, one JSON object a line back. */
#include <jansson.h>
#include <sys/socket.h>
#include <unistd.h>

#include "mimic_private.h"
#include "worlds.h"

static struct benchfile bench;
static int64_t ticking_ms;

static int64_t tick(struct clock *clock)
{
    (void)clock;
    return ticking_ms += 10;
}

static void make(struct mimic *mimic, const struct mimic_setup *setup, struct world *world)
{
    memset(mimic, 0, sizeof *mimic);
    mimic->setup = setup;
    mimic->clock.now_ms = tick;
    mimic->world = world;
    mimic->has_board = true;
    mimic->listener = mimic->signals = mimic->closes = -1;
    for (int i = 0; i < BENCH_PORTS; i++)
        mimic->port[i] = (struct mimic_port){.master = -1, .slave = -1, .last_byte_ms = -1};
    for (int i = 0; i < INSTRUMENTS; i++)
        mimic->port[i].world = world_port(world, i);
    for (int i = 0; i < OUTPUTS; i++)
        mimic->output[i] = (struct mimic_switch){.port = -1, .last_on_ms = -1};
    for (int i = 0; i < MIMIC_SPEAKERS; i++)
        mimic->client[i].fd = -1;
}

static void check_replies(int fd)
{
    static char replies[1 << 16];
    ssize_t got = recv(fd, replies, sizeof replies - 1, MSG_DONTWAIT);
    if (got <= 0)
        return;
    replies[got] = '\0';
    for (char *at = replies, *end; *at; at = end + 1) {
        json_error_t error;
        end = strchr(at, '\n');
        assert(end);
        json_t *object = json_loadb(at, (size_t)(end - at), JSON_REJECT_DUPLICATES, &error);
        if (!object)
            fprintf(stderr, "%.*s\n", (int)(end - at), at);
        assert(json_is_object(object));
        json_decref(object);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct mimic mimic;
    static const struct mimic_setup setup = {.bench = &bench};
    struct world *world = worlds_new(false, 7);
    int pair[2];
    size = size < 4096 ? size : 4096;
    ticking_ms = 0;
    bench.port_count = INSTRUMENTS;
    bench.device_count = 1;
    bench.device[0] =
        (struct device_config){.kind = DEVICE_LINE, .name = "plate", .port = ON_PLATE};
    make(&mimic, &setup, world);
    assert(socketpair(AF_UNIX, SOCK_STREAM, 0, pair) == 0);
    mimic.client[0].fd = pair[1];
    assert(write(pair[0], data, size) == (ssize_t)size);
    shutdown(pair[0], SHUT_WR);
    while (mimic.client[0].fd >= 0 && !mimic.over) {
        mimic_serve(&mimic, &mimic.client[0]);
        world_advance(world, ticking_ms += 100);
        worlds_check(world);
        check_replies(pair[0]);
    }
    if (mimic.client[0].fd >= 0)
        close(pair[1]);
    close(pair[0]);
    world_free(world);
    return 0;
}
