/* SPDX-License-Identifier: MIT */
#include "demo_world.h"

/* A board to lay down, a world at spread 0. */
static struct world *plain_world(void)
{
    struct board board;
    demo_hx210(&board);
    return demo_world(&board, 1, 0);
}

static void fault(struct world *world, const char *name, int64_t at_ms)
{
    struct tl_error error;
    assert_int_equal(world_add_fault(world, name, at_ms, &error), 0);
}

static struct world_truth truth_of(struct world *world)
{
    struct world_truth truth;
    world_truth(world, &truth);
    return truth;
}

/* Periods of 100 ms with the plate held near set_c; 0: off. Returns the last answer. */
static struct demo_reading hold(struct world *world, double set_c, int fan_pct, double seconds)
{
    struct demo_reading reading = {0};
    double plate_c = 22;
    for (int i = 0; i < (int)(seconds * 10); i++) {
        reading = demo_period(world, demo_duty(plate_c, set_c), fan_pct);
        plate_c = reading.plate_c;
    }
    return reading;
}

/* ---- the line instrument, byte by byte (docs/reference/line-instrument.md) ---- */

static void test_who_is_answered_with_maker_serial_silence_and_uptime(void **state)
{
    (void)state;
    struct world *world = plain_world();
    world_advance(world, 3200);

    /* The sums stand in the text, made with an independent CRC-16 (0xA001, start 0xFFFF). */
    assert_string_equal(demo_ask(world, DEMO_PLATE, "7 who *F205\n"),
                        "7 iam openplate 0007 silence=2000 up=3 *96E4\n");
    world_free(world);
}

static void test_set_drives_and_tells_duty_fan_and_inputs(void **state)
{
    (void)state;
    struct world *world = plain_world();

    const char *answer = demo_say(world, "8 set d=250 f=40 b=0");

    assert_true(strncmp(answer, "8 ok d=250 f=40 up=0 q=0 cj=25000 c1=", 37) == 0);
    assert_near(demo_value(answer, "c1"), 22000, 350);
    assert_near(demo_value(answer, "c2"), 22000, 350);
    /* 22 C against terminals at 25 C: 0.879 mV - 1.000 mV (NIST ITS-90, type K) */
    assert_near(demo_value(answer, "v3"), -121, 15);
    size_t length = strlen(answer);
    assert_true(length <= 120 && answer[length - 1] == '\n');
    char sum[8];
    snprintf(sum, sizeof sum, "*%04X\n", bytes_crc16(answer, length - 7));
    assert_string_equal(answer + length - 6, sum);
    world_free(world);
}

static void test_an_answer_comes_after_its_latency_and_not_before(void **state)
{
    (void)state;
    struct world *world = plain_world();
    struct port *port = world_port(world, DEMO_PLATE);
    char got[128];
    assert_true(world_next_reply_ms(world) == INT64_MAX);
    port_write(port, "7 who *F205\n", 12);
    assert_true(world_next_reply_ms(world) == 9);

    world_advance(world, 8);
    assert_int_equal(port_read(port, got, sizeof got), 0);
    world_advance(world, 9);
    assert_int_equal(port_read(port, got, 3), 3); /* in any pieces */
    assert_memory_equal(got, "7 i", 3);
    assert_true(port_read(port, got, sizeof got) > 10);
    assert_int_equal(port_read(port, got, sizeof got), 0);
    world_free(world);
}

static void test_lines_that_break_the_grammar_get_no_answer(void **state)
{
    (void)state;
    struct world *world = plain_world();
    const char *const broken[] = {
        "07 who",
        "7  who",
        "7 who ",
        " 7 who",
        "7 WHO",
        "-7 who",
        "1000000 who",
        "7",
        "7 set d=",
        "7 set d=+1 f=0 b=0",
        "7 set d=01 f=0 b=0",
        "7 set =1 f=0 b=0",
        "7 set d f=0 b=0",
        "7 set d=1  f=0 b=0",
        "",
        "7 set d=-0 f=0 b=0",
        "7 set d=99999999999 f=0 b=0",
    };

    for (size_t i = 0; i < sizeof broken / sizeof broken[0]; i++)
        assert_string_equal(demo_say(world, broken[i]), "");
    assert_string_equal(demo_ask(world, DEMO_PLATE, "7 who *F206\n"), ""); /* wrong sum */
    assert_string_equal(demo_ask(world, DEMO_PLATE, "7 who *f205\n"), ""); /* lower case */
    assert_string_equal(demo_ask(world, DEMO_PLATE, "7 who*F205\n"), "");
    world_free(world);
}

static void test_one_wrong_byte_anywhere_silences_a_line(void **state)
{
    (void)state;
    struct world *world = plain_world();
    const char good[] = "7 who *F205\n";
    for (size_t i = 0; i + 2 < sizeof good; i++)
        for (int bit = 0; bit < 7; bit++) {
            char bad[sizeof good];
            memcpy(bad, good, sizeof good);
            bad[i] = (char)(bad[i] ^ (1 << bit));
            if (bad[i] == '\n' || bad[i] == 0)
                continue;
            assert_string_equal(demo_ask(world, DEMO_PLATE, bad), "");
        }
    assert_has(demo_ask(world, DEMO_PLATE, good), "iam");
    world_free(world);
}

static void test_well_formed_lines_that_make_no_sense_are_refused(void **state)
{
    (void)state;
    struct world *world = plain_world();

    assert_has(demo_say(world, "9 bake t=3"), "9 no verb *");
    assert_has(demo_say(world, "9 set d=1001 f=0 b=0"), "9 no range *");
    assert_has(demo_say(world, "9 set d=1 f=101 b=0"), "9 no range *");
    assert_has(demo_say(world, "9 set d=-1 f=0 b=0"), "9 no range *");
    assert_has(demo_say(world, "9 set f=0 d=1 b=0"), "9 no order *");
    assert_has(demo_say(world, "9 set d=1 f=0"), "9 no order *");
    assert_has(demo_say(world, "9 set s=1000 f=0 b=0"), "9 no order *"); /* this one takes duty */
    assert_has(demo_say(world, "9 who x=1"), "9 no order *");
    world_advance(world, 1000);
    assert_near(truth_of(world).heater_w, 0, 0);
    world_free(world);
}

static void test_off_needs_no_check_and_counts_after_nonsense(void **state)
{
    (void)state;
    struct world *world = plain_world();
    demo_say(world, "8 set d=1000 f=100 b=0");
    world_advance(world, 500);
    assert_near(truth_of(world).heater_w, 600, 0);

    assert_string_equal(demo_ask(world, DEMO_PLATE, "\x01\xff gibberish 8 set d=\nOFF\n"), "off\n");

    world_advance(world, 600);
    assert_near(truth_of(world).heater_w, 0, 0);
    assert_has(demo_say(world, "9 set d=0 f=0 b=0"), "d=0 f=0");
    /* "OFF" within a line is nonsense, not an order */
    demo_say(world, "8 set d=1000 f=0 b=0");
    assert_string_equal(demo_ask(world, DEMO_PLATE, "x OFF\n"), "");
    world_advance(world, 1000);
    assert_near(truth_of(world).heater_w, 600, 0);
    world_free(world);
}

static void test_an_overlong_line_is_skipped_whole_unless_it_begins_with_off(void **state)
{
    (void)state;
    struct world *world = plain_world();
    char flood[4096];
    memset(flood, 'x', sizeof flood);
    flood[sizeof flood - 1] = 0;
    demo_say(world, "8 set d=1000 f=0 b=0");

    assert_string_equal(demo_ask(world, DEMO_PLATE, flood), "");
    assert_has(demo_ask(world, DEMO_PLATE, "\n7 who *F205\r\n"), "7 iam"); /* "\r" is dropped */
    memcpy(flood, "OFF", 3);
    demo_ask(world, DEMO_PLATE, flood);
    assert_string_equal(demo_ask(world, DEMO_PLATE, "\n"), "off\n");
    world_free(world);
}

static void test_the_silence_timer_switches_off_and_says_so_once(void **state)
{
    (void)state;
    struct world *world = plain_world();
    demo_say(world, "1 set d=500 f=50 b=0");
    world_advance(world, 1900);
    assert_near(truth_of(world).heater_w, 300, 0);

    world_advance(world, 2200);

    assert_near(truth_of(world).heater_w, 0, 0);
    demo_ask(world, DEMO_PLATE, "2 set d=500 f=50 b=0 *0000\n"); /* not valid: does not count */
    assert_has(demo_say(world, "3 set d=500 f=50 b=0"), "d=500 f=50 up=2 q=1");
    assert_has(demo_say(world, "4 set d=500 f=50 b=0"), "q=0");
    world_advance(world, 3000);
    assert_near(truth_of(world).heater_w, 300, 0); /* the next valid set drives it again */
    world_free(world);
}

static void test_a_regulating_plate_holds_its_set_point_by_itself(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct world_setup setup = demo_world_setup(&board, 1, 0);
    setup.instrument[DEMO_PLATE].regulates = true;
    struct tl_error error;
    struct world *world;
    assert_int_equal(world_new(&world, &setup, &error), 0);

    for (int i = 0; i < 6000; i++) {
        demo_say(world, "1 set s=150000 f=0 b=0");
        world_advance(world, (i + 1) * 100);
    }

    assert_near(truth_of(world).plate_c, 150, 1.5);
    assert_has(demo_say(world, "2 set d=100 f=0 b=0"), "no order");
    assert_has(demo_say(world, "3 set s=0 f=0 b=0"), "d=0");
    world_free(world);
}

/* ---- the supply, byte by byte (IEEE 488.2, SCPI-99) ---- */

static void test_the_supply_tells_who_it_is_in_four_fields(void **state)
{
    (void)state;
    struct world *world = plain_world();

    assert_string_equal(demo_ask(world, DEMO_SUPPLY, "*IDN?\n"), "BENCHSUPPLY,PS-20,0,1.0\n");
    assert_string_equal(demo_ask(world, DEMO_SUPPLY, "*idn?\r\n"), "BENCHSUPPLY,PS-20,0,1.0\n");
    assert_string_equal(demo_ask(world, DEMO_SUPPLY, "*OPC?\n"), "1\n");
    assert_string_equal(demo_ask(world, DEMO_SUPPLY, ":SYST:VERS?\n"), "1999.0\n");
    world_free(world);
}

static void test_headers_are_taken_short_or_long_in_any_case_with_optional_nodes(void **state)
{
    (void)state;
    struct world *world = plain_world();
    const char *const same[] = {
        "VOLT?\n",
        "volt?\n",
        "VOLTAGE?\n",
        "SOUR:VOLT?\n",
        ":SOURce:VOLTage:LEVel:IMMediate:AMPLitude?\n",
        "Voltage:Level?\n",
        "SOURCE:VOLTAGE:AMPL?\n",
    };
    demo_ask(world, DEMO_SUPPLY, "VOLT 3.3\n");

    for (size_t i = 0; i < sizeof same / sizeof same[0]; i++)
        assert_string_equal(demo_ask(world, DEMO_SUPPLY, same[i]), "3.300\n");
    /* neither short nor long, or a node in the wrong place */
    const char *const wrong[] = {"VOLTA?\n",  "VOL?\n", "VOLT:SOUR?\n", "VOLT:\n",
                                 "::VOLT?\n", "LEV?\n", "?\n"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        assert_string_equal(demo_ask(world, DEMO_SUPPLY, wrong[i]), "");
        assert_true(strtol(demo_ask(world, DEMO_SUPPLY, "SYST:ERR?\n"), NULL, 10) < 0);
    }
    world_free(world);
}

static void test_numbers_are_taken_in_all_three_forms_and_with_units(void **state)
{
    (void)state;
    struct world *world = plain_world();
    const char *const same[] = {"CURR 1.25\n",    "CURR +1.25E+00\n", "CURR 125e-2\n",
                                "CURR 1250 mA\n", "CURR   1.25A\n",   "CURR 0001.250\n"};
    for (size_t i = 0; i < sizeof same / sizeof same[0]; i++) {
        demo_ask(world, DEMO_SUPPLY, "CURR 0\n");
        demo_ask(world, DEMO_SUPPLY, same[i]);
        assert_string_equal(demo_ask(world, DEMO_SUPPLY, "CURR?\n"), "1.250\n");
    }
    world_free(world);
}

static void test_compound_messages_follow_the_path_and_answer_on_one_line(void **state)
{
    (void)state;
    struct world *world = plain_world();

    assert_string_equal(demo_ask(world, DEMO_SUPPLY, "VOLT 4;CURR 0.5;VOLT?;CURR?\n"),
                        "4.000;0.500\n");
    assert_string_equal(
        demo_ask(world, DEMO_SUPPLY, "SOUR:VOLT 5;CURR 0.6;:OUTP ON;*OPC?;:OUTP?\n"), "1;1\n");
    assert_string_equal(demo_ask(world, DEMO_SUPPLY, "MEAS:VOLT?;CURR?\n;OUTP OFF\n") + 5,
                        ";0.050\n");
    /* below MEASure there is no OUTPut */
    assert_string_equal(demo_ask(world, DEMO_SUPPLY, "OUTP?\n"), "0\n");
    demo_ask(world, DEMO_SUPPLY, "MEAS:VOLT?;OUTP ON\n");
    assert_string_equal(demo_ask(world, DEMO_SUPPLY, "SYST:ERR?\n"), "-113,\"Undefined header\"\n");
    assert_string_equal(demo_ask(world, DEMO_SUPPLY, "OUTP?\n"), "0\n");
    world_free(world);
}

static void test_mistakes_queue_up_to_ten_and_the_overflow_says_so(void **state)
{
    (void)state;
    struct world *world = plain_world();
    assert_string_equal(demo_ask(world, DEMO_SUPPLY, "SYST:ERR?\n"), "0,\"No error\"\n");
    demo_ask(world, DEMO_SUPPLY,
             "VOLT 21\nVOLT\nVOLT abc\nVOLT nan\nOUTP 2\n*IDN? 3\nNONE 1\nVOLT -1\n");
    const int expected[] = {-222, -109, -104, -104, -224, -108, -113, -222, 0};

    for (size_t i = 0; i < sizeof expected / sizeof expected[0]; i++)
        assert_int_equal(strtol(demo_ask(world, DEMO_SUPPLY, "SYSTem:ERRor:NEXT?\n"), NULL, 10),
                         expected[i]);
    for (int i = 0; i < 15; i++)
        demo_ask(world, DEMO_SUPPLY, "NONE\n");
    for (int i = 0; i < 9; i++)
        assert_has(demo_ask(world, DEMO_SUPPLY, "SYST:ERR?\n"), "-113");
    assert_string_equal(demo_ask(world, DEMO_SUPPLY, "SYST:ERR?\n"), "-350,\"Queue overflow\"\n");
    assert_string_equal(demo_ask(world, DEMO_SUPPLY, "SYST:ERR?\n"), "0,\"No error\"\n");
    demo_ask(world, DEMO_SUPPLY, "NONE\n*CLS\n");
    assert_string_equal(demo_ask(world, DEMO_SUPPLY, "SYST:ERR?\n"), "0,\"No error\"\n");
    world_free(world);
}

static void test_the_status_byte_sums_up_errors_and_enabled_events(void **state)
{
    (void)state;
    struct world *world = plain_world();

    assert_string_equal(demo_ask(world, DEMO_SUPPLY, "*ESE 32;*SRE 32;*ESE?;*SRE?;*STB?\n"),
                        "32;32;0\n");
    demo_ask(world, DEMO_SUPPLY, "NONE\n"); /* a command error: bit 5 of the event register */
    assert_string_equal(demo_ask(world, DEMO_SUPPLY, "*STB?;*ESR?;*STB?\n"), "100;32;4\n");
    demo_ask(world, DEMO_SUPPLY, "*CLS;*ESE 256\n");
    assert_has(demo_ask(world, DEMO_SUPPLY, "SYST:ERR?\n"), "-222");
    world_free(world);
}

/* Bytes of any kind, a million of them: nothing breaks, and both instruments still answer after. */
static void test_no_bytes_can_upset_an_instrument(void **state)
{
    (void)state;
    struct world *world = plain_world();
    static const char likely[] = "0123456789 *:;?=\n\r.,+-eEsetdfbwhoOFFVOLTCURRMEASOUTPSYST:ERR?";
    struct random random = {.state = 42};
    char bytes[512], answer[1024];
    for (int round = 0; round < 2000; round++) {
        for (size_t i = 0; i < sizeof bytes; i++) {
            uint64_t draw = random_next(&random);
            bytes[i] = draw % 8 ? likely[(draw >> 8) % (sizeof likely - 1)] : (char)(draw >> 40);
        }
        for (int k = 0; k < 2; k++) {
            assert_int_equal(port_write(world_port(world, k), bytes, sizeof bytes), sizeof bytes);
            world_advance(world, demo_now(world) + 50);
            int got = port_read(world_port(world, k), answer, sizeof answer);
            for (int i = 0; i < got; i++)
                assert_true(answer[i] == '\n' || (answer[i] >= ' ' && answer[i] < 127));
        }
    }

    world_advance(world, demo_now(world) + 10000); /* what was under way is out */
    for (int k = 0; k < 2; k++)
        while (port_read(world_port(world, k), answer, sizeof answer) > 0)
            ;
    demo_ask(world, DEMO_PLATE, "\n");
    assert_has(demo_say(world, "7 who"), "7 iam");
    demo_ask(world, DEMO_SUPPLY, "\n*RST;*CLS\n");
    assert_has(demo_ask(world, DEMO_SUPPLY, "*IDN?\n"), "BENCHSUPPLY");
    world_free(world);
}

static void test_reset_switches_the_supply_off_and_forgets_its_levels(void **state)
{
    (void)state;
    struct world *world = plain_world();
    demo_ask(world, DEMO_SUPPLY, "VOLT 4;CURR 1;:OUTP ON\n");

    assert_string_equal(demo_ask(world, DEMO_SUPPLY, "*RST;:OUTP?;:VOLT?;CURR?\n"),
                        "0;0.000;0.000\n");
    world_free(world);
}

static void test_a_query_takes_15_ms_and_two_take_30(void **state)
{
    (void)state;
    struct world *world = plain_world();
    struct port *port = world_port(world, DEMO_SUPPLY);

    port_write(port, "*IDN?\n", 6);
    assert_true(world_next_reply_ms(world) == 15);
    port_write(port, "VOLT?\n", 6);
    world_advance(world, 15);
    assert_true(world_next_reply_ms(world) == 30);
    world_free(world);
}

/* ---- rails ---- */

static void test_a_healthy_rail_draws_its_idle_current_at_nominal_volts(void **state)
{
    (void)state;
    struct world *world = plain_world();
    demo_ask(world, DEMO_SUPPLY, "VOLT 4;CURR 1;:OUTP ON\n");

    world_advance(world, 1000);

    assert_near(truth_of(world).supply_v, 4, 1e-9);
    assert_near(truth_of(world).supply_a, 0.040, 0.001);
    assert_near(strtod(demo_ask(world, DEMO_SUPPLY, "MEAS:CURR?\n"), NULL), 0.040, 0.003);
    assert_near(world_rail_ohms(world, 0), 45e3, 1500);
    assert_near(world_rail_diode_v(world, 0), 0.42, 0.01);
    assert_true(isinf(world_rail_ohms(world, 99)));
    world_free(world);
}

/* Common practice, no source; used to calibrate: injection under 1 V into a dead short of 0.3 ohm makes
 * about 2 W, and the part shows against its neighbours by 10 K or more within 30 s. */
static void test_a_short_collapses_the_volts_and_heats_its_part(void **state)
{
    (void)state;
    struct world *world = plain_world();
    world_hand(world, HAND_PLACE, -1);
    fault(world, "board-short", 1000);
    demo_ask(world, DEMO_SUPPLY, "VOLT 0.8;CURR 2.6;:OUTP ON\n");
    world_advance(world, 950);
    assert_true(truth_of(world).supply_a < 0.1);
    assert_true(world_rail_ohms(world, 0) > 1000);

    world_advance(world, 31000);

    struct world_truth truth = truth_of(world);
    assert_near(truth.supply_a, 2.6, 1e-9);       /* at its limit */
    assert_near(truth.supply_v, 2.6 * 0.3, 0.02); /* collapsed */
    for (int i = 0; i < 6; i++)
        assert_true(i == 3 || truth.part_c[3] > truth.part_c[i] + 10);
    assert_near(world_rail_ohms(world, 0), 0.32, 0.02);
    assert_true(world_rail_diode_v(world, 0) < 0.01);
    assert_true(world_rail_ohms(world, 1) > 10); /* the other rails are fine */
    world_free(world);
}

static void test_a_board_without_an_insert_lies_on_the_table_and_can_be_fed(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct world_setup setup = demo_world_setup(&board, 1, 0);
    setup.insert = (struct insert){0};
    struct tl_error error;
    struct world *world;
    assert_int_equal(world_new(&world, &setup, &error), 0);
    fault(world, "board-short", 0);
    demo_ask(world, DEMO_SUPPLY, "VOLT 0.8;CURR 2.6;:OUTP ON\n");

    hold(world, 150, 0, 60);

    assert_true(truth_of(world).plate_c > 60);
    assert_true(truth_of(world).part_c[3] > truth_of(world).part_c[0] + 10);
    assert_true(truth_of(world).part_c[0] < 45); /* the plate does not reach it */
    world_free(world);
}

static void test_the_short_goes_with_its_part(void **state)
{
    (void)state;
    struct world *world = plain_world();
    world_hand(world, HAND_PLACE, -1);
    fault(world, "board-short", 0);
    assert_true(world_rail_ohms(world, 0) < 1);

    world_hand(world, HAND_LIFT, 3);

    assert_true(world_rail_ohms(world, 0) > 1000);
    world_free(world);
}

static void test_the_supply_feeds_the_rail_it_is_clipped_to(void **state)
{
    (void)state;
    struct world *world = plain_world();
    demo_ask(world, DEMO_SUPPLY, "VOLT 0.8;CURR 2;:OUTP ON\n");

    world_clip(world, 1);
    world_advance(world, 200);
    assert_near(truth_of(world).supply_a, 0.8 / 35, 0.001);
    world_clip(world, 99); /* no such rail: nothing moves */
    world_advance(world, 400);
    assert_near(truth_of(world).supply_a, 0.8 / 35, 0.001);
    world_free(world);
}

/* ---- faults, each seen where a bench would show it ---- */

static void test_an_unseated_sensor_reads_low_while_the_plate_stays_hot(void **state)
{
    (void)state;
    struct world *world = plain_world();
    hold(world, 100, 0, 200);
    double before_c = truth_of(world).plate_c;
    fault(world, "sensor-unseated", demo_now(world));

    struct demo_reading after = {0};
    for (int i = 0; i < 600; i++) {
        after = demo_period(world, 150, 0);
        if (i == 100) /* slowly: with a lag of 15 s half the way is still to go after 10 s */
            assert_true(after.plate_c > 22 + 0.55 * (before_c - 22));
    }

    struct world_truth truth = truth_of(world);
    assert_true(truth.plate_c > before_c - 15);
    assert_near(after.plate_c, 22 + 0.35 * (truth.plate_c - 22), 4);
    assert_near(after.plate_2_c, truth.plate_c, 2); /* the second mount holds */
    world_free(world);
}

static void test_an_open_sensor_says_open(void **state)
{
    (void)state;
    struct world *world = plain_world();
    fault(world, "sensor-open", 500);

    assert_false(demo_period(world, 0, 0).plate_open);
    world_advance(world, 600);
    struct demo_reading reading = demo_period(world, 0, 0);

    assert_true(reading.plate_open);
    assert_has(reading.text, " c1=open c2=2");
    world_free(world);
}

static void test_a_frozen_sensor_repeats_its_last_digits(void **state)
{
    (void)state;
    struct world *world = plain_world();
    struct demo_reading before = hold(world, 60, 0, 30);
    fault(world, "sensor-frozen", demo_now(world));

    struct demo_reading after = {0};
    for (int i = 0; i < 300; i++) {
        after = demo_period(world, 800, 0);
        assert_near(after.plate_c, before.plate_c, 0);
    }

    assert_true(truth_of(world).plate_c > before.plate_c + 10);
    assert_true(after.plate_2_c > before.plate_2_c + 10);
    world_free(world);
}

static void test_a_stuck_heater_heats_though_the_instrument_says_zero(void **state)
{
    (void)state;
    struct world *world = plain_world();
    fault(world, "heater-stuck-on", 1000);

    struct demo_reading reading = hold(world, 0, 0, 60);

    assert_int_equal(reading.duty, 0);
    assert_near(truth_of(world).heater_w, 600, 0);
    assert_true(truth_of(world).plate_c > 60);
    world_free(world);
}

static void test_a_silent_device_stops_answering_and_its_own_timer_cuts_the_heat(void **state)
{
    (void)state;
    struct world *world = plain_world();
    fault(world, "device-silent", 5000);
    hold(world, 200, 0, 4.9);
    assert_near(truth_of(world).heater_w, 600, 0);

    world_advance(world, 5050);
    struct demo_reading reading = demo_period(world, 1000, 0);
    assert_string_equal(reading.text, "");
    world_advance(world, 6500);
    assert_near(truth_of(world).heater_w, 600, 0); /* it still drives ... */
    world_advance(world, 7500);
    assert_near(truth_of(world).heater_w, 0, 0); /* ... until 2 s without a line */
    assert_string_equal(demo_ask(world, DEMO_PLATE, "OFF\n"), "");
    world_free(world);
}

static void test_stop_and_a_hung_recipe_show_in_the_truth(void **state)
{
    (void)state;
    struct world *world = plain_world();
    fault(world, "stop-pressed", 1000);
    fault(world, "stop-pressed", 3000);
    fault(world, "recipe-hang", 2000);

    world_advance(world, 999);
    assert_int_equal(truth_of(world).stops, 0);
    world_advance(world, 1000);
    assert_int_equal(truth_of(world).stops, 1);
    assert_false(truth_of(world).recipe_hangs);
    world_advance(world, 3500);
    assert_int_equal(truth_of(world).stops, 2);
    assert_true(truth_of(world).recipe_hangs);
    world_free(world);
}

static void test_a_shorted_sensor_reads_its_terminals_and_wires_of_type_n_too_little(void **state)
{
    (void)state;
    static const char *const names[] = {"sensor-shorted", "sensor-wrong-type"};
    /* IEC 60584-1: type N gives 2.774 mV at 100 C and 0.659 mV at 25 C, type K 1.000 mV there and 3.115 mV at 76 C. */
    static const double reads_c[] = {25, 76};

    for (int i = 0; i < 2; i++) {
        struct world *world = plain_world();
        hold(world, 100, 0, 200);
        fault(world, names[i], demo_now(world));
        struct demo_reading after = demo_period(world, 150, 0);

        assert_near(after.plate_c, reads_c[i], 2);
        assert_near(after.plate_2_c, 100, 2);
        world_free(world);
    }
}

static void test_a_sensor_on_a_rail_reads_more_while_it_is_fed(void **state)
{
    (void)state;
    struct world *world = plain_world();
    fault(world, "sensor-on-rail", 0);

    assert_near(demo_period(world, 0, 0).board_c, 22, 1);
    demo_ask(world, DEMO_SUPPLY, "VOLT 0.8;CURR 2;:OUTP ON\n");
    world_advance(world, demo_now(world) + 100);
    assert_near(demo_period(world, 0, 0).board_c, 52, 1);
    world_free(world);
}

static void test_a_supply_that_is_stuck_says_off_and_feeds_on(void **state)
{
    (void)state;
    struct world *world = plain_world();
    fault(world, "supply-stuck-on", 0);
    world_advance(world, 100);
    assert_near(truth_of(world).supply_v, 0, 0); /* it was not on yet */

    demo_ask(world, DEMO_SUPPLY, "VOLT 0.8;CURR 2;:OUTP ON\n");
    world_advance(world, 300);
    demo_ask(world, DEMO_SUPPLY, "OUTP OFF;:VOLT 0\n");
    world_advance(world, 500);

    assert_string_equal(demo_ask(world, DEMO_SUPPLY, "OUTP?;:MEAS:VOLT?\n"), "0;0.800\n");
    assert_near(truth_of(world).supply_v, 0.8, 1e-9);
    world_free(world);
}

static void test_a_supply_without_its_limit_gives_what_is_drawn(void **state)
{
    (void)state;
    struct world *world = plain_world();
    fault(world, "supply-limit-lost", 0);
    fault(world, "board-short", 0);
    demo_ask(world, DEMO_SUPPLY, "VOLT 0.6;CURR 1;:OUTP ON\n");
    world_advance(world, 200);
    assert_near(truth_of(world).supply_a, 2, 0.05); /* 0.3 ohm */

    demo_ask(world, DEMO_SUPPLY, "VOLT 4\n");
    world_advance(world, 400);
    assert_near(truth_of(world).supply_a, 5, 1e-9); /* its own most */
    world_free(world);
}

static void test_a_port_that_stalls_answers_half_a_second_later(void **state)
{
    (void)state;
    struct world *world = plain_world();
    fault(world, "link-stalls", 1000);
    world_advance(world, 1000);

    assert_has(demo_say(world, "1 set d=0 f=0 b=0"), "1 ok");
    assert_int_equal(demo_now(world), 1509);
    assert_has(demo_say(world, "2 set d=0 f=0 b=0"), "2 ok");
    assert_int_equal(demo_now(world), 1518);
    world_free(world);
}

static void test_a_plate_that_starts_anew_drives_nothing_and_counts_from_zero(void **state)
{
    (void)state;
    struct world_setup setup = demo_world_setup(NULL, 1, 0);
    setup.instrument[DEMO_PLATE].up_s = 60;
    struct tl_error error;
    struct world *world;
    assert_int_equal(world_new(&world, &setup, &error), 0);
    fault(world, "plate-restarts", 1000);
    assert_has(demo_say(world, "1 set d=500 f=50 b=0"), "d=500 f=50 up=60");
    world_advance(world, 1000);
    assert_near(truth_of(world).heater_w, 300, 0);

    world_advance(world, 2050);

    assert_near(truth_of(world).heater_w, 0, 0);
    assert_has(demo_say(world, "2 set d=500 f=50 b=0"), "d=500 f=50 up=1 q=0");
    world_free(world);
}

static void test_a_board_that_is_taken_is_gone_and_its_sensor_reads_the_room(void **state)
{
    (void)state;
    struct world *world = plain_world();
    world_hand(world, HAND_PLACE, -1);
    hold(world, 100, 0, 200);
    fault(world, "board-taken", demo_now(world));

    struct demo_reading after = hold(world, 100, 0, 10);

    assert_false(truth_of(world).placed);
    assert_false(world_board_lies_flat(world));
    assert_near(after.board_c, 22, 1);
    world_free(world);
}

static void test_a_wet_swab_cools_the_tip_for_8_s_and_the_board_lies_as_it_lay(void **state)
{
    (void)state;
    struct world *world = plain_world();
    world_hand(world, HAND_PLACE, -1);
    double before_c = hold(world, 150, 0, 400).board_c;
    fault(world, "wet-swab", demo_now(world));

    assert_near(hold(world, 150, 0, 7).board_c, 60, 2); /* its lag is 1 s */
    assert_near(hold(world, 150, 0, 8).board_c, before_c, 2);
    assert_true(world_board_lies_flat(world));
    world_free(world);
}

static double board_after_a_minute(const char *broken, bool laid_first)
{
    struct world *world = plain_world();
    if (laid_first)
        world_hand(world, HAND_PLACE, -1);
    if (broken)
        fault(world, broken, demo_now(world));
    if (!laid_first)
        world_hand(world, HAND_PLACE, -1);
    hold(world, 100, 0, 60);
    double board_c = truth_of(world).board_c;
    assert_int_equal(world_board_lies_flat(world), !broken);
    world_free(world);
    return board_c;
}

static void
test_a_board_that_does_not_lie_flat_warms_more_slowly_whenever_it_is_laid_down(void **state)
{
    (void)state;
    double flat_c = board_after_a_minute(NULL, true);

    double laid_c = board_after_a_minute("board-unseated", true);

    assert_true(laid_c - 22 < 0.6 * (flat_c - 22));
    assert_true(laid_c > 23);
    assert_near(board_after_a_minute("board-unseated", false), laid_c, 0.1);
}

static void test_a_board_is_unseated_once(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct world *once = demo_world(&board, 1, 0), *twice = demo_world(&board, 1, 0);

    fault(once, "board-unseated", 0);
    fault(twice, "board-unseated", 0);
    fault(twice, "board-unseated", 1000);
    world_hand(once, HAND_PLACE, -1);
    world_hand(twice, HAND_PLACE, -1);

    assert_near(hold(twice, 100, 0, 60).board_c, hold(once, 100, 0, 60).board_c, 0.01);
    world_free(once);
    world_free(twice);
}

static void test_an_unknown_fault_gets_a_did_you_mean(void **state)
{
    (void)state;
    struct world *world = plain_world();
    struct tl_error error;

    assert_int_equal(world_add_fault(world, "sensor-opne", 0, &error), TL_UNKNOWN);
    assert_has(error.hint, "sensor-open");
    assert_string_equal(error.token, "sensor-opne");
    assert_int_equal(world_add_fault(world, "earthquake", 0, &error), TL_UNKNOWN);
    assert_string_equal(error.hint, "");
    for (int i = 0; i < world_fault_count; i++) {
        int added = world_add_fault(world, world_faults[i].name, 1000, &error);
        assert_true(added == 0 || added == TL_MISSING); /* the demo bench has no cut-off */
    }
    world_free(world);
}

static void test_a_fault_that_this_bench_cannot_have_is_refused(void **state)
{
    (void)state;
    struct world_setup setup = demo_world_setup(NULL, 1, 0);
    setup.instruments = 0;
    struct tl_error error;
    struct world *world;
    assert_int_equal(world_new(&world, &setup, &error), 0);

    assert_int_equal(world_add_fault(world, "board-short", 0, &error), TL_MISSING);
    assert_int_equal(world_add_fault(world, "heater-stuck-on", 0, &error), TL_MISSING);
    assert_int_equal(world_add_fault(world, "cut-off-stuck", 0, &error), TL_MISSING);
    assert_int_equal(world_add_fault(world, "controller-ignores-set-point", 0, &error), TL_MISSING);
    assert_int_equal(world_add_fault(world, "reader-gibberish", 0, &error), TL_MISSING);
    assert_int_equal(world_add_fault(world, "usb-unplugged", 0, &error), TL_MISSING);
    assert_int_equal(world_add_fault(world, "link-stalls", 0, &error), TL_MISSING);
    assert_int_equal(world_add_fault(world, "plate-restarts", 0, &error), TL_MISSING);
    assert_int_equal(world_add_fault(world, "sensor-shorted", 0, &error), TL_MISSING);
    assert_int_equal(world_add_fault(world, "sensor-on-rail", 0, &error), TL_MISSING);
    assert_int_equal(world_add_fault(world, "supply-stuck-on", 0, &error), TL_MISSING);
    assert_int_equal(world_add_fault(world, "board-taken", 0, &error), TL_MISSING);
    assert_int_equal(world_add_fault(world, "board-unseated", 0, &error), TL_MISSING);
    world_free(world);
}

/* ---- hands, sensors, draws ---- */

static void test_the_board_sensor_reads_the_room_until_the_board_is_laid_down(void **state)
{
    (void)state;
    struct world *world = plain_world();

    assert_near(hold(world, 100, 0, 150).board_c, 22, 1);
    world_hand(world, HAND_PLACE, -1);
    struct demo_reading laid = hold(world, 100, 0, 200);

    assert_true(laid.board_c > 75);
    assert_near(laid.board_c, truth_of(world).board_c, 2);
    world_free(world);
}

static void test_a_clean_lift_and_a_torn_one(void **state)
{
    (void)state;
    struct world *clean = plain_world(), *torn = plain_world();
    world_hand(clean, HAND_PLACE, -1);
    world_hand(torn, HAND_PLACE, -1);
    hold(clean, 172, 0, 420);
    hold(torn, 172, 0, 230);
    assert_near(truth_of(clean).joint_molten[0], 1, 0);
    double solid = 1 - truth_of(torn).joint_molten[0];
    assert_true(solid > 0.05);

    world_hand(clean, HAND_LIFT, -1);
    world_hand(torn, HAND_LIFT, -1);

    assert_near(truth_of(clean).torn, 0, 0);
    assert_near(truth_of(torn).torn, solid, 1e-12);
    assert_false(truth_of(clean).upper_on);
    assert_true(truth_of(clean).placed);
    assert_true(truth_of(clean).joint_last_melt_s[0] > truth_of(clean).joint_first_melt_s[0] + 20);
    world_free(clean);
    world_free(torn);
}

static void test_a_joint_that_melts_twice_has_its_times_of_each_pass(void **state)
{
    (void)state;
    struct world *world = plain_world();
    world_hand(world, HAND_PLACE, -1);
    hold(world, 172, 0, 420);
    struct world_truth first = truth_of(world);
    assert_int_equal(first.joint_pass[0], 0);

    hold(world, 60, 1, 600);
    struct world_truth solid = truth_of(world);
    assert_int_equal(solid.joint_pass[0], 1);
    assert_true(isnan(solid.joint_first_melt_s[0]) && isnan(solid.joint_last_melt_s[0]));

    hold(world, 172, 0, 420);
    struct world_truth second = truth_of(world);
    assert_int_equal(second.joint_pass[0], 1);
    assert_true(second.joint_first_melt_s[0] > first.joint_last_melt_s[0] + 600);
    assert_true(second.joint_last_melt_s[0] > second.joint_first_melt_s[0]);
    world_free(world);
}

static void test_a_fine_world_tells_where_its_frame_melts_first_and_last(void **state)
{
    (void)state;
    static struct world_heat heat;
    struct board board;
    demo_hx210(&board);
    struct world_setup setup = demo_world_setup(&board, 1, 0);
    struct tl_error error;
    struct world *world = NULL;
    setup.grid_mm = 5;
    assert_int_equal(world_new(&world, &setup, &error), 0);
    world_hand(world, HAND_PLACE, -1);

    hold(world, 175, 0, 480);
    struct world_truth hot = truth_of(world);
    world_heat(world, &heat);

    assert_int_equal(hot.joint_last_segments[0], 1U << 4); /* opposite to x = 0 */
    assert_true(hot.joint_last_melt_s[0] > hot.joint_first_melt_s[0] + 20);
    assert_true(isnan(hot.joint_freezes_s[0]) && isnan(hot.joint_lifted_s[0]));
    assert_true(hot.lateral_k > 5 && hot.lateral_k < 60);
    for (int i = 0; i < BOARD_PARTS; i++)
        assert_true(hot.part_ramp_c_s[i] >= 0 && hot.part_ramp_c_s[i] < 3); /* J-STD-020 */
    assert_near(heat.at_s, hot.joint_last_melt_s[0], 1e-3);
    assert_int_equal(heat.cells_x[LAYER_LOWER] * heat.cells_y[LAYER_UPPER], 12 * 8);
    double last_s = 0;
    int places = 0;
    for (; places < heat.places && heat.place[places].joint == 0; places++)
        last_s = fmax(last_s, (double)heat.place[places].melts_s);
    assert_true(places >= 8 * 4); /* 25 mm in cells of 5 */
    assert_near(last_s, hot.joint_last_melt_s[0], 1e-3);

    for (int i = 0; i < 40 && isnan(truth_of(world).joint_freezes_s[0]); i++)
        hold(world, 60, 1, 10);
    assert_true(truth_of(world).joint_freezes_s[0] > hot.joint_last_melt_s[0]);
    world_hand(world, HAND_LIFT, -1);
    assert_true(truth_of(world).joint_lifted_s[0] > hot.joint_last_melt_s[0]);
    world_free(world);
}

/* Another limit for each part: below what it comes to, and far above. */
static void test_the_time_near_what_a_part_bears_is_counted(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    board.part[0].max_c = 125;
    struct world *world = demo_world(&board, 1, 0);
    world_hand(world, HAND_PLACE, -1);

    hold(world, 172, 0, 300);
    struct world_truth before = truth_of(world);
    hold(world, 172, 0, 100);
    struct world_truth after = truth_of(world);

    assert_true(before.part_c[0] > 125);
    assert_near(after.part_near_s[0], before.part_near_s[0] + 100, 1e-9);
    for (int i = 1; i < board.part_count; i++)
        assert_true(after.part_near_s[i] == 0);
    world_free(world);
}

static void test_pressing_cold_joints_does_no_harm(void **state)
{
    (void)state;
    struct world *world = plain_world();
    world_hand(world, HAND_PLACE, -1);

    world_hand(world, HAND_PRESS, -1);
    hold(world, 80, 0, 100);
    world_hand(world, HAND_RELEASE, -1);

    assert_near(truth_of(world).torn, 0, 0);
    assert_true(truth_of(world).upper_on);
    world_free(world);
}

static void test_hot_air_warms_what_it_is_held_on_until_it_is_taken_away(void **state)
{
    (void)state;
    struct world *world = plain_world();
    world_hand(world, HAND_PLACE, -1);
    world_hot_air(world, 6, 1);
    world_advance(world, 30000);
    double hot_c = truth_of(world).part_c[1];
    world_hot_air(world, 0, -1);
    world_advance(world, 60000);

    assert_true(hot_c > 60);
    assert_true(truth_of(world).part_c[1] < hot_c - 20);
    assert_near(truth_of(world).part_peak_c[1], hot_c, 0.5);
    world_free(world);
}

static void test_the_steepest_cooling_is_the_boards_own_not_a_hands(void **state)
{
    (void)state;
    struct world *world = plain_world();
    world_hand(world, HAND_PLACE, -1);
    hold(world, 150, 0, 300);
    world_hand(world, HAND_LIFT, -1);
    hold(world, 150, 0, 10);
    world_hand(world, HAND_PLACE, -1); /* a cold upper board: a step of 100 K, but no cooling */
    hold(world, 0, 100, 200);

    assert_true(truth_of(world).cool_c_s > 0.1);
    assert_true(truth_of(world).cool_c_s < 3);
    world_free(world);
}

static void test_energy_is_accounted_for_in_a_world_that_was_worked_in(void **state)
{
    (void)state;
    struct world *world = plain_world();
    world_hand(world, HAND_PLACE, -1);
    hold(world, 172, 0, 300);
    world_hand(world, HAND_LIFT, -1);
    hold(world, 0, 100, 300);

    struct world_truth truth = truth_of(world);

    assert_near(truth.put_j, truth.lost_j + truth.stored_j, 1e-9 * truth.put_j);
    world_free(world);
}

/* Runs a small script and keeps every byte that came back. */
static size_t transcript(uint64_t seed, double spread, int64_t stride_ms, char *out, size_t size)
{
    struct board board;
    demo_hx210(&board);
    struct world *world = demo_world(&board, seed, spread);
    fault(world, "sensor-unseated", 20000);
    size_t length = 0;
    for (int64_t t_ms = 0; t_ms < 30000; t_ms += 100) {
        if (t_ms == 2000)
            world_hand(world, HAND_PLACE, -1);
        const char *answer = demo_say(world, "1 set d=700 f=0 b=0");
        assert_true(length + strlen(answer) < size);
        memcpy(out + length, answer, strlen(answer));
        length += strlen(answer);
        for (int64_t to_ms = demo_now(world); to_ms < t_ms + 100; to_ms += stride_ms)
            world_advance(world, to_ms);
        world_advance(world, t_ms + 100);
    }
    world_free(world);
    return length;
}

static void test_the_same_seed_gives_the_same_bytes_in_whatever_strides(void **state)
{
    (void)state;
    static char first[65536], again[65536], other[65536];

    size_t length = transcript(7, 1, 100, first, sizeof first);

    assert_int_equal(transcript(7, 1, 100, again, sizeof again), length);
    assert_memory_equal(first, again, length);
    assert_int_equal(transcript(7, 1, 7, again, sizeof again), length);
    assert_memory_equal(first, again, length);
    assert_true(transcript(8, 1, 100, other, sizeof other) != length ||
                memcmp(first, other, length) != 0);
}

static void test_draws_stay_within_their_tolerances_and_spread_zero_is_nominal(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    double low_c = 99, high_c = 0;
    for (uint64_t seed = 1; seed <= 50; seed++) {
        struct world *world = demo_world(&board, seed, 1);
        world_advance(world, 1000);
        double room_c = truth_of(world).plate_c;
        assert_true(room_c >= 20 && room_c <= 24);
        low_c = fmin(low_c, room_c);
        high_c = fmax(high_c, room_c);
        double read_c = 0;
        for (int i = 0; i < 20; i++)
            read_c += demo_period(world, 0, 0).plate_c / 20;
        assert_near(read_c, room_c,
                    1.5 + 0.1); /* IEC 60584-1 class 1: 1.5 K; the mean of the noise */
        demo_say(world, "1 set d=1000 f=0 b=0");
        world_advance(world, 3500);
        assert_near(truth_of(world).heater_w, 600, 600 * 0.061); /* 3 % of volts */
        world_free(world);
    }
    assert_true(low_c < 21 && high_c > 23);
    struct world *nominal = demo_world(&board, 99, 0);
    assert_near(truth_of(nominal).plate_c, 22, 0);
    world_free(nominal);
}

/* The rise of a minute at full duty, no board: as the heat capacity says. */
static double rise_of(uint64_t seed, double spread, double tolerance)
{
    struct world_setup setup = demo_world_setup(NULL, seed, spread);
    setup.plate.tolerance = tolerance;
    struct tl_error error;
    struct world *world = NULL;
    assert_int_equal(world_new(&world, &setup, &error), 0);
    double from_c = truth_of(world).plate_c;
    for (int i = 0; i < 600; i++)
        demo_period(world, 1000, 0);
    double rise_k = truth_of(world).plate_c - from_c;
    world_free(world);
    return rise_k;
}

static void test_the_plate_is_drawn_within_its_tolerance_and_moves_no_other_draw(void **state)
{
    (void)state;
    double least = 1, most = 1;
    for (uint64_t seed = 1; seed <= 20; seed++) {
        double share = rise_of(seed, 1, 0.2) / rise_of(seed, 1, 0);
        assert_true(share > 0.8 && share < 1.25);
        least = fmin(least, share);
        most = fmax(most, share);
    }
    assert_true(least < 0.9 && most > 1.1);
    assert_near(rise_of(1, 0, 0.2), rise_of(2, 0, 0), 0);
}

static void test_readings_scatter_by_a_tenth_of_a_kelvin(void **state)
{
    (void)state;
    struct world *world = plain_world();
    double sum = 0, square = 0;
    enum { N = 2000 };
    for (int i = 0; i < N; i++) {
        double off = demo_period(world, 0, 0).plate_c - 22;
        sum += off;
        square += off * off;
    }

    assert_near(sum / N, 0, 0.01);
    assert_near(sqrt(square / N), 0.1, 0.01);
    world_free(world);
}

static void test_a_reading_lags_a_ramp_by_lag_times_slope(void **state)
{
    (void)state;
    struct world *world = plain_world();
    for (int i = 0; i < 600; i++)
        demo_period(world, 600, 0);
    double before_c = truth_of(world).plate_c;
    for (int i = 0; i < 10; i++)
        demo_period(world, 600, 0);

    struct world_truth truth = truth_of(world);

    assert_near(truth.plate_c - truth.sensor_c[SENSOR_PLATE], 1.5 * (truth.plate_c - before_c),
                0.02);
    world_free(world);
}

static void test_the_random_numbers_are_splitmix64(void **state)
{
    (void)state;
    /* First outputs for seed 1234567, as in the reference implementation's test values. */
    struct random random = {.state = 1234567};
    assert_true(random_next(&random) == 6457827717110365317u);
    assert_true(random_next(&random) == 3203168211198807973u);
    assert_true(random_next(&random) == 9817491932198370423u);
    double sum = 0, square = 0;
    for (int i = 0; i < 20000; i++) {
        double unit = random_unit(&random), normal = random_normal(&random);
        assert_true(unit >= 0 && unit < 1);
        assert_true(normal >= -3 && normal <= 3);
        sum += normal;
        square += normal * normal;
    }
    assert_near(sum / 20000, 0, 0.03);
    assert_near(square / 20000, 1, 0.04);
}

static void test_a_setup_that_makes_no_sense_is_refused(void **state)
{
    (void)state;
    struct board board;
    demo_hx210(&board);
    struct tl_error error;
    struct world *world = NULL;
    struct world_setup setup = demo_world_setup(&board, 1, 0);

    setup.instruments = WORLD_PORTS + 1;
    assert_int_equal(world_new(&world, &setup, &error), TL_FULL);
    setup = demo_world_setup(&board, 1, 0);
    setup.instrument[1].kind = (enum world_instrument)9;
    assert_int_equal(world_new(&world, &setup, &error), TL_UNKNOWN);
    setup = demo_world_setup(&board, 1, 0);
    setup.instrument[0].silence_ms = 0;
    assert_int_equal(world_new(&world, &setup, &error), TL_RANGE);
    assert_has(error.text, "silence");
    setup = demo_world_setup(&board, 1, (double)NAN);
    assert_int_equal(world_new(&world, &setup, &error), TL_RANGE);
    setup = demo_world_setup(&board, 1, 0);
    setup.plate.capacity_j_k = 0;
    assert_int_equal(world_new(&world, &setup, &error), TL_RANGE);
    assert_null(world);
    setup = demo_world_setup(NULL, 1, 0); /* a bench with nothing to lay down is a bench */
    assert_int_equal(world_new(&world, &setup, &error), 0);
    world_hand(world, HAND_PLACE, -1);
    world_hand(world, HAND_LIFT, 5);
    assert_false(truth_of(world).placed);
    assert_null(world_port(world, 2));
    world_free(world);
}

/* ---- a Modbus controller, a cut-off and contacts on its port, a reader (docs/reference/modbus-controller.md,
 * sensor-reader.md, scpi-meter.md) ---- */

enum { UNIT, CUTOFF, INPUTS, READER, METER };

static struct world_setup controller_setup(void)
{
    struct world_setup setup = demo_world_setup(NULL, 1, 0);
    setup.board_sensor = 0;
    setup.instruments = 5;
    setup.instrument[UNIT] = (struct world_instrument_setup){
        .kind = WORLD_MODBUS,
        .channels = 1,
        .touches = {SENSOR_PLATE},
        .lag_s = {1.5},
        .modbus = {.unit = 1,
                   .run_on = 1,
                   .run_off = 0,
                   .registers = 6,
                   .map = {{.use = WORLD_READING, .address = 0x1000, .per_unit = 10},
                           {.use = WORLD_SET_POINT, .address = 0x1001, .per_unit = 10},
                           {.use = WORLD_RUN, .address = 0x1010, .per_unit = 1},
                           {.use = WORLD_CONSTANT, .address = 0x1020, .value = 7},
                           {.use = WORLD_OUTPUT, .is_input = true, .address = 3, .per_unit = 10},
                           {.use = WORLD_READING,
                            .is_input = true,
                            .is_long = true,
                            .address = 8,
                            .per_unit = 100}}}};
    setup.instrument[CUTOFF] = (struct world_instrument_setup){
        .kind = WORLD_CONTACTOR, .shares = 1 + UNIT, .contactor = {.is_cutoff = true}};
    setup.instrument[INPUTS] = (struct world_instrument_setup){
        .kind = WORLD_INPUTS,
        .shares = 1 + UNIT,
        .inputs = {.stop = WORLD_CTS, .answer = WORLD_DSR, .fed = true}};
    setup.instrument[READER] =
        (struct world_instrument_setup){.kind = WORLD_READER,
                                        .identity = "BENCHTEMP 2 0007",
                                        .channels = 2,
                                        .touches = {SENSOR_PLATE_2, SENSORS},
                                        .reader = {.pattern = "T1={1} C T2={2} C;{*}",
                                                   .open = "----",
                                                   .ask = "READ?",
                                                   .ask_identity = "ID?"}};
    setup.instrument[METER] =
        (struct world_instrument_setup){.kind = WORLD_METER, .identity = "BENCHMETER"};
    return setup;
}

static struct world *world_of(const struct world_setup *setup)
{
    struct world *world = NULL;
    struct tl_error error;
    assert_int_equal(world_new(&world, setup, &error), 0);
    return world;
}

/* Hex without the check goes out with it; the answer comes back as hex without its check, which must hold. */
static const char *modbus(struct world *world, const char *hex)
{
    static char text[256];
    uint8_t frame[64], answer[128];
    size_t length = 0;
    for (const char *at = hex; *at; at += 2 + (at[2] == ' ')) {
        char two[3] = {at[0], at[1], 0};
        frame[length++] = (uint8_t)strtol(two, NULL, 16);
    }
    uint16_t sum = bytes_crc16(frame, length);
    frame[length++] = (uint8_t)sum;
    frame[length++] = (uint8_t)(sum >> 8);
    world_advance(world, demo_now(world) + 50); /* the silence between frames */
    port_write(world_port(world, UNIT), frame, length);
    while (world_next_reply_ms(world) != INT64_MAX)
        world_advance(world, world_next_reply_ms(world));
    int got = port_read(world_port(world, UNIT), answer, sizeof answer);
    text[0] = 0;
    if (got == 0)
        return text;
    assert_int_equal(bytes_crc16(answer, (size_t)got), 0);
    for (int i = 0; i < got - 2; i++)
        snprintf(text + strlen(text), sizeof text - strlen(text), "%s%02X", i ? " " : "",
                 answer[i]);
    return text;
}

static void test_the_controllers_registers_answer_as_the_standard_says(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    struct world *world = world_of(&setup);

    assert_string_equal(modbus(world, "01 06 10 01 06 A4"), "01 06 10 01 06 A4");
    assert_string_equal(modbus(world, "01 03 10 01 00 01"), "01 03 02 06 A4");
    assert_string_equal(modbus(world, "01 10 10 10 00 01 02 00 01"), "01 10 10 10 00 01");
    assert_string_equal(modbus(world, "01 03 10 10 00 01"), "01 03 02 00 01");
    assert_string_equal(modbus(world, "01 03 10 20 00 01"), "01 03 02 00 07");
    assert_string_equal(modbus(world, "00 06 10 10 00 00"), ""); /* to all */
    assert_string_equal(modbus(world, "01 03 10 10 00 01"), "01 03 02 00 00");
    assert_string_equal(modbus(world, "02 03 10 01 00 01"), ""); /* not its address */
    world_free(world);
}

static void test_the_controllers_exceptions_come_in_the_standards_order(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    struct world *world = world_of(&setup);

    assert_string_equal(modbus(world, "01 01 00 00 00 01"), "01 81 01");
    assert_string_equal(modbus(world, "01 03 20 00 00 01"), "01 83 02");
    assert_string_equal(modbus(world, "01 03 10 01 00 02"), "01 83 02"); /* runs into nothing */
    assert_string_equal(modbus(world, "01 03 10 01 00 00"), "01 83 03");
    assert_string_equal(modbus(world, "01 06 10 20 00 01"), "01 86 02"); /* a constant */
    assert_string_equal(modbus(world, "01 10 10 01 00 02 04 00 00 00 00"), "01 90 03");
    world_free(world);
}

static void test_a_long_register_comes_in_the_order_it_is_set_to(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    struct world *world = world_of(&setup);
    unsigned high, low;
    assert_int_equal(
        sscanf(modbus(world, "01 04 00 08 00 02"), "01 04 04 00 %x %x %x", &high, &high, &low) >= 2,
        true);
    world_free(world);

    setup.instrument[UNIT].modbus.low_word_first = true;
    setup.instrument[UNIT].modbus.low_byte_first = true;
    world = world_of(&setup);
    unsigned a, b, c, d;
    assert_int_equal(
        sscanf(modbus(world, "01 04 00 08 00 02"), "01 04 04 %x %x %x %x", &a, &b, &c, &d), 4);

    assert_near((double)(a | b << 8 | c << 16 | d << 24) / 100, 22, 1);
    world_free(world);
}

static void test_what_is_sent_into_an_answer_is_lost(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    struct world *world = world_of(&setup);
    static const uint8_t set[] = {0x01, 0x06, 0x10, 0x01, 0x06, 0xA4, 0xDE, 0xD1};
    static const uint8_t off[] = {0x01, 0x06, 0x10, 0x10, 0x00, 0x00, 0x8C, 0xCF};
    struct port *port = world_port(world, UNIT);
    uint8_t answer[64];
    modbus(world, "01 06 10 10 00 01");
    world_advance(world, demo_now(world) + 50);

    port_write(port, set, sizeof set);
    world_advance(world, demo_now(world) + 1);
    port_write(port, off, sizeof off);
    world_advance(world, demo_now(world) + 50);

    assert_int_equal(port_read(port, answer, sizeof answer), (int)sizeof set);
    assert_string_equal(modbus(world, "01 03 10 10 00 01"), "01 03 02 00 01");
    world_free(world);
}

static void test_every_corruption_and_every_half_of_a_request_is_passed_over(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    struct world *world = world_of(&setup);
    static const uint8_t good[] = {0x01, 0x06, 0x10, 0x01, 0x06, 0xA4, 0xDE, 0xD1};
    struct port *port = world_port(world, UNIT);
    uint8_t answer[64];

    for (size_t i = 0; i < sizeof good; i++)
        for (int bit = 0; bit < 8; bit++) {
            uint8_t bad[sizeof good];
            memcpy(bad, good, sizeof bad);
            bad[i] ^= (uint8_t)(1 << bit);
            world_advance(world, demo_now(world) + 50);
            port_write(port, bad, sizeof bad);
            world_advance(world, demo_now(world) + 50);
            assert_int_equal(port_read(port, answer, sizeof answer), 0);
        }
    for (size_t i = 0; i < sizeof good; i++) {
        world_advance(world, demo_now(world) + 50);
        port_write(port, good, i);
        world_advance(world, demo_now(world) + 50);
        assert_int_equal(port_read(port, answer, sizeof answer), 0);
    }
    /* and byte by byte without a gap it is whole */
    for (size_t i = 0; i < sizeof good; i++)
        port_write(port, good + i, 1);
    world_advance(world, demo_now(world) + 50);
    assert_int_equal(port_read(port, answer, sizeof answer), 8);
    world_free(world);
}

static void heat_to(struct world *world, const char *set)
{
    port_set_lines(world_port(world, UNIT), true, false);
    modbus(world, set);
    modbus(world, "01 06 10 10 00 01");
}

static void test_a_controller_told_off_drives_with_nothing_at_once(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    struct world *world = world_of(&setup);

    heat_to(world, "01 06 10 01 05 DC");
    world_advance(world, demo_now(world) + 5000);
    assert_true(truth_of(world).duty > 0);
    modbus(world, "01 06 10 10 00 00");

    assert_true(truth_of(world).duty <= 0);
    world_free(world);
}

static void test_the_controller_holds_its_set_point_and_keeps_it_when_the_link_is_lost(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    struct world *world = world_of(&setup);

    heat_to(world, "01 06 10 01 05 DC"); /* 150 C */
    world_advance(world, demo_now(world) + 1200000);

    assert_near(truth_of(world).plate_c, 150, 2);
    assert_near(truth_of(world).setpoint_c, 150, 0.01);
    assert_true(truth_of(world).plate_peak_c < 165);
    world_free(world);
}

static void test_a_controller_with_a_time_out_switches_itself_off(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    setup.instrument[UNIT].silence_ms = 3000;
    struct world *world = world_of(&setup);

    heat_to(world, "01 06 10 01 05 DC");
    world_advance(world, demo_now(world) + 2000);
    assert_true(truth_of(world).duty > 0);
    world_advance(world, demo_now(world) + 2000);

    assert_near(truth_of(world).duty, 0, 0);
    assert_string_equal(modbus(world, "01 03 10 10 00 01"), "01 03 02 00 00");
    world_free(world);
}

static void test_an_open_cut_off_means_no_heat_whatever_is_asked(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    struct world *world = world_of(&setup);
    struct tl_error error;

    heat_to(world, "01 06 10 01 05 DC");
    world_advance(world, demo_now(world) + 5000);
    assert_true(truth_of(world).heater_w > 100);
    assert_true(truth_of(world).cutoff_closed);
    assert_int_equal(world_add_fault(world, "heater-stuck-on", 0, &error), 0);
    port_set_lines(world_port(world, CUTOFF), false, true);
    world_advance(world, demo_now(world) + 100);
    assert_near(truth_of(world).heater_w, 0, 0);
    assert_false(truth_of(world).cutoff_closed);

    assert_int_equal(world_add_fault(world, "cut-off-stuck", 0, &error), 0);
    world_advance(world, demo_now(world) + 100);
    assert_true(truth_of(world).heater_w > 100);
    world_free(world);
}

static void test_a_controller_may_ignore_its_set_point_and_say_so_when_read_back(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    struct world *world = world_of(&setup);
    struct tl_error error;

    heat_to(world, "01 06 10 01 05 DC");
    assert_int_equal(world_add_fault(world, "controller-ignores-set-point", 0, &error), 0);

    assert_string_equal(modbus(world, "01 06 10 01 00 00"), "01 06 10 01 00 00");
    assert_string_equal(modbus(world, "01 03 10 01 00 01"), "01 03 02 05 DC");
    world_free(world);
}

static void test_contacts_show_on_their_lines_while_they_are_fed(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    struct world *world = world_of(&setup);
    struct port *port = world_port(world, INPUTS);
    bool cts, dsr, dcd;

    assert_int_equal(port_get_lines(port, &cts, &dsr, &dcd), 0);
    assert_false(cts); /* not fed: as a cut wire */
    port_set_lines(port, true, true);
    port_get_lines(port, &cts, &dsr, &dcd);
    assert_true(cts && !dsr && !dcd);
    world_contacts(world, true, true);
    port_get_lines(port, &cts, &dsr, &dcd);
    assert_true(!cts && dsr && !dcd);
    world_free(world);
}

static void test_a_contactor_may_be_the_heaters_own_switch(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    setup.instruments = 1;
    setup.instrument[0] =
        (struct world_instrument_setup){.kind = WORLD_CONTACTOR, .contactor = {.on_dtr = true}};
    struct world *world = world_of(&setup);

    port_set_lines(world_port(world, 0), true, false);
    world_advance(world, 1000);
    assert_near(truth_of(world).heater_w, 0, 0);
    port_set_lines(world_port(world, 0), false, true);
    world_advance(world, 2000);

    assert_near(truth_of(world).heater_w, 600, 1);
    world_free(world);
}

static void test_a_by_hand_plate_does_what_its_knob_says(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    setup.instruments = 1;
    setup.instrument[0] = (struct world_instrument_setup){.kind = WORLD_BY_HAND};
    struct world *world = world_of(&setup);

    world_knob(world, 60);
    world_advance(world, 900000);
    assert_near(truth_of(world).plate_c, 60, 2);
    world_knob(world, NAN);
    world_advance(world, 900100);

    assert_near(truth_of(world).heater_w, 0, 0);
    world_free(world);
}

static void test_the_reader_answers_its_question_in_its_pattern(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    struct world *world = world_of(&setup);
    double first, second;

    assert_string_equal(demo_ask(world, READER, "ID?\r\n"), "BENCHTEMP 2 0007\n");
    assert_int_equal(
        sscanf(demo_ask(world, READER, "READ?\n"), "T1=%lf C T2=%lf C;0\n", &first, &second), 2);
    assert_near(first, 22, 1);
    assert_string_equal(demo_ask(world, READER, "WHAT?\n"), "");
    world_free(world);
}

static void test_a_reader_without_a_question_streams(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    setup.instrument[READER].reader.ask[0] = 0;
    setup.instrument[READER].reader.every_ms = 500;
    snprintf(setup.instrument[READER].reader.pattern, 128, "{1}");
    setup.instrument[READER].reader.fahrenheit = true;
    struct world *world = world_of(&setup);
    char text[512] = "";

    for (int i = 0; i < 4; i++) {
        world_advance(world, demo_now(world) + 500);
        size_t had = strlen(text);
        int got = port_read(world_port(world, READER), text + had, sizeof text - had - 1);
        text[had + (size_t)got] = 0;
    }

    double f[5];
    assert_int_equal(sscanf(text, "%lf\n%lf\n%lf\n%lf\n%lf", &f[0], &f[1], &f[2], &f[3], &f[4]), 4);
    assert_near(f[3], 71.6, 2); /* 22 C */
    world_free(world);
}

static void test_gibberish_fits_no_pattern_and_no_check(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    struct world *world = world_of(&setup);
    struct tl_error error;
    static const uint8_t ask[] = {0x01, 0x03, 0x10, 0x00, 0x00, 0x01, 0x80, 0xCA};
    uint8_t answer[64];

    assert_int_equal(world_add_fault(world, "reader-gibberish", 0, &error), 0);
    port_write(world_port(world, UNIT), ask, sizeof ask);
    world_advance(world, 500);

    int got = port_read(world_port(world, UNIT), answer, sizeof answer);
    assert_int_equal(got, 7);
    assert_int_not_equal(bytes_crc16(answer, 7), 0);
    world_free(world);
}

static void test_an_unplugged_port_ends_and_drops_its_lines(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    struct world *world = world_of(&setup);
    struct tl_error error;
    char byte;
    bool line;

    heat_to(world, "01 06 10 01 05 DC");
    world_advance(world, demo_now(world) + 2000);
    assert_true(truth_of(world).heater_w > 0);
    assert_int_equal(world_add_fault(world, "usb-unplugged", 0, &error), 0);
    world_advance(world, demo_now(world) + 100);

    assert_int_equal(port_read(world_port(world, UNIT), &byte, 1), TL_ENDED);
    assert_int_equal(port_write(world_port(world, UNIT), &byte, 1), TL_ENDED);
    assert_int_equal(port_set_lines(world_port(world, CUTOFF), true, true), TL_ENDED);
    assert_int_equal(port_get_lines(world_port(world, INPUTS), &line, &line, &line), TL_ENDED);
    assert_near(truth_of(world).heater_w, 0,
                0); /* the cut-off dropped; the controller still holds */
    assert_near(truth_of(world).setpoint_c, 150, 0.01);
    world_free(world);
}

static void test_the_meter_reads_the_rail_it_is_on(void **state)
{
    (void)state;
    struct world_setup setup = controller_setup();
    static struct board board;
    demo_hx210(&board);
    setup.board = &board;
    struct world *world = world_of(&setup);
    double ohms;

    assert_has(demo_ask(world, METER, "*IDN?\n"), "BENCHMETER");
    assert_int_equal(sscanf(demo_ask(world, METER, "MEAS:RES?\n"), "%lf", &ohms), 1);
    assert_near(ohms / world_rail_ohms(world, 0), 1, 0.05);
    assert_int_equal(sscanf(demo_ask(world, METER, "measure:diode?\n"), "%lf", &ohms), 1);
    assert_string_equal(demo_ask(world, METER, "OUTP ON\n"), ""); /* it is no supply */
    assert_has(demo_ask(world, METER, "SYST:ERR?\n"), "-113");
    world_free(world);

    setup.board = NULL;
    world = world_of(&setup);
    assert_string_equal(demo_ask(world, METER, "MEAS:RES?\n"), "+9.90000E+37\n");
    world_free(world);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_who_is_answered_with_maker_serial_silence_and_uptime),
        cmocka_unit_test(test_set_drives_and_tells_duty_fan_and_inputs),
        cmocka_unit_test(test_an_answer_comes_after_its_latency_and_not_before),
        cmocka_unit_test(test_lines_that_break_the_grammar_get_no_answer),
        cmocka_unit_test(test_one_wrong_byte_anywhere_silences_a_line),
        cmocka_unit_test(test_well_formed_lines_that_make_no_sense_are_refused),
        cmocka_unit_test(test_off_needs_no_check_and_counts_after_nonsense),
        cmocka_unit_test(test_an_overlong_line_is_skipped_whole_unless_it_begins_with_off),
        cmocka_unit_test(test_the_silence_timer_switches_off_and_says_so_once),
        cmocka_unit_test(test_a_regulating_plate_holds_its_set_point_by_itself),
        cmocka_unit_test(test_the_supply_tells_who_it_is_in_four_fields),
        cmocka_unit_test(test_headers_are_taken_short_or_long_in_any_case_with_optional_nodes),
        cmocka_unit_test(test_numbers_are_taken_in_all_three_forms_and_with_units),
        cmocka_unit_test(test_compound_messages_follow_the_path_and_answer_on_one_line),
        cmocka_unit_test(test_mistakes_queue_up_to_ten_and_the_overflow_says_so),
        cmocka_unit_test(test_the_status_byte_sums_up_errors_and_enabled_events),
        cmocka_unit_test(test_no_bytes_can_upset_an_instrument),
        cmocka_unit_test(test_reset_switches_the_supply_off_and_forgets_its_levels),
        cmocka_unit_test(test_a_query_takes_15_ms_and_two_take_30),
        cmocka_unit_test(test_a_healthy_rail_draws_its_idle_current_at_nominal_volts),
        cmocka_unit_test(test_a_short_collapses_the_volts_and_heats_its_part),
        cmocka_unit_test(test_a_board_without_an_insert_lies_on_the_table_and_can_be_fed),
        cmocka_unit_test(test_the_short_goes_with_its_part),
        cmocka_unit_test(test_the_supply_feeds_the_rail_it_is_clipped_to),
        cmocka_unit_test(test_an_unseated_sensor_reads_low_while_the_plate_stays_hot),
        cmocka_unit_test(test_an_open_sensor_says_open),
        cmocka_unit_test(test_a_frozen_sensor_repeats_its_last_digits),
        cmocka_unit_test(test_a_stuck_heater_heats_though_the_instrument_says_zero),
        cmocka_unit_test(test_a_silent_device_stops_answering_and_its_own_timer_cuts_the_heat),
        cmocka_unit_test(test_stop_and_a_hung_recipe_show_in_the_truth),
        cmocka_unit_test(test_a_shorted_sensor_reads_its_terminals_and_wires_of_type_n_too_little),
        cmocka_unit_test(test_a_sensor_on_a_rail_reads_more_while_it_is_fed),
        cmocka_unit_test(test_a_supply_that_is_stuck_says_off_and_feeds_on),
        cmocka_unit_test(test_a_supply_without_its_limit_gives_what_is_drawn),
        cmocka_unit_test(test_a_port_that_stalls_answers_half_a_second_later),
        cmocka_unit_test(test_a_plate_that_starts_anew_drives_nothing_and_counts_from_zero),
        cmocka_unit_test(test_a_wet_swab_cools_the_tip_for_8_s_and_the_board_lies_as_it_lay),
        cmocka_unit_test(test_a_board_that_is_taken_is_gone_and_its_sensor_reads_the_room),
        cmocka_unit_test(
            test_a_board_that_does_not_lie_flat_warms_more_slowly_whenever_it_is_laid_down),
        cmocka_unit_test(test_a_board_is_unseated_once),
        cmocka_unit_test(test_an_unknown_fault_gets_a_did_you_mean),
        cmocka_unit_test(test_a_fault_that_this_bench_cannot_have_is_refused),
        cmocka_unit_test(test_the_board_sensor_reads_the_room_until_the_board_is_laid_down),
        cmocka_unit_test(test_a_clean_lift_and_a_torn_one),
        cmocka_unit_test(test_a_joint_that_melts_twice_has_its_times_of_each_pass),
        cmocka_unit_test(test_a_fine_world_tells_where_its_frame_melts_first_and_last),
        cmocka_unit_test(test_the_time_near_what_a_part_bears_is_counted),
        cmocka_unit_test(test_pressing_cold_joints_does_no_harm),
        cmocka_unit_test(test_hot_air_warms_what_it_is_held_on_until_it_is_taken_away),
        cmocka_unit_test(test_the_steepest_cooling_is_the_boards_own_not_a_hands),
        cmocka_unit_test(test_energy_is_accounted_for_in_a_world_that_was_worked_in),
        cmocka_unit_test(test_the_same_seed_gives_the_same_bytes_in_whatever_strides),
        cmocka_unit_test(test_draws_stay_within_their_tolerances_and_spread_zero_is_nominal),
        cmocka_unit_test(test_the_plate_is_drawn_within_its_tolerance_and_moves_no_other_draw),
        cmocka_unit_test(test_readings_scatter_by_a_tenth_of_a_kelvin),
        cmocka_unit_test(test_a_reading_lags_a_ramp_by_lag_times_slope),
        cmocka_unit_test(test_the_random_numbers_are_splitmix64),
        cmocka_unit_test(test_a_setup_that_makes_no_sense_is_refused),
        cmocka_unit_test(test_the_controllers_registers_answer_as_the_standard_says),
        cmocka_unit_test(test_the_controllers_exceptions_come_in_the_standards_order),
        cmocka_unit_test(test_a_long_register_comes_in_the_order_it_is_set_to),
        cmocka_unit_test(test_what_is_sent_into_an_answer_is_lost),
        cmocka_unit_test(test_a_controller_told_off_drives_with_nothing_at_once),
        cmocka_unit_test(test_every_corruption_and_every_half_of_a_request_is_passed_over),
        cmocka_unit_test(
            test_the_controller_holds_its_set_point_and_keeps_it_when_the_link_is_lost),
        cmocka_unit_test(test_a_controller_with_a_time_out_switches_itself_off),
        cmocka_unit_test(test_an_open_cut_off_means_no_heat_whatever_is_asked),
        cmocka_unit_test(test_a_controller_may_ignore_its_set_point_and_say_so_when_read_back),
        cmocka_unit_test(test_contacts_show_on_their_lines_while_they_are_fed),
        cmocka_unit_test(test_a_contactor_may_be_the_heaters_own_switch),
        cmocka_unit_test(test_a_by_hand_plate_does_what_its_knob_says),
        cmocka_unit_test(test_the_reader_answers_its_question_in_its_pattern),
        cmocka_unit_test(test_a_reader_without_a_question_streams),
        cmocka_unit_test(test_gibberish_fits_no_pattern_and_no_check),
        cmocka_unit_test(test_an_unplugged_port_ends_and_drops_its_lines),
        cmocka_unit_test(test_the_meter_reads_the_rail_it_is_on),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
