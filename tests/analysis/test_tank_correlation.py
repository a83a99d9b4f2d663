"""Correlation inside tanks: the published set, and the analysis of covariance that it is."""

import numpy as np
import pingouin as pg
import pytest

from analysis.tank_correlation import correlation_inside_tanks


def test_intramural_ph():
    """R rmcorr 0.7.0, read in its documentation: r, df, p and interval of pH and PaCO2 (Bland and Altman 1995)."""
    data = pg.read_dataset("rm_corr")
    got = correlation_inside_tanks(
        data["pH"].to_numpy(), data["PacO2"].to_numpy(), data["Subject"].to_numpy(), level=0.95
    )
    assert (got.r, got.df) == (pytest.approx(-0.5067697, abs=5e-8), 38)
    assert got.p == pytest.approx(0.0008471081, abs=5e-11)
    assert (got.low, got.high) == pytest.approx((-0.7067146, -0.2318631), abs=5e-8)


@pytest.mark.filterwarnings("ignore:The inplace keyword")  # pingouin's own, under pandas 3
def test_agrees_with_pingouin():
    data = pg.read_dataset("rm_corr")
    other = pg.rm_corr(data=data, x="pH", y="PacO2", subject="Subject")
    got = correlation_inside_tanks(
        data["pH"].to_numpy(), data["PacO2"].to_numpy(), data["Subject"].to_numpy(), level=0.95
    )
    assert got.r == pytest.approx(other["r"].iloc[0], rel=1e-9)
    assert got.p == pytest.approx(other["pval"].iloc[0], rel=1e-6)


def test_it_is_the_regression_with_a_level_for_each_tank():
    rng = np.random.default_rng(5)
    tank = np.repeat(np.arange(4), [3, 5, 2, 6])
    x = rng.normal(size=16)
    y = 0.4 * x + 10 * tank + rng.normal(size=16)
    columns = np.column_stack([x, tank[:, None] == np.arange(4)])
    coefficients, squares, *_ = np.linalg.lstsq(columns, y, rcond=None)
    got = correlation_inside_tanks(x, y, tank, level=0.95)
    assert got.slope == pytest.approx(coefficients[0], rel=1e-9)
    _, without, *_ = np.linalg.lstsq(columns[:, 1:], y, rcond=None)
    assert got.r**2 == pytest.approx(1 - squares[0] / without[0], rel=1e-9)
    assert got.df == 16 - 4 - 1


def test_nothing_to_correlate():
    tank = np.repeat([0, 1], 3)
    moving = np.arange(6.0)
    assert correlation_inside_tanks(moving, np.repeat([1.0, 2.0], 3), tank, level=0.95) is None
    assert correlation_inside_tanks(moving[:4], moving[:4] ** 2, np.repeat([0, 1], 2), level=0.95) is None
    perfect = correlation_inside_tanks(moving, 3 - 2 * moving, tank, level=0.95)
    assert (perfect.r, perfect.low, perfect.high, perfect.p) == (-1, -1, -1, 0)
