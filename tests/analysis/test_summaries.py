"""Readings to one number a tank: windows, duplicates, bounds of censored readings, and the count of all rows."""

import datetime as dt
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from analysis.summaries import Series, count_readings, phase_series, summarise, tank_numbers, with_bounds
from schemas.allocation import Allocation, Assignment
from schemas.protocol import Kit, Protocol
from schemas.variables import variables_for
from schemas.vocabulary import Summary

START = dt.date(2025, 3, 3)


def protocol(**endpoint):
    return Protocol.model_validate(
        {
            "format": 1,
            "trial": {"id": "t", "title": "T"},
            "arms": [
                {"id": "c", "role": "control", "title": "C"},
                {"id": "p", "role": "test", "title": "P"},
            ],
            "design": {"kind": "parallel"},
            "tanks": [{"id": "t1"}, {"id": "t2"}],
            "schedule": {
                "start": START,
                "phases": [
                    {"id": "baseline", "days": 14},
                    {"id": "ramp", "days": 7},
                    {"id": "assessment", "days": 21},
                ],
                "sampling": [{"variable": "phosphate", "every_days": 7}],
            },
            "endpoints": [
                {
                    "id": "e",
                    "role": "primary",
                    "variable": "phosphate",
                    "summary": "mean",
                    "phase": "assessment",
                    "better": "lower",
                    "worthwhile": 0.01,
                }
                | endpoint
            ],
        }
    )


def readings(*rows):
    frame = pd.DataFrame(rows, columns=["tank", "day", "value", "sign"])
    return frame.assign(
        taken_at=pd.to_datetime([START + dt.timedelta(days=day) for day in frame["day"]])
        + pd.Timedelta(hours=19),
        variable="phosphate",
    )


def numbers(rows, **endpoint):
    plan = protocol(**endpoint)
    allocation = Allocation(
        (Assignment("t1", "c", None, None), Assignment("t2", "p", None, None)),
        drawn=True,
        random=True,
        how="",
        seed="s",
    )
    table = readings(*rows)
    return tank_numbers(plan, plan.endpoints[0], allocation, table, variables_for(plan)["phosphate"])


def test_phases_are_windows_of_days_and_the_ramp_is_not_assessed():
    first, second = numbers(
        [
            ("t1", 13, 9.0, ""),
            ("t1", 20, 9.0, ""),
            ("t1", 21, 0.1, ""),
            ("t1", 41, 0.3, ""),
            ("t1", 42, 9, ""),
        ]
    )
    assert (first.value, first.days, first.days_due) == (0.2, 2, 3)
    assert (second.y, second.why_missing) == (None, "no phosphate reading in the assessment phase")


def test_duplicates_are_averaged_within_their_day_first():
    rows = [("t1", 21, 0.1, ""), ("t1", 21, 0.3, ""), ("t1", 28, 0.5, "")]
    tank = numbers(rows)[0]
    assert tank.value == pytest.approx((0.2 + 0.5) / 2)
    assert (tank.days, tank.readings) == (2, 3)


def test_a_censored_reading_is_an_interval():
    tank = numbers([("t1", 21, 0.02, "<"), ("t1", 28, 0.1, "")])[0]
    assert (tank.value, tank.lowest, tank.highest) == pytest.approx((0.055, 0.05, 0.06))
    assert tank.censored == 1
    above = numbers([("t1", 21, 2.0, ">")])[0]
    assert (above.value, above.lowest, above.highest) == (
        2.0,
        2.0,
        variables_for(protocol())["phosphate"].hard[1],
    )


def test_a_ratio_of_a_censored_summary_has_no_lower_bound():
    tank = numbers([("t1", 21, 0.02, "<")], scale="ratio", worthwhile=0.8)[0]
    assert tank.y == pytest.approx(math.log(0.01))
    assert (tank.y_lowest, tank.y_highest) == (-math.inf, pytest.approx(math.log(0.02)))


@pytest.mark.parametrize(
    ("baseline", "scale", "expected"),
    [
        ("none", "difference", 0.3),
        ("change", "difference", 0.3 - 0.5),
        ("change", "ratio", math.log(0.3 / 0.5)),
        ("adjust", "ratio", math.log(0.3)),
    ],
)
def test_baseline(baseline, scale, expected):
    rows = [("t1", 0, 0.4, ""), ("t1", 7, 0.6, ""), ("t1", 21, 0.3, "")]
    tank = numbers(rows, baseline=baseline, scale=scale, worthwhile=0.8)[0]
    assert tank.y == pytest.approx(expected)
    assert tank.baseline == (None if baseline == "none" else 0.5)


def test_a_change_is_bounded_by_both_of_its_readings():
    tank = numbers([("t1", 0, 0.02, "<"), ("t1", 21, 0.04, "<")], baseline="change")[0]
    assert (tank.y, tank.y_lowest, tank.y_highest) == pytest.approx((0.01, -0.02, 0.04))


def test_missing_numbers_say_why():
    one_day = numbers([("t1", 21, 0.1, "")], summary="slope")[0]
    assert one_day.why_missing == "one sampling day in the assessment phase, slope needs two"
    no_baseline = numbers([("t1", 21, 0.1, "")], baseline="adjust")[0]
    assert no_baseline.why_missing == "no phosphate reading in the baseline phase"


DAYS = st.lists(st.integers(0, 80), min_size=2, max_size=12, unique=True).map(
    lambda days: np.array(sorted(days), float)
)


@given(DAYS, st.data())
def test_summaries_against_libraries(days, data):
    values = np.array(data.draw(st.lists(st.floats(0, 50), min_size=len(days), max_size=len(days))))
    series = Series(days, values, values, values, len(days), 0)
    expected = {
        Summary.MEAN: values.mean(),
        Summary.MEDIAN: np.median(values),
        Summary.LAST: values[-1],
        Summary.CHANGE: values[-1] - values[0],
        Summary.SLOPE: stats.linregress(days, values).slope,
        Summary.AUC: integrate.trapezoid(values, days),
    }
    for summary, number in expected.items():
        assert summarise(series, summary).value == pytest.approx(number, abs=1e-9)


@given(DAYS, st.data())
def test_bounds_hold_every_value_that_the_intervals_allow(days, data):
    size = len(days)
    draws = st.lists(st.floats(0, 50), min_size=size, max_size=size).map(np.array)
    low, high = np.sort([data.draw(draws), data.draw(draws)], axis=0)
    share = np.array(data.draw(st.lists(st.floats(0, 1), min_size=size, max_size=size)))
    somewhere = low + share * (high - low)
    series = Series(days, low, somewhere, high, size, 0)
    for summary in (Summary.MEAN, Summary.MEDIAN, Summary.LAST, Summary.CHANGE, Summary.SLOPE, Summary.AUC):
        bounded = summarise(series, summary)
        assert bounded.lowest - 1e-9 <= bounded.value <= bounded.highest + 1e-9


def test_every_reading_is_counted_somewhere():
    plan = protocol()
    table = readings(*[("t1", day, 0.1, "<" if day == 7 else "") for day in (0, 7, 9, 16, 21, 21, 50)])
    count = count_readings(plan, table)
    assert count.total == sum(count.by_phase.values()) + count.between + count.after_the_end == 7
    assert (count.off_due_day, count.duplicates, count.censored) == (3, 1, 1)


def test_a_reading_off_a_card_is_an_interval_between_steps():
    """Steps 0.03, 0.1 and 0.25 mg/L, given in ppb P: a card shows no number between them."""
    steps = [step * 326.143 for step in (0.03, 0.1, 0.25)]
    card = Kit.model_validate(
        {"id": "card", "variable": "phosphate", "limit": steps[0], "unit": "ppb P", "steps": steps}
    )
    table = readings(
        ("t1", 0, 0.03, ""), ("t1", 1, 0.1, ""), ("t1", 2, 0.25, ""), ("t1", 3, 0.1, ""), ("t1", 4, 0.03, "<")
    )
    table = table.assign(kit=["card", "card", "card", "photometer", "card"])
    variable = variables_for(protocol())["phosphate"]
    bounded = with_bounds(table, variable, (card,))
    assert bounded["low"].tolist() == pytest.approx([0.0, 0.065, 0.175, 0.1, 0.0], abs=1e-6)
    assert bounded["high"].tolist() == pytest.approx([0.065, 0.175, variable.hard[1], 0.1, 0.03], abs=1e-6)
    assert bounded["mid"].tolist() == pytest.approx([0.03, 0.1, 0.25, 0.1, 0.015])
    assert phase_series(bounded, protocol(), "baseline")["t1"].censored == 4


def test_with_bounds_keeps_the_rows():
    table = readings(("t1", 0, 0.02, "<"), ("t1", 1, 0.1, ""))
    bounded = with_bounds(table, variables_for(protocol())["phosphate"])
    assert bounded[["low", "mid", "high"]].to_numpy().tolist() == [[0.0, 0.01, 0.02], [0.1, 0.1, 0.1]]
    assert phase_series(bounded.iloc[:0], protocol(), "baseline") == {}
