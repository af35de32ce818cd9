/* SPDX-License-Identifier: MIT */
/* Each instrument proved by the guard's program, row by row as it goes; this program shows the rows, asks what no
 * wire tells, and says at the end what protects the bench. */
#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

#include "bench_check.h"
#include "tinlatch/bytes.h"
#include "tinlatch/wire.h"

enum { TYPED = 32, NAME_COLUMN = 14, WHAT_COLUMN = 14, LOOK_MS = 200, LAST_MS = 15000 };

struct check {
    struct cli *cli;
    const struct bench_opened *opened;
    FILE *shown; /* where rows and questions go: standard output is the object's under --json */
    int guard_fd;
    pid_t guard;
    struct check_rows rows;
    struct wire_hand hand;
    bool nobody, ended;
    int32_t outcome;
    char typed[TYPED];
    size_t typed_length;
};

static volatile sig_atomic_t told_to_stop;

static void on_signal(int number)
{
    (void)number;
    told_to_stop = 1;
}

/* ---- to the guard ------------------------------------------------------------------------------------------ */

static void send_hand(struct check *check)
{
    wire_stamp(&check->hand.head, WIRE_HAND, 1);
    wire_send(check->guard_fd, &check->hand);
}

static void answer(struct check *check, enum hand_answer how)
{
    check->hand.answer = (int32_t)how;
    send_hand(check);
    check->hand.prompt = 0;
    check->hand.answer = ANSWER_NONE;
}

/* Questions that nobody will answer do not hold up the rest. */
static void leave_questions(struct check *check)
{
    check->nobody = true;
    check->hand.leaves = 1;
    answer(check, ANSWER_NONE);
}

/* ---- rows and questions ------------------------------------------------------------------------------------ */

static void show_row(const struct check *check, const struct check_row *row)
{
    const char *mark = row->note == NOTE_STATE ? "ok" : row->note == NOTE_FAULT ? "FAIL" : "open";
    int from = fprintf(check->shown, "  %-4s  %-*s  %-*s  ", mark, NAME_COLUMN, row->name,
                       WHAT_COLUMN, row->what);
    write_folded(check->shown, row->how, from);
    fflush(check->shown);
}

/* What an instrument said of itself stands in it: printable by the guard's word, and by ours. */
static void clean(char *text)
{
    for (char *c = text; *c; c++)
        if (*c < 0x20 || *c > 0x7e)
            *c = '?';
}

static void take_row(struct check *check, struct wire_note *note)
{
    struct check_row *row = &check->rows.row[check->rows.count];
    const char *colon = strstr(note->text, ": ");
    if (check->rows.count == CHECK_ROWS || !colon)
        return;
    check->rows.count++;
    row->note = note->note;
    bytes_copy_text(row->name, sizeof row->name, note->name);
    bytes_copy_text(row->how, sizeof row->how, colon + 2);
    note->text[colon - note->text] = '\0';
    bytes_copy_text(row->what, sizeof row->what, note->text);
    if (check->hand.prompt)
        fputc('\n', check->shown);
    check->hand.prompt = 0;
    show_row(check, row);
}

static void take_question(struct check *check, const struct wire_note *note)
{
    fprintf(check->shown, "  ?     %-*s  ", NAME_COLUMN, note->name);
    write_folded(check->shown, note->text, NAME_COLUMN + 10);
    fprintf(check->shown, "        yes or no > ");
    fflush(check->shown);
    tcflush(STDIN_FILENO, TCIFLUSH); /* at a terminal: what was typed before is no answer */
    check->typed_length = 0;
    check->hand.prompt = note->head.number;
    if (check->nobody) {
        fputs("(nobody answers)\n", check->shown);
        answer(check, ANSWER_NONE);
    }
}

static void take_note(struct check *check, struct wire_note *note)
{
    note->name[sizeof note->name - 1] = note->text[sizeof note->text - 1] = '\0';
    clean(note->name);
    clean(note->text);
    if (note->note == NOTE_CHECK)
        take_question(check, note);
    else if (note->note == NOTE_STATE || note->note == NOTE_WARN || note->note == NOTE_FAULT)
        take_row(check, note);
}

static bool hear_guard(struct check *check)
{
    _Alignas(8) unsigned char message[WIRE_MAX];
    struct wire_note note;
    struct wire_end end;
    int kind;
    while ((kind = wire_receive_now(check->guard_fd, message)) > 0) {
        if (kind == WIRE_NOTE) {
            memcpy(&note, message, sizeof note);
            take_note(check, &note);
        }
        if (kind == WIRE_END) {
            memcpy(&end, message, sizeof end);
            check->ended = true;
            check->outcome = end.code;
            return false;
        }
    }
    return kind == TL_MORE;
}

/* ---- the person -------------------------------------------------------------------------------------------- */

static void take_line(struct check *check)
{
    const char *line = check->typed;
    check->typed[check->typed_length] = '\0';
    check->typed_length = 0;
    if (!check->hand.prompt)
        return;
    if (!isatty(STDIN_FILENO))
        fprintf(check->shown, "%s\n", line);
    if (!strcmp(line, "yes") || !strcmp(line, "y")) {
        answer(check, ANSWER_YES);
    } else if (!strcmp(line, "no") || !strcmp(line, "n")) {
        answer(check, ANSWER_NO);
    } else {
        fputs("        yes or no > ", check->shown);
        fflush(check->shown);
    }
}

static void hear_person(struct check *check)
{
    char c;
    ssize_t n = read(STDIN_FILENO, &c, 1);
    if (n < 0 && (errno == EINTR || errno == EAGAIN))
        return;
    if (n <= 0) {
        fputs("(nobody answers)\n", check->shown);
        leave_questions(check);
    } else if (c == '\n') {
        take_line(check);
    } else if (c != '\r' && check->typed_length < TYPED - 1) {
        check->typed[check->typed_length++] = c;
    }
}

static void stop_at_a_signal(struct check *check)
{
    if (!told_to_stop || check->hand.stop_count)
        return;
    check->hand.stop_count = 1;
    send_hand(check);
    fputs("\nstopped: everything is switched off\n", check->shown);
    fflush(check->shown);
}

static void converse(struct check *check)
{
    bool open = true;
    while (open) {
        bool listens = check->hand.prompt && !check->nobody;
        struct pollfd fds[2] = {{.fd = check->guard_fd, .events = POLLIN},
                                {.fd = listens ? STDIN_FILENO : -1, .events = POLLIN}};
        /* What is stopped is silent, and would hold the ports for ever; for what runs this is nothing. */
        if (poll(fds, 2, LOOK_MS) == 0)
            kill(check->guard, SIGCONT);
        stop_at_a_signal(check);
        if (fds[1].revents)
            hear_person(check);
        open = hear_guard(check);
    }
}

/* ---- the guard's program ------------------------------------------------------------------------------------ */

/* In a session of its own, so that no key and no hang-up of the terminal reaches it: it brings the bench down. */
_Noreturn static void be_guard(const struct check *check, const char *guard, int fd)
{
    char number[16];
    const char *argv[] = {guard, "--check", check->opened->path, number, NULL};
    int err = fileno(check->cli->err);
    setsid();
    snprintf(number, sizeof number, "%d", fd);
    if (dup2(err, 1) == 1 && dup2(err, 2) == 2)
        execv(guard, (char *const *)argv);
    dprintf(2, "%s: %s\n", guard, strerror(errno));
    _exit(RUN_INVALID);
}

static int start(struct check *check, struct tl_error *error)
{
    char guard[PATH_SIZE];
    int pair[2];
    if (paths_guard(guard, error))
        return TL_FILE;
    if (socketpair(AF_UNIX, SOCK_SEQPACKET, 0, pair) != 0)
        return tl_error_set(error, TL_SYSTEM, "no socket for the guard: %s", strerror(errno));
    cli_flush(check->cli);
    fflush(check->cli->err);
    check->guard = fork();
    if (check->guard == 0) {
        close(pair[0]);
        be_guard(check, guard, pair[1]);
    }
    close(pair[1]);
    check->guard_fd = pair[0];
    return check->guard > 0 ? 0 : tl_error_set(error, TL_SYSTEM, "no process for the guard");
}

static bool reap(const struct check *check)
{
    int status;
    kill(check->guard, SIGCONT);
    for (int ms = 0; ms < LAST_MS; ms += 20) {
        pid_t got = waitpid(check->guard, &status, WNOHANG);
        if (got == check->guard || (got < 0 && errno != EINTR))
            return true;
        poll(NULL, 0, 20);
    }
    return false;
}

/* ---- the whole ---------------------------------------------------------------------------------------------- */

/* A port that cannot be had: why, which may be that a run holds it. */
static const char *refused_port(const struct check *check)
{
    for (int i = 0; i < check->rows.count; i++) {
        const struct check_row *row = &check->rows.row[i];
        if (row->note == NOTE_FAULT && !strcmp(row->what, "port"))
            return row->how;
    }
    return NULL;
}

static const char *verdict(const struct check *check)
{
    const char *port = refused_port(check);
    bool any_open = false;
    for (int i = 0; i < check->rows.count; i++)
        any_open = any_open || check->rows.row[i].note == NOTE_WARN;
    switch (check->outcome) {
    case RUN_DONE:
        return any_open ? "every proof that this bench allows holds; what is open is marked so"
                        : "every proof holds";
    case RUN_DEVICE:
        return port ? port : "an instrument is missing, or not the one that the bench file names";
    case RUN_STOPPED:
        return "stopped before its end";
    default:
        return "a proof failed: mend it before anything is heated";
    }
}

static void write_json(const struct check *check)
{
    char text[2048];
    struct bytes b;
    FILE *out = check->cli->out;
    bytes_init(&b, text, sizeof text);
    bytes_json(&b, check->opened->bench.name);
    fprintf(out, "{\"outcome\":\"%s\",\"bench\":%.*s,\"proofs\":[",
            outcome_name((enum outcome)check->outcome), (int)b.length, b.at);
    for (int i = 0; i < check->rows.count; i++) {
        const struct check_row *row = &check->rows.row[i];
        bytes_clear(&b);
        bytes_text(&b, i ? ",{\"instrument\":" : "{\"instrument\":");
        bytes_json(&b, row->name);
        bytes_text(&b, ",\"proof\":");
        bytes_json(&b, row->what);
        bytes_text(&b, row->note == NOTE_STATE   ? ",\"result\":\"holds\",\"how\":"
                       : row->note == NOTE_FAULT ? ",\"result\":\"fails\",\"how\":"
                                                 : ",\"result\":\"open\",\"how\":");
        bytes_json(&b, row->how);
        bytes_char(&b, '}');
        fprintf(out, "%.*s", (int)b.length, b.at);
    }
    fputs("],\"protections\":", out);
    protection_write_json(out, &check->opened->bench, &check->rows);
    fputs("}\n", out);
}

static enum outcome run(struct check *check)
{
    struct tl_error error = {0};
    struct sigaction action = {.sa_handler = on_signal};
    fprintf(check->shown,
            "%s (%s)\n\nEach instrument is asked to show what a run relies on. Nothing is heated "
            "without a yes.\n\n",
            check->opened->bench.name, check->opened->path);
    fflush(check->shown);
    if (start(check, &error))
        return cli_refuse(check->cli, &error, NULL, 0);
    told_to_stop = 0;
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGHUP, &action, NULL);
    signal(SIGPIPE, SIG_IGN);
    converse(check);
    bool over = reap(check);
    close(check->guard_fd);
    if (!check->ended || !over)
        fprintf(check->cli->err,
                "tinlatch: the guard's program %s: look whether everything is off\n",
                over ? "ended without a word" : "is still at work");
    if (check->cli->options.json) {
        write_json(check);
    } else {
        protection_write_text(check->shown, &check->opened->bench, &check->rows);
        fprintf(check->shown, "\nbench check: %s\n", verdict(check));
    }
    return (enum outcome)check->outcome;
}

enum outcome bench_check(struct cli *cli)
{
    struct tl_error error = {0};
    struct bench_opened *opened = calloc(1, sizeof *opened);
    struct check *check = calloc(1, sizeof *check);
    enum outcome outcome;
    if (!opened || !check) {
        free(opened);
        free(check);
        tl_error_set(&error, TL_SYSTEM, "out of memory");
        return cli_refuse(cli, &error, NULL, 0);
    }
    *check = (struct check){.cli = cli, .opened = opened, .guard_fd = -1, .outcome = RUN_REFUSED};
    check->shown = cli->options.json ? cli->err : cli->out;
    if (bench_open(opened, &cli->options, &error)) {
        outcome = cli_refuse(cli, &error, opened->text, opened->text ? opened->length : 0);
    } else if (opened->is_demo) {
        tl_error_set(&error, TL_MISSING,
                     "there is no bench file: nothing stands here to be checked");
        tl_error_hint(&error, "tinlatch bench check --bench FILE");
        outcome = cli_end(cli, RUN_REFUSED, &error, NULL, 0);
    } else {
        outcome = run(check);
    }
    bench_close(opened);
    free(check);
    return outcome;
}
