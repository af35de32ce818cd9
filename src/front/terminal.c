/* SPDX-License-Identifier: MIT */
#include "front_private.h"

#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

volatile sig_atomic_t front_signal_stop, front_signal_hangup, front_signal_redraw;

/* CAN first: it breaks off whatever sequence was cut in the middle. */
static const char leave_screen[] = "\030\033[0m\033[?7h\033[?25h\033[?1049l";
/* Rows are never wrapped: a text that is wider than it was taken for is cut, and reaches no other row. */
static const char enter_screen[] = "\033[?1049h\033[?25l\033[?7l\033[2J";

/* For the handler of a crash, which has nothing else to go by. */
static struct {
    volatile sig_atomic_t entered;
    int in_fd, out_fd;
    struct termios before, during;
} terminal;

/* ---- signals ------------------------------------------------------------------------------------ */

static void on_signal(int number)
{
    if (number == SIGHUP)
        front_signal_hangup = 1;
    else if (number == SIGWINCH || number == SIGCONT)
        front_signal_redraw = 1;
    else
        front_signal_stop = number;
}

static void on_crash(int number)
{
    if (terminal.entered) {
        tcsetattr(terminal.in_fd, TCSANOW, &terminal.before);
        if (write(terminal.out_fd, leave_screen, sizeof leave_screen - 1) < 0)
            terminal.entered = 0;
    }
    raise(number); /* SA_RESETHAND: now it ends us */
}

static const struct {
    int number;
    void (*handler)(int number);
    bool once;
} handled[] = {
    {SIGINT, on_signal, false}, {SIGTERM, on_signal, false},  {SIGQUIT, on_signal, false},
    {SIGHUP, on_signal, false}, {SIGWINCH, on_signal, false}, {SIGCONT, on_signal, false},
    {SIGTSTP, SIG_IGN, false},  {SIGTTIN, SIG_IGN, false},    {SIGTTOU, SIG_IGN, false},
    {SIGPIPE, SIG_IGN, false},  {SIGSEGV, on_crash, true},    {SIGBUS, on_crash, true},
    {SIGFPE, on_crash, true},   {SIGILL, on_crash, true},     {SIGABRT, on_crash, true},
};
static struct sigaction handled_before[COUNT(handled)];
static sigset_t mask_before;

void signals_catch(sigset_t *while_waiting)
{
    sigset_t held;
    sigemptyset(&held);
    front_signal_stop = front_signal_hangup = front_signal_redraw = 0;
    for (int i = 0; i < COUNT(handled); i++) {
        struct sigaction action = {.sa_handler = handled[i].handler};
        if (handled[i].once)
            action.sa_flags = (int)SA_RESETHAND;
        sigaction(handled[i].number, &action, &handled_before[i]);
        if (handled[i].handler == on_signal)
            sigaddset(&held, handled[i].number);
    }
    sigprocmask(SIG_BLOCK, &held, &mask_before);
    *while_waiting = mask_before;
}

/* The mask first: a signal that came behind the last ppoll meets its handler here, not the death it was caught from. */
void signals_release(void)
{
    sigprocmask(SIG_SETMASK, &mask_before, NULL);
    for (int i = 0; i < COUNT(handled); i++)
        sigaction(handled[i].number, &handled_before[i], NULL);
}

/* ---- the terminal ------------------------------------------------------------------------------- */

bool terminal_enter(int in_fd, int out_fd)
{
    if (tcgetattr(in_fd, &terminal.before) != 0)
        return false;
    terminal.in_fd = in_fd;
    terminal.out_fd = out_fd;
    terminal.during = terminal.before;
    /* Ctrl-C, Ctrl-Z and Ctrl-S come as keys: nothing may suspend this program or stop its output. */
    terminal.during.c_lflag &= ~(tcflag_t)(ICANON | ECHO | ISIG | IEXTEN);
    terminal.during.c_iflag &= ~(tcflag_t)(IXON | ICRNL | INLCR | ISTRIP);
    terminal.during.c_cc[VMIN] = 1;
    terminal.during.c_cc[VTIME] = 0;
    if (tcsetattr(in_fd, TCSANOW, &terminal.during) != 0)
        return false;
    terminal.entered = 1;
    return true;
}

size_t terminal_clear(char *out)
{
    static const char clear[] = "\033[0m\033[2J";
    memcpy(out, clear, sizeof clear - 1);
    return sizeof clear - 1;
}

static const char *next_row(const char *row)
{
    const char *end = row ? strchr(row, '\n') : NULL;
    return end ? end + 1 : NULL;
}

static bool same_row(const char *a, const char *b)
{
    size_t length = strcspn(a, "\n");
    return b && strcspn(b, "\n") == length && memcmp(a, b, length) == 0;
}

size_t terminal_frame(const char *view, const char *before, char *out, size_t size)
{
    size_t n = 0;
    for (int row = 1; view; row++, view = next_row(view), before = next_row(before)) {
        size_t length = strcspn(view, "\n");
        if (same_row(view, before))
            continue;
        if (n + length + 32 > size)
            return 0;
        /* Erased first: behind a full row the cursor stands on its last character. */
        n += (size_t)snprintf(out + n, size - n, "\033[?7l\033[%d;1H\033[K", row);
        memcpy(out + n, view, length);
        n += length;
    }
    return n;
}

void terminal_again(void)
{
    if (terminal.entered)
        tcsetattr(terminal.in_fd, TCSANOW, &terminal.during);
}

/* What the terminal still owes us, for so long and no longer. */
static void drain(struct outlet *outlet, int most_ms)
{
    for (int waited_ms = 0; waited_ms < most_ms && !outlet_idle(outlet); waited_ms += 20) {
        struct pollfd ready = {.fd = outlet->fd, .events = POLLOUT};
        poll(&ready, 1, 20);
        outlet_flush(outlet);
    }
}

void terminal_leave(struct outlet *outlet)
{
    if (terminal.entered) {
        terminal.entered = 0;
        outlet_put(outlet, leave_screen, sizeof leave_screen - 1);
        tcsetattr(terminal.in_fd, TCSANOW, &terminal.before);
    }
    drain(outlet, 1000);
}

void terminal_size(int fd, int *columns, int *rows)
{
    struct winsize size;
    bool known = ioctl(fd, TIOCGWINSZ, &size) == 0 && size.ws_col > 0 && size.ws_row > 0;
    *columns = known ? size.ws_col : 80;
    *rows = known ? size.ws_row : 24;
    *columns = *columns > 200 ? 200 : *columns;
    *rows = *rows > 60 ? 60 : *rows;
}

bool terminal_begin_screen(struct outlet *outlet)
{
    return outlet_put(outlet, enter_screen, sizeof enter_screen - 1);
}
