/* SPDX-License-Identifier: MIT */
/* Read from sysfs alone. libserialport's own list opens some ports to look at them, and opening a port raises
 * its lines: a contactor would close. */
#include "tinlatch/serial.h"

#include <dirent.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "access.h"
#include "tinlatch/bytes.h"

enum { LEVELS = 6 }; /* from a port up to its USB device */

static bool join(char *to, size_t size, const char *a, const char *b, const char *c)
{
    int n = snprintf(to, size, "%s%s%s", a, b, c);
    return n >= 0 && (size_t)n < size;
}

/* The first line of a small file of sysfs, plain letters only. */
static bool read_line(const char *directory, const char *file, char *to, size_t size)
{
    char path[PATH_MAX], line[128] = "";
    if (!join(path, sizeof path, directory, "/", file))
        return false;
    FILE *stream = fopen(path, "re");
    bool read = stream && fgets(line, sizeof line, stream);
    if (stream)
        fclose(stream);
    if (!read)
        return false;
    line[strcspn(line, "\n")] = '\0';
    for (char *c = line; *c; c++) /* what a device says of itself goes to a terminal */
        if (*c < ' ' || *c > '~')
            *c = '?';
    bytes_copy_text(to, size, line);
    return to[0] != '\0';
}

/* A serial port has a device behind it, and a chip that answered when the kernel looked ("type" 0: none did). */
static bool is_port(const char *directory)
{
    char device[PATH_MAX], type[16];
    struct stat st;
    if (!join(device, sizeof device, directory, "/", "device") || stat(device, &st) < 0)
        return false;
    return !read_line(directory, "type", type, sizeof type) || strcmp(type, "0") != 0;
}

/* "Maker Product" of the USB device above the port; "" for other ports. */
static void describe(const char *directory, struct serial_entry *entry)
{
    char path[PATH_MAX], at[PATH_MAX], maker[64] = "", product[64] = "";
    if (read_line(directory, "console", product, sizeof product) && !strcmp(product, "Y")) {
        strcpy(entry->description, "the machine's console: not for an instrument");
        return;
    }
    product[0] = '\0';
    if (!join(path, sizeof path, directory, "/", "device") || !realpath(path, at))
        return;
    for (int level = 0; level < LEVELS; level++) {
        if (read_line(at, "product", product, sizeof product)) {
            read_line(at, "manufacturer", maker, sizeof maker);
            break;
        }
        char *slash = strrchr(at, '/');
        if (!slash || slash == at)
            break;
        *slash = '\0';
    }
    snprintf(entry->description, sizeof entry->description, "%s%s%s", maker,
             maker[0] && product[0] ? " " : "", product);
}

/* A link to the port at `path` in this directory of links; "": there is none. */
static void find_link(const char *root, const char *links, const char *path, char *to, size_t size)
{
    char names[PATH_MAX], link[PATH_MAX], node[PATH_MAX], at[PATH_MAX];
    to[0] = '\0';
    if (!join(names, sizeof names, root, links, "/") || !realpath(path, node))
        return;
    DIR *directory = opendir(names);
    for (struct dirent *name; directory && (name = readdir(directory));) {
        if (name->d_name[0] == '.' || !join(link, sizeof link, names, name->d_name, ""))
            continue;
        if (realpath(link, at) && !strcmp(at, node)) {
            bytes_copy_text(to, size, link);
            break;
        }
    }
    if (directory)
        closedir(directory);
}

/* One that is held cannot be opened, whatever its owner allows. A run of ours is not to be killed: its plate may
 * be hot, and its keeper would have to bring it down. */
static void mend_holder(struct serial_entry *entry)
{
    if (entry->holder == 0 || !entry->may_open)
        return;
    entry->may_open = false;
    if (!strncmp(entry->holder_name, "tinlatch", 8))
        bytes_copy_text(entry->mend, sizeof entry->mend,
                        "wait for the end of that run, or stop it");
    else if (entry->holder > 0)
        snprintf(entry->mend, sizeof entry->mend, "kill %d", entry->holder);
    else
        bytes_copy_text(entry->mend, sizeof entry->mend, "end the program that holds it");
}

static bool fill(const char *root, const char *name, struct serial_entry *entry)
{
    char directory[PATH_MAX];
    struct stat st;
    *entry = (struct serial_entry){0};
    if (!join(directory, sizeof directory, root, "/sys/class/tty/", name) || !is_port(directory))
        return false;
    if (!join(entry->path, sizeof entry->path, root, "/dev/", name) || stat(entry->path, &st) < 0)
        return false; /* known to the kernel, not given to us: a container */
    describe(directory, entry);
    find_link(root, "/dev/serial/by-id", entry->path, entry->by_id, sizeof entry->by_id);
    access_user_name(st.st_uid, entry->owner, sizeof entry->owner);
    access_group_name(st.st_gid, entry->group, sizeof entry->group);
    access_mend(entry->path, &st, entry->mend, sizeof entry->mend);
    entry->may_open = entry->mend[0] == '\0';
    entry->holder = serial_holder(entry->path, entry->holder_name, sizeof entry->holder_name);
    if (entry->holder == 0)
        entry->holder =
            access_find_opener(entry->path, entry->holder_name, sizeof entry->holder_name);
    mend_holder(entry);
    return true;
}

static int by_path(const void *a, const void *b)
{
    return strverscmp(((const struct serial_entry *)a)->path,
                      ((const struct serial_entry *)b)->path);
}

int serial_list_below(const char *root, struct serial_entry *entries, int most)
{
    char path[PATH_MAX];
    int count = 0;
    if (!join(path, sizeof path, root, "/sys/class/tty", ""))
        return 0;
    DIR *directory = opendir(path);
    for (struct dirent *name; directory && count < most && (name = readdir(directory));)
        if (name->d_name[0] != '.')
            count += fill(root, name->d_name, &entries[count]);
    if (directory)
        closedir(directory);
    qsort(entries, (size_t)count, sizeof *entries, by_path);
    return count;
}

bool serial_name_changes(const char *path)
{
    return strstr(path, "/dev/ttyUSB") || strstr(path, "/dev/ttyACM");
}

bool serial_doubt_name_below(const char *root, const char *path, char *text, size_t size)
{
    char name[192];
    if (!serial_name_changes(path))
        return false;
    int n = snprintf(text, size, "%s may be another port after the next plugging in", path);
    if (n < 0 || (size_t)n >= size)
        return true;
    find_link(root, "/dev/serial/by-id", path, name, sizeof name);
    if (name[0])
        snprintf(text + n, size - (size_t)n, ": name it %s", name);
    else
        snprintf(text + n, size - (size_t)n, ", and has no by-id name that stays");
    return true;
}

bool serial_doubt_name(const char *path, char *text, size_t size)
{
    return serial_doubt_name_below("", path, text, size);
}

int serial_list(struct serial_entry *entries, int most)
{
    return serial_list_below("", entries, most);
}
