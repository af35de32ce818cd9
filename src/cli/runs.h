/* SPDX-License-Identifier: MIT */
/* What the parts of `tinlatch runs` share. */
#ifndef TINLATCH_CLI_RUNS_H
#define TINLATCH_CLI_RUNS_H

#include "records.h"

enum outcome runs_export(struct cli *cli);
enum outcome runs_add(struct cli *cli);

#endif
