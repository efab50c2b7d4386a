# SPDX-License-Identifier: GPL-3.0-or-later
"""diagnose_speed.py COLDJOINT BOARD REFERENCE: `coldjoint diagnose` of twelve captures of 2 500 rows end to end, beside
`coldjoint measure` of the same twelve files, in one run: a healthy unit, one with a wrong value, one with an open pin.

The units are made as those of blind_set.py in folder REFERENCE (ngspice); the twelve are every input left and right. Times are processor time, user and system, the median of five; measure is a process a file, and the time
that twelve processes take to start is printed beside it. States what is reached; the aim is 0.3 s. Fails where a command
does, or where the twelve captures are not there.
"""
import pathlib
import resource
import statistics
import subprocess
import sys
import tempfile

import numpy as np

REPEATS, AIM_S, ROWS = 5, 0.3, 2500
NAMES = [f'in{k}-{side}' for k in range(1, 7) for side in ('left', 'right')]


def seconds(*commands):
    """Processor time of the commands, one after another."""
    def used():
        now = resource.getrusage(resource.RUSAGE_CHILDREN)
        return now.ru_utime + now.ru_stime
    begin = used()
    for command in commands:
        done = subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, check=False)
        if done.returncode not in (0, 1):  # 1: something is wrong with the unit
            sys.exit(f'{" ".join(command)}: {done.returncode}\n{done.stderr}')
    return used() - begin


def median(*commands):
    return statistics.median(seconds(*commands) for _ in range(REPEATS))


def units(path, folder):
    """{words: folder of the twelve}, parts and instrument drawn from a fixed seed."""
    board = spice.read_board(path)
    kinds = {'healthy': None, 'feedback 39k instead of 100k': faults.fault('wrong-value', 'R13', value=39e3),
             'U1 pin 7 open': faults.fault('open-pin', 'U1', pin=7)}
    made = {}
    for number, (words, fault) in enumerate(kinds.items()):
        rng = np.random.default_rng([1, number])
        unit, instrument = blind_set.draw_unit(board, rng), blind_set.draw_instrument(rng)
        found, missing, _, said = blind_set.waves(board, faults.edits(board, fault) if fault else [], unit)
        if missing:
            sys.exit(f'{words}: ngspice gave up on {missing}\n{said}')
        made[words] = folder / f'unit-{number}'
        made[words].mkdir()
        for name in NAMES:
            blind_set.write_scope(made[words] / f'{name}.csv', board, board.steps[name], found[name], None, instrument, rng)
    return made


def main():
    program, board = sys.argv[1:3]
    with tempfile.TemporaryDirectory() as made:
        for kind, unit in units(board, pathlib.Path(made)).items():
            files = [unit / f'{name}.csv' for name in NAMES]
            rows = {sum(line[:1] in '-+.0123456789' for line in file.open(encoding='utf-8')) for file in files}
            if rows != {ROWS}:
                sys.exit(f'{rows} rows a capture instead of {ROWS}')
            whole = median([program, 'diagnose', board, str(unit)])
            read = median(*([program, 'measure', str(file)] for file in files))
            start = median(*([program, '--version'] for _ in files))
            print(f'{kind}: diagnose {whole:.3f} s of processor time for twelve captures of {ROWS} rows (aim {AIM_S} s); '
                  f'measure of the twelve {read:.3f} s, {start:.3f} s of them starting twelve processes; '
                  f'{whole / max(read - start, 1e-3):.1f} times reading and fitting', flush=True)


if __name__ == '__main__':
    sys.path.insert(0, sys.argv[3])
    import blind_set
    import faults
    import spice
    main()
