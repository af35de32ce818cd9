/* SPDX-License-Identifier: MIT */
#include "check.h"

#include <limits.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <lualib.h>

#include "recipe_private.h"
#include "tinlatch/sandbox.h"

/* ---- system calls --------------------------------------------------------------------------- */

static int record_fd = -1, guard_fd = -1, other_fd = -1; /* in the sandbox's child */

/* Does `act` on both sides of the door: the first time binds what the loader binds late. */
static int in_child(void (*act)(void))
{
    pid_t child = fork();
    if (child == 0) {
        struct tl_error why;
        act();
        if (sandbox_enter(record_fd, guard_fd, &why) != 0)
            _exit(99);
        act();
        _exit(7);
    }
    int status = 0;
    waitpid(child, &status, 0);
    return status;
}

static bool is_killed(int status)
{
    return WIFSIGNALED(status) && WTERMSIG(status) == SIGSYS;
}

static void assert_left(void (*act)(void))
{
    int status = in_child(act);
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 7);
}

static void assert_killed(void (*act)(void))
{
    assert_true(is_killed(in_child(act)));
}

static void use_memory(void)
{
    for (size_t size = 16; size < (size_t)1 << 26; size *= 4) {
        char *block = malloc(size);
        memset(block, 1, size);
        free(realloc(block, size * 2));
    }
}

static void write_to_the_record(void)
{
    if (write(record_fd, "", 0) != 0)
        _exit(98);
}

static void talk_to_the_guard(void)
{
    char byte;
    struct iovec into = {&byte, 1};
    struct msghdr message = {.msg_iov = &into, .msg_iovlen = 1};
    if (sendto(guard_fd, "", 1, MSG_DONTWAIT, NULL, 0) != 1)
        _exit(97);
    recvmsg(guard_fd, &message, MSG_DONTWAIT);
}

static void listen_elsewhere(void)
{
    struct msghdr message = {0};
    recvmsg(other_fd, &message, MSG_DONTWAIT);
}

static void send_elsewhere(void)
{
    sendto(other_fd, "", 1, MSG_DONTWAIT, NULL, 0);
}

static void open_socket(void)
{
    close(socket(AF_INET, SOCK_STREAM, 0));
}

static void start_process(void)
{
    if (fork() == 0)
        _exit(0);
}

static void signal_parent(void)
{
    kill(getppid(), 0);
}

static void test_the_sandbox_leaves_memory_and_kills_for_the_rest(void **state)
{
    (void)state;
    record_fd = guard_fd = -1;
    assert_left(use_memory);
    assert_killed(open_socket);
    assert_killed(start_process);
    assert_killed(signal_parent);
}

static void test_the_sandbox_leaves_the_socket_to_a_run_only(void **state)
{
    (void)state;
    int pair[2];
    assert_int_equal(socketpair(AF_UNIX, SOCK_SEQPACKET, 0, pair), 0);

    guard_fd = pair[0];
    assert_left(talk_to_the_guard);
    other_fd = pair[1]; /* another socket than the one that was given */
    assert_killed(send_elsewhere);
    assert_killed(listen_elsewhere);
    guard_fd = -1;
    other_fd = pair[0];
    assert_killed(send_elsewhere); /* a rehearsal: none */
    assert_killed(listen_elsewhere);

    close(pair[0]);
    close(pair[1]);
}

#ifndef TINLATCH_WIDE_SANDBOX /* the sanitizers write and map where they like */
static void write_elsewhere(void)
{
    if (write(other_fd, "", 0) < 0)
        _exit(96);
}

static void map_a_program(void)
{
    mmap(NULL, 4096, PROT_READ | PROT_EXEC, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
}

static void map_a_file(void)
{
    mmap(NULL, 4096, PROT_READ, MAP_PRIVATE, record_fd, 0);
}
#endif

static void test_the_sandbox_leaves_the_record_alone_to_write_to(void **state)
{
    (void)state;
    record_fd = memfd_create("record", 0);
    assert_true(record_fd >= 0);
    guard_fd = -1;
    assert_left(write_to_the_record);
#ifndef TINLATCH_WIDE_SANDBOX
    other_fd = 2;
    assert_killed(write_elsewhere);
    other_fd = memfd_create("other", 0);
    assert_killed(write_elsewhere);
    close(other_fd);
    assert_killed(map_a_file);
    assert_killed(map_a_program);
#endif
    close(record_fd);
    record_fd = -1;
}

static void test_the_sandbox_closes_what_the_process_was_left_with(void **state)
{
    (void)state;
    int left[2];
    assert_int_equal(pipe(left), 0);
    record_fd = memfd_create("record", 0);
    pid_t child = fork();
    if (child == 0) {
        struct tl_error why;
        close(left[0]);
        if (sandbox_enter(record_fd, -1, &why) != 0)
            _exit(99);
        for (;;) /* until it is killed: the pipe must be at its end while it still lives */
            ;
    }
    close(left[1]);
    char byte;
    assert_int_equal(read(left[0], &byte, 1), 0);
    int status;
    assert_int_equal(waitpid(child, &status, WNOHANG), 0);
    kill(child, SIGKILL);
    waitpid(child, &status, 0);
    close(left[0]);
    close(record_fd);
    record_fd = -1;
}

/* ---- each system call that stands in the table ---------------------------------------------- */

static volatile sig_atomic_t rang;

static void ring(int signal)
{
    (void)signal;
    rang = 1;
}

/* A handler's return: the alarm is set outside, and rings inside. */
static void return_from_a_handler(void)
{
    static bool inside;
    if (!inside) {
        signal(SIGALRM, ring);
        ualarm(50000, 0);
    }
    while (inside && !rang)
        ;
    inside = true;
}

static void move_the_break(void)
{
    syscall(SYS_brk, 0);
}

static void unmap_nothing(void)
{
    syscall(SYS_munmap, 0, 0);
}

static void remap_nothing(void)
{
    syscall(SYS_mremap, 0, 0, 0, 0, 0);
}

static void read_a_clock(void)
{
    struct timespec now;
    syscall(SYS_clock_gettime, CLOCK_MONOTONIC, &now);
}

static void leave(void)
{
    static bool inside;
    if (inside)
        syscall(SYS_exit_group, 7);
    inside = true;
}

/* How each is used without harm; the numbers themselves are the table's. */
static const struct trial {
    int number;
    void (*act)(void);
} trials[] = {
    {SYS_brk, move_the_break},        {SYS_munmap, unmap_nothing},
    {SYS_mremap, remap_nothing},      {SYS_clock_gettime, read_a_clock},
    {SYS_exit_group, leave},          {SYS_rt_sigreturn, return_from_a_handler},
    {SYS_write, write_to_the_record}, {SYS_sendto, talk_to_the_guard},
    {SYS_recvmsg, talk_to_the_guard}, {SYS_mmap, use_memory},
};

static const struct trial *trial_of(int number)
{
    for (int i = 0; i < COUNT(trials); i++)
        if (trials[i].number == number)
            return &trials[i];
    return NULL;
}

static void test_every_call_in_the_table_is_left(void **state)
{
    (void)state;
    int pair[2], count = 0;
    assert_int_equal(socketpair(AF_UNIX, SOCK_SEQPACKET, 0, pair), 0);
    record_fd = memfd_create("record", 0);
    guard_fd = pair[0];

    for (int i = 0; i < sandbox_call_count; i++) {
        const struct sandbox_call *call = &sandbox_calls[i];
        if (call->use == SANDBOX_SANITIZER || call->number < 0)
            continue;
        count++;
        if (!trial_of(call->number))
            print_error("system call %d is in the table, and nobody says here how it is used\n",
                        call->number);
        assert_non_null(trial_of(call->number));
        assert_left(trial_of(call->number)->act);
    }

    assert_true(count <= 10); /* as the documents say */
    close(pair[0]);
    close(pair[1]);
    close(record_fd);
    record_fd = guard_fd = -1;
}

/* ---- and every other ------------------------------------------------------------------------ */

/* More numbers than any kernel has: the x86 ones end below 600, and the highest that others use lies there too. */
enum { NUMBERS = 1024 };

static bool in_the_table(long number)
{
    for (int i = 0; i < sandbox_call_count; i++)
        if (sandbox_calls[i].number == number)
            return true;
    return false;
}

/* No descriptor, no address, no process and no size is -1: should the call be let through, it does nothing. One that
 * takes no arguments and waits is ended by the alarm. */
static pid_t begin_number(void (*call)(long number), long number)
{
    pid_t child = fork();
    if (child == 0) {
        struct tl_error why;
        alarm(20);
        if (sandbox_enter(record_fd, guard_fd, &why) != 0)
            _exit(99);
        call(number);
        _exit(7);
    }
    return child;
}

/* Newer kernels never show these to a filter. They serve a debugger's probes, and do nothing, or kill, wherever they are
 * called from another place than a probe of the kernel's own. */
static bool is_the_kernels(long number)
{
#ifdef __x86_64__
    return number == 335 || number == 336; /* uretprobe, uprobe */
#else
    (void)number;
    return false;
#endif
}

static void call_plainly(long number)
{
    if (syscall(number, -1L, -1L, -1L, -1L, -1L, -1L) != -1)
        _exit(95);
}

/* Does what one of them came to count as killed? */
static bool is_right(long number, int status)
{
    bool refused = WIFSIGNALED(status) || (WIFEXITED(status) && WEXITSTATUS(status) == 7);
    return is_killed(status) || (is_the_kernels(number) && refused);
}

static void all_kill(void (*call)(long number), const long *numbers, int count)
{
    enum { AT_ONCE = 64 };
    int left = 0;
    for (int from = 0; from < count; from += AT_ONCE) {
        pid_t child[AT_ONCE];
        int most = count - from < AT_ONCE ? count - from : AT_ONCE;
        for (int i = 0; i < most; i++)
            child[i] = begin_number(call, numbers[from + i]);
        for (int i = 0; i < most; i++) {
            int status = 0;
            waitpid(child[i], &status, 0);
            if (is_right(numbers[from + i], status))
                continue;
            print_error("system call %ld does not kill: status 0x%x\n", numbers[from + i],
                        (unsigned)status);
            left++;
        }
    }
    assert_int_equal(left, 0);
}

/* NUMBERS from `first` on, without those of the table; how many. */
static int all_from(long first, long *numbers)
{
    int count = 0;
    for (long n = first; n < first + NUMBERS; n++)
        if (!in_the_table(n))
            numbers[count++] = n;
    return count;
}

static void test_every_system_call_outside_the_table_kills(void **state)
{
    (void)state;
    int pair[2];
    assert_int_equal(socketpair(AF_UNIX, SOCK_SEQPACKET, 0, pair), 0);
    record_fd = memfd_create("record", 0);
    guard_fd = pair[0];

    long numbers[NUMBERS];
    static const long odd[] = {-1, INT_MIN, INT_MAX, 0x3fffffff};
    all_kill(call_plainly, numbers, all_from(0, numbers));
    all_kill(call_plainly, odd, COUNT(odd));

    close(pair[0]);
    close(pair[1]);
    close(record_fd);
    record_fd = guard_fd = -1;
}

#ifdef __x86_64__

/* The same numbers once more, as programs with 32-bit addresses call them. */
static void test_no_call_of_the_x32_kind_is_left(void **state)
{
    (void)state;
    long numbers[NUMBERS];
    all_kill(call_plainly, numbers, all_from(0x40000000, numbers));
}

static void call_as_32_bit(long number)
{
    int result;
    __asm__ volatile("int $0x80"
                     : "=a"(result)
                     : "a"((int)number), "b"(-1), "c"(-1), "d"(-1)
                     : "memory");
    (void)result;
}

/* The door of 32-bit programs has numbers of its own: 4 is write there, 1 is exit. A kernel that keeps it shut kills by
 * another signal. */
static void test_no_call_of_the_32_bit_kind_is_left(void **state)
{
    (void)state;
    for (long n = 0; n < NUMBERS; n++) {
        int status = 0;
        waitpid(begin_number(call_as_32_bit, n), &status, 0);
        assert_true(is_killed(status) || (WIFSIGNALED(status) && WTERMSIG(status) == SIGSEGV));
    }
}

#else

/* Other machines have one set of numbers only. */
static void test_no_call_of_the_x32_kind_is_left(void **state)
{
    (void)state;
    skip();
}

static void test_no_call_of_the_32_bit_kind_is_left(void **state)
{
    (void)state;
    skip();
}

#endif

/* ---- what a script finds -------------------------------------------------------------------- */

static struct source_set sources;
static struct recipe *recipe;

static void add_source(const char *module, enum source_from from, const char *text)
{
    struct source_file *file = &sources.file[sources.count++];
    *file = (struct source_file){.text = text, .length = strlen(text), .from = from};
    snprintf(file->name, sizeof file->name, "%s.lua", module);
    snprintf(file->module, sizeof file->module, "%s", module);
}

static int open_recipe(void **state)
{
    (void)state;
    struct recipe_setup setup = {.sources = &sources};
    struct tl_error error;
    memset(&sources, 0, sizeof sources);
    add_source("r", SOURCE_RECIPE,
               "return recipe { api = 1, title = 't', board = 'b', rails = { 'r' },\n"
               "  params = { melt = { '172 C', min = '165 C', max = '180 C' } },\n"
               "  steps = function(p) end }\n");
    add_source("b", SOURCE_BOARD,
               "return board { name = 'b', lower = { length = '60 mm', width = '40 mm',\n"
               "  thick = '0.8 mm', copper = '8 %' },\n"
               "  rails = { { name = 'r', volts = '4 V', amps = '1 A' } } }\n");
    if (recipe_open(&recipe, &setup, &error) != 0) {
        print_error("%s\n", error.text);
        return -1;
    }
    return 0;
}

/* What Lua's own libraries hold, each by its whole name. */
static struct stock {
    char name[64];
    lua_CFunction function; /* NULL: something else */
} stock[512];
static int stock_count;

static void gather(lua_State *lua, const char *library)
{
    for (lua_pushnil(lua); lua_next(lua, -2); lua_pop(lua, 1)) {
        struct stock *entry = &stock[stock_count++];
        assert_true(stock_count < COUNT(stock));
        snprintf(entry->name, sizeof entry->name, "%s%s%s", library, *library ? "." : "",
                 lua_tostring(lua, -2));
        entry->function = lua_tocfunction(lua, -1);
    }
}

static void gather_stock(void)
{
    static const char *const libraries[] = {"string", "table", "math",      "utf8",   "io",
                                            "os",     "debug", "coroutine", "package"};
    lua_State *lua = luaL_newstate();
    luaL_openlibs(lua);
    stock_count = 0;
    lua_pushglobaltable(lua);
    gather(lua, "");
    for (int i = 0; i < COUNT(libraries); i++) {
        lua_getglobal(lua, libraries[i]);
        gather(lua, libraries[i]);
        lua_pop(lua, 1);
    }
    lua_pushliteral(lua, "");
    lua_getmetatable(lua, -1);
    gather(lua, "\"\"");
    lua_close(lua);
    assert_true(stock_count > 150);
}

static bool has_word(const char *words, const char *word)
{
    size_t length = strlen(word);
    for (const char *at = words; length > 0 && at && (at = strstr(at, word)); at += length)
        if ((at == words || at[-1] == ' ') && (at[length] == ' ' || at[length] == '\0'))
            return true;
    return false;
}

/* Taken from Lua as it is, by the sandbox's own list. */
static bool is_allowed(const char *name)
{
    char library[16] = "";
    const char *dot = strchr(name, '.');
    if (dot)
        snprintf(library, sizeof library, "%.*s", (int)(dot - name), name);
    return has_word(sandbox_names(library), dot ? dot + 1 : name);
}

/* Names of Lua's with something of ours behind them. */
static const char *const replaced =
    "next pairs tostring print require string.format table.sort string table math utf8";

/* Never there. Whoever allows a name takes it out of this list with a reason. */
static bool is_forbidden(const char *name)
{
    static const char *const libraries = "io os debug coroutine package \"\"";
    static const char *const names =
        "collectgarbage dofile getmetatable load loadfile rawequal rawget rawlen rawset "
        "setmetatable "
        "warn _G _VERSION io os debug coroutine package string.dump string.pack string.packsize "
        "string.unpack math.randomseed";
    static const char *const not_needed = "math.deg math.rad";
    static const char *const of_old = /* left over from 5.2 */
        "math.atan2 math.cosh math.frexp math.ldexp math.log10 math.pow math.sinh math.tanh";
    char library[16];
    const char *dot = strchr(name, '.');
    snprintf(library, sizeof library, "%.*s", dot ? (int)(dot - name) : 0, name);
    return has_word(names, name) || has_word(not_needed, name) || has_word(of_old, name) ||
           (dot && has_word(libraries, library));
}

/* `return NAME` where the script stands. */
static bool is_found(const char *name)
{
    char text[96];
    lua_State *lua = recipe->lua;
    snprintf(text, sizeof text, "return %s", name);
    if (luaL_loadbufferx(lua, text, strlen(text), "=name", "t") != LUA_OK) {
        lua_pop(lua, 1); /* `"".__add`: a name that the grammar does not know */
        return false;
    }
    sandbox_push_recipe_env(recipe);
    lua_setupvalue(lua, -2, 1);
    bool found = lua_pcall(lua, 0, 1, 0) == LUA_OK && !lua_isnil(lua, -1);
    lua_pop(lua, 1);
    return found;
}

static void test_every_name_of_luas_libraries_is_allowed_replaced_or_absent(void **state)
{
    (void)state;
    gather_stock();
    for (int i = 0; i < stock_count; i++) {
        const char *name = stock[i].name;
        int reasons = is_allowed(name) + has_word(replaced, name) + is_forbidden(name);
        if (reasons != 1 || is_found(name) == is_forbidden(name))
            print_error("\"%s\": allowed %d, replaced %d, forbidden %d, found %d\n", name,
                        is_allowed(name), has_word(replaced, name), is_forbidden(name),
                        is_found(name));
        assert_int_equal(reasons, 1);
        assert_int_equal(is_found(name), !is_forbidden(name));
    }
}

/* ---- everything that can be reached from it ------------------------------------------------- */

static int functions_seen, functions_hidden;

/* What Lua calls it; of several names one that is allowed. */
static const char *stock_name(lua_CFunction function)
{
    const char *name = NULL;
    for (int i = 0; i < stock_count; i++)
        if (function && stock[i].function == function && !(name && is_allowed(name)))
            name = stock[i].name;
    return name;
}

static bool is_ours(const char *path)
{
    const char *const *topics = recipe_topics();
    for (; *topics; topics++)
        if (strcmp(*topics, path) == 0)
            return true;
    return has_word(replaced, path) || has_word("recipe board", path) ||
           strncmp(path, "iterator.", 9) == 0;
}

/* `hidden`: no script gets at it, only somebody who breaks the interpreter. */
static void see_function(lua_CFunction function, const char *path, bool hidden)
{
    const char *name = stock_name(function);
    functions_seen += !hidden;
    functions_hidden += hidden;
    if (name && (is_allowed(name) || (hidden && strcmp(name, "string.format") == 0)))
        return;
    if (!name && (hidden || is_ours(path)))
        return;
    print_error("%s leads to %s%s\n", path, name ? name : "a function of no primitive",
                hidden ? ", behind the scenes" : "");
    fail();
}

static bool first_time(lua_State *lua, int seen, bool hidden)
{
    lua_rawgetp(lua, seen, lua_topointer(lua, -1));
    lua_Integer before = lua_tointeger(lua, -1); /* 1: hidden, 2: in the open */
    lua_pop(lua, 1);
    lua_Integer now = hidden ? 1 : 2;
    if (before >= now)
        return false;
    lua_pushinteger(lua, now);
    lua_rawsetp(lua, seen, lua_topointer(lua, -2));
    return true;
}

/* What is on the top of the stack, and what it leads to; takes it off. */
static void walk(lua_State *lua, int seen, const char *path, bool hidden);

static void walk_metatable(lua_State *lua, int seen, const char *path, bool hidden)
{
    if (!lua_getmetatable(lua, -1))
        return;
    lua_getfield(lua, -1, "__index"); /* reading goes on in a table; a function is only called */
    walk(lua, seen, path, hidden || !lua_istable(lua, -1));
    walk(lua, seen, path, true);
}

static void walk_table(lua_State *lua, int seen, const char *path, bool hidden)
{
    int table = lua_gettop(lua);
    for (lua_pushnil(lua); lua_next(lua, table);) {
        char inner[160];
        const char *key = lua_type(lua, -2) == LUA_TSTRING ? lua_tostring(lua, -2) : "[]";
        snprintf(inner, sizeof inner, "%s%s%s", path, *path ? "." : "", key);
        walk(lua, seen, inner, hidden);
        lua_pushvalue(lua, -1);
        if (lua_type(lua, -1) != LUA_TSTRING)
            walk(lua, seen, inner, hidden);
        else
            lua_pop(lua, 1);
    }
}

static void walk(lua_State *lua, int seen, const char *path, bool hidden)
{
    luaL_checkstack(lua, 12, NULL);
    int type = lua_type(lua, -1), at = lua_gettop(lua);
    bool leads_on = type == LUA_TTABLE || type == LUA_TFUNCTION || type == LUA_TUSERDATA;
    assert_int_not_equal(type, LUA_TTHREAD);
    if (leads_on && first_time(lua, seen, hidden)) {
        if (type == LUA_TFUNCTION)
            see_function(lua_tocfunction(lua, -1), path, hidden);
        for (int i = 1; type == LUA_TFUNCTION && lua_getupvalue(lua, at, i); i++)
            walk(lua, seen, path, true);
        for (int i = 1; type == LUA_TUSERDATA && lua_getiuservalue(lua, at, i) != LUA_TNONE; i++)
            walk(lua, seen, path, true);
        lua_settop(lua, at);
        walk_metatable(lua, seen, path, hidden);
        if (type == LUA_TTABLE)
            walk_table(lua, seen, path, hidden);
    }
    lua_settop(lua, at - 1);
}

/* Iterators are functions that no name leads to. */
static void keep_iterators(lua_State *lua)
{
    static const char text[] = "iterator = {} iterator.pairs = pairs {}\n"
                               "iterator.ipairs = ipairs {}\n"
                               "iterator.gmatch = (''):gmatch('.')\n"
                               "iterator.codes = utf8.codes('')\n";
    assert_int_equal(luaL_loadbufferx(lua, text, strlen(text), "=iterators", "t"), LUA_OK);
    sandbox_push_recipe_env(recipe);
    lua_setupvalue(lua, -2, 1);
    assert_int_equal(lua_pcall(lua, 0, 0, 0), LUA_OK);
}

static void test_nothing_that_a_script_can_reach_leads_out(void **state)
{
    (void)state;
    gather_stock();
    lua_State *lua = recipe->lua;
    keep_iterators(lua);
    functions_seen = functions_hidden = 0;
    lua_newtable(lua);
    int seen = lua_gettop(lua);

    sandbox_push_recipe_env(recipe);
    walk(lua, seen, "", false);
    lua_rawgeti(lua, LUA_REGISTRYINDEX, recipe->steps);
    walk(lua, seen, "recipe", false);
    header_push_params(recipe);
    walk(lua, seen, "p", false);
    lua_pushliteral(lua, "");
    walk_metatable(lua, seen, "string", false);
    lua_pop(lua, 1);
    lua_pushglobaltable(lua); /* what a chunk starts with, before it has its environment */
    walk(lua, seen, "", true);
    sandbox_push_board_env(recipe, header_call);
    walk(lua, seen, "", false);

    assert_true(functions_seen > 90);
    assert_true(functions_hidden > 10);
}

int main(void)
{
#define OPENED(test) cmocka_unit_test_setup(test, open_recipe)
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_sandbox_leaves_memory_and_kills_for_the_rest),
        cmocka_unit_test(test_the_sandbox_leaves_the_socket_to_a_run_only),
        cmocka_unit_test(test_the_sandbox_leaves_the_record_alone_to_write_to),
        cmocka_unit_test(test_the_sandbox_closes_what_the_process_was_left_with),
        cmocka_unit_test(test_every_call_in_the_table_is_left),
        cmocka_unit_test(test_every_system_call_outside_the_table_kills),
        cmocka_unit_test(test_no_call_of_the_x32_kind_is_left),
        cmocka_unit_test(test_no_call_of_the_32_bit_kind_is_left),
        OPENED(test_every_name_of_luas_libraries_is_allowed_replaced_or_absent),
        OPENED(test_nothing_that_a_script_can_reach_leads_out),
    };
    cmocka_set_test_filter(getenv("ONLY"));
    return cmocka_run_group_tests(tests, NULL, NULL);
}
