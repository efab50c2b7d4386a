# SPDX-License-Identifier: GPL-3.0-or-later
"""scope_read.py PROGRAM: the scope CSV reader against pandas.read_csv with its default C parser, the same
file, one core, one run; then memory a row for ten million rows. Fails below five times the speed, and
above 24 bytes a row beyond the file.

The file is time, channel 1, channel 2 as scopes write them (five decimals of exponent form for time, three
for volts), 2 million rows. Both read it from the cache, in turns; the best of each counts, in processor time (user
and system), so that other load says little. Import time is not counted.
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


def run(path):
    line = subprocess.run([sys.argv[1], path], check=True, capture_output=True, text=True).stdout.split()
    return float(line[0]), int(line[1]), float(line[2])


def main():
    if hasattr(os, 'sched_setaffinity'):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, 'two-channels.csv')
        write(path, ROWS)
        best = seconds = 1e9
        for _ in range(4):  # in turns, as the machine is not always equally fast
            start = time.process_time()
            frame = pandas.read_csv(path)
            best = min(best, time.process_time() - start)
            once, rows, _ = run(path)
            seconds = min(seconds, once)
        if len(frame) != ROWS or rows != ROWS:
            sys.exit(f'rows: pandas {len(frame)}, ours {rows}, written {ROWS}')
        ratio = best / seconds
        megabytes = os.path.getsize(path) / 1e6
        print(f'{ROWS} rows, {megabytes:.0f} MB: pandas {best:.3f} s, ours {seconds:.3f} s '
              f'({megabytes / seconds:.0f} MB/s), {ratio:.1f} times as fast')
        write(path, MANY)
        seconds, rows, each = run(path)
        print(f'{rows} rows: {seconds:.3f} s, {each:.2f} bytes a row beyond the file')
    if ratio < 5 or each > 24.1:  # a tenth of a byte, a megabyte in all, for what does not grow with the rows
        sys.exit('slower or larger than it has to be')


if __name__ == '__main__':
    main()
