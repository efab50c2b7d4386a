# SPDX-License-Identifier: GPL-3.0-or-later
"""noise_compare.py COLDJOINT: the noise and hum figures of the program against SciPy, on captures made here.

A-weighting from the poles of IEC 61672-1, Annex E, as an analog filter (scipy.signal.freqs_zpk) over a periodogram;
BS.468 from Table 1 of the Recommendation (interpolated by PCHIP over the logarithm of frequency, minimum phase from the
Hilbert transform of its logarithm) before the meter whose equations signal.h states, solved at four times the rate;
density by scipy.signal.welch; hum and the tone together by scipy.optimize.least_squares on all lines; sidebands by linear
least squares. Nothing is shared with the library but definitions.
"""
import json
import os
import subprocess
import sys
import tempfile

os.environ['OPENBLAS_NUM_THREADS'] = '1'

import numpy as np  # noqa: E402
from scipy import interpolate, io, optimize, signal  # noqa: E402

# ITU-R BS.468-4, Annex 1, Table 1
TABLE_468 = [(31.5, -29.9), (63, -23.9), (100, -19.8), (200, -13.8), (400, -7.8), (800, -1.9), (1000, 0.0),
             (2000, 5.6), (3150, 9.0), (4000, 10.5), (5000, 11.7), (6300, 12.2), (7100, 12.0), (8000, 11.4),
             (9000, 10.1), (10000, 8.1), (12500, 0.0), (14000, -5.3), (16000, -11.7), (20000, -22.2), (31500, -42.7)]


def gain_a(f):
    """IEC 61672-1, Annex E: fr = 1 kHz, fL = 10^1.5, fH = 10^3.9, fA = 10^2.45."""
    low, high, middle = 10 ** 1.5, 10 ** 3.9, 10 ** 2.45
    d = np.sqrt(0.5)
    b = (1e6 + (low * high / 1e3) ** 2 - d * (low ** 2 + high ** 2)) / (1 - d)
    c = (low * high) ** 2
    f1 = np.sqrt((-b - np.sqrt(b * b - 4 * c)) / 2)
    f4 = np.sqrt((-b + np.sqrt(b * b - 4 * c)) / 2)
    f2, f3 = (3 - np.sqrt(5)) / 2 * middle, (3 + np.sqrt(5)) / 2 * middle
    poles = -2 * np.pi * np.array([f1, f1, f2, f3, f4, f4])
    response = signal.freqs_zpk([0, 0, 0, 0], poles, 1, 2 * np.pi * np.asarray(f, float))[1]
    return np.abs(response) / np.abs(signal.freqs_zpk([0, 0, 0, 0], poles, 1, [2e3 * np.pi])[1][0])


def gain_468(f):
    hz, db = np.array(TABLE_468).T
    curve = interpolate.PchipInterpolator(np.log(hz), db)
    f = np.maximum(np.asarray(f, float), 1e-3)
    inside = curve(np.log(np.clip(f, hz[0], hz[-1])))
    # 6 dB an octave below, 30 dB an octave above, as the network's zero and poles have it
    below, above = np.minimum(np.log2(f / hz[0]), 0) * 6.02, np.maximum(np.log2(f / hz[-1]), 0) * -30
    return 10 ** ((inside + below + above) / 20)


def weighted_468(x, rate, times=4):
    """x through the curve, minimum phase, at `times` the rate."""
    n = len(x) * times
    spectrum = np.zeros(n // 2 + 1, complex)
    half = np.fft.rfft(x)
    spectrum[:len(half)] = half * times
    f = np.arange(n // 2 + 1) * rate * times / n
    log = np.log(np.maximum(gain_468(f), 1e-6))
    cepstrum = np.fft.irfft(log, n)
    fold = np.zeros(n)
    fold[0], fold[n // 2] = 1, 1
    fold[1:n // 2] = 2
    return np.fft.irfft(spectrum * np.exp(np.fft.rfft(cepstrum * fold)), n)


def quasi_peak(y, rate):
    """Largest reading of the meter of signal.h for the weighted signal y."""
    charge, discharge, rise, fall, pointer = (1 / (t * rate) for t in (1.4e-3, 0.227, 0.206, 0.112, 3e-3))
    a = b = p = largest = 0.0
    for v in np.abs(y).tolist():
        over = v - a
        a += (charge * over if over > 0 else 0) - discharge * a
        off = a - b
        b += off * (rise if off > 0 else fall)
        p += pointer * (0.49 * a + 0.51 * b - p)
        if p > largest:
            largest = p
    return largest


def reading(y, rate):
    t = np.arange(int(1.5 * rate)) / rate
    return quasi_peak(y, rate) / quasi_peak(np.sqrt(2) * np.sin(2 * np.pi * 1e3 * t), rate)


def lines(x, rate, frequencies):
    """Amplitudes of DC and lines by least squares, and what they leave."""
    t = (np.arange(len(x)) - (len(x) - 1) / 2) / rate
    columns = [np.ones(len(x))]
    for f in frequencies:
        columns += [np.cos(2 * np.pi * f * t), np.sin(2 * np.pi * f * t)]
    matrix = np.array(columns).T
    unknowns = np.linalg.solve(matrix.T @ matrix, matrix.T @ x)
    return unknowns[1::2] - 1j * unknowns[2::2], x - matrix @ unknowns


def measure(program, x, rate, *options):
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, 'capture.wav')
        io.wavfile.write(path, rate, x.astype(np.float64))
        done = subprocess.run([program, 'measure', '--json', *options, path], capture_output=True, text=True)
        if done.returncode:
            raise RuntimeError(done.stderr)
        return {k: v for k, v in json.loads(done.stdout)['channels'][0]['figures'].items()}


class Judge:
    def __init__(self):
        self.count, self.bad = 0, 0

    def close(self, label, figure, want, tolerance):
        """tolerance in the figure's unit, for noise and hum in dB."""
        got = figure['value']
        self.count += 1
        off = np.inf if got is None else got - want
        if not abs(off) <= tolerance:
            self.bad += 1
            print(f'{label}: {got!r}, SciPy {want!r}, off by {off:.3g}, allowed {tolerance:.3g}', flush=True)

    def level(self, label, figure, want, db):
        self.close(label, figure, want, want * (10 ** (db / 20) - 1))


def noise_case(program, judge, rate, seconds, seed, pink):
    random = np.random.default_rng(seed)
    n = int(rate * seconds)
    t = np.arange(n) / rate
    noise = 1e-3 * random.normal(size=n)
    if pink:
        noise = signal.lfilter(*signal.butter(1, 300 / (rate / 2)), noise) * 10
    x = noise + 0.5 * np.sin(2 * np.pi * 997 * t + 1) + 1e-3 * np.sin(2 * np.pi * 1994 * t)
    label = f'{rate} Hz, {seconds} s, {"coloured" if pink else "white"}'
    figures = measure(program, x, rate)
    _, left = lines(x, rate, [997 * k for k in range(1, 11) if 997 * k < rate / 2])
    # the library's own block is the record: the same Hann window, so little but rounding lies between
    f, density = signal.periodogram(left, rate, 'hann', detrend=False)
    band = (f >= 20) & (f <= 20000)
    step = rate / n
    judge.level(label + ' noise_a_v', figures['noise_a_v'],
                np.sqrt((density[band] * gain_a(f[band]) ** 2).sum() * step), 0.02)
    f, density = signal.welch(left, rate, 'hann', nperseg=n // 4)
    near = (f > 1000 / 10 ** 0.05) & (f < 1000 * 10 ** 0.05) & (np.abs(f - 997) > 20)
    judge.level(label + ' noise_density_v', figures['noise_density_v'], np.sqrt(density[near].mean()), 0.5)
    judge.level(label + ' noise_468_v', figures['noise_468_v'], reading(weighted_468(left, rate), 4 * rate), 0.15)


def hum_case(program, judge, rate, seconds, mains, seed):
    random = np.random.default_rng(seed)
    n = int(rate * seconds)
    t = np.arange(n) / rate
    ripple = 1 + 1e-3 * np.sin(2 * np.pi * 2 * mains * t)
    x = 0.5 * ripple * np.sin(2 * np.pi * 1237 * t) + 1e-4 * random.normal(size=n)
    for k, level in [(1, 5e-4), (2, 1e-4), (3, 2e-4)]:
        x += level * np.sin(2 * np.pi * k * mains * t + k)
    label = f'hum at {mains} Hz, {rate} Hz, {seconds} s'
    figures = measure(program, x, rate)
    model = lambda p: [p[0] * k for k in range(1, 21)] + [p[1], p[1] - 2 * p[2], p[1] + 2 * p[2]]  # noqa: E731
    start = np.array([mains + 0.01, 1237.001, mains - 0.01])
    fit = optimize.least_squares(lambda p: lines(x, rate, model(p))[1], start, x_scale=[1e-2, 1e-4, 1e-2],
                                 diff_step=1e-7, xtol=1e-12, ftol=1e-14)
    amplitudes, _ = lines(x, rate, model(fit.x))
    power = np.abs(amplitudes) ** 2 / 2
    judge.close(label + ' hum_hz', figures['hum_hz'], fit.x[0], 0.5 * figures['hum_hz']['u'])
    judge.level(label + ' hum_v', figures['hum_v'], np.sqrt(power[:20].sum()), 0.1)
    sidebands = 10 * np.log10(power[21:].sum() / power[20])
    judge.close(label + ' hum_sideband_db', figures['hum_sideband_db'], sidebands, 0.1)
    judge.close(label + ' hum_sideband_hz', figures['hum_sideband_hz'], 2 * mains,
                4 * figures['hum_sideband_hz']['u'])


def main():
    program, judge = sys.argv[1], Judge()
    for i, (rate, seconds) in enumerate([(44100, 2), (48000, 1.5), (96000, 1.3), (192000, 1.2)]):
        for pink in (False, True):
            noise_case(program, judge, rate, seconds, 10 + i, pink)
    for i, (rate, mains) in enumerate([(44100, 50.021), (48000, 59.97), (96000, 49.985)]):
        hum_case(program, judge, rate, 2, mains, 20 + i)
    print(f'{judge.count} figures compared, {judge.bad} differ')
    return 1 if judge.bad or judge.count != 36 else 0


if __name__ == '__main__':
    sys.exit(main())
