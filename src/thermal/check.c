/* SPDX-License-Identifier: MIT */
/* What a setup may hold: beyond these bounds nothing on a bench makes sense, or a store is full. */
#include "plan.h"

static bool in(double value, double low, double high)
{
    return value >= low && value <= high; /* false for NaN */
}

static int check_slab(const struct board_slab *slab, struct tl_error *error)
{
    if (!in(slab->length_mm, 1, 500) || !in(slab->width_mm, 1, 500) ||
        !in(slab->thick_mm, 0.05, 20) || !in(slab->copper_share, 0, 1) ||
        !in(slab->parts_g, 0, 1000))
        return tl_error_set(
            error, TL_RANGE,
            "board: a layer is 1 to 500 mm long and wide, 0.05 to 20 mm thick, with 0 "
            "to 100 %% copper and up to 1000 g of parts");
    return 0;
}

static int check_part(const struct board *board, const struct board_part *part,
                      struct tl_error *error)
{
    if (!in(part->length_mm, 0.1, 500) || !in(part->width_mm, 0.1, 500) ||
        !in(part->thick_mm, 0.05, 50))
        return tl_error_set(error, TL_RANGE,
                            "part %s: 0.1 to 500 mm long and wide, 0.05 to 50 mm thick",
                            part->name);
    if (!in(part->x_mm, 0, board->slab[part->on].length_mm) ||
        !in(part->y_mm, 0, board->slab[part->on].width_mm))
        return tl_error_set(
            error, TL_RANGE,
            "part %s: its centre, at %g by %g mm, is not on its board of %g by %g mm", part->name,
            part->x_mm, part->y_mm, board->slab[part->on].length_mm,
            board->slab[part->on].width_mm);
    return 0;
}

static int check_joint(const struct board *board, const struct board_joint *joint,
                       struct tl_error *error)
{
    if (joint->part[0] && part_of_joint(board, joint) < 0)
        return tl_error_set(error, TL_UNKNOWN, "joint %s: the board has no part named %s",
                            joint->name, joint->part);
    if (!in(joint->segments, 1, JOINT_SEGMENTS))
        return tl_error_set(error, TL_RANGE, "joint %s: 1 to %d segments", joint->name,
                            JOINT_SEGMENTS);
    double sum = 0;
    for (int i = 0; i < joint->segments; i++) {
        if (!in(joint->share[i], 0.001, 1))
            return tl_error_set(error, TL_RANGE,
                                "joint %s: each segment has a share of 0.1 %% or more",
                                joint->name);
        sum += joint->share[i];
    }
    if (!in(sum, 0.999, 1.001))
        return tl_error_set(error, TL_RANGE, "joint %s: the segments' shares add up to 100 %%",
                            joint->name);
    if (!in(joint->mass_g, 1e-4, 100) || !in(joint->contact_w_k, 1e-4, 100))
        return tl_error_set(error, TL_RANGE,
                            "joint %s: 0.1 mg to 100 g of solder, 0.1 mW/K to 100 W/K of contact",
                            joint->name);
    const struct alloy *alloy = &joint->alloy;
    if (!in(alloy->liquidus_c, 30, 400) || !in(alloy->solidus_c, 30, alloy->liquidus_c) ||
        !in(alloy->latent_j_g, 1, 500) || !in(alloy->cp_j_gk, 0.05, 2))
        return tl_error_set(error, TL_RANGE,
                            "joint %s: its alloy melts between 30 C and 400 C, solidus not above "
                            "liquidus, with 1 to 500 J/g latent and 0.05 to 2 J/gK",
                            joint->name);
    return 0;
}

static int about(const char *name, int err, struct tl_error *error)
{
    if (err)
        tl_error_token(error, name);
    return err;
}

int thermal_check_board(const struct board *board, struct tl_error *error)
{
    if (!board->slab[LAYER_LOWER].present)
        return tl_error_set(error, TL_RANGE, "board %s: no lower layer", board->name);
    if (board->part_count > BOARD_PARTS || board->joint_count > BOARD_JOINTS)
        return tl_error_set(error, TL_FULL, "board %s: at most %d parts and %d joints", board->name,
                            BOARD_PARTS, BOARD_JOINTS);
    if (!in(board->contact_spread, 0, 1))
        return tl_error_set(error, TL_RANGE, "board %s: contact spread is 0 to 100 %%",
                            board->name);
    static const char *const layers[BOARD_LAYERS] = {
        [LAYER_LOWER] = "lower", [LAYER_UPPER] = "upper"};
    int err = 0;
    for (int i = 0; i < BOARD_LAYERS && !err; i++)
        if (board->slab[i].present)
            err = about(layers[i], check_slab(&board->slab[i], error), error);
    for (int i = 0; i < board->part_count && !err; i++)
        err = about(board->part[i].name, check_part(board, &board->part[i], error), error);
    for (int i = 0; i < board->joint_count && !err; i++)
        err = about(board->joint[i].name, check_joint(board, &board->joint[i], error), error);
    return err ? err : board_stiff(board, error);
}

int setup_check(const struct thermal_setup *setup, struct tl_error *error)
{
    const struct plate *plate = &setup->plate;
    if (!in(plate->capacity_j_k, 1, 1e5) || !in(plate->watts, 0, 1e5) ||
        !in(plate->loss_w_k, 0, 1e3) || !in(plate->emissivity_area, 0, 10) ||
        !in(plate->fan_loss_w_k, 0, 1e3) || !in(plate->element_lag_s, 0, 600))
        return tl_error_set(error, TL_RANGE,
                            "plate: 1 to 100000 J/K, up to 100 kW, 1000 W/K and 10 m2, an element "
                            "lag of at most 600 s");
    if (!in(setup->room_c, -20, 60))
        return tl_error_set(error, TL_RANGE, "room: %g C; a bench stands between -20 C and 60 C",
                            setup->room_c);
    if (!in(setup->contact_factor, 0.05, 20) || !in(setup->mass_factor, 0.05, 20))
        return tl_error_set(error, TL_RANGE, "contact or mass factor outside 0.05 to 20");
    const struct insert *insert = &setup->insert;
    bool fitted = insert->capacity_j_k != 0;
    if (fitted && (!in(insert->capacity_j_k, 0.1, 1e4) || !in(insert->plate_w_k, 1e-3, 1e3) ||
                   !in(insert->board_w_k, 1e-4, 1e3)))
        return tl_error_set(error, TL_RANGE,
                            "insert %s: 0.1 to 10000 J/K, contacts above 0 and at most 1000 W/K",
                            insert->name);
    return setup->board ? thermal_check_board(setup->board, error) : 0;
}
