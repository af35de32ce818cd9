/* SPDX-License-Identifier: MIT */
/* The record: whatever the messages hold, every line is one JSON object with its kind, by a strict reader's judgement,
 * and the record's own reader takes it. That reader takes any bytes, too. */
#include <fcntl.h>
#include <jansson.h>
#include <sys/mman.h>
#include <unistd.h>

#include "fuzz.h"
#include "tinlatch/journal.h"
#include "tinlatch/record.h"

/* Texts as they come through wire.h's checks: ended within their array. */
static void draw_text(struct draw *draw, char *to, size_t size)
{
    size_t length = draw_bytes(draw, to, draw_byte(draw) % size);
    to[length] = '\0';
}

static void write_note(struct journal *journal, struct draw *draw, int64_t t_ms)
{
    struct wire_note note = {.note = draw_byte(draw) % (NOTE_KINDS + 2), .line = draw_int(draw)};
    draw_bytes(draw, &note.value, sizeof note.value);
    draw_text(draw, note.name, sizeof note.name);
    draw_text(draw, note.text, sizeof note.text);
    journal_note(journal, t_ms, &note);
}

static void write_hand(struct journal *journal, struct draw *draw, int64_t t_ms)
{
    struct wire_hand hand = {.answer = draw_byte(draw), .nudge_mc = draw_int(draw)};
    draw_bytes(draw, &hand.value, sizeof hand.value);
    draw_text(draw, hand.text, sizeof hand.text);
    journal_hand(journal, t_ms, &hand);
}

static void write_start(struct journal *journal, struct draw *draw)
{
    char text[4][100];
    for (int i = 0; i < 4; i++)
        draw_text(draw, text[i], sizeof text[i]);
    struct journal_start start = {.kind = "run",
                                  .recipe = text[0],
                                  .title = text[1],
                                  .serial = text[2],
                                  .insert = text[3],
                                  .seed = (uint64_t)(int64_t)draw_int(draw)};
    journal_start(journal, &start);
}

static void write_snapshot(struct journal *journal, struct draw *draw)
{
    struct wire_snapshot snapshot = {0};
    struct wire_turn turn = {0};
    uint8_t flags = draw_byte(draw);
    draw_bytes(draw, &snapshot, sizeof snapshot);
    draw_bytes(draw, &turn, sizeof turn);
    snapshot.text[sizeof snapshot.text - 1] = '\0';
    int32_t *const qualities[] = {&snapshot.quality[0],     &snapshot.quality[1],
                                  &snapshot.quality[2],     &snapshot.plate_quality,
                                  &snapshot.supply_quality, &snapshot.account_quality};
    for (size_t i = 0; i < sizeof qualities / sizeof qualities[0]; i++)
        *qualities[i] = (int32_t)((uint32_t)*qualities[i] % (QUALITY_JUMP + 1));
    snapshot.joints = flags % (BOARD_JOINTS + 1);
    turn.joints = flags / 8 % (BOARD_JOINTS + 1);
    journal_snapshot(journal, &snapshot, &turn, draw_int(draw));
}

static void write_end(struct journal *journal, struct draw *draw, int64_t t_ms)
{
    struct tl_error error = {.code = TL_STEP, .line = draw_int(draw)};
    draw_text(draw, error.file, sizeof error.file);
    draw_text(draw, error.text, sizeof error.text);
    draw_text(draw, error.hint, sizeof error.hint);
    journal_end(journal, t_ms, (enum outcome)(draw_byte(draw) % OUTCOMES), &error);
}

static void write_line(struct journal *journal, struct draw *draw)
{
    uint8_t what = draw_byte(draw);
    char text[300];
    int64_t t_ms = draw_int(draw);
    switch (what % 6) {
    case 0:
        write_note(journal, draw, t_ms);
        break;
    case 1:
        write_hand(journal, draw, t_ms);
        break;
    case 2:
        write_start(journal, draw);
        break;
    case 3:
        write_snapshot(journal, draw);
        break;
    case 4:
        write_end(journal, draw, t_ms);
        break;
    default:
        draw_text(draw, text, sizeof text);
        journal_event(journal, t_ms, "event", text);
    }
}

static void check_line(const char *line, size_t length)
{
    json_error_t error;
    json_t *object = json_loadb(line, length, JSON_REJECT_DUPLICATES, &error);
    if (!object)
        fprintf(stderr, "%s: %.*s\n", error.text, (int)length, line);
    assert(object && json_is_object(object) && json_is_string(json_object_get(object, "kind")));
    json_decref(object);
    for (size_t i = 0; i < length; i++)
        assert((unsigned char)line[i] >= 0x20 && line[i] != 0x7F);
}

static void read_back(const char *text, size_t length, uint64_t lines)
{
    static struct record_line line;
    struct record record;
    record_open(&record, text, length);
    for (uint64_t i = 0; i < lines; i++) {
        assert(record_next(&record, &line) == 1);
        assert(line.linked && line.kind != RECORD_OTHER);
    }
    assert(record_next(&record, &line) == 0 && !record.torn);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static char record[1 << 18];
    struct draw draw = {data, data + size};
    struct journal *journal;
    int fd = memfd_create("record", MFD_CLOEXEC);
    uint64_t dropped, lines = 0;
    assert(fd >= 0 && journal_new(&journal, fd, draw_byte(&draw)) == 0);
    for (int i = 0; i < 16 && draw_left(&draw) > 0; i++)
        write_line(journal, &draw);
    assert(journal_flush(journal) == 0 && journal_error(journal, &dropped) == 0);
    ssize_t length = pread(fd, record, sizeof record, 0);
    assert(length >= 0 && length < (ssize_t)sizeof record);
    for (char *at = record, *end; at < record + length; at = end + 1, lines++) {
        end = memchr(at, '\n', (size_t)(record + length - at));
        assert(end);
        check_line(at, (size_t)(end - at));
    }
    assert(lines == journal_lines(journal));
    read_back(record, (size_t)length, lines);
    journal_free(journal);
    close(fd);
    struct record_verdict verdict;
    record_verify((const char *)data, size, &verdict);
    return 0;
}
