#!/bin/bash
# SPDX-License-Identifier: MIT
# tests/hostile/*.lua, and tests/hostile/hot/*.lua, which turn hostile when their question is answered with no: each names
# in its first line what becomes of it, its line ("-": any; in another file: FILE:LINE) and a part of the message:
# "-- expected: killed 5 used more". Whatever they try, everything is off at the end.
#   error      the recipe fails at that line, everything off
#   killed     memory or processor time: it is ended from outside of Lua
#   refused    before anything is asked of the bench
#   harmless   it gets its way, which is no harm
#   tripped    the interlock ends it
. "$TOP/tests/support/scenario.sh"

declare -A statuses=([error]=1 [killed]=1 [refused]="2|4" [harmless]=0 [tripped]=3)
killed=-13 # TL_KILLED in a record

what_became() { # of the last one
    case $status in
    0) echo harmless ;;
    2 | 4) echo refused ;;
    3) echo tripped ;;
    *) if [ "$(tail -n 1 "$(jq -r .run "$out")" | jq .error.code)" = "$killed" ]; then echo killed; else echo error; fi ;;
    esac
}

# named NAME: it stands in the table of threats.
mapfile -t threats < <(grep '^|' "$TOP/tests/hostile/README.md" | grep -oP '`\K[a-z0-9*/-]+(?=`)')
named() {
    local threat
    for threat in "${threats[@]}"; do
        # shellcheck disable=SC2053 # a pattern
        if [[ $1 == $threat ]]; then return 0; fi
    done
    return 1
}

declare -A counts=()
echo no >"$box/no"
for file in "$TOP"/tests/hostile/*.lua "$TOP"/tests/hostile/hot/*.lua; do
    name=${file#"$TOP/tests/hostile/"}
    expect "it stands in tests/hostile/README.md" named "${name%.lua}"
    options=()
    if [[ $name == hot/* ]]; then options=(--bench "$TOP/tests/data/quick.ini" --answers "$box/no"); fi
    IFS= read -r first <"$file"
    read -r kind place text <<<"${first#*-- expected: }"
    # What runs for ever is ended after one second or five; all else comes to its own end, on any machine.
    cpu=60
    if [[ $text == *"ran for more than"* ]]; then if [ "$KIND" = release ]; then cpu=1; else cpu=5; fi; fi
    run "${statuses[$kind]}" tinlatch rehearse "$file" --json --cpu $cpu "${options[@]}"
    expect "$kind, and it was $(what_became)" [ "$(what_became)" = "$kind" ]
    counts[$kind]=$((${counts[$kind]:-0} + 1))
    case $place in
    -) ;;
    *:*) err_has "$place:" && json "(.error.file + \":\" + (.error.line | tostring)) | endswith(\"$place\")" ;;
    *) err_has "$file:$place:" && json ".error.line == $place and .error.file == \"$file\"" ;;
    esac
    if [ -n "$text" ]; then
        expect "the message holds: $text" grep -qF -- "$text" <<<"$(jq -r '[.error.text, .error.hint, .trip.text] | join(" ")' "$out")"
    fi
    # nothing that turns a terminal's text round
    expect "characters that turn text round" \
        [ -z "$(LC_ALL=C grep -P '\xE2\x80[\x8E\x8F\xA8-\xAE]|\xE2\x81[\xA6-\xA9]' "$err")" ]
    if [ "$(jq '.duration_s > 0' "$out")" = true ]; then record_whole; fi
done

for kind in error killed refused harmless tripped; do printf '%s: %s\n' $kind "${counts[$kind]}"; done
finish
