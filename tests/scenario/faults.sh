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
fault device-silent@200 3 tripped
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
for name in sensor-unseated heater-stuck-on sensor-frozen; do
    run "0|1|3" tinlatch rehearse "$split" --bench "$single" --fault $name@200 --json
    json ".peak.plate_true_c > $healthy + 5"
    json '.peak.plate_true_c != null'
    record_whole
done
run 0 tinlatch rehearse "$split" --fault sensor-unseated@200 --json
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
run "0|1|3" tinlatch rehearse "$TOP/recipes/short-check.lua" --fault board-short@0 --json
cp "$out" short.json
run 0 tinlatch rehearse "$TOP/recipes/short-check.lua" --json
expect "a short changes nothing" bash -c '! cmp -s <(jq "del(.run,.wall_s)" "$1") <(jq "del(.run,.wall_s)" short.json)' - "$out"

# --until ends a rehearsal early; --answers steers it.
run "0|6" tinlatch rehearse "$split" --until 60 --json
json '.duration_s < 300 and .peak.plate_true_c < 100' # stopped, then cooled down
echo "stop" >answers
run 6 tinlatch rehearse "$split" --answers answers --json
json '.outcome == "stopped"'
printf '# nobody nods\n45000\nno\n' >answers
run "0|1|6" tinlatch rehearse "$split" --answers answers --json
finish
