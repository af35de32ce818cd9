/* SPDX-License-Identifier: MIT */
/* A plate's constants out of the record of a step test (recipes/learn-plate.lua). */
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <jansson.h>

#include "bench.h"
#include "tinlatch/file.h"
#include "tinlatch/learn.h"
#include "tinlatch/report.h"

enum { RECORD_BYTES = 256 << 20, COLUMNS = 72, ROWS = 14 };
static const double SEAT_RISE_K = 25;

struct log {
    struct learn_point *point;
    int count, room;
    bool started, with_board;
    char insert[BENCH_NAME];
};

/* ---- the record ---- */

static double number_at(const json_t *array, size_t index)
{
    const json_t *value = json_array_get(array, index);
    return json_is_number(value) ? json_number_value(value) : (double)NAN;
}

/* A reading counts when it is good and fresh. */
static double reading_of(const json_t *line)
{
    const json_t *plate = json_object_get(line, "plate");
    const char *quality = json_string_value(json_array_get(plate, 0));
    bool fresh = number_at(plate, 2) <= 0;
    return quality && !strcmp(quality, "good") && fresh ? number_at(plate, 1) / 1000 : (double)NAN;
}

static int add_point(struct log *log, const json_t *line, struct tl_error *error)
{
    const json_t *grant = json_object_get(line, "grant");
    struct learn_point point = {
        .t_s = json_number_value(json_object_get(line, "t_ms")) / 1000,
        .duty = json_number_value(json_object_get(line, "duty")) / 1000,
        .fan = json_number_value(json_object_get(grant, "fan")) / 100,
        .reading_c = reading_of(line),
    };
    if (log->count == log->room) {
        int room = log->room ? 2 * log->room : 4096;
        struct learn_point *more = realloc(log->point, (size_t)room * sizeof *more);
        if (!more)
            return tl_error_set(error, TL_SYSTEM, "out of memory");
        log->point = more;
        log->room = room;
    }
    log->point[log->count++] = point;
    return 0;
}

static int take_line(struct log *log, const json_t *line, struct tl_error *error)
{
    const char *kind = json_string_value(json_object_get(line, "kind"));
    if (!kind)
        return 0;
    if (!strcmp(kind, "start")) {
        const char *insert = json_string_value(json_object_get(line, "insert"));
        log->started = true;
        snprintf(log->insert, sizeof log->insert, "%s", insert ? insert : "");
    }
    if (!strcmp(kind, "snapshot")) {
        const char *hand = json_string_value(json_object_get(line, "hand"));
        log->with_board = log->with_board || (hand && !strcmp(hand, "place"));
        return add_point(log, line, error);
    }
    return 0;
}

/* A torn last line is passed over, as the record's reader does. */
static int read_log(struct log *log, const char *text, size_t length, struct tl_error *error)
{
    const char *end = text + length;
    int result = 0;
    for (int line = 1; text < end && !result; line++) {
        const char *newline = memchr(text, '\n', (size_t)(end - text));
        size_t bytes = newline ? (size_t)(newline - text) : (size_t)(end - text);
        json_t *object = json_loadb(text, bytes, JSON_REJECT_DUPLICATES, NULL);
        if (json_is_object(object))
            result = take_line(log, object, error);
        else if (newline && bytes > 0)
            result = tl_error_set(error, TL_SYNTAX, "line %d is no line of a record", line);
        json_decref(object);
        text += bytes + 1;
    }
    if (!result && !log->started)
        result = tl_error_set(error, TL_SYNTAX, "it is no record: it has no start");
    if (!result && log->with_board)
        result = tl_error_set(error, TL_RANGE,
                              "a board was placed in that run: the plate has to be "
                              "empty");
    return result;
}

/* The insert that lay on the plate. */
static int find_insert(const struct benchfile *bench, const char *name, struct insert *insert,
                       struct tl_error *error)
{
    const struct insert *lay = benchfile_insert(bench, name);

    *insert = lay ? *lay : (struct insert){0};
    if (name[0] && insert->capacity_j_k <= 0)
        return tl_error_set(error, TL_MISSING, "the run's insert %s is not in the bench file",
                            name);
    return 0;
}

/* ---- what is shown ---- */

static void plot(char grid[ROWS][COLUMNS + 1], const struct learn_point *point, int count,
                 double low_c, double high_c, char mark)
{
    double span_s = point[count - 1].t_s - point[0].t_s;
    for (int i = 0; i < count; i++) {
        if (isnan(point[i].reading_c))
            continue;
        int x = (int)((point[i].t_s - point[0].t_s) / span_s * (COLUMNS - 1));
        int y = (int)lround((high_c - point[i].reading_c) / (high_c - low_c) * (ROWS - 1));
        if (x < 0 || x >= COLUMNS || y < 0 || y >= ROWS)
            continue;
        char *at = &grid[y][x];
        *at = *at == ' ' || *at == mark ? mark : '*';
    }
}

static void chart(FILE *out, const struct log *log, const struct learn_point *model,
                  const struct learn_result *result)
{
    char grid[ROWS][COLUMNS + 1];
    double low_c = result->start_c - 2, high_c = result->start_c + result->rise_k + 4;
    for (int y = 0; y < ROWS; y++) {
        memset(grid[y], ' ', COLUMNS);
        grid[y][COLUMNS] = '\0';
    }
    plot(grid, log->point, log->count, low_c, high_c, 'o');
    plot(grid, model, log->count, low_c, high_c, '+');
    for (int y = 0; y < ROWS; y++)
        fprintf(out, "  %5.0f C |%s\n", high_c - (high_c - low_c) * y / (ROWS - 1), grid[y]);
    fprintf(out, "          o read, + model, * both; %.0f s\n\n", result->span_s);
}

/* ---- the keys that it makes ---- */

/* A key of the bench file and what it is now to be. */
struct key {
    char section[8 + BENCH_NAME], key[16], value[40];
    bool held; /* not learned: the record does not tell, as stated */
    double error;
};
enum { KEYS = 10 };

struct keys {
    struct key key[KEYS];
    int count;
};

static struct key *add_key(struct keys *keys, const char *section, const char *name)
{
    struct key *key = &keys->key[keys->count++];
    snprintf(key->section, sizeof key->section, "%s", section);
    snprintf(key->key, sizeof key->key, "%s", name);
    return key;
}

static void add_pulse(struct keys *keys, const struct plate *plate, const struct insert *insert,
                      double room_c, const char *section)
{
    struct learn_pulse pulse;
    if (!learn_pulse(plate, insert, room_c, SEAT_RISE_K, &pulse))
        return;
    struct key *key = add_key(keys, section, "seat_pulse");
    snprintf(key->value, sizeof key->value, "%.1f s", pulse.pulse_s);
    key = add_key(keys, section, "seat_rise");
    snprintf(key->value, sizeof key->value, "%.1f K", pulse.rise_k);
}

static void add_today(struct keys *keys)
{
    time_t now = time(NULL);
    struct tm day;
    struct key *key = add_key(keys, "plate", "learned");
    if (localtime_r(&now, &day))
        strftime(key->value, sizeof key->value, "%Y-%m-%d", &day);
}

static void gather_keys(const struct learn_result *result, const struct insert *insert,
                        double room_c, struct keys *keys)
{
    const struct {
        enum learn_constant which;
        const char *section, *key;
        double value;
        const char *unit;
    } constants[] = {
        {LEARN_CAPACITY, "plate", "heat_capacity", result->plate.capacity_j_k, "J/K"},
        {LEARN_LOSS, "plate", "loss", result->plate.loss_w_k, "W/K"},
        {LEARN_DELAY, "plate", "element_lag", result->plate.element_lag_s, "s"},
        {LEARN_FAN, "plate", "fan_loss", result->plate.fan_loss_w_k, "W/K"},
        {LEARN_SENSOR, "sensor plate", "lag", result->plate.sensor_lag_s, "s"},
    };
    char section[8 + BENCH_NAME];
    add_today(keys);
    add_pulse(keys, &result->plate, &(struct insert){0}, room_c, "plate");
    for (int i = 0; i < LEARN_CONSTANTS; i++) {
        struct key *key = add_key(keys, constants[i].section, constants[i].key);
        snprintf(key->value, sizeof key->value, "%.4g %s", constants[i].value, constants[i].unit);
        key->held = result->held[constants[i].which];
        key->error = result->error[constants[i].which];
    }
    snprintf(section, sizeof section, "insert %s", insert->name);
    if (insert->capacity_j_k > 0)
        add_pulse(keys, &result->plate, insert, room_c, section);
}

static void say_keys(FILE *out, const struct keys *keys)
{
    const char *section = "";
    fputs("for the bench file, at the power stated there:\n", out);
    for (int i = 0; i < keys->count; i++) {
        const struct key *key = &keys->key[i];
        if (strcmp(section, key->section) != 0)
            fprintf(out, "[%s]\n", key->section);
        section = key->section;
        fprintf(out, "  %-14s = %s", key->key, key->value);
        if (key->held)
            fputs("      (as stated: the record does not tell)", out);
        else if (key->error > 0)
            fprintf(out, "      (+/- %.1f %%)", 200 * key->error);
        fputs("\n", out);
    }
}

/* ---- the bench file with these keys in it ---- */

static const struct key *find_key(const struct keys *keys, const char *section, const char *line)
{
    size_t length = strcspn(line, " \t=");
    for (int i = 0; i < keys->count; i++)
        if (!keys->key[i].held && !strcmp(keys->key[i].section, section) &&
            strlen(keys->key[i].key) == length && !memcmp(keys->key[i].key, line, length))
            return &keys->key[i];
    return NULL;
}

/* The learned keys begin their section, in place of what stood there; every other line stays. */
static void write_lines(FILE *to, const char *text, const struct keys *keys)
{
    char section[64] = "";
    for (size_t length; *text; text += length) {
        length = strcspn(text, "\n");
        length += text[length] == '\n';
        if (!find_key(keys, section, text))
            fprintf(to, "%.*s", (int)length, text);
        if (*text != '[')
            continue;
        snprintf(section, sizeof section, "%.*s", (int)strcspn(text + 1, "]\n"), text + 1);
        for (int i = 0; i < keys->count; i++)
            if (!keys->key[i].held && !strcmp(keys->key[i].section, section))
                fprintf(to, "%-13s = %s\n", keys->key[i].key, keys->key[i].value);
    }
}

/* Whole or not at all: it may be the very file that was read. */
static int write_bench(struct cli *cli, const char *text, const struct keys *keys,
                       struct tl_error *error)
{
    char path[PATH_SIZE], part[PATH_SIZE + 8];
    int failed = paths_make(cli->options.out, error);
    if (failed)
        return failed;
    if (snprintf(path, sizeof path, "%s/bench.ini", cli->options.out) >= PATH_SIZE)
        return tl_error_set(error, TL_FILE, "--out: the path is too long");
    snprintf(part, sizeof part, "%s.part", path);
    FILE *to = fopen(part, "we");
    if (!to)
        return tl_error_set(error, TL_FILE, "%s: %s", path, strerror(errno));
    write_lines(to, text, keys);
    bool torn = ferror(to) != 0;
    if (fclose(to) || torn || rename(part, path)) {
        tl_error_set(error, TL_FILE, "%s: %s", path, strerror(errno));
        unlink(part);
        return TL_FILE;
    }
    if (!cli->options.json)
        fprintf(cli->out, "wrote %s\n", path);
    return 0;
}

static void write_svg(struct cli *cli, const struct log *log, const struct learn_point *model)
{
    char path[PATH_SIZE];
    struct tl_error error;
    struct run *run = calloc(1, sizeof *run);
    FILE *to = NULL;
    if (run && !paths_make(cli->options.out, &error) &&
        snprintf(path, sizeof path, "%s/learn.svg", cli->options.out) < PATH_SIZE)
        to = fopen(path, "we");
    if (to) {
        snprintf(run->title, sizeof run->title, "The plate's step test");
        run->point_every_s = 1;
        run->peak_true_c = run->peak_read_c = run->peak_board_c = run->cool_c_s = (double)NAN;
        run->duration_s = run->recipe_s = log->point[log->count - 1].t_s;
        for (int i = 0; i < log->count; i++) {
            struct run_point point = {(float)log->point[i].t_s,
                                      (float)model[i].reading_c,
                                      (float)log->point[i].reading_c,
                                      (float)NAN,
                                      (float)NAN,
                                      (float)NAN};
            run_add_point(run, &point);
        }
        report_svg(run, to);
    }
    if (to && fclose(to) == 0)
        fprintf(cli->out, "wrote %s (\"plate, true\" is the model)\n", path);
    else
        fprintf(cli->err, "warning: %s/learn.svg cannot be written\n", cli->options.out);
    free(run);
}

static void tell(struct cli *cli, const struct log *log, const struct learn_input *input,
                 const struct learn_result *result)
{
    struct learn_point *model = malloc((size_t)log->count * sizeof *model);
    if (model && log->count > 1 && result->span_s > 0) {
        memcpy(model, log->point, (size_t)log->count * sizeof *model);
        learn_predict(&result->plate, &input->insert, result->start_c, model, log->count);
        chart(cli->out, log, model, result);
        if (cli->options.out)
            write_svg(cli, log, model);
    }
    free(model);
    fprintf(cli->out,
            "residual %.2f K on average, %.1f K at worst; readings in steps of %.2g K\n\n",
            result->residual_k, result->worst_k, result->quantum_k);
}

static void write_json(FILE *out, const struct learn_result *result)
{
    fprintf(out,
            "{\"heat_capacity_j_k\":%.6g,\"loss_w_k\":%.6g,\"element_lag_s\":%.6g,"
            "\"sensor_lag_s\":%.6g,\"fan_loss_w_k\":%.6g,\"residual_k\":%.4g,\"worst_k\":%.4g,"
            "\"sensor_lag_held\":%s,\"fan_loss_held\":%s}\n",
            result->plate.capacity_j_k, result->plate.loss_w_k, result->plate.element_lag_s,
            result->plate.sensor_lag_s, result->plate.fan_loss_w_k, result->residual_k,
            result->worst_k, result->held[LEARN_SENSOR] ? "true" : "false",
            result->held[LEARN_FAN] ? "true" : "false");
}

static int learn(struct cli *cli, const struct bench_opened *opened, struct log *log,
                 struct tl_error *error)
{
    struct learn_input input = {.stated = opened->bench.plate, .room_c = opened->bench.room_c};
    struct learn_result result;
    char *text = NULL;
    size_t length = 0;
    if (opened->bench.plate_device < 0)
        return tl_error_set(error, TL_MISSING, "this bench has no plate");
    int failed = file_read(cli->options.from, RECORD_BYTES, &text, &length, error);
    if (failed)
        return failed;
    failed = read_log(log, text, length, error);
    free(text);
    if (!failed)
        failed = find_insert(&opened->bench, log->insert, &input.insert, error);
    if (failed) {
        tl_error_at(error, cli->options.from, 0);
        return failed;
    }
    input.point = log->point;
    input.count = log->count;
    failed = learn_plate(&input, &result, error);
    bool shown = failed == 0 || failed == TL_RANGE; /* a poor fit is worth seeing */
    if (!cli->options.json && shown && result.rounds > 0)
        tell(cli, log, &input, &result);
    if (failed)
        return failed;
    struct keys keys = {0};
    gather_keys(&result, &input.insert, input.room_c, &keys);
    if (cli->options.json)
        write_json(cli->out, &result);
    else
        say_keys(cli->out, &keys);
    return cli->options.out ? write_bench(cli, opened->text, &keys, error) : 0;
}

enum outcome bench_learn(struct cli *cli)
{
    struct tl_error error = {0};
    struct log log = {0};
    enum outcome outcome = RUN_DONE;
    struct bench_opened *opened = calloc(1, sizeof *opened);
    if (!opened) {
        tl_error_set(&error, TL_SYSTEM, "out of memory");
        return cli_refuse(cli, &error, NULL, 0);
    }
    int failed = 0;
    if (!cli->options.from) {
        failed = tl_error_set(&error, TL_USAGE, "bench learn needs the record of a step test");
        tl_error_hint(&error, "run recipes/learn-plate.lua with the plate empty, then: tinlatch "
                              "bench learn --from RECORD");
    }
    if (!failed)
        failed = bench_open(opened, &cli->options, &error);
    if (!failed)
        failed = learn(cli, opened, &log, &error);
    if (failed) {
        cli_flush(cli);
        bool in_bench = opened->text && !strcmp(error.file, opened->path);
        outcome =
            cli_refuse(cli, &error, in_bench ? opened->text : NULL, in_bench ? opened->length : 0);
    }
    free(log.point);
    bench_close(opened);
    return outcome;
}
