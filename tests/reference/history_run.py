# SPDX-License-Identifier: GPL-3.0-or-later
"""What confirmed repairs in the log are worth to `coldjoint diagnose`, on a blind set with a skewed mix of faults.

    history_run.py COLDJOINT BOARD DIR [--mixes M] [--seed S] [--repairs N] [--steps A,B] [--jobs J] [--bars] [-- OPTION...]

DIR holds units as blind_set.py makes them (blind_set.py fixtures/boards/hall-mixer.yaml DIR --units 300 --seed 77). A
bench makes some mistakes again and again: the different faults of the set are put in random order and the one of rank r
happens in proportion to r^-1.5 (the first in some four units of ten). The units stay as they are and get weights, so
that the faults are as common as the mix has them; no captures are made anew. --steps: only these are captured (a bench
does not take all; what was repaired before matters more the less was measured). From the same mix N repairs are drawn and
recorded with `coldjoint log repair`. Every unit is diagnosed without and with that log.

Prints for each mix, and for all, the share of single faults in the first finding, the share that are the very first fault it
names, and the expected calibration error (ten bins, as in blind_run.py), all by weight. With --bars the exit status is 1 where
over all mixes one of the shares does not rise, or the error rises by more than 0.005.
"""
import argparse
import concurrent.futures
import json
import os
import pathlib
import random
import subprocess
import sys
import tempfile

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
import blind_run  # noqa: E402
import spice  # noqa: E402

EXPONENT = 1.5


def notation(board, fault):
    """The fault as a command line has it, without what a repair would not tell from another (the value found)."""
    if fault['fault'] == 'swapped':
        return f'swapped:{fault["part"]}-{fault["other"]}'
    if fault['fault'] == 'wrong-value':
        return f'wrong-value:{fault["part"]}={fault["value"]:.6g}'
    if fault['fault'] == 'open-pin' and len(board.parts[fault['part']]['pins']) == 2:
        return f'open-pin:{fault["part"]}:1'
    return blind_run.short(fault)


def place(board, fault):
    """What counts as the same fault happening again."""
    return notation(board, fault).split('=')[0] if fault['fault'] == 'wrong-value' else notation(board, fault)


def diagnose_all(given, units, options):
    def one(unit):
        evidence = [f'{step}={unit}/{step}.csv' for step in given.steps.split(',')] if given.steps else [str(unit)]
        try:
            return blind_run.diagnose((given.program, given.board, evidence[0], [*evidence[1:], *options]))
        except subprocess.TimeoutExpired:
            return {'broken': 'two minutes'}
    with concurrent.futures.ThreadPoolExecutor(given.jobs) as pool:
        answers = list(pool.map(one, units))
    for unit, answer in zip(units, answers):
        if 'broken' in answer:
            print(f'{unit.name}: broken, {answer["broken"]}')
    return answers


def run(given, *arguments):
    done = subprocess.run([given.program, *arguments], capture_output=True, text=True, check=False)
    if done.returncode not in (0, 1, 2):
        raise SystemExit(f'{arguments}: {done.stderr}')


def record(given, log, faults):
    """A log with these repairs; each on a unit of its own."""
    for number, fault in enumerate(faults):
        unit = f'repaired-{number}'
        run(given, 'log', 'add', given.board, '--unit', unit, given.reading, '--log', log)
        run(given, 'log', 'repair', unit, '--fault', fault, '--log', log)


def named_first(board, truth, answer):
    """Whether the very first fault of the first finding, which a person checks first, is the true one."""
    return bool(answer.get('findings')) and blind_run.same(board, truth['fault'], answer['findings'][0]['faults'][0])


def score(board, weights, truths, answers):
    """(share of single faults in the first finding, share that are its very first, calibration error), by weight."""
    rows = [(w, blind_run.judge(board, t, a), t, a) for w, t, a in zip(weights, truths, answers) if 'broken' not in a]
    very = [(w, j[1] and named_first(board, t, a)) for w, j, t, a in rows if j[0] == 'single']
    rows = [(w, j) for w, j, _, _ in rows]
    single = [(w, j) for w, j in rows if j[0] == 'single']
    share = sum(w * j[1] for w, j in single) / sum(w for w, _ in single)
    bins = {}
    counted = [(w, j[2], j[3]) for w, j in rows if j[0] != 'unseen' and j[4]]
    for w, p, right in counted:
        bins.setdefault(min(int(p * 10), 9), []).append(w * (p - right))
    first = sum(w * right for w, right in very) / sum(w for w, _ in very)
    return share, first, sum(abs(sum(b)) for b in bins.values()) / sum(w for w, _, _ in counted)


def mix_of(seed, places):
    """Weight of each fault: rank^-1.5 in random order."""
    order = sorted(set(places))
    random.Random(seed).shuffle(order)
    raw = {name: (rank + 1) ** -EXPONENT for rank, name in enumerate(order)}
    return {name: value / sum(raw.values()) for name, value in raw.items()}


def told(result):
    share, first, error, share_after, first_after, error_after = result
    return (f'in the first finding {100 * share:.2f} % -> {100 * share_after:.2f} %, its very first fault '
            f'{100 * first:.2f} % -> {100 * first_after:.2f} %; calibration error {error:.4f} -> {error_after:.4f}')


def one_mix(given, seed, board, units, truths, before):
    seen = [t['class'] == 'single' and not t.get('unseen') for t in truths]
    places = [place(board, t['fault']) if s else None for t, s in zip(truths, seen)]
    mix = mix_of(seed, [p for p in places if p])
    times = {p: places.count(p) for p in mix}
    weights = [mix[p] * sum(seen) / times[p] if p else 1 for p in places]
    names = {p: notation(board, t['fault']) for p, t in zip(places, truths) if p}
    drawn = random.Random(seed + 1000).choices(list(mix), list(mix.values()), k=given.repairs)
    with tempfile.TemporaryDirectory() as folder:
        log = os.path.join(folder, 'log.db')
        record(given, log, [names[p] for p in drawn])
        after = diagnose_all(given, units, [*given.more, '--log', log])
    result = (*score(board, weights, truths, before), *score(board, weights, truths, after))
    print(f'mix {seed}: commonest {max(mix, key=mix.get)} {100 * max(mix.values()):.0f} %; {told(result)}', flush=True)
    return result


def main():
    options = argparse.ArgumentParser(description=__doc__.split('\n')[0])
    options.add_argument('program')
    options.add_argument('board')
    options.add_argument('folder')
    options.add_argument('--mixes', type=int, default=4)
    options.add_argument('--seed', type=int, default=1, help='of the first mix')
    options.add_argument('--repairs', type=int, default=30)
    options.add_argument('--units', type=int, help='only the first so many')
    options.add_argument('--steps')
    options.add_argument('--jobs', type=int, default=1)
    options.add_argument('--bars', action='store_true')
    cut = sys.argv.index('--') if '--' in sys.argv else len(sys.argv)
    given = options.parse_args(sys.argv[1:cut])
    given.more = sys.argv[cut + 1:]
    board = spice.read_board(given.board)
    given.reading = next(f'{name}:dc_v@{"-".join(s["see"][-1])}=0' for name, s in board.steps.items())
    units = sorted(p.parent for p in pathlib.Path(given.folder).glob('unit-*/truth.json'))[:given.units]
    truths = [json.loads((u / 'truth.json').read_text(encoding='ascii')) for u in units]
    before = diagnose_all(given, units, given.more)
    results = [one_mix(given, seed, board, units, truths, before) for seed in range(given.seed, given.seed + given.mixes)]
    mean = [sum(column) / len(results) for column in zip(*results)]
    print(f'all {len(results)} mixes of {len(units)} units, {given.repairs} repairs each: {told(mean)}')
    return 1 if given.bars and not (mean[3] > mean[0] and mean[4] > mean[1] and mean[5] <= mean[2] + 0.005) else 0


if __name__ == '__main__':
    sys.exit(main())
