/* SPDX-License-Identifier: MIT */
#include "tinlatch/run.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "tinlatch/bytes.h"

const char *outcome_name(enum outcome outcome)
{
    switch (outcome) {
    case RUN_DONE:
        return "done";
    case RUN_FAILED:
        return "failed";
    case RUN_INVALID:
        return "invalid";
    case RUN_TRIPPED:
        return "tripped";
    case RUN_REFUSED:
        return "refused";
    case RUN_DEVICE:
        return "device";
    case RUN_STOPPED:
        return "stopped";
    case OUTCOMES:
        break;
    }
    return "?";
}

const char *run_source_key(enum run_source_id id)
{
    static const char *const keys[RUN_SOURCES] = {
        [RUN_SHA256] = "sha256",
        [RUN_PACK] = "pack",
        [RUN_PACK_VERSION] = "pack_version",
        [RUN_PACK_SHA256] = "pack_sha256",
        [RUN_SIGNER] = "signer",
        [RUN_KEY] = "key",
        [RUN_CHECKED] = "checked",
    };
    return keys[id];
}

/* The first point stays, so a curve always begins where the run did. */
static void thin_curve(struct run *run)
{
    int32_t kept = 0;
    for (int32_t i = 0; i < run->point_count; i += 2)
        run->point[kept++] = run->point[i];
    run->point_count = kept;
    run->point_every_s *= 2;
}

static bool point_is_due(const struct run *run, double t_s)
{
    if (run->point_count == 0)
        return true;
    /* A point's time is a float: an hour in, its last digit is a quarter of a millisecond. */
    double since_s = t_s - (double)run->point[run->point_count - 1].t_s;
    return since_s >= 0.999 * run->point_every_s;
}

void run_add_point(struct run *run, const struct run_point *point)
{
    if (!point_is_due(run, (double)point->t_s))
        return;
    if (run->point_count == RUN_CURVE)
        thin_curve(run); /* two spacings from the last that stays: due still */
    run->point[run->point_count++] = *point;
}

void run_add_event(struct run *run, double at_s, int32_t line, const char *kind, const char *text)
{
    if (run->event_count == RUN_EVENTS) {
        run->events_lost++;
        return;
    }
    struct run_event *event = &run->event[run->event_count++];
    event->at_s = at_s;
    event->line = line;
    bytes_copy_text(event->kind, sizeof event->kind, kind);
    bytes_copy_text(event->text, sizeof event->text, text);
}

void run_add_warning(struct run *run, const char *format, ...)
{
    if (run->warning_count == RUN_WARNINGS) {
        run->warnings_lost++;
        return;
    }
    char text[BENCH_TEXT + 4]; /* longer than the store, so that the cut falls between characters */
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    bytes_copy_text(run->warning[run->warning_count++], BENCH_TEXT, text);
}

/* What is left of the limit, as a part of it; what is not known goes last. */
static double part_left(const struct run_margin *margin)
{
    double left = (margin->value - margin->worst) / margin->value;
    return isnan(left) ? HUGE_VAL : left;
}

void run_add_margin(struct run *run, const char *name, enum limit_id id, double worst)
{
    if (run->margin_count == RUN_MARGINS || isnan(worst))
        return;
    struct run_margin *margin = &run->margin[run->margin_count++];
    *margin = (struct run_margin){.value = (double)limits_get(&run->limits, id) / limit_scale(id),
                                  .worst = worst,
                                  .unit = limit_unit(id),
                                  .layer = (int32_t)run->origins.of[id].layer,
                                  .line = run->origins.of[id].line};
    snprintf(margin->limit, sizeof margin->limit, "%s", name);
}

const struct run_extremes run_extremes_none = {NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, 0};

void run_add_margins(struct run *run, const struct run_extremes *seen)
{
    bool plate = run->limits.uses_plate;
    double used_s = (run->limits.heat_time_ms - seen->heat_left_ms) / 1000.0;

    run_add_margin(run, "plate", LIMIT_plate_mc, plate ? seen->plate_c : (double)NAN);
    run_add_margin(run, "board", LIMIT_board_mc,
                   plate && run->limits.has_board ? seen->board_c : (double)NAN);
    run_add_margin(run, "ramp", LIMIT_ramp_mc_s, plate ? seen->ramp_c_s : (double)NAN);
    run_add_margin(run, "heat time", LIMIT_heat_time_ms, plate ? used_s : (double)NAN);
    run_add_margin(run, "supply volts", LIMIT_supply_mv, seen->supply_v);
    run_add_margin(run, "supply amps", LIMIT_supply_ma, seen->supply_a);
    run_add_margin(run, "injection volts", LIMIT_inject_mv, seen->inject_v);
    run_add_margin(run, "injection amps", LIMIT_inject_ma, seen->inject_a);
    run_add_margin(run, "board while fed", LIMIT_power_mc, seen->power_c);
}

void run_sort_margins(struct run *run)
{
    for (int32_t i = 1; i < run->margin_count; i++) {
        struct run_margin moving = run->margin[i];
        int32_t at = i;
        for (; at > 0 && part_left(&run->margin[at - 1]) > part_left(&moving); at--)
            run->margin[at] = run->margin[at - 1];
        run->margin[at] = moving;
    }
}

bool run_on_edge(const struct run_place *place)
{
    return place->x_mm <= 0 || place->y_mm <= 0;
}

int run_heat_joint(const struct run_heat *heat)
{
    for (int32_t i = 0; i < heat->places; i++)
        if (run_on_edge(&heat->place[i]))
            return heat->place[i].joint;
    return heat->places ? heat->place[0].joint : -1;
}

static int tell_place(const struct run_place *place, char *out, size_t size)
{
    double x = (double)place->x_mm, y = (double)place->y_mm, t = (double)place->melts_s;
    return isnan(t) ? snprintf(out, size, "%.1f %.1f - %d;", x, y, (int)place->segment)
                    : snprintf(out, size, "%.1f %.1f %.2f %d;", x, y, t, (int)place->segment);
}

bool run_heat_tell(const struct run_heat *heat, int *from, char *text, size_t size)
{
    enum { MOST = 200 };
    int of = run_heat_joint(heat), count = 0, found = 0, next = heat->places + 1;
    size_t used = 0;
    text[0] = '\0';
    if (*from == 0) {
        snprintf(text, size, "%.1f %.1f %s", (double)heat->length_mm[0], (double)heat->width_mm[0],
                 heat->joint);
        *from = 1;
        return of >= 0;
    }
    for (int32_t i = 0; i < heat->places; i++)
        count += heat->place[i].joint == of;
    for (int32_t i = 0; i < heat->places; i++) {
        char one[64];
        if (heat->place[i].joint != of || found++ % ((count - 1) / MOST + 1) || i + 1 < *from)
            continue;
        int length = tell_place(&heat->place[i], one, sizeof one);
        if (used + (size_t)length >= size) {
            next = i + 1;
            break;
        }
        memcpy(text + used, one, (size_t)length + 1);
        used += (size_t)length;
    }
    *from = next;
    return used > 0;
}
