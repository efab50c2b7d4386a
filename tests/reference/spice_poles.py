# SPDX-License-Identifier: GPL-3.0-or-later
"""Poles of a Deck's linear circuit, from its own lines: G and C of the nodal equations, dense.

-G v = s C v is solved as eigenvalues m of (G + sigma C)^-1 C, s = sigma - 1/m, so that what is infinite becomes 0.
Sections are linear (none at a rail), diodes off, sources nothing.
"""
import math
import re

import numpy as np
from scipy.linalg import eigvals, lu_factor, lu_solve

SIGMA = 3e5
MOST = 1e11  # rad/s: beyond, rounding


def matrices(deck):
    index, extra, stamps, coils = {}, 0, [], {}

    def node(name):
        return -1 if name == '0' else index.setdefault(name, len(index))

    for line in deck.lines:
        words = line.split()
        name = words[0].lower()
        if name[0] in 'rclveb' and not name.startswith('betone'):
            a, b = node(words[1]), node(words[2])
        if name[0] == 'r':
            stamps.append(('g', a, b, 1 / deck.state.get(name, float(words[3]))))
        elif name[0] == 'c':
            stamps.append(('c', a, b, float(words[3])))
        elif name[0] == 'l':
            coils[name] = (extra, float(words[3]))
            stamps.append(('v', a, b, extra))
            extra += 1
        elif name[0] == 'k':
            stamps.append(('k', words[1].lower(), words[2].lower(), float(words[3])))
        elif name[0] == 'v' or name.startswith('bo_'):
            stamps.append(('v', a, b, extra))
            extra += 1
        elif name.startswith(('ee_', 'er_')) and len(words) == 6:
            if name.startswith('er_'):
                stamps.append(('v', a, b, extra))
            else:
                stamps.append(('e', a, b, node(words[3]), node(words[4]), extra))
            extra += 1
        elif name.startswith('bg_'):
            found = re.search(r'([-+.\de]+)\*\(V\((\w+)\)-V\((\w+)\)', line)
            stamps.append(('m', b, node(found[2]), node(found[3]), float(found[1])))
    size = len(index) + extra
    g, c = np.zeros((size + 1, size + 1)), np.zeros((size + 1, size + 1))  # the last: ground
    for kind, *s in stamps:
        if kind in 'gc':
            to = g if kind == 'g' else c
            a, b, y = s
            to[a, a] += y
            to[b, b] += y
            to[a, b] -= y
            to[b, a] -= y
        elif kind in 've':
            a, b, row = s[0], s[1], len(index) + s[-1]
            g[a, row] += 1
            g[b, row] -= 1
            g[row, a] += 1
            g[row, b] -= 1
            if kind == 'e':
                g[row, s[2]] -= 1
                g[row, s[3]] += 1
        elif kind == 'm':
            x, p, n, gm = s
            g[x, p] -= gm
            g[x, n] += gm
        elif kind == 'k':
            (one, l1), (two, l2) = coils[s[0]], coils[s[1]]
            mutual = s[2] * math.sqrt(l1 * l2)
            c[len(index) + one, len(index) + two] -= mutual
            c[len(index) + two, len(index) + one] -= mutual
    for row, henry in coils.values():
        c[len(index) + row, len(index) + row] -= henry
    return g[:-1, :-1], c[:-1, :-1]


def poles(deck):
    g, c = matrices(deck)
    m = eigvals(lu_solve(lu_factor(g + SIGMA * c), c))
    m = m[np.abs(m) > 1 / MOST]
    return SIGMA - 1 / m


def fastest_growth(deck):
    """The pole that grows fastest, None where every one decays (or hardly moves: 1e-7 of its own speed)."""
    s = poles(deck)
    s = s[s.real > 1e-7 * np.maximum(np.abs(s), 1.0)]
    return s[np.argmax(s.real)] if len(s) else None
