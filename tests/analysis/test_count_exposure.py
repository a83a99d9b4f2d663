"""Counts over tank-days when tanks leave: by the binomial test, given the number of events, of scipy."""

import datetime as dt

import pytest
from scipy import stats

from analysis.evaluation import evaluate
from analysis.followed import Happened

COUNTED = {
    "variables": [{"id": "dead", "unit": "1", "hard": [0, 50]}],
    "endpoints": [
        {
            "id": "dead",
            "role": "primary",
            "variable": "dead",
            "summary": "count",
            "scale": "ratio",
            "phase": "assessment",
            "better": "lower",
            "worthwhile": 0.5,
        }
    ],
    "analysis": {"contrasts": [["liquid", "control"]]},
}
FIRST = dt.date(2026, 3, 2)


@pytest.fixture(scope="module")
def counted(story):
    """The count of the small trial: c1 and c2 lose 3 and 1, l1 loses 6, each written down weekly from day 28."""

    def analyse(**left):
        readings = [
            (tank, number, "dead", value)
            for tank, values in {
                "c1": (3, 0, 0, 0),
                "c2": (0, 1, 0, 0),
                "l1": (4, 2, 0, 0),
                "p1": (0, 0, 0, 0),
            }.items()
            for number, value in zip((28, 35, 42, 49), values, strict=True)
            if tank not in left or number <= 35
        ]
        told = story((), readings, plan=COUNTED)
        days = {tank: FIRST + dt.timedelta(days=number) for tank, number in left.items()}
        return evaluate(
            told.protocol,
            told.allocation,
            told.readings,
            protocol_digest="ab" * 32,
            data_digest="cd" * 32,
            version="0",
            happened=Happened(left=days),
        ).endpoints[0]

    return analyse


def days(endpoint):
    """Tank-days of each arm."""
    return {rate.arm: rate.tank_days for rate in endpoint.rates}


def test_tanks_that_stay_are_exposed_for_the_whole_phase(counted):
    assert days(counted()) == {"control": 56, "liquid": 28, "polymer": 28}


@pytest.mark.parametrize(
    ("left", "liquid"),
    [
        (42, 14),
        (36, 8),
        (30, 8),
        (99, 28),
    ],  # the reading of day 35 counts, so its day does, whenever the tank left
)
def test_a_tank_that_left_is_exposed_until_then_or_until_its_last_reading(counted, left, liquid):
    assert days(counted(l1=left)) == {"control": 56, "liquid": liquid, "polymer": 28}


def test_rates_are_compared_over_the_days_that_there_were(counted):
    """6 of 10 events in 14 of 70 tank-days: twice the smaller tail of scipy's binomial test, and its exact limits (Clopper and Pearson)."""
    endpoint = counted(l1=42)
    (contrast,) = endpoint.contrasts
    tails = [stats.binomtest(6, 10, 14 / 70, alternative=way).pvalue for way in ("less", "greater")]
    limits = stats.binomtest(6, 10, 14 / 70).proportion_ci(0.95, "exact")
    assert contrast.estimate == pytest.approx((6 / 14) / (4 / 56))
    assert contrast.p == pytest.approx(2 * min(tails))
    assert (contrast.low, contrast.high) == pytest.approx(
        tuple(share / (1 - share) * 56 / 14 for share in limits), rel=1e-6
    )
    assert (
        "1 tank left before the end of the phase and counts until then, for 14 days together."
        in endpoint.notes
    )
