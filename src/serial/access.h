/* SPDX-License-Identifier: MIT */
/* access - may this user open a device, and if not, which one command mends it; who has it open. */
#ifndef TINLATCH_SERIAL_ACCESS_H
#define TINLATCH_SERIAL_ACCESS_H

#include <stdbool.h>
#include <stddef.h>
#include <sys/stat.h>

enum { ACCESS_WHY = 320 };

void access_user_name(uid_t uid, char *name, size_t size);
void access_group_name(gid_t gid, char *name, size_t size);
/* "" when the device may be opened. */
void access_mend(const char *path, const struct stat *st, char *mend, size_t size);
/* "permission denied: the group dialout owns it: sudo usermod ..." */
void access_explain(const char *path, char *why, size_t size);
/* A process that has the device open, of those this user may look into; 0: none. */
int access_find_opener(const char *path, char *name, size_t size);

#endif
