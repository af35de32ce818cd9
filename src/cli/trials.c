/* SPDX-License-Identifier: MIT */
#include "cli_private.h"

enum outcome verb_trials(struct cli *cli)
{
    return play_many(cli);
}
