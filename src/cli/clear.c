/* SPDX-License-Identifier: MIT */
/* Releasing a latched trip: the cause is shown in full, a reason is taken and kept, then the latch goes. */
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <time.h>
#include <unistd.h>

#include "bench_check.h"
#include "cli_private.h"
#include "paths.h"
#include "tinlatch/bytes.h"
#include "tinlatch/latch.h"
#include "tinlatch/utf8.h"

enum { REASON = 256, REASON_LEAST = 3, LINE = 8192 };

static const char *const reasons[] = {
    "a sensor, its seat or its wire: found and mended",
    "an instrument, a cable or the mains: found and mended",
    "the recipe or a limit was wrong: changed",
    "something was moved or touched at the bench: put right",
    "the program or the computer ended: the bench was looked over, everything is off",
    "the cause was not found: the next run is watched without a pause",
};
enum { REASONS = sizeof reasons / sizeof reasons[0] };

/* ---- what is shown ------------------------------------------------------------------------------ */

/* The file may have been written to by anybody: only plain text reaches the terminal. */
static void show_line(FILE *out, const char *label, const char *text)
{
    char plain[BENCH_TEXT];
    size_t n = 0;
    if (!*text)
        return;
    for (size_t left = strlen(text), length; left > 0; text += length, left -= length) {
        length = utf8_length(text, left);
        bool good = length > 0 && utf8_is_plain(text, length);
        length = length > 0 ? length : 1;
        if (n + length >= sizeof plain)
            break;
        memcpy(plain + n, good ? text : "?", good ? length : 1);
        n += good ? length : 1;
    }
    plain[n] = '\0';
    write_folded(out, plain, fprintf(out, "%-7s", label));
}

static void show(FILE *out, const struct latch *latch)
{
    char when[64] = "";
    time_t wall = (time_t)latch->wall_s;
    struct tm tm;
    if (latch->wall_s > 0 && localtime_r(&wall, &tm))
        strftime(when, sizeof when, "%Y-%m-%d %H:%M:%S", &tm);
    show_line(out, "trip", latch->rule);
    show_line(out, "when", when);
    show_line(out, "bench", latch->bench);
    show_line(out, "recipe", latch->recipe);
    show_line(out, "what", latch->what);
    show_line(out, "do", latch->act);
    show_line(out, "then", latch->look);
}

/* ---- the reason ----------------------------------------------------------------------------------- */

static bool take_reason(const char *text, char reason[REASON], struct tl_error *error)
{
    while (*text == ' ')
        text++;
    size_t length = strcspn(text, "\r\n");
    bool number = length > 0 && strspn(text, "0123456789") == length;
    long which = number ? strtol(text, NULL, 10) : 0;
    if (number && which >= 1 && which <= REASONS) {
        snprintf(reason, REASON, "%s", reasons[which - 1]);
        return true;
    }
    if (number || length < REASON_LEAST || length >= REASON) {
        tl_error_set(error, TL_USAGE,
                     "a reason is a number from 1 to %d, or a text of %d to %d bytes", REASONS,
                     REASON_LEAST, REASON - 1);
        return false;
    }
    snprintf(reason, REASON, "%.*s", (int)length, text);
    for (char *c = reason; *c; c++)
        if ((unsigned char)*c < 0x20 || *c == 0x7f)
            *c = ' ';
    return true;
}

static bool ask_reason(struct cli *cli, char reason[REASON], struct tl_error *error)
{
    char line[2 * REASON];
    fputs("\nWhat was it? A number, or in your own words; an empty line leaves it latched.\n",
          cli->out);
    for (int i = 0; i < REASONS; i++)
        write_folded(cli->out, reasons[i], fprintf(cli->out, "  %d  ", i + 1));
    for (;;) {
        fputs("> ", cli->out);
        cli_flush(cli);
        if (!fgets(line, sizeof line, stdin) || line[strspn(line, " \r\n")] == '\0') {
            tl_error_set(error, TL_ENDED, "no reason was given: the trip stays latched");
            return false;
        }
        if (take_reason(line, reason, error))
            return true;
        fprintf(cli->out, "%s\n", error->text);
    }
}

static bool find_reason(struct cli *cli, char reason[REASON], struct tl_error *error)
{
    if (cli->options.reason)
        return take_reason(cli->options.reason, reason, error);
    if (isatty(STDIN_FILENO) && isatty(STDOUT_FILENO))
        return ask_reason(cli, reason, error);
    tl_error_set(error, TL_MISSING, "no terminal to ask for the reason");
    tl_error_hint(error, "tinlatch clear --reason TEXT");
    return false;
}

/* ---- the log of clearings --------------------------------------------------------------------------- */

static void add_text(struct bytes *b, const char *key, const char *text)
{
    bytes_text(b, ",\"");
    bytes_text(b, key);
    bytes_text(b, "\":");
    bytes_json(b, text);
}

static size_t clearing_line(const struct latch *latch, const char *reason, char line[LINE])
{
    struct bytes b;
    bytes_init(&b, line, LINE);
    bytes_text(&b, "{\"kind\":\"clearing\",\"wall_s\":");
    bytes_int(&b, (int64_t)time(NULL));
    bytes_text(&b, ",\"tripped_wall_s\":");
    bytes_int(&b, latch->wall_s);
    add_text(&b, "rule", latch->rule);
    add_text(&b, "what", latch->what);
    add_text(&b, "bench", latch->bench);
    add_text(&b, "recipe", latch->recipe);
    add_text(&b, "reason", reason);
    bytes_text(&b, "}\n");
    return b.full ? 0 : b.length;
}

/* On the disk before the latch goes. */
static int keep(const struct latch *latch, const char *reason, struct tl_error *error)
{
    char path[PATH_SIZE], line[LINE];
    if (paths_runs(path, error))
        return TL_FILE;
    size_t length = strlen(path);
    if (snprintf(path + length, PATH_SIZE - length, "/clearings.jsonl") >=
        (int)(PATH_SIZE - length))
        return tl_error_set(error, TL_FILE, "%s: %s", path, strerror(ENAMETOOLONG));
    int fd = open(path, O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC | O_NOCTTY, 0644);
    length = clearing_line(latch, reason, line);
    bool whole =
        fd >= 0 && length > 0 && write(fd, line, length) == (ssize_t)length && fsync(fd) == 0;
    if (!whole)
        tl_error_set(error, TL_FILE, "%s: %s", path, strerror(errno));
    if (fd >= 0)
        close(fd);
    return whole ? 0 : TL_FILE;
}

/* ---- the whole ----------------------------------------------------------------------------------------- */

/* A run that is alive holds the lock; what it armed protects it against a crash, and what it tripped over may still be
 * hot. Held by us until the latch is gone, however long the reason takes: no run begins meanwhile. < 0: nothing may be
 * released, *why says why. */
static int keep_runs_out(const char *path, struct tl_error *why)
{
    char holder[HOLDER_SIZE];
    int fd = paths_open_alive(path, why);
    if (fd < 0)
        return fd;
    if (flock(fd, LOCK_EX | LOCK_NB) == 0) {
        (void)!ftruncate(fd, 0); /* whoever signed is over */
        paths_sign_alive(fd);
        return fd;
    }
    close(fd);
    return tl_error_set(why, TL_ENDED,
                        "a run is going on%s: nothing is released before it has ended",
                        paths_alive_holder(path, holder));
}

static enum outcome release(struct cli *cli, const char *path, const struct latch *latch)
{
    struct tl_error error = {0};
    char reason[REASON];
    if (!find_reason(cli, reason, &error))
        return cli_end(cli, error.code == TL_USAGE ? RUN_INVALID : RUN_REFUSED, &error, NULL, 0);
    if (keep(latch, reason, &error) || latch_remove(path, &error))
        return cli_refuse(cli, &error, NULL, 0);
    show_line(cli->out, "cleared: ", reason);
    return RUN_DONE;
}

/* Each trip, and each run that was cut off, with a reason of its own. */
enum outcome verb_clear(struct cli *cli)
{
    static struct latch latch;
    char path[PATH_SIZE], alive[PATH_SIZE];
    struct tl_error error = {0}, kept = {0};
    enum outcome outcome = RUN_DONE;
    int result, shown = 0;
    if (paths_latch(path, alive, &error))
        return cli_refuse(cli, &error, NULL, 0);
    int held =
        keep_runs_out(alive, &kept); /* before the latch is read: it does not change any more */
    while (outcome == RUN_DONE && (result = latch_read(path, &latch, &error)) != 0) {
        if (result < 0) { /* it may be read in part */
            show_line(cli->out, "latch", error.text);
            snprintf(latch.rule, sizeof latch.rule, "unreadable");
        }
        if (shown++)
            fputc('\n', cli->out);
        show(cli->out, &latch);
        outcome = held < 0 ? cli_end(cli, RUN_REFUSED, &kept, NULL, 0) : release(cli, path, &latch);
    }
    if (!shown)
        fputs("nothing is latched\n", cli->out);
    if (held >= 0)
        close(held);
    return outcome;
}
