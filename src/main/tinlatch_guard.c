/* SPDX-License-Identifier: MIT */
/* The live program. In this version it reads the bench file as the keeper will, shows the limits and
 * the bytes that switch each instrument off, and opens no port. */
#include "streams.h"

#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/benchfile.h"
#include "tinlatch/device.h"
#include "tinlatch/file.h"
#include "tinlatch/serial.h"

enum { BENCH_BYTES = 1 << 18, PORTS_SHOWN = 64, STATUS_INVALID = 2 };

static const char synopsis[] =
    "tinlatch-guard --bench FILE\n"
    "  Reads and checks a bench file; prints its limits, each with its line, and the last words "
    "of\n"
    "  every instrument: the bytes that switch it off. This version opens no port.\n"
    "tinlatch-guard --list\n"
    "  Every serial port of this machine: its stable name, who holds it, and what makes it "
    "usable.\n";

static int refuse(const struct tl_error *error, const char *source, size_t length)
{
    char text[4096];
    tl_error_format(error, source, length, text, sizeof text);
    fprintf(stderr, "%s%s", error->code == TL_USAGE ? "tinlatch-guard: " : "", text);
    return STATUS_INVALID;
}

static void print_limits(const char *file, const struct benchfile *bench)
{
    printf("limits\n");
    for (int id = 0; id < LIMITS; id++) {
        char text[48];
        bool own = bench->limit_line[id] > 0;
        int32_t value = limits_get(own ? &bench->limits : limits_built_in(), (enum limit_id)id);
        quantity_print((double)value / limit_scale((enum limit_id)id),
                       limit_unit((enum limit_id)id), text, sizeof text);
        printf("  %-14s %-12s ", limit_key((enum limit_id)id), text);
        if (own)
            printf("%s:%d\n", file, bench->limit_line[id]);
        else
            printf("built in\n");
    }
}

static void print_escaped(const struct frame *frame)
{
    putchar('"');
    for (size_t i = 0; i < frame->length; i++) {
        int c = frame->bytes[i];
        if (c == '\n')
            printf("\\n");
        else if (c == '\r')
            printf("\\r");
        else if (c < 0x20 || c > 0x7e || c == '"' || c == '\\')
            printf("\\x%02X", (unsigned)c);
        else
            putchar(c);
    }
    putchar('"');
}

static void print_instruments(const struct benchfile *bench)
{
    printf("instruments, with the bytes that switch each off\n");
    for (int i = 0; i < bench->device_count; i++) {
        struct frame frame;
        device_last_words(&bench->device[i], &frame);
        printf("  %-8s %-12s %s\n           ", bench->device[i].name,
               device_kind_name(bench->device[i].kind), bench->port[bench->device[i].port].path);
        print_escaped(&frame);
        printf("\n");
    }
}

static int show(const char *file)
{
    struct tl_error error = {0};
    char *text = NULL;
    size_t length = 0;
    static struct benchfile bench;
    int result = file_read(file, BENCH_BYTES, &text, &length, &error);
    if (!result)
        result = benchfile_parse(file, text, length, &bench, &error);
    if (result) {
        result = refuse(&error, text, length);
    } else {
        printf("bench %s (%s)\n", bench.name, file);
        print_limits(file, &bench);
        print_instruments(&bench);
        printf("no port was opened: this version of tinlatch-guard cannot run a bench\n");
    }
    free(text);
    return result;
}

static void print_port(const struct serial_entry *entry)
{
    printf("%s\n", entry->path);
    printf("  name in the bench file  %s\n", entry->by_id[0] ? entry->by_id : entry->path);
    if (entry->description[0])
        printf("  what it is              %s\n", entry->description);
    printf("  owner, group            %s, %s\n", entry->owner, entry->group);
    if (entry->holder > 0)
        printf("  held by                 %s (pid %d)\n", entry->holder_name, entry->holder);
    else if (entry->holder < 0)
        printf("  held by                 %s\n", entry->holder_name);
    printf("  you may open it         %s%s\n", entry->may_open ? "yes" : "no: ", entry->mend);
}

static void list_ports(void)
{
    static struct serial_entry entries[PORTS_SHOWN];
    int count = serial_list(entries, PORTS_SHOWN);
    if (count == 0)
        printf("no serial port on this machine: nothing is plugged in, or this is a container or a "
               "virtual machine that was given none\n");
    for (int i = 0; i < count; i++)
        print_port(&entries[i]);
}

/* The one option, in either spelling; NULL with *error filled otherwise. */
static const char *bench_named(int argc, char *argv[], struct tl_error *error)
{
    if (argc == 3 && !strcmp(argv[1], "--bench") && *argv[2])
        return argv[2];
    if (argc == 2 && !strncmp(argv[1], "--bench=", 8) && argv[1][8])
        return argv[1] + 8;
    tl_error_set(error, TL_USAGE, "expected --bench FILE and nothing else");
    tl_error_hint(error, "tinlatch-guard --help");
    return NULL;
}

int main(int argc, char *argv[])
{
    occupy_streams();
    signal(SIGPIPE, SIG_IGN);
    signal(SIGXFSZ, SIG_IGN);
    struct tl_error error = {0};
    int status = 0;
    if (argc == 2 && !strcmp(argv[1], "--help")) {
        fputs(synopsis, stdout);
    } else if (argc == 2 && !strcmp(argv[1], "--list")) {
        list_ports();
    } else if (argc == 2 && !strcmp(argv[1], "--version")) {
        printf("tinlatch-guard %s\n", TINLATCH_VERSION);
    } else {
        const char *file = bench_named(argc, argv, &error);
        status = file ? show(file) : refuse(&error, NULL, 0);
    }
    if (fflush(stdout) != 0 || ferror(stdout)) {
        fprintf(stderr, "tinlatch-guard: standard output cannot be written\n");
        status = STATUS_INVALID;
    }
    return status;
}
