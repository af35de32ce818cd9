/* SPDX-License-Identifier: MIT */
/* A board file is a program: it is evaluated in the recipes' sandbox, in a process of its own. */
#include <errno.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <unistd.h>

#include "mimic_private.h"
#include "tinlatch/sandbox.h"

/* What the child leaves; looked at with distrust. */
struct laid_out {
    int32_t whole;
    struct board board;
    char insert[BENCH_NAME];
    struct tl_error error;
};

static void evaluate(const struct mimic_setup *setup, struct laid_out *out)
{
    struct recipe_setup recipe_setup = {.sources = setup->sources, .seed = setup->seed};
    struct recipe *recipe;
    if (sandbox_enter(-1, -1, &out->error) || recipe_open(&recipe, &recipe_setup, &out->error))
        return;
    if (recipe_board(recipe))
        out->board = *recipe_board(recipe);
    memcpy(out->insert, recipe_header(recipe)->insert, sizeof out->insert);
    out->whole = 1;
}

static int take(struct mimic *mimic, struct laid_out *laid, struct tl_error *error)
{
    const struct insert *insert;
    laid->error.text[sizeof laid->error.text - 1] = '\0';
    laid->error.file[sizeof laid->error.file - 1] = '\0';
    laid->error.hint[sizeof laid->error.hint - 1] = '\0';
    laid->error.token[sizeof laid->error.token - 1] = '\0';
    laid->insert[BENCH_NAME - 1] = '\0';
    if (laid->whole != 1) {
        *error = laid->error;
        return error->code ? (int)error->code
                           : tl_error_set(error, TL_KILLED, "the board file was ended by force");
    }
    mimic->board = laid->board;
    mimic->has_board = true;
    if (!laid->insert[0])
        return 0;
    insert = benchfile_insert(mimic->setup->bench, laid->insert);
    if (!insert)
        return tl_error_set(error, TL_MISSING, "the recipe's insert %s is not on this bench",
                            laid->insert);
    mimic->insert = *insert;
    return 0;
}

int mimic_lay_out(struct mimic *mimic, struct tl_error *error)
{
    if (!mimic->setup->sources)
        return 0;
    struct laid_out *laid =
        mmap(NULL, sizeof *laid, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (laid == MAP_FAILED)
        return tl_error_set(error, TL_SYSTEM, "no memory: %s", strerror(errno));
    pid_t child = fork();
    if (child == 0) {
        evaluate(mimic->setup, laid);
        _exit(0);
    }
    while (child > 0 && waitpid(child, NULL, 0) < 0 && errno == EINTR)
        ;
    int failed = child < 0 ? tl_error_set(error, TL_SYSTEM, "no process: %s", strerror(errno))
                           : take(mimic, laid, error);
    munmap(laid, sizeof *laid);
    return failed;
}
