# SPDX-License-Identifier: MIT
# Sourced by tests/scenario/*.sh. A script runs the built programs and says what it expects:
#   run STATUS tinlatch check x.lua     run it; its exit status is STATUS ("1|2": either)
#   out_has TEXT / err_has TEXT         what it wrote on standard output / error holds TEXT
#   out_lacks TEXT / err_lacks TEXT
#   json FILTER                         what it wrote is one JSON object for which jq's FILTER holds
#   html_valid FILE / svg_valid FILE    pictures_valid FILE: those inside a page
#   record_whole                        the record it left is whole and everything is off at its end
#   finish                              last line of the script
# Whatever is run must not crash, must not trip a sanitizer, and must write plain text.
set -u
: "${TOP:?the source tree}" "${TINLATCH:?the built tinlatch}" "${GUARD:?the built tinlatch-guard}"

box=$(mktemp -d) || exit 2
trap 'chmod -R u+rwx "$box"; rm -rf "$box"' EXIT
cd "$box" || exit 2
export TINLATCH_HOME=$box/home ASAN_OPTIONS=${ASAN_OPTIONS:-detect_leaks=1} LC_ALL=C
unset NO_COLOR XDG_CONFIG_HOME XDG_STATE_HOME
mkdir "$TINLATCH_HOME"

checks=0 failures=0 command_line="" status=0
out=$box/out err=$box/err

wrong() {
    failures=$((failures + 1))
    printf -- '--- %s (line %s)\n    command: %s\n    status: %s\n' "$1" "${BASH_LINENO[1]}" \
        "$command_line" "$status"
    sed 's/^/    out: /' "$out" | head -n 12
    sed 's/^/    err: /' "$err" | head -n 12
}

run() {
    local expected=$1
    shift
    case $1 in
    tinlatch) shift && set -- "$TINLATCH" "$@" ;;
    tinlatch-guard) shift && set -- "$GUARD" "$@" ;;
    esac
    command_line=$*
    timeout -k 5 "${LIMIT:-120}" "$@" >"$out" 2>"$err" </dev/null
    status=$?
    checks=$((checks + 1))
    if [ "$status" -ge 124 ]; then
        wrong "it crashed or hung"
    elif ! grep -qxE "$expected" <<<"$status"; then
        wrong "expected status $expected"
    fi
    if grep -qE 'Sanitizer|runtime error:|Assertion' "$err"; then wrong "a sanitizer or an assertion spoke"; fi
    if LC_ALL=C grep -qP '[\x00-\x08\x0b-\x1f\x7f]' "$out" "$err"; then
        wrong "control bytes in what it wrote"
    fi
}

has() { # FILE TEXT
    checks=$((checks + 1))
    grep -qF -- "$2" "$1" || wrong "expected this in ${1##*/}: $2"
}
lacks() {
    checks=$((checks + 1))
    ! grep -qF -- "$2" "$1" || wrong "did not expect this in ${1##*/}: $2"
}
out_has() { has "$out" "$1"; }
err_has() { has "$err" "$1"; }
out_lacks() { lacks "$out" "$1"; }
err_lacks() { lacks "$err" "$1"; }
json() {
    checks=$((checks + 1))
    # -s: two objects, or none, make another array than [x]
    jq -es "length == 1 and (.[0] | ($1))" "$out" >/dev/null 2>&1 || wrong "expected of the JSON: $1"
}
# expect DESCRIPTION COMMAND...: for what has no shorter form.
expect() {
    checks=$((checks + 1))
    local what=$1
    shift
    "$@" || wrong "$what"
}

# html_valid FILE, svg_valid FILE: as HTML5 by tidy; by the DTD of SVG 1.1, to which `role` is unknown.
html_valid() {
    checks=$((checks + 1))
    tidy -quiet -errors --drop-empty-elements no "$1" 2>"$box/said" && [ ! -s "$box/said" ] || invalid "$1"
}
svg_valid() {
    checks=$((checks + 1))
    sed 's/ role="img"//' "$1" | xmllint --noout --nonet - 2>"$box/said" \
        --dtdvalid /usr/share/xml/w3c-sgml-lib/schema/dtd/REC-SVG11-20110816/svg11.dtd || invalid "$1"
}
# What only HTML knows goes: names for its script and for who cannot see it.
pictures_valid() {
    rm -f "$box"/within-*.svg
    python3 - "$1" "$box/within" <<'PY'
import re, sys
for n, svg in enumerate(re.findall(r"<svg.*?</svg>", open(sys.argv[1]).read(), re.S)):
    svg = re.sub(r' (?:data-[a-z0-9]+(?:="[^"]*")?|aria-[a-z]+="[^"]*"|tabindex="0")', "", svg)
    open(f"{sys.argv[2]}-{n}.svg", "w").write(svg.replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1))
PY
    for svg in "$box"/within-*.svg; do svg_valid "$svg"; done
}
invalid() {
    cp "$box/said" "$err"
    wrong "$1 is not valid"
}

# recipe NAME: standard input becomes NAME.lua. steps NAME: it becomes the steps of a whole recipe.
recipe() { cat >"$1.lua"; }
steps() {
    { printf 'return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",\n'
      printf 'ceiling = { plate = "180 C" }, steps = function(p)\n'; cat; printf 'end }\n'; } >"$1.lua"
}
# record_whole: the record of the last --json run is JSON lines, ends with that outcome, and its last
# scan has everything off.
record_whole() {
    local record outcome
    record=$(jq -r '.run // empty' "$out") outcome=$(jq -r .outcome "$out")
    checks=$((checks + 1))
    jq -es --arg outcome "$outcome" '
        .[0].kind == "start" and .[-1].kind == "end" and .[-1].outcome == $outcome and
        ([.[] | select(.kind == "snapshot")] | length > 0 and
         (.[-1] | (.duty // 0) == 0 and (.grant.heat // false | IN(false, 0)) and
                  (.grant.supply // false | IN(false, 0))))' \
        "$record" >/dev/null 2>&1 || wrong "the record ($record) is not whole, or not off at its end"
}

finish() {
    printf '%s checks, %s failures\n' "$checks" "$failures"
    [ "$failures" = 0 ] && [ "$checks" -gt 0 ]
    exit
}
