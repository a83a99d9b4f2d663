"""Rank methods against published values and enumeration."""

import itertools

import numpy as np
import pytest
from scipy import stats

from analysis.linear_model import TankData
from analysis.ranks import rank_contrast, rank_omnibus

RNG = np.random.default_rng(3)


def paired(d):
    n = len(d)
    return TankData(
        np.concatenate([np.zeros(n), d]),
        np.repeat([0, 1], n),
        np.tile(np.arange(n), 2),
        ("c", "t"),
        None,
        blocked=True,
    )


def groups(a, b):
    return TankData(
        np.concatenate([a, b]), np.repeat([0, 1], [len(a), len(b)]), np.zeros(len(a) + len(b), int), ("c", "t"), None,
        blocked=False,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("n", "largest", "level"),
    # Largest T with two-sided p at or below the level (Wilcoxon 1945 and standard tables, from memory).
    [
        (6, 0, 0.05),
        (7, 2, 0.05),
        (8, 3, 0.05),
        (9, 5, 0.05),
        (10, 8, 0.05),
        (15, 25, 0.05),
        (20, 52, 0.05),
        (12, 7, 0.01),
    ],
)
def test_signed_rank_critical_values(n, largest, level):
    def p_of(total):
        """p of n differences of ranks 1 to n whose negative ranks sum to ``total``."""
        d = np.arange(1.0, n + 1)
        rest = total
        for rank in range(n, 0, -1):
            if rank <= rest:
                d[rank - 1] *= -1
                rest -= rank
        return rank_contrast(paired(d), 1, 0, 0.95).p

    assert p_of(largest) <= level < p_of(largest + 1)


def test_signed_rank_with_ties_and_zeros_by_enumeration():
    d = np.array([0.3, -0.3, 0.1 + 0.2, 0.0, 1.1, 1.1, -0.4, 2.0])
    kept = np.round(d[d != 0], 9)
    ranks = stats.rankdata(np.abs(kept))
    observed = ranks[kept > 0].sum()
    sums = np.array([ranks @ signs for signs in itertools.product((0, 1), repeat=len(ranks))])
    expected = 2 * min((sums >= observed - 1e-9).mean(), (sums <= observed + 1e-9).mean())
    result = rank_contrast(paired(d), 1, 0, 0.95)
    assert (result.n, result.statistic, result.p) == (7, observed, pytest.approx(min(1.0, expected)))


def test_rank_sum_with_ties_by_enumeration():
    a, b = RNG.integers(0, 6, 6).astype(float), RNG.integers(2, 9, 5).astype(float)
    ranks = stats.rankdata(np.concatenate([a, b]))
    observed = ranks[6:].sum()
    centre = 5 * 12 / 2
    sums = np.array([ranks[list(chosen)].sum() for chosen in itertools.combinations(range(11), 5)])
    result = rank_contrast(groups(a, b), 1, 0, 0.95)
    assert result.statistic == observed
    assert result.p == pytest.approx((np.abs(sums - centre) >= abs(observed - centre) - 1e-9).mean())


def test_rank_sum_without_ties_is_scipys():
    a, b = RNG.normal(size=9), RNG.normal(1, 1, size=7)
    result = rank_contrast(groups(a, b), 1, 0, 0.95)
    assert result.p == pytest.approx(stats.mannwhitneyu(b, a, method="exact").pvalue, rel=1e-12)
    assert result.estimate == np.median(np.subtract.outer(b, a))
    assert result.level >= 0.95


@pytest.mark.parametrize("n", [80, 300])
def test_many_tanks_take_the_normal_approximation(n):
    a, b = RNG.normal(size=n), RNG.normal(0.2, 1, size=n)
    result = rank_contrast(groups(a, b), 1, 0, 0.95)
    assert result.method == "normal approximation"
    assert result.p == pytest.approx(stats.mannwhitneyu(b, a).pvalue)


def test_kruskal_wallis_stands_in_parallel_arms():
    data = TankData(
        RNG.normal(size=15), np.repeat([0, 1, 2], 5), np.zeros(15, int), ("a", "b", "c"), None, blocked=False
    )
    omnibus = rank_omnibus(data)
    assert omnibus.statistic == pytest.approx(stats.kruskal(*data.y.reshape(3, 5)).statistic)
    assert (omnibus.name, omnibus.df, omnibus.w) == ("Kruskal-Wallis", 2, None)
