#!/bin/bash
# SPDX-License-Identifier: MIT
# `tinlatch run` and `tinlatch clear` with a stand-in for the guard (FAKE_GUARD, see
# tests/support/fake_guard.c): processes, answers, statuses, the latch. No terminal, so lines.
. "$TOP/tests/support/scenario.sh"
: "${FAKE_GUARD:?the built stand-in}"

mkdir -p there/bin there/share
cp "$TINLATCH" there/bin/tinlatch && cp "$FAKE_GUARD" there/bin/tinlatch-guard
ln -s "$TOP" there/share/tinlatch
REAL=$TINLATCH TINLATCH=$box/there/bin/tinlatch
bench=$TOP/recipes/benches/demo.ini
export FAKE_SPEED=50 FAKE_LOG=$box/log

# A short recipe that asks, heats and ends.
recipe short <<'LUA'
return recipe { api = 1, title = "short", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "80 C", heat_time = "5 min" },
  steps = function()
    stage "Warm"
    tell "\195\164 first text"
    board.place { "Board in?", timeout = "10 min" }
    plate.ramp { to = "60 C", timeout = "5 min" }
    record("asked", ask { "How many?", unit = "C", suggest = "7 C", timeout = "10 min" })
    plate.off()
  end }
LUA

under=() # what starts the program
# play STATUS ANSWERS...: a run whose every open prompt gets the next answer. "-" sends nothing.
play() {
    local expected=$1
    shift
    local answers=("$@") next=0
    rm -f log
    command_line="run short.lua (${answers[*]})"
    mkfifo in 2>/dev/null
    "${under[@]}" "$TINLATCH" run "${RECIPE:-short.lua}" --bench "$bench" ${JSON:+--json} <in >"$out" 2>"$err" &
    local pid=$! seen=0
    exec 3>in
    local spoken=$out
    [ -n "${JSON:-}" ] && spoken=$err
    for _ in $(seq 600); do
        kill -0 "$pid" 2>/dev/null || break
        local open
        open=$(grep -c ' open ' "$spoken")
        if [ "$open" -gt "$seen" ]; then
            seen=$open
            local say=${answers[next]--}
            next=$((next + 1))
            case $say in
            -) ;;
            KILL-*) kill "-${say#KILL-}" "$pid" ;;
            *) (trap '' PIPE && printf '%b\n' "$say" >&3) 2>/dev/null ;; # it may be gone by now
            esac
        fi
        sleep 0.05
    done
    exec 3>&-
    wait "$pid"
    status=$?
    checks=$((checks + 1))
    [ "$status" = "$expected" ] || wrong "expected status $expected"
    if grep -qE 'Sanitizer|runtime error:|Assertion' "$err"; then wrong "a sanitizer or an assertion spoke"; fi
}
log_has() { checks=$((checks + 1)); grep -qE -- "$1" log || { wrong "expected in what the front sent: $1"; cat log; }; }
none_left() {
    local tries=50 # a sanitizer looks for leaks before it lets a process end
    checks=$((checks + 1))
    while ((tries-- > 0)) && pgrep -f "$box/there/bin" >/dev/null; do sleep 0.1; done
    ((tries >= 0)) || wrong "a process was left running"
}

# Done: the guard's check first, every answer arrives, the record is kept.
play 0 yes yes 42
out_has "# " && out_has "Is the plate empty?"
out_has "limits plate 80 C (recipe)"
out_has "? first text"
out_has "# end    done"
log_has 'answer 1 .*presence 1'
log_has 'answer 3 value 42 text 42'
expect "no record was kept" test -s "$(sed -n 's/^# record //p' "$out")"
none_left

# The same as one object.
JSON=1 play 0 yes yes ""
json '.outcome == "done" and .error == null and .board == "hx210" and .peak.plate_true_c == null
      and .peak.plate_read_c > 55 and (.stages | map(.name)) == ["Warm"]'

# Stopped by a line, by signals; a no; a nudge and a park on the way.
play 6 yes stop
log_has 'stops 1 '
out_has "hands  Heat is off."
for signal in INT TERM HUP; do
    play 6 yes "KILL-$signal"
    log_has 'stops 1 '
    log_has '^end mode ended' # it stayed until the bench was safe
done
play 1 yes no
out_has "it was answered with no"
err_has "short.lua:"
play 6 yes '+\n>\npark\nnonsense\nstop' # an act is no answer: the prompt stays open
log_has 'nudge 2000 30000 .*parks 1 '
out_has "not understood"

# Tripped: hands first, then cause, act and look.
FAKE_PLAY=trip FAKE_AT=2 play 3 yes -
expect "not in their order" [ "$(sed -nE 's/^# +[0-9:]+ (hands|fault|act|look) .*/\1/p' "$out" | tr '\n' ' ')" = "hands fault act look " ]
out_has "# end    tripped; before the next run: tinlatch clear"
none_left

# The guard refuses, dies, cannot be started.
FAKE_PLAY=refuse play 4
out_has "the seat test was refused"
FAKE_PLAY=status play 5
err_has "held by another program?[2J"
out_has "did not start: nothing was switched on"
FAKE_PLAY=die FAKE_AT=1 play 3 yes
out_has "ended without a word"
none_left
under=(env --ignore-signal=CHLD --block-signal=INT) # a parent that has left its signals so
FAKE_PLAY=die FAKE_AT=1 play 3 yes
play 6 yes KILL-INT
under=()
mv there/bin/tinlatch-guard there/elsewhere
run 2 tinlatch run short.lua --bench "$bench"
err_has "tinlatch-guard is neither here nor in ../libexec"
mkdir there/libexec && cp there/elsewhere there/libexec/tinlatch-guard
play 0 yes yes 1
rm -r there/libexec && mv there/elsewhere there/bin/tinlatch-guard

# A recipe that is wrong, dies of memory, spins.
steps broken <<<'plate.ramp { to = "60" }'
RECIPE=broken.lua play 1 yes
err_has "broken.lua:3:"
echo 'return recipe { api = 1, titel = "t" }' >header.lua
RECIPE=header.lua play 2
err_has "titel"
steps memory <<'LUA'
if ask { "How many?", timeout = "1 min" } ~= "" then
  local t = {} while true do t[#t + 1] = ("x"):rep(1000000) .. #t end
end
LUA
RECIPE=memory.lua play 1 yes 7 # a rehearsal types nothing
[ "${KIND:-}" = dev ] || err_has "64 MiB" # so slow under sanitizers that its CPU time may be over first
err_has "memory.lua:4"
none_left

# Rehearsed whole before anything is asked: a slip at the end of the recipe is told at its line, and no guard is started.
late() {
    steps late <<LUA
local lines = {}
board.place { "Board in?", timeout = "2 min" }
plate.ramp { to = "60 C", timeout = "4 min" }
$1
LUA
    RECIPE=late.lua play "${@:2}"
}
nothing_asked() {
    checks=$((checks + 1))
    if [ -e log ] || grep -q 'limits' "$out"; then wrong "a guard was started for a slip"; fi
}
slips() { # text of the step, what is told of it
    late "$1" 1
    err_has "late.lua:6: "
    err_has "$2"
    nothing_asked
}
slips 'wait_for_melt { joint = "fraem", timeout = "4 min" }' 'no joint "fraem"'
slips 'local n = lines.first.length' 'index a nil value'
slips 'require("profile").run { { stge = "x", to = "70 C", timeout = "1 min" } }' 'stge'
slips 'plate.ramp { to = "170", timeout = "4 min" }' 'unit'
slips 'error "always"' 'always'

# What proves nothing is told in one line, and the run goes on to its questions.
doubts() { # text of the step, of the line
    late "$1" 6 stop
    expect "no such warning: $2" grep -qE "^# .* warn +the rehearsal on this bench ended as $2" "$out"
    out_has "Is the plate empty"
}
doubts 'if confirm { "Well?", timeout = "1 min" } then error "not well" end' 'failed, not as done: .*late.lua:6: not well'
doubts 'plate.ramp { to = ask { "To?", timeout = "1 min" }, timeout = "4 min" }' 'failed, .*is empty'
doubts 'wait_for_melt { joint = "frame", timeout = "5 s" }' 'failed, .*late.lua:6: wait_for_melt: after 5 s'
doubts 'while true do wait "10 s" end' 'tripped, .*heat-time-over'

# No bench, no run; nor without a record.
run 4 tinlatch run short.lua
err_has "a run never takes the demo bench"
err_has "/bench.ini" # where it would be found
run 4 tinlatch run short.lua --json
json '.outcome == "refused"'
run 2 tinlatch run short.lua --bench nowhere.ini
touch not-a-directory
run 4 env TINLATCH_HOME="$box/not-a-directory" "$TINLATCH" run short.lua --bench "$bench"
mkdir -p here
run 4 env TINLATCH_HOME=here "$TINLATCH" run short.lua --bench "$bench"
err_has "expected a path that begins with /"

# The latch: shown, cleared with a reason that is kept, then free.
run 0 tinlatch clear
out_has "nothing is latched"
cat >"$TINLATCH_HOME/latch" <<'LATCH'
{"rule":"sensor-open","what":"the plate's thermocouple is open","act":"leave it","look":"at its plug","recipe":"short.lua","bench":"demo","wall_s":1764000000}
LATCH
run 4 tinlatch run short.lua --bench "$bench"
err_has "sensor-open"
err_has "the plate's thermocouple is open"
err_has "tinlatch clear"
run 4 tinlatch clear
out_has "the plate's thermocouple is open"
err_has "tinlatch clear --reason TEXT"
run 2 tinlatch clear --reason 99
expect "a refused reason took the latch" test -e "$TINLATCH_HOME/latch"
exec 9>"$TINLATCH_HOME/alive" && flock -s 9 && echo $$ >&9
run 4 tinlatch clear --reason 1
err_has "a run is going on (pid $$)"
out_has "the plate's thermocouple is open" # shown all the same
true & # gone by the time its number is read
wait $! && echo $! >"$TINLATCH_HOME/alive"
run 4 tinlatch clear --reason 1
err_has "gone: its guard stays until all is off and cool, or its instruments"
exec 9>&-
mv "$TINLATCH_HOME/alive" was && mkdir "$TINLATCH_HOME/alive" # as good as another account's
run 4 tinlatch clear --reason 1
err_has "alive: cannot be opened: Is a directory"
run 4 tinlatch run short.lua --bench "$bench"
err_has "alive: cannot be opened: Is a directory"
rmdir "$TINLATCH_HOME/alive" && mv was "$TINLATCH_HOME/alive"
mkfifo reason
script -qec "$TINLATCH clear" /dev/null <reason >shown 2>&1 &
exec 8>reason
for _ in $(seq 100); do grep -q "What was it" shown && break; sleep 0.1; done
expect "a run could begin while clear waits for its reason" test "$(flock -n -s "$TINLATCH_HOME/alive" true || echo held)" = held
expect "who clears does not stand in the lock" kill -0 "$(cat "$TINLATCH_HOME/alive")"
exec 8>&-
wait
run 0 tinlatch clear --reason 'plug was loose, "replaced"'
out_has 'cleared: plug was loose'
out=$TINLATCH_HOME/runs/clearings.jsonl json '.kind == "clearing" and .rule == "sensor-open" and .reason == "plug was loose, \"replaced\""'
expect "the latch stayed" test ! -e "$TINLATCH_HOME/latch"
echo garbage >"$TINLATCH_HOME/latch"
run 4 tinlatch run short.lua --bench "$bench"
run 0 tinlatch clear --reason 6

# What a living run has armed latches nothing; what a dead one left does.
crash='{"rule":"crash","what":"it ended without saying so","act":"","look":"","recipe":"a.lua","bench":"demo","wall_s":1}'
echo "$crash" >"$TINLATCH_HOME/latch.armed-77"
exec 7<"$TINLATCH_HOME/latch.armed-77" && flock 7
run 0 tinlatch clear
out_has "nothing is latched"
play 0 yes yes 1
exec 7<&-
run 4 tinlatch run short.lua --bench "$bench"
err_has "a trip is latched: crash: it ended without saying so"
echo "$crash" | sed 's/a.lua/b.lua/' >"$TINLATCH_HOME/latch.armed-9"
run 0 tinlatch clear --reason 5
out_has "a.lua"
out_has "b.lua"
expect "not all was cleared" test -z "$(ls "$TINLATCH_HOME" | grep latch)"
finish
