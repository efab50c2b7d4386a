#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Test signals against SciPy: stimuli.py COLDJOINT

Each file is written by the program in floating point, read with scipy.io, and held against SciPy's own signals and spectra.
"""
import os
import subprocess
import sys
import tempfile
import warnings

import numpy as np
from scipy import signal
from scipy.io import wavfile

FAILED = []


def expect(holds, text):
    print(("ok      " if holds else "FAILED  ") + text)
    if not holds:
        FAILED.append(text)


def make(program, folder, *arguments):
    path = os.path.join(folder, "s.wav")
    subprocess.run([program, "stimulus", *arguments, "--bits", "float", "-o", path], check=True, stdout=subprocess.DEVNULL)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # chunks that are not sound
        rate, x = wavfile.read(path)
    return rate, x.astype(float)


def sweep(program, folder):
    """scipy.signal.chirp of the same ends and length, from the middle of the file: sine phase at its start."""
    for low, high, seconds in ((20, 20000, 3), (100, 8000, 1), (10, 22000, 10)):
        rate, x = make(program, folder, "sweep", "--from", str(low), "--to", str(high), "--seconds", str(seconds),
                       "--dbfs", "-6", "--no-marker")
        scale = max(1, round(low * seconds / np.log(high / low))) / low
        length = scale * np.log(high / low)
        n = np.arange(len(x))
        t = n / rate - scale * np.log(2) / 2
        inside = (t >= 0) & (t <= length)
        wanted = 10 ** (-6 / 20) * signal.chirp(t[inside], low, length, high, method="logarithmic", phi=-90)
        off = np.abs(x[inside] - wanted).max()
        expect(off < 2e-7, f"sweep {low}..{high} Hz, {seconds} s: off scipy.signal.chirp by {off:.2g}")


def pink(program, folder):
    rate, x = make(program, folder, "noise", "--colour", "pink", "--rate", "48k", "--seconds", "120", "--no-marker")
    hz, power = signal.welch(x, rate, nperseg=16384)
    edges = 31.25 * 2 ** np.arange(0, 9.5, 0.5)
    levels = np.array([10 * np.log10(np.mean((power * hz)[(hz >= a) & (hz < b)])) for a, b in zip(edges, edges[1:])])
    counts = np.array([((hz >= a) & (hz < b)).sum() for a, b in zip(edges, edges[1:])]) * 120 * rate / 16384
    # half-octave levels of noise scatter by 4.34 dB over the root of the periodograms' number
    off = np.abs(levels - np.average(levels, weights=counts)) / (4.34 / np.sqrt(counts) + 0.05)
    expect(off.max() < 4, f"pink noise: half octaves within {np.abs(levels - np.average(levels, weights=counts)).max():.3f} dB, "
                          f"{off.max():.2f} of what may be")
    expect(abs(np.sqrt(np.mean(x ** 2)) / (10 ** (-12 / 20) / np.sqrt(2)) - 1) < 0.05, "pink noise: RMS")


def white(program, folder):
    rate, x = make(program, folder, "noise", "--seconds", "60", "--no-marker", "--seed", "7")
    _, power = signal.welch(x, rate, nperseg=1024)
    expected = np.mean(x ** 2) / (rate / 2)
    spread = np.std(power[2:-2] / expected)
    expect(0.5 < spread / np.sqrt(1.05 / (60 * rate / 1024)) < 1.1, f"white noise: density scatters by {spread:.4f}")
    kurtosis = np.mean(x ** 4) / np.mean(x ** 2) ** 2
    expect(abs(kurtosis - 3) < 0.03, f"white noise: kurtosis {kurtosis:.4f}")


def sequence(program, folder):
    _, x = make(program, folder, "mls", "--seconds", "5", "--no-marker")
    x = np.sign(x)
    order = next(m for m in range(20, 2, -1) if 3 * (2 ** m - 1) <= 5 * 48000)
    period = 2 ** order - 1
    spectrum = np.fft.rfft(x[:period])
    correlation = np.fft.irfft(np.abs(spectrum) ** 2, period)
    expect(len(x) % period == 0, f"mls: {len(x)} samples are whole periods of {period}")
    expect(abs(correlation[0] - period) < 1e-6 and np.abs(correlation[1:] + 1).max() < 1e-6, "mls: circular correlation is -1")
    own = 2 * signal.max_len_seq(order)[0] - 1
    level = np.abs(np.fft.rfft(own.astype(float)))[1:]
    expect(np.abs(np.abs(spectrum)[1:] - level).max() < 1e-5, "mls: spectrum as scipy.signal.max_len_seq's")


def square(program, folder):
    rate, x = make(program, folder, "square", "--hz", "1k", "--seconds", "1", "--no-marker", "--dbfs", "-6")
    top = 10 ** (-6 / 20) / np.sqrt(2)
    n = np.arange(len(x))
    wanted = np.zeros(len(x))
    for k in range(1, 100, 2):  # the Fourier series of a square with Gaussian edges, what is above Nyquist folded in
        wanted += 4 / np.pi / k * np.exp(-2 * (np.pi * 1.366 * k * 1000 / rate) ** 2) * np.sin(2 * np.pi * k * 1000 * n / rate)
    off = np.abs(x / top - wanted).max()
    expect(off < 1e-6, f"square: off its Fourier series by {off:.2g}")
    expect(np.abs(x).max() <= top * (1 + 1e-7), "square: no overshoot")


def marker(program, folder):
    """The chirps at the head: phase from the analytic signal against the formula in signal.h."""
    rate, x = make(program, folder, "tone", "--rate", "48k", "--dbfs", "0")
    t = np.arange(3840) / rate - 0.04
    s = np.where(t < 0, t + 0.02, t - 0.02)
    slope = np.where(t < 0, 1e5, -1e5)
    wanted = np.cos(np.pi * s / 0.04) ** 2 * np.cos(2 * np.pi * (3000 * s + slope * s * s / 2))
    off = np.abs(x[4800:8640] - wanted).max()
    expect(off < 1e-6, f"marker: off its formula by {off:.2g}")


def main():
    with tempfile.TemporaryDirectory() as folder:
        for test in (sweep, pink, white, sequence, square, marker):
            test(os.path.abspath(sys.argv[1]), folder)
    print(f"{len(FAILED)} failed")
    return 1 if FAILED else 0


if __name__ == "__main__":
    sys.exit(main())
