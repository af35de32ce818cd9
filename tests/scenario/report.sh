#!/bin/bash
# SPDX-License-Identifier: MIT
# Reports: whole, small, the same figures as the record, and as a browser shows them.
. "$TOP/tests/support/scenario.sh"
split=$TOP/recipes/stack-split.lua
browser() { timeout 240 python3 "$TOP/tests/support/browser.py" "$@" >browser.log 2>&1 || { cat browser.log; return 1; }; }

run 0 tinlatch rehearse "$split" --serial "HX <b>210</b> & 'co'" --json
done=$(jq -r .run "$out")
run 3 tinlatch rehearse "$split" --fault heater-stuck-on@200 --json
tripped=$(jq -r .run "$out")
run 0 tinlatch rehearse "$TOP/recipes/short-check.lua" --fault board-short@0 --json
fed=$(jq -r .run "$out")
head -c 3000000 "$done" >cut.jsonl

run 0 tinlatch rehearse "$TOP/recipes/stack-split-hx230.lua" --json
leaded=$(jq -r .run "$out")
for record in "$done" "$tripped" "$fed" "$leaded" ./cut.jsonl; do
    run 0 tinlatch report "$record" --out pages
    run 0 tinlatch report "$record" --customer --out pages
done
page() { echo "pages/$(basename "$1" .jsonl)${2:-}.html"; }
for html in pages/*.html; do
    html_valid "$html"
    [[ $html = *-customer.html ]] || pictures_valid "$html"
    expect "$html has 2 MB or more" [ "$(stat -c %s "$html")" -lt 2097152 ]
    expect "$html reaches for something" bash -c '! grep -qE "(src|href)=|url\((\"|.)?http|@import" "$1"' - "$html"
done
expect "a serial came through as it was" bash -c '! grep -q "<b>210</b>" "$1"' - "$(page "$done")"
expect "the serial is not there" grep -q 'HX &lt;b&gt;210&lt;/b&gt; &amp;' "$(page "$done")"
expect "the fingerprint is another" grep -q "$(tail -n 1 "$done" | grep -o '[0-9a-f]\{32\}')" "$(page "$done" -customer)"
expect "it does not say that it holds" grep -q "The record holds: each of its" "$(page "$done")"
expect "the hands do not come first" grep -q 'class="box bad">' "$(page "$tripped")"
for joint in frame pmic; do
    expect "the curve of $joint has no name" grep -q "</svg>$joint, its coldest place" "$(page "$done")"
done
expect "the record does not know what the bench file was called" grep -q ">bench file:[0-9]" "$(page "$done")"
for record in "$done" "$fed"; do # no more than is left, as the text has it
    run 0 tinlatch runs show "$record" --json
    left=$(jq '[.margins[] | select(.value > 0) | 100 * (.value - .worst) / .value] | min | floor' "$out")
    expect "$left % of a limit is left" grep -q "nearest limit.*>$left %<" "$(page "$record")"
done
expect "it does not say what its rail may be given" \
    grep -qE "<tr><td>battery</td><td>[^<]*injected up to [0-9.]+ V, [0-9.]+ A</td>" "$(page "$fed")"
expect "a run without a supply has rails" bash -c '! grep -q "may be given" "$1"' - "$(page "$done")"
expect "a record that was cut off is not called so" grep -q "The record was cut off: it" "$(page ./cut.jsonl)"
expect "its badge says something else" grep -q '>cut off</div></header>' "$(page ./cut.jsonl)"
run 0 flock ./cut.jsonl "$TINLATCH" report ./cut.jsonl --out going
expect "a run that goes on is called cut off" grep -q '>goes on</div></header>' going/cut.html
expect "it does not say that the run goes on" grep -q "The run goes on: its record has no end yet" going/cut.html
# Its profile beside J-STD-020's column for tin-lead (D, table 5-2), what is outside and what is within; of an alloy that
# the standard does not know, the ramps only.
row() { expect "the profile lacks $2" grep -qE "<tr><td>$2" "$(page "$1")"; }
row "$leaded" "steepest rise, over 5 s<.*at most 3.00 .*C/s<.*>within<"
row "$leaded" "soak, 100 to 150 .*C<.*1 min to 2 min<.*>outside<"
row "$leaded" "above liquidus, 183 .*C<.*1 min to 2 min 30 s<.*>within<"
row "$leaded" "25 .*C to the highest<.*at most 6 min<.*>outside<"
row "$leaded" "steepest fall, over 5 s<.*at most 6.00 .*C/s<.*>within<"
row "$leaded" "mean rise, liquidus to the highest<.*at most 3.00 .*C/s<.*>within<"
row "$leaded" "mean fall, the highest to liquidus<.*at most 6.00 .*C/s<.*>within<"
row "$done" "steepest rise, over 5 s<.*at most 3.00 .*C/s<.*>within<"
row "$done" "above liquidus, 140 .*C<.*<td></td></tr>"
sed '1000s/"duty":[0-9]*/"duty":77/' "$done" >changed.jsonl
run 0 tinlatch report ./changed.jsonl --out pages
expect "a changed record is not told" grep -q "does not verify: line 1000" "$(page ./changed.jsonl)"

# The pictures: of a rehearsal that heats, one that trips and one that does not heat.
for options in "$split" "$split --fault heater-stuck-on@200" "$TOP/recipes/short-check.lua"; do
    rm -rf pictures
    run "0|3" tinlatch rehearse $options --out pictures
    for svg in pictures/*.svg; do svg_valid "$svg"; done
done
# On a finer grid the maps have more places, and what it does to the joint is told.
run 0 tinlatch rehearse "$split" --grid 2mm --out fine --json
json '.outcome == "done" and (.melt | length) > 0'
for svg in fine/*.svg; do svg_valid "$svg"; done
expect "the finer map has no more places" [ "$(grep -c 'class="place"' fine/melt-map.svg)" -gt 90 ]
# The page has the map that --out draws, and the picture of the README is one that this program draws: the same
# texts, and every figure within one.
run 0 tinlatch rehearse "$split" --out pictures
expect "the page's map is another" [ "$(grep -c 'class="place"' pictures/melt-map.svg)" = "$(grep -c 'class="place"' "$(page "$done")")" ]
expect "the page has no map" grep -q "In the simulated world of this rehearsal" "$(page "$done")"
expect "docs/rehearsal.svg is stale: tinlatch rehearse recipes/stack-split.lua --out DIR draws it" \
    python3 - pictures/chart.svg "$TOP/docs/rehearsal.svg" <<'PY'
import re, sys
def parts(path):
    text = open(path).read()
    texts = re.sub(r" d=\"[^\"]*\"", "", text)  # a curve may have a point more
    return re.sub(r"\d+(\.\d+)?", "#", texts), [float(n) for n in re.findall(r"\d+(?:\.\d+)?", texts)]
(words, figures), (known, there) = map(parts, sys.argv[1:])
assert words == known and all(abs(a - b) <= 1 for a, b in zip(figures, there))
PY
run 2 tinlatch report "$split" --out pages
run 2 tinlatch report nobody
run 2 tinlatch report

if ! command -v chromium >/dev/null; then
    printf 'no chromium: no page was opened\n'
    [ "${STRICT:-}" = ON ] && wrong "a strict run opens the pages"
    [ "$failures" = 0 ] && exit 77
    finish
fi
expect "the page of a run" browser "$(page "$done")" --record "$done"
expect "the page of a trip" browser "$(page "$tripped")" --record "$tripped"
expect "the page of a supply" browser "$(page "$fed")"
expect "the page of a record that was cut off" browser "$(page ./cut.jsonl)" --record cut.jsonl
expect "the customer's sheet" browser "$(page "$done" -customer)" --pages 1
finish
