/* SPDX-License-Identifier: MIT */
/* Quantities: the input's first byte chooses the unit, the rest is the text. */
#include <math.h>

#include "fuzz.h"
#include "tinlatch/quantity.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct draw draw = {data, data + size};
    enum unit unit = (enum unit)(draw_byte(&draw) % UNITS);
    char text[300], printed[64];
    double value = (double)NAN, again;
    struct tl_error error = {0};
    draw_line(&draw, text, sizeof text);
    int code = quantity_parse(text, unit, &value, &error);
    if (code != 0) {
        assert((code == TL_UNIT || code == TL_RANGE) && error.text[0] && isnan(value));
        return 0;
    }
    assert(isfinite(value) && fabs(value) <= 1e9);
    assert(quantity_print(value, unit, printed, sizeof printed) == printed);
    assert(strlen(printed) < sizeof printed);
    /* Minutes and hours are written as two quantities, for people; anything else can be read back. */
    if (unit != UNIT_TIME && fabs(value) < 1e8) {
        assert(quantity_parse(printed, unit, &again, &error) == 0);
        assert(fabs(again - value) <= 1e-3 * fabs(value) + 1e-3);
    }
    return 0;
}
