#!/bin/bash
# SPDX-License-Identifier: MIT
# What others do to a rehearsal's process: told as what it was, and the record has its end.
. "$TOP/tests/support/scenario.sh"

steps spin <<'LUA'
plate.ramp { to = "100 C", timeout = "5 min" }
while true do end
LUA

# hit SIGNAL CPU: a rehearsal whose child gets SIGNAL once it is at work.
hit() {
    command_line="rehearse spin.lua --cpu $2, then kill -$1 its child"
    "$TINLATCH" rehearse spin.lua --cpu "$2" --json >"$out" 2>"$err" </dev/null &
    local parent=$! child="" record=""
    for _ in $(seq 200); do
        sleep 0.05
        read -r child _ <"/proc/$parent/task/$parent/children"
        record=$(ls -t "$TINLATCH_HOME"/rehearsals/*.jsonl 2>/dev/null | head -n 1)
        # the record is written in large pieces: its first is there once the script has long begun
        if [ -n "$child" ] && [ -s "$record" ]; then break; fi
    done
    kill -"$1" "$child"
    wait "$parent"
    status=$?
    expect "status 1" [ "$status" = 1 ]
    # JSON lines to the last, and the last is the end
    expect "the record is not closed" jq -es '.[-1].kind == "end" and .[-1].outcome == "failed" and .[-1].t_ms > 0' "$record" >/dev/null
    rm -f "$record"
}

hit KILL 60
json '.outcome == "failed" and (.error.text | contains("killed from outside (signal 9)"))'
err_lacks "processor time"
hit TERM 60
json '.error.text | contains("killed from outside (signal 15)")'
hit STOP 1
json '.error.text | contains("it stood still for 3 s and was killed")'
json '.wall_s < 20'
hit INT 2 # the terminal's: the parent answers it
json '.error.text | contains("CPU time")'
err_lacks "forbidden"

# A signal to the parent ends the child and closes the record.
for signal in INT TERM HUP; do
    command_line="rehearse spin.lua, then kill -$signal"
    timeout --foreground -s "$signal" -k 10 1 "$TINLATCH" rehearse spin.lua --cpu 60 --json >"$out" 2>"$err"
    json '.outcome == "stopped" and .error.text == "stopped by a signal; nothing was heated"'
    expect "the record is not closed" jq -es '.[-1].kind == "end" and .[-1].outcome == "stopped"' "$(jq -r .run "$out")" >/dev/null
done
setsid "$TINLATCH" rehearse spin.lua --cpu 60 >"$out" 2>"$err" </dev/null &
parent=$!
sleep 1
kill -TERM "$parent"
wait "$parent"
status=$?
expect "a signal's own status" [ "$status" = 6 ]
err_has "stopped by a signal"
finish
