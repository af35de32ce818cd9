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

#include <stdbool.h>
#include <stddef.h>

#include "tinlatch/err.h"
#include "tinlatch/port.h"

/* Open `path` at `baud`, 8 data bits, 1 stop bit (parity: 'N', 'E', 'O'), lock it. A pseudo-terminal or socket
 * goes through the bare-descriptor backend. HUPCL is set, so that RTS and DTR drop when the last holder dies:
 * a process that keeps a copy of the descriptor keeps the lines up. The kernel raises both lines when a port is
 * opened and nobody had it open; they stay so until the caller sets them. */
int serial_open(const char *path, int baud, char parity, struct port **out, struct tl_error *error);

/* One entry per serial port of the machine. */
struct serial_entry {
    char path[128], by_id[256], description[128], owner[32], group[32];
    bool may_open;      /* this user, now: it is allowed and nobody holds it */
    int holder;         /* process that holds our lock, or has it open; 0 = none, -1 = not known which */
    char holder_name[64];
    char mend[160];     /* the one command (or, of a run of ours, the advice) that makes it usable; "" = nothing to mend */
};
/* Returns how many there are, at most `most`; 0: none. Opens none of them: that alone would raise its lines. */
int serial_list(struct serial_entry *entries, int most);
/* The same below another root directory than "" (the machine's own): `root`/sys, `root`/dev. */
int serial_list_below(const char *root, struct serial_entry *entries, int most);

/* Is it a name that the kernel gives anew at each plugging in? */
bool serial_name_changes(const char *path);
/* Then `text` says so, and which name stays; else false. */
bool serial_doubt_name(const char *path, char *text, size_t size);
bool serial_doubt_name_below(const char *root, const char *path, char *text, size_t size); /* as above */

/* The lock of a port: a file in a directory that all users of the machine share, held by an open descriptor and
 * its copies. TL_DEVICE names the holder. */
int serial_lock(const char *path, int *lock_fd, struct tl_error *error);
/* Remove the file and close the descriptor; the lock goes with its last copy. */
void serial_unlock(const char *path, int lock_fd);
/* Who holds the lock of the device behind `path`: its process and name; 0: nobody; -1: not known who. */
int serial_holder(const char *path, char *name, size_t size);

#endif
