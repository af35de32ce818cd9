#!/bin/bash
# SPDX-License-Identifier: MIT
# tinlatch-guard reads a bench file as the live program will, and opens nothing.
. "$TOP/tests/support/scenario.sh"
demo=$TOP/recipes/benches/demo.ini

run 0 tinlatch-guard --bench "$demo"
out_has "$demo:"
out_has "OUTP OFF"
out_has "no port was opened"
run 0 tinlatch-guard --bench "$TOP/tests/data/quick-hand.ini"
out_has "by-hand      no port"
out_has "none: its line drops"
run 0 tinlatch-guard "--bench=$demo"
run 0 tinlatch-guard --help
run 0 tinlatch-guard --version
for arguments in "" "--bench" "$demo" "--bench $demo extra" "--bnech $demo" "--bench="; do
    run 2 tinlatch-guard $arguments
    err_has "expected --bench FILE"
done
run 2 tinlatch-guard --bench no-such.ini
err_has "No such file"
run 2 tinlatch-guard --bench "$box"
err_has "directory"
mkfifo pipe
run 2 tinlatch-guard --bench pipe
err_has "not a regular file"
run 2 tinlatch-guard --bench /dev/zero
head -c 4096 /dev/urandom >noise.ini
run 2 tinlatch-guard --bench noise.ini
: >empty.ini
run 2 tinlatch-guard --bench empty.ini
run 2 bash -c '"$1" --bench "$2" >/dev/full' - "$GUARD" "$demo"
err_has "standard output cannot be written"
# A reader that leaves early is no crash: how much was written by then decides between 0 and 2.
run 0 bash -c '"$1" --bench "$2" | head -n 1; [ "${PIPESTATUS[0]}" -le 2 ]' - "$GUARD" "$demo"

# Neither program has in it what the other is for.
expect "tinlatch-guard links Lua" bash -c '! nm "$1" 2>/dev/null | grep -q luaL_' - "$GUARD"
expect "tinlatch-guard has the simulator" bash -c '! nm "$1" 2>/dev/null | grep -q world_advance' - "$GUARD"
finish
