#!/bin/bash
# SPDX-License-Identifier: MIT
# What technicians report of such boards. Common practice, no source: these facts calibrated the demo
# boards, and the shipped recipes show each of them. Figures come from the records.
. "$TOP/tests/support/scenario.sh"

# record FILTER: jq's FILTER holds over the list of the last --json run's record lines.
record() {
    checks=$((checks + 1))
    jq -es "$1" "$(jq -r .run "$out")" >/dev/null 2>&1 || wrong "expected of the record: $1"
}
# melts_within TARGET_MC SECONDS: the frame counts as molten at most so long after the plate is within 2 C
# of its target, not before it is there; at that moment the far places of the joint are still solid,
# in the simulated world and not only by the estimate: the last of them melts later.
melts_within() {
    json '.outcome == "done" and (.melt[0].joint == "frame")'
    local melt last
    melt=$(jq '.melt[0].at_s' "$out") last=$(jq '.melt[0].true_last_s' "$out")
    record "[.[] | select(.kind == \"snapshot\")] as \$all |
        (\$all | map(select(.true_mc >= $1 - 2000)) | .[0]) as \$there |
        ($melt - \$there.t_ms / 1000) as \$after |
        \$after > 0 and \$after <= $2 and $last > \$there.t_ms / 1000 + 5"
}

for seed in 1 2 3 4 5; do
    # A low-temperature stack: plate at some 170 C, held up to 130 s from reaching it.
    run 0 tinlatch rehearse "$TOP/recipes/stack-split.lua" --json --seed $seed
    melts_within 172000 130
    # After heat-off the residual heat goes on warming the joints.
    record '[.[] | select(.kind == "snapshot")] as $all |
        ([$all[] | select(.grant.heat)] | .[-1]) as $off |
        ([$all[] | select(.t_ms > $off.t_ms) | .joints[0][0]] | max) > $off.joints[0][0] + 2000'
    # The fan brings the plate to 45-50 C within ten minutes, and then it is handled.
    json '[.stages[] | select(.name == "Cool")][0] | .end_s - .start_s < 600 and .end_s - .start_s > 120'
    # A higher-melting one, within 120 s: 205 C here, 200 C in test_thermal.
    run 0 tinlatch rehearse "$TOP/recipes/stack-split-hx230.lua" --json --seed $seed
    melts_within 205000 120
done

# After heat-off the residual heat goes on melting: the reballing switches its plate off while part of the joint is
# solid, and the rest melts without another grant of heat. Where it does not, the recipe heats again.
for seed in 1 2 3 4 5; do
    run 0 tinlatch rehearse "$TOP/recipes/reball.lua" --json --seed $seed
    record '[.[] | select(.kind == "snapshot")] as $all |
        ([$all[] | select(.grant.heat)] | .[-1]) as $off |
        $off.joints[0][1] > 0 and $off.joints[0][1] < 1000 and
        ([$all[] | select(.t_ms > $off.t_ms) | .joints[0][1]] | max) == 1000'
    last=$(jq '.melt[0].true_last_s' "$out") # in the simulated world, not only by the estimate
    record "[.[] | select(.kind == \"snapshot\" and .grant.heat)] | .[-1].t_ms / 1000 < $last"
done
run 0 tinlatch rehearse "$TOP/recipes/reball.lua" --json --set melt=155C
record '[.[] | select(.kind == "note" and (.text | test("heating again")))] | length == 1'

# Injection into a main rail starts under 1 V, and only after the first look with a low limit saw a short.
run 0 tinlatch rehearse "$TOP/recipes/short-check.lua" --json --fault board-short@0
record '[.[] | select(.kind == "snapshot" and .want.inject)] | length > 100 and (.[0].want.mv < 1000)'
record '[.[] | select(.kind == "snapshot" and .grant.supply)][0] | .want.inject == false and .grant.ma <= 500'
run 0 tinlatch rehearse "$TOP/recipes/short-check.lua" --json
record '[.[] | select(.kind == "snapshot" and .want.inject)] | length == 0'

# Joined again, pressed, and cooled under pressure: released only when the joints are solid and the plate is at 45 C.
run 0 tinlatch rehearse "$TOP/recipes/stack-join.lua" --json
record '([.[] | select(.kind == "note" and .text and (.text | test("[Rr]elease|weight off|[Tt]ake")))] | .[-1].t_ms) as $release |
    [.[] | select(.kind == "snapshot" and .t_ms <= $release)][-1] | .counts[1] <= 45000 and .joints[0][1] == 0'
finish
