/* SPDX-License-Identifier: MIT */
/* What is printed of the verbs and the options: help and the reference page. */
#include <string.h>

#include "cli_private.h"
#include "options_private.h"

/* What an option does in a verb where it is not what the table says. */
static const char *help_in(const struct option *option, enum verb_id verb)
{
    static const struct {
        enum verb_id verb;
        const char *name, *help;
    } other[] = {
        {VERB_RUNS, "--serial", "list: only the records of the board with this serial number"},
        {VERB_REPORT, "--out", "the directory that the page goes into; default: the current one"},
        {VERB_PACK, "--out", "the directory that the pack goes into; default: the current one"},
        {VERB_MIMIC, "--out", "the bench file with these ports goes into DIR/bench.ini"},
        {VERB_BENCH, "--out",
         "learn: the bench file with what was learned goes into DIR/bench.ini"},
    };
    for (size_t i = 0; i < sizeof other / sizeof other[0]; i++)
        if (other[i].verb == verb && !strcmp(other[i].name, option->name))
            return other[i].help;
    return option->help;
}

static void write_option(FILE *out, const struct option *option, const char *help)
{
    char left[40];
    snprintf(left, sizeof left, "%s %s", option->name, option->value ? option->value : "");
    write_folded(out, help, fprintf(out, "  %-23s ", left));
}

void options_write_usage(FILE *out)
{
    fputs("tinlatch checks, rehearses and runs recipes for repair work on a heated "
          "bench.\n\nverbs, each behind `tinlatch`:\n",
          out);
    for (int i = 0; i < VERBS; i++) {
        char left[40];
        snprintf(left, sizeof left, "%s %s", verbs[i].name, verbs[i].argument);
        write_folded(out, verbs[i].help, fprintf(out, "  %-32s ", left));
    }
    fputs("\noptions:\n", out);
    for (int i = 0; i < option_count; i++)
        write_option(out, &options_table[i], options_table[i].help);
    fputs("\nexit status: 0 done, 1 failed, 2 invalid, 3 tripped, 4 refused, 5 device,\n"
          "             6 stopped\n",
          out);
}

void options_write_verb(FILE *out, enum verb_id verb)
{
    fprintf(out, "tinlatch %s%s%s\n\n", verbs[verb].name, verbs[verb].argument[0] ? " " : "",
            verbs[verb].argument);
    write_folded(out, verbs[verb].detail, 0);
    fputs("\noptions:\n", out);
    for (int i = 0; i < option_count; i++)
        if (option_taken_by(&options_table[i], verb))
            write_option(out, &options_table[i], help_in(&options_table[i], verb));
    const char *head = "\noptions by word:\n";
    for (int i = 0; i < part_count; i++) {
        if (parts[i].verb != verb)
            continue;
        fprintf(out, "%s  %-8s", head, parts[i].word);
        for (const char *const *name = parts[i].options; *name; name++)
            fprintf(out, " %s", *name);
        fputs(parts[i].options[0] ? "\n" : " none\n", out);
        head = "";
    }
}

/* clang-format off */
static const char reference_head[] =
    "# Command line\n\n"
    "<!-- made by `tinlatch help --command-line`; tests/lint/pages.sh compares the two -->\n\n"
    "```\n"
    "tinlatch VERB [ARGUMENT] [OPTION]...\n"
    "tinlatch-guard --bench FILE\n"
    "```\n\n"
    "Options may stand before or behind the verb's argument, as `--bench FILE` or `--bench=FILE`;\n"
    "`--` ends them. A name that is not known is answered with the nearest one.\n\n";

static const char reference_tail[] =
    "## Exit status\n\n"
    "| status | outcome | when |\n|---|---|---|\n"
    "| 0 | `done` | the recipe ran to its end |\n"
    "| 1 | `failed` | a step's error, a limit asked for in a step, a timeout, a killed recipe |\n"
    "| 2 | `invalid` | usage, an unreadable file, syntax, a bad header, board file or bench file; output that cannot be written |\n"
    "| 3 | `tripped` | an interlock rule ended the run |\n"
    "| 4 | `refused` | the header asks for more than a limit allows, a start check failed, a trip is latched, there is no bench |\n"
    "| 5 | `device` | an instrument is missing or wrong before the start |\n"
    "| 6 | `stopped` | the operator stopped it, a signal did, or `--until` was reached |\n\n"
    "`--json` prints one object to standard output whatever happens, with the `outcome` and, where\n"
    "there is one, the `error`; texts for people then go to standard error only.\n\n"
    "## The JSON object\n\n"
    "| key | value |\n|---|---|\n"
    "| `outcome` | a word of the table above |\n"
    "| `recipe`, `board`, `seed` | the recipe's path, the board's name, the number |\n"
    "| `source` | what the recipe's bytes were, as `start` of a record has it: `{sha256, pack, pack_version, pack_sha256, signer, key, checked}` |\n"
    "| `duration_s`, `wall_s` | bench time until touch-safe; time that the rehearsal or run took |\n"
    "| `trip` | null or `{rule, at_s, text}` |\n"
    "| `peak` | `{plate_true_c, plate_read_c, board_c}`; `plate_true_c` is the simulated plate's own, null in a run |\n"
    "| `stages` | `[{name, start_s, end_s, peak_c}]` |\n"
    "| `melt` | `[{joint, at_s, how, true_first_s, true_last_s}]`; the last two are when its first and last place melted in the simulated world |\n"
    "| `joints` | of the simulated world, `[{joint, first_s, last_s, freezes_s, solid_s, lifted_s, liquid_s, "
    "tenths_s, first_segments, last_segments}]`: its first and last place melted, the first froze, all were solid, it was lifted; "
    "how long some of it was liquid; when a tenth of its solder had melted, two tenths ... all; "
    "its segments that melted first and last, `[5]`, or several in the same step. Its lift window: from `last_s` to `freezes_s` or `lifted_s` |\n"
    "| `parts` | of the simulated world, `[{part, peak_c, ramp_c_s}]`; the ramp is the steepest rise over a second |\n"
    "| `grid_mm` | of the simulated heat, null on the coarse grid |\n"
    "| `lateral_k` | of the simulated world, the most between two places of one face of a board, at one time |\n"
    "| `margins` | `[{limit, value, worst, unit}]`, the tightest first |\n"
    "| `error` | null or `{file, line, text, hint}` |\n"
    "| `run` | the record's path, null when none is kept |\n\n"
    "## Answers\n\n"
    "`--answers FILE` says what the simulated person answers, a line per prompt, in the order in which the\n"
    "prompts come. Each item of the header's `before` asks for a reading, first of all and again as soon as the\n"
    "steps end. Blank lines and lines that begin with `#` are passed over.\n\n"
    "| line | means |\n|---|---|\n"
    "| `yes` `no` `stop` | in any case; `yes` to a question for a reading gives the reading of the simulated board |\n"
    "| `0.42` `45 kohm` `850 mA` | a number, bare in the unit that is asked for, or with its own |\n"
    "| `\"left one\"` | a text, for a question that takes one |\n"
    "| `yes after 5 s` | the answer comes after that time; without it a person's natural delay |\n\n"
    "When the file is over, every further prompt is answered with yes. Lines that nobody asked for are a\n"
    "warning. A line that is none of these, or that does not fit its question, ends the rehearsal as `invalid`.\n\n"
    "## Files\n\n"
    "| what | where |\n|---|---|\n"
    "| bench file | `--bench`, else `$XDG_CONFIG_HOME/tinlatch/bench.ini` (`~/.config`), else the demo bench, which is said; `run` refuses it |\n"
    "| records of rehearsals | `$XDG_STATE_HOME/tinlatch/rehearsals` (`~/.local/state`), the last 50 |\n"
    "| records of runs | `$XDG_STATE_HOME/tinlatch/runs`, for ever |\n"
    "| a latched trip | `$XDG_STATE_HOME/tinlatch/latch` (a second one, and a run that was cut off, `latch.armed-N`), until `tinlatch clear`; its reasons in `clearings.jsonl` beside the records of runs |\n"
    "| your own signing keys | `$XDG_CONFIG_HOME/tinlatch/keys` |\n"
    "| keys that you trust | `$XDG_CONFIG_HOME/tinlatch/trusted` |\n"
    "| packs that were accepted | `$XDG_DATA_HOME/tinlatch/shelf` (`~/.local/share`): docs/reference/pack.md |\n"
    "| boards | `boards/` beside the recipe, then those shipped |\n\n"
    "With `TINLATCH_HOME` set to an absolute path, it stands in place of all these directories:\n"
    "`$TINLATCH_HOME/bench.ini`, `rehearsals`, `runs`, `latch`, `alive` (which runs go on, beside it), `keys`,\n"
    "`trusted`, `shelf`. A record of a rehearsal that cannot be kept is a warning; a run without its record is\n"
    "refused.\n"
    "`NO_COLOR` and an output that is no terminal switch colour off. The text is made for 100 columns and folds\n"
    "down to 60, by the terminal's width or `COLUMNS`.\n\n"
    "## tinlatch-guard\n\n"
    "`tinlatch-guard --bench FILE` reads and checks the bench file as the live program will and\n"
    "prints its limits, each with its line, and the bytes that switch each instrument off. `--list`\n"
    "shows this machine's serial ports. Neither opens a port; what does is for `tinlatch run` and\n"
    "`tinlatch bench check` to start.\n"
    "Exit status 0, or 2 when the file is not right.\n\n"
    "## Examples\n\n"
    "```\n"
    "tinlatch check recipes/stack-split.lua\n"
    "tinlatch rehearse recipes/stack-split.lua --seed 7 --set melt=\"175 C\"\n"
    "tinlatch rehearse recipes/stack-split.lua --fault stop-pressed@120 --json\n"
    "tinlatch run recipes/stack-split.lua --bench my-bench.ini --serial HX210-0042\n"
    "tinlatch clear --reason \"thermocouple plug was loose, replaced\"\n"
    "tinlatch help wait_for_melt\n"
    "```\n";
/* clang-format on */

void options_write_reference(FILE *out)
{
    fputs(reference_head, out);
    fputs("## Verbs\n\n", out);
    for (int i = 0; i < VERBS; i++)
        fprintf(out, "### `tinlatch %s%s%s`\n\n%s\n\n", verbs[i].name,
                verbs[i].argument[0] ? " " : "", verbs[i].argument, verbs[i].detail);
    fputs("## Options\n\n| option | taken by | what it does |\n|---|---|---|\n", out);
    for (int i = 0; i < option_count; i++) {
        const struct option *o = &options_table[i];
        fprintf(out, "| `%s%s%s` |", o->name, o->value ? " " : "", o->value ? o->value : "");
        for (int v = 0; v < VERBS; v++)
            if (option_taken_by(o, (enum verb_id)v))
                fprintf(out, " %s", verbs[v].name);
        fputs(" | ", out);
        for (const char *c = o->help; *c; c++) {
            if (*c == '|') /* else it would end the table's cell */
                fputc('\\', out);
            fputc(*c, out);
        }
        fprintf(out, "%s |\n", o->repeats ? "; may be given more than once" : "");
    }
    fputs("\n", out);
    fputs(reference_tail, out);
}
