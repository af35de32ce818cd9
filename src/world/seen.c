/* SPDX-License-Identifier: MIT */
/* What is kept of what happens: when each place melts, peaks, ramps, differences. */
#include <math.h>

#include "inside.h"

enum { SECOND_MS = 1000 };

static void nothing_of_joint(struct world_truth *seen, int joint)
{
    seen->joint_first_melt_s[joint] = seen->joint_last_melt_s[joint] = NAN;
    seen->joint_freezes_s[joint] = seen->joint_lifted_s[joint] = NAN;
    seen->joint_first_segments[joint] = seen->joint_last_segments[joint] = 0;
    seen->joint_liquid_s[joint] = 0;
}

static void list_places(struct world *world)
{
    const struct thermal *thermal = &world->thermal;
    struct world_heat *heat = &world->heat;
    for (int j = 0; j < thermal->joint_count; j++)
        for (int i = 0; i < thermal_places(thermal, j) && heat->places < WORLD_PLACES; i++) {
            const struct thermal_node *node = &thermal->node[thermal->segment[j][0] + i];
            heat->place[heat->places++] =
                (struct world_place){j, i / thermal->places[j], node->x_mm, node->y_mm, NAN, NAN};
        }
}

void seen_nothing(struct world *world)
{
    struct world_truth *seen = &world->seen;
    for (int i = 0; i < BOARD_JOINTS; i++)
        nothing_of_joint(seen, i);
    for (int i = 0; i < BOARD_PARTS; i++)
        seen->part_c[i] = seen->part_peak_c[i] = world->part_before_c[i] = world->thermal.room_c;
    for (int i = 0; i < SENSORS; i++)
        seen->sensor_c[i] = world->thermal.room_c;
    seen->plate_peak_c = seen->board_peak_c = world->thermal.room_c;
    list_places(world);
}

/* ---- joints ---- */

struct places {
    int there, molten;
    uint32_t molten_in, solid_in; /* segments that have a place so */
    double liquid;
};

/* Looks at every place of a joint; `place` is where the picture keeps its times, or past the end. */
static struct places look(struct world *world, int joint, int place, double t_s)
{
    const struct thermal *thermal = &world->thermal;
    struct world_heat *heat = &world->heat;
    struct places found = {0};
    for (int i = 0; i < thermal_places(thermal, joint); i++) {
        int at = thermal->segment[joint][0] + i;
        const struct thermal_node *node = &thermal->node[at];
        double share = thermal_molten_of(node, thermal->heat_j[at]);
        uint32_t segment = 1U << (i / thermal->places[joint]);
        found.there += node->there;
        found.liquid += share;
        found.molten += share >= 1;
        *(share >= 1 ? &found.molten_in : &found.solid_in) |= segment;
        if (place + i >= heat->places)
            continue;
        struct world_place *kept = &heat->place[place + i];
        if (share >= 1 && isnan((double)kept->melts_s))
            kept->melts_s = (float)t_s;
        if (node->there && share <= 0 && !isnan((double)kept->melts_s) &&
            isnan((double)kept->freezes_s))
            kept->freezes_s = (float)t_s;
    }
    return found;
}

static void keep_face(struct world *world, double t_s)
{
    const struct thermal *thermal = &world->thermal;
    struct world_heat *heat = &world->heat;
    heat->at_s = (float)t_s;
    for (int layer = 0; layer < BOARD_LAYERS; layer++) {
        int nx = thermal->cells_x, ny = thermal->cells_y, every = 1;
        heat->cells_x[layer] = heat->cells_y[layer] = 0;
        if (thermal->slab[layer] < 0 || !thermal->node[thermal->slab[layer]].there)
            continue;
        while ((nx / every) * (ny > 1 ? ny / every : 1) > WORLD_FACE)
            every++;
        int wide = nx / every, high = ny > 1 ? ny / every : 1;
        int top = thermal->slab[layer] + nx * ny * (thermal->cells_z[layer] - 1);
        heat->cells_x[layer] = wide;
        heat->cells_y[layer] = high;
        for (int i = 0; i < wide * high; i++)
            heat->face_c[layer][i] =
                (float)thermal->temp_c[top + (i / wide) * every * nx + (i % wide) * every];
    }
}

static void note_joint(struct world *world, int joint, int place, double t_s)
{
    const struct thermal *thermal = &world->thermal;
    struct world_truth *seen = &world->seen;
    struct places found = look(world, joint, place, t_s);
    if (found.there && found.liquid <= 0 && !isnan(seen->joint_first_melt_s[joint])) {
        seen->joint_pass[joint]++;
        nothing_of_joint(seen, joint);
    }
    if (found.molten > 0) {
        seen->joint_liquid_s[joint] += TICK_MS * 1e-3;
        if (isnan(seen->joint_first_melt_s[joint])) {
            seen->joint_first_melt_s[joint] = t_s;
            seen->joint_first_segments[joint] = found.molten_in;
        }
    }
    bool whole = found.molten > 0 && found.molten == thermal_places(thermal, joint);
    if (isnan(seen->joint_last_melt_s[joint])) {
        if (found.molten > 0 && !whole)
            seen->joint_last_segments[joint] = found.solid_in;
        if (whole) {
            seen->joint_last_melt_s[joint] = t_s;
            if (thermal->joint_part[joint] < 0)
                keep_face(world, t_s);
        }
    } else if (!whole && isnan(seen->joint_freezes_s[joint])) {
        seen->joint_freezes_s[joint] = t_s;
    }
}

void seen_hand(struct world *world, enum hand hand, int part)
{
    const struct thermal *thermal = &world->thermal;
    for (int i = 0; i < thermal->joint_count; i++)
        if (hand == HAND_LIFT && thermal->joint_part[i] == part &&
            isnan(world->seen.joint_lifted_s[i]))
            world->seen.joint_lifted_s[i] = (double)world->tick_ms * 1e-3;
}

/* ---- the rest ---- */

/* The steepest fall over the last 4 s, once there are 4 s since a hand moved the board. */
static void note_cooling(struct world *world, double board_c)
{
    double oldest_c = world->history_c[(world->history + 1) % BOARD_HISTORY];
    world->history = (world->history + 1) % BOARD_HISTORY;
    world->history_c[world->history] = board_c;
    if (world->history_count < BOARD_HISTORY) {
        world->history_count++;
        return;
    }
    double span_s = BOARD_HISTORY * TICK_MS * 1e-3;
    world->seen.cool_c_s = fmax(world->seen.cool_c_s, (oldest_c - board_c) / span_s);
}

static double apart_k(const struct thermal *thermal, enum board_layer layer)
{
    int cells = thermal->cells_x * thermal->cells_y;
    int top = thermal->slab[layer] + cells * (thermal->cells_z[layer] - 1);
    double least_c = HUGE_VAL, most_c = -HUGE_VAL;
    if (thermal->slab[layer] < 0 || !thermal->node[top].there)
        return 0;
    for (int i = 0; i < cells; i++) {
        least_c = fmin(least_c, thermal->temp_c[top + i]);
        most_c = fmax(most_c, thermal->temp_c[top + i]);
    }
    return most_c - least_c;
}

static void each_second(struct world *world)
{
    const struct thermal *thermal = &world->thermal;
    struct world_truth *seen = &world->seen;
    for (int i = 0; i < thermal->part_count; i++) {
        double now_c = thermal_part_c(thermal, i);
        seen->part_ramp_c_s[i] = fmax(seen->part_ramp_c_s[i], now_c - world->part_before_c[i]);
        world->part_before_c[i] = now_c;
        seen->part_near_s[i] += now_c > board_part_bears_c(&world->board.part[i]) - BOARD_NEAR_K;
    }
    for (int i = 0; i < BOARD_LAYERS; i++)
        seen->lateral_k = fmax(seen->lateral_k, apart_k(thermal, (enum board_layer)i));
}

void seen_tick(struct world *world)
{
    const struct thermal *thermal = &world->thermal;
    struct world_truth *seen = &world->seen;
    double board_c = thermal_board_c(thermal);
    seen->plate_peak_c = fmax(seen->plate_peak_c, thermal_plate_c(thermal));
    seen->board_peak_c = fmax(seen->board_peak_c, board_c);
    for (int i = 0; i < thermal->part_count; i++)
        seen->part_peak_c[i] = fmax(seen->part_peak_c[i], thermal_part_c(thermal, i));
    for (int i = 0, place = 0; i < thermal->joint_count; i++) {
        note_joint(world, i, place, (double)world->tick_ms * 1e-3);
        place += thermal_places(thermal, i);
    }
    if (thermal->placed)
        note_cooling(world, board_c);
    if (world->tick_ms % SECOND_MS == 0)
        each_second(world);
}

void world_heat(const struct world *world, struct world_heat *heat)
{
    *heat = world->heat;
    if (!isnan((double)heat->at_s) && heat->at_s > 0)
        return;
    struct world now = *world; /* none of it melted wholly: as it is now */
    keep_face(&now, (double)world->tick_ms * 1e-3);
    *heat = now.heat;
}
