/* SPDX-License-Identifier: MIT */
/* The box of a finer grid: insert and boards, plane on plane. What flows between its cells, and the factors along x,
 * along y and down; each of them is solved for energies, (C + h L) d = C b, with one number by cell:
 *
 *   on the way to the root   e_f = C_f b_f + what came,  e_next += own_f e_f   own_f = h w / pivot_f
 *   at the root              d = own e                                         own = 1 / pivot
 *   on the way back          d_f = own_f (e_f / (h w) + d_next)
 */
#include <string.h>

#include "plan.h"

enum { LINES = 8 }; /* rows side by side: as each cell waits for the one before it */

static int plane_cells(const struct thermal_box *box)
{
    return box->nx * box->ny;
}

int box_cells(const struct thermal_box *box)
{
    return box->planes * plane_cells(box);
}

void box_make(struct thermal *thermal)
{
    struct thermal_box *box = &thermal->box;
    box->planes = 0;
    while (box->planes < box->nz &&
           thermal->node[box->first + box->planes * plane_cells(box)].there)
        box->planes++;
    box->melts = false;
    for (int i = 0; i < box_cells(box); i++)
        box->melts = box->melts || thermal->node[box->first + i].latent_j > 0;
}

void box_quickness(const struct thermal *thermal, double *own)
{
    const struct thermal_box *box = &thermal->box;
    for (int i = 0; i < box_cells(box); i++) {
        int x = i % box->nx, y = i / box->nx % box->ny, z = i / plane_cells(box);
        double w_k = (x > 0) * box->x_w_k[z] + (x + 1 < box->nx) * box->x_w_k[z] +
                     (y > 0) * box->y_w_k[z] + (y + 1 < box->ny) * box->y_w_k[z] +
                     box->down_w_k[i] +
                     (z + 1 < box->planes ? box->down_w_k[i + plane_cells(box)] : 0);
        own[box->first + i] += w_k / thermal->node[box->first + i].capacity_j_k;
        if (z == 0 && box->foot >= 0)
            own[box->foot] += box->down_w_k[i] / thermal->node[box->foot].capacity_j_k;
    }
}

/* ---- what flows ---- */

struct around {
    /* a row of cells, and those beside it; `here` where there is none */
    const double *here, *front, *back, *above, *below;
    double x_w_k, y_w_k;
    const double *up_w_k, *down_w_k;
};

static inline double cell_gains_w(const struct around *a, int x, int left, int right)
{
    double here = a->here[x];
    return a->x_w_k * ((a->here[left] - here) + (a->here[right] - here)) +
           a->y_w_k * ((a->front[x] - here) + (a->back[x] - here)) +
           (a->up_w_k[x] * (a->above[x] - here) + a->down_w_k[x] * (a->below[x] - here));
}

WIDE static void row_gains(const struct around *around, int nx, double *restrict row_w)
{
    const struct around a = *around;
    row_w[0] = cell_gains_w(&a, 0, 0, 1);
    for (int x = 1; x + 1 < nx; x++)
        row_w[x] = cell_gains_w(&a, x, x - 1, x + 1);
    row_w[nx - 1] = cell_gains_w(&a, nx - 1, nx - 2, nx - 1);
}

/* The lowest plane and what it stands on. */
static void foot_gains(const struct thermal_box *box, const double *temp_c, double *gains_w)
{
    double foot_c = temp_c[box->foot], into_w[4] = {0};
    for (int y = 0; y < box->ny; y++)
        for (int x = 0; x < box->nx; x++) {
            int at = box->first + y * box->nx + x;
            double flow_w = box->down_w_k[at - box->first] * (temp_c[at] - foot_c);
            gains_w[at] -= flow_w;
            into_w[x % 4] += flow_w;
        }
    gains_w[box->foot] += (into_w[0] + into_w[1]) + (into_w[2] + into_w[3]);
}

void box_flows(const struct thermal_box *box, const double *temp_c, double *gains_w)
{
    int nx = box->nx, n = plane_cells(box);
    for (int z = 0; z < box->planes; z++)
        for (int y = 0; y < box->ny; y++) {
            const double *here = temp_c + box->first + z * n + y * nx;
            bool top = z + 1 == box->planes;
            struct around around = {.here = here,
                                    .front = y > 0 ? here - nx : here,
                                    .back = y + 1 < box->ny ? here + nx : here,
                                    .above = top ? here : here + n,
                                    .below = z > 0 ? here - n : here,
                                    .x_w_k = box->x_w_k[z],
                                    .y_w_k = box->y_w_k[z],
                                    .up_w_k = box->down_w_k + (top ? z : z + 1) * n + y * nx,
                                    .down_w_k = box->down_w_k + z * n + y * nx};
            row_gains(&around, nx, gains_w + box->first + z * n + y * nx);
        }
    if (box->planes > 0 && box->foot >= 0)
        foot_gains(box, temp_c, gains_w);
}

/* ---- factors ---- */

/* One line of cells `step` apart, all links h w = w_s. */
static void factor_line(const double *j_per_k, double *own, int count, int step, double w_s)
{
    double pivot = j_per_k[0];
    for (int i = 0; i < count - 1; i++) {
        pivot += w_s;
        own[i * step] = w_s / pivot;
        pivot = j_per_k[(i + 1) * step] + w_s - own[i * step] * w_s;
    }
    own[(count - 1) * step] = 1 / pivot;
}

/* Returns what the column does to the foot. */
static double factor_column(const struct thermal_box *box, const double *j_per_k, double *own,
                            const double *w_k, double half_s)
{
    double from_above = 0;
    for (int z = box->planes - 1; z >= 0; z--) {
        int at = z * plane_cells(box);
        double w_s = half_s * w_k[at], pivot = j_per_k[at] + from_above + w_s;
        own[at] = (w_s > 0 ? w_s : 1) / pivot;
        from_above = w_s - own[at] * w_s;
    }
    return box->foot >= 0 ? from_above : 0;
}

void box_factor(struct thermal *thermal, double half_s)
{
    struct thermal_box *box = &thermal->box;
    int nx = box->nx, ny = box->ny, n = plane_cells(box);
    const double *j_per_k = thermal->plan.j_per_k + box->first;
    for (int z = 0; z < box->planes; z++) {
        box->x_per_w_s[z] = 1 / (half_s * box->x_w_k[z]);
        box->y_per_w_s[z] = 1 / (half_s * box->y_w_k[z]);
        for (int y = 0; y < ny; y++)
            factor_line(j_per_k + z * n + y * nx, box->own[AXIS_X] + z * n + y * nx, nx, 1,
                        half_s * box->x_w_k[z]);
        for (int x = 0; x < nx; x++)
            factor_line(j_per_k + z * n + x, box->own[AXIS_Y] + z * n + x, ny, nx,
                        half_s * box->y_w_k[z]);
    }
    for (int i = box->foot < 0 ? n : 0; i < box_cells(box); i++)
        box->down_per_w_s[i] = 1 / (half_s * box->down_w_k[i]);
    box->foot_j_k = 0;
    for (int i = 0; i < (box->planes > 0 ? n : 0); i++)
        box->foot_j_k +=
            factor_column(box, j_per_k + i, box->own[AXIS_Z] + i, box->down_w_k + i, half_s);
}

/* ---- to the roots and back ---- */

static inline void along(int lines, int nx, const double *restrict own, const double *per_w_s,
                         double *restrict x)
{
    double pass[LINES] = {0};
    for (int i = 0; i < nx; i++)
        for (int k = 0; k < lines; k++) {
            int at = k * nx + i;
            x[at] += pass[k];
            pass[k] = own[at] * x[at];
        }
    for (int k = 0; k < lines; k++)
        x[k * nx + nx - 1] = pass[k];
    for (int i = nx - 2; i >= 0; i--)
        for (int k = 0; k < lines; k++) {
            int at = k * nx + i;
            pass[k] = own[at] * (x[at] * per_w_s[k] + pass[k]);
            x[at] = pass[k];
        }
}

void box_along(const struct thermal *thermal, double *x)
{
    const struct thermal_box *box = &thermal->box;
    const double *own = box->own[AXIS_X];
    int nx = box->nx, rows = box->planes * box->ny;
    x += box->first;
    for (int row = 0, lines = LINES; row < rows; row += lines) {
        double per_w_s[LINES];
        if (rows - row < LINES)
            lines = 1;
        for (int k = 0; k < lines; k++)
            per_w_s[k] = box->x_per_w_s[(row + k) / box->ny];
        int at = row * nx;
        if (lines == LINES)
            along(LINES, nx, own + at, per_w_s, x + at);
        else
            along(1, nx, own + at, per_w_s, x + at);
    }
}

static inline void to_energy(int count, const double *restrict j_per_k, double *restrict x)
{
    for (int i = 0; i < count; i++)
        x[i] *= j_per_k[i];
}

static inline void hand_on(int count, const double *restrict j_per_k, const double *restrict own,
                           const double *restrict from, double *restrict to)
{
    for (int i = 0; i < count; i++)
        to[i] = j_per_k[i] * to[i] + own[i] * from[i];
}

static inline void at_root(int count, const double *restrict own, double *restrict x)
{
    for (int i = 0; i < count; i++)
        x[i] *= own[i];
}

WIDE void box_across(const struct thermal *thermal, double *x)
{
    const struct thermal_box *box = &thermal->box;
    int nx = box->nx, ny = box->ny;
    for (int z = 0; z < box->planes; z++) {
        int at = z * plane_cells(box);
        const double *j_per_k = thermal->plan.j_per_k + box->first + at;
        const double *own = box->own[AXIS_Y] + at;
        double *cell = x + box->first + at, per_w_s = box->y_per_w_s[z];
        to_energy(nx, j_per_k, cell);
        for (int y = 1; y < ny; y++)
            hand_on(nx, j_per_k + y * nx, own + (y - 1) * nx, cell + (y - 1) * nx, cell + y * nx);
        at_root(nx, own + (ny - 1) * nx, cell + (ny - 1) * nx);
        for (int y = ny - 2; y >= 0; y--) {
            double *restrict here = cell + y * nx;
            const double *restrict next = here + nx, *restrict row_own = own + y * nx;
            for (int i = 0; i < nx; i++)
                here[i] = row_own[i] * (here[i] * per_w_s + next[i]);
        }
    }
}

/* Down to the foot, which takes what reaches it. */
WIDE void box_down(const struct thermal *thermal, double *x)
{
    const struct thermal_box *box = &thermal->box;
    int n = plane_cells(box);
    const double *j_per_k = thermal->plan.j_per_k + box->first, *own = box->own[AXIS_Z];
    double *cell = x + box->first;
    int top = (box->planes - 1) * n;
    to_energy(n, j_per_k + top, cell + top);
    for (int at = top - n; at >= 0; at -= n)
        hand_on(n, j_per_k + at, own + at + n, cell + at + n, cell + at);
    if (box->foot < 0) {
        at_root(n, own, cell);
        return;
    }
    double into_j[4] = {0};
    for (int i = 0; i < n; i++)
        into_j[i % 4] += own[i] * cell[i];
    x[box->foot] +=
        thermal->plan.k_per_j[box->foot] * ((into_j[0] + into_j[1]) + (into_j[2] + into_j[3]));
}

WIDE void box_up(const struct thermal *thermal, double *x)
{
    const struct thermal_box *box = &thermal->box;
    int nx = box->nx, n = plane_cells(box);
    double *cell = x + box->first;
    for (int z = box->foot < 0 ? 1 : 0; z < box->planes; z++)
        for (int y = 0; y < box->ny; y++) {
            double *restrict here = cell + z * n + y * nx;
            const double *restrict own = box->own[AXIS_Z] + z * n + y * nx;
            const double *restrict per_w_s = box->down_per_w_s + z * n + y * nx;
            const double *restrict below = here - n;
            if (z == 0)
                for (int i = 0; i < nx; i++)
                    here[i] = own[i] * (here[i] * per_w_s[i] + x[box->foot]);
            else
                for (int i = 0; i < nx; i++)
                    here[i] = own[i] * (here[i] * per_w_s[i] + below[i]);
        }
}
