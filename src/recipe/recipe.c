/* SPDX-License-Identifier: MIT */
#include "recipe_private.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/bytes.h"

/* Present only in builds with the leak checker: a recipe's state is left for good on purpose. */
extern void __lsan_ignore_object(const void *block) __attribute__((weak));

/* ---- leaving -------------------------------------------------------------------------------- */

void recipe_leave(struct recipe *recipe)
{
    longjmp(recipe->leave, 1);
}

static const struct source_file *file_of_chunk(const struct recipe *recipe, const char *chunk)
{
    char name[64];
    for (int i = 0; i < recipe->sources->count; i++)
        if (strcmp(source_chunk(&recipe->sources->file[i], name, sizeof name), chunk) == 0)
            return &recipe->sources->file[i];
    return NULL;
}

/* The innermost function that is Lua: the line of the recipe or module that is at work. */
void recipe_locate(struct recipe *recipe, struct tl_error *error)
{
    lua_Debug at;
    for (int level = 0; lua_getstack(recipe->lua, level, &at); level++) {
        if (!lua_getinfo(recipe->lua, "Sl", &at) || at.currentline <= 0)
            continue;
        const struct source_file *file = file_of_chunk(recipe, at.source);
        tl_error_at(error, file ? file->name : at.short_src, at.currentline);
        return;
    }
}

void recipe_fail_with(struct recipe *recipe, const struct tl_error *error)
{
    recipe->error = *error;
    recipe_locate(recipe, &recipe->error);
    recipe_leave(recipe);
}

static void error_set_list(struct tl_error *error, enum tl_err code, const char *format,
                           va_list list) __attribute__((format(printf, 3, 0)));

static void error_set_list(struct tl_error *error, enum tl_err code, const char *format,
                           va_list list)
{
    char text[sizeof error->text];
    vsnprintf(text, sizeof text, format, list);
    tl_error_set(error, code, "%s", text);
}

void recipe_fail(struct recipe *recipe, enum tl_err code, const char *token, const char *format,
                 ...)
{
    struct tl_error error;
    va_list list;
    va_start(list, format);
    error_set_list(&error, code, format, list);
    va_end(list);
    if (token)
        tl_error_token(&error, token);
    recipe_fail_with(recipe, &error);
}

void recipe_fail_at(struct recipe *recipe, struct place place, const struct tl_error *error)
{
    recipe->error = *error;
    if (place.file)
        tl_error_at(&recipe->error, place.file->name, place_line(place));
    recipe_leave(recipe);
}

void place_fail(struct recipe *recipe, struct place place, enum tl_err code, const char *token,
                const char *format, ...)
{
    struct tl_error error;
    va_list list;
    va_start(list, format);
    error_set_list(&error, code, format, list);
    va_end(list);
    if (token)
        tl_error_token(&error, token);
    recipe_fail_at(recipe, place, &error);
}

void recipe_warn(struct recipe *recipe, const char *format, ...)
{
    struct recipe_tally *tally = recipe->tally;
    if (tally->warning_count == RUN_WARNINGS)
        return;
    va_list list;
    va_start(list, format);
    vsnprintf(tally->warning[tally->warning_count++], BENCH_TEXT, format, list);
    va_end(list);
}

/* Run `body` so that recipe_leave comes back here. */
static int guarded(struct recipe *recipe, void (*body)(struct recipe *recipe))
{
    recipe->error = (struct tl_error){0};
    if (setjmp(recipe->leave) == 0) {
        recipe->inside = 1;
        body(recipe);
    }
    recipe->inside = 0;
    return recipe->error.code;
}

/* ---- Lua's own errors ----------------------------------------------------------------------- */

/* "name:12: text": take the place off the front. */
static const char *split_place(struct recipe *recipe, const char *text, struct tl_error *error)
{
    char name[64];
    for (int i = 0; i < recipe->sources->count; i++) {
        const struct source_file *file = &recipe->sources->file[i];
        size_t length = strlen(source_chunk(file, name, sizeof name)) - 1;
        if (strncmp(text, name + 1, length) != 0 || text[length] != ':')
            continue;
        char *end;
        long line = strtol(text + length + 1, &end, 10);
        if (end == text + length + 1 || *end != ':' || line <= 0 || line > 10000000)
            continue;
        tl_error_at(error, file->name, (int)line);
        return end[1] == ' ' ? end + 2 : end + 1;
    }
    return text;
}

/* The first quoted word of a message is what it is about. */
static void find_token(struct tl_error *error)
{
    const char *start = strpbrk(error->text, "\"'");
    const char *end = start ? strchr(start + 1, *start) : NULL;
    char token[sizeof error->token];
    if (!end || end == start + 1 || (size_t)(end - start) >= sizeof token || start[1] == '<')
        return;
    snprintf(token, sizeof token, "%.*s", (int)(end - start - 1), start + 1);
    tl_error_token(error, token);
}

/* What follows "near" in a message of Lua's grammar: the token where it lost its way. False when there is none. */
static bool token_near(struct tl_error *error)
{
    const char *near = strstr(error->text, " near '");
    size_t length = strlen(error->text);
    char token[sizeof error->token];
    if (!near || error->text[length - 1] != '\'' || error->text + length - 1 <= near + 7)
        return false;
    bytes_copy_text(token, sizeof token, near + 7);
    if (strlen(token) == strlen(near + 7))
        token[strlen(token) - 1] = '\0'; /* the closing quote */
    tl_error_token(error, token);
    return true;
}

/* `text; did you mean "x"?` -> the question becomes the hint. */
static void split_hint(struct tl_error *error)
{
    char *question = strstr(error->text, "; did you mean ");
    if (!question)
        return;
    tl_error_hint(error, "%s", question + 2);
    *question = '\0';
}

static const struct explained {
    const char *part, *hint;
} explained[] = {
    {"unfinished string", "close the text with the same quote on the same line"},
    {"attempt to perform arithmetic on a string",
     "a quantity is text: number(\"172 C\") makes a plain number of it, in C, s, V, A or ohm"},
    {"attempt to compare string with number",
     "a quantity is text: number(\"172 C\") makes a plain number of it, in C, s, V, A or ohm"},
    {"attempt to compare number with string",
     "a quantity is text: number(\"172 C\") makes a plain number of it, in C, s, V, A or ohm"},
    {"a function value", "it is called with (): plate.temperature() > 100"},
    {"compare number with function", "it is called with (): plate.temperature() > 100"},
    {"compare function with number", "it is called with (): plate.temperature() > 100"},
    {"a nil value", "no value was ever given to it: is its name spelled alike everywhere?"},
    {"compare nil with", "no value was ever given to it: is its name spelled alike everywhere?"},
    {"compare number with nil",
     "no value was ever given to it: is its name spelled alike everywhere?"},
    {"stack overflow", "a function calls itself without end"},
    {"\"p\" is not known",
     "the steps get the params as their argument: steps = function(p) ... end"},
};

static void explain(struct tl_error *error)
{
    for (int i = 0; i < COUNT(explained); i++)
        if (strstr(error->text, explained[i].part))
            tl_error_hint(error, "%s", explained[i].hint);
}

/* `plate { ... }`: a group is no function. The recipe's own `board` in a board file is one. */
static void explain_group(const struct recipe *recipe, struct tl_error *error)
{
    if (!strstr(error->text, "attempt to call a table value (global '"))
        return;
    if (!recipe->running && strcmp(error->token, "board") == 0) {
        tl_error_hint(error, "this is a board file: a recipe names it with board = \"...\"");
        return;
    }
    for (int i = 0; i < primitive_count; i++)
        if (primitive_opens_group(i) && primitive_group(i) == strlen(error->token) &&
            strncmp(primitives[i].name, error->token, primitive_group(i)) == 0)
            tl_error_hint(error, "%s is called with a name behind it, such as %s", error->token,
                          primitives[i].name);
}

/* Did the script call error or assert? Those of a shipped module are about how it was called. */
static bool is_raised(const struct recipe *recipe)
{
    lua_Debug at;
    if (!lua_getstack(recipe->lua, 1, &at) || !lua_getinfo(recipe->lua, "n", &at) || !at.name ||
        (strcmp(at.name, "error") != 0 && strcmp(at.name, "assert") != 0))
        return false;
    if (!lua_getstack(recipe->lua, 2, &at) || !lua_getinfo(recipe->lua, "S", &at))
        return false;
    const struct source_file *file = file_of_chunk(recipe, at.source);
    return file && file->from != SOURCE_SHIPPED;
}

/* The message handler: while the stack still stands, note where the error was raised. */
static int note_error(lua_State *lua)
{
    struct recipe *recipe = recipe_of(lua);
    struct tl_error *error = &recipe->error;
    if (recipe->running)
        recipe->tally->raised = is_raised(recipe);
    if (lua_type(lua, 1) != LUA_TSTRING) {
        /* turning it into text could run the script's own code */
        tl_error_set(error, TL_STEP, "an error value that is a %s was raised",
                     luaL_typename(lua, 1));
        recipe_locate(recipe, error);
        return 0;
    }
    struct tl_error place = {0};
    const char *text = split_place(recipe, lua_tostring(lua, 1), &place);
    tl_error_set(error, TL_STEP, "%s", text);
    recipe_locate(recipe, error);
    if (place.line > 0)
        tl_error_at(error, place.file, place.line);
    find_token(error);
    split_hint(error);
    explain(error);
    explain_group(recipe, error);
    return 0;
}

void recipe_fail_lua(struct recipe *recipe, struct place place, enum tl_err code, const char *text)
{
    tl_error_set(&recipe->error, code, "%s", text);
    tl_error_at(&recipe->error, place.file->name, place_line(place));
    find_token(&recipe->error);
    split_hint(&recipe->error);
    explain(&recipe->error);
    recipe_leave(recipe);
}

void recipe_call(struct recipe *recipe, int arguments, int results)
{
    lua_State *lua = recipe->lua;
    int handler = lua_gettop(lua) - arguments;
    lua_pushcfunction(lua, note_error);
    lua_insert(lua, handler);
    if (lua_pcall(lua, arguments, results, handler) != LUA_OK) {
        if (recipe->error.code == TL_OK)
            tl_error_set(&recipe->error, TL_STEP, "an error was raised while another was handled");
        if (!recipe->running)
            recipe->error.code = TL_SYNTAX;
        recipe_leave(recipe);
    }
    lua_remove(lua, handler);
}

/* ---- opening -------------------------------------------------------------------------------- */

static int load_protected(lua_State *lua)
{
    const struct source_file *file = lua_touserdata(lua, 2);
    lua_settop(lua, 1); /* the environment */
    sandbox_load(recipe_of(lua), file);
    return 1;
}

/* Leave the compiled file on the stack. A syntax error has its place in its text only. */
static void push_chunk(struct recipe *recipe, const struct source_file *file)
{
    lua_State *lua = recipe->lua;
    lua_pushcfunction(lua, load_protected);
    lua_insert(lua, -2);
    lua_pushlightuserdata(lua, (void *)(uintptr_t)file);
    if (lua_pcall(lua, 2, 1, 0) == LUA_OK)
        return;
    struct tl_error place = {0};
    const char *text = lua_tostring(lua, -1);
    text = split_place(recipe, text ? text : "it cannot be read", &place);
    tl_error_set(&recipe->error, TL_SYNTAX, "%s", text);
    tl_error_at(&recipe->error, place.line > 0 ? place.file : file->name, place.line);
    if (!token_near(&recipe->error))
        find_token(&recipe->error);
    explain(&recipe->error);
    grammar_explain(file, &recipe->error);
    recipe_leave(recipe);
}

void sandbox_run(struct recipe *recipe, const struct source_file *file)
{
    push_chunk(recipe, file);
    recipe_call(recipe, 0, 1);
}

static const struct source_file *the_recipe(const struct recipe *recipe)
{
    for (int i = 0; i < recipe->sources->count; i++)
        if (recipe->sources->file[i].from == SOURCE_RECIPE)
            return &recipe->sources->file[i];
    return NULL;
}

static void open_body(struct recipe *recipe)
{
    const struct source_file *file = the_recipe(recipe);
    if (!file) {
        tl_error_set(&recipe->error, TL_FILE, "there is no recipe to read");
        recipe_leave(recipe);
    }
    if (sandbox_open(recipe) != 0) {
        tl_error_set(&recipe->error, TL_SYSTEM, "the Lua state cannot be made");
        recipe_leave(recipe);
    }
    sandbox_push_recipe_env(recipe);
    sandbox_run(recipe, file);
    look_for_twice(recipe, file);
    if (!recipe->header_read) {
        tl_error_set(&recipe->error, TL_MISSING,
                     "the file does not call \"recipe\": it is no recipe");
        tl_error_at(&recipe->error, file->name, 1);
        tl_error_hint(&recipe->error,
                      "a recipe ends with: return recipe { api = 1, title = \"...\", "
                      "board = \"...\", steps = function(p) ... end }");
        recipe_leave(recipe);
    }
    header_apply_sets(recipe);
    board_load(recipe);
    header_check_board(recipe);
}

int recipe_open(struct recipe **out, const struct recipe_setup *setup, struct tl_error *error)
{
    struct recipe *recipe = calloc(1, sizeof *recipe);
    if (!recipe)
        return tl_error_set(error, TL_SYSTEM, "out of memory");
    if (__lsan_ignore_object)
        __lsan_ignore_object(recipe);
    recipe->sources = setup->sources;
    recipe->setup = *setup;
    *out = recipe; /* at once: a signal handler may ask for its line */
    int code = guarded(recipe, open_body);
    if (code != 0) {
        *error = recipe->error;
        *out = NULL;
    }
    return code;
}

const struct recipe_header *recipe_header(const struct recipe *recipe)
{
    return &recipe->header;
}

const struct board *recipe_board(const struct recipe *recipe)
{
    return &recipe->board;
}

/* ---- running -------------------------------------------------------------------------------- */

static void begin_estimate(struct recipe *recipe)
{
    const struct recipe_host *host = recipe->host;
    if (!host->plate || !host->insert || recipe->header.insert[0] == '\0')
        return;
    struct tl_error error;
    if (estimate_init(&recipe->estimate, host->plate, host->insert, &recipe->board, host->room_c,
                      &error) != 0)
        recipe_fail_with(recipe, &error);
    recipe->estimating = true;
}

/* A plate above it is too hot for a meter's tips and a steady hand. */
enum { PROBE_MOST_MC = 50000 };

static void warn_at_end(struct recipe *recipe)
{
    const struct wire_snapshot *s = &recipe->snapshot;
    if (recipe->turn.heat)
        recipe_warn(
            recipe,
            "the steps end with the plate still wanted at %.0f C; it is switched off for them",
            recipe->target_c);
    if (recipe->turn.supply_on)
        recipe_warn(recipe, "the steps end with the supply still on; it is switched off for them");
    if (recipe->header.before_count > 0 && s->plate_quality == QUALITY_GOOD &&
        s->plate_mc > PROBE_MOST_MC)
        recipe_warn(recipe, "the steps end with the plate above 50 C, and at once what stands "
                            "under before is measured again; end them with cool");
}

static void warn_of_heat_time(struct recipe *recipe)
{
    double limit_s = recipe->host->limits->heat_time_ms / 1000.0;
    double worst_s = recipe->tally->worst_case_heat_s;
    char worst[32], limit[32];
    if (worst_s > limit_s)
        recipe_warn(recipe,
                    "the timeouts add up to %s of heat; the limit is %s (ceiling.heat_time)",
                    quantity_print(worst_s, UNIT_TIME, worst, sizeof worst),
                    quantity_print(limit_s, UNIT_TIME, limit, sizeof limit));
}

/* What the record is to hold of the work, and what its joints are made of. */
static void tell_job(struct recipe *recipe)
{
    const struct board *board = &recipe->board;
    for (int i = 0; i < board->joint_count; i++) {
        const struct board_joint *joint = &board->joint[i];
        char text[BENCH_TEXT];
        snprintf(text, sizeof text, "%.1f %.1f %s %s", joint->alloy.solidus_c,
                 joint->alloy.liquidus_c, joint->alloy.name, joint->name);
        exchange_note(recipe, NOTE_JOB, "joint", 0, text);
    }
    for (int i = 0; i < recipe->setup.job_count; i++) {
        const struct recipe_job *job = &recipe->setup.job[i];
        exchange_note(recipe, NOTE_JOB, job->name, job->value, job->text);
    }
}

static void all_off(struct recipe *recipe)
{
    uint32_t stage = recipe->turn.stage, beeps = recipe->turn.beeps;
    if (recipe->air && recipe->host->hand)
        recipe->host->hand(recipe->host->context, HAND_HEAT, recipe->air_part, 0);
    recipe->air = false;
    recipe->turn = (struct wire_turn){.stage = stage, .beeps = beeps};
}

static void run_body(struct recipe *recipe)
{
    look_for_unknown(recipe);
    header_warn_of_params(recipe);
    begin_estimate(recipe);
    tell_job(recipe);
    exchange(recipe); /* everything off: what does the bench read? */
    measure_before(recipe);
    lua_State *lua = recipe->lua;
    lua_rawgeti(lua, LUA_REGISTRYINDEX, recipe->steps);
    header_push_params(recipe);
    recipe_call(recipe, 1, 0);
    warn_at_end(recipe);
    all_off(recipe);
    measure_after(recipe);
}

static void end_body(struct recipe *recipe)
{
    all_off(recipe);
    exchange(recipe);
}

int recipe_run(struct recipe *recipe, const struct recipe_host *host, struct recipe_tally *tally,
               struct tl_error *error)
{
    *tally = (struct recipe_tally){0};
    recipe->host = host;
    recipe->tally = tally;
    recipe->running = true;
    int code = guarded(recipe, run_body);
    *error = recipe->error;
    if (code != TL_ENDED && code != TL_KILLED)
        guarded(recipe, end_body); /* over or not: the last turn wants nothing */
    warn_of_heat_time(recipe);
    recipe->running = false;
    return code;
}

/* ---- from a signal handler ------------------------------------------------------------------ */

/* The line that called the C function at work, 0 when Lua itself is. A long C call (a pattern, a
 * repetition) never comes back to a hook, but while it lasts the Lua stack below it stands still, so that
 * reading it is safe here. */
static int line_below_c(lua_State *lua)
{
    lua_Debug at;
    if (!lua || !lua_getstack(lua, 0, &at) || !lua_getinfo(lua, "S", &at) || at.what[0] != 'C')
        return 0;
    for (int level = 1; lua_getstack(lua, level, &at); level++)
        if (lua_getinfo(lua, "l", &at) && at.currentline > 0)
            return at.currentline;
    return 0;
}

int recipe_line(const struct recipe *recipe)
{
    int line = recipe ? line_below_c(recipe->lua) : 0;
    return line > 0 || !recipe ? line : (int)recipe->line;
}

static void interrupt_hook(lua_State *lua, lua_Debug *at)
{
    (void)at;
    struct recipe *recipe = recipe_of(lua);
    recipe_fail(recipe, TL_KILLED, NULL,
                "ran for more than its CPU time without coming to an end; it was here");
}

/* As the plain interpreter does at an interrupt: setting a hook is the one thing that is safe here. */
void recipe_interrupt(struct recipe *recipe)
{
    if (!recipe)
        return;
    recipe->interrupted = 1;
    if (recipe->lua)
        lua_sethook(recipe->lua, interrupt_hook,
                    LUA_MASKCALL | LUA_MASKRET | LUA_MASKLINE | LUA_MASKCOUNT, 1);
}

void recipe_abandon(struct recipe *recipe)
{
    /* A script that has been left still looks as if it stood in a call: there is nowhere to leave it for. */
    if (recipe && recipe->inside && line_below_c(recipe->lua) > 0)
        recipe_fail(recipe, TL_KILLED, NULL,
                    "one library call ran for more than the recipe's CPU time; it was here");
}
