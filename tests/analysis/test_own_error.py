"""Contrasts with their own error: Welch, paired t, and both with a covariate, against independent computations."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from analysis.linear_model import LinearModel, TankData
from analysis.own_error import own_error

RNG = np.random.default_rng(20250302)


def blocks(table, x=None):
    b, k = table.shape
    return TankData(
        table.ravel(),
        np.tile(np.arange(k), b),
        np.repeat(np.arange(b), k),
        tuple(f"a{i}" for i in range(k)),
        None if x is None else x.ravel(),
        blocked=True,
    )


def groups(*values, x=None):
    return TankData(
        np.concatenate(values),
        np.repeat(np.arange(len(values)), [len(v) for v in values]),
        np.zeros(sum(len(v) for v in values), dtype=int),
        tuple(f"a{i}" for i in range(len(values))),
        None if x is None else np.concatenate(x),
        blocked=False,
    )


@pytest.mark.parametrize("n", [2, 3, 8, 40])
def test_blocks_are_the_paired_t_test(n):
    table = RNG.normal(size=(n, 3)) * (1, 2, 5) + RNG.normal(size=(n, 1))
    theirs = stats.ttest_rel(table[:, 2], table[:, 0])
    fit = own_error(blocks(table), 2, 0, 0.9)
    assert (fit.t, fit.df, fit.p) == pytest.approx((theirs.statistic, theirs.df, theirs.pvalue), rel=1e-10)
    assert (fit.low, fit.high) == pytest.approx(tuple(theirs.confidence_interval(0.9)), rel=1e-9)


@pytest.mark.parametrize("sizes", [(2, 2), (3, 9), (20, 6)])
def test_parallel_arms_are_welch(sizes):
    a, b = RNG.normal(5, 1, sizes[0]), RNG.normal(6, 4, sizes[1])
    theirs = stats.ttest_ind(b, a, equal_var=False)
    fit = own_error(groups(a, b), 1, 0, 0.95)
    assert (fit.t, fit.df, fit.p) == pytest.approx((theirs.statistic, theirs.df, theirs.pvalue), rel=1e-9)


def test_parallel_arms_with_baseline_are_hc2():
    x = [RNG.normal(size=7), RNG.normal(size=11)]
    y = [2 * x[0] + RNG.normal(size=7), 1 + 2 * x[1] + 3 * RNG.normal(size=11)]
    fit = own_error(groups(*y, x=x), 1, 0, 0.95)
    design = np.column_stack([np.ones(18), np.repeat([0, 1], [7, 11]), np.concatenate(x)])
    theirs = sm.OLS(np.concatenate(y), design).fit(cov_type="HC2")
    assert fit.estimate == pytest.approx(theirs.params[1], rel=1e-10)
    assert fit.se == pytest.approx(theirs.bse[1], rel=1e-10)
    # Satterthwaite by dense matrices: the same quadratic form, written out.
    hat = design @ np.linalg.inv(design.T @ design) @ design.T
    maker = np.eye(18) - hat
    influence = (np.linalg.inv(design.T @ design) @ design.T)[1]
    residual = maker @ np.concatenate(y)
    squared = residual**2 / (1 - np.diag(hat))
    sigma = np.diag(np.repeat([squared[:7].mean(), squared[7:].mean()], [7, 11]))
    form = maker @ np.diag(influence**2 / (1 - np.diag(hat))) @ maker @ sigma
    assert fit.df == pytest.approx(np.trace(form) ** 2 / np.trace(form @ form), rel=1e-9)


def test_blocks_with_baseline_are_the_covariance_model_of_two_arms():
    x = RNG.normal(size=(9, 2))
    y = 1.5 * x + RNG.normal(size=(9, 2)) + RNG.normal(size=(9, 1)) + (0, 0.7)
    data = blocks(y, x)
    own, pooled = own_error(data, 1, 0, 0.95), LinearModel(data).contrast(1, 0, 0.95)
    for name in ("estimate", "se", "df", "low", "high", "p"):
        assert getattr(own, name) == pytest.approx(getattr(pooled, name), rel=1e-9)


def test_ragged_blocks_against_least_squares():
    data = blocks(RNG.normal(size=(7, 4)), RNG.normal(size=(7, 4))).only(RNG.random(28) > 0.25)
    dummies = (data.block[:, None] == np.unique(data.block)).astype(float)
    arms = (data.arm[:, None] == np.arange(1, 4)).astype(float)
    theirs = sm.OLS(data.y, np.column_stack([arms, data.x, dummies])).fit()
    model = LinearModel(data)
    for test in (1, 2, 3):
        fit = model.contrast(test, 0, 0.95)
        assert (fit.estimate, fit.se) == pytest.approx(
            (theirs.params[test - 1], theirs.bse[test - 1]), rel=1e-9
        )
        assert fit.df == theirs.df_resid
    f = theirs.f_test(np.eye(3, theirs.params.size))
    assert model.omnibus().f == pytest.approx(float(f.fvalue), rel=1e-9)
    assert model.slope == pytest.approx(theirs.params[3], rel=1e-9)


def test_arms_that_never_meet_cannot_be_compared():
    data = TankData(
        np.arange(8.0),
        np.array([0, 1, 0, 1, 2, 3, 2, 3]),
        np.repeat(np.arange(4), 2),
        tuple("abcd"),
        None,
        blocked=True,
    )
    assert LinearModel(data).contrast(2, 0, 0.95) is None
    assert own_error(data, 2, 0, 0.95) is None
    assert LinearModel(data).contrast(3, 2, 0.95).estimate == pytest.approx(1.0)


def test_one_block_gives_an_estimate_without_error():
    fit = own_error(blocks(np.array([[1.0, 3.0]])), 1, 0, 0.95)
    assert (fit.estimate, fit.se, fit.p) == (2.0, None, None)


def test_differences_without_spread_are_not_tested():
    fit = own_error(blocks(np.array([[1.0, 3.0], [2.1, 4.1], [7.3, 9.3]])), 1, 0, 0.95)
    assert fit.estimate == pytest.approx(2.0)
    assert (fit.se, fit.p, fit.low) == (0.0, None, fit.estimate)
