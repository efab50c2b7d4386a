# SPDX-License-Identifier: GPL-3.0-or-later
"""compare.py PROGRAM CAPTURES: the library's tone fit (PROGRAM, built from tone_fit.c) against
tone_reference.py on synthetic records and on the captures of the fixtures.

Clean records (synthetic without noise, and 24-bit audio): amplitude of every line within 1e-6 of the fundamental's,
phase of the fundamental within 1e-5 degree. Noisy and eight-bit ones: within a tenth of the stated u. Orders must
be equal and the fundamental's stated u within 1 %, but where there is no noise at all: there both are a matter of
rounding, and lines that one fit has and the other has not must be nothing.
"""
import concurrent.futures
import glob
import json
import os
import subprocess
import sys
import tempfile

os.environ['OPENBLAS_NUM_THREADS'] = '1'  # one record a core

import numpy as np  # noqa: E402

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from tone_reference import tone_fit  # noqa: E402


def run(*arguments):
    done = subprocess.run([str(a) for a in arguments], capture_output=True, text=True)
    if done.returncode:
        raise RuntimeError(f'{arguments}: {done.stderr.strip()}')
    return json.loads(done.stdout)


def lines(channel):
    return np.array([complex(*v) for v in channel['line']])


def equal_orders(left, right):
    h = max(len(left), len(right))
    return np.pad(left, (0, h - len(left))), np.pad(right, (0, h - len(right)))


def differences(ours, other, clean):
    """What is out of bounds, as words."""
    bad = []
    noiseless = all(b.get('residual', 0) < 1e-16 * abs(complex(*b['line'][0])) ** 2 for b in other['channels'])
    if ours['harmonics'] != other['harmonics'] and not noiseless:
        return [f'harmonics {ours["harmonics"]}, reference {other["harmonics"]}']
    if abs(ours['frequency'] - other['frequency']) > max(0.1 * other['frequency_u'], 1e-12 * other['frequency']):
        bad.append(f'frequency {ours["frequency"]!r}, reference {other["frequency"]!r}')
    for c, (a, b) in enumerate(zip(ours['channels'], other['channels']), 1):
        if not b.get('peak_u'):
            if np.abs(lines(a)).max() > 0 or (b['dc'] is not None and abs(a['dc'] - b['dc']) > 1e-12):
                bad.append(f'channel {c} is silent, but lines or DC differ')
            continue
        left, right = equal_orders(lines(a), lines(b))
        peak = abs(right[0])
        off = np.abs(left - right)
        turn = abs(np.degrees(np.angle(left[0] / right[0])))
        if clean:
            if off.max() > 1e-6 * peak:
                bad.append(f'channel {c}: a line is off by {off.max() / peak:.2g} of the fundamental')
            if turn > 1e-5:
                bad.append(f'channel {c}: phase is off by {turn:.2g} degree')
        else:
            if (off > 0.1 * np.maximum(b['peak_u'], np.array(b['phase_u']) * np.abs(right))).any():
                bad.append(f'channel {c}: a line is off by more than a tenth of its u')
            if turn > 0.1 * np.degrees(b['phase_u'][0]):
                bad.append(f'channel {c}: phase is off by more than a tenth of its u')
        if abs(a['dc'] - b['dc']) > max(0.1 * b['dc_u'], 1e-6 * peak if clean else 0):
            bad.append(f'channel {c}: DC {a["dc"]!r}, reference {b["dc"]!r}')
        for key in ('peak_u', 'phase_u'):
            u, v = a[key][0], b[key][0]
            if not noiseless and abs(u - v) > 0.01 * v:
                bad.append(f'channel {c}: {key} {u!r}, reference {v!r}')
    return bad


def synthetic():
    """(name, clean, harmonics asked for, channels)"""
    noise = np.random.default_rng(20)

    def tone(n, periods, levels, phase, dc):
        t = np.arange(n) - (n - 1) / 2
        x = np.full(n, float(dc))
        for k, level in enumerate(levels, 1):
            if k * periods / n < 0.5:
                x += level * np.cos(k * (2 * np.pi * periods / n * t + phase) + 0.5 * k)
        return x

    square = [0 if k % 2 == 0 else 1 / k for k in range(1, 60)]
    saw = [1 / k for k in range(1, 40)]
    for n, periods, levels in [(100, 1.5, [1]), (100, 2.2, [1, 0.2]), (100, 3.3, [1]), (101, 7.7, [1, 0.1, 0.01]),
                               (500, 1.7, saw), (500, 4.3, square), (2500, 2.0, [1, .3, .2, .1]), (2500, 5.0, [1]),
                               (2500, 51.3, [1, 0, 1e-4]), (4800, 99.7, square), (5000, 1995.0, [1]),
                               (20000, 12.1, [1, 1e-3, 1e-5])]:
        x, y = tone(n, periods, levels, 0.4, 0.1), 0.1 * tone(n, periods, levels, 2.0, -3)
        yield f'clean {n}/{periods}', True, 0, [x, y]
        yield f'clean {n}/{periods}, one channel', True, 0, [y]
        yield f'noise {n}/{periods}', False, 0, [x + 0.01 * noise.normal(size=n), y + 1e-3 * noise.normal(size=n)]
        if n > 5000:
            continue  # steps without much noise are hundreds of harmonics there: an hour of explicit matrices
        step = 2 / 250
        yield f'eight bits {n}/{periods}', False, 0, [np.round((v + 0.2 * step * noise.normal(size=n)) / step) * step
                                                      for v in (x, y)]
    x, y = (tone(2500, 5.3, [1, .01], p, .1) + 1e-3 * noise.normal(size=2500) for p in (1, 2))
    x[700:760] = np.nan
    y[noise.random(2500) < 0.05] = np.nan
    yield 'gaps', False, 0, [x, y]
    yield 'dead channel', False, 0, [x, np.full(2500, 0.3)]
    yield 'three harmonics given', False, 3, [x, y]
    yield 'three harmonics given, few periods', False, 3, [tone(400, 1.6, [1, .1, .1], 1, 0) +
                                                           1e-2 * noise.normal(size=400)]


def captures(folder):
    for path in sorted(glob.glob(os.path.join(folder, '*'))):
        if path.endswith('.1.csv'):
            yield path + '+' + path[:-6] + '.2.csv'
        elif path.endswith(('.csv', '.wav', '.flac')) and not path.endswith('.2.csv'):
            yield path


def judge(task):
    """One record: (name, what is wrong with it)."""
    name, clean, harmonics, x, program = task
    with tempfile.TemporaryDirectory() as scratch:
        raw = os.path.join(scratch, 'raw')
        if x is None:
            ours = run(program, 'capture', name, raw)
            x = list(np.fromfile(raw).reshape(len(ours['channels']), -1))
        else:
            np.concatenate(x).tofile(raw)
            ours = run(program, 'raw', raw, len(x), harmonics)
    return name, differences(ours, tone_fit(x, harmonics), clean)


def main():
    program, folder = sys.argv[1:3]
    tasks = [(*record, program) for record in synthetic()]
    tasks += [(path, path.endswith(('.wav', '.flac')), 0, None, program) for path in captures(folder)]
    failed = 0
    with concurrent.futures.ProcessPoolExecutor() as pool:
        for name, bad in pool.map(judge, tasks):
            failed += bool(bad)
            if bad:
                print(f'{name}: ' + '; '.join(bad), flush=True)
    print(f'{len(tasks)} records compared, {failed} differ')
    return 1 if failed or len(tasks) < 60 else 0


if __name__ == '__main__':
    sys.exit(main())
