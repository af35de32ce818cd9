#!/bin/bash
# SPDX-License-Identifier: MIT
# Each fault in the middle of the demo recipe: what the rules of this version see ends the run, what
# they cannot see yet shows in the true peak.
. "$TOP/tests/support/scenario.sh"
split=$TOP/recipes/stack-split.lua

# fault NAME@SECONDS STATUS OUTCOME RULE
fault() {
    run "$2" tinlatch rehearse "$split" --fault "$1" --json
    json ".outcome == \"$3\""
    [ -z "${4:-}" ] || json ".trip.rule == \"$4\" and .trip.text != \"\""
    record_whole
}
fault sensor-open@200 3 tripped sensor-open
json '.trip.at_s > 200 and .trip.at_s < 202'
fault device-silent@200 3 tripped device-silent
json '.trip.at_s > 200 and .trip.at_s < 203'
fault recipe-hang@200 3 tripped recipe-silent
json '.trip.at_s > 200 and .trip.at_s < 210'
fault stop-pressed@200 6 stopped stop-pressed
json '.trip.at_s >= 200 and .trip.at_s < 201'
fault stop-pressed@0 6 stopped stop-pressed
fault sensor-frozen@5000 0 done # after the end: nothing to see
json '.trip == null'

# Later rules will see these; until then the rehearsal says what the plate really did. On a bench with
# one plate sensor, for a second one on another mount covers the first.
single=$TOP/recipes/benches/single.ini
run 0 tinlatch rehearse "$split" --bench "$single" --json
healthy=$(jq .peak.plate_true_c "$out")
# true_peak NAME STATUS OUTCOME
true_peak() {
    run "$2" tinlatch rehearse "$split" --bench "$single" --fault "$1@200" --json
    json ".outcome == \"$3\" and .peak.plate_true_c > $healthy + 5"
    record_whole
    # A plate that passed its limit in truth is said to have, whatever it read.
    json '[.margins[] | select(.limit == "plate, true")] | length == 1 and .[0].worst > .[0].value'
}
true_peak sensor-unseated 1 failed
true_peak sensor-frozen 1 failed
true_peak heater-stuck-on 3 tripped
json '.trip.rule == "plate-over"'
run 1 tinlatch rehearse "$split" --bench "$single" --fault sensor-unseated@200
out_has "OVER"
out_has "the plate itself peaked at"
run 0 tinlatch rehearse "$split" --bench "$single" --json
json '[.margins[] | select(.limit == "plate, true")] == []'
run 3 tinlatch rehearse "$split" --fault sensor-unseated@200 --json
json '.trip.rule == "sensors-disagree" and .trip.at_s < 215'
json ".peak.plate_true_c < $healthy + 5"

# The text says what happened, what to do with one's hands, and what to look at.
run 3 tinlatch rehearse "$split" --fault sensor-open@320
out_has "sensor-open"
out_has "molten"
run 6 tinlatch rehearse "$split" --fault stop-pressed@320
out_has "molten"

# Two at once: the first out is kept.
run 3 tinlatch rehearse "$split" --fault device-silent@205 --fault sensor-open@200 --json
json '.trip.rule == "sensor-open"'

# A short on a rail: short-check is there to find it.
run 0 tinlatch rehearse "$TOP/recipes/short-check.lua" --fault board-short@0 --json
cp "$out" short.json
run 0 tinlatch rehearse "$TOP/recipes/short-check.lua" --json
expect "a short changes nothing" bash -c '! cmp -s <(jq "del(.run,.wall_s)" "$1") <(jq "del(.run,.wall_s)" short.json)' - "$out"

# --until ends a rehearsal early, not one that was over before; --answers steers it.
steps early <<<'wait "5 s" error "too early"'
run 1 tinlatch rehearse early.lua --until 60
err_has "early.lua:3: too early"
run 6 tinlatch rehearse "$split" --until 60 --json
json '.duration_s < 300 and .peak.plate_true_c < 100' # stopped, then cooled down
echo "stop" >answers
run 6 tinlatch rehearse "$split" --answers answers --json
json '.outcome == "stopped"'
printf '# nobody nods\n45000\nno\n' >answers
run 1 tinlatch rehearse "$split" --answers answers --json
json '.error.line == 14 and (.error.text | contains("answered with no"))'

# Molten joints on a hot plate are told first, whatever ended the recipe.
printf '45000\nyes\nno\n' >answers
run 1 tinlatch rehearse "$split" --answers answers
expect "a failed lift does not begin with the hands" grep -q "still molten: hands off until it beeps" <(head -n 4 "$out")

# Each fits its question or is refused; what nobody asks for is said.
printf '45 kohm after 1 s\nYES\n' >answers
run 0 tinlatch rehearse "$split" --answers answers --json
expect "45 kohm is not recorded as 45000 ohm" grep -q '"what":"value".*"value":45000[,}.]' "$(jq -r .run "$out")"
printf '# a meter\n45000 V\n' >answers
run 2 tinlatch rehearse "$split" --answers answers
err_has 'answers:2: "45000 V" is no answer to "ohms: from battery'
err_has "a resistance"
printf 'yes\n5\n' >answers
run 2 tinlatch rehearse "$split" --answers answers
err_has 'answers:2: "5" is no answer to "Shield lids off?'
printf 'yes\nyes\nyes\nyes\nno\n' >answers
run 0 tinlatch rehearse "$split" --answers answers
out_has "what stands in it from line 4 on"
run 0 tinlatch rehearse "$split" --fault sensor-open@99999
out_has "the fault sensor-open@99999 never happened"
run 0 tinlatch rehearse "$TOP/recipes/stack-join.lua" --json
# Two passes, each with the world's own times.
json '.melt | length == 2 and .[1].true_first_s > .[0].at_s and .[1].true_last_s <= .[1].at_s'
run 3 tinlatch rehearse "$split" --fault sensor-open@120
out_has "touch-safe cannot be known: a sensor of it is lost"
finish
