# SPDX-License-Identifier: GPL-3.0-or-later
"""A stimulus played through a simulated board, and its capture diagnosed, end to end.

    played.py COLDJOINT BOARD

The program writes the sweep of a step. The sweep of signal.h, written down here anew, must be what the file holds. ngspice
plays it through the board as a transient, in good order and with faults that a tone of 1 kHz hardly shows (from the
file's samples it would take many minutes: ngspice goes through a long list of points at every step); both nets of the
step are sampled 24 bits deep after a start nobody waited for, with noise; the program diagnoses that one capture. What
must come out is in CASES.
"""
import json
import math
import pathlib
import subprocess
import sys
import tempfile
import wave

import numpy as np
from scipy.interpolate import CubicSpline

import spice

FROM_HZ, TO_HZ = 50, 20000
FULL_SCALE_V, RATE_HZ, SECONDS, WAIT_S, NOISE_V = 16.0, 96000, 0.25, 0.137, 100e-6
STEP = 'in1-sweep'
ADDED = (f'  - {{step: {STEP}, drive: in1, sweep: {{from: {FROM_HZ}, to: {TO_HZ}, seconds: {SECONDS}, peak: 1.0}}, '
         'set: {SW1: left, RV1: 100%}, see: [in1, left_out]}\n')
# what is wrong, and a fault that must stand in the first finding (None: healthy)
CASES = [
    ([], None),
    ([{'edit': 'value', 'part': 'C1', 'a': 1e-9}], {'fault': 'wrong-value', 'part': 'C1'}),
    ([{'edit': 'value', 'part': 'R13', 'a': 220e3}], {'fault': 'wrong-value', 'part': 'R13'}),
]


def with_sweep(path):
    lines = pathlib.Path(path).read_text(encoding='utf-8').splitlines(keepends=True)
    at = lines.index('steps:\n') + 1
    return ''.join(lines[:at] + [ADDED] + lines[at:])


def samples(path):
    with wave.open(str(path)) as file:
        raw = np.frombuffer(file.readframes(file.getnframes()), np.uint8).reshape(-1, 3).astype(np.int32)
        assert file.getframerate() == RATE_HZ and file.getnchannels() == 1 and file.getsampwidth() == 3
    value = raw[:, 0] | raw[:, 1] << 8 | raw[:, 2] << 16
    return np.where(value >= 1 << 23, value - (1 << 24), value) / 2 ** 23 * FULL_SCALE_V


class Sweep:
    """As include/coldjoint/signal.h has it."""

    def __init__(self):
        self.turns = max(round(FROM_HZ * SECONDS / math.log(TO_HZ / FROM_HZ)), 1)
        self.scale = self.turns / FROM_HZ
        self.lead = self.scale * math.log(2) / 2
        self.trail = self.scale * math.log(min(TO_HZ * 2 ** 0.25, 0.49 * RATE_HZ) / TO_HZ)
        self.length = self.lead + self.scale * math.log(TO_HZ / FROM_HZ) + self.trail

    def samples(self, times):
        rise = np.clip(times / self.lead, 0, 1)
        fall = np.clip((self.length - times) / self.trail, 0, 1)
        fades = (0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall))
        return fades * np.sin(2 * np.pi * self.turns * np.expm1((times - self.lead) / self.scale))

    def spice(self):
        return (f'(0.5-0.5*cos(pi*min(max(time/{self.lead:.15g},0),1)))'
                f'*(0.5-0.5*cos(pi*min(max(({self.length:.15g}-time)/{self.trail:.15g},0),1)))'
                f'*sin(2*pi*{self.turns}*(exp((time-{self.lead:.15g})/{self.scale:.15g})-1))')


def same_as_file(sweep, volts):
    """Behind 100 ms of silence, a marker of 80 ms and 100 ms of silence; dither and steps are all that may differ."""
    start = round(0.28 * RATE_HZ)
    times = np.arange(int(sweep.length * RATE_HZ)) / RATE_HZ
    off = np.abs(volts[start:start + len(times)] - sweep.samples(times))
    print(f'the file and the formula differ by {off.max():.3g} V at most')
    return off.max() < 3 * FULL_SCALE_V / 2 ** 23


def play(board, edits, sweep):
    """What both channels see, at the rate of the file."""
    deck = spice.Deck(board, edits, {})
    k = board.steps[STEP]['drive']
    deck.lines = [f'Bz{k} z{k} 0 V={sweep.spice()}' if line.startswith(f'Vz{k} ') else line for line in deck.lines]
    control = ['set filetype=binary'] + deck.set_step(STEP, transient=False)
    seen, end = deck.seen(STEP), sweep.length + 0.01
    control += [f'tran {1 / RATE_HZ:.9g} {end:.9g} 0 {0.05 / TO_HZ:.9g}', f'write out.raw {" ".join(seen)}']
    plots, messages = spice.run(deck.text(control, 'method=gear reltol=1e-4 abstol=1e-14 vntol=1e-7'), timeout=300)
    if not plots or plots[0][1]['time'][-1] < end * 0.999:
        raise RuntimeError(messages[-500:])
    found = plots[0][1]
    keep = np.concatenate([[True], np.diff(found['time']) > 1e-15])
    times = np.arange(int(end * RATE_HZ)) / RATE_HZ
    return np.array([CubicSpline(found['time'][keep], found[view][keep])(times) for view in seen])


def record(path, channels, rng):
    lead = np.zeros((len(channels), int(WAIT_S * RATE_HZ)))
    out = np.concatenate([lead, channels], axis=1)
    out = (out + NOISE_V * rng.standard_normal(out.shape)) / FULL_SCALE_V
    codes = np.clip(np.rint(out * 2 ** 23), -2 ** 23, 2 ** 23 - 1).astype('<i4').T.copy()
    with wave.open(str(path), 'wb') as to:
        to.setnchannels(2)
        to.setsampwidth(3)
        to.setframerate(RATE_HZ)
        to.writeframes(codes.view(np.uint8).reshape(-1, 4)[:, :3].tobytes())


def main():
    program, path = sys.argv[1:]
    text, wrong = with_sweep(path), 0
    board, rng = spice.Board(text), np.random.default_rng(20261125)
    with tempfile.TemporaryDirectory() as folder:
        here = pathlib.Path(folder)
        (here / 'board.yaml').write_text(text, encoding='utf-8')
        subprocess.run([program, 'stimulus', 'sweep', '--from', str(FROM_HZ), '--to', str(TO_HZ), '--seconds', str(SECONDS), '--peak', '1',
                        '--full-scale', str(FULL_SCALE_V), '--rate', str(RATE_HZ), '--bits', '24', '-q', '-o',
                        str(here / 'sweep.wav')], check=True)
        sweep = Sweep()
        wrong += not same_as_file(sweep, samples(here / 'sweep.wav'))
        for edits, want in CASES:
            record(here / 'capture.wav', play(board, edits, sweep), rng)
            done = subprocess.run([program, 'diagnose', '--json', '--full-scale', str(FULL_SCALE_V), str(here / 'board.yaml'),
                                   f'{STEP}={here / "capture.wav"}'], capture_output=True, text=True, check=False)
            if done.returncode not in (0, 1, 2):
                print(done.stderr)
                wrong += 1
                continue
            answer = json.loads(done.stdout)
            first = answer['findings'][0]['faults'] if answer['findings'] else []
            if want is None:
                good = answer['verdict'] == 'healthy'
            else:
                good = answer['verdict'] == 'fault' and any(want.items() <= fault.items() for fault in first)
            wrong += not good
            says = answer['findings'][0]['says'] if answer['findings'] else '-'
            p = answer['findings'][0]['probability'] if answer['findings'] else 0
            print(f'{"as it should" if good else "WRONG"}: {edits or "a good unit"}: {answer["verdict"]}, {p:.3f} {says}')
    return 1 if wrong else 0


if __name__ == '__main__':
    sys.exit(main())
