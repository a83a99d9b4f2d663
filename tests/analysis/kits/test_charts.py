"""Control charts: limits against a handbook's example, rules against a slow way, what has no limits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.kits.charts import broken_rules, control_chart, individuals_limits
from analysis.kits.scores import Grade
from schemas.protocol import CheckSample
from schemas.variables import catalogue

# NIST/SEMATECH e-Handbook 6.3.2.2: flow rate of ten batches (readings and limits from memory).
FLOW = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
NITRATE = catalogue()["nitrate"]


def standard(**more):
    return CheckSample(id="std", kind="standard", variable="nitrate", **({"value": 10.0} | more))


def chart_of(checks, values, *, card=False, **more):
    rows = [("q1", "drops", "std", day, value) for day, value in enumerate(values)]
    return control_chart(standard(**more), "q1", "drops", checks(rows), NITRATE, of_card=card)


def test_handbook_limits():
    limits = individuals_limits(FLOW)
    assert np.abs(np.diff(FLOW)).mean() == pytest.approx(1.8778, abs=5e-5)
    assert limits.centre == pytest.approx(50.81, abs=1e-9)
    assert (limits.at(-3), limits.at(3)) == pytest.approx((45.8159, 55.8041), abs=5e-5)
    assert not broken_rules((FLOW - limits.centre) / limits.sd)[0].any()


def test_readings_that_are_all_alike_spread_as_rounding_does():
    """A step of 0.1 alone has the standard deviation 0.1 / sqrt(12) of the uniform law."""
    assert individuals_limits(np.full(9, 5.0), 0.1).sd == pytest.approx(0.1 / 12**0.5)


def slow(scores):
    """Each reading by the words of the rule."""
    two = []
    for place, score in enumerate(scores):
        window = scores[max(place - 2, 0) : place + 1]
        high = score > 2 and len([s for s in window if s > 2]) >= 2
        low = score < -2 and len([s for s in window if s < -2]) >= 2
        two.append(high or low)
    return [abs(score) > 3 for score in scores], two


@given(st.lists(st.sampled_from([-3.5, -3.0, -2.5, -2.0, 0.0, 2.0, 2.1, 3.0, 3.1]), max_size=14))
def test_rules_as_they_are_worded(scores):
    beyond, two = broken_rules(np.array(scores))
    assert (beyond.tolist(), two.tolist()) == slow(scores)


STEADY = [10.0, 10.3, 9.8, 10.1, 9.9, 10.2, 9.7, 10.0]
OUTCOMES = {
    "steady": (STEADY, {}, Grade.HOLDS, []),
    "the newest is out": ([*STEADY, 13.0], {}, Grade.FAILS, [8]),
    "was out, is back": ([*STEADY, 13.0, 10.0], {}, Grade.LOOK, [8]),
    "two of three": ([*STEADY, 10.9, 10.0, 10.9], {}, Grade.FAILS, [10]),
    "seven have no limits": (STEADY[:7], {}, Grade.NOT_TOLD, []),
    "few, with a registered spread": ([10.1, 12.0], {"fitness_sd": 0.5}, Grade.FAILS, [1]),
    "few, with a spread that the uncertainty adds to": (
        [10.1, 12.0],
        {"fitness_sd": 0.5, "uncertainty": 0.5},
        Grade.HOLDS,
        [],
    ),
    "limits come from the first twenty alone": ([*STEADY, *STEADY, *STEADY[:4], 13.0], {}, Grade.FAILS, [20]),
}


@pytest.mark.parametrize(("values", "more", "grade", "out"), OUTCOMES.values(), ids=OUTCOMES)
def test_what_a_chart_says(checks, values, more, grade, out):
    found = chart_of(checks, values, **more)
    assert found.grade is grade
    assert [place for place, point in enumerate(found.points) if point.signals] == out


def test_a_spread_of_the_protocol_is_centred_on_the_stated_value(checks):
    limits = chart_of(checks, [11.0], fitness_sd=0.3, uncertainty=0.4).limits
    assert (limits.centre, limits.sd, limits.base) == (10.0, pytest.approx(0.5), 0)


def test_readings_beyond_the_limit_are_counted_and_cards_have_none(checks):
    found = chart_of(checks, [*STEADY, "<0.5"])
    assert (found.censored, len(found.points)) == (1, 8)
    assert found.recovery == pytest.approx(100)
    card = chart_of(checks, STEADY, card=True)
    assert card.limits is None
    assert "off a card" in card.why
    assert [point.score for point in card.points] == [None] * 8
