#!/bin/bash
# SPDX-License-Identifier: MIT
# Each fault in the middle of the demo recipe: what a rule sees ends the run, what none can see shows in the true peak.
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
fault cold-junction-lost@0.2 4 refused # before the run begins: what no room is
json '.trip == null and (.error.text | test("^a start would ask: .*the room is stated as")) and .error.file == null'
sed 's/^room .*/room = 5 C/' "$TOP/recipes/benches/demo.ini" >"$box/cold.ini"
run 6 tinlatch rehearse "$split" --bench "$box/cold.ini" --until 2 --json # a cold room that is stated is no fault
fault fan-dead@0 1 failed # it cools for longer than the recipe waits; whoever is there was told why
expect "a dead fan is told of" grep -q "half as fast as with its fan" "$(jq -r .run "$out")"
fault sensor-frozen@5000 0 done # after the end: nothing to see
json '.trip == null'

# On a bench with one plate sensor: by its energy account alone.
single=$TOP/recipes/benches/single.ini
run 0 tinlatch rehearse "$split" --bench "$single" --json
json '[.margins[] | select(.limit == "plate, true")] == []'
# alone FAULT@SECONDS RULE WITHIN_S TRUE_PEAK_C
alone() {
    run 3 tinlatch rehearse "$split" --bench "$single" --fault "$1" --json
    json ".trip.rule == \"$2\" and .trip.at_s < ${1#*@} + $3"
    json ".peak.plate_true_c < $4"
    record_whole
}
# Off the plate from cold: off in 120 s of heat, which begins some 30 s after the start, and below 120 C.
alone sensor-unseated@1 sensor-unseated 150 120
alone sensor-shows-40@1 sensor-unseated 150 120
# Slipped at temperature: off in 15 s.
for share in 80 60 40; do
    alone sensor-shows-$share@200 sensor-unseated 15 140
    alone sensor-shows-$share@320 sensor-unseated 15 180
done
alone sensor-unseated@200 sensor-unseated 15 140
# It repeats its last value while the plate climbs: off in 10 s, 16 K at most.
alone sensor-frozen@60 sensor-frozen 10 70
alone sensor-frozen@200 sensor-frozen 10 144
# The wrong way round, before anything is warm: off before the plate has risen by 15 K.
alone sensor-reversed@1 sensor-unseated 60 37.2
alone sensor-reversed@60 sensor-jump 1 60
# Five samples.
alone sensor-noise@197 sensor-jump 0.6 130
alone reader-fahrenheit@60 sensor-jump 0.6 60
alone cold-junction-lost@200 sensor-jump 0.6 135
# Shorted in its lead: cold, as one that has slid off; hot, off in 3 s. Wires of another type show in the same way.
alone sensor-shorted@1 sensor-unseated 150 120
alone sensor-shorted@200 sensor-jump 1 135
alone sensor-wrong-type@200 sensor-jump 1 135
# Told off by its restart, the plate is not driven again.
alone plate-restarts@200 device-silent 1.2 135
# No mains while heat is asked for: the plate falls as a sensor that has slipped off would.
alone mains-lost@60 sensor-unseated 60 70
alone mains-lost@200 sensor-unseated 90 135
# Terminals taken for colder and colder: nothing is to be seen of it before they would be freezing.
alone cold-junction-drifts@60 sensor-range 530 195
# The relay is welded: heat is granted until 150 s, so that this is the first that can be proved.
alone heater-stuck-on@140 heat-uncommanded 35 190
json '.trip.text | contains("cannot be above")'

# A rail that is fed from elsewhere: its volts are over what may be injected, and nothing flows.
for short in "" "--fault board-short@0"; do
    run 3 tinlatch rehearse "$TOP/recipes/short-check.lua" --fault rail-fed@0 $short --json
    json '.trip.rule == "supply-over-volts" and (.trip.text | contains("while injecting"))'
done

# Of a board that is taken away, and of one that does not lie flat, a person is asked, with heat off, who looks; of a wet
# swab too, where it stays on the sensor for long, and then the recipe goes on.
flat='.trip == null and (.error.text | endswith("asked whether both lie flat, a person said no"))'
for taken in 200 320; do
    run 1 tinlatch rehearse "$split" --fault board-taken@$taken --json
    json "$flat and .stages[-1].end_s < $taken + 20 and .peak.plate_true_c < 192"
done
for wet in 100 200 320; do
    run 0 tinlatch rehearse "$split" --fault wet-swab@$wet --json
done
for instant in 0 60; do
    run 1 tinlatch rehearse "$split" --fault board-unseated@$instant --json
    json "$flat and .stages[-1].end_s < 160 and .peak.plate_true_c < 125"
done

# The board's sensor touches what is fed: off within half a second.
steps fed <<<'stage "Feed" supply.on { rail = "battery", volts = "4 V", amps = "500 mA", timeout = "5 s" } wait "5 s" supply.off()'
sed -i 's/title = "t"/title = "t", rails = { "battery" }/' fed.lua
run 0 tinlatch rehearse fed.lua --json
run 3 tinlatch rehearse fed.lua --fault sensor-on-rail@0 --json
json '.trip.rule == "sensor-jump" and .trip.at_s < .stages[0].start_s + 0.5'
# A supply whose limiter is gone, on a short; one that feeds on after its off.
run 3 tinlatch rehearse "$TOP/recipes/short-check.lua" --fault supply-limit-lost@0 --fault board-short@0 --json
json '.trip.rule == "supply-over-amps"'
run 3 tinlatch rehearse "$TOP/recipes/short-check.lua" --fault supply-stuck-on@0 --fault board-short@0 --json
json '.trip.rule == "supply-disobeys"'

# What one sensor cannot show: the rehearsal says what the plate really did.
run 1 tinlatch rehearse "$split" --bench "$single" --fault sensor-shows-60@1 --json
json '.trip == null and .peak.plate_true_c > .peak.plate_read_c + 50'
run 0 tinlatch rehearse "$split" --bench "$single" --fault sensor-shows-80@1
out_has "OVER"
out_has "the plate itself peaked at"
# A plate that passed its limit in truth is said to have, whatever it read.
run 0 tinlatch rehearse "$split" --bench "$single" --fault sensor-shows-80@1 --json
json '[.margins[] | select(.limit == "plate, true")] | length == 1 and .[0].worst > .[0].value'

# Two sensors on two mounts: whatever the first one shows, the plate stays within 20 K of its set-point.
for fault in sensor-unseated sensor-shows-80 sensor-shows-60 sensor-shows-40 sensor-drift; do
    run 3 tinlatch rehearse "$split" --fault "$fault@200" --json
    json '.trip.rule == "sensors-disagree" and .peak.plate_true_c < 192'
done
for fault in sensor-shorted sensor-wrong-type; do
    run 3 tinlatch rehearse "$split" --fault "$fault@200" --json
    json '.trip.rule == "sensor-jump" and .trip.at_s < 201 and .peak.plate_true_c < 192'
done
# A sensor that slips off in a plate still cool, which the rule minds only once it was seated: its record holds.
steps slipped <<'LUA'
plate.ramp { to = "60 C", rate = "1 C/s", timeout = "5 min" }
plate.soak { time = "2 min" }
LUA
run 3 tinlatch rehearse slipped.lua --fault sensor-unseated@60 --out slipped --json
json '.trip.rule == "sensors-disagree" and .peak.plate_true_c < 80'
run 0 tinlatch runs verify slipped/*.jsonl
run 3 tinlatch rehearse "$split" --fault sensors-swapped@1 --json
json '.trip.rule == "sensors-disagree" and .peak.plate_true_c < 80'

# A cold board laid on a plate that is warm, as from its seat test, and that waits there, catches up and leads nothing.
steps laid <<'LUA'
plate.ramp { to = "44 C", timeout = "5 min" }
plate.off()
wait "20 s"
board.place { "Lay it in.", timeout = "10 min" }
wait "4 min"
plate.ramp { to = "70 C", rate = "1 C/s", timeout = "5 min" }
cool { plate = "45 C", timeout = "20 min" }
LUA
for seed in 1 2 3; do
    run 0 tinlatch rehearse laid.lua --seed $seed --json
    json '.trip == null'
done

# No fault of the bench: no rule ends the run for it.
for bench in "$single" "$TOP/recipes/benches/demo.ini"; do
    for calm in sensor-spike mains-low mains-high draft link-stalls; do
        for at in 1 60 200 320; do
            run 0 tinlatch rehearse "$split" --bench "$bench" --fault "$calm@$at" --json
            json '.trip == null'
        done
    done
    run 1 tinlatch rehearse "$split" --bench "$bench" --fault desk-fan@60 --json # it takes longer than the recipe allows
    json '.trip == null'
done
run 3 tinlatch rehearse "$TOP/recipes/short-check.lua" --fault supply-drifts@5 --json
json '.trip.rule == "supply-over-volts"'

# The text says what happened, what to do with one's hands, and what to look at. Nothing is reckoned from a sensor
# that has slipped: the joints are not called solid.
run 3 tinlatch rehearse "$split" --bench "$single" --fault sensor-unseated@200
out_has "The plate's reading is not to be trusted"
out_has "hands off the board"
# Nor is the plate called cool while it is not, whatever the sensor reads (ISO 13732-1: 48 C for long contact).
for fault in sensor-unseated@200 sensor-unseated@330 sensor-shows-40@250; do
    for bench in "$TOP/recipes/benches/demo.ini" "$single"; do
        run "3|0|1" tinlatch rehearse "$split" --bench "$bench" --fault "$fault" --json
        record=$(jq -r .run "$out")
        expect "safe to touch at $fault with the plate below 48 C" \
            jq -es 'last(.[] | select(.kind == "snapshot")) | .mode == "ended" and .true_mc < 48000' "$record"
    done
done
# Nor when it slips only after the run, as when the board is lifted: here by a stop at 168 C. A draught is no slip.
for fault in sensor-unseated@425 sensor-shows-40@425 sensor-shows-60@440 desk-fan@425 sensor-spike@430; do
    run 6 tinlatch rehearse "$split" --bench "$single" --fault stop-pressed@420 --fault "$fault" --json
    record=$(jq -r .run "$out")
    expect "safe to touch at $fault after the end with the plate below 48 C" \
        jq -es 'last(.[] | select(.kind == "snapshot")) | .mode == "ended" and .true_mc < 48000' "$record"
    case $fault in
    sensor-shows* | sensor-unseated*) expect "$fault is told of" grep -q "fell faster than a plate can" "$record" ;;
    *) expect "$fault is no slip" test "$(grep -c "fell faster than a plate can" "$record")" = 0 ;;
    esac
done
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
out_has "what stands in it from line 5 on"
run 0 tinlatch rehearse "$split" --fault sensor-open@99999
out_has "the fault sensor-open@99999 never happened"
run 0 tinlatch rehearse "$TOP/recipes/stack-join.lua" --json
# Two passes, each with the world's own times.
json '.melt | length == 2 and .[1].true_first_s > .[0].at_s and .[1].true_last_s <= .[1].at_s'
run 3 tinlatch rehearse "$split" --fault sensor-open@120
out_has "touch-safe cannot be known: a sensor of it is lost"
finish
