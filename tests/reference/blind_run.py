# SPDX-License-Identifier: GPL-3.0-or-later
"""Scores `coldjoint diagnose` on a blind set.

    blind_run.py COLDJOINT BOARD DIR [--jobs J] [--wrong FILE] [--alike] [--bars] [-- OPTION...]
    blind_run.py COLDJOINT BOARD --make N --seed S ...

DIR holds units as blind_set.py makes them (the 2 000 of the hall mixer, an hour on two cores:
blind_set.py fixtures/boards/hall-mixer.yaml DIR --units 2000 --seed 77 --jobs 2); options after -- go to diagnose
(audio: `--full-scale 16`). Prints one line per figure with its Wilson 95 % interval, a table by fault kind, and
(--wrong, `-` for standard output) every wrong unit with its truth and the first three findings; with --alike how many
of the wrong names are of faults that read the same (blind_alike.py). With --bars the exit status is 1 where a bar is
missed by more than chance: a proportion whose interval lies wholly below its bar. Where the bar itself is not reached
yet, HELD is what --bars holds the program to, so that it does not get worse unseen.

What counts as right:
  single, double   the true fault stands in the first finding, and the verdict is not "healthy". A wrong value is named
                   where the true one is within the stated 90 % interval stretched to twice its width (in ln), within 10 %
                   of the stated value, or is the same preferred value. An open two-pin part is one fault whichever pin.
  healthy          the verdict is "healthy".
  unseen           (rule in blind_set.py) the verdict is "healthy", or the fault stands in the first finding.
  outside          the verdict is "undecided", or the probability of "none of these" or the sum of all that is not the
                   first finding is above one half, or the first finding comes from a rule and the unit hums.
Calibration: the first finding's probability against whether it is right, over all units with a finding but unseen ones;
expected calibration error in ten bins of equal width.
"""
import argparse
import collections
import concurrent.futures
import json
import math
import os
import pathlib
import subprocess
import sys
import tempfile

import numpy as np

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
import blind_alike  # noqa: E402
import blind_set  # noqa: E402
import faults  # noqa: E402
import spice  # noqa: E402

BARS = {'first': 0.95, 'healthy': 0.98, 'sure': 0.98, 'outside': 0.90}
ECE_BAR = 0.03
# reached so far where that is less than the bar: of findings said to be 0.9 sure, and the calibration error
HELD = {'sure': 0.95}
ECE_HELD = 0.10


def wilson(good, count, z=1.959964):
    """E. B. Wilson 1927: interval of a proportion."""
    if not count:
        return 0.0, 1.0
    p, d = good / count, 1 + z * z / count
    middle, half = (p + z * z / (2 * count)) / d, z / d * math.sqrt(p * (1 - p) / count + z * z / (4 * count ** 2))
    return middle - half, middle + half


def same_value(true, named):
    value = named.get('value')
    if not value or not true:
        return False
    off = abs(math.log(value / true))
    if off < math.log(1.1) or faults.preferred(value) == faults.preferred(true):
        return True
    low, high = named.get('low'), named.get('high')
    if not low or not high or low <= 0:
        return False
    middle, half = 0.5 * math.log(low * high), 0.5 * math.log(high / low)
    return abs(math.log(true) - middle) <= 2 * half


def same(board, true, named):
    if 'together' in true or 'together' in named:
        one, two = true.get('together', []), named.get('together', [])
        return len(one) == len(two) == 2 and any(
            same(board, one[0], two[a]) and same(board, one[1], two[1 - a]) for a in (0, 1))
    if true['fault'] != named['fault']:
        return False
    kind = true['fault']
    if kind == 'swapped':
        return {true['part'], true['other']} == {named.get('part'), named.get('other')}
    if kind == 'unpowered':
        return true['rail'] == named.get('rail')
    if true['part'] != named.get('part'):
        return False
    if kind == 'open-pin':
        return board.parts[true['part']]['kind'] in faults.TWO_PINS or true['pin'] == named.get('pin')
    if kind == 'bridge':
        return {true['pin'], true['pin2']} == {named.get('pin'), named.get('pin2')}
    if kind == 'wrong-value':
        return same_value(true['value'], named)
    keys = {'at-rail': ('pin', 'rail'), 'weak': ('pin', 'figure')}.get(kind, ())
    return all(true[key] == named.get(key) for key in keys)


def diagnose(arguments):
    program, board, unit, options = arguments
    done = subprocess.run([program, 'diagnose', str(board), str(unit), '--json', *options], capture_output=True, text=True,
                          check=False, timeout=120)
    if done.returncode not in (0, 1, 2):
        return {'broken': f'{done.returncode}: {done.stderr.strip()[-300:]}'}
    answer = json.loads(done.stdout)
    if {'healthy': 0, 'fault': 1, 'undecided': 2}[answer['verdict']] != done.returncode:
        return {'broken': f'verdict {answer["verdict"]} with status {done.returncode}'}
    return answer


def judge(board, truth, answer):
    """(class, right, p of the first finding, the first finding right, its size)."""
    findings = answer['findings']
    first = findings[0] if findings else None
    named = bool(first and truth['fault'] and any(same(board, truth['fault'], f) for f in first['faults']))
    p, size = (first['probability'], len(first['faults'])) if first else (0.0, 0)
    kind = 'unseen' if truth.get('unseen') else truth['class']
    if kind == 'healthy':
        right = answer['verdict'] == 'healthy'
    elif kind == 'unseen':
        right = named or answer['verdict'] == 'healthy'
    elif kind == 'outside':
        hum = bool(truth.get('hum')) and bool(first) and first['from'] == 'rules'
        right = answer['verdict'] == 'undecided' or answer['unexplained'] > 0.5 or p < 0.5 or hum
        named = hum
    else:
        right = named and answer['verdict'] != 'healthy'
    return kind, right, p, named, size


def short(f):
    if f is None:
        return '-'
    if 'together' in f:
        return '+'.join(short(x) for x in f['together'])
    out = f'{f["fault"]}:{f.get("part") or f.get("rail") or f.get("role") or "?"}'
    if f.get('pin'):
        out += f':{f["pin"]}' + (f'-{f["pin2"]}' if f.get('pin2') else '')
    for key in ('value', 'other', 'figure'):
        if f.get(key):
            out += f'={f[key]:.4g}' if key == 'value' else f'={f[key]}'
    if f['fault'] == 'at-rail':
        out += f'={f["rail"]}'
    return out


def tell(unit, truth, answer):
    out = [f'{unit}: {truth["class"]} {short(truth["fault"])} {truth.get("outside", "")} d={truth.get("distance", 0):.1f}; '
           f'said {answer["verdict"]}, unexplained {answer["unexplained"]:.3f}']
    for f in answer['findings'][:3]:
        names = ' '.join(short(x) for x in f['faults'][:6]) + (' ...' if len(f['faults']) > 6 else '')
        out.append(f'    {f["probability"]:.3f} {f["from"]}: {names}')
    return '\n'.join(out)


def smallest_groups(program, path, board):
    """Size of the group each fault is in, as the board command prints it; empty where it does not."""
    done = subprocess.run([program, 'board', str(path), '--json'], capture_output=True, text=True, check=False)
    groups = json.loads(done.stdout).get('groups', []) if done.returncode == 0 else []
    return lambda f: next((len(g) for g in groups if any('together' not in x and same(board, f, x) for x in g)), 1)


def proportion(label, good, count, bar=None, key=None):
    low, high = wilson(good, count)
    share = good / count if count else float('nan')
    print(f'{label:44} {good:5d} of {count:5d}  {100 * share:6.2f} %  ({100 * low:.2f} .. {100 * high:.2f})'
          + (f'  bar {100 * bar:.0f} %' if bar else ''))
    return not (bar and count and high < HELD.get(key, bar))


def calibration(pairs):
    """Expected calibration error of (p, right)."""
    if not pairs:
        return 0.0
    p, right = np.array(pairs, dtype=float).T
    bins = np.minimum((p * 10).astype(int), 9)
    return float(sum(abs(p[bins == b].sum() - right[bins == b].sum()) for b in range(10)) / len(p))


def report(program, path, board, results):
    """Prints; whether every bar is met but for chance."""
    by = collections.defaultdict(list)
    for truth, answer, judged in results:
        by[judged[0]].append((truth, answer, judged))
    ok = True
    faulty = by['single'] + by['double']
    for label, rows, bar in (('single: fault in the first finding', by['single'], BARS['first']),
                             ('double: pair in the first finding', by['double'], None),
                             ('single and double', faulty, None), ('healthy called healthy', by['healthy'], BARS['healthy']),
                             ('outside: unexplained or undecided', by['outside'], BARS['outside']),
                             ('unseen: healthy, or named', by['unseen'], None)):
        ok &= proportion(label, sum(j[1] for _, _, j in rows), len(rows), bar)
    counted = [j for kind, rows in by.items() if kind != 'unseen' for _, _, j in rows if j[4]]
    sure = [j for j in counted if j[2] >= 0.9]
    ok &= proportion('right at p >= 0.9', sum(j[3] for j in sure), len(sure), BARS['sure'], 'sure')
    ece = calibration([(j[2], j[3]) for j in counted])
    print(f'{"calibration error (ten bins)":44} {ece:.4f} over {len(counted)}  bar {ECE_BAR}')
    group = smallest_groups(program, path, board)
    right = [(j[4], group(t['fault'])) for t, _, j in by['single'] if j[1]]
    if right:
        sizes, least = np.array(right).T
        print(f'{"size of the first finding (right ones)":44} mean {sizes.mean():.3f}, smallest groups {least.mean():.3f}, '
              f'ratio {sizes.mean() / least.mean():.3f}  bar 1.3')
    print('by kind of fault (single, seen): right of all')
    kinds = collections.defaultdict(lambda: [0, 0, collections.Counter()])
    for truth, answer, judged in by['single']:
        row = kinds[truth['fault']['fault']]
        row[0] += judged[1]
        row[1] += 1
        if not judged[1]:
            first = answer['findings'][0]['faults'][0] if answer['findings'] else None
            row[2]['healthy' if answer['verdict'] == 'healthy' else first.get('fault', 'together') if first else 'nothing'] += 1
    for kind, (good, count, instead) in sorted(kinds.items()):
        print(f'    {kind:12} {good:4d} of {count:4d}   instead: ' + (', '.join(f'{n} {w}' for w, n in instead.items()) or '-'))
    return ok, ece


def main():
    options = argparse.ArgumentParser(description=__doc__.split('\n')[0])
    options.add_argument('program')
    options.add_argument('board')
    options.add_argument('folder', nargs='?')
    options.add_argument('--make', type=int, help='makes so many units first (scope), in a folder of its own')
    options.add_argument('--seed', type=int, default=1)
    options.add_argument('--jobs', type=int, default=1)
    options.add_argument('--units', type=int, help='only the first so many')
    options.add_argument('--wrong')
    options.add_argument('--alike', action='store_true')
    options.add_argument('--bars', action='store_true')
    cut = sys.argv.index('--') if '--' in sys.argv else len(sys.argv)
    given, more = options.parse_args(sys.argv[1:cut]), sys.argv[cut + 1:]
    if given.make:
        with tempfile.TemporaryDirectory() as folder:
            given.folder = folder
            made = blind_set.make(given.board, folder, units=given.make, seed=given.seed, jobs=given.jobs)
            return 1 if made.get('failed') else score(given, more)
    return score(given, more)


def score(given, more):
    board = spice.read_board(given.board)
    units = sorted(p.parent for p in pathlib.Path(given.folder).glob('unit-*/truth.json'))[:given.units]
    truths = [json.loads((u / 'truth.json').read_text(encoding='ascii')) for u in units]
    with concurrent.futures.ThreadPoolExecutor(given.jobs) as pool:
        answers = list(pool.map(diagnose, [(given.program, given.board, u, more) for u in units]))
    broken = [(u.name, a['broken']) for u, a in zip(units, answers) if 'broken' in a]
    for name, why in broken:
        print(f'{name}: broken, {why}')
    results = [(t, a, judge(board, t, a)) for t, a in zip(truths, answers) if 'broken' not in a]
    print(f'{given.folder}: {len(units)} units, {len(broken)} broken')
    ok, ece = report(given.program, given.board, board, results)
    if given.alike:
        text = pathlib.Path(given.board).read_text(encoding='utf-8')
        blind_alike.report(board, text, results, '--full-scale' in more, given.jobs)
    wrong = [tell(t['unit'], t, a) for t, a, j in results if not j[1]]
    if given.wrong == '-':
        print('\n'.join(wrong))
    elif given.wrong:
        pathlib.Path(given.wrong).write_text('\n'.join(wrong) + '\n', encoding='utf-8')
    return 1 if broken or not units or given.bars and not (ok and ece <= ECE_HELD + 0.5 / math.sqrt(len(results))) else 0


if __name__ == '__main__':
    sys.exit(main())
