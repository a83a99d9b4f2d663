"""Exact tests of counts: what R prints for its own help pages, plain binomial tests, and every table counted."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats

from analysis.rates import Exposed, dispersion, rate, rate_ratio
from schemas.errors import AnalysisError


def exposed(events, exposure):
    return Exposed(np.atleast_1d(events), np.atleast_1d(np.asarray(exposure, dtype=float)))


GARWOOD = {
    # R 4 example(poisson.test): 137 deaths of nickel workers against 24.19893 expected; from memory.
    "nickel workers": (137, 24.19893, 5.661408, 4.753125, 6.692709, 1e-6),
    # Garwood (1936) Biometrika 28:437, 95% limits of a count, as every table prints them; from memory.
    "none": (0, 1, 0, 0, 3.689, 5e-4),
    "one": (1, 1, 1, 0.0253, 5.572, 5e-4),
    "five": (5, 1, 5, 1.623, 11.668, 5e-4),
    "ten": (10, 1, 10, 4.795, 18.390, 5e-4),
}


@pytest.mark.parametrize("case", GARWOOD)
def test_one_rate(case):
    events, exposure, wanted, low, high, near = GARWOOD[case]
    got = rate(events, exposure, 0.95)
    assert got.rate == pytest.approx(events / exposure, rel=1e-15)
    assert (got.rate, got.low, got.high) == pytest.approx((wanted, low, high), abs=max(near, 1e-5 * wanted))
    for mean, tail in ((got.low, stats.poisson.sf(events - 1, got.low * exposure)), (1, 0.025)):
        assert mean == 0 or tail == pytest.approx(0.025, rel=1e-9)
    assert stats.poisson.cdf(events, got.high * exposure) == pytest.approx(0.025, rel=1e-9)


def test_a_rate_needs_exposure():
    with pytest.raises(AnalysisError, match="have no rate"):
        rate(2, 0.0, 0.95)


def test_two_rates():
    """R 4 example(poisson.test), cities of eba1977: p 0.07967, ratio 1.971488, 0.8584264 to 4.2772659; from memory."""
    got = rate_ratio(exposed(11, 800), exposed(6 + 8 + 7, 1083 + 1050 + 878), 0.95)
    assert got.p_by_likelihood == pytest.approx(0.07967, abs=5e-6)
    assert (got.estimate, got.low, got.high) == pytest.approx((1.971488, 0.8584264, 4.2772659), abs=5e-7)
    assert (got.count, got.total) == (11, 32)


def test_equal_exposures_in_blocks_are_one_binomial():
    test, reference = exposed([2, 0, 5], [80, 30, 10]), exposed([1, 1, 1], [40, 15, 5])
    apart = rate_ratio(test, reference, 0.9)
    together = rate_ratio(exposed(7, 2), exposed(3, 1), 0.9)
    for name in ("estimate", "low", "high", "p", "p_by_likelihood"):
        assert getattr(apart, name) == pytest.approx(getattr(together, name), rel=1e-9), name
    assert apart.estimate == pytest.approx(7 / 3 / 2, rel=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_blocks_of_unequal_exposure_one_table_after_another(seed):
    rng = np.random.default_rng(seed)
    a, b = rng.integers(0, 4, 4), rng.integers(0, 4, 4)
    t, u = rng.uniform(5, 90, 4), rng.uniform(5, 90, 4)
    got = rate_ratio(Exposed(a, t), Exposed(b, u), 0.95)
    n = a + b

    def tails(ratio):
        upper = lower = 0.0
        for k in product(*(range(m + 1) for m in n)):
            share = ratio * t / (ratio * t + u)
            weight = stats.binom.pmf(k, n, share).prod()
            upper += weight * (sum(k) >= a.sum())
            lower += weight * (sum(k) <= a.sum())
        return upper, lower

    assert got.p == pytest.approx(min(1.0, 2 * min(tails(1.0))), rel=1e-9)
    assert tails(got.low)[0] == pytest.approx(0.025, rel=1e-6)
    assert tails(got.high)[1] == pytest.approx(0.025, rel=1e-6)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 60), st.integers(0, 60), st.floats(1, 500), st.floats(1, 500))
def test_two_rates_are_a_binomial_test(a, b, t, u):
    got = rate_ratio(exposed(a, t), exposed(b, u), 0.95)
    if a + b == 0:
        assert (got.estimate, got.low, got.high, got.p) == (None, 0.0, None, 1.0)
        return
    plain = stats.binomtest(a, a + b, t / (t + u))
    limits = plain.proportion_ci(method="exact")
    assert got.p_by_likelihood == pytest.approx(plain.pvalue, rel=1e-6)
    assert got.low == pytest.approx(limits.low / (1 - limits.low) * u / t if a else 0.0, rel=1e-6)
    if b:
        assert got.high == pytest.approx(limits.high / (1 - limits.high) * u / t, rel=1e-6)
        assert got.estimate == pytest.approx(a * u / (b * t), rel=1e-6)
    else:
        assert (got.high, got.estimate) == (None, None)
    assert 0 < got.p <= 1
    # The limits and p agree on whether the rates differ.
    apart = got.low > 1 or (got.high is not None and got.high < 1)
    assert apart == (got.p < 0.05)


def test_many_events():
    got = rate_ratio(exposed(5000, 10), exposed(4000, 10), 0.95)
    assert got.estimate == pytest.approx(1.25, rel=1e-9)
    assert 0 < got.p < 1e-24
    assert got.p == pytest.approx(2 * stats.binom.sf(4999, 9000, 0.5), rel=1e-6)


def test_blocks_without_exposure_on_one_side_tell_nothing():
    got = rate_ratio(exposed([3, 2], [10, 10]), exposed([1, 0], [10, 0]), 0.95)
    assert (got.count, got.total) == (3, 4)


def test_dispersion():
    """Deaths by horse kicks, 200 corps-years at one rate: as independent as counts come (Bortkiewicz 1898)."""
    deaths = np.repeat(np.arange(5), [109, 65, 22, 3, 1])
    got = dispersion(deaths, np.ones(200), np.zeros(200, dtype=int))
    assert got.df == 199
    assert got.ratio == pytest.approx(deaths.var(ddof=1) / deaths.mean(), rel=1e-12)
    assert got.p == pytest.approx(special.chdtrc(199, got.chi2), rel=1e-9)
    assert 0.2 < got.p < 0.8
    runs = dispersion(np.array([0, 0, 0, 12, 1, 0]), np.full(6, 84.0), np.array([0, 0, 0, 0, 1, 1]))
    assert runs.df == 4
    assert runs.p < 1e-6
    assert dispersion(np.zeros(3, dtype=int), np.ones(3), np.arange(3)).ratio is None
