/* SPDX-License-Identifier: MIT */
/* What people and editors read about the primitives, made from their table. */
#include "recipe_private.h"

#include <string.h>

enum { LIST_COLUMNS = 78 };

static bool same_group(int a, int b)
{
    size_t length = strcspn(primitives[a].name, ".") + 1;
    return strchr(primitives[a].name, '.') &&
           strncmp(primitives[a].name, primitives[b].name, length) == 0;
}

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

static void write_one(FILE *out, const struct primitive *primitive)
{
    char expected[128];
    write_synopsis(out, primitive);
    fprintf(out, "\n\n%s\n", primitive->effect);
    if (primitive->row_count)
        fprintf(out, "\n");
    for (int i = 0; i < primitive->row_count; i++) {
        const struct row *row = &primitive->rows[i];
        fprintf(out, "  %-10s %s: %s", row->name, row_expects(row, expected, sizeof expected),
                row->help);
        if (row->fallback)
            fprintf(out, " (default %s)", row->fallback);
        fprintf(out, "%s\n", row->required ? "" : " [optional]");
    }
    if (primitive->returns)
        fprintf(out, "\nreturns %s\n", primitive->returns);
    if (primitive->limits)
        fprintf(out, "\n%s\n", primitive->limits);
    fprintf(out, "\nexample: %s\n", primitive->example);
}

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

static void write_list(FILE *out)
{
    for (int i = 0; i < primitive_count; i++) {
        const char *effect = primitives[i].effect;
        size_t length = first_thought(effect);
        fprintf(out, "%-18s %.*s%s\n", primitives[i].name, (int)length, effect,
                effect[length] == ' ' ? " ..." : "");
    }
}

void recipe_write_help(FILE *out, const char *name)
{
    const char *names[NAMES_MAX + 1];
    if (!name) {
        write_list(out);
        return;
    }
    for (int i = 0; i < primitive_count; i++) {
        names[i] = primitives[i].name;
        if (strcmp(primitives[i].name, name) == 0) {
            write_one(out, &primitives[i]);
            return;
        }
    }
    names[primitive_count] = NULL;
    const char *near = tl_nearest(name, names);
    fprintf(out, "\"%s\" is no primitive", name);
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
    "- Every wait on time, temperature or a person has a timeout. `otherwise = function` says what "
    "happens\n"
    "  then; without it the recipe fails, everything off.\n"
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
    "`coroutine`, `load` or `setmetatable`. A recipe may use 64 MiB of memory.\n\n"
    "## The header\n\n"
    "| key | what it is |\n"
    "|---|---|\n"
    "| `api` | the level of the language: 1; required |\n"
    "| `title` | what it does, in a few words; required |\n"
    "| `board` | the board file, by its name without .lua; required |\n"
    "| `insert` | the insert that must be on the plate; without one there is no heat |\n"
    "| `params` | `{ melt = { \"172 C\", min = \"165 C\", max = \"180 C\", help = \"...\" } }`; "
    "set with `--set melt=170C` |\n"
    "| `before` | list: what a person measures (ohms) and the record holds before anything else "
    "happens |\n"
    "| `rails` | list: the rails it may feed; without it the supply stays off |\n"
    "| `ceiling` | limits of its own: `plate board ramp heat_time supply_volts supply_amps "
    "inject_volts inject_amps power_below` |\n"
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
        if (strchr(primitives[i].name, '.') && (i == 0 || !same_group(i - 1, i)))
            fprintf(out, "%.*s = {}\n\n", (int)strcspn(primitives[i].name, "."),
                    primitives[i].name);
        write_function(out, &primitives[i]);
    }
}

void recipe_write_lint_names(FILE *out)
{
    fprintf(out, "stds.tinlatch = {\n  read_globals = {\n    \"recipe\",\n");
    for (int i = 0; i < primitive_count; i++) {
        const char *name = primitives[i].name;
        if (!strchr(name, '.')) {
            fprintf(out, "    \"%s\",\n", name);
            continue;
        }
        size_t length = strcspn(name, ".");
        if (i == 0 || !same_group(i - 1, i))
            fprintf(out, "    %.*s = { fields = {", (int)length, name);
        fprintf(out, " \"%s\",", name + length + 1);
        if (i + 1 == primitive_count || !same_group(i, i + 1))
            fprintf(out, " } },\n");
    }
    fprintf(out, "  },\n}\n");
}
