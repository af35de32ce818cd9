/* SPDX-License-Identifier: MIT */
/* serial - real ports through libserialport; linked by tinlatch-guard alone.
 *
 * Ownership  a port owns its descriptor and its lock; port_close gives both back.
 * Never      toggles a control line it was not told to; opens a port that somebody else holds.
 * Fails      TL_DEVICE with the sentence: what is there, whether you may open it, who holds it, and the one command
 *            that mends it.
 * Units      baud. */
#ifndef TINLATCH_SERIAL_H
#define TINLATCH_SERIAL_H

#include <stdio.h>

#include "tinlatch/err.h"
#include "tinlatch/port.h"

/* Open `path` at `baud`, 8N1 (parity: 'N', 'E', 'O'), lock it. A pseudo-terminal or socket goes through the
 * bare-descriptor backend. HUPCL is set, so that RTS and DTR drop when the last holder dies. */
int serial_open(const char *path, int baud, char parity, struct port **out, struct tl_error *error);

/* One entry per serial port of the machine. */
struct serial_entry {
    char path[128], by_id[256], description[128], owner[32], group[32];
    bool may_open;      /* this user, now */
    int holder;         /* process that holds our lock, 0 = none */
    char holder_name[64];
    char mend[160];     /* the one command that makes it usable; "" = nothing to mend */
};
int serial_list(struct serial_entry *entries, int most);

/* The lock of a port: a file in a runtime directory, held by an open descriptor. TL_DEVICE names the holder. */
int serial_lock(const char *path, int *lock_fd, struct tl_error *error);

#endif
