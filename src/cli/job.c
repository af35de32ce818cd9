/* SPDX-License-Identifier: MIT */
#include "job.h"

#include <math.h>
#include <sodium.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "records.h"
#include "tinlatch/bytes.h"
#include "tinlatch/file.h"

enum { PHOTO_BYTES = 256 << 20, FORECAST_POINTS = 180, CYCLES_COMMON = 3 };

struct recipe_job *job_add(struct options *options, const char *name)
{
    struct recipe_setup *setup = &options->setup.recipe;
    if (options->job_count == OPTION_JOBS)
        return NULL;
    struct recipe_job *job = &options->job[options->job_count++];
    *job = (struct recipe_job){0};
    snprintf(job->name, sizeof job->name, "%s", name);
    setup->job = options->job;
    setup->job_count = options->job_count;
    return job;
}

/* "front.jpg sha256:ba78..." as `sha256sum` tells it. */
static int add_digest(struct recipe_job *photo, struct tl_error *error)
{
    unsigned char digest[crypto_hash_sha256_BYTES];
    char hex[2 * sizeof digest + 1], name[160], *bytes;
    const char *slash = strrchr(photo->text, '/');
    size_t length;
    if (file_read(photo->text, PHOTO_BYTES, &bytes, &length, error))
        return TL_FILE;
    crypto_hash_sha256(digest, (const unsigned char *)bytes, length);
    free(bytes);
    sodium_bin2hex(hex, sizeof hex, digest, sizeof digest);
    bytes_copy_text(name, sizeof name, slash ? slash + 1 : photo->text);
    snprintf(photo->text, sizeof photo->text, "%s sha256:%s", name, hex);
    return 0;
}

/* On the screen, and in the record. */
static void warn(struct cli *cli, const char *text)
{
    struct recipe_job *note = job_add(&cli->options, "warning");
    if (note)
        bytes_copy_text(note->text, sizeof note->text, text);
    fprintf(cli->err, "warning: %s\n", text);
}

/* "lead-free", "Pb free": without it. */
static bool is_free_of(const char *after)
{
    return !strncasecmp(after + strspn(after, "- "), "free", strlen("free"));
}

static bool names(const char *at, const char *metal)
{
    size_t length = strlen(metal);
    return !strncasecmp(at, metal, length) && !is_free_of(at + length);
}

/* Has the alloy, or what a person calls it, one of these in it? In any case. */
static bool has_metal(const char *alloy, const char *symbol, const char *word)
{
    for (const char *c = alloy; *c; c++)
        if (names(c, symbol) || names(c, word))
            return true;
    return false;
}

/* A bismuth alloy and lead make one that melts near 96 C, in use: 46Bi34Sn20Pb. What is not said now may be on record. */
static void look_at_alloys(struct cli *cli, const struct history *kept)
{
    struct options *options = &cli->options;
    const char *found = "", *added = "";
    char text[BENCH_TEXT];
    for (int i = 0; kept && i < kept->job_count; i++) {
        if (!strcmp(kept->job[i].name, "alloy found"))
            found = kept->job[i].text;
        if (!strcmp(kept->job[i].name, "alloy added"))
            added = kept->job[i].text;
    }
    for (int i = 0; i < options->job_count; i++) {
        if (!strcmp(options->job[i].name, "alloy found"))
            found = options->job[i].text;
        if (!strcmp(options->job[i].name, "alloy added"))
            added = options->job[i].text;
    }
    bool meet = (has_metal(found, "Bi", "bismuth") && has_metal(added, "Pb", "lead")) ||
                (has_metal(found, "Pb", "lead") && has_metal(added, "Bi", "bismuth"));
    if (!meet)
        return;
    snprintf(text, sizeof text,
             "bismuth and lead meet (%.60s on the joints, %.60s added): together they melt near "
             "96 C; take off all of the old solder first",
             found, added);
    warn(cli, text);
}

int job_prepare(struct cli *cli, const struct history *kept, struct tl_error *error)
{
    struct options *options = &cli->options;
    for (int i = 0; i < options->job_count; i++)
        if (!strcmp(options->job[i].name, "photo") && add_digest(&options->job[i], error))
            return TL_FILE;
    look_at_alloys(cli, kept);
    return 0;
}

void job_count_cycle(struct cli *cli, bool heats)
{
    const char *serial = cli->options.setup.serial;
    if (!heats || !serial[0])
        return;
    char text[BENCH_TEXT];
    struct tl_error error = {0};
    int cycle = records_cycles(serial, &error) + 1;
    if (cycle < 1) {
        snprintf(text, sizeof text, "the heat cycles of the board %s are not counted: %.140s",
                 serial, error.text);
        warn(cli, text);
        return;
    }
    struct recipe_job *job = job_add(&cli->options, "heat cycle");
    if (job)
        job->value = cycle;
    if (cycle <= CYCLES_COMMON)
        return;
    snprintf(
        text, sizeof text,
        "by these records this is heat cycle %d of the board %s; parts are commonly allowed %d "
        "in their life, the factory's included",
        cycle, serial, CYCLES_COMMON);
    warn(cli, text);
}

static int put_number(char *to, size_t size, float value, char end)
{
    return isnan(value) ? snprintf(to, size, "-%c", end)
                        : snprintf(to, size, "%.1f%c", (double)value, end);
}

void job_add_forecast(struct options *options, const struct run *run)
{
    struct recipe_job *job = NULL;
    int step = run->point_count / FORECAST_POINTS + 1;
    size_t used = 0;
    for (int i = 0; i < run->point_count; i += step) {
        const struct run_point *p = &run->point[i];
        char text[80];
        int n = put_number(text, sizeof text, p->t_s, ' ');
        n += put_number(text + n, sizeof text - (size_t)n, p->plate_read_c, ' ');
        n += put_number(text + n, sizeof text - (size_t)n, p->board_c, ' ');
        n += put_number(text + n, sizeof text - (size_t)n, p->joint_c, ';');
        if (!job || used + (size_t)n >= sizeof job->text) {
            job = job_add(options, "forecast");
            used = 0;
        }
        if (!job)
            return;
        memcpy(job->text + used, text, (size_t)n + 1);
        used += (size_t)n;
    }
}

void job_add_melt_map(struct options *options, const struct run_heat *heat)
{
    struct recipe_job *job;
    char text[sizeof job->text];
    for (int from = 0; run_heat_tell(heat, &from, text, sizeof text);)
        if ((job = job_add(options, "melt map")))
            memcpy(job->text, text, sizeof text);
}
