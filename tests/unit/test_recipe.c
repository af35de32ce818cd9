/* SPDX-License-Identifier: MIT */
#include "check.h"

#include <fcntl.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#include "demo_boards.h"
#include "tinlatch/recipe.h"

/* ---- a bench that does what it is told, and remembers what it was told ---------------------- */

enum { SEEN_NOTES = 64, ANSWERS_MAX = 16, HANDS_MAX = 16 };

static struct recipe *recipe;

static struct fake {
    double plate_c, rise_c_s; /* follows the wanted temperature */
    double volts, amps;       /* what the supply reads once it is on */
    double board_c;           /* what the board's sensor reads; 0 = there is none */
    int64_t lies_ms[2];       /* from when to when that reads as much as the plate's */
    int plate_quality;
    int32_t nudge_mc, nudge_ms;
    int64_t nudge_at_ms; /* from when on */
    int32_t heat_left_ms;
    int64_t end_at_ms;        /* exchange answers TL_ENDED from here on; 0 = never */
    int answers, next_answer; /* what the person says, prompt by prompt; then yes */
    enum hand_answer answer[ANSWERS_MAX];
    double value;
    char text[64];
    bool mute;           /* nobody answers */
    enum quality meter;  /* of the bench's meter, once it is asked; NONE = there is none */
    int meter_wait;      /* so many turns after that */
    int meter_rail;      /* where its leads are */
    int interrupt_after; /* exchanges; 0 = never */
    int exchanges, notes, hands;
    struct wire_note note[SEEN_NOTES];
    struct wire_note job; /* the last; they are no part of what the steps say */
    int jobs;
    enum hand hand[HANDS_MAX];
    double hand_watts[HANDS_MAX];
    int32_t hand_announced; /* in the turns while the first prompt was open */
    double peak_mc;         /* highest temperature ever wanted */
    int32_t hand_at_value;  /* ... and when a value was recorded */
    int32_t fan_permille;   /* most of the frame that was molten while the fan ran */
    bool fan_ran;
    int heated_at_prompt; /* turns that want heat with a prompt open */
    int injected_off;     /* turns with the supply off and an injection still announced */
    int64_t open_at_ms;   /* the plate's sensor breaks; 0 = never */
    struct wire_turn last;
    struct wire_snapshot snapshot;
    struct limits limits;
    struct limit_origins origins;
} fake;

static void answer_prompt(const struct wire_turn *turn)
{
    struct wire_snapshot *s = &fake.snapshot;
    if (turn->prompt == 0 || fake.mute) {
        s->prompt = 0;
        s->answer = ANSWER_NONE;
        return;
    }
    if (turn->prompt == s->prompt)
        return;
    fake.hand_announced = turn->hand;
    s->prompt = turn->prompt;
    s->answer = fake.next_answer < fake.answers ? (int32_t)fake.answer[fake.next_answer++]
                                                : (int32_t)ANSWER_YES;
    s->value = fake.value;
    memcpy(s->text, fake.text, sizeof s->text);
}

static int fake_exchange(void *context, const struct wire_turn *turn,
                         struct wire_snapshot *snapshot)
{
    (void)context;
    struct wire_snapshot *s = &fake.snapshot;
    fake.last = *turn;
    fake.exchanges++;
    fake.injected_off += turn->inject && !turn->supply_on && turn->rail == 0;
    fake.fan_ran = fake.fan_ran || turn->fan_pct > 0;
    if (turn->fan_pct > 0 && turn->joints > 0 && turn->joint[0].molten_permille > fake.fan_permille)
        fake.fan_permille = turn->joint[0].molten_permille;
    if (fake.exchanges == fake.interrupt_after)
        recipe_interrupt(recipe);
    if (fake.end_at_ms > 0 && s->t_ms >= fake.end_at_ms)
        return TL_ENDED;
    s->t_ms += 100;
    s->head.number++;
    double goal_c = turn->heat ? turn->temp_mc / 1000.0 : 22;
    double step_c = fake.rise_c_s * 0.1;
    fake.plate_c += fmax(-step_c, fmin(step_c, goal_c - fake.plate_c));
    fake.peak_mc = fmax(fake.peak_mc, turn->temp_mc);
    s->plate_mc = s->temp_mc[SENSOR_PLATE] = (int32_t)lround(fake.plate_c * 1000);
    if (fake.open_at_ms > 0 && s->t_ms >= fake.open_at_ms)
        fake.plate_quality = QUALITY_OPEN;
    s->plate_quality = s->quality[SENSOR_PLATE] = fake.plate_quality;
    s->nudge_mc = fake.nudge_mc;
    s->nudge_ms = s->t_ms >= fake.nudge_at_ms ? fake.nudge_ms : 0;
    s->heat_left_ms = fake.heat_left_ms > s->t_ms ? fake.heat_left_ms - (int32_t)s->t_ms : 0;
    s->granted_heat = turn->heat;
    s->granted_mc = turn->temp_mc;
    bool lies = s->t_ms >= fake.lies_ms[0] && s->t_ms < fake.lies_ms[1];
    s->quality[SENSOR_BOARD] = fake.board_c > 0 ? QUALITY_GOOD : QUALITY_NONE;
    s->temp_mc[SENSOR_BOARD] = lies ? s->plate_mc : (int32_t)lround(fake.board_c * 1000);
    fake.heated_at_prompt += turn->prompt != 0 && turn->heat;
    s->supply_quality = QUALITY_GOOD;
    s->supply_on = turn->supply_on;
    s->supply_mv = turn->supply_on ? (int32_t)lround(fake.volts * 1000) : 0;
    s->supply_ma = turn->supply_on ? (int32_t)lround(fake.amps * 1000) : 0;
    bool asked = fake.meter && turn->meter && fake.meter_wait-- <= 0;
    s->meter_quality = !fake.meter ? QUALITY_NONE : asked ? (int)fake.meter : QUALITY_STALE;
    s->meter_kind = turn->meter;
    s->meter_value = 47;
    fake.meter_rail = turn->meter ? turn->rail : fake.meter_rail;
    answer_prompt(turn);
    *snapshot = *s;
    return 0;
}

static int fake_note(void *context, const struct wire_note *note)
{
    (void)context;
    if (note->note == NOTE_JOB) {
        fake.jobs++;
        fake.job = *note;
        return wire_check_note(note);
    }
    if (fake.notes < SEEN_NOTES)
        fake.note[fake.notes] = *note;
    fake.notes++;
    if (note->note == NOTE_VALUE)
        fake.hand_at_value = fake.last.hand;
    return wire_check_note(note);
}

static void fake_hand(void *context, enum hand hand, int part, double watts)
{
    (void)context;
    (void)part;
    if (fake.hands == HANDS_MAX)
        return;
    fake.hand[fake.hands] = hand;
    fake.hand_watts[fake.hands++] = watts;
}

/* ---- given: sources in memory --------------------------------------------------------------- */

static const char board_text[] =
    "return board {\n"
    "  name = \"tiny\",\n"
    "  lower = { length = \"60 mm\", width = \"40 mm\", thick = \"0.8 mm\", copper = \"8 %\" },\n"
    "  upper = { length = \"60 mm\", width = \"40 mm\", thick = \"0.8 mm\", copper = \"8 %\" },\n"
    "  parts = { { name = \"U2\", on = \"upper\", x = \"16 mm\", y = \"22 mm\", length = \"8 "
    "mm\",\n"
    "              width = \"7 mm\", thick = \"1 mm\" } },\n"
    "  joints = { { name = \"frame\", mass = \"0.12 g\", contact = \"1.1 W/K\", segments = 2,\n"
    "      alloy = { name = \"soft\", solidus = \"138 C\", liquidus = \"140 C\", latent_j_g = 50,\n"
    "                density_g_cm3 = 8.56, cp_j_gk = 0.16, k_w_mk = 19 } } },\n"
    "  rails = {\n"
    "    { name = \"battery\", volts = \"4 V\", amps = \"1.5 A\", inject_volts = \"0.8 V\",\n"
    "      inject_amps = \"1 A\" },\n"
    "    { name = \"core\", volts = \"0.9 V\", amps = \"1 A\" } },\n"
    "}\n";

static struct source_set sources;
static struct recipe_setup setup;
static struct tl_error error;
static struct recipe_tally tally;
static struct plate plate;
static struct insert insert;

static void add_source(const char *name, const char *module, enum source_from from,
                       const char *text)
{
    struct source_file *file = &sources.file[sources.count++];
    *file = (struct source_file){.text = text, .length = strlen(text)};
    file->from = from;
    snprintf(file->name, sizeof file->name, "%s", name);
    snprintf(file->module, sizeof file->module, "%s", module);
}

static int clean(void **state)
{
    (void)state;
    memset(&fake, 0, sizeof fake);
    memset(&sources, 0, sizeof sources);
    memset(&setup, 0, sizeof setup);
    memset(&error, 0, sizeof error);
    recipe = NULL;
    setup.sources = &sources;
    fake.plate_c = 22;
    fake.rise_c_s = 5;
    fake.plate_quality = QUALITY_GOOD;
    fake.volts = 4;
    fake.amps = 0.04;
    plate = demo_plate();
    insert = demo_insert();
    return 0;
}

static int open_text(const char *text)
{
    add_source("r.lua", "r", SOURCE_RECIPE, text);
    add_source("tiny.lua", "tiny", SOURCE_BOARD, board_text);
    return recipe_open(&recipe, &setup, &error);
}

static void merge_limits(void)
{
    fake.limits = *limits_built_in();
    fake.origins = (struct limit_origins){0};
    struct limits bench = {.plate_mc = 250000, .ramp_mc_s = 2500, .supply_mv = 12000};
    int32_t lines[LIMITS] = {[LIMIT_plate_mc] = 12, [LIMIT_ramp_mc_s] = 13};
    limits_tighten(&fake.limits, &fake.origins, &bench, LAYER_BENCH, lines);
    limits_tighten(&fake.limits, &fake.origins, &recipe_board(recipe)->limits, LAYER_BOARD, NULL);
    limits_tighten(&fake.limits, &fake.origins, &recipe_header(recipe)->ceiling, LAYER_RECIPE,
                   NULL);
}

static int run_opened(void)
{
    merge_limits();
    struct recipe_host host = {.exchange = fake_exchange,
                               .note = fake_note,
                               .hand = fake_hand,
                               .limits = &fake.limits,
                               .origins = &fake.origins,
                               .bench_file = "bench.ini",
                               .plate = &plate,
                               .insert = recipe_header(recipe)->insert[0] ? &insert : NULL,
                               .room_c = 22};
    return recipe_run(recipe, &host, &tally, &error);
}

static const char *with_header(const char *more, const char *steps)
{
    static char text[8192];
    snprintf(text, sizeof text,
             "return recipe { api = 1, title = \"t\", board = \"tiny\", %s\n"
             "steps = function(p)\n%s\nend }\n",
             more, steps);
    return text;
}

/* The steps begin on line 3. Heats, and may feed the battery rail. */
static int run_steps(const char *steps)
{
    const char *text = with_header("insert = \"frame-60x40\", rails = { \"battery\" },", steps);
    int code = open_text(text);
    return code != 0 ? code : run_opened();
}

static const struct wire_note *first_note(enum note_kind kind)
{
    for (int i = 0; i < fake.notes && i < SEEN_NOTES; i++)
        if (fake.note[i].note == (int32_t)kind)
            return &fake.note[i];
    return NULL;
}

static void assert_note(enum note_kind kind, const char *text)
{
    const struct wire_note *note = first_note(kind);
    assert_non_null(note);
    assert_string_equal(note->text, text);
}

/* ---- mistakes, row by row: what is written, what is said about it --------------------------- */

struct mistake {
    const char *text;
    int code, line;
    const char *says, *hint, *token;
};

static void check_mistake(const struct mistake *m, int code)
{
    if (code != m->code || (m->line && error.line != m->line))
        print_error("for: %s\n  code %d, %s:%d: %s\n  hint: %s\n", m->text, code, error.file,
                    error.line, error.text, error.hint);
    assert_int_equal(code, m->code);
    if (m->line)
        assert_int_equal(error.line, m->line);
    assert_has(error.text, m->says);
    if (m->hint)
        assert_has(error.hint, m->hint);
    if (m->token)
        assert_string_equal(error.token, m->token);
}

/* clang-format off */
static const struct mistake header_mistakes[] = {
    { "return recipe { api = 1, title = 't', baord = 'tiny', steps = print }", TL_UNKNOWN, 1, "\"baord\" is not known", "board", "baord" },
    { "return recipe {\n api = 1,\n title = 't',\n board = 'tiny',\n ciling = {},\n steps = print }", TL_UNKNOWN, 5, "ciling", "ceiling", NULL },
    { "return recipe { title = 't', board = 'tiny', steps = print }", TL_MISSING, 1, "\"api\" is missing", "api = 1", NULL },
    { "return recipe { api = 1, title = 't', board = 'tiny' }", TL_MISSING, 1, "\"steps\" is missing", "steps = function", NULL },
    { "return recipe { api = 2, title = 't', board = 'tiny', later = 1, steps = print }", TL_RANGE, 1, "up to level 1", NULL, "api" },
    { "return recipe { api = 'one', title = 't', board = 'tiny', steps = print }", TL_RANGE, 1, "api: expected a whole number", NULL, NULL },
    { "return recipe { api = 1, title = 't', board = 'tinny', steps = print }", TL_UNKNOWN, 1, "tinny.lua", "tiny", "tinny" },
    { "return recipe { api = 1, title = 't', board = 'tiny', rails = { 'batery' }, steps = print }", TL_UNKNOWN, 1, "no rail \"batery\"", "battery", "batery" },
    { "return recipe { api = 1, title = 't', board = 'tiny',\n ceiling = {\n  plate = '190' }, steps = print }", TL_UNIT, 3, "no unit", NULL, "190" },
    { "return recipe { api = 1, title = 't', board = 'tiny',\n ceiling = { plate = 190 }, steps = print }", TL_UNIT, 2, "a temperature such as \"170 C\"", "190 C", NULL },
    { "return recipe { api = 1, title = 't', board = 'tiny',\n ceiling = { plat = '190 C' }, steps = print }", TL_UNKNOWN, 2, "plat", "plate", NULL },
    { "return recipe { api = 1, title = 't', board = 'tiny',\n park = '191 C',\n ceiling = { plate = '190 C' }, steps = print }", TL_LIMIT, 2, "park = 191 C is above the recipe's own ceiling of 190 C", NULL, "park" },
    { "return recipe { api = 1, title = 't', board = 'tiny', park = 80, steps = print }", TL_UNIT, 1, "a temperature such as", "80 C", NULL },
    { "return recipe { api = 1, title = 't', board = 'tiny', ceiling = { plate = '0 C' }, steps = print }", TL_RANGE, 1, "out of range", NULL, NULL },
    { "return recipe { api = 1, title = 't', board = 'tiny',\n params = {\n melt = { '172 C', min = '180 C' } }, steps = print }", TL_RANGE, 3, "below its minimum of 180 C", NULL, NULL },
    { "return recipe { api = 1, title = 't', board = 'tiny', params = { melt = '172 C' }, steps = print }", TL_RANGE, 1, "params.melt", NULL, "melt" },
    { "return recipe { api = 1, title = 't', board = 'tiny', params = { melt = { '172 C', mix = '1 C' } }, steps = print }", TL_UNKNOWN, 1, "mix", "m", NULL },
    { "return recipe { api = 1, title = 't', board = 'tiny', before = 'battery', steps = print }", TL_RANGE, 1, "before: expected a table", "before = { ... }", NULL },
    { "return recipe { api = 1, title = 't', board = 'tiny', before = { x = 'y' }, steps = print }", TL_RANGE, 1, "a list", NULL, NULL },
    { "recipe {}\nrecipe {}", TL_MISSING, 1, "missing", NULL, NULL },
    { "local x = 5", TL_MISSING, 1, "does not call \"recipe\"", "return recipe", NULL },
    { "return recipe { title = 'one',,, }", TL_SYNTAX, 1, "unexpected symbol", NULL, NULL },
    { "return recipe {\n title = 'one", TL_SYNTAX, 2, "unfinished string", "same quote", NULL },
    { "return recipe { api = 1, title = 't', board = 'tiny', before = { 'batery' }, steps = print }", TL_UNKNOWN, 1, "no rail \"batery\"", "battery", "batery" },
    { "return recipe { api = 1, title = '', board = 'tiny', steps = print }", TL_RANGE, 1, "title: the text is empty", NULL, "title" },
    { "return recipe { api = 1, title = 't', board = 'tiny',\n params = {\n dry = { 90, min = '60 s' } }, steps = print }", TL_UNIT, 3, "its value is text with a unit, such as \"90 s\"; found a number", NULL, "dry" },
    { "return recipe { api = 1, title = 't', board = 'tiny',\n title = 'u', steps = print }", TL_SYNTAX, 2, "\"title\" is given twice", NULL, "title" },
    { "return recipe { api = 1, title = 't', board = 'tiny', ceiling = { plate = '190 C',\n ramp = '1 C/s', plate = '180 C' }, steps = print }", TL_SYNTAX, 2, "\"plate\" is given twice", NULL, "plate" },
    /* what Lua's grammar says, and what a person did */
    { "return recipe { api = 1,\n title = 't' board = 'tiny' }", TL_SYNTAX, 2, "'}' expected", "a comma is missing before board?", "board" },
    { "return recipe { api = 1,\n title = 't'\n board = 'tiny' }", TL_SYNTAX, 3, "'}' expected", "a comma is missing before board?", "board" },
    { "return recipe { api = 1,\n title = \"t, board = \"tiny\" }", TL_SYNTAX, 2, "'}' expected", "lacks one of its quotes", "tiny" },
    { "return recipe { api = 1, steps = function()\n wait { '5 s'\n plate.off() end }", TL_SYNTAX, 3, "'}' expected", "a } is missing before it", "plate" },
    { "return recipe { api = 1, steps = function()\n if true then\n end,\n title = 't' }", TL_SYNTAX, 3, "near ','", "an `end` is missing further up", "," },
    { "return recipe { api = 1, steps = function() wait { '5 s' end }", TL_SYNTAX, 1, "'}' expected", "a } is missing", "end" },
    { "return recipe { api = 1,", TL_SYNTAX, 1, "<eof>", "a bracket or an `end`", NULL },
    { "local x = 1\nif x => 50 then end", TL_SYNTAX, 2, "'then' expected near '='", "== compares", "=" },
    { "local x = 1\nif x = 50 then end", TL_SYNTAX, 2, "'then' expected near '='", "== compares", "=" },
    { "local x = 1\nif x > 50 plate.off() end", TL_SYNTAX, 2, "'then' expected near 'plate'", "an if reads", "plate" },
    { "for i = 1, 3 plate.off() end", TL_SYNTAX, 1, "'do' expected near 'plate'", "a loop reads", "plate" },
    { "while true plate.off() end", TL_SYNTAX, 1, "'do' expected near 'plate'", "a loop reads", "plate" },
    { "for i 1, 3 do end", TL_SYNTAX, 1, "'=' or 'in' expected near '1'", "a loop reads", "1" },
    { "plate.soak(time = '40 s')", TL_SYNTAX, 1, "')' expected near '='", "values with a name stand in { }", "=" },
    { "return recipe { api = 1, steps = function() wait '5 s' }", TL_SYNTAX, 1, "near '}'", "an `end`", "}" },
    { "local function f() if true then", TL_SYNTAX, 1, "'end' expected", "an `end` is missing", NULL },
    { "local function f() end end", TL_SYNTAX, 1, "near 'end'", "too many", "end" },
    { "local function f()\n plate.off\n cool {} end", TL_SYNTAX, 3, "syntax error near 'cool'", "plate.off()", "cool" },
    { "return recipe { api = 1, title = \xE2\x80\x9Ct\xE2\x80\x9D }", TL_SYNTAX, 1, "near '\xE2\x80\x9C'", "plain quotes", "\xE2\x80\x9C" },
    { "return board { name = 'x' }", TL_SYNTAX, 1, "attempt to call a table value", "this is a board file", "board" },
    { "local x = y.z", TL_SYNTAX, 1, "\"y\" is not known", NULL, "y" },
    { "plate.off()", TL_SYNTAX, 1, "belongs inside steps", NULL, "plate.off" },
    { "print 'x'", TL_SYNTAX, 1, "belongs inside steps", NULL, NULL },
    { "error({})", TL_SYNTAX, 1, "an error value that is a table", NULL, NULL },
    { "local function f() return f() + 1 end f()", TL_KILLED, 1, "memory", "calls itself without end", NULL },
    { "local function f(...) return 1 + f(1, 2, 3, 4, 5, 6, 7, 8, ...) end f()", TL_SYNTAX, 1, "stack overflow", "without end", NULL },
};

static const struct mistake step_mistakes[] = {
    { "plate.ramp { to = '300 C', timeout = '4 min' }", TL_LIMIT, 3, "plate.ramp: to = 300 C is above the plate limit of 250 C, set in bench.ini:12", "at most to = \"250 C\"", "300 C" },
    { "plate.ramp { to = '100 C', rate = '2.6 C/s', timeout = '4 min' }", TL_LIMIT, 3, "rate = 2.6 C/s is above the ramp limit of 2.5 C/s, set in bench.ini:13", NULL, NULL },
    { "plate.ramp { to = 120, timeout = '4 min' }", TL_UNIT, 3, "plate.ramp: to: expected a temperature", "to = \"120 C\"", "to" },
    { "plate.ramp { to = '120', timeout = '4 min' }", TL_UNIT, 3, "\"120\" has no unit", NULL, "120" },
    { "plate.ramp { to = '120 s', timeout = '4 min' }", TL_UNIT, 3, "plate.ramp: to: ", NULL, NULL },
    { "plate.ramp { to = '-5 C', timeout = '4 min' }", TL_RANGE, 3, "out of range", NULL, NULL },
    { "plate.ramp { to = '120 C' }", TL_MISSING, 3, "\"timeout\" is missing", "timeout = a time such as", NULL },
    { "plate.ramp { to = '120 C', rat = '1 C/s', timeout = '4 min' }", TL_UNKNOWN, 3, "\"rat\" is not known", "rate", "rat" },
    { "plate.ramp { '120 C', '5 C', timeout = '4 min' }", TL_SYNTAX, 3, "without a name", NULL, NULL },
    { "plate.ramp('120 C', '1 C/s')", TL_SYNTAX, 3, "2 values are given; it takes 1", "as in: plate.ramp {", NULL },
    { "plate.ramp { '120 C', to = '130 C', timeout = '4 min' }", TL_SYNTAX, 3, "given twice", NULL, NULL },
    { "plate.ramp()", TL_MISSING, 3, "\"to\" is missing", NULL, NULL },
    { "\nplate.rampp { to = '120 C' }", TL_STEP, 4, "\"plate.rampp\" is not known", "plate.ramp", "plate.rampp" },
    { "plat.ramp { to = '120 C' }", TL_STEP, 3, "\"plat\" is not known", "plate", "plat" },
    { "plate.soak '5 s'", TL_STEP, 3, "the plate is off", NULL, NULL },
    { "wait_for_melt { joint = 'fram', timeout = '1 min' }", TL_UNKNOWN, 3, "no joint \"fram\"", "frame", "fram" },
    { "wait_for_melt { joint = 'frame', timeout = '1 min' }", TL_STEP, 3, "board.place comes first", NULL, NULL },
    { "board.lift { 'up', part = 'U3', timeout = '1 min' }", TL_UNKNOWN, 3, "no part \"U3\"", "U2", NULL },
    { "sensor.read 'plat'", TL_UNKNOWN, 3, "one of: plate plate-2 board", "plate", NULL },
    { "sensor.read 'plate-2'", TL_STEP, 3, "it is not there", NULL, NULL },
    { "cool { timeout = '1 min' }", TL_MISSING, 3, "to what?", NULL, NULL },
    { "wait_until { 5, timeout = '1 min' }", TL_RANGE, 3, "expected a function, found a number", "function() ... end", NULL },
    { "fan.on '120 %'", TL_RANGE, 3, "0 % to 100 %", NULL, NULL },
    { "tell 'a\\27[31mred'", TL_RANGE, 3, "control character", NULL, NULL },
    { "tell(('x'):rep(300))", TL_RANGE, 3, "300 bytes long; at most 255", NULL, NULL },
    { "tell '\\xff'", TL_RANGE, 3, "not UTF-8", NULL, NULL },
    { "tell(5)", TL_RANGE, 3, "text: expected text in quotes, found a number", NULL, NULL },
    { "record('x', 0/0)", TL_RANGE, 3, "finite number", NULL, NULL },
    { "record('x', 1/0)", TL_RANGE, 3, "finite number", NULL, NULL },
    { "record('x', '5')", TL_RANGE, 3, "expected a number, found a string", NULL, NULL },
    { "supply.on { rail = 'core', volts = '0.9 V', amps = '1 A', timeout = '5 s' }", TL_LIMIT, 3, "does not name \"core\"", "rails = { \"core\" }", "core" },
    { "supply.on { rail = 'battery', volts = '5 V', amps = '1 A', timeout = '5 s' }", TL_LIMIT, 3, "volts = 5 V is above the limit of 4 V for battery, set by the board file tiny.lua", NULL, "5 V" },
    { "supply.on { rail = 'battery', volts = '4 V', amps = '1.6 A', timeout = '5 s' }", TL_LIMIT, 3, "amps = 1.6 A is above the limit of 1.5 A", NULL, NULL },
    { "supply.inject { rail = 'battery', volts = '1 V', amps = '1 A', time = '5 s' }", TL_LIMIT, 3, "volts = 1 V is above the limit of 800 mV", NULL, NULL },
    { "plate.ramp { to = '100 C', timeout = '1 min' }\nsupply.on { rail = 'battery', volts = '4 V', amps = '1 A', timeout = '5 s' }", TL_LIMIT, 4, "the plate is heating", NULL, NULL },
    { "plate.ramp { to = '100 C', timeout = '1 min' }\nplate.off()\nsupply.on { rail = 'battery', volts = '4 V', amps = '1 A', timeout = '5 s' }", TL_LIMIT, 5, "power comes on below 60 C only, built into this program", NULL, NULL },
    { "supply.on { rail = 'battery', volts = '4 V', amps = '1 A', timeout = '5 s' }\nplate.ramp { to = '100 C', timeout = '1 min' }", TL_LIMIT, 4, "the supply is on", NULL, NULL },
    { "supply.on { rail = 'battery', volts = '4 V', amps = '1 A', timeout = '5 s' }\nmeter.read { rail = 'core', timeout = '1 min' }", TL_LIMIT, 4, "unpowered", NULL, NULL },
    { "supply.limit { rail = 'battery', amps = '200 mA' }\nsupply.on { rail = 'battery', volts = '4 V', amps = '300 mA', timeout = '5 s' }", TL_LIMIT, 4, "above the limit of 200 mA for battery, set by supply.limit", NULL, NULL },
    { "plate.ramp { to = '', timeout = '4 min' }", TL_UNIT, 3, "is empty", NULL, "to" },
    { "stage ''", TL_RANGE, 3, "name: the text is empty", NULL, NULL },
    { "fan.on { speed = '0.6' }", TL_UNIT, 3, "no unit", "write \"60 %\"", NULL },
    { "plate.ramp { to = '100 C', rate = '1 C/s',\n rate = '2 C/s', timeout = '4 min' }", TL_SYNTAX, 4, "\"rate\" is given twice", NULL, "rate" },
    { "board.lift { 'up', timeout = '1 min' }", TL_STEP, 3, "board.place comes first", NULL, "board.lift" },
    { "board.press { 'on', timeout = '1 min' }", TL_STEP, 3, "board.place comes first", NULL, NULL },
    { "board.release { 'off', timeout = '1 min' }", TL_STEP, 3, "board.place comes first", NULL, NULL },
    { "number 'hot'", TL_UNIT, 3, "is no quantity", NULL, "hot" },
    { "plate { to = '120 C' }", TL_STEP, 3, "call a table value", "plate.ramp", "plate" },
    { "local x = nil; x.y = 1", TL_STEP, 3, "attempt to index a nil value", "no value was ever given", "x" },
    { "local x = nil; plate.ramp { to = x + 5, timeout = '1 min' }", TL_STEP, 3, "arithmetic on a nil value", "no value was ever given", "x" },
    { "local x = nil; if plate.temperature() > x then end", TL_STEP, 3, "compare nil with number", "no value was ever given", NULL },
    { "local x = nil; if x > 5 then end", TL_STEP, 3, "compare number with nil", "no value was ever given", NULL },
    { "error('mine')", TL_STEP, 3, "mine", NULL, NULL },
    { "error()", TL_STEP, 0, "an error value that is a nil", NULL, NULL },
    { "local t = '172 C' + 5", TL_STEP, 3, "arithmetic on a string", "a quantity is text", NULL },
    { "if plate.temperature > 50 then end", TL_STEP, 3, "compare number with function", "it is called with ()", NULL },
    { "if plate.temperature < 50 then end", TL_STEP, 3, "compare function with number", "it is called with ()", NULL },
    { "local t = plate.temperature + 5", TL_STEP, 3, "arithmetic on a function value", "it is called with ()", NULL },
    { "if plate.temperature() > '50 C' then end", TL_STEP, 3, "compare", "plain number", NULL },
    { "recipe {}", TL_SYNTAX, 3, "second time", NULL, NULL },
    { "local x = p.mlet", TL_STEP, 3, "\"p.mlet\" is not known", NULL, NULL },
    { "require 'nothing'", TL_STEP, 3, "\"nothing\" is not there", NULL, NULL },
    { "require '../r'", TL_STEP, 3, "is not there", NULL, NULL },
    { "require 'tiny'", TL_STEP, 3, "is not there", NULL, NULL },
    { "math.pi = 3", TL_STEP, 3, "\"math.pi\" cannot be set", NULL, NULL },
    { "plate.off = print", TL_STEP, 3, "\"plate.off\" cannot be set", NULL, NULL },
    { "plate = {}", TL_STEP, 3, "\"plate\" cannot be set", NULL, NULL },
    { "pairs = nil", TL_STEP, 3, "\"pairs\" cannot be set", NULL, NULL },
    { "p.x = 1", TL_STEP, 3, "cannot be set", NULL, NULL },
    { "table.insert(math, 1)", TL_STEP, 3, "cannot be set", NULL, NULL },
    { "string.format('%p', {})", TL_STEP, 3, "%p", NULL, NULL },
    { "string.format('%-20p', {})", TL_STEP, 3, "%p", NULL, NULL },
    { "for k in pairs { [{}] = 1 } do end", TL_STEP, 3, "no order that repeats", NULL, NULL },
};

static const struct mistake board_mistakes[] = {
    { "board { name = 'x' }", TL_MISSING, 1, "\"lower\" is missing", "lower = a table", NULL },
    { "local x = 1", TL_MISSING, 1, "does not call \"board\"", "return board", NULL },
    { "return board {\n name = 'x',\n lowr = {} }", TL_UNKNOWN, 3, "lowr", "lower", "lowr" },
    { "return board { name = 'x',\n lower = {\n length = '60 mm', width = '40 mm',\n thick = '1 g', copper = '8 %' } }", TL_UNIT, 4, "lower: thick: ", NULL, NULL },
    { "return board { name = 'x', lower = { length = '60 mm', width = '40 mm', thick = '1 mm', copper = '8 %' },\n parts = {\n { name = 'U1' },\n } }", TL_MISSING, 3, "part: \"on\" is missing", NULL, NULL },
    { "return board { name = 'x', lower = { length = '60 mm', width = '40 mm', thick = '1 mm', copper = '8 %' },\n joints = {\n { name = 'a', mass = '1 g', contact = '1 W/K', alloy = 'Sn42Bi57Ag2' } } }", TL_UNKNOWN, 3, "\"Sn42Bi57Ag2\" is not in the table", "Sn42Bi57Ag1", "Sn42Bi57Ag2" },
    { "return board { name = 'x', lower = { length = '60 mm', width = '40 mm', thick = '1 mm', copper = '8 %' },\n joints = {\n { name = 'a', mass = '1 g', contact = '1 W/K', alloy = 'Sn42Bi57Ag1' } } }", TL_MISSING, 3, "neither a part nor an upper board", NULL, NULL },
    { "return board { name = 'x', lower = { length = '60 mm', width = '40 mm', thick = '1 mm', copper = '8 %' },\n joints = {\n { name = 'a', mass = '1 g', contact = '1 W/K', segments = 9, alloy = 'Sn42Bi57Ag1' } } }", TL_RANGE, 3, "expected 1 to 8", NULL, NULL },
    { "return board { name = 'x', lower = { length = '60 mm', width = '40 mm', thick = '1 mm', copper = '8 %' }, parts = { 5 } }", TL_RANGE, 1, "entry 1 is no table", NULL, NULL },
    { "return board { name = 'x', lower = { length = '60 mm', width = '40 mm', thick = '1 mm', copper = '800 %' } }", TL_RANGE, 1, "0 % to 100 %", NULL, NULL },
    { "return board { name = 'x', lower = { length = '60 mm', width = '40 mm', thick = '1 mm', copper = '8 %' },\n parts = {\n { name = 'U1', on = 'lower', x = '9 mm', y = '9 mm', length = '5 mm', width = '5 mm', thick = '1 mm' },\n { name = 'U2', on = 'lower', x = '61 mm', y = '9 mm', length = '5 mm', width = '5 mm', thick = '1 mm' } } }", TL_RANGE, 4, "part U2: its centre, at 61 by 9 mm, is not on its board of 60 by 40 mm", NULL, "U2" },
    { "return board { name = 'x', lower = { length = '60 mm', width = '40 mm', thick = '1 mm', copper = '8 %' },\n parts = {\n { name = 'U1', on = 'lower', x = '9 mm', y = '9 mm', length = '5 mm', width = '5 mm', thick = '1 mm',\n rail = 'batery' } },\n rails = { { name = 'battery', volts = '4.4 V', amps = '2 A', healthy = '30 kohm' } } }", TL_UNKNOWN, 4, "part \"U1\": the board \"x\" has no rail \"batery\"", "did you mean \"battery\"", "batery" },
    { "return board { name = 'x',\n lower = { length = '600 mm', width = '40 mm', thick = '1 mm', copper = '8 %' } }", TL_RANGE, 2, "1 to 500 mm", NULL, "lower" },
    { "return board { name = 'x', lower = { length = '60 mm', width = '40 mm', thick = '1 mm', copper = '8 %',\n copper = '9 %' } }", TL_SYNTAX, 2, "\"copper\" is given twice", NULL, "copper" },
    { "plate.off()", TL_SYNTAX, 1, "\"plate\" is not known", NULL, NULL },
    { "require 'alloys'", TL_SYNTAX, 1, "\"require\" is not known", NULL, NULL },
};
/* clang-format on */

static void test_a_mistake_in_the_header_names_line_and_remedy(void **state)
{
    for (size_t i = 0; i < sizeof header_mistakes / sizeof header_mistakes[0]; i++) {
        clean(state);
        int code = open_text(header_mistakes[i].text);
        check_mistake(&header_mistakes[i], code);
        assert_null(recipe);
    }
}

static void test_a_mistake_in_a_step_names_line_and_remedy(void **state)
{
    for (size_t i = 0; i < sizeof step_mistakes / sizeof step_mistakes[0]; i++) {
        clean(state);
        int code = run_steps(step_mistakes[i].text);
        check_mistake(&step_mistakes[i], code);
        assert_string_equal(error.file, "r.lua");
        assert_false(fake.last.heat);
        assert_false(fake.last.supply_on);
    }
}

static void test_a_mistake_in_a_board_file_names_line_and_remedy(void **state)
{
    for (size_t i = 0; i < sizeof board_mistakes / sizeof board_mistakes[0]; i++) {
        clean(state);
        add_source("r.lua", "r", SOURCE_RECIPE, with_header("", ""));
        add_source("tiny.lua", "tiny", SOURCE_BOARD, board_mistakes[i].text);
        add_source(
            "alloys.lua", "alloys", SOURCE_SHIPPED,
            "return { Sn42Bi57Ag1 = { solidus = '138 C', liquidus = '140 C', latent_j_g = 50,"
            "density_g_cm3 = 8, cp_j_gk = 0.16, k_w_mk = 19 } }");
        int code = recipe_open(&recipe, &setup, &error);
        check_mistake(&board_mistakes[i], code);
        assert_string_equal(error.file, "tiny.lua");
    }
}

/* ---- the header ----------------------------------------------------------------------------- */

static const char params_text[] = "params = { melt = { '172 C', min = '165 C', max = '180 C', help "
                                  "= 'plate' }, side = { 'left' } },";

static void test_a_header_is_read_without_running_the_steps(void **state)
{
    (void)state;
    const char *text =
        with_header("insert = 'i', before = { 'battery' }, rails = { 'battery' },\n"
                    "ceiling = { plate = '190 C', ramp = '2.5 C/s' }, park = '80 C',",
                    "error 'not to be run'");

    assert_int_equal(open_text(text), 0);

    const struct recipe_header *header = recipe_header(recipe);
    assert_int_equal(header->api, 1);
    assert_int_equal(header->line, 1);
    assert_string_equal(header->insert, "i");
    assert_string_equal(header->before[0], "battery");
    assert_int_equal(header->rail_count, 1);
    assert_int_equal(header->ceiling.plate_mc, 190000);
    assert_int_equal(header->ceiling.ramp_mc_s, 2500);
    assert_true(header->ceiling.uses_plate && header->ceiling.uses_supply);
    assert_string_equal(header->ceiling.rail[0].name, "battery");
    assert_near(header->park_c, 80, 0);
}

static void test_the_guard_is_told_what_the_header_says(void **state)
{
    (void)state;
    struct wire_hello hello;
    const char *text = with_header("insert = 'i', ceiling = { plate = '190 C' }, park = '80.5 C',",
                                   "error 'not to be run'");
    assert_int_equal(open_text(text), 0);

    recipe_hello(recipe, &hello);

    assert_int_equal(wire_check_hello(&hello), 0);
    assert_int_equal(hello.park_mc, 80500);
    assert_int_equal(hello.recipe.plate_mc, 190000);
    assert_true(hello.recipe.uses_plate);
    assert_false(hello.recipe.uses_supply);
    assert_string_equal(hello.insert, "i");
    assert_string_equal(hello.board_name, "tiny");
}

/* So that its port is opened then, and stays free otherwise. */
static void test_the_guard_is_told_whether_the_meter_is_used(void **state)
{
    (void)state;
    static const struct {
        const char *header, *steps;
        bool uses;
    } cases[] = {
        {"", "stage 'one'", false},
        {"before = { 'battery idle' },", "stage 'one'", false}, /* amps: a person types them */
        {"before = { 'battery' },", "stage 'one'", true},
        {"before = { 'battery idle', 'battery diode' },", "stage 'one'", true},
        {"", "if false then meter.read { rail = 'core', timeout = '1 min' } end", true},
        {"", "local read = meter.read", true},
        {"", "-- meter.read\nlocal bench = { 'meter' }\nrecord('a', #bench.meter or 1)", false},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct wire_hello hello;
        sources.count = 0;
        assert_int_equal(open_text(with_header(cases[i].header, cases[i].steps)), 0);

        recipe_hello(recipe, &hello);

        assert_int_equal(hello.uses_meter, cases[i].uses);
        assert_int_equal(wire_check_hello(&hello), 0);
    }
}

static void test_a_module_that_uses_the_meter_counts_too(void **state)
{
    (void)state;
    struct wire_hello hello;
    add_source("probe.lua", "probe", SOURCE_BESIDE, "return function() return meter.read end");
    assert_int_equal(open_text(with_header("", "require 'probe'")), 0);

    recipe_hello(recipe, &hello);

    assert_int_equal(hello.uses_meter, 1);
}

static void test_a_param_reaches_the_steps_as_text_and_may_be_set_within_its_bounds(void **state)
{
    (void)state;
    setup.set_count = 1;
    setup.set[0] = (struct recipe_set){"melt", "338 F"};

    assert_int_equal(open_text(with_header(params_text, "note(p.melt .. p.side)")), 0);
    assert_int_equal(run_opened(), 0);

    assert_note(NOTE_NOTE, "338 Fleft");
    assert_string_equal(recipe_header(recipe)->param[0].name, "melt");
    assert_string_equal(recipe_header(recipe)->param[0].text, "338 F");
}

static void test_a_param_is_not_set_beyond_its_bounds_or_in_another_unit(void **state)
{
    static const struct {
        struct recipe_set set;
        const char *says;
    } wrong[] = {
        {{"melt", "181 C"}, "above its maximum of 180 C"},
        {{"melt", "100 C"}, "below its minimum"},
        {{"melt", "170"}, "no unit"},
        {{"melt", "30 s"}, "--set melt: "},
        {{"melk", "170 C"}, "no such param"},
    };
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        clean(state);
        setup.set_count = 1;
        setup.set[0] = wrong[i].set;

        assert_true(open_text(with_header(params_text, "")) < 0);

        assert_has(error.text, wrong[i].says);
        assert_int_equal(error.line, 1);
    }
}

static void test_what_must_be_measured_before_is_asked_first_and_recorded(void **state)
{
    (void)state;
    fake.answers = 1;
    fake.answer[0] = ANSWER_VALUE;
    fake.value = 45e3;

    assert_int_equal(open_text(with_header("before = { 'battery' },", "stage 'one'")), 0);
    assert_int_equal(run_opened(), 0);

    assert_int_equal(fake.note[0].note, NOTE_ASK);
    assert_string_equal(fake.note[0].name, "meter-ohms");
    assert_int_equal(fake.note[1].note, NOTE_VALUE);
    assert_string_equal(fake.note[1].name, "battery");
    assert_near(fake.note[1].value, 45e3, 0);
    assert_int_equal(fake.note[2].note, NOTE_STAGE);
}

static void test_the_same_is_asked_again_when_the_steps_are_done_and_all_is_off(void **state)
{
    (void)state;
    fake.answers = 4;
    for (int i = 0; i < 4; i++)
        fake.answer[i] = ANSWER_VALUE;
    fake.value = 0.42;

    assert_int_equal(
        open_text(with_header("before = { 'battery diode', 'battery idle' },", "stage 'one'")), 0);
    assert_int_equal(run_opened(), 0);

    assert_string_equal(fake.note[0].name, "meter-diode");
    assert_string_equal(fake.note[1].name, "battery diode");
    assert_string_equal(fake.note[1].text, "V");
    assert_string_equal(fake.note[2].name, "meter-amps");
    assert_int_equal(fake.note[4].note, NOTE_STAGE);
    assert_has(fake.note[5].text, "Again, once it is cold. diode");
    assert_has(fake.note[6].text, "Again, once it is cold. idle");
    assert_int_equal(fake.notes, 7);
    assert_string_equal(fake.job.name, "after");
    assert_string_equal(fake.job.text, "battery idle, A");
    assert_near(fake.job.value, 0.42, 0);
}

static void test_who_does_not_measure_again_is_told_and_the_run_is_done(void **state)
{
    (void)state;
    fake.answers = 2;
    fake.answer[0] = ANSWER_VALUE;
    fake.answer[1] = ANSWER_NO;
    fake.value = 45e3;

    assert_int_equal(open_text(with_header("before = { 'battery' },", "stage 'one'")), 0);
    assert_int_equal(run_opened(), 0);

    assert_has(tally.warning[0], "battery was not measured again");
}

static void test_without_the_measurement_nothing_begins(void **state)
{
    (void)state;
    fake.mute = true;

    assert_int_equal(open_text(with_header("before = { 'battery' },", "stage 'one'")), 0);
    assert_int_equal(run_opened(), TL_TIMEOUT);

    assert_has(error.text, "battery was not measured");
    assert_null(first_note(NOTE_STAGE));
}

/* ---- shipped data --------------------------------------------------------------------------- */

static void assert_same_board(const struct board *is, const struct board *wanted)
{
    assert_string_equal(is->name, wanted->name);
    for (int i = 0; i < BOARD_LAYERS; i++)
        assert_memory_equal(&is->slab[i].length_mm, &wanted->slab[i].length_mm,
                            sizeof is->slab[i] - offsetof(struct board_slab, length_mm));
    assert_int_equal(is->part_count, wanted->part_count);
    for (int i = 0; i < is->part_count; i++) {
        assert_string_equal(is->part[i].name, wanted->part[i].name);
        assert_int_equal(is->part[i].on, wanted->part[i].on);
        assert_near(is->part[i].x_mm, wanted->part[i].x_mm, 1e-12);
        assert_near(is->part[i].y_mm, wanted->part[i].y_mm, 1e-12);
        assert_near(is->part[i].thick_mm, wanted->part[i].thick_mm, 1e-12);
        assert_near(is->part[i].max_c, wanted->part[i].max_c, 1e-12);
        assert_string_equal(is->part[i].rail, wanted->part[i].rail);
    }
    assert_int_equal(is->joint_count, wanted->joint_count);
    for (int i = 0; i < is->joint_count; i++) {
        const struct board_joint *a = &is->joint[i], *b = &wanted->joint[i];
        assert_string_equal(a->name, b->name);
        assert_string_equal(a->part, b->part);
        assert_string_equal(a->alloy.name, b->alloy.name);
        assert_near(a->alloy.solidus_c, b->alloy.solidus_c, 1e-12);
        assert_near(a->alloy.liquidus_c, b->alloy.liquidus_c, 1e-12);
        assert_near(a->alloy.latent_j_g, b->alloy.latent_j_g, 1e-12);
        assert_near(a->alloy.density_g_cm3, b->alloy.density_g_cm3, 1e-12);
        assert_near(a->alloy.cp_j_gk, b->alloy.cp_j_gk, 1e-12);
        assert_near(a->alloy.k_w_mk, b->alloy.k_w_mk, 1e-12);
        assert_near(a->mass_g, b->mass_g, 1e-12);
        assert_near(a->contact_w_k, b->contact_w_k, 1e-12);
        assert_int_equal(a->segments, b->segments);
        for (int s = 0; s < a->segments; s++)
            assert_near(a->share[s], b->share[s], 1e-12);
    }
    assert_int_equal(is->rail_count, wanted->rail_count);
    for (int i = 0; i < is->rail_count; i++) {
        assert_memory_equal(&is->rail[i].limits, &wanted->rail[i].limits,
                            sizeof is->rail[i].limits);
        assert_near(is->rail[i].healthy_ohm, wanted->rail[i].healthy_ohm, 1e-9);
        assert_near(is->rail[i].short_ohm, wanted->rail[i].short_ohm, 1e-12);
        assert_near(is->rail[i].idle_a, wanted->rail[i].idle_a, 1e-12);
        assert_near(is->rail[i].diode_v, wanted->rail[i].diode_v, 1e-12);
        assert_string_equal(is->rail[i].short_part, wanted->rail[i].short_part);
    }
    assert_near(is->contact_spread, wanted->contact_spread, 1e-12);
    assert_near(is->contact_tolerance, wanted->contact_tolerance, 1e-12);
    assert_near(is->mass_tolerance, wanted->mass_tolerance, 1e-12);
}

static void test_the_shipped_boards_are_those_the_model_is_calibrated_with(void **state)
{
    static const struct {
        const char *board;
        void (*make)(struct board *board);
    } pairs[] = {{NULL, demo_hx210}, {TEST_SOURCE "/recipes/boards/hx230.lua", demo_hx230}};
    for (size_t i = 0; i < sizeof pairs / sizeof pairs[0]; i++) {
        struct board wanted;
        clean(state);
        pairs[i].make(&wanted);

        assert_int_equal(source_load(&sources, TEST_SOURCE "/recipes/stack-split.lua",
                                     pairs[i].board, TEST_SOURCE, &error),
                         0);
        assert_int_equal(recipe_open(&recipe, &setup, &error), 0);

        assert_same_board(recipe_board(recipe), &wanted);
        source_free(&sources);
    }
}

/* ---- primitives ----------------------------------------------------------------------------- */

static void test_a_ramp_goes_there_and_holds_until_it_is_told_otherwise(void **state)
{
    (void)state;
    assert_int_equal(run_steps("plate.ramp { to = '100 C', rate = '1 C/s', timeout = '1 min' }\n"
                               "record('there', plate.temperature())\n"
                               "plate.soak '10 s'\nrecord('held', plate.temperature())\n"
                               "plate.off()"),
                     0);

    assert_true(fake.note[0].value >= 98 && fake.note[0].value <= 100);
    assert_near(fake.note[1].value, 100, 0.001);
    assert_near(fake.peak_mc, 100000, 0);
    assert_int_equal(tally.warning_count, 0);
    assert_near(tally.worst_case_s, 70, 1e-9);
    assert_near(tally.worst_case_heat_s, 70, 1e-9);
}

static void test_the_operator_nudges_within_the_limits_only(void **state)
{
    (void)state;
    fake.nudge_mc = 3000;
    assert_int_equal(run_steps("plate.ramp { to = '100 C', timeout = '1 min' }"), 0);
    assert_near(fake.peak_mc, 103000, 0);

    clean(state);
    fake.nudge_mc = 500000;
    assert_int_equal(run_steps("plate.ramp { to = '100 C', timeout = '2 min' }"), 0);
    assert_near(fake.peak_mc, 250000 - NUDGE_ROOM_MC, 0);

    clean(state);
    fake.nudge_mc = 2000; /* a recipe that goes there by itself is not held back */
    assert_int_equal(run_steps("plate.ramp { to = '249 C', timeout = '2 min' }"), 0);
    assert_near(fake.peak_mc, 249000, 0);
}

/* Up within seconds, so that the time is that of the soaks. */
static double steps_take_s(const char *steps)
{
    char text[256];
    fake.rise_c_s = 1000;
    fake.heat_left_ms = 600000;
    snprintf(text, sizeof text, "plate.ramp { to = '100 C', timeout = '1 min' }\n%s", steps);
    assert_int_equal(run_steps(text), 0);
    return (double)fake.snapshot.t_ms / 1000;
}

static void test_a_nudge_of_time_lengthens_one_soak_and_only_one(void **state)
{
    (void)state;
    const char *two = "plate.soak { time = '40 s' }\nplate.soak { time = '40 s' }";
    assert_near(steps_take_s(two), 80, 0.6);

    clean(state);
    fake.nudge_ms = 30000; /* before the first */
    assert_near(steps_take_s(two), 110, 0.6);

    clean(state);
    fake.nudge_ms = -30000; /* within the second */
    fake.nudge_at_ms = 50000;
    assert_near(steps_take_s(two), 50, 0.6);
}

static void test_a_turn_says_how_long_is_waited_yet(void **state)
{
    (void)state;
    fake.end_at_ms = 10000;
    assert_int_equal(run_steps("wait '40 s'"), TL_ENDED);
    assert_near(fake.last.wait_ms, 30000, 200);

    clean(state);
    assert_int_equal(run_steps("wait '40 s'\nplate.temperature()"), 0);
    assert_int_equal(fake.last.wait_ms, 0);
}

static void test_a_wait_is_nudged_only_while_it_waits(void **state)
{
    (void)state;
    fake.nudge_ms = 30000;
    fake.nudge_at_ms = 10000;
    assert_near(steps_take_s("wait '40 s'"), 70, 0.6);

    clean(state);
    fake.nudge_ms = 30000; /* kept for the soak */
    assert_near(steps_take_s("wait '10 s'\nplate.soak { time = '10 s' }"), 50, 0.6);
}

static void test_a_nudge_of_time_does_not_lead_into_the_end_of_the_heat_time(void **state)
{
    (void)state;
    fake.nudge_ms = 90000;
    fake.rise_c_s = 1000;
    fake.heat_left_ms = 60000;

    assert_int_equal(run_steps("plate.ramp { to = '100 C', timeout = '1 min' }\n"
                               "plate.soak { time = '40 s' }"),
                     0);

    assert_near((double)fake.snapshot.t_ms / 1000, 55, 0.6);
}

static void test_a_timeout_fails_safe_and_tells_what_was_read(void **state)
{
    (void)state;
    fake.rise_c_s = 0.5;

    assert_int_equal(run_steps("pcall(plate.ramp, { to = '100 C', timeout = '20 s' })\n"
                               "note 'went on'"),
                     TL_TIMEOUT);

    assert_has(error.text, "the plate read 32 C after 20 s; it was to reach 100 C");
    assert_null(first_note(NOTE_NOTE));
    assert_false(fake.last.heat);
}

static void test_otherwise_says_what_happens_instead(void **state)
{
    (void)state;
    fake.rise_c_s = 0.5;

    assert_int_equal(run_steps("local r = plate.ramp { to = '100 C', timeout = '20 s',\n"
                               "  otherwise = function() plate.off() return 'slow' end }\n"
                               "note(r)"),
                     0);

    assert_note(NOTE_NOTE, "slow");
}

static void test_no_pcall_holds_a_refused_limit_up(void **state)
{
    static const char *const swallowers[] = {
        "for i = 1, 9 do pcall(plate.ramp, { to = '300 C', timeout = '1 min' }) end note 'x'",
        "xpcall(function() plate.ramp { to = '300 C', timeout = '1 min' } end, print) note 'x'",
        "table.sort({ 1, 2 }, function() plate.ramp { to = '300 C', timeout = '1 min' } end) note "
        "'x'",
        "('a'):gsub('a', function() plate.ramp { to = '300 C', timeout = '1 min' } end) note 'x'",
    };
    for (size_t i = 0; i < sizeof swallowers / sizeof swallowers[0]; i++) {
        clean(state);
        assert_int_equal(run_steps(swallowers[i]), TL_LIMIT);
        assert_has(error.text, "300 C");
        assert_null(first_note(NOTE_NOTE));
    }
}

static void test_a_recipe_may_catch_its_own_errors(void **state)
{
    (void)state;
    assert_int_equal(run_steps("local ok, what = pcall(error, 'mine')\nnote(what)\n"
                               "pcall(function() local x = nil; x.y = 1 end)"),
                     0);

    assert_note(NOTE_NOTE, "mine");
}

static void test_the_end_of_the_run_never_returns_to_the_recipe(void **state)
{
    (void)state;
    fake.end_at_ms = 5000;

    assert_int_equal(run_steps("while true do pcall(wait, '1 min') end"), TL_ENDED);

    assert_in_range(fake.exchanges, 51, 52);
}

static void test_heat_left_on_at_the_end_is_switched_off_and_told(void **state)
{
    (void)state;
    assert_int_equal(run_steps("plate.ramp { to = '100 C', timeout = '1 min' }"), 0);

    assert_int_equal(tally.warning_count, 1);
    assert_has(tally.warning[0], "still wanted at 100 C");
    assert_false(fake.last.heat);
    assert_int_equal(fake.last.temp_mc, 0);
}

static int run_measured(const char *steps)
{
    fake.answers = 2;
    fake.answer[0] = fake.answer[1] = ANSWER_VALUE;
    int code = open_text(with_header("insert = 'i', before = { 'battery' },", steps));
    return code != 0 ? code : run_opened();
}

static void test_a_plate_still_hot_when_the_board_is_measured_again_is_told(void **state)
{
    (void)state;
    assert_int_equal(run_measured("plate.ramp { to = '60 C', timeout = '1 min' }\nplate.off()"), 0);

    assert_int_equal(tally.warning_count, 1);
    assert_has(tally.warning[0], "the plate above 50 C");
}

static void test_a_board_on_a_plate_that_has_cooled_is_measured_again_without_a_word(void **state)
{
    (void)state;
    assert_int_equal(run_measured("plate.ramp { to = '60 C', timeout = '1 min' }\nplate.off()\n"
                                  "cool { plate = '45 C', timeout = '20 min' }"),
                     0);

    assert_int_equal(tally.warning_count, 0);
}

static void test_timeouts_past_the_heat_time_are_told(void **state)
{
    (void)state;
    const char *text = with_header("insert = 'i', ceiling = { heat_time = '15 min' },",
                                   "plate.ramp { to = '100 C', timeout = '16 min' }\n"
                                   "plate.soak '1 min'\nplate.off()");
    assert_int_equal(open_text(text), 0);
    assert_int_equal(run_opened(), 0);

    assert_int_equal(tally.warning_count, 1);
    assert_has(tally.warning[0], "the timeouts add up to 17 min of heat; the limit is 15 min");
}

static void test_without_an_insert_nothing_heats(void **state)
{
    (void)state;
    assert_int_equal(open_text(with_header("", "plate.ramp { to = '50 C', timeout = '1 min' }")),
                     0);
    assert_int_equal(run_opened(), TL_MISSING);

    assert_has(error.text, "names no insert");
    assert_has(error.hint, "insert = \"...\"");
    assert_near(fake.peak_mc, 0, 0);
}

static void test_a_prompt_is_answered_by_number_and_its_hand_announced(void **state)
{
    (void)state;
    assert_int_equal(run_steps("board.place { 'lay it', timeout = '1 min' }\n"
                               "wait '5 s'\nrecord('x', 1)\nwait '6 s'"),
                     0);

    assert_int_equal(fake.note[0].note, NOTE_DO);
    assert_string_equal(fake.note[0].text, "lay it");
    assert_int_equal(fake.note[0].line, 3);
    assert_int_equal(fake.hand_announced, HAND_PLACE);
    assert_int_equal(fake.hands, 1);
    assert_int_equal(fake.hand[0], HAND_PLACE);
    assert_int_equal(fake.hand_at_value, HAND_PLACE); /* 5 s later he may still be at it */
    assert_int_equal(fake.last.hand, HAND_NONE);
}

static void test_a_no_to_do_this_fails_and_a_no_to_is_it_done_does_not(void **state)
{
    (void)state;
    fake.answers = 2;
    fake.answer[0] = fake.answer[1] = ANSWER_NO;

    assert_int_equal(run_steps("note(tostring(confirm { 'ok?', timeout = '1 min' }))\n"
                               "board.place { 'lay it', timeout = '1 min' }"),
                     TL_STEP);

    assert_note(NOTE_NOTE, "false");
    assert_has(error.text, "answered with no");
    assert_int_equal(fake.hands, 0);
}

static void test_nobody_there_is_a_timeout(void **state)
{
    (void)state;
    fake.mute = true;

    assert_int_equal(run_steps("confirm { 'ok?', timeout = '30 s' }"), TL_TIMEOUT);

    assert_has(error.text, "nobody answered within 30 s");
    assert_in_range(fake.exchanges, 300, 303);
}

/* ---- does the board lie flat? ---- */

/* A minute at 150 C, in which the board's sensor stays at 25 C. */
static int run_cold_board(void)
{
    fake.board_c = 25;
    return run_steps("board.place { 'lay it', timeout = '1 min' }\n"
                     "plate.ramp { to = '150 C', timeout = '2 min' }\n"
                     "plate.soak '1 min'\nplate.off()");
}

static int times_asked(void)
{
    int asked = 0;
    for (int i = 0; i < fake.notes; i++)
        asked += strcmp(fake.note[i].name, NOTE_LIES_FLAT) == 0;
    return asked;
}

static void test_a_board_that_stays_cold_is_asked_about_once_with_heat_off(void **state)
{
    (void)state;
    assert_int_equal(run_cold_board(), 0); /* answered with yes */

    assert_int_equal(times_asked(), 1);
    assert_has(fake.note[1].text,
               "Heat is off: the board's sensor reads 25.0 C, lying flat it would read");
    assert_int_equal(fake.note[1].note, NOTE_CONFIRM);
    assert_int_equal(fake.heated_at_prompt, 0);
    assert_near(fake.peak_mc, 150000, 0); /* ... and it went on */
    assert_int_equal(fake.last.beeps, 1);
}

static void test_of_a_plate_set_by_hand_nobody_is_told_that_heat_is_off(void **state)
{
    (void)state;
    plate.by_hand = true;
    assert_int_equal(run_cold_board(), 0);

    assert_int_equal(strncmp(fake.note[1].text, "The board's sensor reads 25.0 C", 31), 0);
}

static void test_time_spent_on_asking_is_no_part_of_a_step(void **state)
{
    (void)state;
    assert_int_equal(run_cold_board(), 0);
    int with = fake.exchanges;
    clean(state);
    fake.lies_ms[1] = INT64_MAX;
    assert_int_equal(run_cold_board(), 0);

    assert_int_equal(times_asked(), 0);
    assert_in_range(with, fake.exchanges + 1,
                    fake.exchanges + 30); /* and the plate cooled meanwhile */
}

static void check_end_of_cold_board(enum hand_answer answer, int code, const char *why)
{
    fake.answers = 2;
    fake.answer[0] = ANSWER_YES; /* it is laid down */
    fake.answer[1] = answer;

    assert_int_equal(run_cold_board(), code);

    assert_has(error.text, why);
    assert_false(fake.last.heat);
}

static void test_a_board_that_does_not_lie_flat_ends_the_recipe(void **state)
{
    (void)state;
    check_end_of_cold_board(ANSWER_NO, TL_STEP, "asked whether both lie flat, a person said no");
}

static void test_nobody_who_looks_at_the_board_ends_the_recipe(void **state)
{
    (void)state;
    check_end_of_cold_board(ANSWER_NONE, TL_TIMEOUT,
                            "nobody said within 60 s whether both lie flat");
}

static void test_a_board_that_is_taken_later_is_asked_about_again(void **state)
{
    (void)state;
    fake.lies_ms[0] = 60000;
    fake.lies_ms[1] = 70000;

    assert_int_equal(run_cold_board(), 0);

    assert_int_equal(times_asked(), 2);
}

static void test_without_heat_or_under_hot_air_the_board_is_not_asked_about(void **state)
{
    (void)state;
    static const char *const steps[] = {
        "plate.ramp { to = '100 C', timeout = '1 min' }\nplate.soak '1 min'", /* no board yet */
        "board.place { 'lay it', timeout = '1 min' }\nwait '3 min'",
        "board.place { 'lay it', timeout = '1 min' }\n"
        "hand_heat { 'on it', part = 'U2', time = '5 min', watts = '5 W', timeout = '1 min' }\n"
        "plate.ramp { to = '100 C', timeout = '1 min' }\nplate.soak '1 min'",
    };
    for (size_t i = 0; i < sizeof steps / sizeof steps[0]; i++) {
        clean(state);
        fake.board_c = 25;
        assert_int_equal(run_steps(steps[i]), 0);
        assert_int_equal(times_asked(), 0);
    }
}

static void test_an_answer_is_read_in_its_unit(void **state)
{
    (void)state;
    fake.answers = 2;
    fake.answer[0] = fake.answer[1] = ANSWER_VALUE;
    fake.value = 850;
    snprintf(fake.text, sizeof fake.text, "850 mA");

    assert_int_equal(
        run_steps("record('a', ask { 'amps?', unit = 'A', timeout = '1 min' })\n"
                  "note(ask { 'which?', timeout = '1 min' })\n"
                  "record('s', ask { 'amps?', unit = 'A', suggest = '40 mA', timeout = '1 min' })"),
        0);

    assert_near(fake.note[1].value, 0.85, 1e-12);
    assert_note(NOTE_NOTE, "850 mA");
    assert_near(fake.note[5].value, 0.04, 1e-12);
}

static void test_an_answer_in_another_unit_is_asked_for_again(void **state)
{
    (void)state;
    static const char *const wrong[] = {"45 V", "open line", "1.5.2", "nan", "1e999", "+"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        clean(state);
        fake.answers = 1;
        fake.answer[0] = ANSWER_VALUE;
        fake.value = 45;
        snprintf(fake.text, sizeof fake.text, "%s", wrong[i]);

        assert_int_equal(run_steps("record('a', ask { 'amps?', unit = 'A', suggest = '40 mA', "
                                   "timeout = '1 min' })"),
                         0);

        assert_int_equal(fake.note[1].note, NOTE_ASK);
        assert_has(fake.note[1].text, wrong[i]);
        assert_has(fake.note[1].text, "a current");
        assert_has(fake.note[1].text, "amps?");
        assert_near(fake.note[2].value, 0.04, 1e-12); /* the second time it was a yes */
        assert_has(tally.warning[0], wrong[i]);
    }
}

/* A pedal that is pressed at a question for the meter, a hasty Enter: neither is a reading of 0. */
static void test_a_yes_where_nothing_is_suggested_is_asked_for_again(void **state)
{
    static const char *const asks[] = {
        "record('a', ask { 'amps?', unit = 'A', timeout = '1 min' })",
        "record('a', meter.read { rail = 'core', timeout = '1 min' })"};
    for (size_t i = 0; i < sizeof asks / sizeof asks[0]; i++) {
        clean(state);
        fake.answers = 2;
        fake.answer[0] = ANSWER_YES;
        fake.answer[1] = ANSWER_VALUE;
        fake.value = 0.4;

        assert_int_equal(run_steps(asks[i]), 0);

        assert_int_equal(fake.note[1].note, NOTE_ASK);
        assert_has(fake.note[1].text, "no value is suggested");
        assert_near(fake.note[2].value, 0.4, 1e-12);
    }
}

static void test_asking_again_does_not_take_longer_than_the_timeout(void **state)
{
    (void)state;
    fake.answers = 3;
    for (int i = 0; i < 3; i++)
        fake.answer[i] = ANSWER_VALUE;
    snprintf(fake.text, sizeof fake.text, "45 V");

    assert_int_equal(run_steps("ask { 'amps?', unit = 'A', timeout = '0.2 s' }"), TL_TIMEOUT);

    assert_near(tally.worst_case_s, 0.2, 1e-9);
}

static void test_a_meter_reading_is_taken_with_its_unit(void **state)
{
    (void)state;
    static const struct {
        const char *typed;
        double ohms;
    } readings[] = {{"1.2 kohm", 1200}, {"0.42", 0.42}, {"0,42", 0.42}, {"3 Mohm", 3e6}};
    for (size_t i = 0; i < sizeof readings / sizeof readings[0]; i++) {
        clean(state);
        fake.answers = 1;
        fake.answer[0] = ANSWER_VALUE;
        fake.value = 1.2; /* what a careless reader makes of it */
        snprintf(fake.text, sizeof fake.text, "%s", readings[i].typed);

        assert_int_equal(
            run_steps("record('r', meter.read { rail = 'core', timeout = '1 min' }, 'ohm')"), 0);

        assert_near(fake.note[1].value, readings[i].ohms, 1e-9);
    }
}

static void test_the_benchs_own_meter_is_read_while_its_probes_are_held(void **state)
{
    (void)state;
    static const char read[] =
        "record('r', meter.read { rail = 'core', timeout = '1 min' }, 'ohm')";
    fake.meter = QUALITY_GOOD;
    fake.meter_wait = 30;

    assert_int_equal(run_steps(read), 0);

    assert_int_equal(fake.note[0].note, NOTE_CONFIRM);
    assert_has(fake.note[0].text,
               "ohms: from core to ground, board unpowered: are the bench meter's probes on it");
    assert_near(fake.note[1].value, 47, 0);
    assert_int_equal(fake.meter_rail, 1);
    assert_int_equal(fake.last.meter, METER_NONE);
    assert_int_equal(fake.last.rail, 0);
}

/* Open leads, a meter that is gone, and who would rather read another one. */
static void test_what_the_benchs_own_meter_does_not_tell_a_person_types(void **state)
{
    (void)state;
    static const struct {
        enum quality meter;
        enum hand_answer answer;
        const char *asks;
    } cases[] = {{QUALITY_OPEN, ANSWER_YES, "The meter is over its range. ohms: from core"},
                 {QUALITY_STALE, ANSWER_YES, "The meter does not answer. ohms: from core"},
                 {QUALITY_GOOD, ANSWER_NO, "ohms: from core to ground"}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        clean(state);
        fake.meter = cases[i].meter;
        fake.answers = 2;
        fake.answer[0] = cases[i].answer;
        fake.answer[1] = ANSWER_VALUE;
        fake.value = 1.2;
        snprintf(fake.text, sizeof fake.text, "%s", "1.2 kohm");

        assert_int_equal(
            run_steps("record('r', meter.read { rail = 'core', timeout = '1 min' }, 'ohm')"), 0);

        assert_has(fake.note[1].text, cases[i].asks);
        assert_string_equal(fake.note[1].name, "meter-ohms");
        assert_near(fake.note[2].value, 1200, 1e-9);
    }
}

static void test_the_meter_gives_no_value_that_nobody_read(void **state)
{
    (void)state;
    fake.answers = 1;
    fake.answer[0] = ANSWER_NO;

    assert_int_equal(run_steps("meter.read { rail = 'core', kind = 'diode', timeout = '1 min' }"),
                     TL_STEP);

    assert_string_equal(fake.note[0].name, "meter-diode");
    assert_near(fake.note[0].value, 1, 0);
}

static void test_the_supply_comes_on_with_what_was_asked_and_reads_back(void **state)
{
    (void)state;
    fake.volts = 4;
    fake.amps = 0.25;

    assert_int_equal(run_steps("local r = supply.on { rail = 'battery', volts = '4 V',\n"
                               "  amps = '500 mA', timeout = '5 s' }\n"
                               "record('ohms', r.ohms)\nnote(tostring(r.on))"),
                     0);

    assert_near(fake.note[0].value, 16, 1e-9);
    assert_note(NOTE_NOTE, "true");
    assert_int_equal(tally.warning_count, 1); /* left on */
    assert_false(fake.last.supply_on);
}

static void test_a_collapsed_rail_is_a_reading_not_a_failure(void **state)
{
    (void)state;
    fake.volts = 0.15;
    fake.amps = 0.5;

    assert_int_equal(run_steps("local r = supply.on { rail = 'battery', volts = '4 V',\n"
                               "  amps = '500 mA', timeout = '5 s' } supply.off()\n"
                               "record('ohms', r.ohms)"),
                     0);

    assert_near(fake.note[0].value, 0.3, 1e-9);
}

/* The leads hang on the rail that was fed last, until a person says otherwise. */
static void test_no_other_rail_is_fed_before_a_person_was_asked_for_the_leads(void **state)
{
#define CORE    "supply.on { rail = 'core', volts = '0.9 V', amps = '1 A', timeout = '5 s' }\n"
#define BATTERY "supply.on { rail = 'battery', volts = '4 V', amps = '1 A', timeout = '5 s' }\n"
#define CONFIRM "confirm { 'Leads on it?', timeout = '1 min' }\n"
    static const struct {
        const char *steps;
        enum hand_answer answer;
        int code;
    } cases[] = {
        {CORE BATTERY, ANSWER_YES, TL_LIMIT},
        {CORE "supply.off()\n" BATTERY, ANSWER_YES, TL_LIMIT},
        {CONFIRM CORE "supply.off()\n" BATTERY, ANSWER_YES, TL_LIMIT},
        {CORE CONFIRM "supply.off()\n" BATTERY, ANSWER_YES, TL_LIMIT}, /* asked under power */
        {CORE "supply.off()\n" CONFIRM BATTERY, ANSWER_NO, TL_LIMIT},
        {CORE "supply.off()\n" CONFIRM BATTERY, ANSWER_YES, 0},
        {CORE "supply.off()\n" CORE, ANSWER_YES, 0},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        clean(state);
        fake.volts = 4;
        fake.answers = 1;
        fake.answer[0] = cases[i].answer;
        int code = open_text(with_header("rails = { \"battery\", \"core\" },", cases[i].steps));

        assert_int_equal(code ? code : run_opened(), cases[i].code);

        if (cases[i].code) {
            assert_has(error.text, "the leads were last on \"core\"");
            assert_int_not_equal(fake.last.mv, 4000);
        }
    }
#undef CORE
#undef BATTERY
#undef CONFIRM
}

static void test_injection_ends_by_itself(void **state)
{
    (void)state;
    fake.volts = 0.3;
    fake.amps = 1;

    assert_int_equal(run_steps("local r = supply.inject { rail = 'battery', volts = '0.5 V',\n"
                               "  amps = '1 A', time = '10 s' } record('v', r.volts)\n"
                               "record('on', supply.read().on and 1 or 0)"),
                     0);

    assert_near(fake.note[0].value, 0.3, 1e-9);
    assert_near(fake.note[1].value, 0, 0);
    assert_int_equal(tally.warning_count, 0);
    assert_true(fake.injected_off >= 1); /* its last current is no fault of a supply that is off */
}

static void test_cooling_waits_for_the_joint_and_the_fan_for_its_melt(void **state)
{
    (void)state;
    assert_int_equal(run_steps("board.place { 'lay it', timeout = '1 min' }\n"
                               "plate.ramp { to = '180 C', timeout = '3 min' }\n"
                               "wait_for_melt { joint = 'frame', timeout = '10 min' }\n"
                               "cool { joint = 'frame', fan = '60 %', timeout = '20 min' }\n"
                               "record('solid', plate.temperature())"),
                     0);

    /* solidus 138 C less 20 K: the hottest place, so the coldest as well */
    assert_true(fake.last.joint[0].temp_mc <= 118500);
    assert_true(fake.last.joint[0].temp_mc >= 90000);
    assert_true(fake.fan_ran);
    assert_int_equal(fake.fan_permille, 0);
}

static void test_melt_comes_from_the_estimate_and_says_so(void **state)
{
    (void)state;
    assert_int_equal(
        run_steps("board.place { 'lay it', timeout = '1 min' }\n"
                  "plate.ramp { to = '180 C', timeout = '3 min' }\n"
                  "wait_for_melt { joint = 'frame', steady = '8 s', timeout = '10 min' }\n"
                  "board.lift { 'lift', timeout = '1 min' }\nplate.off()"),
        0);

    const struct wire_note *melt = first_note(NOTE_MELT);
    assert_non_null(melt);
    assert_string_equal(melt->name, "frame");
    assert_true(melt->value > 140);
    assert_has(melt->text, "estimate: coldest place at 1");
    assert_has(melt->text, "molten for 8 s, liquidus 140 C; a person confirms");
    assert_int_equal(fake.hand[1], HAND_LIFT);
    assert_int_equal(tally.warning_count, 0);
}

static void test_a_plate_below_liquidus_is_never_taken_for_a_melt(void **state)
{
    (void)state;
    assert_int_equal(run_steps("board.place { 'lay it', timeout = '1 min' }\n"
                               "plate.ramp { to = '139 C', timeout = '3 min' }\n"
                               "wait_for_melt { joint = 'frame', timeout = '20 min' }"),
                     TL_TIMEOUT);

    assert_null(first_note(NOTE_MELT));
    assert_has(error.text, "its liquidus is 140 C");
}

static void test_an_unreadable_plate_is_not_a_melt_either(void **state)
{
    (void)state;
    fake.plate_quality = QUALITY_OPEN;

    assert_int_equal(run_steps("board.place { 'lay it', timeout = '1 min' }\n"
                               "wait_for_melt { joint = 'frame', timeout = '1 min' }"),
                     TL_TIMEOUT);
    clean(state);
    fake.plate_quality = QUALITY_OPEN;
    assert_int_equal(run_steps("plate.temperature()"), TL_STEP);

    assert_has(error.text, "cannot be read: open");
}

static void test_a_molten_joint_counts_no_more_once_the_sensor_is_lost(void **state)
{
    (void)state;
    fake.open_at_ms = 600000;

    assert_int_equal(run_steps("board.place { 'lay it', timeout = '1 min' }\n"
                               "plate.ramp { to = '180 C', timeout = '3 min' }\nwait '10 min'\n"
                               "wait_for_melt { joint = 'frame', timeout = '1 min' }"),
                     TL_TIMEOUT);

    assert_has(error.text, "100 % molten");
    assert_null(first_note(NOTE_MELT));
}

static void test_a_lift_before_the_melt_is_warned_of(void **state)
{
    (void)state;
    assert_int_equal(run_steps("board.place { 'lay it', timeout = '1 min' }\n"
                               "board.lift { 'lift', timeout = '1 min' }"),
                     0);

    assert_int_equal(tally.warning_count, 1);
    assert_has(tally.warning[0], "line 4 asks for the lift");
}

static void test_hot_air_is_announced_and_ends_in_time(void **state)
{
    (void)state;
    assert_int_equal(run_steps("board.place { 'lay it', timeout = '1 min' }\n"
                               "hand_heat { 'air on', part = 'U2', watts = '12 W', time = '20 s', "
                               "timeout = '1 min' }\n"
                               "wait '30 s'"),
                     0);

    assert_int_equal(fake.hands, 3);
    assert_int_equal(fake.hand[1], HAND_HEAT);
    assert_near(fake.hand_watts[1], 12, 0);
    assert_near(fake.hand_watts[2], 0, 0);
    assert_int_equal(fake.last.beeps, 1);
    assert_note(NOTE_TELL, "The time for hot air is over: take it off the board.");
}

static void test_wait_until_asks_a_function_that_may_use_primitives(void **state)
{
    (void)state;
    assert_int_equal(
        run_steps(
            "plate.ramp { to = '100 C', timeout = '1 min' } plate.off()\n"
            "wait_until { function() return plate.temperature() < 50 end, timeout = '1 min' }\n"
            "record('t', plate.temperature())"),
        0);

    assert_true(fake.note[0].value < 50);
}

static void test_notes_without_end_wait_and_then_are_refused(void **state)
{
    (void)state;
    assert_int_equal(run_steps("while true do pcall(note, 'again') end"), TL_LIMIT);

    assert_has(error.text, "more than 5000 notes");
    assert_int_equal(fake.notes + fake.jobs, 5000);
    assert_true(fake.exchanges >= 5000 / 4);
}

static void test_a_loop_of_waits_ends_after_hours(void **state)
{
    (void)state;
    assert_int_equal(run_steps("while true do pcall(wait, '1 h') end"), TL_LIMIT);

    assert_has(error.text, "ran for more than 4 hours");
    assert_true(fake.snapshot.t_ms > RECIPE_HOURS * 3600000 &&
                fake.snapshot.t_ms < RECIPE_HOURS * 3600000 + 1000);
}

/* ---- a look at the text before anything is hot ---------------------------------------------- */

/* Lines that no run comes by: nothing is switched on, and the line is told. */
static void test_a_name_that_is_not_there_is_told_before_anything_is_on(void **state)
{
    /* clang-format off */
    static const struct { const char *steps, *says; int line; } wrong[] = {
        {"if false then\nplate.rmap { to = '90 C' } end", "\"plate.rmap\" is not known", 4},
        {"wait { '1 s' }\nlocal function later()\n plate.of() end", "\"plate.of\" is not known", 5},
        {"if false then cold { plate = '45 C' } end", "\"cold\" is not known", 3},
        {"if false then tel 'x' end", "\"tel\" is not known", 3},
        {"if false then plat.off() end", "\"plat\" is not known", 3},
        {"if false then local t = { warm = plat.off } end", "\"plat\" is not known", 3},
        {"local a = 'x' .. 'y' if false then tell('a' .. plate.temp()) end", "\"plate.temp\"", 3},
        {"if false then local t = { to = plate.temprature() } end", "plate.temprature", 3},
        {"if false then note [[x]] plate . ramp {} plate. --[==[ ]] ]==]\n raamp {} end", "plate.raamp", 3},
    };
    /* clang-format on */
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        clean(state);
        assert_int_equal(run_steps(wrong[i].steps), TL_STEP);
        assert_has(error.text, wrong[i].says);
        assert_int_equal(error.line, wrong[i].line);
        assert_int_equal(fake.notes, 0);
    }
}

static void test_what_a_text_declares_or_only_says_is_no_slip(void **state)
{
    static const char *const fine[] = {
        "local function heat(x) tell(x) end heat 'x'",
        "local t = { plat = { a = 1 } } tell(t.plat.a .. string.rep('x', 2)) goto on ::on::",
        "local plate = { rmap = function() end } plate.rmap()",
        "for i, cold in ipairs { print } do cold('x') end",
        "local a, b <const>, c = print, print, print a 'x' b 'x' c 'x'",
        "local f = function(hot, warm) hot 'x' warm 'x' end f(print, print)",
        "helper = function() end helper()",
        "one, two = print, print one 'x' two 'x'",
        "tell 'plate.rmap(cold())' -- plate.rmap {}",
        "tell [[plate.rmap {}]] --[==[ cold() ]] plate.rmap() ]==]",
        "local t = { cold = print } t.cold 'x' t.board = {} t.board.lft = 1",
        "local s = ('x'):rep(3) tell(s)",
        "local x = 5 local y = x ..'y' tell(y)",
        "local t = { a = { to = 1 }, b = { to = 2 }, c = function() local to = { to = 3 } end }",
        "local _ENV = { cold = tell } cold 'x'",
        "local e = _ENV.math tell(('%g'):format(e.pi))",
        "goto done ::done:: tell 'x'",
    };
    for (size_t i = 0; i < sizeof fine / sizeof fine[0]; i++) {
        clean(state);
        int code = run_steps(fine[i]);
        if (code != 0)
            print_error("%s\n  %d: %s\n", fine[i], error.line, error.text);
        assert_int_equal(code, 0);
    }
}

static void test_a_param_without_its_p_is_guessed(void **state)
{
    (void)state;
    assert_int_equal(open_text(with_header("insert = 'i', params = { melt = { '172 C' } },",
                                           "plate.ramp { to = melt, timeout = '1 min' }")),
                     0);
    assert_int_equal(run_opened(), TL_STEP);

    assert_string_equal(error.hint, "did you mean \"p.melt\"?");

    clean(state);
    assert_int_equal(open_text("return recipe { api = 1, title = 't', board = 'tiny',\n"
                               "steps = function() tell(p.melt) end }"),
                     0);
    assert_int_equal(run_opened(), TL_STEP);
    assert_has(error.hint, "steps = function(p)");
}

static void test_a_param_makes_a_number_to_reckon_with(void **state)
{
    (void)state;
    assert_int_equal(
        open_text(with_header("insert = 'i', params = { melt = { '212 F' }, dry = { '2 min' } },",
                              "record('melt', number(p.melt)) record('dry', number(p.dry))\n"
                              "plate.ramp { to = ('%g C'):format(number(p.melt) - 20), timeout = "
                              "'1 min' } plate.off()")),
        0);
    assert_int_equal(run_opened(), 0);

    assert_near(fake.note[0].value, 100, 1e-9);
    assert_near(fake.note[1].value, 120, 1e-9);
    assert_near(fake.peak_mc, 80000, 0);
}

static void test_a_bound_over_the_limit_is_warned_of(void **state)
{
    (void)state;
    const char *text = with_header("insert = 'i', ceiling = { plate = '190 C' }, params = {\n"
                                   "melt = { '172 C', max = '300 C' }, air = { '280 C', max = "
                                   "'300 C' }, fine = { '172 C', max = '190 C' } },",
                                   "note 'x'");
    assert_int_equal(open_text(text), 0);
    assert_int_equal(run_opened(), 0);

    assert_int_equal(tally.warning_count, 1);
    assert_string_equal(tally.warning[0],
                        "params.melt may be set up to 300 C; the plate's limit here is 190 C");
}

static void test_a_lift_that_nothing_can_tell_about_is_warned_of_or_refused(void **state)
{
    (void)state;
    assert_int_equal(run_steps("board.place { 'lay it', timeout = '1 min' }\n"
                               "board.lift { 'up', part = 'U2', timeout = '1 min' }"),
                     0);
    assert_int_equal(tally.warning_count, 1);
    assert_has(tally.warning[0], "line 4 lifts \"U2\", which no joint of the board file holds");

    clean(state);
    add_source("r.lua", "r", SOURCE_RECIPE,
               with_header("insert = 'i',", "board.place { 'lay it', timeout = '1 min' }\n"
                                            "board.lift { 'up', timeout = '1 min' }"));
    add_source("tiny.lua", "tiny", SOURCE_BOARD,
               "return board { name = 'tiny', lower = { length = '60 mm', width = '40 mm', thick = "
               "'1 mm', copper = '8 %' }, parts = { { name = 'U7', on = 'lower', x = '9 mm', y = "
               "'9 mm', length = '5 mm', width = '5 mm', thick = '1 mm' } } }");
    assert_int_equal(recipe_open(&recipe, &setup, &error), 0);
    assert_int_equal(run_opened(), TL_MISSING);
    assert_has(error.text, "no upper board to lift");
    assert_has(error.hint, "U7");
}

static void test_a_ramp_that_stands_still_is_not_told_to_take_more_time(void **state)
{
    (void)state;
    fake.rise_c_s = 0.5;
    assert_int_equal(run_steps("plate.ramp { to = '40 C', timeout = '20 s' }"), TL_TIMEOUT);
    assert_has(error.hint, "it still moves by 0.5 C/s: give it more time");

    clean(state);
    fake.rise_c_s = 0.01;
    assert_int_equal(run_steps("plate.ramp { to = '140 C', timeout = '1 min' }"), TL_TIMEOUT);
    assert_has(error.hint, "is the sensor seated, the heater on");

    clean(state);
    fake.plate_c = 150;
    fake.rise_c_s = 0.01;
    assert_int_equal(run_steps("plate.ramp { to = '40 C', timeout = '1 min' }"), TL_TIMEOUT);
    assert_has(error.hint, "it moved by 0.3 C only: nothing cools it but its losses");
}

static void test_a_plate_set_by_hand_that_stands_still_is_asked_about_its_knob(void **state)
{
    (void)state;
    plate.by_hand = true;
    fake.rise_c_s = 0.01;
    assert_int_equal(run_steps("plate.ramp { to = '140 C', timeout = '1 min' }"), TL_TIMEOUT);
    assert_has(error.hint, "is its knob set to that, the sensor seated");

    clean(state);
    plate.by_hand = true;
    fake.plate_c = 150;
    fake.rise_c_s = 0.01;
    assert_int_equal(run_steps("cool { plate = '45 C', timeout = '1 min' }"), TL_TIMEOUT);
    assert_has(error.hint, "is its knob off, does the sensor follow the plate");
}

static void test_a_plate_that_does_not_cool_is_not_told_to_take_more_time(void **state)
{
    (void)state;
    fake.plate_c = 150;
    fake.rise_c_s = 0.01;
    assert_int_equal(run_steps("cool { plate = '45 C', timeout = '1 min' }"), TL_TIMEOUT);
    assert_has(error.hint, "in the last 30 s it moved by 0.3 C only: is the heater off");

    clean(state);
    fake.plate_c = 150;
    fake.rise_c_s = 1;
    assert_int_equal(run_steps("cool { plate = '45 C', timeout = '1 min' }"), TL_TIMEOUT);
    assert_has(error.hint, "it still moves by 1 C/s: give it more time");
}

static void test_a_refused_header_is_located_at_its_own_line(void **state)
{
    (void)state;
    assert_int_equal(open_text("return recipe {\n api = 1, title = 't', board = 'tiny',\n"
                               " insert = \"frame-1\",\n ceiling = {\n  ramp = '2 C/s',\n"
                               "  plate = '300 C',\n },\n steps = print }"),
                     0);
    struct tl_error refused = {0};

    recipe_locate_header(recipe, "plate", &refused);
    assert_int_equal(refused.line, 6);
    assert_string_equal(refused.token, "300 C");
    assert_string_equal(refused.file, "r.lua");
    recipe_locate_header(recipe, "frame-1", &refused);
    assert_int_equal(refused.line, 3);
    assert_string_equal(refused.token, "frame-1");
    recipe_locate_header(recipe, "board_limit_of_nobody", &refused);
    assert_int_equal(refused.line, 1);
    recipe_locate_header(recipe, "", &refused);
    assert_int_equal(refused.line, 1);
}

/* ---- the sandbox ---------------------------------------------------------------------------- */

static void test_what_a_recipe_must_not_reach_is_not_there(void **state)
{
    static const char *const names[] = {
        "os",         "io",          "debug",           "coroutine",      "package",      "load",
        "loadstring", "dofile",      "loadfile",        "setmetatable",   "getmetatable", "rawget",
        "rawset",     "rawequal",    "rawlen",          "collectgarbage", "warn",         "_G",
        "_VERSION",   "string.dump", "math.randomseed",
    };
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        char steps[128];
        clean(state);
        snprintf(steps, sizeof steps, "local x = %s", names[i]);
        assert_int_equal(run_steps(steps), TL_STEP);
        assert_has(error.text, names[i]);
        assert_int_equal(error.line, 3);
    }
}

/* What the steps note is always the same. */
static void assert_notes(const char *steps, const char *wanted)
{
    int code = run_steps(steps);
    if (code != 0)
        print_error("%s: %s\n", steps, error.text);
    assert_int_equal(code, 0);
    assert_note(NOTE_NOTE, wanted);
}

static void test_the_language_behaves_the_same_in_every_run(void **state)
{
    static const struct {
        const char *steps, *notes;
    } same[] = {
        {"local s = '' for k in pairs { b = 1, a = 2, [3] = 1, [1] = 1, [2.5] = 1, [-1] = 1, "
         "[true] = 1, aa = 1 } do s = s .. tostring(k) .. ' ' end note(s)",
         "-1 1 2.5 3 a aa b true "},
        {"local t, s = { x = 1, y = 2, z = 3 }, '' for k in pairs(t) do s = s .. k t.y = nil end "
         "note(s)",
         "xz"},
        {"local t, k, s = { c = 1, a = 1, b = 1 }, nil, '' repeat k = next(t, k) s = s .. "
         "tostring(k) until not k note(s)",
         "abcnil"},
        {"note(tostring(next {}))", "nil"},
        {"note(tostring(print) .. tostring {} .. ('%s'):format({}) .. tostring(nil))",
         "functiontabletablenil"},
        {"print({}, 1, 2.5, nil, 'x', true)", "table 1 2.5 nil x true"},
        {"local t = {} for i = 1, 200 do t[i] = (i * 7919) % 211 end table.sort(t) local ok = true "
         "for i = 2, 200 do ok = ok and t[i - 1] <= t[i] end note(tostring(ok))",
         "true"},
        {"local t = { 3, 1, 2 } table.sort(t, function(a, b) return a > b end) "
         "note(table.concat(t))",
         "321"},
        {"local t = { 3, 1, 2 } table.sort(t, function() return true end) note(#t .. '')", "3"},
        {"note(('x'):rep(3) .. ('abc'):upper() .. #'abc')", "xxxABC3"},
        {"local n = 0 for _ in pairs(math) do n = n + 1 end note(tostring(n > 20))", "true"},
        {"counter = 1 counter = counter + 1 note(counter .. '')", "2"},
        {"note(tostring(select('#', pcall(error))))", "2"},
    };
    for (size_t i = 0; i < sizeof same / sizeof same[0]; i++) {
        clean(state);
        assert_notes(same[i].steps, same[i].notes);
    }
}

static double chance(void **state, uint64_t seed)
{
    clean(state);
    setup.seed = seed;
    assert_int_equal(run_steps("record('x', math.random())"), 0);
    return fake.note[0].value;
}

static void test_chance_comes_from_the_seed(void **state)
{
    double first = chance(state, 7);

    assert_near(chance(state, 7), first, 0);
    assert_true(chance(state, 8) != first);
}

static void test_modules_run_once_and_see_what_the_recipe_sees(void **state)
{
    (void)state;
    add_source("lib.lua", "lib", SOURCE_BESIDE,
               "count = (count or 0) + 1\nreturn { say = function(x) note(x) end }");

    /* reading a global that nobody set is an error: the module has to say so */
    assert_int_equal(run_steps("require('lib')"), TL_STEP);
    assert_has(error.text, "\"count\" is not known");
    assert_string_equal(error.file, "lib.lua");

    clean(state);
    add_source("lib.lua", "lib", SOURCE_BESIDE, "return { say = function(x) note(x) end }");
    assert_int_equal(run_steps("assert(require 'lib' == require 'lib') require('lib').say 'hi'"),
                     0);
    assert_note(NOTE_NOTE, "hi");
}

static void test_a_module_in_a_circle_is_told(void **state)
{
    (void)state;
    add_source("a.lua", "a", SOURCE_BESIDE, "return require 'b'");
    add_source("b.lua", "b", SOURCE_BESIDE, "return require 'a'");

    assert_int_equal(run_steps("require 'a'"), TL_STEP);

    assert_has(error.text, "requires itself");
}

static void test_an_error_in_a_module_names_the_module(void **state)
{
    (void)state;
    add_source("lib.lua", "lib", SOURCE_BESIDE, "return function()\n plate.ramp {} end");

    assert_int_equal(run_steps("require 'lib' ()"), TL_MISSING);

    assert_string_equal(error.file, "lib.lua");
    assert_int_equal(error.line, 2);
}

static void test_memory_ends_at_its_cap_whatever_pcall_it_stands_in(void **state)
{
    static const char *const eaters[] = {
        "local t = {} while true do t[#t + 1] = ('x'):rep(1000) .. #t end",
        "local s = 'x' while true do s = s .. s end",
        "while true do pcall(function() local s = 'x' while true do s = s .. s end end) end",
        "local s = ('x'):rep(1 << 30)",
        "local t while true do t = { t, table.concat { ('y'):rep(1 << 20), 'z' } } end",
        "local s = ('x'):rep(1 << 20) while true do s = s:gsub('x', 'xx') end",
    };
    for (size_t i = 0; i < sizeof eaters / sizeof eaters[0]; i++) {
        clean(state);
        int code = run_steps(eaters[i]);
        if (code != TL_KILLED)
            print_error("%s\n  %s\n", eaters[i], error.text);
        assert_int_equal(code, TL_KILLED);
        assert_has(error.text, "MiB of memory");
        assert_int_equal(error.line, 3);
    }
}

static void on_alarm(int signal)
{
    (void)signal;
    recipe_interrupt(recipe);
}

static void test_an_endless_recipe_is_interrupted_with_its_line(void **state)
{
    static const char *const loops[] = {
        "while true do end",
        "while true do pcall(function() while true do end end) end",
        "local function f() pcall(f) end while true do pcall(f) end",
        "table.sort({ 2, 1, 3 }, function() while true do end end)",
        "while true do plate.off() end",
        "goto again ::again:: goto again",
        "for _ in function() return 1 end do end",
    };
    signal(SIGALRM, on_alarm);
    for (size_t i = 0; i < sizeof loops / sizeof loops[0]; i++) {
        clean(state);
        ualarm(30000, 30000);
        int code = run_steps(loops[i]);
        ualarm(0, 0);
        if (i == 5 && code == TL_SYNTAX) /* a label behind its goto is the grammar's matter */
            continue;
        assert_int_equal(code, TL_KILLED);
        assert_has(error.text, "more than its CPU time");
        assert_int_equal(error.line, 3);
        assert_true(recipe_line(recipe) == 0 || recipe_line(recipe) == 3);
    }
}

static void test_a_primitive_that_waits_is_interrupted_at_once(void **state)
{
    (void)state;
    fake.interrupt_after = 100;

    assert_int_equal(run_steps("\nwait '1 h'"), TL_KILLED);

    assert_int_equal(error.line, 4);
    assert_int_equal(fake.exchanges, 100);
}

/* ---- reading sources ------------------------------------------------------------------------ */

static char folder[64], path[160];

static void make_file(const char *name, const char *text, size_t length)
{
    snprintf(path, sizeof path, "%s/%s", folder, name);
    int fd = open(path, O_CREAT | O_TRUNC | O_WRONLY, 0600);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, length), (ssize_t)length);
    close(fd);
}

static int new_folder(void **state)
{
    snprintf(folder, sizeof folder, "/tmp/test-recipe-XXXXXX");
    return mkdtemp(folder) && clean(state) == 0 ? 0 : -1;
}

static int drop_folder(void **state)
{
    (void)state;
    char command[96];
    snprintf(command, sizeof command, "rm -r %s", folder);
    source_free(&sources);
    return system(command);
}

static void test_a_text_that_hides_something_is_refused_with_its_line(void **state)
{
    (void)state;
    /* clang-format off */
    static const struct {
        const char *text;
        size_t length;
        int line;
        const char *says;
    } tricks[] = {
#define TRICK(text, line, says) { text, sizeof text - 1, line, says }
        TRICK("a\nb\0c", 2, "zero byte"),
        TRICK("a\n\n\xff", 3, "not UTF-8"),
        TRICK("caf\xe9\n", 1, "not UTF-8"),
        TRICK("\xc0\x80", 1, "not UTF-8"),                  /* overlong NUL */
        TRICK("\xe0\x80\xaf", 1, "not UTF-8"),              /* overlong slash */
        TRICK("\xed\xa0\x80", 1, "not UTF-8"),              /* half of a surrogate pair */
        TRICK("\xf4\x90\x80\x80", 1, "not UTF-8"),          /* beyond U+10FFFF */
        TRICK("\xe2\x80", 1, "not UTF-8"),                  /* cut */
        TRICK("a\n--\x1b[2Jx", 2, "control character"),
        TRICK("-- x\ry = 1\n", 1, "carriage return"),
        TRICK("a\x7f", 1, "control character"),
        TRICK("a\n\xe2\x80\xae", 2, "invisible"),           /* U+202E right-to-left override */
        TRICK("\xe2\x81\xa6", 1, "invisible"),              /* U+2066 */
        TRICK("pl\xe2\x80\x8b" "ate", 1, "invisible"),      /* U+200B zero width space */
        TRICK("\x1bLua\x54", 1, "compiled"),
        TRICK("# run me\n\x1bLua\x54", 1, "compiled"),
        TRICK("\xef\xbb\xbf\x1bLua\x54", 1, "compiled"),
    };
    /* clang-format on */
    for (size_t i = 0; i < sizeof tricks / sizeof tricks[0]; i++) {
        make_file("r.lua", tricks[i].text, tricks[i].length);
        assert_int_equal(source_load(&sources, path, NULL, NULL, &error), TL_SYNTAX);
        assert_has(error.text, tricks[i].says);
        assert_int_equal(error.line, tricks[i].line);
        assert_string_equal(error.file, path);
    }
}

static void test_ordinary_text_of_any_language_is_read(void **state)
{
    (void)state;
    static const char text[] =
        "\xef\xbb\xbf-- caf\xc3\xa9 \xe6\xb8\xa9\xe5\xba\xa6 \xf0\x9f\x94\xa5\r\nreturn 1\r\n";
    make_file("r.lua", text, sizeof text - 1);

    assert_int_equal(source_load(&sources, path, NULL, NULL, &error), 0);

    assert_int_equal(sources.count, 1);
    assert_memory_equal(sources.file[0].text, "-- caf", 6);
}

static void test_only_regular_files_within_bounds_are_read(void **state)
{
    (void)state;
    char fifo[96];
    snprintf(fifo, sizeof fifo, "%s/fifo.lua", folder);
    assert_int_equal(mkfifo(fifo, 0600), 0);

    assert_int_equal(source_load(&sources, fifo, NULL, NULL, &error), TL_FILE);
    assert_has(error.text, "not a regular file");
    assert_int_equal(source_load(&sources, folder, NULL, NULL, &error), TL_FILE);
    assert_int_equal(source_load(&sources, "/dev/zero", NULL, NULL, &error), TL_FILE);
    assert_int_equal(source_load(&sources, "no-such.lua", NULL, NULL, &error), TL_FILE);
    assert_has(error.text, "No such file");
    assert_int_equal(source_load(&sources, "", NULL, NULL, &error), TL_FILE);

    char *big = malloc(SOURCE_BYTES);
    memset(big, ' ', SOURCE_BYTES);
    make_file("big.lua", big, SOURCE_BYTES);
    free(big);
    assert_int_equal(source_load(&sources, path, NULL, NULL, &error), TL_FULL);
    assert_has(error.text, "1 MiB");
}

static void test_what_lies_beside_is_read_when_it_is_mentioned(void **state)
{
    (void)state;
    make_file("helper.lua", "return require 'second'", 23);
    make_file("second.lua", "return 2", 8);
    make_file("stranger.lua", "\x1b", 1); /* broken, and nobody's business */
    make_file("r.lua", "require 'helper'", 16);

    assert_int_equal(source_load(&sources, path, NULL, TEST_SOURCE, &error), 0);

    int beside = 0, boards = 0, shipped = 0;
    for (int i = 0; i < sources.count; i++) {
        beside += sources.file[i].from == SOURCE_BESIDE;
        boards += sources.file[i].from == SOURCE_BOARD;
        shipped += sources.file[i].from == SOURCE_SHIPPED;
    }
    assert_int_equal(beside, 2);
    assert_true(boards >= 2);
    assert_int_equal(shipped, 2);
    assert_non_null(source_find_shown(&sources, "hx210.lua"));
    assert_null(source_find_shown(&sources, "hx2.lua"));
}

/* ---- what is made from the table ------------------------------------------------------------ */

static const char *const primitive_names[] = {
    "stage",         "plate.ramp",    "plate.soak",   "plate.off",   "plate.temperature",
    "fan.on",        "fan.off",       "cool",         "sensor.read", "wait",
    "wait_until",    "wait_for_melt", "board.place",  "board.lift",  "board.press",
    "board.release", "hand_heat",     "supply.limit", "supply.on",   "supply.inject",
    "supply.off",    "supply.read",   "meter.read",   "beep",        "tell",
    "confirm",       "ask",           "number",       "note",        "record",
};

static char *written(void (*write_page)(FILE *out), size_t *length)
{
    char *text = NULL;
    FILE *out = open_memstream(&text, length);
    write_page(out);
    fclose(out);
    return text;
}

static void test_the_reference_page_is_what_the_table_says(void **state)
{
    (void)state;
    static char page[64 * 1024];
    size_t length;
    char *text = written(recipe_write_reference, &length);
    FILE *in = fopen(TEST_SOURCE "/docs/reference/lua.md", "r");
    assert_non_null(in);
    size_t read = fread(page, 1, sizeof page - 1, in);
    fclose(in);

    assert_int_equal(read, length);
    assert_memory_equal(page, text, length);
    size_t headings = 0;
    for (const char *at = page; (at = strstr(at, "\n### ")); at++)
        headings++;
    assert_int_equal(headings, sizeof primitive_names / sizeof primitive_names[0]);
    for (size_t i = 0; i < sizeof primitive_names / sizeof primitive_names[0]; i++) {
        char heading[64];
        snprintf(heading, sizeof heading, "### %s\n", primitive_names[i]);
        assert_has(page, heading);
    }
    free(text);
}

static void test_editors_and_linters_know_every_primitive(void **state)
{
    (void)state;
    size_t length;
    char *annotations = written(recipe_write_annotations, &length);
    char *names = written(recipe_write_lint_names, &length);

    for (size_t i = 0; i < sizeof primitive_names / sizeof primitive_names[0]; i++) {
        char line[64];
        const char *dot = strchr(primitive_names[i], '.');
        snprintf(line, sizeof line, "function %s(", primitive_names[i]);
        assert_has(annotations, line);
        snprintf(line, sizeof line, "\"%s\"", dot ? dot + 1 : primitive_names[i]);
        assert_has(names, line);
    }
    free(annotations);
    free(names);
}

static void write_help_of_ramp(FILE *out)
{
    recipe_write_help(out, "plate.ramp");
}

static void write_help_of_a_slip(FILE *out)
{
    recipe_write_help(out, "plate.rmap");
}

static void test_help_shows_one_primitive_and_guesses_a_slip(void **state)
{
    (void)state;
    size_t length;
    char *text = written(write_help_of_ramp, &length);
    assert_has(text, "plate.ramp { to, rate?, timeout, otherwise? }");
    assert_has(text, "a temperature such as \"170 C\"");
    free(text);

    text = written(write_help_of_a_slip, &length);
    assert_has(text, "did you mean \"plate.ramp\"?");
    free(text);
}

static void write_help_of_everything(FILE *out)
{
    recipe_write_help(out, NULL);
    for (const char *const *topic = recipe_topics(); *topic; topic++)
        recipe_write_help(out, *topic);
}

static void write_help_of_board(FILE *out)
{
    recipe_write_help(out, "board");
}

static void test_help_explains_what_is_no_primitive_within_100_columns(void **state)
{
    (void)state;
    size_t length;
    char *text = written(write_help_of_everything, &length);
    for (const char *line = text; *line; line += strcspn(line, "\n") + 1)
        if (strncmp(line, "example:", 8) != 0) /* stands as it would be written */
            assert_true(strcspn(line, "\n") <= 100);
    assert_has(text, "number(p.melt)");
    assert_has(text, "What the operator may set");
    assert_null(strstr(text, "there is no help"));
    free(text);

    text = written(write_help_of_board, &length);
    assert_has(text, "names the board file");
    assert_has(text, "board.press ");
    free(text);
}

#define TEST(name)      cmocka_unit_test_setup(name, clean)
#define FILE_TEST(name) cmocka_unit_test_setup_teardown(name, new_folder, drop_folder)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(test_a_mistake_in_the_header_names_line_and_remedy),
        TEST(test_a_mistake_in_a_step_names_line_and_remedy),
        TEST(test_a_mistake_in_a_board_file_names_line_and_remedy),
        TEST(test_a_header_is_read_without_running_the_steps),
        TEST(test_the_guard_is_told_what_the_header_says),
        TEST(test_the_guard_is_told_whether_the_meter_is_used),
        TEST(test_a_module_that_uses_the_meter_counts_too),
        TEST(test_a_param_reaches_the_steps_as_text_and_may_be_set_within_its_bounds),
        TEST(test_a_param_is_not_set_beyond_its_bounds_or_in_another_unit),
        TEST(test_what_must_be_measured_before_is_asked_first_and_recorded),
        TEST(test_the_same_is_asked_again_when_the_steps_are_done_and_all_is_off),
        TEST(test_who_does_not_measure_again_is_told_and_the_run_is_done),
        TEST(test_without_the_measurement_nothing_begins),
        TEST(test_the_shipped_boards_are_those_the_model_is_calibrated_with),
        TEST(test_a_ramp_goes_there_and_holds_until_it_is_told_otherwise),
        TEST(test_the_operator_nudges_within_the_limits_only),
        TEST(test_a_nudge_of_time_lengthens_one_soak_and_only_one),
        TEST(test_a_turn_says_how_long_is_waited_yet),
        TEST(test_a_wait_is_nudged_only_while_it_waits),
        TEST(test_a_nudge_of_time_does_not_lead_into_the_end_of_the_heat_time),
        TEST(test_a_timeout_fails_safe_and_tells_what_was_read),
        TEST(test_otherwise_says_what_happens_instead),
        TEST(test_no_pcall_holds_a_refused_limit_up),
        TEST(test_a_recipe_may_catch_its_own_errors),
        TEST(test_the_end_of_the_run_never_returns_to_the_recipe),
        TEST(test_heat_left_on_at_the_end_is_switched_off_and_told),
        TEST(test_a_plate_still_hot_when_the_board_is_measured_again_is_told),
        TEST(test_a_board_on_a_plate_that_has_cooled_is_measured_again_without_a_word),
        TEST(test_timeouts_past_the_heat_time_are_told),
        TEST(test_without_an_insert_nothing_heats),
        TEST(test_a_prompt_is_answered_by_number_and_its_hand_announced),
        TEST(test_a_no_to_do_this_fails_and_a_no_to_is_it_done_does_not),
        TEST(test_nobody_there_is_a_timeout),
        TEST(test_a_board_that_stays_cold_is_asked_about_once_with_heat_off),
        TEST(test_of_a_plate_set_by_hand_nobody_is_told_that_heat_is_off),
        TEST(test_time_spent_on_asking_is_no_part_of_a_step),
        TEST(test_a_board_that_does_not_lie_flat_ends_the_recipe),
        TEST(test_nobody_who_looks_at_the_board_ends_the_recipe),
        TEST(test_a_board_that_is_taken_later_is_asked_about_again),
        TEST(test_without_heat_or_under_hot_air_the_board_is_not_asked_about),
        TEST(test_an_answer_is_read_in_its_unit),
        TEST(test_an_answer_in_another_unit_is_asked_for_again),
        TEST(test_a_yes_where_nothing_is_suggested_is_asked_for_again),
        TEST(test_asking_again_does_not_take_longer_than_the_timeout),
        TEST(test_a_meter_reading_is_taken_with_its_unit),
        TEST(test_the_benchs_own_meter_is_read_while_its_probes_are_held),
        TEST(test_what_the_benchs_own_meter_does_not_tell_a_person_types),
        TEST(test_the_meter_gives_no_value_that_nobody_read),
        TEST(test_the_supply_comes_on_with_what_was_asked_and_reads_back),
        TEST(test_a_collapsed_rail_is_a_reading_not_a_failure),
        TEST(test_no_other_rail_is_fed_before_a_person_was_asked_for_the_leads),
        TEST(test_injection_ends_by_itself),
        TEST(test_cooling_waits_for_the_joint_and_the_fan_for_its_melt),
        TEST(test_melt_comes_from_the_estimate_and_says_so),
        TEST(test_a_plate_below_liquidus_is_never_taken_for_a_melt),
        TEST(test_an_unreadable_plate_is_not_a_melt_either),
        TEST(test_a_molten_joint_counts_no_more_once_the_sensor_is_lost),
        TEST(test_a_lift_before_the_melt_is_warned_of),
        TEST(test_hot_air_is_announced_and_ends_in_time),
        TEST(test_wait_until_asks_a_function_that_may_use_primitives),
        TEST(test_notes_without_end_wait_and_then_are_refused),
        TEST(test_a_loop_of_waits_ends_after_hours),
        TEST(test_a_name_that_is_not_there_is_told_before_anything_is_on),
        TEST(test_what_a_text_declares_or_only_says_is_no_slip),
        TEST(test_a_param_without_its_p_is_guessed),
        TEST(test_a_param_makes_a_number_to_reckon_with),
        TEST(test_a_bound_over_the_limit_is_warned_of),
        TEST(test_a_lift_that_nothing_can_tell_about_is_warned_of_or_refused),
        TEST(test_a_ramp_that_stands_still_is_not_told_to_take_more_time),
        TEST(test_a_plate_set_by_hand_that_stands_still_is_asked_about_its_knob),
        TEST(test_a_plate_that_does_not_cool_is_not_told_to_take_more_time),
        TEST(test_a_refused_header_is_located_at_its_own_line),
        TEST(test_help_explains_what_is_no_primitive_within_100_columns),
        TEST(test_what_a_recipe_must_not_reach_is_not_there),
        TEST(test_the_language_behaves_the_same_in_every_run),
        TEST(test_chance_comes_from_the_seed),
        TEST(test_modules_run_once_and_see_what_the_recipe_sees),
        TEST(test_a_module_in_a_circle_is_told),
        TEST(test_an_error_in_a_module_names_the_module),
        TEST(test_memory_ends_at_its_cap_whatever_pcall_it_stands_in),
        TEST(test_an_endless_recipe_is_interrupted_with_its_line),
        TEST(test_a_primitive_that_waits_is_interrupted_at_once),
        FILE_TEST(test_a_text_that_hides_something_is_refused_with_its_line),
        FILE_TEST(test_ordinary_text_of_any_language_is_read),
        FILE_TEST(test_only_regular_files_within_bounds_are_read),
        FILE_TEST(test_what_lies_beside_is_read_when_it_is_mentioned),
        TEST(test_the_reference_page_is_what_the_table_says),
        TEST(test_editors_and_linters_know_every_primitive),
        TEST(test_help_shows_one_primitive_and_guesses_a_slip),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
