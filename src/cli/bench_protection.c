/* SPDX-License-Identifier: MIT */
/* A plain table: what may happen at this bench, what stands against it, and whether that was proved. */
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include "bench_check.h"
#include "tinlatch/bytes.h"
#include "tinlatch/wire.h"

enum { PROTECTIONS = 8, BY = 200 };

struct protection {
    const char *what_happens;
    bool covered;
    const char *proved; /* "proved", "failed", "not proved"; "" = there is nothing to prove */
    char by[BY];
};

static const struct device_config *device(const struct benchfile *bench, int32_t index)
{
    return index >= 0 ? &bench->device[index] : NULL;
}

static void say(struct protection *row, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

static void say(struct protection *row, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    vsnprintf(row->by, sizeof row->by, format, args);
    va_end(args);
}

/* It stands on a proof: one that failed protects nothing. */
static void lean_on(struct protection *row, const struct check_rows *rows, const char *name,
                    const char *what)
{
    int32_t note = NOTE_WARN;
    for (int i = 0; i < rows->count; i++)
        if (!strcmp(rows->row[i].name, name) && !strcmp(rows->row[i].what, what))
            note = rows->row[i].note;
    row->proved = note == NOTE_STATE ? "proved" : note == NOTE_FAULT ? "failed" : "not proved";
    row->covered = note != NOTE_FAULT;
}

static bool self_regulating(const struct device_config *plate)
{
    return plate->kind == DEVICE_CONTROLLER || plate->kind == DEVICE_BY_HAND ||
           (plate->kind == DEVICE_LINE && plate->regulates);
}

/* Does the plate go off by itself when nobody speaks to it any more? */
static bool has_silence_timer(const struct device_config *plate)
{
    return plate->silence_ms > 0 &&
           (plate->kind == DEVICE_LINE ||
            (plate->kind == DEVICE_CONTROLLER && plate->controller.map[REGISTER_SILENCE].used));
}

static void by_silence_timer(struct protection *row, const struct device_config *plate,
                             const struct check_rows *rows)
{
    say(row, "the plate's own silence timer, %.1f s", plate->silence_ms / 1000.0);
    lean_on(row, rows, plate->name, "silence timer");
}

static struct protection computer_dies(const struct benchfile *bench, const struct check_rows *rows)
{
    const struct device_config *plate = device(bench, bench->plate_device);
    const struct device_config *cutoff = device(bench, bench->cutoff_device);
    struct protection row = {.what_happens = "program or computer dies, or loses its power",
                             .proved = ""};
    if (cutoff) {
        say(&row, "the cut-off contactor: its control line drops");
        lean_on(&row, rows, cutoff->name, "drop");
    } else if (plate->kind == DEVICE_CONTACTOR) {
        say(&row, "the heater's relay: its control line drops");
        lean_on(&row, rows, plate->name, "drop");
    } else if (has_silence_timer(plate)) {
        by_silence_timer(&row, plate, rows);
    } else if (self_regulating(plate)) {
        say(&row, "the plate goes on holding its set-point: a cut-off contactor or an independent "
                  "thermal cut-out is needed");
    } else {
        say(&row, "nothing: a cut-off contactor is needed");
    }
    return row;
}

static struct protection link_lost(const struct benchfile *bench, const struct check_rows *rows)
{
    const struct device_config *plate = device(bench, bench->plate_device);
    const struct device_config *cutoff = device(bench, bench->cutoff_device);
    struct protection row = computer_dies(bench, rows);
    row.what_happens = "the plate's cable is pulled or its instrument hangs";
    if (cutoff && cutoff->port == plate->port)
        say(&row, "the cut-off contactor: it hangs on the same port and drops");
    else if (cutoff)
        say(&row, "the cut-off contactor: the trip opens it");
    return row;
}

static struct protection welded(const struct benchfile *bench, const struct check_rows *rows)
{
    const struct device_config *cutoff = device(bench, bench->cutoff_device);
    struct protection row = {.what_happens = "the heater's switch welds shut", .proved = ""};
    if (!cutoff) {
        say(&row, "nothing here: the alarm sounds until a person pulls the plug");
        return row;
    }
    say(&row, "the cut-off contactor opens the mains");
    lean_on(&row, rows, cutoff->name, "drop");
    return row;
}

static struct protection slipped(const struct benchfile *bench, const struct check_rows *rows)
{
    struct protection row = {.what_happens = "a plate sensor slips off or lies", .proved = ""};
    if (bench->sensor[SENSOR_PLATE_2].present) {
        say(&row, "the second plate sensor, on its own mount: the higher one counts");
        lean_on(&row, rows, "sensor plate-2", "reading");
        return row;
    }
    say(&row, "in part: the seat test before a run; a slip during it is not seen with one sensor");
    return row;
}

static struct protection stopped(const struct benchfile *bench, const struct check_rows *rows)
{
    const struct device_config *inputs = device(bench, bench->inputs_device);
    struct protection row = {.what_happens = "a hand needs to stop it at once", .proved = ""};
    if (!inputs || inputs->inputs.stop == CONTACT_NONE) {
        say(&row, "the keys only: no stop contact is stated");
        return row;
    }
    say(&row, "the stop contact (normally closed), beside the keys");
    lean_on(&row, rows, inputs->name, "stop");
    return row;
}

static struct protection supply_left(void)
{
    struct protection row = {.what_happens = "the supply is on when program and computer die",
                             .proved = ""};
    say(&row, "nothing here: a supply keeps its output; the current limit set on it holds");
    return row;
}

static int fill(const struct benchfile *bench, const struct check_rows *rows,
                struct protection out[PROTECTIONS])
{
    int count = 0;
    if (bench->plate_device >= 0) {
        out[count++] = computer_dies(bench, rows);
        out[count++] = link_lost(bench, rows);
        out[count++] = welded(bench, rows);
        out[count++] = slipped(bench, rows);
    }
    out[count++] = stopped(bench, rows);
    if (bench->supply_device >= 0)
        out[count++] = supply_left();
    return count;
}

static const char *mark_of(const struct protection *row)
{
    return !row->covered ? "NO" : strcmp(row->proved, "not proved") ? "yes" : "open";
}

void protection_write_text(FILE *out, const struct benchfile *bench, const struct check_rows *rows)
{
    struct protection row[PROTECTIONS];
    int count = fill(bench, rows, row);
    fputs("\nWhat protects this bench, and what does not\n\n", out);
    for (int i = 0; i < count; i++) {
        char by[BY + 32];
        snprintf(by, sizeof by, "%s%s%s%s", row[i].by, row[i].proved[0] ? " (" : "", row[i].proved,
                 row[i].proved[0] ? ")" : "");
        fprintf(out, "  %-4s  %s\n        ", mark_of(&row[i]), row[i].what_happens);
        write_folded(out, by, 8);
    }
    fputs("\nWhat no software covers: fire, fumes, a thermal cut-out that is not there. Stay with "
          "it.\n",
          out);
}

void protection_write_json(FILE *out, const struct benchfile *bench, const struct check_rows *rows)
{
    struct protection row[PROTECTIONS];
    int count = fill(bench, rows, row);
    fputc('[', out);
    for (int i = 0; i < count; i++) /* texts of this file: nothing in them needs an escape */
        fprintf(out, "%s{\"case\":\"%s\",\"covered\":%s,\"by\":\"%s\",\"proof\":%s%s%s}",
                i ? "," : "", row[i].what_happens, row[i].covered ? "true" : "false", row[i].by,
                row[i].proved[0] ? "\"" : "", row[i].proved[0] ? row[i].proved : "null",
                row[i].proved[0] ? "\"" : "");
    fputc(']', out);
}
