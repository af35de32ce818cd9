/* SPDX-License-Identifier: MIT */
/* A plate's constants out of the record of a step test (recipes/learn-plate.lua), an insert's contacts out of one with
 * a coupon (recipes/learn-coupon.lua). */
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
    bool started, with_coupon; /* --coupon was given */
    bool placing, placed, lifted;
    char insert[BENCH_NAME];
};

/* ---- the record ---- */

static double number_at(const json_t *array, size_t index)
{
    const json_t *value = json_array_get(array, index);
    return json_is_number(value) ? json_number_value(value) : (double)NAN;
}

/* A reading counts when it is good and fresh. */
static double reading_of(const json_t *line, const char *sensor)
{
    const json_t *read = json_object_get(line, sensor);
    const char *quality = json_string_value(json_array_get(read, 0));
    bool fresh = number_at(read, 2) <= 0;
    return quality && !strcmp(quality, "good") && fresh ? number_at(read, 1) / 1000 : (double)NAN;
}

static int add_point(struct log *log, const json_t *line, struct tl_error *error)
{
    const json_t *grant = json_object_get(line, "grant");
    struct learn_point point = {
        .t_s = json_number_value(json_object_get(line, "t_ms")) / 1000,
        .duty = json_number_value(json_object_get(line, "duty")) / 1000,
        .fan = json_number_value(json_object_get(grant, "fan")) / 100,
        .reading_c = log->placing ? (double)NAN : reading_of(line, "plate"),
        .board_c = reading_of(line, "board"),
        .coupon = log->placed && !log->placing,
    };
    if (log->lifted)
        return 0;
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
        log->placing = hand && !strcmp(hand, "place");
        log->placed = log->placed || log->placing;
        log->lifted = log->lifted || (hand && !strcmp(hand, "lift"));
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
    if (!result && log->placed && !log->with_coupon) {
        result = tl_error_set(error, TL_RANGE,
                              "a board was placed in that run: the plate has to be "
                              "empty");
        tl_error_hint(error, "of a test coupon, say what it is: --coupon \"107 g copper\"");
    }
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

/* The chart is of the sensor that tells the most. */
static const char *of_what(const struct learn_result *result)
{
    return result->board_read ? "coupon" : "plate";
}

static void chart(FILE *out, const struct learn_point *read, const struct learn_point *model,
                  const struct learn_result *result)
{
    char grid[ROWS][COLUMNS + 1];
    double low_c = result->model.start_c - 2, high_c = result->model.start_c + result->rise_k + 4;
    for (int y = 0; y < ROWS; y++) {
        memset(grid[y], ' ', COLUMNS);
        grid[y][COLUMNS] = '\0';
    }
    plot(grid, read, result->count, low_c, high_c, 'o');
    plot(grid, model, result->count, low_c, high_c, '+');
    for (int y = 0; y < ROWS; y++)
        fprintf(out, "  %5.0f C |%s\n", high_c - (high_c - low_c) * y / (ROWS - 1), grid[y]);
    fprintf(out, "          %s: o read, + model, * both; %.0f s\n\n", of_what(result),
            result->span_s);
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

static void add_constant(struct keys *keys, const struct learn_result *result,
                         enum learn_constant which, const char *section, const char *name,
                         double value, const char *unit)
{
    struct key *key = add_key(keys, section, name);
    snprintf(key->value, sizeof key->value, "%.4g %s", value, unit);
    key->held = result->held[which];
    key->error = result->error[which];
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
        {LEARN_CAPACITY, "plate", "heat_capacity", result->model.plate.capacity_j_k, "J/K"},
        {LEARN_LOSS, "plate", "loss", result->model.plate.loss_w_k, "W/K"},
        {LEARN_DELAY, "plate", "element_lag", result->model.plate.element_lag_s, "s"},
        {LEARN_FAN, "plate", "fan_loss", result->model.plate.fan_loss_w_k, "W/K"},
        {LEARN_SENSOR, "sensor plate", "lag", result->model.plate.sensor_lag_s, "s"},
    };
    char section[8 + BENCH_NAME];
    add_today(keys);
    add_pulse(keys, &result->model.plate, &(struct insert){0}, room_c, "plate");
    for (size_t i = 0; i < sizeof constants / sizeof constants[0]; i++)
        add_constant(keys, result, constants[i].which, constants[i].section, constants[i].key,
                     constants[i].value, constants[i].unit);
    snprintf(section, sizeof section, "insert %s", insert->name);
    if (insert->capacity_j_k > 0)
        add_pulse(keys, &result->model.plate, insert, room_c, section);
}

static void gather_contacts(const struct learn_result *result, struct keys *keys)
{
    const struct insert *insert = &result->model.insert;
    char section[8 + BENCH_NAME];
    snprintf(section, sizeof section, "insert %s", insert->name);
    add_constant(keys, result, LEARN_PLATE_CONTACT, section, "plate_contact", insert->plate_w_k,
                 "W/K");
    add_constant(keys, result, LEARN_BOARD_CONTACT, section, "board_contact", insert->board_w_k,
                 "W/K");
}

/* What the log had to leave as stated, and what that does to the other. */
static void say_contacts(FILE *out, const struct learn_result *result, double coupon_j_k)
{
    fprintf(out, "a coupon of %.4g J/K, %s\n", coupon_j_k,
            result->board_read ? "with a sensor on it"
                               : "no sensor on it: the plate's alone told of it");
    if (result->held[LEARN_PLATE_CONTACT])
        fprintf(out,
                "only both contacts together show: board_contact is right if plate_contact "
                "is;\nto tell them apart, %s\n",
                result->board_read ? "use a heavier coupon" : "put the board sensor on the coupon");
    fputs("\n", out);
}

static void say_keys(FILE *out, const struct keys *keys)
{
    const char *section = "";
    fputs("for the bench file, at the power stated there; +/- is the fit's own scatter, not what "
          "mains,\nroom and draught of that day add:\n",
          out);
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

static void write_svg(struct cli *cli, const struct learn_point *read,
                      const struct learn_point *model, const struct learn_result *result)
{
    char path[PATH_SIZE];
    struct tl_error error;
    struct run *run = calloc(1, sizeof *run);
    FILE *to = NULL;
    if (run && !paths_make(cli->options.out, &error) &&
        snprintf(path, sizeof path, "%s/learn.svg", cli->options.out) < PATH_SIZE)
        to = fopen(path, "we");
    if (to) {
        snprintf(run->title, sizeof run->title, "The %s's step test", of_what(result));
        run->point_every_s = 1;
        run->peak_true_c = run->peak_read_c = run->peak_board_c = run->cool_c_s = (double)NAN;
        run->duration_s = run->recipe_s = read[result->count - 1].t_s;
        for (int i = 0; i < result->count; i++) {
            struct run_point point = {(float)read[i].t_s,
                                      (float)model[i].reading_c,
                                      (float)read[i].reading_c,
                                      (float)NAN,
                                      (float)NAN,
                                      (float)NAN};
            run_add_point(run, &point);
        }
        report_svg(run, to);
    }
    if (to && fclose(to) == 0)
        fprintf(cli->out, "wrote %s\n", path);
    else
        fprintf(cli->err, "warning: %s/learn.svg cannot be written\n", cli->options.out);
    free(run);
}

static void tell(struct cli *cli, const struct log *log, const struct learn_result *result)
{
    size_t count = (size_t)result->count;
    struct learn_point *read = count > 1 ? malloc(2 * count * sizeof *read) : NULL;
    if (read && result->span_s > 0) {
        struct learn_point *model = read + count;
        memcpy(read, log->point, count * sizeof *read);
        memcpy(model, log->point, count * sizeof *model);
        learn_predict(&result->model, model, result->count);
        for (size_t i = 0; result->board_read && i < 2 * count; i++)
            read[i].reading_c = read[i].board_c;
        chart(cli->out, read, model, result);
        if (cli->options.out)
            write_svg(cli, read, model, result);
    }
    free(read);
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
            result->model.plate.capacity_j_k, result->model.plate.loss_w_k,
            result->model.plate.element_lag_s, result->model.plate.sensor_lag_s,
            result->model.plate.fan_loss_w_k, result->residual_k, result->worst_k,
            result->held[LEARN_SENSOR] ? "true" : "false",
            result->held[LEARN_FAN] ? "true" : "false");
}

static void write_contacts_json(FILE *out, const struct learn_result *result)
{
    fprintf(out,
            "{\"plate_contact_w_k\":%.6g,\"board_contact_w_k\":%.6g,\"residual_k\":%.4g,"
            "\"worst_k\":%.4g,\"plate_contact_held\":%s,\"board_sensor\":%s}\n",
            result->model.insert.plate_w_k, result->model.insert.board_w_k, result->residual_k,
            result->worst_k, result->held[LEARN_PLATE_CONTACT] ? "true" : "false",
            result->board_read ? "true" : "false");
}

static void say(struct cli *cli, const struct learn_result *result, const struct keys *keys)
{
    double coupon_j_k = cli->options.coupon_j_k;
    if (cli->options.json && coupon_j_k > 0)
        write_contacts_json(cli->out, result);
    else if (cli->options.json)
        write_json(cli->out, result);
    if (cli->options.json)
        return;
    if (coupon_j_k > 0)
        say_contacts(cli->out, result, coupon_j_k);
    say_keys(cli->out, keys);
}

static int learn(struct cli *cli, const struct bench_opened *opened, struct log *log,
                 struct tl_error *error)
{
    const struct benchfile *bench = &opened->bench;
    struct learn_input input = {.stated = bench->plate,
                                .room_c = bench->room_c,
                                .coupon_j_k = cli->options.coupon_j_k,
                                .board_lag_s = bench->sensor[SENSOR_BOARD].lag_s};
    struct learn_result result;
    char *text = NULL;
    size_t length = 0;
    if (bench->plate_device < 0)
        return tl_error_set(error, TL_MISSING, "this bench has no plate");
    if (input.coupon_j_k > 0 && !bench->learned[0]) {
        tl_error_set(error, TL_MISSING,
                     "this bench's plate is not learned yet: no [plate] learned");
        tl_error_hint(error, "first the empty plate: recipes/learn-plate.lua, then the coupon");
        return TL_MISSING;
    }
    int failed = file_read(cli->options.from, RECORD_BYTES, &text, &length, error);
    if (failed)
        return failed;
    log->with_coupon = input.coupon_j_k > 0;
    failed = read_log(log, text, length, error);
    free(text);
    if (!failed)
        failed = find_insert(bench, log->insert, &input.insert, error);
    if (failed) {
        tl_error_at(error, cli->options.from, 0);
        return failed;
    }
    input.point = log->point;
    input.count = log->count;
    failed = (log->with_coupon ? learn_coupon : learn_plate)(&input, &result, error);
    bool shown = failed == 0 || failed == TL_RANGE; /* a poor fit is worth seeing */
    if (!cli->options.json && shown && result.rounds > 0)
        tell(cli, log, &result);
    if (failed)
        return failed;
    struct keys keys = {0};
    if (log->with_coupon)
        gather_contacts(&result, &keys);
    else
        gather_keys(&result, &input.insert, input.room_c, &keys);
    say(cli, &result, &keys);
    return cli->options.out ? write_bench(cli, opened->text, &keys, error) : 0;
}

/* Without a record: the run that leaves one. The coupon's has an insert and a coupon to be named in the recipe first. */
static enum outcome step_test(struct cli *cli)
{
    static char recipe[PATH_SIZE];
    struct tl_error error = {0};
    int failed = paths_share(recipe, &error);
    if (!failed && (cli->options.json || cli->options.coupon_j_k > 0)) {
        failed = tl_error_set(&error, TL_USAGE, "bench learn: with %s it needs --from RECORD",
                              cli->options.json ? "--json" : "--coupon");
        tl_error_hint(&error, "run recipes/learn-%s.lua first, which leaves the record",
                      cli->options.coupon_j_k > 0 ? "coupon" : "plate");
    }
    if (!failed && cli->options.out) /* not only when the 20 minutes are over */
        failed = paths_make(cli->options.out, &error);
    if (failed)
        return cli_refuse(cli, &error, NULL, 0);
    size_t length = strlen(recipe);
    snprintf(recipe + length, sizeof recipe - length, "/recipes/learn-plate.lua");
    fprintf(cli->out,
            "The step test comes first, a run like any other, of some 20 minutes:\n  %s\n"
            "The plate is cold, with the recipe's insert on it and no board; the air is still.\n",
            recipe);
    cli_flush(cli);
    cli->options.argument = recipe;
    enum outcome outcome = verb_run_bench(cli);
    cli->options.from = cli->record;
    return outcome;
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
    if (!cli->options.from)
        outcome = step_test(cli);
    int failed = outcome ? 0 : bench_open(opened, &cli->options, &error);
    if (!outcome && !failed)
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
