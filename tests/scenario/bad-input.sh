#!/bin/bash
# SPDX-License-Identifier: MIT
# What a person, a broken disk or a stranger may hand over: a clear message, the fixed exit status,
# heat off in the record, and no crash.
. "$TOP/tests/support/scenario.sh"
demo=$TOP/recipes/benches/demo.ini
split=$TOP/recipes/stack-split.lua

# refused STATUS NAME TEXT...: check and rehearse end with STATUS and an error that holds each TEXT; so does run when the
# file or its header is at fault, before a port is opened.
refused() {
    local expected=$1 name=$2 verb verbs="check rehearse" text
    shift 2
    [ "$expected" = 1 ] || verbs="check rehearse run"
    for verb in $verbs; do
        run "$expected" tinlatch $verb "$name" --bench "$demo"
        for text in "$@"; do err_has "$text"; done
    done
    run "$expected" tinlatch rehearse "$name" --json
    json '.error != null and .outcome != "done"'
    expect "$name: what it wrote stands raw in the object" test -z "$(LC_ALL=C tr -d ' -~\n' <"$out")"
}
# ---- files that are no recipe ----
mkdir bad
: >bad/empty.lua
refused 2 bad/empty.lua
head -c 100000 /dev/zero >bad/zero.lua
refused 2 bad/zero.lua "zero.lua:1:"
head -c 5000 /dev/urandom >bad/noise.lua
refused 2 bad/noise.lua "noise.lua"
printf 'return recipe { title = "caf\xe9" }\n' >bad/latin.lua
refused 2 bad/latin.lua "latin.lua:1:" "UTF-8"
head -c 2000000 /dev/zero | tr '\0' ' ' >bad/huge.lua
refused 2 bad/huge.lua "huge.lua" "1 MiB"
printf '\033Lua\124\0\031\223\r\n\032\n' >bad/compiled.lua
refused 2 bad/compiled.lua "compiled"
refused 2 bad/no-such.lua "no-such.lua" "No such file"
mkdir bad/folder.lua
refused 2 bad/folder.lua "folder.lua"
mkfifo bad/fifo.lua
refused 2 bad/fifo.lua "fifo.lua" "not a regular file"
refused 2 /dev/zero "not a regular file"
refused 2 ""
if [ "$(id -u)" != 0 ]; then
    cp "$split" bad/secret.lua && chmod 0 bad/secret.lua
    refused 2 bad/secret.lua "ermission denied"
fi
recipe loop <<<'return recipe { title = "one",,, }'
refused 2 loop.lua "loop.lua:1:" "title"
recipe words <<<'heat the plate until it is hot'
refused 2 words.lua "words.lua:1:"
recipe number <<<'return 5'
refused 2 number.lua "recipe"
recipe deep < <(printf 'return '; printf '{%.0s' $(seq 3000))
refused 2 deep.lua "deep.lua"

# ---- headers ----
recipe key <<<'return recipe { api = 1, title = "t", baord = "hx210", steps = function() end }'
refused 2 key.lua "key.lua:1:" "baord" "board"
recipe api <<<'return recipe { api = 99, title = "t", steps = function() end }'
refused 2 api.lua "api"
recipe board <<<'return recipe { api = 1, title = "t", board = "hx211", steps = function() end }'
refused 2 board.lua "hx211" "hx210"
recipe unit <<<'return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", ceiling = { plate = 180 }, steps = function() end }'
refused 2 unit.lua "unit" "170 C"
recipe kind <<<'return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", ceiling = { plate = "180 s" }, steps = function() end }'
refused 2 kind.lua "180 s"
recipe over <<<'return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", ceiling = { plate = "300 C" }, steps = function() end }'
refused 4 over.lua "300 C" "250 C"
recipe insert <<<'return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x4", ceiling = { plate = "180 C" }, steps = function() end }'
refused 4 insert.lua "frame-60x4"
recipe lines <<'LUA'
return recipe {
  api = 1, title = "t", board = "hx210",
  insert = "frame-60x40",
  ceiling = { ramp = "2 C/s",
    plate = "300 C" },
  steps = function() end }
LUA
refused 4 lines.lua "lines.lua:5:" '    5 |     plate = "300 C" },' '      |             ^~~~~~~'
sed -i 's/300 C/180 C/; s/60x40/60x4/' lines.lua
refused 4 lines.lua "lines.lua:3:" 'did you mean "frame-60x40"' '      |            ^~~~~~~~~~~~'
refused 2 "$TOP/recipes/boards/hx210.lua" "this is a board file"
recipe nosteps <<<'return recipe { api = 1, title = "t", board = "hx210" }'
refused 2 nosteps.lua "steps"

# ---- steps ----
steps asks <<<'plate.ramp { to = "300 C", rate = "1 C/s", timeout = "5 min" }'
refused 1 asks.lua "asks.lua:3:" "300 C" "180 C"
steps bare <<<'plate.ramp { to = 120, timeout = "5 min" }'
refused 1 bare.lua "bare.lua:3:" "unit"
steps endless <<<'plate.ramp { to = "120 C" }'
refused 1 endless.lua "endless.lua:3:" "timeout"
steps slip <<<'plate.rmap { to = "120 C", timeout = "5 min" }'
refused 1 slip.lua "slip.lua:3:" "rmap" "ramp"
steps argument <<<'plate.ramp { too = "120 C", timeout = "5 min" }'
refused 1 argument.lua "argument.lua:3:" "too"
steps short <<<'plate.ramp { to = "170 C", rate = "1 C/s", timeout = "20 s" }'
refused 1 short.lua "short.lua:3:"
steps index <<<'local x = nil; x.y = 1'
refused 1 index.lua "index.lua:3:"
# A slip where no run comes by is told all the same, before anything is on.
steps untried <<'LUA'
plate.ramp { to = "90 C", timeout = "5 min", otherwise = function() plate.of() end }
LUA
refused 1 untried.lua "untried.lua:3:" '"plate.of" is not known' 'did you mean "plate.off"'
run 1 tinlatch run untried.lua --bench "$demo" # before a port is opened, and before anything is asked
err_has "untried.lua:3:" '"plate.of" is not known'
out_lacks "check"
steps thrown <<<'error({})'
refused 1 thrown.lua "thrown.lua"
steps thrown_text <<<'error("\27[31mred\0")'
refused 1 thrown_text.lua

# What may not be swallowed is not: the recipe ends at the refused step.
steps swallow <<'LUA'
for i = 1, 1000 do pcall(plate.ramp, { to = "300 C", timeout = "5 min" }) end
note "went on"
LUA
refused 1 swallow.lua "300 C"
steps again <<'LUA'
pcall(wait_until, { function() return false end, timeout = "5 s" })
LUA
refused 1 again.lua

# What the sandbox does not hold.
for name in os io debug coroutine package dofile loadfile; do
    steps "sandbox_$name" <<<"local x = $name.exit or $name.open or $name() x()"
    refused 1 "sandbox_$name.lua" "$name"
done
steps beside <<<'require "no-such-module"'
refused 1 beside.lua "no-such-module"
steps above <<<'require "../secret"'
refused 1 above.lua

# ---- board files ----
sed 's/title/titel/' "$TOP/recipes/boards/hx210.lua" >titel.board
run 2 tinlatch check "$split" --board titel.board
err_has "titel"
for bad in bad/empty.lua bad/zero.lua bad/noise.lua bad/latin.lua bad/huge.lua bad/folder.lua bad/fifo.lua bad/no-such.lua words.lua number.lua; do
    run 2 tinlatch rehearse "$split" --board "$bad"
    err_has "${bad%.lua}"
done
sed 's/name = "U2", on = "upper", x = "16 mm"/name = "U2", on = "upper", x = "66 mm"/' "$TOP/recipes/boards/hx210.lua" >off.board
run 2 tinlatch check "$split" --board off.board
err_has "off.board:16: part U2: its centre, at 66 by 22 mm, is not on its board of 60 by 40 mm"
sed '0,/inject_volts = "0.8 V"/s//inject_volts = "40 V"/' "$TOP/recipes/boards/hx210.lua" >inject.board
run 2 tinlatch check "$split" --board inject.board
err_has "inject.board:31: rail battery: inject_volts = 40 V is above the 4 V that the rail carries"
echo 'while true do end' >loop.board
run 1 tinlatch check "$split" --board loop.board --cpu 0.5
err_has "loop.board"
echo 'local t = {} while true do t[#t + 1] = {} end' >memory.board
run 1 tinlatch check "$split" --board memory.board --cpu 5
echo 'return { name = "hx210" }' >bare.board
run 2 tinlatch check "$split" --board bare.board

# ---- bench files ----
# bench EDIT TEXT: the demo bench after a sed EDIT is refused, with its line and TEXT.
bench() {
    sed "$1" "$demo" >bench.ini
    if cmp -s bench.ini "$demo"; then wrong "the edit $1 changed nothing"; fi
    run 2 tinlatch rehearse "$split" --bench bench.ini
    err_has "bench.ini"
    err_has "$2"
    run 2 tinlatch-guard --bench bench.ini
    err_has "$2"
}
bench '1i nonsense' "bench.ini:1:"
bench '1i [plaet]' "plate"
bench '$a [plate]' "plate"
bench '$a unheard-of = 5' "unheard-of"
bench 's/^ramp.*/ramp = 2.5/' "unit"
bench 's/^ramp.*/ramp = 2.5 V/' "C/s"
bench 's/^ramp.*/ramp = 99 C\/s/' "ramp"
bench 's/^ramp.*/ramp = nan C\/s/' "nan"
bench 's/^ramp.*/ramp = -1 C\/s/' "ramp"
bench 's/^ramp.*/ramp = 2.5 C\/s ; fast/' "bench.ini"
bench 's/^ramp.*/  ramp = 2.5 C\/s/' "bench.ini"
bench 's/^ramp.*/&\n&/' "ramp"
bench "s/^ramp.*/ramp = $(printf '%0500d' 1) C/" "bench.ini"
bench 's/^ramp.*/ramp = \x01/' "bench.ini"
bench 's/^ramp.*/ramp = \xff\xfe/' "bench.ini"
for bad in bad/empty.lua bad/zero.lua bad/noise.lua bad/latin.lua bad/huge.lua bad/folder.lua bad/fifo.lua bad/no-such.lua words.lua; do
    run 2 tinlatch rehearse "$split" --bench "$bad"
    err_has "${bad%.lua}"
    run 2 tinlatch-guard --bench "$bad"
done

# ---- answers ----
for text in "yes after 5 C" "yes after soon" "$(printf '%0300d' 0)" maybe nope "yes after 5" "yes in 5 s" "45 lumen"; do
    printf '%s\n' "$text" >answers
    run 2 tinlatch rehearse "$split" --answers answers
    err_has "answers:1:"
done
yes yes | head -n 5000 >answers
run 2 tinlatch rehearse "$split" --answers answers
for bad in bad/zero.lua bad/folder.lua bad/fifo.lua bad/no-such.lua; do
    run 2 tinlatch rehearse "$split" --answers "$bad"
done

finish
