"""The questions that a protocol answers about itself: days, phases, contrasts."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise

import pytest
from pydantic import ValidationError

from schemas.vocabulary import Baseline, Multiplicity, Scale, Variance

DAY = dt.timedelta(days=1)


def test_phases_follow_one_another_without_gap(protocol_of):
    protocol = protocol_of()
    windows = list(protocol.phase_days.values())
    assert windows[0][0] == protocol.schedule.start
    assert all(before[1] == after[0] for before, after in pairwise(windows))
    assert protocol.last_day == dt.date(2026, 3, 2) + 139 * DAY


@pytest.mark.parametrize(
    ("day", "phase"),
    [
        (-1, None),
        (0, "baseline"),
        (27, "baseline"),
        (28, "ramp"),
        (56, "assessment"),
        (139, "assessment"),
        (140, None),
    ],
)
def test_phase_of_a_day(protocol_of, day, phase):
    protocol = protocol_of()
    assert protocol.phase_of(protocol.schedule.start + day * DAY) == phase


def test_sampling_days_count_from_the_first_day(protocol_of):
    protocol = protocol_of()
    days = protocol.due_days("nitrate")
    assert days[:2] == [dt.date(2026, 3, 2), dt.date(2026, 3, 9)]
    assert len(days) == 20
    assert days[-1] <= protocol.last_day
    assert protocol.due_days("calcium") == []


def test_contrasts_as_registered_or_every_arm_against_the_control(protocol_of):
    assert protocol_of().contrasts == (("polymer", "control"), ("polymer", "liquid"))
    assert protocol_of(analysis={}).contrasts == (("polymer", "control"), ("liquid", "control"))


def test_a_control_is_compared_with_before_a_reference(protocol_of):
    arms = [
        {"id": "old", "role": "reference", "title": "As before"},
        {"id": "none", "role": "control", "title": "Nothing"},
        {"id": "new", "role": "test", "title": "New"},
    ]
    assert protocol_of(arms=arms, analysis={}).contrasts == (("old", "none"), ("new", "none"))


def test_defaults(protocol_of):
    protocol = protocol_of(analysis={})
    slope = protocol.endpoints[1]
    assert (slope.baseline, slope.scale) == (Baseline.NONE, Scale.DIFFERENCE)
    plan = protocol.analysis
    assert (plan.alpha, plan.variance, plan.multiplicity) == (0.05, Variance.OWN, Multiplicity.HOLM)


def test_whole_numbers_serve_as_names(protocol_of):
    tanks = [{"id": n, "block": n % 2} for n in range(6)]
    assert [(tank.id, tank.block) for tank in protocol_of(tanks=tanks).tanks][:2] == [("0", "0"), ("1", "1")]


def test_a_protocol_cannot_be_changed(protocol_of):
    with pytest.raises(ValidationError, match="frozen"):
        protocol_of().trial.title = "Another"
