/* SPDX-License-Identifier: MIT */
/* A passphrase from the terminal without showing it, or a line from standard input where that is no terminal. */
#include <errno.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include "passphrase.h"

static int read_line(FILE *from, char out[SIGN_PASSPHRASE], struct tl_error *error)
{
    if (!fgets(out, SIGN_PASSPHRASE, from))
        return tl_error_set(error, TL_MISSING, "no passphrase was given");
    size_t length = strcspn(out, "\n");
    if (out[length] != '\n' && !feof(from))
        return tl_error_set(error, TL_RANGE, "a passphrase has at most %d bytes",
                            SIGN_PASSPHRASE - 2);
    out[length] = '\0';
    return length > 0 ? 0 : tl_error_set(error, TL_MISSING, "the passphrase is empty");
}

int passphrase_read(FILE *err, const char *prompt, char out[SIGN_PASSPHRASE],
                    struct tl_error *error)
{
    struct termios before, silent;
    int fd = fileno(stdin);
    if (!isatty(fd) || tcgetattr(fd, &before) != 0)
        return read_line(stdin, out, error);
    silent = before;
    silent.c_lflag &= ~(tcflag_t)ECHO;
    fprintf(err, "%s: ", prompt);
    fflush(err);
    /* a key that stops the program must not leave a terminal that shows nothing */
    silent.c_lflag &= ~(tcflag_t)ISIG;
    tcsetattr(fd, TCSAFLUSH, &silent);
    int failed = read_line(stdin, out, error);
    tcsetattr(fd, TCSAFLUSH, &before);
    fputc('\n', err);
    return failed;
}
