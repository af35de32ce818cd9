/* SPDX-License-Identifier: MIT */
/* materials - what things are made of. Values with a source name it; the others are common practice
 * without a source, chosen so that the demo boards behave as technicians report. */
#ifndef TINLATCH_MATERIALS_H
#define TINLATCH_MATERIALS_H

#define PI       3.14159265358979323846

#define ZERO_C_K 273.15
#define GRAVITY  9.80665        /* m/s2, standard */
#define STEFAN   5.670374419e-8 /* W/m2K4, CODATA 2018 */

/* Incropera & DeWitt, table A.1 (density, heat); plane foils conduct 395, a little less than pure. */
#define COPPER_KG_M3 8933.0
#define COPPER_J_KGK 385.0
#define COPPER_W_MK  395.0

/* An insert's aluminium: Incropera & DeWitt, table A.1. */
#define ALUMINIUM_J_M3K (2702.0 * 903.0)
#define ALUMINIUM_W_MK  237.0
/* FR-4: within the ranges that Sarvar et al., J. Electron. Mater. 19 (1990) 1345 and makers quote. */
#define LAMINATE_KG_M3         1900.0
#define LAMINATE_J_KGK         1100.0
#define LAMINATE_IN_PLANE_W_MK 0.9
#define LAMINATE_THROUGH_W_MK  0.3

/* No source; calibrated. Each line: value, then what it stands for. */
/* clang-format off */
#define SMALL_PARTS_J_GK  0.80   /* ceramics, silicon, epoxy and shield steel mixed */
#define PART_J_M3K        1.8e6  /* a moulded package */
#define PART_FOOT_W_M2K   1200.0 /* its balls or lands, by footprint, where no joint is named ... */
#define PART_EDGE_W_MK    1.0    /* ... and by its edge: lands and traces spread the heat */
#define BOARD_EMISSIVITY  0.50   /* solder mask and moulding 0.9, tinned shields 0.1 to 0.3, mixed */
#define GAP_W_M2K         25.0   /* 1.3 mm of still air between the boards, and radiation */
#define FAN_W_M2K         22.0   /* a small fan at full speed over a board, beside free convection */
#define FLUX_FACTOR       1.5    /* insert to board, over dry: a wet film fills what air filled */
#define PRESS_FACTOR      2.0    /* insert to board; a power of two, so that release is exact */
#define UNSEATED_SHARE    0.25   /* of the contact, of a board that does not lie flat; no source */
#define ELEMENT_SHARE     0.06   /* of the plate's capacity that sits in the heating element */
#define LAND_SHARE        0.08   /* of a board's capacity that follows its joint: lands, laminate */
#define LAND_OF_CELL      0.40   /* ... of the cells it touches at most, on a fine grid */
#define VIA_SHARE         0.01   /* of a board's area that is copper all through, where lands are */
#define PART_LAND_SHARE   0.45   /* the same for a part, all its joints; the board gives as much */
/* clang-format on */

double laminate_j_m3k(double copper_share);

#endif
