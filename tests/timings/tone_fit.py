# SPDX-License-Identifier: GPL-3.0-or-later
"""tone_fit.py PROGRAM REFERENCE: the library's tone fit (PROGRAM of tests/reference) against the NumPy/SciPy
reference (folder REFERENCE), the same two-channel records, in one run on one core. Fails below ten times the speed.

Start-up, reading and import are not counted; of several runs of either the best counts.
"""
import json
import os
import subprocess
import sys
import tempfile
import time

os.environ['OPENBLAS_NUM_THREADS'] = '1'

import numpy as np  # noqa: E402

sys.path.insert(0, sys.argv[2])
from tone_reference import tone_fit  # noqa: E402


def main():
    if hasattr(os, 'sched_setaffinity'):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    noise, worst = np.random.default_rng(3), float('inf')
    with tempfile.TemporaryDirectory() as folder:
        raw = os.path.join(folder, 'raw')
        for n, periods in ((2500, 2.5), (2500, 5.0), (2500, 50.3), (20000, 203.3), (100000, 997.3)):
            t = np.arange(n) - (n - 1) / 2
            x = [np.cos(2 * np.pi * periods / n * t + p) + 1e-3 * noise.normal(size=n) for p in (0, 1)]
            np.concatenate(x).tofile(raw)
            ours = json.loads(subprocess.run([sys.argv[1], 'raw', raw, '2', '0', '5'], check=True,
                                             capture_output=True, text=True).stdout)
            best = float('inf')
            for _ in range(3 if n < 10000 else 1):
                begin = time.perf_counter()
                other = tone_fit(x)
                best = min(best, time.perf_counter() - begin)
            if abs(ours['frequency'] - other['frequency']) > 0.1 * other['frequency_u']:
                sys.exit(f'{n} samples: the fits differ')
            ratio = best / ours['seconds']
            worst = min(worst, ratio)
            print(f'{n} samples, {periods} periods: reference {best:.4f} s, ours {ours["seconds"]:.5f} s, '
                  f'{ratio:.0f} times as fast', flush=True)
    return worst < 10


if __name__ == '__main__':
    sys.exit(main())
