/* SPDX-License-Identifier: MIT */
/* The live program: the only one that opens a port. Started by `tinlatch run`; by hand it shows a bench's
 * limits and last words, or the machine's ports. */
#include "live_bench.h"
#include "streams.h"

#include <fcntl.h>
#include <getopt.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/benchfile.h"
#include "tinlatch/bytes.h"
#include "tinlatch/device.h"
#include "tinlatch/file.h"
#include "tinlatch/serial.h"

enum { BENCH_BYTES = 1 << 18, PORTS_SHOWN = 64, STATUS_INVALID = 2, STATUS_DIED = 70 };

static const char synopsis[] =
    "tinlatch-guard --bench FILE\n"
    "  Reads and checks a bench file; prints its limits, each with its line, and the last words "
    "of\n"
    "  every instrument: the bytes that switch it off. Opens no port.\n"
    "tinlatch-guard --list [--json]\n"
    "  Every serial port of this machine: its stable name, who holds it, and what makes it "
    "usable.\n"
    "tinlatch-guard --live ..., tinlatch-guard --check ...\n"
    "  A run, as `tinlatch run` starts it, and a check, as `tinlatch bench check` does; not for "
    "the "
    "hand.\n";

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
        const struct device_config *device = &bench->device[i];
        struct frame frame;
        device_last_words(device, &frame);
        printf("  %-12s %-12s %s\n               ", device->name, device_kind_name(device->kind),
               device->port < 0 ? "no port" : bench->port[device->port].path);
        if (frame.length > 0)
            print_escaped(&frame);
        else
            fputs(frame.sets_lines ? "none: its line drops" : "none", stdout);
        printf("\n");
    }
}

static int load(const char *file, char **text, size_t *length, struct benchfile *bench,
                struct tl_error *error)
{
    int result = file_read(file, BENCH_BYTES, text, length, error);
    return result ? result : benchfile_parse(file, *text, *length, bench, error);
}

static int show(const char *file)
{
    struct tl_error error = {0};
    char *text = NULL;
    size_t length = 0;
    static struct benchfile bench;
    int result = load(file, &text, &length, &bench, &error);
    if (result) {
        result = refuse(&error, text, length);
    } else {
        printf("bench %s (%s)\n", bench.name, file);
        print_limits(file, &bench);
        print_instruments(&bench);
        printf("no port was opened\n");
    }
    free(text);
    return result;
}

/* A USB port that udev has given no name is another one after the next plugging in. */
static const char *name_note(const struct serial_entry *entry)
{
    return !entry->by_id[0] && serial_name_changes(entry->path)
               ? " (it has no stable name: it may change)"
               : "";
}

static void print_port(const struct serial_entry *entry)
{
    printf("%s\n", entry->path);
    printf("  name in the bench file  %s%s\n", entry->by_id[0] ? entry->by_id : entry->path,
           name_note(entry));
    if (entry->description[0])
        printf("  what it is              %s\n", entry->description);
    printf("  owner, group            %s, %s\n", entry->owner, entry->group);
    if (entry->holder > 0)
        printf("  held by                 %s (pid %d)\n", entry->holder_name, entry->holder);
    else if (entry->holder < 0)
        printf("  held by                 %s\n", entry->holder_name);
    printf("  you may open it         %s%s\n", entry->may_open ? "yes" : "no: ", entry->mend);
}

static void add_key(struct bytes *b, const char *key, const char *value)
{
    bytes_text(b, b->at[b->length - 1] == '{' ? "\"" : ",\"");
    bytes_text(b, key);
    bytes_text(b, "\":");
    bytes_json(b, value);
}

static void print_port_json(const struct serial_entry *entry, bool first)
{
    char text[4096];
    struct bytes b;
    bytes_init(&b, text, sizeof text);
    bytes_char(&b, '{');
    add_key(&b, "path", entry->path);
    add_key(&b, "by_id", entry->by_id);
    add_key(&b, "description", entry->description);
    add_key(&b, "owner", entry->owner);
    add_key(&b, "group", entry->group);
    add_key(&b, "holder", entry->holder_name);
    bytes_text(&b, ",\"holder_pid\":");
    bytes_int(&b, entry->holder);
    bytes_text(&b, entry->may_open ? ",\"may_open\":true" : ",\"may_open\":false");
    add_key(&b, "mend", entry->mend);
    bytes_char(&b, '}');
    printf("%s%.*s", first ? "" : ",", (int)b.length, b.at);
}

static void list_ports(bool json)
{
    static struct serial_entry entries[PORTS_SHOWN];
    int count = serial_list(entries, PORTS_SHOWN);
    if (json) {
        fputs("{\"ports\":[", stdout);
        for (int i = 0; i < count; i++)
            print_port_json(&entries[i], i == 0);
        fputs("]}\n", stdout);
        return;
    }
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

/* ---- a run ---------------------------------------------------------------------------------- */

static const struct option live_words[] = {
    {"live", no_argument, NULL, 'l'},
    {"bench", required_argument, NULL, 'b'},
    {"recipe-fd", required_argument, NULL, 'r'},
    {"front-fd", required_argument, NULL, 'f'},
    {"record-fd", required_argument, NULL, 'd'},
    {"latch", required_argument, NULL, 'a'},
    {"recipe", required_argument, NULL, 'n'},
    {"serial", required_argument, NULL, 's'},
    {"seed", required_argument, NULL, 'e'},
    {"source", required_argument, NULL, 'o'},
    {NULL, 0, NULL, 0},
};

/* An inherited descriptor's number; -1 for anything else. */
static int descriptor(const char *text)
{
    char *end;
    long fd = strtol(text, &end, 10);

    return *text && !*end && fd > 2 && fd < 1024 && fcntl((int)fd, F_GETFD) >= 0 ? (int)fd : -1;
}

/* KEY=TEXT, of what is run. */
static bool take_source(const char *text, struct run_source *source)
{
    for (int i = 0; i < RUN_SOURCES; i++) {
        const char *key = run_source_key((enum run_source_id)i);
        size_t length = strlen(key);

        if (strncmp(text, key, length) != 0 || text[length] != '=')
            continue;
        bytes_copy_text(source->text[i], sizeof source->text[i], text + length + 1);
        return true;
    }
    return false;
}

static bool live_parse(int argc, char *argv[], struct live_options *options, const char **bench)
{
    *options =
        (struct live_options){.recipe_fd = -1, .front_fd = -1, .record_fd = -1, .serial = ""};
    *bench = NULL;
    opterr = 0;
    for (int c; (c = getopt_long(argc, argv, "", live_words, NULL)) != -1;)
        switch (c) {
        case 'b':
            *bench = optarg;
            break;
        case 'r':
            options->recipe_fd = descriptor(optarg);
            break;
        case 'f':
            options->front_fd = descriptor(optarg);
            break;
        case 'd':
            options->record_fd = descriptor(optarg);
            break;
        case 'a':
            options->latch_path = optarg;
            break;
        case 'n':
            options->recipe_name = optarg;
            break;
        case 's':
            options->serial = optarg;
            break;
        case 'e':
            options->seed = strtoull(optarg, NULL, 10);
            break;
        case 'o':
            if (!take_source(optarg, &options->source))
                return false;
            break;
        case 'l':
            break;
        default:
            return false;
        }
    return optind == argc && *bench && options->latch_path && options->recipe_name &&
           options->recipe_fd >= 0 && options->front_fd >= 0 && options->record_fd >= 0;
}

static int live(int argc, char *argv[])
{
    static struct benchfile bench;
    struct live_options options;
    struct tl_error error = {0};
    const char *file;
    char *text = NULL;
    size_t length = 0;

    if (!live_parse(argc, argv, &options, &file)) {
        tl_error_set(&error, TL_USAGE, "--live is for `tinlatch run`, with all its options");
        return refuse(&error, NULL, 0);
    }
    if (load(file, &text, &length, &bench, &error))
        return refuse(&error, text, length);
    free(text);
    int outcome = live_bench(&options, &bench);
    return outcome < 0 ? STATUS_DIED : outcome;
}

/* --check BENCH FRONT_FD */
static int check(int argc, char *argv[])
{
    static struct benchfile bench;
    struct tl_error error = {0};
    char *text = NULL;
    size_t length = 0;
    int front_fd = argc == 4 ? descriptor(argv[3]) : -1;

    if (front_fd < 0) {
        tl_error_set(&error, TL_USAGE, "--check is for `tinlatch bench check`");
        return refuse(&error, NULL, 0);
    }
    if (load(argv[2], &text, &length, &bench, &error))
        return refuse(&error, text, length);
    free(text);
    return check_bench(front_fd, &bench) < 0 ? STATUS_INVALID : 0;
}

int main(int argc, char *argv[])
{
    occupy_streams();
    settle_signals();
    struct tl_error error = {0};
    int status = 0;
    if (argc > 1 && !strcmp(argv[1], "--live"))
        return live(argc, argv);
    if (argc > 1 && !strcmp(argv[1], "--check"))
        return check(argc, argv);
    if (argc == 2 && !strcmp(argv[1], "--help")) {
        fputs(synopsis, stdout);
    } else if (argc >= 2 && argc <= 3 && !strcmp(argv[1], "--list") &&
               (argc == 2 || !strcmp(argv[2], "--json"))) {
        list_ports(argc == 3);
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
