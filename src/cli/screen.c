/* SPDX-License-Identifier: MIT */
/* What the stream that is written to can show. */
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <unistd.h>

#include "cli_private.h"

enum { USUAL = 80, WIDEST = 100, NARROWEST = 60 };

bool wants_colour(FILE *out)
{
    const char *no = getenv("NO_COLOR"), *term = getenv("TERM");
    int fd = fileno(out);
    return fd >= 0 && isatty(fd) && !(no && *no) && term && strcmp(term, "dumb") != 0;
}

int columns_of(FILE *out)
{
    const char *set = getenv("COLUMNS");
    struct winsize size;
    int fd = fileno(out);
    if (set && *set)
        return atoi(set);
    return fd >= 0 && isatty(fd) && ioctl(fd, TIOCGWINSZ, &size) == 0 ? size.ws_col : 0;
}

bool same_place(FILE *a, FILE *b)
{
    struct stat one, other;
    int fd = fileno(a), second = fileno(b);
    return fd >= 0 && second >= 0 && fstat(fd, &one) == 0 && fstat(second, &other) == 0 &&
           one.st_dev == other.st_dev && one.st_ino == other.st_ino;
}

static int width_of(FILE *out)
{
    int columns = columns_of(out);
    if (columns <= 0)
        return USUAL;
    return columns > WIDEST ? WIDEST : columns < NARROWEST ? NARROWEST : columns;
}

void write_folded(FILE *out, const char *text, int from)
{
    static const char blanks[] = " \n";
    int column = from, width = width_of(out) - 1;
    while (*text) {
        int word = (int)strcspn(text, blanks);
        if (column > from && column + 1 + word > width) {
            fprintf(out, "\n%*s", from, "");
            column = from;
        }
        column += fprintf(out, "%s%.*s", column > from ? " " : "", word, text);
        text += word;
        text += strspn(text, blanks);
    }
    fputc('\n', out);
}
