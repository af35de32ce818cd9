#!/bin/bash
# SPDX-License-Identifier: MIT
# can-fail.sh TREE PROGRAM: each lint fails, and names the place, once a mistake is planted in a copy.
set -u
tree=$(cd "${1:?the source tree}" && pwd) || exit 2
program=${2:?the built tinlatch}
copy=$(mktemp -d) || exit 2
trap 'rm -rf "$copy"' EXIT

failed=0
# plant LINT FILE TEXT: LINT must fail while FILE ends with the line TEXT.
plant() {
    local lint=$1 file=$2 text=$3
    rm -rf "${copy:?}/tree" && mkdir "$copy/tree"
    tar -C "$tree" -cf - src include lua recipes docs tests .ci CMakeLists.txt README.md \
        DEVELOPERS.md .clang-format | tar -C "$copy/tree" -xf -
    mkdir -p "$copy/tree/$(dirname "$file")"
    printf '%b\n' "$text" >>"$copy/tree/$file"
    bash "$tree/tests/lint/$lint.sh" "$copy/tree" "$program" >"$copy/log" 2>&1
    case $? in
    1 | 123) grep -q "${4:-$file}" "$copy/log" && return 0
        echo "$lint: failed, but did not name ${4:-$file}:" ;;
    77) echo "$lint: skipped"; return 0 ;;
    0) echo "$lint: did not see this in $file: $text" ;;
    *) echo "$lint: broke:" ;;
    esac
    cat "$copy/log"
    failed=1
}

plant layers src/core/planted.c '#include "tinlatch/wire.h"'
plant layers src/device/planted.c '#include "tinlatch/interlock.h"'
plant layers src/base/planted.c '#include "../core/rules.h"'
plant layers src/nowhere/planted.c '#include "tinlatch/err.h"'
plant layers include/tinlatch/bench.h '#include "tinlatch/guard.h"'
plant layers include/tinlatch/planted.h '#include "tinlatch/err.h"'
plant rules src/core/rules.c '    [PLANTED] = { "planted-rule", 0, RULE_TRIP, UNTIL_CLEAR },' planted-rule
plant rules docs/reference/interlocks.md '## `planted-rule`' planted-rule
plant rules docs/reference/interlocks.md '- **Watches** it twice' operator-away
plant rules include/tinlatch/bench.h 'struct readings {\n    int32_t planted_ms;\n};' planted_ms
plant rules include/tinlatch/limits.h '    X(planted_mc, "planted", UNIT_TEMP, 1000, 1)' planted_mc
plant headers src/base/planted.c 'int planted;'
plant headers include/tinlatch/planted.h '/* SPDX-License-Identifier: MIT */'
plant text src/base/planted.c 'int planted; '
plant text docs/planted.md 'a\ttab'
plant text docs/planted.md "$(printf 'wide %.0s' {1..25})lines"
plant format src/base/planted.c 'int  planted( int a ){return a;}'
plant pages docs/reference/lua.md 'planted'
plant pages docs/reference/command-line.md 'planted'
exit $failed
