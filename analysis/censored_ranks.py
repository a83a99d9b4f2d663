"""Rank tests of numbers known as intervals: exact however few the tanks, nothing put in for a non-detect.

Two intervals are compared only where they do not overlap (Gehan 1965, Biometrika 52:203); where they do, the
comparison counts 0. A limit is not reached from its open side: ``<5`` lies below a measured 5. In blocks the signed-rank statistic is taken in its Walsh form (Tukey 1949): +1 or -1 for
each sum d_i + d_j, i <= j, of block differences whose sign the intervals leave in no doubt. A change of the
sign of d_i only turns what i adds, so the statistic is a sum of fixed scores with free signs, and p is exact over
all the ways in which the labels could have fallen: under the draw a tank's whole interval goes with it. Scores from
the pooled sample (paired Prentice-Wilcoxon; O'Brien and Fleming 1987, Biometrics 43:169) would be as exact, but
lose what blocking gains where blocks differ more than tanks do, as clubs' tanks do.

In parallel arms the statistic is Gehan's, and p is exact over the draws of its scores. Without censoring both are
exactly the signed-rank and the rank-sum test.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from analysis.own_error import block_differences
from analysis.ranks import LARGEST_SIGNED, LARGEST_SUM
from analysis.records import RankContrast

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.linear_model import TankData

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Flags = NDArray[np.bool_]

_CLOSE = 1e-12
"""Relative distance below which two numbers are one: rounding, not chance."""


def censored_rank_contrast(low: TankData, high: TankData, test: int, reference: int) -> RankContrast | None:
    """Signed-rank or rank-sum test of two arms from the lowest and the highest number each tank could have.

    Returns
    -------
    RankContrast or None
        ``n`` counts pairs (tanks) that any comparison tells something of. ``statistic`` is the sum of positive
        scores in blocks, the rank sum of the test arm in parallel arms. There is no estimate: the range of the
        registered one over the intervals stands elsewhere. None where nothing holds both arms.
    """
    names = low.arms[test], low.arms[reference]
    if low.blocked:
        d_low = block_differences(low, test, reference, np.where(low.arm == test, low.y, high.y))
        d_high = block_differences(low, test, reference, np.where(low.arm == test, high.y, low.y))
        if not len(d_low):
            return None
        scores = signed_scores(d_low, d_high)
        n = int((scores != 0).sum())
        p, method = sign_flip_p(scores)
        statistic = float(scores[scores > 0].sum()) / 2
        return RankContrast(*names, "censored signed rank", statistic, n, p, method, None, None, None, None)
    mine = np.isin(low.arm, (test, reference))
    chosen = low.arm[mine] == test
    if chosen.all() or not chosen.any():
        return None
    scores = gehan_scores(low.y[mine], high.y[mine])
    p, method = draw_p(scores, chosen)
    statistic = float((scores[chosen] + len(scores) + 1).sum()) / 2
    n = int((scores != 0).sum())
    return RankContrast(*names, "censored rank sum", statistic, n, p, method, None, None, None, None)


def signed_scores(low: Floats, high: Floats) -> Ints:
    """Twice the signed rank of each difference known to lie between ``low`` and ``high``.

    Differences of exactly 0 score 0 and are left out of the others' scores (Wilcoxon 1945).

    Examples
    --------
    >>> signed_scores(np.array([1.5, -0.5, -np.inf]), np.array([1.5, -0.5, 1.0]))
    array([ 5, -2, -1])
    """
    near = _near(low, high)
    kept = ~((np.abs(low) <= near) & (np.abs(high) <= near))
    a, b = low[kept], high[kept]
    sums = _sign(np.add.outer(a, a), np.add.outer(b, b), near)
    differences = _sign(np.subtract.outer(a, b), np.subtract.outer(b, a), near)
    np.fill_diagonal(differences, 0)
    # The sum of i with itself counts as 2 of the halves that each sum of two gives to either.
    scores = np.zeros(len(low), dtype=np.int64)
    scores[kept] = sums.sum(axis=1) + differences.sum(axis=1) + np.diagonal(sums)
    return scores


def gehan_scores(low: Floats, high: Floats) -> Ints:
    """Tanks surely below each tank minus tanks surely above it.

    Examples
    --------
    >>> gehan_scores(np.array([3.0, 5.0, 0.0]), np.array([3.0, 5.0, 4.0]))
    array([-1,  2, -1])
    """
    signs = _sign(np.subtract.outer(low, high), np.subtract.outer(high, low), _near(low, high))
    np.fill_diagonal(signs, 0)
    return np.asarray(signs.sum(axis=1))


def sign_flip_p(scores: Ints) -> tuple[float, str]:
    """Two-sided p of a sum of whole scores whose signs are free, with the method in words.

    Twice the smaller tail, the observed sum in it, at most 1: never 0.
    """
    if np.count_nonzero(scores) > LARGEST_SIGNED:
        z = scores.sum() / np.sqrt((scores**2).sum())
        return float(2 * stats.norm.sf(abs(z))), "normal approximation"
    law = np.ones(1)
    for score in np.abs(scores):
        longer = np.zeros(len(law) + score)
        longer[: len(law)] += law / 2
        longer[score:] += law / 2
        law = longer
    at = int(scores[scores > 0].sum())
    return float(min(1.0, 2 * min(law[: at + 1].sum(), law[at:].sum()))), "exact"


def draw_p(scores: Ints, chosen: Flags) -> tuple[float, str]:
    """Two-sided p of the sum of the chosen scores over all draws of as many, with the method in words.

    By the distance of the sum from its mean, ties counted: never 0.
    """
    n, k = len(scores), int(chosen.sum())
    if n > LARGEST_SUM:
        centred = scores - scores.mean()
        sd = np.sqrt(k * (n - k) / (n * (n - 1)) * (centred @ centred)) or 1.0
        return float(2 * stats.norm.sf(abs(centred[chosen].sum()) / sd)), "normal approximation"
    shifted = scores - scores.min()
    counts = np.zeros((k + 1, int(np.sort(shifted)[n - k :].sum()) + 1))
    counts[0, 0] = 1
    for value in shifted:
        for size in range(k, 0, -1):
            counts[size, value:] += counts[size - 1, : counts.shape[1] - value]
    # Distances from the mean in whole numbers: n times the sum minus k times the total.
    distance = np.abs(n * np.arange(counts.shape[1]) - k * int(shifted.sum()))
    far = distance >= abs(n * int(shifted[chosen].sum()) - k * int(shifted.sum()))
    return float(min(1.0, counts[k, far].sum() / counts[k].sum())), "exact"


def _near(low: Floats, high: Floats) -> float:
    ends = np.concatenate([low, high])
    return _CLOSE * float(np.abs(ends[np.isfinite(ends)]).max(initial=0.0))


def _sign(low: Floats, high: Floats, near: float) -> Ints:
    """1 where an interval lies above 0, -1 where below, else 0; it may end at 0 but not be 0."""
    above, below = (low >= -near) & (high > near), (high <= near) & (low < -near)
    return above.astype(np.int64) - below.astype(np.int64)
