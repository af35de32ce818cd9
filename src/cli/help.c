/* SPDX-License-Identifier: MIT */
#include <string.h>

#include "cli_private.h"
#include "tinlatch/recipe.h"

static bool in_list(const char *name, const char *const *names)
{
    for (; *names; names++)
        if (!strcmp(name, *names))
            return true;
    return false;
}

static enum outcome unknown_topic(struct cli *cli, const char *topic)
{
    struct tl_error error = {0};
    const char *near = tl_nearest(topic, recipe_topics());
    if (!near)
        near = tl_nearest(topic, verb_names);
    tl_error_set(&error, TL_USAGE, "there is no help on \"%s\"%s%s%s", topic,
                 near ? "; did you mean " : "", near ? near : "", near ? "?" : "");
    tl_error_token(&error, topic);
    tl_error_hint(&error, "tinlatch help lists the primitives");
    return cli_refuse(cli, &error, NULL, 0);
}

static enum outcome write_topic(struct cli *cli, const char *topic)
{
    if (!topic) {
        options_write_usage(cli->out);
        fputs("\nthe recipe language, each explained by `tinlatch help NAME`:\n", cli->out);
        recipe_write_help(cli->out, NULL);
        fputc('\n', cli->out);
        write_folded(cli->out,
                     "`tinlatch help shipped` lists recipes, boards and inserts, `tinlatch help "
                     "faults` what can break.",
                     0);
        return RUN_DONE;
    }
    for (int i = 0; i < VERBS; i++)
        if (!strcmp(topic, verbs[i].name)) {
            options_write_verb(cli->out, (enum verb_id)i);
            return RUN_DONE;
        }
    bool all_faults = !strcmp(topic, "faults") || !strcmp(topic, "fault");
    if (faults_write(cli->out, all_faults ? NULL : topic))
        return RUN_DONE;
    if (!strcmp(topic, "shipped")) {
        struct tl_error error = {0};
        return shipped_write(cli->out, &error) ? cli_refuse(cli, &error, NULL, 0) : RUN_DONE;
    }
    if (!in_list(topic, recipe_topics()))
        return unknown_topic(cli, topic);
    recipe_write_help(cli->out, topic);
    return RUN_DONE;
}

enum outcome verb_help(struct cli *cli)
{
    switch (cli->options.page) {
    case PAGE_TOPIC:
        return write_topic(cli, cli->options.argument);
    case PAGE_REFERENCE:
        recipe_write_reference(cli->out);
        break;
    case PAGE_ANNOTATIONS:
        recipe_write_annotations(cli->out);
        break;
    case PAGE_LINT_NAMES:
        recipe_write_lint_names(cli->out);
        break;
    case PAGE_COMMAND_LINE:
        options_write_reference(cli->out);
        break;
    }
    return RUN_DONE;
}
