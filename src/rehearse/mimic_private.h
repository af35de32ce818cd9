/* SPDX-License-Identifier: MIT */
/* What the files of the mimic share. */
#ifndef TINLATCH_MIMIC_PRIVATE_H
#define TINLATCH_MIMIC_PRIVATE_H

#include "rehearse_private.h"
#include "tinlatch/clock.h"
#include "tinlatch/mimic.h"

/* Whoever may give commands: clients of the socket, and behind them the keyboard. */
enum { MIMIC_CLIENTS = 4, MIMIC_KEYBOARD = MIMIC_CLIENTS, MIMIC_SPEAKERS };
enum { MIMIC_LINE = 128, MIMIC_PENDING = 4096, MIMIC_REPLY = 4096 };

/* One pseudo-terminal, one port of the bench. */
struct mimic_port {
    char path[64]; /* its other end */
    int master,
        slave; /* the other end is kept open, so that a program may come and go; -1 = gone */
    struct port *world;
    int watched;                 /* for the close of its last holder */
    bool rts, dtr;               /* as the control socket set them: a pseudo-terminal has none */
    int64_t last_byte_ms;        /* received; -1 = never */
    int64_t heard, said;         /* bytes */
    char pending[MIMIC_PENDING]; /* said, but not yet taken by the terminal */
    size_t pending_length;
};

enum mimic_output { OUTPUT_HEATER, OUTPUT_FAN, OUTPUT_SUPPLY, OUTPUT_CUTOFF, OUTPUTS };

struct mimic_switch {
    int port; /* whose bytes command it; -1 = nobody's */
    bool there, on;
    int64_t last_on_ms; /* -1 = never */
    int64_t seen_ms, on_ms;
};

struct mimic_client {
    int fd; /* -1 = free */
    char line[MIMIC_LINE];
    size_t length;
};

struct mimic {
    const struct mimic_setup *setup;
    struct clock clock;
    struct world *world;
    struct board board;
    struct insert insert;
    bool has_board;
    int64_t now_ms;
    double began_s; /* by the monotonic clock */
    struct mimic_port port[BENCH_PORTS];
    struct mimic_switch output[OUTPUTS];
    int listener, signals, closes;
    struct mimic_client client[MIMIC_SPEAKERS];
    bool stop_contact, answer_contact, over;
};

/* mimic_port.c */
int mimic_open_ports(struct mimic *mimic, struct tl_error *error);
void mimic_close_ports(struct mimic *mimic);
void mimic_hear(struct mimic *mimic, struct mimic_port *port);
void mimic_say(struct mimic *mimic, struct mimic_port *port);
int mimic_write_bench(const struct mimic *mimic, struct tl_error *error);

/* mimic_lines.c */
int mimic_watch_ports(struct mimic *mimic, struct tl_error *error);
void mimic_see_closed(struct mimic *mimic);
void mimic_set_lines(struct mimic *mimic, struct mimic_port *port, bool rts, bool dtr);

/* mimic_control.c */
int mimic_listen(struct mimic *mimic, struct tl_error *error);
void mimic_accept(struct mimic *mimic);
/* What to poll for the i-th speaker's commands; -1: nothing. */
int mimic_listens_to(const struct mimic *mimic, int i);
void mimic_serve(struct mimic *mimic, struct mimic_client *client);
void mimic_hang_up(struct mimic *mimic);

/* mimic_report.c */
void mimic_observe(struct mimic *mimic);
void mimic_write_truth(const struct mimic *mimic, FILE *out);
void mimic_report(const struct mimic *mimic, FILE *out);

/* mimic_board.c: the board and insert of a recipe, read in a process of its own */
int mimic_lay_out(struct mimic *mimic, struct tl_error *error);

#endif
