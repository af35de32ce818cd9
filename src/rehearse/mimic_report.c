/* SPDX-License-Identifier: MIT */
/* What really happened: the plate's true temperature, and when each output was last on. */
#include <math.h>
#include <string.h>

#include "mimic_private.h"
#include "tinlatch/bytes.h"

static const char *const names[OUTPUTS] = {"heater", "fan", "supply", "cut-off"};

static void note(struct mimic_switch *output, bool there, bool on, int64_t now_ms)
{
    if (output->on)
        output->on_ms += now_ms - output->seen_ms;
    output->there = there;
    /* It was on until this instant, or is now. */
    if (on || output->on)
        output->last_on_ms = now_ms;
    output->on = on;
    output->seen_ms = now_ms;
}

void mimic_observe(struct mimic *mimic)
{
    const struct benchfile *bench = mimic->setup->bench;
    struct world_truth truth;
    world_truth(mimic->world, &truth);
    note(&mimic->output[OUTPUT_HEATER], bench->plate_device >= 0, truth.duty > 0, mimic->now_ms);
    note(&mimic->output[OUTPUT_FAN], bench->has_fan, truth.fan > 0, mimic->now_ms);
    note(&mimic->output[OUTPUT_SUPPLY], bench->supply_device >= 0, truth.supply_on, mimic->now_ms);
    note(&mimic->output[OUTPUT_CUTOFF], truth.has_cutoff, truth.cutoff_closed, mimic->now_ms);
}

static void put_s(FILE *out, const char *key, int64_t ms)
{
    if (ms < 0)
        fprintf(out, "\"%s\":null", key);
    else
        fprintf(out, "\"%s\":%.3f", key, (double)ms / 1000);
}

static void put_number(FILE *out, const char *key, double value)
{
    if (isnan(value))
        fprintf(out, "\"%s\":null", key);
    else
        fprintf(out, "\"%s\":%.3f", key, value);
}

static int64_t last_byte_ms(const struct mimic *mimic, const struct mimic_switch *output)
{
    return output->port >= 0 ? mimic->port[output->port].last_byte_ms : -1;
}

static void put_outputs(const struct mimic *mimic, FILE *out)
{
    bool first = true;
    fputs("\"outputs\":{", out);
    for (int i = 0; i < OUTPUTS; i++) {
        const struct mimic_switch *output = &mimic->output[i];
        int64_t byte_ms = last_byte_ms(mimic, output);
        if (!output->there)
            continue;
        fprintf(out, "%s\"%s\":{\"on\":%s,", first ? "" : ",", names[i],
                output->on ? "true" : "false");
        put_s(out, "on_s", output->on_ms);
        fputc(',', out);
        put_s(out, "last_on_s", output->last_on_ms);
        fputc(',', out);
        if (output->last_on_ms >= 0 && byte_ms >= 0)
            fprintf(out, "\"after_last_byte_s\":%.3f}",
                    (double)(output->last_on_ms - byte_ms) / 1000);
        else
            fputs("\"after_last_byte_s\":null}", out);
        first = false;
    }
    fputc('}', out);
}

static void put_ports(const struct mimic *mimic, FILE *out)
{
    fputs("\"ports\":[", out);
    for (int i = 0; i < mimic->setup->bench->port_count; i++) {
        const struct mimic_port *port = &mimic->port[i];
        fprintf(out, "%s{\"path\":\"%s\",\"open\":%s,\"heard\":%lld,\"said\":%lld,", i ? "," : "",
                port->path, port->master >= 0 ? "true" : "false", (long long)port->heard,
                (long long)port->said);
        put_s(out, "last_byte_s", port->last_byte_ms);
        fputc('}', out);
    }
    fputc(']', out);
}

void mimic_write_truth(const struct mimic *mimic, FILE *out)
{
    struct world_truth truth;
    world_truth(mimic->world, &truth);
    fputc('{', out);
    put_s(out, "t_s", mimic->now_ms);
    fputc(',', out);
    put_number(out, "began_s", mimic->began_s);
    fputs(",\"plate\":{", out);
    put_number(out, "now_c", truth.plate_c);
    fputc(',', out);
    put_number(out, "peak_c", truth.plate_peak_c);
    fputs("},\"board\":{", out);
    put_number(out, "now_c", truth.board_c);
    fputc(',', out);
    put_number(out, "peak_c", truth.board_peak_c);
    fprintf(out, ",\"placed\":%s,", truth.placed ? "true" : "false");
    put_number(out, "torn", truth.torn);
    fputs("},", out);
    put_number(out, "heater_w", truth.heater_w);
    fputc(',', out);
    put_number(out, "duty", truth.duty);
    fputc(',', out);
    put_number(out, "setpoint_c", truth.setpoint_c);
    fputc(',', out);
    put_number(out, "supply_v", truth.supply_v);
    fputc(',', out);
    put_number(out, "supply_a", truth.supply_a);
    fputc(',', out);
    put_number(out, "supply_set_v", truth.supply_set_v);
    fputc(',', out);
    put_outputs(mimic, out);
    fputc(',', out);
    put_ports(mimic, out);
    fputc('}', out);
}

static void say_output(const struct mimic *mimic, int which, FILE *out)
{
    const struct mimic_switch *output = &mimic->output[which];
    int64_t byte_ms = last_byte_ms(mimic, output);
    if (!output->there)
        return;
    fprintf(out, "  %-8s ", names[which]);
    if (output->last_on_ms < 0) {
        fputs("never on\n", out);
        return;
    }
    fprintf(out, "%s %.3f s, on for %.1f s in all", output->on ? "STILL ON at" : "last on at",
            (double)output->last_on_ms / 1000, (double)output->on_ms / 1000);
    if (byte_ms >= 0 && output->last_on_ms > byte_ms)
        fprintf(out, "; %.3f s after the last byte", (double)(output->last_on_ms - byte_ms) / 1000);
    fputc('\n', out);
}

void mimic_report(const struct mimic *mimic, FILE *out)
{
    struct world_truth truth;
    world_truth(mimic->world, &truth);
    if (mimic->setup->json) {
        mimic_write_truth(mimic, out);
        fputc('\n', out);
        return;
    }
    fprintf(out, "; mimic: %.1f s\n", (double)mimic->now_ms / 1000);
    fprintf(out, "; plate: %.1f C at its hottest, %.1f C at the end\n", truth.plate_peak_c,
            truth.plate_c);
    if (mimic->has_board)
        fprintf(out, "; board: %.1f C at its hottest\n", truth.board_peak_c);
    for (int i = 0; i < OUTPUTS; i++) {
        fputc(';', out);
        if (mimic->output[i].there)
            say_output(mimic, i, out);
        else
            fprintf(out, "  %-8s none\n", names[i]);
    }
}
