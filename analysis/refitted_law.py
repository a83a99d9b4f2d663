"""The law of an estimate that is refitted for every draw: all draws where they can be listed, else a sample."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from analysis.redraws import CLOSE, Law, Stratum, block_outcomes, share, spread

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    _Shares = tuple[Floats, ...]
    """Differences of means of y, of x and of the treatment indicator; one element a draw."""

LARGEST_REFIT = 2**16
"""Most draws that are refitted one and all."""
DRAWS = 19_999
"""Monte Carlo draws beyond that: with the observed one, p has steps of 1/20,000."""


def refitted_law(parts: list[Stratum], seed: int) -> Law:
    """The law by listing every draw, or Monte Carlo draws where there are too many, and refitting each."""
    total = math.prod(part.count for part in parts)
    exact = total <= LARGEST_REFIT and all(len(part.y) <= 22 for part in parts)
    estimate = _listed(parts) if exact else _sampled(parts, np.random.default_rng(seed))
    draws = total if exact else DRAWS
    observed = _refit([tuple(np.array([v]) for v in _observed_share(part)) for part in parts], parts)
    added = 0 if exact else 1  # the observed draw is one of those that could have been

    def tail(tau: float) -> float:
        values = np.abs(estimate(tau))
        at = abs(float(observed(tau)[0]))
        near = at - CLOSE * max(float(values.max()), at)
        return (int((values >= near).sum()) + added) / (draws + added)

    # Under a shift without end only draws that agree with the real one in every label keep up.
    far = 1e6 * max(spread(parts), 1e-300)
    smallest = tail(far) if exact else max(1 / (draws + 1), _pair_share(parts) / total)
    return Law(tail, lambda tau: float(observed(tau)[0]), draws, smallest, exact=exact, smooth=False)


def _pair_share(parts: list[Stratum]) -> int:
    """2 where the mirror of the real draw is a draw as well (equal groups in every block), else 1."""
    return 2 if all(2 * int(part.treated.sum()) == len(part.y) for part in parts) else 1


def _observed_share(part: Stratum) -> tuple[float, float, float]:
    x = 0.0 if part.x is None else share(Stratum(part.x, None, part.treated))
    return share(part), x, 1.0


def _outcomes_with_x(part: Stratum) -> _Shares:
    y, v = block_outcomes(part)
    if part.x is None:
        return y, np.zeros(len(y)), v
    return y, block_outcomes(Stratum(part.x, None, part.treated))[0], v


def _listed(parts: list[Stratum]) -> Callable[[float], Floats]:
    outcomes = [_outcomes_with_x(part) for part in parts]
    grids = np.meshgrid(*[np.arange(len(o[0])) for o in outcomes], indexing="ij", sparse=False)
    picks = [grid.ravel() for grid in grids]
    shares = [tuple(v[pick] for v in o) for o, pick in zip(outcomes, picks, strict=True)]
    return _refit(shares, parts)


def _sampled(parts: list[Stratum], rng: np.random.Generator) -> Callable[[float], Floats]:
    shares = []
    for part in parts:
        if len(part.y) <= 12:
            outcomes = _outcomes_with_x(part)
            pick = rng.integers(len(outcomes[0]), size=DRAWS)
            shares.append(tuple(v[pick] for v in outcomes))
        else:
            shares.append(_shuffled(part, rng))
    return _refit(shares, parts)


def _shuffled(part: Stratum, rng: np.random.Generator) -> _Shares:
    """Differences of means under shuffled labels, a batch of draws at a time to bound the memory."""
    n, k = len(part.y), int(part.treated.sum())
    columns = np.column_stack([part.y, np.zeros(n) if part.x is None else part.x, part.treated.astype(float)])
    sums = np.empty((DRAWS, 3))
    batch = max(1, 4_000_000 // n)
    for first in range(0, DRAWS, batch):
        count = min(batch, DRAWS - first)
        keys = rng.random((count, n))
        chosen = np.argpartition(keys, k - 1, axis=1)[:, :k]
        sums[first : first + count] = columns[chosen].sum(axis=1)
    means = sums / k - (columns.sum(axis=0) - sums) / (n - k)
    return means[:, 0], means[:, 1], means[:, 2]


def _refit(shares: list[_Shares], parts: list[Stratum]) -> Callable[[float], Floats]:
    """The estimate of every draw as a function of the shift.

    Several blocks: intercept of the block differences on the baseline differences. One stratum: difference of
    means less the within-arm slope times the difference of baseline means. Both in closed form.
    """
    if len(parts) > 1:
        return _refit_blocks(shares)
    part = parts[0]
    dy, dx, dv = shares[0]
    if part.x is None:
        return lambda tau: dy - tau * dv
    n, k = len(part.y), int(part.treated.sum())
    between = k * (n - k) / n
    x = part.x - part.x.mean()
    label = part.treated.astype(float)
    sxx, sxy, sxv = float(x @ x), float(x @ part.y), float(x @ label)
    within = sxx - between * dx**2

    def estimate(tau: float) -> Floats:
        d = dy - tau * dv
        covariance = sxy - tau * sxv - between * d * dx
        slope = np.divide(covariance, within, out=np.zeros_like(d), where=within > 1e-12 * max(sxx, 1e-300))
        return d - slope * dx

    return estimate


def _refit_blocks(shares: list[_Shares]) -> Callable[[float], Floats]:
    y, x, v = (np.stack([share[i] for share in shares]) for i in range(3))
    centre_x = x - x.mean(axis=0)
    sxx = (centre_x**2).sum(axis=0)
    sxy, sxv = (centre_x * y).sum(axis=0), (centre_x * v).sum(axis=0)
    mean_y, mean_x, mean_v = y.mean(axis=0), x.mean(axis=0), v.mean(axis=0)
    usable = sxx > 1e-12 * np.maximum((x**2).sum(axis=0), 1e-300)

    def estimate(tau: float) -> Floats:
        slope = np.divide(sxy - tau * sxv, sxx, out=np.zeros_like(sxx), where=usable)
        return np.asarray(mean_y - tau * mean_v - slope * mean_x)

    return estimate
