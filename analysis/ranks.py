"""Rank methods beside the registered analysis, exact where the count allows.

Signed rank: differences of exactly 0 are left out (Wilcoxon 1945), ties share their mean rank, and p is exact
over the signs of those ranks. Rank sum: ties share their mean rank and p is exact over the draws of those ranks.
The Hodges-Lehmann estimate is the median of the pairwise means (or differences); its interval takes their order
statistics by the null distribution without ties, so its achieved confidence is reported, not the nominal.
Source: Hollander and Wolfe (1999), Nonparametric Statistical Methods, chapters 3 and 4.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from analysis.own_error import block_differences
from analysis.records import RankContrast, RankOmnibus

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.linear_model import TankData

    Floats = NDArray[np.float64]

LARGEST_SIGNED = 200
"""Most pairs whose signs are counted exactly."""
LARGEST_SUM = 60
"""Most tanks whose draws of ranks are counted exactly."""


def rank_contrast(data: TankData, test: int, reference: int, level: float) -> RankContrast | None:
    """Signed-rank test of block differences, or rank-sum test of parallel arms, on the working scale."""
    names = data.arms[test], data.arms[reference]
    if data.blocked:
        d = block_differences(data, test, reference, data.y)
        return _signed_rank(names, d, level) if len(d) else None
    a, b = data.y[data.arm == test], data.y[data.arm == reference]
    return _rank_sum(names, a, b, level) if len(a) and len(b) else None


def complete_blocks(data: TankData) -> Floats:
    """Numbers of the blocks that hold every arm, as (blocks, arms); several tanks of an arm are averaged."""
    shape = (int(data.block.max(initial=-1)) + 1, len(data.arms))
    cell = data.block * len(data.arms) + data.arm
    size = np.bincount(cell, minlength=math.prod(shape)).reshape(shape)
    total = np.bincount(cell, weights=data.y, minlength=math.prod(shape)).reshape(shape)
    held = (size > 0).all(axis=1)
    return np.asarray(total[held] / size[held])


def rank_omnibus(data: TankData) -> RankOmnibus | None:
    """Friedman's test on the complete blocks with Kendall's W, or Kruskal-Wallis on parallel arms.

    Both with the correction for ties and the chi-square approximation, which is rough for few blocks.
    None with fewer than three arms, or where all numbers tie.
    """
    if len(data.arms) < 3:
        return None
    if data.blocked:
        table = complete_blocks(data)
        blocks, arms = table.shape
        if blocks < 2:
            return None
        table = _settled(table)
        if np.ptp(table, axis=1).max() == 0:
            return None
        q, p = stats.friedmanchisquare(*table.T)
        return RankOmnibus("Friedman", float(q), arms - 1, float(p), blocks, float(q) / (blocks * (arms - 1)))
    y = _settled(data.y)
    groups = [y[data.arm == arm] for arm in range(len(data.arms))]
    if min(len(group) for group in groups) == 0 or np.ptp(data.y) == 0:
        return None
    h, p = stats.kruskal(*groups)
    return RankOmnibus("Kruskal-Wallis", float(h), len(groups) - 1, float(p), len(data.y))


def _settled(values: Floats) -> Floats:
    """Values with the rounding of earlier subtractions taken off, so that equal ones tie."""
    step = max(1e-10 * float(np.ptp(values)), 4 * float(np.spacing(np.abs(values).max())))
    return values if step == 0 else np.asarray(np.rint(values / step) * step)


def _signed_rank(names: tuple[str, str], d: Floats, level: float) -> RankContrast:
    kept = _settled(d)
    kept = kept[kept != 0]
    n = len(kept)
    ranks = stats.rankdata(np.abs(kept))
    statistic = float(ranks[kept > 0].sum())
    if n <= LARGEST_SIGNED:
        p, method = _signed_p(ranks, statistic), "exact"
    else:
        p, method = (
            float(stats.wilcoxon(kept, correction=False, method="approx").pvalue),
            "normal approximation",
        )
    i, j = np.triu_indices(len(d))
    walsh = np.sort((d[i] + d[j]) / 2)
    low, high, achieved = _order_interval(walsh, _signed_null(len(d)), level)
    return RankContrast(
        *names, "signed rank", statistic, n, p, method, float(np.median(walsh)), low, high, achieved
    )


def _signed_p(ranks: Floats, statistic: float) -> float:
    """Two-sided exact p of the sum of positive ranks: twice the smaller tail, at most 1."""
    law = np.ones(1)
    for double in np.rint(2 * ranks).astype(int):
        longer = np.zeros(len(law) + double)
        longer[: len(law)] += law / 2
        longer[double:] += law / 2
        law = longer
    at = round(2 * statistic)
    return float(min(1.0, 2 * min(law[: at + 1].sum(), law[at:].sum())))


def _signed_null(n: int) -> Floats | None:
    """Null distribution of the signed-rank statistic without ties; None where it is too long to list."""
    if n > LARGEST_SIGNED:
        return None
    law = np.ones(1)
    for rank in range(1, n + 1):
        longer = np.zeros(len(law) + rank)
        longer[: len(law)] += law / 2
        longer[rank:] += law / 2
        law = longer
    return law


def _rank_sum(names: tuple[str, str], a: Floats, b: Floats, level: float) -> RankContrast:
    """The statistic is the rank sum of the test arm; two-sided by its distance from its mean."""
    n, k = len(a) + len(b), len(a)
    ranks = stats.rankdata(_settled(np.concatenate([a, b])))
    statistic = float(ranks[:k].sum())
    if n <= LARGEST_SUM:
        p, method = _sum_p(ranks, k, statistic), "exact"
    else:
        p, method = float(stats.mannwhitneyu(a, b, method="asymptotic").pvalue), "normal approximation"
    pairs = np.sort(np.subtract.outer(a, b), axis=None)
    null = (
        _sum_law(np.arange(1, n + 1) * 2, k)[k * (k + 1) :: 2][: k * (n - k) + 1]
        if n <= LARGEST_SUM
        else None
    )
    low, high, achieved = _order_interval(pairs, null, level)
    return RankContrast(
        *names, "rank sum", statistic, n, p, method, float(np.median(pairs)), low, high, achieved
    )


def _sum_law(doubled: NDArray[np.int64], k: int) -> Floats:
    """Share of the draws of k that have each sum of doubled ranks."""
    counts = np.zeros((k + 1, int(np.sort(doubled)[-k:].sum()) + 1))
    counts[0, 0] = 1
    for value in doubled:
        for size in range(k, 0, -1):
            counts[size, value:] += counts[size - 1, : counts.shape[1] - value]
    return np.asarray(counts[k] / counts[k].sum())


def _sum_p(ranks: Floats, k: int, statistic: float) -> float:
    law = _sum_law(np.rint(2 * ranks).astype(np.int64), k)
    centre = k * (len(ranks) + 1)
    far = np.abs(np.arange(len(law)) - centre) >= abs(round(2 * statistic) - centre)
    return float(min(1.0, law[far].sum()))


def _order_interval(
    values: Floats, null: Floats | None, level: float
) -> tuple[float | None, float | None, float | None]:
    """Order statistics whose achieved confidence is the least that reaches ``level``; None where none does."""
    if null is None:
        return None, None, None
    below = np.cumsum(null)
    cut = int(np.searchsorted(below, (1 - level) / 2 * (1 + 1e-12), side="right"))
    if cut < 1:
        return None, None, None
    return float(values[cut - 1]), float(values[len(values) - cut]), float(1 - 2 * below[cut - 1])
