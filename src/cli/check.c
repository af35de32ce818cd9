/* SPDX-License-Identifier: MIT */
#include "cli_private.h"

enum outcome verb_check(struct cli *cli)
{
    return play(cli);
}
