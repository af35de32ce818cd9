#!/bin/bash
# SPDX-License-Identifier: MIT
# rules.sh TREE: every rule of src/core/rules.c has a test that bears its name (underscored) and a
# section in docs/reference/interlocks.md with all its parts, and that page names no rule that does not exist.
# Each field of struct readings goes through snapshot and record.
# Each limit of LIMIT_LIST is promised never to widen wherever the first one is: the proof misses no promise.
set -u
cd "${1:?the source tree}" || exit 2

failed=0
bad() {
    printf '%s\n' "$*" >&2
    failed=1
}

# parts ID: what its section says, in its order.
parts() {
    awk -v heading="## \`$1\`" '/^## / { there = $0 == heading }
        there && match($0, /^- \*\*[^*]+\*\* ./) { sub(/^- \*\*/, ""); sub(/\*\*.*/, ""); print }' "$page" | paste -sd,
}

ids=$(sed -n 's/^ *\[[A-Z0-9_]*\] *= *{ *"\([a-z0-9-]*\)".*/\1/p' src/core/rules.c | sort)
[ -n "$ids" ] || bad "src/core/rules.c: no rule was found"
page=docs/reference/interlocks.md
all_parts="Watches,Acts,Does,Says,To clear,Cannot see"
[ -r "$page" ] || bad "$page is missing"

for id in $ids; do
    grep -rqE "\btest_${id//-/_}_[a-z0-9_]+ *\(" tests/unit ||
        bad "$id: no test in tests/unit is called test_${id//-/_}_..."
    said=$(parts "$id")
    [ "$said" = "$all_parts" ] || bad "$id: its section in $page says ${said:-nothing}; it has to say $all_parts"
done
for id in $(sed -n 's/^##* *`\([a-z0-9-]*\)`.*/\1/p' "$page"); do
    grep -qxF "$id" <<<"$ids" || bad "$page: $id is not a rule of src/core/rules.c"
done

# What the interlock reads stands in the record, or a run cannot be judged again: each reading is told by the guard and
# taken out of a scan's line. The meter's is told and judged by no rule.
readings=$(sed -n '/^struct readings {/,/^};/p' include/tinlatch/bench.h |
    sed -n 's:^  *[a-z][a-z0-9_ ]*[ ]\([a-z0-9_]*\)\(\[[A-Z]*\]\)*;.*:\1:p')
[ -n "$readings" ] || bad "include/tinlatch/bench.h: no reading was found"
for field in $readings; do
    case $field in t_ms | meter) continue ;; esac
    grep -qE "guard->in\.$field\b" src/guard/guard.c ||
        bad "$field of struct readings: no snapshot tells it (src/guard/guard.c)"
    grep -qE "\bin(->|\.)$field\b" src/journal/record.c ||
        bad "$field of struct readings: src/journal/record.c does not take it out of a scan"
done

# promises FIELD: how many contracts say that it only tightens.
promises() {
    grep -cF "ensures merged->$1 <= \\old(merged->$1);" src/core/limits.c
}
limits=$(sed -n 's/^ *X(\([a-z_]*\), .*/\1/p' include/tinlatch/limits.h)
most=$(promises "${limits%%$'\n'*}")
[ "$most" -gt 0 ] || bad "src/core/limits.c: no limit is promised to tighten"
for field in $limits; do
    [ "$(promises "$field")" = "$most" ] ||
        bad "$field: src/core/limits.c promises $(promises "$field") times of $most that it only tightens"
done
exit $failed
