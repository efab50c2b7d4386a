#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Responses against SciPy: response.py PROGRAM

Recordings of sweeps and of noise through filters that scipy.signal designs and runs; what the program says of
them is held against sosfreqz, which knows nothing of sweeps. The sweep is written here from its definition
(include/coldjoint/signal.h) and not by the program.
"""

import json
import pathlib
import subprocess
import sys
import tempfile

import numpy as np
from scipy import signal
from scipy.io import wavfile

RATE, LOW, HIGH = 48000, 20.0, 20000.0


def sweep(t, seconds):
    """x(t) of the definition, fades included; t from the moment of 20 Hz."""
    whole = round(LOW * seconds / np.log(HIGH / LOW))
    scale = whole / LOW
    length = scale * np.log(HIGH / LOW)
    lead = scale * np.log(2) / 2
    trail = scale * min(np.log(2) / 4, np.log(0.49 * RATE / HIGH))
    gain = np.where(t < -lead, 0, np.where(t < 0, 0.5 + 0.5 * np.cos(np.pi * t / lead), 1.0))
    gain = np.where(t > length, np.where(t > length + trail, 0, 0.5 + 0.5 * np.cos(np.pi * (t - length) / trail)), gain)
    return gain * np.sin(2 * np.pi * LOW * scale * np.expm1(t / scale)), lead, length + trail


def recording(seconds, start, ppm=0):
    probe = sweep(np.zeros(1), seconds)
    total = start + probe[1] + probe[2] + 0.4
    t = np.arange(int(total * RATE)) / RATE * (1 + ppm * 1e-6) - start - probe[1]
    return sweep(t, seconds)[0]


def measure(program, path, *options):
    done = subprocess.run([program, "measure", "--json", "-q", str(path), *map(str, options)], check=True,
                          capture_output=True, text=True)
    return json.loads(done.stdout)


def arrays(answer):
    return {key: np.array([np.nan if v is None else v for v in values], dtype=float)
            for key, values in answer["response"].items() if isinstance(values, list)}


def compare(response, sos, low=LOW, high=HIGH):
    """Errors in dB and degrees, and the shares within 2 u."""
    keep = (response["hz"] >= low) & (response["hz"] <= high)
    hz = response["hz"][keep]
    h = signal.sosfreqz(sos, hz, fs=RATE)[1]
    db = response["gain_db"][keep] - 20 * np.log10(np.abs(h))
    degrees = (response["phase_deg"][keep] - np.degrees(np.angle(h)) + 180) % 360 - 180
    return hz, db, degrees, response["u_gain_db"][keep], response["u_phase_deg"][keep]


def fail(what):
    print("FAILED:", what)
    return 1


FILTERS = {
    "high-pass of order 2 at 25 Hz": signal.butter(2, 25, "high", fs=RATE, output="sos"),
    "Chebyshev low-pass of order 4, 1 dB, at 6 kHz": signal.cheby1(4, 1, 6000, fs=RATE, output="sos"),
    "band of order 2 from 300 Hz to 3 kHz": signal.butter(1, [300, 3000], "band", fs=RATE, output="sos"),
}


def noiseless(program, folder, exact):
    bad = 0
    for name, sos in FILTERS.items():
        for seconds, start, ppm in ((5, 0.3, 0), (3, 0.11, 200)):
            x = recording(seconds, start, ppm)
            wavfile.write(folder / "a.wav", RATE, np.stack([x, signal.sosfilt(sos, x)], 1))
            response = arrays(measure(program, folder / "a.wav", "--instruments", exact))
            hz, db, degrees, _, _ = compare(response, sos)
            worst, worst_degrees = np.max(np.abs(db)), np.max(np.abs(degrees))
            print(f"{name}, {seconds} s, {ppm} ppm: {len(hz)} points, {worst:.5f} dB, {worst_degrees:.4f} degrees")
            if not (len(hz) >= 478 and worst <= 0.01 and worst_degrees <= 0.1):
                bad += fail("0.01 dB and 0.1 degree")
    return bad


def noisy(program, folder, exact):
    """60 dB of signal over noise in each channel, hum, 200 ppm, an unknown start."""
    bad, within, phase_within, points = 0, 0, 0, 0
    for seed, (name, sos) in enumerate(FILTERS.items()):
        rng = np.random.default_rng(seed)
        x = recording(5, 0.1 + 0.2 * rng.random(), 200)
        y = signal.sosfilt(sos, x)
        n = np.arange(len(x))
        hum = sum(0.003 / k * np.sin(2 * np.pi * 50.02 * k * n / RATE + k) for k in (1, 2, 3))
        pair = np.stack([x, y + hum], 1) + rng.normal(size=(len(x), 2)) * 1e-3 / np.sqrt(2)
        wavfile.write(folder / "a.wav", RATE, pair)
        _, db, degrees, u_db, u_degrees = compare(arrays(measure(program, folder / "a.wav", "--instruments", exact)), sos)
        within += np.sum(np.abs(db) <= 2 * u_db)
        phase_within += np.sum(np.abs(degrees) <= 2 * u_degrees)
        points += len(db)
    print(f"60 dB: gain {100 * within / points:.1f} %, phase {100 * phase_within / points:.1f} % of {points} within 2 u")
    if within < 0.95 * points or phase_within < 0.95 * points:
        bad += fail("95 % within twice the stated uncertainty")
    return bad


def harmonics(program, folder, exact):
    """y = x + a x^2 + b x^3: THD sqrt((a/2)^2 + (b/4)^2) / (1 + 3b/4), within 0.2 dB up to 6.6 kHz."""
    a, b = 0.006, 0.004
    x = recording(5, 0.2)
    wavfile.write(folder / "a.wav", RATE, np.stack([x, x + a * x**2 + b * x**3], 1))
    response = arrays(measure(program, folder / "a.wav", "--instruments", exact))
    keep = (response["hz"] >= 20) & (response["hz"] <= 6600)
    want = 100 * np.hypot(a / 2, b / 4) / (1 + 0.75 * b)
    off = np.max(np.abs(20 * np.log10(response["thd_percent"][keep] / want)))
    print(f"harmonics: {off:.3f} dB over {np.sum(keep)} points")
    return 0 if off <= 0.2 else fail("0.2 dB")


def one_channel(program, folder, exact):
    """The file that was played, and a recording of it in one channel on another clock."""
    sos = FILTERS["high-pass of order 2 at 25 Hz"]
    wavfile.write(folder / "played.wav", RATE, 0.5 * recording(5, 0.1))
    wavfile.write(folder / "a.wav", RATE, 0.25 * signal.sosfilt(sos, recording(5, 0.4, -150)))
    response = arrays(measure(program, folder / "a.wav", "--instruments", exact, "--stimulus", folder / "played.wav"))
    _, db, _, _, _ = compare(response, sos)
    off = np.max(np.abs(db - 20 * np.log10(0.5)))
    print(f"one channel: {off:.5f} dB")
    return 0 if off <= 0.01 else fail("0.01 dB")


def matched(program, folder, exact):
    """A chain of 0.3 dB and 2 us between the inputs, which --match takes out of a sweep and of a tone."""
    sos, chain = FILTERS["band of order 2 from 300 Hz to 3 kHz"], signal.butter(1, 15000, fs=RATE, output="sos")
    x = recording(5, 0.2)
    wavfile.write(folder / "match.wav", RATE, np.stack([x, 1.035 * signal.sosfilt(chain, x)], 1))
    wavfile.write(folder / "a.wav", RATE, np.stack([x, 1.035 * signal.sosfilt(chain, signal.sosfilt(sos, x))], 1))
    options = ("--instruments", exact, "--match", folder / "match.wav")
    _, db, degrees, _, _ = compare(arrays(measure(program, folder / "a.wav", *options)), sos)
    tone = np.sin(2 * np.pi * 997 * np.arange(RATE) / RATE)
    h = signal.sosfreqz(chain, [997], fs=RATE)[1][0] * 1.035
    shifted = np.abs(h) * np.sin(2 * np.pi * 997 * np.arange(RATE) / RATE + np.angle(h))
    wavfile.write(folder / "b.wav", RATE, np.stack([tone, -shifted], 1))
    pair = measure(program, folder / "b.wav", *options)["pair"]["figures"]
    gain, phase = pair["gain_db"]["value"], abs(pair["phase_deg"]["value"])
    print(f"matched: {np.max(np.abs(db)):.5f} dB, {np.max(np.abs(degrees)):.4f} degrees; tone {gain:.5f} dB, {phase:.4f}")
    fine = np.max(np.abs(db)) <= 0.01 and np.max(np.abs(degrees)) <= 0.1 and abs(gain) <= 0.01 and abs(phase - 180) <= 0.1
    return 0 if fine else fail("0.01 dB and 0.1 degree")


def noise(program, folder, exact):
    """White noise: H1 of scipy.signal itself at 1 kHz, and the filter, within 3 u."""
    sos = FILTERS["Chebyshev low-pass of order 4, 1 dB, at 6 kHz"]
    rng = np.random.default_rng(5)
    x = 0.1 * rng.normal(size=10 * RATE)
    y = signal.sosfilt(sos, x) + 0.003 * rng.normal(size=len(x))
    wavfile.write(folder / "a.wav", RATE, np.stack([x, y], 1))
    response = arrays(measure(program, folder / "a.wav", "--instruments", exact))
    _, db, _, u_db, _ = compare(response, sos, 100, 5000)
    hz, cross = signal.csd(x, y, fs=RATE, nperseg=4096)
    h1 = cross / signal.welch(x, fs=RATE, nperseg=4096)[1]
    near = np.argmin(np.abs(hz - 1000))
    ours = np.interp(hz[near], response["hz"], response["gain_db"])
    off = ours - 20 * np.log10(np.abs(np.mean(h1[near - 1:near + 2])))
    share = np.mean(np.abs(db) <= 3 * u_db)
    print(f"noise: {100 * share:.1f} % within 3 u; {off:+.4f} dB against scipy's own H1 at 1 kHz")
    return 0 if share >= 0.97 and abs(off) <= 0.05 else fail("noise")


def main():
    program, bad = sys.argv[1], 0
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        exact = folder / "exact.yaml"
        exact.write_text("capture: {gain: 0%, match: 0%, skew: 0s}\n")
        for check in (noiseless, noisy, harmonics, one_channel, matched, noise):
            bad += check(program, folder, exact)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
