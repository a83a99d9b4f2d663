"""What a nitrate kit makes of nitrite, with its interval, and what it means for a trial."""

import numpy as np
import pytest
from scipy import stats

from analysis.kits.nitrite import interference, nitrite_beside, nitrite_factor
from analysis.kits.scores import Grade
from schemas.protocol import CheckSample
from schemas.variables import catalogue

VALUES = np.array([2.0, 2.4, 2.2, 1.8])


def test_spread_alone_gives_students_interval():
    factor, low, high = interference(VALUES, 0.05, 0.0, 0.95)
    must = stats.ttest_1samp(VALUES / 0.05, 0).confidence_interval(0.95)
    assert factor == pytest.approx(42.0)
    assert (low, high) == pytest.approx((must.low, must.high))


def test_an_uncertain_content_widens_it_by_the_law_of_propagation():
    """Normal limits where readings do not spread; by simulation of reading over content where both do."""
    factor, low, high = interference(np.full(4, 2.0), 0.05, 0.001, 0.95)
    assert (factor, high - factor) == (pytest.approx(40), pytest.approx(1.96 * 40 * 0.02, rel=1e-3))
    assert factor - low == pytest.approx(high - factor)
    many = np.random.default_rng(3).normal(size=(200_000, 2))
    readings = np.tile([1.9, 2.1], 200)
    drawn = (2.0 + readings.std(ddof=1) / 20 * many[:, 0]) / (0.05 + 0.0005 * many[:, 1])
    _, low, high = interference(readings, 0.05, 0.0005, 0.95)
    assert (low, high) == pytest.approx(tuple(np.quantile(drawn, [0.025, 0.975])), rel=2e-3)


def test_one_reading_has_no_interval():
    assert interference(VALUES[:1], 0.05, 0.001, 0.95) == (40.0, None, None)


def factor_of(checks, values, pairs):
    sample = CheckSample(id="no2", kind="nitrite-standard", variable="nitrate", value=0.1)
    readings = checks([("q1", "drops", "no2", 0, value) for value in values])
    return nitrite_factor(sample, "q1", "drops", readings, pairs, 0.95)


def test_what_it_means_for_the_trial(checks, tank_readings):
    rows = [
        ("q1-a", "drops", "nitrate", 0, 10),
        ("q1-a", "other", "nitrite", 0, 0.02),
        ("q1-a", "other", "nitrite", 0, 0.04),
        ("q1-b", "drops", "nitrate", 0, 5),
        ("q1-b", "other", "nitrite", 0, "<0.02"),
        ("q1-b", "drops", "nitrate", 7, 5),
    ]
    beside = nitrite_beside(tank_readings(rows), catalogue(), ())
    assert beside["nitrite_mid"].fillna(-1).tolist() == pytest.approx([0.03, 0.01, -1])
    assert beside[["nitrite_low", "nitrite_high"]].iloc[1].tolist() == [0.0, 0.02]
    pairs = beside.dropna().assign(nitrate=lambda t: t["value"], nitrite=lambda t: t["nitrite_mid"])
    found = factor_of(checks, (1.0, 1.0), pairs)
    assert found.factor == 10
    met = found.disturbed
    assert (met.readings, met.nitrite_low, met.nitrite_high) == (2, 0.01, 0.03)
    assert (met.excess_low, met.excess_high) == (pytest.approx(0.1), pytest.approx(0.3))
    assert met.share_median == pytest.approx(2.5)
    assert found.grade is Grade.HOLDS
    assert factor_of(checks, (9.0, 9.0), pairs).grade is Grade.LOOK


def test_readings_below_the_limit_only_bound_it(checks, tank_readings):
    none = tank_readings([]).assign(nitrate=[], nitrite=[])
    found = factor_of(checks, ("<0.5", 0.6), none)
    assert (found.factor, found.below, found.grade) == (None, pytest.approx(6), Grade.NOT_TOLD)
    assert factor_of(checks, (">50",), none).below is None
