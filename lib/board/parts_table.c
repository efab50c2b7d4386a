/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * The parts table: typical figures from published data sheets, at +-15 V and 25 C.
 *
 * They rank hypotheses about a fault; they are no limits of a part, and makers of one type number
 * differ (a TL072 slews 13 or 16 V/us, depending on whose it is). "from memory": not looked up; the
 * order of magnitude is right.
 *
 * The same for all real types, from experience and not from a sheet: gbw_spread 0.2; swing_spread
 * 0.4 V (what is left out is the load: swing is that with 10 kohm, 2 kohm costs another 0.5 to 1.5
 * V). offset_v is the typical offset over CJ__TYPICAL_OFFSET. The direction of the bias current:
 * into the pins of NPN and p-channel JFET inputs, out of those of PNP inputs (device physics, from
 * memory); unknown where it is cancelled inside.
 */
#include "board/internal.h"

#define MV(typical) ((typical)*1e-3 / CJ__TYPICAL_OFFSET)
#define REAL .gbw_spread = 0.2, .swing_spread = 0.4

/* TL07x. GBW 4 MHz, offset 3 mV, bias 20 pA, gain 200 V/mV, slew 16 V/us: ST TL072 data sheet
 * (1998, 2001); slew 13 V/us: Motorola TL071C/TL072C/TL074C and TI SLOS080D, taken here. Swing 13.5
 * V with 10 kohm: ST. Input resistance 1e12 ohm: from memory. Output: 100 and 200 ohm in the output
 * branch of ST's schematic, in doubt. */
#define TL07(name, count)                                                                          \
    {                                                                                              \
        {.type = name,                                                                             \
         REAL,                                                                                     \
         .gbw_hz = 4e6,                                                                            \
         .slew_v_per_s = 13e6,                                                                     \
         .gain = 200e3,                                                                            \
         .offset_v = MV(3),                                                                        \
         .bias_a = 20e-12,                                                                         \
         .bias_way = CJ_BIAS_IN,                                                                   \
         .swing_v = 1.5,                                                                           \
         .output_ohm = 150,                                                                        \
         .input_ohm = 1e12,                                                                        \
         .jfet = true},                                                                            \
            count                                                                                  \
    }

/* TL08x. Offset 5 mV, bias 30 pA, gain 150 V/mV, slew 13 V/us, unity-gain bandwidth 4 MHz: onsemi
 * TL082C; swing 13.5 V with 10 kohm: TI SLOS081. The rest as TL07x. */
#define TL08(name, count)                                                                          \
    {                                                                                              \
        {.type = name,                                                                             \
         REAL,                                                                                     \
         .gbw_hz = 4e6,                                                                            \
         .slew_v_per_s = 13e6,                                                                     \
         .gain = 150e3,                                                                            \
         .offset_v = MV(5),                                                                        \
         .bias_a = 30e-12,                                                                         \
         .bias_way = CJ_BIAS_IN,                                                                   \
         .swing_v = 1.5,                                                                           \
         .output_ohm = 150,                                                                        \
         .input_ohm = 1e12,                                                                        \
         .jfet = true},                                                                            \
            count                                                                                  \
    }

/* 4558. Slew 1.0 V/us, offset 0.5 mV, bias 60 nA, gain 100 dB, swing 14 V with 10 kohm: Rohm
 * BA4558, taken for offset and gain; GBW 3 MHz, slew 1.7 V/us, bias 150 nA: TI SLOS073, from
 * memory, taken for these. Swing 1.2 V short: a little more than the sheet's 1.0, the spread
 * reaches below. Output 75 ohm: as the 741 class (Philips MC1558). Input 5 Mohm: from memory. */
#define A4558(name)                                                                                \
    {                                                                                              \
        {.type = name,                                                                             \
         REAL,                                                                                     \
         .gbw_hz = 3e6,                                                                            \
         .slew_v_per_s = 1.7e6,                                                                    \
         .gain = 100e3,                                                                            \
         .offset_v = MV(0.5),                                                                      \
         .bias_a = 150e-9,                                                                         \
         .bias_way = CJ_BIAS_OUT,                                                                  \
         .swing_v = 1.2,                                                                           \
         .output_ohm = 75,                                                                         \
         .input_ohm = 5e6},                                                                        \
            2                                                                                      \
    }

/* LM358, LM324. GBW 0.7 MHz, slew 0.3 V/us, offset 3 mV, bias 20 nA out of the pins, gain 100 V/mV:
 * TI SLOS068V. Swing: 2 V short of V+ with 10 kohm (SLOS068R), a few mV short of V- while it sinks
 * next to nothing; one figure for both. Output 300 ohm, input 10 Mohm: from memory, in doubt. */
#define LM358(name, count)                                                                         \
    {                                                                                              \
        {.type = name,                                                                             \
         REAL,                                                                                     \
         .gbw_hz = 0.7e6,                                                                          \
         .slew_v_per_s = 0.3e6,                                                                    \
         .gain = 100e3,                                                                            \
         .offset_v = MV(3),                                                                        \
         .bias_a = 20e-9,                                                                          \
         .bias_way = CJ_BIAS_OUT,                                                                  \
         .swing_v = 1.5,                                                                           \
         .output_ohm = 300,                                                                        \
         .input_ohm = 10e6},                                                                       \
            count                                                                                  \
    }

/* LM4562, also sold as LME49720. GBW 55 MHz, slew 20 V/us, offset 0.1 mV, bias 10 nA, gain 140 dB,
 * swing 1.0 V short with 2 kohm: TI SNAS326K front page. Output 13 ohm, input 30 kohm, diodes
 * across the inputs: from memory. Swing taken as 1.2 V, a little more than the sheet: the spread
 * reaches below. */
#define LM4562(name)                                                                               \
    {                                                                                              \
        {.type = name,                                                                             \
         REAL,                                                                                     \
         .gbw_hz = 55e6,                                                                           \
         .slew_v_per_s = 20e6,                                                                     \
         .gain = 1e7,                                                                              \
         .offset_v = MV(0.1),                                                                      \
         .bias_a = 10e-9,                                                                          \
         .bias_way = CJ_BIAS_UNKNOWN,                                                              \
         .swing_v = 1.2,                                                                           \
         .output_ohm = 13,                                                                         \
         .input_ohm = 30e3,                                                                        \
         .clamped = true},                                                                         \
            2                                                                                      \
    }

/* clang-format off */
const cj__opamp_type cj__opamp_types[] = {
    TL07("TL071", 1),
    TL07("TL072", 2),
    TL07("TL074", 4),
    TL08("TL081", 1),
    TL08("TL082", 2),
    TL08("TL084", 4),
    /* GBW 10 MHz, slew 9 V/us, offset 0.5 mV, bias 200 nA, gain 100 V/mV, input 300 kohm, diodes across the inputs:
     * TI SLOS075, from memory; NPN inputs. Output: from the closed-loop 0.3 ohm at gain 30 dB and 10 kHz of that
     * sheet, times 1 + 1000 / 31.6. Swing: 13 V with 600 ohm there; 13.5 V taken for lighter loads. */
    {{.type = "NE5532", REAL, .gbw_hz = 10e6, .slew_v_per_s = 9e6, .gain = 100e3, .offset_v = MV(0.5),
      .bias_a = 200e-9, .bias_way = CJ_BIAS_IN, .swing_v = 1.5, .output_ohm = 10, .input_ohm = 300e3,
      .clamped = true}, 2},
    /* The single of that family, not compensated: slew 13 V/us, bias 500 nA, input 100 kohm; pins 1, 5 and 8 are
     * balance and compensation. TI SLOS070, from memory. */
    {{.type = "NE5534", REAL, .gbw_hz = 10e6, .slew_v_per_s = 13e6, .gain = 100e3, .offset_v = MV(0.5),
      .bias_a = 500e-9, .bias_way = CJ_BIAS_IN, .swing_v = 1.5, .output_ohm = 10, .input_ohm = 100e3,
      .clamped = true}, 1},
    LM358("LM358", 2),
    LM358("LM324", 4),
    /* GBW 8 MHz, slew 20 V/us, offset 0.5 mV, bias 5 pA, gain 120 dB, output 10 ohm, swing 0.5 V short of V- and
     * 1.2 V of V+ with 10 kohm (the larger is taken), input 1e13 ohm: TI SBOS058, from memory. Its JFET inputs do
     * not turn the output round when held at V- (from memory). */
    {{.type = "OPA2134", REAL, .gbw_hz = 8e6, .slew_v_per_s = 20e6, .gain = 1e6, .offset_v = MV(0.5),
      .bias_a = 5e-12, .bias_way = CJ_BIAS_UNKNOWN, .swing_v = 1.2, .output_ohm = 10, .input_ohm = 1e13}, 2},
    LM4562("LM4562"),
    LM4562("LME49720"),
    A4558("RC4558"),
    A4558("NJM4558"),
    A4558("BA4558"),
    /* Offset 1 mV, bias 80 nA, gain 100 V/mV, swing 14 V with 10 kohm, output 75 ohm: Philips MC1458/1558 (1994);
     * GBW 1 MHz, slew 0.5 V/us, input 2 Mohm: from memory. */
    {{.type = "MC1458", REAL, .gbw_hz = 1e6, .slew_v_per_s = 0.5e6, .gain = 100e3, .offset_v = MV(1),
      .bias_a = 80e-9, .bias_way = CJ_BIAS_IN, .swing_v = 1.2, .output_ohm = 75, .input_ohm = 2e6}, 2},
    /* No part: chosen so that what it adds to an equation is below 1e-5 up to 100 kHz at a noise gain of 10, and
     * that nothing in the matrix is more than 1e7 S. With rails it goes all the way to them. */
    {{.type = "ideal", .gbw_hz = 1e11, .slew_v_per_s = 1e12, .gain = 1e7, .bias_way = CJ_BIAS_UNKNOWN,
      .output_ohm = 1, .input_ohm = 1e12, .ideal = true}, 0},
    {{.type = ""}, 0},
};

/*
 * Diodes: current and emission from two points of the typical forward curve, I = Is (exp(V / n Vt) - 1) with Vt
 * 25.85 mV (27 C), behind the resistance; points and resistances from memory of the sheets. The tests
 * compute the points back. Schottky types are read off the 25 C curve likewise, about four fifths of the maximum.
 */
const cj_diode cj__diode_types[] = {
    /* 0.59 V at 1 mA, 0.70 V at 10 mA */
    {"1N4148", 2.318e-09, 1.7573, 0.6},
    {"1N914", 2.318e-09, 1.7573, 0.6},
    {"1N4448", 2.318e-09, 1.7573, 0.6},
    /* 0.66 V at 10 mA, 0.78 V at 100 mA */
    {"1N4001", 2.377e-08, 1.9707, 0.03},
    {"1N4002", 2.377e-08, 1.9707, 0.03},
    {"1N4003", 2.377e-08, 1.9707, 0.03},
    {"1N4004", 2.377e-08, 1.9707, 0.03},
    {"1N4005", 2.377e-08, 1.9707, 0.03},
    {"1N4006", 2.377e-08, 1.9707, 0.03},
    {"1N4007", 2.377e-08, 1.9707, 0.03},
    /* 0.26 V at 1 mA, 0.34 V at 10 mA */
    {"BAT42", 6.898e-08, 1.0416, 2},
    {"BAT43", 6.898e-08, 1.0416, 2},
    {"BAT85", 6.898e-08, 1.0416, 2},
    {"BAT54", 6.898e-08, 1.0416, 2},
    /* 0.30 V at 1 mA, 0.42 V at 10 mA */
    {"BAT41", 1.166e-07, 1.2600, 5},
    {"BAT46", 1.166e-07, 1.2600, 5},
    /* 0.28 V at 100 mA, 0.38 V at 1 A */
    {"1N5817", 1.605e-05, 1.2264, 0.03},
    {"1N5818", 1.605e-05, 1.2264, 0.03},
    /* 0.32 V at 100 mA, 0.45 V at 1 A */
    {"1N5819", 1.969e-05, 1.4280, 0.05},
    {"", 0, 0, 0},
};
