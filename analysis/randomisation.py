"""Randomisation test of a contrast: what the estimate would have been under every draw that could have been.

Only what the contrast compares is redrawn: the two arms' tanks change labels inside their blocks (or, in
parallel arms, among themselves). The statistic is the estimate of the registered ``own`` comparison, two-sided
by its distance from 0, and every tie with the observed value counts. Under a shift ``tau`` the test tanks'
numbers lose ``tau`` first; the interval holds every shift that the test does not reject (Fisher 1935, The
Design of Experiments, section 21; Edgington and Onghena 2007, Randomization Tests).

Without a covariate the estimate is a sum of independent shares, one a block, so all draws are counted by
meeting in the middle: each half is listed and sorted, and 40 pairs need two lists of a million instead of one
of a million million. Numbers with a finite resolution are counted in whole multiples of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from analysis.records import Randomisation

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from analysis.linear_model import TankData

    Floats = NDArray[np.float64]

LARGEST_HALF = 2**21
"""Longest list of half-sums that is counted exactly (about 50 MB a list)."""
LARGEST_REFIT = 2**16
"""Most draws that are refitted one and all when a baseline covariate is in the model."""
DRAWS = 19_999
"""Monte Carlo draws beyond that: with the observed one, p has steps of 1/20,000."""
_CLOSE = 1e-12
"""Relative distance below which two estimates are one: rounding, not chance."""
_WHOLE = 1e-9
"""Relative distance from a whole number below which a scaled reading is that number."""


@dataclass(frozen=True)
class Stratum:
    """The tanks of one block (or of parallel arms) that a contrast compares."""

    y: Floats
    x: Floats | None
    treated: NDArray[np.bool_]

    @property
    def count(self) -> int:
        """Number of ways in which the labels could have fallen."""
        return math.comb(len(self.y), int(self.treated.sum()))


def strata(data: TankData, test: int, reference: int) -> list[Stratum]:
    """The blocks that hold both arms, each with the tanks of those two arms."""
    result = []
    mine = np.isin(data.arm, (test, reference))
    order = np.flatnonzero(mine)[np.argsort(data.block[mine], kind="stable")]
    edges = np.flatnonzero(np.r_[True, np.diff(data.block[order]) != 0, True]) if len(order) else []
    for a, b in zip(edges[:-1], edges[1:], strict=True):
        rows = order[a:b]
        treated = data.arm[rows] == test
        if treated.any() and not treated.all():
            result.append(Stratum(data.y[rows], None if data.x is None else data.x[rows], treated))
    return result


def randomisation_test(
    data: TankData, test: int, reference: int, *, level: float, seed: int, start: float | None
) -> Randomisation | None:
    """Two-sided randomisation p of a contrast, with the interval by inversion on the working scale.

    Parameters
    ----------
    seed : int
        Seed of the Monte Carlo draws; not used where the count is exact.
    start : float or None
        Half-width of another interval of the same contrast, where the search for the limits begins.

    Returns
    -------
    Randomisation or None
        None where no block holds both arms. A limit is None where no shift at all is rejected on that side:
        the trial is too small for an interval at this level.
    """
    parts = strata(data, test, reference)
    if not parts:
        return None
    exact = _exact_count(parts) if data.x is None else None
    law = exact or _drawn(parts, seed)
    p = law.tail(0.0)
    se = 0.0 if law.exact else math.sqrt(p * (1 - p) / law.draws)
    low = high = None
    if law.smallest_p <= 1 - level:
        scale = start or max(abs(law.observed(0.0)), _spread(parts)) or 1.0
        low = _limit(law, 1 - level, -scale)
        high = _limit(law, 1 - level, scale)
    method = "exact" if law.exact else "monte-carlo"
    return Randomisation(p, method, law.draws, low, high, law.smallest_p, se)


@dataclass(frozen=True)
class _Law:
    """Distribution of the estimate over the draws.

    ``tail(tau)`` is p under the shift; ``observed(tau)`` the observed estimate under it; ``smooth`` says that
    its steps are too fine to see and each evaluation dear.
    """

    tail: Callable[[float], float]
    observed: Callable[[float], float]
    draws: int
    smallest_p: float
    exact: bool
    smooth: bool


def _exact_count(parts: list[Stratum]) -> _Law | None:
    """The law over all draws without a covariate; None where even the halves are too long to list."""
    scaled, step = _whole(parts)
    tables = _split_stratum(scaled[0]) if len(scaled) == 1 else _split_blocks(scaled)
    if tables is None:
        return None
    total = math.prod(part.count for part in scaled)
    observed = sum(_share(part)[0] for part in scaled)
    weight = float(len(scaled))
    shares = sum(float(np.abs(part.y).max()) for part in scaled)

    def tail(tau: float) -> float:
        shift = tau / step
        at = abs(observed - shift * weight)
        # On whole numbers and no shift the sums are exact up to the division by group sizes.
        near = at - _CLOSE * (shares + abs(shift) * weight)
        if near <= 0:
            return 1.0
        count = 0
        for (y_left, v_left), (y_right, v_right) in tables:
            left = np.sort(y_left - shift * v_left)
            right = np.sort(y_right - shift * v_right)
            count += int((len(right) - np.searchsorted(right, near - left, side="left")).sum())
            count += int(np.searchsorted(right, -near - left, side="right").sum())
        return count / total

    far = sum(
        int(np.sum(np.abs(v_left[:, None] + extreme) >= weight * (1 - _CLOSE)) * times)
        for (_, v_left), (_, v_right) in tables
        for extreme, times in zip(*np.unique(v_right, return_counts=True), strict=True)
    )
    longest = max(max(len(left[0]), len(right[0])) for left, right in tables)
    return _Law(
        tail,
        lambda tau: observed * step / weight - tau,
        total,
        far / total,
        exact=True,
        smooth=longest > 2**14,
    )


def _whole(parts: list[Stratum]) -> tuple[list[Stratum], float]:
    """Numbers in whole multiples of their resolution, and that resolution; as they are where there is none."""
    values = np.concatenate([part.y for part in parts])
    for power in range(10):
        scaled = values * 10.0**power
        if np.abs(scaled).max() > 2**50:
            break
        if np.abs(scaled - np.rint(scaled)).max() <= _WHOLE:
            return [
                Stratum(np.rint(part.y * 10.0**power), None, part.treated) for part in parts
            ], 10.0**-power
    return parts, 1.0


def _share(part: Stratum) -> tuple[float, float]:
    """A block's observed difference of means, and the same of the treatment indicator (1)."""
    return float(part.y[part.treated].mean() - part.y[~part.treated].mean()), 1.0


def _subset_sums(y: Floats, treated: Floats) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Size, sum of y and number of truly treated tanks of every subset."""
    size = np.zeros(1, dtype=np.int64)
    total = np.zeros(1)
    truly = np.zeros(1)
    for value, label in zip(y, treated, strict=True):
        size = np.concatenate([size, size + 1])
        total = np.concatenate([total, total + value])
        truly = np.concatenate([truly, truly + label])
    return size, total, truly


_Half = tuple["Floats", "Floats"]


def _split_stratum(part: Stratum) -> list[tuple[_Half, _Half]] | None:
    """All draws of a single stratum as pairs of lists, one pair for each number of treated tanks on the left."""
    n, k = len(part.y), int(part.treated.sum())
    if 2 ** ((n + 1) // 2) > LARGEST_HALF:
        return None
    label = part.treated.astype(float)
    middle = n // 2
    left = _subset_sums(part.y[:middle], label[:middle])
    right = _subset_sums(part.y[middle:], label[middle:])
    spread = 1 / k + 1 / (n - k)
    y_rest, v_rest = part.y.sum() / (n - k), label.sum() / (n - k)
    tables = []
    for size in range(max(0, k - (n - middle)), min(middle, k) + 1):
        a, b = left[0] == size, right[0] == k - size
        tables.append(
            (
                (left[1][a] * spread - y_rest, left[2][a] * spread - v_rest),
                (right[1][b] * spread, right[2][b] * spread),
            )
        )
    return tables


def _split_blocks(parts: list[Stratum]) -> list[tuple[_Half, _Half]] | None:
    """All draws of several blocks as one pair of lists of half-sums."""
    order = sorted(parts, key=lambda part: part.count, reverse=True)
    if any(len(part.y) > 22 for part in order):
        return None
    halves: list[list[Stratum]] = [[], []]
    sizes = [1, 1]
    for part in order:
        shorter = int(sizes[1] < sizes[0])
        halves[shorter].append(part)
        sizes[shorter] *= part.count
    if max(sizes) > LARGEST_HALF:
        return None
    left, right = (_sums(half) for half in halves)
    return [(left, right)]


def _block_outcomes(part: Stratum) -> _Half:
    """A block's difference of means, and of the treatment indicator, under each way the labels could fall."""
    n, k = len(part.y), int(part.treated.sum())
    label = part.treated.astype(float)
    size, total, truly = _subset_sums(part.y, label)
    chosen = size == k
    spread = 1 / k + 1 / (n - k)
    return (
        total[chosen] * spread - part.y.sum() / (n - k),
        truly[chosen] * spread - label.sum() / (n - k),
    )


def _sums(parts: list[Stratum]) -> _Half:
    y, v = np.zeros(1), np.zeros(1)
    for part in parts:
        more_y, more_v = _block_outcomes(part)
        y = (y[:, None] + more_y).ravel()
        v = (v[:, None] + more_v).ravel()
    return y, v


def _drawn(parts: list[Stratum], seed: int) -> _Law:
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
        near = at - _CLOSE * max(float(values.max()), at)
        return (int((values >= near).sum()) + added) / (draws + added)

    # Under a shift without end only draws that agree with the real one in every label keep up.
    far = 1e6 * max(_spread(parts), 1e-300)
    smallest = tail(far) if exact else max(1 / (draws + 1), _pair_share(parts) / total)
    return _Law(tail, lambda tau: float(observed(tau)[0]), draws, smallest, exact=exact, smooth=False)


def _pair_share(parts: list[Stratum]) -> int:
    """2 where the mirror of the real draw is a draw as well (equal groups in every block), else 1."""
    return 2 if all(2 * int(part.treated.sum()) == len(part.y) for part in parts) else 1


_Shares = tuple["Floats", "Floats", "Floats"]
"""Differences of means of y, of x and of the treatment indicator; one element a draw."""


def _observed_share(part: Stratum) -> tuple[float, float, float]:
    y, one = _share(part)
    x = 0.0 if part.x is None else float(part.x[part.treated].mean() - part.x[~part.treated].mean())
    return y, x, one


def _outcomes_with_x(part: Stratum) -> _Shares:
    y, v = _block_outcomes(part)
    if part.x is None:
        return y, np.zeros(len(y)), v
    return y, _block_outcomes(Stratum(part.x, None, part.treated))[0], v


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


def _spread(parts: list[Stratum]) -> float:
    values = np.concatenate([part.y for part in parts])
    return float(np.ptp(values))


def _limit(law: _Law, alpha: float, step: float) -> float | None:
    """The furthest shift on one side of the estimate that the test does not reject."""
    inner = law.observed(0.0)
    outer = inner + step
    for _ in range(60):
        if law.tail(outer) <= alpha:
            break
        inner, step = outer, step * 2
        outer = outer + step
    else:
        return None
    if law.smooth:
        return _crossing(law, alpha, inner, outer)
    while True:
        middle = (inner + outer) / 2
        if middle in (inner, outer) or abs(outer - inner) <= 1e-13 * max(abs(inner), abs(outer)):
            return inner
        if law.tail(middle) > alpha:
            inner = middle
        else:
            outer = middle


def _crossing(law: _Law, alpha: float, inner: float, outer: float) -> float:
    """Where p crosses alpha, to a millionth of the first bracket, for laws of so many draws that p is smooth.

    The normal deviate of p is nearly straight in the shift, so regula falsi (by the Illinois rule, which
    halves the end that stays) settles after a few of the dear evaluations.
    """
    target = float(ndtri(alpha / 2))
    above = float(ndtri(law.tail(inner) / 2)) - target
    below = float(ndtri(law.tail(outer) / 2)) - target
    close = 1e-6 * abs(outer - inner)
    side, before = 0, math.inf
    while True:
        middle = inner + (outer - inner) * above / (above - below)
        if abs(middle - before) <= close or abs(outer - inner) <= close:
            return middle
        before = middle
        value = float(ndtri(law.tail(middle) / 2)) - target
        if value > 0:
            below = below / 2 if side == 1 else below
            inner, above, side = middle, value, 1
        else:
            above = above / 2 if side == -1 else above
            outer, below, side = middle, value, -1
