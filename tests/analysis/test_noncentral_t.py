"""The noncentral t distribution against scipy where scipy has a value, and against published power."""

import math

import numpy as np
import pytest
from scipy import stats

from analysis.noncentral_t import cdf, noncentrality


@pytest.mark.parametrize("df", [1, 2, 5, 24.3, 100, 4000])
@pytest.mark.parametrize("t", [-30.0, -5.0, -0.3, 0.0, 0.8, 2.0, 9.0, 60.0])
def test_agrees_with_scipy_where_scipy_has_a_value(t, df):
    for centre in np.linspace(min(t, 0) - 12, max(t, 0) + 12, 13):
        theirs = stats.nct.cdf(t, df, centre)
        if math.isfinite(theirs):
            assert cdf(t, df, centre) == pytest.approx(theirs, abs=5e-12)


def test_far_tail_is_a_number():
    # scipy 1.17 returns NaN here; quadrature by scipy.integrate.quad gives 4.538e-27.
    assert 0 <= cdf(-5.0, 5, 9.2) < 1e-20


@pytest.mark.parametrize(
    ("n", "delta", "alpha", "power"),
    [
        # R, help of power.t.test: n = 20, delta = sd = 1 (strict), from memory.
        (20, 1.0, 0.05, 0.8689530),
        # Cohen (1988) as printed by R's pwr vignette: two-sample d = 0.5, n = 64, power 0.8015 (from memory).
        (64, 0.5, 0.05, 0.8014596),
    ],
)
def test_published_power(n, delta, alpha, power):
    df = 2 * n - 2
    centre = delta / math.sqrt(2 / n)
    critical = stats.t.ppf(1 - alpha / 2, df)
    assert 1 - cdf(critical, df, centre) + cdf(-critical, df, centre) == pytest.approx(power, abs=1e-7)


def test_noncentrality_inverts():
    for t, df in ((2.148, 14), (-4.06, 9), (0.0, 3), (55.0, 2)):
        for share in (0.025, 0.5, 0.975):
            assert cdf(t, df, noncentrality(t, df, share)) == pytest.approx(share, abs=1e-9)
