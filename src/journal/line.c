/* SPDX-License-Identifier: MIT */
#include "line.h"

#include <string.h>

#include "tinlatch/bytes.h"
#include "tinlatch/interlock.h"

/* A literal, its length known when compiled. */
#define PUT(to, literal) (memcpy((to), (literal), sizeof(literal) - 1), (to) + sizeof(literal) - 1)

static char *put_int(char *to, int64_t value)
{
    if (value >= 0)
        return bytes_digits(to, (uint64_t)value);
    *to++ = '-';
    return bytes_digits(to, 0 - (uint64_t)value);
}

static char *put_word(char *to, const char *word)
{
    *to++ = '"';
    while (*word)
        *to++ = *word++;
    *to++ = '"';
    return to;
}

static char *put_bool(char *to, int32_t value)
{
    return value ? PUT(to, "true") : PUT(to, "false");
}

/* ,"plate":["good",150123,80] */
static char *put_sensors(char *to, const struct wire_snapshot *s)
{
    for (int i = 0; i < SENSORS; i++) {
        if (s->quality[i] == QUALITY_NONE)
            continue;
        *to++ = ',';
        to = put_word(to, sensor_name((enum sensor_id)i));
        to = PUT(to, ":[");
        to = put_word(to, quality_name((enum quality)s->quality[i]));
        *to++ = ',';
        to = put_int(to, s->temp_mc[i]);
        *to++ = ',';
        to = put_int(to, s->age_ms[i]);
        *to++ = ']';
    }
    to = PUT(to, ",\"counts\":[");
    to = put_word(to, quality_name((enum quality)s->plate_quality));
    *to++ = ',';
    to = put_int(to, s->plate_mc);
    *to++ = ',';
    to = put_int(to, s->plate_age_ms);
    *to++ = ']';
    if (s->ramp_known) {
        to = PUT(to, ",\"ramp_mc_s\":");
        to = put_int(to, s->ramp_mc_s);
    }
    return to;
}

static char *put_supply(char *to, const struct wire_snapshot *s)
{
    if (s->supply_quality == QUALITY_NONE)
        return to;
    to = PUT(to, ",\"supply\":[");
    to = put_word(to, quality_name((enum quality)s->supply_quality));
    *to++ = ',';
    to = put_bool(to, s->supply_on);
    *to++ = ',';
    to = put_int(to, s->supply_mv);
    *to++ = ',';
    to = put_int(to, s->supply_ma);
    *to++ = ',';
    to = put_int(to, s->supply_age_ms);
    *to++ = ']';
    return to;
}

static char *put_silences(char *to, const struct wire_snapshot *s)
{
    to = PUT(to, ",\"silent_ms\":[");
    to = put_int(to, s->plate_silent_ms);
    *to++ = ',';
    to = put_int(to, s->supply_silent_ms);
    *to++ = ',';
    to = put_int(to, s->recipe_silent_ms);
    to = PUT(to, "],\"stops\":");
    return bytes_digits(to, s->stop_count);
}

/* What the plate's energy account says of it, and what the plate's own instrument says that it drives. */
static char *put_account(char *to, const struct wire_snapshot *s)
{
    if (s->said_permille >= 0) {
        to = PUT(to, ",\"says\":");
        to = put_int(to, s->said_permille);
    }
    if (s->account_quality == QUALITY_NONE)
        return to;
    const int32_t account[] = {s->account_low_mc, s->account_high_mc, s->account_unmoved_mc,
                               s->account_lead_mc};
    to = PUT(to, ",\"account\":[");
    to = put_word(to, quality_name((enum quality)s->account_quality));
    for (size_t i = 0; i < sizeof account / sizeof account[0]; i++) {
        *to++ = ',';
        to = put_int(to, account[i]);
    }
    *to++ = ']';
    return to;
}

/* The processes and the person around the guard; all at their best in a rehearsal, and then left out. */
static char *put_watch(char *to, const struct wire_snapshot *s)
{
    const int32_t watch[] = {s->front_silent_ms, s->front_gone, s->keeper_silent_ms,
                             s->record_late_ms,  s->away_ms,    s->scan_late_ms,
                             s->clock_jump_ms};
    int32_t any = 0;

    for (size_t i = 0; i < sizeof watch / sizeof watch[0]; i++)
        any |= watch[i];
    if (!any)
        return to;
    to = PUT(to, ",\"watch\":[");
    for (size_t i = 0; i < sizeof watch / sizeof watch[0]; i++) {
        to = put_int(to, watch[i]);
        *to++ = ',';
    }
    to[-1] = ']';
    return to;
}

static char *put_wanted(char *to, const struct wire_snapshot *s, const struct wire_turn *turn)
{
    to = PUT(to, ",\"want\":{\"heat\":");
    to = put_bool(to, s->wanted_heat);
    to = PUT(to, ",\"mc\":");
    to = put_int(to, s->wanted_mc);
    to = PUT(to, ",\"fan\":");
    to = put_int(to, s->wanted_fan_pct);
    to = PUT(to, ",\"supply\":");
    to = put_bool(to, s->wanted_supply);
    to = PUT(to, ",\"ramp\":");
    to = put_int(to, s->wanted_ramp_mc_s);
    to = PUT(to, ",\"rail\":");
    to = put_int(to, s->wanted_rail);
    to = PUT(to, ",\"mv\":");
    to = put_int(to, s->wanted_mv);
    to = PUT(to, ",\"ma\":");
    to = put_int(to, s->wanted_ma);
    to = PUT(to, ",\"inject\":");
    to = put_bool(to, s->wanted_inject);
    if (turn) {
        to = PUT(to, ",\"turn\":");
        to = bytes_digits(to, turn->head.number);
    }
    *to++ = '}';
    if (s->judged == JUDGED_NOT)
        return PUT(to, ",\"judged\":false");
    return s->judged == JUDGED_SEATED ? PUT(to, ",\"seated\":true") : to;
}

static char *put_granted(char *to, const struct wire_snapshot *s)
{
    to = PUT(to, ",\"grant\":{\"heat\":");
    to = put_bool(to, s->granted_heat);
    to = PUT(to, ",\"mc\":");
    to = put_int(to, s->granted_mc);
    to = PUT(to, ",\"fan\":");
    to = put_int(to, s->granted_fan_pct);
    to = PUT(to, ",\"supply\":");
    to = put_bool(to, s->granted_supply);
    to = PUT(to, ",\"ramp\":");
    to = put_int(to, s->granted_ramp_mc_s);
    to = PUT(to, ",\"mv\":");
    to = put_int(to, s->granted_mv);
    to = PUT(to, ",\"ma\":");
    to = put_int(to, s->granted_ma);
    to = PUT(to, "},\"duty\":");
    return put_int(to, s->duty_permille);
}

static char *put_state(char *to, const struct wire_snapshot *s)
{
    to = PUT(to, ",\"mode\":");
    to = put_word(to, guard_mode_name(s->mode));
    if (s->rule >= 0 && s->rule < RULES) {
        to = PUT(to, ",\"rule\":");
        to = put_word(to, rules[s->rule].id);
    }
    to = PUT(to, ",\"fired\":");
    to = put_int(to, s->fired);
    to = PUT(to, ",\"heat_left_ms\":");
    to = put_int(to, s->heat_left_ms);
    to = PUT(to, ",\"beeps\":");
    to = bytes_digits(to, s->beeps);
    if (s->hand != HAND_NONE) {
        to = PUT(to, ",\"hand\":");
        to = put_word(to, hand_name((enum hand)s->hand));
    }
    if (s->nudge_mc || s->nudge_ms) {
        to = PUT(to, ",\"nudge\":[");
        to = put_int(to, s->nudge_mc);
        *to++ = ',';
        to = put_int(to, s->nudge_ms);
        *to++ = ']';
    }
    return to;
}

static char *put_joints(char *to, const struct wire_turn *turn)
{
    int32_t joints = turn ? turn->joints : 0;
    if (joints <= 0 || joints > BOARD_JOINTS)
        return to;
    to = PUT(to, ",\"joints\":[");
    for (int32_t i = 0; i < joints; i++) {
        const struct wire_joint *joint = &turn->joint[i];
        if (i)
            *to++ = ',';
        *to++ = '[';
        to = put_int(to, joint->temp_mc);
        *to++ = ',';
        to = put_int(to, joint->molten_permille);
        *to++ = ',';
        to = put_int(to, joint->melt_ms);
        *to++ = ',';
        to = put_int(to, joint->solid_ms);
        *to++ = ',';
        to = put_int(to, joint->melt_early_ms);
        *to++ = ',';
        to = put_int(to, joint->melt_late_ms);
        *to++ = ',';
        to = put_int(to, joint->solid_early_ms);
        *to++ = ',';
        to = put_int(to, joint->solid_late_ms);
        *to++ = ']';
    }
    *to++ = ']';
    return to;
}

size_t line_snapshot(char *to, const struct wire_snapshot *snapshot, const struct wire_turn *turn,
                     int32_t truth_mc)
{
    char *start = to;
    to = PUT(to, "{\"kind\":\"snapshot\",\"n\":");
    to = bytes_digits(to, snapshot->head.number);
    to = PUT(to, ",\"t_ms\":");
    to = put_int(to, snapshot->t_ms);
    to = put_sensors(to, snapshot);
    to = put_supply(to, snapshot);
    to = put_silences(to, snapshot);
    to = put_account(to, snapshot);
    to = put_watch(to, snapshot);
    to = put_wanted(to, snapshot, turn);
    to = put_granted(to, snapshot);
    to = put_state(to, snapshot);
    to = put_joints(to, turn);
    if (truth_mc != INT32_MIN) {
        to = PUT(to, ",\"true_mc\":");
        to = put_int(to, truth_mc);
    }
    return (size_t)(to - start);
}
