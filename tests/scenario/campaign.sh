#!/bin/bash
# SPDX-License-Identifier: MIT
# Faults at drawn instants, every recipe on every kind of bench: none that a rule has to see is missed, nothing trips for
# nothing. Half of the draws have no fault; with PAIRS=20 so many more have two. A longer campaign:
# DRAWS=1000 PAIRS=1000 SEED=1 tests/scenario/campaign.sh; with TABLE=FILE what was counted is kept there, and a next one,
# of other seeds, adds to it.
. "$TOP/tests/support/scenario.sh"

draws=${DRAWS:-100}
[ "${KIND:-}" != dev ] && [ "${KIND:-}" != coverage ] || draws=${DRAWS:-3} # a tenth of the speed
pairs=${PAIRS:-0}
LIMIT=${LIMIT:-3600}
table=${TABLE:-$box/table}
shipped="stack-split stack-join stack-split-hx230 part-off reball short-check"
benches=(
    "recipes/benches/demo $shipped"
    "recipes/benches/single $shipped"
    "tests/data/controller $shipped"
    "tests/data/contactor $shipped"
    "tests/data/by-hand $shipped"
    "tests/data/quick-controller warm board hold"
    "tests/data/quick-contactor warm board hold"
    "tests/data/quick-hand warm board hold"
)
seed=${SEED:-1} two=$((1000000 + ${SEED:-1}))
# OPTION DRAWS SEED: as JSON, judged
play() {
    run 0 tinlatch trials "$TOP/$folder/$recipe.lua" --bench "$TOP/$bench.ini" "$1" --draws "$2" --seed "$3" --json
    json '([.faults[].missed, .faults[].other_rule, .faults[].false_trips] | add) == 0'
    [ "$status" = 0 ] || jq -r '.failures[] | "\(.verdict): \(.text)\n    \(.command)"' "$out"
}
for row in "${benches[@]}"; do
    read -r bench recipes <<<"$row"
    folder=recipes
    [[ $bench != */quick-* ]] || folder=tests/data/quick
    for recipe in $recipes; do
        play --faults "$draws" "$seed"
        jq -c --arg bench "${bench##*/}" '.faults[] + {bench: $bench}' "$out" >>"$table"
        [ "$pairs" = 0 ] || play --pairs "$pairs" "$two"
        seed=$((seed + draws)) two=$((two + pairs)) # no draw twice
    done
done

# With two sensors on the plate, whatever the first one shows, the plate stays within 20 K of what was asked for. A cold
# junction is the instrument's: only where the second sensor has one of its own.
expect "a sensor of two made the plate too hot" jq -es '
    [.[] | select((.bench | IN("demo", "controller", "contactor")) and
        ((.fault | test("^(sensor|reader)-")) or
            (.bench == "controller" and (.fault | test("^cold-junction-")))) and
        .over_set_k > 20)] == []' "$table"

# Few draws of one recipe may all be without a fault that trips; those of all of them are not.
expect "some fault was to be caught" jq -es '([.[].caught] | add) > 0' "$table"

# All recipes together, a line for each fault: as docs/explanation/interlocks.md prints it.
jq -rs '
    def most(f): [.[] | f | values] | max | if . == null then "" else . * 10 | round / 10 end;
    def rules: [.[] | .by | to_entries[]] | group_by(.key)
        | map({key: .[0].key, n: ([.[].value] | add)}) | sort_by(-.n) | map("`\(.key)` \(.n)") | join(", ");
    group_by(.bench)[] | .[0].bench as $bench | group_by(.fault)[]
    | "| \($bench) | \(.[0].fault) | \([.[].runs] | add) | \([.[].tripped] | add) | \(rules) | \(most(.scans_most)) | \(most(.over_set_k)) | \(most(.over_ceiling_k)) | \([.[].missed] | add) | \([.[] | .false_trips + .other_rule] | add) |"
' "$table"
finish
