/* SPDX-License-Identifier: MIT */
#include "part.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <unistd.h>

#include "paths.h"

FILE *part_open(const char *path, char *part, struct tl_error *error)
{
    if (snprintf(part, PATH_SIZE, "%s.part", path) >= PATH_SIZE) {
        tl_error_set(error, TL_FILE, "%s: %s", path, strerror(ENAMETOOLONG));
        return NULL;
    }
    unlink(part);
    int fd = open(part, O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC | O_NOCTTY, 0644);
    FILE *to = fd >= 0 ? fdopen(fd, "w") : NULL;
    if (!to)
        tl_error_set(error, TL_FILE, "%s: %s", part, strerror(errno));
    if (!to && fd >= 0)
        close(fd);
    return to;
}

int part_close(FILE *to, bool failed, const char *part, const char *path, struct tl_error *error)
{
    if (fclose(to) == 0 && !failed && rename(part, path) == 0)
        return 0;
    tl_error_set(error, TL_FILE, "%s: %s", path, strerror(errno ? errno : EIO));
    unlink(part);
    return TL_FILE;
}
