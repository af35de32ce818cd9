/* SPDX-License-Identifier: MIT */
/* Recipe and world in two processes: a script that breaks out of its interpreter holds a socket, not the world whose
 * figures are to be believed. The board file, a stranger's too, is evaluated in one that is gone before. A turn for
 * each snapshot and back would be a change of process twice a scan; that costs more than a second world. */
#include "rehearse_private.h"

#include <errno.h>
#include <math.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include "tinlatch/sandbox.h"
#include "tinlatch/thermal.h"

/* In memory that both processes see. */
struct apart_shared {
    volatile sig_atomic_t whole; /* the board is filled, or the error */
    struct board board;
    struct tl_error error;
};

/* The board file is what is evaluated there, and no line of the recipe. */
static const char stub[] =
    "return recipe { api = 1, title = \"-\", board = \"-\", steps = function() end }";

/* ---- the children ------------------------------------------------------------------------------- */

static void be_child(pid_t parent, double cpu_s)
{
    rlim_t seconds = (rlim_t)ceil(cpu_s) + 1; /* the parent asks before that */
    struct rlimit limit = {seconds, seconds};

    prctl(PR_SET_PDEATHSIG, SIGKILL);
    signal(SIGINT, SIG_IGN);
    signal(SIGHUP, SIG_IGN);
    signal(SIGTERM, SIG_DFL);
    if (getppid() != parent || setrlimit(RLIMIT_CPU, &limit) != 0)
        _exit(1);
}

_Noreturn static void be_board(const struct rehearse_setup *setup, struct apart_shared *shared)
{
    static struct source_set sources;
    struct recipe_setup recipe_setup = {.sources = &sources};
    struct recipe *recipe;

    sources = *setup->sources;
    sources.file[0].text = stub;
    sources.file[0].length = sizeof stub - 1;
    if (sandbox_enter(-1, -1, &shared->error) == 0 &&
        recipe_open(&recipe, &recipe_setup, &shared->error) == 0)
        shared->board = *recipe_board(recipe);
    shared->whole = 1;
    _exit(0);
}

/* ---- what came of the board ---------------------------------------------------------------------- */

static bool in_range(const double *numbers, size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (!(fabs(numbers[i]) <= 1e6))
            return false;
    return true;
}

static bool ended(const char *text, size_t size)
{
    return memchr(text, '\0', size) != NULL;
}

static bool part_sane(const struct board_part *p)
{
    const double numbers[] = {p->x_mm, p->y_mm, p->length_mm, p->width_mm, p->thick_mm, p->max_c};

    return ended(p->name, sizeof p->name) && ended(p->rail, sizeof p->rail) &&
           (p->on == LAYER_LOWER || p->on == LAYER_UPPER) &&
           in_range(numbers, sizeof numbers / sizeof numbers[0]);
}

static bool joint_sane(const struct board_joint *j)
{
    const struct alloy *a = &j->alloy;
    const double numbers[] = {j->mass_g,     j->contact_w_k,   a->solidus_c, a->liquidus_c,
                              a->latent_j_g, a->density_g_cm3, a->cp_j_gk,   a->k_w_mk};

    return ended(j->name, sizeof j->name) && ended(j->part, sizeof j->part) &&
           ended(a->name, sizeof a->name) && j->segments >= 1 && j->segments <= JOINT_SEGMENTS &&
           in_range(j->share, JOINT_SEGMENTS) &&
           in_range(numbers, sizeof numbers / sizeof numbers[0]);
}

static bool rail_sane(const struct board_rail *r)
{
    const double numbers[] = {r->healthy_ohm, r->diode_v, r->idle_a, r->short_ohm};

    return ended(r->limits.name, sizeof r->limits.name) &&
           ended(r->short_part, sizeof r->short_part) &&
           in_range(numbers, sizeof numbers / sizeof numbers[0]);
}

static bool counts_sane(const struct board *b)
{
    return b->part_count >= 0 && b->part_count <= BOARD_PARTS && b->joint_count >= 0 &&
           b->joint_count <= BOARD_JOINTS && b->rail_count >= 0 && b->rail_count <= BENCH_RAILS &&
           b->limits.rail_count >= 0 && b->limits.rail_count <= BENCH_RAILS;
}

/* The process that made it ran a stranger's text: nothing in it may lead the world astray. */
static bool board_sane(const struct board *b)
{
    const double numbers[] = {b->contact_spread, b->contact_tolerance, b->mass_tolerance};
    bool sane = counts_sane(b) && ended(b->name, sizeof b->name) &&
                ended(b->title, sizeof b->title) && ended(b->revision, sizeof b->revision) &&
                in_range(numbers, sizeof numbers / sizeof numbers[0]);

    for (int i = 0; sane && i < b->part_count; i++)
        sane = part_sane(&b->part[i]);
    for (int i = 0; sane && i < b->joint_count; i++)
        sane = joint_sane(&b->joint[i]);
    for (int i = 0; sane && i < b->rail_count; i++)
        sane = rail_sane(&b->rail[i]);
    return sane && thermal_check_board(b, NULL) == 0;
}

static int take_board(struct apart_shared *shared, int status, struct tl_error *error)
{
    if (!shared->whole || !WIFEXITED(status) || WEXITSTATUS(status) != 0)
        return tl_error_set(error, TL_KILLED, "the board file used more than it may and was ended");
    if (shared->error.code != TL_OK) {
        struct tl_error *told = &shared->error;
        told->file[sizeof told->file - 1] = told->token[sizeof told->token - 1] = '\0';
        told->text[sizeof told->text - 1] = told->hint[sizeof told->hint - 1] = '\0';
        if (error)
            *error = *told;
        return TL_SYNTAX;
    }
    if (!board_sane(&shared->board))
        return tl_error_set(error, TL_RANGE, "the board file gave a board that cannot be");
    return 0;
}

static int read_board(struct apart_shared *shared, const struct rehearse_setup *setup,
                      struct tl_error *error)
{
    int status = 0;
    pid_t parent = getpid(), child = fork();

    if (child == 0) {
        be_child(parent, rehearse_cpu_s(setup));
        be_board(setup, shared);
    }
    if (child < 0)
        return tl_error_set(error, TL_SYSTEM, "no process for a rehearsal: %s", strerror(errno));
    while (waitpid(child, &status, 0) < 0 && errno == EINTR)
        ;
    return take_board(shared, status, error);
}

int rehearse_board(const struct rehearse_setup *setup, struct board *board, struct tl_error *error)
{
    struct apart_shared *shared =
        mmap(NULL, sizeof *shared, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);

    if (shared == MAP_FAILED)
        return tl_error_set(error, TL_SYSTEM, "no memory for a rehearsal: %s", strerror(errno));
    int failed = read_board(shared, setup, error);
    if (!failed)
        *board = shared->board;
    munmap(shared, sizeof *shared);
    return failed;
}

/* ---- begin and end ------------------------------------------------------------------------------- */

int apart_begin(struct apart *apart, const struct rehearse_setup *setup, double cpu_s,
                struct tl_error *error)
{
    int pair[2];

    if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, pair) != 0)
        return tl_error_set(error, TL_SYSTEM, "no sockets for a rehearsal: %s", strerror(errno));
    apart->socket = pair[0];
    apart->other = pair[1];
    pid_t parent = getpid();
    apart->recipe = fork();
    if (apart->recipe == 0) {
        be_child(parent, cpu_s);
        lockstep_tell(setup, apart->other);
    }
    close(apart->other); /* so that the end of that process is seen at ours */
    apart->other = -1;
    return apart->recipe > 0
               ? 0
               : tl_error_set(error, TL_SYSTEM, "no process for a rehearsal: %s", strerror(errno));
}

void apart_end(struct apart *apart)
{
    if (apart->recipe > 0) {
        kill(apart->recipe, SIGKILL);
        while (waitpid(apart->recipe, NULL, 0) < 0 && errno == EINTR)
            ;
    }
    if (apart->socket >= 0)
        close(apart->socket);
    *apart = (struct apart){.socket = -1, .other = -1};
}
