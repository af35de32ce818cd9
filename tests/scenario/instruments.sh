#!/bin/bash
# SPDX-License-Identifier: MIT
# Benches with other instruments than the demo's: a controller that regulates itself behind a cut-off, a plate
# set by hand with a sensor reader. Well they end done; with a fault they trip, and the plate is never much
# over its limit of 80 C. And the plate's constants come back out of the record of the step test.
. "$TOP/tests/support/scenario.sh"
warm=$TOP/tests/data/quick/warm.lua

# case BENCH FAULT STATUS OUTCOME [RULE]
case_of() {
    local fault=()
    [ "$2" = none ] || fault=(--fault "$2@12")
    run "$3" tinlatch rehearse "$warm" --bench "$TOP/tests/data/$1.ini" --json "${fault[@]}"
    json ".outcome == \"$4\""
    json '.peak.plate_true_c == null or .peak.plate_true_c < 82'
    [ -z "${5:-}" ] || json ".trip.rule == \"$5\""
    [ "$4" = invalid ] || record_whole
}
case_of quick-controller none 0 done
case_of quick-controller usb-unplugged 3 tripped device-silent
case_of quick-controller controller-ignores-set-point 3 tripped device-silent
case_of quick-controller reader-gibberish 3 tripped
case_of quick-controller device-silent 3 tripped device-silent
case_of quick-controller heater-stuck-on 3 tripped plate-over
case_of quick-controller cut-off-stuck 0 done
case_of quick-hand none 0 done
case_of quick-hand usb-unplugged 3 tripped
case_of quick-hand reader-gibberish 3 tripped
case_of quick-hand device-silent 3 tripped
case_of quick-hand sensor-open 3 tripped sensor-open
case_of quick-hand heater-stuck-on 0 done # its cut-off opens as soon as no heat is wanted
case_of quick-hand controller-ignores-set-point 2 invalid

# bench list: whatever this machine has
run 0 tinlatch bench list
run 0 tinlatch bench list --json
json '.ports | type == "array" and all(has("path") and has("by_id") and has("holder") and has("mend"))'

# bench check of a bench that is not there: each instrument is missing, nothing counts as proved
run 5 tinlatch bench check --bench "$TOP/tests/data/quick-controller.ini" --json </dev/null
json '.outcome == "device" and (.protections | length) > 4'
json '[.proofs[] | select(.proof == "port") | .result] == ["fails", "fails", "fails"]'
json '.protections[0].proof == "not proved" and (.protections[0].by | contains("cut-off"))'
sed '/^\[cut-off\]/,/^$/d; /^silence/d' "$TOP/tests/data/quick-controller.ini" >bare.ini
run 5 tinlatch bench check --bench bare.ini </dev/null
out_has "NO    program or computer dies"
out_has "there is no such port:"
out_lacks "off at the end"
out_has "goes on holding its set-point"
# And so it does in a rehearsal that loses its line: what has no timer, and no cut-off, stays hot.
true_mc() { tail -n 2 "$(jq -r .run "$out")" | grep -o '"true_mc":[0-9]*' | cut -d: -f2; }
run 3 tinlatch rehearse "$TOP/tests/data/quick/hold.lua" --bench "$TOP/tests/data/quick-controller.ini" --fault usb-unplugged@30 --until 400 --json
expect "a plate with a silence timer stays hot" [ "$(true_mc)" -lt 45000 ]
run 3 tinlatch rehearse "$TOP/tests/data/quick/hold.lua" --bench bare.ini --fault usb-unplugged@30 --until 400 --json
expect "a plate without one cools by itself" [ "$(true_mc)" -gt 55000 ]
run 4 tinlatch bench check </dev/null
err_has "--bench"
run 2 tinlatch bench
run 2 tinlatch bench dance
run 4 tinlatch bench learn
out_has "The step test comes first"
err_has "a run never takes the demo bench"
for more in --json "--coupon=41 J/K"; do
    run 2 tinlatch bench learn "$more"
    err_has "--from RECORD"
done
touch taken
run 2 tinlatch bench learn --out taken
err_has "Not a directory"

# bench learn: demo.ini states 600 J/K, 0.9 W/K, 3 W/K; the seed's mains are within 6 % of its power
run 0 tinlatch rehearse "$TOP/recipes/learn-plate.lua" --out learned --json
run 0 tinlatch bench learn --from learned/*.jsonl --json
json '(.heat_capacity_j_k / 600 - 1 | fabs) < 0.08 and (.loss_w_k / 0.9 - 1 | fabs) < 0.08'
json '(.element_lag_s + .sensor_lag_s - 5.5 | fabs) < 0.3 and .residual_k < 0.3'
run 0 tinlatch bench learn --from learned/*.jsonl --out learned
svg_valid learned/learn.svg
out_has "heat_capacity  ="
out_has "seat_pulse"
out_has "wrote learned/bench.ini"
demo=$TOP/recipes/benches/demo.ini
learned=' *(heat_capacity|loss|element_lag|fan_loss|lag|seat_pulse|seat_rise|learned) *='
[ "$(grep -cE "$learned" learned/bench.ini)" = "$(($(grep -cE "$learned" "$demo") + 5))" ] ||
    wrong "learned/bench.ini: five keys more: two pulses, and the day"
[ "$(grep -vE "$learned" learned/bench.ini)" = "$(grep -vE "$learned" "$demo")" ] ||
    wrong "learned/bench.ini: what was not learned is another"
run 0 tinlatch rehearse "$TOP/recipes/stack-split.lua" --bench learned/bench.ini
run 2 tinlatch bench learn --from "$TOP/recipes/learn-plate.lua"

# and the insert's contacts out of the step test with a coupon: demo.ini states 8 W/K and 1.6 W/K
coupon=(--coupon "107.2 g copper")
run 0 tinlatch rehearse "$TOP/recipes/learn-coupon.lua" --out coupon --json
run 2 tinlatch bench learn --from coupon/*.jsonl
err_has "--coupon"
run 2 tinlatch bench learn --from coupon/*.jsonl "${coupon[@]}" --bench "$demo"
err_has "not learned"
run 2 tinlatch bench learn --from coupon/*.jsonl --coupon "107 g" --bench learned/bench.ini
err_has "a mass of what"
run 2 tinlatch bench learn --from learned/*.jsonl "${coupon[@]}" --bench learned/bench.ini
err_has "no coupon was placed"
sed 's/^plate_contact = 8 W/plate_contact = 10 W/; s/^board_contact = 1.6 W/board_contact = 1 W/' learned/bench.ini >guess.ini
run 0 tinlatch bench learn --from coupon/*.jsonl "${coupon[@]}" --bench guess.ini --json
json '(.plate_contact_w_k / 8 - 1 | fabs) < 0.08 and (.board_contact_w_k / 1.6 - 1 | fabs) < 0.04'
json '.residual_k < 0.3 and .board_sensor and (.plate_contact_held | not)'
run 0 tinlatch bench learn --from coupon/*.jsonl "${coupon[@]}" --bench guess.ini --out coupon
out_has "with a sensor on it"
contacts='^(plate|board)_contact'
[ "$(grep -A3 '^\[insert flat' coupon/bench.ini | grep -cE "$contacts")" = 2 ] ||
    wrong "coupon/bench.ini: no contacts of the insert"
[ "$(grep -vE "$contacts" coupon/bench.ini)" = "$(grep -vE "$contacts" guess.ini)" ] ||
    wrong "coupon/bench.ini: what was not learned is another"
run 0 tinlatch rehearse "$TOP/recipes/part-off.lua" --bench coupon/bench.ini

# the same with no sensor on the coupon: one contact, given the other
sed -E 's/"board":\["good"/"board":["open"/' coupon/*.jsonl >blind.jsonl
run 0 tinlatch bench learn --from blind.jsonl "${coupon[@]}" --bench learned/bench.ini
out_has "as stated: the record does not tell"
out_has "put the board sensor on the coupon"
run 0 tinlatch bench learn --from blind.jsonl "${coupon[@]}" --bench learned/bench.ini --json
json '(.board_contact_w_k / 1.6 - 1 | fabs) < 0.08 and (.board_sensor | not) and .plate_contact_held'

run 0 tinlatch rehearse "$TOP/recipes/part-off.lua" --out board --json
run 2 tinlatch bench learn --from board/*.jsonl
err_has "empty"
finish
