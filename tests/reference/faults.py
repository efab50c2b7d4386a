# SPDX-License-Identifier: GPL-3.0-or-later
"""Single faults of a board in the JSON form, and what each does to the circuit (edits of spice.py).

`edits(board, fault)` is the plain circuit: an open pin is 1e13 ohm || 0.5 pF, a bridge 1e-3 ohm, and so on.
`drawn(board, fault, rng)` is one unit as the bench may find it: joints, leaks, strays and the outputs of sections
without a supply drawn at random. Distributions: judgement and simulation of transistor-level op-amps (what an open or
unpowered pin does has no published statistics); a second reader should take them as assumptions, not as facts.
"""
import math

from spice import CONTACT_OHM, neighbours

E24 = [1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5,
       8.2, 9.1]  # IEC 60063
TWO_PINS = ('resistor', 'capacitor', 'diode')


def preferred(value, steps=0):
    """The E24 value nearest in ratio, or some steps of the series away from it."""
    decade = math.floor(math.log10(value))
    best = min(range(-24, 48), key=lambda k: abs(math.log(E24[k % 24] * 10.0 ** (decade + k // 24) / value)))
    best += steps
    return float(f'{E24[best % 24] * 10.0 ** (decade + best // 24):.3g}')


def fault(kind, part=None, **keys):
    return {'fault': kind, 'part': part, **keys}


def open_pins(board):
    out = []
    for ref, part in board.parts.items():
        pins = [1] if part['kind'] in TWO_PINS else range(1, len(part['pins']) + 1)
        out += [fault('open-pin', ref, pin=pin) for pin in pins if part['pins'][pin - 1] != 'nc']
    return out


def bridges(board):
    """Neighbouring pins of packages and switches that are on different nets."""
    out = []
    for ref, part in board.parts.items():
        if len(part['pins']) < 3:
            continue
        for pin in range(1, len(part['pins']) + 1):
            for other in neighbours(part, pin):
                nets = part['pins'][pin - 1], part['pins'][other - 1]
                if other > pin and nets[0] != nets[1] and 'nc' not in nets:
                    out.append(fault('bridge', ref, pin=pin, pin2=other))
    return out


def shorts(board):
    return [fault('shorted', ref) for ref, part in board.parts.items()
            if part['kind'] in TWO_PINS and part['pins'][0] != part['pins'][1]]


def reversals(board):
    return [fault('reversed', ref) for ref, part in board.parts.items()
            if part['kind'] in ('potentiometer', 'transformer') or part['kind'] == 'capacitor' and part['polarised']]


def valued(board):
    return [part for part in board.parts.values() if part['value']]


def wrong_values(board):
    """Decade slips and the neighbouring preferred values."""
    out = []
    for part in valued(board):
        for value in (part['value'] * 10, part['value'] / 10, preferred(part['value'], 1)):
            out.append(fault('wrong-value', part['ref'], value=value))
    return out


def swaps(board):
    """Two parts of one kind, values more than 5 % apart, neighbours by reference number or by net."""
    out, parts = [], [p for p in valued(board) if p['kind'] != 'potentiometer']
    for k, one in enumerate(parts):
        for two in parts[k + 1:]:
            if one['kind'] != two['kind'] or abs(math.log(one['value'] / two['value'])) < math.log(1.05):
                continue
            digits = [''.join(c for c in p['ref'] if c.isdigit()) for p in (one, two)]
            beside = all(digits) and abs(int(digits[0]) - int(digits[1])) == 1
            shared = (set(one['pins']) & set(two['pins'])) - {'gnd', 'v+', 'v-', 'nc'}
            if beside or shared:
                out.append(fault('swapped', one['ref'], other=two['ref']))
    return out


def opamp_sections(board):
    return [(part, k, pins) for part in board.parts.values() if part['kind'] == 'opamp'
            for k, pins in enumerate(part['sections'])]


def at_rails(board):
    return [fault('at-rail', part['ref'], pin=pins[0], rail=rail) for part, _, pins in opamp_sections(board)
            for rail in ('v+', 'v-') if board.rails]


def weak(board):
    return [fault('weak', part['ref'], pin=pins[0], figure=figure) for part, _, pins in opamp_sections(board)
            for figure in ('offset', 'gbw') if part['figures']['offset']]


def unpowered(board):
    return [fault('unpowered', None, rail=rail) for rail in board.rails]


# ---- what a fault does ----

def supply(board, part, pin):
    """'v+' or 'v-' where the pin is a supply pin of an op-amp."""
    for pins in part.get('sections', []):
        if pin and pin in pins[3:]:
            return 'v+' if pin == pins[3] else 'v-'
    return None


def rail_short(board, f):
    """The rail that a fault joins to ground, directly."""
    part = board.parts.get(f['part'])
    if f['fault'] == 'shorted':
        nets = set(part['pins'])
    elif f['fault'] == 'bridge':
        nets = {part['pins'][f['pin'] - 1], part['pins'][f['pin2'] - 1]}
    else:
        return None
    if 'gnd' in nets and nets & set(board.rails):
        return (nets & set(board.rails)).pop()
    return None


def edits(board, f):
    kind, ref = f['fault'], f['part']
    part = board.parts.get(ref)
    if kind == 'open-pin':
        return [{'edit': 'lift', 'part': ref, 'pin': f['pin']}]
    if kind == 'bridge':
        return [{'edit': 'join', 'part': ref, 'pin': f['pin'], 'pin2': f['pin2']}]
    if kind == 'shorted':
        return [{'edit': 'join', 'part': ref, 'pin': 1, 'pin2': 2}]
    if kind == 'wrong-value':
        return [{'edit': 'value', 'part': ref, 'a': f['value']}]
    if kind == 'swapped':
        return [{'edit': 'value', 'part': ref, 'a': board.parts[f['other']]['value']},
                {'edit': 'value', 'part': f['other'], 'a': part['value']}]
    if kind == 'reversed':
        return [] if part['kind'] == 'capacitor' else [{'edit': 'reverse', 'part': ref}]
    if kind == 'at-rail':
        return [{'edit': 'mode', 'part': ref, 'pin': f['pin'], 'mode': 'high' if f['rail'] == 'v+' else 'low'}]
    if kind == 'unpowered':
        return [{'edit': 'rail', 'pin': 1 if f['rail'] == 'v+' else -1, 'a': 0.0}]
    raise ValueError(f'no edits for {f}')


def _package_held(board, part, rng, missing):
    """Outputs of a package one of whose supply pins is open; both sections go the same way."""
    out, common = [], rng.random()
    if missing == 'v-':
        volts = (board.rails['v+'] - abs(rng.normal(0.8, 0.3)) if common < 0.85 else
                 rng.uniform(0.5, 2) if common < 0.97 else rng.uniform(-2, 8))
        apart, leak, thd = 0.05, 0.0, 0.0
    else:  # the bias current is drawn out of the outputs: negative; both carry a leak of the signal, in phase
        volts, apart = -10 ** rng.uniform(-0.4, 1), 0.3 if common < 0.8 else 1.5
        leak, thd = 10 ** (rng.uniform(-47, -15) / 20), 10 ** rng.uniform(-2.5, -0.5)
    for pins in part['sections']:
        own = leak * 10 ** (rng.normal(0, 1) / 20)
        out.append({'edit': 'mode', 'part': part['ref'], 'pin': pins[0], 'mode': 'held', 'a': volts + rng.normal(0, apart),
                    'b': own, 'thd': thd})
    return out


def rail_gone(board, rng, rail):
    """A rail at 0 V on the whole board. V-: every output high. V+: every output a little negative, with what is left of
    the signal, badly distorted, of either sign."""
    out = [{'edit': 'rail', 'pin': 1 if rail == 'v+' else -1, 'a': 0.0}]
    for part in board.parts.values():
        if part['kind'] != 'opamp':
            continue
        if rail == 'v-':
            out += _package_held(board, part, rng, 'v-')
            continue
        for pins in part['sections']:
            out.append({'edit': 'mode', 'part': part['ref'], 'pin': pins[0], 'mode': 'held', 'a': rng.uniform(-1.5, 0),
                        'b': 10 ** (rng.uniform(-25, -6) / 20) * float(rng.choice([-1, 1])), 'thd': rng.uniform(0.2, 0.8)})
    return out


def _open_pin(board, part, f, rng):
    ref, pin, whole = part['ref'], f['pin'], rng.random() < 0.85
    if part['kind'] != 'opamp':
        return [{'edit': 'lift', 'part': ref, 'pin': pin, 'a': 1e13 if whole else 10 ** rng.uniform(5, 10),
                 'b': 10 ** rng.uniform(-13, -11.7)}]
    if supply(board, part, pin):
        return _package_held(board, part, rng, supply(board, part, pin))
    if any(pin == pins[0] for pins in part['sections']):
        return [{'edit': 'lift', 'part': ref, 'pin': pin, 'a': 1e13 if whole else 10 ** rng.uniform(5, 10),
                 'b': 0.5e-12 * math.exp(rng.normal(0, math.log(2.5)))}]
    out = [{'edit': 'lift', 'part': ref, 'pin': pin, 'a': 10 ** rng.normal(12.5, 1) if whole else
            10 ** rng.uniform(5, 10), 'b': 10 ** rng.uniform(-13, -11)}]
    if whole:
        out += [{'edit': 'leak', 'part': ref, 'pin': pin, 'pin2': other, 'a': 10 ** rng.normal(12, 1), 'b': 0.0}
                for other in neighbours(part, pin)]
    return out


def drawn(board, f, rng):
    """One unit's edits."""
    kind, part = f['fault'], board.parts.get(f['part'])
    if kind == 'unpowered' or rail_short(board, f):
        return rail_gone(board, rng, f['rail'] if kind == 'unpowered' else rail_short(board, f))
    if kind == 'open-pin':
        return _open_pin(board, part, f, rng)
    if kind in ('bridge', 'shorted'):
        one, two = (f['pin'], f['pin2']) if kind == 'bridge' else (1, 2)
        out = [{'edit': 'join', 'part': f['part'], 'pin': one, 'pin2': two, 'a': CONTACT_OHM * 10 ** rng.uniform(0, 2)}]
        held = {supply(board, part, one), supply(board, part, two)} - {None}
        for pins in part.get('sections', []):  # an input at v-: p-channel JFET inputs mostly turn the phase over
            if held == {'v-'} and {one, two} & {pins[2]} and part['figures']['bias'] < 1e-9:
                high = rng.random() < 0.75
                out.append({'edit': 'mode', 'part': f['part'], 'pin': pins[0], 'mode': 'high' if high else 'low'})
        return out
    if kind == 'wrong-value':
        spread = 1 + part['tolerance'] * rng.uniform(-1, 1)
        return [{'edit': 'value', 'part': f['part'], 'a': f['value'] * spread}]
    if kind == 'swapped':
        other = board.parts[f['other']]
        return [{'edit': 'value', 'part': a['ref'], 'a': b['value'] * (1 + b['tolerance'] * rng.uniform(-1, 1))}
                for a, b in ((part, other), (other, part))]
    if kind == 'weak':
        usual = part['figures'][f['figure']]
        value = usual * (rng.choice([-1, 1]) * rng.uniform(5, 20) if f['figure'] == 'offset' else
                         10 ** rng.uniform(-2, -1))
        return [{'edit': 'figure', 'part': f['part'], 'pin': f['pin'], 'figure': f['figure'], 'a': float(value)}]
    return edits(board, f)


# ---- how often ----

WEIGHTS = {'open-pin': 0.36, 'bridge': 0.18, 'wrong-value': 0.18, 'shorted': 0.08, 'swapped': 0.04, 'reversed': 0.04,
           'at-rail': 0.05, 'weak': 0.03, 'unpowered': 0.04}


def other_value(part, rng):
    """A value that somebody may have put in its place."""
    way = rng.random()
    if way < 0.4:
        return part['value'] * (10 if rng.random() < 0.5 else 0.1)
    if way < 0.6:
        return preferred(part['value'], int(rng.choice([-3, -2, -1, 1, 2, 3])))
    value = preferred(part['value'] * 10 ** rng.uniform(-1.5, 1.5))
    return value if value != preferred(part['value']) else part['value'] * 10


def draw(board, rng, but=()):
    """A single fault; kinds that this board cannot have are drawn again; not on the parts in `but`."""
    makers = {'open-pin': open_pins, 'bridge': bridges, 'shorted': shorts, 'swapped': swaps, 'reversed': reversals,
              'at-rail': at_rails, 'weak': weak, 'unpowered': unpowered}
    while True:
        kind = str(rng.choice(list(WEIGHTS), p=list(WEIGHTS.values())))
        if kind == 'wrong-value':
            part = valued(board)[rng.integers(len(valued(board)))]
            f = fault('wrong-value', part['ref'], value=other_value(part, rng))
        else:
            choices = makers[kind](board)
            if not choices:
                continue
            weights = [2.0 if f['part'] and board.parts[f['part']]['kind'] == 'opamp' else 1.0 for f in choices]
            f = choices[rng.choice(len(choices), p=[w / sum(weights) for w in weights])]
        if f['part'] not in but and f.get('other') not in but:
            return f
