/* SPDX-License-Identifier: MIT */
/* The child's side: world, guard and recipe in lockstep. One thread, one virtual clock. */
#include "rehearse_private.h"

#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "tinlatch/sandbox.h"

enum {
    GATHER = 64 * 1024,       /* bytes of record per write */
    KNOB_MS = 3000,           /* a person looks, reaches out, turns */
    COOLING_MS = 3600 * 1000, /* a plate that is not touch-safe by then will not be */
    MOST_MS = RECIPE_HOURS * 3600 * 1000,
};
static const double TORN = 0.01; /* share of solder still solid at a lift: more tears pads */

/* For the signal handler; one rehearsal per process. */
static struct rehearse_result *handler_result;
static struct rehearsal *handler_rehearsal;
static volatile sig_atomic_t in_exchange, asked_to_stop;

/* Told to stop: note the line, have the script let go at its next instruction. Told again: it sits inside one
 * library call, so leave that call where it stands; nothing of Lua's is used afterwards, and the guard, which goes on
 * to cool down, allocates nothing. */
static void on_cpu_time(int signal)
{
    struct rehearsal *r = handler_rehearsal;

    (void)signal;
    if (!r || !r->recipe)
        return;
    handler_result->line = recipe_line(r->recipe);
    if (asked_to_stop++ && !in_exchange)
        recipe_abandon(r->recipe);
    recipe_interrupt(r->recipe);
}

static void watch_cpu_time(struct rehearse_result *result, struct rehearsal *r)
{
    struct sigaction action = {.sa_handler = on_cpu_time};

    handler_result = result;
    handler_rehearsal = r;
    sigaction(SIGXCPU, &action, NULL);
}

static int make_world(struct rehearsal *r, struct tl_error *error)
{
    const struct benchfile *bench = r->setup->bench;
    const struct insert *insert = benchfile_insert(bench, r->hello.insert);
    struct world_setup setup = {
        .board = r->board,
        .spread = 1,
        .seed = r->setup->seed,
        .grid_mm = r->setup->grid_mm,
        .unseen = r->told != NULL, /* the figures are those of the other process */
    };

    imitate(bench, &setup);
    if (insert)
        setup.insert = *insert;
    int failed = world_new(&r->world, &setup, error);
    for (int i = 0; i < r->setup->fault_count && !failed; i++)
        failed = world_add_fault(r->world, r->setup->fault[i].name,
                                 (int64_t)llround(r->setup->fault[i].at_s * 1000), error);
    return failed;
}

static int make_guard(struct rehearsal *r, struct tl_error *error)
{
    struct guard_config config = {
        .bench = r->setup->bench,
        .journal = r->journal,
        .truth_mc = &r->truth_mc,
        .armed = true,
        .rested = true,
        .say = summary_guard_note,
        .context = r,
    };

    for (int i = 0; i < r->setup->bench->device_count; i++)
        if (r->setup->bench->device[i].port >= 0)
            config.port[r->setup->bench->device[i].port] = world_port(r->world, i);
    return guard_new(&r->guard, &config, error);
}

static int say_hello(struct rehearsal *r, struct tl_error *error)
{
    return guard_receive(r->guard, &r->hello, sizeof r->hello, 0, error);
}

/* What a shared recipe says of itself. */
static void name_parts(struct rehearsal *r)
{
    struct run *run = r->run;
    size_t used = 0;

    snprintf(run->title, sizeof run->title, "%s", r->hello.title);
    snprintf(run->board, sizeof run->board, "%s", r->hello.board_name);
    snprintf(run->insert, sizeof run->insert, "%s", r->hello.insert);
    snprintf(run->revision, sizeof run->revision, "%s", r->board->revision);
    if (r->recipe) {
        run->api = recipe_header(r->recipe)->api;
        run->version = recipe_header(r->recipe)->version;
    }
    for (int i = 0; i < r->board->joint_count; i++) {
        const char *alloy = r->board->joint[i].alloy.name;
        if (!strstr(run->alloys, alloy) && used + strlen(alloy) + 3 <= sizeof run->alloys)
            used += (size_t)snprintf(run->alloys + used, sizeof run->alloys - used, "%s%s",
                                     used ? ", " : "", alloy);
    }
}

static void record_start(struct rehearsal *r)
{
    struct journal_start start = {
        .kind = "rehearsal",
        .recipe = r->run->recipe,
        .source = &r->run->source,
        .title = r->hello.title,
        .board = r->hello.board_name,
        .bench = r->setup->bench->name,
        .serial = r->setup->serial,
        .insert = r->hello.insert,
        .version = TINLATCH_VERSION,
        .seed = r->setup->seed,
    };
    journal_start(r->journal, &start);
    name_parts(r);
}

/* What the guard does not accept ends the run, and is the reason that is given for it. */
static int send(struct rehearsal *r, const char *who, const void *message, size_t size,
                int64_t t_ms)
{
    struct tl_error error = {0};
    int failed = guard_receive(r->guard, message, size, t_ms, &error);

    if (failed && r->broken.code == TL_OK)
        tl_error_set(&r->broken, (enum tl_err)failed, "%s: %s", who, error.text);
    return failed;
}

static void hear_operator(struct rehearsal *r, const struct wire_turn *turn, int64_t t_ms)
{
    operator_step(&r->operator, turn, r->world, r->truth.stops, t_ms);
    wire_stamp(&r->operator.said.head, WIRE_HAND, guard_snapshot(r->guard)->head.number);
    send(r, "the operator's answer", &r->operator.said, sizeof r->operator.said, t_ms);
    r->misfit = r->operator.wrong != NULL;
}

/* A plate without a port: the person sets it to what is granted, a moment after hearing of it. */
static void turn_knob(struct rehearsal *r, int64_t t_ms)
{
    const struct wire_snapshot *snapshot = guard_snapshot(r->guard);
    int32_t want_mc = snapshot->granted_heat ? snapshot->granted_mc : 0;

    if (want_mc != r->knob_mc) {
        r->knob_mc = want_mc;
        r->knob_ms = t_ms + KNOB_MS;
    }
    if (t_ms >= r->knob_ms)
        world_knob(r->world, r->knob_mc > 0 ? r->knob_mc / 1000.0 : (double)NAN);
}

/* The world moves on to the next answer, or to whatever else the guard waits for. */
static int64_t advance(struct rehearsal *r, int64_t latest_ms)
{
    int64_t next_ms = world_next_reply_ms(r->world);

    if (guard_wake_ms(r->guard) < next_ms)
        next_ms = guard_wake_ms(r->guard);
    if (next_ms > latest_ms)
        next_ms = latest_ms;
    world_advance(r->world, next_ms);
    return next_ms;
}

/* One period: requests out, the world moves on as far as the answers take, scan, the rest of the period. */
static void one_period(struct rehearsal *r, const struct wire_turn *turn)
{
    int64_t begin_ms = r->now_ms, latest_ms = begin_ms + r->period_ms * 8 / 10, t_ms = begin_ms;

    if (turn->supply_on)
        world_clip(r->world, turn->rail); /* the recipe has asked for the leads to be put there */
    if (turn->meter != METER_NONE)
        world_probe(r->world, turn->rail);
    guard_begin(r->guard, t_ms);
    while (!guard_pump(r->guard, t_ms) && t_ms < latest_ms)
        t_ms = advance(r, latest_ms);
    world_truth(r->world, &r->truth);
    r->truth_mc = (int32_t)lround(r->truth.plate_c * 1000);
    guard_scan(r->guard, t_ms);
    if (!r->told)
        summary_snapshot(r, guard_snapshot(r->guard), turn);
    hear_operator(r, turn, t_ms);
    turn_knob(r, t_ms);
    r->now_ms = begin_ms + r->period_ms;
    while (guard_owes(r->guard) && t_ms < r->now_ms) {
        t_ms = advance(r, r->now_ms);
        guard_pump(r->guard, t_ms);
    }
    r->run->duration_s = (double)r->now_ms / 1000; /* for a parent that has to close the record */
    world_advance(r->world, r->now_ms);
    if (r->until_ms > 0 && r->now_ms >= r->until_ms)
        r->cut = true;
    if (r->now_ms >= MOST_MS)
        r->endless = true;
}

static bool over(const struct rehearsal *r)
{
    enum guard_mode mode = guard_mode(r->guard);

    return mode == GUARD_COOLING || mode == GUARD_ENDED || r->cut || r->torn || r->misfit ||
           r->endless;
}

/* The fault: the recipe's turns no longer arrive. The guard has to notice by itself. */
static void hang(struct rehearsal *r, const struct wire_turn *turn)
{
    while (!over(r))
        one_period(r, turn);
}

static int exchange(void *context, const struct wire_turn *turn, struct wire_snapshot *snapshot)
{
    struct rehearsal *r = context;
    int status = TL_ENDED;

    in_exchange = 1;
    if (r->told)
        stream_put(r->told, turn);
    if (r->truth.recipe_hangs)
        hang(r, turn);
    if (!over(r)) {
        send(r, "what the recipe wants", turn, sizeof *turn, r->now_ms);
        one_period(r, turn);
        *snapshot = *guard_snapshot(r->guard);
        status = over(r) ? TL_ENDED : 0;
    }
    in_exchange = 0;
    return status;
}

static int take_note(void *context, const struct wire_note *note)
{
    struct rehearsal *r = context;
    int status;

    in_exchange = 1;
    if (r->told)
        stream_put(r->told, note);
    status = send(r, "a text of the recipe", note, sizeof *note, r->now_ms) ? TL_ENDED : 0;
    operator_asked(&r->operator, note);
    summary_note(r, note);
    in_exchange = 0;
    return status;
}

static void tell_hand(struct stream *told, enum hand hand, int part, double watts)
{
    struct stream_hand done = {.head = {.kind = STREAM_HAND, .version = WIRE_VERSION},
                               .hand = (int32_t)hand,
                               .part = part,
                               .watts = watts};

    stream_put(told, &done);
}

/* The person does it; a lift of what still holds tears pads, and the rehearsal says so and ends. */
static void take_hand(void *context, enum hand hand, int part, double watts)
{
    struct rehearsal *r = context;

    in_exchange = 1;
    if (r->told)
        tell_hand(r->told, hand, part, watts);
    if (hand == HAND_HEAT)
        world_hot_air(r->world, watts, part);
    else
        world_hand(r->world, hand, part);
    world_truth(r->world, &r->truth);
    if (hand == HAND_LIFT && r->truth.torn > TORN) {
        r->torn = true;
        tl_error_set(&r->run->error, TL_STEP,
                     "lifted while %.0f %% of the solder was still solid: pads tear",
                     100 * r->truth.torn);
        tl_error_at(&r->run->error, r->run->recipe, r->note_line);
        tl_error_hint(&r->run->error,
                      "wait_for_melt before the lift, with the joint that melts last; if it is "
                      "there, raise its `steady`: the estimate can run ahead of a slow board");
    }
    in_exchange = 0;
}

/* No recipe before the guard has proved what it uses. */
static int wait_ready(struct rehearsal *r, struct tl_error *error)
{
    struct wire_turn idle = {0};

    while (guard_mode(r->guard) == GUARD_CHECKING || guard_mode(r->guard) == GUARD_SEATING)
        one_period(r, &idle);
    *error = *guard_refusal(r->guard);
    return error->code;
}

static enum outcome outcome_of(const struct rehearsal *r, int code)
{
    const struct guard_trip *trip = guard_trip(r->guard);

    if (trip->tripped)
        return rules[trip->rule].kind == RULE_STOP ? RUN_STOPPED : RUN_TRIPPED;
    if (r->misfit)
        return RUN_INVALID;
    if (r->torn || r->endless)
        return RUN_FAILED;
    if (r->cut && code == TL_ENDED) /* a recipe that was over before has its own outcome */
        return RUN_STOPPED;
    return code == 0 ? RUN_DONE : RUN_FAILED;
}

static void tell_end(struct rehearsal *r, int code)
{
    struct wire_end end = {.code = code, .line = r->run->error.line};

    wire_stamp(&end.head, WIRE_END, 1);
    snprintf(end.text, sizeof end.text, "%.*s", (int)sizeof end.text - 1, r->run->error.text);
    guard_receive(r->guard, &end, sizeof end, r->now_ms, NULL);
}

/* Does some sensor in use still tell how hot the plate is? A frozen one cannot be told from a good one. */
static bool plate_reads(const struct rehearsal *r)
{
    return guard_readings(r->guard)->plate.quality == QUALITY_GOOD;
}

/* Everything is off; go on until nothing burns any more. */
static void cool_down(struct rehearsal *r)
{
    struct wire_turn idle = {0};
    int64_t latest_ms = r->now_ms + COOLING_MS;

    r->run->recipe_s = (double)r->now_ms / 1000;
    while (guard_mode(r->guard) != GUARD_ENDED && r->now_ms < latest_ms) {
        one_period(r, &idle);
    }
    if (guard_mode(r->guard) == GUARD_ENDED)
        return;
    if (plate_reads(r))
        run_add_warning(r->run, "not touch-safe within an hour of the end: take the plate for hot");
    else
        run_add_warning(r->run,
                        "when the plate is touch-safe cannot be known: a sensor of it is lost; "
                        "take it for hot");
}

static void explain_misfit(struct rehearsal *r)
{
    const struct rehearse_answer *wrong = r->operator.wrong;

    tl_error_set(&r->run->error, TL_UNIT, "\"%s\" is no answer to \"%.120s\": expected %s",
                 wrong->value, r->asked, r->operator.wanted);
    tl_error_at(&r->run->error, r->setup->answers_file, wrong->line);
    tl_error_token(&r->run->error, wrong->value);
}

/* No run ends as failed without a word why. */
static void explain_broken(struct rehearsal *r)
{
    struct tl_error *error = &r->run->error;

    if (r->run->outcome != RUN_FAILED || error->code != TL_OK)
        return;
    if (r->broken.code == TL_OK)
        tl_error_set(error, TL_ENDED, "the guard ended the run; this recipe was not done");
    else
        *error = r->broken;
    tl_error_at(error, r->run->recipe, r->note_line);
}

/* What was asked for on the command line and never came to pass. */
static void warn_unused(struct rehearsal *r)
{
    const struct rehearse_setup *setup = r->setup;
    int used = r->operator.next_answer, left = setup->answer_count - used;

    for (int i = 0; i < setup->fault_count; i++)
        if (setup->fault[i].at_s * 1000 > (double)r->now_ms)
            run_add_warning(r->run, "the fault %s@%g never happened: it was over at %.0f s",
                            setup->fault[i].name, setup->fault[i].at_s, (double)r->now_ms / 1000);
    if (left > 0 && r->run->outcome == RUN_DONE)
        run_add_warning(r->run, "%s: never asked for: what stands in it from line %d on (%d left)",
                        setup->answers_file, setup->answer[used].line, left);
}

/* Would a run go wrong in the same way? Not for sure where the world or a person had a say: a wait in vain, a value that
 * the simulated person made up, what the script itself decides after an answer or a measurement. */
static bool is_slip(const struct rehearsal *r, int code)
{
    bool heard = r->operator.told || !isnan(r->extremes.supply_v) || !isnan(r->extremes.inject_v);

    if (code == 0 || code == TL_ENDED || r->tally.unmet || r->endless || r->operator.guessed)
        return false;
    return !r->tally.raised || !heard;
}

/* ---- the recipe in this process ----------------------------------------------------------------- */

static int run_here(struct rehearsal *r, struct tl_error *error)
{
    struct recipe_host host = {
        .context = r,
        .exchange = exchange,
        .note = take_note,
        .hand = take_hand,
        .limits = guard_limits(r->guard),
        .origins = guard_origins(r->guard),
        .bench_file = r->setup->bench_file,
        .plate = &r->setup->bench->plate,
        .insert = benchfile_insert(r->setup->bench, r->hello.insert),
        .room_c = r->setup->bench->room_c,
    };

    return recipe_run(r->recipe, &host, &r->tally, error);
}

/* ---- the recipe in another ---------------------------------------------------------------------- */

/* It may have written anything there. */
static void hear_hand(struct rehearsal *r, const struct stream_hand *done)
{
    bool sane = done->hand > HAND_NONE && done->hand < HANDS && done->part >= -1 &&
                done->part < r->board->part_count && done->watts >= 0 && done->watts <= 1000;

    if (sane)
        take_hand(r, (enum hand)done->hand, done->part, done->watts);
}

/* Sums of timeouts and warnings: how it ended is not taken from there. */
static void hear_tally(struct rehearsal *r, const struct recipe_tally *tally)
{
    if (!(tally->worst_case_s >= 0 && tally->worst_case_s <= 1e6) ||
        !(tally->worst_case_heat_s >= 0 && tally->worst_case_heat_s <= 1e6) ||
        tally->warning_count < 0 || tally->warning_count > RUN_WARNINGS)
        return;
    r->tally = (struct recipe_tally){.worst_case_s = tally->worst_case_s,
                                     .worst_case_heat_s = tally->worst_case_heat_s,
                                     .warning_count = tally->warning_count};
    for (int i = 0; i < tally->warning_count; i++)
        snprintf(r->tally.warning[i], sizeof r->tally.warning[i], "%.*s",
                 (int)sizeof r->tally.warning[i] - 1, tally->warning[i]);
}

static int read_end(const struct rehearsal *r, const struct wire_end *end, struct tl_error *error)
{
    if (wire_check_end(end) != 0)
        return tl_error_set(error, TL_KILLED, "the recipe's process said an end that is none");
    if (end->code == 0 || end->code == TL_ENDED)
        return end->code;
    tl_error_set(error, (enum tl_err)end->code, "%s", end->text);
    tl_error_at(error, r->run->recipe, end->line);
    return end->code;
}

static int hear(struct rehearsal *r, int kind, const void *message, struct tl_error *error)
{
    static struct wire_snapshot snapshot;
    int code;

    switch (kind) {
    case WIRE_TURN:
        return exchange(r, message, &snapshot);
    case STREAM_HAND:
        hear_hand(r, message);
        return 0;
    case STREAM_TALLY:
        hear_tally(r, &((const struct stream_tally *)message)->tally);
        return 0;
    case WIRE_NOTE:
        return take_note(r, message);
    case WIRE_END:
        code = read_end(r, message, error);
        return code ? code : 1;
    default:
        return tl_error_set(error, TL_KILLED, "the recipe's process died, or said what none says");
    }
}

static int run_there(struct rehearsal *r, struct tl_error *error)
{
    static _Alignas(16) char message[WIRE_MAX];
    int code = 0;

    while (code == 0)
        code = hear(r, stream_get(r->heard, message), message, error);
    return code > 0 ? 0 : code;
}

static void play(struct rehearsal *r, struct rehearse_result *result)
{
    struct tl_error error = {0};

    int code = r->recipe ? run_here(r, &error) : run_there(r, &error);
    result->left_lua = 1;
    r->run->slip = is_slip(r, code);
    if (code < 0 && code != TL_ENDED && !r->torn)
        r->run->error = error;
    if (r->endless) {
        tl_error_set(&r->run->error, TL_TIMEOUT, "not over after %d h of bench time; it was here",
                     RECIPE_HOURS);
        tl_error_at(&r->run->error, r->run->recipe, r->recipe ? recipe_line(r->recipe) : 0);
    }
    if (r->misfit)
        explain_misfit(r);
    if (r->cut && code == TL_ENDED)
        run_add_warning(r->run, "cut at %.0f s as asked: the rehearsal does not show the end",
                        r->setup->until_s);
    r->run->outcome = outcome_of(r, code);
    explain_broken(r);
    tell_end(r, r->torn ? TL_STEP : code);
    cool_down(r);
    r->run->outcome = outcome_of(r, code); /* cooling can trip too */
    warn_unused(r);
    summary_end(r);
}

static enum outcome refusal_of(int code)
{
    switch (code) {
    case TL_LIMIT:
    case TL_MISSING:
        return RUN_REFUSED;
    case TL_DEVICE:
        return RUN_DEVICE;
    default:
        return RUN_INVALID;
    }
}

static int engage(struct rehearsal *r, struct tl_error *error)
{
    int failed = make_guard(r, error);

    if (failed == 0)
        failed = say_hello(r, error);
    if (failed)
        return failed;
    r->run->limits = *guard_limits(r->guard);
    r->run->origins = *guard_origins(r->guard);
    return wait_ready(r, error);
}

/* Who the recipe is and what board it is for. */
static int meet_here(struct rehearsal *r, struct tl_error *error)
{
    int failed = recipe_open(&r->recipe, &r->setup->recipe, error);

    if (failed)
        return failed;
    r->board = recipe_board(r->recipe);
    recipe_hello(r->recipe, &r->hello);
    return 0;
}

static int meet(struct rehearsal *r, const struct apart *apart, struct tl_error *error)
{
    static _Alignas(16) char message[WIRE_MAX];
    static struct stream heard;
    int failed;

    if (apart->socket < 0)
        return meet_here(r, error);
    heard.fd = apart->socket;
    r->heard = &heard;
    r->board = r->setup->apart;
    switch (stream_get(r->heard, message)) {
    case WIRE_HELLO:
        memcpy(&r->hello, message, sizeof r->hello);
        if (wire_check_hello(&r->hello) == 0)
            return 0;
        break;
    case WIRE_END: /* what it could not even be loaded for */
        failed = read_end(r, (const void *)message, error);
        return failed ? failed : tl_error_set(error, TL_KILLED, "the recipe ended before it began");
    default:
        break;
    }
    return tl_error_set(error, TL_KILLED, "the recipe's process died, or said what none says");
}

/* Load, merge, check, play. Whatever fails before the first heat leaves an outcome and its error. */
static void stage(struct rehearsal *r, const struct apart *apart, struct rehearse_result *result)
{
    struct tl_error *error = &r->run->error;
    int failed = meet(r, apart, error);

    if (failed == 0)
        failed = make_world(r, error);
    if (failed) {
        r->run->outcome = failed == TL_KILLED ? RUN_FAILED : RUN_INVALID;
        return;
    }
    record_start(r);
    failed = engage(r, error);
    if (failed) {
        r->run->outcome = refusal_of(failed);
        bool header = failed != TL_SYSTEM && (!r->guard || guard_refusal(r->guard)->code == TL_OK);
        if (r->recipe && error->file[0] == '\0' && header) /* else it is nobody's file */
            recipe_locate_header(r->recipe, error->token, error);
        return;
    }
    play(r, result);
}

static void record_melt_map(const struct rehearsal *r, const struct run_heat *heat)
{
    struct wire_note note = {.note = NOTE_JOB, .name = "melt map"};
    int from = 0;
    while (r->run->limits.uses_plate && run_heat_tell(heat, &from, note.text, sizeof note.text))
        journal_note(r->journal, r->now_ms, &note);
}

static void prepare(struct rehearsal *r, const struct rehearse_setup *setup, struct run *run)
{
    *r = (struct rehearsal){.setup = setup,
                            .run = run,
                            .period_ms = setup->bench->period_ms,
                            .until_ms = (int64_t)llround(setup->until_s * 1000)};
    r->extremes = run_extremes_none;
    run->peak_true_c = run->peak_read_c = run->peak_board_c = run->best_ramp_c_s = NAN;
    run->rehearsed = true;
    run->grid_mm = setup->grid_mm;
    run->seed = setup->seed;
    run->point_every_s = 0.5;
    run->outcome = RUN_INVALID;
    snprintf(run->recipe, sizeof run->recipe, "%s", setup->sources->file[0].name);
    snprintf(run->bench, sizeof run->bench, "%s", setup->bench->name);
    snprintf(run->serial, sizeof run->serial, "%s", setup->serial);
    run->source = setup->sources->told;
    operator_init(&r->operator, setup);
}

void lockstep_run(const struct rehearse_setup *setup, const struct apart *apart, int record_fd,
                  struct rehearse_result *result)
{
    static struct rehearsal r;
    struct run *run = &result->run;
    struct tl_error *error = &run->error;

    prepare(&r, setup, run);
    watch_cpu_time(result, &r);
    int failed = journal_new(&r.journal, record_fd, GATHER);
    if (failed)
        tl_error_set(error, TL_SYSTEM, "no memory for the record");
    if (failed || sandbox_enter(record_fd, apart->socket, error) != 0) {
        result->whole = 1;
        return;
    }
    stage(&r, apart, result);
    if (r.world && (setup->heat || record_fd >= 0))
        summary_heat(&r, &result->heat);
    run->duration_s = (double)r.now_ms / 1000;
    record_melt_map(&r, &result->heat);
    journal_end(r.journal, r.now_ms, run->outcome, error->code ? error : NULL);
    if (journal_flush(r.journal) != 0)
        run_add_warning(run, "the record could not be written whole");
    result->whole = 1;
}

/* What the world's process meets in the same way (a bench that refuses) it tells itself. */
static int tell_all(struct rehearsal *r, struct tl_error *error)
{
    int failed = meet_here(r, error);

    if (failed)
        return failed;
    stream_put(r->told, &r->hello);
    failed = make_world(r, error);
    if (failed)
        return failed;
    record_start(r);
    failed = engage(r, error);
    if (failed)
        return failed;
    static struct stream_tally counted = {.head = {.kind = STREAM_TALLY, .version = WIRE_VERSION}};
    failed = run_here(r, error);
    counted.tally = r->tally;
    stream_put(r->told, &counted);
    return failed;
}

void lockstep_tell(const struct rehearse_setup *setup, int fd)
{
    static struct rehearsal r;
    static struct rehearse_result result;
    static struct stream told;
    struct tl_error error = {0};
    struct wire_end end;

    prepare(&r, setup, &result.run);
    told.fd = fd;
    r.told = &told;
    watch_cpu_time(&result, &r);
    int code = journal_new(&r.journal, -1, GATHER);
    if (code)
        tl_error_set(&error, TL_SYSTEM, "no memory for the record");
    else
        code = sandbox_enter(-1, fd, &error);
    if (code == 0)
        code = tell_all(&r, &error);
    recipe_end(setup->sources, code, &error, &end);
    stream_put(&told, &end);
    stream_flush(&told);
    _exit(0);
}
