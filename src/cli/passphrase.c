/* SPDX-License-Identifier: MIT */
/* A passphrase from the terminal without showing it, or a line from standard input where that is no terminal. */
#include <errno.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include "passphrase.h"

static int too_long(struct tl_error *error)
{
    return tl_error_set(error, TL_RANGE, "a passphrase has at most %d bytes", SIGN_PASSPHRASE - 2);
}

static int not_given(struct tl_error *error)
{
    return tl_error_set(error, TL_MISSING, "no passphrase was given");
}

static int read_line(char out[SIGN_PASSPHRASE], struct tl_error *error)
{
    if (!fgets(out, SIGN_PASSPHRASE, stdin))
        return not_given(error);
    size_t length = strcspn(out, "\n");
    if (out[length] != '\n' && !feof(stdin))
        return too_long(error);
    out[length] = '\0';
    return 0;
}

/* The terminal hands a line over whole; one that the key for stopping has ended is none. */
static int read_typed(int fd, char stop, char out[SIGN_PASSPHRASE], struct tl_error *error)
{
    ssize_t n;
    do
        n = read(fd, out, SIGN_PASSPHRASE - 1);
    while (n < 0 && errno == EINTR);
    if (n <= 0 || out[n - 1] == stop)
        return not_given(error);
    if (n == SIGN_PASSPHRASE - 1 && out[n - 1] != '\n')
        return too_long(error);
    out[out[n - 1] == '\n' ? n - 1 : n] = '\0';
    return 0;
}

static int read_hidden(FILE *err, int fd, const struct termios *before, const char *prompt,
                       char out[SIGN_PASSPHRASE], struct tl_error *error)
{
    struct termios silent = *before;
    /* the key that stops a program must not leave a terminal that shows nothing: it ends the line */
    silent.c_lflag &= ~(tcflag_t)(ECHO | ISIG);
    silent.c_cc[VEOL] = before->c_cc[VINTR];
    fprintf(err, "%s: ", prompt);
    fflush(err);
    tcsetattr(fd, TCSAFLUSH, &silent);
    int failed = read_typed(fd, (char)before->c_cc[VINTR], out, error);
    tcsetattr(fd, TCSAFLUSH, before);
    fputc('\n', err);
    return failed;
}

int passphrase_read(FILE *err, const char *prompt, char out[SIGN_PASSPHRASE],
                    struct tl_error *error)
{
    struct termios before;
    int fd = fileno(stdin);
    bool typed = isatty(fd) && tcgetattr(fd, &before) == 0;
    int failed = typed ? read_hidden(err, fd, &before, prompt, out, error) : read_line(out, error);
    if (!failed && !out[0])
        failed = tl_error_set(error, TL_MISSING, "the passphrase is empty");
    return failed;
}
