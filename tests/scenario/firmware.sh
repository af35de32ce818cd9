#!/bin/bash
# SPDX-License-Identifier: MIT
# The firmware that stands in docs/reference/line-instrument.md compiles, and does what the page says, to the byte: on
# the page's own worked example, and on OFF in every shape that the page allows.
. "$TOP/tests/support/scenario.sh"
page=$TOP/docs/reference/line-instrument.md

sed -n '/^## A firmware to start from/,$p' "$page" | sed -n '/^```c$/,/^```$/p' | sed '1d;$d' >firmware.c
# What is the maker's own, told from standard input: "at MS" moves the clock, "> TEXT" is a line from the host.
cat >board.c <<'C'
#include <limits.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
void received(char c);
void tick(void);
static uint32_t now_ms;
uint32_t millis(void) { return now_ms; }
long input_mc(int number) { return number == 1 ? 171250 : 170900; }
void drive(int permille, int percent) { printf("drive %d %d\n", permille, percent); }
void beep(void) { puts("beep"); }
void transmit(const char *text) { printf("< %s", text); }
int main(void)
{
    char line[1024];
    while (fgets(line, sizeof line, stdin)) {
        for (long to = strncmp(line, "at ", 3) ? 0 : atol(line + 3); (long)now_ms < to; now_ms += 10)
            tick();
        for (const char *c = line + 2; !strncmp(line, "> ", 2) && *c; c++)
            received(*c);
    }
    return 0;
}
C
run 0 cc -std=c11 -Wall -Werror -o board board.c firmware.c

# says TEXT...: what the board does with `script`, a line each.
says() {
    ./board <script >did 2>&1
    printf "${1+%s\\n}" "$@" >expected
    command_line="the firmware, with: $(tr '\n' '|' <script)"
    expect "the firmware did: $(tr '\n' '|' <did)" cmp -s did expected
}
example() { sed -n 's/^    \('"$1"' '"$2"' .*\)/\1/p' "$page" | head -n 1; } # the page's own line
{ echo "at 12500"; example '>' 7; echo "at 14500"; example '>' '8 set'; } >script
says "drive 0 0" "$(example '<' '7 iam')" "drive 250 30" beep "$(example '<' '8 ok')"

# Out of range, out of order, with a wrong check: refused, or not answered at all; nothing is driven.
{ example '>' '10 set'; echo "> 8 set d=250 f=30 b=1 *BE71"; echo "> "; } >script
says "$(example '<' '10 no')"

# OFF, whatever stands behind it, also where the line is far too long; not inside of one.
for text in OFF "OFF 12" OFFOFF "OFF$(printf '%0300d' 0)"; do
    { echo "at 14000"; example '>' '8 set'; echo "> $text"; } >script
    ./board <script | tail -n 2 >did
    command_line="the firmware, with $text"
    expect "it is not off: $(tr '\n' '|' <did)" cmp -s did <(printf 'drive 0 0\n< off\n')
done
for text in "O" "off" " OFF" "11 OFF"; do
    echo "> $text" >script
    says
done

# Nobody speaks for as long as its silence: off by itself, not before, and the next answer says so.
{ example '>' '8 set'; echo "at 2000"; } >script
expect "it went off before its silence was over" bash -c '! ./board <script | grep -q "drive 0 0"'
{ example '>' '8 set'; echo "at 2020"; example '>' '8 set'; } >script
./board <script | tail -n 3 >did
command_line="the firmware, after a silence"
expect "it stayed on" grep -qx "drive 0 0" did
expect "the answer does not tell of the silence" grep -q " q=1 " did
finish
