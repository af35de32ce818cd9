/* SPDX-License-Identifier: MIT */
/* Contacts on CTS, DSR and DCD. Stop is normally closed: an open contact, a cut wire and a line that cannot be
 * read all stop. Answer is normally open: closing it is a yes. */
#include "tinlatch/device.h"

#include "device_ops.h"

enum {
    PRESS_MS = 20,   /* a contact counts after that long */
    RELEASE_MS = 50, /* and is let go after that long: a loose wire that flickers is pressed */
    UNSEEN_MS = 500, /* not read for that long: pressed */
};

static void inputs_begin(struct device *device, int64_t t_ms)
{
    device->outbox.sets_lines = device->config.inputs.feeds;
    device->outbox.rts = device->outbox.dtr = device->config.inputs.feeds;
    device->identified = true;
    device->answered_ms = t_ms; /* what cannot be read counts as stop, not as silence */
    device->settled = true;
}

/* True in the step in which the contact becomes down. */
static bool debounce_step(struct debounce *contact, bool down, int64_t t_ms)
{
    if (down == contact->down) {
        contact->changing = false;
        return false;
    }
    if (!contact->changing) {
        contact->changing = true;
        contact->since_ms = t_ms;
    }
    if (t_ms - contact->since_ms < (down ? PRESS_MS : RELEASE_MS))
        return false;
    contact->down = down;
    contact->changing = false;
    return down;
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

/* Before it is first seen closed, stop stays pressed, but that is no press. */
void device_feed_lines(struct device *device, bool cts, bool dsr, bool dcd, int64_t t_ms)
{
    const struct inputs_config *config = &device->config.inputs;
    struct device_inputs *inputs = &device->inputs;
    if (device->config.kind != DEVICE_INPUTS)
        return;
    if (inputs->at_ms < 0)
        device->stop_contact.down = true;
    inputs->at_ms = t_ms;
    if (config->stop != CONTACT_NONE) {
        bool open = !contact_level(config->stop, cts, dsr, dcd);
        inputs->stops += debounce_step(&device->stop_contact, open, t_ms);
        inputs->stop = device->stop_contact.down;
    }
    if (config->answer != CONTACT_NONE)
        inputs->answers += debounce_step(&device->answer_contact,
                                         contact_level(config->answer, cts, dsr, dcd), t_ms);
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
    device->stop_contact = (struct debounce){.down = true};
}

const struct device_ops inputs_ops = {.name = "inputs",
                                      .begin = inputs_begin,
                                      .line = hear_nothing,
                                      .last_words = say_nothing,
                                      .mute = true};
