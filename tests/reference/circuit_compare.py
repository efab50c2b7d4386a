# SPDX-License-Identifier: GPL-3.0-or-later
"""The library's predictions (circuit_predict) against ngspice, healthy and with every single fault of a board.

    circuit_compare.py PREDICT DUMP BOARD [--part K/N] [--seconds S] [--list FILE]

Whole run of the hall mixer: circuit_compare.py BUILD/tests/reference/circuit_predict BUILD/tests/reference/board_dump
fixtures/boards/hall-mixer.yaml (some minutes). --part K/N takes the faults whose place in the list is K modulo N
(fixed, not drawn): that is what the tests run. --list writes every disagreement.

The circuits are built twice: by the library from the board file, and here by spice.py from the same file with the
op-amp figures as board_dump prints them. Faults: an open pin for every pin, bridges of neighbouring pins, two-pin
parts shorted, values tenfold, a tenth and one preferred value up, potentiometers and windings reversed. Left out: a
missing supply and a rail joined to ground, which the library does not solve but gives as distributions.

Asserted of each step, by what the library says it is:
  linear         ngspice's ac at 7 frequencies from 20 Hz to 50 kHz: gain within 0.02 dB and phase within 0.1 degree at
                 every channel above -80 dB of the drive; DC within 2 mV
  held           a section rests at a rail: the same ac within 1 dB, DC within 0.3 V (phase is printed)
  transient      ngspice's transient: DC within 0.3 V, tone within 1 dB where it is above -60 dB of the drive, THD within
                 2 dB where it is above 0.1 % and the channel above 10 mV
  open loop      called linear, but the drive takes a section of ngspice's beyond its swing (an open output pin: what it
                 does hardly reaches the net): the same as a transient
  poles          the nodal equations (spice_poles.py) have a pole in the right half plane, and in the first step ngspice's
                 transient from a small kick grows tenfold; and no step that is called otherwise has such a pole
Where the rail hangs on the sign of an offset that is zero (fragile), DC is compared by magnitude.
"""
import argparse
import collections
import json
import math
import os
import pathlib
import shutil
import subprocess
import sys
import time

os.environ.setdefault('OPENBLAS_NUM_THREADS', '1')
import numpy as np  # noqa: E402
from scipy.interpolate import CubicSpline  # noqa: E402

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
import faults  # noqa: E402
import spice  # noqa: E402
import spice_poles  # noqa: E402

HZ = [20 * 2500 ** (k / 6) for k in range(7)]  # as `ac dec 2 20 50k` takes them
EXACT = 'method=gear reltol=1e-6 abstol=1e-18 vntol=1e-10 gmin=1e-18 itl1=500 itl4=200'
STEPPED = 'method=gear reltol=1e-5 abstol=1e-15 vntol=1e-8 itl4=200'
LIMITS = {'gain_db': 0.02, 'phase_deg': 0.1, 'dc_v': 2e-3, 'rail_dc_v': 0.3, 'tone_db': 1.0, 'thd_db': 2.0}


def cases(board):
    """(words, edits)."""
    out = [('healthy', [])]
    for ref, part in board.parts.items():
        out += [(f'open {ref} {pin}', faults.edits(board, faults.fault('open-pin', ref, pin=pin)))
                for pin, net in enumerate(part['pins'], 1) if net != 'nc' and not faults.supply(board, part, pin)]
    for f in faults.bridges(board) + faults.shorts(board):
        if not faults.rail_short(board, f):
            out.append((' '.join(str(v) for v in f.values()), faults.edits(board, f)))
    out += [(f'{f["part"]} {f["value"]:.3g}', faults.edits(board, f)) for f in faults.wrong_values(board)]
    out += [(f'reversed {f["part"]}', faults.edits(board, f)) for f in faults.reversals(board) if faults.edits(board, f)]
    return out


def as_lines(edits):
    """What circuit_predict reads."""
    out = []
    for e in edits:
        words = [e['edit']]
        if e['edit'] == 'rail':
            words += [f'{e["pin"]:+d}', f'{e["a"]:.12g}']
        elif e['edit'] == 'value':
            words += [e['part'], f'{e["a"]:.12g}']
        elif e['edit'] == 'lift':
            words += [e['part'], str(e['pin']), f'{e.get("a", 1e13):.12g}', f'{e.get("b", 0.5e-12):.12g}']
        elif e['edit'] == 'join':
            words += [e['part'], str(e['pin']), str(e['pin2']), f'{e.get("a", spice.CONTACT_OHM):.12g}']
        elif e['edit'] == 'reverse':
            words += [e['part']]
        elif e['edit'] == 'mode':
            words += [e['part'], str(e['pin']), e['mode']]
        out.append(' '.join(words))
    return out + ['go']


def predictions(program, board_path, wanted):
    text = '\n'.join(line for _, edits in wanted for line in as_lines(edits)) + '\n'
    done = subprocess.run([program, str(board_path), *(f'{hz:.15g}' for hz in HZ)], input=text, capture_output=True,
                          text=True, check=False)
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    if done.returncode or len(answers) != len(wanted):
        raise RuntimeError(f'circuit_predict: {done.returncode}, {len(answers)} of {len(wanted)}: {done.stderr}')
    return answers


def compared(board):
    return [s for s in board.steps.values() if not s['off']]


def linear(board, edits):
    """{step: DC [channels], response [HZ][channels], whether a section rests at a rail, most of the drive's swing}."""
    deck, control = spice.Deck(board, edits), ['set filetype=binary', 'set appendwrite']
    sections = deck.sections()
    inner = ' '.join(f'v({x})' for x, _, _ in sections)
    for step in compared(board):
        control += deck.set_step(step['name'], transient=False)
        seen = f'{" ".join(deck.seen(step["name"]))} {inner}'
        control += ['op', f'write out.raw {seen}']
        if step['drive'] is not None:
            hz = step['hz'][0] if step['hz'] else 1000.0
            control += ['ac dec 2 20 50k', f'write out.raw {seen}',
                        f'ac lin 1 {hz:.12g} {hz:.12g}', f'write out.raw {seen}']
        control.append('destroy all')
    plots, messages = spice.run(deck.text(control, EXACT, [x for x, _, _ in sections]))
    plots, out = [found for _, found in plots], {}
    for step in compared(board):
        count = 3 if step['drive'] is not None else 1
        if len(plots) < count:
            raise RuntimeError(messages[-500:])
        views, rest = deck.seen(step['name']), plots[0]
        dc = np.array([rest[view][0] for view in views])
        railed, driven = False, 0.0
        peak = sum(step['peak']) if step['peak'] else 0.0
        for x, high, low in sections:
            at, swing = rest[f'v({x})'][0], 0.0
            if count > 1:
                swing = abs(plots[2][f'v({x})'][0]) * peak
            railed |= at > high - 1e-4 or at < low + 1e-4
            driven = max(driven, (at + swing) / high if high > 0 else 0, (at - swing) / low if low < 0 else 0)
        response = None
        if count > 1:
            if not np.allclose(plots[1]['frequency'].real, HZ, rtol=1e-9):
                raise RuntimeError('ngspice took other frequencies')
            response = np.array([plots[1][view] for view in views]).T
        out[step['name']] = dc, response, railed, driven
        plots = plots[count:]
    return out


def analyse(times, volts, hz, periods, count=8192):
    """DC, phasor (a sine's is real), THD of the last period; the change against the one before."""
    grid = (periods - 2 + np.arange(2 * count) / count) / hz
    keep = np.concatenate([[True], np.diff(times) > 1e-15])
    y = CubicSpline(times[keep], volts[keep])(grid)
    spectrum = np.fft.rfft(y[count:]) / count
    change = float(np.max(np.abs(y[count:] - y[:count])))
    return (spectrum[0].real, 2j * spectrum[1], float(np.linalg.norm(spectrum[2:11]) / max(abs(spectrum[1]), 1e-15)),
            change)


def stepped(board, edits, names, periods=6):
    """{step: [(DC, phasor, THD)] by channel}, from transients that repeat within 1 mV or a thousandth."""
    deck, control = spice.Deck(board, edits), ['set filetype=binary', 'set appendwrite']
    for name in names:
        hz = board.steps[name]['hz'][0]
        control += deck.set_step(name)
        control += [f'tran {1 / hz / 400:.9g} {periods / hz:.12g} 0 {1 / hz / 400:.9g}',
                    f'write out.raw {" ".join(deck.seen(name))}', 'destroy all']
    plots, messages = spice.run(deck.text(control, STEPPED), timeout=600)
    if len(plots) != len(names):
        raise RuntimeError(messages[-500:])
    out, again = {}, []
    for name, (_, found) in zip(names, plots):
        hz = board.steps[name]['hz'][0]
        rows = [analyse(found['time'], found[view], hz, periods) for view in deck.seen(name)]
        out[name] = rows
        if any(r[3] > max(1e-3, 1e-3 * abs(r[1])) for r in rows):
            again.append(name)
    if again and periods < 90:
        out.update(stepped(board, edits, again, periods * 4))
    return out


def grows(board, edits, name, pole):
    """Whether ngspice's transient from a kick of a microvolt grows tenfold within eight time constants of that pole."""
    deck, step = spice.Deck(board, edits), board.steps[name]
    control = ['set filetype=binary', 'set appendwrite', *deck.set_step(name)]
    span = 8 / pole.real
    fine = min(span / 400, 0.3 / abs(pole))
    control += [f'alter @vs{step["drive"] or 0}[sin] = [ 0 0 1000 ]',
                f'alter @vq{step["drive"] or 0}[pulse] = [ 0 1e-6 0 {fine:.3g} {fine:.3g} {2 * fine:.6g} 1e6 ]',
                f'tran {fine:.9g} {span:.12g} 0 {fine:.9g}', 'write out.raw all']
    text = deck.text(control, STEPPED.replace('gear', 'trap'))
    plots, _ = spice.run('\n'.join(line for line in text.split('\n') if not line.startswith('.save')), timeout=600)
    if not plots:
        return False
    times, found = plots[0][1]['time'], plots[0][1]
    early, late = (times > 6 * fine) & (times < 6 * fine + 2.5 / pole.real), times > times[-1] - 1 / pole.real
    if not early.any():
        return False
    return any(np.max(np.abs(v[late] - v[0])) > 10 * np.max(np.abs(v[early] - v[0])) > 0
               for name, v in found.items() if name.startswith('v(n'))


class Tally:
    def __init__(self):
        self.worst, self.bad = {}, []
        self.counts = collections.Counter()

    def hold(self, what, kind, off, where, limit):
        key = (kind, what)
        self.counts[key] += 1
        if off > self.worst.get(key, (-1.0, ''))[0] or math.isnan(off):
            self.worst[key] = off, where
        if not off <= limit:
            self.bad.append(f'{where}: {kind}, {what} off by {off:.4g} (at most {limit})')

    def say(self):
        for (kind, what), (off, where) in sorted(self.worst.items()):
            print(f'  {kind:10} {what:10} worst {off:.4g} of {self.counts[kind, what]} at {where}')


def angle_off(a, b):
    return abs(math.degrees(np.angle(a / b)))


def level(step):
    """Peak of the step's tone, which the library's phasors are for; a square's fundamental, the last of rising levels."""
    if step['shape'] == 'square':
        return 4 / math.pi * step['peak'][0]
    if step['shape'] == 'stepped':
        return spice.number(step['given']['to'])
    return step['peak'][0]


def check_linear(tally, kind, where, ours, given, step):
    dc, response, _, _ = given
    for c, volts in enumerate(dc):
        limit = 'rail_dc_v' if kind == 'held' else 'dc_v'
        off = abs(ours['dc'][c] - volts)
        if ours['fragile'] >= 0:
            off = min(off, abs(ours['dc'][c] + volts))
        tally.hold('DC/V', kind, off, f'{where} {step["views"][c]}', LIMITS[limit])
    if response is None or step['shape'] == 'noise':
        return
    mine = np.array([complex(*v) for v in ours['response']]).reshape(response.shape) / level(step)
    for k, hz in enumerate(HZ):
        for c in range(len(dc)):
            a, b = mine[k, c], response[k, c]
            if max(abs(a), abs(b)) < 1e-4:
                continue
            place = f'{where} {step["views"][c]} {hz:.0f} Hz ({20 * math.log10(abs(b) + 1e-30):.1f} dB)'
            tally.hold('gain/dB', kind, abs(20 * math.log10((abs(a) + 1e-30) / (abs(b) + 1e-30))), place,
                       LIMITS['gain_db' if kind == 'linear' else 'tone_db'])
            tally.hold('phase/deg', kind, angle_off(a, b), place, LIMITS['phase_deg'] if kind == 'linear' else 180.0)


def check_stepped(tally, where, ours, rows, step):
    kind = 'transient' if ours['by'] == 'transient' else 'open loop'
    for c, (dc, tone, thd, _) in enumerate(rows):
        place = f'{where} {step["views"][c]}'
        tally.hold('DC/V', kind, abs(ours['dc'][c] - dc), place, LIMITS['rail_dc_v'])
        mine = complex(*ours['tone'][c])
        if max(abs(mine), abs(tone)) > 1e-3 * step['peak'][0]:
            tally.hold('tone/dB', kind, abs(20 * math.log10(max(abs(mine), 1e-15) / abs(tone))), place,
                       LIMITS['tone_db'])
            tally.hold('phase/deg', kind, angle_off(mine, tone), place, 180.0)
        if thd > 1e-3 and abs(tone) > 1e-2:
            other = ours['thd'][c]
            off = abs(20 * math.log10(max(other, 1e-12) / thd)) if other is not None else math.inf
            tally.hold('THD/dB', kind, off, place, LIMITS['thd_db'])


def check_case(tally, board, words, edits, answer):
    if any('error' in step for step in answer):
        tally.bad.append(f'{words}: {answer[-1]["error"]}')
        return
    answer = {step['step']: step for step in answer}
    given = linear(board, edits)
    driven, first = [], next(s['name'] for s in compared(board) if s['shape'] == 'tone')
    for step in compared(board):
        name, ours = step['name'], answer[step['name']]
        where, beyond, railed = f'[{words}] {name}', given[name][3], given[name][2]
        tally.counts[ours['by']] += 1
        pole = None
        if not railed:
            deck = spice.Deck(board, edits)
            deck.set_step(name)
            pole = spice_poles.fastest_growth(deck)
        if (ours['by'] == 'poles') != (pole is not None):
            tally.bad.append(f'{where}: {ours["by"]}, but the fastest growing pole is at {pole}')
        if ours['by'] == 'poles' and pole is not None and name == first:
            tally.hold('growth', 'poles', 0.0 if grows(board, edits, name, pole) else 1.0, where, 0.5)
        if ours['by'] == 'poles' or pole is not None:
            continue
        if ours['by'] == 'excess' or ours['by'] == 'transient' and step['shape'] != 'tone':
            continue
        if ours['by'] == 'transient':
            driven.append(step)
            continue
        if board.rails and not railed and beyond > 1.02:
            driven.append(step)
        check_linear(tally, ours['by'], where, ours, given[name], step)
    if driven:
        rows = stepped(board, edits, [s['name'] for s in driven])
        for step in driven:
            check_stepped(tally, f'[{words}] {step["name"]}', answer[step['name']], rows[step['name']], step)


def main():
    options = argparse.ArgumentParser(description=__doc__.split('\n')[0])
    options.add_argument('predict')
    options.add_argument('dump')
    options.add_argument('board')
    options.add_argument('--part', default='0/1')
    options.add_argument('--only', help='faults whose words hold this')
    options.add_argument('--list')
    given = options.parse_args()
    if not shutil.which('ngspice'):
        print('skipped: no ngspice here')
        return 77
    board = spice.read_board(given.board)
    dump = json.loads(subprocess.run([given.dump, given.board], capture_output=True, text=True, check=True).stdout)
    board.use_figures(dump)
    part, parts = (int(x) for x in given.part.split('/'))
    wanted = [case for k, case in enumerate(cases(board)) if k % parts == part or k == 0]
    if given.only:
        wanted = [case for case in wanted if given.only in case[0]]
    tally, began = Tally(), time.monotonic()
    answers = predictions(given.predict, given.board, wanted)
    predicted = time.monotonic() - began
    for (words, edits), answer in zip(wanted, answers):
        check_case(tally, board, words, edits, answer)
    print(f'{board.name}: {len(wanted)} circuits; library {predicted:.2f} s, ngspice {time.monotonic() - began - predicted:.0f} s; '
          + ', '.join(f'{tally.counts[k]} {k}' for k in ('linear', 'held', 'transient', 'excess', 'poles') if tally.counts[k]))
    tally.say()
    print('\n'.join(tally.bad[:40]))
    print(f'{len(tally.bad)} disagreements')
    if given.list:
        pathlib.Path(given.list).write_text('\n'.join(tally.bad) + '\n', encoding='utf-8')
    return 1 if tally.bad or not tally.counts[('linear', 'gain/dB')] else 0


if __name__ == '__main__':
    sys.exit(main())
