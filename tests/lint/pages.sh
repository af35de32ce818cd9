#!/bin/bash
# SPDX-License-Identifier: MIT
# pages.sh TREE PROGRAM: the reference pages that are made from tables are as the program prints them.
set -u
cd "${1:?the source tree}" || exit 2
program=${2:?the built tinlatch}

failed=0
same() {
    local page=$1
    shift
    if ! "$program" help "$@" | diff -u "$page" - >&2; then
        echo "$page is not what \`tinlatch help $*\` prints: run it into the file" >&2
        failed=1
    fi
}
same docs/reference/lua.md --reference
same docs/reference/command-line.md --command-line
exit $failed
