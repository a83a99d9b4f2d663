"""Repeatability from pairs: the pair formula, a published set, and what is left out."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis.kits.duplicates import duplicates


def frame(sets, kit="drops", variable="nitrate"):
    rows = [
        {"water": f"tank {place}", "value": value, "sign": "", "kit": kit, "variable": variable}
        for place, values in enumerate(sets)
        for value in values
    ]
    return pd.DataFrame(rows).assign(taken_at=pd.Timestamp("2026-03-02"))


# Bland and Altman (1986) Lancet i:307, pairs of readings by the Wright meter.
FIRST = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
SECOND = (490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421)


def test_published_pairs():
    """Published: two standard deviations of a difference of two readings are 43.2, i.e. 2 sqrt(2) sd of one."""
    (found,) = duplicates(frame(zip(FIRST, SECOND, strict=True)), 0.95)
    assert 2 * 2**0.5 * found.sd == pytest.approx(43.2, abs=0.15)
    d = np.subtract(FIRST, SECOND)
    assert found.sd == pytest.approx(np.sqrt((d**2).sum() / (2 * 17)), rel=1e-12)
    assert (found.sets, found.df) == (17, 17)
    assert found.limit == pytest.approx(2.77 * found.sd, rel=1e-3)
    assert found.low == pytest.approx(found.sd * np.sqrt(17 / stats.chi2.ppf(0.975, 17)))


def test_relative_difference():
    """100 x 0.02 / 0.09 = 22.22 %, the usual formula."""
    (found,) = duplicates(frame([(0.08, 0.10), (1.0, 1.0), (2.0, 2.0)]), 0.95)
    assert found.largest_difference == pytest.approx(22.2222, abs=1e-4)
    assert found.median_difference == 0


def test_kits_are_apart_and_lone_or_censored_readings_tell_nothing():
    table = pd.concat(
        [
            frame([(10.0, 11.0), (12.0,)]),
            frame([(0.5, 0.5)], kit="card").assign(sign="<"),
            frame([(5.0, 7.0, 6.0)], kit="photometer"),
        ]
    )
    found = {one.kit: one for one in duplicates(table, 0.95)}
    assert sorted(found) == ["drops", "photometer"]
    assert found["photometer"].median_difference is None
    assert found["photometer"].sd == pytest.approx(1.0)
