/* SPDX-License-Identifier: MIT */
/* A plate's constants out of the record of a step test (recipes/learn-plate.lua). */
#include <math.h>
#include <stdlib.h>
#include <string.h>

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

static void say_constant(FILE *out, const struct learn_result *result, enum learn_constant which,
                         const char *key, double value, const char *unit)
{
    fprintf(out, "  %-14s = %.4g %s", key, value, unit);
    if (result->held[which])
        fputs("      (as stated: the record does not tell)\n", out);
    else
        fprintf(out, "      (+/- %.1f %%)\n", 200 * result->error[which]);
}

static void say_keys(FILE *out, const struct learn_result *result, const struct insert *insert,
                     double room_c)
{
    struct learn_pulse pulse;
    fputs("for [plate] in the bench file, at the power stated there:\n", out);
    say_constant(out, result, LEARN_CAPACITY, "heat_capacity", result->plate.capacity_j_k, "J/K");
    say_constant(out, result, LEARN_LOSS, "loss", result->plate.loss_w_k, "W/K");
    say_constant(out, result, LEARN_DELAY, "element_lag", result->plate.element_lag_s, "s");
    say_constant(out, result, LEARN_FAN, "fan_loss", result->plate.fan_loss_w_k, "W/K");
    say_constant(out, result, LEARN_SENSOR, "sensor's lag", result->plate.sensor_lag_s, "s");
    if (learn_pulse(&result->plate, &(struct insert){0}, room_c, SEAT_RISE_K, &pulse))
        fprintf(out, "  seat_pulse     = %.1f s\n  seat_rise      = %.1f K\n", pulse.pulse_s,
                pulse.rise_k);
    if (insert->capacity_j_k > 0 &&
        learn_pulse(&result->plate, insert, room_c, SEAT_RISE_K, &pulse))
        fprintf(out, "for [insert %s]:\n  seat_pulse     = %.1f s\n  seat_rise      = %.1f K\n",
                insert->name, pulse.pulse_s, pulse.rise_k);
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
                 const struct learn_result *result, bool fits)
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
    if (fits)
        say_keys(cli->out, result, &input->insert, input->room_c);
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
    if (cli->options.json && !failed)
        write_json(cli->out, &result);
    else if (!cli->options.json && shown && result.rounds > 0)
        tell(cli, log, &input, &result, failed == 0);
    return failed;
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
