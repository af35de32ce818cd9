/* SPDX-License-Identifier: MIT */
/* An answers file, and behind its first line, which is a fault, as the command line has it. */
#include <math.h>

#include "fuzz.h"
#include "tinlatch/rehearse.h"

static void check(const struct rehearse_setup *setup)
{
    assert(setup->answer_count >= 0 && setup->answer_count <= REHEARSE_ANSWERS);
    for (int i = 0; i < setup->answer_count; i++) {
        const struct rehearse_answer *answer = &setup->answer[i];
        assert(answer->line > 0 && (int)answer->unit <= UNITS && !isnan(answer->after_s));
        assert(memchr(answer->value, 0, sizeof answer->value));
        assert(answer->reply != REPLY_VALUE || answer->is_text || isfinite(answer->number));
    }
    for (int i = 0; i < setup->fault_count; i++)
        assert(isfinite(setup->fault[i].at_s) && setup->fault[i].at_s >= 0);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct rehearse_setup setup;
    struct draw draw = {data, data + size};
    struct tl_error error = {0};
    char fault[128];
    memset(&setup, 0, sizeof setup);
    draw_line(&draw, fault, sizeof fault);
    if (fault_parse(fault, &setup, &error) != 0)
        assert(error.code < 0 && error.text[0]);
    if (answers_parse("answers", (const char *)draw.at, draw_left(&draw), &setup, &error) != 0)
        assert(error.code < 0 && error.text[0]);
    check(&setup);
    return 0;
}
