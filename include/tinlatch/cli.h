/* SPDX-License-Identifier: MIT */
/* cli - the command line: verbs and options, the files they name, what is printed, the exit status.
 *
 * Ownership  argv and the streams stay the caller's.
 * Never      opens a port, or prints anything but one JSON object to `out` under --json.
 * Fails      it cannot: whatever goes wrong is told on `err` (and in the object) and is the status.
 * Units      as the options say. */
#ifndef TINLATCH_CLI_H
#define TINLATCH_CLI_H

#include <stdio.h>

/* Returns the exit status, an enum outcome. */
int cli_run(int argc, char *const argv[], FILE *out, FILE *err);

#endif
