/* SPDX-License-Identifier: MIT */
/* A stand-in for tinlatch-guard that plays a bench without one: started with the same options, it answers
 * recipe and front with a plate that follows its target at once. What happens is chosen by environment:
 *   FAKE_PLAY   done (default) | trip | die | mute | refuse | status | hold
 *   FAKE_SPEED  bench milliseconds per real millisecond, 1 to 100
 *   FAKE_LOG    a file that gets a line for every change in what the front sends, and one for the end
 *   FAKE_AT     bench seconds at which `trip`, `die` and `mute` happen (default 5) */
#include <poll.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include "tinlatch/interlock.h"
#include "tinlatch/run.h"
#include "tinlatch/wire.h"

enum { PERIOD_MS = 100, COOL_MS = 6000, CHECK = NOTE_GUARD | 1 };

static struct {
    int recipe_fd, front_fd;
    const char *play;
    int speed;
    int64_t t_ms, at_ms, cooling_ms;
    FILE *log;
    struct wire_snapshot snapshot;
    struct wire_turn turn;
    struct wire_hand hand;
    uint32_t notes;
    bool checked, recipe_over;
    enum outcome outcome;
    char end_text[BENCH_TEXT];
    int32_t end_line;
} g;

static const char *option(int argc, char *argv[], const char *name)
{
    for (int i = 1; i + 1 < argc; i++)
        if (strcmp(argv[i], name) == 0)
            return argv[i + 1];
    fprintf(stderr, "fake guard: %s is missing\n", name);
    exit(2);
}

static void tell_front(int32_t kind, const char *text)
{
    struct wire_note note = {.note = kind};
    wire_stamp(&note.head, WIRE_NOTE, NOTE_GUARD | ++g.notes);
    snprintf(note.text, sizeof note.text, "%s", text);
    wire_send(g.front_fd, &note);
}

static void end_run(enum outcome outcome, int32_t rule)
{
    if (g.snapshot.mode >= GUARD_COOLING)
        return;
    g.outcome = outcome;
    g.snapshot.mode = GUARD_COOLING;
    g.snapshot.rule = rule;
    g.snapshot.solid_ms = 2000;
    g.cooling_ms = g.t_ms;
}

static void trip(void)
{
    tell_front(NOTE_HANDS,
               "Heat is off. The joints are still molten: hands off until it beeps, about 12 s.");
    tell_front(NOTE_FAULT, "the plate's thermocouple is open");
    tell_front(NOTE_ACT, "Leave the board where it is until it beeps.");
    tell_front(NOTE_LOOK, "Look at the plug of the plate's thermocouple and at its wire.");
    end_run(RUN_TRIPPED, SENSOR_OPEN);
}

static void take_hello(const struct wire_hello *hello)
{
    struct wire_hello answer = *hello;
    if (strcmp(g.play, "refuse") == 0) {
        g.outcome = RUN_REFUSED;
        snprintf(g.end_text, sizeof g.end_text, "the seat test was refused");
        g.snapshot.mode = GUARD_ENDED;
        return;
    }
    for (int i = 0; i < LIMITS; i++) {
        int32_t asked = limits_get(&hello->recipe, (enum limit_id)i);
        answer.origins.of[i].layer = asked ? LAYER_RECIPE : LAYER_BUILT_IN;
        limits_set(&answer.recipe, (enum limit_id)i,
                   asked ? asked : limits_get(limits_built_in(), (enum limit_id)i));
    }
    for (int i = 0; i < hello->board.rail_count; i++)
        answer.recipe.rail[i] = hello->board.rail[i];
    answer.recipe.rail_count = hello->board.rail_count;
    wire_stamp(&answer.head, WIRE_HELLO, 1);
    wire_send(g.front_fd, &answer);
    struct wire_note note = {.note = NOTE_CHECK, .text = "Is the plate empty?"};
    wire_stamp(&note.head, WIRE_NOTE, CHECK);
    g.notes = 1;
    wire_send(g.front_fd, &note);
    g.snapshot.mode = GUARD_CHECKING;
    g.snapshot.open_note = CHECK;
    wire_send(g.recipe_fd, &answer);
}

static void from_recipe(const void *message, int kind)
{
    if (kind == WIRE_HELLO)
        take_hello(message);
    if (kind == WIRE_NOTE)
        wire_send(g.front_fd, message);
    if (kind == WIRE_TURN)
        memcpy(&g.turn, message, sizeof g.turn);
    if (kind == WIRE_END) {
        const struct wire_end *end = message;
        bool early = g.snapshot.mode == GUARD_WAITING;
        g.recipe_over = true;
        if (g.snapshot.mode < GUARD_COOLING) {
            snprintf(g.end_text, sizeof g.end_text, "%s", end->text);
            g.end_line = end->line;
        }
        end_run(end->code == 0 ? RUN_DONE : early ? RUN_INVALID : RUN_FAILED, -1);
        if (early)
            g.snapshot.mode = GUARD_ENDED;
    }
}

static void from_front(const struct wire_hand *hand)
{
    struct wire_hand now = *hand;
    now.head = g.hand.head;
    if (g.log && memcmp(&now, &g.hand, sizeof now) != 0) {
        fprintf(g.log,
                "hand stops %u nudge %d %d prompt %u answer %d value %g text %s parks %u leaves %u "
                "presence %u\n",
                now.stop_count, now.nudge_mc, now.nudge_ms, now.prompt & ~(uint32_t)NOTE_GUARD,
                now.answer, now.value, now.text, now.parks, now.leaves, now.presence);
        fflush(g.log);
    }
    if (now.stop_count != g.hand.stop_count && g.snapshot.mode < GUARD_COOLING) {
        tell_front(NOTE_HANDS, "Heat is off. The joints are solid.");
        end_run(RUN_STOPPED, STOP_PRESSED);
    }
    g.hand = now;
}

/* Everything that lies there; false when the other end is gone. */
static bool drain(int fd, bool is_front)
{
    _Alignas(16) static char message[WIRE_MAX];
    for (int kind; (kind = wire_receive_now(fd, message)) != TL_MORE;) {
        if (kind < 0)
            return false;
        if (!is_front)
            from_recipe(message, kind);
        else if (kind == WIRE_HAND)
            from_front((const struct wire_hand *)(const void *)message);
    }
    return true;
}

static void model(void)
{
    struct wire_snapshot *s = &g.snapshot;
    bool runs = s->mode == GUARD_RUNNING;
    s->wanted_heat = s->granted_heat = runs && g.turn.heat;
    s->wanted_mc = s->granted_mc = s->granted_heat ? g.turn.temp_mc : 0;
    int32_t target_mc = s->granted_heat ? s->granted_mc : 22000,
            missing_mc = target_mc - s->plate_mc;
    int32_t step_mc = missing_mc > 300 ? 300 : missing_mc < -300 ? -300 : missing_mc;
    s->plate_mc += s->mode >= GUARD_COOLING ? -(s->plate_mc - 22000) / 20 : step_mc;
    s->temp_mc[SENSOR_PLATE] = s->plate_mc;
    s->ramp_mc_s = step_mc * 10;
    s->duty_permille = s->granted_heat ? 400 : 0;
    s->supply_on = s->granted_supply = runs && g.turn.supply_on;
    s->supply_mv = s->supply_on ? g.turn.mv : 0;
    s->supply_ma = s->supply_on ? 20 : 0;
    s->beeps = g.turn.beeps;
    s->joints = g.turn.joints;
    memcpy(s->joint, g.turn.joint, sizeof s->joint);
    s->stage_note = g.turn.stage;
    s->nudge_mc = g.hand.nudge_mc;
    s->nudge_ms = g.hand.nudge_ms;
    s->stop_count = g.hand.stop_count;
    s->parked = g.hand.parks & 1;
    s->park_left_ms = 84000;
}

static void prompts(void)
{
    struct wire_snapshot *s = &g.snapshot;
    if (s->mode == GUARD_CHECKING && g.hand.prompt == CHECK && g.hand.answer == ANSWER_YES) {
        s->mode = GUARD_RUNNING;
        s->open_note = 0;
    }
    if (s->mode == GUARD_RUNNING)
        s->open_note = g.turn.prompt;
    bool answered = s->open_note && g.hand.prompt == s->open_note;
    s->prompt = answered ? g.hand.prompt : 0;
    s->answer = answered ? g.hand.answer : 0;
    s->value = answered ? g.hand.value : 0;
    snprintf(s->text, sizeof s->text, "%s", answered ? g.hand.text : "");
    if (s->mode >= GUARD_COOLING)
        s->open_note = 0;
}

static void cool(void)
{
    struct wire_snapshot *s = &g.snapshot;
    int64_t cooled_ms = g.t_ms - g.cooling_ms;
    if (s->mode != GUARD_COOLING)
        return;
    s->solid_ms = cooled_ms < 2000 ? (int32_t)(2000 - cooled_ms) : 0;
    s->safe_ms = cooled_ms > 3000 ? (int32_t)(COOL_MS - cooled_ms) : -1;
    bool hold = strcmp(g.play, "hold") == 0; /* never safe: only leaving ends it */
    if (hold ? g.hand.leaves > 0 : cooled_ms >= COOL_MS)
        s->mode = GUARD_ENDED;
}

static void one_period(void)
{
    struct wire_snapshot *s = &g.snapshot;
    if (s->mode == GUARD_RUNNING && g.t_ms >= g.at_ms && strcmp(g.play, "trip") == 0)
        trip();
    if (g.t_ms >= g.at_ms && strcmp(g.play, "die") == 0)
        exit(70); /* as the keeper of a guard that died */
    model();
    prompts();
    cool();
    s->t_ms = g.t_ms;
    wire_stamp(&s->head, WIRE_SNAPSHOT, s->head.number + 1);
    bool mute = g.t_ms >= g.at_ms && strcmp(g.play, "mute") == 0;
    if (mute)
        return;
    wire_send(g.front_fd, s);
    if (s->mode == GUARD_RUNNING || s->mode == GUARD_COOLING)
        wire_send(g.recipe_fd, s);
    g.t_ms += PERIOD_MS;
}

static void wait_period(void)
{
    struct timespec pause = {.tv_nsec = (long)PERIOD_MS * 1000000 / g.speed};
    nanosleep(&pause, NULL);
}

static void begin(int argc, char *argv[])
{
    const char *speed = getenv("FAKE_SPEED"), *log = getenv("FAKE_LOG"), *at = getenv("FAKE_AT");
    option(argc, argv, "--bench");
    option(argc, argv, "--latch");
    option(argc, argv, "--recipe");
    g.recipe_fd = atoi(option(argc, argv, "--recipe-fd"));
    g.front_fd = atoi(option(argc, argv, "--front-fd"));
    dprintf(atoi(option(argc, argv, "--record-fd")), "{\"kind\":\"start\"}\n");
    g.play = getenv("FAKE_PLAY") ? getenv("FAKE_PLAY") : "done";
    g.speed = speed ? atoi(speed) : 1;
    g.at_ms = at ? 1000 * atoi(at) : 5000;
    g.log = log ? fopen(log, "we") : NULL;
    g.snapshot.rule = g.snapshot.safe_ms = -1;
    g.snapshot.plate_mc = 22000;
    g.snapshot.plate_quality = g.snapshot.quality[SENSOR_PLATE] = QUALITY_GOOD;
    g.snapshot.supply_quality = QUALITY_GOOD;
    g.snapshot.ramp_known = 1;
    g.snapshot.heat_left_ms = 3600000;
}

int main(int argc, char *argv[])
{
    begin(argc, argv);
    if (strcmp(g.play, "status") == 0) {
        fprintf(stderr, "the plate's port is held by another program\033[2J\n");
        return RUN_DEVICE;
    }
    while (g.snapshot.mode != GUARD_ENDED) {
        bool recipe = drain(g.recipe_fd, false), front = drain(g.front_fd, true);
        if (!recipe && !g.recipe_over)
            end_run(RUN_FAILED, -1);
        if (!front)
            end_run(RUN_STOPPED, -1);
        one_period();
        wait_period();
    }
    if (g.log)
        fprintf(g.log, "end mode %s plate %d\n", guard_mode_name(g.snapshot.mode),
                g.snapshot.plate_mc / 1000);
    struct wire_end end = {.code = (int32_t)g.outcome, .line = g.end_line};
    wire_stamp(&end.head, WIRE_END, 1);
    snprintf(end.text, sizeof end.text, "%s", g.end_text);
    wire_send(g.front_fd, &end);
    if (g.log)
        fclose(g.log);
    _exit(0); /* at once: nobody looks for leaks in a stand-in */
}
