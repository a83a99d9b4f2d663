"""Many trials at once against the functions that analyse one."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.conclusions import verdict
from analysis.dunnett import critical_value
from analysis.linear_model import LinearModel, TankData
from analysis.multiplicity import adjust
from analysis.own_error import own_error
from analysis.precision import blocks, complete_blocks, crossover, parallel
from analysis.summaries import Series, summarise
from analysis.vectorised import (
    VERDICTS,
    adjusted,
    fit_many,
    passes_dunnett,
    summarise_many,
    verdict_codes,
)
from schemas.errors import AnalysisError
from schemas.vocabulary import Multiplicity, Summary, Variance

LAYOUTS = {
    "blocks": complete_blocks("abc", 6),
    "uneven blocks": blocks("abc", ["abc", "aabbc", "ab", "bcc", "abc", "ac", "bb"]),
    "incomplete blocks": blocks("abcd", ["ab", "bc", "cd", "da", "ac", "bd"] * 3),
    "parallel": parallel("abc", [5, 7, 4]),
}


def single(layout, y, x, variance):
    kept = np.isfinite(y)
    data = TankData(
        y[kept],
        layout.arm[kept],
        layout.block[kept],
        layout.arms,
        None if x is None else x[kept],
        layout.blocked,
    )
    if variance is Variance.OWN:
        return own_error(data, 1, 0, 0.95)
    return LinearModel(data).contrast(1, 0, 0.95)


@pytest.mark.parametrize("variance", Variance)
@pytest.mark.parametrize("covariate", [False, True])
@pytest.mark.parametrize("lost", [0.0, 0.15])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_each_trial_as_the_single_analysis(layout, lost, covariate, variance):
    layout = LAYOUTS[layout]
    rng = np.random.default_rng(7)
    shape = (60, len(layout.arm))
    y = rng.normal(size=shape) * np.array([0.3, 0.8, 1.0, 0.5])[layout.arm] + 0.5 * layout.arm
    x = rng.normal(size=shape) if covariate else None
    y = np.where(rng.random(shape) < lost, np.nan, y)
    many = fit_many(layout, y, x, "b", "a", variance)
    p = many.p
    half = many.half_width(0.05)
    compared = 0
    for row in range(len(y)):
        one = single(layout, y[row], None if x is None else x[row], variance)
        if one is None or one.se is None:
            assert np.isnan(many.se[row])
            continue
        compared += 1
        got = (many.estimate[row], many.se[row], many.df[row], p[row], half[row])
        expected = (one.estimate, one.se, one.df, one.p, one.high - one.estimate)
        assert got == pytest.approx(expected, rel=1e-12, abs=1e-12)
    assert compared > 20


@pytest.mark.parametrize("variance", Variance)
@pytest.mark.parametrize("layout", LAYOUTS)
def test_numbers_without_spread_have_no_test(layout, variance):
    # A coarse kit can show every tank of an arm alike.
    layout = LAYOUTS[layout]
    y = np.log(np.array([5.0, 10.0, 10.0, 25.0]))[layout.arm][None, :] * np.ones((3, 1))
    many = fit_many(layout, y, None, "b", "a", variance)
    np.testing.assert_allclose(many.estimate, np.log(2), rtol=1e-12)
    assert (many.se == 0).all()
    assert np.isnan(many.p).all()
    assert (many.half_width(0.05) == 0).all()
    one = single(layout, y[0], None, variance)
    assert (one.p, one.low) == (None, pytest.approx(one.estimate, rel=1e-12))


def test_a_crossover_against_all_columns_written_out():
    layout = crossover("abc", ["abc", "bca", "cab", "acb", "bac", "cba"])
    rng = np.random.default_rng(8)
    y = rng.normal(size=(20, len(layout.arm)))
    many = fit_many(layout, y, None, "c", "a", Variance.OWN)
    columns = np.hstack(
        [
            (codes[:, None] == np.arange(codes.max() + 1)).astype(float)[:, drop:]
            for codes, drop in ((layout.arm, 1), (layout.block, 0), (layout.period, 1))
        ]
    )
    inverse = np.linalg.inv(columns.T @ columns)
    beta = y @ columns @ inverse
    residual = y - beta @ columns.T
    df = columns.shape[0] - columns.shape[1]
    np.testing.assert_allclose(many.estimate, beta[:, 1], atol=1e-12)
    np.testing.assert_allclose(many.se, np.sqrt((residual**2).sum(axis=1) / df * inverse[1, 1]), rtol=1e-12)
    assert (many.df == df).all()


@given(
    p=st.lists(
        st.lists(st.one_of(st.floats(0, 1), st.just(float("nan"))), min_size=3, max_size=3),
        min_size=1,
        max_size=5,
    ),
    rule=st.sampled_from([Multiplicity.NONE, Multiplicity.HOLM, Multiplicity.FIXED_ORDER]),
)
def test_adjusted_p_as_for_one_trial(p, rule):
    got = adjusted(np.array(p), rule)
    for row, values in zip(got, p, strict=True):
        single_row = adjust([None if np.isnan(v) else v for v in values], rule)
        np.testing.assert_array_equal(row, [np.nan if v is None else v for v in single_row])


def test_others_of_the_family_count():
    got = adjusted(np.array([[0.01, 0.02]]), Multiplicity.HOLM, family=4)
    np.testing.assert_allclose(got, [[0.04, 0.06]])
    with pytest.raises(AnalysisError, match="Dunnett"):
        adjusted(np.array([[0.01, 0.02]]), Multiplicity.DUNNETT)


def test_verdicts_as_for_one_trial():
    rng = np.random.default_rng(9)
    low = np.r_[rng.normal(size=400), 0.0, 0.4, -0.4]
    high = low + np.r_[rng.exponential(0.5, 400), 0.2, 0.3, 0.8]
    for a, b, code in zip(low, high, verdict_codes(low, high, 0.4), strict=True):
        assert VERDICTS[code] is verdict(a, b, 0.4)
    assert verdict_codes(np.array([np.nan]), np.array([1.0]), 0.4)[0] == -1


SUMMARIES = [s for s in Summary if s not in (Summary.DAYS_TO_TARGET, Summary.COUNT)]


@settings(deadline=None)
@given(
    values=st.lists(st.one_of(st.floats(0.01, 50), st.just(float("nan"))), min_size=1, max_size=8),
    summary=st.sampled_from(SUMMARIES),
)
def test_summaries_as_for_one_tank(values, summary):
    values, days = np.array(values), 7.0 * np.arange(len(values))
    got = summarise_many(values[:, None], days, summary)[0]
    kept = np.isfinite(values)
    if not kept.any():
        assert np.isnan(got)
        return
    v = values[kept]
    one = summarise(Series(days[kept], v, v, v, len(v), 0), summary)
    if one is None:
        assert np.isnan(got)
    else:
        assert got == pytest.approx(one.value, rel=1e-9, abs=1e-9)


def test_other_summaries_are_refused():
    with pytest.raises(AnalysisError, match="count"):
        summarise_many(np.ones((3, 2)), np.arange(3.0), Summary.COUNT)


def test_dunnett_at_each_trials_own_degrees_of_freedom():
    layout = parallel("abc", [5, 5, 5])
    matrix = np.array([[1, 0.5], [0.5, 1]])
    rng = np.random.default_rng(10)
    y = rng.normal(size=(200, 15)) * np.array([0.3, 1.0, 2.0])[layout.arm] + 1.5 * layout.arm
    fits = [fit_many(layout, y, None, arm, "a", Variance.OWN) for arm in "bc"]
    got = passes_dunnett(fits, matrix, 0.05)
    near_the_edge = 0
    for column, fit in enumerate(fits):
        for row in range(40):
            critical = critical_value(matrix, float(fit.df[row]), 0.95)
            t = abs(fit.estimate[row] / fit.se[row])
            near_the_edge += abs(t / critical - 1) < 0.01
            if abs(t / critical - 1) >= 0.01:
                assert got[row, column] == (t > critical)
    assert near_the_edge < 8
    assert 0.1 < got.mean() < 0.9
    alone = fit_many(layout, np.full((2, 15), 1.0), None, "b", "a", Variance.OWN)
    assert not passes_dunnett([alone], np.ones((1, 1)), 0.05).any()
