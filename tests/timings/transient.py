# SPDX-License-Identifier: GPL-3.0-or-later
"""transient.py PROGRAM BOARD REFERENCE: clipping transients of the hall mixer (PROGRAM, built from transient.c) beside
ngspice stepping the same circuit (folder REFERENCE has its netlists), one process each, in one run.

Both go as many steps a period (400 here, at most a 400th of a period there); ngspice runs six periods. Its process
starts and reads the netlist in the time; a run of one step, taken off, leaves the stepping alone. Fails below ten times
the speed, or where tone or DC differ (1 dB, 0.3 V).
"""
import json
import subprocess
import sys
import time

import numpy as np

STEP, HZ, PERIODS = 'in1-left', 1000.0, 6
CASES = (('healthy', ()),
         ('feedback twenty times', ('value', 'R13', '2e6')),
         ('feedback open', ('value', 'R13', 'inf')),
         ('output pin open', ('lift', 'U1', '1', '1e13', '0.5e-12')))


def edit(words):
    if not words:
        return []
    if words[0] == 'value':
        return [{'edit': 'value', 'part': words[1], 'a': min(float(words[2]), 1e18)}]
    return [{'edit': 'lift', 'part': words[1], 'pin': int(words[2]), 'a': float(words[3]), 'b': float(words[4])}]


def ngspice(deck_of, seconds):
    deck = deck_of()
    control = [*deck.set_step(STEP), f'tran {1 / HZ / 400!r} {seconds!r} 0 {1 / HZ / 400!r}',
               'set filetype=binary', 'write out.raw']
    begin = time.perf_counter()
    plots, said = spice.run(deck.text(control, 'method=gear'))
    took = time.perf_counter() - begin
    if not plots:
        sys.exit(said)
    node = deck.node(deck.board.steps[STEP]['see'][1][0])
    return took, plots[-1][1]['time'], plots[-1][1][f'v({node})']


def read(t, v):
    at = t[-1] - 1 / HZ + (np.arange(2000) + 1) / 2000 / HZ
    x = np.interp(at, t, v)
    return x.mean(), abs(2 * np.mean((x - x.mean()) * np.exp(-2j * np.pi * HZ * at)))


def main():
    program, path = sys.argv[1:3]
    worst, bad = float('inf'), False
    board = spice.read_board(path)
    for name, words in CASES:
        ours = json.loads(subprocess.run([program, path, STEP, *words], check=True, capture_output=True,
                                         text=True).stdout)
        start, _, _ = ngspice(lambda: spice.Deck(board, edit(words)), 1e-6)
        whole, t, v = ngspice(lambda: spice.Deck(board, edit(words)), PERIODS / HZ)
        dc, tone = read(t, v)
        off = 20 * np.log10(ours['tone'] / tone)
        ratio = (whole - start) / ours['seconds']
        worst = min(worst, ratio)
        bad = bad or not abs(off) <= 1 or not abs(ours['dc'] - dc) <= 0.3
        print(f'{name}: {1e3 * ours["seconds"]:.2f} ms ({ours["steps"]} steps), ngspice {1e3 * whole:.0f} ms, '
              f'{1e3 * (whole - start):.0f} ms of them stepping: {ratio:.0f} times as fast; '
              f'tone {off:+.3f} dB, DC {ours["dc"] - dc:+.4f} V apart', flush=True)
    return bad or worst < 10


if __name__ == '__main__':
    sys.path.insert(0, sys.argv[3])
    import spice
    sys.exit(main())
