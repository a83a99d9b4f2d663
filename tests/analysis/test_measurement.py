"""Kits compared from the readings of a trial: published sets put into the shape of readings."""

import pandas as pd
import pytest

from analysis.measurement import measurement

# Bland and Altman (1986), Lancet i:307: peak flow of 17 subjects by two meters, twice each (from memory).
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
LARGE_AGAIN = [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
DAY = pd.Timestamp("2025-03-03 09:00")


def frame(rows):
    return pd.DataFrame(rows, columns=["tank", "taken_at", "variable", "kit", "value"]).assign(sign="")


def test_two_meters_agree_as_published():
    """Bias -2.1 and limits near -79.7 and 75.5 (printed from rounded figures with 2 sd): within 2 of both."""
    rows = [(f"s{i}", DAY, "flow", "large", value) for i, value in enumerate(LARGE)]
    rows += [(f"s{i}", DAY, "flow", "mini", value) for i, value in enumerate(MINI)]
    (found,) = measurement(frame(rows), 0.95).agreement
    assert (found.first, found.second, found.n) == ("large", "mini", 17)
    assert found.bias == pytest.approx(-2.1, abs=0.05)
    assert (found.lower, found.upper) == pytest.approx((-78.0976, 73.8620), abs=2e-3)  # with 1.96
    assert (found.bias_low, found.bias_high) == pytest.approx((-22.0, 17.8), abs=0.1)


def test_repeatability_of_the_large_meter():
    """Within-subject sd 15.3; 2 sqrt 2 sd = 43.2 as printed, with 2 in place of 1.96."""
    rows = [
        (f"s{i}", DAY, "flow", "large", v) for column in (LARGE, LARGE_AGAIN) for i, v in enumerate(column)
    ]
    (found,) = measurement(frame(rows), 0.95).repeatability
    assert (found.variable, found.kit, found.df) == ("flow", "large", 17)
    assert found.sd == pytest.approx(15.307, abs=5e-4)
    assert found.limit * 2 / 1.959964 == pytest.approx(43.2938, abs=5e-4)


def test_nothing_to_tell_is_nothing():
    rows = [("a", DAY, "flow", "", 1.0), ("b", DAY, "flow", "", 2.0)]
    found = measurement(frame(rows), 0.95)
    assert (found.repeatability, found.agreement, found.inside_tanks) == ((), (), ())


def test_nitrate_follows_phosphate_inside_tanks(club):
    (found,) = club.analysis.measurement.inside_tanks
    assert (found.first, found.second) == ("phosphate", "nitrate")
    assert found.low < found.r < found.high
