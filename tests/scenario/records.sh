#!/bin/bash
# SPDX-License-Identifier: MIT
# Records: where they go, that none is lost or mixed up, that the same seed gives the same one.
. "$TOP/tests/support/scenario.sh"
split=$TOP/recipes/stack-split.lua
records() { find "$1" -name '*.jsonl' | wc -l; }

# The same seed: the same object but for wall time and the record's name.
run 0 tinlatch rehearse "$split" --seed 7 --json
jq -S 'del(.wall_s, .run)' "$out" >first && cp "$(jq -r .run "$out")" first.jsonl
run 0 tinlatch rehearse "$split" --seed 7 --json
expect "the same seed gave another result" bash -c 'jq -S "del(.wall_s, .run)" "$1" | cmp -s - first' - "$out"
expect "the same seed gave another record" cmp -s "$(jq -r .run "$out")" first.jsonl
run 0 tinlatch rehearse "$split" --seed 8 --json
expect "another seed gave the same result" bash -c '! jq -S "del(.wall_s, .run)" "$1" | cmp -s - first' - "$out"
run 0 tinlatch rehearse "$split" --serial "HX 'quoted\" ü" --json
expect "the record lacks the serial number" grep -q "HX 'quoted" "$(jq -r .run "$out")"

# Started at once, no two share a record.
rm -rf "$TINLATCH_HOME"/rehearsals
for i in 1 2 3 4; do "$TINLATCH" rehearse "$split" --json >"parallel-$i" 2>&1 & done
wait
expect "four rehearsals at once left other than four records" [ "$(records "$TINLATCH_HOME")" = 4 ]
expect "two rehearsals shared a record" [ "$(cat parallel-* | jq -r .run | sort -u | wc -l)" = 4 ]

# The last 50 are kept; nothing else in the directory is touched.
kept=$TINLATCH_HOME/rehearsals
rm -rf "$kept" && mkdir -p "$kept"
for i in $(seq -w 60); do touch -d "2026-01-01 00:00:$i" "$kept/20260101-0000$i-old-1.jsonl" 2>/dev/null ||
    touch -d "2026-01-01 00:01:00" "$kept/20260101-0000$i-old-1.jsonl"; done
touch "$kept/mine.jsonl" "$kept/20260101-000000-notes.txt"
mkdir "$kept/20260101-000000-a-directory-1.jsonl"
run 0 tinlatch rehearse "$split" --json
expect "not the last 50 are kept" [ "$(find "$kept" -name '2026*.jsonl' -type f | wc -l)" = 50 ]
expect "the newest was removed" [ -s "$(jq -r .run "$out")" ]
expect "the oldest was kept" [ ! -e "$kept/20260101-000001-old-1.jsonl" ]
expect "another file was touched" [ -e "$kept/mine.jsonl" -a -e "$kept/20260101-000000-notes.txt" ]

# Where they go.
run 0 env -u TINLATCH_HOME XDG_STATE_HOME="$box/state" "$TINLATCH" rehearse "$split"
expect "nothing in XDG_STATE_HOME" [ "$(records "$box/state/tinlatch/rehearsals")" = 1 ]
run 0 env -u TINLATCH_HOME HOME="$box/me" XDG_STATE_HOME=relative "$TINLATCH" rehearse "$split"
expect "nothing in ~/.local/state" [ "$(records "$box/me/.local/state/tinlatch/rehearsals")" = 1 ]

# A record that cannot be kept is a warning.
touch "$box/not-a-directory"
run 0 env TINLATCH_HOME="$box/not-a-directory" "$TINLATCH" rehearse "$split" --json
err_has "warning: no record is kept"
json '.run == null and .outcome == "done"'
run 0 env -u TINLATCH_HOME -u HOME "$TINLATCH" rehearse "$split"
err_has "warning: no record is kept"

# --out: a chart and a copy of the record.
run 0 tinlatch rehearse "$split" --out "$box/a/b" --json
expect "the chart is not XML" xmllint --noout "$box/a/b/chart.svg"
expect "the maps are not XML" xmllint --noout "$box/a/b/melt-map.svg" "$box/a/b/heat-map.svg"
# A line for each place, which melts and then freezes; the first and the last to melt are those that are told.
expect "the table of places does not read" python3 - "$box/a/b/places.csv" "$out" <<'PY'
import csv, json, sys
rows = list(csv.DictReader(open(sys.argv[1])))
frame = next(j for j in json.load(open(sys.argv[2]))["joints"] if j["joint"] == "frame")
melts = [float(r["melts_s"]) for r in rows if r["joint"] == "frame"]
assert len(melts) == 8 and all(0 <= float(r["x_mm"]) <= 60 and 0 <= float(r["y_mm"]) <= 40 for r in rows)
assert all(float(r["freezes_s"]) > float(r["melts_s"]) for r in rows if r["melts_s"] and r["freezes_s"])
assert abs(min(melts) - frame["first_s"]) < 0.1 and abs(max(melts) - frame["last_s"]) < 0.1
PY
expect "the copy differs from the record" cmp -s "$(jq -r .run "$out")" "$box"/a/b/*.jsonl
err_has "wrote $box/a/b/chart.svg"
run 0 tinlatch rehearse "$split" --out "$box/a/b"
out_has "wrote $box/a/b/chart.svg"
# --out into the directory of the records leaves the record whole; a pipe, a link or an old part in the way is
# neither waited for nor followed.
run 0 tinlatch rehearse "$split" --out "$TINLATCH_HOME/rehearsals" --json
record_whole
rm -f "$TINLATCH_HOME/rehearsals/chart.svg"
mkdir -p "$box/traps" && echo precious >"$box/victim"
LIMIT=20
mkfifo "$box/traps/chart.svg.part"
run 0 tinlatch rehearse "$split" --out "$box/traps"
ln -sf "$box/victim" "$box/traps/chart.svg.part"
rm "$box/traps/chart.svg" && ln -s "$box/victim" "$box/traps/chart.svg"
run 0 tinlatch rehearse "$split" --out "$box/traps"
expect "a link was followed" [ "$(cat "$box/victim")" = precious ]
expect "the chart is not XML" xmllint --noout "$box/traps/chart.svg"
expect "the chart is still a link" [ ! -L "$box/traps/chart.svg" ]
expect "a part was left" [ -z "$(find "$box/traps" -name '*.part')" ]
unset LIMIT

run 2 tinlatch rehearse "$split" --out "$box/not-a-directory"
err_has "not-a-directory"
run 2 tinlatch rehearse "$split" --out "$box/not-a-directory/x" --json
json '.outcome == "invalid"'

# The configuration directory's bench file is used; without one the demo bench is, and that is said.
run 0 tinlatch rehearse "$split"
out_has "demo"
echo "nonsense" >"$TINLATCH_HOME/bench.ini"
run 2 tinlatch rehearse "$split"
err_has "$TINLATCH_HOME/bench.ini:1:"
mkdir -p "$box/config/tinlatch"
cp "$TOP/recipes/benches/demo.ini" "$box/config/tinlatch/bench.ini"
run 0 env -u TINLATCH_HOME HOME="$box/me" XDG_CONFIG_HOME="$box/config" "$TINLATCH" rehearse "$split"
rm "$TINLATCH_HOME/bench.ini"
# A path that cannot be formed is an error: the demo's limits must not stand in for the owner's.
long=/$(printf 'x%.0s' $(seq 2000))
run 2 env TINLATCH_HOME="$long" "$TINLATCH" rehearse "$split"
err_has "File name too long"
run 2 env -u TINLATCH_HOME HOME="$box/me" XDG_CONFIG_HOME="$long" "$TINLATCH" rehearse "$split"
run 2 tinlatch rehearse "$split" --bench "$long"
err_has "File name too long"

# A signal ends it at once, with its own status and one object.
cat >slow.lua <<'LUA'
return recipe { api = 1, title = "slow", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "100 C" },
  steps = function() while true do end end }
LUA
for signal in INT TERM HUP; do
    command_line="rehearse slow.lua, then kill -$signal"
    # a subshell's background jobs ignore INT: bash's own way out is a foreground timeout
    timeout --foreground -s "$signal" -k 10 1 "$TINLATCH" rehearse slow.lua --json >"$out" 2>"$err"
    status=$(grep -c . "$out")
    json '.outcome == "stopped"'
    err_has "stopped by a signal"
done
finish
