/* SPDX-License-Identifier: MIT */
#include "tinlatch/control.h"

#include <math.h>

static const double REJOIN_K = 1.0; /* beyond noise, and what a climb overtakes its set-point by */

/* Where the loop is tuned: it crosses over at 1/12 rad/s, which leaves 50 degrees of phase with five
 * seconds of lag in element and sensor; the integral is five times slower. */
static const double CROSSOVER_S = 12.0;
static const double INTEGRAL_S = 60.0;
static const double LEAD_S = 2.0;                      /* what is left of the element's lag */
static const double STEFAN_BOLTZMANN = 5.670374419e-8; /* W/m2K4, CODATA 2018 */

void control_init(struct control *control, const struct plate *plate, double extra_j_k,
                  double room_c)
{
    *control = (struct control){.plate = *plate, .extra_j_k = extra_j_k, .room_c = room_c};
}

void control_forget_ramp(struct control *control)
{
    control->count = 0;
}

/* Mean of the readings in (from_ms, to_ms]; false if there is none. */
static bool mean_between(const struct control *control, int64_t from_ms, int64_t to_ms,
                         double *mean)
{
    int64_t sum = 0;
    int32_t n = 0;

    for (int32_t i = 0; i < control->count; i++) {
        int32_t k = (control->newest - i + RAMP_HISTORY) % RAMP_HISTORY;
        if (control->at_ms[k] <= from_ms)
            break;
        if (control->at_ms[k] <= to_ms) {
            sum += control->seen_mc[k];
            n++;
        }
    }
    if (n == 0)
        return false;
    *mean = (double)sum / n;
    return true;
}

bool control_ramp(struct control *control, int32_t temp_mc, int64_t t_ms, int32_t *ramp_mc_s)
{
    control->newest = (control->newest + 1) % RAMP_HISTORY;
    control->at_ms[control->newest] = t_ms;
    control->seen_mc[control->newest] = temp_mc;
    if (control->count < RAMP_HISTORY)
        control->count++;

    int32_t oldest = (control->newest - control->count + 1 + RAMP_HISTORY) % RAMP_HISTORY;
    double now, before;
    if (t_ms - control->at_ms[oldest] < 4900 || !mean_between(control, t_ms - 1000, t_ms, &now) ||
        !mean_between(control, t_ms - 5000, t_ms - 4000, &before))
        return false;
    *ramp_mc_s = (int32_t)lround((now - before) / 4.0);
    return true;
}

double control_loss_w(const struct control *control, double temp_c)
{
    double kelvin = temp_c + 273.15, room = control->room_c + 273.15;

    return control->plate.loss_w_k * (temp_c - control->room_c) +
           control->plate.emissivity_area * STEFAN_BOLTZMANN *
               (kelvin * kelvin * kelvin * kelvin - room * room * room * room);
}

/* One step of a first-order lag, exact for a held input. */
static double follow(double value, double towards, double lag_s, double dt_s)
{
    return lag_s > 0 ? towards + (value - towards) * exp(-dt_s / lag_s) : towards;
}

static void start(struct control *control, double reading_c)
{
    control->setpoint_c = reading_c;
    control->element_c = reading_c;
    control->expected_c = reading_c;
    control->integral_w = 0;
    control->leaves_w = control_loss_w(control, reading_c);
    control->running = true;
}

/* A set-point goes down at once, the plate does not. Up again begins where the plate is, or the heat for a way that
 * it never went down would carry it past its target. */
static void rejoin(struct control *control, double target_c, double reading_c)
{
    if (target_c > control->setpoint_c && reading_c > control->setpoint_c + REJOIN_K)
        start(control, fmin(reading_c, target_c));
}

/* Move the set-point: up no faster than the ramp and than the heater can carry, down at once. */
static double move_setpoint(struct control *control, double target_c, double ramp_c_s, double dt_s)
{
    double heat_j_k = control->plate.capacity_j_k + control->extra_j_k;
    double spare_w = 0.97 * control->plate.watts - control_loss_w(control, control->setpoint_c) -
                     fmax(control->integral_w, 0);
    double rate = fmin(ramp_c_s, fmax(spare_w / heat_j_k, 0));
    double before_c = control->setpoint_c;

    control->setpoint_c = fmin(target_c, before_c + rate * dt_s);
    return target_c > before_c && dt_s > 0 ? (control->setpoint_c - before_c) / dt_s : 0;
}

/* What the element must be given so that `wanted_w` leaves it within LEAD_S instead of its own lag: more than that
 * while it warms up, less while it gives back what it holds. */
static double through_element(struct control *control, double wanted_w, double dt_s)
{
    double lag_s = control->plate.element_lag_s;
    if (lag_s <= LEAD_S)
        return wanted_w;
    double given_w = wanted_w + (wanted_w - control->leaves_w) * (lag_s / LEAD_S - 1);
    given_w = fmin(fmax(given_w, 0), control->plate.watts);
    control->leaves_w = follow(control->leaves_w, given_w, lag_s, dt_s);
    return given_w;
}

static double watts_for(struct control *control, double reading_c, double rate_c_s, double dt_s)
{
    double heat_j_k = control->plate.capacity_j_k + control->extra_j_k;
    double gain_w_k = heat_j_k / CROSSOVER_S;
    double miss_c = control->expected_c - reading_c;
    double ahead_w = through_element(
        control, heat_j_k * rate_c_s + control_loss_w(control, control->setpoint_c), dt_s);
    double watts = ahead_w + gain_w_k * miss_c + control->integral_w;

    /* Anti-windup: the integral stands still while the heater is at an end and would be driven further. */
    bool full = watts >= control->plate.watts && miss_c > 0, idle = watts <= 0 && miss_c < 0;
    if (!full && !idle)
        control->integral_w += gain_w_k * miss_c * dt_s / INTEGRAL_S;
    return fmin(fmax(watts, 0), control->plate.watts);
}

void control_step(struct control *control, const struct granted *granted,
                  const struct temp_reading *plate, int32_t ramp_limit_mc_s, int64_t t_ms,
                  struct drive *drive)
{
    double dt_s = fmin((double)(t_ms - control->stepped_ms) / 1000.0, 1.0);

    control->stepped_ms = t_ms;
    *drive = (struct drive){.fan_pct = granted->fan_pct,
                            .supply_on = granted->supply_on,
                            .mv = granted->supply_on ? granted->mv : 0,
                            .ma = granted->supply_on ? granted->ma : 0,
                            .beeps = granted->beeps};
    if (!granted->heat || plate->quality != QUALITY_GOOD) {
        control->running = false;
        return;
    }
    double reading_c = plate->temp_mc / 1000.0;
    if (!control->running)
        start(control, reading_c);
    rejoin(control, granted->temp_mc / 1000.0, reading_c);
    int32_t ramp_mc_s = granted->ramp_mc_s > 0 ? granted->ramp_mc_s : ramp_limit_mc_s;
    double rate_c_s = move_setpoint(control, granted->temp_mc / 1000.0, ramp_mc_s / 1000.0, dt_s);
    control->element_c = follow(control->element_c, control->setpoint_c,
                                fmin(control->plate.element_lag_s, LEAD_S), dt_s);
    control->expected_c =
        follow(control->expected_c, control->element_c, control->plate.sensor_lag_s, dt_s);

    double watts = watts_for(control, reading_c, rate_c_s, dt_s);
    drive->heat = true;
    drive->duty_permille = (int32_t)lround(1000.0 * watts / control->plate.watts);
    drive->setpoint_mc = (int32_t)lround(control->setpoint_c * 1000.0);
}
