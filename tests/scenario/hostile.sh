#!/bin/bash
# SPDX-License-Identifier: MIT
# tests/hostile/*.lua: each names in its first line the outcome, the line ("-": any) and a part of the
# message: "-- expected: failed 5 used more". Whatever they try, everything is off at the end.
. "$TOP/tests/support/scenario.sh"

declare -A statuses=([done]=0 [failed]=1 [invalid]=2 [tripped]=3 [refused]=4)

for file in "$TOP"/tests/hostile/*.lua; do
    IFS= read -r first <"$file"
    read -r outcome line text <<<"${first#-- expected: }"
    expected=""
    for word in ${outcome//|/ }; do expected+="${expected:+|}${statuses[$word]}"; done
    run "$expected" tinlatch rehearse "$file" --json
    json ".outcome | IN(\"${outcome//|/\",\"}\")"
    if [ "$line" != - ]; then json ".error.line == $line"; fi
    if [ -n "$text" ]; then
        expect "the message holds: $text" grep -qF -- "$text" <<<"$(jq -r '.error.text + " " + .error.hint' "$out")"
    fi
    if [ "$(jq '.duration_s > 0' "$out")" = true ]; then record_whole; fi
done
finish
