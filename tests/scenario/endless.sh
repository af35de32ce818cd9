#!/bin/bash
# SPDX-License-Identifier: MIT
# Recipes that do not end, or want everything: ended within their budget, the line told, the record
# closed with everything off.
. "$TOP/tests/support/scenario.sh"
LIMIT=180 # processor time is what is budgeted; a busy machine takes longer over it

# ended STATUS NAME TEXT...: a rehearsal ends with STATUS, an error that holds each TEXT, and a whole
# record whose last scan has no heat.
ended() {
    local expected=$1 name=$2 text
    shift 2
    run "$expected" tinlatch rehearse "$name" --json --cpu 0.5
    json '(.error != null or .trip != null) and (.outcome | IN("failed", "tripped"))'
    for text in "$@"; do err_has "$text"; done
    # What never got past its header was never on the bench.
    if jq -e '.duration_s > 0' "$out" >/dev/null; then record_whole; fi
}

recipe spin_load <<<'while true do end'
ended 1 spin_load.lua "spin_load.lua:1:"
steps spin <<<'while true do end'
ended 1 spin.lua "spin.lua:3:"
steps spin_pcall <<<'while true do pcall(function() while true do end end) end'
ended 1 spin_pcall.lua "spin_pcall.lua:3:"
steps spin_match <<<'("a"):rep(50000):find(("a*"):rep(200) .. "b")'
ended 1 spin_match.lua
steps memory <<<'local t = {} while true do t[#t + 1] = ("x"):rep(1000) .. #t end'
ended 1 memory.lua "memory"
steps memory_once <<<'local s = "x" while true do s = s .. s end'
ended 1 memory_once.lua
steps memory_pcall <<<'while true do pcall(function() local s = "x" while true do s = s .. s end end) end'
ended 1 memory_pcall.lua
steps recurse <<<'local function f() return 1 + f() end f()'
ended 1 recurse.lua "recurse.lua:3:"
steps recurse_pcall <<<'local function f() pcall(f) end while true do f() end'
ended 1 recurse_pcall.lua
steps chatter <<<'while true do tell "again and again" end'
ended 1 chatter.lua
steps notes <<<'while true do note(("x"):rep(100)) end'
ended 1 notes.lua
steps sort <<<'table.sort({3, 1, 2, 5, 4}, function() while true do end end)'
ended 1 sort.lua
steps meta <<<'local t = setmetatable({}, { __index = function(t, k) return t[k] end }) local x = t.x'
ended 1 meta.lua
steps hot_spin <<'LUA'
plate.ramp { to = "120 C", rate = "2 C/s", timeout = "5 min" }
while true do end
LUA
ended 1 hot_spin.lua

finish
