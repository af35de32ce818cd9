/* SPDX-License-Identifier: MIT */
/* job - what a person knows of the work beside what the bench reads: alloys, photos, measurements, notes. */
#ifndef TINLATCH_CLI_JOB_H
#define TINLATCH_CLI_JOB_H

#include "cli_private.h"
#include "tinlatch/history.h"

/* Each photo gets its digest, the alloys are looked at as a pair, with those of a record that is added to (else NULL).
 * TL_FILE: a photo cannot be read. */
int job_prepare(struct cli *cli, const struct history *kept, struct tl_error *error);
/* The heat cycle that this run will be of its board, by the serial; a warning when it is beyond the common limit. */
void job_count_cycle(struct cli *cli, bool heats);
/* The rehearsal's curve, for the record of the run that follows. */
void job_add_forecast(struct options *options, const struct run *run);
/* When the places of its joint melted there. */
void job_add_melt_map(struct options *options, const struct run_heat *heat);
/* NULL: the options have no room for one more. */
struct recipe_job *job_add(struct options *options, const char *name);

#endif
