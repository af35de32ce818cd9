/* SPDX-License-Identifier: MIT */
/* check - cmocka with its prerequisites, and the comparisons it lacks. */
#ifndef TINLATCH_TESTS_CHECK_H
#define TINLATCH_TESTS_CHECK_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

/* |a - b| <= tol; NaN never passes. */
#define assert_near(a, b, tol) check_near((a), (b), (tol), #a, __FILE__, __LINE__)
static inline void check_near(double a, double b, double tol, const char *what, const char *file,
                              int line)
{
    if (fabs(a - b) <= tol)
        return;
    print_error("%s is %.12g, not within %g of %.12g\n", what, a, tol, b);
    _fail(file, line);
}

/* `text` contains `part`. */
#define assert_has(text, part) check_has((text), (part), __FILE__, __LINE__)
static inline void check_has(const char *text, const char *part, const char *file, int line)
{
    if (strstr(text, part))
        return;
    print_error("there is no \"%s\" in \"%s\"\n", part, text); /* a page is cut at its end */
    _fail(file, line);
}

#endif
