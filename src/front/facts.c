/* SPDX-License-Identifier: MIT */
#include "front_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "tinlatch/bytes.h"
#include "tinlatch/interlock.h"
#include "tinlatch/quantity.h"

enum { TARGET_NEAR_MC = 2000, RAMP_LEAST_MC_S = 100, FALL_LEAST_MC_S = 50, SOON_MS = 1000 };

bool fact_recipe_runs(const struct front_state *state)
{
    return state->snapshot.mode == GUARD_RUNNING || state->snapshot.mode == GUARD_PAUSED;
}

static bool rule_is_known(const struct front_state *state)
{
    return state->snapshot.rule >= 0 && state->snapshot.rule < RULES;
}

static bool reads_safe(const struct front_state *state, enum sensor_id id)
{
    const struct wire_snapshot *s = &state->snapshot;
    return s->quality[id] == QUALITY_NONE ||
           (s->quality[id] == QUALITY_GOOD && s->temp_mc[id] < SAFE_MC);
}

/* A run may also be over because nothing could be done about it any more. */
bool fact_safe(const struct front_state *state)
{
    const struct wire_snapshot *s = &state->snapshot;
    if (!state->snapshot_known || s->mode != GUARD_ENDED)
        return false;
    if (state->hello.recipe.uses_plate && s->plate_quality != QUALITY_GOOD)
        return false;
    for (enum sensor_id id = 0; id < SENSORS; id++)
        if (!reads_safe(state, id))
            return false;
    return true;
}

static const char *mode_when_over(const struct front_state *state)
{
    if (rule_is_known(state) && rules[state->snapshot.rule].kind == RULE_TRIP)
        return fact_safe(state) ? "TRIPPED, SAFE TO TOUCH" : "TRIPPED, COOLING";
    if (rule_is_known(state) && rules[state->snapshot.rule].kind == RULE_STOP)
        return fact_safe(state) ? "STOPPED, SAFE TO TOUCH" : "STOPPED, COOLING";
    return fact_safe(state) ? "OVER, SAFE TO TOUCH" : "OVER, COOLING";
}

/* A plate that nothing here switches off: the guard does not know whether it heats. */
static bool set_by_hand(const struct front_state *state)
{
    return state->hello.recipe.uses_plate && state->snapshot.duty_permille < 0;
}

const char *fact_mode(const struct front_state *state)
{
    if (!state->snapshot_known)
        return "STARTING";
    switch (state->snapshot.mode) {
    case GUARD_WAITING:
        return "STARTING";
    case GUARD_CHECKING:
        return "START CHECKS";
    case GUARD_SEATING:
        return "SEAT TEST";
    case GUARD_RUNNING:
        return state->snapshot.parked ? "PARKED" : "RUNNING";
    case GUARD_PAUSED:
        return set_by_hand(state) ? "PAUSED, TURN THE PLATE OFF" : "PAUSED, HEAT OFF";
    case GUARD_COOLING:
    case GUARD_ENDED:
        return mode_when_over(state);
    default:
        return "?";
    }
}

bool fact_over(const struct front_state *state)
{
    return state->snapshot_known && state->snapshot.mode >= GUARD_COOLING;
}

bool fact_hot(const struct front_state *state)
{
    const struct wire_snapshot *s = &state->snapshot;
    if (!state->snapshot_known)
        return false; /* nothing has been switched on */
    if (s->mode >= GUARD_SEATING && s->mode <= GUARD_COOLING)
        return true;
    return s->plate_quality == QUALITY_GOOD && s->plate_mc >= SAFE_MC;
}

void fact_plate(const struct front_state *state, char out[FACT])
{
    const struct wire_snapshot *s = &state->snapshot;
    if (s->plate_quality == QUALITY_GOOD)
        snprintf(out, FACT, "%.1f C", s->plate_mc / 1000.0);
    else if (s->plate_quality == QUALITY_NONE && !state->hello.recipe.uses_plate)
        snprintf(out, FACT, "not in use");
    else
        snprintf(out, FACT, "unreadable (%s)", quality_name((enum quality)s->plate_quality));
}

static int percent(int32_t permille)
{
    return permille / 10 + (permille % 10 >= 5);
}

void fact_target(const struct front_state *state, char out[FACT])
{
    const struct wire_snapshot *s = &state->snapshot;
    bool pulse = s->mode == GUARD_SEATING && s->duty_permille >= 0;
    int n;
    const char *off = set_by_hand(state) ? "off, by its own knob" : "heat off";
    if (!s->granted_heat && s->wanted_heat)
        n = snprintf(out, FACT, "%s (wanted %.0f C)", set_by_hand(state) ? off : "heat is held off",
                     s->wanted_mc / 1000.0);
    else if (!s->granted_heat)
        n = snprintf(out, FACT, "%s", off);
    else if (pulse)
        n = snprintf(out, FACT, "a pulse of heat, at %3d %%", percent(s->duty_permille));
    else if (s->duty_permille < 0)
        n = snprintf(out, FACT, "%.1f C, by its own knob", s->granted_mc / 1000.0);
    else
        n = snprintf(out, FACT, "%.1f C, heat at %3d %%", s->granted_mc / 1000.0,
                     percent(s->duty_permille));
    if (s->granted_heat && !pulse && s->wanted_mc > s->granted_mc)
        n += snprintf(out + n, FACT - (size_t)n, " (wanted %.0f C)", s->wanted_mc / 1000.0);
    char nudged[2][24] = {"", ""}; /* by the person's keys */
    if (s->nudge_mc)
        snprintf(nudged[0], sizeof nudged[0], "%+d C", s->nudge_mc / 1000);
    if (s->nudge_ms)
        snprintf(nudged[1], sizeof nudged[1], "soak %+d s", s->nudge_ms / 1000);
    if (s->nudge_mc || s->nudge_ms)
        n += snprintf(out + n, FACT - (size_t)n, " (%s%s%s)", nudged[0],
                      s->nudge_mc && s->nudge_ms ? ", " : "", nudged[1]);
    if (s->granted_fan_pct > 0)
        snprintf(out + n, FACT - (size_t)n, ", fan %d %%", s->granted_fan_pct);
}

/* "84 s", "10:20 min". */
static const char *in_words(int seconds, char out[16])
{
    if (seconds < 100)
        snprintf(out, 16, "%d s", seconds);
    else
        snprintf(out, 16, "%d:%02d min", seconds / 60, seconds % 60);
    return out;
}

/* Seconds, the last one begun counted whole. A snapshot is another program's word: its figures may be anything. */
static int whole_s(int64_t ms)
{
    return (int)((ms + 999) / 1000);
}

/* An estimate is no stop-watch: fives from twenty seconds on, tens from a minute on. */
static const char *about(int64_t ms, char out[16])
{
    int seconds = whole_s(ms), step = seconds >= 60 ? 10 : seconds >= 20 ? 5 : 1;
    return in_words((seconds + step / 2) / step * step, out);
}

/* The joint that melts next, as is likely; NULL = none. */
static const struct wire_joint *melts_next(const struct wire_snapshot *s)
{
    const struct wire_joint *next = NULL;
    for (int i = 0; i < s->joints; i++)
        if (s->joint[i].melt_ms > 0 && (!next || s->joint[i].melt_ms < next->melt_ms))
            next = &s->joint[i];
    return next;
}

/* The one that is molten as is likely, but not for sure; NULL = none. */
static const struct wire_joint *melts_surely(const struct wire_snapshot *s)
{
    const struct wire_joint *next = NULL;
    for (int i = 0; i < s->joints; i++)
        if (s->joint[i].melt_ms == 0 && s->joint[i].melt_late_ms > 0 &&
            (!next || s->joint[i].melt_late_ms < next->melt_late_ms))
            next = &s->joint[i];
    return next;
}

/* "melt in about 40 s (31-52 s)"; a bound that is not foreseen is left open. */
static void foreseen_words(const char *what, int32_t likely_ms, int32_t early_ms, int32_t late_ms,
                           char out[FACT])
{
    char time[16];
    int n = snprintf(out, FACT, "%s in about %s", what, about(likely_ms, time));
    int early = whole_s(early_ms > 0 ? early_ms : 0);
    if (late_ms > 0)
        snprintf(out + n, FACT - (size_t)n, " (%d-%d s)", early, whole_s(late_ms));
    else
        snprintf(out + n, FACT - (size_t)n, " (%d s or later)", early);
}

/* The joint that is solid last, as is likely; NULL = none is molten. */
static const struct wire_joint *solid_last(const struct wire_snapshot *s)
{
    const struct wire_joint *last = NULL;
    for (int i = 0; i < s->joints; i++)
        if (s->joint[i].molten_permille > 0 && s->joint[i].solid_ms >= 0 &&
            (!last || s->joint[i].solid_ms > last->solid_ms))
            last = &s->joint[i];
    return last;
}

/* Where all are as is likely: until the last one is for sure; 0 = it is. */
static int32_t solid_surely_ms(const struct wire_snapshot *s)
{
    int32_t most_ms = 0;
    for (int i = 0; i < s->joints; i++)
        if (s->joint[i].solid_late_ms > most_ms)
            most_ms = s->joint[i].solid_late_ms;
    return most_ms;
}

/* Where not every plate sensor is read: what the one that is reads. */
static size_t figure_of_one(const struct wire_snapshot *s, const char *text, char now[40])
{
    static const char only[] = " sensor is read now, ";
    size_t before = sizeof only - 1;
    if (strncmp(text, only, before) != 0)
        return 0;
    size_t digits = strspn(text + before, "0123456789");
    for (enum sensor_id id = SENSOR_PLATE; digits && id <= SENSOR_PLATE_2; id++) {
        if (s->quality[id] != QUALITY_GOOD)
            continue;
        snprintf(now, 40, "%s%d", only, s->temp_mc[id] / 1000);
        return before + digits;
    }
    return 0;
}

/* How much of a text is a figure that snapshots bring anew; 0 = it begins with none. `now`: in the words of the last. */
static size_t figure_length(const struct front_state *state, const char *text, char now[40])
{
    static const char wait[] = ", about ", reads[] = "reads ";
    const struct wire_snapshot *s = &state->snapshot;
    size_t before = sizeof reads - 1;
    char time[16];
    now[0] = '\0';
    if (strncmp(text, wait, sizeof wait - 1) == 0) {
        if (s->solid_ms > SOON_MS)
            snprintf(now, 40, "%s%s", wait, about(s->solid_ms, time));
        return strcspn(text, ".");
    }
    if (strncmp(text, reads, before) != 0 || s->plate_quality != QUALITY_GOOD)
        return figure_of_one(s, text, now);
    snprintf(now, 40, "%s%d", reads, s->plate_mc / 1000);
    size_t digits = strspn(text + before, "0123456789");
    return digits ? before + digits : 0;
}

const char *hands_now(const struct front_state *state, char out[BENCH_TEXT])
{
    struct bytes b;
    char figure[40];
    size_t length;
    if (!fact_over(state))
        return state->hands;
    bytes_init(&b, out, BENCH_TEXT - 1);
    for (const char *at = state->hands; *at; at += length ? length : 1) {
        length = figure_length(state, at, figure);
        bytes_add(&b, length ? figure : at, length ? strlen(figure) : 1);
    }
    out[b.length] = '\0';
    return out;
}

static void next_when_over(const struct front_state *state, char out[FACT])
{
    const struct wire_snapshot *s = &state->snapshot;
    char time[16];
    if (fact_safe(state))
        snprintf(out, FACT, "safe to touch");
    else if (state->hello.recipe.uses_plate && s->plate_quality != QUALITY_GOOD)
        snprintf(out, FACT, "no reading: take the plate for hot");
    else if (s->solid_ms > SOON_MS)
        snprintf(out, FACT, "joints solid in about %s: hands off", about(s->solid_ms, time));
    else if (s->solid_ms > 0)
        snprintf(out, FACT, "solid soon: hands off until it beeps");
    else if (s->safe_ms >= 0)
        snprintf(out, FACT, "safe to touch in %s", in_words(whole_s(s->safe_ms), time));
    else
        snprintf(out, FACT, "hot: must fall below 45 C");
}

/* Nothing is foreseen: whom, or what, the recipe waits for. */
static const char *next_unforeseen(const struct front_state *state)
{
    const struct wire_snapshot *s = &state->snapshot;
    bool falls = s->ramp_known && s->ramp_mc_s < -FALL_LEAST_MC_S;
    if (s->open_note)
        return state->answered                  ? "your answer is on its way"
               : state->prompt_kind == NOTE_DO  ? "waits for you to say that it is done"
               : state->prompt_kind == NOTE_ASK ? "waits for a value from you"
                                                : "waits for your yes or no";
    if (s->meter_kind != METER_NONE)
        return "waits for the meter";
    if (s->granted_heat && s->granted_mc - (int64_t)s->plate_mc > TARGET_NEAR_MC)
        return set_by_hand(state) ? "waits for you to set the plate's knob" : "waits for the plate";
    if (!s->granted_heat && set_by_hand(state) && s->plate_mc >= SAFE_MC && !falls)
        return "waits for you to turn the plate off";
    return s->wanted_supply && !s->supply_on ? "waits for the supply" : "waits for the recipe";
}

static void next_when_running(const struct front_state *state, char out[FACT])
{
    const struct wire_snapshot *s = &state->snapshot;
    char time[16];
    const struct wire_joint *melts = melts_next(s), *surely = melts_surely(s);
    const struct wire_joint *solid = solid_last(s);
    int32_t melt_ms = melts ? melts->melt_ms : -1, solid_ms = solid ? solid->solid_ms : -1;
    int64_t missing_mc = (int64_t)s->granted_mc - s->plate_mc;
    int32_t joint_ms = s->granted_heat ? melt_ms : solid_ms;
    bool rises = s->granted_heat && s->ramp_known && s->ramp_mc_s > RAMP_LEAST_MC_S;
    if (s->parked)
        snprintf(out, FACT, "parked, %s left", in_words(whole_s(s->park_left_ms), time));
    else if (s->wait_ms > 0 && (joint_ms <= 0 || s->wait_ms < joint_ms))
        snprintf(out, FACT, "goes on in about %s", about(s->wait_ms, time));
    else if (s->granted_heat && melts)
        foreseen_words("melt", melts->melt_ms, melts->melt_early_ms, melts->melt_late_ms, out);
    else if (s->granted_heat && surely)
        snprintf(out, FACT, "molten for sure in about %s", about(surely->melt_late_ms, time));
    else if (!s->granted_heat && solid_ms > 0)
        foreseen_words("solid", solid_ms, solid->solid_early_ms, solid->solid_late_ms, out);
    else if (!s->granted_heat && !solid && solid_surely_ms(s) > 0)
        snprintf(out, FACT, "solid for sure in about %s", about(solid_surely_ms(s), time));
    else if (rises && missing_mc > TARGET_NEAR_MC)
        snprintf(out, FACT, "at its target in about %s",
                 about(missing_mc * 1000 / s->ramp_mc_s, time));
    else if (solid_ms >= 0)
        snprintf(out, FACT, "a joint is molten%s", s->open_note ? "" : ": wait to be asked");
    else
        snprintf(out, FACT, "%s", next_unforeseen(state));
}

void fact_next(const struct front_state *state, char out[FACT])
{
    const struct wire_snapshot *s = &state->snapshot;
    if (!state->snapshot_known || s->mode < GUARD_RUNNING)
        snprintf(out, FACT, "nothing is on before the checks end");
    else if (s->mode >= GUARD_COOLING)
        next_when_over(state, out);
    else
        next_when_running(state, out);
    if (state->snapshot_known && s->mode == GUARD_SEATING)
        snprintf(out, FACT, "%s",
                 s->open_note ? next_unforeseen(state) : "the seat test warms the empty plate");
}

/* How near something is to its limit; left is in the limit's thousandths. */
struct margin {
    double left, limit;
    enum limit_id id;
    const char *word;
};

static bool supply_gives(const struct front_state *state)
{
    const struct wire_snapshot *s = &state->snapshot;
    return state->hello.recipe.uses_supply && s->supply_on && s->supply_quality == QUALITY_GOOD;
}

/* The rail that the interlock judges the supply by; NULL = it is not wanted on. */
static const struct rail_limits *rail_fed(const struct front_state *state)
{
    const struct wire_snapshot *s = &state->snapshot;
    const struct limits *limits = &state->hello.recipe;
    bool fed = supply_gives(state) && s->wanted_supply && s->wanted_rail >= 0 &&
               s->wanted_rail < limits->rail_count;
    return fed ? &limits->rail[s->wanted_rail] : NULL;
}

static void nearer(struct margin *best, enum limit_id id, const char *word, double limit,
                   double value)
{
    if (limit > 0 && (limit - value) / limit < best->left / best->limit)
        *best = (struct margin){limit - value, limit, id, word};
}

static void nearest_of_plate(const struct front_state *state, struct margin *best)
{
    const struct wire_snapshot *s = &state->snapshot;
    const struct limits *limits = &state->hello.recipe;
    if (limits->uses_plate && s->plate_quality == QUALITY_GOOD)
        nearer(best, LIMIT_plate_mc, "plate", limits->plate_mc, s->plate_mc);
    if (limits->uses_plate && s->quality[SENSOR_BOARD] == QUALITY_GOOD)
        nearer(best, LIMIT_board_mc, "board", limits->board_mc, s->temp_mc[SENSOR_BOARD]);
    if (limits->uses_plate && s->granted_heat && s->ramp_known)
        nearer(best, LIMIT_ramp_mc_s, "ramp", limits->ramp_mc_s, s->ramp_mc_s);
    if (limits->uses_plate && s->heat_left_ms < limits->heat_time_ms)
        nearer(best, LIMIT_heat_time_ms, "heat time", limits->heat_time_ms,
               (double)limits->heat_time_ms - s->heat_left_ms);
}

/* While it is being switched off, what the run has of either kind is allowed. */
static void nearest_of_supply(const struct front_state *state, struct margin *best)
{
    const struct wire_snapshot *s = &state->snapshot;
    const struct limits *limits = &state->hello.recipe;
    const struct rail_limits *rail = rail_fed(state);
    if (rail && s->wanted_inject) {
        nearer(best, LIMIT_inject_mv, "inject volts", rail->inject_mv, s->supply_mv);
        nearer(best, LIMIT_inject_ma, "inject amps", rail->inject_ma, s->supply_ma);
    } else if (rail) {
        nearer(best, LIMIT_supply_mv, "rail volts", rail->mv, s->supply_mv);
        nearer(best, LIMIT_supply_ma, "rail amps", rail->ma, s->supply_ma);
    } else if (supply_gives(state) && !s->wanted_supply) {
        bool volts = limits->supply_mv >= limits->inject_mv;
        bool amps = limits->supply_ma >= limits->inject_ma;
        nearer(best, volts ? LIMIT_supply_mv : LIMIT_inject_mv, "supply volts",
               volts ? limits->supply_mv : limits->inject_mv, s->supply_mv);
        nearer(best, amps ? LIMIT_supply_ma : LIMIT_inject_ma, "supply amps",
               amps ? limits->supply_ma : limits->inject_ma, s->supply_ma);
    }
}

static int32_t rail_figure(const struct rail_limits *rail, enum limit_id id)
{
    if (id == LIMIT_supply_mv)
        return rail->mv;
    if (id == LIMIT_supply_ma)
        return rail->ma;
    return id == LIMIT_inject_mv ? rail->inject_mv : rail->inject_ma;
}

/* A rail's figure is the merged one that cut it, or the board's own, or else the recipe has lowered it. */
static enum limit_layer layer_of(const struct front_state *state, const struct margin *margin)
{
    enum limit_id id = margin->id;
    const struct limits *merged = &state->hello.recipe, *board = &state->hello.board;
    if (!limit_is_of_supply(id) || margin->limit == limits_get(merged, id))
        return state->hello.origins.of[id].layer;
    int32_t at = limits_find_rail(board, rail_fed(state)->name);
    bool own = at >= 0 && margin->limit == rail_figure(&board->rail[at], id);
    return own ? LAYER_BOARD : LAYER_RECIPE;
}

void fact_margin(const struct front_state *state, char out[FACT])
{
    snprintf(out, FACT, "-");
    if (!state->hello_known || !state->snapshot_known)
        return;
    struct margin best = {1e9, 1, LIMITS, ""};
    if (state->snapshot.mode < GUARD_COOLING)
        nearest_of_plate(state, &best);
    nearest_of_supply(state, &best);
    if (best.id == LIMITS)
        return;
    const char *unit = unit_base(limit_unit(best.id));
    double scale = limit_scale(best.id);
    enum limit_layer layer = layer_of(state, &best);
    const char *origin = (unsigned)layer < LAYERS ? limit_layer_name(layer) : "?";
    char left[16], limit[48];
    if (best.id == LIMIT_heat_time_ms) {
        quantity_print(best.limit / scale, UNIT_TIME, limit, sizeof limit);
        snprintf(out, FACT, "%s to heat time %s (%s)", in_words(whole_s((int64_t)best.left), left),
                 limit, origin);
        return;
    }
    snprintf(out, FACT, "%.1f %s to %s %.4g %s (%s)", best.left / scale, unit, best.word,
             best.limit / scale, unit, origin);
}

void fact_supply(const struct front_state *state, char out[FACT])
{
    const struct wire_snapshot *s = &state->snapshot;
    if (s->supply_quality != QUALITY_GOOD)
        snprintf(out, FACT, "unreadable");
    else
        snprintf(out, FACT, "%6.3f V  %6.3f A  %s", s->supply_mv / 1000.0, s->supply_ma / 1000.0,
                 s->supply_on ? "ON" : "off");
}

void fact_time(int64_t t_ms, char out[FACT])
{
    long long seconds = t_ms > 0 ? t_ms / 1000 : 0;
    snprintf(out, FACT, "%02lld:%02lld", seconds / 60, seconds % 60);
}
