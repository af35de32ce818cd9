/* SPDX-License-Identifier: MIT */
/* The core with a table of rules that is wrong: interlock_validate says so, and what the interlock looks at by itself still
 * holds. The linker puts the rules, their questions and their words that stand here in place of those of src/core. */
#include "check.h"

#include "rules.h"

struct rule __wrap_rules[RULES];
bool __wrap_rule_fires(enum rule_id id, const struct facts *f);
void __wrap_interlock_explain(enum rule_id id, const struct limits *limits,
                              const struct readings *in, const struct wanted *want, int64_t heat_ms,
                              struct rule_words *words);
#define rows __wrap_rules

static char ids[RULES][8];
static enum rule_id always, when_well, never_heard, no_words; /* RULES: no such rule */
static bool mute;                                             /* none of them ever fires */
static struct rule_words said;

/* Each asks whether one input is missing; the others never fire. */
bool __wrap_rule_fires(enum rule_id id, const struct facts *f)
{
    const struct readings *in = f->in;
    if (id == always || (id == when_well && f->t_ms > 0))
        return true;
    if (mute || id == never_heard || f->t_ms == 0)
        return false;
    switch ((int)id) {
    case 0:
        return in->sensor[SENSOR_PLATE].quality == QUALITY_NONE;
    case 1:
        return in->sensor[SENSOR_PLATE_2].quality == QUALITY_NONE;
    case 2:
        return in->sensor[SENSOR_BOARD].quality == QUALITY_NONE;
    case 3:
        return in->plate.quality == QUALITY_NONE;
    case 4:
        return in->supply.quality == QUALITY_NONE;
    case 5:
        return in->plate_silent_ms > 0;
    case 6:
        return in->supply_silent_ms > 0;
    case 7:
        return in->recipe_silent_ms > 0;
    case 8:
        return in->keeper_silent_ms > 0;
    case 9:
        return in->record_late_ms > 0;
    }
    return false;
}

void __wrap_interlock_explain(enum rule_id id, const struct limits *limits,
                              const struct readings *in, const struct wanted *want, int64_t heat_ms,
                              struct rule_words *words)
{
    (void)limits, (void)in, (void)want, (void)heat_ms;
    *words = (struct rule_words){"it is over (rule)", "hands off", "the lead"};
    if (id != no_words)
        return;
    *words = said;
}

static int a_table_that_is_right(void **state)
{
    (void)state;
    for (int i = 0; i < RULES; i++) {
        snprintf(ids[i], sizeof ids[i], "rule%d", i);
        rows[i] = (struct rule){ids[i], 0, RULE_TRIP, UNTIL_CLEAR};
    }
    rows[RULES - 1].kind = RULE_WARN;
    rows[RULES - 1].latch = LATCH_NONE;
    rows[RULES - 2].kind = RULE_STOP;
    rows[RULES - 2].latch = THIS_RUN;
    always = when_well = never_heard = no_words = RULES;
    mute = false;
    said = (struct rule_words){"it is over (rule)", "hands off", "the lead"};
    return 0;
}

static const char *complaint(void)
{
    static char text[BENCH_TEXT];
    const char *wrong = interlock_validate(limits_built_in(), text);
    return wrong ? wrong : "none";
}

static void test_a_table_that_is_right_is_accepted(void **state)
{
    (void)state;
    assert_string_equal(complaint(), "none");
}

static void test_a_row_needs_an_id_of_its_own(void **state)
{
    (void)state;
    rows[3].id = NULL;
    assert_string_equal(complaint(), "the rule in row 4 has no id");
    rows[3].id = "";
    assert_string_equal(complaint(), "the rule in row 4 has no id");

    rows[3].id = ids[1];
    assert_string_equal(complaint(), "the rule rule1 stands in the table twice");
}

static void test_a_rows_time_and_latch_fit_its_kind(void **state)
{
    rows[2].for_ms = -1;
    assert_has(complaint(), "rule2 has a time or latch that does not fit");

    static const struct rule wrong[] = {
        {ids[2], 0, RULE_TRIP, THIS_RUN},     {ids[2], 0, RULE_TRIP, LATCH_NONE},
        {ids[2], 0, RULE_STOP, UNTIL_CLEAR},  {ids[2], 0, RULE_WARN, THIS_RUN},
        {ids[2], 0, RULE_PAUSE, UNTIL_CLEAR},
    };
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        a_table_that_is_right(state);
        rows[2] = wrong[i];
        assert_has(complaint(), "rule2 has a time or latch that does not fit");
    }
}

static void test_a_rule_without_a_question_is_found_on_a_bench_at_rest(void **state)
{
    (void)state;
    always = 12;
    assert_string_equal(complaint(), "the rule rule12 has no question");
}

static void test_a_rule_that_trips_where_all_is_well_is_named(void **state)
{
    (void)state;
    when_well = 11;
    assert_string_equal(complaint(), "the rule rule11 trips on a bench where all is well");
    when_well = RULES - 1; /* to warn is not to trip */
    assert_string_equal(complaint(), "none");
}

static void test_a_rule_needs_all_three_of_its_words(void **state)
{
    (void)state;
    no_words = 5;
    strcpy(said.what, " (rule5)");
    assert_string_equal(complaint(), "the rule rule5 has no words");
    strcpy(said.what, "it is over (rule5)");
    assert_string_equal(complaint(), "none");

    said.act[0] = '\0';
    assert_string_equal(complaint(), "the rule rule5 has no words");
    strcpy(said.act, "hands off");
    said.inspect[0] = '\0';
    assert_string_equal(complaint(), "the rule rule5 has no words");
}

static void test_an_input_whose_absence_trips_nothing_is_named(void **state)
{
    (void)state;
    static const char *const what[] = {
        "the plate sensor is not read", "the second plate sensor is not read",
        "the board sensor is not read", "the plate is not read",
        "the supply is not read",       "the plate's instrument is silent",
        "the supply is silent",         "the recipe is silent",
        "the keeper is silent",         "the record is late",
    };
    for (int i = 0; i < (int)(sizeof what / sizeof what[0]); i++) {
        never_heard = (enum rule_id)i;
        assert_has(complaint(), "no rule trips when ");
        assert_has(complaint(), what[i]);
    }

    never_heard = RULES;
    rows[4].kind = RULE_WARN; /* to warn is not to trip */
    rows[4].latch = LATCH_NONE;
    assert_has(complaint(), "the supply is not read");
}

/* ---- with every rule mute ---- */

static struct bench {
    struct limits limits;
    struct readings in;
    struct wanted want;
    struct interlock il;
    struct granted out;
} b;

static void a_bench_where_all_is_well(void)
{
    const struct temp_reading cool = {QUALITY_GOOD, 25000, 0};
    b = (struct bench){.limits = *limits_built_in()};
    b.limits.uses_plate = b.limits.uses_supply = true;
    b.limits.has_plate_2 = b.limits.has_board = true;
    b.limits.rail_count = 1;
    b.limits.rail[0] = (struct rail_limits){"core", 1000, 500, 800, 400};
    b.in.plate = cool;
    for (int i = 0; i < SENSORS; i++)
        b.in.sensor[i] = cool;
    b.in.supply.quality = QUALITY_GOOD;
    b.want = (struct wanted){.heat = true, .temp_mc = 100000, .ramp_mc_s = 1000};
    mute = true;
}

static void step(int64_t t_ms)
{
    interlock_step(&b.il, &b.limits, &b.in, &b.want, t_ms, &b.out);
    assert_false(b.il.tripped);
}

static void test_a_rule_of_no_kind_ends_the_run_when_it_fires(void **state)
{
    (void)state;
    a_bench_where_all_is_well();
    rows[7].kind = (enum rule_kind)77;
    always = 7;

    interlock_step(&b.il, &b.limits, &b.in, &b.want, 0, &b.out);

    assert_true(b.il.tripped);
    assert_false(b.out.heat);
    always = RULES;
    assert_has(complaint(), "rule7 has a time or latch that does not fit");
}

static void test_without_a_rule_heat_still_ends_when_its_time_is_used_up(void **state)
{
    (void)state;
    a_bench_where_all_is_well();

    step(0);
    step(b.limits.heat_time_ms - 1);
    assert_true(b.out.heat);
    step(b.limits.heat_time_ms);

    assert_false(b.out.heat);
}

static void test_without_a_rule_heat_and_power_still_need_sensors_below_their_limit(void **state)
{
    (void)state;
    struct temp_reading *const read[] = {&b.in.plate, &b.in.sensor[SENSOR_PLATE],
                                         &b.in.sensor[SENSOR_PLATE_2], &b.in.sensor[SENSOR_BOARD]};
    for (int i = 0; i < 4; i++) {
        a_bench_where_all_is_well();
        int32_t most_mc = i == 3 ? b.limits.board_mc : b.limits.plate_mc;
        const struct temp_reading bad[] = {{QUALITY_GOOD, most_mc, 0},
                                           {QUALITY_OPEN, 25000, 0},
                                           {QUALITY_GOOD, 25000, -1},
                                           {QUALITY_GOOD, 25000, b.limits.stale_ms + 1}};
        for (int k = 0; k < 4; k++) {
            a_bench_where_all_is_well();
            *read[i] = (struct temp_reading){QUALITY_GOOD, most_mc - 1, b.limits.stale_ms};
            step(0);
            assert_true(b.out.heat);
            *read[i] = bad[k];
            step(100);
            assert_false(b.out.heat);
        }
    }

    for (int i = 0; i < 4; i++) {
        a_bench_where_all_is_well();
        b.want = (struct wanted){.supply_on = true, .mv = 900, .ma = 300};
        *read[i] = (struct temp_reading){QUALITY_GOOD, b.limits.power_mc - 1, 0};
        step(0);
        assert_true(b.out.supply_on);
        read[i]->temp_mc = b.limits.power_mc;
        step(100);
        assert_false(b.out.supply_on);
    }
}

static void test_without_a_rule_heat_and_power_still_shut_each_other_out(void **state)
{
    (void)state;
    a_bench_where_all_is_well();
    b.want.supply_on = true;
    b.want.mv = 900;
    b.want.ma = 300;
    step(0);
    assert_false(b.out.heat || b.out.supply_on);

    b.want.supply_on = false;
    step(100);
    assert_true(b.out.heat);
    b.in.supply.on = true;
    step(200);
    assert_false(b.out.heat);

    b.in.supply.on = false;
    b.in.supply.ma = 100; /* a meter's zero */
    step(300);
    assert_true(b.out.heat);
    b.in.supply.ma = 101;
    step(400);
    assert_false(b.out.heat);
}

int main(void)
{
#define HERE(test) cmocka_unit_test_setup(test, a_table_that_is_right)
    const struct CMUnitTest tests[] = {
        HERE(test_a_table_that_is_right_is_accepted),
        HERE(test_a_row_needs_an_id_of_its_own),
        HERE(test_a_rows_time_and_latch_fit_its_kind),
        HERE(test_a_rule_without_a_question_is_found_on_a_bench_at_rest),
        HERE(test_a_rule_that_trips_where_all_is_well_is_named),
        HERE(test_a_rule_needs_all_three_of_its_words),
        HERE(test_an_input_whose_absence_trips_nothing_is_named),
        HERE(test_a_rule_of_no_kind_ends_the_run_when_it_fires),
        HERE(test_without_a_rule_heat_still_ends_when_its_time_is_used_up),
        HERE(test_without_a_rule_heat_and_power_still_need_sensors_below_their_limit),
        HERE(test_without_a_rule_heat_and_power_still_shut_each_other_out),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
