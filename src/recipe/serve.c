/* SPDX-License-Identifier: MIT */
/* The recipe's process in a run: the same steps as in a rehearsal, with the guard at the other end of a
 * socket. */
#include "recipe_private.h"

#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/time.h>
#include <unistd.h>

#include "tinlatch/bytes.h"
#include "tinlatch/sandbox.h"

/* Processor time between two answers: below what the guard takes for a silent recipe, so that the end still
 * names a line. */
enum { TICK_MS = 200, BUSY_TICKS = 3 };

struct serve {
    const struct serve_setup *setup;
    int fd;
    struct recipe *recipe;
    struct wire_hello answer; /* the guard's: merged limits */
    _Alignas(16) char message[WIRE_MAX];
};

/* ---- the end ---------------------------------------------------------------------------------- */

/* The place stands in `line` when it is the recipe's own, else in front of the text. */
static void fill_end(const struct source_set *sources, const struct tl_error *error,
                     struct wire_end *end)
{
    bool own = sources->count > 0 && strcmp(error->file, sources->file[0].name) == 0;
    char text[sizeof error->text + sizeof error->hint + sizeof error->file + 96], place[200] = "";
    if (own)
        end->line = error->line > 0 ? error->line : 0;
    else if (error->file[0] && error->line > 0)
        snprintf(place, sizeof place, "%s:%d: ", error->file, error->line);
    snprintf(text, sizeof text, "%s%s%s%s", place, error->text, error->hint[0] ? "; " : "",
             error->hint);
    bytes_copy_text(end->text, sizeof end->text, text);
}

void recipe_end(const struct source_set *sources, int code, const struct tl_error *error,
                struct wire_end *end)
{
    *end = (struct wire_end){.code = code};
    wire_stamp(&end->head, WIRE_END, 1);
    if (code != 0 && code != TL_ENDED)
        fill_end(sources, error, end);
}

_Noreturn static void say_end(const struct serve *serve, int code, const struct tl_error *error)
{
    struct wire_end end;
    recipe_end(serve->setup->recipe->sources, code, error, &end);
    while (wire_send(serve->fd, &end) == TL_MORE)
        ;
    _exit(0);
}

/* ---- a script that does not come back ------------------------------------------------------------- */

/* For the signal handlers; one recipe per process. */
static struct serve *handler_serve;
static volatile sig_atomic_t waiting, busy_ticks;

/* Busy for too long: have the script let go at its next instruction. Busy still: it sits inside one library
 * call, so leave that where it stands. */
static void on_tick(int signal)
{
    (void)signal;
    if (waiting)
        return;
    if (++busy_ticks > BUSY_TICKS)
        recipe_abandon(handler_serve->recipe);
    if (busy_ticks >= BUSY_TICKS)
        recipe_interrupt(handler_serve->recipe);
}

/* All that a recipe may have in a run is used up, however often it came back. */
static void on_cpu_time(int signal)
{
    (void)signal;
    recipe_interrupt(handler_serve->recipe);
}

static void watch_time(struct serve *serve)
{
    struct sigaction ticked = {.sa_handler = on_tick, .sa_flags = SA_RESTART};
    struct sigaction used_up = {.sa_handler = on_cpu_time, .sa_flags = SA_RESTART};
    struct itimerval tick = {.it_interval = {.tv_usec = TICK_MS * 1000},
                             .it_value = {.tv_usec = TICK_MS * 1000}};
    handler_serve = serve;
    sigaction(SIGPROF, &ticked, NULL);
    sigaction(SIGXCPU, &used_up, NULL);
    setitimer(ITIMER_PROF, &tick, NULL);
}

/* ---- what recipe_run calls ---------------------------------------------------------------------- */

/* Wait for a message; of what is not asked for, nothing is kept. */
static int wait_for(struct serve *serve, int kind)
{
    for (;;) {
        waiting = 1;
        int got = wire_receive(serve->fd, serve->message);
        busy_ticks = waiting = 0;
        if (got == kind)
            return 0;
        if (got == WIRE_END)
            return TL_ENDED;
        if (got < 0 && got != TL_MORE)
            return got;
    }
}

/* A recipe that was busy for some periods answers what is, not what was. */
static int take_newest(struct serve *serve, struct wire_snapshot *snapshot)
{
    int code = wait_for(serve, WIRE_SNAPSHOT);
    if (code)
        return code;
    memcpy(snapshot, serve->message, sizeof *snapshot);
    for (int got; (got = wire_receive_now(serve->fd, serve->message)) != TL_MORE;) {
        if (got == WIRE_END)
            return TL_ENDED;
        if (got < 0)
            return got;
        if (got == WIRE_SNAPSHOT)
            memcpy(snapshot, serve->message, sizeof *snapshot);
    }
    return 0;
}

static int send_whole(const struct serve *serve, const void *message)
{
    int code;
    while ((code = wire_send(serve->fd, message)) == TL_MORE)
        ;
    return code;
}

static int exchange_turn(void *context, const struct wire_turn *turn,
                         struct wire_snapshot *snapshot)
{
    struct serve *serve = context;
    int code = send_whole(serve, turn);
    return code ? code : take_newest(serve, snapshot);
}

static int send_note(void *context, const struct wire_note *note)
{
    return send_whole(context, note);
}

/* ---- the whole ------------------------------------------------------------------------------------ */

static const struct insert *insert_of(const struct serve *serve, const char *name)
{
    for (int i = 0; i < serve->setup->insert_count; i++)
        if (strcmp(serve->setup->insert[i].name, name) == 0)
            return &serve->setup->insert[i];
    return NULL;
}

static int greet(struct serve *serve, struct tl_error *error)
{
    struct wire_hello hello;
    recipe_hello(serve->recipe, &hello);
    int code = send_whole(serve, &hello);
    if (code == 0)
        code = wait_for(serve, WIRE_HELLO);
    if (code == 0)
        memcpy(&serve->answer, serve->message, sizeof serve->answer);
    if (code && code != TL_ENDED)
        tl_error_set(error, (enum tl_err)code, "the guard does not answer: %s", tl_err_text(code));
    return code;
}

static int prepare(struct serve *serve, struct tl_error *error)
{
    int code = sandbox_enter(-1, serve->fd, error);
    if (code == 0)
        code = recipe_open(&serve->recipe, serve->setup->recipe, error);
    return code ? code : greet(serve, error);
}

void recipe_serve(const struct serve_setup *setup, int fd)
{
    static struct serve serve;
    static struct recipe_tally tally;
    struct tl_error error = {0};
    serve.setup = setup;
    serve.fd = fd;
    watch_time(&serve);
    int code = prepare(&serve, &error);
    if (code)
        say_end(&serve, code, &error);
    struct recipe_host host = {
        .context = &serve,
        .exchange = exchange_turn,
        .note = send_note,
        .limits = &serve.answer.recipe,
        .origins = &serve.answer.origins,
        .bench_file = setup->bench_file,
        .plate = setup->plate,
        .insert = insert_of(&serve, recipe_header(serve.recipe)->insert),
        .room_c = setup->room_c,
    };
    say_end(&serve, recipe_run(serve.recipe, &host, &tally, &error), &error);
}
