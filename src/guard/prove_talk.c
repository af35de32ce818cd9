/* SPDX-License-Identifier: MIT */
/* Rows and questions to a person, answers from one. */
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "tinlatch/prove.h"

static void send_note(struct prove_talk *talk, enum note_kind kind, const char *name,
                      const char *what, const char *format, va_list args)
{
    struct wire_note note = {.note = (int32_t)kind};
    int n = what ? snprintf(note.text, sizeof note.text, "%s: ", what) : 0;

    talk->notes++;
    wire_stamp(&note.head, WIRE_NOTE, NOTE_GUARD + talk->notes);
    snprintf(note.name, sizeof note.name, "%s", name);
    vsnprintf(note.text + n, sizeof note.text - (size_t)n, format, args);
    if (wire_send(talk->fd, &note) == TL_ENDED)
        talk->gone = true;
}

void prove_say(struct prove_talk *talk, enum proof proof, const char *name, const char *what,
               const char *format, ...)
{
    static const enum note_kind kinds[] = {
        [PROOF_HOLDS] = NOTE_STATE, [PROOF_FAILS] = NOTE_FAULT, [PROOF_OPEN] = NOTE_WARN};
    va_list args;

    talk->asked = 0;
    talk->failed = talk->failed || proof == PROOF_FAILS;
    va_start(args, format);
    send_note(talk, kinds[proof], name, what, format, args);
    va_end(args);
}

void prove_missing(struct prove_talk *talk, const char *name, const char *what, const char *format,
                   ...)
{
    va_list args;

    talk->asked = 0;
    talk->missing = true;
    va_start(args, format);
    send_note(talk, NOTE_FAULT, name, what, format, args);
    va_end(args);
}

void prove_ask(struct prove_talk *talk, const char *name, const char *format, ...)
{
    va_list args;

    talk->answer = ANSWER_NONE;
    va_start(args, format);
    send_note(talk, NOTE_CHECK, name, NULL, format, args);
    va_end(args);
    talk->asked = NOTE_GUARD + talk->notes;
}

void prove_hear(struct prove_talk *talk)
{
    _Alignas(8) unsigned char message[WIRE_MAX];
    struct wire_hand hand;
    int kind;

    while (!talk->gone && (kind = wire_receive_now(talk->fd, message)) != TL_MORE) {
        memcpy(&hand, message, sizeof hand);
        if (kind != WIRE_HAND || wire_check_hand(&hand) != 0) {
            talk->gone = true;
            return;
        }
        talk->stopped = talk->stopped || hand.stop_count > 0;
        talk->nobody = talk->nobody || hand.leaves > 0;
        if (talk->asked && hand.prompt == talk->asked)
            talk->answer = (enum hand_answer)hand.answer;
    }
}

bool prove_over(const struct prove_talk *talk)
{
    return talk->stopped || talk->gone;
}

bool prove_answered(const struct prove_talk *talk)
{
    return talk->nobody || prove_over(talk) || !talk->asked || talk->answer != ANSWER_NONE;
}

enum outcome prove_outcome(const struct prove_talk *talk)
{
    if (talk->missing)
        return RUN_DEVICE;
    if (talk->failed)
        return RUN_REFUSED;
    return prove_over(talk) ? RUN_STOPPED : RUN_DONE;
}
