/* SPDX-License-Identifier: MIT */
/* What protects this bench and what does not, as its file states it. Nothing is opened, nothing proved. */
#include <stdlib.h>
#include <string.h>

#include "bench.h"

struct row {
    const char *case_text; /* what may happen */
    bool covered;
    char by[200];
};

static const struct device_config *device(const struct benchfile *bench, int32_t index)
{
    return index >= 0 ? &bench->device[index] : NULL;
}

static bool self_regulating(const struct benchfile *bench)
{
    const struct device_config *plate = device(bench, bench->plate_device);
    return plate && (plate->kind == DEVICE_CONTROLLER || plate->kind == DEVICE_BY_HAND ||
                     (plate->kind == DEVICE_LINE && plate->regulates));
}

/* Does the plate go off by itself when nobody speaks to it any more? */
static bool has_silence_timer(const struct benchfile *bench)
{
    const struct device_config *plate = device(bench, bench->plate_device);
    return plate && plate->silence_ms > 0 &&
           (plate->kind == DEVICE_LINE ||
            (plate->kind == DEVICE_CONTROLLER && plate->controller.map[REGISTER_SILENCE].used));
}

static struct row computer_dies(const struct benchfile *bench)
{
    const struct device_config *plate = device(bench, bench->plate_device);
    struct row row = {"program or computer dies, or loses its power", true, ""};
    if (bench->cutoff_device >= 0) {
        snprintf(row.by, sizeof row.by, "the cut-off contactor: its control line drops");
    } else if (plate->kind == DEVICE_CONTACTOR) {
        snprintf(row.by, sizeof row.by, "the heater's relay: its control line drops");
    } else if (has_silence_timer(bench)) {
        snprintf(row.by, sizeof row.by, "the plate's own silence timer, %.1f s",
                 plate->silence_ms / 1000.0);
    } else {
        row.covered = false;
        snprintf(row.by, sizeof row.by, "%s",
                 self_regulating(bench)
                     ? "the plate goes on holding its set-point: a cut-off contactor or an "
                       "independent thermal cut-out is needed"
                     : "nothing: a cut-off contactor is needed");
    }
    return row;
}

static struct row link_lost(const struct benchfile *bench)
{
    struct row row = computer_dies(bench);
    row.case_text = "the plate's cable is pulled or its instrument hangs";
    if (bench->cutoff_device >= 0 &&
        bench->device[bench->cutoff_device].port == bench->device[bench->plate_device].port)
        snprintf(row.by, sizeof row.by,
                 "the cut-off contactor: it hangs on the same port and drops");
    return row;
}

static struct row welded(const struct benchfile *bench)
{
    struct row row = {"the heater's switch welds shut", bench->cutoff_device >= 0, ""};
    snprintf(row.by, sizeof row.by, "%s",
             row.covered ? "the cut-off contactor opens the mains"
                         : "nothing here: the alarm sounds until a person pulls the plug");
    return row;
}

static struct row slipped(const struct benchfile *bench)
{
    struct row row = {"a plate sensor slips off or lies", bench->sensor[SENSOR_PLATE_2].present,
                      ""};
    snprintf(row.by, sizeof row.by, "%s",
             row.covered ? "the second plate sensor disagrees"
                         : "in part: the seat test and the energy balance; a partial slip during a "
                           "run is not seen with one sensor");
    return row;
}

static struct row stopped(const struct benchfile *bench)
{
    const struct device_config *inputs = device(bench, bench->inputs_device);
    struct row row = {"a hand needs to stop it at once",
                      inputs && inputs->inputs.stop != CONTACT_NONE, ""};
    snprintf(row.by, sizeof row.by, "%s",
             row.covered ? "the stop contact (normally closed), beside the keys"
                         : "the keys only: no stop contact is stated");
    return row;
}

static struct row supply_left(const struct benchfile *bench)
{
    struct row row = {"the supply is on when program and computer die", false,
                      "nothing here: a supply keeps its output; the current limit set on it holds"};
    (void)bench;
    return row;
}

static void write_text(struct cli *cli, const struct bench_opened *opened, const struct row *rows,
                       int count)
{
    fprintf(cli->out,
            "%s: what protects this bench, as its file states it. Stated, not proved: "
            "nothing was opened.\n\n",
            opened->path);
    for (int i = 0; i < count; i++)
        fprintf(cli->out, "  %-3s %s\n      %s\n", rows[i].covered ? "yes" : "NO",
                rows[i].case_text, rows[i].by);
    fputs("\nWhat no software covers: fire, fumes, a thermal cut-out that is not there. Stay with "
          "it.\n",
          cli->out);
}

static void write_json(struct cli *cli, const struct row *rows, int count)
{
    fputs("{\"proved\":false,\"protections\":[", cli->out);
    for (int i = 0; i < count; i++) /* texts of this file: nothing in them needs an escape */
        fprintf(cli->out, "%s{\"case\":\"%s\",\"covered\":%s,\"by\":\"%s\"}", i ? "," : "",
                rows[i].case_text, rows[i].covered ? "true" : "false", rows[i].by);
    fputs("]}\n", cli->out);
}

static int fill(const struct benchfile *bench, struct row *rows)
{
    int count = 0;
    if (bench->plate_device >= 0) {
        rows[count++] = computer_dies(bench);
        rows[count++] = link_lost(bench);
        rows[count++] = welded(bench);
        rows[count++] = slipped(bench);
    }
    rows[count++] = stopped(bench);
    if (bench->supply_device >= 0)
        rows[count++] = supply_left(bench);
    return count;
}

enum outcome bench_check(struct cli *cli)
{
    struct tl_error error = {0};
    struct row rows[8];
    struct bench_opened *opened = calloc(1, sizeof *opened);
    enum outcome outcome = RUN_DONE;
    if (!opened) {
        tl_error_set(&error, TL_SYSTEM, "out of memory");
        return cli_refuse(cli, &error, NULL, 0);
    }
    if (bench_open(opened, &cli->options, &error)) {
        outcome = cli_refuse(cli, &error, opened->text, opened->text ? opened->length : 0);
    } else {
        int count = fill(&opened->bench, rows);
        if (cli->options.json)
            write_json(cli, rows, count);
        else
            write_text(cli, opened, rows, count);
    }
    bench_close(opened);
    return outcome;
}
