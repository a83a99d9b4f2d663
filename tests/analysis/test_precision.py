"""What a layout knows of a contrast: against the fitted model itself and against closed forms of the textbooks."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.linear_model import LinearModel, TankData
from analysis.own_error import own_error
from analysis.precision import before_after, blocks, complete_blocks, crossover, parallel, precision
from analysis.serial import SerialModel
from schemas.errors import AnalysisError
from schemas.vocabulary import Baseline, Variance

OWN, POOLED = Variance.OWN, Variance.POOLED


def fitted_data(layout, rng):
    y = rng.normal(size=len(layout.arm))
    return TankData(y, layout.arm, layout.block, layout.arms, None, layout.blocked)


@settings(max_examples=60, deadline=None)
@given(
    members=st.lists(st.lists(st.sampled_from("abc"), min_size=1, max_size=6), min_size=3, max_size=8),
    seed=st.integers(0, 2**32 - 1),
)
def test_pooled_is_the_model_that_will_be_fitted(members, seed):
    layout = blocks("abc", members)
    data = fitted_data(layout, np.random.default_rng(seed))
    model = LinearModel(data)
    fit = model.contrast(1, 0, 0.95) if model.df > 0 else None
    if fit is None:
        with pytest.raises(AnalysisError):
            precision(layout, "b", "a", 1.0, variance=POOLED)
        return
    got = precision(layout, "b", "a", 1.0, variance=POOLED)
    assert got.se == pytest.approx(fit.se / math.sqrt(model.error_variance), rel=1e-9)
    assert (got.df, got.n) == (fit.df, fit.n)


@pytest.mark.parametrize(
    ("layout", "df"),
    [(complete_blocks("abc", 7), 6), (blocks("abc", ["abc", "ab", "ac", "bc", "abb"]), 2)],
)
def test_own_error_in_blocks_has_the_paired_degrees_of_freedom(layout, df):
    got = precision(layout, "b", "a", 1.0, variance=OWN)
    fit = own_error(fitted_data(layout, np.random.default_rng(1)), 1, 0, 0.95)
    assert (got.df, got.n) == (fit.df, fit.n) == (df, df + 1)


# Textbook closed forms: variance of a difference of two arms over the variance of one tank, and degrees of freedom.
@pytest.mark.parametrize(
    ("layout", "variance", "over", "df"),
    [
        (parallel("ab", [20, 20]), POOLED, 2 / 20, 38),
        (parallel("ab", [90, 60]), POOLED, 1 / 90 + 1 / 60, 148),
        (parallel("ab", [8, 8]), OWN, 2 / 8, 14),
        (complete_blocks("abc", 12), POOLED, 2 / 12, 22),
        (complete_blocks("abc", 12), OWN, 2 / 12, 11),
        (complete_blocks("abc", 6, [2, 1, 1]), OWN, (1 / 2 + 1) / 6, 5),
        # Balanced incomplete blocks of a = 4 arms, k = 3, r = 3, lambda = 2: 2 k / (lambda a).
        (blocks("abcd", ["abc", "acd", "bcd", "abd"]), POOLED, 2 * 3 / (2 * 4), 5),
        # Two-period crossover of n tanks: 2/n within tanks, n - 2 degrees of freedom.
        (crossover("ab", ["ab", "ba"] * 10), POOLED, 2 / 20, 18),
        # A Latin square of three periods, twice: 2/6 within tanks, 18 - 1 - 5 - 2 - 2.
        (crossover("abc", ["abc", "bca", "cab"] * 2), POOLED, 2 / 6, 8),
    ],
)
def test_closed_forms(layout, variance, over, df):
    got = precision(layout, "b", "a", 0.7, variance=variance)
    assert got.se == pytest.approx(0.7 * math.sqrt(over), rel=1e-12)
    assert got.df == pytest.approx(df)


def test_welch_degrees_of_freedom():
    # Welch 1947: two arms of 10 and 5 with standard deviations 1 and 3.
    got = precision(parallel("ab", [10, 5]), "b", "a", [1.0, 3.0], variance=OWN)
    a, b = 1 / 10, 9 / 5
    assert got.se == pytest.approx(math.sqrt(a + b))
    assert got.df == pytest.approx((a + b) ** 2 / (a**2 / 9 + b**2 / 4))


def test_arms_of_unlike_spread():
    got = precision(complete_blocks("abc", 10), "c", "a", [0.1, 9.0, 0.4], variance=OWN)
    assert got.se == pytest.approx(math.sqrt((0.1**2 + 0.4**2) / 10))


@pytest.mark.parametrize(
    ("baseline", "correlation", "share", "df"),
    [
        (Baseline.NONE, 0.8, 1.0, 11),
        (Baseline.CHANGE, 0.8, math.sqrt(0.4), 11),
        (Baseline.CHANGE, 0.5, 1.0, 11),
        (Baseline.ADJUST, 0.8, 0.6, 10),
        (Baseline.ADJUST, 0.0, 1.0, 10),
    ],
)
def test_what_a_baseline_leaves(baseline, correlation, share, df):
    # Adjusting leaves 1 - r^2 of the variance, a change 2 (1 - r).
    layout = complete_blocks("abc", 12)
    plain = precision(layout, "b", "a", 1.0, variance=OWN)
    got = precision(layout, "b", "a", 1.0, variance=OWN, baseline=baseline, correlation=correlation)
    assert got.se == pytest.approx(plain.se * share)
    assert got.df == df
    assert got.covariate is (baseline is Baseline.ADJUST)


def test_before_and_after_without_memory_has_the_error_of_the_two_sample_test():
    got = before_after(range(0, 56, 7), range(84, 168, 7), 0.2)
    assert got.se == pytest.approx(0.2 * math.sqrt(1 / 8 + 1 / 12), rel=1e-6)
    assert got.df < 18


def test_before_and_after_is_what_the_series_analysis_finds_at_those_values():
    day = np.r_[np.arange(0.0, 56, 7), np.arange(84.0, 168, 7)]
    columns = np.column_stack([np.ones(20), day > 60]).astype(float)
    series = np.random.default_rng(4).normal(size=20)
    for memory in (0.0, 0.9):
        model = SerialModel(np.convolve(series, [1, memory, memory**2], "same"), columns, day)
        fit = model.contrast(np.array([0.0, 1.0]), 0.95, 20)
        got = before_after(day[:8], day[8:], math.sqrt(model.variance), model.phi)
        assert (got.se, got.df) == pytest.approx((fit.se, fit.df), rel=1e-6)


def test_memory_costs_precision_and_degrees_of_freedom():
    plain, lasting = (before_after(range(0, 56, 7), range(84, 168, 7), 0.2, memory) for memory in (0.0, 0.95))
    assert lasting.se > 1.5 * plain.se
    assert lasting.df < plain.df / 2


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: precision(complete_blocks("ab", 1), "b", "a", 1, variance=OWN), "no degrees of freedom"),
        (
            lambda: precision(
                complete_blocks("ab", 2), "b", "a", 1, variance=OWN, baseline=Baseline.ADJUST, correlation=0.5
            ),
            "more blocks or tanks",
        ),
        (
            lambda: precision(blocks("abc", ["ac", "bc"] * 3), "b", "a", 1, variance=OWN),
            "No block holds both",
        ),
        (lambda: precision(blocks("abc", ["aac", "bb"] * 3), "b", "a", 1, variance=POOLED), "never meet"),
        (lambda: precision(parallel("ab", [9, 1]), "b", "a", 1, variance=OWN), "two tanks or more"),
        (
            lambda: precision(
                complete_blocks("ab", 5), "b", "a", 1, variance=OWN, baseline=Baseline.CHANGE, correlation=1
            ),
            "between -1 and 1",
        ),
        (lambda: before_after([0], [7, 14], 1), "four or more"),
        (lambda: before_after([0, 7], [7, 14], 1), "no two alike"),
    ],
)
def test_what_cannot_be_judged_is_refused_with_a_sentence(call, says):
    with pytest.raises(AnalysisError, match=says):
        call()
