#!/bin/bash
# SPDX-License-Identifier: MIT
# headers.sh TREE: every source names its licence; every contract header has a guard of its own name
# and a unit test.
set -u
cd "${1:?the source tree}" || exit 2

failed=0
bad() {
    printf '%s\n' "$*" >&2
    failed=1
}

while IFS= read -r file; do
    sed -n '1,2p' "$file" | grep -q 'SPDX-License-Identifier: MIT' ||
        bad "$file:1: its licence is not named (SPDX-License-Identifier: MIT)"
done <<<"$(find src include lua recipes tests .ci \( -name '*.[ch]' -o -name '*.sh' -o -name '*.lua' \
    -o -path tests/run -o -path recipes/try -o -path .ci/run \) -not -path 'tests/data/*' -not -path 'tests/hostile/*')"

for header in include/tinlatch/*.h; do
    noun=$(basename "$header" .h)
    [ -f "tests/unit/test_$noun.c" ] || bad "$header: tests/unit/test_$noun.c is missing"
    grep -q "^#define TINLATCH_${noun^^}_H\$" "$header" ||
        bad "$header: its include guard is not TINLATCH_${noun^^}_H"
done
exit $failed
