/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * board.h - the board: its parts, pins, nets, steps and limits; and what a fault is.
 *
 * Plain data, filled by cj_board_read from a board file (YAML, strict). Indices: a part, net or step is its
 * place in the board's array; a pin is counted from 1 as on the part. Net 0 is always the reference, gnd.
 */
#ifndef COLDJOINT_BOARD_H
#define COLDJOINT_BOARD_H

#include "coldjoint/base.h"
#include "coldjoint/signal.h" /* cj_stimulus */

#ifdef __cplusplus
extern "C" {
#endif

/* ---- parts ---- */

enum {
    CJ_GND = 0,      /* the net gnd */
    CJ_NO_NET = -1,  /* a pin that is not connected (nc); a net that does not apply */
    CJ_NO_PART = -1,
};

#define CJ_PART_LIST(X)                                                                            \
    X(CJ_RESISTOR, "resistor")                                                                     \
    X(CJ_CAPACITOR, "capacitor")                                                                   \
    X(CJ_POTENTIOMETER, "potentiometer")                                                           \
    X(CJ_SWITCH, "switch")                                                                         \
    X(CJ_TRANSFORMER, "transformer")                                                               \
    X(CJ_DIODE, "diode")                                                                           \
    X(CJ_OPAMP, "opamp")

typedef enum cj_part_kind {
#define CJ_PART_ENUM(name, word) name,
    CJ_PART_LIST(CJ_PART_ENUM)
#undef CJ_PART_ENUM
} cj_part_kind;

CJ_API const char *cj_part_word(cj_part_kind kind);

/* Which way the input bias current flows (data sheets; fault_physics: which rail a floating pin finds). */
typedef enum cj_bias { CJ_BIAS_UNKNOWN, CJ_BIAS_IN, CJ_BIAS_OUT } cj_bias;

/* One section of an op-amp. Figures are typical values, spreads one standard deviation from part to part. */
typedef struct cj_opamp {
    char type[24];
    double gbw_hz, gbw_spread;   /* gain-bandwidth product; relative spread */
    double slew_v_per_s;
    double gain;                 /* at DC, V/V */
    double offset_v;             /* standard deviation of the input offset, which is as often negative: the
                                    typical value of a data sheet, or in a board file, over 0.67 */
    double bias_a;               /* typical magnitude, >= 0 */
    cj_bias bias_way;
    double swing_v, swing_spread; /* how far short of each rail the output stops; standard deviation, V */
    double output_ohm;           /* open loop */
    double input_ohm;            /* between the inputs */
    bool ideal;                  /* no offset, no bias, no slew limit, very large gain and bandwidth; false
                                    where one of these is given beside `type: ideal` */
    bool jfet;                   /* p-channel JFET inputs: output goes high when an input is held at v- */
    bool clamped;                /* diodes across the inputs */
} cj_opamp;

/* Pins (from 1) of one section; supply pins are 0 on a bare section (supplied from the rails), and where they are
 * not connected, which only a board without rails may have. */
typedef struct cj_section {
    int out, inverting, plus;
    int v_plus, v_minus;
} cj_section;

typedef struct cj_diode {
    char type[24];
    double saturation_a, emission, series_ohm; /* I = Is (exp(V / n Vt) - 1) behind a resistance */
} cj_diode;

/* A position of a switch: which pins it joins. */
typedef struct cj_position {
    char name[32];
    int (*pairs)[2]; /* pins from 1 */
    size_t pair_count;
} cj_position;

typedef struct cj_part {
    char ref[32];
    cj_part_kind kind;
    int *pins;          /* net of pin 1, 2, ...; CJ_NO_NET: not connected */
    size_t pin_count;
    double value;       /* ohm (resistor, potentiometer track), farad; NaN for other kinds */
    double tolerance;   /* of the value, a fraction (0.01), the limits of a rectangular spread; 0: exact */
    bool polarised;     /* capacitor: pin 1 is + */
    bool audio_taper;   /* potentiometer: 15 % at half rotation, two straight lines; else linear */
    cj_position *positions; /* switch */
    size_t position_count;
    double ratio, inductance_h, winding_ohm[2], coupling; /* transformer: pins p1 p2 s1 s2; ratio secondary/primary,
                                                             the primary's inductance */
    cj_diode diode;
    cj_opamp opamp;
    cj_section sections[4]; /* op-amp */
    int section_count;
    long line;          /* in the board file */
} cj_part;

/* ---- the bench around it ---- */

typedef struct cj_input {
    int net;
    double source_ohm;  /* at least 1 mohm, which is what 0 in the file becomes */
    bool idle_open;     /* the jack unplugged: open; else grounded (through source_ohm) */
} cj_input;

typedef struct cj_output {
    int net;
    double load_ohm;
} cj_output;

typedef enum cj_shape {
    CJ_QUIET, CJ_TONE, CJ_SWEEP, CJ_TWO_TONE, CJ_SQUARE, CJ_STEPPED, CJ_NOISE
} cj_shape;

/* What a channel looks at: a net against gnd, or against another net ("hot-cold"). */
typedef struct cj_view {
    int net;
    int against; /* CJ_GND: plainly the net */
} cj_view;

typedef struct cj_step {
    char name[48];
    int drive;               /* index into inputs, -1: nothing is driven */
    cj_shape shape;
    double hz[2], peak[2];   /* tone, square: [0]; two-tone: both; stepped: hz[0] */
    double from, to, seconds; /* sweep: Hz; stepped: V peak */
    int level_steps;         /* stepped */
    double rms;              /* noise */
    bool pink;
    double wait_s;
    bool power_off;
    double *settings;        /* per part of the board: switch: index of the position; potentiometer: rotation
                                0..1 from pin 1 to pin 3; NaN for others. From `rest`, then `set`. */
    cj_view see[2];
    int see_count;           /* channels of the step's capture: 1 or 2 */
    long line;
} cj_step;

typedef struct cj_limit {
    char step[48];           /* "*": wherever it is measurable; "" with from_tolerance */
    char figure[24];
    cj_view of;              /* figure of one channel: which net; .net CJ_NO_NET: a figure of the pair */
    double min, max;         /* infinite where open */
    bool from_tolerance;     /* gain, phase and DC limits of every step from tolerances and offsets */
    double sigmas;
    long line;
} cj_limit;

typedef struct cj_board {
    char name[64];
    char *title;             /* "" where none is given */
    char (*nets)[32];        /* [0] is "gnd" */
    size_t net_count;
    int v_plus, v_minus;     /* nets of the rails (v_minus CJ_GND with a single supply); CJ_NO_NET: no rails */
    double v_plus_v, v_minus_v;
    cj_part *parts;
    size_t part_count;
    cj_input *inputs;
    size_t input_count;
    cj_output *outputs;
    size_t output_count;
    cj_step *steps;
    size_t step_count;
    cj_limit *limits;
    size_t limit_count;
    cj_lines warnings;       /* "FILE:LINE:COL: net x1 has one pin only", ... */
} cj_board;

enum { CJ_BOARD_ERRORS = 20 };

/* All that is wrong with a file, up to CJ_BOARD_ERRORS, in the file's order. */
typedef struct cj_errors {
    cj_error items[CJ_BOARD_ERRORS];
    int count;
} cj_errors;

/* Reads a board file ("-" is standard input). On failure returns the status of the first error; errors may
 * be NULL. A board that is returned is whole: every index is in range, every value finite and possible. */
CJ_API CJ_MUST_CHECK cj_status cj_board_read(const char *path, cj_board **out, cj_errors *errors);
/* The same from memory; name is what errors call it. */
CJ_API CJ_MUST_CHECK cj_status cj_board_read_text(const char *name, const char *text, size_t length,
                                                  cj_board **out, cj_errors *errors);
CJ_API void cj_board_free(cj_board *board);

/* Index of a name, -1 where there is none. A view is "net" or "net-net" and gives false where it is none. */
CJ_API int cj_board_part(const cj_board *board, const char *ref);
CJ_API int cj_board_net(const cj_board *board, const char *name);
CJ_API int cj_board_step(const cj_board *board, const char *name);
CJ_API bool cj_board_view(const cj_board *board, const char *text, cj_view *out);
/* "left_out" or "hot-cold" */
CJ_API void cj_board_view_text(const cj_board *board, cj_view view, char *text, size_t size);
/* The section of a package that has this pin as output, input (index into sections), -1: none. */
CJ_API int cj_part_section(const cj_part *part, int pin);

/* ---- the steps as work at the bench ---- */

/*
 * The signal a step plays, in volts peak of the source. A tone, two-tone and square last 5 s, and 10 periods
 * where they are very low. A step that drives nothing: silence without a marker. rate_hz 0: the lowest of 48, 96 and
 * 192 kHz at which the signal is possible. CJ_USAGE: at none, with the reason.
 */
CJ_API CJ_MUST_CHECK cj_status cj_step_stimulus(const cj_step *step, double rate_hz, cj_stimulus *out,
                                                cj_error *err);

/* What is to be changed between two steps, as a cost: leads (drive, channels) 40 each, potentiometers 8, switches 4,
 * another signal 1; power 10000. The same both ways. */
CJ_API long cj_board_change(const cj_board *board, size_t from, size_t to);

/*
 * The order of the steps that changes least in all (nearest step first, from every start, then stretches turned
 * round while that saves; the board's own order where none is better); those with the power off come first.
 * order[step_count] takes indices into board->steps.
 */
CJ_API CJ_MUST_CHECK cj_status cj_board_order(const cj_board *board, size_t *order, cj_error *err);

/* The preferred value (IEC 60063: E24 and E96 values) nearest to a value in ratio, and as written on parts
 * ("4k7", "22p"; IEC 60062). series 24 or 96. */
CJ_API double cj_preferred(double value, int series);
CJ_API void cj_value_text(double value, char *text, size_t size);

/* ---- faults ---- */

/* The one list of fault kinds: enumerator, word as written in JSON and on a command line. */
#define CJ_FAULT_LIST(X)                                                                           \
    X(CJ_FAULT_OPEN_PIN, "open-pin")                                                               \
    X(CJ_FAULT_BRIDGE, "bridge")                                                                   \
    X(CJ_FAULT_SHORTED, "shorted")                                                                 \
    X(CJ_FAULT_WRONG_VALUE, "wrong-value")                                                         \
    X(CJ_FAULT_SWAPPED, "swapped")                                                                 \
    X(CJ_FAULT_REVERSED, "reversed")                                                               \
    X(CJ_FAULT_AT_RAIL, "at-rail")                                                                 \
    X(CJ_FAULT_WEAK, "weak")                                                                       \
    X(CJ_FAULT_UNPOWERED, "unpowered")                                                             \
    X(CJ_FAULT_OUTSIDE, "outside")

typedef enum cj_fault_kind {
#define CJ_FAULT_ENUM(name, word) name,
    CJ_FAULT_LIST(CJ_FAULT_ENUM)
#undef CJ_FAULT_ENUM
} cj_fault_kind;

CJ_API const char *cj_fault_word(cj_fault_kind kind);

/* One fault. Strings that do not apply are empty, pins 0, values NaN. */
typedef struct cj_fault {
    cj_fault_kind kind;
    char part[32];
    int pin, pin2;
    double value, low, high; /* wrong-value: ohm or farad; 90 % interval of what may be written on the part */
    char nearest[16];
    char other[32];
    char rail[16];           /* at-rail: v+ or v-; unpowered: the rail */
    char figure[24];         /* weak: offset, gbw, slew, swing, gain, bias */
    char role[96];           /* outside: the place in words, "summing op-amp, output pin" */
    struct cj_fault *with;   /* a second fault at the same time ("together"), else NULL; owned */
} cj_fault;

/* A fault with everything empty. */
CJ_API cj_fault cj_fault_none(cj_fault_kind kind);
/* A deep copy (with `with`); false: out of memory. cj_fault_clear frees what a fault owns. */
CJ_API bool cj_fault_copy(cj_fault *to, const cj_fault *from);
CJ_API void cj_fault_clear(cj_fault *fault);

/* KIND:REF[:PIN[-PIN2]], "wrong-value:R22=10k", "swapped:R1-R2", "at-rail:U1:7=v+", "weak:U1:7=offset",
 * "unpowered:v+", "outside:ROLE"; two at once joined by +. Written back the same way. */
CJ_API CJ_MUST_CHECK cj_status cj_fault_read(const char *text, cj_fault *out, cj_error *err);
CJ_API void cj_fault_text(const cj_fault *fault, cj_text *out);

#ifdef __cplusplus
}
#endif
#endif
