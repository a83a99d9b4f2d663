"""How far the missing must be shifted to turn a reading: against the shift solved by hand."""

import numpy as np
import pytest
from scipy import stats

from analysis.conclusions import verdict
from analysis.linear_model import TankData
from analysis.own_error import own_error
from analysis.tipping_point import tipping_point
from schemas.vocabulary import Verdict

D = np.array([-1.0, -0.6, -1.3, -0.8, -1.1, -0.9])


def fit(delta):
    """Six pairs; the test tank of the last two was missing and is filled in at its pair's difference plus delta."""
    y = np.column_stack([np.zeros(6), D + delta * (np.arange(6) > 3)]).ravel()
    data = TankData(
        y, np.tile([0, 1], 6), np.repeat(np.arange(6), 2), ("control", "polymer"), None, blocked=True
    )
    return own_error(data, 1, 0, 0.95)


def read(found):
    return verdict(found.low, found.high, 0.5)


def test_the_turn_is_where_the_limit_meets_the_margin():
    got = tipping_point(fit, [-1.0, 0.5, 1.0, 2.0], read)
    assert [shift.delta for shift in got.shifts] == [-1.0, 0.0, 0.5, 1.0, 2.0]
    assert got.shifts[1].fit == fit(0.0)
    assert got.shifts[1].reading is Verdict.WORTHWHILE
    assert got.shifts[-1].reading is not Verdict.WORTHWHILE
    # At the turn the upper limit of the paired t interval is minus the margin.
    d = D + got.up * (np.arange(6) > 3)
    assert d.mean() + stats.t.ppf(0.975, 5) * d.std(ddof=1) / np.sqrt(6) == pytest.approx(-0.5, abs=1e-7)
    assert read(fit(got.up)) is not Verdict.WORTHWHILE
    assert read(fit(got.up - 1e-6)) is Verdict.WORTHWHILE


def test_a_reading_that_never_turns():
    got = tipping_point(fit, [-0.1, 0.1], read)
    assert (got.down, got.up) == (None, None)
    assert len(got.shifts) == 3


def test_both_sides():
    """What is read may be anything: here, whether p is below 0.001."""
    got = tipping_point(fit, np.linspace(-2, 2, 9), lambda found: found.p < 0.001)
    assert got.down < 0 < got.up
    for delta in (got.down, got.up):
        assert fit(delta).p == pytest.approx(0.001, rel=1e-5)
