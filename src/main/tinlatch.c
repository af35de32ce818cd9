/* SPDX-License-Identifier: MIT */
#include "streams.h"

#include <stdio.h>

#include "tinlatch/cli.h"

int main(int argc, char *argv[])
{
    occupy_streams();
    settle_signals();
    /* Large enough for any report: then the one write that fails is where its reason is known. */
    setvbuf(stdout, NULL, _IOFBF, 1 << 18);
    return cli_run(argc, argv, stdout, stderr);
}
