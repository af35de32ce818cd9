/* SPDX-License-Identifier: MIT */
/* Patterns of the terminal's bell, told apart by their rhythm: nothing else can be counted on. */
#include "front_private.h"

enum { PAUSE_MS = 1200, ALARM_EVERY_MS = 4000, PATTERN = 8 };

static const struct {
    const char *name;
    int16_t gap_ms[PATTERN]; /* before each further stroke; 0 ends */
} patterns[SOUNDS] = {
    [SOUND_DONE] = {"done: two slow strokes", {1000, 0}},
    [SOUND_QUESTION] = {"a question: two quick strokes", {250, 0}},
    [SOUND_ACT] = {"act now: four quick strokes", {250, 250, 250, 0}},
    [SOUND_TROUBLE] = {"trouble: three, three, until a key is pressed",
                       {250, 250, 800, 250, 250, 0}},
};

const char *sound_name(enum sound sound)
{
    return sound < SOUNDS ? patterns[sound].name : "";
}

void sounds_init(struct sounds *sounds, bool with_trial, int64_t t_ms)
{
    *sounds = (struct sounds){.playing = SOUNDS, .next_ms = t_ms, .trial = with_trial ? 0 : SOUNDS};
}

void sounds_want(struct sounds *sounds, enum sound sound)
{
    sounds->wanted[sound] = true;
    if (sound != SOUND_TROUBLE)
        return; /* a trial or another sound is heard to its end, a few seconds at most */
    sounds->alarm = true;
    sounds->trial = SOUNDS;
    if (sounds->playing != SOUND_TROUBLE) {
        sounds->playing = SOUNDS;
        sounds->next_ms = 0;
    }
}

void sounds_hush(struct sounds *sounds)
{
    sounds->alarm = false;
    sounds->trial = SOUNDS;
    for (int i = 0; i < SOUNDS; i++)
        sounds->wanted[i] = false;
}

static enum sound most_urgent(struct sounds *sounds, enum sound *begun)
{
    if (sounds->trial < SOUNDS) /* all four, before anything depends on them */
        return *begun = (enum sound)sounds->trial++;
    for (int i = SOUNDS - 1; i >= 0; i--)
        if (sounds->wanted[i]) {
            sounds->wanted[i] = false;
            return (enum sound)i;
        }
    return sounds->alarm ? SOUND_TROUBLE : SOUNDS;
}

static bool idle(const struct sounds *sounds)
{
    for (int i = 0; i < SOUNDS; i++)
        if (sounds->wanted[i])
            return false;
    return sounds->playing == SOUNDS && !sounds->alarm && sounds->trial >= SOUNDS;
}

int64_t sounds_next_ms(const struct sounds *sounds)
{
    return idle(sounds) ? INT64_MAX : sounds->next_ms;
}

bool sounds_due(struct sounds *sounds, int64_t t_ms, enum sound *begun)
{
    *begun = SOUNDS;
    if (idle(sounds) || t_ms < sounds->next_ms)
        return false;
    if (sounds->playing == SOUNDS) {
        sounds->playing = most_urgent(sounds, begun);
        sounds->at = 0;
    }
    if (sounds->playing == SOUNDS)
        return false;
    int gap_ms = patterns[sounds->playing].gap_ms[sounds->at++];
    bool last = gap_ms == 0;
    bool again = last && sounds->playing == SOUND_TROUBLE && sounds->alarm;
    sounds->next_ms = t_ms + (again ? ALARM_EVERY_MS : last ? PAUSE_MS : gap_ms);
    if (last)
        sounds->playing = SOUNDS;
    return true;
}
