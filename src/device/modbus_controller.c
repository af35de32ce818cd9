/* SPDX-License-Identifier: MIT */
/* A temperature controller that speaks Modbus RTU: docs/reference/modbus-controller.md.
 *
 * A round:  [off or set-point, run] -> reading -> set-point back -> one of run, output, the checks again
 *
 * One request in flight. Answers carry no number: once one is overdue nothing is believed until a write
 * has been answered, for its answer is unmistakable and what was overdue comes before it. */
#include "tinlatch/device.h"

#include <string.h>

#include "device_ops.h"

enum step { IDLE, CHECK, WRITE_RUN, WRITE_SET, READ, READ_BACK, EXTRA, LAST_WORDS };
enum { OVERDUE_MS = 150, OFF_OVERDUE_MS = 50, QUIET_MS = 500 };
enum { WRITE_SEVERAL = 16 };

static const enum controller_register checks[] = {REGISTER_UNIT, REGISTER_MODE, REGISTER_MAXIMUM,
                                                  REGISTER_IDENTITY, REGISTER_SILENCE};
static const enum controller_register extras[] = {
    REGISTER_RUN,     REGISTER_OUTPUT,   REGISTER_UNIT,   REGISTER_MODE,
    REGISTER_MAXIMUM, REGISTER_IDENTITY, REGISTER_SILENCE};
enum { CHECKS = sizeof checks / sizeof *checks, EXTRAS = sizeof extras / sizeof *extras };

static const struct device_register *mapped(const struct device_config *config,
                                            enum controller_register which)
{
    const struct device_register *map = config->controller.map;
    if (which == REGISTER_SET_POINT_BACK && !map[which].used)
        which = REGISTER_SET_POINT;
    return &map[which];
}

static bool has(const struct device *device, enum controller_register which)
{
    return device->config.controller.map[which].used;
}

/* A sensor module: nothing is ever written to it. */
static bool is_only_read(const struct device *device)
{
    return !has(device, REGISTER_SET_POINT);
}

/* ---- counts and degrees ---- */

static int64_t floor_div(int64_t value, int64_t by)
{
    int64_t part = value / by;
    return value % by < 0 ? part - 1 : part;
}

static int64_t round_div(int64_t value, int64_t by)
{
    return floor_div(value + by / 2, by);
}

/* Down: a set-point is never above what was granted. */
static int32_t count_of(const struct device_config *config, int32_t mc)
{
    const struct device_register *set = mapped(config, REGISTER_SET_POINT);
    int64_t count = config->controller.fahrenheit
                        ? floor_div(((int64_t)mc * 9 + 160000) * set->per_unit, 5000)
                        : floor_div((int64_t)mc * set->per_unit, 1000);
    int64_t low = set->is_long ? INT32_MIN : INT16_MIN, high = set->is_long ? INT32_MAX : INT16_MAX;
    return (int32_t)(count < low ? low : count > high ? high : count);
}

static int64_t mc_of(const struct device *device, int32_t count)
{
    int32_t per_unit = device->config.controller.map[REGISTER_READING].per_unit;
    if (device->config.controller.fahrenheit)
        return round_div(((int64_t)count * 1000 - 32000 * (int64_t)per_unit) * 5,
                         9 * (int64_t)per_unit);
    return round_div((int64_t)count * 1000, per_unit);
}

/* ---- registers and words ---- */

static uint16_t swapped(uint16_t word)
{
    return (uint16_t)(word << 8 | word >> 8);
}

static void put_words(const struct controller_config *config, const struct device_register *at,
                      int32_t value, uint16_t word[2])
{
    uint16_t low = (uint16_t)((uint32_t)value & 0xFFFF), high = (uint16_t)((uint32_t)value >> 16);
    if (config->low_byte_first)
        low = swapped(low), high = swapped(high);
    if (!at->is_long)
        word[0] = low;
    else
        word[config->low_word_first ? 0 : 1] = low, word[config->low_word_first ? 1 : 0] = high;
}

/* Unsigned when it has 16 bits: that is how checks and switches are stated. */
static int64_t taken(const struct controller_config *config, const struct device_register *at,
                     const uint16_t *word)
{
    uint16_t low = word[at->is_long && !config->low_word_first ? 1 : 0];
    uint16_t high = word[at->is_long && config->low_word_first ? 1 : 0];
    if (config->low_byte_first)
        low = swapped(low), high = swapped(high);
    return at->is_long ? (int32_t)((uint32_t)high << 16 | low) : (int64_t)low;
}

static int32_t signed_count(const struct device_register *at, int64_t value)
{
    return at->is_long ? (int32_t)value : (int16_t)(uint16_t)value;
}

/* ---- asking ---- */

static void send(struct device *device, enum step step, int64_t t_ms)
{
    device->step = (int32_t)step;
    device->asked_ms = t_ms;
    device->inbox_length = 0; /* what came before the question is no answer to it */
    device->done |= 1U << step;
    modbus_encode(&device->request, &device->outbox);
}

static void ask(struct device *device, enum step step, enum controller_register which, int64_t t_ms)
{
    const struct device_register *at = mapped(&device->config, which);
    device->request = (struct modbus_request){.unit = device->config.controller.unit,
                                              .function = at->function,
                                              .address = at->address,
                                              .count = at->is_long ? 2 : 1};
    send(device, step, t_ms);
}

static struct modbus_request write_request(const struct device_config *config,
                                           enum controller_register which, int32_t value)
{
    const struct device_register *at = mapped(config, which);
    struct modbus_request request = {.unit = config->controller.unit,
                                     .function = at->is_long ? (uint8_t)WRITE_SEVERAL
                                                             : config->controller.write_function,
                                     .address = at->address,
                                     .count = at->is_long ? 2 : 1};
    put_words(&config->controller, at, value, request.word);
    return request;
}

/* ---- what is due ---- */

/* An off that has read back comes before any heat; what was reset gets none. */
static bool may_heat(const struct device *device)
{
    return device->drive.heat && device->drive.setpoint_mc > 0 && device->told_known &&
           !device->was_reset;
}

static int32_t wanted_count(const struct device *device)
{
    const struct device_config *config = &device->config;
    int32_t off = count_of(config, config->controller.off_mc);
    if (!may_heat(device))
        return off;
    int32_t count = count_of(config, device->drive.setpoint_mc);
    return count > off ? count : off;
}

static bool set_is_due(const struct device *device, int64_t t_ms)
{
    int32_t wanted = wanted_count(device);
    bool never = device->told_ms < 0;
    if (never || device->resync || device->set_differs || wanted < device->told_count)
        return true;
    return wanted > device->told_count &&
           (!device->told_on || t_ms - device->told_ms >= device->config.controller.write_every_ms);
}

static bool run_is_due(const struct device *device)
{
    if (!has(device, REGISTER_RUN))
        return false;
    if (!may_heat(device))
        return device->told_on || !device->run_confirmed;
    /* On only over a set-point that is proved, above off, and not above what is wanted now. */
    int32_t wanted = wanted_count(device);
    int32_t off = count_of(&device->config, device->config.controller.off_mc);
    bool right = device->set_confirmed && device->told_count <= wanted &&
                 (device->told_count > off || wanted == off);
    return right && (!device->told_on || device->run_differs);
}

static void write_run(struct device *device, int64_t t_ms)
{
    const struct controller_config *config = &device->config.controller;
    bool on = may_heat(device);
    device->request =
        write_request(&device->config, REGISTER_RUN, on ? config->run_on : config->run_off);
    device->told_on = on;
    device->run_confirmed = device->run_differs = false;
    device->next_extra = 0; /* its read-back is the next extra */
    send(device, WRITE_RUN, t_ms);
}

static void write_set(struct device *device, int64_t t_ms)
{
    device->told_count = wanted_count(device);
    device->told_ms = t_ms;
    device->set_confirmed = device->set_differs = false;
    if (!has(device, REGISTER_RUN))
        device->told_on = may_heat(device);
    device->request = write_request(&device->config, REGISTER_SET_POINT, device->told_count);
    send(device, WRITE_SET, t_ms);
}

static bool did(const struct device *device, enum step step)
{
    return (device->done & 1U << step) != 0;
}

/* The next of the registers that are used, from `at` on; EXTRAS if there is none. */
static int32_t next_used(const struct device *device, const enum controller_register *list,
                         int32_t count, int32_t at)
{
    while (at < count && !has(device, list[at]))
        at++;
    return at;
}

static void ask_extra(struct device *device, int64_t t_ms)
{
    int32_t at = next_used(device, extras, EXTRAS, device->next_extra);
    if (at == EXTRAS)
        at = next_used(device, extras, EXTRAS, 0);
    device->next_extra = at;
    ask(device, EXTRA, extras[at], t_ms);
}

static void finish(struct device *device, int64_t t_ms)
{
    device->step = IDLE;
    device->settled = true;
    if (is_only_read(device)) {
        device->answered_ms = device->was_reset ? device->answered_ms : t_ms;
        return;
    }
    bool obeys = device->set_confirmed && !device->run_differs && !device->output_unread;
    bool off_is_proved =
        obeys && !device->told_on && (device->run_confirmed || !has(device, REGISTER_RUN));
    device->told_known = device->told_known || off_is_proved;
    if (obeys && !device->was_reset)
        device->answered_ms = t_ms;
}

/* Off goes to `run` first: it acts at once, whatever the set-point was. */
static void go_on(struct device *device, int64_t t_ms)
{
    bool drives = !is_only_read(device), any_extra = next_used(device, extras, EXTRAS, 0) < EXTRAS;
    if (drives && !did(device, WRITE_RUN) && run_is_due(device))
        write_run(device, t_ms);
    else if (drives && !did(device, WRITE_SET) && set_is_due(device, t_ms))
        write_set(device, t_ms);
    else if (!did(device, READ))
        ask(device, READ, REGISTER_READING, t_ms);
    else if (drives && !did(device, READ_BACK))
        ask(device, READ_BACK, REGISTER_SET_POINT_BACK, t_ms);
    else if (any_extra && !did(device, EXTRA))
        ask_extra(device, t_ms);
    else
        finish(device, t_ms);
}

static void check_next(struct device *device, int64_t t_ms)
{
    device->next_check = next_used(device, checks, CHECKS, device->next_check);
    if (device->next_check < CHECKS) {
        ask(device, CHECK, checks[device->next_check], t_ms);
        return;
    }
    device->identified = true;
    device->done = 0;
    go_on(device, t_ms);
}

/* It is on, or may be: what was said to switch it off has not been answered. */
static bool off_is_open(const struct device *device)
{
    if (device->step == LAST_WORDS)
        return true;
    return device->told_known && !may_heat(device) &&
           (device->told_on || device->step == WRITE_RUN);
}

static bool is_overdue(const struct device *device, int64_t t_ms)
{
    int64_t patience = off_is_open(device)                           ? OFF_OVERDUE_MS
                       : !device->identified || is_only_read(device) ? QUIET_MS
                                                                     : OVERDUE_MS;
    return t_ms - device->asked_ms >= patience;
}

static void begin_round(struct device *device, int64_t t_ms)
{
    device->done = 0;
    device->next_check = 0;
    if (device->identified)
        go_on(device, t_ms);
    else
        check_next(device, t_ms);
}

/* Its slice of the line was over before its round was: that goes on. */
static void resume_round(struct device *device, int64_t t_ms)
{
    device->run_differs |= device->step == WRITE_RUN;
    device->set_differs |= device->step == WRITE_SET;
    device->done &= ~(1U << device->step | 1U << WRITE_RUN | 1U << WRITE_SET);
    device->step = IDLE;
    if (device->identified)
        go_on(device, t_ms);
    else
        check_next(device, t_ms);
}

static void controller_begin(struct device *device, int64_t t_ms)
{
    if (device->step != IDLE && device->unsent) {
        resume_round(device, t_ms);
        return;
    }
    if (device->step != IDLE && !is_overdue(device, t_ms)) {
        device->done &=
            ~(1U << WRITE_RUN | 1U << WRITE_SET); /* what is driven now may be something else */
        return;
    }
    if (device->step > IDLE) {
        device->bad_frames++;
        device->resync = !is_only_read(device) && device->identified;
    }
    device->inbox_length = 0;
    begin_round(device, t_ms);
}

/* ---- answers ---- */

static void take_reading(struct device *device, const struct device_register *at, int64_t value,
                         int64_t t_ms)
{
    struct channel *channel = &device->channels.channel[0];
    if (device->was_reset)
        return; /* it may count something else by now */
    channel->at_ms = t_ms;
    if (device->config.controller.has_open && value == device->config.controller.open_count) {
        channel->quality = QUALITY_OPEN;
        return;
    }
    int64_t mc = mc_of(device, signed_count(at, value));
    channel->quality = QUALITY_GOOD;
    channel->value = (int32_t)(mc < INT32_MIN ? INT32_MIN : mc > INT32_MAX ? INT32_MAX : mc);
}

static void take_back(struct device *device, const struct device_register *at, int64_t value)
{
    device->set_confirmed = signed_count(at, value) == device->told_count;
    device->set_differs = !device->set_confirmed;
    device->bad_frames += device->set_differs;
}

/* A run that goes off by itself had a reason: a key, its own alarm, a loss of power. */
static void take_run(struct device *device, int64_t value)
{
    const struct controller_config *config = &device->config.controller;
    bool same = value == (device->told_on ? config->run_on : config->run_off);
    if (device->told_on && device->run_confirmed && !same)
        device->was_reset = true;
    device->run_confirmed = same;
    device->run_differs = !same;
    device->bad_frames += !same;
}

static void take_output(struct device *device, const struct device_register *at, int64_t value)
{
    int64_t permille = (int64_t)signed_count(at, value) * 10 / at->per_unit;
    device->output_unread = permille < 0 || permille > 1000;
    device->channels.has_duty = !device->output_unread;
    if (device->channels.has_duty)
        device->channels.duty_permille = (int32_t)permille;
    device->bad_frames += device->output_unread;
}

static bool check_passes(const struct device *device, enum controller_register which, int64_t value)
{
    const struct device_register *at = mapped(&device->config, which);
    if (which == REGISTER_SILENCE)
        return value > 0 && value * 1000 / at->per_unit <= device->config.silence_ms;
    return value == at->expected;
}

static void keep_reading(struct device *device, enum controller_register which, int64_t value)
{
    static const char *const names[CONTROLLER_REGISTERS] = {
        [REGISTER_SILENCE] = "silence_check",   [REGISTER_UNIT] = "unit_check",
        [REGISTER_MODE] = "mode_check",         [REGISTER_MAXIMUM] = "maximum_check",
        [REGISTER_IDENTITY] = "identity_check",
    };
    char text[DEVICE_TEXT];
    struct bytes out;
    bytes_init(&out, text, sizeof text);
    bytes_text(&out, names[which]);
    bytes_text(&out, " reads ");
    bytes_int(&out, value);
    keep_said(device, (const uint8_t *)text, out.length);
}

static void take_check(struct device *device, int64_t value, int64_t t_ms)
{
    keep_reading(device, checks[device->next_check], value);
    if (!check_passes(device, checks[device->next_check], value)) {
        device->bad_frames++;
        device->step = IDLE;
        device->settled = true;
        return;
    }
    device->next_check++;
    check_next(device, t_ms);
}

static void take_extra(struct device *device, int64_t value)
{
    enum controller_register which = extras[device->next_extra];
    if (which == REGISTER_OUTPUT)
        take_output(device, mapped(&device->config, which), value);
    else if (which == REGISTER_RUN)
        take_run(device, value);
    else if (!check_passes(device, which, value))
        device->was_reset = true;
    if (which != REGISTER_OUTPUT || !device->output_unread) /* else it is read again */
        device->next_extra++;
}

/* It answers but does not do. What was to be written is due again; what was to be read ends the round. */
static void take_refusal(struct device *device, uint8_t exception, int64_t t_ms)
{
    enum step step = (enum step)device->step;
    device->exception = exception;
    device->bad_frames++;
    device->step = IDLE;
    if (step == WRITE_SET)
        device->set_differs = true;
    if (step == WRITE_RUN)
        device->run_differs = true;
    if (step == EXTRA)
        device->next_extra++;
    if (step == WRITE_SET || step == WRITE_RUN) {
        device->resync = false;
        go_on(device, t_ms);
        return;
    }
    device->settled = true;
}

static void take_words(struct device *device, const uint16_t *word, int64_t t_ms)
{
    static const enum controller_register read_at[] = {
        [READ] = REGISTER_READING, [READ_BACK] = REGISTER_SET_POINT_BACK};
    enum step step = (enum step)device->step;
    enum controller_register which = step == CHECK   ? checks[device->next_check]
                                     : step == EXTRA ? extras[device->next_extra]
                                                     : read_at[step];
    const struct device_register *at = mapped(&device->config, which);
    int64_t value = taken(&device->config.controller, at, word);
    if (step == CHECK) {
        take_check(device, value, t_ms);
        return;
    }
    if (step == READ)
        take_reading(device, at, value, t_ms);
    else if (step == READ_BACK)
        take_back(device, at, value);
    else
        take_extra(device, value);
    go_on(device, t_ms);
}

static void take_answer(struct device *device, const struct modbus_answer *answer, int64_t t_ms)
{
    enum step step = (enum step)device->step;
    if (step == LAST_WORDS) { /* the period is over with them */
        device->resync = false;
        device->step = IDLE;
        device->settled = true;
    } else if (answer->exception) {
        take_refusal(device, answer->exception, t_ms);
    } else if (step == WRITE_RUN || step == WRITE_SET) {
        device->resync = false;
        go_on(device, t_ms);
    } else {
        take_words(device, answer->word, t_ms);
    }
}

/* What fits no answer is stepped over byte by byte: noise or an echo may stand before it. True when the
 * answer came; a request goes out after it, so what follows it answers nothing. */
static bool take_inbox(struct device *device, int64_t t_ms, bool *clean)
{
    struct modbus_answer answer;
    size_t at = 0;
    int consumed = TL_BAD;
    while (at < device->inbox_length &&
           (consumed = modbus_decode(device->inbox + at, device->inbox_length - at,
                                     &device->request, &answer)) == TL_BAD)
        at++;
    device->inbox_length -= at;
    memmove(device->inbox, device->inbox + at, device->inbox_length);
    bool answered = consumed > 0;
    *clean = *clean && at == 0 && (!answered || (size_t)consumed == device->inbox_length);
    if (answered)
        take_answer(device, &answer, t_ms);
    return answered;
}

static void controller_feed(struct device *device, const uint8_t *bytes, size_t length,
                            int64_t t_ms)
{
    bool clean = true, answered = false;
    while (length > 0 && device->step != IDLE && !answered) {
        size_t room = sizeof device->inbox - device->inbox_length; /* answers are far shorter */
        size_t piece = length < room ? length : room;
        memcpy(device->inbox + device->inbox_length, bytes, piece);
        device->inbox_length += piece;
        answered = take_inbox(device, t_ms, &clean);
        bytes += piece;
        length -= piece;
    }
    if (answered)
        device->inbox_length = 0;
    device->bad_frames += !clean || length > 0;
}

static struct modbus_request off_request(const struct device_config *config)
{
    const struct controller_config *c = &config->controller;
    bool has_run = c->map[REGISTER_RUN].used;
    return write_request(config, has_run ? REGISTER_RUN : REGISTER_SET_POINT,
                         has_run ? c->run_off : count_of(config, c->off_mc));
}

static void controller_last_words(const struct device_config *config, struct bytes *out)
{
    struct frame frame;
    if (!config->controller.map[REGISTER_SET_POINT].used)
        return;
    struct modbus_request off = off_request(config);
    bytes_add(out, frame.bytes, modbus_encode(&off, &frame));
}

/* Whatever was being asked: its answer is not waited for any more. That it obeys is for the next round to prove. */
static void controller_off(struct device *device, int64_t t_ms)
{
    if (is_only_read(device))
        return;
    device->request = off_request(&device->config);
    device->told_on = device->run_confirmed = device->run_differs = false;
    device->set_confirmed = device->set_differs = false;
    if (!has(device, REGISTER_RUN)) {
        device->told_count = count_of(&device->config, device->config.controller.off_mc);
        device->told_ms = t_ms;
    }
    send(device, LAST_WORDS, t_ms);
}

const struct device_ops controller_ops = {.name = "modbus",
                                          .begin = controller_begin,
                                          .line = hear_nothing,
                                          .last_words = controller_last_words,
                                          .feed = controller_feed,
                                          .off = controller_off};
