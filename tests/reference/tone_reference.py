# SPDX-License-Identifier: GPL-3.0-or-later
"""The tone fit of include/coldjoint/signal.h once more, from its text alone.

Explicit design matrices and their normal equations for the linear part, and scipy.optimize.brentq on the derivative of the
likelihood for the frequency: nothing is shared with the library but the written-down estimator.
"""
import numpy as np
from scipy.optimize import brentq

HALF_ULP = 2.0 ** -53


class Channel:
    def __init__(self, x):
        self.valid = np.isfinite(x)
        self.n = int(self.valid.sum())
        self.mean = float(x[self.valid].mean()) if self.n else 0.0
        self.y = np.where(self.valid, x - self.mean, 0.0)
        self.power = float(self.y @ self.y)
        self.floor = float((x[self.valid] ** 2).sum()) * HALF_ULP ** 2
        self.alive = self.n >= 6 and self.power > 1024 * self.floor


class Fit:
    """All alive channels at one frequency and order."""

    def __init__(self, record, f, h):
        self.record, self.f, self.h = record, f, h
        t = record.t
        angle = 2 * np.pi * f * np.outer(t, np.arange(1, h + 1))
        cosines, sines = np.cos(angle), np.sin(angle)
        columns = np.hstack([np.ones((len(t), 1)), cosines, sines])
        k = 2 * np.pi * np.arange(1, h + 1)
        self.unknowns, self.rss, self.left, self.moved, self.columns, self.inverse = {}, {}, {}, {}, {}, {}
        whole = None
        for c in record.alive:
            channel = record.channels[c]
            gaps = not channel.valid.all()
            matrix = columns[channel.valid] if gaps else columns
            if gaps or whole is None:  # the matrix is well conditioned: its square loses nothing that matters
                inverse = np.linalg.inv(matrix.T @ matrix)
                whole = whole if gaps else inverse
            else:
                inverse = whole
            y = channel.y[channel.valid]
            unknowns = inverse @ (matrix.T @ y)
            unknowns += inverse @ (matrix.T @ (y - matrix @ unknowns))  # refined: the residual's own fit
            left = y - matrix @ unknowns
            a, b = unknowns[1:h + 1], unknowns[h + 1:]
            self.moved[c] = t[channel.valid] * (matrix[:, 1:h + 1] @ (k * b) - matrix[:, h + 1:] @ (k * a))
            self.unknowns[c], self.left[c], self.rss[c] = unknowns, left, float(left @ left)
            self.columns[c], self.inverse[c] = matrix, inverse

    def weight(self, c):
        channel = self.record.channels[c]
        return channel.n / max(self.rss[c], channel.floor)

    def likelihood(self):
        return sum(-self.record.channels[c].n * np.log(self.weight(c)) for c in self.record.alive)

    def gradient(self):
        """Minus half the derivative of the likelihood."""
        return sum(self.weight(c) * float(self.moved[c] @ self.left[c]) for c in self.record.alive)

    def stiffness(self, c):
        matrix = self.columns[c]
        free = self.moved[c] - matrix @ (self.inverse[c] @ (matrix.T @ self.moved[c]))
        return float(free @ free)

    def variance(self, c, floor=False):
        rss = max(self.rss[c], self.record.channels[c].floor) if floor else self.rss[c]
        return rss / (self.record.channels[c].n - 2 * self.h - 1 - 1 / len(self.record.alive))

    def line(self, c, k):
        return self.unknowns[c][k] - 1j * self.unknowns[c][self.h + k]


class Record:
    def __init__(self, x):
        self.channels = [Channel(np.asarray(v, float)) for v in x]
        self.size = len(x[0])
        self.t = np.arange(self.size) - (self.size - 1) / 2
        self.alive = [c for c, channel in enumerate(self.channels) if channel.alive]

    def least(self, count):
        return min(self.channels[c].n for c in self.alive) >= count

    def thinned(self):
        q = self.size // 512 if self.size >= 1024 else 1
        n = self.size // q
        rows = []
        for channel in self.channels:
            y, weight = channel.y[:n * q].reshape(n, q), channel.valid[:n * q].reshape(n, q)
            count = weight.sum(axis=1)
            with np.errstate(invalid='ignore', divide='ignore'):
                rows.append(np.where(count > 0, (y * weight).sum(axis=1) / count, np.nan))
        small = Record(rows)
        small.alive = [c for c in small.alive if c in self.alive]
        for c in self.alive:
            small.channels[c].floor = max(small.channels[c].floor, self.channels[c].floor)
        return small, q


def settle(record, f, h):
    """The minimum of the likelihood downhill from f."""
    at = Fit(record, f, h)
    stiff = sum(at.weight(c) * at.stiffness(c) for c in record.alive)
    gradient = at.gradient()
    if not stiff > 0 or gradient == 0:
        return at
    step = np.clip(gradient / stiff, -0.25 / record.size, 0.25 / record.size)
    step = np.sign(step) * max(abs(step), 4 * np.spacing(f))
    far = f + step
    for _ in range(200):
        there = Fit(record, far, h)
        if there.gradient() * gradient <= 0:
            break
        far += step
    else:
        return at
    low, high = sorted((f, far))
    root = brentq(lambda v: Fit(record, v, h).gradient(), low, high, xtol=1e-6 / np.sqrt(stiff), rtol=8.9e-16)
    return Fit(record, root, h)


def start(record):
    n = record.size
    size = 64
    while size < 4 * n and size < 1 << 19:
        size *= 2
    while size < n:
        size *= 2
    i = np.arange(int(np.ceil(size / n)), int((0.5 - 0.5 / n) * size) + 1)
    f = i / size
    total = np.zeros(len(i))
    for c in record.alive:
        channel = record.channels[c]
        spectrum = np.fft.rfft(channel.y, size)[i]
        taken = 2 * np.abs(spectrum) ** 2 / channel.n
        for j in np.nonzero(np.minimum(f, 0.5 - f) * n <= 8)[0]:
            sums = spectrum[j] * np.exp(2j * np.pi * f[j] * (n - 1) / 2)
            e1, e2 = (np.cos(2 * np.pi * m * f[j] * record.t).sum() * channel.n / n for m in (1, 2))
            taken[j] = (sums.real ** 2 / (0.5 * (channel.n + e2) - e1 ** 2 / channel.n)
                        + sums.imag ** 2 / (0.5 * (channel.n - e2)))
        total += channel.n * np.log(np.maximum(channel.power - taken, channel.floor) / channel.n)
    return f[np.argmin(total)]


def fits(record, f, h):
    return record.least(2 * h + 3) and (h == 1 or h * f <= 0.5 - 1 / record.size)


def scan(record, about, h):
    step = 0.05 / record.size
    tries = [about + i * step for i in range(-12, 13)]
    tries = [f for f in tries if f * record.size >= 1 and fits(record, f, h)]
    return min(tries, key=lambda f: Fit(record, f, h).likelihood()) if tries else about


def few(record, f, h):
    """Few periods: frequency (and order where h is 0) on the thinned record."""
    small, q = record.thinned()
    about = f * q
    if h:
        return (settle(small, scan(small, about, h) if h <= 3 or h in (5, 10) else about, h).f / q, h) \
            if fits(small, about, h) else (f, h)
    best, order, at = None, 1, about
    while order:
        fit = settle(small, scan(small, about, order) if order <= 3 or order in (5, 10) else at, order)
        at = fit.f
        score = fit.likelihood() + sum(2 * order * np.log(small.channels[c].n) for c in small.alive)
        if best is None or score < best[0]:
            best = score, at, order
        after = order + 1 if order < 6 else order + order // 4
        while after > order and (after > 64 or not fits(small, at, after)):
            after -= 1
        order = after if after > order else 0
    return best[1] / q, best[2]


def most(record, f, margin):
    n = record.size
    free = min((record.channels[c].n - 3) // 2 for c in record.alive)
    return max(1, min(int((0.5 - margin / n) / f), free, 2048, max(10, int(2 ** 25 / n))))


def significant(fit):
    record, top = fit.record, most(fit.record, fit.f, 0.01)
    z, voices = np.zeros(top + 1), 0
    for c in record.alive:
        channel = record.channels[c]
        if fit.rss[c] < 1e4 * channel.floor:
            continue
        voices += 1
        t = record.t[channel.valid]
        for k in range(fit.h + 1, top + 1):
            z[k] += abs(np.exp(-2j * np.pi * k * fit.f * t) @ fit.left[c]) ** 2 / (channel.n * fit.variance(c))
    total = 0.0
    for k in range(top, fit.h, -1):
        total += z[k]
        m = voices * (top - k + 1)
        if voices and total > m and total - m - m * np.log(total / m) > np.log((top - fit.h) / 1e-3):
            return k
    return 0


def extend(fit):
    while True:
        k = significant(fit)
        if not k:
            return fit
        fit = settle(fit.record, fit.f, min(k, 2 * fit.h))


def climb(fit, h):
    while fit.h < h:
        fit = settle(fit.record, fit.f, min(2 * fit.h, h))
    return fit


def base_is_free(fit, base):
    record = fit.record
    noise = sum(4 * k * k for k in range(fit.h + 1, base + 1)) * len(record.alive)
    signal = sum(record.channels[c].n * k * k * abs(fit.line(c, k)) ** 2 / max(fit.variance(c), 1e-300)
                 for c in record.alive for k in range(1, fit.h + 1))
    return noise <= 0.01 * signal


def tone_fit(x, harmonics=0):
    """x: list of equally long arrays (NaN: gap). A dict as the program tone_fit prints it."""
    record = Record(x)
    f = start(record)
    if f * record.size >= 6:
        held = settle(record, f, 1)
        h = min(harmonics, most(record, f, 0.01))
    else:
        f, h = few(record, f, harmonics)
        h = min(h, most(record, f, 0.01))
        held = settle(record, f, h)
    if harmonics:
        held = climb(held, h)
    else:
        held = extend(held)
        base = min(10, most(record, held.f, 1.0))
        if held.f * record.size >= 6 and held.h < base and base_is_free(held, base):
            held = extend(climb(held, base))
    final = held
    base = min(10, most(record, held.f, 1.0))
    if not harmonics and held.f * record.size >= 3 and held.h < base:
        final = Fit(record, held.f, base)
    return report(held, final)


def report(held, final):
    record, h = final.record, final.h
    var_f = 1 / sum(held.stiffness(c) / final.variance(c, True) for c in record.alive)
    channels = []
    for c, channel in enumerate(record.channels):
        if c not in record.alive:
            channels.append({'dc': channel.mean if channel.n else None, 'line': [[0, 0]] * h})
            continue
        slope = final.inverse[c] @ (final.columns[c].T @ final.moved[c])
        cov = final.variance(c, True) * final.inverse[c] + var_f * np.outer(slope, slope)
        peak_u, phase_u = [], []
        for k in range(1, h + 1):
            line = final.line(c, k)
            along = np.zeros(2 * h + 1)
            across = np.zeros(2 * h + 1)
            along[k], along[h + k] = line.real / abs(line), -line.imag / abs(line)
            across[k], across[h + k] = -line.imag / abs(line), -line.real / abs(line)
            peak_u.append(float(np.sqrt(along @ cov @ along)))
            phase_u.append(float(min(np.sqrt(across @ cov @ across) / abs(line), np.pi / np.sqrt(3))))
        channels.append({'dc': channel.mean + final.unknowns[c][0], 'dc_u': float(np.sqrt(cov[0, 0])),
                         'residual': final.variance(c, True), 'peak_u': peak_u, 'phase_u': phase_u,
                         'line': [[final.line(c, k).real, final.line(c, k).imag] for k in range(1, h + 1)]})
    return {'frequency': final.f, 'frequency_u': float(np.sqrt(var_f)), 'harmonics': h, 'channels': channels}
