#!/bin/bash
# SPDX-License-Identifier: MIT
# The records afterwards: listed, shown, exported, and verified; a changed one is told with its line.
. "$TOP/tests/support/scenario.sh"
split=$TOP/recipes/stack-split.lua
kept=$TINLATCH_HOME/rehearsals

# Every recipe, and every fault there is: what the interlock decided then it decides again.
for recipe in "$TOP"/recipes/*.lua; do
    run 0 tinlatch rehearse "$recipe" --json
    run 0 tinlatch runs verify "$(basename "$(jq -r .run "$out")")"
    out_has "the interlock decides the same again"
done
for fault in $("$TINLATCH" help faults | sed -n 's/^  \([a-z0-9-]*\) .*/\1/p'); do
    run "0|1|2|3|4|5|6" tinlatch rehearse "$split" --fault "$fault@120" --json
    record=$(jq -r .run "$out")
    [ "$record" = null ] && continue # a fault of an instrument that the demo bench does not have
    run 0 tinlatch runs verify "$record"
    out_has "the interlock decides the same again"
    faults=$((${faults:-0} + 1))
done
expect "fewer faults than there are" [ "${faults:-0}" -ge 20 ]
rm -rf "$kept"

# Lists: which there are, by recipe, serial and outcome; and the one that is meant.
run 0 tinlatch runs list
out_has "no record is kept yet"
run 0 tinlatch rehearse "$split" --serial "HX 'quoted\" 1" --json
first=$(jq -r .run "$out")
run 3 tinlatch rehearse "$split" --serial other --fault sensor-open@120 --json
run 0 tinlatch rehearse "$TOP/recipes/short-check.lua"
run 0 tinlatch runs list --rehearsals
expect "not a heading and three in the list" [ "$(wc -l <"$out")" = 4 ]
expect "no heading" grep -Eq '^began +outcome +lasted +serial +board +record$' "$out"
run 0 tinlatch runs list
out_has "no record of a run is kept yet; --rehearsals lists those of rehearsals (3)"
run 0 tinlatch runs list --rehearsals
out_has "HX 'quoted\" 1"
run 0 tinlatch runs list --rehearsals --serial "HX 'quoted\" 1" --json
json '.runs | length == 1 and .[0].outcome == "done" and .[0].serial == "HX '\''quoted\" 1" and .[0].duration_s > 600'
run 0 tinlatch runs list --rehearsals --outcome tripped --json
json '.runs | length == 1 and .[0].serial == "other"'
run 0 tinlatch runs list --rehearsals --recipe short --json
json '.runs | length == 1 and .[0].serial == null'
run 0 tinlatch runs list --rehearsals --since 2099-01-01
out_has "no record is like that"
run 0 tinlatch runs list --rehearsals --outcome "cut off"
out_has "no record is like that"
run 0 tinlatch runs list --rehearsals --since 2000-01
out_lacks "no record"
run 2 tinlatch runs list --outcome triped
err_has 'no run ends as "triped"; did you mean tripped?'
for since in yesterday 99 2026- 2026-1 2026-11-2 25.11.2026 "2026-11-25 14:30:00"; do
    run 2 tinlatch runs list --since "$since"
    err_has "expected a day such as 2026-11-25"
done
run 2 tinlatch report "$first" --out "$first"
err_has "Not a directory"
run 0 tinlatch runs show short-check --rehearsals
out_has "Look for a short on the battery rail"
out_has "before power"
run 2 tinlatch runs show stack --rehearsals
err_has "is a part of 2 names"
run 2 tinlatch runs show nobody
err_has "there is no record \"nobody\""
run 2 tinlatch runs show
err_has "needs a record"
run 2 tinlatch runs burn
err_has "expected list, show, export, verify or add"
run 0 tinlatch runs show "$first"
out_has "Split the two-board stack"
out_has "Rehearsal: done in"
run 0 tinlatch runs show "$first" --json
json '.outcome == "done" and (.stages | length == 3) and .peak.plate_true_c > 150'

# Exports: as any reader of CSV and JSON takes them, and the figures are those of the record.
run 0 tinlatch runs export "$first" --json
json '.lines[0].kind == "start" and .lines[-1].kind == "end"'
expect "the export lacks lines" [ "$(jq '.lines | length' "$out")" = "$(wc -l <"$first")" ]
run 0 tinlatch runs export "$first"
cp "$out" export.csv
expect "the CSV is not the record" python3 - "$first" export.csv <<'PY'
import csv, json, sys
scans = [s for s in map(json.loads, open(sys.argv[1])) if s["kind"] == "snapshot"]
rows = list(csv.DictReader(open(sys.argv[2], newline="")))
assert len(rows) == len(scans) > 1000
for row, scan in zip(rows, scans):
    assert None not in row and None not in row.values()
    assert round(float(row["t_s"]) * 1000) == scan["t_ms"]
    assert row["plate_c"] == "" or round(float(row["plate_c"]) * 1000) == scan["plate"][1]
    assert row["board_c"] == "" or round(float(row["board_c"]) * 1000) == scan["board"][1]
    assert (row["grant_c"] != "") == scan["grant"]["heat"]
    assert row["mode"] == scan["mode"]
assert any("note stage: Preheat" in row["told"] for row in rows)
PY
expect "the link that Python reckons is another" python3 - "$first" <<'PY'
import hashlib, re, sys
link = bytes(16)
for number, line in enumerate(open(sys.argv[1], "rb"), 1):
    body, told = re.fullmatch(rb'(.*),"chain":"([0-9a-f]{32})"}\n', line).groups()
    link = hashlib.blake2b(body, digest_size=16, key=link).digest()
    assert link.hex().encode() == told, number
PY

# Changed, cut, or no record at all.
sed '1000s/"duty":[0-9]*/"duty":77/' "$first" >changed.jsonl
run 1 tinlatch runs verify ./changed.jsonl
out_has "line 1000: it is not the line that was written"
run 1 tinlatch runs verify ./changed.jsonl --json
json '.outcome == "failed" and .records[0].bad_line == 1000 and .records[0].whole == false'
sed 2000d "$first" >changed.jsonl
run 1 tinlatch runs verify ./changed.jsonl
out_has "line 2000:"
head -c 1000000 "$first" >cut.jsonl
run 1 tinlatch runs verify ./cut.jsonl
out_has "it is cut off: its last line is half a one"
cp cut.jsonl "$kept/20260101-000000-cut-1.jsonl"
run 0 tinlatch runs list --rehearsals --outcome "cut off" --json
json '.runs | length == 1'
run 0 tinlatch runs list --rehearsals --outcome "goes on"
out_has "no record is like that"
run 0 flock "$kept/20260101-000000-cut-1.jsonl" "$TINLATCH" runs list --rehearsals --outcome "goes on"
out_has "goes on"
rm "$kept/20260101-000000-cut-1.jsonl"
run 0 tinlatch runs show ./cut.jsonl
out_has "the record was cut off: it"
run 0 flock ./cut.jsonl "$TINLATCH" runs show ./cut.jsonl
out_has "the run goes on: its record has no end yet"
run 0 tinlatch runs export ./cut.jsonl
echo "no record" >none.jsonl
for part in show export; do
    run 2 tinlatch runs $part ./none.jsonl
done
run 1 tinlatch runs verify ./none.jsonl
out_has "line 1: it is no line of a record"
sed '1s/"format":2/"format":1/' "$first" >old.jsonl
run 1 tinlatch runs verify ./old.jsonl
out_has "line 1: format 1"

# The job: what a person enters, before and after; a photo's digest is that of sha256sum.
printf 'not really a picture' >'front view.jpg'
run 0 tinlatch rehearse "$split" --found Sn63Pb37 --added Sn42Bi57Ag1 --photo 'front view.jpg' \
    --hot-spot "61 C at U5" --note "two shields were missing" --json
err_has "bismuth and lead meet"
job=$(jq -r .run "$out")
expect "the photo's digest is another" grep -q "front view.jpg sha256:$(sha256sum 'front view.jpg' | cut -d' ' -f1)" "$job"
for what in '"name":"alloy found","text":"Sn63Pb37"' '"name":"alloy added","text":"Sn42Bi57Ag1"' \
    '"name":"hot spot","text":"61 C at U5"' '"name":"note","text":"two shields were missing"' \
    '"name":"joint","text":"138.0 140.0 Sn42Bi57Ag1 frame"'; do
    expect "the record lacks $what" grep -qF "$what" "$job"
done
run 0 tinlatch rehearse "$split" --found "leaded, the factory's" --added "SN42BI58"
err_has "bismuth and lead meet"
for found in SAC305 "lead-free" "Lead-Free" "Pb-free SAC305"; do
    run 0 tinlatch rehearse "$split" --found "$found" --added Sn42Bi57Ag1
    err_lacks "bismuth"
done
# An alloy that is told later meets the one on record.
run 0 tinlatch rehearse "$split" --found Sn63Pb37 --json
later=$(jq -r .run "$out")
run 0 tinlatch runs add "$later" --added Sn42Bi57Ag1
err_has "bismuth and lead meet"
expect "the warning is not on record" grep -q '"name":"warning","text":"bismuth and lead meet' "$later"
run 0 tinlatch runs verify "$later"
# Heat cycles by serial: three are common, the fourth is warned of before a port is opened.
mkdir -p "$TINLATCH_HOME/runs"
cycles() { run 5 tinlatch run "$split" --bench "$TOP/recipes/benches/demo.ini" --quiet --serial "$1"; }
for i in 1 2 3; do
    cycles "HX 'quoted\" 1"
    err_lacks "heat cycle"
    cp "$first" "$TINLATCH_HOME/runs/2026010$i-101010-stack-split.jsonl"
done
cycles "HX 'quoted\" 1"
err_has "heat cycle 4 of the board HX 'quoted\" 1; parts are commonly allowed 3"
cycles other
err_lacks "heat cycle"
run 2 tinlatch rehearse "$split" --photo nowhere.jpg
err_has "nowhere.jpg"
run 0 tinlatch runs add "$job" --after battery="44.1 kohm" --note "boots and charges"
run 0 tinlatch runs verify "$job"
out_has "the interlock decides the same again"
run 0 tinlatch runs show "$job"
out_has "after   battery 44100 ohm"
out_has "boots and charges"
run 2 tinlatch runs add "$job"
err_has "what?"
run 2 tinlatch runs add "$job" --after battery=44
err_has "no resistance"
run 2 tinlatch runs add ./cut.jsonl --note x
err_has "the run has not ended in it"
run 2 tinlatch runs add ./changed.jsonl --note x
err_has "line 2000"
finish
