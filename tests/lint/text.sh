#!/bin/bash
# SPDX-License-Identifier: MIT
# text.sh TREE: no tabs, no blanks at line ends, a newline at the end of every text we write; prose of the docs
# within 120 columns (tables and code are as wide as they must be, lua.md comes out of a table).
set -u
cd "${1:?the source tree}" || exit 2

mapfile -t files <<<"$(find src include lua recipes docs tests .ci CMakeLists.txt README.md DEVELOPERS.md \
    -type f -not -path 'tests/data/*' -not -path 'tests/hostile/*' \( -name '*.[ch]' -o -name '*.sh' -o -name '*.lua' -o -name '*.ini' \
    -o -name '*.md' -o -name '*.txt' -o -name '*.cmake' -o -path tests/run -o -path recipes/try \
    -o -path .ci/run \))"
[ ${#files[@]} -gt 0 ] || { echo "no file was found" >&2; exit 1; }

failed=0
grep -nHP '\t|[ \r]$' "${files[@]}" >&2 && failed=1
mapfile -t pages <<<"$(find docs README.md DEVELOPERS.md -name '*.md' -not -name lua.md)"
LC_ALL=C.UTF-8 grep -nHE '^ {0,3}[^ |].{120,}' "${pages[@]}" >&2 && failed=1
for file in "${files[@]}"; do
    [ ! -s "$file" ] || [ -z "$(tail -c 1 "$file")" ] || { echo "$file: no newline at its end" >&2; failed=1; }
done
exit $failed
