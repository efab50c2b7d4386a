# SPDX-License-Identifier: GPL-3.0-or-later
"""Of the units to which a wrong name was given: which of them read like a unit with the fault that was named?

Asked of ngspice and of blind_set.py's rule, not of the program: of each fault of the first finding (up to NAMES) so
many units are drawn (DRAWS), and the unit at hand, both with nominal parts, is as far from them as Rule.distance says.
Nearer than ALIKE (the distance below which a fault counts as unseen) no bench tells the two apart by these steps.
The distance is that of linear solutions: of an output that goes from rail to rail it says little.
"""
import numpy as np

import blind_set
import faults

ALIKE, NAMES, DRAWS = 3, 6, 6


def drawn(board, named, rng):
    """Edits of one unit with the fault that a finding names."""
    several = named.get('together', [named])
    return sum((faults.drawn(board, {'part': None, **f}, rng) for f in several), [])


def nearest(board, rule, truth, named, audio):
    """Least distance between the unit and units with one of the named faults."""
    own = blind_set.linear(board, truth['edits'], {})
    if own is None:
        return float('inf')
    rng, least = np.random.default_rng(1), float('inf')
    for fault in named[:NAMES]:
        for _ in range(DRAWS):
            other = blind_set.linear(board, drawn(board, fault, rng), {})
            if other is not None:
                least = min(least, rule.distance(own, other)[audio])
    return least


def report(board, text, results, audio, jobs):
    """Prints a line per unit with a wrong name of p >= 0.5, and how many there are."""
    wrong = [(t, a['findings'][0]) for t, a, (kind, _, p, right, size) in results
             if size and p >= 0.5 and not right and kind != 'unseen' and a['findings'][0]['faults'][0].get('fault') != 'outside']
    rule, near = blind_set.Rule(board, text, jobs), 0
    for truth, finding in wrong:
        away = nearest(board, rule, truth, finding['faults'], audio)
        near += away < ALIKE
        print(f'    {truth["unit"]} {truth["class"]:8} p {finding["probability"]:.3f}, {away:8.2f} from what was named')
    print(f'{"wrong names that read like the fault named":44} {near:5d} of {len(wrong):5d}')
