#!/bin/bash
# SPDX-License-Identifier: MIT
# A recipe from one technician to another: keys, packs, what the second one is told, the shelf; and what an
# ill-meaning one may try on the way.
. "$TOP/tests/support/scenario.sh"

as() { export TINLATCH_HOME=$box/$1; mkdir -p "$TINLATCH_HOME"; }
cp -r "$TOP/recipes" "$box/mine"
recipe=$box/mine/stack-split.lua
version() { sed -i "s/version = [0-9]*/version = $1/" "$recipe"; }
# short NAME VERSION STEPS: a recipe whose thirty rehearsals take no time, for what is not about heat
short() {
    printf 'return recipe { api = 1, version = %s, title = "t", board = "hx210", steps = function() %s end }\n' \
        "$2" "$3" >"$box/mine/$1.lua"
}

# Ann makes a key; its passphrase is asked for, and is needed
as ann
run 2 tinlatch key new ann
err_has "no passphrase was given"
run 0 bash -c "echo melt 138 | '$TINLATCH' key new ann"
out_has "RW"
expect "the secret key is its owner's alone" [ "$(stat -c %a "$TINLATCH_HOME/keys/ann.key")" = 600 ]
run 2 tinlatch key new ann --no-passphrase
err_has "already"
run 2 tinlatch key new ../ann --no-passphrase
err_has "no name for a key"
run 2 bash -c "{ sleep 2; printf '\\003'; sleep 5; } | script -qec \"'$TINLATCH' key new dora\" '$box/typed' >'$box/shown'"
expect "the key that stops a program stops the question" grep -q "no passphrase was given" "$box/typed"
run 2 tinlatch pack "$recipe" --out "$box/out.1"
err_has "no passphrase was given"
run 2 bash -c "echo melt 139 | '$TINLATCH' pack '$recipe' --out '$box/out.1'"
err_has "not the key's passphrase"

# what is not fit is not packed
sed 's/, version = 1//' "$recipe" >"$box/mine/without.lua"
run 2 tinlatch pack "$box/mine/without.lua"
err_has "no version"
sed 's/plate.ramp { to = p.melt/plate.ramp { to = "300 C"/' "$recipe" >"$box/mine/hot.lua"
run 2 tinlatch pack "$box/mine/hot.lua"
err_has "only what ends as done in rehearsal is packed"

# Ann packs, with notes and a module of hers
printf 'return "%s"\n' house >"$box/mine/house.lua"
sed -i '1i local house = require "house"' "$recipe"
printf 'Check the lids.\nTwice.\n' >"$box/notes"
run 0 bash -c "echo melt 138 | '$TINLATCH' pack '$recipe' --notes '$box/notes' --licence '$TOP/LICENSE' --out '$box/sent'"
pack=$box/sent/stack-split-1.tinlatch
out_has "6 parts"
expect "the pack is plain text" [ -z "$(LC_ALL=C grep -P '[^\x09\x20-\x7e]' "$pack" | head -n 1)" ]
expect "the module is in it" grep -q "^part: module house.lua " "$pack"
run 0 tinlatch key show ann
cp "$out" "$box/sent/ann.pub"

# Bob does not know her yet
as bob
run 0 tinlatch inspect "$pack" --split "$box/split"
out_has "MIT License"
out_has "lines more: inspect --split"
out_lacks "OTHER DEALINGS" # the licence's last words
out_has "a key that is not trusted here"
out_has "$(tail -n 1 "$box/sent/ann.pub")"
out_has "never seen here"
out_has "Check the lids."
out_has "insert      frame-60x40: is in the bench file"
out_has "rehearsed here just now, recipe and world in two processes"
out_has "with every timeout used in full"
out_has "On this bench: done"
out_has "no failure in 30 draws supports 90 % safe"
out_lacks "TAKE CARE"

# the standard tool verifies it, and what it signs we verify
run 0 minisign -V -p "$box/sent/ann.pub" -m "$box/split/signed" -x "$box/split/signed.minisig"
out_has "tinlatch-pack stack-split version 1 board hx210"
expect "the parts are the files" cmp -s "$box/split/parts/stack-split.lua" "$recipe"
expect "the hashes are those of sha256sum" [ "$(sha256sum <"$recipe" | cut -d ' ' -f 1)" = \
    "$(grep '^part: recipe' "$pack" | cut -d ' ' -f 5)" ]
if run 0 minisign -G -W -f -p "$box/standard.pub" -s "$box/standard.key"; then :; fi
key=$(tail -n 1 "$box/standard.pub")
sed "2s|.*|signer: $key|" "$box/split/signed" >"$box/again"
run 0 minisign -S -s "$box/standard.key" -m "$box/again" -x "$box/again.minisig" \
    -t "tinlatch-pack stack-split version 1 board hx210"
id=$(head -n 1 "$box/standard.pub" | grep -oE '[0-9A-F]+$')
{ cat "$box/again"; sed "1s/.*/untrusted comment: signed with key $(printf '%016X' "0x$id")/" "$box/again.minisig"; } \
    >"$box/by-tool.tinlatch"
run 4 tinlatch accept "$box/by-tool.tinlatch"
out_has "not a byte was changed since it signed"
err_has "signed by a key that is not trusted here"
# and its key files are ours: the same secret key signs for both
as ann
cp "$box/standard.key" "$TINLATCH_HOME/keys/tool.key" && cp "$box/standard.pub" "$TINLATCH_HOME/keys/tool.pub"
short note 1 'tell "one"'
run 0 tinlatch pack "$box/mine/note.lua" --key tool --out "$box/tool"
run 0 tinlatch accept "$box/tool/note-1.tinlatch"
out_has "signed by   tool"
rm "$TINLATCH_HOME/keys/tool.key" "$TINLATCH_HOME/keys/tool.pub"
run 0 bash -c "echo melt 138 | minisign -S -s '$TINLATCH_HOME/keys/ann.key' -m '$box/notes' -x '$box/notes.minisig'"
run 0 minisign -V -p "$box/sent/ann.pub" -m "$box/notes" -x "$box/notes.minisig"

# Bob trusts nobody yet
as bob
run 4 tinlatch accept "$pack"
err_has "signed by a key that is not trusted here"
run 4 tinlatch rehearse "$pack"
run 4 tinlatch run "$pack" --bench "$TOP/recipes/benches/demo.ini"
run 0 tinlatch shelf list
out_has "nothing is on the shelf"
run 2 tinlatch key trust "$box/notes"
err_has "no public key"
run 0 tinlatch key trust "$box/sent/ann.pub"
run 2 tinlatch key trust "$box/sent/ann.pub" --as anna
err_has "trusted already: ann"
run 2 tinlatch key trust "$key"
err_has "--as NAME"
run 2 tinlatch key trust "$key" --as ann
err_has "that name has another key"

# now he does: it goes on the shelf unasked, and is found there by its name
run 4 tinlatch run "$pack" --bench "$TOP/recipes/benches/demo.ini"
err_has "was not accepted here"
run 0 tinlatch accept "$pack"
run 0 tinlatch accept "$pack"
run 0 tinlatch shelf list
out_has "version 1    ann"
run 0 tinlatch rehearse stack-split --json
json '.outcome == "done" and .board == "hx210"'
# its record says whose recipe that was, and that it was looked at again
hash=$(sha256sum <"$box/split/signed" | cut -d ' ' -f 1) of_recipe=$(sha256sum <"$recipe" | cut -d ' ' -f 1)
id=$(grep -oE '[0-9A-F]{16}' "$pack" | tail -n 1)
record=$(jq -r .run "$out")
told='.pack == "stack-split" and .pack_version == "1" and .pack_sha256 == "'$hash'" and .sha256 == "'$of_recipe'" and
    .signer == "ann" and .key == "'$id'" and .checked == "shelf"'
json ".source | $told"
run 0 tinlatch runs export "$record" --json
json ".lines[0] | $told"
run 0 tinlatch runs export "$record"
out_has "recipe signer: ann | recipe key: $id"
run 0 tinlatch runs show "$record"
out_has "stack-split version 1, SHA-256"
out_has "$hash"
out_has "ann (key $id)"
out_has "the same as accepted on the shelf"
run 0 tinlatch report "$record" --out "$box/page"
expect "the report says whose recipe it was" grep -q "stack-split version 1, SHA-256 $hash" "$box"/page/*.html
html_valid "$box"/page/*.html
run 0 tinlatch rehearse "$pack" --json
json '.source.checked == "signature"'
run 0 tinlatch rehearse "$recipe" --json
json '.source | .sha256 == "'$of_recipe'" and .pack == null and .checked == null'
run 5 tinlatch run stack-split --bench "$TOP/recipes/benches/demo.ini"
run 2 tinlatch rehearse stack-split --board "$TOP/recipes/boards/hx210.lua"
err_has "a pack brings its own board file"

# a byte of it changed: on the way, and on the shelf
for at in 40 300 1200 $(($(stat -c %s "$pack") - 300)) $(($(stat -c %s "$pack") - 20)); do
    cp "$pack" "$box/bent"
    printf '~' | dd of="$box/bent" bs=1 seek="$at" conv=notrunc 2>"$box/dd"
    run 2 tinlatch inspect "$box/bent"
    run 2 tinlatch accept "$box/bent"
    err_has "damaged"
done
head -n -4 "$pack" >"$box/bent"
run 2 tinlatch accept "$box/bent"
err_has "no signature stands at its end"
shelved=$TINLATCH_HOME/shelf/stack-split.tinlatch
cp "$shelved" "$box/shelved"
sed -i 's/"172 C"/"178 C"/' "$shelved"
run 2 tinlatch run stack-split --bench "$TOP/recipes/benches/demo.ini"
err_has "forged or damaged"
run 0 tinlatch shelf list
out_has "not to be used"
cp "$box/shelved" "$shelved"

# the next version; then the first again, and another of the same number
as ann
version 2
sed -i 's/"172 C"/"174 C"/; s/"40 s"/"50 s"/' "$recipe"
run 0 bash -c "echo melt 138 | '$TINLATCH' pack '$recipe' --out '$box/sent'"
for bytes in one other; do
    short note 1 "tell \"$bytes\""
    run 0 bash -c "echo melt 138 | '$TINLATCH' pack '$box/mine/note.lua' --out '$box/$bytes'"
done
as bob
run 0 tinlatch inspect "$box/sent/stack-split-2.tinlatch"
out_has "newer than the version that was accepted here: version 1"
out_has 'params  = { melt = { "174 C"'
out_has "stack-split.lua: changed, 3 lines added, 3 removed"
expect "what it does then and now is told" grep -qE "^    first draw, to touch-safe +[0-9.]+ s +[0-9.]+ s$" "$out"
expect "and when it is lifted" grep -qE "^  [ *] first draw, frame lifted after +[0-9.]+ s" "$out"
expect "what stayed as before is counted" python3 - "$out" <<'PY'
import re, sys
text = open(sys.argv[1]).read()
changed, same = re.search(r"rehearsed on this bench\n.*\n((?:    .*\n)*?)    as before: (\d+) lines", text).groups()
now = [line for line in changed.splitlines() if not line.endswith(" -")]
below = re.findall(r"^  [ *] \S.*", text[text.index("\nEvidence "):], re.M)
assert 3 < int(same) == len(below) - len(now) and len(now) > 3, (same, len(below), len(now))
PY
run 0 tinlatch accept "$box/sent/stack-split-2.tinlatch"
run 4 tinlatch accept "$pack"
err_has "older than version 2"
run 4 tinlatch run "$pack" --bench "$TOP/recipes/benches/demo.ini"
run 0 tinlatch accept "$box/one/note-1.tinlatch"
run 0 tinlatch shelf show note
out_has "signed by   ann"
out_has "byte for byte"
run 4 tinlatch accept "$box/other/note-1.tinlatch"
err_has "other bytes"
err_has "a version has one content"
run 0 tinlatch shelf remove stack-split
run 2 tinlatch shelf show stack-split
run 4 tinlatch accept "$pack"
err_has "older than version 2"

# trust is taken back: nothing of hers is run any more
run 0 tinlatch accept "$box/sent/stack-split-2.tinlatch"
run 0 tinlatch key drop ann
run 4 tinlatch run stack-split --bench "$TOP/recipes/benches/demo.ini"
run 0 tinlatch key trust "$box/sent/ann.pub"

# another trusted one under her recipe's name
as carl
run 0 tinlatch key new carl --no-passphrase
short note 3 'tell "three"'
run 0 tinlatch pack "$box/mine/note.lua" --out "$box/carl"
cp "$TINLATCH_HOME/keys/carl.pub" "$box/carl.pub"
as bob
run 0 tinlatch key trust "$box/carl.pub"
run 4 tinlatch accept "$box/carl/note-3.tinlatch"
err_has "another key signed the version before"

# Eve takes the id of Ann's key for her own
as eve
run 0 tinlatch key new eve --no-passphrase
ann=$(tail -n 1 "$box/sent/ann.pub")
python=$(command -v lua5.4)
"$python" - "$ann" "$TINLATCH_HOME/keys/eve" <<'END'
local b = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
local function decode(text)
  local bits, n, out = 0, 0, {}
  for c in text:gmatch("[%w+/]") do
    bits, n = bits << 6 | b:find(c, 1, true) - 1, n + 6
    if n >= 8 then n = n - 8; out[#out + 1] = string.char(bits >> n & 255) end
  end
  return table.concat(out)
end
local function encode(bytes)
  local out = {}
  for i = 1, #bytes, 3 do
    local a, c, d = bytes:byte(i, i + 2)
    local bits = a << 16 | (c or 0) << 8 | (d or 0)
    for k = 3, 0, -1 do
      out[#out + 1] = (k == 1 and not c or k == 0 and not d) and "=" or b:sub((bits >> 6 * k & 63) + 1, (bits >> 6 * k & 63) + 1)
    end
  end
  return table.concat(out)
end
local id = decode(arg[1]):sub(3, 10)
for _, ending in ipairs { ".pub", ".key" } do
  local path, at = arg[2] .. ending, ending == ".pub" and 3 or 55
  local first, second = io.open(path):read("a"):match("(.-\n)(.-)\n")
  local bytes = decode(second)
  bytes = bytes:sub(1, at - 1) .. id .. bytes:sub(at + 8)
  if ending == ".key" then -- its checksum is over the id too
    local f = io.open(path .. ".sum", "wb")
    f:write(bytes:sub(1, 2) .. bytes:sub(55, 126))
    f:close()
    local sum = io.popen("b2sum -l 256 " .. path .. ".sum"):read("a"):match("%x+")
    bytes = bytes:sub(1, 126) .. sum:gsub("..", function(x) return string.char(tonumber(x, 16)) end)
  end
  local f = io.open(path, "wb")
  f:write(first, encode(bytes), "\n")
  f:close()
end
END
short note 4 'tell "four"'
run 0 tinlatch pack "$box/mine/note.lua" --out "$box/eve"
as bob
run 0 tinlatch inspect "$box/eve/note-4.tinlatch"
out_has "TAKE CARE: it has the id of ann's key"
run 4 tinlatch accept "$box/eve/note-4.tinlatch"
err_has "has the id of one that is trusted here"
run 2 tinlatch key trust "$(cut -d ' ' -f 2 <<<"$(sed -n 2p "$box/eve/note-4.tinlatch")")" --as eve
err_has "another key with the same id is trusted"

# sealed NAME VERSION KEY: what stands in $box/again, signed by hand with the key of whoever is meant
sealed() {
    run 0 minisign -S -W -s "$TINLATCH_HOME/keys/$3.key" -m "$box/again" -x "$box/again.minisig" \
        -t "tinlatch-pack $1 version $2 board hx210"
    { cat "$box/again"; sed "1s/.*/$(head -n 1 "$box/laid/signed.minisig")/" "$box/again.minisig"; } >"$box/$1.tinlatch"
}
# changed KIND FILE: the manifest's line and the part's heading for what became of that part
changed() {
    local size hash
    size=$(stat -c %s "$box/laid/parts/$2") hash=$(sha256sum <"$box/laid/parts/$2" | cut -d ' ' -f 1)
    sed "s/^part: $1 .*/part: $1 $2 $size $hash/; s/^== $1 .*/== $1 $2 $size/"
}

# altered NAME VERSION SIGNER KIND FILE EDIT: one part edited, and all of it signed anew
altered() {
    sed -i "$6" "$box/laid/parts/$5"
    sed "$6" "$box/laid/signed" | changed "$4" "$5" >"$box/again"
    sealed "$1" "$2" "$3"
}

# a signer's own figures, prettier than what the recipe does
as carl
run 0 tinlatch inspect "$box/carl/note-3.tinlatch" --split "$box/laid"
altered note 3 carl evidence evidence.txt 's/^first draw, time: .*/first draw, time: 1.1 s/'
run 0 tinlatch inspect "$box/note.tinlatch"
out_has "TAKE CARE: its maker's figures are of this very program and bench file"
out_has "1.1 s"

# a recipe that never ends is ended there too, and is not played thirty times
as eve
short loop 1 'if false then return end'
run 0 tinlatch pack "$box/mine/loop.lua" --out "$box/loop"
run 0 tinlatch inspect "$box/loop/loop-1.tinlatch" --split "$box/laid"
altered loop 1 eve recipe loop.lua 's/if false then return end/while 1==1 do end/'
run 1 tinlatch inspect "$box/loop.tinlatch"
out_has "On this bench: failed"
out_has "ran for more than its CPU time"
out_lacks "draws done"

finish
