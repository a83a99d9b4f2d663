"""Axes hold what is drawn on them and put their ticks at round numbers."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.plots.axes import value_axis

NUMBERS = st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=30)
POSITIVE = st.lists(st.floats(1e-3, 1e4), min_size=1, max_size=30)


@given(NUMBERS)
def test_linear_axis_holds_all_and_has_ticks_inside(values):
    axis = value_axis(values, log=False)
    assert axis.low <= min(values) <= max(values) <= axis.high
    assert axis.ticks
    assert all(axis.low <= tick <= axis.high for tick in axis.ticks)


@given(POSITIVE)
def test_logarithmic_axis_holds_all_and_stays_above_zero(values):
    axis = value_axis(values, log=True)
    assert 0 < axis.low <= min(values) <= max(values) <= axis.high
    assert len(axis.ticks) >= 2
    assert all(axis.low <= tick <= axis.high for tick in axis.ticks)


@given(POSITIVE, st.floats(0, 1), st.booleans())
def test_places_along_an_axis_come_back(values, share, log):
    axis = value_axis(values, log=log)
    assert math.isclose(axis.share(axis.at(share)), share, abs_tol=1e-6)
    assert axis.low <= axis.moved(axis.at(share), 0.5) <= axis.high


@pytest.mark.parametrize(
    ("values", "log", "ticks", "labels"),
    [
        ((3, 40), True, (5, 10, 20), ["5", "10", "20"]),
        ((0.02, 200), True, (0.1, 1, 10, 100), ["0.1", "1", "10", "100"]),
        ((0.0, 0.2), False, (0, 0.05, 0.1, 0.15, 0.2), ["0.00", "0.05", "0.10", "0.15", "0.20"]),
        ((-3, 5), False, (-2, 0, 2, 4), ["\N{MINUS SIGN}2", "0", "2", "4"]),
        ((), False, (0, 0.25, 0.5, 0.75, 1.0), ["0.00", "0.25", "0.50", "0.75", "1.00"]),
    ],
)
def test_ticks_are_round(values, log, ticks, labels):
    axis = value_axis(values, log=log)
    assert axis.ticks == pytest.approx(ticks)
    assert axis.labels(axis.ticks) == labels
