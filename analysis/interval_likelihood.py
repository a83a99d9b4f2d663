"""Normal likelihood of numbers known as intervals: its maximum, and whether there is one.

Each number lies between ``low`` and ``high`` (equal: known exactly; minus or plus infinity: no limit on that
side) and is normal about a linear model with one standard deviation; lognormal numbers come as logarithms.
In beta/sigma and 1/sigma the log-likelihood is concave (Burridge 1981, JRSS B 43:41; Olsen 1978, Econometrica
46:1211), so Newton's method finds the one maximum, and whether there is one is a matter of linear programming.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special
from scipy.optimize import linprog

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

_FLAT = 1e-8
"""Information, in that of one tank known exactly, below which a direction tells nothing."""
_RESCALINGS = 5
_EXACT = 1e-6
"""An interval this narrow against the spread counts as exact: the likelihood differs by 1e-13 of itself."""


@dataclass(frozen=True)
class NormalSample:
    """One sample's mean and standard deviation by maximum likelihood (the sd divides by n)."""

    mean: float
    sd: float
    log_likelihood: float
    n: int
    n_censored: int


def normal_sample(low: Floats, high: Floats) -> NormalSample | None:
    """Mean and sd of one sample; None where what is known of it does not determine both.

    Examples
    --------
    >>> sample = normal_sample(np.array([1.0, 2.0, 3.0]), np.array([1.0, 2.0, 3.0]))
    >>> sample.mean, round(sample.sd, 6)
    (2.0, 0.816497)
    """
    columns = np.ones((len(low), 1))
    if len(low) == 0 or silent_tanks(low, high, columns).any() or why_no_spread(low, high, columns):
        return None
    peak = maximum(low, high, columns)
    if peak.loose.any():
        return None
    return NormalSample(
        float(peak.coefficients[0]), peak.sd, peak.log_likelihood, len(low), int((low < high).sum())
    )


@dataclass(frozen=True)
class Maximum:
    """Where the likelihood of a model is largest; the sd divides by n."""

    coefficients: Floats
    sd: float
    log_likelihood: float
    covariance: Floats
    """Of the coefficients, by the observed information."""
    loose: Flags
    """Tanks that can be moved with the likelihood standing still: their intervals reach far past all spread."""


def maximum(low: Floats, high: Floats, columns: Floats) -> Maximum:
    """The maximum over coefficients and sd; the columns have full rank and span the constant."""
    middle = _middles(low, high)
    width = np.where(np.isfinite(high - low), high - low, 0.0)
    shift, scale = float(middle.mean()), _first_scale(low, high, columns)
    start = np.linalg.lstsq(columns, (middle - shift) / scale, rcond=None)[0]
    for _ in range(_RESCALINGS):
        numbers = Numbers((low - shift) / scale, (high - shift) / scale, columns)
        at, value = _climb(numbers, np.append(start, 1.0))
        h = float(at[-1])
        sd = scale / h
        # Far from the spread found, or from the numbers that are known best on it, flat and steep cannot be told
        # apart: the same again in those units.
        weights = 1 / (sd**2 + width**2 / 12)
        centre = float(weights @ middle / weights.sum())
        if 0.2 < h < 5 and abs(centre - shift) < 5 * sd:
            break
        start = at[:-1] + np.linalg.lstsq(columns, np.full(len(low), (shift - centre) / sd), rcond=None)[0]
        shift, scale = centre, sd
    values, vectors = np.linalg.eigh(-numbers.derivatives(at)[1])
    told = values > _FLAT
    p = columns.shape[1]
    gamma = at[:p]
    jacobian = np.column_stack([np.eye(p) / h, -gamma / h**2]) @ vectors[:, told]
    constant = np.linalg.lstsq(columns, np.full(len(low), shift), rcond=None)[0]
    return Maximum(
        coefficients=gamma / h * scale + constant,
        sd=scale / h,
        log_likelihood=value - float(numbers.exact.sum()) * float(np.log(scale)),
        covariance=(jacobian / values[told]) @ jacobian.T * scale**2,
        loose=np.asarray(np.abs(columns @ vectors[:p, ~told]).max(axis=1, initial=0.0) > 1e-6),
    )


def _climb(numbers: Numbers, at: Floats) -> tuple[Floats, float]:
    """Newton's method with halved steps; at the end, where and how high."""
    value = numbers.log_likelihood(at)
    for _ in range(200):
        gradient, hessian = numbers.derivatives(at)
        values, vectors = np.linalg.eigh(-hessian)
        told = values > 1e-13 * values.max()
        step = vectors[:, told] @ (vectors[:, told].T @ gradient / values[told])
        decrement = float(gradient @ step)
        size = 1.0 if step[-1] >= 0 else min(1.0, 0.9 * at[-1] / -step[-1])
        new = numbers.log_likelihood(at + size * step)
        while not new >= value + 1e-4 * size * decrement - 1e-13 * abs(value) and size > 1e-10:
            size /= 2
            new = numbers.log_likelihood(at + size * step)
        at, value = at + size * step, new
        # Newton's steps square the error: after one from here nothing but rounding is left.
        if decrement <= 1e-10:
            break
    return at, value


def _first_scale(low: Floats, high: Floats, columns: Floats) -> float:
    """Spread of the middles about their fit, or of all limits where they have none."""
    middle = _middles(low, high)
    centred = middle - middle.mean()
    residual = centred - columns @ np.linalg.lstsq(columns, centred, rcond=None)[0]
    scale = float(np.sqrt(residual @ residual / len(low)))
    if scale > 1e-12 * max(float(np.abs(middle).max()), 1e-300):
        return scale
    finite = np.concatenate([low[np.isfinite(low)], high[np.isfinite(high)]])
    return float(np.ptp(finite)) or 1.0


def _middles(low: Floats, high: Floats) -> Floats:
    """Middle of each interval, its one limit, or the mean of the others where it has none."""
    middle = np.where(np.isfinite(low), low, high)
    both = np.isfinite(low) & np.isfinite(high)
    middle[both] = (low[both] + high[both]) / 2
    known = np.isfinite(middle)
    middle[~known] = middle[known].mean() if known.any() else 0.0
    return middle


class Numbers:
    """Standardised intervals and their model, at any (coefficients / sd, 1 / sd)."""

    def __init__(self, low: Floats, high: Floats, columns: Floats) -> None:
        self.exact = high - low <= _EXACT
        self._y = (low[self.exact] + high[self.exact]) / 2
        self._low, self._high = low[~self.exact], high[~self.exact]
        self._columns = columns

    def log_likelihood(self, at: Floats) -> float:
        """Of the standardised numbers; densities where known exactly, probabilities elsewhere."""
        h, eta = float(at[-1]), self._columns @ at[:-1]
        r = h * self._y - eta[self.exact]
        value = len(r) * (np.log(h) - np.log(2 * np.pi) / 2) - r @ r / 2
        return float(value + _log_share(*self._ends(h, eta)).sum())

    def derivatives(self, at: Floats) -> tuple[Floats, Floats]:
        """Gradient and Hessian."""
        h, eta = float(at[-1]), self._columns @ at[:-1]
        exact, rest = self.exact, ~self.exact
        by_eta, by_h, eta_eta, eta_h, h_h = (np.zeros(len(exact)) for _ in range(5))
        y = self._y
        r = h * y - eta[exact]
        by_eta[exact], by_h[exact] = r, 1 / h - r * y
        eta_eta[exact], eta_h[exact], h_h[exact] = -1.0, y, -1 / h**2 - y**2
        a, b = self._ends(h, eta)
        log_share = _log_share(a, b)
        # Differences of limits times density are formed before they are divided: single terms would swamp them.
        ends = []
        for z, limit in ((a, self._low), (b, self._high)):
            bounded = np.isfinite(z)
            density = np.zeros(len(z))
            density[bounded] = np.exp(-(z[bounded] ** 2) / 2 - np.log(2 * np.pi) / 2 - log_share[bounded])
            ends.append((density, np.where(bounded, z, 0.0), np.where(bounded, limit, 0.0)))
        (da, za, la), (db, zb, lb) = ends
        first = db - da
        limit = lb * db - la * da
        by_eta[rest], by_h[rest] = -first, limit
        eta_eta[rest] = -(zb * db - za * da) - first**2
        eta_h[rest] = zb * lb * db - za * la * da + first * limit
        h_h[rest] = -(zb * lb**2 * db - za * la**2 * da) - limit**2
        columns, p = self._columns, self._columns.shape[1]
        hessian = np.empty((p + 1, p + 1))
        hessian[:p, :p] = columns.T @ (eta_eta[:, None] * columns)
        hessian[:p, p] = hessian[p, :p] = columns.T @ eta_h
        hessian[p, p] = h_h.sum()
        return np.append(columns.T @ by_eta, by_h.sum()), hessian

    def _ends(self, h: float, eta: Floats) -> tuple[Floats, Floats]:
        return h * self._low - eta[~self.exact], h * self._high - eta[~self.exact]


def _log_share(a: Floats, b: Floats) -> Floats:
    """log(Phi(b) - Phi(a)), sound in both tails."""
    swap = a > 0
    a, b = np.where(swap, -b, a), np.where(swap, -a, b)
    upper = special.log_ndtr(b)
    drop = special.log_ndtr(a) - upper
    near = np.log(-np.expm1(np.clip(drop, -0.7, -1e-300)))
    return np.asarray(upper + np.where(drop > -0.7, near, np.log1p(-np.exp(np.minimum(drop, -0.7)))))


def silent_tanks(low: Floats, high: Floats, columns: Floats) -> Flags:
    """Tanks that some direction carries ever deeper into their open side while it moves no other tank.

    The likelihood rises along such a direction for ever and these tanks' share of it goes to 1 (quasi-complete
    separation; Albert and Anderson 1984, Biometrika 71:1). The largest such set is found by linear programming.
    """
    below, above = np.isneginf(low), np.isposinf(high)
    silent = below & above
    open_side = np.flatnonzero(below ^ above)
    if not len(open_side):
        return silent
    held = columns[~(below | above)]
    free = _null_space(held, columns.shape[1])
    if not free.shape[1]:
        return silent
    moves = np.where(below[open_side], -1.0, 1.0)[:, None] * (columns[open_side] @ free)
    m, k = moves.shape
    found = linprog(
        np.r_[np.zeros(k), -np.ones(m)],
        A_ub=np.hstack([-moves, np.eye(m)]),
        b_ub=np.zeros(m),
        bounds=[(None, None)] * k + [(0, 1)] * m,
    )
    silent[open_side[np.asarray(found.x)[k:] > 0.5]] = True
    return silent


def why_no_spread(low: Floats, high: Floats, columns: Floats) -> str:
    """In words, why the data do not determine an sd; empty where they do."""
    if not (np.isfinite(low) & np.isfinite(high)).any():
        return "no tank's number is known from below and from above, so their spread is unknown"
    if _passes_through(low, high, columns):
        return "all numbers agree within what is known of them, so their spread is unknown"
    return ""


def _passes_through(low: Floats, high: Floats, columns: Floats) -> bool:
    """Whether the model passes through every interval: the likelihood then prefers an sd of 0."""
    middle = _middles(low, high)
    scale = float(np.ptp(middle)) or 1.0
    low, high = (low - middle.mean()) / scale, (high - middle.mean()) / scale
    exact = high - low <= _EXACT
    y, x = (low[exact] + high[exact]) / 2, columns[exact]
    fitted, *_ = np.linalg.lstsq(x, y, rcond=None) if len(y) else (np.zeros(columns.shape[1]),)
    if len(y) and np.abs(y - x @ fitted).max() > 1e-9:
        return False
    free = _null_space(x, columns.shape[1])
    base = columns[~exact] @ fitted
    moves = columns[~exact] @ free
    upper, lower = np.isfinite(high[~exact]), np.isfinite(low[~exact])
    if not free.shape[1]:
        inside = [(high[~exact] - base)[upper], (base - low[~exact])[lower]]
        return bool((np.concatenate(inside) >= -1e-9).all())
    found = linprog(
        np.zeros(free.shape[1]),
        A_ub=np.vstack([moves[upper], -moves[lower]]),
        b_ub=np.r_[(high[~exact] - base)[upper], (base - low[~exact])[lower]],
        bounds=[(None, None)] * free.shape[1],
    )
    return bool(found.status == 0)


def _null_space(rows: Floats, width: int) -> Floats:
    if not len(rows):
        return np.eye(width)
    _, s, vt = np.linalg.svd(rows)
    rank = int((s > 1e-9 * max(1.0, s.max(initial=0.0))).sum())
    return np.asarray(vt[rank:].T)


def orthonormal(columns: Floats) -> Floats:
    """Orthonormal basis of what the columns span."""
    u, s, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(u[:, s > 1e-9 * s.max(initial=0.0)])
