# SPDX-License-Identifier: GPL-3.0-or-later
"""A blind set: units of a board, good and bad, as the bench's scope and its audio interface would capture them.

    blind_set.py BOARD DIR [--audio DIR2] [--units N] [--seed S] [--jobs J] [--first K]

Every unit is an ngspice transient of every step (tone, two-tone, square, quiet; sweeps, steps of level and noise are
left out, as a bench may leave steps out) with the unit's own parts, op-amps, settings and level; one ngspice process
per unit. DIR/unit-0001/STEP.csv are eight-bit records of 2 500 rows, DIR2/unit-0001/STEP.wav 24-bit records of
FULL_SCALE_V, both with truth.json beside them.

A unit is healthy (25 %), has one fault (58 %), two (5 %), or something that is no fault of the parts (12 %).

"unseen": whether the fault can be noticed at all, by this rule. Figures of the unit, one vector: of each step with two
channels the complex ratio channel 2 / channel 1 at each tone, of each channel DC (scope only), and ln of channel 1's
level where it sees the driven net. Its mean and covariance S over good units come from the linear solution (ngspice
op and ac) of SPREAD good units with instruments of their own, plus the reading errors of that kind of record, and for
scopes the skew that the contract grants between channels, a tenth of a sample (not put on the records). The
fault's own vector x is the linear solution of nominal parts with the edits of the unit at hand. Distance
d = sqrt((x - mean)' S^-1 (x - mean)), S^-1 corrected for the sample (Hartlap and others 2007: (n - p - 2)/(n - 1),
from memory). A fault with d < 3 is unseen: to call such a unit healthy is right, and so is its name. Of two faults, or
three, each must show beside the others: the distance between the unit with and without it ("each") is above 6, or the
unit is drawn again. Units from outside the dictionary are drawn again until d > 6 (hum excepted, which is added to
the record); what is added between two nets never lies across one part, where it would be a wrong value.
"""
import argparse
import concurrent.futures
import json
import math
import os
import pathlib
import sys
import wave

os.environ.setdefault('OPENBLAS_NUM_THREADS', '1')
import numpy as np  # noqa: E402
from scipy.interpolate import CubicSpline  # noqa: E402

import faults  # noqa: E402
import spice  # noqa: E402

PERIODS, LONGER, SETTLED_S = 3, 16, 2.0
PER_PERIOD, PER_PERIOD_LONG = 160, 48  # at least; ngspice takes more where it must
GRID = 4096
ROWS = 2500
AUDIO_HZ, AUDIO_SECONDS, FULL_SCALE_V, AUDIO_CORNER_HZ, PASSBAND_HZ = 48000, 0.25, 16.0, 2.0, 21500.0
SPREAD = 400
ABSURD = 10  # times the supply: no winding of these boards steps up so far
MOST_RATIO = 100  # a two-tone whose common period is longer takes too long
SHAPES = ('tone', 'two-tone', 'square', 'quiet')
ACCURATE = 'method=gear reltol=1e-4 abstol=1e-14 vntol=1e-7 itl4=100'


# ---- a good unit ----

def draw_unit(board, rng):
    """Parts within their tolerance, op-amps as a maker delivers them, the hand on the knob."""
    unit = {'parts': {}, 'sections': {}, 'settings': {}, 'residue': {}}
    for ref, part in board.parts.items():
        if part['value']:
            unit['parts'][ref] = 1 + part['tolerance'] * rng.uniform(-1, 1)
        if part['kind'] == 'potentiometer':
            unit['settings'][ref] = rng.normal(0, 0.02)
        for k in range(len(part.get('sections', []))):
            f = part['figures']
            way = f['way'] or int(rng.choice([-1, 1]))
            unit['sections'][ref, k] = dict(
                offset=rng.normal(0, f['offset']), bias=f['bias'] * way * math.exp(rng.normal(0, 0.4)),
                gbw=f['gbw'] * math.exp(rng.normal(0, 0.15)), slew=f['slew'] * math.exp(rng.normal(0, 0.15)),
                gain=f['gain'] * math.exp(rng.normal(0, 0.4)), output=f['output'] * math.exp(rng.normal(0, 0.2)),
                swing=min(max(rng.normal(f['swing'] - 0.2, 0.3), 0.05), 3.0) if board.rails else 0.0)
    unit['level'] = 1 + rng.normal(0, 0.03)
    unit['supply'] = 13.5  # a board without rails in its file is on some supply all the same
    return unit


def draw_instrument(rng):
    """Each channel's gain is 1 % off, half of it in common; the audio interface's channels match to 0.2 %."""
    common, own = rng.normal(0, 0.01 / math.sqrt(2)), rng.normal(0, 0.01 / math.sqrt(2), 2)
    audio = rng.normal(0, 0.03) + rng.normal(0, 0.002 / math.sqrt(2), 2)
    return {'gain': 1 + common + own, 'offset': rng.uniform(-0.5, 0.5, 2), 'audio': 1 + audio}


def steps_of(board):
    return [s for s in board.steps.values() if s['shape'] in SHAPES and not s['off']
            and (len(s['hz']) < 2 or max(s['hz']) <= MOST_RATIO * step_hz(s))]


# ---- the linear solution, for the rule ----

def linear(board, edits, unit, beyond=None):
    """{step: (DC [channels], phasors [tones][channels])}, the source's peak 1; None where ngspice finds no rest.
    beyond is filled with {step: how much of its swing a section needs at most}."""
    deck, control = spice.Deck(board, edits, unit), ['set filetype=binary', 'set appendwrite']
    sections = deck.sections() if beyond is not None else []
    inner = ' '.join(f'v({x})' for x, _, _ in sections)
    for step in steps_of(board):
        control += deck.set_step(step['name'], transient=False)
        seen = f'{" ".join(deck.seen(step["name"]))} {inner}'
        control += ['op', f'write out.raw {seen}']
        for hz in step['hz']:
            control += [f'ac lin 1 {hz:.12g} {hz:.12g}', f'write out.raw {seen}']
        control.append('destroy all')
    plots, _ = spice.run(deck.text(control, ACCURATE, [x for x, _, _ in sections]))
    out = {}
    for step in steps_of(board):
        seen, wanted = deck.seen(step['name']), 1 + len(step['hz'])
        if len(plots) < wanted:
            return None
        values = [np.array([found[view][0] for view in seen]) for _, found in plots[:wanted]]
        out[step['name']] = values[0].real, values[1:]
        if beyond is not None:
            beyond[step['name']] = max((most(plots[:wanted], x, high, low, step['peak']) for x, high, low in sections),
                                       default=0.0)
        plots = plots[wanted:]
    return out


def most(plots, x, high, low, peaks):
    rest = plots[0][1][f'v({x})'][0]
    swing = sum(abs(found[f'v({x})'][0]) * peak for (_, found), peak in zip(plots[1:], peaks))
    return max((rest + swing) / high if high > 0 else math.inf, (rest - swing) / low if low < 0 else math.inf)


def vector(board, found, instrument, audio):
    """The figures of a unit in one real vector."""
    gain, out = instrument['audio' if audio else 'gain'], []
    for step in steps_of(board):
        dc, tones = found[step['name']]
        channels = len(dc)
        for tone in tones:
            if channels == 2:
                ratio = tone[1] / tone[0] * gain[1] / gain[0] if abs(tone[0]) > 1e-9 else 1e3
                out += [ratio.real, ratio.imag]
            if step['views'][0] == board.inputs[step['drive']]['net'] or channels == 1:
                out.append(math.log(abs(tone[0]) * gain[0] + 1e-12))
        if not audio:
            out += list(dc * gain[:channels])
    return np.array(out)


def reading_errors(board, found, audio):
    """Variances of what a record adds, in the order of vector()."""
    out = []
    for step in steps_of(board):
        dc, tones = found[step['name']]
        peak = [abs(dc[c]) + sum(abs(t[c]) for t in tones) for c in range(len(dc))]
        lsb = [volts_per_division(p) / 25 for p in peak]
        noise = [1e-4] * len(dc) if audio else [0.02 * x for x in lsb]
        for tone in tones:
            if len(dc) == 2:
                scale = np.hypot(noise[1], noise[0] * abs(tone[1]) / max(abs(tone[0]), 1e-9)) / max(abs(tone[0]), 1e-9)
                out += [scale ** 2 + 1e-10] * 2
            if step['views'][0] == board.inputs[step['drive']]['net'] or len(dc) == 1:
                out.append((noise[0] / max(abs(tone[0]), 1e-9)) ** 2 + 1e-10)
        if not audio:
            out += [(0.3 * x) ** 2 for x in lsb]
    return np.array(out)


def one_good(arguments):
    text, seed, k = arguments
    board, rng = spice.Board(text), np.random.default_rng([seed, k])
    unit = draw_unit(board, rng)
    found, instrument = linear(board, [], unit), draw_instrument(rng)
    return None if found is None else [vector(board, add_level(found, unit), instrument, audio) for audio in (0, 1)]


def add_level(found, unit):
    level = unit.get('level', 1.0)
    return {name: (dc, [t * level for t in tones]) for name, (dc, tones) in found.items()}


def skew(board, found):
    """What a tenth of a sample between the channels of a scope does, in the order of vector()."""
    out = []
    for step in steps_of(board):
        dc, tones = found[step['name']]
        for hz, tone in zip(step['hz'], tones):
            if len(dc) == 2:
                ratio = tone[1] / tone[0] if abs(tone[0]) > 1e-9 else 0
                moved = 2j * math.pi * hz * 0.1 / round_rate(ROWS * step_hz(step) / 4) * ratio
                out += [moved.real, moved.imag]
            if step['views'][0] == board.inputs[step['drive']]['net'] or len(dc) == 1:
                out.append(0.0)
        out += [0.0] * len(dc)
    return np.array(out)


class Rule:
    """Distances from the good units, for scope and audio."""

    def __init__(self, board, text, jobs, spread=SPREAD):
        self.board = board
        with concurrent.futures.ProcessPoolExecutor(jobs) as pool:
            rows = [r for r in pool.map(one_good, [(text, 987654321, k) for k in range(spread)], chunksize=8) if r]
        self.rows = [np.array([r[audio] for r in rows]) for audio in (0, 1)]
        self.mean = [r.mean(axis=0) for r in self.rows]
        self.good = linear(board, [], {})

    def distance(self, found, other=None):
        """From the mean of the good units, or from another solution; [scope, audio]."""
        if found is None:
            return [math.inf, math.inf]
        one = {'audio': np.ones(2), 'gain': np.ones(2)}
        out = []
        for audio in (0, 1):
            n, p = self.rows[audio].shape
            if not p:
                out.append(0.0)
                continue
            errors = np.maximum(reading_errors(self.board, self.good, audio),
                                reading_errors(self.board, found, audio))
            s = np.cov(self.rows[audio].T).reshape(p, p) + np.diag(errors)
            if not audio:
                aside = skew(self.board, self.good)
                s += np.outer(aside, aside)
            base = self.mean[audio] if other is None else vector(self.board, other, one, audio)
            off = vector(self.board, found, one, audio) - base
            out.append(float(math.sqrt(max(off @ np.linalg.solve(s, off) * max(n - p - 2, 1) / (n - 1), 0))))
        return out


# ---- something outside the dictionary ----

def draw_several(board, rule, rng, count):
    """Faults at once, each of which shows beside the others; None: they did not."""
    several, edits = [], []
    for _ in range(count):
        but = {f.get(key) for f in several for key in ('part', 'other')} - {None}
        several.append(faults.draw(board, rng, but))
        edits.append(faults.drawn(board, several[-1], rng))
    whole = linear(board, sum(edits, []), {})
    for k in range(count):
        without = linear(board, sum(edits[:k] + edits[k + 1:], []), {})
        if whole is None or without is None or min(rule.distance(whole, without)) < 6:
            return None
    return several, sum(edits, [])


def draw_outside(board, rule, rng):
    """(what it is in words, edits, hum or None)."""
    way = rng.choice(['three faults', 'pins exchanged', 'extra resistor', 'extra capacitor', 'hum'],
                     p=[0.35, 0.2, 0.2, 0.1, 0.15])
    nets = sorted({net for p in board.parts.values() for net in p['pins']} - {'nc', 'v+', 'v-', 'gnd'})
    anchor = {net: (p['ref'], k) for p in board.parts.values() for k, net in enumerate(p['pins'], 1)}
    if way == 'three faults':
        three = draw_several(board, rule, rng, 3)
        return None if three is None else (f'three faults: {json.dumps(three[0])}', three[1], None)
    if way == 'pins exchanged':
        while True:
            one, two = (list(board.parts.values())[k] for k in rng.integers(len(board.parts), size=2))
            a, b = int(rng.integers(len(one['pins']))) + 1, int(rng.integers(len(two['pins']))) + 1
            if one is not two and one['pins'][a - 1] != two['pins'][b - 1] and {one['kind'], two['kind']} <= {
                    'resistor', 'capacitor', 'opamp'}:
                return (f'{one["ref"]} pin {a} and {two["ref"]} pin {b} exchanged',
                        [{'edit': 'exchange', 'part': one['ref'], 'pin': a, 'part2': two['ref'], 'pin2': b}], None)
    if way == 'hum':
        hum = {'output': int(rng.integers(max(len(board.outputs), 1))), 'peak': float(10 ** rng.uniform(-1.7, 0)),
               'phase': float(rng.uniform(0, 2 * math.pi))}
        return 'hum of 50 Hz on an output', [], hum
    one, two = rng.choice(nets, 2, replace=False)
    two = 'gnd' if rng.random() < 0.5 else str(two)
    if any({one, two} <= set(p['pins']) for p in board.parts.values()):
        return None
    ref, pin = anchor[one]
    if way == 'extra resistor':
        return (f'extra 10k from {one} to {two}', [{'edit': 'net', 'part': ref, 'pin': pin, 'net': two, 'a': 1e4}], None)
    return (f'extra 10n from {one} to {two}',
            [{'edit': 'net', 'part': ref, 'pin': pin, 'net': two, 'a': math.inf, 'b': 1e-8}], None)


def draw_case(board, rule, rng):
    """Truth (dictionary), edits, hum."""
    way = rng.random()
    if way < 0.25:
        return {'class': 'healthy', 'fault': None}, [], None
    kind = 'single' if way < 0.83 else 'double' if way < 0.88 else 'outside'
    for _ in range(60):
        hum = None
        if kind == 'single':
            f = faults.draw(board, rng)
            truth, edits = {'class': kind, 'fault': f}, faults.drawn(board, f, rng)
        elif kind == 'double':
            several = draw_several(board, rule, rng, 2)
            if several is None:
                continue
            truth, edits = {'class': kind, 'fault': {'together': several[0]}}, several[1]
        else:
            drawn = draw_outside(board, rule, rng)
            if drawn is None:
                continue
            words, edits, hum = drawn
            truth = {'class': kind, 'fault': None, 'outside': words}
        truth['distance'] = rule.distance(linear(board, edits, {}))
        if hum or kind == 'single' or min(truth['distance']) > 6:
            return truth, edits, hum
    raise ValueError(f'no {kind} unit can be drawn of this board')


# ---- through ngspice ----

def step_hz(step):
    """The frequency at which the step repeats."""
    if len(step['hz']) == 2:
        return float(math.gcd(*(int(round(hz)) for hz in step['hz'])))
    return step['hz'][0] if step['hz'] else 1000.0


def one_period(board, step, found, seen, periods):
    """The last period [channels][GRID]; how far it is from settled: against the period before, and its mean from where
    the step began (the DC point) relative to its size."""
    hz, times = step_hz(step), found['time']
    grid = (periods - 2 + np.arange(2 * GRID) / GRID) / hz
    keep = np.concatenate([[True], np.diff(times) > 1e-15])
    if step['shape'] == 'square':  # no splines through edges
        two = np.array([np.interp(grid, times, found[view]) for view in seen])
    else:
        two = np.array([CubicSpline(times[keep], found[view][keep])(grid) for view in seen])
    last, before = two[:, GRID:], two[:, :GRID]
    size = np.maximum(np.sqrt(np.mean(last ** 2, axis=1)), 1e-3)
    change = float(np.max(np.sqrt(np.mean((last - before) ** 2, axis=1)) / size))
    moved = np.abs(last.mean(axis=1) - np.array([found[view][0] for view in seen])) / size
    return last, change, float(np.max(moved))


def transient(board, edits, unit, names, seconds=None):
    """{step: one_period's answer}; fewer where ngspice gave up; its messages. PERIODS of each step, or as many as fill
    the seconds for its frequency, in coarser steps and of the end alone. ngspice 39 starts the windings of a second
    transient without their current: a board with transformers gets a process for every step."""
    apart = any(p['kind'] == 'transformer' for p in board.parts.values())
    out, messages = {}, ''
    for some in [[n] for n in names] if apart else [names]:
        found, said = transients(board, edits, unit, some, seconds)
        out.update(found)
        messages += said
        if len(found) < len(some):
            break
    return out, messages


def transients(board, edits, unit, names, seconds):
    """The same, out of one ngspice process."""
    deck, control = spice.Deck(board, edits, unit), ['set filetype=binary', 'set appendwrite']
    periods = {}
    for name in names:
        hz = step_hz(board.steps[name])
        periods[name] = math.ceil(seconds(hz) * hz - 1e-6) if seconds else PERIODS
    for name in names:
        step, seen = board.steps[name], ' '.join(deck.seen(name))
        control += deck.set_step(name)
        hz = step_hz(step)
        fine = 1 / (max(step['hz'], default=hz) * (PER_PERIOD_LONG if seconds else PER_PERIOD))
        kept = (periods[name] - 2.5) / hz if seconds else 0
        control += [f'tran {fine:.9g} {periods[name] / hz:.12g} {kept:.12g} {fine:.9g}', f'write out.raw {seen}',
                    'destroy all']
    plots, messages = spice.run(deck.text(control, ACCURATE), timeout=600)
    out = {}
    for name, (_, found) in zip(names, plots):
        if found['time'][-1] < (periods[name] - 1e-6) / step_hz(board.steps[name]):
            break  # it gave up: what follows would be another step's
        out[name] = one_period(board, board.steps[name], found, deck.seen(name), periods[name])
    return out, messages


def drift(before, after):
    """How far the mean went between two answers of one_period, relative to its size."""
    size = np.maximum(np.sqrt(np.mean(after[0] ** 2, axis=1)), 1e-3)
    return float(np.max(np.abs(after[0].mean(axis=1) - before[0].mean(axis=1)) / size))


def waves(board, edits, unit):
    """{step: period [channels][GRID]}, steps that failed, steps that had not settled, messages.

    A step that has not settled after PERIODS takes LONGER ones, and where it still moves SETTLED_S (a coupling capacitor
    against a winding, the drift of a rest that clipping moves: a bench waits for them); where it has a slow tail,
    every section stays within its swing, and no diode may conduct, the settled answer is the linear one."""
    names = [s['name'] for s in steps_of(board)]
    out, messages = transient(board, edits, unit, names)
    again = [n for n in names if n in out and (out[n][1] > 2e-3 or out[n][2] > 2e-3) and board.steps[n]['hz']]
    restless, beyond = [], {}
    bends = any(p['kind'] == 'diode' for p in board.parts.values())
    settled = linear(board, edits, unit, beyond) if again and not bends else None
    for name in list(again):
        step = board.steps[name]
        if settled is None or beyond[name] > 0.98 or step['shape'] != 'tone' or any(e.get('thd') for e in edits):
            continue
        dc, (tone,) = settled[name]
        turn = np.exp(2j * np.pi * np.arange(GRID) / GRID) / 1j
        peak = step['peak'][0] * unit.get('level', 1.0)
        out[name] = dc[:, None] + (peak * tone[:, None] * turn).real, 0.0, 0.0
        again.remove(name)
    again = [n for n in again if out[n][1] > 1e-2 or out[n][2] > 5e-2]
    if again:
        before = {n: out[n] for n in again}
        out.update(transient(board, edits, unit, again, lambda hz: LONGER / hz)[0])
        again = [n for n in again if out[n][1] > 1e-2 or drift(before[n], out[n]) > 1e-2]
    if again:
        out.update(transient(board, edits, unit, again, lambda hz: SETTLED_S)[0])
        restless = [n for n in again if out[n][1] > 2e-2]
    return {n: out[n][0] for n in out}, [n for n in names if n not in out], restless, messages


# ---- the instruments ----

def volts_per_division(peak):
    """1-2-5, the peak within 4.4 of 5 divisions; 1 mV at least."""
    for exponent in range(-3, 3):
        for mantissa in (1, 2, 5):
            if peak <= 4.4 * mantissa * 10.0 ** exponent:
                return mantissa * 10.0 ** exponent
    return 500.0


def round_rate(hz):
    """The 1-2-5 rate at or below."""
    exponent = math.floor(math.log10(hz))
    return max(m * 10.0 ** exponent for m in (1, 2, 5) if m * 10.0 ** exponent <= hz * 1.0000001)


def hum_wave(times, hum):
    return hum['peak'] * sum(np.sin(2 * np.pi * 50 * k * times + k * hum['phase']) / k ** 2 for k in (1, 2, 3, 5))


def volts_at(period, hz, times):
    phase = (times * hz) % 1.0 * GRID
    closed = np.concatenate([period, period[:, :1]], axis=1)
    return np.array([np.interp(phase, np.arange(GRID + 1), one) for one in closed])


def hum_channels(board, step, hum):
    net = board.outputs[hum['output']]['net'] if hum and board.outputs else None
    return [c for c, view in enumerate(step['see']) if net == view[0]]


def write_scope(path, board, step, period, hum, instrument, rng):
    hz = step_hz(step) * (1 + rng.normal(0, 1e-4))
    rate = round_rate(ROWS * hz / 4) if step['hz'] else 25e3  # four to ten periods
    times = np.arange(ROWS) / rate
    shown = volts_at(period, hz, times + rng.uniform(0, 1) / hz)
    for c in hum_channels(board, step, hum):
        shown[c] += hum_wave(times, hum)
    columns = []
    for c, volts in enumerate(shown):
        volts = volts * instrument['gain'][c]
        lsb = volts_per_division(np.max(np.abs(volts)) + 1e-9) / 25
        codes = np.rint(volts / lsb + instrument['offset'][c] + 0.3 * rng.standard_normal(ROWS))
        columns.append([f'{k * lsb:.6g}' for k in np.clip(codes, -125, 124)])
    names = ','.join(f'CH{c + 1}' for c in range(len(columns)))
    rows = [f'Time,{names}', ','.join(['Second'] + ['Volt'] * len(columns))]
    rows += [','.join(row) for row in zip([f'{t:.7g}' for t in times], *columns)]
    path.write_text('\n'.join(rows) + '\n', encoding='ascii')


def write_audio(path, board, step, period, hum, instrument, rng):
    hz = step_hz(step) * (1 + rng.normal(0, 1e-4))
    times = rng.uniform(0, 1) + np.arange(int(AUDIO_HZ * AUDIO_SECONDS)) / AUDIO_HZ
    spectrum = 2 * np.fft.rfft(period, axis=1) / GRID
    out = np.zeros((len(period), len(times)))
    for k in range(1, min(int(PASSBAND_HZ / hz), GRID // 2 - 1) + 1):
        if np.max(np.abs(spectrum[:, k])) < 1e-7:
            continue
        line = np.exp(2j * np.pi * k * hz * times) / (1 - 1j * AUDIO_CORNER_HZ / (k * hz))
        out += (spectrum[:, k:k + 1] * line).real
    for c in hum_channels(board, step, hum):
        out[c] += hum_wave(times, hum)
    out = out * instrument['audio'][:len(period), None] / FULL_SCALE_V + 10 ** (-110 / 20) * rng.standard_normal(out.shape)
    codes = np.clip(np.rint(out * 2 ** 23), -2 ** 23, 2 ** 23 - 1).astype('<i4').T.copy()
    with wave.open(str(path), 'wb') as to:
        to.setnchannels(len(period))
        to.setsampwidth(3)
        to.setframerate(AUDIO_HZ)
        to.writeframes(codes.view(np.uint8).reshape(-1, 4)[:, :3].tobytes())


# ---- units ----

def make_unit(arguments):
    """One unit: its truth, or words where ngspice gave up (the unit is then drawn again with the next number)."""
    text, rule, seed, n, folder, audio = arguments
    board = spice.Board(text)
    for attempt in range(5):
        rng = np.random.default_rng([seed, n, attempt])
        unit, instrument = draw_unit(board, rng), draw_instrument(rng)
        truth, edits, hum = draw_case(board, rule, rng)
        if truth['class'] != 'healthy':
            for key in unit['sections']:  # what a railed output lets through
                size = 10 ** (rng.normal(-70, 7) / 20)
                unit['residue'][key] = float(size * rng.choice([-1, 1]))
        try:
            found, missing, restless, messages = waves(board, edits, unit)
        except Exception as trouble:  # a time limit: drawn again, and told
            missing, messages = ['all'], str(trouble)
        if not missing and board.rails:  # a transient that ran away from its own equations
            most = ABSURD * max(abs(volts) for volts in board.rails.values())
            missing = [n for n, wave in found.items() if np.abs(wave).max() > most]
        if not missing:
            break
        print(f'unit {n}: ngspice gave up on {missing} of {truth}; drawn again\n{messages[-300:]}', file=sys.stderr)
    else:
        return None
    name = f'unit-{n:04d}'
    truth = {'unit': name, **truth, 'hum': hum, 'edits': edits, 'restless': restless,
             'instrument': {k: list(map(float, v)) for k, v in instrument.items()}}
    for k, to in enumerate([folder, audio]):
        if to is None:
            continue
        mine = dict(truth, distance=truth.get('distance', [0.0, 0.0])[k])
        mine['unseen'] = truth['class'] not in ('healthy', 'outside') and mine['distance'] < 3
        if hum:
            mine['unseen'] = False
        place = pathlib.Path(to, name)
        place.mkdir(parents=True, exist_ok=True)
        for step in steps_of(board):
            write = write_audio if k else write_scope
            write(place / f'{step["name"]}.{"wav" if k else "csv"}', board, step, found[step['name']], hum, instrument, rng)
        (place / 'truth.json').write_text(json.dumps(mine, indent=1, default=float) + '\n', encoding='ascii')
    return truth


def make(path, folder, audio=None, units=100, first=1, seed=1, jobs=1):
    """Units into a folder; how many of each class."""
    text = pathlib.Path(path).read_text(encoding='utf-8')
    rule = Rule(spice.Board(text), text, jobs)
    work = [(text, rule, seed, n, folder, audio) for n in range(first, first + units)]
    counts = {}
    with concurrent.futures.ProcessPoolExecutor(jobs) as pool:
        for truth in pool.map(make_unit, work):
            word = 'failed' if truth is None else truth['class']
            counts[word] = counts.get(word, 0) + 1
    return counts


def main():
    options = argparse.ArgumentParser(description=__doc__.split('\n')[0])
    options.add_argument('path', metavar='board')
    options.add_argument('folder')
    options.add_argument('--audio')
    options.add_argument('--units', type=int, default=100)
    options.add_argument('--first', type=int, default=1)
    options.add_argument('--seed', type=int, default=1)
    options.add_argument('--jobs', type=int, default=1)
    counts = make(**vars(options.parse_args()))
    print(json.dumps(counts))
    return 1 if counts.get('failed') else 0


if __name__ == '__main__':
    sys.exit(main())
