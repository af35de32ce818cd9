#!/bin/bash
# SPDX-License-Identifier: MIT
# The command line: what is understood, what is refused and how that is told.
. "$TOP/tests/support/scenario.sh"
split=$TOP/recipes/stack-split.lua

run 0 tinlatch --version
out_has "tinlatch "
run 0 tinlatch --help
out_has "rehearse RECIPE"
out_has "--fault"
run 0 tinlatch -h
run 0 tinlatch help
out_has "wait_for_melt"
run 0 tinlatch help rehearse
out_has "--until"
run 0 tinlatch check --help
out_lacks "--until"
run 0 tinlatch runs --help
out_has "only the records of the board"
run 0 tinlatch pack --help
out_has "directory that the pack goes into"
out_lacks "table of places"
run 0 tinlatch report --help
out_has "directory that the page goes into"
run 0 tinlatch help wait_for_melt
out_has "joint"
run 0 tinlatch help plate.ramp
out_has "timeout"
for topic in header units params before rails ceiling insert park board timeout otherwise require profile alloys; do
    run 0 tinlatch help $topic
done
run 0 tinlatch help sensor-frozen
out_has "--fault NAME@SECONDS"
out_has "repeats its last value"
out_lacks "device-silent"
run 0 tinlatch help faults
out_has "sensor-open"
out_has "--fault sensor-open@120"
expect "the meanings do not stand in one column" bash -c \
    '[ "$(sed -n "s/^\(  [a-z0-9-]* *\).*/\1/p" "$1" | awk "{ print length }" | sort -u | wc -l)" = 1 ]' - "$out"
run 0 tinlatch help shipped
out_has "stack-split.lua          Split the two-board stack"
out_has "hx230.lua"
out_has "frame-60x40"
run 0 tinlatch help --annotations
out_has "---@meta"
run 0 tinlatch help --lint-names
out_has "plate"

# Mistakes: status 2, on standard error, with the nearest name.
run 2 tinlatch
err_has "a verb is missing"
run 2 tinlatch rehaerse "$split"
err_has "did you mean rehearse?"
run 2 tinlatch rehearse "$split" --sede 7
err_has "did you mean --seed?"
run 2 tinlatch rehearse "$split" --sed 7
err_has "did you mean --seed?"
run 2 tinlatch help wait_for_mlet
err_has "did you mean wait_for_melt?"
run 2 tinlatch help "qqqqqqqqqq"
err_has "no help on"
run 2 tinlatch rehearse
err_has "needs a recipe"
run 2 tinlatch rehearse "$split" "$split"
err_has "one too many"
run 2 tinlatch check "$split" --until 5
err_has "check does not take --until"
run 2 tinlatch rehearse "$split" --seed
err_has "--seed needs a value"
run 2 tinlatch rehearse "$split" --seed --json
json '.outcome == "invalid" and (.error.text | contains("needs a value"))'
run 2 tinlatch rehearse "$split" --seed 1 --seed 2
err_has "given twice"
run 2 tinlatch rehearse "$split" --json=yes
err_has "takes no value"
for bad in x -1 1.5 99999999999999999999 " 1" 0x10; do
    run 2 tinlatch rehearse "$split" "--seed=$bad"
    err_has "--seed: expected a whole number"
done
for bad in 0 -5 1e9 "5 K" . 1.2.3 "5 C" nan inf; do
    run 2 tinlatch rehearse "$split" "--until=$bad"
    err_has "--until: expected seconds"
done
for bad in melt =5 "$(printf '%040d' 0)=5"; do
    run 2 tinlatch rehearse "$split" --set "$bad"
    err_has "--set"
done
run 2 tinlatch rehearse "$split" --set melt="170 C" --set melt="171 C"
err_has "given twice"
run 2 tinlatch rehearse "$split" --set metl="170 C"
err_has "melt"
run 2 tinlatch rehearse "$split" --set melt="500 C"
err_has "180 C"
run 2 tinlatch rehearse "$split" --set melt="170"
err_has "unit"
run 2 tinlatch rehearse "$split" --fault nonsense@5
err_has "nonsense"
run 2 tinlatch rehearse "$split" --fault sensor-opne@5
err_has 'did you mean "sensor-open"?'
for bad in sensor-open sensor-open@ @5 sensor-open@-5 sensor-open@x sensor-open@5@6; do
    run 2 tinlatch rehearse "$split" --fault "$bad"
done
run 2 tinlatch rehearse "$split" --serial "$(printf '%070d' 0)"
err_has "--serial: at most 63 bytes"
run 2 tinlatch rehearse "$split" --serial $'a\eb'
err_has "--serial: control characters"
run 2 tinlatch $'\e[31mred'
run 2 tinlatch rehearse $'no\nsuch\e.lua'
run 2 tinlatch "$(printf '%0100000d' 0)"
run 2 tinlatch rehearse ""
many=(); for i in $(seq 40); do many+=(--fault "sensor-open@$i"); done
run 2 tinlatch rehearse "$split" "${many[@]}"
many=(); for i in $(seq 40); do many+=(--set "p$i=1 C"); done
run 2 tinlatch rehearse "$split" "${many[@]}"

# A file that is not there: the one that was probably meant, beside it or among those shipped.
run 2 tinlatch rehearse "$TOP/recipes/stack-spilt.lua"
err_has "did you mean $TOP/recipes/stack-split.lua?"
run 2 tinlatch rehearse stack-split
err_has "recipes/stack-split.lua?"
run 2 tinlatch rehearse "$split" --board hx23
err_has "recipes/boards/hx230.lua?"
run 2 tinlatch rehearse "$split" --bench singel.ini
err_has "recipes/benches/single.ini?"
run 2 tinlatch rehearse "$TOP/recipes/qqqqqqqq.lua"
err_lacks "did you mean"

# JSON: one object whatever happens.
run 2 tinlatch frobnicate --json
json '.outcome == "invalid" and .error.text != null and .trip == null and .run == null'
run 2 tinlatch rehearse no-such.lua --json
json '.outcome == "invalid" and (.error.text | contains("No such file"))'
run 0 tinlatch rehearse "$split" --json --seed 18446744073709551615
json '.outcome == "done" and .error == null'
json '[.outcome, .recipe, .board, .seed, .duration_s, .wall_s, .peak.plate_true_c, .peak.plate_read_c, .peak.board_c, .stages, .melt, .margins, .run] | all(. != null)'
json 'has("trip") and has("error") and (.stages | length) > 0 and (.margins | length) > 0'
json '.stages | all(has("name") and has("start_s") and has("end_s") and has("peak_c"))'
json '.melt | all(has("joint") and has("at_s") and has("how"))'
json '.margins | all(has("limit") and has("value") and has("worst") and has("unit"))'

# Options in any order, either spelling.
run 0 tinlatch --seed 3 rehearse --json "$split"
json '.seed == 3'
run 0 tinlatch rehearse --seed=3 --json -- "$split"
json '.seed == 3'

# The text fits 100 columns (characters, not bytes) and has no colour when it is not a terminal.
run 0 tinlatch rehearse "$split"
expect "a line is longer than 100 columns" \
    bash -c '! LC_ALL=C.UTF-8 grep -nE "^.{101,}" "$1"' - "$out"
run 0 tinlatch check "$split"
expect "a line is longer than 100 columns" \
    bash -c '! LC_ALL=C.UTF-8 grep -nE "^.{101,}" "$1"' - "$out"

for width in 60 75 93; do
    for fault in 0:stop-pressed@5000 3:sensor-open@200 3:heater-stuck-on@200; do
        run ${fault%%:*} env COLUMNS=$width "$TINLATCH" rehearse "$split" --fault ${fault#*:}
        # the path of the record stays whole, to be copied
        expect "a line is longer than $width columns" \
            bash -c '! grep -v "^record" "$1" | LC_ALL=C.UTF-8 grep -nE "^.{$2,}"' - "$out" $((width + 1))
    done
done

# The verdict is the last line, the record's path stands above it; a trip comes right under the title.
run 0 tinlatch rehearse "$split"
expect "the verdict is not last" grep -q "^Rehearsal: done" <(tail -n 1 "$out")
expect "the record is not named" [ -s "$(sed -n 's/^record *//p' "$out")" ]
run 3 tinlatch rehearse "$split" --fault sensor-open@200
expect "a trip's hands are not under the title" grep -q "take it for hot" <(head -n 4 "$out")
run 0 tinlatch check "$split"
out_has "# plate, true"
cp "$TOP/recipes/benches/single.ini" mine.ini
run 0 tinlatch rehearse "$split" --bench mine.ini
out_has "simulated bench: mine.ini"

# A slip before anything was heated: title, error, verdict; told once where both streams are one.
steps slip <<<'plate.rmap { to = "120 C", timeout = "5 min" }'
run 1 bash -c '"$1" rehearse slip.lua 2>&1' - "$TINLATCH"
expect "the error is not told once" [ "$(grep -c rmap "$out")" = 2 ] # its sentence, its source line
expect "more than the error is shown" [ "$(wc -l <"$out")" -le 10 ]
expect "the verdict is not last" grep -qx "Rehearsal: failed at .* in slip.lua:3" <(tail -n 1 "$out")

# "no" is told with its question.
printf 'yes\nyes\nno\n' >answers
run 0 tinlatch rehearse "$TOP/recipes/reball.lua" --answers answers
out_has 'said no  to "Lift the stencil.'
expect "blanks at a line's end" bash -c '! grep -q " $" "$1"' - "$out"

for page in --help help "help faults" "help "{check,rehearse,run,clear,mimic,bench,help} "help plate.ramp"; do
    # shellcheck disable=SC2086
    run 0 tinlatch $page
    expect "a line of \`$page\` is longer than 100 columns" bash -c '! grep -nE "^.{101,}" "$1"' - "$out"
done

# What a person types in search of help, and a board by its name.
for topic in keys joint melt exit answers version prompts parked; do
    run 0 tinlatch help $topic
    out_lacks "there is no help"
done
run 1 tinlatch rehearse "$split" --board hx230
err_has "its liquidus is 183 C"
out_has "board hx230"
run 2 tinlatch rehearse "$split" --board hx231
run 2 tinlatch rehearse "$split" --fault suply-drifts@5
err_has "did you mean \"supply-drifts\""

# Standard output that is full, closed, or left by its reader.
run 2 bash -c '"$1" rehearse "$2" >/dev/full' - "$TINLATCH" "$split"
err_has "standard output cannot be written"
run 2 bash -c '"$1" --help >&-' - "$TINLATCH"
run 2 bash -c '"$1" rehearse "$2" >&-' - "$TINLATCH" "$split"
run 0 bash -c 'set -o pipefail; "$1" rehearse "$2" | head -n 1' - "$TINLATCH" "$split"
run 0 bash -c '"$1" rehearse "$2" <&-' - "$TINLATCH" "$split"
run 0 bash -c '"$1" rehearse "$2" 2>&-' - "$TINLATCH" "$split"
run 2 bash -c '"$1" rehearse nothing.lua >&- 2>&- <&-' - "$TINLATCH"

finish
