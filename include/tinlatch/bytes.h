/* SPDX-License-Identifier: MIT */
/* bytes - append to a bounded buffer without printf; used on the scan path.
 *
 * Ownership  the caller owns the storage handed to bytes_init.
 * Never      allocates, writes past the storage, or writes a NUL.
 * Fails      what does not fit is dropped whole and `full` is set; from then on nothing more
 *            is added (no holes). Check it once at the end.
 * Units      bytes_fixed: `value` counts 10^-places, e.g. (23450, 3) appends "23.450". */
#ifndef TINLATCH_BYTES_H
#define TINLATCH_BYTES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct bytes {
    char *at;
    size_t length, size;
    bool full;
};

void bytes_init(struct bytes *b, char *storage, size_t size);
void bytes_clear(struct bytes *b);
void bytes_add(struct bytes *b, const void *from, size_t length);
void bytes_text(struct bytes *b, const char *text);
void bytes_char(struct bytes *b, char c);
void bytes_int(struct bytes *b, int64_t value);
void bytes_fixed(struct bytes *b, int64_t value, int places);
void bytes_hex(struct bytes *b, uint32_t value, int digits); /* upper case, leading zeros */
/* The decimal digits of value, without anything behind them; `to` has room for 20. Returns their end. */
char *bytes_digits(char *to, uint64_t value);
/* As a JSON string with its quotes; control bytes, quotes and bytes that are not UTF-8 escaped. */
void bytes_json(struct bytes *b, const char *text);

/* Copy a text into a fixed array, cut between characters (UTF-8) if it is too long for it; always
 * NUL-terminated. `from` may lie in `to`. */
void bytes_copy_text(char *to, size_t size, const char *from);

/* A letter, a digit or "_", whatever the locale. */
bool bytes_is_word(char c);

/* Strict decimal integer ("-12", no "+", no blanks) from [*at, end); moves *at past it.
 * 0 or TL_BAD (also on overflow). */
int bytes_read_int(const char **at, const char *end, int64_t *value);

/* CRC-16 with polynomial 0xA001 reflected, start 0xFFFF, as Modbus over serial line defines it
 * (check value of "123456789": 0x4B37). */
uint16_t bytes_crc16(const void *from, size_t length);

#endif
