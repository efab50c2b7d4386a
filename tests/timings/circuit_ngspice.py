# SPDX-License-Identifier: GPL-3.0-or-later
"""circuit_ngspice.py PROGRAM BOARD REFERENCE: the nominal readings of a board's single faults at all its steps (PROGRAM,
built from dictionary_speed.c) beside ngspice doing AC and OP for the same faults and steps, in one run.

ngspice gets one process per fault, all its steps in it (netlists from folder REFERENCE): an operating point a step, and
where it is driven an AC analysis at the step's own frequencies, with its default options. It does a sample of the
faults, every so many of those that clip in no step; a fault's time is the mean of the sample's. Times are processor
time, user and system, of the processes alone: writing the netlists is not counted, making our bench is. Fails below a
thousand times, or where ours with the spread takes more than twenty times its own nominal time.
"""
import re
import resource
import subprocess
import sys

SAMPLE, LEAST, SPREAD_MOST = 20, 1000, 20


def as_edit(words):
    if words[0] == 'lift':
        return {'edit': 'lift', 'part': words[1], 'pin': int(words[2]), 'a': float(words[3]), 'b': float(words[4])}
    if words[0] == 'join':
        return {'edit': 'join', 'part': words[1], 'pin': int(words[2]), 'pin2': int(words[3]), 'a': float(words[4])}
    return {'edit': 'value', 'part': words[1], 'a': float(words[2])}


def children():
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def ngspice(board, edits):
    """Seconds for one fault at all steps."""
    deck, control, wanted = spice.Deck(board, edits), ['set filetype=binary', 'set appendwrite'], 0
    for name, step in board.steps.items():
        control += [*deck.set_step(name, transient=False), 'op', f'write out.raw {" ".join(deck.seen(name))}']
        wanted += 1
        for hz in step['hz'] if step['drive'] is not None else ():
            control += [f'ac lin 1 {hz:.12g} {hz:.12g}', f'write out.raw {" ".join(deck.seen(name))}']
            wanted += 1
        control.append('destroy all')
    text, begin = deck.text(control), children()
    plots, said = spice.run(text)
    took = children() - begin
    if len(plots) != wanted:
        sys.exit(f'{edits}: {len(plots)} of {wanted} analyses\n{said}')
    return took


def main():
    program, path = sys.argv[1:3]
    board = spice.read_board(path)
    said = subprocess.run([program, path], check=True, capture_output=True, text=True).stdout
    print(said, end='')
    nominal, spread, made = map(float, re.search(r'step: (\S+) nominal, (\S+) with the spread, (\S+) nominal', said).groups())
    lines = [line.split() for line in
             subprocess.run([program, path, 'list'], check=True, capture_output=True, text=True).stdout.splitlines()]
    linear = [words[1:] for words in lines if words[0] == '0']
    count = min(SAMPLE, len(linear))
    sample = [linear[k * len(linear) // count] for k in range(count)]
    times = sorted(ngspice(board, [as_edit(words)]) for words in sample)
    each, steps = sum(times) / count, len(board.steps)
    print(f'ngspice, {count} of the {len(linear)} faults (of {len(lines)}) that clip in no step: {1e3 * each:.1f} ms a '
          f'fault of {steps} steps ({1e3 * times[0]:.1f} to {1e3 * times[-1]:.1f}), {1e3 * each / steps:.3f} ms a fault '
          f'and step; all {len(lines)} extrapolated: {each * len(lines):.2f} s')
    ratio, bare, wider = each / steps / made, each / steps / nominal, spread / nominal
    print(f'ours: {1e3 * nominal * steps * len(lines):.2f} ms for all, {1e3 * made * steps * len(lines):.2f} ms with the '
          f'making')
    print(f'{ratio:.0f} times as fast, the making counted; {bare:.0f} times without it (at least {LEAST})')
    print(f'with the spread {wider:.2f} times its own nominal time (at most {SPREAD_MOST})')
    return not ratio >= LEAST or not wider <= SPREAD_MOST


if __name__ == '__main__':
    sys.path.insert(0, sys.argv[3])
    import spice
    sys.exit(main())
