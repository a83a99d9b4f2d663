"""Crossovers: published analyses, and a naive implementation by dummy columns."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from analysis.cluster_robust import ClusterRobust, robust_contrast
from analysis.crossover import (
    CrossoverModel,
    PeriodData,
    carry_over,
    tanks_with_both,
)
from analysis.linear_model import LinearModel, TankData
from analysis.mixed_model import RandomBlocks
from analysis.sequences import crossover_sequences

# Hills and Armitage (1979), British Journal of Clinical Pharmacology 8:7: dry nights of 14 under drug and placebo.
DRUG_FIRST = "8 5/14 10/8 0/9 7/11 6/3 5/6 0/0 0/13 12/10 2/7 5/13 13/8 10/7 7/9 0/10 6/2 2"
PLACEBO_FIRST = "12 11/6 8/13 9/8 8/8 9/4 8/8 14/2 4/8 13/9 7/7 10/7 6"


def from_sequences(values, sequences, arms, cohort=None):
    """Data of a table with one row a tank and one column a period; NaN is a missing period."""
    tank, period = np.nonzero(np.isfinite(values))
    arm = np.array(sequences)
    before = np.column_stack([np.full(len(arm), -1), arm[:, :-1]])
    group = None if cohort is None else np.array(cohort)[tank]
    at = (tank, period)
    return PeriodData(values[at], arm[at], tank, period, before[at], tuple(arms), group)


def nights():
    rows = [[float(n) for n in row.split()] for row in f"{DRUG_FIRST}/{PLACEBO_FIRST}".split("/")]
    return from_sequences(np.array(rows), [(1, 0)] * 17 + [(0, 1)] * 12, ("placebo", "drug"))


def test_enuresis():
    # Cell means and mean differences published; t computed from the data.
    data = nights()
    fit = CrossoverModel(data).contrast(1, 0, 0.95)
    assert fit.estimate == pytest.approx(2.036765, abs=5e-7)
    assert fit.se == pytest.approx(0.618600, abs=5e-7)
    assert fit.t == pytest.approx(3.292539, abs=5e-7)
    assert (fit.df, fit.n) == (27, 29)
    assert fit.p == pytest.approx(0.0027725, abs=5e-8)
    omnibus = CrossoverModel(data).period_test()
    assert (omnibus.f, omnibus.df1, omnibus.df2) == pytest.approx((1.271847**2, 1, 27), rel=1e-5)
    assert omnibus.p == pytest.approx(0.21427, abs=5.1e-6)
    left = carry_over(data, 0.95)
    # Tanks that began with placebo less those that began with the drug; the published t is the other way round.
    assert (left.between.t, left.between.p) == pytest.approx((1.299673, 0.20470), abs=5.1e-6)
    assert (left.between.df, left.between.n) == (27, 29)
    assert left.within is None
    assert left.differences == left.adjusted == {}


# Cochran, Autrey and Cannon (1941), Journal of Dairy Science 24:937; Cochran and Cox (1957), p. 135: milk yield of
# six cows under three feeds in two 3 x 3 squares.
COWS = from_sequences(
    np.array(
        [[38, 25, 15], [109, 86, 39], [124, 72, 27], [86, 76, 46], [75, 35, 34], [101, 63, 1]], dtype=float
    ),
    [(0, 1, 2), (1, 2, 0), (2, 0, 1), (0, 2, 1), (1, 0, 2), (2, 1, 0)],
    "ABC",
    cohort=[0, 0, 0, 1, 1, 1],
)


def test_dairy_cows():
    model = CrossoverModel(COWS, carry_over=True)
    assert (model.error, model.df) == (pytest.approx(199.25, abs=0.005), 4)
    assert model.error_variance == pytest.approx(49.81, abs=0.005)
    direct, left = model.omnibus(), model.carry_over_test()
    # The published sums of squares: F times its degrees of freedom times the error variance.
    assert direct.f * 2 * model.error_variance == pytest.approx(2854.55, abs=0.005)
    assert left.f * 2 * model.error_variance == pytest.approx(616.19, abs=0.005)
    assert (direct.f, direct.df1, direct.df2) == pytest.approx((28.652949, 2, 4), abs=5e-7)
    assert (left.f, left.df1, left.df2) == pytest.approx((6.185139, 2, 4), abs=5e-7)
    plain = CrossoverModel(COWS)
    assert plain.omnibus().f * 2 * plain.error_variance == pytest.approx(2276.777778, abs=5e-7)
    assert plain.error - model.error == pytest.approx(616.194444, abs=5e-7)
    stated = carry_over(COWS, 0.95)
    assert stated.within == left
    assert stated.between is None
    assert set(stated.differences) == set(stated.adjusted) == {(1, 0), (2, 0), (2, 1)}
    assert stated.adjusted[2, 0] == model.contrast(2, 0, 0.95)
    assert stated.adjusted[2, 0].se > plain.contrast(2, 0, 0.95).se * np.sqrt(
        model.error_variance / plain.error_variance
    )


def random_data(rng, arms=3, periods=3, tanks=8, missing=0.1, cohorts=False, baseline=False):
    rows = crossover_sequences(arms, periods)
    sequences = [rows[i % len(rows)] for i in range(tanks)]
    values = rng.normal(size=(tanks, periods)) + 2 * rng.normal(size=(tanks, 1)) + np.arange(periods)
    values[rng.random(values.shape) < missing] = np.nan
    data = from_sequences(values, sequences, "ABCDE"[:arms], np.arange(tanks) % 2 if cohorts else None)
    if not baseline:
        return data
    x = rng.normal(size=len(data.y))
    return PeriodData(data.y + x, data.arm, data.tank, data.period, data.before, data.arms, data.cohort, x)


def dummies(*codes):
    """Columns of treatment coding for each factor, with an intercept; -1 counts as no level."""
    columns = [np.ones(len(codes[0]))]
    for factor in codes:
        columns += [factor == level for level in np.unique(factor[factor >= 0])[1:]]
    return np.column_stack(columns).astype(float)


def independent(x):
    """The columns that do not depend on earlier ones."""
    kept = []
    for at in range(x.shape[1]):
        if np.linalg.matrix_rank(x[:, [*kept, at]]) > len(kept):
            kept.append(at)
    return x[:, kept]


@pytest.mark.parametrize("kind", ["plain", "cohorts", "baseline", "five periods", "two periods"])
@pytest.mark.parametrize("seed", range(3))
def test_against_dummy_columns(seed, kind):
    rng = np.random.default_rng(seed)
    periods = {"five periods": 5, "two periods": 2}.get(kind, 3)
    data = random_data(rng, periods=periods, tanks=12, cohorts=kind == "cohorts", baseline=kind == "baseline")
    time = data.period + 10 * (data.cohort if data.cohort is not None else 0)
    rest = independent(dummies(data.tank, time))
    if data.x is not None:
        rest = np.column_stack([rest, data.x])
    arms = dummies(data.arm)[:, 1:]
    theirs = sm.OLS(data.y, np.column_stack([arms, rest])).fit()
    model = CrossoverModel(data)
    fit = model.contrast(1, 0, 0.9)
    assert (fit.estimate, fit.se, fit.p) == pytest.approx(
        (theirs.params[0], theirs.bse[0], theirs.pvalues[0]), rel=1e-8
    )
    assert (fit.low, fit.high) == pytest.approx(tuple(theirs.conf_int(0.1)[0]), rel=1e-7)
    f, p, df = theirs.compare_f_test(sm.OLS(data.y, rest).fit())
    omnibus = model.omnibus()
    assert (omnibus.f, omnibus.p, omnibus.df1) == pytest.approx((f, p, df), rel=1e-8)
    carry = (data.before[:, None] == np.arange(3)).astype(float)
    full = np.column_stack([arms, rest, carry[:, 1:] - carry[:, :1]])
    larger = sm.OLS(data.y, full).fit()
    left = CrossoverModel(data, carry_over=True)
    assert left.error == pytest.approx(larger.ssr, rel=1e-8)
    assert left.contrast(1, 0, 0.9).estimate == pytest.approx(larger.params[0], rel=1e-7)
    weights = np.zeros(full.shape[1])
    weights[-2], weights[-1] = 2, 1  # carry of arm 1 less carry of arm 0, under carries that sum to nothing
    test = larger.t_test(weights)
    ours = left.carry_over(1, 0, 0.9)
    assert (ours.estimate, ours.se, ours.p) == pytest.approx(
        (test.effect[0], test.sd[0, 0], float(test.pvalue)), rel=1e-7
    )


def as_tanks(data):
    """The same numbers for the one linear model: tanks as blocks, periods as covariates."""
    return TankData(data.y, data.arm, data.tank, data.arms, None, blocked=True, period=data.period)


def test_the_one_linear_model_with_periods_is_the_same_comparison():
    data = random_data(np.random.default_rng(4), tanks=12)
    ours, theirs = CrossoverModel(data).contrast(1, 0, 0.95), LinearModel(as_tanks(data)).contrast(1, 0, 0.95)
    assert (ours.estimate, ours.se, ours.df) == pytest.approx((theirs.estimate, theirs.se, theirs.df))
    model = ClusterRobust(
        data.y, np.column_stack([data.arm_columns, data.period_columns]), data.tank, data.tank
    )
    robust = robust_contrast(as_tanks(data), 1, 0, 0.95)
    expected = model.contrast(np.array([-1.0, 1, 0, 0, 0, 0]), 0.95)
    assert (robust.estimate, robust.se, robust.df) == pytest.approx(
        (expected.estimate, expected.se, expected.df)
    )


def test_random_tanks_are_statsmodels_reml():
    data = random_data(np.random.default_rng(4), tanks=12)
    theirs = sm.MixedLM(
        data.y, np.column_stack([dummies(data.arm), dummies(data.period)[:, 1:]]), groups=data.tank
    )
    reml = theirs.fit(reml=True, method="lbfgs")
    random = RandomBlocks(as_tanks(data))
    assert random.contrast(1, 0, 0.95).estimate == pytest.approx(reml.fe_params[1], rel=1e-4)


def test_tanks_random_or_fixed_agree_where_every_tank_had_every_arm():
    data = random_data(np.random.default_rng(2), missing=0.0, tanks=6)
    fixed = CrossoverModel(data).contrast(2, 0, 0.95)
    random = RandomBlocks(as_tanks(data)).contrast(2, 0, 0.95)
    assert (random.estimate, random.se, random.df) == pytest.approx(
        (fixed.estimate, fixed.se, fixed.df), rel=1e-6
    )


def test_a_tank_with_one_period_says_nothing_within_tanks():
    data = nights()
    keep = ~((data.tank == 0) & (data.period == 1))
    ragged = PeriodData(
        data.y[keep], data.arm[keep], data.tank[keep], data.period[keep], data.before[keep], data.arms
    )
    without = data.tank > 0
    less = PeriodData(
        data.y[without],
        data.arm[without],
        data.tank[without],
        data.period[without],
        data.before[without],
        data.arms,
    )
    one, other = CrossoverModel(ragged).contrast(1, 0, 0.95), CrossoverModel(less).contrast(1, 0, 0.95)
    assert (one.estimate, one.se, one.df, one.n) == pytest.approx((other.estimate, other.se, other.df, 28))
    assert carry_over(ragged, 0.95).between.n == 28
    assert list(tanks_with_both(ragged, 1, 0)) == list(range(1, 29))


def test_carry_over_is_blamed_on_the_arm_before_even_if_that_period_is_missing():
    rng = np.random.default_rng(9)
    rows = crossover_sequences(3, 3) * 2
    arm = np.array(rows)
    before = np.column_stack([np.full(12, -1), arm[:, :-1]])
    effect, left = np.array([0.0, 1.0, -2.0]), np.array([0.5, -0.5, 2.0, 0.0])  # the last: nothing before
    values = effect[arm] + left[before] + rng.normal(size=(12, 1)) + np.arange(3)
    values[0, 0] = values[5, 1] = np.nan
    model = CrossoverModel(from_sequences(values, rows, "ABC"), carry_over=True)
    assert model.contrast(1, 0, 0.95).estimate == pytest.approx(1.0)
    assert model.carry_over(2, 1, 0.95).estimate == pytest.approx(2.5)
    assert model.carry_over(2, 1, 0.95).se == 0


def test_what_cannot_be_estimated_is_none():
    values = np.array([[1.0, 2.0], [2.0, 4.0], [3.0, 3.5]])
    same = from_sequences(values, [(0, 1)] * 3, "AB")
    assert CrossoverModel(same).contrast(1, 0, 0.95) is None  # every tank in one order: arms are periods
    assert CrossoverModel(same).carry_over(1, 0, 0.95) is None
    pair = from_sequences(values[:2], [(0, 1), (1, 0)], "AB")
    fit = CrossoverModel(pair).contrast(1, 0, 0.95)
    assert (fit.estimate, fit.se, fit.p) == (pytest.approx(-0.5), None, None)
    assert carry_over(pair, 0.95).between.se is None


def test_student_between_totals_is_scipy():
    data = nights()
    totals = np.bincount(data.tank, weights=data.y)
    theirs = stats.ttest_ind(totals[17:], totals[:17])
    assert carry_over(data, 0.95).between.t == pytest.approx(theirs.statistic, rel=1e-12)
