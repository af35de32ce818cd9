/* SPDX-License-Identifier: MIT */
/* fake_supply - an SCPI supply in the place of a fake line instrument: answers at once, remembers what it was told. */
#ifndef TINLATCH_TESTS_FAKE_SUPPLY_H
#define TINLATCH_TESTS_FAKE_SUPPLY_H

#include <math.h>

#include "fake_line.h"

struct fake_supply {
    struct fake_line line; /* first: the port hands it back */
    int mv, ma, load_ma;   /* load_ma: what it would feed if nothing held it back */
    bool on;
};

static void fake_supply_say(struct fake_supply *fake, const char *text)
{
    struct fake_line *line = &fake->line;
    int n =
        snprintf(line->out + line->out_length, sizeof line->out - line->out_length, "%s\n", text);
    line->out_length += (size_t)n;
}

static void fake_supply_tell(struct fake_supply *fake, int milli)
{
    char text[32];
    snprintf(text, sizeof text, "%.3f", milli / 1e3);
    fake_supply_say(fake, text);
}

static void fake_supply_hear(struct fake_line *line, const char *said)
{
    struct fake_supply *fake = (struct fake_supply *)line;
    double value;
    if (sscanf(said, "VOLT %lf", &value) == 1)
        fake->mv = (int)lround(value * 1000);
    else if (sscanf(said, "CURR %lf", &value) == 1)
        fake->ma = (int)lround(value * 1000);
    else if (strcmp(said, "OUTP ON") == 0)
        fake->on = true;
    else if (strcmp(said, "OUTP OFF") == 0)
        fake->on = false;
    else if (strcmp(said, "*IDN?") == 0)
        fake_supply_say(fake, "maker,BENCHSUPPLY,1,1");
    else if (strcmp(said, "SYST:ERR?") == 0)
        fake_supply_say(fake, "0,\"No error\"");
    else if (strcmp(said, "OUTP?") == 0)
        fake_supply_say(fake, fake->on ? "1" : "0");
    else if (strcmp(said, "VOLT?") == 0)
        fake_supply_tell(fake, fake->mv);
    else if (strcmp(said, "CURR?") == 0)
        fake_supply_tell(fake, fake->ma);
    else if (strcmp(said, "MEAS:VOLT?") == 0)
        fake_supply_tell(fake, fake->on ? fake->mv : 0);
    else if (strcmp(said, "MEAS:CURR?") == 0)
        fake_supply_tell(fake, !fake->on ? 0 : fake->load_ma < fake->ma ? fake->load_ma : fake->ma);
}

static inline void fake_supply_init(struct fake_supply *fake)
{
    *fake = (struct fake_supply){.load_ma = 100};
    fake_line_init(&fake->line);
    fake->line.hear = fake_supply_hear;
}

#endif
