#!/bin/bash
# SPDX-License-Identifier: MIT
# Every shipped recipe passes a check and a rehearsal on both shipped benches that can run it, and
# leaves a whole record.
. "$TOP/tests/support/scenario.sh"

for recipe in "$TOP"/recipes/*.lua; do
    run 0 tinlatch check "$recipe"
    run 0 tinlatch rehearse "$recipe"
    run 0 tinlatch rehearse "$recipe" --json
    json '.outcome == "done" and .trip == null and .error == null and .duration_s > 0'
    json '[.margins[] | select(.worst != null) | .value - .worst] | all(. >= 0)'
    record_whole
done

# Other seeds draw other boards; the shipped recipes must stand them, with and without a sensor on the board.
seeds=60
if [ "${KIND:-}" = dev ]; then seeds=10; fi # sanitizers take their time
for recipe in stack-split stack-split-hx230 stack-join part-off reball; do
    for bench in demo single; do
        for seed in $(seq $seeds); do
            run 0 tinlatch rehearse "$TOP/recipes/$recipe.lua" --bench "$TOP/recipes/benches/$bench.ini" --seed "$seed"
        done
    done
done

# Parts against what they bear, by the simulated world: one that gets hotter, one that stays near it for too long, one
# that is told by its size alone.
run 0 tinlatch rehearse "$TOP/recipes/stack-split.lua" --json
json '[.margins[] | select(.limit == "C14 class" and .value == 260 and .worst < 180)] | length == 1'
peak=$(jq '.parts[] | select(.part == "U5") | .peak_c' "$out")
for more in -3 3; do
    sed "/\"U5\"/s/240 C/$(jq -n "$peak + $more") C/" "$TOP/recipes/boards/hx210.lua" >near.lua
    run 0 tinlatch rehearse "$TOP/recipes/stack-split.lua" --board near.lua
    [ $more = 3 ] || out_has "part U5 would reach"
    [ $more = -3 ] || out_has "part U5 would be within 5 C of its body limit"
done

for bench in "$TOP"/recipes/benches/*.ini; do
    run 0 tinlatch check "$TOP/recipes/stack-split.lua" --bench "$bench"
    run 0 tinlatch-guard --bench "$bench"
done
finish
