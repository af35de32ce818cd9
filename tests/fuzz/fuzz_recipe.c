/* SPDX-License-Identifier: MIT */
/* Recipes: source, header and, with a bench that answers something, the steps. Whatever a script does, what leaves for the
 * guard is well formed. */
#include <fcntl.h>
#include <unistd.h>

#include "scripts.h"

enum { EXCHANGES = 300 };

struct bench {
    struct wire_snapshot snapshot;
    int exchanges, notes;
};

/* The plate is where it was asked to be, everything is answered, and a minute passes from one snapshot to the next. */
static int exchange(void *context, const struct wire_turn *turn, struct wire_snapshot *snapshot)
{
    struct bench *bench = context;
    struct wire_snapshot *s = &bench->snapshot;
    struct wanted want;
    assert(wire_take_turn(turn, BENCH_RAILS, &want) == 0);
    assert(turn->head.kind == WIRE_TURN && turn->head.version == WIRE_VERSION);
    s->head.number++;
    s->t_ms += bench->exchanges % 8 ? 100 : 60000;
    s->plate_quality = QUALITY_GOOD;
    s->plate_mc = want.heat ? want.temp_mc : 30000;
    for (int i = 0; i < SENSORS; i++) {
        s->quality[i] = QUALITY_GOOD;
        s->temp_mc[i] = s->plate_mc;
    }
    s->supply_quality = s->meter_quality = QUALITY_GOOD;
    s->supply_on = s->granted_supply = want.supply_on;
    s->meter_kind = (int32_t)want.meter;
    s->supply_mv = s->granted_mv = want.mv;
    s->granted_heat = want.heat;
    s->granted_mc = want.temp_mc;
    s->mode = GUARD_RUNNING;
    s->prompt = turn->prompt;
    s->answer = turn->prompt ? ANSWER_YES : ANSWER_NONE;
    *snapshot = *s;
    return bench->exchanges++ < EXCHANGES ? 0 : TL_ENDED;
}

static int note(void *context, const struct wire_note *note)
{
    struct bench *bench = context;
    assert(wire_check_note(note) == 0 && note->head.kind == WIRE_NOTE);
    return bench->notes++ < EXCHANGES ? 0 : TL_ENDED;
}

static void run(struct recipe *recipe)
{
    static struct recipe_tally tally;
    static const struct plate plate = {.watts = 600,
                                       .capacity_j_k = 600,
                                       .loss_w_k = 0.9,
                                       .emissivity_area = 0.01,
                                       .element_lag_s = 4,
                                       .sensor_lag_s = 1,
                                       .length_mm = 120,
                                       .width_mm = 100};
    static const struct insert insert = {"any", 45, 8, 1.2, 0, 0};
    struct bench bench = {.snapshot.rule = -1};
    struct limits merged = *limits_built_in();
    struct limit_origins origins = {0};
    struct wire_hello hello;
    struct tl_error error = {0};
    recipe_hello(recipe, &hello);
    limits_tighten(&merged, &origins, &hello.board, LAYER_BOARD, NULL);
    limits_tighten(&merged, &origins, &hello.recipe, LAYER_RECIPE, NULL);
    merged.has_board = true;
    struct recipe_host host = {.context = &bench,
                               .exchange = exchange,
                               .note = note,
                               .limits = &merged,
                               .origins = &origins,
                               .bench_file = "bench.ini",
                               .plate = &plate,
                               .insert = &insert,
                               .room_c = 22};
    memset(&tally, 0, sizeof tally);
    int code = recipe_run(recipe, &host, &tally, &error);
    if (code < 0 && code != TL_ENDED)
        scripts_check_error(&error);
    assert(isfinite(tally.worst_case_s) && tally.worst_case_s >= 0);
}

static char folder[] = "/dev/shm/fuzz-recipe-XXXXXX";

static void leave(void)
{
    unlink("recipe.lua");
    rmdir(folder);
}

/* In a folder of its own: what lies beside a recipe is read with it. */
static void put(const uint8_t *data, size_t size)
{
    static bool there;
    if (!there) {
        assert(mkdtemp(folder) && chdir(folder) == 0);
        atexit(leave);
        there = true;
    }
    int fd = open("recipe.lua", O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
    assert(fd >= 0 && write(fd, data, size) == (ssize_t)size);
    close(fd);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct source_set sources;
    static struct recipe_setup setup;
    struct tl_error error = {0};
    put(data, size);
    keeping = true;
    if (source_load(&sources, "recipe.lua", NULL, TEST_SOURCE, &error) != 0) {
        scripts_check_error(&error);
    } else {
        setup.sources = &sources;
        scripts_watch();
        if (recipe_open(&running, &setup, &error) == 0) {
            scripts_check_opened(running);
            run(running);
        } else {
            scripts_check_error(&error);
        }
        scripts_unwatch();
    }
    scripts_forget();
    return 0;
}
