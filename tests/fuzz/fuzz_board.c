/* SPDX-License-Identifier: MIT */
/* Board files: what is accepted has figures that a body can have. */
#include "scripts.h"

static char alloys[1 << 14];
static size_t alloys_length;

static const char recipe[] =
    "return recipe { api = 1, title = \"t\", board = \"b\", insert = \"i\",\n"
    "  steps = function() end }\n";

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct source_set sources;
    static struct recipe_setup setup = {.sources = &sources};
    struct tl_error error = {0};
    if (alloys_length == 0) {
        FILE *file = fopen(TEST_SOURCE "/lua/alloys.lua", "rb");
        assert(file);
        alloys_length = fread(alloys, 1, sizeof alloys, file);
        fclose(file);
    }
    sources = (struct source_set){
        .count = 3,
        .file = {{"t.lua", "t", SOURCE_RECIPE, recipe, sizeof recipe - 1},
                 {"boards/b.lua", "b", SOURCE_BOARD, (const char *)data, size},
                 {"alloys.lua", "alloys", SOURCE_SHIPPED, alloys, alloys_length}}};
    keeping = true;
    scripts_watch();
    if (recipe_open(&running, &setup, &error) == 0)
        scripts_check_opened(running);
    else
        scripts_check_error(&error);
    scripts_unwatch();
    scripts_forget();
    return 0;
}
