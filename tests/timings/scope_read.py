# SPDX-License-Identifier: GPL-3.0-or-later
"""scope_read.py PROGRAM: the scope CSV reader against pandas.read_csv with its default C parser, the same
file, one core, one run; then memory a row for ten million rows. Fails below five times the speed, and
above 24 bytes a row beyond the file.

The file is time, channel 1, channel 2 as scopes write them (five decimals of exponent form for time, three
for volts), 2 million rows. Both read it three times from the cache; the best counts. Import time is not counted.
"""
import os
import random
import subprocess
import sys
import tempfile
import time

import pandas

ROWS, MANY = 2_000_000, 10_000_000


def write(path, count):
    noise = random.Random(1)
    block = [f',{noise.randrange(-125, 126) * 0.04:.3e},{noise.randrange(-125, 126) * 0.08:.3e}\n' for _ in range(10007)]
    with open(path, 'w') as file:
        file.write('Time (s),CH1 (V),CH2 (V)\n')
        for start in range(0, count, 100_000):
            file.write(''.join(f'{n * 1e-6:.7e}{block[n % 10007]}' for n in range(start, min(count, start + 100_000))))


def main():
    if hasattr(os, 'sched_setaffinity'):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, 'two-channels.csv')
        write(path, ROWS)
        best = 1e9
        for _ in range(3):
            start = time.process_time()
            frame = pandas.read_csv(path)
            best = min(best, time.process_time() - start)
        seconds, rows, _ = subprocess.run([sys.argv[1], path], check=True, capture_output=True, text=True).stdout.split()
        if len(frame) != ROWS or int(rows) != ROWS:
            sys.exit(f'rows: pandas {len(frame)}, ours {rows}, written {ROWS}')
        ratio = best / float(seconds)
        megabytes = os.path.getsize(path) / 1e6
        print(f'{ROWS} rows, {megabytes:.0f} MB: pandas {best:.3f} s, ours {float(seconds):.3f} s '
              f'({megabytes / float(seconds):.0f} MB/s), {ratio:.1f} times as fast')
        write(path, MANY)
        seconds, rows, each = subprocess.run([sys.argv[1], path], check=True, capture_output=True, text=True).stdout.split()
        print(f'{rows} rows: {float(seconds):.3f} s, {float(each):.2f} bytes a row beyond the file')
    if ratio < 5 or float(each) > 24.1:  # a tenth of a byte a row, a megabyte, for all the rest
        sys.exit('slower or larger than it has to be')


if __name__ == '__main__':
    main()
