#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Two tones, squares, drift and losses against independent reckonings: bench_figures.py PROGRAM

Intermodulation by least squares of all lines with scipy.optimize on the same samples; edges by scipy.signal's
step responses; drift by numpy.polyfit; losses where they were made.
"""

import pathlib
import subprocess
import sys
import tempfile

import numpy as np
from scipy import optimize, signal
from scipy.io import wavfile

FAILURES = []


def check(label, got, want, tolerance):
    good = abs(got - want) <= tolerance
    print(f"{'good' if good else 'BAD '} {label}: {got:.9g}, outside {want:.9g}, tolerance {tolerance:.2g}")
    if not good:
        FAILURES.append(label)


def figures(program, folder, rate, channels):
    path = pathlib.Path(folder) / "capture.wav"
    wavfile.write(path, rate, np.stack(channels, axis=1).astype(np.float64))
    answer = subprocess.run([program, path], check=True, capture_output=True, text=True).stdout
    out, losses = {}, []
    for line in answer.splitlines():
        name, value, u = line.split()
        if name.startswith("loss."):
            losses.append((float(value), float(u)))
        else:
            out[name] = (float(value), float(u))
    return out, losses


def columns(n, rate, f1, f2):
    t = (np.arange(n) - (n - 1) / 2) / rate
    lines = [(a, b) for a in range(-5, 6) for b in range(0, 6)
             if 0 < abs(a) + b <= 5 and (b > 0 or a > 0) and 0 < a * f1 + b * f2 < rate / 2 - rate / n]
    parts = [np.ones(n)]
    for a, b in lines:
        turn = 2 * np.pi * (a * f1 + b * f2) * t
        parts += [np.cos(turn), np.sin(turn)]
    return lines, np.stack(parts, axis=1)


def intermodulation(x, rate, start, close):
    """By variable projection over both frequencies with scipy.optimize.least_squares."""
    def left(f):
        _, b = columns(len(x), rate, *f)
        return x - b @ np.linalg.lstsq(b, x, rcond=None)[0]
    found = optimize.least_squares(left, start, x_scale=1e-3, xtol=1e-15, ftol=1e-15, gtol=1e-15).x
    lines, b = columns(len(x), rate, *found)
    a = np.linalg.lstsq(b, x, rcond=None)[0]
    level = {line: np.hypot(a[1 + 2 * i], a[2 + 2 * i]) for i, line in enumerate(lines)}
    if close:
        reference = 2 * level[(0, 1)]
        return np.hypot(level[(-1, 1)], level[(2, -1)] if (2, -1) in level else 0) / reference, level
    d2 = (level[(1, 1)] + level[(-1, 1)]) / level[(0, 1)]
    d3 = (level[(2, 1)] + level[(-2, 1)]) / level[(0, 1)]
    return np.hypot(d2, d3), level


def two_tones(program, folder, rng):
    rate, n = 48000, 9600
    t = np.arange(n) / rate
    for f, peak in (((60.0, 7000.0), (0.8, 0.2)), ((250.0, 8000.0), (0.8, 0.2))):
        x = peak[0] * np.cos(2 * np.pi * f[0] * t + 0.4) + peak[1] * np.cos(2 * np.pi * f[1] * t)
        y = 0.5 * (x + 0.02 * x**2 + 0.01 * x**3) + 1e-5 * rng.standard_normal(n)
        x = x + 1e-5 * rng.standard_normal(n)
        got, _ = figures(program, folder, rate, [x, y])
        want, level = intermodulation(y, rate, f, False)
        u = got["imd_percent.2"][1]
        check(f"IMD of {f[0]:g} + {f[1]:g} Hz, %", got["imd_percent.2"][0], 100 * want, max(0.05 * u, 1e-6))
        _, first = intermodulation(x, rate, f, False)
        check("gain at the stronger tone", got["gain.0"][0], level[(1, 0)] / first[(1, 0)], 1e-6)


def squares(program, folder, rng):
    rate, n = 192000, 96000
    for damping, natural in ((0.4, 2 * np.pi * 8000), (0.8, 2 * np.pi * 5000)):
        fine = np.linspace(0, 3e-3, 60001)
        _, step = signal.step(([natural**2], [1, 2 * damping * natural, natural**2]), T=fine)
        t = np.mod(np.arange(n) / rate * 311.7, 1) / 311.7
        half = 0.5 / 311.7
        wave = np.where(t < half, -1 + 2 * np.interp(t, fine, step), 1 - 2 * np.interp(t - half, fine, step))
        got, _ = figures(program, folder, rate, [wave + 1e-4 * rng.standard_normal(n)] * 2)
        rise = np.interp(0.9, step[:np.argmax(step > 0.95)], fine[:np.argmax(step > 0.95)]) \
            - np.interp(0.1, step[:np.argmax(step > 0.95)], fine[:np.argmax(step > 0.95)])
        check(f"rise time, damping {damping:g}", got["rise_s.1"][0], rise, max(0.01 * rise, 3 * got["rise_s.1"][1]))
        check(f"overshoot, damping {damping:g}", got["overshoot_percent.1"][0], 100 * (step.max() - 1), 0.4)


def drift(program, folder, rng):
    rate, n = 8000, 80000
    t = np.arange(n) / rate
    x = 0.1 + 0.003 * t + 0.3 * np.sin(2 * np.pi * 440.3 * t) + 1e-3 * rng.standard_normal(n)
    got, _ = figures(program, folder, rate, [x, x])
    basis = np.stack([np.ones(n), t, np.sin(2 * np.pi * 440.3 * t), np.cos(2 * np.pi * 440.3 * t)], axis=1)
    want = np.linalg.lstsq(basis, x, rcond=None)[0][1]
    check("drift", got["drift_v_per_s.1"][0], want, 3 * got["drift_v_per_s.1"][1])


def losses(program, folder, rng):
    rate, n = 48000, 240000
    x = np.sin(2 * np.pi * 733.1 * np.arange(n) / rate)
    at = np.sort(rng.choice(np.arange(8, 92), 12, replace=False)) * n // 100 + rng.integers(0, 400, 12)
    for start in at:
        x[start:start + 24] = 0
    x += 0.01 / np.sqrt(2) * rng.standard_normal(n)
    _, found = figures(program, folder, rate, [x, x])
    found = found[:len(found) // 2]
    check("losses", len(found), 12, 0)
    for start, (time, _) in zip(at, found):
        check("loss at", time, start / rate, 4.5e-4)


def main():
    rng = np.random.default_rng(20)
    with tempfile.TemporaryDirectory() as folder:
        for part in (two_tones, squares, drift, losses):
            part(sys.argv[1], folder, rng)
    return 1 if FAILURES else 0


sys.exit(main())
