/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The built-in rules: each fires on what it is made for, and stays silent on what looks like it. */
#include "bench.h"

#include <locale.h>

#include "diagnosis/internal.h"
#include "tests.h"

static cj_rules *builtin(void)
{
    cj_rules *rules = NULL;
    cj_error err = {0};
    if (cj_rules_builtin(&rules, &err) != CJ_OK)
        fail_msg("%s:%ld:%ld: %s", err.file, err.line, err.column, err.message);
    return rules;
}

/* ---- each rule, on and off ---- */

enum answer {
    FIRES,
    LEADS,
    SILENT,
    COVERED
}; /* LEADS: and ranks first. COVERED: fires, but another rule says more */

static const struct {
    const char *rule;
    enum answer answer;
    int captures;
    const char *facts;
    const char *holds; /* in the explained line, or in what the leading finding says */
} cases[] = {
    /* output pin: the bench's classic, and the simulated one (-19.2 dB, -1 degree of the expected
       180, THD 5 %) */
    {"summing-output-pin-open", LEADS, 1,
     "match=differ pair.gain=0.1~0.001 pair.gain_db=-20~0.1 pair.phase_deg=180~0.5 "
     "pair.turn=flipped",
     "Channel 2 is -20.0 dB against channel 1 and the wrong way round"},
    {"summing-output-pin-open", LEADS, 1,
     "match=differ pair.gain=0.1097~0.001 pair.gain_db=-19.2~0.1 pair.phase_deg=-1~0.5 "
     "pair.turn=flipped "
     "second.thd_percent=5~0.1 second.thd_db=-26~0.2 second.dc_v=-0.002~0.01",
     "about 4 connected inputs"},
    {"summing-output-pin-open", LEADS, 2,
     "match=differ pair.gain=0.111~0.001 pair.gain_db=-19.1~0.1 pair.phase_deg=180~0.5 "
     "pair.turn=flipped",
     "The second capture's path is -19.1 dB against the first capture's path"},
    {"summing-output-pin-open", SILENT, 1,
     "match=differ pair.gain=0.1~0.001 pair.gain_db=-20~0.1 pair.turn=as-expected",
     "pair.turn is as-expected, not flipped"},
    {"summing-output-pin-open", SILENT, 1,
     "match=differ pair.gain_db=-20~0.1 pair.turn=?no_signal_in_channel_2",
     "pair.turn could not be told: no signal in channel 2"},
    {"summing-output-pin-open", SILENT, 1, "match=differ pair.gain_db=-20~0.1 pair.turn=unclear",
     "unclear"},
    {"summing-output-pin-open-first", LEADS, 1,
     "match=differ pair.gain=10~0.1 pair.gain_db=20~0.1 pair.phase_deg=180 pair.turn=flipped",
     "Channel 1 is the low one"},
    {"summing-output-pin-open-first", SILENT, 1, "match=differ pair.gain_db=20~0.1", "as-expected"},
    {"summing-output-pin-open-few-inputs", LEADS, 1,
     "match=differ pair.gain=0.7015~0.007 pair.gain_db=-3.08~0.09 pair.phase_deg=0 "
     "pair.turn=flipped",
     "-3.1 dB"},
    {"summing-output-pin-open-few-inputs", SILENT, 1, "match=differ pair.gain_db=-3.08~0.09",
     "as-expected"},
    {"summing-output-pin-open-deep", LEADS, 1,
     "match=differ pair.gain=0.0088 pair.gain_db=-41.2~0.3 pair.phase_deg=180 pair.turn=flipped",
     "-41.2 dB"},
    {"summing-output-pin-open-deep", SILENT, 1,
     "match=differ pair.gain_db=-55~0.3 pair.turn=flipped", "-55.0 dB"},
    /* V+ pin open, simulated: -24 dB, DC -7.8 V, turned; without the DC it is the output pin */
    {"supply-pin-open", LEADS, 1,
     "match=differ pair.gain=0.063 pair.gain_db=-24~0.2 pair.phase_deg=0 pair.turn=flipped "
     "second.dc_v=-7.8~0.05",
     "V+"},
    {"supply-pin-open", SILENT, 1,
     "match=differ pair.gain=0.063 pair.gain_db=-24~0.2 pair.turn=flipped second.dc_v=-0.02~0.01",
     "second.dc_v"},
    {"supply-pin-open", SILENT, 1,
     "match=differ pair.gain=0.063 pair.gain_db=-24~0.2 pair.turn=flipped "
     "second.dc_v=?AC-coupled_input",
     "second.dc_v could not be told: AC-coupled input"},

    /* no signal */
    {"input-open", LEADS, 1,
     "match=differ pair.gain_db<-62 pair.gain<0.0008 pair.phase_deg=?no_signal "
     "pair.turn=?no_signal second.signal=silence",
     "below -62.0 dB"},
    {"input-open", SILENT, 1, "match=differ pair.gain_db=-45~0.1", "not to -50.0 dB"},
    {"input-open", SILENT, 1, "match=differ pair.gain_db<-30",
     "pair.gain_db could not be told: only a bound is known"},
    {"input-open-crosstalk", FIRES, 1,
     "match=differ pair.gain_db=-78~1 pair.gain=0.000126 pair.phase_deg=-91~3 pair.turn=unclear",
     "pair.quadrature_deg is 1.0 degrees"},
    {"input-open-crosstalk", SILENT, 1,
     "match=differ pair.gain_db=-78~1 pair.phase_deg=178~3 pair.turn=flipped",
     "pair.quadrature_deg"},
    {"input-silent", FIRES, 1,
     "match=undecided second.signal=silence pair.gain_db=?no_signal pair.gain=?no_signal "
     "pair.turn=?no_signal",
     ""},
    {"input-silent", SILENT, 1, "first.signal=silence second.signal=silence", "silence"},
    {"feedback-shorted", FIRES, 1,
     "match=differ pair.gain_db<-70 pair.turn=?no_signal second.signal=silence", ""},
    {"feedback-shorted", SILENT, 1, "match=differ pair.gain_db<-55", "could not be told"},
    {"feedback-shorted-deep", LEADS, 1,
     "match=differ pair.gain_db<-118 pair.gain<0.00000126 pair.turn=?no_signal "
     "second.signal=silence",
     "joined to the inverting input"},
    {"feedback-shorted-deep", SILENT, 1, "match=differ pair.gain_db=-78~1", "-78.0 dB"},
    {"first-silent", LEADS, 1,
     "match=undecided first.signal=silence pair.gain_db>60 pair.gain>1000 pair.turn=?no_signal",
     "no signal in channel 1"},
    {"first-silent", SILENT, 1, "second.signal=silence", "tone"},
    {"both-silent", LEADS, 1,
     "match=undecided first.signal=silence second.signal=silence pair.gain_db=?no pair.gain=?no "
     "pair.turn=?no",
     "Neither path"},
    {"both-silent", SILENT, 1, "second.signal=silence", "first.signal is tone"},

    /* feedback open: simulated +22.5 dB, THD 42 % (32 % with 22 pF) */
    {"feedback-open", LEADS, 1,
     "match=differ second.signal=square pair.gain=13.3 pair.gain_db=22.5~0.1 pair.phase_deg=170 "
     "second.thd_percent=42~0.5 second.thd_db=-7.5~0.1 second.clip_fraction=0.9~0.01 "
     "second.clip_high_fraction=0.45~0.01 second.clip_low_fraction=0.45~0.01",
     "a square comes out in channel 2"},
    {"feedback-open", SILENT, 1, "first.signal=square second.signal=square",
     "first.signal is square"},
    {"feedback-open-driven", LEADS, 1,
     "match=differ pair.gain=13.2 pair.gain_db=22.4~0.1 pair.phase_deg=148 "
     "second.thd_percent=32~0.5 "
     "second.thd_db=-9.9~0.1 second.clip_fraction=0.6~0.01 second.clip_high_fraction=0.3~0.01 "
     "second.clip_low_fraction=0.3~0.01",
     "THD 32 %"},
    {"feedback-open-driven", SILENT, 1,
     "match=differ pair.gain=2 pair.gain_db=6.1~0.1 second.thd_percent=5~0.1 "
     "second.clip_fraction=0.2~0.01",
     "second.thd_percent"},

    /* values */
    {"decade-low", LEADS, 1, "match=differ pair.gain=0.1~0.001 pair.gain_db=-20~0.1",
     "factor of ten"},
    {"decade-low", SILENT, 1,
     "match=differ pair.gain=0.1~0.001 pair.gain_db=-20~0.1 pair.turn=flipped", "flipped"},
    {"decade-low", SILENT, 1, "match=differ pair.gain_db=-17~0.1", "-17.0 dB"},
    {"decade-high", LEADS, 1, "match=differ pair.gain=9.9~0.1 pair.gain_db=19.9~0.1",
     "factor of ten"},
    {"decade-high", SILENT, 1, "match=differ pair.gain_db=22.5~0.1", "22.5 dB"},
    {"half-level", LEADS, 1, "match=differ pair.gain=0.5~0.005 pair.gain_db=-6.02~0.09",
     "half of channel 1"},
    {"half-level", SILENT, 1, "match=differ pair.gain_db=-7.2~0.09", "-7.2 dB"},
    {"double-level", LEADS, 1, "match=differ pair.gain=2~0.02 pair.gain_db=6.02~0.09",
     "twice channel 1"},
    {"double-level", SILENT, 1, "match=differ pair.gain_db=6.02~0.09 pair.turn=flipped", "flipped"},
    {"neighbouring-value", LEADS, 1, "match=differ pair.gain=0.82~0.008 pair.gain_db=-1.72~0.09",
     "preferred values"},
    {"neighbouring-value", SILENT, 1, "match=match pair.gain_db=-0.8~0.09",
     "pair.match is match, not differ"},
    {"neighbouring-value", SILENT, 1, "match=differ pair.gain_db=-3~0.09",
     "pair.step_db is 3.0 dB"},
    {"level-off", LEADS, 1, "match=differ pair.gain=0.25 pair.gain_db=-12~0.1", "-12.0 dB"},
    {"level-off", COVERED, 1, "match=differ pair.gain=0.5 pair.gain_db=-6.02~0.1",
     "'half-level' says more"},
    {"level-off", SILENT, 1, "match=differ pair.gain_db=-12~0.1 pair.turn=flipped", "flipped"},

    /* polarity, phase */
    {"polarity-flipped", LEADS, 1,
     "match=differ pair.gain_db=0.02~0.09 pair.phase_deg=179.9~0.1 pair.turn=flipped",
     "as loud as channel 1 but the wrong way round"},
    {"polarity-flipped", SILENT, 1, "match=differ pair.gain_db=-9.5~0.09 pair.turn=flipped",
     "pair.step_db is 9.5 dB"},
    {"flipped-and-louder", LEADS, 1,
     "match=differ pair.gain=2 pair.gain_db=6.02~0.09 pair.turn=flipped", "6.0 dB"},
    {"flipped-and-louder", SILENT, 1, "match=differ pair.gain_db=6.02~0.09", "as-expected"},
    {"phase-off", LEADS, 1, "match=differ pair.phase_deg=12~0.2", "12 degrees off"},
    {"phase-off", SILENT, 1, "match=differ pair.phase_deg=2~0.2", "pair.turn_deg is 2.0 degrees"},

    /* DC */
    {"dc-rail-high", LEADS, 1,
     "match=differ second.dc_v=11.3~0.05 second.signal=silence pair.gain_db=-67~3 "
     "pair.gain=0.00045 pair.phase_deg=?no_signal "
     "pair.turn=?no_signal",
     "Channel 2 stands at 11.3 V"},
    {"dc-rail-high", SILENT, 1, "second.dc_v=1~0.05", "1 V"},
    {"dc-rail-high", SILENT, 1, "second.dc_v=?AC-coupled first.dc_v=?AC-coupled",
     "could not be told: AC-coupled"},
    {"dc-rail-low", LEADS, 1,
     "match=differ second.dc_v=-10.6~0.05 second.signal=silence pair.gain_db=-74~3 "
     "pair.gain=0.0002 pair.phase_deg=?no_signal "
     "pair.turn=?no_signal",
     "Channel 2 stands at -10.6 V"},
    {"dc-rail-low", SILENT, 1, "second.dc_v=-0.9~0.05@FS",
     "the unit is FS, not volts: give --full-scale"},
    {"dc-both", LEADS, 1, "first.dc_v=5.9~0.05 second.dc_v=6.1~0.05",
     "Both channels stand at DC (5.9 V and 6.1 V)"},
    {"dc-both", SILENT, 1, "second.dc_v=6.1~0.05", "first.dc_v"},
    {"dc-offset", LEADS, 1, "second.dc_v=-0.35~0.01", "Channel 2 carries -350 mV of DC"},
    {"dc-offset", LEADS, 1, "first.dc_v=0.35~0.01", "Channel 1 carries 350 mV of DC"},
    {"dc-offset", SILENT, 1, "second.dc_v=0.05~0.01", "50 mV"},
    {"dc-offset", SILENT, 1, "second.dc_v=0.05~0.4 first.dc_v=0.09~0.01", "mV"},
    {"dc-offset", COVERED, 1, "second.dc_v=-8~0.01", "'dc-rail-low' says more"},

    /* clipping */
    {"clip-high-only", LEADS, 1,
     "second.clip_fraction=0.12~0.01 second.clip_high_fraction=0.12~0.01 "
     "second.clip_low_fraction=0~0 second.thd_percent=6~0.1",
     "Only the tops of channel 2"},
    {"clip-high-only", SILENT, 1,
     "second.clip_fraction=0.12~0.01 second.clip_high_fraction=0.06~0.01 "
     "second.clip_low_fraction=0.06~0.01",
     "clip_asymmetry"},
    {"clip-low-only", LEADS, 1,
     "second.clip_fraction=0.12~0.01 second.clip_high_fraction=0~0 "
     "second.clip_low_fraction=0.12~0.01 second.thd_percent=6~0.1",
     "Only the bottoms of channel 2"},
    {"clip-low-only", SILENT, 1, "", "second.clip_fraction is 0"},
    {"half-wave", LEADS, 1,
     "match=differ pair.gain_db=-8.8~0.2 pair.gain=0.36 second.thd_percent=52~1 second.thd_db=-5.7 "
     "second.even_percent=45~1 "
     "second.odd_percent=20",
     "half-wave"},
    {"half-wave", SILENT, 1, "second.even_percent=5~0.1", "5 %"},
    {"clip-both-paths", LEADS, 1,
     "first.clip_fraction=0.1~0.01 first.clip_high_fraction=0.05~0.01 "
     "first.clip_low_fraction=0.05~0.01 "
     "second.clip_fraction=0.1~0.01 second.clip_high_fraction=0.05~0.01 "
     "second.clip_low_fraction=0.05~0.01",
     "Both paths are clipped"},
    {"clip-both-paths", SILENT, 1,
     "second.clip_fraction=0.1~0.01 second.clip_high_fraction=0.05~0.01 "
     "second.clip_low_fraction=0.05~0.01",
     "first.clip_fraction"},
    {"clip-even", LEADS, 1,
     "second.clip_fraction=0.1~0.01 second.clip_high_fraction=0.05~0.01 "
     "second.clip_low_fraction=0.05~0.01 second.thd_percent=5~0.1",
     "Channel 2 is flat at top and bottom"},
    {"clip-even", SILENT, 1, "second.clip_fraction=0.001~0.0005", "clip"},

    /* hum */
    {"hum-second", LEADS, 1, "second.hum_v=0.02~0.001 second.hum_hz=50~0.01",
     "Channel 2 hums with the mains (50 Hz), -31.0 dB against its tone"},
    {"hum-second", SILENT, 1,
     "second.hum_v=0.02~0.001 second.hum_hz=50~0.01 first.hum_v=0.02~0.001 first.hum_hz=50",
     "pair.hum_rise_db"},
    {"hum-second", SILENT, 1, "second.hum_v=?too_short_a_record second.hum_hz=?too_short_a_record",
     "second.hum_ratio_db could not be told: too short a record"},
    {"hum-first", LEADS, 1, "first.hum_v=0.02~0.001 first.hum_hz=60~0.01",
     "Channel 1 hums (-31.0 dB"},
    {"hum-first", SILENT, 1, "second.hum_v=0.02~0.001 second.hum_hz=50~0.01", "first.hum_ratio_db"},
    {"hum-both", LEADS, 1,
     "first.hum_v=0.02~0.001 first.hum_hz=50 second.hum_v=0.018~0.001 second.hum_hz=50",
     "Both paths hum alike"},
    {"hum-both", SILENT, 1, "second.hum_v=0.02~0.001 second.hum_hz=50", "first.hum_ratio_db"},
    {"hum-without-tone", FIRES, 1,
     "match=undecided first.signal=silence second.signal=silence first.tone_peak_v=?no_tone "
     "second.tone_peak_v=?no_tone "
     "pair.gain_db=?no pair.gain=?no pair.turn=?no second.hum_v=0.02~0.001 second.hum_hz=50",
     "second.hum_v is 20 mV"},
    {"hum-without-tone", SILENT, 1, "second.hum_v=0.02~0.001 second.hum_hz=50",
     "second.signal is tone"},

    /* ripple that modulates the tone, and hum that does not */
    {"ripple-one-path", LEADS, 1, "second.hum_sideband_db=-50~0.2 second.hum_sideband_hz=100~0.01",
     "The tone of channel 2 is modulated at 100 Hz (-50.0 dB"},
    {"ripple-one-path", LEADS, 1, "first.hum_sideband_db=-50~0.2 first.hum_sideband_hz=120~0.01",
     "The tone of channel 1 is modulated at 120 Hz"},
    {"ripple-one-path", SILENT, 1, "second.hum_v=0.02~0.001 second.hum_hz=50~0.01",
     "second.hum_sideband_db"},
    {"ripple-one-path", SILENT, 1,
     "second.hum_sideband_db=-50~0.2 second.hum_sideband_hz=100 first.hum_sideband_db=-51~0.2 "
     "first.hum_sideband_hz=100",
     "pair.hum_sideband_rise_db"},
    {"ripple-both-paths", LEADS, 1,
     "second.hum_sideband_db=-50~0.2 second.hum_sideband_hz=100 first.hum_sideband_db=-51~0.2 "
     "first.hum_sideband_hz=100",
     "both paths is modulated"},
    {"ripple-both-paths", SILENT, 1, "second.hum_sideband_db=-50~0.2 second.hum_sideband_hz=100",
     "first.hum_sideband_db"},
    {"hum-second", SILENT, 1, "second.hum_sideband_db=-50~0.2 second.hum_sideband_hz=100~0.01",
     "second.hum_ratio_db"},

    /* twice the same, past the unit, exchanged */
    {"identical-signals", LEADS, 1, "pair.difference_db<-120", "one and the same signal"},
    {"identical-signals", SILENT, 1, "pair.difference_db=-62", "-62.0 dB"},
    {"bypassed", LEADS, 2,
     "match=differ first_path.gain=2 first_path.gain_db=6.02~0.05 first_path.difference_db=0 "
     "second_path.difference_db=-52 "
     "pair.gain=0.52 pair.gain_db=-5.2~0.1 pair.difference_db=?two_records",
     "the output is the stimulus itself"},
    {"bypassed", SILENT, 1, "match=differ", "takes two captures"},
    {"bypassed", SILENT, 2, "match=differ", "first_path.difference_db is -42.0 dB"},
    {"swapped-leads", LEADS, 2,
     "match=differ first_path.gain=4 first_path.gain_db=12.04~0.05 first_path.difference_db=9.5 "
     "second_path.gain=0.25 "
     "second_path.gain_db=-12.04~0.05 second_path.difference_db=-2.5 pair.gain=0.0625 "
     "pair.gain_db=-24.08~0.07",
     "exchanged in one of them"},
    {"swapped-leads", SILENT, 2,
     "match=differ first_path.gain=4 first_path.gain_db=12.04~0.05 second_path.gain=0.4 "
     "second_path.gain_db=-7.96~0.05",
     "pair.swap_db"},
    {"swapped-leads", SILENT, 1, "match=differ pair.gain_db=-24", "takes two captures"},

    /* contacts, stray lines, noise, distortion */
    {"intermittent", LEADS, 1, "second.dropouts=3",
     "The signal of channel 2 is lost or jumps for moments (3 counted)"},
    {"intermittent", SILENT, 1, "", "second.dropouts is 0"},
    {"oscillation", LEADS, 1, "second.stray_hz=172000~10 second.stray_v=0.3~0.01", "172 kHz"},
    {"oscillation", SILENT, 1, "second.stray_hz=172000~10 second.stray_v=0.0005~0.00001",
     "second.stray_ratio_db"},
    {"oscillation", SILENT, 1, "second.stray_hz=8000~10 second.stray_v=0.3~0.01", "8 kHz"},
    {"pick-up", LEADS, 1, "second.stray_hz=8000~10 second.stray_v=0.3~0.01", "8 kHz"},
    {"pick-up", SILENT, 1, "", "second.stray_ratio_db is below -71.0 dB"},
    {"noisy", LEADS, 1, "second.noise_v=0.02~0.001", "36.5 dB more than channel 1"},
    {"noisy", SILENT, 1, "second.noise_v=0.02~0.001 first.noise_v=0.02~0.001",
     "pair.noise_rise_db"},
    {"distorted", LEADS, 1, "second.thd_percent=3~0.1 second.thd_db=-30.5~0.2", "THD 3 %"},
    {"distorted", SILENT, 1, "second.thd_percent=0.2~0.01 second.thd_db=-54~0.2", "0.2 %"},
    {"distorted", COVERED, 1,
     "match=differ pair.gain=0.11 pair.gain_db=-19.1~0.1 pair.turn=flipped "
     "second.thd_percent=5~0.1 second.thd_db=-26~0.2",
     "'summing-output-pin-open' says more"},
    /* two tones: a leak by 1 ohm of shared ground, by a capacitance; a square that rings */
    {"crosstalk-flat", FIRES, 1,
     "match=differ first.signal=two-tone second.signal=two-tone pair.gain_db=-60~0.2 "
     "pair.gain=0.001 "
     "pair.slope_db_per_octave=0.1~0.2",
     "pair.slope_db_per_octave"},
    {"crosstalk-flat", SILENT, 1,
     "match=differ pair.gain_db=-60~0.2 pair.gain=0.001 pair.slope_db_per_octave=5.8~0.2",
     "5.8 dB"},
    {"crosstalk-flat", SILENT, 1, "pair.slope_db_per_octave=0.1~0.2", "pair.gain_db is 0.00 dB"},
    {"crosstalk-rising", FIRES, 1,
     "match=differ first.signal=two-tone second.signal=two-tone pair.gain_db=-60~0.2 "
     "pair.gain=0.001 "
     "pair.slope_db_per_octave=6.1~0.3",
     "pair.slope_db_per_octave"},
    {"crosstalk-rising", SILENT, 1,
     "match=differ pair.gain_db=-60~0.2 pair.gain=0.001 pair.slope_db_per_octave=0.2~0.2",
     "0.2 dB"},
    {"intermodulation", FIRES, 1, "second.imd_percent=2~0.1 first.imd_percent<0.02", "2.0"},
    {"intermodulation", SILENT, 1, "second.imd_percent=2~0.1 first.imd_percent=1.9~0.1",
     "first.imd"},
    {"ringing", FIRES, 1,
     "first.signal=square second.signal=square second.overshoot_percent=35~1 "
     "first.overshoot_percent<0.5",
     "second.overshoot_percent"},
    {"ringing", SILENT, 1, "second.overshoot_percent=35~1 first.overshoot_percent=34~1",
     "first.overshoot"},
    {"both-distorted", LEADS, 1,
     "first.thd_percent=6~0.1 first.thd_db=-24.4~0.1 second.thd_percent=6~0.1 "
     "second.thd_db=-24.4~0.1",
     "Both paths are distorted"},
    {"both-distorted", SILENT, 1, "second.thd_percent=6~0.1", "first.thd_percent"},
};

enum { CASES = sizeof cases / sizeof cases[0] };

static void check_case(const cj_rules *rules, size_t i)
{
    cj_findings *findings = bench_apply(rules, cases[i].captures, cases[i].facts);
    const char *line = bench_line(findings, cases[i].rule);
    const char *begins = cases[i].answer == SILENT    ? "silent: "
                         : cases[i].answer == COVERED ? "silent, "
                                                      : "fires, ";
    if (strncmp(line, begins, strlen(begins)) != 0)
        fail_msg("case %zu, %s: %s", i, cases[i].rule, line);
    if (cases[i].answer == LEADS) {
        if (findings->count == 0 || strcmp(findings->items[0].rule, cases[i].rule) != 0)
            fail_msg("case %zu: %s leads, not %s", i,
                     findings->count ? findings->items[0].rule : "nothing", cases[i].rule);
        check_holds(cases[i].rule, findings->items[0].says, cases[i].holds);
    } else {
        check_holds(cases[i].rule, line, cases[i].holds);
    }
    cj_findings_free(findings);
}

void each_rule_fires_and_stays_silent(void **state)
{
    (void)state;
    cj_rules *rules = builtin();
    for (size_t i = 0; i < CASES; i++)
        check_case(rules, i);
    cj_rules_free(rules);
}

void no_rule_is_without_its_cases(void **state)
{
    (void)state;
    cj_rules *rules = builtin();
    for (size_t r = 0; r < rules->count; r++) {
        bool on = false, off = false;
        for (size_t i = 0; i < CASES; i++)
            if (strcmp(cases[i].rule, rules->items[r].name) == 0) {
                on = on || cases[i].answer == FIRES || cases[i].answer == LEADS;
                off = off || cases[i].answer == SILENT;
            }
        if (!on || !off)
            fail_msg("'%s' has no case in which it %s", rules->items[r].name,
                     on ? "stays silent" : "fires");
        if (rules->items[r].number == 0)
            fail_msg("'%s' has no number", rules->items[r].name);
    }
    cj_rules_free(rules);
}

/* ---- a healthy pair, and what cannot be told ---- */

void a_healthy_pair_has_no_findings(void **state)
{
    (void)state;
    static const struct {
        int captures;
        const char *facts;
        double unexplained;
    } healthy[] = {
        {1, "", 0},
        {2, "", 0},
        /* a long healthy summing stage: 45 mV of its own offset, eight bits of resolution */
        {1,
         "second.dc_v=0.045~0.02 second.noise_v<0.004 second.thd_percent<0.6 second.thd_db<-44 "
         "pair.difference_db=-40",
         0},
        {1, "match=undecided pair.gain_db=0.45~0.3", 0},
        /* audio without a full scale: levels are in FS, and no volt threshold applies */
        {1,
         "first.dc_v=?AC-coupled second.dc_v=?AC-coupled first.hum_v=0.00001~0.000001@FS "
         "second.hum_v=0.00001~0.000001@FS",
         0},
        /* different, and nothing known says why */
        {1,
         "match=differ pair.gain_db=?the_units_differ pair.gain=?the_units_differ "
         "pair.turn=?no_phase",
         1},
    };
    cj_rules *rules = builtin();
    for (size_t i = 0; i < sizeof healthy / sizeof healthy[0]; i++) {
        cj_findings *findings = bench_apply(rules, healthy[i].captures, healthy[i].facts);
        if (findings->count != 0)
            fail_msg("case %zu: %s", i, findings->items[0].says);
        check_close("unexplained", findings->unexplained, healthy[i].unexplained, 0);
        assert_int_equal(findings->explained.count, cj_rules_count(rules));
        cj_findings_free(findings);
    }
    cj_rules_free(rules);
}

/* Open output pin with equal resistors: rho = -1/(2n+1) (reference/summing_stage.md, section 3:
 * node equations, checked there with a circuit simulator; R = Rf = Rx). */
void every_number_of_inputs_is_recognised(void **state)
{
    (void)state;
    cj_rules *rules = builtin();
    for (int n = 1; n <= 32; n++) {
        char facts[256], says[64];
        double rho = 1.0 / (2 * n + 1);
        snprintf(facts, sizeof facts,
                 "match=differ pair.turn=flipped pair.phase_deg=180~0.5 pair.gain=%.8f~%.8f "
                 "pair.gain_db=%.5f~0.09",
                 rho, 0.01 * rho, 20 * log10(rho));
        snprintf(says, sizeof says, "about %d connected inputs", n);
        cj_findings *findings = bench_apply(rules, 1, facts);
        assert_true(findings->count >= 1);
        assert_string_equal(findings->items[0].rule, "summing-output-pin-open");
        check_holds("n", findings->items[0].says, says);
        assert_string_equal(findings->items[0].faults[0].role, "summing op-amp, output pin");
        assert_int_equal(findings->items[0].faults[0].kind, CJ_FAULT_OUTSIDE);
        assert_string_equal(findings->items[0].faults[0].part, "");
        cj_findings_free(findings);
    }
    cj_rules_free(rules);
}

/* ---- probabilities, evidence, merging ---- */

void probabilities_share_one(void **state)
{
    (void)state;
    cj_rules *rules = builtin();
    for (size_t i = 0; i < CASES; i++) {
        cj_findings *findings = bench_apply(rules, cases[i].captures, cases[i].facts);
        double sum = findings->unexplained;
        for (size_t k = 0; k < findings->count; k++) {
            const cj_finding *finding = &findings->items[k];
            assert_int_equal(finding->rank, k + 1);
            assert_true(finding->probability > 0 && finding->probability < 1);
            assert_true(k == 0 || finding->probability <= findings->items[k - 1].probability);
            assert_true(finding->evidence_count > 0 && finding->fault_count > 0);
            assert_true(strlen(finding->says) > 20 && strlen(finding->check) > 20);
            assert_null(strchr(finding->says, '{'));
            assert_null(strstr(finding->says, "unknown"));
            sum += finding->probability;
        }
        if (findings->count > 0)
            check_close(cases[i].rule, sum, 1, 1e-12);
        cj_findings_free(findings);
    }
    cj_rules_free(rules);
}

void evidence_shows_measured_expected_and_healthy(void **state)
{
    (void)state;
    cj_rules *rules = builtin();
    cj_findings *findings = bench_apply(
        rules, 1,
        "match=differ pair.gain=0.1 pair.gain_db=-20~0.1 pair.phase_deg=180 pair.turn=flipped");
    const cj_finding *finding = &findings->items[0];
    assert_int_equal(finding->evidence_count, 2);
    assert_string_equal(finding->evidence[0].figure, "turn");
    assert_string_equal(finding->evidence[0].measured.word, "flipped");
    assert_string_equal(finding->evidence[0].expected.word, "flipped");
    assert_string_equal(finding->evidence[0].healthy.word, "as-expected");
    assert_string_equal(finding->evidence[1].figure, "gain_db");
    check_close("measured", finding->evidence[1].measured.value, -20, 0);
    check_close("u", finding->evidence[1].measured.u, 0.1, 0);
    assert_string_equal(finding->evidence[1].measured.unit, "dB");
    check_close("expected from", finding->evidence[1].expected.low, -37.5, 0);
    check_close("expected to", finding->evidence[1].expected.high, -8, 0);
    check_close("healthy", finding->evidence[1].healthy.value, 0, 0);
    check_close("healthy to", finding->evidence[1].healthy.high, 0.5, 0);
    assert_true(finding->touches_board);
    assert_string_equal(finding->from, "rules");
    cj_findings_free(findings);

    /* a bound is evidence too; `beyond` shows the side the figure is on; the path is named */
    findings =
        bench_apply(rules, 1, "match=differ pair.gain_db<-62 pair.turn=?no second.signal=silence");
    finding = bench_finding(findings, "input-open");
    assert_non_null(finding);
    assert_true(isnan(finding->evidence[0].measured.value) &&
                isinf(finding->evidence[0].measured.low));
    check_close("bound", finding->evidence[0].measured.high, -62, 0);
    cj_findings_free(findings);
    findings = bench_apply(rules, 1, "first.dc_v=-0.35~0.01");
    finding = bench_finding(findings, "dc-offset");
    assert_non_null(finding);
    assert_string_equal(finding->evidence[0].figure, "dc_v of the first path");
    check_close("below", finding->evidence[0].expected.high, -0.1, 0);
    assert_true(isinf(finding->evidence[0].expected.low));
    check_close("healthy", finding->evidence[0].healthy.high, 0.05, 0);
    cj_findings_free(findings);
    cj_rules_free(rules);
}

/* input-open and input-silent name the same places: one finding, weights 4 + 2 beside
 * feedback-shorted's 1.5 and 1 for none of these. */
void rules_of_the_same_roles_become_one_finding(void **state)
{
    (void)state;
    cj_rules *rules = builtin();
    cj_findings *findings = bench_apply(
        rules, 1,
        "match=differ pair.gain_db<-62 pair.gain<0.0008 pair.turn=?no second.signal=silence");
    assert_int_equal(findings->count, 2);
    assert_string_equal(findings->items[0].rule, "input-open");
    check_close("merged", findings->items[0].probability, 6 / 8.5, 1e-12);
    assert_int_equal(findings->items[0].fault_count, 2);
    assert_int_equal(findings->items[0].evidence_count, 3);
    assert_string_equal(findings->items[1].rule, "feedback-shorted");
    check_close("none of these", findings->unexplained, 1 / 8.5, 1e-12);
    cj_findings_free(findings);
    cj_rules_free(rules);
}

void cautions_where_ears_are_at_stake(void **state)
{
    (void)state;
    cj_rules *rules = builtin();
    cj_findings *findings =
        bench_apply(rules, 1,
                    "second.clip_fraction=0.1~0.01 second.clip_high_fraction=0.05~0.01 "
                    "second.clip_low_fraction=0.05~0.01");
    check_holds("hot", bench_finding(findings, "clip-even")->caution, "hurts ears");
    cj_findings_free(findings);
    findings = bench_apply(rules, 1, "match=differ pair.gain_db=-6.02~0.09 pair.gain=0.5");
    assert_null(bench_finding(findings, "half-level")->caution);
    cj_findings_free(findings);
    cj_rules_free(rules);
}

/* The header of the rules file is the only list of facts a technician has. */
void every_fact_stands_in_the_header(void **state)
{
    (void)state;
    const char *end = strstr(cj__bench_rules, "\nrules:");
    assert_non_null(end);
    char *header = cj_copy_text_n(cj__bench_rules, (size_t)(end - cj__bench_rules));
    for (const cj__quantity *what = cj__quantities; what->name; what++) {
        check_holds("header", header, what->name);
        if (what->meaning != NULL)
            assert_true(what->derive != NULL);
    }
    cj_free(header);
}

void sentences_do_not_follow_the_locale(void **state)
{
    (void)state;
    const char *found = setlocale(LC_ALL, "de_DE.UTF-8");
    cj_rules *rules = builtin();
    cj_findings *findings =
        bench_apply(rules, 1, "match=differ pair.gain=0.82 pair.gain_db=-1.72~0.09");
    check_holds("says", findings->items[0].says, "-1.7 dB");
    cj_findings_free(findings);
    cj_rules_free(rules);
    if (found == NULL)
        print_message("note: no locale with a decimal comma here\n");
    setlocale(LC_ALL, "C");
}
