/* SPDX-License-Identifier: MIT */
/* One sheet for the owner of the device: what was found, done, not done, measured; in plain words, on one page. */
#include <math.h>
#include <string.h>

#include "page.h"
#include "tinlatch/report.h"
#include "words.h"

static const struct history_job *job_named(const struct history *h, const char *name)
{
    for (int32_t i = h->job_count - 1; i >= 0; i--)
        if (!strcmp(h->job[i].name, name))
            return &h->job[i];
    return NULL;
}

static void item(FILE *out, const char *before, const char *text, const char *after)
{
    page_put(out, "<li>%s", before);
    report_markup(out, text);
    page_put(out, "%s</li>\n", after);
}

static void write_title(FILE *out, const struct history *h)
{
    char when[64];
    page_put(
        out,
        "<header class=\"top\"><div><h1>What was done to your device</h1><p class=\"sub\">Board ");
    report_markup(out, h->run.board);
    if (h->run.serial[0]) {
        page_put(out, ", serial ");
        report_markup(out, h->run.serial);
    }
    page_put(out, "%s%s", page_when(h, when)[0] ? " · " : "", when);
    page_put(out, "</p></div><div class=\"verdict %s\">%s</div></header>\n", page_verdict_class(h),
             h->run.outcome == RUN_DONE && h->ended ? "done" : "not finished");
    if (h->run.rehearsed)
        page_put(out, "<div class=\"box mild\"><p>This sheet is of a rehearsal: no device was "
                      "touched.</p></div>\n");
}

static void write_found(FILE *out, const struct history *h)
{
    const struct history_job *alloy = job_named(h, "alloy found"), *spot = job_named(h, "hot spot");
    int items = 0;
    page_put(out, "<h2>Found</h2>\n<ul>\n");
    if (alloy) {
        item(out, "Solder on the joints: ", alloy->text, ".");
        items++;
    }
    if (spot) {
        item(out, "Warmest place in the thermal camera's picture: ", spot->text, ".");
        items++;
    }
    for (int32_t i = 0; i < h->job_count; i++)
        if (!strcmp(h->job[i].name, "note")) {
            item(out, "", h->job[i].text, "");
            items++;
        }
    if (!items)
        page_put(out, "<li>Nothing beside the measurements below was written down.</li>\n");
    page_put(out, "</ul>\n");
}

static void write_stages(FILE *out, const struct run *run)
{
    if (!run->stage_count)
        return;
    page_put(out, "<li>In this order: ");
    for (int32_t i = 0; i < run->stage_count; i++) {
        page_put(out, "%s", i ? ", " : "");
        report_markup(out, run->stage[i].name);
    }
    page_put(out, ".</li>\n");
}

static void write_heat(FILE *out, const struct history *h)
{
    const struct history_job *cycle = job_named(h, "heat cycle");
    char time[32];
    if (isnan(h->heat_first_s)) {
        page_put(out, "<li>Nothing was heated.</li>\n");
        return;
    }
    page_put(out, "<li>The board was heated for %s",
             words_length(h->heat_last_s - h->heat_first_s, time, sizeof time));
    if (!isnan(h->run.peak_board_c))
        page_put(out, "; the sensor on it read at most %.0f °C", h->run.peak_board_c);
    page_put(out, ".</li>\n");
    if (cycle)
        page_put(
            out,
            "<li>It was the %.0f%s time in our records that this board was heated for soldering; "
            "its parts are commonly allowed %d times in their life, the factory's included.</li>\n",
            cycle->value,
            cycle->value == 1   ? "st"
            : cycle->value == 2 ? "nd"
            : cycle->value == 3 ? "rd"
                                : "th",
            PAGE_CYCLES_COMMON);
}

static void write_done(FILE *out, const struct history *h)
{
    const struct history_job *added = job_named(h, "alloy added");
    page_put(out, "<h2>Done</h2>\n<ul>\n");
    item(out, "", h->run.title[0] ? h->run.title : words_base_name(h->run.recipe),
         h->run.outcome == RUN_DONE && h->ended ? "." : ": begun.");
    write_stages(out, &h->run);
    write_heat(out, h);
    if (added)
        item(out, "New solder on the joints: ", added->text,
             ". Whoever opens the device next needs to know.");
    page_put(out, "</ul>\n");
}

/* Measured before, and not again. */
static int write_unmeasured(FILE *out, const struct history *h)
{
    int missing = 0;
    for (int32_t i = 0; i < h->value_count; i++) {
        const struct history_value *value = &h->value[i];
        if (page_value(h, WHEN_BEFORE, value) != value || page_value(h, WHEN_AFTER, value))
            continue;
        item(out, "", value->name, " was not measured again afterwards.");
        missing++;
    }
    return missing;
}

static void write_not_done(FILE *out, const struct history *h)
{
    const struct run *run = &h->run;
    page_put(out, "<h2>Not done</h2>\n<ul>\n");
    int missing = write_unmeasured(out, h);
    if (!h->ended)
        page_put(out, "<li>The record breaks off: how the work ended is not known from it.</li>\n");
    else if (run->outcome == RUN_STOPPED)
        page_put(out, "<li>The work was stopped by hand before its end.</li>\n");
    else if (run->outcome == RUN_TRIPPED)
        item(out, "A safety limit ended the work before its end: ", run->trip_words.what, ".");
    else if (run->outcome != RUN_DONE)
        item(out, "The work did not come to its end: ", run->error.text, ".");
    else if (!missing)
        page_put(out, "<li>Nothing of what was planned was left out.</li>\n");
    page_put(out, "</ul>\n");
}

static void write_measured(FILE *out, const struct history *h)
{
    page_put(out, "<h2>Measured</h2>\n<table><thead><tr><th>what<th class=\"n\">before<th "
                  "class=\"n\">after<th class=\"n\">change</tr></thead><tbody>\n");
    if (!page_measured_rows(out, h, false))
        page_put(out, "<tr><td colspan=\"4\">Nothing was measured before or after.</td></tr>\n");
    page_put(out,
             "</tbody></table>\n<p><small>Of a supply rail of the board: in Ω its resistance to "
             "ground, where a short shows as next to nothing; in V what a diode test shows; in A "
             "the current that it draws.</small></p>\n");
}

static void write_photos(FILE *out, const struct history *h)
{
    int photos = 0;
    for (int32_t i = 0; i < h->job_count; i++)
        photos += !strcmp(h->job[i].name, "photo");
    if (photos)
        page_put(out, "<p>%d photo%s kept with the record.</p>\n", photos,
                 photos > 1 ? "s are" : " is");
}

void report_customer(const struct history *history, FILE *out)
{
    page_head(out, history, "your device", false);
    page_put(out, "<body class=\"customer\">\n");
    write_title(out, history);
    write_found(out, history);
    write_done(out, history);
    write_not_done(out, history);
    write_measured(out, history);
    write_photos(out, history);
    page_put(out, "<footer><p>Taken from the workshop's record <span class=\"mono\">");
    report_markup(out, words_base_name(history->run.record));
    page_put(out,
             "</span>. Its fingerprint <span class=\"mono\">%s</span> shows whether that record is "
             "still "
             "the same. There is nothing about you in it.</p></footer>\n</body>\n</html>\n",
             history->fingerprint);
}
