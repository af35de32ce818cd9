/* SPDX-License-Identifier: MIT */
#ifndef TINLATCH_CLI_PASSPHRASE_H
#define TINLATCH_CLI_PASSPHRASE_H

#include <stdio.h>

#include "tinlatch/sign.h"

/* The prompt goes to `err`. TL_MISSING: none came; TL_RANGE: too long. */
int passphrase_read(FILE *err, const char *prompt, char out[SIGN_PASSPHRASE],
                    struct tl_error *error);

#endif
