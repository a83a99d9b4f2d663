"""Limits of agreement: peak flow meters, tolerance factors, and what repeated pairs add."""

import numpy as np
import pytest
from scipy import stats

from analysis.agreement import agreement, repeated_agreement
from schemas.errors import AnalysisError

# Bland and Altman (1986) Lancet i:307, peak expiratory flow of 17 people, each read twice by two meters.
WRIGHT = np.array(
    [
        [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427],
        [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421],
    ],
    dtype=float,
).T
MINI = np.array(
    [
        [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451],
        [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443],
    ],
    dtype=float,
).T
TWO_SD = 2 * stats.norm.cdf(2) - 1
"""The share of differences within 2 sd, which the paper took for 95%."""


def test_peak_flow():
    """Printed: -2.1, 38.8, -79.7, 75.5, -22.0 to 17.8, -114.3 to -45.1, 40.9 to 110.1; from memory.

    The paper rounded bias and sd before it went on.
    """
    got = agreement(WRIGHT[:, 0], MINI[:, 0], level=0.95, share=TWO_SD)
    assert (got.n, got.bias.value, got.sd) == (
        17,
        pytest.approx(-2.1, abs=0.05),
        pytest.approx(38.8, abs=0.05),
    )
    assert (got.lower.value, got.upper.value) == pytest.approx((-79.7, 75.5), abs=0.2)
    assert (got.bias.low, got.bias.high) == pytest.approx((-22.0, 17.8), abs=0.1)
    # The paper's standard error of a limit is sqrt(3 s^2 / n), this one's sd sqrt(1/n + z^2 / (2 (n - 1))).
    printed = [-114.3, -45.1, 40.9, 110.1]
    sides = (got.lower_approximate, got.upper_approximate)
    assert [end for side in sides for end in (side.low, side.high)] == pytest.approx(printed, abs=0.8)


def test_limits_at_the_normal_share():
    """Computed: the same pairs with 1.96 sd."""
    got = agreement(WRIGHT[:, 0], MINI[:, 0], level=0.95)
    assert (got.bias.value, got.sd) == pytest.approx((-2.117647, 38.765130), abs=5e-7)
    assert (got.lower.value, got.upper.value) == pytest.approx((-78.0959, 73.8606), abs=5e-5)


def test_exact_limits_are_tolerance_factors():
    """NIST/SEMATECH e-Handbook 7.2.6.3: 43 parts, 90% below with 99% confidence, factor 1.8740; from memory."""
    d = np.random.default_rng(1).normal(size=43)
    d = (d - d.mean()) / d.std(ddof=1)
    got = agreement(d, np.zeros(43), level=0.98, share=0.8)
    assert got.upper.high == pytest.approx(1.8740, abs=5e-5)
    assert (got.lower.low, got.lower.high) == pytest.approx((-got.upper.high, -got.upper.low), rel=1e-9)


@pytest.mark.parametrize("share", [0.1, 0.95])
@pytest.mark.parametrize("n", [2, 5, 17, 120])
def test_exact_limits_against_scipy(n, share):
    d = np.random.default_rng(n).normal(3, 2, n)
    got = agreement(d, np.zeros(n), level=0.95, share=share)
    mean, sd, root = d.mean(), d.std(ddof=1), np.sqrt(n)
    factors = stats.nct.ppf([0.025, 0.975], n - 1, stats.norm.ppf((1 + share) / 2) * root) / root
    assert (got.upper.low, got.upper.high) == pytest.approx(tuple(mean + factors * sd), rel=1e-6)
    # Exact and approximate limits meet as pairs grow in number.
    if n == 120:
        assert got.upper.high == pytest.approx(got.upper_approximate.high, rel=0.02)


def test_exact_limits_cover():
    """The true limit 1.95996 lies inside in 95% of samples of 6, Monte Carlo error 0.5%."""
    rng = np.random.default_rng(2)
    samples = rng.normal(size=(2000, 6))
    at = stats.nct.ppf([0.025, 0.975], 5, stats.norm.ppf(0.975) * np.sqrt(6)) / np.sqrt(6)
    first = agreement(samples[0], np.zeros(6), level=0.95)
    mean, sd = samples.mean(axis=1), samples.std(axis=1, ddof=1)
    assert first.upper.low == pytest.approx(mean[0] + at[0] * sd[0], rel=1e-6)
    inside = (mean + at[0] * sd <= stats.norm.ppf(0.975)) & (stats.norm.ppf(0.975) <= mean + at[1] * sd)
    assert inside.mean() == pytest.approx(0.95, abs=0.015)


def test_repeated_pairs_of_equal_number_are_the_components():
    """For equal numbers the total is the sum of the variances within and between (Bland and Altman 2007)."""
    rng = np.random.default_rng(3)
    tank = np.repeat(np.arange(9), 4)
    first = rng.normal(size=36) + np.repeat(2 * rng.normal(size=9), 4)
    got = repeated_agreement(first, np.zeros(36), tank, level=0.95)
    assert got.bias.value == pytest.approx(first.mean(), rel=1e-12)
    half = stats.norm.ppf(0.975) * got.components.total
    assert (got.lower.value, got.upper.value) == pytest.approx(
        (first.mean() - half, first.mean() + half), rel=1e-12
    )
    means = first.reshape(9, 4).mean(axis=1)
    interval = stats.ttest_1samp(means, 0).confidence_interval(0.95)
    assert (got.bias.low, got.bias.high) == pytest.approx((interval.low, interval.high), rel=1e-12)


def test_repeated_pairs_cover():
    """Unequal numbers a tank: the interval of a limit holds the true one in near 95% of 800 samples."""
    rng = np.random.default_rng(4)
    tank = np.repeat(np.arange(8), [2, 5, 3, 4, 2, 6, 3, 3])
    truth = 0.5 + stats.norm.ppf(0.975) * np.hypot(1.0, 1.5)
    hits = 0
    for _ in range(800):
        d = 0.5 + rng.normal(size=28) + 1.5 * rng.normal(size=8)[tank]
        got = repeated_agreement(d, np.zeros(28), tank, level=0.95)
        hits += got.upper.low <= truth <= got.upper.high
    assert hits / 800 == pytest.approx(0.95, abs=0.03)


def test_refusals():
    one = np.ones(1)
    with pytest.raises(AnalysisError, match="two pairs"):
        agreement(one, one, level=0.95)
    three = np.arange(3.0)
    with pytest.raises(AnalysisError, match="no tank has two pairs"):
        repeated_agreement(three, three[::-1], np.arange(3), level=0.95)
    with pytest.raises(AnalysisError, match="two tanks"):
        repeated_agreement(three, three[::-1], np.zeros(3, dtype=int), level=0.95)
