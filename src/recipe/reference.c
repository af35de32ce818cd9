/* SPDX-License-Identifier: MIT */
/* What people and editors read about the primitives, made from their table. */
#include "recipe_private.h"

#include <string.h>

enum {
    LIST_COLUMNS = 79 - 19 - 4,
    HELP_COLUMNS = 79
}; /* a name goes before a line of the list, " ..." behind it */

/* " plate board ..." and " `plate` `board` ..." */
#define CEILING(field, key, unit, scale, ceiling)        " " key
#define QUOTED_CEILING(field, key, unit, scale, ceiling) " `" key "`"
#define CEILINGS                                         LIMIT_LIST(CEILING)
#define QUOTED_CEILINGS                                  LIMIT_LIST(QUOTED_CEILING)

/* `plate.ramp { to, rate?, timeout, otherwise? }` */
static void write_synopsis(FILE *out, const struct primitive *primitive)
{
    if (primitive->row_count == 0) {
        fprintf(out, "%s()", primitive->name);
        return;
    }
    fprintf(out, "%s { ", primitive->name);
    for (int i = 0; i < primitive->row_count; i++)
        fprintf(out, "%s%s%s", i ? ", " : "", primitive->rows[i].name,
                primitive->rows[i].required ? "" : "?");
    fprintf(out, " }");
}

/* ---- help ----------------------------------------------------------------------------------- */

/* A text that begins `column` columns into its line; what does not fit goes on `indent` columns in. */
static void write_wrapped(FILE *out, const char *text, size_t column, size_t indent)
{
    while (*text) {
        size_t length = strcspn(text, " \n");
        if (column > indent && column + 1 + length > HELP_COLUMNS) {
            fprintf(out, "\n%*s", (int)indent, "");
            column = indent;
        } else if (column > indent) {
            fprintf(out, " ");
            column++;
        }
        fprintf(out, "%.*s", (int)length, text);
        column += length;
        text += length;
        if (*text == '\n') {
            fprintf(out, "\n%*s", (int)indent, "");
            column = indent;
        }
        text += *text != '\0';
    }
    fprintf(out, "\n");
}

static void write_argument(FILE *out, const struct row *row)
{
    enum { INDENT = 13 };
    char text[512], expected[128];
    row_expects(row, expected, sizeof expected);
    snprintf(text, sizeof text, "%s: %s%s%s%s%s", expected, row->help,
             row->fallback ? " (default " : "", row->fallback ? row->fallback : "",
             row->fallback ? ")" : "", row->required ? "" : " [optional]");
    fprintf(out, "  %-11s", row->name);
    write_wrapped(out, text, INDENT, INDENT);
}

static void write_one(FILE *out, const struct primitive *primitive)
{
    write_synopsis(out, primitive);
    fprintf(out, "\n\n");
    write_wrapped(out, primitive->effect, 0, 0);
    if (primitive->row_count)
        fprintf(out, "\n");
    for (int i = 0; i < primitive->row_count; i++)
        write_argument(out, &primitive->rows[i]);
    if (primitive->returns) {
        fprintf(out, "\nreturns");
        write_wrapped(out, primitive->returns, 7, 2);
    }
    if (primitive->limits) {
        fprintf(out, "\n");
        write_wrapped(out, primitive->limits, 0, 0);
    }
    fprintf(out, "\nexample: %s\n", primitive->example);
}

/* What is no primitive and yet asked for. */
static const struct topic {
    const char *name, *text;
} topics[] = {
    {"units", "A quantity is text with a unit: \"170 C\" \"338 F\" \"5 K\" \"1.5 C/s\" \"90 s\" "
              "\"2 min\" \"1 h\" "
              "\"0.8 V\" \"850 mA\" \"0.4 ohm\" \"45 kohm\" \"600 W\" \"0.8 mm\" \"12 g\" \"60 "
              "%\". What is read back is "
              "a plain number in C, s, V, A or ohm. number(p.melt) makes such a number of a text; "
              "(\"%g C\"):format(x) makes a text of it."},
    {"header", "What stands in recipe { ... }. Needed: api = 1, title, board, steps = function(p) "
               "... end. As the "
               "work asks for: insert, params, before, rails, ceiling, park. It is read without "
               "running the steps."},
    {"params", "What the operator may set, in the header:\n"
               "params = { melt = { \"172 C\", min = \"165 C\", max = \"180 C\", help = \"plate at "
               "the melt\" } }\n"
               "--set melt=175C sets it within its bounds. The steps get the params as texts: to = "
               "p.melt. To "
               "reckon with one: number(p.melt) - 20 is a plain number, (\"%g "
               "C\"):format(number(p.melt) - 20) a "
               "quantity again."},
    {"before",
     "A list in the header: before = { \"battery\", \"battery diode\", \"battery idle\" }. "
     "A person measures a rail's ohms against ground, its diode value, what the board "
     "draws through it before it is switched on; and all of it again when the steps are "
     "done and everything is off. The record holds both. Without the first no step "
     "begins; the second may be answered with no."},
    {"rails", "A list in the header: rails = { \"battery\" } names the rails of the board that the "
              "recipe may "
              "feed. Without it the supply stays off."},
    {"ceiling", "Limits of the recipe's own, in the header; they only tighten those of program, "
                "bench and board:\n"
                "ceiling = { plate = \"190 C\", ramp = \"2 C/s\", heat_time = \"15 min\" }\n"
                "Keys:" CEILINGS "."},
    {"insert", "insert = \"frame-60x40\" in the header: the shaped block that must lie on the "
               "plate, by its name in "
               "the bench file. Without one the recipe cannot heat."},
    {"version",
     "version = 1 in the header: counts up with each that is given away; `tinlatch pack` needs "
     "it, and a bench that had a newer one takes no older."},
    {"joint",
     "A joint is a name of the board file's `joints`: solder that melts as one thing, such as "
     "\"frame\", with its alloy. wait_for_melt { joint = \"frame\" } waits until the live "
     "estimate has all of it molten, cool { joint = \"frame\" } until it is solid. "
     "docs/reference/board-file.md has the keys."},
    {"melt",
     "Nobody sees solder melt between two boards: the live estimate computes it from plate and "
     "board sensor, likely and between two bounds, and wait_for_melt goes by the late one. A "
     "person nudges the part before it is lifted. Melting is sudden in temperature, not in time: "
     "far places of a frame melt a minute after near ones."},
    {"keys",
     "In a run: Enter, space or y says yes, n says no; s, q, Esc, Tab or Ctrl-C stops; p parks, "
     "and "
     "goes on again; + and - move the target by 2 C, > and < the soak by 30 s; l leaves while it "
     "cools. A key in a question's first second answers nothing, a stop counts at any time. "
     "docs/reference/live-view.md has them all."},
    {"prompts",
     "What a run asks: first the guard's own questions (cell out, extraction on, thermocouple "
     "seated, plate empty), then the recipe's, by board.place and its like, confirm and ask. "
     "One key answers one prompt. In a rehearsal a simulated person answers: see `tinlatch "
     "help answers`."},
    {"answers",
     "--answers FILE: a line per prompt, in their order: yes, no, stop, a number such as 0.42 or "
     "\"45 kohm\", or a text in quotes; behind it may stand: after 5 s. When the lines are over "
     "everything is answered with yes. `tinlatch rehearse --help` has the option."},
    {"exit",
     "Exit status: 0 done; 1 failed, a step's error or timeout; 2 invalid, usage or a bad file; 3 "
     "tripped, an interlock rule; 4 refused, over a limit, a latched trip, a pack that is not "
     "trusted; 5 device, an instrument missing or wrong; 6 stopped, by the operator."},
    {"park",
     "park = \"110 C\" in the header: where heat falls to while the operator parks a run (key p), "
     "for ten minutes at most. Without it heat goes off."},
    {"parked",
     "A run that its operator parked (key p): heat falls to the header's `park` temperature, the "
     "recipe's timers stand still, nothing is answered but a stop. p goes on. See `tinlatch help "
     "park`."},
    {"board",
     "board = \"hx210\" in the header names the board file, without .lua: looked for in boards/ "
     "beside "
     "the recipe, then among those shipped. In the steps, board.place, board.lift, board.press and "
     "board.release say what a person does with it."},
    {"timeout", "timeout = \"2 min\" in a call: how long it waits at most for what may not happen, "
                "a temperature, a "
                "reading or a person. Leaving it out is an error. What happens then: see "
                "otherwise. wait, plate.soak "
                "and supply.inject end by themselves and take none."},
    {"otherwise",
     "otherwise = function() ... end in a call says what happens when it does not get what it "
     "waits "
     "for; what it returns is what the call returns. Without it the recipe fails, everything off."},
    {"require",
     "local profile = require \"profile\" takes profile.lua from beside the recipe or from those "
     "shipped (alloys, profile). A module is a Lua file that returns something; it runs once."},
    {"profile",
     "A shipped module: ramps and soaks as a list.\n"
     "local profile = require \"profile\"\n"
     "profile.run { { stage = \"Preheat\", to = \"120 C\", rate = \"1.5 C/s\", hold = \"45 s\", "
     "timeout = \"3 min\" } }"},
    {"alloys", "A shipped module: solder alloys with solidus, liquidus and the rest, as board "
               "files name them; "
               "lua/alloys.lua lists them with their sources."},
};

/* As much of a text as fits a line: to its first stop, or to a whole word. */
static size_t first_thought(const char *text)
{
    size_t length = 0, word = 0;
    while (text[length] && length < LIST_COLUMNS) {
        if (strchr(".:;", text[length]) && (text[length + 1] == ' ' || !text[length + 1]))
            return length;
        if (text[length] == ' ')
            word = length;
        length++;
    }
    return text[length] ? word : length;
}

static void write_line(FILE *out, int i)
{
    const char *effect = primitives[i].effect;
    size_t length = first_thought(effect);
    fprintf(out, "%-18s %.*s%s\n", primitives[i].name, (int)length, effect,
            effect[length] == ' ' ? " ..." : "");
}

static void write_group(FILE *out, int first)
{
    for (int i = first; i < primitive_count; i++)
        if (primitive_in_group(i, first))
            write_line(out, i);
}

static void write_list(FILE *out)
{
    for (int i = 0; i < primitive_count; i++)
        write_line(out, i);
    fprintf(out, "\nand:");
    char words[256] = "";
    for (int i = 0; i < COUNT(topics); i++)
        snprintf(words + strlen(words), sizeof words - strlen(words), "%s%s", i ? " " : "",
                 topics[i].name);
    write_wrapped(out, words, 4, 2);
}

const char *const *recipe_topics(void)
{
    enum { MOST = 128 };
    static const char *names[MOST + 1];
    int count = 0;
    for (int i = 0; i < primitive_count && count < MOST; i++)
        names[count++] = primitives[i].name;
    for (int i = 0; i < COUNT(topics) && count < MOST; i++)
        names[count++] = topics[i].name;
    for (int i = 0; i < primitive_count && count < MOST; i++)
        if (primitive_opens_group(i)) {
            static char groups[MOST][BENCH_NAME];
            snprintf(groups[i], BENCH_NAME, "%.*s", (int)primitive_group(i), primitives[i].name);
            names[count++] = groups[i];
        }
    names[count] = NULL;
    return names;
}

/* A topic's text, the members of a group, or both. */
static bool write_topic(FILE *out, const char *name)
{
    bool found = false;
    for (int i = 0; i < COUNT(topics); i++)
        if (strcmp(topics[i].name, name) == 0) {
            write_wrapped(out, topics[i].text, 0, 0);
            found = true;
        }
    for (int i = 0; i < primitive_count; i++)
        if (primitive_opens_group(i) && primitive_group(i) == strlen(name) &&
            strncmp(primitives[i].name, name, strlen(name)) == 0) {
            if (found)
                fprintf(out, "\n");
            write_group(out, i);
            found = true;
        }
    return found;
}

void recipe_write_help(FILE *out, const char *name)
{
    if (!name) {
        write_list(out);
        return;
    }
    for (int i = 0; i < primitive_count; i++)
        if (strcmp(primitives[i].name, name) == 0) {
            write_one(out, &primitives[i]);
            return;
        }
    if (write_topic(out, name))
        return;
    const char *near = tl_nearest(name, recipe_topics());
    fprintf(out, "there is no help on \"%s\"", name);
    if (near)
        fprintf(out, "; did you mean \"%s\"?", near);
    fprintf(out, "\n");
}

/* ---- the reference page --------------------------------------------------------------------- */

static const char page_head[] =
    "# The recipe language\n\n"
    "<!-- Made from the table in src/recipe/primitives.c; do not edit. -->\n\n"
    "Lua 5.4, text only. A recipe returns a header with its steps; the header is read without "
    "running\n"
    "them. [How to write a recipe](../how-to/write-a-recipe.md) goes through one from start to "
    "end;\n"
    "[the board file](board-file.md) has a page of its own.\n\n"
    "- A quantity is text with a unit: `\"170 C\"`, `\"338 F\"`, `\"90 s\"`, `\"2 min\"`, `\"0.8 "
    "V\"`, `\"850 mA\"`,\n"
    "  `\"1.5 C/s\"`. What is read back is a plain number in C, s, V, A or ohm.\n"
    "- Every wait for what may not happen (a temperature, a reading, a person) has a timeout. "
    "`otherwise =\n"
    "  function` says what happens then; without it the recipe fails, everything off. `wait`, "
    "`plate.soak` and\n"
    "  `supply.inject` last as long as they say and take none.\n"
    "- The params reach the steps as texts. `number(p.melt)` makes a plain number of one to reckon "
    "with;\n"
    "  `(\"%g C\"):format(x)` makes a quantity again.\n"
    "- Arguments go by name in a table. Those marked with a place may stand first without their "
    "name:\n"
    "  `wait \"10 s\"`, `record(\"rail\", 3.2)`.\n"
    "- A mistake in a call, a refused limit, a timeout and a stop end the recipe at once; no "
    "`pcall` holds\n"
    "  that up. What `error` and Lua itself raise can be caught as usual.\n\n"
    "## What else is there\n\n"
    "`assert error ipairs next pairs pcall print require select tonumber tostring type xpcall` and "
    "the\n"
    "libraries `math`, `string`, `table`, `utf8`, without what reaches files, clocks, addresses or "
    "other\n"
    "programs. `pairs` goes in a fixed order: numbers, then text, then booleans. `math.random` "
    "gives the same\n"
    "numbers for the same `--seed`. `print` writes a note to the record. `require \"name\"` takes "
    "`name.lua` from\n"
    "beside the recipe or from those shipped (`alloys`, `profile`). There is no `os`, `io`, "
    "`debug`,\n"
    "`coroutine`, `load` or `setmetatable`. A recipe may use 64 MiB of memory and go on for 4 "
    "hours "
    "of bench\n"
    "time. In a run it has 0.4 s of processor time from one wait to the next, and 5 minutes in "
    "all; "
    "then it ends there, and\n"
    "its line is named. Before anything is switched on, the text is looked through for calls of "
    "names that are not there.\n\n"
    "## The header\n\n"
    "| key | what it is |\n"
    "|---|---|\n"
    "| `api` | the level of the language: 1; required |\n"
    "| `title` | what it does, in a few words; required |\n"
    "| `board` | the board file, by its name without .lua; required |\n"
    "| `insert` | the insert that must be on the plate; without one there is no heat |\n"
    "| `params` | `{ melt = { \"172 C\", min = \"165 C\", max = \"180 C\", help = \"...\" } }`; "
    "set with `--set melt=170C` |\n"
    "| `before` | list of what a person measures, before anything else happens and again as soon "
    "as the steps end, 5 min for each; end the steps with `cool`: `\"battery\"` the rail's ohms "
    "against ground, `\"battery diode\"`, "
    "`\"battery "
    "idle\"` what the board draws, not switched on; the record holds it |\n"
    "| `rails` | list: the rails it may feed; without it the supply stays off |\n"
    "| `ceiling` | limits of its own:" QUOTED_CEILINGS " |\n"
    "| `park` | where heat falls to when the operator parks, for ten minutes at most; without it "
    "heat goes off |\n"
    "| `steps` | the function that is the recipe; it gets the params as a table of texts; required "
    "|\n\n"
    "Limits only tighten: those of this program, the bench file, the board file and the recipe are "
    "merged\n"
    "field by field, and the tightest wins.\n\n"
    "## Primitives\n";

static void write_rows(FILE *out, const struct primitive *primitive)
{
    char expected[128];
    if (primitive->row_count == 0)
        return;
    fprintf(out, "| argument | place | | what it is |\n|---|---|---|---|\n");
    for (int i = 0; i < primitive->row_count; i++) {
        const struct row *row = &primitive->rows[i];
        char place[16] = "";
        if (row->place)
            snprintf(place, sizeof place, "%d", row->place);
        fprintf(out, "| `%s` | %s | %s | %s; %s", row->name, place,
                row->required ? "required" : "optional",
                row_expects(row, expected, sizeof expected), row->help);
        if (row->fallback)
            fprintf(out, "; default `%s`", row->fallback);
        fprintf(out, " |\n");
    }
    fprintf(out, "\n");
}

void recipe_write_reference(FILE *out)
{
    fputs(page_head, out);
    for (int i = 0; i < primitive_count; i++) {
        const struct primitive *primitive = &primitives[i];
        fprintf(out, "\n### %s\n\n    ", primitive->name);
        write_synopsis(out, primitive);
        fprintf(out, "\n\n%s\n\n", primitive->effect);
        write_rows(out, primitive);
        if (primitive->returns)
            fprintf(out, "Returns %s.\n\n", primitive->returns);
        if (primitive->limits)
            fprintf(out, "%s\n\n", primitive->limits);
        fprintf(out, "```lua\n%s\n```\n", primitive->example);
    }
}

/* ---- editors -------------------------------------------------------------------------------- */

static const char *lua_type_of(const struct row *row)
{
    switch (row->kind) {
    case ROW_NUMBER:
        return "number";
    case ROW_COUNT:
        return "integer";
    case ROW_FUNCTION:
        return "function";
    case ROW_TABLE:
        return "table";
    case ROW_TEXT:
    case ROW_QUANTITY:
    case ROW_CHOICE:
    case ROW_JOINT:
    case ROW_PART:
    case ROW_RAIL:
    case ROW_ALLOY:
        break;
    }
    return "string";
}

/* The class of a primitive's table; its name is the primitive's with "_" for ".". */
static void write_class(FILE *out, const struct primitive *primitive, const char *class)
{
    char expected[128];
    fprintf(out, "---@class %s\n", class);
    for (int i = 0; i < primitive->row_count; i++) {
        const struct row *row = &primitive->rows[i];
        bool needed = row->required && !row->place; /* what has a place may stand without a name */
        fprintf(out, "---@field %s%s %s %s; %s\n", row->name, needed ? "" : "?", lua_type_of(row),
                row->help, row_expects(row, expected, sizeof expected));
        if (row->place)
            fprintf(out, "---@field [%d]? %s the same as %s\n", row->place, lua_type_of(row),
                    row->name);
    }
    fprintf(out, "\n");
}

static void write_function(FILE *out, const struct primitive *primitive)
{
    char class[64];
    snprintf(class, sizeof class, "tinlatch.%s", primitive->name);
    for (char *dot = strchr(class, '.') + 1; (dot = strchr(dot, '.'));)
        *dot = '_';
    bool single = primitive->row_count > 0 && primitive->rows[0].place == 1;
    if (primitive->row_count > 0)
        write_class(out, primitive, class);
    fprintf(out, "---%s\n", primitive->effect);
    if (primitive->row_count > 0)
        fprintf(out, "---@param arguments %s%s%s\n", class, single ? "|" : "",
                single ? lua_type_of(&primitive->rows[0]) : "");
    if (primitive->returns) {
        size_t length = strcspn(primitive->returns, ": ");
        bool either = strstr(primitive->returns, ", else ") != NULL;
        fprintf(out, "---@return %.*s\n", either ? 3 : (int)length,
                either ? "any" : primitive->returns);
    }
    fprintf(out, "function %s(%s) end\n\n", primitive->name,
            primitive->row_count > 0 ? "arguments, ..." : "");
}

void recipe_write_annotations(FILE *out)
{
    fprintf(out,
            "---@meta\n\n---Read the header and the steps of a recipe.\n---@param header table\n"
            "---@return boolean\nfunction recipe(header) end\n\n");
    for (int i = 0; i < primitive_count; i++) {
        if (primitive_opens_group(i))
            fprintf(out, "%.*s = {}\n\n", (int)primitive_group(i), primitives[i].name);
        write_function(out, &primitives[i]);
    }
}

static void write_lint_group(FILE *out, int first)
{
    size_t length = primitive_group(first);
    fprintf(out, "    %.*s = { fields = {", (int)length, primitives[first].name);
    for (int i = first; i < primitive_count; i++)
        if (primitive_in_group(i, first))
            fprintf(out, " \"%s\",", primitives[i].name + length + 1);
    fprintf(out, " } },\n");
}

void recipe_write_lint_names(FILE *out)
{
    fprintf(out, "stds.tinlatch = {\n  read_globals = {\n    \"recipe\",\n");
    for (int i = 0; i < primitive_count; i++) {
        if (primitive_group(i) == 0)
            fprintf(out, "    \"%s\",\n", primitives[i].name);
        else if (primitive_opens_group(i))
            write_lint_group(out, i);
    }
    fprintf(out, "  },\n}\n");
}
