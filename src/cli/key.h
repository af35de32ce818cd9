/* SPDX-License-Identifier: MIT */
#ifndef TINLATCH_CLI_KEY_H
#define TINLATCH_CLI_KEY_H

#include "cli_private.h"
#include "tinlatch/shelf.h"

/* The secret key that --key names, or the only one; asks for its passphrase. sign_forget it. */
int key_open(struct cli *cli, struct sign_secret *secret, struct tl_error *error);

/* TL_USAGE, with what to do. */
int key_missing(const struct ring *own, const char *name, struct tl_error *error);

#endif
