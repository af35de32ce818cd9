#!/bin/bash
# SPDX-License-Identifier: MIT
# Installed somewhere, both programs find what belongs to them there, and nothing in the source tree.
. "$TOP/tests/support/scenario.sh"

run 0 cmake --install "$(dirname "$TINLATCH")" --prefix "$box/usr"
run 0 "$box/usr/bin/tinlatch" check "$box/usr/share/tinlatch/recipes/stack-split.lua"
out_lacks "$TOP"
err_lacks "$TOP"
for file in LICENSE README.md DEVELOPERS.md docs/how-to/first-rehearsal.md docs/reference/lua.md; do
    expect "$file is not installed" [ -s "$box/usr/share/doc/tinlatch/$file" ]
done
cp "$TOP/recipes/stack-split.lua" mine.lua # boards and modules come from the installed ones
run 0 "$box/usr/bin/tinlatch" rehearse mine.lua
run 0 "$box/usr/libexec/tinlatch-guard" --bench "$box/usr/share/tinlatch/recipes/benches/demo.ini"
mv "$box/usr/share/tinlatch" "$box/usr/share/elsewhere"
run 2 "$box/usr/bin/tinlatch" rehearse mine.lua
err_has "the shipped recipes and boards are not there"
finish
