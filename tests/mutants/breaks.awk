# SPDX-License-Identifier: MIT
# Of a C source, one line per way to break it: line number, column, length, what stands there instead, a tab between.
# Comments, strings and directives are left alone.

function blank(text) { gsub(/./, " ", text); return text }

# The line with its comments and strings turned to blanks.
function code_of(line,    at, out) {
    out = ""
    while (line != "") {
        if (inside) {
            at = index(line, "*/")
            if (!at) return out blank(line)
            out = out blank(substr(line, 1, at + 1))
            line = substr(line, at + 2)
            inside = 0
        } else if (match(line, /\/\*|"[^"]*"|'[^']*'/)) {
            out = out substr(line, 1, RSTART - 1)
            if (substr(line, RSTART, 2) == "/*") {
                out = out "  "
                line = substr(line, RSTART + 2)
                inside = 1
            } else {
                out = out blank(substr(line, RSTART, RLENGTH))
                line = substr(line, RSTART + RLENGTH)
            }
        } else {
            return out line
        }
    }
    return out
}

function broken(column, length_, instead) { printf "%d\t%d\t%d\t%s\n", FNR, column, length_, instead }

function instead_of(token, column,    i, n, list) {
    n = split(instead[token], list, ",")
    for (i = 1; i <= n; i++) broken(column, length(token), list[i])
}

BEGIN {
    instead["<="] = "<,>"; instead["<"] = "<=,>="; instead[">="] = ">,<"; instead[">"] = ">=,<="
    instead["=="] = "!="; instead["!="] = "=="; instead["&&"] = "||"; instead["||"] = "&&"
    instead["!"] = " "; instead["+"] = "-"; instead["-"] = "+"; instead["/"] = "*"; instead["*"] = "/"
    instead["true"] = "false"; instead["false"] = "true"
    instead["RULE_TRIP"] = "RULE_STOP,RULE_PAUSE,RULE_WARN"; instead["RULE_STOP"] = "RULE_TRIP,RULE_PAUSE,RULE_WARN"
    instead["RULE_PAUSE"] = "RULE_TRIP,RULE_WARN"; instead["RULE_WARN"] = "RULE_PAUSE,RULE_TRIP"
    instead["UNTIL_CLEAR"] = "THIS_RUN,LATCH_NONE"; instead["THIS_RUN"] = "UNTIL_CLEAR,LATCH_NONE"
    instead["LATCH_NONE"] = "THIS_RUN,UNTIL_CLEAR"
}

{
    code = code_of($0)
    if (code ~ /^[ \t]*#/) next
    # a statement, or an answer, that is left out
    if (match(code, /^ +[a-z_>.*\[\]-]+(\([^;]*\)| = [^;]*);[ ]*$/) && code !~ /^ +return/) {
        match(code, /[^ ]/)
        broken(RSTART, length($0) - RSTART + 1, ";")
    }
    if (code ~ /^ +return [^;]*[a-z][^;]*;/ && code !~ /return (true|false);/) {
        match(code, /return [^;]*;/)
        broken(RSTART, RLENGTH, "return 0;")
        broken(RSTART, RLENGTH, "return 1;")
    }
    column = 1
    rest = code
    while (match(rest, /->|\+\+|--|<=|>=|==|!=|&&|\|\||[<>!]| [*\/+-] |[A-Za-z_][A-Za-z_0-9]*|[0-9]+/)) {
        token = substr(rest, RSTART, RLENGTH)
        at = column + RSTART - 1
        column += RSTART + RLENGTH - 1
        rest = substr(rest, RSTART + RLENGTH)
        if (token ~ /^ /) { at++; token = substr(token, 2, 1) }
        if (token in instead) instead_of(token, at)
        else if (token ~ /^[0-9]+$/) { broken(at, length(token), token + 1); if (token > 0) broken(at, length(token), token - 1) }
    }
}
