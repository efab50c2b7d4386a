# SPDX-License-Identifier: GPL-3.0-or-later
"""A board file as an ngspice netlist, independent of the library: reads the YAML itself, has its own parts table.

    board = read_board('fixtures/boards/hall-mixer.yaml')
    deck = Deck(board, edits)          the healthy board with edits (see EDITS)
    deck.set_step('quiet')             lines for .control that put switches, potentiometers and sources there

Element equations are those stated in include/coldjoint/circuit.h: a section is a current gm Vd into 1 nF (gm = 2 pi
gbw 1 nF), limited to slew 1 nF, beside gain/gm ohm, stopped `swing` short of its rails, behind its output resistance;
1e-12 S from every node to ground; contacts, shorts and rails 1e-3 ohm; a potentiometer's halves never below that.
A lifted pin is a node of its own behind 1e13 ohm || 0.5 pF; an op-amp's input pin then has 3 pF to ground, 0.5 pF to
its neighbours in the row, and is kept within the rails. Types with diodes across their inputs have 10 ohm between them
beyond 0.6 V. Without rails in the file a section whose output pin is lifted
counts as dead (its open loop would have no end to stop at), unless the unit has a supply.

EDITS are dictionaries, one per change:
    {'edit': 'value', 'part': REF, 'a': ohm or farad}              {'edit': 'reverse', 'part': REF}
    {'edit': 'lift', 'part': REF, 'pin': n, 'a': ohm, 'b': farad}  {'edit': 'rail', 'pin': 1 or -1, 'a': volts}
    {'edit': 'join', 'part': REF, 'pin': n, 'pin2': m, 'a': ohm}   {'edit': 'leak', the same, 'b': farad}
    {'edit': 'net', 'part': REF, 'pin': n, 'net': name, 'a': ohm, 'b': farad}   from the pin to a net
    {'edit': 'exchange', 'part': REF, 'pin': n, 'part2': REF2, 'pin2': m}       the two pins' nets interchanged
    {'edit': 'mode', 'part': REF, 'pin': output, 'mode': high|low|dead|held, 'a': DC,
     'b': share of the driven source's tone, 'thd': fraction}
    {'edit': 'figure', 'part': REF, 'pin': output, 'figure': name of a figure, 'a': value}
"""
import math
import pathlib
import re
import subprocess
import tempfile

import numpy as np
import yaml

CONTACT_OHM = 1e-3
OPEN_OHM = 1e18
STORE_F = 1e-9  # the capacitor of a section
STOP_S = 1e3  # conductance of a limiter beyond its limit
PREFIX = {'f': 1e-15, 'p': 1e-12, 'n': 1e-9, 'u': 1e-6, 'µ': 1e-6, 'm': 1e-3, '': 1.0, 'R': 1.0, 'k': 1e3,
          'K': 1e3, 'M': 1e6, 'G': 1e9}

# Typical figures, rounded, from the makers' data sheets (TL07x: ST and Motorola; LM358: TI, Philips; LM4562: TI; RC4558:
# Rohm BA4558; NE5532, NE5534, OPA2134 from memory); no maker specifies an open-loop output resistance: from memory.
# gbw, slew, gain, offset (standard deviation), bias, its way (+1 into the pins), swing, output, input, clamped
TABLE = {
    'TL072': (3e6, 13e6, 2e5, 3e-3, 65e-12, 1, 1.5, 100, 1e12, False),
    'TL074': (3e6, 13e6, 2e5, 3e-3, 65e-12, 1, 1.5, 100, 1e12, False),
    'NE5532': (10e6, 9e6, 1e5, 0.5e-3, 200e-9, 1, 1.5, 40, 3e5, True),
    'NE5534': (10e6, 13e6, 1e5, 0.5e-3, 500e-9, 1, 1.5, 40, 1e5, True),
    'LM358': (0.7e6, 0.3e6, 1e5, 2e-3, 45e-9, -1, 1.5, 100, 1e7, False),
    'OPA2134': (8e6, 20e6, 1e6, 0.5e-3, 5e-12, 0, 1.2, 30, 1e12, False),
    'LM4562': (55e6, 20e6, 1e7, 0.1e-3, 10e-9, 0, 1.2, 30, 3e4, True),
    'RC4558': (3e6, 1.5e6, 2e5, 1e-3, 60e-9, -1, 1.5, 100, 5e6, False),
    'ideal': (1e9, math.inf, 1e7, 0.0, 0.0, 0, 0.0, 1e-3, 1e15, False),
}
NAMES = ('gbw', 'slew', 'gain', 'offset', 'bias', 'way', 'swing', 'output', 'input', 'clamped')
DIODES = {'1N4148': (2.52e-9, 1.752, 0.568), '1N914': (2.52e-9, 1.752, 0.568), '1N4001': (14.1e-9, 1.98, 0.034)}
SINGLES = ('NE5534', 'TL071', 'OPA134', 'OP07')


def number(text):
    """A quantity of the board file: 100k, 4k7, 2R2, 22p, 1 V, 50%, 100 kohm."""
    text = str(text).strip()
    if text.endswith('%'):
        return float(text[:-1]) / 100
    found = re.fullmatch(r'(\d+)([fpnuµmRkKMG])(\d+)\s*(?:ohm|Ω|F|H|Hz|V|A|s)?', text)
    if found:
        return float(f'{found[1]}.{found[3]}') * PREFIX[found[2]]
    found = re.fullmatch(r'([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*([fpnuµmkKMGR]?)\s*(?:ohm|Ω|F|H|Hz|V|A|s)?', text)
    if not found:
        raise ValueError(f'no quantity: {text}')
    return float(found[1]) * PREFIX[found[2]]


class Board:
    """parts, inputs, outputs and steps as dictionaries; every scalar that is a quantity is a number."""

    def __init__(self, text):
        tree = yaml.load(text, Loader=yaml.BaseLoader)
        self.name = tree['board']
        self.rails = {net: number(volts) for net, volts in tree.get('rails', {}).items()}
        self.inputs = [dict(net=i['net'], source=max(number(i.get('source', '0')), CONTACT_OHM),
                            idle=i.get('idle', 'ground')) for i in tree.get('inputs', [])]
        self.outputs = [dict(net=o['net'], load=number(o['load']) if 'load' in o else math.inf)
                        for o in tree.get('outputs', [])]
        self.parts = {p['ref']: self._part(p) for p in tree['parts']}
        self.steps = {s['step']: self._step(s, tree.get('rest', {})) for s in tree['steps']}

    def _part(self, p):
        part = dict(ref=p['ref'], kind=p['kind'], pins=list(p['pins']), value=None,
                    tolerance=number(p.get('tolerance', '0')), polarised=p.get('polarised') == 'true')
        if 'value' in p:
            part['value'] = number(p['value'])
        if p['kind'] == 'potentiometer':
            part['audio'] = p.get('taper', 'linear') == 'audio'
        if p['kind'] == 'switch':
            part['closes'] = {name: [(int(a), int(b)) for a, b in pairs] for name, pairs in p['closes'].items()}
        if p['kind'] == 'transformer':
            part.update(ratio=number(p.get('ratio', '1')), inductance=number(p.get('inductance', '20')),
                        resistance=[number(x) for x in p.get('resistance', ['50', '50'])],
                        coupling=number(p.get('coupling', '0.999')))
        if p['kind'] == 'diode':
            part['diode'] = DIODES.get(p.get('type', '1N4148'), DIODES['1N4148'])
        if p['kind'] == 'opamp':
            figures = dict(zip(NAMES, TABLE[p['type']]))
            figures.update({k: number(p[k]) for k in NAMES if k in p})
            part['type'], part['figures'] = p['type'], figures
            part['sections'] = sections(p)
        return part

    def _step(self, s, rest):
        step = dict(name=s['step'], drive=None, shape='quiet', hz=[], peak=[], off=s.get('power') == 'off')
        if s.get('drive', 'none') != 'none':
            step['drive'] = [i['net'] for i in self.inputs].index(s['drive'])
        for shape in ('tone', 'square', 'two-tone', 'sweep', 'stepped', 'noise'):
            if shape in s:
                given = s[shape]
                step['shape'] = shape
                step['given'] = {k: v for k, v in given.items()}
                hz, peak = given.get('hz', []), given.get('peak', [])
                step['hz'] = [number(x) for x in (hz if isinstance(hz, list) else [hz])]
                step['peak'] = [number(x) for x in (peak if isinstance(peak, list) else [peak])]
        step['set'] = {**rest, **s.get('set', {})}
        step['see'] = [view.split('-') for view in s['see']]
        step['views'] = list(s['see'])
        return step

    def use_figures(self, dump):
        """Op-amp figures as board_dump prints them, so that both sides compute the same circuit."""
        for ref, given in dump['opamps'].items():
            self.parts[ref]['figures'].update(given['figures'])
            self.parts[ref]['sections'] = [tuple(s) for s in given['sections']]
        for ref, given in dump['diodes'].items():
            self.parts[ref]['diode'] = tuple(given)


def sections(p):
    """(out, inverting, plus, v+, v-) of every section, pins from 1, supply 0 on a bare section."""
    pins = len(p['pins'])
    count = int(p.get('sections', 0)) or {3: 1, 8: 1 if p['type'] in SINGLES else 2, 14: 4}[pins]
    if pins == 3:
        return [(1, 2, 3, 0, 0)]
    if pins == 14:
        return [(1, 2, 3, 4, 11), (7, 6, 5, 4, 11), (8, 9, 10, 4, 11), (14, 13, 12, 4, 11)]
    return [(6, 2, 3, 7, 4)] if count == 1 else [(1, 2, 3, 8, 4), (7, 6, 5, 8, 4)]


def read_board(path):
    return Board(pathlib.Path(path).read_text(encoding='utf-8'))


def neighbours(part, pin):
    """Pins beside one, in its row: a part of six pins or more has two rows."""
    count = len(part['pins'])
    row = count // 2 if count >= 6 else count
    return [other for other in (pin - 1, pin + 1) if 1 <= other <= count and (other - 1) // row == (pin - 1) // row]


def taper(part, rotation):
    if not part['audio']:
        return rotation
    return 0.3 * rotation if rotation < 0.5 else 0.15 + 1.7 * (rotation - 0.5)


class Deck:
    """The netlist of one unit. Unit: parts {ref: factor of the value}, sections {(ref, n): figures},
    settings {ref: rotation added between the ends}, level: factor of the source, residue {(ref, n): share of
    the tone that a section's output carries}, supply: where sections stop on a board without rails."""

    def __init__(self, board, edits=(), unit=None):
        self.board, self.edits, self.unit = board, list(edits), unit or {}
        self.nodes, self.lines, self.state = {'gnd': '0'}, [], {}
        self.pots, self.switches = [], []
        for e in edits:
            if e['edit'] == 'rail':
                continue
            if e.get('part') not in board.parts:
                raise ValueError(f'no part {e.get("part")}')
        self._names()
        self._sources()
        for part in board.parts.values():
            getattr(self, '_' + part['kind'])(part)
        self._edits()
        self.lines += [f'Rearth{k} {node} 0 1e12' for k, node in enumerate(self.nodes.values()) if node != '0']

    # ---- nodes ----

    def node(self, net):
        return self.nodes.setdefault(net, f'n{len(self.nodes)}')

    def _find(self, kind, **keys):
        return [e for e in self.edits if e['edit'] == kind and all(e.get(k) == v for k, v in keys.items())]

    def _names(self):
        """What net each pin is on (after an exchange), and the node of each pin: its net's, or its own where lifted."""
        self.nets, self.pins = {}, {}
        for ref, part in self.board.parts.items():
            for pin, net in enumerate(part['pins'], 1):
                self.nets[ref, pin] = f'nc {ref} {pin}' if net == 'nc' else net
        for e in self._find('exchange'):
            one, two = (e['part'], e['pin']), (e['part2'], e['pin2'])
            self.nets[one], self.nets[two] = self.nets[two], self.nets[one]
        for (ref, pin), net in self.nets.items():
            self.pins[ref, pin] = self.node(net)
        for e in self._find('lift'):
            ref, pin = e['part'], e['pin']
            own = self.node(f'lifted {ref} {pin}')
            self._link(f'lift_{ref}_{pin}', self.node(self.nets[ref, pin]), own, e.get('a', 1e13), e.get('b', 0.5e-12))
            self.pins[ref, pin] = own

    def _link(self, name, a, b, ohm, farad=0.0):
        if a == b:
            return
        if math.isfinite(ohm):
            self.lines.append(f'R{name} {a} {b} {max(ohm, 1e-6):.12g}')
        if farad:
            self.lines.append(f'C{name} {a} {b} {farad:.12g}')

    # ---- the bench ----

    def _sources(self):
        board = self.board
        for net, volts in board.rails.items():
            for e in self._find('rail'):
                if (e['pin'] > 0) == (net == 'v+'):
                    volts = e['a']
            self.lines += [f'Vrail_{self.node(net)} r{self.node(net)} 0 {volts:.12g}',
                           f'Rrail_{self.node(net)} r{self.node(net)} {self.node(net)} {CONTACT_OHM}']
        for k, given in enumerate(board.inputs):
            self.lines += [f'Vs{k} s{k} t{k} DC 0 AC 0 SIN(0 0 1k)', f'Vt{k} t{k} q{k} DC 0 SIN(0 0 1k)',
                           f'Vq{k} q{k} z{k} DC 0 PULSE(0 0 0 1n 1n 1m 2m)',
                           f'Vz{k} z{k} 0 DC 0 PULSE(0 0 0 1n 1n 1k 2k)']
            ohm = OPEN_OHM if given['idle'] == 'open' else given['source']
            self.lines.append(f'Rs{k} s{k} {self.node(given["net"])} {ohm:.12g}')
            self.state[f'rs{k}'] = ohm
        for k, given in enumerate(board.outputs):
            self._link(f'load{k}', self.node(given['net']), '0', given['load'])
        # what an output that is held carries of the tone: follows the driven source
        self.lines.append('Etone tone 0 ' + (f'VALUE={{{"+".join(f"V(s{k})" for k in range(len(board.inputs)))}}}'
                                             if board.inputs else 's0 0 0'))
        self.lines.append('Rtone tone 0 1000')

    # ---- parts ----

    def _value(self, part):
        value = part['value'] * self.unit.get('parts', {}).get(part['ref'], 1.0)
        for e in self._find('value', part=part['ref']):
            value = e['a']
        return value

    def _resistor(self, part):
        self._link(part['ref'], self.pins[part['ref'], 1], self.pins[part['ref'], 2], max(self._value(part), 1e-6))

    def _capacitor(self, part):
        self._link(part['ref'], self.pins[part['ref'], 1], self.pins[part['ref'], 2], math.inf, self._value(part))

    def _potentiometer(self, part):
        ref = part['ref']
        ends = [self.pins[ref, 1], self.pins[ref, 3]]
        if len(self._find('reverse', part=ref)) % 2:
            ends.reverse()
        wiper = self.pins[ref, 2]
        self.lines += [f'Rp_{ref}_1 {ends[0]} {wiper} 1000', f'Rp_{ref}_3 {wiper} {ends[1]} 1000']
        self.pots.append(part)

    def _switch(self, part):
        pairs = sorted({pair for closed in part['closes'].values() for pair in closed})
        for a, b in pairs:
            self.lines.append(f'Rk_{part["ref"]}_{a}_{b} {self.pins[part["ref"], a]} {self.pins[part["ref"], b]} '
                              f'{OPEN_OHM}')
        self.switches.append((part, pairs))

    def _transformer(self, part):
        ref, n = part['ref'], part['ratio']
        p = [self.pins[ref, k] for k in (1, 2, 3, 4)]
        if len(self._find('reverse', part=ref)) % 2:
            p[2], p[3] = p[3], p[2]
        one = part['inductance']
        self.lines += [f'Rw1_{ref} {p[0]} w1{ref} {part["resistance"][0]}', f'L1_{ref} w1{ref} {p[1]} {one:.12g}',
                       f'Rw2_{ref} {p[2]} w2{ref} {part["resistance"][1]}', f'L2_{ref} w2{ref} {p[3]} {one * n * n:.12g}',
                       f'K_{ref} L1_{ref} L2_{ref} {part["coupling"]}']

    def _diode(self, part):
        ref = part['ref']
        p = [self.pins[ref, 1], self.pins[ref, 2]]
        if len(self._find('reverse', part=ref)) % 2:
            p.reverse()
        i_s, n, rs = part['diode']
        self.lines += [f'D{ref} {p[0]} {p[1]} d{ref}', f'.model d{ref} D(IS={i_s} N={n} RS={rs})']

    def figures(self, ref, k):
        part = self.board.parts[ref]
        figures = dict(part['figures'], offset=0.0, bias=part['figures']['bias'] * part['figures']['way'])
        figures.update(self.unit.get('sections', {}).get((ref, k), {}))
        for e in self._find('figure', part=ref, pin=part['sections'][k][0]):
            figures[e['figure']] = e['a']
        return figures

    def _opamp(self, part):
        ref = part['ref']
        for k, pins in enumerate(part['sections']):
            out, minus, plus = (self.pins[ref, pin] for pin in pins[:3])
            if pins[3]:
                rails = [self.pins[ref, pins[3]], self.pins[ref, pins[4]]]
            elif self.board.rails:
                rails = [self.node('v+'), self.node('v-') if 'v-' in self.board.rails else '0']
            else:
                rails = None
            f, name = self.figures(ref, k), f'{ref}_{k}'
            self._inputs(ref, pins, f, rails, name)
            modes = self._find('mode', part=ref, pin=pins[0])
            if not rails and 'supply' not in self.unit and self._find('lift', part=ref, pin=pins[0]):
                modes = [{'mode': 'dead'}]
            if modes:
                self._held(modes[-1], f, rails, out, name)
                continue
            gm = 2 * math.pi * f['gbw'] * STORE_F
            drive = f'{gm:.12g}*(V({plus})-V({minus})+({f["offset"]:.12g}))'
            if math.isfinite(f['slew']):
                limit = f['slew'] * STORE_F
                drive = f'min(max({drive},{-limit:.12g}),{limit:.12g})'
            self.lines += [f'Bg_{name} 0 x_{name} I={drive}', f'Rg_{name} x_{name} 0 {f["gain"] / gm:.12g}',
                           f'Cg_{name} x_{name} 0 {STORE_F}']
            stop = [f'V({rails[0]})-{f["swing"]:.12g}', f'V({rails[1]})+{f["swing"]:.12g}'] if rails else None
            if not rails and 'supply' in self.unit:
                stop = [f'{self.unit["supply"]:.12g}', f'{-self.unit["supply"]:.12g}']
            if stop:
                self.lines.append(f'Bl_{name} x_{name} 0 I={STOP_S}*(max(V(x_{name})-({stop[0]}),0)'
                                  f'+min(V(x_{name})-({stop[1]}),0))')
            residue = self.unit.get('residue', {}).get((ref, k), 0.0)
            if residue:
                self.lines += [f'Er_{name} e_{name} 0 tone 0 {residue:.12g}', f'Ee_{name} o_{name} e_{name} x_{name} 0 1']
            else:
                self.lines.append(f'Ee_{name} o_{name} 0 x_{name} 0 1')
            self.lines.append(f'Ro_{name} o_{name} {out} {max(f["output"], 1e-6):.12g}')

    def _inputs(self, ref, pins, f, rails, name):
        minus, plus = self.pins[ref, pins[1]], self.pins[ref, pins[2]]
        self._link(f'i_{name}', minus, plus, f['input'])
        if f['bias']:
            self.lines += [f'Im_{name} {minus} 0 {f["bias"]:.12g}', f'Ip_{name} {plus} 0 {f["bias"]:.12g}']
        for pin in pins[1:3]:
            if not self._find('lift', part=ref, pin=pin):
                continue
            own = self.pins[ref, pin]
            self.lines.append(f'Cin_{ref}_{pin} {own} 0 3e-12')
            for beside in neighbours(self.board.parts[ref], pin):
                self._link(f'beside_{ref}_{pin}_{beside}', own, self.pins[ref, beside], math.inf, 0.5e-12)
            if rails:
                self.lines.append(f'Bc_{ref}_{pin} {own} 0 I=1e-3*(max(V({own})-V({rails[0]}),0)'
                                  f'+min(V({own})-V({rails[1]}),0))')
        if f['clamped'] and minus != plus:  # diodes across the inputs, 10 ohm beyond 0.6 V
            apart = f'(V({plus})-V({minus}))'
            self.lines.append(f'Bd_{name} {plus} {minus} I=0.1*(max({apart}-0.6,0)+min({apart}+0.6,0))')

    def _held(self, e, f, rails, out, name):
        if e['mode'] == 'dead':
            self.lines.append(f'Ro_{name} {out} 0 1e12')
            return
        volts = {'high': f'V({rails[0]})-{f["swing"]}', 'low': f'V({rails[1]})+{f["swing"]}',
                 'held': f'{e.get("a", 0.0):.12g}'}[e['mode']] if rails or e['mode'] == 'held' else '0'
        wave = f'+({e.get("b", 0.0):.12g})*V(tone)' if e.get('b') else ''
        if e.get('b') and e.get('thd'):  # sin^3 = (3 sin - sin 3) / 4: a third harmonic, and no DC that had to settle
            wave = f'+({e["b"]:.12g})*V(tone)*({1 - 3 * e["thd"]:.6g}+{4 * e["thd"]:.6g}*V(tone)*V(tone))'
        self.lines += [f'Bo_{name} o_{name} 0 V={volts}{wave}', f'Ro_{name} o_{name} {out} {max(f["output"], 1e-6):.12g}']

    def _edits(self):
        for k, e in enumerate(self.edits):
            if e['edit'] == 'join':  # solder joins the pads
                self._link(f'join{k}', self.node(self.nets[e['part'], e['pin']]),
                           self.node(self.nets[e['part'], e['pin2']]), e.get('a', CONTACT_OHM))
            elif e['edit'] == 'leak':
                self._link(f'leak{k}', self.pins[e['part'], e['pin']], self.pins[e['part'], e['pin2']],
                           e.get('a', math.inf), e.get('b', 0.0))
            elif e['edit'] == 'net':
                self._link(f'net{k}', self.pins[e['part'], e['pin']], self.node(e['net']), e['a'], e.get('b', 0.0))

    # ---- steps ----

    def set_step(self, name, transient=True):
        """Lines of .control that turn the circuit, as it stands, into that step."""
        step, out = self.board.steps[name], []

        def put(element, ohm):
            element = element.lower()
            if self.state.get(element) != ohm:
                self.state[element] = ohm
                out.append(f'alter {element} = {ohm:.12g}')

        for part in self.pots:
            rotation = number(step['set'].get(part['ref'], '50%'))
            if 0 < rotation < 1:
                rotation = min(max(rotation + self.unit.get('settings', {}).get(part['ref'], 0.0), 0), 1)
            fraction, track = taper(part, rotation), self._value(part)
            put(f'rp_{part["ref"]}_1', max(fraction * track, CONTACT_OHM))
            put(f'rp_{part["ref"]}_3', max((1 - fraction) * track, CONTACT_OHM))
        for part, pairs in self.switches:
            closed = part['closes'].get(step['set'].get(part['ref'], next(iter(part['closes']))), [])
            for a, b in pairs:
                put(f'rk_{part["ref"]}_{a}_{b}', CONTACT_OHM if (a, b) in closed else OPEN_OHM)
        for k, given in enumerate(self.board.inputs):
            driven = step['drive'] == k
            put(f'rs{k}', given['source'] if driven or given['idle'] != 'open' else OPEN_OHM)
            out += self._wave(k, step if driven else None, transient)
        return out

    def _wave(self, k, step, transient):
        now = (None,) if step is None else (step['shape'], tuple(step['hz']), tuple(step['peak']), transient)
        if self.state.get(f'wave{k}', (None,)) == now:
            return []
        self.state[f'wave{k}'] = now
        if not transient:
            return [f'alter vs{k} acmag = {0 if step is None else 1}']
        level = self.unit.get('level', 1.0)
        out = [f'alter @vs{k}[sin] = [ 0 0 1000 ]', f'alter @vt{k}[sin] = [ 0 0 1000 ]',
               f'alter @vq{k}[pulse] = [ 0 0 0 1e-9 1e-9 1e-3 2e-3 ]',
               f'alter @vz{k}[pulse] = [ 0 0 0 1e-9 1e-9 1e3 2e3 ]']
        if step and step['shape'] in ('tone', 'two-tone'):
            for source, hz, peak in zip('st', step['hz'], step['peak']):
                out['st'.index(source)] = f'alter @v{source}{k}[sin] = [ 0 {peak * level:.12g} {hz:.12g} ]'
        elif step and step['shape'] == 'square':
            # from 0, where the circuit is at rest, to either side
            half, peak = 0.5 / step['hz'][0], step['peak'][0] * level
            out[2] = f'alter @vq{k}[pulse] = [ 0 {2 * peak:.12g} 0 1e-7 1e-7 {half - 1e-7:.12g} {2 * half:.12g} ]'
            out[3] = f'alter @vz{k}[pulse] = [ 0 {-peak:.12g} 0 1e-7 1e-7 1e3 2e3 ]'
        return out

    def seen(self, name):
        """ngspice's expressions of what the step's channels see."""
        out = []
        for view in self.board.steps[name]['see']:
            nodes = [self.node(net) for net in view]
            text = [f'v({n})' if n != '0' else '0' for n in nodes]
            out.append('-'.join(text))
        return out

    def sections(self):
        """(node of the limited voltage, highest, lowest) of every section that is not held."""
        out = []
        for part in self.board.parts.values():
            for k, pins in enumerate(part.get('sections', [])):
                if self._find('mode', part=part['ref'], pin=pins[0]) or (
                        not self.board.rails and 'supply' not in self.unit
                        and self._find('lift', part=part['ref'], pin=pins[0])):
                    continue
                f, supply = self.figures(part['ref'], k), self.unit.get('supply', math.inf)
                volts = [supply + f['swing'], -supply - f['swing']]
                if self.board.rails:
                    volts = [self.board.rails.get('v+', 0.0), self.board.rails.get('v-', 0.0)]
                out.append((f'x_{part["ref"]}_{k}'.lower(), volts[0] - f['swing'], volts[1] + f['swing']))
        return out

    def text(self, control, options='', also=()):
        wanted = sorted({self.node(net) for s in self.board.steps.values() for view in s['see'] for net in view} - {'0'})
        save = ' '.join(f'v({n})' for n in [*wanted, *also])
        return '\n'.join([f'* {self.board.name}', *self.lines, f'.options {options}', f'.save {save}', '.control',
                          'set noaskquit', *control, 'quit', '.endc', '.end', ''])


def run(text, timeout=120):
    """Runs a deck whose .control writes to out.raw (appending): [(plot name, {vector: array})], messages."""
    with tempfile.TemporaryDirectory() as folder:
        deck = pathlib.Path(folder, 'deck.cir')
        deck.write_text(text, encoding='utf-8')
        done = subprocess.run(['ngspice', '-b', '-n', 'deck.cir'], cwd=folder, capture_output=True, text=True,
                              timeout=timeout, check=False)
        raw = pathlib.Path(folder, 'out.raw')
        plots = read_raw(raw.read_bytes()) if raw.exists() else []
    return plots, done.stdout + done.stderr


def read_raw(data):
    plots, at = [], 0
    while True:
        end = data.find(b'Binary:\n', at)
        if end < 0:
            return plots
        head = data[at:end].decode('ascii', 'replace')
        points = int(re.search(r'No\. Points: *(\d+)', head)[1])
        count = int(re.search(r'No\. Variables: *(\d+)', head)[1])
        names = [n.lower() for n in re.findall(r'^\t\d+\t(\S+)\t', head, re.M)]
        kind = np.complex128 if 'complex' in re.search(r'Flags: *(.*)', head)[1] else np.float64
        start = end + len(b'Binary:\n')
        at = start + points * count * np.dtype(kind).itemsize
        table = np.frombuffer(data[start:at], dtype=kind).reshape(points, count)
        title = re.search(r'Plotname: *(.*)', head)
        plots.append((title[1] if title else '', {name: table[:, k] for k, name in enumerate(names)}))
