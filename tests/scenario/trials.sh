#!/bin/bash
# SPDX-License-Identifier: MIT
# Many draws: the same on any number of jobs, and each draw that fails is played again by the command that it is told with.
. "$TOP/tests/support/scenario.sh"
split=$TOP/recipes/stack-split.lua
single=$TOP/recipes/benches/single.ini

# Nothing fails: said in the words, with what is not covered.
run 0 tinlatch trials "$split" --draws 12 --out "$box/picture"
out_has "no failure in 12 draws supports 77 % safe with 95 % confidence"
out_has "Not covered"
out_has "coarse"
out_has "frame: last place molten"
svg_valid "$box/picture/trials.svg"
expect "the picture does not say what was drawn" grep -q "12 draws within the tolerances" "$box/picture/trials.svg"
run "0|1" tinlatch trials "$split" --draws 4 --faults --out "$box/picture"
expect "the picture hides that faults were drawn" grep -q "4 draws with faults" "$box/picture/trials.svg"
expect "the table stands alone" [ "$(sed -n 3p "$out")" = "" -a -n "$(sed -n 4p "$out")" ]

# Any number of jobs, byte for byte; another seed, another result.
for jobs in 1 2 3; do
    run 0 tinlatch trials "$split" --draws 12 --jobs $jobs --json
    json '.draws == 12 and .failed == 0 and .outcomes == {"done": 12} and (.spread | length) > 4'
    cp "$out" "$box/jobs-$jobs"
    run "0|1" tinlatch trials "$split" --bench "$single" --faults --draws 24 -j $jobs --json
    cp "$out" "$box/faults-$jobs"
done
checks=$((checks + 1))
cmp "$box/jobs-1" "$box/jobs-2" && cmp "$box/jobs-1" "$box/jobs-3" || wrong "jobs change the draws"
cmp "$box/faults-1" "$box/faults-2" && cmp "$box/faults-1" "$box/faults-3" || wrong "jobs change the faults"
run 0 tinlatch trials "$split" --draws 12 --seed 2 --json
checks=$((checks + 1))
! cmp -s "$box/jobs-1" "$out" || wrong "the seed changes nothing"

# wait_for_melt goes by the cautious bound and a steady time: in none of these draws was it sooner than the last place.
soonest='[.spread[] | select(.name == "frame: taken, after its last") | .least] | length == 1 and .[0] >= 0'
expect "nothing is taken for molten too soon" jq -e "$soonest" "$box/jobs-1"
run 0 tinlatch trials "$TOP/recipes/stack-split-hx230.lua" --draws 24 --json
json "$soonest"

# How long the lift window was open: longer than it took to take the joint for molten.
expect "the lift window has no spread" jq -e '[.spread[] | select(.name == "frame: lift window" or .name == "frame: taken, after its last") | .median] | length == 2 and .[1] > .[0] and .[0] > 0' "$box/jobs-1"

# A recipe that comes to its end and spoils a part is no success.
sed 's/\(name = "U5".*max = "\)[0-9]* C"/\1140 C"/' "$TOP/recipes/boards/hx210.lua" >hot.lua
expect "the part's limit was changed" grep -q '140 C' hot.lua
run 1 tinlatch trials "$split" --board hot.lua --draws 4 --json
json '.failed == 4 and .outcome == "failed" and (.failures[0].text | test("^U5 body: 1[56][0-9.]+ C, and it bears 140 C$"))'

# A draw that fails: its command plays it again, with the same end. A bench whose words need quotes.
cp "$split" "it's mine.lua"
sed -i 's/steady = "8 s", timeout = "4 min"/steady = "8 s", timeout = "110 s"/; s/melt = { "172 C"/melt = { "168 C"/' "it's mine.lua"
run "0|1" tinlatch trials "it's mine.lua" --board "$TOP/recipes/boards/hx210.lua" --set melt="165 C" --draws 30 --json
json '.failed > 0 and (.failures | length) == .failed and .safe_share == null'
json '.outcome == .failures[0].outcome'
trials=$(cat "$out")
for i in 0 1; do
    replay=$(jq -r ".failures[$i].command // empty" <<<"$trials")
    [ -n "$replay" ] || continue
    eval "set -- $replay"
    run 1 "$@" --json
    json ".outcome == $(jq ".failures[$i].outcome" <<<"$trials")"
    json ".error.text == $(jq ".failures[$i].text" <<<"$trials")"
done

# So does a draw that trips, its fault and the instant of that included.
sed 's/plate = "190 C"/plate = "172.5 C"/; s/max = "180 C"/max = "172 C"/' "$split" >tight.lua
cp -r "$TOP/recipes/boards" .
run 1 tinlatch trials tight.lua --faults --draws 16 --json
json '[.failures[] | select(.verdict == "false trip" and (.command | test("--fault")))] | length > 0'
trials=$(cat "$out")
for ((i = 0; i < $(jq '.failures | length' <<<"$trials"); i++)); do
    eval "set -- $(jq -r ".failures[$i].command" <<<"$trials")"
    run 3 "$@" --json
    json ".trip | [.rule, .text] == $(jq -c ".failures[$i] | [.rule, .text]" <<<"$trials")"
done

# Before its run has begun nothing is drawn: the start's questions are for that.
run 0 tinlatch trials "$TOP/recipes/part-off.lua" --bench "$single" --faults --seed 417573 --draws 2 --json
json '.outcomes == {"done": 1, "stopped": 1}'

# A draw of two faults is told with both, and so played again.
run 1 tinlatch trials tight.lua --pairs --draws 16 --json
trials=$(cat "$out")
replay=$(jq -r '[.failures[] | select(.command | test("--fault .*--fault"))][0].command' <<<"$trials")
eval "set -- $replay"
run 3 "$@" --json
json ".trip.rule == $(jq '[.failures[] | select(.command | test("--fault .*--fault"))][0].rule' <<<"$trials")"

# What cannot be rehearsed at all is told as of one rehearsal.
run 2 tinlatch trials "$split" --set melt="999 C"
err_has "melt"
run 2 tinlatch trials "$split" --draws 0
err_has "from 1 to 100000"
finish
