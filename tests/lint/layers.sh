#!/bin/bash
# SPDX-License-Identifier: MIT
# layers.sh TREE: every #include "..." of src/ and include/ is allowed by layers.txt.
set -u
cd "${1:?the source tree}" || exit 2

find src include -name '*.[ch]' -exec grep -nH '^[[:space:]]*#[[:space:]]*include[[:space:]]*"' {} + |
    awk '
    function trim(s) { gsub(/^[ \t]+|[ \t]+$/, "", s); return s }
    function bad(text) { print text > "/dev/stderr"; failed = 1 }
    FNR == NR {
        if ($0 ~ /^#/ || $0 ~ /^[ \t]*$/) next
        split($0, column, "|")
        folder = trim(column[1]); known[folder] = 1
        n = split(trim(column[2]), word, " ")
        for (i = 1; i <= n; i++) owner[word[i] ".h"] = folder
        n = split(trim(column[3]), word, " ")
        for (i = 1; i <= n; i++) may[folder, word[i]] = 1
        next
    }
    {
        split($0, part, ":"); place = part[1] ":" part[2]
        match($0, /"[^"]*"/); header = substr($0, RSTART + 1, RLENGTH - 2)
        n = split(part[1], path, "/"); base = path[n]
        folder = path[1] == "include" ? owner[base] : path[2]
        if (folder == "") { bad(place ": " base " belongs to no folder of layers.txt"); next }
        if (!known[folder]) { bad(place ": " folder " is not in layers.txt"); next }
        checked++
        if (header !~ /^tinlatch\//) {  # private: beside the file, nowhere else
            if (header ~ /\//) bad(place ": \"" header "\" is private to another folder")
            next
        }
        sub(/^tinlatch\//, "", header)
        if (!(header in owner)) { bad(place ": " header " belongs to no folder of layers.txt"); next }
        if (owner[header] == folder || may[folder, owner[header]] || may[folder, header]) next
        bad(place ": " folder " may not include " header " (of " owner[header] "); see tests/lint/layers.txt")
    }
    END {
        if (!checked) bad("no #include was found: is this the source tree?")
        exit failed
    }' tests/lint/layers.txt -
