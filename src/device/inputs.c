/* SPDX-License-Identifier: MIT */
/* Contacts on CTS, DSR and DCD. Stop is normally closed: an open contact, a cut wire and a line that cannot be
 * read all stop. Answer is normally open: closing it and letting go is a yes. */
#include "tinlatch/device.h"

#include "device_ops.h"

enum {
    PRESS_MS = 20,        /* a contact counts after that long */
    RELEASE_MS = 50,      /* and is let go after that long: a loose wire that flickers is pressed */
    UNSEEN_MS = 500,      /* not read for that long: pressed */
    LOOSE_MS = 100,       /* at rest neither way within that long */
    LOOSE_CHANGES = 3,    /* ... and seen to come and go: one that was only looked at late is not */
    HELD_MOST_MS = 10000, /* longer is no foot's press */
    /* A press wears off in that long; a start's questions are answered faster, ... */
    WEAR_MS = 5000,
    WEAR_MOST_MS = 100000, /* ... but not by more than twenty presses */
};

enum contact_event {
    CONTACT_SAME,
    CONTACT_PRESSED,
    CONTACT_LET_GO,
    CONTACT_FLICKERS,
    CONTACT_LOOSE
};

static void inputs_begin(struct device *device, int64_t t_ms)
{
    device->outbox.sets_lines = device->config.inputs.feeds;
    device->outbox.rts = device->outbox.dtr = device->config.inputs.feeds;
    device->identified = true;
    device->answered_ms = t_ms; /* what cannot be read counts as stop, not as silence */
    device->settled = true;
}

static void see_change(struct debounce *contact, bool level, int64_t t_ms)
{
    if (contact->changes == 0)
        contact->moved_ms = t_ms;
    contact->changes++;
    contact->level = level;
    contact->since_ms = t_ms;
}

static enum contact_event come_to_rest(struct debounce *contact, enum contact_event event)
{
    contact->down = contact->level;
    contact->changes = 0;
    return event;
}

/* `level`: it is down, as seen now. Until it has been so for long enough, it is as it was. */
static enum contact_event debounce_step(struct debounce *contact, bool level, int64_t t_ms)
{
    if (level != contact->level)
        see_change(contact, level, t_ms);
    if (contact->changes == 0)
        return CONTACT_SAME;
    int64_t for_ms = t_ms - contact->since_ms;
    if (level && !contact->down && for_ms >= PRESS_MS)
        return come_to_rest(contact, CONTACT_PRESSED);
    if (for_ms >= RELEASE_MS)
        return come_to_rest(contact, level == contact->down ? CONTACT_FLICKERS : CONTACT_LET_GO);
    if (contact->changes < LOOSE_CHANGES || t_ms - contact->moved_ms < LOOSE_MS)
        return CONTACT_SAME;
    contact->changes = 1;
    contact->moved_ms = t_ms;
    return CONTACT_LOOSE;
}

static bool contact_level(enum contact contact, bool cts, bool dsr, bool dcd)
{
    switch (contact) {
    case CONTACT_NONE:
        return false;
    case CONTACT_CTS:
        return cts;
    case CONTACT_DSR:
        return dsr;
    case CONTACT_DCD:
        return dcd;
    }
    return false;
}

static void stop_step(struct device *device, bool open, int64_t t_ms)
{
    struct device_inputs *inputs = &device->inputs;
    bool was_down = device->stop_contact.down;
    enum contact_event event = debounce_step(&device->stop_contact, open, t_ms);

    if (event == CONTACT_LOOSE)
        device->stop_contact.down = true; /* what does not stay closed is not closed */
    if (event == CONTACT_FLICKERS && !was_down)
        inputs->flickers++;
    inputs->stops += device->stop_contact.down && !was_down;
    inputs->stop = device->stop_contact.down;
}

/* One that comes and goes by itself says nothing of anybody any more, and not again in this run. */
static void wear(struct device *device, int64_t t_ms)
{
    int64_t left_ms = device->answer_wear_ms - (t_ms - device->answer_worn_ms);

    device->answer_wear_ms = (left_ms > 0 ? left_ms : 0) + WEAR_MS;
    device->answer_worn_ms = t_ms;
    device->inputs.answer_chatters |= device->answer_wear_ms > WEAR_MOST_MS;
}

/* A press is one when it is let go: what stays closed may be stuck. */
static void answer_step(struct device *device, bool closed, int64_t t_ms)
{
    struct device_inputs *inputs = &device->inputs;
    bool was_down = device->answer_contact.down;
    enum contact_event event = debounce_step(&device->answer_contact, closed, t_ms);
    bool held_long = was_down && t_ms - device->answer_down_ms > HELD_MOST_MS;

    inputs->answer_stuck = held_long && event != CONTACT_LET_GO;
    if (event == CONTACT_PRESSED)
        device->answer_down_ms = t_ms;
    if (event == CONTACT_LET_GO || event == CONTACT_LOOSE ||
        (event == CONTACT_FLICKERS && !was_down))
        wear(device, t_ms);
    if (event != CONTACT_LET_GO || held_long || inputs->answer_chatters)
        return;
    inputs->answers++;
    inputs->answer_ms = device->answer_down_ms;
}

/* Before it is first seen closed, stop stays pressed, but that is no press. */
void device_feed_lines(struct device *device, bool cts, bool dsr, bool dcd, int64_t t_ms)
{
    const struct inputs_config *config = &device->config.inputs;
    struct device_inputs *inputs = &device->inputs;
    if (device->config.kind != DEVICE_INPUTS)
        return;
    if (inputs->at_ms < 0)
        device->stop_contact = (struct debounce){.down = true, .level = true};
    inputs->at_ms = t_ms;
    if (config->stop != CONTACT_NONE)
        stop_step(device, !contact_level(config->stop, cts, dsr, dcd), t_ms);
    if (config->answer != CONTACT_NONE)
        answer_step(device, contact_level(config->answer, cts, dsr, dcd), t_ms);
}

void device_judge_lines(struct device *device, int64_t t_ms)
{
    struct device_inputs *inputs = &device->inputs;
    bool unseen = inputs->at_ms < 0 || t_ms - inputs->at_ms > UNSEEN_MS;
    if (device->config.kind != DEVICE_INPUTS || device->config.inputs.stop == CONTACT_NONE ||
        !unseen)
        return;
    inputs->stops += !inputs->stop;
    inputs->stop = true;
    device->stop_contact = (struct debounce){.down = true, .level = true};
}

const struct device_ops inputs_ops = {.name = "inputs",
                                      .begin = inputs_begin,
                                      .line = hear_nothing,
                                      .last_words = say_nothing,
                                      .mute = true};
